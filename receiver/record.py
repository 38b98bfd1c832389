"""The record of a proving: what a manager keeps, held to the journal by the hashes of its rows."""

import hashlib
from collections.abc import Iterator, Mapping
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from itertools import chain
from typing import Any

import orjson

from protocols.dc09 import bare
from receiver.desk import Mode
from receiver.journal import Store
from receiver.plan import Plan, PlanError
from receiver.proving import fold
from receiver.sheet import ROLES, Sheet

CAUTION = (
    "farend is a bench tool, not a listed or approved receiver. Put accounts on test and tell the station first; "
    "local codes and licensed practice decide."
)
VERSION = 2
MODES: dict[Mode, str] = {
    "bench": "mode bench: it answers what it receives, and what it acknowledges is reported here and nowhere else",
    "mirror": "mode mirror: it hears a copy of what a live receiver hears, and answers nobody",
}


def software() -> str:
    """`farend` and its version."""
    try:
        return f"farend {version('farend')}"
    except PackageNotFoundError:  # run from a tree that is not installed
        return "farend"


def mode_of(store: Store, account: str, first: int, last: int) -> Mode:
    """In which mode rows `first` to `last` of an account were received: `mirror` where any bench that wrote them was one."""
    mine = entries(store, account, first - 1)
    if any(entry.get("mode") == "mirror" for entry in mine if entry["row"] <= last):
        return "mirror"
    # Rows did not always say it themselves.
    for event in store.events("start"):  # the newest first
        if event["row"] <= last and event.get("mode") == "mirror":
            return "mirror"
        if event["row"] <= first:
            break
    return "bench"


def mode_now(store: Store) -> Mode:
    """The mode of the bench that wrote a journal last."""
    latest = (orjson.loads(row.text) for row in store.latest(limit=20, events=True)[0])
    said: dict[str, Any] = next((entry for entry in chain(latest, store.events("start")) if "mode" in entry), {})
    return "mirror" if said.get("mode") == "mirror" else "bench"


def provings(store: Store) -> list[dict[str, Any]]:
    """The start rows of all provings in a journal, the newest first."""
    return [event for event in store.events("proving") if event["act"] == "start"]


def entries(store: Store, account: str, after: int = 0) -> list[dict[str, Any]]:
    """The rows of an account, frames and what people said, in order."""
    return [orjson.loads(row.text) for row in store.rows(account=bare(account), events=True, after=after)]


def substance(sheet: Sheet) -> str:
    """SHA-256 of what is signed: what was seen and in which rows, what was left out, what went wrong, and the verdict.

    Nothing in it changes by itself while polls come in and time passes: no measure, no clock, no text of a finding (some
    tell how long something has lasted), and of how a finding was settled only what a person gave as the reason. A new
    finding, a row seen, asked again or left out, polls that stop: each makes it another.
    """
    signed = {
        "proving": sheet.proving,
        "lines": [[line.item.id, line.state, line.why, line.rows] for line in sheet.lines],
        "findings": [[one.id, one.rule, one.items, one.last, bool(one.settled), one.reason] for one in sheet.findings],
        "questions": [question["row"] for question in sheet.questions],
        "verdict": sheet.verdict,
        "rehearsed": sheet.rehearsed,
        **({"mode": "mirror"} if sheet.mirrored else {}),  # what was signed before rows said their mode stays signed
    }
    return hashlib.sha256(orjson.dumps(signed, option=orjson.OPT_SORT_KEYS)).hexdigest()


def standing(sheet: Sheet) -> dict[str, dict[str, Any]]:
    """The signatures that stand, by role: the last of each to just this substance. What came later is signed again."""
    now = substance(sheet)
    return {one["role"]: one for one in sheet.agreed if one["substance"] == now}


def signatures(sheet: Sheet) -> list[dict[str, Any]]:
    """The signatures that stand as a record has them: who, how they were identified, who entered it, when, in which row."""
    told, stand = ("role", "name", "identified", "by", "at", "row"), standing(sheet)
    return [{name: stand[role][name] for name in told} for role in ROLES if role in stand]


def make(sheet: Sheet, store: Store) -> dict[str, Any]:
    """The record of a sheet, with the signatures that stand."""
    content = {
        "record": "farend proving",
        "version": VERSION,
        "software": software(),
        "mode": mode_of(store, sheet.plan.account.number, sheet.begun_row or 0, sheet.last_row),
        "caution": CAUTION,
        "provisional": sheet.verdict == "provisional",
        "rehearsal": sheet.rehearsed,
        "signatures": signatures(sheet),
        "plan": sheet.plan.to_json(),
        "judgement": sheet.to_json(),
        "hashes": {str(number): hash for number, hash in store.hashes(sorted(set(_rows_of(sheet)))).items()},
    }
    return content | {"digest": digest(content)}


def _rows_of(sheet: Sheet) -> Iterator[int]:
    """Every row of the journal that the sheet speaks of, and its last one: the chain of hashes holds all before it."""
    yield from _named(sheet.to_json())


def _named(told: Mapping[str, Any]) -> Iterator[int]:
    yield from {row for line in told["sheet"] for row in line["rows"]}
    for part in ("findings", "questions", "left_out", "tests", "agreed", "signed"):
        yield from {one["row"] for one in told[part]}
    yield from {row for one in told["confirmed"] for row in one["rows"]}
    yield from {row for row in told["rows"] if row}


def as_file(record: Mapping[str, Any]) -> bytes:
    """The bytes of a record's file: these and no others, so that nothing can be hidden beside what is read of it."""
    return orjson.dumps(record, option=orjson.OPT_INDENT_2) + b"\n"


def digest(record: Mapping[str, Any]) -> str:
    """SHA-256 of a record's content in a fixed form: keys in order, no blanks; without the digest itself."""
    content = {key: value for key, value in record.items() if key != "digest"}
    return hashlib.sha256(orjson.dumps(content, option=orjson.OPT_SORT_KEYS)).hexdigest()


def check(record: Mapping[str, Any], store: Store, form: str = "json", mark: str | None = None) -> Iterator[str]:
    """Hold a record against a journal: every difference in a sentence. Nothing is said where the two agree.

    `mark` is the SHA-256 of the file that it was read from, where that is its page or PDF (`form`): a person reads these, so
    not a character of them may be another than when they were signed.
    """
    if record.get("record") != "farend proving" or record.get("version") != VERSION:
        yield f"it is no record of a proving of version {VERSION}"
        return
    if digest(record) != record.get("digest"):
        yield "the record was changed since it was written: its digest does not fit its content"
    yield from (f"the journal itself: {wrong}" for _, wrong in store.verify() if wrong)
    try:
        told, plan = record["judgement"], Plan.from_json(record["plan"])
        judged, last = datetime.fromisoformat(told["judged"]), int(told["rows"][1])
        hashes = {int(number): hash for number, hash in record["hashes"].items()}
    except (PlanError, KeyError, ValueError, TypeError, AttributeError) as error:
        yield f"the record cannot be read: {error!r}"
        return
    start = next((event for event in provings(store) if event["proving"] == told["proving"]), None)
    if start is None or start["plan"] != record["plan"]:
        yield "the journal has no start of a proving with this plan"
    there = store.hashes(hashes)
    for number, hash in hashes.items():
        if number not in there:
            yield f"row {number} is not in the journal"
        elif there[number] != hash:
            yield f"row {number} of the journal is another than the one that was signed"
    mine = [entry for entry in entries(store, plan.account.number) if entry["row"] <= last]
    sheet = fold(plan, mine, judged, told["proving"])
    again = orjson.loads(orjson.dumps(sheet.to_json()))
    try:
        yield from list(_differences(told, again))
    except (KeyError, TypeError, AttributeError) as error:
        yield f"the record's judgement cannot be read: {error!r}"
    if {str(row) for row in _named(again)} != set(record["hashes"]):
        yield "the record has not the hashes of just those rows that it speaks of"
    if record.get("mode") != mode_of(store, plan.account.number, sheet.begun_row or 0, sheet.last_row):
        yield "the record names another mode than that of the bench that wrote the journal"
    judged_so = record.get("provisional") == (told.get("verdict") == "provisional")
    if not judged_so or record.get("rehearsal") != told.get("rehearsed") or told.get("verdict") == "open":
        yield "what the record calls itself (provisional, rehearsal) does not fit its judgement"
    signatures_due = signatures(sheet)
    if record.get("signatures") != signatures_due:
        yield "the signatures are not those that stand in the journal"
    if len(signatures_due) != len(ROLES):
        yield f"it is not signed by {' and '.join(ROLES)}, each to just what it says"
    signed = {"event": "proving", "act": "sign", "proving": told["proving"], "record": record.get("digest")}
    signed |= {"account_mark": plan.account.mark, "provisional": record.get("provisional")}
    rows = [event for event in store.events("proving") if all(event.get(key) == value for key, value in signed.items())]
    if not rows:
        yield "the journal has no row that says that this record was signed"
    elif form == "json" and mark not in (None, hashlib.sha256(as_file(record)).hexdigest()):
        yield "this file is not just its record as it was written: something was put into it"
    elif form != "json" and all(event.get(form) != mark for event in rows):
        yield f"this {form} is another than the one that was signed: something in it was changed"


def _differences(told: Mapping[str, Any], again: Mapping[str, Any]) -> Iterator[str]:
    lines = {line["item"]: line for line in again["sheet"]}
    for line in told.get("sheet", ()):
        now = lines.pop(line["item"], None)
        if now is None:
            yield f"{line['label']}: the plan does not have it"
        elif now != line:
            what = "state" if now["state"] != line["state"] else "rows" if now["rows"] != line["rows"] else "details"
            yield f"{line['label']}: the record says {what} {_short(line, what)}, the journal {_short(now, what)}"
    for item in lines:
        yield f"{item}: the record lacks it"
    for part in sorted(set(told) | set(again)):
        if part != "sheet" and told.get(part) != again.get(part):
            yield f"{part}: the record and the journal differ"


def _short(line: Mapping[str, Any], what: str) -> str:
    return str(line[what]) if what in line else f"{line['at']}, {line['path']}, {line['why']}"
