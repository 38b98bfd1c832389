"""The kept corpus of the fuzzer (`tests/fuzz`), played to its targets without one; and what the fuzzer found, as it was."""

import pytest

from tests.fuzz.run import CORPUS, read
from tests.fuzz.targets import TARGETS


@pytest.mark.parametrize("name", TARGETS)
def test_the_corpus_that_is_kept_finds_nothing(name: str) -> None:
    inputs = read(name)
    assert inputs, f"{CORPUS / name}.txt is empty"
    for data in inputs:
        try:
            TARGETS[name](data)
        except Exception as error:
            raise AssertionError(f"target {name} with {data!r}") from error


def test_every_corpus_is_a_targets_and_has_each_input_once_and_small() -> None:
    assert {file.stem for file in CORPUS.iterdir()} == set(TARGETS)
    for name in TARGETS:
        lines = (CORPUS / f"{name}.txt").read_text("ascii").splitlines()
        assert len(set(lines)) == len(lines)
        assert sum(map(len, lines)) < 500_000
