"""The keys of a book sealed, or sealed anew under another master: its text changes in these values alone."""

import os
import re
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from receiver.book import SECRETS, Book, BookError, key_digits, line_of, parse
from receiver.keys_at_rest import VARIABLE, Master
from receiver.requests import locked, write_whole

_VALUE = re.compile(r"""(\s*["']?(?:old_)?key["']?\s*=\s*)(["'])([^"'\\]*)\2""")


class Sealed(NamedTuple):
    """How many keys were sealed in a book, and how many stay where they are (`env:`, `file:`)."""

    changed: int
    left: int


def seal(path: Path, master: Master) -> Sealed:
    """Seal every key that stands in the book in clear. The master must be the one that the environment names.

    BookError, ValueError or OSError where it cannot be; then the book is as it was.
    """
    return _rewrite(path, "hex", lambda where, whose: master.seal(key_digits(where), whose), None)


def reseal(path: Path, old: Master, new: Master, where: str) -> Sealed:
    """Seal every sealed key anew under another master, which lies at `where`; the environment names the old one."""
    return _rewrite(path, "sealed", lambda text, whose: new.seal(old.open(text, whose), whose), where)


def _rewrite(path: Path, kind: str, turn: Callable[[str, str], str], where: str | None) -> Sealed:
    path = path.resolve()  # a link stays one
    with locked(path.parent):
        return _rewritten(path, kind, turn, where)


def _rewritten(path: Path, kind: str, turn: Callable[[str, str], str], where: str | None) -> Sealed:
    text = path.read_bytes().decode("utf-8")
    book = parse(text, str(path), path.parent)
    lines = text.splitlines(keepends=True)
    changed = left = 0
    for index, (table, account) in enumerate(zip(tomllib.loads(text).get("account", ()), book.accounts, strict=True)):
        for slot in SECRETS:
            written = table.get(slot, "")
            if not written.startswith(f"{kind}:"):
                left += written.startswith(("env:", "file:"))
                continue
            place = line_of(text, ("account", index, slot)) - 1
            match = _VALUE.match(lines[place])
            if not match or match[3] != written:
                what = f"the {slot} of account {account.mark} does not stand on a line of its own: write it so first"
                raise BookError([f"{path}:{place + 1}: {what}"])
            lines[place] = match[1] + f'"{turn(written, account.mark)}"' + lines[place][match.end() :]
            changed += 1
    new = "".join(lines)
    with _found(where):
        if _marks(parse(new, str(path), path.parent)) != _marks(book):
            raise BookError([f"{path}: the keys would not be the same afterwards"])
    write_whole(path, new.encode(), path.stat().st_mode & 0o777)
    return Sealed(changed, left)


@contextmanager
def _found(where: str | None) -> Iterator[None]:
    """For a while, the master key lies elsewhere."""
    before = os.environ.get(VARIABLE)
    if where is not None:
        os.environ[VARIABLE] = where
    try:
        yield
    finally:
        if before is None:
            os.environ.pop(VARIABLE, None)
        else:
            os.environ[VARIABLE] = before


def _marks(book: Book) -> list[tuple[str, list[bytes]]]:
    """What tells keys apart without showing them: what each makes of one block."""
    block = bytes(range(16))
    return [(account.mark, [key.encrypt(block) for key in account.keys]) for account in book.accounts]
