"""A pass-through between a panel and a receiver, TCP and UDP: it changes no byte, holds none back, and says what passed.

Each side's bytes go on as they were read, before they are recorded. What one side does the other gets: a half-close, a
close, a reset. A side that does not read holds up its own connection alone, with at most what the transport buffers
(64 KiB) and the kernel's own buffers between; the other side is then not read from.

UDP has a socket a peer towards the receiver, so that answers find their way back. A peer that was silent for a while is
forgotten; its next datagram comes from another port of ours.
"""

import asyncio
import socket
import struct
from collections import Counter, OrderedDict
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, Literal, cast

from receiver.capture import Happening

Side = Literal["panel", "receiver"]

CONNECT_SECONDS = 10.0
IDLE_SECONDS = 300.0  # after which a UDP peer is forgotten
MOST_PEERS = 5000  # UDP peers at once; of more, the one silent longest is forgotten
END_SECONDS = 2.0  # that connections have to take what was read, at the end
AT_ONCE = 64  # datagrams that are taken before others get their turn
_RESET = struct.pack("ii", 1, 0)  # SO_LINGER: on, 0 s


class Tap:
    """The pass-through. `record` gets what passed, `told` what a person should know, `event` each connection that opens or
    closes; none of them may wait.
    """

    def __init__(
        self,
        host: str,
        port: int,
        record: Callable[[Happening], None],
        told: Callable[[str], None],
        event: Callable[[Happening], None] = lambda _: None,
    ) -> None:
        self.host, self.port = host, port
        self._record, self._told, self._event = record, told, event
        self.passed: Counter[str] = Counter()  # bytes, by side
        self.connections = 0
        self.pairs: set[_Pair] = set()
        self.empty = asyncio.Event()  # set when the last of them is over
        self._server: asyncio.Server | None = None
        self._datagrams: _Datagrams | None = None
        self._failing: set[str] = set()

    async def listen_tcp(self, host: str, port: int) -> int:
        """Take connections there; the port, for 0 the one that was free. OSError where it cannot be opened."""
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: _End(_Pair(self), "panel"), host, port, backlog=1024)
        return int(self._server.sockets[0].getsockname()[1])

    def listen_udp(self, host: str, port: int) -> int:
        """Take datagrams there; likewise."""
        self._datagrams = _Datagrams(self, host, port)
        return self._datagrams.port

    async def close(self) -> None:
        """Take nothing more, let what was read go on its way, and close."""
        if self._server:
            self._server.close()
        for pair in list(self.pairs):
            pair.finish()
        if self.pairs:
            with suppress(TimeoutError):
                async with asyncio.timeout(END_SECONDS):
                    self.empty.clear()
                    await self.empty.wait()
        for pair in list(self.pairs):
            pair.abort()
        if self._datagrams:
            self._datagrams.close()

    def say(self, happening: Happening) -> None:
        self._record(happening)
        if happening.data:
            self.passed[happening.what] += len(happening.data)
        else:
            self._event(happening)

    def failed(self, line: str, why: str) -> None:
        """The receiver cannot be reached: told once, until it can again."""
        if line not in self._failing:
            self._failing.add(line)
            self._told(
                f"{self.host} port {self.port} ({line}) cannot be reached: {why}; what comes for it is not passed on"
            )

    def reached(self, line: str) -> None:
        if line in self._failing:
            self._failing.discard(line)
            self._told(f"{self.host} port {self.port} ({line}) can be reached again")


def _now() -> datetime:
    return datetime.now(UTC)


def peer_of(address: Any) -> str:
    host, port = address[0], address[1]
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


class _Pair:
    """A connection of a panel, and ours to the receiver for it."""

    def __init__(self, tap: Tap) -> None:
        self.tap = tap
        self.ends: dict[Side, _End] = {}
        self.name = self.peer = ""
        self.early = b""  # what the panel said before the receiver was there
        self._connecting: asyncio.Task[None] | None = None

    def begin(self, panel: "_End") -> None:
        self.tap.connections += 1
        self.name, self.peer = f"tcp-{self.tap.connections}", peer_of(panel.transport.get_extra_info("peername"))
        self.ends["panel"] = panel
        self.tap.pairs.add(self)
        self.say("open")
        panel.transport.pause_reading()
        self._connecting = asyncio.get_running_loop().create_task(self._connect())

    async def _connect(self) -> None:
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(CONNECT_SECONDS):
                await loop.create_connection(lambda: _End(self, "receiver"), self.tap.host, self.tap.port)
        except (OSError, TimeoutError) as error:
            self.tap.failed("tcp", getattr(error, "strerror", None) or "it does not answer")
            self.ends["panel"].abort()
            return
        self.tap.reached("tcp")
        receiver, panel = self.ends["receiver"], self.ends.get("panel")
        if self.early:
            receiver.transport.write(self.early)
        if panel is None:  # gone in the meantime
            receiver.transport.close()
        elif panel.ended:
            receiver.transport.write_eof()
        else:
            with suppress(RuntimeError):
                panel.transport.resume_reading()

    def other(self, side: Side) -> "_End | None":
        return self.ends.get("receiver" if side == "panel" else "panel")

    def say(self, what: Literal["open", "panel", "receiver", "close"], data: bytes = b"") -> None:
        self.tap.say(Happening(_now(), self.name, what, data, "tcp", self.peer, port=self.tap.port))

    def gone(self, side: Side, reset: bool) -> None:
        """One end is gone: so is the other, once it has what was read."""
        self.ends.pop(side, None)
        if (other := self.other(side)) is not None:
            other.abort() if reset else other.transport.close()
        elif self._connecting is None or self._connecting.done() or side == "receiver":
            self._over()
        else:
            self._connecting.add_done_callback(self._unless_there)

    def _unless_there(self, _: object) -> None:
        if not self.ends:
            self._over()

    def _over(self) -> None:
        if self in self.tap.pairs:
            self.tap.pairs.discard(self)
            self.say("close")
            if not self.tap.pairs:
                self.tap.empty.set()

    def finish(self) -> None:
        for end in list(self.ends.values()):
            end.transport.close()

    def abort(self) -> None:
        if self._connecting:
            self._connecting.cancel()
        for end in list(self.ends.values()):
            end.transport.abort()
        self._over()


class _End(asyncio.Protocol):
    """One end of a pair."""

    transport: asyncio.Transport

    def __init__(self, pair: _Pair, side: Side) -> None:
        self._pair, self._side = pair, side
        self.ended = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.Transport, transport)
        transport.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if self._side == "panel":
            self._pair.begin(self)
        else:
            self._pair.ends["receiver"] = self

    def data_received(self, data: bytes) -> None:
        other = self._pair.other(self._side)
        if other is not None:
            other.transport.write(data)
        elif self._side == "panel":  # a loop may have read before it heard that it should not
            self._pair.early += data
            with suppress(RuntimeError):
                self.transport.pause_reading()
        self._pair.say(self._side, data)

    def eof_received(self) -> bool:
        self.ended = True
        other = self._pair.other(self._side)
        if other is None:
            return self._side == "panel"  # it may still hear an answer
        if other.ended:
            return False
        with suppress(OSError, RuntimeError):
            other.transport.write_eof()
        return True  # the other half goes on

    def pause_writing(self) -> None:
        if (other := self._pair.other(self._side)) is not None:
            with suppress(RuntimeError):
                other.transport.pause_reading()

    def resume_writing(self) -> None:
        if (other := self._pair.other(self._side)) is not None:
            with suppress(RuntimeError):
                other.transport.resume_reading()

    def connection_lost(self, exc: Exception | None) -> None:
        self._pair.gone(self._side, reset=isinstance(exc, ConnectionResetError))

    def abort(self) -> None:
        """Close with a reset, as the other side did."""
        with suppress(OSError):
            self.transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
        self.transport.abort()


class _Datagrams:
    """Datagrams of all peers: read and sent on at once, a socket a peer."""

    def __init__(self, tap: Tap, host: str, port: int) -> None:
        self._tap, self._loop = tap, asyncio.get_running_loop()
        self._socket = _bound(host, port)
        self.port = int(self._socket.getsockname()[1])
        target = socket.getaddrinfo(tap.host, tap.port, type=socket.SOCK_DGRAM)[0]
        self._family, self._target = target[0], target[4]
        self._peers: OrderedDict[str, _Peer] = OrderedDict()
        self._loop.add_reader(self._socket.fileno(), self._read)
        self._timer = self._loop.call_later(IDLE_SECONDS / 5, self._forget)

    def _read(self) -> None:
        for _ in range(AT_ONCE):
            try:
                data, address = self._socket.recvfrom(65535)
            except BlockingIOError:
                return
            except OSError:  # what an earlier answer met on its way
                continue
            name = peer_of(address)
            peer = self._peers.get(name)
            if peer is None:
                if len(self._peers) >= MOST_PEERS:
                    self._drop(next(iter(self._peers)))
                try:
                    peer = self._peers[name] = _Peer(self, name, address)
                except OSError as error:
                    self._tap.failed("udp", error.strerror or str(error))
                    continue
                self._say(peer, "open", b"")
            self._peers.move_to_end(name)
            peer.heard = self._loop.time()
            self._send(peer.socket.send, data)
            self._say(peer, "panel", data)

    def _send(self, send: Callable[[bytes], int], data: bytes) -> None:
        try:
            send(data)
        except BlockingIOError:
            self._tap.failed("udp", "the socket's buffer is full")
        except OSError as error:
            self._tap.failed("udp", error.strerror or str(error))

    def back(self, peer: "_Peer") -> None:
        for _ in range(AT_ONCE):
            try:
                data = peer.socket.recv(65535)
            except BlockingIOError:
                return
            except OSError as error:  # nobody listens there (ICMP)
                self._tap.failed("udp", error.strerror or str(error))
                return
            self._tap.reached("udp")
            peer.heard = self._loop.time()
            with suppress(OSError):  # a peer that cannot be written to is its own loss
                self._socket.sendto(data, peer.address)
            self._say(peer, "receiver", data)

    def new_socket(self) -> socket.socket:
        one = socket.socket(self._family, socket.SOCK_DGRAM)
        one.setblocking(False)
        one.connect(self._target)
        return one

    def _say(self, peer: "_Peer", what: Literal["open", "panel", "receiver"], data: bytes) -> None:
        if what == "open":
            self._tap.connections += 1
        self._tap.say(Happening(_now(), f"udp-{peer.name}", what, data, "udp", peer.name, port=self._tap.port))

    def _forget(self) -> None:
        old = self._loop.time() - IDLE_SECONDS
        for name in [name for name, peer in self._peers.items() if peer.heard < old]:
            self._drop(name)
        self._timer = self._loop.call_later(IDLE_SECONDS / 5, self._forget)

    def _drop(self, name: str) -> None:
        peer = self._peers.pop(name)
        self._loop.remove_reader(peer.socket.fileno())
        peer.socket.close()

    def close(self) -> None:
        self._timer.cancel()
        for name in list(self._peers):
            self._drop(name)
        self._loop.remove_reader(self._socket.fileno())
        self._socket.close()


class _Peer:
    def __init__(self, datagrams: _Datagrams, name: str, address: Any) -> None:
        self.name, self.address = name, address
        self.heard = 0.0
        self.socket = datagrams.new_socket()
        asyncio.get_running_loop().add_reader(self.socket.fileno(), datagrams.back, self)


def _bound(host: str, port: int) -> socket.socket:
    family, kind, protocol, _, address = socket.getaddrinfo(
        host, port, type=socket.SOCK_DGRAM, flags=socket.AI_PASSIVE
    )[0]
    one = socket.socket(family, kind, protocol)
    try:
        one.setblocking(False)
        one.bind(address)
    except BaseException:
        one.close()
        raise
    return one
