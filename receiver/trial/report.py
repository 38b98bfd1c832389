"""What a trial comes to: one page for people, JUnit XML for CI systems, JSON Lines for scripts; and what became of it since.

All of them say the same `Told`: the head of the trial and its cases as plain JSON, so that a report read back is worth as
much as one just made. What came over a wire is text in all of them: escaped, and made legible where it could act.
"""

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, NamedTuple
from xml.etree import ElementTree

import orjson
from jinja2 import Environment, StrictUndefined, Template
from pydantic import BaseModel, ValidationError

from protocols.values import legible
from receiver.junit import legal, testcase, written
from receiver.record import CAUTION
from receiver.trial.case import MOST_FRAMES, MOST_SHOWN, PRACTICE, SERIOUS, WORDS, Result, Verdict
from receiver.words import of_frame

MOST_TOLD = 40  # things that passed, of a case that does not hold, told in JUnit XML: the last ones
MOST_RAW = 500  # characters of what passed that are told at once
FROM_MEMORY = "A clause with * is known from memory: look it up in the standard before you hold it against anybody."
WAYS = {
    "opened": "opened",
    "sent": "sent",
    "got": "got",
    "finished": "finished sending",
    "closed": "closed by farend",
    "lost": "closed by the other side, or broken",
    "asked": "asked of the person",
    "waited": "waited",
}
_EMBEDDED = re.compile(rb'<script type="application/json" id="report">(.*?)</script>', re.DOTALL)
_AMOUNT = re.compile(r"\d+(?:[.,]\d+)? ?(?:ms|s|seconds?|%)(?!\w)")


class ReportError(ValueError):
    """Why a file is no report of a trial, in a sentence."""


@dataclass
class Report:
    """A trial that is over, or was ended early: then `complete` is False, and `ended_why` says why.

    `began` and `ended` are UTC. `accounts`, `measured` and `settings` are in words, ready to be shown; no key belongs in
    them. `chosen` of the `of` cases that there are were to be tried, by the patterns `only`.
    """

    subject: Literal["receiver", "panel"]
    target: str
    accounts: list[str]
    began: datetime
    ended: datetime
    version: str
    measured: list[str] = field(default_factory=list)
    settings: list[str] = field(default_factory=list)
    only: Sequence[str] = ()
    chosen: int = 0
    of: int = 0
    results: list[Result] = field(default_factory=list)
    complete: bool = True
    ended_why: str = ""


class Told(NamedTuple):
    """A report as plain JSON: what `--json` prints, the head apart."""

    head: dict[str, Any]
    cases: list[dict[str, Any]]


def to_json(report: Report) -> dict[str, Any]:
    """The head: the last line of `trial … --json`."""
    return {
        "trial": report.subject, "target": report.target, "accounts": report.accounts, "began": _moment(report.began),
        "ended": _moment(report.ended), "version": report.version, "measured": report.measured,
        "settings": report.settings, "only": list(report.only), "chosen": report.chosen, "of": report.of,
        "complete": report.complete, "ended_why": report.ended_why or None, "caution": CAUTION,
    } | _counts([result.verdict for result in report.results])  # fmt: skip


def _counts(verdicts: Sequence[Verdict]) -> dict[str, int]:
    return {verdict.replace("-", "_"): verdicts.count(verdict) for verdict in WORDS}


def told(report: Report) -> Told:
    """The whole report as plain JSON."""
    return Told(to_json(report), [result.to_json() for result in report.results])


def sentence(report: Told) -> str:
    """The verdict in one sentence: `141 of the 150 cases that apply hold; 6 fail; 3 were not answered clearly; …`."""
    count = Counter(case["verdict"] for case in report.cases)
    applies = len(report.cases) - count["not-applicable"]
    if not applies:
        return "No case was tried." if not report.cases else "No case applies."
    if count["holds"] == applies:
        said = [f"all {applies} cases that apply hold" if applies > 1 else "the one case that applies holds"]
    else:
        said = [f"{count['holds']} of {_many(applies, 'case that applies holds', 'cases that apply hold')}"]
    for verdict, one, more in (
        ("fails", "fails", "fail"),
        ("unclear", "was not answered clearly", "were not answered clearly"),
        ("not-applicable", "does not apply", "do not apply"),
    ):
        if count[verdict]:
            said.append(_many(count[verdict], one, more))
    if not report.head["complete"]:
        return f"Of the {len(report.cases)} that were tried: {'; '.join(said)}."
    return "; ".join([said[0][0].upper() + said[0][1:], *said[1:]]) + "."


def selection(head: Mapping[str, Any]) -> str:
    """Which cases were to be tried: `1 of 364 cases, by --only udp`; "" in an old report, which does not say."""
    if not head.get("of"):
        return ""
    by = "".join(f" --only {one}" for one in head["only"])
    return f"{head['chosen']} of {head['of']} cases, by{by}" if by else f"all {head['of']} cases"


def folded(cases: Sequence[Mapping[str, Any]], verdict: Verdict) -> list[list[Mapping[str, Any]]]:
    """The cases that came to this, those of one group that say the same reason together: mostly they are one fault."""
    found: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for case in cases:
        if case["verdict"] == verdict:
            found.setdefault((case["group"], case["why"]), []).append(case)
    return list(found.values())


def worth_knowing(cases: Sequence[Mapping[str, Any]]) -> list[tuple[Mapping[str, Any], str]]:
    """The notes that have a consequence, each with its case."""
    return [(case, note.removeprefix(SERIOUS)) for case in cases for note in case["notes"] if note.startswith(SERIOUS)]


def by_group(cases: Sequence[Mapping[str, Any]]) -> dict[str, Counter[Verdict]]:
    """How many cases of each group came to which verdict, the groups in the order in which they were tried."""
    groups: dict[str, Counter[Verdict]] = {}
    for case in cases:
        groups.setdefault(case["group"], Counter())[case["verdict"]] += 1
    return groups


def _many(number: int, one: str, more: str) -> str:
    return f"{number} {one if number == 1 else more}"


def _moment(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


# The two forms that are files.


def page(report: Report) -> str:
    """One page that needs nothing else: a first screen for whoever decides, every byte below for whoever mends."""
    head, cases = whole = told(report)
    groups = {group: [case for case in cases if case["group"] == group] for group in by_group(cases)}
    return _template().render(
        head=head, cases=cases, groups=groups, counts=by_group(cases), sentence=sentence(whole),
        selection=selection(head), worth_knowing=worth_knowing(cases), embedded=head | {"cases": cases}, style=house_style(),
    )  # fmt: skip


@cache
def _template() -> Template:
    # What the equipment or a person wrote stands on the page and does not act there: escaped, and legible.
    jinja = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
        finalize=lambda value: legible(value) if type(value) is str else value,
    )  # fmt: skip
    jinja.policies["json.dumps_kwargs"] = {"sort_keys": False, "separators": (",", ":")}
    jinja.globals |= {
        "WORDS": WORDS,
        "WAYS": WAYS,
        "PRACTICE": PRACTICE,
        "SERIOUS": SERIOUS,
        "FROM_MEMORY": FROM_MEMORY,
    }
    jinja.globals |= {"MOST_FRAMES": MOST_FRAMES, "MOST_SHOWN": MOST_SHOWN, "MOST_OPEN": MOST_RAW}
    jinja.filters |= {"said": frame_in_words, "utc": _utc, "folded": folded}
    return jinja.from_string((files("receiver.trial") / "trial.html.jinja").read_text("utf-8"))


@cache
def house_style() -> str:
    """The style sheet of every page: the house has one look."""
    return (files("receiver.console") / "static" / "style.css").read_text("utf-8")


def _utc(moment: str) -> str:
    return f"{datetime.fromisoformat(moment):%d %B %Y, %H:%M:%S} UTC"


def frame_in_words(frame: Mapping[str, Any]) -> str:
    """A decoded frame in a line: what was said, then the fields that a judge looks at."""
    noise = any(problem["rule"] == "noise" for problem in frame["problems"])
    said = of_frame({**frame, "verdict": "noise" if noise else None})
    fields = [f"{name} {frame[name]}" for name in ("receiver", "prefix") if frame[name] is not None]
    if frame["sequence"] is not None:
        fields.insert(0, f"sequence {frame['sequence']:04d}")
    if frame["token"] and frame["token"] not in said:
        fields.insert(0, f"{frame['token']}{', sealed' if frame['encrypted'] else ''}")
    if frame["stamp"]:
        fields.append(f"stamped {frame['stamp'][:10]} {frame['stamp'][11:19]} UTC")
    fields += [f"{one['name'] or 'extended'} [{one['id']}{one['value']}]" for one in frame["extended"]]
    return "; ".join([said, ", ".join(fields)]) if fields else said


def junit(report: Report) -> str:
    """JUnit XML: a suite a group; `fails` is a failure, `unclear` an error, what does not apply is skipped.

    A trial that was ended early has an error of its own, so that what was not tried does not look good.
    """
    head, cases = told(report)
    root = ElementTree.Element("testsuites", name=f"farend trial {head['trial']}")
    for group in by_group(cases):
        suite = _suite(root, head, group)
        for case in cases:
            if case["group"] == group:
                _outcome(testcase(suite, case["case"].removeprefix(f"{group}/"), case["seconds"]), case)
    if not head["complete"]:
        item = testcase(_suite(root, head, "trial"), "complete", 0)
        ElementTree.SubElement(item, "error", type="unclear", message=legal(f"ended early: {head['ended_why'] or ''}"))
    return written(root)


def _suite(root: ElementTree.Element, head: Mapping[str, Any], group: str) -> ElementTree.Element:
    name = legal(f"trial.{head['trial']}.{group}")
    suite = ElementTree.SubElement(root, "testsuite", name=name, timestamp=head["began"][:19])
    properties = ElementTree.SubElement(suite, "properties")
    for what, value in (
        ("target", head["target"]), ("version", head["version"]), ("cases", selection(head)),
        ("settings", "; ".join(head["settings"])), ("clauses", FROM_MEMORY), ("caution", head["caution"]),
    ):  # fmt: skip
        if value:
            ElementTree.SubElement(properties, "property", name=what, value=legal(value))
    return suite


def _outcome(item: ElementTree.Element, case: Mapping[str, Any]) -> None:
    why = legal(case["why"] or "")
    if case["verdict"] in ("fails", "unclear"):
        tag = "failure" if case["verdict"] == "fails" else "error"
        ElementTree.SubElement(item, tag, type=case["verdict"], message=why).text = legal(_account(case))
    elif case["verdict"] == "not-applicable":
        ElementTree.SubElement(item, "skipped", message=why)
    if case["notes"]:
        notes = (
            f"worth knowing: {one.removeprefix(SERIOUS)}" if one.startswith(SERIOUS) else one for one in case["notes"]
        )
        ElementTree.SubElement(item, "system-out").text = legal("\n".join(notes))


def _account(case: Mapping[str, Any]) -> str:
    """What a case did, what was due and what passed, for somebody who has only this."""
    lines = [f"clause: {case['clause']}", f"does: {case['does']}", f"must: {case['must']}"]
    lines += [f"may: {case['may']}"] * bool(case["may"])
    passed, left_out = case["passed"][-MOST_TOLD:], case["left_out"]
    before = len(case["passed"]) - len(passed)
    lines += [f"… {before} before"] * bool(before)
    for one in passed:
        raw = one.get("raw", "")
        raw = raw if len(raw) <= MOST_RAW else f"{raw[:MOST_RAW]}… ({one['size']} bytes)"
        what = " ".join(filter(None, (one.get("words"), raw)))
        where = f" on connection {one['connection']}" if one["connection"] else ""
        lines.append(f"{one['seconds']:.4f} s {WAYS[one['way']]}{where}{f': {what}' if what else ''}")
    lines += [f"… {left_out} after"] * bool(left_out)
    return "\n".join(lines)


# Reading back


class _Head(BaseModel):
    trial: Literal["receiver", "panel"]
    target: str
    began: str
    version: str
    complete: bool
    ended_why: str | None
    holds: int
    fails: int
    unclear: int
    not_applicable: int


class _Case(BaseModel):
    case: str
    group: str
    clause: str
    verdict: Verdict
    why: str | None
    notes: list[str]


def read(path: Path) -> Told:
    """A report from its page or its JSON Lines, told apart by the content. OSError, or ReportError with the reason."""
    data = path.read_bytes()
    if data[:256].lstrip()[:14].lower() == b"<!doctype html":
        inside = _EMBEDDED.findall(data)
        if len(inside) != 1:
            raise ReportError("this page holds no report of a trial; expected is what `trial … --report` wrote")
        whole = _parsed(inside[0], "what the page holds")
        cases = whole.pop("cases", None)
        if not isinstance(cases, list):
            raise ReportError("the report in this page has no list of cases")
        return _checked(whole, cases)
    if not data.lstrip().startswith(b"{"):
        raise ReportError("it is neither a page that `trial … --report` wrote nor what `trial … --json` printed")
    lines = [_parsed(line, f"line {number}") for number, line in enumerate(data.splitlines(), start=1) if line.strip()]
    if "trial" not in lines[-1]:
        raise ReportError('its last line is not the head of a trial ({"trial": …}): it is cut, or of something else')
    return _checked(lines[-1], lines[:-1])


def _parsed(text: bytes, where: str) -> dict[str, Any]:
    try:
        value = orjson.loads(text)
    except ValueError as error:
        raise ReportError(f"{where} is no JSON ({error}); expected is what `trial … --json` printed") from None
    if not isinstance(value, dict):
        raise ReportError(f"{where} is no JSON object; expected is what `trial … --json` printed")
    return value


def _checked(head: dict[str, Any], cases: list[dict[str, Any]]) -> Told:
    _check(_Head, head, "its head")
    for number, case in enumerate(cases, start=1):
        _check(_Case, case, f"case {number}")
    twice = [name for name, times in Counter(case["case"] for case in cases).items() if times > 1]
    if twice:
        raise ReportError(f"the case {twice[0]} stands in it twice")
    found = _counts([case["verdict"] for case in cases])
    if any(head[name] != count for name, count in found.items()):
        due = sum(head[name] for name in found)
        raise ReportError(f"its head counts {due} cases, and it has {len(cases)}; or their verdicts differ")
    return Told(head, cases)


def _check(model: type[BaseModel], value: Any, where: str) -> None:
    try:
        model.model_validate(value)
    except ValidationError as error:
        first = error.errors()[0]
        at = f", {'.'.join(map(str, first['loc']))}" if first["loc"] else ""
        raise ReportError(f"{where}{at}: {first['msg']}; so this is no report of a trial") from None


# Comparing


class Change(NamedTuple):
    """A case in two reports; None where one of them does not have it."""

    case: str
    old: Mapping[str, Any] | None
    new: Mapping[str, Any] | None

    def to_json(self) -> dict[str, Any]:
        """The case, its clause, and verdict, why and notes `before` and `after`."""
        before, after = (
            None if one is None else {name: one[name] for name in ("verdict", "why", "notes")}
            for one in (self.old, self.new)
        )
        clause = (self.new or self.old or {})["clause"]
        return {"case": self.case, "clause": clause, "before": before, "after": after}


@dataclass(frozen=True, slots=True)
class Comparison:
    """What became of each case that is worth a word; `same` counts the others.

    A case is tried where it came to another verdict than that it does not apply. `better`: did not hold, and holds.
    `worse`: held, and does not. `still`: held in neither. `new`, `gone`: tried in one alone, so neither better nor worse.
    `notes`: the same verdict, and other notes; what was measured (2.1 ms, 20 s) may differ.
    """

    better: list[Change] = field(default_factory=list)
    worse: list[Change] = field(default_factory=list)
    still: list[Change] = field(default_factory=list)
    new: list[Change] = field(default_factory=list)
    gone: list[Change] = field(default_factory=list)
    notes: list[Change] = field(default_factory=list)
    same: int = 0

    def to_json(self) -> dict[str, Any]:
        lists = ("better", "worse", "still", "new", "gone", "notes")
        return {name: [one.to_json() for one in getattr(self, name)] for name in lists} | {"same": self.same}


def compare(old: Told, new: Told) -> Comparison:
    """What got better and what worse from one report to the other. ReportError where they are of different things."""
    if old.head["trial"] != new.head["trial"]:
        raise ReportError(
            f"one is the trial of a {old.head['trial']}, the other of a {new.head['trial']}: these do not compare"
        )
    before, after = ({case["case"]: case for case in one.cases} for one in (old, new))
    kinds: dict[str, list[Change]] = {}
    for name in dict.fromkeys([*after, *before]):
        change = Change(name, before.get(name), after.get(name))
        kinds.setdefault(_kind(change), []).append(change)
    return Comparison(same=len(kinds.pop("same", ())), **kinds)


def _kind(change: Change) -> str:
    was, now = (one["verdict"] if one else "not-applicable" for one in (change.old, change.new))
    match was, now:
        case "not-applicable", "not-applicable":
            return "same"
        case "not-applicable", _:
            return "new"
        case _, "not-applicable":
            return "gone"
        case "holds", "holds":
            return "notes" if _steady(change.old) != _steady(change.new) else "same"
        case _, "holds":
            return "better"
        case "holds", _:
            return "worse"
        case _:
            return "still"


def _steady(case: Mapping[str, Any] | None) -> list[str]:
    """The notes without what was measured: that is another each time."""
    return [_AMOUNT.sub("…", note) for note in case["notes"]] if case else []
