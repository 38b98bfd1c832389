"""What the tests of lines, journal and commands share: a real bench on loopback, real clients, and frames of our own make.

Twisted runs on the loop that pytest-asyncio runs the tests on, so a test is at once a panel with asyncio's sockets and the
owner of the bench that answers it.
"""

import asyncio
import contextlib
import ipaddress
import json
import os
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
import traceback
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

import argon2
import pytest
import pytest_asyncio
from crccheck.crc import Crc16Arc
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from hypothesis import settings
from typer.testing import CliRunner

from protocols.seal import Key, seal, unseal
from receiver.book import Book, parse
from receiver.clock import Clock
from receiver.console import door
from receiver.desk import Policy
from receiver.guard import Bounds
from receiver.journal import Store
from tools.farend import app

HOST = "127.0.0.1"
SECONDS = 5.0  # what should come at once must come within this, on a machine that is busy with other things too
SECRET = "F00DFACE0BADCAFE1122334455667788"
KEY = Key.from_hex(SECRET)
OTHER_KEY = Key(bytes(range(16)))
BOOK = f"""
# Invented for the tests: no place, person or key here is real.
[[account]]
number = "4471"
name = "Tern Point field station"
  [[account.area]]
  number = "01"
  name = "Laboratory"
  [[account.zone]]
  number = "015"
  area = "01"
  name = "Freezer room door"
  [[account.user]]
  number = "002"
  name = "Night warden"
  [[account.path]]
  name = "wired"
  line = "tcp"
  [[account.path]]
  name = "wifi"
  line = "udp"
[[account]]
number = "8C20"
name = "Harrow Lane pumping house"
key = "hex:{SECRET}"
[[account]]
number = "0930"
name = "Quarry Cottage, being installed"
answer = "on-test"
[[account]]
number = "0999"
name = "The tests' own panel, which polls to see what else came"
"""


def envelope(body: str | bytes) -> bytes:
    """LF crc 0LLL body CR, with the CRC of `crccheck`: a frame that owes nothing to the code under test."""
    body = body.encode("latin-1") if isinstance(body, str) else body
    return b"\n%04X%04X%b\r" % (Crc16Arc.calc(body), len(body), body)


def stamp(seconds: float = 0) -> str:
    """`_HH:MM:SS,MM-DD-YYYY`, that many seconds from now."""
    return f"{datetime.now(UTC) + timedelta(seconds=seconds):_%H:%M:%S,%m-%d-%Y}"


def sealed(head: str, content: str, key: Key = KEY) -> bytes:
    """An encrypted frame: the head up to the `[`, and what is sealed after it."""
    return envelope(f"{head}[{seal(key, content)}")


def opened_answer(answer: bytes, key: Key = KEY) -> str:
    """What is sealed in an answer."""
    return unseal(key, answer[9:-1].decode().partition("[")[2])[1]


def alarm(sequence: int, account: str = "4471", message: str = "Nri1/BA15") -> bytes:
    """A burglary alarm in clear, without a stamp."""
    return envelope(f'"SIA-DCS"{sequence:04d}L0#{account}[#{account}|{message}]')


def ack(sequence: int, account: str = "4471") -> bytes:
    """The answer to it."""
    return envelope(f'"ACK"{sequence:04d}L0#{account}[]')


settings.register_profile("farend", deadline=None)  # how long an example takes is the machine's business, not a rule
settings.load_profile("farend")
LONGEST = (
    "test_browser.py", "test_commands.py", "test_requests.py", "test_trial_receiver.py", "test_trial_load.py",
    "test_trial_exchange.py", "test_trial_panel.py", "test_journal.py", "test_phone_ear.py", "test_console.py",
)  # fmt: skip
MARK, MARKED = envelope('"NULL"0000L0#0999[]'), envelope('"ACK"0000L0#0999[]')


def pytest_make_parametrize_id(config: object, val: object, argname: str) -> str | None:
    """Padding is random, so the bytes of a frame are no name for a test: it would be another each time."""
    return argname if isinstance(val, bytes) else None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The files that take longest go first: a worker that met one of them last would keep the others waiting."""
    items.sort(key=lambda item: LONGEST.index(item.path.name) if item.path.name in LONGEST else len(LONGEST))


def pytest_asyncio_loop_factories(config: object, item: object) -> dict[str, Callable[[], Any]]:
    """The bench's own kind of loop: uvloop where that installs."""
    try:
        import uvloop
    except ImportError:
        return {"asyncio": asyncio.new_event_loop}
    return {"uvloop": uvloop.new_event_loop}


@pytest_asyncio.fixture(scope="session", loop_scope="session")
async def reactor() -> Any:
    """Twisted's reactor on the loop of the tests. It is installed here, so nothing may import it before."""
    from twisted.internet import asyncioreactor

    asyncioreactor.install(asyncio.get_running_loop())
    from twisted.internet import reactor

    return reactor


class Panel:
    """A client's side of one line: bytes out, bytes back."""

    async def send(self, data: bytes) -> None:
        raise NotImplementedError

    async def receive(self) -> bytes:
        """Whatever came next; empty when the other side has closed."""
        raise NotImplementedError

    async def close(self) -> None:
        raise NotImplementedError

    async def end(self) -> None:
        """Send no more, and fetch what still comes."""

    async def until(self, end: bytes) -> bytes:
        """Everything up to and with `end`; what came after it waits for the next call."""
        async with asyncio.timeout(SECONDS):
            while end not in self.came:
                data = await self.receive()
                assert data, f"closed, with {self.came!r} and not {end!r}"
                self.came += data
        found, end, self.came = self.came.partition(end)
        return found + end

    async def ask(self, data: bytes) -> bytes:
        """Send, and give the one answer."""
        await self.send(data)
        return await self.until(b"\r")

    async def hears_nothing(self, seconds: float = 0.3) -> bool:
        """Whether nothing comes for that long."""
        try:
            async with asyncio.timeout(seconds):
                self.came += await self.receive()
        except TimeoutError:
            return not self.came
        return False

    came = b""


class Stream(Panel):
    """Over TCP or TLS."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    async def send(self, data: bytes) -> None:
        self.writer.write(data)
        await self.writer.drain()

    async def receive(self) -> bytes:
        return await self.reader.read(65536)

    async def end(self) -> None:
        self.writer.write_eof()
        while await self.receive():
            pass

    async def close(self) -> None:
        self.writer.close()
        with contextlib.suppress(OSError):
            await self.writer.wait_closed()


class Datagrams(Panel, asyncio.DatagramProtocol):
    """Over UDP."""

    def __init__(self) -> None:
        self.waiting: asyncio.Queue[bytes] = asyncio.Queue()

    def connection_made(self, transport: Any) -> None:
        self.transport = transport

    def datagram_received(self, data: bytes, addr: Any) -> None:
        self.waiting.put_nowait(data)

    async def send(self, data: bytes) -> None:
        self.transport.sendto(data)

    async def receive(self) -> bytes:
        return await self.waiting.get()

    async def close(self) -> None:
        self.transport.close()


class Said(NamedTuple):
    """What became of something that was sent: its entries, and every byte that came back."""

    entries: list[dict[str, Any]]
    answer: bytes

    @property
    def entry(self) -> dict[str, Any]:
        (entry,) = self.entries
        return entry

    @property
    def problems(self) -> list[str]:
        return [problem["rule"] for problem in self.entry["problems"]]


class Bench:
    """A real bench with its lines on loopback, and the panels that call it."""

    def __init__(self, bench: Any, path: Path, ports: dict[str, tuple[str, int]]) -> None:
        self.bench, self.path, self.ports = bench, path, ports
        self.entries: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
        self.told: list[str] = []
        self._news = asyncio.Event()
        self.panels: list[Panel] = []

    def tell(self, what: str) -> None:
        self.told.append(what)
        self._news.set()

    async def panel(self, line: str = "tcp", context: ssl.SSLContext | None = None, at: str | None = None) -> Panel:
        """A new panel on a line, at an address of its own where one is given."""
        here = (at, 0) if at else None
        host, port = self.ports[line]
        panel: Panel
        if line.startswith("udp"):
            loop = asyncio.get_running_loop()
            _, panel = await loop.create_datagram_endpoint(Datagrams, remote_addr=(host, port), local_addr=here)
        else:
            panel = Stream(*await asyncio.open_connection(host, port, ssl=context, local_addr=here))
        self.panels.append(panel)
        return panel

    async def entry(self) -> dict[str, Any]:
        """The next entry that the bench shows."""
        async with asyncio.timeout(SECONDS):
            return await self.entries.get()

    async def say(self, panel: Panel, data: bytes) -> Said:
        """Send, wait until the bench has judged it, and gather the entries and the answer.

        A poll of another account goes after it as a mark. When the bench has judged what came before the mark, a second
        one is sent, and what came back before its answer is all that ever came.
        """
        entries = []
        await panel.send(data)
        await panel.send(MARK)
        marks = 0
        while not (marks and entries):
            entry = await self.entry()
            marks += entry["account"] == "0999"
            entries += [entry] * (entry["account"] != "0999")
        await panel.send(MARK)
        while marks < 2:
            entry = await self.entry()
            marks += entry["account"] == "0999"
            entries += [entry] * (entry["account"] != "0999")
        came = b""
        while came.count(MARKED) < 2:
            came += await panel.until(MARKED)
        return Said(entries, came.replace(MARKED, b""))

    def wish(self, **wish: Any) -> None:
        """Leave a wish in the journal, as `farend book on-test` and `farend clock confirm` do."""
        store = Store(self.path)
        store.wish(wish)
        store.close()

    def rows(self, **which: Any) -> list[dict[str, Any]]:
        """What is on disk."""
        store = Store(self.path)
        found = [json.loads(row.text) for row in store.rows(**which)]
        store.close()
        return found

    async def tells(self, what: str) -> bool:
        """Wait until a person is told that."""
        async with asyncio.timeout(SECONDS):
            while not any(what in line for line in self.told):
                self._news.clear()
                await self._news.wait()
        return True


@pytest_asyncio.fixture(loop_scope="session")
async def open_bench(reactor: Any, tmp_path: Path) -> AsyncIterator[Callable[..., Bench]]:
    """Opens benches. Each is stopped at the end, and the test fails if anything in one was an unhandled exception."""
    from twisted.internet.defer import ensureDeferred
    from twisted.logger import LogLevel, globalLogPublisher

    from receiver import bench as benches
    from receiver.lines import Limits

    failures: list[Any] = []

    def observe(event: Any) -> None:
        if event["log_level"] >= LogLevel.error:
            failures.append(event)

    def open_one(
        *lines: str,
        store: type[Store] = Store,
        unknown: Any = "duh",
        repeat_seconds: float = 120.0,
        limits: dict[str, float] | None = None,
        clock: Clock | None = None,
        book: Book | None = None,
        certificate: tuple[Path, Path] | None = None,
        keep_polls: bool = False,
        client_ca: Path | None = None,
        bounds: Bounds | None = None,
        mode: Any = "bench",
    ) -> Bench:
        path = tmp_path / f"{len(opened)}.journal"
        shown = Bench(None, path, {})
        shown.bench = benches.Bench(
            reactor,
            book or parse(BOOK, "station.toml", tmp_path),
            store(path, write=True),
            show=lambda entry: shown.entries.put_nowait(entry.found),
            told=shown.tell,
            settings=benches.Settings(
                Policy(unknown, repeat_seconds),
                keep_polls,
                Limits(**(limits or {})),
                bounds=bounds or Bounds(),
                mode=mode,
            ),
            clock=clock,
        )
        opened.append(shown)
        for line in lines or ("tcp", "udp"):
            kind, six = line.removesuffix("6"), line.endswith("6")
            files = certificate if kind == "tls" and certificate else (None, None)
            _, host, port = shown.bench.listen(
                benches.Listen(kind, "::1" if six else HOST, 0, *files, client_ca=client_ca if kind == "tls" else None)
            )
            shown.ports[line] = host, port
        shown.bench.start([(line, *where) for line, where in shown.ports.items()])
        return shown

    opened: list[Bench] = []
    globalLogPublisher.addObserver(observe)
    yield open_one
    for one in opened:
        for panel in one.panels:
            await panel.close()
        await ensureDeferred(one.bench.stop()).asFuture(asyncio.get_running_loop())
    globalLogPublisher.removeObserver(observe)
    assert not failures
    assert not [line for one in opened for line in one.told if "internal error" in line]


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The bench's certificate and its key."""
    return self_signed(tmp_path_factory.mktemp("tls"))


def self_signed(folder: Path, name: str = "bench") -> tuple[Path, Path]:
    """A self-signed certificate for 127.0.0.1 and its key, made now."""
    key = ec.generate_private_key(ec.SECP256R1())
    whose = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    made = (
        x509.CertificateBuilder(whose, whose)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(datetime.now(UTC) - timedelta(hours=1))
        .not_valid_after(datetime.now(UTC) + timedelta(hours=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(HOST))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    paths = folder / "certificate.pem", folder / "key.pem"
    paths[0].write_bytes(made.public_bytes(serialization.Encoding.PEM))
    form = serialization.PrivateFormat.PKCS8
    paths[1].write_bytes(key.private_bytes(serialization.Encoding.PEM, form, serialization.NoEncryption()))
    return paths


# The command from outside


def clean_environment(extra: dict[str, str] | None = None) -> dict[str, str]:
    """This environment, without what would change how the command behaves."""
    without = (
        "FAREND_JOURNAL",
        "PYTHONUNBUFFERED",
        "PYTHONDONTWRITEBYTECODE",  # would have each process compile all of farend anew
        "NO_COLOR",
        "FORCE_COLOR",
        "COLUMNS",
        "TTY_COMPATIBLE",
        "TTY_INTERACTIVE",
    )
    return {name: value for name, value in os.environ.items() if name not in without} | (extra or {})


def command(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "tools.farend", *map(str, arguments)]


class Done(NamedTuple):
    """A command that ended: its exit code, and what it said."""

    code: int
    out: bytes
    err: str

    @property
    def objects(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.out.splitlines()]


Farend = Callable[..., Done]


@pytest.fixture
def farend(tmp_path: Path) -> Farend:
    """Runs the command to its end, in a folder of its own."""

    def run(
        *arguments: object, stdin: bytes | None = b"", env: dict[str, str] | None = None, seconds: float = 30
    ) -> Done:
        ended = subprocess.run(
            command(*arguments),
            input=stdin,
            capture_output=True,
            cwd=tmp_path,
            env=clean_environment({"XDG_STATE_HOME": str(tmp_path / "state")} | (env or {})),
            timeout=seconds,
            check=False,
        )
        return Done(ended.returncode, ended.stdout, ended.stderr.decode())

    return run


@pytest.fixture
def inside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Farend:
    """Runs the command in this process: as telling where words and exit code matter, and much quicker."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))

    def run(*arguments: object, stdin: bytes = b"", env: dict[str, str] | None = None) -> Done:
        ended = CliRunner().invoke(app, list(map(str, arguments)), input=stdin, env=env)
        failed = ended.exception is not None and not isinstance(ended.exception, SystemExit)
        trace = "".join(traceback.format_exception(ended.exception)) if failed else ""
        return Done(ended.exit_code, ended.stdout_bytes, ended.stderr + trace)

    return run


class NoListening(Exception):
    """`farend listen` ended before it listened, and what it said."""


class Listening:
    """`farend listen --json` in a process of its own, read as it prints."""

    def __init__(self, *options: object, cwd: Path, env: dict[str, str] | None = None) -> None:
        self.process = subprocess.Popen(
            command("listen", "--json", *options),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd=cwd,
            env=clean_environment(env),
        )
        assert self.process.stdout
        assert self.process.stderr
        self.first = self.process.stdout.readline()
        self.lines: list[bytes] = []
        self.errors: list[bytes] = []
        self._threads = [
            threading.Thread(target=deque, args=(map(into.append, stream), 0))
            for into, stream in ((self.lines, self.process.stdout), (self.errors, self.process.stderr))
        ]
        for thread in self._threads:
            thread.start()
        if not self.first:
            self.end()
            raise NoListening(self.talk)

    def __enter__(self) -> "Listening":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end(signal.SIGKILL)

    def port(self, line: str = "tcp") -> int:
        (port,) = (one["port"] for one in json.loads(self.first)["listening"] if one["line"] == line)
        return int(port)

    def at(self, line: str = "tcp") -> str:
        return f"{HOST}:{self.port(line)}"

    @property
    def writer(self) -> int:
        """The process that writes its journal."""
        (found,) = (
            int(one)
            for task in Path(f"/proc/{self.process.pid}/task").iterdir()
            for one in (task / "children").read_text().split()
            if b"journal_apart" in Path(f"/proc/{one}/cmdline").read_bytes()
        )
        return found

    def end(self, how: signal.Signals = signal.SIGTERM) -> int:
        """End it, and give its exit code once all it printed is read."""
        if self.process.poll() is None:
            self.process.send_signal(how)
        code = self.process.wait(15)
        for thread in self._threads:
            thread.join()
        for stream in (self.process.stdout, self.process.stderr):
            assert stream
            stream.close()
        return code

    @property
    def objects(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.lines]

    @property
    def talk(self) -> str:
        return b"".join(self.errors).decode()

    def printed(self, count: int) -> list[dict[str, Any]]:
        """Wait until so many lines came after the first."""
        deadline = time.monotonic() + SECONDS
        while len(self.lines) < count:
            assert time.monotonic() < deadline, f"{len(self.lines)} lines instead of {count}: {self.talk}"
            time.sleep(0.01)
        return self.objects


@pytest.fixture
def listening(tmp_path: Path) -> Iterator[Callable[..., Listening]]:
    """Starts `farend listen --json` on a free port of TCP and of UDP, unless lines are given; each is stopped at the end."""
    started: list[Listening] = []

    def start(*options: object, env: dict[str, str] | None = None) -> Listening:
        if not {"--tcp", "--udp", "--tls"} & set(options):
            options = (*options, "--tcp", f"{HOST}:0", "--udp", f"{HOST}:0")
        started.append(Listening(*options, cwd=tmp_path, env=env))
        return started[-1]

    yield start
    for one in started:
        one.end(signal.SIGKILL)


@pytest.fixture(autouse=True)
def quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Argon2 is slow on purpose; in this process it is as quick as it can be. A test of the door looks at the real cost."""
    monkeypatch.setattr(door, "HASHER", argon2.PasswordHasher.from_parameters(argon2.profiles.CHEAPEST))


@pytest.fixture
def station(tmp_path: Path) -> Path:
    """The account book in a file."""
    path = tmp_path / "station.toml"
    path.write_text(BOOK)
    return path


def exchange(port: int, *frames: bytes, kind: socket.SocketKind = socket.SOCK_STREAM) -> list[bytes]:
    """Send frames one after the other on one socket, each once the one before is answered; the answers."""
    answers = []
    with socket.socket(socket.AF_INET, kind) as panel:
        panel.settimeout(SECONDS)
        panel.connect((HOST, port))
        for frame in frames:
            panel.sendall(frame)
            answer = b""
            while not answer.endswith(b"\r"):
                data = panel.recv(65536)
                assert data, "the receiver closed"
                answer += data
            answers.append(answer)
    return answers


def only(found: Sequence[Any], **fields: Any) -> list[Any]:
    """The entries that have these values."""
    return [one for one in found if all(one.get(name) == value for name, value in fields.items())]
