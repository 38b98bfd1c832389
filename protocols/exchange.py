"""The conversation of DC-09, both roles side by side, without I/O.

    panel                                   receiver
    idle     -- message or poll ---------->
    waiting  <------------------------ ACK  received without error                     (5.5.3.1)
             <------------------------ NAK  the stamp is out of the window; my time is … (5.5.3.2)
             <------------------------ DUH  arrived right, cannot be processed         (5.5.3.3)
             <----------------------------  nothing: crc or length was wrong, or it never came

The panel keeps one message outstanding. Without an answer it sends the message again under the same sequence number, in
clear the same bytes, some three tries some 20 s apart; then it turns to its next receiver. After a NAK it sets its clock
and sends again. ACK and DUH echo sequence, R, L and #; the answer to an encrypted message is an encrypted ACK with
padding and stamp, but a clear DUH and a clear NAK.

What one role writes, the other must accept: a property test holds the two against each other.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Literal

from protocols.dc09 import build, decode, decode_all, write_stamp
from protocols.envelope import wrap
from protocols.seal import Key, PadSource, padding, seal
from protocols.values import Frame

Word = Literal["ACK", "NAK", "DUH", "none"]
AHEAD, BEHIND = timedelta(seconds=20), timedelta(seconds=40)  # the window around the receiver's clock (from memory)
LAST_SEQUENCE = 9999
# What a receiver's clock can say: from where computers begin to count (a clock that has lost its time is often there) to
# the end of the century (common practice). A panel that took over a time at the edge of the calendar could not count on.
EARLIEST, LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(2099, 12, 31, 23, 59, 59, tzinfo=UTC)

_TOO_FAR_BEHIND = -BEHIND - timedelta(seconds=1)
_ECHO = re.compile(r"[ !#-Z\\^-~]{0,16}")  # what can be said back without harm: printable, no quote, no bracket


def in_window(stamp: datetime, now: datetime) -> bool:
    """Whether a stamp is at most 20 s ahead of the receiver's clock and at most 40 s behind it; both in whole seconds."""
    return _TOO_FAR_BEHIND < stamp - now <= AHEAD  # a stamp has whole seconds; so the bench's are those that have begun


def following(sequence: int) -> int:
    """The sequence number after this one: 9999 is followed by 0001."""
    return sequence % LAST_SEQUENCE + 1


def answer(word: Word, to: Frame, now: datetime, key: Key | None = None, pad: PadSource = padding) -> bytes:
    """The receiver's answer to a frame. `key` seals an ACK to an encrypted message. `none` is no byte at all."""
    if word == "none":
        return b""
    if word == "NAK":
        return wrap(b'"NAK"0000R0L0A0[]' + write_stamp(now).encode())
    echo = _echo(to.sequence_sent, "") + _echo_of_head(to.receiver, to.prefix, to.account)
    if word == "ACK" and to.encrypted and key:
        return wrap(f'"*ACK"{echo}[{seal(key, "]" + write_stamp(now), pad)}'.encode())
    return wrap(f'"{word}"{echo}[]'.encode())


@lru_cache(8192)  # of a panel it is always the same
def _echo_of_head(receiver: str | None, prefix: str | None, account: str | None) -> str:
    return _echo(receiver, "R") + _echo(prefix, "L") + _echo(account, "#")


def _echo(text: str | None, letter: str) -> str:
    return letter + text if text is not None and _ECHO.fullmatch(text) else ""


@dataclass(frozen=True, slots=True)
class Heard:
    """What a panel makes of bytes that came back: the receiver's word, or `foreign` with the reason in words."""

    word: Literal["ACK", "NAK", "DUH", "foreign"]
    frame: Frame
    why: str = ""


def belongs(reply: Frame, sent: Frame) -> Heard:
    """Hold an answer against the message that it should answer."""
    if reply.has("crc-mismatch", "length-mismatch", "bad-envelope", "noise", "oversize", "bad-token", "decrypt-failed"):
        return Heard("foreign", reply, reply.problems[0].detail)
    if reply.token not in ("ACK", "NAK", "DUH", "RSP"):
        return Heard("foreign", reply, f"{reply.token} is no answer")
    if reply.token == "NAK":
        if reply.encrypted:
            return Heard("foreign", reply, "a NAK is never encrypted (5.5.3.2)")
        if reply.stamp is None:
            return Heard("foreign", reply, "a NAK must carry the receiver's time (5.5.3.2)")
        if not EARLIEST <= reply.stamp <= LATEST:
            return Heard("foreign", reply, f"no receiver's time is in the year {reply.stamp.year:04d}")
        return Heard("NAK", reply)
    for what, got, due in (
        ("sequence", reply.sequence_sent, sent.sequence_sent),
        ("receiver", reply.receiver, sent.receiver),
        ("prefix", reply.prefix, sent.prefix),
        ("account", reply.account, sent.account),
    ):
        if got != due:
            said = f"its {what} is {got}" if got is not None else f"it has no {what}"
            return Heard("foreign", reply, f"{said}, the message {'has none' if due is None else f'has {due}'}")
    if reply.token == "DUH":
        return Heard("DUH", reply)
    if sent.encrypted and (not reply.encrypted or reply.has("missing-stamp", "no-key")):
        return Heard("foreign", reply, "the ACK to an encrypted message is encrypted, with a stamp (5.5.3.1)")
    if reply.encrypted and not sent.encrypted:
        return Heard("foreign", reply, "an encrypted ACK to a message in clear")
    return Heard("ACK", reply)  # an RSP is an acknowledgement that brings data along (from memory of DC-09)


class Panel:
    """The panel's side: one message outstanding, its number, its repeats. The caller owns socket and timer.

    `now` is the true UTC time; `clock_error` is how far this panel's clock is from it, and a NAK sets it right.
    `stamped` says whether messages carry a stamp; encrypted ones must (5.5.2.1), so leave it on unless to see a NAK.
    """

    def __init__(
        self,
        account: str,
        *,
        receiver: str | None = None,
        prefix: str = "0",
        key: Key | None = None,
        sequence: int = 1,
        tries: int = 3,
        stamped: bool = True,
        clock_error: timedelta = timedelta(0),
        pad: PadSource = padding,
    ) -> None:
        self.account, self.receiver, self.prefix, self.key = account, receiver, prefix, key
        self.sequence, self.tries, self.stamped, self.clock_error = sequence, tries, stamped, clock_error
        self._pad = pad
        self._write: Callable[[datetime], bytes] | None = None  # writes the outstanding message afresh
        self.sent = b""
        self.tried = 0

    @property
    def waiting(self) -> bool:
        """Whether a message is outstanding."""
        return self._write is not None

    def say(self, token: str, payload: str, now: datetime, extended: Sequence[tuple[str, str]] = ()) -> bytes:
        """Begin a message: the bytes to send. RuntimeError while another is outstanding; ValueError as `build`'s."""
        frame = self._begin(token, self.sequence, payload, extended, now)
        self.sequence = following(self.sequence)
        return frame

    def poll(self, now: datetime) -> bytes:
        """Begin a poll: `NULL` with sequence 0000, outside the count."""
        return self._begin("NULL", 0, None, (), now)

    def heard(self, data: bytes, now: datetime) -> list[Heard]:
        """Take what came back. ACK and DUH end the message; a NAK sets the clock, and `again` gives the next try."""
        heard = [belongs(reply, decode(self.sent, self.key)) for reply in decode_all(data, self.key)]
        for one in heard:
            if one.word in ("ACK", "DUH"):
                self._write = None
            elif one.word == "NAK" and one.frame.stamp:
                self.clock_error = one.frame.stamp - now
                self.sent = b""  # the same bytes would carry the same wrong stamp
        return heard

    def again(self, now: datetime) -> bytes | None:
        """The outstanding message once more (no answer came, or a NAK did); None when the tries are used up.

        Also None when nothing is outstanding. In clear the bytes are the same, unless a NAK has set the clock.
        """
        if self._write is None:
            return None
        if self.tried >= self.tries:
            self.give_up()
            return None
        self.tried += 1
        if self.key or not self.sent:
            self.sent = self._write(now)
        return self.sent

    def give_up(self) -> None:
        """Let go of the outstanding message: nobody waits for its answer any more."""
        self._write = None

    def _begin(
        self, token: str, sequence: int, payload: str | None, extended: Sequence[tuple[str, str]], now: datetime
    ) -> bytes:
        if self._write is not None:
            raise RuntimeError("the panel still waits for the answer to its last message")

        def write(now: datetime) -> bytes:
            return build(
                token,
                sequence,
                self.account,
                payload,
                receiver=self.receiver,
                prefix=self.prefix,
                extended=extended,
                stamp=now + self.clock_error if self.stamped else None,
                key=self.key,
                pad=self._pad,
            )

        self.sent = write(now)
        self._write = write
        self.tried = 1
        return self.sent
