"""Recordings of sound: WAV files read and written, in the codings that telephone lines have."""

import io
from collections.abc import Iterator
from math import ceil
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
from numpy.typing import NDArray

from protocols.phone.ear import RATE, Ear, Samples, Tone, at_rate
from receiver.requests import write_whole

Coding = Literal["16-bit", "8-bit", "mu-law", "a-law"]
CODINGS: dict[Coding, str] = {"16-bit": "PCM_16", "8-bit": "PCM_U8", "mu-law": "ULAW", "a-law": "ALAW"}
MOST_RATE = 384_000  # samples a second
_PIECE_SECONDS = 60


class SoundError(ValueError):
    """A recording of sound cannot be read, or not be listened to; says why."""


class Sound:
    """A WAV file, opened: `rate` in samples a second, `seconds`, how many `tracks`. SoundError where it is none."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._file = soundfile.SoundFile(path)
        except TypeError:  # by its name it would be samples without a head
            raise SoundError(
                f"{path}: samples without a head say neither rate nor coding; make it a WAV file"
            ) from None
        except soundfile.LibsndfileError as error:
            raise SoundError(f"{path}: no WAV file that can be read: {error.error_string}") from None
        self.rate: int = self._file.samplerate
        self.tracks: int = self._file.channels
        self.frames: int = self._file.frames
        self.refused: list[Tone] = []  # once it has been heard: pairs of tones that stood out and are no digits
        if not 4000 <= self.rate <= MOST_RATE:
            raise SoundError(f"{path}: {self.rate} samples a second; from 4000 to {MOST_RATE} can be listened to")
        if self.tracks > 2:
            raise SoundError(f"{path}: {self.tracks} tracks; a call has one, or two with panel and receiver apart")

    @property
    def seconds(self) -> float:
        return self.frames / self.rate

    def between(self, begin: float, end: float) -> Samples:
        """Its samples from one second to another, a column a track, at the rate that is listened at."""
        first, last = max(round(begin * self.rate), 0), min(round(end * self.rate), self.frames)
        self._file.seek(first)
        samples = self._file.read(max(last - first, 0), dtype="float32", always_2d=True)
        # A recording of floating point may hold what is no number; one would make a filter deaf for good.
        return at_rate(np.nan_to_num(samples, nan=0, posinf=1, neginf=-1), self.rate)

    def pieces(self) -> Iterator[Samples]:
        """All of its samples, a minute at a time: each is brought to our rate with a second of what lies around it, so that
        no seam is heard.
        """
        for begin in range(0, ceil(self.seconds), _PIECE_SECONDS):
            before = min(begin, 1)
            piece = self.between(begin - before, begin + _PIECE_SECONDS + 1)
            yield piece[before * RATE : (before + _PIECE_SECONDS) * RATE]

    def tones(self) -> Iterator[Tone]:
        """What sounds on its tracks, each listened to by itself, as it is heard."""
        ears = [Ear() for _ in range(self.tracks)]
        for piece in self.pieces():
            for track, ear in enumerate(ears):
                yield from ear.hear(piece[:, track])
        for ear in ears:
            yield from ear.end()
            self.refused += ear.refused


def encoded(samples: Samples | NDArray[np.float64], rate: int, coding: Coding = "16-bit") -> bytes:
    """A WAV file of samples (full scale 1.0; a column a track)."""
    made = io.BytesIO()
    soundfile.write(made, np.clip(samples, -1, 1), rate, subtype=CODINGS[coding], format="WAV")
    return made.getvalue()


def write(path: Path, samples: Samples | NDArray[np.float64], rate: int, coding: Coding = "16-bit") -> None:
    """Write such a file, whole or not at all. OSError when it cannot be written."""
    write_whole(path, encoded(samples, rate, coding), 0o644)


def writer(path: Path, rate: int) -> soundfile.SoundFile:
    """A WAV file of one track and 16 bits that is written as samples come. OSError when it cannot be."""
    try:
        return soundfile.SoundFile(path, "w", rate, 1, CODINGS["16-bit"], format="WAV")
    except soundfile.LibsndfileError as error:
        raise OSError(None, error.error_string.rstrip(".")) from None
