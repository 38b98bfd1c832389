"""What leaves of the journal to other programs: each row as one message with its origin, or nothing. A pure fold over rows.

Where a row comes from, rows before it say: the account's test, a proving that runs, a replay that was announced. So the fold
must have seen those, in order, before it is asked (`Leaving.recall`).
"""

from collections import OrderedDict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Literal, get_args

import orjson

from protocols.dc09 import bare
from protocols.values import Signal
from receiver.desk import OnTest, millis
from receiver.journal import Row

VERSION = 1
MODE = "bench"  # of a start row that does not say
Kind = Literal["signal", "refused-alarm", "event"]
KINDS: tuple[Kind, ...] = get_args(Kind)
Origin = Literal["live", "on-test", "proving", "replay", "repeat"]
HELD: tuple[Origin, ...] = ("proving", "replay")  # leave only where they are asked for
RECALLED = ("start", "on-test", "off-test", "proving", "replay")  # events that say where later rows come from
LEASE = timedelta(
    minutes=5
)  # after its last word a replay that never ended is over; each minute it says that it goes on
MOST_REMEMBERED = 10_000  # held rows of which a repeat is known to be one

# What people say to one another, and no business of another program. Whatever else is an event is the bench's own.
PEOPLES = frozenset(
    ("shift-note", "hand-over", "taken-over", "handled", "key-shown", "invited", "withdrawn", "entered", "identified")
) | {"assigned", "replay"}
# Of a row's fields only these leave: another program needs no plan of a proving, no bytes, and no person's name.
_OF_FRAME = (
    *(
        "line",
        "path",
        "peer",
        "encrypted",
        "sequence",
        "receiver",
        "prefix",
        "stamp",
        "occurred",
        "signals",
        "problems",
    ),
    *("verdict", "reply", "sequence_note", "repeat_of", "refused_alarm", "warning"),
)
_OF_EVENT = (
    *("line", "port", "path", "promise", "state", "silent_seconds", "interval_seconds", "tolerance_seconds", "paths"),
    *("seconds", "until", "reference", "areas", "live", "proving", "act", "listening"),
)
_OF_SIGNAL = tuple(Signal.__dataclass_fields__)


@dataclass(slots=True)
class _Test:
    scope: OnTest
    until: str
    reference: str | None


@dataclass(slots=True)
class Leaving:
    """Decides what leaves. `kinds` are those wanted; `held` the origins that leave because somebody asked for them."""

    kinds: frozenset[str] = frozenset(KINDS)
    held: frozenset[str] = frozenset()
    mode: str = MODE
    journal: str | None = None  # which one: row numbers of two are alike
    _tests: dict[str, _Test] = field(default_factory=dict)  # by an account's mark
    _provings: dict[str, set[str]] = field(default_factory=dict)  # by an account's mark, those that run
    _replays: dict[str, tuple[str, datetime]] = field(default_factory=dict)  # by peer: which one, and its last word
    _origins: OrderedDict[int, Origin] = field(default_factory=OrderedDict)  # of rows that were proving or replay

    def recall(self, events: Iterable[Mapping[str, Any]]) -> None:
        """Take in what was said before, in order: rows of the events `RECALLED`."""
        for event in events:
            self._hear(event)

    def take(self, row: Row) -> dict[str, Any] | None:
        """The message that a row becomes; None where it does not leave. Rows come in order, each once."""
        try:
            entry = orjson.loads(row.text)
        except ValueError:  # somebody changed it: `journal verify` says so
            return None
        if "event" in entry:
            self._hear(entry)
        origin = self._origin(row, entry)
        if origin in HELD:
            self._origins[row.number] = origin
            while len(self._origins) > MOST_REMEMBERED:
                self._origins.popitem(last=False)
        kind = kind_of(entry)
        if kind is None or kind not in self.kinds or (origin in HELD and origin not in self.held):
            return None
        return self._message(row, entry, kind, origin)

    def _message(self, row: Row, entry: dict[str, Any], kind: Kind, origin: Origin) -> dict[str, Any]:
        test = self._test(entry)
        told: dict[str, Any] = {
            "farend": "hand-on",
            "version": VERSION,
            "row": row.number,
            "at": row.at,
            "kind": kind,
            "origin": origin,
            "mode": entry.get("mode") or self.mode,
            "journal": self.journal,
            "on_test": test and {"until": test.until, "reference": test.reference},
            **{name: entry.get(name) for name in ("account", "account_name", "account_mark")},
        }
        if kind == "event":
            return told | {name: entry[name] for name in ("event", "detail", *_OF_EVENT) if name in entry}
        return told | {name: entry.get(name) for name in _OF_FRAME}

    def _origin(self, row: Row, entry: Mapping[str, Any]) -> Origin:
        if "event" in entry:
            tests = entry["event"] in ("on-test", "off-test") or self._test(entry) is not None
            return "proving" if entry["event"] == "proving" else "on-test" if tests else "live"
        if self._is_replayed(row, entry):
            return "replay"
        first = self._origins.get(entry.get("repeat_of") or 0)
        if first is not None:
            return first
        test = self._test(entry)
        if test is not None and self._provings.get(entry["account_mark"]):
            return "proving"
        if row.verdict == "repeat":
            return "repeat"
        return "on-test" if test is not None else "live"

    def _test(self, entry: Mapping[str, Any]) -> _Test | None:
        """The test that a row belongs to: all its signals are of the areas and categories that are on test."""
        test = self._tests.get(entry.get("account_mark") or "")
        if test is None or entry["at"] >= test.until:
            return None
        signals = (Signal(**{name: one.get(name) for name in _OF_SIGNAL}) for one in entry.get("signals") or ())
        return test if all(test.scope.covers(signal) for signal in signals) else None

    def _is_replayed(self, row: Row, entry: Mapping[str, Any]) -> bool:
        found = self._replays.get(entry.get("peer") or "")
        if found is None:
            return False
        if datetime.fromisoformat(row.at) - found[1] > LEASE:
            del self._replays[entry["peer"]]
            return False
        return True

    def _hear(self, event: Mapping[str, Any]) -> None:
        kind, mark = event["event"], event.get("account_mark") or ""
        if kind == "start":
            self.mode = event.get("mode") or MODE
        elif kind == "on-test" and mark:
            areas = event.get("areas")
            until = datetime.fromisoformat(event["until"])
            scope = OnTest(
                until, None if areas is None else frozenset(map(bare, areas)), frozenset(event.get("live") or ())
            )
            self._tests[mark] = _Test(scope, millis(until), event.get("reference"))
        elif kind == "off-test":
            self._tests.pop(mark, None)
        elif kind == "proving":
            running = self._provings.setdefault(mark, set())
            if event.get("act") == "start":
                running.add(event["proving"])
            elif event.get("act") == "end" or (event.get("act") == "sign" and not event.get("provisional")):
                running.discard(event["proving"])
        elif kind == "replay":
            mine = [peer for peer, one in self._replays.items() if one[0] == event["replay"]]
            for peer in (*mine, *(event.get("peers") or ())):
                self._replays[peer] = (event["replay"], datetime.fromisoformat(event["at"]))
            if event.get("over"):
                self._replays = {peer: one for peer, one in self._replays.items() if one[0] != event["replay"]}


def kind_of(entry: Mapping[str, Any]) -> Kind | None:
    """What a row is to other programs; None where it is nothing to them.

    A signal is what was acknowledged, so also that of an unknown account where `--unknown ack` says so, and a repeat.
    A mirror acknowledges nothing: what it hears of unknown accounts leaves as well.
    """
    if "event" in entry:
        return None if entry["event"] in PEOPLES else "event"
    verdict = entry.get("verdict")
    if verdict in ("accepted", "repeat"):
        return "signal"
    if verdict in ("poll", "noise"):
        return None
    if entry.get("refused_alarm"):
        return "refused-alarm"
    heard = entry.get("reply") == "ACK" or (entry.get("mode") == "mirror" and verdict == "unknown-account")
    return "signal" if heard and entry.get("signals") else None
