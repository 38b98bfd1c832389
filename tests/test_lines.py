"""The lines and the desk, seen on real sockets: the desk's table row by row, hostile lines, TLS, IPv6, and the clock.

`TABLE` reads like the table of verdicts: what is sent, what it becomes, what is answered, which problems are named.
"""

import asyncio
import contextlib
import random
import re
import socket
import sqlite3
import ssl
import struct
import threading
import time
import warnings
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from conftest import (
    HOST,
    KEY,
    MARK,
    MARKED,
    OTHER_KEY,
    SECONDS,
    Bench,
    Stream,
    ack,
    alarm,
    envelope,
    opened_answer,
    sealed,
    stamp,
)
from OpenSSL import SSL

from receiver.clock import Clock
from receiver.journal import Row, Store
from receiver.tls import tls_context

Open = Callable[..., Bench]
BOTH_LINES = pytest.mark.parametrize("line", ["tcp", "udp"])


# What is sent. Functions, because stamps are of the moment of sending.


def clear(body: str) -> Callable[[], bytes]:
    return lambda: envelope(body)


def bytes_of(data: bytes) -> Callable[[], bytes]:
    return lambda: data


def stamped(body: str, seconds: float) -> Callable[[], bytes]:
    return lambda: envelope(body + stamp(seconds))


def harrow(
    seconds: float | None = 0, account: str = "8C20", message: str = "Nri1/FA3", token: str = "*SIA-DCS", key: Any = KEY
) -> Callable[[], bytes]:
    """An encrypted message of account 8C20, stamped so many seconds from now; None sends no stamp."""
    return lambda: sealed(
        f'"{token}"0007L0#8C20', f"#{account}|{message}]{'' if seconds is None else stamp(seconds)}", key
    )


BURGLARY = '"SIA-DCS"0012L0#4471[#4471|Nri1/BA15]'
POLL = '"NULL"0000L0#{}[]'
WRONG_CRC = b"\n0000" + envelope(BURGLARY)[5:]
WRONG_LENGTH = envelope(BURGLARY)[:5] + b"0024" + envelope(BURGLARY)[9:]
ANNOUNCED = envelope(BURGLARY)[:5] + b"1025" + envelope(BURGLARY)[9:]
REACHED = b'\n00000FFF"SIA-DCS"0012L0#4471[#4471|Nri1/BA15*' + b"x" * 4100 + b"*]\r"


def duh(echo: str) -> bytes:
    return envelope(f'"DUH"{echo}[]')


# What is answered, where it is not the same bytes each time.


def sealed_ack(answer: bytes) -> bool:
    """`*ACK`, with the receiver's time sealed in it (5.5.3.1)."""
    head = re.match(rb'\n[0-9A-F]{4}0[0-9A-F]{3}"\*ACK"(\d{4}L0#8C20\[[0-9A-F]{64})\r', answer)
    return bool(head) and answer == envelope(answer[9:-1]) and _now(opened_answer(answer), "]_%H:%M:%S,%m-%d-%Y")


def nak_with_the_time(answer: bytes) -> bool:
    """`"NAK"0000R0L0A0[]_HH:MM:SS,MM-DD-YYYY`, in clear (5.5.3.2; its form was verified on a real frame)."""
    return answer == envelope(answer[9:-1]) and _now(answer[9:-1].decode(), '"NAK"0000R0L0A0[]_%H:%M:%S,%m-%d-%Y')


def _now(text: str, form: str) -> bool:
    told = datetime.strptime(text, form).replace(tzinfo=UTC)
    return abs(datetime.now(UTC) - told) < timedelta(seconds=SECONDS)


NOTHING = b""


class Case(NamedTuple):
    """One row of the table."""

    what: str
    sent: Callable[[], bytes]
    verdict: str
    answer: bytes | Callable[[bytes], bool]
    problems: tuple[str, ...] = ()
    unknown: str = "duh"


TABLE = [
    Case("bytes outside any frame", bytes_of(b"hello, who is there?"), "noise", NOTHING, ("noise",)),
    Case("a frame that announces too much", bytes_of(ANNOUNCED), "noise", NOTHING, ("oversize",)),
    Case("a frame that reaches too much", bytes_of(REACHED), "noise", NOTHING, ("oversize",)),
    Case("crc wrong", bytes_of(WRONG_CRC), "unreadable", NOTHING, ("crc-mismatch",)),
    Case("length wrong", bytes_of(WRONG_LENGTH), "unreadable", NOTHING, ("length-mismatch",)),
    Case("no envelope", bytes_of(b"\nhello, who is there?\r"), "unreadable", NOTHING, ("bad-envelope", "bad-token")),
    Case("unknown account", clear('"ADM-CID"0003R2L1#4417[#4417|1131 01 015]'), "unknown-account", duh("0003R2L1#4417")),
    Case("its poll", clear(POLL.format("4417")), "unknown-account", duh("0000L0#4417")),
    Case("with --unknown ack", bytes_of(alarm(3, "4417")), "unknown-account", ack(3, "4417"), (), "ack"),
    Case("its poll, ack", clear(POLL.format("4417")), "unknown-account", ack(0, "4417"), (), "ack"),
    Case("with --unknown silent", bytes_of(alarm(3, "4417")), "unknown-account", NOTHING, (), "silent"),
    Case("its poll, silent", clear(POLL.format("4417")), "unknown-account", NOTHING, (), "silent"),
    Case("on-test account, not on test", bytes_of(alarm(3, "0930")), "held-back", NOTHING),
    Case("its poll, not on test", clear(POLL.format("0930")), "held-back", NOTHING),
    Case(
        "encrypted, and no key",
        lambda: sealed('"*SIA-DCS"0012L0#4471', "#4471|Nri1/BA15]" + stamp()),
        *("undecryptable", duh("0012L0#4471"), ("no-key",)),
    ),
    Case(
        "encrypted with another key",
        *(harrow(key=OTHER_KEY), "undecryptable", duh("0007L0#8C20"), ("decrypt-failed",)),
    ),
    Case("in clear, and it has a key", bytes_of(alarm(7, "8C20")), "must-encrypt", duh("0007L0#8C20")),
    Case("its poll in clear", clear(POLL.format("8C20")), "must-encrypt", duh("0000L0#8C20")),
    Case("encrypted without a stamp", harrow(None), "stale-clock", nak_with_the_time, ("missing-stamp",)),
    Case("stamp 25 s ahead", harrow(25), "stale-clock", nak_with_the_time, ("bad-stamp",)),
    Case("stamp 45 s behind", harrow(-45), "stale-clock", nak_with_the_time, ("bad-stamp",)),
    Case("stamp 18 s ahead", harrow(18), "accepted", sealed_ack),
    Case("stamp 38 s behind", harrow(-38), "accepted", sealed_ack),
    Case(
        "another account inside, encrypted",
        *(harrow(account="4471"), "undecryptable", duh("0007L0#8C20"), ("account-differs",)),
    ),
    Case("a token not known", clear('"XYZ-ABC"0012L0#4471[]'), "unsupported", duh("0012L0#4471"), ("bad-token",)),
    Case(
        "a payload that cannot be read",
        *(clear('"ADM-CID"0012L0#4471[#4471|fire!]'), "unsupported", duh("0012L0#4471"), ("bad-payload",)),
    ),
    Case("poll", clear('"NULL"0000R1L2#4471[]'), "poll", envelope('"ACK"0000R1L2#4471[]')),
    Case("poll, encrypted", lambda: sealed('"*NULL"0000L0#8C20', "]" + stamp()), "poll", sealed_ack),
    Case("stamp out of the window, in clear", stamped(BURGLARY, -90), "accepted", ack(12), ("bad-stamp",)),
    Case("sequence 0000", bytes_of(alarm(0)), "accepted", ack(0), ("bad-sequence",)),
    Case("unknown code", bytes_of(alarm(12, message="Nri1/ZQ15")), "accepted", ack(12), ("unknown-code",)),
    Case(
        "another account inside, in clear",
        *(clear('"SIA-DCS"0012L0#4471[#4472|Nri1/BA15]'), "accepted", ack(12), ("account-differs",)),
    ),
    Case("anything else", stamped('"ADM-CID"0012R1L2#4471[#4471|1131 01 015]', 0), "accepted",
         envelope('"ACK"0012R1L2#4471[]')),
    Case("with leading zeros", clear('"SIA-DCS"0012L0#004471[|Nri1/BA15]'), "accepted", ack(12, "004471")),
    Case("encrypted", harrow(), "accepted", sealed_ack),
]  # fmt: skip


@BOTH_LINES
@pytest.mark.parametrize("case", TABLE, ids=[case.what.replace(" ", "-") for case in TABLE])
async def test_the_desks_table(open_bench: Open, line: str, case: Case) -> None:
    """What is readable as an alarm is told loudly besides, whatever becomes of it: never as one row among others.

    An ACK ends the panel's duty, and anything else leaves the alarm with nobody.
    """
    bench = open_bench(line, unknown=case.unknown)
    said = await bench.say(await bench.panel(line), case.sent())
    entry = said.entry
    assert (entry["verdict"], tuple(said.problems)) == (case.verdict, case.problems)
    assert case.answer(said.answer) if callable(case.answer) else said.answer == case.answer
    assert entry["reply"] == (re.findall(rb'"\*?([A-Z]+)"', said.answer) or [b"none"])[0].decode()
    assert bench.rows() == ([] if case.verdict == "poll" else [entry])
    grave = any(signal["category"] in ("burglary", "fire") for signal in entry["signals"])
    assert entry["refused_alarm"] is (grave and entry["reply"] != "ACK")
    assert any("is this real?" in told for told in bench.told) is grave


async def test_an_account_that_answers_only_on_test_does_while_it_is(open_bench: Open) -> None:
    bench = open_bench()
    panel = await bench.panel()
    assert (await bench.say(panel, alarm(3, "0930"))).entry["verdict"] == "held-back"
    on_test(bench, 3600)
    said = await bench.say(panel, alarm(3, "0930"))
    assert (said.entry["verdict"], said.answer) == ("accepted", ack(3, "0930"))
    assert said.entry["warning"] is None  # an alarm of an account on test is no surprise
    said = await bench.say(panel, envelope(POLL.format("0930")))
    assert (said.entry["verdict"], said.answer) == ("poll", ack(0, "0930"))
    on_test(bench, 0.3)
    await bench.tells("no longer on test")
    assert (await bench.say(panel, alarm(4, "0930"))).entry["verdict"] == "held-back"
    events = [row["event"] for row in bench.rows(events=True) if "test" in row.get("event", "")]
    assert events == ["on-test", "on-test", "off-test"]


def on_test(bench: Bench, seconds: float) -> None:
    """What `farend book on-test` does."""
    until = datetime.now(UTC) + timedelta(seconds=seconds)
    bench.wish(wish="on-test", account="930", until=until.isoformat(), reference="T-1")


async def test_the_same_message_again_much_later_is_a_number_used_again(open_bench: Open) -> None:
    """Within the settable time near a panel's retry span it is a repeat, after it a new event."""
    later = 0.0
    clock = Clock(lambda: time.time() + later, lambda: time.monotonic() + later)
    bench = open_bench(repeat_seconds=120.0, clock=clock)
    panel = await bench.panel()
    await bench.say(panel, alarm(12))
    assert (await bench.say(panel, alarm(12))).entry["verdict"] == "repeat"
    later = 121.0
    said = await bench.say(panel, alarm(12))
    assert (said.entry["verdict"], said.entry["sequence_note"], said.answer) == ("accepted", "reused", ack(12))


async def test_the_same_message_again_on_another_line_is_a_repeat_tied_to_the_first(open_bench: Open) -> None:
    """In clear the same bytes again; encrypted with a new stamp, so other bytes (from memory of DC-09)."""
    bench = open_bench()
    tcp, udp = await bench.panel("tcp"), await bench.panel("udp")
    first = (await bench.say(tcp, alarm(12))).entry
    again = await bench.say(udp, alarm(12))
    assert (again.entry["verdict"], again.entry["sequence_note"]) == ("repeat", "repeat")
    assert (again.entry["repeat_of"], again.answer) == (first["row"], ack(12))
    assert again.entry["warning"] is None  # it was told when it came first
    sealed_first = (await bench.say(udp, harrow(-5)())).entry
    sealed_again = await bench.say(tcp, harrow(0)())
    assert (sealed_again.entry["verdict"], sealed_again.entry["repeat_of"]) == ("repeat", sealed_first["row"])
    assert sealed_ack(sealed_again.answer)
    assert [row["verdict"] for row in bench.rows()] == ["accepted", "repeat", "accepted", "repeat"]


@BOTH_LINES
@pytest.mark.parametrize(
    ("before", "now", "note"),
    [
        ([1], 2, None),
        ([9998, 9999], 1, None),
        ([5], 5, "reused"),
        ([5, 6, 7], 5, "reused"),
        ([5], 9, "gap"),
        ([9998], 3, "gap"),
        ([700], 500, "gap"),
        ([700], 1, "restart"),
        ([700], 42, "restart"),
    ],
)
async def test_a_number_out_of_order_is_no_error_but_is_noted(
    open_bench: Open, line: str, before: list[int], now: int, note: str | None
) -> None:
    """0001 to 9999, then 0001 again; a number out of order is no error (the standard's author, in public answers)."""
    bench = open_bench(line)
    panel = await bench.panel(line)
    for sequence in before:
        await bench.say(panel, alarm(sequence))
    said = await bench.say(panel, alarm(now, message="Nri1/BR15"))
    assert (said.entry["verdict"], said.entry["sequence_note"], said.answer) == ("accepted", note, ack(now))


async def test_a_poll_moves_the_paths_count_on_and_makes_no_row(open_bench: Open) -> None:
    bench = open_bench()
    tcp, udp = await bench.panel("tcp"), await bench.panel("udp")
    for panel in (tcp, tcp, udp):
        assert await panel.ask(envelope(POLL.format("4471"))) == ack(0)
    seen = {(seen.account, seen.line, seen.path): seen.polls for seen in bench.bench._seen.values()}
    assert seen == {("4471", "tcp", "wired"): 2, ("4471", "udp", "wifi"): 1}
    assert bench.rows() == []


async def test_polls_are_rows_when_asked(open_bench: Open) -> None:
    bench = open_bench(keep_polls=True)
    assert await (await bench.panel()).ask(envelope(POLL.format("4471"))) == ack(0)
    assert [row["verdict"] for row in bench.rows()] == ["poll"]


# The journal fails; the ACK waits for it


class Breaking(Store):
    """A disk that refuses while `broken`, and is slow while `gate` is shut."""

    broken = False
    gate = threading.Event()

    def append(self, rows: list[Row], seen: Iterable[Any] = ()) -> list[Row]:
        assert self.gate.wait(SECONDS)
        if self.broken:
            raise sqlite3.OperationalError("database or disk is full")
        return super().append(rows, seen)


@pytest.fixture(autouse=True)
def gate() -> threading.Event:
    """Open at the start of each test."""
    Breaking.gate = threading.Event()
    Breaking.gate.set()
    return Breaking.gate


@BOTH_LINES
async def test_while_the_journal_cannot_write_nothing_is_answered_and_it_recovers_by_itself(
    open_bench: Open, line: str
) -> None:
    bench = open_bench(line, store=Breaking)
    store = bench.bench.store
    panel = await bench.panel(line)
    assert await panel.ask(alarm(11)) == ack(11)
    store.broken = True
    await panel.send(alarm(12))
    await bench.tells("THE JOURNAL CANNOT WRITE")
    await panel.send(envelope(POLL.format("4471")))
    await panel.send(alarm(13))
    assert await panel.hears_nothing()
    assert [(await bench.entry())["verdict"] for _ in range(4)] == ["accepted", "not-kept", "not-kept", "not-kept"]
    store.broken = False
    await bench.tells("the journal writes again")
    # It never was here: the panel's next try is no repeat, and follows on from 0011 without a gap.
    said = await bench.say(panel, alarm(12))
    assert (said.entry["verdict"], said.entry["sequence_note"], said.answer) == ("accepted", None, ack(12))
    verdicts = [(row["sequence"], row["verdict"], row["refused_alarm"]) for row in bench.rows()]
    missed = [(12, "not-kept", True), (0, "not-kept", False), (13, "not-kept", True)]
    assert verdicts == [(11, "accepted", False), *missed, (12, "accepted", False)]


async def test_damage_and_noise_stay_what_they_are_while_the_journal_cannot_write(open_bench: Open) -> None:
    bench = open_bench(store=Breaking)
    bench.bench.store.broken = True
    panel = await bench.panel("udp")
    await panel.send(WRONG_CRC)
    await panel.send(b"hello")
    assert {(await bench.entry())["verdict"] for _ in range(2)} == {"unreadable", "noise"}
    bench.bench.store.broken = False
    await bench.tells("the journal writes again")


@BOTH_LINES
async def test_the_ack_leaves_only_after_the_row_is_on_disk(open_bench: Open, gate: threading.Event, line: str) -> None:
    bench = open_bench(line, store=Breaking)
    panel = await bench.panel(line)
    await bench.say(panel, alarm(11))
    gate.clear()
    await panel.send(alarm(12))
    assert await panel.hears_nothing(0.4)
    assert [row["sequence"] for row in bench.rows()] == [11]
    gate.set()
    assert await panel.until(b"\r") == ack(12)
    assert [row["sequence"] for row in bench.rows()] == [11, 12]


async def test_a_bench_that_is_stopped_answers_what_it_has_read(open_bench: Open, gate: threading.Event) -> None:
    from twisted.internet.defer import ensureDeferred

    bench = open_bench("tcp", store=Breaking)
    panel = await bench.panel()
    await bench.say(panel, alarm(11))
    gate.clear()
    await panel.send(alarm(12))
    assert await panel.hears_nothing(0.1)
    stopping = asyncio.ensure_future(ensureDeferred(bench.bench.stop()).asFuture(asyncio.get_running_loop()))
    await asyncio.sleep(0.1)
    gate.set()
    bench.bench.stop = lambda: asyncio.sleep(0)
    await stopping
    assert await panel.until(b"\r") == ack(12)


# The clock


async def test_after_the_clock_stepped_no_nak_teaches_its_time_until_a_person_confirms_it(open_bench: Open) -> None:
    error = 0.0
    bench = open_bench(clock=Clock(lambda: time.time() + error, time.monotonic))
    panel = await bench.panel()
    assert nak_with_the_time((await bench.say(panel, harrow(-90)())).answer)
    error = 300.0
    said = await bench.say(panel, harrow(0)())
    assert (said.entry["verdict"], said.entry["reply"], said.answer) == ("stale-clock", "none", b"")
    assert await bench.tells("THE CLOCK STEPPED by +300.0 s")
    assert (await bench.say(panel, alarm(1))).answer == ack(1)  # what needs no clock goes on
    bench.wish(wish="clock-confirmed", by="a person")
    await bench.tells("the clock was confirmed")
    said = await bench.say(panel, harrow(0)())
    assert (said.entry["verdict"], said.entry["reply"]) == ("stale-clock", "NAK")
    assert f'"NAK"0000R0L0A0[]{stamp(300)}'.encode()[:-14] in said.answer
    events = [row["event"] for row in bench.rows(events=True) if "event" in row]
    assert events == ["start", "clock-stepped", "clock-confirmed"]


# Hostile lines


async def test_half_a_frame_and_then_a_close_gives_a_row(open_bench: Open) -> None:
    bench = open_bench()
    panel = await bench.panel()
    await panel.send(alarm(12)[:30])
    await panel.close()
    entry = await bench.entry()
    assert (entry["verdict"], entry["reply"], entry["size"]) == ("unreadable", "none", 30)
    assert bench.rows() == [entry]


async def test_a_frame_that_comes_byte_by_byte_is_read(open_bench: Open) -> None:
    bench = open_bench()
    panel = await bench.panel()
    panel.writer.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    for byte in alarm(12):
        await panel.send(bytes([byte]))
        await asyncio.sleep(0.002)
    assert await panel.until(b"\r") == ack(12)


@pytest.mark.parametrize("line", ["tcp", "tls"])
async def test_who_begins_a_frame_and_does_not_end_it_in_time_is_closed_with_a_row(
    open_bench: Open, certificate: tuple[Path, Path], line: str
) -> None:
    """One byte now and then does not keep a connection: the time is for the whole frame."""
    secured = line == "tls"
    bench = open_bench(line, limits={"frame": 0.3}, certificate=certificate if secured else None)
    panel = await bench.panel(line, trusting(certificate) if secured else None)
    began = time.monotonic()
    with contextlib.suppress(ConnectionError):
        for byte in alarm(12)[:-1]:
            await panel.send(bytes([byte]))
            if not await panel.hears_nothing(0.1):
                break
    assert 0.3 <= time.monotonic() - began < 3.0
    assert await panel.receive() == b""
    entry = await bench.entry()
    assert (entry["verdict"], entry["reply"]) == ("unreadable", "none")


async def test_a_steady_stream_cut_in_mid_frame_each_time_is_not_cut_off(open_bench: Open) -> None:
    """The time is for each frame, not for the stream: every segment here ends inside a frame."""
    bench = open_bench(limits={"frame": 0.4})
    panel = await bench.panel()
    stream = b"".join(alarm(sequence) for sequence in range(1, 14))
    size = len(alarm(1))
    await panel.send(stream[: size // 2])
    for turn in range(12):
        await asyncio.sleep(0.15)
        await panel.send(stream[size // 2 + turn * size : size // 2 + (turn + 1) * size])
        assert await panel.until(b"\r") == ack(turn + 1)


async def test_one_address_that_cannot_be_written_to_costs_no_other_peer_its_answer(open_bench: Open) -> None:
    """A forged source such as the broadcast address: its write fails, in the same commit as another's."""
    bench = open_bench("udp")
    panel = await bench.panel("udp")
    (line,) = bench.bench._datagrams
    await panel.send(alarm(12))
    line.datagramReceived(alarm(13), ("255.255.255.255", 9))
    assert await panel.receive() == ack(12)
    await panel.send(alarm(14))
    assert await panel.receive() == ack(14)


async def test_thousands_of_scraps_in_one_datagram_are_a_bounded_number_of_rows(open_bench: Open) -> None:
    bench = open_bench("udp")
    panel = await bench.panel("udp")
    await panel.send(b"\nA\r" * 5000)
    entries = [await bench.entry() for _ in range(65)]
    assert sum(entry["size"] for entry in entries) == 15_000
    assert [entry["verdict"] for entry in entries] == ["unreadable"] * 64 + ["noise"]


async def test_noise_is_one_row_soon_after_it_falls_quiet(open_bench: Open) -> None:
    bench = open_bench(limits={"quiet": 0.2})
    panel = await bench.panel()
    await panel.send(b"hello")
    await asyncio.sleep(0.05)
    await panel.send(b" there")
    entry = await bench.entry()
    assert (entry["verdict"], entry["raw"]) == ("noise", "hello there")
    assert await panel.ask(alarm(12)) == ack(12)


async def test_a_silent_connection_is_closed(open_bench: Open) -> None:
    bench = open_bench(limits={"idle": 0.1})
    panel = await bench.panel()
    assert await panel.ask(alarm(12)) == ack(12)
    await asyncio.sleep(0.15)
    bench.bench._every_minute()
    with contextlib.suppress(ConnectionError):
        assert await panel.receive() == b""
    assert [row["sequence"] for row in bench.rows()] == [12]


async def test_a_client_that_never_reads_its_answers_stops_nobody_else(open_bench: Open) -> None:
    bench = open_bench("tcp")
    honest = await bench.panel()
    poll = envelope('"NULL"0000R000001L000001#0000000000004471[]')
    with socket.socket() as greedy:
        greedy.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        greedy.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        greedy.connect(bench.ports["tcp"])
        greedy.setblocking(False)
        sent, stuck = 0, 0
        while stuck < 20:  # until the bench has not read from it for a while
            try:
                sent += greedy.send(poll * 100)
                stuck = 0
            except BlockingIOError:
                stuck += 1
                await asyncio.sleep(0.01)
            assert sent < 50_000_000, "the bench goes on reading, and its answers pile up in memory"
        for sequence in range(1, 6):
            async with asyncio.timeout(1):
                assert await honest.ask(alarm(sequence)) == ack(sequence)


async def test_megabytes_without_an_lf_delay_nobody_and_are_one_row_with_the_whole_count(open_bench: Open) -> None:
    bench = open_bench("tcp")
    hostile, honest = await bench.panel(), await bench.panel()
    flood = asyncio.create_task(hostile.send(b"\x00\xff" * 1_000_000))
    for sequence in range(1, 6):
        async with asyncio.timeout(1):
            assert await honest.ask(alarm(sequence)) == ack(sequence)
    await flood
    await hostile.close()
    noise: dict[str, Any] = {"verdict": None}
    while noise["verdict"] != "noise":
        noise = await bench.entry()
    assert (noise["size"], noise["raw"]) == (2_000_000, r"\x00\xFF" * 128)
    assert [row["verdict"] for row in bench.rows()].count("noise") == 1


async def test_an_honest_panel_is_answered_among_a_thousand_idle_connections(open_bench: Open) -> None:
    bench = open_bench("tcp")
    loop = asyncio.get_running_loop()
    idle = [socket.socket() for _ in range(1000)]
    try:
        for one in idle:
            one.setblocking(False)
            await loop.sock_connect(one, bench.ports["tcp"])
        async with asyncio.timeout(1):
            assert await (await bench.panel()).ask(alarm(12)) == ack(12)
        (stream,) = bench.bench._streams
        assert len(stream.open) == 1001
    finally:
        for one in idle:
            one.close()


async def test_who_ends_its_sending_after_a_frame_still_gets_the_answer(open_bench: Open) -> None:
    """A panel may close its side right after it has sent (common practice, no source)."""
    bench = open_bench()
    panel = await bench.panel()
    await panel.send(alarm(12))
    panel.writer.write_eof()
    assert await panel.until(b"\r") == ack(12)
    assert await panel.receive() == b""


async def test_panels_that_break_off_before_their_answer_leave_no_connection_behind(open_bench: Open) -> None:
    """A reset, as after a power cut: the message is kept all the same, and nobody is written to who has gone."""
    bench = open_bench()

    def break_off(number: int) -> None:
        with socket.create_connection(bench.ports["tcp"]) as one:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            one.sendall(alarm(number))
            if number % 2:
                time.sleep(random.random() / 500)  # so that the commit falls before, within and after it

    await asyncio.to_thread(lambda: [break_off(number) for number in range(1, 201)])
    assert sorted([(await bench.entry())["sequence"] for _ in range(200)]) == list(range(1, 201))
    (stream,) = bench.bench._streams
    for _ in range(500):
        if not stream.open:
            break
        await asyncio.sleep(0.01)
    assert not stream.open


async def test_thousands_of_polls_in_one_segment_are_all_answered(open_bench: Open) -> None:
    bench = open_bench()
    panel = await bench.panel()
    sending = asyncio.create_task(panel.send(MARK * 4000))
    for _ in range(4000):
        assert await panel.until(b"\r") == MARKED
    await sending


async def test_frames_in_one_segment_are_answered_one_by_one_in_order(open_bench: Open) -> None:
    bench = open_bench()
    panel = await bench.panel()
    await panel.send(b"".join(map(alarm, range(1, 21))))
    assert [await panel.until(b"\r") for _ in range(20)] == [ack(sequence) for sequence in range(1, 21)]


async def test_frames_in_one_datagram_are_answered_one_by_one_in_order(open_bench: Open) -> None:
    bench = open_bench()
    panel = await bench.panel("udp")
    await panel.send(b"".join(map(alarm, range(1, 21))))
    assert [await panel.until(b"\r") for _ in range(20)] == [ack(sequence) for sequence in range(1, 21)]


async def test_a_datagram_is_not_continued_by_the_next(open_bench: Open) -> None:
    """A datagram stands for itself: halves of two panels must not make a frame of neither."""
    bench = open_bench()
    panel = await bench.panel("udp")
    await panel.send(alarm(12)[:30])
    await panel.send(alarm(12)[30:])
    assert [(await bench.entry())["verdict"] for _ in range(2)] == ["unreadable", "noise"]


@BOTH_LINES
@pytest.mark.parametrize("seed", range(3))
async def test_any_bytes_at_all_are_rows_and_no_internal_error(open_bench: Open, line: str, seed: int) -> None:
    """Random bytes, and good frames with random bytes changed; every byte is told (`open_bench` looks for failures)."""
    bench = open_bench(line)
    panel = await bench.panel(line)
    dice = random.Random(seed)
    sent = 0
    for _ in range(150):
        good = dice.choice([alarm(dice.randrange(10000)), harrow()(), envelope(POLL.format("4471")), REACHED])
        data = bytearray(dice.choice([good, dice.randbytes(dice.randrange(1, 400)), good[: dice.randrange(1, 80)]]))
        for _ in range(dice.randrange(4)):
            data[dice.randrange(len(data))] = dice.randrange(256)
        await panel.send(bytes(data))
        sent += len(data)
        await asyncio.sleep(0)
    await panel.end()
    told = 0
    while told < sent:
        entry = await bench.entry()
        assert entry["verdict"] in ("poll", "accepted", "repeat") or entry["problems"] or entry["reply"] == "DUH"
        told += entry["size"]
    assert told == sent


# TLS and IPv6


def trusting(certificate: tuple[Path, Path]) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=certificate[0])


@pytest.mark.clause("DC-09 tls", code="receiver.tls.tls_context", practice=True)
async def test_over_tls_a_message_is_answered_as_over_tcp(open_bench: Open, certificate: tuple[Path, Path]) -> None:
    bench = open_bench("tls", certificate=certificate)
    panel = await bench.panel("tls", trusting(certificate))
    said = await bench.say(panel, alarm(12))
    assert (said.entry["line"], said.entry["verdict"], said.answer) == ("tls", "accepted", ack(12))


@pytest.mark.parametrize(
    ("version", "welcome"),
    [(ssl.TLSVersion.TLSv1_1, False), (ssl.TLSVersion.TLSv1_2, True), (ssl.TLSVersion.TLSv1_3, True)],
)
async def test_tls_1_2_and_up_are_spoken_and_nothing_older(
    open_bench: Open, certificate: tuple[Path, Path], version: ssl.TLSVersion, welcome: bool
) -> None:
    bench = open_bench("tls", certificate=certificate)
    context = trusting(certificate)
    context.set_ciphers("DEFAULT:@SECLEVEL=0")  # or the client itself would not offer the old one
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        context.minimum_version = context.maximum_version = version
    if welcome:
        assert await (await bench.panel("tls", context)).ask(alarm(12)) == ack(12)
    else:
        with pytest.raises(ssl.SSLError, match=r"(?i)protocol.version"):  # the alert is the receiver's word
            await bench.panel("tls", context)


def test_older_tls_is_switched_off_whatever_openssl_is_built_to_refuse(certificate: tuple[Path, Path]) -> None:
    options = tls_context(*certificate).getContext().set_options(0)
    assert options & SSL.OP_NO_TLSv1_1
    assert options & SSL.OP_NO_TLSv1


async def test_someone_who_speaks_no_tls_to_the_tls_port_harms_nobody(
    open_bench: Open, certificate: tuple[Path, Path]
) -> None:
    bench = open_bench("tls", certificate=certificate)
    stranger = Stream(*await asyncio.open_connection(*bench.ports["tls"]))
    await stranger.send(alarm(12))
    with contextlib.suppress(ConnectionError):
        while await stranger.receive():
            pass
    await stranger.close()
    assert await (await bench.panel("tls", trusting(certificate))).ask(alarm(13)) == ack(13)
    assert [row["sequence"] for row in bench.rows()] == [13]


@pytest.mark.clause("DC-09 transport", code="receiver.lines.DirectPort", memory=True)
@pytest.mark.parametrize("line", ["tcp6", "udp6"])
async def test_over_ipv6_too(open_bench: Open, line: str) -> None:
    bench = open_bench(line)
    said = await bench.say(await bench.panel(line), alarm(12))
    assert (said.entry["verdict"], said.answer) == ("accepted", ack(12))
    assert re.fullmatch(r"\[::1\]:\d+", said.entry["peer"])


async def test_the_peer_and_the_path_are_in_the_row(open_bench: Open) -> None:
    bench = open_bench()
    for line, path in (("tcp", "wired"), ("udp", "wifi")):
        said = await bench.say(await bench.panel(line), envelope('"ADM-CID"0012L0#4471[#4471|1131 01 015]'))
        assert (said.entry["line"], said.entry["path"]) == (line, path)
        assert re.fullmatch(rf"{re.escape(HOST)}:\d+", said.entry["peer"])
        (signal,) = said.entry["signals"]
        names = ("Laboratory", "Freezer room door", None, path)
        assert (signal["area_name"], signal["zone_name"], signal["user_name"], signal["path"]) == names


async def test_a_mark_is_answered_with_these_very_bytes(open_bench: Open) -> None:
    """What `Bench.say` relies on."""
    assert await (await open_bench().panel()).ask(MARK) == MARKED
