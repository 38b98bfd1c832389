"""`farend console`: pages over the journal for the station's engineer, and for the installer's phone."""

import asyncio
import ctypes
import getpass
import os
import platform
import signal
import socket
import struct
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import typer

from receiver.book import to_toml
from receiver.console.door import DoorError, password_hash, read_people
from receiver.journal import JournalError, opened, public, server_of
from receiver.lines import peer_text
from receiver.record import CAUTION
from receiver.requests import locked, write_whole
from tools.common import JOURNAL, OUT, TALK, book_from, host_and_port, is_loopback, stop
from tools.request import REQUESTS

RECORDS = Path(os.environ.get("FAREND_RECORDS", "farend.records"))
NICE = 10  # where a bench and a page want the same processor, the ACK goes first
SLICE_SECONDS = 0.1  # the longest Linux takes: who asks for a shorter one (everybody) is let in before it is over
SCHED_SETATTR = {"x86_64": 314, "aarch64": 274, "riscv64": 274}  # the C library has no name for the call
ASK_SECONDS = 10.0  # from connecting to a whole request
CLOSE_SECONDS = 3  # that open pages have to hear that the console ends

app = typer.Typer(
    invoke_without_command=True,
    rich_markup_mode=None,
    help="Pages over the journal, for the station's engineer and for the installer's phone.\n\n"
    "Example: farend console --journal station.journal --book station.toml",
)


def give_way() -> None:
    """Let every other program of this machine go first, yet have a share: a page is late rather than an ACK.

    `nice` says how large the share is, the slice who waits for whom (Linux 6.12 and later, sched_setattr(2)); elsewhere the
    share alone has to do.
    """
    os.nice(NICE)
    number = SCHED_SETATTR.get(platform.machine())
    if sys.platform == "linux" and number is not None:
        # struct sched_attr: size, policy (SCHED_OTHER), flags, nice, priority, runtime in ns, deadline, period
        attributes = struct.pack("=IIQiIQQQ", 48, 0, 0, os.nice(0), 0, int(SLICE_SECONDS * 1e9), 0, 0)
        ctypes.CDLL(None).syscall(number, 0, attributes, 0)


@app.callback()
def console(
    context: typer.Context,
    http: Annotated[
        str, typer.Option("--http", metavar="HOST:PORT", help="Where it is served; port 0 picks a free one.")
    ] = os.environ.get("FAREND_CONSOLE", "127.0.0.1:12080"),
    journal: Annotated[Path, typer.Option("--journal", metavar="PATH", help="The journal.")] = JOURNAL,
    book: Annotated[Path | None, typer.Option(metavar="FILE", help="The account book.")] = None,
    requests: Annotated[Path, typer.Option(metavar="DIR", help="The folder where requests wait.")] = REQUESTS,
    records: Annotated[Path, typer.Option(metavar="DIR", help="The folder where signed records go.")] = RECORDS,
    time_zone: Annotated[
        str | None,
        typer.Option(metavar="ZONE", help="The station's time zone, such as Europe/Lisbon; else this machine's."),
    ] = None,
    people: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Who may come in from elsewhere (farend console password)."),
    ] = None,
    certificate: Annotated[Path | None, typer.Option(metavar="FILE", help="PEM certificate, for TLS.")] = None,
    private_key: Annotated[Path | None, typer.Option(metavar="FILE", help="PEM private key, for TLS.")] = None,
    name: Annotated[
        list[str] | None, typer.Option(metavar="HOST", help="A host name by which it is asked for; may be repeated.")
    ] = None,
    until_stdin_closes: Annotated[bool, typer.Option(hidden=True)] = False,
) -> None:
    """Serve the console. On this machine it prints a link that lets one person in, once; then the next.

    Elsewhere than on this machine it needs TLS and people with passwords. SIGTERM ends it.
    """
    if context.invoked_subcommand is not None:
        return
    from receiver.console import app as consoles
    from receiver.console.house import Settings

    host, port = host_and_port(http, "--http")
    secure = certificate is not None and private_key is not None
    if (certificate is None) != (private_key is None):
        stop("--certificate and --private-key go together")
    if not is_loopback(host):
        if not secure:
            stop(f"--http {http} is not this machine alone: it needs TLS (--certificate FILE --private-key FILE)")
        if not _people(people):
            stop(f"--http {http} is not this machine alone: it needs --people FILE with somebody in it"
                 " (farend console password NAME --people FILE)")  # fmt: skip
    zone = _zone(time_zone)
    book_from(book)  # a book with mistakes is told now, not by the first page
    try:
        opened(journal).close()
    except JournalError as error:
        stop(f"{error}; `farend listen --journal {public(journal)}` makes one")
    try:
        sock = socket.create_server(
            (host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET, backlog=128
        )
    except OSError as error:
        stop(f"--http {http}: {error.strerror}")
    port = sock.getsockname()[1]
    base = f"{'https' if secure else 'http'}://{peer_text('localhost' if host in ('0.0.0.0', '::') else host, port)}"

    def link() -> None:
        TALK.print(f"come in: {base}/enter/{application.state.house.door.link()}", markup=False, soft_wrap=True)

    settings = Settings(
        journal=journal if server_of(journal) else journal.resolve(),
        book=book and book.resolve(), requests=requests.resolve(), records=records.resolve(),
        zone=zone, people=people and people.resolve(), secure=secure, names=tuple(name or ()), port=port,
    )  # fmt: skip
    application = consoles.make(settings, tell=lambda what: TALK.print(f"console: {what}", markup=False), again=link)
    TALK.print(CAUTION, style="italic")
    TALK.print(f"console on {base}", markup=False)
    if is_loopback(host):
        link()
    _serve(application, sock, certificate, private_key, until_stdin_closes)


def _serve(
    application: object,
    sock: socket.socket,
    certificate: Path | None,
    private_key: Path | None,
    until_stdin_closes: bool,
) -> None:
    import uvicorn
    from uvicorn.protocols.http.h11_impl import H11Protocol

    class Impatient(H11Protocol):
        """Whoever connects and asks nothing gives the place back to those who do."""

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            self.loop.call_later(ASK_SECONDS, self.hang_up)

        def hang_up(self) -> None:
            if self.cycle is None:  # no request has come whole
                self.transport.close()

    config = uvicorn.Config(
        application, log_level="warning", server_header=False, date_header=False, ws="none", lifespan="on",  # type: ignore[arg-type]
        http=Impatient,
        ssl_certfile=certificate, ssl_keyfile=private_key, timeout_graceful_shutdown=CLOSE_SECONDS,
        h11_max_incomplete_event_size=16384, limit_concurrency=512, proxy_headers=False,
    )  # fmt: skip

    class Server(uvicorn.Server):
        @contextmanager
        def capture_signals(self) -> Iterator[None]:
            # SIGTERM is how it is ended: with 0, as a bench ends. uvicorn would send the signal on to itself.
            for number in (signal.SIGTERM, signal.SIGINT):
                signal.signal(number, self.handle_exit)
            yield

    give_way()
    server = Server(config)
    if until_stdin_closes:  # it belongs to a bench, and ends with it however that ends

        def wait() -> None:
            while os.read(sys.stdin.fileno(), 1024):
                pass
            server.should_exit = True

        threading.Thread(target=wait, daemon=True).start()
    try:
        with suppress(KeyboardInterrupt):
            server.run(sockets=[sock])
    except OSError as error:  # a certificate that is none
        stop(f"--certificate or --private-key cannot be used: {error}")


def _people(file: Path | None) -> dict[str, str]:
    try:
        return {} if file is None else read_people(file)
    except DoorError as error:
        stop(f"--people {error}")


def _zone(name: str | None) -> ZoneInfo:
    try:
        if name is not None:
            return ZoneInfo(name)
        local = Path("/etc/localtime").resolve().parts
        return ZoneInfo(os.environ.get("TZ") or "/".join(local[local.index("zoneinfo") + 1 :]))
    except (ZoneInfoNotFoundError, ValueError, OSError):
        if name is not None:
            stop(f"--time-zone {name!r} is no time zone such as Europe/Lisbon")
        return ZoneInfo("UTC")


@app.command()
def password(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Who.")],
    people: Annotated[Path, typer.Option(metavar="FILE", help="The file of people; made if need be.")],
) -> None:
    """Give somebody a password for the console, or another one. It is asked for, and kept as an argon2 hash.

    Example: farend console password "E. Example" --people people.toml
    """
    if not name.strip():
        stop("NAME is empty")
    known = _people(people) if people.exists() else {}
    try:
        if sys.stdin.isatty():
            secret = getpass.getpass(f"password for {name}: ")
            if getpass.getpass("once more: ") != secret:
                stop("the two differ; nothing was changed", 1)
        else:
            secret = sys.stdin.readline().rstrip("\n")
        hash = password_hash(secret)
    except DoorError as error:
        stop(f"{error}; nothing was changed", 1)
    people.parent.mkdir(parents=True, exist_ok=True)
    with locked(people.parent):
        text = "\n".join(
            to_toml("person", {"name": who, "password": kept}) for who, kept in (known | {name: hash}).items()
        )
        write_whole(people, text.encode())
    OUT.print(f"{people}: {len(known | {name: hash})} may come in; changed {datetime.now():%H:%M}", markup=False)
