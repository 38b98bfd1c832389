"""What people do in a proving: begin it, call, tick, leave out, ask again, answer, sign, end.

The rules alone, for whoever asks: a command line, a page. What is done becomes a row of the journal, and is there when
the function returns. ConductError says in a sentence why something is not done; JournalError, as from `wishes`, why it
could not be kept.
"""

import os
import secrets
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from protocols.codes import CATEGORIES
from protocols.dc09 import bare
from receiver import record as records
from receiver import wishes
from receiver.book import Account
from receiver.desk import millis
from receiver.journal import Store, folder_of, opened
from receiver.plan import HAZARDS, Item, Plan, PlanError
from receiver.proving import act, fold
from receiver.requests import locked, write_whole
from receiver.sheet import GOOD, ROLES, Sheet

if TYPE_CHECKING:
    from receiver.paper import Papers

SAID = ("said", "live")  # what a person ticks: nobody at the far end can see it


class ConductError(Exception):
    """Why it is not done, in a sentence."""


class EmptyError(ConductError):
    """Something that must be said was left empty; `what` names it."""

    def __init__(self, what: str, why: str) -> None:
        super().__init__(f"{what} is needed: {why}")
        self.what = what


class OnTest(NamedTuple):
    """Until when an account was asked to be on test, and whether a running bench has taken that."""

    until: datetime
    taken: bool


# Reading


def sheets(store: Store) -> Iterator[Sheet]:
    """All provings of a journal, the newest first, as they stand now."""
    return (judged(store, event) for event in records.provings(store))


def sheet_of(store: Store, proving: str, now: datetime | None = None) -> Sheet:
    """The proving of that name, as it stands now."""
    event = next((event for event in records.provings(store) if event["proving"] == proving), None)
    if event is None:
        raise ConductError(f"no proving of this journal is named {proving!r}")
    return judged(store, event, now)


def judged(store: Store, start: Mapping[str, Any], now: datetime | None = None) -> Sheet:
    """The proving that a start row began."""
    try:
        plan = Plan.from_json(start["plan"])
    except PlanError as error:
        raise ConductError(f"row {start['row']}: {error}") from None
    # To the millisecond, as a record keeps it: judged again for that time it must come out the same.
    now = now or datetime.fromisoformat(millis(datetime.now(UTC)))
    return fold(plan, records.entries(store, start["account"]), now, start["proving"])


def running(sheet: Sheet) -> Sheet:
    """The same, if it has not ended."""
    if sheet.ended:
        raise ConductError(f"the proving of {sheet.plan.account.number} has ended ({sheet.ended[:16]}): begin another")
    return sheet


def items_of(plan: Plan, words: str) -> list[Item]:
    """The rows of a plan that a person may mean by `zone 15`, `15 tamper`, `wired test`, or part of a name; at least one."""
    found = plan.item(words)
    if not found:
        subjects = dict.fromkeys(item.subject for item in plan.items)
        raise ConductError(f"{words!r} is no row of the plan; it has {', '.join(subjects)}")
    return found


# Beginning and ending


def put_on_test(
    journal: Path,
    account: str,
    lasts: timedelta,
    reference: str,
    *,
    areas: list[str] | None = None,
    live: list[str] | None = None,
    confirmed_by: str | None = None,
    receiver: str | None = None,
    prefix: str | None = None,
) -> OnTest:
    """Put an account on test for so long from now, or prolong its test."""
    _needed("reference", reference, "it names the station's own record of the test")
    if strange := set(live or ()) - CATEGORIES:
        raise ConductError(f"{strange.pop()!r} cannot stay live: it is none of {', '.join(sorted(CATEGORIES))}")
    until = datetime.now(UTC) + lasts
    asked = {"until": millis(until), "reference": reference, "confirmed_by": confirmed_by}
    scope = {"areas": areas or None, "live": live or []}
    whose = {"account": bare(account), "receiver": receiver, "prefix": prefix}
    return OnTest(until, wishes.leave(journal, {"wish": "on-test"} | asked | scope | whose))


def begin(
    journal: Path,
    plan: Plan,
    *,
    lasts: timedelta,
    reference: str,
    confirmed_by: str,
    areas: list[str] | None = None,
    live: list[str] | None = None,
    installer: str = "",
    by: str,
) -> str:
    """Put the account on test and begin to prove it; the proving's name. One proving of an account runs at a time."""
    for what, said in (("reference", reference), ("confirmed-by", confirmed_by)):
        _needed(what, said, "it says what or who at the station knows of the test")
    account, proving = plan.account, secrets.token_hex(4)
    scope: dict[str, Any] = {"areas": areas, "live": live, "confirmed_by": confirmed_by}
    with locked(folder_of(journal)):  # two who begin at once begin one
        _none_runs(journal, account)
        put_on_test(
            journal, account.number, lasts, reference, **scope, receiver=account.receiver, prefix=account.prefix
        )
        _say(journal, account, proving, "start", plan=plan.to_json(), by=by, installer=installer)
    return proving


def _none_runs(journal: Path, account: Account) -> None:
    store = opened(journal)
    try:
        for event in records.provings(store):
            sheet = judged(store, event) if event["account_mark"] == account.mark else None
            if sheet is not None and not sheet.over:
                raise ConductError(f"a proving of {account.number} runs since {sheet.begun}; end it first")
    finally:
        store.close()


def prolong(journal: Path, sheet: Sheet, lasts: timedelta) -> OnTest:
    """Let its test last so long from now, with the areas and categories that it has."""
    account, test = running(sheet).plan.account, sheet.tests[-1] if sheet.tests else {}
    scope = {name: test.get(name) for name in ("areas", "live", "confirmed_by")}
    reference = test.get("reference") or "prolonged"
    return put_on_test(
        journal, account.number, lasts, reference, **scope, receiver=account.receiver, prefix=account.prefix
    )


def end(journal: Path, sheet: Sheet, reason: str, *, by: str) -> bool:
    """End it without a signature, and its test; whether a running bench has taken the end of the test."""
    _needed("reason", reason, "it stands in the journal")
    say(journal, sheet, "end", reason=reason, by=by)
    account = sheet.plan.account
    whose = {"account": bare(account.number), "receiver": account.receiver, "prefix": account.prefix}
    return wishes.leave(journal, {"wish": "off-test"} | whose)


# On the phone


def call(journal: Path, sheet: Sheet, about: str, *, by: str) -> str:
    """The installer says what comes now; gives what that was understood to be.

    A device or user (`zone 015`), a row of the panel's, a path alone (`path wired`) or unplugged (`path wired unplugged`),
    a hazard as a sweep of all its devices, or `none`.
    """
    what, sweep = _callable(running(sheet).plan, about)
    say(journal, sheet, "call", about=what, sweep=sweep, by=by)
    return what


def _callable(plan: Plan, text: str) -> tuple[str, bool]:
    """What a call is about, and whether it announces a whole hazard."""
    word = " ".join(text.lower().split())
    if word in ("none", "nothing"):
        return "none", False
    if word in HAZARDS and word not in ("users", "paths"):
        return word, True
    paths = {path.name.lower(): path.name for path in plan.account.path}
    short = word.removeprefix("path ").removesuffix(" test").removesuffix(" unplugged")
    if short in paths:
        return f"path {paths[short]}" + " unplugged" * word.endswith(" unplugged"), False
    found = items_of(plan, word)
    subjects = {item.subject for item in found}
    if subjects == {"panel"} and len(found) == 1:
        return found[0].id, False
    if len(subjects) != 1 or subjects == {"panel"}:
        raise _several(text, [item.id if item.subject == "panel" else f"{item.subject} {item.name}" for item in found])
    return subjects.pop(), False


def tick(journal: Path, sheet: Sheet, item: str, saw: str, *, by: str) -> Item:
    """Somebody saw or heard what cannot be seen from here. What a signal must prove is ticked by its signal alone."""
    found = tickable(running(sheet), item)
    _needed("saw", saw, "who saw or heard it")
    say(journal, sheet, "tick", about=found.id, saw=saw, by=by)
    return found


def tickable(sheet: Sheet, words: str) -> Item:
    """The one row meant by these words that a person ticks."""
    found = [item for item in items_of(sheet.plan, words) if item.proof in SAID]
    if len(found) != 1:
        ours = ", ".join(line.item.id for line in sheet.lines if line.item.proof in SAID)
        raise ConductError(f"{words!r} is not one row that a person ticks; those are {ours or 'none'}")
    return found[0]


def skip(journal: Path, sheet: Sheet, about: str, reason: str, *, by: str) -> list[Item]:
    """Leave out rows, or settle a finding by its name (`w12`), which gives no rows back."""
    _needed("reason", reason, "it stands in the record")
    if about in {finding.id for finding in running(sheet).findings}:
        say(journal, sheet, "skip", about=about, reason=reason, by=by)
        return []
    return _each(journal, sheet, "skip", about, reason, by)


def again(journal: Path, sheet: Sheet, about: str, reason: str, *, by: str) -> list[Item]:
    """Ask for rows once more: what proved them so far no longer counts."""
    _needed("reason", reason, "it stands in the record")
    return _each(journal, running(sheet), "again", about, reason, by)


def _each(journal: Path, sheet: Sheet, word: str, about: str, reason: str, by: str) -> list[Item]:
    found = items_of(sheet.plan, about)
    if len({item.subject for item in found}) > 1 or (found[0].subject == "panel" and len(found) > 1):
        raise _several(about, [item.id for item in found])
    lines = [line for line in sheet.lines if line.item in found]
    # Of a device, `again` is about what was proved, and `skip` about what was not; else about all that was meant.
    lines = [line for line in lines if (word == "again") == (line.state in GOOD)] or lines
    for line in lines:
        say(journal, sheet, word, about=line.item.id, reason=reason, by=by)
    return [line.item for line in lines]


def answer(journal: Path, sheet: Sheet, row: int, yes: bool, *, by: str) -> None:
    """Whether the alarm in that row, which nobody had announced, was the installer."""
    asked = [question["row"] for question in running(sheet).questions]
    if row not in asked:
        raise ConductError(f"row {row} asks nothing; open questions: {', '.join(map(str, asked)) or 'none'}")
    say(journal, sheet, "answer", about=row, yes=yes, by=by)


# Signing


class Kept(NamedTuple):
    """A signed record: the row that says so, its papers, and the files that they were written to."""

    record: dict[str, Any]
    papers: "Papers"
    row: int
    files: list[Path]


def agree(journal: Path, sheet: Sheet, role: str, name: str, identified: str, *, by: str) -> int:
    """Somebody signs just this sheet, as `record.substance` has it; the row. Said twice, it is the same signature."""
    if role not in ROLES:
        raise ConductError(f"{role!r} is no role that signs; those are {' and '.join(ROLES)}")
    _needed(role, name, "whoever signs has a name")
    _needed(f"{role}-known-by", identified, "how they were identified stands in the record")
    if running(sheet).verdict == "open":
        raise ConductError("not signed: see what is left; prove it, or skip it with a reason")
    if not any(line.state in GOOD for line in sheet.lines):
        raise ConductError("not signed: nothing at all was seen. End it with a reason instead")
    stands = records.standing(sheet).get(role)
    if stands is not None and (stands["name"], stands["identified"]) == (name, identified):
        return int(stands["row"])
    signed = {"name": name, "identified": identified, "substance": records.substance(sheet)}
    return say(journal, sheet, "agree", role=role, **signed, by=by)


def sign(journal: Path, sheet: Sheet, folder: Path | None, *, by: str, stem: str = "") -> Kept:
    """Make the record that both have signed, and its files: `.json`, `.html` and `.pdf`, named `stem`, or by account and
    proving. Without a folder nothing is written.

    The row that says so comes before the files: a paper of which the journal knows nothing would be worse than one that
    is missing, since that can be made again. So said once more, it gives the same record and completes what was broken off.
    """
    with locked(folder_of(journal)):  # two who sign at once, from wherever, make one record
        return _sign(journal, sheet, folder, by, stem)


def _sign(journal: Path, sheet: Sheet, folder: Path | None, by: str, stem: str) -> Kept:
    from receiver.paper import papers  # here alone: what it is made with takes longer to load than most commands take

    store = opened(journal)
    try:
        sheet = running(sheet_of(store, sheet.proving))
        stands = records.standing(sheet)
        if sheet.verdict == "open" or len(stands) < len(ROLES):
            missing = " and ".join(role for role in ROLES if role not in stands)
            raise ConductError(
                f"not signed: what stands now is to be signed by {missing or 'both, once nothing is left'}"
            )
        last = sheet.signed[-1] if sheet.signed else None
        record, row = None, 0
        if last and last["row"] > max(one["row"] for one in stands.values()):
            record, row = record_of(store, sheet, last), last["row"]
        fresh = record is None
        record = record or records.make(sheet, store)
    finally:
        store.close()
    made = papers(record)
    files = _files(folder, stem or _stem(sheet, record), made, numbered=not stem) if folder is not None else {}
    if fresh:
        told = {"record": record["digest"], "provisional": record["provisional"]} | made.marks
        again = {"judged": record["judgement"]["judged"], "last": record["judgement"]["rows"][1]}
        row = say(journal, sheet, "sign", **told, **again, by=by)
    _write(files, row)
    return Kept(record, made, row, list(files))


def papers_again(journal: Path, sheet: Sheet, folder: Path) -> list[Path]:
    """Make the files of all that was signed once more, where they are not there: broken off, lost, or moved away."""
    from receiver.paper import papers

    written: list[Path] = []
    with locked(folder_of(journal)):
        store = opened(journal)
        try:
            made = [(signed, record_of(store, sheet, signed)) for signed in sheet.signed]
        finally:
            store.close()
        for signed, record in made:
            if record is None:
                raise ConductError(f"what was signed in row {signed['row']} was made by another version of farend: only that"
                                   " one can make it again")  # fmt: skip
            files = _files(folder, _stem(sheet, record), papers(record), numbered=True)
            _write(files, signed["row"])
            written += files
    return written


def _write(files: Mapping[Path, bytes], row: int) -> None:
    for file, data in files.items():
        try:
            write_whole(file, data, 0o644)
        except OSError as error:
            raise ConductError(f"signed in row {row}, but {file} cannot be written ({error.strerror}): its papers can be"
                               " made again when it can") from None  # fmt: skip


def _stem(sheet: Sheet, record: Mapping[str, Any]) -> str:
    return f"{sheet.plan.account.number}-{sheet.proving}{'-provisional' * record['provisional']}"


def record_of(store: Store, sheet: Sheet, signed: Mapping[str, Any]) -> dict[str, Any] | None:
    """The record that one of `sheet.signed` tells of, made again; None where another version of this program made it."""
    if not signed["judged"]:
        return None
    entries = [one for one in records.entries(store, sheet.plan.account.number) if one["row"] <= signed["last"]]
    then = fold(sheet.plan, entries, datetime.fromisoformat(signed["judged"]), sheet.proving)
    record = records.make(then, store)
    return record if record["digest"] == signed["record"] else None


def _files(folder: Path, stem: str, made: "Papers", *, numbered: bool) -> dict[Path, bytes]:
    """Where each paper goes, and that it can: beside nothing, itself, or what was broken off while it was written.

    Where another record has the name already, the next number is taken, or it is refused.
    """
    for number in range(1, 100 if numbered else 2):
        place = folder / (stem + f"-{number}" * (number > 1))
        files = {place.with_name(f"{place.name}.{form}"): data for form, data in made._asdict().items()}
        try:
            if all(not file.exists() or data.startswith(file.read_bytes()) for file, data in files.items()):
                break
        except OSError as error:
            raise ConductError(f"{place}: {error.strerror}") from None
    else:
        raise ConductError(f"{place} has another record already: give this one another name")
    if not os.access(folder, os.W_OK):
        raise ConductError(f"{folder} is no folder that can be written to")
    return files


# Saying


def say(journal: Path, sheet: Sheet, word: str, *, by: str, **fields: Any) -> int:
    """Put what somebody says of a proving into the journal; its row."""
    return _say(journal, running(sheet).plan.account, sheet.proving, word, by=by, **fields)


def _say(journal: Path, account: Account, proving: str, word: str, **fields: Any) -> int:
    return wishes.note(journal, **act(account, proving, word, **fields))


def _needed(what: str, said: str, why: str) -> None:
    if not said.strip():
        raise EmptyError(what, why)


def _several(words: str, names: list[str]) -> ConductError:
    return ConductError(f"{words!r} may mean several things: {'; '.join(dict.fromkeys(names))}")
