"""`farend listen`: receive."""

import asyncio
import gc
import io
import ipaddress
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from receiver import book as books
from receiver.capture import Recorder
from receiver.desk import REPEAT_SECONDS, Policy
from receiver.entry import Entry
from receiver.guard import Bounds, networks
from receiver.journal import JournalError, Store, opened, public, server_of
from receiver.journal_apart import Apart
from receiver.lines import IDLE_SECONDS, Limits, line_text, peer_text
from receiver.record import MODES, Mode
from receiver.service import Given, Manager, sockets_given
from receiver.storms import WITHIN
from receiver.writing import Writing
from tools import log, words
from tools.common import (
    CAUTION,
    JOURNAL,
    OUT,
    TALK,
    book_from,
    check_outputs,
    host_and_port,
    print_json,
    stop,
    take_master,
)
from tools.hand_on import settings_of
from tools.settings import take
from tools.storm_line import StormLine

MOST_WAITING = 100_000  # lines for a slow reader of stdout; those beyond it are counted, and stay in the journal
MOST_TOLD = 10_000
BREATH = 0.005  # seconds
BOUNDS = Bounds()
CONSOLE_SECONDS = 5.0  # that the console has to end with the bench
_END: dict[str, Any] = {}  # the last that stdout is given, where people read it


class Writer:
    """Writes in a thread of its own: whoever reads stdout or stderr slowly, or not at all, delays no answer.

    It writes all that has gathered at once, and takes a breath then: between two threads of Python the way is long.
    """

    def __init__(
        self,
        write: Callable[[list[Any]], None],
        flush: Callable[[], None],
        most: int,
    ) -> None:
        self._write, self._flush = write, flush
        self._waiting: deque[Any] = deque()
        self._news = threading.Event()  # set while there may be something: a wake-up costs more than the line
        self._ending = threading.Event()
        self._most = most
        self.left_out = 0
        self._thread = threading.Thread(target=self._run, name="writer", daemon=True)
        self._thread.start()

    def put(self, item: Any) -> None:
        """Take one item; never waits. What does not fit is counted in `left_out`."""
        if len(self._waiting) < self._most:
            self._append(item)
        else:
            self.left_out += 1

    def _append(self, item: Any) -> None:
        self._waiting.append(item)
        if not self._news.is_set():
            self._news.set()

    def _next(self) -> list[Any]:
        """All that waits, once something does; nothing after so long that a storm may be over."""
        if not self._waiting:
            self._news.wait(WITHIN.total_seconds())
            self._news.clear()
        return [self._waiting.popleft() for _ in range(len(self._waiting))]

    def close(self, seconds: float = 2.0) -> None:
        """Write what waits, for so long at most: a reader that has stopped does not keep the bench from ending."""
        self._append(None)
        self._ending.set()
        self._thread.join(seconds)

    def _run(self) -> None:
        open = True
        while open:
            items = self._next()
            if items and items[-1] is None:  # nothing comes after it
                open = False
                items.pop()
            try:
                self._write(items)
                self._flush()
            except OSError:  # nobody reads it any more: the journal keeps everything
                self.left_out += len(items)
                while open:
                    items = self._next()
                    open = not items or items[-1] is not None
                    self.left_out += len(items) - (not open)
            self._ending.wait(BREATH)


class Printer:
    """Entries on stdout, and what needs a person on stderr: as a person reads it, or as lines of a log."""

    def __init__(self, as_json: bool, form: log.Format | None = None) -> None:
        self._as_json, self._form = as_json, form
        self._storms = StormLine(OUT)
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):  # a terminal that cannot show a name shows its escapes
                stream.reconfigure(errors="backslashreplace")
        self._talk = Writer(_talk, sys.stderr.flush, MOST_TOLD)
        self._out = Writer(self._entries, sys.stdout.flush, MOST_WAITING)

    def show(self, entry: Entry) -> None:
        """An entry, on stdout."""
        self._out.put(entry.json if self._as_json else entry.found)

    def tell(self, what: str) -> None:
        """Something that needs a person, on stderr."""
        self._talk.put(log.line(self._form, what) if self._form else f"{datetime.now(UTC):%H:%M:%S} farend: {what}")

    def say(self, what: str, style: str | None = None) -> None:
        """Something about the start, at once."""
        if self._form:
            self.tell(what)
        else:
            TALK.print(what, style=style, markup=False)

    def alarm(self, what: str) -> None:
        """An alarm that needs a person: on stderr too, unless the same eyes see its line on stdout."""
        if self._form or self._as_json or not (OUT.is_terminal and TALK.is_terminal):
            self.tell(what)

    def close(self) -> None:
        """Write what waits, for two seconds at most."""
        if not self._as_json:
            self._out.put(_END)
        self._out.close()
        for name, writer in (("stdout", self._out), ("stderr", self._talk)):
            if writer.left_out:
                self.tell(f"{name} was read too slowly; {writer.left_out} lines were left out (the journal has them)")
        self._talk.close()

    def _entries(self, items: list[Any]) -> None:
        if self._as_json:
            sys.stdout.buffer.write(b"\n".join((*items, b"")))
            return
        for item in items:
            try:
                if item is _END:
                    self._storms.end()
                elif not self._storms.takes(item):
                    words.show(OUT, item)
            except OSError:
                raise
            except Exception as error:  # one line that cannot be shown must not silence the others
                self.tell(f"a line could not be shown: {error!r}")
        self._storms.draw(datetime.now(UTC))


def _talk(lines: list[str]) -> None:
    shown = (f"\x1b[1m{line}\x1b[0m\n" for line in lines) if TALK.is_terminal and not TALK.no_color else None
    sys.stderr.write("".join(shown or (f"{line}\n" for line in lines)))


def listen(
    tcp: Annotated[list[str] | None, typer.Option(metavar="HOST:PORT", help="Listen on TCP; may be repeated.")] = None,
    udp: Annotated[list[str] | None, typer.Option(metavar="HOST:PORT", help="Listen on UDP; may be repeated.")] = None,
    tls: Annotated[list[str] | None, typer.Option(metavar="HOST:PORT", help="Listen on TLS 1.2 and up.")] = None,
    phone: Annotated[
        list[str] | None,
        typer.Option(
            metavar="rtp://HOST:PORT|FILE_OR_FIFO",
            help="A telephone line: RTP with G.711, a WAV file, or a FIFO of samples of 16 bits at 8 kHz; may be repeated.",
        ),
    ] = None,
    phone_out: Annotated[
        Path | None, typer.Option(metavar="FILE_OR_FIFO", help="Where the answers to a file or FIFO go, as sound.")
    ] = None,
    keep_calls: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Keep the sound of each call there, panel left, receiver right."),
    ] = None,
    certificate: Annotated[Path | None, typer.Option(metavar="FILE", help="PEM certificate for --tls.")] = None,
    private_key: Annotated[Path | None, typer.Option(metavar="FILE", help="PEM private key for --tls.")] = None,
    book: Annotated[Path | None, typer.Option(metavar="FILE", help="The account book.")] = None,
    journal: Annotated[str, typer.Option(metavar="PATH_OR_URL", help="Where everything is kept.")] = str(JOURNAL),
    name: Annotated[
        str,
        typer.Option(
            metavar="NAME", help="What this bench is called in a journal on a server. Default: the host's name."
        ),
    ] = "",
    unknown: Annotated[
        Literal["duh", "ack", "silent"], typer.Option(help="What an account that is not in the book is answered.")
    ] = "duh",
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a line on stdout.")] = False,
    capture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Record every byte, both ways, into this file.")
    ] = None,
    keep_polls: Annotated[
        bool, typer.Option(help="Keep a row for each poll, not only its last time and count.")
    ] = False,
    repeat_seconds: Annotated[
        float, typer.Option(min=0, help="For how long the same message again is a repeat of the first.")
    ] = REPEAT_SECONDS,
    idle: Annotated[
        float, typer.Option(min=1, help="Seconds of silence after which a connection is closed.")
    ] = IDLE_SECONDS,
    console: Annotated[
        bool, typer.Option("--console", help="Serve the console, too, on this machine; `farend console` can do more.")
    ] = False,
    settings: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", is_eager=True, callback=take, help="A TOML file with any of these; the command line wins."
        ),
    ] = None,
    mode: Annotated[
        Mode, typer.Option(help="bench answers; mirror hears a copy of a live receiver's traffic, and answers nobody.")
    ] = "bench",
    metrics: Annotated[
        str | None, typer.Option(metavar="HOST:PORT", help="Serve /metrics, /health and /ready there, over HTTP.")
    ] = None,
    log_format: Annotated[
        log.Format | None,
        typer.Option("--log", help="What is told on stderr as lines for a log, without what was sealed."),
    ] = None,
    hand_on: Annotated[
        Path | None,
        typer.Option("--hand-on", metavar="FILE", help="Hand on to the consumers in this file (TOML), too."),
    ] = None,
    client_ca: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="PEM: who may have signed the certificates that panels are asked for on --tls."
        ),
    ] = None,
    allow: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NETWORK", help="Who may come at all, such as 192.0.2.0/24; may be repeated. Default: all."
        ),
    ] = None,
    most_connections: Annotated[
        int, typer.Option(min=1, help="Connections at once from one address.")
    ] = BOUNDS.connections,
    most_opened: Annotated[
        float,
        typer.Option(min=1, help="New connections a second from one address; ten seconds' worth may come at once."),
    ] = BOUNDS.opened,
    most_bytes: Annotated[
        float, typer.Option(min=4096, help="Bytes a second from one address; beyond them it is read more slowly.")
    ] = BOUNDS.octets,
    most_unreadable: Annotated[
        int, typer.Option(min=0, help="Pieces a minute from one address that cannot be read and still get a row each.")
    ] = BOUNDS.unreadable,
    master: Annotated[
        str | None,
        typer.Option(metavar="WHERE", help="The master key of sealed keys: file:PATH, env:NAME or credential:NAME."),
    ] = None,
) -> None:
    """Receive: TCP, UDP, TLS and telephone lines into the desk, everything into the journal. SIGTERM ends it, SIGHUP
    has it read the book again.

    Example: farend listen --tcp 0.0.0.0:12009 --udp 0.0.0.0:12009 --book station.toml --journal station.journal
    """
    from receiver.reactor import install

    take_master(master)
    accounts = book_from(book)
    try:
        bounds = Bounds(most_connections, most_opened, most_bytes, most_unreadable, networks(allow or ()))
    except ValueError as error:
        stop(f"--allow: {error}")
    check_outputs({"--phone-out": phone_out})
    handing = settings_of(hand_on) if hand_on else {}
    telephones = phones(phone or (), phone_out)
    if telephones and mode == "mirror":
        stop(
            "--mode mirror answers nobody, and a telephone line does not get a message without answering: leave --phone out"
        )
    if keep_calls:
        try:
            keep_calls.mkdir(exist_ok=True)
        except OSError as error:
            stop(f"--keep-calls {keep_calls}: {error.strerror}")
    store, writer = journal_from(journal, name, repeat_seconds)
    reactor = install()
    from receiver.bench import Bench, Listen, Settings

    wanted = [Listen("tcp", *host_and_port(one, "--tcp")) for one in tcp or ()]
    wanted += [Listen("udp", *host_and_port(one, "--udp")) for one in udp or ()]
    if tls and not (certificate and private_key):
        stop("--tls needs --certificate FILE and --private-key FILE")
    wanted += [
        Listen("tls", *host_and_port(one, "--tls"), certificate, private_key, client_ca=client_ca) for one in tls or ()
    ]
    given = handed_over()
    if lines_given := [one for one in given if one[0] != "metrics"]:
        replaced = bool(wanted)
        if any(kind == "tls" for kind, _ in given) and not (certificate and private_key):
            stop("a socket for TLS was handed over: it needs --certificate FILE and --private-key FILE")
        wanted = [
            Listen(
                kind,
                *one.getsockname()[:2],
                *(certificate, private_key) * (kind == "tls"),
                given=one,
                client_ca=client_ca,
            )
            for kind, one in lines_given
        ]
    over_tls = any(one.kind == "tls" for one in wanted)
    if client_ca and not over_tls:
        stop(f"--client-ca {client_ca} would not be looked at: say --tls")
    wanted += [Listen("phone", **one) for one in telephones]
    wanted = wanted or [Listen("tcp", "127.0.0.1", 12009), Listen("udp", "127.0.0.1", 12009)]
    printer = Printer(as_json, log_format)
    bench = Bench(
        reactor,
        accounts,
        store,
        writer=writer,
        show=printer.show,
        told=printer.tell,
        alarm=printer.alarm,
        settings=Settings(
            Policy(unknown, repeat_seconds),
            keep_polls,
            Limits(idle=idle),
            keep_calls,
            server_of(journal) is not None,
            (lambda: books.load(book)) if book else None,
            mode,
            log_format is not None,
            bounds,
            (name or socket.gethostname()) if server_of(journal) else "",
        ),
        recorder=recorder_for(capture, printer.tell),
    )
    listening = []
    for one in wanted:
        try:
            listening.append(bench.listen(one))
        except Exception as error:
            what = f"phone {one.source}" if one.source else f"{one.kind} {peer_text(one.host, one.port)}"
            stop(f"{what} cannot be opened: {_reason(error)}")
    printer.say(CAUTION, "italic")
    printer.say(MODES[mode])
    if lines_given and replaced:
        printer.say("the sockets that were handed over take the place of --tcp, --udp and --tls")
    if over_tls and not client_ca and any(one.certificate for one in accounts.accounts):
        printer.say(
            "the book names certificates of panels, and without --client-ca none is asked for: these are refused"
        )
    for one in listening:
        printer.say(f"listening on {line_text(*one)}")
    printer.say(
        f"journal {store}; {len(accounts.accounts)} accounts"
        + ("" if book else ": no --book, so every account is unknown")
    )
    monitored = watched_at(reactor, bench, metrics, given, printer)
    if as_json:
        where: dict[str, Any] = {"mode": mode} | monitored
        where["listening"] = [{"line": kind, "host": host, "port": port} for kind, host, port in listening]
        # Once it runs: whoever has read that line may end it, and it ends as it should.
        reactor.callWhenRunning(reactor.callLater, 0, print_json, where)
    with ExitStack() as besides:
        if console:
            besides.enter_context(consoled(Path(journal), book, printer.tell))
        for name, options in handing.items():
            what = f"HANDING ON TO {name}"
            besides.enter_context(beside(what, ["hand-on", *options], journal, printer.tell, heard=True))
        run(reactor, bench, listening, printer.tell, Manager())
    printer.close()
    # A reader of stdout that has stopped must not keep the process: what it could not take is in the journal.
    os._exit(0)


def handed_over() -> list[Given]:
    """The sockets that a service manager has opened for this process."""
    try:
        return sockets_given()
    except (ValueError, OSError) as error:
        stop(str(error))


def watched_at(
    reactor: Any, bench: Any, metrics: str | None, given: Sequence[Given], printer: Printer
) -> dict[str, Any]:
    """Serve the pages for a monitor where somebody wants them; where that is, for the JSON of the start."""
    sockets = [one for kind, one in given if kind == "metrics"]
    if metrics is None and not sockets:
        return {}
    from receiver.metrics import Pages, serve

    host, port = host_and_port(metrics, "--metrics") if metrics and not sockets else sockets[0].getsockname()[:2]
    try:
        address = serve(reactor, Pages(bench), host, port, sockets[0] if sockets else None).getHost()
    except Exception as error:
        stop(f"--metrics {peer_text(host, port)} cannot be opened: {_reason(error)}")
    printer.say(f"listening on http://{peer_text(address.host, address.port)}/metrics, /health and /ready")
    if not ipaddress.ip_address(address.host).is_loopback:
        printer.tell("the metrics can be read by anybody who reaches them: let a firewall see to it who does")
    return {"metrics": {"host": address.host, "port": address.port}}


def phones(wanted: Sequence[str], out: Path | None) -> list[dict[str, Any]]:
    """The telephone lines that `--phone` names, as a `Listen` has them."""
    found: list[dict[str, Any]] = []
    files = 0
    for one in wanted:
        if one.startswith("rtp://"):
            found.append(dict(zip(("host", "port"), host_and_port(one.removeprefix("rtp://"), "--phone"), strict=True)))
            continue
        path = Path(one)
        if not path.exists() or path.is_dir():
            stop(f"--phone {one}: {'a folder is no line' if path.is_dir() else 'there is no such file or FIFO'}")
        files += 1
        found.append({"host": "", "port": 0, "source": path, "out": out})
    if out and files != 1:
        stop(
            "--phone-out is for one --phone that is a file or a FIFO; a call over RTP is answered to where it comes from"
        )
    return found


def consoled(journal: Path, book: Path | None, tell: Callable[[str], None]) -> AbstractContextManager[None]:
    """The console beside the bench."""
    return beside("THE CONSOLE", ["console", *(("--book", str(book)) if book else ())], str(journal), tell)


@contextmanager
def beside(
    what: str, arguments: Sequence[str], journal: str, tell: Callable[[str], None], *, heard: bool = False
) -> Iterator[None]:
    """Another command over the journal in a process of its own, for as long as this one lives (it ends with its stdin).

    `heard`: what it says is told here, and if it ends it is started again, unless it says that it cannot be (exit code 2).
    """
    command = [sys.executable, "-P", "-m", "tools.farend", *arguments, "--until-stdin-closes"]
    # What a command was called with can be read by everybody; its environment cannot.
    known = os.environ | {"FAREND_JOURNAL": journal}

    def start() -> subprocess.Popen[str]:
        # What it says belongs to people: stdout is for data.
        out, errors = (subprocess.PIPE, subprocess.STDOUT) if heard else (sys.stderr, None)
        return subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=out, stderr=errors, env=known, text=True, errors="replace"
        )

    children, ending = [start()], threading.Event()

    def watch() -> None:
        pause = 0.5
        while True:
            child, begun = children[-1], time.monotonic()
            for line in child.stdout or ():
                said = re.sub(r"^\d\d:\d\d:\d\d farend: ", "", line.rstrip())
                if said != CAUTION:
                    tell(said)
            code = child.wait()
            if ending.is_set():
                return
            if not heard or code == 2:
                tell(
                    f"{what} HAS ENDED ({code}); `farend {arguments[0]} --journal {public(journal)} …` starts it again"
                )
                return
            pause = 1.0 if time.monotonic() - begun > 60 else min(2 * pause, 60.0)
            tell(f"{what} HAS ENDED ({code}); it is started again in {pause:g} s")
            if ending.wait(pause):
                return
            children.append(start())

    threading.Thread(target=watch, daemon=True).start()
    try:
        yield
    finally:
        ending.set()
        child = children[-1]
        assert child.stdin is not None
        child.stdin.close()
        try:
            child.wait(CONSOLE_SECONDS)
        except subprocess.TimeoutExpired:
            child.kill()


def run(
    reactor: Any, bench: Any, listening: list[tuple[str, str, int]], tell: Callable[[str], None], manager: Manager
) -> None:
    """Run until somebody stops the reactor; then the bench answers what it has read, and closes."""
    from twisted.internet.defer import ensureDeferred

    _log_to(tell)
    # What is here by now stays, and nothing of what a message makes points back at itself: whoever searches for such circles
    # more often than this finds none.
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)
    reactor.addSystemEventTrigger("before", "shutdown", lambda: manager.report("STOPPING", "answers what it has read"))
    reactor.addSystemEventTrigger("before", "shutdown", lambda: ensureDeferred(bench.stop()))
    reactor.callWhenRunning(bench.start, listening)
    reactor.callWhenRunning(attend, reactor, bench, tell, manager)
    reactor.run()


def attend(reactor: Any, bench: Any, tell: Callable[[str], None], manager: Manager) -> None:
    """Say that the bench is ready, and hear SIGHUP: the book is read again, or the terminal is gone and the bench ends."""
    from twisted.internet.task import LoopingCall

    at_terminal = _has_terminal()

    def ready() -> None:
        manager.report("READY", f"mode {bench.settings.mode}; {len(bench.book.accounts)} accounts")

    def hung_up() -> None:
        if at_terminal and not _has_terminal():
            tell("the terminal is gone: the bench ends")
            reactor.stop()
            return
        manager.report("RELOADING", "reads the book again")
        bench.reload(ready)

    asyncio.get_event_loop().add_signal_handler(signal.SIGHUP, hung_up)
    if manager.watchdog:
        loop = LoopingCall(manager.report, "WATCHDOG")
        loop.clock = reactor
        loop.start(manager.watchdog / 2)
    ready()


def _has_terminal() -> bool:
    try:
        os.close(os.open("/dev/tty", os.O_RDWR | os.O_NOCTTY))
    except OSError:
        return False
    return True


def _log_to(tell: Callable[[str], None]) -> None:
    """What Twisted would log is told in one line, and only when it is a failure."""
    from twisted.logger import LogLevel, formatEvent, globalLogBeginner

    def observe(event: Any) -> None:
        if event["log_level"] >= LogLevel.error:
            failure = event.get("log_failure")
            tell(f"internal error: {formatEvent(event)} {failure.getErrorMessage() if failure else ''}")

    globalLogBeginner.beginLoggingTo([observe], redirectStandardIO=False, discardBuffer=True)


def journal_from(journal: str, name: str = "", repeat_seconds: float = REPEAT_SECONDS) -> tuple[Store, Writing | None]:
    """The journal, and what writes it where that is a process of its own: a server's is one already."""
    try:
        if server_of(journal):
            more = {"receiver": name or socket.gethostname(), "repeat_seconds": repeat_seconds}
            return opened(journal, write=True, **more), None
        writer = Apart(journal)
        return opened(journal), writer
    except JournalError as error:
        stop(str(error))


def recorder_for(capture: Path | None, tell: Callable[[str], None], note: str = "") -> Recorder | None:
    if capture is None:
        return None
    try:
        return Recorder(capture, datetime.now(UTC), note or "recorded by farend listen", tell)
    except OSError as error:
        stop(f"--capture {capture}: {error.strerror}")


def _reason(error: Exception) -> str:
    number = getattr(getattr(error, "socketError", error), "errno", None)
    return os.strerror(number) if number else str(error)
