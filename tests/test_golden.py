"""Golden files: what the decoder makes of a recording is written down, and each change of it told as a person would."""

from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from junitparser import JUnitXml

from protocols import dc09
from protocols.codes import table
from protocols.envelope import Piece, Reader
from receiver import capture, desk, golden
from receiver.book import Account, Book
from receiver.capture import Happening
from receiver.golden import compare, grouped, hold, lines
from receiver.rehearing import Judging
from tests.conftest import Done, Farend, ack, envelope

ROOT = Path(__file__).parent.parent
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
JUDGING = Judging(Book((Account(number="4471", name="An invented house"),)))


def cid(sequence: int, message: str) -> bytes:
    return envelope(f'"ADM-CID"{sequence:04d}L0#4471[#4471|{message}]')


def said(*frames: bytes) -> list[Happening]:
    """One connection on which a panel says these, each answered."""
    found = [Happening(NOON, "tcp-1", "open", b"", "tcp", "192.0.2.7:40112")]
    for number, frame in enumerate(frames):
        at = NOON + timedelta(seconds=number)
        sequence = int(frame[frame.index(b'"', 10) + 1 :][:4])
        found += [Happening(at, "tcp-1", "panel", frame), Happening(at, "tcp-1", "receiver", ack(sequence))]
    return found


MANY = said(*(cid(number, f"1131 01 {number:03d}") for number in range(1, 301)), cid(301, "3401 01 002"))


def golden_of(happenings: Iterable[Happening]) -> list[str]:
    return [text for text, _ in lines(happenings, JUDGING)]


def differences(old: list[str], happenings: Iterable[Happening]) -> list[golden.Group]:
    return grouped(compare(old, lines(happenings, JUDGING)))[0]


def words(groups: list[golden.Group]) -> list[tuple[str, str, str, int]]:
    return [(group.first.what, group.first.old, group.first.new, group.count) for group in groups]


def test_a_line_says_all_that_was_made_of_a_frame() -> None:
    damaged = cid(7, "1131 01 015").replace(b"L0", b"L1")
    assert [text.split(" | ") for text in golden_of(said(cid(7, "1131 01 015"), damaged))[:1]] == [
        [
            "1",
            "at: 2026-11-25 12:00:00.000",
            "from: tcp-1",
            "account: 4471 An invented house",
            "frame: ADM-CID 0007 L0, crc 81B4, 49 bytes",
            "said: contact-id 131 new · Perimeter burglary alarm · burglary · area 01 · zone 015",
            "verdict: accepted, ACK",
            "warning: answered here and nowhere else: is this real?",
        ]
    ]
    assert "problem: crc-mismatch · sent" in golden_of(said(damaged))[0]


def test_what_came_over_a_wire_cannot_part_cells() -> None:
    hostile = envelope('"SIA-DCS"0007L0#4471[#4471|Nri1/BA15^a| verdict: x · \x1b2J^]')
    text = golden_of(said(hostile))[0]
    assert text.count(" | verdict: ") == 1
    assert "\x1b" not in text
    assert "\\x7C" in text


def test_a_changed_meaning_of_a_code_is_one_difference_however_often_it_came(monkeypatch: pytest.MonkeyPatch) -> None:
    old = golden_of(MANY)
    rows = table("contact_id")
    monkeypatch.setitem(rows, "131", rows["131"]._replace(meaning="Perimeter fire alarm"))
    monkeypatch.setattr(dc09, "read_short", dc09.read_short.__wrapped__)
    (group,) = differences(old, MANY)
    assert words([group]) == [
        ("meaning of contact-id 131 new", "Perimeter burglary alarm", "Perimeter fire alarm", 300)
    ]
    assert group.numbers == [1, 3, 5, 7, 9]
    held = golden.Held(Path("storm.capture"), 602, [group])
    text = "\n".join(golden.told(held, 80))
    assert "  - Perimeter burglary alarm\n  + Perimeter fire alarm\n" in text
    assert "frames 1, 3, 5, 7, 9 and 295 more" in text
    assert '"ADM-CID"0001L0#4471[#4471|1131 01 001]\\r' in text.replace("\n    ", "")
    assert max(map(len, text.splitlines())) <= 80


def test_a_changed_verdict_is_one_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    old = golden_of(MANY)
    rules = tuple(
        rule._replace(verdict="unsupported", reply="DUH") if rule.verdict == "accepted" else rule for rule in desk.RULES
    )
    monkeypatch.setattr(desk, "RULES", rules)
    found = words(differences(old, MANY))
    assert ("verdict", "accepted, ACK", "unsupported, DUH", 301) in found
    assert all(what in ("verdict", "warning") for what, _, _, _ in found)


def test_two_frames_of_a_segment_read_in_the_wrong_order_have_changed_places(monkeypatch: pytest.MonkeyPatch) -> None:
    both = said(cid(1, "1131 01 001"), cid(2, "1131 01 002"), cid(3, "1131 01 003"))
    both[1:4:2] = [both[1]._replace(data=both[1].data + both[3].data), both[3]._replace(data=b"")]
    old = golden_of(both)
    feed = Reader.feed

    def backwards(self: Reader, data: bytes) -> list[Piece]:
        return feed(self, data)[::-1]

    monkeypatch.setattr(Reader, "feed", backwards)
    found = words(differences(old, both))
    assert ("its place", "frame 1", "frame 2", 1) in found or ("its place", "frame 2", "frame 1", 1) in found
    assert not any("frame has gone" in what or "frame is new" in what for what, *_ in found)


@pytest.mark.parametrize("place", [0, 100, 600])
def test_a_frame_that_is_new_or_gone_is_told_alone(place: int) -> None:
    """The frames after it have other numbers, and so have their answers' and repeats': that is no difference."""
    pieces = [MANY[0], *MANY[1:]]
    fewer = [one for number, one in enumerate(pieces) if number != place + 1]
    gone = [what for what, *_ in words(differences(golden_of(MANY), fewer)) if what not in ("answer", "sequence")]
    assert gone == ["a frame has gone"]
    new = [what for what, *_ in words(differences(golden_of(fewer), MANY)) if what not in ("answer", "sequence")]
    assert new == ["a frame is new"]


def test_of_many_alike_as_many_are_gone_as_are() -> None:
    """Four polls before and one after, elsewhere: one has moved and three have gone."""
    poll = envelope('"NULL"0000L0#4471[]')
    old = said(poll, poll, poll, poll, cid(1, "1131 01 001"))
    new = said(cid(1, "1131 01 001"), poll)
    groups = {
        what: count for what, _, _, count in words(differences(golden_of(old), new)) if what.startswith(("a f", "its"))
    }
    assert groups["a frame has gone"] == 6  # three polls, and the answers to them


CHANGES: dict[str, tuple[str, str, str]] = {
    "verdict: accepted, ACK": ("verdict: poll, ACK", "poll, ACK", "accepted, ACK"),
    "zone 015": ("user 015", "user 015", "zone 015"),
    "account: 4471 An invented house": ("account: 4417", "4417", "4471 An invented house"),
    "burglary · area": ("fire · area", "fire", "burglary"),
    "answer: ACK to frame 29": ("answer: foreign", "foreign", "ACK to frame 29"),
}


@given(st.sampled_from(sorted(CHANGES)))
def test_one_field_of_one_line_is_one_difference_at_that_frame(what: str) -> None:
    old = golden_of(MANY)
    place = next(number for number, text in enumerate(old) if what in text and number >= 28)
    planted, before, after = CHANGES[what]
    old[place] = old[place].replace(what, planted, 1)
    (group,) = differences(old, MANY)
    assert (group.first.number, group.first.old, group.first.new) == (place + 1, before, after)


def test_a_recording_holds_against_its_own_golden_file() -> None:
    assert differences(golden_of(MANY), MANY) == []


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "book.toml").write_text('[[account]]\nnumber = "4471"\nname = "An invented house"\n')
    capture.write(tmp_path / "x.capture", said(cid(1, "1131 01 001"), cid(2, "1110 01 002")), "a test", NOON)
    return tmp_path


def expected(inside: Farend, folder: Path, *more: str) -> Done:
    return inside("capture", "expect", folder / "x.capture", "--book", folder / "book.toml", *more)


def test_the_commands_write_hold_tell_and_take(inside: Any, folder: Path) -> None:
    assert expected(inside, folder).code == 0
    assert inside("capture", "verify", folder).code == 0
    path = folder / "x.capture.golden"
    path.write_text(path.read_text().replace("Fire alarm", "Fog alarm"))
    done = inside("capture", "verify", folder, "--junit", folder / "v.xml")
    assert done.code == 1
    assert b"- Fog alarm" in done.out
    assert b"+ Fire alarm" in done.out
    (suite,) = JUnitXml.fromfile(str(folder / "v.xml"))
    assert (suite.tests, suite.failures, suite.errors) == (1, 1, 0)
    assert expected(inside, folder).code == 1  # it says something else, and is left alone
    assert inside("capture", "verify", folder, "--accept").code == 0
    assert inside("capture", "verify", folder).code == 0
    assert "Fire alarm" in path.read_text()


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda folder: (folder / "x.capture").unlink(), "x.capture cannot be read"),
        (lambda folder: (folder / "book.toml").unlink(), "the book book.toml"),
        (lambda folder: (folder / "x.capture.golden").write_text("what?"), "is no golden file"),
        (lambda folder: _cut(folder / "x.capture.golden"), "was cut off"),
        (lambda folder: _cut(folder / "x.capture", b"what?\n"), "line"),
        (lambda folder: (folder / "y.pcap").write_bytes(b""), "y.pcap has no golden file"),
    ],
)
def test_what_cannot_be_held_is_said_and_counts_as_wrong(
    inside: Any, folder: Path, spoil: Callable[[Path], object], says: str
) -> None:
    expected(inside, folder)
    spoil(folder)
    done = inside("capture", "verify", folder)
    assert done.code == 1
    assert says in " ".join((done.out.decode() + done.err).split())


def _cut(path: Path, end: bytes = b"") -> None:
    path.write_bytes(path.read_bytes().rsplit(b"\n", 2)[0] + b"\n" + end)


def test_a_moved_folder_holds_as_before(inside: Any, folder: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    expected(inside, folder)
    moved = folder.rename(tmp_path_factory.mktemp("elsewhere") / "moved")
    assert inside("capture", "verify", moved).code == 0


def test_every_shipped_recording_holds() -> None:
    """The project's own folder: each recording that is shipped has its golden file, and the decoder holds to it."""
    goldens = sorted((ROOT / "fixtures").rglob("*.golden"))
    assert goldens
    for path in goldens:
        held = hold(path)
        assert held.holds, "\n".join(golden.told(held))
    assert {path.name.removesuffix(".golden") for path in goldens} >= {
        path.name for path in (ROOT / "fixtures").rglob("*.capture")
    }


def test_the_same_things_in_another_order_are_told_as_that() -> None:
    (line, passed), *rest = list(lines(said(cid(7, "1131 01 015")), JUDGING))
    old = [f"{line} | note: one | note: two", *(text for text, _ in rest)]
    (only,) = grouped(compare(old, [(f"{line} | note: two | note: one", passed), *rest]))[0]
    assert (only.first.what, only.first.old, only.first.new) == ("the order of note", "one; two", "two; one")
