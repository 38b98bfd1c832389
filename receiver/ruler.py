"""Bytes over a ruler, a letter under each part, and what each letter is: how a frame is shown to a person."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from protocols.envelope import printable
from protocols.explain import Part

MARKS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
_SHOWN = {10: "␊", 13: "␍"}
_MOST_SENT = 24


class Bar(NamedTuple):
    """One line's width of bytes: the numbers above, the ruler, the bytes, their letters, and carets where it is wrong."""

    numbers: str
    ruler: str
    bytes: str
    letters: str
    faults: str  # empty where nothing is wrong


class Told(NamedTuple):
    """What a letter stands for."""

    letter: str
    bytes: str
    name: str
    sent: str
    means: str
    wrong: str | None
    clause: str


def bars(raw: bytes, parts: Sequence[Part], width: int) -> Iterator[Bar]:
    """The bytes, `width` (a multiple of ten) in a line."""
    marks, faults = [" "] * len(raw), [" "] * len(raw)
    for letter, part in zip(MARKS, parts, strict=False):
        for place in range(part.start, part.end):
            marks[place] = letter
            faults[place] = "^" if part.wrong else " "
    characters = "".join(_SHOWN.get(byte, chr(byte) if 32 <= byte < 127 else "·") for byte in raw)
    for begin in range(0, len(raw), width):
        end = min(begin + width, len(raw))
        yield Bar(
            "".join(f"{place:<10}" for place in range(begin, end, 10)),
            ("┊····╵····" * (width // 10))[: end - begin],
            characters[begin:end],
            "".join(marks[begin:end]),
            "".join(faults[begin:end]).rstrip(),
        )


def legend(raw: bytes, parts: Sequence[Part]) -> Iterator[Told]:
    """Each part in words."""
    for letter, part in zip(MARKS, parts, strict=False):
        sent = printable(raw[part.start : part.end])
        sent = sent if len(sent) <= _MOST_SENT else f"{sent[: _MOST_SENT - 4]}…"
        place = f"{part.start}" if part.end - part.start < 2 else f"{part.start}-{part.end - 1}"
        yield Told(letter, place, part.name, sent, part.means, part.wrong, part.clause)
