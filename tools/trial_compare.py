"""`farend trial compare`: what got better and what worse from one trial to another."""

from pathlib import Path
from typing import Annotated

import typer

from receiver.trial import report
from receiver.trial.report import ReportError, Told, read
from tools.common import OUT, print_json, stop
from tools.trial_words import show_comparison


def compare(
    old: Annotated[Path, typer.Argument(metavar="OLD", help="The earlier report: HTML, or the lines of --json.")],
    new: Annotated[Path, typer.Argument(metavar="NEW", help="The later one.")],
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object on stdout.")] = False,
) -> None:
    """Compare two trials of the same kind: what got better, what worse.

    Exit code: 0 nothing got worse · 1 something did, or NEW was ended early · 2 a report cannot be read, or they are of
    different things. A case that only one of them tried is told, and is neither.

    Example: farend trial compare before.html after.html
    """
    before, after = _read(old), _read(new)
    try:
        found = report.compare(before, after)
    except ReportError as error:
        stop(f"{old} and {new}: {error}")
    if as_json:
        print_json({"before": before.head, "after": after.head} | found.to_json())
    else:
        show_comparison(OUT, before, after, found)
    raise typer.Exit(1 if found.worse or not after.head["complete"] else 0)


def _read(file: Path) -> Told:
    try:
        return read(file)
    except OSError as error:
        stop(f"{file} cannot be read: {error.strerror}")
    except ReportError as error:
        stop(f"{file}: {error}")
