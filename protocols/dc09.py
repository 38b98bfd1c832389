"""The text of a DC-09 frame: read with every fault named, and built.

    "id" seq Rrcvr Lpref #acct [data] [x…]… timestamp

Reading is lenient in finding the fields and strict in judging them: one regular expression takes the text apart wherever
it can be taken apart, then each field is held against the standard. So a frame with one bad field still shows the others.
"""

import re
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache

from protocols import contact_id, two_letter
from protocols.envelope import MOST_COUNTED, Piece, crc16, read_all, unwrap, wrap
from protocols.seal import Key, PadSource, SealError, padding, seal, unseal
from protocols.values import Extended, Frame, Payload

MESSAGES = {
    "ADM-CID": "a Contact ID message",
    "SIA-DCS": "a message in two-letter codes",
    "NULL": "a link test: a poll",
}
REPLIES = {
    "ACK": "received without error",
    "NAK": "the message's stamp is outside the receiver's window",
    "DUH": "arrived right, but cannot be processed",
    "RSP": "received, with data for the sender",
}
TOKENS = MESSAGES | REPLIES
PAYLOADS: dict[str, Callable[[str], Payload]] = {"ADM-CID": contact_id.read, "SIA-DCS": two_letter.read}

# Extended data, each led by one capital letter (from memory of DC-09's table of them).
EXTENDED = {
    "A": "authentication hash",
    "H": "time of occurrence",
    "I": "alarm text",
    "K": "key exchange",
    "L": "location",
    "M": "MAC address",
    "N": "network address",
    "O": "building name",
    "P": "programming data",
    "R": "room",
    "S": "site name",
    "T": "alarm trigger",
    "V": "verification",
    "X": "longitude",
    "Y": "latitude",
    "Z": "altitude",
}
NOTHING = Payload(())
OLD = timedelta(minutes=10)  # an event that occurred longer before its report came from the panel's memory

# A message or poll in clear without a fault and without extended data, at one look: the most of what comes in. What this
# matches, and what then holds in `_at_one_look`, has nothing to be judged; everything else is taken apart field by field.
RIGHT = re.compile(
    r"""
    \n ([0-9A-F]{4}) (0[0-9A-F]{3})
    "(ADM-CID|SIA-DCS|NULL)" ([0-9]{4}) (?: R ([0-9A-Fa-f]{1,6}) )? L ([0-9A-Fa-f]{1,6}) \# ([0-9A-Fa-f]{3,16})
    \[ ( (?: \# ([0-9A-Fa-f]+) \| ([^\[\]]*) )? \] (_[0-9:,-]{19})? )
    \r
    """,
    re.X,
)
TEXT = re.compile(
    r"""
    " (?P<token> [^"\[]* ) "
      (?P<sequence> [^RL\#\[]* )
    (?: R (?P<receiver> [^L\#\[]* ) )?
    (?: L (?P<prefix> [^\#\[]* ) )?
    (?: \# (?P<account> [^\[]* ) )?
    (?: \[ (?P<content> .* ) )?
    """,
    re.X | re.S,
)
CONTENT = re.compile(r"(?P<data>[^\]]*)\](?P<extended>(?:\[[^\]]*\])*)(?P<stamp>.*)", re.S)
STAMP = re.compile(r"_?(\d\d):(\d\d):(\d\d),(\d\d)-(\d\d)-(\d{4})", re.A)
_EXTENDED = re.compile(r"\[([^\]]*)\]")
_HEX = re.compile(r"[0-9A-Fa-f]+")
ACCOUNT = re.compile(r"[0-9A-Fa-f]{3,16}")  # a whole account number (from memory)
_TOO_LONG = re.compile(rb'\n[0-9A-Fa-f]{4}([1-9A-Fa-f][0-9A-Fa-f]{3})"')
_SEQUENCE = re.compile(r"[0-9]{4}")

_SHARED = 64  # characters of a payload up to which frames that say the same share what was read

KeyFor = Callable[[Frame], Key | Sequence[Key] | None]  # of several, the first that opens it


def read_stamp(text: str) -> datetime | None:
    """`_HH:MM:SS,MM-DD-YYYY`, UTC (5.5.2.1). None for anything that is no such time."""
    return _read_stamp(text) if len(text) <= 20 else None


# Panels that keep time send the same stamp in the same second, and the same event again and again.
@lru_cache(1024)
def _read_stamp(text: str) -> datetime | None:
    match = STAMP.fullmatch(text)
    if not match:
        return None
    hour, minute, second, month, day, year = map(int, match.groups())
    try:
        return datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:
        return None


def write_stamp(moment: datetime) -> str:
    """The stamp for a UTC time."""
    return f"{moment:_%H:%M:%S,%m-%d-}{moment.year:04d}"  # strftime leaves zeros off an early year


def decode(piece: Piece | bytes, keys: Key | Sequence[Key] | KeyFor | None = None) -> Frame:
    """Read one piece of a stream, as far as it goes. Never raises: what is wrong is among the frame's problems.

    `keys` opens encrypted content: one key, or a function that finds the key once the head of the frame is known.
    Stamps are read, not compared with the present time: that is the desk's business.
    """
    if isinstance(piece, bytes):
        piece = Piece("frame", piece, len(piece))
    if piece.kind == "frame" and (right := _at_one_look(piece.data)):
        return right
    return _field_by_field(piece, keys)


def _at_one_look(raw: bytes) -> Frame | None:
    """A frame that `RIGHT` matches and in which nothing is wrong; None where somebody must look closer."""
    match = RIGHT.fullmatch(raw.decode("latin-1"))
    if not match:
        return None
    crc, length, token, sequence, receiver, prefix, account, content, inside, data, stamp = match.groups()
    counted = len(raw) - 10
    if int(length, 16) != counted or int(crc, 16) != crc16(raw[9:-1]):
        return None
    moment, payload = _read_stamp(stamp) if stamp else None, NOTHING
    if stamp and moment is None:
        return None
    if token == "NULL":
        if data is not None:
            return None
        data = ""
    elif data is None or sequence == "0000" or not (inside == account or same_number(inside, account)):
        return None
    else:
        payload = _read_payload(token, data)
    # In the order of the fields of `Frame`: by name it costs half as much again.
    return Frame(
        raw, len(raw), "frame", crc, crc, counted, counted, token, False, int(sequence), sequence, receiver, prefix,
        account, content, inside, data, moment, None, None, list(payload.signals), [], list(payload.problems),
        list(payload.notes),
    )  # fmt: skip


def _field_by_field(piece: Piece, keys: Key | Sequence[Key] | KeyFor | None) -> Frame:
    frame = Frame(piece.data, piece.size, piece.kind)
    if piece.kind == "noise":
        count = "1 byte" if piece.size == 1 else f"{piece.size} bytes"
        frame.problem("noise", f"{count} outside any frame (a frame runs from LF to CR)")
        if piece.data.startswith(b"\x16\x03"):
            frame.notes.append("this looks like TLS on a line in clear")
        elif re.match(rb"(?:GET|POST|HEAD|OPTIONS|PUT) ", piece.data):
            frame.notes.append("this looks like a web browser or another HTTP client")
        if piece.data.startswith(b'"', 8) or piece.data.startswith(b'"', 0):
            frame.notes.append("this looks like a frame without its LF; `farend decode --text` adds LF and CR")
        return frame
    if piece.kind == "oversize":
        frame.problem("oversize", f"{piece.size} bytes without an end; a frame counts at most {MOST_COUNTED}")
        return frame
    envelope = unwrap(piece.data)
    if envelope is None:
        if announced := _TOO_LONG.match(piece.data):
            frame.kind = "oversize"
            frame.problem("oversize", f"announces {int(announced[1], 16)} bytes; 0LLL counts at most {MOST_COUNTED}")
        _bad_envelope(frame)
        body = piece.data[max(piece.data.find(b'"'), 0) :].rstrip(b"\r")
    else:
        body = envelope.body
        frame.crc_sent, frame.crc_computed = envelope.crc, f"{crc16(body):04X}"
        frame.length_sent, frame.length_counted = envelope.length, len(body)
        if envelope.length > MOST_COUNTED:
            frame.kind = "oversize"
            frame.problem("oversize", f"announces {envelope.length} bytes; 0LLL counts at most {MOST_COUNTED}")
        elif envelope.length != len(body):
            frame.problem("length-mismatch", f"0LLL says {envelope.length} bytes; there are {len(body)}")
        if frame.crc_sent.upper() != frame.crc_computed:
            frame.problem("crc-mismatch", f"sent {frame.crc_sent}; these bytes give {frame.crc_computed}")
        if envelope.binary:
            frame.problem("binary-crc", "the CRC came as two binary bytes; DC-09 sends four ASCII hex digits")
        elif piece.data[1:9] != piece.data[1:9].upper():
            frame.notes.append("CRC or length in lower-case hex digits")
    _read_text(frame, body.decode("latin-1"), keys)
    return frame


def decode_all(data: bytes, keys: Key | Sequence[Key] | KeyFor | None = None) -> list[Frame]:
    """Every frame and every run of noise in a datagram or a whole stream."""
    return [decode(piece, keys) for piece in read_all(data)]


def _bad_envelope(frame: Frame) -> None:
    raw = frame.raw
    if not raw.endswith(b"\r"):
        what = "it has no CR: the connection ended or the next LF came first"
    elif raw[9:10] != b'"':
        what = 'after LF come four CRC digits, then 0 and three length digits, then "'
    else:
        what = f"{raw[1:9]!r} are no hex digits of crc and length"
    frame.problem("bad-envelope", f"no envelope to read: {what}")


def _read_text(frame: Frame, text: str, keys: Key | Sequence[Key] | KeyFor | None) -> None:
    match = TEXT.fullmatch(text)
    if not match:
        frame.problem("bad-token", 'no token in quotation marks, such as "SIA-DCS"')
        return
    token, sequence, receiver, prefix, account, content = match.groups()
    frame.encrypted = token.startswith("*")
    frame.token = token = token[1:] if frame.encrypted else token
    if token not in TOKENS:
        frame.problem("bad-token", f"token {token!r} is not known here")
    if token == "NAK" and account is None and prefix and prefix.endswith("A0"):
        prefix = prefix[:-2]  # a NAK says A0 where others say #account
    _read_sequence(frame, sequence)
    frame.receiver = _number(frame, "receiver R", receiver, 1, 6, needed=False)
    frame.prefix = _number(frame, "prefix L", prefix, 1, 6, needed=True)
    frame.account = _number(frame, "account #", account, 3, 16, needed=token != "NAK")
    if content is None:
        frame.problem("bad-payload", "there is no [ that opens the data")
        return
    if frame.encrypted:
        found = keys(frame) if callable(keys) else keys
        if not found:
            frame.problem("no-key", "the content is encrypted and there is no key to open it")
            return
        try:
            content = _open(frame, (found,) if isinstance(found, Key) else found, content)
        except SealError as error:
            frame.problem("decrypt-failed", str(error))
            return
    _read_content(frame, content)


def _open(frame: Frame, keys: Sequence[Key], digits: str) -> str:
    """The content, opened by the first key that makes sense of it; SealError, the first key's, where none opens it.

    By chance another key may give legal padding, so what it opens must read to its stamp before it counts.
    """
    opened: list[tuple[Key, int, str]] = []
    why: SealError | None = None
    for key in keys:
        try:
            opened.append((key, *unseal(key, digits)))
        except SealError as error:
            why = why or error
            continue
        match = CONTENT.fullmatch(opened[-1][2])
        if match and match[3] and read_stamp(match[3]):
            opened = opened[-1:]
            break
    if not opened:
        raise why or SealError("there is no key")
    frame.key, frame.padding, content = opened[0]
    return content


def _read_sequence(frame: Frame, sequence: str) -> None:
    frame.sequence_sent = sequence
    if not _SEQUENCE.fullmatch(sequence):
        frame.problem("bad-sequence", f"{sequence!r} is not four decimal digits")
        return
    frame.sequence = int(sequence)
    if frame.sequence == 0 and frame.token not in ("NULL", *REPLIES):
        frame.problem("bad-sequence", "0000 is for polls; messages count 0001 to 9999")


def _number(frame: Frame, what: str, text: str | None, least: int, most: int, *, needed: bool) -> str | None:
    if text is None:
        if needed:
            frame.problem("bad-number", f"the {what} is missing")
    elif not least <= len(text) <= most or not _HEX.fullmatch(text):
        frame.problem("bad-number", f"the {what} is {text!r}; it has {least} to {most} hex digits")
    return text


def _read_content(frame: Frame, content: str) -> None:
    frame.content = content
    match = CONTENT.fullmatch(content)
    if not match:
        rule = "decrypt-failed" if frame.encrypted else "bad-payload"
        frame.problem(rule, "there is no ] that ends the data")
        return
    data, extended, stamp = match.groups()
    if stamp:
        frame.stamp = read_stamp(stamp) if stamp.startswith("_") else None
        if frame.stamp is None:
            rule = "decrypt-failed" if frame.encrypted else "bad-stamp"
            frame.problem(rule, f"{'what ends it' if frame.encrypted else repr(stamp)} is no _HH:MM:SS,MM-DD-YYYY")
            if frame.encrypted:
                return
    elif frame.encrypted:
        frame.problem("missing-stamp", "an encrypted frame must carry a stamp (5.5.2.1)")
    if extended:
        _read_extended(frame, extended)
    _read_data(frame, data)
    if frame.occurred and frame.stamp and frame.stamp - frame.occurred > OLD:
        frame.from_memory()


def _read_extended(frame: Frame, text: str) -> None:
    for entry in _EXTENDED.findall(text):
        letter, value = entry[:1], entry[1:]
        name = EXTENDED.get(letter)
        frame.extended.append(Extended(letter, name, value))
        if not ("A" <= letter <= "Z"):
            frame.problem("bad-extended", f"[{entry}] is not led by a capital letter")
        elif name is None:
            frame.notes.append(f"extended data {letter} is not listed in DC-09")
        elif letter == "H":
            frame.occurred = read_stamp(value)
            if frame.occurred is None:
                frame.problem("bad-extended", f"time of occurrence {value!r} is no HH:MM:SS,MM-DD-YYYY")


def _read_data(frame: Frame, data: str) -> None:
    inside, bar, payload = data.partition("|")
    if data and frame.token in ("NULL", *REPLIES):
        frame.notes.append(f"{frame.token} carries [], and here something stands in the brackets")
    reader = PAYLOADS.get(frame.token or "")
    if not bar:
        # In a sealed frame the bar after the padding may be the only one: then no account stands inside.
        inside, payload = "", data
        if reader and not frame.encrypted:
            frame.data = data
            frame.problem("bad-payload", f"{data!r} has no | between account and message")
            return
    frame.data = payload
    if inside:
        frame.account_inside = inside.removeprefix("#")
        if not inside.startswith("#") or not _HEX.fullmatch(frame.account_inside):
            frame.problem("bad-payload", f"{inside!r} before the | is no #account")
            return
        if frame.account is None or not same_number(frame.account_inside, frame.account):
            frame.problem("account-differs", f"{frame.account_inside} inside the brackets, {frame.account} outside")
    if reader:
        result = _read_payload(frame.token or "", payload)
        frame.signals = list(result.signals)
        frame.problems += result.problems
        frame.notes += result.notes


def _read_payload(token: str, text: str) -> Payload:
    return read_short(token, text) if len(text) <= _SHARED else PAYLOADS[token](text)


@lru_cache(8192)
def read_short(token: str, text: str) -> Payload:
    return PAYLOADS[token](text)


def same_number(one: str, other: str) -> bool:
    """Whether two numbers are the same but for leading zeros and the case of hex digits."""
    return one == other or bare(one) == bare(other)


def bare(number: str) -> str:
    """A number without its leading zeros, hex digits in capitals: the form in which numbers are compared."""
    return number.lstrip("0").upper() or "0"


def build(
    token: str,
    sequence: int,
    account: str | None,
    payload: str | None = None,
    *,
    receiver: str | None = None,
    prefix: str | None = "0",
    extended: Sequence[tuple[str, str]] = (),
    stamp: datetime | None = None,
    key: Key | None = None,
    pad: PadSource = padding,
) -> bytes:
    """Build a frame. `payload` None sends `[]`, as polls and answers do; a key seals the content and marks the token.

    ValueError for what no frame can carry: numbers that are not hex digits of the right count, a sequence outside
    0-9999, brackets inside data, characters outside Latin-1, more than 4095 counted bytes. A sealed frame without a stamp
    is built as asked, though 5.5.2.1 forbids it: a bench must be able to send what a receiver must refuse.
    """
    if not 0 <= sequence <= 9999:
        raise ValueError(f"a sequence number runs from 0 to 9999, not {sequence}")
    head = f'"{"*" if key else ""}{token}"{sequence:04d}'
    for letter, number, least, most in (("R", receiver, 1, 6), ("L", prefix, 1, 6), ("#", account, 3, 16)):
        if number is not None:
            if not least <= len(number) <= most or not _HEX.fullmatch(number):
                raise ValueError(f"{letter}{number}: a number of {least} to {most} hex digits stands there")
            head += letter + number
    for part in (payload or "", *(value for _, value in extended)):
        if re.search(r"[\[\]\r\n]", part):
            raise ValueError(f"{part!r}: brackets, LF and CR cannot stand inside data")
        if wide := re.search(r"[^\x00-\xff]", part):
            raise ValueError(f"{part!r}: {wide[0]!r} is no character of Latin-1, so no byte stands for it")
    content = "" if payload is None else f"#{account}|{payload}"
    content += "]" + "".join(f"[{letter}{value}]" for letter, value in extended)
    content += write_stamp(stamp) if stamp else ""
    return wrap(f"{head}[{seal(key, content, pad) if key else content}".encode("latin-1"))
