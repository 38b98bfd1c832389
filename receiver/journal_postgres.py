"""The journal on a PostgreSQL server: several benches write one, on several machines, and it outlives each of them.

What a commit promises is what the server's `synchronous_commit` promises: with a synchronous standby an ACK leaves once the
row is on two machines. A connection string may name several hosts; after a failure the bench turns to the one that takes
writes.

Numbers are the journal's, whoever writes: a commit takes them under a lock, so a reader who has seen a number has seen all
below it. The chain of hashes is one for each bench, told apart by its name. The same message that reached two benches is one
signal: its key is unique, in a table of its own that forgets it once repeats are not known any more, and the commit that
comes second keeps its row as a repeat.

Rows lie in partitions by the month of their time: a month is small enough to be dropped in a moment, and ten years are few
enough for the planner. Whoever writes makes the month of each row and the one after it, whatever the clock says: no row is
without a place.
"""

import hashlib
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

import orjson
import psycopg
from psycopg import sql
from psycopg.conninfo import conninfo_to_dict

from receiver.journal import Ends, JournalError, Row, Seen, Store, begins, link, newer, public

_CLASS = 0x66617265  # of our advisory locks
_FORGET_SECONDS = 60.0  # between two clearings of keys that nothing repeats any more
_CHUNK = 2000  # rows fetched at a time
# As in `journal.py`: one that was released stays as it is.
_STEPS = (
    """
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
INSERT INTO farend VALUES (0);
""",
    # Attached, not made as a partition: that would stop who reads and writes.
    """
ALTER TABLE entry RENAME TO entry_before;
ALTER TABLE entry_before DROP CONSTRAINT entry_pkey;
DROP INDEX entry_account, entry_at, entry_event;
CREATE TABLE entry (number BIGINT, receiver TEXT NOT NULL, at TEXT COLLATE "C", account TEXT COLLATE "C",
                    verdict TEXT COLLATE "C", event TEXT, text TEXT NOT NULL, hash BYTEA NOT NULL,
                    PRIMARY KEY (number, at)) PARTITION BY RANGE (at);
CREATE INDEX entry_account ON entry (account, verdict, number);
CREATE INDEX entry_at ON entry (at);
CREATE INDEX entry_event ON entry (event, number) WHERE verdict IS NULL;
CREATE FUNCTION entry_place(month TEXT) RETURNS VOID LANGUAGE plpgsql AS $$
DECLARE name TEXT := quote_ident('entry_' || month);
BEGIN
    IF to_regclass(name) IS NULL THEN
        EXECUTE format('CREATE TABLE %s (LIKE entry INCLUDING ALL)', name);
        EXECUTE format('ALTER TABLE entry ATTACH PARTITION %s FOR VALUES FROM (%L) TO (%L)', name, month, month || '~');
    END IF;
END $$;
SELECT entry_place(month) FROM (SELECT DISTINCT left(at, 7) AS month FROM entry_before) AS months;
INSERT INTO entry SELECT * FROM entry_before;
DROP TABLE entry_before;
CREATE TABLE retired (receiver TEXT PRIMARY KEY, number BIGINT NOT NULL, hash BYTEA NOT NULL);
""",
)
_SIGNALS = """
INSERT INTO signal AS s (key, number, at)
SELECT key, head.number + place, clock_timestamp() FROM head, unnest(%b::bytea[], %b::bigint[]) AS new (key, place)
ON CONFLICT (key) DO UPDATE SET
    number = CASE WHEN s.at BETWEEN excluded.at - make_interval(secs => %b) AND excluded.at + make_interval(secs => %b)
        THEN s.number ELSE excluded.number END,
    at = CASE WHEN s.at BETWEEN excluded.at - make_interval(secs => %b) AND excluded.at + make_interval(secs => %b)
        THEN s.at ELSE excluded.at END
RETURNING key, number
"""
_ENTRIES = """
INSERT INTO entry (receiver, number, at, account, verdict, event, text, hash)
SELECT %b, * FROM unnest(%b::bigint[], %b::text[], %b::text[], %b::text[], %b::text[], %b::text[], %b::bytea[])
"""
_SEEN = """
INSERT INTO seen SELECT * FROM unnest(%b::text[], %b::text[], %b::text[], %b::text[], %b::bigint[])
ON CONFLICT (account, line, path) DO UPDATE SET at = excluded.at, polls = excluded.polls
"""
_ENDS = """
SELECT chain.receiver, last.number, last.hash FROM chain LEFT JOIN retired USING (receiver), LATERAL (
    SELECT number, hash FROM entry WHERE receiver = chain.receiver AND number > coalesce(retired.number, 0) AND number <= ?
    ORDER BY number DESC LIMIT 1) AS last
"""
_PIECES = (
    "SELECT relname FROM pg_inherits JOIN pg_class ON oid = inhrelid WHERE inhparent = 'entry'::regclass ORDER BY 1"
)


# Said to the server: a bench whose network is cut in the midst of a commit must not hold everybody else's for hours.
_BOUNDS = """
SET tcp_keepalives_idle = 5; SET tcp_keepalives_interval = 2; SET tcp_keepalives_count = 3; SET tcp_user_timeout = 10000;
SET idle_in_transaction_session_timeout = 10000; SET lock_timeout = 10000
"""


class PostgresStore(Store):
    """A `Store` whose rows lie on a server. `receiver` names the bench whose chain of hashes this is."""

    REFUSED = """verdict NOT IN ('accepted', 'poll', 'repeat', 'noise') AND strpos(text, '"refused_alarm":true') > 0"""
    KIND = "event"
    RECEIVER = "receiver"
    EVENT = "event"
    TAILS = "SELECT receiver, hash FROM chain"
    # Locked before the first look: what is dropped is gone for a moment that has begun, too.
    MOMENT = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY; LOCK TABLE entry IN ACCESS SHARE MODE"
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
        self._made: set[str] = set()  # months that have a partition, as far as we know
        self._warning: str | None = None  # why a commit that came back may be on this server's disk alone
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
        return public(self.path)

    def _connect(self) -> None:
        settings: dict[str, Any] = conninfo_to_dict(self.path)
        settings.setdefault("connect_timeout", str(max(round(self._patience), 2)))
        settings.setdefault("application_name", f"farend {self._receiver}")
        # A host that died without a word must not hold the writer for hours.
        for name, value in (("keepalives_idle", "5"), ("keepalives_interval", "2"), ("keepalives_count", "3"),
                            ("tcp_user_timeout", "10000")):  # fmt: skip
            settings.setdefault(name, value)
        try:
            self._db = psycopg.connect(**{"target_session_attrs": "read-write"} | settings, autocommit=True)
        except psycopg.OperationalError:
            if self._write or "target_session_attrs" in settings:
                raise
            self._db = psycopg.connect(**settings, autocommit=True)  # for looking a standby will do
        if self._write:
            self._db.add_notice_handler(self._noticed)
            self._take_lock()
            self._bring_forward()
            self._db.execute(_BOUNDS)
        version = self._version()
        if not version:
            raise JournalError(f"there is no journal at {self}: no bench has written it yet")
        if version > len(_STEPS):
            raise JournalError(f"the journal {self} cannot be opened: {newer(version, len(_STEPS))}")
        self.number = int(self._db.execute("SELECT number FROM head").fetchone()[0])
        found = self._db.execute("SELECT hash FROM chain WHERE receiver = %s", (self._receiver,)).fetchone()
        self.hash = bytes(found[0]) if found else bytes(32)

    def _noticed(self, notice: Any) -> None:
        # Whoever cancels a wait for the standby lets COMMIT succeed, with a warning and without the standby.
        if notice.source_function == "SyncRepWaitForLSN":
            self._warning = notice.message_primary

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

    def _bring_forward(self) -> None:
        while self._version() < len(_STEPS):
            with self._db.transaction():
                # Two benches may come at once; the one that waits finds it done.
                self._db.execute("SELECT pg_advisory_xact_lock(%s, 0)", (_CLASS,))
                if (version := self._version()) < len(_STEPS):
                    self._db.execute(_STEPS[version])
                    self._db.execute("UPDATE farend SET version = %s", (version + 1,))

    def _version(self) -> int:
        # A question of rows, not of names: names may be remembered from before the other bench's commit.
        there = "SELECT count(*) FROM pg_class WHERE relname = 'farend' AND pg_table_is_visible(oid)"
        if not self._db.execute(there).fetchone()[0]:
            return 0
        return int(self._db.execute("SELECT version FROM farend").fetchone()[0])

    def tails(self) -> dict[str, str]:
        """The last hash of each bench's chain, in hex."""
        return {name: hash.hex() for name, hash in self._read(self.TAILS)}

    def close(self) -> None:
        """Let go of the connection, and with it of the lock."""
        if hasattr(self, "_db"):
            self._db.close()

    def append(self, rows: list[Row], seen: Iterable[Seen] = ()) -> list[Row]:
        """Write rows and what was seen in one commit; the rows as they were kept. psycopg.Error if it cannot.

        Numbers that another bench has taken meanwhile are counted on from, and a message that another bench has kept already
        becomes a repeat of that row.
        """
        noted = list(seen)
        try:
            return self._append(rows, noted)
        except psycopg.errors.CheckViolation:  # a month of theirs was retired since it was made
            self._made.clear()
            return self._append(rows, noted)

    def _append(self, rows: list[Row], noted: list[Seen]) -> list[Row]:
        self._warning = None
        months, signals = _months(rows) - self._made, []
        places: dict[bytes, int] = {}
        for place, row in enumerate(rows, 1):
            if row.key is not None:
                places.setdefault(row.key, place)
        # To the server and back twice: for the numbers, and with the rows.
        with self._sent_ahead():
            head = self._db.execute("SELECT number FROM head FOR UPDATE")
            if months:
                self._db.execute("SELECT entry_place(month) FROM unnest(%s::text[]) AS month", (list(months),))
            if places:
                repeat = float(self._repeat)
                signals = self._db.execute(_SIGNALS, (list(places), list(places.values()), *[repeat] * 4))
            base = int(head.fetchone()[0])
            first = {bytes(key): int(number) for key, number in signals}
            kept, chained, hash = [], [], self.hash
            for number, row in enumerate(rows, base + 1):
                changes: dict[str, Any] = {} if row.number == number else {"row": number}
                if row.key is not None and first[row.key] != number:
                    changes |= {"verdict": "repeat", "sequence_note": "repeat", "repeat_of": first[row.key]}
                row = _changed(row, changes) if changes else row
                hash = link(hash, row.text)
                event = None if row.verdict else orjson.loads(row.text).get("event")
                kept.append(row)
                chained.append((number, row.at, row.account, row.verdict, event, row.text.decode(), hash))
            last = base + len(rows)
            if chained:
                self._db.execute(_ENTRIES, (self._receiver, *map(list, zip(*chained, strict=True))))
            # Written even without a row: a commit that writes nothing proves nothing.
            self._db.execute("UPDATE head SET number = %s", (last,))
            self._db.execute(
                "INSERT INTO chain VALUES (%s, %s, %s) ON CONFLICT (receiver) DO UPDATE SET number = %s, hash = %s",
                (self._receiver, last, hash, last, hash),
            )
            if noted:
                self._db.execute(_SEEN, [list(column) for column in zip(*noted, strict=True)])
            if time.monotonic() - self._forgot > _FORGET_SECONDS:
                self._forgot = time.monotonic()
                # What is of the future was written before a clock stepped back: nobody is to wait until it comes.
                self._db.execute(
                    "DELETE FROM signal WHERE abs(extract(epoch FROM clock_timestamp() - at)) > %s", (2 * self._repeat,)
                )
        if self._warning:
            raise psycopg.OperationalError(f"it is not on the standby: {self._warning}")
        self.number, self.hash = last, hash
        self._made |= months
        return kept

    @contextmanager
    def _sent_ahead(self) -> Iterator[None]:
        """A transaction that waits for no answers but those that are read; psycopg's own waits for its BEGIN."""
        try:
            with self._db.pipeline():
                self._db.execute("BEGIN")
                yield
                self._db.execute("COMMIT")
        except BaseException:
            with suppress(psycopg.Error):
                self._db.execute("ROLLBACK")
            raise

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
            "SELECT count(*) FROM pg_locks JOIN pg_database ON oid = database WHERE datname = current_database()"
            " AND locktype = 'advisory' AND classid = %s AND granted AND pid <> pg_backend_pid()"
        )
        return bool(self._db.execute(statement, (_CLASS,)).fetchone()[0])

    def unsound(self) -> Iterator[str]:
        """A server looks after its own files."""
        return iter(())

    def ends(self, upto: int) -> Ends:
        """The last row of each chain up to a number, whether it is there or was retired."""
        return self.retired() | {name: (number, hash) for name, number, hash in self._read(_ENDS, (upto,))}

    def pieces(self, upto: int) -> list[str]:
        """The partitions that `retire` would drop whole."""
        return [name for name, _, most in self._pieces() if most <= upto]

    def _pieces(self) -> Iterator[tuple[str, int, int]]:
        """Each partition that has rows, with its lowest and its highest number."""
        for (name,) in list(self._read(_PIECES)):
            statement = sql.SQL("SELECT min(number), max(number) FROM {}").format(sql.Identifier(name))
            ((least, most),) = self._db.execute(statement).fetchall()
            if least is not None:
                yield name, least, most

    def retire(self, ends: Ends) -> None:
        """Take out all rows up to the highest of these: partitions whole where they have no other, the rest by row.

        In one transaction. Benches wait for its end alone, and for who reads just then, 2 s at most: then it is given up.
        """
        upto = begins(ends) - 1
        try:
            with self._db.transaction():
                self._db.execute("SET LOCAL lock_timeout = '2s'")
                self._take_out(upto, drop=False)
                self._db.execute("SELECT number FROM head FOR UPDATE")  # nobody writes into what is dropped
                self._take_out(upto, drop=True)
                for name, (number, hash) in ends.items():
                    self._db.execute(
                        "INSERT INTO retired VALUES (%s, %s, %s)"
                        " ON CONFLICT (receiver) DO UPDATE SET number = excluded.number, hash = excluded.hash"
                        " WHERE retired.number < excluded.number",  # somebody may have taken out more meanwhile
                        (name, number, hash),
                    )
        except psycopg.errors.LockNotAvailable:
            raise JournalError(
                f"somebody reads the journal {self} for long; nothing was taken out: try again"
            ) from None
        except psycopg.Error as error:
            raise JournalError(f"the journal {self} cannot be written: {_said(error)}") from None

    def _take_out(self, upto: int, *, drop: bool) -> None:
        for name, least, most in self._pieces():
            if most > upto >= least:
                self._db.execute(sql.SQL("DELETE FROM {} WHERE number <= %s").format(sql.Identifier(name)), (upto,))
            elif most <= upto and drop:
                self._db.execute(sql.SQL("DROP TABLE {}").format(sql.Identifier(name)))


def _months(rows: list[Row]) -> set[str]:
    """The months of rows, and the one after each: made ahead, it is there when it begins."""
    months = {row.at[:7] for row in rows}
    return months | {_after(month) for month in months}


def _after(month: str) -> str:
    year, number = divmod(int(month[:4]) * 12 + int(month[5:]), 12)
    return f"{year:04}-{number + 1:02}"


def _changed(row: Row, changes: dict[str, Any]) -> Row:
    entry = orjson.loads(row.text) | changes
    return row._replace(number=entry["row"], verdict=entry.get("verdict"), text=orjson.dumps(entry))


def _said(error: psycopg.Error) -> str:
    return " ".join(str(error).split()) or type(error).__name__
