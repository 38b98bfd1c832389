"""The journal's writer in a process of its own: its hashes and its engine's work leave the reactor's core alone.

    Apart ── rows of a commit, in one message ──▶ `python -m receiver.journal_apart` ── COMMIT ──▶ disk
          ◀── the rows as they were kept, or why they were not ──

The event loop itself writes and reads the socket between them: a thread that did it would have to be woken, and would have
to wake the loop, and every wake-up is a good part of a flush.

The process ends when the bench does, however that ends: its end of the socket closes. Should the process itself be killed,
another is started and asked how far the journal goes: a commit is whole or not there, and nobody else writes.
"""

import asyncio
import marshal
import signal
import socket
import subprocess
import sys
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

from receiver.journal import JournalError, Row, Seen, Store
from receiver.writing import Commit, Done, Group

_HEAD = 4  # bytes before each message that say how many follow
_READ = 1 << 18  # bytes at a time


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
        self._path = str(path)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._asked: deque[_Asked] = deque()
        self._deaths = 0  # over what is under way
        self._start()

    def begin(self, commit: Commit, done: Callable[[Done], None]) -> None:
        """As `Writing.begin`."""
        if self._loop is None:
            self._loop = asyncio.get_event_loop()
            self._loop.add_reader(self._socket, self._readable)
        if self._socket.fileno() < 0:
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
            self._socket.setblocking(True)
            with suppress(OSError):
                self._socket.sendall(self._unsent)
        self._end()

    def _start(self) -> None:
        self._socket, theirs = socket.socketpair()
        self._unsent, self._came = bytearray(), _Messages()
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "receiver.journal_apart", str(theirs.fileno()), self._path],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                pass_fds=[theirs.fileno()],
            )
        failure = f"the writer of the journal {self._path} did not start"
        with suppress(OSError):
            for started in self._came.read(self._socket.recv(_READ)):
                failure, self.number = started
        if failure:
            self._end()
            raise JournalError(failure)
        self._socket.setblocking(False)
        if self._loop:
            self._loop.add_reader(self._socket, self._readable)

    def _start_again(self, done: Callable[[Done], None]) -> None:
        """Nobody knows how far the one before came: rows that were numbered without it are not for its successor."""
        failure = "its writer has only just been started again"
        try:
            self._start()
        except JournalError as error:
            failure = str(error)
        done(Done([], failure))

    def _end(self) -> None:
        if self._loop and self._socket.fileno() >= 0:
            self._loop.remove_reader(self._socket)
            self._loop.remove_writer(self._socket)
        self._socket.close()
        self._process.wait()

    def _say(self, message: bytes) -> None:
        if self._unsent:
            self._unsent += message
            return
        self._unsent += message
        self._send()
        if self._unsent:
            asyncio.get_event_loop().add_writer(self._socket, self._writable)

    def _writable(self) -> None:
        self._send()
        if not self._unsent:
            asyncio.get_event_loop().remove_writer(self._socket)

    def _send(self) -> None:
        try:
            del self._unsent[: self._socket.send(self._unsent)]
        except BlockingIOError:
            pass
        except OSError:
            self._unsent.clear()
            asyncio.get_event_loop().call_soon(self._gone, self._socket)

    def _readable(self) -> None:
        try:
            data = self._socket.recv(_READ)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._gone(self._socket)
            return
        self._deaths = 0
        for number, done in self._came.read(data):
            self.number = number
            for failure, seconds in done:
                asked = self._asked.popleft()
                asked.done(Done([] if failure else asked.rows, failure, seconds))

    def _gone(self, which: socket.socket) -> None:
        """Start another process for the one at the end of this socket, and see how far that came."""
        if which is not self._socket:
            return  # both who wrote and who read have found it gone
        self._deaths += 1
        self._end()
        failure = "the process that writes it was killed twice over one commit" if self._deaths > 2 else None
        try:
            self._start()
        except JournalError as error:
            failure = str(error)
        settled = []
        while self._asked and (failure or (self._asked[0].rows and self._asked[0].rows[-1].number <= self.number)):
            settled.append(self._asked.popleft())
        self._say(b"".join(asked.message for asked in self._asked))
        for asked in settled:  # only now, as whoever hears of it may begin another
            asked.done(Done([], failure) if failure else Done(asked.rows))  # written, and killed before it could say so


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


def serve(line: socket.socket, path: Path) -> None:
    """The process's side: write what comes until nothing comes any more."""
    try:
        store = Store(path, write=True)
    except JournalError as error:
        line.sendall(_packed((str(error), 0)))
        return
    with suppress(OSError):
        line.sendall(_packed((None, store.number)))
        group, messages, gathered = Group(store), _Messages(), deque[Commit]()
        while data := line.recv(_READ):
            for rows, seen, reopen in messages.read(data):
                gathered.append(Commit(list(map(Row._make, rows)), list(map(Seen._make, seen)), reopen))
            while gathered:
                done = group.write(gathered)
                line.sendall(_packed((store.number, [(one.failure, one.seconds) for one in done])))
    store.close()


if __name__ == "__main__":
    # What ends the bench (Ctrl-C in a terminal, a service manager that signals all of a group) must not end this before it:
    # the bench still has rows to keep.
    for one in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(one, signal.SIG_IGN)
    with socket.socket(fileno=int(sys.argv[1])) as line:
        serve(line, Path(sys.argv[2]))
