"""Sound in packets, as a VoIP gateway sends it: RTP (RFC 3550), G.711 (RFC 3551), and digits in words (RFC 4733).

A `Stream` puts the packets of one caller into order and time: samples where they belong, silence where a packet is lost, and
the digits that the gateway took out of the sound and says in words.
"""

import heapq
from collections.abc import Iterator
from typing import NamedTuple

import construct as c
import numpy as np
from numpy.typing import NDArray

from protocols.phone.ear import RATE, Samples

PCMU, PCMA = 0, 8  # payload types (RFC 3551)
DYNAMIC = range(96, 128)  # those that a call agrees on; there is no such talk here, so any of four bytes is an event
EVENT_TYPE = 101  # what we send events as (common practice)
PACKET_SAMPLES = 160  # 20 ms
CONTROL = range(64, 96)  # payload types that are RTCP on the same port (RFC 5761, 4)
IN_ORDER = 3  # packets before a source is held to be one (RFC 3550, A.1)
MOST_MISORDER = (
    100  # packets that one may come late by; what is farther back is a count that began again (RFC 3550, A.1)
)
LATE_PACKETS = 3  # that have come past a gap before it is held to be a loss
MOST_GAP = RATE  # samples of silence that a jump of the time stamp may make; longer ones are filled as time passes

_HEADER = c.BitStruct(
    "version" / c.Const(2, c.BitsInteger(2)),
    "padding" / c.Flag,
    "extension" / c.Flag,
    "sources" / c.BitsInteger(4),
    "marker" / c.Flag,
    "type" / c.BitsInteger(7),
    "sequence" / c.BitsInteger(16),
    "stamp" / c.BitsInteger(32),
    "source" / c.BitsInteger(32),
)
_EVENT = c.BitStruct(
    "event" / c.BitsInteger(8),
    "end" / c.Flag,
    "reserved" / c.Flag,
    "volume" / c.BitsInteger(6),
    "duration" / c.BitsInteger(16),
)
_KEYS = "0123456789*#ABCD"  # events 0 to 15 (RFC 4733, 3.2)


class Packet(NamedTuple):
    """One packet. `stamp` counts samples, `source` tells one stream from another on the same port."""

    type: int
    sequence: int
    stamp: int
    source: int
    payload: bytes
    marker: bool = False


class Event(NamedTuple):
    """A key in words: for how many samples it is pressed by now (since the packet's stamp), and whether that was all."""

    key: str
    end: bool
    dbm0: int
    duration: int


def read(data: bytes) -> Packet | None:
    """A packet of RTP; None for what is none (RFC 3550, 5.1)."""
    try:
        head = _HEADER.parse(data)
    except c.ConstructError:
        return None
    begin = 12 + 4 * head.sources
    if head.extension:
        begin += 4 + 4 * int.from_bytes(data[begin + 2 : begin + 4], "big")
    end = len(data) - (data[-1] if head.padding else 0)
    if begin > end:
        return None
    return Packet(head.type, head.sequence, head.stamp, head.source, data[begin:end], head.marker)


def write(packet: Packet) -> bytes:
    """The bytes of a packet."""
    head = {
        "padding": False, "extension": False, "sources": 0, "marker": packet.marker, "type": packet.type,
        "sequence": packet.sequence & 0xFFFF, "stamp": packet.stamp & 0xFFFFFFFF, "source": packet.source,
    }  # fmt: skip
    return bytes(_HEADER.build(head)) + packet.payload


def carries(packet: Packet) -> bool:
    """Whether a packet is one that a call may begin with: sound that we know, or a key."""
    return packet.type in _VALUES or (packet.type in DYNAMIC and read_event(packet.payload) is not None)


def read_event(payload: bytes) -> Event | None:
    """A key in words (RFC 4733, 2.3); None for an event that is no key."""
    if len(payload) != 4 or payload[0] >= len(_KEYS):
        return None
    found = _EVENT.parse(payload)
    return Event(_KEYS[found.event], found.end, -found.volume, found.duration)


def write_event(event: Event) -> bytes:
    """The payload for a key in words."""
    said = {"event": _KEYS.index(event.key), "end": event.end, "reserved": False, "volume": -event.dbm0}
    return bytes(_EVENT.build(said | {"duration": min(event.duration, 0xFFFF)}))


def _mu_law() -> NDArray[np.float32]:
    code = ~np.arange(256) & 0xFF
    size = (((code & 0x0F) << 3) + 0x84 << ((code & 0x70) >> 4)) - 0x84
    return np.asarray(np.where(code & 0x80, -size, size) / 32768, dtype=np.float32)


def _a_law() -> NDArray[np.float32]:
    code = np.arange(256) ^ 0x55
    exponent = (code & 0x70) >> 4
    size = ((code & 0x0F) << 4) + 8 + np.where(exponent > 0, 0x100, 0)
    size = size << np.maximum(exponent - 1, 0)
    return np.asarray(np.where(code & 0x80, size, -size) / 32768, dtype=np.float32)


# What each byte of G.711 stands for; and each byte's place in the order of what they stand for, to find the nearest.
_VALUES = {PCMU: _mu_law(), PCMA: _a_law()}
_ORDER = {kind: values.argsort(kind="stable") for kind, values in _VALUES.items()}
_BETWEEN = {
    kind: (values[_ORDER[kind]][1:] + values[_ORDER[kind]][:-1]) / 2 for kind, values in _VALUES.items()
}  # fmt: skip


def decode(payload: bytes, kind: int) -> Samples:
    """Samples, full scale 1.0, from bytes of µ-law (`PCMU`) or A-law (`PCMA`)."""
    return np.asarray(_VALUES[kind][np.frombuffer(payload, dtype=np.uint8)])


def encode(samples: Samples, kind: int) -> bytes:
    """Bytes of µ-law or A-law: for each sample the nearest value that there is."""
    return _ORDER[kind][np.searchsorted(_BETWEEN[kind], samples)].astype(np.uint8).tobytes()


class Digit(NamedTuple):
    """A key in words, with its place in the stream: seconds since it began."""

    key: str
    start: float
    end: float


class Stream:
    """What one caller sends, in order: `take` gives samples and digits as they are due."""

    def __init__(self) -> None:
        self.kind = PCMU  # what its sound is coded in, and what it is answered in
        self.missed = 0  # packets that never came
        self._waiting: list[tuple[int, int, Packet]] = []
        self._arrived = 0
        self._due: int | None = None  # the next sequence number, counted on past 65535
        self._restart: int | None = None  # the number that would make the one before it the first of a new count
        self._zero = 0  # the stamp at which the stream began
        self._pressed: tuple[Packet, int, Event] | None = (
            None  # what was said last of the key that is pressed, since when
        )
        self._released: int | None = None  # the stamp of the last one that was
        self.samples = 0  # given so far

    def take(self, packet: Packet) -> Iterator[Samples | Digit]:
        """One packet as it comes; what is in order by it."""
        if self._due is None:
            self._due, self._zero = packet.sequence, packet.stamp
        number = self._due + _signed(packet.sequence - self._due, 16)
        if number < self._due:
            restarted = number < self._due - MOST_MISORDER and packet.sequence == self._restart
            self._restart = (packet.sequence + 1) & 0xFFFF
            if not restarted:
                return  # it came twice, or too late
            yield from self._anew(packet)
            number = self._due
        self._arrived += 1
        heapq.heappush(self._waiting, (number, self._arrived, packet))
        while self._waiting and (self._waiting[0][0] <= self._due or len(self._waiting) > LATE_PACKETS):
            number, _, packet = heapq.heappop(self._waiting)
            if number < self._due:
                continue
            self.missed += number - self._due
            self._due = number + 1
            yield from self._read(packet)

    def _anew(self, packet: Packet) -> Iterator[Samples | Digit]:
        """The source counts from elsewhere now: its sound goes on where it was."""
        yield from self.end()
        self._due, self._zero = packet.sequence, packet.stamp - self.samples

    @property
    def proved(self) -> bool:
        """Whether enough has come to answer it: one packet from a forged address must not bring down a stream on that."""
        return self._arrived >= IN_ORDER

    def silence(self, count: int) -> Samples:
        """Nothing came for so long: the stream goes on with silence."""
        self.samples += count
        return np.zeros(count, dtype=np.float32)

    def end(self) -> Iterator[Samples | Digit]:
        """Nothing more comes: what still waited for what lay before it."""
        while self._waiting:
            yield from self._read(heapq.heappop(self._waiting)[2])
        yield from self._release()

    def _read(self, packet: Packet) -> Iterator[Samples | Digit]:
        at = _signed(packet.stamp - self._zero, 32)
        if packet.type in _VALUES:
            self.kind = packet.type
            if self._pressed and self._pressed[1] + self._pressed[2].duration < at:
                yield from self._release()
            gap = at - self.samples
            if gap < 0 or gap > MOST_GAP:  # the time of a silence that was filled already, or a clock that jumped
                self._zero += gap
                gap = 0
            if gap:
                yield self.silence(gap)
            self.samples += len(packet.payload)
            yield decode(packet.payload, packet.type)
        elif packet.type in DYNAMIC and (event := read_event(packet.payload)) and packet.stamp != self._released:
            if self._pressed and self._pressed[0].stamp != packet.stamp:
                yield from self._release()
            self._pressed = packet, at, event
            if event.end:
                yield from self._release()

    def _release(self) -> Iterator[Digit]:
        """The key is up: its end was said, or something else came since (the packet that ends a key may be lost)."""
        if self._pressed:
            packet, at, event = self._pressed
            self._pressed, self._released = None, packet.stamp
            yield Digit(event.key, at / RATE, (at + event.duration) / RATE)


def _signed(difference: int, bits: int) -> int:
    """A difference of two counters that begin again at 2^bits, as the nearer of forwards and backwards."""
    half = 1 << (bits - 1)
    return (difference + half) % (1 << bits) - half
