"""The journal's writer in a process of its own: its hashes and its engine's work leave the reactor's core alone.

    Apart ── rows of a commit, in one message ──▶ `python -m receiver.journal_apart` ── COMMIT ──▶ disk
          ◀── the rows as they were kept, or why they were not ──

The event loop itself writes and reads the pipes between them: a thread that did it would have to be woken, and would have
to wake the loop, and every wake-up is a good part of a flush.

The process ends when the bench does, however that ends: its end of the pipe closes. Should the process itself be killed,
another is started and asked how far the journal goes: a commit is whole or not there, and nobody else writes, as the lock
is the bench's and the process has a copy of it.
"""

import asyncio
import fcntl
import marshal
import os
import signal
import subprocess
import sys
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

from receiver.journal import JournalError, Row, Seen, Store, take_lock
from receiver.writing import Commit, Done, Group

_HEAD = 4  # bytes before each message that say how many follow
_READ = 1 << 18  # bytes at a time
_PIPE = 1 << 20  # bytes that the process may be behind
_AGAIN_SECONDS = 0.002  # until more is written into a full pipe


class _Asked(NamedTuple):
    """A commit that is under way."""

    rows: list[Row]
    message: bytes
    done: Callable[[Done], None]


class Apart:
    """A writer of the journal in that file, as `Journal` wants one; it belongs to the event loop that first begins a commit.

    It blocks while it is made and closed, and where a process that was killed is started again. JournalError where it
    cannot be had, as from `Store`.
    """

    def __init__(self, path: Path | str) -> None:
        self._path = Path(path)
        self._lock = take_lock(self._path)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._asked: deque[_Asked] = deque()
        self._deaths = 0  # over what is under way
        try:
            self._start()
        except JournalError:
            os.close(self._lock)
            raise

    def begin(self, commit: Commit, done: Callable[[Done], None]) -> None:
        """As `Writing.begin`."""
        if self._loop is None:
            self._loop = asyncio.get_event_loop()
            self._loop.add_reader(self._from, self._readable)
        if self._from.closed:
            self._loop.call_soon(self._start_again, done)
            return
        rows, seen, reopen = commit
        message = _packed((list(map(tuple, rows)), list(map(tuple, seen)), reopen))
        if not self._asked:
            self._deaths = 0
        self._asked.append(_Asked(rows, message, done))
        self._say(message)

    def close(self) -> None:
        """Let the process do what it was asked, and wait for its end."""
        if self._unsent:
            os.set_blocking(self._to.fileno(), True)
            with suppress(OSError):
                while self._unsent:
                    del self._unsent[: os.write(self._to.fileno(), self._unsent)]
        self._end()
        os.close(self._lock)

    def _start(self) -> None:
        self._unsent, self._came = bytearray(), _Messages()
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "receiver.journal_apart", str(self._lock), str(self._path)],
                bufsize=0,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                pass_fds=[self._lock],
            )
        except OSError as error:
            raise JournalError(f"the writer of the journal {self._path} cannot be started: {error.strerror}") from None
        assert self._process.stdin
        assert self._process.stdout
        self._to, self._from = self._process.stdin, self._process.stdout
        failure = f"the writer of the journal {self._path} did not start"
        for started in self._came.read(os.read(self._from.fileno(), _READ)):
            failure, self.number = started
        if failure:
            self._end()
            raise JournalError(failure)
        for pipe in (self._to, self._from):
            os.set_blocking(pipe.fileno(), False)
        with suppress(OSError):  # the kernel allows a user only so much
            fcntl.fcntl(self._to, fcntl.F_SETPIPE_SZ, _PIPE)
        if self._loop:
            self._loop.add_reader(self._from, self._readable)

    def _start_again(self, done: Callable[[Done], None]) -> None:
        """Nobody knows how far the one before came: rows that were numbered without it are not for its successor."""
        failure = "its writer has only just been started again"
        try:
            self._start()
        except JournalError as error:
            failure = str(error)
        done(Done([], failure))

    def _end(self) -> None:
        if self._loop and not self._from.closed:
            self._loop.remove_reader(self._from)
        self._to.close()
        self._from.close()
        self._process.wait()

    def _say(self, message: bytes) -> None:
        waits = bool(self._unsent)
        self._unsent += message
        if not waits:
            self._send()

    def _send(self) -> None:
        try:
            if self._unsent:
                del self._unsent[: os.write(self._to.fileno(), self._unsent)]
        except BlockingIOError:
            pass
        except BrokenPipeError:  # it has gone: the other pipe says so, once it has said the rest
            self._unsent.clear()
        if self._unsent:
            asyncio.get_event_loop().call_later(_AGAIN_SECONDS, self._send_rest, self._to)

    def _send_rest(self, to: Any) -> None:
        # By the clock: a loop that waits for room in a pipe takes its reader's death for a fault of its own (libuv).
        if to is self._to and not to.closed:
            self._send()

    def _readable(self) -> None:
        try:
            data = os.read(self._from.fileno(), _READ)
        except BlockingIOError:
            return
        if not data:
            self._gone()
            return
        self._deaths = 0
        for number, done in self._came.read(data):
            self.number = number
            for failure, seconds in done:
                asked = self._asked.popleft()
                asked.done(Done([] if failure else asked.rows, failure, seconds))

    def _gone(self) -> None:
        """Start another process, and see how far the one before came."""
        self._deaths += 1
        self._end()
        failure = "the process that writes it was killed twice over one commit" if self._deaths > 2 else None
        try:
            self._start()
        except JournalError as error:
            failure = str(error)
        written = []
        while self._asked and self._asked[0].rows and self._asked[0].rows[-1].number <= self.number:
            written.append(self._asked.popleft())
        refused = list(self._asked) if failure else []
        if failure:
            self._asked.clear()
        elif self._asked:
            self._say(b"".join(asked.message for asked in self._asked))
        for asked in written:  # only now, as whoever hears of it may begin another
            asked.done(Done(asked.rows))  # it was killed before it could say so
        for asked in refused:
            asked.done(Done([], failure))


class _Messages:
    """Takes a stream apart into what was packed."""

    def __init__(self) -> None:
        self._held = bytearray()

    def read(self, data: bytes) -> Iterator[Any]:
        """The messages that are complete with these bytes."""
        self._held += data
        while len(self._held) >= _HEAD and len(self._held) - _HEAD >= (size := int.from_bytes(self._held[:_HEAD])):
            message = bytes(self._held[_HEAD : _HEAD + size])
            del self._held[: _HEAD + size]
            yield marshal.loads(message)


def _packed(what: Any) -> bytes:
    data = marshal.dumps(what)
    return len(data).to_bytes(_HEAD) + data


def serve(asked: int, told: int, lock: int, path: Path) -> None:
    """The process's side: write what comes until nothing comes any more."""
    try:
        store = Store(path, write=True, lock=lock)
    except JournalError as error:
        _write(told, (str(error), 0))
        return
    with suppress(OSError):
        _write(told, (None, store.number))
        group, messages, gathered = Group(store), _Messages(), deque[Commit]()
        while data := os.read(asked, _READ):
            for rows, seen, reopen in messages.read(data):
                gathered.append(Commit(list(map(Row._make, rows)), list(map(Seen._make, seen)), reopen))
            while gathered:
                done = group.write(gathered)
                _write(told, (store.number, [(one.failure, one.seconds) for one in done]))
    store.close()


def _write(told: int, what: Any) -> None:
    data = memoryview(_packed(what))
    while data:
        data = data[os.write(told, data) :]


if __name__ == "__main__":
    # What ends the bench (Ctrl-C in a terminal, a service manager that signals all of a group) must not end this before it:
    # the bench still has rows to keep.
    for one in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(one, signal.SIG_IGN)
    told = os.dup(sys.stdout.fileno())
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # nothing that somebody prints is taken for an answer
    serve(sys.stdin.fileno(), told, int(sys.argv[1]), Path(sys.argv[2]))
