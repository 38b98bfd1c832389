"""The journal's one writer: it gathers rows into commits, while the thread that hands them in goes on.

    Journal ── Commit ──▶ Writing (a thread, or `journal_apart`) ── Group ──▶ Store.append
            ◀── Done ──

What comes while the disk is waited for goes together into the next commit, so that a slow disk costs waiting, and not rate.
"""

import queue
import threading
import time
from collections import deque
from collections.abc import Callable
from functools import partial
from itertools import islice
from typing import Any, NamedTuple, Protocol

from receiver.journal import Row, Seen, Store

MOST_A_COMMIT = 1000
GATHERED = 16  # rows that go to the writer behind what it is writing; fewer wait until it has written
MOST_HELD = 10_000  # rows that wait, while the disk refuses, to be written as not kept

Kept = Callable[[Row | None], None]  # told the row when it is on disk, None when it could not be kept


def _unheard(_: Row | None) -> None:
    """Nobody waits for this row."""


def _nothing() -> None:
    """Nothing is to be undone for this row."""


class Draft(Protocol):
    """What is to be a row: the columns of it, and its JSON once it has a number."""

    @property
    def at(self) -> str: ...
    @property
    def account(self) -> str | None: ...
    @property
    def verdict(self) -> str | None: ...
    def numbered(self, row: int | None) -> bytes: ...
    def kept_as(self, text: bytes) -> None: ...


class Commit(NamedTuple):
    """What is to be written, with the store opened again before it where that failed."""

    rows: list[Row]
    seen: list[Seen]
    reopen: bool = False


class Done(NamedTuple):
    """What became of one: its rows as they were kept, or why they were not."""

    kept: list[Row]
    failure: str | None = None
    seconds: float | None = None  # that writing took; of several that were written together the first has it


class Writing(Protocol):
    """What writes for a journal while its thread goes on."""

    @property
    def number(self) -> int: ...  # of the last row

    def begin(self, commit: Commit, done: Callable[[Done], None]) -> None:
        """Write it behind those that are under way. `done` is told later, in their order and in the journal's thread.

        Once one has failed all are refused, up to the next that opens the store again: nothing may be kept that came after
        what was lost.
        """

    def close(self) -> None:
        """Finish what was begun, and end."""


class Group:
    """Writes what has gathered in one commit of a store."""

    def __init__(self, store: Store) -> None:
        self._store, self._failed = store, False

    def write(self, gathered: deque[Commit]) -> list[Done]:
        """Take from the left as many as go together, one at least; what became of each."""
        together = [gathered.popleft()]
        count = len(together[0].rows)
        while gathered and not gathered[0].reopen and count < MOST_A_COMMIT:
            together.append(gathered.popleft())
            count += len(together[-1].rows)
        if self._failed and not together[0].reopen:
            return [Done([], "what came before could not be written")] * len(together)
        try:
            if together[0].reopen:
                self._store.reopen()
            began = time.monotonic()
            rows = [row for one in together for row in one.rows]
            kept = iter(self._store.append(rows, [seen for one in together for seen in one.seen]))
            took = time.monotonic() - began
        except Exception as error:  # whatever it is, whoever waits must hear of it
            self._failed = True
            return [Done([], " ".join(str(error).split()) or repr(error))] * len(together)
        self._failed = False
        done = [Done(list(islice(kept, len(one.rows)))) for one in together]
        done[0] = done[0]._replace(seconds=took)
        return done


class InThread:
    """Writes in a thread of its own, which `call_soon` leads back from."""

    def __init__(self, store: Store, call_soon: Callable[..., Any]) -> None:
        self._store, self._call_soon = store, call_soon
        self._work: queue.SimpleQueue[tuple[Commit, Callable[[Done], None]] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._write, name="journal", daemon=True)
        self._thread.start()

    @property
    def number(self) -> int:
        return int(self._store.number)

    def begin(self, commit: Commit, done: Callable[[Done], None]) -> None:
        """As `Writing.begin`."""
        self._work.put((commit, done))

    def close(self) -> None:
        """Finish what was begun, and end the thread; the store stays open."""
        self._work.put(None)
        self._thread.join()

    def _write(self) -> None:
        group = Group(self._store)
        commits: deque[Commit] = deque()
        waiting: deque[Callable[[Done], None]] = deque()
        while True:
            while not commits or not self._work.empty():
                work = self._work.get()
                if work is None:
                    if commits:
                        self._work.put(None)
                        break
                    return
                commits.append(work[0])
                waiting.append(work[1])
            for done in group.write(commits):
                self._call_soon(waiting.popleft(), done)


class _Waiting(NamedTuple):
    row: Row
    entry: Draft
    kept: Kept
    undo: Callable[[], None]


class Journal:
    """Rows on their way to disk, in the order in which they were handed in.

    All methods belong to one thread, and that is where the `writer` tells of its commits. While the store refuses, `failing`
    is true, every row handed in is told at once that it was not kept, and `retry` tries again. An entry is held as it
    stands once it is undone (its verdict is another then), and written when the disk takes rows again.
    """

    def __init__(self, writer: Writing, told: Callable[[str], None] = lambda _: None) -> None:
        self._writer, self._told = writer, told
        self.failing = False
        self.next = writer.number + 1
        self.depth = 0  # rows that are not on disk yet
        self.commits = 0  # that came back, with or without their rows
        self._waiting: list[_Waiting] = []
        self._under_way: deque[list[_Waiting]] = deque()
        self._seen: dict[tuple[str, str, str], Seen] = {}
        self._held: deque[Draft] = deque()
        self._recovered = 0  # rows of these that are on disk already
        self._beyond = 0  # rows that could not even be held
        self.took: Callable[[float], None] = lambda _: None  # told of each commit how many seconds it took

    @property
    def busy(self) -> bool:
        """Whether a commit is under way or rows wait for one."""
        return bool(self._under_way or self._waiting)

    def add(
        self, entry: Draft, kept: Kept = _unheard, undo: Callable[[], None] = _nothing, key: bytes | None = None
    ) -> None:
        """Hand in a row. `kept` hears of it once it is on disk.

        If a commit fails, `undo` is called for all that waited, the newest first, so that what each takes back is what the
        one before it left; then each `kept` hears None, in order.
        """
        if self.failing:
            undo()
            self._hold(entry)
            self._tell(kept, None)
            return
        self._waiting.append(self._numbered(entry, kept, undo, key))
        self.depth += 1
        if not self._under_way or len(self._waiting) >= GATHERED:
            self._begin()

    def _numbered(
        self, entry: Draft, kept: Kept, undo: Callable[[], None] = _nothing, key: bytes | None = None
    ) -> _Waiting:
        row = Row(self.next, entry.at, entry.account, entry.verdict, entry.numbered(self.next), key)
        self.next += 1
        return _Waiting(row, entry, kept, undo)

    def saw(self, seen: Seen) -> None:
        """Note a path's last time and count; they go to disk with the next rows, or with `flush`."""
        self._seen[seen[:3]] = seen

    def flush(self) -> None:
        """Write what was seen although no row asks for a commit."""
        if self._seen and not self.busy and not self.failing:
            self._begin()

    def retry(self) -> None:
        """Try the disk again after a failure, with rows that were held: that they fit is the proof that there is room."""
        if self.failing and not self._under_way:
            self.next = self._writer.number + 1
            held = [self._numbered(entry, _unheard) for entry in islice(self._held, MOST_A_COMMIT)]
            self._under_way.append(held)
            self._writer.begin(Commit([one.row for one in held], [], True), partial(self._retried, held))

    def close(self) -> None:
        """Let the writer finish what it has, and end it."""
        self._writer.close()

    def _begin(self) -> None:
        rows, self._waiting = self._waiting, []
        seen, self._seen = list(self._seen.values()), {}
        self._under_way.append(rows)
        self._writer.begin(Commit([one.row for one in rows], seen), partial(self._written, rows))

    def _written(self, rows: list[_Waiting], done: Done) -> None:
        if not self._under_way or self._under_way[0] is not rows:
            return  # it was given up when one before it failed
        self.commits += 1
        if done.failure is not None:
            self._fail(done.failure)
            return
        self._under_way.popleft()
        self._keep(rows, done)
        if self._waiting and (not self._under_way or len(self._waiting) >= GATHERED):
            self._begin()

    def _keep(self, rows: list[_Waiting], done: Done) -> None:
        if done.seconds is not None:
            self.took(done.seconds)
        self.depth -= len(rows)
        if done.kept:
            self.next = max(self.next, done.kept[-1].number + 1 + self.depth)
        for waiting, row in zip(rows, done.kept, strict=True):
            if row is not waiting.row:  # another bench took its number, or had kept its message before
                waiting.entry.kept_as(row.text)
            self._tell(waiting.kept, row)

    def _fail(self, failure: str) -> None:
        lost = [one for rows in self._under_way for one in rows] + self._waiting
        self._under_way.clear()
        self._waiting, self.depth = [], 0
        self.failing = True
        self._told(f"THE JOURNAL CANNOT WRITE ({failure}): nothing is answered until it can")
        for waiting in reversed(lost):
            waiting.undo()
        for waiting in lost:
            self._hold(waiting.entry)
        for waiting in lost:  # held first: what comes in while these hear of it is newer
            self._tell(waiting.kept, None)

    def _retried(self, held: list[_Waiting], done: Done) -> None:
        self._under_way.popleft()
        self.commits += 1
        if done.failure is not None:
            return
        self.depth += len(held)
        self._keep(held, done)
        for _ in held:
            self._held.popleft()
        self._recovered += len(held)
        if len(self._held) >= MOST_A_COMMIT:
            self.retry()
            return
        self.failing = False
        rest, self._held = self._held, deque()
        count, self._recovered = self._recovered + len(rest), 0
        beyond, self._beyond = self._beyond, 0
        for entry in rest:
            self.add(entry, _unheard)
        lost = f"; {beyond} more could not be held" if beyond else ""
        came = (
            f"{count} rows came meanwhile, and no frame among them was answered" if count else "nothing came meanwhile"
        )
        self._told(f"the journal writes again; {came}{lost}")

    def _tell(self, kept: Kept, row: Row | None) -> None:
        # One that fails must not keep the others of its commit from their answers.
        try:
            kept(row)
        except Exception as error:
            self._told(f"internal error: {error!r}")

    @property
    def unkept(self) -> int:
        """How many rows wait for a disk that refuses."""
        return len(self._held) + self._beyond

    def _hold(self, entry: Draft) -> None:
        entry.numbered(None)  # the one that it had will be another row's
        if len(self._held) >= MOST_HELD:
            self._beyond += 1
        else:
            self._held.append(entry)
