"""`farend capture scrub`: make a recording fit to keep, or look at what one still tells."""

import tempfile
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import orjson
import typer
from rich.table import Table

from protocols.seal import Key
from protocols.values import Frame
from receiver import book as books
from receiver import capture
from receiver.book import Account, Book, BookError
from receiver.capture import Happening
from receiver.desk import Policy
from receiver.rehearing import Judging, rehear
from receiver.requests import write_whole
from receiver.scrub import Scrubber, held_alike, walk
from receiver.shapes import STDIN
from receiver.substitutes import ScrubError, Substitutes
from receiver.telltale import DO, Telltales, look
from tools.common import (
    OUT,
    TALK,
    book_from,
    check_outputs,
    followed,
    key_from,
    print_json,
    recording,
    stop,
    write_outputs,
)

NOTE = "made fit to keep with farend capture scrub: no number, name, address or key in it is real"
KEPT = "codes, areas, zones, users, sequences, stamps, times, ports and answers are as they were"


class _OneKey(Book):
    """No accounts, and one key that opens everything."""

    def __init__(self, key: Key) -> None:
        super().__init__()
        self._key = key

    def key_for(self, frame: Frame) -> Key | None:
        return self._key


def scrub(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The recording, of any shape that farend reads.")],
    out: Annotated[Path | None, typer.Option("--capture", metavar="FILE", help="Where the new recording goes.")] = None,
    book: Annotated[Path | None, typer.Option(metavar="FILE", help="The account book that it was made with.")] = None,
    book_out: Annotated[Path | None, typer.Option(metavar="FILE", help="Where the book that fits it goes.")] = None,
    key: Annotated[
        str | None, typer.Option(metavar="HEX|@FILE|env:NAME", help="The key of all sealed frames, without a book.")
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option("--map", metavar="FILE", help="A secret table, kept so that more recordings are replaced alike."),
    ] = None,
    report: Annotated[Path | None, typer.Option(metavar="FILE", help="What was replaced, as JSON.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="What was replaced, or found, as JSON on stdout.")] = False,
    check: Annotated[
        bool, typer.Option("--check", help="Change nothing; say what would still identify someone.")
    ] = False,
    seed: Annotated[str | None, typer.Option(hidden=True, help="For fixtures: no secret, the same each time.")] = None,
) -> None:
    """Replace account numbers, names, texts, addresses, places, links and keys, and keep every length, verdict and fault.

    What is the same stays the same; what differs stays different. Sealed frames are opened, and sealed again with new keys.
    The new recording is judged beside the old one before it is kept. With --check, exit code 1 when anything is found.

    Example: farend capture scrub monday.capture --book station.toml --capture kept.capture --book-out kept.toml
    """
    if key and book:
        stop("say one of --book and --key: a book has the keys of its accounts")
    secret = key_from(key)
    accounts = _OneKey(secret) if secret else book_from(book)
    if check:
        if out or book_out or report:
            stop("--check writes nothing: leave out --capture, --book-out and --report")
        _check(file, Judging(accounts), _table(table, None, needed=True) if table else None, as_json)
    if out is None:
        stop("say where the new recording goes: --capture FILE (or --check, to look alone)")
    if (book or key) and book_out is None:
        stop("say where the new book goes: --book-out FILE; without it nobody opens or names the new recording")
    if book_out and not (book or key):
        stop("--book-out without --book or --key: there is nothing to write into a book")
    inputs = {one.resolve(): option for one, option in ((file, "FILE"), (book, "--book")) if one}
    for path, option in ((out, "--capture"), (book_out, "--book-out"), (report, "--report"), (table, "--map")):
        if path and path.resolve() in inputs:
            stop(f"{option} {path} is {inputs[path.resolve()]} itself, which stays as it is")
    check_outputs({"--capture": out, "--book-out": book_out, "--report": report, "--map": table})
    substitutes = _table(table, seed, needed=False)
    try:
        told = _scrub(file, accounts, substitutes, out, book_out)
    except ScrubError as error:
        stop(str(error), 1)
    except OSError as error:
        stop(f"{error.filename or out} cannot be written: {error.strerror}")
    if table:
        try:
            write_whole(table, substitutes.to_json().encode())  # its owner's alone
        except OSError as error:
            stop(f"--map {table} cannot be written: {error.strerror}")
        TALK.print(
            f"{table} says which old value each new one stands for: keep it secret", markup=False, soft_wrap=True
        )
    write_outputs([(report, lambda: orjson.dumps(told, option=orjson.OPT_INDENT_2).decode() + "\n")])
    if as_json:
        print_json(told)
    else:
        _show(told)


def _table(path: Path | None, seed: str | None, *, needed: bool) -> Substitutes:
    if path is None or not (path.exists() or needed):
        return Substitutes(seed.encode() if seed else None)
    try:
        return Substitutes.from_json(path.read_text("utf-8"))
    except ScrubError as error:
        stop(f"--map {path}: {error}")
    except (OSError, UnicodeDecodeError) as error:
        stop(f"--map {path} cannot be read: {getattr(error, 'strerror', None) or 'it is no text'}")


def _scrub(file: Path, accounts: Book, substitutes: Substitutes, out: Path, book_out: Path | None) -> dict[str, Any]:
    """Take in, replace, hold the new beside the old, and only then put it into its place."""
    if file == STDIN:
        stop("a recording is read several times, and stdin can be once: `farend capture import -` keeps it first")

    def heard(doing: str) -> Iterator[Happening]:
        return followed(recording(file), doing, say=doing == "taking in")  # once is enough

    taking = Scrubber(substitutes, accounts)
    taking.book(accounts.accounts)
    for _ in walk(heard("taking in"), Judging(accounts), taking):
        pass
    fresh = [
        Account(number=number, name="sealed with the one key", key=key)
        for number, key in {n.upper().lstrip("0"): (n, k) for n, k in taking.sealed.items() if _in_a_book(n)}.values()
    ] if isinstance(accounts, _OneKey) else []  # fmt: skip
    taking.book(fresh)
    substitutes.settle()
    scrubber = Scrubber(substitutes, accounts)
    text = scrubber.book(accounts.accounts or fresh)
    new = _OneKey(scrubber.new_key(accounts.key_for(Frame(b"", 0)))) if isinstance(accounts, _OneKey) else None  # type: ignore[arg-type]
    try:
        written = books.parse(text, str(book_out or "the new book"), out.parent)
    except BookError as error:
        raise ScrubError("the new book would be none:\n" + "\n".join(error.mistakes)) from None
    with tempfile.TemporaryDirectory(prefix=".scrub-", dir=out.resolve().parent) as folder:
        beside = Path(folder) / "new.capture"
        _write(beside, walk(heard("replacing"), Judging(accounts), scrubber))
        count = 0
        for policy in (Policy(), Policy("ack")):
            old = rehear(heard("judging the old"), Judging(accounts, policy))
            count = held_alike(old, rehear(capture.opened(beside).happenings, Judging(new or written, policy)))
        if book_out:
            write_whole(book_out.resolve(), text.encode(), 0o644)
        beside.chmod(0o644)
        beside.replace(out.resolve())
    return {"frames": count, **substitutes.report(), "kept": KEPT}


def _in_a_book(number: str) -> bool:
    try:
        Account(number=number, name="")
    except ValueError:
        return False
    return True


def _write(path: Path, happenings: Iterable[Happening]) -> None:
    began: datetime | None = None
    with path.open("wb") as file:
        for one in happenings:
            if began is None:
                began = one.at
                file.write(capture.header(began, NOTE))
            file.write(capture.written(one))
        if began is None:
            file.write(capture.header(datetime(1970, 1, 1, tzinfo=UTC), NOTE))


def _check(file: Path, judging: Judging, known: Substitutes | None, as_json: bool) -> None:
    opened = recording(file)
    found = look(followed(opened, "looking"), judging, known)
    if opened.note and opened.note != NOTE:
        found.add("note", 0)
    if found.shut and not (judging.book.accounts or isinstance(judging.book, _OneKey)):
        found.add("sealed", 0)
    if as_json:
        for kind, frames in found.found.items():
            print_json({"found": kind, "frames": frames, "do": DO[kind]})
    else:
        _tell(found)
    if found.shut:
        TALK.print(f"{found.shut} sealed frames do not open and were not looked into (--book or --key opens them)")
    if known is None:
        TALK.print("without --map an old account number cannot be told from an invented one")
    raise typer.Exit(1 if found.found else 0)


def _tell(found: Telltales) -> None:
    if not found.found:
        OUT.print("nothing was found that would identify someone")
    for kind, frames in found.found.items():
        numbers = [str(number) for number in frames if number]
        where = ["a peer, a connection's name, or the book"] if 0 in frames else []
        if numbers:
            more = f" and {len(numbers) - 5} more" if len(numbers) > 5 else ""
            where.append(f"frame {', '.join(numbers[:5])}{more}")
        OUT.print(f"✗ {kind}: {'; '.join(where)}: {DO[kind]}", markup=False, soft_wrap=True)


def _show(told: dict[str, Any]) -> None:
    table = Table("replaced", "times", box=None, padding=(0, 2, 0, 0), header_style="italic")
    for kind, count in told["replaced"].items():
        table.add_row(kind, str(count))
    OUT.print(table)
    distinct = ", ".join(f"{count} {kind}" for kind, count in told["distinct"].items())
    OUT.print(f"distinct values: {distinct or 'none'}", soft_wrap=True)
    OUT.print(f"{told['frames']} frames are judged as they were; {told['kept']}", soft_wrap=True)
