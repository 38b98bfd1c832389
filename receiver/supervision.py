"""Supervision: which path has been silent for longer than it promised. Pure: no clock, no I/O.

Every method takes `tick`, seconds of a monotonic clock; `due(tick)` gives what there is to tell, as values.

A timing wheel with lazy checks. Hearing a path only stores when; `hear` touches no wheel. Each promise lies in one bucket,
which is looked at when its time has come: what was kept meanwhile goes into the bucket of its new due time, so a promise is
looked at about once an interval, however much comes over its path. A bucket is an array of four-byte numbers, and a small
heap holds the numbers of the buckets that are not empty. Nothing but `take` ever goes through all promises.

Nobody's silence is told while it may be our own: after a start, after a pause of this process and after a line came back,
each promise has its full time anew; and a line that brought nothing for longer than is its habit, while ten of its paths
or more were due, is one event, not one for each of its paths.
"""

import math
from array import array
from collections.abc import Hashable, Iterable, Iterator, Sequence
from copy import copy
from heapq import heappop, heappush
from typing import Any, Literal, NamedTuple

from receiver.book import Kind, Promise

BUCKET_SECONDS = 0.25
PAUSE_SECONDS = 5.0  # between two looks: longer, and this process stood still, not the panels
LINE_SILENT_AFTER = 10  # paths due on a line that brought nothing
HABIT_SECONDS = 3600.0  # for how long a gap between two messages counts as a line's habit, and as long again

State = Literal["degraded", "no path left", "whole"]

# Reports of the test timer or of a person at the panel. Not the category `test`: a walk test begun proves no path. The
# codes are from memory of DC-05 and DC-03 (`protocols/codes`).
TEST_REPORTS = frozenset(("601", "602", "603", "608", "RP", "RX", "TX"))


def is_test_report(code: str, from_memory: bool) -> bool:
    """Whether a signal is a test report; one out of the panel's memory says nothing of its path today."""
    return code in TEST_REPORTS and not from_memory


class Overdue(NamedTuple):
    """A promise was broken. `silent`: how many seconds ago it was last kept, None if never; `others` still report."""

    account: str
    promise: Promise
    silent: float | None
    state: State
    others: tuple[str, ...]


class Back(NamedTuple):
    """A promise that was told as overdue is kept again. `state` is the account's now."""

    account: str
    promise: Promise
    silent: float | None
    state: State


class LineSilent(NamedTuple):
    """A line brings nothing any more: the paths last heard over it, and how many of them were due meanwhile.

    `line` is None for paths heard over no line since the start.
    """

    line: Hashable
    silent: float
    paths: int
    missed: int


class LineBack(NamedTuple):
    """A silent line brings something again; its paths have their full time anew."""

    line: Hashable
    silent: float
    paths: int


class Paused(NamedTuple):
    """Nobody looked for so long: every path has its full time anew."""

    seconds: float


Event = Overdue | Back | LineSilent | LineBack | Paused

_NEVER = -math.inf
_OVERDUE, _TEST, _CARRIES, _ASLEEP = 1, 2, 4, 8
_NO_LINE = 0
_GOLDEN = 0.6180339887498949  # multiples of it lie evenly between the whole numbers


class _Wheel:
    """Numbers in buckets of a quarter of a second, by when they are to be looked at."""

    def __init__(self) -> None:
        self._buckets: dict[int, array[int]] = {}
        self._order: list[int] = []  # a heap of the keys above

    def put(self, number: int, tick: float) -> None:
        """Have it looked at no sooner than `tick`, and less than a bucket's width later."""
        key = math.ceil(tick / BUCKET_SECONDS)
        bucket = self._buckets.get(key)
        if bucket is None:
            bucket = self._buckets[key] = array("I")
            heappush(self._order, key)
        bucket.append(number)

    def take(self, tick: float) -> Iterator["array[int]"]:
        """Take out the buckets whose time has come. What is put back meanwhile, to after `tick`, is not among them."""
        last = math.floor(tick / BUCKET_SECONDS)
        while self._order and self._order[0] <= last:
            yield self._buckets.pop(heappop(self._order))


class _Line:
    """A line, and what is promised on it by paths last heard over it that are neither overdue nor asleep."""

    __slots__ = ("anew", "gap", "gap_before", "heard", "name", "paths", "rate", "silent")

    def __init__(self, name: Hashable, tick: float) -> None:
        self.name = name
        self.heard = tick
        self.anew = tick  # from when its paths have their full time; while it is silent, since when
        self.paths = 0
        self.rate = 0.0  # messages due a second
        self.silent = False
        # The longest time in which it brought nothing although it lived, of late and before that. Panels that went to it
        # together poll together, with a long gap after: a path that dies must not make the gap seem a silence.
        self.gap = self.gap_before = 0.0

    def missed(self, tick: float) -> int:
        """How many of its paths were due while it has brought nothing; 0 while that is its habit."""
        silent = tick - max(self.heard, self.anew)
        return min(int(silent * self.rate), self.paths) if silent > max(self.gap, self.gap_before) else 0


class Supervision:
    """The promises of all accounts, and which of them are overdue.

    `take` first; then `hear` for each acknowledged message, and `due` several times a second.
    """

    def __init__(self, tick: float) -> None:
        self._looked = tick
        self._lines = [_Line(None, tick)]
        self._line_of: dict[Hashable, int] = {None: _NO_LINE}
        self._habits = tick  # when a line's gaps were last put aside
        self._news: list[Event] = []
        self._empty()

    def _empty(self) -> None:
        self._wheel = _Wheel()
        # By account:
        self._index: dict[str, int] = {}
        self._marks: list[str] = []
        self._first = array("I", (0,))  # its first promise; the next account's is one past its last
        self._reported = array("d")  # when anything was last acknowledged
        # By promise:
        self._owner = array("I")
        self._path: list[str] = []
        self._interval = array("I")
        self._allowed = array("I")  # interval and tolerance
        self._kept = array("d")  # when it was last kept
        self._anew = array("d")  # from when it has its full time, whatever was before
        self._line = array("H")  # where it was last kept
        self._flags = bytearray()

    def __len__(self) -> int:
        return len(self._path)

    @property
    def overdue(self) -> int:
        """How many promises are overdue now; a few milliseconds for a million of them."""
        marks = _OVERDUE | _TEST | _CARRIES | _ASLEEP
        return sum(self._flags.count(value) for value in range(marks + 1) if value & _OVERDUE)

    # What is promised

    def take(self, promised: Iterable[tuple[str, Sequence[Promise], bool]], tick: float) -> None:
        """Supervise these accounts from now on: each one's mark, its promises, and whether it is awake.

        What is known of a promise that stands as before is kept; one that is new or another now has its full time from
        `tick`. Takes some 3 µs a promise: a book of ten thousand paths is taken in 30 ms.
        """
        old = copy(self)
        self._empty()
        for line in self._lines:
            line.paths, line.rate = 0, 0.0
        for mark, promises, awake in promised:
            if not promises:
                continue
            before = old._index.get(mark)
            owner = self._index[mark] = len(self._marks)
            self._marks.append(mark)
            self._reported.append(_NEVER if before is None else old._reported[before])
            polled = {promise.path for promise in promises if promise.kind == "poll"}
            for promise in promises:
                self._add(owner, promise, polled, awake, tick)
                if before is not None:
                    self._carry_over(old, before, promise)
                slot = len(self._path) - 1
                self._count(slot, 1)
                # Soon once, since more may be recalled of it: a later time would not do then.
                soon = tick + promise.tolerance * (slot * _GOLDEN % 1.0)
                self._wheel.put(slot, min(soon, self._since(slot) + self._allowed[slot]))
            self._first.append(len(self._path))

    def _add(self, owner: int, promise: Promise, polled: set[str], awake: bool, tick: float) -> None:
        # Whether the path is left is seen by its polls; by its tests where it does not poll. A test over any path is no
        # path of its own unless nothing else is promised.
        test = promise.kind == "test"
        carries = not test or (promise.path not in polled and (promise.path != "" or not polled))
        self._owner.append(owner)
        self._path.append(promise.path)
        self._interval.append(promise.interval)
        self._allowed.append(promise.interval + promise.tolerance)
        self._kept.append(_NEVER)
        self._anew.append(tick)
        self._line.append(_NO_LINE)
        self._flags.append(_TEST * test | _CARRIES * carries | _ASLEEP * (not awake))

    def _carry_over(self, old: "Supervision", account: int, promise: Promise) -> None:
        slot = len(self._path) - 1
        for before in old._slots(account):
            if old._promise(before)[:2] != promise[:2]:
                continue
            self._kept[slot], self._line[slot] = old._kept[before], old._line[before]
            if not self._flags[slot] & _ASLEEP:
                self._flags[slot] |= old._flags[before] & _OVERDUE
                if old._promise(before) == promise and not old._flags[before] & _ASLEEP:
                    self._anew[slot] = old._anew[before]

    def wake(self, account: str, awake: bool, tick: float) -> None:
        """Supervise an account or leave it alone: one that answers only while on test is someone else's outside of it."""
        index = self._index.get(account)
        for slot in () if index is None else self._slots(index):
            if bool(self._flags[slot] & _ASLEEP) is not awake:
                continue
            if awake:
                self._flags[slot] &= ~_ASLEEP
                self._anew[slot] = tick
                self._count(slot, 1)
            else:
                self._count(slot, -1)
                self._flags[slot] = self._flags[slot] & ~_OVERDUE | _ASLEEP

    def recall(self, account: str, path: str, kind: Kind, tick: float, line: Hashable = None) -> None:
        """What is known from before the start: when a promise was last kept, over which line."""
        for slot in self._promised(account, path, kind):
            if self._kept[slot] < tick:
                self._kept[slot] = min(tick, self._looked)  # the wall clock, which says so, may have stepped meanwhile
                self._move(slot, self._line_number(line, self._looked))

    def recall_overdue(self, account: str, path: str, kind: Kind) -> None:
        """It was told as overdue before the start: only its return is news."""
        for slot in self._promised(account, path, kind):
            if not self._flags[slot] & (_OVERDUE | _ASLEEP):
                self._count(slot, -1)
                self._flags[slot] |= _OVERDUE

    # What is heard

    def hear(self, account: str, path: str, line: Hashable, tick: float, test: bool = False) -> None:
        """A message was acknowledged; `test` if it is a test report. `line` is whatever names the line."""
        number = self._line_of.get(line)
        if number is None:
            number = self._line_number(line, tick)
        self._brings(self._lines[number], tick)
        self._brings(self._lines[_NO_LINE], tick)  # which is silent when none of them brings anything
        index = self._index.get(account)
        if index is None:
            return
        self._reported[index] = tick
        flags, paths = self._flags, self._path
        for slot in range(self._first[index], self._first[index + 1]):
            if paths[slot] == path:
                if flags[slot] & _TEST and not test:
                    continue
            elif not test or not flags[slot] & _TEST or paths[slot]:
                continue
            if flags[slot] & (_OVERDUE | _ASLEEP):
                self._is_back(slot, tick)
            if self._line[slot] != number:
                self._move(slot, number)
            self._kept[slot] = tick

    def _is_back(self, slot: int, tick: float) -> None:
        if self._flags[slot] & _ASLEEP:
            return
        silent = self._silence(slot, tick)
        self._flags[slot] &= ~_OVERDUE
        self._count(slot, 1)
        account = self._owner[slot]
        whole = not any(self._flags[other] & _OVERDUE for other in self._slots(account))
        self._news.append(Back(self._marks[account], self._promise(slot), silent, "whole" if whole else "degraded"))

    def _brings(self, line: _Line, tick: float) -> None:
        if line.silent:
            line.silent = False
            self._news.append(LineBack(line.name, tick - line.anew, line.paths))
            line.anew = tick
        else:
            gap = tick - line.heard
            if gap > line.gap:
                line.gap = min(gap, tick - line.anew)
        line.heard = tick

    def lose(self, line: Hashable, tick: float) -> None:
        """A line is known to be down: silent from now on, however little was due on it."""
        lost = self._lines[self._line_number(line, tick)]
        if lost.paths and not lost.silent:
            self._falls_silent(lost, tick)

    # What is due

    def due(self, tick: float) -> list[Event]:
        """What happened since the last look, in order. A broken promise is told less than a bucket and a look late."""
        if tick - self._looked > PAUSE_SECONDS:
            self._news.append(Paused(tick - self._looked))
            for line in self._lines:
                if not line.silent:
                    line.anew = tick
        self._looked = tick
        if tick - self._habits > HABIT_SECONDS:
            self._habits = tick
            for line in self._lines:
                line.gap_before, line.gap = line.gap, 0.0
        late: list[tuple[int, float | None]] = []
        for bucket in self._wheel.take(tick):
            for slot in bucket:
                since = self._since(slot)
                end = since + self._allowed[slot]
                if end > tick:
                    self._look_again(slot, since, tick)
                    continue
                # Whatever becomes of it: its full time may begin anew now at the earliest.
                self._look_again(slot, tick, tick)
                if self._flags[slot] & (_OVERDUE | _ASLEEP) or self._is_silent(self._line[slot], tick):
                    continue
                self._count(slot, -1)
                self._flags[slot] |= _OVERDUE
                late.append((slot, self._silence(slot, tick)))
        for slot, silent in late:  # after all are known, lest each of two lost paths be told to be the other's stay
            self._news.append(self._told(slot, silent, tick))
        news, self._news = self._news, []
        return news

    def _told(self, slot: int, silent: float | None, tick: float) -> Overdue:
        account = self._owner[slot]
        others = tuple(
            self._path[other]
            for other in self._slots(account)
            if self._flags[other] & (_OVERDUE | _CARRIES) == _CARRIES
            and self._kept[other] > _NEVER
            and not self._lines[self._line[other]].silent
        )
        # Something else may have come, over a path that promises nothing, or no test but an opening.
        reports = bool(others) or tick - self._reported[account] < self._allowed[slot]
        return Overdue(
            self._marks[account], self._promise(slot), silent, "degraded" if reports else "no path left", others
        )

    def _is_silent(self, number: int, tick: float) -> bool:
        line = self._lines[number]
        if not line.silent and line.missed(tick) >= LINE_SILENT_AFTER:
            self._falls_silent(line, tick)
        return line.silent

    def _falls_silent(self, line: _Line, tick: float) -> None:
        missed, line.anew = line.missed(tick), max(line.heard, line.anew)
        line.silent = True
        self._news.append(LineSilent(line.name, tick - line.anew, line.paths, missed))

    # Inside

    def _slots(self, account: int) -> range:
        return range(self._first[account], self._first[account + 1])

    def _promised(self, account: str, path: str, kind: Kind) -> list[int]:
        index = self._index.get(account)
        return [] if index is None else [s for s in self._slots(index) if self._promise(s)[:2] == (path, kind)]

    def _promise(self, slot: int) -> Promise:
        interval = self._interval[slot]
        kind: Kind = "test" if self._flags[slot] & _TEST else "poll"
        return Promise(self._path[slot], kind, interval, self._allowed[slot] - interval)

    def _look_again(self, slot: int, since: float, tick: float) -> None:
        """Have a promise looked at whose time counts from `since`, when it is over at the latest.

        The time of many may begin at once. They are looked at one after the other within their tolerance first, when the
        living have reported and lie apart; so no single look has to go through all.
        """
        interval, allowed = self._interval[slot], self._allowed[slot]
        early = since + interval + (allowed - interval) * (slot * _GOLDEN % 1.0)
        self._wheel.put(slot, early if early > tick else since + allowed)

    def _since(self, slot: int) -> float:
        """From when its time counts: it was kept, or all had their full time anew."""
        kept, anew = self._kept[slot], max(self._anew[slot], self._lines[self._line[slot]].anew)
        if kept < anew and self._flags[slot] & _TEST:
            # A daily report that was not due yet cannot have been missed. Else a bench that is started anew each day
            # would never miss one.
            interval = self._interval[slot]
            if kept + interval - (self._allowed[slot] - interval) > anew:
                return kept
        return max(kept, anew)

    def _silence(self, slot: int, tick: float) -> float | None:
        return None if self._kept[slot] == _NEVER else tick - self._kept[slot]

    def _count(self, slot: int, sign: int) -> None:
        """Count a promise in, or out, on its line, unless it is overdue or asleep: nothing is awaited of it then."""
        if not self._flags[slot] & (_OVERDUE | _ASLEEP):
            line = self._lines[self._line[slot]]
            line.paths += sign
            line.rate += sign / self._interval[slot]

    def _move(self, slot: int, line: int) -> None:
        self._count(slot, -1)
        self._line[slot] = line
        self._count(slot, 1)

    def _line_number(self, line: Hashable, tick: float) -> int:
        number = self._line_of.get(line)
        if number is None:
            number = self._line_of[line] = len(self._lines)
            self._lines.append(_Line(line, tick))
        return number


def overdue_among(rows: Iterable[dict[str, Any]]) -> dict[tuple[str, str, Kind], str]:
    """The promises that were told as overdue and not as kept again: account, path, kind, and when that was told. From event
    rows, newest first.
    """
    overdue: dict[tuple[str, str, Kind], str | None] = {}
    for row in rows:
        if row["event"] in ("path-overdue", "path-back"):
            told = row["at"] if row["event"] == "path-overdue" else None
            overdue.setdefault((row["account_mark"], row["path"], row["promise"]), told)
    return {which: at for which, at in overdue.items() if at is not None}


# In words


def in_words(event: Event, whose: str = "") -> str:
    """An event in a sentence for a person; `whose` names the account."""
    if isinstance(event, Overdue):
        promised = f"promised every {span(event.promise.interval)}"
        return f"{whose}: {_silence_of(event)}, {promised}; {_left(event)}"
    if isinstance(event, Back):
        what = "a test report came" if event.promise.kind == "test" else "it reports"
        how_long = "for the first time" if event.silent is None else f"again after {span(event.silent)}"
        left = "all that it promises is kept again" if event.state == "whole" else "still degraded"
        return f"{whose}: {what}{_over(event.promise)} {how_long}: {left}"
    if isinstance(event, LineSilent):
        where = "no line has brought anything" if event.line is None else f"nothing on {_line(event.line)}"
        heard = "not heard since the start" if event.line is None else "last heard over it"
        return (
            f"{where} for {span(event.silent)} while {event.missed} paths were due: our own line?"
            f" {event.paths} paths {heard} are not told one by one"
        )
    if isinstance(event, LineBack):
        where = "something comes in" if event.line is None else f"{_line(event.line)} brings something"
        return f"{where} again after {span(event.silent)}; {event.paths} paths have their full time anew"
    return (
        f"nobody watched for {span(event.seconds)} (the process was stopped, the machine slept, or the journal could not"
        " write); every path has its full time anew"
    )


def _line(line: Hashable) -> str:
    return " ".join(map(str, line)) if isinstance(line, tuple) else str(line)


def _over(promise: Promise) -> str:
    return f" over {promise.path}" if promise.path else ""


def _silence_of(event: Overdue) -> str:
    what = "test report" if event.promise.kind == "test" else ""
    over = _over(event.promise)
    if event.silent is None:
        return f"never a {what}{over}" if what else f"never heard{over}"
    return f"{f'no {what}' if what else 'nothing'}{over} for {span(event.silent)}"


def _left(event: Overdue) -> str:
    if event.state == "no path left":
        return "no path left: nobody would hear an alarm"
    names = [name for name in event.others if name]
    if not names:
        return "the account still reports: degraded"
    return f"{', '.join(names[:-1])}{' and ' * (len(names) > 1)}{names[-1]} still report{'s' * (len(names) == 1)}: degraded"


def span(seconds: float) -> str:
    """A length of time in at most two units: `3 min 45 s`, `25 h`, `2 d 3 h`."""
    left = round(seconds)
    if left >= 2 * 86400:
        units = ((86400, "d"), (3600, "h"))
    elif left >= 3600:
        units = ((3600, "h"), (60, "min"))
    else:
        units = ((60, "min"), (1, "s"))
    (large, one), (small, other) = units
    whole, rest = divmod(left, large)
    parts = [f"{whole} {one}"] * (whole > 0) + [f"{rest // small} {other}"] * (rest // small > 0)
    return " ".join(parts) or "0 s"
