"""Frames by the million: bytes in, a line of JSON a piece out, on every processor and in the order of the input.

The input is cut where a frame is over and another begins, so that each part gives the pieces that it would have given in its
place; what is said again and again is written by stencil.
"""

import multiprocessing
import os
import re
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from itertools import chain, islice
from typing import Any, BinaryIO

import orjson

from protocols import stencil
from protocols.dc09 import KeyFor, decode
from protocols.envelope import Piece, Reader, read_all
from protocols.seal import Key
from protocols.values import Frame
from receiver.book import Book
from receiver.desk import Origin, names

PART = 1 << 19  # bytes that go to a processor at a time
MOST_WITHOUT_FRAMES = 1 << 25  # then it is noise, or as good as: read on in place
MOST_STENCILS = 50_000
NOWHERE = Origin("", 0, "", "")

Part = bytes | list[Piece]

_BEGINS = re.compile(rb'\n[0-9A-Fa-f]{8}"')


def frame_object(frame: Frame, accounts: Book, **where: Any) -> dict[str, Any]:
    """What `decode --json` says of a frame: where it stood in a recording, and what a book calls things."""
    found = frame.to_json() | {"at": None, "connection": None, "side": None} | where
    if accounts.accounts:
        names(found, frame, accounts.find(frame.receiver, frame.prefix, frame.account), NOWHERE)
    return found


class Lines:
    """Writes the JSON of pieces, a line each."""

    def __init__(self, accounts: Book, keys: Key | KeyFor | None) -> None:
        self._accounts, self._keys = accounts, keys
        self._stencils: dict[Any, str] = {}

    def of(self, part: Part) -> tuple[bytes, int, bool]:
        """The lines of a part of the input, how many they are, and whether anything in them has a problem."""
        pieces = read_all(part) if isinstance(part, bytes) else part
        written, wrong = [], False
        keys, line = self._keys, self._line
        for piece in pieces:
            frame = decode(piece, keys)
            wrong = wrong or bool(frame.problems)
            written.append(line(frame))
        written.append("")
        return "\n".join(written).encode(), len(pieces), wrong

    def _line(self, frame: Frame) -> str:
        said = stencil.says(frame)
        pattern = self._stencils.get(said)
        if pattern is None:
            found = frame_object(frame, self._accounts)
            pattern = stencil.cut(found, stencil.HOLES) if said else None
            if pattern is None:
                return orjson.dumps(found).decode()
            if len(self._stencils) >= MOST_STENCILS:
                self._stencils.clear()
            self._stencils[said] = pattern
        return pattern % stencil.fills(frame)


def parts(source: BinaryIO, size: int = PART, most: int = MOST_WITHOUT_FRAMES) -> Iterator[tuple[int, Part]]:
    """The input in parts that can be read each by itself, and how many bytes were read for it."""
    rest = b""
    while chunk := source.read(size):
        rest += chunk
        end = _last_begin(rest)
        if end:
            yield len(chunk), rest[:end]
            rest = rest[end:]
        elif len(rest) >= most:
            reader = Reader()
            yield len(chunk), reader.feed(rest)
            while reader.holds != "nothing" and (chunk := source.read(size)):
                yield len(chunk), reader.feed(chunk)
            yield 0, reader.close()
            rest = b""
    yield 0, rest


def _last_begin(data: bytes) -> int:
    """Where the last frame begins that comes right after the end of another; 0 where there is none."""
    # Of an end of line that is no such place there may be millions: a part without frames is for the reader.
    at = len(data)
    for _ in range(1000):
        at = data.rfind(b"\r\n", 0, at)
        if at < 0:
            return 0
        if _BEGINS.match(data, at + 1):
            return at + 1
    return 0


def processors() -> int:
    """How many this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


_lines: Lines | None = None  # of a process that works for another, from before it forked


def _of(part: Part) -> tuple[bytes, int, bool]:
    assert _lines is not None
    return _lines.of(part)


def on_all(
    lines: Lines, source: Iterator[tuple[int, Part]], jobs: int, read: Callable[[int], Any] = lambda _: None
) -> Iterator[tuple[bytes, int, bool]]:
    """`lines.of` each part, in order, on so many processors; a source of one part stays here. `read` hears of bytes."""
    global _lines
    first = list(islice(source, 2))
    if len(first) < 2 or jobs < 2:
        for count, part in chain(first, source):
            read(count)
            yield lines.of(part)
        return
    _lines = lines
    # Twice as many parts as processors keep them busy, and no more are in memory.
    waiting: deque[tuple[int, Future[tuple[bytes, int, bool]]]] = deque()
    # Forked: keys and book are there already. No thread of ours runs that holds a lock.
    with ProcessPoolExecutor(jobs, multiprocessing.get_context("fork")) as pool:
        for count, part in chain(first, source):
            waiting.append((count, pool.submit(_of, part)))
            if len(waiting) > 2 * jobs:
                yield from _done(waiting, read)
        while waiting:
            yield from _done(waiting, read)


def _done(
    waiting: "deque[tuple[int, Future[tuple[bytes, int, bool]]]]", read: Callable[[int], Any]
) -> Iterator[tuple[bytes, int, bool]]:
    count, future = waiting.popleft()
    found = future.result()
    read(count)
    yield found
