"""The tap: it changes no byte, holds none back, lives through either side, and records what passed."""

import asyncio
import json
import signal
import socket
import struct
import subprocess
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from receiver import capture, tap
from receiver.capture import Happening
from receiver.tap import Tap
from tests.conftest import ack, alarm, clean_environment, command

HOST = "127.0.0.1"


class Receiver:
    """A receiver that says what it is told to, and keeps what it hears."""

    def __init__(self) -> None:
        self.heard = bytearray()
        self.ended = asyncio.Event()
        self.writers: list[asyncio.StreamWriter] = []
        self.answer: Callable[[bytes], bytes] = lambda data: data
        self.reads = True

    async def start(self, port: int = 0) -> int:
        self.server = await asyncio.start_server(self._one, HOST, port)
        return int(self.server.sockets[0].getsockname()[1])

    async def _one(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.writers.append(writer)
        with suppress(ConnectionError):
            while self.reads and (data := await reader.read(65536)):
                self.heard += data
                writer.write(self.answer(data))
            if self.reads:
                self.ended.set()
                writer.write(b"goodbye")
                writer.close()

    async def stop(self) -> None:
        self.server.close()
        for writer in self.writers:
            writer.transport.abort()


class Between:
    """A tap in front of a receiver, and what it said."""

    def __init__(self) -> None:
        self.passed: list[Happening] = []
        self.told: list[str] = []
        self.receiver = Receiver()

    async def start(self) -> "Between":
        self.target = await self.receiver.start()
        self.tap = Tap(HOST, self.target, self.passed.append, self.told.append)
        self.port = await self.tap.listen_tcp(HOST, 0)
        return self

    async def connect(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        return await asyncio.open_connection(HOST, self.port)

    def said(self, what: str) -> bytes:
        return b"".join(one.data for one in self.passed if one.what == what)

    async def until(self, true: Callable[[], Any]) -> None:
        async with asyncio.timeout(5):
            while not true():  # noqa: ASYNC110
                await asyncio.sleep(0.005)


@pytest.fixture
async def between() -> AsyncIterator[Between]:
    one = await Between().start()
    yield one
    await one.tap.close()
    await one.receiver.stop()


@pytest.mark.parametrize("size", [1, 7, 100_000])
async def test_bytes_pass_unchanged_however_they_are_cut(between: Between, size: int) -> None:
    data = bytes(range(256)) * (1 if size == 1 else 800)
    reader, writer = await between.connect()
    for start in range(0, len(data), size):
        writer.write(data[start : start + size])
        if size < 100:
            await writer.drain()
    assert await reader.readexactly(len(data)) == data
    assert (bytes(between.receiver.heard), between.said("panel"), between.said("receiver")) == (data, data, data)
    writer.close()


async def test_a_half_close_is_passed_on_and_the_other_half_goes_on(between: Between) -> None:
    reader, writer = await between.connect()
    writer.write(b"last words")
    writer.write_eof()
    assert await reader.read() == b"last wordsgoodbye"
    writer.close()
    await between.until(lambda: not between.tap.pairs)
    assert [one.what for one in between.passed if not one.data] == ["open", "close"]


async def test_a_panel_that_dies_takes_its_connection_to_the_receiver_with_it(between: Between) -> None:
    _, writer = await between.connect()
    writer.write(b"half a fr")
    await between.until(lambda: between.receiver.heard)
    raw = writer.get_extra_info("socket")
    raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.transport.abort()
    await between.until(lambda: not between.tap.pairs)
    assert between.passed[-1].what == "close"
    assert between.said("panel") == b"half a fr"


async def test_a_receiver_that_dies_resets_the_panel_and_when_it_is_back_the_next_connection_works(
    between: Between,
) -> None:
    reader, writer = await between.connect()
    writer.write(b"one")
    assert await reader.readexactly(3) == b"one"
    for one in between.receiver.writers:
        one.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    await between.receiver.stop()
    with pytest.raises(ConnectionResetError):
        await reader.readexactly(1)
    for _ in range(2):
        dead, _ = await between.connect()
        with suppress(ConnectionResetError):
            assert await dead.read() == b""
    await between.until(lambda: between.told)
    assert len(between.told) == 1
    assert "cannot be reached" in between.told[0]
    await between.receiver.start(between.target)
    reader, writer = await between.connect()
    writer.write(b"two")
    assert await reader.readexactly(3) == b"two"
    assert "can be reached again" in between.told[-1]
    writer.close()


async def test_a_receiver_that_does_not_read_holds_up_its_own_connection_with_bounded_bytes(between: Between) -> None:
    between.receiver.reads = False
    _, stuck = await between.connect()
    await between.until(lambda: between.receiver.writers)
    between.receiver.writers[0].transport.pause_reading()  # type: ignore[attr-defined]
    stuck.transport.set_write_buffer_limits(high=1 << 30)
    stuck.write(bytes(64 << 20))
    before = -1
    while before != (before := len(between.said("panel"))):  # noqa: ASYNC110
        await asyncio.sleep(0.1)
    assert before < 32 << 20  # what the kernel's buffers and 64 KiB of ours take
    between.receiver.reads = True
    reader, writer = await between.connect()
    writer.write(b"still here")
    assert await reader.readexactly(10) == b"still here"
    stuck.transport.abort()
    writer.close()


async def test_datagrams_find_their_way_back_each_to_its_peer(between: Between) -> None:
    with (
        socket.socket(type=socket.SOCK_DGRAM) as echo,
        socket.socket(type=socket.SOCK_DGRAM) as one,
        socket.socket(type=socket.SOCK_DGRAM) as two,
    ):
        for each in (echo, one, two):
            each.bind((HOST, 0))
            each.settimeout(5)
        passing = Tap(HOST, echo.getsockname()[1], between.passed.append, between.told.append)
        port = passing.listen_udp(HOST, 0)
        for each, data in ((one, alarm(1)), (two, alarm(2)), (one, b"")):
            each.sendto(data, (HOST, port))
        came = [await asyncio.to_thread(echo.recvfrom, 2000) for _ in range(3)]
        for data, address in reversed(came):
            echo.sendto(b"to " + data, address)
        back = sorted([await asyncio.to_thread(one.recv, 2000) for _ in range(2)])
        assert back == [b"to ", b"to " + alarm(1)]
        assert await asyncio.to_thread(two.recv, 2000) == b"to " + alarm(2)
        names = {one.connection for one in between.passed}
        assert names == {f"udp-{HOST}:{each.getsockname()[1]}" for each in (one, two)}
        assert [one.what for one in between.passed].count("open") == 2
        await passing.close()


async def test_a_udp_receiver_that_is_not_there_is_said_once_and_datagrams_are_recorded(between: Between) -> None:
    with socket.socket(type=socket.SOCK_DGRAM) as gone:
        gone.bind((HOST, 0))
        target = gone.getsockname()[1]
    passing = Tap(HOST, target, between.passed.append, between.told.append)
    port = passing.listen_udp(HOST, 0)
    with socket.socket(type=socket.SOCK_DGRAM) as panel:
        for number in range(3):
            panel.sendto(alarm(number), (HOST, port))
            await asyncio.sleep(0.05)
    assert between.said("panel") == alarm(0) + alarm(1) + alarm(2)
    assert [text for text in between.told if "(udp) cannot be reached" in text] == between.told[:1]
    await passing.close()


async def test_of_more_peers_than_can_be_followed_the_one_silent_longest_is_forgotten(
    between: Between, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tap, "MOST_PEERS", 3)
    with socket.socket(type=socket.SOCK_DGRAM) as echo:
        echo.bind((HOST, 0))
        passing = Tap(HOST, echo.getsockname()[1], between.passed.append, between.told.append)
        port = passing.listen_udp(HOST, 0)
        panels = [socket.socket(type=socket.SOCK_DGRAM) for _ in range(5)]
        for one in panels:
            one.sendto(b"x", (HOST, port))
        await between.until(lambda: len(between.said("panel")) == 5)
        assert passing._datagrams is not None
        assert len(passing._datagrams._peers) == 3
        for one in panels:
            one.close()
        await passing.close()


async def test_at_the_end_what_was_read_is_passed_on(between: Between) -> None:
    reader, writer = await between.connect()
    writer.write(b"x" * 500_000)
    await between.until(lambda: len(between.said("panel")) == 500_000)
    ending: Awaitable[None] = asyncio.ensure_future(between.tap.close())
    got = await reader.read(500_000)
    assert got
    await ending
    await between.until(lambda: len(between.receiver.heard) == 500_000)
    writer.close()


def test_the_command_records_what_passes_and_ends_with_0(tmp_path: Path, listening: Callable[..., Any]) -> None:
    """Between `farend send` and `farend listen`: the capture holds both directions; nobody else may read it."""
    bench = listening("--unknown", "ack")
    path = tmp_path / "x.capture"
    options = ("tap", "--listen", f"{HOST}:0", "--to", bench.at(), "--capture", path, "--only", "tcp", "--json")
    with subprocess.Popen(
        command(*options), stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=clean_environment()
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        port = json.loads(process.stdout.readline())["listening"][0]["port"]
        with socket.create_connection((HOST, port), 5) as panel:
            panel.sendall(alarm(1))
            assert panel.recv(2000) == ack(1)
        assert json.loads(process.stdout.readline())["what"] == "open"
        assert json.loads(process.stdout.readline())["what"] == "close"
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
        talk = process.stderr.read().decode()
    found, notes = capture.read(path)
    assert [(one.what, one.data) for one in found] == [
        ("open", b""), ("panel", alarm(1)), ("receiver", ack(1)), ("close", b""),
    ]  # fmt: skip
    assert notes == []
    assert path.stat().st_mode & 0o077 == 0
    assert "not a listed or approved receiver" in talk
    assert "Traceback" not in talk


def test_it_passes_nothing_to_itself_nor_off_this_machine_unasked(inside: Any, tmp_path: Path) -> None:
    itself = inside("tap", "--listen", f"{HOST}:12012", "--to", f"{HOST}:12012", "--capture", tmp_path / "x")
    assert (itself.code, "to itself" in itself.err) == (2, True)
    away = inside("tap", "--listen", f"{HOST}:0", "--to", "192.0.2.1:12009", "--capture", tmp_path / "x")
    assert (away.code, (tmp_path / "x").exists()) == (2, False)
