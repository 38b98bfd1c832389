"""The page of evidence: which clause is implemented by what, checked by which test, held against which source.

    python3 tools/start.py evidence [--run] [--into FOLDER]

Made from the marks of the tests (`@pytest.mark.clause`), as pytest collects them, and the list `tests/clauses.tsv`. What a
mark names must be there: the clause in the list, the code at a line that is looked up. What is without test, without code or
not implemented is a hole, and the page lists every one. With --run the marked tests run, and only what passed counts.
"""

import argparse
import ast
import csv
import importlib
import inspect
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, NamedTuple

import orjson
import pytest
from jinja2 import Environment, StrictUndefined

ROOT = Path(__file__).resolve().parent.parent
LIST = ROOT / "tests" / "clauses.tsv"
TRUST = {
    "read": "read in the published text, or in its author's public answers",
    "memory": "from memory of the standard",
    "practice": "common practice in the trade, no source",
    "computed": "computed from examples",
}
HELD = ("source", "memory", "practice")  # a mark says one of them


class MarkError(ValueError):
    """A mark or a row of the list that says what is not so."""


class Clause(NamedTuple):
    """A row of the list. `missing` says what is done instead of what the clause asks."""

    id: str
    standard: str
    edition: str
    clause: str
    says: str
    trust: str
    missing: str


class Code(NamedTuple):
    """Something that implements a clause, and where it stands."""

    name: str
    file: str
    line: int


class Check(NamedTuple):
    """A test that checks a clause: what it holds it against, and whether it passed (None: it was not run)."""

    test: str
    against: str
    edition: str
    passed: bool | None


@dataclass(slots=True)
class Evidence:
    """What there is for one clause."""

    clause: Clause
    code: list[Code] = field(default_factory=list)
    checks: list[Check] = field(default_factory=list)

    @property
    def holes(self) -> list[str]:
        """What lacks."""
        found = [f"not implemented: {self.clause.missing}"] if self.clause.missing else []
        if not self.code and not self.clause.missing:
            found.append("no code is named")
        if not self.checks:
            found.append("no test checks it")
        elif not any(check.passed is not False for check in self.checks):
            found.append("none of its tests passed")
        return found

    @property
    def ground(self) -> str:
        """What the strongest of its checks is held against: `source`, `memory`, `practice`, or nothing."""
        kinds = {
            check.against if check.against in HELD else "source" for check in self.checks if check.passed is not False
        }
        return next((kind for kind in HELD if kind in kinds), "")

    def to_json(self) -> dict[str, Any]:
        told = {"code": [one._asdict() for one in self.code], "checks": [one._asdict() for one in self.checks]}
        return self.clause._asdict() | told | {"ground": self.ground or None, "holes": self.holes}


def clauses(path: Path = LIST) -> dict[str, Clause]:
    """The list. MarkError names a row that is wrong."""
    lines = [line for line in path.read_text("utf-8").splitlines() if not line.startswith("#")]
    found: dict[str, Clause] = {}
    for row in csv.DictReader(lines, delimiter="\t", quoting=csv.QUOTE_NONE, strict=True):
        one = Clause(**row)
        if one.id in found or one.trust not in TRUST or not one.says or not one.id.startswith(one.standard):
            raise MarkError(f"{path.name}: row {one.id!r} stands there twice, or its trust or what it says is wrong")
        found[one.id] = one
    return found


def located(name: str) -> Code:
    """Where a named thing stands: `package.module.thing`, or a data file by its path. MarkError if it is not there."""
    if "/" in name:
        if not (ROOT / name).is_file():
            raise MarkError(f"code {name!r}: there is no such file")
        return Code(name, name, 1)
    module: Any = None
    parts, things = name.split("."), list[str]()
    while parts and module is None:
        try:
            module = importlib.import_module(".".join(parts))
        except ModuleNotFoundError:
            things.insert(0, parts.pop())
    thing = module
    for one in things:
        if not hasattr(thing, one):
            raise MarkError(f"code {name!r}: there is no {one!r}")
        thing = getattr(thing, one)
    if module is None or not things:
        raise MarkError(f"code {name!r} is nothing in a module of ours")
    file = Path(module.__file__).relative_to(ROOT)
    if inspect.isfunction(thing) or inspect.isclass(thing):
        place = Path(inspect.getsourcefile(thing) or "").relative_to(ROOT)
        return Code(name, str(place), inspect.getsourcelines(thing)[1])
    for node in ast.parse((ROOT / file).read_text("utf-8")).body:
        names = [one for target in _targets(node) for one in ast.walk(target) if isinstance(one, ast.Name)]
        if things[0] in [one.id for one in names]:
            return Code(name, str(file), node.lineno)
    raise MarkError(f"code {name!r}: {file} does not say where it is")


def _targets(node: ast.stmt) -> Sequence[ast.expr]:
    return node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else ()


class Collector:
    """A pytest plugin that keeps what was collected, and how it ended."""

    def __init__(self) -> None:
        self.items: list[pytest.Item] = []
        self.failed: set[str] = set()
        self.passed: set[str] = set()

    def pytest_collection_finish(self, session: pytest.Session) -> None:
        self.items = list(session.items)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        # A test that is skipped, or of which one case failed, has not passed.
        name = _plain(report.nodeid)
        if report.when == "call" and report.passed:
            self.passed.add(name)
        elif not report.passed:
            self.failed.add(name)


def marked(run: bool) -> Collector:
    """The tests that have a mark, collected by pytest, and run if asked. MarkError where that fails."""
    found = Collector()
    quiet = ["-qqq", "--no-header", "--no-summary", "-p", "no:cacheprovider", "-m", "clause", f"--rootdir={ROOT}"]
    how = [] if run else ["--collect-only"]
    some = map(str, marked_files())
    stdout, sys.stdout = sys.stdout, sys.stderr  # stdout is for data
    try:
        code = pytest.main([*quiet, *how, *some], plugins=[found])
    finally:
        sys.stdout = stdout
    if code not in ((0, 1) if run else (0,)) or not found.items:
        raise MarkError("pytest could not collect the marked tests; it says why above")
    return found


def marked_files() -> list[Path]:
    """The files of tests with marks."""
    files_of = sorted((ROOT / "tests").glob("test_*.py"))
    return [path for path in files_of if "@pytest.mark.clause(" in path.read_text("utf-8")]


def gathered(listed: dict[str, Clause], found: Collector, run: bool) -> list[Evidence]:
    """The evidence for each clause of the list. MarkError names a mark that says what is not so."""
    evidence = {id: Evidence(clause) for id, clause in listed.items()}
    for test, mark in _marks(found.items):
        said = {name: mark.kwargs[name] for name in HELD if mark.kwargs.get(name)}
        if len(mark.args) != 1 or mark.args[0] not in listed:
            raise MarkError(f"{test}: clause {mark.args} does not stand in {LIST.name}")
        if len(said) != 1 or set(mark.kwargs) - {*HELD, "code", "edition"}:
            raise MarkError(f"{test}: say one of source=…, memory=True, practice=True, and code=…, edition=…")
        clause = listed[mark.args[0]]
        edition = mark.kwargs.get("edition", "any")
        if clause.missing:
            raise MarkError(f"{test}: {clause.id!r} is marked as checked, and the list says that it is not implemented")
        one = evidence[clause.id]
        if "code" in mark.kwargs and (code := located(mark.kwargs["code"])) not in one.code:
            one.code.append(code)
        against = said.get("source") or next(iter(said))
        passed = (test in found.passed and test not in found.failed) if run else None
        check = Check(test, against, edition, passed)
        if check not in one.checks:
            one.checks.append(check)
    return list(evidence.values())


def _marks(items: Sequence[pytest.Item]) -> Iterator[tuple[str, pytest.Mark]]:
    for item in items:
        for mark in item.iter_markers("clause"):
            yield _plain(item.nodeid), mark


def _plain(nodeid: str) -> str:
    """The test, whichever of its cases."""
    return nodeid.partition("[")[0]


def page(evidence: Sequence[Evidence], how: Literal["run", "collected"]) -> str:
    """One self-contained page."""
    jinja = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = jinja.from_string((files("tools") / "evidence.html.jinja").read_text("utf-8"))
    style = (files("receiver.console") / "static" / "style.css").read_text("utf-8")
    standards = {one.clause.standard: [] for one in evidence}  # type: dict[str, list[Evidence]]
    for one in evidence:
        standards[one.clause.standard].append(one)
    return template.render(
        style=style, standards=standards, evidence=evidence, holes=[one for one in evidence if one.holes],
        trust=TRUST, how=how, version=version("farend"), grounds=_counted(evidence),
    )  # fmt: skip


def _counted(evidence: Sequence[Evidence]) -> dict[str, int]:
    kinds = [one.ground for one in evidence if not one.holes]
    return {kind: kinds.count(kind) for kind in HELD}


def main() -> int:
    """0 where every mark is right (and, with --run, every marked test passed), else 1. Holes are told, and no failure."""
    asked = argparse.ArgumentParser(prog="start.py evidence", description=__doc__.split("\n")[0])
    asked.add_argument("--run", action="store_true", help="run the marked tests; only what passed counts")
    asked.add_argument("--into", type=Path, default=Path(), metavar="FOLDER", help="where evidence.html and .json go")
    asked.add_argument("--json", action="store_true", help="a line a clause on stdout, and write nothing")
    given = asked.parse_args()
    try:
        listed, found = clauses(), marked(given.run)
        evidence = gathered(listed, found, given.run)
    except MarkError as error:
        print(f"evidence: {error}", file=sys.stderr)
        return 1
    lines = [orjson.dumps(one.to_json()) for one in evidence]
    if given.json:
        sys.stdout.buffer.write(b"\n".join((*lines, b"")))
    else:
        given.into.mkdir(parents=True, exist_ok=True)
        (given.into / "evidence.html").write_text(page(evidence, "run" if given.run else "collected"), "utf-8")
        (given.into / "evidence.json").write_bytes(orjson.dumps([one.to_json() for one in evidence]) + b"\n")
        for one in evidence:
            for hole in one.holes:
                print(f"hole: {one.clause.id}: {hole}")
        tests = {check.test for one in evidence for check in one.checks}
        print(f"{len(evidence)} clauses, {len(tests)} tests, {sum(bool(one.holes) for one in evidence)} with a hole: "
              f"{given.into / 'evidence.html'}")  # fmt: skip
    return int(bool(found.failed))


if __name__ == "__main__":
    sys.exit(main())
