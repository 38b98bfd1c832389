"""Cases of a trial of a receiver that no list of messages can tell: clocks, damage, connections, datagrams, endurance.

What a right receiver may do is never held against it: it may close a connection after an answer (`Talk` opens it anew), it
may close on noise, and it may answer pipelined messages in another order. What is merely worth knowing is noted.
"""

import re
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from functools import partial
from typing import Any

from protocols.dc09 import decode, write_stamp
from protocols.envelope import MOST_COUNTED, wrap
from protocols.exchange import Heard, Word, belongs
from protocols.seal import BLOCK, Key
from receiver.trial.case import PRACTICE, Case, beside, fails
from receiver.trial.stage import Known, Said, Stage, Talk, in_words
from receiver.wire import Kind

CASES: list[Case[Stage]] = []
STREAMS: tuple[Kind, ...] = ("tcp", "tls")
CLOCK_SECONDS = 3  # how far two readings of one clock may be apart: whole seconds, read twice, and the way there

Play = Callable[[Stage], Iterable[str] | None]


def case(
    id: str, clause: str, does: str, must: str, may: str = "", over: Sequence[Kind] = ()
) -> Callable[[Play], Play]:
    """Make a case of a function; `over` names the lines that it is about."""

    def made(play: Play) -> Play:
        def limited(stage: Stage) -> Iterable[str] | None:
            stage.only_over(*over)
            return play(stage)

        CASES.append(Case(id, clause, does, must, limited if over else play, may))
        return play

    return made


# ---- what cases share ----------------------------------------------------------------------------------------------------


def _fresh(stage: Stage, why: str = "it must take another connection") -> Talk:
    """A new connection, which must not be refused."""
    try:
        return stage.open()
    except OSError as error:
        fails(f"{why}; {error.strerror or error}")


def _two(stage: Stage) -> tuple[Known, Known]:
    if len(stage.setup.accounts) < 2:
        beside("a single account was given")
    one, other = stage.setup.accounts[:2]
    return one, other


def _altered(said: Said, change: Callable[[str], str]) -> Said:
    """A message whose counted text was changed and wrapped again, so that CRC and length are right."""
    data = wrap(change(said.data[9:-1].decode("latin-1")).encode("latin-1"))
    return Said(data, decode(data, said.known.key), said.known)


def _stamp(heard: Heard | None) -> datetime:
    assert heard is not None  # `expect` gives None only where silence was allowed
    assert heard.frame.stamp is not None  # a NAK, or an encrypted ACK: they belong only with a stamp
    return heard.frame.stamp


def _opened(heard: Heard | None, key: Key | None) -> bytes:
    """The plain bytes of an encrypted answer, padding and all."""
    assert heard is not None
    assert key is not None
    digits = heard.frame.raw[9:-1].partition(b"[")[2]
    return key.decrypt(bytes.fromhex(digits.decode("latin-1")))


def _seconds(apart: timedelta) -> str:
    return f"{abs(apart.total_seconds()):g} s"


def _noted(heard: Heard | None) -> str:
    return f"it answered {heard.word}" if heard else "it gave no answer"


def _not_acked(talk: Talk, said: Said) -> list[str]:
    """A message that nobody can read: DUH, NAK or silence may answer it, and the receiver must go on answering."""
    heard = talk.tell(said, "DUH", "NAK", "silence", why="what cannot be read must not be acknowledged")
    if heard is None:
        talk.control()
    return [_noted(heard)]


def _all_acked(talk: Talk, said: Sequence[Said], wait: float) -> list[str]:
    """Each of these outstanding messages must be acknowledged, in whatever order."""
    due, in_order = list(said), True
    while due:
        try:
            piece = talk.next(wait)
        except (EOFError, OSError):
            if len(due) == len(said):
                fails(f"{len(said)} ACKs are due; it closed the connection instead")
            talk.anew()
            for one in due:
                talk.tell(one, "ACK", why="what was not answered before it closed the connection is sent again")
            return [f"it closed the connection after {len(said) - len(due)} of {len(said)} answers"]
        if piece is None:
            fails(f"{len(said)} messages were sent; {len(due)} of them got no answer within {wait:g} s")
        heard = next(
            (one for one in due if belongs(decode(piece, one.known.key), one.frame).word == "ACK"),
            None,
        )
        if heard is None:
            fails(f"an ACK is due; {in_words(decode(piece))} came that belongs to none of the {len(due)} messages due")
        in_order &= heard is due[0]
        due.remove(heard)
    return [] if in_order else ["the answers came in another order than the messages"]


def _times(seconds: list[float]) -> str:
    ranked = sorted(seconds)
    half, most = ranked[len(ranked) // 2], ranked[min(len(ranked) * 99 // 100, len(ranked) - 1)]
    return f"answer time of {len(ranked)} messages: p50 {half * 1000:.1f} ms, p99 {most * 1000:.1f} ms"


# ---- stamps --------------------------------------------------------------------------------------------------------------


def _nak(stage: Stage, talk: Talk, stamp: float) -> datetime:
    return _stamp(talk.tell(stage.message(stage.account("sealed"), stamp=stamp), "NAK"))


@case(
    "stamps/year-behind", "DC-09 5.5.3.2", "Sends an encrypted message whose stamp is of this day and time a year ago.",
    "A NAK in clear, with the receiver's time.",
)  # fmt: skip
def year_behind(stage: Stage) -> None:
    now = stage.clock
    stamp = now.replace(year=now.year - 1, day=28 if (now.month, now.day) == (2, 29) else now.day)
    said = stage.message(stage.account("sealed"), stamp=write_stamp(stamp))
    stage.open().tell(said, "NAK")


@case(
    "stamps/nak-form", "DC-09 5.5.3.2", "Sends an encrypted message with an old stamp and reads the NAK byte by byte.",
    "One NAK in clear with the receiver's time.", "A head other than 0000R0L0A0, or something between the brackets: noted.",
)  # fmt: skip
def nak_form(stage: Stage) -> Iterable[str]:
    talk, said = stage.open(), stage.message(stage.account("sealed"), stamp=-600)
    heard = talk.tell(said, "NAK")
    talk.silence(said, "one message gets one answer")
    text = heard.frame.raw[9:-1].decode("latin-1") if heard else ""
    head, _, rest = text.removeprefix('"NAK"').partition("[")
    if head != "0000R0L0A0":
        yield f"its head is {head!r}; NAKs in the field have 0000R0L0A0"
    if not rest.startswith("]_"):
        yield f"between its brackets stands {rest.partition(']')[0]!r}"


@case(
    "stamps/nak-time", "DC-09 5.5.3.2",
    "Sends two encrypted messages, one an hour behind and one a day ahead, and compares the times in the NAKs.",
    f"Both say the receiver's own time, {CLOCK_SECONDS} s apart at most, whatever the messages said.",
)  # fmt: skip
def nak_time(stage: Stage) -> None:
    talk = stage.open()
    one, other = _nak(stage, talk, -3600), _nak(stage, talk, 86400)
    if abs(other - one) > timedelta(seconds=CLOCK_SECONDS):
        fails(f"the two NAKs came one after the other, and their times are {_seconds(other - one)} apart")
    if abs(apart := other - stage.clock) > timedelta(seconds=CLOCK_SECONDS):
        fails(f"its time is {_seconds(apart)} from what its clock said when the trial began")


@case(
    "stamps/nak-clock-runs", "DC-09 5.5.3.2", "Has two NAKs sent 2.2 s apart.",
    "The second says a later time: a panel sets its clock by it.",
)  # fmt: skip
def nak_clock_runs(stage: Stage) -> None:
    talk = stage.open()
    one = _nak(stage, talk, -3600)
    stage.sleep(2.2)
    other = _nak(stage, talk, -3600)
    if not timedelta(seconds=1) <= other - one <= timedelta(seconds=2.2 + CLOCK_SECONDS):
        fails(f"in 2.2 s the time in its NAKs went on by {(other - one).total_seconds():g} s")


@case(
    "stamps/nak-then-right", "DC-09 5.5.3.2*",
    "Sends an encrypted message ten minutes behind; sets its clock by the NAK, and sends the message again.",
    "A NAK, then an ACK to the same message under the same sequence number.",
)  # fmt: skip
def nak_then_right(stage: Stage) -> None:
    talk, account = stage.open(), stage.account("sealed")
    sequence = stage.setup.next_sequence(account.number)
    heard = talk.tell(stage.message(account, sequence=sequence, stamp=-600), "NAK")
    again = stage.message(account, sequence=sequence, stamp=write_stamp(_stamp(heard)))
    talk.tell(again, "ACK", why="the message is sent again with the time that the NAK gave")


@case(
    "stamps/replayed", "DC-09 5.5.3.2*",
    "Sends an encrypted message 37 s behind, and the very same bytes 6 s later, as somebody would who recorded them.",
    "An ACK, then a NAK: by then the stamp is out of the window.",
)  # fmt: skip
def replayed(stage: Stage) -> None:
    talk, said = stage.open(), stage.message(stage.account("sealed"), stamp=-37)
    talk.tell(said, "ACK")
    stage.sleep(6)
    talk.tell(said, "NAK", why="43 s behind is out of the window, also for what was acknowledged before")


# ---- encryption ----------------------------------------------------------------------------------------------------------


@case(
    "encryption/ack-stamp", "DC-09 5.5.3.1", "Sends an encrypted message and reads the stamp inside the ACK.",
    f"It is the receiver's own time, to {CLOCK_SECONDS} s.", "Something between the brackets of the ACK: noted.",
)  # fmt: skip
def ack_stamp(stage: Stage) -> Iterable[str]:
    account = stage.account("sealed")
    heard = stage.open().tell(stage.message(account, stamp=-20), "ACK")
    if abs(apart := _stamp(heard) - stage.clock) > timedelta(seconds=CLOCK_SECONDS):
        fails(f"the stamp in its ACK is {_seconds(apart)} from its own clock, as its NAKs told it")
    if heard and heard.frame.data:
        yield f"between the brackets of its ACK stands {heard.frame.data!r}"


@case(
    "encryption/ack-padding", PRACTICE, "Sends one encrypted message eight times and opens the ACKs.",
    "Legal padding that is not the same each time: with a zero initial vector nothing else keeps equal answers apart.",
)  # fmt: skip
def ack_padding(stage: Stage) -> None:
    talk, account = stage.open(), stage.account("sealed")
    said = stage.message(account)
    heard = [talk.tell(said, "ACK") for _ in range(8)]
    if len({_opened(one, account.key).partition(b"|")[0] for one in heard}) == 1:
        fails("eight ACKs had the very same padding")


@case(
    "encryption/ack-later-stamp", "DC-09 5.5.3.1", "Sends an encrypted message, and the very same bytes 1.5 s later.",
    "The second ACK is written anew, with the time of its own.",
)  # fmt: skip
def ack_later_stamp(stage: Stage) -> None:
    talk, said = stage.open(), stage.message(stage.account("sealed"))
    one = _stamp(talk.tell(said, "ACK"))
    stage.sleep(1.5)
    if _stamp(talk.tell(said, "ACK")) <= one:
        fails("the ACK to a repeat 1.5 s later has the stamp of the first")


def _padded(count: int, stage: Stage) -> None:
    account = stage.account("sealed")
    # The longer the text, the less padding it needs; one of sixteen lengths needs this many bytes.
    for fill in range(BLOCK):
        said = stage.message(account, extended=["I" + "TEST REPORT AGAIN"[: fill + 1]])
        if said.frame.padding == count:
            stage.open().tell(said, "ACK")
            return
    raise AssertionError(count)


for _count in range(1, BLOCK + 1):
    case(
        f"encryption/padding-{_count}", "DC-09 5.4.6*",
        f"Sends an encrypted message of a length that needs {_count} byte{'s' * (_count > 1)} of padding"
        f"{', having filled its blocks without' if _count == BLOCK else ''}.",
        "An encrypted ACK.",
    )(partial(_padded, _count))  # fmt: skip


def _illegal_count(count: int, stage: Stage) -> Iterable[str]:
    """Padding of 0 or 17 to 32 bytes, in whole blocks all the same: nobody who reads 1 to 16 need take it."""
    account, talk = stage.account("sealed"), stage.open()
    for fill in range(BLOCK):
        field = ["I" + "TEST REPORT AGAIN"[: fill + 1]]
        if stage.message(account, extended=field).frame.padding == BLOCK:
            said = stage.message(account, extended=field, pad=lambda due: b"." * count)
            heard = talk.tell(said, "ACK", "NAK", "DUH", "silence")
            talk.tell(stage.message(account), "ACK", why="a right message afterwards must get its ACK")
            return [_noted(heard)]
    raise AssertionError(count)


for _count, _words in ((0, "no padding at all"), (32, "a block of padding too many")):
    case(
        f"encryption/pad-of-{_count}-bytes", "DC-09 5.4.6*",
        f"Sends an encrypted message with {_words}, then a right one.",
        "An ACK to the second message. The first is the panel's fault.",
        "ACK, NAK, DUH or no answer to the first: noted.",
    )(partial(_illegal_count, _count))  # fmt: skip


def _damaged(change: Callable[[bytearray, int], bytes | str], stage: Stage) -> list[str]:
    """An encrypted message whose ciphertext is damaged past reading must not be acknowledged."""
    account = stage.account("sealed")
    for _ in range(64):  # CBC turns a block into anything, now and then into something readable
        said = stage.message(account)
        # Where the ] stands in the opened blocks: after padding, |, and the data.
        bracket = (said.frame.padding or 0) + 1 + (said.frame.content or "").index("]")

        def altered(text: str, bracket: int = bracket) -> str:
            head, _, digits = text.partition("[")
            changed = change(bytearray.fromhex(digits), bracket)
            return f"{head}[{changed if isinstance(changed, str) else changed.hex().upper()}"

        bad = _altered(said, altered)
        if bad.frame.has("decrypt-failed"):
            break
    else:
        raise AssertionError("the damage can be read past")
    return _not_acked(stage.open(), bad)


def _flipped(blocks: bytearray, at: int, bit: int = 1) -> bytes:
    blocks[at] ^= bit
    return bytes(blocks)


DAMAGE: dict[str, tuple[str, Callable[[bytearray, int], bytes | str]]] = {
    "flip-in-last-block": ("one bit of its last block flipped, so that the stamp is lost",
                           lambda blocks, _: _flipped(blocks, -1)),
    "flip-in-stamp": ("one bit flipped that makes a letter of a digit of the stamp",
                      lambda blocks, _: _flipped(blocks, -BLOCK - 1, 0x40)),
    "flip-in-bracket": ("one bit flipped that takes away the ] after the data and garbles what stands before it",
                        lambda blocks, bracket: _flipped(blocks, bracket - BLOCK)),
    "block-missing": ("its last block missing", lambda blocks, _: bytes(blocks[:-BLOCK])),
    "half-block-missing": ("half a block missing", lambda blocks, _: bytes(blocks[: -BLOCK // 2])),
    "digit-missing": ("one hex digit missing", lambda blocks, _: blocks.hex().upper()[:-1]),
    "not-hex": ("a letter among its hex digits that is none", lambda blocks, _: blocks.hex().upper()[:-1] + "G"),
    "nothing-inside": ("nothing after the [", lambda blocks, _: ""),
    "blocks-exchanged": ("its last two blocks exchanged",
                         lambda blocks, _: bytes(blocks[: -2 * BLOCK] + blocks[-BLOCK:] + blocks[-2 * BLOCK : -BLOCK])),
    "one-block": ("only its first block", lambda blocks, _: bytes(blocks[:BLOCK])),
}  # fmt: skip
for _name, (_words, _change) in DAMAGE.items():
    case(
        f"encryption/{_name}", "DC-09 5.5.3.3*",
        f"Sends an encrypted message with {_words}; CRC and length are right.",
        "No ACK: nobody can read it.", "DUH, NAK or no answer: noted.",
    )(partial(_damaged, _change))  # fmt: skip


@case(
    "encryption/lower-case-hex", "DC-09 5.4.6*", "Sends an encrypted message in lower-case hex digits, then a right one.",
    "If there is an answer, it belongs to the message; an ACK to the second.", "ACK, DUH or no answer to the first: noted.",
)  # fmt: skip
def lower_case_hex(stage: Stage) -> list[str]:
    def lower(text: str) -> str:
        head, bracket, digits = text.partition("[")
        return head + bracket + digits.lower()

    talk, account = stage.open(), stage.account("sealed")
    heard = talk.tell(_altered(stage.message(account), lower), "ACK", "DUH", "silence")
    talk.tell(stage.message(account), "ACK")
    return [_noted(heard)]


@case(
    "encryption/star-in-clear", "DC-09 5.5.3.3*",
    "Sends a message in clear whose token says with * that it is encrypted.",
    "No ACK: nothing was encrypted, so nobody proved to hold the key.", "DUH, NAK or no answer: noted.",
)  # fmt: skip
def star_in_clear(stage: Stage) -> list[str]:
    talk, account = stage.open(), stage.account("sealed")
    said = _altered(stage.message(account, key=None), lambda text: '"*' + text[1:])
    return _not_acked(talk, said)


@case(
    "encryption/star-missing", "DC-09 5.5.3.3*", "Sends an encrypted message whose token lacks the *.",
    "No ACK: as a message in clear it says nothing.", "DUH, NAK or no answer: noted.",
)  # fmt: skip
def star_missing(stage: Stage) -> list[str]:
    talk, account = stage.open(), stage.account("sealed")
    said = _altered(stage.message(account), lambda text: '"' + text[2:])
    return _not_acked(talk, said)


@case(
    "encryption/key-of-another", "DC-09 5.5.3.3*",
    "Sends a message of one account, encrypted with the key of another that the receiver knows as well.",
    "No ACK: each account has its own key.", "DUH, NAK or no answer: noted.",
)  # fmt: skip
def key_of_another(stage: Stage) -> list[str]:
    keyed = [one for one in stage.setup.accounts if one.key]
    if len(keyed) < 2:
        beside("fewer than two accounts with a key were given")
    talk, said = stage.open(), stage.message(keyed[1], key=keyed[0].key)
    if not decode(said.data, keyed[1].key).has("decrypt-failed"):
        beside("the two accounts have the same key")
    return _not_acked(talk, said._replace(frame=decode(said.data, keyed[1].key)))


@case(
    "encryption/accounts-in-turn", "DC-09 5.5.3.1", "Sends encrypted messages of each account with a key in turn, twice.",
    "An ACK to each, sealed with the key of its own account.",
)  # fmt: skip
def accounts_in_turn(stage: Stage) -> None:
    keyed = [one for one in stage.setup.accounts if one.key]
    if len(keyed) < 2:
        beside("fewer than two accounts with a key were given")
    talk = stage.open()
    for one in [*keyed, *keyed]:
        talk.tell(stage.message(one), "ACK")


def _longest(stage: Stage, account: Known) -> Said:
    """The longest message of an account, filled up by a text in extended data."""
    room = MOST_COUNTED - (stage.message(account, extended=["I"]).frame.length_counted or 0)
    fill = room // (2 * BLOCK) * BLOCK if account.key else room
    return stage.message(account, extended=["I" + ("TEST REPORT " * 400)[:fill]])


@case(
    "encryption/longest", "DC-09 5.5.1*", "Sends the longest encrypted message that 0LLL can count, nearly 4095 bytes.",
    "An encrypted ACK.",
)  # fmt: skip
def longest_sealed(stage: Stage) -> None:
    stage.open().tell(_longest(stage, stage.account("sealed")), "ACK")


# ---- polls ---------------------------------------------------------------------------------------------------------------


@case(
    "polls/two-accounts", "DC-09 5.5.2", "Sends polls of two accounts in turn on one connection, three times.",
    "An ACK to each with its own account.",
)  # fmt: skip
def polls_of_two(stage: Stage) -> None:
    accounts, talk = _two(stage), stage.open()
    for one in accounts * 3:
        talk.tell(stage.poll(one), "ACK")


@case(
    "polls/fifty-in-a-row", "DC-09 5.5.2", "Sends fifty polls in clear, each when the one before is answered.",
    "An ACK to each.",
)  # fmt: skip
def fifty_polls(stage: Stage) -> None:
    talk, account = stage.open(), stage.account()
    for _ in range(50):
        talk.tell(stage.poll(account), "ACK")


@case(
    "polls/in-one-segment", "DC-09 5.5.2*", "Sends a poll, a message and a poll in one segment.",
    "An ACK to each.", "Another order: noted.", over=STREAMS,
)  # fmt: skip
def polls_in_one_segment(stage: Stage) -> list[str]:
    talk = stage.open()
    said = [stage.poll(), stage.message(), stage.poll(_two(stage)[1])]
    talk.send(b"".join(one.data for one in said))
    return _all_acked(talk, said, stage.setup.wait)


@case(
    "polls/unknown-account", "DC-09 5.5.3.3*", "Sends a poll of an account that the receiver does not know.",
    "If there is an answer, it belongs to the poll; right polls go on being acknowledged.",
    "DUH, ACK or no answer: noted.",
)  # fmt: skip
def poll_of_unknown(stage: Stage) -> list[str]:
    talk = stage.open()
    heard = talk.tell(stage.poll(Known(stage.setup.unknown)), "DUH", "ACK", "silence")
    talk.tell(stage.poll(), "ACK")
    return [_noted(heard)]


# ---- replies -------------------------------------------------------------------------------------------------------------


def _once(word: Word, given: dict[str, Any], stage: Stage) -> None:
    talk, said = stage.open(), stage.message(stage.account(given["account"]), **given["message"])
    talk.tell(said, word)
    talk.silence(said, "one message gets one answer and not a byte more")


ONCE: dict[str, tuple[str, Word, dict[str, Any]]] = {
    "answer": ("a message in clear", "ACK", {"account": "any", "message": {}}),
    "sealed-ack": ("an encrypted message", "ACK", {"account": "sealed", "message": {}}),
    "poll": ("a poll", "ACK", {"account": "any", "message": {"token": "NULL"}}),
    "nak": ("an encrypted message with an old stamp", "NAK", {"account": "sealed", "message": {"stamp": -600}}),
    "duh": ("a message under a token that does not exist", "DUH", {"account": "any", "message": {"token": "QXZ-TST"}}),
}
for _name, (_words, _word, _given) in ONCE.items():
    case(
        f"replies/one-{_name}", "DC-09 5.5.3*", f"Sends {_words} and goes on listening.",
        f"One {_word}, from LF to CR, and not a byte after it.",
    )(partial(_once, _word, _given))  # fmt: skip


@case(
    "replies/ack-form", "DC-09 5.5.3.1*", "Sends a message in clear and reads the ACK byte by byte.",
    "LF, CRC, 0LLL, the ACK with what it says back, [], CR.", "Lower-case hex digits, or a stamp: noted.",
)  # fmt: skip
def ack_form(stage: Stage) -> Iterable[str]:
    heard = stage.open().tell(stage.message(stage.account("clear")), "ACK")
    raw = heard.frame.raw if heard else b""
    if not re.fullmatch(rb'\n[0-9A-Fa-f]{4}0[0-9A-Fa-f]{3}"ACK"[^\[\]]*\[\](_[^\[\]]*)?\r', raw):
        fails("""its ACK is not LF, four CRC digits, 0 and three length digits, "ACK", what it says back, [] and CR""")
    if raw[1:9] != raw[1:9].upper():
        yield "CRC or length in lower-case hex digits"
    if not raw.endswith(b"[]\r"):
        yield "a stamp in an ACK in clear"


@case(
    "replies/own-ack-sent-back", PRACTICE, "Has an encrypted ACK sent, and sends it back.",
    "No answer: an answer is not answered, or two receivers go on for ever.", "A DUH: noted.",
)  # fmt: skip
def own_ack_sent_back(stage: Stage) -> Iterable[str]:
    talk, said = stage.open(), stage.message(stage.account("sealed"))
    heard = talk.tell(said, "ACK")
    own = said._replace(data=heard.frame.raw, frame=heard.frame) if heard else said
    talk.send(own, "its own answer, sent back")
    try:
        back = talk.answer(own, stage.setup.quiet)
    except (EOFError, OSError):
        back = None
    if back and back.frame.token != "DUH":
        fails(f"an answer is not answered; {in_words(back.frame)} came")
    talk.control()
    if back:
        yield "it answered DUH"


@case(
    "replies/bad-then-right", "DC-09 5.5.1*",
    "Sends a message whose CRC is wrong and, without waiting, a right one with another number.",
    "One answer: the ACK to the second.", "Closing at the first: noted.",
)  # fmt: skip
def bad_then_right(stage: Stage) -> list[str]:
    talk, bad, said = stage.open(), stage.message(crc="wrong"), stage.message()
    talk.send(bad)
    talk.send(said)
    try:
        heard = talk.answer(said)
    except (EOFError, OSError):
        _fresh(stage).tell(said, "ACK")
        return ["it closed the connection"]
    if heard is None or heard.word != "ACK":
        fails(f"one ACK to the second message is due; {in_words(heard.frame) if heard else 'nothing'} came")
    talk.silence(said, "the first message gets no answer")
    return []


# ---- TCP and TLS ---------------------------------------------------------------------------------------------------------


@case(
    "tcp/reopened-a-hundred-times", "DC-09 5.2*", "Opens a connection for each of a hundred messages and closes it after.",
    "An ACK on each.", over=STREAMS,
)  # fmt: skip
def reopened(stage: Stage) -> None:
    for count in range(100):
        talk = _fresh(stage, f"connection {count + 1} of 100 must be taken")
        talk.tell(stage.message(), "ACK", why=f"an ACK is due on connection {count + 1} of 100")
        talk.close()


@case(
    "tcp/never-spoken", PRACTICE, "Opens and closes thirty connections without a byte, as a health check does.",
    "A message afterwards gets its ACK.", over=STREAMS,
)  # fmt: skip
def never_spoken(stage: Stage) -> None:
    for _ in range(30):
        _fresh(stage).close()
    _fresh(stage).tell(stage.message(), "ACK")


@case(
    "tcp/left-open", PRACTICE, "Leaves thirty connections open in silence, and sends a message on one more.",
    "An ACK: who says nothing keeps nobody out.", over=STREAMS,
)  # fmt: skip
def left_open(stage: Stage) -> None:
    for _ in range(30):
        _fresh(stage)
    _fresh(stage).tell(stage.message(), "ACK")


@case(
    "tcp/half-closed", PRACTICE, "Sends a message, closes its half of the connection, and listens.",
    "The ACK: the message had arrived.", over=("tcp",),
)  # fmt: skip
def half_closed(stage: Stage) -> None:
    talk, said = stage.open(), stage.message()
    talk.send(said)
    talk.finish()
    talk.expect(said, "ACK")


@case(
    "tcp/half-closed-in-a-frame", "DC-09 5.5.1*", "Sends half a message and closes its half of the connection.",
    "No answer; a message on a new connection gets its ACK.", over=("tcp",),
)  # fmt: skip
def half_closed_in_a_frame(stage: Stage) -> None:
    talk, said = stage.open(), stage.message()
    talk.send(said.data[: len(said.data) // 2])
    talk.finish()
    talk.silence(said, "half a message gets no answer")
    _fresh(stage).tell(said, "ACK")


@case(
    "tcp/slow-beside-others", PRACTICE, "Leaves a message half sent on one connection and sends another on a second.",
    "An ACK on the second at once, and on the first when the rest has come.", over=STREAMS,
)  # fmt: skip
def slow_beside_others(stage: Stage) -> None:
    slow_one, half = stage.open(), stage.message()
    slow_one.send(half.data[:30])
    _fresh(stage).tell(stage.message(), "ACK", why="another connection must not wait for the first")
    slow_one.send(half.data[30:])
    slow_one.expect(half, "ACK")


@case(
    "tcp/twenty-without-waiting", PRACTICE, "Sends twenty messages one after the other without waiting for an answer.",
    "An ACK to each.", "Another order, or closing after an answer: noted.", over=STREAMS,
)  # fmt: skip
def twenty_without_waiting(stage: Stage) -> list[str]:
    talk, said = stage.open(), [stage.message() for _ in range(20)]
    for one in said:
        talk.send(one)
    return _all_acked(talk, said, stage.setup.wait)


@case(
    "tcp/sealed-in-one-segment", "DC-09 5.5.1*", "Sends ten encrypted messages in one segment.", "An encrypted ACK to each.",
    "Another order, or closing after an answer: noted.", over=STREAMS,
)  # fmt: skip
def sealed_in_one_segment(stage: Stage) -> list[str]:
    account = stage.account("sealed")
    talk, said = stage.open(), [stage.message(account) for _ in range(10)]
    talk.send(b"".join(one.data for one in said))
    return _all_acked(talk, said, stage.setup.wait)


@case(
    "tcp/two-accounts", PRACTICE, "Sends messages of two accounts in turn on one connection, as a gateway does.",
    "An ACK to each with its own account.", over=STREAMS,
)  # fmt: skip
def two_accounts(stage: Stage) -> None:
    accounts, talk = _two(stage), stage.open()
    for one in accounts * 5:
        talk.tell(stage.message(one), "ACK")


@case(
    "tcp/second-connection", PRACTICE, "Opens a second connection for an account beside its first, and uses both in turn.",
    "An ACK to each message, on the connection that it came by.", over=STREAMS,
)  # fmt: skip
def second_connection(stage: Stage) -> None:
    one, other = stage.open(), _fresh(stage)
    for _ in range(3):
        one.tell(stage.message(), "ACK", why="an ACK on the first connection is due")
        other.tell(stage.message(), "ACK", why="an ACK on the second connection is due")


@case(
    "tcp/two-at-once", PRACTICE, "Sends a message on each of two connections before it reads an answer.",
    "Each ACK on the connection that its message came by.", over=STREAMS,
)  # fmt: skip
def two_at_once(stage: Stage) -> None:
    one, other = stage.open(), _fresh(stage)
    first, second = stage.message(), stage.message()
    one.send(first)
    other.send(second)
    other.expect(second, "ACK", why="the ACK to its message is due on the second connection")
    one.expect(first, "ACK", why="the ACK to its message is due on the first connection")


@case(
    "tcp/again-on-a-second", "DC-09 5.5.3.1*",
    "Sends a message, reads nothing, and sends the very same bytes on a second connection.",
    "An ACK on each.", over=STREAMS,
)  # fmt: skip
def again_on_a_second(stage: Stage) -> None:
    one, said = stage.open(), stage.message()
    one.send(said)
    _fresh(stage).tell(said, "ACK", why="the repeat is due its ACK where it came")
    one.expect(said, "ACK")


def _left(leave: Callable[[Talk], None], stage: Stage) -> None:
    talk, said = stage.open(), stage.message()
    talk.send(said)
    leave(talk)
    _fresh(stage).tell(said, "ACK", why="the repeat on a new connection is due its ACK")


for _name, _words, _leave in (("closed", "closes", Talk.close), ("reset", "resets", Talk.abort)):
    case(
        f"tcp/{_name}-before-the-answer", "DC-09 5.5.3.1*",
        f"Sends a message, {_words} the connection at once, and sends the very same bytes on a new one.",
        "An ACK to the second.", over=STREAMS,
    )(partial(_left, _leave))  # fmt: skip


@case(
    "tcp/reset-in-a-frame", PRACTICE, "Resets ten connections in the middle of a message, as after a power cut.",
    "The whole message on a new connection gets its ACK.", over=STREAMS,
)  # fmt: skip
def reset_in_a_frame(stage: Stage) -> None:
    said = stage.message()
    for at in range(5, 55, 5):
        talk = _fresh(stage)
        talk.send(said.data[:at])
        talk.abort()
    _fresh(stage).tell(said, "ACK", why="what was left of other connections must not reach into a new one")


@case(
    "tcp/idle", PRACTICE, "Sends a message, is silent for 3 s, and sends another on the same connection.",
    "An ACK to each.", "Closing the silent connection.", over=STREAMS,
)  # fmt: skip
def idle(stage: Stage) -> None:
    talk = stage.open()
    talk.tell(stage.message(), "ACK")
    stage.sleep(3)
    talk.tell(stage.message(), "ACK")


NOISE: dict[str, tuple[str, bytes]] = {
    "nul": ("a hundred NUL bytes", bytes(100)),
    "high": ("the bytes 0x80 to 0xFF", bytes(range(128, 256))),
    "controls": (
        "the control characters but LF and CR",
        bytes(value for value in range(1, 32) if value not in b"\n\r"),
    ),
    "line-ends": ("twenty CR LF", b"\r\n" * 20),
}


def _noise(data: bytes, stage: Stage) -> list[str]:
    talk = stage.open()
    talk.send(data)
    talk.silence(None, "what is no message gets no answer")
    closed = "it closed the connection" if talk.closed else ""
    return [note for note in (closed, talk.control()) if note]


for _name, (_words, _noise_bytes) in NOISE.items():
    case(
        f"tcp/noise-{_name}", PRACTICE, f"Sends {_words}, then a right message.",
        "No answer to the first; an ACK to the message.", "Closing the connection, or losing one try of the message: noted.", over=STREAMS,
    )(partial(_noise, _noise_bytes))  # fmt: skip


@case(
    "tcp/flood", PRACTICE, "Sends a megabyte of noise on one connection, and a message on another.",
    "An ACK to the message.", "Closing the connection, or not reading on: noted.", over=STREAMS,
)  # fmt: skip
def flood(stage: Stage) -> Iterable[str]:
    talk, sent = stage.open(), 0
    with suppress(OSError):
        for _ in range(64):
            talk.send(bytes(range(32, 96)) * 256)
            sent += 64 * 256
    _fresh(stage).tell(stage.message(), "ACK", why="a message on another connection is due its ACK")
    if sent < 64 * 64 * 256:
        yield f"it took {sent} bytes of it"


# ---- UDP -----------------------------------------------------------------------------------------------------------------

_UDP: tuple[Kind, ...] = ("udp",)


@case(
    "udp/answered-where-it-came-from", PRACTICE, "Sends a message in a datagram, and takes answers from that port alone.",
    "The ACK comes from the port that the message went to, to the port that it came from.", over=_UDP,
)  # fmt: skip
def answered(stage: Stage) -> None:
    stage.open().tell(stage.message(), "ACK")


@case(
    "udp/again-from-another-port", "DC-09 5.5.3.1*",
    "Sends a message, and the very same bytes from another port, as a panel behind a router does.",
    "An ACK to each port.", over=_UDP,
)  # fmt: skip
def another_port(stage: Stage) -> None:
    said = stage.message()
    stage.open().tell(said, "ACK")
    stage.open().tell(said, "ACK", why="the repeat from another port is due its ACK there")


@case(
    "udp/twice", PRACTICE, "Sends the same datagram twice without waiting, as networks sometimes do.",
    "An ACK.", "A second one, or none: noted.", over=_UDP,
)  # fmt: skip
def twice(stage: Stage) -> list[str]:
    talk, said = stage.open(), stage.message()
    talk.send(said)
    talk.send(said)
    talk.expect(said, "ACK")
    second = talk.expect(said, "ACK", "silence")
    return ["it answered both"] if second else ["it answered once"]


@case(
    "udp/two-ports-in-turn", PRACTICE, "Sends messages from two ports, both before it reads an answer.",
    "Each ACK to the port that its message came from.", over=_UDP,
)  # fmt: skip
def two_ports(stage: Stage) -> None:
    one, other = stage.open(), stage.open()
    for _ in range(3):
        first, second = stage.message(), stage.message()
        one.send(first)
        other.send(second)
        other.expect(second, "ACK", why="the ACK to the second port is due there")
        one.expect(first, "ACK", why="the ACK to the first port is due there")


@case(
    "udp/fifty-ports", PRACTICE, "Sends a message from each of fifty ports.", "An ACK to each.", over=_UDP,
)  # fmt: skip
def fifty_ports(stage: Stage) -> None:
    for count in range(50):
        talk = stage.open()
        talk.tell(stage.message(), "ACK", why=f"an ACK to port {count + 1} of 50 is due")
        talk.close()


@case(
    "udp/two-accounts", PRACTICE, "Sends messages of two accounts in turn from one port.",
    "An ACK to each with its own account.", over=_UDP,
)  # fmt: skip
def udp_two_accounts(stage: Stage) -> None:
    accounts, talk = _two(stage), stage.open()
    for one in accounts * 5:
        talk.tell(stage.message(one), "ACK")


@case(
    "udp/twenty-without-waiting", PRACTICE, "Sends twenty datagrams without waiting for an answer.",
    "An ACK to each.", "Another order: noted.", over=_UDP,
)  # fmt: skip
def udp_twenty(stage: Stage) -> list[str]:
    talk, said = stage.open(), [stage.message() for _ in range(20)]
    for one in said:
        talk.send(one)
    return _all_acked(talk, said, stage.setup.wait)


@case(
    "udp/several-in-one", PRACTICE, "Sends five messages in one datagram.",
    "At least one ACK, and none that belongs to no message.", "How many are answered: noted.", over=_UDP,
)  # fmt: skip
def several_in_one(stage: Stage) -> list[str]:
    talk, due = stage.open(), [stage.message() for _ in range(5)]
    talk.send(b"".join(one.data for one in due))
    while due and (piece := talk.next(stage.setup.quiet)):
        fit = next((one for one in due if belongs(decode(piece, one.known.key), one.frame).word == "ACK"), None)
        if fit is None:
            fails(f"ACKs are due; {in_words(decode(piece))} came that belongs to none of the messages")
        due.remove(fit)
    if len(due) == 5:
        fails("five messages in one datagram got no answer at all")
    return [f"it answered {5 - len(due)} of 5"]


@case(
    "udp/cut-in-two", PRACTICE, "Sends half a message in one datagram and the rest in another.",
    "No answer: a datagram stands for itself. The whole message gets its ACK.", over=_UDP,
)  # fmt: skip
def cut_in_two(stage: Stage) -> None:
    talk, said = stage.open(), stage.message()
    talk.send(said.data[:25])
    talk.send(said.data[25:])
    talk.silence(said, "two halves in two datagrams are no message")
    talk.tell(said, "ACK")


@case(
    "udp/half", PRACTICE, "Sends the first half of a message in a datagram, and then the whole message.",
    "No answer to the half; one ACK to the message.", over=_UDP,
)  # fmt: skip
def half_a_datagram(stage: Stage) -> None:
    talk, said = stage.open(), stage.message()
    talk.send(said.data[:25])
    talk.tell(said, "ACK", why="what came before in another datagram must not reach into this one")
    talk.silence(said, "one message gets one answer")


def _odd_datagram(data: bytes, stage: Stage) -> None:
    talk = stage.open()
    talk.send(data)
    talk.silence(None, "what is no message gets no answer")
    talk.tell(stage.message(), "ACK", why="a right message after it is due its ACK")


for _name, (_words, _noise_bytes) in {"empty": ("an empty datagram", b""), **NOISE}.items():
    case(
        f"udp/{'noise-' if _noise_bytes else ''}{_name}", PRACTICE,
        f"Sends {_words}, then a right message in a datagram of its own.",
        "No answer to the first; an ACK to the message.", over=_UDP,
    )(partial(_odd_datagram, _noise_bytes))  # fmt: skip


def _beside_a_frame(before: bytes, after: bytes, stage: Stage) -> list[str]:
    talk, said = stage.open(), stage.message()
    talk.send(said._replace(data=before + said.data + after))
    heard = talk.expect(said, "ACK", "silence")
    talk.tell(stage.message(), "ACK", why="a right message after it is due its ACK")
    return [_noted(heard)]


for _name, _words, _before, _after in (
    ("before", "bytes before the LF", b"\x00\x00noise", b""),
    ("after", "CR LF after the CR", b"", b"\r\n"),
):
    case(
        f"udp/bytes-{_name}", PRACTICE, f"Sends a message with {_words} in its datagram, then a right one.",
        "An ACK to the second.", "An ACK or no answer to the first: noted.", over=_UDP,
    )(partial(_beside_a_frame, _before, _after))  # fmt: skip


@case(
    "udp/flood", PRACTICE, "Sends three hundred datagrams of noise, then a message, three times at most.",
    "An ACK to the message.", over=_UDP,
)  # fmt: skip
def udp_flood(stage: Stage) -> Iterable[str]:
    talk, said = stage.open(), stage.message()
    for count in range(300):
        talk.send(bytes((count + at) % 96 + 32 for at in range(200)))
    for tried in range(1, 4):  # what a flood displaces a panel sends again
        talk.send(said)
        if heard := talk.answer(said, stage.setup.wait / 3):
            if heard.word != "ACK":
                fails(f"the ACK to the message is due; {in_words(heard.frame)} came")
            if tried > 1:
                yield f"it answered when the message was sent time {tried}"
            return
    fails("a message after the flood, sent three times, got no answer")


# ---- endurance -----------------------------------------------------------------------------------------------------------


def _many(stage: Stage, accounts: Sequence[Known], count: int) -> Iterable[str]:
    talk, took = stage.open(), []
    for number in range(count):
        said = stage.message(accounts[number % len(accounts)])
        began = stage.link.tick()
        talk.tell(said, "ACK", why=f"an ACK to message {number + 1} of {count} is due")
        took.append(stage.link.tick() - began)
    yield _times(took)


@case(
    "endurance/five-hundred", PRACTICE, "Sends five hundred messages one after the other on one connection.",
    "An ACK to each. The answer times are noted.",
)  # fmt: skip
def five_hundred(stage: Stage) -> Iterable[str]:
    return _many(stage, [stage.account()], 500)


@case(
    "endurance/accounts-in-turn", PRACTICE, "Sends two hundred messages of all accounts in turn on one connection.",
    "An ACK to each, its own. The answer times are noted.",
)  # fmt: skip
def accounts_alternating(stage: Stage) -> Iterable[str]:
    _two(stage)
    return _many(stage, stage.setup.accounts, 200)


@case(
    "endurance/two-hundred-sealed", "DC-09 5.5.3.1", "Sends two hundred encrypted messages one after the other.",
    "An encrypted ACK to each. The answer times are noted.",
)  # fmt: skip
def two_hundred_sealed(stage: Stage) -> Iterable[str]:
    return _many(stage, [stage.account("sealed")], 200)


@case(
    "endurance/bad-among-good", "DC-09 5.5.1*",
    "Sends two hundred messages, and before every tenth one whose CRC is wrong.",
    "An ACK to each right message, and nothing to the others.",
)  # fmt: skip
def bad_among_good(stage: Stage) -> None:
    talk = stage.open()
    for number in range(1, 201):
        if number % 10 == 0:
            talk.send(stage.message(crc="wrong"))
        said = stage.message()
        talk.tell(said, "ACK", why=f"the ACK to right message {number} of 200 is due, and nothing to the bad ones")
    talk.silence(said, "a message with a wrong CRC gets no answer")


@case(
    "endurance/fifty-at-once", PRACTICE, "Opens fifty connections and sends a message on each before it reads an answer.",
    "An ACK on each. The answer times are noted.",
)  # fmt: skip
def fifty_at_once(stage: Stage) -> Iterable[str]:
    return _at_once(stage, 50, 1)


@case(
    "endurance/under-load", PRACTICE, "Has twenty connections with a message outstanding on each, twenty times over.",
    "An ACK to each. The answer times are noted, each until it was read.",
)  # fmt: skip
def under_load(stage: Stage) -> Iterable[str]:
    return _at_once(stage, 20, 20)


def _at_once(stage: Stage, connections: int, rounds: int) -> Iterable[str]:
    talks = [_fresh(stage, f"connection {count + 1} of {connections} must be taken") for count in range(connections)]
    accounts, took = stage.setup.accounts, []
    for _ in range(rounds):
        said = [stage.message(accounts[count % len(accounts)]) for count in range(connections)]
        began = []
        for talk, one in zip(talks, said, strict=True):
            began.append(stage.link.tick())
            talk.send(one)
        for count, (talk, one, then) in enumerate(zip(talks, said, began, strict=True)):
            talk.expect(one, "ACK", why=f"an ACK on connection {count + 1} of {connections} is due")
            took.append(stage.link.tick() - then)
    yield _times(took)
