"""Making: a whole call as samples, from numbers alone, as good or as bad as is asked for.

A call is made on two tracks, the panel's and the receiver's, so that a recording may hold them apart or mixed as on a line.
What the panel does wrong (its level, twist, frequency, timing, digits) is in its tones; what the line does (echo, clipping,
hum, noise, dropouts, lost packets) is done to the track as a whole. The same seed gives the same samples.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from protocols.phone.tones import FULL_SCALE_DBM0, HANDSHAKE, KISS_OFF, PAIRS, key_of

Track = NDArray[np.float64]

RAMP = 0.001  # s in which a tone comes and goes, so that it does not click
PACKET = 0.02  # s of sound in a packet of RTP, as gateways send it
NOISE_BAND = 4000  # Hz over which the noise of a signal-to-noise ratio is counted

RECEIVER_DBM0 = -10.0  # of the receiver's tones: what lines commonly carry
KISS_OFF_SECONDS = 0.85
FIRST_DIGIT_AFTER = 0.275  # s after the handshake (DC-05: 250 to 300 ms)


@dataclass(frozen=True, slots=True)
class Flaws:
    """What is wrong with a call; as it stands, nothing is. Levels in dBm0 and dB, times in milliseconds."""

    level: float = -10.0  # dBm0, the mean of a digit's two tones
    twist: float = 0.0  # dB, the high tone over the low one
    frequency: float = 0.0  # per cent, both tones
    on: float = 55.0
    off: float = 55.0
    snr: float | None = None  # dB: a digit's power over that of the noise from 0 to 4 kHz
    noise: Literal["white", "line"] = "white"  # line: falls with frequency, from 300 to 3400 Hz
    echo: tuple[float, float] | None = None  # dB under the sound, and ms behind it
    clip: float | None = None  # dB under a digit's peak at which all is cut off
    hum: float | None = None  # dBm0, of 50 Hz and its overtones
    hum_hz: float = 50.0
    dropouts: float = 0.0  # a second
    dropout_ms: float = 10.0
    loss: float = 0.0  # share of packets of 20 ms that are lost
    concealed: bool = False  # a lost packet is filled with the one before, falling, instead of silence
    wrong_checksum: bool = False
    missing_digit: int | None = None  # which of the sixteen is not sent, from 1


FLAWLESS = Flaws()


class Sound(NamedTuple):
    """A stretch of a call that somebody gives: the frequencies together, from when, for how long; and what it is."""

    start: float
    seconds: float
    hz: tuple[float, ...]
    what: Literal["handshake", "digit", "kiss-off"]
    digit: str | None = None

    @property
    def end(self) -> float:
        return self.start + self.seconds


@dataclass(slots=True)
class Made:
    """A call that was made: its two tracks, and what sounds on them when."""

    rate: int
    panel: Track
    receiver: Track
    sounds: list[Sound] = field(default_factory=list)

    @property
    def line(self) -> Track:
        """Both together, as one hears them on the line."""
        return self.panel + self.receiver


def sine(hz: Sequence[float], dbm0: Sequence[float], seconds: float, rate: int) -> Track:
    """Tones together, each at its level, with soft edges: from one half of its height to the other it lasts `seconds`, and
    half an edge more at both ends.
    """
    count = round((seconds + RAMP) * rate)
    times = np.arange(count) / rate
    wave = np.zeros(count)
    for one, level in zip(hz, dbm0, strict=True):
        wave += 10 ** ((level - FULL_SCALE_DBM0) / 20) * np.sin(2 * np.pi * one * times)
    ramp = min(round(RAMP * rate), count // 2)
    if ramp:
        edge = np.sin(np.linspace(0, np.pi / 2, ramp)) ** 2
        wave[:ramp] *= edge
        wave[count - ramp :] *= edge[::-1]
    return wave


def digit_sound(digit: str, flaws: Flaws, rate: int) -> Track:
    """A digit as the panel sends it."""
    shift = 1 + flaws.frequency / 100
    low, high = PAIRS[key_of(digit)]
    levels = (flaws.level - flaws.twist / 2, flaws.level + flaws.twist / 2)
    return sine((low * shift, high * shift), levels, flaws.on / 1000, rate)


def handshake(rate: int, level: float = RECEIVER_DBM0) -> Track:
    """The receiver's two tones with the silence between them (DC-05)."""
    first, second = (sine((hz,), (level,), 0.1, rate) for hz in HANDSHAKE)
    return np.concatenate((first, np.zeros(round((0.1 - RAMP) * rate)), second))


def kiss_off(rate: int, level: float = RECEIVER_DBM0, seconds: float = KISS_OFF_SECONDS) -> Track:
    """The receiver's thanks for a message (DC-05)."""
    return sine((KISS_OFF,), (level,), seconds, rate)


def with_wrong_checksum(digits: str) -> str:
    """The same digits with another last one."""
    return digits[:-1] + ("1" if digits[-1] != "1" else "2")


def make_call(
    messages: Sequence[str],
    flaws: Flaws = FLAWLESS,
    *,
    rate: int = 8000,
    tries: int = 1,
    before: float = 1.0,
    receiver: bool = True,
    seed: int = 0,
) -> Made:
    """A call that brings these messages of sixteen digits.

    `before` is the silence in which the other end rings, in seconds; then it answers, waits a second and gives its
    handshake. With `receiver` off there are gaps where a receiver under test will give handshake and kiss-off itself.
    Each message is sent `tries` times before it is kissed off; of a flaw in the digits the last of several tries is free.
    A message that is not right in the end gets no kiss-off. ValueError for what is no digit, and for a rate below 8000.
    """
    if rate < 8000:
        raise ValueError(f"{rate} samples a second do not carry a telephone line; 8000 and more do")
    sounds: list[Sound] = []
    at = before + 1.0
    sounds.append(Sound(at, 0.1, (HANDSHAKE[0],), "handshake"))
    sounds.append(Sound(at + 0.2, 0.1, (HANDSHAKE[1],), "handshake"))
    at += 0.3 + FIRST_DIGIT_AFTER
    for message in messages:
        for number in range(1, tries + 1):
            digits = message if number == tries > 1 else _with_flaws(message, flaws)
            for digit in digits:
                sounds.append(Sound(at, flaws.on / 1000, PAIRS[key_of(digit)], "digit", digit))
                at += (flaws.on + flaws.off) / 1000
            at -= flaws.off / 1000
            if digits == message and number == tries:
                sounds.append(Sound(at + 0.3, KISS_OFF_SECONDS, (KISS_OFF,), "kiss-off"))
                at += 0.3 + KISS_OFF_SECONDS + FIRST_DIGIT_AFTER
            else:
                at += 1.25 + 0.1
    made = Made(rate, np.zeros(round((at + 0.5) * rate)), np.zeros(round((at + 0.5) * rate)), sounds)
    for sound in sounds:
        begin = round((sound.start - RAMP / 2) * rate)
        if sound.digit is not None:
            wave = digit_sound(sound.digit, flaws, rate)
            made.panel[begin : begin + len(wave)] += wave
        elif receiver:
            wave = sine(sound.hz, (RECEIVER_DBM0,), sound.seconds, rate)
            made.receiver[begin : begin + len(wave)] += wave
    if not receiver:
        made.sounds = [sound for sound in sounds if sound.what == "digit"]
    made.panel = spoil(made.panel, flaws, rate, np.random.default_rng(seed))
    return made


def _with_flaws(message: str, flaws: Flaws) -> str:
    digits = with_wrong_checksum(message) if flaws.wrong_checksum else message
    gone = flaws.missing_digit
    return digits if gone is None else digits[: gone - 1] + digits[gone:]


def digit_power(flaws: Flaws) -> float:
    """The power of a digit's two tones together; a full-scale sine has one half."""
    return float(
        sum(10 ** ((flaws.level + part - FULL_SCALE_DBM0) / 10) / 2 for part in (-flaws.twist / 2, flaws.twist / 2))
    )


def spoil(track: Track, flaws: Flaws, rate: int, random: np.random.Generator) -> Track:
    """What the line does to a track: first what lies near the panel, last what packets do."""
    if flaws.clip is not None:
        peak = sum(10 ** ((flaws.level + part - FULL_SCALE_DBM0) / 20) for part in (-flaws.twist / 2, flaws.twist / 2))
        most = peak * 10 ** (-flaws.clip / 20)
        track = np.clip(track, -most, most)
    if flaws.echo is not None:
        under, behind = flaws.echo
        late = round(behind / 1000 * rate)
        track = track + 10 ** (-abs(under) / 20) * np.concatenate((np.zeros(late), track[: len(track) - late]))
    if flaws.hum is not None:
        times = np.arange(len(track)) / rate
        hum = sum(np.sin(2 * np.pi * flaws.hum_hz * n * times) / n for n in (1, 2, 3, 5))
        track = track + 10 ** ((flaws.hum - FULL_SCALE_DBM0) / 20) * hum
    if flaws.snr is not None:
        track = track + noise(len(track), digit_power(flaws) / 10 ** (flaws.snr / 10), rate, random, flaws.noise)
    if flaws.dropouts:
        length = round(flaws.dropout_ms / 1000 * rate)
        track = track.copy()
        for begin in random.integers(0, len(track), random.poisson(flaws.dropouts * len(track) / rate)):
            track[begin : begin + length] = 0
    return lose(track, flaws.loss, rate, random, concealed=flaws.concealed) if flaws.loss else track


def noise(
    count: int, power: float, rate: int, random: np.random.Generator, kind: Literal["white", "line"] = "white"
) -> Track:
    """Noise of so much power from 0 to 4 kHz: white, or as on lines, from 300 to 3400 Hz and falling by 3 dB an octave."""
    white = random.normal(0, np.sqrt(power * rate / 2 / NOISE_BAND), count)
    if kind == "white":
        return white
    spectrum = np.fft.rfft(white)
    hz = np.fft.rfftfreq(count, 1 / rate)
    shape = np.where((hz >= 300) & (hz <= 3400), np.sqrt(300 / np.maximum(hz, 300)), 0)
    shape *= np.sqrt(NOISE_BAND / (rate / 2) * len(hz) / np.sum(shape**2))
    return np.asarray(np.fft.irfft(spectrum * shape, count))


def lose(track: Track, share: float, rate: int, random: np.random.Generator, *, concealed: bool = False) -> Track:
    """Lose this share of the packets of 20 ms: silence in their place, or the last one that came, 6 dB lower each time."""
    size = round(PACKET * rate)
    track = track.copy()
    last = np.zeros(size)
    for begin in range(0, len(track), size):
        packet = track[begin : begin + size]
        if random.random() >= share:
            last = packet.copy()
        else:
            last = last * 0.5 if concealed else np.zeros(size)
            packet[:] = last[: len(packet)]
    return track
