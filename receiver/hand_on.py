"""Handing on: the journal is the queue, and each consumer has a place in it, kept on disk.

The place is the last row that is done with: handed on and confirmed, or one that does not leave. It moves only then, so
whatever breaks off is sent again from there, under the same row numbers: at least once, in the journal's order. One row is
not passed before the one before it is confirmed, so no account is out of order either; a consumer that stands still makes
its own queue wait, and nobody else's: no bench knows that there are any.
"""

import fcntl
import hashlib
import os
import random
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import orjson

from receiver.consumers import Consumer, ConsumerError
from receiver.desk import millis
from receiver.journal import JournalError, Row, Store, begins, database_of, folder_of, opened, server_of
from receiver.leaving import RECALLED, Leaving
from receiver.requests import write_whole

LOOK_SECONDS = 0.1  # between two looks for new rows
HELD_SECONDS = 5.0  # that the one before may take to let go of its place
KEEP_SECONDS = 0.2  # within a batch, how old the place on disk may be: what is lost of it comes twice
PAUSES = (0.5, 60.0)  # seconds before the first try after a failure, and at most
MOST_A_LOOK = 500  # rows; a long read of a file would keep its WAL from being taken over
RECALLED_ROWS = 2000  # before the place, of which repeats may still come
VERSION = 1


class PlaceError(Exception):
    """A place in the journal cannot be used, and why."""


@dataclass(frozen=True, slots=True)
class Place:
    """How far a consumer has come: `row` is done with, and had that `hash`. `trouble` is why it does not go on now."""

    consumer: str
    target: str
    row: int = 0
    hash: str | None = None
    at: str | None = None  # when it came there
    trouble: str | None = None
    since: str | None = None


def journal_id(journal: Path | str) -> str:
    """What tells this journal from others: of a file its machine and place, of a server's its hosts and name."""
    url = server_of(journal)
    whole = database_of(url) if url else f"{socket.gethostname()}:{Path(journal).absolute()}"
    return hashlib.sha256(whole.encode()).hexdigest()[:12]


def place_file(journal: Path | str, name: str) -> Path:
    """Where the place of a consumer is kept: beside the journal's file, or in a folder of the user's own."""
    if not re.fullmatch(r"[0-9A-Za-z_.-]{1,60}", name):
        raise PlaceError(f"{name!r} is no name of 1 to 60 letters, digits, dots and dashes")
    return folder_of(journal) / f"{_stem(journal)}.hand-on.{name}"


def _stem(journal: Path | str) -> str:
    return "journal" if server_of(journal) else Path(journal).name


def places(journal: Path | str) -> Iterator[tuple[Place, bool]]:
    """The places of all consumers of a journal, by name, and whether a process hands on to each now."""
    before = f"{_stem(journal)}.hand-on."
    for path in sorted(folder_of(journal).glob(f"{before}*")):
        if not path.name.endswith(".lock"):
            yield read(path), _is_held(path)


def read(path: Path) -> Place:
    """The place in a file. PlaceError where it is none."""
    try:
        found = orjson.loads(path.read_bytes())
        if found.pop("version") != VERSION:
            raise ValueError
        return Place(**found)
    except (OSError, ValueError, TypeError, KeyError):
        raise PlaceError(f"{path} cannot be read as a place in the journal: take it away, and say --from") from None


def write(path: Path, place: Place) -> None:
    """Keep a place: the old one or the new one is there, whatever happens."""
    found = {name: getattr(place, name) for name in Place.__dataclass_fields__}
    write_whole(path, orjson.dumps({"version": VERSION} | found) + b"\n")


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Nobody else moves this place meanwhile."""
    handle = os.open(f"{path}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        try:
            _wait_for(handle)
        except BlockingIOError:
            raise PlaceError(f"another process hands on by {path}: give this consumer another --name") from None
        yield
    finally:
        os.close(handle)


def _wait_for(handle: int) -> None:
    # What belonged to a bench that was killed ends a moment later.
    until = time.monotonic() + HELD_SECONDS
    while time.monotonic() < until:
        with suppress(BlockingIOError):
            return fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        time.sleep(0.05)
    return fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _is_held(path: Path) -> bool:
    try:
        handle = os.open(f"{path}.lock", os.O_RDWR)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(handle)
    return False


def strange(store: Store, place: Place) -> bool:
    """Whether a place belongs to another journal than this one."""
    kept = store.hashes([place.row]).get(place.row)
    return place.row > store.last_number() or bool(place.hash and kept and kept != place.hash)


def behind(store: Store, place: Place, now: datetime) -> tuple[int, float]:
    """By how many rows a consumer is behind the journal, and how many seconds ago the first of these came."""
    rows = max(store.last_number() - place.row, 0)
    first = next(store.rows(after=place.row, events=True, limit=1), None)
    return rows, max((now - datetime.fromisoformat(first.at)).total_seconds(), 0.0) if first else 0.0


class HandOn:
    """Hands the rows of a journal on to one consumer, for as long as `ending` is not set.

    `wanted` makes the fold that says what leaves; `told` hears of what needs a person;
    `start` is where a consumer that has no place yet begins: the row after it, or None
    for what comes from now on.
    """

    def __init__(
        self,
        journal: Path | str,
        path: Path,
        place: Place,
        wanted: Callable[[], Leaving],
        consumer: Consumer,
        *,
        told: Callable[[str], None] = lambda _: None,
        ending: threading.Event | None = None,
        batch: int = 100,
        start: int | None = None,
        once: bool = False,
        pauses: tuple[float, float] = PAUSES,
    ) -> None:
        self.journal, self.path, self.place = journal, path, place
        self._wanted, self.consumer, self.told = wanted, consumer, told
        self.leaving = wanted()
        self.ending = ending or threading.Event()
        self.batch, self.start, self.once, self.pauses = batch, start, once, pauses
        self._fresh = not path.exists()
        self._kept = 0.0  # when the place was written last
        self._unread = False  # the journal could not be read at the last look

    def run(self) -> None:
        """Hand on. PlaceError where the place does not belong to this journal."""
        tries = 0
        try:
            while not self.ending.is_set():
                try:
                    file = _file(self.journal)  # before it is opened: what takes its place from now on is another
                    store = opened(self.journal)
                    try:
                        self._find(store)
                        if self._unread:
                            self._trouble(None)
                        self._unread, tries = False, 0
                        if self._follow(store, file):
                            return
                    finally:
                        with suppress(*Store.FAILURES):
                            store.close()
                except JournalError as error:  # not made yet, or its server changes over
                    if self.once:
                        raise
                    if self.start is None and server_of(self.journal) is None and not Path(self.journal).exists():
                        self.start = 0  # whatever will be in it comes from now on
                    self._unread, tries = True, tries + 1
                    self._trouble(str(error))
                    self._pause(tries, None)
        finally:
            self.consumer.close()

    def _find(self, store: Store) -> None:
        """See that the place is one in this journal; a new consumer gets one."""
        if self._fresh:
            row = store.last_number() if self.start is None else self.start
            self._move(store, row)
            self._fresh = False
        place = self.place
        if strange(store, place):
            raise PlaceError(
                f"{self.path} is a place in another journal (row {place.row}): give another --name, or take the file away"
            )
        first = begins(store.retired())
        if place.row + 1 < first:
            self.told(
                f"ROWS {place.row + 1} TO {first - 1} WERE RETIRED BEFORE THEY WERE HANDED ON to {place.consumer}"
            )
            self._move(store, first - 1)

    def _recall(self, store: Store) -> None:
        since = max(0, self.place.row - RECALLED_ROWS)
        self.leaving.recall(reversed([one for one in store.events(*RECALLED) if one["row"] <= since]))
        for row in store.rows(after=since, events=True):
            if row.number > self.place.row:
                break
            self.leaving.take(row)

    def _follow(self, store: Store, file: tuple[int, int] | None) -> bool:
        """Hand on what is there and what comes; whether that was all that was wanted."""
        self.leaving = self._wanted()
        self._recall(store)
        while not self.ending.is_set():
            rows = list(store.rows(after=self.place.row, events=True, limit=MOST_A_LOOK))
            if not rows and self.once:
                return True
            if not rows and _file(self.journal) != file:
                break  # another journal stands in its place: it is opened, and whether the place is in it will show
            if not rows:
                self.ending.wait(LOOK_SECONDS)
                continue
            if rows[0].number > self.place.row + 1:
                self._find(store)  # they were retired while it was behind
            if not self._hand(store, rows):
                break
        return self.ending.is_set()

    def _hand(self, store: Store, rows: list[Row]) -> bool:
        """Hand these rows on, and move the place behind them; False where it was told to end before."""
        waiting = [message for row in rows if (message := self.leaving.take(row)) is not None]
        tries = 0
        while waiting:
            part, before = waiting[: self.batch], self.place.row
            reached = before

            def taken(row: int) -> None:
                nonlocal reached
                reached = max(reached, row)
                if time.monotonic() - self._kept > KEEP_SECONDS:
                    self._move(store, row)

            try:
                try:
                    self.consumer.hand(part, taken)
                finally:
                    self._move(store, reached)
                self._trouble(None)
                tries = 0
            except ConsumerError as error:
                tries = 1 if self.place.row > before else tries + 1
                self._trouble(str(error))
                if not self._pause(tries, error.after):
                    return False
            waiting = [message for message in waiting if message["row"] > self.place.row]
            if self.ending.is_set():
                return False
        self._move(store, rows[-1].number)
        return True

    def _move(self, store: Store, row: int) -> None:
        # A journal that cannot be read just now must not undo what the consumer has confirmed: then no hash is kept.
        kept = None
        with suppress(JournalError):
            kept = store.hashes([row]).get(row)
        if row != self.place.row or self._fresh:
            self.place = replace(self.place, row=row, hash=kept, at=millis(datetime.now(UTC)))
            write(self.path, self.place)
            self._kept = time.monotonic()

    def _trouble(self, why: str | None) -> None:
        if why == self.place.trouble:
            return
        if why is not None:
            self.told(f"{self.place.consumer} ({self.place.target}): {why}; it waits at row {self.place.row}")
        else:
            self.told(f"{self.place.consumer} ({self.place.target}) takes messages again")
        since = None if why is None else self.place.since or millis(datetime.now(UTC))
        self.place = replace(self.place, trouble=why, since=since)
        if not self._fresh:
            write(self.path, self.place)

    def _pause(self, tries: int, asked: float | None) -> bool:
        """Wait before the next try, longer each time, and never in step with others; False where it ends meanwhile."""
        first, most = self.pauses
        pause = min(first * 2 ** min(tries - 1, 20), most) * random.uniform(0.5, 1.0)
        return not self.ending.wait(max(pause, asked or 0.0))


def _file(journal: Path | str) -> tuple[int, int] | None:
    """What tells one file from another that takes its name."""
    if server_of(journal):
        return None
    try:
        found = Path(journal).stat()
    except OSError:
        return 0, 0
    return found.st_dev, found.st_ino


def name_of(kind: str, target: str) -> str:
    """A consumer's name where nobody gave one: the same for the same target."""
    return f"{kind}-{hashlib.sha256(target.encode()).hexdigest()[:8]}"
