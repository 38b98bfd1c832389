"""Taking old rows out of the journal: which they would be, what still needs them, and the row that says that they went.

What goes is always a beginning: all rows up to a number. So the chains of what is left begin at hashes that are kept, and
that a row of theirs says again.
"""

from collections.abc import Iterable, Iterator
from contextlib import closing
from datetime import datetime, timedelta
from itertools import chain
from pathlib import Path
from typing import Any, NamedTuple

from receiver import overview, record, wishes
from receiver.desk import millis
from receiver.hand_on import Place
from receiver.journal import Ends, Store, begins, opened
from receiver.shift import open_refusals

LEAST_AGE = timedelta(days=7)  # a bench that starts looks so far back: the longest test of an account


class Held(NamedTuple):
    """A row that must not go yet, and why."""

    row: int
    why: str


class Retirement(NamedTuple):
    """The rows `first` to `upto`, all of them older than `before`; none where `upto` is below `first`."""

    before: str
    first: int
    upto: int
    ends: Ends
    pieces: list[str]  # parts of the journal that go whole
    signed: int  # provings whose records cannot be held against the journal afterwards
    held: list[Held]

    def to_json(self) -> dict[str, Any]:
        told = {name: value for name, value in self._asdict().items() if name != "ends"}
        return told | {"held": [one._asdict() for one in self.held]}


def planned(store: Store, before: datetime, now: datetime, places: Iterable[Place] = ()) -> Retirement:
    """What would go. ValueError where `before` is younger than `LEAST_AGE`, JournalError where the journal cannot be read.

    `places` say how far those have come to whom rows are handed on.

    A row that came after one that is young enough stays, whatever its clock said.
    """
    if before > now - LEAST_AGE:
        raise ValueError(f"rows of the last {LEAST_AGE.days} days stay: a bench that starts still needs them")
    first, upto = begins(store.retired()), store.oldest_since(millis(before), millis(now)) - 1
    if upto < first:
        return Retirement(millis(before), first, upto, {}, [], 0, [])
    runs = {one.name: one.runs for one in overview.provings(store.events("proving"))}
    old = [start["proving"] for start in record.provings(store) if start["row"] <= upto]
    signed = sum(not runs[name] for name in old)
    needed = chain(_needed(store, runs), _not_handed_on(places))
    held = sorted(one for one in needed if one.row <= upto) or list(_broken(store, upto))
    return Retirement(millis(before), first, upto, store.ends(upto), store.pieces(upto), signed, held)


def _needed(store: Store, runs: dict[str, bool]) -> Iterator[Held]:
    """What is not over: where it begins is needed until it is."""
    for start in record.provings(store):
        if runs[start["proving"]]:
            yield Held(start["row"], f"the proving {start['proving']} of account {start['account']} is not over")
    for line in open_refusals(store):
        yield Held(line.first, f"nobody has handled the refused alarm of account {line.account}")
    clock = next((event for event in store.events() if event["event"].startswith("clock-")), None)
    if clock and clock["event"] == "clock-stepped":
        yield Held(clock["row"], "nobody has confirmed the clock since it stepped")


def _not_handed_on(places: Iterable[Place]) -> Iterator[Held]:
    for place in places:
        yield Held(place.row + 1, f"it was not handed on to {place.consumer} yet (`farend hand-on status`)")


def _broken(store: Store, upto: int) -> Iterator[Held]:
    """A break of the chain would be gone with its rows, and nobody would see it any more."""
    with closing(store.verify()) as rows:
        for number, wrong in rows:
            if number > upto:
                return
            if wrong:
                yield Held(number, wrong)


def retire(journal: Path, plan: Retirement, by: str) -> int:
    """Take out what was planned; the number of the row that says so, written first. Errors as of `note`."""
    detail = f"rows {plan.first} to {plan.upto}, from before {plan.before}, were taken out of the journal"
    chains = {name: [number, hash.hex()] for name, (number, hash) in plan.ends.items()}
    row = wishes.note(journal, "retired", detail, by=by, before=plan.before, upto=plan.upto, chains=chains)
    with closing(opened(journal)) as store:
        store.retire(plan.ends)
    return row
