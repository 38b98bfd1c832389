"""Receivers that get one thing wrong, to prove the cases of a trial; and receivers that are right in another way.

`BROKEN` must be caught: what each gets wrong has been somebody's mistake, or could be. `RIGHT` must not fail in any case:
a standard leaves much to whoever builds, and a trial that only passes our own way of building proves nothing.
"""

import re
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from typing import Any

from protocols.dc09 import EXTENDED, MESSAGES, REPLIES
from protocols.envelope import Piece, crc16, read_all, unwrap, wrap
from protocols.exchange import Word
from receiver.desk import Decision
from receiver.trial.case import Case
from receiver.trial.memory import Answerer, InMemory, Reply
from receiver.trial.of_receiver import examine, run
from receiver.trial.stage import Known, Setup, Stage
from receiver.wire import Kind


def matrix(
    cases: Sequence[Case[Stage]], broken: Iterable[type[Answerer]], pool: Sequence[Known], kind: Kind = "tcp"
) -> dict[str, dict[str, str]]:
    """For each case the receivers that it catches, with the verdict of each (`fails` or `unclear`).

    Each is new for each case, so that what one case did to it is not counted for the next.
    """
    found: dict[str, dict[str, str]] = {case.id: {} for case in cases}
    for each in broken:
        for case in cases:
            (result,) = run([case], InMemory(each(pool), kind), Setup(pool))
            if result.verdict in ("fails", "unclear"):
                found[case.id][each.__name__] = result.verdict
    return found


def past_examination(broken: Iterable[type[Answerer]], pool: Sequence[Known]) -> set[str]:
    """Those that a trial would go on with to its cases."""
    late = set()
    for each in broken:
        with suppress(EOFError, OSError):
            if not examine(InMemory(each(pool)), Setup(pool)).why_not:
                late.add(each.__name__)
    return late


# ---- the envelope ----------------------------------------------------------------------------------------------------


def mended(piece: Piece, *, crc: bool = True, length: bool = True) -> Piece:
    """A frame with its check fields put right, for who does not look at them."""
    envelope = unwrap(piece.data) if piece.kind == "frame" else None
    if envelope is None:
        return piece
    data = piece.data[-len(envelope.body) - 5 : -1]  # 0LLL and the body
    digits = b"%04X" % crc16(envelope.body) if crc else envelope.crc.encode()
    counted = b"%04X" % len(envelope.body) if length else data[:4]
    return piece._replace(data=b"\n" + digits + counted + envelope.body + b"\r")


class _Reading(Answerer):
    """Reads a frame in its own way before it decides."""

    def mend(self, piece: Piece) -> Piece:
        raise NotImplementedError

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        return super().decide(self.mend(piece), kind, now, tick)


class TakesAnyCrc(_Reading):
    """Does not look at the CRC."""

    def mend(self, piece: Piece) -> Piece:
        if piece.kind == "frame" and re.match(rb"\n....[0-9A-Fa-f]{4}\"", piece.data, re.S):
            piece = piece._replace(data=b"\n0000" + piece.data[5:])
        return mended(piece, length=False)


class ComparesLowByte(_Reading):
    """Compares only the low byte of the CRC."""

    def mend(self, piece: Piece) -> Piece:
        right = mended(piece, length=False)
        return right if right.data[3:5] == piece.data[3:5] else piece


class ComparesHighByte(_Reading):
    """Compares only the high byte of the CRC."""

    def mend(self, piece: Piece) -> Piece:
        right = mended(piece, length=False)
        return right if right.data[1:3] == piece.data[1:3] else piece


class TakesCrcEitherWayRound(_Reading):
    """Takes the bytes of the CRC in either order."""

    def mend(self, piece: Piece) -> Piece:
        right = mended(piece, length=False)
        return right if right.data[1:5] == piece.data[3:5] + piece.data[1:3] else piece


class TakesAnyLength(_Reading):
    """Does not look at the length."""

    def mend(self, piece: Piece) -> Piece:
        if piece.kind == "frame" and piece.data[9:10] == b'"':
            piece = piece._replace(data=piece.data[:5] + b"0000" + piece.data[9:])
        return mended(piece, crc=False)


class CountsCarelessly(_Reading):
    """Takes a length that is out by one or two."""

    def mend(self, piece: Piece) -> Piece:
        envelope = unwrap(piece.data)
        near = envelope is not None and abs(envelope.length - len(envelope.body)) <= 2
        return mended(piece, crc=False) if near else piece


class _Deciding(Answerer):
    """Decides rightly, then says something else."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        """What it says instead; None to leave it."""
        raise NotImplementedError

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        decision = super().decide(piece, kind, now, tick)
        word = self.word(decision, piece)
        return decision if word is None else replace(decision, reply=word)


class SaysDuhToBadFrames(_Deciding):
    """Answers DUH where crc or length is wrong, instead of nothing."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "DUH" if decision.verdict == "unreadable" else None


class SaysDuhToSmallLetters(_Deciding):
    """Answers DUH to CRC or length in lower case, or in binary, instead of reading or dropping it."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "DUH" if piece.data[1:9] != piece.data[1:9].upper() or decision.frame.has("binary-crc") else None


class AnswersNoise(_Deciding):
    """Answers DUH to bytes outside any frame."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "DUH" if decision.verdict == "noise" else None


class AcksBlindly(_Deciding):
    """Acknowledges whatever it cannot read, and fills in zeros for what it did not find."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "ACK" if decision.frame.problems else None

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        return wrap(b'"ACK"0000L0#0000[]') if decision.frame.problems else super().write(word, decision, now)


class NeedsAFrameASegment(Answerer):
    """Takes every segment for one frame, and answers DUH to one that is not."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        if data[:1] == b"\n" and data[-1:] == b"\r" and data.count(b"\r") == 1:
            return super().took(connection, data, kind, now, tick)
        return [Reply(wrap(b'"DUH"0000L0[]'))]


class TakesOneFrameOfASegment(Answerer):
    """Forgets what comes after the first frame of a segment."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        return super().took(connection, data[: data.find(b"\r") + 1 or len(data)], kind, now, tick)


class AnswersEveryPart(Answerer):
    """Acknowledges as soon as bytes have come that look like the beginning of a message."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        if data[:1] == b"\n" and b"\r" not in data:
            return [Reply(wrap(b'"ACK"0001L0#4471[]'))]
        return super().took(connection, data, kind, now, tick)


class DropsWhatComesLate(Answerer):
    """Forgets half a frame after half a second."""

    def __init__(self, accounts: Sequence[Known], **more: Any) -> None:
        super().__init__(accounts, **more)
        self.heard: dict[int, float] = {}

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        if tick - self.heard.get(connection, tick) > 0.4 and self.readers[connection].holds == "frame":
            self.opened(connection)
        self.heard[connection] = tick
        return super().took(connection, data, kind, now, tick)


class WantsLfFirst(Answerer):
    """Drops a segment that begins with anything but the LF of a frame."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        if (
            kind != "udp"
            and self.readers[connection].holds == "nothing"
            and not re.match(rb'\n[^\n]{8}".*\r', data, re.S)
        ):
            return []
        return super().took(connection, data, kind, now, tick)


class DropsHalfAFrame(Answerer):
    """Goes on filling the frame it has begun where another LF comes: both are lost."""

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        return super().took(connection, data[:1] + data[1:].replace(b"\n", b" "), kind, now, tick)


class HasAShortBuffer(Answerer):
    """Drops what has more than 250 bytes."""

    def replies(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        return super().replies(piece, kind, now, tick) if piece.size <= 250 else []


class EndsTextsAtNul(Answerer):
    """Reads a frame only to its first NUL, and so finds its length wrong."""

    def replies(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        return [] if b"\0" in piece.data else super().replies(piece, kind, now, tick)


class DropsUnprintable(Answerer):
    """Drops a frame with a byte that is no printable ASCII."""

    def replies(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        bad = piece.kind == "frame" and re.search(rb"[^ -~]", piece.data[1:-1])
        return [] if bad else super().replies(piece, kind, now, tick)


class AcksTheBeginning(Answerer):
    """Of a frame that is too long it acknowledges the beginning, by numbers that it no longer has."""

    def replies(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        if piece.kind == "oversize":
            return [Reply(wrap(b'"ACK"0000L0#0000[]'))]
        return super().replies(piece, kind, now, tick)


class IsDeafAfterABadFrame(Answerer):
    """Answers nothing more after a frame that it could not read."""

    deaf = False

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        decision = super().decide(piece, kind, now, tick)
        self.deaf |= decision.verdict in ("unreadable", "noise")
        return replace(decision, reply="none") if self.deaf else decision


class IsDeafOnThatConnection(Answerer):
    """Answers nothing more on a connection that brought a wrong CRC or length, and keeps it open."""

    def __init__(self, accounts: Sequence[Known], **more: Any) -> None:
        super().__init__(accounts, **more)
        self.deaf: set[int] = set()

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        if connection in self.deaf:
            return []
        if any(self.read(piece).has("crc-mismatch", "length-mismatch") for piece in read_all(data)):
            self.deaf.add(connection)
        return super().took(connection, data, kind, now, tick)


class ChecksTheBeginning(_Reading):
    """Hangs up on a wrong CRC or length, but finds none behind the account."""

    def mend(self, piece: Piece) -> Piece:
        return (
            mended(piece, length=False) if re.match(rb'\n.{8}"[A-Z-]+"\d{4}L0#[0-9A-F]+\[', piece.data, re.S) else piece
        )

    def replies(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        return super().replies(piece, kind, now, tick) or ([] if kind == "udp" else [Reply(None)])


class AnswersNonsense(Answerer):
    """Answers what it cannot process with two question marks."""

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        return b"??" if word == "DUH" else super().write(word, decision, now)


class SaysRspWhereDuhIsDue(Answerer):
    """Acknowledges with an RSP what it cannot process."""

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        data = super().write(word, decision, now)
        return wrap(data[9:-1].replace(b'"DUH"', b'"RSP"')) if word == "DUH" else data


class RemembersWhatItDropped(Answerer):
    """Takes a message for a repeat that it need not answer, because it came before with a wrong CRC or length."""

    def __init__(self, accounts: Sequence[Known], **more: Any) -> None:
        super().__init__(accounts, **more)
        self.dropped: set[tuple[str | None, str]] = set()

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        decision = super().decide(piece, kind, now, tick)
        message = decision.frame.account, decision.frame.sequence_sent
        if decision.verdict == "unreadable":
            self.dropped.add(message)
        return replace(decision, reply="none") if message in self.dropped else decision


# ---- token -----------------------------------------------------------------------------------------------------------


class AcksUnknownTokens(_Deciding):
    """Acknowledges a format that it does not have."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        frame = decision.frame
        return "ACK" if frame.token not in MESSAGES and frame.crc_sent == frame.crc_computed and frame.account else None


class AnswersAnswers(_Deciding):
    """Acknowledges an acknowledgement."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "ACK" if decision.frame.token in REPLIES else None


class IsSilentWhereDuhIsDue(_Deciding):
    """Drops in silence what it cannot process."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "none" if decision.reply == "DUH" or decision.frame.has("unknown-code") else None


class HangsUpWhereDuhIsDue(Answerer):
    """Closes the connection on what it cannot process."""

    def replies(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        decision = self.decide(piece, kind, now, tick)
        return [Reply(None if decision.reply == "DUH" else self.write(decision.reply, decision, now))]


class SaysDuhInBlank(Answerer):
    """Answers DUH without the numbers of the message."""

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        return wrap(b'"DUH"0000R0L0A0[]') if word == "DUH" else super().write(word, decision, now)


class TakesOneTokenOnly(_Deciding):
    """Reads all data as Contact ID: two-letter codes are none, and get no answer."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "none" if decision.frame.token == "SIA-DCS" else None


class ReadsDataByItsLook(_Deciding):
    """Falls silent where data are not in the format that their token names."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "none" if decision.frame.has("bad-payload") else None


class WantsExactData(_Deciding):
    """Drops in silence a Contact ID message without its blanks, or with a hexadecimal zone."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        plain = re.fullmatch(r"\d{4} \d{2} \d{3}", decision.frame.data or "")
        return "none" if decision.frame.token == "ADM-CID" and not plain else None


# ---- what an answer says back ----------------------------------------------------------------------------------------


class _Echoing(Answerer):
    """Answers with other numbers than those of the message."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        raise NotImplementedError

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        frame = replace(decision.frame, **self.echo(decision))  # type: ignore[arg-type]
        return super().write(word, replace(decision, frame=frame), now)


class AddsOneToTheSequence(_Echoing):
    """Answers with the number that comes next."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        return {"sequence_sent": f"{(decision.frame.sequence or 0) + 1:04d}"}


class DropsZerosOfTheSequence(_Echoing):
    """Answers with the number, but not with its leading zeros."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        return {"sequence_sent": decision.frame.sequence_sent.lstrip("0")}


class ReadsTheSequenceAsOctal(_Echoing):
    """Reads a number with a leading zero as an octal one, as C does where the base is left open."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        digits = re.match("0[0-7]*|[1-9][0-9]*|", decision.frame.sequence_sent)
        assert digits
        return {"sequence_sent": f"{int(digits[0] or '0', 8 if digits[0].startswith('0') else 10):04d}"}


class WritesTheSequenceAnew(_Echoing):
    """Reads the number as one, and writes it in four digits: what was none becomes 0000."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        sent = decision.frame.sequence_sent
        return {"sequence_sent": f"{int(sent) if sent.strip().isdecimal() else 0:04d}"}


class ForgetsTheWrap(_Echoing):
    """Counts with three digits."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        return {"sequence_sent": f"{(decision.frame.sequence or 0) % 1000:04d}"}


class DropsTheReceiver(_Echoing):
    """Answers without R."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        return {"receiver": None}


class AddsAReceiver(_Echoing):
    """Answers with R0 where the message has no R."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        return {"receiver": decision.frame.receiver or "0"}


class KeepsTheLastReceiver(_Echoing):
    """Answers with the R of the message before where this one has none."""

    last: str | None = None

    def echo(self, decision: Decision) -> dict[str, str | None]:
        self.last = decision.frame.receiver or self.last
        return {"receiver": self.last}


class AnswersWithPrefixZero(_Echoing):
    """Answers with L0, whatever the message says."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        return {"prefix": "0"}


class DropsLeadingZeros(_Echoing):
    """Answers with numbers without their leading zeros."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        frame = decision.frame
        values = {"receiver": frame.receiver, "prefix": frame.prefix, "account": frame.account}
        return {name: value and (value.lstrip("0") or "0") for name, value in values.items()}


class WritesCapitals(_Echoing):
    """Answers with the hex digits of receiver and account in capitals."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        frame = decision.frame
        return {
            "receiver": frame.receiver and frame.receiver.upper(),
            "account": frame.account and frame.account.upper(),
        }


class CutsLongNumbers(_Echoing):
    """Keeps receiver and prefix in two digits."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        frame = decision.frame
        return {"receiver": frame.receiver and frame.receiver[-2:], "prefix": frame.prefix and frame.prefix[-2:]}


class HasAccountsOfFourDigits(_Echoing):
    """Answers with four digits of the account, filled up with zeros."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        return {"account": (decision.frame.account or "").zfill(4)[-4:]}


class AnswersForTheAccountInside(_Echoing):
    """Takes the account of its answer from inside the brackets, as far as something stands there."""

    def echo(self, decision: Decision) -> dict[str, str | None]:
        frame = decision.frame
        bare = (frame.content or "").partition("|")[0]
        return {"account": bare.removeprefix("#") if bare.startswith("#") else "0000"}


class AnswersForTheLastAccount(_Echoing):
    """Answers with the account of the message before."""

    last: str | None = None

    def echo(self, decision: Decision) -> dict[str, str | None]:
        before, self.last = self.last, decision.frame.account
        return {"account": before or self.last}


class TakesEveryNumber(_Deciding):
    """Acknowledges every account and number, after it has cut or filled them to what it can keep."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "ACK" if decision.verdict in ("unknown-account", "accepted") and not decision.frame.encrypted else None

    def write(self, word: Word, decision: Decision, now: datetime) -> bytes:
        frame = decision.frame
        kept = {
            "receiver": frame.receiver and re.sub("[^0-9A-F]", "0", frame.receiver)[:6],
            "prefix": (frame.prefix or "0")[:6],
            "account": re.sub("[^0-9A-F]", "", frame.account or "").zfill(4)[:16],
        }
        return super().write(word, replace(decision, frame=replace(frame, **kept)), now)


class AcksTheEncryptedUnread(_Deciding):
    """Acknowledges an encrypted message that it has no key for, in clear."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "ACK" if decision.frame.has("no-key", "decrypt-failed") else None


# ---- sequence --------------------------------------------------------------------------------------------------------


class _Counting(Answerer):
    """Holds a message's number against the one before."""

    apart = True  # a count for each account

    def __init__(self, accounts: Sequence[Known], **more: Any) -> None:
        super().__init__(accounts, **more)
        self.last: dict[str, int] = {}

    def fits(self, last: int, now: int) -> bool:
        raise NotImplementedError

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        decision = super().decide(piece, kind, now, tick)
        number, who = decision.frame.sequence, (decision.frame.account or "") if self.apart else ""
        if decision.reply == "ACK" and number:
            last = self.last.get(who)
            self.last[who] = number
            if last is not None and not self.fits(last, number):
                return replace(decision, reply="DUH")
        return decision


class WantsGreaterNumbers(_Counting):
    """Refuses a number that is smaller than the one before."""

    def fits(self, last: int, now: int) -> bool:
        return now >= last


class AllowsNoGaps(_Counting):
    """Refuses a number that does not follow the one before, or repeat it."""

    def fits(self, last: int, now: int) -> bool:
        return (now - last) % 9999 in (0, 1)


class RefusesReusedNumbers(_Counting):
    """Refuses what has the number of the message before."""

    def fits(self, last: int, now: int) -> bool:
        return now != last


class CountsAllAccountsTogether(RefusesReusedNumbers):
    """Takes the same number of another account for a repeat, and refuses it."""

    apart = False


class IsSilentOnRepeats(_Deciding):
    """Does not answer what it has already."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "none" if decision.verdict == "repeat" else None


class DropsReusedNumbers(Answerer):
    """Takes for a repeat whatever has the number of an earlier message of the account, and is silent."""

    def __init__(self, accounts: Sequence[Known], **more: Any) -> None:
        super().__init__(accounts, **more)
        self.seen: dict[tuple[str | None, int], str | None] = {}

    def decide(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> Decision:
        decision = super().decide(piece, kind, now, tick)
        number = decision.frame.account, decision.frame.sequence or 0
        again = number[1] and self.seen.setdefault(number, decision.frame.data) != decision.frame.data
        return replace(decision, reply="none") if again else decision


# ---- data and extended data ------------------------------------------------------------------------------------------


class _Refusing(_Deciding):
    """Answers DUH to right messages that it does not go into, and nothing at all to what is not quite right."""

    def refuses(self, decision: Decision) -> bool:
        raise NotImplementedError

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "DUH" if decision.reply == "ACK" and self.refuses(decision) else None


class KnowsFewCodes(_Refusing):
    """Has codes for tests and openings only."""

    def refuses(self, decision: Decision) -> bool:
        return any(signal.code not in ("602", "401", "RP", "OP") for signal in decision.frame.signals)


class HasNoRestorals(_Refusing):
    """Knows no restorals, closings and conditions that are still present."""

    def refuses(self, decision: Decision) -> bool:
        return any(signal.qualifier != "new" for signal in decision.frame.signals)


class HasNoOpenings(_Refusing):
    """Does not know openings and closings."""

    def refuses(self, decision: Decision) -> bool:
        return any(signal.category == "open-close" for signal in decision.frame.signals[:1])


class HasSmallNumbers(_Refusing):
    """Has zones up to 250."""

    def refuses(self, decision: Decision) -> bool:
        return any(signal.number and int(signal.number, 16) > 0x250 for signal in decision.frame.signals)


class WantsASlash(_Refusing):
    """Does not read two-letter codes without a slash before them."""

    def refuses(self, decision: Decision) -> bool:
        return decision.frame.token == "SIA-DCS" and "/" not in (decision.frame.data or "")


class TakesOneEventABlock(_Refusing):
    """Does not read a block of two-letter codes with more than one."""

    def refuses(self, decision: Decision) -> bool:
        return len(decision.frame.signals) > 1


class ReadsNoTexts(_Refusing):
    """Does not read two-letter codes with a text."""

    def refuses(self, decision: Decision) -> bool:
        return any(signal.text for signal in decision.frame.signals)


class ReadsNoModifiers(_Refusing):
    """Does not read two-letter codes with a time, a date or a user before them, and no old event."""

    def refuses(self, decision: Decision) -> bool:
        return any(signal.modifiers.keys() - {"ri"} or signal.from_memory for signal in decision.frame.signals)


class WantsANumber(_Refusing):
    """Does not read a two-letter code without its number."""

    def refuses(self, decision: Decision) -> bool:
        return decision.frame.token == "SIA-DCS" and any(signal.number is None for signal in decision.frame.signals)


class ReadsNoExtendedData(_Refusing):
    """Does not read a message with extended data."""

    def refuses(self, decision: Decision) -> bool:
        return bool(decision.frame.extended)


class KnowsFewLetters(_Refusing):
    """Knows the extended data of the first edition only."""

    def refuses(self, decision: Decision) -> bool:
        return any(entry.id not in "HIM" for entry in decision.frame.extended)


class TakesOneField(_Refusing):
    """Takes one field of extended data."""

    def refuses(self, decision: Decision) -> bool:
        return len(decision.frame.extended) > 1


class SplitsAtSigns(_Refusing):
    """Takes # and _ in extended data for the account and the stamp."""

    def refuses(self, decision: Decision) -> bool:
        return any(set(entry.value) & set("#_") for entry in decision.frame.extended)


class WantsAStamp(_Refusing):
    """Wants a stamp in clear, too."""

    def refuses(self, decision: Decision) -> bool:
        return decision.frame.stamp is None


class IsSilentOnStrangeFields(_Deciding):
    """Drops in silence a message with extended data that it does not know or cannot read."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        def strange(letter: str, value: str) -> bool:
            return letter not in EXTENDED or letter in "AKP" or not value or bool(set(value) & set('|"'))

        fields = decision.frame.extended
        return "none" if decision.frame.has("bad-extended") or any(strange(e.id, e.value) for e in fields) else None


BROKEN: tuple[type[Answerer], ...] = (
    TakesAnyCrc, ComparesLowByte, ComparesHighByte, TakesCrcEitherWayRound, TakesAnyLength, CountsCarelessly,
    SaysDuhToBadFrames, SaysDuhToSmallLetters, AnswersNoise, AcksBlindly, NeedsAFrameASegment, TakesOneFrameOfASegment,
    AnswersEveryPart, DropsWhatComesLate, WantsLfFirst, DropsHalfAFrame, HasAShortBuffer, EndsTextsAtNul, DropsUnprintable,
    AcksTheBeginning, IsDeafAfterABadFrame, IsDeafOnThatConnection, ChecksTheBeginning,
    AnswersNonsense, SaysRspWhereDuhIsDue, RemembersWhatItDropped,
    AcksUnknownTokens, AnswersAnswers, IsSilentWhereDuhIsDue, HangsUpWhereDuhIsDue, SaysDuhInBlank, TakesOneTokenOnly,
    ReadsDataByItsLook, WantsExactData,
    AddsOneToTheSequence, DropsZerosOfTheSequence, ReadsTheSequenceAsOctal, WritesTheSequenceAnew,
    ForgetsTheWrap, DropsTheReceiver, AddsAReceiver,
    KeepsTheLastReceiver, AnswersWithPrefixZero, DropsLeadingZeros, WritesCapitals, CutsLongNumbers,
    HasAccountsOfFourDigits, AnswersForTheAccountInside, AnswersForTheLastAccount, TakesEveryNumber, AcksTheEncryptedUnread,
    WantsGreaterNumbers, AllowsNoGaps, RefusesReusedNumbers, CountsAllAccountsTogether, IsSilentOnRepeats,
    DropsReusedNumbers,
    KnowsFewCodes, HasNoRestorals, HasNoOpenings, HasSmallNumbers, WantsASlash, TakesOneEventABlock, ReadsNoTexts,
    ReadsNoModifiers, WantsANumber, ReadsNoExtendedData, KnowsFewLetters, TakesOneField, SplitsAtSigns, WantsAStamp,
    IsSilentOnStrangeFields,
)  # fmt: skip


# ---- right in another way --------------------------------------------------------------------------------------------


class ClosesAfterAnAnswer(Answerer):
    """Closes each connection after its answer."""

    def replies(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        sent = super().replies(piece, kind, now, tick)
        return [*sent, Reply(None)] if sent and kind != "udp" else sent


class HangsUpOnBadFrames(Answerer):
    """Closes the connection on what it cannot read."""

    def replies(self, piece: Piece, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        sent = super().replies(piece, kind, now, tick)
        return [Reply(None)] if not sent and kind != "udp" and piece.kind == "frame" else sent


class ReadsCapitalsOnly(_Deciding):
    """Drops CRC and length that are not in capital hex digits."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        small = piece.data[1:9] != piece.data[1:9].upper() or decision.frame.has("binary-crc")
        return "none" if small else None


class PassesDataOn(_Deciding):
    """Hands data on unread, so that none can be wrong for it."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        known = decision.frame.token in ("ADM-CID", "SIA-DCS")
        return "ACK" if known and decision.verdict == "unsupported" and decision.frame.content else None


class TakesEveryAccount(_Deciding):
    """Takes every account that reports in clear."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        frame = decision.frame
        right = (
            decision.verdict == "unknown-account" and frame.token in MESSAGES and 1 <= len(frame.account or "") <= 16
        )
        return "ACK" if right and not frame.encrypted else None


class IsSilentToStrangers(_Deciding):
    """Does not answer who is not in its book."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        return "none" if decision.verdict == "unknown-account" else None


class IsStrict(_Deciding):
    """Answers DUH to everything in a right envelope that is not as the standard has it."""

    def word(self, decision: Decision, piece: Piece) -> Word | None:
        odd = [problem for problem in decision.frame.problems if problem.rule != "binary-crc"] or decision.frame.notes
        return "DUH" if decision.reply == "ACK" and odd and "lower-case hex" not in str(odd) else None


class GoesByTheLength(Answerer):
    """Finds the end of a frame by its length, not by its CR, and begins anew at the next LF where the CRC is wrong."""

    def __init__(self, accounts: Sequence[Known], **more: Any) -> None:
        super().__init__(accounts, **more)
        self.waiting: dict[int, bytes] = {}

    def took(self, connection: int, data: bytes, kind: Kind, now: datetime, tick: float) -> list[Reply]:
        data = self.waiting.get(connection, b"") + data
        replies: list[Reply] = []
        while (start := data.find(b"\n")) >= 0 and len(data) >= start + 9:
            data = data[start:]
            try:
                end = 9 + int(data[6:9], 16)
            except ValueError:
                data = data[1:]
                continue
            if len(data) < end:
                break
            right = data[5:6] == b"0" and data[1:5].upper() == b"%04X" % crc16(data[9:end])
            replies += self.replies(Piece("frame", data[:end] + b"\r", end + 1), kind, now, tick) if right else []
            data = data[end:] if right else data[1:]
        self.waiting[connection] = b"" if kind == "udp" else data
        return replies


RIGHT: tuple[type[Answerer], ...] = (
    Answerer, ClosesAfterAnAnswer, HangsUpOnBadFrames, ReadsCapitalsOnly, PassesDataOn, TakesEveryAccount,
    IsSilentToStrangers, IsStrict, GoesByTheLength,
)  # fmt: skip
