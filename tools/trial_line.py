"""`farend trial line`: what a decoder or a line card still reads on a bad telephone line."""

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import MofNCompleteColumn, Progress, TimeRemainingColumn
from rich.table import Table

from receiver.journal import JournalError
from receiver.trial import line as matrix
from receiver.trial.line import Decoder, LineTrialError, Tally
from tools.common import CAUTION, OUT, TALK, check_outputs, print_json, stop, write_bytes

OURS = "farend"


def line(
    decoder: Annotated[
        list[str] | None,
        typer.Option(metavar='NAME="COMMAND {wav}"', help="A decoder that prints keys; may be repeated."),
    ] = None,
    play: Annotated[
        str | None, typer.Option(metavar='"COMMAND {wav}"', help="What plays a file to a line card, and ends with it.")
    ] = None,
    journal: Annotated[
        Path | None, typer.Option(metavar="PATH", help="The journal of the bench that the card's receiver reports to.")
    ] = None,
    account: Annotated[
        str, typer.Option(metavar="N", help="The account, four digits, in whose name calls go to a line card.")
    ] = "4471",
    wait: Annotated[
        float, typer.Option(metavar="SECONDS", min=0, max=300, help="For a line card's report after a call.")
    ] = 5.0,
    only: Annotated[bool, typer.Option("--only", help="Do not listen to the same files as farend too.")] = False,
    sweep: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="Only this flaw; may be repeated. Without, all of them.")
    ] = None,
    calls: Annotated[int, typer.Option(metavar="N", min=1, max=100_000, help="Calls at each point.")] = 100,
    seed: Annotated[int, typer.Option(min=0, help="The same seed makes the same calls.")] = 1,
    jobs: Annotated[int, typer.Option(min=1, max=64, help="Calls at once; a line card takes one at a time.")] = 2,
    keep: Annotated[Path | None, typer.Option(metavar="FOLDER", help="Keep the files there.")] = None,
    picture: Annotated[Path | None, typer.Option(metavar="FILE", help="Draw the matrix: FILE.svg or FILE.png.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a point and decoder on stdout.")] = False,
) -> None:
    """Try a decoder of telephone calls: one flaw at a time, from none to far too much.

    Without a decoder it is farend itself that is tried. Exit code 1 when any call was misread, one that must be read was
    not, or one was read that must not be.

    Example: farend trial line --decoder other="mydecoder {wav}" --calls 100 --picture matrix.svg
    """
    if picture and picture.suffix not in (".svg", ".png"):
        stop(f"--picture {picture}: its name ends with .svg or .png")
    check_outputs({"--picture": picture})
    if keep and not keep.is_dir():
        stop(f"--keep {keep}: there is no such folder")
    if bool(play) != bool(journal):
        stop("a line card is tried with --play and --journal together")
    if play and len(account) != 4:
        stop(f"--account {account}: a telephone call carries an account of four digits (DC-05)")
    tallies: list[Tally] = []
    try:
        points = matrix.points(sweep or ())
        decoders = _decoders(decoder or (), play, journal, account, wait, alone=only)
        TALK.print(CAUTION, style="italic", soft_wrap=True)
        with _folder(keep) as folder, _bar(len(points) * calls) as done:
            tallies = matrix.run(
                points, decoders, folder, each=calls, seed=seed, account=account if play else None,
                jobs=1 if play else jobs, keep=keep is not None, done=done,
            )  # fmt: skip
    except KeyboardInterrupt:
        stop("stopped before the end: nothing is told of a part", 130)
    except (LineTrialError, JournalError) as error:
        stop(str(error))
    except OSError as error:
        stop(f"a call cannot be written: {error.strerror}")
    if as_json:
        for tally in tallies:
            print_json(tally.to_json())
    else:
        _show(tallies, list(decoders))
    if picture:
        from receiver.trial.line_picture import draw

        write_bytes(picture, draw("svg" if picture.suffix == ".svg" else "png", tallies, seed))
        TALK.print(f"picture: {picture}", markup=False, soft_wrap=True)
    tried = [name for name in decoders if name != OURS] or [OURS]
    raise typer.Exit(1 if any(tally.failed for tally in tallies if tally.decoder in tried) else 0)


def _decoders(
    named: list[str] | tuple[()], play: str | None, journal: Path | None, account: str, wait: float, *, alone: bool
) -> dict[str, Decoder]:
    found: dict[str, Decoder] = {} if alone else {OURS: matrix.ours}
    for one in named:
        name, equals, command = one.partition("=")
        if not equals or not name or name in found:
            stop(f'--decoder {one!r} is not NAME="COMMAND {{wav}}", with a name of its own')
        found[name] = matrix.command(command)
    if play and journal:
        found["line card"] = matrix.line_card(play, journal, account, wait)
    if not found:
        stop("--only leaves nothing to try: say --decoder or --play")
    return found


@contextmanager
def _folder(keep: Path | None) -> Iterator[Path]:
    if keep:
        yield keep
    else:
        with tempfile.TemporaryDirectory(prefix="farend-") as folder:
            yield Path(folder)


@contextmanager
def _bar(total: int) -> Iterator[Callable[[], None]]:
    columns = (*Progress.get_default_columns()[:2], MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=TALK, transient=True, disable=not TALK.is_terminal) as progress:
        task = progress.add_task("calls", total=total)
        yield lambda: progress.advance(task)


def _show(tallies: list[Tally], decoders: list[str]) -> None:
    by_place = {(tally.point, tally.decoder): tally for tally in tallies}
    for sweep in matrix.SWEEPS:
        points = [point for point, name in by_place if point.sweep is sweep and name == decoders[0]]
        if not points:
            continue
        table = Table(box=None, padding=(0, 2, 0, 0), header_style="italic", title_justify="left", show_edge=False)
        table.title = f"{sweep.name}, {sweep.unit}: {sweep.source}"
        table.add_column(sweep.unit, justify="right")
        table.add_column("read?")
        for name in decoders:
            table.add_column(f"{name}: read %, 95 % of it", justify="right")
            table.add_column("misread", justify="right")
        for point in points:
            cells = []
            for name in decoders:
                tally = by_place[point, name]
                low, high = tally.interval()
                share = 100 * tally.read / max(tally.calls, 1)
                cells.append(f"{'✗ ' if tally.failed else ''}{share:.1f}  {100 * low:.1f}…{100 * high:.1f}")
                cells.append(f"✗ {tally.misread}" if tally.misread else "0")
            table.add_row(f"{point.value:g}", point.asks, *cells)
        OUT.print(table)
        OUT.print()
    for name in decoders:
        if name == OURS or OURS not in decoders:
            continue
        worse = matrix.behind(tallies, OURS, name)
        where = ", ".join(f"{one.point.sweep.name} {one.point.value:g} {one.point.sweep.unit}" for one, _ in worse)
        OUT.print(
            f"farend reads no fewer calls than {name} at every point that may be read" if not worse
            else f"farend reads fewer calls than {name} at: {where}", markup=False,
        )  # fmt: skip
