"""`farend decode`: explain frames byte by byte."""

import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Annotated, BinaryIO, NamedTuple

import orjson
import typer
from rich.progress import Progress, TransferSpeedColumn
from rich.table import Table
from rich.text import Text

from protocols.dc09 import decode as decode_frame
from protocols.envelope import Piece, Reader, from_printable, printable
from protocols.explain import Part, explain
from protocols.values import Frame
from receiver import bulk, ruler, words
from receiver.book import Book
from receiver.capture import Cut, Cutter, Opened
from receiver.desk import millis
from receiver.shapes import STDIN, Shape, shape_of
from tools.common import OUT, TALK, book_from, followed, key_from, recording, stop

CHUNK = 1 << 20


class Where(NamedTuple):
    """Where a piece stood in a recording; nowhere, if it came from none."""

    at: datetime | None = None
    connection: str | None = None
    side: str | None = None


NOWHERE = Where()


def decode(
    files: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="FILE…",
            help="Recordings of any shape, - for one on stdin, or files of frames; without any, frames on stdin.",
        ),
    ] = None,
    as_hex: Annotated[bool, typer.Option("--hex", help="The input is hex digits, two a byte.")] = False,
    as_text: Annotated[
        bool,
        typer.Option(
            "--text", help="The input is lines in the notation of `raw`; LF and CR are added where they lack."
        ),
    ] = False,
    key: Annotated[str | None, typer.Option(metavar="HEX|@FILE|env:NAME", help="The AES key that opens them.")] = None,
    book: Annotated[Path | None, typer.Option(metavar="FILE", help="An account book, for names and keys.")] = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the call of a recording of sound: FILE.svg or FILE.png.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a line on stdout.")] = False,
    jobs: Annotated[
        int, typer.Option(min=0, metavar="N", help="Processors for --json of a large file of frames; 0: all there are.")
    ] = 0,
) -> None:
    r"""Explain frames: each field over a byte ruler, its clause, what it means, and where exactly it is wrong.

    A recording of sound is listened to: the messages of its call, and how good each tone was.

    Stamps are not compared with the present time. Exit code 1 when anything has a problem.

    Example: printf '\n7CBF0041"ADM-CID"0123R1L0#123456[#123456|1131 01 015]_12:34:56,11-25-2026\r' | farend decode
    """
    if as_hex and as_text:
        stop("say one of --hex and --text")
    secret, accounts = key_from(key), book_from(book)
    for path in files or ():
        if path != STDIN and (not path.exists() or path.is_dir()):
            stop(f"{path}: there is no such file" if not path.exists() else f"{path} is no file")
    sounds = [path for path in files or () if path != STDIN and path.is_file() and _is_sound(path)]
    if sounds and len(sounds) < len(files or ()):
        stop("give recordings of sound and of frames to one `farend decode` each")
    if sounds:
        from tools.tones_read import read

        read(sounds, book, picture, as_json)
    if picture:
        stop("--picture draws a recording of sound; `farend capture show --picture` draws one of frames")
    keys = secret or accounts.keys_for
    wrong, number = False, 0
    if as_json and not (as_hex or as_text or any(map(_is_recorded, files or ()))):
        wrong, number = _all(files or [None], bulk.Lines(accounts, keys), jobs or bulk.processors())
    else:
        for number, (piece, where) in enumerate(_pieces(files or [], as_hex, as_text), 1):
            frame = decode_frame(piece, keys)
            wrong = wrong or bool(frame.problems)
            if as_json:
                at = where.at and millis(where.at)
                found = bulk.frame_object(frame, accounts, at=at, connection=where.connection, side=where.side)
                sys.stdout.buffer.write(orjson.dumps(found) + b"\n")
            else:
                show(frame, number, accounts, where)
    if number == 0:
        TALK.print("nothing came: there was not a byte to decode")
    elif not as_json:
        OUT.print("* clause number from memory of the standard", style="dim")
    sys.stdout.flush()
    raise typer.Exit(1 if wrong else 0)


def _pieces(files: list[Path], as_hex: bool, as_text: bool) -> Iterator[tuple[Piece, Where]]:
    """Every piece, and where it stood. Frames as they are, and what is no recording, are read without more ado."""
    if as_hex or as_text or not files:
        yield from ((piece, NOWHERE) for piece in _plain(files or [None], as_hex, as_text))
        return
    for path in files:
        if _is_recorded(path):
            yield from _recorded(recording(path))
        else:
            yield from ((piece, NOWHERE) for piece in _plain([path], as_hex, as_text))


def _is_recorded(path: Path) -> bool:
    return path == STDIN or not path.is_file() or _shape(path) not in ("frames", None)


def _all(files: Sequence[Path | None], lines: bulk.Lines, jobs: int) -> tuple[bool, int]:
    """The JSON of all frames of these files; whether any has a problem, and how many there were."""
    wrong, number = False, 0
    with _progress(files) as read:
        for path in files:
            sys.stdout.flush()  # what waits here would leave every process that forks, too
            try:
                with path.open("rb") if path else sys.stdin.buffer as source:
                    for written, count, bad in bulk.on_all(lines, bulk.parts(source), jobs, read):
                        sys.stdout.buffer.write(written)
                        wrong, number = wrong or bad, number + count
            except OSError as error:
                stop(f"{path}: {error.strerror}")
    return wrong, number


def _is_sound(path: Path) -> bool:
    # What is called .wav and is none shall hear so from who reads sound.
    return path.suffix.lower() == ".wav" or _shape(path) == "sound"


def _shape(path: Path) -> Shape | None:
    try:
        return shape_of(path)
    except OSError as error:
        stop(f"{path}: {error.strerror}")


def _recorded(opened: Opened) -> Iterator[tuple[Piece, Where]]:
    cutter = Cutter()
    missing = 0

    def cuts() -> Iterator[Cut]:
        nonlocal missing
        for happening in followed(opened, "reading"):
            missing += happening.size
            yield from cutter.take(happening)
        yield from cutter.end()

    for cut in cuts():
        yield cut.piece, Where(cut.at if opened.timed else None, cut.connection, cut.side)
    if missing:
        TALK.print(f"farend: the recording lacks {missing} bytes of what passed")


def _plain(files: Sequence[Path | None], as_hex: bool, as_text: bool) -> Iterator[Piece]:
    with _progress(files) as read:
        for path in files:
            try:
                with path.open("rb") if path and path != STDIN else sys.stdin.buffer as source:
                    for chunk, piece in _read(source, str(path or "stdin"), as_hex, as_text):
                        read(chunk)
                        if piece:
                            yield piece
            except OSError as error:
                stop(f"{path}: {error.strerror}")


@contextmanager
def _progress(files: Sequence[Path | None]) -> Iterator[Callable[[int], None]]:
    """A bar for what takes long; gives what is to be told of each count of bytes that was read."""
    total = sum(path.stat().st_size for path in files if path)
    progress = Progress(*Progress.get_default_columns(), TransferSpeedColumn(), console=TALK, transient=True)
    shown = total > 50 * CHUNK and TALK.is_terminal
    with progress if shown else nullcontext():
        task = progress.add_task("reading", total=total)
        yield partial(progress.advance, task)


def _read(source: BinaryIO, name: str, as_hex: bool, as_text: bool) -> Iterator[tuple[int, Piece | None]]:
    if as_text:
        for number, line in enumerate(source, 1):
            for piece in _text_line(line, f"{name} line {number}"):
                yield len(line), piece
        return
    if as_hex:
        data = _unhex(source.read(), name)
        reader = Reader()
        yield from ((0, piece) for piece in reader.feed(data) + reader.close())
        return
    reader = Reader()
    while chunk := source.read(CHUNK):
        yield len(chunk), None
        yield from ((0, piece) for piece in reader.feed(chunk))
    yield from ((0, piece) for piece in reader.close())


def _text_line(line: bytes, place: str) -> Iterator[Piece]:
    text = line.strip(b"\r\n").decode("latin-1")
    if not text.strip():
        return
    try:
        data = from_printable(text)
    except ValueError as error:
        stop(f"{place}, {error}")
    data = data if data.startswith(b"\n") else b"\n" + data
    data = data if data.endswith(b"\r") else data + b"\r"
    reader = Reader()
    yield from reader.feed(data) + reader.close()


def _unhex(text: bytes, name: str) -> bytes:
    digits = re.sub(rb"0x|[\s:,]", b"", text)
    if bad := re.search(rb"[^0-9A-Fa-f]", digits):
        at = text.find(bad[0])
        stop(f"{name}: byte {at + 1} is {printable(bad[0])!r}, no hex digit (blanks, colons, commas, 0x may stand too)")
    if len(digits) % 2:
        stop(f"{name}: {len(digits)} hex digits are half a byte too many; each byte has two")
    return bytes.fromhex(digits.decode())


def show(frame: Frame, number: int, accounts: Book, where: Where = NOWHERE) -> None:
    """Print one frame for a person."""
    state = "clean" if not frame.problems else ", ".join(dict.fromkeys(problem.rule for problem in frame.problems))
    noise = frame.kind == "noise"
    title = ["noise" if noise else f"frame {number}", f"{frame.size} bytes", *([] if noise else [state])]
    if where.connection:
        title[1:1] = [*([f"{where.at:%H:%M:%S.%f}"[:-3]] if where.at else []), f"{where.connection} {where.side}"]
    OUT.rule(Text(" · ".join(title)), align="left")
    found = explain(frame)
    if found.parts:
        _ruler(frame.raw, found.parts)
    else:
        OUT.print(Text(printable(frame.raw[:256])), soft_wrap=True)
    if found.opened is not None:
        OUT.print(f"opened, after {frame.padding} bytes of padding:", style="italic")
        _ruler(found.opened.encode("latin-1"), found.opened_parts)
    account = accounts.find(frame.receiver, frame.prefix, frame.account)
    for signal in frame.signals:
        _sentence(signal.to_json() | (account.names_for(signal) if account else {}))
    for problem in frame.problems:
        OUT.print(Text.assemble((f"✗ {problem.rule}", "bold"), f"  {problem.detail}"))
    for note in frame.notes:
        OUT.print(f"· {note}", markup=False)
    OUT.print()


def _sentence(signal: dict[str, object]) -> None:
    OUT.print(Text(f"= {words.of_signal(signal)}", style="bold"))


def _ruler(raw: bytes, parts: list[Part]) -> None:
    """The bytes with their numbers above and a letter for each part below, then what each letter is."""
    for bar in ruler.bars(raw, parts, max(40, (OUT.width - 4) // 10 * 10)):
        for line, style in (
            (bar.numbers, "dim"), (bar.ruler, "dim"), (bar.bytes, ""), (bar.letters, "dim"), (bar.faults, "bold"),
        ):  # fmt: skip
            if line:
                OUT.print(Text(f"  {line}", style=style), soft_wrap=True)
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="italic", show_edge=False)
    for heading in ("", "bytes", "field", "sent", "what it means", "clause"):
        table.add_column(heading, overflow="fold", no_wrap=heading in ("", "bytes", "field"))
    for told in ruler.legend(raw, parts):
        means = Text(told.means)
        if told.wrong:
            means = Text.assemble((f"✗ {told.wrong}", "bold"), f"\n{told.means}" if told.means else "")
        table.add_row(told.letter, told.bytes, told.name, Text(told.sent), means, told.clause)
    OUT.print(table)
