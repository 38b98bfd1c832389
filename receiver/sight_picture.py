"""The picture of a recording: a row for each account and path, time along; as SVG, and as a page with the tables below.

However long the recording, the picture stays small. Up to some thousands of signals each has its mark; beyond that they
are counted in stretches of time, drawn as bars, and what concerns life keeps a mark of its own in each. Nothing is dropped
without a word: what has no room is told as a number.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib.resources import files
from typing import NamedTuple

from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup

from protocols.values import LIFE_SAFETY, legible
from receiver.sight import MOST_SILENCES, Seen, Sight
from receiver.sight_words import at as moment_of
from receiver.sight_words import many, remarks, sentence, sheets, took
from receiver.trial.report import house_style
from receiver.words import of_signal

MOST_MARKS = 2000  # signals, and as many other signs, that are drawn one by one; and polls
MOST_ROWS = 120
MOST_BARS = 3000
MOST_BINS = 1024  # stretches of time that are told apart in what is counted

WIDE, LEFT, RIGHT, HEAD = 1240, 214, 18, 62  # pixels
LANE, LOWER = 15, 12  # what a mark above the line and a sign below it takes
LANES, LOWERS = 6, 3
BAR = 30  # the tallest

# What a mark says: a letter for each category, in a disc where it concerns life, in a box where it does not; its restoral
# in a ring, or without the box.
LETTERS = {
    "fire": "F", "gas": "G", "medical": "M", "panic": "P", "burglary": "B", "environment": "E", "supervisory": "S",
    "tamper": "T", "trouble": "!", "power": "W", "communication": "C", "open-close": "O", "bypass": "Y", "access": "A",
    "test": "X", "other": "o",
}  # fmt: skip
# What stands below the line: a letter, and what it says.
SIGNS = {
    "NAK": ("N", "answered NAK"), "DUH": ("D", "answered DUH"), "foreign": ("f", "an answer of another"),
    "none": ("–", "no answer"), "gap": ("/", "numbers missing before it"), "late": ("l", "a missing number that came late"),
    "restart": ("R", "the count began again"), "reused": ("u", "its number was used before"),
    "repeat": ("″", "the same message again"), "unreadable": ("?", "cannot be read"), "noise": ("~", "noise"),
    "lost": ("×", "bytes that the recording lacks"),
}  # fmt: skip
STEPS = (
    *(0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800),
    *(3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800, 1209600, 2419200, 7257600, 14515200, 29030400),
)
MOST_TICKS = 9

Where = tuple[str, str]  # an account's mark, empty for what belongs to none, and a path


class Sign(NamedTuple):
    """What is drawn: a category of signals, whether it is a restoral; or one of `SIGNS`, and of which count it is."""

    what: str
    restored: bool = False
    scope: str = ""  # of what is told of a count: whether that of all paths or of one

    @property
    def life(self) -> bool:
        return self.what in LIFE_SAFETY

    @property
    def words(self) -> str:
        if self.what in SIGNS:
            return SIGNS[self.what][1]
        return f"{self.what}, restored" if self.restored else self.what


class Mark(NamedTuple):
    at: datetime
    sign: Sign
    words: str
    times: int = 1


class Drawing:
    """What the picture needs of a recording, taken one thing at a time, in bounded memory."""

    def __init__(self) -> None:
        self.began: datetime | None = None
        self.width = 0.001  # seconds, of a stretch
        self.cells: dict[Where, Counter[tuple[int, Sign]]] = defaultdict(Counter)
        self.polls: dict[Where, Counter[int]] = defaultdict(Counter)
        self.marks: list[tuple[Where, Mark]] | None = []
        self.ticks: list[tuple[Where, datetime]] | None = []
        self._waiting: dict[int, tuple[Where, Mark]] = {}
        self.answers = 0

    def take(self, seen: Seen) -> None:
        self.began = self.began or seen.at
        where = (seen.account or "", seen.path)
        self.cells[where]  # a row, whatever stands in it
        if seen.kind == "answer":
            self._answer(where, seen)
            return
        if seen.kind == "poll":
            self._poll(where, seen.at)
        for sign, words in _signs(seen):
            self._mark(where, Mark(seen.at, sign, words if self.marks is not None else ""))
        if seen.waits:
            mark = Mark(seen.at, Sign("none"), _said(seen) if self.marks is not None else "")
            self._count(where, mark, 1)
            if self.marks is not None:
                self._waiting[seen.number] = where, mark
                if len(self._waiting) > MOST_MARKS:
                    self._crowded()

    def one_by_one(self) -> list[tuple[Where, Mark]] | None:
        """Every mark by itself; None where there are too many."""
        if self.marks is None:
            return None
        return sorted([*self.marks, *(self._waiting.values() if self.answers else ())], key=lambda one: one[1].at)

    def _answer(self, where: Where, seen: Seen) -> None:
        self.answers += 1
        _, mark = self._waiting.pop(seen.number, (where, Mark(seen.at, Sign("none"), "")))
        self._count(where, mark, -1)
        if seen.word in SIGNS:
            self._mark(where, Mark(seen.at, Sign(seen.word), mark.words))

    def _poll(self, where: Where, at: datetime) -> None:
        place = self._bin(at)
        self.polls[where][place] += 1
        if self.ticks is not None:
            self.ticks.append((where, at))
            if len(self.ticks) > MOST_MARKS:
                self.ticks = None

    def _mark(self, where: Where, mark: Mark) -> None:
        self._count(where, mark, 1)
        if self.marks is not None:
            self.marks.append((where, mark))
            if len(self.marks) > 2 * MOST_MARKS:
                self._crowded()

    def _crowded(self) -> None:
        self.marks = None
        self._waiting.clear()

    def _count(self, where: Where, mark: Mark, times: int) -> None:
        place = self._bin(mark.at)  # first, since it may put other counters in the place of these
        self.cells[where][place, mark.sign] += times

    def _bin(self, at: datetime) -> int:
        assert self.began is not None
        seconds = max((at - self.began).total_seconds(), 0.0)
        while seconds >= MOST_BINS * self.width:
            self.width *= 2
            for where, cells in self.cells.items():
                merged: Counter[tuple[int, Sign]] = Counter()
                for (place, sign), times in cells.items():
                    merged[place // 2, sign] += times
                self.cells[where] = merged
            for where, polls in self.polls.items():
                halved: Counter[int] = Counter()
                for place, times in polls.items():
                    halved[place // 2] += times
                self.polls[where] = halved
        return int(seconds / self.width)

    def middle(self, place: int) -> datetime:
        """The middle of a stretch."""
        return (self.began or datetime.min.replace(tzinfo=UTC)) + timedelta(seconds=(place + 0.5) * self.width)


def _signs(seen: Seen) -> Iterator[tuple[Sign, str]]:
    said = _said(seen)
    if seen.kind in ("unreadable", "noise", "lost"):
        problems = "; ".join(one.rule for one in seen.frame.problems) if seen.frame else ""
        detail = many(seen.size, "byte") if seen.size else problems
        yield Sign(seen.kind), detail
    elif seen.kind == "message" and seen.frame:
        if seen.repeat:
            yield Sign("repeat"), said
        else:
            for signal in seen.frame.signals:
                yield Sign(signal.category, signal.qualifier == "restore"), of_signal(signal.to_json())
            if not seen.frame.signals:
                yield Sign("other"), said
    for scope, step in seen.steps.items():
        missing = f"{many(step.missing, 'number')} missing before {said}" if step.missing else said
        yield Sign(step.word, scope="one" if scope is not None else "all"), missing


def _said(seen: Seen) -> str:
    frame = seen.frame
    if frame is None:
        return ""
    said = "; ".join(of_signal(signal.to_json()) for signal in frame.signals)
    said = said or ("poll" if frame.token == "NULL" else f"{frame.token}{', sealed' if frame.encrypted else ''}")
    return f"{legible(said)} #{frame.sequence_sent}"


# What the template draws. Everything is in pixels.


class Drawn(NamedTuple):
    x: float
    y: float
    letter: str
    shape: str
    title: str
    times: int


class Bar(NamedTuple):
    x: float
    y: float
    wide: float
    high: float
    title: str


class Band(NamedTuple):
    x: float
    wide: float
    title: str


@dataclass(slots=True)
class Row:
    """One row: its words, where its line stands, and what is on it."""

    label: str
    below: str
    title: str
    y: float = 0.0
    line: float = 0.0  # from y on
    high: float = 0.0
    covered: str = ""
    ticks: str = ""
    bands: list[Band] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    marks: list[Drawn] = field(default_factory=list)
    signs: list[Drawn] = field(default_factory=list)


class Axis:
    """Where moments stand, and the ticks: at whole steps of UTC."""

    def __init__(self, began: datetime, ended: datetime) -> None:
        self.began = began
        self.seconds = max((ended - began).total_seconds(), 0.001)
        self.step = next((step for step in STEPS if self.seconds / step <= MOST_TICKS), STEPS[-1])

    def __call__(self, moment: datetime) -> float:
        share = (moment - self.began).total_seconds() / self.seconds
        return LEFT + (WIDE - RIGHT - LEFT) * min(max(share, 0.0), 1.0)

    def ticks(self) -> Iterator[tuple[float, str, str]]:
        """Place, time and, where the day is another than at the tick before, the day."""
        epoch = datetime(1970, 1, 5, tzinfo=UTC)  # a Monday, so that weeks begin with one
        number = math.ceil((self.began - epoch).total_seconds() / self.step)
        day = ""
        while True:
            moment = epoch + timedelta(seconds=number * self.step)
            if (moment - self.began).total_seconds() > self.seconds:
                return
            told = f"{moment:%a %d %b}"
            time = (
                "" if self.step >= 86400
                else f"{moment:%H:%M}" if self.step >= 60
                else f"{moment:%H:%M:%S}" if self.step >= 1
                else f"{moment:%H:%M:%S.%f}"[:12]
            )  # fmt: skip
            yield self(moment), time, told if told != day else ""
            day = told
            number += 1


@dataclass(slots=True)
class Picture:
    """All that the template draws."""

    title: str
    told: str
    rows: list[Row]
    ticks: list[tuple[float, str, str]]
    high: float
    foot: float
    legend: list[tuple[float, float, str, str, str]]
    notes: list[str]


def drawn(title: str, sight: Sight, drawing: Drawing) -> Picture:
    """Lay the picture out."""
    began = sight.began or datetime(1970, 1, 1, tzinfo=UTC)
    axis = Axis(began, sight.ended or began)
    shown, rest = _rows(sight, drawing)
    single = drawing.one_by_one()
    notes = []
    marks: dict[Where, list[Mark]] = defaultdict(list)
    bins = max(24, min(136, MOST_BARS // max(len(shown), 1)))
    if single is None:
        length = took(axis.seconds / bins)
        notes.append(
            f"More than can be drawn one by one: bars count the signals in stretches of {length}, their height by the "
            "logarithm; fire, gas, medical, panic and burglary keep their marks, one for all of a kind in a stretch."
        )
        for where, cells in drawing.cells.items():
            marks[where] = _gathered(cells, drawing, axis, bins)
    else:
        for where, mark in single:
            marks[where].append(mark)
    if rest:
        extra = ("…", "")
        marks[extra] = sorted((mark for where in rest for mark in marks.pop(where, ())), key=lambda one: one.at)
        notes.append(f"The last row holds {many(len(rest), 'row')} more, with less to show than these.")
        shown = [*shown, extra]
    most = max((one.times for found in marks.values() for one in found if _in_bar(one, single)), default=1)
    rows: list[Row] = []
    y = float(HEAD)
    for where in shown:
        row = _row(where, sight, len(rest))
        before = rows[-1].title.split(" · ")[0] if rows else ""
        if row.label and before == row.title.split(" · ")[0]:
            row.label = ""
        scope = sight.accounts[where[0]].scope if where[0] in sight.accounts else "all"
        mine = [one for one in marks[where] if one.sign.what not in ("gap", "late", "restart", "reused")
                or one.sign.scope == scope]  # fmt: skip
        _lay(row, mine, axis, single is None, bins, most)
        _paths(row, where, sight, drawing, axis)
        row.y = y
        y += row.high
        rows.append(row)
    legend, high = _legend({one.sign for found in marks.values() for one in found}, y + 44)
    if any(row.bands for row in rows):
        notes.append(
            "A hatched stretch without a line: the path was silent for longer than promised with its tolerance, or, where "
            "the book promises nothing, than three times its usual interval."
        )
    if any((path.late or 0) > MOST_SILENCES for one in sight.accounts.values() for path in one.paths.values()):
        notes.append(f"Of a path that was silent more often, the {MOST_SILENCES} longest silences are hatched.")
    foot = high
    return Picture(title, sentence(sight), rows, list(axis.ticks()), foot + 18 * len(notes) + 10, y, legend, notes)


def _in_bar(mark: Mark, single: object) -> bool:
    return single is None and mark.sign.what in LETTERS and not mark.sign.life


def _rows(sight: Sight, drawing: Drawing) -> tuple[list[Where], list[Where]]:
    """The rows that are shown, in order, and those for which there is no room: the ones with least to show."""
    every = {*drawing.cells, *((mark, path) for mark, one in sight.accounts.items() for path in one.paths)}

    def weight(where: Where) -> tuple[int, int, int]:
        cells = drawing.cells.get(where, Counter())
        life = sum(times for (_, sign), times in cells.items() if sign.life)
        signs = sum(times for (_, sign), times in cells.items() if sign.what in SIGNS)
        return life, signs, sum(cells.values())

    chosen = set(sorted(every, key=weight, reverse=True)[:MOST_ROWS])
    order = sorted(every, key=lambda where: _place(where, sight))
    return [one for one in order if one in chosen], [one for one in order if one not in chosen]


def _place(where: Where, sight: Sight) -> tuple[bool, str, int, str]:
    """Rows stand by account, its paths as the book has them; what belongs to no account comes last."""
    mark, path = where
    account = sight.accounts.get(mark)
    names = [one.name for one in account.known.path] if account and account.known else []
    return account is None, account.number if account else "", names.index(path) if path in names else len(names), path


def _gathered(cells: Counter[tuple[int, Sign]], drawing: Drawing, axis: Axis, bins: int) -> list[Mark]:
    """What was counted, in as many stretches as there are bars."""
    found: Counter[tuple[int, Sign]] = Counter()
    for (place, sign), times in cells.items():
        share = (drawing.middle(place) - axis.began).total_seconds() / axis.seconds
        found[min(max(int(share * bins), 0), bins - 1), sign] += times
    return [
        Mark(axis.began + timedelta(seconds=(place + 0.5) * axis.seconds / bins), sign, "", times)
        for (place, sign), times in sorted(found.items())
        if times > 0 and (sign.what != "none" or drawing.answers)
    ]


def _row(where: Where, sight: Sight, rest: int) -> Row:
    mark, path = where
    if mark == "…":
        return Row(f"{rest:,} more", "", "the rows for which there is no room")
    if not mark:
        return Row("no account", legible(path), f"no account · {legible(path)}")
    account = sight.accounts[mark]
    label = f"{account.number}  {account.name or 'not in the book'}"
    title = f"{account.number} {account.name or 'not in the book'} · {legible(path)}"
    return Row(label if len(label) <= 28 else f"{label[:27]}…", legible(path), title)


def _lay(row: Row, marks: Sequence[Mark], axis: Axis, binned: bool, bins: int, most: int) -> None:
    """Put the marks of a row above its line and the signs below it, so that few stand on each other."""
    bars: dict[datetime, Counter[Sign]] = defaultdict(Counter)
    above, under = [], []
    for one in marks:
        if one.sign.what in SIGNS:
            under.append(one)
        elif binned and not one.sign.life:
            bars[one.at][one.sign] += one.times
        else:
            above.append(one)
    wide = (WIDE - RIGHT - LEFT) / bins
    tall: dict[datetime, float] = {}
    for moment, kinds in bars.items():
        tall[moment] = high = 3 + (BAR - 3) * math.log1p(kinds.total()) / math.log1p(max(most, kinds.total()))
        told = ", ".join(f"{times:,} {sign.words}" for sign, times in kinds.most_common())
        row.bars.append(Bar(axis(moment) - wide / 2 + 0.5, -high - 1, wide - 1, high, f"{_clock(moment)}: {told}"))
    lift = max(tall.values(), default=0.0)
    row.marks, lanes = _stack(row, above, axis, LANES, 14.0)
    row.signs, lowers = _stack(row, under, axis, LOWERS, min(wide, 9.0) if binned else 9.0)
    row.line = max(12 + lift + LANE * lanes, 30.0 if row.label else 0.0)
    row.high = row.line + 12 + LOWER * lowers
    row.bars = [one._replace(y=one.y + row.line) for one in row.bars]
    row.marks = [one._replace(y=row.line - lift - 9 - LANE * one.y) for one in row.marks]
    row.signs = [one._replace(y=row.line + 12 + LOWER * one.y) for one in row.signs]


def _stack(row: Row, marks: Iterable[Mark], axis: Axis, most: int, apart: float) -> tuple[list[Drawn], int]:
    """Marks in lanes, each in the lowest with room; where none has, in the one whose last is farthest away."""
    ends: list[float] = []
    found = []
    for one in marks:
        x = axis(one.at)
        lane = next((place for place, end in enumerate(ends) if x - end >= apart), len(ends))
        if lane == most:
            lane = min(range(most), key=lambda place: ends[place])
        ends[lane : lane + 1] = [x]
        letter, shape = _shape(one.sign)
        count = f"{one.times:,} times " if one.times > 1 else ""
        words = f": {one.words}" if one.words else ""
        title = f"{_clock(one.at)} {row.title}: {count}{one.sign.words}{words}"
        found.append(Drawn(round(x, 1), lane, letter, shape, title, one.times))
    return found, len(ends)


def _shape(sign: Sign) -> tuple[str, str]:
    if sign.what in SIGNS:
        return SIGNS[sign.what][0], "sign"
    letter = LETTERS.get(sign.what, "o")
    return letter, ("ring" if sign.restored else "disc") if sign.life else ("bare" if sign.restored else "box")


def _clock(moment: datetime) -> str:
    return f"{moment_of(moment)}.{moment.microsecond // 1000:03d}"


def _paths(row: Row, where: Where, sight: Sight, drawing: Drawing, axis: Axis) -> None:
    """The line of a path where something came over it as it should, the bands where nothing did, its polls as ticks."""
    if drawing.ticks is not None:
        places = [axis(moment) for other, moment in drawing.ticks if other == where]
    else:
        places = [axis(drawing.middle(place)) for place in sorted(drawing.polls.get(where, ()))]
    row.ticks = _tick_path(places)
    account = sight.accounts.get(where[0])
    path = account.paths.get(where[1]) if account else None
    if path is None:
        row.covered = f"M{LEFT} 0H{WIDE - RIGHT}"
        return
    x = float(axis(axis.began if path.promise else path.first or axis.began))
    said = []
    for silence in path.stand_out():
        begin, end = axis(silence.began), axis(silence.ended)
        title = f"{row.title}: nothing for {took(silence.seconds)}, from {moment_of(silence.began)}"
        row.bands.append(Band(round(begin, 1), round(max(end - begin, 1.0), 1), title))
        said.append(f"M{x:.1f} 0H{begin:.1f}")
        x = end
    said.append(f"M{x:.1f} 0H{WIDE - RIGHT}")
    row.covered = "".join(said)


def _tick_path(places: Sequence[float]) -> str:
    """Polls as ticks; those that stand on the same half pixel as one."""
    found = sorted({round(place * 2) / 2 for place in places})
    return "".join(f"M{place:g} -3v6" for place in found)


def _legend(signs: set[Sign], y: float) -> tuple[list[tuple[float, float, str, str, str]], float]:
    """The words for what is drawn, and only for that; and how far down they reach."""
    kinds = {(sign.what, sign.restored) for sign in signs}
    order = [*((what, restored) for what in LETTERS for restored in (False, True)), *((what, False) for what in SIGNS)]
    entries = [(*_shape(Sign(what, restored)), Sign(what, restored).words) for what, restored in order
               if (what, restored) in kinds]  # fmt: skip
    entries.append(("", "tick", "poll"))
    found, x = [], 16.0
    for letter, shape, words in entries:
        wide = 34 + 6.6 * len(words)
        if x + wide > WIDE - RIGHT:
            x, y = 16.0, y + 20
        found.append((x, y, letter, shape, words))
        x += wide
    return found, y + 10


def picture(title: str, sight: Sight, drawing: Drawing) -> str:
    """The picture as one SVG that needs nothing else, in light and dark."""
    size = {"wide": WIDE, "left": LEFT, "right": WIDE - RIGHT, "head": HEAD}
    return _template("sight.svg.jinja").render(drawn=drawn(title, sight, drawing), size=size)


def page(title: str, sight: Sight, drawing: Drawing) -> str:
    """The picture and the tables as one HTML page that needs nothing else."""
    return _template("sight.html.jinja").render(
        title=title, told=sentence(sight), remarks=list(remarks(sight)), sheets=sheets(sight),
        picture=Markup(picture(title, sight, drawing)), style=house_style(),
    )  # fmt: skip


@cache
def _template(name: str) -> Template:
    jinja = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
        finalize=lambda value: legible(value) if type(value) is str else value,
    )  # fmt: skip
    return jinja.from_string((files("receiver") / name).read_text("utf-8"))
