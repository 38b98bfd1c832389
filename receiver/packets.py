"""Packets that somebody recorded, pcap or pcapng, as the happenings of a capture.

Links: Ethernet (with VLAN tags), Linux cooked (both versions), raw IP, loopback. Any other is counted and said. Then IPv4
and IPv6 with their fragments, UDP, and TCP put together by `segments`. Checksums are not looked at: of packets that were
recorded where they were sent, the network card fills them in later.

The file is read twice. The first reading tells which conversations are alarm traffic and who in each is the panel: who
opened it; where that was not recorded, who sends messages and not answers. The second gives the happenings in the order
of the file, so memory does not grow with it, but for a byte a conversation.

pcap and pcapng: draft-ietf-opsawg-pcap and -pcapng, and the link types of tcpdump.org (from memory).
"""

import re
import socket
import struct
from collections import Counter, OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import BinaryIO, Literal, NamedTuple

from protocols.dc09 import REPLIES
from receiver.capture import CaptureError, Happening, Opened, What
from receiver.segments import Out, Stream, ahead

MAGICS = (b"\xd4\xc3\xb2\xa1", b"\xa1\xb2\xc3\xd4", b"\x4d\x3c\xb2\xa1", b"\xa1\xb2\x3c\x4d", b"\x0a\x0d\x0d\x0a")
LONGEST_PACKET = 1 << 24  # more than any link carries: such a length means that the file is damaged
MOST_OPEN = 50_000  # TCP connections that are followed at once
MOST_FRAGMENTED = 1000  # datagrams whose fragments are waited for
MOST_OVER = 5000  # connections that have ended and are still known
MOST_LATE = 1 << 16  # bytes by which a SYN may be recorded late, or a reset be early
FRAGMENT_SECONDS = 30  # for which fragments are waited for (RFC 791 and 8200: 15 to 60 s)
LOOKED_AT = 1 << 16  # bytes of each side in which a frame is looked for

_VLAN = (0x8100, 0x88A8, 0x9100)
_IP4, _IP6 = 0x0800, 0x86DD
_OTHER = {0x0806: "ARP", 1: "ICMP", 58: "ICMPv6", 2: "IGMP", 132: "SCTP", 47: "GRE", 50: "ESP"}
_HEAD = re.compile(rb'\n(?:[0-9A-Fa-f]{8}|[\x00-\xff]{2}0[0-9A-Fa-f]{3})"\*?([A-Z-]{0,16})')
_ANSWERS = tuple(word.encode() for word in REPLIES)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LAST_MOMENT = (
    (datetime(9999, 12, 31, tzinfo=UTC) - _EPOCH) // timedelta(microseconds=1) * 1000
)  # pcapng counts further
_ETHERNET, _COOKED, _COOKED2, _RAW, _LOOPBACK = (1,), (113,), (276,), (101, 12, 14, 228, 229), (0, 108)

_u16 = struct.Struct(">H").unpack_from
_ipv4 = struct.Struct(">BBHHHBBH4s4s").unpack_from
_ipv6 = struct.Struct(">IHBB16s16s").unpack_from
_tcp = struct.Struct(">HHIIBBHHH").unpack_from
_udp = struct.Struct(">HHHH").unpack_from


Receiver = tuple[str | None, int] | None


class Packet(NamedTuple):
    """What of a packet matters here. `length` counts its payload as it was sent, `data` is what of it was recorded."""

    nanoseconds: int
    protocol: int
    source: tuple[bytes, int]
    target: tuple[bytes, int]
    data: bytes
    length: int
    flags: int = 0
    sequence: int = 0
    acknowledged: int = 0


@dataclass
class _Told:
    """What is said of a file at the end."""

    links: Counter[int] = field(default_factory=Counter)
    other: Counter[str] = field(default_factory=Counter)
    cut: int = 0
    damaged: int = 0
    fragments: int = 0
    backwards: int = 0
    untimed: int = 0
    end: str = ""


def opened(path: Path, receiver: Receiver) -> Opened:
    """The happenings of a file of packets. CaptureError where it is none or is damaged; OSError when it cannot be read.

    `receiver`, a port and perhaps an address, takes all that passed there; without it, what has a frame in it is taken.
    """
    size = path.stat().st_size
    found = Opened(f"packets of {path.name}", size * 2)
    with path.open("rb") as file:
        _begin(file, path)
    found.happenings = _happenings(path, receiver, found)
    return found


def _happenings(path: Path, receiver: Receiver, found: Opened) -> Iterator[Happening]:
    told = _Told()
    first = _Sorting(receiver)
    walk = _Conversations(first)
    for packet in _packets(path, told, found, 0):
        walk.take(packet)
    walk.end()
    told = _Told()
    second = _Telling(first)
    walk = _Conversations(second)
    for packet in _packets(path, told, found, found.size // 2):
        walk.take(packet)
        yield from second.taken()
    walk.end()
    yield from second.taken()
    found.taken = found.size
    _say(found, told, first, second)


def _say(found: Opened, told: _Told, first: "_Sorting", second: "_Telling") -> None:
    for link, count in sorted(told.links.items()):
        found.notes.append(
            f"{_many(count, 'packet')} of link type {link} cannot be read: Ethernet, Linux cooked and raw IP can"
        )
    if told.end:
        found.notes.append(told.end)
    if told.fragments:
        found.notes.append(f"{_many(told.fragments, 'datagram')} lacked fragments and could not be put together")
    if told.damaged:
        found.notes.append(f"{_many(told.damaged, 'packet')} could not be read: a header is cut off or makes no sense")
    found.unread += sum(told.links.values()) + bool(told.end) + told.fragments + told.damaged
    if told.cut:
        found.notes.append(
            f"{_many(told.cut, 'packet')} had been cut when recorded; record with a larger snapshot length"
        )
    if second.lost_bytes:
        found.notes.append(
            f"{_many(second.lost_bytes, 'byte')} of what passed were not recorded; each gap is in its place"
        )
        found.unread += 1
    if second.repeats:
        found.notes.append(f"{_many(second.repeats, 'segment')} came more than once over TCP, and count once")
    if told.backwards:
        found.notes.append(f"{_many(told.backwards, 'packet')} went back in time, and stand at the time before")
    if told.untimed:
        found.notes.append(f"{_many(told.untimed, 'packet')} had no time, and stand at the time before")
    if first.sealed:
        ports = ", ".join(map(str, sorted(first.sealed)))
        found.notes.append(
            f"{_many(sum(first.sealed.values()), 'conversation')} with port {ports} were TLS, which cannot be read"
        )
    if first.left:
        what = ", ".join(f"{name} {count}" for name, count in sorted(first.left.items()))
        found.notes.append(
            f"conversations without a frame, left out: {what}; `capture import --receiver PORT` takes one all the same"
        )
    if told.other:
        what = ", ".join(f"{name} {count}" for name, count in sorted(told.other.items()))
        found.notes.append(f"packets of other protocols, left out: {what}")


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"


# Files


def _begin(file: BinaryIO, path: Path) -> bytes:
    magic = file.read(4)
    if magic not in MAGICS:
        raise CaptureError(f"{path} begins neither as pcap nor as pcapng does")
    return magic


def _packets(path: Path, told: _Told, found: Opened, before: int) -> Iterator[Packet]:
    parts = _Fragments(told)
    latest, counted = 0, 0
    with path.open("rb") as file:
        magic = _begin(file, path)
        records = _pcapng(file, path, told) if magic == MAGICS[4] else _pcap(file, magic, path, told)
        for moment, link, data, missing in records:
            counted += 1
            if not counted % 256:
                found.taken = before + file.tell()
            if moment is None or moment > _LAST_MOMENT:
                told.untimed += 1
            elif moment < latest:
                told.backwards += 1
            else:
                latest = moment
            told.cut += missing > 0
            try:
                packet = _read(latest, link, data, missing, parts, told)
            except (struct.error, IndexError, ValueError):
                told.damaged += 1
                continue
            if packet is not None:
                yield packet
    told.fragments += len(parts.waiting)


Record = tuple[int | None, int, bytes, int]  # nanoseconds, link type, bytes, how many more there were


def _pcap(file: BinaryIO, magic: bytes, path: Path, told: _Told) -> Iterator[Record]:
    order = "<" if magic in (MAGICS[0], MAGICS[2]) else ">"
    scale = 1 if magic in MAGICS[2:4] else 1000
    head = file.read(20)
    if len(head) < 20:
        raise CaptureError(f"{path}: the header of the file is cut off")
    link = struct.unpack(f"{order}HHiIII", head)[5] & 0x0FFFFFFF
    record = struct.Struct(f"{order}IIII")
    number = 0
    while head := file.read(16):
        number += 1
        if len(head) < 16:
            told.end = f"packet {number}, the last, was cut off in mid-write and is left out"
            return
        seconds, fraction, kept, whole = record.unpack(head)
        if kept > LONGEST_PACKET:
            raise CaptureError(f"{path}: packet {number} would have {kept} bytes: the file is damaged there")
        data = file.read(kept)
        if len(data) < kept:
            told.end = f"packet {number}, the last, was cut off in mid-write and is left out"
            return
        yield seconds * 1_000_000_000 + fraction * scale, link, data, max(whole - kept, 0)


class _Interface(NamedTuple):
    link: int
    snap: int
    ticks: Callable[[int], int]


def _pcapng(file: BinaryIO, path: Path, told: _Told) -> Iterator[Record]:
    file.seek(0)
    order, interfaces, number = "<", list[_Interface](), 0
    while head := file.read(8):
        number += 1
        if len(head) < 8:
            told.end = f"block {number}, the last, was cut off in mid-write and is left out"
            return
        if head[:4] == MAGICS[4]:  # a section says in which order its bytes are
            mark = file.read(4)
            order = "<" if mark == b"\x4d\x3c\x2b\x1a" else ">" if mark == b"\x1a\x2b\x3c\x4d" else ""
            if not order:
                raise CaptureError(f"{path}: block {number} is no section header: the file is damaged there")
            interfaces = []
        else:
            mark = b""
        kind, length = struct.unpack(f"{order}II", head)
        if length < 12 or length % 4 or length > LONGEST_PACKET:
            raise CaptureError(f"{path}: block {number} would have {length} bytes: the file is damaged there")
        body = mark + file.read(length - 8 - len(mark))
        if len(body) < length - 8:
            told.end = f"block {number}, the last, was cut off in mid-write and is left out"
            return
        try:
            if kind == 1:
                interfaces.append(_interface(body, order))
            elif kind in (2, 6):
                form = "IIIII" if kind == 6 else "HHIIII"
                which, *_, high, low, kept, whole = struct.unpack_from(order + form, body)
                at = struct.calcsize(order + form)
                interface = interfaces[which]
                yield interface.ticks(high << 32 | low), interface.link, body[at : at + kept], max(whole - kept, 0)
            elif kind == 3:
                (whole,) = struct.unpack_from(f"{order}I", body)
                kept = min(whole, interfaces[0].snap or whole, length - 16)
                yield None, interfaces[0].link, body[4 : 4 + kept], max(whole - kept, 0)
        except (struct.error, IndexError):
            raise CaptureError(f"{path}: block {number} makes no sense: the file is damaged there") from None


def _interface(body: bytes, order: str) -> _Interface:
    link, _, snap = struct.unpack_from(f"{order}HHI", body)
    resolution, offset, at = 6, 0, 8
    while at + 4 <= len(body) - 4:
        code, length = struct.unpack_from(f"{order}HH", body, at)
        value = body[at + 4 : at + 4 + length]
        at += 4 + (length + 3) // 4 * 4
        if code == 0:
            break
        if code == 9:
            resolution = value[0]
        elif code == 14:
            (offset,) = struct.unpack(f"{order}q", value)
    whole = 1 << (resolution & 0x7F) if resolution & 0x80 else 10**resolution
    return _Interface(link, snap, lambda ticks: ticks * 1_000_000_000 // whole + offset * 1_000_000_000)


# Layers


def _read(moment: int, link: int, data: bytes, missing: int, parts: "_Fragments", told: _Told) -> Packet | None:
    at = 0
    if link in _ETHERNET:
        at = 14
        (kind,) = _u16(data, 12)
    elif link in _COOKED:
        at = 16
        (kind,) = _u16(data, 14)
    elif link in _COOKED2:
        at = 20
        (kind,) = _u16(data, 0)
    elif link in _RAW or link in _LOOPBACK:
        at = 4 if link in _LOOPBACK else 0
        kind = {4: _IP4, 6: _IP6}.get(data[at] >> 4, 0)
    else:
        told.links[link] += 1
        return None
    while kind in _VLAN:
        (kind,) = _u16(data, at + 2)
        at += 4
    if kind == _IP4:
        return _internet4(moment, data, at, missing, parts, told)
    if kind == _IP6:
        return _internet6(moment, data, at, missing, parts, told)
    told.other[_OTHER.get(kind, f"type 0x{kind:04X}")] += 1
    return None


def _internet4(moment: int, data: bytes, at: int, missing: int, parts: "_Fragments", told: _Told) -> Packet | None:
    first, _, total, name, place, _, protocol, _, source, target = _ipv4(data, at)
    head = (first & 15) * 4
    if first >> 4 != 4 or head < 20:
        raise ValueError("no IPv4")
    length = (total or len(data) - at + missing) - head  # 0: the card was to cut it, and the length did not fit
    payload = data[at + head : at + head + length]
    if place & 0x3FFF:
        whole = parts.take(moment, (source, target, protocol, name), (place & 0x1FFF) * 8, payload, not place & 0x2000)
        if whole is None:
            return None
        payload, length = whole, len(whole)
    return _transport(moment, protocol, source, target, payload, length, told)


def _internet6(moment: int, data: bytes, at: int, missing: int, parts: "_Fragments", told: _Told) -> Packet | None:
    first, length, protocol, _, source, target = _ipv6(data, at)
    if first >> 28 != 6:
        raise ValueError("no IPv6")
    at += 40
    length = length or len(data) - at + missing
    end = at + length
    while protocol in (0, 43, 44, 51, 60):  # headers between IPv6 and what it carries (RFC 8200, 4.1; AH: RFC 4302)
        if protocol == 44:
            (place,) = _u16(data, at + 2)
            name = data[at + 4 : at + 8]
            protocol, at = data[at], at + 8
            if place & 0xFFF9:
                key = (source, target, protocol, int.from_bytes(name))
                whole = parts.take(moment, key, place & 0xFFF8, data[at:end], not place & 1)
                if whole is None:
                    return None
                return _transport(moment, protocol, source, target, whole, len(whole), told)
        else:
            protocol, at = data[at], at + ((data[at + 1] + 2) * 4 if protocol == 51 else (data[at + 1] + 1) * 8)
    return _transport(moment, protocol, source, target, data[at:end], end - at, told)


def _transport(
    moment: int, protocol: int, source: bytes, target: bytes, data: bytes, length: int, told: _Told
) -> Packet | None:
    if protocol == 6:
        here, there, sequence, acknowledged, offset, flags, *_ = _tcp(data)
        head = (offset >> 4) * 4
        if head < 20:
            raise ValueError("no TCP")
        return Packet(
            moment, 6, (source, here), (target, there), data[head:], max(length - head, 0), flags, sequence,
            acknowledged if flags & 16 else -1,
        )  # fmt: skip
    if protocol == 17:
        here, there, size, _ = _udp(data)
        size = size or length
        return Packet(moment, 17, (source, here), (target, there), data[8:size], size - 8)
    told.other[_OTHER.get(protocol, f"IP protocol {protocol}")] += 1
    return None


class _Fragments:
    """Datagrams that came in fragments, until they are whole."""

    def __init__(self, told: _Told) -> None:
        self.waiting: OrderedDict[object, tuple[dict[int, bytes], list[int], int]] = OrderedDict()
        self._told = told

    def take(self, moment: int, key: object, offset: int, data: bytes, last: bool) -> bytes | None:
        """One fragment; the datagram, when that was what it lacked. What came too long ago is of another one."""
        if key in self.waiting and moment - self.waiting[key][2] > FRAGMENT_SECONDS * 1_000_000_000:
            del self.waiting[key]
            self._told.fragments += 1
        pieces, size, _ = self.waiting.setdefault(key, ({}, [], moment))
        pieces[offset] = data
        if last:
            size[:] = [offset + len(data)]
        whole = b""
        for start in sorted(pieces):
            if start > len(whole):
                break
            whole += pieces[start][len(whole) - start :]
        if size and len(whole) >= size[0]:
            del self.waiting[key]
            return whole[: size[0]]
        if len(self.waiting) > MOST_FRAGMENTED:
            self.waiting.popitem(last=False)
            self._told.fragments += 1
        return None


# Conversations

Ends = tuple[tuple[bytes, int], tuple[bytes, int]]  # who spoke first, and the other


@dataclass(slots=True)
class _Connection:
    number: int
    ends: Ends
    streams: tuple[Stream, Stream] = field(default_factory=lambda: (Stream(), Stream()))
    opener: int | None = None  # which end sent the SYN
    began: int | None = None  # its sequence number

    def again(self, end: int, sequence: int) -> bool:
        """Whether a SYN begins another connection: not where it was sent twice, or recorded after the first data."""
        due = self.streams[end].next
        if self.began is not None or due is None:
            return self.began not in (None, sequence)
        return not 0 <= ahead(due, sequence + 1) <= MOST_LATE

    def fits(self, end: int, sequence: int) -> bool:
        """Whether a reset lies where this side's bytes are due (RFC 9293, 3.5.3), or nothing is known of them."""
        due = self.streams[end].next
        return due is None or 0 <= ahead(sequence, due) <= MOST_LATE


class _Sink:
    """What is done with what passed: `end` is 0 for who spoke first, 1 for the other."""

    repeats = 0

    def open(self, moment: int, number: int, ends: Ends, line: str, opener: int | None) -> None: ...
    def data(self, moment: int, number: int, end: int, data: bytes) -> None: ...
    def lost(self, moment: int, number: int, end: int, size: int) -> None: ...
    def close(self, moment: int, number: int) -> None: ...


class _Conversations:
    """Packets in; conversations, numbered as they appear, to a sink. The same packets give the same numbers."""

    def __init__(self, sink: _Sink) -> None:
        self._sink = sink
        self._open: OrderedDict[Ends, _Connection] = OrderedDict()
        self._over: OrderedDict[Ends, None] = (
            OrderedDict()
        )  # connections that ended; what is sent again belongs to them
        self._datagrams: OrderedDict[Ends, int] = OrderedDict()
        self._number = 0
        self._moment = 0

    def take(self, packet: Packet) -> None:
        self._moment = packet.nanoseconds
        if packet.protocol == 17:
            self._datagram(packet)
        else:
            self._segment(packet)

    def end(self) -> None:
        for one in list(self._open.values()):
            self._close(one)

    def _begin(self) -> int:
        self._number += 1
        return self._number - 1

    def _datagram(self, packet: Packet) -> None:
        ends, end = (packet.source, packet.target), 0
        number = self._datagrams.get(ends)
        if number is None and (number := self._datagrams.get((packet.target, packet.source))) is not None:
            end = 1
        if number is None:
            number = self._datagrams[ends] = self._begin()
            self._sink.open(packet.nanoseconds, number, ends, "udp", None)
            if len(self._datagrams) > MOST_OPEN:
                self._sink.close(packet.nanoseconds, self._datagrams.popitem(last=False)[1])
        else:
            self._datagrams.move_to_end(ends if end == 0 else ends[::-1])
        self._sink.data(packet.nanoseconds, number, end, packet.data)
        if packet.length > len(packet.data):
            self._sink.lost(packet.nanoseconds, number, end, packet.length - len(packet.data))

    def _segment(self, packet: Packet) -> None:
        syn, fin, reset = packet.flags & 2, packet.flags & 1, packet.flags & 4
        ends, end = (packet.source, packet.target), 0
        one = self._open.get(ends)
        if one is None and (one := self._open.get((packet.target, packet.source))) is not None:
            end = 1
        first = syn and not packet.flags & 16
        if one is not None and first and one.again(end, packet.sequence):
            self._close(one)  # the ports are used again
            one = None
        if one is None and not syn and (ends in self._over or ends[::-1] in self._over):
            self._sink.repeats += bool(packet.data)
            return
        if one is not None and reset and not one.fits(end, packet.sequence):
            return  # of something older
        if one is None:
            if reset or not (syn or packet.data):
                return  # the tail of what was over already
            one = self._open[ends] = _Connection(self._begin(), ends)
            self._over.pop(ends, None)
            self._over.pop(ends[::-1], None)
            end = 0
            if syn:
                one.opener = end if first else 1 - end
            self._sink.open(packet.nanoseconds, one.number, ends, "tcp", one.opener)
            if len(self._open) > MOST_OPEN:
                self._close(next(iter(self._open.values())))
        else:
            self._open.move_to_end(one.ends)
        stream, other = one.streams[end], one.streams[1 - end]
        if syn:
            if first:
                one.opener, one.began = end, packet.sequence
            if stream.next is None:
                stream.begins(packet.sequence)
            self._put(one, end, stream.take((packet.sequence + 1) % (1 << 32), packet.data, packet.length, bool(fin)))
        else:
            self._put(one, end, stream.take(packet.sequence, packet.data, packet.length, bool(fin)))
        if packet.acknowledged >= 0 and not reset:
            self._put(one, 1 - end, other.acknowledged(packet.acknowledged))
        if reset or (stream.ended and other.ended):
            self._close(one)

    def _put(self, one: _Connection, end: int, out: Out) -> None:
        for part in out:
            if isinstance(part, int):
                self._sink.lost(self._moment, one.number, end, part)
            else:
                self._sink.data(self._moment, one.number, end, part)

    def _close(self, one: _Connection) -> None:
        del self._open[one.ends]
        self._over[one.ends] = None
        if len(self._over) > MOST_OVER:
            self._over.popitem(last=False)
        for end in (0, 1):
            self._put(one, end, one.streams[end].end())
            self._sink.repeats += one.streams[end].repeats
        self._sink.close(self._moment, one.number)


_PANEL_SECOND, _TAKEN = 1, 2  # in the byte of a conversation: the panel is the end that spoke second; it is taken


class _Sorting(_Sink):
    """The first reading: which conversations are taken, and who in each is the panel."""

    def __init__(self, receiver: Receiver) -> None:
        self._receiver = receiver
        self.known = bytearray()
        self.left: Counter[str] = Counter()
        self.sealed: Counter[int] = Counter()
        self._undecided: dict[int, tuple[Ends, str, int | None, list[bytes], list[int]]] = {}

    def open(self, moment: int, number: int, ends: Ends, line: str, opener: int | None) -> None:
        self.known.append(0)
        if self._receiver:
            host, port = self._receiver
            packed = [_packed(host)] if host else [ends[0][0], ends[1][0]]
            matches = [end for end in (1, 0) if ends[end][1] == port and ends[end][0] in packed]
            if not matches:
                self.left[_service(ends, line, opener)] += 1
                return
            if opener is None and len(matches) == 2:  # both ends use that port: who is who is told by what they say
                self._undecided[number] = ends, line, opener, [b"", b""], [0, 0]
                return
            receiver = 1 - opener if opener is not None and len(matches) == 2 else matches[0]
            self.known[number] = _TAKEN | (_PANEL_SECOND if receiver == 0 else 0)
            return
        self._undecided[number] = ends, line, opener, [b"", b""], [0, 0]

    def data(self, moment: int, number: int, end: int, data: bytes) -> None:
        waiting = self._undecided.get(number)
        if waiting is None:
            return
        ends, line, opener, tails, seen = waiting
        looked = tails[end] + data
        found = _HEAD.search(looked)
        # A token that is cut off at the end of what came is waited for.
        if found and (found.end() < len(looked) or line == "udp"):
            answers = found[1].startswith(_ANSWERS) if found[1] else False
            panel = opener if opener is not None else (1 - end if answers else end)
            self.known[number] = _TAKEN | (_PANEL_SECOND if panel == 1 else 0)
            del self._undecided[number]
            return
        if not seen[end] and data[:2] == b"\x16\x03":
            self.sealed[min(ends[0][1], ends[1][1])] += 1
            del self._undecided[number]
            return
        seen[end] += len(data)
        tails[end] = looked[-40:] if line == "tcp" else b""
        if seen[end] > LOOKED_AT:
            self._leave(number)

    def close(self, moment: int, number: int) -> None:
        if number in self._undecided:
            self._leave(number)

    def finish(self) -> None:
        for number in list(self._undecided):
            self._leave(number)

    def _leave(self, number: int) -> None:
        ends, line, opener, _, seen = self._undecided.pop(number)
        if any(seen) or line == "udp":
            self.left[_service(ends, line, opener)] += 1
        else:
            self.left[f"{_service(ends, line, opener)} (nothing was said)"] += 1


def _service(ends: Ends, line: str, opener: int | None) -> str:
    port = ends[1 - opener][1] if opener is not None else min(ends[0][1], ends[1][1])
    return f"{line.upper()} {port}:"


class _Telling(_Sink):
    """The second reading: the conversations that are taken, as happenings."""

    def __init__(self, first: _Sorting) -> None:
        first.finish()
        self._first = first
        self._ready: list[Happening] = []
        self._names: dict[int, str] = {}
        self._live: set[str] = set()
        self._streams = 0
        self.lost_bytes = 0

    def taken(self) -> Iterator[Happening]:
        ready, self._ready = self._ready, []
        return iter(ready)

    def open(self, moment: int, number: int, ends: Ends, line: str, opener: int | None) -> None:
        known = self._first.known[number]
        if not known & _TAKEN:
            return
        panel = 1 if known & _PANEL_SECOND else 0
        peer = _address(*ends[panel])
        if line == "udp":
            name = f"udp-{peer}"
            if name in self._live:  # the same peer, to another address of the receiver
                name = f"{name}/{number}"
            self._live.add(name)
        else:
            self._streams += 1
            name = f"tcp-{self._streams}"
        self._names[number] = name
        self._ready.append(Happening(_moment(moment), name, "open", b"", line, peer, port=ends[1 - panel][1]))

    def data(self, moment: int, number: int, end: int, data: bytes) -> None:
        if (name := self._names.get(number)) is not None and data:
            self._ready.append(Happening(_moment(moment), name, self._side(number, end), data))

    def lost(self, moment: int, number: int, end: int, size: int) -> None:
        if (name := self._names.get(number)) is not None:
            self.lost_bytes += size
            what: What = "panel-lost" if self._side(number, end) == "panel" else "receiver-lost"
            self._ready.append(Happening(_moment(moment), name, what, size=size))

    def close(self, moment: int, number: int) -> None:
        if (name := self._names.pop(number, None)) is None:
            return
        if name in self._live:
            self._live.discard(name)  # a UDP peer that is not followed any more; nobody closes UDP
        else:
            self._ready.append(Happening(_moment(moment), name, "close"))

    def _side(self, number: int, end: int) -> Literal["panel", "receiver"]:
        second = bool(self._first.known[number] & _PANEL_SECOND)
        return "panel" if second == bool(end) else "receiver"


def _moment(nanoseconds: int) -> datetime:
    return _EPOCH + timedelta(microseconds=nanoseconds // 1000)


def _packed(host: str) -> bytes:
    try:
        return socket.inet_pton(socket.AF_INET6 if ":" in host else socket.AF_INET, host)
    except OSError:
        raise CaptureError(f"--receiver {host}: an address in digits is looked for among packets, not a name") from None


def _address(host: bytes, port: int) -> str:
    if len(host) == 4:
        return f"{socket.inet_ntop(socket.AF_INET, host)}:{port}"
    return f"[{socket.inet_ntop(socket.AF_INET6, host)}]:{port}"
