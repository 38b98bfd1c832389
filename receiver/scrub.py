"""A recording made fit to keep: what could say whose it is replaced, every byte else, length and fault as it was.

The same walk through a frame serves three ends, by what it asks for each value: to take all values in, to replace them
(`Substitutes`), and to find what a recording still tells (`receiver.telltale`). Codes, areas, zones, users, sequences and
stamps stay: they are what a recording is kept for.
"""

import re
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import zip_longest
from typing import Any

from protocols.contact_id import TEXT as CONTACT_ID
from protocols.contact_id import digit_value
from protocols.dc09 import CONTENT, PAYLOADS, STAMP, TEXT, TOKENS
from protocols.envelope import LONGEST_FRAME, crc16
from protocols.seal import Key, SealError, seal, unseal
from protocols.two_letter import PART
from protocols.values import Frame, Signal
from receiver.book import SECRETS, Account, Book, to_toml
from receiver.capture import Happening
from receiver.rehearing import Answered, Judging, Missing, Passed, rehear
from receiver.substitutes import ScrubError, Substitutes, is_place

KINDS = {  # extended data that is replaced, by letter; what the report calls it
    "A": "authentication hash", "I": "text", "K": "key exchange", "L": "place", "O": "name", "P": "programming data",
    "R": "name", "S": "name", "V": "link", "X": "place", "Y": "place", "Z": "place",
}  # fmt: skip
_QUIET = bytes(value for value in range(256) if value not in b'\n\r"')
ROUTES = frozenset(("wired", "wifi", "cellular", "phone"))  # names of paths that are the trade's words, and stay

_PLAIN = re.compile(rb'\n[0-9A-Fa-f]{8}"')
_BINARY = re.compile(rb'\n[\x00-\xff]{2}0[0-9A-Fa-f]{3}"')
_HTTP = re.compile(r"(?:GET|POST|HEAD|OPTIONS|PUT) ")
_BLOCK = re.compile(r"([0-9B-F]{4})( ?(?:18|98) ?[136][0-9B-F]{3} ?[0-9B-F]{2} ?[0-9B-F]{3} ?)([0-9B-F])", re.I)
_CUT_MESSAGE = re.compile(r"(?=.{0,11}$)(?:[136][0-9A-F]{0,3}(?: [0-9A-F]{0,3}){0,2})?", re.I)
_NUMBER_ALONE = re.compile(r"[0-9A-Fa-f]{3,16}")
_ENTRY = re.compile(r"\[([^\]]*)\]")
_HEX = re.compile(r"[0-9A-Fa-f]+")
_PLACE = re.compile(r"\[[0-9A-Fa-f:.%]+\]|(?<![\d.])\d{1,3}(?:\.\d{1,3}){3}(?![\d.])")
_PLAIN_NAME = re.compile(r"(?:tcp|udp|tls|log|hex|line|file|stream|packets)(?:-\d{0,5})?(?:/\d{1,5})?")
_BY_PEER = re.compile(r"(?:udp|tcp|tls)-(?P<peer>.+?)(?:/\d{1,5})?")
LINES = ("tcp", "udp", "tls", "phone")


class Scrubber:
    """Walks through frames and replaces what could tell whose they are. `book` has the old keys."""

    def __init__(self, substitutes: Substitutes, book: Book) -> None:
        self.substitutes, self._book = substitutes, book
        self.sealed: dict[str, Key] = {}  # accounts whose sealed frames were opened, by number as sent
        self._new_keys: dict[Key, Key] = {}

    def piece(self, raw: bytes, frame: Frame) -> bytes:
        """A piece of a stream, all of it, and as it was decoded."""
        text = raw.decode("latin-1")
        if frame.kind == "noise":
            word = _HTTP.match(text)
            kept = (
                word.end() if word else 2 if raw.startswith(b"\x16\x03") else 0
            )  # what it looks like is told by these
            return raw[:kept] + self.substitutes.rubbish(text[kept:]).encode("latin-1")
        head = 9 if _PLAIN.match(raw) else 7 if _BINARY.match(raw) else 0
        if len(raw) > LONGEST_FRAME:
            return raw[: head or 1] + self.substitutes.rubbish(text[head or 1 :]).encode("latin-1")
        end = len(raw) - raw.endswith(b"\r")
        if not head:
            return self._without_head(text, end, frame).encode("latin-1")
        body = self._body(text[head:end], frame).encode("latin-1")
        checks = _check_fields(raw[:head], raw[head:end], body)
        if head == 7 and end == len(raw) and self.substitutes.settled:
            # A frame without its end has no crc to be held against; its first quotation mark begins the body, wherever.
            quiet = self.substitutes.chance("crc", text).choices(_QUIET, k=2)
            checks = (
                raw[:1] + bytes(old if old == 34 else new for old, new in zip(raw[1:3], quiet, strict=True)) + raw[3:7]
            )
        return checks + body + raw[end:]

    def new_key(self, key: Key) -> Key:
        if key not in self._new_keys or not self.substitutes.settled:
            self._new_keys[key] = Key.from_hex(self.substitutes.key(key))
        return self._new_keys[key]

    def _without_head(self, text: str, end: int, frame: Frame) -> str:
        """A frame whose crc and length cannot be read. What may be digits of a crc becomes other digits."""
        quote = text.find('"')
        start = end if quote < 0 else quote
        head, body = text[1:start], text[start:end]
        if len(head) <= 8:
            chance = self.substitutes.chance("head", text)
            head = "".join("2457"[ord(c) % 4] if c.isdigit() else c for c in self.substitutes.hexes(head[:4], chance))
            size = text[5:start]
            if not re.fullmatch("0[0-9A-Fa-f]{3}", size):
                size = "".join("2457"[ord(c) % 4] if c.isdigit() else c for c in self.substitutes.hexes(size, chance))
            head += size
        else:
            head = self.substitutes.rubbish(head)
        return text[:1] + head + (self._body(body, frame) if body else "") + text[end:]

    def _body(self, text: str, frame: Frame) -> str:
        match = TEXT.fullmatch(text)
        if not match:
            return self.substitutes.rubbish(text)
        found, place = "", 0
        for name in ("token", "sequence", "receiver", "prefix", "account", "content"):
            if match[name] is not None:
                found += text[place : match.start(name)] + self._field(name, match[name], frame)
                place = match.end(name)
        return found + text[place:]

    def _field(self, name: str, value: str, frame: Frame) -> str:
        if name == "token":
            star, bare = ("*", value[1:]) if value.startswith("*") else ("", value)
            return value if bare in TOKENS else star + self.substitutes.text(bare, "token")
        if name == "sequence":
            return value if len(value) <= 6 else self.substitutes.rubbish(value)
        if name == "account":
            return self.substitutes.account(value)
        if name == "content":
            return self._sealed(value, frame) if frame.encrypted else self._content(value, frame.token)
        if name == "prefix" and frame.token == "NAK" and frame.account is None and value.endswith("A0"):
            return self._field("receiver", value[:-2], frame) + "A0"  # a NAK says A0 where others say #account
        # R and L are lines of a receiver as a rule; with three digits or more they may name somebody.
        return self.substitutes.account(value, "receiver or prefix") if len(value.lstrip("0")) >= 3 else value

    def _sealed(self, digits: str, frame: Frame) -> str:
        key = self._book.key_for(frame)
        new = self.new_key(key) if key else None
        chance = self.substitutes.chance("sealed", digits)
        try:
            content = unseal(key, digits)[1] if key else None
        except SealError:
            content = None
        if content is None or new is None or key is None:
            return self._shut(digits, new)
        if frame.account:
            self.sealed[frame.account] = key
        pads = [value for value in range(256) if value not in b"[]|"]
        sealed = seal(new, self._content(content, frame.token), lambda count: bytes(chance.choices(pads, k=count)))
        return sealed.lower() if digits != digits.upper() else sealed

    def _shut(self, digits: str, new: Key | None) -> str:
        """Other digits for what does not open: they do not open under the new key either, and for the same reason."""
        chance = self.substitutes.chance("shut", digits)
        while True:
            found = self.substitutes.hexes(digits, chance)
            if new is None or not self.substitutes.settled:
                return found
            try:
                unseal(new, found)
            except SealError:
                return found

    def _content(self, content: str, token: str | None) -> str:
        match = CONTENT.fullmatch(content)
        if not match:
            return self._data(content, token)
        data, extended, stamp = match.groups()
        if stamp and not STAMP.fullmatch(stamp):
            stamp = self.substitutes.text(stamp, "text")
        return f"{self._data(data, token)}]{_ENTRY.sub(self._extended, extended)}{stamp}"

    def _extended(self, entry: re.Match[str]) -> str:
        letter, value = entry[1][:1], entry[1][1:]
        if not ("A" <= letter <= "Z"):
            return f"[{self.substitutes.text(entry[1])}]"
        if letter == "M":
            value = self.substitutes.mac(value)
        elif letter == "N":
            value = self.substitutes.reported(value)
        elif not ((letter == "H" and STAMP.fullmatch(value)) or (letter == "T" and len(value) <= 3)):
            value = self.substitutes.text(value, KINDS.get(letter, "text"))
        return f"[{letter}{value}]"

    def _data(self, data: str, token: str | None) -> str:
        inside, bar, payload = data.partition("|")
        if not bar and token in PAYLOADS and _NUMBER_ALONE.fullmatch(data):
            return self.substitutes.account(data)  # no message: it may be a number
        if not bar and not (inside.startswith("#") and _HEX.fullmatch(inside[1:])):
            return self._payload(data, token)
        mark, number = ("#", inside[1:]) if inside.startswith("#") else ("", inside)
        return mark + self.substitutes.account(number) + bar + self._payload(payload, token)

    def _payload(self, text: str, token: str | None) -> str:
        if token == "ADM-CID":
            if block := _BLOCK.fullmatch(text):
                account = self.substitutes.account(block[1])
                return account + block[2] + _same_remainder(block[1], account, block[3])
            if CONTACT_ID.fullmatch(text) or _CUT_MESSAGE.fullmatch(text):
                return text
        if token == "SIA-DCS" and text[:1] in ("N", "O"):
            return text[0] + "".join(self._parts(text))
        return self.substitutes.text(text)

    def _parts(self, text: str) -> Iterator[str]:
        """The parts of a message in two-letter codes, its texts replaced, and from where it cannot be read, the rest."""
        place = 1
        while place < len(text):
            part = PART.match(text, place)
            if part is None or part.end() == place:
                yield self.substitutes.text(text[place:])
                return
            group = next(
                (one for one in ("starred", "careted", "plain", "blank", "name") if part[one] is not None), None
            )
            if group is None:
                yield part[0]
            else:
                yield text[place : part.start(group)] + self.substitutes.text(part[group])
                yield text[part.end(group) : part.end()]
            place = part.end()

    # What is around the frames

    def around(self, one: Happening) -> Happening:
        """A happening with other addresses; its bytes stay."""
        peer = one.peer and self.substitutes.peer(one.peer)
        line = one.line if one.line is None or one.line in LINES else self.substitutes.text(one.line, "name")
        return one._replace(peer=peer, line=line, connection=self.connection(one.connection, one.peer, peer))

    def connection(self, name: str, peer: str | None = None, new: str | None = None) -> str:
        """The name of a connection: where the peer's address stands in it, the new one; other words are replaced."""
        line, dash, rest = name.partition("-")
        by_peer = _BY_PEER.fullmatch(name)
        if by_peer and peer and new and by_peer["peer"] == peer:
            return name.replace(peer, new)
        if _PLAIN_NAME.fullmatch(name):
            return name
        if by_peer and _PLACE.match(by_peer["peer"]) and is_place(by_peer["peer"]):
            return name.replace(by_peer["peer"], self.substitutes.peer(by_peer["peer"]))
        known = line in ("tcp", "udp", "tls") and dash
        return line + dash + self.substitutes.text(rest, "name") if known else self.substitutes.text(name, "name")

    def account(self, account: Account) -> dict[str, Any]:
        """An account of the book as a table of the new one; its key stands in it, for it guards nothing."""
        swap, name = self.substitutes, self.substitutes.text
        table = account.model_dump(
            mode="json", exclude_none=True, exclude={*SECRETS, "old_key_until", "certificate", "only_tls"}
        )
        table["number"], table["name"] = swap.account(account.number), name(account.name, "name")
        for mark in ("receiver", "prefix"):
            if mark in table:
                table[mark] = self._field("receiver", table[mark], Frame(b"", 0))
        if account.time_zone:
            table["time_zone"] = "Etc/UTC"
        if account.key:
            table["key"] = f"hex:{swap.key(account.key)}"
            self.new_key(account.key)
        for kind in ("area", "zone", "user", "path"):
            for entry in table.get(kind, ()):
                entry["name"] = entry["name"] if entry["name"] in ROUTES else name(entry["name"], "name")
        for path, entry in zip(account.path, table.get("path", ()), strict=True):
            if path.prefix is not None:
                entry["prefix"] = self._field("receiver", path.prefix, Frame(b"", 0))
            if path.network is not None:
                entry["network"] = str(swap.network(path.network))
        return table

    def book(self, accounts: Iterable[Account]) -> str:
        """The new book's text."""
        head = "# Made fit to keep with `farend capture scrub`: no number, name, network or key here is real, and the keys\n"
        return (
            head + "# guard nothing any more.\n" + "".join("\n" + to_toml("account", self.account(a)) for a in accounts)
        )


def _check_fields(head: bytes, old: bytes, new: bytes) -> bytes:
    """Crc and length for the new body: the crc as far from what it should be as it was, and written as it was."""
    change = crc16(old) ^ crc16(new)
    if len(head) == 7:
        return head[:1] + (int.from_bytes(head[1:3]) ^ change).to_bytes(2) + head[3:]
    crc = b"%04X" % (int(head[1:5], 16) ^ change)
    return head[:1] + (crc.lower() if head[1:9] != head[1:9].upper() else crc) + head[5:]


def _same_remainder(old: str, new: str, last: str) -> str:
    """The last digit of a Contact ID block for another account: as right, or as wrong, as it was."""
    needed = (sum(map(digit_value, old)) - sum(map(digit_value, new)) + digit_value(last)) % 15 or 15
    digit = "_1234567890BCDEF"[needed]
    return digit.lower() if last.islower() else digit


@dataclass(slots=True)
class _Line:
    """A happening that waits until all its bytes are replaced."""

    happening: Happening
    done: bytearray = field(default_factory=bytearray)

    @property
    def whole(self) -> bool:
        return len(self.done) == len(self.happening.data)


def walk(happenings: Iterable[Happening], judging: Judging, scrubber: Scrubber) -> Iterator[Happening]:
    """The recording with everything replaced, cut as it was. What is still in mid-frame is held back with what follows."""
    waiting: deque[_Line] = deque()
    streams: dict[tuple[str, str], tuple[bytearray, deque[_Line]]] = {}

    def taken() -> Iterator[Happening]:
        for one in happenings:
            line = _Line(one)
            waiting.append(line)
            if one.data:
                raw, lines = streams.setdefault((one.connection, one.what), (bytearray(), deque()))
                raw += one.data
                lines.append(line)
            yield one

    names: dict[str, str] = {}

    def out() -> Iterator[Happening]:
        while waiting and waiting[0].whole:
            line = waiting.popleft()
            one = scrubber.around(line.happening)
            if line.happening.what == "open":
                names[line.happening.connection] = one.connection
            else:  # as its `open` named it
                one = one._replace(connection=names.get(line.happening.connection, one.connection))
            yield one._replace(data=bytes(line.done))

    for passed in rehear(taken(), judging):
        if not isinstance(passed, Missing):
            frame, side = frame_of(passed), "receiver" if isinstance(passed, Answered) else "panel"
            raw, lines = streams[passed.connection, side]
            new = scrubber.piece(bytes(raw[: frame.size]), frame)
            del raw[: frame.size]
            while new:
                line = lines[0]
                room = len(line.happening.data) - len(line.done)
                line.done += new[:room]
                new = new[room:]
                if line.whole:
                    lines.popleft()
            if not lines:
                del streams[passed.connection, side]
        yield from out()
    yield from out()
    if waiting:
        raise ScrubError("the recording ends, and some of its bytes were in no piece; nothing is left out, so it stops")


def frame_of(passed: Passed) -> Frame:
    assert not isinstance(passed, Missing)
    return passed.heard.frame if isinstance(passed, Answered) else passed.decision.frame


def held_alike(old: Iterable[Passed], new: Iterable[Passed]) -> int:
    """Hold a recording against its scrubbed one: how many frames there were. ScrubError names the first that differs."""
    count = 0
    for one, other in zip_longest(old, new):
        before, after = _kept(one), _kept(other)
        if before != after:
            number = getattr(one or other, "number", count)
            what = next((name for name in before if before[name] != after.get(name)), "the count of frames")
            raise ScrubError(f"frame {number} would no longer be judged as it was ({what}): nothing was written")
        count += not isinstance(one, Missing)
    return count


_LOWER = "CRC or length in lower-case hex digits"


def _kept(passed: Passed | None) -> dict[str, Any]:
    """All of a piece that must be the same once it is scrubbed."""
    if passed is None:
        return {}
    if isinstance(passed, Missing):
        return {"at": passed.at, "lost": (passed.side, passed.size)}
    frame = frame_of(passed)
    found: dict[str, Any] = {
        "at": passed.at,
        "number": passed.number,
        "kind": (frame.kind, frame.size),
        "crc": frame.crc_sent and int(frame.crc_sent, 16) ^ int(frame.crc_computed or "0", 16),
        "length": (frame.length_sent, frame.length_counted),
        "token": frame.token if frame.token in TOKENS else frame.token and len(frame.token),
        "encrypted": (frame.encrypted, frame.padding),
        "sequence": frame.sequence,
        "stamp": (frame.stamp, frame.occurred),
        "sizes": [None if one is None else len(one) for one in (frame.receiver, frame.prefix, frame.account)],
        "account inside": frame.account_inside and len(frame.account_inside),
        "problems": [problem.rule for problem in frame.problems],
        # A crc of decimal digits alone is in no case: whether the new one has letters is chance.
        "notes": [note for note in frame.notes if note != _LOWER],
        "extended": [(one.id if one.name else "", len(one.value)) for one in frame.extended],
        "signals": [_signal(signal) for signal in frame.signals],
    }
    if isinstance(passed, Answered):
        return found | {"answer": (passed.heard.word, passed.to and passed.to.number)}
    decision, origin = passed.decision, passed.origin
    path = decision.account and decision.account.path_of(origin.line, origin.port, frame.prefix, origin.host)
    return found | {
        "verdict": (decision.verdict, decision.reply, decision.sequence_note, decision.repeat_of),
        "warning": (decision.refused_alarm, decision.warning),
        "path": path and decision.account and [one.name for one in decision.account.path].index(path),
    }


def _signal(signal: Signal) -> tuple[Any, ...]:
    modifiers = {name: value if name != "ci" else len(value) for name, value in signal.modifiers.items()}
    numbers = signal.area, signal.zone, signal.user, signal.number
    return (
        signal.code_set, signal.code, signal.qualifier, signal.category, numbers, signal.text and len(signal.text),
        signal.from_memory, modifiers,
    )  # fmt: skip
