"""The cases of stamps, keys, polls, connections and datagrams: right receivers hold them, and each catches a wrong one."""

import re
import subprocess
from datetime import timedelta

import pytest

from protocols.seal import Key
from receiver.trial.case import Case
from receiver.trial.memory import Answerer, InMemory
from receiver.trial.of_receiver import cases, examine, rehearse, run
from receiver.trial.stage import Known, Setup, Stage
from receiver.wire import Kind
from tests.broken_receivers import (
    RIGHT,
    AddsOneToTheSequence,
    AnswersAnswers,
    AnswersForTheAccountInside,
    AnswersNoise,
    ClosesAfterAnAnswer,
    DropsTheReceiver,
    HasAShortBuffer,
    SaysDuhToBadFrames,
    matrix,
    past_examination,
)
from tests.broken_receivers_exchange import (
    BROKEN,
    NONE_AT_ALL,
    PARTICULAR,
    TIRING,
    HoldsClearStampsToo,
    KnowsAccountsByAllNumbers,
    NaksWithYear9999,
    TakesItsTime,
)

GROUPS = ("stamps", "encryption", "polls", "replies", "tcp", "udp", "endurance")
CASES = [case for case in cases() if case.group in GROUPS]
QUICK = [case for case in CASES if case.group != "endurance"]
IN_CLEAR = (Known("4471"), Known("123"), Known("1234567890ABCDEF"))
WITH_KEYS = tuple(Known(number, Key(bytes(range(size)))) for number, size in (("8C20", 16), ("0930", 24), ("00C5", 32)))
POOL = (*IN_CLEAR, *WITH_KEYS)
ALSO = (AnswersAnswers, AnswersForTheAccountInside, AnswersNoise, DropsTheReceiver, HasAShortBuffer, SaysDuhToBadFrames)


@pytest.mark.parametrize("kind", ["tcp", "udp"])
@pytest.mark.parametrize("right", RIGHT[1:])
def test_a_right_receiver_fails_no_case_however_it_is_built(right: type[Answerer], kind: Kind) -> None:
    wanted = CASES if right is ClosesAfterAnAnswer else QUICK
    results = list(run(wanted, InMemory(right(POOL), kind), Setup(POOL)))
    assert {one.case.id: one.why for one in results if one.verdict in ("fails", "unclear")} == {}


@pytest.mark.parametrize("kind", ["tcp", "tls", "udp"])
@pytest.mark.parametrize("seconds", [7, -3500])
def test_every_case_that_is_about_the_line_holds_whatever_the_receivers_clock_says(kind: Kind, seconds: int) -> None:
    link, setup = InMemory(Answerer(POOL, ahead=timedelta(seconds=seconds)), kind), Setup(POOL)
    assert not examine(link, setup).why_not
    others = {one.case.id: one.why for one in run(CASES, link, setup) if one.verdict != "holds"}
    assert all("this is about" in why and kind.upper() not in why.partition(";")[0] for why in others.values()), others


@pytest.mark.parametrize("kind", ["tcp", "udp"])
@pytest.mark.parametrize("right", PARTICULAR)
def test_a_right_receiver_that_is_slow_or_small_or_particular_fails_no_case(right: type[Answerer], kind: Kind) -> None:
    link, setup = InMemory(right(POOL), kind), Setup(POOL)
    assert examine(link, setup).why_not == ""
    results = list(run(cases(), link, setup))
    assert {one.case.id: one.why for one in results if one.verdict in ("fails", "unclear")} == {}
    assert len(results) == len(cases())


@pytest.mark.parametrize("seconds", [0.4, 1.0, 4.0])
def test_the_slower_the_answers_the_further_the_stamps_are_moved_from_the_edge(seconds: float) -> None:
    for late in PARTICULAR[3:5]:
        receiver = late(POOL)
        receiver.seconds = seconds  # type: ignore[attr-defined]
        link, setup = InMemory(receiver), Setup(POOL)
        examine(link, setup)
        results = list(run([case for case in cases() if case.group == "stamps"], link, setup))
        assert {one.case.id: one.why for one in results if one.verdict != "holds"} == {}
        (edge,) = [one for one in results if one.case.id == "stamps/ahead-22"]
        assert (edge.notes != []) == (seconds > 1 / 3)


def test_accounts_that_are_known_under_a_receiver_number_and_a_prefix_are_tried_under_them() -> None:
    link, setup = InMemory(KnowsAccountsByAllNumbers(POOL)), Setup(POOL, receiver="1", prefix="2")
    assert examine(link, setup).why_not == ""
    results = list(run(cases(), link, setup))
    assert {one.case.id: one.why for one in results if one.verdict in ("fails", "unclear")} == {}


def test_a_clock_is_taken_from_the_nak_to_a_message_in_clear_too() -> None:
    link = InMemory(HoldsClearStampsToo(IN_CLEAR, ahead=timedelta(seconds=60)))
    setup = Setup(IN_CLEAR)
    found = examine(link, setup)
    assert (found.why_not, round(setup.ahead.total_seconds())) == ("", 60)
    assert "its clock is 60 s ahead of ours, to the second" in found.sentences


def test_one_fault_in_every_answer_is_told_once_and_the_cases_go_on() -> None:
    link, setup = InMemory(AddsOneToTheSequence(POOL)), Setup(POOL)
    found = examine(link, setup)
    assert (found.why_not, list(setup.accounts)) == ("", list(POOL))
    (said,) = [one for one in found.sentences if "4471" in one]
    assert re.fullmatch(r"a right message of account 4471 in clear got an ACK, not its ACK: its sequence is .*", said)


def test_an_account_that_is_refused_is_left_out_and_said_unless_it_is_the_only_one() -> None:
    link, setup = InMemory(Answerer(POOL[:3])), Setup((*POOL[:2], Known("9999")))
    found = examine(link, setup)
    assert (found.why_not, list(setup.accounts)) == ("", list(POOL[:2]))
    assert [one for one in found.sentences if one.startswith("a right message of account 9999 in clear got a DUH")]
    assert "9999 in clear got a DUH" in examine(link, Setup((Known("9999"),))).why_not


def test_what_needs_an_account_that_was_given_and_refused_is_not_answered_clearly() -> None:
    """A wrong key on one side must not read as though there were no such cases."""
    link, setup = InMemory(Answerer(IN_CLEAR)), Setup((IN_CLEAR[0], WITH_KEYS[0]))
    examine(link, setup)
    by = {one.case.id: one for one in run(QUICK, link, setup)}
    for case in ("stamps/behind-38", "encryption/message-128", "encryption/accounts-in-turn", "tcp/two-accounts"):
        assert (case, by[case].verdict) == (case, "unclear")
        assert "8C20 AES-128 was given, and a right message of it got a DUH" in by[case].why
    assert by["encryption/message-256"].verdict == "not-applicable"


def test_a_clock_that_no_panel_could_be_set_by_is_not_gone_by() -> None:
    link, setup = InMemory(NaksWithYear9999(POOL)), Setup(POOL)
    assert examine(link, setup).why_not == ""
    assert setup.ahead == timedelta(0)
    by = {one.case.id: one.verdict for one in run([one for one in CASES if one.group == "stamps"], link, setup)}
    assert by["stamps/nak-time"] == "fails"


def test_a_case_in_which_the_trial_itself_stumbles_is_unclear_and_says_so() -> None:
    def stumble(stage: Stage) -> None:
        raise OverflowError("date value out of range")

    case = Case("stamps/any", "common practice", "Stumbles.", "Nothing.", stumble)
    (result,) = run([case], InMemory(Answerer(POOL)), Setup(POOL))
    assert (result.verdict, result.why) == (
        "unclear", "the trial itself stumbled: OverflowError: date value out of range"
    )  # fmt: skip


def test_the_time_of_a_trial_is_reckoned_anew_once_it_is_known_how_slow_the_receiver_is() -> None:
    link, setup = InMemory(TakesItsTime(POOL)), Setup(POOL)
    before = rehearse(QUICK, setup, "tcp").seconds
    examine(link, setup)
    began, told = link.seconds, rehearse(QUICK, setup, "tcp").seconds
    list(run(QUICK, link, setup))
    assert before * 5 < told
    assert told == pytest.approx(link.seconds - began, rel=0.3)


def test_what_a_late_duh_answers_is_known_and_noted() -> None:
    """Of a receiver whose answers take 0.8 s, where 0.5 s count as silence: the right message after it gets its own ACK."""
    late = TakesItsTime(POOL)
    late.seconds = 0.8
    (case,) = [case for case in cases() if case.id == "encryption/wrong-key"]
    (result,) = run([case], InMemory(late), Setup(POOL))
    assert (result.verdict, result.notes) == (
        "holds", ["it gave no answer in time", "a DUH came later than the 0.5 s that count as silence"]
    )  # fmt: skip


@pytest.mark.parametrize("kind", ["tcp", "udp"])
@pytest.mark.parametrize("nobody", NONE_AT_ALL)
def test_no_case_that_applies_holds_where_there_is_no_receiver_at_all(nobody: type[Answerer], kind: Kind) -> None:
    held = []
    for case in cases():
        (result,) = run([case], InMemory(nobody(POOL), kind), Setup(POOL))
        if result.verdict == "holds":
            held.append((case.id, result.notes))
    assert held == []


@pytest.mark.parametrize("pool", [IN_CLEAR[:1], WITH_KEYS[:1]], ids=["one account in clear", "one account with a key"])
def test_what_needs_an_account_that_was_not_given_says_so(pool: tuple[Known, ...]) -> None:
    results = list(run(CASES, InMemory(Answerer(pool)), Setup(pool)))
    assert {one.case.id: one.why for one in results if one.verdict in ("fails", "unclear")} == {}
    assert {one.why.partition(";")[0] for one in results if one.verdict == "not-applicable"}


@pytest.mark.parametrize("count", range(1, 17))
def test_what_the_cases_of_padding_send_opens_with_openssl_and_has_that_much_of_it(count: int) -> None:
    """The reference is the `openssl` command: AES-128 in CBC, zero initial vector, no padding of its own."""
    (case,) = [case for case in CASES if case.id == f"encryption/padding-{count}"]
    (result,) = run([case], InMemory(Answerer(WITH_KEYS)), Setup(WITH_KEYS))
    (sent,) = [one.data for one in result.passed if one.way == "sent"]
    plain = subprocess.run(
        ["openssl", "enc", "-d", "-aes-128-cbc", "-nopad", "-K", bytes(range(16)).hex(), "-iv", "00" * 16],
        input=bytes.fromhex(sent[:-1].partition(b"[")[2].decode()), capture_output=True, check=True,
    ).stdout  # fmt: skip
    pad, _, text = plain.partition(b"|")
    assert len(pad) == count
    assert re.fullmatch(rb"#8C20\|1602 00 000\]\[I[A-Z ]+\]_12:00:00,11-25-2026", text)


@pytest.fixture(scope="module")
def caught() -> dict[str, dict[str, str]]:
    """Datagrams over UDP, all else over TCP; endurance against those alone that tire."""
    broken = (*BROKEN, *ALSO)
    return {
        **matrix([case for case in QUICK if case.group != "udp"], broken, POOL),
        **matrix([case for case in CASES if case.group == "udp"], broken, POOL, "udp"),
        **matrix([case for case in CASES if case.group == "endurance"], (*TIRING, SaysDuhToBadFrames), POOL),
    }


def test_every_case_catches_a_receiver_that_is_wrong(caught: dict[str, dict[str, str]]) -> None:
    for case, by in caught.items():
        names = (name if verdict == "fails" else f"({name})" for name, verdict in by.items())
        print(f"{case:48} {', '.join(names)}")
    assert [case for case, by in caught.items() if "fails" not in by.values()] == []


def test_every_case_finds_something_that_the_messages_before_the_trial_do_not(
    caught: dict[str, dict[str, str]],
) -> None:
    """A receiver that does not acknowledge a right message of each account never gets as far as the cases."""
    late = past_examination((*BROKEN, *ALSO), POOL)
    # These are those messages, one with a key of each length; and the padding that they have.
    plain = {"encryption/message-128", "encryption/message-192", "encryption/message-256", "encryption/padding-9"}
    idle = {case for case, by in caught.items() if not any(by[name] == "fails" for name in by.keys() & late)}
    assert idle <= plain


def test_every_wrong_receiver_is_caught(caught: dict[str, dict[str, str]]) -> None:
    assert [each.__name__ for each in BROKEN if all(by.get(each.__name__) != "fails" for by in caught.values())] == []
