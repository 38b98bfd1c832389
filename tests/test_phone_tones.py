"""The tones of the telephone line: their numbers, how they are made, and how they are coded."""

import io
import itertools

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from protocols.phone import rtp
from protocols.phone.sound import Flaws, digit_sound, handshake, kiss_off, make_call, noise
from protocols.phone.tones import (
    DIGIT_LIMITS,
    FULL_SCALE_DBM0,
    HANDSHAKE,
    KEYPAD,
    KISS_OFF,
    KISS_OFF_LIMITS,
    PAIRS,
    READ_LIMITS,
    WAIT_FOR_KISS_OFF,
    digit_of,
    key_of,
)

# ITU-T Q.23 (11/1988), clause 6, table 1: the keys and their two frequencies in Hz.
Q23 = {
    "1": (697, 1209), "2": (697, 1336), "3": (697, 1477), "A": (697, 1633),
    "4": (770, 1209), "5": (770, 1336), "6": (770, 1477), "B": (770, 1633),
    "7": (852, 1209), "8": (852, 1336), "9": (852, 1477), "C": (852, 1633),
    "*": (941, 1209), "0": (941, 1336), "#": (941, 1477), "D": (941, 1633),
}  # fmt: skip
WORKED = "1234181131010158"  # the worked example of DC-05


@pytest.mark.clause("Q.23 tones", code="protocols.phone.tones.PAIRS", source="ITU-T Q.23")
def test_each_key_has_the_two_frequencies_of_q23() -> None:
    assert PAIRS == Q23
    assert "".join(KEYPAD) == "123A456B789C*0#D"


@pytest.mark.clause("DC-05 letters", code="protocols.phone.tones.key_of", memory=True)
def test_the_letters_of_contact_id_are_keys_as_dc05_has_them() -> None:
    # From memory of DC-05: B is *, C is #, D is A, E is B, F is C; the key D says nothing.
    assert [key_of(digit) for digit in "0123456789BCDEF"] == list("0123456789*#ABC")
    assert [digit_of(key) for key in "*#ABC"] == list("BCDEF")


@pytest.mark.parametrize("digit", ["*", "#", "G", "", "12", " "])
def test_what_is_no_digit_has_no_key(digit: str) -> None:
    with pytest.raises(ValueError, match="no digit of Contact ID"):
        key_of(digit)


@pytest.mark.clause("DC-05 digit timing", code="protocols.phone.tones.Limit", source="a modem maker's note on DC-05")
def test_the_limits_are_those_of_dc05_and_q24() -> None:
    # DC-05, as published by a modem maker: 1.5 %, 50 to 60 ms, 1400 and 2300 Hz, a kiss-off of 0.75 to 1 s. From memory of
    # DC-05: 1.25 s until the kiss-off; from memory of Q.24: 40 ms of tone and pause, +4 and -8 dB of twist, 3.5 %.
    assert (DIGIT_LIMITS["frequency"].least, DIGIT_LIMITS["frequency"].most) == (-1.5, 1.5)
    assert (DIGIT_LIMITS["on"].least, DIGIT_LIMITS["on"].most) == (50, 60)
    assert (DIGIT_LIMITS["twist"].least, DIGIT_LIMITS["twist"].most) == (-8, 4)
    assert (KISS_OFF_LIMITS["on"].least, KISS_OFF_LIMITS["on"].most) == (750, 1000)
    assert (HANDSHAKE, KISS_OFF, WAIT_FOR_KISS_OFF.most) == ((1400, 2300), 1400, 1250)
    assert (READ_LIMITS["frequency"].most, READ_LIMITS["on"].least, READ_LIMITS["off"].least) == (3.5, 40, 40)


def test_a_margin_says_how_far_inside_the_nearer_bound_a_value_is() -> None:
    twist = DIGIT_LIMITS["twist"]
    assert (twist.margin(0), twist.margin(-6), twist.margin(5)) == (4, 2, -1)
    assert twist.holds(4.2)  # it cannot be measured so exactly
    assert not twist.holds(4.5)
    assert str(twist) == "-8 to +4 dB"
    assert str(DIGIT_LIMITS["snr"]) == "at least 15 dB"


def strongest(wave: np.ndarray, rate: int, count: int) -> list[int]:
    """The strongest frequencies in Hz, by a plain transform that is none of ours."""
    spectrum = np.abs(np.fft.rfft(wave * np.hanning(len(wave)), 8 * rate))
    found = []
    for _ in range(count):
        peak = int(spectrum.argmax())
        found.append(round(peak / 8))
        spectrum[max(peak - 400, 0) : peak + 400] = 0
    return sorted(found)


@pytest.mark.parametrize("rate", [8000, 16000, 44100])
@pytest.mark.parametrize("digit", list("0159BCDEF"))
def test_a_digit_is_its_two_tones_at_their_level(digit: str, rate: int) -> None:
    wave = digit_sound(digit, Flaws(level=-13, twist=2, on=100), rate)
    assert strongest(wave, rate, 2) == pytest.approx(list(Q23[key_of(digit)]), abs=1)
    times = np.arange(len(wave)) / rate
    low, high = (
        20 * np.log10(2 * abs(np.mean(wave * np.exp(-2j * np.pi * hz * times)))) + FULL_SCALE_DBM0
        for hz in Q23[key_of(digit)]
    )
    assert (low, high) == pytest.approx((-14, -12), abs=0.25)


@pytest.mark.clause("DC-05 handshake", code="protocols.phone.sound.handshake", source="a modem maker's note on DC-05")
@pytest.mark.clause("DC-05 kiss-off", code="protocols.phone.sound.kiss_off", source="a modem maker's note on DC-05")
def test_the_receivers_tones_are_1400_and_2300_hz_and_as_long_as_dc05_has_them() -> None:
    wave = handshake(8000)
    assert strongest(wave[:800], 8000, 1) == [1400]
    assert strongest(wave[1600:], 8000, 1) == [2300]
    assert np.abs(wave[850:1550]).max() == 0
    assert len(wave) / 8000 == pytest.approx(0.3, abs=0.002)
    assert strongest(kiss_off(8000), 8000, 1) == [1400]
    assert 0.75 <= len(kiss_off(8000)) / 8000 <= 1


@pytest.mark.parametrize(("kind", "rate"), list(itertools.product(["white", "line"], [8000, 48000])))
def test_noise_has_the_power_that_was_asked_for_below_4_khz(kind: str, rate: int) -> None:
    made = noise(rate * 4, 0.01, rate, np.random.default_rng(1), kind)  # type: ignore[arg-type]
    spectrum = np.abs(np.fft.rfft(made)) ** 2
    inside = spectrum[: len(spectrum) * 4000 // (rate // 2)].sum() * 2 / len(made) ** 2
    assert inside == pytest.approx(0.01, rel=0.05)


def test_the_same_seed_makes_the_same_call_and_another_seed_another() -> None:
    flaws = Flaws(snr=10, loss=0.05, dropouts=1)
    one, same, other = (make_call([WORKED], flaws, seed=seed).line for seed in (1, 1, 2))
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)


# G.711, against libsndfile, a general-purpose library for sound files.


def libsndfile(data: bytes, subtype: str) -> np.ndarray:
    samples, _ = soundfile.read(
        io.BytesIO(data), channels=1, samplerate=8000, format="RAW", subtype=subtype, dtype="float32"
    )
    return np.asarray(samples)


@pytest.mark.parametrize(("kind", "subtype"), [(rtp.PCMU, "ULAW"), (rtp.PCMA, "ALAW")])
def test_every_byte_of_g711_stands_for_what_libsndfile_says(kind: int, subtype: str) -> None:
    every = bytes(range(256))
    assert np.array_equal(rtp.decode(every, kind), libsndfile(every, subtype))


@pytest.mark.parametrize("kind", [rtp.PCMU, rtp.PCMA])
@given(value=st.floats(-1, 1, width=32))
def test_a_sample_is_coded_as_the_nearest_value_that_there_is(kind: int, value: float) -> None:
    values = rtp.decode(bytes(range(256)), kind)
    (coded,) = rtp.decode(rtp.encode(np.array([value], dtype=np.float32), kind), kind)
    assert abs(coded - value) == np.abs(values - np.float32(value)).min()
