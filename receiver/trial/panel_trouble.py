"""Silence, broken connections, outages, polls without an answer, and clocks set wrong: what a panel makes of them."""

from collections import Counter
from collections.abc import Callable
from itertools import pairwise
from statistics import fmean, median, pstdev
from typing import NamedTuple, NoReturn

from protocols.exchange import following
from receiver.trial.case import beside, fails, unclear
from receiver.trial.ears import RECEIVERS
from receiver.trial.panel_stage import (
    AWAY_SECONDS,
    FIRST,
    MOST_TRIES,
    SECOND,
    Message,
    Notes,
    Play,
    Stage,
    half,
    times,
)

MOST_OPENED = 20  # connections in ten seconds to a receiver that closes them all

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
    stage.measured_wait = max(
        (then.tick - one.tick for one, then in pairwise(sent) if one.ear == then.ear), default=0.0
    )
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
        fails(f"without an answer it did not send the message again within {stage.limit:g} s{stage.renumbered(first)}")
    return [f"number {first.frame.sequence_sent} was sent {times(len(found.sent))}"]


def _same_bytes(stage: Stage) -> Notes:
    if stage.setup.key:
        beside("sealed messages may carry a new stamp each time, and so other bytes")
    found = _repeated(stage)
    by_way: dict[tuple[object, ...], set[bytes]] = {}  # another path may have another L
    for one in found.sent:
        by_way.setdefault(_way(one), set()).add(one.frame.raw)
    if any(len(bytes_) > 1 for bytes_ in by_way.values()):
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
    least, most, told = stage.setup.least, stage.setup.most, stage.setup.wait
    beyond = not least - 0.5 <= usual <= most + 1
    if stage.setup.wait_told:
        if abs(usual - told) > 0.1 * told + 1:
            fails(f"it waits {usual:.1f} s for an answer, and is said to wait {told:g} s")
        return (
            [f"it waits {usual:.1f} s for an answer; {least:g} to {most:g} s are usual (from memory)"] if beyond else []
        )
    if beyond:
        fails(f"it waits {usual:.1f} s for an answer; {least:g} to {most:g} s are usual, about 20 (from memory)")
    return [f"it waits {usual:.1f} s for an answer; about 20 s is usual (from memory)"]


def _evenly(stage: Stage) -> Notes:
    waits = _repeated(stage).waits
    said = ", ".join(f"{wait:.1f}" for wait in waits)
    if min(waits) < waits[0] / 2:
        fails(f"it grows impatient: between tries it waited {said} s")
    return [f"between tries it waited {said} s"]


def _tries(stage: Stage) -> Notes:
    sent = _seen_silent(stage).sent
    there = next((place for place, one in enumerate(sent) if one.ear != sent[0].ear), len(sent))
    if there > MOST_TRIES and stage.ears.count > 1:
        fails(f"it sent the message {there} times to {RECEIVERS[sent[0].ear]} and never turned to the other")
    if there < 2:
        fails(f"it tried only once at {RECEIVERS[sent[0].ear]}; about three tries are usual (from memory)")
    on = ", and went on" * (there > MOST_TRIES)
    return [
        f"it sent the message {times(there)} to {RECEIVERS[sent[0].ear]}{on}; about three tries are usual (from memory)"
    ]


def _ends(stage: Stage) -> Notes:
    first = stage.event()
    again = stage.must_repeat(first, "the first answer was left out")
    stage.ack(again)
    stage.must_rest(again, "the second try was acknowledged")
    return None


def _late(stage: Stage) -> Notes:
    first = stage.event()
    late = stage.wait / 2
    if (sooner := stage.again(first, late)) is not None:
        stage.ack(sooner)
        beside(f"it does not wait so long: it sent again after {sooner.tick - first.tick:.1f} s (--wait)")
    stage.ack(first, f"late, after {late:g} s")
    stage.must_rest(first, f"the ACK came late, after {late:g} s, and was right")
    return None


def _for_both(stage: Stage) -> Notes:
    first = stage.event()
    again = stage.must_repeat(first, "the first answer was left out")
    stage.ack(first, "late: the answer to the first try")
    stage.ack(again, "the answer to the second try")
    stage.must_rest(again, "both tries were acknowledged")
    return None


class Plain(NamedTuple):
    """A message that was answered at once: whether it came again, and the data of all that one act brought."""

    first: Message
    again: Message | None
    brought: list[str | None]


def _plain(stage: Stage) -> Plain:
    first = stage.event(fresh=True)
    before = len(stage.events())
    stage.ack(first)
    again = stage.again(first, 1.5 * stage.wait)
    if again:
        stage.ack(again)
    return Plain(first, again, [one.frame.data for one in (first, *stage.events()[before:])])


def _ends_with_ack(stage: Stage) -> Notes:
    first, again, brought = stage.once("plain", lambda: _plain(stage))
    count = len(brought)
    if again:
        fails(f"it was acknowledged at once, and came again after {again.tick - first.tick:.1f} s")
    return [f"what the person did brought {count} message{'s' * (count > 1)}"]


# Connections


def _closed(stage: Stage, what: str, reset: bool = False, cut: bool = False) -> Notes:
    first = stage.event()
    if first.udp:
        beside("UDP knows no connections")
    if cut:
        stage.send(first, half(stage.made(first)), "half of the ACK")
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
    then = stage.poll("after its connection was closed no poll came") if stage.setup.poll_seconds else stage.event()
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


# The second receiver


class Over(NamedTuple):
    """What it did while the first receiver was silent and the second answered."""

    first: Message
    turned: Message | None
    repeated: Message | None  # after the second receiver's ACK


def _over(stage: Stage) -> Over:
    first = stage.event(fresh=True)
    stage.deaf = {first.ear}
    turned = _until_other(stage, first, lambda again: None)
    repeated = None
    if turned:
        stage.ack(turned)
        repeated = stage.again(first, 1.5 * stage.wait)
    stage.deaf.clear()
    return Over(first, turned, repeated)


def _until_other(stage: Stage, first: Message, answer: Callable[[Message], None]) -> Message | None:
    """Answer the tries at one receiver so until the message comes to the other one."""
    answer(first)
    for _ in range(MOST_TRIES):
        again = stage.again(first, stage.setup.later)
        if again is None or again.ear != first.ear:
            return again
        answer(again)
    return None


def _seen_over(stage: Stage) -> Over:
    stage.need_second()
    return stage.once("over", lambda: _over(stage))


def _turned(stage: Stage) -> Message:
    first, turned, _ = _seen_over(stage)
    if turned is None:
        where = RECEIVERS[first.ear]
        fails(f"{where} was silent, and the message did not come to the other{stage.renumbered(first)}")
    return turned


def _turns(stage: Stage) -> Notes:
    turned = _turned(stage)
    first = _seen_over(stage).first
    return [f"after {turned.tick - first.tick:.1f} s, under the same number {turned.frame.sequence_sent}"]


def _how_soon(stage: Stage) -> Notes:
    seconds = _turned(stage).tick - _seen_over(stage).first.tick
    silence = stage.once("silence", lambda: _silence(stage))
    there = next((place for place, one in enumerate(silence.sent) if one.ear != silence.sent[0].ear), 0)
    tries = max(stage.setup.tries, there)
    most = max(1.25 * tries * stage.wait, 3 * stage.setup.most)
    if seconds > most + 1:
        fails(
            f"it turned to the other receiver after {seconds:.0f} s, though it sends {times(tries)} and waits "
            f"{stage.wait:.0f} s"
        )
    return [f"{seconds:.1f} s; three tries of some 20 s are usual (from memory)"]


def _ends_there(stage: Stage) -> Notes:
    turned = _turned(stage)
    if (again := _seen_over(stage).repeated) is not None:
        fails(f"{RECEIVERS[turned.ear]} had acknowledged the message, and it came again to {RECEIVERS[again.ear]}")
    return None


def _comes_back(stage: Stage) -> Notes:
    every = stage.promised()
    if _turned(stage).ear != SECOND:
        beside("when it was tried the panel was already at the second receiver")
    stage.calm()
    began = stage.tick()
    within = 3 * every + stage.limit
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
    turned = _until_other(stage, first, does)
    if turned is None:
        fails(f"{RECEIVERS[first.ear]} {what}, and the message did not come to the other{stage.renumbered(first)}")
    stage.ack(turned)
    return [f"to {RECEIVERS[turned.ear]}, after {turned.tick - first.tick:.1f} s"]


def _refused_turns(stage: Stage) -> Notes:
    return _turn_from(stage, lambda again: stage.refuse(again.ear), "refused connections")


def _closed_turns(stage: Stage) -> Notes:
    return _turn_from(stage, lambda again: stage.close(again.connection), "closed each connection")


def _wrong_turns(stage: Stage) -> Notes:
    def answer(again: Message) -> None:
        stage.send(again, stage.made(again, sequence=f"{again.following:04d}"), "the wrong number")

    return _turn_from(stage, answer, "answered with wrong numbers")


def _one_count(stage: Stage) -> Notes:
    _turned(stage)
    pairs = [(one, then) for one, then in pairwise(stage.events()) if one.ear != then.ear]
    if not pairs:
        beside("each message was tried at the first receiver first, so there is no other count to be seen")
    for one, then in pairs:
        if then.frame.sequence != one.following:
            fails(
                f"number {one.frame.sequence_sent} to {RECEIVERS[one.ear]} was followed by "
                f"{then.frame.sequence_sent} to {RECEIVERS[then.ear]}"
            )
    return [f"{len(pairs)} times a message to one receiver followed a message to the other"]


# Outages


def _kept(stage: Stage) -> Notes:
    found = _seen_silent(stage)
    if found.back is None:
        fails(
            f"nobody answered for a while; then the message did not come within {stage.setup.later:g} s"
            f"{stage.renumbered(found.sent[0])}"
        )
    return [f"it had its answer {found.back.tick - found.sent[0].tick:.0f} s after the first try"]


def _both(stage: Stage) -> Notes:
    found = _seen_silent(stage)
    if found.back is None:
        unclear("what it said during the outage did not come")
    usual = stage.once("plain", lambda: _plain(stage)).brought
    if len(usual) < 2:
        beside("what the person was asked for brings one message, so there was no second to be lost")
    came = [found.sent[0].frame.data, *(one.frame.data for one in found.others)]
    count = len(came)
    if usual[0] != came[0]:
        unclear(f"another thing was done than before: it brought {came[0]}, before that {usual[0]}")
    later = stage.once("plain again", lambda: _plain(stage)).brought if set(usual) - set(came) else usual
    if missing := [one for one in usual if one in later and one not in came]:
        fails(f"one act brings {len(usual)} messages; of those during the outage {missing[0]} did not come")
    if any(one.tick < found.back.tick for one in found.others):
        fails("what happened later was said before the message that nobody had answered")
    numbers = [one.frame.sequence for one in (found.sent[0], *found.others)]
    if any(then != following(before or 0) for before, then in pairwise(numbers)):
        fails(f"after the outage they came in the order {', '.join(map(str, numbers))}")
    return [f"{count} messages, in order"]


def _refused(stage: Stage, seconds: float) -> Notes:
    first = stage.event()
    everyone = range(stage.ears.count)
    stage.refuse(*everyone)
    stage.pass_time(seconds)
    for ear in everyone:
        stage.ears.listen(ear, True)
    again = stage.again(first, stage.setup.later)
    if again is None:
        fails(f"connections were refused for {seconds:.0f} s; afterwards the message did not come"
              f"{stage.renumbered(first)}")  # fmt: skip
    stage.ack(again)
    return [f"it came {again.tick - first.tick:.0f} s after the first try"]


# Polls


def _watched(stage: Stage) -> list[Message]:
    """Everything over one way while five polls come over it and all is answered at once.

    A way is a receiver and a path (R and L): a panel may poll over each, in its own time. The way is the one of the most
    polls, at the first receiver unless it polls the second alone. What was tried before may still show in the first
    interval: where that is not the promised one, the watch begins once more.
    """
    every = stage.promised()
    found = [stage.poll()]
    stage.ack(found[0])
    deadline = stage.tick() + 5 * every + stage.limit
    begun_again = False
    while max((count for way, count in _polled(found) if way[0] == FIRST), default=0) < 5:
        message = stage.next(deadline - stage.tick())
        if message is None:
            break
        stage.ack(message)
        before = next((one for one in reversed(found) if _way(one) == _way(message)), None)
        if not begun_again and before and message.poll and abs(message.tick - before.tick - every) > _slack(every):
            begun_again, deadline = True, message.tick + 5 * every + stage.limit
            found = [one for one in found if _way(one) != _way(message)]
        found.append(message)
    polled = _polled(found)
    way = next((way for way, _ in polled if way[0] == FIRST), polled[0][0])
    return [one for one in found if _way(one) == way]


def _polled(found: list[Message]) -> list[tuple[tuple[int, str | None, str | None], int]]:
    """How many polls came over which way, the most first."""
    return Counter(_way(one) for one in found if one.poll).most_common()


def _way(one: Message) -> tuple[int, str | None, str | None]:
    """The receiver and the path that a message came over."""
    return one.ear, one.frame.receiver, one.frame.prefix


def _slack(every: float) -> float:
    return 0.05 * every + 1


def _seen_polls(stage: Stage) -> list[Message]:
    stage.promised()
    return stage.once("polls", lambda: _watched(stage))


def _polls_come(stage: Stage) -> Notes:
    every = stage.promised()
    found = _seen_polls(stage)
    gaps = [then.tick - one.tick for one, then in pairwise(found) if then.poll]  # any message restarts the timer
    alone = [then.tick - one.tick for one, then in pairwise(found) if then.poll and one.poll]
    if len(gaps) < 4:
        fails(f"only {len(gaps) + 1} polls came in {5 * every + stage.limit:.0f} s; one is due every {every:g} s")
    slack = _slack(every)
    if max(gaps) > every + slack or (alone and fmean(alone) < every - slack):
        fails(f"polls are due every {every:g} s and came after {', '.join(f'{gap:.1f}' for gap in gaps)} s")
    return [f"every {fmean(gaps):.2f} s, jitter {pstdev(gaps):.2f} s, the latest {max(gaps) - every:+.2f} s"]


def _polls_once(stage: Stage) -> Notes:
    every = stage.promised()
    for one, then in pairwise(_seen_polls(stage)):
        if one.poll and then.poll and then.tick - one.tick < every / 2:
            fails(f"a poll that had its ACK was followed by another after {then.tick - one.tick:.1f} s")
    return None


def _polls_apart(stage: Stage) -> Notes:
    stage.promised()
    before = stage.at_least(1)[-1]
    stage.calm()
    stage.ack(stage.poll())
    then = stage.event()
    stage.ack(then)
    before = stage.events()[-2] if stage.events()[-1] is then else before
    if then.frame.sequence != before.following:
        fails(
            f"number {before.frame.sequence_sent}, polls, number {then.frame.sequence_sent}: polls stay out of the count"
        )
    return None


def _poll_left(stage: Stage, does: Callable[[Message], object], what: str) -> Notes:
    stage.promised()
    poll = stage.poll()
    does(poll)
    then = stage.poll(f"a poll {what}, and no other came")
    stage.ack(then)
    return [f"the next one came after {then.tick - poll.tick:.1f} s"]


def _poll_unanswered(stage: Stage) -> Notes:
    def silent(poll: Message) -> None:
        """Nothing is answered until it has given the poll up: no repeat comes, or every try at every receiver is over."""
        stage.deaf = set(range(stage.ears.count))
        until = stage.tick() + stage.promised() + 1.5 * stage.wait * stage.setup.tries * stage.ears.count
        while (left := min(until - stage.tick(), 1.5 * stage.wait)) > 0 and stage.next(left) is not None:
            pass
        stage.deaf.clear()

    return _poll_left(stage, silent, "was left without an answer")


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
    act, patience = stage.setup.act, stage.setup.patience + stage.limit
    began, before = stage.tick(), len(stage.events())
    message = stage.asked_for(act, patience)
    if message is not None:
        stage.ack(message)
        return [f"while a poll had no answer the message came, {message.tick - began:.1f} s after the person was told"]
    stage.deaf.clear()
    stage.pass_time(stage.setup.later)
    if len(stage.events()) > before:
        fails("while its poll had no answer it held the message back")
    return stage.nobody_came(patience)


# The clock


def _first_stamped(stage: Stage) -> tuple[Message, float]:
    first = stage.event()
    return first, stage.need_stamp(first)


def _not_so(stage: Stage, why: str) -> NoReturn:
    """A NAK answers sealed messages (5.5.3.2); what a panel in clear makes of it is not written."""
    if stage.setup.key:
        fails(why)
    beside(f"{why}; what a NAK does to a panel in clear is not written")


def _follows(stage: Stage, off: float) -> Notes:
    first, before = _first_stamped(stage)
    stage.nak(first, off)
    again = stage.again(first)
    if again is None:
        _not_so(stage, f"after the NAK the message did not come again within {stage.limit:g} s")
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
        _not_so(stage, f"after a NAK with the true time the message did not come again within {stage.limit:g} s")
    stage.ack(again)
    return [f"it came again after {again.tick - first.tick:.1f} s"]


def _nak_damaged(stage: Stage) -> Notes:
    first, before = _first_stamped(stage)
    stage.nak(first, AWAY_SECONDS, crc="wrong")
    again = stage.must_repeat(first, "a damaged NAK is no answer")
    if again.frame.raw == first.frame.raw:  # in clear the same bytes come again, and say nothing of its clock now
        stage.ack(again)
        again = first = stage.event(fresh=True)
    off = stage.need_stamp(again)
    if abs(off - before - AWAY_SECONDS) < AWAY_SECONDS / 4:
        stage.nak(again, 0)
        if (right := stage.again(first, stage.setup.later)) is not None:
            stage.ack(right)
        fails(f"a NAK whose CRC was wrong set its clock: its stamps are {off:+.0f} s from ours")
    stage.ack(again)
    return None


def _nak_for_ever(stage: Stage) -> Notes:
    first, _ = _first_stamped(stage)
    sent, last = 1, first
    most = 2 * MOST_TRIES * stage.ears.count
    while sent < most:
        stage.nak(last, 0)
        again = stage.again(first, 10)
        if again is None:
            break
        sent, last = sent + 1, again
    seconds = last.tick - first.tick
    if sent >= most:
        stage.ack(last)
        fails(f"answered with one NAK after another it sent the message {sent} times in {seconds:.1f} s")
    return [f"it sent the message {times(sent)} in {seconds:.1f} s, then paused"]


PLAYS: dict[str, Play] = {
    "message/ends-with-ack": _ends_with_ack,
    "retries/same-message": _same_message,
    "retries/same-bytes": _same_bytes,
    "retries/wait": _wait,
    "retries/evenly": _evenly,
    "retries/tries": _tries,
    "retries/ends": _ends,
    "retries/late": _late,
    "retries/for-both": _for_both,
    "connection/closed-unanswered": lambda stage: _closed(stage, "closed before the answer"),
    "connection/reset-unanswered": lambda stage: _closed(stage, "broken before the answer", reset=True),
    "connection/closed-in-the-answer": lambda stage: _closed(stage, "closed in the middle of the answer", cut=True),
    "connection/closed-idle": _closed_idle,
    "connection/closed-at-once": _closed_at_once,
    "second/turns": _turns,
    "second/how-soon": _how_soon,
    "second/ends-there": _ends_there,
    "second/comes-back": _comes_back,
    "second/refused": _refused_turns,
    "second/closed": _closed_turns,
    "second/wrong-answers": _wrong_turns,
    "second/one-count": _one_count,
    "outage/kept": _kept,
    "outage/both-in-order": _both,
    "outage/refused": lambda stage: _refused(stage, stage.wait * stage.setup.tries * 1.5),
    "outage/short": lambda stage: _refused(stage, 3.0),
    "polls/come": _polls_come,
    "polls/not-repeated": _polls_once,
    "polls/not-counted": _polls_apart,
    "polls/unanswered": _poll_unanswered,
    "polls/refused": _poll_refused,
    "polls/after-outage": _poll_outage,
    "polls/hold-nothing-up": _not_held_up,
    "clock/nak-again": _nak_again,
    "clock/nak-ahead": lambda stage: _follows(stage, AWAY_SECONDS),
    "clock/nak-behind": lambda stage: _follows(stage, -AWAY_SECONDS),
    "clock/nak-damaged": _nak_damaged,
    "clock/nak-for-ever": _nak_for_ever,
}
