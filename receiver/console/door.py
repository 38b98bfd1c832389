"""Who may come in: one-time links, passwords, sessions, the installer's link and spoken PIN, and how often one may try.

Only hashes of secrets are kept, in a small file beside the journal (`….console`), so that a console that is started anew
still knows its sessions. A session says who somebody is and how that is known; both go into what they sign.
"""

import hashlib
import hmac
import secrets
import sqlite3
import threading
import time
import tomllib
from collections import deque
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal

import argon2
from pydantic import BaseModel, ConfigDict, Field, ValidationError

SESSION_SECONDS = 12 * 3600  # an engineer's session ends after a shift
LINK_SECONDS = 3600  # a one-time link that nobody used
PIN_TRIES = 5  # then the link is dead, and the engineer makes another
TRIES, TRIES_SECONDS = 8, 300  # wrong passwords or links from one address
# Wrong passwords for one name, from wherever. NIST SP 800-63B-4, 3.2.2 allows 100 (from memory); more keeps its owner out.
NAME_TRIES = 50
# Characters, where a password stands alone: NIST SP 800-63B-4, 3.1.1.2 (from memory).
LEAST_PASSWORD = 15
PIN_DIGITS = 6
HASHER = argon2.PasswordHasher.from_parameters(argon2.profiles.RFC_9106_LOW_MEMORY)

_SCHEMA = """
CREATE TABLE IF NOT EXISTS session (hash BLOB PRIMARY KEY, role TEXT NOT NULL, name TEXT NOT NULL, known TEXT NOT NULL,
                                    proving TEXT, csrf TEXT NOT NULL, until REAL NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS invitation (hash BLOB PRIMARY KEY, proving TEXT NOT NULL, pin TEXT NOT NULL,
                                       tries INTEGER NOT NULL, name TEXT NOT NULL, at REAL NOT NULL) WITHOUT ROWID;
"""


class DoorError(Exception):
    """Somebody may not come in, and why, in words that tell nothing to whoever guesses."""


class TooOftenError(DoorError):
    """Too many wrong tries; how many seconds to wait."""

    def __init__(self, seconds: float) -> None:
        super().__init__(f"too many wrong tries: wait {seconds:.0f} s")
        self.seconds = seconds


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody who is in: as what, by which name, and how that is known. An installer belongs to one proving."""

    role: Literal["engineer", "installer"]
    name: str
    known: str
    csrf: str
    proving: str | None = None


class Person(BaseModel):
    """One of the station's people who may come in from another machine."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    name: Annotated[str, Field(min_length=1)]
    password: Annotated[str, Field(pattern=r"^\$argon2id\$")]


class _People(BaseModel):
    model_config = ConfigDict(extra="forbid")
    person: tuple[Person, ...] = ()


def read_people(path: Path) -> dict[str, str]:
    """Names and argon2 hashes from a file of people. DoorError says what is wrong with it."""
    try:
        found = _People.model_validate(tomllib.loads(path.read_text("utf-8")))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DoorError(f"{path} cannot be read: {getattr(error, 'strerror', None) or error}") from None
    except ValidationError as error:
        places = "; ".join(f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in error.errors())
        raise DoorError(f"{path}: {places}") from None
    return {person.name: person.password for person in found.person}


def password_hash(password: str) -> str:
    """Argon2id with the second recommended set of RFC 9106, 4 (from memory): 64 MiB, three passes.

    DoorError where it is too short.
    """
    if len(password) < LEAST_PASSWORD:
        raise DoorError(f"a password has at least {LEAST_PASSWORD} characters")
    return HASHER.hash(password)


def _hash(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


@dataclass(slots=True)
class Tries:
    """Wrong tries by whom or from where, within the last minutes."""

    most: int = TRIES
    within: float = TRIES_SECONDS
    _wrong: dict[str, deque[float]] = field(default_factory=dict)

    def check(self, whose: str) -> None:
        """TooOftenError where that has been wrong too often."""
        now, wrong = time.monotonic(), self._wrong.get(whose)
        while wrong and now - wrong[0] > self.within:
            wrong.popleft()
        if wrong and len(wrong) >= self.most:
            raise TooOftenError(self.within - (now - wrong[0]))

    def wrong(self, whose: str) -> None:
        """Note a wrong try."""
        if len(self._wrong) > 10_000:  # a flood from everywhere: forget those whose time is over
            self._wrong = {
                who: when for who, when in self._wrong.items() if when and time.monotonic() - when[-1] < self.within
            }
        self._wrong.setdefault(whose, deque(maxlen=self.most)).append(time.monotonic())


class Door:
    """All of it, over one small file. Its methods may be called from any thread."""

    def __init__(self, path: Path, people: Path | None = None) -> None:
        self._lock = threading.RLock()
        self._hashing = threading.Lock()  # one at a time: argon2 takes 64 MiB each
        path.touch(mode=0o600)
        self._db = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=5.0)
        self._db.executescript(_SCHEMA)
        self.people = people
        self._links: dict[bytes, float] = {}
        self.tries, self.names = Tries(), Tries(NAME_TRIES)

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    # The engineer

    def link(self) -> str:
        """A token that lets one person in once, within the hour."""
        token = secrets.token_urlsafe(24)
        with self._lock:
            now = time.monotonic()
            self._links = {hash: at for hash, at in self._links.items() if now - at < LINK_SECONDS}
            self._links[_hash(token)] = now
        return token

    def link_holds(self, token: str, host: str) -> bool:
        """Whether a one-time link can still be used. Looking does not use it: programs look at links, too."""
        with self._lock:
            at = self._links.get(_hash(token))
            if at is None or time.monotonic() - at > LINK_SECONDS:
                self._guessed(host)
                return False
            return True

    def enter_by_link(self, token: str, name: str, host: str) -> str:
        """A new engineer's session by a one-time link, which is used up."""
        if not name.strip():
            raise DoorError("say who you are: what you do here is noted with your name")
        with self._lock:
            if not self.link_holds(token, host):
                raise DoorError("this link was used already, is too old, or never was one")
            del self._links[_hash(token)]
            return self._begin(Session("engineer", name.strip(), "one-time link on the bench's own machine", _token()))

    def enter_by_password(self, name: str, password: str, host: str) -> str:
        """A new engineer's session by name and password."""
        if self.people is None:
            raise DoorError("nobody has a password here: use the link that the terminal shows")
        with self._hashing:
            self.tries.check(host)
            self.names.check(name)
            people = read_people(self.people)
            kept = people.get(name)
            try:
                # Somebody else's, where there is no such name: a guess learns nothing from the time it took.
                HASHER.verify(kept or next(iter(people.values()), ""), password)
            except (argon2.exceptions.VerificationError, argon2.exceptions.InvalidHashError):
                kept = None
            if kept is None:
                self.tries.wrong(host)
                self.names.wrong(name)
                raise DoorError("no such name, or another password")
            return self._begin(Session("engineer", name, "password", _token()))

    def session(self, token: str | None) -> Session | None:
        """Whose session a cookie is; None where it is none, or over."""
        if not token:
            return None
        with self._lock:
            row = self._db.execute(
                "SELECT role, name, known, csrf, proving FROM session WHERE hash = ? AND until > ?",
                (_hash(token), time.time()),
            ).fetchone()
        return Session(*row) if row else None

    def _guessed(self, host: str) -> None:
        # Who has a link that holds is never kept out by those who guess from the same address.
        self.tries.check(host)
        self.tries.wrong(host)

    def leave(self, token: str) -> None:
        """End a session."""
        with self._lock:
            self._db.execute("DELETE FROM session WHERE hash = ?", (_hash(token),))

    def _begin(self, session: Session) -> str:
        token = _token()
        with self._lock:
            self._db.execute("DELETE FROM session WHERE until <= ?", (time.time(),))
            self._db.execute(
                "INSERT INTO session VALUES (?, ?, ?, ?, ?, ?, ?)",
                (_hash(token), session.role, session.name, session.known, session.proving, session.csrf,
                 time.time() + SESSION_SECONDS * (1 if session.proving is None else 14)),
            )  # fmt: skip
        return token

    # The installer

    def invite(self, proving: str, name: str) -> tuple[str, str]:
        """A link for the installer of one proving, and the PIN to be spoken. An earlier link and who came by it are out."""
        token, pin = secrets.token_urlsafe(16), f"{secrets.randbelow(10**PIN_DIGITS):0{PIN_DIGITS}}"
        with self._hashing, self._lock:
            self.uninvite(proving)
            self._db.execute(
                "INSERT INTO invitation VALUES (?, ?, ?, 0, ?, ?)",
                (_hash(token), proving, HASHER.hash(pin), name, time.time()),
            )
        return token, pin

    def uninvite(self, proving: str) -> None:
        """End the installer's link of a proving, and the sessions that came by it."""
        with self._lock:
            self._db.execute("DELETE FROM invitation WHERE proving = ?", (proving,))
            self._db.execute("DELETE FROM session WHERE proving = ?", (proving,))

    def invited(self, token: str, host: str) -> str:
        """Which proving a link is for. DoorError where it is for none, or dead by wrong PINs."""
        with self._lock:
            row = self._db.execute("SELECT proving, tries FROM invitation WHERE hash = ?", (_hash(token),)).fetchone()
        if row is None:
            self._guessed(host)
            raise DoorError("this link is not in use: ask the station for the one that is")
        if row[1] >= PIN_TRIES:
            raise DoorError("too many wrong PINs: ask the station for a new link")
        return str(row[0])

    def enter_by_pin(self, token: str, pin: str, host: str) -> str:
        """The installer's session, by the link and the PIN that the engineer spoke."""
        with self._hashing:
            proving = self.invited(token, host)
            with self._lock:
                where = (_hash(token),)
                kept, name = self._db.execute("SELECT pin, name FROM invitation WHERE hash = ?", where).fetchone()
                # Counted first: who breaks off in time has had a try all the same.
                self._db.execute("UPDATE invitation SET tries = tries + 1 WHERE hash = ?", where)
            try:
                HASHER.verify(kept, "".join(pin.split()))
            except argon2.exceptions.VerificationError:
                raise DoorError("that is not the PIN") from None
            with self._lock:
                self._db.execute("UPDATE invitation SET tries = 0 WHERE hash = ?", where)
            return self._begin(Session("installer", name, "link of this proving and spoken PIN", _token(), proving))


def _token() -> str:
    return secrets.token_urlsafe(24)


def same(one: str, other: str) -> bool:
    """Whether two secrets are the same, in a time that does not tell where they differ."""
    return hmac.compare_digest(one.encode(), other.encode())
