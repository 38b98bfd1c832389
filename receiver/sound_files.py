"""Recordings of sound: WAV files read and written, in the codings that telephone lines have."""

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
from numpy.typing import NDArray

from protocols.phone.ear import RATE, Ear, Samples, Tone, at_rate

Coding = Literal["16-bit", "8-bit", "mu-law", "a-law"]
CODINGS: dict[Coding, str] = {"16-bit": "PCM_16", "8-bit": "PCM_U8", "mu-law": "ULAW", "a-law": "ALAW"}
MOST_RATE = 384_000  # samples a second
_BLOCK_SECONDS = 60


class SoundError(ValueError):
    """A recording of sound cannot be read, or not be listened to; says why."""


class Sound:
    """A WAV file, opened: `rate` in samples a second, `seconds`, how many `tracks`. SoundError where it is none."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._file = soundfile.SoundFile(path)
        except soundfile.LibsndfileError as error:
            raise SoundError(f"{path}: no WAV file that can be read: {error.error_string}") from None
        self.rate: int = self._file.samplerate
        self.tracks: int = self._file.channels
        self.frames: int = self._file.frames
        if not 4000 <= self.rate <= MOST_RATE:
            raise SoundError(
                f"{path}: {self.rate} samples a second; a recording of a call has 8000, or at most {MOST_RATE}"
            )
        if self.tracks > 2:
            raise SoundError(f"{path}: {self.tracks} tracks; a call has one, or two with panel and receiver apart")

    @property
    def seconds(self) -> float:
        return self.frames / self.rate

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """Its samples, some at a time, a column a track."""
        self._file.seek(0)
        yield from self._file.blocks(_BLOCK_SECONDS * self.rate, dtype="float32", always_2d=True)

    def all(self) -> NDArray[np.float32]:
        """All of its samples, a column a track."""
        self._file.seek(0)
        return np.asarray(self._file.read(dtype="float32", always_2d=True))

    def between(self, begin: float, end: float) -> NDArray[np.float32]:
        """Its samples from one second to another, a column a track."""
        self._file.seek(round(begin * self.rate))
        return np.asarray(self._file.read(round((end - begin) * self.rate), dtype="float32", always_2d=True))

    def tones(self) -> Iterator[tuple[int, Tone]]:
        """What sounds on each track, by its number, as it is heard. A recording of two equal tracks is heard once."""
        ears = [Ear() for _ in range(self.tracks)]
        # An hour is listened to in pieces; one of another rate is brought to ours as a whole, so that no seam is heard.
        whole = iter((self.all(),)) if self.rate != RATE else self.blocks()
        for block in whole:
            heard = ears[:1] if self.tracks == 2 and np.array_equal(block[:, 0], block[:, 1]) else ears
            for track, ear in enumerate(heard):
                yield from ((track, tone) for tone in ear.hear(at_rate(block[:, track], self.rate)))
        for track, ear in enumerate(ears):
            yield from ((track, tone) for tone in ear.end())


def write(path: Path, samples: Samples | NDArray[np.float64], rate: int, coding: Coding = "16-bit") -> None:
    """Write samples (full scale 1.0; a column a track) as a WAV file. OSError when it cannot be written."""
    try:
        soundfile.write(path, np.clip(samples, -1, 1), rate, subtype=CODINGS[coding], format="WAV")
    except soundfile.LibsndfileError as error:
        raise OSError(None, error.error_string.rstrip(".")) from None


def writer(path: Path, rate: int) -> soundfile.SoundFile:
    """A WAV file of one track and 16 bits that is written as samples come. OSError when it cannot be."""
    try:
        return soundfile.SoundFile(path, "w", rate, 1, CODINGS["16-bit"], format="WAV")
    except soundfile.LibsndfileError as error:
        raise OSError(None, error.error_string.rstrip(".")) from None
