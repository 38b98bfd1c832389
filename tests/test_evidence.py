"""The page of evidence cannot lie: a mark names a clause of the list and code that is there; every hole is on the page."""

import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import orjson
import pytest

from tools.evidence import ROOT, Collector, Evidence, MarkError, clauses, gathered, located, marked_files, page


class Item:
    """As much of a test as is looked at."""

    def __init__(self, nodeid: str, *names: str, **said: Any) -> None:
        self.nodeid, self._mark = nodeid, pytest.mark.clause(*names, **said).mark

    def iter_markers(self, name: str) -> Iterator[pytest.Mark]:
        yield self._mark


def of(*items: Item, run: bool = False, passed: str = "", failed: str = "") -> dict[str, Evidence]:
    found = Collector()
    found.items = list(items)  # type: ignore[arg-type]
    found.passed, found.failed = set(passed.split()), set(failed.split())
    return {one.clause.id: one for one in gathered(clauses(), found, run)}


CRC = {"code": "protocols.envelope.crc16", "source": "a catalogue"}


def test_every_mark_names_a_clause_and_code_that_is_there_and_the_page_every_hole(
    request: pytest.FixtureRequest,
) -> None:
    here = [item for item in request.session.items if item.get_closest_marker("clause")]
    if {item.path for item in here} == set(marked_files()):  # the whole suite is at hand, as it was collected
        found = Collector()
        found.items = here
        evidence = [one.to_json() for one in gathered(clauses(), found, False)]
    else:
        command = [sys.executable, "-P", "-m", "tools.evidence", "--json"]
        told = subprocess.run(command, cwd=ROOT, capture_output=True, check=True)
        evidence = [orjson.loads(line) for line in told.stdout.splitlines()]
    assert [one["id"] for one in evidence] == list(clauses())
    for one in evidence:
        assert bool(one["holes"]) == bool(one["missing"] or not one["code"] or not one["checks"]), one["id"]
        for code in one["code"]:
            assert code["name"].rsplit(".", 1)[-1] in (ROOT / code["file"]).read_text("utf-8").splitlines()[
                code["line"] - 1
            ] or ("/" in code["name"])
    whole = [one for one in evidence if not one["holes"]]
    assert len(whole) > 50


def test_a_clause_without_a_test_or_not_implemented_is_among_the_holes_of_the_page() -> None:
    evidence = of(
        Item("tests/x.py::test_crc[1]", "DC-09 crc", **CRC), Item("tests/x.py::test_crc[2]", "DC-09 crc", **CRC)
    )
    assert [check.test for check in evidence["DC-09 crc"].checks] == ["tests/x.py::test_crc"]
    holes = page(list(evidence.values()), "collected").partition('id="holes"')[2].partition("<h2>")[0]
    assert "DC-09 crc<" not in holes
    for id in set(clauses()) - {"DC-09 crc"}:
        assert f">{id}</a>" in holes
    assert "not implemented: keys are" not in holes
    assert "keys are never exchanged" in holes


def test_where_the_tests_were_run_only_what_passed_in_every_case_counts() -> None:
    one = Item("t::crc", "DC-09 crc", **CRC)
    assert of(one, run=True, passed="t::crc")["DC-09 crc"].holes == []
    assert of(one, run=True, passed="t::crc", failed="t::crc")["DC-09 crc"].holes == ["none of its tests passed"]
    assert of(one, run=True)["DC-09 crc"].holes == ["none of its tests passed"]  # skipped


@pytest.mark.parametrize(
    ("names", "said", "why"),
    [
        (["DC-09 crcs"], CRC, "does not stand in"),
        ([], CRC, "does not stand in"),
        (["DC-09 crc"], {"code": "protocols.envelope.crc17", "memory": True}, "there is no 'crc17'"),
        (["DC-09 crc"], {"code": "protocols.envelop.crc16", "memory": True}, "there is no 'envelop'"),
        (["DC-09 crc"], {"code": "protocols/codes/none.tsv", "memory": True}, "no such file"),
        (["DC-09 crc"], {"code": "protocols.envelope"}, "say one of"),
        (["DC-09 crc"], CRC | {"memory": True}, "say one of"),
        (["DC-09 crc"], CRC | {"editon": "2021"}, "say one of"),
        (["DC-09 key exchange"], CRC, "not implemented"),
    ],
)
def test_a_mark_that_says_what_is_not_so_is_refused(names: list[str], said: dict[str, Any], why: str) -> None:
    with pytest.raises(MarkError, match=why):
        of(Item("tests/x.py::test_crc", *names, **said))


def test_code_is_found_at_its_line() -> None:
    for name in (
        "protocols.envelope.crc16",
        "protocols.exchange.BEHIND",
        "protocols.seal.Key.encrypt",
        "receiver.desk.RULES",
    ):
        code = located(name)
        assert name.rsplit(".", 1)[-1] in (ROOT / code.file).read_text("utf-8").splitlines()[code.line - 1]
