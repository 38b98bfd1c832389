"""The lines: TCP, TLS and UDP ports that move bytes and nothing else (Twisted on the asyncio reactor).

TLS and UDP go through Twisted's transports. TCP, which is nearly all there is, goes through those of the event loop below
it: Twisted's take four times as long for a message (`Direct`).

Each connection has bounds, so that no peer costs another anything: 4 KB of unfinished frame, 64 frames without an answer
(then it is not read from until some are answered), 64 KB of answers that it does not fetch (likewise), 60 s for a frame it
has begun, or for the handshake of TLS, an hour of silence. What one address may have is in `guard`.
"""

import asyncio
import itertools
import socket
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from typing import Any, Protocol, cast

from OpenSSL import SSL
from twisted.internet import interfaces
from twisted.internet.address import IPv4Address, IPv6Address
from twisted.internet.defer import Deferred
from twisted.internet.protocol import DatagramProtocol, Factory
from twisted.internet.protocol import Protocol as Connection
from twisted.logger import Logger
from twisted.python.failure import Failure
from zope.interface import implementer

from protocols.envelope import KEPT_OF_NOISE, Piece, Reader, read_all
from protocols.values import Frame
from receiver.capture import What
from receiver.desk import Origin
from receiver.guard import Guard
from receiver.tls import shown_by

IDLE_SECONDS = 3600.0
FRAME_SECONDS = 60.0  # for a frame, or a run of noise, once it has begun
QUIET_SECONDS = 2.0  # a run of noise is over when nothing follows for this long
MOST_UNANSWERED = 64
SHORTEST_FRAME = 20  # LF crc 0LLL "NULL"0000L0[] CR has more bytes
SLICE = 4096  # bytes taken apart at a time, so that scraps cost no more memory than frames
OWN_RATE = 1024.0  # bytes a second, and a slice at once, that each connection may send whatever its address has sent

BACKLOG = 1024  # connections that the kernel holds until they are taken

Respond = Callable[[bytes], None]
log = Logger()


class Desk(Protocol):
    """What the lines need of the bench."""

    def receive(self, piece: Piece | Frame, origin: Origin, respond: Respond) -> bool: ...
    def record(self, connection: str, what: What, data: bytes, origin: Origin) -> None: ...
    def line_lost(self, line: str, port: int, why: str) -> None: ...
    def connection_failed(self, peer: str, why: str) -> None: ...


class Limits:
    """How long a peer may take; in seconds."""

    def __init__(self, idle: float = IDLE_SECONDS, frame: float = FRAME_SECONDS, quiet: float = QUIET_SECONDS) -> None:
        self.idle, self.frame, self.quiet = idle, frame, quiet


def peer_text(host: str, port: int) -> str:
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def line_text(kind: str, host: str, port: int) -> str:
    """A line that listens: its kind, and its port or the file that a telephone line reads."""
    return f"{kind} {host if kind == 'phone' and not port else peer_text(host, port)}"


@implementer(interfaces.IPushProducer, interfaces.IHalfCloseableProtocol, interfaces.IHandshakeListener)
class _Conversation(Connection):
    """One TCP or TLS connection.

    What is read waits in `raw`, what was taken apart in `unread`; both are worked off in turns, so that a peer who sends
    much at once costs the others no more than a turn. While anything waits, nothing more is read.
    """

    transport: Any  # Twisted's interfaces say less than its transports can do

    def __init__(self, line: "StreamLine", number: int) -> None:
        self.line, self.name = line, f"{line.kind}-{number}"
        self.reader = Reader()
        self.raw: deque[bytes] = deque()  # at most one segment, in slices
        self.unread: deque[Piece] = deque()
        self.unanswered = 0
        self.paused = False  # by the transport: the peer does not fetch its answers
        self.held = False  # its address has sent too much of late
        self.own = float(SLICE)  # bytes that it may send all the same
        self.filled = 0.0  # when that was reckoned last
        self.reading = True
        self.taking = False
        self.turn_due = False
        self.spoke = False
        self.ended = False  # nothing more will be taken, but answers may still leave
        self.closed: float | None = None  # when we closed it
        self.lost = False  # no answer can leave any more
        self.begun: float | None = None  # when what is unfinished began
        self.heard = 0.0

    def connectionMade(self) -> None:
        address = self.transport.getPeer()
        self.origin = Origin(self.line.kind, self.line.port, address.host, peer_text(address.host, address.port))
        self.heard = self.line.tick()
        self.line.open[self] = None
        if self.line.kind == "tls":  # the handshake, too, has its time
            self.begun, self.line.unfinished[self] = self.heard, None
        self.transport.registerProducer(self, True)
        self._record("open", b"")

    def handshakeCompleted(self) -> None:
        self.origin = self.origin._replace(certificate=shown_by(self.transport))
        self._note_unfinished(progress=True)

    def dataReceived(self, data: bytes) -> None:
        self.spoke = True
        self._record("panel", data)
        if self.closed is not None:
            return  # over TLS bytes come in after we have closed; no answer could leave, so none is promised
        self.heard = self.line.tick()
        waiting = self.unanswered or self.unread or self.raw or self.ended or self.paused or self.held
        if not waiting and len(data) <= SLICE:
            self._charge(data)
            pieces = self.reader.feed(data)
            if (
                self.begun is None and len(pieces) == 1 and pieces[0].size == len(data)
            ):  # nearly always: one whole frame
                self._hand_on(pieces[0])
                if self.ended:  # too much of what comes from its address cannot be read
                    self._flow()
                return
            self.unread.extend(pieces)
            self._note_unfinished(progress=bool(pieces))
        else:
            self.raw.extend(data[begin : begin + SLICE] for begin in range(0, len(data), SLICE))
            if not self.line.guard.waits(self.origin.host, len(data)) and len(data) > SLICE:
                self.line.guard.drops(self.origin.host)
                self._forget_raw()
                self.transport.abortConnection()
                return
        self._take()

    def connectionLost(self, reason: Failure | None = None) -> None:
        self.line.open.pop(self, None)
        self.line.guard.left(self.origin.host)
        self.line.unfinished.pop(self, None)
        if reason is not None and isinstance(reason.value, SSL.Error):
            self.line.desk.connection_failed(self.origin.peer, f"TLS failed: {_tls_reason(reason.value)}")
        elif not self.spoke:
            self.line.desk.connection_failed(self.origin.peer, f"{self.line.kind} connection closed without a byte")
        self._record("close", b"")
        self.lost = self.ended = True
        self.paused = False
        self.line.draining[self] = None
        self._take()

    def readConnectionLost(self) -> None:
        self.ended = True
        self._take()

    def writeConnectionLost(self) -> None:
        self.end()

    def end(self) -> None:
        """Close the connection once what was answered has been written."""
        if self.closed is None and not self.lost:
            self.closed = self.line.tick()
            self.transport.unregisterProducer()  # over TLS a connection with a producer never closes
            self.transport.resumeProducing()  # nor one that does not read how the peer takes its leave
            self.transport.loseConnection()

    def overdue(self, now: float) -> None:
        """Called now and then while something is unfinished."""
        limits = self.line.limits
        late = self.reading and self.begun is not None and now - self.begun >= limits.frame
        if late:
            self.ended = True
        elif self.reader.holds == "noise" and now - self.heard >= limits.quiet:
            self.unread.extend(self.reader.close())
            self._note_unfinished(progress=True)
        self._take()

    def pauseProducing(self) -> None:
        self.paused = True
        self._flow()

    def resumeProducing(self) -> None:
        self.paused = False
        self._take()

    def stopProducing(self) -> None:
        pass

    @property
    def waiting(self) -> bool:
        """Whether anything that was read still waits for its turn or its answer."""
        return bool(self.unread or self.raw or self.unanswered)

    def _take(self) -> None:
        if self.taking:  # an answer that is given at once comes back here: the loop below goes on by itself
            return
        self.taking, turn = True, 0
        try:
            while turn < MOST_UNANSWERED and self.unanswered < MOST_UNANSWERED and not self.paused and self._next():
                turn += 1
                self._hand_on(self.unread.popleft())
        finally:
            self.taking = False
        if turn == MOST_UNANSWERED and not self.turn_due:
            self.turn_due = True
            self.line.later(0, self._next_turn)
        self._flow()

    def _hand_on(self, piece: Piece) -> None:
        self.unanswered += 1
        try:
            if not self.line.desk.receive(piece, self.origin, self._respond):
                self.ended = True
                self._forget_raw()
                self.transport.pauseProducing()
        except Exception:
            self.unanswered -= 1
            self.transport.abortConnection()
            raise

    def _charge(self, data: bytes) -> None:
        """Count what is taken apart; where that is too much for one address, go on later.

        A connection that says little is read all the same: a neighbour behind one address must not silence it.
        """
        seconds = self.line.guard.took(self.origin.host, len(data))
        if not seconds:
            return
        self.own = min(self.own + (self.heard - self.filled) * OWN_RATE, SLICE) - len(data)
        self.filled = self.heard
        if self.own < 0 and not (self.held or self.line.closing):
            self.held = True
            self.line.later(seconds, self._let_go)

    def _forget_raw(self) -> None:
        while self.raw:
            self.line.guard.waits(self.origin.host, -len(self.raw.popleft()))

    def _let_go(self) -> None:
        self.held = False
        self._take()

    def _next_turn(self) -> None:
        self.turn_due = False
        self._take()

    def _next(self) -> bool:
        """Whether a piece is there to be taken, after reading on in what came, a slice at a time."""
        while not self.unread and self.raw and (not self.held or self.line.closing):
            data = self.raw.popleft()
            self.line.guard.waits(self.origin.host, -len(data))
            self._charge(data)
            self.unread.extend(self.reader.feed(data))
            self._note_unfinished(progress=bool(self.unread))
        if not self.unread and not self.raw and self.ended:
            self.unread.extend(self.reader.close())
            self._note_unfinished(progress=True)
        return bool(self.unread)

    def _flow(self) -> None:
        waiting = bool(self.unread or self.raw)
        if self.lost:
            if not self.waiting:
                self.line.draining.pop(self, None)
            return
        if self.ended:
            if not self.waiting:
                self.end()
            return
        if self.line.closing:
            return  # the bench stops, and has paused us: what was read is answered, and nothing more is read
        if self.reading == (waiting or self.paused or self.held):
            self.reading = not self.reading
            if self.reading:
                self.begun = self.begun and self.line.tick()  # the time while we did not read is not the peer's
                self.transport.resumeProducing()
            else:
                self.transport.pauseProducing()

    def _respond(self, reply: bytes) -> None:
        self.unanswered -= 1
        if reply and not self.lost:
            self._record("receiver", reply)
            try:
                self.transport.write(reply)
            except RuntimeError:  # the peer has gone, and the loop let go of the socket before it told anybody
                self.transport.abortConnection()
        if self.unread or self.raw or self.ended:
            self._take()

    def _note_unfinished(self, *, progress: bool) -> None:
        if self.reader.holds == "nothing":
            self.begun = None
            self.line.unfinished.pop(self, None)
        elif self.begun is None or progress:
            self.begun = self.heard
            if not self.lost:
                self.line.unfinished[self] = None

    def _record(self, what: What, data: bytes) -> None:
        self.line.desk.record(self.name, what, data, self.origin)


class Direct(asyncio.Protocol):
    """A TCP connection on a transport of the event loop, as a conversation knows transports: with Twisted's names."""

    def __init__(self, conversation: _Conversation, peer: Sequence[Any]) -> None:
        self.conversation, self._peer = conversation, peer
        self.dataReceived = conversation.dataReceived
        self.open = True

    def connection_made(self, transport: Any) -> None:
        self.transport, self.write = transport, transport.write
        self.loseConnection, self.abortConnection = transport.close, transport.abort
        self.conversation.transport = self
        self.conversation.connectionMade()

    def data_received(self, data: bytes) -> None:
        try:
            self.dataReceived(data)
        except Exception:
            log.failure("a connection failed")
            self.transport.abort()

    def eof_received(self) -> bool:
        self.conversation.readConnectionLost()
        return True  # what was read is still to be answered

    def connection_lost(self, exc: Exception | None) -> None:
        self.open = False
        self.conversation.connectionLost()

    def pause_writing(self) -> None:
        self.conversation.pauseProducing()

    def resume_writing(self) -> None:
        self.conversation.resumeProducing()

    def getPeer(self) -> IPv4Address | IPv6Address:
        return _address(self._peer)

    def pauseProducing(self) -> None:
        if self.open and not self.transport.is_closing():
            self.transport.pause_reading()

    def resumeProducing(self) -> None:
        if self.open and not self.transport.is_closing():
            self.transport.resume_reading()

    def registerProducer(self, producer: Any, streaming: bool) -> None:
        """Who is told when the peer does not fetch its answers: here it is the conversation anyway."""

    def unregisterProducer(self) -> None:
        """Nothing to be done: such a transport closes all the same."""


class DirectPort:
    """A TCP port on the event loop, or a socket that listens already. OSError where it cannot be had."""

    def __init__(self, line: "StreamLine", host: str, port: int, given: socket.socket | None = None) -> None:
        self._line, self._loop = line, asyncio.get_event_loop()
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        # [::] takes IPv4 as well, as the ports of TLS and UDP do.
        both = host == "::" and socket.has_dualstack_ipv6()
        self._socket = given or socket.create_server((host, port), family=family, backlog=BACKLOG, dualstack_ipv6=both)
        self._socket.setblocking(False)
        self._opening: set[asyncio.Task[Any]] = set()
        self._listen()

    def _listen(self) -> None:
        if self._socket.fileno() >= 0:
            self._loop.add_reader(self._socket, self._accept)

    def _accept(self) -> None:
        # Accepted here, as only `accept` knows the address of a peer that has sent, and broken off, before it was taken.
        for _ in range(BACKLOG):
            try:
                one, address = self._socket.accept()
            except (BlockingIOError, ConnectionAbortedError):
                return
            except OSError as error:  # no more open files, most likely: the kernel holds who calls for a while
                self._loop.remove_reader(self._socket)
                self._loop.call_later(1, self._listen)
                self._line.desk.connection_failed(self._line.kind, f"no connection can be taken: {error.strerror}")
                return
            if not self._line.guard.admits(address[0]):
                one.close()
                continue
            one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            direct = partial(Direct, self._line.buildProtocol(None), address)
            task = self._loop.create_task(self._loop.connect_accepted_socket(direct, one))
            self._opening.add(task)
            task.add_done_callback(partial(self._opened, address[0]))

    def _opened(self, host: str, task: "asyncio.Task[Any]") -> None:
        self._opening.discard(task)
        if task.cancelled() or task.exception():
            self._line.guard.left(host)
        if not task.cancelled() and (error := task.exception()):
            self._line.desk.connection_failed(self._line.kind, f"a connection could not be taken: {error}")

    def getHost(self) -> IPv4Address | IPv6Address:
        return _address(self._socket.getsockname())

    async def stopListening(self) -> None:
        self._loop.remove_reader(self._socket)
        self._socket.close()
        while self._opening:  # who was accepted is a connection before it is counted who there is
            turn: Deferred[None] = Deferred()
            self._line.later(0, turn.callback, None)
            await turn


def _address(name: Sequence[Any]) -> IPv4Address | IPv6Address:
    host, port = name[:2]
    return (IPv6Address if ":" in host else IPv4Address)("TCP", host, port)


def _tls_reason(error: Any) -> str:
    reasons = [part[-1] for part in error.args[0]] if error.args and isinstance(error.args[0], list) else []
    return ", ".join(filter(None, reasons)) or "the connection broke during it"


class StreamLine(Factory):
    """A TCP or TLS port."""

    noisy = False
    _numbers = itertools.count(1)

    def __init__(self, kind: str, desk: Desk, guard: Guard, later: Callable[..., Any], limits: Limits) -> None:
        self.kind, self.desk, self.guard, self.tick = kind, desk, guard, guard.tick
        self.later, self.limits = later, limits
        self.port = 0
        self.open: dict[_Conversation, None] = {}
        self.unfinished: dict[_Conversation, None] = {}
        self.draining: dict[_Conversation, None] = {}  # lost, and what they had sent is still being worked off
        self.closing = False

    def buildProtocol(self, addr: Any) -> _Conversation:
        return _Conversation(self, next(self._numbers))

    def doStop(self) -> None:
        if not self.closing:
            self.desk.line_lost(self.kind, self.port, "the port stopped listening")
        super().doStop()  # type: ignore[no-untyped-call]

    @property
    def waiting(self) -> bool:
        """Whether anything that was read from any connection still waits."""
        return bool(self.draining) or any(conversation.waiting for conversation in self.open)

    def sweep(self) -> None:
        """Close what has been silent or unfinished too long; call it about once a second."""
        now = self.tick()
        for conversation in list(self.unfinished):
            conversation.overdue(now)

    def sweep_idle(self) -> None:
        """Close connections that have been silent for an hour; call it about once a minute."""
        now = self.tick()
        for conversation in list(self.open):
            closed = conversation.closed
            # Who was closed and does not close in turn (over TLS both must) is not waited for.
            if now - conversation.heard >= self.limits.idle or (
                closed is not None and now - closed >= self.limits.frame
            ):
                conversation.transport.abortConnection()


class DatagramLine(DatagramProtocol):
    """A UDP port. A datagram stands for itself: what it leaves unfinished is not continued by the next."""

    noisy = False
    kind = "udp"
    transport: Any

    def __init__(self, desk: Desk, guard: Guard) -> None:
        self.desk, self.guard = desk, guard
        self.port = 0
        self.closing = False
        self._known: dict[str, None] = {}

    def datagramReceived(self, datagram: bytes, addr: Any) -> None:
        host, port = addr[0], addr[1]
        if not self.guard.takes(host, len(datagram)):
            return
        peer = peer_text(host, port)
        origin = Origin(self.kind, self.port, host, peer)
        if peer not in self._known:
            if len(self._known) >= 10_000:
                self._known.clear()
            self._known[peer] = None
            self.desk.record(f"udp-{peer}", "open", b"", origin)
        self.desk.record(f"udp-{peer}", "panel", datagram, origin)

        def respond(reply: bytes) -> None:
            if reply and self.transport:
                self.desk.record(f"udp-{peer}", "receiver", reply, origin)
                with suppress(OSError):  # an address that cannot be written to, forged perhaps, is that peer's own loss
                    self.transport.write(reply, addr)

        pieces = read_all(datagram)
        if len(pieces) > MOST_UNANSWERED and len(datagram) < len(pieces) * SHORTEST_FRAME:
            # A datagram of scraps, none of them long enough for a frame: the rest of it is one run of noise.
            taken = sum(piece.size for piece in pieces[:MOST_UNANSWERED])
            rest = datagram[taken:]
            pieces[MOST_UNANSWERED:] = [Piece("noise", rest[:KEPT_OF_NOISE], len(rest))]
        for piece in pieces:
            self.desk.receive(piece, origin, respond)

    def stopProtocol(self) -> None:
        if not self.closing:
            self.desk.line_lost(self.kind, self.port, "the port stopped listening")


def listening_port(port: Any) -> tuple[str, int]:
    address = cast(IPv4Address | IPv6Address, port.getHost())
    return address.host, address.port
