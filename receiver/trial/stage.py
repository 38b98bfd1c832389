"""A receiver as a trial sees it: the link to it, the accounts that it knows, and what a panel can say and hear.

The same cases run over sockets and over `memory`, where a receiver is a function and time passes by being asked for.
"""

import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple, Protocol

from protocols.dc09 import decode, write_stamp
from protocols.envelope import Piece, Reader, crc16, wrap
from protocols.exchange import Heard, belongs, following
from protocols.seal import Key, PadSource, padding, seal
from protocols.values import Frame
from receiver.trial.case import Trace, beside, fails, unclear
from receiver.wire import Kind, Wire

TEST_REPORT = "1602 00 000"  # what is said where a case needs just any message: a periodic test, so nobody is sent out
SETTLING = 0.005  # seconds in which a receiver that closes after an answer has done so
BROKEN = ("bad-envelope", "crc-mismatch", "length-mismatch", "oversize", "noise")  # no frame that can be trusted
ILLEGIBLE = (*BROKEN, "bad-token", "bad-sequence", "bad-number")  # what keeps numbers from being read and said back
WRONG_KEY = Key(bytes.fromhex("0F1E2D3C4B5A69788796A5B4C3D2E1F0"))  # no account has it


class Line(Protocol):
    """One connection, or over UDP one socket."""

    def send(self, data: bytes) -> None: ...
    def receive(self, seconds: float) -> bytes: ...
    def finish(self) -> None: ...
    def abort(self) -> None: ...
    def close(self) -> None: ...


class Link(Protocol):
    """The way to the receiver, and the clock that goes with it."""

    kind: Kind

    def open(self) -> Line: ...
    def now(self) -> datetime: ...
    def tick(self) -> float: ...
    def sleep(self, seconds: float) -> None: ...


class Sockets:
    """The link to a receiver that listens somewhere. OSError where nobody does."""

    def __init__(self, host: str, port: int, kind: Kind, timeout: float = 5.0, trusted: Path | None = None) -> None:
        self.kind = kind
        self._where = (host, port, kind, timeout, trusted)

    def open(self) -> Line:
        return Wire(*self._where)

    def now(self) -> datetime:
        return datetime.now(UTC)

    def tick(self) -> float:
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)


class Known(NamedTuple):
    """An account that the receiver knows; `key` is None where it reports in clear."""

    number: str
    key: Key | None = None

    def fits(self, wanted: str) -> bool:
        """Whether this is what a case asks for; see `Setup.account`."""
        kinds = ("any", "sealed" if self.key else "clear", f"{len(self.number)} digits")
        return wanted in kinds or (self.key is not None and wanted == str(self.key.bits))

    def __str__(self) -> str:
        return f"{self.number} {f'AES-{self.key.bits}' if self.key else 'in clear'}"


@dataclass
class Setup:
    """What holds for the whole trial.

    `wait` is how long an answer may take, `quiet` how long nothing must come where nothing may, both in seconds. `receiver`
    and `prefix` are the digits of R and L that the accounts are known under; without a receiver no R is sent. `ahead` is
    the receiver's clock minus ours, and `slowest` the longest that an answer took before the first case, in seconds: by so
    much, and by a second for the whole seconds of stamps, its clock is uncertain.
    """

    accounts: Sequence[Known]
    wait: float = 5.0
    quiet: float = 0.5
    unknown: str = "0D0D0D"  # an account that the receiver does not know
    receiver: str = ""
    prefix: str = "0"
    ahead: timedelta = timedelta(0)
    slowest: float = 0.0
    refused: Sequence[Known] = ()  # accounts that were given, and that it answered with DUH
    sequences: dict[str, int] = field(default_factory=dict)

    def account(self, wanted: str) -> Known:
        """The first account that is `any`, `clear`, `sealed`, `128`, `192`, `256` (bits of its key), or has `3 digits` …

        Where none was given the case does not apply; where the receiver refused it, the case cannot be told.
        """
        bits = f"with a key of {wanted} bits" if wanted.isdigit() else f"of {wanted}"
        what = {"any": "", "clear": "in clear", "sealed": "with a key"}.get(wanted, bits)
        found = self.accounts_that(lambda one: one.fits(wanted), what)
        return min(found, key=lambda one: one.key is not None) if wanted == "any" else found[0]

    def accounts_that(self, fits: Callable[[Known], bool], what: str, least: int = 1) -> list[Known]:
        """All accounts that fit, at least so many; or the case ends as in `account`."""
        found = [one for one in self.accounts if fits(one)]
        if len(found) >= least:
            return found
        for one in self.refused:
            if fits(one):
                unclear(f"account {one} was given, and a right message of it got a DUH")
        fewer = f"no account {what} was" if least == 1 else f"fewer than {least} accounts {what} were"
        return beside(f"{' '.join(fewer.split())} given")

    def next_sequence(self, number: str) -> int:
        """The next sequence number of an account's panel."""
        self.sequences[number] = following(self.sequences.get(number, 0))
        return self.sequences[number]


class Said(NamedTuple):
    """A message as it was sent, and as its own panel reads it."""

    data: bytes
    frame: Frame
    known: Known


class Stage:
    """What a case plays on: it makes messages, opens connections, and holds answers against what was said."""

    def __init__(self, link: Link, setup: Setup, trace: Trace) -> None:
        self.link, self.setup, self.trace = link, setup, trace
        self.opened = 0  # connections
        self.notes: list[str] = []  # what is worth knowing in whatever case it happens
        self._talks: list[Talk] = []

    @property
    def kind(self) -> Kind:
        return self.link.kind

    @property
    def clock(self) -> datetime:
        """The receiver's clock, as far as it was measured (see `Setup`)."""
        return self.link.now() + self.setup.ahead

    def account(self, wanted: str = "any") -> Known:
        return self.setup.account(wanted)

    def only_over(self, *kinds: Kind) -> None:
        """The case applies to these lines."""
        if self.kind not in kinds:
            beside(
                f"this is about {' and '.join(kind.upper() for kind in kinds)}; the trial is over {self.kind.upper()}"
            )

    def open(self) -> "Talk":
        """A new connection (over UDP a new socket)."""
        talk = Talk(self)
        self._talks.append(talk)
        return talk

    def sleep(self, seconds: float) -> None:
        self.trace.add(0, "waited", words=f"{seconds:g} s")
        self.link.sleep(seconds)

    def close(self) -> None:
        """Close what the case left open."""
        for talk in self._talks:
            talk.close()

    def message(
        self,
        account: Known | None = None,
        *,
        token: str = "ADM-CID",
        data: str = TEST_REPORT,
        content: str | None = None,
        sequence: int | str | None = None,
        receiver: str | None = None,
        prefix: str | None = None,
        number: str | None = None,
        extended: Iterable[str] = (),
        stamp: float | str | None = 0.0,
        key: Key | str | None = "own",
        pad: PadSource = padding,
        crc: str = "right",
        length: int | str = 0,
    ) -> Said:
        """A message of an account, right unless told otherwise; texts go in as they are, so anything can be made wrong.

        `content` replaces `#number|data`; `receiver`, `prefix` (without: those of the setup) and `number` (the account as
        the head has it) bring their letters along; `stamp` is a text, or seconds from the receiver's clock, or None for
        none; `key` is `own`, `wrong` or None for clear; `crc` is `right`, `wrong` (or only its `high` or `low` half),
        `lower` (case), `binary`, `swapped` (its halves), or the text that stands there; `length` is what 0LLL is out by,
        `lower`, or the text that stands there.
        """
        known = account or self.account()
        own = known.key if key == "own" else WRONG_KEY if key == "wrong" else key
        assert not isinstance(own, str), f"{own!r} is no key"
        poll = token == "NULL"
        if sequence is None:
            sequence = 0 if poll else self.setup.next_sequence(known.number)
        digits = f"{sequence:04d}" if isinstance(sequence, int) else sequence
        if receiver is None:
            receiver = f"R{self.setup.receiver}" if self.setup.receiver else ""
        if prefix is None:
            prefix = f"L{self.setup.prefix}"
        if number is None:
            number = f"#{known.number}"
        if content is None:
            content = "" if poll else f"{number}|{data}"
        if isinstance(stamp, (int, float)):
            stamp = write_stamp(self.clock + timedelta(seconds=stamp))
        inside = f"{content}]{''.join(f'[{one}]' for one in extended)}{stamp or ''}"
        head = f'"{"*" if own else ""}{token}"{digits}{receiver}{prefix}{number}['
        text = (head + (seal(own, inside, pad) if own else inside)).encode("latin-1")
        raw = spoiled(text, crc, length)
        return Said(raw, decode(raw, own), known)

    def poll(self, account: Known | None = None) -> Said:
        """A poll: NULL with sequence 0000."""
        return self.message(account, token="NULL")


class Talk:
    """One connection of a case, or several in turn where the receiver closes after an answer, as is its right."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        self._due: list[
            tuple[Said, Sequence[str]]
        ] = []  # messages no longer waited for, and the answers that may come yet
        self._open()

    def _open(self) -> None:
        self.line = self._stage.link.open()
        self._stage.opened += 1
        self.number = self._stage.opened
        self._reader, self._pieces = Reader(), deque[Piece]()
        self.closed = False  # by either side
        self.answered = False  # since it was opened
        self._stage.trace.add(self.number, "opened")

    def anew(self) -> None:
        """A new connection in place of this one."""
        self.close()
        self._open()

    def ready(self) -> None:
        """See to it that the connection is open, for what is sent in parts: who closes after an answer does so now."""
        if self.answered and not self.closed and not self._pieces:
            with suppress(EOFError, OSError):
                self._read(SETTLING)
        if self.closed:
            self.anew()

    def stands(self) -> bool:
        """Whether the receiver has not closed it by now."""
        if not self.closed:
            with suppress(EOFError, OSError):
                self._read(0.0)
        return not self.closed

    def send(self, said: Said | bytes, words: str = "") -> None:
        """Send a message, or just bytes."""
        data, key = (said.data, said.known.key) if isinstance(said, Said) else (said, self._any_key())
        if self.closed:
            raise EOFError("the receiver had closed the connection")
        self._stage.trace.add(self.number, "sent", data, words, key)
        try:
            self.line.send(data)
        except OSError:
            # Where it had closed after an answer, `answer` finds that out and sends again.
            if not self.answered:
                raise

    def next(self, seconds: float) -> Piece | None:
        """The next frame or run of noise, None where nothing came in time. EOFError once the receiver has closed."""
        link = self._stage.link
        deadline = link.tick() + seconds
        while not self._pieces:
            left = deadline - link.tick()
            if left <= 0:
                return None
            try:
                self._read(left)
            except TimeoutError:
                return self._flush()
            except (EOFError, OSError):
                if rest := self._flush():
                    return rest
                raise
        return self._pieces.popleft()

    def _read(self, seconds: float) -> None:
        try:
            data = self.line.receive(seconds)
        except TimeoutError:
            raise
        except (EOFError, OSError):
            self._stage.trace.add(self.number, "lost")
            self.closed = True
            raise
        self._stage.trace.add(self.number, "got", data, key=self._any_key())
        self._pieces.extend(self._reader.feed(data))
        if self._stage.kind == "udp":
            self._pieces.extend(self._reader.close())

    def _flush(self) -> Piece | None:
        # An answer that never ends, or bytes that are none: shown for what they are.
        self._pieces.extend(self._reader.close())
        return self._pieces.popleft() if self._pieces else None

    def _any_key(self) -> Callable[[Frame], Key | None]:
        keys = {one.number.lstrip("0"): one.key for one in self._stage.setup.accounts}
        return lambda frame: keys.get((frame.account or "").lstrip("0"))

    def answer(self, said: Said, seconds: float | None = None, words: Sequence[str] = ("ACK",)) -> Heard | None:
        """What comes back to a message within the time that an answer may take; None for nothing.

        What still comes to an earlier message that was no longer waited for is passed over, unless it is one of `words`
        to this one. Where the receiver had closed after an earlier answer, the message is sent again on a new connection.
        """
        link = self._stage.link
        deadline = link.tick() + (self._stage.setup.wait if seconds is None else seconds)
        while True:
            try:
                piece = self.next(deadline - link.tick())
            except (EOFError, OSError):
                if not self.answered:
                    raise
                self.anew()
                self.send(said, "on a new connection, as the receiver had closed the last one after its answer")
                continue
            if piece is None:
                return None
            self.answered = True
            heard = belongs(decode(piece, said.known.key), said.frame)
            if heard.word in words or not self._late(piece):
                return heard

    def silence(self, said: Said | None = None, why: str = "", seconds: float | None = None) -> None:
        """Nothing may come; what does fails the case. A connection that the receiver closes is silent, too."""
        try:
            piece = self.next(self._stage.setup.quiet if seconds is None else seconds)
            while piece is not None and self._late(piece):
                piece = self.next(self._stage.setup.quiet if seconds is None else seconds)
        except (EOFError, OSError):
            return
        if piece is not None:
            fails(f"{why or 'nothing may come back'}; {in_words(decode(piece, said.known.key if said else None))} came")

    def expect(self, said: Said, *words: str, why: str = "") -> Heard | None:
        """One of these answers (`ACK`, `NAK`, `DUH`, `silence`) must come, and belong to the message.

        None for silence: then it is not known yet whether the receiver still answers at all, which `control` finds out.
        """
        if words == ("silence",):
            self.silence(said, why)
            return None
        quiet = "silence" in words
        wanted = " or ".join(word if word != "silence" else "no answer" for word in words)
        try:
            heard = self.answer(said, self._stage.setup.quiet if quiet else None, words)
        except (EOFError, OSError):
            if quiet:
                return None
            fails(f"{why or wanted + ' is due'}; it closed the connection instead")
        if heard is None:
            if quiet:
                self._due.append((said, words))
                return None
            fails(f"{why or wanted + ' is due'}; nothing came within {self._stage.setup.wait:g} s")
        if heard.word not in words:
            about = f": {heard.why}" if heard.why else ""
            fails(f"{why or wanted + ' is due'}; {in_words(heard.frame)} came{about}")
        return heard

    def tell(self, said: Said, *words: str, why: str = "") -> Heard | None:
        """Send a message and expect one of these answers."""
        self.send(said)
        return self.expect(said, *words, why=why)

    def whatever(self, said: Said, *, ack: bool = True) -> str:
        """For what no clause decides: an ACK, a NAK, a DUH or nothing may come back, and is told in words.

        What comes must be an answer, and the message's own, for a panel acts on it: noise fails, and an ACK with other
        numbers. Only a DUH to numbers that cannot be read may say them back otherwise. With `ack` False no ACK may come.
        `control` goes after it.
        """
        words = ("ACK", "NAK", "DUH") if ack else ("NAK", "DUH")
        try:
            heard = self.answer(said, self._stage.setup.quiet, words)
        except (EOFError, OSError):
            return "it closed the connection"
        if heard is None:
            self._due.append((said, words))
            return "it gave no answer in time"
        if heard.word == "ACK" and not ack:
            fails("no receiver can read this rightly, so no ACK may come; one came")
        if not _may_answer(heard, said):
            fails(f"if an answer comes, it must be one to this message; {in_words(heard.frame)} came: {heard.why}")
        return f"it answered with {in_words(heard.frame)}"

    def control(self, *, patient: bool = False) -> str:
        """A right message must still be acknowledged: where the receiver kept the connection, there, and at the first try.

        Where it closed the connection, on a new one. `patient` is for what may cost it a try or two, as it waits for
        bytes that were announced: then it is tried as a panel tries, twice here and then on a new connection. "" where
        the first try was answered, or else which one was, in words.
        """
        stage, talk, tries = self._stage, self, 3 if patient else 2
        said, nothing = stage.message(), ""
        for attempt in range(1, tries + 1):
            if talk.closed or (patient and attempt == tries):
                talk.close()
                talk = stage.open()
            where = "a new connection" if talk is not self else "the connection that it kept"
            try:
                talk.send(said, "a right message, to see that it still answers")
                heard = talk.answer(said)
            except (EOFError, OSError):
                nothing, talk.closed = "it closed the connection", True
                continue
            if heard is None:
                nothing = f"on {where} nothing came within {stage.setup.wait:g} s"
                if patient:
                    continue
                break
            if heard.word != "ACK":
                fails(f"a right message afterwards must get its ACK; {in_words(heard.frame)} came: {heard.why}")
            return f"a right message afterwards was acknowledged at try {attempt}, on {where}" if attempt > 1 else ""
        return fails(f"a right message afterwards must get its ACK; {nothing}")

    def _late(self, piece: Piece) -> bool:
        """Whether this is the answer to a message that was no longer waited for, and one that may come to it."""
        for one in self._due:
            said, words = one
            heard = belongs(decode(piece, said.known.key), said.frame)
            if heard.word in words or ("DUH" in words and _may_answer(heard, said)):
                self._due.remove(one)
                note = (
                    f"{in_words(heard.frame)} came later than the {self._stage.setup.quiet:g} s that count as silence"
                )
                if note not in self._stage.notes:
                    self._stage.notes.append(note)
                return True
        return False

    def finish(self) -> None:
        """Close our half."""
        self._stage.trace.add(self.number, "finished")
        self.line.finish()

    def abort(self) -> None:
        self._stage.trace.add(self.number, "closed", words="with a reset")
        self.closed = True
        self.line.abort()

    def close(self) -> None:
        if not self.closed:
            self._stage.trace.add(self.number, "closed")
            self.closed = True
        self.line.close()


def _may_answer(heard: Heard, said: Said) -> bool:
    """Whether this is an answer to the message. A DUH may say back otherwise what cannot be read."""
    duh = heard.frame.token == "DUH" and not heard.frame.has(*BROKEN)
    return heard.word != "foreign" or (duh and said.frame.has(*ILLEGIBLE))


_CRC_FAULTS = {"wrong": 0x0101, "high": 0x0100, "low": 0x0001}  # which bits are wrong: in both halves, or in one


def spoiled(text: bytes, crc: str = "right", length: int | str = 0) -> bytes:
    """An envelope around a text, with the wanted fault: see `Stage.message`."""
    if crc == "right" and length == 0:
        return wrap(text)
    value = crc16(text) ^ _CRC_FAULTS.get(crc, 0)
    digits = b"%04X" % value
    if crc == "lower":
        digits = digits.lower()
    elif crc == "binary":
        digits = value.to_bytes(2, "big")
    elif crc == "swapped":
        digits = digits[2:] + digits[:2]
    elif crc != "right" and crc not in _CRC_FAULTS:
        digits = crc.encode("latin-1")
    if length == "lower":
        counted = b"%04x" % len(text)
    else:
        counted = length.encode("latin-1") if isinstance(length, str) else b"%04X" % (len(text) + length)
    return b"\n" + digits + counted + text + b"\r"


def in_words(frame: Frame) -> str:
    """An answer in a few words."""
    if frame.kind == "noise":
        return f"noise of {frame.size} bytes"
    if frame.token is None:
        return "a frame that cannot be read"
    sealed = "a sealed " if frame.encrypted else "an " if frame.token in ("ACK", "NAK") else "a "
    return f"{sealed}{frame.token}"
