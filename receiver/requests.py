"""Requests: what an installer asks for, kept until it has become an account of the book. A file each, for people to edit.

    [request]       reference, site, firm, installer, when it was filed, and what more the person knew
    [account]       what will stand in the book, but for its number: name, key, areas, zones, users, paths
    [caller]        which caller without an account tripped the device that the engineer picked
    [assigned]      the number it was given, and in which book

A file is replaced whole or not at all, and is its owner's alone, as are the key files beside it. Only the last two tables
are ever written again; what people changed in the others stays as they wrote it, comments and all.
"""

import fcntl
import os
import re
import tempfile
import tomllib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Annotated, Any, NamedTuple

from pydantic import Field

from protocols.dc09 import ACCOUNT
from receiver.book import Account, BookError, Entry, Number, find_key, key_digits, mistakes_in, read_tables, to_toml

REFERENCE = re.compile(r"R-\d{3,9}")
NO_NUMBER = "000"  # what an account without a number is judged as; it never reaches a book
_ALONE = frozenset(("request", "account", "caller", "assigned"))


class RequestError(ValueError):
    """A request cannot be found or written, and what to do."""


class Head(Entry):
    """Who asks for what. `expects` is the number that the installer was told to program, where that is settled already."""

    reference: str
    firm: str
    installer: str
    filed: str
    by: str | None = None
    address: str | None = None
    contact: str | None = None
    expects: Number | None = None


class Tied(Entry):
    """The caller that tripped the picked device: its number as sent, where it called from, and its row in the journal."""

    number: str
    line: str
    host: str
    device: str
    row: Annotated[int, Field(ge=1)]
    hash: str
    at: str


class Assigned(Entry):
    """The number that the account was given, what narrows its match, and the book."""

    number: Annotated[str, Field(pattern=f"^{ACCOUNT.pattern}$")]
    receiver: Number | None = None
    prefix: Number | None = None
    book: str
    at: str


class _File(Entry):
    request: tuple[Head, ...]
    account: tuple[Account, ...]
    caller: tuple[Tied, ...] = ()
    assigned: tuple[Assigned, ...] = ()


class Request(NamedTuple):
    """One request. `text` is its file's text, `table` its `[account]` as written: with the place of the key, not the key."""

    path: Path
    text: str
    head: Head
    account: Account
    table: dict[str, Any]
    caller: Tied | None
    assigned: Assigned | None

    @property
    def state(self) -> str:
        """`waiting`, `tied` (to a caller) or `assigned` (a number)."""
        return "assigned" if self.assigned else "tied" if self.caller else "waiting"

    def as_json(self) -> dict[str, Any]:
        """All of it but the key."""
        said = self.head.model_dump() | {"site": self.account.name, "state": self.state}
        said |= {"zones": len(self.account.zone), "users": len(self.account.user)}
        said |= {"paths": [path.name for path in self.account.path]}
        said |= {"key": repr(self.account.key) if self.account.key else None}
        said |= {"caller": self.caller and self.caller.model_dump()}
        return said | {"assigned": self.assigned and self.assigned.model_dump()}

    def key_digits(self) -> str | None:
        """The key's hex digits, for reading aloud; None where it sends in clear."""
        return key_digits(self.table["key"], self.path.parent) if "key" in self.table else None


def parse(text: str, path: Path) -> Request:
    """Read a request. BookError names every mistake with its line."""

    def fill(content: dict[str, Any]) -> None:
        account = content.get("account")
        if isinstance(account, dict):
            if "number" in account:
                raise BookError([f"{path}: [account] has a number; `farend book assign` gives it one"])
            account["number"] = NO_NUMBER
        for name in ("request", "account"):
            if name not in content:
                raise BookError([f"{path}: there is no table [{name}]"])

    found = read_tables(_File, text, str(path), path.parent, alone=_ALONE, fill=fill)
    if mistakes := list(mistakes_in(found.account, str(path), text)):
        raise BookError([mistake.replace(f"account {NO_NUMBER}", "the account") for mistake in mistakes])
    for name in _ALONE:
        if len(getattr(found, name)) > 1:
            raise BookError([f"{path}: [[{name}]] stands once, as [{name}]"])
    (head,), (account,) = found.request, found.account
    if head.reference != path.stem:
        raise BookError([f"{path}: it calls itself {head.reference!r}: a request is named as its file is, {path.stem}"])
    caller, assigned = next(iter(found.caller), None), next(iter(found.assigned), None)
    return Request(path, text, head, account, tomllib.loads(text)["account"], caller, assigned)


def load(folder: Path, reference: str) -> Request:
    """The request of that reference, such as R-001. RequestError when there is none; BookError names mistakes in it."""
    if not REFERENCE.fullmatch(reference):
        raise RequestError(f"{reference!r} is no reference of a request, such as R-001")
    path = folder / f"{reference}.toml"
    try:
        return parse(path.read_bytes().decode(), path)
    except FileNotFoundError:
        raise RequestError(f"there is no request {reference} in {folder}; `farend book requests` lists them") from None
    except OSError as error:
        raise RequestError(f"{path} cannot be read: {error.strerror}") from None
    except UnicodeDecodeError as error:
        raise BookError([f"{path}: byte {error.start + 1} is not UTF-8"]) from None


def references(folder: Path) -> list[str]:
    """The references in a folder, in order; none where there is no folder."""
    found = [path.stem for path in folder.glob("R-*.toml") if REFERENCE.fullmatch(path.stem)]
    return sorted(found, key=lambda reference: int(reference[2:]))


def everything(folder: Path) -> tuple[list[Request], list[str]]:
    """Every request of a folder that can be read, and what is wrong with the others, a sentence each."""
    found, broken = [], []
    for reference in references(folder):
        try:
            found.append(load(folder, reference))
        except BookError as error:
            broken += error.mistakes
        except RequestError as error:
            broken.append(str(error))
    return found, broken


def file(folder: Path, head: dict[str, Any], account: dict[str, Any], digits: str | None) -> Request:
    """File a new request, its key beside it. The folder is made if need be. BookError, with nothing filed, where the book
    could not take such an account; OSError where the folder cannot be written.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    with locked(folder):
        # A key without a request is left when a filing was cut short. Its number is not used again: it may be a real key.
        numbers = [int(path.stem[2:]) for path in folder.glob("R-*.*") if REFERENCE.fullmatch(path.stem)]
        reference = f"R-{max(numbers, default=0) + 1:03d}"
        path, key = folder / f"{reference}.toml", folder / f"{reference}.key"
        account = {"name": account["name"], "key": f"file:{key.name}" if digits else None} | account
        text = (
            to_toml("request", {"reference": reference} | head, many=False)
            + "\n"
            + to_toml("account", account, many=False)
        )
        try:
            if digits:
                write_whole(key, digits.encode() + b"\n")
            request = parse(text, path)
        except BookError:
            key.unlink(missing_ok=True)
            raise
        write_whole(path, text.encode())
    return request


def note(request: Request, name: str, table: Entry) -> Request:
    """Write `[caller]` or `[assigned]` into a request's file, in place of what it said before."""
    with locked(request.path.parent):
        lines, kept, inside = request.path.read_bytes().decode().splitlines(keepends=True), "", False
        for line in lines:
            if line.lstrip().startswith("["):
                inside = line.strip().partition("#")[0].strip() == f"[{name}]"
            kept += "" if inside and not line.lstrip().startswith("#") else line
        text = kept.rstrip("\n") + "\n\n" + to_toml(name, table.model_dump(mode="json"), many=False)
        found = parse(text, request.path)
        write_whole(request.path, text.encode(), request.path.stat().st_mode & 0o777)
    return found


def account_text(request: Request, assigned: Assigned, key: str | None) -> str:
    """The account as it will stand in the book; `key` is where the book finds it."""
    narrow = {name: value for name in ("receiver", "prefix") if (value := getattr(assigned, name)) is not None}
    table = {"number": assigned.number, **request.table, **narrow} | ({"key": key} if key else {})
    origin = f"# from request {request.head.reference}: {request.head.firm}, {request.head.installer}"
    return "".join(c if c.isprintable() else "?" for c in origin) + "\n" + to_toml("account", table)


def keep_key(digits: str, path: Path) -> None:
    """Put a key into a file of its owner's alone. RequestError where another key stands there: none is ever overwritten."""
    try:
        if find_key(f"file:{path.name}", path.parent) and "".join(path.read_text().split()).upper() == digits:
            return
    except ValueError:
        if not path.exists():
            path.parent.mkdir(mode=0o700, exist_ok=True)
            write_whole(path, digits.encode() + b"\n")
            return
    raise RequestError(f"{path} holds something else already; move it away first")


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Keep other commands from changing files of this folder meanwhile."""
    handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def write_whole(path: Path, data: bytes | Iterable[bytes], mode: int = 0o600) -> None:
    """Write a file so that whoever looks, even after a crash, finds the old one or the new one whole.

    What comes in parts is written as it comes; where it breaks off, the old one stays. Whoever owns the old one owns the new
    one: PermissionError where that may not be.
    """
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            os.fchmod(stream.fileno(), mode)
            with suppress(FileNotFoundError):
                before = path.stat()
                if (before.st_uid, before.st_gid) != (os.geteuid(), os.getegid()):
                    os.fchown(stream.fileno(), before.st_uid, before.st_gid)
            stream.writelines((data,) if isinstance(data, bytes) else data)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(name, path)  # noqa: PTH105
    except BaseException:
        with suppress(OSError):
            os.unlink(name)  # noqa: PTH108
        raise
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
