"""The cases of what a message is made of: right receivers hold them, and each catches a receiver that is wrong."""

from collections import Counter
from datetime import timedelta

import pytest
from broken_receivers import BROKEN, RIGHT, matrix, past_examination
from crccheck.crc import Crc16Arc

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


def first_sent(id: str) -> bytes:
    """The first bytes that a case sends."""
    case = next(case for case in CASES if case.id == id)
    (result,) = run([case], InMemory(Answerer(POOL)), Setup(POOL))
    return next(one.data for one in result.passed if one.way == "sent")


def checks(frame: bytes) -> tuple[bool, bool]:
    """Whether CRC and length of a frame are right, by `crccheck` (CRC-16/ARC) and by counting."""
    text = frame[9:-1]
    return frame[1:5] == b"%04X" % Crc16Arc.calc(text), frame[5:9] == b"%04X" % len(text)


def test_what_is_about_the_text_comes_in_a_right_envelope() -> None:
    inner = [case.id for case in CASES if case.group in ("sequence", "numbers", "data", "extended")]
    assert [case for case in inner if checks(first_sent(case)) != (True, True)] == []


@pytest.mark.parametrize("what", ["wrong", "wrong-in-its-high-byte", "wrong-in-its-low-byte", "zeros", "bytes-swapped"])
def test_a_wrong_crc_is_wrong_and_all_else_is_right(what: str) -> None:
    assert checks(first_sent(f"envelope/crc-{what}")) == (False, True)


@pytest.mark.parametrize("what", ["one-short", "one-long", "counts-lf-and-cr", "sixteen-long", "zero", "greatest"])
def test_a_wrong_length_is_wrong_and_all_else_is_right(what: str) -> None:
    assert checks(first_sent(f"envelope/length-{what}")) == (True, False)


@pytest.mark.parametrize("counted", [256, 512, 1024, 2048, 4095])
def test_a_long_message_is_as_long_as_its_case_says(counted: int) -> None:
    frame = first_sent(f"envelope/of-{counted}-bytes")
    assert (len(frame), checks(frame)) == (counted + 10, (True, True))


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


def test_every_case_catches_one_that_a_trial_would_get_as_far_as(caught: dict[str, dict[str, str]]) -> None:
    late = past_examination(BROKEN, POOL)
    assert [id for id, by in caught.items() if not any(by[name] == "fails" for name in by.keys() & late)] == []


def test_every_wrong_receiver_is_caught(caught: dict[str, dict[str, str]]) -> None:
    assert [each.__name__ for each in BROKEN if all(each.__name__ not in by for by in caught.values())] == []
