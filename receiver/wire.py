"""A panel's wire to a receiver: one TCP, UDP or TLS socket, blocking, each wait bounded."""

import socket
import ssl
import struct
from functools import cache
from pathlib import Path
from typing import Literal

Kind = Literal["tcp", "udp", "tls"]
MOST_READ = 65536


@cache
def tls_context(trusted: Path | None, shown: tuple[Path, Path] | None = None) -> ssl.SSLContext:
    """A panel's side of TLS: the certificate is checked against this PEM file, or not at all where there is none.

    `shown` are certificate and private key of the panel itself. Made once: hundreds of connections read no file again.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # TLS 1.2 and up, as Python has it
    if trusted is None:
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    else:
        context.load_verify_locations(cafile=trusted)
    if shown:
        context.load_cert_chain(*shown)
    return context


class Wire:
    """One open socket to a receiver. OSError where it cannot be opened or breaks.

    `trusted` is a PEM file that the receiver's certificate is checked against; without it, it is not checked. `shown` are
    the panel's own certificate and private key, for a receiver that asks.
    """

    def __init__(
        self,
        host: str,
        port: int,
        kind: Kind,
        timeout: float,
        trusted: Path | None = None,
        shown: tuple[Path, Path] | None = None,
    ) -> None:
        if kind == "udp":
            family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
            self._socket = socket.socket(family, socket.SOCK_DGRAM)
            self._socket.connect(address)
        else:
            self._socket = socket.create_connection((host, port), timeout)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # what is sent apart leaves apart
        if kind == "tls":
            with self._socket as plain:  # closed if the handshake fails; detached if it does not
                self._socket = tls_context(trusted, shown).wrap_socket(plain, server_hostname=host)

    def send(self, data: bytes) -> None:
        """Send bytes as they are; over UDP they are one datagram."""
        self._socket.sendall(data)

    def receive(self, seconds: float) -> bytes:
        """What arrives within the time; TimeoutError when nothing does, EOFError when the other side has closed."""
        self._socket.settimeout(max(seconds, 0.001))
        data = self._socket.recv(MOST_READ)
        if not data:
            raise EOFError("the receiver closed the connection")
        return data

    def finish(self) -> None:
        """Say that nothing more will be sent, and go on listening (a half-closed connection)."""
        self._socket.shutdown(socket.SHUT_WR)

    def abort(self) -> None:
        """Close at once with a reset, as after a power cut behind a gateway."""
        if self._socket.type == socket.SOCK_STREAM:
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._socket.close()

    def close(self) -> None:
        self._socket.close()
