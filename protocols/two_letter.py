"""The two-letter codes of SIA DC-03 as the token SIA-DCS carries them.

    Nri1/BA15        N new event or O old (from the panel's memory), modifiers, then codes with their numbers
    modifiers        two lower-case letters and a value: ti time, da date, ri area, id user, pi peripheral, ci text …
    text             *text  or  ^text^  or  A text, and it belongs to the code before it

`/` may separate the parts or be left out: both `Nri1/BA15` and `Nri1BA015` are in the field (common practice).
A modifier holds for every code after it in the block.
"""

import re
from dataclasses import replace

from protocols.codes import table
from protocols.values import Payload, Problem, Signal

MOST_CODES, MOST_MODIFIERS = 64, 16  # in one block; far more than a panel says, and a bound on what one frame costs
PART = re.compile(
    r"""
      (?P<separator> [/|]+ )
    | (?P<time> ti | da ) (?P<when> [0-9:.-]+ )
    | (?P<identifier> ci ) (?P<name> [^/|]* )
    | (?P<modifier> [a-z]{2} ) (?P<value> [0-9]* )
    | (?P<code> [A-Z]{2} ) (?: (?P<number> [0-9]+ ) | (?= [/|*^] | $ | [a-z]{2}[0-9] | [A-Z]{2}[0-9] ) )
    | \* (?P<starred> [^*|]* ) \*?
    | \^ (?P<careted> [^^]* ) \^?
    | A (?P<plain> .* )
    | [ ] (?P<blank> .* )
    """,
    re.X | re.S,
)


def read(text: str) -> Payload:
    """Read the message part of a `SIA-DCS` payload: a signal a code, in the order sent."""
    if text[:1] not in ("N", "O"):
        return Payload((), (Problem("bad-payload", f"{text!r} starts with neither N (new) nor O (old event) (DC-03)"),))
    signals: list[Signal] = []
    problems: list[Problem] = []
    notes: list[str] = []
    modifiers: dict[str, str] = {}
    place = 1
    while place < len(text):
        if len(signals) > MOST_CODES or len(modifiers) > MOST_MODIFIERS:
            what = f"more than {MOST_CODES} codes or {MOST_MODIFIERS} modifiers in one block"
            problems.append(Problem("bad-payload", f"{what}: the rest is not read"))
            break
        part = PART.match(text, place)
        if part is None or part.end() == place:
            problems.append(
                Problem("bad-payload", f"character {place + 1} of {text!r}: no modifier, code or text (DC-03)")
            )
            break
        place = part.end()
        words = next(
            (part[group] for group in ("starred", "careted", "plain", "blank") if part[group] is not None), None
        )
        if part["code"]:
            signals.append(_signal(part["code"], part["number"] or "", modifiers, text[0] == "O", problems))
        elif part["modifier"]:
            modifiers = modifiers | {part["modifier"]: part["value"]}
        elif part["time"]:
            modifiers = modifiers | {part["time"]: part["when"]}
        elif part["identifier"]:
            modifiers = modifiers | {"ci": part["name"]}
        elif words is not None and signals:
            signals[-1] = replace(signals[-1], text=words.strip() or None)
            if part["blank"]:
                notes.append("a text after a blank: DC-03 leads it with *, ^ or A")
        elif words is not None:
            problems.append(Problem("bad-payload", f"{words!r}: a text before any code (DC-03)"))
    if not signals and not problems:
        problems.append(Problem("bad-payload", f"{text!r} has no code (DC-03)"))
    return Payload(tuple(signals), tuple(problems), tuple(notes))


def _signal(code: str, number: str, modifiers: dict[str, str], old: bool, problems: list[Problem]) -> Signal:
    row = table("two_letter").get(code)
    counts = row.number if row else None
    if row is None:
        problems.append(Problem("unknown-code", f"{code} is no code of DC-03 that farend knows"))
    return Signal(
        code_set="sia",
        code=code,
        qualifier="restore" if row and row.restores else "new",
        meaning=row.meaning if row else None,
        category=row.category if row else "other",
        area=modifiers.get("ri") or (number or None if counts == "area" else None),
        zone=number or None if counts == "zone" else None,
        user=(number or None if counts == "user" else None) or modifiers.get("id"),
        text=None,
        number=number or None,
        from_memory=old,
        modifiers=modifiers,
    )
