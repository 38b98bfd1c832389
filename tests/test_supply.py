"""The locks hold what pyproject.toml asks for, by hash and from nowhere in particular; an audit nobody answered says so."""

import json
import re
import tomllib

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tools.start import LOCKS, ROOT, wanted
from tools.supply import told

PINNED = re.compile(r"^([\w.-]+)==(\S+)(?: ; [^\n]+?)?((?: \\\n    --hash=sha256:[0-9a-f]{64})+)$", re.M)
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))


def pinned(extras: str) -> dict[str, str]:
    text = (ROOT / LOCKS[extras]).read_text("utf-8")
    head, rest = text.split("\n", 1)
    assert head == f"# {wanted()}", "it is of another pyproject.toml: python3 tools/start.py lock"
    assert not PINNED.sub("", rest).strip(), "something in it is not pinned by hash"
    return {canonicalize_name(name): version for name, version, _ in PINNED.findall(rest)}


@pytest.mark.parametrize("extras", LOCKS)
def test_a_lock_pins_all_that_is_asked_for_within_its_range(extras: str) -> None:
    pins, project = pinned(extras), PROJECT["project"]
    asked = [*PROJECT["build-system"]["requires"], *project["dependencies"]]
    asked += project["optional-dependencies"][extras] if extras else []
    for one in map(Requirement, asked):
        assert pins[canonicalize_name(one.name)] in one.specifier, one


def test_both_locks_pin_the_same_releases() -> None:
    whole = pinned("test")
    assert all(whole[name] == version for name, version in pinned("").items())


def test_an_audit_says_what_is_wrong_and_is_not_good_where_nobody_was_asked(capsys: pytest.CaptureFixture[str]) -> None:
    good = {"name": "one", "version": "1.0", "vulns": []}
    fault = {"id": "PYSEC-0000-1", "fix_versions": ["1.1"]}
    skipped = {"name": "two", "skip_reason": "not found"}
    for packages, code, says in (
        ([good], 0, "1 packages looked up; no known faults"),
        ([good | {"vulns": [fault]}], 1, "PYSEC-0000-1; mended in 1.1"),
        ([good, skipped], 2, "NOT AUDITED: 1 of 2"),
        ([good | {"vulns": [fault]}, skipped], 1, "NOT AUDITED: 1 of 2"),
        ([], 2, "NOT AUDITED"),
    ):
        assert told(json.dumps({"dependencies": packages}), "") == code
        assert says in "".join(capsys.readouterr())
    assert told("", "ConnectionError: no route") == 2
    assert "NOT AUDITED: pip-audit got no answer: ConnectionError: no route" in capsys.readouterr().err
