"""Cases of a message's making that no list of messages can tell: cuts, lengths, bytes put out of place."""

import re
from collections.abc import Callable
from functools import partial

from protocols.dc09 import decode
from protocols.envelope import LONGEST_FRAME, MOST_COUNTED
from protocols.exchange import belongs
from receiver.trial.case import PRACTICE, Case, beside, fails
from receiver.trial.stage import Said, Stage, in_words, spoiled

APART = 0.005  # seconds between segments that are to arrive one by one
PAUSE = 1.0  # what one lost segment costs: the first retransmission of TCP comes after about a second (RFC 6298, 2.1)
AT_ONCE = 16  # connections open at the same time
MANY = 20  # frames in one segment
BEYOND = 4 * LONGEST_FRAME  # bytes of a frame that does not end


def _cut_in_two(stage: Stage) -> None:
    stage.only_over("tcp", "tls")
    talk = stage.open()
    for cut in range(1, len(stage.message().data)):
        said = stage.message()
        talk.ready()
        talk.send(said.data[:cut], f"the first {cut} bytes")
        stage.link.sleep(APART)
        talk.send(said.data[cut:], "the rest")
        talk.expect(said, "ACK", why=f"cut after byte {cut}, it is the same message")


def _byte_by_byte(stage: Stage) -> None:
    stage.only_over("tcp", "tls")
    talk = stage.open()
    said = stage.message()
    for byte in said.data:
        talk.send(bytes((byte,)))
        stage.link.sleep(APART)
    talk.expect(said, "ACK")


def _pause_between(stage: Stage) -> None:
    stage.only_over("tcp", "tls")
    talk = stage.open()
    said = stage.message()
    half = len(said.data) // 2
    talk.send(said.data[:half], "the first half")
    stage.sleep(PAUSE)
    talk.send(said.data[half:], "the second half")
    talk.expect(said, "ACK")


def _truncated(stage: Stage) -> list[str]:
    said = stage.message()
    starts = [said.data[:size] for size in range(1, len(said.data) - 1)]  # whoever counts may read it without its CR
    if stage.kind == "udp":
        talk = stage.open()
        for start in starts:
            talk.send(start)
        talk.silence(said, "no part of a message is a message")
        return _noted(talk.control())
    for first in range(0, len(starts), AT_ONCE):
        talks = [(stage.open(), start) for start in starts[first : first + AT_ONCE]]
        for talk, start in talks:
            talk.send(start)
        stage.sleep(stage.setup.quiet)
        for talk, start in talks:
            talk.silence(said, f"after {len(start)} of {len(said.data)} bytes nothing may come back", APART)
            talk.close()
    return _noted(talk.control())


def _without_cr(stage: Stage) -> list[str]:
    talk = stage.open()
    said = stage.message()
    talk.send(said.data[:-1], "all but the CR")
    heard = talk.expect(said, "ACK", "silence")
    talk.close()
    return [f"it answered {heard.word}" if heard else "it gave no answer", *_noted(talk.control())]


def _late_cr(stage: Stage) -> list[str]:
    stage.only_over("tcp", "tls")
    talk = stage.open()
    said = stage.message()
    talk.send(said.data[:-1], "all but the CR")
    if talk.expect(said, "ACK", "silence"):
        return ["it did not wait for the CR"]
    talk.send(said.data[-1:], "the CR")
    talk.expect(said, "ACK", why="with its CR the message is whole")
    return []


def _without_lf(stage: Stage) -> list[str]:
    talk = stage.open()
    said = stage.message()
    talk.send(said.data[1:], "all but the LF")
    heard = talk.expect(said, "ACK", "silence")
    return [f"it answered {heard.word}" if heard else "it gave no answer", *_noted(talk.control())]


def _flipped(stage: Stage) -> list[str]:
    # Only the counted text: there CRC-16 finds every single bit. A flip that gives LF or CR would end the frame elsewhere.
    talk = stage.open()
    said = stage.message()
    for at in range(9, len(said.data) - 1):
        byte = said.data[at] ^ 1 << at % 7
        if byte not in b"\n\r":
            try:
                talk.send(said.data[:at] + bytes((byte,)) + said.data[at + 1 :], f"one bit of byte {at + 1} flipped")
            except (EOFError, OSError):
                break
    talk.silence(said, "a message with a flipped bit is none")
    return [*(["it closed the connection"] if talk.closed else []), *_noted(talk.control())]


def _many_at_once(stage: Stage) -> list[str]:
    stage.only_over("tcp", "tls")
    talk = stage.open()
    waiting = {one.frame.sequence_sent: one for one in (stage.message() for _ in range(MANY))}
    order, rounds = list(waiting), 1
    heard: list[str] = []
    talk.send(b"".join(one.data for one in waiting.values()), f"{MANY} messages in one segment")
    while waiting:
        try:
            piece = talk.next(stage.setup.wait)
        except (EOFError, OSError):
            # Who closes after an answer is told the rest on a new connection.
            if len(waiting) == MANY - rounds + 1:
                fails(f"it closed the connection without an answer; {len(waiting)} of {MANY} are unanswered")
            rounds += 1
            talk.anew()
            talk.send(b"".join(one.data for one in waiting.values()), "the rest, on a new connection")
            continue
        if piece is None:
            fails(f"{len(waiting)} of {MANY} messages got no answer, first {next(iter(waiting))}")
        frame = decode(piece)
        said = waiting.pop(frame.sequence_sent, None)
        if said is None or belongs(decode(piece, said.known.key), said.frame).word != "ACK":
            fails(f"an ACK is due to each; {in_words(frame)} of sequence {frame.sequence_sent or 'none'} came")
        heard.append(said.frame.sequence_sent)
    notes = [f"it closes after an answer, so this took {rounds} connections"] if rounds > 1 else []
    return notes if heard == order else [*notes, "the answers came in another order"]


def _one_and_a_half(stage: Stage) -> None:
    stage.only_over("tcp", "tls")
    talk = stage.open()
    first, second = stage.message(), stage.message()
    half = len(second.data) // 2
    talk.send(first.data + second.data[:half], "a message and half of the next")
    talk.expect(first, "ACK")
    talk.send(second.data[half:], "the other half")
    talk.expect(second, "ACK")


def _lower_case(stage: Stage, crc: str) -> list[str]:
    # An alarm text makes it so long that a letter stands in 0LLL, and in the CRC where that is to be small, too.
    known = stage.account("clear")
    texts = ("I" + "x" * (count % 16) for count in range(1000))
    made = (stage.message(known, extended=[text], crc=crc, length="lower") for text in texts)
    parts = [slice(5, 9)] if crc == "right" else [slice(1, 5), slice(5, 9)]
    said = next(one for one in made if all(re.search(b"[a-f]", one.data[part]) for part in parts))
    talk = stage.open()
    heard = talk.tell(said, "ACK", "silence")
    return [f"it answered {heard.word}" if heard else "it gave no answer", *_noted(talk.control())]


def _length_without_zero(stage: Stage) -> list[str]:
    right = stage.message()
    said = _changed(right, lambda text: text, length="1" + right.data[6:9].decode())
    talk = stage.open()
    talk.send(said)
    return _noted(talk.whatever(said), talk.control())


def _counting(stage: Stage, counted: int) -> Said:
    """A message of so many counted bytes, by a long address of its verification."""
    known = stage.account("clear")
    short = len(stage.message(known, extended=["V"]).data) - 10
    return stage.message(known, extended=["V" + ("https://pictures.example/" + "x" * counted)[: counted - short]])


def _of_length(stage: Stage, counted: int, words: tuple[str, ...]) -> list[str]:
    said = _counting(stage, counted)
    long = stage.kind == "udp" and counted > 1400
    heard = stage.open().tell(said, *words, *(("silence",) if long else ()))
    return [f"it answered {heard.word}" if heard else "it gave no answer"] if len(words) > 1 or long else []


def _too_long(stage: Stage) -> list[str]:
    stage.only_over("tcp", "tls")
    said = _changed(_counting(stage, MOST_COUNTED), lambda text: text.replace("xxxx", "xxxxx", 1), "1000")
    talk = stage.open()
    talk.send(said)
    return _noted(talk.whatever(said), talk.control())


def _never_ends(stage: Stage) -> list[str]:
    stage.only_over("tcp", "tls")
    talk = stage.open()
    said = _changed(_counting(stage, MOST_COUNTED), lambda text: text[:-40] + "x" * BEYOND)
    try:
        talk.send(said.data[:-1], "a frame that goes on and on")
        talk.silence(said)
        talk.send(b"\r", "its end, at last")
        talk.silence(said, "a message that is not as long as it says is none")
    except (EOFError, OSError):
        talk.close()
    return [*(["it closed the connection"] if talk.closed else []), *_noted(talk.control())]


def _changed(said: Said, change: Callable[[str], str], length: int | str = 0) -> Said:
    """A message with something of its text changed, in an envelope that is right for what came of it."""
    text = change(said.data[9:-1].decode("latin-1")).encode("latin-1")
    if length == 0 and len(text) > MOST_COUNTED:
        length = f"{MOST_COUNTED:04X}"
    return said._replace(data=spoiled(text, length=length))


def _text(stage: Stage, change: Callable[[str], str], ack: bool = True) -> list[str]:
    said = _changed(stage.message(stage.account("clear")), change)
    talk = stage.open()
    talk.send(said)
    return _noted(talk.whatever(said, ack=ack), talk.control())


def _leading_zero(stage: Stage) -> None:
    for one in stage.setup.accounts:
        if one.number.startswith("0"):
            stage.open().tell(stage.message(one), "ACK")
            return
    beside("no account with a leading zero was given")


def _account_in_lower_case(stage: Stage) -> list[str]:
    for one in stage.setup.accounts:
        lower = one.number.lower()
        if lower != one.number:
            said = stage.message(one, number=f"#{lower}")
            talk = stage.open()
            talk.send(said)
            return _noted(talk.whatever(said), talk.control())
    return beside("no account with a letter among its hex digits was given")


def _noted(*notes: str) -> list[str]:
    return [note for note in notes if note]


FORM = "DC-09 5.5.1*"
NOTED = "No ACK, or one that says exactly what was sent; what comes is noted."
EITHER = "An ACK or no answer; which one is noted."

CASES: tuple[Case[Stage], ...] = (
    Case(
        "envelope/cut-in-two-at-every-byte", PRACTICE,
        "Sends a message in two segments, cut after its first byte, then one cut after the second, and so on.",
        "An ACK to each: a stream has no seams.", _cut_in_two,
    ),
    Case(
        "envelope/one-byte-at-a-time", PRACTICE, "Sends a message in as many segments as it has bytes.", "An ACK.",
        _byte_by_byte,
    ),
    Case(
        "envelope/a-second-between-halves", PRACTICE,
        "Sends half a message, waits a second as for a lost segment, and sends the other half.", "An ACK.", _pause_between,
    ),
    Case(
        "envelope/truncated-at-every-byte", FORM,
        "Sends the beginnings of a message, of every length, each on a connection (or in a datagram) of its own.",
        "No answer to any; then an ACK to a right message.", _truncated,
    ),
    Case("envelope/cr-missing", PRACTICE, "Sends a message without its CR.", EITHER, _without_cr),
    Case(
        "envelope/cr-late", FORM, "Sends a message without its CR, and the CR a while later.",
        "One ACK, at the latest once the CR has come.", _late_cr, "It may go by the length and not wait.",
    ),
    Case("envelope/lf-missing", PRACTICE, "Sends a message without its LF.", EITHER, _without_lf),
    Case(
        "envelope/bit-flipped-at-every-byte", FORM,
        "Sends a message over and over, each time with one bit of another byte flipped.",
        "No answer to any; then an ACK to a right message.", _flipped, "It may close the connection.",
    ),
    Case(
        "envelope/twenty-in-one-segment", PRACTICE, "Sends twenty messages at once.", "An ACK to each.", _many_at_once,
        "Another order, which is noted.",
    ),
    Case(
        "envelope/one-and-a-half-in-a-segment", PRACTICE,
        "Sends a message and half of the next at once, then the other half.",
        "An ACK to the first, then one to the second.", _one_and_a_half,
    ),
    Case(
        "envelope/length-lower-case", PRACTICE, "Sends a message with its length in lower-case hex digits.", EITHER,
        partial(_lower_case, crc="right"),
    ),
    Case(
        "envelope/crc-and-length-lower-case", PRACTICE, "Sends a message with CRC and length in lower-case hex digits.",
        EITHER, partial(_lower_case, crc="lower"),
    ),
    Case(
        "envelope/length-without-its-zero", PRACTICE, "Sends a message with a 1 where the 0 of its 0LLL belongs.", NOTED,
        _length_without_zero,
    ),
    *(
        Case(
            f"envelope/of-{counted}-bytes", FORM, f"Sends a message of {counted} counted bytes, by a long address in it.",
            "An ACK.", partial(_of_length, counted=counted, words=("ACK",)),
        )
        for counted in (256, 512)
    ),
    *(
        Case(
            f"envelope/of-{counted}-bytes", FORM, f"Sends a message of {counted} counted bytes, by a long address in it.",
            "An answer, for 0LLL can say it: an ACK, or a DUH of one that will not go into it; which one is noted.",
            partial(_of_length, counted=counted, words=("ACK", "DUH")),
            "Over UDP, where networks may lose what is longer than a packet, none.",
        )
        for counted in (1024, 2048, MOST_COUNTED)
    ),
    Case(
        "envelope/of-4096-bytes", FORM, "Sends a message of 4096 counted bytes, one more than 0LLL can say.", NOTED,
        _too_long,
    ),
    Case(
        "envelope/never-ends", PRACTICE, f"Sends the beginning of a message and {BEYOND} bytes without an end, then a CR.",
        "No answer; then an ACK to a right message.", _never_ends, "It may close the connection.",
    ),
    *(
        Case(
            f"token/without-its-{which}-quote", PRACTICE, f"Sends a message without the {says}.", NOTED,
            partial(_text, change=change),
        )
        for which, says, change in (
            ("first", "quotation mark before its token", lambda text: text[1:]),
            ("second", "quotation mark after its token", lambda text: '"' + text[1:].replace('"', "", 1)),
        )
    ),
    Case(
        "numbers/leading-zero", "DC-09 5.5.3.1", "Sends a message of an account whose number begins with a zero.",
        "An ACK with the zero.", _leading_zero,
    ),
    Case(
        "numbers/account-lower-case", PRACTICE, "Sends a message whose account is in lower-case hex digits.", NOTED,
        _account_in_lower_case,
    ),
    Case(
        "data/without-brackets", PRACTICE, "Sends a message that ends with its account: no brackets, no data.",
        "No ACK: nothing was reported.", partial(_text, change=lambda text: text[: text.index("[")], ack=False),
    ),
    Case(
        "data/bracket-never-closed", PRACTICE, "Sends a message whose [ has no ].", NOTED,
        partial(_text, change=lambda text: text.replace("]", "")),
    ),
    Case(
        "extended/bracket-never-closed", PRACTICE,
        "Sends a message with extended data that has no ] before the stamp.", NOTED,
        partial(_text, change=lambda text: text.replace("]_", "][IDoor_")),
    ),
)  # fmt: skip
