"""Both ends of a telephone call, side by side, without I/O: samples in (`hear`), samples out (`say`).

    receiver                                        panel
    waits 1 s, gives the handshake  -------------->  waits 250-300 ms
    follows the digits              <--------------  sends sixteen
    kisses off once told to         -------------->  its next message; without it within 1.25 s the same again, four times

Each end counts time by the samples that it has said; so a call runs as fast as it is fed, and a test of a minute takes none.
What one end says, the other must understand: a property test holds the two against each other.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from protocols.phone import sound
from protocols.phone.call import Following, Message
from protocols.phone.ear import RATE, Ear, Samples, Tone
from protocols.phone.sound import FIRST_DIGIT_AFTER, FLAWLESS, Flaws, Track
from protocols.phone.tones import KISS_OFF, PICK_UP_SECONDS, TRIES, WAIT_FOR_KISS_OFF

ANSWER_SECONDS = 1.0  # from the answer to the handshake: DC-05 has 0.5 to 2 s (from memory)
HANDSHAKE_AGAIN_SECONDS = 3.0  # without a digit, after which the receiver gives it again (common practice)
HANDSHAKES = 3  # (common practice)
HANG_UP_SECONDS = 5.0  # without a digit, after the last handshake or kiss-off (common practice)
EAR_SECONDS = 0.08  # what an ear needs to be sure that a tone is over
HANDSHAKE_WAIT_SECONDS = 30.0  # that a panel waits for one (common practice)
KISSED_SECONDS = 0.5  # of 1400 Hz that a panel takes for a kiss-off; DC-05 gives 0.75 to 1 s
SAME_SECONDS = 0.02  # a digit in sound and one in words that are nearer than this are one; two digits stand 40 ms apart

assert PICK_UP_SECONDS[0] <= ANSWER_SECONDS <= PICK_UP_SECONDS[1]


class Voice:
    """What an end has to say, one sound after another, given out as it is asked for."""

    def __init__(self) -> None:
        self._waiting: deque[Track] = deque()
        self.said = 0  # samples
        self.queued = 0  # samples until all that waits is said

    def queue(self, wave: Track, after: float = 0.0) -> None:
        """Say this once all that waits is said, and `after` seconds later."""
        for part in (np.zeros(round(after * RATE)), wave):
            self._waiting.append(part)
            self.queued += len(part)

    @property
    def busy(self) -> bool:
        return self.queued > 0

    @property
    def seconds(self) -> float:
        """How long it has been speaking or silent."""
        return self.said / RATE

    def say(self, count: int) -> Samples:
        """The next samples; silence where nothing waits."""
        out = np.zeros(count, dtype=np.float32)
        place = 0
        while self._waiting and place < count:
            part = self._waiting.popleft()
            taken = part[: count - place]
            out[place : place + len(taken)] = taken
            place += len(taken)
            if len(taken) < len(part):
                self._waiting.appendleft(part[len(taken) :])
        self.queued -= place
        self.said += count
        return out


class Answering:
    """The receiver's end. Whoever holds it decides of each message and says `kiss` to those that are kept."""

    def __init__(self, after: float = ANSWER_SECONDS) -> None:
        self.ear, self.voice, self.following = Ear(), Voice(), Following()
        self._told: deque[Tone] = deque(maxlen=8)
        self._handshakes = 0
        self._active = 0.0  # when a digit was heard last, or we said something: by the time of the voice
        self._messages = 0
        self._shake(after)

    def hear(self, samples: NDArray[Any]) -> list[Message]:
        """Take what came in; the messages that are over by it."""
        over: list[Message | None] = []
        for tone in self.ear.hear(samples):
            if tone.key is not None:
                self._active = self.voice.seconds
                if any(_same(tone, told) for told in self._told):
                    continue
            over.append(self.following.take(tone))
        over.append(self.following.quiet(self.ear.settled))
        self.following.call.forget()  # a line may be open for days
        return self._counted(over)

    def told(self, key: str, start: float, end: float) -> list[Message]:
        """Take a digit that came in words (RFC 4733); `start` and `end` are seconds of the stream that is heard."""
        tone = Tone(start, end, (), None, told=key)
        self._told.append(tone)
        self._active = self.voice.seconds
        self.following.retract(key, start - SAME_SECONDS, end + SAME_SECONDS)
        return self._counted([self.following.take(tone)])

    def kiss(self) -> None:
        """The message is kept: say so."""
        self.voice.queue(sound.kiss_off(RATE))
        self._active = self.voice.seconds + sound.KISS_OFF_SECONDS

    def say(self, count: int) -> Samples:
        """What goes out next. Where no digit follows a handshake, it is given again."""
        quiet = self.voice.seconds - self._active
        if self._messages == 0 and quiet > HANDSHAKE_AGAIN_SECONDS and self._handshakes < HANDSHAKES:
            self._shake(0)
        return self.voice.say(count)

    def end(self) -> list[Message]:
        """The caller has hung up: what was not over."""
        over = [self.following.take(tone) for tone in self.ear.end()]
        return self._counted([*over, self.following.end()])

    @property
    def over(self) -> bool:
        """Whether nothing more is to be waited for."""
        patient = self._messages == 0 and self._handshakes < HANDSHAKES
        return not self.voice.busy and not patient and self.voice.seconds - self._active > HANG_UP_SECONDS

    def _shake(self, after: float) -> None:
        wave = sound.handshake(RATE)
        self.voice.queue(wave, after)
        self._handshakes += 1
        self._active = self.voice.seconds + self.voice.queued / RATE

    def _counted(self, over: Sequence[Message | None]) -> list[Message]:
        found = [message for message in over if message is not None]
        self._messages += len(found)
        return found


def _same(heard: Tone, told: Tone) -> bool:
    return heard.key == told.key and heard.start < told.end + SAME_SECONDS and told.start - SAME_SECONDS < heard.end


@dataclass(slots=True)
class Delivery:
    """What became of a panel's message: how often it was sent, and when and how long the kiss-off was."""

    digits: str
    tries: int = 0
    kissed: bool = False
    waited: float | None = None  # s from its last digit to the kiss-off
    kiss_seconds: float | None = None


class Calling:
    """The panel's end: waits for the handshake, sends each message, and again where no kiss-off comes."""

    def __init__(self, messages: Sequence[str], flaws: Flaws = FLAWLESS, *, tries: int = TRIES) -> None:
        self.ear, self.voice, self.following = Ear(), Voice(), Following()
        self.deliveries = [Delivery(message) for message in messages]
        self.handshake: tuple[Tone, Tone] | None = None
        self.over = not messages
        # Each digit said: its first sample, the one after its last, and which.
        self.spoken: list[tuple[int, int, str]] = []
        self._flaws, self._tries = flaws, tries
        self._at = 0  # which message is under way
        self._sent: float | None = None  # when its last digit was over, by the time of the voice
        self._deadline = HANDSHAKE_WAIT_SECONDS

    @property
    def delivered(self) -> bool:
        """Whether every message was kissed off."""
        return all(one.kissed for one in self.deliveries)

    def hear(self, samples: NDArray[Any]) -> None:
        """Take what the receiver says."""
        behind = self.voice.seconds - self.ear.heard
        for tone in self.ear.hear(samples):
            self.following.take(tone)
            if self.handshake is None and self.following.call.handshakes:
                self.handshake = self.following.call.handshakes[0]
                self._send(max(FIRST_DIGIT_AFTER - (self.ear.heard - tone.end), 0.02))
            elif self._sent is not None and tone.alone == KISS_OFF and tone.seconds >= KISSED_SECONDS:
                waited = tone.start + behind - self._sent
                if waited > 0:
                    self._kissed(waited, tone.seconds)

    def say(self, count: int) -> Samples:
        """What goes out next."""
        if not self.over and self.voice.seconds > self._deadline and not self._kiss_begun():
            if self.handshake is None or self.deliveries[self._at].tries >= self._tries:
                self.over = True
            else:
                self._send(0.05)
        return self.voice.say(count)

    def _kiss_begun(self) -> bool:
        return self._sent is not None and KISS_OFF in self.ear.sounding

    def _send(self, after: float) -> None:
        delivery = self.deliveries[self._at]
        delivery.tries += 1
        pause = np.zeros(round((self._flaws.off / 1000 - sound.RAMP) * RATE))
        self.voice.queue(np.zeros(0), after)
        for place, digit in enumerate(delivery.digits):
            if place:
                self.voice.queue(pause)
            begin = self.voice.said + self.voice.queued
            self.voice.queue(sound.digit_sound(digit, self._flaws, RATE))
            self.spoken.append((begin, self.voice.said + self.voice.queued, digit))
        self._sent = self.voice.seconds + self.voice.queued / RATE
        self._deadline = self._sent + (WAIT_FOR_KISS_OFF.most or 0) / 1000 + EAR_SECONDS

    def _kissed(self, waited: float, seconds: float) -> None:
        delivery = self.deliveries[self._at]
        delivery.kissed, delivery.waited, delivery.kiss_seconds = True, waited, seconds
        self._sent = None
        self._at += 1
        if self._at == len(self.deliveries):
            self.over = True
        else:
            self._send(FIRST_DIGIT_AFTER)
