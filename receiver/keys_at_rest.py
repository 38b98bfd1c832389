"""Account keys at rest: sealed in the book under a master key that lies elsewhere.

    sealed:ID:TEXT      AES-256-GCM (NIST SP 800-38D), TEXT in base64url: a nonce of 12 bytes, the sealed key, the tag

What is sealed with it is whose key it is (receiver, prefix, number): moved to another account it does not open. ID tells
masters apart, so that a wrong one is told from damage; it is made from the master and says nothing about it.
"""

import base64
import hmac
import os
import re
import secrets
from pathlib import Path

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

VARIABLE = "FAREND_MASTER"  # where the master key is to be found, as `--master` says it
CREDENTIAL = "farend-master"  # its name among systemd's credentials, where nothing else is said
_PURPOSE = b"farend account key 1\0"
_NONCE = 12
_SEALED = re.compile(r"sealed:([0-9a-f]{8}):([A-Za-z0-9_=-]+)")


class MasterError(ValueError):
    """There is no master key, or it is none; what to do. Never with a byte of it."""


class Master:
    """A master key of 32 bytes. It never shows itself."""

    __slots__ = ("_cipher", "id")

    def __init__(self, secret: bytes) -> None:
        if len(secret) != 32:
            raise MasterError(f"a master key has 32 bytes (64 hex digits); this one has {len(secret)}")
        self._cipher = AESGCM(secret)
        self.id = hmac.digest(secret, b"farend master id", "sha256")[:4].hex()

    def __repr__(self) -> str:
        return f"<master key {self.id}>"

    def seal(self, digits: str, whose: str) -> str:
        """The hex digits of an account's key, as the book keeps them. ValueError where they are none."""
        nonce = secrets.token_bytes(_NONCE)
        sealed = self._cipher.encrypt(nonce, bytes.fromhex(digits), _PURPOSE + whose.encode())
        return f"sealed:{self.id}:{base64.urlsafe_b64encode(nonce + sealed).decode()}"

    def open(self, text: str, whose: str) -> str:
        """The hex digits of the key that was sealed for that account. ValueError says why it does not open."""
        match = _SEALED.fullmatch(text)
        if not match:
            raise ValueError(f"account {whose}: what stands after sealed: is cut or changed; take it from a backup")
        if match[1] != self.id:
            raise ValueError(
                f"account {whose}: its key was sealed under master {match[1]}, and the one given is {self.id}:"
                " give the other one (--master)"
            )
        try:
            data = base64.urlsafe_b64decode(match[2])
            opened = self._cipher.decrypt(data[:_NONCE], data[_NONCE:], _PURPOSE + whose.encode())
        except (InvalidTag, ValueError):
            raise ValueError(
                f"account {whose}: its key does not open: it was changed, or was sealed for another account"
                " (number, receiver and prefix are sealed with it)"
            ) from None
        return opened.hex().upper()


def master(where: str | None = None) -> Master:
    """The master key from `file:PATH`, `env:NAME` or `credential:NAME`; without a word, where the environment says.

    MasterError says what is missing and what to do.
    """
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    where = where or os.environ.get(VARIABLE)
    if not where and folder and (Path(folder) / CREDENTIAL).exists():
        where = f"credential:{CREDENTIAL}"
    if not where:
        raise MasterError(
            f"there is no master key to open it: give --master, or {VARIABLE}=file:PATH in the environment"
        )
    kind, _, rest = where.partition(":")
    if kind == "env":
        if rest not in os.environ:
            raise MasterError(f"there is no environment variable {rest} to take the master key from")
        text = os.environ[rest]
    elif kind in ("file", "credential"):
        if kind == "credential" and not folder:
            raise MasterError(f"{where}: systemd gives no credentials here (CREDENTIALS_DIRECTORY is not set)")
        path = Path(folder or "") / rest if kind == "credential" else Path(rest)
        try:
            text = path.read_text("ascii")
        except (OSError, UnicodeDecodeError) as error:
            reason = error.strerror if isinstance(error, OSError) else "it is not text"
            raise MasterError(f"the master key {where} cannot be read: {reason}") from None
    else:
        raise MasterError("where a master key is, is written file:PATH, env:NAME or credential:NAME")
    try:
        secret = bytes.fromhex("".join(text.split()))
    except ValueError:
        raise MasterError(
            f"the master key from {where} is not in hex digits: `openssl rand -hex 32` makes one"
        ) from None
    return Master(secret)
