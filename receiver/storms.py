"""A runaway panel, told to people in one line that grows: how often, how long, which kinds. What is kept is not touched.

Only what is the same again is folded: the same account says the same signals with the same verdict, more than `FEW` times
within `WITHIN`. Another zone in the midst of a storm is shown as ever. Fire, gas, medical and panic are never folded, nor is
what cannot be read, since nobody knows what it is.

Entries as `listen --json` prints them go in; pure, the time is the entries' own.
"""

from collections import Counter, OrderedDict, deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from receiver.supervision import span
from receiver.words import of_signal

FEW = 5  # of one kind that are shown within the time below; what comes beyond them is folded (our choice)
WITHIN = timedelta(seconds=60)  # and how long after its last signal a storm is over
MOST_KINDS = 10_000  # that are counted at once, and as many storms: whoever invents more is not folded
MOST_OF_ONE = 100  # kinds of one storm that are told apart
NAMED = 3  # kinds of a storm that are named in its sentence
NEVER = frozenset(("fire", "gas", "medical", "panic"))  # categories


@dataclass(slots=True)
class Storm:
    """What was folded of one account: between which times, how many of which kind, up to which row."""

    account: str
    name: str | None
    since: str
    until: str = ""
    row: int | None = None
    kinds: Counter[str] = field(default_factory=Counter)
    refused: int = 0

    @property
    def count(self) -> int:
        return self.kinds.total()

    @property
    def ident(self) -> str:
        """What tells it from every other storm."""
        return f"{self.account}@{self.since}"

    def __str__(self) -> str:
        """One sentence."""
        lasted = span((_moment(self.until) - _moment(self.since)).total_seconds())
        named = [f"{count} × {kind}" for kind, count in self.kinds.most_common(NAMED)]
        if (more := len(self.kinds) - NAMED) > 0:
            named.append(f"{more} more kinds" if more > 1 else "1 more kind")
        refused = f"; {self.refused} ALARMS REFUSED" if self.refused else ""
        whose = f"{self.account} {self.name}" if self.name else self.account
        return f"{whose}: a storm, {self.count} more in {lasted}: {', '.join(named)}{refused} (each is a row)"


Shown = Mapping[str, Any] | Storm


class _Kind(NamedTuple):
    account: str
    said: str


class Storms:
    """The fold, entry by entry; what it remembers is bounded."""

    def __init__(self) -> None:
        self._recent: OrderedDict[_Kind, deque[datetime]] = OrderedDict()
        self._storms: dict[str, Storm] = {}
        self._before: list[Storm] = []  # that another of the same account has followed

    def take(self, entry: Mapping[str, Any]) -> Shown:
        """The entry itself, where it is to be shown; else the storm that has grown by it."""
        kind = _kind(entry)
        if kind is None:
            return entry
        at = _moment(entry["at"])
        times = self._recent.setdefault(kind, deque(maxlen=FEW + 1))
        self._recent.move_to_end(kind)
        if len(self._recent) > MOST_KINDS:
            self._recent.popitem(last=False)
        times.append(at)
        if len(times) <= FEW or not timedelta(0) <= at - times[0] <= WITHIN:
            return entry
        storm = self._storms.get(kind.account)
        if storm is None or not timedelta(0) <= at - _moment(storm.until) <= WITHIN:
            if storm:
                self._before.append(storm)
            elif len(self._storms) >= MOST_KINDS:
                return entry
            storm = self._storms[kind.account] = Storm(entry["account"], entry.get("account_name"), entry["at"])
        storm.until, storm.row = entry["at"], entry.get("row")
        storm.kinds[kind.said if kind.said in storm.kinds or len(storm.kinds) < MOST_OF_ONE else "something else"] += 1
        storm.refused += bool(entry.get("refused_alarm"))
        return storm

    def fold(self, entries: Iterable[Mapping[str, Any]]) -> list[Shown]:
        """What is to be shown of entries that came now, each storm once: where it had its last signal."""
        found: dict[int, Shown] = {}
        for entry in entries:
            one = self.take(entry)
            found.pop(id(one), None)
            found[id(one)] = one
        return list(found.values())

    def over(self, now: datetime) -> list[Storm]:
        """The storms whose last signal is so long ago, once each."""
        ended, self._before = self._before, []
        old = [who for who, storm in self._storms.items() if now - _moment(storm.until) > WITHIN]
        return ended + [self._storms.pop(who) for who in old]


def folded(entries: Iterable[Mapping[str, Any]]) -> list[Shown]:
    """What is to be shown of entries in the order of their time."""
    return Storms().fold(entries)


def always(shown: Shown) -> bool:
    """Whether it must be shown, whatever else comes: it may be somebody's life."""
    return not isinstance(shown, Storm) and any(signal["category"] in NEVER for signal in shown.get("signals", ()))


def _kind(entry: Mapping[str, Any]) -> _Kind | None:
    """What makes two entries the same to a person; None for what is never folded."""
    signals = entry.get("signals")
    if not signals or not entry.get("account") or "event" in entry:
        return None
    if any(signal["category"] in NEVER or signal["meaning"] is None for signal in signals):
        return None
    said = "; ".join(of_signal(signal) for signal in signals)
    if entry["verdict"] != "accepted":
        said += f" ({entry['verdict']})"
    return _Kind(entry.get("account_mark") or f"?{entry['account']}", said)


def _moment(at: str) -> datetime:
    return datetime.fromisoformat(at)
