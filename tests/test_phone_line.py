"""The live telephone line: what is heard passes the desk, is on disk before its kiss-off, and is answered in time."""

import asyncio
import os
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import BOOK, HOST, SECONDS, Bench, Farend, Listening
from test_phone_call import RESTORED, WORKED
from test_phone_ear import heard
from twisted.internet import task
from visitors import visiting

from protocols import contact_id
from protocols.phone import rtp
from protocols.phone.call import read
from protocols.phone.ear import RATE, Samples
from protocols.phone.roles import Calling
from protocols.phone.sound import Flaws, make_call, with_wrong_checksum
from protocols.phone.tones import key_of
from receiver import phone, sound_files
from receiver.bench import KISS, Listen
from receiver.book import parse
from receiver.desk import Memory, Origin, Policy, judge
from receiver.journal import Row, Store
from receiver.phone import GONE_SECONDS, LiveCall, RtpLine

OURS = contact_id.block("4471", "1131 01 015")
SAME_AGAIN = contact_id.block("4471", "3131 01 015")


class Desk:
    """A desk that notes what it is asked, and answers when it is told to."""

    def __init__(self, *, answers: bool = True) -> None:
        self.asked: list[Any] = []
        self.waiting: list[Callable[[bytes], None]] = []
        self.events: list[tuple[str, dict[str, Any]]] = []
        self._answers = answers

    def receive(self, piece: Any, origin: Origin, respond: Callable[[bytes], None]) -> None:
        self.asked.append(piece)
        if self._answers:
            respond(KISS if not getattr(piece, "problems", ["noise"]) else b"")
        else:
            self.waiting.append(respond)

    def event(self, event: str, detail: str, **more: Any) -> None:
        self.events.append((event, more))


def live(desk: Desk) -> LiveCall:
    return LiveCall(
        desk, Origin("phone", 5004, HOST, f"{HOST}:40000"), "5004-1", datetime(2026, 11, 25, 12, tzinfo=UTC)
    )


def talk(call: LiveCall, panel: Calling, between: Callable[[], None] = lambda: None) -> None:
    while not panel.over:
        said = panel.say(160)
        panel.hear(call.say(160))
        call.hear(said)
        between()


def test_each_message_goes_to_the_desk_as_a_frame_with_the_sound_it_was() -> None:
    desk = Desk()
    call, panel = live(desk), Calling([WORKED, RESTORED])
    talk(call, panel)
    call.end()
    assert panel.delivered
    assert [frame.raw.decode() for frame in desk.asked] == [WORKED, RESTORED]
    assert [frame.call["message"] for frame in desk.asked] == [1, 2]
    assert len({frame.call["id"] for frame in desk.asked}) == 1
    ((event, more),) = desk.events
    assert (event, more["messages"], more["kissed_off"]) == ("call", 2, 2)


def test_there_is_no_kiss_off_before_the_desk_has_answered() -> None:
    desk = Desk(answers=False)
    call, panel = live(desk), Calling([WORKED], tries=1)
    heard: list[Samples] = []
    while not desk.waiting:
        said = panel.say(160)
        panel.hear(call.say(160))
        call.hear(said)
    for _ in range(20):  # 0.4 s in which the disk is busy
        panel.say(160)
        heard.append(call.say(160))
        panel.hear(heard[-1])
        call.hear(np.zeros(160, dtype=np.float32))
    assert np.abs(np.concatenate(heard)).max() == 0
    desk.waiting.pop()(KISS)
    talk(call, panel)
    assert panel.delivered


def test_a_row_that_comes_too_late_gets_no_kiss_off_over_the_panels_next_try_which_is_kissed_off() -> None:
    desk = Desk(answers=False)
    call, panel = live(desk), Calling([WORKED])
    since = [0]

    def slow() -> None:
        since[0] += bool(desk.waiting)
        if desk.waiting and since[0] > 70:  # 1.4 s after the first try
            desk.waiting.pop(0)(KISS)

    talk(call, panel, slow)
    assert panel.delivered
    assert panel.deliveries[0].tries == 2
    assert (call.late, call.kissed) == (1, 1)
    assert [frame.call["attempt"] for frame in desk.asked] == [1, 2]


# The desk.

ORIGIN = Origin("phone", 5004, HOST, f"{HOST}:40000")
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def frame_of(digits: str, call: str = "one", message: int = 1) -> Any:
    frame = contact_id.read_call(digits)
    frame.call = {"id": call, "message": message}
    return frame


@pytest.fixture
def book(tmp_path: Path) -> Any:
    return parse(BOOK, "station.toml", tmp_path)


def test_what_becomes_of_a_message_in_a_call(book: Any) -> None:
    for digits, policy, verdict, reply in (
        (OURS, Policy(), "accepted", "ACK"),
        (with_wrong_checksum(OURS), Policy(), "unreadable", "none"),
        (OURS[:15], Policy(), "unreadable", "none"),
        (contact_id.block("9999", "1131 01 015"), Policy(), "unknown-account", "none"),
        (contact_id.block("9999", "1131 01 015"), Policy("ack"), "unknown-account", "ACK"),
        (contact_id.block("9999", "1131 01 015"), Policy("silent"), "unknown-account", "none"),
        (contact_id.block("4471", "1131 01 015", kind="77"), Policy(), "unsupported", "none"),
    ):
        decision = judge(frame_of(digits), book, Memory(), ORIGIN, NOW, 0.0, policy=policy)
        assert (decision.verdict, decision.reply) == (verdict, reply), digits


def test_an_alarm_that_is_not_kissed_off_is_told_as_refused(book: Any) -> None:
    decision = judge(frame_of(with_wrong_checksum(OURS)), book, Memory(), ORIGIN, NOW, 0.0)
    assert decision.refused_alarm


def test_a_repeat_is_told_by_the_call_and_its_digits(book: Any) -> None:
    memory = Memory()

    def verdict(digits: str, call: str, message: int) -> str:
        return judge(frame_of(digits, call, message), book, memory, ORIGIN, NOW, 0.0, row=7).verdict

    assert verdict(OURS, "one", 1) == "accepted"
    assert verdict(OURS, "one", 1) == "repeat"
    assert verdict(SAME_AGAIN, "one", 2) == "accepted"
    assert verdict(OURS, "one", 3) == "accepted"  # tripped once more, in the same call
    assert verdict(OURS, "two", 1) == "accepted"


def test_an_account_that_must_encrypt_on_its_other_paths_may_call_in_clear(book: Any) -> None:
    (account,) = [one for one in book.accounts if one.key and len(one.number) == 4][:1]
    decision = judge(frame_of(contact_id.block(account.number, "1131 01 015")), book, Memory(), ORIGIN, NOW, 0.0)
    assert decision.verdict == "accepted"


# RTP, on a clock of the test's own.


class Transport:
    def __init__(self) -> None:
        self.sent: list[tuple[bytes, Any]] = []

    def write(self, data: bytes, address: Any) -> None:
        self.sent.append((data, address))


def rtp_line(desk: Desk) -> tuple[RtpLine, task.Clock, Transport]:
    clock, transport = task.Clock(), Transport()
    line = RtpLine(desk, clock, clock.seconds, lambda: NOW)
    line.port = 5004
    line.transport = transport  # type: ignore[assignment]
    line.startProtocol()
    return line, clock, transport


def dial(
    line: RtpLine, clock: task.Clock, transport: Transport, panel: Calling, *, words: bool = False, kind: int = rtp.PCMU
) -> None:
    """A panel behind a gateway: a packet every 20 ms each way."""
    stream, sent = rtp.Stream(), 0
    sequence = 0
    told: set[int] = set()
    while not panel.over:
        samples = panel.say(160)
        events = []
        for begin, end, digit in panel.spoken if words else ():
            if begin not in told and begin < (sent + 1) * 160:
                told.add(begin)
                events += [(begin, rtp.write_event(rtp.Event(key_of(digit), True, -10, end - begin)))] * 3
        for stamp, payload in events:
            line.datagramReceived(rtp.write(rtp.Packet(101, sequence, stamp, 9, payload)), (HOST, 40_000))
            sequence += 1
        if not words:
            line.datagramReceived(
                rtp.write(rtp.Packet(kind, sequence, sent * 160, 9, rtp.encode(samples, kind))), (HOST, 40_000)
            )
            sequence += 1
        sent += 1
        clock.advance(0.02)
        for data, address in transport.sent:
            assert address == (HOST, 40_000)
            packet = rtp.read(data)
            assert packet is not None
            for part in stream.take(packet):
                assert not isinstance(part, rtp.Digit)
                panel.hear(part)
        transport.sent.clear()


@pytest.mark.parametrize("kind", [rtp.PCMU, rtp.PCMA])
def test_a_call_over_rtp_is_answered_in_its_own_coding(kind: int) -> None:
    desk, panel = Desk(), Calling([WORKED, RESTORED])
    line, clock, transport = rtp_line(desk)
    dial(line, clock, transport, panel, kind=kind)
    assert panel.delivered
    assert [frame.raw.decode() for frame in desk.asked] == [WORKED, RESTORED]
    (caller,) = line._callers.values()
    assert caller.stream.kind == kind
    clock.pump([0.02] * int(GONE_SECONDS / 0.02 + 10))
    assert not line._callers
    assert [event for event, _ in desk.events] == ["call"]


def test_digits_in_words_alone_with_no_sound_between_are_understood() -> None:
    desk, panel = Desk(), Calling([WORKED])
    line, clock, transport = rtp_line(desk)
    # A gateway that is silent until the first digit: three packets of sound open the call.
    for n in range(3):
        packet = rtp.Packet(rtp.PCMU, 0xFFFD + n, 0xFFFFFE20 + 160 * n, 9, b"\xff" * 160)
        line.datagramReceived(rtp.write(packet), (HOST, 40_000))
    dial(line, clock, transport, panel, words=True)
    assert panel.delivered
    (frame,) = desk.asked
    assert all(tone["told"] for tone in frame.call["tones"])


def test_what_is_no_rtp_becomes_a_row_of_noise_and_opens_no_call() -> None:
    desk = Desk()
    line, _, _ = rtp_line(desk)
    for data in (b"", b"x", b"GET / HTTP/1.1\r\n\r\n"):
        line.datagramReceived(data, (HOST, 1))
    assert [piece.kind for piece in desk.asked] == ["noise"] * 3
    assert not line._callers


def test_one_packet_alone_is_not_answered_and_a_second_flood_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(phone, "MOST_OF_ONE", 2)
    desk = Desk()
    line, clock, transport = rtp_line(desk)
    for source in range(4):
        line.datagramReceived(rtp.write(rtp.Packet(rtp.PCMU, 0, 0, source, b"\xff" * 160)), (HOST, 1))
    clock.pump([0.02] * 50)
    assert transport.sent == []
    assert [event for event, _ in desk.events] == ["connection"]


def test_control_packets_and_events_that_are_no_keys_open_no_call() -> None:
    desk = Desk()
    line, _, _ = rtp_line(desk)
    for kind, payload in ((72, bytes(20)), (13, b"\x40"), (101, bytes([16, 0, 0, 0]))):
        line.datagramReceived(rtp.write(rtp.Packet(kind, 0, 0, 9, payload)), (HOST, 40_000))
    assert not line._callers
    assert desk.asked == []


def test_a_caller_that_cannot_be_reached_ends_alone() -> None:
    desk, panel = Desk(), Calling([WORKED])
    line, clock, transport = rtp_line(desk)
    write = transport.write

    def refusing(data: bytes, address: Any) -> None:
        if address[1] == 666:
            raise OSError(22, "Invalid argument")
        write(data, address)

    transport.write = refusing  # type: ignore[method-assign]
    for n in range(3):
        line.datagramReceived(rtp.write(rtp.Packet(rtp.PCMU, n, 160 * n, 1, b"\xff" * 160)), (HOST, 666))
    dial(line, clock, transport, panel)
    assert panel.delivered
    assert desk.events[0][0] == "connection"


def test_a_flood_of_sources_opens_no_more_calls_than_one_port_takes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(phone, "MOST_CALLS", 5)
    line, clock, _ = rtp_line(Desk())
    for source in range(15):
        line.datagramReceived(rtp.write(rtp.Packet(rtp.PCMU, 0, 0, source, b"\xff" * 160)), (HOST, 1))
    assert len(line._callers) == 5
    clock.pump([0.02] * int(GONE_SECONDS / 0.02 + 10))
    assert not line._callers


def test_a_caller_whose_sound_runs_ahead_of_time_is_not_listened_to_at_any_speed() -> None:
    line, clock, _ = rtp_line(Desk())
    for n in range(2000):  # each packet claims that most of a second has passed
        line.datagramReceived(rtp.write(rtp.Packet(rtp.PCMU, n, n * 7000, 9, b"\xff" * 160)), (HOST, 1))
    (caller,) = line._callers.values()
    assert caller.call.answering.ear.heard < 4
    assert clock.seconds() == 0


# A real bench.


async def test_a_recording_is_received_and_its_kiss_off_follows_the_row_on_disk(
    open_bench: Callable[..., Bench], tmp_path: Path
) -> None:
    order: list[str] = []

    class Noting(Store):
        def append(self, rows: list[Row], *more: Any) -> list[Row]:
            kept = super().append(rows, *more)
            order.extend("row" for row in rows if b'"call":{"id"' in row.text)
            return kept

    source, out = tmp_path / "call.wav", tmp_path / "answer.wav"
    sound_files.write(source, make_call([OURS, SAME_AGAIN], receiver=False).line, RATE)
    bench = open_bench("tcp", store=Noting)
    bench.bench.listen(Listen("phone", "", 0, source=source, out=out))
    (line,) = bench.bench._phones
    kiss = LiveCall._answered

    def answered(self: LiveCall, *said: Any) -> None:
        order.append("kiss-off")
        kiss(self, *said)

    LiveCall._answered = answered  # type: ignore[method-assign]
    try:
        line.start()
        entries = [await bench.entry(), await bench.entry()]
        await asyncio.to_thread(line._thread.join, SECONDS)
    finally:
        LiveCall._answered = kiss  # type: ignore[method-assign]
    assert order == ["row", "kiss-off"] * 2
    assert [(entry["verdict"], entry["reply"]) for entry in entries] == [("accepted", "ACK")] * 2
    assert entries[0]["signals"][0]["zone_name"] == "Freezer room door"
    assert [entry["line"] for entry in entries] == ["phone", "phone"]
    said = read(list(sound_files.Sound(out).tones()))
    assert len(said.handshakes) == 1
    kisses = [tone for tone in said.strays if tone.alone == 1400]
    assert len(kisses) == 2
    # Each begins within 1.25 s of the last digit (from memory of DC-05), by the samples of the two recordings.
    ends = [message.end for message in read(list(sound_files.Sound(source).tones())).messages]
    for end, tone in zip(ends, kisses, strict=True):
        assert 0 < tone.start - end < 1.25


def test_a_call_over_rtp_on_loopback_ends_with_a_kiss_off_and_a_row(
    listening: Callable[..., Listening], inside: Farend, station: Path, tmp_path: Path
) -> None:
    (tmp_path / "calls").mkdir()
    bench = listening("--phone", f"rtp://{HOST}:0", "--book", station, "--journal", "it", "--keep-calls", "calls")
    said = inside(
        "tones", "call", f"rtp://{bench.at('phone')}", "--account", "4471", "--contact-id", "1131 01 015", "--json"
    )
    assert said.code == 0, said.err
    (delivery,) = said.objects
    assert (delivery["kissed_off"], delivery["tries"]) == (True, 1)
    assert delivery["waited_seconds"] < 1.25
    (entry,) = bench.printed(1)
    assert (entry["verdict"], entry["account"], entry["raw"]) == ("accepted", "4471", OURS)
    assert bench.end() == 0
    shown = inside("journal", "show", str(entry["row"]), "--journal", "it")
    assert "kissed off" in shown.out.decode()
    assert "checksum" in shown.out.decode()
    (kept,) = (tmp_path / "calls").glob("*.wav")
    again = inside("decode", kept, "--json")
    assert [one["raw"] for one in again.objects] == [OURS]
    assert again.objects[0]["call"]["kiss_off"] is not None


def test_a_fifo_is_a_line_call_after_call(listening: Callable[..., Listening], station: Path, tmp_path: Path) -> None:
    fifo = tmp_path / "line"
    os.mkfifo(fifo)
    bench = listening("--phone", fifo, "--book", station, "--journal", "it")
    made = make_call([OURS], receiver=False, before=0)
    # It ends with its last digit: the message is over only once the writer has hung up.
    raw = (made.line[: round((made.sounds[-1].end + 0.02) * RATE)] * 32767).astype("<i2").tobytes()
    for count in (1, 2):
        with fifo.open("wb") as line:
            line.write(raw)
        bench.printed(count)
    first, second = bench.printed(2)
    assert (first["verdict"], second["verdict"]) == ("accepted", "accepted")
    assert first["call"]["id"] != second["call"]["id"]
    assert bench.end() == 0


@pytest.mark.parametrize(("options", "reason"), [
    (("--phone", "nowhere.wav"), "there is no such file or FIFO"),
    (("--phone", "."), "a folder is no line"),
    (("--phone", "rtp://nowhere"), "is not HOST:PORT"),
    (("--phone", f"rtp://{HOST}:0", "--phone-out", "x.wav"), "--phone-out is for one --phone that is a file"),
    (("--phone", f"rtp://{HOST}:0", "--keep-calls", "nowhere/calls"), "No such file or directory"),
])  # fmt: skip
def test_a_line_that_cannot_be_had_is_told_with_its_reason(
    inside: Farend, options: tuple[str, ...], reason: str
) -> None:
    done = inside("listen", *options)
    assert done.code == 2
    assert reason in done.err.replace("\n", " ")


def test_a_row_of_a_call_shows_on_its_page_how_each_digit_sounded(
    listening: Callable[..., Listening], station: Path, tmp_path: Path
) -> None:
    sound_files.write(tmp_path / "call.wav", make_call([OURS], Flaws(twist=-10), receiver=False).line, RATE)
    bench = listening("--phone", "call.wav", "--book", station, "--journal", "it")
    (entry,) = bench.printed(1)
    assert any(note.startswith("twist, high over low -10") for note in entry["notes"])
    with visiting(tmp_path / "it", book=station) as make:
        page = make().enter().read(f"/rows/{entry['row']}")
        for told in (
            "kissed off",
            "How it sounded",
            "Message 1 of its call, try 1",
            "twist, high over low",
            "account",
            "DC-05",
        ):
            assert told in page
        assert "kissed off" in make().enter().read("/")


def test_what_is_said_into_a_fifo_is_heard_by_whoever_reads_and_holds_up_nobody_else(
    listening: Callable[..., Listening], station: Path, tmp_path: Path
) -> None:
    into, out = tmp_path / "in", tmp_path / "out"
    for fifo in (into, out):
        os.mkfifo(fifo)
    bench = listening("--phone", into, "--phone-out", out, "--book", station, "--journal", "it")
    raw = (make_call([OURS], receiver=False).line * 32767).astype("<i2").tobytes()
    with into.open("wb") as line:  # nobody reads
        line.write(raw)
    bench.printed(1)
    store, deadline = Store(tmp_path / "it"), time.monotonic() + SECONDS
    while not list(store.events("call")):  # until it is over, its answers would be heard
        assert time.monotonic() < deadline
        time.sleep(0.01)
    store.close()
    said = bytearray()

    def hear() -> None:
        with out.open("rb") as pipe:
            said.extend(pipe.read())

    reader = threading.Thread(target=hear)
    reader.start()
    with into.open("wb") as line:
        line.write(raw)
    bench.printed(2)
    reader.join(SECONDS)
    assert bench.end() == 0
    answer = read(heard(np.frombuffer(bytes(said), dtype="<i2").astype(np.float32) / 32768))
    assert len(answer.handshakes) == 1
    assert [tone.alone for tone in answer.strays if tone.seconds > 0.7] == [1400]
