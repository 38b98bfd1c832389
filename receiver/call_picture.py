"""The picture of a call: the wave, what frequencies it holds, the digits under them, and each measure within its limits."""

import io
from collections.abc import Sequence
from textwrap import shorten, wrap
from typing import Any, Literal

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from scipy import signal

from protocols.phone.call import Call, Message
from protocols.phone.ear import RATE, Samples
from protocols.phone.tones import DIGIT_LIMITS, HANDSHAKE, HIGH, LOW, Limit
from receiver.call_words import grouped, spaced, span
from receiver.record import CAUTION
from receiver.sound_files import Sound
from receiver.words import of_signal

Form = Literal["svg", "png"]

MOST_SECONDS = 20.0  # in one picture; of a longer call the first message that is broken is drawn, or the first
INK, FAINT, BAND, BAD = "#1b2733", "#7b8794", "#d5e8d4", "#a4262c"
STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 8,
    "svg.hashsalt": "farend",  # so that the same call gives the same bytes
    "svg.fonttype": "none",  # text stays text
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": FAINT,
    "ytick.color": FAINT,
    # A long wave is drawn in pieces that fit a renderer.
    "agg.path.chunksize": 10_000,
}


def draw(form: Form, title: str, sound: Sound, call: Call) -> bytes:
    """A call drawn, as an SVG or PNG file that needs no other."""
    begin, end = _window(call, sound.seconds)
    samples = _samples(sound, begin, end)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(11, 9.5), layout="constrained")
        FigureCanvasAgg(figure)
        rows = figure.subplots(7, 1, sharex=True, height_ratios=(1.3, 3, 1.1, 0.9, 0.9, 0.9, 0.9))
        wave, spectrum, digits, *measures = rows
        messages = [message for message in call.messages if message.start < end and message.end > begin]
        _wave(wave, samples, begin)
        _spectrum(spectrum, samples, begin)
        _digits(digits, call, messages)
        for axes, (name, unit_of) in zip(measures, _MEASURED, strict=True):
            _measure(axes, name, unit_of, messages)
        rows[-1].set_xlabel("seconds of the recording")
        rows[-1].set_xlim(begin, end)
        figure.suptitle(_heading(title, messages), x=0.01, ha="left", fontsize=9, fontweight="bold")
        figure.supxlabel(CAUTION, x=0.01, ha="left", fontsize=6.5, color=FAINT)
        metadata = {"Title": title, "Date": None} if form == "svg" else {"Title": title, "Software": None}
        drawn = io.BytesIO()
        figure.savefig(drawn, format=form, dpi=100, metadata=metadata)
        return drawn.getvalue()


def _window(call: Call, seconds: float) -> tuple[float, float]:
    begin, end = span(call, seconds)
    if end - begin <= MOST_SECONDS or not call.messages:
        return begin, min(end, begin + MOST_SECONDS)
    message = next((message for message in call.messages if not message.good), call.messages[0])
    return max(message.start - 2, begin), min(message.start - 2 + MOST_SECONDS, end)


def _samples(sound: Sound, begin: float, end: float) -> Samples:
    """Both tracks together, from begin to end, at the rate that is listened at."""
    return np.asarray(sound.between(begin, end).mean(axis=1))


def _heading(title: str, messages: Sequence[Message]) -> str:
    said = [f"{title}"]
    for message in messages[:4]:
        frame = message.frame()
        what = frame.problems[0].detail if frame.problems else of_signal(frame.signals[0].to_json())
        said += wrap(f"{'✗' if frame.problems else '✓'} {spaced(message.digits)}   {what}", 130)
    return "\n".join(said)


def _wave(axes: Axes, samples: Samples, begin: float) -> None:
    times = begin + np.arange(len(samples)) / RATE
    axes.plot(times, samples, color=INK, linewidth=0.4, rasterized=True)
    clipped = np.flatnonzero(np.abs(samples) >= 0.999)
    if len(clipped):
        axes.plot(times[clipped], samples[clipped], "x", color=BAD, markersize=3, rasterized=True)
        axes.text(1, 1.02, "✗ full scale: cut off", transform=axes.transAxes, color=BAD, ha="right", fontsize=7)
    most = max(float(np.abs(samples).max()) if len(samples) else 0, 0.01) * 1.1
    axes.set_ylim(-most, most)
    axes.set_ylabel("wave")


def _spectrum(axes: Axes, samples: Samples, begin: float) -> None:
    if len(samples) >= 256:
        hz, times, power = signal.spectrogram(samples, RATE, "hann", 256, 216)
        shown = 10 * np.log10(power + 1e-12)
        top = float(shown.max())
        extent = (begin + times[0], begin + times[-1], float(hz[0]), float(hz[-1]))
        axes.imshow(
            shown, origin="lower", aspect="auto", extent=extent, cmap="gray_r", vmin=top - 36, vmax=top,
            interpolation="nearest",
        )  # fmt: skip
    for group in (LOW, HIGH):
        for nominal in group:
            axes.axhspan(nominal * 0.985, nominal * 1.015, color="#4a90c2", alpha=0.25, linewidth=0)
    for nominal in HANDSHAKE:
        axes.axhspan(nominal * 0.97, nominal * 1.03, color="#c28f2c", alpha=0.22, linewidth=0)
    ticks = (*LOW, *HIGH, HANDSHAKE[1])
    axes.set_yticks(ticks, [str(tick) for tick in ticks], fontsize=6)
    axes.set_ylim(300, 2600)
    axes.set_ylabel("Hz, ±1.5 % of a digit's tones,\n±3 % of the receiver's", fontsize=7)


def _digits(axes: Axes, call: Call, messages: Sequence[Message]) -> None:
    axes.set_ylim(0, 3)
    axes.set_yticks([0.9, 2.4], ["panel", "receiver"])
    for pair in call.handshakes:
        for tone in pair:
            axes.broken_barh([(tone.start, tone.seconds)], (2.1, 0.6), color="#c28f2c")
        axes.text(pair[0].start, 2.75, "handshake", fontsize=7, clip_on=True)
    for message in messages:
        bad = {finding.digit for finding in message.findings()}
        for place, tone in enumerate(message.tones, 1):
            wrong = place in bad
            axes.broken_barh(
                [(tone.start, tone.seconds)], (0.5, 0.8), facecolor="white" if wrong else BAND,
                edgecolor=BAD if wrong else INK, linewidth=1.2 if wrong else 0.6, hatch="////" if wrong else None,
            )  # fmt: skip
            middle = tone.start + tone.seconds / 2
            axes.text(middle, 1.4, tone.digit or "?", ha="center", fontsize=8, fontweight="bold", clip_on=True)
        if message.kiss_off:
            kiss = message.kiss_off
            axes.broken_barh([(kiss.start, kiss.seconds)], (2.1, 0.6), color="#c28f2c")
            axes.text(kiss.start, 2.75, "kiss-off", fontsize=7, clip_on=True)
        if not message.good:
            where = _break(message)
            rule = message.frame().problems[0].rule
            axes.annotate(
                f"✗ {rule}", (where, 0.9), (12, -14), textcoords="offset points", color=BAD, fontsize=8,
                fontweight="bold", va="center", arrowprops={"arrowstyle": "->", "color": BAD}, annotation_clip=True,
            )  # fmt: skip


def _break(message: Message) -> float:
    """Where a message broke: in its longest pause, if digits are missing; else at its end."""
    if len(message.tones) > 1 and len(message.tones) != 16:
        place = max(range(len(message.offs)), key=message.offs.__getitem__)
        if message.offs[place] > 1.8 * sorted(message.offs)[len(message.offs) // 2]:
            return message.tones[place].end + message.offs[place] / 2
    return message.end


_MEASURED = (("frequency", "frequency\nerror %"), ("twist", "twist dB"), ("time", "on ●, off ○\nms"), ("snr", "SNR dB"))


def _measure(axes: Axes, name: str, label: str, messages: Sequence[Message]) -> None:
    limit = DIGIT_LIMITS["on" if name == "time" else name]
    points: list[tuple[float, float, str, bool]] = []  # when, value, marker, inside
    for message in messages:
        for tone, off in zip(message.tones, [*message.offs, None], strict=True):
            middle = tone.start + tone.seconds / 2
            if name == "time":
                points.append((middle, 1000 * tone.seconds, "o", limit.holds(1000 * tone.seconds)))
                if off is not None:
                    inside = DIGIT_LIMITS["off"].holds(1000 * off)
                    points.append((tone.end + off / 2, 1000 * off, "off", inside))
            elif tone.told is None:
                values: dict[str, list[tuple[float, str]]] = {
                    "frequency": [(tone.parts[0].error, "v"), (tone.parts[1].error, "^")],
                    "twist": [(tone.twist or 0, "o")],
                    "snr": [(tone.snr or 0, "o")],
                }
                points += [(middle, value, marker, limit.holds(value)) for value, marker in values[name]]
    _limits(axes, limit, [value for _, value, _, _ in points])
    for when, value, marker, inside in points:
        hollow = marker == "off"
        axes.plot(
            [when], [value], "o" if hollow else marker, markersize=4 if inside else 6, color=INK if inside else BAD,
            markerfacecolor="white" if hollow else None, zorder=3,
        )  # fmt: skip
        if not inside:
            axes.plot([when], [value], "x", color=BAD, markersize=9, zorder=4)
    axes.set_ylabel(label, fontsize=7)
    if said := grouped([finding for message in messages for finding in _of(message, name)]):
        text = shorten("✗ " + "; ".join(one.partition(";")[0] for one in said), 150, placeholder="…")
        axes.text(1, 1.03, text, transform=axes.transAxes, color=BAD, ha="right", fontsize=7)


def _of(message: Message, name: str) -> list[Any]:
    wanted = {DIGIT_LIMITS[one] for one in (("on", "off") if name == "time" else (name,))}
    return [finding for finding in message.findings() if finding.limit in wanted]


def _limits(axes: Axes, limit: Limit, values: Sequence[float]) -> None:
    """The band within the limits, and room for whatever lies outside of it."""
    bounds = [bound for bound in (limit.least, limit.most) if bound is not None]
    low, high = min([*bounds, *values]), max([*bounds, *values])
    room = max((high - low) * 0.25, 0.5)
    low, high = low - room, high + room
    axes.set_ylim(low, high)
    axes.axhspan(
        limit.least if limit.least is not None else low,
        limit.most if limit.most is not None else high,
        color=BAND,
        zorder=0,
    )
    for bound in bounds:
        axes.axhline(bound, color="#4f7f4a", linewidth=0.8, linestyle="--", zorder=1)
    axes.set_yticks(bounds, [f"{bound:g}" for bound in bounds], fontsize=7)
