"""A recorded stream heard again: each frame through the desk by the clock of the recording, each answer tied to its message.

No socket and no clock: the same happenings, book and judging give the same, at the speed of the file. What is remembered
is bounded, so a recording may be of any length.
"""

from collections import OrderedDict, deque
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Literal, NamedTuple, TypeVar

from protocols.dc09 import decode
from protocols.exchange import Heard, belongs
from protocols.values import Frame
from receiver import desk
from receiver.book import Book
from receiver.capture import MOST_OPEN, Cut, Cutter, Happening
from receiver.desk import Decision, Memory, OnTest, Origin, Policy

MOST_OUTSTANDING = 1000  # messages of one connection whose answer is waited for
SHORTEST_WAIT = 5.0  # seconds that a panel waits at least before it says a message again (from memory of DC-09)
_ALWAYS = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Judging:
    """By what a recording is judged: the account book, the bench's policy, and which accounts were on test all along."""

    book: Book = field(default_factory=Book)
    policy: Policy = field(default_factory=Policy)
    on_test: Collection[str] = ()  # account numbers

    def memory(self) -> Memory:
        memory = Memory()
        for account in self.book.accounts:
            if account.number in self.on_test:
                memory.on_test[account.mark] = OnTest(_ALWAYS)
        return memory


class Judged(NamedTuple):
    """A piece that a panel sent, and what the desk decided. `number` counts the pieces of both sides from 1."""

    number: int
    at: datetime
    connection: str
    origin: Origin
    decision: Decision


class Answered(NamedTuple):
    """A piece that the recorded receiver sent, and the message that it answers: None for one that belongs to none here."""

    number: int
    at: datetime
    connection: str
    origin: Origin
    heard: Heard
    to: Judged | None


class Missing(NamedTuple):
    """Bytes of one side that the recording lacks, `size` of them."""

    at: datetime
    connection: str
    origin: Origin
    side: Literal["panel", "receiver"]
    size: int


@dataclass(slots=True)
class _Connection:
    origin: Origin
    outstanding: deque[Judged] = field(default_factory=lambda: deque(maxlen=MOST_OUTSTANDING))


Passed = Judged | Answered | Missing
_Message = TypeVar("_Message")


def rehear(happenings: Iterable[Happening], judging: Judging = Judging()) -> Iterator[Passed]:
    """Everything that passed, in the order of the recording. What ends the recording in mid-frame comes last."""
    hearing = Rehearing(judging)
    for happening in happenings:
        yield from hearing.take(happening)
    yield from hearing.end()


class Rehearing:
    """`rehear` a happening at a time, for whoever does more with each."""

    def __init__(self, judging: Judging) -> None:
        self._judging, self._memory = judging, judging.memory()
        self._cutter = Cutter()
        self._open: OrderedDict[str, _Connection] = OrderedDict()
        self._number = 0
        self._began: datetime | None = None

    def take(self, one: Happening) -> Iterator[Passed]:
        self._began = self._began or one.at
        anew = one.what == "open" and one.line != "udp"  # perhaps the name of a connection that was before
        if not anew:
            self._connection(one)
        yield from self._passed(self._cutter.take(one))
        if anew:
            self._open.pop(one.connection, None)
        connection = self._connection(one)
        if one.what == "panel-lost":
            yield Missing(one.at, one.connection, connection.origin, "panel", one.size)
        elif one.what == "receiver-lost":
            yield Missing(one.at, one.connection, connection.origin, "receiver", one.size)
        elif one.what == "close":
            del self._open[one.connection]
        if len(self._open) > MOST_OPEN:
            self._open.popitem(last=False)

    def end(self) -> Iterator[Passed]:
        yield from self._passed(self._cutter.end())

    def _connection(self, one: Happening) -> _Connection:
        found = self._open.get(one.connection)
        if found is None:
            host = (one.peer or "").rpartition(":")[0].strip("[]")
            line = one.line or ("udp" if one.connection.startswith("udp-") else "")
            found = self._open[one.connection] = _Connection(Origin(line, one.port, host, one.peer or one.connection))
        else:
            self._open.move_to_end(one.connection)
        return found

    def _passed(self, cuts: Iterator[Cut]) -> Iterator[Judged | Answered]:
        for cut in cuts:
            self._number += 1
            connection = self._open[cut.connection]
            yield self._judged(cut, connection) if cut.side == "panel" else self._answered(cut, connection)

    def _judged(self, cut: Cut, connection: _Connection) -> Judged:
        judging = self._judging
        assert self._began is not None
        decision = desk.judge(
            cut.piece, judging.book, self._memory, connection.origin, cut.at, (cut.at - self._began).total_seconds(),
            row=self._number, policy=judging.policy,
        )  # fmt: skip
        judged = Judged(self._number, cut.at, cut.connection, connection.origin, decision)
        if not decision.frame.has("crc-mismatch", "length-mismatch", "bad-envelope", "noise", "oversize"):
            connection.outstanding.append(judged)
        return judged

    def _answered(self, cut: Cut, connection: _Connection) -> Answered:
        reply = decode(cut.piece, self._judging.book.keys_for)
        heard, to = tied(reply, connection.outstanding, _sent, cut.at)
        if to is not None:
            connection.outstanding.remove(to)
        return Answered(self._number, cut.at, cut.connection, connection.origin, heard, to)


def _sent(judged: Judged) -> tuple[Frame, datetime]:
    return judged.decision.frame, judged.at


def tied(
    reply: Frame, waiting: Sequence[_Message], sent: Callable[[_Message], tuple[Frame, datetime]], now: datetime
) -> tuple[Heard, _Message] | tuple[Heard, None]:
    """Which of the messages that wait, oldest first, this answer belongs to; and how it was understood.

    An answer goes to the oldest message that it fits and that is younger than a panel's shortest wait (they were sent
    one upon the other); else to the newest that it fits, since what is older was said again. A NAK echoes nothing: it
    fits sealed messages, and others only where none of those waits. A sealed answer that there is no key for is known by
    what it echoes in clear.
    """
    unopened = reply.encrypted and reply.has("no-key")
    opened = replace(reply, problems=[one for one in reply.problems if one.rule != "no-key"]) if unopened else reply
    newest: tuple[Heard, _Message] | None = None
    foreign: Heard | None = None
    nak = reply.token == "NAK" and any(sent(message)[0].encrypted for message in waiting)
    for message in waiting:
        frame, at = sent(message)
        if foreign and reply.token != "NAK" and frame.sequence_sent != reply.sequence_sent:
            continue  # the usual reason, found at once: a thousand may wait
        heard = belongs(opened, frame)
        if heard.word == "foreign":
            foreign = foreign or heard
        elif not nak or frame.encrypted:
            newest = heard, message
            if (now - at).total_seconds() < SHORTEST_WAIT:
                break
    return newest or (foreign or Heard("foreign", reply, "no message waits for an answer"), None)
