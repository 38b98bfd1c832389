"""Answers to a panel's messages that are not the right one, or not in the usual manner; and what must come of them."""

from collections.abc import Callable, Iterator

from receiver.trial.case import beside, fails, unclear
from receiver.trial.panel_stage import FIRST, MOST_TRIES, SECOND, Message, Notes, Play, Stage, half, times
from receiver.trial.stage import WRONG_KEY

NOISE = bytes(range(128, 168))


def _other(digits: str | None) -> str:
    """Another number of the same length; `1` for none."""
    return "1" if digits is None else ("2" if digits[0] == "1" else "1") + digits[1:]


def _next(to: Message) -> str:
    """The number of the message after it."""
    return f"{to.following:04d}"


# Answers that must not end the message: it was not acknowledged, so it must come again.
WRONG: dict[str, Callable[[Stage, Message], bytes]] = {
    "wrong-sequence": lambda stage, to: stage.made(to, sequence=_next(to)),
    "sequence-0000": lambda stage, to: stage.made(to, sequence="0000"),
    "wrong-account": lambda stage, to: stage.made(to, account=_other(to.frame.account)),
    "wrong-receiver": lambda stage, to: stage.made(to, receiver=_other(to.frame.receiver)),
    "wrong-prefix": lambda stage, to: stage.made(to, prefix=_other(to.frame.prefix)),
    "wrong-crc": lambda stage, to: stage.made(to, crc="wrong"),
    "wrong-length": lambda stage, to: stage.made(to, length=1),
    "in-clear": lambda stage, to: stage.made(to, key=None),
    "other-key": lambda stage, to: stage.made(to, key=WRONG_KEY),
    "without-stamp": lambda stage, to: stage.made(to, stamped=False),
    "sealed-to-clear": lambda stage, to: stage.made(to, key=WRONG_KEY),
    "echo": lambda stage, to: to.frame.raw,
    "unknown-word": lambda stage, to: stage.made(to, "YES"),
    "duh-wrong-sequence": lambda stage, to: stage.made(to, "DUH", sequence=_next(to)),
    "duh-wrong-crc": lambda stage, to: stage.made(to, "DUH", crc="wrong"),
    "garbage": lambda stage, to: NOISE,
    "half": lambda stage, to: half(stage.made(to)),
}
ONLY_SEALED = ("in-clear", "other-key", "without-stamp")


def _nak_without_time(stage: Stage) -> Notes:
    first = stage.event()
    stage.nak(first, None)
    stage.ack(stage.must_repeat(first, "it took a NAK without a time for an answer"))
    return None


def _illegal_padding(stage: Stage) -> Notes:
    """Padding is never read as text, so a panel may well take it: worth knowing, and no fault."""
    stage.need_key()
    first = stage.event()
    stage.send(first, stage.made(first, pad=lambda count: b"[" * count), "padding that none may have")
    again = stage.again(first)
    if again is None:
        stage.settled(first)
        return ["it takes padding made of brackets"]
    stage.ack(again)
    stage.must_rest(again, "the right ACK came after one with padding of brackets")
    return ["it does not take padding made of brackets"]


def _not_taken(name: str) -> Play:
    def play(stage: Stage) -> Notes:
        if name in ONLY_SEALED:
            stage.need_key()
        if name == "sealed-to-clear" and stage.setup.key:
            beside("the panel seals its messages")
        first = stage.event()
        stage.send(first, WRONG[name](stage, first), "must not be taken")
        again = stage.must_repeat(first, "it took this for an answer")
        stage.ack(again)
        return [f"it came again after {again.tick - first.tick:.1f} s"]

    return play


# Right answers that come in an odd manner, as (seconds to wait before, bytes): the message has its answer.
Parts = Iterator[tuple[float, bytes]]


def _noise_before(stage: Stage, to: Message) -> Parts:
    yield 0, NOISE + stage.made(to)


def _noise_apart(stage: Stage, to: Message) -> Parts:
    yield 0, NOISE
    yield 0.2, stage.made(to)


def _wrong_then_right(stage: Stage, to: Message) -> Parts:
    yield 0, stage.made(to, sequence=_next(to))
    yield 0.2, stage.made(to)


def _half_then_whole(stage: Stage, to: Message) -> Parts:
    ack = stage.made(to)
    yield 0, half(ack)
    yield 0.2, ack


def _split(stage: Stage, to: Message) -> Parts:
    ack = stage.made(to)
    yield 0, half(ack)
    yield 0.5, ack[len(half(ack)) :]


def _trickle(stage: Stage, to: Message) -> Parts:
    ack = stage.made(to)
    for place in range(len(ack)):
        yield min(3.0, stage.wait / 4) / len(ack), ack[place : place + 1]


def _two_acks(stage: Stage, to: Message) -> Parts:
    yield 0, stage.made(to) + stage.made(to)


def _two_acks_apart(stage: Stage, to: Message) -> Parts:
    yield 0, stage.made(to)
    yield 0.3, stage.made(to)


def _taken(parts: Callable[[Stage, Message], Parts], *, one_datagram: bool = False) -> Play:
    def play(stage: Stage) -> Notes:
        first = stage.event()
        if one_datagram and first.udp:
            stage.ack(first)
            beside("over UDP an answer is one datagram")
        for pause, data in parts(stage, first):
            stage.pass_time(pause)
            stage.send(first, data)
        stage.settled(first)
        stage.must_rest(first, "it did not take the right ACK")
        return None

    return play


def _old_ack(stage: Stage) -> Notes:
    first = stage.event()
    stage.ack(first)
    then = stage.event()
    if then.frame.sequence == first.frame.sequence:
        unclear("two messages in a row carry the same number")
    stage.send(then, stage.made(first), "the answer to the message before")
    stage.ack(stage.must_repeat(then, "it took the answer to the message before"))
    return None


def _unasked(stage: Stage) -> Notes:
    first = stage.event(fresh=True)
    stage.ack(first)
    stage.calm()
    places = [one for one in stage.heard if one.connection in stage.open and one.ear == first.ear]
    if not places:
        beside("it closes the connection after each answer, so that nothing can come unasked")
    last = stage.events()[-1]
    number = _next(last)
    stage.send(places[-1], stage.made(last, sequence=number), f"an ACK to {number}, which was not sent yet")
    then = stage.event()
    if then.frame.sequence_sent != number:
        stage.ack(then)
        unclear(f"its next message was number {then.frame.sequence_sent}, not {number}")
    stage.ack(stage.must_repeat(then, "it kept an answer from before and took it"))
    return None


def _duh(stage: Stage) -> Notes:
    first = stage.event()
    stage.settled(first)
    sent = [first]
    stage.send(first, stage.made(first, "DUH"))
    while (again := stage.again(first)) is not None:
        sent.append(again)
        at_one = max(sum(one.ear == ear for one in sent) for ear in (FIRST, SECOND))
        if at_one > MOST_TRIES:
            stage.ack(again)
            fails(f"it sent the message {at_one} times to a receiver that cannot process it, and did not stop")
        stage.send(again, stage.made(again, "DUH"))
    turned = "; it tried the second receiver, too" if any(one.ear == SECOND for one in sent) else ""
    return [f"sent {times(len(sent))}{turned}"]


PLAYS: dict[str, Play] = {f"replies/{name}": _not_taken(name) for name in WRONG} | {
    "replies/nak-without-time": _nak_without_time,
    "replies/illegal-padding": _illegal_padding,
    "replies/old-ack": _old_ack,
    "replies/unasked": _unasked,
    "replies/duh": _duh,
    "replies/noise-before": _taken(_noise_before),
    "replies/noise-apart": _taken(_noise_apart),
    "replies/wrong-then-right": _taken(_wrong_then_right),
    "replies/half-then-whole": _taken(_half_then_whole),
    "replies/split": _taken(_split, one_datagram=True),
    "replies/trickle": _taken(_trickle, one_datagram=True),
    "replies/two-acks": _taken(_two_acks),
    "replies/two-acks-apart": _taken(_two_acks_apart),
}
