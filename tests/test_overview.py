"""Lines and paths in sentences: what was heard, what is promised, what is overdue, and what needs somebody first."""

from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from conftest import alarm

from receiver.book import parse
from receiver.desk import millis
from receiver.journal import Seen, Store
from receiver.overview import Overview, look, on_test, overview

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
BOOK = parse(
    """
[[account]]
number = "4471"
name = "Tern Point field station"
poll_seconds = 90
tolerance_seconds = 45
  [[account.path]]
  name = "cellular"
  prefix = "1"
  [[account.path]]
  name = "wired"
  prefix = "2"
[[account]]
number = "8C20"
name = "Harrow Lane pumping house"
test_hours = 24
[[account]]
number = "0930"
name = "Quarry Cottage"
answer = "on-test"
poll_seconds = 60
[[account]]
number = "120077"
name = "Old Mill archive"
""",
    "book",
    Path(),
)
START = {"event": "start", "listening": [{"line": "udp", "host": "127.0.0.1", "port": 12009}]}
OVERDUE = {"event": "path-overdue", "account_mark": "4471", "path": "cellular", "promise": "poll"}


def before(seconds: float) -> str:
    return millis(NOW - timedelta(seconds=seconds))


def told(events: list[dict[str, Any]], *seen: Seen, runs: bool = True) -> Overview:
    """What there is to see; `events` are given in order, each with how many seconds ago it was."""
    rows = [event | {"at": before(event.get("ago", 60))} for event in reversed(events)]
    return overview(seen, rows, BOOK, NOW, runs=runs)


def sentence(found: Overview, mark: str, path: str = "") -> tuple[str, bool]:
    (one,) = [one for one in found.paths if (one.about, one.path) == (mark, path)]
    return one.text, one.needs


CELLULAR = Seen("4471", "udp", "cellular", before(180), 12)
WIRED = Seen("4471", "udp", "wired", before(20), 12)


def test_a_path_says_when_it_was_heard_what_it_promises_and_for_how_long_it_is_overdue() -> None:
    found = told([START, OVERDUE | {"ago": 45}], CELLULAR, WIRED)
    overdue = "cellular: last heard 3 min ago over udp; a poll is promised every 1 min 30 s: overdue for 45 s"
    assert sentence(found, "4471", "cellular") == (overdue, True)
    kept = "wired: last heard 20 s ago over udp; a poll is promised every 1 min 30 s"
    assert sentence(found, "4471", "wired") == (kept, False)


def test_one_that_is_back_is_overdue_no_more() -> None:
    back = OVERDUE | {"event": "path-back", "ago": 5}
    assert sentence(told([START, OVERDUE, back], CELLULAR), "4471", "cellular")[1] is False


def test_a_path_that_never_came_needs_somebody_if_it_promises_anything() -> None:
    found = told([START], WIRED)
    assert sentence(found, "4471", "cellular") == ("cellular: never heard; a poll is promised every 1 min 30 s", True)
    assert sentence(found, "8C20") == ("any path: never heard; a test report is promised every 24 h", True)


def test_a_test_over_any_path_is_no_path_that_never_came() -> None:
    found = told([START], Seen("8C20", "tcp", "lan", before(60), 0))
    assert sentence(found, "8C20") == ("any path: a test report is promised every 24 h", False)


def test_a_path_without_a_promise_says_that_its_silence_would_not_be_noticed() -> None:
    text, needs = sentence(told([START], Seen("120077", "tcp", "", before(9000), 0)), "120077")
    assert (text, needs) == (
        "tcp: last heard 2 h 30 min ago; nothing is promised, so nobody would notice its silence",
        False,
    )


def test_an_account_that_answers_only_on_test_is_watched_only_then() -> None:
    seen, overdue = Seen("930", "udp", "", before(9000), 1), OVERDUE | {"account_mark": "930", "path": ""}
    text, needs = sentence(told([START, overdue], seen), "930")
    assert (text.endswith("not watched outside of its test"), needs) == (True, False)
    test = {"event": "on-test", "account_mark": "930", "until": millis(NOW + timedelta(hours=1))}
    text, needs = sentence(told([START, test, overdue], seen), "930")
    assert (text.endswith("overdue for 1 min"), needs) == (True, True)


def test_an_account_that_has_left_the_book_is_still_shown_and_called_so() -> None:
    text, needs = sentence(told([START], Seen("4499", "tcp", "", before(30), 0)), "4499")
    assert ("the book has no such account" in text, needs) == (True, False)


def test_what_needs_somebody_comes_first() -> None:
    found = told([START, OVERDUE], CELLULAR, WIRED)
    needs = [one.needs for one in found.paths]
    assert needs == sorted(needs, reverse=True)
    assert [(one.about, one.path) for one in found.needing] == [("4471", "cellular"), ("8C20", "")]
    assert found.paths[0].name == "Tern Point field station"


@pytest.mark.parametrize(
    ("events", "says", "needs"),
    [
        ([START], "udp 12009: has listened for 1 min; nothing is known against it", False),
        (
            [START, {"event": "line-silent", "line": "udp", "port": 12009, "paths": 40, "silent_seconds": 300}],
            "udp 12009: nothing has come for 6 min, and 40 paths were last heard over it: our own line?",
            True,
        ),
        (
            [
                START,
                {"event": "line-silent", "line": "udp", "port": 12009, "paths": 40, "silent_seconds": 300},
                {"event": "line-back", "line": "udp", "port": 12009, "paths": 40, "silent_seconds": 400, "ago": 30},
            ],
            "udp 12009: has brought something again for 30 s, after 6 min 40 s of silence",
            False,
        ),
        (
            [
                START,
                {"event": "line-lost", "line": "udp", "port": 12009, "detail": "udp: no such device"},
                {"event": "line-silent", "line": "udp", "port": 12009, "paths": 4, "silent_seconds": 0, "ago": 59},
            ],
            "udp 12009: lost 1 min ago: nothing can come in over it (udp: no such device)",
            True,
        ),
        (
            [{"event": "line-silent", "line": "udp", "port": 12009, "paths": 4, "silent_seconds": 9}, START],
            "udp 12009: has listened for 1 min; nothing is known against it",
            False,
        ),
    ],
)
def test_a_line_says_what_was_last_told_of_it_since_the_start(events: Any, says: str, needs: bool) -> None:
    (line,) = told(events).lines
    assert (line.text, line.needs) == (says, needs)


@pytest.mark.parametrize(
    ("events", "runs", "says", "needs"),
    [
        ([START], True, "The bench has run for 1 min.", False),
        ([], False, "No bench runs: whatever is sent here now is neither kept nor answered.", True),
        ([START, {"event": "stop", "ago": 30}], False, "; the last one stopped 30 s ago.", True),
        ([START], False, "; the last one started, and did not say that it stopped, 1 min ago.", True),
        ([START, {"event": "clock-stepped", "ago": 10}], True, "Its clock stepped 10 s ago", True),
        ([START, {"event": "clock-stepped"}, {"event": "clock-confirmed"}], True, "has run for 1 min.", False),
    ],
)
def test_it_says_whether_a_bench_runs_at_all(events: Any, runs: bool, says: str, needs: bool) -> None:
    found = told(events, runs=runs)
    assert (says in found.bench.text, found.bench.needs) == (True, needs)


def test_on_test_is_who_was_put_there_last_and_whose_time_is_not_over() -> None:
    def row(event: str, mark: str, minutes: int = 0) -> dict[str, Any]:
        return {"event": event, "account_mark": mark, "until": millis(NOW + timedelta(minutes=minutes))}

    newest_first = [row("off-test", "1"), row("on-test", "1", 9), row("on-test", "2", 5), row("on-test", "3", -1)]
    assert {mark: event["until"] for mark, event in on_test(newest_first, NOW).items()} == {"2": before(-300)}


async def test_a_real_bench_is_seen_to_run_with_its_lines(open_bench: Callable[..., Any]) -> None:
    bench = open_bench("tcp", "udp")
    panel = await bench.panel()
    await panel.ask(alarm(7))  # its row comes after that of the start
    with closing(Store(bench.path)) as store:
        found = look(store, bench.bench.book, datetime.now(UTC))
    assert found.runs
    assert {one.about for one in found.lines} == {f"{line} {bench.ports[line][1]}" for line in ("tcp", "udp")}
    assert not [one for one in found.lines if one.needs]
    assert ("4471", "wired") in {(one.about, one.path) for one in found.paths if one.at}
