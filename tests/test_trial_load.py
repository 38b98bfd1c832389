"""A load: its schedule, which answer belongs to which message, what is counted, and that a stall is shown and not hidden."""

import itertools
import math
import random
import socket
import statistics
import threading
import time
import xml.etree.ElementTree as ElementTree
from array import array
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from conftest import HOST, SECRET, Done, Farend, envelope, only
from hypothesis import given, settings
from hypothesis import strategies as st

from protocols.dc09 import decode
from protocols.envelope import read_all, wrap
from protocols.exchange import Word, answer
from protocols.seal import Key
from receiver.book import load as load_book
from receiver.trial import load_driver, load_report
from receiver.trial.load import (
    ACK,
    BAD,
    DUH,
    FOREIGN,
    KINDS,
    MESSAGE,
    NAK,
    NONE,
    POLL,
    REPEAT,
    SECOND,
    Conversation,
    Heard,
    Order,
    Run,
    Sender,
    account_numbers,
    framed,
    population,
    schedule,
)
from receiver.trial.load_driver import Driver, look_up
from receiver.trial.load_report import Report, histogram, in_tenths, milliseconds

NOW = datetime(2026, 11, 25, 12, 34, 56, tzinfo=UTC)
CLEAR_OR_SEALED = pytest.mark.parametrize("key", [None, Key(bytes(16)), Key(bytes(32))], ids=["clear", "128", "256"])
shares = st.integers(0, 33).map(lambda hundredths: hundredths / 100)
orders = st.builds(
    Order,
    accounts=st.integers(1, 50),
    rate=st.integers(1, 300),
    seconds=st.integers(1, 4),
    polls=shares,
    repeats=shares,
    bad=shares,
    arrivals=st.sampled_from(("poisson", "even")),
    seed=st.integers(0, 9999),
)

# The schedule


@given(orders)
def test_a_schedule_has_as_many_messages_as_asked_in_order_of_time_and_all_within_the_load(order: Order) -> None:
    due, panel, kind = schedule(order)
    assert len(due) == len(panel) == len(kind) == order.rate * order.seconds
    assert list(due) == sorted(due)
    assert 0 <= due[0] <= due[-1] < order.seconds * SECOND
    assert set(panel) <= set(range(order.accounts))


@given(orders)
def test_shares_are_met_to_the_message_but_for_repeats_that_had_nothing_to_repeat(order: Order) -> None:
    counts, count = schedule(order).counts(), order.count
    assert abs(counts["polls"] - order.polls * count) <= 0.5
    assert abs(counts["bad"] - order.bad * count) <= 1.5
    assert order.repeats * count - order.accounts - 1 <= counts["repeats"] <= order.repeats * count + 1
    assert sum(counts.values()) == count


@given(orders)
def test_nobody_repeats_before_a_first_message(order: Order) -> None:
    begun = set()
    for who, kind in zip(*schedule(order)[1:], strict=True):
        assert kind != REPEAT or who in begun
        if kind == MESSAGE:
            begun.add(who)


def test_the_same_order_gives_the_same_schedule_and_another_seed_another() -> None:
    order = Order(10, 100, 1, polls=0.2)
    assert schedule(order) == schedule(order)
    assert schedule(order) != schedule(Order(10, 100, 1, polls=0.2, seed=1))


def test_poisson_arrivals_come_as_a_poisson_process_does_and_even_ones_at_one_distance() -> None:
    """In a Poisson process as many windows hold n arrivals as its law says, so their variance is their mean (textbook)."""
    due = schedule(Order(100, 1000, 60, seed=4471)).due
    counts = list(Counter(moment // (SECOND // 20) for moment in due).values())
    assert statistics.variance(counts) / statistics.mean(counts) == pytest.approx(1, abs=0.15)
    even = schedule(Order(100, 1000, 60, arrivals="even"))
    assert {after - before for before, after in itertools.pairwise(even.due)} == {SECOND // 1000}
    assert list(even.panel[:200]) == [*range(100)] * 2


@pytest.mark.parametrize(
    ("order", "why"),
    [
        ((1, 0.01, 1), "are 0 messages"),
        ((1, 1_000_000, 3600), "a load has 1 to 10,000,000"),
        ((1, math.nan, 1), "a rate above 0"),
        ((1, 1, math.inf), "lasts up to"),
        ((1, 10, 1, 0.5, 0.5, 0.1), "add up to more than 1"),
        ((1, 10, 1, math.nan), "add up to more than 1"),
    ],
)
def test_a_load_that_cannot_be_is_refused_with_the_reason(order: tuple[Any, ...], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        Order(*order)


def test_accounts_follow_the_first_one_with_as_many_digits_in_decimal_or_in_hex() -> None:
    assert account_numbers("0998", 3) == ["0998", "0999", "1000"]
    assert account_numbers("a9fe", 3) == ["A9FE", "A9FF", "AA00"]
    assert account_numbers("FFF", 1) == ["FFF"]
    for first, count, why in (
        ("999", 2, "do not fit"),
        ("12", 1, "3 to 16"),
        ("12G4", 1, "3 to 16"),
        ("१२३", 1, "3 to 16"),
    ):
        with pytest.raises(ValueError, match=why):
            account_numbers(first, count)


# What is sent


@given(st.binary(max_size=100))
def test_a_quick_frame_is_the_envelopes_frame_and_that_of_another_crc_library(body: bytes) -> None:
    """`crccheck`, through the tests' own `envelope`."""
    assert framed(body) == wrap(body) == envelope(body)


@CLEAR_OR_SEALED
def test_messages_and_polls_are_right_frames_and_a_bad_one_has_nothing_wrong_but_its_crc(key: Key | None) -> None:
    sender = Sender("100007", 9998, key)
    sent = [sender.next(kind, NOW) for kind in (MESSAGE, POLL, MESSAGE, BAD, MESSAGE)]
    frames = [decode(one.frame, key) for one in sent]
    assert [[one.rule for one in frame.problems] for frame in frames] == [[], [], [], ["crc-mismatch"], []]
    assert [frame.sequence for frame in frames] == [9998, 0, 9999, 1, 2]
    assert [frame.token for frame in frames] == ["ADM-CID", "NULL", "ADM-CID", "ADM-CID", "ADM-CID"]
    assert {frame.account for frame in frames} == {"100007"}
    assert [frame.stamp for frame in frames] == [NOW if key else None] * 5
    assert not any(signal.category in ("burglary", "fire", "panic") for frame in frames for signal in frame.signals)


@CLEAR_OR_SEALED
def test_a_repeat_is_the_last_message_under_its_number_and_in_clear_its_very_bytes(key: Key | None) -> None:
    sender = Sender("100007", 1, key)
    first = sender.next(MESSAGE, NOW)
    for kind in (POLL, BAD):
        sender.next(kind, NOW)
    again = sender.next(REPEAT, NOW)
    one, other = decode(first.frame, key), decode(again.frame, key)
    assert (one.sequence, one.data) == (other.sequence, other.data)
    assert key or first.frame == again.frame


def test_no_two_messages_of_a_panel_are_alike_even_when_its_count_begins_again() -> None:
    sender = Sender("100007")
    assert len({sender.next(MESSAGE, NOW).frame for _ in range(25_000)}) == 25_000


def test_keys_are_dealt_in_turn_and_each_panel_counts_from_a_number_of_its_own() -> None:
    keys = [Key(bytes(16)), Key(bytes(32))]
    senders = population(account_numbers("100", 100), keys, seed=1)
    assert [sender.key for sender in senders] == keys * 50
    assert len({sender.sequence for sender in senders}) > 90
    assert all(1 <= sender.sequence <= 9999 for sender in senders)


# Which answer belongs to what


def reply(word: Word, frame: bytes, key: Key | None = None) -> bytes:
    """What a right receiver answers (`exchange.answer`, held to the standard by its own tests)."""
    return answer(word, decode(frame, key), NOW, key)


@CLEAR_OR_SEALED
@given(st.lists(st.sampled_from((MESSAGE, POLL, REPEAT)), min_size=1, max_size=6), st.integers(1, 40))
def test_every_right_answer_is_known_for_its_message_however_the_stream_is_cut(
    key: Key | None, kinds: list[int], cut: int
) -> None:
    sender, conversation = Sender("100007", 1, key), Conversation(key)
    stream = b""
    for place, kind in enumerate(kinds):
        message = sender.next(kind, NOW)
        conversation.sent(place, message, kind)
        stream += reply("ACK", message.frame, key)
    heard = [one for at in range(0, len(stream), cut) for one in conversation.heard(stream[at : at + cut])]
    assert sorted(one.place for one in heard) == list(range(len(kinds)))
    assert {one.word for one in heard} == {ACK}
    assert (conversation.waits, conversation.ended()) == (0, [])


@CLEAR_OR_SEALED
def test_messages_under_one_number_are_answered_in_their_order(key: Key | None) -> None:
    sender, conversation = Sender("100007", 1, key), Conversation(key)
    for place in range(3):
        message = sender.next(POLL, NOW)
        conversation.sent(place, message, POLL)
    heard = [one.place for _ in range(3) for one in conversation.heard(reply("ACK", message.frame, key))]
    assert heard == [0, 1, 2]


def changed(data: bytes, old: bytes, new: bytes) -> bytes:
    """An answer with something else in it, in a right envelope."""
    assert old in data
    return envelope(data[9:-1].replace(old, new))


LIES: dict[str, tuple[Callable[[bytes], bytes], str]] = {
    "crc": (lambda ack: b"\n0000" + ack[5:], "these bytes give"),
    "length": (lambda ack: ack[:5] + b"0FFF" + ack[9:], "0LLL says"),
    "sequence": (lambda ack: changed(ack, b"0001", b"0002"), "no message waits"),
    "account": (lambda ack: changed(ack, b"100007", b"100008"), "its account is 100008"),
    "prefix": (lambda ack: changed(ack, b"L0", b"L1"), "its prefix is 1"),
    "receiver": (lambda ack: changed(ack, b"L0", b"R9L0"), "its receiver is 9"),
    "token": (lambda ack: changed(ack, b'"ACK"', b'"NULL"'), "NULL is no answer"),
    "noise": (lambda ack: b"OK" + ack, "2 bytes outside any frame"),
    "twice": (lambda ack: ack + ack, "no message waits"),
}


@pytest.mark.parametrize("lie", LIES)
def test_an_answer_that_does_not_belong_is_foreign_and_says_why(lie: str) -> None:
    tell, why = LIES[lie]
    sender, conversation = Sender("100007"), Conversation()
    message = sender.next(MESSAGE, NOW)
    conversation.sent(0, message, MESSAGE)
    (foreign,) = (one for one in conversation.heard(tell(message.answer)) if one.word == FOREIGN)
    assert foreign.place == -1
    assert why in foreign.why
    assert conversation.waits == (0 if lie in ("noise", "twice") else 1)


def test_an_answer_in_clear_to_a_sealed_message_is_foreign() -> None:
    key = Key(bytes(16))
    sender, conversation = Sender("100007", 1, key), Conversation(key)
    conversation.sent(0, sender.next(MESSAGE, NOW), MESSAGE)
    (heard,) = conversation.heard(envelope('"ACK"0001L0#100007[]'))
    assert (heard.word, "5.5.3.1" in heard.why) == (FOREIGN, True)


def test_an_answer_to_a_bad_frame_is_foreign() -> None:
    sender, conversation = Sender("100007"), Conversation()
    message = sender.next(BAD, NOW)
    conversation.sent(0, message, BAD)
    assert conversation.waits == 0
    (heard,) = conversation.heard(message.answer)
    assert (heard.word, heard.place) == (FOREIGN, -1)
    assert "CRC was wrong" in heard.why


@CLEAR_OR_SEALED
@pytest.mark.parametrize(("word", "code"), [("NAK", NAK), ("DUH", DUH)])
def test_nak_and_duh_belong_to_the_message_and_are_no_ack(word: Word, code: int, key: Key | None) -> None:
    sender, conversation = Sender("100007", 1, key), Conversation(key)
    message = sender.next(MESSAGE, NOW)
    conversation.sent(7, message, MESSAGE)
    (heard,) = conversation.heard(reply(word, message.frame, key))
    assert (heard.place, heard.word, conversation.waits) == (7, code, 0)


def test_an_echo_must_give_back_the_very_frame() -> None:
    sender, conversation = Sender("100007"), Conversation(echo=True)
    messages = [sender.next(kind, NOW) for kind in (MESSAGE, BAD, POLL)]
    for place, (message, kind) in enumerate(zip(messages, (MESSAGE, BAD, POLL), strict=True)):
        conversation.sent(place, message, kind)
    assert [one.place for one in conversation.heard(b"".join(one.frame for one in messages))] == [0, 1, 2]
    assert [one.word for one in conversation.heard(messages[0].frame)] == [FOREIGN]


# What is counted


def told(order: Order, fates: list[tuple[int, float]], late: float = 1.0, wrong: int = 0) -> Report:
    """The report of a load in virtual time: of each message the word that answered it, after how many seconds."""
    run = Run(order, schedule(order))
    for place, (word, seconds) in enumerate(fates):
        if word != NONE:
            run.heard(Heard(place, word), run.schedule.due[place] + round(seconds * SECOND))
    for number in range(wrong):
        run.heard(Heard(-1, FOREIGN, "why", b"\nX\r"), number)
    run.done = len(fates)
    return Report(run, late, {"target": "receiver.example:12009", "transport": "tcp", "began": ""},
                  {"population": "", "messages": "", "caution": ""})  # fmt: skip


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from((NONE, ACK, NAK, DUH)), st.floats(0, 3)), min_size=1, max_size=80),
    st.integers(0, 15),
    st.sampled_from((1, 20, 4000)),
)
def test_every_message_is_counted_once_and_slices_and_tenths_come_to_the_whole(
    fates: list[tuple[int, float]], wrong: int, seconds: int
) -> None:
    report = told(Order(5, len(fates) / seconds, seconds, bad=0.2), fates, wrong=wrong)
    whole = report.whole
    assert whole.offered == len(fates)
    assert whole.offered == whole.acknowledged + whole.nak + whole.duh + whole.late + whole.lost + whole.bad
    answered = [(word, delay) for word, delay in fates if word != NONE]
    assert whole.answered == whole.delays.get_total_count() == len(answered)
    assert whole.late == sum(word == ACK and round(delay * SECOND) > SECOND for word, delay in fates)
    assert whole.wrong == wrong
    assert 10 <= len(report.slices) <= 61
    assert report.slices[0].begin == 0
    assert all(one.end == two.begin for one, two in itertools.pairwise(report.slices))
    tenths = in_tenths(report.slices)
    assert len(tenths) in (10, 11)
    for name in load_report.COUNTED:
        assert sum(getattr(one, name) for one in tenths) == getattr(whole, name)


@pytest.mark.parametrize(
    ("fates", "wrong", "said"),
    [
        ([(ACK, 0.1)] * 10, 0, "All 10 messages were acknowledged within 1 s."),
        ([(ACK, 0.1)] * 9 + [(NONE, 0)], 0, "1 lost"),
        ([(ACK, 0.1)] * 9 + [(ACK, 1.1)], 0, "1 answered later than 1 s"),
        ([(ACK, 0.1)] * 9 + [(NAK, 0.1)], 0, "1 answered NAK"),
        ([(ACK, 0.1)] * 9 + [(DUH, 0.1)], 0, "1 answered DUH"),
        ([(ACK, 0.1)] * 10, 2, "2 wrong answers"),
        ([(ACK, 0.1)] * 9, 0, "Ended early by hand."),
    ],
)
def test_a_load_holds_only_if_all_was_acknowledged_in_time_and_nothing_else_came(
    fates: list[tuple[int, float]], wrong: int, said: str
) -> None:
    report = told(Order(5, 10, 1), fates, wrong=wrong)
    assert said in report.sentence()
    assert report.holds == report.to_json()["holds"] == said.startswith("All")


@given(st.lists(st.integers(1, 100_000_000), min_size=1, max_size=300))
def test_the_histograms_percentiles_are_the_sorted_values_to_three_digits(delays: list[int]) -> None:
    """`hdrhistogram` against sorting. Its rank may be the next one to the nearest rank."""
    ordered, made = sorted(delays), histogram(Counter(delays))
    for percentile in (50, 90, 99, 99.9, 100):
        rank = max(math.ceil(percentile / 100 * len(ordered)), 1) - 1
        near = ordered[max(rank - 1, 0)], ordered[min(rank + 1, len(ordered) - 1)]
        found = made.get_value_at_percentile(percentile)
        assert near[0] * 0.999 <= found <= near[1] * 1.001 + 1


def test_the_histograms_quantiles_are_those_of_the_standard_library() -> None:
    """`statistics.quantiles`, which lies between two values where they are many: here within a hundredth."""
    dice = random.Random(4471)
    delays = [round(dice.lognormvariate(7, 1)) + 1 for _ in range(50_000)]
    made, exact = histogram(Counter(delays)), statistics.quantiles(delays, n=1000)
    for percentile in (50.0, 90.0, 99.0, 99.9):
        assert milliseconds(made, percentile) == pytest.approx(exact[round(percentile * 10) - 1] / 1000, rel=0.01)


# Against receivers that are there


@contextmanager
def receiver(behave: Callable[[int, bytes], bytes | None], kind: str = "tcp") -> Iterator[int]:
    """A receiver in a thread, one connection after the other at the same time; `behave` gives the answer to the nth frame.

    None closes the connection.
    """
    server = socket.socket(type=socket.SOCK_STREAM if kind == "tcp" else socket.SOCK_DGRAM)
    server.bind((HOST, 0))
    server.settimeout(0.05)
    over, number, lock = threading.Event(), itertools.count(), threading.Lock()

    def serve(one: socket.socket) -> None:
        with one:
            while data := one.recv(65536):
                for piece in read_all(data):
                    with lock:
                        said = behave(next(number), piece.data)
                    if said is None:
                        return
                    one.sendall(said)

    def answer_datagrams() -> None:
        while not over.is_set():
            try:
                data, peer = server.recvfrom(65536)
            except TimeoutError:
                continue
            server.sendto(behave(next(number), data) or b"", peer)

    def accept() -> None:
        while not over.is_set():
            try:
                one, _ = server.accept()
            except TimeoutError:
                continue
            one.settimeout(None)
            threads.append(threading.Thread(target=serve, args=(one,)))
            threads[-1].start()

    threads: list[threading.Thread] = []
    if kind == "tcp":
        server.listen(100)
    main = threading.Thread(target=accept if kind == "tcp" else answer_datagrams)
    main.start()
    try:
        yield server.getsockname()[1]
    finally:
        over.set()
        main.join()
        server.close()
        for thread in threads:
            thread.join()


def play(port: int, order: Order, *, late: float = 0.3, kind: Any = "tcp", **more: Any) -> Report:
    run = Run(order, schedule(order))
    senders = population(account_numbers("100000", order.accounts), [], order.seed)
    Driver(run, senders, look_up(HOST, port, kind), patience=round(late * SECOND), **more).go()
    return Report(run, late, {"target": f"{HOST}:{port}", "transport": kind, "began": ""},
                  {"population": "", "messages": "", "caution": ""})  # fmt: skip


def ack(_: int, frame: bytes) -> bytes:
    """A receiver that answers as it should: an ACK, and nothing to a frame whose CRC is wrong."""
    return b"" if decode(frame).problems else reply("ACK", frame)


@pytest.mark.parametrize("kind", ["tcp", "udp"])
@pytest.mark.parametrize("habits", [(0,), (1,), (0, 1, 3)], ids=["keep", "each", "mixed"])
def test_a_right_receiver_passes_whatever_the_panels_habit(
    kind: str, habits: tuple[int, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(load_driver, "QUIET", SECOND // 20)
    order = Order(6, 600, 0.2, polls=0.2, repeats=0.2, bad=0.1)
    with receiver(ack, kind) as port:
        report = play(port, order, kind=kind, habits=habits, late=2.0)
    assert report.holds, (report.sentence(), report.to_json())
    assert (report.whole.acknowledged, report.whole.bad) == (108, 12)
    opened = {(0,): 6, (1,): 120}.get(habits)
    assert opened in (None, report.run.opened)


@pytest.mark.parametrize("kind", ["tcp", "udp"])
def test_a_receiver_that_drops_each_fourth_message_loses_as_many(kind: str) -> None:
    with receiver(lambda number, frame: b"" if number % 4 == 3 else ack(number, frame), kind) as port:
        report = play(port, Order(5, 200, 0.4), kind=kind)
    assert (report.whole.lost, report.whole.acknowledged, report.whole.wrong, report.holds) == (20, 60, 0, False)


def test_a_receiver_that_answers_with_the_next_sequence_is_wrong_and_its_messages_are_lost() -> None:
    def lie(number: int, frame: bytes) -> bytes:
        sequence = decode(frame).sequence or 0
        return changed(ack(number, frame), b"%04d" % sequence, b"%04d" % (sequence + 500))

    with receiver(lie) as port:
        report = play(port, Order(5, 200, 0.2, seed=1))
    assert (report.whole.lost, report.whole.wrong, report.whole.acknowledged) == (40, 40, 0)
    assert "no message waits for an answer with the sequence" in report.run.wrong.samples[0]
    assert '"ACK"' in report.run.wrong.samples[0]


def test_a_receiver_that_acknowledges_what_has_a_wrong_crc_is_found_out() -> None:
    with receiver(lambda _, frame: reply("ACK", frame)) as port:
        report = play(port, Order(5, 200, 0.4, bad=0.25), late=1)
    assert (report.whole.wrong, report.whole.lost, report.whole.acknowledged) == (20, 0, 60)


def test_a_receiver_that_hangs_up_breaks_connections_and_panels_open_new_ones() -> None:
    hung = list[int]()

    def answer(number: int, frame: bytes) -> bytes | None:
        if number % 10 == 9:
            hung.append(number)
            return None
        return ack(number, frame)

    with receiver(answer) as port:
        report = play(port, Order(2, 200, 0.5), late=0.5)
    assert len(report.run.broken.at) >= len(hung) >= 3
    assert report.run.broken.samples[0].startswith(("closed by the receiver", "connection reset", "broken pipe"))
    assert report.run.opened >= 2 + len(hung) - 2  # the last of each panel may have come to nothing any more
    assert report.whole.lost + report.whole.acknowledged == 100
    assert report.whole.lost >= len(hung)


def test_a_stall_shows_in_every_message_that_was_due_in_it_since_the_schedule_does_not_wait() -> None:
    """Coordinated omission: a client that waited for the answer would have met the stall once, in one message."""
    stalled = []

    def stall(number: int, frame: bytes) -> bytes:
        if number == 40:
            stalled.append(time.monotonic())
            time.sleep(0.6)
        return ack(number, frame)

    with receiver(stall) as port:
        report = play(port, Order(1, 200, 1.2, arrivals="even"), late=10)
    assert (len(stalled), report.whole.acknowledged) == (1, 240)
    slow = [delay for delay in report.run.delay if delay > 0.2 * SECOND]
    assert len(slow) >= 60  # some 80 were due in the first 0.4 s of it
    assert max(report.run.delay) >= 0.55 * SECOND
    assert (milliseconds(report.whole.delays, 90) or 0) > 200
    left = array("q", sorted(report.run.lag))
    assert left[len(left) // 2] < 0.1 * SECOND  # and yet they left when they were due


def test_an_answer_that_comes_too_late_is_late_and_not_lost() -> None:
    def slow(number: int, frame: bytes) -> bytes:
        time.sleep(0.3 * (number == 0))
        return ack(number, frame)

    with receiver(slow) as port:
        report = play(port, Order(1, 20, 0.5, arrivals="even"), late=0.25)
    assert report.whole.late >= 1
    assert (report.whole.lost, report.whole.late + report.whole.acknowledged, report.holds) == (0, 10, False)


# The command


@pytest.mark.parametrize("transport", [(), ("--udp",)])
def test_a_closed_port_ends_at_once_with_the_reason(inside: Farend, transport: tuple[str, ...]) -> None:
    with socket.socket(type=socket.SOCK_DGRAM if transport else socket.SOCK_STREAM) as probe:
        probe.bind((HOST, 0))
        port = probe.getsockname()[1]
    began = time.monotonic()
    done = inside("trial", "load", f"{HOST}:{port}", "--for", 60, *transport)
    assert done.code == 2
    assert f"{HOST}:{port} cannot be loaded over {'UDP' if transport else 'TCP'}: connection refused" in done.err
    assert time.monotonic() - began < 30


@pytest.mark.parametrize(
    ("options", "why"),
    [
        ((), "say HOST:PORT"),
        ((f"{HOST}:1", "--rate", "0"), "a rate above 0"),
        ((f"{HOST}:1", "--for", "nan"), "lasts up to"),
        ((f"{HOST}:1", "--polls", "0.6", "--bad", "0.6"), "add up to more than 1"),
        ((f"{HOST}:1", "--late", "0"), "--late"),
        ((f"{HOST}:1", "--connections", "often"), "keep, each and a number"),
        ((f"{HOST}:1", "--first", "99"), "3 to 16 hex digits"),
        ((f"{HOST}:1", "--key", "12"), "--key"),
        ((f"{HOST}:1", "--report", "nowhere/load.html"), "there is no folder nowhere"),
        (("192.0.2.1:12009", "--target-is-mine", "192.0.2.2"), "nothing was sent"),
    ],
)
def test_what_cannot_be_done_is_said_before_anything_is_sent(
    inside: Farend, options: tuple[str, ...], why: str
) -> None:
    done = inside("trial", "load", *options)
    assert (done.code, done.out) == (2, b"")
    assert why in done.err
    assert "Traceback" not in done.err


def test_it_says_first_what_it_will_do_to_whom_and_that_it_is_a_bench_tool(inside: Farend) -> None:
    with receiver(ack) as port:
        done = inside("trial", "load", f"{HOST}:{port}", "--accounts", 20, "--rate", 100, "--for", 0.5, "--bad", 0.1,
                      "--seed", 7)  # fmt: skip
    assert done.code == 0, done
    assert done.err.startswith("farend is a bench tool, not a listed or approved receiver.")
    assert f"to {HOST}:{port} over TCP: 50 messages in 0.5 s, 100 a second, at random moments" in done.err
    assert "(45 messages, 5 bad frames; seed 7)" in done.err
    assert "as 20 accounts 100000 to 100019, keep their connection, in clear" in done.err
    assert "All 45 messages were acknowledged within 20 s, and none of 5 bad frames was answered." in done.out.decode()


def test_an_account_book_is_written_for_the_population_and_never_over_another(
    inside: Farend, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OTHER", "0" * 32)
    options = ("trial", "load", "--accounts", 30, "--first", "A0F0", "--book-for", "load.toml")
    assert inside(*options, "--key", SECRET, "--key", "env:OTHER").code == 0
    written = load_book(tmp_path / "load.toml").accounts
    assert [account.number for account in written] == account_numbers("A0F0", 30)
    blocks = [account.key.encrypt(bytes(16)) for account in written if account.key]
    assert blocks == [Key.from_hex(one).encrypt(bytes(16)) for one in (SECRET, "0" * 32)] * 15
    done = inside(*options)
    assert done.code == 2
    assert "is there already" in done.err


def run_against_the_bench(done: Done, bench: Any) -> dict[str, Any]:
    *slices, summary = done.objects
    assert done.code == 0, (done.err, summary)
    assert {one["what"] for one in slices} == {"slice"}
    assert (summary["what"], summary["holds"]) == ("summary", True)
    assert sum(one["offered"] for one in slices) == summary["offered"] == sum(summary["scheduled"].values())
    assert set(summary["scheduled"]) == set(KINDS)
    bench.printed(summary["offered"])
    return dict(summary)


def test_our_own_bench_takes_a_load_in_clear_over_tcp_and_keeps_every_message(
    inside: Farend, listening: Any, tmp_path: Path
) -> None:
    assert inside("trial", "load", "--accounts", 40, "--book-for", "load.toml").code == 0
    bench = listening("--book", tmp_path / "load.toml")
    kinds = ("--polls", 0.2, "--repeats", 0.2, "--bad", 0.1, "--connections", "keep,each,5")
    files = ("--report", "load.html", "--picture", "load.svg", "--json")
    done = inside("trial", "load", bench.at(), "--accounts", 40, "--rate", 250, "--for", 1, *kinds, *files)
    summary = run_against_the_bench(done, bench)
    assert summary["acknowledged"] == 225
    counts, verdicts = summary["scheduled"], Counter(one["verdict"] for one in bench.objects)
    assert verdicts["poll"] == counts["polls"]
    assert verdicts["unreadable"] == counts["bad"]
    assert verdicts["accepted"] + verdicts["repeat"] == counts["messages"] + counts["repeats"]
    assert verdicts["repeat"] == counts["repeats"]
    assert_needs_nothing_else((tmp_path / "load.svg").read_text())
    page = (tmp_path / "load.html").read_text()
    assert page.startswith("<!doctype html>")
    assert_needs_nothing_else(page[page.index("<svg") : page.index("</svg>") + len("</svg>")])
    assert not [one for one in ("src=", "href=", "url(", "<script", "@import") if one in page]


def test_our_own_bench_takes_a_sealed_load_over_udp(inside: Farend, listening: Any, tmp_path: Path) -> None:
    sealed = ("--accounts", 20, "--key", SECRET)
    assert inside("trial", "load", *sealed, "--book-for", "load.toml").code == 0
    bench = listening("--book", tmp_path / "load.toml")
    rest = ("--udp", "--rate", 150, "--for", 1, "--polls", 0.2, "--repeats", 0.1, "--bad", 0.1, "--json")
    summary = run_against_the_bench(inside("trial", "load", bench.at("udp"), *sealed, *rest), bench)
    assert (summary["encrypted"], summary["acknowledged"]) == (True, 135)
    assert len(only(bench.objects, encrypted=True, reply="ACK")) == 135


def test_a_receiver_that_does_not_know_the_accounts_is_told_apart_from_one_that_fails(
    inside: Farend, listening: Any, station: Path
) -> None:
    bench = listening("--book", station)
    done = inside("trial", "load", bench.at(), "--rate", 50, "--for", 0.5)
    assert done.code == 1
    assert "25 answered DUH" in done.out.decode()
    assert "--book-for writes a book for farend" in done.out.decode()


# The picture


def assert_needs_nothing_else(svg: str) -> None:
    """Well-formed, with a title, and nothing in it that would be fetched."""
    tree = ElementTree.fromstring(svg)
    assert tree.tag == "{http://www.w3.org/2000/svg}svg"
    assert tree.find("{http://www.w3.org/2000/svg}title") is not None
    for element in tree.iter():
        assert not element.tag.endswith(("script", "image", "use", "foreignObject"))
        assert not [name for name in element.attrib if name.endswith(("href", "src")) or name.startswith("on")]
        assert "url(" not in (element.text or "") + " ".join(element.attrib.values())
    assert svg.count("http") == 1  # the namespace
    assert "prefers-color-scheme: dark" in svg


@settings(max_examples=15, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from((NONE, ACK)), st.floats(0, 50)), min_size=1, max_size=30), st.integers(1, 100)
)
def test_whatever_came_of_a_load_its_picture_is_drawn_and_lies_within_its_frame(
    fates: list[tuple[int, float]], seconds: int
) -> None:
    report = told(Order(5, len(fates) / seconds, seconds), fates, late=20)
    assert_needs_nothing_else(load_report.picture(report))
    for chart in load_report.charts(report):
        for line in chart.lines:
            numbers = [float(one) for one in line.path.replace("M", "").replace("L", "").replace("h0.1", "").split()]
            assert all(load_report.LEFT - 1 <= x <= load_report.WIDE for x in numbers[::2]), line
            assert all(-1 <= y <= load_report.HIGH + 1 for y in numbers[1::2]), line
    assert load_report.page(report)


def test_what_a_receiver_says_stays_text_on_the_page() -> None:
    report = told(Order(5, 10, 1), [(ACK, 0.1)] * 10)
    report.run.wrong.add(0, "why", b"\n<script>alert(1)</script>\r")
    page = load_report.page(report)
    assert "&lt;script&gt;" in page
    assert "<script" not in page
