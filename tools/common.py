"""What the commands share: where output goes, keys and targets from the command line, and how to stop with a reason."""

import ipaddress
import os
import re
import socket
import ssl
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal, NoReturn

import orjson
import typer
from rich.console import Console
from rich.progress import Progress

from protocols.seal import Key
from receiver import book, conduct, keys_at_rest, shapes, wishes
from receiver.book import Book, BookError
from receiver.capture import CaptureError, Happening, Opened
from receiver.desk import Policy
from receiver.journal import JournalError, public
from receiver.record import CAUTION as CAUTION
from receiver.rehearing import Judging
from receiver.requests import write_whole
from receiver.shapes import How
from receiver.wire import Kind, tls_context
from receiver.wishes import WAIT_SECONDS as WAIT_SECONDS

OUT = Console(highlight=False)
TALK = Console(stderr=True, highlight=False)
LONG = 5_000_000  # bytes of a recording beyond which reading it has a bar
JOURNAL = Path(os.environ.get("FAREND_JOURNAL", "farend.journal"))


def stop(reason: str, code: int = 2) -> NoReturn:
    """End with a reason on stderr."""
    TALK.print(f"farend: {reason}", markup=False, soft_wrap=True)
    raise typer.Exit(code)


def print_json(value: Any) -> None:
    """One JSON object, one line, on stdout."""
    sys.stdout.buffer.write((value if isinstance(value, bytes) else orjson.dumps(value)) + b"\n")
    sys.stdout.buffer.flush()


def recording(path: Path, how: How | None = None) -> Opened:
    """A recorded stream of any shape, opened."""
    try:
        return shapes.opened(path, how or How())
    except CaptureError as error:
        stop(str(error))
    except OSError as error:
        stop(f"{path} cannot be read: {error.strerror}")


def followed(opened: Opened, doing: str, *, always: bool = False, say: bool = True) -> Iterator[Happening]:
    """The happenings of a recording, under a bar on a terminal where it is long. What cannot be read ends the command.

    `always` has the bar for a short one, too, that takes its time. At the end its notes are told, unless `say` is off.
    """
    bar = Progress(*Progress.get_default_columns(), console=TALK, transient=True, disable=not TALK.is_terminal)
    with bar:
        task = bar.add_task(doing, total=opened.size, visible=always or opened.size > LONG)
        try:
            for number, happening in enumerate(opened.happenings):
                yield happening
                if always or not number % 1000:
                    bar.update(task, completed=opened.taken)
        except CaptureError as error:
            stop(str(error))
        except OSError as error:
            stop(f"the recording cannot be read on: {error.strerror}")
    for note in opened.notes if say else ():
        TALK.print(f"farend: {note}", markup=False, soft_wrap=True)


def receiver_from(text: str | None) -> tuple[str | None, int] | None:
    """`[HOST:]PORT` of the receiver whose traffic is among packets."""
    if text is None:
        return None
    host, port = ("", text) if text.isdigit() else host_and_port(text, "--receiver")
    if not 0 < int(port) < 65536:
        stop(f"--receiver {text!r}: a port is between 1 and 65535")
    return host or None, int(port)


def judging_from(book: Book, unknown: Literal["duh", "ack", "silent"], on_test: Sequence[str] = ()) -> Judging:
    """By what a recording is judged, from the options; accounts that the book does not have cannot be on test."""
    for number in on_test:
        if not any(account.number == number for account in book.accounts):
            stop(f"--on-test {number}: the book has no such account")
    return Judging(book, Policy(unknown), frozenset(on_test))


def key_place(text: str) -> str:
    """`HEX`, `@FILE` or `env:NAME` as an account book writes it."""
    return f"file:{text[1:]}" if text.startswith("@") else text if text.startswith("env:") else f"hex:{text}"


def take_master(where: str | None) -> str | None:
    """Where the master key of sealed account keys lies, for this process and those that it starts."""
    if where is not None:
        os.environ[keys_at_rest.VARIABLE] = where
    return where


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
    found = read_host_and_port(text)
    if found is None:
        stop(f"{option}: {text!r} is not HOST:PORT (IPv6 as [::1]:PORT; a port is 0 to 65535)")
    return found


def read_host_and_port(text: str) -> tuple[str, int] | None:
    """The same; None where it is neither."""
    match = re.fullmatch(r"(?:\[([^\]]+)\]|([^:\[\]]*)):(\d{1,5})", text)
    if not match or int(match[3]) > 65535:
        return None
    return match[1] or match[2] or "127.0.0.1", int(match[3])


def is_loopback(host: str) -> bool:
    """Whether a host, as it was written, is this machine alone."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


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


def kind_of(udp: bool, tls: bool, otherwise: Kind = "tcp") -> Kind:
    """The line that `--udp` or `--tls` says."""
    if udp and tls:
        stop("say one of --udp and --tls")
    return "udp" if udp else "tls" if tls else otherwise


def shown_by(certificate: Path | None, private_key: Path | None, over_tls: bool) -> tuple[Path, Path] | None:
    """What a panel shows over TLS; ends with a sentence where that cannot be used."""
    if certificate is None and private_key is None:
        return None
    if certificate is None or private_key is None:
        stop("--certificate and --private-key belong together")
    if not over_tls:
        stop(f"--certificate {certificate} would not be shown: nothing goes over TLS; say --tls")
    try:
        tls_context(None, (certificate, private_key))
    except OSError as error:  # ssl.SSLError is one
        why = error.strerror if not isinstance(error, ssl.SSLError) else "they are no PEM, or do not belong together"
        stop(f"--certificate {certificate} and --private-key {private_key} cannot be used: {why}")
    return certificate, private_key


def check_trust(trust: Path | None, over_tls: bool) -> None:
    """See to it that `--trust` names certificates and that they will be looked at; say so where none are looked at."""
    if trust is None:
        if over_tls:
            TALK.print("the receiver's certificate is not checked; --trust FILE checks it", style="dim")
        return
    if not trust.is_file():
        stop(f"--trust {trust}: there is no such file")
    try:
        tls_context(trust)
    except ssl.SSLError:
        stop(f"--trust {trust}: it holds no certificate in PEM (-----BEGIN CERTIFICATE-----)")
    except OSError as error:
        stop(f"--trust {trust} cannot be read: {error.strerror}")
    if not over_tls:
        stop(f"--trust {trust} would not be looked at: nothing goes over TLS; say --tls")


def within(value: float, option: str, least: float, most: float) -> float:
    """A number of seconds in these bounds: neither `inf` nor `nan` can be waited for."""
    if not least <= value <= most:
        stop(f"{option} {value:g} is not between {least:g} and {most:g} seconds")
    return value


def check_outputs(wanted: Mapping[str, Path | None]) -> None:
    """See to it, before anything takes long, that the files that these options name can be written; none is touched."""
    seen: dict[Path, str] = {}
    for option, path in wanted.items():
        if path is None:
            continue
        where = _place(path)
        if where in seen:
            stop(f"{seen[where]} and {option} name the same file, {path}")
        seen[where] = option
        if not where.parent.is_dir():
            stop(f"{option} {path}: there is no folder {path.parent}")
        try:
            if where.is_dir() or (where.exists() and not os.access(where, os.W_OK)):
                stop(
                    f"{option} {path} cannot be written: it is {'a folder' if where.is_dir() else 'not yours to write'}"
                )
            if not where.exists() or where.is_file():
                tempfile.TemporaryFile(dir=where.parent).close()
        except OSError as error:
            stop(f"{option} {path} cannot be written: {error.strerror}")


def _place(path: Path) -> Path:
    """Where a file really is, so that a link to it stays one; of a pipe or a device, its own name."""
    return path if path.exists() and not path.is_file() else path.resolve()


def write_outputs(wanted: Iterable[tuple[Path | None, Callable[[], str]]]) -> None:
    """Write each file whole, or leave what was there. Each is tried before one that failed ends the command."""
    failed = []
    for path, text in wanted:
        if path is None:
            continue
        try:
            _put(path, text().encode(), 0o644)
        except OSError as error:
            failed.append(f"{path} cannot be written: {error.strerror}")
        else:
            TALK.print(f"report: {path}", markup=False, soft_wrap=True)
    if failed:
        stop("\n".join(failed))


def write_capture(path: Path, lines: Iterable[bytes]) -> None:
    """Write a capture as its lines come, whole, or leave what was there. Its owner alone may read a new one."""
    try:
        _put(path, lines, 0o600)
    except OSError as error:
        stop(
            f"{path} cannot be written: {error.strerror}; {'what was there is left' if path.exists() else 'nothing is'}"
        )


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole, or leave what was there."""
    try:
        _put(path, data, 0o644)
    except OSError as error:
        stop(f"{path} cannot be written: {error.strerror}")


def _put(path: Path, data: bytes | Iterable[bytes], mode: int) -> None:
    where = _place(path)
    if where.exists() and not where.is_file():
        with where.open("wb") as file:  # a pipe, or a device: nothing to be put in its place
            file.writelines((data,) if isinstance(data, bytes) else data)
    else:
        write_whole(where, data, where.stat().st_mode & 0o777 if where.exists() else mode)


def time_from(text: str | None, option: str) -> datetime | None:
    """A time in ISO 8601, in UTC unless it says another zone."""
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        stop(f"{option} {text!r} is no time such as 2026-11-25T08:00 or 2026-11-25T08:00:00Z")
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC)


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
        TALK.print(
            f"no bench writes {public(journal)} now; the next one that does will know", style="dim", markup=False
        )


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
