"""`farend book`: look after the account book, and put accounts on test. `farend clock`: confirm the clock."""

import getpass
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from protocols.dc09 import ACCOUNT, bare
from receiver import book as books
from receiver import conduct, keys_at_rest, sealing, zone_list
from receiver.book import BookError
from receiver.zone_list import COLUMNS, ListError
from tools.common import (
    JOURNAL,
    OUT,
    TALK,
    book_from,
    conducted,
    leave,
    length_of,
    print_json,
    say_on_test,
    stop,
    take_master,
)
from tools.lazily import lazily

REQUESTS = {
    word: f"tools.request:{name}"
    for word, name in (
        ("request", "request"), ("requests", "list_requests"), ("key", "key"), ("callers", "callers"),
        ("identify", "identify"), ("assign", "assign"),
    )
}  # fmt: skip
app = typer.Typer(
    cls=lazily(REQUESTS),
    no_args_is_help=True,
    help="Look after the account book.\n\nExample: farend book check station.toml",
)
clock = typer.Typer(
    no_args_is_help=True, help="The bench's clock.\n\nExample: farend clock confirm --journal station.journal"
)

File = Annotated[Path, typer.Argument(metavar="FILE", help="The account book.")]
Book = Annotated[
    Path | None, typer.Option("--book", metavar="FILE", help="The account book, to check the number against.")
]
Where = Annotated[Path, typer.Option("--journal", metavar="PATH", help="The journal of the bench that is to know.")]
Receiver = Annotated[
    str | None, typer.Option(metavar="HEX", help="Which of several accounts of that number: its receiver.")
]
Prefix = Annotated[
    str | None, typer.Option(metavar="HEX", help="Which of several accounts of that number: its prefix.")
]
Areas = Annotated[
    list[str] | None, typer.Option("--area", metavar="N", help="Only this area is on test; may be repeated.")
]
Live = Annotated[
    list[str] | None, typer.Option("--live", metavar="CATEGORY", help="A category that stays live, such as fire.")
]
ConfirmedBy = Annotated[
    str | None, typer.Option(metavar="WHO", help="Who at the station confirmed that the account is on test.")
]
Master = Annotated[
    str, typer.Option("--master", metavar="WHERE", help="The master key: file:PATH, env:NAME or credential:NAME.")
]
Json = Annotated[bool, typer.Option("--json", help="One JSON object a line on stdout.")]


@app.command()
def check(file: File, as_json: Json = False) -> None:
    """Check a book: every mistake with the line it stands on. Exit code 1 when there is one.

    Example: farend book check station.toml
    """
    try:
        found = books.load(file)
    except OSError as error:
        stop(f"the account book {file} cannot be read: {error.strerror}")
    except BookError as error:
        for mistake in error.mistakes:
            if as_json:
                print_json({"mistake": mistake})
            else:
                OUT.print(mistake, markup=False, soft_wrap=True)
        raise typer.Exit(1) from None
    if not as_json:
        keyed = sum(account.key is not None for account in found.accounts)
        OUT.print(f"{file}: no mistake; accounts: {len(found.accounts)}, with a key: {keyed}")


@app.command()
def show(
    file: File,
    account: Annotated[str | None, typer.Option("--account", metavar="N", help="Only this account.")] = None,
    as_json: Json = False,
) -> None:
    """Show the accounts with their areas, zones, users and paths. A key is never shown, only that there is one.

    Example: farend book show station.toml --account 4471
    """
    found = book_from(file)
    chosen = found.numbered(account) if account else found.accounts
    if not chosen:
        stop(f"the book has no account {account}" if account else "the book has no account", 1)
    for one in chosen:
        if as_json:
            state = {slot: repr(key) if (key := getattr(one, slot)) else None for slot in books.SECRETS}
            print_json(one.model_dump(mode="json", exclude=set(books.SECRETS)) | state)
            continue
        marks = [f"receiver {one.receiver}" if one.receiver else "", f"prefix {one.prefix}" if one.prefix else ""]
        marks += [repr(one.key).strip("<>") if one.key else "in clear"]
        marks += [f"its old key opens until {one.old_key_until}" if one.old_key else ""]
        marks += ["shows a certificate" if one.certificate else "", "over TLS alone" if one.only_tls else ""]
        marks += [f"a poll every {one.poll_seconds} s" if one.poll_seconds else ""]
        marks += ["answers only on test" if one.answer == "on-test" else "", one.time_zone or ""]
        OUT.print(f"{one.number}  {one.name}  ({', '.join(filter(None, marks))})", style="bold", markup=False)
        table = Table(box=None, padding=(0, 2, 0, 2), show_header=False)
        for area in one.area:
            table.add_row("area", area.number, area.name, "")
        for zone in one.zone:
            table.add_row(
                "zone",
                zone.number,
                zone.name,
                ", ".join(filter(None, (zone.device, f"area {zone.area}" * bool(zone.area)))),
            )
        for user in one.user:
            table.add_row("user", user.number, user.name, "")
        for path in one.path:
            told = [f"{key} {value}" for key, value in path.model_dump(exclude={"name"}).items() if value is not None]
            table.add_row("path", "", path.name, ", ".join(told))
        OUT.print(table)


@app.command("import")
def import_list(
    file: Annotated[
        Path, typer.Argument(metavar="CSV", help=f"A list with a header of {', '.join(COLUMNS)} (any of them).")
    ],
    account: Annotated[
        str | None, typer.Option("--account", metavar="N", help="For lists without the column account.")
    ] = None,
    name: Annotated[
        str | None, typer.Option("--name", help="The account's name, for lists without account_name.")
    ] = None,
) -> None:
    """Turn a zone list (CSV) into account-book TOML on stdout. Bad rows are named, and then nothing is written.

    Example: farend book import zones.csv --account 4471 --name "Tern Point field station" >> station.toml
    """
    try:
        listed = zone_list.read_table(list_text(file))
    except ListError as error:
        stop(f"{file} {error}")
    mistakes = list(map(str, listed.bad))
    accounts: dict[str, list[zone_list.Entry]] = {}
    for entry in listed.entries:
        whose = entry.account or account or ""
        if not ACCOUNT.fullmatch(whose):
            mistakes.append(f"line {entry.line}: account {whose!r} is not 3 to 16 hex digits (or give --account)")
        accounts.setdefault(whose, []).append(entry)
    names = {
        whose: next((entry.account_name for entry in entries if entry.account_name), name)
        for whose, entries in accounts.items()
    }
    mistakes += [f"account {whose} has no name: add account_name or --name" for whose in accounts if not names[whose]]
    if mistakes:
        stop(f"{file}: nothing was written; to mend:\n" + "\n".join(mistakes), 1)
    for whose, entries in accounts.items():
        table = {"number": whose, "name": names[whose], **zone_list.tables(entries)}
        typer.echo(books.to_toml("account", table))


@app.command()
def seal(file: File, master: Master) -> None:
    """Seal every key that stands in the book in clear (hex:…) under a master key: a copy of the book is no use without it.

    Keys from env: and file: stay where they are. Backups and copies of the book made before still hold the keys in clear.

    Example: openssl rand -hex 32 > master.key; farend book seal station.toml --master file:master.key
    """
    with _sealing(file):
        found = sealing.seal(file, given := keys_at_rest.master(take_master(master)))
    left = f"; {found.left} from env: or file: stay where they are" if found.left else ""
    OUT.print(f"{file}: keys sealed under master {given.id}: {found.changed}{left}", markup=False)


@app.command()
def reseal(
    file: File,
    master: Master,
    new_master: Annotated[str, typer.Option(metavar="WHERE", help="The master key from now on.")],
) -> None:
    """Seal every sealed key anew under another master key. Keep the old master as long as backups need it.

    Example: farend book reseal station.toml --master file:master.key --new-master file:next.key
    """
    with _sealing(file):
        old, new = keys_at_rest.master(take_master(master)), keys_at_rest.master(new_master)
        found = sealing.reseal(file, old, new, new_master)
    OUT.print(f"{file}: keys sealed anew, {old.id} before, {new.id} now: {found.changed}", markup=False)


@contextmanager
def _sealing(file: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        stop(f"the account book {file}: {error.strerror}; nothing was changed")
    except ValueError as error:
        stop(f"{error}\nnothing was changed")


def list_text(file: Path) -> str:
    """The text of a list: UTF-8, or what an older spreadsheet writes. `-` is stdin."""
    try:
        data = sys.stdin.buffer.read() if str(file) == "-" else file.read_bytes()
    except OSError as error:
        stop(f"{file} cannot be read: {error.strerror}")
    text, certain = zone_list.decoded(data)
    if not certain:
        TALK.print(f"{file} is not UTF-8; read as Latin-1, so look at the names", markup=False)
    return text


@app.command("on-test")
def on_test(
    account: Annotated[str, typer.Argument(metavar="N", help="The account.")],
    lasts: Annotated[str, typer.Option("--for", metavar="TIME", help="For how long: 45m, 2h, 1h30m.")],
    reference: Annotated[
        str, typer.Option("--reference", metavar="TEXT", help="The station's own reference for the test.")
    ],
    area: Areas = None,
    live: Live = None,
    confirmed_by: ConfirmedBy = None,
    journal: Where = JOURNAL,
    book: Book = None,
    receiver: Receiver = None,
    prefix: Prefix = None,
) -> None:
    """Put an account on test, for a time: it ends by itself. Tell the station first. Said again, it is prolonged.

    Where only some areas are on test, or a category stays live, an account with answer = "on-test" hears nothing from the
    bench for the rest, and turns to its live receiver.

    Example: farend book on-test 4471 --for 2h --reference "T-118" --confirmed-by "the desk, M." --live fire
    """
    if book and not book_from(book).numbered(account):
        stop(f"the book has no account {account}")
    with conducted():
        test = conduct.put_on_test(journal, account, length_of(lasts, "--for"), reference, areas=area, live=live,
                                   confirmed_by=confirmed_by, receiver=receiver, prefix=prefix)  # fmt: skip
    say_on_test(journal, account, test, reference)


@app.command("off-test")
def off_test(
    account: Annotated[str, typer.Argument(metavar="N", help="The account.")],
    journal: Where = JOURNAL,
    receiver: Receiver = None,
    prefix: Prefix = None,
) -> None:
    """End an account's test before its time.

    Example: farend book off-test 4471 --journal station.journal
    """
    leave(journal, {"wish": "off-test", "account": bare(account), "receiver": receiver, "prefix": prefix})
    say_off_test(account)


def say_off_test(account: str) -> None:
    OUT.print(f"account {account} is not on test now; confirm that with the station", markup=False)


@clock.command()
def confirm(journal: Where = JOURNAL) -> None:
    """Say that the bench's clock has been looked at and is right, after it stepped: NAKs carry its time again.

    Example: farend clock confirm --journal station.journal
    """
    OUT.print(f"this machine says {datetime.now(UTC):%H:%M:%S} UTC, {datetime.now(UTC):%d %B %Y}")
    leave(journal, {"wish": "clock-confirmed", "by": getpass.getuser()})
    OUT.print("confirmed")
