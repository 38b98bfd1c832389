"""Each answer of now held against the one that was recorded to the same message, and what differs gathered.

No socket and no clock. What a message and its two answers need is let go once both have come, so a recording may be of any
length.
"""

import re
from collections import Counter, OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime

from protocols.envelope import printable
from protocols.exchange import Heard
from protocols.values import Frame
from receiver.desk import Decision
from receiver.rehearing import MOST_OUTSTANDING, Judged

SHOWN = 5  # frames of one difference whose numbers are kept
MOST_GROUPS = 1000  # differences that are told apart
_NUMBERS = re.compile(r"\b[0-9A-F]{3,}\b")


@dataclass(frozen=True, slots=True)
class Reply:
    """One answer. `why` says what is foreign in it; the desk's has no frame. `after` is its delay in seconds."""

    word: str
    sealed: bool
    after: float | None
    why: str = ""
    frame: Frame | None = None


@dataclass(slots=True, eq=False)
class Message:
    """A piece that the recorded panel sent, how it went now, and what was answered then and now."""

    judged: Judged
    round: int
    raw: bytes = b""  # whole, as recorded
    sequence: int | None = None  # the new one, where numbers run on
    answerable: bool = True
    sent: Frame | None = None
    sent_at: datetime | None = None
    recorded: Reply | None = None
    now: Reply | None = None
    gone: bool = False  # it has been sent, or never will be
    settled: bool = False

    @property
    def frame(self) -> Frame:
        return self.judged.decision.frame


@dataclass(slots=True)
class Group:
    """One difference: the first sentence of its kind, how often, in which frames, and the first of them."""

    sentence: str
    count: int = 0
    numbers: list[int] = field(default_factory=list)
    raw: str = ""


def reply_from(frame: Frame, heard: Heard, after: float | None) -> Reply:
    return Reply(frame.token or "something unreadable", frame.encrypted, after, heard.why, frame)


def reply_of(decision: Decision) -> Reply | None:
    """What the desk's decision will be on a wire."""
    if decision.reply == "none":
        return None
    return Reply(decision.reply, decision.frame.encrypted and decision.reply == "ACK", None)


def nearest(reply: Frame, waiting: Iterable[Message]) -> Message | None:
    """The message that an answer which fits none was likely meant for: the oldest of its sequence, or of all that wait.

    So a receiver that echoes a wrong number is seen to do so, and not just to stay silent.
    """
    silent = [message for message in waiting if message.now is None]
    same = (m for m in silent if m.sent is not None and m.sent.sequence_sent == reply.sequence_sent)
    return next(same, silent[0] if silent else None)


def difference(recorded: Reply | None, now: Reply | None) -> str | None:
    """What differs, in a sentence; stamps do not count."""
    if recorded is None or now is None:
        if recorded is now:
            return None
        return f"{recorded.word if recorded else 'no answer'} → {_in_words(now) if now else 'no answer'}"
    if recorded.word != now.word:
        return f"{recorded.word} → {_in_words(now)}"
    if _kind(recorded.why) != _kind(now.why):
        then = recorded.why or "it belonged to its message"
        return f"{now.word}: {then} → {now.why or 'it belongs to its message'}"
    if recorded.sealed != now.sealed:
        return f"{now.word}: {_sealed(recorded)} → {_sealed(now)}"
    if recorded.word == "NAK" and recorded.frame and now.frame:  # others echo their message, or are foreign
        for what in ("sequence_sent", "receiver", "prefix", "account"):
            then, here = getattr(recorded.frame, what), getattr(now.frame, what)
            if then != here:
                return f"NAK: {what.removesuffix('_sent')} {then or 'none'} → {here or 'none'}"
    return None


def _in_words(reply: Reply) -> str:
    return f"{reply.word}, but {reply.why}" if reply.why else reply.word


def _sealed(reply: Reply) -> str:
    return "sealed" if reply.sealed else "in clear"


def _kind(sentence: str) -> str:
    """A sentence without its numbers: those of two frames differ."""
    return _NUMBERS.sub("…", sentence)


class Comparison:
    """Gathers both sides. `settled` is told of each message once all is known of it, with what differs, or None.

    A conversation is one opening of a connection; what belongs to no message of it is counted for the whole of it.
    """

    def __init__(self, settled: Callable[[Message, str | None], None] = lambda *_: None) -> None:
        self.settled = settled
        self._open: dict[int, OrderedDict[int, Message]] = {}
        self._foreign: dict[
            int, Counter[str]
        ] = {}  # by what was said: more often now, or more often recorded (below 0)
        self.now, self.recorded = Counter[str](), Counter[str]()
        self.groups: dict[str, Group] = {}
        self.messages = self._differ = 0

    @property
    def differ(self) -> int:
        """How many answers differ. Where a recording holds no answers at all, there is nothing to differ from."""
        return self._differ if self.recorded else 0

    def asked(self, conversation: int, message: Message) -> None:
        """A message is to be sent."""
        waiting = self._open.setdefault(conversation, OrderedDict())
        waiting[message.judged.number] = message
        while len(waiting) > MOST_OUTSTANDING and next(iter(waiting.values())).gone:
            self._settle(waiting.popitem(last=False)[1])

    def was_answered(self, conversation: int, number: int | None, reply: Reply) -> None:
        """The recording holds this answer to the message of that number, or to none."""
        waiting = self._open.get(conversation, OrderedDict())
        message = waiting.get(number) if number is not None else None
        if number is not None and message is None:
            return  # to a message that is not played
        self.recorded[reply.word] += 1
        if message is None:
            silent = [one for one in waiting.values() if one.answerable and one.recorded is None]
            same = (m for m in silent if reply.frame and m.frame.sequence_sent == reply.frame.sequence_sent)
            message = next(same, silent[0] if silent else None)
        if message is None:
            self._stray(conversation, reply, -1)
            return
        if message.recorded is not None:  # a foreign one came before it
            self._stray(conversation, message.recorded, -1)
        message.recorded = reply
        self._look(waiting, message)

    def is_answered(self, conversation: int, message: Message | None, reply: Reply) -> None:
        """This was answered now."""
        self.now[reply.word] += 1
        if message is None or message.settled:
            self._stray(conversation, reply, 1)
            return
        if message.now is not None:
            self._stray(conversation, message.now, 1)
        message.now = reply
        self._look(self._open.get(conversation, OrderedDict()), message)

    def end(self, conversation: int) -> None:
        """Nothing more comes in it, from either side."""
        for message in self._open.pop(conversation, {}).values():
            self._settle(message)
        for said, count in self._foreign.pop(conversation, Counter()).items():
            if count:
                self._differs(f"{said}: {'additional' if count > 0 else 'missing'}", abs(count), None)

    def finish(self) -> None:
        for conversation in {*self._open, *self._foreign}:
            self.end(conversation)

    def abandon(self) -> None:
        """It ends before its time: what still waits is neither right nor wrong."""
        self._open.clear()
        self._foreign.clear()

    def _look(self, waiting: OrderedDict[int, Message], message: Message) -> None:
        if message.recorded and message.now and not (message.recorded.why or message.now.why):
            waiting.pop(message.judged.number, None)
            self._settle(message)

    def _settle(self, message: Message) -> None:
        message.settled = True
        differs = difference(message.recorded, message.now)
        self.messages += 1
        if differs:
            self._differs(differs, 1, message)
        self.settled(message, differs if self.recorded else None)

    def _stray(self, conversation: int, reply: Reply, count: int) -> None:
        said = _kind(f"{_in_words(reply)} (an answer to no message)")
        self._foreign.setdefault(conversation, Counter())[said] += count

    def _differs(self, sentence: str, count: int, message: Message | None) -> None:
        self._differ += count
        kind = _kind(sentence)
        if kind not in self.groups and len(self.groups) >= MOST_GROUPS:
            kind = sentence = "other differences"
        group = self.groups.setdefault(kind, Group(sentence))
        group.count += count
        if message is not None:
            if len(group.numbers) < SHOWN:
                group.numbers.append(message.judged.number)
            group.raw = group.raw or printable(message.frame.raw[:512])
