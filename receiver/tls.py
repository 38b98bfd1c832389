"""TLS of the bench: which kinds are spoken, who must show a certificate, and how the files are read again.

TLS 1.3, and 1.2 with forward secrecy and authenticated encryption alone (RFC 9325, 4.2, from memory). No renegotiation,
no sessions that outlive a connection: what a panel shows is shown anew each time.
"""

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple, cast

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding, load_pem_private_key
from OpenSSL import SSL
from twisted.internet import ssl
from twisted.internet.interfaces import IOpenSSLServerConnectionCreator
from twisted.protocols.tls import TLSMemoryBIOFactory
from zope.interface import implementer

from receiver.desk import Shown

SUITES = b"ECDHE+AESGCM:ECDHE+CHACHA20"  # of TLS 1.2; those of 1.3 are all of this kind


class Files(NamedTuple):
    """Where a line's certificate lies, its private key, and those who may have signed what panels show."""

    certificate: Path
    private_key: Path
    client_ca: Path | None = None

    def state(self) -> tuple[Any, ...]:
        """What changes when a file does."""
        return tuple(_state(path) for path in self if path)


def _state(path: Path) -> tuple[int, ...] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino


def tls_context(certificate: Path, private_key: Path, client_ca: Path | None = None) -> ssl.CertificateOptions:
    """A context from PEM files (the certificate may bring its chain). ValueError says which file is wrong and how.

    With `client_ca` a panel is asked for a certificate. One that does not belong to these ends the connection; none is
    allowed here, since an account need not have one: that is the desk's business.
    """
    chain = _certificates(certificate, "the certificate")
    try:
        secret = load_pem_private_key(private_key.read_bytes(), None)
    except OSError as error:
        raise ValueError(f"the private key {private_key} cannot be read: {error.strerror}") from None
    except (ValueError, TypeError):
        raise ValueError(f"{private_key} holds no PEM private key without a passphrase") from None
    if secret.public_key() != chain[0].public_key():
        raise ValueError(f"the private key {private_key} does not belong to the certificate {certificate}")
    # cryptography's own objects: pyOpenSSL takes them, and its wrappers of them are going away.
    options = ssl.CertificateOptions(
        privateKey=cast(Any, secret),
        certificate=cast(Any, chain[0]),
        extraCertChain=cast(Any, chain[1:]),
        raiseMinimumTo=ssl.TLSVersion.TLSv1_2,
    )
    context = options.getContext()
    context.set_options(SSL.OP_NO_RENEGOTIATION)
    context.set_cipher_list(SUITES)
    if client_ca:
        _certificates(client_ca, "the client CA")
        context.load_verify_locations(str(client_ca))
        context.load_client_ca(str(client_ca).encode())
        context.set_session_id(b"farend")
        context.set_verify(SSL.VERIFY_PEER, lambda connection, certificate, error, depth, good: bool(good))
    return options


def _certificates(path: Path, what: str) -> list[x509.Certificate]:
    try:
        return x509.load_pem_x509_certificates(path.read_bytes())
    except OSError as error:
        raise ValueError(f"{what} {path} cannot be read: {error.strerror}") from None
    except ValueError:
        raise ValueError(f"{path} holds no PEM certificate (swapped with the private key?)") from None


@implementer(IOpenSSLServerConnectionCreator)
class Renewed:
    """The context that new connections get, made again when its files have changed; old connections keep theirs."""

    def __init__(self, files: Files) -> None:
        self.files = files
        self._seen = self._state = files.state()
        self._context = tls_context(*files).getContext()

    def serverConnectionForTLS(self, protocol: Any) -> SSL.Connection:
        return SSL.Connection(self._context, None)

    def look(self, *, asked: bool = False) -> str | None:
        """Read the files again if they have changed, or if asked to; what came of it, in words. Call it every second.

        Files that change are left alone until the next look: certificate and key are two, and are not written at once.
        """
        before, self._seen = self._seen, self.files.state()
        if not asked and (self._seen == self._state or self._seen != before):
            return None
        self._state = self._seen
        try:
            self._context = tls_context(*self.files).getContext()
            new = _certificates(self.files.certificate, "the certificate")[0]
        except (ValueError, SSL.Error) as error:
            return f"THE CERTIFICATE CANNOT BE READ AGAIN, the old one stays: {error}"
        return (
            f"the certificate was read again: {new.subject.rfc4514_string()}, good until"
            f" {new.not_valid_after_utc:%d %B %Y}, sha256:{fingerprint(new)}"
        )


def fingerprint(certificate: x509.Certificate) -> str:
    """SHA-256 over a certificate, as `openssl x509 -fingerprint -sha256` has it, in small letters without colons."""
    return hashlib.sha256(certificate.public_bytes(Encoding.DER)).hexdigest()


def shown_by(transport: Any) -> Shown:
    """The certificate that was shown on a connection whose handshake is over."""
    found = transport.getPeerCertificate()
    if found is None:
        return Shown()
    certificate = found.to_cryptography()
    return Shown(fingerprint(certificate), certificate.subject.rfc4514_string())


class Secured(TLSMemoryBIOFactory):
    """A line behind TLS. Who is not admitted is closed before any handshake."""

    def __init__(self, context: Renewed, line: Any, admits: Callable[[str], bool]) -> None:
        super().__init__(cast(Any, context), False, line)
        self._admits = admits

    def buildProtocol(self, addr: Any) -> Any:
        return super().buildProtocol(addr) if self._admits(addr.host) else None
