"""Contact ID (SIA DC-05): the text form that DC-09 carries, and the block of sixteen digits of the phone line.

QXYZ GG CCC                     Q 1 new or opening, 3 restoral or closing, 6 still present
ACCT MT QXYZ GG CCC S           S makes the sum of all sixteen digits a multiple of 15
"""

import re

from protocols.codes import table
from protocols.values import Frame, Payload, Problem, Signal

QUALIFIERS = {"1": "new", "3": "restore", "6": "status"}
TEXT = re.compile(r"([136])([0-9B-F]{3})( ?)([0-9B-F]{2})( ?)([0-9B-F]{3})", re.I)
_BLOCK = re.compile(r"([0-9B-F]{4}) ?(18|98) ?([136][0-9B-F]{3} ?[0-9B-F]{2} ?[0-9B-F]{3}) ?([0-9B-F])", re.I)
# The classes of DC-05 whose hundreds and tens alone say the hazard, for codes that have no row.
_CLASSES = {"10": "medical", "11": "fire", "12": "panic", "13": "burglary"}


def read(text: str) -> Payload:
    """Read the message part of an `ADM-CID` payload, or a sixteen-digit block in its place (common practice)."""
    if _BLOCK.fullmatch(text):
        _, payload = read_block(text)
        return payload
    match = TEXT.fullmatch(text)
    if not match:
        return Payload((), (Problem("bad-payload", f"{text!r} is not QXYZ GG CCC with Q 1, 3 or 6 (DC-05)"),))
    qualifier, code, gap, area, gap_too, number = match.groups()
    notes = () if gap and gap_too else ("the spaces of QXYZ GG CCC are missing",)
    row = table("contact_id").get(code)
    new = QUALIFIERS[qualifier]
    value = None if number == "000" else number
    meaning = row.meaning if row else None
    if row and new == "restore":
        meaning = row.restored or f"{row.meaning}: restored"
    elif row and new == "status":
        meaning = f"{row.meaning}: still present"
    signal = Signal(
        code_set="contact-id",
        code=code.upper(),
        qualifier=new,
        meaning=meaning,
        category=row.category if row else _CLASSES.get(code[:2], "other"),
        area=None if area == "00" else area,
        zone=value if row and row.number != "user" else None,
        user=value if row and row.number == "user" else None,
        text=None,
        number=value,
    )
    problems = () if row else (Problem("unknown-code", f"{code} is no code of DC-05 that farend knows"),)
    return Payload((signal,), problems, notes)


def digit_value(digit: str) -> int:
    """What a digit counts in the checksum: 0 counts 10, 1-9 themselves, B-F 11-15. ValueError for any other."""
    value = "0123456789.BCDEF".find(digit.upper())
    if len(digit) != 1 or value < 0 or digit == ".":
        raise ValueError(f"{digit!r} is no Contact ID digit; they are 0-9 and B-F")
    return value or 10


def checksum(fifteen: str) -> str:
    """The sixteenth digit for fifteen others (DC-05). A sum that needs 15 is sent as F, one that needs 10 as 0."""
    if len(fifteen) != 15:
        raise ValueError(f"the checksum is over fifteen digits, not {len(fifteen)}")
    needed = -sum(map(digit_value, fifteen)) % 15 or 15
    return "_1234567890BCDEF"[needed]


def block(account: str, message: str, kind: str = "18") -> str:
    """The sixteen digits for an account of four digits and a `QXYZ GG CCC`, checksum filled in."""
    digits = account + kind + message.replace(" ", "")
    return digits + checksum(digits)


def read_block(text: str) -> tuple[str | None, Payload]:
    """Read sixteen digits, spaced or not: the account and the message. A wrong last digit is `bad-checksum`."""
    match = _BLOCK.fullmatch(text.strip())
    if not match:
        return None, Payload((), (Problem("bad-payload", f"{text!r} is not ACCT MT QXYZ GG CCC S (DC-05)"),))
    account, kind, message, last = match.groups()
    digits = message.replace(" ", "")
    payload = read(f"{digits[:4]} {digits[4:6]} {digits[6:]}")
    if sum(map(digit_value, account + kind + digits + last)) % 15:
        right = checksum(account + kind + digits)
        wrong = Problem("bad-checksum", f"the checksum is {last}; for these digits it is {right}")
        payload = payload._replace(problems=(*payload.problems, wrong))
    return account, payload


def whole(frame: Frame) -> bool:
    """Whether a message of a call is one that a receiver takes: sixteen digits of this form with a right checksum."""
    return not frame.has("digit-count", "bad-checksum", "bad-payload")


def read_call(digits: str) -> Frame:
    """The digits of a telephone call as a frame: the signals and words are those of DC-09, `raw` is the digits.

    It has no sequence, CRC or length: what repeats a message is told by the call and its digits. Not sixteen digits are
    `digit-count`.
    """
    frame = Frame(digits.encode(), len(digits), "call", token="ADM-CID")
    if len(digits) != 16:
        frame.problem("digit-count", f"{len(digits)} digits; a message has sixteen (DC-05)")
        return frame
    _, payload = read_block(digits)
    frame.signals, frame.problems = list(payload.signals), list(payload.problems)
    frame.account = frame.account_inside = digits[:4]
    frame.data = f"{digits[6:10]} {digits[10:12]} {digits[12:15]}"
    return frame
