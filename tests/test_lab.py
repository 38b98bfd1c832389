"""The lab in its short form: what is acknowledged is flushed first, and is there after the power was cut."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from conftest import clean_environment

from tools.lab import SCENARIOS, Load, Outcome, in_order

ROOT = Path(__file__).parent.parent
CAME = '11 recvfrom(9, "\\n..\\"ADM-CID\\"0007L0#A001[#A001|1401 01 007]\\r", 4096, 0, NULL, NULL) = 52'
LEFT = '11 sendto(9, "\\n..\\"ACK\\"0007L0#A001[]\\r", 30, 0, NULL, 0) = 30'
FLUSHED = "12 fdatasync(7) = 0"


@pytest.mark.parametrize(("trace", "early"), [
    ([CAME, FLUSHED, LEFT], 0),
    ([CAME, "12 fdatasync(7 <unfinished ...>", "12 <... fdatasync resumed>) = 0", LEFT], 0),
    ([FLUSHED, CAME, LEFT], 1),
    ([CAME, LEFT, FLUSHED], 1),
    (["12 fdatasync(7 <unfinished ...>", CAME, "12 <... fdatasync resumed>) = 0", LEFT], 1),  # it began before
    ([CAME, "12 fdatasync(7) = -1 ENOSPC (No space left on device)", LEFT], 1),
    ([CAME.replace("recvfrom(9, ", "<... recvfrom resumed>"), FLUSHED, LEFT], 0),
    ([LEFT], 1),
])  # fmt: skip
def test_an_ack_is_early_unless_a_flush_that_began_after_its_message_has_ended(trace: list[str], early: int) -> None:
    seen, found = in_order(trace)
    assert seen == 1
    assert found == ["0007/A001"] * early


def test_an_outcome_is_good_only_with_something_acknowledged_and_nothing_lost_double_or_wrong() -> None:
    assert Outcome("x", acknowledged=5).good
    assert not Outcome("x").good
    assert not Outcome("x", acknowledged=5, lost=1).good
    assert not Outcome("x", acknowledged=5, double=1).good
    assert not Outcome("x", acknowledged=5, wrong=["y"]).good


def test_a_panel_takes_only_the_answer_to_what_is_outstanding() -> None:
    panel = Load().panels[0]
    assert not panel.heard(b'"ACK"0002L0#A000[]')
    assert not panel.heard(b'"DUH"0001L0#A000[]')
    assert panel.heard(b'"ACK"0001L0#A000[]')
    assert panel.acknowledged == [1]


def lab(folder: Path, *options: object) -> list[dict[str, Any]]:
    done = subprocess.run(
        [sys.executable, "-P", "-m", "tools.lab", "--json", "--dir", folder, *map(str, options)],
        capture_output=True, text=True, env=clean_environment({"PYTHONPATH": str(ROOT)}), timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def forbidden(*command: object) -> str:
    """Why this machine does not let us: a container may forbid tracing and mounting. Empty where it does. A program that is
    missing is no reason: `tools/start.py test` installs them.
    """
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True, check=False)
    said = done.stderr.lower()
    return (
        done.stderr.strip()
        if "not permitted" in said or "permission denied" in said or "must be superuser" in said
        else ""
    )


def test_what_was_acknowledged_was_flushed_first(tmp_path: Path) -> None:
    if why := forbidden("strace", "-qq", "-e", "trace=none", "true"):
        pytest.skip(f"tracing is forbidden here: {why}")
    (order,) = lab(tmp_path, "--only", "order")
    assert order["acknowledged"] > 100
    assert (order["lost"], order["double"], order["wrong"]) == (0, 0, [])


def test_what_was_acknowledged_is_there_after_the_power_was_cut(tmp_path: Path) -> None:
    (tmp_path / "probe").mkdir()
    if why := forbidden("mount", "-t", "tmpfs", "tmpfs", tmp_path / "probe"):
        pytest.skip(f"mounting is forbidden here: {why}")
    subprocess.run(["umount", str(tmp_path / "probe")], check=True)
    (power,) = lab(tmp_path, "--only", "power", "--cuts", 3)
    assert power["acknowledged"] > 0
    assert (power["lost"], power["double"], power["wrong"]) == (0, 0, [])


def test_nothing_acknowledged_is_missing_or_double_when_the_primary_of_two_benches_dies(tmp_path: Path) -> None:
    (failover,) = lab(tmp_path, "--only", "failover", "--acks", 40)
    assert failover["acknowledged"] >= 4 * 40
    assert failover["repeated"] > 0  # commits that the standby had, and of which no bench had heard
    assert (failover["lost"], failover["double"], failover["wrong"]) == (0, 0, [])


def test_an_attack_costs_honest_panels_no_answer(tmp_path: Path) -> None:
    (attack,) = lab(tmp_path, "--only", "attack", "--seconds", 1)
    assert attack["acknowledged"] > 50
    assert (attack["lost"], attack["double"], attack["wrong"]) == (0, 0, [])


def test_a_restart_under_load_refuses_no_connection_and_loses_nothing(tmp_path: Path) -> None:
    (restart,) = lab(tmp_path, "--only", "restart", "--restarts", 2)
    assert restart["acknowledged"] >= 3 * 160
    assert "; 0 of " in restart["note"]
    assert (restart["lost"], restart["double"], restart["wrong"]) == (0, 0, [])


def test_each_scenario_is_named_in_the_readme() -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    assert {name for name in SCENARIOS if f"\n    {name} " not in readme} == set()
