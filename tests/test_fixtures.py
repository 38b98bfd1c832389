"""The shipped estate: its scenario, and the recording of it, hold together."""

import gzip
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
    assert {rule.verdict for rule in RULES} - shown == {"not-kept", "wrong-certificate"}  # a disk that refuses, and TLS


def test_the_shipped_recordings_are_what_the_script_makes() -> None:
    """Byte for byte; what gzip packed is compared as it was, since another gzip may pack otherwise."""
    from fixtures.make import made

    folder = FIXTURES / "captures"
    shipped = {
        path.name.removesuffix(".gz"): path for path in folder.iterdir() if path.suffix not in (".golden", ".toml")
    }
    for name, data in made():
        path = shipped.pop(name)
        assert (gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()) == data, name
    assert shipped == {}


def test_every_fault_that_a_wire_can_bring_is_among_the_broken_frames() -> None:
    """Held against the list of rules in the README."""
    readme = (FIXTURES.parent / "README.md").read_text("utf-8")
    listed = readme.split("Rules of problems: `")[1].split("`.")[0].split()
    golden = (FIXTURES / "captures" / "broken.capture.golden").read_text("utf-8")
    assert {rule for rule in listed if f"problem: {rule} " not in golden} == set()


def test_one_conversation_is_the_same_in_every_shape() -> None:
    """Packets with a repeat and out of order, a hex dump, logs: the same frames of the same sides, in order."""
    from receiver import shapes

    frames = {}
    for name in ("short.pcap", "short.pcapng", "short.hex", "timed.log", "untimed.log"):
        happenings = shapes.opened(FIXTURES / "captures" / name).happenings
        frames[name] = [(one.what, one.data) for one in happenings if one.data]
    assert frames["timed.log"] == frames["untimed.log"] == frames["short.pcapng"] == frames["short.hex"]
    assert len(frames["timed.log"]) == 6
    for side in ("panel", "receiver"):  # of TCP, a side's bytes are a stream
        said = b"".join(data for what, data in frames["short.pcap"] if what == side)
        assert said == b"".join(data for what, data in frames["timed.log"] if what == side)
