"""A trial of a receiver: farend plays the panels, by the clause."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from protocols.exchange import Heard
from receiver.trial import clock_and_keys, connections, conversations, script
from receiver.trial.case import Case, Result, Trace, judge
from receiver.trial.memory import Answerer, InMemory
from receiver.trial.stage import Known, Link, Setup, Stage, Talk, in_words
from receiver.wire import Kind

FAR_OFF = -3600  # seconds: a stamp that no receiver may take, to be told its time
MOST_UNANSWERED = 2  # accounts without an answer, before any frame came back; then nobody is there
BEYOND_SLOWEST = 0.25  # seconds of silence beyond the slowest answer so far
GONE_AFTER = 5  # cases in a row that do not hold; then it is asked whether it still answers at all


def cases() -> list[Case[Stage]]:
    """All cases, by group in the order of a message: what it is wrapped in, what it says, what it is answered."""
    return [
        *script.cases(),
        *conversations.CASES,
        *script.cases("exchange.toml"),
        *clock_and_keys.CASES,
        *connections.CASES,
    ]


@dataclass
class Examined:
    """What was found before the first case: sentences, and why there is no use in going on ("" where there is)."""

    sentences: list[str] = field(default_factory=list)
    why_not: str = ""
    messages: int = 0


def examine(link: Link, setup: Setup) -> Examined:
    """Whether the receiver acknowledges a right message of each account, how soon, and what its clock says.

    Takes the receiver's clock from its first NAK, if one comes (`setup.ahead`); lets `setup.quiet` be no shorter than
    what the slowest answer makes likely; and leaves out of `setup.accounts` those that are refused with a DUH, as that
    may be the book's fault. Whatever else is wrong is said, and is for the cases to find. OSError where nobody can be
    reached.
    """
    stage = Stage(link, setup, Trace(link.tick))
    found = Examined()
    asked = _Asked(stage, found)
    try:
        if first := next((one for one in setup.accounts if one.key), None):
            heard = asked.ask(first, stamp=FAR_OFF)
            if heard is None or heard.word != "NAK":
                found.sentences.append(
                    "it gave no NAK to a stamp of an hour ago, so its clock is not known; ours is taken for it"
                )
        refused: list[Known] = []
        wrong: list[str] = []
        unanswered = 0
        for one in setup.accounts:
            heard = asked.ask(one)
            if heard and heard.word == "NAK" and asked.clock:  # now with its own time
                heard = asked.ask(one)
            if heard and heard.word == "ACK":
                continue
            if heard and heard.word == "DUH":
                refused.append(one)
                continue
            unanswered += heard is None
            wrong.append(asked.told(one, heard))
            if not asked.frames and unanswered == MOST_UNANSWERED:
                break
        if not asked.frames:
            found.why_not = wrong[0]
            return found
        found.sentences += wrong
        if len(refused) == len(setup.accounts):
            found.why_not = (
                f"a right message of account {refused[0]} got a DUH, not its ACK: it does not know the account"
            )
            return found
        for one in refused:
            found.sentences.append(
                f"a right message of account {one} got a DUH, so what needs that account cannot be told; are number and key "
                "right on both sides?"
            )
        setup.accounts = [one for one in setup.accounts if one not in refused]
        setup.refused = refused
        asked.ask(setup.accounts[0], token="NEW")  # a DUH may take longer than an ACK
        found.sentences.append(f"the slowest answer came after {setup.slowest * 1000:.1f} ms")
        # Not much longer than it takes: an answer that comes later still is known for what it is.
        setup.quiet = min(max(setup.quiet, min(10 * setup.slowest, setup.slowest + BEYOND_SLOWEST)), setup.wait)
    finally:
        stage.close()
        found.messages = stage.trace.messages
    return found


class _Asked:
    """What comes back to single messages before the first case, how soon, and the clock that a NAK tells."""

    def __init__(self, stage: Stage, found: Examined) -> None:
        self._stage, self._found = stage, found
        self._talk: Talk | None = None
        self.frames = 0  # that came back, right or wrong
        self.clock = False  # whether it is known
        self._closed = ""

    def ask(self, one: Known, **given: Any) -> Heard | None:
        """Send a message; None where no answer came."""
        stage, setup, link = self._stage, self._stage.setup, self._stage.link
        said = stage.message(one, **given)
        if self._talk is None or self._talk.closed:
            self._talk = stage.open()
        began, before = link.tick(), link.now()
        self._closed = ""
        try:
            self._talk.send(said)
            heard = self._talk.answer(said)
        except (EOFError, OSError) as error:
            if isinstance(error, ConnectionRefusedError) and not self.frames:
                raise  # a datagram to a port where nobody listens
            self._closed = getattr(error, "strerror", None) or "it closed the connection"
            self._talk.closed = True
            return None
        if heard is None:
            return None
        if heard.frame.kind == "frame":  # of noise nobody knows when it ends
            self.frames += 1
            setup.slowest = max(setup.slowest, link.tick() - began)
        if heard.word == "NAK" and not self.clock and heard.frame.stamp:
            self._measure(heard.frame.stamp, before, link.now())
        return heard

    def told(self, one: Known, heard: Heard | None) -> str:
        """What came back to a right message, in words."""
        if heard:
            about = f": {heard.why}" if heard.why else ""
            return f"a right message of account {one} got {in_words(heard.frame)}, not its ACK{about}"
        if self._closed:
            return f"no answer came to a right message of account {one}: {self._closed}"
        return f"no answer came to a right message of account {one} within {self._stage.setup.wait:g} s"

    def _measure(self, stamp: datetime, sent: datetime, got: datetime) -> None:
        """The receiver wrote its time, cut to a whole second, some time between sending and getting."""
        self.clock = True
        half = (got - sent) / 2
        ahead = stamp + timedelta(seconds=0.5) - (sent + half)
        self._stage.setup.ahead = ahead
        unsure = 0.5 + half.total_seconds()
        seconds = round(ahead.total_seconds())
        exact = f"to {unsure:.1f} s" if unsure > 1 else "to the second"
        side = "ahead of" if seconds > 0 else "behind"
        self._found.sentences.append(
            f"its clock agrees with ours, {exact}"
            if abs(ahead.total_seconds()) <= unsure
            else f"its clock is {abs(seconds)} s {side} ours, {exact}"
        )


def run(
    wanted: Sequence[Case[Stage]], link: Link, setup: Setup, began: Callable[[Case[Stage]], None] = lambda _: None
) -> Iterator[Result]:
    """Play the cases one after the other. Ends early where the receiver answers nothing more at all."""
    missed = 0
    for case in wanted:
        began(case)
        trace = Trace(link.tick)
        stage = Stage(link, setup, trace)
        try:
            result = judge(case, stage, trace)
        finally:
            stage.close()
        result.notes = [*result.notes, *stage.notes]
        yield result
        missed = missed + 1 if result.verdict in ("fails", "unclear") else 0
        if missed >= GONE_AFTER and not _answers(link, setup):
            return


def _answers(link: Link, setup: Setup) -> bool:
    stage = Stage(link, setup, Trace(link.tick))
    try:
        said = stage.message()
        talk = stage.open()
        talk.send(said)
        return talk.answer(said) is not None
    except (EOFError, OSError):
        return False
    finally:
        stage.close()


@dataclass
class Effort:
    """What a trial will do: how many messages it sends, and how long it takes."""

    messages: int
    seconds: float


def rehearse(wanted: Sequence[Case[Stage]], setup: Setup, kind: Kind) -> Effort:
    """Play the cases against this project's own desk, in memory, to know what they will do. Nothing is sent anywhere.

    Before `examine` the time is that of a receiver that answers at once; after it, of one as slow as was found.
    """
    link = InMemory(Answerer(setup.accounts), kind)
    own = replace(setup, ahead=timedelta(0), sequences={})
    results = list(run(wanted, link, own))
    messages = sum(result.messages for result in results)
    return Effort(messages, link.seconds + messages * setup.slowest)
