r"""The capture: a recorded stream as JSON Lines, for people and programs to read.

The first line is the header:

    {"capture": "farend", "version": 1, "began": "2026-11-25T12:00:00.000000Z", "note": "what this is"}

Every other line is one thing that happened on one connection, in the order of time:

    {"at": "2026-11-25T12:00:01.250000Z", "connection": "tcp-1", "what": "open", "line": "tcp", "port": 12009,
     "peer": "192.0.2.7:40112"}
    {"at": "2026-11-25T12:00:01.260000Z", "connection": "tcp-1", "what": "panel", "data": "\\n7CBF0041…\\r"}
    {"at": "2026-11-25T12:00:01.262000Z", "connection": "tcp-1", "what": "receiver", "data": "\\n…\\r"}
    {"at": "2026-11-25T12:00:09.000000Z", "connection": "tcp-1", "what": "panel-lost", "size": 1448}
    {"at": "2026-11-25T12:00:31.000000Z", "connection": "tcp-1", "what": "close"}

`what` says which side the bytes came from. `data` holds the bytes as they were read or written, whole frames or not, in
the notation of `raw`. A UDP connection is one peer's address; it has an `open` line and no `close`. Where whoever recorded
missed bytes of one side, `panel-lost` or `receiver-lost` stands in their place: what comes after them begins anew.
"""

import errno
import os
import queue
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, NamedTuple, get_args

import orjson

from protocols.envelope import Piece, Reader, from_printable, printable

What = Literal["open", "panel", "receiver", "panel-lost", "receiver-lost", "close"]
WHATS = get_args(What)
MOST_OPEN = 50_000  # connections that are followed at once: UDP peers never say that they are gone
MOST_WAITING = 100_000  # happenings that wait for the disk before a slow one costs some of the capture


class CaptureError(ValueError):
    """A file that is no capture, and on which line it stops being one."""


class Happening(NamedTuple):
    """One line of a capture. `size` counts the bytes that were lost, where some were; `port` is the receiver's, or 0."""

    at: datetime
    connection: str
    what: What
    data: bytes = b""
    line: str | None = None
    peer: str | None = None
    size: int = 0
    port: int = 0


@dataclass
class Opened:
    """A recorded stream that is read as it is asked for: its happenings in the order of time, and what is to be said of it.

    `notes`, `unread`, how many parts could not be read, and `taken`, the bytes of the file's `size` that have been read,
    grow while `happenings` are taken. `timed` is false from the first happening on whose time is not the recording's own.
    """

    note: str
    size: int
    happenings: Iterator[Happening] = field(default_factory=lambda: iter(()))
    notes: list[str] = field(default_factory=list)
    taken: int = 0
    unread: int = 0
    timed: bool = True


class Cut(NamedTuple):
    """A piece of what one side sent, and when its last byte came."""

    at: datetime
    connection: str
    side: Literal["panel", "receiver"]
    piece: Piece


class Cutter:
    """Happenings in, the pieces of each side of each connection out; what ends the recording in mid-frame with `end`."""

    def __init__(self) -> None:
        self._open: OrderedDict[str, tuple[Reader, Reader, bool]] = OrderedDict()
        self._now = datetime.min.replace(tzinfo=UTC)

    def take(self, one: Happening) -> Iterator[Cut]:
        self._now = one.at
        if one.what == "close" or (one.what == "open" and one.line != "udp"):
            yield from self._end(one.connection)
        if one.what == "close":
            return
        if one.connection not in self._open:
            datagrams = one.line == "udp" or one.connection.startswith("udp-")
            self._open[one.connection] = Reader(), Reader(), datagrams
            if len(self._open) > MOST_OPEN:
                yield from self._end(next(iter(self._open)))
        self._open.move_to_end(one.connection)
        panel, receiver, datagrams = self._open[one.connection]
        if one.what == "open":
            return
        side: Literal["panel", "receiver"] = "panel" if one.what in ("panel", "panel-lost") else "receiver"
        reader = panel if side == "panel" else receiver
        pieces = reader.feed(one.data)
        if datagrams or one.what.endswith("-lost"):
            pieces += reader.close()
        for piece in pieces:
            yield Cut(one.at, one.connection, side, piece)

    def end(self) -> Iterator[Cut]:
        for name in list(self._open):
            yield from self._end(name)

    def _end(self, name: str) -> Iterator[Cut]:
        if name not in self._open:
            return
        panel, receiver, _ = self._open.pop(name)
        for piece in panel.close():
            yield Cut(self._now, name, "panel", piece)
        for piece in receiver.close():
            yield Cut(self._now, name, "receiver", piece)


def when(moment: datetime) -> str:
    return moment.isoformat(timespec="microseconds").replace("+00:00", "Z")


def header(began: datetime, note: str) -> bytes:
    return orjson.dumps({"capture": "farend", "version": 1, "began": when(began), "note": note}) + b"\n"


def written(happening: Happening) -> bytes:
    """One line of the file."""
    line: dict[str, Any] = {"at": when(happening.at), "connection": happening.connection, "what": happening.what}
    if happening.what == "open":
        line |= {"line": happening.line, "port": happening.port, "peer": happening.peer}
    elif happening.what in ("panel", "receiver"):
        line["data"] = printable(happening.data)
    elif happening.what != "close":
        line["size"] = happening.size
    return orjson.dumps(line) + b"\n"


def opened(path: Path) -> Opened:
    """A capture that is read a line at a time. CaptureError where its header is none; OSError when it cannot be read.

    A last line cut off in mid-write is left out, and noted. Taking a line that cannot be read is a CaptureError with its
    number.
    """
    with path.open("rb") as file:
        first, size = file.readline(), os.fstat(file.fileno()).st_size
    try:
        head = orjson.loads(first)
        good = head.get("capture") == "farend" and head.get("version") == 1
    except (ValueError, AttributeError):
        good = False
    if not good:
        raise CaptureError(f'{path}: line 1 is not the header {{"capture": "farend", "version": 1, …}}')
    found = Opened(str(head.get("note", "")), size, taken=len(first))
    found.happenings = _happenings(path, found)
    return found


def read(path: Path) -> tuple[list[Happening], list[str]]:
    """A whole capture at once, and the notes about it. The same errors as `opened` and its happenings have."""
    found = opened(path)
    return list(found.happenings), found.notes


def _happenings(path: Path, found: Opened) -> Iterator[Happening]:
    with path.open("rb") as file:
        file.readline()  # the header
        for number, line in enumerate(file, 2):
            if found.taken >= found.size:
                return  # it was written since, perhaps by what is being made of it
            found.taken += len(line)
            try:
                yield _happening(orjson.loads(line))
            except (ValueError, KeyError, TypeError, AttributeError, OverflowError) as error:
                if not line.endswith(b"\n"):
                    found.unread += 1
                    found.notes.append(f"{path}: line {number} was cut off in mid-write and is left out")
                    return
                reason = f"{error.args[0]!r} is missing" if isinstance(error, KeyError) else str(error)
                raise CaptureError(f"{path}: line {number}: {reason}") from None


def _happening(line: dict[str, Any]) -> Happening:
    what, _ = line["what"], line["connection"]
    if what not in WHATS:
        raise ValueError(f"what: {what!r} is none of {', '.join(WHATS)}")
    moment = datetime.fromisoformat(line["at"])
    if moment.tzinfo is None:
        raise ValueError(f"at: {line['at']!r} does not say its zone; write UTC with a Z")
    for name, kind in (("connection", str), ("line", str | None), ("peer", str | None)):
        if not isinstance(line.get(name), kind):
            raise ValueError(f"{name}: {line.get(name)!r} is no text")
    for name, most in (("size", 1 << 48), ("port", 65535)):
        if not isinstance(line.get(name, 0), int) or not 0 <= line.get(name, 0) <= most:
            raise ValueError(f"{name}: {line[name]!r} is no number from 0 to {most}")
    return Happening(
        moment.astimezone(UTC),
        line["connection"],
        what,
        from_printable(line["data"]) if what in ("panel", "receiver") else b"",
        line.get("line"),
        line.get("peer"),
        line["size"] if what.endswith("-lost") else 0,
        line.get("port", 0),
    )


def write(path: Path, happenings: Iterable[Happening], note: str, began: datetime) -> None:
    """Write a whole capture."""
    with path.open("wb") as file:
        file.write(header(began, note))
        file.writelines(map(written, happenings))


class Recorder:
    """Writes a capture as it happens, in a thread of its own: a slow or full disk delays no answer.

    What it cannot write is told once, and the count of it when it is over.
    """

    def __init__(self, path: Path, began: datetime, note: str, told: Callable[[str], None]) -> None:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        self._file = os.fdopen(descriptor, "wb", buffering=0)
        try:
            self._file.write(header(began, note))
        except OSError:
            self._file.close()
            raise
        self._told = told
        self._lost = 0
        self._waiting: queue.Queue[Happening | None] = queue.Queue(MOST_WAITING)
        self._thread = threading.Thread(target=self._write, name="capture", daemon=True)
        self._thread.start()

    def record(self, happening: Happening) -> None:
        """Take one happening; never waits."""
        try:
            self._waiting.put_nowait(happening)
        except queue.Full:
            self._lose("the disk is too slow for it")

    def close(self) -> None:
        self._waiting.put(None)
        self._thread.join()
        if self._lost:
            self._told(f"the capture lacks {self._lost} happenings")

    def _lose(self, why: str) -> None:
        if not self._lost:
            self._told(f"THE CAPTURE LOSES BYTES: {why}")
        self._lost += 1

    def _write(self) -> None:
        while (happening := self._waiting.get()) is not None:
            whole = self._file.tell()
            line = written(happening)
            try:
                if self._file.write(line) < len(line):
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            except OSError as error:
                self._lose(error.strerror or str(error))
                with suppress(OSError):  # half a line would make the rest unreadable
                    self._file.truncate(whole)
                    self._file.seek(whole)
        self._file.close()
