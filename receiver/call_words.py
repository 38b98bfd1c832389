"""A call in words: what happened in which order, where it broke, and every digit's measures beside their limits."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from rich.table import Table
from rich.text import Text

from protocols.phone.call import Call, Finding, Message, handshake_findings
from protocols.phone.ear import Tone
from protocols.phone.tones import DIGIT_LIMITS, WAIT_FOR_KISS_OFF, Limit
from receiver.words import of_signal

WIDE = 96  # characters, from which on the table has room for margins
# What to look at where a measure is outside of its limit (common practice), by the start of the limit's name.
LOOK_AT = {
    "frequency": "the panel's clock, or a recorder that runs at another rate",
    "on time": "the panel's timing, or packets that were lost or repeated",
    "off time": "the panel's timing, or packets that were lost or repeated",
    "twist -": "a line that carries high tones worse than low ones",
    "twist +": "a loaded line, or an equalizer that lifts the high tones too far",
    "level": "the gain of the gateway or the length of the line",
    "signal to noise": "the line and its earth, a gain that cuts off the peaks, echo, or a coding other than G.711",
}


def spaced(digits: str) -> str:
    """`1234 18 1131 01 015 8`, where there are sixteen."""
    if len(digits) != 16:
        return digits
    return " ".join((digits[:4], digits[4:6], digits[6:10], digits[10:12], digits[12:15], digits[15]))


def sentences(call: Call, refused: Sequence[Tone] = ()) -> list[str]:
    """What happened in a call, in order; `refused` are pairs of tones that are no digits."""
    told = [*_told(call), *_refusals(refused)]
    return [said for _, said in sorted(told, key=lambda one: one[0])]


def _refusals(refused: Sequence[Tone]) -> Iterator[tuple[float, str]]:
    for astray in (True, False):
        tones = [tone for tone in refused if tone.astray == astray]
        if not tones:
            continue
        values = [
            max((part.error for part in tone.parts), key=abs) if astray else 1000 * tone.seconds for tone in tones
        ]
        low, high = (f"{value:+.1f} %" if astray else f"{value:.1f} ms" for value in (min(values), max(values)))
        span = low if low == high else f"{low} to {high}"
        why = (
            f"their frequencies are {span} off, and from ±3.5 % on none must be read; look at {LOOK_AT['frequency']}"
            if astray else f"they are {span} long, and under 23 ms none must be read; look at {LOOK_AT['on time']}"
        )  # fmt: skip
        count = f"{len(tones)} pairs of tones were" if len(tones) > 1 else "a pair of tones was"
        yield tones[0].start, f"{tones[0].start:.2f} s: {count} not read: {why} (Q.24, from memory)"


def _told(call: Call) -> Iterator[tuple[float, str]]:
    for pair in call.handshakes:
        wrong = [str(finding) for finding in handshake_findings(pair)]
        yield pair[0].start, f"{pair[0].start:.2f} s: the receiver's handshake" + "".join(f"; {one}" for one in wrong)
    if not call.handshakes and call.messages:
        yield 0.0, "no handshake was heard: the receiver's side is not in this recording, or it gave none"
    for message in call.messages:
        frame = message.frame()
        again = f", try {message.attempt}" if message.attempt > 1 else ""
        said = "; ".join(of_signal(signal.to_json()) for signal in frame.signals)
        wrong = [f"{problem.rule}: {problem.detail}" for problem in frame.problems]
        what = (
            f"{said}, checksum right" if not wrong else "; ".join([*([f"it would say {said}"] if said else []), *wrong])
        )
        yield message.start, f"{message.start:.2f} s: message {message.number}{again}: {spaced(message.digits)}: {what}"
        for sound in grouped(message.findings()):
            yield message.start, f"   {sound}"
        if message.kiss_off:
            yield (
                message.kiss_off.start,
                (
                    f"{message.kiss_off.start:.2f} s: kiss-off, {message.kiss_off.start - message.end:.2f} s after the last "
                    f"digit, for {message.kiss_off.seconds:.2f} s"
                ),
            )
        else:
            yield (
                message.end,
                f"{message.end:.2f} s: no kiss-off was heard within {(WAIT_FOR_KISS_OFF.most or 0) / 1000:g} s",
            )
    for tone in call.strays:
        yield tone.start, f"{tone.start:.2f} s: {tone.alone} Hz for {1000 * tone.seconds:.0f} ms, part of nothing"


def grouped(findings: Sequence[Finding]) -> list[str]:
    """Findings in sentences; what several digits share is told once, with its range and what to look at."""
    by_limit: dict[Limit, list[Finding]] = {}
    for finding in findings:
        by_limit.setdefault(finding.limit, []).append(finding)
    said = []
    for limit, found in by_limit.items():
        if found[0].digit is None:
            said += [str(one) for one in found]
            continue
        values = [one.value for one in found]
        form = "{:+.1f}" if limit.signed else "{:.1f}"
        low, high = form.format(min(values)), form.format(max(values))
        span = low if low == high else f"{low} to {high}"
        places = [one.digit or 0 for one in found]
        side = f"{limit.name.partition(',')[0]} {'-' if sum(values) < 0 else '+'}"
        hint = next((f": look at {what}" for name, what in LOOK_AT.items() if side.startswith(name)), "")
        said.append(f"{limit.name} {span} {limit.unit} in {_digits(places)}; {limit}, {limit.source}{hint}")
    return said


def _digits(places: list[int]) -> str:
    if len(places) == 1:
        return f"digit {places[0]}"
    if len(places) > 8:
        return f"{len(places)} digits"
    return f"digits {', '.join(map(str, places[:-1]))} and {places[-1]}"


class Measure(NamedTuple):
    """A column of the table: what is measured, its limit, and how it is written."""

    heading: str
    limit: Limit
    form: str


MEASURES = (
    Measure("on ms", DIGIT_LIMITS["on"], "{:.1f}"),
    Measure("off ms", DIGIT_LIMITS["off"], "{:.1f}"),
    Measure("low %", DIGIT_LIMITS["frequency"], "{:+.2f}"),
    Measure("high %", DIGIT_LIMITS["frequency"], "{:+.2f}"),
    Measure("level dBm0", DIGIT_LIMITS["level"], "{:.1f}"),
    Measure("twist dB", DIGIT_LIMITS["twist"], "{:+.1f}"),
    Measure("SNR dB", DIGIT_LIMITS["snr"], "{:.1f}"),
)


def measured(tone: Tone, off: float | None) -> list[float | None]:
    """A digit's values, in the order of `MEASURES`; None for what it does not have."""
    off_ms = None if off is None else 1000 * off
    if tone.told is not None:
        return [1000 * tone.seconds, off_ms, None, None, None, None, None]
    low, high = tone.parts
    return [1000 * tone.seconds, off_ms, low.error, high.error, min(low.dbm0, high.dbm0), tone.twist, tone.snr]


def table(message: Message, *, margins: bool = True) -> Table:
    """A row a digit: each value and, behind it, how far inside its limit it is; ✗ and a minus where it is outside.

    Without `margins`, where there is no room for them, the values alone.
    """
    made = Table(box=None, padding=(0, 1, 0, 0), header_style="italic", show_edge=False)
    made.add_column("")
    made.add_column("digit", no_wrap=True)
    made.add_column("at s", justify="right", no_wrap=True)
    for measure in MEASURES:
        made.add_column(measure.heading, justify="right", no_wrap=True)
    limits = (Text(_bounds(measure.limit), style="dim") for measure in MEASURES)
    made.add_row("", "", "", *limits)
    for place, (tone, off) in enumerate(zip(message.tones, [*message.offs, None], strict=True), 1):
        values = zip(MEASURES, measured(tone, off), strict=True)
        cells = [_cell(measure, value, margins=margins) for measure, value in values]
        key = f"{tone.digit} {'*' if tone.key == '*' else '#' if tone.key == '#' else ''}".strip()
        made.add_row(Text(str(place), style="dim"), f"{key}{' told' if tone.told else ''}", f"{tone.start:.3f}", *cells)
    return made


def _bounds(limit: Limit) -> str:
    form = "{:+g}" if limit.signed else "{:g}"
    if limit.most is None:
        return f"≥ {limit.least:g}"
    return f"{form.format(limit.least)}…{form.format(limit.most)}"


def _cell(measure: Measure, value: float | None, *, margins: bool) -> Text:
    if value is None:
        return Text("·", style="dim")
    margin = measure.limit.margin(value)
    text = Text(measure.form.format(value))
    if measure.limit.holds(value):
        return text.append(f" {max(margin, 0):.1f}", style="dim") if margins else text
    return Text(f"✗ {text.plain}" + (f" {margin:.1f}" if margins else ""), style="bold")


def strip(call: Call, seconds: float, width: int) -> list[str]:
    """A strip chart of the call in plain characters: time, who sounds, the digits where they stand, and what is wrong."""
    width = max(width, 40)
    begin, end = span(call, seconds)
    scale = (width - 10) / max(end - begin, 0.001)

    def at(moment: float) -> int:
        return min(max(int((moment - begin) * scale), 0), width - 11)

    def lane() -> list[str]:
        return [" "] * (width - 10)

    ruler, receiver, panel, wrong = lane(), lane(), lane(), lane()
    step = next((step for step in (0.1, 0.2, 0.5, 1, 2, 5, 10, 30, 60, 300, 600) if step * scale >= 8), 3600)
    moment = -(-begin // step) * step
    while moment <= end:
        mark = f"|{moment:g}"
        if at(moment) + len(mark) <= len(ruler):
            ruler[at(moment) : at(moment) + len(mark)] = mark
        moment = round(moment + step, 3)
    for pair in call.handshakes:
        for tone, letter in zip(pair, "hH", strict=True):
            _fill(receiver, at(tone.start), at(tone.end), letter)
    for message in call.messages:
        bad = {finding.digit for finding in message.findings()}
        for place, tone in enumerate(message.tones, 1):
            where = at((tone.start + tone.end) / 2)
            panel[where] = tone.digit or "?"
            if place in bad:
                wrong[where] = "✗"
        if not message.good:
            words = f"✗ {message.frame().problems[0].rule}"
            where = max(min(at(message.end) + 1, len(wrong) - len(words)), 0)
            wrong[where : where + len(words)] = words
        if message.kiss_off:
            _fill(receiver, at(message.kiss_off.start), at(message.kiss_off.end), "K")
    for tone in call.strays:
        _fill(receiver, at(tone.start), at(tone.end), "?")
    lanes = [("seconds", ruler), ("receiver", receiver), ("panel", panel), ("", wrong)]
    return [f"{name:<9} {''.join(cells)}".rstrip() for name, cells in lanes if name or any(map(str.strip, cells))]


def _fill(lane: list[str], begin: int, end: int, letter: str) -> None:
    lane[begin : max(end, begin + 1)] = letter * max(end - begin, 1)


def span(call: Call, seconds: float) -> tuple[float, float]:
    """From shortly before the first sound to shortly after the last."""
    tones = [
        tone
        for message in call.messages
        for tone in (*message.tones, *((message.kiss_off,) if message.kiss_off else ()))
    ]
    tones += [tone for pair in call.handshakes for tone in pair] + call.strays
    if not tones:
        return 0.0, seconds
    return max(min(tone.start for tone in tones) - 0.2, 0), min(
        max(tone.end for tone in tones) + 0.2, max(seconds, 0.5)
    )
