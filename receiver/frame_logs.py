r"""Frames as people keep them, read as a recorded stream: logs of frames, hex dumps, and files of frames as they are.

*A frame on a line* begins at its LF, however that is written (`\n`, `<LF>`, `␊`), or, where no LF is written, with the
eight digits of CRC and length before a quotation mark; it ends at its CR (`\r`, `<CR>`, `␍`) or with the line.
*In front of it* may stand, among other words, a time, the peer's address, `tcp`, `udp` or `tls`, and a direction.
*Who sent it* is told by its token: ACK, NAK, DUH and RSP are the receiver's, all others the panel's; where no token can be
read, the direction decides, by what it meant beside the last token that could be read.

A frame without a time takes that of the line before; where no line has had one, its own stamp or, without a stamp, one
second more than the frame before. Times never go back. What is left out or supposed is counted, and noted with the first
place where it is so. Nothing is held but the line, or the frame, that is being read.
"""

import os
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any, BinaryIO, Literal, NamedTuple

import orjson

from protocols.dc09 import REPLIES, STAMP, TOKENS, read_stamp
from protocols.envelope import crc16, from_printable, read_all
from receiver.capture import CaptureError, Happening, Opened

Side = Literal["panel", "receiver"]
Mark = Literal["panel", "receiver", "in", "out"]

BEGINNING = datetime(2000, 1, 1, tzinfo=UTC)  # of a recording that says no time, not even in a stamp
LONGEST_LINE = 1 << 16  # a longer one is read in pieces
CHUNK = 1 << 20
MOST_HELD = 1 << 16  # bytes without the head of a frame that are held together
MOST_NAMES = 10_000  # connections that are known at once; beyond it one may be opened again
LONGEST_REPEAT = 1 << 24  # bytes that a `*` of a hex dump may stand for

HEAD = re.compile(rb'\n(?=[0-9A-Fa-f]{8}"|[\x00-\xff]{2}0[0-9A-Fa-f]{3}")')
LF_WRITTEN, CR_WRITTEN = re.compile(rb"<(?:LF|lf)>|\xe2\x90\x8a"), re.compile(rb"<(?:CR|cr)>|\xe2\x90\x8d")
_TOKEN = re.compile(rb'"\*?(%s|[A-Z]{3}-[A-Z]{3})"' % "|".join(TOKENS).encode())
_LF_OR_HEAD = re.compile(
    rb"""
      (?<! [^\s"'=(\[|>] ) \\n (?= [0-9A-Fa-f"\\] )
    | <(?:LF|lf)> | \xe2\x90\x8a
    | (?<! [0-9A-Za-z] ) [0-9A-Fa-f]{8} (?= " )
    """,
    re.X,
)
_TOKEN_ON_LINE = re.compile(rb'"\*?(?:%s|[A-Z]{3}-[A-Z]{3})"[0-9RL#]' % "|".join(TOKENS).encode())
_DAMAGED_HEAD = re.compile(rb'[^\s"]{0,8}\Z')
_ESCAPE = re.compile(rb"\\(?:x([0-9A-Fa-f]{2})|([nr\\]))")
_PLAIN = {b"n": b"\n", b"r": b"\r", b"\\": b"\\"}
_LAST = re.compile(rb"\](?:%s)?\Z" % STAMP.pattern.encode())
_STAMP_AT_END = re.compile(rb"\](%s)\r" % STAMP.pattern.encode())

_WHEN = r"""
    (?: (?P<date> \d{4}[-/]\d\d[-/]\d\d ) [T\ _] (?P<clock> \d\d:\d\d:\d\d ) (?: [.,] (?P<part> \d{1,9} ) )?
        (?: \ ? (?P<zone> Z | UTC | GMT | [+-]\d\d:?\d\d ) \b )?
      | (?<! [\w:.,-] ) (?P<daily> \d\d:\d\d:\d\d ) (?: [.,] (?P<daily_part> \d{1,9} ) )? (?! [\w:] )
      | (?<! [^\s\[(] ) (?P<unix> \d{9,10} ) (?: [.,] (?P<unix_part> \d{1,9} ) )? (?! [\w:] ) )
"""
WHEN = re.compile(_WHEN, re.X | re.A)
_ADDRESS = re.compile(r"(?<![\w.:])(?:\d{1,3}(?:\.\d{1,3}){3}|\[[0-9A-Fa-f:.]+(?:%\w+)?\]):\d{1,5}(?![\w.:])", re.A)
_LINE = re.compile(r"(?<![\w.])(tcp|udp|tls)(?![\w.])", re.I)
_MARK = re.compile(
    r"(?<![^\s\[(|,;:])(?:(?P<panel>panel)|(?P<receiver>receiver)|(?P<i><[-=<]*|←|in|rx|recv|received|I)"
    r"|(?P<o>[-=>]*>|→|out|tx|sent|O))(?![^\s\])|,;:])",
    re.I,
)

_DUMP_LINE = re.compile(rb"\s*([0-9A-Fa-f]{3,8})(?::\s+|\s+(?=[0-9A-Fa-f]{2}(?:\s|$)))(.*)", re.S)
_DUMP_BYTES = re.compile(rb"(?:(?:[0-9A-Fa-f]{2})+(?:\s{1,2}|$))*")
_DUMP_END = re.compile(rb"\s*([0-9A-Fa-f]{6,8})\s*")
_DUMP_WORDS = re.compile(rb"0{7}(?: +[0-9A-Fa-f]{4}(?:[0-9A-Fa-f]{2})?){2}")
_SEPARATORS = re.compile(rb"0[xX]|[\s:,]")
_HEX = re.compile(rb"[0-9A-Fa-f]+")
DUMP_HEADING = re.compile(rf"\s*(?P<direction>[IO])?\b\s*(?:{_WHEN})?\s*", re.X | re.A)


def frames(path: Path, began: datetime | None = None) -> Opened:
    """A file of frames as they are, LF to CR, with whatever stands between them. OSError when it cannot be read."""
    return _opened(path, began, "frames as they are", "frame", _frames_as_they_are)


def log(path: Path, began: datetime | None = None) -> Opened:
    """A log with a frame on a line, or JSON Lines as `listen`, `journal list` and `decode` print them. OSError as above.

    `began` says the day where the times in front say none, and the first time where there are none.
    """
    return _opened(path, began, "a log of frames, one a line", "line", _lines)


def hex_dump(path: Path, began: datetime | None = None) -> Opened:
    """A hex dump: digits alone, or with an offset in front and text behind as `xxd`, `hexdump -C`, `od -A x -t x1` print it.

    A blank line or an offset of 0 begins a packet; before it may stand a line with `I` or `O` and a time, as `text2pcap`
    reads it. All is one connection. CaptureError where offsets are octal, or bytes stand in words of two.
    """
    return _opened(path, began, "a hex dump", "line", _dumped)


def looks_dumped(text: bytes) -> bool:
    """Whether text begins as a hex dump does: the first line that is neither remark nor heading is bytes in hex."""
    for line in text.removeprefix(b"\xef\xbb\xbf").splitlines()[:200]:
        if not line.strip() or line.startswith(b"#") or _heading(line):
            continue
        digits = _SEPARATORS.sub(b"", line)
        return bool(_DUMP_LINE.fullmatch(line) or (len(digits) > 3 and _HEX.fullmatch(digits)))
    return False


def frame_begins(text: bytes) -> int:
    """Where the first frame begins that stands in text, or -1. Before a token that is known its head may be damaged."""
    begun = _LF_OR_HEAD.search(text)
    token = _TOKEN_ON_LINE.search(text, 0, begun.start() if begun else len(text))
    if token:
        before = max(token.start() - 8, 0)
        damaged = _DAMAGED_HEAD.search(text[before : token.start()])
        return before + damaged.start() if damaged else token.start()
    return begun.start() if begun else -1


def _opened(
    path: Path,
    began: datetime | None,
    note: str,
    unit: str,
    read: Callable[[BinaryIO, "_Reading"], Iterator[Happening]],
) -> Opened:
    with path.open("rb") as file:
        found = Opened(note, os.fstat(file.fileno()).st_size)
    reading = _Reading(found, path, unit, began)

    def happenings() -> Iterator[Happening]:
        with path.open("rb") as file:
            yield from read(file, reading)
        found.notes += reading.remarks()

    found.happenings = happenings()
    return found


class _Front(NamedTuple):
    """What is said of a frame beside it. Of two addresses the first is the sender's."""

    when: datetime | time | None = None
    line: str = "tcp"
    addresses: tuple[str, ...] = ()
    mark: Mark | None = None
    connection: str | None = None


@dataclass
class _Reading:
    """What the shapes share: when a piece came, on which connection, who sent it, and what is to be remarked."""

    found: Opened
    path: Path
    unit: str  # what places count: lines or frames
    began: datetime | None

    def __post_init__(self) -> None:
        self.place = 0
        self._seen: dict[str, tuple[int, int]] = {}  # how often, and where first
        self._now: datetime | None = None
        self._timed = False
        self._side: Side = "panel"
        self._meant: dict[str, Side] = {"in": "panel", "out": "receiver", "panel": "panel", "receiver": "receiver"}
        self._known: dict[str, None] = {}

    def remark(self, what: str) -> None:
        count, first = self._seen.get(what, (0, self.place))
        self._seen[what] = count + 1, first

    def unread(self, what: str) -> None:
        self.remark(what)
        self.found.unread += 1

    def remarks(self) -> Iterator[str]:
        for what, (count, first) in self._seen.items():
            yield f"{self.path}: {what}: {count}, the first at {self.unit} {first}"

    def piece(self, data: bytes, front: _Front, lost: int = 0) -> Iterator[Happening]:
        """One stretch of bytes of one side, and how many after it are missing."""
        self._side = self._sender(data, front.mark)
        at = self._moment(front.when, data)
        peer = None
        if front.addresses:
            peer = front.addresses[-1 if self._side == "receiver" else 0]
        name = front.connection or f"{front.line}-{peer or 1}"
        if name not in self._known:
            if len(self._known) >= MOST_NAMES:
                self._known.clear()
            self._known[name] = None
            yield Happening(at, name, "open", line=front.line, peer=peer)
        if data:
            yield Happening(at, name, self._side, data)
        if lost:
            yield Happening(at, name, "panel-lost" if self._side == "panel" else "receiver-lost", size=lost)

    def _sender(self, data: bytes, mark: Mark | None) -> Side:
        if token := _TOKEN.search(data):
            side: Side = "receiver" if token[1].decode() in REPLIES else "panel"
            if mark in ("in", "out"):
                other: Side = "panel" if side == "receiver" else "receiver"
                self._meant |= {"in": side, "out": other} if mark == "in" else {"out": side, "in": other}
            return side
        if mark:
            return self._meant[mark]
        return "panel" if data.startswith(b"\n") else self._side  # what begins no frame goes on with the one before

    def _moment(self, told: datetime | time | None, data: bytes) -> datetime:
        if isinstance(told, time):
            told = self._on_its_day(told, data)
        if told is not None:
            self._timed = True
        elif self._timed and self._now:
            self.remark("frames without a time among others, put at the time before")
            told = self._now
        else:
            self.found.timed = False
            self.remark(
                "frames without a time, put at their own stamp or a second after the frame before, "
                "so that their stamps cannot be judged"
            )
            told = self._stamp(data) or (self._now + timedelta(seconds=1) if self._now else self.began or BEGINNING)
        if self._now and told < self._now:
            self.remark("times that go back, put at the time before")
            told = self._now
        self._now = told
        return told

    def _on_its_day(self, told: time, data: bytes) -> datetime:
        """The day that follows from the frames before; for the first, from where the recording began, or its stamp."""
        self.remark("times that do not say their day, counted on from the first, in UTC")
        if self._now and self._timed:
            found = datetime.combine(self._now, told, UTC)
            return found + timedelta(days=1) if self._now - found > timedelta(hours=12) else found
        near = self.began or self._stamp(data) or BEGINNING
        found = datetime.combine(near, told, UTC)
        if self.began:
            return found
        return min((found + timedelta(days=days) for days in (0, -1, 1)), key=lambda moment: abs(moment - near))

    @staticmethod
    def _stamp(data: bytes) -> datetime | None:
        match = _STAMP_AT_END.search(data)
        stamp = read_stamp(match[1].decode()) if match else None
        return stamp if stamp and 1900 < stamp.year < 9000 else None  # there must be room for what is counted on


# Frames as they are


class _Cut:
    """Bytes as they come in; out, stretches that each begin at the head of a frame, so that each is of one side."""

    def __init__(self) -> None:
        self._held = b""

    def feed(self, data: bytes) -> Iterator[bytes]:
        held = self._held + data
        begin = 0
        for head in HEAD.finditer(held, 1):
            yield held[begin : head.start()]
            begin = head.start()
        self._held = held[begin:]
        if len(self._held) > MOST_HELD:
            yield self._held[:-16]  # what is kept may still grow into a head
            self._held = self._held[-16:]

    def close(self) -> Iterator[bytes]:
        if self._held:
            yield self._held
        self._held = b""


def _frames_as_they_are(file: BinaryIO, reading: _Reading) -> Iterator[Happening]:
    cut = _Cut()

    def pieces() -> Iterator[bytes]:
        while chunk := file.read(CHUNK):
            reading.found.taken += len(chunk)
            yield from cut.feed(chunk)
        yield from cut.close()

    for reading.place, piece in enumerate(pieces(), 1):
        yield from reading.piece(piece, _Front())


# Logs


def _each_line(file: BinaryIO, reading: _Reading) -> Iterator[bytes]:
    """Each line without its end; one without an end that is too long comes in pieces."""
    begins = True
    while line := file.readline(LONGEST_LINE):
        reading.found.taken += len(line)
        reading.place += begins
        begins = line.endswith(b"\n")
        if reading.place == 1:
            line = line.removeprefix(b"\xef\xbb\xbf")
        yield line.rstrip(b"\r\n")


def _lines(file: BinaryIO, reading: _Reading) -> Iterator[Happening]:
    for line in _each_line(file, reading):
        if line.startswith(b'{"'):
            yield from _json_line(line, reading)
            continue
        begin = frame_begins(line)
        if begin < 0:
            if line.strip():
                reading.remark("lines without a frame, left out")
            continue
        front = _front(line[:begin].decode(errors="replace"), reading)
        for piece in _on_line(line[begin:]):
            yield from reading.piece(piece, front)


def _json_line(line: bytes, reading: _Reading) -> Iterator[Happening]:
    """A line as `listen --json`, `journal list --json` or `decode --json` printed it."""
    try:
        entry: dict[str, Any] = orjson.loads(line)
        if not isinstance(entry.get("raw"), str):
            reading.remark("lines without a frame, left out")
            return
        if entry.get("call"):
            reading.remark("messages of telephone calls, left out: a capture holds frames")
            return
        data = from_printable(entry["raw"])
        told = WHEN.match(entry["at"]) if entry.get("at") else None
        lost = max(int(entry.get("size") or 0) - len(data), 0)
    except (ValueError, TypeError) as error:
        reading.unread(f"lines that cannot be read, left out ({error})")
        return
    if judged := "verdict" in entry:
        reading.remark(
            "frames as the desk saw them: answers are not among them, nor polls that have no row of a journal"
        )
    peer, side = entry.get("peer"), entry.get("side")
    front = _Front(
        _moment_of(told, reading) if told else None,
        str(entry.get("line") or "tcp"),
        (str(peer),) if peer else (),
        "panel" if judged else side if side in ("panel", "receiver") else None,
        entry.get("connection"),
    )
    yield from reading.piece(data, front, lost)


def _front(text: str, reading: _Reading) -> _Front:
    when = WHEN.search(text)
    line, mark = _LINE.search(text), _MARK.search(text)
    kind = mark.lastgroup if mark else None
    return _Front(
        _moment_of(when, reading) if when else None,
        line[1].lower() if line else "tcp",
        tuple(_ADDRESS.findall(text)),
        "in" if kind == "i" else "out" if kind == "o" else "panel" if kind == "panel" else "receiver" if kind else None,
    )


def _moment_of(match: re.Match[str], reading: _Reading) -> datetime | time | None:
    """The time that is written there; None, remarked, for one that does not exist."""
    try:
        if match["unix"]:
            return datetime.fromtimestamp(int(match["unix"]), UTC) + _part(match["unix_part"])
        if match["daily"]:
            part = _part(match["daily_part"])
            return time.fromisoformat(match["daily"]).replace(microsecond=part.microseconds)
        zone = match["zone"]
        if not zone:
            reading.remark("times that say no zone, taken as UTC")
        zone = "+00:00" if not zone or zone.isalpha() else zone
        moment = datetime.fromisoformat(f"{match['date'].replace('/', '-')}T{match['clock']}{zone}")
        return moment.astimezone(UTC) + _part(match["part"])
    except (ValueError, OverflowError):
        reading.remark("times that do not exist, put at the time before")
        return None


def _part(digits: str | None) -> timedelta:
    """A part of a second, of which a capture keeps microseconds."""
    return timedelta(microseconds=int(f"{digits:0<6.6}")) if digits else timedelta(0)


def _on_line(tail: bytes) -> list[bytes]:
    """The frames from here to the end of the line, however their LF and CR are written, or if they are not."""
    if tail.startswith(b"\\n"):
        data = _unescaped(tail)
    else:
        data = CR_WRITTEN.sub(b"\r", LF_WRITTEN.sub(b"\n", tail))
        if not data.startswith(b"\n"):
            ways = [_ended(b"\n" + way) for way in ([_unescaped(data), data] if b"\\" in data else [data])]
            data = next((way for way in ways if _holds(way[1:-1])), ways[0])
    pieces = read_all(data)
    if any(piece.kind == "oversize" for piece in pieces):
        return [data]
    return [piece.data for piece in pieces if piece.kind == "frame"] or [data]


def _unescaped(text: bytes) -> bytes:
    """The notation of `raw` undone; what is none of its escapes stays as it is."""
    return _ESCAPE.sub(lambda match: bytes([int(match[1], 16)]) if match[1] else _PLAIN[match[2]], text)


def _ended(frame: bytes) -> bytes:
    """A frame with its CR, put, where none is written, where CRC and length say, or at the end of the line."""
    if b"\r" in frame:
        return frame
    if re.match(rb'\n[0-9A-Fa-f]{8}"', frame):
        end = 9 + int(frame[5:9], 16)
        whole = frame[1:end]
        if _holds(whole) or (frame[end : end + 1].isspace() and _LAST.search(whole)):
            return b"\n" + whole + b"\r"
    return frame.rstrip() + b"\r"


def _holds(inside: bytes) -> bool:
    """Whether the CRC holds of what stands between LF and CR."""
    return inside[:4].upper() == b"%04X" % crc16(inside[8:])


# Hex dumps


def _heading(line: bytes) -> re.Match[str] | None:
    match = DUMP_HEADING.fullmatch(line.decode("latin-1"))
    if not match or not match[0].strip() or (match["unix"] and not (match["direction"] or match["unix_part"])):
        return None  # ten digits alone are five bytes
    return match


def _dumped(file: BinaryIO, reading: _Reading) -> Iterator[Happening]:
    dump = _Dump(reading)
    for line in _each_line(file, reading):
        yield from dump.take(line)
    yield from dump.end_packet()


class _Dump:
    """The packets of a hex dump. How many bytes a line of one with offsets holds is only known from the next offset."""

    def __init__(self, reading: _Reading) -> None:
        self._reading = reading
        self._cut, self._front = _Cut(), _Front()
        self._waiting = bytearray()  # bytes of the packet that have not been cut yet
        self._begun: tuple[bytes, int] | None = None  # the offset of the line before, as it is written and as a number
        self._line = self._text = b""  # its bytes, and what was read behind the offset
        self._width = 0
        self._repeats = False
        self._fits = False  # whether an offset has been what it should be in hex
        self._filled = False
        self._half = b""  # a digit whose other half stands on the next line

    def take(self, line: bytes) -> Iterator[Happening]:
        if _DUMP_WORDS.match(line):
            raise self._refused("its bytes stand in words, in the order of some machine; write it with `hexdump -C`")
        offset = _DUMP_LINE.fullmatch(line) or (_DUMP_END.fullmatch(line) if self._begun else None)
        if offset:
            bare = offset.re is _DUMP_END
            yield from self._offset(offset[1], b"" if bare else offset[2])
        elif line.strip() == b"*" and self._begun:
            self._repeats = True
        elif not line.strip():
            yield from self.end_packet()
        elif line.startswith(b"#"):
            return
        elif heading := _heading(line):
            yield from self.end_packet()
            when = heading["date"] or heading["daily"] or heading["unix"]
            mark: Mark | None = {"I": "in", "O": "out"}.get(heading["direction"] or "")  # type: ignore[assignment]
            self._front = _Front(_moment_of(heading, self._reading) if when else None, mark=mark)
        elif _HEX.fullmatch(digits := self._half + _SEPARATORS.sub(b"", line)):
            even = len(digits) // 2 * 2
            self._half = digits[even:]
            yield from self._add(bytes.fromhex(digits[:even].decode()))
        else:
            self._reading.unread("lines that are no hex digits, left out")
            yield from self.end_packet()

    def end_packet(self) -> Iterator[Happening]:
        if self._half:
            self._reading.unread("packets that end with half a byte, which is left out")
            self._half = b""
        if self._begun:
            line = self._line[: self._width]
            if not self._width or not self._shows(line):
                line = self._line
            self._begun, self._line, self._width, self._repeats = None, b"", 0, False
            yield from self._add(line)
        yield from self._flush()
        yield from self._pieces(self._cut.close())
        if self._filled:  # a heading stays until its packet has come
            self._front, self._filled = _Front(), False

    def _offset(self, text: bytes, rest: bytes) -> Iterator[Happening]:
        at = int(text, 16)
        if self._begun and at == 0:
            yield from self.end_packet()
        elif self._begun:
            yield from self._line_before(text, at)
        found = _DUMP_BYTES.match(rest)
        assert found
        self._line, self._text = bytes.fromhex(found[0].decode()), rest
        self._begun = text, at

    def _line_before(self, text: bytes, at: int) -> Iterator[Happening]:
        """Give the line before, now that it is known where the next one begins."""
        assert self._begun
        due, line = at - self._begun[1], self._line
        self._fits = self._fits or due == len(line)
        for base, what in () if self._fits or self._repeats or not line else ((8, "octal"), (10, "decimal")):
            if _number(text, base) - _number(self._begun[0], base) == len(line):
                raise self._refused(f"its offsets are {what}; write it with `od -A x -t x1`")
        if self._repeats and line and 0 < due <= LONGEST_REPEAT:
            yield from self._add((line * (due // len(line) + 1))[:due])
        elif due < 0:
            self._reading.unread("offsets that go back, taken as another packet")
            yield from self.end_packet()
        else:
            yield from self._add(line[:due])
            if due < len(line) and not self._shows(line[:due]):
                self._reading.unread("lines with more bytes than the next offset says, which are left out")
            if due > len(line):
                self._reading.unread("offsets before which bytes are missing")
                yield from self._flush()
                yield from self._pieces(self._cut.close())
                yield from self._reading.piece(b"", self._front, due - len(line))
        self._width = max(self._width, len(line[: max(due, 0)]))
        self._repeats = False

    def _shows(self, line: bytes) -> bool:
        """Whether the line ends with its bytes as text, which then may look like further bytes."""
        return self._text.rstrip().endswith(bytes(byte if 32 <= byte < 127 else 46 for byte in line).rstrip())

    def _add(self, data: bytes) -> Iterator[Happening]:
        self._waiting += data
        self._filled = self._filled or bool(data)
        if len(self._waiting) > 4096:
            yield from self._flush()

    def _flush(self) -> Iterator[Happening]:
        data = bytes(self._waiting)
        self._waiting.clear()
        yield from self._pieces(self._cut.feed(data))

    def _pieces(self, pieces: Iterator[bytes]) -> Iterator[Happening]:
        for piece in pieces:
            yield from self._reading.piece(piece, self._front)

    def _refused(self, why: str) -> CaptureError:
        return CaptureError(f"{self._reading.path}: line {self._reading.place}: {why}")


def _number(digits: bytes, base: int) -> int:
    """A number as digits of this base say it; what is none is nowhere."""
    try:
        return int(digits, base)
    except ValueError:
        return -1
