"""What the commands share: where output goes, keys and targets from the command line, and how to stop with a reason."""

import ipaddress
import os
import re
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any, NoReturn

import orjson
import typer
from rich.console import Console

from protocols.seal import Key
from receiver import book, conduct, wishes
from receiver.book import Book, BookError
from receiver.journal import JournalError
from receiver.record import CAUTION as CAUTION
from receiver.wishes import WAIT_SECONDS as WAIT_SECONDS

OUT = Console(highlight=False)
TALK = Console(stderr=True, highlight=False)
JOURNAL = Path(os.environ.get("FAREND_JOURNAL", "farend.journal"))


def stop(reason: str, code: int = 2) -> NoReturn:
    """End with a reason on stderr."""
    TALK.print(f"farend: {reason}", markup=False, soft_wrap=True)
    raise typer.Exit(code)


def print_json(value: Any) -> None:
    """One JSON object, one line, on stdout."""
    sys.stdout.buffer.write((value if isinstance(value, bytes) else orjson.dumps(value)) + b"\n")
    sys.stdout.buffer.flush()


def key_place(text: str) -> str:
    """`HEX`, `@FILE` or `env:NAME` as an account book writes it."""
    return f"file:{text[1:]}" if text.startswith("@") else text if text.startswith("env:") else f"hex:{text}"


def key_from(text: str | None) -> Key | None:
    """A key from `HEX`, `@FILE` or `env:NAME`."""
    if text is None:
        return None
    try:
        return book.find_key(key_place(text))
    except ValueError as error:
        stop(f"--key: {error}")


def book_from(path: Path | None) -> Book:
    """The account book, or an empty one."""
    if path is None:
        return Book()
    try:
        return book.load(path)
    except BookError as error:
        stop("the account book cannot be used:\n" + "\n".join(error.mistakes))
    except OSError as error:
        stop(f"the account book {path} cannot be read: {error.strerror}")


def host_and_port(text: str, option: str) -> tuple[str, int]:
    """`HOST:PORT`, or `[v6]:PORT`."""
    match = re.fullmatch(r"(?:\[([^\]]+)\]|([^:\[\]]*)):(\d{1,5})", text)
    if not match or int(match[3]) > 65535:
        stop(f"{option}: {text!r} is not HOST:PORT (IPv6 as [::1]:PORT; a port is 0 to 65535)")
    return match[1] or match[2] or "127.0.0.1", int(match[3])


def target(text: str, mine: str | None) -> tuple[str, int]:
    """Where to send, as address and port. Loopback freely; elsewhere only once the person has typed the host again.

    What is sent are alarms: at a live receiver they would send people out.
    """
    host, port = host_and_port(text, "target")
    if port == 0:
        stop(f"target: {text!r} has port 0; nothing listens there")
    try:
        addresses = {str(found[4][0]) for found in socket.getaddrinfo(host, port)}
    except (OSError, UnicodeError) as error:
        stop(f"target: {host} is not known here: {error}")
    if all(ipaddress.ip_address(address.partition("%")[0]).is_loopback for address in addresses):
        return host, port
    if mine is None:
        TALK.print(f"{host} is not this machine. farend sends alarms: is it your own, and is its account on test?")
        TALK.print(f"Type the address {host} to go on: ", end="")
        sys.stderr.flush()
        mine = sys.stdin.readline().strip() if sys.stdin else ""
    if mine != host:
        stop(f"{mine!r} is not {host!r}: nothing was sent")
    return host, port


def length_of(text: str, option: str) -> timedelta:
    """A length of time such as `45m`, `2h` or `1h30m`, of seven days at most."""
    match = re.fullmatch(r"(?:(\d{1,3})h)?(?:(\d{1,4})m)?", text)
    length = timedelta(hours=int(match[1] or 0), minutes=int(match[2] or 0)) if match else timedelta(0)
    if not timedelta(0) < length <= timedelta(days=7):
        stop(f"{option} {text!r} is no length such as 45m, 2h or 1h30m (7 days at most)")
    return length


@contextmanager
def conducted() -> Iterator[None]:
    """What is not done, or cannot be kept, ends with its reason: 2 where something was left empty or the journal fails."""
    try:
        yield
    except conduct.EmptyError as error:
        stop(f"--{error}")
    except (conduct.ConductError, wishes.NotTakenError) as error:
        stop(str(error), 1)
    except JournalError as error:
        stop(str(error))


def leave(journal: Path, wish: dict[str, Any]) -> None:
    """Leave a wish in the journal, and wait until the bench that writes it has taken it."""
    with conducted():
        say_untaken(journal, wishes.leave(journal, wish))


def say_untaken(journal: Path, taken: bool) -> None:
    """Say so where no bench runs that could take what was asked for."""
    if not taken:
        TALK.print(f"no bench writes {journal} now; the next one that does will know", style="dim", markup=False)


def note(journal: Path, event: str, detail: str, **more: Any) -> None:
    """Put a row of a person's own into the journal: through the bench that writes it, or straight where none does."""
    with conducted():
        wishes.note(journal, event, detail, **more)


def say_on_test(journal: Path, account: str, test: conduct.OnTest, reference: str) -> None:
    """Say until when an account is on test."""
    say_untaken(journal, test.taken)
    OUT.print(
        f"account {account} is on test until {test.until:%H:%M:%S} UTC, {test.until:%d %B}; reference {reference}",
        markup=False,
    )
