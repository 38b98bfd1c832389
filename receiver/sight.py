"""What is in a recording: a fold over all that passed in it, and what it comes to.

The memory that it takes grows with the accounts, their paths and the kinds of things they said, not with the frames. It
shows and does not judge: accounts that no book knows are counted by the same rules as those that one does.
"""

import heapq
import math
from collections import Counter, OrderedDict
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Literal, NamedTuple

from protocols.dc09 import bare
from protocols.envelope import printable
from protocols.values import Frame, utc_text
from receiver import desk
from receiver.book import Account, Promise
from receiver.capture import Happening
from receiver.measures import MOST_JUMPED
from receiver.rehearing import Answered, Judged, Judging, Passed, rehear

MOST_ACCOUNTS = 10_000  # that no book knows; what others say is counted without an account
MOST_LACKING = 1000  # numbers of a count that may still come late
MOST_NAMED = 1000  # connections of one account that are told apart, and hosts
MOST_SILENCES = 200  # the longest of a path, that a picture shows
HABIT, LEAST_HABIT = 3, 5  # a silence of so many times the usual interval stands out; so many intervals make one usual
LEAST_STAMPS, LEAST_CLOCK_SECONDS = 3, 3600.0  # a stamp counts whole seconds: less of them shows no drift
LONGEST_EXAMPLE = 120  # characters of a frame shown as an example
DAMAGED = ("crc-mismatch", "length-mismatch", "bad-envelope")


class Times:
    """Lengths of time: their number, the longest, and any percentile within a thousandth, in little memory.

    They are kept in the bins that an HDR histogram of three digits has, and only in those that are filled, since every
    account has several such. Each bin keeps its sum, so that times which are all alike come out as they were.
    """

    def __init__(self) -> None:
        self.number, self.longest = 0, 0.0
        self._bins: dict[int, list[float]] = {}

    def add(self, seconds: float) -> None:
        """Count one; a time below zero (a clock was set back) counts as zero."""
        seconds = max(seconds, 0.0)
        micro = round(seconds * 1_000_000)
        shift = max(micro.bit_length() - 11, 0)
        one = self._bins.setdefault(micro >> shift << shift, [0, 0.0])
        one[0] += 1
        one[1] += seconds
        self.number += 1
        self.longest = max(self.longest, seconds)

    def percentile(self, percent: float) -> float | None:
        """The shortest time that so many in a hundred do not exceed, in seconds; None of nothing."""
        wanted, seen = max(math.ceil(self.number * percent / 100), 1), 0.0
        for _, (number, total) in sorted(self._bins.items()):
            seen += number
            if seen >= wanted:
                return total / number
        return None

    def to_json(self) -> dict[str, Any] | None:
        """`number`, `median`, `p99` and `longest`, in seconds; None of nothing."""
        if not self.number:
            return None
        median, slow = self.percentile(50) or 0.0, self.percentile(99) or 0.0
        return {
            "number": self.number,
            "median": round(median, 6),
            "p99": round(slow, 6),
            "longest": round(self.longest, 6),
        }


class Slope:
    """A straight line through points by least squares, one point at a time (Welford's way, which loses no digits)."""

    def __init__(self) -> None:
        self.number = 0
        self._x = self._y = self._xx = self._xy = self._yy = 0.0

    def add(self, x: float, y: float) -> None:
        self.number += 1
        off_x, off_y = x - self._x, y - self._y
        self._x += off_x / self.number
        self._y += off_y / self.number
        self._xx += off_x * (x - self._x)
        self._xy += off_x * (y - self._y)
        self._yy += off_y * (y - self._y)

    @property
    def slope(self) -> float | None:
        return self._xy / self._xx if self._xx else None

    @property
    def error(self) -> float | None:
        """The standard error of the slope: how far the points leave it open. None for less than three points."""
        if self.number < 3 or not self._xx:
            return None
        return math.sqrt(max(self._yy - self._xy**2 / self._xx, 0.0) / (self.number - 2) / self._xx)


@dataclass(slots=True)
class PanelClock:
    """The stamps of an account against the recording's clock: stamp less arrival in seconds, so above 0 is ahead.

    A stamp counts whole seconds and is older than its arrival, so a clock that is right shows 0 to −1 s and the way.
    Repeats and messages from the panel's memory are left out: they were stamped long before.
    """

    began: datetime | None = None
    ended: datetime | None = None
    first: float = 0.0
    last: float = 0.0
    line: Slope = field(default_factory=Slope)

    def take(self, at: datetime, stamp: datetime) -> None:
        off = (stamp - at).total_seconds()
        if self.began is None:
            self.began, self.first = at, off
        self.ended, self.last = at, off
        self.line.add((at - self.began).total_seconds(), off)

    @property
    def drift(self) -> tuple[float, float] | None:
        """Seconds a day that the panel's clock gains, and the standard error; None where there is too little to say."""
        slope, error = self.line.slope, self.line.error
        if self.began is None or self.ended is None or slope is None or error is None:
            return None
        if self.line.number < LEAST_STAMPS or (self.ended - self.began).total_seconds() < LEAST_CLOCK_SECONDS:
            return None
        return slope * 86400, error * 86400

    def to_json(self) -> dict[str, Any] | None:
        if self.began is None:
            return None
        drift = self.drift
        return {
            "stamps": self.line.number,
            "first_s": round(self.first, 3),
            "last_s": round(self.last, 3),
            "drift_s_per_day": drift and round(drift[0], 3),
            "drift_error": drift and round(drift[1], 3),
        }


class Gap(NamedTuple):
    """Numbers that are missing between two messages: the last before, the first after, and where that one is."""

    missing: int
    before: int
    after: int
    number: int
    at: datetime


class Step(NamedTuple):
    """How a number follows the one before: `gap` (so many `missing`), `restart`, `reused`, or `late`: a missing one came."""

    word: Literal["gap", "restart", "reused", "late"]
    missing: int = 0


class Count:
    """How the numbers of one count follow each other, by the desk's rules; a missing one that comes yet is late."""

    def __init__(self) -> None:
        self.known = desk.Known()
        self.gaps = self.missing = self.restarts = self.reused = self.late = 0
        self.largest: Gap | None = None
        self._lacking: OrderedDict[int, None] = OrderedDict()  # the last that are missing

    def take(self, frame: Frame, at: datetime, number: int) -> Step | None:
        """Take the next message of it; None where it is in order."""
        last, now = self.known.last, frame.sequence
        note = desk.sequence_note(frame, self.known)
        if now is not None and note in ("gap", "restart") and now in self._lacking:
            del self._lacking[now]
            self.late += 1
            self.missing -= 1
            return Step("late")
        self.known.last = now or last
        self._lacking.pop(now or 0, None)  # a whole round later
        if now is None or note is None or last is None:
            return None
        if note == "gap":
            return self._gap(Gap((now - last) % 9999 - 1, last, now, number, at))
        if note == "restart":
            self.restarts += 1
            self._lacking.clear()
            return Step("restart")
        self.reused += 1
        return Step("reused")

    def _gap(self, gap: Gap) -> Step:
        self.gaps += 1
        self.missing += gap.missing
        if self.largest is None or gap.missing > self.largest.missing:
            self.largest = gap
        for behind in range(min(gap.missing, MOST_JUMPED), 0, -1):
            self._lacking[(gap.after - behind - 1) % 9999 + 1] = None
        while len(self._lacking) > MOST_LACKING:
            self._lacking.popitem(last=False)
        return Step("gap", gap.missing)

    def to_json(self) -> dict[str, Any]:
        largest = self.largest
        return {
            "gaps": self.gaps,
            "missing": self.missing,
            "largest_gap": largest
            and {
                "missing": largest.missing,
                "after": largest.before,
                "before": largest.after,
                "frame": largest.number,
                "at": desk.millis(largest.at),
            },
            "came_late": self.late,
            "restarts": self.restarts,
            "reused": self.reused,
        }


class Silence(NamedTuple):
    seconds: float
    began: datetime
    ended: datetime


@dataclass(slots=True)
class PathSight:
    """One path of an account: its polls, how far apart they were, and how long it was silent.

    `late` counts the times that nothing came over it for longer than was promised, with the promise's tolerance; None
    where nothing is promised.
    """

    name: str
    promise: Promise | None
    heard: datetime  # or when the recording began
    polls: int = 0
    messages: int = 0
    last_poll: datetime | None = None
    intervals: Times = field(default_factory=Times)
    longest: Silence | None = None  # between two polls
    late: int | None = None
    first: datetime | None = None
    silences: list[Silence] = field(default_factory=list)  # the longest

    def __post_init__(self) -> None:
        if self.promise:
            self.late = 0

    def poll(self, at: datetime) -> None:
        self.polls += 1
        if self.last_poll is not None:
            seconds = (at - self.last_poll).total_seconds()
            self.intervals.add(seconds)
            if self.longest is None or seconds > self.longest.seconds:
                self.longest = Silence(seconds, self.last_poll, at)
        self.last_poll = at

    def sign(self, at: datetime, over: bool = False) -> None:
        """Something that keeps the promise came, or the recording is `over`."""
        silence = Silence((at - self.heard).total_seconds(), self.heard, at)
        if self.promise and silence.seconds > self.promise.interval + self.promise.tolerance:
            self.late = (self.late or 0) + 1
        if self.promise or self.first:  # without a promise, nothing was due before the first
            heapq.heappush(self.silences, silence)
            if len(self.silences) > MOST_SILENCES:
                heapq.heappop(self.silences)
        self.heard = at
        if not over:
            self.first = self.first or at

    def stand_out(self) -> list[Silence]:
        """The silences, of the longest, that are longer than promised; without a promise, than three times the usual."""
        if self.promise:
            allowed = float(self.promise.interval + self.promise.tolerance)
        elif self.intervals.number >= LEAST_HABIT:
            allowed = HABIT * (self.intervals.percentile(50) or math.inf)
        else:
            return []
        return sorted((one for one in self.silences if one.seconds > allowed), key=lambda one: one.began)

    def to_json(self) -> dict[str, Any]:
        longest = self.longest
        return {
            "path": self.name,
            "polls": self.polls,
            "messages": self.messages,
            "interval_s": self.intervals.to_json(),
            "longest_began": longest and desk.millis(longest.began),
            "poll_seconds": self.promise and self.promise.interval,
            "tolerance_seconds": self.promise and self.promise.tolerance,
            "late": self.late,
        }


@dataclass(slots=True)
class AccountSight:
    """What one account said, and what was answered."""

    number: str
    name: str | None
    known: Account | None
    frames: int = 0
    messages: int = 0
    sealed: int = 0
    tokens: Counter[str] = field(default_factory=Counter)
    categories: Counter[str] = field(default_factory=Counter)
    verdicts: Counter[str] = field(default_factory=Counter)
    problems: Counter[str] = field(default_factory=Counter)
    counts: dict[str | None, Count] = field(default_factory=dict)  # by path, and under None all together
    repeats: Times = field(default_factory=Times)  # how long after the first
    answers: Counter[str] = field(default_factory=Counter)
    delays: Times = field(default_factory=Times)
    waiting: Counter[str] = field(default_factory=Counter)  # no answer is recorded; the desk's word for them
    otherwise: Counter[tuple[str, str]] = field(default_factory=Counter)  # (recorded, what the desk would have said)
    paths: dict[str, PathSight] = field(default_factory=dict)
    clock: PanelClock = field(default_factory=PanelClock)
    connections: set[str] = field(default_factory=set)
    hosts: Counter[str] = field(default_factory=Counter)
    busiest: tuple[int, datetime | None] = (0, None)
    _recent: OrderedDict[Any, datetime] = field(default_factory=OrderedDict)
    _minute: tuple[int, datetime | None] = (0, None)

    @property
    def polls(self) -> int:
        return self.tokens["NULL"]

    @property
    def scope(self) -> Literal["all", "one"]:
        """Whether the panel counts over all its paths together or on each one alone: whichever lacks less."""
        each = [count for path, count in self.counts.items() if path is not None]
        whole = self.counts.get(None)
        return "one" if whole and sum(one.missing for one in each) < whole.missing else "all"

    def in_scope(self) -> dict[str | None, Count]:
        """The counts that the panel keeps, by path; under None the one that it keeps for all paths."""
        together = self.scope == "all"
        return {path: count for path, count in self.counts.items() if (path is None) is together}

    @property
    def unanswered(self) -> int:
        return self.waiting.total()

    def differences(self) -> dict[tuple[str, str], int]:
        """How often what was recorded (`none` too) is not what the desk would have answered: (recorded, desk) → times."""
        silent = {("none", word): number for word, number in self.waiting.items() if number and word != "none"}
        return {**{pair: number for pair, number in self.otherwise.items() if number}, **silent}

    def message(self, at: datetime, frame: Frame, path: str, number: int, repeat_seconds: float) -> "_Said":
        """Count a message that is no poll: whether it is a repeat, else how its number follows."""
        minute = at.replace(second=0, microsecond=0)
        self._minute = (self._minute[0] + 1 if self._minute[1] == minute else 1, minute)
        self.busiest = max(self.busiest, self._minute, key=lambda one: one[0])
        key = desk.message_of(frame)  # of what cannot be opened, its number alone: that twice in so short a time is one
        first = self._recent.get(key)
        if first is not None and (at - first).total_seconds() <= repeat_seconds:
            self.repeats.add((at - first).total_seconds())
            return _Said(True, {})
        steps = {}
        for scope in (None, path):
            count = self.counts.setdefault(scope, Count())
            if step := count.take(frame, at, number):
                steps[scope] = step
            count.known.recent[key] = (0.0, None)
        self._recent[key] = at
        self._recent.move_to_end(key)
        self._forget(at, repeat_seconds)
        return _Said(False, steps)

    def _forget(self, at: datetime, repeat_seconds: float) -> None:
        while True:
            key, first = next(iter(self._recent.items()))
            if len(self._recent) <= desk.MOST_REMEMBERED and (at - first).total_seconds() <= repeat_seconds:
                return
            del self._recent[key]
            for count in self.counts.values():
                count.known.recent.pop(key, None)

    def to_json(self, hours: float) -> dict[str, Any]:
        return {
            "account": self.number,
            "account_name": self.name,
            "known": self.known is not None,
            "frames": self.frames,
            "messages": self.messages,
            "polls": self.polls,
            "encrypted": self.sealed,
            "tokens": dict(self.tokens),
            "signals": dict(self.categories),
            "per_hour": round(self.messages / hours, 3) if hours else None,
            "busiest_minute": self.busiest[1] and {"began": utc_text(self.busiest[1]), "messages": self.busiest[0]},
            "sequence": [{"path": path} | count.to_json() for path, count in self.in_scope().items()],
            "repeats": self.repeats.number,
            "repeat_after_s": self.repeats.to_json(),
            "verdicts": dict(self.verdicts),
            "answers": dict(self.answers),
            "answer_delay_s": self.delays.to_json(),
            "unanswered": self.unanswered,
            "desk_differs": [
                {"recorded": one, "desk": other, "times": times} for (one, other), times in self.differences().items()
            ],
            "paths": [path.to_json() for path in self.paths.values()],
            "clock": self.clock.to_json(),
            "problems": dict(self.problems),
            "connections": len(self.connections),
            "hosts": dict(self.hosts),
        }


class _Said(NamedTuple):
    repeat: bool
    steps: dict[str | None, Step]


@dataclass(slots=True)
class LineSight:
    """What passed on one line."""

    frames: int = 0
    messages: int = 0
    signals: int = 0
    polls: int = 0
    answers: int = 0
    noise: int = 0  # runs of it
    noise_bytes: int = 0
    lost_bytes: int = 0

    def to_json(self) -> dict[str, int]:
        return {name: getattr(self, name) for name in self.__slots__}

    def __add__(self, other: "LineSight") -> "LineSight":
        return LineSight(*(getattr(self, name) + getattr(other, name) for name in self.__slots__))


@dataclass(slots=True)
class ProblemSight:
    """A rule that something broke: how often, and the first time. `frame` counts the pieces of both sides from 1."""

    frame: int
    at: datetime
    detail: str
    raw: str
    by: Literal["panel", "receiver"]
    times: int = 0

    def to_json(self) -> dict[str, Any]:
        return {
            "times": self.times,
            "frame": self.frame,
            "at": desk.millis(self.at),
            "by": self.by,
            "detail": self.detail,
            "raw": self.raw,
        }


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which part of a recording: accounts by their numbers (empty: all), from a moment on, before another."""

    accounts: Collection[str] = ()
    since: datetime | None = None
    until: datetime | None = None

    def when(self, at: datetime) -> bool:
        return (self.since is None or at >= self.since) and (self.until is None or at < self.until)

    def whose(self, frame: Frame) -> bool:
        return not self.accounts or bare(frame.account or "") in set(map(bare, self.accounts))


Kind = Literal["message", "poll", "unreadable", "noise", "answer", "lost"]


class Seen(NamedTuple):
    """One thing that passed, as the fold has understood it. `number` is that of the message which an answer is to."""

    at: datetime
    kind: Kind
    account: str | None
    path: str
    number: int
    frame: Frame | None = None
    waits: bool = False
    repeat: bool = False
    steps: dict[str | None, Step] = {}  # noqa: RUF012 - never written
    word: str = ""
    size: int = 0


_EPOCH = datetime.min.replace(tzinfo=UTC)


@dataclass(slots=True)
class Sight:
    """All of it. `look` makes one; what is counted by account stands under the book's mark, or the bare number."""

    judging: Judging
    wanted: Wanted = field(default_factory=Wanted)
    began: datetime | None = None
    ended: datetime | None = None
    lines: dict[str, LineSight] = field(default_factory=dict)
    accounts: dict[str, AccountSight] = field(default_factory=dict)
    problems: dict[str, ProblemSight] = field(default_factory=dict)
    foreign: Counter[str] = field(default_factory=Counter)  # answers that belong to no message, by token
    crowd: int = 0  # frames of accounts beyond those that are counted
    opened: int = 0  # connections

    @property
    def seconds(self) -> float:
        return (self.ended - self.began).total_seconds() if self.began and self.ended else 0.0

    def total(self) -> LineSight:
        return sum(self.lines.values(), LineSight())

    def not_heard(self) -> list[Account]:
        """The accounts of the book that said nothing here."""
        wanted = set(map(bare, self.wanted.accounts))
        return [
            one for one in self.judging.book.accounts
            if one.mark not in self.accounts and (not wanted or bare(one.number) in wanted)
        ]  # fmt: skip

    def spanned(self, happenings: Iterable[Happening]) -> Iterator[Happening]:
        """The same happenings; from when to when they last is noted."""
        for one in happenings:
            if self.wanted.when(one.at):
                self.began = self.began or one.at
                self.ended = max(self.ended or one.at, one.at)
                self.opened += one.what == "open"
            yield one

    def take(self, passed: Passed) -> Seen | None:
        """Count one thing; None where it is not wanted."""
        if isinstance(passed, Judged):
            return self._judged(passed) if self._wants(passed) else None
        if isinstance(passed, Answered):
            if not (self._wants(passed.to) if passed.to else self._alone(passed.at)):
                return None
            return self._answered(passed)
        if not self._alone(passed.at):
            return None
        self._line(passed.origin.line).lost_bytes += passed.size
        return Seen(passed.at, "lost", None, passed.origin.line, 0, size=passed.size)

    def over(self) -> None:
        """Say that nothing more comes: what is promised and has not come by the end is late."""
        for account in self.accounts.values():
            if account.known:
                for promise in account.known.promises():
                    if promise.kind == "poll" and promise.path:
                        self._path(account, promise.path)
            for path in account.paths.values():
                path.sign(self.ended or path.heard, over=True)

    def _wants(self, judged: Judged) -> bool:
        return self.wanted.when(judged.at) and self.wanted.whose(judged.decision.frame)

    def _alone(self, at: datetime) -> bool:
        return not self.wanted.accounts and self.wanted.when(at)

    def _line(self, name: str) -> LineSight:
        return self.lines.setdefault(name or "unknown", LineSight())

    def _judged(self, judged: Judged) -> Seen:
        frame, line = judged.decision.frame, self._line(judged.origin.line)
        self._problems(frame, judged.number, judged.at, "panel")
        if frame.kind == "noise":
            line.noise += 1
            line.noise_bytes += frame.size
            return Seen(judged.at, "noise", None, judged.origin.line, judged.number, frame, size=frame.size)
        line.frames += 1
        line.signals += len(frame.signals)
        account = self._account(judged)
        damaged = frame.kind != "frame" or frame.token is None or frame.has(*DAMAGED)
        if account is None:
            path = judged.origin.line
        else:
            path = self._named(judged)
            self._of_account(account, judged)
        waits = not frame.has(*DAMAGED, "noise", "oversize")
        if account and waits:
            account.waiting[judged.decision.reply] += 1
        mark = self._mark(judged)
        if damaged:
            return Seen(judged.at, "unreadable", mark if account else None, path, judged.number, frame, waits)
        if frame.token == "NULL":
            line.polls += 1
        else:
            line.messages += 1
        if account is None:
            kind: Kind = "poll" if frame.token == "NULL" else "message"
            return Seen(judged.at, kind, None, path, judged.number, frame, waits)
        return self._heard(account, judged, path, mark, waits)

    def _heard(self, account: AccountSight, judged: Judged, path: str, mark: str, waits: bool) -> Seen:
        """Count what an account said that could be read."""
        frame, at = judged.decision.frame, judged.at
        route = self._path(account, path)
        if judged.decision.reply == "ACK" or account.known is None:
            route.sign(at)
        said = _Said(False, {})
        if frame.token == "NULL":
            route.poll(at)
        else:
            account.messages += 1
            route.messages += 1
            said = account.message(at, frame, path, judged.number, self.judging.policy.repeat_seconds)
            account.categories.update(signal.category for signal in frame.signals)
        if frame.stamp and not said.repeat and not any(signal.from_memory for signal in frame.signals):
            account.clock.take(at, frame.stamp)
        kind: Kind = "poll" if frame.token == "NULL" else "message"
        return Seen(at, kind, mark, path, judged.number, frame, waits, said.repeat, said.steps)

    def _of_account(self, account: AccountSight, judged: Judged) -> None:
        frame = judged.decision.frame
        account.frames += 1
        account.tokens[frame.token or "?"] += 1
        account.sealed += frame.encrypted
        account.verdicts[judged.decision.verdict] += 1
        account.problems.update(rule for rule, _ in frame.problems)
        if len(account.connections) < MOST_NAMED:
            account.connections.add(judged.connection)
        if judged.origin.host in account.hosts or len(account.hosts) < MOST_NAMED:
            account.hosts[judged.origin.host or "unknown"] += 1

    def _answered(self, answered: Answered) -> Seen | None:
        reply, to = answered.heard.frame, answered.to
        self._problems(reply, answered.number, answered.at, "receiver")
        line = self._line(answered.origin.line)
        if reply.kind == "noise":
            line.noise += 1
            line.noise_bytes += reply.size
            return Seen(answered.at, "noise", None, answered.origin.line, 0, reply, size=reply.size)
        line.answers += 1
        if to is None:
            self.foreign[reply.token or "unreadable"] += 1
            return None
        account = self._account(to)
        if account is None:
            return None
        word, due = answered.heard.word, to.decision.reply
        account.answers[word] += 1
        account.delays.add((answered.at - to.at).total_seconds())
        account.waiting[due] -= 1
        if word != due:
            account.otherwise[word, due] += 1
        return Seen(to.at, "answer", self._mark(to), self._named(to), to.number, word=word)

    def _problems(self, frame: Frame, number: int, at: datetime, by: Literal["panel", "receiver"]) -> None:
        for rule, detail in frame.problems:
            raw = printable(frame.raw[: LONGEST_EXAMPLE + 1])
            raw = raw if len(raw) <= LONGEST_EXAMPLE else f"{raw[:LONGEST_EXAMPLE]}…"
            self.problems.setdefault(rule, ProblemSight(number, at, detail, raw, by)).times += 1

    @staticmethod
    def _mark(judged: Judged) -> str:
        account = judged.decision.account
        return account.mark if account else bare(judged.decision.frame.account or "")

    def _account(self, judged: Judged) -> AccountSight | None:
        """Whose it is. What is damaged names an account only where the book knows it: the number may be the damage."""
        frame, known = judged.decision.frame, judged.decision.account
        if known is None and (frame.account is None or frame.has(*DAMAGED, "bad-number")):
            return None
        mark = self._mark(judged)
        found = self.accounts.get(mark)
        if found is None:
            if known is None and len(self.accounts) >= MOST_ACCOUNTS:
                self.crowd += 1
                return None
            number = known.numbered if known else frame.account or ""
            found = self.accounts[mark] = AccountSight(number, known.name if known else None, known)
        return found

    @staticmethod
    def _named(judged: Judged) -> str:
        """The path by the book; where it tells none, the line, and the prefix if there is one."""
        origin, frame, account = judged.origin, judged.decision.frame, judged.decision.account
        path = account.path_of(origin.line, origin.port, frame.prefix, origin.host) if account else None
        prefix = bare(frame.prefix or "0")
        return path or " ".join([origin.line or "unknown", *([f"L{prefix}"] if prefix != "0" else [])])

    def _path(self, account: AccountSight, name: str) -> PathSight:
        found = account.paths.get(name)
        if found is None:
            promises = account.known.promises() if account.known else []
            mine = [one for one in promises if one.kind == "poll" and one.path in (name, "")]
            promise = min(mine, key=lambda one: one.path != name, default=None)
            found = account.paths[name] = PathSight(name, promise, self.began or _EPOCH)
        return found

    def to_json(self) -> dict[str, Any]:
        """What `capture show --json` prints, without the recording's own note."""
        hours = self.seconds / 3600
        return {
            "began": self.began and desk.millis(self.began),
            "ended": self.ended and desk.millis(self.ended),
            "seconds": round(self.seconds, 3),
            "connections": self.opened,
            "totals": self.total().to_json(),
            "lines": {name: line.to_json() for name, line in self.lines.items()},
            "accounts": [one.to_json(hours) for one in sorted(self.accounts.values(), key=lambda one: one.number)],
            "not_heard": [one.numbered for one in self.not_heard()],
            "answers_to_nothing": dict(self.foreign),
            "beyond_count": self.crowd,
            "problems": {rule: self.problems[rule].to_json() for rule in sorted(self.problems)},
        }


def look(
    happenings: Iterable[Happening],
    judging: Judging,
    wanted: Wanted = Wanted(),
    told: Callable[[Seen], None] = lambda seen: None,
) -> Sight:
    """See what is in a recording, or in the wanted part of it; each thing is `told` as it is counted.

    Everything is heard from the beginning, so that what the desk knows at the wanted part is what it would have known.
    """
    sight = Sight(judging, wanted)
    for passed in rehear(sight.spanned(happenings), judging):
        if seen := sight.take(passed):
            told(seen)
    sight.over()
    return sight
