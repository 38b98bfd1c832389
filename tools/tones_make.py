"""`farend tones make`: a call as a WAV file, as good or as bad as is asked for."""

from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import typer

from protocols.phone.sound import Flaws, Made, make_call
from receiver import sound_files
from receiver.sound_files import Coding
from tools.common import TALK, check_outputs, print_json, stop, write_bytes
from tools.tones_words import (
    Account,
    Book,
    ContactId,
    Digits,
    Frequency,
    Level,
    Off,
    On,
    Say,
    Twist,
    check_flaws,
    messages_from,
)  # fmt: skip


def make(
    path: Annotated[Path, typer.Argument(metavar="CALL.wav", help="The file to write.")],
    account: Account = None,
    contact_id: ContactId = None,
    digits: Digits = None,
    book: Book = None,
    say: Say = None,
    rate: Annotated[int, typer.Option(min=8000, max=192_000, help="Samples a second.")] = 8000,
    coding: Annotated[Coding, typer.Option(help="How a sample is written.")] = "16-bit",
    tracks: Annotated[
        Literal["line", "both", "panel"],
        typer.Option(help="The line as one hears it; panel left and receiver right; or the panel's side alone."),
    ] = "line",
    no_receiver: Annotated[
        bool,
        typer.Option(
            "--no-receiver", help="Leave gaps where a receiver under test gives handshake and kiss-off itself."
        ),
    ] = False,
    tries: Annotated[int, typer.Option(min=1, max=20, help="How often each message is sent before its kiss-off.")] = 1,
    before: Annotated[float, typer.Option(metavar="SECONDS", min=0, max=60, help="Silence while it rings.")] = 1.0,
    level: Level = -10.0,
    twist: Twist = 0.0,
    frequency: Frequency = 0.0,
    on: On = 55.0,
    off: Off = 55.0,
    snr: Annotated[
        float | None,
        typer.Option(metavar="DB", min=-60, max=120, help="Noise this far under a digit, over 0 to 4 kHz."),
    ] = None,
    noise: Annotated[Literal["white", "line"], typer.Option(help="What the noise is like.")] = "white",
    echo: Annotated[str | None, typer.Option(metavar="DB,MS", help="An echo so far under, so long behind.")] = None,
    clip: Annotated[float | None, typer.Option(metavar="DB", min=0, help="Cut off this far under the peaks.")] = None,
    hum: Annotated[
        float | None, typer.Option(metavar="DBM0", min=-90, max=3, help="Mains hum with its overtones.")
    ] = None,
    hum_hz: Annotated[float, typer.Option(min=10, max=100, help="Its frequency.")] = 50.0,
    dropouts: Annotated[float, typer.Option(metavar="PER_SECOND", min=0, max=50, help="Holes of 10 ms.")] = 0.0,
    loss: Annotated[float, typer.Option(metavar="%", min=0, max=100, help="Packets of 20 ms that are lost.")] = 0.0,
    concealed: Annotated[
        bool, typer.Option("--concealed", help="Fill a lost packet from the one before, as gateways do.")
    ] = False,
    wrong_checksum: Annotated[
        bool, typer.Option("--wrong-checksum", help="The last digit is another; with --tries, not in the last.")
    ] = False,
    missing_digit: Annotated[
        int | None,
        typer.Option(metavar="N", min=1, max=16, help="This digit is not sent; with --tries, not in the last."),
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="The same seed gives the same noise and the same losses.")] = 0,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object on stdout: what sounds when.")] = False,
) -> None:
    """Make a call of Contact ID as sound: ringing, handshake, digits, kiss-off; with flaws where you ask for them.

    Example: farend tones make call.wav --account 4471 --contact-id "1131 01 015" --twist -9 --snr 12
    """
    messages = messages_from(account, contact_id, digits, book, say)
    check_outputs({"CALL.wav": path})
    flaws = Flaws(
        level, twist, frequency, on, off, snr, noise, _echo(echo), clip, hum, hum_hz, dropouts, 10.0, loss / 100, concealed,
        wrong_checksum, missing_digit,
    )  # fmt: skip
    check_flaws(flaws)
    made = make_call(messages, flaws, rate=rate, tries=tries, before=before, receiver=not no_receiver, seed=seed)
    samples = _tracks(made, tracks)
    write_bytes(path, sound_files.encoded(samples, rate, coding))
    peak = float(np.abs(samples).max())
    if peak > 1:
        TALK.print(f"farend: the sound is cut off by {20 * np.log10(peak):.1f} dB: the level is too high for the file")
    if as_json:
        print_json(
            {
                "file": str(path), "rate": rate, "seconds": round(len(made.panel) / rate, 3), "messages": messages,
                "sounds": [
                    {"what": one.what, "digit": one.digit, "start": round(one.start, 4), "seconds": round(one.seconds, 4),
                     "hz": one.hz}
                    for one in made.sounds
                ],
            }
        )  # fmt: skip
    else:
        seconds = len(made.panel) / rate
        TALK.print(f"{path}: {seconds:.1f} s, {len(messages)} message{'s' * (len(messages) != 1)}", markup=False)


def _echo(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    try:
        under, behind = map(float, text.split(","))
    except ValueError:
        stop(f"--echo {text!r} is not DB,MS such as 12,40")
    if not (0 <= under <= 60 and 0 < behind <= 2000):
        stop(f"--echo {text!r}: 0 to 60 dB under the sound, up to 2000 ms behind it")
    return under, behind


def _tracks(made: Made, wanted: str) -> np.ndarray:
    if wanted == "both":
        return np.stack((made.panel, made.receiver), axis=1)
    return made.panel if wanted == "panel" else made.line
