"""`farend prove`: prove that an account reports everything it should, as it should; ends in a signed record."""

import getpass
import hashlib
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import orjson
import typer
from rich.table import Table

from protocols.dc09 import bare
from receiver import capture as captures
from receiver import conduct
from receiver import record as records
from receiver.book import Account, Book
from receiver.capture import CaptureError
from receiver.conduct import ConductError, OnTest
from receiver.cutover import alarm_and_restoral
from receiver.desk import millis
from receiver.journal import JournalError, Store, opened
from receiver.plan import HAZARDS, Item, Kinds, Plan, PlanError, changed, edited, make, only, parse_kinds, shipped_kinds
from receiver.record import CAUTION
from receiver.sheet import Sheet, state_of
from tools import book as books
from tools.common import JOURNAL, OUT, book_from, conducted, length_of, print_json, say_on_test, say_untaken, stop
from tools.lazily import lazily
from tools.sheet import count, plan_table, what_is_left, whole_sheet

if TYPE_CHECKING:
    from receiver.paper import Read

app = typer.Typer(
    cls=lazily({"watch": "tools.watch:watch", "rehearse": "tools.rehearse:rehearse"}),
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Prove that an account reports everything it should, as it should.\n\nExample: farend prove watch 4471",
)

Which = Annotated[str, typer.Argument(metavar="ACCOUNT", help="Part of the account's number or of its name.")]
What = Annotated[list[str], typer.Argument(metavar="WHAT", help="A row, by its number or part of its name.")]
Where = books.Where
BookFile = Annotated[Path, typer.Option("--book", metavar="FILE", help="The account book.")]
By = Annotated[str | None, typer.Option(metavar="NAME", help="Who says so; by default whoever is logged in.")]
Reason = Annotated[str, typer.Option(metavar="TEXT", help="Why.")]
KindsFile = Annotated[
    Path | None, typer.Option("--kinds", metavar="FILE", help="The station's own kinds of devices, beside the shipped.")
]
Since = Annotated[
    Path | None, typer.Option("--since", metavar="RECORD", help="Only what has changed since this record was signed.")
]
Only = Annotated[
    list[str] | None, typer.Option("--only", metavar="WHAT", help="Only this device, user or path; may be repeated.")
]
Required = Annotated[list[str] | None, typer.Option(metavar="WHAT", help="Make these rows required.")]
Optional = Annotated[list[str] | None, typer.Option(metavar="WHAT", help="Make these rows optional.")]
Pending = Annotated[
    list[str] | None, typer.Option(metavar="WHAT", help="These rows are proved later, by themselves (--owner, --due).")
]
Owner = Annotated[str, typer.Option(metavar="NAME", help="Who looks after what is pending.")]
Due = Annotated[str, typer.Option(metavar="TIME", help="Within which time from the start it must have come: 24h.")]
Why = Annotated[str | None, typer.Option(metavar="TEXT", help="What for: new, panel replaced, taken over …")]
PlanFile = Annotated[Path | None, typer.Option("--plan", metavar="FILE", help="A plan that `prove plan --out` wrote.")]
Json = books.Json


# The plan


@app.command()
def plan(
    account: Which,
    book: BookFile,
    kinds: KindsFile = None,
    since: Since = None,
    only_: Only = None,
    required: Required = None,
    optional: Optional = None,
    pending: Pending = None,
    owner: Owner = "installer",
    due: Due = "24h",
    why: Why = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write it, to be edited and started.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Show what an account is to be proved to report, made from the devices in the book.

    Example: farend prove plan 4471 --book station.toml --optional "zone 16 tamper" --out tern.plan
    """
    made = _planned(account, book, None, kinds, since, only_, required, optional, pending, owner, due, why)
    if out is not None:
        try:
            out.write_text(_plan_text(made), "utf-8")
        except OSError as error:
            stop(f"--out {out}: {error.strerror}")
        OUT.print(
            f"{out}: {count(len(made.items), 'row')}; edit it, then `farend prove start … --plan {out}`", soft_wrap=True
        )
    elif as_json:
        for item in made.items:
            print_json(item.model_dump(mode="json"))
    else:
        OUT.print(plan_table(made))


def _planned(
    account: str,
    book: Path,
    file: Path | None,
    kinds: Path | None,
    since: Path | None,
    only_: list[str] | None,
    required: list[str] | None,
    optional: list[str] | None,
    pending: list[str] | None,
    owner: str,
    due: str,
    why: str | None,
) -> Plan:
    found = account_of(book_from(book), account)
    try:
        made = make(found, _kinds(kinds)) if file is None else _plan_from(file, found)
    except PlanError as error:
        stop(str(error))
    if since is not None:
        before = _plan_of(since)
        made, said = changed(made, before.account, before.encrypted)
        if not said:
            stop(f"nothing in the book has changed since {since}", 1)
    if only_:
        subjects = {item.subject for words_ in only_ for item in rows_of(made, words_, "--only")}
        made = only(made, subjects, "again: " + ", ".join(sorted(subjects)))
    for option, need in ((required, "required"), (optional, "optional"), (pending, "pending")):
        for words_ in option or ():
            more: dict[str, Any] = {"need": need}
            if need == "pending":
                more |= {"owner": owner, "due_hours": -(-int(length_of(due, "--due").total_seconds()) // 3600)}
            ids = {item.id for item in rows_of(made, words_, f"--{need}")}
            items = tuple(item.model_copy(update=more) if item.id in ids else item for item in made.items)
            made = made.model_copy(update={"items": items})
    try:
        made = edited(made, make(found, _kinds(kinds)))
    except PlanError as error:
        stop(str(error), 1)
    return made.model_copy(update={"why": why}) if why else made


def _kinds(file: Path | None) -> Kinds:
    if file is None:
        return shipped_kinds()
    try:
        return parse_kinds(file.read_text("utf-8"), str(file), shipped_kinds())
    except (OSError, UnicodeDecodeError) as error:
        stop(f"--kinds {file} cannot be read: {getattr(error, 'strerror', None) or error}")
    except PlanError as error:
        stop(str(error))


def account_of(book: Book, words_: str) -> Account:
    """The one account of the book whose number is that, or whose number or name has it as a part."""
    exact = book.numbered(words_)
    found = exact or [
        one for one in book.accounts if words_.lower() in one.name.lower() or bare(words_).upper() in one.number.upper()
    ]
    if len(found) != 1:
        names = "; ".join(f"{one.mark} {one.name}" for one in found or book.accounts[:12])
        stop(f"{'several accounts' if found else 'no account'} of the book fit {words_!r}: {names}", 1)
    return found[0]


def rows_of(plan_: Plan, words_: str, option: str = "WHAT") -> list[Item]:
    try:
        return conduct.items_of(plan_, words_)
    except ConductError as error:
        stop(f"{option} {error}", 1)


def _plan_text(plan_: Plan) -> str:
    lines = ["# A plan of farend. Change need, codes or delays, or take rows out; then start it.",
             f"account = {_quoted(plan_.account.number)}", f"why = {_quoted(plan_.why)}",
             f"confirm_minutes = {plan_.confirm_minutes}", ""]  # fmt: skip
    for item in plan_.items:
        lines.append("[[item]]")
        for key, value in item.model_dump(exclude_defaults=True).items():
            shown = _quoted(value) if isinstance(value, str) else str(value).lower()
            lines.append(f"{key} = {shown}")
        lines += [f"need = {_quoted(item.need)}"] * (item.need == "required") + [""]
    return "\n".join(lines)


def _quoted(text: str) -> str:
    return str(orjson.dumps(text).decode())  # a JSON string is a TOML basic string too


def _plan_from(file: Path, account: Account) -> Plan:
    try:
        found = tomllib.loads(file.read_text("utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        stop(f"--plan {file} cannot be read: {getattr(error, 'strerror', None) or error}")
    except tomllib.TOMLDecodeError as error:
        stop(f"--plan {file}: {error}")
    if bare(str(found.pop("account", ""))) != bare(account.number):
        stop(f"--plan {file} is for another account than {account.number}")
    if strange := set(found) - {"why", "confirm_minutes", "item"}:
        stop(f"--plan {file}: {strange.pop()!r} is none of account, why, confirm_minutes and [[item]]")
    whole = make(account)
    try:
        return Plan.from_json(whole.to_json() | {"items": found.pop("item", [])} | found)
    except PlanError as error:
        stop(f"--plan {file}: {error}")


def _plan_of(record: Path) -> Plan:
    found = _read_record(record).record
    if records.digest(found) != found.get("digest") or found.get("provisional") is not False:
        stop(f"{record} is provisional, or was changed since it was signed: only a whole record can be built on", 1)
    try:
        return Plan.from_json(found["plan"])
    except (PlanError, KeyError, TypeError) as error:
        stop(f"{record} has no plan that can be read: {error}")


# A proving begins, goes on, and ends


@app.command()
def start(
    account: Which,
    book: BookFile,
    reference: Annotated[str, typer.Option(metavar="TEXT", help="The station's own reference for the test.")],
    confirmed_by: Annotated[str, typer.Option(metavar="WHO", help="Who at the station confirmed the test.")],
    lasts: Annotated[str, typer.Option("--for", metavar="TIME", help="For how long: 45m, 2h, 1h30m.")] = "2h",
    area: books.Areas = None,
    live: books.Live = None,
    installer: Annotated[str, typer.Option(metavar="NAME", help="Who is on site.")] = "",
    plan_file: PlanFile = None,
    kinds: KindsFile = None,
    since: Since = None,
    only_: Only = None,
    required: Required = None,
    optional: Optional = None,
    pending: Pending = None,
    owner: Owner = "installer",
    due: Due = "24h",
    why: Why = None,
    by: By = None,
    journal: Where = JOURNAL,
) -> None:
    """Put the account on test and begin to prove it. Tell the station first: its reference goes into the record.

    Example: farend prove start 4471 --book station.toml --reference T-118 --confirmed-by "the desk, M." --live fire
    """
    made = _planned(account, book, plan_file, kinds, since, only_, required, optional, pending, owner, due, why)
    with conducted():
        proving = conduct.begin(
            journal, made, lasts=length_of(lasts, "--for"), reference=reference, confirmed_by=confirmed_by, areas=area,
            live=live, installer=installer, by=_who(by)
        )  # fmt: skip
        until = conduct.sheet_of(opened(journal), proving).until
    later = datetime.now(UTC) + length_of(lasts, "--for")
    say_on_test(journal, made.account.number, OnTest(until or later, until is not None), reference)
    OUT.print(f"proving {made.account.number} {made.account.name}: {count(len(made.items), 'row')}. Now, on the phone:"
              f" farend prove watch {made.account.number}", markup=False, soft_wrap=True)  # fmt: skip
    OUT.print(CAUTION, style="italic", soft_wrap=True)


@app.command()
def prolong(
    account: Which,
    lasts: Annotated[str, typer.Option("--for", metavar="TIME", help="From now on: 30m, 1h.")],
    journal: Where = JOURNAL,
) -> None:
    """Prolong the test. Tell the station.

    Example: farend prove prolong 4471 --for 1h
    """
    sheet = find_proving(open_journal(journal), account)
    with conducted():
        test = conduct.prolong(journal, sheet, length_of(lasts, "--for"))
    say_on_test(journal, sheet.plan.account.number, test, sheet.tests[-1]["reference"] if sheet.tests else "prolonged")


@app.command()
def call(account: Which, what: What, by: By = None, journal: Where = JOURNAL) -> None:
    """The installer says what comes now: a device, a user, a path (alone, or `wired unplugged`), all of a hazard, or none.

    While a device is called only its own signal proves its row. `call 4471 fire` announces that all fire detectors come now,
    in any order; `call 4471 none` ends what was called.

    Example: farend prove call 4471 freezer room door
    """
    sheet = find_proving(open_journal(journal), account)
    with conducted():
        about = conduct.call(journal, sheet, " ".join(what), by=_who(by))
    line = next((line for line in sheet.lines if about in (line.item.subject, line.item.id)), None)
    if about == "none":
        OUT.print("nothing is called now: what comes is swept")
    elif about in HAZARDS:
        OUT.print(f"all of {about} may come now, in any order; they are swept", markup=False)
    elif line is not None:
        before = f"{line.item.before}. Then: " if line.item.before else ""
        OUT.print(
            f"{about}{' ' + line.item.name if line.item.number else ''}: “{before}{line.item.do}.”",
            markup=False,
            soft_wrap=True,
        )


@app.command()
def tick(
    account: Which,
    what: What,
    saw: Annotated[str | None, typer.Option("--saw", metavar="TEXT", help="Who saw or heard what.")] = None,
    capture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="For a cut-over: a capture of the live receiver's traffic.")
    ] = None,
    book: Annotated[Path | None, typer.Option(metavar="FILE", help="The account book, for the capture's key.")] = None,
    by: By = None,
    journal: Where = JOURNAL,
) -> None:
    """Tick what cannot be seen from here: what only somebody on site knows, and what was seen at the live receiver.

    What a signal must prove is ticked by its signal alone.

    Example: farend prove tick 2210 siren --saw "R., from the yard"
    """
    sheet = find_proving(open_journal(journal), account)
    with conducted():
        item = conduct.tickable(sheet, " ".join(what))
        if capture is not None and item.proof == "live":
            saw = _from_capture(capture, sheet, item, book)
        item = conduct.tick(journal, sheet, item.id, saw or "", by=_who(by))
    OUT.print(f"{item.label}: {saw}", markup=False, soft_wrap=True)


def _from_capture(file: Path, sheet: Sheet, item: Item, book: Path | None) -> str:
    try:
        happenings, _ = captures.read(file)
        mark = hashlib.sha256(file.read_bytes()).hexdigest()
    except CaptureError as error:
        stop(str(error))
    except OSError as error:
        stop(f"{file} cannot be read: {error.strerror}")
    account = sheet.plan.account
    if sheet.plan.encrypted:
        if book is None:
            stop("the account is encrypted: --book has the key that opens the capture")
        account = account_of(book_from(book), account.number)
    since = datetime.fromisoformat(sheet.begun or millis(datetime.now(UTC)))
    found = alarm_and_restoral(happenings, account, item.path or "", since)
    if found is None:
        stop(f"{file} has no alarm of {account.number} over {item.path or 'its path'} with its restoral, both acknowledged,"
             f" since {since:%H:%M:%S} UTC", 1)  # fmt: skip
    times = " and ".join(f"{shown.at:%H:%M:%S}" for shown in found)
    return f"capture {file.name}, SHA-256 {mark}: alarm and restoral at {times} UTC, both acknowledged"


@app.command()
def skip(account: Which, what: What, reason: Reason, by: By = None, journal: Where = JOURNAL) -> None:
    """Leave out rows, or settle a finding (by its name, such as w12), with a reason that stands in the record.

    Example: farend prove skip 4471 zone 16 tamper --reason "no cover contact on this model"
    """
    sheet, about = find_proving(open_journal(journal), account), " ".join(what)
    with conducted():
        items = conduct.skip(journal, sheet, about, reason, by=_who(by))
    for told in [f"{item.label}: left out" for item in items] or [f"{about} is settled"]:
        OUT.print(f"{told}: {reason}", markup=False)


@app.command()
def again(account: Which, what: What, reason: Reason, by: By = None, journal: Where = JOURNAL) -> None:
    """Ask for rows once more: what proved them so far no longer counts.

    Example: farend prove again 4471 zone 15 --reason "the contact was moved"
    """
    sheet = find_proving(open_journal(journal), account)
    with conducted():
        items = conduct.again(journal, sheet, " ".join(what), reason, by=_who(by))
    for item in items:
        OUT.print(f"{item.label}: to be seen again: {reason}", markup=False)


@app.command()
def answer(
    account: Which,
    row: Annotated[int, typer.Argument(metavar="ROW", help="The journal's row that asks.")],
    yes: Annotated[str, typer.Argument(metavar="yes|no", help="Was it the installer?")],
    by: By = None,
    journal: Where = JOURNAL,
) -> None:
    """Answer “is this you?”: fire, gas, medical help, panic or duress that nobody had announced.

    Example: farend prove answer 4471 57 yes
    """
    sheet = find_proving(open_journal(journal), account)
    if yes not in ("yes", "no"):
        stop(f"{yes!r} is neither yes nor no")
    with conducted():
        conduct.answer(journal, sheet, row, yes == "yes", by=_who(by))
    OUT.print("it counts" if yes == "yes" else "NOT THE INSTALLER: handle it as real", style="bold")


@app.command()
def end(account: Which, reason: Reason, by: By = None, journal: Where = JOURNAL) -> None:
    """End a proving without a signature, and its test.

    Example: farend prove end 4471 --reason "the installer has to come back"
    """
    sheet = find_proving(open_journal(journal), account)
    with conducted():
        say_untaken(journal, conduct.end(journal, sheet, reason, by=_who(by)))
    books.say_off_test(sheet.plan.account.number)


# Judging, signing, checking


@app.command()
def judge(
    account: Which,
    journal: Where = JOURNAL,
    everything: Annotated[bool, typer.Option("--all", help="Optional rows that were not seen, too.")] = False,
    as_json: Json = False,
) -> None:
    """Show the whole sheet. Exit code 0 when nothing is left, or only what comes later; else 1.

    Example: farend prove judge 4471
    """
    sheet = find_proving(open_journal(journal), account, running=False)
    if as_json:
        print_json(sheet.to_json())
    else:
        OUT.print(whole_sheet(sheet, everything))
    raise typer.Exit(1 if sheet.verdict == "open" else 0)


@app.command("list")
def list_provings(journal: Where = JOURNAL, as_json: Json = False) -> None:
    """List the provings of a journal, the newest first.

    Example: farend prove list --journal station.journal
    """
    store = open_journal(journal)
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="italic")
    for heading in ("account", "name", "begun (UTC)", "state", "left", "wrong"):
        table.add_column(heading)
    for sheet in _sheets(store):
        if as_json:
            short = ("proving", "account", "account_name", "why", "begun", "ended", "verdict", "signed", "rehearsed")
            print_json({key: value for key, value in sheet.to_json().items() if key in short}
                       | {"state": state_of(sheet), "left": len(sheet.open), "wrong": len(sheet.standing)})  # fmt: skip
            continue
        table.add_row(sheet.plan.account.number, sheet.plan.account.name, (sheet.begun or "")[:16].replace("T", " "),
                      state_of(sheet), str(len(sheet.open)), str(len(sheet.standing)))  # fmt: skip
    if not as_json:
        OUT.print(table if table.row_count else "no proving in this journal")


@app.command()
def sign(
    account: Which,
    engineer: Annotated[str, typer.Option(metavar="NAME", help="The station's engineer.")],
    installer: Annotated[str, typer.Option(metavar="NAME", help="The installer.")],
    engineer_known_by: Annotated[str, typer.Option(metavar="HOW", help="How the engineer was identified.")],
    installer_known_by: Annotated[str, typer.Option(metavar="HOW", help="How the installer was identified.")],
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE.json", help="Where the record goes.")] = None,
    by: By = None,
    journal: Where = JOURNAL,
) -> None:
    """Sign, for both: two rows in the journal, and the record as JSON, as a page and as a PDF beside each other.

    Refused while anything is left but what comes later; then it is provisional. Broken off, it is completed by running it
    again.

    Example: farend prove sign 4471 --engineer "E. Example" --engineer-known-by "logged in" --installer "I. Example"
    --installer-known-by "voice, call-back number on file"
    """
    store = open_journal(journal)
    sheet = find_proving(store, account)
    if sheet.verdict == "open":
        OUT.print(what_is_left(sheet))
    by = by or engineer
    folder, stem = (out.parent, out.name.removesuffix(".json")) if out is not None else (Path(), "")
    with conducted():
        conduct.agree(journal, sheet, "engineer", engineer, engineer_known_by, by=by)
        conduct.agree(journal, _now(store, sheet), "installer", installer, installer_known_by, by=by)
        kept = conduct.sign(journal, _now(store, sheet), folder, by=by, stem=stem)
    record = kept.record
    kind = "PROVISIONAL: sign again once the rest has come" if record["provisional"] else "whole"
    names = ", ".join(str(file) for file in kept.files)
    OUT.print(f"{names}: signed, {kind}. SHA-256 {record['digest']}", markup=False, soft_wrap=True)
    if record["rehearsal"]:
        OUT.print("Everything came from this machine itself: a rehearsal, and it says so.")
    if sheet.until is not None:
        OUT.print(
            f"The account stays on test until {sheet.until:%H:%M} UTC: `farend book off-test` ends that.", markup=False
        )


@app.command()
def check(
    record: Annotated[Path, typer.Argument(metavar="RECORD", help="A record that `prove sign` wrote.")],
    journal: Where = JOURNAL,
    as_json: Json = False,
) -> None:
    """Hold a record against a journal: same rows, same hashes, same judgement. Exit code 1 when they differ.

    RECORD is any of its three files. Of the page and the PDF not a character may be another than when they were signed.

    Example: farend prove check 4471-1f00c3d2.json --journal station.journal
    """
    found = _read_record(record)
    store = open_journal(journal)
    try:
        wrong = list(records.check(found.record, store, found.form, found.mark))
    except JournalError as error:
        stop(str(error))
    if as_json:
        print_json({"record": str(record), "form": found.form, "digest": found.record.get("digest"), "wrong": wrong})
    else:
        for one in wrong:
            OUT.print(f"✗ {one}", markup=False, soft_wrap=True)
        if not wrong:
            rows, form = len(found.record["hashes"]), "" if found.form == "json" else f", the {found.form} is as signed"
            OUT.print(f"{record}: agrees with the journal; {rows} rows have their hashes, the judgement is the same{form}",
                      markup=False, soft_wrap=True)  # fmt: skip
    raise typer.Exit(1 if wrong else 0)


def _read_record(file: Path) -> "Read":
    from receiver.paper import PaperError, read  # here alone: it takes longer to load than most commands take

    try:
        return read(file.read_bytes())
    except OSError as error:
        stop(f"{file} cannot be read: {error.strerror}")
    except PaperError as error:
        stop(f"{file}: {error}")


# Finding and saying


def open_journal(journal: Path) -> Store:
    try:
        return opened(journal)
    except JournalError as error:
        stop(str(error))


def _sheets(store: Store) -> Iterator[Sheet]:
    with conducted():
        yield from conduct.sheets(store)


def find_start(store: Store, words_: str) -> dict[str, Any]:
    """The start row of the newest proving of the one account that fits: part of its number, or of its name."""
    newest: dict[str, dict[str, Any]] = {}
    for event in records.provings(store):
        newest.setdefault(event["account_mark"], event)
    exact = [one for one in newest.values() if bare(one["account"]) == bare(words_)]
    name = words_.lower()
    found = exact or [
        one
        for one in newest.values()
        if name in one["plan"]["account"]["name"].lower() or words_.upper() in one["account"].upper()
    ]
    if len(found) != 1:
        names = "; ".join(f"{one['account']} {one['plan']['account']['name']}" for one in found or newest.values())
        whose = "several provings of this journal fit" if found else "no proving of this journal fits"
        stop(f"{whose} {words_!r}" + (f": {names}" if names else "; it has none: farend prove start"), 1)
    return found[0]


def find_proving(store: Store, words_: str, *, running: bool = True) -> Sheet:
    """The proving that fits, judged now; by default only one that has not ended."""
    with conducted():
        sheet = conduct.judged(store, find_start(store, words_))
        return conduct.running(sheet) if running else sheet


def _now(store: Store, sheet: Sheet) -> Sheet:
    return conduct.sheet_of(store, sheet.proving)


def _who(by: str | None) -> str:
    return by or getpass.getuser()
