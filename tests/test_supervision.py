"""Supervision: what an account promises, and when its silence is told. On simulated ticks; at the end on a real bench."""

import asyncio
import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.codes import table
from receiver.book import Account, AccountPath, Promise, parse
from receiver.clock import Clock
from receiver.supervision import (
    BUCKET_SECONDS,
    LINE_SILENT_AFTER,
    PAUSE_SECONDS,
    TEST_REPORTS,
    Back,
    Event,
    LineBack,
    LineSilent,
    Overdue,
    Paused,
    Supervision,
    in_words,
    overdue_among,
    span,
)
from tests.conftest import envelope, only
from tools import bench

LOOK = 0.25
TCP, UDP = ("tcp", 12009), ("udp", 12009)
WIRED, CELLULAR = Promise("wired", "poll", 180, 45), Promise("cellular", "poll", 180, 45)
DAILY = Promise("", "test", 86400, 3600)
DAY = 86400


class Watch:
    """A supervision with a simulated tick, looked at as often as the bench does, and all that it told with the time."""

    def __init__(self, **promised: Sequence[Promise]) -> None:
        self.tick = 1000.0
        self.told: list[tuple[float, Event]] = []
        self.supervision = Supervision(self.tick)
        self.take(**promised)

    def take(self, **promised: Sequence[Promise]) -> None:
        self.supervision.take([(account, promises, True) for account, promises in promised.items()], self.tick)

    def hear(self, account: str, path: str = "wired", line: Any = TCP, test: bool = False) -> None:
        self.supervision.hear(account, path, line, self.tick, test)

    def pass_by(
        self, seconds: float, *polls: tuple[str, str, Any], every: float = 60.0, look: float = LOOK
    ) -> list[Event]:
        """Let time pass, with these polls (account, path, line) at the given interval; what was told meanwhile."""
        before, end = len(self.told), self.tick + seconds
        following = self.tick + every if polls else math.inf
        while self.tick < end:
            self.tick = min(self.tick + look, end)
            if self.tick >= following:
                following += every
                for poll in polls:
                    self.hear(*poll)
            self.told += [(self.tick, event) for event in self.supervision.due(self.tick)]
        return [event for _, event in self.told[before:]]


# What is promised


def test_each_path_promises_what_the_account_says_and_its_own_figures_before_that() -> None:
    paths = (AccountPath(name="wired"), AccountPath(name="cellular", poll_seconds=3600, tolerance_seconds=300))
    account = Account(number="4471", name="x", poll_seconds=180, test_hours=24, path=paths)
    assert account.promises() == [
        Promise("wired", "poll", 180, 45),
        Promise("cellular", "poll", 3600, 300),
        Promise("", "test", DAY, 3600),
    ]


@pytest.mark.parametrize(
    ("given_", "promised"),
    [
        ({}, []),
        ({"poll_seconds": 180}, [("", "poll", 180, 45)]),
        ({"poll_seconds": 20}, [("", "poll", 20, 20)]),
        ({"poll_seconds": 180, "tolerance_seconds": 7}, [("", "poll", 180, 7)]),
        ({"test_hours": 24}, [("", "test", DAY, 3600)]),
        ({"test_hours": 24, "tolerance_seconds": 600}, [("", "test", DAY, 600)]),
        # A tolerance meant for polls would be far too little for a test.
        (
            {"test_hours": 24, "poll_seconds": 180, "tolerance_seconds": 7},
            [("", "poll", 180, 7), ("", "test", DAY, 3600)],
        ),
    ],
)
def test_where_no_tolerance_is_given_a_quarter_of_the_interval_and_at_least_20_s_for_tests_an_hour(
    given_: dict[str, Any], promised: list[Any]
) -> None:
    """Common practice."""
    assert Account(number="4471", name="x", **given_).promises() == promised


def test_two_entries_for_one_path_are_one_promise() -> None:
    """A path over two addresses, say."""
    wired = AccountPath(name="wired", line="tcp"), AccountPath(name="wired", line="tls")
    assert Account(number="4471", name="x", poll_seconds=60, path=wired).promises() == [
        Promise("wired", "poll", 60, 20)
    ]


def test_only_reports_of_a_test_are_test_reports() -> None:
    """The codes from memory of DC-05 and DC-03; that a walk test (607) proves no path is common practice."""
    rows = {**table("contact_id"), **table("two_letter")}
    assert {rows[code].category for code in TEST_REPORTS} == {"test"}
    assert {"602", "RP"} < TEST_REPORTS
    assert not {"604", "607", "TS", "TE", "XX"} & TEST_REPORTS


# When it is told


def test_silence_is_told_once_after_interval_and_tolerance_within_a_second() -> None:
    watch = Watch(a=[WIRED])
    watch.hear("a")
    assert watch.pass_by(225 - LOOK) == []
    (event,) = watch.pass_by(1)
    assert isinstance(event, Overdue)
    assert (event.account, event.promise, event.state) == ("a", WIRED, "no path left")
    assert event.silent == pytest.approx(225, abs=1)
    assert watch.pass_by(3000) == []


@pytest.mark.clause("DC-09 supervision", code="receiver.supervision.Supervision.hear", source="DC-09 5.5.2")
def test_any_message_that_comes_in_time_restarts_the_promise() -> None:
    """DC-09 5.5.2: any message restarts the supervision timer."""
    watch = Watch(a=[WIRED])
    assert watch.pass_by(5000, ("a", "wired", TCP), every=224) == []
    assert len(watch.pass_by(1000)) == 1


def test_its_return_is_noted_with_how_long_it_was_silent() -> None:
    watch = Watch(a=[WIRED])
    watch.hear("a")
    watch.pass_by(400)
    watch.hear("a")
    assert watch.pass_by(LOOK) == [Back("a", WIRED, 400, "whole")]
    assert watch.pass_by(224) == []
    assert [type(event) for event in watch.pass_by(2)] == [Overdue]


def test_one_path_of_two_is_degraded_both_are_no_path_left() -> None:
    watch = Watch(a=[WIRED, CELLULAR])
    watch.hear("a", "wired")
    watch.hear("a", "cellular", UDP)
    (event,) = watch.pass_by(300, ("a", "cellular", UDP))
    assert isinstance(event, Overdue)
    assert (event.promise.path, event.state, event.others) == ("wired", "degraded", ("cellular",))
    (event,) = watch.pass_by(300)
    assert isinstance(event, Overdue)
    assert (event.promise.path, event.state, event.others) == ("cellular", "no path left", ())
    watch.hear("a", "wired")
    (event,) = watch.pass_by(LOOK)
    assert isinstance(event, Back)
    assert event.state == "degraded"


def test_of_two_paths_lost_at_once_neither_is_told_to_be_the_others_stay() -> None:
    watch = Watch(a=[WIRED, CELLULAR])
    watch.hear("a", "wired")
    watch.hear("a", "cellular")
    events = watch.pass_by(300)
    assert [event.state for event in events if isinstance(event, Overdue)] == ["no path left"] * 2


def test_a_path_that_was_never_heard_is_told_as_such_and_is_nobodys_stay() -> None:
    watch = Watch(a=[WIRED, Promise("cellular", "poll", 3600, 900)])
    (event,) = watch.pass_by(300)
    assert isinstance(event, Overdue)
    assert (event.silent, event.state, event.others) == (None, "no path left", ())
    assert "never heard over wired" in in_words(event, "account a")


def test_a_message_over_a_path_that_promises_nothing_still_shows_that_the_account_reports() -> None:
    watch = Watch(a=[WIRED])
    (event,) = watch.pass_by(300, ("a", "phone", TCP))
    assert isinstance(event, Overdue)
    assert event.state == "degraded"


def test_a_daily_test_is_kept_by_test_reports_alone_over_any_path() -> None:
    watch = Watch(a=[DAILY])
    watch.hear("a", "wired", test=True)
    watch.pass_by(20 * 3600, look=4)
    watch.hear("a", "cellular", test=True)
    assert watch.pass_by(20 * 3600, ("a", "wired", TCP), look=4) == []
    (event,) = watch.pass_by(6 * 3600, ("a", "wired", TCP), look=4)
    assert isinstance(event, Overdue)
    assert (event.promise, event.state) == (DAILY, "degraded")
    assert event.silent == pytest.approx(25 * 3600, abs=5)


def test_a_test_promised_on_a_path_is_kept_over_that_path_alone() -> None:
    watch = Watch(a=[Promise("cellular", "test", DAY, 3600)])
    watch.hear("a", "cellular", test=True)
    watch.pass_by(DAY - 10, look=4)
    watch.hear("a", "wired", test=True)
    assert len(watch.pass_by(2 * 3600, look=4)) == 1


# When it may be our own fault


def estate(count: int, *promises: Promise) -> dict[str, Sequence[Promise]]:
    return {f"account{number}": promises or (WIRED,) for number in range(count)}


def test_a_silent_line_is_one_event_for_a_thousand_paths_and_one_when_it_is_back() -> None:
    watch = Watch(**estate(1000), other=[CELLULAR])
    for number in range(1000):
        watch.pass_by(0.18, look=0.18)
        watch.hear(f"account{number}")
    watch.hear("other", "cellular", UDP)
    events = watch.pass_by(3600, ("other", "cellular", UDP))
    assert [type(event) for event in events] == [LineSilent]
    (event,) = events
    assert isinstance(event, LineSilent)
    assert (event.line, event.paths) == (TCP, 1000)
    assert event.missed >= LINE_SILENT_AFTER
    watch.hear("account7")
    (event,) = watch.pass_by(LOOK)
    assert isinstance(event, LineBack)
    assert event.paths == 1000
    # Each has its full time anew; those that then stay away are told one by one.
    polls = [("other", "cellular", UDP), *((f"account{number}", "wired", TCP) for number in range(998))]
    assert watch.pass_by(224, *polls, every=100) == []
    assert Counter(map(type, watch.pass_by(2, *polls))) == {Overdue: 2}


def test_many_paths_that_fall_silent_while_their_line_lives_are_told_one_by_one() -> None:
    watch = Watch(**estate(1000))
    for number in range(1000):
        watch.hear(f"account{number}")
    events = watch.pass_by(300, *[(f"account{number}", "wired", TCP) for number in range(500)], every=60)
    assert Counter(map(type, events)) == {Overdue: 500}


@pytest.mark.parametrize("every", [60, 100, 180, 200])
def test_paths_that_poll_all_at_once_do_not_make_their_line_seem_silent(every: float) -> None:
    """As they do after their line was down. The gap after each round is the line's habit, and hides nobody's death."""
    watch = Watch(**estate(1000))
    polls = [(f"account{number}", "wired", TCP) for number in range(1000)]
    assert watch.pass_by(2000, *polls, every=every) == []
    events = watch.pass_by(500, *polls[500:], every=every)
    assert Counter(map(type, events)) == {Overdue: 500}
    events = watch.pass_by(2000)
    assert [type(event) for event in events] == [LineSilent]


def test_a_habit_is_forgotten_once_the_line_is_busier() -> None:
    watch = Watch(**estate(1000))
    polls = [(f"account{number}", "wired", TCP) for number in range(1000)]
    watch.pass_by(910, *polls, every=180)
    for second in range(2 * 3600 + 200):
        for number in range(second * 6, second * 6 + 6):
            watch.hear(f"account{number % 1000}")
        assert watch.pass_by(1, look=1) == []
    silent_from = watch.tick - 1
    watch.pass_by(2000)
    ((at, event),) = watch.told
    assert isinstance(event, LineSilent)
    assert at - silent_from < 180


def test_a_line_known_to_be_lost_is_silent_at_once() -> None:
    watch = Watch(**estate(3))
    for account in estate(3):
        watch.hear(account)
    watch.supervision.lose(TCP, watch.tick)
    (event,) = watch.pass_by(1000)
    assert isinstance(event, LineSilent)
    assert (event.line, event.paths) == (TCP, 3)


def test_paths_on_a_silent_line_are_nobodys_stay() -> None:
    watch = Watch(a=[WIRED, CELLULAR])
    watch.hear("a", "wired")
    watch.hear("a", "cellular", UDP)
    watch.pass_by(100, ("a", "wired", TCP))
    watch.supervision.lose(TCP, watch.tick)
    (overdue,) = only_overdue(watch.pass_by(300))
    assert (overdue.promise.path, overdue.others) == ("cellular", ())


def only_overdue(events: Sequence[Event]) -> list[Overdue]:
    return [event for event in events if isinstance(event, Overdue)]


def test_when_nothing_comes_after_the_start_that_is_one_event_too() -> None:
    watch = Watch(**estate(1000))
    (event,) = watch.pass_by(3000)
    assert isinstance(event, LineSilent)
    assert (event.line, event.paths) == (None, 1000)
    watch.hear("account0")
    assert [type(event) for event in watch.pass_by(100)] == [LineBack]
    assert Counter(map(type, watch.pass_by(225, ("account0", "wired", TCP)))) == {Overdue: 999}


@pytest.mark.parametrize(("seconds", "paused"), [(PAUSE_SECONDS - 1, False), (PAUSE_SECONDS + 1, True), (7200, True)])
def test_a_pause_of_this_process_is_one_event_and_everybody_has_the_full_time_anew(
    seconds: float, paused: bool
) -> None:
    watch = Watch(**estate(1000))
    for account in estate(1000):
        watch.hear(account)
    watch.pass_by(224 - PAUSE_SECONDS)
    watch.tick += seconds  # SIGSTOP, or the machine slept
    assert [type(event) for event in watch.pass_by(LOOK)] == ([Paused] if paused else [])
    if paused:
        polls = [(account, "wired", TCP) for account in estate(1000)]
        assert watch.pass_by(400, *polls, every=170) == []


def test_a_pause_forgives_no_daily_test_that_was_not_due_yet() -> None:
    """A bench that is started anew each night, or sleeps, would else never miss one."""
    watch = Watch(a=[DAILY], b=[DAILY])
    watch.hear("a", test=True)
    watch.pass_by(8 * 3600, look=4)
    watch.hear("b", test=True)
    watch.pass_by(15.5 * 3600, look=4)
    watch.tick += 60  # a's report may come from an hour before its time on, so it may have come now
    late = only_overdue(watch.pass_by(30 * 3600, look=4))
    assert [(event.account, round(event.silent or 0, -2)) for event in late] == [
        ("b", 25 * 3600),
        ("a", round(48.5 * 3600 + 60, -2)),
    ]


def test_what_was_told_before_the_start_is_not_told_again_but_its_return_is() -> None:
    watch = Watch(a=[WIRED], b=[WIRED])
    watch.supervision.recall("a", "wired", "poll", watch.tick - 5000, TCP)
    watch.supervision.recall("b", "wired", "poll", watch.tick - 5000, TCP)
    watch.supervision.recall_overdue("a", "wired", "poll")
    assert watch.pass_by(224) == []
    (event,) = watch.pass_by(2)  # b had its full time from the start
    assert isinstance(event, Overdue)
    assert (event.account, event.silent) == ("b", pytest.approx(5225, abs=1))
    watch.hear("a")
    (event,) = watch.pass_by(LOOK)
    assert isinstance(event, Back)
    assert event.silent == pytest.approx(5226, abs=1)


def test_a_test_report_recalled_from_before_the_start_still_counts() -> None:
    watch = Watch(a=[DAILY])
    watch.supervision.recall("a", "", "test", watch.tick - 20 * 3600)
    assert watch.pass_by(5 * 3600 - 60, look=4) == []
    assert len(watch.pass_by(120, look=4)) == 1


def test_a_time_from_the_future_is_no_longer_grace_than_any() -> None:
    """The wall clock, by which what was seen is kept, may have been set back."""
    watch = Watch(a=[WIRED])
    watch.supervision.recall("a", "wired", "poll", watch.tick + 100_000, TCP)
    assert len(watch.pass_by(230)) == 1


def test_what_is_overdue_is_told_by_the_newest_row_of_each_promise() -> None:
    def row(event: str, account: str, path: str, kind: str = "poll") -> dict[str, Any]:
        at = "2026-11-25T12:00:00.000Z"
        return {"event": event, "at": at, "account_mark": account, "path": path, "promise": kind}

    newest_first = [
        row("path-back", "a", "wired"),
        {"event": "start"},
        row("path-overdue", "a", "wired"),
        row("path-overdue", "a", "wired", "test"),
        row("path-overdue", "b", ""),
        row("path-back", "b", ""),
    ]
    assert set(overdue_among(newest_first)) == {("a", "wired", "test"), ("b", "", "poll")}


# When the book or a test changes


def test_a_book_read_again_keeps_what_is_known_and_gives_what_is_new_its_full_time() -> None:
    watch = Watch(a=[WIRED], b=[WIRED, CELLULAR], c=[WIRED])
    for account in "abc":
        watch.hear(account)
    watch.pass_by(100, ("b", "cellular", TCP), every=50)
    quick = Promise("wired", "poll", 60, 20)
    watch.take(a=[WIRED], b=[quick, CELLULAR], d=[WIRED])
    told = watch.tick
    events = watch.pass_by(600, ("b", "cellular", TCP))
    at = {event.account: tick for tick, event in watch.told if isinstance(event, Overdue)}
    assert len(events) == 3
    assert at == pytest.approx({"a": told + 125, "b": told + 80, "d": told + 225}, abs=1)


def test_what_is_overdue_stays_so_over_a_book_read_again() -> None:
    watch = Watch(a=[WIRED])
    assert len(watch.pass_by(300)) == 1
    watch.take(a=[WIRED], b=[])
    assert watch.pass_by(3000) == []
    watch.hear("a")
    assert [type(event) for event in watch.pass_by(LOOK)] == [Back]


def test_an_account_that_sleeps_is_left_alone_and_has_its_full_time_once_it_wakes() -> None:
    watch = Watch()
    watch.supervision.take([("a", [WIRED], False)], watch.tick)
    assert watch.pass_by(3000) == []
    watch.supervision.wake("a", True, watch.tick)
    assert watch.pass_by(224) == []
    assert len(watch.pass_by(2)) == 1
    watch.supervision.wake("a", False, watch.tick)
    assert watch.pass_by(3000) == []
    watch.supervision.wake("a", True, watch.tick)
    assert watch.pass_by(224) == []
    assert len(watch.pass_by(2)) == 1


# Against a model that scans all paths at every look

intervals = st.sampled_from((20, 30, 60, 90))
hearings = st.lists(
    st.tuples(st.floats(0.01, 40), st.integers(0, 3), st.sampled_from((TCP, UDP))), min_size=1, max_size=60
)


@given(promised=st.lists(st.tuples(intervals, st.integers(1, 20)), min_size=4, max_size=4), heard=hearings)
def test_it_tells_what_a_scan_of_all_paths_would_tell_within_half_a_second(
    promised: list[tuple[int, int]], heard: list[tuple[float, int, Any]]
) -> None:
    """Any order of hearing. Four paths never make a line seem silent: each is overdue before ten messages are."""
    promises = [Promise("", "poll", interval, tolerance) for interval, tolerance in promised]
    watch = Watch(**{str(number): [promise] for number, promise in enumerate(promises)})
    since, overdue, ended = [watch.tick] * 4, [False] * 4, [0.0] * 4
    expected: list[tuple[float, str, str]] = []

    def told_of(number: int) -> bool:
        last = [event for _, event in watch.told if getattr(event, "account", None) == str(number)]
        return bool(last) and isinstance(last[-1], Overdue)

    def scan(until: float) -> None:
        for number, promise in enumerate(promises):
            end = since[number] + promise.interval + promise.tolerance
            if end <= until and not overdue[number]:
                overdue[number], ended[number] = True, end
                expected.append((end, "Overdue", str(number)))

    for gap, number, line in heard:
        watch.pass_by(gap)
        scan(watch.tick)
        if overdue[number] and watch.tick - ended[number] <= LOOK + BUCKET_SECONDS and not told_of(number):
            # Broken for less than the half second that a look may be late, and kept again: nobody need hear of it.
            expected.remove(next(one for one in reversed(expected) if one[2] == str(number)))
            overdue[number] = False
        watch.hear(str(number), "", line)
        since[number] = watch.tick
        if overdue[number]:
            overdue[number] = False
            expected.append((watch.tick, "Back", str(number)))
    watch.pass_by(120)
    scan(watch.tick)
    told = [(at, type(event).__name__, getattr(event, "account", None)) for at, event in watch.told]
    assert sorted(one[1:] for one in told) == sorted(one[1:] for one in expected)
    for at, what, whose in expected:
        assert any(one[1:] == (what, whose) and 0 <= one[0] - at <= LOOK + BUCKET_SECONDS for one in told)


def test_the_measurement_finds_every_silent_path_within_a_second() -> None:
    found = bench.simulate(4000)
    assert (found["overdue"], found["wrong"]) == (found["silent"], 0)
    assert 0 < found["late_s"]["max"] < 1


def test_hearing_puts_nothing_into_the_wheel() -> None:
    """Or a talkative path would fill it: what is heard costs the same however often."""
    watch = Watch(a=[WIRED])
    wheel = watch.supervision._wheel
    for _ in range(1000):
        watch.hear("a")
    assert sum(map(len, wheel._buckets.values())) == 1


# In words


@pytest.mark.parametrize(
    ("event", "said"),
    [
        (
            Overdue("4471", CELLULAR, 225, "degraded", ("wired", "wifi")),
            "account 4471: nothing over cellular for 3 min 45 s, promised every 3 min;"
            " wired and wifi still report: degraded",
        ),
        (
            Overdue("4471", WIRED._replace(path=""), 225, "no path left", ()),
            "account 4471: nothing for 3 min 45 s, promised every 3 min; no path left: nobody would hear an alarm",
        ),
        (
            Overdue("4471", DAILY, 90000, "degraded", ("wired",)),
            "account 4471: no test report for 25 h, promised every 24 h; wired still reports: degraded",
        ),
        (
            Back("4471", CELLULAR, 7322, "whole"),
            "account 4471: it reports over cellular again after 2 h 2 min: all that it promises is kept again",
        ),
    ],
)
def test_each_event_is_a_sentence(event: Event, said: str) -> None:
    assert in_words(event, "account 4471") == said


def test_a_length_of_time_has_at_most_two_units() -> None:
    lengths = (0, 59.6, 225, 3600, 90000, 30 * 3600 + 60, 200_000)
    assert [span(length) for length in lengths] == [
        "0 s",
        "1 min",
        "3 min 45 s",
        "1 h",
        "25 h",
        "30 h 1 min",
        "2 d 7 h",
    ]


# On a real bench

PATHS = """
[[account]]
number = "4471"
name = "Tern Point field station"
poll_seconds = 30
tolerance_seconds = 10
  [[account.path]]
  name = "wired"
  line = "udp"
  prefix = "1"
  [[account.path]]
  name = "cellular"
  line = "udp"
  prefix = "2"
[[account]]
number = "8C20"
name = "Harrow Lane pumping house"
test_hours = 24
[[account]]
number = "0930"
name = "Quarry Cottage, being installed"
answer = "on-test"
poll_seconds = 30
"""


def poll(account: str, prefix: str = "0") -> bytes:
    return envelope(f'"NULL"0000L{prefix}#{account}[]')


class Simulated:
    """A bench on a simulated clock: nothing here depends on how fast the machine is."""

    def __init__(self, open_bench: Any, tmp_path: Path, book: str = PATHS) -> None:
        self.at = 1_800_000_000.0
        self.open_bench, self.tmp_path = open_bench, tmp_path
        self.book = parse(book, "station.toml", tmp_path)
        self.clock = Clock(lambda: self.at, lambda: self.at)
        self.bench = open_bench("udp", clock=self.clock, book=self.book)

    def pass_by(self, seconds: float) -> None:
        end = self.at + seconds
        while self.at < end:
            self.at = min(self.at + 1, end)
            self.bench.bench.look()

    async def rows(self, *events: str) -> list[dict[str, Any]]:
        while self.bench.bench.journal.busy:  # noqa: ASYNC110 (the journal tells nobody when it is idle)
            await asyncio.sleep(0.01)
        found = self.bench.rows(events=True)
        return [row for row in found if row.get("event") in events]


async def test_a_silent_path_is_a_row_and_a_sentence_and_so_is_its_return(open_bench: Any, tmp_path: Path) -> None:
    sim = Simulated(open_bench, tmp_path)
    panel = await sim.bench.panel("udp")
    await panel.ask(poll("4471", "1"))
    await panel.ask(poll("4471", "2"))
    for _ in range(2):
        sim.pass_by(25)
        await panel.ask(poll("4471", "1"))
    (row,) = await sim.rows("path-overdue")
    assert only([row], account="4471", path="cellular", promise="poll", state="degraded")
    assert (row["interval_seconds"], row["tolerance_seconds"]) == (30, 10)
    assert row["silent_seconds"] == pytest.approx(40, abs=1)
    assert await sim.bench.tells(
        "account 4471 Tern Point field station: nothing over cellular for 40 s, promised every 30 s; wired still reports"
    )
    await panel.ask(poll("4471", "2"))
    sim.pass_by(1)
    (row,) = await sim.rows("path-back")
    assert only([row], account="4471", path="cellular", state="whole")


async def test_a_refused_message_keeps_no_promise(open_bench: Any, tmp_path: Path) -> None:
    sim = Simulated(open_bench, tmp_path)
    panel = await sim.bench.panel("udp")
    await panel.ask(poll("4471", "1"))
    sim.pass_by(25)
    await panel.ask(envelope('"SIA-DCS"0001L1#4471[#4471|BA15]'))  # unsupported: DUH
    sim.pass_by(16)
    assert only(await sim.rows("path-overdue"), path="wired")


async def test_a_daily_test_is_missed_though_openings_come(open_bench: Any, tmp_path: Path) -> None:
    sim = Simulated(open_bench, tmp_path)
    panel = await sim.bench.panel("udp")
    await panel.ask(envelope('"ADM-CID"0001L0#8C20[#8C20|1602 00 000]'))
    for sequence in range(2, 27):
        for _ in range(900):
            sim.at += 4
            sim.bench.bench.look()
        await panel.ask(envelope(f'"ADM-CID"{sequence:04d}L0#8C20[#8C20|1401 01 002]'))
    sim.pass_by(2)
    (row,) = only(await sim.rows("path-overdue"), account="8C20")
    assert (row["promise"], row["path"], row["state"]) == ("test", "", "degraded")


async def test_a_restart_neither_forgets_nor_repeats_what_is_overdue(open_bench: Any, tmp_path: Path) -> None:
    sim = Simulated(open_bench, tmp_path)
    panel = await sim.bench.panel("udp")
    await panel.ask(poll("4471", "1"))
    sim.pass_by(60)
    assert len(await sim.rows("path-overdue")) == 2
    bench = sim.bench.bench
    bench._supervise([("udp", "127.0.0.1", sim.bench.ports["udp"][1])])  # what a start does with the same journal
    sim.pass_by(300)
    assert len(await sim.rows("path-overdue")) == 2
    await panel.ask(poll("4471", "1"))
    sim.pass_by(1)
    (row,) = await sim.rows("path-back")
    assert row["silent_seconds"] == pytest.approx(360, abs=2)


async def test_an_account_that_answers_only_on_test_is_supervised_only_then(open_bench: Any, tmp_path: Path) -> None:
    sim = Simulated(open_bench, tmp_path)
    sim.pass_by(100)
    assert not only(await sim.rows("path-overdue"), account="0930")
    sim.bench.wish(wish="on-test", account="0930", until="2100-01-01T00:00:00Z", reference="r")
    sim.bench.bench.take_wishes()
    sim.pass_by(60)
    assert len(only(await sim.rows("path-overdue"), account="0930")) == 1
    sim.bench.wish(wish="off-test", account="0930")
    sim.bench.bench.take_wishes()
    sim.pass_by(100)
    assert len(only(await sim.rows("path-overdue"), account="0930")) == 1


async def test_a_book_read_again_is_supervised(open_bench: Any, tmp_path: Path) -> None:
    sim = Simulated(open_bench, tmp_path)
    sim.pass_by(30)
    other = PATHS.replace("8C20", "8C21").replace("test_hours = 24", "poll_seconds = 60")
    sim.bench.bench.take_book(parse(other, "station.toml", tmp_path))
    sim.pass_by(81)
    assert only(await sim.rows("path-overdue"), account="8C21")


async def test_a_line_that_is_lost_is_one_row(open_bench: Any, tmp_path: Path) -> None:
    sim = Simulated(open_bench, tmp_path)
    panel = await sim.bench.panel("udp")
    await panel.ask(poll("4471", "1"))
    await panel.ask(poll("4471", "2"))
    sim.bench.bench.line_lost("udp", sim.bench.ports["udp"][1], "somebody pulled the cable")
    sim.pass_by(200)
    assert [row["paths"] for row in await sim.rows("line-silent")] == [2]
    assert not only(await sim.rows("path-overdue"), account="4471")
    await panel.ask(poll("4471", "1"))
    sim.pass_by(1)
    assert len(await sim.rows("line-back")) == 1


async def test_a_bench_that_did_not_look_tells_one_pause_and_no_path(open_bench: Any, tmp_path: Path) -> None:
    sim = Simulated(open_bench, tmp_path)
    panel = await sim.bench.panel("udp")
    await panel.ask(poll("4471", "1"))
    sim.pass_by(39)
    sim.at += 3600  # stopped, or asleep
    sim.pass_by(39)
    assert [row["seconds"] for row in await sim.rows("paused")] == [pytest.approx(3601)]
    assert not await sim.rows("path-overdue")


async def test_while_the_journal_cannot_write_nobody_is_answered_and_nobody_is_overdue(
    open_bench: Any, tmp_path: Path
) -> None:
    sim = Simulated(open_bench, tmp_path)
    journal = sim.bench.bench.journal
    journal.failing = True
    sim.pass_by(300)
    journal.failing = False
    sim.pass_by(39)
    assert len(await sim.rows("paused")) == 1
    assert not await sim.rows("path-overdue")


async def test_journal_paths_shows_what_is_promised_and_what_is_overdue(
    open_bench: Any, tmp_path: Path, inside: Any
) -> None:
    sim = Simulated(open_bench, tmp_path)
    panel = await sim.bench.panel("udp")
    await panel.ask(poll("4471", "1"))
    sim.pass_by(25)
    await panel.ask(poll("4471", "1"))
    sim.pass_by(25)
    assert len(await sim.rows("path-overdue")) == 1
    (tmp_path / "station.toml").write_text(PATHS)
    where = "--journal", sim.bench.path, "--book", "station.toml"
    found = {(one["account"], one["path"]): one for one in inside("journal", "paths", *where, "--json").objects}
    assert found["4471", "wired"]["overdue"] == []
    assert found["4471", "cellular"]["overdue"] == ["poll"]
    assert found["4471", "cellular"]["promises"] == [
        {"path": "cellular", "kind": "poll", "interval": 30, "tolerance": 10}
    ]
    assert found["8C20", ""]["promises"][0]["kind"] == "test"
    assert b"cellular     last never  polls 0  poll every 30 s  POLL OVERDUE" in inside("journal", "paths", *where).out
