"""The telephone call of DC-05 as it was heard: tones in, messages out, each with what is wrong with its sound.

    receiver  -- 1400 Hz, silence, 2300 Hz: the handshake -->
    panel     <-- sixteen digits ---------------------------
    receiver  -- 1400 Hz for 0.75 to 1 s: the kiss-off ----->      or nothing, and the panel sends the digits again

`Following` takes the tones one by one, as a live line hears them; `read` takes those of a whole recording.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from protocols import contact_id
from protocols.phone.ear import Tone
from protocols.phone.tones import (
    DIGIT_LIMITS,
    HANDSHAKE,
    HANDSHAKE_LIMITS,
    KISS_OFF,
    KISS_OFF_LIMITS,
    WAIT_FOR_DIGITS,
    WAIT_FOR_KISS_OFF,
    Limit,
)
from protocols.values import Frame

DIGITS = 16
MOST_DIGITS = 64  # in a row without a pause, after which what came is told as it is
OVER_SECONDS = 0.4  # without a digit, after which a message is over (common practice: digits stand 0.1 s apart)
WHOLE_SECONDS = 0.16  # the same once there are sixteen: a seventeenth would have begun by then
KISS_OFF_SECONDS = 0.4  # from which on 1400 Hz is a kiss-off and no part of a handshake
BETWEEN_HANDSHAKE = (0.05, 0.2)  # s of silence between its two tones that still make one of them


class Finding(NamedTuple):
    """A measured value outside of its limit. `digit` is its place in the message, from 1; None for what is about it all."""

    digit: int | None
    limit: Limit
    value: float

    def __str__(self) -> str:
        where = "" if self.digit is None else f"digit {self.digit}: "
        said = f"{self.value:+.1f}" if self.limit.signed else f"{self.value:.1f}"
        return f"{where}{self.limit.name} is {said} {self.limit.unit}; {self.limit} ({self.limit.source})"


@dataclass(slots=True)
class Message:
    """Digits that came one after another. `number` counts the messages of a call, `attempt` the tries of one, from 1."""

    tones: list[Tone]
    number: int = 1
    attempt: int = 1
    handshake: tuple[Tone, Tone] | None = None  # the one just before it
    kiss_off: Tone | None = None

    @property
    def digits(self) -> str:
        return "".join(tone.digit or "" for tone in self.tones)

    @property
    def start(self) -> float:
        return self.tones[0].start

    @property
    def end(self) -> float:
        return self.tones[-1].end

    @property
    def good(self) -> bool:
        """Whether nothing about it is wrong, its code included."""
        return not self.frame().problems

    @property
    def whole(self) -> bool:
        """Whether it is sixteen digits with a right checksum, in the form of DC-05: what a receiver takes."""
        return contact_id.whole(self.frame())

    def frame(self) -> Frame:
        """The message decoded: the same signals and words as over DC-09. `raw` is its digits."""
        frame = contact_id.read_call(self.digits)
        if where := self._where_broken():
            frame.problems = [
                problem._replace(detail=problem.detail + where) if problem.rule == "digit-count" else problem
                for problem in frame.problems
            ]
        return frame

    def findings(self) -> list[Finding]:
        """Whatever in the sound of this message is outside of what DC-05 asks for, or Q.24 where DC-05 is silent."""
        found: list[Finding] = []

        def hold(limit: Limit, value: float, digit: int | None = None) -> None:
            if not limit.holds(value):
                found.append(Finding(digit, limit, value))

        for place, tone in enumerate(self.tones, 1):
            if tone.told is None:
                hold(DIGIT_LIMITS["frequency"], max((part.error for part in tone.parts), key=abs), place)
                hold(DIGIT_LIMITS["twist"], tone.twist or 0.0, place)
                hold(DIGIT_LIMITS["level"], min(part.dbm0 for part in tone.parts), place)
                hold(DIGIT_LIMITS["snr"], tone.snr or 0.0, place)
            hold(DIGIT_LIMITS["on"], 1000 * tone.seconds, place)
        for place, off in enumerate(self.offs, 1):
            hold(DIGIT_LIMITS["off"], 1000 * off, place)
        if self.handshake:
            found += handshake_findings(self.handshake)
            hold(WAIT_FOR_DIGITS, 1000 * (self.start - self.handshake[1].end))
        if self.kiss_off:
            hold(KISS_OFF_LIMITS["frequency"], self.kiss_off.parts[0].error)
            hold(KISS_OFF_LIMITS["on"], 1000 * self.kiss_off.seconds)
            hold(WAIT_FOR_KISS_OFF, 1000 * (self.kiss_off.start - self.end))
        return found

    @property
    def offs(self) -> list[float]:
        """The silence after each digit but the last, in seconds."""
        return [after.start - tone.end for tone, after in zip(self.tones, self.tones[1:], strict=False)]

    def _where_broken(self) -> str:
        """Where a digit is probably missing: in a pause that is far longer than the others."""
        if not self.tones:
            return ": no digit was heard"
        if len(self.tones) < 3 or len(self.tones) == DIGITS:
            return ""
        usual = sorted(self.offs)[len(self.offs) // 2]
        place, longest = max(enumerate(self.offs, 1), key=lambda one: one[1])
        if longest > 1.8 * usual + 0.02:
            return (
                f": after digit {place}, at {self.tones[place - 1].end:.2f} s, {1000 * longest:.0f} ms are silent where "
                f"{1000 * usual:.0f} ms are usual, so one is probably lost there"
            )
        short = len(self.tones) < DIGITS
        return (
            ": the pauses between them are even, so one was left out or cut off at an end; which cannot be told"
            if short
            else ""
        )

    def to_json(self) -> dict[str, Any]:
        """What a decoded message says of its call: times in seconds of the recording, and every tone with its measures."""
        offs = [*self.offs, None]
        return {
            "start": round(self.start, 4),
            "end": round(self.end, 4),
            "message": self.number,
            "attempt": self.attempt,
            "handshake": None if self.handshake is None else [tone_json(tone) for tone in self.handshake],
            "kiss_off": None if self.kiss_off is None else tone_json(self.kiss_off),
            "tones": [tone_json(tone, off) for tone, off in zip(self.tones, offs, strict=True)],
            "findings": [
                {
                    "digit": one.digit, "what": one.limit.name, "value": round(one.value, 2), "unit": one.limit.unit,
                    "least": one.limit.least, "most": one.limit.most, "margin": round(one.limit.margin(one.value), 2),
                    "source": one.limit.source,
                }
                for one in self.findings()
            ],
        }  # fmt: skip


def handshake_findings(pair: tuple[Tone, Tone]) -> Iterator[Finding]:
    """What is outside of its limits in a handshake."""
    for tone in pair:
        for name, value in (("frequency", tone.parts[0].error), ("on", 1000 * tone.seconds)):
            if not HANDSHAKE_LIMITS[name].holds(value):
                yield Finding(None, HANDSHAKE_LIMITS[name]._replace(name=f"handshake {tone.alone} Hz: {name}"), value)
    silence = 1000 * (pair[1].start - pair[0].end)
    if not HANDSHAKE_LIMITS["off"].holds(silence):
        yield Finding(None, HANDSHAKE_LIMITS["off"], silence)


def tone_json(tone: Tone, off: float | None = None) -> dict[str, Any]:
    """A tone with its measures; what a gateway told in words (RFC 4733) has no frequencies."""
    return {
        "digit": tone.digit,
        "start": round(tone.start, 4),
        "on_ms": round(1000 * tone.seconds, 1),
        "off_ms": None if off is None else round(1000 * off, 1),
        "parts": [
            {
                "nominal_hz": part.nominal, "hz": round(part.hz, 1), "error_percent": round(part.error, 2) + 0.0,
                "dbm0": round(part.dbm0, 1),
            }
            for part in tone.parts
        ],
        "twist_db": None if tone.twist is None else round(tone.twist, 1) + 0.0,
        "snr_db": None if tone.snr is None else round(tone.snr, 1),
        "holes_ms": round(1000 * tone.holes, 1),
        "told": tone.told is not None,
    }  # fmt: skip


@dataclass(slots=True)
class Call:
    """A call as far as it was heard."""

    messages: list[Message] = field(default_factory=list)
    handshakes: list[tuple[Tone, Tone]] = field(default_factory=list)
    strays: list[Tone] = field(default_factory=list)  # tones of the line that belong to neither

    def forget(self) -> None:
        """Keep of a live call only what the next message needs."""
        del self.messages[:-2], self.handshakes[:-2], self.strays[:-2]


class Following:
    """Follows a call. `take` and `quiet` give a message once it is over."""

    def __init__(self) -> None:
        self.call = Call()
        self._run: list[Tone] = []
        self._first: Tone | None = None  # the first half of a handshake, perhaps
        self._handshake: tuple[Tone, Tone] | None = None  # since which no message came

    def take(self, tone: Tone) -> Message | None:
        """The next tone, in the order of their ends."""
        over = self.quiet(tone.start)
        if tone.key is not None:
            self._run.append(tone)
            return over or (self._over() if len(self._run) == MOST_DIGITS else None)
        over = over or self._over()
        if tone.alone == KISS_OFF and tone.seconds >= KISS_OFF_SECONDS:
            last = self.call.messages[-1] if self.call.messages else None
            if last and last.kiss_off is None:
                last.kiss_off = tone
            else:
                self.call.strays.append(tone)
        elif tone.alone == HANDSHAKE[0]:
            self._first = tone
        elif self._first and BETWEEN_HANDSHAKE[0] <= tone.start - self._first.end <= BETWEEN_HANDSHAKE[1]:
            self._handshake = self._first, tone
            self.call.handshakes.append(self._handshake)
            self._first = None
        else:
            self.call.strays.append(tone)
        return over

    def retract(self, key: str, start: float, end: float) -> None:
        """Forget the last digit if it is this one, heard about then: a gateway tells it in words as well."""
        if (
            self._run
            and (last := self._run[-1]).key == key
            and last.told is None
            and start < last.end
            and last.start < end
        ):
            self._run.pop()

    def quiet(self, now: float) -> Message | None:
        """Nothing has been heard until now, in seconds of the call: the message that is over by that."""
        wait = WHOLE_SECONDS if len(self._run) == DIGITS else OVER_SECONDS
        return self._over() if self._run and now - self._run[-1].end >= wait else None

    def end(self) -> Message | None:
        """The call is over."""
        return self._over()

    def _over(self) -> Message | None:
        if not self._run:
            return None
        message = Message(self._run, handshake=self._handshake)
        self._run, self._handshake = [], None
        if self.call.messages:
            last = self.call.messages[-1]
            # A panel goes on to its next message only once it has heard the kiss-off of the last. So the same digits
            # again are one more try of it, and so is whatever follows a message that could not be read.
            same = message.digits == last.digits or not last.whole
            message.number = last.number if same else last.number + 1
            message.attempt = last.attempt + 1 if same else 1
        self.call.messages.append(message)
        return message


def once(tones: Sequence[Tone]) -> list[Tone]:
    """Tones in the order of their ends; one that two tracks hold, as each hears the other, is given once: the clearer."""
    kept: list[Tone] = []
    for tone in sorted(tones, key=lambda tone: tone.end):
        for place in range(len(kept) - 1, max(len(kept) - 4, -1), -1):
            other = kept[place]
            if (other.key, other.alone) == (tone.key, tone.alone) and tone.start < other.end:
                if (tone.snr or 0) > (other.snr or 0):
                    kept[place] = tone
                break
        else:
            kept.append(tone)
    return kept


def read(tones: Sequence[Tone]) -> Call:
    """The call that these tones are, in whatever order they were heard (two tracks are listened to one by one)."""
    following = Following()
    for tone in once(tones):
        following.take(tone)
    following.end()
    return following.call
