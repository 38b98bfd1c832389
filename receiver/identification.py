"""Which caller is a request's panel: the installer trips one device now, and only the caller that reports it is the one.

The time runs on its own; whoever has it looks into the journal again and again, tells what came, and concludes once it is
over. How the frames are judged is in `callers.py`.
"""

import secrets
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import orjson

from protocols.dc09 import bare
from protocols.values import legible
from receiver import callers as calls
from receiver import requests
from receiver.book import Zone
from receiver.intake import IntakeError, RefusedError, noted
from receiver.journal import Store
from receiver.plan import Report, shipped_kinds
from receiver.requests import Request, Tied
from receiver.wishes import note

WATCH_SECONDS = 10.0  # after the right report: another caller that trips the same zone undoes it
AT_ONCE_SECONDS = 60  # a device that may report later than this is not picked of farend's own accord
LOOK_SECONDS = 0.1  # between two looks into the journal


class Identification:
    """One try to tie a caller to a request, from now on for so many seconds. Rows that the journal holds already count for
    nothing. RefusedError where the request has become an account.
    """

    def __init__(
        self, request: Request, store: Store, caller: str, host: str | None, zone: Zone, seconds: float
    ) -> None:
        _check(request)
        self.request, self.caller, self.host, self.zone, self.seconds = request, caller, host, zone, seconds
        self.named = f"zone {zone.number} {legible(zone.name)}"
        self.unwatched = not store.written_by_another()  # no bench writes the journal: nothing can come in
        self._within, self._began = seconds, time.monotonic()
        self._after = max((row.number for row in store.rows(after=max(store.number - 1, 0), events=True)), default=0)
        self._heard: list[calls.Heard] = []
        self._taken: list[str] = []  # what accounts of the book reported meanwhile
        self._copies = _Copies()

    @property
    def before(self) -> str:
        """What must be so before the device is tripped, in words."""
        return _trip(self.zone).before

    @property
    def sentence(self) -> str:
        """What the engineer says to the installer."""
        return f"Please {_trip(self.zone).do.format(name=legible(self.zone.name))}, now."

    @property
    def passed(self) -> float:
        """Seconds since it began."""
        return time.monotonic() - self._began

    @property
    def within(self) -> float:
        """Seconds that it lasts: fewer than at first once the right report is there."""
        return self._within

    @property
    def left(self) -> float:
        """Seconds until it is over."""
        return max(0.0, self._within - self.passed)

    @property
    def over(self) -> bool:
        return self.left == 0

    def end(self) -> None:
        """End it before its time."""
        self._within = min(self._within, self.passed)

    def watch(self, store: Store) -> Iterator[list[str]]:
        """Look again and again until it is over: what each look told. The thread that watches waits in between."""
        over = False
        while not over:
            over = self.over  # before the look: what came in the last moment counts
            yield self.look(store)
            time.sleep(min(LOOK_SECONDS, self.left))

    def look(self, store: Store) -> list[str]:
        """Take in what the journal has got since the last look, and say it, a sentence each."""
        told = []
        for row in store.rows(after=self._after):
            self._after = row.number
            entry = orjson.loads(row.text)
            for frame in calls.listen(
                [entry], self.zone.number, self.request.account.key, self._copies.of(store, entry)
            ):
                self._heard.append(frame)
                told.append(f"{frame.at[11:19]}  {frame.mark}: {frame.why_not or self._tripped()}")
            self._taken += filter(None, [calls.of_book(entry, self.zone.number)])
        return told

    def _tripped(self) -> str:
        self._within = min(self._within, self.passed + WATCH_SECONDS)
        return f"{self.named} tripped; watching for {WATCH_SECONDS:g} s more whether another caller trips it too"

    def conclude(self, store: Store, folder: Path, by: str) -> tuple[Tied, list[str]]:
        """Tie the caller to the request, in the journal and then in the request's file; with what the engineer
        should know of it. RefusedError says why nobody is tied.
        """
        reference = self.request.head.reference
        verdict = calls.judge(self._heard, self.caller, self.host, self.zone.number)
        trip = verdict.tied
        if trip is None:
            why = "\n".join(f"  {one}" for one in verdict.why + self._taken)
            raise RefusedError(f"nothing was tied to {reference}. Within {self.seconds:g} s:\n{why}")
        _check(requests.load(folder, reference))  # it may have become an account meanwhile
        hash = store.hashes([trip.row])[trip.row]
        tied = Tied(**trip.mark._asdict(), device=self.named, row=trip.row, hash=hash, at=trip.at)
        what: dict[str, Any] = {"request": reference, "caller": tied.number, "line": tied.line, "host": tied.host}
        what |= {"zone": self.zone.number, "trip_row": trip.row, "trip_hash": hash, "by": by}
        detail = f"{reference} is {trip.mark}: it tripped {self.named} in row {trip.row}"
        note(store.path, "identified", detail, **what)
        noted(self.request, "caller", tied)
        return tied, list(self._to_know(tied, trip.frame.encrypted, folder))

    def _to_know(self, tied: Tied, encrypted: bool, folder: Path) -> Iterator[str]:
        if self.request.account.key and not encrypted:
            yield "it sends in clear, and the request has a key: once assigned it is refused until it encrypts"
        for other in requests.everything(folder)[0]:
            known = other.caller and not other.assigned and other.head.reference != self.request.head.reference
            if known and other.caller and _who(other.caller) == _who(tied):
                yield f"the same caller is tied to {other.head.reference} too: one of the two is wrong"


def _check(request: Request) -> None:
    if request.assigned:
        raise RefusedError(f"{request.head.reference} has become account {request.assigned.number} already")


def _who(caller: Tied) -> tuple[str, str]:
    return bare(caller.number), caller.host


def _trip(zone: Zone) -> Report:
    """How a device is tripped: what the plan would ask for first of its kind that gives a signal."""
    kinds = shipped_kinds()
    reports = kinds.kind[kinds.named(zone.device)].reports.values()
    return next((report for report in reports if report.proof != "said"), next(iter(reports)))


def reports_at_once(zone: Zone) -> bool:
    """Whether a device of that kind sends its alarm soon enough to wait for it."""
    kinds = shipped_kinds()
    alarm = kinds.kind[kinds.named(zone.device)].reports.get("alarm")
    return alarm is not None and alarm.proof == "signal" and alarm.delay_seconds <= AT_ONCE_SECONDS


def device(request: Request, wanted: str) -> Zone:
    """The device of that zone number, or, of `any`, one that reports at once, picked at random so that nobody knows it
    before.
    """
    zones = request.account.zone
    if not zones:
        raise RefusedError(f"{request.head.reference} has no zone to trip: add its zones to {request.path}")
    if wanted.strip().lower() == "any":
        return secrets.choice([zone for zone in zones if reports_at_once(zone)] or list(zones))
    number = wanted.lower().replace("zone", " ").strip()
    for zone in zones:
        if number and bare(zone.number) == bare(number):
            return zone
    known = ", ".join(zone.number for zone in zones)
    raise IntakeError(f"{request.head.reference} has no device {wanted!r}; its zones are {known} (or say any)")


class _Copies:
    """The frames of each account that came before, read once."""

    def __init__(self) -> None:
        self._of: dict[str, set[str]] = {}

    def of(self, store: Store, row: dict[str, Any]) -> frozenset[str]:
        whose = row.get("account")
        if not whose:
            return frozenset()
        if (before := self._of.get(bare(whose))) is None:
            rows = (orjson.loads(one.text) for one in store.rows(account=bare(whose)) if one.number < row["row"])
            before = self._of[bare(whose)] = {one["raw"] for one in rows}
        earlier = frozenset(before)
        before.add(row["raw"])
        return earlier
