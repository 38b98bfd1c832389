"""The stress matrix: the same calls for everybody, what is read, unread and misread, and how sure a share is."""

import sys
from datetime import UTC, datetime
from pathlib import Path

import orjson
import pytest
from conftest import BOOK, Farend

from protocols import contact_id
from protocols.dc09 import decode as decode_frame
from protocols.envelope import wrap
from receiver import desk, sound_files
from receiver.book import parse
from receiver.journal import Row, Store
from receiver.trial import line
from receiver.trial.line import SWEEPS, Point, Probe, Tally, accepted, behind, calls, points

SNR = next(sweep for sweep in SWEEPS if sweep.name == "SNR")
EASY = Point(SNR, 20)
MULTIMON = 'multimon-ng="multimon-ng -q -a DTMF -t wav {wav}"'.replace('"', "")


def test_the_points_ask_what_q24_asks() -> None:
    # From memory of Q.24.
    asks = {(point.sweep.name, point.value): point.asks for point in points()}
    assert asks["frequency", 1.5] == asks["frequency", -1.5] == asks["digit length", 40] == asks["twist", -8] == "must"
    assert asks["frequency", 3.5] == asks["frequency", -3.5] == asks["digit length", 20] == "must not"
    assert asks["frequency", 2.5] == asks["digit length", 30] == asks["twist", 8] == "may"


def test_the_same_seed_makes_the_same_calls_whatever_else_is_tried(tmp_path: Path) -> None:
    alone = list(calls([EASY], 3, seed=7))
    among = [call for call in calls(points(["SNR", "twist"]), 3, seed=7) if call.point == EASY]
    assert alone == among
    assert alone != list(calls([EASY], 3, seed=8))
    for name in ("one.wav", "two.wav"):
        line.write_call(alone[0], tmp_path / name)
    assert (tmp_path / "one.wav").read_bytes() == (tmp_path / "two.wav").read_bytes()


def test_every_message_of_the_matrix_is_right_by_itself() -> None:
    for call in calls(points(), 2, seed=1):
        assert contact_id.read_call(call.digits).problems == []


def test_what_is_printed_is_a_message_only_with_sixteen_digits_and_a_right_checksum() -> None:
    assert accepted("1234181131010158") == ["1234181131010158"]
    for wrong in ("1234181131010157", "123418113101015", "12341811310101588", "", "1234771131010158"):
        assert accepted(wrong) == []


# From memory of R. G. Newcombe, Two-sided confidence intervals for the single proportion, Statistics in Medicine 17 (1998),
# table I, method 3: the score interval at 95 %.
@pytest.mark.parametrize(
    ("count", "of", "low", "high"), [(15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)]
)
def test_the_interval_is_wilsons(count: int, of: int, low: float, high: float) -> None:
    assert Tally(EASY, "x", of, count).interval() == pytest.approx((low, high), abs=0.00006)


def test_a_decoder_fails_by_a_misread_anywhere_by_a_miss_where_it_must_read_and_by_reading_what_it_must_not() -> None:
    short = Point(next(sweep for sweep in SWEEPS if sweep.name == "digit length"), 20)
    hard = Point(SNR, 0)
    assert not Tally(EASY, "x", 10, 10).failed
    assert Tally(EASY, "x", 10, 9).failed
    assert not Tally(hard, "x", 10, 0).failed
    assert Tally(hard, "x", 10, 9, 1).failed
    assert not Tally(short, "x", 10, 0).failed
    assert Tally(short, "x", 10, 1).failed


def test_one_decoder_is_behind_another_where_it_reads_less_or_misreads_more() -> None:
    tallies = [Tally(EASY, "a", 10, 9), Tally(EASY, "b", 10, 10)]
    assert behind(tallies, "a", "b") == [(tallies[0], tallies[1])]
    assert behind(tallies, "b", "a") == []
    tallies[1].read, tallies[1].misread = 9, 1
    assert behind(tallies, "b", "a") == [(tallies[1], tallies[0])]


def script(tmp_path: Path, text: str) -> str:
    path = tmp_path / "decoder.py"
    path.write_text(text, "utf-8")
    return f"{sys.executable} {path} {{wav}}"


def trial(inside: Farend, *options: object) -> dict[str, dict[str, int]]:
    done = inside("trial", "line", "--calls", 2, "--json", *options)
    assert done.code in (0, 1), done.err
    return {one["decoder"]: one for one in done.objects if one["value"] == 20}


def test_a_decoder_that_lies_is_caught_as_misreading(inside: Farend, tmp_path: Path) -> None:
    liar = script(tmp_path, "print('DTMF: ' + '1234181131010158')\n")
    found = trial(inside, "--sweep", "SNR", "--decoder", f"liar={liar}")
    assert (found["liar"]["read"], found["liar"]["misread"]) == (0, 2)
    assert (found["farend"]["read"], found["farend"]["misread"]) == (2, 0)
    assert inside("trial", "line", "--calls", 1, "--sweep", "level", "--decoder", f"liar={liar}", "--only").code == 1


def test_a_decoder_that_hears_nothing_reads_nothing_and_misreads_nothing(inside: Farend, tmp_path: Path) -> None:
    found = trial(inside, "--sweep", "SNR", "--decoder", f"deaf={script(tmp_path, '')}", "--only")
    assert set(found) == {"deaf"}
    assert (found["deaf"]["read"], found["deaf"]["unread"], found["deaf"]["misread"]) == (0, 2, 0)


def test_farend_is_no_worse_than_multimon_on_the_same_files(tmp_path: Path) -> None:
    """`multimon-ng`, Debian's package, is a decoder of general purpose; the whole matrix stands in the README."""
    tried = [point for point in points() if (point.sweep.name, point.value) in {
        ("SNR", 15), ("SNR", 0), ("twist", -8), ("twist", 4), ("frequency", 1.5), ("digit length", 25), ("pause", 20),
        ("loss", 5), ("concealed loss", 10),
    }]  # fmt: skip
    assert len(tried) == 9
    decoders = {"farend": line.ours, "multimon-ng": line.command(MULTIMON.partition("=")[2])}
    tallies = line.run(tried, decoders, tmp_path, each=8, seed=3)
    assert behind(tallies, "farend", "multimon-ng") == []
    assert not any(tally.failed for tally in tallies if tally.decoder == "farend")
    assert sum(tally.read for tally in tallies if tally.decoder == "multimon-ng") > 0


def test_a_line_card_is_judged_by_what_its_receiver_reports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The card is imagined: what plays the file decodes it, and puts a row into the journal as a bench would.
    journal = tmp_path / "station.journal"
    book = parse(BOOK, "station.toml", tmp_path)
    store = Store(journal, write=True)
    wrong: list[bool] = []

    def report(call: Probe, path: Path) -> None:
        frame = contact_id.read_call(call.digits)
        zone = "777" if wrong else frame.signals[0].number
        body = f'"ADM-CID"0001L0#4471[#4471|{call.digits[6:10]} {call.digits[10:12]} {zone}]'
        decision = desk.judge(
            desk.Piece("frame", wrap(body.encode()), 0), book, desk.Memory(), desk.Origin("tcp", 1, "::1", "x"),
            datetime(2026, 11, 25, tzinfo=UTC), 0.0,
        )  # fmt: skip
        assert decode_frame(wrap(body.encode())).problems == []
        entry = desk.entry(decision, datetime(2026, 11, 25, tzinfo=UTC), desk.Origin("tcp", 1, "::1", "x"))
        number = store.last_number() + 1
        store.append([Row(number, entry["at"], "4471", entry["verdict"], orjson.dumps(entry | {"row": number}))])

    hear = line.line_card("true {wav}", journal, "4471", wait=0.05)
    (first, second, third) = calls([EASY], 3, 1, account="4471")
    path = tmp_path / "call.wav"
    line.write_call(first, path)

    def run(words: object, path: Path) -> str:
        report(current[0], path)
        return ""

    current = [first]
    with monkeypatch.context() as patched:
        patched.setattr(line, "_run", run)
        assert hear(first, path) == [first.digits]
        current[0] = second
        wrong.append(True)
        assert hear(second, path) not in ([], [second.digits])
    assert hear(third, path) == []


def test_the_picture_has_a_panel_a_sweep_and_names_each_decoder(inside: Farend, tmp_path: Path) -> None:
    deaf = script(tmp_path, "")
    done = inside(
        "trial",
        "line",
        "--calls",
        1,
        "--sweep",
        "level",
        "--sweep",
        "pause",
        "--decoder",
        f"deaf={deaf}",
        "--picture",
        "m.svg",
    )
    assert done.code == 1
    drawn = (tmp_path / "m.svg").read_text("utf-8")
    for text in ("level, dBm0", "pause, ms", "farend", "deaf", "must be read", "misread", "seed 1"):
        assert f">{text}" in drawn or text in drawn
    assert "SNR, dB" not in drawn


@pytest.mark.parametrize(("options", "reason"), [
    (("--sweep", "weather"), "there is no sweep 'weather'"),
    (("--decoder", "nothing"), "is not NAME="),
    (("--decoder", "x=cat"), "does not say where the file goes"),
    (("--decoder", "x=no-such-program {wav}"), "cannot be run"),
    (("--decoder", "x=false {wav}"), "ended with 1"),
    (("--only",), "--only leaves nothing to try"),
    (("--play", "true {wav}"), "--play and --journal together"),
    (("--picture", "m.gif"), "ends with .svg or .png"),
    (("--keep", "nowhere"), "there is no such folder"),
])  # fmt: skip
def test_what_cannot_be_tried_ends_with_its_reason(inside: Farend, options: tuple[str, ...], reason: str) -> None:
    done = inside("trial", "line", "--calls", "1", "--sweep", "level", *options)
    assert done.code == 2
    assert reason in done.err


def test_the_files_of_a_trial_can_be_kept(inside: Farend, tmp_path: Path) -> None:
    (tmp_path / "kept").mkdir()
    assert inside("trial", "line", "--calls", 1, "--sweep", "level", "--keep", "kept").code == 0
    kept = sorted((tmp_path / "kept").glob("*.wav"))
    assert len(kept) == 5
    assert sound_files.Sound(kept[0]).rate == 8000
