"""The journal on a PostgreSQL server: several benches write one, on several machines, and it outlives each of them.

What a commit promises is what the server's `synchronous_commit` promises: with a synchronous standby an ACK leaves once the
row is on two machines. A connection string may name several hosts; after a failure the bench turns to the one that takes
writes.

Numbers are the journal's, whoever writes: a commit takes them under a lock, so a reader who has seen a number has seen all
below it. The chain of hashes is one for each bench, told apart by its name. The same message that reached two benches is one
signal: its key is unique, and the commit that comes second keeps its row as a repeat.
"""

import hashlib
import re
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

import orjson
import psycopg
from psycopg.conninfo import conninfo_to_dict

from receiver.journal import JournalError, Row, Seen, Store, chain_is_whole, link

_CLASS = 0x66617265  # of our advisory locks
_VERSION = 1
_FORGET_SECONDS = 60.0  # between two clearings of keys that nothing repeats any more
_CHUNK = 2000  # rows fetched at a time
_SCHEMA = """
CREATE TABLE farend (version INTEGER NOT NULL);
CREATE TABLE entry (number BIGINT PRIMARY KEY, receiver TEXT NOT NULL, at TEXT COLLATE "C" NOT NULL,
                    account TEXT COLLATE "C", verdict TEXT COLLATE "C", event TEXT, text TEXT NOT NULL, hash BYTEA NOT NULL);
CREATE INDEX entry_account ON entry (account, verdict, number);
CREATE INDEX entry_at ON entry (at);
CREATE INDEX entry_event ON entry (event, number) WHERE verdict IS NULL;
CREATE TABLE head (one INTEGER PRIMARY KEY CHECK (one = 1), number BIGINT NOT NULL);
CREATE TABLE chain (receiver TEXT PRIMARY KEY, number BIGINT NOT NULL, hash BYTEA NOT NULL);
CREATE TABLE signal (key BYTEA PRIMARY KEY, number BIGINT NOT NULL, at TIMESTAMPTZ NOT NULL);
CREATE INDEX signal_at ON signal (at);
CREATE TABLE seen (account TEXT NOT NULL, line TEXT NOT NULL, path TEXT NOT NULL, at TEXT NOT NULL, polls BIGINT NOT NULL,
                   PRIMARY KEY (account, line, path));
CREATE TABLE wish (number BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY, text TEXT NOT NULL,
                   taken INTEGER NOT NULL DEFAULT 0);
INSERT INTO head VALUES (1, 0);
INSERT INTO farend VALUES (1);
"""
_SIGNAL = """
INSERT INTO signal AS s (key, number, at) VALUES (%s, %s, clock_timestamp())
ON CONFLICT (key) DO UPDATE SET
    number = CASE WHEN s.at < excluded.at - make_interval(secs => %s) THEN excluded.number ELSE s.number END,
    at = CASE WHEN s.at < excluded.at - make_interval(secs => %s) THEN excluded.at ELSE s.at END
RETURNING number
"""


class PostgresStore(Store):
    """A `Store` whose rows lie on a server. `receiver` names the bench whose chain of hashes this is."""

    REFUSED = """verdict NOT IN ('accepted', 'poll', 'repeat', 'noise') AND strpos(text, '"refused_alarm":true') > 0"""
    KIND = "event"
    _db: Any
    FAILURES: tuple[type[Exception], ...] = (JournalError, psycopg.Error)

    def __init__(
        self,
        url: str,
        *,
        write: bool = False,
        patience: float = 5.0,
        receiver: str = "by hand",
        repeat_seconds: float = 120.0,
    ) -> None:
        self.path: Any = url
        self._patience, self._write, self._receiver, self._repeat = patience, write, receiver, repeat_seconds
        self._lock = None
        self._forgot = 0.0
        try:
            self._connect()
        except psycopg.Error as error:
            self.close()
            raise JournalError(f"the journal {self} cannot be opened: {_said(error)}") from None
        except JournalError:
            self.close()
            raise

    def __del__(self) -> None:
        # A command that has read what it wanted ends; so does its connection, without a word.
        with suppress(Exception):
            self.close()

    def __str__(self) -> str:
        """Where it is, without the password."""
        return re.sub(r"(://[^/:@]*):[^@/]*@", r"\1@", str(self.path))

    def _connect(self) -> None:
        settings: dict[str, Any] = conninfo_to_dict(self.path)
        settings.setdefault("connect_timeout", str(max(round(self._patience), 2)))
        settings.setdefault("application_name", f"farend {self._receiver}")
        # A host that died without a word must not hold the writer for hours.
        for name, value in (("keepalives_idle", "5"), ("keepalives_interval", "2"), ("keepalives_count", "3"),
                            ("tcp_user_timeout", "10000")):  # fmt: skip
            settings.setdefault(name, value)
        if self._write:
            settings.setdefault("target_session_attrs", "read-write")
        self._db = psycopg.connect(**settings, autocommit=True)
        if self._write:
            self._take_lock()
        self._check_version()
        self.number = int(self._db.execute("SELECT number FROM head").fetchone()[0])
        found = self._db.execute("SELECT hash FROM chain WHERE receiver = %s", (self._receiver,)).fetchone()
        self.hash = bytes(found[0]) if found else bytes(32)

    def _take_lock(self) -> None:
        mark = int.from_bytes(hashlib.sha256(self._receiver.encode()).digest()[:4], "big", signed=True)
        for _ in range(10):
            if self._db.execute("SELECT pg_try_advisory_lock(%s, %s)", (_CLASS, mark)).fetchone()[0]:
                return
            time.sleep(0.05)
        self.close()
        raise JournalError(
            f"the journal {self} is being written by another bench called {self._receiver!r}; give this one another --name"
        )

    def _check_version(self) -> None:
        there = self._is_there()
        if not there and not self._write:
            raise JournalError(f"there is no journal at {self}: no bench has written it yet")
        if not there:
            with self._db.transaction():
                # Two benches may come at once; the one that waits finds the tables there.
                self._db.execute("SELECT pg_advisory_xact_lock(%s, 0)", (_CLASS,))
                if not self._is_there():
                    self._db.execute(_SCHEMA)
        version = self._db.execute("SELECT version FROM farend").fetchone()[0]
        if version != _VERSION:
            raise JournalError(f"the journal at {self} is of version {version}; this farend writes version {_VERSION}")

    def _is_there(self) -> bool:
        # A question of rows, not of names: names may be remembered from before the other bench's commit.
        statement = "SELECT count(*) FROM pg_class WHERE relname = 'farend' AND pg_table_is_visible(oid)"
        return bool(self._db.execute(statement).fetchone()[0])

    def tails(self) -> dict[str, str]:
        """The last hash of each bench's chain, in hex."""
        return {name: bytes(hash).hex() for name, hash in self._read("SELECT receiver, hash FROM chain")}

    def close(self) -> None:
        """Let go of the connection, and with it of the lock."""
        if hasattr(self, "_db"):
            self._db.close()

    def append(self, rows: list[Row], seen: Iterable[Seen] = ()) -> list[Row]:
        """Write rows and what was seen in one commit; the rows as they were kept. psycopg.Error if it cannot.

        Numbers that another bench has taken meanwhile are counted on from, and a message that another bench has kept already
        becomes a repeat of that row.
        """
        with self._db.transaction():
            base = int(self._db.execute("SELECT number FROM head FOR UPDATE").fetchone()[0])
            kept, hash = [], self.hash
            first = self._first_kept(
                [(row.key, number) for number, row in enumerate(rows, base + 1) if row.key is not None]
            )
            for number, row in enumerate(rows, base + 1):
                changes: dict[str, Any] = {} if row.number == number else {"row": number}
                if first.get(row.key, number) != number:
                    changes |= {"verdict": "repeat", "sequence_note": "repeat", "repeat_of": first[row.key]}
                kept.append(_changed(row, changes) if changes else row)
            with self._db.cursor() as cursor:
                chained = []
                for row in kept:
                    hash = link(hash, row.text)
                    event = None if row.verdict else orjson.loads(row.text).get("event")
                    chained.append(
                        (row.number, self._receiver, row.at, row.account, row.verdict, event, row.text.decode(), hash)
                    )
                cursor.executemany("INSERT INTO entry VALUES (%s, %s, %s, %s, %s, %s, %s, %s)", chained)
                last = kept[-1].number if kept else base
                cursor.execute("UPDATE head SET number = %s", (last,))
                cursor.execute(
                    "INSERT INTO chain VALUES (%s, %s, %s) ON CONFLICT (receiver) DO UPDATE SET number = %s, hash = %s",
                    (self._receiver, last, hash, last, hash),
                )
                cursor.executemany(
                    "INSERT INTO seen VALUES (%s, %s, %s, %s, %s) ON CONFLICT (account, line, path)"
                    " DO UPDATE SET at = excluded.at, polls = excluded.polls",
                    list(seen),
                )
                if time.monotonic() - self._forgot > _FORGET_SECONDS:
                    self._forgot = time.monotonic()
                    cursor.execute(
                        "DELETE FROM signal WHERE at < clock_timestamp() - make_interval(secs => %s)",
                        (2 * self._repeat,),
                    )
        self.number, self.hash = last, hash
        return kept

    def _first_kept(self, signals: list[tuple[bytes, int]]) -> dict[bytes | None, int]:
        """For each signal, by its key, the number of the row that keeps it: the one given, or that of a bench before."""
        found: dict[bytes | None, int] = {}
        if signals:
            with self._db.cursor() as cursor:
                values = [(key, number, self._repeat, self._repeat) for key, number in signals]
                cursor.executemany(_SIGNAL, values, returning=True)
                for key, _ in signals:
                    found[key] = int(cursor.fetchone()[0])
                    cursor.nextset()
        return found

    def _read(self, statement: str, values: Any = ()) -> Iterator[Any]:
        wanted = statement.replace("?", "%s").replace(" LIKE ", " ILIKE ")
        try:
            if " ORDER BY number" in wanted and "LIMIT" not in wanted:
                # May be the whole journal: a few at a time, from a cursor that outlives its transaction.
                with self._db.cursor(name=f"read_{id(values)}_{time.monotonic_ns()}", withhold=True) as cursor:
                    cursor.itersize = _CHUNK
                    yield from cursor.execute(wanted, tuple(values))
            else:
                yield from self._db.execute(wanted, tuple(values))
        except psycopg.Error as error:
            raise JournalError(f"the journal {self} cannot be read: {_said(error)}") from None

    def wish(self, text: dict[str, Any]) -> int:
        """Leave a wish for the benches; its number."""
        try:
            found = self._db.execute(
                "INSERT INTO wish (text) VALUES (%s) RETURNING number", (orjson.dumps(text).decode(),)
            )
            return int(found.fetchone()[0])
        except psycopg.Error as error:
            raise JournalError(f"the journal {self} cannot be written: {_said(error)}") from None

    def take(self, number: int, state: int) -> bool:
        """Mark a wish as GRANTED or REFUSED; whether it still waited for that, and no other bench was first."""
        statement = "UPDATE wish SET taken = %s WHERE number = %s AND taken = 0"
        return bool(self._db.execute(statement, (state, number)).rowcount == 1)

    def written_by_another(self) -> bool:
        """Whether any bench writes the journal now."""
        statement = (
            "SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND classid = %s AND granted"
            " AND pid <> pg_backend_pid()"
        )
        return bool(self._db.execute(statement, (_CLASS,)).fetchone()[0])

    def verify(self) -> Iterator[tuple[int, str | None]]:
        """Check each bench's chain, and that no number is missing: each row's number, with None or what is wrong with it."""
        with self._moment():
            yield from self._verified()

    @contextmanager
    def _moment(self) -> Iterator[None]:
        """All that is read is of one moment, although benches go on writing."""
        self._db.execute("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
        try:
            yield
        finally:
            with suppress(psycopg.Error):
                self._db.execute("ROLLBACK")

    def _verified(self) -> Iterator[tuple[int, str | None]]:
        ((number_kept,),) = self._db.execute("SELECT number FROM head").fetchall()
        last = {name: bytes(hash) for name, hash in self._db.execute("SELECT receiver, hash FROM chain")}
        hashes: dict[str, bytes] = {}
        due = 1
        with self._db.cursor(name="verify") as cursor:
            cursor.itersize = _CHUNK
            for number, receiver, at, account, verdict, text, kept in cursor.execute(
                "SELECT number, receiver, at, account, verdict, text, hash FROM entry ORDER BY number"
            ):
                before = hashes.get(receiver, bytes(32))
                yield number, chain_is_whole(due, before, number, at, account, verdict, text, bytes(kept))
                hashes[receiver], due = bytes(kept), number + 1
        if number_kept >= due:
            yield number_kept, f"rows {due} to {number_kept} are missing from the end"
        for receiver in last.keys() | hashes.keys():
            if last.get(receiver) != hashes.get(receiver, bytes(32)):
                yield number_kept, f"the last hash kept of bench {receiver!r} is another than that of its last row"


def _changed(row: Row, changes: dict[str, Any]) -> Row:
    entry = orjson.loads(row.text) | changes
    return row._replace(number=entry["row"], verdict=entry.get("verdict"), text=orjson.dumps(entry))


def _said(error: psycopg.Error) -> str:
    return " ".join(str(error).split()) or type(error).__name__
