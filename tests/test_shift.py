"""What engineers do between them: refused alarms stay until somebody has handled them; notes and the hand-over."""

import asyncio
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import orjson
import pytest
from conftest import BOOK, only
from hypothesis import given
from hypothesis import strategies as st

from protocols.dc09 import build
from protocols.envelope import read_all
from receiver import book as books
from receiver import shift as shifts
from receiver.desk import Memory, Origin, entry, judge
from receiver.journal import Row, Store, whose
from receiver.shift import ShiftError, fold, hand_over, handle, note, open_refusals, shift, take_over

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
STATION = books.parse(BOOK, "station.toml", Path())


def alarm_row(
    number: int, account: str = "4417", zone: str = "015", host: str = "192.0.2.9", code: str = "1131"
) -> Any:
    """What the desk made of an alarm, as the journal keeps it: refused, where the book has no such account."""
    (piece,) = read_all(build("ADM-CID", number, account, f"{code} 01 {zone}", stamp=None))
    at = NOW + timedelta(seconds=number)
    origin = Origin("tcp", 12009, host, f"{host}:4000")
    found = entry(judge(piece, STATION, Memory(), origin, at, 1000.0 + number, row=number), at, origin)
    return found | {"row": number}


ROWS = {zone: alarm_row(1, zone=zone) for zone in ("015", "016", "017")}


def to_row(found: dict[str, Any]) -> Row:
    return Row(found["row"], found["at"], whose(found), found["verdict"], orjson.dumps(found))


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Rows 1 to 4: a storm of one zone with another account's alarm in between; row 5 was accepted."""
    path = tmp_path / "station.journal"
    with closing(Store(path, write=True)) as store:
        rows = [alarm_row(1), alarm_row(2), alarm_row(3, "4418"), alarm_row(4), alarm_row(5, "4471")]
        store.append([to_row(row) for row in rows])
    return path


def lines(journal: Path) -> list[tuple[str | None, list[int]]]:
    with closing(Store(journal)) as store:
        return [(line.account, line.rows) for line in open_refusals(store)]


def said(journal: Path, event: str) -> list[dict[str, Any]]:
    with closing(Store(journal)) as store:
        return list(store.events(event))


def test_refused_alarms_stand_the_last_one_first_and_a_storm_is_one_line(journal: Path) -> None:
    assert lines(journal) == [("4417", [1, 2, 4]), ("4418", [3])]
    with closing(Store(journal)) as store:
        line = open_refusals(store)[0].to_json()
    assert (line["first"], line["last"], line["count"]) == (1, 4, 3)
    assert (line["first_at"], line["last_at"]) == ("2026-11-25T12:00:01.000Z", "2026-11-25T12:00:04.000Z")
    assert line["said"] == "4417: Perimeter burglary alarm, area 01, zone 015"
    assert (line["verdicts"], line["peers"]) == (["unknown-account"], ["192.0.2.9 (tcp)"])


def test_other_signals_and_other_callers_are_other_lines() -> None:
    rows = [alarm_row(1), alarm_row(2, zone="016"), alarm_row(3, code="1110"), alarm_row(4, host="192.0.2.10")]
    assert [line.rows for line in fold(rows, [])] == [[4], [3], [2], [1]]


def test_handling_a_line_handles_all_of_it_in_one_row_that_says_who_and_what(journal: Path) -> None:
    handle(journal, 2, "called the keyholder: cleaners", "E. Example")
    assert lines(journal) == [("4418", [3])]
    (row,) = said(journal, "handled")
    assert only([row], first=1, last=4, count=3, by="E. Example", did="called the keyholder: cleaners", account="4417")
    assert row["detail"] == (
        "4417: Perimeter burglary alarm, area 01, zone 015 (3 rows, 1 to 4): called the keyholder: cleaners (E. Example)"
    )


def test_what_came_after_somebody_looked_stays_open(journal: Path) -> None:
    handle(journal, 1, "a test", "E. Example", last=2)
    assert lines(journal) == [("4417", [4]), ("4418", [3])]
    handle(journal, 4, "again", "E. Example")
    with closing(Store(journal, write=True)) as store:
        store.append([to_row(alarm_row(store.number + 1))])
    assert lines(journal) == [("4417", [8]), ("4418", [3])]


@pytest.mark.parametrize(
    ("row", "did", "by", "says"),
    [
        (1, "  ", "E. Example", "what was done is empty"),
        (1, "called", "", "who did it is empty"),
        (1, "x" * 4001, "E. Example", "4001 characters; 4000 at most"),
        (1, "half \ud800", "E. Example", "half a character"),
        (5, "called", "E. Example", "row 5 is no refused alarm"),
        (99, "called", "E. Example", "row 99 is no refused alarm"),
    ],
)
def test_what_cannot_be_handled_is_refused_with_a_sentence(
    journal: Path, row: int, did: str, by: str, says: str
) -> None:
    with pytest.raises(ShiftError, match=says):
        handle(journal, row, did, by)
    assert not said(journal, "handled")


def test_what_is_handled_is_not_handled_twice(journal: Path) -> None:
    handle(journal, 4, "called", "E. Example")
    with pytest.raises(ShiftError, match="row 2 has been handled already"):
        handle(journal, 2, "called", "F. Example")
    assert len(said(journal, "handled")) == 1


@given(st.data())
def test_every_refused_alarm_is_in_one_line_or_handled_by_a_row_that_covers_it(data: st.DataObject) -> None:
    """Whatever was handled, and in whatever order: nothing is open twice, and nothing closes that nobody handled."""
    kinds = data.draw(st.lists(st.sampled_from(["015", "016", "017"]), min_size=1, max_size=12))
    rows = [ROWS[zone] | {"row": number} for number, zone in enumerate(kinds, 1)]
    handled = []
    for _ in range(data.draw(st.integers(0, 4))):
        open_lines = fold(rows, handled)
        if open_lines:
            line = data.draw(st.sampled_from(open_lines))
            handled.insert(0, {"first": line.first, "last": data.draw(st.sampled_from(line.rows))})
    zone_of = dict(enumerate(kinds, 1))
    closed = {
        row
        for one in handled
        for row, zone in zone_of.items()
        if one["first"] <= row <= one["last"] and zone == zone_of[one["first"]]
    }
    left = [row for line in fold(rows, handled) for row in line.rows]
    assert sorted(left) == sorted(set(zone_of) - closed)
    assert all(len({zone_of[row] for row in line.rows}) == 1 for line in fold(rows, handled))


# Notes and hand-over


def running(journal: Path) -> shifts.Shift:
    with closing(Store(journal)) as store:
        return shift(store.events(*shifts.EVENTS))


def test_notes_stand_from_the_last_hand_over_that_was_taken(journal: Path) -> None:
    note(journal, "the line card of 4471 is changed tonight", "A. Example", STATION.accounts[0])
    hand_over(journal, "watch 4471", "A. Example", "B. Example")
    note(journal, "still here for an hour", "A. Example")
    waits = running(journal)
    assert [one["text"] for one in waits.notes] == [
        "still here for an hour",
        "the line card of 4471 is changed tonight",
    ]
    assert waits.notes[1]["account_mark"] == "4471"
    assert waits.waiting is not None
    assert (waits.waiting.by, waits.waiting.to, waits.waiting.text) == ("A. Example", "B. Example", "watch 4471")
    assert waits.taken is None
    take_over(journal, waits.waiting.row, "B. Example")
    taken = running(journal)
    assert [one["text"] for one in taken.notes] == ["still here for an hour"]
    assert taken.waiting is None
    assert taken.taken is not None
    assert (taken.taken.text, taken.taken.taken_by) == ("watch 4471", "B. Example")
    assert taken.taken.taken_at > taken.taken.at


def test_the_notes_of_the_shift_before_are_there_for_the_one_that_took_over(journal: Path) -> None:
    for who, to in (("A. Example", "B. Example"), ("B. Example", "C. Example")):
        note(journal, f"by {who}", who)
        hand_over(journal, "all quiet", who, to)
        waiting = running(journal).waiting
        assert waiting is not None
        take_over(journal, waiting.row, to)
    now = running(journal)
    assert (now.notes, [one["text"] for one in now.before]) == ([], ["by B. Example"])


def test_a_note_keeps_its_lines_and_its_row_tells_it_in_one(journal: Path) -> None:
    note(journal, " first\r\nsecond\n", "A. Example")
    (row,) = said(journal, "shift-note")
    assert (row["text"], row["detail"]) == ("first\nsecond", "first second (A. Example)")


def test_only_the_newest_hand_over_waits_and_it_is_taken_once(journal: Path) -> None:
    hand_over(journal, "first", "A. Example", "B. Example")
    hand_over(journal, "said again, rightly", "A. Example", "C. Example")
    first, second = sorted(row["row"] for row in said(journal, "hand-over"))
    with pytest.raises(ShiftError, match=f"no hand-over waits in row {first}"):
        take_over(journal, first, "B. Example")
    take_over(journal, second, "C. Example")
    with pytest.raises(ShiftError, match="somebody has taken it"):
        take_over(journal, second, "B. Example")
    assert len(said(journal, "taken-over")) == 1


REFUSED: list[Callable[[Path], int]] = [
    lambda path: note(path, " ", "A. Example"),
    lambda path: note(path, "words", " "),
    lambda path: hand_over(path, "", "A. Example", "B. Example"),
    lambda path: hand_over(path, "words", "A. Example", ""),
    lambda path: take_over(path, 1, "B. Example"),
    lambda path: take_over(path, 1, ""),
]


@pytest.mark.parametrize("act", REFUSED)
def test_empty_words_and_what_is_no_hand_over_are_refused(journal: Path, act: Callable[[Path], int]) -> None:
    with pytest.raises(ShiftError):
        act(journal)
    assert not [*said(journal, "shift-note"), *said(journal, "hand-over"), *said(journal, "taken-over")]


async def test_beside_a_running_bench_it_is_the_bench_that_writes_the_row(open_bench: Any) -> None:
    """And the alarm that it refused is the one that is handled."""
    bench = open_bench("tcp")
    panel = await bench.panel()
    await panel.ask(build("ADM-CID", 7, "4417", "1131 01 015", stamp=None))
    with closing(Store(bench.path)) as store:
        (line,) = open_refusals(store)
        await asyncio.to_thread(handle, bench.path, line.first, "called", "E. Example")
        assert open_refusals(store) == []
        assert not [wrong for _, wrong in store.verify() if wrong]
