"""A recorded frame made anew for another day: stamps, sequence, account and key change, what was wrong stays wrong.

Pure: the frame, the changes, two times and a number give the bytes. What a fault lies in is carried over: a wrong CRC keeps
its distance from the right one (the same bits differ), a wrong length its own, and so on. Where that cannot be, the frame is
left as it was recorded, and said to be.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal, NamedTuple

from protocols.dc09 import CONTENT, STAMP, TEXT, bare, decode, read_stamp, write_stamp
from protocols.envelope import MOST_COUNTED, Envelope, crc16, unwrap
from protocols.exchange import LAST_SEQUENCE
from protocols.seal import Key, PadSource, padding, seal
from protocols.values import Frame
from receiver.book import Book

_OCCURRED = re.compile(r"(?<=\[H)[^\]]*(?=\])")


@dataclass(frozen=True, slots=True)
class Changes:
    """What is to be another. `book` opens the frames as recorded, `as_book` has the keys of the other side.

    `stamps`: `kept`; `now`, where a panel's clock stays as far off as it was; `exact`, where it is right. `accounts`: old
    number, in the form of `bare`, to new. Without `as_book` each account keeps its key.
    """

    stamps: Literal["kept", "now", "exact"] = "kept"
    accounts: Mapping[str, str] = field(default_factory=dict)
    book: Book = field(default_factory=Book)
    as_book: Book | None = None

    @property
    def inside(self) -> bool:
        """Whether any of it lies in what a frame may have sealed."""
        return self.stamps != "kept" or bool(self.accounts) or self.as_book is not None

    def key_after(self, frame: Frame) -> Key | None:
        """The key of a frame, or of an answer to one, once it is changed: what `decode` asks for."""
        if self.as_book is not None:
            return self.as_book.key_for(frame)
        number = frame.account
        for old, new in self.accounts.items():
            if number is not None and bare(new) == bare(number):
                number = old
        account = self.book.find(frame.receiver, frame.prefix, number)
        return account.key if account else None

    def number(self, account: str) -> str:
        return self.accounts.get(bare(account), account)


class Recast(NamedTuple):
    """The bytes to send, and how they decode; `kept` says why they are the recorded ones although changes were wanted."""

    frame: Frame
    kept: str = ""


def recast(
    frame: Frame,
    changes: Changes,
    at: datetime,
    now: datetime,
    sequence: int | None = None,
    pad: PadSource = padding,
) -> Recast:
    """A frame that was recorded `at` a time, for `now` and under another sequence number, if one is given.

    Time of occurrence (extended data H) moves with the stamp, so that what was old stays as old. What is unreadable is
    not touched; nor is a sequence 0000, which is a poll's, or a fault.
    """
    envelope = unwrap(frame.raw)
    text = envelope and TEXT.fullmatch(envelope.body.decode("latin-1"))
    if not envelope or not text or frame.kind != "frame":
        return Recast(frame)
    found = text.groupdict()
    new = dict(found)
    if sequence is not None and frame.sequence:
        new["sequence"] = f"{sequence:04d}"
    if changes.inside and frame.has("no-key"):
        return Recast(
            frame, f"sealed, and there is no key for account {frame.account} in the book it was recorded with"
        )
    if found["account"] is not None:
        new["account"] = changes.number(found["account"])
    opened = frame.content if frame.encrypted and not frame.has("decrypt-failed") else None
    content = opened if frame.encrypted else found["content"]
    if content is not None:
        content = _content(content, changes, at, now)
    if not frame.encrypted:
        new["content"] = content
    elif opened is not None and (content != opened or changes.as_book is not None):
        head = Frame(b"", 0, receiver=frame.receiver, prefix=frame.prefix, account=new["account"])
        key = changes.key_after(head)
        if key is None:
            return Recast(
                frame, f"sealed, and there is no key for account {new['account']} in the book of the other side"
            )
        new["content"] = seal(key, content or "", pad)
    if new == found:
        return Recast(frame)
    raw = _wrapped(envelope, _text(new).encode("latin-1"), frame.raw)
    made = decode(raw, changes.key_after) if raw else None
    before = decode(frame.raw, changes.book.key_for)  # without what a desk has found in it since
    if made is None or [problem.rule for problem in made.problems] != [problem.rule for problem in before.problems]:
        return Recast(frame, "changed, it would be wrong in another way than it was, or too long")
    return Recast(made)


def _text(part: Mapping[str, str | None]) -> str:
    text = f'"{part["token"]}"{part["sequence"]}'
    for mark, name in (("R", "receiver"), ("L", "prefix"), ("#", "account"), ("[", "content")):
        text += mark + (part[name] or "") if part[name] is not None else ""
    return text


def _content(content: str, changes: Changes, at: datetime, now: datetime) -> str:
    match = CONTENT.fullmatch(content)
    if not match:
        return content
    data, extended, stamp = match.groups()
    inside, bar, payload = data.partition("|")
    if bar and inside.startswith("#"):
        data = f"#{changes.number(inside[1:])}|{payload}"
    if changes.stamps != "kept":
        then = read_stamp(stamp) if stamp.startswith("_") else None
        # Whole seconds on both sides, as a receiver compares them: a panel 3 s behind stays 3 s behind.
        here, there = now.replace(microsecond=0), at.replace(microsecond=0)
        shift = here - (then if changes.stamps == "exact" and then else there)

        def moved(text: str) -> str:
            moment = read_stamp(text)
            try:
                written = write_stamp(moment + shift) if moment else text
            except OverflowError:  # a stamp at the edge of the calendar: it stays
                return text
            return written if text.startswith("_") else written.removeprefix("_")

        stamp = moved(stamp) if then else stamp
        extended = _OCCURRED.sub(lambda m: moved(m[0]) if STAMP.fullmatch(m[0]) else m[0], extended)
    return f"{data}]{extended}{stamp}"


def _wrapped(envelope: Envelope, body: bytes, old: bytes) -> bytes:
    """Into an envelope with the check fields as wrong as they were; nothing where the length would not fit."""
    off = int(envelope.crc, 16) ^ crc16(envelope.body)
    length = len(body) + envelope.length - len(envelope.body)
    if len(body) > MOST_COUNTED or not 0 <= length <= MOST_COUNTED:
        return b""
    crc = crc16(body) ^ off
    if envelope.binary:
        return b"\n%b%04X%b\r" % (crc.to_bytes(2), length, body)
    fields = f"{crc:04X}{length:04X}".encode()
    return b"\n%b%b\r" % (fields if old[1:9] == old[1:9].upper() else fields.lower(), body)


class Numbering:
    """Sequences that run on, account by account, from a first number; or, where there is none, from what was recorded.

    A whole round is shifted by one distance an account: so what was said again keeps one number, and a gap, a step back
    and a wrap past 9999 keep their size. The next round begins after the highest of the one before.
    """

    def __init__(self, first: int | None) -> None:
        self._first = first
        self._accounts: dict[tuple[str | None, str | None, str], _Run] = {}

    def next_round(self) -> None:
        for run in self._accounts.values():
            run.base += run.highest - run.lowest + 1
            run.place, run.last, run.lowest, run.highest = 0, None, 0, 0

    def number(self, frame: Frame, damaged: bool = False) -> int | None:
        """The number for this message, in the order of the recording; None for a poll and what has no account.

        What came damaged moves along with its account, but counts for nothing: its digits may be the damage.
        """
        if not frame.sequence or frame.account is None:
            return None
        whose = frame.receiver, frame.prefix, bare(frame.account)
        run = self._accounts.get(whose)
        if damaged:
            return run.at(frame.sequence)[1] if run else None
        if run is None:
            run = self._accounts[whose] = _Run(self._first or frame.sequence)
        return run.take(frame.sequence)


@dataclass(slots=True)
class _Run:
    """One account's count in a round: `place` is how far its last number lies from its first, wraps counted on."""

    base: int  # the number of this round's first message
    place: int = 0
    last: int | None = None
    lowest: int = 0
    highest: int = 0

    def at(self, sequence: int) -> tuple[int, int]:
        """The place of a recorded number, and the new one."""
        half = LAST_SEQUENCE // 2
        step = 0 if self.last is None else (sequence - self.last + half) % LAST_SEQUENCE - half
        place = self.place + step
        return place, (self.base + place - 1) % LAST_SEQUENCE + 1

    def take(self, sequence: int) -> int:
        self.place, number = self.at(sequence)
        self.last = sequence
        self.lowest, self.highest = min(self.lowest, self.place), max(self.highest, self.place)
        return number
