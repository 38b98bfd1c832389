"""The help explains every word that the code can say, and none that it cannot: found in the code itself."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from receiver import desk, glossary, sheet, words, wrong
from receiver.glossary import ENTRIES

ROOT = Path(desk.__file__).parents[1]
CONTRACT = (
    *("line", "frame", "signal", "account", "area", "zone", "user", "path", "account book", "desk", "verdict"),
    *("journal", "proving", "trial", "tap", "capture"),
)


def explained(kind: str) -> set[str]:
    return {entry.word for entry in ENTRIES if entry.kind == kind}


def texts(node: ast.AST, inside: ast.AST) -> Iterator[str]:
    """The words that an argument may be: written there, or what a variable of that name was given in the function."""
    if isinstance(node, ast.Name):
        for one in ast.walk(inside):
            if isinstance(one, ast.Assign) and any(ast.dump(target) == _stored(node) for target in one.targets):
                yield from texts(one.value, inside)
    elif isinstance(node, ast.IfExp):
        yield from texts(node.body, inside)
        yield from texts(node.orelse, inside)
    elif isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value


def _stored(node: ast.Name) -> str:
    return ast.dump(ast.Name(node.id, ast.Store()))


def functions(*packages: str) -> Iterator[ast.AST]:
    for package in packages:
        for path in (ROOT / package).rglob("*.py"):
            tree = ast.parse(path.read_text("utf-8"))
            yield from (one for one in ast.walk(tree) if isinstance(one, ast.FunctionDef | ast.AsyncFunctionDef))


def name_of(call: ast.Call) -> str:
    return getattr(call.func, "attr", getattr(call.func, "id", ""))


def emitted_problems() -> set[str]:
    found = set()
    for function in functions("protocols", "receiver"):
        for one in ast.walk(function):
            if isinstance(one, ast.Call) and name_of(one) in ("problem", "Problem") and one.args:
                found |= set(texts(one.args[0], function))
    return found


def emitted_events() -> set[str]:
    """`self.event("word", …)`, `note(journal, "word", …)`, and dictionaries with an event and its detail."""
    found = set()
    for function in functions("receiver", "tools"):
        for one in ast.walk(function):
            if isinstance(one, ast.Call) and name_of(one) == "event" and one.args:
                found |= set(texts(one.args[0], function))
            elif isinstance(one, ast.Call) and name_of(one) == "note" and len(one.args) > 2:
                found |= set(texts(one.args[1], function))
            elif isinstance(one, ast.Dict):
                keys = {key.value: value for key, value in zip(one.keys, one.values, strict=True) if _is_text(key)}
                if {"event", "detail"} <= set(keys):
                    found |= set(texts(keys["event"], function))
    return found


def _is_text(key: ast.expr | None) -> bool:
    return isinstance(key, ast.Constant) and isinstance(key.value, str)


def test_each_word_of_the_contract_is_explained() -> None:
    assert explained("word") == set(CONTRACT)


def test_every_verdict_and_answer_is_explained_and_none_that_nobody_gives() -> None:
    given = {rule.verdict for rule in desk.RULES} | {"not-kept"}  # also what `Decision.not_kept` says
    assert explained("verdict") == given == set(words.VERDICTS)
    assert explained("answer") == set(words.ANSWERS)


def test_every_sequence_note_is_explained() -> None:
    assert explained("sequence note") == {"repeat", *words.NOTES}
    source = ast.parse((ROOT / "receiver" / "desk.py").read_text("utf-8"))
    (function,) = [one for one in source.body if isinstance(one, ast.FunctionDef) and one.name == "sequence_note"]
    returned = {
        text
        for one in ast.walk(function)
        if isinstance(one, ast.Return) and one.value
        for text in texts(one.value, function)
    }
    assert {"repeat", *returned} == explained("sequence note")


def test_every_problem_that_a_frame_can_have_is_explained_and_none_other() -> None:
    assert explained("problem") == emitted_problems()


def test_every_event_that_can_become_a_row_is_explained_and_none_other() -> None:
    found = emitted_events()
    assert {"line-silent", "path-back", "proving", "assigned", "handled"} <= found  # each written in another way
    assert explained("event") == found


def test_every_finding_and_state_of_a_proving_is_explained() -> None:
    assert explained("finding of a proving") == set(wrong.WRONG)
    assert explained("row of a sheet") == set(sheet.STATES)


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda entry: f"{entry.kind} {entry.word}".replace(" ", "-"))
def test_each_explanation_is_of_whole_sentences(entry: glossary.Entry) -> None:
    for text in filter(None, (entry.means, entry.do)):
        assert text[0].isupper() or text[0] == "`"
        assert text[-1] in ".?"
    assert len(entry.means) + len(entry.do) < 300


def test_a_word_is_found_in_all_its_meanings() -> None:
    assert {entry.kind for entry in glossary.of("unknown-code")} == {"problem", "finding of a proving"}
    assert glossary.of("no such word") == []
