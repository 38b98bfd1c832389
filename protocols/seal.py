"""Keys, and the sealed content of an encrypted DC-09 frame (5.4.6).

AES-128, 192 or 256 in CBC with a zero initial vector, written as ASCII hex. The plain text is

    pad | data ] extended … timestamp

1 to 16 bytes of padding in front bring it to whole blocks: any values but `[ ] |`, never to be read as text. CBC proves
nothing about who wrote it: a flipped bit may fall in the padding and pass.
"""

import re
import secrets
from collections.abc import Callable

from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

BLOCK = 16
_ZERO_VECTOR = modes.CBC(bytes(BLOCK))
_PAD_BYTES = bytes(value for value in range(256) if value not in b"[]|")
_HEX = re.compile(r"(?:[0-9A-Fa-f]{32})+")

PadSource = Callable[[int], bytes]


class SealError(ValueError):
    """The content does not open, and why; never with a byte of the key or of what was inside."""


class Key:
    """An AES key of 16, 24 or 32 bytes. It never shows itself: `repr` gives its length alone."""

    __slots__ = ("_cipher", "bits")

    def __init__(self, secret: bytes) -> None:
        if len(secret) not in (16, 24, 32):
            raise ValueError(f"an AES key has 16, 24 or 32 bytes (32, 48 or 64 hex digits); this one has {len(secret)}")
        self.bits = len(secret) * 8
        self._cipher = Cipher(algorithms.AES(secret), _ZERO_VECTOR)

    @classmethod
    def from_hex(cls, digits: str) -> "Key":
        """Read hex digits, spaces allowed. The ValueError never repeats them."""
        compact = "".join(digits.split())
        if not re.fullmatch(r"(?:[0-9A-Fa-f]{2})+", compact):
            raise ValueError("a key is written in hex digits, two a byte")
        return cls(bytes.fromhex(compact))

    def __repr__(self) -> str:
        return f"<AES-{self.bits} key>"

    def encrypt(self, blocks: bytes) -> bytes:
        worker = self._cipher.encryptor()
        return worker.update(blocks) + worker.finalize()

    def decrypt(self, blocks: bytes) -> bytes:
        worker = self._cipher.decryptor()
        return worker.update(blocks) + worker.finalize()


def padding(count: int) -> bytes:
    """Random bytes that are legal padding."""
    return bytes(secrets.choice(_PAD_BYTES) for _ in range(count))


def seal(key: Key, content: str, pad: PadSource = padding) -> str:
    """Seal what would stand after the `[` in clear: hex, in capitals. `pad` gives that many legal bytes."""
    rest = b"|" + content.encode("latin-1")
    return key.encrypt(pad(BLOCK - len(rest) % BLOCK) + rest).hex().upper()


def unseal(key: Key, digits: str) -> tuple[int, str]:
    """Open hex digits: how many bytes of padding there were, and the content after the `|`. SealError if it will not."""
    if not _HEX.fullmatch(digits):
        raise SealError(f"{len(digits)} characters of sealed content are not whole blocks of 32 hex digits")
    plain = key.decrypt(bytes.fromhex(digits)).decode("latin-1")
    pad, bar, content = plain.partition("|")
    if not bar or not 1 <= len(pad) <= BLOCK or "[" in pad or "]" in pad:
        raise SealError("no legal padding (1 to 16 bytes, then |) in front: another key, or damaged on the way")
    return len(pad), content
