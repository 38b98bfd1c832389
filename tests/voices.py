"""Sound like speech, made from numbers: pulses through moving resonances, hisses and pauses. No recording of anybody."""

import numpy as np
from numpy.typing import NDArray
from scipy import signal

RATE = 8000


def speech(seconds: float, seed: int) -> NDArray[np.float64]:
    """Voices from 80 to 320 Hz, gliding, with four formants; the strongest tests of a detector are its open vowels."""
    random = np.random.default_rng(seed)
    parts: list[NDArray[np.float64]] = []
    while sum(map(len, parts)) < seconds * RATE:
        count = int(random.uniform(0.06, 0.4) * RATE)
        kind = random.random()
        if kind < 0.65:
            part = vowel(count, random)
        elif kind < 0.85:
            band = signal.butter(2, [random.uniform(0.2, 0.5), random.uniform(0.6, 0.95)], "bandpass")
            part = signal.lfilter(*band, random.normal(0, 1, count))
            part /= 3 * np.abs(part).max()
        else:
            part = np.zeros(count)
        parts.append(part * np.hanning(count) ** 0.3 * random.uniform(0.05, 0.8))
    line = np.concatenate(parts)
    return line + random.normal(0, 0.003, len(line))


def vowel(count: int, random: np.random.Generator) -> NDArray[np.float64]:
    pitch = random.uniform(80, 320)
    glide = pitch * (1 + 0.15 * np.cumsum(random.normal(0, 1, count)) / count)
    glide += pitch * random.uniform(-0.2, 0.2) * np.arange(count) / count
    hz = glide if random.random() < 0.7 else np.full(count, pitch)
    source = np.diff(np.floor(np.cumsum(hz) / RATE), prepend=0)
    sound = signal.lfilter([1], [1, -0.95], source) + random.normal(0, 0.01, count)
    for low, high in ((250, 1000), (800, 2500), (1800, 3000), (3300, 3301)):
        width, at = random.uniform(40, 150), random.uniform(low, high)
        radius = np.exp(-np.pi * width / RATE)
        sound = signal.lfilter([1 - radius], [1, -2 * radius * np.cos(2 * np.pi * at / RATE), radius**2], sound)
    return np.asarray(sound / np.abs(sound).max())
