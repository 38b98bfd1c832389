"""`farend capture import`: recorded streams of any shape into one capture."""

from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import Annotated

import typer

from receiver import capture as captures
from receiver.capture import Cutter, Happening, Opened
from receiver.shapes import STDIN, How, joined
from tools.common import OUT, check_outputs, followed, receiver_from, recording, stop, time_from, write_capture


def import_(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE…", help="Recordings of any shape, packed by gzip or not; - is stdin.")
    ],
    capture: Annotated[Path, typer.Option(metavar="OUT", help="Where the capture goes.")],
    receiver: Annotated[
        str | None, typer.Option(metavar="[HOST:]PORT", help="Among packets: where the receiver listened.")
    ] = None,
    began: Annotated[
        str | None,
        typer.Option(
            metavar="ISO", help="When it began, where its times say no day or there are none (UTC unless it says)."
        ),
    ] = None,
    note: Annotated[
        str | None, typer.Option(metavar="TEXT", help="What this is, for the capture's first line.")
    ] = None,
) -> None:
    """Bring recorded streams into a capture: packets, hex dumps, logs of frames, files of frames, captures.

    Several files become one in the order of time. Exit code 1 when a part could not be read; the rest is taken.

    Example: farend capture import monday.log --capture monday.capture
    """
    check_outputs({"--capture": capture})
    if any(path != STDIN and path.exists() and capture.exists() and path.samefile(capture) for path in files):
        stop(f"--capture {capture} is one of the recordings that are read")
    if files.count(STDIN) > 1:
        stop("stdin, -, can be read only once")
    beginning = time_from(began, "--began")
    if beginning and not 1900 < beginning.year < 9000:
        stop(f"--began {began!r} is no time at which a recording began")
    how = How(beginning, receiver_from(receiver))
    whole = joined([recording(path, how) for path in files])
    taken = _Taken(whole)
    happenings = taken.counted(followed(whole, "importing"))
    first = next(happenings, None)
    if first is None:
        stop(f"nothing was taken, so {capture} is not written: no frame is in {', '.join(map(str, files))}", 1)
    if note is None:
        note = f"imported from {', '.join('stdin' if path == STDIN else path.name for path in files)}: {whole.note}"
    if not whole.timed:
        note += "; its times are supposed, so that stamps cannot be judged by them"
    lines = map(captures.written, chain((first,), happenings))
    write_capture(capture, chain((captures.header(beginning or first.at, note),), lines))
    OUT.print(f"{capture}: {taken}", markup=False, soft_wrap=True)
    raise typer.Exit(1 if whole.unread else 0)


class _Taken:
    """What was taken, counted as it passes."""

    def __init__(self, whole: Opened) -> None:
        self._whole = whole
        self._names: set[str] = set()
        self._frames = self._size = self._lost = 0
        self._first: datetime | None = None
        self._last: datetime | None = None

    def counted(self, happenings: Iterable[Happening]) -> Iterator[Happening]:
        cutter = Cutter()
        for one in happenings:
            self._first, self._last = self._first or one.at, one.at
            self._names.add(one.connection)
            self._size += len(one.data)
            self._lost += one.size
            self._frames += sum(cut.piece.kind == "frame" for cut in cutter.take(one))
            yield one
        self._frames += sum(cut.piece.kind == "frame" for cut in cutter.end())

    def __str__(self) -> str:
        assert self._first
        assert self._last
        parts = [_count(len(self._names), "connection"), _count(self._frames, "frame"), _count(self._size, "byte")]
        if self._lost:
            parts.append(f"{_count(self._lost, 'byte')} missing")
        times = f"{captures.when(self._first)} to {captures.when(self._last)}"
        return f"{', '.join(parts)}, {times}{'' if self._whole.timed else ', which is supposed'}"


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"
