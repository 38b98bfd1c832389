"""What a load shows: its messages over time, in slices, and in all; as figures, as a picture, as a page."""

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache, reduce
from importlib.resources import files
from typing import Any, NamedTuple

from hdrh.histogram import HdrHistogram
from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup

from receiver.trial.load import ACK, BAD, DUH, NAK, SECOND, Run

LONGEST_US = 3_600_000_000  # an hour: more than any answer is waited for
DIGITS = 3  # of a delay, that the histogram keeps
PERCENTILES = (50.0, 90.0, 99.0, 99.9)
MICROSECOND = 1000


def histogram(counts: Counter[int] | None = None) -> HdrHistogram:
    """A histogram of delays in microseconds, true to three digits; the shortest it tells is one microsecond."""
    made = HdrHistogram(1, LONGEST_US, DIGITS)
    for value, count in (counts or {}).items():
        made.record_value(min(max(value, 1), LONGEST_US), count)
    return made


def milliseconds(delays: HdrHistogram, percentile: float) -> float | None:
    """A percentile of the delays; None where there are none."""
    return delays.get_value_at_percentile(percentile) / 1000 if delays.get_total_count() else None


@dataclass(slots=True)
class Slice:
    """A stretch of a load, from `begin` to `end` seconds. All but two figures are of the messages that were due in it.

    `answered` counts the answers that arrived in it, to whatever message; `wrong`, `broken` and `unopened` what happened
    in it. `refused` is NAK and DUH. A bad frame waits for no answer, so `offered` is `acknowledged`, `refused`, `late`,
    `lost` and `bad` together.
    """

    begin: float
    end: float
    offered: int = 0
    acknowledged: int = 0
    nak: int = 0
    duh: int = 0
    late: int = 0
    lost: int = 0
    bad: int = 0
    answered: int = 0
    wrong: int = 0
    broken: int = 0
    unopened: int = 0
    delays: HdrHistogram = field(default_factory=histogram)

    @property
    def refused(self) -> int:
        return self.nak + self.duh

    @property
    def wanting(self) -> int:
        """The messages that want an answer: all but the bad frames that rightly got none."""
        return self.offered - self.bad

    @property
    def seconds(self) -> float:
        return self.end - self.begin

    def __add__(self, other: "Slice") -> "Slice":
        both = Slice(self.begin, other.end, *(getattr(self, name) + getattr(other, name) for name in COUNTED))
        both.delays.add(self.delays)
        both.delays.add(other.delays)
        return both

    def to_json(self) -> dict[str, Any]:
        """One line of `trial load --json`."""
        return {
            "what": "slice",
            "from_s": round(self.begin, 3),
            "to_s": round(self.end, 3),
            "offered_per_s": round(self.offered / self.seconds, 1),
            "answered_per_s": round(self.answered / self.seconds, 1),
            **{name: getattr(self, name) for name in COUNTED},
            "delay_ms": figures(self.delays),
        }


COUNTED = ("offered", "acknowledged", "nak", "duh", "late", "lost", "bad", "answered", "wrong", "broken", "unopened")


def in_words(value: float | None) -> str:
    """Milliseconds for a person, to three digits or to the whole millisecond."""
    return "–" if value is None else f"{value:,.{2 if value < 10 else 1 if value < 100 else 0}f}"


def figures(delays: HdrHistogram) -> dict[str, float | None]:
    """The percentiles that are told, and the longest."""
    return {f"p{one:g}": milliseconds(delays, one) for one in PERCENTILES} | {"max": milliseconds(delays, 100)}


def slices(run: Run, late: float) -> list[Slice]:
    """A load over time: ten to sixty slices, of a second or less where it lasts a minute at most. `late` is in seconds.

    What was answered after the end stands in one more slice, unless it is next to nothing.
    """
    length = run.order.seconds
    if run.done < len(run.schedule.due):  # a person ended it
        length = max(run.schedule.due[run.done - 1] / SECOND if run.done else 0.0, 0.001)
    parts = 10 * min(max(math.ceil(length / 10), 1), 6)
    made = [Slice(length * number / parts, length * (number + 1) / parts) for number in range(parts)]
    last = max((due + delay for due, _, _, delay, _ in run.places() if delay >= 0), default=0) / SECOND
    if last > length + 0.1:
        made.append(Slice(length, last))
    counts: list[Counter[int]] = [Counter() for _ in made]
    scale = parts / (length * SECOND)
    bound = late * SECOND

    def at(moment: int) -> int:
        return min(int(moment * scale), parts if moment > length * SECOND else parts - 1, len(made) - 1)

    for due, kind, word, delay, _ in run.places():
        place = at(due)
        one = made[place]
        one.offered += 1
        if delay >= 0:
            made[at(due + delay)].answered += 1
            counts[place][delay // MICROSECOND] += 1
        if word == ACK:
            if delay > bound:
                one.late += 1
            else:
                one.acknowledged += 1
        elif word == NAK:
            one.nak += 1
        elif word == DUH:
            one.duh += 1
        elif kind == BAD:
            one.bad += 1
        else:
            one.lost += 1
    for name, troubles in (("wrong", run.wrong), ("broken", run.broken), ("unopened", run.unopened)):
        for moment in troubles.at:
            one = made[at(max(moment, 0))]
            setattr(one, name, getattr(one, name) + 1)
    for one, found in zip(made, counts, strict=True):
        one.delays = histogram(found)
    return made


def in_tenths(made: Sequence[Slice]) -> list[Slice]:
    """The same in ten rows, and what came after the end."""
    each = len(made) // 10
    return [reduce(Slice.__add__, made[at : at + each]) for at in range(0, each * 10, each)] + list(made[each * 10 :])


@dataclass(slots=True)
class Report:
    """All of a load. `told` is what was asked for, as JSON gives it; `words` the same for a person."""

    run: Run
    late: float
    told: dict[str, Any]
    words: dict[str, str]
    slices: list[Slice] = field(init=False)
    whole: Slice = field(init=False)
    lag: HdrHistogram = field(init=False)

    def __post_init__(self) -> None:
        self.slices = slices(self.run, self.late)
        self.whole = reduce(Slice.__add__, self.slices)
        self.lag = histogram(Counter(lag // MICROSECOND for *_, lag in self.run.places() if lag >= 0))

    @property
    def interrupted(self) -> bool:
        return self.run.done < len(self.run.schedule.due)

    @property
    def holds(self) -> bool:
        """Whether every message was acknowledged in time, and nothing else came."""
        whole = self.whole
        return not (whole.refused or whole.late or whole.lost or whole.wrong or self.interrupted)

    @property
    def wanting_per_second(self) -> float:
        """Messages a second that want an answer, as they were due."""
        return self.whole.wanting / self._length

    @property
    def answered_per_second(self) -> float:
        """Over the length of the load, and over the time after it where answers were still coming."""
        return self.whole.answered / self.whole.end

    @property
    def _length(self) -> float:
        return self.slices[10 * (len(self.slices) // 10) - 1].end

    def sentence(self) -> str:
        """What it comes to, in a sentence."""
        whole = self.whole
        wrongs = [
            f"{count:,} {what}"
            for count, what in (
                (whole.lost, "lost"),
                (whole.late, f"answered later than {self.late:g} s"),
                (whole.nak, "answered NAK"),
                (whole.duh, "answered DUH"),
                (whole.wrong, "wrong answers"),
            )
            if count
        ]
        bad = f", and none of {whole.bad:,} bad frames was answered" if whole.bad and not whole.wrong else ""
        early = " Ended early by hand." if self.interrupted else ""
        if wrongs:
            return f"Of {whole.wanting:,} messages that want an answer: {', '.join(wrongs)}.{early}"
        return f"All {whole.wanting:,} messages were acknowledged within {self.late:g} s{bad}.{early}"

    def advice(self) -> list[str]:
        """What else a person should know."""
        whole, lag = self.whole, figures(self.lag)
        notes = []
        if whole.duh and whole.duh >= whole.wanting / 2:
            notes.append(
                "Most answers are DUH: does the receiver know these accounts? --book-for writes a book for farend."
            )
        if (lag["p99"] or 0) > max((figures(whole.delays)["p99"] or 0) / 2, 5):
            notes.append(
                "This client was itself late: what is measured is partly this machine, not the receiver alone."
            )
        if whole.unopened:
            notes.append(f"{whole.unopened:,} connections could not be opened; their messages count as lost.")
        return notes

    def curve(self) -> list[tuple[float, float]]:
        """The delay at each percentile, closer and closer to the longest: (percentile, milliseconds)."""
        total = self.whole.delays.get_total_count()
        steps = [100 * (1 - 2 ** (-step / 4)) for step in range(4 * max(math.ceil(math.log2(total or 1)), 1) + 1)]
        return [(one, found) for one in steps if (found := milliseconds(self.whole.delays, one)) is not None]

    def to_json(self) -> dict[str, Any]:
        """The last line of `trial load --json`."""
        run, whole = self.run, self.whole
        return {
            "what": "summary",
            **self.told,
            "seconds": self._length,
            "scheduled": run.schedule.counts(),
            **{name: getattr(whole, name) for name in COUNTED},
            "offered_per_s": round(self.whole.offered / self._length, 1),
            "answered_per_s": round(self.answered_per_second, 1),
            "delay_ms": figures(whole.delays),
            "client_lag_ms": figures(self.lag),
            "curve": [[round(one, 5), delay] for one, delay in self.curve()],
            "opened": run.opened,
            "samples": {"wrong": run.wrong.samples, "broken": run.broken.samples, "unopened": run.unopened.samples},
            "interrupted": self.interrupted,
            "holds": self.holds,
        }


# The picture


LEFT, RIGHT, TOP, HIGH, WIDE = 64, 16, 34, 150, 760  # of each chart, in pixels
EACH = TOP + HIGH + 46


class Axis(NamedTuple):
    """Where values stand, in pixels, and the ticks with their words."""

    place: Callable[[float], float]
    ticks: list[tuple[float, str]]


class Line(NamedTuple):
    """One line of a chart: told apart by how it is dashed, `0` (whole) to `2`."""

    name: str
    dash: int
    path: str


class Chart(NamedTuple):
    title: str
    below: str
    x: list[tuple[float, str]]
    y: list[tuple[float, str]]
    lines: list[Line]


Points = Iterable[tuple[float, float | None]]


def charts(report: Report) -> list[Chart]:
    """Rates over time, delays over time, and the delay at each percentile."""
    made = report.slices
    middles = [(one.begin + one.end) / 2 for one in made]
    time = _even(0, made[-1].end, LEFT, WIDE - RIGHT)
    rates = {
        "due": [one.wanting / one.seconds for one in made],
        "answered": [one.answered / one.seconds for one in made],
    }
    delays = {
        "p50": [milliseconds(one.delays, 50) for one in made],
        "p99": [milliseconds(one.delays, 99) for one in made],
        "longest": [milliseconds(one.delays, 100) for one in made],
    }
    rate = _even(0, max(map(max, rates.values())), HIGH, 0)
    delay = _by_tens([value for values in delays.values() for value in values if value])
    curve = [(-math.log10(1 - one / 100), value) for one, value in report.curve()]
    nines = max((one for one, _ in curve), default=1.0) or 1.0
    percent = Axis(
        lambda one: LEFT + (WIDE - RIGHT - LEFT) * one / nines,
        [(0.0, "0 %"), *((tens, f"{100 - 100 / 10**tens:g} %") for tens in map(float, range(1, int(nines) + 1)))],
    )
    depth = _by_tens([value for _, value in curve])
    return [
        _chart("Messages that want an answer, a second", "seconds since the load began", time, rate,
               {name: zip(middles, values, strict=True) for name, values in rates.items()}),
        _chart("Delay in milliseconds, by when the message was due", "seconds since the load began", time, delay,
               {name: zip(middles, values, strict=True) for name, values in delays.items()}),
        _chart("Delay in milliseconds, at each percentile", "so many of the answers took no longer", percent, depth,
               {"delay": curve}),
    ]  # fmt: skip


def _chart(title: str, below: str, x: Axis, y: Axis, lines: dict[str, Points]) -> Chart:
    return Chart(
        title,
        below,
        [(x.place(at), word) for at, word in x.ticks],
        [(y.place(at), word) for at, word in y.ticks],
        [Line(name, dash, _path(points, x, y)) for dash, (name, points) in enumerate(lines.items())],
    )


def _path(points: Points, x: Axis, y: Axis) -> str:
    """A line through points, broken where a value is lacking."""
    said, lifted = [], True
    for at, value in points:
        if value is not None:
            said.append(f"{'M' if lifted else 'L'}{x.place(at):.1f} {y.place(value):.1f}")
            if lifted:
                said.append("h0.1")  # so that a point between two gaps is seen, too
        lifted = value is None
    return " ".join(said)


def _even(least: float, most: float, begin: float, end: float) -> Axis:
    """An axis of even steps of 1, 2 or 5 times a power of ten."""
    most = most if most > least else least + 1
    rough = (most - least) / 5
    power = 10 ** math.floor(math.log10(rough))
    step = next(times * power for times in (1, 2, 5, 10) if times * power >= rough * 0.999)
    ticks = [least + step * number for number in range(int((most - least) / step + 1e-9) + 1)]
    return Axis(lambda at: begin + (end - begin) * (at - least) / (most - least), [(at, f"{at:,.6g}") for at in ticks])


def _by_tens(values: Sequence[float]) -> Axis:
    """A logarithmic axis from whole power of ten to whole power of ten."""
    least = math.floor(math.log10(min(values, default=1)))
    most = max(math.ceil(math.log10(max(values, default=10))), least + 1)
    ticks = [(10.0**power, f"{10.0**power:,g}") for power in range(least, most + 1)]
    return Axis(lambda at: HIGH * (1 - (math.log10(at) - least) / (most - least)), ticks)


def picture(report: Report) -> str:
    """The charts as one SVG that needs nothing else, in light and dark."""
    return _fill("load.svg.jinja", report)


def page(report: Report) -> str:
    """All of it as one HTML page that needs nothing else."""
    return _fill("load.html.jinja", report, picture=Markup(picture(report)))


def _fill(name: str, report: Report, **more: Any) -> str:
    drawn = charts(report)
    size = {"left": LEFT, "right": WIDE - RIGHT, "top": TOP, "high": HIGH, "wide": WIDE, "each": EACH}
    return _template(name).render(
        report=report, charts=drawn, size=size, figures=figures, ms=in_words, tenths=in_tenths(report.slices), **more
    )


@cache
def _template(name: str) -> Template:
    jinja = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return jinja.from_string(files("receiver.trial").joinpath(name).read_text())
