"""The commands of the telephone line: a call made, read, told in words, drawn."""

import io
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from conftest import Farend
from rich.console import Console
from test_phone_call import WORKED, call_of

from protocols.phone.call import Call
from protocols.phone.sound import FLAWLESS, Flaws, make_call
from receiver import call_words, sound_files
from receiver.sound_files import Sound

MAKE = ("tones", "make", "call.wav", "--account", "1234", "--contact-id", "1131 01 015")


def said(*options: object, inside: Farend) -> str:
    assert inside(*MAKE, *options).code == 0
    return inside("decode", "call.wav").out.decode()


def test_a_call_is_made_and_decoded(inside: Farend) -> None:
    assert inside(*MAKE).code == 0
    done = inside("decode", "call.wav", "--json")
    assert done.code == 0
    (found,) = done.objects
    assert (found["raw"], found["account"], found["token"]) == (WORKED, "1234", "ADM-CID")
    assert found["call"]["findings"] == []
    assert inside("tones", "read", "call.wav", "--json").objects == [found]


def test_an_accounts_events_are_what_its_house_would_say(inside: Farend, station: Path) -> None:
    done = inside(
        "tones", "make", "call.wav", "--account", "4471", "--book", station, "--say", "trip 015", "--say", "restore 015"
    )
    assert done.code == 0, done.err
    found = inside("decode", "call.wav", "--book", station, "--json").objects
    assert [one["signals"][0]["qualifier"] for one in found] == ["new", "restore"]
    assert found[0]["account_name"] == "Tern Point field station"
    assert found[0]["signals"][0]["zone_name"] == "Freezer room door"


def test_a_bad_call_is_read_and_explained(inside: Farend) -> None:
    text = said("--twist", -10, "--snr", 10, "--missing-digit", 7, "--tries", 2, inside=inside)
    assert "15 digits; a message has sixteen" in text
    assert "twist, high over low" in text
    assert "look at a line that carries high tones worse than low ones" in text
    assert "try 2: 1234 18 1131 01 015 8: Perimeter burglary alarm, area 01, zone 015, checksum right" in text
    assert "kiss-off, 0.30 s after the last digit, for 0.85 s" in text
    assert "✗ digit-count" in text
    assert inside("decode", "call.wav").code == 1


def test_what_all_digits_share_is_told_once(inside: Farend) -> None:
    text = said("--frequency", 2, inside=inside)
    assert len(re.findall("frequency error", text)) == 1
    assert "frequency error +2.0 % in 16 digits" in text


def test_the_strip_has_each_digit_at_its_time() -> None:
    call = call_of(WORKED)
    ruler, receiver, panel, *wrong = call_words.strip(call, 7, 110)
    assert wrong == []
    assert panel.removeprefix("panel").replace(" ", "") == WORKED
    assert receiver.index("h") < receiver.index("H") < receiver.index("K")
    # A second is as wide everywhere: the places of two marks say where a digit has to stand.
    (two, three) = (ruler.index("|2.5"), ruler.index("|3.5"))
    first = call.messages[0].start
    assert abs(panel.index("1") - (two + (first - 2.5) * (three - two))) <= 2


def table_of(call: Call, *, margins: bool) -> list[list[float]]:
    """The numbers of each row of a message's table, as a terminal would show it."""
    out = io.StringIO()
    Console(file=out, width=140).print(call_words.table(call.messages[0], margins=margins))
    rows = [line for line in out.getvalue().splitlines() if re.match(r"\d+ +[0-9B-F] ", line)]
    return [[float(number) for number in re.findall(r"[+-]?\d+\.\d+", row)] for row in rows]


def test_the_table_has_each_value_with_its_margin_and_without_where_there_is_no_room() -> None:
    call = call_of(WORKED, flaws=Flaws(twist=3))
    values = table_of(call, margins=False)
    assert len(values) == 16
    at, on, off, low, high, level, twist, _ = values[0]
    assert at == pytest.approx(2.575, abs=0.002)
    assert (on, off, low, high) == pytest.approx((55, 55, 0, 0), abs=1)
    assert (level, twist) == pytest.approx((-11.5, 3), abs=0.3)
    at, *pairs = table_of(call, margins=True)[0]
    margins = pairs[1::2]
    assert margins[:2] == pytest.approx([60 - on, 60 - off], abs=0.2)
    assert margins[2:6] == pytest.approx([1.5, 1.5, 11.5, 1], abs=0.3)
    assert "✗" not in call_words.strip(call, 7, 100)[-1]


def test_the_picture_holds_the_call_and_needs_no_other_file(inside: Farend, tmp_path: Path) -> None:
    options = ("--twist", "-10", "--snr", "10", "--missing-digit", "7", "--tries", "2")
    assert inside(*MAKE, *options).code == 0
    for name in ("one.svg", "two.svg"):
        assert inside("tones", "read", "call.wav", "--picture", name).code == 1
    drawn = (tmp_path / "one.svg").read_text("utf-8")
    assert drawn == (tmp_path / "two.svg").read_text("utf-8")
    assert not re.search(r'(?:href|src)="(?!#|data:)', drawn)
    texts = [re.sub(r"<[^>]+>", "", text).strip() for text in re.findall(r"<text.*?</text>", drawn, re.S)]
    digits = "".join(text for text in texts if re.fullmatch("[0-9B-F]", text))
    assert WORKED in digits
    assert any("✗ digit-count" in text for text in texts)
    assert any(text.startswith("✗ twist, high over low") for text in texts)
    assert {"handshake", "kiss-off", "panel", "receiver"} <= set(texts)
    assert any("bench tool, not a listed or approved receiver" in text for text in texts)


def test_a_picture_may_be_a_png(inside: Farend, tmp_path: Path) -> None:
    assert inside(*MAKE).code == 0
    assert inside("decode", "call.wav", "--picture", "call.png").code == 0
    assert (tmp_path / "call.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("coding", ["16-bit", "8-bit", "mu-law", "a-law"])
@pytest.mark.parametrize("rate", [8000, 44100])
def test_every_coding_and_rate_is_read_back(inside: Farend, coding: str, rate: int) -> None:
    assert inside(*MAKE, "--coding", coding, "--rate", rate).code == 0
    (found,) = inside("decode", "call.wav", "--json").objects
    assert found["raw"] == WORKED


def test_panel_and_receiver_on_two_tracks_are_one_call(inside: Farend) -> None:
    assert inside(*MAKE, "--tracks", "both").code == 0
    (found,) = inside("decode", "call.wav", "--json").objects
    assert found["raw"] == WORKED
    assert found["call"]["handshake"] is not None
    assert found["call"]["kiss_off"] is not None


def test_where_the_card_gives_its_own_tones_there_are_gaps(inside: Farend) -> None:
    assert inside(*MAKE, "--no-receiver").code == 0
    done = inside("decode", "call.wav", "--json")
    assert done.code == 0
    (found,) = done.objects
    assert (found["raw"], found["call"]["handshake"], found["call"]["kiss_off"]) == (WORKED, None, None)


def test_a_recording_without_a_digit_is_an_object_with_its_problem_and_no_success(
    inside: Farend, tmp_path: Path
) -> None:
    sound_files.write(tmp_path / "silence.wav", np.zeros(16000), 8000)
    done = inside("decode", "silence.wav", "--json")
    assert done.code == 1
    (found,) = done.objects
    assert [problem["rule"] for problem in found["problems"]] == ["digit-count"]
    assert "no digit was heard" in inside("decode", "silence.wav").out.decode()


def spoilt(tmp_path: Path, what: str) -> Path:
    path = tmp_path / "spoilt.wav"
    sound_files.write(path, make_call([WORKED]).line, 8000)
    if what == "cut short":
        path.write_bytes(path.read_bytes()[: len(path.read_bytes()) // 2])
    elif what == "only a head":
        path.write_bytes(path.read_bytes()[:20])
    elif what == "a head that lies":
        data = bytearray(path.read_bytes())
        data[24:28] = (0).to_bytes(4, "little")
        path.write_bytes(data)
    elif what == "many tracks":
        soundfile.write(path, np.zeros((8000, 6)), 8000)
    elif what == "too slow":
        soundfile.write(path, np.zeros(8000), 3000)
    elif what == "not a number":
        soundfile.write(path, np.full(8000, np.nan), 8000, subtype="FLOAT")
    return path


@pytest.mark.parametrize(
    "what", ["cut short", "only a head", "a head that lies", "many tracks", "too slow", "not a number"]
)
def test_a_file_that_is_spoilt_ends_in_a_sentence_and_no_trace(inside: Farend, tmp_path: Path, what: str) -> None:
    done = inside("decode", spoilt(tmp_path, what), "--json")
    assert done.code in (1, 2)
    assert "Traceback" not in done.err
    if done.code == 2:
        assert "spoilt.wav" in done.err
    else:
        assert done.objects[0]["problems"]


@pytest.mark.parametrize(("options", "reason"), [
    (("tones", "make", "x.wav"), "say what is reported"),
    (("tones", "make", "x.wav", "--contact-id", "1131 01 015"), "--account is missing"),
    (("tones", "make", "x.wav", "--account", "123456", "--contact-id", "1131 01 015"), "an account of four digits"),
    (("tones", "make", "x.wav", "--account", "12A4", "--contact-id", "1131 01 015"), "no Contact ID digit"),
    (("tones", "make", "x.wav", "--account", "1234", "--contact-id", "hello"), "is no QXYZ GG CCC"),
    (("tones", "make", "x.wav", "--account", "1234", "--say", "trip 015"), "--say needs --book"),
    (("tones", "make", "x.wav", "--digits", "12x4"), "no digit of Contact ID"),
    (("tones", "make", "x.wav", "--digits", WORKED, "--echo", "loud"), "is not DB,MS"),
    (("tones", "make", "nowhere/x.wav", "--digits", WORKED), "there is no folder"),
    (("tones", "read", "nowhere.wav"), "nowhere.wav"),
    (("tones", "call", "127.0.0.1:5004", "--digits", WORKED), "is not rtp://HOST:PORT"),
    (("tones", "call", "rtp://192.0.2.9:5004", "--digits", WORKED, "--target-is-mine", "x"), "nothing was sent"),
])  # fmt: skip
def test_what_cannot_be_done_ends_with_its_reason(inside: Farend, options: tuple[str, ...], reason: str) -> None:
    done = inside(*options)
    assert done.code == 2
    assert reason in done.err


def test_sound_given_to_a_command_for_frames_is_told_where_to_go(inside: Farend) -> None:
    assert inside(*MAKE).code == 0
    done = inside("capture", "show", "call.wav")
    assert done.code == 2
    assert "farend decode" in done.err


def test_a_long_recording_is_heard_in_pieces_as_it_is_heard_whole(tmp_path: Path) -> None:
    # A call that lies across the border of two pieces.
    line = make_call([WORKED], FLAWLESS, before=57).line
    sound_files.write(tmp_path / "long.wav", line, 8000)
    assert "".join(tone.digit or "" for tone in Sound(tmp_path / "long.wav").tones()) == WORKED


def test_a_digit_that_a_lost_packet_cut_shows_in_its_measures(inside: Farend) -> None:
    call = call_of(WORKED, flaws=Flaws(loss=0.1), seed=11)
    assert any(finding.limit.name in ("on time", "off time") for finding in call.messages[0].findings())


@pytest.mark.parametrize(("options", "why"), [
    (("--frequency", 4), "16 pairs of tones were not read: their frequencies are +4.0 % off"),
    (("--frequency", -4), "16 pairs of tones were not read: their frequencies are -4.0 % off"),
    (("--on", 21), "16 pairs of tones were not read: they are 2"),
])  # fmt: skip
def test_digits_that_must_not_be_read_are_told_with_the_reason(
    inside: Farend, options: tuple[object, ...], why: str
) -> None:
    assert why in said(*options, inside=inside)
    assert inside("decode", "call.wav").code == 1


def test_a_disk_that_is_full_leaves_no_half_call(
    inside: Farend, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tools.common.write_whole", full)
    done = inside(*MAKE)
    assert done.code == 2
    assert "call.wav cannot be written: No space left on device" in done.err
    assert not (tmp_path / "call.wav").exists()


def test_what_is_called_wav_and_is_none_is_told_so(inside: Farend, tmp_path: Path) -> None:
    (tmp_path / "call.wav").write_bytes(b"hello" * 100)
    done = inside("decode", "call.wav")
    assert done.code == 2
    assert "no WAV file that can be read" in done.err
