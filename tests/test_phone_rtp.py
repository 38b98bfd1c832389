"""RTP: packets and events as the RFCs have them, streams in order and time whatever the network does to them."""

import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.phone.rtp import (
    EVENT_TYPE,
    PCMA,
    PCMU,
    Digit,
    Event,
    Packet,
    Stream,
    encode,
    read,
    read_event,
    write,
    write_event,
)


@given(
    st.integers(0, 127), st.integers(0, 0xFFFF), st.integers(0, 0xFFFFFFFF), st.integers(0, 0xFFFFFFFF),
    st.binary(max_size=200), st.booleans(),
)  # fmt: skip
def test_a_packet_is_read_as_it_was_written(
    kind: int, sequence: int, stamp: int, source: int, payload: bytes, marker: bool
) -> None:
    packet = Packet(kind, sequence, stamp, source, payload, marker)
    assert read(write(packet)) == packet


@given(st.binary(max_size=300))
def test_whatever_comes_is_a_packet_or_none(data: bytes) -> None:
    packet = read(data)
    assert packet is None or len(packet.payload) <= len(data)


def test_sources_extension_and_padding_are_left_out() -> None:
    # RFC 3550, 5.1 and 5.3.1: one contributing source, an extension of one word, two bytes of padding.
    data = bytes([0xB1, 0x00, 0, 7]) + bytes(8) + b"SSRC" + b"\x00\x01\x00\x01EXTN" + b"abc" + b"\x00\x02"
    packet = read(data)
    assert packet is not None
    assert (packet.sequence, packet.payload) == (7, b"abc")


def test_an_event_is_four_bytes_as_rfc_4733_has_them() -> None:
    # RFC 4733, 2.3: event 11 is #; E set; volume 10 means -10 dBm0; 800 units of the stamp.
    assert write_event(Event("#", True, -10, 800)) == bytes([11, 0b10001010, 3, 32])
    assert read_event(bytes([11, 0b10001010, 3, 32])) == Event("#", True, -10, 800)
    assert read_event(bytes([16, 0, 0, 0])) is None  # a flash is no key


@pytest.fixture
def tshark(tmp_path: Path) -> object:
    """What tshark, a program of general purpose, makes of a packet of ours on UDP port 5004."""

    def dissect(data: bytes, *fields: str) -> list[str]:
        dump, capture = tmp_path / "packet.txt", tmp_path / "packet.pcap"
        dump.write_text("000000 " + data.hex(" ") + "\n")
        subprocess.run(["text2pcap", "-q", "-u", "5004,5004", dump, capture], check=True, capture_output=True)
        asked = [word for field in fields for word in ("-e", field)]
        done = subprocess.run(
            ["tshark", "-r", capture, "-d", "udp.port==5004,rtp", "-o", f"rtpevent.event_payload_type_value:{EVENT_TYPE}",
             "-T", "fields", *asked],
            check=True, capture_output=True, text=True,
        )  # fmt: skip
        return done.stdout.rstrip("\n").split("\t")

    return dissect


def test_tshark_reads_our_packets(tshark: object) -> None:
    sound = write(Packet(PCMA, 513, 160_000, 0xCAFE, encode(np.zeros(160, dtype=np.float32), PCMA), True))
    fields = ("rtp.p_type", "rtp.seq", "rtp.timestamp", "rtp.ssrc", "rtp.marker")
    assert tshark(sound, *fields) == ["8", "513", "160000", "0x0000cafe", "1"]  # type: ignore[operator]
    told = write(Packet(EVENT_TYPE, 514, 160_000, 0xCAFE, write_event(Event("*", True, -10, 440))))
    fields = ("rtpevent.event_id", "rtpevent.end_of_event", "rtpevent.volume", "rtpevent.duration")
    assert tshark(told, *fields) == ["10", "1", "10", "440"]  # type: ignore[operator]


def test_a_source_that_begins_to_count_anew_is_heard_on() -> None:
    """RFC 3550, A.1: a jump back that the next packet confirms is a new count, and no late packet."""
    stream = Stream()
    sent = packets(5, sequence=30_000, stamp=0) + packets(5, sequence=0, stamp=900_000)
    whole = played(stream, sent)
    levels = whole.reshape(-1, 160)[:, 0]
    assert levels[:5] == pytest.approx([(n + 1) / 100 for n in range(5)], rel=0.05)
    assert levels[-4:] == pytest.approx(
        [(n + 1) / 100 for n in range(1, 5)], rel=0.05
    )  # the first one was the question


# Streams.

LOUD = encode(np.full(160, 0.5, dtype=np.float32), PCMU)


def packets(count: int, *, sequence: int = 65_530, stamp: int = 0xFFFFFF00) -> list[Packet]:
    """Sound, packet by packet; both counters begin again on the way."""

    def sound(n: int) -> bytes:
        return encode(np.full(160, (n + 1) / 100, dtype=np.float32), PCMU)

    return [Packet(PCMU, (sequence + n) & 0xFFFF, (stamp + 160 * n) & 0xFFFFFFFF, 1, sound(n)) for n in range(count)]


def played(stream: Stream, sent: list[Packet]) -> np.ndarray:
    out = [part for packet in sent for part in stream.take(packet)] + list(stream.end())
    return np.concatenate([part for part in out if not isinstance(part, Digit)] or [np.zeros(0)])


def test_sound_comes_out_as_it_went_in_past_the_end_of_both_counters() -> None:
    whole = played(Stream(), packets(20))
    assert whole[::160] == pytest.approx([(n + 1) / 100 for n in range(20)], rel=0.05)


@given(order=st.permutations(range(12)), twice=st.lists(st.integers(0, 11), max_size=4))
def test_packets_out_of_order_and_doubled_are_never_put_in_the_wrong_place(order: list[int], twice: list[int]) -> None:
    sent = packets(13)
    stream = Stream()
    whole = played(stream, [sent[0], *(sent[1 + n] for n in order), *(sent[1 + n] for n in twice)])
    levels = whole.reshape(-1, 160)[:, 0]
    for place, level in enumerate(levels):  # each place holds its own packet, or silence where it came too late
        assert level == pytest.approx((place + 1) / 100, rel=0.05) or level == 0


def test_two_packets_that_changed_places_change_them_back() -> None:
    sent = packets(8)
    sent[3], sent[4] = sent[4], sent[3]
    assert played(Stream(), sent)[::160] == pytest.approx([(n + 1) / 100 for n in range(8)], rel=0.05)


def test_a_lost_packet_leaves_silence_of_its_length() -> None:
    sent = packets(10)
    stream = Stream()
    whole = played(stream, sent[:4] + sent[5:])
    assert len(whole) == 1600
    assert np.abs(whole[640:800]).max() == 0
    assert stream.missed == 1


def test_a_jump_of_the_time_stamp_does_not_fill_the_memory() -> None:
    jumped = Packet(PCMU, 1, 0x7FFFFFF0, 1, LOUD)
    assert (
        len(
            played(Stream(), [Packet(PCMU, 0, 0, 1, LOUD), jumped, jumped._replace(sequence=2, stamp=0x7FFFFFF0 + 160)])
        )
        == 480
    )


def key(stamp: int, duration: int, sequence: int, *, end: bool = False, digit: str = "5") -> Packet:
    return Packet(EVENT_TYPE, sequence, stamp, 1, write_event(Event(digit, end, -10, duration)))


def told(sent: list[Packet]) -> list[Digit]:
    stream = Stream()
    return [part for packet in sent for part in stream.take(packet) if isinstance(part, Digit)] + [
        part for part in stream.end() if isinstance(part, Digit)
    ]


def test_an_event_is_one_digit_however_often_it_is_said() -> None:
    sent = [
        key(0, 160, 0),
        key(0, 320, 1),
        key(0, 440, 2, end=True),
        key(0, 440, 3, end=True),
        key(0, 440, 4, end=True),
    ]
    assert told(sent) == [Digit("5", 0.0, 0.055)]


def test_an_event_whose_end_was_lost_is_over_with_the_next_one() -> None:
    assert told(
        [key(0, 160, 0), key(0, 320, 1), key(880, 160, 5, digit="6"), key(880, 440, 6, end=True, digit="6")]
    ) == [
        Digit("5", 0.0, 0.04),
        Digit("6", 0.11, 0.165),
    ]


def test_the_same_key_twice_is_two_digits() -> None:
    assert [one.start for one in told([key(0, 440, 0, end=True), key(880, 440, 1, end=True)])] == [0.0, 0.11]


def test_a_flood_of_events_keeps_no_more_than_one_of_them() -> None:
    stream = Stream()
    digits = [part for n in range(3000) for part in stream.take(key(n * 7, 0xFFFF, n))]
    assert len(digits) == 2999  # each is over with the next
    assert stream._pressed is not None
