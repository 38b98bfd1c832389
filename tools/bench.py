"""How fast farend is, measured side by side in one run: `python -m tools.bench`, or `python3 tools/start.py bench`.

    echo      a line echo on the same reactor: what Twisted and the client of this file can do at all
    bench     the bench without a journal: decode, judge, answer
    durable   `farend listen --json` with its journal: each ACK leaves after its row was flushed to disk
    watched   the same, while a console shows what arrives on two live pages: does any page delay an ACK?
    redis     redis-server that flushes each SET to the same disk before it answers, driven by redis-benchmark
    tenth     durable at a tenth of its own rate: its slowest answers beside the disk's own flushes just before and after
    idle      what a connection costs that has said something and stays open, of 10,000
    disk      how often this disk flushes 200 bytes
    decode    `farend decode --json` over a file, on all processors
    captures  packets of so many frames brought in, written down as a golden file, and held to it; a tenth of them beside it
    tap       one message to an echo and back: straight, through `socat`, through `farend tap`, in turn
    load      `farend trial load` against the echo, faster and faster: what the load's client can offer, answers checked
    phone     calls as sound, heard by farend and by `multimon-ng` on the same files
    supervision    what it takes to know of a million paths which are overdue, on a simulated clock

Each connection has one message outstanding. Messages are openings by a user (no alarm, so nobody is told of them) from one
account a connection, each with a new sequence number. Every answer is compared with the one that is due, and the journal
is counted afterwards. Everything stays on 127.0.0.1.
"""

import argparse
import gc
import json
import os
import random
import select
import shutil
import signal
import socket
import sqlite3
import struct
import subprocess
import sys
import tempfile
import threading
import time
from array import array
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, nullcontext, suppress
from datetime import UTC, datetime
from http.client import HTTPConnection, HTTPException
from itertools import chain, count, islice
from pathlib import Path
from typing import Any, NoReturn
from urllib.parse import urlsplit

from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from protocols.dc09 import write_stamp
from receiver.trial.load import framed
from receiver.trial.load_driver import raise_open_files

ROOT = Path(__file__).resolve().parent.parent
HOST = "127.0.0.1"
CONTENDERS = ("echo", "bench", "durable", "watched", "redis")
NAMES = (*CONTENDERS, "tenth", "idle", "disk", "decode", "captures", "tap", "load", "supervision", "phone")
ACCOUNTS = 1000
PHONE = {"corners": "twist -4 or +8 dB with frequency -1.5 or +1.5 %", "nominal": "else as they should be"}
WARM_SECONDS = 0.3  # of load before the clock runs
LONGEST = 30.0  # seconds a contender; a stamp made at the start still passes at the end
PATIENCE = 10.0  # seconds for a server to come up, or for the last answers
IDLE = 10_000  # connections
POLL_SECONDS = 90  # that supervised paths promise, with a quarter of it as tolerance
SIMULATED_SECONDS = 390  # whoever polls for the last time in the third round is due within it
CAPTURED = 500  # messages a second in the packets that are brought in
LOOK_SECONDS = 0.25  # as the bench looks
LOADS = (1_000, 5_000, 10_000, 20_000, 30_000, 40_000, 60_000)  # messages a second; the last are beyond the echo
PAGES = 2  # that are open in a browser, as it were, while a contender is watched
RATIOS = (("durable", "redis"), ("durable", "bench"), ("bench", "echo"))

JOURNALS = ("durable", "watched")  # contenders that keep what came

Message = tuple[bytes, bytes]  # a frame, and the ACK that is due


# What is sent


def messages(number: int, stamp: Callable[[], str] | None = None) -> Iterator[Message]:
    """The messages of one account, without end and without a repeat: when the sequence starts again, the user is another."""
    account = f"{0x100000 + number:06X}"
    now = write_stamp(datetime.now(UTC))
    for one in count():
        head = f"{one % 9999 + 1:04d}R1L0#{account}["
        body = f'"ADM-CID"{head}#{account}|1401 01 {one // 9999 % 999 + 1:03d}]{stamp() if stamp else now}'
        yield framed(body.encode()), framed(f'"ACK"{head}]'.encode())


def write_book(path: Path) -> None:
    """A book with every account that `messages` can send for."""
    path.write_text(
        "".join(
            f'[[account]]\nnumber = "{0x100000 + n:06X}"\nname = "Account {n}"\npoll_seconds = 180\n\n'
            for n in range(ACCOUNTS)
        )
    )


# The client, a process of its own


def drive(port: int, connections: int, seconds: float, echo: bool, rate: float = 0.0) -> dict[str, Any]:
    """Keep one message outstanding on each connection for so long. Plain epoll, for the least work a message.

    With a rate (messages a second together) each connection waits for its turn after an answer.
    """
    raise_open_files(connections)
    ready = int(50_000 * (seconds + 1) / connections) + 1
    panels: dict[int, tuple[Callable[[int], bytes], Callable[[bytes], int], Callable[[], Message]]] = {}
    sockets, began, due, held = [], {}, {}, {}  # type: ignore[var-annotated]
    with select.epoll() as poll:
        for number in range(connections):
            one = socket.create_connection((HOST, port), PATIENCE)
            one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            one.setblocking(False)
            sockets.append(one)
            source = messages(number % ACCOUNTS)
            panels[one.fileno()] = one.recv, one.send, chain(list(islice(source, ready)), source).__next__
            poll.register(one, select.EPOLLIN)
        took, wrong, first_wrong = array("q"), 0, ""
        clock, cpu = time.perf_counter_ns, 0.0
        start = clock() + int(WARM_SECONDS * 1e9)
        end = start + int(seconds * 1e9)
        turn = int(connections / rate * 1e9) if rate else 0  # of one connection, in nanoseconds
        resting: deque[tuple[int, int]] = deque()  # until when, and which
        meant: dict[int, int] = {}  # when each was to send last: turns follow from that, or they would bunch together
        for place, (number, (_, send, following)) in enumerate(panels.items()):
            if rate:
                resting.append((start + int(place / rate * 1e9), number))
                continue
            frame, ack = following()
            due[number], began[number] = frame if echo else ack, clock()
            send(frame)
        total = 0
        while due or resting:
            while resting and resting[0][0] <= clock():
                when, number = resting.popleft()
                meant[number] = when
                _, send, following = panels[number]
                frame, due[number] = following()
                began[number] = clock()
                send(frame)
            wait = max((resting[0][0] - clock()) / 1e9, 0.0) if resting else PATIENCE
            if turn:
                select.select([poll], (), (), wait)  # epoll itself counts in milliseconds, and would bunch them too
                wait = 0.0
            events = poll.poll(wait)
            if not events and not resting:
                break
            if not cpu and clock() >= start:
                cpu = time.process_time()
            for number, _ in events:
                receive, send, following = panels[number]
                data = receive(4096)
                now = clock()
                if number in held:
                    data = held.pop(number) + data
                if data != due[number]:
                    if data and due[number].startswith(data):  # the rest of the answer is still under way
                        held[number] = data
                        continue
                    wrong += 1
                    first_wrong = first_wrong or f"{data!r} instead of {due[number]!r}"
                    if not data:
                        poll.unregister(number)
                        del due[number]
                        continue
                else:
                    total += 1
                    if start <= now < end:
                        took.append(now - began[number])
                if now >= end:
                    poll.unregister(number)
                    del due[number]
                    continue
                if turn:
                    del due[number]
                    resting.append((meant[number] + turn, number))
                    continue
                frame, ack = following()
                due[number] = frame if echo else ack
                began[number] = clock()
                send(frame)
        busy = (time.process_time() - cpu) / ((clock() - start) / 1e9)
        for one in sockets:
            one.close()
    if due and not first_wrong:
        first_wrong = f"{len(due)} answers did not come within {PATIENCE:.0f} s"
    return {
        "per_second": len(took) / seconds,
        **percentiles(took),
        "answers": total,
        "wrong": wrong + len(due),
        "first_wrong": first_wrong,
        "client_cpu": busy,
    }


def percentiles(took: Sequence[int]) -> dict[str, float]:
    """The median and the ninety-ninth percentile in milliseconds."""
    ordered = sorted(took) or [0]
    return {f"p{part}_ms": ordered[min(len(ordered) * part // 100, len(ordered) - 1)] / 1e6 for part in (50, 99)}


# The servers, processes of their own


def serve(what: str, port: int, book: Path) -> None:
    """Run a contender that is no command of its own, until a signal ends it."""
    from receiver.reactor import install

    reactor = install()
    if what == "echo":
        from twisted.internet.protocol import Factory
        from twisted.protocols.basic import LineOnlyReceiver

        class Echo(LineOnlyReceiver):
            delimiter = b"\r"

            def lineReceived(self, line: bytes) -> None:
                self.sendLine(line)

        reactor.listenTCP(port, Factory.forProtocol(Echo), backlog=1024, interface=HOST)
    else:
        from receiver.bench import Bench, Listen
        from receiver.book import load

        bench = Bench(reactor, load(book), None)
        reactor.callWhenRunning(bench.start, [bench.listen(Listen("tcp", HOST, port))])
    reactor.run()


def command_of(what: str, port: int, folder: Path, to: int = 0) -> list[str]:
    """How a contender is started."""
    book = str(folder / "book.toml")
    if what == "socat":
        return ["socat", f"TCP-LISTEN:{port},bind={HOST},fork,reuseaddr,nodelay", f"TCP:{HOST}:{to},nodelay"]
    if what == "tap":
        where = ["--listen", f"{HOST}:{port}", "--to", f"{HOST}:{to}", "--only", "tcp"]
        return [*python("tools.farend"), "tap", *where, "--capture", str(folder / "x.capture")]
    if what == "redis":
        where = ["--port", str(port), "--bind", HOST, "--dir", str(folder), "--maxclients", "5000"]
        return ["redis-server", *where, "--save", "", "--appendonly", "yes", "--appendfsync", "always"]
    if what in JOURNALS:
        listening = ["--tcp", f"{HOST}:{port}", "--book", book, "--journal", str(folder / "bench.journal")]
        return [*python("tools.farend"), "listen", "--json", *listening]
    return [*python("tools.bench"), "--serve", what, "--port", str(port), "--book", book]


def python(module: str) -> list[str]:
    return [sys.executable, "-P", "-m", module]


def environment() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(ROOT)}


@contextmanager
def running(what: str, folder: Path, to: int = 0) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """A contender that accepts connections on the port; ended and waited for afterwards, whatever happens.

    `to` is the port that a pass-through passes on to.
    """
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port = probe.getsockname()[1]
    log = folder / "stderr"
    with log.open("wb") as errors:
        # The output is read by nobody, as at a station whose other programs read the journal.
        process = subprocess.Popen(
            command_of(what, port, folder, to),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=errors,
            env=environment(),
        )
    try:
        until = time.monotonic() + PATIENCE
        while True:
            try:
                socket.create_connection((HOST, port), 1).close()
                break
            except OSError:
                if process.poll() is not None or time.monotonic() > until:
                    raise Failed(f"{what} did not start: {log.read_text(errors='replace')[-2000:]}") from None
                time.sleep(0.02)
        yield process, port
    finally:
        process.terminate()
        try:
            process.wait(PATIENCE)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


@contextmanager
def watching(folder: Path) -> Iterator[None]:
    """A console over the journal, and live pages that take whatever it sends; Failed where they were sent nothing."""
    console = ["--http", f"{HOST}:0", "--journal", str(folder / "bench.journal"), "--book", str(folder / "book.toml")]
    process = subprocess.Popen(
        [*python("tools.farend"), "console", *console], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE, text=True, env=environment(),
    )  # fmt: skip
    assert process.stderr
    try:
        link = next((line.split()[-1] for line in process.stderr if "come in: " in line), None)
        if link is None:
            raise Failed("the console did not start")
        place = urlsplit(link)
        door = HTTPConnection(HOST, place.port or 0, timeout=PATIENCE)
        door.request("POST", place.path, "name=bench", {"content-type": "application/x-www-form-urlencoded"})
        cookie = (door.getresponse().getheader("set-cookie") or "").partition(";")[0]
        came = [0] * PAGES
        readers = [threading.Thread(target=_read, args=(place.port, cookie, came, page)) for page in range(PAGES)]
        for reader in readers:
            reader.start()
        yield
    finally:
        process.terminate()
        process.communicate()
    for reader in readers:
        reader.join()
    if not all(came):
        raise Failed("a live page was sent nothing")


def _read(port: int, cookie: str, came: list[int], page: int) -> None:
    """One live page, until the console ends; how many bytes it was sent goes into `came`."""
    connection = HTTPConnection(HOST, port)
    with suppress(OSError, HTTPException):
        connection.request("GET", "/live/stream", headers={"cookie": cookie})
        answer = connection.getresponse()
        while data := answer.read1():
            came[page] += len(data) * (answer.status == 200)


class Failed(Exception):
    """A measurement that could not be made, and why."""


# The measurements


def measure(what: str, connections: int, seconds: float, disk: Path) -> dict[str, Any]:
    """One contender with so many connections."""
    with tempfile.TemporaryDirectory(dir=disk) as name:
        folder = Path(name)
        write_book(folder / "book.toml")
        with running(what, folder) as (process, port), watching(folder) if what == "watched" else nullcontext():
            before, began = sum(map(cpu_seconds, tree(process.pid))), time.monotonic()
            if what == "redis":
                found = drive_redis(port, connections, seconds)
            else:
                found = drive_own(what, port, connections, seconds)
            # The client makes its messages ready before it begins: the server is idle then.
            busy = sum(map(cpu_seconds, tree(process.pid))) - before
            found["server_cpu"] = busy / found.pop("took", time.monotonic() - began)
        if what in JOURNALS:
            check_journal(folder / "bench.journal", found)
    return {"what": what, "connections": connections, **found}


def measure_tenth(connections: int, seconds: float, disk: Path) -> dict[str, Any]:
    """The whole bench at full speed, and then at a tenth of it, between two looks at the disk."""
    with tempfile.TemporaryDirectory(dir=disk) as name:
        both = Path(name) / "full", Path(name) / "tenth"
        for folder in both:
            folder.mkdir()
            write_book(folder / "book.toml")
        with running("durable", both[0]) as (_, port):
            full = drive_own("durable", port, connections, seconds)
        with running("durable", both[1]) as (_, port):
            before = measure_disk(disk)
            found = drive_own("durable", port, connections, seconds, full["per_second"] / 10)
            after = measure_disk(disk)
        check_journal(both[1] / "bench.journal", found)
    flush = {name: max(before[name], after[name]) for name in ("p50_ms", "p99_ms")}
    times = found["p99_ms"] / flush["p99_ms"]
    return {
        "what": "tenth",
        "connections": connections,
        **found,
        "full": full["per_second"],
        "flush": flush,
        "times": times,
    }


def measure_idle(disk: Path) -> dict[str, Any]:
    """What the bench's memory grows by for each connection that is kept; each has said one thing and been answered."""
    raise_open_files(IDLE)
    with tempfile.TemporaryDirectory(dir=disk) as name:
        folder = Path(name)
        write_book(folder / "book.toml")
        with running("durable", folder) as (process, port), ExitStack() as kept:
            sources = [messages(number) for number in range(ACCOUNTS)]

            def ask(one: socket.socket, number: int) -> float:
                frame, ack = next(sources[number % ACCOUNTS])
                began = time.perf_counter()
                one.sendall(frame)
                if one.recv(4096) != ack:
                    raise Failed("a message was not acknowledged")
                return time.perf_counter() - began

            def call() -> socket.socket:
                return kept.enter_context(socket.create_connection((HOST, port), PATIENCE))

            first = call()
            for number in range(2 * ACCOUNTS):  # what each account costs is there before
                ask(first, number)
            before = sum(map(memory_of, tree(process.pid)))
            for number in range(IDLE):
                ask(call(), number)
            grown = sum(map(memory_of, tree(process.pid))) - before
            took = array("q", [round(ask(first, number) * 1e9) for number in range(1000)])
    return {"what": "idle", "connections": IDLE, "bytes_each": grown / IDLE, **percentiles(took), "wrong": 0}


def drive_own(what: str, port: int, connections: int, seconds: float, rate: float = 0.0) -> dict[str, Any]:
    load = [*("--drive", what), *("--port", str(port)), *("--connections", str(connections)), *("--rate", str(rate))]
    done = run([*python("tools.bench"), *load, "--seconds", str(seconds)], seconds + 6 * PATIENCE)
    return {**json.loads(done), "took": seconds + WARM_SECONDS}


def drive_redis(port: int, connections: int, seconds: float) -> dict[str, Any]:
    """redis-benchmark counts requests, not seconds: a short run first tells how many fill the time."""
    clients = ["-h", HOST, "-p", str(port), "-c", str(connections), "-t", "set", "-d", "75", "-r", "1000000", "--csv"]
    requests, found = max(500, 5 * connections), {}
    for _ in range(2):
        began = time.monotonic()
        output = run(["redis-benchmark", *clients, "-n", str(requests)], seconds * 5 + PATIENCE)
        took = time.monotonic() - began
        head, values = (line.replace('"', "").split(",") for line in output.splitlines()[-2:])
        found = dict(zip(head, values, strict=True))
        requests = max(requests, int(float(found["rps"]) * seconds))
    return {
        "per_second": float(found["rps"]),
        "p50_ms": float(found["p50_latency_ms"]),
        "p99_ms": float(found["p99_latency_ms"]),
        "wrong": 0,
        "took": took,
    }


def check_journal(path: Path, found: dict[str, Any]) -> None:
    """Every ACK must have its row, and no message may have been taken for anything but a new one."""
    with sqlite3.connect(path) as db:
        kept = dict(db.execute("SELECT verdict, count(*) FROM entry WHERE verdict IS NOT NULL GROUP BY verdict"))
    db.close()
    if kept.get("accepted", 0) < found["answers"] or set(kept) != {"accepted"}:
        found["wrong"] += max(found["answers"] - kept.get("accepted", 0), 1)
        found["first_wrong"] = found["first_wrong"] or f"{found['answers']} ACKs, but the journal holds {kept}"


def measure_disk(disk: Path) -> dict[str, Any]:
    """How often 200 bytes more are flushed in a second."""
    with tempfile.TemporaryFile(dir=disk, buffering=0) as file:
        took, end = array("q"), time.perf_counter() + 2
        while time.perf_counter() < end:
            began = time.perf_counter_ns()
            file.write(bytes(200))
            os.fdatasync(file.fileno())
            took.append(time.perf_counter_ns() - began)
    return {"what": "disk", "place": place_of(disk), "per_second": len(took) / 2, **percentiles(took)}


def measure_decode(frames: int, disk: Path) -> dict[str, Any]:
    """`farend decode --json` over so many frames: frames a second with its start, and the most memory it held."""
    with tempfile.TemporaryDirectory(dir=disk) as name:
        path = Path(name) / "frames"
        sources = [messages(number) for number in range(ACCOUNTS)]
        block = b"".join(next(sources[number % ACCOUNTS])[0] for number in range(min(frames, 1_000_000)))
        with path.open("wb") as file:
            for _ in range(max(frames // 1_000_000, 1)):
                file.write(block)
        took, memory = alone(["decode", "--json", str(path)], 60 + frames / 1000)
    return {"what": "decode", "frames": frames, "per_second": frames / took, "peak_rss_mb": memory / 1024}


def alone(command: list[str], seconds: float) -> tuple[float, float]:
    """Run `farend` once, for so long at most: how long it took with its start, and the most memory it held, in KB."""
    began, memory = time.monotonic(), 0
    process = subprocess.Popen(
        [*python("tools.farend"), *command],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=environment(),
    )
    try:
        while process.poll() is None:
            memory = max(memory, sum(map(peak_memory, tree(process.pid))))
            if time.monotonic() > began + seconds:
                raise Failed(f"{command[0]} took too long")
            time.sleep(0.02)
    finally:
        process.kill()
        process.wait()
    if process.returncode:
        raise Failed(f"{' '.join(command[:2])} ended with {process.returncode}")
    return time.monotonic() - began, memory


def measure_captures(frames: int, disk: Path) -> dict[str, Any]:
    """Packets of so many frames, half messages and half answers, through `capture import`, `expect` and `verify`."""
    steps: dict[str, Any] = {}
    with tempfile.TemporaryDirectory(dir=disk) as name:
        folder = Path(name)
        write_packets(folder / "x.pcap", frames)
        write_book(folder / "book.toml")
        for step, command in (
            ("import", ["import", str(folder / "x.pcap"), "--capture", str(folder / "x.capture")]),
            ("expect", ["expect", str(folder / "x.capture"), "--book", str(folder / "book.toml")]),
            ("verify", ["verify", str(folder / "x.capture")]),
        ):
            took, memory = alone(["capture", *command], 60 + frames / 1000)
            steps[step] = {"seconds": took, "per_second": frames / took, "peak_rss_mb": memory / 1024}
    return {"what": "captures", "frames": frames, "steps": steps}


def write_packets(path: Path, frames: int) -> None:
    """A pcap of raw IPv4: a TCP connection an account, `CAPTURED` messages a second in all, each answered at once."""
    began, number = int(time.time()), 0
    sources = [
        messages(one, lambda: write_stamp(datetime.fromtimestamp(began + number // CAPTURED, UTC)))
        for one in range(ACCOUNTS)
    ]
    places = [[1, 1] for _ in range(ACCOUNTS)]
    with path.open("wb") as file:
        file.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 101))
        for number in range(frames // 2):
            which = number % ACCOUNTS
            place, port = places[which], 20_000 + which
            for end, data in enumerate(next(sources[which])):
                ports = (port, 12009) if end == 0 else (12009, port)
                hosts = b"\xc0\x00\x02\x07\xc6\x33\x64\x01" if end == 0 else b"\xc6\x33\x64\x01\xc0\x00\x02\x07"
                segment = struct.pack(">HHIIBBHHH", *ports, place[end], place[1 - end], 0x50, 16, 8192, 0, 0) + data
                packet = struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(segment), 0, 0, 64, 6, 0) + hosts + segment
                when = began + number // CAPTURED, number % CAPTURED * 1_000_000 // CAPTURED
                file.write(struct.pack("<IIII", *when, len(packet), len(packet)))
                file.write(packet)
                place[end] = (place[end] + len(data)) % (1 << 32)


def measure_tap(seconds: float, disk: Path) -> dict[str, Any]:
    """Round trips of one message to an echo, in turn over each way: what each adds to the straight one."""
    frame = next(messages(0))[0]
    took: dict[str, list[int]] = {"straight": [], "socat": [], "tap": []}
    with (
        tempfile.TemporaryDirectory(dir=disk) as name,
        running("echo", Path(name)) as (_, echo),
        running("socat", Path(name), echo) as (_, socat),
        running("tap", Path(name), echo) as (_, tap),
        socket.create_connection((HOST, echo), PATIENCE) as first,
        socket.create_connection((HOST, socat), PATIENCE) as second,
        socket.create_connection((HOST, tap), PATIENCE) as third,
    ):
        ways = list(zip(took.values(), (first, second, third), strict=True))
        for _, one in ways:
            one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            for times, one in ways:
                began = time.perf_counter_ns()
                one.sendall(frame)
                back = b""
                while len(back) < len(frame):
                    back += one.recv(4096)
                times.append(time.perf_counter_ns() - began)
                if back != frame:
                    raise Failed("an echo came back changed")
            time.sleep(0.001)  # a panel's message finds an idle machine, not one that is just warm
    ways_told = {way: percentiles(times) | {"round_trips": len(times)} for way, times in took.items()}
    return {"what": "tap", "ways": ways_told}


def measure_phone(calls: int, disk: Path) -> dict[str, Any]:
    """Calls at 15 dB, with the worst twist and frequency and without, heard by farend and multimon-ng on the same files."""
    from protocols import contact_id
    from protocols.phone.sound import Flaws, make_call
    from receiver import sound_files
    from receiver.trial import line

    corners = [(twist, frequency) for twist in (-4.0, 8.0) for frequency in (-1.5, 1.5)]
    other = line.command("multimon-ng -q -a DTMF -t wav {wav}")
    ways = {kind: {"calls": 0, "farend": 0, "multimon-ng": 0, "misread": 0} for kind in ("corners", "nominal")}
    seconds, heard = 0.0, {"farend": 0.0, "multimon-ng": 0.0}
    path = disk / "call.wav"
    for number in range(calls):
        digits = contact_id.block(f"{1000 + number}".replace("A", "0"), f"1131 {number % 100:02d} {number % 1000:03d}")
        twist, frequency = corners[number % len(corners)]
        for kind, flaws in (("corners", Flaws(twist=twist, frequency=frequency, snr=15)), ("nominal", Flaws(snr=15))):
            made = make_call([digits], flaws, seed=number)
            sound_files.write(path, made.line, made.rate)
            probe = line.Probe(line.points()[0], number, digits, 0)
            seconds += len(made.panel) / made.rate
            ways[kind]["calls"] += 1
            for name, decoder, clock in (
                ("farend", line.ours, time.process_time),
                ("multimon-ng", other, time.monotonic),
            ):
                began = clock()
                found = decoder(probe, path)
                heard[name] += clock() - began
                ways[kind][name] += found == [digits]
                ways[kind]["misread"] += name == "farend" and bool(found) and found != [digits]
    faster = {name: seconds / took for name, took in heard.items()}
    return {"what": "phone", "ways": ways, "times_faster": faster}


def measure_load(rate: int, seconds: float, disk: Path) -> dict[str, Any]:
    """The load's client at one rate, against the echo, from the `ACCOUNTS` panels that keep their connections."""
    order = ["--accounts", ACCOUNTS, "--rate", rate, "--for", seconds, "--late", PATIENCE, "--seed", rate]
    with tempfile.TemporaryDirectory(dir=disk) as name, running("echo", Path(name)) as (_, port):
        load = [*python("tools.farend"), "trial", "load", f"{HOST}:{port}", "--echo", "--json", *map(str, order)]
        found = json.loads(run(load, seconds + 6 * PATIENCE, may=(0, 1)).splitlines()[-1])
    lost = found["lost"] + found["late"] + found["wrong"]
    return {
        "what": "load",
        "rate": rate,
        "connections": ACCOUNTS,
        "per_second": found["answered_per_s"],
        "offered_per_s": found["offered_per_s"],
        **{f"{name}_ms": found["delay_ms"][name] for name in ("p50", "p99", "p99.9")},
        **{f"lag_{name}_ms": found["client_lag_ms"][name] for name in ("p50", "p99")},
        "wrong": lost,
        "first_wrong": f"{found['lost']} lost, {found['late']} late, {found['wrong']} wrong" if lost else "",
    }


def measure_supervision(paths: int) -> dict[str, Any]:
    """So many supervised paths over thirteen simulated minutes, in a process of their own."""
    return json.loads(run([*python("tools.bench"), "--simulate", "--paths", str(paths)], 600))  # type: ignore[no-any-return]


def simulate(paths: int) -> dict[str, Any]:
    """Two paths an account, each polling every 180 s at a random phase; one of a thousand falls silent at a known time.

    The same loop runs once without supervision, so that its own work can be told apart.
    """
    from receiver.book import Promise
    from receiver.supervision import Overdue, Supervision

    dice, names, line = random.Random(4471), ("wired", "cellular"), ("tcp", 12009)
    marks = [f"{number:X}" for number in range(0x100000, 0x100000 + paths // 2)]
    phases = [dice.random() * POLL_SECONDS for _ in range(paths)]
    order = array("I", sorted(range(paths), key=phases.__getitem__))
    # The last round of polls that each still takes part in; the others never stop.
    last_round = {path: dice.randrange(1, 3) for path in dice.sample(range(paths), max(paths // 1000, 1))}
    promises = [Promise(name, "poll", POLL_SECONDS, POLL_SECONDS // 4) for name in names]
    dues = {path: phases[path] + POLL_SECONDS * (one + 1) + POLL_SECONDS // 4 for path, one in last_round.items()}

    def live(hear: Callable[..., None], look: Callable[[float], list[Any]]) -> tuple[int, float, float]:
        heard, at, longest = 0, 0, 0.0
        began = time.process_time()
        for step in range(1, round(SIMULATED_SECONDS / LOOK_SECONDS) + 1):
            tick = step * LOOK_SECONDS
            while True:
                turn, place = divmod(at, paths)
                path = order[place]
                moment = turn * POLL_SECONDS + phases[path]
                if moment > tick:
                    break
                at += 1
                if turn <= last_round.get(path, turn):
                    heard += 1
                    hear(marks[path >> 1], names[path & 1], line, moment)
            looked = time.perf_counter()
            for event in look(tick):
                told.append((tick, event))
            longest = max(longest, time.perf_counter() - looked)
        return heard, time.process_time() - began, longest

    told: list[tuple[float, Any]] = []
    _, simulator, _ = live(lambda *_: None, lambda _: [])
    gc.collect()
    before, began = resident_memory(), time.monotonic()
    supervision = Supervision(0.0)
    supervision.take(((mark, promises, True) for mark in marks), 0.0)
    took = time.monotonic() - began
    heard, cpu, longest = live(supervision.hear, supervision.due)
    memory = resident_memory() - before
    number_of = {mark: number for number, mark in enumerate(marks)}
    late = array("q")
    wrong = len(told) - len(dues)
    for tick, event in told:
        path = number_of[event.account] * 2 + names.index(event.promise.path) if isinstance(event, Overdue) else -1
        if path in dues and tick >= dues[path]:
            late.append(round((tick - dues.pop(path)) * 1e9))
    wrong = max(abs(wrong), len(dues))
    return {
        "what": "supervision",
        "paths": paths,
        "simulated_s": SIMULATED_SECONDS,
        "silent": len(last_round),
        "overdue": len(late),
        "wrong": wrong,
        "first_wrong": f"{len(told)} events for {len(last_round)} silent paths, {len(dues)} of them not told"
        * bool(wrong),
        "late_s": {
            **{name.removesuffix("_ms"): value / 1000 for name, value in percentiles(late).items()},
            "max": max(late, default=0) / 1e9,
        },
        "memory_mb": memory / 1e6,
        "bytes_a_path": memory / paths,
        "cpu_share": (cpu - simulator) / SIMULATED_SECONDS,
        "simulator_cpu_share": simulator / SIMULATED_SECONDS,
        "longest_look_ms": longest * 1000,
        "take_s": took,
        "per_second": heard / SIMULATED_SECONDS,
    }


def resident_memory() -> int:
    """What this process holds now, in bytes."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def run(command: list[str], seconds: float, may: Sequence[int] = (0,)) -> str:
    """Run a client for so long at most, to one of the exit codes that it may have; what it printed."""
    done = subprocess.run(
        command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=seconds, env=environment()
    )
    if done.returncode not in may:
        raise Failed(f"{Path(command[0]).name} ended with {done.returncode}: {done.stderr[-2000:]}")
    return done.stdout


def tree(pid: int) -> list[int]:
    """A process and those that it has started, and so on."""
    found = [pid]
    with suppress(OSError):
        for thread in Path(f"/proc/{pid}/task").iterdir():
            for child in (thread / "children").read_text().split():
                found += tree(int(child))
    return found


def cpu_seconds(pid: int) -> float:
    """The processor time a process has used, all its threads; 0 where it has gone."""
    try:
        user, system = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11:13]
    except OSError:
        return 0.0
    return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")


def memory_of(pid: int) -> int:
    """What a process holds now that is not shared with another, in bytes."""
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return sum(int(line.split()[1]) for line in lines if line.startswith("Private_")) * 1024


def peak_memory(pid: int) -> int:
    # Not getrusage: what a child reports there includes the parent it was forked from.
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in lines if line.startswith("VmHWM:")), 0)


def place_of(path: Path) -> str:
    """The file system a folder is on."""
    mounts = [line.split()[:3] for line in Path("/proc/mounts").read_text().splitlines()]
    fitting = [(len(point), f"{kind} on {device}") for device, point, kind in mounts if path.is_relative_to(point)]
    place = max(fitting)[1]
    return f"{place} (memory, no disk)" if place.startswith(("tmpfs", "ramfs")) else place


# What is shown


def show(results: list[dict[str, Any]]) -> None:
    """The tables for a person."""
    out = Console(highlight=False)
    table = Table(title="one message outstanding on each connection; server, client: use of a processor")
    for column in ("panels", "contender", "messages/s", "p50 ms", "p99 ms", "wrong", "server", "client"):
        table.add_column(column, justify="left" if column == "contender" else "right")
    loads = [one for one in results if one["what"] in CONTENDERS]
    for before, one in zip([None, *loads], loads, strict=False):
        if before and before["connections"] != one["connections"]:
            table.add_section()
        table.add_row(
            f"{one['connections']:,}",
            one["what"],
            f"{one['per_second']:,.0f}",
            f"{one['p50_ms']:.2f}",
            f"{one['p99_ms']:.2f}",
            str(one["wrong"]),
            f"{one['server_cpu']:.0%}",
            f"{one['client_cpu']:.0%}" if "client_cpu" in one else "–",
        )
    if loads:
        out.print(table)
    if rates := [one for one in results if one["what"] == "load"]:
        out.print(_loads(rates))
    for one in results:
        if one["what"] == "ratio":
            out.print(f"{one['connections']:>6,} connections: {one['of']} / {one['to']} = {one['ratio']:.2f}")
        elif one["what"] == "console":
            heads = f"without a console | with one and {PAGES} live pages"
            out.print(f"{one['connections']:>6,} connections, {one['rounds']} rounds: {heads}")
            for name, unit, form in (
                *(("per_second", "messages/s", ",.0f"), ("p50_ms", "ms p50", ".2f"), ("p99_ms", "ms p99", ".2f")),
            ):
                (a, median, z), (b, other, y) = one["without"][name], one["with"][name]
                both = f"{median:{form}} ({a:{form}} to {z:{form}}) | {other:{form}} ({b:{form}} to {y:{form}})"
                out.print(
                    f"{unit:>16}  {both}: spreads {'overlap' if a <= y and b <= z else 'do not overlap'}",
                    soft_wrap=True,
                )
        elif one["what"] == "disk":
            out.print(
                f"disk ({one['place']}): {one['per_second']:,.0f} flushes of 200 bytes a second,"
                f" p50 {one['p50_ms']:.2f} ms, p99 {one['p99_ms']:.2f} ms",
                soft_wrap=True,
            )
        elif one["what"] == "tenth":
            out.print(
                f"{one['connections']:>6,} connections, {one['full'] / 10:,.0f} messages/s (a tenth):"
                f" p50 {one['p50_ms']:.2f} ms, p99 {one['p99_ms']:.2f} ms; a flush of the disk"
                f" p50 {one['flush']['p50_ms']:.2f} ms, p99 {one['flush']['p99_ms']:.2f} ms: {one['times']:.1f} times",
                soft_wrap=True,
            )
        elif one["what"] == "idle":
            out.print(
                f"{one['connections']:>6,} open connections: {one['bytes_each'] / 1000:.1f} KB each; meanwhile another is"
                f" answered in p50 {one['p50_ms']:.2f} ms, p99 {one['p99_ms']:.2f} ms"
            )
        elif one["what"] == "decode":
            out.print(
                f"decode --json: {one['per_second']:,.0f} frames/s over {one['frames']:,} frames,"
                f" peak memory {one['peak_rss_mb']:.0f} MB",
                soft_wrap=True,
            )
        elif one["what"] == "tap":
            straight = one["ways"]["straight"]
            for way, found in one["ways"].items():
                added = found["p50_ms"] - straight["p50_ms"]
                out.print(
                    f"tap: {way:9} p50 {found['p50_ms']:.3f} ms (adds {added:.3f}), p99 {found['p99_ms']:.3f} ms,"
                    f" {found['round_trips']:,} round trips"
                )
        elif one["what"] == "captures":
            steps = (
                f"{step} {found['seconds']:.1f} s, {found['per_second']:,.0f} frames/s, {found['peak_rss_mb']:.0f} MB"
                for step, found in one["steps"].items()
            )
            out.print(f"captures, {one['frames']:,} frames: {'; '.join(steps)}", soft_wrap=True)
        elif one["what"] == "phone":
            for kind, found in one["ways"].items():
                out.print(
                    f"phone, {found['calls']:,} calls at 15 dB, {PHONE[kind]}: read by farend {found['farend']:,},"
                    f" misread {found['misread']:,}; by multimon-ng {found['multimon-ng']:,}",
                    soft_wrap=True,
                )
            faster = one["times_faster"]
            out.print(
                f"phone: farend hears {faster['farend']:,.0f} times faster than the call lasts, on one core;"
                f" multimon-ng, started for each call, {faster['multimon-ng']:,.0f} times",
                soft_wrap=True,
            )
        elif one["what"] == "supervision":
            late = one["late_s"]
            out.print(
                f"supervision: {one['paths']:,} paths, {one['simulated_s'] / 60:.0f} simulated minutes with"
                f" {one['per_second']:,.0f} messages/s: {one['memory_mb']:.0f} MB ({one['bytes_a_path']:.0f} bytes a path),"
                f" {one['cpu_share']:.1%} of a processor (the simulator itself {one['simulator_cpu_share']:.1%});"
                f" {one['overdue']:,} of {one['silent']:,} silent paths told, late by p50 {late['p50']:.2f} s,"
                f" p99 {late['p99']:.2f} s, max {late['max']:.2f} s; longest look {one['longest_look_ms']:.0f} ms;"
                f" the book taken in {one['take_s']:.1f} s",
                soft_wrap=True,
            )


def _loads(rates: Sequence[dict[str, Any]]) -> Table:
    table = Table(
        title=f"trial load against the echo, {ACCOUNTS:,} panels; a delay counts from when the message was due"
    )
    columns = {
        "p50 ms": "p50_ms",
        "p99 ms": "p99_ms",
        "p99.9 ms": "p99.9_ms",
        "client late, p50": "lag_p50_ms",
        "p99": "lag_p99_ms",
    }
    for column in ("offered/s", "answered/s", *columns, "wrong"):
        table.add_column(column, justify="right")
    for one in rates:
        delays = (f"{one[name]:.2f}" for name in columns.values())
        table.add_row(f"{one['offered_per_s']:,.0f}", f"{one['per_second']:,.0f}", *delays, str(one["wrong"]))
    return table


def medians(results: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Of the rounds of a contender the one of median speed; a round with wrong answers is shown before any other."""
    rounds: dict[Any, list[dict[str, Any]]] = {}
    for one in results:
        rounds.setdefault((one["what"], one.get("connections"), one.get("rate"), one.get("frames")), []).append(one)
    return [
        max(same, key=lambda one: one["wrong"])
        if any(one.get("wrong") for one in same)
        else sorted(same, key=lambda one: one.get("per_second", 0.0))[len(same) // 2]
        for same in rounds.values()
    ]


def beside(results: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Each figure of all rounds without a console and with one: least, median and most, for each number of connections."""
    rounds: dict[tuple[int, str], list[dict[str, Any]]] = {}
    for one in results:
        if one["what"] in JOURNALS:
            rounds.setdefault((one["connections"], one["what"]), []).append(one)
    spread = {
        which: {name: _spread([one[name] for one in same]) for name in ("per_second", "p50_ms", "p99_ms")}
        for which, same in rounds.items()
    }
    return [
        {"what": "console", "connections": number, "rounds": len(rounds[number, name]), "without": spread[number, name],
         "with": spread[number, "watched"]}
        for number, name in spread if name == "durable" and (number, "watched") in spread
    ]  # fmt: skip


def _spread(values: list[float]) -> list[float]:
    ordered = sorted(values)
    return [ordered[0], ordered[len(ordered) // 2], ordered[-1]]


def ratios(results: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """How the contenders stand to each other, for each number of connections."""
    speed = {(one["what"], one["connections"]): one["per_second"] for one in results if one["what"] in CONTENDERS}
    return [
        {"what": "ratio", "of": of, "to": to, "connections": connections, "ratio": fast / speed[to, connections]}
        for (of, connections), fast in speed.items()
        for one, to in RATIOS
        if one == of and speed.get((to, connections))
    ]


def main() -> int:
    """Run the command line. 1 when an answer was wrong or a measurement could not be made."""
    wanted = options()
    if wanted.serve:
        serve(wanted.serve, wanted.port, wanted.book)
        return 0
    if wanted.simulate:
        print(json.dumps(simulate(wanted.paths)))
        return 0
    if wanted.drive:
        print(
            json.dumps(drive(wanted.port, wanted.connections[0], wanted.seconds, wanted.drive == "echo", wanted.rate))
        )
        return 0
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, _end)  # so that the servers are ended too
    talk = Console(stderr=True, highlight=False)
    names = [name for name in NAMES if name in (wanted.only or NAMES)]
    if "redis" in names and not (shutil.which("redis-server") and shutil.which("redis-benchmark")):
        talk.print("bench: redis-server is not installed; its row is left out")
        names.remove("redis")
    if "tap" in names and not shutil.which("socat"):
        talk.print("bench: socat is not installed, so nothing stands beside the tap; its rows are left out")
        names.remove("tap")
    if "phone" in names and not shutil.which("multimon-ng"):
        talk.print("bench: multimon-ng is not installed, so nothing stands beside our ear; its rows are left out")
        names.remove("phone")
    if not raise_open_files(max(wanted.connections)):
        talk.print(f"bench: {max(wanted.connections)} connections are more than the limit on open files allows")
        return 2
    work: list[tuple[str, Callable[[Path], dict[str, Any]]]] = [
        (f"{name}, {number:,} connections", lambda disk, a=name, b=number: measure(a, b, wanted.seconds, disk))
        for number in wanted.connections
        for _ in range(wanted.rounds)
        for name in names
        if name in CONTENDERS
    ]
    if "disk" in names:
        work.insert(0, ("disk", measure_disk))
    for number in wanted.connections if "tenth" in names else ():
        work.append((f"tenth, {number:,} connections", lambda disk, a=number: measure_tenth(a, wanted.seconds, disk)))
    if "idle" in names:
        work.append((f"idle, {IDLE:,} connections", measure_idle))
    if "decode" in names:
        work.append((f"decode, {wanted.frames:,} frames", lambda disk: measure_decode(wanted.frames, disk)))
    if "tap" in names:
        work.append(("tap", lambda disk: measure_tap(wanted.seconds, disk)))
    if "captures" in names:
        for frames in (wanted.frames // 10, wanted.frames):
            work.append((f"captures, {frames:,} frames", lambda disk, a=frames: measure_captures(a, disk)))
    if "phone" in names:
        work.append((f"phone, {wanted.calls:,} calls", lambda disk: measure_phone(wanted.calls, disk)))
    if "load" in names:
        for rate in LOADS:
            title = f"load, {rate:,} a second"
            work += [(title, lambda disk, a=rate: measure_load(a, wanted.seconds, disk))] * wanted.rounds
    if "supervision" in names:
        work.append((f"supervision, {wanted.paths:,} paths", lambda _: measure_supervision(wanted.paths)))
    results, failed = [], False
    with (
        tempfile.TemporaryDirectory(prefix="farend-bench-", dir=wanted.dir) as name,
        Progress(console=talk, transient=True) as progress,
    ):
        disk = Path(name).resolve()
        talk.print(f"bench: files go to {wanted.dir.resolve()}, {place_of(disk)}", soft_wrap=True)
        task = progress.add_task("", total=len(work))
        for title, job in work:
            progress.update(task, description=title)
            try:
                results.append(job(disk))
            except (Failed, subprocess.TimeoutExpired) as error:
                talk.print(f"bench: {title}: {error}", markup=False)
                failed = True
            progress.advance(task)
    pairs = beside(results)
    results = medians(results)
    results += ratios(results) + pairs
    if wanted.json:
        for one in results:
            print(json.dumps(one))
    else:
        show(results)
    for one in results:
        if one.get("wrong"):
            talk.print(
                f"bench: {one['what']}, {one.get('connections') or one['paths']}: {one['wrong']} wrong: {one['first_wrong']}"
            )
            failed = True
    return 1 if failed else 0


def options() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(
        prog="bench", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=_number(float, 0.2, LONGEST), default=3.0, help="a contender (default 3)")
    parser.add_argument("--connections", type=_connections, default=[1, 50, 1000], help="default 1,50,1000")
    parser.add_argument(
        "--rounds", type=_number(int, 1, 20), default=1, help="of each contender, in turn; the median is shown"
    )
    parser.add_argument("--frames", type=_number(int, 1, 10_000_000), default=1_000_000, help="for decode and captures")
    parser.add_argument("--calls", type=_number(int, 4, 1_000_000), default=1000, help="for phone")
    parser.add_argument("--paths", type=_number(int, 2, 10_000_000), default=1_000_000, help="for supervision")
    parser.add_argument("--only", action="append", choices=NAMES, help="measure this alone; may be repeated")
    parser.add_argument("--dir", type=Path, default=Path(), help="where the disk is measured (default: here)")
    parser.add_argument("--json", action="store_true", help="one JSON object a line on stdout")
    # What the run starts itself as:
    parser.add_argument("--serve", choices=("echo", "bench"), help=argparse.SUPPRESS)
    parser.add_argument("--drive", choices=CONTENDERS, help=argparse.SUPPRESS)
    parser.add_argument("--simulate", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--rate", type=float, default=0.0, help=argparse.SUPPRESS)
    parser.add_argument("--port", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--book", type=Path, help=argparse.SUPPRESS)
    return parser.parse_args()


def _number(kind: Callable[[str], Any], least: float, most: float) -> Callable[[str], Any]:
    def number(text: str) -> Any:
        value = kind(text)
        if not least <= value <= most:
            raise argparse.ArgumentTypeError(f"{least:g} to {most:,.0f} may stand here")
        return value

    return number


def _connections(text: str) -> list[int]:
    return [_number(int, 1, ACCOUNTS)(one) for one in text.split(",")]


def _end(number: int, _: Any) -> NoReturn:
    sys.exit(128 + number)


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(130)
