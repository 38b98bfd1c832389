"""The lines: TCP, TLS and UDP ports that move bytes and nothing else (Twisted on the asyncio reactor).

Each connection has bounds, so that no peer costs another anything: 4 KB of unfinished frame, 64 frames without an answer
(then it is not read from until some are answered), 64 KB of answers that it does not fetch (likewise), 60 s for a frame it
has begun, an hour of silence.
"""

import itertools
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol, cast

from OpenSSL import SSL
from twisted.internet import interfaces, ssl
from twisted.internet.address import IPv4Address, IPv6Address
from twisted.internet.protocol import DatagramProtocol, Factory
from twisted.internet.protocol import Protocol as Connection
from twisted.python.failure import Failure
from zope.interface import implementer

from protocols.envelope import Piece, Reader, read_all
from receiver.capture import What
from receiver.desk import Origin

IDLE_SECONDS = 3600.0
FRAME_SECONDS = 60.0  # for a frame, or a run of noise, once it has begun
QUIET_SECONDS = 2.0  # a run of noise is over when nothing follows for this long
MOST_UNANSWERED = 64

Respond = Callable[[bytes], None]


class Desk(Protocol):
    """What the lines need of the bench."""

    def receive(self, piece: Piece, origin: Origin, respond: Respond) -> None: ...
    def record(self, connection: str, what: What, data: bytes, line: str, peer: str) -> None: ...
    def line_lost(self, line: str, why: str) -> None: ...


class Limits:
    """How long a peer may take; in seconds."""

    def __init__(self, idle: float = IDLE_SECONDS, frame: float = FRAME_SECONDS, quiet: float = QUIET_SECONDS) -> None:
        self.idle, self.frame, self.quiet = idle, frame, quiet


def peer_text(host: str, port: int) -> str:
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


@implementer(interfaces.IPushProducer, interfaces.IHalfCloseableProtocol)
class _Conversation(Connection):
    """One TCP or TLS connection."""

    transport: Any  # Twisted's interfaces say less than its transports can do

    def __init__(self, line: "StreamLine", number: int) -> None:
        self.line, self.name = line, f"{line.kind}-{number}"
        self.reader = Reader()
        self.unread: deque[Piece] = deque()
        self.unanswered = 0
        self.paused = False  # by the transport: the peer does not fetch its answers
        self.reading = True
        self.taking = False
        self.ended = False  # the peer will send no more, but may wait for answers
        self.begun: float | None = None  # when what is unfinished began
        self.heard = 0.0

    def connectionMade(self) -> None:
        address = self.transport.getPeer()
        self.origin = Origin(self.line.kind, self.line.port, address.host, peer_text(address.host, address.port))
        self.heard = self.line.tick()
        self.line.open[self] = None
        self.transport.registerProducer(self, True)
        self._record("open", b"")

    def dataReceived(self, data: bytes) -> None:
        self.heard = self.line.tick()
        self._record("panel", data)
        self.unread.extend(self.reader.feed(data))
        self._note_unfinished()
        self._take()

    def connectionLost(self, reason: Failure | None = None) -> None:
        self.line.open.pop(self, None)
        self.line.unfinished.pop(self, None)
        self.unread.extend(self.reader.close())
        while self.unread:
            self.line.desk.receive(self.unread.popleft(), self.origin, lambda _: None)
        self._record("close", b"")

    def readConnectionLost(self) -> None:
        self.ended = True
        self.unread.extend(self.reader.close())
        self._note_unfinished()
        self._take()

    def writeConnectionLost(self) -> None:
        self.transport.loseConnection()

    def overdue(self, now: float) -> None:
        """Called now and then while something is unfinished."""
        limits = self.line.limits
        late = self.begun is not None and now - self.begun >= limits.frame
        if late or (self.reader.holds == "noise" and now - self.heard >= limits.quiet):
            self.unread.extend(self.reader.close())
            self._note_unfinished()
            self._take()
        if late:
            self.transport.loseConnection()

    def pauseProducing(self) -> None:
        self.paused = True
        self._flow()

    def resumeProducing(self) -> None:
        self.paused = False
        self._take()

    def stopProducing(self) -> None:
        pass

    def _take(self) -> None:
        if self.taking:  # an answer that is given at once comes back here: the loop below goes on by itself
            return
        self.taking = True
        while self.unread and self.unanswered < MOST_UNANSWERED and not self.paused:
            self.unanswered += 1
            self.line.desk.receive(self.unread.popleft(), self.origin, self._respond)
        self.taking = False
        self._flow()

    def _flow(self) -> None:
        if self.ended and not self.unread and not self.unanswered:
            self.transport.loseConnection()
        wanted = not self.unread and not self.paused
        if wanted != self.reading and not self.ended:
            self.reading = wanted
            if wanted:
                self.transport.resumeProducing()
            else:
                self.transport.pauseProducing()

    def _respond(self, reply: bytes) -> None:
        self.unanswered -= 1
        if reply:
            self._record("receiver", reply)
            self.transport.write(reply)
        if self.unread or self.ended:
            self._take()

    def _note_unfinished(self) -> None:
        if self.reader.holds == "nothing":
            self.begun = None
            self.line.unfinished.pop(self, None)
        elif self.begun is None:
            self.begun = self.heard
            self.line.unfinished[self] = None

    def _record(self, what: What, data: bytes) -> None:
        self.line.desk.record(self.name, what, data, self.line.kind, self.origin.peer)


class StreamLine(Factory):
    """A TCP or TLS port."""

    noisy = False
    _numbers = itertools.count(1)

    def __init__(self, kind: str, desk: Desk, tick: Callable[[], float], limits: Limits) -> None:
        self.kind, self.desk, self.tick, self.limits = kind, desk, tick, limits
        self.port = 0
        self.open: dict[_Conversation, None] = {}
        self.unfinished: dict[_Conversation, None] = {}
        self.closing = False

    def buildProtocol(self, addr: Any) -> _Conversation:
        return _Conversation(self, next(self._numbers))

    def doStop(self) -> None:
        if not self.closing:
            self.desk.line_lost(self.kind, "the port stopped listening")
        super().doStop()  # type: ignore[no-untyped-call]

    def sweep(self) -> None:
        """Close what has been silent or unfinished too long; call it about once a second."""
        now = self.tick()
        for conversation in list(self.unfinished):
            conversation.overdue(now)

    def sweep_idle(self) -> None:
        """Close connections that have been silent for an hour; call it about once a minute."""
        now = self.tick()
        for conversation in list(self.open):
            if now - conversation.heard >= self.limits.idle:
                conversation.transport.abortConnection()


class DatagramLine(DatagramProtocol):
    """A UDP port. A datagram stands for itself: what it leaves unfinished is not continued by the next."""

    noisy = False
    kind = "udp"
    transport: Any

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.port = 0
        self.closing = False
        self._known: dict[str, None] = {}

    def datagramReceived(self, datagram: bytes, addr: Any) -> None:
        host, port = addr[0], addr[1]
        peer = peer_text(host, port)
        origin = Origin(self.kind, self.port, host, peer)
        if peer not in self._known:
            if len(self._known) >= 10_000:
                self._known.clear()
            self._known[peer] = None
            self.desk.record(f"udp-{peer}", "open", b"", self.kind, peer)
        self.desk.record(f"udp-{peer}", "panel", datagram, self.kind, peer)

        def respond(reply: bytes) -> None:
            if reply and self.transport:
                self.desk.record(f"udp-{peer}", "receiver", reply, self.kind, peer)
                self.transport.write(reply, addr)

        for piece in read_all(datagram):
            self.desk.receive(piece, origin, respond)

    def stopProtocol(self) -> None:
        if not self.closing:
            self.desk.line_lost(self.kind, "the port stopped listening")


def tls_context(certificate: Path, private_key: Path) -> ssl.CertificateOptions:
    """TLS 1.2 and up from PEM files (the certificate may bring its chain). ValueError says which file is wrong and how."""
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        chain = x509.load_pem_x509_certificates(certificate.read_bytes())
    except (OSError, ValueError) as error:
        raise ValueError(f"the certificate {certificate} cannot be used: {error}") from None
    try:
        secret = load_pem_private_key(private_key.read_bytes(), None)
    except (OSError, ValueError, TypeError) as error:
        raise ValueError(f"the private key {private_key} cannot be used: {error}") from None
    if secret.public_key() != chain[0].public_key():
        raise ValueError(f"the private key {private_key} does not belong to the certificate {certificate}")
    # cryptography's own objects: pyOpenSSL takes them, and its wrappers of them are going away.
    options = ssl.CertificateOptions(
        privateKey=cast(Any, secret),
        certificate=cast(Any, chain[0]),
        extraCertChain=cast(Any, chain[1:]),
        raiseMinimumTo=ssl.TLSVersion.TLSv1_2,
    )
    options.getContext().set_options(SSL.OP_NO_RENEGOTIATION)
    return options


def listening_port(port: Any) -> tuple[str, int]:
    address = cast(IPv4Address | IPv6Address, port.getHost())
    return address.host, address.port
