"""The envelope of a DC-09 frame, and the reader that finds frames in whatever a network delivers.

    LF crc 0LLL body CR            SIA DC-09, 5.5.1 (from memory)

LF (0x0A) and CR (0x0D) stand outside both check fields. `crc` and `0LLL` are ASCII hex; both cover the body, which runs
from the quotation mark before the token to the last byte before CR. Three hex digits count at most 4095 bytes.

Some early equipment sends the CRC as two binary bytes (common practice, no source). Those two may themselves be LF or
CR, so the reader looks at what follows them before it decides where a frame ends.
"""

import re
from typing import Literal, NamedTuple

from construct import Bytes, Const, Struct, this
from construct.core import ConstructError
from fastcrc.crc16 import arc

MOST_COUNTED = 4095  # 0LLL: three hex digits
LONGEST_FRAME = 1 + 4 + 4 + MOST_COUNTED + 1
KEPT_OF_NOISE = 256  # bytes of a run of noise that are kept; the rest is counted


def crc16(data: bytes) -> int:
    """CRC-16 of DC-09: x^16+x^15+x^2+1, reflected, start 0, no final xor (catalogued as CRC-16/ARC)."""
    return int(arc(data))


# Parsing takes the size of the body from where CR was found, not from 0LLL: a frame whose length lies is still to be read
# and shown. The digits stay as sent, so that a person sees what was on the wire. Compiled, for speed.
ENVELOPE = Struct(
    "lf" / Const(b"\n"),
    "crc" / Bytes(4),
    "length" / Bytes(4),
    "body" / Bytes(this._params.counted),
    "cr" / Const(b"\r"),
).compile()
BINARY_ENVELOPE = Struct(
    "lf" / Const(b"\n"),
    "crc" / Bytes(2),
    "length" / Bytes(4),
    "body" / Bytes(this._params.counted),
    "cr" / Const(b"\r"),
).compile()

_PLAIN_HEAD = re.compile(rb'\n[0-9A-Fa-f]{8}"')
_PLAIN_FRAME = re.compile(rb'\n[0-9A-Fa-f]{8}"[^\r\n]*\r')
_BINARY_HEAD = re.compile(rb'\n[\x00-\xff]{2}0[0-9A-Fa-f]{3}"')
# What may still grow into a binary head, byte by byte.
_BINARY_START = re.compile(rb'\n(?:[\x00-\xff](?:[\x00-\xff](?:0(?:[0-9A-Fa-f]{1,2}|[0-9A-Fa-f]{3}"?)?)?)?)?')


class Envelope(NamedTuple):
    """The envelope as it came: check fields as sent (a binary CRC shown as hex), and the counted body."""

    crc: str
    length: int
    binary: bool
    body: bytes


def wrap(body: bytes, *, binary_crc: bool = False) -> bytes:
    """Put a body (from `"` on) into its envelope. More than 4095 bytes is a ValueError: 0LLL cannot say it."""
    counted = len(body)
    if counted > MOST_COUNTED:
        raise ValueError(f"a frame counts at most {MOST_COUNTED} bytes; this one has {counted}")
    crc = crc16(body)
    # As `ENVELOPE` builds it (a test holds the two together), at a tenth of its time: every answer is written here.
    return b"\n%b%04X%b\r" % (crc.to_bytes(2) if binary_crc else b"%04X" % crc, counted, body)


def unwrap(raw: bytes) -> Envelope | None:
    """Read an envelope whose frame runs from LF to CR, whatever its check fields say. None when there is none to read."""
    try:
        if _PLAIN_HEAD.match(raw):
            found = ENVELOPE.parse(raw, counted=len(raw) - 10)
            return Envelope(found.crc.decode(), int(found.length, 16), False, found.body)
        if _BINARY_HEAD.match(raw):
            found = BINARY_ENVELOPE.parse(raw, counted=len(raw) - 8)
            return Envelope(found.crc.hex().upper(), int(found.length, 16), True, found.body)
    except ConstructError:
        pass
    return None


class Piece(NamedTuple):
    """One stretch of what came in: `data` may be cut for noise and oversize, `size` is always the whole length."""

    kind: Literal["frame", "noise", "oversize"]
    data: bytes
    size: int


class Reader:
    """Bytes as they arrive in, whole pieces out; the same pieces however the stream was cut.

    Holds at most one frame (4105 bytes) and 256 bytes of noise. A run of noise comes out when the next frame does, or
    on `close`, so that it is one piece. A frame cut off by the LF of the next one comes out as it is, to be shown.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._noise = bytearray()
        self._noise_count = 0
        self._over: bytearray | None = None  # the head of a frame that grew too long; its end is still to come
        self._over_count = 0

    @property
    def holds(self) -> Literal["nothing", "noise", "frame"]:
        """What is waiting: part of a `frame`, only `noise`, or `nothing`."""
        if self._buffer or self._over is not None:
            return "frame"
        return "noise" if self._noise_count else "nothing"

    def feed(self, data: bytes) -> list[Piece]:
        """Take what arrived and give every piece that is now whole."""
        whole: list[Piece] = []
        if self.holds == "nothing":  # the common case: frames, and nothing but frames
            at = 0
            while (found := _PLAIN_FRAME.match(data, at)) and found.end() - at <= LONGEST_FRAME:
                whole.append(Piece("frame", found[0], found.end() - at))
                at = found.end()
            if at == len(data):
                return whole
            data = data[at:]
        self._buffer += data
        return whole + self._pieces(closing=False)

    def close(self) -> list[Piece]:
        """The stream ended (or a datagram did): give what is left."""
        pieces = self._pieces(closing=True)
        if self._over is not None:
            pieces += self._end_oversize()
        if self._buffer:
            pieces += self._frame(len(self._buffer))
        return pieces + self._end_noise()

    def _pieces(self, *, closing: bool) -> list[Piece]:
        pieces: list[Piece] = []
        buffer = self._buffer
        returns = 0  # where the next CR is known to stand, or -1: without this, LFs without end cost a search each
        while buffer:
            if self._over is not None:
                end = _first(buffer, 0, buffer.find(b"\r"))
                taken = len(buffer) if end < 0 else end + (buffer[end] == 13)
                self._over_count += taken
                del buffer[:taken]
                returns = 0
                if end >= 0:
                    pieces += self._end_oversize()
                continue
            start = buffer.find(b"\n")
            if start != 0:
                taken = len(buffer) if start < 0 else start
                self._add_noise(taken)
                returns = max(returns - taken, 0) if returns >= 0 else -1
                continue
            begin = self._body_from(closing)
            if begin == 0:
                break
            if 0 <= returns < begin or (returns >= 0 and (returns >= len(buffer) or buffer[returns] != 13)):
                returns = buffer.find(b"\r", begin)
            end = _first(buffer, begin, returns)
            if end < 0 and len(buffer) < LONGEST_FRAME:
                break
            before = len(buffer)
            if end < 0 or end >= LONGEST_FRAME:
                pieces += self._end_noise()
                self._over, self._over_count = buffer[:KEPT_OF_NOISE], begin
                del buffer[:begin]
            elif buffer[end] == 13:
                pieces += self._frame(end + 1)
            elif end == 1:
                self._add_noise(1)  # an LF right before another LF opens nothing
            else:
                pieces += self._frame(end)
            returns = max(returns - (before - len(buffer)), 0) if returns >= 0 else -1
        return pieces

    def _body_from(self, closing: bool) -> int:
        """Where an ending may first stand: after a binary CRC if there is one; 0 while that cannot be told yet."""
        head = bytes(self._buffer[:8])
        if _BINARY_HEAD.match(head):
            return 3
        if not closing and (b"\n" in head[1:3] or b"\r" in head[1:3]) and _BINARY_START.fullmatch(head):
            return 0
        return 1

    def _frame(self, end: int) -> list[Piece]:
        if end == 1:  # an LF that nothing follows
            self._add_noise(1)
            return []
        data = bytes(self._buffer[:end])
        del self._buffer[:end]
        return [*self._end_noise(), Piece("frame", data, len(data))]

    def _add_noise(self, count: int) -> None:
        self._noise += self._buffer[: min(count, KEPT_OF_NOISE - len(self._noise))]
        self._noise_count += count
        del self._buffer[:count]

    def _end_noise(self) -> list[Piece]:
        if not self._noise_count:
            return []
        piece = Piece("noise", bytes(self._noise), self._noise_count)
        self._noise.clear()
        self._noise_count = 0
        return [piece]

    def _end_oversize(self) -> list[Piece]:
        assert self._over is not None
        piece = Piece("oversize", bytes(self._over), self._over_count)
        self._over = None
        return [piece]


def _first(buffer: bytearray, start: int, returns: int) -> int:
    """Where the first LF or CR stands at or after `start`, or -1; the next CR is known to stand at `returns`."""
    feeds = buffer.find(b"\n", start, returns if returns >= 0 else len(buffer))
    return feeds if feeds >= 0 else returns


def read_all(data: bytes) -> list[Piece]:
    """Every piece of a datagram or a whole stream."""
    reader = Reader()
    return reader.feed(data) + reader.close()


_UNPRINTABLE = re.compile(r"[^ -~]|\\")
_SHORT = {"\n": "\\n", "\r": "\\r", "\\": "\\\\"}
_ESCAPE = re.compile(r"\\(?:x([0-9A-Fa-f]{2})|(.?))", re.S)


def printable(data: bytes) -> str:
    r"""Bytes as printable ASCII: LF `\n`, CR `\r`, backslash doubled, every other unprintable byte `\xNN`."""
    inside = data[1:-1]
    if data[:1] == b"\n" and data[-1:] == b"\r" and inside.isascii() and b"\\" not in inside:
        text = inside.decode()
        if text.isprintable():  # a frame such as nearly all are
            return f"\\n{text}\\r"
    return _UNPRINTABLE.sub(lambda m: _SHORT.get(m[0]) or f"\\x{ord(m[0]):02X}", data.decode("latin-1"))


def from_printable(text: str) -> bytes:
    """The bytes that `printable` wrote. ValueError, with the place, for an escape or a character it never writes."""

    def plain(match: re.Match[str]) -> str:
        if match[1]:
            return chr(int(match[1], 16))
        if match[2] not in ("n", "r", "\\"):
            raise ValueError(f"character {match.start() + 1}: \\{match[2]} is no escape; use \\n \\r \\\\ or \\xNN")
        return {"n": "\n", "r": "\r", "\\": "\\"}[match[2]]

    if wide := re.search(r"[^ -~]", text):
        raise ValueError(f"character {wide.start() + 1}: {wide[0]!r} is not printable ASCII; write it as \\xNN")
    return _ESCAPE.sub(plain, text).encode("latin-1")
