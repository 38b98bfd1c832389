"""The ear: what it must read and must not, how well it measures, and that it hears no digit where there is none."""

import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal
from test_phone_tones import Q23
from voices import speech

from protocols.phone.call import once
from protocols.phone.ear import FRAME, RATE, Ear, Tone, at_rate, power_of
from protocols.phone.sound import Flaws, make_call
from protocols.phone.tones import key_of
from receiver import sound_files

DIGITS = "0123456789BCDEF"


def heard(samples: np.ndarray, *cuts: int) -> list[Tone]:
    """All tones of a stream that comes in these pieces."""
    ear = Ear()
    pieces = np.split(samples, list(cuts))
    return [tone for piece in pieces for tone in ear.hear(piece)] + ear.end()


def digits(samples: np.ndarray) -> str:
    return "".join(tone.digit or "" for tone in heard(samples))


def sent(message: str, flaws: Flaws, seed: int = 0) -> np.ndarray:
    return make_call([message], flaws, receiver=False, before=0.2, seed=seed).line


def some(seed: int) -> str:
    return "".join(np.random.default_rng(seed).choice(list(DIGITS), 16))


# What must be accepted and what must not (ITU-T Q.24, from memory).


@pytest.mark.clause("Q.24 accept", code="protocols.phone.ear.Ear", memory=True)
@pytest.mark.parametrize("flaws", [
    Flaws(frequency=1.5, snr=15), Flaws(frequency=-1.5, snr=15), Flaws(on=40, snr=15), Flaws(off=40, snr=15),
    Flaws(twist=4, snr=15), Flaws(twist=-8, snr=15), Flaws(level=-25, snr=15), Flaws(level=-3),
], ids=str)  # fmt: skip
def test_what_q24_wants_accepted_is_read(flaws: Flaws) -> None:
    for seed in range(4):
        message = some(seed)
        assert digits(sent(message, flaws, seed)) == message


@pytest.mark.clause("Q.24 reject", code="protocols.phone.ear.Ear", memory=True)
@pytest.mark.parametrize(
    "flaws", [Flaws(frequency=3.5), Flaws(frequency=-3.5), Flaws(on=22), Flaws(on=22, snr=15)], ids=str
)
def test_what_q24_wants_rejected_is_not_read(flaws: Flaws) -> None:
    for seed in range(4):
        assert digits(sent(some(seed), flaws, seed)) == ""


@pytest.mark.parametrize(("twist", "frequency"), [(-4, -1.5), (-4, 1.5), (8, -1.5), (8, 1.5)])
def test_calls_are_read_at_15_db_with_the_worst_twist_and_frequency_together(twist: float, frequency: float) -> None:
    for seed in range(20):
        message = some(seed)
        assert digits(sent(message, Flaws(twist=twist, frequency=frequency, snr=15), seed)) == message


@given(
    message=st.text(DIGITS, min_size=16, max_size=16),
    on=st.floats(40, 120),
    off=st.floats(40, 120),
    level=st.floats(-25, -4),
    twist=st.floats(-8, 4),
    frequency=st.floats(-1.5, 1.5),
    seed=st.integers(0, 1000),
)
@settings(max_examples=60)
def test_any_sixteen_legal_digits_in_any_legal_timing_are_read_back(
    message: str, on: float, off: float, level: float, twist: float, frequency: float, seed: int
) -> None:
    flaws = Flaws(level, twist, frequency, on, off, snr=20)
    tones = heard(sent(message, flaws, seed))
    assert "".join(tone.digit or "?" for tone in tones) == message
    for tone in tones:
        assert 1000 * tone.seconds == pytest.approx(on, abs=2)
        assert [part.error for part in tone.parts] == pytest.approx([frequency, frequency], abs=0.4)
        assert tone.twist == pytest.approx(twist, abs=2)


@pytest.mark.parametrize("snr", [5.0, 15.0, 25.0])
def test_the_noise_is_measured_as_it_was_made(snr: float) -> None:
    tones = heard(sent("1234181131010158", Flaws(snr=snr), 3))
    assert len(tones) == 16
    assert np.mean([tone.snr for tone in tones]) == pytest.approx(snr, abs=0.7)


@given(cuts=st.lists(st.integers(0, 20_000), max_size=12))
@settings(max_examples=25)
def test_however_a_stream_is_cut_the_tones_are_the_same(cuts: list[int]) -> None:
    samples = sent("1234181131010158", Flaws(snr=12), 1)
    whole, parts = heard(samples), heard(samples, *sorted(cuts))
    assert [(tone.key, round(tone.start, 3), round(tone.end, 3)) for tone in parts] == [
        (tone.key, round(tone.start, 3), round(tone.end, 3)) for tone in whole
    ]


def test_the_frames_answer_to_each_frequency_as_a_filter_of_scipy_does() -> None:
    # A frame's power at a bin is what a filter of 200 taps, turned to that bin, lets through; SciPy says how much that is.
    taps = np.arange(FRAME)
    for bin_ in (45, 64, 90, 105):
        turned = np.exp(2j * np.pi * bin_ / 512 * taps) / FRAME
        for hz in (bin_ * RATE / 512 + off for off in (-60, -25, -8, 0, 8, 25, 60)):
            _, (response,) = signal.freqz(turned, worN=[hz], fs=RATE)
            frames = [
                np.sin(2 * np.pi * hz * taps / RATE + phase) for phase in np.linspace(0, np.pi, 8, endpoint=False)
            ]
            measured = power_of(np.array(frames, dtype=np.float32))[:, bin_].mean() / (FRAME / 2)
            assert measured == pytest.approx(abs(response) ** 2, abs=0.004)


def test_an_hour_of_sound_like_speech_with_noise_gives_no_digit() -> None:
    voices = speech(900, 1)
    # The same forwards and backwards, slower and faster: other pitches, other vowels, other lengths.
    slower, faster = (
        np.interp(np.arange(0, len(voices), step), np.arange(len(voices)), voices) for step in (0.9, 1.13)
    )
    hour = [voices, voices[::-1], slower, faster[::-1], slower[: 60 * RATE]]
    assert sum(map(len, hour)) > 3600 * RATE
    assert [tone for part in hour for tone in heard(part) if tone.key] == []


def test_noise_alone_hum_and_a_dial_tone_give_no_digit() -> None:
    times = np.arange(60 * RATE) / RATE
    dial = 0.2 * (np.sin(2 * np.pi * 350 * times) + np.sin(2 * np.pi * 440 * times))
    hum = 0.3 * sum(np.sin(2 * np.pi * 50 * n * times) / n for n in range(1, 12))
    for line in (np.random.default_rng(1).normal(0, 0.2, len(times)), dial, hum):
        assert digits(line) == ""


@pytest.mark.parametrize("flaws", [
    Flaws(clip=6), Flaws(clip=12), Flaws(echo=(12, 45)), Flaws(hum=-5), Flaws(dropouts=4), Flaws(snr=12, noise="line"),
    Flaws(loss=0.02), Flaws(loss=0.02, concealed=True),
], ids=str)  # fmt: skip
def test_a_line_that_is_bad_but_fit_for_speech_is_read(flaws: Flaws) -> None:
    for seed in range(3):
        message = some(seed)
        assert digits(sent(message, flaws, seed)) == message


def test_a_hole_of_a_lost_packet_is_told_and_parts_no_digit() -> None:
    samples = sent("1234181131010158", Flaws())
    (first, *_) = heard(samples)
    middle = int((first.start + 0.02) * RATE)
    samples[middle : middle + 160] = 0
    tones = heard(samples)
    assert "".join(tone.digit or "" for tone in tones) == "1234181131010158"
    assert tones[0].holes == pytest.approx(0.02, abs=0.003)


def test_two_equal_digits_with_a_pause_as_short_as_a_lost_packet_stay_two() -> None:
    for seed in range(4):
        assert digits(sent("1122334455667788", Flaws(off=20, snr=15), seed)) == "1122334455667788"


@pytest.mark.parametrize("rate", [11025, 16000, 44100, 48000])
def test_a_recording_of_another_rate_is_heard_the_same(rate: int) -> None:
    made = make_call(["1234181131010158"], Flaws(snr=15), rate=rate)
    assert digits(at_rate(made.line, rate)) == "1234181131010158"


def test_a_tone_without_end_is_told_in_parts_and_not_kept_for_ever() -> None:
    ear = Ear()
    second = np.sin(2 * np.pi * 1400 * np.arange(RATE) / RATE).astype(np.float32)
    tones = [tone for _ in range(60) for tone in ear.hear(second)] + ear.end()
    assert 50 < sum(tone.seconds for tone in tones) <= 61
    assert len(ear._kept) < 8 * RATE


# Programs of general purpose on the other side.


def multimon(path: Path) -> str:
    """The keys that `multimon-ng` hears, Debian's package; it knows nothing of Contact ID."""
    done = subprocess.run(
        ["multimon-ng", "-q", "-a", "DTMF", "-t", "wav", str(path)], capture_output=True, text=True, check=True
    )
    return "".join(line.removeprefix("DTMF: ") for line in done.stdout.split("\n"))


@pytest.mark.clause("Q.23 tones", code="protocols.phone.sound.digit_sound", source="multimon-ng")
@pytest.mark.parametrize("coding", ["16-bit", "8-bit", "mu-law", "a-law"])
def test_multimon_reads_what_we_make(coding: sound_files.Coding, tmp_path: Path) -> None:
    for message in ("1234181131010158", "0123456789BCDEF0"):
        made = make_call([message], receiver=False)
        path = tmp_path / "call.wav"
        sound_files.write(path, made.line, made.rate, coding)
        assert multimon(path) == "".join(map(key_of, message))
        assert "".join(tone.digit or "" for tone in sound_files.Sound(path).tones()) == message


def test_we_read_what_sox_makes(tmp_path: Path) -> None:
    # sox makes each tone by itself; the frequencies are those of Q.23 as this test file has them.
    files = []
    for place, (key, (low, high)) in enumerate(Q23.items()):
        path = tmp_path / f"{place}.wav"
        subprocess.run(
            ["sox", "-n", "-r", "8000", "-c", "2", path, "synth", "0.055", "sine", str(low), "sine", str(high),
             "remix", "1,2", "gain", "-9", "pad", "0.055", "0"],
            check=True,
        )  # fmt: skip
        files.append((key, path))
    whole = tmp_path / "all.wav"
    subprocess.run(["sox", *(path for _, path in files), whole], check=True)
    tones = once(list(sound_files.Sound(whole).tones()))  # sox writes it on two tracks
    assert [tone.key for tone in tones] == [key for key, _ in files]
    assert max(abs(part.error) for tone in tones for part in tone.parts) < 0.2
    assert all(abs(1000 * tone.seconds - 55) < 1.5 for tone in tones)


@pytest.mark.clause("DC-05 kiss-off", code="protocols.phone.sound.kiss_off", source="sox")
def test_what_sox_hears_of_our_kiss_off_is_its_frequency(tmp_path: Path) -> None:
    made = make_call(["1234181131010158"], rate=48_000)
    (kiss,) = [sound for sound in made.sounds if sound.what == "kiss-off"]
    begin = round((kiss.start + 0.05) * made.rate)
    soundfile.write(tmp_path / "kiss.wav", made.line[begin : begin + 36_000], made.rate)
    done = subprocess.run(["sox", tmp_path / "kiss.wav", "-n", "stat"], capture_output=True, text=True, check=True)
    (rough,) = [line.split()[-1] for line in done.stderr.splitlines() if line.startswith("Rough")]
    assert int(rough) == pytest.approx(1400, rel=0.03)
