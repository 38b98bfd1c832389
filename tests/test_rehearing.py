"""A recording heard again: judged by its own clock, each answer tied to the message that it answers."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.dc09 import build, decode
from protocols.exchange import answer
from protocols.values import Frame
from receiver import capture, rehearing
from receiver.book import Account, Book
from receiver.capture import Happening
from receiver.desk import Policy
from receiver.rehearing import SHORTEST_WAIT, Answered, Judged, Judging, Missing, Passed, rehear, tied
from tests.conftest import KEY, ack, alarm, envelope

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
BOOK = Book((Account(number="4471", name="An invented house"), Account(number="8C20", name="Another", key=KEY)))
JUDGING = Judging(BOOK)
POLL = envelope('"NULL"0000L0#4471[]')
POLLED = envelope('"ACK"0000L0#4471[]')


def at(seconds: float) -> datetime:
    return NOON + timedelta(seconds=seconds)


def over(line: str, *said: tuple[float, str, bytes], name: str = "") -> Iterator[Happening]:
    """A connection: when, who said it, and what."""
    name = name or f"{line}-1"
    yield Happening(at(said[0][0]), name, "open", b"", line, "192.0.2.7:40112")
    for seconds, what, data in said:
        yield Happening(at(seconds), name, what, data)  # type: ignore[arg-type]


def words(passed: list[Passed]) -> list[str]:
    """`1 accepted`, `2 ACK to 1`, `panel lost 7`: what passed, in short."""
    return [
        f"{one.number} {one.decision.verdict}"
        if isinstance(one, Judged)
        else f"{one.number} {one.heard.word} to {one.to.number if one.to else 'none'}"
        if isinstance(one, Answered)
        else f"{one.side} lost {one.size}"
        for one in passed
    ]


def test_each_answer_is_tied_to_its_message_however_they_are_cut() -> None:
    data, back = alarm(7) + alarm(8), ack(7) + ack(8)
    said = [
        (0.0, "panel", data[:20]),
        (0.1, "panel", data[20:]),
        (0.2, "receiver", back[:9]),
        (0.3, "receiver", back[9:]),
    ]
    assert words(list(rehear(over("tcp", *said), JUDGING))) == ["1 accepted", "2 accepted", "3 ACK to 1", "4 ACK to 2"]


def test_a_stamp_is_judged_by_the_clock_of_the_recording() -> None:
    """20 s ahead or 40 s behind pass (from memory of DC-09)."""
    for late, verdict in ((40, "accepted"), (41, "stale-clock"), (-20, "accepted"), (-21, "stale-clock")):
        message = build("SIA-DCS", 1, "8C20", "Nri1/FA3", stamp=NOON, key=KEY)
        assert words(list(rehear(over("tcp", (late, "panel", message)), JUDGING))) == [f"1 {verdict}"]


def test_a_repeat_is_told_by_the_time_between_and_names_the_first_by_its_number() -> None:
    heard = list(rehear(over("tcp", *((late, "panel", alarm(7)) for late in (0, 120, 241))), JUDGING))
    assert words(heard) == ["1 accepted", "2 repeat", "3 accepted"]
    assert isinstance(heard[1], Judged)
    assert heard[1].decision.repeat_of == 1


def test_an_answer_after_a_second_try_belongs_to_the_try_and_to_the_first_of_a_burst() -> None:
    """A panel waits 5 s at least before it says a message again (from memory); what comes sooner was sent at once."""
    tries = over("tcp", (0, "panel", alarm(7)), (20, "panel", alarm(7)), (20.1, "receiver", ack(7)))
    assert words(list(rehear(tries, JUDGING)))[-1] == "3 ACK to 2"
    burst = over("tcp", (0, "panel", POLL + POLL), (0.1, "receiver", POLLED + POLLED))
    assert words(list(rehear(burst, JUDGING)))[2:] == ["3 ACK to 1", "4 ACK to 2"]


def test_a_nak_which_echoes_nothing_goes_to_the_sealed_message_that_waits() -> None:
    message = build("SIA-DCS", 1, "8C20", "Nri1/FA3", stamp=at(-3600), key=KEY)
    nak = answer("NAK", decode(message), NOON)
    heard = rehear(over("tcp", (0, "panel", alarm(7) + message), (0.1, "receiver", nak)), JUDGING)
    assert words(list(heard)) == ["1 accepted", "2 stale-clock", "3 NAK to 2"]


def test_an_answer_that_belongs_to_nothing_says_why_and_a_damaged_message_has_none() -> None:
    damaged = alarm(7).replace(b"BA15", b"BA16")
    heard = list(rehear(over("tcp", (0, "panel", damaged), (0.1, "receiver", ack(7))), JUDGING))
    assert words(heard) == ["1 unreadable", "2 foreign to none"]
    wrong = list(rehear(over("tcp", (0, "panel", alarm(7)), (0.1, "receiver", ack(8))), JUDGING))
    assert isinstance(wrong[1], Answered)
    assert wrong[1].heard.why == "its sequence is 0008, the message has 0007"


def test_what_was_lost_ends_the_frame_before_it_and_what_comes_after_begins_anew() -> None:
    whole = alarm(7)
    happenings = [
        *over("tcp", (0, "panel", whole[:30])),
        Happening(at(1), "tcp-1", "panel-lost", size=len(whole) - 35),
        Happening(at(2), "tcp-1", "panel", whole[-5:] + alarm(8)),
    ]
    assert words(list(rehear(happenings, JUDGING))) == ["1 unreadable", "panel lost 12", "2 noise", "3 accepted"]


def test_a_datagram_ends_what_is_in_it_and_a_stream_ends_with_its_connection_or_the_recording() -> None:
    half = alarm(7)[:30]
    assert words(list(rehear(over("udp", (0, "panel", half), (1, "panel", alarm(8))), JUDGING))) == [
        "1 unreadable",
        "2 accepted",
    ]
    again = [*over("tcp", (0, "panel", half)), *over("tcp", (1, "panel", alarm(8)))]  # the name for another connection
    assert words(list(rehear(again, JUDGING))) == ["1 unreadable", "2 accepted"]
    assert words(list(rehear(over("tcp", (0, "panel", half)), JUDGING))) == ["1 unreadable"]


def test_an_account_that_answers_only_on_test_is_judged_as_the_person_says() -> None:
    book = Book((Account(number="0930", name="A third", answer="on-test"),))
    said = list(over("tcp", (0, "panel", alarm(1, "0930"))))
    assert words(list(rehear(said, Judging(book)))) == ["1 held-back"]
    assert words(list(rehear(said, Judging(book, on_test=("0930",))))) == ["1 accepted"]
    unknown = list(over("tcp", (0, "panel", alarm(1, "0931"))))
    (judged,) = rehear(unknown, Judging(book, Policy("silent")))
    assert isinstance(judged, Judged)
    assert judged.decision.reply == "none"


def test_of_more_peers_than_can_be_remembered_the_one_silent_longest_is_forgotten(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for module in (rehearing, capture):
        monkeypatch.setattr(module, "MOST_OPEN", 2)
    said = [Happening(at(0), f"udp-{peer}", "panel", POLL, "udp", peer) for peer in ("192.0.2.7:1", "192.0.2.7:2")]
    said += [said[0], said[1]._replace(connection="udp-3")]
    answers = [one._replace(what="receiver", data=POLLED) for one in (said[0], said[1])]
    assert words(list(rehear(said + answers, JUDGING)))[-2:] == ["5 ACK to 1", "6 foreign to none"]


messages = st.lists(st.tuples(st.integers(1, 5), st.floats(0, SHORTEST_WAIT * 2)), max_size=12)


@given(messages, st.randoms(use_true_random=False))
def test_an_answer_is_tied_to_a_message_that_it_fits_or_to_none(sent: list[tuple[int, float]], random: object) -> None:
    """Whatever waits: never to one that it does not fit, and to none only where it fits none."""
    times = list(accumulate(after for _, after in sent))
    waiting = [(decode(alarm(number)), at(when)) for (number, _), when in zip(sent, times, strict=True)]
    heard, to = tied(decode(ack(3)), waiting, lambda one: one, at(times[-1] if times else 0))
    fitting = [one for one in waiting if one[0].sequence == 3]
    assert (to in fitting) if fitting else (to is None)
    assert heard.word == ("ACK" if fitting else "foreign")


def test_the_same_recording_gives_the_same_again() -> None:
    said = list(over("tcp", (0, "panel", alarm(7) + b"x" + alarm(7)), (0.1, "receiver", ack(7)), (0.2, "panel", POLL)))
    first, second = ([_plain(one) for one in rehear(said, JUDGING)] for _ in range(2))
    assert first == second


def _plain(one: Passed) -> object:
    frame: Frame | None = one.decision.frame if isinstance(one, Judged) else None
    return (words([one]), frame and frame.to_json(), isinstance(one, Missing))
