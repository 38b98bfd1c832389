"""The trial of a panel: a right panel holds, and for each case there is a panel that gets one thing wrong and is caught.

No panel here is anybody's: all are this project's own premises, right or broken on purpose. Figures of waits and tries are
from memory of DC-09, as the cases say.
"""

import asyncio
import os
import re
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from conftest import Farend
from crccheck.crc import Crc16Arc
from panel_mutants import (
    BROKEN,
    KEY,
    Broken,
    DeafAfterNoise,
    IgnoresNak,
    NobodyHome,
    PollsBoth,
    RepeatsAnswered,
    TwoPaths,
    WaitsWhenRefused,
    but,
)  # fmt: skip

from protocols.dc09 import build
from protocols.premises import Premises, Route
from protocols.seal import Key
from receiver.outgoing import Outgoing
from receiver.trial import ears as ears_module
from receiver.trial import of_panel
from receiver.trial.case import Case, Result, chosen
from receiver.trial.ears import Place, Ports
from receiver.trial.imagined import Panel, rehearse
from receiver.trial.memory import BEGINNING
from receiver.trial.of_panel import CASES, run
from receiver.trial.panel_overheard import padding_of
from receiver.trial.panel_stage import Setup, Stage
from receiver.trial.report import read

POLLS = 30.0


def setup(key: Key | None = None, polls: float | None = POLLS) -> Setup:
    return Setup("4471", key, polls)


def played(panel: Panel, cases: Sequence[Case[Stage]] = CASES) -> dict[str, Result]:
    """What became of each case."""
    return {one.case.id: one for one in run(cases, Stage(panel, panel.setup), go_on=lambda: False)}


def wrong(panel: Panel, cases: Sequence[Case[Stage]] = CASES) -> dict[str, str]:
    """The cases that do not hold, and why."""
    return {one: found.why for one, found in played(panel, cases).items() if found.verdict in ("fails", "unclear")}


def test_there_are_cases_enough_and_each_can_be_told_to_a_person() -> None:
    assert len(CASES) >= 40
    assert len({case.id for case in CASES}) == len(CASES)
    assert {case.id for case in CASES} == set(of_panel._PLAYS), "each play has its words"
    for case in CASES:
        assert case.does.endswith("."), case.id
        assert case.must.endswith("."), case.id
        assert case.id == case.id.lower()
        assert case.id.count("/") == 1


@pytest.mark.parametrize("key", [None, KEY, Key(bytes(24)), Key(bytes(32))], ids=["clear", "128", "192", "256"])
@pytest.mark.parametrize("receivers", [1, 2], ids=["one", "two"])
@pytest.mark.parametrize("polls", [None, POLLS], ids=["quiet", "polls"])
@pytest.mark.parametrize("keeps", [True, False], ids=["keeps", "hangs-up"])
def test_a_right_panel_holds_in_every_case_that_applies(
    key: Key | None, receivers: int, polls: float | None, keeps: bool
) -> None:
    panel = Panel(setup(key, polls), receivers, sequence=9990)
    panel.keeps = keeps
    found = played(panel)
    assert {one: result.why for one, result in found.items() if result.verdict in ("fails", "unclear")} == {}
    beside = {one for one, result in found.items() if result.verdict == "not-applicable"}
    due = {one for one in found if one.startswith("polls/") and not polls}
    due |= {one for one in found if one.startswith("second/") and receivers < 2}
    due |= {one for one in found if one.startswith("encryption/") and not key} | (
        {"polls/sealed"} if not key else set()
    )
    due |= {"second/comes-back"} if not polls else set()
    due |= {f"replies/{one}" for one in ("in-clear", "other-key", "without-stamp", "illegal-padding") if not key}
    due |= {"retries/same-bytes", "replies/sealed-to-clear"} if key else set()
    due |= {"replies/unasked"} if not keeps else set()
    assert beside == due, "nothing else is left out"


@pytest.fixture(scope="module")
def matrix() -> dict[str, dict[str, Result]]:
    """What each broken panel came to in each case."""
    return {one.__name__: played(one(setup(KEY if one.sealed else None))) for one in BROKEN}


def test_every_case_fails_some_broken_panel(matrix: dict[str, dict[str, Result]]) -> None:
    """A case that no broken panel fails would be a case that cannot fail."""
    caught = {case.id: [name for name, found in matrix.items() if found[case.id].verdict == "fails"] for case in CASES}
    width = max(map(len, caught))
    for case, names in caught.items():
        print(f"{case:{width}}  {len(names):2}  {' '.join(names[:6])}{' …' if len(names) > 6 else ''}")
    assert [case for case, names in caught.items() if not names] == []


@pytest.mark.parametrize("broken", BROKEN, ids=lambda one: one.__name__)
def test_every_broken_panel_is_caught(broken: type[Broken], matrix: dict[str, dict[str, Result]]) -> None:
    """By a fault that is said to be one: a case that could not be told would catch nobody."""
    assert any(one.verdict == "fails" for one in matrix[broken.__name__].values()), broken.__doc__


# For each of these the one case that it must fail where it matters, and a piece of what is said of it.
CAUGHT = {
    "NeverOpensAgain": ("connection/closed-idle", "after its connection was closed no poll came"),
    "StopsPollingMissed": ("polls/unanswered", "a poll was left without an answer, and no other came"),
    "StopsPollingUnanswered": ("polls/after-outage", "was cut off, connections were refused for a while"),
    "StopsPollingRefused": ("polls/refused", "a poll got a DUH, and no other came"),
    "NeverComesBack": ("second/comes-back", "nothing came to the first within"),
    "TurnsLate": ("second/how-soon", "it turned to the other receiver after 260 s"),
    "NeverTurns": ("second/turns", "the message did not come to the other"),
    "TriesOnce": ("retries/tries", "it tried only once at the first receiver"),
    "WaitsTwoSeconds": ("retries/wait", "it waits 2.0 s"),
    "WaitsThreeMinutes": ("retries/same-message", "did not send the message again within 61 s"),
    "Impatient": ("retries/evenly", "it grows impatient"),
    "RepeatsAnswered": ("message/ends-with-ack", "it was acknowledged at once, and came again after 10.0 s"),
    "RepeatsOldStamps": ("clock/nak-ahead", "the NAK said a time +120 s from ours; its next stamp was +0 s"),
    "IgnoresNak": ("clock/nak-behind", "the NAK said a time -120 s from ours; its next stamp was +0 s"),
    "TakesDamagedNak": ("clock/nak-damaged", "a NAK whose CRC was wrong set its clock"),
    "HammersAfterNak": ("clock/nak-for-ever", "it sent the message 40 times"),
    "NakEnds": ("replies/nak-without-time", "it took a NAK without a time for an answer"),
    "AnyNumber": ("replies/wrong-sequence", "it took this for an answer"),
    "AnyAccount": ("replies/wrong-account", "it took this for an answer"),
    "AnyCrc": ("replies/wrong-crc", "it took this for an answer"),
    "AnySeal": ("replies/other-key", "it took this for an answer"),
    "ClearAck": ("replies/in-clear", "it took this for an answer"),
    "KeepsAnswers": ("replies/unasked", "it kept an answer from before and took it"),
    "OneFrameASegment": ("replies/split", "it did not take the right ACK"),
    "DeafAfterNoise": ("replies/noise-apart", "it did not take the right ACK"),
    "NeverStopsAfterDuh": ("replies/duh", "and did not stop"),
    "Hammers": ("connection/closed-at-once", "it opened 20 connections"),
    "LosesInOutage": ("outage/kept", "then the message did not come"),
    "QueueOfOne": ("outage/both-in-order", "of those during the outage"),
    "Drifts": ("polls/come", "came after 40.0, 40.0, 40.0, 40.0 s"),
    "CountsPolls": ("polls/not-counted", "polls stay out of the count"),
    "HoldsUp": ("polls/hold-nothing-up", "it held the message back"),
    "LocalTime": ("clock/true", "+1 h is perhaps local time"),
    "WrongCrc": ("message/envelope", "crc-mismatch"),
    "OtherAccount": ("message/account", "account 9999, not 4471"),
    "SealsWithAnotherKey": ("encryption/opens", "decrypt-failed"),
    "PadsWithBrackets": ("encryption/opens", "no legal padding"),
    "SendsInClear": ("encryption/sealed", "in clear, though it has a key"),
    "RepeatsInClear": ("encryption/stays-sealed", "sent again came in clear"),
    "OtherInside": ("encryption/account-inside", "account-differs"),
    "OnePadding": ("encryption/padding-varies", "all its padding is the same"),
}


@pytest.mark.parametrize("name", CAUGHT)
def test_a_broken_panel_fails_the_very_case_that_is_about_it(name: str) -> None:
    """Played alone, so that no other case can have caught it before."""
    case, piece = CAUGHT[name]
    (broken,) = (one for one in BROKEN if one.__name__ == name)
    (found,) = played(broken(setup(KEY if broken.sealed else None)), list(chosen(CASES, [case]))).values()
    assert found.verdict == "fails"
    assert piece in found.why


def test_every_clock_that_follows_a_nak_is_right_again_at_the_end() -> None:
    for broken in BROKEN:
        panel = broken(setup(KEY if broken.sealed else None))
        if broken.__name__ in ("LocalTime", "SlowClock", "Creeps"):
            continue  # wrong before
        stage = Stage(panel, panel.setup)
        list(run(list(chosen(CASES, ["clock"])), stage, go_on=lambda: False))
        assert abs(panel.premises.clock_error) < timedelta(seconds=2), broken.__name__


def test_a_panel_may_poll_its_second_receiver_as_well() -> None:
    assert wrong(PollsBoth(setup(), 2)) == {}


@pytest.mark.parametrize("receivers", [1, 2], ids=["one", "two"])
@pytest.mark.parametrize("right", [TwoPaths, WaitsWhenRefused])
def test_right_panels_of_other_habits_hold_as_well(right: type[Panel], receivers: int) -> None:
    assert wrong(right(setup(), receivers)) == {}


@pytest.mark.parametrize("key", [None, KEY], ids=["clear", "sealed"])
@pytest.mark.parametrize(("wait", "tries"), [(50.0, 3), (50.0, 5), (8.0, 5), (8.0, 2)])
def test_a_panel_that_waits_and_tries_otherwise_than_was_said_holds(key: Key | None, wait: float, tries: int) -> None:
    panel = Panel(setup(key), 2)
    panel.premises = Premises(
        "4471", key=key, receivers=2, paths=(Route(poll_seconds=POLLS),), wait_seconds=wait, tries=tries
    )
    assert wrong(panel) == {}


def test_a_broken_panel_that_waits_long_is_caught_once_its_wait_was_measured() -> None:
    """It hears nothing after noise, and sends again only 50 s later."""

    class Slow(DeafAfterNoise):
        habits = but(wait_seconds=50.0)

    assert "it came again 50.0 s" in wrong(Slow(setup(KEY)))["replies/noise-apart"]


def test_a_repeat_of_what_had_its_answer_is_a_fault_wherever_it_is_heard() -> None:
    """Each message comes again 70 s after its ACK: after the case that it was sent in."""

    class Late(RepeatsAnswered):
        after = 70.0

    found = wrong(Late(setup(KEY)))
    assert any("had its right answer, and came again 70.0 s later" in why for why in found.values()), found


class Interrupted(Panel):
    """Somebody presses Ctrl-C as soon as a NAK has moved the clock."""

    pressed = False

    def arrived(self, seconds: float) -> Any:
        if not self.pressed and abs(self.premises.clock_error) > timedelta(seconds=60):
            self.pressed = True
            raise KeyboardInterrupt
        return super().arrived(seconds)


def test_a_trial_that_is_broken_off_leaves_the_clock_right() -> None:
    panel = Interrupted(setup(KEY))
    with pytest.raises(KeyboardInterrupt):
        played(panel, list(chosen(CASES, ["clock/nak-ahead"])))
    assert panel.pressed
    assert abs(panel.premises.clock_error) < timedelta(seconds=2)


def test_where_nobody_is_at_the_panel_the_trial_ends_soon_and_says_so() -> None:
    panel = NobodyHome(setup(polls=None))
    asked = []
    stage = Stage(panel, panel.setup)
    found = list(run(CASES, stage, go_on=lambda: bool(asked.append(True))))
    assert asked == [True], "asked once"
    assert len(stage.asks) == 2
    assert panel.seconds < 5 * stage.setup.patience
    assert {one.verdict for one in found} == {"unclear", "not-applicable"}
    assert found[0].why.startswith("no message came within 60 s")


def test_without_a_person_polls_are_tried_all_the_same() -> None:
    found = played(NobodyHome(setup()))
    held = {one for one, result in found.items() if result.verdict == "holds"}
    assert {"polls/come", "polls/form", "polls/sequence-0000", "polls/unanswered", "polls/refused"} <= held


@pytest.mark.parametrize("right", [TwoPaths, WaitsWhenRefused])
def test_what_is_announced_is_what_right_panels_of_other_habits_are_asked(right: type[Panel]) -> None:
    """The rehearsal is of one right panel; another asks for as much, and takes about as long."""
    panel = right(setup(KEY), 2)
    stage = Stage(panel, panel.setup)
    list(run(CASES, stage))
    effort = rehearse(CASES, setup(KEY), 2)
    assert effort.asked == len(stage.asks)
    assert effort.seconds == pytest.approx(panel.seconds, rel=0.2)
    assert effort.asked < len(CASES) / 2, "the person is asked for less than one message in two cases"


def test_what_was_played_once_and_is_judged_twice_stands_in_both_exchanges() -> None:
    found = played(Panel(setup()), list(chosen(CASES, ["retries/same-message", "retries/wait"])))
    first, second = found.values()
    assert [one.data for one in second.passed] == [one.data for one in first.passed][: len(second.passed)]
    assert len([one for one in second.passed if one.way == "got"]) >= 3


def test_a_panel_that_ignores_naks_is_not_clearly_wrong_where_it_reports_in_clear() -> None:
    """5.5.3.2 is about sealed messages."""
    found = played(IgnoresNak(setup()), list(chosen(CASES, ["clock/nak-ahead"])))
    assert found["clock/nak-ahead"].verdict == "not-applicable"


def answered(case: str) -> bytes:
    """What the trial answers first in a case, to a sealed message."""
    (result,) = played(Panel(setup(KEY, None)), list(chosen(CASES, [case]))).values()
    return next(one.data for one in result.passed if one.way == "sent")


@pytest.mark.parametrize(
    ("case", "crc", "opens"),
    [
        ("message/ends-with-ack", True, True),
        ("replies/wrong-crc", False, True),
        ("replies/wrong-sequence", True, True),
        ("replies/other-key", True, False),
        ("replies/in-clear", True, False),
    ],
)
def test_answers_are_right_and_wrong_by_other_hands_than_ours(case: str, crc: bool, opens: bool) -> None:
    """CRC: `crccheck`. Seal: the `openssl` command, AES-128 in CBC, zero initial vector, no padding of its own."""
    raw = answered(case)
    body = raw[9:-1]
    assert (Crc16Arc.calc(body) == int(raw[1:5], 16)) is crc
    assert len(body) == int(raw[5:9], 16)
    inside = body.partition(b"[")[2].decode()
    sealed = bytes.fromhex(inside) if inside != "]" else b""
    command = ["openssl", "enc", "-d", "-aes-128-cbc", "-nopad", "-K", bytes(range(16)).hex(), "-iv", "00" * 16]
    opened = subprocess.run(command, input=sealed, capture_output=True, check=False).stdout if sealed else b""
    assert bool(re.fullmatch(rb"[^\[\]|]{1,16}\|\]_\d\d:\d\d:\d\d,\d\d-\d\d-\d{4}", opened, re.S)) is opens


# What is answered, and what is said aloud


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        ("WrongCrc", "it is damaged (sent"),
        ("OtherAccount", "it is of account 9999, not 4471 (see --account)"),
        ("SealsWithAnotherKey", "it does not open with the key that was given (see --key)"),
    ],
)
def test_what_is_damaged_or_of_another_account_or_does_not_open_gets_no_answer_and_that_is_said(
    broken: str, said: str
) -> None:
    (one,) = (one for one in BROKEN if one.__name__ == broken)
    panel, told = one(setup(KEY)), list[str]()
    stage = Stage(panel, panel.setup, told.append)
    found = list(run(CASES, stage, go_on=lambda: True))
    refused = {frame.raw for frame in stage.left}
    assert refused
    assert refused.isdisjoint(message.frame.raw for message in stage.heard)
    if not stage.heard:
        assert not any(passed.way == "sent" for result in found for passed in result.passed), "not one byte"
        assert panel.seconds < 10 * stage.setup.patience, "nothing comes of waiting longer"
    assert len([words for words in told if said in words]) == 1, "said once"


def test_what_is_sealed_gets_no_answer_where_no_key_was_given() -> None:
    panel = Panel(setup(KEY))
    panel.setup = setup(None)
    told = list[str]()
    stage = Stage(panel, panel.setup, told.append)
    found = list(run(CASES, stage, go_on=lambda: True))
    assert not any(passed.way == "sent" for result in found for passed in result.passed)
    assert "no key was given (see --key)" in told[0]
    assert {result.case.id for result in found if result.verdict == "holds"} <= {"message/envelope", "message/account"}


def test_a_fire_that_nobody_asked_for_is_told_at_once_and_kept() -> None:
    class Burns(Panel):
        """A right panel; in its third minute there is a fire."""

        burning = False

        def due(self) -> float:
            return super().due() if self.burning else min(super().due(), 150.0)

        def step(self) -> None:
            if self.seconds >= 150.0 and not self.burning:
                self.burning = True
                self.premises.say("ADM-CID", "1110 01 003")
            super().step()

    panel, told = Burns(setup()), list[str]()
    stage = Stage(panel, panel.setup, told.append)
    list(run(list(chosen(CASES, ["retries", "replies"])), stage))
    assert [words for words in told if "Fire" in words] == stage.unasked
    (words,) = stage.unasked
    assert "zone 003" in words


def test_a_right_panel_says_nothing_that_was_not_asked_for() -> None:
    panel = Panel(setup(), 2)
    stage = Stage(panel, panel.setup)
    list(run(CASES, stage))
    assert stage.unasked == []
    assert stage.left == []


def test_the_padding_is_found_behind_a_binary_crc_that_looks_like_a_bracket() -> None:
    raw = build("ADM-CID", 1, "4471", "1130 01 015", stamp=BEGINNING, key=KEY, pad=lambda count: b"p" * count)
    body = raw[9:-1]
    assert set(padding_of(b"\n[[" + raw[5:9] + body + b"\r", KEY)) == {ord("p")}


# Over real sockets


@contextmanager
def premises_on(targets: list[tuple[str, int]], kind: Any = "tcp", **habits: Any) -> Iterator[Callable[[], None]]:
    """Real premises on real sockets in a thread; what is given opens and closes a zone there."""
    loop = asyncio.new_event_loop()
    premises = Premises("4471", receivers=len(targets), **habits)
    outgoing = Outgoing(premises, targets, {"": kind})
    task = loop.create_task(outgoing.run())
    thread = threading.Thread(target=lambda: loop.run_until_complete(asyncio.wait([task])))
    thread.start()

    def act() -> None:
        premises.say("ADM-CID", "1130 01 015")
        premises.say("ADM-CID", "3130 01 015")
        outgoing.look()

    try:
        yield lambda: loop.call_soon_threadsafe(act) and None
    finally:
        loop.call_soon_threadsafe(task.cancel)
        thread.join()
        loop.run_until_complete(loop.shutdown_asyncgens())
        loop.close()


QUICK = [
    "retries/ends", "replies/wrong-crc", "replies/in-clear", "replies/trickle", "connection/closed-unanswered",
    "second/refused", "clock/nak-ahead", "message/envelope", "encryption/opens",
]  # fmt: skip


@pytest.mark.parametrize("kind", ["tcp", "udp"])
def test_over_real_sockets_a_right_panel_holds_as_well(kind: str) -> None:
    acts: list[Callable[[], None]] = []

    def asking(words: str, seconds: float) -> Any:
        acts[0]()
        return nullcontext()

    short = Setup("4471", KEY, wait=0.3, patience=5.0, least=0.2, most=2.0, later=5.0, still=0.1)
    ears = Ports([Place(ear, "127.0.0.1", 0, kind == "udp") for ear in (0, 1)], asking)
    try:
        targets = [(place.host, place.port) for place in ears.places]
        with premises_on(targets, kind, key=KEY, wait_seconds=0.3, pause_seconds=0.5, paths=(Route(),)) as act:
            acts.append(act)
            found = list(run(list(chosen(CASES, QUICK)), Stage(ears, short)))
    finally:
        ears.shut()
    assert [(one.case.id, one.why) for one in found if one.verdict in ("fails", "unclear")] == []
    beside = {one.case.id for one in found if one.verdict == "not-applicable"}
    assert beside == (set() if kind == "tcp" else {"replies/trickle", "connection/closed-unanswered"})


def test_a_command_can_stand_in_for_the_person_and_reports_are_written(tmp_path: Path, inside: Farend) -> None:
    """`--do`, `--report`, `--junit`, `--json` in one go, over real sockets; the panel looks for a file that is touched."""
    touched, page, xml = tmp_path / "now", tmp_path / "trial.html", tmp_path / "trial.xml"
    door = Ports([Place(0, "127.0.0.1", 0)], lambda words, seconds: nullcontext())
    port = door.places[0].port
    door.shut()
    done = threading.Event()
    with premises_on([("127.0.0.1", port)], wait_seconds=0.3, pause_seconds=0.2) as act:

        def watch() -> None:
            while not done.is_set():
                if touched.exists():
                    touched.unlink()
                    act()
                time.sleep(0.02)

        watcher = threading.Thread(target=watch)
        watcher.start()
        try:
            ended = inside(
                "trial", "panel", "--account", "4471", "--tcp", port, "--wait", "0.3", "--only", "message/[et]*",
                "--only", "replies/wrong-account", "--do", f"touch {touched}", "--report", str(page), "--junit", str(xml),
                "--json",
            )  # fmt: skip
        finally:
            done.set()
            watcher.join()
    assert ended.code == 0, ended.err
    *cases, head = ended.objects
    assert (head["trial"], head["fails"], head["unclear"], head["complete"]) == ("panel", 0, 0, True)
    assert "replies/wrong-account" in {case["case"] for case in cases}
    assert len(read(page).cases) == len(cases)
    assert 'name="wrong-account"' in xml.read_text()
    assert "nothing that it reports comes to anybody else" in ended.err


ONE_CASE = (
    *("trial", "panel", "--account", "4471", "--tcp", "0"),
    *("--patience", "1", "--wait", "0.1", "--only", "retries/ends"),
)


def test_on_the_command_line_nobody_coming_is_one_not_two_and_no_hang(inside: Farend) -> None:
    ended = inside(*ONE_CASE)
    assert ended.code == 1
    assert "no message came within 1 s" in ended.err
    assert "was not answered clearly" in ended.out.decode()


def test_a_command_that_fails_leaves_the_case_unclear_and_says_what_it_said(inside: Farend) -> None:
    ended = inside(*ONE_CASE, "--do", "ls no-such-file")
    assert ended.code == 1
    assert "the command failed (exit code 2: ls:" in ended.err
    assert "no message came" not in ended.err


def test_a_command_that_does_not_end_is_ended_and_holds_nothing_up(inside: Farend) -> None:
    began = time.monotonic()
    ended = inside(*ONE_CASE, "--do", "sleep 60")
    assert ended.code == 1
    assert "it had not ended after 1 s, and was ended" in ended.err
    assert time.monotonic() - began < 30


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_that_ends_it_is_like_ctrl_c_and_a_report_is_written(
    number: signal.Signals, tmp_path: Path, inside: Farend
) -> None:
    page = tmp_path / "trial.html"
    timer = threading.Timer(0.4, lambda: os.kill(os.getpid(), number))
    kept = signal.signal(number, lambda *_: None)  # where it comes too late it does not end the tests
    timer.start()
    try:
        ended = inside(
            "trial", "panel", "--account", "4471", "--tcp", "0", "--patience", "20", "--wait", "0.1",
            "--only", "retries/ends", "--report", str(page),
        )  # fmt: skip
    finally:
        timer.join()
        signal.signal(number, kept)
    assert ended.code == 1
    assert "it was stopped by hand" in (read(page).head["ended_why"])


def test_connections_beyond_what_can_be_kept_are_turned_away_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ears_module, "MOST_OPEN", 2)
    ears = Ports([Place(0, "127.0.0.1", 0)], lambda words, seconds: nullcontext())
    peers = [socket.create_connection(("127.0.0.1", ears.places[0].port)) for _ in range(3)]
    try:
        assert [one.what for one in iter(lambda: ears.arrived(0.2), None)] == ["opened", "opened"]
        assert ears.turned_away == 1
    finally:
        ears.shut()
        for peer in peers:
            peer.close()


def test_a_port_that_somebody_else_took_meanwhile_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ears_module, "PORT_SECONDS", 0.2)
    ears = Ports([Place(0, "127.0.0.1", 0)], lambda words, seconds: nullcontext())
    ears.listen(0, False)
    with (
        socket.create_server(("127.0.0.1", ears.places[0].port)),
        pytest.raises(OSError, match="was closed for a case and cannot be opened again: Address already in use"),
    ):
        ears.listen(0, True)
    ears.listen(0, True)
    ears.shut()


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (("--account", "4471", "--tcp", "0", "--patience", "inf"), "--patience"),
        (("--account", "4471", "--tcp", "0", "--wait", "inf"), "--wait"),
        (("--tcp", "0"), "--account"),
        (("--account", "44", "--tcp", "0"), "3 to 16 hex digits"),
        (("--account", "4471"), "--tcp PORT or --udp PORT"),
        (("--account", "4471", "--tcp", "70000"), "--tcp"),
        (("--account", "4471", "--tcp", "192.0.2.7:12009"), "no receiver can be here: TCP 192.0.2.7:12009"),
        (("--account", "4471", "--tcp", "0", "--only", "nothing/*"), "no case fits"),
        (("--account", "4471", "--tcp", "0", "--do", "no-such-command"), "no such command"),
        (("--account", "4471", "--tcp", "0", "--key", "12"), "--key"),
        (("--account", "4471", "--tcp", "0", "--report", "no/such/folder.html"), "--report"),
    ],
)
def test_what_cannot_run_ends_with_two_and_says_why(given: tuple[str, ...], said: str, inside: Farend) -> None:
    ended = inside("trial", "panel", *given)
    assert ended.code == 2
    assert said in ended.err
