"""Hearing: samples in, tones out, each with its measures.

Frames of 25 ms, 5 ms apart, are looked at for two things only: does a pair of tones, or one tone alone, explain a good part
of what sounds, and which. Frames that follow one another with the same answer are a candidate. A candidate is then measured
as a whole: its bursts by the envelope of its tones, each burst's frequencies, levels and noise by a fit of sinusoids to it.
A digit that stands out of all else is told at once; one that does not, when others stand beside it: speech, which may hold
two strong partials for a moment, makes no row of them.

An `Ear` takes a stream as it comes, in pieces of any size, and gives the same tones however it is cut.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from protocols.phone.tones import FULL_SCALE_DBM0, HANDSHAKE, HIGH, KEYS, LOW, digit_of

Samples = NDArray[np.float32]

RATE = 8000  # samples a second; a recording of another rate is brought to it first (`at_rate`)
FRAME, HOP = 200, 40  # samples: 25 ms, every 5 ms
_BINS = 512
_SILENCE = 10 ** (-66 / 10)  # power below which nothing is looked for: -66 dB of full scale, two steps of 16 bits

EXPLAINED = 0.22  # of a frame's energy, by which a pair makes it a candidate
EXPLAINED_ALONE = 0.35
UNEVEN_DB = 16.0  # between the tones of a pair: more than any twist that can be read
FARTHEST = 0.031  # from its nominal frequency: beyond the 1.5 % to be accepted, inside the 3.5 % to be rejected (Q.24)
REMNANT = 0.017  # s that lost packets may leave of a digit among digits of full length (common practice)
SHORTEST = 0.0235  # s: between the 23 ms to be rejected and the 40 ms to be accepted (Q.24)
FULL = 0.035  # s: a digit of which a lost packet may leave a remnant
HOLE = 0.026  # s within one digit that is bridged (a lost packet is 20 ms); a pause of 40 ms parts two digits (Q.24)
MOST_REFUSED = 1000
UNKNOWN_LENGTH = 0.075  # s: no digit of DC-05 is longer; of a call that has others, the first tells
LONGEST = 4.0  # s, after which a tone that goes on is told as far as it went
MOST_TWIST_DB = 13.0
LEAST_SNR_DB = -5.0
LEAST_ALONE_DB = 0.0
SURE_SNR_DB = 13.0  # a digit that stands this far above all else needs no other beside it
TRAIN, TRAIN_GAP = 7, 0.3  # digits in a row, and the most seconds between two, that prove each other in noise
# Samples without a frame of a candidate, after which it is over. A frame tells a tone that fills a quarter of it, so a hole
# of 26 ms leaves at most 16 ms without one, and a pause of 40 ms at least 25 ms.
OVER = 160
ENVELOPE = 80  # samples: 10 ms
EDGE = 16  # samples: 2 ms
SMEAR = 20  # samples by which a piece is longer than the envelope shows it at four fifths of its height


class Part(NamedTuple):
    """One frequency of a tone as it was heard."""

    nominal: int  # Hz
    hz: float
    dbm0: float

    @property
    def error(self) -> float:
        """How far it is from its nominal frequency, in per cent."""
        return 100 * (self.hz / self.nominal - 1)


@dataclass(frozen=True, slots=True)
class Tone:
    """A tone that was heard: a digit of two parts, or one frequency alone. Times are seconds of the stream."""

    start: float
    end: float
    parts: tuple[Part, ...]
    snr: float | None  # dB: its power over that of all else from 0 to 4 kHz; None where a gateway told it in words
    holes: float = 0.0  # s within it in which nothing sounded
    told: str | None = None  # the key, where an event of RFC 4733 told it

    @property
    def key(self) -> str | None:
        """The key of the keypad, for a digit."""
        if self.told:
            return self.told
        return KEYS[self.parts[0].nominal, self.parts[1].nominal] if len(self.parts) == 2 else None

    @property
    def digit(self) -> str | None:
        """The digit of Contact ID."""
        return None if self.key is None else digit_of(self.key)

    @property
    def alone(self) -> int | None:
        """The nominal frequency of a tone of one part."""
        return self.parts[0].nominal if len(self.parts) == 1 else None

    @property
    def seconds(self) -> float:
        return self.end - self.start

    @property
    def scrap(self) -> bool:
        """Whether it is so short, or so little of it is a tone, that only lost packets among whole digits explain it."""
        return self.told is None and (self.seconds < SHORTEST or self.holes > 0.5 * self.seconds)

    @property
    def farthest(self) -> float:
        """How far the worst of its parts is from its nominal frequency, in per cent."""
        return max((abs(part.error) for part in self.parts), default=0.0)

    @property
    def astray(self) -> bool:
        """Whether one of its parts is too far from its nominal frequency to be taken for it."""
        return self.farthest > 100 * FARTHEST

    @property
    def twist(self) -> float | None:
        """The level of the high part over that of the low one, in dB."""
        return self.parts[1].dbm0 - self.parts[0].dbm0 if len(self.parts) == 2 else None


_LABELS: dict[int, tuple[int, ...]] = {
    **{4 * row + column: (low, high) for row, low in enumerate(LOW) for column, high in enumerate(HIGH)},
    **{16 + number: (hz,) for number, hz in enumerate(HANDSHAKE)},
}
_NOTHING = -1


def at_rate(samples: NDArray[Any], rate: int) -> Samples:
    """A recording of any rate (a column a track, if there are several), brought to the one that is listened at.

    ValueError below 4 kHz: no digit fits under it.
    """
    if rate < 4000:
        raise ValueError(
            f"{rate} samples a second cannot hold tones of 1633 Hz and their noise; 8000 is what lines carry"
        )
    if rate == RATE:
        return samples.astype(np.float32, copy=False)
    common = np.gcd(rate, RATE)
    return np.asarray(signal.resample_poly(samples, RATE // common, rate // common, axis=0), dtype=np.float32)


class Ear:
    """Listens to a stream of samples (8 kHz, full scale 1.0) and tells each tone once it is over."""

    def __init__(self) -> None:
        # Mains hum and its first overtones lie below every tone; a telephone line carries from 300 Hz on.
        self._highpass = signal.butter(4, 300, "highpass", fs=RATE, output="sos")
        self._state = np.zeros((self._highpass.shape[0], 2), dtype=np.float32)
        self._kept = np.zeros(0, dtype=np.float32)  # filtered samples that may still be needed
        self._base = 0  # where `_kept` begins in the stream
        self._next = 0  # where the next frame begins
        self._open: dict[int, list[int]] = {}  # label → where its first and last frames begin, how many, sum of bins
        self._train: list[Tone] = []  # digits one after another, of which none is sure yet
        self._released = False  # of the train that goes on: whether it has proved to be one
        self._lengths: deque[float] = deque(maxlen=9)  # of the last digits, in seconds
        # Pairs that stood out and are none: too short, or astray
        self.refused: deque[Tone] = deque(maxlen=MOST_REFUSED)
        self._full = False  # whether its last digits were of full length

    @property
    def heard(self) -> float:
        """How many seconds have come in."""
        return (self._base + len(self._kept)) / RATE

    @property
    def settled(self) -> float:
        """Up to when all that sounded has been told, in seconds: not what still sounds, nor what is doubtful yet."""
        begun = [first for first, _, count, *_ in self._open.values() if count > 1]
        now = self._next / RATE
        doubtful = (
            [] if self._released else [tone.start for tone in self._train if now - self._train[-1].end < TRAIN_GAP]
        )
        return min([now, *(first / RATE for first in begun), *doubtful])

    @property
    def sounding(self) -> set[int]:
        """The lone tones that are sounding now, by their nominal frequencies."""
        return {
            _LABELS[label][0]
            for label, (_, last, count, *_) in self._open.items()
            if label >= 16 and count >= 8 and self._next - last <= FRAME
        }

    def hear(self, samples: NDArray[Any]) -> list[Tone]:
        """Take samples; the tones that are over, in the order of their ends."""
        if not len(samples):
            return []
        filtered, self._state = signal.sosfilt(self._highpass, samples.astype(np.float32, copy=False), zi=self._state)
        self._kept = np.concatenate((self._kept, filtered.astype(np.float32, copy=False)))
        return list(self._proved(self._listen()))

    def end(self) -> list[Tone]:
        """The stream is over: what was still sounding."""
        after = np.zeros(2 * FRAME + int(HOLE * RATE), dtype=np.float32)
        tones = [*self.hear(after), *self._proved(self._close(all_of_them=True))]
        self._forget()
        return tones

    def _listen(self) -> Iterator[Tone]:
        while (count := (self._base + len(self._kept) - self._next - FRAME) // HOP + 1) > 0:
            count = min(count, 4096)
            begin = self._next - self._base
            frames = np.lib.stride_tricks.sliding_window_view(
                self._kept[begin : begin + (count - 1) * HOP + FRAME], FRAME
            )
            labels, bins = look(frames[::HOP])
            for place in np.flatnonzero(labels != _NOTHING):
                label, at = int(labels[place]), self._next + int(place) * HOP
                yield from self._close(at)
                if label in self._open:
                    entry = self._open[label]
                    entry[1], entry[2] = at, entry[2] + 1
                    entry[3] += int(bins[place, 0])
                    entry[4] += int(bins[place, 1])
                else:
                    self._open[label] = [at, at, 1, int(bins[place, 0]), int(bins[place, 1])]
            self._next += count * HOP
            yield from self._close(self._next)
            first = min([self._next, *(entry[0] for entry in self._open.values())]) - FRAME
            if first - self._base > RATE:
                self._kept = self._kept[first - self._base :].copy()
                self._base = first

    def _proved(self, tones: Iterator[Tone]) -> Iterator[Tone]:
        """Hold back digits that noise has made doubtful until others stand beside them: speech may make one by chance."""
        for tone in tones:
            if tone.key is None:
                yield tone
                continue
            if self._train and tone.start - self._train[-1].end > TRAIN_GAP:
                self._forget()
            if tone.scrap and self._train and _copied(tone, self._train[-1]):
                continue
            self._full = self._full or (not tone.scrap and tone.seconds > FULL)
            self._train.append(tone)
            if self._released:
                yield from self._whole(self._train[-1:])
                del self._train[:-1]
            elif _sure(tone) or (len(self._train) >= TRAIN and _alike(self._train)):
                self._released = True
                yield from self._whole(self._train)

    def _forget(self) -> None:
        """The train has ended."""
        for tone in self._train:
            if not self._released and tone.scrap:
                self._refuse(tone)
        self._train, self._released, self._full = [], False, False

    def _whole(self, digits: list[Tone]) -> Iterator[Tone]:
        """All of these, or without the scraps where no digit among them was of full length."""
        for tone in digits:
            if self._full or not tone.scrap:
                yield tone
            else:
                self._refuse(tone)

    def _refuse(self, tone: Tone) -> None:
        """Keep what stood out and is no digit, so that somebody can say why nothing was read."""
        if (tone.snr or 0) <= SURE_SNR_DB:
            return
        if self.refused and tone.start < self.refused[-1].end:  # one pair, taken for two keys: the nearer one it was
            if tone.farthest >= self.refused[-1].farthest:
                return
            self.refused.pop()
        self.refused.append(tone)

    def _close(self, now: int = 0, *, all_of_them: bool = False) -> Iterator[Tone]:
        """Measure the candidates that nothing has continued for longer than a hole, or that go on for ever."""
        over = [
            label
            for label, (first, last, *_) in self._open.items()
            if all_of_them or now - last > OVER or now - first > LONGEST * RATE
        ]
        found: list[Tone] = []
        for label in over:
            first, last, count, low, high = self._open.pop(label)
            if count > 1:
                found += self._measure(_LABELS[label], first, last + FRAME, (low / count, high / count))
        yield from sorted(found, key=lambda tone: tone.end)

    def _measure(self, nominal: tuple[int, ...], begin: int, end: int, bins: tuple[float, float]) -> Iterator[Tone]:
        begin, end = max(begin - ENVELOPE, self._base), min(end + ENVELOPE, self._base + len(self._kept))
        heard = self._kept[begin - self._base : end - self._base]
        about = [bin_ * RATE / _BINS for bin_ in bins[: len(nominal)]]
        # A hole is told from a short pause between two equal digits by what a digit of this call is long.
        usual = 1.3 * float(np.median(self._lengths)) if self._lengths else UNKNOWN_LENGTH
        for burst in bursts(heard, about, usual if len(nominal) == 2 else LONGEST):
            tone = fit(heard, burst.mask, nominal, begin)
            if tone is None or tone.astray:  # lost packets break a wave, and a broken one has another frequency
                tone = self._piece(heard, burst, nominal, begin) or tone
            if tone is not None and tone.astray:
                if len(nominal) == 2:
                    self._refuse(tone)
            elif tone is not None:
                if tone.key is not None and tone.seconds > FULL:
                    self._lengths.append(tone.seconds)
                yield tone

    def _piece(self, heard: Samples, burst: "Burst", nominal: tuple[int, ...], begin: int) -> Tone | None:
        """A burst of which one piece is a tone, and the rest what a gateway filled in out of step."""
        tone = fit(heard, burst.piece, nominal, begin) if len(nominal) == 2 else None
        if tone is None:
            return None
        first, last = (begin + place for place in burst.span)
        return replace(tone, start=first / RATE, end=last / RATE, holes=(last - first) / RATE - tone.seconds)


def _copied(tone: Tone, last: Tone) -> bool:
    """Whether a scrap of a digit is the last one again, fainter: with that a gateway fills in for a lost packet."""
    return tone.key == last.key and tone.parts[0].dbm0 < last.parts[0].dbm0 - 3


def _sure(tone: Tone) -> bool:
    return not tone.scrap and (tone.snr or 0) >= SURE_SNR_DB


def _alike(digits: list[Tone]) -> bool:
    """Whether digits are as long and as loud as each other, as those of a call are, and the vowels of speech are not."""
    lengths = [tone.seconds for tone in digits]
    levels = [max(part.dbm0 for part in tone.parts) for tone in digits]
    return max(lengths) < 2.5 * min(lengths) and max(levels) - min(levels) < 8


_LOW_BINS = slice(round(640 * _BINS / RATE), round(1000 * _BINS / RATE) + 1)
_HIGH_BINS = slice(round(1150 * _BINS / RATE), round(1700 * _BINS / RATE) + 1)
_ALONE_BINS = [slice(round(hz * 0.955 * _BINS / RATE), round(hz * 1.045 * _BINS / RATE) + 1) for hz in HANDSHAKE]


def _nearest(groups: tuple[int, ...]) -> NDArray[np.int64]:
    """For each bin of the transform, which of these frequencies is nearest."""
    hz = np.arange(_BINS // 2 + 1) * RATE / _BINS
    return np.asarray(np.abs(hz[:, None] - np.array(groups)).argmin(axis=1))


_ROW, _COLUMN = _nearest(LOW), _nearest(HIGH)


def power_of(frames: NDArray[np.float32]) -> NDArray[np.float32]:
    """The energy that a sinusoid on each of 257 frequencies, 0 to 4 kHz, would have in each frame of 25 ms."""
    spectrum = fft.rfft(frames, _BINS, axis=1)
    return np.asarray((spectrum.real**2 + spectrum.imag**2) * (2 / FRAME))


def look(frames: NDArray[np.float32]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """For each frame of 25 ms the label of the pair or tone that explains it, or -1; and the bins of its peaks."""
    energy = np.einsum("ij,ij->i", frames, frames) + 1e-12
    power = power_of(frames)
    low = power[:, _LOW_BINS].argmax(axis=1) + _LOW_BINS.start
    high = power[:, _HIGH_BINS].argmax(axis=1) + _HIGH_BINS.start
    rows = np.arange(len(frames))
    of_low, of_high = power[rows, low], power[rows, high]
    sounding = energy > _SILENCE * FRAME
    uneven = 10 ** (UNEVEN_DB / 10)
    pair = (
        sounding & (of_low + of_high > EXPLAINED * energy) & (of_low < of_high * uneven) & (of_high < of_low * uneven)
    )
    labels = np.where(pair, 4 * _ROW[low] + _COLUMN[high], _NOTHING)
    bins = np.stack((low, high), axis=1)
    for number, where in enumerate(_ALONE_BINS):
        peak = power[:, where].argmax(axis=1) + where.start
        of_peak = power[rows, peak]
        alone = sounding & ~pair & (of_peak > EXPLAINED_ALONE * energy)
        labels[alone] = 16 + number
        bins[alone, 0] = peak[alone]
    return labels, bins


class Burst(NamedTuple):
    """Where in a candidate something sounds: without its holes; and its longest piece of full loudness."""

    mask: NDArray[np.bool_]
    piece: NDArray[np.bool_]

    @property
    def span(self) -> tuple[int, int]:
        """The first sample, and the one after the last."""
        places = np.flatnonzero(self.mask)
        return int(places[0]), int(places[-1]) + 1


def bursts(heard: Samples, about: list[float], longest: float) -> list[Burst]:
    """Where within a candidate these frequencies sound.

    A gap is a hole where it is short; but not where each side of it is a digit by itself and both together are longer than
    `longest` seconds.
    """
    times = np.arange(len(heard)) / RATE
    envelope = np.zeros(len(heard))
    for hz in about:
        turned = heard * np.exp(-2j * np.pi * hz * times)
        summed = np.concatenate((np.zeros(1), np.cumsum(turned)))
        padded = np.pad(summed, (ENVELOPE // 2, ENVELOPE - ENVELOPE // 2), mode="edge")
        envelope += np.abs(padded[ENVELOPE : ENVELOPE + len(heard)] - padded[: len(heard)]) ** 2
    amplitude = np.sqrt(envelope)
    loudness = float(np.quantile(amplitude, 0.8))
    on = amplitude > 0.55 * loudness
    joined: list[list[int]] = []
    for begin, end in _runs(on):
        apart = joined and min(end - begin, joined[-1][1] - joined[-1][0]) > FULL * RATE
        if joined and begin - joined[-1][1] < HOLE * RATE and not (apart and end - joined[-1][0] > longest * RATE):
            joined[-1][1] = end
        else:
            joined.append([begin, end])
    found = []
    for begin, end in joined:
        begun, over = max(_runs(amplitude[begin:end] > 0.8 * loudness), key=lambda run: run[1] - run[0], default=(0, 0))
        found.append(
            Burst(_mask(on, begin, end), _mask(on, max(begin + begun - SMEAR, begin), min(begin + over + SMEAR, end)))
        )
    return found


def _runs(on: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], on, [False])).astype(np.int8))).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def _mask(on: NDArray[np.bool_], begin: int, end: int) -> NDArray[np.bool_]:
    mask = np.zeros(len(on), dtype=bool)
    mask[begin:end] = on[begin:end]
    return mask


@lru_cache(512)
def _hann(size: int) -> NDArray[np.float64]:
    return np.asarray(signal.windows.hann(size + 2)[1:-1])


def fit(heard: Samples, mask: NDArray[np.bool_], nominal: tuple[int, ...], begin: int) -> Tone | None:
    """Fit sinusoids to a burst, and give the tone that it is; None where it is none."""
    places = np.flatnonzero(mask)
    if not len(places):
        return None
    first, last = int(places[0]), int(places[-1]) + 1
    if (last - first) < (REMNANT - 0.002) * RATE or len(places) < 0.4 * (last - first):
        return None
    burst = np.where(mask[first:last], heard[first:last], 0).astype(np.float64)
    window = _hann(len(burst))
    size = 4096 if len(burst) <= 2048 else 1 << (len(burst) * 2 - 1).bit_length()
    magnitude = np.abs(fft.rfft(burst * window, size))
    found = []
    for hz in nominal:
        where = slice(int(hz * 0.955 * size / RATE), int(hz * 1.045 * size / RATE) + 2)
        peak = int(magnitude[where].argmax()) + where.start
        a, b, c = np.log(magnitude[peak - 1 : peak + 2] + 1e-12)
        found.append((peak + (a - c) / (2 * (a - 2 * b + c) or 1)) * RATE / size)
    times = np.arange(len(burst)) / RATE
    # The first and last 2 ms hold the edges of tone and filter: they are no noise, and would be counted as such.
    inside = mask[first:last].copy()
    inside[:EDGE] = inside[-EDGE:] = False
    waves = [wave(2 * np.pi * hz * times) for hz in found for wave in (np.cos, np.sin)]
    basis = np.stack(waves, axis=1)[inside]
    try:
        amounts = np.linalg.solve(basis.T @ basis, basis.T @ burst[inside])
    except np.linalg.LinAlgError:  # so little is left between the holes that the two cannot be told apart
        return None
    rest = burst[inside] - basis @ amounts
    powers = [(amounts[2 * at] ** 2 + amounts[2 * at + 1] ** 2) / 2 for at in range(len(nominal))]
    if min(powers) <= 0:
        return None
    noise = float(rest @ rest) / max(len(rest) - len(amounts), 1) * _OF_THE_BAND + 1e-12
    snr = 10 * np.log10(sum(powers) / noise)
    if len(powers) == 2 and not 10 ** (-MOST_TWIST_DB / 10) < powers[1] / powers[0] < 10 ** (MOST_TWIST_DB / 10):
        return None
    if snr < (LEAST_SNR_DB if len(nominal) == 2 else LEAST_ALONE_DB):
        return None
    parts = tuple(
        Part(due, float(hz), float(10 * np.log10(2 * power) + FULL_SCALE_DBM0))
        for due, hz, power in zip(nominal, found, powers, strict=True)
    )
    gaps = (last - first - len(places)) / RATE
    first, last = edges(heard, first, last, found, amounts)
    if last - first < REMNANT * RATE:
        return None
    return Tone((begin + first) / RATE, (begin + last) / RATE, parts, float(snr), gaps)


def edges(heard: Samples, first: int, last: int, hz: list[float], amounts: NDArray[np.float64]) -> tuple[int, int]:
    """Where a fitted tone most probably begins and ends, near where its envelope crosses one half.

    A sample belongs to the tone where the wave, put there, leaves less over than silence does: w² < 2 w x. The edge is where
    the sum of that is greatest.
    """
    reach = min(ENVELOPE, (last - first) // 2)
    begin, end = max(first - reach, 0), min(last + reach, len(heard))
    times = (np.arange(begin, end) - first) / RATE
    wave = np.zeros(end - begin)
    for at, one in enumerate(hz):
        angle = 2 * np.pi * one * times
        wave += amounts[2 * at] * np.cos(angle) + amounts[2 * at + 1] * np.sin(angle)
    gain = wave * (heard[begin:end] - wave / 2)
    before, after = gain[: first - begin + reach], gain[last - begin - reach :]
    start = int(np.concatenate((np.cumsum(before[::-1])[::-1], [0.0])).argmax())
    stop = int(np.concatenate(([0.0], np.cumsum(after))).argmax())
    return begin + start, last - reach + stop


_OF_THE_BAND = 4000 / 3700  # the noise of 0 to 4 kHz, from what the high-pass leaves of it
