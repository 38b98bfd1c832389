"""An alarm system as a whole, on virtual time, against receivers made of the other role.

Tries, wait and sequence rule are from memory of DC-09; the order of ways, the pause and the way back are common practice.
"""

import math
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.dc09 import decode
from protocols.envelope import wrap
from protocols.exchange import answer, following, in_window
from protocols.premises import MOST_FOREIGN, News, Premises, Route, Send
from protocols.seal import Key
from protocols.values import Frame

BEGAN = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
KEY = Key(bytes(range(16)))
TWO_PATHS = (Route("wired", "1"), Route("cellular", "2"))


class Station:
    """Receivers that keep what they acknowledge, and the clock of the test.

    `fate` says what becomes of each thing sent: `ok`, `unheard`, `unanswered` (kept, but the ACK is lost), `NAK`, `DUH`,
    `broken`, `cut` (half an ACK), `late` (the ACK comes when the wait is over), `slow` (byte by byte), or bytes.
    """

    def __init__(self, fate: Callable[[Send], str | bytes] = lambda _: "ok", **premises: object) -> None:
        self.fate, self.tick = fate, 1000.0
        self.news: list[News] = []
        self.house = Premises("4471", tell=self.news.append, **premises)  # type: ignore[arg-type]
        self.key = premises.get("key")
        self.sent: list[tuple[float, Send, Frame]] = []
        self.kept: list[Frame] = []
        self._late: list[tuple[float, Send, bytes]] = []

    @property
    def now(self) -> datetime:
        return BEGAN + timedelta(seconds=self.tick)

    def run(self, seconds: float = 0, until: Callable[[], bool] = lambda: False) -> "Station":
        """Let time pass, from one thing that is due to the next; ends early where `until` holds."""
        end = self.tick + seconds
        while not until():
            due = min(self.house.due(self.tick), *(late[0] for late in self._late), math.inf)
            if due > end:
                break
            self.tick = due
            for late in [late for late in self._late if late[0] <= self.tick]:
                self._late.remove(late)
                self.house.heard(late[1].receiver, late[1].path, late[2], self.now, self.tick)
            for send in self.house.run(self.now, self.tick):
                self._take(send)
        else:
            return self
        self.tick = max(self.tick, end)
        return self

    def _take(self, send: Send) -> None:
        frame = decode(send.data, self.key)  # type: ignore[arg-type]
        assert frame.problems == []
        self.sent.append((self.tick, send, frame))
        fate = self.fate(send)
        back = lambda data: self.house.heard(send.receiver, send.path, data, self.now, self.tick)  # noqa: E731
        if isinstance(fate, bytes):
            back(fate)
        elif fate in ("NAK", "DUH") or (frame.encrypted and frame.stamp and not in_window(frame.stamp, self.now)):
            back(answer("DUH" if fate == "DUH" else "NAK", frame, self.now))
        elif fate == "broken":
            self.house.lost(send.receiver, send.path, self.now, self.tick)
        elif fate != "unheard":
            ack = answer("ACK", frame, self.now, self.key)  # type: ignore[arg-type]
            if frame.sequence and (not self.kept or self.kept[-1].sequence != frame.sequence):
                self.kept.append(frame)
            if fate == "cut":
                back(ack[: len(ack) // 2])
            elif fate == "late":
                self._late.append((self.tick + 20.5, send, ack))
            elif fate == "slow":
                for byte in ack:
                    back(bytes((byte,)))
            elif fate == "ok":
                back(ack)

    @property
    def said(self) -> list[tuple[float, int, str, int | None]]:
        """When, to which receiver, over which path, under which number."""
        return [(tick - 1000, send.receiver, send.path, frame.sequence) for tick, send, frame in self.sent]

    @property
    def became(self) -> list[str]:
        return [one.what for one in self.news]


def fates(*first: str | bytes, then: str = "ok") -> Callable[[Send], str | bytes]:
    """These in turn, and `then` for all that follow."""
    waiting: Iterator[str | bytes] = iter(first)
    return lambda _: next(waiting, then)


def event(number: int) -> tuple[str, str]:
    return "ADM-CID", f"1131 01 {number:03d}"


MISHAPS = (
    "unheard",
    "unanswered",
    "NAK",
    "broken",
    "cut",
    "late",
    "slow",
    "ok",
    wrap(b'"ACK"0003L0#4471[]'),
    b"\x00\r\n",
)


@given(
    st.data(),
    st.lists(st.sampled_from(MISHAPS), max_size=40),
    st.sampled_from((None, KEY)),
    st.integers(1, 3),
    st.integers(1, 2),
    st.sampled_from((None, 15.0, 180.0)),
    st.sampled_from((1, 9997)),
    st.integers(-90000, 90000),
)
def test_whatever_is_said_arrives_exactly_and_in_order_over_any_mishaps(
    data: st.DataObject,
    mishaps: list[str | bytes],
    key: Key | None,
    paths: int,
    receivers: int,
    every: float | None,
    sequence: int,
    off: int,
) -> None:
    routes = [Route(name, prefix, every) for name, prefix in (("wired", "1"), ("wifi", "1"), ("cellular", "2"))][:paths]
    station = Station(
        fates(*mishaps),
        paths=routes,
        receivers=receivers,
        key=key,
        sequence=sequence,
        clock_error=timedelta(seconds=off),
    )
    count = 0
    for step in data.draw(st.lists(st.sampled_from(("say", "say", "drop", "restore", "wait", "poll")), max_size=25)):
        if step == "say":
            count += 1
            station.house.say(*event(count))
        elif step == "wait":
            station.run(data.draw(st.sampled_from((0.0, 1.0, 25.0, 300.0))))
        elif step == "poll":
            station.house.poll()
        else:
            getattr(station.house, step)(data.draw(st.sampled_from([route.name for route in routes])))
    for route in routes:
        station.house.restore(route.name)
    station.run(40 * 3600, until=lambda: not station.house.outbox)
    assert [frame.data for frame in station.kept] == [event(number + 1)[1] for number in range(count)]
    numbers = [sequence]
    while len(numbers) < count:
        numbers.append(following(numbers[-1]))
    assert [frame.sequence for frame in station.kept] == numbers[:count]
    assert station.became.count("acknowledged") >= count
    assert all(frame.sequence == 0 for _, _, frame in station.sent if frame.token == "NULL")


@pytest.mark.clause("DC-09 tries", code="protocols.premises.Premises", memory=True)
def test_without_an_answer_the_same_bytes_go_again_every_20_s_three_times_then_over_the_next_path_then_elsewhere() -> (
    None
):
    station = Station(fates(then="unheard"), paths=TWO_PATHS, receivers=2)
    station.house.say(*event(1))
    station.run(239)
    assert station.said == [
        *((at, 0, "wired", 1) for at in (0, 20, 40)),
        *((at, 0, "cellular", 1) for at in (60, 80, 100)),
        *((at, 1, "wired", 1) for at in (120, 140, 160)),
        *((at, 1, "cellular", 1) for at in (180, 200, 220)),
    ]
    for first in range(0, 12, 3):
        assert len({send.data for _, send, _ in station.sent[first : first + 3]}) == 1
    assert [frame.prefix for _, _, frame in station.sent[2:4]] == ["1", "2"]


def test_once_every_receiver_has_failed_the_event_is_kept_and_after_a_pause_all_begins_again_under_the_same_number() -> (
    None
):
    station = Station(fates(*["unheard"] * 3), pause_seconds=60)
    station.house.say(*event(1))
    station.house.say(*event(2))
    station.run(130)
    assert station.said == [(0, 0, "", 1), (20, 0, "", 1), (40, 0, "", 1), (120, 0, "", 1), (120, 0, "", 2)]
    assert station.became.count("kept") == 1
    assert station.sent[3][2].stamp == BEGAN + timedelta(seconds=1120)  # said afresh, so stamped afresh


def test_a_closed_port_is_no_reason_to_wait_and_none_to_hammer_at_it() -> None:
    station = Station(fates(then="broken"), receivers=2, paths=(Route(poll_seconds=30),))
    station.house.say(*event(1))
    station.run(599)
    ticks = [tick for tick, _, _ in station.sent]
    assert max(map(ticks.count, ticks)) <= 2 * 6  # an event and a poll, each three times to each receiver
    assert len(ticks) <= 6 * (10 + 20)


def test_an_answered_poll_ends_the_pause() -> None:
    station = Station(fates(*["unheard"] * 3), paths=(Route(poll_seconds=5),), pause_seconds=1000)
    station.house.say(*event(1))
    station.run(61)
    assert station.said == [(0, 0, "", 1), (20, 0, "", 1), (40, 0, "", 1), (60, 0, "", 0), (60, 0, "", 1)]


def first_is_silent_until(tick: float, station: list[Station]) -> Callable[[Send], str]:
    return lambda send: "unheard" if send.receiver == 0 and station[0].tick < tick else "ok"


def test_it_stays_with_the_second_receiver_until_a_poll_to_the_first_is_answered() -> None:
    stations: list[Station] = []
    stations.append(Station(first_is_silent_until(1150, stations), receivers=2, paths=(Route(poll_seconds=100),)))
    (station,) = stations
    station.run(61)  # its first poll finds the first receiver silent
    station.house.say(*event(1))
    station.run(10)
    station.run(60)
    station.house.say(*event(2))  # said while the second poll waits for the first receiver: the poll gives way
    station.run(100)
    station.house.say(*event(3))
    station.run(1)
    assert [said[1:] for said in station.said if said[3]] == [(1, "", 1), (1, "", 2), (0, "", 3)]


def test_where_nothing_polls_it_comes_back_to_the_first_receiver_after_an_hour() -> None:
    stations: list[Station] = []
    stations.append(Station(first_is_silent_until(1100, stations), receivers=2))
    (station,) = stations
    for number, wait in enumerate((100, 3000, 600, 1), 1):
        station.house.say(*event(number))
        station.run(wait)
    assert [said[1:] for said in station.said] == [(0, "", 1)] * 3 + [(1, "", 1), (1, "", 2), (1, "", 3), (0, "", 4)]


@pytest.mark.clause("DC-09 clock from nak", code="protocols.premises.Premises", memory=True)
def test_a_nak_sets_the_clock_and_the_next_try_follows_at_once() -> None:
    """DC-09, 5.5.3.2."""
    station = Station(key=KEY, clock_error=timedelta(hours=-1))
    station.house.say(*event(1))
    station.run(0)
    assert [said[3] for said in station.said] == [1, 1]
    assert abs(station.house.clock_error) < timedelta(seconds=1)
    assert station.became == ["sent", "corrected", "sent", "acknowledged"]


def test_a_duh_ends_its_message_and_is_told() -> None:
    """DC-09, 5.5.3.3."""
    station = Station(fates("DUH"))
    station.house.say(*event(1))
    station.house.say(*event(2))
    station.run(0)
    assert [said[3] for said in station.said] == [1, 2]
    assert station.became == ["sent", "refused", "sent", "acknowledged"]
    assert station.house.quiet


def test_an_answer_that_does_not_belong_to_the_message_changes_nothing() -> None:
    station = Station(fates(wrap(b'"ACK"0002L0#4471[]')))
    station.house.say(*event(1))
    station.run(19)
    assert station.became == ["sent", "foreign"]
    station.run(1)
    assert station.became == ["sent", "foreign", "unanswered", "sent", "acknowledged"]


def test_answers_that_do_not_belong_are_told_once_a_try_for_each_thing_wrong_with_them_and_counted_at_its_end() -> None:
    wrong = wrap(b'"ACK"0002L0#4471[]') * 3 + wrap(b'"ACK"0001L1#4471[]') * 2
    station = Station(fates(wrong, wrong))
    station.house.say(*event(1))
    station.run(40)
    told = ["sent", "foreign", "foreign", "unanswered"]
    assert station.became == [*told, *told, "sent", "acknowledged"]
    assert station.news[3].why == "nothing came within 20 s but what does not belong to it (5)"


FLOOD = b"\nxx" * 100  # each LF cuts off a frame


def test_a_receiver_that_floods_a_try_is_heard_no_more_in_it_and_with_its_connection_gone_the_next_follows_at_once() -> (
    None
):
    station = Station(fates(FLOOD))
    station.house.say(*event(1))
    station.run(1)
    assert station.became == ["sent", "foreign"]
    assert station.house.flooded
    ack = answer("ACK", station.sent[0][2], station.now)
    assert station.house.heard(0, "", ack, station.now, station.tick) == []
    station.house.lost(0, "", station.now, station.tick, "closed here")
    station.run(0)
    assert station.became == ["sent", "foreign", "unanswered", "sent", "acknowledged"]
    assert not station.house.flooded


def test_of_a_flood_no_more_is_read_than_it_takes_to_know_it() -> None:
    station = Station(fates("unheard"))
    station.house.say(*event(1))
    station.run(0)
    assert len(station.house.heard(0, "", FLOOD, station.now, station.tick)) == MOST_FOREIGN
    station.run(20)  # nobody broke the connection: the wait ends it, and the flood's last piece comes before the ACK
    assert station.became == ["sent", "foreign", "unanswered", "sent", "foreign", "acknowledged"]


def test_it_pauses_from_when_every_way_has_failed_until_somebody_answers_or_all_begins_again() -> None:
    station = Station(fates(*["broken"] * 6), pause_seconds=60)
    assert not station.house.pausing(station.tick)
    station.house.say(*event(1))
    station.run(0)
    assert station.house.pausing(station.tick)
    station.run(59)
    assert station.house.pausing(station.tick)
    station.run(1)
    assert station.house.pausing(station.tick)  # a second round has failed
    station.house.poll()
    station.run(0)  # and the poll was answered
    assert (station.house.pausing(station.tick), station.house.quiet) == (False, True)


def test_an_answer_over_another_path_is_not_the_outstanding_messages() -> None:
    station = Station(fates("unheard"), paths=TWO_PATHS)
    station.house.say(*event(1))
    station.run(1)
    ack = answer("ACK", station.sent[0][2], station.now)
    assert station.house.heard(0, "cellular", ack, station.now, station.tick) == []
    assert station.house.outstanding
    assert [one.word for one in station.house.heard(0, "wired", ack, station.now, station.tick)] == ["ACK"]
    assert station.house.quiet


def test_each_path_polls_by_its_own_interval_outside_the_count_and_does_not_drift() -> None:
    paths = (Route("wired", "1", 30), Route("cellular", "2", 50))
    station = Station(paths=paths)
    station.run(100)
    station.house.say(*event(1))
    station.run(55)
    polls = [said for said in station.said if said[3] == 0]
    assert [at for at, _, path, _ in polls if path == "wired"] == [0, 30, 60, 90, 120, 150]
    assert [at for at, _, path, _ in polls if path == "cellular"] == [0, 50, 100, 150]
    assert [said for said in station.said if said[3]] == [(100, 0, "wired", 1)]


def test_a_poll_that_nobody_answers_gives_way_after_one_wait() -> None:
    paths = (Route("wired", "1", 600), Route("cellular", "2", 600))
    station = Station(fates("ok", "ok"), paths=paths)
    station.run(600 - 1)
    station.fate = lambda send: "unheard" if send.path == "wired" else "ok"
    station.run(2)
    station.house.say(*event(1))
    station.run(18)
    assert station.said[2:] == [(600, 0, "wired", 0)]
    station.fate = fates()
    station.run(2)
    assert station.said[2:] == [(600, 0, "wired", 0), (620, 0, "wired", 1), (620, 0, "cellular", 0)]


def test_a_dead_path_does_not_hold_up_the_polls_of_another() -> None:
    paths = (Route("wired", "1", 15), Route("cellular", "2", 15))
    station = Station(lambda send: "unheard" if send.path == "wired" else "ok", paths=paths)
    station.run(600)
    polls = [at for at, _, path, _ in station.said if path == "cellular"]
    assert max(late - early for early, late in pairwise(polls)) <= 20 + 15


def test_a_dropped_path_sends_nothing_and_what_it_carried_goes_on_at_once_over_another() -> None:
    station = Station(fates("unheard"), paths=(Route("wired", "1", 30), Route("cellular", "2", 30)))
    station.house.say(*event(1))
    station.run(5)
    station.house.drop("wired")
    station.run(85)
    assert station.said[:2] == [(0, 0, "wired", 1), (5, 0, "cellular", 1)]
    assert {path for _, _, path, _ in station.said[1:]} == {"cellular"}
    station.house.restore("wired")
    station.run(0)
    assert station.said[-1] == (90, 0, "wired", 0)
    station.house.say(*event(2))
    station.run(0)
    assert station.said[-1] == (90, 0, "wired", 2)


def test_a_path_that_is_restored_carries_at_once_what_had_turned_away_from_it() -> None:
    station = Station(lambda send: "unheard" if send.path == "wired" else "ok", paths=TWO_PATHS)
    station.house.say(*event(1))
    station.run(100)
    station.fate = fates()
    station.house.say(*event(2))
    station.run(0)
    assert [path for _, _, path, _ in station.said] == ["wired"] * 3 + ["cellular"] * 2
    station.house.restore("wired")
    station.house.say(*event(3))
    station.run(0)
    assert station.said[-1] == (100, 0, "wired", 3)


def test_half_an_answer_ends_with_its_connection() -> None:
    station = Station(fates("cut"))
    station.house.say(*event(1))
    station.run(5)
    station.house.lost(0, "", station.now, station.tick)
    station.run(0)
    assert station.became == ["sent", "unanswered", "sent", "acknowledged"]


def test_with_every_path_dropped_nothing_is_due_and_nothing_is_lost() -> None:
    station = Station(paths=(Route("wired", "1", 30),))
    station.house.drop("wired")
    station.house.say(*event(1))
    assert station.house.due(station.tick) == math.inf
    station.run(10000)
    station.house.restore("wired")
    station.run(0)
    assert [frame.data for frame in station.kept] == [event(1)[1]]


def test_a_number_kept_elsewhere_is_asked_for_once_a_message() -> None:
    numbers = iter((9999, 1, 40))
    station = Station(fates("unheard"), number=lambda: next(numbers))
    for number in (1, 2, 3):
        station.house.say(*event(number))
    station.run(30)
    assert [said[3] for said in station.said] == [9999, 9999, 1, 40]


@pytest.mark.parametrize(
    "wrong",
    [
        {"paths": ()},
        {"paths": (Route("wired"), Route("wired"))},
        {"paths": (Route("wired", "XYZ"),)},
        {"receiver": "1234567"},
        {"receivers": 0},
    ],
)
def test_premises_that_no_frame_could_come_from_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"number|alarm system"):
        Premises("4471", **wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize("payload", ["1131 [1]", "x" * 4096, "\N{SNOWMAN}"])
def test_what_no_frame_can_carry_is_refused_when_it_is_said_not_when_it_is_due(payload: str) -> None:
    house = Premises("4471")
    for asked in (house.check, house.say):
        with pytest.raises(ValueError, match=r"brackets|4095|Latin-1"):
            asked("ADM-CID", payload)
    assert house.quiet


def test_what_fits_into_a_frame_in_clear_may_be_too_long_sealed() -> None:
    Premises("4471").check("ADM-CID", "x" * 3000)
    with pytest.raises(ValueError, match="4095"):
        Premises("4471", key=KEY).check("ADM-CID", "x" * 3000)
