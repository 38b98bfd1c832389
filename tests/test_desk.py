"""The desk's table: what came, what becomes of it, what is answered. Tried from the top; the first that fits decides."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.dc09 import build
from protocols.envelope import Piece, read_all, wrap
from protocols.seal import Key, seal
from receiver import book as books
from receiver.desk import Decision, Memory, OnTest, Origin, Policy, judge

NOW = datetime(2026, 11, 25, 12, 34, 56, tzinfo=UTC)
KEY = Key.from_hex("00112233445566778899AABBCCDDEEFF")
BOOK = books.parse(
    """
[[account]]
number = "4471"
name = "Tern Point field station"
[[account]]
number = "8C20"
name = "Harrow Lane pumping house"
key = "hex:00112233445566778899AABBCCDDEEFF"
[[account]]
number = "0930"
name = "Quarry Cottage"
answer = "on-test"
""",
    "book",
    Path(),
)


def clear(payload: str = "Nri1/BA15", *, account: str = "4471", sequence: int = 7, at: int | None = 0) -> bytes:
    stamp = None if at is None else NOW + timedelta(seconds=at)
    return build("SIA-DCS", sequence, account, payload, stamp=stamp)


def sealed(
    payload: str = "Nri1/BA15",
    *,
    account: str = "8C20",
    sequence: int = 7,
    at: int = 0,
    key: Key = KEY,
    token: str = "SIA-DCS",
) -> bytes:
    return build(token, sequence, account, payload, stamp=NOW + timedelta(seconds=at), key=key)


def sealed_as(content: str) -> bytes:
    return wrap(f'"*SIA-DCS"0007L0#8C20[{seal(KEY, content)}'.encode())


@dataclass
class Desk:
    """A desk with its memory, at a time that tests move by hand."""

    memory: Memory = field(default_factory=Memory)
    policy: Policy = field(default_factory=Policy)
    tick: float = 1000.0
    row: int = 0

    def judge(self, raw: bytes, line: str = "tcp", now: datetime = NOW) -> Decision:
        (piece,) = read_all(raw)
        self.row += 1
        return judge(
            piece,
            BOOK,
            self.memory,
            Origin(line, 1, "127.0.0.1", "x"),
            now,
            self.tick,
            row=self.row,
            policy=self.policy,
        )


S = "stale-clock"
U = "undecryptable"


@pytest.mark.clause("DC-09 damaged", code="receiver.desk.RULES", memory=True)
@pytest.mark.clause("DC-09 nak", code="receiver.desk.RULES", source="DC-09 5.5.3.2")
@pytest.mark.clause("DC-09 duh", code="receiver.desk.RULES", source="DC-09 5.5.3.3")
@pytest.mark.clause("DC-09 poll", code="receiver.desk.RULES", source="DC-09 5.5.2")
@pytest.mark.clause("DC-09 ack", code="receiver.desk.RULES", source="DC-09 5.5.3.1")
@pytest.mark.parametrize(
    ("what", "raw", "verdict", "reply"),
    [
        ("bytes outside any frame", b"hello", "noise", "none"),
        ("more than 4095 counted bytes, announced", b'\n00001041"SIA-DCS"0001L0#4471[]\r', "noise", "none"),
        ("more than 4095 counted bytes, reached", b"\n" + b"x" * 5000 + b"\r", "noise", "none"),
        ("a wrong crc", b"\n0000" + clear()[5:], "unreadable", "none"),
        ("a wrong length", clear()[:5] + b"0099" + clear()[9:], "unreadable", "none"),
        ("no envelope to read", b'\nhello"\r', "unreadable", "none"),
        ("account not in the book", clear(account="4417"), "unknown-account", "DUH"),
        ("a poll of an account not in the book", build("NULL", 0, "4417"), "unknown-account", "DUH"),
        ("answers only on test, and is not", clear(account="0930"), "held-back", "none"),
        ("its poll too", build("NULL", 0, "0930"), "held-back", "none"),
        ("encrypted, and there is no key", sealed(account="4471"), U, "DUH"),
        ("encrypted with another key", sealed(key=Key(bytes(16))), U, "DUH"),
        ("encrypted, cut to half a block", wrap(b'"*SIA-DCS"0007L0#8C20[0011'), U, "DUH"),
        ("in clear from an account with a key", clear(account="8C20"), "must-encrypt", "DUH"),
        ("its poll in clear too", build("NULL", 0, "8C20"), "must-encrypt", "DUH"),
        ("encrypted, without a stamp", sealed_as("#8C20|Nri1/BA15]"), S, "NAK"),
        ("encrypted, 21 s ahead", sealed(at=21), S, "NAK"),
        ("encrypted, 20 s ahead", sealed(at=20), "accepted", "ACK"),
        ("encrypted, 40 s behind", sealed(at=-40), "accepted", "ACK"),
        ("encrypted, 41 s behind", sealed(at=-41), S, "NAK"),
        (
            "an encrypted poll 41 s behind",
            build("NULL", 0, "8C20", stamp=NOW - timedelta(seconds=41), key=KEY),
            S,
            "NAK",
        ),
        ("encrypted, another account inside", sealed_as("#8C21|Nri1/BA15]_12:34:56,11-25-2026"), U, "DUH"),
        ("encrypted, no account inside", sealed_as("|Nri1/BA15]_12:34:56,11-25-2026"), "accepted", "ACK"),
        ("token not known", wrap(b'"XYZ"0007L0#4471[#4471|hello]'), "unsupported", "DUH"),
        ("token not known, encrypted", sealed(token="XYZ"), "unsupported", "DUH"),
        ("an answer where a message is due", wrap(b'"ACK"0007L0#4471[]'), "unsupported", "none"),
        ("an answer that names an account not in the book", wrap(b'"DUH"0007L0#4417[]'), "unsupported", "none"),
        ("a payload that cannot be read", clear("what?"), "unsupported", "DUH"),
        ("a poll", build("NULL", 0, "4471"), "poll", "ACK"),
        ("an encrypted poll", build("NULL", 0, "8C20", stamp=NOW, key=KEY), "poll", "ACK"),
        ("in clear, an hour behind", clear(at=-3600), "accepted", "ACK"),
        ("in clear, sequence 0000", clear(sequence=0), "accepted", "ACK"),
        ("in clear, an unknown code", clear("Nri1/ZQ1"), "accepted", "ACK"),
        ("in clear, account inside differs", wrap(b'"SIA-DCS"0007L0#4471[#4472|Nri1/BA15]'), "accepted", "ACK"),
        ("any other message of a known account", clear(), "accepted", "ACK"),
    ],
)
def test_what_came_what_becomes_of_it_and_what_is_answered(what: str, raw: bytes, verdict: str, reply: str) -> None:
    decision = Desk().judge(raw)
    assert (decision.verdict, decision.reply) == (verdict, reply), what


@pytest.mark.parametrize(
    ("raw", "rule"),
    [
        (clear(at=-3600), "bad-stamp"),
        (clear(sequence=0), "bad-sequence"),
        (clear("Nri1/ZQ1"), "unknown-code"),
        (wrap(b'"SIA-DCS"0007L0#4471[#4472|Nri1/BA15]'), "account-differs"),
    ],
)
def test_what_is_accepted_although_something_is_wrong_has_the_problem_named(raw: bytes, rule: str) -> None:
    assert [problem.rule for problem in Desk().judge(raw).frame.problems] == [rule]


def test_the_journal_failing_stops_every_answer_polls_too() -> None:
    desk = Desk(Memory(journal_failing=True))
    for raw in (clear(), sealed(), build("NULL", 0, "4471"), clear(account="4417")):
        assert (desk.judge(raw).verdict, desk.judge(raw).reply) == ("not-kept", "none")
    assert desk.judge(b"noise").verdict == "noise"


@pytest.mark.parametrize(("unknown", "reply"), [("duh", "DUH"), ("ack", "ACK"), ("silent", "none")])
def test_an_unknown_account_is_answered_as_asked(unknown: str, reply: str) -> None:
    desk = Desk(policy=Policy(unknown))  # type: ignore[arg-type]
    assert desk.judge(clear(account="4417")).reply == reply
    assert desk.judge(build("NULL", 0, "4417")).reply == reply


def test_an_unknown_account_that_encrypts_gets_no_clear_ack() -> None:
    """An ACK in clear is no answer to an encrypted message (DC-09, 5.5.3.1)."""
    assert Desk(policy=Policy("ack")).judge(sealed(account="4417")).reply == "DUH"


@pytest.mark.parametrize("number", ["", "#", "#44", "#12345678901234567", "#44G1"])
def test_a_message_without_an_account_that_could_be_echoed_gets_no_ack_from_anybody(number: str) -> None:
    """An account has 3 to 16 hex digits (from memory of DC-09); without it an ACK would name nobody."""
    frame = wrap(f'"SIA-DCS"0001L0{number}[|Nri1/BA15]'.encode())
    assert Desk(policy=Policy("ack")).judge(frame).reply == "DUH"


def test_an_account_on_test_is_answered_until_its_test_ends() -> None:
    desk = Desk()
    desk.memory.on_test["930"] = OnTest(NOW + timedelta(minutes=1))
    assert desk.judge(clear(account="0930")).reply == "ACK"
    assert desk.judge(clear(account="0930"), now=NOW + timedelta(minutes=2)).verdict == "held-back"


def test_after_the_clock_stepped_no_nak_carries_its_time() -> None:
    decision = Desk(Memory(clock_doubtful=True)).judge(sealed(at=-41))
    assert (decision.verdict, decision.reply) == (S, "none")


@pytest.mark.clause("DC-09 repeat", code="receiver.desk.message_of", source="DC-09, its author's answers")
def test_the_same_message_again_is_a_repeat_tied_to_the_first() -> None:
    desk = Desk()
    first = desk.judge(clear())
    again = desk.judge(clear(), line="udp")
    assert (first.verdict, first.sequence_note) == ("accepted", None)
    assert (again.verdict, again.reply, again.sequence_note, again.repeat_of) == ("repeat", "ACK", "repeat", 1)


def test_the_same_message_with_another_account_inside_is_no_repeat() -> None:
    desk = Desk()
    desk.judge(wrap(b'"SIA-DCS"0007L0#4471[#4471|Nri1/FA15]'))
    other = desk.judge(wrap(b'"SIA-DCS"0007L0#4471[#4472|Nri1/FA15]'))
    assert (other.verdict, other.sequence_note) == ("accepted", "reused")


def test_one_test_does_not_open_another_house_of_the_same_number() -> None:
    book = books.parse(
        "".join(
            f'[[account]]\nnumber = "4471"\nname = "x"\nprefix = "{prefix}"\nanswer = "on-test"\n' for prefix in (1, 2)
        ),
        "book",
        Path(),
    )
    memory = Memory()
    memory.on_test[book.accounts[0].mark] = OnTest(NOW + timedelta(hours=1))
    verdicts = [
        judge(
            Piece("frame", raw := build("SIA-DCS", 7, "4471", "Nri1/FA1", prefix=prefix), len(raw)),
            book,
            memory,
            Origin("tcp", 1, "127.0.0.1", "x"),
            NOW,
            0.0,
        ).verdict
        for prefix in ("1", "2")
    ]
    assert verdicts == ["accepted", "held-back"]


@pytest.mark.clause("DC-09 repeat", code="receiver.desk.message_of", memory=True)
def test_an_encrypted_repeat_is_known_by_its_opened_data() -> None:
    desk = Desk()
    one, two = sealed(at=0), sealed(at=10)
    assert one != two
    assert [desk.judge(one).verdict, desk.judge(two).verdict] == ["accepted", "repeat"]


def test_a_repeat_is_one_only_within_its_time() -> None:
    desk = Desk()
    desk.judge(clear())
    desk.tick += 119
    assert desk.judge(clear()).verdict == "repeat"
    desk.tick += 2
    much_later = desk.judge(clear())
    assert (much_later.verdict, much_later.sequence_note) == ("accepted", "reused")


@pytest.mark.clause("DC-09 sequence order", code="receiver.desk.sequence_note", source="DC-09, its author's answers")
@pytest.mark.parametrize(
    ("before", "then", "note"),
    [
        (7, 8, None),
        (9999, 1, None),
        (7, 7, "reused"),
        (7, 12, "gap"),
        (9998, 3, "gap"),
        (7000, 1, "restart"),
        (50, 2, "restart"),
        (500, 300, "gap"),
    ],
)
def test_how_a_number_follows_the_last_one(before: int, then: int, note: str | None) -> None:
    """A number out of order is no error (the standard's author): it is accepted, and told."""
    desk = Desk()
    desk.judge(clear("Nri1/BA15", sequence=before))
    decision = desk.judge(clear("Nri1/BR15", sequence=then))
    assert (decision.verdict, decision.sequence_note) == ("accepted", note)


@pytest.mark.clause("DC-09 poll sequence", code="receiver.desk.sequence_note", memory=True)
def test_polls_and_refused_messages_stay_out_of_the_count() -> None:
    desk = Desk()
    desk.judge(clear(sequence=7))
    desk.judge(build("NULL", 0, "4471"))
    desk.judge(clear("what?", sequence=90))
    assert desk.judge(clear("Nri1/BR15", sequence=8)).sequence_note is None


@given(st.lists(st.tuples(st.integers(1, 12), st.sampled_from(("Nri1/BA15", "Nri1/BR15"))), min_size=1, max_size=12))
def test_what_is_forgotten_newest_first_leaves_the_memory_as_it_was(said: list[tuple[int, str]]) -> None:
    """A commit that fails takes back everything that waited for it: the panel's next try is new again."""
    desk = Desk()
    desk.judge(clear("Nri1/FA1", sequence=5))
    known = desk.memory.of(BOOK.accounts[0])
    before = (known.last, dict(known.recent))
    decisions = [desk.judge(clear(payload, sequence=sequence)) for sequence, payload in said]
    for decision in reversed(decisions):
        decision.not_kept()
    assert (known.last, dict(known.recent)) == before
    assert {(decision.verdict, decision.reply) for decision in decisions} == {("not-kept", "none")}


@pytest.mark.parametrize(
    ("payload", "refused"),
    [
        ("Nri1/FA1", True),
        ("Nri1/GA1", True),
        ("Nri1/MA1", True),
        ("Nri1/PA1", True),
        ("Nri1/BA1", True),
        ("Nri1/RP0", False),
    ],
)
def test_a_readable_alarm_without_an_ack_is_told_loudly(payload: str, refused: bool) -> None:
    for raw in (clear(payload, account="4417"), clear(payload, account="8C20"), b"\n0000" + clear(payload)[5:]):
        decision = Desk().judge(raw)
        assert decision.reply != "ACK"
        assert decision.refused_alarm is refused
        assert bool(decision.warning) is refused


def test_an_accepted_alarm_of_an_account_that_is_not_on_test_is_told_too() -> None:
    desk = Desk()
    assert desk.judge(clear("Nri1/FA1")).warning == "answered here and nowhere else: is this real?"
    desk.memory.on_test["4471"] = OnTest(NOW + timedelta(hours=1))
    assert desk.judge(clear("Nri1/FA1", sequence=8)).warning is None


@pytest.mark.clause("DC-03 old event", code="protocols.values.Frame.from_memory", memory=True)
def test_old_events_are_marked_as_from_the_panels_memory() -> None:
    old = build("SIA-DCS", 7, "4471", "Nri1/BA15", extended=[("H", "09:00:00,11-25-2026")])
    assert Desk().judge(old).frame.signals[0].from_memory
    assert Desk().judge(clear("Ori1/BA15")).frame.signals[0].from_memory
    assert not Desk().judge(clear("Nri1/BA15")).frame.signals[0].from_memory


@given(st.binary(max_size=400))
def test_any_piece_at_all_gets_a_verdict(data: bytes) -> None:
    for piece in [*read_all(data), Piece("frame", data, len(data))]:
        decision = judge(piece, BOOK, Memory(), Origin("tcp", 1, "x", "x"), NOW, 0.0)
        assert decision.verdict in ("noise", "unreadable", "unknown-account")
