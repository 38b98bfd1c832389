"""Keys at rest, two keys for a time, and sealed frames that are sent again."""

import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from conftest import BOOK, KEY, SECRET, Bench, Farend, envelope, opened_answer, sealed, stamp
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from protocols.seal import Key
from receiver import book as books
from receiver.book import BookError, parse
from receiver.keys_at_rest import VARIABLE
from receiver.lines import Limits

Open = Callable[..., Bench]
NEW = "11223344556677889900AABBCCDDEEFF"
MASTER, NEXT = "5A" * 32, "C3" * 32


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A book with a key in clear, and two master keys beside it."""
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    path = tmp_path / "station.toml"
    path.write_text(BOOK.replace('name = "Harrow', '# its key, from the paper\nname = "Harrow'))
    for name, digits in (("master", MASTER), ("next", NEXT)):
        (tmp_path / f"{name}.key").write_text(f"{digits}\n")
    yield path
    monkeypatch.delenv(VARIABLE, raising=False)


def where(book: Path, name: str = "master") -> str:
    return f"file:{book.parent / name}.key"


def test_a_book_is_sealed_and_opened_and_says_nothing_of_its_keys(
    book: Path, inside: Farend, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = book.read_text()
    assert inside("book", "seal", book, "--master", where(book)).code == 0
    text = book.read_text()
    assert SECRET not in text.upper()
    assert [one for one in text.splitlines() if one not in before.splitlines()] == [
        one for one in text.splitlines() if one.startswith('key = "sealed:')
    ]
    # What stands there is AES-256-GCM as `cryptography` has it, bound to the account.
    import base64

    data = base64.urlsafe_b64decode(text.split('key = "sealed:')[1].split('"')[0].split(":")[1])
    opened = AESGCM(bytes.fromhex(MASTER)).decrypt(data[:12], data[12:], b"farend account key 1\x008C20")
    assert opened == bytes.fromhex(SECRET)
    monkeypatch.setenv(VARIABLE, where(book))
    (account,) = books.load(book).numbered("8C20")
    assert account.key
    assert account.key.encrypt(bytes(16)) == KEY.encrypt(bytes(16))


@pytest.mark.parametrize(
    ("given", "told"),
    [
        (None, "account 8C20: its key is sealed; there is no master key to open it: give --master"),
        ("next", "account 8C20: its key was sealed under master"),
        ("none", "the master key file:"),
    ],
)
def test_a_master_that_is_missing_or_another_is_told_with_account_and_line(
    book: Path, inside: Farend, monkeypatch: pytest.MonkeyPatch, given: str | None, told: str
) -> None:
    inside("book", "seal", book, "--master", where(book))
    monkeypatch.delenv(VARIABLE, raising=False)
    if given:
        monkeypatch.setenv(VARIABLE, where(book, given))
    with pytest.raises(BookError) as mistake:
        books.load(book)
    assert told in str(mistake.value)
    assert "station.toml:" in str(mistake.value)
    assert not any(secret in str(mistake.value).upper() for secret in (SECRET, MASTER, NEXT))


def test_a_book_that_is_sealed_stays_where_and_whose_it_was(book: Path, inside: Farend) -> None:
    """Whoever seals is root, most likely, and whoever reads it is not; and a link to it stays a link."""
    link = book.with_name("link.toml")
    link.symlink_to(book)
    whose = os.geteuid() or 65534, os.getegid() or 65534
    os.chown(book, *whose)
    assert inside("book", "seal", link, "--master", where(book)).code == 0
    assert link.is_symlink()
    assert SECRET not in book.read_text().upper()
    assert (book.stat().st_uid, book.stat().st_gid) == whose


def test_a_sealed_key_opens_in_no_other_account_and_not_when_changed(book: Path, inside: Farend) -> None:
    inside("book", "seal", book, "--master", where(book))
    text = book.read_text()
    for other in (text.replace('"8C20"', '"8C21"'), text.replace('"8C20"', '"8C20"\nprefix = "1"')):
        with pytest.raises(BookError, match="sealed for another account"):
            parse(other, "x", book.parent)
    head, _, rest = text.partition('"sealed:')
    changed = head + '"sealed:' + rest[:20] + ("A" if rest[20] != "A" else "B") + rest[21:]
    with pytest.raises(BookError, match="it was changed"):
        parse(changed, "x", book.parent)


def test_the_master_is_changed_and_the_old_one_opens_nothing_any_more(
    book: Path, inside: Farend, monkeypatch: pytest.MonkeyPatch
) -> None:
    inside("book", "seal", book, "--master", where(book))
    done = inside("book", "reseal", book, "--master", where(book), "--new-master", where(book, "next"))
    assert done.code == 0
    monkeypatch.setenv(VARIABLE, where(book, "next"))
    assert books.load(book).numbered("8C20")[0].key
    monkeypatch.setenv(VARIABLE, where(book))
    with pytest.raises(BookError, match="sealed under master"):
        books.load(book)


def test_systemds_credentials_are_found_by_themselves(
    book: Path, inside: Farend, monkeypatch: pytest.MonkeyPatch
) -> None:
    inside("book", "seal", book, "--master", where(book))
    monkeypatch.delenv(VARIABLE, raising=False)
    (book.parent / "farend-master").write_text(MASTER)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(book.parent))
    assert books.load(book).numbered("8C20")[0].key


# Two keys for a time


def two_keys(tmp_path: Path, seconds: float) -> books.Book:
    until = datetime.now(UTC) + timedelta(seconds=seconds)
    keys = f'key = "hex:{NEW}"\nold_key = "hex:{SECRET}"\nold_key_until = {until:%Y-%m-%dT%H:%M:%SZ}'
    return parse(BOOK.replace(f'key = "hex:{SECRET}"', keys), "station.toml", tmp_path)


def message(key: Key, sequence: int = 7, seconds: float = 0, token: str = "*SIA-DCS") -> bytes:
    return sealed(f'"{token}"{sequence:04}L0#8C20', f"#8C20|Nri1/FA3]{stamp(seconds)}", key)


async def test_both_keys_open_and_each_is_answered_with_itself(open_bench: Open, tmp_path: Path) -> None:
    bench = open_bench("tcp", book=two_keys(tmp_path, 3600))
    panel, new = await bench.panel(), Key.from_hex(NEW)
    said = await bench.say(panel, message(KEY))
    assert said.entry["verdict"] == "accepted"
    assert opened_answer(said.answer, KEY).startswith("]_")
    assert [note for note in said.entry["notes"] if "old key" in note]
    assert not [line for line in bench.told if "new key" in line]
    for sequence in (8, 9):
        said = await bench.say(panel, message(new, sequence))
        assert (said.entry["verdict"], said.entry["notes"]) == ("accepted", [])
        assert opened_answer(said.answer, new).startswith("]_")
    assert len([line for line in bench.told if "has used its new key" in line]) == 1


async def test_the_old_key_opens_no_more_when_its_time_is_over(open_bench: Open, tmp_path: Path) -> None:
    bench = open_bench("tcp", book=two_keys(tmp_path, -1))
    said = await bench.say(await bench.panel(), message(KEY))
    assert (said.entry["verdict"], said.entry["reply"], said.entry["refused_alarm"]) == ("undecryptable", "DUH", True)
    assert said.problems == ["old-key"]


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        (f'old_key = "hex:{SECRET}"', "needs key, and old_key_until"),
        (f'key = "hex:{NEW}"\nold_key = "hex:{SECRET}"', "needs key, and old_key_until"),
        (f'key = "hex:{NEW}"\nold_key = "hex:{SECRET}"\nold_key_until = 2026-12-01T00:00:00', "needs a zone"),
    ],
)
def test_a_mistake_about_two_keys_is_told_with_its_line(keys: str, told: str, tmp_path: Path) -> None:
    with pytest.raises(BookError, match=rf"station\.toml:\d+: .*{told}"):
        parse(BOOK.replace(f'key = "hex:{SECRET}"', keys), "station.toml", tmp_path)


# The same sealed bytes again


def under(frame: bytes, old: bytes, new: bytes) -> bytes:
    """The same sealed content under another head, as anybody can send it: the head is not sealed."""
    return envelope(frame[9:-1].replace(old, new, 1))


async def test_the_same_bytes_soon_are_a_repeat_and_under_another_number_a_replay(open_bench: Open) -> None:
    bench = open_bench("tcp", "udp")
    first = message(KEY)
    assert (await bench.say(await bench.panel(), first)).problems == []
    again = await bench.say(await bench.panel("udp"), first)
    assert (again.entry["verdict"], again.problems) == ("repeat", [])
    anew = await bench.say(await bench.panel(), message(KEY))
    assert (anew.entry["verdict"], anew.problems) == ("repeat", [])  # a panel's retry: other bytes, the same message
    moved = await bench.say(await bench.panel(), under(first, b'"0007', b'"0008'))
    assert (moved.entry["verdict"], moved.problems) == ("accepted", ["replayed"])
    assert bench.bench.counts.noticed["replayed"] == 1


async def test_a_recorded_poll_under_another_number_is_a_row(open_bench: Open) -> None:
    bench = open_bench("tcp")
    poll = sealed('"*NULL"0000L0#8C20', f"]{stamp()}")
    panel = await bench.panel()
    assert (await bench.say(panel, poll)).entry["verdict"] == "poll"
    assert (await bench.say(panel, under(poll, b'"0000', b'"0001'))).problems == ["replayed"]
    assert [row["verdict"] for row in bench.rows() if row["account"] == "8C20"] == ["poll"]


async def test_later_than_a_repeat_it_is_a_replay_whatever_the_window_says(open_bench: Open) -> None:
    bench = open_bench("tcp", repeat_seconds=0.0)
    first = message(KEY)
    panel = await bench.panel()
    assert (await bench.say(panel, first)).problems == []
    assert (await bench.say(panel, first)).problems == ["replayed"]


async def test_after_a_restart_the_journal_knows_what_was_sealed(open_bench: Open, reactor: Any) -> None:
    from receiver import bench as benches
    from receiver.desk import Policy
    from receiver.journal import Store

    bench, first = open_bench("tcp"), message(KEY)
    assert (await bench.say(await bench.panel(), first)).problems == []
    other = benches.Bench(
        reactor, bench.bench.book, Store(bench.path), writer=None, settings=benches.Settings(Policy(), False, Limits())
    )
    try:
        assert len(other.memory.sealed) == 1
        assert set(other.memory.sealed) == set(bench.bench.memory.sealed)
    finally:
        other._wishes.close()
        other.journal.close()
        other.store.close()
