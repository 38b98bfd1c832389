"""`farend capture show`: what is in a recorded stream, in tables or as a picture."""

from pathlib import Path
from typing import Annotated, Literal

import typer
from rich.table import Table
from rich.text import Text

from protocols.dc09 import ACCOUNT
from receiver import sight_picture, sight_words
from receiver.sight import Sight, Wanted, look
from tools.common import (
    OUT,
    book_from,
    check_outputs,
    followed,
    judging_from,
    print_json,
    recording,
    stop,
    time_from,
    write_outputs,
)


def show(
    capture: Annotated[Path, typer.Argument(metavar="CAPTURE", help="The recorded stream, in any shape.")],
    book: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The account book: names, keys, paths, promised polls.")
    ] = None,
    account: Annotated[list[str] | None, typer.Option(metavar="N", help="Only this account; may be repeated.")] = None,
    since: Annotated[
        str | None, typer.Option(metavar="ISO", help="Only from this time on (UTC unless it says).")
    ] = None,
    until: Annotated[str | None, typer.Option(metavar="ISO", help="Only before this time.")] = None,
    unknown: Annotated[
        Literal["duh", "ack", "silent"], typer.Option(help="As for listen: what the desk would answer strangers.")
    ] = "duh",
    on_test: Annotated[
        list[str] | None, typer.Option(metavar="N", help="This account was on test all along; may be repeated.")
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw it: FILE.svg, or FILE.html with the tables below.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object on stdout.")] = False,
) -> None:
    """Show what is in a recorded stream: accounts, rates, gaps, repeats, answers and delays, polls, clocks, problems.

    It shows and does not judge: exit code 0, or 2 where it cannot be read.

    Example: farend capture show monday.capture --book fixtures/station.toml --picture monday.html
    """
    for number in account or ():
        if not ACCOUNT.fullmatch(number):
            stop(f"--account {number!r} is no account number: 3 to 16 hex digits")
    if picture and picture.suffix not in (".svg", ".html"):
        stop(f"--picture {picture}: its name must end in .svg or .html, which says what is drawn")
    wanted = Wanted(account or (), time_from(since, "--since"), time_from(until, "--until"))
    check_outputs({"--picture": picture})
    judging = judging_from(book_from(book), unknown, on_test or ())
    opened = recording(capture)
    drawing = sight_picture.Drawing()
    sight = look(followed(opened, "reading"), judging, wanted, drawing.take)
    if as_json:
        print_json({"note": opened.note} | sight.to_json())
    else:
        _tell(opened.note, sight)
    title = opened.note or capture.name
    draw = sight_picture.page if picture and picture.suffix == ".html" else sight_picture.picture
    write_outputs([(picture, lambda: draw(title, sight, drawing))])


def _tell(note: str, sight: Sight) -> None:
    if note:
        OUT.print(note, style="italic", markup=False)
    OUT.print(sight_words.sentence(sight), markup=False)
    for remark in sight_words.remarks(sight):
        OUT.print(remark, markup=False)
    for sheet in sight_words.sheets(sight):
        table = Table(box=None, padding=(0, 2, 0, 0), header_style="italic")
        for place, head in enumerate(sheet.heads):
            table.add_column(head, justify="left" if place < sheet.text else "right", overflow="fold")
        for row in sheet.rows:
            table.add_row(*map(Text, row))  # what came over a wire is no markup
        OUT.print(f"\n{sheet.title}", style="bold")
        OUT.print(table)
        if sheet.note:
            OUT.print(sheet.note, style="dim", markup=False)
