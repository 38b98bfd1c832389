"""A load on a receiver: who sends what and when, which answer belongs to it, and what became of all. No socket, no clock.

The load is an *open loop*: the schedule is made beforehand, and a message leaves when it is due, whether or not the last one
has been answered. A delay counts from the time the message was due, not from when it could be sent, so a receiver that stops
for a second shows that second in every message that was due in it (no "coordinated omission").

Times are nanoseconds since the load began.
"""

import random
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal, NamedTuple

from fastcrc.crc16 import arc

from protocols.dc09 import ACCOUNT, build, decode
from protocols.envelope import Piece, Reader, printable
from protocols.exchange import LAST_SEQUENCE, belongs, following
from protocols.seal import Key, PadSource, padding

SECOND = 1_000_000_000
MOST_MESSAGES = 10_000_000  # of one load: some 40 bytes each are held
MOST_SAMPLES = 10  # of what was wrong, that are shown with their bytes
KEEP = 0  # a habit: never open another connection; any other number is how many messages go over one

MESSAGE, POLL, REPEAT, BAD = range(4)
KINDS = ("messages", "polls", "repeats", "bad")
LONGEST = 7 * 24 * 3600  # seconds
Arrivals = Literal["poisson", "even"]


# What is to be sent


@dataclass(frozen=True, slots=True)
class Order:
    """A load as it is asked for: `rate` in messages a second, `seconds` long, shares from 0 to 1 of all messages."""

    accounts: int
    rate: float
    seconds: float
    polls: float = 0.0
    repeats: float = 0.0
    bad: float = 0.0
    arrivals: Arrivals = "poisson"
    seed: int = 0

    def __post_init__(self) -> None:
        if not (0 < self.rate < MOST_MESSAGES and 0 < self.seconds <= LONGEST):
            raise ValueError(
                f"a load has a rate above 0 and lasts up to {LONGEST:,} s, not {self.rate:g} a second for {self.seconds:g} s"
            )
        if not 1 <= self.count <= MOST_MESSAGES:
            raise ValueError(
                f"{self.rate:g} a second for {self.seconds:g} s are {self.count:,} messages;"
                f" a load has 1 to {MOST_MESSAGES:,}"
            )
        if not self.polls + self.repeats + self.bad <= 1 + 1e-9:
            raise ValueError("the shares of polls, repeats and bad frames add up to more than 1")

    @property
    def count(self) -> int:
        return round(self.rate * self.seconds)


class Schedule(NamedTuple):
    """When each message is due, from which panel (counted from 0), and of which kind; in order of time."""

    due: "array[int]"
    panel: "array[int]"
    kind: bytearray

    def counts(self) -> dict[str, int]:
        """How many there are of each kind."""
        return {name: self.kind.count(number) for number, name in enumerate(KINDS)}


def schedule(order: Order) -> Schedule:
    """Lay out a load. The same order gives the same schedule.

    `poisson`: panels that know nothing of each other, so messages come in clusters, as they do at a station; their number is
    as asked. `even`: one after the other at the same distance, the panels in turn. Shares are met to the message, but for
    repeats: a panel that has sent nothing yet has nothing to repeat, and sends a message instead.
    """
    dice, count, length = random.Random(order.seed), order.count, order.seconds * SECOND
    if order.arrivals == "poisson":
        # A Poisson process of which the number is known: that many moments drawn at random, in order.
        due = array("q", sorted(int(dice.random() * length) for _ in range(count)))
        panel = array("L", (int(dice.random() * order.accounts) for _ in range(count)))
    else:
        due = array("q", (number * int(length) // count for number in range(count)))
        panel = array("L", (number % order.accounts for number in range(count)))
    shares = ((POLL, order.polls), (REPEAT, order.repeats), (BAD, order.bad))
    kind = bytearray(b"".join(bytes([which]) * round(share * count) for which, share in shares)[:count])
    kind += bytearray([MESSAGE]) * (count - len(kind))
    dice.shuffle(kind)
    begun = bytearray(order.accounts)
    for place, (which, who) in enumerate(zip(kind, panel, strict=True)):
        if which == REPEAT and not begun[who]:
            kind[place] = which = MESSAGE
        if which == MESSAGE:
            begun[who] = 1
    return Schedule(due, panel, kind)


def account_numbers(first: str, count: int) -> list[str]:
    """So many account numbers from the first on, all as long as it is; in decimal where the first is, else in hex digits.

    ValueError where that many do not fit, or the first is no number of 3 to 16 hex digits.
    """
    base = 10 if first.isdecimal() else 16
    if not ACCOUNT.fullmatch(first):
        raise ValueError(f"the first account {first!r} is no number of 3 to 16 hex digits")
    begin = int(first, base)
    if begin + count > base ** len(first):
        raise ValueError(f"{count:,} accounts from {first} on do not fit into {len(first)} digits")
    write = f"{{:0{len(first)}{'d' if base == 10 else 'X'}}}".format
    return [write(number) for number in range(begin, begin + count)]


def framed(body: bytes) -> bytes:
    """What `envelope.wrap` does, without its checks, at a tenth of the cost: the client must not be what limits."""
    return b"\n%04X%04X%b\r" % (arc(body), len(body), body)


class Message(NamedTuple):
    """What a panel sends. `mark` is its sequence as sent; `answer` the ACK to it byte for byte, empty where it is sealed."""

    frame: bytes
    mark: bytes
    answer: bytes


class Sender:
    """One panel of the population: its account, its count, its key. In clear it leaves the stamp out, as it may (5.5.2.1).

    Its messages are openings by a user, so that nobody is told of an alarm; no two are alike: when the count begins again,
    the user is another. Unlike `exchange.Panel` it does not wait for an answer: that is what an open loop is.
    """

    __slots__ = ("_last", "_number", "_pad", "_tail", "account", "key", "sequence")

    def __init__(self, account: str, sequence: int = 1, key: Key | None = None, pad: PadSource = padding) -> None:
        self.account, self.sequence, self.key, self._pad = account, sequence, key, pad
        self._tail = f"L0#{account}[".encode()
        self._number = 0  # of messages so far
        self._last = (sequence, "")

    def next(self, kind: int, now: datetime) -> Message:
        """The next message of a kind (`MESSAGE`, `POLL`, `REPEAT`, `BAD`); `now` is stamped where it is sealed (5.5.2.1)."""
        if kind == POLL:
            return self._write("NULL", 0, None, now)
        if kind == REPEAT and self._last[1]:
            return self._write("ADM-CID", *self._last, now)
        payload = f"1401 01 {self._number // LAST_SEQUENCE % 999 + 1:03d}"
        sequence, self.sequence = self.sequence, following(self.sequence)
        self._number += 1
        message = self._write("ADM-CID", sequence, payload, now)
        if kind == BAD:
            return message._replace(frame=b"\n%04X" % (int(message.frame[1:5], 16) ^ 0xFFFF) + message.frame[5:])
        self._last = sequence, payload
        return message

    def _write(self, token: str, sequence: int, payload: str | None, now: datetime) -> Message:
        mark = b"%04d" % sequence
        if self.key:
            frame = build(token, sequence, self.account, payload, stamp=now, key=self.key, pad=self._pad)
            return Message(frame, mark, b"")
        head = mark + self._tail
        data = f"#{self.account}|{payload}]".encode() if payload else b"]"
        return Message(framed(b'"%b"%b%b' % (token.encode(), head, data)), mark, framed(b'"ACK"%b]' % head))


def population(accounts: Sequence[str], keys: Sequence[Key], seed: int) -> list[Sender]:
    """A panel for each account; keys are dealt in turn. Each count begins somewhere, as it does where panels have run on."""
    dice = random.Random(seed ^ 0x5EED)
    return [
        Sender(account, dice.randint(1, LAST_SEQUENCE), keys[number % len(keys)] if keys else None)
        for number, account in enumerate(accounts)
    ]


# Which answer belongs to what


NONE, ACK, NAK, DUH, FOREIGN = range(5)
_WORDS = {"ACK": ACK, "NAK": NAK, "DUH": DUH, "foreign": FOREIGN}


class Heard(NamedTuple):
    """What came back: the place in the schedule of the message it answers (-1: of none), the word, why it is foreign."""

    place: int
    word: int
    why: str = ""
    data: bytes = b""


class Conversation:
    """What one connection waits for, and what comes back on it: every answer is held against the message it answers.

    `echo`: at the other end is a bare echo, so what is due is the frame itself.
    """

    __slots__ = ("_bad", "_echo", "_key", "_reader", "_waiting", "waits")

    def __init__(self, key: Key | None = None, *, echo: bool = False) -> None:
        self._key, self._echo = key, echo
        self._waiting: dict[bytes, list[tuple[int, bytes, bytes]]] = {}  # by sequence: place, answer due, frame
        self._bad: set[bytes] = set()
        self._reader: Reader | None = None  # only while an answer has come in part
        self.waits = 0

    def sent(self, place: int, message: Message, kind: int) -> None:
        """Wait for the answer to a message; a bad frame waits for none."""
        frame, mark, answer = message
        if self._echo:
            mark = answer = frame
        elif kind == BAD:
            self._bad.add(mark)
            return
        self.waits += 1
        if mark in self._waiting:
            self._waiting[mark].append((place, answer, frame))
        else:
            self._waiting[mark] = [(place, answer, frame)]

    def heard(self, data: bytes) -> list[Heard]:
        """Take what arrived; several messages that wait under one number are answered in their order."""
        # The common case, one whole answer that is the very bytes that are due: `\nCCCCLLLL"ACK"SSSS`.
        if self._reader is None:
            mark = data if self._echo else data[14:18]
            waiting = self._waiting.get(mark)
            if waiting and waiting[0][1] == data:
                return [Heard(self._answered(mark, waiting), ACK)]
            self._reader = Reader()
        heard = [self._judge(piece) for piece in self._reader.feed(data)]
        if self._reader.holds == "nothing":
            self._reader = None
        return heard

    def ended(self) -> list[Heard]:
        """The connection (or the datagram) ended: what had come only in part is no answer."""
        reader, self._reader = self._reader, None
        return [self._judge(piece) for piece in reader.close()] if reader else []

    def _answered(self, mark: bytes, waiting: list[tuple[int, bytes, bytes]]) -> int:
        self.waits -= 1
        if len(waiting) == 1:
            del self._waiting[mark]
        return waiting.pop(0)[0]

    def _judge(self, piece: Piece) -> Heard:
        data = piece.data
        mark = data if self._echo else data[14:18]
        waiting = self._waiting.get(mark)
        if waiting and waiting[0][1] == data:
            return Heard(self._answered(mark, waiting), ACK)
        if self._echo:
            return Heard(-1, FOREIGN, "an echo of nothing that was sent", data)
        reply = decode(piece, self._key)
        mark = (reply.sequence_sent or "").encode("latin-1")
        if reply.token == "NAK":  # says no sequence: it must be meant for what has waited longest
            mark = next(iter(self._waiting), b"")
        waiting = self._waiting.get(mark)
        sent = decode(waiting[0][2]) if waiting else None  # its head alone is compared, which is never sealed
        found = belongs(reply, sent or reply)
        if found.word == "foreign" or waiting is None:
            why = found.why if sent or found.word == "foreign" else self._stray(mark)
            return Heard(-1, FOREIGN, why, data)
        return Heard(self._answered(mark, waiting), _WORDS[found.word])

    def _stray(self, mark: bytes) -> str:
        if mark in self._bad:
            return "an answer to a frame whose CRC was wrong; no answer would have been right"
        return f"no message waits for an answer with the sequence {mark.decode('latin-1') or 'that it has'}"


# What became of it


@dataclass(slots=True)
class Troubles:
    """Things that went wrong and belong to no message: when each happened, and what the first ones were."""

    at: "array[int]" = field(default_factory=lambda: array("q"))
    samples: list[str] = field(default_factory=list)

    def add(self, now: int, why: str, data: bytes = b"") -> None:
        self.at.append(now)
        if len(self.samples) < MOST_SAMPLES:
            self.samples.append(f"{why}: {printable(data[:256])}" if data else why)


class Run:
    """A load as it went. Of each place in the schedule: what was answered, how long after it was due, when it left.

    `delay` and `lag` are -1 where there is none. `lag` is how long after it was due the client handed the message over
    (to the socket, or to a connection that was opening or full): the client's own lateness, which is in the delay too.
    """

    def __init__(self, order: Order, plan: Schedule) -> None:
        self.order, self.schedule = order, plan
        self.word = bytearray(len(plan.due))
        self.delay = array("q", [-1]) * len(plan.due)
        self.lag = array("q", [-1]) * len(plan.due)
        self.wrong = Troubles()  # answers that belong to no message
        self.broken = Troubles()  # connections that broke while a message waited on them
        self.unopened = Troubles()  # connections that could not be opened
        self.opened = 0
        self.done = 0  # how much of the schedule was gone through: less than all where a person ended it

    def heard(self, heard: Heard, now: int) -> None:
        """Take down an answer that arrived at `now`."""
        place = heard.place
        if place < 0:
            self.wrong.add(now, heard.why, heard.data)
            return
        self.word[place] = heard.word
        self.delay[place] = now - self.schedule.due[place]

    def places(self) -> Iterator[tuple[int, int, int, int, int]]:
        """Of each message that was due: when, its kind, the word that answered it, its delay and its lag."""
        due, _, kind = self.schedule
        for place in range(self.done):
            yield due[place], kind[place], self.word[place], self.delay[place], self.lag[place]
