"""The pytest plugin, as other people's projects meet it: by its public face alone; and what failures say."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

PROJECT = Path(__file__).parent / "example_project"

FAILS = """
import pytest

@pytest.mark.farend_book("house.toml")
def test_another_zone(farend_bench, farend_panel):
    farend_panel("4471").contact_id("1131 01 016")
    farend_bench.wait_for(account="4471", code="131", zone="015", within=0.3)

def test_never(farend_bench, farend_panel):
    farend_panel("4471").poll()
    farend_bench.never(verdict="unknown-account")

def test_a_slip_of_the_pen(farend_bench):
    with pytest.raises(ValueError, match="no entry has a field 'acount'"):
        farend_bench.never(acount="4471")
    with pytest.raises(ValueError, match="no verdict is 'unknown_account'"):
        farend_bench.never(verdict="unknown_account")

def test_a_bench_that_ends(farend_bench):
    farend_bench._process.kill()
    farend_bench.wait_for(account="4471", within=20)

def test_a_book_that_is_not_there(farend_bench_with):
    farend_bench_with(book="nowhere.toml")

@pytest.mark.farend_capture("monday.capture")
def test_a_golden_file_that_says_something_else():
    pass
"""


# Plugins of our own tests that such a project has not, and that take longer to load than its tests to run.
OTHERS = [
    word
    for name in ("schemathesis", "hypothesispytest", "xdist", "xdist.looponfail", "anyio")
    for word in ("-p", f"no:{name}")
]


def run(folder: Path, *options: str) -> tuple[int, str]:
    """pytest as somebody else runs it, where any warning is an error."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith(("PYTEST_", "COV_"))}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-W", "error", "-p", "no:cacheprovider", *OTHERS, *options],
        cwd=folder, env=environment, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout + done.stderr


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return Path(shutil.copytree(PROJECT, tmp_path / "project"))


def test_the_example_project_passes_plain_in_asyncio_and_in_twisted(project: Path) -> None:
    """It has a package `tools` of its own, as many projects have: farend's must not be in its way, nor it in farend's."""
    (project / "tools").mkdir()
    (project / "tools" / "__init__.py").write_text("theirs = True\n")
    (project / "test_own.py").write_text("def test_own():\n    from tools import theirs\n    assert theirs\n")
    code, said = run(project)
    assert code == 0, said
    assert "7 passed" in said


def test_a_failure_says_what_came_instead(project: Path) -> None:
    for path in project.glob("test_*.py"):
        path.unlink()
    (project / "test_fails.py").write_text(FAILS)
    golden = project / "monday.capture.golden"
    golden.write_text(golden.read_text().replace("Perimeter burglary", "Perimeter fog"))
    code, said = run(project)
    assert (code, "5 failed, 1 passed" in said or "4 failed, 1 passed, 1 error" in said) == (1, True), said
    for words in (
        "nothing with account='4471', code='131', zone='015' came within 0.3 s",
        "4471 An invented house: Perimeter burglary alarm, area 01, zone 016 #0001  → accepted, ACK",
        "but its zone is 016, not 015",
        "this came, and should not have",
        "the bench has ended by itself",
        "the bench did not start",
        "nowhere.toml",
        "monday.capture does not hold to its golden file",
        "- Perimeter fog alarm",
        "+ Perimeter burglary alarm",
    ):
        assert words in said, said
    code, said = run(project, "--farend-accept", "-k", "golden")
    assert (code, "Perimeter burglary" in golden.read_text()) == (0, True), said


def test_pytest_tells_the_fixtures_and_marks_in_a_sentence_each(project: Path) -> None:
    code, said = run(project, "--fixtures", "test_plain.py")
    assert code == 0
    for words in ("farend_bench ", "farend_bench_with", "farend_panel", "farend_entries"):
        assert words in said
    assert "no docstring" not in said.split("pytest_farend")[1].split("fixtures defined from")[0]
