"""The trial of a panel: its cases, in the order in which they are played.

Most are "answered so and so: what does it do then?". What no clause says is common practice, and the figures of waits and
tries are from memory. A clause with a * is from memory, too. What can be told from what the panel has said anyway comes
last, so that the person at the panel is asked no more than needed.
"""

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from statistics import fmean, median, pstdev
from typing import NamedTuple

from protocols.exchange import following
from protocols.seal import Key
from protocols.values import Frame
from receiver.trial.case import PRACTICE, Case, Result, Trace, beside, fails, judge, unclear
from receiver.trial.panel_stage import FIRST, SECOND, Message, Setup, Stage, same
from receiver.trial.stage import WRONG_KEY, spoiled

Notes = list[str] | None
AWAY_SECONDS = 120.0  # how far a NAK moves the panel's clock, to see whether it follows
MOST_TRIES = 10  # at one receiver: what is sent more often than this does not stop
MOST_OPEN = 4  # connections to one receiver at once
MOST_OPENED = 20  # connections in ten seconds, to a receiver that closes them all

ECHO, AGAIN = "DC-09 5.5.3.1*", "DC-09 5.5.3*"
TIME, SEALED, FORM, POLLS = "DC-09 5.5.3.2", "DC-09 5.4.6", "DC-09 5.5.1*", "DC-09 5.5.2"


# Wrong answers: the message must come again, for it was not acknowledged


class Wrong(NamedTuple):
    """An answer that must not end the message."""

    name: str
    clause: str
    does: str
    made: Callable[[Stage, Message], bytes]


def _other(digits: str | None) -> str:
    """Another number of the same length; `1` for none."""
    return "1" if digits is None else ("2" if digits[0] == "1" else "1") + digits[1:]


def _sealed(stage: Stage, key: Key | None, stamped: bool = True) -> Key | None:
    """For answers to sealed messages only."""
    stage.need_key()
    return key


WRONG = (
    Wrong(
        "wrong-sequence", ECHO, "Acknowledges the number after the message's.",
        lambda stage, to: stage.made(to, sequence=f"{following(to.frame.sequence or 0):04d}"),
    ),
    Wrong("sequence-0000", ECHO, "Acknowledges number 0000, as if to a poll.", lambda stage, to: stage.made(to, sequence="0000")),
    Wrong("wrong-account", ECHO, "Acknowledges for another account.", lambda stage, to: stage.made(to, account=_other(to.frame.account))),
    Wrong("wrong-receiver", ECHO, "Acknowledges with another receiver number R.", lambda stage, to: stage.made(to, receiver=_other(to.frame.receiver))),
    Wrong("wrong-prefix", ECHO, "Acknowledges with another account prefix L.", lambda stage, to: stage.made(to, prefix=_other(to.frame.prefix))),
    Wrong("wrong-crc", FORM, "Sends the right ACK with a wrong CRC.", lambda stage, to: stage.made(to, crc="wrong")),
    Wrong("wrong-length", FORM, "Sends the right ACK with a length that is one too high.", lambda stage, to: stage.made(to, length=1)),
    Wrong(
        "in-clear", "DC-09 5.5.3.1", "Answers a sealed message with an ACK in clear.",
        lambda stage, to: stage.made(to, key=_sealed(stage, None)),
    ),
    Wrong(
        "other-key", SEALED, "Seals the ACK with another key.",
        lambda stage, to: stage.made(to, key=_sealed(stage, WRONG_KEY)),
    ),
    Wrong(
        "without-stamp", "DC-09 5.5.3.1", "Seals an ACK that carries no stamp.",
        lambda stage, to: stage.made(to, stamped=stage.need_key() is None),
    ),
    Wrong(
        "illegal-padding", SEALED + "*", "Seals an ACK whose padding is made of brackets.",
        lambda stage, to: stage.made(to, key=stage.need_key(), pad=lambda count: b"[" * count),
    ),
    Wrong(
        "sealed-to-clear", SEALED, "Seals the ACK to a message in clear.",
        lambda stage, to: stage.made(to, key=beside("the panel seals its messages") if stage.setup.key else WRONG_KEY),
    ),
    Wrong("echo", ECHO, "Sends the panel's own message back.", lambda stage, to: to.frame.raw),
    Wrong("unknown-word", ECHO, "Answers with a frame whose token is YES.", lambda stage, to: stage.made(to, "YES")),
    Wrong(
        "duh-wrong-sequence", "DC-09 5.5.3.3*", "Sends a DUH with another number.",
        lambda stage, to: stage.made(to, "DUH", sequence=f"{following(to.frame.sequence or 0):04d}"),
    ),
    Wrong("duh-wrong-crc", FORM, "Sends a DUH with a wrong CRC.", lambda stage, to: stage.made(to, "DUH", crc="wrong")),
    Wrong("nak-without-time", TIME, "Sends a NAK that does not say the time.", lambda stage, to: spoiled(b'"NAK"0000R0L0A0[]')),
    Wrong("garbage", FORM, "Answers with forty bytes that are no frame.", lambda stage, to: bytes(range(128, 168))),
    Wrong("half", FORM, "Sends the first half of the ACK, and no more.", lambda stage, to: _half(stage.made(to))),
)  # fmt: skip


def _half(data: bytes) -> bytes:
    return data[: len(data) // 2]


def _not_taken(wrong: Wrong) -> Case[Stage]:
    def play(stage: Stage) -> Notes:
        first = stage.event()
        stage.send(first, wrong.made(stage, first), "must not be taken")
        again = stage.must_repeat(first, "it took this for an answer")
        stage.ack(again)
        return [f"it came again after {again.tick - first.tick:.1f} s"]

    return Case(
        f"replies/{wrong.name}", wrong.clause, wrong.does,
        "The same message again, once the panel has waited.", play, "The other receiver may get it.",
    )  # fmt: skip


# Right answers that come in an odd manner: the message has its answer


def _taken(name: str, does: str, play: Callable[[Stage, Message], None]) -> Case[Stage]:
    def whole(stage: Stage) -> Notes:
        first = stage.event()
        play(stage, first)
        stage.settled(first)
        stage.must_rest(first, "it did not take the right ACK")
        return None

    return Case(f"replies/{name}", PRACTICE, does, "The message does not come again.", whole)


def _noise_before(stage: Stage, to: Message) -> None:
    stage.send(to, bytes(range(128, 168)) + stage.made(to), "noise and the right ACK in one segment")


def _noise_apart(stage: Stage, to: Message) -> None:
    stage.send(to, bytes(range(128, 168)), "noise")
    stage.pass_time(0.2)
    stage.send(to, stage.made(to), "the right ACK")


def _wrong_then_right(stage: Stage, to: Message) -> None:
    stage.send(to, stage.made(to, sequence=f"{following(to.frame.sequence or 0):04d}"), "the wrong number")
    stage.pass_time(0.2)
    stage.send(to, stage.made(to), "the right ACK")


def _half_then_whole(stage: Stage, to: Message) -> None:
    ack = stage.made(to)
    stage.send(to, _half(ack), "half of an ACK")
    stage.pass_time(0.2)
    stage.send(to, ack, "the whole ACK")


def _split(stage: Stage, to: Message) -> None:
    if to.udp:
        beside("over UDP an answer is one datagram")
    ack = stage.made(to)
    stage.send(to, _half(ack), "half of the ACK")
    stage.pass_time(0.5)
    stage.send(to, ack[len(_half(ack)) :], "the other half")


def _trickle(stage: Stage, to: Message) -> None:
    if to.udp:
        beside("over UDP an answer is one datagram")
    ack = stage.made(to)
    pause = min(3.0, stage.setup.wait / 4) / len(ack)
    for place in range(len(ack)):
        stage.send(to, ack[place : place + 1])
        stage.pass_time(pause)


def _two(stage: Stage, to: Message) -> None:
    stage.send(to, stage.made(to) + stage.made(to), "the right ACK twice in one segment")


def _two_apart(stage: Stage, to: Message) -> None:
    stage.send(to, stage.made(to), "the right ACK")
    stage.settled(to)
    stage.pass_time(0.3)
    stage.send(to, stage.made(to), "and once more")


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
    number = f"{following(last.frame.sequence or 0):04d}"
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
    return [f"sent {_times(len(sent))}{turned}"]


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


# Silence


class Silence(NamedTuple):
    """What it did while nobody answered: each time it sent the message, and the time that it got its answer at last."""

    sent: list[Message]
    back: Message | None
    others: list[Message]

    @property
    def waits(self) -> list[float]:
        """The seconds between two tries at one receiver."""
        return [then.tick - one.tick for one, then in pairwise(self.sent) if one.ear == then.ear]


def _silence(stage: Stage) -> Silence:
    first = stage.event(fresh=True)
    before = len(stage.events())
    stage.deaf = set(range(stage.ears.count))
    sent = [first]
    while (again := stage.again(first)) is not None:
        sent.append(again)
        if len(sent) > MOST_TRIES * stage.ears.count:
            break
    stage.deaf.clear()
    back = again or stage.again(first, stage.setup.later)
    if back:
        stage.ack(back)
    stage.pass_time(stage.setup.still)
    return Silence(sent, back, stage.events()[before:])


def _seen_silent(stage: Stage) -> Silence:
    return stage.once("silence", lambda: _silence(stage))


def _same_message(stage: Stage) -> Notes:
    found = _seen_silent(stage)
    first = found.sent[0]
    if len(found.sent) < 2:
        fails(f"without an answer it did not send the message again within {stage.setup.limit:g} s{stage.renumbered(first)}")
    return [f"number {first.frame.sequence_sent} was sent {_times(len(found.sent))}"]


def _same_bytes(stage: Stage) -> Notes:
    if stage.setup.key:
        beside("sealed messages may carry a new stamp each time, and so other bytes")
    found = _repeated(stage)
    if any(one.frame.raw != found.sent[0].frame.raw for one in found.sent):
        fails("the same message came again in other bytes, though no NAK had set the clock")
    return None


def _repeated(stage: Stage) -> Silence:
    found = _seen_silent(stage)
    if not found.waits:
        unclear("it did not send the message again to the same receiver")
    return found


def _wait(stage: Stage) -> Notes:
    found = _repeated(stage)
    usual = median(found.waits)
    least, most = stage.setup.least, stage.setup.most
    if not least - 0.5 <= usual <= most + 1:
        fails(f"it waits {usual:.1f} s for an answer; {least:g} to {most:g} s are usual, about 20 (from memory)")
    return [f"it waits {usual:.1f} s for an answer; about 20 s is usual (from memory)"]


def _evenly(stage: Stage) -> Notes:
    waits = _repeated(stage).waits
    said = ", ".join(f"{wait:.1f}" for wait in waits)
    if min(waits) < waits[0] / 2:
        fails(f"it grows impatient: between tries it waited {said} s")
    return [f"between tries it waited {said} s"]


def _tries(stage: Stage) -> Notes:
    found = _repeated(stage)
    there = next((place for place, one in enumerate(found.sent) if one.ear != FIRST), len(found.sent))
    if there > MOST_TRIES:
        if stage.ears.count > 1:
            fails(f"it sent the message {there} times to the first receiver and never to the second")
        return [f"it sent the message {there} times and went on; about three tries are usual (from memory)"]
    if there < 2:
        fails("it tried only once at the first receiver; about three tries are usual (from memory)")
    return [f"it tried {_times(there)} at the first receiver; about three are usual (from memory)"]


def _ends(stage: Stage) -> Notes:
    first = stage.event()
    again = stage.must_repeat(first, "the first answer was left out")
    stage.ack(again)
    stage.must_rest(again, "the second try was acknowledged")
    return None


def _late(stage: Stage) -> Notes:
    first = stage.event()
    half = stage.setup.wait / 2
    if (sooner := stage.again(first, half)) is not None:
        stage.ack(sooner)
        beside(f"it does not wait so long: it sent again after {sooner.tick - first.tick:.1f} s (--wait)")
    stage.ack(first, f"late, after {half:g} s")
    stage.must_rest(first, f"the ACK came late, after {half:g} s, and was right")
    return None


def _for_both(stage: Stage) -> Notes:
    first = stage.event()
    again = stage.must_repeat(first, "the first answer was left out")
    stage.ack(first, "late: the answer to the first try")
    stage.ack(again, "the answer to the second try")
    stage.must_rest(again, "both tries were acknowledged")
    return None


# Connections


def _closed(stage: Stage, what: str, reset: bool = False, half: bool = False) -> Notes:
    first = stage.event()
    if first.udp:
        beside("UDP knows no connections")
    if half:
        stage.send(first, _half(stage.made(first)), "half of the ACK")
    stage.close(first.connection, reset=reset)
    again = stage.must_repeat(first, f"the connection was {what}")
    stage.ack(again)
    return [f"it came again after {again.tick - first.tick:.1f} s, on connection {again.connection}"]


def _closed_idle(stage: Stage) -> Notes:
    first = stage.event()
    if first.udp:
        beside("UDP knows no connections")
    stage.ack(first)
    stage.calm()
    stage.close_all()
    then = stage.event()
    stage.ack(then)
    return None


def _closed_at_once(stage: Stage) -> Notes:
    first = stage.event()
    if first.udp:
        beside("UDP knows no connections")
    began, opened = stage.tick(), 0
    stage.close_all()
    while opened < MOST_OPENED and stage.tick() - began < 10:
        stage.next(min(0.05, began + 10 - stage.tick()) if not stage.open else 0)
        opened += len(stage.open)
        stage.close_all()
    if opened >= MOST_OPENED:
        fails(f"it opened {opened} connections in {stage.tick() - began:.1f} s, each of which was closed at once")
    again = stage.again(first, stage.setup.later)
    if again is None:
        fails("the message did not come once connections were kept open again")
    stage.ack(again)
    return [f"in 10 s it opened {opened} connections, each of which was closed at once"]


def _not_hoarded(stage: Stage) -> Notes:
    stage.at_least(1)
    most = max(stage.most_open)
    if most > MOST_OPEN:
        fails(f"it had {most} connections to one receiver open at once")
    return [f"at most {most} to one receiver at once" if most else "none: all came over UDP"]


# The second receiver


class Over(NamedTuple):
    """What it did while the first receiver was silent and the second answered."""

    first: Message
    turned: Message | None
    repeated: Message | None  # after the second receiver's ACK


def _over(stage: Stage) -> Over:
    stage.need_second()
    first = stage.event(fresh=True)
    if first.ear == SECOND:
        stage.ack(first)
        unclear("the message went to the second receiver at once, though the first one answers")
    stage.deaf = {FIRST}
    turned = _until_second(stage, first, lambda again: None)
    repeated = None
    if turned:
        stage.ack(turned)
        repeated = stage.again(first, 1.5 * stage.setup.wait)
    stage.deaf.clear()
    return Over(first, turned, repeated)


def _until_second(stage: Stage, first: Message, answer: Callable[[Message], None]) -> Message | None:
    """Answer the first receiver's tries so until the message comes to the second one."""
    answer(first)
    for _ in range(MOST_TRIES):
        again = stage.again(first)
        if again is None or again.ear == SECOND:
            return again
        answer(again)
    return None


def _seen_over(stage: Stage) -> Over:
    stage.need_second()
    return stage.once("over", lambda: _over(stage))


def _turned(stage: Stage) -> Message:
    found = _seen_over(stage)
    if found.turned is None:
        fails(f"the first receiver was silent, and the message did not come to the second{stage.renumbered(found.first)}")
    return found.turned


def _turns(stage: Stage) -> Notes:
    turned = _turned(stage)
    first = _seen_over(stage).first
    return [f"after {turned.tick - first.tick:.1f} s, under the same number {turned.frame.sequence_sent}"]


def _how_soon(stage: Stage) -> Notes:
    seconds = _turned(stage).tick - _seen_over(stage).first.tick
    most = 3 * stage.setup.most
    if seconds > most + 1:
        fails(f"it turned to the second receiver after {seconds:.0f} s; three tries of {stage.setup.most:g} s are usual at most")
    return [f"{seconds:.1f} s; three tries of some 20 s are usual (from memory)"]


def _ends_there(stage: Stage) -> Notes:
    _turned(stage)
    if (again := _seen_over(stage).repeated) is not None:
        where = "second" if again.ear == SECOND else "first"
        fails(f"the second receiver had acknowledged the message, and it came again to the {where}")
    return None


def _comes_back(stage: Stage) -> Notes:
    every = stage.promised()
    _turned(stage)
    stage.calm()
    began = stage.tick()
    within = 3 * every + stage.setup.limit
    while (message := stage.next(began + within - stage.tick())) is not None:
        stage.aside(message)
        if message.ear == FIRST:
            break
    if message is None:
        fails(f"both receivers answer again, and nothing came to the first within {within:.0f} s")
    seconds = stage.tick() - began
    if message.poll:
        then = stage.event(fresh=True)
        stage.ack(then)
        if then.ear != FIRST:
            fails("the first receiver answers its polls again, and its next message still went to the second")
    return [f"something came to the first receiver {seconds:.1f} s after it answered again"]


def _turn_from(stage: Stage, does: Callable[[Message], None], what: str) -> Notes:
    stage.need_second()
    first = stage.event(fresh=True)
    if first.ear == SECOND:
        stage.ack(first)
        unclear("the message went to the second receiver at once, though the first one answers")
    turned = _until_second(stage, first, does)
    if turned is None:
        fails(f"the first receiver {what}, and the message did not come to the second{stage.renumbered(first)}")
    stage.ack(turned)
    return [f"after {turned.tick - first.tick:.1f} s"]


def _refused_turns(stage: Stage) -> Notes:
    return _turn_from(stage, lambda again: stage.refuse(FIRST), "refused connections")


def _closed_turns(stage: Stage) -> Notes:
    return _turn_from(stage, lambda again: stage.close(again.connection), "closed each connection")


def _wrong_turns(stage: Stage) -> Notes:
    def answer(again: Message) -> None:
        stage.send(again, stage.made(again, sequence=f"{following(again.frame.sequence or 0):04d}"), "the wrong number")

    return _turn_from(stage, answer, "answered with wrong numbers")


def _one_count(stage: Stage) -> Notes:
    stage.need_second()
    _turned(stage)
    while not (there := [one for one in stage.events() if one.ear == SECOND]):
        # What is first said while the first receiver is silent shows the count of the second.
        first = stage.event(fresh=True)
        if first.ear == FIRST:
            stage.deaf = {FIRST}
            if (turned := _until_second(stage, first, lambda again: None)) is not None:
                stage.ack(turned)
            if (then := stage.event()).ear == FIRST:
                turned = _until_second(stage, then, lambda again: None)
                stage.ack(turned or then)
                beside("each message is tried at the first receiver first, so there is no other count to be seen")
            stage.ack(then)
    for before, then in pairwise(stage.events()):
        if SECOND in (before.ear, then.ear) and then.frame.sequence != following(before.frame.sequence or 0):
            fails(f"number {before.frame.sequence_sent} was followed by {then.frame.sequence_sent} over the two receivers")
    return [f"{len(there)} of its messages came to the second receiver alone"]


# Outages


def _kept(stage: Stage) -> Notes:
    found = _seen_silent(stage)
    if found.back is None:
        fails(
            f"nobody answered for a while; then the message did not come within {stage.setup.later:g} s"
            f"{stage.renumbered(found.sent[0])}"
        )
    return [f"it had its answer {found.back.tick - found.sent[0].tick:.0f} s after the first try"]


def _plain(stage: Stage) -> tuple[Message, Message | None, int]:
    """A message that is answered at once: whether it comes again, and how many messages one act brings."""
    first = stage.event(fresh=True)
    before = len(stage.events())
    stage.ack(first)
    again = stage.again(first, 1.5 * stage.setup.wait)
    if again:
        stage.ack(again)
    return first, again, 1 + len(stage.events()) - before


def _both(stage: Stage) -> Notes:
    found = _seen_silent(stage)
    if found.back is None:
        unclear("what it said during the outage did not come")
    usual = stage.once("plain", lambda: _plain(stage))[2]
    if usual < 2:
        beside("what the person was asked for brings one message, so there was no second to be lost")
    count = 1 + len(found.others)
    if count < usual:
        fails(f"one act brings {usual} messages; of those during the outage {count} came")
    numbers = [one.frame.sequence for one in (found.sent[0], *found.others)]
    if any(then != following(before or 0) for before, then in pairwise(numbers)):
        fails(f"after the outage they came in the order {', '.join(map(str, numbers))}")
    return [f"{count} messages, in order"]


def _refused(stage: Stage, seconds: Callable[[Setup], float]) -> Notes:
    first = stage.event()
    everyone = range(stage.ears.count)
    stage.refuse(*everyone)
    for _ in stage.pass_time(seconds(stage.setup)):
        pass
    for ear in everyone:
        stage.ears.listen(ear, True)
    again = stage.again(first, stage.setup.later)
    if again is None:
        fails(f"connections were refused for {seconds(stage.setup):.0f} s; afterwards the message did not come"
              f"{stage.renumbered(first)}")  # fmt: skip
    stage.ack(again)
    return [f"it came {again.tick - first.tick:.0f} s after the first try"]


# Polls


def _watched(stage: Stage) -> list[Message]:
    """Everything while five polls come and all is answered at once."""
    every = stage.promised()
    found = [stage.poll()]
    stage.ack(found[0])
    deadline = stage.tick() + 5 * every + stage.setup.limit
    while sum(one.poll for one in found) < 5 and (message := stage.next(deadline - stage.tick())) is not None:
        stage.ack(message)
        found.append(message)
    return found


def _seen_polls(stage: Stage) -> list[Message]:
    stage.promised()
    return stage.once("polls", lambda: _watched(stage))


def _polls_come(stage: Stage) -> Notes:
    every = stage.promised()
    found = _seen_polls(stage)
    gaps = [then.tick - one.tick for one, then in pairwise(found) if then.poll]  # any message restarts the timer
    alone = [then.tick - one.tick for one, then in pairwise(found) if then.poll and one.poll]
    if len(gaps) < 4:
        fails(f"only {len(gaps) + 1} polls came in {5 * every + stage.setup.limit:.0f} s; one is due every {every:g} s")
    slack = 0.05 * every + 1
    if max(gaps) > every + slack or (alone and fmean(alone) < every - slack):
        fails(f"polls are due every {every:g} s and came after {', '.join(f'{gap:.1f}' for gap in gaps)} s")
    return [f"every {fmean(gaps):.2f} s, jitter {pstdev(gaps):.2f} s, the latest {max(gaps) - every:+.2f} s"]


def _polls_once(stage: Stage) -> Notes:
    every = stage.promised()
    for one, then in pairwise(_seen_polls(stage)):
        if one.poll and then.poll and then.tick - one.tick < every / 2:
            fails(f"a poll that had its ACK was followed by another after {then.tick - one.tick:.1f} s")
    return None


def _poll_form(stage: Stage) -> Notes:
    for poll in _polls(stage):
        if poll.frame.problems:
            fails(f"{poll.frame.problems[0].rule}: {poll.frame.problems[0].detail}")
        if poll.frame.data or poll.frame.account_inside:
            fails("a poll carries [], and here something stands in the brackets")
    return None


def _polls(stage: Stage) -> list[Message]:
    stage.promised()
    if not any(one.poll for one in stage.heard):
        stage.ack(stage.poll())
    return [one for one in stage.heard if one.poll]


def _poll_sequence(stage: Stage) -> Notes:
    for poll in _polls(stage):
        if poll.frame.sequence_sent != "0000":
            fails(f"a poll carries the number {poll.frame.sequence_sent}; 0000 is for polls")
    return None


def _polls_sealed(stage: Stage) -> Notes:
    stage.promised()
    stage.need_key()
    if open_ := [one for one in _polls(stage) if not one.frame.encrypted]:
        fails(f"{len(open_)} of its polls came in clear, though it has a key")
    return None


def _polls_apart(stage: Stage) -> Notes:
    stage.promised()
    before = stage.at_least(1)[-1]
    stage.calm()
    stage.ack(stage.poll())
    then = stage.event()
    stage.ack(then)
    before = stage.events()[-2] if stage.events()[-1] is then else before
    if then.frame.sequence != following(before.frame.sequence or 0):
        fails(f"number {before.frame.sequence_sent}, polls, number {then.frame.sequence_sent}: polls stay out of the count")
    return None


def _poll_left(stage: Stage, does: Callable[[Message], None], what: str) -> Notes:
    every = stage.promised()
    poll = stage.poll()
    does(poll)
    within = 2 * every + stage.setup.limit
    deadline = stage.tick() + within
    while (then := stage.next(deadline - stage.tick())) is not None:
        stage.ack(then)
        if then.poll:
            return [f"the next one came after {then.tick - poll.tick:.1f} s"]
    fails(f"a poll {what}, and no other came within {within:.0f} s")


def _poll_unanswered(stage: Stage) -> Notes:
    return _poll_left(stage, lambda poll: None, "was left without an answer")


def _poll_refused(stage: Stage) -> Notes:
    return _poll_left(stage, lambda poll: stage.send(poll, stage.made(poll, "DUH")), "got a DUH")


def _poll_outage(stage: Stage) -> Notes:
    def away(poll: Message) -> None:
        stage.refuse(*range(stage.ears.count))
        stage.pass_time(1.5 * stage.promised())
        for ear in range(stage.ears.count):
            stage.ears.listen(ear, True)

    return _poll_left(stage, away, "was cut off, connections were refused for a while")


def _not_held_up(stage: Stage) -> Notes:
    stage.promised()
    stage.calm()
    stage.poll()
    stage.deaf = set(range(stage.ears.count))
    setup = stage.setup
    stage.asked += 1
    before = len(stage.events())
    stage.trace.note(0, "asked", words=setup.act)
    with stage.ears.asking(setup.act, setup.patience + setup.limit):
        deadline = stage.tick() + setup.patience + setup.limit
        while (message := stage.next(deadline - stage.tick())) is not None and message.poll:
            pass
    if message is not None:
        stage.ack(message)
        return [f"while a poll was unanswered the message took {message.tick - deadline + setup.patience + setup.limit:.1f} s"]
    stage.deaf.clear()
    stage.pass_time(setup.later)
    if len(stage.events()) > before:
        fails("while its poll had no answer it held the message back")
    stage.nobody += 1
    unclear(f"nobody did what was asked within {setup.patience:g} s: no message came")


# The clock


def _first_stamped(stage: Stage) -> tuple[Message, float]:
    first = stage.event()
    return first, stage.need_stamp(first)


def _not_so(stage: Stage, why: str) -> None:
    """A NAK answers sealed messages (5.5.3.2); what a panel in clear makes of it is not written."""
    if stage.setup.key:
        fails(why)
    unclear(f"{why}; but what a NAK does to a panel in clear is not written")


def _follows(stage: Stage, off: float) -> Notes:
    first, before = _first_stamped(stage)
    stage.nak(first, off)
    again = stage.again(first)
    if again is None:
        _not_so(stage, f"after the NAK the message did not come again within {stage.setup.limit:g} s")
        return None
    moved = again.off
    stage.nak(again, 0)
    right = stage.again(first, stage.setup.later)
    if right is not None:
        stage.ack(right)
    if moved is None or abs(moved - off) > 3:
        _not_so(stage, f"the NAK said a time {off:+g} s from ours; its next stamp was {moved or 0:+.0f} s from ours")
    if right is None:
        _not_so(stage, "after a second NAK, with the true time, the message did not come again")
    elif right.off is None or abs(right.off) > 3:
        _not_so(stage, f"the second NAK said the true time; its next stamp was {right.off or 0:+.0f} s from ours")
    return [f"its stamps were {before:+.0f} s from ours, after the NAK {moved:+.0f} s"]


def _nak_again(stage: Stage) -> Notes:
    first, _ = _first_stamped(stage)
    stage.nak(first, 0)
    again = stage.again(first)
    if again is None:
        _not_so(stage, f"after a NAK with the true time the message did not come again within {stage.setup.limit:g} s")
        return None
    stage.ack(again)
    return [f"it came again after {again.tick - first.tick:.1f} s"]


def _nak_damaged(stage: Stage) -> Notes:
    first, before = _first_stamped(stage)
    stage.nak(first, AWAY_SECONDS, crc="wrong")
    again = stage.must_repeat(first, "a damaged NAK is no answer")
    if again.off is not None and abs(again.off - before) > 30:  # in clear the old stamp comes again with its bytes
        stage.nak(again, 0)
        if (right := stage.again(first, stage.setup.later)) is not None:
            stage.ack(right)
        fails(f"a NAK whose CRC was wrong set its clock: its stamps are {again.off:+.0f} s from ours")
    stage.ack(again)
    return None


def _nak_for_ever(stage: Stage) -> Notes:
    first, _ = _first_stamped(stage)
    sent, last = 1, first
    while sent < MOST_OPENED:
        stage.nak(last, 0)
        again = stage.again(first, 10)
        if again is None:
            break
        sent, last = sent + 1, again
    seconds = last.tick - first.tick
    if sent >= MOST_OPENED:
        stage.ack(last)
        fails(f"answered with one NAK after another it sent the message {sent} times in {seconds:.1f} s")
    return [f"it sent the message {_times(sent)} in {seconds:.1f} s, then paused"]


def _stamps(stage: Stage) -> list[Message]:
    """First tries with a stamp that no NAK of ours had set."""
    stage.at_least(1)
    found = [one for one in stage.heard if one.off is not None and abs(one.off) < 0.75 * AWAY_SECONDS]
    off = [one for one in stage.heard if one.off is not None]
    if not off:
        beside("its messages carry no stamp")
    return found or off[:1]


def _true(stage: Stage) -> Notes:
    found = _stamps(stage)
    first = found[0].off or 0.0
    if abs(first) > 1000:
        hours = round(first / 3600)
        local = f": that is {hours:+d} h, so perhaps it stamps local time instead of UTC" if abs(first - 3600 * hours) < 120 else ""
        fails(f"its first stamp was {first:+.0f} s from our clock{local}")
    # A repeat in clear keeps its stamp, so only what was said for the first time is held against the clock.
    own = [one.off or 0.0 for one in found if one in stage.events() or one.poll]
    if not all(-40 <= off <= 20 for off in own):
        fails(f"its stamps were {min(own):+.0f} to {max(own):+.0f} s from our clock; +20 to -40 s are taken (from memory)")
    return [f"{len(own)} stamps, {min(own):+.0f} to {max(own):+.0f} s from our clock"]


def _form(stage: Stage) -> Notes:
    stage.at_least(1)
    wrong = [one for one in stage.heard if one.frame.has("bad-stamp")]
    if wrong:
        fails(wrong[0].frame.problems[0].detail)
    if not any(one.off is not None for one in stage.heard):
        beside("its messages carry no stamp")
    return None


def _goes_on(stage: Stage) -> Notes:
    _stamps(stage)
    own = [one for one in stage.at_least(2) if one.off is not None and abs(one.off) < 0.75 * AWAY_SECONDS]
    if len(own) < 2:
        beside("too few of its stamps were near our clock")
    least, most = min(one.off or 0.0 for one in own), max(one.off or 0.0 for one in own)
    if most - least > 5 and not stage.setup.key:
        # In clear what waited in the outbox may carry the time at which it was first tried.
        fails(f"its clock does not go evenly: {least:+.0f} to {most:+.0f} s from ours")
    if most - least > 5:
        fails(f"its clock does not go evenly: {least:+.0f} to {most:+.0f} s from ours")
    return [f"{least:+.0f} to {most:+.0f} s from our clock"]


# What is told from everything that it said


def _of_all(judge_one: Callable[[Frame], str | None], *, events: bool = False) -> Callable[[Stage], Notes]:
    """Hold each frame of the trial against something; the fault in words, None where there is none."""

    def play(stage: Stage) -> Notes:
        stage.at_least(1)
        said = [one for one in stage.heard if not (events and one.poll)]
        found = [why for one in said if (why := judge_one(one.frame))]
        if found:
            fails(f"{len(found)} of {len(said)} frames: {found[0]}")
        return [f"{len(said)} frames"]

    return play


def _problem(*rules: str) -> Callable[[Frame], str | None]:
    def judged(frame: Frame) -> str | None:
        return next((f"{one.rule}: {one.detail}" for one in frame.problems if one.rule in rules), None)

    return judged


def _envelope(stage: Stage) -> Notes:
    notes = _of_all(_problem("crc-mismatch", "length-mismatch", "bad-envelope", "binary-crc", "oversize"))(stage)
    if stage.faults:
        fails(f"{len(stage.faults)} times it sent what is no frame: {stage.faults[0]}")
    return notes


def _token(frame: Frame) -> str | None:
    return None if frame.token in ("ADM-CID", "SIA-DCS", "NULL") else f"the token {frame.token!r}"


def _account(stage: Stage) -> Notes:
    wanted = stage.setup.account.lstrip("0").upper()

    def judged(frame: Frame) -> str | None:
        got = (frame.account or "").lstrip("0").upper()
        return None if got == wanted else f"account {frame.account}, not {stage.setup.account}"

    return _of_all(judged)(stage)


def _ends_with_ack(stage: Stage) -> Notes:
    first, again, count = stage.once("plain", lambda: _plain(stage))
    if again:
        fails(f"it was acknowledged at once, and came again after {again.tick - first.tick:.1f} s")
    return [f"what the person did brought {count} message{'s' * (count > 1)}"]


def _range(frame: Frame) -> str | None:
    number = frame.sequence
    return None if number else f"number {frame.sequence_sent!r}; messages count 0001 to 9999"


def _rises(stage: Stage) -> Notes:
    found = stage.at_least(2)
    for before, then in pairwise(found):
        if then.frame.sequence != following(before.frame.sequence or 0) and before.frame.sequence != 9999:
            fails(f"number {before.frame.sequence_sent} was followed by {then.frame.sequence_sent}")
    return [f"{len(found)} messages, {found[0].frame.sequence_sent} to {found[-1].frame.sequence_sent}"]


def _wraps(stage: Stage) -> Notes:
    pairs = [then for one, then in pairwise(stage.at_least(2)) if one.frame.sequence == 9999]
    if not pairs:
        beside("number 9999 did not come up")
    if pairs[0].frame.sequence_sent != "0001":
        fails(f"9999 was followed by {pairs[0].frame.sequence_sent}")
    return None


def _with_key(play: Callable[[Stage], Notes]) -> Callable[[Stage], Notes]:
    def keyed(stage: Stage) -> Notes:
        stage.need_key()
        return play(stage)

    return keyed


def _is_sealed(frame: Frame) -> str | None:
    return None if frame.encrypted else f"number {frame.sequence_sent} in clear, though it has a key"


def _stays_sealed(stage: Stage) -> Notes:
    _seen_silent(stage)
    firsts = {id(one) for one in stage.events()}
    found = [one for one in stage.heard if not one.poll and id(one) not in firsts]
    if any(not one.frame.encrypted for one in found):
        fails("a message that was sent again came in clear")
    return [f"{len(found)} repeats"]


def _inside(frame: Frame) -> str | None:
    if wrong := _problem("account-differs")(frame):
        return wrong
    return None if frame.account_inside or not frame.content else "no #account stands inside"


def _pads(stage: Stage) -> Notes:
    key = stage.need_key()
    stage.at_least(4)
    pads = set()
    for raw in {one.frame.raw for one in stage.heard if (one.frame.padding or 0) > 1}:
        blocks = bytes.fromhex(raw[raw.index(b"[") + 1 : -1].decode("ascii"))
        pads.add(key.decrypt(blocks).partition(b"|")[0])
    if len(pads) < 2 and sum((one.frame.padding or 0) > 1 for one in stage.heard) < 4:
        beside("too few messages had more than one byte of padding")
    longest = max(pads, key=len)
    if all(longest.startswith(pad) or longest.endswith(pad) for pad in pads):
        fails(f"all its padding is the same: {longest.hex(' ')}")
    return [f"{len(pads)} paddings, of {min(map(len, pads))} to {len(longest)} bytes"]


# All of them

_A = "sends it again"
CASES: tuple[Case[Stage], ...] = (
    Case("message/ends-with-ack", "DC-09 5.5.3.1", "Acknowledges a message at once.", "It does not come again.", _ends_with_ack),
    Case("retries/same-message", AGAIN, "Leaves a message unanswered until the panel has tried everything.", "The same message again, under the same number.", _same_message),
    Case("retries/same-bytes", AGAIN, "Compares the tries of a message in clear.", "The same bytes each time.", _same_bytes),
    Case("retries/wait", PRACTICE, "Measures how long it waits for an answer.", "5 to 60 s; about 20 are usual (from memory).", _wait),
    Case("retries/evenly", PRACTICE, "Measures how the waits between tries change.", "None is shorter than half the first.", _evenly, "They may grow."),
    Case("retries/tries", PRACTICE, "Counts the tries at the first receiver.", "More than one; with a second receiver ten at most.", _tries, "About three are usual (from memory)."),
    Case("retries/ends", AGAIN, "Leaves out the first answer and acknowledges the second try.", "It does not come a third time.", _ends),
    Case("retries/late", PRACTICE, "Acknowledges after half of the wait.", "The message does not come again.", _late),
    Case("retries/for-both", PRACTICE, "Acknowledges only after the second try, and then twice.", "The message does not come again.", _for_both),
    *map(_not_taken, WRONG),
    Case("replies/old-ack", ECHO, "Answers a message with the ACK to the one before.", "The message again, once the panel has waited.", _old_ack),
    Case("replies/unasked", ECHO, "Sends the ACK to the next number before the panel has used it.", "The message with that number still wants its own ACK.", _unasked),
    _taken("noise-before", "Sends noise and the right ACK in one segment.", _noise_before),
    _taken("noise-apart", "Sends noise, then the right ACK.", _noise_apart),
    _taken("wrong-then-right", "Sends an ACK with another number, then the right one.", _wrong_then_right),
    _taken("half-then-whole", "Sends half of an ACK, then the whole one.", _half_then_whole),
    _taken("split", "Sends the right ACK in two segments.", _split),
    _taken("trickle", "Sends the right ACK byte by byte, over some seconds.", _trickle),
    _taken("two-acks", "Sends the right ACK twice in one segment.", _two),
    _taken("two-acks-apart", "Sends the right ACK twice, one after the other.", _two_apart),
    Case("replies/duh", "DC-09 5.5.3.3", "Answers each try with DUH.", "The panel stops sending it to this receiver, after ten tries at most (common practice).", _duh, "It may try the second receiver."),
    Case("connection/closed-unanswered", PRACTICE, "Closes the connection instead of an answer.", "The same message on another connection.", lambda stage: _closed(stage, "closed before the answer")),
    Case("connection/reset-unanswered", PRACTICE, "Breaks the connection with a reset instead of an answer.", "The same message on another connection.", lambda stage: _closed(stage, "broken before the answer", reset=True)),
    Case("connection/closed-in-the-answer", PRACTICE, "Closes the connection in the middle of the ACK.", "The same message on another connection.", lambda stage: _closed(stage, "closed in the middle of the answer", half=True)),
    Case("connection/closed-idle", PRACTICE, "Closes the connection after the answer.", "The next message comes on another connection.", _closed_idle),
    Case("connection/closed-at-once", PRACTICE, "Closes each connection as soon as it is open, for 10 s.", f"Fewer than {MOST_OPENED} connections in that time; the message once they stay open.", _closed_at_once),
    Case("second/turns", PRACTICE, "Leaves the first receiver silent; the second answers.", "The same message at the second receiver, under the same number.", _turns),
    Case("second/how-soon", PRACTICE, "Measures when it turns to the second receiver.", "After three minutes at most.", _how_soon, "After three tries of some 20 s (from memory)."),
    Case("second/ends-there", PRACTICE, "Acknowledges the message at the second receiver.", "It does not come again to either.", _ends_there),
    Case("second/comes-back", PRACTICE, "Lets the first receiver answer again.", "Polls and then messages come to the first receiver again.", _comes_back),
    Case("second/refused", PRACTICE, "Closes the first receiver's port.", "The same message at the second receiver.", _refused_turns),
    Case("second/closed", PRACTICE, "Closes each connection to the first receiver without an answer.", "The same message at the second receiver.", _closed_turns),
    Case("second/wrong-answers", PRACTICE, "Answers at the first receiver with wrong numbers only.", "The same message at the second receiver.", _wrong_turns),
    Case("second/one-count", PRACTICE, "Looks at the numbers of messages to either receiver.", "One count over both.", _one_count),
    Case("outage/kept", PRACTICE, "Leaves a message unanswered everywhere until the panel has tried everything, then answers.", "The same message comes again.", _kept),
    Case("outage/both-in-order", PRACTICE, "Looks for what else was said while nobody answered.", "All of it comes, in order.", _both),
    Case("outage/refused", PRACTICE, "Closes all ports under an unanswered message, for as long as the panel tries.", "The same message once they are open again.", lambda stage: _refused(stage, lambda setup: setup.wait * setup.tries * 1.5)),
    Case("outage/short", PRACTICE, "Closes all ports under an unanswered message, for 3 s.", "The same message once they are open again.", lambda stage: _refused(stage, lambda setup: 3.0)),
    Case("polls/come", POLLS, "Measures four intervals between polls that are answered at once.", "The promised interval, 5 % and 1 s more at most.", _polls_come, "Any other message restarts the interval."),
    Case("polls/not-repeated", POLLS, "Looks for polls that come again after their ACK.", "None before half of the interval is over.", _polls_once),
    Case("polls/form", POLLS + "*", "Reads all its polls.", "NULL with [] and nothing wrong.", _poll_form),
    Case("polls/sequence-0000", POLLS + "*", "Looks at the numbers of all its polls.", "0000.", _poll_sequence),
    Case("polls/sealed", POLLS, "Looks whether its polls are sealed, where it has a key.", "*NULL.", _polls_sealed),
    Case("polls/not-counted", POLLS + "*", "Compares the numbers of a message before and one after a poll.", "The second is the next number.", _polls_apart),
    Case("polls/unanswered", PRACTICE, "Leaves a poll unanswered.", "It goes on polling.", _poll_unanswered),
    Case("polls/refused", PRACTICE, "Answers a poll with DUH.", "It goes on polling.", _poll_refused),
    Case("polls/after-outage", PRACTICE, "Closes all ports for one and a half intervals.", "It goes on polling.", _poll_outage),
    Case("polls/hold-nothing-up", PRACTICE, "Leaves polls unanswered while something happens at the panel.", "The message comes all the same.", _not_held_up),
    Case("clock/nak-again", TIME, "Answers a message with a NAK that says the true time.", "The same message again.", _nak_again),
    Case("clock/nak-ahead", TIME, "Sends a NAK with a time two minutes ahead, then one with the true time.", "The next stamp follows each of them.", lambda stage: _follows(stage, AWAY_SECONDS)),
    Case("clock/nak-behind", TIME, "Sends a NAK with a time two minutes behind, then one with the true time.", "The next stamp follows each of them.", lambda stage: _follows(stage, -AWAY_SECONDS)),
    Case("clock/nak-damaged", FORM, "Sends a NAK two minutes ahead whose CRC is wrong.", "The same message again, and the clock unmoved.", _nak_damaged),
    Case("clock/nak-for-ever", PRACTICE, "Answers each try with a NAK.", f"Fewer than {MOST_OPENED} tries without a pause of 10 s.", _nak_for_ever),
    Case("clock/true", TIME, "Compares its stamps with this machine's clock.", "At most 20 s ahead and 40 s behind (from memory).", _true),
    Case("clock/form", "DC-09 5.5.2.1", "Reads all its stamps.", "_HH:MM:SS,MM-DD-YYYY.", _form),
    Case("clock/goes-on", PRACTICE, "Compares how far its stamps are from this machine's clock.", "They differ by 5 s at most.", _goes_on),
    Case("connection/not-hoarded", PRACTICE, "Counts the connections that were open at once.", f"{MOST_OPEN} to one receiver at most.", _not_hoarded),
    Case("message/envelope", FORM, "Checks CRC, length and ends of every frame.", "All are right, and nothing stands between frames.", _envelope),
    Case("message/token", FORM, "Looks at the token of every frame.", "ADM-CID, SIA-DCS or NULL.", _of_all(_token)),
    Case("message/numbers", FORM, "Reads R, L and # of every frame.", "R of 1 to 6 hex digits or none, L of 1 to 6, # of 3 to 16.", _of_all(_problem("bad-number"))),
    Case("message/account", FORM, "Looks at the account of every frame.", "The one that was given.", _account),
    Case("message/payload", "DC-05, DC-03", "Reads the data of every message.", "Data that can be read, of codes that are known.", _of_all(_problem("bad-payload", "unknown-code", "bad-checksum"), events=True)),
    Case("message/extended", "DC-09 5.5.1*", "Reads the extended data of every message.", "Each field is led by a capital letter.", _of_all(_problem("bad-extended"), events=True)),
    Case("sequence/range", FORM, "Looks at the number of every message.", "0001 to 9999.", _of_all(_range, events=True)),
    Case("sequence/rises", FORM, "Compares the numbers of one message and the next.", "Each is one more.", _rises),
    Case("sequence/wraps", FORM, "Looks for what follows number 9999.", "0001.", _wraps),
    Case("encryption/sealed", SEALED, "Looks whether every message is sealed, where it has a key.", "Every one.", _with_key(_of_all(_is_sealed, events=True))),
    Case("encryption/stays-sealed", SEALED, "Looks whether what is sent again is sealed.", "Every one.", _with_key(_stays_sealed)),
    Case("encryption/opens", SEALED, "Opens every sealed frame with the key that was given.", "Legal padding, a |, a ], a stamp that can be read.", _with_key(_of_all(_problem("decrypt-failed")))),
    Case("encryption/stamped", "DC-09 5.5.2.1", "Looks for the stamp of every sealed frame.", "Each has one.", _with_key(_of_all(_problem("missing-stamp")))),
    Case("encryption/account-inside", SEALED + "*", "Compares the account inside the seal with the one outside.", "The same.", _with_key(_of_all(_inside, events=True))),
    Case("encryption/padding-varies", SEALED + "*", "Compares the padding of all sealed frames.", "Not the same bytes each time.", _with_key(_pads)),
)  # fmt: skip


def run(
    wanted: Sequence[Case[Stage]],
    stage: Stage,
    began: Callable[[Case[Stage]], None] = lambda _: None,
    go_on: Callable[[], bool] = lambda: True,
) -> Iterator[Result]:
    """Play the cases, one after the other, on one stage, and leave the panel with a right clock.

    `go_on` is asked once, when nobody has done twice in a row what was asked: False asks nobody any more.
    """
    in_a_row = 2
    try:
        for case in wanted:
            began(case)
            stage.trace = Trace(stage.tick)
            result = judge(case, stage, stage.trace)
            stage.calm()
            yield result
            if stage.nobody >= in_a_row and not stage.alone:
                in_a_row = len(wanted) + 1
                stage.alone = not go_on()
    finally:
        stage.trace = Trace(stage.tick)
        if stage.clock_moved:
            stage.set_right()


__all__ = ["CASES", "run", "same"]
