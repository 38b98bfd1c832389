"""`farend book request`, `requests`, `key`, `callers`, `identify`, `assign`: from an installer's request to an account."""

import getpass
import os
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Annotated, Any, Literal

import typer
from rich.cells import cell_len
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from protocols.values import legible
from receiver import book as books
from receiver import identification, intake, spoken
from receiver import requests as folder_of
from receiver.book import BookError
from receiver.callers import Mark
from receiver.identification import Identification
from receiver.intake import Draft, FieldError, RefusedError, UntiedError
from receiver.journal import JournalError, Store, opened, public
from receiver.requests import Request
from receiver.wishes import NotTakenError
from tools.book import Where, list_text
from tools.common import JOURNAL, OUT, TALK, book_from, key_from, note, print_json, stop

REQUESTS = Path(os.environ.get("FAREND_REQUESTS", "farend.requests"))

Folder = Annotated[Path, typer.Option("--requests", metavar="DIR", help="The folder where requests wait.")]
Reference = Annotated[str, typer.Argument(metavar="R-001", help="The request.")]
Json = Annotated[bool, typer.Option("--json", help="One JSON object a line on stdout.")]
Bits = Literal["128", "192", "256"]
_reports_at_once = identification.reports_at_once


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
    head = {"firm": firm, "installer": installer, "by": getpass.getuser()}
    head |= {"address": site_address, "contact": site_contact, "expects": expects}
    lists = {field: file for field, file in (("zones", zones), ("users", users)) if file}
    with _reasons(name="NAME", **{field: str(file) for field, file in lists.items()}):
        texts = {field: list_text(file) for field, file in lists.items()}
        draft = intake.preview(head, name, texts, list(map(_path, path or ())), poll_seconds)
    _show(draft)
    try:
        draft.check(leave_out_bad_rows)
    except RefusedError as error:
        stop(f"{error} with --leave-out-bad-rows", 1)
    if preview:
        return
    digits = spoken.generate(int(generate_key)) if generate_key else _digits(key)
    with _reasons():
        try:
            filed = intake.file(requests, draft, digits)
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


def _show(draft: Draft) -> None:
    for line in _columns([("", "number", "name", "device", "area"), *draft.rows()]):
        OUT.print(line, markup=False, soft_wrap=True)
    for row in draft.bad:
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
    found, broken = folder_of.everything(requests)
    rows: list[tuple[str, ...]] = [("request", "site", "firm", "installer", "filed", "zones", "key", "state")]
    for one in found:
        if one.state == "assigned" and not every:
            continue
        if as_json:
            print_json(one.as_json())
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


def _load(folder: Path, reference: str) -> Request:
    with _reasons():
        return folder_of.load(folder, reference)


@contextmanager
def _reasons(**called: str) -> Iterator[None]:
    """End the command with the reason where it cannot go on. `called` is how the person called a field, if not `--field`."""
    try:
        yield
    except FieldError as error:
        stop(f"{called.get(error.field, f'--{error.field}')} {error}")
    except BookError as error:
        stop("the request cannot be used:\n" + "\n".join(error.mistakes))
    except (JournalError, ValueError) as error:
        stop(str(error), 1 if isinstance(error, RefusedError | NotTakenError) else 2)


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
    with _reasons():
        if folder_of.REFERENCE.fullmatch(whose):
            keyed = intake.key_of_request(_load(requests, whose))
        elif book is None:
            stop("for an account's key say --book FILE; for a request's key its reference, such as R-001")
        else:
            keyed = intake.key_of_account(book, book_from(book), whose, receiver, prefix)
        _show_key(intake.show_key(keyed, journal, reason, getpass.getuser()))


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
    known, broken = folder_of.everything(requests)
    for mistake in broken:
        TALK.print(mistake, markup=False, soft_wrap=True)
    with _open(journal) as store:
        found = intake.callers(store, accounts, known)
    rows: list[tuple[str, ...]] = [("number", "line", "network", "first seen", "last seen", "frames", "encrypted")]
    below: list[list[str]] = [[]]
    for calling in found:
        if as_json:
            print_json(calling.as_json())
            continue
        one = calling.caller
        frames = str(one.count) + (f", {one.refused} refused" if one.refused else "")
        when = one.first[:19], one.last[:19]
        rows.append((one.mark.number, one.mark.line, one.mark.host, *when, frames, calling.sealed))
        polls = [f"{one.polls} poll{'s' * (one.polls > 1)}"] if one.polls else []
        sealed_too = ["sealed: its key opens it"] if one.encrypted and not calling.said else []
        below.append([*calling.said, *polls, *sealed_too, *(f"perhaps {who}" for who in calling.perhaps)])
    if not as_json:
        for line, more in zip(_columns(rows), below, strict=True) if found else [("no caller without an account", [])]:
            OUT.print("\n    ".join([line, *more]), markup=False, soft_wrap=True)


@contextmanager
def _open(journal: Path) -> Iterator[Store]:
    """The journal for reading, closed at the end."""
    with _reasons(), closing(opened(journal)) as store:
        yield store


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
    with _open(journal) as store:
        zone = identification.device(one, device)
        trying = Identification(one, store, caller, host, zone, within)
        if trying.before:
            TALK.print(f"before that: {trying.before}", markup=False, soft_wrap=True)
        if trying.unwatched:
            TALK.print(f"no bench writes {public(journal)} now: nothing can come in", style="bold", markup=False)
        TALK.print(f"say: “{trying.sentence}” ({trying.named}, {within:g} s)", markup=False, soft_wrap=True)
        for told in _new_rows(store, trying, caller):
            TALK.print(told, markup=False, soft_wrap=True)
        tied, to_know = trying.conclude(store, requests, getpass.getuser())
    mark = Mark(tied.number, tied.line, tied.host)
    OUT.print(
        f"{reference} is {mark}: it tripped {tied.device} when asked to (row {tied.row})", markup=False, soft_wrap=True
    )
    for told in to_know:
        TALK.print(told, style="bold", markup=False)
    OUT.print(f"next: `farend book assign {reference} --number N --book station.toml`", markup=False)


def _new_rows(store: Store, trying: Identification, caller: str) -> Iterator[str]:
    """What the rows say that come until the time is over, with a countdown on a terminal."""
    columns = (TextColumn("waiting for {task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=TALK, transient=True, disable=not TALK.is_terminal) as progress:
        task = progress.add_task(legible(caller), total=trying.within)
        for news in trying.watch(store):
            yield from news
            progress.update(task, completed=min(trying.passed, trying.within), total=trying.within)


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
    narrow = {"receiver": receiver, "prefix": prefix}
    by = getpass.getuser()
    with _reasons():
        try:
            done = intake.assign(one, journal, book, book_from(book), number, narrow)
        except UntiedError as error:
            stop(f"{error}: `farend book identify {reference} --caller NUMBER --device any` first", 1)
        _read_again(journal)
        if row := done.unsaid(journal, by):
            note(journal, **row)
    OUT.print(f"{reference} is account {number} in {book.name}: {one.account.name}", markup=False, soft_wrap=True)
    for told in done.to_tell():
        OUT.print(told, markup=False)
    OUT.print(f"next: tell the installer the number, then `farend prove plan {number}`", markup=False)


def _read_again(journal: Path) -> None:
    """Have a running bench read its book again, and say it where that does not happen."""
    if told := intake.read_again(journal):
        TALK.print(told, markup=False)
