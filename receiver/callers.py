"""Callers without an account, and which of them a request's panel is. Pure functions over rows of the journal.

A caller is a number as sent, a line and a host. Often it is an account of the book with a mistyped number, so a number that
looks alike proves nothing, and neither does a signal by itself: the installer trips one device that the engineer has just
picked, and only the one caller that reports that zone, new, in that time, is the request's.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple

from protocols.dc09 import OLD, bare
from protocols.exchange import in_window
from protocols.seal import Key
from protocols.values import Frame, Signal, legible
from receiver.book import Book
from receiver.desk import message_of, reread

VERDICTS = ("unknown-account", "unreadable", "unsupported", "not-kept")  # what rows of such callers may have
MOST_SAID = 5  # different signals that are kept of a caller, the last ones


class Mark(NamedTuple):
    """What tells callers apart: the number as sent, the line, and the peer's host."""

    number: str
    line: str
    host: str

    def __str__(self) -> str:
        return legible(f"{self.number} from {self.host} ({self.line})")


@dataclass(slots=True)
class Caller:
    """What came from one caller. Times are those of the journal."""

    mark: Mark
    receiver: str | None
    prefix: str | None
    first: str
    last: str
    count: int = 0
    polls: int = 0
    encrypted: int = 0
    refused: int = 0  # frames of it that could not even be read, or were no messages
    said: list[dict[str, Any]] = field(default_factory=list)  # signals, without what was said before


def mark_of(entry: dict[str, Any]) -> Mark:
    """Whose row this is."""
    return Mark(entry["account"] or "", entry["line"], entry["peer"].rpartition(":")[0].strip("[]"))


def gather(entries: Iterable[dict[str, Any]], book: Book) -> list[Caller]:
    """The callers whose account is not in the book, the last heard first. Those that the book has by now are left out."""
    callers: dict[Mark, Caller] = {}
    for entry in entries:
        if not entry.get("account") or entry.get("account_mark"):
            continue
        if book.find(entry["receiver"], entry["prefix"], entry["account"]):
            continue
        mark = mark_of(entry)
        if mark not in callers:
            callers[mark] = Caller(mark, None, None, entry["at"], entry["at"])
        _add(callers[mark], entry)
    # A damaged frame may name any number: by itself it makes no caller.
    heard = [caller for caller in callers.values() if caller.count > caller.refused]
    return sorted(heard, key=lambda caller: caller.last, reverse=True)


def _add(caller: Caller, entry: dict[str, Any]) -> None:
    caller.last = entry["at"]
    caller.count += 1
    if entry["verdict"] != "unknown-account":
        caller.refused += 1
        return
    caller.receiver, caller.prefix = entry["receiver"], entry["prefix"]
    caller.polls += entry["token"] == "NULL"
    caller.encrypted += bool(entry["encrypted"])
    for signal in entry["signals"]:
        caller.said = [*(one for one in caller.said if one != signal), signal][-MOST_SAID:]


def near(one: str, other: str) -> str | None:
    """How a number may have become the other by a slip of the finger; None where it takes more than one slip."""
    one, other = bare(one), bare(other)
    width = max(len(one), len(other))
    one, other = one.zfill(width), other.zfill(width)
    apart = [place for place in range(width) if one[place] != other[place]]
    if not apart:
        return "the same digits"
    if len(apart) == 1:
        return "one digit off"
    first, *rest = apart
    if rest == [first + 1] and one[first] == other[first + 1] and one[first + 1] == other[first]:
        return "two neighbours swapped"
    return None


class Heard(NamedTuple):
    """A frame of a caller without an account that came while the installer was tripping the device."""

    row: int
    at: str
    mark: Mark
    frame: Frame
    why_not: str | None  # None where it is the device that was picked, tripped now

    @property
    def message(self) -> Any:
        return self.mark.number, message_of(self.frame)


def listen(
    entries: Iterable[dict[str, Any]], zone: str, key: Key | None, earlier: frozenset[str] = frozenset()
) -> Iterator[Heard]:
    """Hold what came from callers without an account against the zone that was picked. `earlier` are frames in the notation
    of `raw` that came before: a copy of one of those proves nothing.
    """
    for entry in entries:
        if entry.get("verdict") != "unknown-account" or not entry["account"]:
            continue
        frame = reread(entry, key)
        yield Heard(entry["row"], entry["at"], mark_of(entry), frame, _why_not(entry, frame, zone, earlier))


def of_book(entry: dict[str, Any], zone: str) -> str | None:
    """An account of the book that reported the zone meanwhile: perhaps the panel was given that one's number."""
    if not entry.get("account_mark") or not any(
        one["zone"] and bare(one["zone"]) == bare(zone) for one in entry["signals"]
    ):
        return None
    where = f"zone {zone} in row {entry['row']}"
    return f"account {entry['account_mark']} of the book reported {where}: does the panel use its number?"


def _why_not(entry: dict[str, Any], frame: Frame, zone: str, earlier: frozenset[str]) -> str | None:
    if entry["raw"] in earlier:
        return "it is byte for byte a frame that came before: a copy"
    if frame.has("no-key"):
        return "it is encrypted, and the request has no key"
    if frame.has("decrypt-failed"):
        return "it does not open with the request's key"
    if frame.has("account-differs"):
        return legible(f"it has account {frame.account_inside} inside and {frame.account} outside")
    at = datetime.fromisoformat(entry["at"])
    if not in_window(frame.stamp, at) if frame.stamp else frame.encrypted:
        # The one thing in a frame that says that it was made now; an encrypted one must have it.
        return "its stamp is not of now: set the panel's clock"
    signals = [signal for signal in frame.signals if signal.zone and bare(signal.zone) == bare(zone)]
    if not signals:
        said = ", ".join(filter(None, map(_number, frame.signals)))
        return f"it says {said}" if said else "it is a poll" if frame.token == "NULL" else "it names no zone"
    if all(signal.from_memory for signal in signals) or (frame.occurred and at - frame.occurred > OLD):
        return "it comes from the panel's memory"
    if not any(signal.qualifier == "new" and not signal.from_memory for signal in signals):
        return f"it says zone {zone} only as {signals[0].qualifier}"
    return None


def _number(signal: Signal) -> str:
    return f"zone {signal.zone}" if signal.zone else f"user {signal.user}" if signal.user else ""


class Verdict(NamedTuple):
    """What came of it: the frame that ties the caller to the request, or why none does."""

    tied: Heard | None
    why: list[str]


def judge(heard: Sequence[Heard], number: str, host: str | None, zone: str) -> Verdict:
    """Whether the caller of that number (and host) tripped the zone, and nobody else did."""
    trips: list[Heard] = []
    for one in sorted(heard, key=lambda one: not _is(one.mark, number, host)):
        # The same message over a second path, or sent again without an answer, is the same panel.
        if one.why_not is None and all(one.message != before.message for before in trips):
            trips.append(one)
    ours = [one for one in trips if _is(one.mark, number, host)]
    others = [one for one in trips if not any(_same(one.mark, mine.mark) for mine in ours)]
    if ours and all(_same(one.mark, ours[0].mark) for one in ours) and not others:
        return Verdict(ours[0], [])
    if ours:
        marks = {(bare(one.mark.number), one.mark.host): one for one in trips}.values()
        told = " and ".join(f"{one.mark} in row {one.row}" for one in marks)
        return Verdict(
            None, [f"more than one caller tripped zone {zone}: {told}: which of them is it? Pick another device"]
        )
    why = [
        f"another caller tripped zone {zone}: {one.mark} in row {one.row}: is that the request's panel?"
        for one in others
    ]
    mine = [one for one in heard if _is(one.mark, number, host)]
    why += dict.fromkeys(f"{one.mark}: {one.why_not} (row {one.row})" for one in mine)
    return Verdict(None, why or [f"nothing came from {number}" + (f" at {host}" if host else "")])


def _is(mark: Mark, number: str, host: str | None) -> bool:
    return bare(mark.number) == bare(number) and host in (None, mark.host)


def _same(one: Mark, other: Mark) -> bool:
    return (bare(one.number), one.host) == (bare(other.number), other.host)
