"""What the commands of the telephone line share: messages and flaws from the command line."""

from collections.abc import Sequence
from dataclasses import asdict
from math import isfinite
from pathlib import Path
from typing import Annotated

import typer

from protocols import contact_id
from protocols.dc09 import bare
from protocols.phone.sound import Flaws
from protocols.phone.tones import key_of
from receiver.household import Household, LanguageError
from tools.common import book_from, stop

Account = Annotated[str | None, typer.Option(metavar="N", help="The account, four digits.")]
ContactId = Annotated[
    list[str] | None, typer.Option(metavar='"1131 01 015"', help="A message; may be repeated: a call carries several.")
]
Digits = Annotated[
    list[str] | None, typer.Option(metavar='"1234 18 1131 01 015 8"', help="A message as digits, right or wrong.")
]
Book = Annotated[Path | None, typer.Option(metavar="FILE", help="An account book, for --say.")]
Say = Annotated[
    list[str] | None,
    typer.Option(metavar='"trip 015"', help="What happens in the account's house, in the words of `farend panel`."),
]
Level = Annotated[float, typer.Option(metavar="DBM0", min=-60, max=3, help="The mean level of a digit's two tones.")]
Twist = Annotated[float, typer.Option(metavar="DB", min=-30, max=30, help="The high tone over the low one.")]
Frequency = Annotated[float, typer.Option(metavar="%", min=-20, max=20, help="By how much every tone is too high.")]
On = Annotated[float, typer.Option(metavar="MS", min=5, max=1000, help="How long a digit sounds.")]
Off = Annotated[float, typer.Option(metavar="MS", min=5, max=1000, help="How long the silence between digits is.")]


def check_flaws(flaws: Flaws) -> None:
    """See to it that every number of a flaw is one: bounds alone let `nan` through."""
    for name, value in asdict(flaws).items():
        numbers = value if isinstance(value, tuple) else (value,)
        if any(isinstance(number, float) and not isfinite(number) for number in numbers):
            stop(f"--{name.replace('_', '-')}: {value} is no number")


def messages_from(
    account: str | None,
    contact_ids: Sequence[str] | None,
    digits: Sequence[str] | None,
    book: Path | None,
    says: Sequence[str] | None,
) -> list[str]:
    """The messages of a call, as digits."""
    found = [one.replace(" ", "").upper() for one in digits or ()]
    payloads = list(contact_ids or ())
    if (payloads or says) and account is None:
        stop("--account is missing: four digits")
    for line in says or ():
        payloads += _said(book, account or "", line)
    for payload in payloads:
        if any(problem.rule == "bad-payload" for problem in contact_id.read(payload).problems):
            stop(f'--contact-id {payload!r} is no QXYZ GG CCC, such as "1131 01 015"')
        number = (account or "").upper()
        if len(number) != 4:
            stop(f"--account {account}: a telephone call carries an account of four digits (DC-05)")
        try:
            found.append(contact_id.block(number, payload))
        except ValueError as error:
            stop(f"--account {account}: {error}")
    if not found:
        stop(
            'say what is reported: --account N with --contact-id "1131 01 015" or --book FILE --say "trip 015", or --digits'
        )
    if not all(found):
        stop("--digits is empty")
    for message in found:
        try:
            for digit in message:
                key_of(digit)
        except ValueError as error:
            stop(f"--digits: {error}")
    return found


def _said(book: Path | None, account: str, line: str) -> list[str]:
    if book is None:
        stop("--say needs --book FILE: what a device reports comes from there")
    accounts = [one for one in book_from(book).accounts if bare(one.number) == bare(account)]
    if len(accounts) != 1:
        stop(f"--account {account}: the book has {'no such account' if not accounts else 'several of that number'}")
    house = Household(accounts[0])
    try:
        step = house.read(line)
        spoken = [] if step is None else list(house.says(step))
    except LanguageError as error:
        stop(f"--say: {error}")
    return [payload for token, payload in spoken if token == "ADM-CID"]
