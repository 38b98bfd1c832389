"""A frame taken apart for someone who learns the protocol or hunts a fault: which bytes, what they mean, what is wrong.

Clause numbers with a `*` are from memory of the standard; the others were read in its published text.
"""

import re
from collections.abc import Callable, Iterator
from typing import NamedTuple

from protocols import contact_id, two_letter
from protocols.dc09 import CONTENT, EXTENDED, STAMP, TEXT, TOKENS
from protocols.envelope import crc16, printable, unwrap
from protocols.values import Frame, utc_text

_MESSAGE = "DC-09 5.5.1*"
_MODIFIERS = {
    "ti": "time",
    "da": "date",
    "ri": "area",
    "id": "user",
    "pi": "peripheral",
    "ci": "automatic identifier",
}


class Part(NamedTuple):
    """Some bytes of a text, from `start` to before `end`: what they are, and what is wrong with them, if anything is."""

    start: int
    end: int
    name: str
    means: str
    clause: str
    wrong: str | None = None


class Explanation(NamedTuple):
    """The parts of the frame as sent, and, of sealed content that opened, the text after its padding with its parts."""

    parts: list[Part]
    opened: str | None
    opened_parts: list[Part]


def explain(frame: Frame) -> Explanation:
    """Take a decoded frame apart. Only a frame with an envelope has parts; nothing here shows padding or key."""
    if frame.kind == "call":
        return Explanation(list(_call_parts(frame)), None, [])
    envelope = unwrap(frame.raw) if frame.kind != "noise" else None
    if envelope is None:
        return Explanation([], None, [])
    raw = frame.raw
    begin = len(raw) - 1 - len(envelope.body)
    text = envelope.body.decode("latin-1")
    crc_end = 3 if envelope.binary else 5
    last = begin + len(text) - 1
    parts = [
        Part(0, 1, "LF", "opens the frame; outside CRC and length", _MESSAGE),
        Part(1, crc_end, "CRC", f"over bytes {begin} to {last}: {frame.crc_computed}", _MESSAGE, _crc_wrong(frame)),
        Part(
            crc_end, begin, "length", _length(frame, begin, last), _MESSAGE, _of(frame, "length-mismatch", "oversize")
        ),
    ]
    parts += _text_parts(frame, text, begin)
    parts.append(Part(begin + len(text), len(raw), "CR", "ends the frame; outside CRC and length", _MESSAGE))
    sealed = frame.encrypted and frame.content is not None
    opened = frame.content if sealed else None
    return Explanation(parts, opened, list(_content_parts(frame, opened, 0)) if opened is not None else [])


_CALL = (
    (4, "account", ""),
    (2, "message type", "18, or 98: Contact ID"),
    (1, "qualifier", "1 new or opening, 3 restoral or closing, 6 still present"),
    (3, "code", ""),
    (2, "area", "00: none"),
    (3, "number", "a zone or a user; 000: none"),
    (1, "checksum", "makes the sum of all sixteen a multiple of 15, where 0 counts 10"),
)


def _call_parts(frame: Frame) -> Iterator[Part]:
    """The sixteen digits of a telephone call (DC-05)."""
    if len(frame.raw) != 16:
        return
    begin = 0
    for size, name, means in _CALL:
        if name == "code" and frame.signals:
            means = frame.signals[0].meaning or ""
        wrong = _of(frame, "bad-checksum") if name == "checksum" else None
        yield Part(begin, begin + size, name, means, "DC-05", wrong)
        begin += size


def _of(frame: Frame, *rules: str, starting: str = "") -> str | None:
    found = [
        problem.detail for problem in frame.problems if problem.rule in rules and problem.detail.startswith(starting)
    ]
    return "; ".join(found) or None


def _length(frame: Frame, begin: int, last: int) -> str:
    return f"{frame.length_sent} bytes; from byte {begin} to {last} there are {frame.length_counted}"


def _crc_wrong(frame: Frame) -> str | None:
    if not frame.has("crc-mismatch"):
        return _of(frame, "binary-crc")
    hint = crc_hint(frame)
    return f"sent {frame.crc_sent}, expected {frame.crc_computed}" + (f"; {hint}" if hint else "")


def _crc16_from(data: bytes, register: int, polynomial: int) -> int:
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ (polynomial if register & 1 else 0)
    return register


def crc_hint(frame: Frame) -> str | None:
    """Which common mistake gives the CRC that was sent, if one does: the way in to a panel's fault."""
    envelope = unwrap(frame.raw)
    if envelope is None:
        return None
    body, sent = envelope.body, int(envelope.crc, 16)
    mistakes: tuple[tuple[str, Callable[[], int]], ...] = (
        ("its two bytes stand in the wrong order", lambda: int.from_bytes(crc16(body).to_bytes(2), "little")),
        ("it was started at FFFF instead of 0000", lambda: _crc16_from(body, 0xFFFF, 0xA001)),
        ("it was made with the polynomial of CCITT (1021)", lambda: _crc16_from(body, 0, 0x8408)),
        ("it was made over CR too", lambda: crc16(body + b"\r")),
        ("it was made over 0LLL too", lambda: crc16(frame.raw[5:9] + body)),
        ("it leaves out the first quotation mark", lambda: crc16(body[1:])),
    )
    return next((f"{text}" for text, made in mistakes if made() == sent), None)


def _text_parts(frame: Frame, text: str, offset: int) -> Iterator[Part]:
    match = TEXT.fullmatch(text)
    if not match:
        yield Part(offset, offset + len(text), "text", "cannot be taken apart", _MESSAGE, _of(frame, "bad-token"))
        return

    def place(group: str, before: int = 0, after: int = 0) -> tuple[int, int]:
        return offset + match.start(group) - before, offset + match.end(group) + after

    token = TOKENS.get(frame.token or "", "no token that is known here")
    crypt = ("; the * says: encrypted") if frame.encrypted else ""
    yield Part(*place("token", 1, 1), "token", token + crypt, _MESSAGE, _of(frame, "bad-token"))
    poll = "a poll: outside the count" if frame.sequence == 0 and frame.token == "NULL" else "echoed by the answer"
    yield Part(*place("sequence"), "sequence", poll, _MESSAGE, _of(frame, "bad-sequence"))
    for group, name, means in (
        ("receiver", "receiver R", "receiver number"),
        ("prefix", "prefix L", "account prefix"),
        ("account", "account #", "account number"),
    ):
        if match[group] is not None:
            yield Part(*place(group, 1), name, means, _MESSAGE, _of(frame, "bad-number", starting=f"the {name}"))
    if match["content"] is None:
        return
    start, end = place("content")
    yield Part(start - 1, start, "[", "opens the data", _MESSAGE)
    if frame.encrypted:
        wrong = _of(frame, "no-key", "decrypt-failed")
        padding = f", opened: {frame.padding} bytes of padding, then the text below" if frame.padding else ""
        yield Part(start, end, "sealed", f"{(end - start) // 2} bytes of AES-CBC in hex{padding}", "DC-09 5.4.6", wrong)
    else:
        yield from _content_parts(frame, match["content"], start)


def _content_parts(frame: Frame, text: str, offset: int) -> Iterator[Part]:
    match = CONTENT.fullmatch(text)
    if not match:
        wrong = _of(frame, "bad-payload", "decrypt-failed")
        yield Part(offset, offset + len(text), "data", "cannot be taken apart", _MESSAGE, wrong)
        return
    yield from _data_parts(frame, match["data"], offset)
    close = offset + match.end("data")
    yield Part(close, close + 1, "]", "ends the data", _MESSAGE)
    for entry in re.finditer(r"\[([^\]]*)\]", match["extended"]):
        begin = offset + match.start("extended") + entry.start()
        letter = entry[1][:1]
        wrong = _of(frame, "bad-extended", starting=f"[{entry[1]}]") or (
            _of(frame, "bad-extended", starting="time") if letter == "H" else None
        )
        name = EXTENDED.get(letter, "not listed")
        yield Part(begin, begin + len(entry[0]), f"extended {letter}", name, _MESSAGE, wrong)
    if match["stamp"]:
        begin = offset + match.start("stamp")
        means = f"the sender's time, UTC: {utc_text(frame.stamp)}" if STAMP.fullmatch(match["stamp"]) else "no time"
        yield Part(begin, offset + len(text), "stamp", means, "DC-09 5.5.2.1", _of(frame, "bad-stamp"))


def _data_parts(frame: Frame, data: str, offset: int) -> Iterator[Part]:
    inside, bar, message = data.rpartition("|") if frame.token not in ("SIA-DCS",) else data.partition("|")
    if not bar:
        inside, message = "", data
    if inside or bar:
        wrong = _of(frame, "account-differs")
        means = "account again, then |" if inside else "no account, then |"
        yield Part(offset, offset + len(inside) + 1, "account", means, _MESSAGE, wrong)
    begin = offset + len(data) - len(message)
    wrong = _of(frame, "bad-payload", "bad-checksum")
    if not message:
        if wrong:
            yield Part(begin, begin, "message", "nothing", _MESSAGE, wrong)
    elif not frame.signals and not message.startswith(("N", "O")):
        yield Part(begin, begin + len(message), "message", "", _MESSAGE, wrong)
    elif frame.token == "ADM-CID" and (match := contact_id.TEXT.fullmatch(message)):
        yield from _contact_id_parts(frame, match, begin)
    elif frame.token == "SIA-DCS":
        yield from _two_letter_parts(frame, message, begin)
    else:
        yield Part(begin, begin + len(message), "message", "", "DC-05" if frame.token == "ADM-CID" else _MESSAGE, wrong)


def _contact_id_parts(frame: Frame, match: re.Match[str], offset: int) -> Iterator[Part]:
    qualifier, area = match[1], match[4]
    signal = frame.signals[0]
    starts = [offset + match.start(group) for group in (1, 2, 4, 6)]
    kind = "user" if signal.user else "zone" if signal.zone else "zone or user"
    yield Part(starts[0], starts[0] + 1, "qualifier", contact_id.QUALIFIERS[qualifier], "DC-05")
    meaning = f"{signal.meaning or 'not known'} ({signal.category})"
    yield Part(starts[1], starts[1] + 3, "code", meaning, "DC-05", _of(frame, "unknown-code"))
    yield Part(starts[2], starts[2] + 2, "area", "none" if signal.area is None else f"area {area}", "DC-05")
    yield Part(starts[3], starts[3] + 3, kind, "none" if signal.number is None else f"{kind} {signal.number}", "DC-05")


def _two_letter_parts(frame: Frame, message: str, offset: int) -> Iterator[Part]:
    bad = _of(frame, "bad-payload")
    if message[:1] not in ("N", "O"):
        yield Part(offset, offset + len(message), "message", "", "DC-03", bad)
        return
    means = "new event" if message[0] == "N" else "old event: from the panel's memory"
    yield Part(offset, offset + 1, "age", means, "DC-03")
    signals = iter(frame.signals)
    place = 1
    while place < len(message):
        part = two_letter.PART.match(message, place)
        if part is None or part.end() == place:
            yield Part(offset + place, offset + len(message), "rest", "", "DC-03", bad)
            return
        begin, place = offset + place, part.end()
        end = offset + place
        if part["code"]:
            signal = next(signals, None)
            if signal is None:
                yield Part(begin, end, "code", "", "DC-03", bad)
                continue
            unknown = _of(frame, "unknown-code", starting=part["code"])
            number = f"; {_number_word(signal.zone, signal.user)} {signal.number}" if signal.number else ""
            meaning = f"{signal.meaning or 'not known'} ({signal.category}){number}"
            yield Part(begin, end, "code", meaning, "DC-03", unknown)
        elif modifier := part["modifier"] or part["time"] or part["identifier"]:
            yield Part(begin, end, "modifier", f"{_MODIFIERS.get(modifier, modifier)}, for the codes after it", "DC-03")
        elif not part["separator"]:
            yield Part(begin, end, "text", printable(message[begin - offset : place].encode("latin-1")), "DC-03")


def _number_word(zone: str | None, user: str | None) -> str:
    return "zone" if zone else "user" if user else "number"
