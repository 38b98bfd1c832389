"""The cases of what a message is made of: right receivers hold them, and each catches a receiver that is wrong."""

from collections import Counter
from datetime import timedelta

import pytest
from broken_receivers import BROKEN, RIGHT, matrix

from protocols.seal import Key
from receiver.trial.memory import Answerer, InMemory
from receiver.trial.of_receiver import cases, run
from receiver.trial.stage import Known, Setup
from receiver.wire import Kind

GROUPS = ("envelope", "token", "sequence", "numbers", "data", "extended")
CASES = [case for case in cases() if case.group in GROUPS]
IN_CLEAR = (Known("4471"), Known("123"), Known("1234567890ABCDEF"))
WITH_KEYS = tuple(Known(number, Key(bytes(range(size)))) for number, size in (("8C20", 16), ("0930", 24), ("00C5", 32)))
POOL = (*IN_CLEAR, *WITH_KEYS)


def test_every_case_has_an_id_of_its_own_in_the_notation_of_ids() -> None:
    twice = [id for id, count in Counter(case.id for case in cases()).items() if count > 1]
    assert not twice
    assert all(case.id == case.id.strip() and " " not in case.id and "{" not in case.does for case in CASES)


@pytest.mark.parametrize("kind", ["tcp", "tls", "udp"])
@pytest.mark.parametrize("right", RIGHT)
def test_a_right_receiver_fails_no_case_however_it_is_built(right: type[Answerer], kind: Kind) -> None:
    results = list(run(CASES, InMemory(right(POOL), kind), Setup(POOL)))
    assert {one.case.id: one.why for one in results if one.verdict in ("fails", "unclear")} == {}


@pytest.mark.parametrize("kind", ["tcp", "tls", "udp"])
def test_every_case_that_is_about_the_line_applies_and_holds_also_with_a_clock_ahead(kind: Kind) -> None:
    ahead = timedelta(seconds=7)
    results = list(run(CASES, InMemory(Answerer(POOL, ahead=ahead), kind), Setup(POOL, ahead=ahead)))
    others = {one.case.id: one.why for one in results if one.verdict != "holds"}
    assert all("this is about TCP and TLS" in why for why in others.values()), others
    assert not others or kind == "udp"


@pytest.mark.parametrize("pool", [IN_CLEAR[:1], WITH_KEYS[:1]], ids=["one account in clear", "one account with a key"])
def test_what_needs_an_account_that_was_not_given_says_so(pool: tuple[Known, ...]) -> None:
    results = list(run(CASES, InMemory(Answerer(pool)), Setup(pool)))
    assert {one.case.id: one.why for one in results if one.verdict in ("fails", "unclear")} == {}
    assert {one.why for one in results if one.verdict == "not-applicable"}
    assert sum(one.verdict == "holds" for one in results) > len(CASES) * 2 / 3


@pytest.fixture(scope="module")
def caught() -> dict[str, dict[str, str]]:
    return matrix(CASES, BROKEN, POOL)


def test_every_case_catches_a_receiver_that_is_wrong(caught: dict[str, dict[str, str]]) -> None:
    for case, by in caught.items():
        names = (name if verdict == "fails" else f"({name})" for name, verdict in by.items())
        print(f"{case:48} {', '.join(names)}")
    assert [case for case, by in caught.items() if "fails" not in by.values()] == []


def test_every_case_finds_something_that_a_plain_message_does_not(caught: dict[str, dict[str, str]]) -> None:
    plain = "sequence/echo-0001"
    idle = [case for case, by in caught.items() if not by.keys() - caught[plain].keys()]
    assert idle == [plain]


def test_every_wrong_receiver_is_caught(caught: dict[str, dict[str, str]]) -> None:
    assert [each.__name__ for each in BROKEN if all(each.__name__ not in by for by in caught.values())] == []
