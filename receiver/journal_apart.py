"""The journal's writer in a process of its own: its hashes and its engine's work leave the reactor's core alone.

    Apart ── rows of a commit, in one message ──▶ `python -m receiver.journal_apart` ── COMMIT ──▶ disk
          ◀── the rows as they were kept, or why they were not ──

The process ends when the bench does, however that ends: its end of the socket closes. Should the process itself be killed,
`append` starts another and asks it how far the journal goes: a commit is whole or not there, and nobody else writes.
"""

import marshal
import signal
import socket
import subprocess
import sys
from collections.abc import Iterable
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from receiver.journal import JournalError, Row, Seen, opened


class Apart:
    """A writer of the journal at `where`, as `Journal` wants one: `number`, `append`, `reopen`, `close`.

    JournalError where it cannot be had, as from `opened`. It blocks like the store that it stands for, and belongs to one
    thread at a time.
    """

    def __init__(self, where: Path | str, **more: Any) -> None:
        self._where, self._more = str(where), more
        self._start()

    def _start(self) -> None:
        ours, theirs = socket.socketpair()
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "receiver.journal_apart", str(theirs.fileno())],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                pass_fds=[theirs.fileno()],
            )
        self._line = Connection(ours.detach())
        try:
            self._ask(("open", self._where, self._more))
        except (EOFError, OSError):
            self._end()
            raise JournalError(f"the writer of the journal {self._where} did not start") from None
        except JournalError:
            self._end()
            raise

    def _ask(self, what: tuple[Any, ...]) -> Any:
        """Ask the process for something. JournalError says why it could not; EOFError and OSError that it is gone."""
        self._line.send_bytes(marshal.dumps(what))
        failure, found, self.number = marshal.loads(self._line.recv_bytes())
        if failure is not None:
            raise JournalError(failure)
        return found

    def append(self, rows: list[Row], seen: Iterable[Seen] = ()) -> list[Row]:
        """As `Store.append`; JournalError if it cannot."""
        before = self.number
        what = "append", [tuple(row) for row in rows], [tuple(one) for one in seen]
        try:
            changed = self._ask(what)
        except (EOFError, OSError):
            self._end()
            self._start()
            if self.number != before and rows and self.number == rows[-1].number:
                return rows  # it was killed after the commit, and before it could say so
            changed = self._ask(what)
        return rows if changed is None else [Row._make(row) for row in changed]

    def reopen(self) -> None:
        """Open the journal again after it failed."""
        try:
            self._ask(("reopen",))
        except (EOFError, OSError):
            self._end()
            self._start()

    def close(self) -> None:
        """Let the process end, and wait for it."""
        self._end()

    def _end(self) -> None:
        self._line.close()
        self._process.wait()


def serve(line: Connection) -> None:
    """The process's side: do what is asked until nobody asks any more."""
    store = None
    with suppress(EOFError, OSError):
        while True:
            what, *asked = marshal.loads(line.recv_bytes())
            failure = found = None
            try:
                if what == "open":
                    where, more = asked
                    store = opened(where, write=True, **more)
                elif store is None:
                    failure = "no journal is open"
                elif what == "append":
                    rows = [Row._make(row) for row in asked[0]]
                    kept = store.append(rows, [Seen._make(one) for one in asked[1]])
                    found = None if kept is rows else [tuple(row) for row in kept]
                else:
                    store.reopen()
            except Exception as error:  # whatever it is, whoever waits must hear of it
                failure = str(error) or repr(error)
            line.send_bytes(marshal.dumps((failure, found, store.number if store else 0)))
    if store:
        store.close()


if __name__ == "__main__":
    # What ends the bench (Ctrl-C in a terminal, a service manager that signals all of a group) must not end this before it:
    # the bench still has rows to keep.
    for one in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(one, signal.SIG_IGN)
    serve(Connection(int(sys.argv[1])))
