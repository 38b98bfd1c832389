"""Cases of a message's making that no list of messages can tell: cuts, lengths, bytes put out of place."""

import re
from collections.abc import Callable
from functools import partial

from protocols.envelope import LONGEST_FRAME, MOST_COUNTED
from receiver.trial.case import PRACTICE, Case, fails
from receiver.trial.stage import Said, Stage
from receiver.trial.told import STREAMS, all_acked, altered, answer_in_words, at_once, fresh, noted, taken, told

APART = 0.005  # seconds between segments that are to arrive one by one
PAUSE = 1.0  # what one lost segment costs: the first retransmission of TCP comes after about a second (RFC 6298, 2.1)
AT_ONCE = 16  # connections open at the same time, where the receiver takes so many
MANY = 20  # frames in one segment
BEYOND = 4 * LONGEST_FRAME  # bytes of a frame that does not end
FORM = "DC-09 5.5.1*"
NOTED = "No ACK, or one that says exactly what was sent; what comes is noted. Then an ACK to a right message."
EITHER = "An ACK or no answer, which is noted; then an ACK to a right message."

CASES: list[Case[Stage]] = []
case = partial(told, CASES)


# ---- envelope -----------------------------------------------------------------------------------------------------------


@case(
    "envelope/cut-in-two-at-every-byte", PRACTICE,
    "Sends a message in two segments, cut after its first byte, then one cut after the second, and so on.",
    "An ACK to each: a stream has no seams.", over=STREAMS,
)  # fmt: skip
def cut_in_two(stage: Stage) -> None:
    talk = stage.open()
    for cut in range(1, len(stage.message().data)):
        said = stage.message()
        talk.ready()
        talk.send(said.data[:cut], f"the first {cut} bytes")
        stage.link.sleep(APART)
        talk.send(said.data[cut:], "the rest")
        talk.expect(said, "ACK", why=f"cut after byte {cut}, it is the same message")


@case(
    "envelope/one-byte-at-a-time", PRACTICE, "Sends a message in as many segments as it has bytes.", "An ACK.",
    over=STREAMS,
)  # fmt: skip
def byte_by_byte(stage: Stage) -> None:
    talk, said = stage.open(), stage.message()
    for byte in said.data:
        talk.send(bytes((byte,)))
        stage.link.sleep(APART)
    talk.expect(said, "ACK")


@case(
    "envelope/a-second-between-halves", PRACTICE,
    "Sends half a message, waits a second as for a lost segment, and sends the other half.", "An ACK.", over=STREAMS,
)  # fmt: skip
def pause_between(stage: Stage) -> None:
    talk, said = stage.open(), stage.message()
    half = len(said.data) // 2
    talk.send(said.data[:half], "the first half")
    stage.sleep(PAUSE)
    talk.send(said.data[half:], "the second half")
    talk.expect(said, "ACK")


@case(
    "envelope/truncated-at-every-byte", FORM,
    "Sends the beginnings of a message, of every length, each on a connection (or in a datagram) of its own.",
    "No answer to any; then an ACK to a right message.", "How many connections it takes at once is noted.",
)  # fmt: skip
def truncated(stage: Stage) -> list[str]:
    said = stage.message()
    starts = [said.data[:size] for size in range(1, len(said.data) - 1)]  # whoever counts may read it without its CR
    if stage.kind == "udp":
        talk = stage.open()
        for start in starts:
            talk.send(start)
        talk.silence(said, "no part of a message is a message")
        return noted(talk.control())
    few = ""
    while starts:
        wanted = min(AT_ONCE, len(starts))
        talks = taken(stage, wanted, least=1)
        few = few or at_once(talks, wanted)
        now, starts = starts[: len(talks)], starts[len(talks) :]
        for talk, start in zip(talks, now, strict=True):
            talk.send(start)
        stage.sleep(stage.setup.quiet)
        for talk, start in zip(talks, now, strict=True):
            talk.silence(said, f"after {len(start)} of {len(said.data)} bytes nothing may come back", APART)
            talk.close()
    return noted(few, talk.control())


@case("envelope/cr-missing", PRACTICE, "Sends a message without its CR.", EITHER)
def without_cr(stage: Stage) -> list[str]:
    talk, said = stage.open(), stage.message()
    talk.send(said.data[:-1], "all but the CR")
    heard = talk.expect(said, "ACK", "silence")
    talk.close()
    return noted(answer_in_words(heard), talk.control())


@case(
    "envelope/cr-late", FORM, "Sends a message without its CR, and the CR a while later.",
    "One ACK, at the latest once the CR has come.", "It may go by the length and not wait.", over=STREAMS,
)  # fmt: skip
def late_cr(stage: Stage) -> list[str]:
    talk, said = stage.open(), stage.message()
    talk.send(said.data[:-1], "all but the CR")
    if talk.expect(said, "ACK", "silence"):
        return ["it did not wait for the CR"]
    if talk.closed:
        fails("its CR was still to come; it closed the connection instead")
    talk.send(said.data[-1:], "the CR")
    talk.expect(said, "ACK", why="with its CR the message is whole")
    return []


@case("envelope/lf-missing", PRACTICE, "Sends a message without its LF.", EITHER)
def without_lf(stage: Stage) -> list[str]:
    talk, said = stage.open(), stage.message()
    talk.send(said.data[1:], "all but the LF")
    heard = talk.expect(said, "ACK", "silence")
    return noted(answer_in_words(heard), talk.control())


@case(
    "envelope/bit-flipped-at-every-byte", FORM,
    "Sends a message over and over, each time with one bit of another byte flipped.",
    "No answer to any; then an ACK to a right message.",
    "It may close the connection: then each is sent on a connection of its own.",
)  # fmt: skip
def flipped(stage: Stage) -> list[str]:
    # Only the counted text: there CRC-16 finds every single bit. A flip that gives LF or CR would end the frame elsewhere.
    said = stage.message()
    bad = [
        (at, said.data[:at] + bytes((byte,)) + said.data[at + 1 :])
        for at in range(9, len(said.data) - 1)
        if (byte := said.data[at] ^ 1 << at % 7) not in b"\n\r"
    ]
    talk = stage.open()
    try:
        for at, data in bad:
            talk.send(data, f"one bit of byte {at + 1} flipped")
    except (EOFError, OSError):
        talk.close()
    else:
        talk.silence(said, "a message with a flipped bit is none")
    if not talk.closed:
        return noted(talk.control())
    # Who hangs up at the first has not read the others.
    for at, data in bad:
        talk = fresh(stage)
        talk.send(data, f"one bit of byte {at + 1} flipped")
        talk.silence(said, f"a message with a flipped bit in byte {at + 1} is none")
        talk.close()
    return ["it closed the connection", *noted(talk.control())]


@case(
    "envelope/twenty-in-one-segment", PRACTICE, "Sends twenty messages at once.", "An ACK to each.",
    "Another order, or closing after an answer: noted.", over=STREAMS,
)  # fmt: skip
def many_at_once(stage: Stage) -> list[str]:
    talk, said = stage.open(), [stage.message() for _ in range(MANY)]
    talk.send(b"".join(one.data for one in said), f"{MANY} messages in one segment")
    return all_acked(talk, said, stage.setup.wait)


@case(
    "envelope/one-and-a-half-in-a-segment", PRACTICE,
    "Sends a message and half of the next at once, then the other half.",
    "An ACK to the first, then one to the second.", over=STREAMS,
)  # fmt: skip
def one_and_a_half(stage: Stage) -> None:
    talk, first, second = stage.open(), stage.message(), stage.message()
    half = len(second.data) // 2
    talk.send(first.data + second.data[:half], "a message and half of the next")
    talk.expect(first, "ACK")
    talk.send(second.data[half:], "the other half")
    talk.expect(second, "ACK")


def _lower_case(crc: str, stage: Stage) -> list[str]:
    # An alarm text makes it so long that a letter stands in 0LLL, and in the CRC where that is to be small, too.
    known = stage.account("clear")
    texts = ("I" + "x" * (count % 16) for count in range(1000))
    made = (stage.message(known, extended=[text], crc=crc, length="lower") for text in texts)
    parts = [slice(5, 9)] if crc == "right" else [slice(1, 5), slice(5, 9)]
    said = next(one for one in made if all(re.search(b"[a-f]", one.data[part]) for part in parts))
    talk = stage.open()
    heard = talk.tell(said, "ACK", "silence")
    return noted(answer_in_words(heard), talk.control())


for _name, _words, _crc in (("length", "its length", "right"), ("crc-and-length", "CRC and length", "lower")):
    case(
        f"envelope/{_name}-lower-case", PRACTICE, f"Sends a message with {_words} in lower-case hex digits.", EITHER
    )(partial(_lower_case, _crc))  # fmt: skip


@case("envelope/length-without-its-zero", PRACTICE, "Sends a message with a 1 where the 0 of its 0LLL belongs.", NOTED)
def length_without_zero(stage: Stage) -> list[str]:
    right, talk = stage.message(), stage.open()
    said = altered(right, lambda text: text, "1" + right.data[6:9].decode())
    talk.send(said)
    return noted(talk.whatever(said), talk.control(patient=True))


def _counting(stage: Stage, counted: int) -> Said:
    """A message of so many counted bytes, by a long address of its verification."""
    known = stage.account("clear")
    short = len(stage.message(known, extended=["V"]).data) - 10
    return stage.message(known, extended=["V" + ("https://pictures.example/" + "x" * counted)[: counted - short]])


def _of_length(counted: int, stage: Stage) -> list[str]:
    said, talk = _counting(stage, counted), stage.open()
    if counted <= 512:
        talk.tell(said, "ACK")
        return []
    lost = ("silence",) if stage.kind == "udp" and counted > 1400 else ()
    heard = talk.tell(said, "ACK", "DUH", *lost)
    return noted(answer_in_words(heard), "" if heard else talk.control())


for _counted in (256, 512, 1024, 2048, MOST_COUNTED):
    case(
        f"envelope/of-{_counted}-bytes", FORM, f"Sends a message of {_counted} counted bytes, by a long address in it.",
        "An ACK." if _counted <= 512 else
        "An answer, for 0LLL can say it: an ACK, or a DUH of one that will not go into it; which one is noted.",
        "Over UDP, where networks may lose what is longer than a packet, none; then a right message gets its ACK."
        if _counted > 1400 else "",
    )(partial(_of_length, _counted))  # fmt: skip


@case(
    "envelope/of-4096-bytes", FORM, "Sends a message of 4096 counted bytes, one more than 0LLL can say.", NOTED,
    over=STREAMS,
)  # fmt: skip
def too_long(stage: Stage) -> list[str]:
    said = altered(_counting(stage, MOST_COUNTED), lambda text: text.replace("xxxx", "xxxxx", 1), "1000")
    talk = stage.open()
    talk.send(said)
    return noted(talk.whatever(said), talk.control(patient=True))


@case(
    "envelope/never-ends", PRACTICE, f"Sends the beginning of a message and {BEYOND} bytes without an end, then a CR.",
    "No answer; then an ACK to a right message.", "It may close the connection.", over=STREAMS,
)  # fmt: skip
def never_ends(stage: Stage) -> list[str]:
    talk = stage.open()
    said = altered(_counting(stage, MOST_COUNTED), lambda text: text[:-40] + "x" * BEYOND, f"{MOST_COUNTED:04X}")
    try:
        talk.send(said.data[:-1], "a frame that goes on and on")
        talk.silence(said)
        talk.send(b"\r", "its end, at last")
        talk.silence(said, "a message that is not as long as it says is none")
    except (EOFError, OSError):
        talk.close()
    return noted("it closed the connection" if talk.closed else "", talk.control())


# ---- what it says -------------------------------------------------------------------------------------------------------


def _text(change: Callable[[str], str], ack: bool, stage: Stage) -> list[str]:
    said, talk = altered(stage.message(stage.account("clear")), change), stage.open()
    talk.send(said)
    return noted(talk.whatever(said, ack=ack), talk.control())


for _id, _what, _change in (
    ("token/without-its-first-quote", "without the quotation mark before its token", lambda text: text[1:]),
    (
        "token/without-its-second-quote", "without the quotation mark after its token",
        lambda text: '"' + text[1:].replace('"', "", 1),
    ),
    ("data/bracket-never-closed", "whose [ has no ]", lambda text: text.replace("]", "")),
    (
        "extended/bracket-never-closed", "with extended data that has no ] before the stamp",
        lambda text: text.replace("]_", "][IDoor_"),
    ),
):  # fmt: skip
    case(_id, PRACTICE, f"Sends a message {_what}.", NOTED)(partial(_text, _change, True))

case(
    "data/without-brackets", PRACTICE, "Sends a message that ends with its account: no brackets, no data.",
    "No ACK: nothing was reported. Then an ACK to a right message.",
)(partial(_text, lambda text: text[: text.index("[")], False))  # fmt: skip


@case(
    "numbers/leading-zero", "DC-09 5.5.3.1*", "Sends a message of an account whose number begins with a zero.",
    "An ACK with the zero.",
)  # fmt: skip
def leading_zero(stage: Stage) -> None:
    one, *_ = stage.setup.accounts_that(lambda one: one.number.startswith("0"), "with a leading zero")
    stage.open().tell(stage.message(one), "ACK")


@case("numbers/account-lower-case", PRACTICE, "Sends a message whose account is in lower-case hex digits.", NOTED)
def account_in_lower_case(stage: Stage) -> list[str]:
    one, *_ = stage.setup.accounts_that(lambda one: not one.number.isdigit(), "with a letter among its hex digits")
    said, talk = stage.message(one, number=f"#{one.number.lower()}"), stage.open()
    talk.send(said)
    return noted(talk.whatever(said), talk.control())
