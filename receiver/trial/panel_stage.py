"""A panel as a trial sees it: what it says, and what the receivers that the trial plays answer, rightly or not.

One stage lasts for a whole trial, since a panel does: its connections, its count and its clock go on from case to case.
Whatever a case does not want for itself is answered rightly, polls above all.
"""

from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from math import inf
from typing import Any, NamedTuple, NoReturn, TypeVar

from protocols.dc09 import decode, same_number, write_stamp
from protocols.envelope import Piece, Reader, read_all
from protocols.exchange import answer, following
from protocols.seal import Key, PadSource, padding, seal
from protocols.values import Frame, legible
from receiver.trial.case import Trace, beside, fails, unclear
from receiver.trial.ears import RECEIVERS, Arrival, Ears
from receiver.trial.stage import spoiled
from receiver.words import of_signal

AWAY_SECONDS = 120.0  # how far a case moves the panel's clock, to see whether it follows
MOST_TRIES = 10  # at one receiver: what is sent more often than this does not stop
OFF_SECONDS = 60  # a stamp further from our clock than this shows a clock that a NAK has moved
FIRST, SECOND = 0, 1
LOUD = ("fire", "gas", "medical", "panic")  # told even while something is waited for
MOST_TOLD = 50  # events that nobody asked for: what is beyond is counted
CROSSED_SECONDS = 0.5  # a repeat that comes this soon after its answer had left before it
DAMAGED = ("crc-mismatch", "length-mismatch", "bad-envelope", "oversize")  # a receiver drops these without an answer

ACT = "Make a zone or test report that comes at once (disarming may delay it)"

T = TypeVar("T")
Notes = list[str] | None


@dataclass
class Setup:
    """What is known of the panel before the trial, and what the person at it is asked for. Times in seconds.

    `wait` and `tries`: how long it waits for an answer, and how often it sends to one receiver, as far as it is known.
    `patience`: how long a person may take. `least` and `most`: a panel waits this long for an answer (from memory: 5-60 s).
    `later`: once all has failed, it begins again within this. `still`: what it has to say anyway, it says within this.
    """

    account: str
    key: Key | None = None
    poll_seconds: float | None = None
    wait: float = 20.0
    tries: int = 3
    patience: float = 60.0
    act: str = ACT
    least: float = 5.0
    most: float = 60.0
    later: float = 300.0
    still: float = 1.5
    wait_told: bool = False  # `wait` was given, so it is what must be measured


class Message(NamedTuple):
    """A frame of the panel's: which receiver it was for, on which connection, when."""

    ear: int
    connection: int
    udp: bool
    frame: Frame
    tick: float
    off: float | None  # its stamp minus our clock, in seconds; stamps are whole, so up to 1 s of it is nothing
    delayed: bool = False  # connections were closed or refused shortly before: it may have been made some time ago

    @property
    def poll(self) -> bool:
        return self.frame.token == "NULL"

    @property
    def following(self) -> int:
        """The number of the message after it."""
        return following(self.frame.sequence or 0)


def same(one: Message, other: Message) -> bool:
    """Whether two are the same message: token, account, number and data, whatever the stamp and the padding."""
    a, b = one.frame, other.frame
    if a.content is None or b.content is None or a.data is None or b.data is None:
        return a.raw == b.raw
    return (a.token, a.account, a.sequence_sent, a.account_inside, a.data, a.extended) == (
        b.token, b.account, b.sequence_sent, b.account_inside, b.data, b.extended,
    )  # fmt: skip


@dataclass
class Kept:
    """What was seen once and is judged by several cases."""

    value: Any
    passed: list[Any] = field(default_factory=list)


def half(data: bytes) -> bytes:
    """The first half of an answer."""
    return data[: len(data) // 2]


def times(count: int) -> str:
    """`once`, `3 times`"""
    return "once" if count == 1 else f"{count} times"


class Stage:
    """What a case plays on."""

    def __init__(self, ears: Ears, setup: Setup, tell: Callable[[str], None] = lambda _: None) -> None:
        self.ears, self.setup, self.tell = ears, setup, tell
        self.waiting: Callable[[str, float], None] = lambda words, seconds: (
            None
        )  # told what is waited for, at most so long
        self.trace = Trace(ears.tick)
        self.heard: list[Message] = []  # in the whole trial
        self._events: list[Message] = []  # those of it that are no polls, each once
        self.left: list[Frame] = []  # what a receiver of this account does not answer, and neither do we
        self.left_why: dict[str, int] = {}  # why, in words, and how often
        self.unasked: list[str] = []  # events that nobody had asked for
        self.repeated: list[str] = []  # that it sent again what had its answer; since this was last judged
        self.measured_wait = 0.0  # how long it waits for an answer, once that was seen
        self.faults: list[str] = []  # bytes outside any frame
        self.open: dict[int, int] = {}  # the connections that are open, and whose
        self.most_open = [0] * ears.count
        self.deaf: set[int] = set()  # receivers that answer nothing now, polls included
        self.asks: list[float] = []  # when the person was asked
        self.nobody = 0  # times in a row that nobody did what was asked
        self.alone = False  # nobody is asked any more
        self._refusing = False  # in this case
        self._disturbed = -inf  # when connections were last closed or refused
        self._bidden = 0  # how often anything was asked for, to set the clock right too
        self._asking = False  # somebody was asked, and nothing has come yet
        self.before_nak: int | None = None  # how much was heard before our first NAK: its clock as it came to us
        self.clock_moved = False  # a NAK may have set the panel's clock wrong
        self._touched = False  # a NAK with a wrong time, or none, was sent some time
        self._unseen = False  # and no new stamp has come since
        self._answered: deque[tuple[Message, float]] = deque(maxlen=50)  # what had its right answer, and when
        self._brought: set[tuple[str, ...]] = set()  # what the person's doing brings: code, area, number
        self._came: Counter[tuple[str, ...]] = Counter()
        self._owed: Message | None = None  # the event that still lacks its answer
        self._readers: dict[int, Reader] = {}
        self._coming: deque[Message] = deque()
        self._kept: dict[str, Kept] = {}

    @property
    def wait(self) -> float:
        """How long it waits for an answer: as was given, or as was measured where that is longer."""
        return max(self.setup.wait, self.measured_wait)

    @property
    def limit(self) -> float:
        """What did not come again within this does not come again."""
        return max(self.setup.most, 2 * self.wait) + 1

    @property
    def clock_unsure(self) -> bool:
        """Whether its clock may be wrong: a NAK has moved it, or may have and no stamp has shown that it did not."""
        return self.clock_moved or self._unseen

    # What the panel does

    def tick(self) -> float:
        return self.ears.tick()

    def next(self, seconds: float) -> Message | None:
        """The panel's next frame, None where none comes in time."""
        deadline = self.tick() + seconds
        while not self._coming:
            arrival = self.ears.arrived(max(deadline - self.tick(), 0))
            if arrival is None:
                return None
            self._take(arrival)
        return self._coming.popleft()

    def _take(self, arrival: Arrival) -> None:
        number, ear = arrival.connection, arrival.ear
        if arrival.what == "opened":
            self.open[number], self._readers[number] = ear, Reader()
            self.most_open[ear] = max(self.most_open[ear], sum(one == ear for one in self.open.values()))
            self.trace.add(number, "opened", words=f"by the panel, to {RECEIVERS[ear]}")
        elif arrival.what == "closed":
            self._read(arrival, self._readers.pop(number, Reader()).close())
            self.open.pop(number, None)
            self.trace.add(number, "lost")
        else:
            words = f"by {RECEIVERS[ear]}{' over UDP' if arrival.udp else ''}" if self.ears.count > 1 else ""
            self.trace.add(number, "got", arrival.data, words, self.setup.key)
            self._read(arrival, read_all(arrival.data) if arrival.udp else self._readers[number].feed(arrival.data))

    def _read(self, arrival: Arrival, pieces: list[Piece]) -> None:
        for piece in pieces:
            frame = decode(piece, self.setup.key)
            if piece.kind != "frame":
                self.faults.append("; ".join([frame.problems[0].detail, *frame.notes]))
                continue
            if why := self._not_ours(frame):
                self._leave(frame, why)
                continue
            off = (frame.stamp - arrival.now.replace(microsecond=0)).total_seconds() if frame.stamp else None
            delayed = arrival.tick < self._disturbed + self.limit
            message = Message(arrival.ear, arrival.connection, arrival.udp, frame, arrival.tick, off, delayed)
            self._look_at_clock(frame, off)
            if not message.poll:
                self._owed = message
                self._look_at_event(message)
                if not any(same(message, one) for one in self._events[-20:]):
                    self._events.append(message)
            self.heard.append(message)
            self._coming.append(message)

    def _not_ours(self, frame: Frame) -> str:
        """Why a receiver of this account leaves a frame unanswered, in words that say what to do; "" for one it answers."""
        if frame.has(*DAMAGED):
            return f"it is damaged ({frame.problems[0].detail})"
        if frame.account is None or not same_number(frame.account, self.setup.account):
            return f"it is of account {legible(frame.account or 'none')}, not {self.setup.account} (see --account)"
        if frame.has("no-key"):
            return "it is sealed, and no key was given (see --key)"
        if frame.has("decrypt-failed"):
            return "it does not open with the key that was given (see --key)"
        return ""

    def _leave(self, frame: Frame, why: str) -> None:
        """Leave a frame without an answer, so that it goes to a receiver that it is meant for; say so the first time."""
        self.left.append(frame)
        kind = why.partition(" (")[0]
        if kind not in self.left_why:
            self.tell(f"A frame came that is not answered: {why}. So with all that are like it.")
        self.left_why[kind] = self.left_why.get(kind, 0) + 1

    def _look_at_event(self, message: Message) -> None:
        """Say aloud what nobody asked for: nobody else hears it. And note what comes again though it had its answer."""
        if any(same(message, one) for one in self.heard[-20:]):
            had = next((at for one, at in self._answered if same(message, one)), None)
            if had is not None and message.tick > had + CROSSED_SECONDS:
                self.repeated.append(
                    f"number {message.frame.sequence_sent} had its right answer, and came again "
                    f"{message.tick - had:.1f} s later"
                )
            return
        for signal in message.frame.signals:
            what = (signal.code_set, signal.code, signal.area or "", signal.number or "")
            self._came[(signal.qualifier, *what)] += 1
            if self._asking and (not self._brought or signal.category not in LOUD):
                self._brought.add(what)
            elif what in self._brought and self._came[(signal.qualifier, *what)] <= self._bidden:
                continue
            else:
                words = f"{self.ears.now():%H:%M:%S} UTC, not asked for: {of_signal(signal.to_json())}"
                self._came[(signal.qualifier, *what)] -= 1
                self.unasked.append(words)
                self.tell(words)

    def _look_at_clock(self, frame: Frame, off: float | None) -> None:
        """Whether the panel's clock is where it was, or right: by a stamp that is new, not by the bytes of a repeat."""
        if off is None or not self._touched or any(one.frame.raw == frame.raw for one in self.heard):
            return
        own = next((one.off for one in self.heard if one.off is not None), 0.0)
        self._unseen = False
        self.clock_moved = min(abs(off), abs(off - own)) >= OFF_SECONDS

    def again(self, first: Message, seconds: float | None = None) -> Message | None:
        """The same message once more, None where it does not come. Everything else is answered meanwhile."""
        seconds = self.limit if seconds is None else seconds
        self.waiting(f"number {first.frame.sequence_sent} comes again, or does not", seconds)
        deadline = self.tick() + seconds
        while (message := self.next(deadline - self.tick())) is not None:
            if same(message, first):
                return message
            self.aside(message)
        return None

    def must_repeat(self, first: Message, why: str) -> Message:
        """The message must come again, since it had no right answer."""
        message = self.again(first)
        if message is None:
            self._owed = None
            fails(f"{why}; the message did not come again within {self.limit:g} s{self.renumbered(first)}")
        return message

    def renumbered(self, first: Message) -> str:
        """In words, whether the message came again under another number."""
        until = next((tick for tick in self.asks if tick > first.tick), inf)
        for one in self.heard[self.heard.index(first) + 1 :]:
            if (
                one.tick < until
                and not one.poll
                and one.frame.data == first.frame.data
                and one.frame.sequence != first.frame.sequence
            ):
                return f" (it came as number {one.frame.sequence_sent} instead of {first.frame.sequence_sent})"
        return ""

    def must_rest(self, first: Message, why: str, seconds: float | None = None) -> None:
        """The message must not come again: it has its answer."""
        if (message := self.again(first, 1.5 * self.wait if seconds is None else seconds)) is not None:
            self.ack(message)
            fails(f"{why}; it came again {message.tick - first.tick:.1f} s after the first time")

    def pass_time(self, seconds: float) -> list[Message]:
        """Everything that comes in this time, answered rightly."""
        deadline, found = self.tick() + seconds, []
        while (message := self.next(deadline - self.tick())) is not None:
            found.append(message)
            self.aside(message)
        return found

    # The person at the panel

    def event(self, *, fresh: bool = False) -> Message:
        """A message that is no poll: what the panel has to say anyway, else what the person is asked for.

        `fresh`: what it has to say anyway is answered first, and the person is always asked.
        """
        self._hopeless()
        if fresh:
            self.calm()
        elif (message := self._new(self.setup.still)) is not None:
            return message
        message = self.asked_for(self.setup.act, self.setup.patience)
        return message or self.nobody_came(self.setup.patience)

    def asked_for(self, act: str, seconds: float) -> Message | None:
        """Ask the person for something, and wait so long for the message that it brings."""
        if self.alone:
            unclear("no message came before when somebody was asked, so nobody was asked again")
        self.asks.append(self.tick())
        self.trace.add(0, "asked", words=act)
        self._asking, self._bidden = True, self._bidden + 1
        with self.ears.asking(act, seconds):
            message = self._new(seconds)
        self._asking = False
        if message is not None:
            self.nobody = 0
        return message

    def _hopeless(self) -> None:
        """Nothing comes of waiting where all that came is not of this account, or cannot be opened."""
        if self.left and not self.heard and (self.nobody or self.alone):
            unclear(f"nothing that can be answered came: {self.no_answer_to}")

    @property
    def no_answer_to(self) -> str:
        """What was left without an answer, in words."""
        return "; ".join(f"{count} frame{'s' * (count > 1)}: {why}" for why, count in self.left_why.items())

    def nobody_came(self, seconds: float) -> NoReturn:
        """What was asked for did not come, and it cannot be told why."""
        self.nobody += 1
        self._hopeless()
        unclear(f"no message came within {seconds:g} s. {self.setup.act}")

    def _new(self, seconds: float) -> Message | None:
        deadline = self.tick() + seconds
        while (message := self.next(deadline - self.tick())) is not None:
            before = self.heard[: self.heard.index(message)][-20:]
            if not message.poll and not any(same(message, one) for one in before):
                return message
            self.aside(message)
        return None

    def poll(self, why: str = "no poll came") -> Message:
        """The panel's next poll. The case does not apply where none were promised; it fails where none comes."""
        every = self.promised()
        self._hopeless()
        within = 2 * every + self.limit
        self.waiting("the next poll comes", within)
        deadline = self.tick() + within
        while (message := self.next(deadline - self.tick())) is not None:
            if message.poll:
                return message
            self.aside(message)
        return fails(f"{why} within {within:g} s; one is due every {every:g} s")

    def promised(self) -> float:
        """How often polls are due, in seconds."""
        return self.setup.poll_seconds or beside("no polls were promised (--poll-seconds)")

    # What is answered

    def send(self, to: Message, data: bytes, words: str = "") -> bool:
        """Bytes to where a message came from. What cannot be sent is noted: the panel may have hung up."""
        gone = self.ears.send(to.connection, data)
        if gone:
            self.trace.add(to.connection, "sent", data, words, self.setup.key)
        else:
            self.trace.add(to.connection, "lost", words="by the panel, before the answer")
        return gone

    def ack(self, to: Message, words: str = "") -> None:
        """The right answer."""
        if self.send(to, answer("ACK", to.frame, self.ears.now(), self.setup.key), words) and not to.poll:
            self._answered.append((to, self.tick()))
        self.settled(to)

    def aside(self, to: Message) -> None:
        """The right answer to what the case is not about, unless the receiver is to be deaf."""
        if to.ear not in self.deaf:
            self.ack(to)

    def settled(self, message: Message) -> None:
        """The panel's duty for this message is over."""
        if self._owed is not None and not message.poll:
            self._owed = None

    def nak(self, to: Message, off: float | None, *, crc: str = "right") -> None:
        """A NAK that says our time, and so many seconds more: other than 0 that sets a right panel's clock wrong.

        None says no time at all; nobody knows what a panel that takes it makes of its clock.
        """
        if off != 0:
            self._touched = self._unseen = True
            self.clock_moved = off is not None
        if self.before_nak is None:
            self.before_nak = len(self.heard)
        text, words = b'"NAK"0000R0L0A0[]', "without a time: must not be taken"
        if off is not None:
            text += write_stamp(self.ears.now() + timedelta(seconds=off)).encode()
            words = f"the time, {off:+g} s" if off else "the true time"
        self.send(to, spoiled(text, crc), words)

    def made(
        self,
        to: Message,
        token: str = "ACK",
        *,
        sequence: str | None = None,
        receiver: str | None = None,
        prefix: str | None = None,
        account: str | None = None,
        key: Key | str | None = "own",
        stamped: bool = True,
        pad: PadSource = padding,
        crc: str = "right",
        length: int = 0,
    ) -> bytes:
        """An answer to a message, right but for what is given. `crc` and `length` are as `spoiled` takes them."""
        frame = to.frame
        own = (self.setup.key if frame.encrypted and token == "ACK" else None) if key == "own" else key
        assert not isinstance(own, str)
        echo = sequence or frame.sequence_sent
        for letter, text in (
            ("R", receiver or frame.receiver),
            ("L", prefix or frame.prefix),
            ("#", account or frame.account),
        ):
            echo += f"{letter}{text}" if text is not None else ""
        content = "]" + (write_stamp(self.ears.now()) if own and stamped else "")
        inside = seal(own, content, pad) if own else content
        return spoiled(f'"{"*" if own else ""}{token}"{echo}[{inside}'.encode("latin-1"), crc, length)

    def close(self, connection: int, *, reset: bool = False) -> None:
        """Close a connection of the panel's."""
        if connection in self.open:
            del self.open[connection]
            self._disturbed = self.tick()
            self.trace.add(connection, "closed", words="with a reset" if reset else "")
            self.ears.close(connection, reset=reset)

    def close_all(self) -> None:
        for connection in list(self.open):
            self.close(connection)

    def refuse(self, *ears: int) -> None:
        """Close what is open to these receivers, and take no connection any more."""
        self._refusing = True
        for ear in ears:
            self.ears.listen(ear, False)
        self.trace.add(0, "waited", words=f"{' and '.join(RECEIVERS[ear] for ear in ears)}: connections refused")
        for connection, ear in list(self.open.items()):
            if ear in ears:
                self.close(connection)

    # From case to case

    def settle(self) -> None:
        """After a case: everything listens again, the clock is right, and what was left unanswered has its answer.

        What the panel has to say besides waits for the next case, so that the person is asked less.
        """
        self.deaf.clear()
        for ear in range(self.ears.count):
            self.ears.listen(ear, True)
        if self._refusing:
            self._disturbed, self._refusing = self.tick(), False
        if self.clock_moved:
            self.set_right()
        deadline = self.tick() + self.setup.later
        if self._owed is not None:
            self.waiting(f"number {self._owed.frame.sequence_sent}, still unanswered, comes again", self.setup.later)
        while self._owed is not None and (message := self.next(deadline - self.tick())) is not None:
            self.ack(message)
        self._owed = None  # it will not come again

    def calm(self) -> None:
        """Answer everything rightly until the panel has nothing more to say."""
        self.settle()
        deadline = self.tick() + self.setup.later
        while (message := self.next(self.setup.still)) is not None:
            self.ack(message)
            if self.tick() > deadline:
                break  # it never stops

    def set_right(self) -> bool:
        """Undo what a NAK did to the panel's clock; whether a true stamp was seen since."""
        words = f"The panel's clock is being set right. {self.setup.act}, if nothing comes"
        for _ in range(4):
            self._bidden += 1
            with self.ears.asking(words, self.limit):
                message = self.next(self.limit)
            if message is None:
                return False
            if not self.clock_unsure:
                self.ack(message)
                return True
            self.nak(message, 0)
        return not self.clock_unsure

    def once(self, name: str, play: Callable[[], T]) -> T:
        """What was seen when this was played; played the first time that a case asks for it, so that the person is not."""
        kept = self._kept.get(name)
        if kept is None:
            before = len(self.trace.passed)
            kept = self._kept[name] = Kept(play())
            kept.passed = self.trace.passed[before:]
        else:
            self.trace.passed.extend(kept.passed)
        value: T = kept.value
        return value

    def events(self) -> list[Message]:
        """The messages of the whole trial that are no polls, each once, in order of arrival."""
        return self._events.copy()

    def at_least(self, count: int) -> list[Message]:
        """The events of the whole trial; a person is asked where there are not so many yet."""
        while len(found := self.events()) < count:
            message = self.event()
            self.ack(message)
        return found

    def need_second(self) -> None:
        if self.ears.count < 2:
            beside("there is no second receiver (--second)")

    def need_key(self) -> Key:
        return self.setup.key or beside("no key was given: the panel reports in clear")

    def need_stamp(self, message: Message) -> float:
        """How far a message's stamp is from our clock."""
        if message.off is None:
            self.ack(message)
            beside("its messages carry no stamp")
        return message.off


Play = Callable[[Stage], Notes]
