"""Copies of a journal's file: made beside a running bench, checked, and brought back. A server's journal has its own tools.

A copy is of one moment (SQLite's backup interface under one read of the source: in WAL mode no writer waits for it). It is
made beside its place under another name, checked whole, flushed, and only then takes its name, so there is never half a
copy, and never one in the place of something else.
"""

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from receiver import wishes
from receiver.journal import JournalError, Store, begins, public, server_of

ON_A_SERVER = (
    "is on a server: its own tools copy it online, `pg_dump --format=custom` for a database or `pg_basebackup` for "
    "the server, and `pg_restore` brings it back; then `farend journal verify` with the copy's URL checks its chains"
)
MOST_MISTAKES = 20  # that are told


class Copied(NamedTuple):
    """What a copy holds: how many rows, how many before them were retired, the number and hash of the last."""

    rows: int
    retired: int
    last: int
    last_hash: str


def mistakes(store: Store, each: Callable[[int], object] = lambda _: None) -> Iterator[str]:
    """What is wrong with a journal: pages and indexes that do not fit, breaks of its chain. `each` hears of every row."""
    yield from store.unsound()
    for number, wrong in store.verify():
        each(number)
        if wrong:
            yield wrong


def backup(journal: Path | str, copy: Path, each: Callable[[int], object] = lambda _: None) -> Copied:
    """Copy a journal, beside a bench that writes it or not. JournalError where that cannot be, or the copy is not whole."""
    if server_of(journal):
        raise JournalError(f"the journal {public(journal)} {ON_A_SERVER}")
    return _copied(Path(journal), copy, each)


def restore(copy: Path, journal: Path | str, by: str, each: Callable[[int], object] = lambda _: None) -> Copied:
    """Make a journal from a copy, with a row that says so: what comes after it is not what came after the copy was made.

    JournalError where there is a journal already, or the copy is not whole.
    """
    if server_of(journal):
        raise JournalError(f"the journal {public(journal)} {ON_A_SERVER}")
    found = _copied(copy, Path(journal), each)
    detail = f"restored from {copy.name}, whose last row is {found.last}; what came after that is not here"
    wishes.note(Path(journal), "restored", detail, by=by, upto=found.last, last_hash=found.last_hash)
    return found


def _copied(source: Path, target: Path, each: Callable[[int], object]) -> Copied:
    for taken in (target, *(Path(f"{target}{more}") for more in ("-wal", "-shm", "-journal"))):
        if taken.exists():
            raise JournalError(f"{taken} is there already; nothing is overwritten: give another name, or move it away")
    with closing(Store(source)), _beside(target) as made:  # what is no journal is told as such
        try:
            with closing(sqlite3.connect(source)) as old, closing(sqlite3.connect(made)) as new:
                old.backup(new)
                new.execute("PRAGMA journal_mode = DELETE")  # one file, with nothing beside it
        except sqlite3.Error as error:
            raise JournalError(f"{source} cannot be copied to {target}: {error}") from None
        with closing(Store(made)) as store:
            wrong = [found for found, _ in zip(mistakes(store, each), range(MOST_MISTAKES), strict=False)]
            if wrong:
                raise JournalError(f"{source} is not whole, and {target} was not made: " + "; ".join(wrong))
            retired = begins(store.retired()) - 1
            found = Copied(store.number - retired, retired, store.number, store.hash.hex())
        _flush(made)
        try:
            os.link(made, target)  # unlike a rename it never takes the place of another
        except OSError as error:
            raise JournalError(f"{target} cannot be written: {error.strerror}") from None
        _flush(target.parent)
    return found


@contextmanager
def _beside(target: Path) -> Iterator[Path]:
    """A new file beside the target, for its owner alone, that is gone in the end."""
    made = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        os.close(os.open(made, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    except OSError as error:
        raise JournalError(f"{target} cannot be written: {error.strerror}") from None
    try:
        yield made
    finally:
        for more in ("", "-journal", "-wal", "-shm"):
            with suppress(OSError):
                Path(f"{made}{more}").unlink()


def _flush(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    except OSError as error:
        raise JournalError(f"{path} cannot be flushed to disk: {error.strerror}") from None
    finally:
        os.close(handle)
