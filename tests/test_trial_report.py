"""The reports of a trial: what they say, to whom, and what became of a trial from one to the next.

JUnit XML is read by `junitparser`, a page by the standard library's parser and by Debian's Chromium with axe-core: none of
them is ours.
"""

import io
import json
import resource
import shutil
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import junitparser
import pytest
import typer
from axe_playwright_python.sync_playwright import Axe
from conftest import Farend, ack, alarm, envelope
from hypothesis import given
from hypothesis import strategies as st
from playwright.sync_api import sync_playwright
from rich.console import Console

from protocols.seal import Key, seal
from receiver.record import CAUTION
from receiver.trial.case import PRACTICE, SERIOUS, WORDS, Case, Passed, Result, Verdict
from receiver.trial.report import (
    Comparison,
    Report,
    ReportError,
    Told,
    compare,
    junit,
    page,
    read,
    sentence,
    told,
)
from tools.common import check_outputs, write_outputs
from tools.trial_words import show_results

BEGAN = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
SCRIPT = "<script>alert(1)</script>"
SECRET = "00112233445566778899AABBCCDDEEFF"
KEY = Key.from_hex(SECRET)
NASTY = b"\n\x00\x01\x1b[31m\x85\xff]]>&\"'" + SCRIPT.encode() + b"\\\r"
SEALED = envelope(f'"*SIA-DCS"0007L0#8C20[{seal(KEY, "#8C20|Nri1/FA3]_09:30:00,11-25-2026")}')


def write_html(path: Path, made: Report) -> None:
    path.write_text(page(made), "utf-8")


def write_junit(path: Path, made: Report) -> None:
    path.write_text(junit(made), "utf-8")


def write_json_lines(path: Path, made: Report) -> None:
    """What `trial … --json` prints: a line a case, and the head last."""
    head, cases = told(made)
    path.write_text("".join(json.dumps(one) + "\n" for one in [*cases, head]))


def result(name: str, verdict: Verdict = "holds", **more: Any) -> Result:
    """A case that came to this, without a word about how."""
    case: Case[Any] = Case(
        name, more.pop("clause", PRACTICE), more.pop("does", "It sends a message."),
        more.pop("must", "An ACK comes back."), lambda _: None, more.pop("may", ""),
    )  # fmt: skip
    return Result(case, verdict, **({"why": "" if verdict == "holds" else f"it {WORDS[verdict]}"} | more))


def report(*results: Result, **more: Any) -> Report:
    """A trial of an invented receiver."""
    given: dict[str, Any] = {
        "subject": "receiver", "target": "127.0.0.1:12009 over TCP", "accounts": ["4471 in clear", "8C20 AES-128"],
        "began": BEGAN, "ended": BEGAN + timedelta(minutes=3), "version": "farend 0.1.0",
        "measured": ["its clock is 1 s behind ours (from a NAK)"], "results": list(results),
    }  # fmt: skip
    return Report(**(given | more))


def every_kind() -> Report:
    """A result of each verdict, and bytes that nobody would wish for."""
    passed = [
        Passed(0.0, 1, "opened"),
        Passed(0.001, 1, "sent", alarm(12)),
        Passed(0.0023, 1, "got", ack(12)),
        Passed(0.01, 1, "sent", SEALED, key=KEY),
        Passed(0.02, 1, "got", NASTY),
        Passed(0.03, 1, "got", alarm(13, message=f"Nri2/BA007*{SCRIPT}*")),
        Passed(0.04, 1, "sent", b"\n" + b"x" * 9000),
        Passed(0.05, 0, "asked", words=f"open zone 3 now {SCRIPT}"),
        Passed(0.06, 1, "lost", words="connection reset"),
    ]
    return report(
        result("envelope/crc-right", clause="5.5.1", passed=passed[:3], messages=1, seconds=0.0031),
        result("envelope/crc-wrong", "fails", clause="5.5.1", why=f"it answered {SCRIPT}\x1b[31m", passed=passed,
               left_out=7, messages=3, seconds=0.0609, may="Nothing at all.", notes=[f"says {SCRIPT}", "lower case: ACK"]),
        result("tcp/kept-open", "unclear", why="nothing came within 2 s", seconds=2.01),
        result("sealing/192", "not-applicable", why="no account with a key of 192 bits was given"),
        result("sealing/128", notes=["first answer after 0.8 ms"]),
    )  # fmt: skip


# What is said


@pytest.mark.parametrize(
    ("verdicts", "said"),
    [
        ((), "No case was tried."),
        (("not-applicable",), "No case applies."),
        (("holds",), "The one case that applies holds."),
        (("holds", "holds", "not-applicable"), "All 2 cases that apply hold; 1 does not apply."),
        (("fails",), "0 of 1 case that applies holds; 1 fails."),
        (("holds", "fails", "fails", "unclear"), "1 of 4 cases that apply hold; 2 fail; 1 was not answered clearly."),
    ],
)
def test_the_verdict_is_one_sentence_that_counts_no_case_that_does_not_apply(
    verdicts: tuple[Verdict, ...], said: str
) -> None:
    assert sentence(told(report(*(result(f"g/{n}", one) for n, one in enumerate(verdicts))))) == said


def test_the_verdict_of_a_trial_that_was_ended_early_is_about_what_was_tried() -> None:
    early = report(result("g/a"), result("g/b"), result("g/c", "not-applicable"), complete=False, ended_why="stopped")
    assert sentence(told(early)) == "Of the 3 that were tried: all 2 cases that apply hold; 1 does not apply."


def test_the_head_has_the_counts_what_was_tested_and_that_it_is_no_approval() -> None:
    head = told(every_kind()).head
    assert {name: head[name] for name in ("trial", "holds", "fails", "unclear", "not_applicable")} == {
        "trial": "receiver", "holds": 2, "fails": 1, "unclear": 1, "not_applicable": 1,
    }  # fmt: skip
    assert head["began"] == "2026-11-25T09:30:00.000Z"
    assert head["caution"] == CAUTION


def test_the_terminal_shows_the_groups_and_each_case_that_does_not_hold_with_clause_and_why() -> None:
    console = Console(width=100, record=True, file=io.StringIO())
    show_results(console, replace(every_kind(), complete=False, ended_why="somebody pressed Ctrl-C"))
    said = console.export_text()
    assert [line.split() for line in said.splitlines() if line.startswith("sealing ")] == [
        ["sealing", "1", "–", "–", "1"]
    ]
    assert "envelope/crc-wrong fails (5.5.1)" in said
    assert "nothing came within 2 s" in said
    assert "not complete: somebody pressed Ctrl-C" in said
    assert "\x1b" not in said, "what came from the equipment acts on the terminal"


def test_one_fault_in_many_cases_is_told_once_on_the_terminal_with_the_cases() -> None:
    console = Console(width=100, record=True, file=io.StringIO())
    alike = [result(f"envelope/{n}", "fails", why="nothing may come back; a DUH came") for n in range(22)]
    show_results(console, report(*alike, result("token/x", "fails", why="nothing may come back; a DUH came")))
    said = console.export_text()
    assert said.count("nothing may come back; a DUH came") == 2
    assert "envelope: 22 cases, fails\n" in said
    assert "envelope/0, envelope/1, " in said
    assert "token/x fails (common practice)\n  nothing may come back; a DUH came\n  It sends a message.\n" in said


def test_a_note_with_a_consequence_is_told_at_the_end_on_the_terminal_and_other_notes_are_not() -> None:
    console = Console(width=100, record=True, file=io.StringIO())
    show_results(console, report(result("polls/x", notes=[f"{SERIOUS}anybody can speak for it", "lower case: ACK"])))
    said = console.export_text()
    assert "worth knowing, polls/x\n  anybody can speak for it\n" in said
    assert "lower case: ACK" not in said


# JUnit XML, as junitparser reads it


def suites(made: Report, folder: Path) -> junitparser.JUnitXml:
    write_junit(folder / "trial.xml", made)
    found = junitparser.JUnitXml.fromfile(str(folder / "trial.xml"))
    assert isinstance(found, junitparser.JUnitXml)
    return found


def test_another_reader_of_junit_xml_counts_what_we_count(tmp_path: Path) -> None:
    found = suites(every_kind(), tmp_path)
    claimed = (found.tests, found.failures, found.errors, found.skipped)
    assert claimed == (5, 1, 1, 1)
    assert {suite.name: len(list(suite)) for suite in found} == {
        "trial.receiver.envelope": 2, "trial.receiver.tcp": 1, "trial.receiver.sealing": 2,
    }  # fmt: skip
    found.update_statistics()  # junitparser counts for itself
    assert (found.tests, found.failures, found.errors, found.skipped) == claimed


def test_junit_xml_tells_why_a_case_fails_what_was_due_and_what_came_even_if_xml_cannot_hold_it(tmp_path: Path) -> None:
    items = {item.name: item for suite in suites(every_kind(), tmp_path) for item in suite}
    (failure,) = items["crc-wrong"].result
    assert isinstance(failure, junitparser.Failure)
    assert failure.message == f"it answered {SCRIPT}\\x1B[31m"
    assert "must: An ACK comes back." in failure.text
    assert r"\n\x00\x01\x1B[31m\x85\xFF]]>&" in failure.text
    assert "7 after" in failure.text
    assert items["crc-wrong"].time == pytest.approx(0.061)
    assert items["crc-wrong"].classname == "trial.receiver.envelope"
    assert isinstance(items["kept-open"].result[0], junitparser.Error)
    assert isinstance(items["192"].result[0], junitparser.Skipped)
    assert items["192"].result[0].message == "no account with a key of 192 bits was given"
    assert items["128"].is_passed
    assert items["128"].system_out == "first answer after 0.8 ms"


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_junit_xml_can_be_read_whatever_a_case_says(text: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        made = report(result("g/one", "fails", why=text, must=text, notes=[text]), complete=False, ended_why=text)
        assert suites(made, Path(folder)).tests == 2


def test_a_trial_that_was_ended_early_does_not_look_good_to_a_ci_system(tmp_path: Path) -> None:
    found = suites(report(result("g/one"), complete=False, ended_why="somebody pressed Ctrl-C"), tmp_path)
    assert (found.tests, found.errors) == (2, 1)


def test_junit_xml_says_what_was_chosen_and_that_a_star_is_a_clause_from_memory(tmp_path: Path) -> None:
    (suite,) = suites(report(result("g/one", notes=[f"{SERIOUS}so"]), only=["g"], chosen=1, of=364), tmp_path)
    properties = {one.name: one.value for one in suite.properties()}
    assert properties["cases"] == "1 of 364 cases, by --only g"
    assert "*" in properties["clauses"]
    assert "memory" in properties["clauses"]
    assert next(iter(suite)).system_out == "worth knowing: so"


# The page


class Page(HTMLParser):
    """A page as the standard library's parser has it: its tags with their attributes, and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text, self.inside = "", ""
        self._in = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._in = tag

    def handle_endtag(self, tag: str) -> None:
        self._in = ""

    def handle_data(self, data: str) -> None:
        if self._in == "script":
            self.inside += data
        elif self._in != "style":
            self.text += data

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for one, attributes in self.tags if one == tag]


@pytest.fixture(name="page")
def shown(tmp_path: Path) -> Page:
    write_html(tmp_path / "trial.html", every_kind())
    return Page((tmp_path / "trial.html").read_text("utf-8"))


def test_the_page_needs_nothing_but_itself_and_runs_nothing(page: Page) -> None:
    for tag, attributes in page.tags:
        for name, value in attributes.items():
            assert not name.startswith("on"), (tag, name)
            if name in ("src", "href", "srcset", "action", "data", "style"):
                assert (value or "").startswith("#"), (tag, name, value)
    assert page.named("script") == [{"type": "application/json", "id": "report"}]
    assert not page.named("link")
    (policy,) = (one["content"] for one in page.named("meta") if one.get("http-equiv") == "Content-Security-Policy")
    assert policy == "default-src 'none'; style-src 'unsafe-inline'"


def test_what_the_equipment_said_stands_on_the_page_as_text(page: Page) -> None:
    assert f"it answered {SCRIPT}\\x1B[31m" in page.text
    assert f"says {SCRIPT}" in page.text
    assert f"open zone 3 now {SCRIPT}" in page.text
    assert r"\n\x00\x01\x1B[31m\x85\xFF]]>&" in page.text
    assert "zone 007, “<script>" in page.text, "the frame, in words"


def test_the_page_says_first_what_a_manager_asks(page: Page) -> None:
    first = page.text.partition("Every case")[0]
    for said in (
        "Trial of a receiver", "127.0.0.1:12009 over TCP", "2 of 4 cases that apply hold; 1 fails;", "farend 0.1.0",
        "25 November 2026, 09:30:00 UTC, until 09:33:00 UTC", "4471 in clear; 8C20 AES-128", CAUTION,
        "its clock is 1 s behind ours (from a NAK)", "envelope/crc-wrong: it answered", "(5.5.1)",
    ):  # fmt: skip
        assert said in " ".join(first.split()), said


def test_the_first_screen_tells_one_fault_in_many_cases_once_and_each_note_that_has_a_consequence(
    tmp_path: Path,
) -> None:
    alike = [result(f"envelope/{n}", "fails", why="a DUH came", does=f"Sends {n}.") for n in range(22)]
    noted = result("polls/x", notes=[f"{SERIOUS}anybody can speak for it", "lower case: ACK"])
    write_html(tmp_path / "trial.html", report(*alike, noted, only=["envelope", "polls/x"], chosen=23, of=364,
                                               settings=["an answer may take 5 s"]))  # fmt: skip
    first, _, below = Page((tmp_path / "trial.html").read_text("utf-8")).text.partition("Every case")
    assert first.count("a DUH came") == 1
    assert "in 22 cases" in first
    assert "Sends 21." in first
    assert "anybody can speak for it" in first
    assert "lower case: ACK" not in first
    assert "lower case: ACK" in below
    assert "23 of 364 cases, by --only envelope --only polls/x" in first
    assert "an answer may take 5 s" in first
    assert "not answered clearly" in first, "the table has the words of the sentence"
    assert "A clause with * is known from memory" in below


def test_a_trial_that_was_ended_early_says_so_before_its_verdict(tmp_path: Path) -> None:
    write_html(tmp_path / "trial.html", report(result("g/one"), complete=False, ended_why="somebody pressed Ctrl-C"))
    said = Page((tmp_path / "trial.html").read_text("utf-8")).text
    assert said.index("Not complete: somebody pressed Ctrl-C") < said.index(
        "Of the 1 that were tried: the one case that applies holds."
    )


def test_what_does_not_hold_is_open_and_every_link_leads_somewhere(page: Page) -> None:
    cases = [one for one in page.named("details") if one.get("class") == "one"]
    assert ["open" in one for one in cases] == [False, True, True, False, False]
    places = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(places) == len(set(places))
    assert {f"#{case.case.id}" for case in every_kind().results} <= {f"#{one}" for one in places}
    assert {one["href"] for one in page.named("a")} <= {f"#{one}" for one in places}


def test_a_sealed_message_is_shown_opened_and_its_key_nowhere(tmp_path: Path) -> None:
    for write, name in ((write_html, "trial.html"), (write_junit, "trial.xml"), (write_json_lines, "trial.jsonl")):
        write(tmp_path / name, every_kind())
        assert SECRET.lower() not in (tmp_path / name).read_text("utf-8").lower()
    assert "Fire alarm" in (tmp_path / "trial.html").read_text("utf-8")


# Read back


def test_the_page_and_the_json_lines_hold_the_same_report_and_give_it_back(tmp_path: Path) -> None:
    made = every_kind()
    write_html(tmp_path / "trial.html", made)
    write_json_lines(tmp_path / "trial.jsonl", made)
    lines = [json.loads(line) for line in (tmp_path / "trial.jsonl").read_text().splitlines()]
    assert read(tmp_path / "trial.html") == read(tmp_path / "trial.jsonl") == Told(lines[-1], lines[:-1]) == told(made)


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "neither a page"),
        (b"\x00\xff", "neither a page"),
        (b"<!doctype html><p>hello</p>", "no report of a trial"),
        (b'{"case": ', "line 1 is no JSON"),
        (b'{"case": "g/one"}\n', "its last line is not the head"),
        (b'{"trial": "toaster"}\n', "its head, trial"),
        (b'{}\n{"trial": "receiver"}\n', "its head, target"),
        (b"[1]\n", "neither a page"),
        (b"{}\n[1]\n", "line 2 is no JSON object"),
    ],
)
def test_what_is_no_report_is_refused_in_a_sentence(tmp_path: Path, content: bytes, why: str) -> None:
    (tmp_path / "file").write_bytes(content)
    with pytest.raises(ReportError, match=why):
        read(tmp_path / "file")


def test_a_report_whose_case_stands_twice_or_has_no_verdict_is_refused(tmp_path: Path) -> None:
    write_json_lines(tmp_path / "twice", report(result("g/one"), result("g/one")))
    with pytest.raises(ReportError, match="the case g/one stands in it twice"):
        read(tmp_path / "twice")
    write_json_lines(tmp_path / "odd", report(result("g/one")))
    (tmp_path / "odd").write_bytes((tmp_path / "odd").read_bytes().replace(b'"holds"', b'"pleases"', 1))
    with pytest.raises(ReportError, match="case 1, verdict"):
        read(tmp_path / "odd")


def test_a_report_that_lost_a_line_on_its_way_is_refused(tmp_path: Path) -> None:
    write_json_lines(tmp_path / "trial", report(result("g/one"), result("g/two")))
    (tmp_path / "trial").write_bytes((tmp_path / "trial").read_bytes().partition(b"\n")[2])
    with pytest.raises(ReportError, match="its head counts 2 cases, and it has 1"):
        read(tmp_path / "trial")


# Compared


LISTS = ("better", "worse", "still", "new", "gone", "notes")
# Old verdict, new verdict ("" where the report does not have the case): the list that it stands in.
BECAME = {
    ("holds", "holds"): "same", ("holds", "fails"): "worse", ("holds", "unclear"): "worse",
    ("holds", "not-applicable"): "gone", ("holds", ""): "gone",
    ("fails", "holds"): "better", ("fails", "fails"): "still", ("fails", "unclear"): "still",
    ("fails", "not-applicable"): "gone", ("fails", ""): "gone",
    ("unclear", "holds"): "better", ("unclear", "fails"): "still", ("unclear", "unclear"): "still",
    ("unclear", "not-applicable"): "gone", ("unclear", ""): "gone",
    ("not-applicable", "holds"): "new", ("not-applicable", "fails"): "new", ("not-applicable", "unclear"): "new",
    ("not-applicable", "not-applicable"): "same", ("not-applicable", ""): "same",
    ("", "holds"): "new", ("", "fails"): "new", ("", "unclear"): "new", ("", "not-applicable"): "same",
}  # fmt: skip


def one_case(verdict: Any, **more: Any) -> Told:
    return told(report(result("g/one", verdict, **more))) if verdict else told(report())


def counts(found: Comparison) -> Counter[str]:
    return +Counter({name: len(getattr(found, name)) for name in LISTS} | {"same": found.same})


@pytest.mark.parametrize(("old", "new"), BECAME)
def test_what_becomes_of_a_case_from_one_trial_to_the_next(old: str, new: str) -> None:
    assert counts(compare(one_case(old), one_case(new))) == {BECAME[old, new]: 1}


def test_every_way_that_a_case_can_go_is_in_that_table() -> None:
    sides = [*WORDS, ""]
    assert set(BECAME) == {(old, new) for old in sides for new in sides} - {("", "")}


def test_other_notes_are_told_and_what_was_merely_measured_is_not() -> None:
    def became(old: str, new: str) -> dict[str, int]:
        return dict(counts(compare(one_case("holds", notes=[old]), one_case("holds", notes=[new]))))

    assert became("lower-case hex: ACK", "lower-case hex: no answer") == {"notes": 1}
    assert became("first answer after 0.8 ms", "first answer after 12 ms") == {"same": 1}
    assert became("padding of 3 bytes", "padding of 4 bytes") == {"notes": 1}


CASES = st.dictionaries(
    st.sampled_from([f"{group}/{what}" for group in ("envelope", "tcp") for what in "abcdef"]),
    st.tuples(st.sampled_from(list(WORDS)), st.lists(st.sampled_from(["one note", "another"]), max_size=2)),
)


def trial(cases: dict[str, tuple[Verdict, Sequence[str]]]) -> Told:
    return told(report(*(result(name, verdict, notes=notes) for name, (verdict, notes) in cases.items())))


@given(CASES)
def test_a_trial_held_against_itself_shows_no_change(cases: dict[str, tuple[Verdict, Sequence[str]]]) -> None:
    found = counts(compare(trial(cases), trial(cases)))
    held_not = sum(verdict in ("fails", "unclear") for verdict, _ in cases.values())
    assert found == +Counter({"still": held_not, "same": len(cases) - held_not})


@given(CASES, CASES)
def test_held_the_other_way_round_better_is_worse_and_new_is_gone_and_no_case_is_lost(
    one: dict[str, tuple[Verdict, Sequence[str]]], other: dict[str, tuple[Verdict, Sequence[str]]]
) -> None:
    there, back = compare(trial(one), trial(other)), compare(trial(other), trial(one))
    for forth, reverse in (("better", "worse"), ("new", "gone"), ("still", "still"), ("notes", "notes")):
        for a, b in ((forth, reverse), (reverse, forth)):
            assert {change.case for change in getattr(there, a)} == {change.case for change in getattr(back, b)}
    assert counts(there).total() == counts(back).total() == len(one.keys() | other.keys())


def test_the_trial_of_a_panel_is_not_held_against_that_of_a_receiver() -> None:
    with pytest.raises(ReportError, match="a receiver, the other of a panel"):
        compare(told(report()), told(report(subject="panel")))


def test_farend_trial_compare_tells_it_and_its_exit_code_says_whether_something_got_worse(
    inside: Farend, tmp_path: Path
) -> None:
    before, after = tmp_path / "before.html", tmp_path / "after.jsonl"
    write_html(before, report(result("g/a"), result("g/b", "fails"), result("g/c", "unclear")))
    write_json_lines(after, report(result("g/a", "fails", why="it sent a NAK"), result("g/b"), result("g/d")))
    done = inside("trial", "compare", before, after)
    assert done.code == 1
    assert "worse: held before, and does not now" in done.out.decode()
    assert "it sent a NAK" in done.out.decode()
    assert "Cases: 1 got worse, 1 got better, 1 tried only now, 1 tried only before; 0 as before." in done.out.decode()
    told_ = inside("trial", "compare", before, after, "--json").objects[0]
    assert [one["case"] for one in told_["worse"]] == ["g/a"]
    assert told_["worse"][0]["after"] == {"verdict": "fails", "why": "it sent a NAK", "notes": []}
    assert inside("trial", "compare", before, before).code == 0


def test_a_new_trial_that_was_ended_early_is_no_good_news(inside: Farend, tmp_path: Path) -> None:
    write_html(tmp_path / "whole", report(result("g/a"), result("g/b")))
    write_html(tmp_path / "early", report(result("g/a"), complete=False, ended_why="stopped by hand"))
    done = inside("trial", "compare", tmp_path / "whole", tmp_path / "early")
    assert (done.code, "The new trial is not complete" in done.out.decode()) == (1, True)
    assert inside("trial", "compare", tmp_path / "early", tmp_path / "whole").code == 0


def test_what_cannot_be_compared_ends_with_2_and_names_the_file(inside: Farend, tmp_path: Path) -> None:
    good, bad = tmp_path / "good.html", tmp_path / "bad.html"
    write_html(good, report(result("g/a")))
    bad.write_text("<!doctype html>\n<p>A letter.</p>")
    for old, new, said in (
        (good, bad, f"{bad}: this page holds no report of a trial"),
        (tmp_path / "none", good, f"{tmp_path / 'none'} cannot be read: No such file"),
    ):
        done = inside("trial", "compare", old, new)
        assert done.code == 2
        assert said in done.err


# Files


def test_a_file_that_could_not_be_written_leaves_what_was_there_and_the_other_is_still_written(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    full, other = tmp_path / "full.html", tmp_path / "other.xml"
    full.write_text("an earlier report")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, before[1]))  # a disk that takes no more than this
    try:
        with pytest.raises(typer.Exit) as ended:
            write_outputs([(full, lambda: "x" * 200_000), (other, lambda: "whole")])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert ended.value.exit_code == 2
    assert f"{full} cannot be written: File too large" in "".join(capfd.readouterr().err.splitlines())
    assert (full.read_text(), other.read_text()) == ("an earlier report", "whole")
    assert {one.name for one in tmp_path.iterdir()} == {"full.html", "other.xml"}, "no half file is left"


def test_a_report_through_a_link_leaves_the_link_and_a_device_is_written_to_and_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to("real")
    write_outputs([(tmp_path / "link", lambda: "whole"), (Path("/dev/null"), lambda: "gone")])
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "whole"
    assert Path("/dev/null").is_char_device()


def test_files_are_looked_at_before_a_trial_and_not_touched(tmp_path: Path) -> None:
    check_outputs({"--report": tmp_path / "r.html", "--junit": None})
    assert not list(tmp_path.iterdir())
    for wanted in (
        {"--report": tmp_path / "r", "--junit": tmp_path / "x" / ".." / "r"}, {"--report": tmp_path},
        {"--report": tmp_path / "none" / "r"},
    ):  # fmt: skip
        with pytest.raises(typer.Exit):
            check_outputs(wanted)


# In the browser


def test_axe_core_finds_nothing_wrong_with_the_page_at_a_desk_or_on_a_phone(tmp_path: Path) -> None:
    from test_browser import ALL_RULES, ARGUMENTS, CUT

    alike = [result(f"token/{n}", "fails", why="a DUH came", notes=[f"{SERIOUS}anybody can speak"]) for n in range(3)]
    made = every_kind()
    write_html(tmp_path / "trial.html", replace(made, results=[*made.results, *alike], of=9, settings=["5 s"]))
    path = shutil.which("chromium")
    assert path, "this test needs Debian's chromium: apt-get install chromium"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=[*ARGUMENTS])
        view = browser.new_page(color_scheme="light")
        complaints: list[str] = []
        view.on("console", lambda told_: complaints.append(told_.text))
        view.on("dialog", lambda dialog: (complaints.append(dialog.message), dialog.dismiss()))
        for width in (1280, 390):
            view.set_viewport_size({"width": width, "height": 844})
            view.goto((tmp_path / "trial.html").as_uri())
            assert not complaints, "the page's script, or its policy, did something"
            assert view.evaluate("document.documentElement.scrollWidth") <= width
            assert view.evaluate(CUT) == []
        assert [one["id"] for one in Axe().run(view, options=ALL_RULES).response["violations"]] == []
