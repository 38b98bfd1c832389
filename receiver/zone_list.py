"""Lists of zones and users as installers send them: a table (CSV), or lines pasted from an e-mail.

    zone;zone_name;device            > Zone 02: Hall - motion indoors
    1;Front door;door contact        > 015 - Freezer room door (door), area 01
                                     > users:
                                     > * 2  Night warden

Every line becomes entries, a heading, or a bad row that says what is wrong with it; only lines without a letter or digit say
nothing. A greeting without a number is a bad row too, and one that begins with a number ("12 Quarry Lane") reads as a zone:
so whoever files a list looks at it first. Each line stands for itself; nothing is carried from one to the next but the
heading ("users:") that says what the numbers below it are.
"""

import csv
import re
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from protocols.dc09 import ACCOUNT, bare
from protocols.values import legible

COLUMNS = ("account", "account_name", "area", "area_name", "zone", "zone_name", "device", "user", "user_name")
MOST_SHOWN = 60  # characters of a bad row that are said back

Kinds = Sequence[
    tuple[str, Sequence[str]]
]  # a kind of device and what else people call it, as `plan.Kinds.spoken` has it


class ListError(ValueError):
    """The list cannot be read at all, and why."""


class Entry(NamedTuple):
    """One area, zone or user (or, with nothing else in its line, one account); `line` is where it stands in the list."""

    line: int
    kind: str
    number: str
    name: str
    area: str = ""
    device: str = ""
    account: str = ""
    account_name: str = ""


class BadRow(NamedTuple):
    """A line that is no entry, and why."""

    line: int
    text: str
    why: str

    def __str__(self) -> str:
        return f"line {self.line}: {self.why}"


class Listed(NamedTuple):
    """What a list says: its entries, its bad rows, and the lines that are headings, in the order of the list."""

    entries: list[Entry]
    bad: list[BadRow]
    headings: list[int]


Found = Entry | BadRow | int  # what one line may give: entries, a bad row, or the number of a heading


def decoded(data: bytes) -> tuple[str, bool]:
    """The text of a list, and whether it is certain: UTF-8, or else Latin-1, as older spreadsheets write it."""
    try:
        return data.decode("utf-8-sig"), True
    except UnicodeDecodeError:
        return data.decode("latin-1"), False


def read(text: str, kinds: Kinds = (), first: str = "zone") -> Listed:
    """Read a list of either sort. `kinds` tells devices apart; `first` is what the numbers are until a heading says else."""
    header = next((line for line in text.splitlines() if _says(line)), "")
    cells = [cell.strip(' "').lower() for cell in header.split(_delimiter(header))]
    is_table = len(cells) > 1 and sum(cell in COLUMNS for cell in cells) > 1
    return _listed(_table(text, kinds) if is_table else _pasted(text, kinds, first))


def read_table(text: str, kinds: Kinds = ()) -> Listed:
    """Read a table whose header has any of `COLUMNS`. ListError when the header has another column."""
    return _listed(_table(text, kinds))


def tables(entries: Sequence[Entry]) -> dict[str, list[dict[str, Any]]]:
    """The account book's tables `area`, `zone` and `user`. An area that is spoken of and never named is called `Area 01`."""
    areas: dict[str, dict[str, Any]] = {}
    for entry in entries:
        if entry.kind == "area":
            areas.setdefault(bare(entry.number), {"number": entry.number, "name": entry.name})
    for entry in entries:
        if entry.area:
            areas.setdefault(bare(entry.area), {"number": entry.area, "name": f"Area {entry.area}"})
    zones = [
        {"number": one.number, "area": one.area or None, "name": one.name, "device": one.device or None}
        for one in entries
        if one.kind == "zone"
    ]
    users = [{"number": one.number, "name": one.name} for one in entries if one.kind == "user"]
    return {"area": sorted(areas.values(), key=lambda area: int(area["number"], 16)), "zone": zones, "user": users}


def device_in(text: str, kinds: Kinds, start: int = 0) -> str | None:
    """The device that a phrase speaks of. English puts it last ("front door PIR"), unless it says where that is ("PIR by the
    front door"). Only words that reach past `start` count.
    """
    for phrase in (_WHERE.split(text)[0], text):
        best: tuple[int, int, str] | None = None
        for kind, others in kinds:
            for word in (kind, *others):
                for match in re.finditer(rf"(?<!\w){re.escape(word)}(?!\w)", phrase, re.I):
                    if match.end() > start and (best is None or (match.end(), len(word)) > best[:2]):
                        best = match.end(), len(word), kind
        if best:
            return best[2]
    return None


def _says(line: str) -> bool:
    return any(character.isalnum() for character in line)


def _listed(found: Iterator[Found]) -> Listed:
    """Sort what was found, and name what stands there twice."""
    listed = Listed([], [], [])
    known: dict[tuple[str, str, str], Entry] = {}
    for one in found:
        if isinstance(one, int):
            listed.headings.append(one)
        elif isinstance(one, BadRow):
            listed.bad.append(one)
        else:
            before = known.setdefault((one.account, one.kind, bare(one.number)), one)
            repeated = before is not one and (one.kind in ("zone", "user") or before.name != one.name)
            if repeated and one.kind != "account":
                why = f"{one.kind} {one.number} stands on line {before.line} already, as {_short(before.name)}"
                listed.bad.append(BadRow(one.line, one.name, why))
            else:
                listed.entries.append(one)
    return listed


# A table


def _delimiter(header: str) -> str:
    return max(",;\t", key=header.count)


def _table(text: str, kinds: Kinds) -> Iterator[Found]:
    header: list[str] = []
    delimiter = ","
    for number, line in enumerate(text.splitlines(), 1):
        if not _says(line):
            continue
        if not header:
            delimiter = _delimiter(line)
        try:
            cells = [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, strict=True))]
        except csv.Error as error:
            yield BadRow(number, line, f"{_short(line)}: {legible(str(error))}")
            continue
        if not header:
            header = [cell.lower() for cell in cells]
            if strange := [cell for cell in header if cell not in COLUMNS]:
                raise ListError(f"line {number}: column {strange[0]!r} is none of {', '.join(COLUMNS)}")
            yield number
        elif len(cells) > len(header):
            yield BadRow(number, line, "more cells than the header has")
        else:
            yield from _row(number, line, dict(zip(header, cells, strict=False)), kinds)


def _row(number: int, line: str, row: dict[str, str], kinds: Kinds) -> Iterator[Entry | BadRow]:
    cells = {column: row.get(column, "") for column in COLUMNS}
    whose = {"account": cells["account"], "account_name": cells["account_name"]}
    wrong = []
    if whose["account"] and not ACCOUNT.fullmatch(whose["account"]):
        wrong.append(f"account {_short(whose['account'])} is not 3 to 16 hex digits")
    entries = []
    for kind in ("area", "zone", "user"):
        digits, name = cells[kind], cells[f"{kind}_name"]
        if digits and not re.fullmatch(r"[0-9A-Fa-f]{1,16}", digits):
            wrong.append(f"{kind} {_short(digits)} is no number")
        elif digits and (name or kind != "area"):
            entries.append(Entry(number, kind, digits, name, **whose))
            if not name:
                wrong.append(f"{kind} {digits} has no {kind}_name")
        elif name and not digits:
            wrong.append(f"{_short(name)} has no number")
    if cells["device"] and not cells["zone"] and not wrong:
        wrong.append(f"{_short(cells['device'])} has no zone")
    for why in wrong[:1]:
        yield BadRow(number, line, why)
        return
    if not entries:
        yield Entry(number, "account", whose["account"] or "0", whose["account_name"], cells["area"], **whose)
    for entry in entries:
        if entry.kind == "zone":
            device = device_in(cells["device"] or entry.name, kinds) or cells["device"]
            entry = entry._replace(area=cells["area"], device=device)
        yield entry


# Pasted lines

_LEAD = re.compile(r"[>|\s]*(?:[-*+•·–—▪◦‣]+\s*)?")
_NUMBERED = re.compile(
    r"""
    (?: (?P<kind> zone | zn | z(?=\s*\d) | point | detector | sensor | device | user | person | area | partition )
        [\s#.:]* (?: (?: no | nr | number )\b [\s#.:]* )?
        (?P<named> (?=[A-F]*[0-9]) [0-9A-F]{1,16} )
      | \#?\s* (?: (?: no | nr )\b [\s#.:]* )? (?P<plain> [0-9][0-9A-F]{0,15} )
    ) (?!\w) [^\w(]* (?P<rest> .* )
    """,
    re.X | re.I | re.S,
)
_HEADING = re.compile(
    r"\W*(?:(?:the|list of)\s+)?(zone|detector|sensor|device|point|user|person|people|area|partition)s?(?:\s+list)?\W*",
    re.I,
)
_PARTS = re.compile(r"\s{2,}|\t|\s+[-–—|/]+\s+|[;,|()\[\]]|:\s+")
_AREA = re.compile(
    r"(?:in\s+)?(?:area|partition)[\s#.:]*(?:no\b[\s.]*)?([0-9][0-9A-F]{0,15})(?!\w)\W*(.*)", re.I | re.S
)
_WHERE = re.compile(
    r"[,;(]|\s(?:by|near|over|above|under|below|behind|beside|at|in|on|of|for|to|next to|opposite)\s", re.I
)
_FILLERS = re.compile(r"\b(?:detector|sensor|alarm|device|type|wireless|wired|unit|a|the)\b", re.I)
_SORTS = {"user": "user", "person": "user", "people": "user", "area": "area", "partition": "area"}


def _pasted(text: str, kinds: Kinds, first: str) -> Iterator[Found]:
    under = first
    for number, whole in enumerate(text.splitlines(), 1):
        if not _says(whole):
            continue
        line = whole[_LEAD.match(whole).end() :].strip()  # type: ignore[union-attr]  # it matches nothing at least
        if heading := _HEADING.fullmatch(line):
            under = _SORTS.get(heading[1].lower(), "zone")
            yield number
        elif not (match := _NUMBERED.fullmatch(line)):
            yield BadRow(number, whole, f"{_short(line)} has no number")
        else:
            kind = _SORTS.get(match["kind"].lower(), "zone") if match["kind"] else under
            digits = match["named"] or match["plain"]
            if not _says(match["rest"]):
                yield BadRow(number, whole, f"{kind} {digits} has no name")
            else:
                yield from _entries(number, kind, digits, match["rest"], kinds)


def _entries(line: int, kind: str, number: str, rest: str, kinds: Kinds) -> Iterator[Entry]:
    parts = [part.strip() for part in _PARTS.split(rest) if _says(part)]
    if kind != "zone":
        yield Entry(line, kind, number, ", ".join(parts))
        return
    name, area, device = parts[0], "", ""
    for part in parts[1:]:
        if not area and (found := _AREA.fullmatch(part)):
            area = found[1]
            if _says(found[2]):
                yield Entry(line, "area", area, found[2].strip())
        elif not device and (word := _all_device(part, kinds)):
            # "Kitchen window - contact": the two together say more than the second alone.
            device = device_in(f"{name} {part}", kinds, len(name)) or word
        else:
            name += f", {part}"
    yield Entry(line, kind, number, name, area, device or device_in(name, kinds) or "")


def _all_device(part: str, kinds: Kinds) -> str | None:
    """The device, where the words are a device's and nothing else: "door contact", "smoke detector"; not "by the window"."""
    for words in (part, _FILLERS.sub(" ", part)):
        plain = " ".join(words.split()).lower()
        for kind, others in kinds:
            if plain in (kind, *others):
                return kind
    return None


def _short(text: str) -> str:
    text = legible(text.strip())
    return f"'{text}'" if len(text) <= MOST_SHOWN else f"'{text[: MOST_SHOWN - 1]}…'"
