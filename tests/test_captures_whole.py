"""The whole way of a recording: taken in three shapes, made fit to keep, written down, held against a changed decoder."""

import shutil
from pathlib import Path

import pytest

from protocols import dc09
from protocols.codes import table
from tests.conftest import Farend

CAPTURES = Path(__file__).parent.parent / "fixtures" / "captures"


def test_three_shapes_are_taken_scrubbed_written_down_and_hold_until_the_decoder_changes(
    inside: Farend, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = tmp_path / "kept"
    kept.mkdir()
    shutil.copy(CAPTURES / "estate.toml", tmp_path / "estate.toml")
    for name in ("short.pcap", "timed.log", "short.hex"):
        taken = tmp_path / f"{name}.capture"
        assert inside("capture", "import", CAPTURES / name, "--capture", taken).code == 0
        scrubbed = inside(
            "capture", "scrub", taken, "--capture", kept / taken.name, "--book", tmp_path / "estate.toml",
            "--book-out", kept / f"{name}.toml", "--map", tmp_path / "who is who",
        )  # fmt: skip
        assert scrubbed.code == 0, scrubbed.err
        check = inside("capture", "scrub", "--check", kept / taken.name, "--map", tmp_path / "who is who")
        assert check.code == 0, check.out
        assert b"4471" not in (kept / taken.name).read_bytes()
        assert inside("capture", "expect", kept / taken.name, "--book", kept / f"{name}.toml").code == 0
    assert inside("capture", "verify", kept).code == 0

    rows = table("contact_id")
    monkeypatch.setitem(rows, "131", rows["131"]._replace(meaning="Perimeter fire alarm", category="fire"))
    monkeypatch.setattr(dc09, "read_short", dc09.read_short.__wrapped__)
    done = inside("capture", "verify", kept)
    said = done.out.decode()
    assert done.code == 1
    assert "3 recordings, 18 frames: 0 hold, 3 differ" in done.err
    for words in (
        "meaning of contact-id 131 new\n    - Perimeter burglary alarm\n    + Perimeter fire alarm\n",
        "category of contact-id 131 new\n    - burglary\n    + fire\n",
    ):
        assert said.count(words) == 3
    assert "4471" not in said
