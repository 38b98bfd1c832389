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
from protocols.envelope import Piece, Reader
from protocols.exchange import Heard, belongs
from protocols.values import Frame
from receiver import desk
from receiver.book import Book
from receiver.capture import MOST_OPEN, Happening
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
    panel: Reader = field(default_factory=Reader)
    receiver: Reader = field(default_factory=Reader)
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
        self._open: OrderedDict[str, _Connection] = OrderedDict()
        self._number = 0
        self._began: datetime | None = None
        self._now = datetime.min.replace(tzinfo=UTC)

    def take(self, one: Happening) -> Iterator[Passed]:
        self._began = self._began or one.at
        self._now = one.at
        old = self._open.get(one.connection)
        if one.what == "open" and old and old.origin.line != "udp":  # the same name for another connection
            yield from self._close(one.connection, old)
        connection = self._connection(one)
        if one.what == "panel":
            yield from self._from_panel(one.connection, connection, connection.panel.feed(one.data))
        elif one.what == "receiver":
            yield from self._from_receiver(one.connection, connection, connection.receiver.feed(one.data))
        elif one.what == "panel-lost":
            yield from self._from_panel(one.connection, connection, connection.panel.close())
            yield Missing(one.at, one.connection, connection.origin, "panel", one.size)
        elif one.what == "receiver-lost":
            yield from self._from_receiver(one.connection, connection, connection.receiver.close())
            yield Missing(one.at, one.connection, connection.origin, "receiver", one.size)
        if connection.origin.line == "udp":  # a datagram ends what is in it
            yield from self._from_panel(one.connection, connection, connection.panel.close())
            yield from self._from_receiver(one.connection, connection, connection.receiver.close())
        if one.what == "close":
            yield from self._close(one.connection, connection)
        if len(self._open) > MOST_OPEN:
            yield from self._close(*next(iter(self._open.items())))

    def end(self) -> Iterator[Passed]:
        for name, connection in list(self._open.items()):
            yield from self._close(name, connection)

    def _connection(self, one: Happening) -> _Connection:
        found = self._open.get(one.connection)
        if found is None:
            host = (one.peer or "").rpartition(":")[0].strip("[]")
            line = one.line or ("udp" if one.connection.startswith("udp-") else "")
            found = self._open[one.connection] = _Connection(Origin(line, one.port, host, one.peer or one.connection))
        else:
            self._open.move_to_end(one.connection)
        return found

    def _close(self, name: str, connection: _Connection) -> Iterator[Passed]:
        self._open.pop(name, None)
        yield from self._from_panel(name, connection, connection.panel.close())
        yield from self._from_receiver(name, connection, connection.receiver.close())

    def _from_panel(self, name: str, connection: _Connection, pieces: list[Piece]) -> Iterator[Judged]:
        judging = self._judging
        for piece in pieces:
            self._number += 1
            assert self._began is not None
            tick = (self._now - self._began).total_seconds()
            decision = desk.judge(
                piece, judging.book, self._memory, connection.origin, self._now, tick,
                row=self._number, policy=judging.policy,
            )  # fmt: skip
            judged = Judged(self._number, self._now, name, connection.origin, decision)
            if not decision.frame.has("crc-mismatch", "length-mismatch", "bad-envelope", "noise", "oversize"):
                connection.outstanding.append(judged)
            yield judged

    def _from_receiver(self, name: str, connection: _Connection, pieces: list[Piece]) -> Iterator[Answered]:
        for piece in pieces:
            self._number += 1
            reply = decode(piece, self._judging.book.key_for)
            heard, to = tied(reply, connection.outstanding, _sent, self._now)
            if to is not None:
                connection.outstanding.remove(to)
            yield Answered(self._number, self._now, name, connection.origin, heard, to)


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
        heard = belongs(opened, frame)
        if heard.word == "foreign":
            foreign = foreign or heard
        elif not nak or frame.encrypted:
            newest = heard, message
            if (now - at).total_seconds() < SHORTEST_WAIT:
                break
    return newest or (foreign or Heard("foreign", reply, "no message waits for an answer"), None)
