"""`farend tones read`: listen to a recorded call; `farend decode` does the same where it is given sound."""

from pathlib import Path
from typing import Annotated, Any

import typer
from rich.progress import Progress
from rich.text import Text

from protocols.phone.call import Call, Message
from protocols.phone.call import read as follow
from protocols.phone.ear import Tone
from receiver import call_words
from receiver.book import Book
from receiver.desk import Origin, names
from receiver.sound_files import Sound, SoundError
from tools.common import OUT, TALK, book_from, check_outputs, print_json, stop, write_bytes

LONG_SECONDS = 600.0  # of a recording, beyond which listening has a bar
Picture = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Draw the call of a recording of sound: FILE.svg or FILE.png.")
]


def read(
    files: Annotated[list[Path], typer.Argument(metavar="CALL.wav…", help="Recordings of calls.")],
    book: Annotated[Path | None, typer.Option(metavar="FILE", help="An account book, for names.")] = None,
    picture: Picture = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a message on stdout.")] = False,
) -> None:
    """Listen to recorded calls: their messages, and how good each tone was against the limits of DC-05 and Q.24.

    Exit code 1 when a message cannot be read, or none was heard.

    Example: farend tones read call.wav --picture call.svg
    """
    if picture and len(files) > 1:
        stop("--picture draws one recording")
    accounts = book_from(book)
    wrong = [listen(path, accounts, picture, as_json=as_json) for path in files]
    raise typer.Exit(1 if any(wrong) else 0)


def listen(path: Path, accounts: Book, picture: Path | None, *, as_json: bool) -> bool:
    """Listen to one recording and tell what was heard; whether anything in it has a problem."""
    if not path.exists() or path.is_dir():
        stop(f"{path} is no file" if path.is_dir() else f"{path}: there is no such file")
    if picture and picture.suffix not in (".svg", ".png"):
        stop(f"--picture {picture}: its name ends with .svg or .png")
    check_outputs({"--picture": picture})
    try:
        sound = Sound(path)
        tones = _heard(sound)
    except SoundError as error:
        stop(str(error))
    except OSError as error:
        stop(f"{path} cannot be read: {error.strerror}")
    call = follow(tones)
    if picture:
        from receiver.call_picture import draw

        write_bytes(picture, draw("svg" if picture.suffix == ".svg" else "png", path.name, sound, call))
        TALK.print(f"picture: {picture}", markup=False, soft_wrap=True)
    if as_json:
        for message in call.messages or [Message([])]:
            print_json(_object(message, path, sound, accounts))
    else:
        _show(path, sound, call, accounts)
    return not call.messages or any(not message.good for message in call.messages)


def _heard(sound: Sound) -> list[Tone]:
    bar = Progress(*Progress.get_default_columns(), console=TALK, transient=True, disable=not TALK.is_terminal)
    found: list[Tone] = []
    with bar:
        task = bar.add_task("listening", total=sound.seconds, visible=sound.seconds > LONG_SECONDS)
        for tone in sound.tones():
            found.append(tone)
            bar.update(task, completed=tone.end)
    return found


def _object(message: Message, path: Path, sound: Sound, accounts: Book) -> dict[str, Any]:
    """The contract's object for one message, with the book's names."""
    frame = message.frame()
    frame.notes += call_words.grouped(message.findings())
    frame.call = {"file": str(path), "seconds": round(sound.seconds, 3)} | (message.to_json() if message.tones else {})
    found = frame.to_json()
    names(found, frame, accounts.find(None, None, frame.account), Origin("phone", 0, "", str(path)))
    return found


def _show(path: Path, sound: Sound, call: Call, accounts: Book) -> None:
    kinds = "two tracks" if sound.tracks == 2 else "one track"
    OUT.rule(Text(f"{path.name} · {sound.seconds:.1f} s · {sound.rate} Hz, {kinds}"), align="left")
    for line in call_words.strip(call, sound.seconds, OUT.width):
        OUT.print(Text(line), soft_wrap=True, no_wrap=True)
    OUT.print()
    if not call.messages:
        OUT.print("no digit was heard")
    for said in call_words.sentences(call, sound.refused):
        OUT.print(Text(said), soft_wrap=True)
    for message in call.messages:
        OUT.print()
        account = accounts.find(None, None, message.frame().account)
        whose = f", {account.name}" if account else ""
        margins = OUT.width >= call_words.WIDE
        what = "value and margin" if margins else "values"
        OUT.print(Text(f"message {message.number}, try {message.attempt}{whose}: {what}", style="bold"))
        OUT.print(call_words.table(message, margins=margins))
