"""What is in a recording: its figures against made recordings and Python's `statistics`, and its picture."""

import random
import statistics
import xml.etree.ElementTree as ElementTree
from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from conftest import Farend
from hdrh.histogram import HdrHistogram
from hypothesis import given
from hypothesis import strategies as st

from protocols.dc09 import build, decode
from protocols.exchange import Word, answer
from protocols.seal import Key
from protocols.values import LIFE_SAFETY
from receiver import capture
from receiver.book import Book, parse
from receiver.capture import Happening
from receiver.rehearing import Judging
from receiver.sight import MOST_SILENCES, AccountSight, Sight, Slope, Times, Wanted, look
from receiver.sight_picture import LETTERS, MOST_MARKS, MOST_ROWS, SIGNS, Drawing, page, picture
from receiver.sight_words import sheets, took

ROOT = Path(__file__).parents[1]
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
SVG = "{http://www.w3.org/2000/svg}"
SECRET = bytes(range(16))
BOOK = parse(
    f"""
    # Invented for the tests.
    [[account]]
    number = "4471"
    name = "Tern Point field station"
    poll_seconds = 180
      [[account.path]]
      name = "wired"
      prefix = "1"
      [[account.path]]
      name = "cellular"
      prefix = "3"
      poll_seconds = 3600
    [[account]]
    number = "8C20"
    name = "Harrow Lane pumping house"
    key = "hex:{SECRET.hex()}"
    """,
    "test.toml",
    Path(),
)
ALL = Wanted()


def after(seconds: float) -> datetime:
    return NOON + timedelta(seconds=seconds)


def message(sequence: int, account: str = "4471", said: str = "1131 01 015", **more: Any) -> bytes:
    return build("ADM-CID", sequence, account, said, **{"prefix": "1", **more})


def poll(account: str = "4471", **more: Any) -> bytes:
    return build("NULL", 0, account, **{"prefix": "1", **more})


def said(seconds: float, data: bytes, connection: str = "tcp-1") -> Happening:
    return Happening(after(seconds), connection, "panel", data, "tcp", "192.0.2.7:4000")


def answered(seconds: float, word: Word, to: bytes, connection: str = "tcp-1", key: Key | None = None) -> Happening:
    moment = after(seconds)
    return Happening(
        moment, connection, "receiver", answer(word, decode(to, key), moment, key), "tcp", "192.0.2.7:4000"
    )


def seen(happenings: Iterable[Happening], book: Book = BOOK, wanted: Wanted = ALL) -> Sight:
    return look(happenings, Judging(book), wanted)


def only(sight: Sight) -> AccountSight:
    (account,) = sight.accounts.values()
    return account


BOTH = pytest.mark.parametrize("book", [BOOK, Book()], ids=["with a book", "without"])


@BOTH
def test_a_gap_is_counted_with_its_numbers_and_the_largest_is_found(book: Book) -> None:
    numbers = [7, 8, 12, 13, 15]
    account = only(seen([said(place, message(number)) for place, number in enumerate(numbers)], book))
    count = account.counts[None]
    assert (count.gaps, count.missing, count.late) == (2, 4, 0)
    assert count.largest is not None
    assert (count.largest.missing, count.largest.before, count.largest.after) == (3, 8, 12)
    assert (count.largest.number, count.largest.at) == (3, after(2))


@BOTH
def test_a_number_that_comes_late_is_no_longer_missing_and_does_not_set_the_count_back(book: Book) -> None:
    numbers = [7, 9, 8, 10]
    count = only(seen([said(place, message(number)) for place, number in enumerate(numbers)], book)).counts[None]
    assert (count.gaps, count.missing, count.late) == (1, 0, 1)


def test_numbers_missing_about_a_wrap_may_come_late_too() -> None:
    numbers = [9997, 2, 9999, 1, 3]
    count = only(seen([said(place, message(number)) for place, number in enumerate(numbers)])).counts[None]
    assert (count.gaps, count.missing, count.late, count.restarts) == (1, 1, 2, 0)


@given(st.sets(st.integers(0, 59), min_size=1).map(sorted), st.integers(1, 9999))
def test_what_is_missing_is_what_was_not_sent(places: list[int], first: int) -> None:
    """Wherever the count begins, also where it passes 9999."""
    numbers = [(first + place - 1) % 9999 + 1 for place in places]
    count = only(seen([said(place, message(number)) for place, number in zip(places, numbers, strict=True)])).counts[
        None
    ]
    assert count.missing == places[-1] - places[0] + 1 - len(places)
    assert (count.restarts, count.reused, count.late) == (0, 0, 0)


def test_a_wrap_past_9999_is_no_gap_and_a_fall_to_a_low_number_is_a_restart() -> None:
    numbers = [9998, 9999, 1, 2, 500, 1]
    at_leisure = [said(1000 * place, message(number)) for place, number in enumerate(numbers)]
    count = only(seen(at_leisure)).counts[None]
    assert (count.gaps, count.missing, count.restarts, count.reused) == (1, 497, 1, 0)


def test_a_number_that_comes_again_with_other_data_is_reused() -> None:
    account = only(seen([said(0, message(7)), said(1, message(7, said="1110 01 017"))]))
    assert (account.counts[None].reused, account.repeats.number) == (1, 0)


@BOTH
def test_a_repeat_is_the_same_message_again_and_is_told_by_how_long_after_the_first(book: Book) -> None:
    account = only(seen([said(0, message(7)), said(20, message(7)), said(45, message(7)), said(46, message(8))], book))
    assert (account.messages, account.repeats.number, account.counts[None].gaps) == (4, 2, 0)
    assert (account.repeats.percentile(1), account.repeats.longest) == (20, 45)


def test_a_panel_that_counts_on_each_path_by_itself_misses_nothing() -> None:
    turns = [(1, "1"), (50, "3"), (2, "1"), (51, "3"), (3, "1"), (52, "3")]
    account = only(seen([said(place, message(number, prefix=way)) for place, (number, way) in enumerate(turns)]))
    assert account.scope == "one"
    assert {path: count.missing for path, count in account.in_scope().items()} == {"wired": 0, "cellular": 0}


def test_what_is_sealed_and_cannot_be_opened_is_counted_by_its_numbers() -> None:
    frames = [message(number, "8C20", key=Key(SECRET), stamp=NOON) for number in (1, 1, 2, 5)]
    account = only(seen([said(place, frame) for place, frame in enumerate(frames)], Book()))
    assert (account.sealed, account.repeats.number, account.counts[None].missing) == (4, 1, 2)


@pytest.mark.parametrize(("gains", "day"), [(1, 24), (-1, -24), (0, 0), (2.5, 60)])
def test_a_panel_that_drifts_a_second_an_hour_drifts_24_a_day(gains: float, day: float) -> None:
    """Stamps count whole seconds, so the line is true to a small part of one over two days."""
    hours = range(49)
    frames = [
        said(3600 * hour + 0.5, poll(stamp=after(3600 * hour + 0.5 + gains * hour).replace(microsecond=0)))
        for hour in hours
    ]
    clock = only(seen(frames)).clock
    assert clock.drift is not None
    slope, error = clock.drift
    assert slope == pytest.approx(day, abs=0.2)
    assert abs(slope - day) <= max(3 * error, 1e-6)
    assert clock.last - clock.first == pytest.approx(48 * gains, abs=1)


def test_stamps_within_an_hour_say_where_the_clock_is_and_not_how_it_drifts() -> None:
    clock = only(seen([said(minute * 60, poll(stamp=after(minute * 60 + 5))) for minute in range(30)])).clock
    assert (clock.first, clock.last, clock.drift) == (5, 5, None)


def test_a_repeat_says_nothing_of_the_clock_since_it_was_stamped_before() -> None:
    frame = message(7, stamp=NOON)
    assert only(seen([said(0, frame), said(60, frame)])).clock.line.number == 1


points = st.lists(st.tuples(st.integers(0, 10**6), st.integers(-1000, 1000)), min_size=3, max_size=50).filter(
    lambda found: len({x for x, _ in found}) > 1
)


@given(points)
def test_the_slope_is_that_of_the_statistics_module(found: list[tuple[int, int]]) -> None:
    line = Slope()
    for x, y in found:
        line.add(x, y)
    assert line.slope == pytest.approx(
        statistics.linear_regression(*zip(*found, strict=True)).slope, rel=1e-6, abs=1e-9
    )


@given(st.lists(st.integers(1, 10**10), min_size=1, max_size=30), st.sampled_from((1, 50, 90, 99, 100)))
def test_percentiles_are_those_of_an_hdr_histogram_within_a_thousandth(micros: list[int], percent: int) -> None:
    """Each a hundred times, so that every percentile is a whole rank: the histogram rounds others to the nearest."""
    times, reference = Times(), HdrHistogram(1, 10**11, 3)
    for micro in micros:
        reference.record_value(micro, 100)
        for _ in range(100):
            times.add(micro / 1_000_000)
    found = times.percentile(percent)
    assert found is not None
    assert found * 1_000_000 == pytest.approx(reference.get_value_at_percentile(percent), rel=0.0011, abs=1)
    assert (times.number, times.longest) == (100 * len(micros), max(micros) / 1_000_000)


@given(st.lists(st.floats(0.000001, 1e6), min_size=1, max_size=60))
def test_the_median_is_that_of_the_statistics_module_within_a_thousandth(values: list[float]) -> None:
    times = Times()
    for value in values:
        times.add(value)
    assert times.percentile(50) == pytest.approx(statistics.median_low(values), rel=0.0011, abs=1e-6)


def test_times_that_are_all_alike_come_out_as_they_were_and_of_nothing_there_is_no_percentile() -> None:
    times = Times()
    assert (times.percentile(50), times.to_json()) == (None, None)
    for _ in range(1000):
        times.add(180)
    assert (times.percentile(50), times.percentile(99), times.longest) == (180, 180, 180)


def test_answers_are_counted_by_word_with_their_delays_and_what_got_none() -> None:
    frames = [message(number) for number in range(1, 6)]
    happenings = []
    for place, (frame, word) in enumerate(zip(frames, ("ACK", "ACK", "DUH", "NAK", "none"), strict=True)):
        happenings.append(said(100 * place, frame))
        if word != "none":
            happenings.append(answered(100 * place + (place + 1) / 10, word, frame))
    account = only(seen(happenings))
    assert account.answers == {"ACK": 2, "DUH": 1, "NAK": 1}
    assert account.unanswered == 1
    assert account.delays.percentile(50) == pytest.approx(statistics.median_low([0.1, 0.2, 0.3, 0.4]))
    assert account.delays.longest == pytest.approx(0.4)


def test_an_answer_that_is_not_the_one_of_our_desk_is_told_and_silence_too() -> None:
    frames = [message(1), message(2), message(3)]
    happenings = [
        said(0, frames[0]), answered(0.1, "ACK", frames[0]),
        said(1, frames[1]), answered(1.1, "DUH", frames[1]),
        said(2, frames[2]),
    ]  # fmt: skip
    assert only(seen(happenings)).differences() == {("DUH", "ACK"): 1, ("none", "ACK"): 1}
    assert only(seen(happenings, Book())).differences() == {("ACK", "DUH"): 1, ("none", "DUH"): 1}


def test_an_answer_to_no_message_is_told_and_belongs_to_no_account() -> None:
    sight = seen([said(0, message(1)), answered(0.1, "ACK", message(9))])
    assert sight.foreign == {"ACK": 1}
    assert only(sight).answers == {}


def test_polls_have_their_interval_by_path_and_one_that_stops_is_late() -> None:
    wired = [said(180 * place, poll()) for place in range(10)]
    cellular = [said(3600 * place + 1, poll(prefix="3")) for place in range(3)]
    account = only(seen(sorted([*wired, *cellular], key=lambda one: one.at)))
    first, second = account.paths["wired"], account.paths["cellular"]
    assert (first.polls, first.intervals.percentile(50), first.late) == (10, 180, 1)
    assert (second.polls, second.intervals.percentile(50), second.late) == (3, 3600, 0)
    assert [(one.began, one.ended) for one in first.stand_out()] == [(after(9 * 180), after(7201))]


def test_a_message_that_is_acknowledged_keeps_the_promise_of_a_poll() -> None:
    happenings = [said(0, poll()), said(170, message(1)), said(340, poll())]
    path = only(seen(happenings)).paths["wired"]
    assert (path.late, path.longest and path.longest.seconds) == (0, 340)


def test_a_path_that_was_promised_and_never_came_is_late_once() -> None:
    happenings = [said(180 * place, poll()) for place in range(40)]
    assert only(seen(happenings)).paths["cellular"].late == 1


def test_without_a_promise_nothing_is_late_and_a_silence_of_three_times_the_usual_stands_out() -> None:
    minutes = [0, 1, 2, 3, 4, 5, 6, 10, 11, 12]
    path = only(seen([said(60 * minute, poll()) for minute in minutes], Book())).paths["tcp L1"]
    assert path.late is None
    assert [one.seconds for one in path.stand_out()] == [240]


def test_the_busiest_minute_has_its_count() -> None:
    seconds = [5, 61, 62, 119, 120, 400]
    account = only(seen([said(second, message(place + 1)) for place, second in enumerate(seconds)]))
    assert account.busiest == (3, after(60))


def test_problems_are_told_by_rule_with_the_first_frame_and_how_often() -> None:
    damaged = bytearray(message(2))
    damaged[1:5] = b"0000"
    sight = seen([said(0, message(1)), said(1, bytes(damaged)), said(2, bytes(damaged)), said(3, b"hello?")])
    problem = sight.problems["crc-mismatch"]
    assert (problem.times, problem.frame, problem.at, problem.by) == (2, 2, after(1), "panel")
    assert problem.raw.startswith("\\n0000")
    total = sight.total()
    assert (total.frames, total.messages, total.noise, total.noise_bytes) == (3, 1, 1, 6)


def test_a_damaged_number_makes_no_account_unless_the_book_knows_it() -> None:
    damaged = bytearray(message(2, "9999"))
    damaged[1:5] = b"0000"
    assert seen([said(0, bytes(damaged))], Book()).accounts == {}


def test_bytes_that_the_recording_lacks_are_counted() -> None:
    lost = Happening(after(1), "tcp-1", "panel-lost", size=900)
    sight = seen([said(0, message(1)), lost, said(2, message(2))])
    assert (sight.total().lost_bytes, sight.lines["tcp"].lost_bytes) == (900, 900)


def test_a_part_is_judged_as_in_the_whole_and_holds_the_answers_to_its_messages() -> None:
    frames = [message(number) for number in range(1, 5)]
    happenings = []
    for place, frame in enumerate(frames):
        happenings += [said(10 * place, frame), answered(10 * place + 5, "ACK", frame)]
    sight = seen(happenings, wanted=Wanted(since=after(10), until=after(31)))
    assert (only(sight).messages, only(sight).answers, sight.began, sight.ended) == (
        3,
        {"ACK": 3},
        after(10),
        after(30),
    )


def test_chosen_accounts_alone_are_shown_with_or_without_leading_zeros() -> None:
    happenings = [said(0, message(1)), said(1, message(1, "8888")), said(2, b"noise")]
    sight = seen(happenings, wanted=Wanted(accounts=["04471"]))
    assert (list(sight.accounts), sight.total().frames, sight.total().noise) == (["4471"], 1, 0)
    assert sight.not_heard() == []


def test_what_is_kept_does_not_grow_with_the_frames() -> None:
    def kept(frames: int) -> int:
        happenings = (said(60 * place, message(place % 9999 + 1)) for place in range(frames))
        account = only(seen(happenings))
        path = account.paths["wired"]
        assert len(path.silences) <= MOST_SILENCES
        return len(account._recent) + sum(len(count.known.recent) for count in account.counts.values())

    assert kept(300) == kept(3000)


# The picture


def drawn(happenings: Iterable[Happening], book: Book = BOOK) -> tuple[ElementTree.Element, Sight, Drawing]:
    drawing = Drawing()
    sight = look(happenings, Judging(book), told=drawing.take)
    return ElementTree.fromstring(picture("a test", sight, drawing)), sight, drawing


def marks(root: ElementTree.Element) -> Counter[str]:
    found: Counter[str] = Counter()
    for one in root.iter(f"{SVG}g"):
        if one.get("class") == "mark":
            letter = one.find(f"{SVG}text")
            assert letter is not None
            found[letter.text or ""] += 1
    return found


def test_the_picture_holds_a_mark_for_each_thing() -> None:
    frames = [
        message(1),
        message(2, said="1110 01 017"),
        message(5, said="1301 00 000"),
        message(6, said="1602 00 000"),
    ]
    happenings = []
    for place, (frame, word) in enumerate(zip(frames, ("ACK", "DUH", "NAK", "none"), strict=True)):
        happenings.append(said(100 * place, frame))
        if word != "none":
            happenings.append(answered(100 * place + 1, word, frame))
    happenings += [said(301, frames[3]), said(302, b"?"), Happening(after(303), "tcp-1", "panel-lost", size=9)]
    root, _, _ = drawn(happenings)
    expected = dict.fromkeys(("B", "F", "W", "X", "D", "N", "/", "″", "~", "×"), 1) | {"–": 2}
    assert marks(root) == expected


def test_polls_are_ticks_and_a_silence_is_a_band_without_a_line() -> None:
    root, _, _ = drawn([said(60 * minute, poll()) for minute in (*range(60), *range(120, 180))])
    row = "4471 Tern Point field station · wired"
    bands = [one for one in root.iter(f"{SVG}rect") if one.get("class") == "band"]
    titles = [one.findtext(f"{SVG}title") or "" for one in bands]
    assert sum(title.startswith(row) for title in titles) == 1
    ticks = next(
        one.get("d", "")
        for one in root.iter(f"{SVG}path")
        if one.get("class") == "tick" and "-3v6M" in one.get("d", "")
    )
    assert ticks.count("M") == 120


def test_letters_tell_every_category_and_sign_from_every_other() -> None:
    letters = [*LETTERS.values(), *(letter for letter, _ in SIGNS.values())]
    assert len(set(letters)) == len(letters)
    assert set(LETTERS) >= LIFE_SAFETY


def crowd(frames: int, life: int = 0, accounts: int = 3) -> Iterable[Happening]:
    """So many messages, some of them fire, on a few accounts, a second apart: what a storm does."""
    rng = random.Random(6)
    fires = set(rng.sample(range(frames), life))
    for place in range(frames):
        account = f"{5000 + place % accounts}"
        text = "1110 01 017" if place in fires else "1301 00 000"
        yield said(place, message(place // accounts % 9999 + 1, account, text), f"tcp-{account}")


def test_a_hundred_thousand_frames_make_a_small_picture_that_counts_each_and_keeps_every_fire() -> None:
    # Decoding so many takes long and is not what is asked here: the same frames again and again, as the fold tells them.
    drawing, told = Drawing(), []
    sight = look(crowd(900, 3), Judging(), told=told.append)
    for lap in range(112):
        for one in told:
            drawing.take(one._replace(at=one.at + timedelta(seconds=900 * lap), number=one.number + 900 * lap))
    sight.ended = after(900 * 112)
    drawing_of = picture("a storm", sight, drawing)
    root = ElementTree.fromstring(drawing_of)
    assert drawing.marks is None
    assert len(drawing_of) < 300_000
    bars = [one.findtext(f"{SVG}title") or "" for one in root.iter(f"{SVG}rect") if one.get("class") == "bar"]
    counted = sum(int(title.split(": ")[1].split(" ")[0].replace(",", "")) for title in bars)
    assert counted == 112 * 897
    discs = [one for one in root.iter(f"{SVG}g") if one.get("class") == "mark" and one.find(f"{SVG}circle") is not None]
    fires = sum(int(t.split(" times ")[0].rsplit(": ")[-1]) if " times " in t else 1
                for t in ((one.findtext(f"{SVG}title") or "") for one in discs))  # fmt: skip
    assert fires == 112 * 3


def test_rows_beyond_those_with_room_are_told_and_their_signals_still_drawn() -> None:
    root, _, _ = drawn(crowd(MOST_ROWS + 30, accounts=MOST_ROWS + 30), Book())
    assert any("30 more" in (one.text or "") for one in root.iter(f"{SVG}text"))
    assert marks(root)["W"] == MOST_ROWS + 30


def test_up_to_the_limit_each_signal_is_drawn_by_itself() -> None:
    _, _, drawing = drawn(crowd(MOST_MARKS // 2), Book())
    assert drawing.marks is not None


def test_what_a_panel_wrote_is_text_in_the_picture_and_on_the_page() -> None:
    drawing = Drawing()
    happenings = [said(0, build("SIA-DCS", 1, "4471", "Nri1/BA015*<script>alert(1)</script>"))]
    sight = look(happenings, Judging(BOOK), told=drawing.take)
    whole = page("<b>note</b>", sight, drawing)
    assert "<script" not in whole
    assert "<b>note" not in whole
    ElementTree.fromstring(picture("<b>note</b>", sight, drawing))


def test_an_empty_recording_has_a_picture_too() -> None:
    root, sight, _ = drawn([])
    assert (root.tag, sheets(sight)) == (f"{SVG}svg", [])


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (None, "–"),
        (0.00066, "0.66 ms"),
        (0.0123, "12.3 ms"),
        (0.2, "200 ms"),
        (1.5, "1.5 s"),
        (90, "90 s"),
        (180, "3 min"),
    ],
)
def test_a_length_of_time_is_told_to_three_digits(seconds: float | None, words: str) -> None:
    assert took(seconds) == words


# The command


ESTATE = str(ROOT / "fixtures" / "estate.capture")
STATION = str(ROOT / "fixtures" / "station.toml")


def test_the_command_shows_the_shipped_recording_as_one_object(inside: Farend) -> None:
    (found,) = inside("capture", "show", ESTATE, "--book", STATION, "--json").objects
    happenings, _ = capture.read(Path(ESTATE))
    assert found["began"] == happenings[0].at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    assert found["totals"]["frames"] == sum(account["frames"] for account in found["accounts"])
    assert [one["desk_differs"] for one in found["accounts"]] == [[]] * 5
    assert found["not_heard"] == ["2210"]


def test_the_tables_and_the_page_say_the_same(inside: Farend, tmp_path: Path) -> None:
    done = inside("capture", "show", ESTATE, "--book", STATION, "--picture", tmp_path / "x.html")
    page_of = (tmp_path / "x.html").read_text("utf-8")
    assert done.code == 0
    for words in (b"Sequence and repeats", b"Harrow", b"crc-mismatch", b"1.64 ms"):
        assert words in done.out
        assert words.decode() in page_of
    assert "http" not in page_of.replace("http://www.w3.org/2000/svg", "").replace("http-equiv", "")


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--picture", "x.png"], "must end in .svg or .html"),
        (["--since", "yesterday"], "--since 'yesterday' is no time"),
        (["--account", "tern"], "is no account number"),
        (["--on-test", "4471"], "the book has no such account"),
        (["--picture", "nowhere/x.svg"], "there is no folder nowhere"),
    ],
)
def test_what_cannot_be_shown_ends_with_2_and_a_reason(inside: Farend, options: list[str], told: str) -> None:
    done = inside("capture", "show", ESTATE, *options)
    assert (done.code, done.out) == (2, b"")
    assert told in done.err


def test_a_file_that_is_no_recording_ends_with_2(inside: Farend, tmp_path: Path) -> None:
    (tmp_path / "x.capture").write_bytes(b"\x00\x01")
    assert inside("capture", "show", tmp_path / "x.capture").code == 2
