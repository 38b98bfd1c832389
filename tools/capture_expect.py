"""`farend capture expect`: write down what decoder and desk make of a recording, for people to review."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from receiver import golden
from receiver.golden import GoldenError, Terms
from receiver.shapes import STDIN, How
from tools.capture_verify import tell
from tools.common import OUT, TALK, book_from, followed, judging_from, receiver_from, recording, stop, time_from


def expect(
    capture: Annotated[Path, typer.Argument(metavar="FILE", help="The recording, in any shape.")],
    book: Annotated[Path | None, typer.Option(metavar="FILE", help="The account book that it is judged by.")] = None,
    unknown: Annotated[Literal["duh", "ack", "silent"], typer.Option(help="As for listen.")] = "duh",
    on_test: Annotated[
        list[str] | None, typer.Option(metavar="N", help="This account was on test all along; may be repeated.")
    ] = None,
    began: Annotated[
        str | None, typer.Option(metavar="ISO", help="When it began, where its frames have no time.")
    ] = None,
    receiver: Annotated[str | None, typer.Option(metavar="[HOST:]PORT", help="The receiver, among packets.")] = None,
    accept: Annotated[bool, typer.Option("--accept", help="Replace a golden file that says something else.")] = False,
) -> None:
    """Write FILE.golden beside a recording: what decoder and desk make of it, one line a frame, made for review.

    Its head keeps by what it was judged; the book's path is kept as seen from the golden file's folder. `farend capture
    verify` holds the decoder to it. Exit code 1 where one is there that says something else, and --accept was not given.

    Example: farend capture expect fixtures/estate.capture --book fixtures/station.toml
    """
    if capture == STDIN:
        stop(
            "a golden file stands beside its recording, and stdin has no place: `farend capture import -` keeps it first"
        )
    path = capture.with_name(capture.name + golden.SUFFIX)
    judging = judging_from(book_from(book), unknown, on_test or ())
    how = How(time_from(began, "--began"), receiver_from(receiver))
    terms = Terms(capture.name, golden.beside(path, book), unknown, tuple(on_test or ()), how)
    if path.exists() and not accept:
        try:
            same = golden.terms_in(path) == terms
        except (GoldenError, OSError) as error:
            stop(f"{path}: {error}; --accept replaces it")
        held = golden.hold(path)
        if same and held.holds:
            OUT.print(f"{path} says the same already", markup=False)
            return
        tell(held)
        if not same:
            TALK.print(f"{path} was judged by other terms (see its head)", markup=False)
        stop(f"{path} says something else; --accept replaces it", 1)
    opened = recording(capture, how)
    made = (text for text, _ in golden.lines(followed(opened, "reading"), judging))
    try:
        count = golden.write(path, terms, made)
    except OSError as error:
        stop(f"{path} cannot be written: {error.strerror}")
    OUT.print(f"{path}: {count} lines; look them over before you keep them", markup=False, soft_wrap=True)
