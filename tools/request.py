"""`farend book request`, `requests`, `key`, `callers`, `identify`, `assign`: from an installer's request to an account."""

import getpass
import os
import secrets
import time
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal, NoReturn

import orjson
import typer
from rich.cells import cell_len
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from protocols.dc09 import bare
from protocols.values import legible
from receiver import book as books
from receiver import callers as calls
from receiver import requests as folder_of
from receiver import spoken, words, zone_list
from receiver.book import Account, Book, BookError, Zone
from receiver.desk import millis
from receiver.journal import JournalError, Store
from receiver.plan import Report, shipped_kinds
from receiver.requests import Assigned, Request, RequestError, Tied
from tools.book import Where, list_text
from tools.common import JOURNAL, OUT, TALK, WAIT_SECONDS, book_from, key_from, leave, note, print_json, stop

REQUESTS = Path(os.environ.get("FAREND_REQUESTS", "farend.requests"))
LOOK_SECONDS = 0.1  # between two looks into the journal
WATCH_SECONDS = 10.0  # after the right report: another caller that trips the same zone undoes it
AT_ONCE_SECONDS = 60  # a device that may report later than this is not picked of farend's own accord

Folder = Annotated[Path, typer.Option("--requests", metavar="DIR", help="The folder where requests wait.")]
Reference = Annotated[str, typer.Argument(metavar="R-001", help="The request.")]
Json = Annotated[bool, typer.Option("--json", help="One JSON object a line on stdout.")]
Bits = Literal["128", "192", "256"]


# Filing


def request(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What the account will be called: the site.")],
    firm: Annotated[str, typer.Option(metavar="TEXT", help="The installer's firm.")],
    installer: Annotated[str, typer.Option(metavar="TEXT", help="The installer's name.")],
    zones: Annotated[
        Path | None, typer.Option(metavar="FILE|-", help="The zone list: CSV, or lines pasted from an e-mail.")
    ] = None,
    users: Annotated[Path | None, typer.Option(metavar="FILE|-", help="The users, likewise.")] = None,
    path: Annotated[
        list[str] | None,
        typer.Option(metavar="name=…", help="A path, such as name=cellular,line=udp,poll_seconds=90; may be repeated."),
    ] = None,
    site_address: Annotated[str | None, typer.Option(metavar="TEXT", help="Where it is.")] = None,
    site_contact: Annotated[str | None, typer.Option(metavar="TEXT", help="Whom to ask there.")] = None,
    expects: Annotated[
        str | None, typer.Option(metavar="N", help="The number that the installer was told to program, if any yet.")
    ] = None,
    poll_seconds: Annotated[
        int | None, typer.Option(metavar="N", min=1, help="The promised time between polls.")
    ] = None,
    generate_key: Annotated[Bits | None, typer.Option(help="Make an AES key of so many bits.")] = None,
    key: Annotated[str | None, typer.Option(metavar="HEX|@FILE|env:NAME", help="The AES key it will have.")] = None,
    leave_out_bad_rows: Annotated[
        bool, typer.Option("--leave-out-bad-rows", help="File it without the rows that were named as bad.")
    ] = False,
    preview: Annotated[bool, typer.Option("--preview", help="Show what would be filed, and file nothing.")] = False,
    requests: Folder = REQUESTS,
) -> None:
    """File an installer's request. It is shown first; a row that cannot be read is named, and then nothing is filed.

    Example: farend book request "Quarry Cottage" --firm "An Invented Firm" --installer "A. Nobody" --zones zones.txt
    --path name=cellular,line=udp --generate-key 128
    """
    if generate_key and key:
        stop("say one of --generate-key and --key")
    if str(zones) == str(users) == "-":
        stop("--zones and --users cannot both come from stdin")
    for option, value in (("NAME", name), ("--firm", firm), ("--installer", installer)):
        if not value.strip():
            stop(f"{option} is empty")
    listed = [_listed(file, first) for file, first in ((zones, "zone"), (users, "user")) if file]
    entries = [entry for one in listed for entry in one.entries]
    bad = [row for one in listed for row in one.bad]
    account: dict[str, Any] = {"name": name, "poll_seconds": poll_seconds}
    account |= zone_list.tables(entries) | {"path": [_path(text) for text in path or ()]}
    _preview(account, bad)
    if bad and not leave_out_bad_rows:
        what = f"{len(bad)} bad row{'s' * (len(bad) > 1)}"
        stop(f"nothing was filed: mend the {what}, or leave them out with --leave-out-bad-rows", 1)
    if preview:
        return
    digits = spoken.generate(int(generate_key)) if generate_key else _digits(key)
    head: dict[str, Any] = {
        "firm": firm,
        "installer": installer,
        "filed": millis(datetime.now(UTC)),
        "by": getpass.getuser(),
    }
    head |= {"address": site_address, "contact": site_contact, "expects": expects}
    try:
        filed = folder_of.file(requests, head, account, digits)
    except BookError as error:
        stop("nothing was filed; in the request as it would stand:\n" + "\n".join(error.mistakes), 1)
    except OSError as error:
        stop(f"--requests {requests}: {error.strerror}")
    reference = filed.head.reference
    OUT.print(f"filed as {reference} in {filed.path}; to change it, edit that file", markup=False, soft_wrap=True)
    if digits:
        OUT.print("its key, shown this once (again only with `farend book key`, which is logged):")
        _show_key(digits)
    OUT.print(
        f"next: let the panel report, find it with `farend book callers`, then "
        f"`farend book identify {reference} --caller NUMBER --device any`",
        markup=False,
        soft_wrap=True,
    )


def _listed(file: Path, first: str) -> zone_list.Listed:
    try:
        found = zone_list.read(list_text(file), shipped_kinds().spoken, first)
    except zone_list.ListError as error:
        stop(f"{file} {error}")
    if any(entry.account for entry in found.entries):
        stop(f"{file}: the list has account numbers; a request gets its number later: leave that column out")
    return found


def _path(text: str) -> dict[str, Any]:
    """A path from `name=…,line=…`: the fields of the account book."""
    found: dict[str, Any] = {}
    for part in text.split(","):
        name, equals, value = (piece.strip() for piece in part.partition("="))
        if not equals or not value or name not in books.AccountPath.model_fields:
            known = ", ".join(books.AccountPath.model_fields)
            stop(f"--path {text!r}: {part.strip()!r} is no field=value of {known}; such as name=wired,line=tcp")
        number = value.isdecimal() and name in ("port", "poll_seconds", "tolerance_seconds", "test_hours")
        found[name] = int(value) if number else value
    if "name" not in found:
        stop(f"--path {text!r} has no name; such as name=wired,line=tcp")
    return found


def _preview(account: dict[str, Any], bad: list[zone_list.BadRow]) -> None:
    rows: list[tuple[str, ...]] = [("", "number", "name", "device", "area")]
    for kind in ("area", "zone", "user"):
        for one in account[kind]:
            device = one.get("device") or ("not recognised" if kind == "zone" else "")
            rows.append((kind, one["number"], one["name"], device, one.get("area") or ""))
    for one in account["path"]:
        told = ", ".join(f"{key} {value}" for key, value in one.items() if key != "name")
        rows.append(("path", "", one["name"], told, ""))
    for line in _columns(rows):
        OUT.print(line, markup=False, soft_wrap=True)
    for row in bad:
        OUT.print(f"✗ {row}", markup=False, soft_wrap=True)


def _columns(rows: list[tuple[str, ...]]) -> list[str]:
    """Rows as lines with their columns under each other: as wide as they need to be, for pipes too."""
    told = [tuple(map(legible, row)) for row in rows]
    widths = [max(map(cell_len, column)) for column in zip(*told, strict=True)]
    lines = []
    for row in told:
        padded = [cell + " " * (width - cell_len(cell)) for cell, width in zip(row, widths, strict=True)]
        lines.append("  ".join(padded).rstrip())
    return lines


def _digits(key: str | None) -> str | None:
    """The hex digits of a key from the command line, once they are known to be a key."""
    if key is None or key_from(key) is None:
        return None
    where = f"file:{key[1:]}" if key.startswith("@") else key if key.startswith("env:") else f"hex:{key}"
    return spoken.compact(books.key_digits(where))


def _show_key(digits: str) -> None:
    for line in spoken.lines(digits):
        OUT.print(f"    {line}", style="bold", markup=False)
    OUT.print(f"    check word: {spoken.check_word(digits)}", markup=False)


def list_requests(
    every: Annotated[bool, typer.Option("--all", help="Those that have become accounts too.")] = False,
    requests: Folder = REQUESTS,
    as_json: Json = False,
) -> None:
    """List the requests that wait. One with mistakes in its file is named, and makes exit code 1.

    Example: farend book requests
    """
    found, broken = _all(requests)
    rows: list[tuple[str, ...]] = [("request", "site", "firm", "installer", "filed", "zones", "key", "state")]
    for one in found:
        if one.state == "assigned" and not every:
            continue
        if as_json:
            print_json(
                one.head.model_dump()
                | {"site": one.account.name, "zones": len(one.account.zone), "users": len(one.account.user)}
                | {"paths": [path.name for path in one.account.path]}
                | {"key": repr(one.account.key) if one.account.key else None, "state": one.state}
                | {"caller": one.caller and one.caller.model_dump()}
                | {"assigned": one.assigned and one.assigned.model_dump()}
            )
            continue
        key = repr(one.account.key).strip("<>") if one.account.key else "in clear"
        row = (one.head.reference, one.account.name, one.head.firm, one.head.installer, one.head.filed[:10])
        rows.append((*row, str(len(one.account.zone)), key, _state(one)))
    if not as_json:
        for line in _columns(rows) if len(rows) > 1 else ["no request waits"]:
            OUT.print(line, markup=False, soft_wrap=True)
    if broken:
        stop("\n".join(broken), 1)


def _state(one: Request) -> str:
    if one.assigned:
        return f"assigned {one.assigned.number}"
    return f"tied to {one.caller.number} from {one.caller.host}" if one.caller else "waiting"


def _all(folder: Path) -> tuple[list[Request], list[str]]:
    """Every request that can be read, and what is wrong with the others."""
    found, broken = [], []
    for reference in folder_of.references(folder):
        try:
            found.append(folder_of.load(folder, reference))
        except BookError as error:
            broken += error.mistakes
        except RequestError as error:
            broken.append(str(error))
    return found, broken


def _load(folder: Path, reference: str) -> Request:
    try:
        return folder_of.load(folder, reference)
    except BookError as error:
        stop("the request cannot be used:\n" + "\n".join(error.mistakes))
    except RequestError as error:
        stop(str(error))


# The key, again


def key(
    whose: Annotated[str, typer.Argument(metavar="R-001|N", help="The request, or the account.")],
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why it is shown; it goes into the journal.")],
    book: Annotated[Path | None, typer.Option(metavar="FILE", help="The account book, for an account.")] = None,
    receiver: Annotated[
        str | None, typer.Option(metavar="HEX", help="Which of several accounts of that number.")
    ] = None,
    prefix: Annotated[str | None, typer.Option(metavar="HEX", help="Which of several accounts of that number.")] = None,
    journal: Where = JOURNAL,
    requests: Folder = REQUESTS,
) -> None:
    """Show a key again, in groups for reading aloud. Who, when and why goes into the journal first. Not once it is signed.

    Example: farend book key R-001 --reason "the installer lost the sheet" --journal station.journal
    """
    if not reason.strip():
        stop("--reason is empty: say why the key is to be shown")
    account: Account | None
    try:
        if folder_of.REFERENCE.fullmatch(whose):
            one = _load(requests, whose)
            digits, account = one.key_digits(), _account_of(one)
            named: dict[str, Any] = {"request": whose}
        else:
            account, digits = _of_book(whose, book, receiver, prefix)
            named = {}
    except ValueError as error:
        stop(str(error))
    if digits is None:
        stop(f"{whose} has no key: it sends in clear", 1)
    if account:
        named |= {"account": account.number, "account_mark": account.mark}
        if _event(journal, "proving", act="sign", account_mark=account.mark):
            stop(
                f"account {account.mark} is signed: its key is not shown any more. Give the panel a new one instead", 1
            )
    note(journal, "key-shown", f"{whose}: {reason}", reason=reason, by=getpass.getuser(), **named)
    _show_key(digits)


def _account_of(one: Request) -> Account | None:
    """The account that a request has become."""
    if one.assigned is None:
        return None
    narrow = {"receiver": one.assigned.receiver, "prefix": one.assigned.prefix, "number": one.assigned.number}
    return Account.model_validate({"name": one.account.name} | narrow)


def _of_book(number: str, book: Path | None, receiver: str | None, prefix: str | None) -> tuple[Account, str | None]:
    """An account of the book, and its key's digits, read anew from where the book says they stand."""
    if book is None:
        stop("for an account's key say --book FILE; for a request's key its reference, such as R-001")
    found = book_from(book)
    accounts = found.numbered(number, receiver, prefix)
    if len(accounts) != 1:
        what = f"no account {number}" if not accounts else f"several accounts {number}: say --receiver or --prefix"
        stop(f"the book has {what}", 1)
    written = tomllib.loads(book.read_text("utf-8"))["account"][found.accounts.index(accounts[0])]
    return accounts[0], books.key_digits(written["key"], book.parent) if "key" in written else None


# Callers


def callers(
    journal: Where = JOURNAL,
    book: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The account book, to find near numbers in.")
    ] = None,
    requests: Folder = REQUESTS,
    as_json: Json = False,
) -> None:
    """List the callers that have no account: often an account whose number was mistyped, or a request's panel.

    Example: farend book callers --journal station.journal --book station.toml
    """
    accounts = book_from(book)
    known, broken = _all(requests)
    for mistake in broken:
        TALK.print(mistake, markup=False, soft_wrap=True)
    waiting = [one for one in known if one.state != "assigned"]
    with _open(journal) as store:
        found = calls.gather(
            (orjson.loads(row.text) for row in store.rows() if row.verdict in calls.VERDICTS), accounts
        )
    rows: list[tuple[str, ...]] = [("number", "line", "network", "first seen", "last seen", "frames", "encrypted")]
    below: list[list[str]] = [[]]
    for one in found:
        perhaps = list(_perhaps(one, accounts, waiting))
        said = [words.of_signal(signal) for signal in one.said]
        sealed = "yes" if one.encrypted == one.count - one.refused else "partly" if one.encrypted else "no"
        if as_json:
            shown = one.mark._asdict() | {"receiver": one.receiver, "prefix": one.prefix}
            shown |= {"first": one.first, "last": one.last, "count": one.count, "polls": one.polls}
            shown |= {
                "refused": one.refused,
                "encrypted": sealed,
                "said": said,
                "signals": one.said,
                "perhaps": perhaps,
            }
            print_json(shown)
            continue
        frames = str(one.count) + (f", {one.refused} refused" if one.refused else "")
        rows.append((one.mark.number, one.mark.line, one.mark.host, one.first[:19], one.last[:19], frames, sealed))
        polls = [f"{one.polls} poll{'s' * (one.polls > 1)}"] if one.polls else []
        sealed_too = ["sealed: its key opens it"] if one.encrypted and not said else []
        below.append([*said, *polls, *sealed_too, *(f"perhaps {who}" for who in perhaps)])
    if not as_json:
        for line, more in zip(_columns(rows), below, strict=True) if found else [("no caller without an account", [])]:
            OUT.print("\n    ".join([line, *more]), markup=False, soft_wrap=True)


def _perhaps(one: calls.Caller, accounts: Book, waiting: list[Request]) -> Iterator[str]:
    for account in accounts.accounts:
        if how := calls.near(one.mark.number, account.number):
            how = "the same digits, another R or L" if how == "the same digits" else how
            yield f"account {account.mark} {legible(account.name)}: {how}"
    for request in waiting:
        if request.head.expects and (how := calls.near(one.mark.number, request.head.expects)):
            yield f"request {request.head.reference} {legible(request.account.name)}, told {request.head.expects}: {how}"


class _open:
    """The journal for reading, closed at the end; what it cannot do ends the command with the reason."""

    def __init__(self, path: Path) -> None:
        try:
            self.store = Store(path)
        except JournalError as error:
            stop(str(error))

    def __enter__(self) -> Store:
        return self.store

    def __exit__(self, kind: Any, error: Any, trace: Any) -> None:
        self.store.close()
        if isinstance(error, JournalError):
            stop(str(error))


def _event(journal: Path, event: str, **fields: Any) -> dict[str, Any] | None:
    """The newest of the journal's own rows that says this."""
    with _open(journal) as store:
        for one in store.events(event):
            if all(one.get(name) == value for name, value in fields.items()):
                return one
    return None


# Which caller it is


def identify(
    reference: Reference,
    caller: Annotated[str, typer.Option(metavar="NUMBER", help="The number that it sends, as `callers` shows it.")],
    device: Annotated[str, typer.Option(metavar="ZONE|any", help='Which device is tripped: "zone 015", or any.')],
    host: Annotated[str | None, typer.Option("--from", metavar="HOST", help="Only from this network address.")] = None,
    within: Annotated[float, typer.Option(min=0.5, max=600, help="Seconds that the installer has.")] = 60.0,
    journal: Where = JOURNAL,
    requests: Folder = REQUESTS,
) -> None:
    """Tie a caller to a request: the installer trips one device now, and only the caller that reports it is the one.

    After the right report ten seconds more are watched: a second caller that trips the same zone undoes it.

    Example: farend book identify R-001 --caller 4417 --device "zone 015" --journal station.journal
    """
    one = _load(requests, reference)
    if one.assigned:
        stop(f"{reference} has become account {one.assigned.number} already", 1)
    zone = _device(one, device)
    named = f"zone {zone.number} {legible(zone.name)}"
    heard: list[calls.Heard] = []
    taken: list[str] = []  # what accounts of the book reported meanwhile
    copies = _Copies()
    if _trip(zone).before:
        TALK.print(f"before that: {_trip(zone).before}", markup=False, soft_wrap=True)
    with _open(journal) as store:
        if not store.written_by_another():
            TALK.print(f"no bench writes {journal} now: nothing can come in", style="bold", markup=False)
        TALK.print(
            f"say: “Please {_trip(zone).do.format(name=legible(zone.name))}, now.” ({named}, {within:g} s)",
            markup=False,
            soft_wrap=True,
        )
        wait = _Wait(within)
        for row in _new_rows(store, wait, caller):
            came = list(calls.listen([row], zone.number, one.account.key, copies.of(store, row)))
            for frame in came:
                told = (
                    frame.why_not
                    or f"{named} tripped; watching for {WATCH_SECONDS:g} s more whether another caller trips it too"
                )
                if not frame.why_not:
                    wait.shorten(WATCH_SECONDS)
                TALK.print(f"{frame.at[11:19]}  {frame.mark}: {told}", markup=False, soft_wrap=True)
            heard += came
            taken += filter(None, [calls.of_book(row, zone.number)])
        verdict = calls.judge(heard, caller, host, zone.number)
        trip = verdict.tied
        if trip is None:
            _refuse(reference, within, verdict.why + taken)
        hash = store.hashes([trip.row])[trip.row]
    tied = Tied(**trip.mark._asdict(), device=named, row=trip.row, hash=hash, at=trip.at)
    what: dict[str, Any] = {"request": reference, "caller": tied.number, "line": tied.line, "host": tied.host}
    what |= {"zone": zone.number, "trip_row": trip.row, "trip_hash": hash, "by": getpass.getuser()}
    note(journal, "identified", f"{reference} is {trip.mark}: it tripped {named} in row {trip.row}", **what)
    _noted(one, "caller", tied)
    OUT.print(
        f"{reference} is {trip.mark}: it tripped {named} when asked to (row {trip.row})", markup=False, soft_wrap=True
    )
    if one.account.key and not trip.frame.encrypted:
        TALK.print("it sends in clear, and the request has a key: once assigned it is refused until it encrypts")
    for other in _all(requests)[0]:
        known = other.caller and not other.assigned and other.head.reference != reference
        if known and other.caller and (bare(other.caller.number), other.caller.host) == (bare(tied.number), tied.host):
            TALK.print(f"the same caller is tied to {other.head.reference} too: one of the two is wrong", style="bold")
    OUT.print(f"next: `farend book assign {reference} --number N --book station.toml`", markup=False)


def _trip(zone: Zone) -> Report:
    """How a device is tripped: what the plan would ask for first of its kind that gives a signal."""
    kinds = shipped_kinds()
    reports = kinds.kind[kinds.named(zone.device)].reports.values()
    return next((report for report in reports if report.proof != "said"), next(iter(reports)))


def _reports_at_once(zone: Zone) -> bool:
    kinds = shipped_kinds()
    alarm = kinds.kind[kinds.named(zone.device)].reports.get("alarm")
    return alarm is not None and alarm.proof == "signal" and alarm.delay_seconds <= AT_ONCE_SECONDS


def _device(one: Request, wanted: str) -> Zone:
    if not one.account.zone:
        stop(f"{one.head.reference} has no zone to trip: add its zones to {one.path}", 1)
    if wanted.strip().lower() == "any":
        at_once = [zone for zone in one.account.zone if _reports_at_once(zone)]
        return secrets.choice(at_once or list(one.account.zone))
    number = wanted.lower().replace("zone", " ").strip()
    for zone in one.account.zone:
        if number and bare(zone.number) == bare(number):
            return zone
    known = ", ".join(zone.number for zone in one.account.zone)
    return stop(f"{one.head.reference} has no device {wanted!r}; its zones are {known} (or say any)")


class _Wait:
    """Seconds to wait, which may turn out to be fewer."""

    def __init__(self, within: float) -> None:
        self.began, self.within = time.monotonic(), within

    @property
    def passed(self) -> float:
        return time.monotonic() - self.began

    def shorten(self, more: float) -> None:
        """Wait for so long from now at most."""
        self.within = min(self.within, self.passed + more)


def _new_rows(store: Store, wait: _Wait, caller: str) -> Iterator[dict[str, Any]]:
    """Rows that come from now on until the time is over, with a countdown on a terminal."""
    after = max((row.number for row in store.rows(after=max(store.number - 1, 0), events=True)), default=0)
    columns = (TextColumn("waiting for {task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=TALK, transient=True, disable=not TALK.is_terminal) as progress:
        task = progress.add_task(legible(caller), total=wait.within)
        while True:
            passed = wait.passed  # before the look: what came in the last moment counts
            for row in store.rows(after=after):
                after = row.number
                yield orjson.loads(row.text)
            progress.update(task, completed=min(passed, wait.within), total=wait.within)
            if passed >= wait.within:
                return
            time.sleep(min(LOOK_SECONDS, wait.within - passed))


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


def _refuse(reference: str, within: float, why: list[str]) -> NoReturn:
    stop(f"nothing was tied to {reference}. Within {within:g} s:\n" + "\n".join(f"  {one}" for one in why), 1)


def _noted(one: Request, name: str, table: Tied | Assigned) -> Request:
    try:
        return folder_of.note(one, name, table)
    except BookError as error:
        stop("the request has been changed meanwhile, and cannot be used:\n" + "\n".join(error.mistakes))
    except OSError as error:
        stop(f"{one.path} cannot be written: {error.strerror}")


# The number


def assign(
    reference: Reference,
    number: Annotated[str, typer.Option(metavar="N", help="The account number, 3 to 16 hex digits.")],
    book: Annotated[Path, typer.Option(metavar="FILE", help="The account book that it goes into.")],
    receiver: Annotated[str | None, typer.Option(metavar="HEX", help="Only with this receiver R.")] = None,
    prefix: Annotated[str | None, typer.Option(metavar="HEX", help="Only with this account prefix L.")] = None,
    journal: Where = JOURNAL,
    requests: Folder = REQUESTS,
) -> None:
    """Make a request whose caller is identified an account of the book; a running bench takes it on without a restart.

    Broken off between two steps, it is completed by running it again.

    Example: farend book assign R-001 --number 4471 --book station.toml --journal station.journal
    """
    one = _load(requests, reference)
    book = book.resolve()
    if one.caller is None:
        stop(
            f"{reference} is tied to no caller, so nobody knows whose signals that number would take: "
            f"`farend book identify {reference} --caller NUMBER --device any` first",
            1,
        )
    _check_tie(one, one.caller, journal)
    narrow = {"receiver": receiver, "prefix": prefix}
    narrow = {name: value or getattr(one.account, name) for name, value in narrow.items()}
    try:
        due = Assigned(number=number, **narrow, book=str(book), at=millis(datetime.now(UTC)))
        account = Account.model_validate({"name": one.account.name, "number": number, **narrow})
    except ValueError:
        stop(f"--number {number!r} has 3 to 16 hex digits, --receiver and --prefix 1 to 16")
    before = one.assigned
    if before and before.model_dump(exclude={"at"}) != due.model_dump(exclude={"at"}):
        stop(f"{reference} has become account {before.number} in {before.book} already ({before.at[:16]})", 1)
    found = next((known for known in book_from(book).numbered(number) if known.mark == account.mark), None)
    if found and (before is None or found.name != one.account.name):
        stop(f"the book has account {account.mark} already: {found.name}. Give another number", 1)
    if found is None:
        _into_book(one, due, account, book)
    _read_again(journal)
    if not _event(journal, "assigned", request=reference, account_mark=account.mark):
        what = {"request": reference, "account": account.number, "account_mark": account.mark}
        what |= {"caller": one.caller.number, "by": getpass.getuser()}
        note(journal, "assigned", f"{reference} is account {number}: {one.account.name}", **what)
    OUT.print(f"{reference} is account {number} in {book.name}: {one.account.name}", markup=False, soft_wrap=True)
    if digits := one.key_digits():
        OUT.print(
            f"its key's check word is {spoken.check_word(digits)}: the installer's must be the same", markup=False
        )
    if bare(one.caller.number) != bare(number):
        OUT.print(f"its panel sends {one.caller.number}: have the installer program {number}", markup=False)
    OUT.print(f"next: tell the installer the number, then `farend prove plan {number}`", markup=False)


def _check_tie(one: Request, caller: Tied, journal: Path) -> None:
    """The file is for people to edit; that a caller tripped the device stands in the journal."""
    with _open(journal) as store:
        kept = store.hashes([caller.row]).get(caller.row)
    said = _event(journal, "identified", request=one.head.reference, trip_row=caller.row, trip_hash=caller.hash)
    if kept != caller.hash or said is None:
        stop(
            f"the journal {journal} knows of no trip that ties {one.head.reference} to {caller.number}: identify it", 1
        )


def _into_book(one: Request, due: Assigned, account: Account, book: Path) -> None:
    """Note the number in the request, then write the account into the book: in that order, so that running it again after
    either knows that the number is this request's.
    """
    digits, where = one.key_digits(), one.table.get("key", "")
    key = None
    try:
        if digits and where.startswith("file:"):
            kept = book.parent / "keys" / f"{'-'.join([*account.mark.split()[:-1], account.number])}.key"
            folder_of.keep_key(spoken.compact(digits), kept)
            key = f"file:keys/{kept.name}"
        block = folder_of.account_text(one, due, key).encode()
        _appended(book, block)
        if one.assigned is None:
            _noted(one, "assigned", due)
        with folder_of.locked(book.parent):
            folder_of.write_whole(book, _appended(book, block), book.stat().st_mode & 0o777)
    except BookError as error:
        stop("the book would have mistakes, and stays as it was:\n" + "\n".join(error.mistakes), 1)
    except RequestError as error:
        stop(str(error), 1)
    except OSError as error:
        stop(f"{error.filename}: {error.strerror}; run it again once that is mended")


def _read_again(journal: Path) -> None:
    """Have a running bench read its book again, and wait until it says that it has."""
    with _open(journal) as store:
        before, runs = store.number, store.written_by_another()
    leave(journal, {"wish": "book-changed"})
    deadline = time.monotonic() + WAIT_SECONDS
    while runs and (_event(journal, "book") or {"row": 0})["row"] <= before:
        if time.monotonic() > deadline:
            TALK.print("the running bench has not read its book again: see what it says, and whether it has a --book")
            return
        time.sleep(LOOK_SECONDS)


def _appended(book: Path, block: bytes) -> bytes:
    """The book with the account at its end. BookError where that would be no book."""
    before = book.read_bytes()
    whole = before + b"\n" * (not before.endswith(b"\n") and before != b"") + b"\n" + block
    books.parse(whole.decode(), str(book), book.parent)
    return whole
