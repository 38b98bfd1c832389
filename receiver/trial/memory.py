"""A receiver in memory, on simulated time: what a trial will do is rehearsed on it, and broken ones prove the cases.

`Answerer` is a receiver made of this project's desk. It takes bytes of a connection and says what goes back, and when.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from protocols.dc09 import decode
from protocols.envelope import Piece, Reader, read_all
from protocols.exchange import Word, answer
from protocols.seal import padding
from protocols.values import Frame
from receiver import desk
from receiver.book import Account, Book
from receiver.desk import Decision, Memory, Origin
from receiver.trial.stage import Known, Line
from receiver.wire import Kind

BEGINNING = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
DELAY_SECONDS = 0.001


class Reply(NamedTuple):
    """What goes back: after so many seconds, these bytes; None closes the connection."""

    data: bytes | None
    delay: float = DELAY_SECONDS


class Answerer:
    """A receiver that does what the clauses say. Subclasses may get one thing wrong."""

    def __init__(self, accounts: Sequence[Known], *, ahead: timedelta = timedelta(0)) -> None:
        self.book = Book(tuple(_account(one) for one in accounts))
        self.ahead = ahead
        self.memory = Memory()
        self.readers: dict[int, Reader] = {}

    def opened(self, connection: int) -> None:
        self.readers[connection] = Reader()

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        """Bytes came, over UDP a datagram."""
        pieces = read_all(data) if kind == "udp" else self.readers[connection].feed(data)
        return [reply for piece in pieces for reply in self.replies(piece, kind, now + self.ahead, tick)]

    def finished(self, connection: int, now: datetime, tick: float) -> list[Reply]:
        """The panel closed its half."""
        return [Reply(None)]

    def closed(self, connection: int) -> None:
        """The panel is gone."""
        self.readers.pop(connection, None)

    def replies(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        """What goes back to one frame."""
        data = self.reply(piece, kind, now, tick)
        return [Reply(data)] if data else []

    def reply(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> bytes:
        decision = self.decide(piece, kind, now, tick)
        return self.write(decision.reply, decision, now)

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        return desk.judge(piece, self.book, self.memory, Origin(kind, 0, "", ""), now, tick)

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        key = decision.account.key if decision.account else None
        return answer(word, decision.frame, now, key, padding)

    def read(self, piece: Piece) -> Frame:
        """A frame as this receiver's keys open it."""
        return decode(piece, self.book.key_for)


class InMemory:
    """The link to an `Answerer`. Its clock moves only when somebody waits."""

    def __init__(self, receiver: Answerer, kind: Kind = "tcp", began: datetime = BEGINNING) -> None:
        self.receiver, self.kind = receiver, kind
        self.seconds = 0.0
        self._began, self._lines = began, 0

    def open(self) -> Line:
        self._lines += 1
        self.receiver.opened(self._lines)
        return _Line(self, self._lines)

    def now(self) -> datetime:
        return self._began + timedelta(seconds=self.seconds)

    def tick(self) -> float:
        return self.seconds

    def sleep(self, seconds: float) -> None:
        self.seconds += seconds


class _Line:
    def __init__(self, link: InMemory, number: int) -> None:
        self._link, self._number = link, number
        self._coming: list[tuple[float, bytes | None]] = []
        self._over = self._gone = False  # the receiver has closed it; the panel has

    def _take(self, replies: list[Reply]) -> None:
        self._coming += [(self._link.seconds + one.delay, one.data) for one in replies]
        self._coming.sort(key=lambda one: one[0])

    def send(self, data: bytes) -> None:
        if self._over:
            raise BrokenPipeError("the receiver has closed the connection")
        link = self._link
        self._take(link.receiver.took(self._number, data, link.kind, link.now(), link.seconds))

    def receive(self, seconds: float) -> bytes:
        link = self._link
        if self._over:
            raise EOFError("the receiver closed the connection")
        if not self._coming or self._coming[0][0] > link.seconds + seconds:
            link.seconds += seconds
            raise TimeoutError
        due, data = self._coming.pop(0)
        link.seconds = max(link.seconds, due)
        if data is None:
            self._over = True
            raise EOFError("the receiver closed the connection")
        return data

    def finish(self) -> None:
        if self._link.kind != "udp":
            self._take(self._link.receiver.finished(self._number, self._link.now(), self._link.seconds))

    def abort(self) -> None:
        self.close()

    def close(self) -> None:
        if not self._gone:
            self._gone = self._over = True
            self._link.receiver.closed(self._number)


def _account(known: Known) -> Account:
    return Account.model_construct(number=known.number, name=str(known), key=known.key)
