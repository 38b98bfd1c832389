"""Panels that get one thing wrong: for every case of the trial at least one that it catches.

Each is the panel in memory that does all rightly, but for what its docstring says. What it shows on the wire is put
in place of what it would say (`shown`); what it believes is put in place of what it hears (`hear`).
"""

from collections import deque
from collections.abc import Mapping
from datetime import timedelta
from typing import Any

from protocols.dc09 import build, decode, decode_all
from protocols.exchange import answer, belongs, following
from protocols.premises import News, Premises, Route, Send
from protocols.seal import Key
from protocols.values import Frame
from receiver.trial.imagined import Panel
from receiver.trial.panel_stage import Setup
from receiver.trial.stage import spoiled

KEY = Key(bytes(range(16)))
OTHER = Key(bytes(range(16, 32)))


def but(**habits: Any) -> Mapping[str, Any]:
    """How a panel's premises differ from right ones."""
    return habits


class Broken(Panel):
    """What the broken ones share: habits of the premises, and rewriting what goes out and what comes in."""

    sealed = True  # which panel is made wrong: one that seals, or one in clear
    habits: Mapping[str, Any] = but()

    def __init__(self, setup: Setup, receivers: int = 2) -> None:
        self.original: Frame | None = None  # what it would have said last
        self.seen: Frame | None = None  # what it showed in its place
        self.repeated = False  # whether that was said before
        super().__init__(setup, receivers, sequence=9990)

    def build(self, **habits: Any) -> Premises:
        return Premises(**habits | {"tell": self.told} | dict(self.habits))

    def told(self, news: News) -> None:
        """Something became of a message."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        """What goes out in place of a frame; None for itself."""
        return None

    def say(self, send: Send) -> None:
        frame = decode(send.data, self.setup.key)
        last = self.original
        self.repeated = last is not None and (last.token, last.sequence, last.data) == (
            frame.token, frame.sequence, frame.data,
        )  # fmt: skip
        self.original = frame
        data = self.shown(frame, send.receiver) or send.data
        self.seen = decode(data, self.setup.key)
        super().say(send._replace(data=data))

    def hear(self, ear: int, data: bytes) -> None:
        if self.original and self.seen and self.original.raw != self.seen.raw:
            for reply in decode_all(data, self.setup.key):
                heard = belongs(reply, self.seen)
                if heard.word in ("ACK", "DUH"):
                    self.end(ear, heard.word)
                    return
        super().hear(ear, data)

    def end(self, ear: int, word: Any = "ACK") -> None:
        """Take the outstanding message as answered."""
        assert self.original
        super().hear(ear, answer(word, self.original, self.now(), self.setup.key))

    def rebuilt(self, frame: Frame, **changes: Any) -> bytes:
        """The frame once more, but for the changes."""
        fields: dict[str, Any] = {
            "token": frame.token, "sequence": frame.sequence, "account": frame.account,
            "payload": frame.data if frame.token != "NULL" else None, "receiver": frame.receiver, "prefix": frame.prefix,
            "stamp": frame.stamp, "key": self.setup.key if frame.encrypted else None,
        }  # fmt: skip
        return build(**fields | changes)


# What it takes for an answer


class Credulous(Broken):
    def believes(self, reply: Frame, sent: Frame) -> bool:
        raise NotImplementedError

    def hear(self, ear: int, data: bytes) -> None:
        sent = self.original
        if sent and self.premises.outstanding and not self.premises.outstanding.poll:
            for reply in decode_all(data, self.setup.key):
                if self.believes(reply, sent):
                    self.end(ear)
                    return
        super().hear(ear, data)


class AnyNumber(Credulous):
    """Takes an ACK whatever its sequence number."""

    def believes(self, reply: Frame, sent: Frame) -> bool:
        return reply.token == "ACK" and not reply.problems and reply.sequence != sent.sequence


class AnyAccount(Credulous):
    """Takes an ACK for whatever account."""

    def believes(self, reply: Frame, sent: Frame) -> bool:
        return reply.token == "ACK" and not reply.problems and reply.account != sent.account


class AnyReceiverNumber(Credulous):
    """Takes an ACK whatever its R."""

    def believes(self, reply: Frame, sent: Frame) -> bool:
        return reply.token == "ACK" and not reply.problems and reply.receiver != sent.receiver


class AnyPrefix(Credulous):
    """Takes an ACK whatever its L."""

    def believes(self, reply: Frame, sent: Frame) -> bool:
        return reply.token == "ACK" and not reply.problems and reply.prefix != sent.prefix


class AnyCrc(Credulous):
    """Does not check the CRC of an answer."""

    def believes(self, reply: Frame, sent: Frame) -> bool:
        return reply.token in ("ACK", "DUH") and reply.has("crc-mismatch")


class AnyLength(Credulous):
    """Does not check the length of an answer."""

    def believes(self, reply: Frame, sent: Frame) -> bool:
        return reply.token == "ACK" and reply.has("length-mismatch")


class ClearAck(Credulous):
    """Takes an ACK in clear to what it has sealed."""

    def believes(self, reply: Frame, sent: Frame) -> bool:
        return reply.token == "ACK" and not reply.problems and not reply.encrypted


class AnySeal(Credulous):
    """Takes a sealed ACK without opening it."""

    def believes(self, reply: Frame, sent: Frame) -> bool:
        return reply.token == "ACK" and reply.has("decrypt-failed", "no-key")


class AnySealInClear(AnySeal):
    """Reports in clear and takes a sealed ACK, which it cannot open."""

    sealed = False


class UnstampedAck(Credulous):
    """Takes a sealed ACK without a stamp."""

    def believes(self, reply: Frame, sent: Frame) -> bool:
        return reply.token == "ACK" and reply.has("missing-stamp")


class AnyWord(Credulous):
    """Takes whatever frame comes back with its number, its own as well."""

    def believes(self, reply: Frame, sent: Frame) -> bool:
        return reply.token not in ("ACK", "NAK", "DUH") and reply.sequence == sent.sequence


class AnyDuh(Credulous):
    """Takes a DUH whatever its sequence number."""

    def believes(self, reply: Frame, sent: Frame) -> bool:
        return reply.token == "DUH" and not reply.problems and reply.sequence != sent.sequence


class NakEnds(Credulous):
    """Takes a NAK for the end of the message."""

    def believes(self, reply: Frame, sent: Frame) -> bool:
        return reply.token == "NAK"


class AnyBytes(Credulous):
    """Takes any bytes that come back for an answer."""

    def believes(self, reply: Frame, sent: Frame) -> bool:
        return reply.kind == "noise" or reply.has("bad-envelope")


class KeepsAnswers(Broken):
    """Keeps an ACK that comes when nothing is outstanding, and takes it for its next message."""

    kept: Frame | None = None

    def hear(self, ear: int, data: bytes) -> None:
        if self.premises.outstanding is None:
            self.kept = decode(data, self.setup.key)
        super().hear(ear, data)

    def say(self, send: Send) -> None:
        super().say(send)
        if self.original and self.kept and self.kept.sequence == self.original.sequence != 0:
            self.end(send.receiver)


# How it reads


class OneFrameASegment(Broken):
    """Reads an answer only where a segment is one whole frame."""

    def hear(self, ear: int, data: bytes) -> None:
        if data[:1] == b"\n" and data[-1:] == b"\r" and data.count(b"\n") == 1:
            super().hear(ear, data)


class DeafAfterNoise(Broken):
    """Once something foreign has come, it hears nothing more until it has sent again."""

    deaf = False

    def say(self, send: Send) -> None:
        self.deaf = False
        super().say(send)

    def hear(self, ear: int, data: bytes) -> None:
        if self.original and not self.deaf:
            self.deaf = any(belongs(one, self.original).word == "foreign" for one in decode_all(data, self.setup.key))
            super().hear(ear, data)


class AgainAfterSecondAck(Broken):
    """A second ACK to a message makes it send that message again, once."""

    again: Frame | None = None

    def hear(self, ear: int, data: bytes) -> None:
        if (
            self.premises.outstanding is None
            and self.original is not self.again
            and self.original
            and ear in self._open
        ):
            self.again = self.original
            self._note(ear, self._open[ear], "data", self.original.raw)
        super().hear(ear, data)


# How it repeats


class IgnoresSilence(Broken):
    """Sends a message once, and forgets it."""

    habits = but(tries=1)

    def build(self, **habits: Any) -> Premises:
        return super().build(**habits | {"receivers": 1})

    def told(self, news: News) -> None:
        if news.what == "kept":
            self.premises.outbox.popleft()


class NewNumber(Broken):
    """A repeat carries a new sequence number."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        if not self.repeated or not frame.sequence or not self.seen:
            return None
        return self.rebuilt(frame, sequence=following(self.seen.sequence or 0))


class OtherBytes(Broken):
    """A repeat in clear carries a new stamp, though no NAK came."""

    sealed = False

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.rebuilt(frame, stamp=self.now())


class WaitsTwoSeconds(Broken):
    """Waits 2 s for an answer."""

    habits = but(wait_seconds=2.0)


class WaitsThreeMinutes(Broken):
    """Waits 200 s for an answer."""

    habits = but(wait_seconds=200.0)


class Impatient(Broken):
    """Waits a third as long each time."""

    def told(self, news: News) -> None:
        if news.what == "sent":
            self.premises._wait = self.setup.wait / 3**news.tried


class TriesOnce(Broken):
    """Tries each receiver once."""

    habits = but(tries=1)


class RepeatsAnswered(Broken):
    """Ten seconds after its ACK, sends the message once more."""

    after = 10.0

    def __init__(self, setup: Setup, receivers: int = 2) -> None:
        self.more: deque[tuple[float, int, bytes]] = deque()
        super().__init__(setup, receivers)

    def told(self, news: News) -> None:
        if news.what == "acknowledged" and self.original:
            self.more.append((self.seconds + self.after, news.receiver, self.original.raw))

    def due(self) -> float:
        return min([super().due(), *(when for when, _, _ in self.more)])

    def step(self) -> None:
        while self.more and self.more[0][0] <= self.seconds:
            _, ear, data = self.more.popleft()
            if ear in self._open:
                self._note(ear, self._open[ear], "data", data)
        super().step()


class NeverStopsAfterDuh(Broken):
    """A DUH means nothing to it: it sends again and again."""

    habits = but(tries=30)

    def hear(self, ear: int, data: bytes) -> None:
        if not any(one.token == "DUH" for one in decode_all(data)):
            super().hear(ear, data)


# Connections


class TakesACloseForAnAnswer(Broken):
    """A connection that breaks ends the message."""

    def lost(self, ear: int) -> None:
        if self.premises.outstanding:
            self.end(ear)
        else:
            super().lost(ear)


class NeverOpensAgain(Broken):
    """Once its connection to a receiver was closed it opens no other."""

    closed = False

    def close(self, connection: int, *, reset: bool = False) -> None:
        self.closed = True
        super().close(connection, reset=reset)

    def say(self, send: Send) -> None:
        if self.closed:
            self.lost(send.receiver)
        else:
            super().say(send)


class Hammers(Broken):
    """Opens a new connection a tenth of a second after the last was closed, again and again."""

    habits = but(tries=100_000)
    rests = 0.0

    def lost(self, ear: int) -> None:
        self.rests = self.seconds + 0.1
        super().lost(ear)

    def due(self) -> float:
        return max(super().due(), self.rests)


class Hoards(Broken):
    """Opens a connection for each message and closes none."""

    def say(self, send: Send) -> None:
        self._open.pop(send.receiver, None)
        super().say(send)


# The second receiver


class NeverTurns(Broken):
    """Knows one receiver only."""

    def build(self, **habits: Any) -> Premises:
        return super().build(**habits | {"receivers": 1})


class TurnsLate(Broken):
    """Waits 220 s after its last try before it turns to the other receiver."""

    def told(self, news: News) -> None:
        if news.what == "sent" and not news.message.poll and news.tried == self.setup.tries and news.receiver == 0:
            assert self.premises._out
            self.premises._out.until += 200


class NeverComesBack(Broken):
    """Once at the second receiver, it stays there, polls and all."""

    over = False
    meant = 0

    def say(self, send: Send) -> None:
        self.over = self.over or send.receiver == 1
        self.meant = send.receiver
        super().say(send._replace(receiver=1) if self.over else send)

    def hear(self, ear: int, data: bytes) -> None:
        super().hear(self.meant, data)

    def lost(self, ear: int) -> None:
        super().lost(self.meant)


class TwoCounts(Broken):
    """Messages that begin at the second receiver have a count of their own."""

    began = 0

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        self.began = self.began if self.repeated else ear
        return self.rebuilt(frame, sequence=frame.sequence // 2) if self.began and (frame.sequence or 0) > 1 else None


# Outages


class LosesInOutage(Broken):
    """When every way has failed, the message is gone."""

    def told(self, news: News) -> None:
        if news.what == "kept":
            self.premises.outbox.popleft()


class QueueOfOne(Broken):
    """What happens while a message waits for its answer is not kept."""

    def happens(self, what: str) -> None:
        if not self.premises.outbox:
            super().happens(what)


class NewestFirst(Broken):
    """After an outage, what happened last goes first."""

    def told(self, news: News) -> None:
        if news.what == "kept":
            self.premises.outbox.reverse()


class RestsAnHour(Broken):
    """When every way has failed, it begins again after an hour."""

    habits = but(pause_seconds=3600.0)

    def hear(self, ear: int, data: bytes) -> None:
        resume = self.premises._resume
        super().hear(ear, data)
        if resume > self.seconds:
            self.premises._resume = resume  # an answered poll does not wake it


# Polls


class Drifts(Broken):
    """Polls a third later than promised."""

    def build(self, **habits: Any) -> Premises:
        assert self.setup.poll_seconds
        return super().build(**habits | {"paths": (Route(poll_seconds=self.setup.poll_seconds * 4 / 3),)})


class NoPolls(Broken):
    """Does not poll."""

    def build(self, **habits: Any) -> Premises:
        return super().build(**habits | {"paths": (Route(),)})


class NumberedPolls(Broken):
    """Polls carry the number of the next message."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.rebuilt(frame, sequence=self.premises.sequence) if frame.token == "NULL" else None


class CountsPolls(Broken):
    """A poll uses up a number of the count."""

    def told(self, news: News) -> None:
        if news.what == "sent" and news.message.poll and news.tried == 1:
            self.premises._panel.sequence = following(self.premises._panel.sequence)


class PollsInClear(Broken):
    """Seals its messages, but not its polls."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.rebuilt(frame, key=None) if frame.token == "NULL" else None


class TalkingPolls(Broken):
    """Something stands in the brackets of a poll."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.rebuilt(frame, payload="here") if frame.token == "NULL" else None


class StopsPollingUnanswered(Broken):
    """A poll that nobody answers is its last."""

    def told(self, news: News) -> None:
        if news.what == "unanswered" and news.message.poll:
            self.premises._polls[""] = float("inf")
            self.premises._panel.tries = 1


class StopsPollingMissed(Broken):
    """A poll that nobody answered, whatever it tried, is its last."""

    def told(self, news: News) -> None:
        if news.what == "missed":
            self.premises._polls[""] = float("inf")


class StopsPollingRefused(Broken):
    """A poll that gets a DUH is its last."""

    def told(self, news: News) -> None:
        if news.what == "refused" and news.message.poll:
            self.premises._polls[""] = float("inf")


class HoldsUp(Broken):
    """Says nothing while its last poll has no answer."""

    def __init__(self, setup: Setup, receivers: int = 2) -> None:
        self.held: deque[str] = deque()
        self.answered = True
        super().__init__(setup, receivers)

    def told(self, news: News) -> None:
        if news.message.poll:
            self.answered = news.what in ("acknowledged", "refused")

    def happens(self, what: str) -> None:
        self.held.append(what)

    def due(self) -> float:
        return self.seconds if self.held and self.answered else super().due()

    def step(self) -> None:
        while self.held and self.answered:
            super().happens(self.held.popleft())
        super().step()


# The clock


class IgnoresNak(Broken):
    """A NAK means nothing to it: it sends again after its wait, its clock as before."""

    def hear(self, ear: int, data: bytes) -> None:
        if not any(one.token == "NAK" for one in decode_all(data)):
            super().hear(ear, data)


class RepeatsOldStamps(Broken):
    """Sets its clock by a NAK, and sends the same bytes again all the same."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.seen.raw if self.repeated and self.seen and frame.sequence else None


class TakesDamagedNak(Broken):
    """Sets its clock by a NAK whose CRC is wrong."""

    def hear(self, ear: int, data: bytes) -> None:
        for one in decode_all(data):
            if one.token == "NAK" and one.has("crc-mismatch"):
                data = spoiled(data[9:-1])
        super().hear(ear, data)


class HammersAfterNak(Broken):
    """Sends again at once after each NAK, without end."""

    habits = but(tries=30)


class SlowClock(Broken):
    """Its clock is 50 s behind."""

    habits = but(clock_error=timedelta(seconds=-50))


class LocalTime(Broken):
    """Stamps with the time of its zone."""

    habits = but(clock_error=timedelta(hours=1))


class WrongStamps(Broken):
    """Writes the day before the month."""

    sealed = False

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        assert frame.stamp
        return spoiled(frame.raw[9:-20] + f"{frame.stamp:_%H:%M:%S,%d-%m-%Y}".encode())


class Creeps(Broken):
    """Its clock loses a second a minute."""

    creeping = True

    def step(self) -> None:
        if self.creeping:
            self.premises._panel.clock_error = -timedelta(seconds=self.seconds / 60)
        super().step()


# What it says


class WrongCrc(Broken):
    """The CRC of its messages is wrong."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return spoiled(frame.raw[9:-1], "wrong") if frame.sequence else None


class Chatters(Broken):
    """Says something between its frames."""

    def say(self, send: Send) -> None:
        super().say(send)
        if send.receiver in self._open:
            self._note(send.receiver, self._open[send.receiver], "data", b"OK\n")


class OddToken(Broken):
    """Its messages carry a token of its own."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.rebuilt(frame, token="OWN") if frame.sequence else None


class NoPrefix(Broken):
    """Leaves out L."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.rebuilt(frame, prefix=None)


class OtherAccount(Broken):
    """Reports for another account."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.rebuilt(frame, account="9999")


class WrongPayload(Broken):
    """Leaves a digit out of the area."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.rebuilt(frame, payload=(frame.data or "").replace(" 01 ", " 1 ")) if frame.sequence else None


class WrongExtended(Broken):
    """Adds extended data led by a small letter."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.rebuilt(frame, extended=[("v", "picture")]) if frame.sequence else None


class WrapsToZero(Broken):
    """9999 is followed by 0000."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.rebuilt(frame, sequence=0) if frame.sequence == 1 else None


class CountsByTwo(Broken):
    """Each number is two more than the last."""

    def happens(self, what: str) -> None:
        self.premises._panel.sequence = following(self.premises._panel.sequence)
        super().happens(what)


# Sealing


class SendsInClear(Broken):
    """Has a key and does not use it."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.rebuilt(frame, key=None)


class RepeatsInClear(Broken):
    """Seals a message, and sends it again in clear."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.rebuilt(frame, key=None) if self.repeated and frame.sequence else None


class SealsWithAnotherKey(Broken):
    """Seals with another key than the one that was given."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        return self.rebuilt(frame, key=OTHER)


class NoStamps(Broken):
    """Seals frames without a stamp."""

    habits = but(stamped=False)


class OtherInside(Broken):
    """Another account stands inside the seal."""

    def shown(self, frame: Frame, ear: int) -> bytes | None:
        if not frame.sequence:
            return None
        data = self.rebuilt(frame, account="9999")
        return spoiled(data[9:-1].replace(b"#9999[", b"#4471["))


class OnePadding(Broken):
    """Pads with the same bytes each time."""

    habits = but(pad=lambda count: b"0123456789ABCDEF"[:count])


class PadsWithBrackets(Broken):
    """Pads with bytes that no padding may have."""

    habits = but(pad=lambda count: b"[" * count)


def _all(one: type[Broken]) -> list[type[Broken]]:
    return [found for sub in one.__subclasses__() for found in (sub, *_all(sub))]


BROKEN = tuple(one for one in _all(Broken) if one is not Credulous)


class PollsBoth(Panel):
    """A right panel that keeps polling the second receiver as well, in its own time."""

    next_poll = 7.0

    def due(self) -> float:
        return min(super().due(), self.next_poll)

    def step(self) -> None:
        if self.seconds >= self.next_poll:
            self.next_poll += 20.0
            if 1 not in self._refused:
                if 1 not in self._open:
                    self.connect(1)
                self._note(1, self._open[1], "data", build("NULL", 0, self.setup.account, stamp=self.now()))
        super().step()


class TwoPaths(Panel):
    """A right panel with two paths, each of which polls in its own time."""

    def build(self, **habits: Any) -> Premises:
        polls = self.setup.poll_seconds
        return Premises(**habits | {"paths": (Route("wired", "0", polls), Route("cellular", "1", polls))})

    def lost(self, ear: int) -> None:
        for path in ("wired", "cellular"):
            self.premises.lost(ear, path, self.now(), self.seconds)

    def hear(self, ear: int, data: bytes) -> None:
        for path in ("wired", "cellular"):
            self.premises.heard(ear, path, data, self.now(), self.seconds)


class WaitsWhenRefused(Panel):
    """A right panel to which a connection that is refused or breaks is a try without an answer: it waits."""

    def lost(self, ear: int) -> None:
        pass


class NobodyHome(Panel):
    """A right panel at which nobody does what is asked."""

    def happens(self, what: str) -> None:
        pass
