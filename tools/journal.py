"""`farend journal`: look into the journal."""

import csv
import getpass
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

import orjson
import typer
from rich.progress import Progress

from protocols.dc09 import bare
from receiver import backup as backups
from receiver import retention
from receiver.desk import millis, reread
from receiver.hand_on import PlaceError, places
from receiver.journal import JournalError, Row, Store, begins, opened
from receiver.overview import heard
from receiver.supervision import span
from tools import decode as explainer
from tools import words
from tools.common import JOURNAL, OUT, TALK, book_from, conducted, key_from, print_json, stop, time_from

Found = TypeVar("Found")

app = typer.Typer(
    no_args_is_help=True,
    help="Look into the journal: every frame that came, and its verdict.\n\nExample: farend journal list --account 4471",
)

Where = Annotated[str, typer.Option("--journal", metavar="PATH_OR_URL", help="The journal.")]
Account = Annotated[str | None, typer.Option("--account", metavar="N", help="Only this account.")]
Since = Annotated[
    str | None, typer.Option("--since", metavar="ISO", help="Only from this time on (UTC unless it says).")
]
Until = Annotated[str | None, typer.Option("--until", metavar="ISO", help="Only before this time.")]
Verdict = Annotated[str | None, typer.Option("--verdict", metavar="WORD", help="Only this verdict.")]
Events = Annotated[bool, typer.Option("--events", help="The bench's own rows too: start, stop, on test, clock …")]
Json = Annotated[bool, typer.Option("--json", help="One JSON object a line on stdout.")]
COLUMNS = (
    *("row", "at", "line", "path", "peer", "account", "account_name", "verdict", "reply", "sequence", "sequence_note"),
    *(
        "refused_alarm",
        "code_set",
        "code",
        "qualifier",
        "meaning",
        "category",
        "area",
        "zone",
        "user",
        "text",
        "problems",
    ),
    "raw",
)


@app.command("list")
def list_rows(
    journal: Where = str(JOURNAL),
    account: Account = None,
    since: Since = None,
    until: Until = None,
    verdict: Verdict = None,
    events: Events = False,
    as_json: Json = False,
) -> None:
    """List rows in order of arrival.

    Example: farend journal list --journal station.journal --account 4471 --since 2026-11-25T08:00
    """
    for row in _rows(journal, account, since, until, verdict, events):
        if as_json:
            sys.stdout.buffer.write(row.text + b"\n")
        else:
            entry = orjson.loads(row.text)
            words.show(OUT, entry, f"{row.number:>7} {row.at[:10]} ")
    sys.stdout.flush()


@app.command()
def show(
    number: Annotated[int, typer.Argument(metavar="ROW", help="The number of the row.")],
    journal: Where = str(JOURNAL),
    book: Annotated[Path | None, typer.Option(metavar="FILE", help="The account book, for names and keys.")] = None,
    key: Annotated[str | None, typer.Option(metavar="HEX|@FILE|env:NAME", help="The AES key that opens it.")] = None,
    as_json: Json = False,
) -> None:
    """Show one row whole, its frame over a byte ruler.

    Example: farend journal show 12 --journal station.journal
    """
    store = _open(journal)
    row = _asked(lambda: store.row(number))
    if row is None:
        stop(f"the journal has no row {number}", 1)
    if as_json:
        print_json(row.text)
        return
    entry = orjson.loads(row.text)
    words.show(OUT, entry, f"{row.number:>7} {row.at[:10]} ")
    if "raw" not in entry:
        return
    accounts = book_from(book)
    frame = reread(entry, key_from(key) or accounts.keys_for)
    if frame.has("no-key") and not any(problem["rule"] == "no-key" for problem in entry["problems"]):
        # It opened when it came; only here is there no key.
        frame.problems = [problem for problem in frame.problems if problem.rule != "no-key"]
        frame.notes.append("sealed; it opened when it came. --book or --key shows what is inside, byte by byte")
    explainer.show(frame, number, accounts)


@app.command()
def export(
    journal: Where = str(JOURNAL),
    account: Account = None,
    since: Since = None,
    until: Until = None,
    verdict: Verdict = None,
    events: Events = False,
    form: Annotated[
        Literal["jsonl", "csv"], typer.Option("--as", help="JSON Lines, or CSV with a line a signal.")
    ] = "jsonl",
    as_json: Json = False,
) -> None:
    """Export rows to stdout as JSON Lines or CSV.

    Example: farend journal export --journal station.journal --as csv > november.csv
    """
    rows = _rows(journal, account, since, until, verdict, events)
    if form == "jsonl" or as_json:
        sys.stdout.buffer.writelines(row.text + b"\n" for row in rows)
    else:
        writer = csv.DictWriter(sys.stdout, COLUMNS, extrasaction="ignore")
        writer.writeheader()
        for row in rows:
            writer.writerows(_flat(orjson.loads(row.text)))
    sys.stdout.flush()


@app.command()
def verify(journal: Where = str(JOURNAL), as_json: Json = False) -> None:
    """Check the chain of hashes (no row was changed, removed or put in between) and the file. Exit code 1 when not whole.

    Example: farend journal verify --journal station.journal
    """
    store = _open(journal)
    mistakes: list[str] = []
    with _progress(store.number) as each:
        try:
            mistakes += backups.mistakes(store, each)
        except JournalError as error:
            mistakes.append(str(error))
    retired = begins(store.retired()) - 1
    if as_json:
        tails = store.tails()
        ends = {"last_hash": tails.get(""), "last_hashes": tails}
        print_json({"rows": store.number - retired, "retired": retired, **ends, "wrong": mistakes})
    else:
        for mistake in mistakes:
            OUT.print(f"✗ {mistake}", markup=False)
        before = f" ({retired} before them were retired)" if retired else ""
        found = "the chain is whole" if not mistakes else f"{len(mistakes)} breaks"
        OUT.print(f"{store.number - retired} rows{before}; {found}")
        for name, hash in store.tails().items():
            of = f" of bench {name}" if name else ""
            OUT.print(
                f"last hash{of} {hash} (note it elsewhere: it proves the rows up to here)", soft_wrap=True, markup=False
            )
    raise typer.Exit(1 if mistakes else 0)


@app.command()
def backup(
    copy: Annotated[Path, typer.Argument(metavar="FILE", help="Where the copy goes; nothing must be there.")],
    journal: Where = str(JOURNAL),
    as_json: Json = False,
) -> None:
    """Copy the journal into one file, while a bench writes it or not; the copy is checked whole before it has its name.

    Example: farend journal backup monday.backup --journal station.journal
    """
    _copied(copy, lambda each: backups.backup(journal, copy, each), as_json)


@app.command()
def restore(
    copy: Annotated[Path, typer.Argument(metavar="FILE", help="A copy that `farend journal backup` made.")],
    journal: Annotated[
        str, typer.Option("--journal", metavar="NEW", help="The journal to make; nothing must be there.")
    ],
    as_json: Json = False,
) -> None:
    """Make a new journal from a copy; both are checked whole. A row of it says that it was restored, and up to where.

    Example: farend journal restore monday.backup --journal station-again.journal
    """
    _copied(journal, lambda each: backups.restore(copy, journal, getpass.getuser(), each), as_json)


def _copied(where: Path | str, make: Callable[[Callable[[int], object]], backups.Copied], as_json: bool) -> None:
    try:
        with _progress(None) as each:
            found = make(each)
    except JournalError as error:
        stop(str(error))
    if as_json:
        print_json(found._asdict())
    else:
        before = f" ({found.retired} before them were retired)" if found.retired else ""
        OUT.print(f"{where}: {found.rows} rows{before}; the chain is whole", markup=False, soft_wrap=True)
        OUT.print(f"last row {found.last}, hash {found.last_hash}", markup=False, soft_wrap=True)


@contextmanager
def _progress(total: int | None) -> Iterator[Callable[[int], object]]:
    """What hears of every row that is checked, on a terminal."""
    with Progress(console=TALK, transient=True, disable=not TALK.is_terminal) as progress:
        task = progress.add_task("checking", total=total)
        yield lambda number: progress.update(task, completed=number) if number % 1000 == 0 else None


@app.command()
def retire(
    before: Annotated[str, typer.Option(metavar="ISO", help="Rows from before this time (UTC unless it says).")],
    journal: Where = str(JOURNAL),
    yes: Annotated[bool, typer.Option("--yes", help="Do it; without this it is only said.")] = False,
    as_json: Json = False,
) -> None:
    """Take old rows out of the journal, for good. What is left can still be verified.

    Says what would go; --yes does it. Nothing goes that something open still needs: then the exit code is 1.

    Example: farend journal retire --before 2025-01-01 --journal station.journal
    """
    store, moment = _open(journal), time_from(before, "--before")
    assert moment
    try:
        plan = retention.planned(store, moment, datetime.now(UTC), [place for place, _ in places(journal)])
    except ValueError as error:
        stop(f"--before {before}: {error}")
    except (JournalError, PlaceError) as error:
        stop(str(error))
    some, row = plan.upto >= plan.first, None
    if some and yes and not plan.held:
        with conducted():
            row = retention.retire(Path(journal), plan, getpass.getuser())
    if as_json:
        print_json(plan.to_json() | {"row": row})
    elif not some:
        OUT.print(f"no row from before {plan.before} is at the beginning of the journal: nothing to take out")
    else:
        _show(plan, row)
    raise typer.Exit(1 if plan.held else 0)


def _show(plan: retention.Retirement, row: int | None) -> None:
    OUT.print(f"rows {plan.first} to {plan.upto}, from before {plan.before}: {plan.upto - plan.first + 1} rows")
    if plan.pieces:
        OUT.print(f"dropped whole: {', '.join(plan.pieces)}", soft_wrap=True)
    if plan.signed:
        OUT.print(
            f"{plan.signed} provings that are over lie in them: what `farend prove check` says of their records it can say "
            "only while the rows are there", soft_wrap=True,
        )  # fmt: skip
    for row_, why in plan.held:
        OUT.print(f"✗ row {row_} must stay: {why}", markup=False, soft_wrap=True)
    if row is not None:
        OUT.print(f"they are out of the journal; row {row} says so")
    elif not plan.held:
        OUT.print(
            "they would be gone for good. `farend journal export --events` writes all that is there elsewhere; then say it "
            "again with --yes", soft_wrap=True,
        )  # fmt: skip


@app.command()
def paths(
    journal: Where = str(JOURNAL),
    book: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The account book: also lists paths never heard.")
    ] = None,
    as_json: Json = False,
) -> None:
    """List when each account was last acknowledged over each line and path, how many polls came, and what is overdue.

    Example: farend journal paths --journal station.journal --book station.toml
    """
    store = _open(journal)
    events = _guard(store.events("path-overdue", "path-back"))
    for one, due, overdue in heard(_asked(store.seen), events, book_from(book).accounts):
        if as_json:
            print_json(one._asdict() | {"overdue": list(overdue), "promises": [promise._asdict() for promise in due]})
        else:
            more = [f"{promise.kind} every {span(promise.interval)}" for promise in due]
            more += [f"{kind.upper()} OVERDUE" for kind in overdue]
            told = f"{one.account:<10} {one.line:<4} {one.path or '-':<12} last {one.at}  polls {one.polls}"
            OUT.print("  ".join([told, *more]), markup=False, soft_wrap=True)


def _open(journal: str) -> Store:
    try:
        return opened(journal)
    except JournalError as error:
        stop(str(error))


def _rows(
    journal: str, account: str | None, since: str | None, until: str | None, verdict: str | None, events: bool
) -> Iterator[Row]:
    yield from _guard(
        _open(journal).rows(
            account=bare(account) if account else None,
            since=_time(since, "--since"),
            until=_time(until, "--until"),
            verdict=verdict,
            events=events,
        )
    )


def _guard(rows: Iterator[Any]) -> Iterator[Any]:
    try:
        yield from rows
    except JournalError as error:
        stop(str(error))


def _asked(ask: Callable[[], Found]) -> Found:
    try:
        return ask()
    except JournalError as error:
        stop(str(error))


def _time(text: str | None, option: str) -> str | None:
    moment = time_from(text, option)
    return moment and millis(moment)


def _flat(entry: dict[str, Any]) -> list[dict[str, Any]]:
    problems = "; ".join(f"{one['rule']}: {one['detail']}" for one in entry.get("problems", ()))
    rows = [entry | signal | {"problems": problems} for signal in entry.get("signals") or [{}]]
    # A text from the wire must not become a formula in somebody's spreadsheet.
    return [
        {key: f"'{value}" if str(value)[:1] in ("=", "+", "-", "@") else value for key, value in row.items()}
        for row in rows
    ]
