"""The journal: every frame and its verdict, kept on disk before it is answered.

`Store` is the file: SQLite in WAL mode with synchronous=FULL, so that a commit that returned has been flushed. `Journal` is
its one writer: rows gathered while a commit is under way share the next one, and whoever handed a row in hears when it is
on disk, or that it could not be kept.

Each row carries a SHA-256 over the hash of the row before it and its own text; the row's text holds its number. So a row
changed, removed or put in between shows (`verify`). The last hash is kept beside the rows, so that removing the last ones
shows too. Who can rewrite the whole file can make the whole chain again: note its last hash somewhere else. Where old rows
were retired, the number and hash of the last of them are kept, and a row says so: the chain begins there.
"""

import fcntl
import hashlib
import heapq
import os
import re
import sqlite3
import time
from collections.abc import Generator, Iterable, Iterator
from contextlib import contextmanager, suppress
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import parse_qsl, urlsplit

import orjson

from protocols.dc09 import bare

REACH = 50_000  # rows that one look for something goes back
_RETIRED_AT_ONCE = 2000
_BREATH_SECONDS = 0.01

# A refused alarm, in the text as `orjson` writes it: in a value a quotation mark is escaped, so no frame can say it.
_REFUSED = """verdict NOT IN ('accepted', 'poll', 'repeat', 'noise') AND instr(text, '"refused_alarm":true')"""
_KIND = "iif(json_valid(text), json_extract(text, '$.event'), NULL)"  # a row that somebody changed may be no JSON
# Each step brings a journal from the version before it to its own, in one transaction. One that was released stays as it is.
_STEPS = (
    """
CREATE TABLE entry (number INTEGER PRIMARY KEY, at TEXT NOT NULL, account TEXT, verdict TEXT, text TEXT NOT NULL,
                    hash BLOB NOT NULL);
CREATE INDEX entry_account ON entry (account, verdict, number);
CREATE INDEX entry_at ON entry (at);
CREATE TABLE head (one INTEGER PRIMARY KEY CHECK (one = 1), number INTEGER NOT NULL, hash BLOB NOT NULL);
CREATE TABLE seen (account TEXT NOT NULL, line TEXT NOT NULL, path TEXT NOT NULL, at TEXT NOT NULL, polls INTEGER NOT NULL,
                   PRIMARY KEY (account, line, path)) WITHOUT ROWID;
CREATE TABLE wish (number INTEGER PRIMARY KEY AUTOINCREMENT, text TEXT NOT NULL, taken INTEGER NOT NULL DEFAULT 0);
INSERT INTO head VALUES (1, 0, zeroblob(32));
""",
    # Some benches that wrote version 1 made the indexes already.
    f"""
CREATE INDEX IF NOT EXISTS entry_event ON entry (number) WHERE verdict IS NULL;
CREATE INDEX IF NOT EXISTS entry_kind ON entry ({_KIND}, number) WHERE verdict IS NULL;
CREATE INDEX IF NOT EXISTS entry_refused ON entry (number) WHERE {_REFUSED};
CREATE TABLE retired (receiver TEXT PRIMARY KEY, number INTEGER NOT NULL, hash BLOB NOT NULL);
""",
)
_ROWS = "SELECT number, at, account, verdict, text FROM entry"
WAITING, GRANTED, REFUSED = 0, 1, 2  # what has become of a wish
_APPEND = "INSERT INTO entry (number, at, account, verdict, text, hash) VALUES (?, ?, ?, ?, ?, ?)"


class JournalError(Exception):
    """The journal cannot be opened, read or written, and why."""


class Row(NamedTuple):
    """One row: when, whose (a bare number, or None), which verdict (None for the bench's own events), and its JSON."""

    number: int
    at: str
    account: str | None
    verdict: str | None
    text: bytes
    key: bytes | None = None  # of a signal: the same in every bench that the same message reaches


class Seen(NamedTuple):
    """When something last came from an account over a line and path, and how many polls came so far."""

    account: str
    line: str
    path: str
    at: str
    polls: int


def link(before: bytes, text: bytes) -> bytes:
    """The hash of a row from the hash before it and its text."""
    return hashlib.sha256(before + text).digest()


def newer(version: int, known: int) -> str:
    """What is said of a journal of a version that is not known yet."""
    return f"it is of version {version}, and this farend knows {known} at most: a newer farend has written it; use that"


Ends = dict[str, tuple[int, bytes]]  # by the name of a bench, the last row of a piece of its chain: its number and hash


def take_lock(path: Path) -> int:
    """The lock of the one who writes the journal in that file: held while this descriptor, or a copy of it, is open.

    JournalError where another has it.
    """
    try:
        lock = os.open(f"{path}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            _wait_for_lock(lock)
            # What panels say in confidence is in it, opened: for its owner alone. SQLite gives -wal and -shm the same mode.
            # Only a new file may be opened past SQLite: closing it drops every lock that this process has on it, and with
            # the locks another process would take itself for the last reader and remove the WAL.
            with suppress(FileExistsError):
                os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
        except BaseException:
            os.close(lock)
            raise
    except BlockingIOError:
        raise JournalError(f"the journal {path} is being written by another bench; give --journal another") from None
    except OSError as error:
        raise JournalError(f"the journal {path} cannot be written: {error.strerror}") from None
    return lock


def _wait_for_lock(lock: int) -> None:
    # A command that writes one row holds it for a moment; a bench holds it for good.
    for _ in range(10):
        with suppress(BlockingIOError):
            return fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        time.sleep(0.05)
    return fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)


class Store:
    """The file itself. One process writes (it holds a lock beside the file); any number read, and may leave a wish.

    A wish is what a person asks of the running bench (put an account on test, confirm the clock); the bench takes it and
    makes a row of it. `patience` is how many seconds to wait for another process's commit; `lock` one that was taken before.
    """

    # What another engine says otherwise.
    REFUSED = _REFUSED
    KIND = _KIND
    RECEIVER = "''"  # whose chain a row belongs to
    EVENT: str | None = None  # the column that says which event a row is; without one the text is asked
    TAILS = "SELECT '', hash FROM head"
    MOMENT = "BEGIN"
    FAILURES: tuple[type[Exception], ...] = (JournalError, sqlite3.Error)

    def __init__(self, path: Path, *, write: bool = False, patience: float = 5.0, lock: int | None = None) -> None:
        self.path, self._patience = path, patience
        self._lock = lock
        if not write and not path.exists():
            raise JournalError(f"there is no journal {path}")
        if write and lock is None:
            self._lock = take_lock(path)
        try:
            self._connect()
        except sqlite3.Error as error:
            self.close()
            raise JournalError(f"the journal {path} cannot be opened: {error}") from None

    def __str__(self) -> str:
        """Where it is."""
        return str(self.path)

    def _connect(self) -> None:
        self._db = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False, timeout=self._patience)
        if self._lock is not None:
            self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")
        version = self._version()
        if not 0 <= version <= len(_STEPS):
            raise sqlite3.DatabaseError(newer(version, len(_STEPS)))
        if self._lock is not None:
            for number, step in enumerate(_STEPS[version:], version + 1):
                with self:
                    for statement in step.split(";\n"):
                        self._db.execute(statement)
                    self._db.execute(f"PRAGMA user_version = {number}")
        elif version == 0:
            raise sqlite3.DatabaseError("it is no farend journal")
        head = self._db.execute("SELECT number, hash FROM head").fetchone()
        if head is None:
            raise sqlite3.DatabaseError("its last hash is missing: somebody removed it")
        self.number, self.hash = head

    def _version(self) -> int:
        return int(self._db.execute("PRAGMA user_version").fetchone()[0])

    def __enter__(self) -> None:
        self._db.execute("BEGIN IMMEDIATE")

    def __exit__(self, kind: Any, *_: Any) -> None:
        if kind is None:
            self._db.execute("COMMIT")
        elif self._db.in_transaction:
            self._db.execute("ROLLBACK")

    def close(self) -> None:
        """Close the file and let go of the lock."""
        if hasattr(self, "_db"):
            self._db.close()
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def reopen(self) -> None:
        """Open the file again after it failed: what was committed is there, and the numbers follow on from it."""
        self._db.close()
        self._connect()

    def append(self, rows: list[Row], seen: Iterable[Seen] = ()) -> list[Row]:
        """Write rows and what was seen in one commit, flushed to disk when this returns; the rows as they were kept.

        sqlite3.Error if it cannot.
        """
        hash, chained = self.hash, []
        for row in rows:
            hash = link(hash, row.text)
            chained.append((row.number, row.at, row.account, row.verdict, row.text.decode(), hash))
        try:
            with self:
                if rows:
                    self._db.executemany(_APPEND, chained)
                # Written even without a row: a commit that writes nothing succeeds on a full disk, and proves nothing.
                self._db.execute(
                    "UPDATE head SET number = ?, hash = ?", (rows[-1].number if rows else self.number, hash)
                )
                self._db.executemany("INSERT OR REPLACE INTO seen VALUES (?, ?, ?, ?, ?)", seen)
        except BaseException:
            # The COMMIT itself may be what failed (a full disk): leave no transaction open behind it.
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise
        if rows:
            self.number, self.hash = rows[-1].number, hash
        return rows

    def note(self, entry: dict[str, Any]) -> int:
        """Write one of a person's own rows, where no bench runs that could; its number. sqlite3.Error if it cannot."""
        entry["row"] = self.number + 1
        self.append([Row(self.number + 1, entry["at"], whose(entry), None, orjson.dumps(entry))])
        return int(self.number)

    def rows(
        self,
        *,
        account: str | None = None,
        since: str | None = None,
        until: str | None = None,
        verdict: str | None = None,
        events: bool = False,
        after: int = 0,
        limit: int | None = None,
    ) -> Iterator[Row]:
        """Rows in order of arrival, `limit` at most. `account` is a bare number; `events` adds the bench's own rows."""
        where, values = ["number > ?"], [after]  # type: tuple[list[str], list[Any]]
        for clause, value in (
            ("account = ?", account),
            ("at >= ?", since),
            ("at < ?", until),
            ("verdict = ?", verdict),
        ):
            if value is not None:
                where.append(clause)
                values.append(value)
        if not events:
            where.append("verdict IS NOT NULL")
        most = "" if limit is None else f" LIMIT {limit:d}"
        yield from self._rows(f"{' AND '.join(where)} ORDER BY number{most}", values)

    def row(self, number: int) -> Row | None:
        """One row, by its number."""
        return next(self._rows("number = ?", (number,)), None)

    def last(self, account: str, verdict: str, count: int = 1) -> list[Row]:
        """The last rows of an account with that verdict, the newest first."""
        return list(self._rows("account = ? AND verdict = ? ORDER BY number DESC LIMIT ?", (account, verdict, count)))

    def latest(
        self,
        before: int | None = None,
        limit: int = 50,
        *,
        account: str | None = None,
        verdict: str | None = None,
        words: str | None = None,
        events: bool = False,
        reach: int = REACH,
    ) -> tuple[list[Row], int]:
        """The last rows below `before` that fit, the newest first, and the lowest number looked at.

        Whoever wants more goes on from there: at 1 nothing is left. A look goes back `reach` rows at most, however few fit,
        unless the index finds them (an account without words). `words` are parts of what the row says, in any order and
        case; all of them must be in it.
        """
        top = self.last_number() + 1 if before is None else before
        parts = parts_of(words or "")
        low = 0 if account is not None and not parts else max(0, top - reach - 1)
        where, values = ["number < ? AND number > ?"], [top, low]  # type: tuple[list[str], list[Any]]
        for part in parts:
            where.append("text LIKE ? ESCAPE '!'")
            values.append(f"%{_like(part)}%")
        which: list[tuple[str, list[Any]]]
        if account is not None:
            kinds = [verdict] if verdict is not None else self._verdicts(account)
            which = [("account = ? AND verdict = ?", [account, kind]) for kind in kinds]
            if events and verdict is None:
                which.append(("account = ? AND verdict IS NULL", [account]))
        elif verdict is not None:
            which = [("verdict = ?", [verdict])]
        else:
            which = [("TRUE" if events else "verdict IS NOT NULL", [])]
        found = heapq.merge(
            *(self._rows(f"{one} AND {' AND '.join(where)} ORDER BY number DESC", own + values) for one, own in which),
            key=lambda row: -row.number,
        )
        rows = list(islice((row for row in found if not parts or says(row.text, parts)), limit))
        return rows, rows[-1].number if rows and len(rows) == limit else low + 1

    def _verdicts(self, account: str) -> Iterator[str]:
        """The verdicts that an account's rows have: a seek for each, where a scan would read all its rows."""
        last = ""
        statement = "SELECT verdict FROM entry WHERE account = ? AND verdict > ? ORDER BY verdict LIMIT 1"
        while found := next(self._read(statement, (account, last)), None):
            (last,) = found
            yield last

    def last_number(self) -> int:
        """The number of the last row; 0 where there is none."""
        ((number,),) = self._read("SELECT number FROM head")
        return int(number)

    def numbers(self) -> Iterator[str]:
        """The account numbers that occur, in order: a seek for each, and no scan of the rows."""
        for (number,) in self._read(
            "WITH RECURSIVE one(account) AS (SELECT min(account) FROM entry UNION ALL SELECT"
            " (SELECT min(account) FROM entry WHERE account > one.account) FROM one WHERE account IS NOT NULL)"
            " SELECT account FROM one WHERE account IS NOT NULL"
        ):
            yield number

    def refused(self, after: int = 0) -> Iterator[Row]:
        """The refused alarms after a row, in order of arrival."""
        yield from self._rows(f"number > ? AND {self.REFUSED} ORDER BY number", (after,))

    def events(self, *kinds: str) -> Iterator[dict[str, Any]]:
        """The bench's own rows, and what people said, of those kinds only where any is given: the newest first."""
        which = f"{self.KIND} IN ({', '.join('?' * len(kinds))})" if kinds else "TRUE"
        for (text,) in self._read(
            f"SELECT text FROM entry WHERE verdict IS NULL AND {which} ORDER BY number DESC", kinds
        ):
            yield orjson.loads(text)

    def said(self, event: str, **fields: Any) -> dict[str, Any] | None:
        """The newest of those rows that is of this event and has these values."""
        found = (one for one in self.events(event) if all(one.get(name) == value for name, value in fields.items()))
        return next(found, None)

    def hashes(self, numbers: Iterable[int]) -> dict[int, str]:
        """The hash of each of these rows that is there, in hex."""
        found = {}
        for number in numbers:
            for (kept,) in self._read("SELECT hash FROM entry WHERE number = ?", (number,)):
                found[number] = kept.hex()
        return found

    def tails(self) -> dict[str, str]:
        """The last hash of each chain, by the name of the bench that writes it; a file has one, without a name."""
        return {"": self.hash.hex()}

    def seen(self) -> list[Seen]:
        """What was kept of polls and paths."""
        return [Seen(*row) for row in self._read("SELECT account, line, path, at, polls FROM seen")]

    def _rows(self, which: str, values: Any) -> Iterator[Row]:
        for number, at, whose, verdict, text in self._read(f"{_ROWS} WHERE {which}", values):
            yield Row(number, at, whose, verdict, text.encode())

    def _read(self, statement: str, values: Any = ()) -> Iterator[Any]:
        try:
            yield from self._db.execute(statement, values)
        except sqlite3.Error as error:
            raise JournalError(f"the journal {self.path} cannot be read: {error}") from None

    def wish(self, text: dict[str, Any]) -> int:
        """Leave a wish for the bench; its number."""
        try:
            return self._db.execute("INSERT INTO wish (text) VALUES (?)", (orjson.dumps(text).decode(),)).lastrowid or 0
        except sqlite3.Error as error:
            raise JournalError(f"the journal {self.path} cannot be written: {error}") from None

    def wishes(self, after: int = 0) -> list[tuple[int, dict[str, Any], int]]:
        """Wishes after that number, each with WAITING, GRANTED or REFUSED."""
        found = self._read("SELECT number, text, taken FROM wish WHERE number > ? ORDER BY number", (after,))
        return [(number, orjson.loads(text), taken) for number, text, taken in found]

    def take(self, number: int, state: int) -> bool:
        """Mark a wish as GRANTED or REFUSED; whether it still waited for that."""
        return (
            self._db.execute("UPDATE wish SET taken = ? WHERE number = ? AND taken = 0", (state, number)).rowcount == 1
        )

    def written_by_another(self) -> bool:
        """Whether a bench holds the journal for writing now."""
        try:
            other = os.open(f"{self.path}.lock", os.O_RDWR)
        except OSError:
            return False
        try:
            fcntl.flock(other, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        finally:
            os.close(other)
        return False

    def verify(self) -> Generator[tuple[int, str | None], None, None]:
        """Check each chain from where it begins, and that no number is missing: each row's number, with None or what is
        wrong with it.
        """
        # Of one moment, so that rows and ends belong together although a bench goes on writing.
        with self._moment():
            yield from self._verified()

    def unsound(self) -> Iterator[str]:
        """What the engine itself finds wrong with the file: pages, indexes."""
        yield from (f"the file is damaged: {told}" for (told,) in self._read("PRAGMA integrity_check") if told != "ok")

    @contextmanager
    def _moment(self) -> Iterator[None]:
        self._db.execute(self.MOMENT)
        try:
            yield
        finally:
            with suppress(*self.FAILURES):
                self._db.execute("ROLLBACK")

    def _verified(self) -> Iterator[tuple[int, str | None]]:
        number_kept, tails, retired = self.last_number(), dict(self._read(self.TAILS)), self.retired()
        due = begins(retired)
        if due > 1 and not self._is_told(retired):
            yield due - 1, f"rows 1 to {due - 1} are missing, and no row says that they were retired"
        hashes = {receiver: hash for receiver, (_, hash) in retired.items()}
        for number, receiver, at, account, verdict, event, text, kept in self._read(
            f"SELECT number, {self.RECEIVER}, at, account, verdict, {self.EVENT or 'NULL'}, text, hash FROM entry"
            " ORDER BY number"
        ):
            before = hashes.get(receiver, bytes(32))
            wrong = chain_is_whole(due, before, number, at, account, verdict, text, kept)
            if not wrong and self.EVENT and event != _event_of(verdict, text):
                wrong = f"row {number}: its columns differ from its text"
            yield number, wrong
            hashes[receiver], due = bytes(kept or b"") if isinstance(kept, bytes | None) else b"", number + 1
        if number_kept >= due:
            yield number_kept, f"rows {due} to {number_kept} are missing from the end"
            return
        for receiver in tails.keys() | hashes.keys():
            if tails.get(receiver) != hashes.get(receiver, bytes(32)):
                of = f" of bench {receiver!r}" if receiver else ""
                yield number_kept, f"the last hash kept beside the rows{of} is another than the last row's"

    # Taking out what is old

    def retired(self) -> Ends:
        """The last row of each chain that was retired: where what is left begins. Nothing where none ever was."""
        if self._version() < 2:
            return {}
        found = self._read("SELECT receiver, number, hash FROM retired")
        return {receiver: (number, bytes(hash)) for receiver, number, hash in found}

    def _is_told(self, retired: Ends) -> bool:
        """Whether rows of the chains say that all these were retired. One that was not finished stopped short of its row."""
        told = [event.get("chains", {}) for event in self.events("retired")]
        return all(
            any(number < upto or (number, hash.hex()) == (upto, last)
                for upto, last in (chains.get(receiver, (0, "")) for chains in told))
            for receiver, (number, hash) in retired.items()
        )  # fmt: skip

    def oldest_since(self, since: str, now: str) -> int:
        """The first number of a row from that time on; that of the next row where there is none. A row from beyond `now` is
        none: its clock was wrong, and it is as old as its neighbours.
        """
        ((number,),) = self._read("SELECT min(number) FROM entry WHERE at >= ? AND at <= ?", (since, now))
        return int(number) if number else self.last_number() + 1

    def ends(self, upto: int) -> Ends:
        """The last row of each chain up to a number, whether it is there or was retired."""
        ends = self.retired()
        for (hash,) in self._read("SELECT hash FROM entry WHERE number = ?", (upto,)):
            ends[""] = (upto, hash)
        return ends

    def pieces(self, upto: int) -> list[str]:
        """The parts of the journal that `retire` would drop whole; a file has none."""
        return []

    def retire(self, ends: Ends) -> None:
        """Take out all rows up to the highest of these, the last of each chain, and keep them as where what is left begins.

        Beside a bench that writes, too: each step is short. JournalError where it cannot be done; what was done stands.
        """
        upto = begins(ends) - 1
        try:
            for last in [*range(begins(self.retired()) + _RETIRED_AT_ONCE, upto, _RETIRED_AT_ONCE), upto]:
                with self:
                    self._db.execute(
                        "INSERT OR REPLACE INTO retired SELECT '', number, hash FROM entry WHERE number = ?", (last,)
                    )
                    self._db.execute("DELETE FROM entry WHERE number <= ?", (last,))
                time.sleep(_BREATH_SECONDS)  # the bench's turn
        except sqlite3.Error as error:
            raise JournalError(f"the journal {self} cannot be written: {error}") from None


def begins(retired: Ends) -> int:
    """The number of the first row that is left where these were retired."""
    return max((number for number, _ in retired.values()), default=0) + 1


def chain_is_whole(
    due: int, before: bytes, number: int, at: str, account: str | None, verdict: str | None, text: Any, kept: Any
) -> str | None:
    """What is wrong with a row whose number should be `due` and that follows a row with the hash `before`."""
    if number != due:
        return f"row {due} is missing" if number == due + 1 else f"rows {due} to {number - 1} are missing"
    if not isinstance(text, str) or link(before, text.encode()) != kept:
        return f"row {number} does not fit the row before it: one of the two was changed"
    if not _columns_fit(number, at, account, verdict, text):
        return f"row {number}: its columns differ from its text"
    return None


def opened(where: Path | str, *, write: bool = False, patience: float = 5.0, **more: Any) -> Store:
    """The journal at a path, or on a server by its URL. JournalError says why it cannot be had.

    `more` is what a server's journal wants to know: the `receiver`'s name and its `repeat_seconds`.
    """
    if (url := server_of(where)) is None:
        return Store(Path(where), write=write, patience=patience)
    # Imported here: most benches have no server.
    from receiver.journal_postgres import PostgresStore

    return PostgresStore(url, write=write, patience=patience, **more)


def server_of(where: Path | str) -> str | None:
    """The URL of a journal on a server; None for a path. A URL that went through a Path has lost a slash."""
    found = re.fullmatch(r"(postgres(?:ql)?):/+(.*)", str(where))
    return f"{found[1]}://{found[2]}" if found else None


def public(where: Path | str) -> str:
    """A journal's place as people and logs may read it: without a password, wherever the URL has one."""
    if (url := server_of(where)) is None:
        return str(where)
    url = re.sub(r"(://[^/?#]*?):[^/?#]*@", r"\1:…@", url)
    return re.sub(r"(?i)([?&](?:ssl)?password=)[^&]*", r"\1…", url)


def database_of(url: str) -> str:
    """Which database a URL means, whoever asks for it and how: its hosts, in whatever order, and its name."""
    parts = urlsplit(url)
    asked = dict(parse_qsl(parts.query))
    hosts = [*parts.netloc.rpartition("@")[2].split(","), *asked.get("host", "").split(",")]
    named = sorted(host.lower().removesuffix(":5432") for host in hosts if host)
    return f"{','.join(named)}/{parts.path.strip('/') or asked.get('dbname', '')}"


def folder_of(where: Path | str) -> Path:
    """A folder of this machine that goes with a journal: where its file lies, or one of the user's own for a server's."""
    if (url := server_of(where)) is None:
        return Path(where).parent
    state = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
    folder = state / "farend" / hashlib.sha256(database_of(url).encode()).hexdigest()[:12]
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def whose(entry: dict[str, Any]) -> str | None:
    """The account column of an entry: its number as numbers are compared."""
    return bare(entry["account"]) if entry.get("account") else None


def _like(part: str) -> str:
    """A part of a value as LIKE finds it in JSON. A sieve: LIKE knows the case of ASCII alone, so any other letter fits."""
    kept = orjson.dumps(part).decode()[1:-1]
    return "".join(f"!{c}" if c in "!%_" else c if c.isascii() else "_" for c in kept)


def parts_of(words: str) -> list[str]:
    """What a row must say, from the words that somebody looks for."""
    return [part.encode("utf-8", "replace").decode().lower() for part in words.split()]


def says(text: bytes, parts: list[str]) -> bool:
    """Whether all parts are in the values of a row's JSON; its keys say nothing."""
    said = "\n".join(_values(orjson.loads(text))).lower()
    return all(part in said for part in parts)


def _values(value: Any) -> Iterator[str]:
    if isinstance(value, dict | list):
        for one in value.values() if isinstance(value, dict) else value:
            yield from _values(one)
    elif isinstance(value, str):
        yield value
    elif isinstance(value, int) and not isinstance(value, bool):
        yield str(value)


def _event_of(verdict: str | None, text: str) -> Any:
    return None if verdict else orjson.loads(text).get("event")


def _columns_fit(number: int, at: str, account: str | None, verdict: str | None, text: str) -> bool:
    try:
        entry = orjson.loads(text)
        return (entry["row"], entry["at"], entry.get("verdict"), whose(entry)) == (number, at, verdict, account)
    except (ValueError, KeyError, AttributeError):
        return False
