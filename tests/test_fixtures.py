"""The shipped estate: its scenario, and the recording of it, hold together."""

import json
import subprocess
import sys
import tomllib
from pathlib import Path

FIXTURES = Path(__file__).parent.parent / "fixtures"


def test_the_recording_replayed_into_the_desk_becomes_what_the_scenario_says() -> None:
    """`farend demo --capture` made it; the desk judges it with the clock of the capture, so its stamps do not age."""
    steps = tomllib.loads((FIXTURES / "scenario.toml").read_text("utf-8"))["step"]
    command = [
        sys.executable,
        "-m",
        "tools.farend",
        "replay",
        str(FIXTURES / "estate.capture"),
        "--speed",
        "max",
        "--json",
    ]
    done = subprocess.run([*command, "--book", str(FIXTURES / "station.toml")], capture_output=True, check=False)
    became = [json.loads(line) for line in done.stdout.splitlines()]
    assert [(entry["verdict"], entry["reply"]) for entry in became] == [
        (step["verdict"], step["answer"]) for step in steps
    ]
    assert done.returncode == 0  # every answer is the recorded one


def test_every_verdict_that_a_panel_can_cause_is_in_the_scenario() -> None:
    from receiver.desk import RULES

    shown = {step["verdict"] for step in tomllib.loads((FIXTURES / "scenario.toml").read_text("utf-8"))["step"]}
    assert {rule.verdict for rule in RULES} - shown == {"not-kept"}  # that one takes a disk that refuses
