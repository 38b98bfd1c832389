"""Backup and restore: a copy is of one moment, whole, made beside a bench that writes, and in the place of nothing."""

import sqlite3
import threading
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from receiver import retention
from receiver.backup import backup, mistakes, restore
from receiver.journal import JournalError, Row, Store
from tests.conftest import Farend


def rows(first: int, count: int, at: str = "2026-11-25T12:00:00.000Z") -> list[Row]:
    texts = [
        f'{{"row":{one},"at":"{at}","account":"4471","verdict":"accepted"}}' for one in range(first, first + count)
    ]
    return [Row(first + one, at, "4471", "accepted", text.encode()) for one, text in enumerate(texts)]


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    with closing(Store(tmp_path / "station.journal", write=True)) as store:
        store.append(rows(1, 50, "2025-01-01T00:00:00.000Z"))
        store.append(rows(51, 50))
    return tmp_path / "station.journal"


def kept(journal: Path) -> tuple[list[bytes], str, list[str]]:
    with closing(Store(journal)) as store:
        return [row.text for row in store.rows()], store.hash.hex(), list(mistakes(store))


def test_a_copy_made_while_a_bench_writes_is_a_whole_beginning_of_what_it_wrote(journal: Path, tmp_path: Path) -> None:
    ended, begun = threading.Event(), threading.Event()

    def write() -> None:
        with closing(Store(journal, write=True)) as store:
            while not ended.is_set():
                store.append(rows(store.number + 1, 20))
                begun.set()

    writer = threading.Thread(target=write)
    writer.start()
    begun.wait()
    found = [backup(journal, tmp_path / f"{one}.backup") for one in range(5)]
    ended.set()
    writer.join()
    whole, _, _ = kept(journal)
    for one, copied in enumerate(found):
        texts, last_hash, wrong = kept(tmp_path / f"{one}.backup")
        assert (texts, last_hash, wrong) == (whole[: copied.last], copied.last_hash, [])
    assert [one.last for one in found] == sorted(one.last for one in found)
    assert len(whole) > found[0].last > 100


def test_a_journal_that_was_retired_backed_up_and_restored_is_whole_and_goes_on(journal: Path, tmp_path: Path) -> None:
    with closing(Store(journal)) as store:
        plan = retention.planned(store, datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 12, 25, tzinfo=UTC))
    retention.retire(journal, plan, "T")
    made = backup(journal, tmp_path / "copy")
    assert (made.rows, made.retired, made.last) == (51, 50, 101)
    assert [one.name for one in tmp_path.iterdir() if one.name.startswith((".", "copy"))] == ["copy"]
    assert (tmp_path / "copy").stat().st_mode & 0o777 == 0o600
    again = tmp_path / "again.journal"
    assert restore(tmp_path / "copy", again, "T") == made
    assert kept(again)[0] == kept(journal)[0]
    with closing(Store(again, write=True)) as store:
        (told,) = store.events("restored")
        assert (told["row"], told["upto"], told["last_hash"], told["by"]) == (102, 101, made.last_hash, "T")
        store.append(rows(103, 1))
        assert list(mistakes(store)) == []
        assert (
            retention.planned(store, datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 12, 25, tzinfo=UTC)).first == 51
        )


def test_nothing_is_overwritten_and_what_is_not_whole_is_not_copied(journal: Path, tmp_path: Path) -> None:
    backup(journal, tmp_path / "copy")
    with pytest.raises(JournalError, match="nothing is overwritten"):
        backup(journal, tmp_path / "copy")
    with pytest.raises(JournalError, match="nothing is overwritten"):
        restore(tmp_path / "copy", journal, "T")
    with closing(sqlite3.connect(tmp_path / "copy")) as db, db:
        db.execute("UPDATE entry SET text = replace(text, '4471', '4472') WHERE number = 7")
    before = sorted(tmp_path.iterdir())
    with pytest.raises(JournalError, match="row 7 does not fit"):
        restore(tmp_path / "copy", tmp_path / "again", "T")
    with closing(sqlite3.connect(journal)) as db, db:
        db.execute("DELETE FROM entry WHERE number = 100")
    with pytest.raises(JournalError, match="rows 100 to 100 are missing from the end"):
        backup(journal, tmp_path / "other")
    assert sorted(one for one in tmp_path.iterdir() if not one.name.endswith(("-shm", "-wal"))) == [
        one for one in before if not one.name.endswith(("-shm", "-wal"))
    ]


def test_a_page_that_is_damaged_is_found_though_the_chain_is_whole(journal: Path) -> None:
    with closing(sqlite3.connect(journal)) as db, db:
        db.execute("PRAGMA writable_schema = ON")
        db.execute("UPDATE sqlite_master SET sql = replace(sql, '(at)', '(account)') WHERE name = 'entry_at'")
    texts, _, wrong = kept(journal)
    assert len(texts) == 100
    assert wrong
    assert all("damaged" in one for one in wrong)


def test_from_the_command_line(inside: Farend, journal: Path, tmp_path: Path) -> None:
    made = inside("journal", "backup", tmp_path / "copy", "--journal", journal, "--json")
    assert (made.code, made.objects[0]["rows"]) == (0, 100)
    assert inside("journal", "restore", tmp_path / "copy", "--journal", tmp_path / "new").code == 0
    assert inside("journal", "verify", "--journal", tmp_path / "new").code == 0
    refused = inside("journal", "backup", tmp_path / "copy", "--journal", "postgresql://bench@127.0.0.1/farend")
    assert refused.code == 2
    assert "pg_dump" in refused.err
