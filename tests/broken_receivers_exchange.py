"""Receivers that get one thing wrong about stamps, keys, polls, connections or datagrams, to prove the cases of a trial.

What each gets wrong has been somebody's mistake, or could be. `broken_receivers` has those that are wrong about a message.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from protocols.dc09 import write_stamp
from protocols.envelope import Piece, wrap
from protocols.exchange import Word, answer, in_window
from protocols.seal import BLOCK, Key, seal
from receiver.desk import Decision
from receiver.trial.memory import Answerer, Reply
from receiver.trial.stage import Known
from receiver.wire import Kind
from tests.broken_receivers import _Deciding, mended


def _opened(decision: Decision) -> bytes:
    """The plain bytes of an encrypted message, padding and all; nothing where they are no blocks."""
    digits = decision.frame.raw[9:-1].partition(b"[")[2].decode("latin-1")
    key = decision.account.key if decision.account else None
    try:
        return key.decrypt(bytes.fromhex(digits)) if key and decision.frame.encrypted else b""
    except ValueError:
        return b""


# ---- stamps --------------------------------------------------------------------------------------------------------------


class TakesAnyStamp(_Deciding):
    """Does not hold stamps against its clock."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "ACK" if decision.verdict == "stale-clock" else None


class ComparesTimesOfDay(_Deciding):
    """Holds the time of a stamp against its clock, but not the date."""

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        self.now = now
        return super().decide(piece, kind, now, tick)

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        stamp = decision.frame.stamp
        near = stamp and abs(datetime.combine(self.now, stamp.timetz()) - self.now) < timedelta(seconds=20)
        return "ACK" if decision.verdict == "stale-clock" and near else None


class HasANarrowWindow(_Deciding):
    """Takes stamps only within 15 s of its clock."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        frame = decision.frame
        return (
            "NAK" if frame.encrypted and frame.stamp and abs(frame.stamp - self.now) > timedelta(seconds=15) else None
        )

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        self.now = now
        return super().decide(piece, kind, now, tick)


class TakesWhatIsNoTime(_Deciding):
    """Acknowledges an encrypted message whose stamp cannot be read."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "ACK" if decision.verdict == "undecryptable" and "]" in (decision.frame.content or "") else None


class RefusesClearWithoutStamp(_Deciding):
    """Answers DUH to a message in clear that has no stamp."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "DUH" if decision.reply == "ACK" and decision.frame.stamp is None else None


class DropsClearWithABadStamp(_Deciding):
    """Is silent where the stamp of a message in clear is old or no time."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "none" if not decision.frame.encrypted and decision.frame.has("bad-stamp") else None


class DoesNotTestPolls(_Deciding):
    """Does not hold the stamps of polls against its clock."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "ACK" if decision.verdict == "stale-clock" and decision.frame.token == "NULL" else None


class RemembersWhatItNaked(_Deciding):
    """Takes a message that it sent a NAK to for a repeat when it comes again with a right stamp, and is silent."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        frame = decision.frame
        self.seen: set[object] = getattr(self, "seen", set())
        if decision.reply == "NAK":
            self.seen.add((frame.account, frame.sequence_sent))
        return "none" if decision.reply == "ACK" and (frame.account, frame.sequence_sent) in self.seen else None


class NaksOnce(_Deciding):
    """Sends a NAK to the first old stamp of a connection's worth of time, and is silent to the next for ten seconds."""

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        self.tick = tick
        return super().decide(piece, kind, now, tick)

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        if decision.reply != "NAK":
            return None
        last, self.last = getattr(self, "last", -60.0), self.tick
        return "none" if self.tick - last < 10 else None


class _Naks(Answerer):
    """Sends another NAK."""

    def nak(self, decision: Decision, now: datetime) -> bytes:
        raise NotImplementedError

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        return self.nak(decision, now) if word == "NAK" else super().write(word, decision, now)


class NaksWithoutTime(_Naks):
    """Sends a NAK without a time."""

    def nak(self, decision: Decision, now: datetime) -> bytes:
        return wrap(b'"NAK"0000R0L0A0[]')


class NaksEncrypted(_Naks):
    """Sends an encrypted NAK."""

    def nak(self, decision: Decision, now: datetime) -> bytes:
        assert decision.account
        assert decision.account.key
        return wrap(f'"*NAK"0000R0L0A0[{seal(decision.account.key, "]" + write_stamp(now))}'.encode())


class NaksWithTheLaterTime(_Naks):
    """Says in its NAK the time of the message, where that is later than its own."""

    def nak(self, decision: Decision, now: datetime) -> bytes:
        return answer("NAK", decision.frame, max(decision.frame.stamp or now, now))


class NaksWithAStandingClock(_Naks):
    """Says in every NAK the time of its first."""

    def nak(self, decision: Decision, now: datetime) -> bytes:
        self.first = getattr(self, "first", now)
        return answer("NAK", decision.frame, self.first)


class NaksWithYear9999(_Naks):
    """Says in its NAK the last day that there is."""

    def nak(self, decision: Decision, now: datetime) -> bytes:
        return wrap(b'"NAK"0000R0L0A0[]_12:00:00,12-31-9999')


# ---- encryption ----------------------------------------------------------------------------------------------------------


class _Seals(Answerer):
    """Seals its ACKs in another way."""

    def sealed(self, key: Key, now: datetime, decision: Decision) -> str:
        """What stands after the [."""
        raise NotImplementedError

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        key = decision.account.key if decision.account else None
        right = super().write(word, decision, now)
        if not right.startswith(b'"*ACK"', 9) or key is None:
            return right
        return wrap(right[9:].partition(b"[")[0] + b"[" + self.sealed(key, now, decision).encode())


class AnswersInClear(Answerer):
    """Acknowledges encrypted messages in clear."""

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        return answer(word, decision.frame, now, None)


class AnswersEncryptedToClear(_Deciding):
    """Acknowledges a message in clear with an encrypted ACK where the account has a key."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "ACK" if decision.verdict == "must-encrypt" else None

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        return super().write(word, replace(decision, frame=replace(decision.frame, encrypted=True)), now)


class AcksWithoutStamp(_Seals):
    """Leaves the stamp out of its encrypted ACK."""

    def sealed(self, key: Key, now: datetime, decision: Decision) -> str:
        return seal(key, "]")


class AcksWithoutPadding(_Seals):
    """Puts no padding in front of its encrypted ACK, and zeros behind."""

    def sealed(self, key: Key, now: datetime, decision: Decision) -> str:
        plain = f"|]{write_stamp(now)}".encode()
        return key.encrypt(plain.ljust(-(-len(plain) // BLOCK) * BLOCK, b"\0")).hex().upper()


class PadsAlwaysTheSame(_Seals):
    """Pads its encrypted ACK with full stops."""

    def sealed(self, key: Key, now: datetime, decision: Decision) -> str:
        return seal(key, "]" + write_stamp(now), lambda count: b"." * count)


class StampsLocalTime(_Seals):
    """Puts its local time into its ACK, an hour ahead of UTC."""

    def sealed(self, key: Key, now: datetime, decision: Decision) -> str:
        return seal(key, "]" + write_stamp(now + timedelta(hours=1)))


class HasOneKey(Answerer):
    """Uses the key of its first account with one for all of them."""

    def __init__(self, accounts: Sequence[Known], **more: timedelta) -> None:
        first = next((one.key for one in accounts if one.key), None)
        super().__init__([one._replace(key=one.key and first) for one in accounts], **more)


class TakesTheUnread(_Deciding):
    """Acknowledges an encrypted message that it could not open."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "ACK" if decision.verdict == "undecryptable" else None


class OverlooksAMissingStar(_Deciding):
    """Acknowledges a message in clear of an account that has a key, whatever it says."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "ACK" if decision.verdict == "must-encrypt" else None


class TakesPaddingForNoise(_Deciding):
    """Drops an encrypted message that begins with a run of one unprintable byte."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        pad = set(_opened(decision).partition(b"|")[0])
        return "none" if len(pad) == 1 and not 32 <= min(pad) < 127 else None


class CountsLettersInPadding(_Deciding):
    """Reads padding as UTF-8 where it can, counts letters, and so misses the beginning of the message."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "DUH" if "é".encode() in _opened(decision).partition(b"|")[0] else None


class FindsFieldsInPadding(_Deciding):
    """Searches the opened text from its beginning for the signs that fields begin with."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        found = re.search(rb'#[0-9A-F]{3}|_[0-9]|""', _opened(decision).partition(b"|")[0])
        return "DUH" if found else None


class TakesFifteenBytesOfPadding(_Deciding):
    """Refuses a whole block of padding."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "DUH" if decision.frame.padding == BLOCK else None


class ReadsFromAFixedPlace(_Deciding):
    """Takes every message to have nine bytes of padding, as those of the panel on its maker's desk had."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "DUH" if decision.frame.token == "ADM-CID" and decision.frame.padding not in (None, 9) else None


class StumblesOverBadSeals(_Deciding):
    """Answers DUH to the message after one that it could not open, or that came in lower-case hex digits."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        stumbled, frame = getattr(self, "stumbled", False), decision.frame
        digits = frame.raw.partition(b"[")[2]
        odd = frame.padding != BLOCK and frame.encrypted and len(digits) % 2 == 0
        self.stumbled = frame.encrypted and (decision.reply == "DUH" or (odd and digits != digits.upper()))
        if frame.encrypted and digits.rstrip(b"\r") != digits.rstrip(b"\r").upper():
            self.stumbled = True
        return "DUH" if stumbled and decision.reply == "ACK" else None


class NeedsTheAccountInside(_Deciding):
    """Is silent where no account stands inside an encrypted message."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        frame = decision.frame
        return "none" if frame.encrypted and frame.token != "NULL" and frame.account_inside is None else None


# ---- polls ---------------------------------------------------------------------------------------------------------------


class SaysDuhToPolls(_Deciding):
    """Answers DUH to polls."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "DUH" if decision.verdict == "poll" else None


class NumbersPolls(Answerer):
    """Answers polls with the number of the account's last message."""

    last = "0001"

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        if decision.frame.token == "NULL":
            decision = replace(decision, frame=replace(decision.frame, sequence_sent=self.last))
        else:
            self.last = decision.frame.sequence_sent
        return super().write(word, decision, now)


class TakesPollsForRepeats(_Deciding):
    """Is silent to a poll that is like the one before."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        last, self.last = getattr(self, "last", b""), piece.data
        return "none" if decision.verdict == "poll" and piece.data == last else None


class DropsPollsWithData(_Deciding):
    """Is silent to a poll with something between its brackets."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "none" if decision.verdict == "poll" and decision.frame.data else None


class DoesNotCheckPolls(Answerer):
    """Does not look at the CRC of polls."""

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        return super().decide(mended(piece) if b'NULL"' in piece.data else piece, kind, now, tick)


class AnswersForAnAccountItHas(_Deciding):
    """Acknowledges polls of unknown accounts, in the name of one that it knows."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "ACK" if decision.account is None and decision.frame.token == "NULL" else None

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        if word == "ACK" and decision.account is None:
            decision = replace(decision, frame=replace(decision.frame, account=self.book.accounts[0].number))
        return super().write(word, decision, now)


# ---- what an answer looks like -------------------------------------------------------------------------------------------


class AnswersAgain(Answerer):
    """Sends every answer again a third of a second later."""

    def replies(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        sent = super().replies(piece, kind, now, tick)
        return [*sent, *(one._replace(delay=one.delay + 1 / 3) for one in sent)]


class EndsLinesWithTwoBytes(Answerer):
    """Sends CR LF where CR is due."""

    def reply(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> bytes:
        data = super().reply(piece, kind, now, tick)
        return data + b"\n" if data else b""


class AcksWithoutBrackets(Answerer):
    """Leaves the [] out of its ACK in clear."""

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        data = super().write(word, decision, now)
        return wrap(data[9:-3]) if data.startswith(b'"ACK"', 9) else data


# ---- connections ---------------------------------------------------------------------------------------------------------


class _Lines(Answerer):
    """Knows which connection it answers, and what is open."""

    def __init__(self, *given: object, **more: object) -> None:
        super().__init__(*given, **more)  # type: ignore[arg-type]
        self.on, self.open = 0, set[int]()

    def opened(self, connection: int) -> None:
        super().opened(connection)
        self.open.add(connection)

    def closed(self, connection: int) -> None:
        super().closed(connection)
        self.open.discard(connection)

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        self.on = connection
        return super().took(connection, data, kind, now, tick)


class HasRoomForOne(_Lines):
    """Takes one connection at a time; over UDP it answers no more ports."""

    room = 1

    def opened(self, connection: int) -> None:
        if len(self.open) >= self.room:
            raise ConnectionRefusedError("refused")
        super().opened(connection)


class LeavesConnectionsWaiting(_Lines):
    """Takes any number of connections, and answers on twenty-five of those that are open."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        served = sorted(self.open)[:25]
        return super().took(connection, data, kind, now, tick) if connection in served else []


class BlocksWhoComesOften(_Lines):
    """Refuses a panel that has come forty times within some seconds."""

    def __init__(self, *given: object, **more: object) -> None:
        super().__init__(*given, **more)
        self.times: list[float] = []
        self.tick = 0.0

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        self.tick = tick
        return super().took(connection, data, kind, now, tick)

    def opened(self, connection: int) -> None:
        self.times = [*[one for one in self.times if self.tick - one < 3][-40:], self.tick]
        if len(self.times) > 40:
            self.tick += 4  # for the next
            raise ConnectionRefusedError("refused")
        super().opened(connection)


class StumblesOverSilentConnections(_Lines):
    """Lets a connection that was closed without a byte hold its place: twenty of them, and the next is refused."""

    silent = 0

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        self.spoke = connection
        return super().took(connection, data, kind, now, tick)

    def closed(self, connection: int) -> None:
        super().closed(connection)
        self.silent = self.silent + 1 if connection != getattr(self, "spoke", 0) else 0

    def opened(self, connection: int) -> None:
        if self.silent >= 20:
            self.silent = 0
            raise ConnectionRefusedError("refused")
        super().opened(connection)


class HangsUpAtHalfClose(Answerer):
    """Takes a half-closed connection for a closed one, and lets its answer go."""

    def finished(self, connection: int, now: datetime, tick: float) -> list[Reply]:
        return [Reply(None, 0.0)]


class AnswersWhatWasBrokenOff(Answerer):
    """Takes the end of a connection for the end of a message, and answers it."""

    def finished(self, connection: int, now: datetime, tick: float) -> list[Reply]:
        rest = self.readers[connection].holds == "frame"
        return [Reply(wrap(b'"DUH"0000L0[]')), Reply(None)] if rest else [Reply(None)]


class HasOneBuffer(Answerer):
    """Puts what all connections bring into one buffer, and takes a message to run to the next CR."""

    buffer = b""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        *whole, self.buffer = (self.buffer + data).split(b"\r")
        pieces = [Piece("frame", one + b"\r", len(one) + 1) for one in whole]
        return [reply for piece in pieces for reply in self.replies(piece, kind, now + self.ahead, tick)]


class AnswersTheLatestConnection(_Lines):
    """Sends its answers to the connection that was opened last."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        sent = super().took(connection, data, kind, now, tick)
        return sent if connection == max(self.open) else []


class AnswersOneConnectionAnAccount(_Lines):
    """Answers an account in clear only where it spoke first, until that connection is closed."""

    def __init__(self, *given: object, **more: object) -> None:
        super().__init__(*given, **more)
        self.first: dict[str | None, int] = {}

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        decision = super().decide(piece, kind, now, tick)
        account = decision.frame.account
        if self.first.get(account) not in self.open:
            self.first[account] = self.on
        here = self.first[account] == self.on or decision.frame.encrypted
        return decision if here else replace(decision, reply="none")


class EndsSessionsAtAnotherAccount(_Lines):
    """Refuses an account on a connection, or from a port, where another has spoken since."""

    def __init__(self, *given: object, **more: object) -> None:
        super().__init__(*given, **more)
        self.sessions: dict[int, list[str | None]] = {}

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        decision = super().decide(piece, kind, now, tick)
        account, sessions = decision.frame.account, self.sessions.setdefault(self.on, [])
        ended = account in sessions[:-1]
        if account not in sessions:
            sessions.append(account)
        return replace(decision, reply="DUH") if ended and decision.reply == "ACK" else decision


class IsBusy(Answerer):
    """Loses what comes while it works on a message."""

    until = 0.0

    def replies(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        if tick < self.until:
            return []
        self.until = tick + 0.0005
        return super().replies(piece, kind, now, tick)


class PassesOverRepeats(_Deciding):
    """Is silent to a message that it has acknowledged, within a minute."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "none" if decision.verdict == "repeat" else None


class ForgetsIdleConnections(_Lines):
    """Answers no more on a connection that was silent for two seconds, and does not close it."""

    def __init__(self, *given: object, **more: object) -> None:
        super().__init__(*given, **more)
        self.heard: dict[int, float] = {}

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        last = self.heard.setdefault(connection, tick)
        if tick - last > 2:
            return []
        self.heard[connection] = tick
        return super().took(connection, data, kind, now, tick)


class AnswersWhateverComes(Answerer):
    """Answers DUH to bytes that are no message, and to an empty datagram."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        sent = super().took(connection, data, kind, now, tick)
        return sent if data.startswith(b"\n") or self.readers[connection].holds == "frame" else [
            Reply(wrap(b'"DUH"0000L0[]')), *sent,
        ]  # fmt: skip

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        decision = super().decide(piece, kind, now, tick)
        return replace(decision, reply="DUH") if decision.verdict == "noise" and kind == "udp" else decision


class DrownsInNoise(Answerer):
    """Answers nothing for a minute after fifty thousand bytes of noise within a second."""

    def __init__(self, *given: object, **more: object) -> None:
        super().__init__(*given, **more)  # type: ignore[arg-type]
        self.noise = Counter[int]()
        self.until = 0.0

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        self.noise[int(tick)] += b"\n" not in data and len(data)
        if self.noise[int(tick)] > 50_000:
            self.until = tick + 60
        return super().took(connection, data, kind, now, tick) if tick >= self.until else []


# ---- datagrams -----------------------------------------------------------------------------------------------------------


class JoinsDatagrams(Answerer):
    """Reads datagrams as if they were a stream."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        return super().took(connection, data, "tcp", now, tick)


class AnswersFromAnotherPort(Answerer):
    """Answers datagrams from a port of its own, so that no panel behind a router hears it."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        return [] if kind == "udp" else super().took(connection, data, kind, now, tick)


class TakesOneMessageADatagram(Answerer):
    """Drops a datagram with more than one message."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        several = kind == "udp" and data.count(b"\r") > 1
        return [] if several else super().took(connection, data, kind, now, tick)


# ---- endurance -----------------------------------------------------------------------------------------------------------


class LosesOneInAHundred(Answerer):
    """Loses every hundredth message."""

    count = 0

    def replies(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        self.count += 1
        return super().replies(piece, kind, now, tick) if self.count % 100 else []


BROKEN: tuple[type[Answerer], ...] = (
    TakesAnyStamp, ComparesTimesOfDay, HasANarrowWindow, TakesWhatIsNoTime, RefusesClearWithoutStamp,
    DropsClearWithABadStamp, DoesNotTestPolls, RemembersWhatItNaked, NaksOnce, NaksWithoutTime,
    NaksEncrypted, NaksWithTheLaterTime, NaksWithAStandingClock, NaksWithYear9999, AnswersInClear, AnswersEncryptedToClear,
    AcksWithoutStamp, AcksWithoutPadding, PadsAlwaysTheSame, StampsLocalTime, HasOneKey,
    TakesTheUnread, OverlooksAMissingStar, TakesPaddingForNoise, CountsLettersInPadding, FindsFieldsInPadding,
    TakesFifteenBytesOfPadding, ReadsFromAFixedPlace, StumblesOverBadSeals, NeedsTheAccountInside, SaysDuhToPolls,
    NumbersPolls, TakesPollsForRepeats, DropsPollsWithData, DoesNotCheckPolls, AnswersForAnAccountItHas,
    AnswersAgain, EndsLinesWithTwoBytes, AcksWithoutBrackets, HasRoomForOne, LeavesConnectionsWaiting, BlocksWhoComesOften,
    StumblesOverSilentConnections, HangsUpAtHalfClose, AnswersWhatWasBrokenOff, HasOneBuffer,
    AnswersTheLatestConnection, AnswersOneConnectionAnAccount, EndsSessionsAtAnotherAccount, IsBusy,
    PassesOverRepeats, ForgetsIdleConnections, AnswersWhateverComes, DrownsInNoise, JoinsDatagrams,
    AnswersFromAnotherPort, TakesOneMessageADatagram, LosesOneInAHundred,
)  # fmt: skip
# Those that the cases of endurance are for: hundreds of messages to each of the others would only cost time.
TIRING: tuple[type[Answerer], ...] = (
    HasRoomForOne,
    LeavesConnectionsWaiting,
    EndsSessionsAtAnotherAccount,
    IsBusy,
    LosesOneInAHundred,
)


# ---- right in another way --------------------------------------------------------------------------------------------


class AcknowledgesRepeatsAnyTime(_Deciding):
    """Acknowledges what it acknowledged before, without a look at the stamp: a repeat is due its ACK."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        self.known = getattr(self, "known", set())
        if decision.reply == "ACK":
            self.known.add(piece.data)
        return "ACK" if decision.verdict == "stale-clock" and piece.data in self.known else None


class KeepsItsAnswers(_Seals):
    """Sends to a repeat the very ACK that it sent before."""

    def sealed(self, key: Key, now: datetime, decision: Decision) -> str:
        self.kept: dict[bytes, str] = getattr(self, "kept", {})
        return self.kept.setdefault(decision.frame.raw, seal(key, "]" + write_stamp(now)))


class HasRoomForTwentyFive(HasRoomForOne):
    """Takes no more than twenty-five connections at a time, as small equipment does."""

    room = 25


class TakesItsTime(Answerer):
    """Answers each message seconds after it has judged it, and written the answer with the time of then."""

    seconds = 2.0

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        sent = super().took(connection, data, kind, now, tick)
        return [one._replace(delay=one.delay + self.seconds) for one in sent]

    def finished(self, connection: int, now: datetime, tick: float) -> list[Reply]:
        return [Reply(None, self.seconds + 0.002)]


class JudgesLate(TakesItsTime):
    """Judges and answers each message seconds after it came, by the time that it is then."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        return super().took(connection, data, kind, now + timedelta(seconds=self.seconds), tick)


class IsSlowToRefuse(Answerer):
    """Takes its time over a DUH or a NAK, which it writes to its log first."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        sent = super().took(connection, data, kind, now, tick)
        slow = (b'"DUH"', b'"NAK"')
        return [one._replace(delay=0.8) if one.data and one.data[9:14] in slow else one for one in sent]


class IsHeldUpNowAndThen(Answerer):
    """Takes one and a half seconds over every fortieth answer."""

    count = 0

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        sent = []
        for one in super().took(connection, data, kind, now, tick):
            self.count += 1
            sent.append(one._replace(delay=1.5) if self.count % 40 == 0 else one)
        return sent


class KnowsAccountsByAllNumbers(_Deciding):
    """Knows its accounts under R1 and L2 alone, and answers DUH to any other."""

    numbers: tuple[str | None, str | None] = ("1", "2")

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        frame = decision.frame
        return "DUH" if decision.reply == "ACK" and (frame.receiver, frame.prefix) != self.numbers else None


class KnowsAccountsByPrefixZero(KnowsAccountsByAllNumbers):
    """Knows its accounts without a receiver number and under L0 alone."""

    numbers = (None, "0")


class HoldsClearStampsToo(_Deciding):
    """Holds the stamps of messages in clear against its clock, too."""

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        self.now = now
        return super().decide(piece, kind, now, tick)

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        stamp = decision.frame.stamp
        return "NAK" if decision.reply == "ACK" and stamp and not in_window(stamp, self.now) else None


# These are tried as a trial does it, once `examine` has found out how slow they are.
PARTICULAR: tuple[type[Answerer], ...] = (
    AcknowledgesRepeatsAnyTime, KeepsItsAnswers, HasRoomForTwentyFive, TakesItsTime, JudgesLate, IsSlowToRefuse,
    IsHeldUpNowAndThen, KnowsAccountsByPrefixZero, HoldsClearStampsToo,
)  # fmt: skip


# ---- no receiver at all ----------------------------------------------------------------------------------------------


class IsSilent(Answerer):
    """Says nothing."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        return []


class SaysHello(Answerer):
    """Answers whatever comes with the same line of text."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        return [Reply(b"hello\r\n")]


class Echoes(Answerer):
    """Sends back what it gets."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        return [Reply(data)]


class HangsUp(Answerer):
    """Closes each connection at its first byte."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        return [Reply(None)]


NONE_AT_ALL: tuple[type[Answerer], ...] = (IsSilent, SaysHello, Echoes, HangsUp)
