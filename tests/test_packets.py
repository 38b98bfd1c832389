"""Packets: read as `tshark` reads them, and put together whatever happened to them on the way.

The files are written here by a few lines of `struct`, and each is read by `tshark` (Debian's package) as well: that it finds
the same bytes in the same order says that the files are what they claim to be, and that our reader is right.
"""

import random
import struct
import subprocess
from collections.abc import Iterable, Sequence
from contextlib import suppress
from ipaddress import ip_address
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from receiver import shapes
from receiver.capture import CaptureError, Happening
from receiver.segments import MOST_HELD, PATIENCE, Stream
from receiver.shapes import How
from tests.conftest import ack, alarm, envelope

PANEL, BENCH = "192.0.2.7", "198.51.100.1"
PANEL6, BENCH6 = "2001:db8::7", "2001:db8::1"
SYN, FIN, RST, ACK = 2, 1, 4, 16
ANY = How()
TSHARK = ("tshark", "-n", "-o", "tcp.desegment_tcp_streams:FALSE")


# A small writer of packets


def tcp(here: int, there: int, sequence: int, acknowledged: int, flags: int, data: bytes = b"") -> bytes:
    return (
        struct.pack(">HHIIBBHHH", here, there, sequence % 2**32, acknowledged % 2**32, 0x50, flags, 8192, 0, 0) + data
    )


def udp(here: int, there: int, data: bytes) -> bytes:
    return struct.pack(">HHHH", here, there, 8 + len(data), 0) + data


def internet(source: str, target: str, payload: bytes, protocol: int = 6, name: int = 1, place: int = 0) -> bytes:
    here, there = ip_address(source).packed, ip_address(target).packed
    if len(here) == 16:
        return struct.pack(">IHBB", 6 << 28, len(payload), protocol, 64) + here + there + payload
    head = struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(payload), name, place, 64, protocol, 0) + here + there
    words = struct.unpack(">10H", head)
    total = sum(words)
    total = (total & 0xFFFF) + (total >> 16)
    return head[:10] + struct.pack(">H", ~(total + (total >> 16)) & 0xFFFF) + head[12:] + payload


def kind_of(packet: bytes) -> int:
    return 0x0800 if packet[0] >> 4 == 4 else 0x86DD


def ethernet(packet: bytes, *tags: int) -> bytes:
    head = bytes(12) + b"".join(struct.pack(">HH", tag, 5) for tag in tags) + struct.pack(">H", kind_of(packet))
    return (head + packet).ljust(60, b"\xa5")  # short frames are padded


def cooked(packet: bytes) -> bytes:
    return struct.pack(">HHH8sH", 0, 1, 6, bytes(8), kind_of(packet)) + packet


def cooked2(packet: bytes) -> bytes:
    return struct.pack(">HHIHBB8s", kind_of(packet), 0, 1, 1, 0, 6, bytes(8)) + packet


LINKS = {
    "ethernet": (1, ethernet),
    "vlan": (1, lambda packet: ethernet(packet, 0x8100)),
    "two vlans": (1, lambda packet: ethernet(packet, 0x88A8, 0x8100)),
    "cooked": (113, cooked),
    "cooked 2": (276, cooked2),
    "raw": (101, lambda packet: packet),
}


def pcap(
    path: Path, link: int, packets: Iterable[bytes], order: str = "<", nano: bool = False, snap: int = 65535
) -> Path:
    out = struct.pack(f"{order}IHHiIII", 0xA1B23C4D if nano else 0xA1B2C3D4, 2, 4, 0, 0, snap, link)
    for number, packet in enumerate(packets):
        fraction = number * 1000 * (1000 if nano else 1)
        out += struct.pack(f"{order}IIII", 1_700_000_000, fraction, min(len(packet), snap), len(packet)) + packet[:snap]
    path.write_bytes(out)
    return path


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    body += bytes(-len(body) % 4)
    return struct.pack(f"{order}II", kind, len(body) + 12) + body + struct.pack(f"{order}I", len(body) + 12)


def pcapng(
    path: Path, interfaces: Sequence[tuple[int, int]], packets: Iterable[tuple[int, int, bytes]], order: str = "<"
) -> Path:
    """Interfaces: link type, resolution (10 to the power of minus that, in seconds). Packets: interface, ticks, bytes."""
    out = block(0x0A0D0D0A, struct.pack(f"{order}IHHq", 0x1A2B3C4D, 1, 0, -1), order)
    for link, resolution in interfaces:
        options = struct.pack(f"{order}HHB3xHH", 9, 1, resolution, 0, 0)
        out += block(1, struct.pack(f"{order}HHI", link, 0, 0) + options, order)
    out += block(5, bytes(12), order)  # statistics of an interface: nothing for us
    for interface, ticks, packet in packets:
        head = struct.pack(f"{order}IIIII", interface, ticks >> 32, ticks & 0xFFFFFFFF, len(packet), len(packet))
        out += block(6, head + packet, order)
    path.write_bytes(out)
    return path


class Talk:
    """A TCP connection whose packets are made as it goes on."""

    def __init__(
        self, port: int = 40000, here: str = PANEL, there: str = BENCH, begin: int = 1000, answered: int = 5000
    ):
        self.port, self.ends, self.sent, self.back = port, (here, there), begin, answered
        self.packets: list[bytes] = []

    def put(self, back: bool, flags: int, data: bytes = b"", at: int | None = None) -> "Talk":
        """A segment; `at` says its sequence number where that is not the next."""
        mine, other = (self.back, self.sent) if back else (self.sent, self.back)
        ports = (12009, self.port) if back else (self.port, 12009)
        segment = tcp(*ports, mine if at is None else at, other if flags & ACK else 0, flags, data)
        self.packets.append(internet(*(self.ends[::-1] if back else self.ends), segment))
        if at is None:
            step = len(data) + bool(flags & SYN) + bool(flags & FIN)
            self.sent, self.back = (self.sent, self.back + step) if back else (self.sent + step, self.back)
        return self

    def open(self) -> "Talk":
        return self.put(False, SYN).put(True, SYN | ACK).put(False, ACK)

    def says(self, data: bytes, at: int | None = None) -> "Talk":
        return self.put(False, ACK, data, at)

    def hears(self, data: bytes) -> "Talk":
        return self.put(True, ACK, data)

    def close(self) -> "Talk":
        return self.put(False, FIN | ACK).put(True, FIN | ACK).put(False, ACK)


# What was read


def read(path: Path, how: How = ANY) -> tuple[list[Happening], list[str]]:
    opened = shapes.opened(path, how)
    return list(opened.happenings), opened.notes


def sides(happenings: Iterable[Happening]) -> dict[str, bytes]:
    """All that each side of each connection said; what was lost stands as `<7 lost>`."""
    found: dict[str, bytes] = {}
    for one in happenings:
        if one.what in ("panel", "receiver"):
            found[f"{one.connection} {one.what}"] = found.get(f"{one.connection} {one.what}", b"") + one.data
        elif one.what.endswith("-lost"):
            side = f"{one.connection} {one.what.removesuffix('-lost')}"
            found[side] = found.get(side, b"") + b"<%d lost>" % one.size
    return found


def tshark(path: Path, *options: str) -> list[list[str]]:
    """What `tshark` finds, a row a packet."""
    done = subprocess.run([*TSHARK, "-r", path, *options], capture_output=True, text=True, check=True)
    return [line.split("\t") for line in done.stdout.splitlines()]


def followed(path: Path, streams: int) -> list[tuple[bytes, bytes]]:
    """What `tshark` puts together of each TCP connection: what its first end said, and the other."""
    wanted = [option for number in range(streams) for option in ("-z", f"follow,tcp,raw,{number}")]
    done = subprocess.run([*TSHARK, "-q", "-r", path, *wanted], capture_output=True, text=True, check=True)
    found = []
    for part in done.stdout.split("Follow: tcp,raw")[1:]:
        lines = part.split("Node 1:")[1].splitlines()[1:]
        digits = [line for line in lines if line and not line.startswith("=")]
        back = b"".join(bytes.fromhex(line.strip()) for line in digits if line.startswith("\t"))
        found.append((b"".join(bytes.fromhex(line) for line in digits if not line.startswith("\t")), back))
    return found


FIRST, SECOND = alarm(1), alarm(2)
SAID, HEARD = FIRST + SECOND, ack(1) + ack(2)


def talk(port: int = 40000, **ends: str) -> Talk:
    return Talk(port, **ends).open().says(FIRST).hears(ack(1)).says(SECOND).hears(ack(2)).close()


def test_every_link_gives_what_tshark_finds(tmp_path: Path) -> None:
    """Frames, their order, their bytes, ports and times, over IPv4 and IPv6, TCP and UDP."""
    packets = talk().packets + talk(40001, here=PANEL6, there=BENCH6).packets
    for source, target in ((PANEL, BENCH), (PANEL6, BENCH6)):
        packets.append(internet(source, target, udp(5000, 12009, alarm(3)), 17))
        packets.append(internet(target, source, udp(12009, 5000, ack(3)), 17))
    seen = []
    for name, (link, wrap) in LINKS.items():
        happenings, notes = read(pcap(tmp_path / "x.pcap", link, map(wrap, packets)))
        assert notes == [], name
        seen.append([(one.at, one.connection, one.what, one.data, one.peer, one.port) for one in happenings])
        fields = [option for one in ("frame.time_epoch", "tcp.payload", "udp.payload") for option in ("-e", one)]
        rows = tshark(tmp_path / "x.pcap", "-T", "fields", *fields)
        theirs = [(f"{float(row[0]):.6f}", "".join(row[1:])) for row in rows if "".join(row[1:])]
        ours = [(f"{one.at.timestamp():.6f}", one.data.hex()) for one in happenings if one.data]
        assert ours == theirs, name
    assert all(one == seen[0] for one in seen)
    assert {(connection, peer, port) for _, connection, what, _, peer, port in seen[0] if what == "open"} == {
        ("tcp-1", f"{PANEL}:40000", 12009),
        ("tcp-2", f"[{PANEL6}]:40001", 12009),
        (f"udp-{PANEL}:5000", f"{PANEL}:5000", 12009),
        (f"udp-[{PANEL6}]:5000", f"[{PANEL6}]:5000", 12009),
    }


@pytest.mark.parametrize("order", ["<", ">"])
def test_both_orders_of_bytes_and_both_resolutions_and_two_interfaces(tmp_path: Path, order: str) -> None:
    packets = talk().packets
    plain, _ = read(pcap(tmp_path / "a.pcap", 1, map(ethernet, packets), order))
    nano, _ = read(pcap(tmp_path / "b.pcap", 1, map(ethernet, packets), order, nano=True))
    ticks = [1_700_000_000 * 10**6 + number * 1000 for number in range(len(packets))]
    mixed = [
        (number % 2, tick * (1000 if number % 2 else 1), packet if number % 2 else ethernet(packet))
        for number, (tick, packet) in enumerate(zip(ticks, packets, strict=True))
    ]
    newer, notes = read(pcapng(tmp_path / "c.pcapng", [(1, 6), (101, 9)], mixed, order))
    assert (plain, plain, []) == (nano, newer, notes)
    times = [
        row[0] for row in tshark(tmp_path / "c.pcapng", "-T", "fields", "-e", "frame.time_epoch", "-Y", "tcp.len > 0")
    ]
    assert times == [f"{one.at.timestamp():.6f}000" for one in newer if one.data]


def edits() -> dict[str, Talk]:
    """Connections whose packets suffered: all of them still hold the whole conversation but `lost for good`."""
    lost = talk(41001)
    lost.packets.insert(6, lost.packets.pop(4))  # the second message before the answer to the first
    swapped = Talk(41002).open()
    swapped.says(SECOND, at=swapped.sent + len(FIRST)).says(FIRST, at=swapped.sent)
    swapped.sent += len(SAID)
    swapped.hears(HEARD).close()
    twice = Talk(41003).open().says(FIRST)
    twice.says(FIRST, at=twice.sent - len(FIRST)).hears(ack(1)).says(SECOND)
    twice.says(SECOND, at=twice.sent - len(SECOND)).hears(ack(2)).close()
    over = Talk(41004).open()
    over.says(SAID[:30]).says(SAID[20:60], at=over.sent - 10)
    over.sent += 30
    over.says(SAID[55:], at=over.sent - 5)
    over.sent = 1001 + len(SAID)
    over.hears(HEARD).close()
    bytewise = Talk(41005).open()
    for place in range(len(SAID)):
        bytewise.says(SAID[place : place + 1])
    bytewise.hears(HEARD).close()
    wrapped = (
        Talk(41006, begin=2**32 - 30, answered=2**32 - 10)
        .open()
        .says(FIRST)
        .hears(ack(1))
        .says(SECOND)
        .hears(ack(2))
        .close()
    )
    alive = Talk(41007).open().says(FIRST).hears(ack(1))
    alive.says(b"\x00", at=alive.sent - 1).put(True, ACK).says(SECOND).hears(ack(2)).close()
    return {
        "reordered": lost, "swapped": swapped, "repeated": twice, "overlapping": over, "byte by byte": bytewise,
        "past 2^32": wrapped, "kept alive": alive,
    }  # fmt: skip


def test_streams_are_put_together_as_tshark_puts_them_together(tmp_path: Path) -> None:
    """Loss with a second try, reordering, overlap, repeats, a wrap of the sequence numbers, keep-alive probes."""
    talks = edits()
    path = pcap(tmp_path / "x.pcap", 1, (ethernet(packet) for one in talks.values() for packet in one.packets))
    happenings, _ = read(path)
    ours = sides(happenings)
    theirs = followed(path, len(talks))
    for number, name in enumerate(talks, 1):
        assert (ours[f"tcp-{number} panel"], ours[f"tcp-{number} receiver"]) == (SAID, HEARD), name
        assert theirs[number - 1] == (SAID, HEARD), name
    assert [one.connection for one in happenings if one.what == "close"] == [
        f"tcp-{n}" for n in range(1, len(talks) + 1)
    ]


def test_what_was_never_recorded_is_a_gap_of_its_size_where_it_was(tmp_path: Path) -> None:
    whole = talk()
    holed = [packet for packet in whole.packets if FIRST not in packet]
    happenings, notes = read(pcap(tmp_path / "x.pcap", 101, holed))
    assert sides(happenings) == {
        "tcp-1 panel": b"<%d lost>" % len(FIRST) + SECOND,
        "tcp-1 receiver": HEARD,
    }
    assert any(f"{len(FIRST)} bytes of what passed were not recorded" in note for note in notes)
    end = [packet for packet in whole.packets if SECOND not in packet]
    happenings, _ = read(pcap(tmp_path / "x.pcap", 101, end))
    assert sides(happenings)["tcp-1 panel"] == FIRST + b"<%d lost>" % len(SECOND)


def test_packets_cut_when_recorded_leave_a_gap(tmp_path: Path) -> None:
    happenings, notes = read(pcap(tmp_path / "x.pcap", 101, talk().packets, snap=80))
    assert sides(happenings)["tcp-1 panel"].startswith(FIRST[:40] + b"<%d lost>" % (len(FIRST) - 40))
    assert any("had been cut when recorded" in note for note in notes)


def test_a_recording_that_begins_and_ends_in_the_middle(tmp_path: Path) -> None:
    """No SYN: who sends messages, and not answers, is the panel; also where the answer was recorded first."""
    middle = talk().packets[4:-3]
    happenings, _ = read(pcap(tmp_path / "x.pcap", 101, middle))
    assert sides(happenings) == {"tcp-1 panel": SECOND, "tcp-1 receiver": HEARD}
    assert [one.what for one in happenings if one.what in ("open", "close")] == ["open", "close"]


def test_ports_that_are_used_again_are_another_connection(tmp_path: Path) -> None:
    again = Talk(begin=900_000, answered=77).open().says(SECOND).hears(ack(2))
    reset = talk().packets[:5] + again.packets
    happenings, _ = read(pcap(tmp_path / "x.pcap", 101, reset))
    assert sides(happenings)["tcp-2 panel"] == SECOND


def test_a_reset_closes(tmp_path: Path) -> None:
    happenings, _ = read(pcap(tmp_path / "x.pcap", 101, Talk().open().says(FIRST).put(True, RST | ACK).packets))
    assert [one.what for one in happenings] == ["open", "panel", "close"]


def test_a_reset_that_belongs_to_something_older_closes_nothing(tmp_path: Path) -> None:
    """RFC 9293, 3.5.3: a reset counts where its sequence number lies in the window."""
    one = Talk().open().says(FIRST[:20])
    one.put(False, RST, at=77).says(FIRST[20:]).hears(ack(1)).put(False, RST).put(True, ACK)
    happenings, notes = read(pcap(tmp_path / "x.pcap", 101, one.packets))
    assert sides(happenings) == {"tcp-1 panel": FIRST, "tcp-1 receiver": ack(1)}
    assert ([one.what for one in happenings][-1], notes) == ("close", [])


def test_what_is_sent_again_after_the_end_and_a_syn_recorded_late_are_no_other_connection(tmp_path: Path) -> None:
    late = talk()
    late.packets.insert(4, late.packets.pop(0))  # the SYN after the first message
    again = [*late.packets, late.packets[5], late.packets[7]]
    happenings, _ = read(pcap(tmp_path / "x.pcap", 101, again))
    assert sides(happenings) == {"tcp-1 panel": SAID, "tcp-1 receiver": HEARD}


def test_where_both_ends_use_the_receivers_port_what_they_say_tells_who_is_who(tmp_path: Path) -> None:
    packets = [
        internet(BENCH, PANEL, udp(12009, 12009, ack(1)), 17),
        internet(PANEL, BENCH, udp(12009, 12009, alarm(2)), 17),
    ]
    happenings, _ = read(pcap(tmp_path / "x.pcap", 101, packets), How(receiver=(None, 12009)))
    assert [(one.what, one.data) for one in happenings if one.data] == [("receiver", ack(1)), ("panel", alarm(2))]


def test_an_old_fragment_is_not_taken_for_one_of_another_datagram(tmp_path: Path) -> None:
    one, two = udp(5000, 12009, alarm(1)), udp(5000, 12009, alarm(2))
    halves = [
        internet(PANEL, BENCH, one[:16], 17, 7, 0x2000), *[internet(PANEL, BENCH, bytes(8), 1)] * 40_000,
        internet(PANEL, BENCH, two[:16], 17, 7, 0x2000), internet(PANEL, BENCH, two[16:], 17, 7, 2),
    ]  # fmt: skip
    happenings, notes = read(pcap(tmp_path / "x.pcap", 101, halves))  # a millisecond a packet
    assert [one.data for one in happenings if one.data] == [alarm(2)]
    assert any("1 datagram lacked fragments" in note for note in notes)


def test_fragments_are_put_together_as_tshark_does(tmp_path: Path) -> None:
    long = envelope('"SIA-DCS"0001L0#4471[#4471|Nri1/BA15*' + "x" * 3000 + "]")
    whole = udp(5000, 12009, long)
    pieces = [whole[start : start + 1400] for start in range(0, len(whole), 1400)]
    ip4 = [
        internet(PANEL, BENCH, piece, 17, 7, number * 175 | (0x2000 if number < len(pieces) - 1 else 0))
        for number, piece in enumerate(pieces)
    ]
    ip6 = [
        internet(PANEL6, BENCH6, struct.pack(">BBHI", 17, 0, number * 1400 | (number < len(pieces) - 1), 9) + piece, 44)
        for number, piece in enumerate(pieces)
    ]
    path = pcap(tmp_path / "x.pcap", 101, [ip4[1], ip4[0], *ip4[1:], *ip6[::-1]])
    happenings, _ = read(path)
    assert [one.data for one in happenings if one.what == "panel"] == [long, long]
    rows = tshark(path, "-T", "fields", "-e", "udp.payload", "-Y", "udp")
    assert [row[0] for row in rows if row[0]] == [long.hex()] * 2
    _, notes = read(pcap(tmp_path / "y.pcap", 101, [ip4[0], *talk().packets]))
    assert any("1 datagram lacked fragments" in note for note in notes)


def test_what_cannot_be_read_or_is_left_out_is_said(tmp_path: Path) -> None:
    other = Talk(50000).open().says(b"GET / HTTP/1.1\r\n\r\n").hears(b"HTTP/1.1 200 OK\r\n").close().packets
    dns = internet(PANEL, BENCH, udp(5353, 53, b"\x00" * 20), 17)
    ping = internet(PANEL, BENCH, bytes(8), 1)
    sealed = Talk(50001).open().says(b"\x16\x03\x01\x02\x00" + bytes(100)).close().packets
    happenings, notes = read(pcap(tmp_path / "x.pcap", 101, [*other, dns, ping, *sealed, *talk().packets]))
    assert sides(happenings) == {"tcp-1 panel": SAID, "tcp-1 receiver": HEARD}
    text = " ".join(notes)
    assert "TCP 12009: 1" in text
    assert "UDP 53: 1" in text
    assert "ICMP 1" in text
    assert "1 conversation with port 12009 were TLS" in text
    everything, _ = read(tmp_path / "x.pcap", How(receiver=(None, 12009)))
    assert sides(everything)["tcp-1 panel"].startswith(b"GET /")
    _, notes = read(pcap(tmp_path / "y.pcap", 127, [b"\x00" * 40]))
    assert notes == ["1 packet of link type 127 cannot be read: Ethernet, Linux cooked and raw IP can"]


def test_a_file_that_was_cut_off_gives_what_is_whole_and_a_damaged_one_says_where(tmp_path: Path) -> None:
    path = pcap(tmp_path / "x.pcap", 101, talk().packets)
    path.write_bytes(path.read_bytes()[:-10])
    happenings, notes = read(path)
    assert sides(happenings)["tcp-1 panel"] == SAID
    assert any("the last, was cut off in mid-write" in note for note in notes)
    path.write_bytes(path.read_bytes()[:24] + b"\xff" * 16 + b"x")
    with pytest.raises(CaptureError, match="packet 1 would have"):
        read(path)


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=400))
def test_whatever_bytes_a_file_holds_it_is_read_or_refused_with_a_sentence(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes
) -> None:
    path = tmp_path_factory.mktemp("junk") / "x.pcap"
    whole = pcap(path, 1, map(ethernet, talk().packets)).read_bytes()
    place = random.Random(len(junk)).randrange(24, len(whole))
    path.write_bytes(whole[:place] + junk + whole[place + len(junk) :])
    with suppress(CaptureError):
        read(path)


# One side of a connection


pieces = st.lists(st.binary(min_size=1, max_size=30), min_size=1, max_size=12)


@given(pieces, st.integers(0, 2**32 - 1), st.randoms(use_true_random=False))
def test_any_order_any_repeats_and_any_cuts_give_the_stream(
    said: list[bytes], begin: int, chance: random.Random
) -> None:
    whole = b"".join(said)
    segments = []
    place = 0
    for piece in said:
        segments.append((place, piece))
        place += len(piece)
    for _ in range(chance.randrange(6)):  # second tries, cut in other places
        start = chance.randrange(len(whole))
        segments.append((start, whole[start : start + chance.randrange(1, 40)]))
    chance.shuffle(segments)
    stream = Stream()
    stream.begins(begin)
    out = [
        part for start, data in segments for part in stream.take((begin + 1 + start) % 2**32, data, len(data), False)
    ]
    assert b"".join(part for part in out if isinstance(part, bytes)) == whole
    assert not any(isinstance(part, int) for part in out + stream.end())


@given(pieces, st.data())
def test_what_is_missing_is_counted_exactly(said: list[bytes], data: st.DataObject) -> None:
    """Whatever is left out: the bytes that are there and the sizes of the gaps give the whole length, in order."""
    kept = data.draw(st.lists(st.booleans(), min_size=len(said), max_size=len(said)))
    whole = b"".join(said)
    stream = Stream()
    stream.begins(0)
    out = []
    place = 1
    for piece, there in zip(said, kept, strict=True):
        if there:
            out += stream.take(place, piece, len(piece), False)
        place += len(piece)
    out += stream.take(place, b"", 0, True)
    for _ in range(PATIENCE * len(said) * 2):
        out += stream.acknowledged(place)
    out += stream.end()
    rebuilt = b""
    for part in out:
        rebuilt += part if isinstance(part, bytes) else whole[len(rebuilt) : len(rebuilt) + part]
    assert rebuilt == whole
    assert sum(len(part) for part in out if isinstance(part, bytes)) == sum(
        len(piece) for piece, there in zip(said, kept, strict=True) if there
    )


def test_what_waits_behind_a_hole_is_bounded() -> None:
    stream = Stream()
    stream.begins(0)
    out = []
    for number in range(MOST_HELD // 1000 + 2):
        out += stream.take(101 + number * 1000, bytes(1000), 1000, False)
    assert out[0] == 100
    assert sum(len(part) for part in out if isinstance(part, bytes)) > MOST_HELD


def test_a_time_beyond_the_calendar_is_no_time(tmp_path: Path) -> None:
    # The fuzzer found it: pcapng counts in 64 bits, which at whole seconds is longer than there are years.
    whole = internet(PANEL, BENCH, struct.pack(">HHHH", 40000, 12009, 8 + len(alarm(1)), 0) + alarm(1), 17)
    happenings, notes = read(
        pcapng(tmp_path / "far.pcapng", [(101, 0)], [(0, 1_700_000_000, whole), (0, 1 << 63, whole)])
    )
    assert {one.at.year for one in happenings} == {2023}
    assert any("1 packet had no time" in note for note in notes)
