"""The picture of a stress matrix: a panel a sweep, the share that each decoder reads, and what it misreads."""

import io
from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from receiver.call_picture import BAD, BAND, FAINT, INK, STYLE, Form
from receiver.trial.line import SWEEPS, Sweep, Tally

_MARKS: tuple[dict[str, Any], ...] = (
    {"marker": "o", "linestyle": "-", "color": INK},
    {"marker": "s", "linestyle": "--", "color": "#b06a00", "markerfacecolor": "white"},
    {"marker": "^", "linestyle": ":", "color": "#2f6f8f"},
    {"marker": "D", "linestyle": "-.", "color": "#5b4b8a"},
)
_MUST_NOT = "#ece6f2"


def draw(form: Form, tallies: Sequence[Tally], seed: int) -> bytes:
    """A matrix drawn, as an SVG or PNG file that needs no other."""
    sweeps = [sweep for sweep in SWEEPS if any(tally.point.sweep is sweep for tally in tallies)]
    decoders = list(dict.fromkeys(tally.decoder for tally in tallies))
    columns = min(len(sweeps), 4)
    rows = -(-len(sweeps) // columns)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(max(2.9 * columns + 0.6, 6.6), 2.4 * rows + 1), layout="constrained")
        FigureCanvasAgg(figure)
        grid = figure.subplots(rows, columns, squeeze=False, sharey=True)
        for axes, sweep in zip(grid.flat, sweeps, strict=False):
            _sweep(axes, sweep, [tally for tally in tallies if tally.point.sweep is sweep], decoders)
        for axes in list(grid.flat)[len(sweeps) :]:
            axes.set_axis_off()
        for line in grid:
            line[0].set_ylabel("share of calls, %")
        marks: list[Any] = [Line2D([], [], label=name, **_mark(place)) for place, name in enumerate(decoders)]
        marks += [
            Patch(facecolor=BAND, label="must be read"),
            Patch(facecolor=_MUST_NOT, hatch="...", edgecolor=FAINT, linewidth=0, label="must not be read"),
            Line2D([], [], marker="x", linestyle="", color=BAD, markersize=8, label="misread"),
        ]
        figure.legend(
            handles=marks,
            loc="outside upper left",
            ncols=min(len(marks), max(3 * columns, 4)),
            frameon=False,
            fontsize=8,
        )
        each = max(tally.calls for tally in tallies)
        figure.supxlabel(
            f"{each} calls a point; one flaw at a time, else 15 dB SNR (white noise, 0 to 4 kHz); seed {seed}; "
            "bars: 95 %, Wilson",
            x=0.01, ha="left", fontsize=7, color=FAINT,
        )  # fmt: skip
        metadata = {"Date": None} if form == "svg" else {"Software": None}
        drawn = io.BytesIO()
        figure.savefig(drawn, format=form, dpi=110, metadata={"Title": "stress matrix of a telephone line"} | metadata)
        return drawn.getvalue()


def _mark(place: int) -> dict[str, Any]:
    return _MARKS[place % len(_MARKS)]


def _sweep(axes: Axes, sweep: Sweep, tallies: Sequence[Tally], decoders: Sequence[str]) -> None:
    places = {value: place for place, value in enumerate(sorted(sweep.values))}
    for value, place in places.items():
        if sweep.must(value):
            axes.axvspan(place - 0.36, place + 0.36, color=BAND, linewidth=0, zorder=0)
        elif sweep.must_not(value):
            axes.axvspan(
                place - 0.36, place + 0.36, facecolor=_MUST_NOT, hatch="...", edgecolor=FAINT, linewidth=0, zorder=0
            )
    for number, name in enumerate(decoders):
        mine = sorted((tally for tally in tallies if tally.decoder == name), key=lambda tally: tally.point.value)
        # Beside each other, so that bars do not hide bars.
        at = [places[tally.point.value] + 0.12 * (number - (len(decoders) - 1) / 2) for tally in mine]
        shares = [100 * tally.read / max(tally.calls, 1) for tally in mine]
        bounds = [tally.interval() for tally in mine]
        low = [max(share - 100 * bound[0], 0) for share, bound in zip(shares, bounds, strict=True)]
        high = [max(100 * bound[1] - share, 0) for share, bound in zip(shares, bounds, strict=True)]
        axes.errorbar(at, shares, (low, high), markersize=4.5, linewidth=1, elinewidth=0.8, zorder=3, **_mark(number))
        wrong = [(x, 100 * tally.misread / tally.calls) for x, tally in zip(at, mine, strict=True) if tally.misread]
        if wrong:
            axes.plot(*zip(*wrong, strict=True), "x", color=BAD, markersize=8, markeredgewidth=2, zorder=4)
    axes.set_xticks(list(places.values()), [f"{value:g}" for value in places], fontsize=7)
    axes.set_xlim(-0.5, len(places) - 0.5)
    axes.set_ylim(-4, 104)
    axes.set_title(f"{sweep.name}, {sweep.unit}", fontsize=9, loc="left")
