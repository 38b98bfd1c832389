"""What the journal keeps when things break: `python -m tools.lab`, or `python3 tools/start.py lab`. Takes some minutes.

    killed     `kill -9` at random under load, a hundred times
    stopped    SIGSTOP for some seconds, then SIGCONT: as a machine that is suspended, or a debugger
    order      a system-call trace: of each message, was its row flushed before its ACK was written?
    slow       each flush of the disk takes 0.2 s longer
    full       the disk fills up, and is freed again
    read-only  the journal lies on a file system that takes no writes
    clock      the wall clock is set an hour ahead, and back
    udp        20 % of the datagrams lost both ways, others doubled or late
    power      the power fails at random after an ACK: what a disk holds at that moment is mounted again and read
    restart    one bench after another takes the listening socket from whoever holds it, as from a service manager
    failover   two benches write one journal on a PostgreSQL server; `kill -9` to the primary, and its standby is promoted
    attack     flood, slow, garbage, replayed ciphertext and guessed tokens, from other addresses, beside the panels

In each, panels send openings as fast as they are answered, one message outstanding each, and send again what gets no answer,
as panels do. Told is what they offered and had acknowledged, and what the journal kept of it. LOST is what was acknowledged
and is not in the journal; DOUBLE is what it counts twice. Both must be 0; else the exit code is 1.

Most need root and Linux: a small file system, a network namespace, a loop device. What cannot be made here is said.
"""

import argparse
import asyncio
import json
import os
import random
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import orjson
from rich.console import Console
from rich.table import Table

from protocols.dc09 import build
from receiver import wishes
from receiver.journal import Store, opened
from tools import postgres
from tools.attack import KINDS, SEALED, SECRET
from tools.common import CAUTION

HOST = "127.0.0.1"
PANELS = 8
TRY_SECONDS = 2.0  # that a panel waits for an answer; a real one waits some 20
PATIENCE = 20.0
ROOT = Path(__file__).resolve().parent.parent
NAMESPACE = "farend-lab"


class CannotError(Exception):
    """What a scenario needs is not to be had here; says what."""


@dataclass
class Outcome:
    """What came of a scenario."""

    name: str
    offered: int = 0
    acknowledged: int = 0
    kept: int = 0
    repeated: int = 0
    lost: int = 0
    double: int = 0
    wrong: list[str] = field(default_factory=list)
    note: str = ""

    @property
    def good(self) -> bool:
        return not (self.lost or self.double or self.wrong) and self.acknowledged > 0


# The panels


def sent(sequence: int) -> int:
    """The sequence number of a message on the wire."""
    return (sequence - 1) % 9999 + 1


def counted(rows: Iterable[dict[str, Any]]) -> Iterator[tuple[str, int]]:
    """Whose each row is and which of its messages, counted on over the end of the sequence; rows in order of arrival."""
    last: dict[str, int] = {}
    for row in rows:
        before = last.get(row["account"], 0)
        number = row["sequence"] + before - sent(before) if before else row["sequence"]
        number += 9999 if number < before - 5000 else 0
        last[row["account"]] = number
        yield row["account"], number


@dataclass
class Panel:
    """Sends as fast as it is answered; without an answer the same bytes again, on a new connection if the old one broke."""

    account: str
    sequence: int = 1  # counted on; what is sent begins again after 9999
    offered: int = 0  # messages that were sent, however often
    acknowledged: list[int] = field(default_factory=list)
    tries: int = 0
    waits: list[float] = field(default_factory=list)  # seconds from a message to its answer

    def message(self) -> bytes:
        self.offered = self.sequence
        return build("ADM-CID", sent(self.sequence), self.account, f"1401 01 {self.sequence % 1000:03d}")

    def heard(self, answer: bytes) -> bool:
        """Whether an answer acknowledges the message that is outstanding."""
        if f'"ACK"{sent(self.sequence):04d}L0#{self.account}[]'.encode() not in answer:
            return False
        self.acknowledged.append(self.sequence)
        self.sequence += 1
        return True


class Load:
    """Panels that go on while a scenario does what it does to the bench."""

    def __init__(
        self,
        *,
        udp: bool = False,
        wait: float = TRY_SECONDS,
        letter: str = "A",
        anew: bool = False,
        pace: float = 0.0,
    ) -> None:
        self.panels = [Panel(f"{letter}{number:03}") for number in range(PANELS)]
        self.udp, self.wait, self.pace = udp, wait, pace
        self.here: Sequence[str] = ()  # from which addresses, by turns
        self.anew = anew  # whether each message has a connection of its own
        self.refused = 0  # connections
        self.longest = 0.0  # seconds without an ACK for anybody
        self._last = 0.0
        self.port = 0
        self.second: int | None = None  # the port of a second receiver, which a panel turns to when the first is silent
        self.going = True
        self.at_ack: Callable[[], None] = lambda: None
        self._tasks: list[asyncio.Task[None]] = []

    @property
    def acknowledged(self) -> set[tuple[str, int]]:
        return {(panel.account, sequence) for panel in self.panels for sequence in panel.acknowledged}

    @property
    def count(self) -> int:
        return sum(len(panel.acknowledged) for panel in self.panels)

    def start(self) -> None:
        self._tasks = [asyncio.create_task(self._work(panel)) for panel in self.panels]

    async def end(self) -> None:
        """Begin nothing new; what is outstanding may still be answered."""
        self.going = False
        _, late = await asyncio.wait(self._tasks, timeout=self.wait * 4)
        for task in late:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def more(self, count: int, seconds: float = PATIENCE) -> None:
        """Wait until so many more were acknowledged."""
        until, due = time.monotonic() + seconds, self.count + count
        while self.count < due:
            if time.monotonic() > until:
                raise CannotError(f"only {self.count} messages were acknowledged in time; {due} were waited for")
            await asyncio.sleep(0.01)

    async def _work(self, panel: Panel) -> None:
        while self.going:
            for port in (self.port, self.second):
                with suppress(OSError, asyncio.IncompleteReadError, TimeoutError, asyncio.LimitOverrunError):
                    if port is not None:
                        try:
                            await (self._over_udp(panel, port) if self.udp else self._over_tcp(panel, port))
                        except ConnectionRefusedError:
                            self.refused += 1
                            raise
            await asyncio.sleep(0.01)

    async def _over_tcp(self, panel: Panel, port: int) -> None:
        here = (self.here[self.panels.index(panel) % len(self.here)], 0) if self.here else None
        reader, writer = await asyncio.open_connection(HOST, port, local_addr=here)
        try:
            while self.going:
                panel.tries += 1
                begun = time.monotonic()
                writer.write(panel.message())
                async with asyncio.timeout(self.wait):
                    while not panel.heard(await reader.readuntil(b"\r")):
                        pass
                panel.waits.append(time.monotonic() - begun)
                self.at_ack()
                now = time.monotonic()
                self.longest, self._last = max(self.longest, now - (self._last or now)), now
                if self.anew:
                    return
                if self.pace:
                    await asyncio.sleep(self.pace)
        finally:
            writer.close()

    async def _over_udp(self, panel: Panel, port: int) -> None:
        answers: asyncio.Queue[bytes] = asyncio.Queue()

        class Ear(asyncio.DatagramProtocol):
            def datagram_received(self, data: bytes, addr: Any) -> None:
                answers.put_nowait(data)

        transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(Ear, remote_addr=(HOST, port))
        try:
            while self.going:
                panel.tries += 1
                transport.sendto(panel.message())
                with suppress(TimeoutError):
                    async with asyncio.timeout(self.wait):
                        while not panel.heard(await answers.get()):
                            pass
        finally:
            transport.close()


# The bench

# Runs a command with a socket as its first, as sd_listen_fds(3) has it.
AS_A_MANAGER = """
import os, sys
os.dup2(int(sys.argv[1]), 3)
os.environ["LISTEN_PID"] = str(os.getpid())
os.execv(sys.argv[2], sys.argv[2:])
"""


class Bench:
    """`farend listen` in a process of its own, under whatever is put in front of it."""

    def __init__(
        self,
        folder: Path,
        journal: Path | str,
        *,
        more: Sequence[str] = (),
        line: str = "tcp",
        front: Sequence[str] = (),
        env: dict[str, str] | None = None,
        accounts: str = "",
        door: socket.socket | None = None,
    ) -> None:
        book = folder / "book.toml"
        numbers = [f"{letter}{number:03}" for letter in "AB" for number in range(PANELS)]
        book.write_text(
            "".join(f'[[account]]\nnumber = "{number}"\nname = "invented"\n' for number in numbers) + accounts
        )
        if door:
            front, env = [sys.executable, "-c", AS_A_MANAGER, str(door.fileno())], {"LISTEN_FDS": "1"}
        self._errors = (folder / "stderr").open("ab")
        self.process = subprocess.Popen(
            [*front, sys.executable, "-P", "-m", "tools.farend", "listen", f"--{line}", f"{HOST}:0", "--book", str(book),
             "--journal", str(journal), "--json", *more],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=self._errors,
            pass_fds=[door.fileno()] if door else [],
            env=os.environ | {"PYTHONPATH": str(ROOT)} | (env or {}),
        )  # fmt: skip
        assert self.process.stdout
        first = self.process.stdout.readline()
        if not first:
            self.process.wait(PATIENCE)
            raise CannotError(
                f"the bench ended with {self.process.returncode}: {told(folder).strip().splitlines()[-1]}"
            )
        self.port = int(json.loads(first)["listening"][0]["port"])
        # What it prints is read by nobody; it must not stand still for that.
        self._drain = threading.Thread(target=self.process.stdout.read, daemon=True)
        self._drain.start()
        self.pid = self.process.pid if door or not front else _python_below(self.process.pid)

    def send(self, number: signal.Signals) -> None:
        os.kill(self.pid, number)

    @property
    def writer(self) -> int:
        """The process that writes its journal."""
        return int(Path(f"/proc/{self.pid}/task/{self.pid}/children").read_text().split()[0])

    async def end(self, number: signal.Signals = signal.SIGTERM) -> None:
        with suppress(ProcessLookupError):
            self.send(number)
        await asyncio.to_thread(self.process.wait, PATIENCE)
        await asyncio.to_thread(self._drain.join)
        assert self.process.stdout
        self.process.stdout.close()
        self._errors.close()


def _python_below(pid: int) -> int:
    """The bench's own process below one that traces it; what writes the journal is below the bench in turn."""
    while not Path(f"/proc/{pid}/cmdline").read_bytes().startswith(sys.executable.encode()):
        pid = int(Path(f"/proc/{pid}/task/{pid}/children").read_text().split()[0])
    return pid


def told(folder: Path) -> str:
    """What the benches of a scenario have said to people."""
    return (folder / "stderr").read_text("utf-8", "replace")


def judged(name: str, load: Load, journal: Path | str, note: str = "") -> Outcome:
    """Hold what was acknowledged against what the journal has."""
    outcome = Outcome(name, note=note)
    store = opened(journal)
    try:
        rows = [orjson.loads(row.text) for row in store.rows()]
        for row, mistake in store.verify():
            if mistake:
                outcome.wrong.append(f"row {row}: {mistake}")
    finally:
        store.close()
    mine = {panel.account for panel in load.panels}
    rows = [row for row in rows if row["account"] in mine]
    once = Counter(counted(row for row in rows if row["verdict"] == "accepted"))
    outcome.offered = sum(panel.offered for panel in load.panels)
    outcome.acknowledged = load.count
    outcome.kept = len(once)
    outcome.repeated = sum(row["verdict"] == "repeat" for row in rows)
    outcome.lost = len(load.acknowledged - set(once))
    outcome.double = sum(count > 1 for count in once.values())
    return outcome


# What is done to it


async def killed(folder: Path, wanted: argparse.Namespace) -> Outcome:
    """The bench, the process that writes its journal, or both. While there is no writer somebody leaves a note: it must not
    come between.
    """
    journal, load, dice = folder / "journal", Load(), random.Random(wanted.seed)
    bench, kills = Bench(folder, journal), Counter[str]()
    load.port = bench.port
    load.start()
    for _ in range(wanted.kills):
        await load.more(1)
        await asyncio.sleep(dice.uniform(0.0, 0.15))
        whom = dice.choice(("the bench", "its writer", "both"))
        kills[whom] += 1
        if whom != "the bench":
            os.kill(bench.writer, signal.SIGKILL)
        if whom == "its writer":
            await asyncio.to_thread(wishes.note, journal, "shift-note", "written while there was no writer")
        else:
            await bench.end(signal.SIGKILL)
            bench = Bench(folder, journal)
            load.port = bench.port
    await load.more(PANELS)
    await load.end()
    await bench.end()
    told_of = ", ".join(f"{whom} {count} times" for whom, count in sorted(kills.items()))
    outcome = judged("killed", load, journal, f"{wanted.kills} kills: {told_of}")
    with closing(Store(journal)) as store:
        notes = sum(1 for _ in store.events("shift-note"))
    if notes != kills["its writer"]:
        outcome.wrong.append(f"{notes} notes are kept, of {kills['its writer']}")
    return outcome


async def stopped(folder: Path, wanted: argparse.Namespace) -> Outcome:
    journal, load = folder / "journal", Load(wait=0.7)
    bench = Bench(folder, journal)
    load.port = bench.port
    load.start()
    for _ in range(5):
        await load.more(PANELS)
        bench.send(signal.SIGSTOP)
        await asyncio.sleep(1.5)  # longer than the panels wait: they send again, on new connections too
        bench.send(signal.SIGCONT)
    await load.more(PANELS)
    await load.end()
    await bench.end()
    return judged("stopped", load, journal, "5 stops of 1.5 s")


async def order(folder: Path, wanted: argparse.Namespace) -> Outcome:
    need("strace")
    journal, load, trace = folder / "journal", Load(), folder / "trace"
    front = ["strace", "-f", "-qq", "-s", "120", "-e", "trace=recvfrom,read,fdatasync,fsync,sendto,write,sendmsg,writev",
             "-o", str(trace)]  # fmt: skip
    bench = Bench(folder, journal, front=front)
    load.port = bench.port
    load.start()
    await load.more(40 * PANELS, 60)
    await load.end()
    await bench.end()
    outcome = judged("order", load, journal)
    seen, early = in_order(trace.read_text("utf-8", "replace").splitlines())
    outcome.note = f"{seen} ACKs in the trace, each after a flush that followed its message"
    if early:
        outcome.wrong += [f"ACK {what} left before a flush" for what in early[:3]]
    if seen < load.count:
        outcome.wrong.append(f"the trace has {seen} ACKs of {load.count}")
    return outcome


_CAME = re.compile(r'(?:recvfrom|read)(?:\(| resumed>).*?ADM-CID\\?"(\d{4})L0#(A\d{3})')
_LEFT = re.compile(r'(?:sendto|write|sendmsg|writev)\(.*?ACK\\?"(\d{4})L0#(A\d{3})')
_FLUSH = re.compile(r"(?:fdatasync|fsync)\(")
_FLUSHED = re.compile(r"(?:fdatasync|fsync)(?:\(\d+\)| resumed>\)) += 0")


def in_order(trace: Sequence[str]) -> tuple[int, list[str]]:
    """How many ACKs left in a trace, and which before a flush that began after their message came in had ended.

    The journal has one writer, so flushes do not overlap. That a flush holds the row itself is what `power` shows.
    """
    came: dict[Any, int] = {}
    begun, whole, seen, early = 0, -1, 0, []  # where the last flush began, and where the last that ended did
    for place, line in enumerate(trace):
        if _FLUSH.search(line):
            begun = place
        if _FLUSHED.search(line):
            whole = begun
        elif found := _CAME.search(line):
            came[found.groups()] = place
        elif found := _LEFT.search(line):
            seen += 1
            if whole <= came.get(found.groups(), place):
                early.append("/".join(found.groups()))
    return seen, early


# Each flush waits for 0.2 s before it begins.
SLOWLY = (
    "strace",
    "-f",
    "-qq",
    "-e",
    "trace=fdatasync",
    "-e",
    "inject=fdatasync:delay_enter=200000",
    "-o",
    "/dev/null",
)


async def slow(folder: Path, wanted: argparse.Namespace) -> Outcome:
    need("strace")
    journal, load = folder / "journal", Load(wait=5)
    bench = Bench(folder, journal, front=SLOWLY)
    load.port = bench.port
    load.start()
    begun, before = time.monotonic(), load.count
    await asyncio.sleep(5)
    rate = (load.count - before) / (time.monotonic() - begun)
    await load.end()
    await bench.end()
    return judged("slow", load, journal, f"{rate:.0f} messages/s where each flush takes 0.2 s more")


async def full(folder: Path, wanted: argparse.Namespace) -> Outcome:
    with small_disk(folder, "8m") as disk:
        journal, load = disk / "journal", Load(wait=0.5)
        bench = Bench(folder, journal)
        load.port = bench.port
        load.start()
        await load.more(20 * PANELS)
        filler = disk / "filler"
        with filler.open("wb", buffering=0) as file, suppress(OSError):
            while True:
                file.write(bytes(4096))
        await asyncio.sleep(4)  # what the journal had room for is used up; then nobody is answered
        before = load.count
        await asyncio.sleep(2)
        during = load.count - before
        filler.unlink()
        await load.more(20 * PANELS)
        await load.end()
        await bench.end()
        outcome = judged("full", load, journal, f"{during} acknowledged in 2 s of a full disk")
        if during:
            outcome.wrong.append(f"{during} messages were acknowledged while the disk was full")
        return outcome


async def read_only(folder: Path, wanted: argparse.Namespace) -> Outcome:
    with small_disk(folder, "8m") as disk:
        journal, load = disk / "journal", Load()
        bench = Bench(folder, journal)
        load.port = bench.port
        load.start()
        await load.more(PANELS)
        await load.end()
        await bench.end()
        outcome = judged("read-only", load, journal)
        run("mount", "-o", "remount,ro", str(disk))
        try:
            await Bench(folder, journal).end()
        except CannotError as reason:
            outcome.note = f"{reason}"[:90]
        else:
            outcome.wrong.append("a bench took a journal that it cannot write")
        return outcome


async def clock(folder: Path, wanted: argparse.Namespace) -> Outcome:
    need("faketime")
    library = faked_clock()
    if library is None:
        raise CannotError("libfaketime.so.1 lies not where Debian's package faketime puts it")
    journal, load, wall = folder / "journal", Load(), folder / "wall"
    wall.write_text("+0")
    env = {
        "LD_PRELOAD": str(library), "FAKETIME_TIMESTAMP_FILE": str(wall), "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1", "DONT_FAKE_MONOTONIC": "1",
    }  # fmt: skip
    bench = Bench(folder, journal, env=env)
    load.port = bench.port
    load.start()
    for offset in ("+3600", "+0"):
        await load.more(PANELS)
        wall.write_text(offset)
        await asyncio.sleep(1.5)
    await load.more(PANELS)
    await load.end()
    await bench.end()
    steps = told(folder).count("THE CLOCK STEPPED")
    outcome = judged("clock", load, journal, f"{steps} steps told, of 2 made")
    if steps < 2:
        outcome.wrong.append(f"{steps} of 2 steps of the clock were told")
    return outcome


def faked_clock() -> Path | None:
    """The library of Debian's package faketime."""
    return next(iter(sorted(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"))), None)


async def udp(folder: Path, wanted: argparse.Namespace) -> Outcome:
    """Runs itself again inside a network namespace of its own, where a fifth of all datagrams is dropped."""
    if not wanted.inside:
        need("ip", "nft")
        with namespace():
            again = [sys.executable, "-P", "-m", "tools.lab", "--only", "udp", "--inside", "--json"]
            done = await asyncio.to_thread(
                subprocess.run,
                ["ip", "netns", "exec", NAMESPACE, *again],
                capture_output=True, text=True, env=os.environ | {"PYTHONPATH": str(ROOT)}, check=False,
            )  # fmt: skip
        if not done.stdout:
            raise CannotError(done.stderr.strip()[-200:])
        return Outcome(**json.loads(done.stdout))
    journal, load = folder / "journal", Load(udp=True, wait=0.25)
    bench = Bench(folder, journal, line="udp")
    relay = await Relay.open(bench.port, random.Random(wanted.seed))
    load.port = relay.port
    load.start()
    await asyncio.sleep(8)
    await load.end()
    await bench.end()
    relay.close()
    tries = sum(panel.tries for panel in load.panels)
    note = f"20 % dropped; {relay.doubled} doubled, {relay.late} late of {relay.passed}; {tries} tries"
    return judged("udp", load, journal, note)


class Relay(asyncio.DatagramProtocol):
    """Between panels and bench: doubles one datagram in ten and holds another tenth back, both ways."""

    def __init__(self, to: int, dice: random.Random) -> None:
        self.to, self.dice = to, dice
        self.passed = self.doubled = self.late = 0
        self.port = 0
        self._ways: dict[Any, asyncio.DatagramTransport] = {}
        self._tasks: set[asyncio.Future[None]] = set()

    @classmethod
    async def open(cls, to: int, dice: random.Random) -> "Relay":
        loop = asyncio.get_running_loop()
        _, relay = await loop.create_datagram_endpoint(lambda: cls(to, dice), local_addr=(HOST, 0))
        return relay

    def connection_made(self, transport: Any) -> None:
        self._here = transport
        self.port = transport.get_extra_info("sockname")[1]

    def datagram_received(self, data: bytes, addr: Any) -> None:
        task = asyncio.ensure_future(self._forth(data, addr))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _forth(self, data: bytes, addr: Any) -> None:
        if addr not in self._ways:
            relay = self

            class Back(asyncio.DatagramProtocol):
                def datagram_received(self, data: bytes, _: Any) -> None:
                    relay._pass(lambda: relay._here.sendto(data, addr))

            loop = asyncio.get_running_loop()
            self._ways[addr], _ = await loop.create_datagram_endpoint(Back, remote_addr=(HOST, self.to))
        self._pass(lambda: self._ways[addr].sendto(data))

    def _pass(self, send: Callable[[], None]) -> None:
        self.passed += 1
        chance, loop = self.dice.random(), asyncio.get_running_loop()
        if chance < 0.1:
            self.late += 1
            loop.call_later(self.dice.uniform(0.01, 0.6), send)
            return
        send()
        if chance > 0.9:
            self.doubled += 1
            loop.call_later(self.dice.uniform(0, 0.3), send)

    def close(self) -> None:
        for way in (self._here, *self._ways.values()):
            way.close()


async def power(folder: Path, wanted: argparse.Namespace) -> Outcome:
    """A file system on a loop device. Its backing file is what the disk holds: what only the kernel's memory keeps is not in
    it. At the moment of an ACK all stands still, the file is copied, and the copy is later mounted and opened. Flushes are
    slow: one that should have come before the ACK and did not is not over before the copy is.
    """
    need("mkfs.ext4", "losetup", "mount", "strace")
    image, load, dice = folder / "disk.img", Load(wait=5), random.Random(wanted.seed)
    with image.open("wb") as file:
        file.truncate(64 << 20)
    run("mkfs.ext4", "-q", "-F", str(image))
    cuts: list[tuple[Path, set[tuple[str, int]]]] = []
    enough = asyncio.Event()
    with mounted(image, folder / "mounted") as disk:
        journal = disk / "journal"
        bench = Bench(folder, journal, front=SLOWLY)
        writer = bench.writer
        load.port = bench.port
        due = 10

        def cut() -> None:
            nonlocal due
            if len(cuts) >= wanted.cuts:
                enough.set()
            if load.count < due or enough.is_set():
                return
            os.kill(writer, signal.SIGSTOP)
            bench.send(signal.SIGSTOP)
            copy = folder / f"cut-{len(cuts)}.img"
            run("cp", "--sparse=always", str(image), str(copy))
            cuts.append((copy, load.acknowledged))
            bench.send(signal.SIGCONT)
            os.kill(writer, signal.SIGCONT)
            due = load.count + dice.randrange(3, 30)

        load.at_ack = cut
        load.start()
        with suppress(TimeoutError):
            async with asyncio.timeout(120):
                await enough.wait()
        await load.end()
        await bench.end()
        outcome = judged("power", load, journal)
    lost = 0
    for copy, acknowledged in cuts:
        with mounted(copy, folder / "again") as disk:
            store = Store(disk / "journal")
            kept = {(row["account"], row["sequence"]) for row in map(orjson.loads, (one.text for one in store.rows()))}
            store.close()
        lost += len(acknowledged - kept)
    outcome.lost += lost
    outcome.note = f"{len(cuts)} cuts; each copy was mounted and opened, {lost} acknowledged rows missing in them"
    if len(cuts) < wanted.cuts:
        outcome.wrong.append(f"only {len(cuts)} cuts of {wanted.cuts} were made in time")
    return outcome


async def restart(folder: Path, wanted: argparse.Namespace) -> Outcome:
    """Each message comes on a connection of its own, so that somebody connects at every moment of a restart."""
    journal, load = folder / "journal", Load(wait=PATIENCE, anew=True)
    with socket.create_server((HOST, 0), backlog=1024) as door:
        load.port = door.getsockname()[1]
        bench = await asyncio.to_thread(Bench, folder, journal, door=door)
        load.start()
        for _ in range(wanted.restarts):
            await load.more(20 * PANELS)
            await bench.end()
            bench = await asyncio.to_thread(Bench, folder, journal, door=door)
        await load.more(20 * PANELS)
        await load.end()
        await bench.end()
    tries = sum(panel.tries for panel in load.panels)
    note = f"{wanted.restarts} restarts; {load.refused} of {tries} connections refused; {load.longest:.1f} s without an ACK"
    outcome = judged("restart", load, journal, note)
    if load.refused:
        outcome.wrong.append(f"{load.refused} connections were refused")
    return outcome


async def failover(folder: Path, wanted: argparse.Namespace) -> Outcome:
    """Panels have both benches, each in another order: what one of them could not answer in time comes to the other.

    The primary dies at the worst moment: commits are on the standby's disk, and no bench has heard so.
    """
    if not postgres.programs():
        raise CannotError("PostgreSQL's server is not installed")
    with postgres.servers("first", "second") as (first, second):
        postgres.primary(first, "-c synchronous_standby_names=* -c synchronous_commit=remote_apply")
        postgres.standby(second, first)
        where = postgres.url(first, second)
        benches = []
        for name in ("north", "south"):
            (folder / name).mkdir()
            benches.append(Bench(folder / name, where, more=("--name", name)))
        north, south = Load(wait=1.0), Load(wait=1.0, letter="B")
        (north.port, north.second), (south.port, south.second) = (
            (one.port, other.port) for one, other in (benches, reversed(benches))
        )
        for load in (north, south):
            load.start()
            await load.more(wanted.acks)
        postgres.hold_back(second)
        await asyncio.sleep(0.3)  # until nothing is answered
        first.kill()
        died = time.monotonic()
        await asyncio.to_thread(second.promote)
        promoted = time.monotonic() - died
        for load in (north, south):
            await load.more(wanted.acks)
        for load in (north, south):
            await load.end()
        for bench in benches:
            await bench.end()
        both = Load()
        both.panels = north.panels + south.panels
        return judged("failover", both, where, f"promoted {promoted:.1f} s after the primary's death")


async def attack(folder: Path, wanted: argparse.Namespace) -> Outcome:
    journal, load = folder / "journal", Load(wait=10, pace=0.02)
    load.here = (
        "127.0.0.9",
        "127.0.0.3",
    )  # limited as the attackers are; and behind the address from which the flood comes
    keyed = f'[[account]]\nnumber = "{SEALED}"\nname = "invented"\nkey = "hex:{SECRET}"\n'
    bench = Bench(folder, journal, accounts=keyed)
    with console_of(journal) as console:
        load.port = bench.port
        load.start()
        await load.more(PANELS)

        def taken() -> int:
            return sum(len(panel.waits) for panel in load.panels)

        def slowest(since: list[int]) -> tuple[float, float]:
            waits = sorted(one for panel, begin in zip(load.panels, since, strict=True) for one in panel.waits[begin:])
            return waits[len(waits) // 2] * 1000, waits[int(len(waits) * 0.99)] * 1000

        figures = {}
        done: Counter[str] = Counter()
        for name in ("calm", "attack"):
            since, before = [len(panel.waits) for panel in load.panels], taken()
            if name == "calm":
                await asyncio.sleep(wanted.seconds / 3)
            else:
                command = [sys.executable, "-P", "-m", "tools.attack"]
                attackers = await asyncio.create_subprocess_exec(
                    *command, *map(str, (bench.port, console, wanted.seconds, wanted.seed)),
                    stdout=subprocess.PIPE, env=os.environ | {"PYTHONPATH": str(ROOT)},
                )  # fmt: skip
                done.update(json.loads((await attackers.communicate())[0]))
            await load.more(PANELS)  # each has one more answer, or it is said that there is none
            figures[name] = (taken() - before, *slowest(since))
        await load.end()
        await bench.end()
    told_of = "; ".join(f"{name}: {count} answers, p50 {p50:.1f} ms, p99 {p99:.1f} ms"
                        for name, (count, p50, p99) in figures.items())  # fmt: skip
    did = ", ".join(f"{count:,} {what}" for what, count in sorted(done.items()))
    outcome = judged("attack", load, journal, f"{told_of}; {did}")
    tries = sum(panel.tries for panel in load.panels)
    if tries != load.count:
        outcome.wrong.append(f"{tries - load.count} tries of honest panels had no answer")
    for what in KINDS:
        if not done[what]:
            outcome.wrong.append(f"there was no attack by {what}")
    if done["let in"]:
        outcome.wrong.append(f"{done['let in']} guesses were let in")
    store = opened(journal)
    try:
        rows = [row for one in store.rows(account=SEALED) if (row := orjson.loads(one.text))["problems"]]
    finally:
        store.close()
    again = sum(any(problem["rule"] == "replayed" for problem in row["problems"]) for row in rows)
    if again < done["replayed frames"]:
        outcome.wrong.append(f"{again} of {done['replayed frames']} replayed frames were recognised")
    return outcome


@contextmanager
def console_of(journal: Path) -> Iterator[int]:
    """The console over a journal, in a process of its own; its port."""
    command = [sys.executable, "-P", "-m", "tools.farend", "console", "--journal", str(journal), "--http", f"{HOST}:0"]
    with subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": str(ROOT)}
    ) as process:
        assert process.stderr
        try:
            for line in process.stderr:
                if found := re.search(r"console on http://[^:]+:(\d+)", line):
                    break
            else:
                raise CannotError("the console did not start")
            threading.Thread(target=process.stderr.read, daemon=True).start()
            yield int(found[1])
        finally:
            process.terminate()


SCENARIOS: dict[str, Callable[[Path, argparse.Namespace], Any]] = {
    "killed": killed, "stopped": stopped, "order": order, "slow": slow, "full": full, "read-only": read_only,
    "clock": clock, "udp": udp, "power": power, "restart": restart, "failover": failover, "attack": attack,
}  # fmt: skip


# What they need of the machine


def need(*programs: str) -> None:
    for program in programs:
        if not shutil.which(program):
            raise CannotError(f"{program} is not installed")


def run(*command: str) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise CannotError(f"{' '.join(command[:2])}: {done.stderr.strip()[-200:]}")


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[Path]:
    """A file system in memory that is soon full."""
    need("mount")
    disk = folder / "disk"
    disk.mkdir()
    run("mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(disk))
    try:
        yield disk
    finally:
        run("umount", "-l", str(disk))


@contextmanager
def mounted(image: Path, at: Path) -> Iterator[Path]:
    """A file system in a file, mounted over a loop device."""
    at.mkdir(exist_ok=True)
    run("mount", "-o", "loop", str(image), str(at))
    try:
        yield at
    finally:
        run("umount", str(at))


@contextmanager
def namespace() -> Iterator[None]:
    """A network of its own, with a loopback that drops one datagram in five."""
    subprocess.run(["ip", "netns", "del", NAMESPACE], capture_output=True, check=False)
    run("ip", "netns", "add", NAMESPACE)
    try:
        run("ip", "-n", NAMESPACE, "link", "set", "lo", "up")
        rules = (
            "add table inet lab",
            "add chain inet lab input { type filter hook input priority 0; }",
            "add rule inet lab input meta l4proto udp numgen random mod 100 < 20 drop",
        )
        for rule in rules:
            run("ip", "netns", "exec", NAMESPACE, "nft", rule)
        yield
    finally:
        run("ip", "netns", "del", NAMESPACE)


def show(outcomes: Sequence[Outcome], cannot: dict[str, str]) -> None:
    """The table for a person."""
    out = Console(highlight=False)
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="italic", show_edge=False)
    table.add_column("scenario")
    for column in ("offered", "acknowledged", "kept", "repeated", "double", "lost"):
        table.add_column(column, justify="right")
    for one in outcomes:
        numbers = (one.offered, one.acknowledged, one.kept, one.repeated, one.double, one.lost)
        table.add_row(("" if one.good else "✗ ") + one.name, *(f"{number:,}" for number in numbers))
    out.print(table)
    out.print()
    for one in outcomes:
        out.print(f"{one.name}: " + "; ".join(filter(None, (*one.wrong, one.note))), markup=False, soft_wrap=True)
    for name, why in cannot.items():
        out.print(f"{name}: not tried: {why}", markup=False, soft_wrap=True)


async def all_of(wanted: argparse.Namespace) -> int:
    talk = Console(stderr=True, highlight=False)
    outcomes: list[Outcome] = []
    cannot: dict[str, str] = {}
    for name in wanted.only or SCENARIOS:
        with tempfile.TemporaryDirectory(prefix="farend-lab-", dir=wanted.dir) as folder:
            if not wanted.json:
                talk.print(f"lab: {name} …")
            try:
                outcomes.append(await SCENARIOS[name](Path(folder), wanted))
            except CannotError as reason:
                cannot[name] = str(reason)
    if wanted.json:
        for one in outcomes:
            print(json.dumps(one.__dict__))
        for name, why in cannot.items():
            print(f"lab: {name}: {why}", file=sys.stderr)
    else:
        show(outcomes, cannot)
    return 1 if cannot or not all(one.good for one in outcomes) else 0


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(
        prog="lab", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", action="append", choices=SCENARIOS, help="this alone; may be repeated")
    parser.add_argument("--kills", type=int, default=100, help="for killed (default 100)")
    parser.add_argument("--restarts", type=int, default=10, help="for restart (default 10)")
    parser.add_argument("--cuts", type=int, default=20, help="of the power (default 20)")
    parser.add_argument(
        "--acks", type=int, default=500, help="before a failover, and after it, at each bench (default 500)"
    )
    parser.add_argument(
        "--seconds", type=float, default=20, help="of an attack, after a calm of a third of it (default 20)"
    )
    parser.add_argument("--seed", type=int, default=1, help="of what is done at random")
    parser.add_argument("--dir", type=Path, default=Path(), help="where the journals lie (default: here)")
    parser.add_argument("--json", action="store_true", help="one JSON object a scenario on stdout")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    wanted = parser.parse_args()
    if not wanted.json:
        print(CAUTION, file=sys.stderr)
    return asyncio.run(all_of(wanted))


if __name__ == "__main__":
    sys.exit(main())
