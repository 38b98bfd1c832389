"""What engineers do between them: refused alarms that somebody handles, notes, and the hand-over from shift to shift.

All of it stands in the journal as rows of people's own. What is open is folded from those rows anew each time; nothing is
closed by being looked at, and nothing closes by itself.
"""

import threading
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import orjson

from receiver import wishes
from receiver.book import Account
from receiver.callers import mark_of
from receiver.journal import Store, opened
from receiver.words import of_frame

MOST_SAID = 4000  # characters of what one person says at once


class ShiftError(ValueError):
    """What was said cannot be put down, and why."""


# Refused alarms


@dataclass(slots=True)
class Refusal:
    """Refused alarms that nobody has handled: all those of one account that say the same."""

    account: str | None  # the number as sent
    mark: str | None  # which account of the book it is; None where it is in none
    said: str
    first_at: str
    last_at: str = ""
    rows: list[int] = field(default_factory=list)
    verdicts: list[str] = field(default_factory=list)
    peers: list[str] = field(default_factory=list)  # host and line

    @property
    def first(self) -> int:
        return self.rows[0]

    @property
    def last(self) -> int:
        return self.rows[-1]

    def to_json(self) -> dict[str, Any]:
        names = ("account", "mark", "said", "first", "last", "first_at", "last_at", "rows", "verdicts", "peers")
        return {name: getattr(self, name) for name in names} | {"count": len(self.rows)}


class _Refused(NamedTuple):
    """What is kept of one refused alarm."""

    row: int
    at: str
    alike: Any
    account: str | None
    mark: str | None
    said: str
    verdict: str
    peer: str


def _refused(entry: dict[str, Any]) -> _Refused:
    caller = mark_of(entry)
    # Without an account in the book the caller is told apart by its host too: it may be another house.
    numbers = ("code_set", "code", "qualifier", "area", "zone", "user", "number")
    said = tuple(tuple(signal[name] for name in numbers) for signal in entry["signals"])
    mark = entry.get("account_mark")
    return _Refused(entry["row"], entry["at"], (mark or caller, said), entry["account"], mark, of_frame(entry),
                    entry["verdict"], f"{caller.host} ({caller.line})")  # fmt: skip


def fold(refused: Iterable[dict[str, Any]], handled: Iterable[dict[str, Any]]) -> list[Refusal]:
    """The refused alarms (in order of arrival) that no `handled` row covers: a line for each account and signal, the one
    that came last first.
    """
    return _fold(map(_refused, refused), handled)


def _fold(refused: Iterable[_Refused], handled: Iterable[dict[str, Any]]) -> list[Refusal]:
    until: dict[int, int] = {}  # from the first row that somebody handled, up to which
    for event in handled:
        until[event["first"]] = max(event["last"], until.get(event["first"], 0))
    covered: dict[Any, int] = {}
    lines: dict[Any, Refusal] = {}
    for one in refused:
        if one.row in until:
            covered[one.alike] = max(covered.get(one.alike, 0), until[one.row])
        if one.row <= covered.get(one.alike, 0):
            continue
        line = lines.get(one.alike)
        if line is None:
            line = lines[one.alike] = Refusal(one.account, one.mark, one.said, one.at)
        line.rows.append(one.row)
        line.last_at = one.at
        for seen, new in ((line.verdicts, one.verdict), (line.peers, one.peer)):
            if new not in seen:
                seen.append(new)
    return sorted(lines.values(), key=lambda line: line.last, reverse=True)


class Refusals:
    """The refused alarms of one journal that nobody has handled, for whoever looks again and again: a storm of them is read
    once, and folded from memory.
    """

    def __init__(self) -> None:
        self._seen: list[_Refused] = []
        self._lock = threading.Lock()

    def open(self, store: Store) -> list[Refusal]:
        """As it stands now. JournalError where the journal cannot be read."""
        with self._lock:
            after = self._seen[-1].row if self._seen else 0
            self._seen += [_refused(orjson.loads(row.text)) for row in store.refused(after)]
            return _fold(self._seen, store.events("handled"))


def open_refusals(store: Store) -> list[Refusal]:
    """The same, looked at once."""
    return Refusals().open(store)


def handle(journal: Path, row: int, did: str, by: str, *, last: int | None = None) -> int:
    """Say what was done about a refused alarm, and with it about all that say the same, up to `last` (the whole line where
    it is left out): what came after whoever handles it has looked stays open. Gives the row that says so. ShiftError where
    there is nothing to handle.
    """
    did, by = _said(did, "what was done"), _said(by, "who did it")
    store = opened(journal)
    try:
        line = next((one for one in open_refusals(store) if row in one.rows), None)
        if line is None:
            alarm = next((one for one in store.refused(after=row - 1) if one.number == row), None)
            raise ShiftError(f"row {row} has been handled already" if alarm else f"row {row} is no refused alarm")
    finally:
        store.close()
    rows = [one for one in line.rows if last is None or one <= max(last, row)]
    which = f"row {rows[0]}" if len(rows) == 1 else f"{len(rows)} rows, {rows[0]} to {rows[-1]}"
    more = {"account": line.account} | ({"account_mark": line.mark} if line.mark else {})
    return wishes.note(
        journal,
        "handled",
        f"{line.said} ({which}): {_flat(did)} ({by})",
        **{"first": rows[0], "last": rows[-1], "count": len(rows), "did": did, "by": by} | more,
    )


# Notes and hand-over


class HandOver(NamedTuple):
    """What one engineer leaves to the next: by whom, to whom, and who took it over, when; `""` while nobody has."""

    row: int
    at: str
    by: str
    to: str
    text: str
    taken_by: str = ""
    taken_at: str = ""


@dataclass(slots=True)
class Shift:
    """The shift that runs: what was noted since the last hand-over that was taken, and that; and the one that waits."""

    notes: list[dict[str, Any]] = field(default_factory=list)  # the newest first
    waiting: HandOver | None = None
    taken: HandOver | None = None
    before: list[dict[str, Any]] = field(default_factory=list)  # the notes of the shift before, likewise

    def to_json(self) -> dict[str, Any]:
        handed = {name: one._asdict() if (one := getattr(self, name)) else None for name in ("waiting", "taken")}
        return {"notes": self.notes, "before": self.before, **handed}


EVENTS = ("shift-note", "hand-over", "taken-over")


def shift(events: Iterable[dict[str, Any]]) -> Shift:
    """The shift that runs, from rows of these `EVENTS` (others are passed over), the newest first.

    Of several hand-overs that nobody took, the newest counts: it was said last.
    """
    found = Shift()
    takings: dict[int, dict[str, Any]] = {}
    for event in events:
        if event["event"] == "taken-over":
            takings[event["hand_over"]] = event
        elif event["event"] == "shift-note":
            (found.before if found.taken else found.notes).append(event)
        elif event["event"] == "hand-over":
            handed = HandOver(*(event[name] for name in ("row", "at", "by", "to", "text")))
            if taking := takings.get(handed.row):
                if found.taken:
                    break
                found.taken = handed._replace(taken_by=taking["by"], taken_at=taking["at"])
            elif found.taken is None:
                found.waiting = found.waiting or handed
    return found


def note(journal: Path, text: str, by: str, account: Account | None = None) -> int:
    """Note something for whoever is on this shift and the next, perhaps about an account."""
    text, by = _said(text, "the note"), _said(by, "who notes it")
    whose = {"account": account.number, "account_mark": account.mark} if account else {}
    about = f"{account.mark} {account.name}: " if account else ""
    return wishes.note(journal, "shift-note", f"{about}{_flat(text)} ({by})", text=text, by=by, **whose)


def hand_over(journal: Path, text: str, by: str, to: str) -> int:
    """Hand the shift over to somebody, with what they must know. It waits until somebody takes it over."""
    text, by, to = _said(text, "what they must know"), _said(by, "who hands over"), _said(to, "to whom")
    return wishes.note(journal, "hand-over", f"{by} to {to}: {_flat(text)}", text=text, by=by, to=to)


def take_over(journal: Path, row: int, by: str) -> int:
    """Take over what waits in that row. ShiftError where it does not wait (any more)."""
    by = _said(by, "who takes over")
    store = opened(journal)
    try:
        waiting = shift(store.events(*EVENTS)).waiting
    finally:
        store.close()
    if waiting is None or waiting.row != row:
        raise ShiftError(f"no hand-over waits in row {row}: somebody has taken it, or a newer one stands")
    detail = f"{by} has taken over from {waiting.by} (row {row})"
    return wishes.note(journal, "taken-over", detail, hand_over=row, by=by)


def _flat(text: str) -> str:
    return " ".join(text.split())


def _said(text: str, what: str) -> str:
    text = text.strip().replace("\r\n", "\n")  # as forms send the end of a line
    if not text:
        raise ShiftError(f"{what} is empty")
    if not text.isascii() and any("\ud800" <= character <= "\udfff" for character in text):
        raise ShiftError(f"{what} has half a character in it")
    if len(text) > MOST_SAID:
        raise ShiftError(f"{what} has {len(text)} characters; {MOST_SAID} at most")
    return text
