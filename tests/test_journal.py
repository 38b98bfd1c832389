"""The journal: what was acknowledged is on disk whatever happens, and what was changed afterwards shows."""

import asyncio
import json
import os
import random
import resource
import signal
import socket
import sqlite3
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import closing
from pathlib import Path
from typing import Any

import orjson
import pytest
from conftest import HOST, SECONDS, Farend, Listening, ack, alarm, envelope, exchange, only
from hypothesis import given, settings
from hypothesis import strategies as st

from receiver.entry import OwnEntry
from receiver.journal import JournalError, Row, Seen, Store, link, whose
from receiver.journal_apart import Apart
from receiver.writing import InThread, Journal

Listen = Callable[..., Listening]

AT = "2026-11-25T12:00:00.000Z"


def row(number: int, account: str = "4471", verdict: str | None = "accepted") -> Row:
    """A row as the bench hands it in: its text holds what its columns say."""
    at = f"2026-11-25T12:00:{number:02}.000Z"
    entry = {"at": at, "row": number, "account": account, "sequence": number}
    if verdict:
        entry["verdict"] = verdict
    return Row(number, at, whose(entry), verdict, json.dumps(entry).encode())


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal of ten rows."""
    path = tmp_path / "station.journal"
    store = Store(path, write=True)
    store.append([row(number) for number in range(1, 6)])
    store.append([row(number) for number in range(6, 11)])
    store.close()
    return path


def change(path: Path, *statements: str) -> None:
    """What somebody with the file and the sqlite command may do."""
    with closing(sqlite3.connect(path)) as file, file:
        for statement in statements:
            file.execute(statement)


def mistakes(path: Path) -> list[str]:
    with closing(Store(path)) as store:
        return [wrong for _, wrong in store.verify() if wrong]


# The chain of hashes


def test_a_journal_that_nobody_touched_is_whole(path: Path) -> None:
    assert mistakes(path) == []


CHANGES = {
    "a changed text": (
        ["UPDATE entry SET text = replace(text, '4471', '4472') WHERE number = 4"],
        "row 4 does not fit the row before it: one of the two was changed",
    ),
    "a row removed from the middle": (["DELETE FROM entry WHERE number = 4"], "row 4 is missing"),
    "rows removed from the middle": (["DELETE FROM entry WHERE number IN (4, 5, 6)"], "rows 4 to 6 are missing"),
    "the first row removed": (["DELETE FROM entry WHERE number = 1"], "row 1 is missing"),
    "the last rows removed": (["DELETE FROM entry WHERE number > 8"], "rows 9 to 10 are missing from the end"),
    "everything removed": (["DELETE FROM entry"], "rows 1 to 10 are missing from the end"),
    "the last rows removed, and the count of them set right": (
        ["DELETE FROM entry WHERE number > 8", "UPDATE head SET number = 8"],
        "the last hash kept beside the rows is another than the last row's",
    ),
    "a row removed and the rest numbered anew": (
        ["DELETE FROM entry WHERE number = 4", "UPDATE entry SET number = number - 1 WHERE number > 4"],
        "row 4 does not fit the row before it: one of the two was changed",
    ),
    "two rows exchanged": (
        [f"UPDATE entry SET number = {new} WHERE number = {old}" for old, new in ((4, 99), (5, 4), (99, 5))],
        "row 4 does not fit the row before it: one of the two was changed",
    ),
    "a column changed": (
        ["UPDATE entry SET verdict = 'repeat' WHERE number = 4"],
        "row 4: its columns differ from its text",
    ),
    "the account column changed": (
        ["UPDATE entry SET account = '1' WHERE number = 4"],
        "row 4: its columns differ from its text",
    ),
    "a time changed": (
        ["UPDATE entry SET at = '2026-11-25T11:00:00.000Z' WHERE number = 4"],
        "row 4: its columns differ from its text",
    ),
    "a hash changed": (
        ["UPDATE entry SET hash = zeroblob(32) WHERE number = 4"],
        "row 4 does not fit the row before it: one of the two was changed",
    ),
}


@pytest.mark.parametrize("what", CHANGES)
def test_every_change_afterwards_shows(path: Path, what: str) -> None:
    statements, told = CHANGES[what]
    change(path, *statements)
    assert told in mistakes(path)


def test_verify_ends_with_1_and_says_what_is_wrong_where_something_is(path: Path, farend: Farend) -> None:
    good = farend("journal", "verify", "--journal", path)
    assert (good.code, b"the chain is whole" in good.out) == (0, True)
    change(path, "DELETE FROM entry WHERE number = 4")
    bad = farend("journal", "verify", "--journal", path)
    assert (bad.code, b"row 4 is missing" in bad.out) == (1, True)
    (told,) = farend("journal", "verify", "--journal", path, "--json").objects
    assert (told["rows"], told["wrong"]) == (10, ["row 4 is missing"])


def test_the_hash_is_sha_256_over_the_hash_before_and_the_text(path: Path) -> None:
    """FIPS 180-4's own example gives the check value: the hash of `abc`."""
    assert link(b"a", b"bc").hex() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    due = bytes(32)
    with closing(sqlite3.connect(path)) as file:
        for text, kept in file.execute("SELECT text, hash FROM entry ORDER BY number"):
            due = link(due, text.encode())
            assert kept == due


# The file


def test_a_second_writer_is_refused_with_a_sentence(tmp_path: Path, listening: Listen, farend: Farend) -> None:
    path = tmp_path / "station.journal"
    first = listening("--journal", path)
    with pytest.raises(JournalError, match="is being written by another bench; give --journal another"):
        Store(path, write=True)
    second = farend("listen", "--tcp", f"{HOST}:0", "--journal", path)
    assert (second.code, second.out) == (2, b"")
    assert "is being written by another bench" in second.err
    assert first.end() == 0
    Store(path, write=True).close()


def test_anyone_may_read_while_it_is_written(path: Path) -> None:
    with closing(Store(path, write=True)) as store, closing(Store(path)) as reader:
        store.append([row(11)])
        assert [found.number for found in reader.rows()] == list(range(1, 12))


@pytest.mark.parametrize("content", [b"this is a letter, not a journal\n" * 100, b""], ids=["a letter", "nothing"])
def test_a_file_that_is_no_journal_is_refused_with_a_sentence(tmp_path: Path, farend: Farend, content: bytes) -> None:
    path = tmp_path / "letter.txt"
    path.write_bytes(content)
    told = farend("journal", "list", "--journal", path)
    assert (told.code, told.out, told.err.count("\n")) == (2, b"", 1)
    assert "letter.txt" in told.err
    assert path.read_bytes() == content


def test_a_journal_that_is_not_there_is_not_made_by_looking_into_it(tmp_path: Path, farend: Farend) -> None:
    told = farend("journal", "list", "--journal", tmp_path / "none.journal")
    assert (told.code, "there is no journal" in told.err) == (2, True)
    assert not (tmp_path / "none.journal").exists()


# As version 1 laid it out.
VERSION_1 = """
CREATE TABLE entry (number INTEGER PRIMARY KEY, at TEXT NOT NULL, account TEXT, verdict TEXT, text TEXT NOT NULL,
                    hash BLOB NOT NULL);
CREATE INDEX entry_account ON entry (account, verdict, number);
CREATE INDEX entry_at ON entry (at);
CREATE INDEX entry_event ON entry (number) WHERE verdict IS NULL;
CREATE TABLE head (one INTEGER PRIMARY KEY CHECK (one = 1), number INTEGER NOT NULL, hash BLOB NOT NULL);
CREATE TABLE seen (account TEXT NOT NULL, line TEXT NOT NULL, path TEXT NOT NULL, at TEXT NOT NULL, polls INTEGER NOT NULL,
                   PRIMARY KEY (account, line, path)) WITHOUT ROWID;
CREATE TABLE wish (number INTEGER PRIMARY KEY AUTOINCREMENT, text TEXT NOT NULL, taken INTEGER NOT NULL DEFAULT 0);
PRAGMA user_version = 1;
"""


def test_a_journal_of_version_1_is_read_as_it_is_and_brought_forward_by_whoever_writes(tmp_path: Path) -> None:
    path, rows, hash = tmp_path / "old.journal", [row(1), row(2)], bytes(32)
    with closing(sqlite3.connect(path)) as file, file:
        file.executescript(VERSION_1)
        for one in rows:
            hash = link(hash, one.text)
            values = (one.number, one.at, one.account, one.verdict, one.text.decode(), hash)
            file.execute("INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?)", values)
        file.execute("INSERT INTO head VALUES (1, 2, ?)", (hash,))
    with closing(Store(path)) as reader:
        assert (list(reader.rows()), list(reader.verify())) == (rows, [(1, None), (2, None)])
        with closing(Store(path, write=True)) as store:
            store.append([row(3)])
        assert (list(reader.rows()), mistakes(path)) == ([*rows, row(3)], [])
    change(path, "PRAGMA user_version = 99")
    for write in (False, True):
        with pytest.raises(JournalError, match=r"is of version 99, .* a newer farend has written it"):
            Store(path, write=write)


def test_rows_come_in_order_of_arrival_and_by_account_time_and_verdict(path: Path) -> None:
    with closing(Store(path, write=True)) as store:
        more = [row(11, "8C20"), row(12, "004471", "repeat"), row(13, "", None)]
        store.append(more, [Seen("4471", "tcp", "wired", "2026-11-25T12:00:12.000Z", 3)])

        def numbers(**which: Any) -> list[int]:
            return [found.number for found in store.rows(**which)]

        assert numbers() == list(range(1, 13))
        assert numbers(events=True) == list(range(1, 14))
        assert numbers(account="4471", after=8) == [9, 10, 12]
        assert numbers(account="8C20") == [11]
        assert numbers(verdict="repeat") == [12]
        assert numbers(since="2026-11-25T12:00:03", until="2026-11-25T12:00:05") == [3, 4]
        assert [found.number for found in store.last("4471", "accepted", 2)] == [10, 9]
        assert store.seen() == [Seen("4471", "tcp", "wired", "2026-11-25T12:00:12.000Z", 3)]
    assert mistakes(path) == []


def test_rows_that_could_not_be_written_leave_nothing_behind(path: Path) -> None:
    """One row of the commit is wrong: none of them is there, and the next ones follow on."""
    with closing(Store(path, write=True)) as store:
        with pytest.raises(sqlite3.IntegrityError):
            store.append([row(11), row(11)])
        store.append([row(11)])
        assert [found.number for found in store.rows()] == list(range(1, 12))
    assert mistakes(path) == []


# Looking from the newest row back


def frame_row(number: int, account: str = "4471", verdict: str | None = "accepted", **more: Any) -> Row:
    """A row as `orjson` writes it, with more in it."""
    entry = {"at": f"2026-11-25T12:00:{number % 60:02}.000Z", "row": number, "account": account} | more
    if verdict:
        entry["verdict"] = verdict
    return Row(number, entry["at"], whose(entry), verdict, orjson.dumps(entry))


WORDS = st.sampled_from(
    ["fire", "FIRE", "Gärtnerei", "ÄRA", "100%", "a_b", 'the "old" mill', "back\\slash", "!", "4471"]
)


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_paging_back_gives_every_row_that_fits_once_the_newest_first(data: st.DataObject) -> None:
    """Whatever is asked for, and however little a look takes in: what a plain loop over all rows would find."""
    rows = [
        frame_row(
            number,
            data.draw(st.sampled_from(["4471", "8C20"])),
            data.draw(st.sampled_from(["accepted", "repeat", "unknown-account", None])),
            refused_alarm=False,
            said=data.draw(WORDS),
        )
        for number in range(1, data.draw(st.integers(0, 30)) + 1)
    ]
    ask: dict[str, Any] = {
        "account": data.draw(st.sampled_from([None, "4471", "8C20"])),
        "verdict": data.draw(st.sampled_from([None, "accepted", "repeat"])),
        "words": data.draw(st.none() | WORDS | WORDS.map(str.swapcase)),
        "events": data.draw(st.booleans()),
    }

    def fits(row: Row) -> bool:
        said = "\n".join(str(value) for value in json.loads(row.text).values()).lower()
        return (
            ask["account"] in (None, row.account)
            and (ask["verdict"] in (None, row.verdict))
            and (ask["events"] or row.verdict is not None)
            and all(part in said for part in (ask["words"] or "").lower().split())
        )

    with tempfile.TemporaryDirectory() as folder, closing(Store(Path(folder) / "a.journal", write=True)) as store:
        store.append(rows)
        found, before = [], None
        limit, reach = data.draw(st.integers(1, 7)), data.draw(st.integers(1, 12))
        while before != 1:
            some, lowest = store.latest(before, limit, reach=reach, **ask)
            assert len(some) <= limit
            assert before is None or lowest < before
            assert lowest >= 1
            found, before = found + some, lowest
        assert found == [row for row in reversed(rows) if fits(row)]


def test_words_are_looked_for_in_what_a_row_says_not_in_the_names_of_its_fields(tmp_path: Path) -> None:
    with closing(Store(tmp_path / "a.journal", write=True)) as store:
        store.append(
            [frame_row(1, refused_alarm=False, account_name="Gärtnerei 100%"), frame_row(2, meaning="Fire alarm")]
        )

        def numbers(words: str) -> list[int]:
            return [row.number for row in store.latest(words=words)[0]]

        assert (numbers("alarm"), numbers("ALA fir"), numbers("account_name")) == ([2], [2], [])
        assert (numbers("GÄRTNEREI"), numbers("0%"), numbers("g%rt"), numbers("g_rt")) == ([1], [1], [], [])


def test_no_look_scans_a_whole_journal(tmp_path: Path) -> None:
    """What fits nothing costs `reach` rows and no more; what the index finds is found however far back it lies."""
    with closing(Store(tmp_path / "a.journal", write=True)) as store:
        store.append([frame_row(1, "8C20")] + [frame_row(number) for number in range(2, 2002)])
        assert store.latest(words="nowhere", reach=500) == ([], 1502)
        assert store.latest(verdict="repeat", reach=500) == ([], 1502)
        assert [row.number for row in store.latest(account="8C20", reach=500)[0]] == [1]
        assert store.latest(account="8C20", words="8c20", reach=500) == ([], 1502)


def test_the_numbers_that_occur_are_found_by_seeking_not_by_scanning(tmp_path: Path) -> None:
    with closing(Store(tmp_path / "a.journal", write=True)) as store:
        store.append([frame_row(1, "8C20"), frame_row(2, "004471"), frame_row(3, "4471"), frame_row(4, "", None)])
        assert list(store.numbers()) == ["4471", "8C20"]
        store.append([frame_row(number, f"{number % 7:03}F") for number in range(5, 5005)])
        steps = 0

        def step() -> int:
            nonlocal steps
            steps += 1
            return 0

        store._db.set_progress_handler(step, 10)
        assert len(list(store.numbers())) == 9
        assert steps < 100  # some 9 seeks; a scan of the index takes 5,000 rows of several steps each


def test_one_row_is_found_by_its_number(path: Path) -> None:
    with closing(Store(path)) as store:
        found = store.row(4)
        assert found is not None
        assert (found.number, found.account) == (4, "4471")
        assert store.row(11) is None


def test_refused_alarms_are_found_by_an_index_of_their_own_and_no_frame_can_pretend_to_be_one(path: Path) -> None:
    pretends = {"refused_alarm": False, "raw": '"refused_alarm":true'}
    with closing(Store(path, write=True)) as store:
        store.append(
            [
                frame_row(11, verdict="unknown-account", refused_alarm=True),
                frame_row(12, verdict="unknown-account", **pretends),
                frame_row(13, verdict="accepted", refused_alarm=False),
                frame_row(14, verdict=None, refused_alarm=True),
                frame_row(15, verdict="held-back", refused_alarm=True),
            ]
        )
        assert [row.number for row in store.refused()] == [11, 15]
        assert [row.number for row in store.refused(after=11)] == [15]
        assert "entry_refused" in plan_of(store, store.refused)
    change(path, "DROP INDEX entry_refused")
    with closing(Store(path)) as store:  # no bench has opened it since
        assert [row.number for row in store.refused()] == [11, 15]


def test_events_are_given_by_kind_by_an_index_and_no_text_can_pretend_to_be_one(tmp_path: Path) -> None:
    with closing(Store(tmp_path / "a.journal", write=True)) as store:
        for event, detail in (("start", ""), ("stop", '"event":"start"'), ("book", ""), ("start", "again")):
            store.note({"at": "2026-11-25T12:00:00.000Z", "event": event, "detail": detail})
        assert [event["row"] for event in store.events("start")] == [4, 1]
        assert [event["row"] for event in store.events("book", "stop")] == [3, 2]
        assert [event["row"] for event in store.events()] == [4, 3, 2, 1]
        assert "entry_kind" in plan_of(store, lambda: store.events("book", "stop"))
        assert "entry_event" in plan_of(store, store.events)


def plan_of(store: Store, ask: Callable[[], Any]) -> str:
    """How SQLite finds what is asked for."""
    asked: list[str] = []
    store._db.set_trace_callback(asked.append)
    list(ask())
    store._db.set_trace_callback(None)
    return " ".join(step[3] for step in store._db.execute(f"EXPLAIN QUERY PLAN {asked[0]}"))


# The bench is killed


class Panel:
    """A panel that sends as fast as it is answered. After a kill it sends what was not answered again, as panels do."""

    def __init__(self, account: str) -> None:
        self.account, self.sequence = account, 1
        self.acknowledged: list[int] = []

    async def work(self, port: int) -> None:
        try:
            reader, writer = await asyncio.open_connection(HOST, port)
        except ConnectionError:
            return
        try:
            while True:
                writer.write(alarm(self.sequence, self.account))
                if await reader.readuntil(b"\r") != ack(self.sequence, self.account):
                    raise AssertionError("another answer than an ACK")
                self.acknowledged.append(self.sequence)
                self.sequence += 1
        except (ConnectionError, asyncio.IncompleteReadError):
            pass
        finally:
            writer.close()


async def test_kill_9_under_load_twenty_times_loses_nothing_acknowledged(tmp_path: Path, listening: Listen) -> None:
    panels = [Panel(f"A{number:03}") for number in range(8)]
    accounts = [f'[[account]]\nnumber = "{panel.account}"\nname = "invented"\n' for panel in panels]
    book, journal = tmp_path / "book.toml", tmp_path / "station.journal"
    book.write_text("\n".join(accounts))
    dice = random.Random(20)
    for number in range(20):
        bench = await asyncio.to_thread(listening, "--tcp", f"{HOST}:0", "--book", book, "--journal", journal)
        port = bench.port()
        load = [asyncio.create_task(panel.work(port)) for panel in panels]
        before = sum(len(panel.acknowledged) for panel in panels)
        for _ in range(1000):  # killed at work, however slowly it comes to it on a busy machine
            if sum(len(panel.acknowledged) for panel in panels) > before:
                break
            await asyncio.sleep(0.01)
        await asyncio.sleep(dice.uniform(0.03, 0.25))
        if number % 2:  # what writes its journal first: the bench gets another, and nobody is the wiser
            os.kill(bench.writer, signal.SIGKILL)
            await asyncio.sleep(dice.uniform(0.03, 0.5))
        bench.process.send_signal(signal.SIGKILL)
        await asyncio.gather(*load)
        await asyncio.to_thread(bench.end)
        assert sum(len(panel.acknowledged) for panel in panels) > before
        assert mistakes(journal) == []
    with closing(Store(journal)) as store:
        kept = [json.loads(found.text) for found in store.rows()]
    once = Counter((entry["account"], entry["sequence"]) for entry in only(kept, verdict="accepted"))
    acknowledged = {(panel.account, sequence) for panel in panels for sequence in panel.acknowledged}
    assert acknowledged <= set(once)
    assert set(once.values()) == {1}
    # What is on disk and was never answered is at most the one message that each panel had outstanding.
    assert {sequence for account, sequence in set(once) - acknowledged} <= {panel.sequence for panel in panels}
    # Only what was outstanding at a kill came twice, and it was known as a repeat by the bench that came after.
    assert {entry["verdict"] for entry in kept} <= {"accepted", "repeat"}
    assert {entry["sequence_note"] for entry in kept} <= {None, "repeat"}


class Telling:
    """Events handed to a journal, and what it told of each, in order."""

    def __init__(self, journal: Journal) -> None:
        self.journal, self.told = journal, list[tuple[str, int | None]]()

    def add(self, what: str) -> None:
        def kept(row: Row | None) -> None:
            self.told.append((what, row.number if row else None))

        self.journal.add(OwnEntry({"at": AT, "row": None, "event": what, "detail": ""}), kept)

    async def idle(self) -> None:
        for _ in range(2000):
            if not self.journal.busy:
                return
            await asyncio.sleep(0.005)
        raise AssertionError("the journal told nothing for ten seconds")


async def begun(path: Path) -> tuple[Apart, Telling]:
    """A journal with a writer of its own, and its first row."""
    writer = Apart(path)
    telling = Telling(Journal(writer))
    telling.add("first")
    await telling.idle()
    return writer, telling


def said(path: Path) -> list[tuple[str, int]]:
    """What the events in a journal say, in order."""
    with closing(Store(path)) as store:
        return [(json.loads(kept.text)["event"], kept.number) for kept in store.rows(events=True)]


@pytest.mark.parametrize(
    "when", ["before it read them", "while it writes", "between commit and word", "while it is idle"]
)
async def test_a_writer_that_is_killed_costs_no_row_and_doubles_none(tmp_path: Path, when: str) -> None:
    path = tmp_path / "station.journal"
    writer, telling = await begun(path)
    killed = writer._process

    def kill(how: signal.Signals) -> None:
        os.kill(killed.pid, how)

    if when in ("before it read them", "between commit and word"):
        kill(signal.SIGSTOP)
    if when == "while it is idle":
        kill(signal.SIGKILL)
        killed.wait()
    expected = ["first", *(f"row {number}" for number in range(3201))]  # one alone, then groups of 16
    for what in expected[1:]:
        telling.add(what)
    if when == "between commit and word":  # what it would have committed is there, and it has said nothing
        with closing(Store(path, write=True, lock=os.dup(writer._lock))) as store:
            for asked in list(writer._asked)[:100]:
                store.append(asked.rows)
    if when != "while it is idle":
        kill(signal.SIGKILL)
    with pytest.raises(
        JournalError, match="another bench"
    ):  # the lock is not the process's alone: nobody comes between
        Store(path, write=True)
    await telling.idle()
    telling.add("last")
    await telling.idle()
    assert writer._process is not killed
    telling.journal.close()
    numbered = [(what, number) for number, what in enumerate([*expected, "last"], 1)]
    assert telling.told == numbered
    assert said(path) == numbered
    assert mistakes(path) == []


async def test_of_commits_over_which_writers_die_again_and_again_those_on_disk_are_kept(tmp_path: Path) -> None:
    """And the others are not, so that what the panel sends again is new once."""
    path = tmp_path / "station.journal"
    writer, telling = await begun(path)
    os.kill(writer._process.pid, signal.SIGSTOP)
    for number in range(33):  # one alone, then two groups of 16
        telling.add(f"row {number}")
    with closing(Store(path, write=True, lock=os.dup(writer._lock))) as store:
        store.append(writer._asked[0].rows)
        store.append(writer._asked[1].rows)
    writer._deaths = 2
    os.kill(writer._process.pid, signal.SIGKILL)
    await telling.idle()
    assert telling.told[:18] == [("first", 1), *((f"row {number}", number + 2) for number in range(17))]
    assert telling.told[18:] == [(f"row {number}", None) for number in range(17, 33)]
    assert telling.journal.failing
    telling.journal.retry()
    await telling.idle()
    assert not telling.journal.failing
    telling.journal.close()
    assert [what for what, _ in said(path)] == ["first", *(f"row {number}" for number in range(33))]
    assert mistakes(path) == []


async def test_a_writer_that_cannot_be_started_again_is_a_journal_that_fails_and_comes_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "station.journal"
    writer, telling = await begun(path)
    os.kill(writer._process.pid, signal.SIGKILL)
    writer._process.wait()
    monkeypatch.setattr(sys, "executable", str(tmp_path / "nothing"))
    for what in ("second", "third"):
        telling.add(what)
    await telling.idle()
    assert telling.told == [("first", 1), ("second", None), ("third", None)]
    assert telling.journal.failing
    telling.journal.retry()
    await telling.idle()
    assert telling.journal.failing
    monkeypatch.undo()
    for _ in range(2):  # the first try starts another writer and learns from it how far the journal goes
        telling.journal.retry()
        await telling.idle()
    assert not telling.journal.failing
    telling.add("fourth")
    await telling.idle()
    telling.journal.close()
    assert telling.told[3:] == [("fourth", 4)]
    assert said(path) == [("first", 1), ("second", 2), ("third", 3), ("fourth", 4)]


class Reluctant:
    """A store that refuses some of its commits, and says how many rows each had."""

    def __init__(self, refuses: set[int]) -> None:
        self.number, self.refuses, self.commits = 0, refuses, list[int]()
        self.kept, self.opened = list[bytes](), 0
        self.go = threading.Semaphore(0)

    def append(self, rows: list[Row], seen: Iterable[Seen] = ()) -> list[Row]:
        self.go.acquire()
        self.commits.append(len(rows))
        if len(self.commits) in self.refuses:
            raise OSError("no space left")
        self.kept += [kept.text for kept in rows]
        self.number += len(rows)
        return rows

    def reopen(self) -> None:
        self.opened += 1


async def test_what_gathers_while_the_disk_is_waited_for_goes_into_one_commit() -> None:
    store = Reluctant(set())
    telling = Telling(Journal(InThread(store, asyncio.get_running_loop().call_soon_threadsafe)))  # type: ignore[arg-type]
    for number in range(500):
        telling.add(f"row {number}")
    store.go.release(500)
    await telling.idle()
    telling.journal.close()
    assert [number for _, number in telling.told] == list(range(1, 501))
    assert sum(store.commits) == 500
    assert len(store.commits) <= 3


async def test_nothing_is_kept_that_was_under_way_behind_a_commit_that_failed() -> None:
    """A row whose predecessor is lost would have a number, and a verdict, that are wrong."""
    store = Reluctant({2})
    telling = Telling(Journal(InThread(store, asyncio.get_running_loop().call_soon_threadsafe)))  # type: ignore[arg-type]
    telling.add("first")
    store.go.release()
    await telling.idle()
    telling.add("second")  # alone: it goes at once
    for number in range(100):  # and these wait for it in several groups
        telling.add(f"behind {number}")
    store.go.release(2)
    await telling.idle()
    assert telling.journal.failing
    assert telling.told == [("first", 1), ("second", None), *((f"behind {number}", None) for number in range(100))]
    assert len(store.kept) == 1
    telling.journal.retry()
    store.go.release(10)
    await telling.idle()
    telling.add("after")
    await telling.idle()
    telling.journal.close()
    assert telling.told[-1] == ("after", 103)
    assert [orjson.loads(text)["row"] for text in store.kept] == list(range(1, 104))
    assert store.opened == 1


def test_a_bench_that_comes_after_a_kill_knows_what_the_one_before_acknowledged(
    station: Path, tmp_path: Path, listening: Listen
) -> None:
    options = ("--book", station, "--journal", tmp_path / "station.journal")
    first = listening(*options)
    assert exchange(first.port(), alarm(7), alarm(8)) == [ack(7), ack(8)]
    first.end(signal.SIGKILL)
    second = listening(*options)
    assert exchange(second.port(), alarm(8), alarm(9), alarm(20)) == [ack(8), ack(9), ack(20)]
    again, following, jump = second.printed(3)
    assert (again["verdict"], again["sequence_note"], again["repeat_of"]) == ("repeat", "repeat", 3)
    assert (following["verdict"], following["sequence_note"]) == ("accepted", None)
    assert (jump["verdict"], jump["sequence_note"]) == ("accepted", "gap")
    assert second.end() == 0
    assert mistakes(tmp_path / "station.journal") == []


def test_who_looks_into_the_journal_while_it_is_written_costs_it_no_row(
    station: Path, tmp_path: Path, listening: Listen, inside: Farend
) -> None:
    """The bench must never open and close the file beside SQLite: that drops its locks (POSIX), and then the next one who
    looks takes its log away from under it, with all that is acknowledged from then on ("How To Corrupt", sqlite.org).
    """
    journal = tmp_path / "station.journal"
    bench = listening("--book", station, "--journal", journal)
    for sequence in (1, 2, 3):
        assert exchange(bench.port(), alarm(sequence)) == [ack(sequence)]
        seen = inside("journal", "list", "--journal", journal, "--json").objects
        assert [entry["sequence"] for entry in seen] == list(range(1, sequence + 1))
    bench.end(signal.SIGKILL)
    with closing(Store(journal)) as store:
        assert [json.loads(found.text)["sequence"] for found in store.rows()] == [1, 2, 3]


# The disk is full


def test_while_the_disk_is_full_nothing_is_acknowledged_and_room_is_enough_to_recover(
    station: Path, tmp_path: Path, listening: Listen
) -> None:
    """The kernel refuses what writes the journal every byte (RLIMIT_FSIZE), and takes them when the limit is lifted."""
    bench = listening("--book", station, "--journal", tmp_path / "station.journal")
    poll = envelope('"NULL"0000L0#4471[]')
    with socket.create_connection((HOST, bench.port())) as panel:
        panel.settimeout(SECONDS)
        panel.sendall(alarm(7))
        assert panel.recv(4096) == ack(7)
        soft, hard = resource.prlimit(bench.writer, resource.RLIMIT_FSIZE)
        resource.prlimit(bench.writer, resource.RLIMIT_FSIZE, (0, hard))
        panel.settimeout(0.1)
        full = time.monotonic() + 2.5  # long enough for it to have tried the disk again twice
        panel.sendall(alarm(8))
        while time.monotonic() < full:
            with pytest.raises(TimeoutError):
                panel.recv(4096)
            panel.sendall(poll)
        panel.sendall(alarm(9))
        with pytest.raises(TimeoutError):
            panel.recv(4096)
        assert {entry["verdict"] for entry in bench.printed(10)[1:]} == {"not-kept"}
        assert "the journal writes again" not in bench.talk
        resource.prlimit(bench.writer, resource.RLIMIT_FSIZE, (soft, hard))
        panel.settimeout(0.5)
        answer, deadline = b"", time.monotonic() + SECONDS
        while not answer:
            assert time.monotonic() < deadline
            panel.sendall(alarm(8))
            try:
                answer = panel.recv(4096)
            except TimeoutError:
                continue
        assert answer == ack(8)
    assert bench.end() == 0
    assert bench.talk.count("THE JOURNAL CANNOT WRITE") == bench.talk.count("the journal writes again") == 1
    assert mistakes(tmp_path / "station.journal") == []
    with closing(Store(tmp_path / "station.journal")) as store:
        kept = [json.loads(found.text) for found in store.rows()]
    assert [entry["sequence"] for entry in only(kept, verdict="accepted")] == [7, 8]
    missed = [entry["sequence"] for entry in only(kept, verdict="not-kept")]
    assert (missed[0], set(missed[1 : missed.index(9)]), missed[missed.index(9) :][:1]) == (8, {0}, [9])


def test_the_chain_is_whole_for_whoever_looks_while_a_bench_writes_on(tmp_path: Path) -> None:
    """A reader that opened the journal before the last rows must not take them for a break."""
    writer = Store(tmp_path / "a.journal", write=True)
    writer.note({"at": "2026-11-25T12:00:00.000Z", "event": "x", "detail": "1"})
    reader = Store(tmp_path / "a.journal")
    writer.note({"at": "2026-11-25T12:00:01.000Z", "event": "x", "detail": "2"})
    looking = reader.verify()
    assert next(looking) == (1, None)
    writer.note({"at": "2026-11-25T12:00:02.000Z", "event": "x", "detail": "3"})
    assert list(looking) == [(2, None)]
    assert list(reader.verify()) == [(1, None), (2, None), (3, None)]
    reader.close()
    writer.close()
