"""Cases of a trial of a receiver that take more than messages and answers: its clock, its keys, and what its answers say."""

import math
import re
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from functools import partial
from typing import Any

from protocols.dc09 import decode, write_stamp
from protocols.envelope import MOST_COUNTED
from protocols.exchange import Heard, Word
from protocols.seal import BLOCK, Key
from receiver.trial.case import PRACTICE, SERIOUS, Case, beside, fails, unclear
from receiver.trial.stage import Known, Said, Stage, Talk, in_words
from receiver.trial.told import STREAMS, all_acked, altered, answer_in_words, anything, fresh, noted, told, two

CLOCK_SECONDS = 3  # how far two readings of one clock may be apart: whole seconds, read twice, and the way there
MOST_MOVED = 12  # seconds that a stamp may be moved and still say something of the window
CASES: list[Case[Stage]] = []
case = partial(told, CASES)


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
    return f"{round(abs(apart.total_seconds()), 1):g} s"


def _not_acked(talk: Talk, said: Said) -> list[str]:
    """A message that nobody can read: anything but an ACK may answer it, and the receiver must go on answering."""
    talk.send(said)
    return noted(talk.whatever(said, ack=False), talk.control())


# ---- stamps -------------------------------------------------------------------------------------------------------------


def _slack(stage: Stage) -> timedelta:
    """How far two readings of the receiver's clock may be apart: an answer may have been written when its message came."""
    return timedelta(seconds=CLOCK_SECONDS + 2 * stage.setup.slowest)


def _moved(stage: Stage) -> int:
    """Seconds by which a stamp is moved away from the edge of the window, where answers are too slow for 2 s.

    A stamp that is written x s from the receiver's clock may be judged at anything from x - 1.5 - 1.5 t to x + 1.5 + t/2,
    t being the time that an answer takes: the clock was read from one, in whole seconds, and the message takes its time.
    """
    moved = max(0, math.ceil(1.5 * stage.setup.slowest - 0.5))
    if moved > MOST_MOVED:
        unclear(f"its answers take up to {stage.setup.slowest:.1f} s, too long to know its clock well enough")
    return moved


def _edge(seconds: int, word: Word, stage: Stage) -> Iterable[str]:
    account, moved = stage.account("sealed"), _moved(stage)
    inwards = word == "ACK"
    stamp = seconds + moved * (1 if inwards == (seconds < 0) else -1)
    said, talk, began = stage.message(account, stamp=stamp), stage.open(), stage.link.tick()
    heard = talk.tell(said, "ACK", "NAK")
    if heard and heard.word != word:
        took = stage.link.tick() - began
        if took > stage.setup.slowest + 1 / 3:
            unclear(f"{heard.word} came, but after {took:.1f} s, so the time that it was judged at is not known")
        fails(f"{word} is due; {in_words(heard.frame)} came")
    if moved:
        yield f"the stamp was {abs(stamp)} s off, as answers that take {stage.setup.slowest:.1f} s make its clock uncertain"


EDGES: tuple[tuple[int, Word], ...] = ((-38, "ACK"), (18, "ACK"), (-42, "NAK"), (22, "NAK"))
for _seconds_off, _due in EDGES:
    _side, _of = ("behind", "behind") if _seconds_off < 0 else ("ahead", "ahead of")
    case(
        f"stamps/{_side}-{abs(_seconds_off)}", "DC-09 5.5.3.2*",
        f"Sends an encrypted message whose stamp is {abs(_seconds_off)} s {_of} the receiver's clock.",
        "An ACK: the window runs from 40 s behind to 20 s ahead." if _due == "ACK"
        else "A NAK in clear, with the receiver's time.",
        "Where its answers take long, the stamp is moved further from the edge: noted.",
    )(partial(_edge, _seconds_off, _due))  # fmt: skip


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
    if abs(other - one) > _slack(stage):
        fails(f"the two NAKs came one after the other, and their times are {_seconds(other - one)} apart")
    if abs(apart := other - stage.clock) > _slack(stage):
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
    if not timedelta(seconds=1) <= other - one <= timedelta(seconds=2.2) + _slack(stage):
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
    "An ACK, then a NAK, as by then the stamp is out of the window, or the ACK that is due to a repeat: noted.",
)  # fmt: skip
def replayed(stage: Stage) -> list[str]:
    moved = _moved(stage)
    talk, said = stage.open(), stage.message(stage.account("sealed"), stamp=-37 + moved)
    talk.tell(said, "ACK")
    stage.sleep(6 + 2 * moved)
    return [answer_in_words(talk.tell(said, "NAK", "ACK"))]


# ---- encryption ---------------------------------------------------------------------------------------------------------


@case(
    "encryption/ack-stamp", "DC-09 5.5.3.1", "Sends an encrypted message and reads the stamp inside the ACK.",
    f"It is the receiver's own time, to {CLOCK_SECONDS} s.", "Something between the brackets of the ACK: noted.",
)  # fmt: skip
def ack_stamp(stage: Stage) -> Iterable[str]:
    account = stage.account("sealed")
    heard = stage.open().tell(stage.message(account, stamp=-20), "ACK")
    if abs(apart := _stamp(heard) - stage.clock) > _slack(stage):
        fails(f"the stamp in its ACK is {_seconds(apart)} from its own clock, as its NAKs told it")
    if heard and heard.frame.data:
        yield f"between the brackets of its ACK stands {heard.frame.data!r}"


@case(
    "encryption/ack-padding", PRACTICE, "Sends eight encrypted messages and opens the ACKs.",
    "Legal padding that is not the same each time: with a zero initial vector nothing else keeps equal answers apart.",
)  # fmt: skip
def ack_padding(stage: Stage) -> None:
    talk, account = stage.open(), stage.account("sealed")
    heard = [talk.tell(stage.message(account), "ACK") for _ in range(8)]
    if len({_opened(one, account.key).partition(b"|")[0] for one in heard}) == 1:
        fails("eight ACKs had the very same padding")


@case(
    "encryption/ack-later-stamp", "DC-09 5.5.3.1", "Sends an encrypted message, and the very same bytes 1.5 s later.",
    "An ACK to each, the second with no earlier time than the first.",
    "The first ACK once more, with its old time: noted.",
)  # fmt: skip
def ack_later_stamp(stage: Stage) -> Iterable[str]:
    talk, said = stage.open(), stage.message(stage.account("sealed"))
    one = _stamp(talk.tell(said, "ACK"))
    stage.sleep(1.5)
    other = _stamp(talk.tell(said, "ACK"))
    if other < one:
        fails(f"the ACK to a repeat 1.5 s later has a stamp {_seconds(other - one)} before the first")
    if other == one:
        yield "a repeat gets the ACK of before, with its old time"


def _filled(stage: Stage, account: Known, count: int) -> list[str]:
    """Extended data that make a test report of this account need so many bytes of padding."""
    for fill in range(1, BLOCK + 1):  # the longer the text, the less padding; one of sixteen lengths needs this much
        field = ["I" + "TEST REPORT AGAIN"[:fill]]
        if stage.message(account, extended=field).frame.padding == count:
            return field
    raise AssertionError(count)


def _padded(count: int, stage: Stage) -> None:
    account = stage.account("sealed")
    stage.open().tell(stage.message(account, extended=_filled(stage, account, count)), "ACK")


for _count in range(1, BLOCK + 1):
    case(
        f"encryption/padding-{_count}", "DC-09 5.4.6*",
        f"Sends an encrypted message of a length that needs {_count} byte{'s' * (_count > 1)} of padding"
        f"{', having filled its blocks without' if _count == BLOCK else ''}.",
        "An encrypted ACK.",
    )(partial(_padded, _count))  # fmt: skip


def _illegal_count(count: int, stage: Stage) -> list[str]:
    """Padding of no byte or of 32 fills whole blocks, too: nobody who reads 1 to 16 need take it."""
    account = stage.account("sealed")
    field = _filled(stage, account, BLOCK)
    said = stage.message(account, extended=field, pad=lambda due: b"." * count)
    return anything(stage.open(), said, stage.message(account))


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

        def damaged(text: str, bracket: int = bracket) -> str:
            head, _, digits = text.partition("[")
            changed = change(bytearray.fromhex(digits), bracket)
            return f"{head}[{changed if isinstance(changed, str) else changed.hex().upper()}"

        bad = altered(said, damaged)
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

    account = stage.account("sealed")
    return anything(stage.open(), altered(stage.message(account), lower), stage.message(account))


@case(
    "encryption/star-in-clear", "DC-09 5.5.3.3*",
    "Sends a message in clear whose token says with * that it is encrypted.",
    "No ACK: nothing was encrypted, so nobody proved to hold the key.", "DUH, NAK or no answer: noted.",
)  # fmt: skip
def star_in_clear(stage: Stage) -> list[str]:
    talk, account = stage.open(), stage.account("sealed")
    said = altered(stage.message(account, key=None), lambda text: '"*' + text[1:])
    return _not_acked(talk, said)


@case(
    "encryption/star-missing", "DC-09 5.5.3.3*", "Sends an encrypted message whose token lacks the *.",
    "No ACK: as a message in clear it says nothing.", "DUH, NAK or no answer: noted.",
)  # fmt: skip
def star_missing(stage: Stage) -> list[str]:
    talk, account = stage.open(), stage.account("sealed")
    said = altered(stage.message(account), lambda text: '"' + text[2:])
    return _not_acked(talk, said)


@case(
    "encryption/key-of-another", "DC-09 5.5.3.3*",
    "Sends a message of one account, encrypted with the key of another that the receiver knows as well.",
    "No ACK: each account has its own key.", "DUH, NAK or no answer: noted.",
)  # fmt: skip
def key_of_another(stage: Stage) -> list[str]:
    keyed = stage.setup.accounts_that(lambda one: one.key is not None, "with a key", 2)
    talk, said = stage.open(), stage.message(keyed[1], key=keyed[0].key)
    if not decode(said.data, keyed[1].key).has("decrypt-failed"):
        beside("the two accounts have the same key")
    return _not_acked(talk, said._replace(frame=decode(said.data, keyed[1].key)))


@case(
    "encryption/accounts-in-turn", "DC-09 5.5.3.1", "Sends encrypted messages of each account with a key in turn, twice.",
    "An ACK to each, sealed with the key of its own account.",
)  # fmt: skip
def accounts_in_turn(stage: Stage) -> None:
    keyed = stage.setup.accounts_that(lambda one: one.key is not None, "with a key", 2)
    talk = stage.open()
    for one in [*keyed, *keyed]:
        talk.tell(stage.message(one), "ACK")


@case(
    "encryption/longest", "DC-09 5.5.1*", "Sends an encrypted message as long as 0LLL can count, nearly 4095 bytes.",
    "An answer: an ACK, or a DUH of one that will not go into it; which one is noted.",
    "Over UDP, where networks may lose what is longer than a packet, none.",
)  # fmt: skip
def longest(stage: Stage) -> list[str]:
    talk, account = stage.open(), stage.account("sealed")
    room = MOST_COUNTED - (stage.message(account, extended=["I"]).frame.length_counted or 0)
    said = stage.message(account, extended=["I" + ("TEST REPORT " * 400)[: room // (2 * BLOCK) * BLOCK]])
    heard = talk.tell(said, "ACK", "DUH", *(("silence",) if stage.kind == "udp" else ()))
    return noted(answer_in_words(heard), "" if heard else talk.control())


def _clear_of_sealed(token: str, consequence: str, stage: Stage) -> list[str]:
    """No clause forbids an ACK here; what it means must not stay among the small notes."""
    talk, said = stage.open(), stage.message(stage.account("sealed"), token=token, key=None)
    heard = talk.tell(said, "ACK", "NAK", "DUH", "silence")
    told = f"it answered {heard.word}" if heard else "it gave no answer in time"
    if heard and heard.word == "ACK":
        told = f"{SERIOUS}it answered ACK, in clear: {consequence}"
    return noted(told, "" if heard else talk.control())


for _group, _words, _token, _consequence in (
    ("encryption", "message", "ADM-CID", "whoever knows the number can speak for the account"),
    ("polls", "poll", "NULL", "whoever knows the number can keep a dead account looking alive"),
):
    case(
        f"{_group}/clear-of-sealed-account", PRACTICE, f"Sends a {_words} in clear of an account that has a key.",
        f"No encrypted answer: the {_words} is in clear.",
        f"DUH, NAK, ACK or no answer: noted. An ACK means that {_consequence}.",
    )(partial(_clear_of_sealed, _token, _consequence))  # fmt: skip


# ---- polls --------------------------------------------------------------------------------------------------------------


@case(
    "polls/two-accounts", "DC-09 5.5.2", "Sends polls of two accounts in turn on one connection, three times.",
    "An ACK to each with its own account.",
)  # fmt: skip
def polls_of_two(stage: Stage) -> None:
    accounts, talk = two(stage), stage.open()
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
    said = [stage.poll(), stage.message(), stage.poll(two(stage)[1])]
    talk.send(b"".join(one.data for one in said))
    return all_acked(talk, said, stage.setup.wait)


@case(
    "polls/unknown-account", "DC-09 5.5.3.3*", "Sends a poll of an account that the receiver does not know.",
    "If there is an answer, it belongs to the poll; right polls go on being acknowledged.",
    "DUH, ACK or no answer: noted.",
)  # fmt: skip
def poll_of_unknown(stage: Stage) -> list[str]:
    return anything(stage.open(), stage.poll(Known(stage.setup.unknown)), stage.poll())


# ---- replies ------------------------------------------------------------------------------------------------------------


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
def own_ack_sent_back(stage: Stage) -> list[str]:
    talk, said = stage.open(), stage.message(stage.account("sealed"))
    heard = talk.tell(said, "ACK")
    own = said._replace(data=heard.frame.raw, frame=heard.frame) if heard else said
    talk.send(own, "its own answer, sent back")
    back = talk.expect(own, "DUH", "silence", why="an answer is not answered")
    return noted("it answered DUH" if back else "", talk.control())


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
        fresh(stage).tell(said, "ACK")
        return ["it closed the connection"]
    if heard is None or heard.word != "ACK":
        fails(f"one ACK to the second message is due; {in_words(heard.frame) if heard else 'nothing'} came")
    talk.silence(said, "the first message gets no answer")
    return []
