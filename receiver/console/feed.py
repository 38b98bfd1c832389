"""One look into the journal for all who watch: new rows, read once, handed to every open page.

A page that reads too slowly is told that something was left out and sees the newest; nothing waits for it.
"""

import asyncio
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

import orjson

from receiver.journal import JournalError, Store, opened
from receiver.storms import always

LOOK_SECONDS = 0.1
MOST_A_LOOK = 5_000  # rows that are read at once; the next look has the others
MOST_WAITING = 2_000  # rows that wait for one page


class Came(NamedTuple):
    """A row that came: its entry, and the entry's text."""

    entry: dict[str, Any]
    text: bytes


class Watcher:
    """One open page. Once `begun` is over, `take` gives what came since, and how many rows were left out of it."""

    def __init__(self, looks: asyncio.Event) -> None:
        self._looks = looks
        self._rows: deque[Came] = deque()
        self._left_out = 0
        self._came = asyncio.Event()

    async def begun(self) -> None:
        """Once the journal was looked into: what comes from now on is told."""
        await self._looks.wait()

    def put(self, rows: list[Came]) -> None:
        """Hand in rows; never waits."""
        self._rows.extend(rows)
        if (over := len(self._rows) - MOST_WAITING) > 0:
            # What may be somebody's life is not pushed out by what is not.
            kept = [one for one in islice(self._rows, over) if always(one.entry)][-MOST_WAITING:]
            self._left_out += over - len(kept)
            self._rows = deque((*kept, *islice(self._rows, over, None)))
        self._came.set()

    async def take(self, seconds: float) -> tuple[list[Came], int]:
        """What came, once something has, or nothing after so many seconds."""
        with suppress(TimeoutError):
            await asyncio.wait_for(self._came.wait(), seconds)
        self._came.clear()
        rows, left_out = list(self._rows), self._left_out
        self._rows.clear()
        self._left_out = 0
        return rows, left_out


def _file(path: Path) -> tuple[int, int]:
    """What tells one file from another that takes its name."""
    try:
        found = path.stat()
    except OSError:
        return 0, 0
    return found.st_dev, found.st_ino


class Feed:
    """Looks into the journal while somebody watches."""

    def __init__(self, journal: Path) -> None:
        self._journal = journal
        self._watchers: set[Watcher] = set()
        self._task: asyncio.Task[None] | None = None
        self._looks = asyncio.Event()
        self.closing = False
        self.anew = 0  # how often another journal took the place of the one before: its rows count from 1
        self.trouble = ""  # why the journal cannot be read just now

    @contextmanager
    def watcher(self) -> Iterator[Watcher]:
        """A watcher of the rows that come once it has begun.

        Nothing here is awaited: where the loop ends, it closes whoever watches in no order, and a wait would be cut.
        """
        if self._task is None or self._task.done():
            self._looks.clear()
            self._task = asyncio.create_task(self._look())
        watcher = Watcher(self._looks)
        self._watchers.add(watcher)
        try:
            yield watcher
        finally:
            self._watchers.discard(watcher)

    async def _look(self) -> None:
        store: Store | None = None
        last: int | None = None
        file = (0, 0)
        try:
            while self._watchers:
                rows: list[Came] = []
                try:
                    if store is not None and _file(self._journal) != file:
                        store.close()  # another journal stands in its place
                        store, last = None, 0
                        self.anew += 1
                    if store is None:
                        store, file = opened(self._journal, patience=0.2), _file(self._journal)
                    last = store.number if last is None else last
                    for row in islice(store.rows(after=last, events=True), MOST_A_LOOK):
                        last = row.number
                        rows.append(Came(orjson.loads(row.text), row.text))
                    self.trouble = ""
                except JournalError as error:
                    self.trouble = str(error)
                    if store is not None:
                        store.close()
                        store = None
                self._looks.set()
                if rows or self.trouble:
                    for watcher in self._watchers:
                        watcher.put(rows)
                await asyncio.sleep(LOOK_SECONDS if not self.trouble else 1.0)
        finally:
            if store is not None:
                store.close()

    def close(self) -> None:
        """Let every open page go."""
        self.closing = True
        for watcher in self._watchers:
            watcher.put([])
