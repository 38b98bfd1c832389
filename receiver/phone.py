"""The live telephone line: a call's sound comes in, handshake and kiss-offs go out, each message passes the desk between.

Sound comes as RTP with G.711 on a UDP port, as a VoIP gateway sends it, or from a file or FIFO. There is no signalling: a
call begins with its first packets or samples, and it ends when no more come.
"""

import errno
import os
import select
import stat
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Protocol, cast

import numpy as np
from numpy.typing import NDArray
from twisted.internet.protocol import DatagramProtocol

from protocols.envelope import Piece
from protocols.phone import rtp
from protocols.phone.call import Message
from protocols.phone.ear import RATE, Samples
from protocols.phone.roles import Answering
from protocols.phone.tones import WAIT_FOR_KISS_OFF
from receiver import sound_files
from receiver.call_words import grouped
from receiver.desk import Origin, millis
from receiver.lines import Respond, peer_text

PACKET_SECONDS = rtp.PACKET_SAMPLES / RATE
GONE_SECONDS = 3.0  # without a packet, after which the caller has hung up
LATE_SECONDS = 0.3  # that a caller's sound may lag before silence stands in for it
# Of sound more than time has passed: beyond it a caller's packets are left out, as no call is so fast.
AHEAD_SECONDS = 2.0
MOST_CALLS, MOST_OF_ONE = 64, 32  # at once on one port, and from one address
FULL_SECONDS = 60.0  # between two rows that say that there was no room
MOST_BEHIND = 10  # packets that are said at once after the process was held up
MOST_KEPT_SECONDS = 900.0  # of a call's sound
SLOW_SECONDS = 1.0  # for which a reader of a FIFO may hold up the line
AFTER_SECONDS = 2.0  # of silence behind a recording, in which its last message is answered
# A kiss-off later than this would be heard while the panel says its digits again; the repeat is kissed off instead.
TOO_LATE_SECONDS = (WAIT_FOR_KISS_OFF.most or 0) / 1000 - 0.05


class Desk(Protocol):
    """What the telephone lines need of the bench."""

    def receive(self, piece: Any, origin: Origin, respond: Respond) -> bool: ...
    def event(self, event: str, detail: str, **more: Any) -> None: ...


@dataclass(slots=True)
class _Kept:
    """Both sides of a call, to be written once it is over."""

    path: Path
    sides: tuple[list[Samples], list[Samples]] = field(default_factory=lambda: ([], []))
    counts: list[int] = field(default_factory=lambda: [0, 0])

    def take(self, side: int, samples: Samples) -> None:
        if self.counts[side] < MOST_KEPT_SECONDS * RATE:
            self.sides[side].append(samples)
            self.counts[side] += len(samples)

    def write(self) -> None:
        tracks = np.zeros((max(self.counts), 2), dtype=np.float32)
        for side, parts in enumerate(self.sides):
            if parts:
                tracks[: self.counts[side], side] = np.concatenate(parts)
        sound_files.write(self.path, tracks, RATE)


class LiveCall:
    """One call: what is heard goes to the desk message by message, and what is kept is kissed off."""

    def __init__(self, desk: Desk, origin: Origin, name: str, began: datetime, folder: Path | None = None) -> None:
        self.desk, self.origin = desk, origin
        self.id = f"{began:%Y%m%dT%H%M%S}Z-{name}"
        self.began = began
        self.answering = Answering()
        self.waiting = 0  # messages for which the desk has no answer yet
        self.messages = self.kissed = self.late = 0
        self._kept = _Kept(folder / f"{self.id}.wav") if folder else None

    def hear(self, samples: Samples) -> None:
        """What the caller says."""
        if self._kept:
            self._kept.take(0, samples)
        self._take(self.answering.hear(samples))

    def told(self, digit: rtp.Digit) -> None:
        """What the caller's gateway says in words."""
        self._take(self.answering.told(*digit))

    def say(self, count: int) -> Samples:
        """What the caller hears next."""
        out = self.answering.say(count)
        if self._kept:
            self._kept.take(1, out)
        return out

    def end(self) -> Callable[[], None] | None:
        """The caller has hung up. Gives what writes the call's sound, for a thread of its own."""
        self._take(self.answering.end())
        said = f"{self.messages} message{'s' * (self.messages != 1)}, {self.kissed} kissed off"
        late = f", {self.late} kept too late for a kiss-off" if self.late else ""
        self.desk.event(
            "call", f"{self.id} from {self.origin.peer}: {said}{late}", line="phone", port=self.origin.port,
            call=self.id, began=millis(self.began), seconds=round(self.answering.voice.seconds, 2),
            messages=self.messages, kissed_off=self.kissed,
        )  # fmt: skip
        return self._kept.write if self._kept and any(self._kept.counts) else None

    def _take(self, messages: list[Message]) -> None:
        for message in messages:
            self.messages += 1
            self.waiting += 1
            frame = message.frame()
            frame.notes += grouped(message.findings())  # who looks at the row must see what a call was like
            frame.call = {"id": self.id, "began": millis(self.began)} | message.to_json()
            # What passes from now on is counted by what we say: what we hear may come late, and not at all.
            over = self.answering.voice.seconds - (self.answering.ear.heard - message.end)
            self.desk.receive(frame, self.origin, partial(self._answered, over, frame.account))

    def _answered(self, over: float, account: str | None, answer: bytes) -> None:
        self.waiting -= 1
        if not answer:
            return
        since = self.answering.voice.seconds - over
        if since > TOO_LATE_SECONDS:
            self.late += 1
            detail = (
                f"{self.id}: a message of account {account} was kept {since:.2f} s after its last digit: no kiss-off"
            )
            self.desk.event("too-late", detail, account=account, call=self.id, seconds=round(since, 2))
        else:
            self.answering.kiss()
            self.kissed += 1


@dataclass(slots=True)
class _Caller:
    """One stream of RTP: its call, and where both directions are."""

    call: LiveCall
    address: tuple[str, int]
    began: float
    heard: float  # when its last packet came
    stream: rtp.Stream = field(default_factory=rtp.Stream)
    sent: int = 0
    source: int = field(default_factory=lambda: int.from_bytes(os.urandom(4), "big"))
    over: bool = False


class RtpLine(DatagramProtocol):
    """A UDP port on which gateways send calls as RTP; each is answered to where it comes from."""

    def __init__(
        self, desk: Desk, clock: Any, tick: Callable[[], float], now: Callable[[], datetime], folder: Path | None = None
    ) -> None:
        self.desk, self.tick, self.now, self.folder = desk, tick, now, folder
        self.port = 0
        self.closing = False
        self._callers: dict[tuple[str, int, int], _Caller] = {}
        self._calls = 0
        self._clock = clock
        self._again: Any = None  # the next turn
        self._full_until = 0.0
        self._in_thread: Callable[[Callable[[], None]], None] = getattr(clock, "callInThread", lambda work: work())

    def startProtocol(self) -> None:
        self._again = self._clock.callLater(PACKET_SECONDS, self._turn)

    @property
    def waiting(self) -> bool:
        return any(caller.call.waiting for caller in self._callers.values())

    def datagramReceived(self, datagram: bytes, addr: Any) -> None:
        host, port = addr[:2]
        origin = Origin("phone", self.port, host, peer_text(host, port))
        packet = rtp.read(datagram)
        if packet is not None and packet.type in rtp.CONTROL:
            return
        if packet is None or port == 0:
            self.desk.receive(Piece("noise", datagram, len(datagram)), origin, lambda _: None)
            return
        if self.closing:
            return
        mark = host, port, packet.source
        caller = self._callers.get(mark)
        if caller is None:
            if not rtp.carries(packet):
                return
            if len(self._callers) >= MOST_CALLS or sum(one[0] == host for one in self._callers) >= MOST_OF_ONE:
                self._full(origin)
                return
            self._calls += 1
            call = LiveCall(self.desk, origin, f"{self.port}-{self._calls}", self.now(), self.folder)
            caller = self._callers[mark] = _Caller(call, (host, port), self.tick(), self.tick())
        caller.heard = now = self.tick()
        ahead = caller.call.answering.ear.heard - (now - caller.began)
        if not caller.over and ahead < AHEAD_SECONDS:
            self._hear(caller, caller.stream.take(packet))

    def stop(self) -> None:
        """End every call."""
        self.closing = True
        if self._again is not None and self._again.active():
            self._again.cancel()
        for caller in self._callers.values():
            self._end(caller)
        self._callers.clear()

    def _full(self, origin: Origin) -> None:
        """Say, once in a while, that a call found no room."""
        if self.tick() >= self._full_until:
            self._full_until = self.tick() + FULL_SECONDS
            self.desk.event("connection", f"{origin.peer}: no room for a further call on phone port {self.port}")

    def _hear(self, caller: _Caller, parts: Iterator[Samples | rtp.Digit]) -> None:
        for part in parts:
            if isinstance(part, rtp.Digit):
                caller.call.told(part)
            else:
                caller.call.hear(part)

    def _turn(self) -> None:
        self._again = self._clock.callLater(PACKET_SECONDS, self._turn)  # first, so that no error ends it
        now = self.tick()
        for mark, caller in list(self._callers.items()):
            if now - caller.heard > GONE_SECONDS:
                self._end(caller)
                del self._callers[mark]
            elif not caller.over and caller.stream.proved:
                try:
                    self._speak(caller, now)
                except OSError as error:  # nobody can be reached there; the other calls go on
                    self.desk.event("connection", f"{caller.call.origin.peer}: nothing can be sent: {error.strerror}")
                    self._end(caller)
                if caller.call.answering.over:
                    self._end(caller)

    def _speak(self, caller: _Caller, now: float) -> None:
        due = int((now - caller.began) / PACKET_SECONDS) - caller.sent
        for _ in range(min(due, MOST_BEHIND)):
            samples = caller.call.say(rtp.PACKET_SAMPLES)
            kind, count = caller.stream.kind, caller.sent
            packet = rtp.Packet(
                kind, count, count * rtp.PACKET_SAMPLES, caller.source, rtp.encode(samples, kind), count == 0
            )
            cast(Any, self.transport).write(rtp.write(packet), caller.address)
            caller.sent += 1
        if due > MOST_BEHIND:  # time in which nobody spoke is not made up for
            caller.began += (due - MOST_BEHIND) * PACKET_SECONDS
        behind = caller.call.answering.voice.seconds - caller.call.answering.ear.heard
        if behind > LATE_SECONDS:
            caller.call.hear(caller.stream.silence(rtp.PACKET_SAMPLES))

    def _end(self, caller: _Caller) -> None:
        if not caller.over:
            caller.over = True
            self._hear(caller, caller.stream.end())
            if keep := caller.call.end():
                self._in_thread(keep)


class StreamLine:
    """Calls from a WAV file, or from a FIFO in samples of 16 bits at 8 kHz; the answer goes into another.

    A thread reads and writes; what is heard is judged on the reactor's thread, and as many samples go out as came in.
    While the desk keeps a message, no more is read: a recording runs as fast as that goes.
    """

    def __init__(
        self, desk: Desk, reactor: Any, now: Callable[[], datetime], source: Path, out: Path | None,
        folder: Path | None = None, told: Callable[[str], None] = lambda _: None,
    ) -> None:  # fmt: skip
        self.desk, self.reactor, self.now, self.told = desk, reactor, now, told
        self.source, self.out, self.folder = source, out, folder
        self.port = 0
        self.origin = Origin("phone", 0, "", str(source))
        self.call: LiveCall | None = None
        self.closing = False
        self._calls = 0
        self._fifo = stat.S_ISFIFO(source.stat().st_mode)
        # What cannot be read is told when the line is opened, not once it runs.
        self._sound = None if self._fifo else sound_files.Sound(source)
        self._thread = threading.Thread(target=self._run, name=f"phone {source}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    @property
    def waiting(self) -> bool:
        return self.call is not None and self.call.waiting > 0

    def stop(self) -> None:
        """Take nothing more, and end the call."""
        self.closing = True
        self._hang_up()

    # In the thread

    def _run(self) -> None:
        try:
            while not self.closing:
                with _Out(self.out) as out:
                    for samples in self._samples():
                        if self.closing:
                            return
                        out.write(self._through(samples))
                self.reactor.callFromThread(self._hang_up)
                if not self._fifo:
                    self.reactor.callFromThread(self.told, f"the recording {self.source} has been played to its end")
                    return
        except Exception as error:
            # Whatever it is, somebody must hear that nobody listens there any more.
            why = error.strerror if isinstance(error, OSError) and error.strerror else error
            self.reactor.callFromThread(self.told, f"THE PHONE LINE {self.source} IS LOST: {why}")
            self.reactor.callFromThread(self._hang_up)

    def _samples(self) -> Iterator[Samples]:
        size = rtp.PACKET_SAMPLES
        if self._sound:
            for piece in self._sound.pieces():
                line = np.asarray(piece.mean(axis=1))
                yield from (line[begin : begin + size] for begin in range(0, len(line), size))
        else:
            with self.source.open("rb") as file:
                while data := file.read(2 * size):
                    yield np.frombuffer(data[: len(data) & ~1], dtype="<i2").astype(np.float32) / np.float32(32768)
        yield from (np.zeros(size, dtype=np.float32) for _ in range(int(AFTER_SECONDS / PACKET_SECONDS)))

    def _through(self, samples: Samples) -> Samples:
        """Let the call hear this, wait until the desk has judged it, and bring what it says meanwhile."""
        done = threading.Event()
        said: list[Samples] = []

        def hear() -> None:
            try:
                if not self.closing:
                    self._listen(samples)
            except Exception as error:
                self.told(f"internal error: {error!r}")
            say()

        def say() -> None:
            if self.call is not None and self.call.waiting and not self.closing:
                self.reactor.callLater(0.001, say)
                return
            if self.call is not None:
                said.append(self.call.say(len(samples)))
            done.set()

        self.reactor.callFromThread(hear)
        while not done.wait(0.5):
            if self.closing:
                break
        return said[0] if said else np.zeros(0, dtype=np.float32)

    # On the reactor's thread

    def _listen(self, samples: Samples) -> None:
        if self.call is None:
            self._calls += 1
            name = f"{self.source.stem}-{self._calls}"
            self.call = LiveCall(self.desk, self.origin, name, self.now(), self.folder)
        self.call.hear(samples)

    def _hang_up(self) -> None:
        if self.call is not None:
            keep = self.call.end()
            self.call = None
            if keep:
                self.reactor.callInThread(keep)


class _Out:
    """Where a stream's answer goes: a WAV file by its name, else samples of 16 bits; or nowhere.

    Nobody need listen: what is said into a FIFO that no one reads, or not fast enough, is lost, as on a line.
    """

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._pipe = path is not None and path.is_fifo()
        self._file: int | None = None
        self._wave: Any = None

    def __enter__(self) -> "_Out":
        if self._path is not None and self._path.suffix == ".wav":
            self._wave = sound_files.writer(self._path, RATE)
        elif self._path is not None and not self._pipe:
            self._file = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        return self

    def write(self, samples: NDArray[Any]) -> None:
        if self._wave is not None:
            self._wave.write(samples)
        elif self._path is not None:
            data = (np.clip(samples, -1, 1) * 32767).astype("<i2").tobytes()
            (self._into_pipe if self._pipe else self._into_file)(data)

    def _into_file(self, data: bytes) -> None:
        assert self._file is not None
        while data:
            data = data[os.write(self._file, data) :]

    def _into_pipe(self, data: bytes) -> None:
        try:
            if self._file is None:
                self._file = os.open(self._path or "", os.O_WRONLY | os.O_NONBLOCK)  # ENXIO while nobody reads
            _, ready, _ = select.select((), (self._file,), (), SLOW_SECONDS)
            if ready:
                os.write(self._file, data)  # no more than a pipe takes at once, so whole
        except OSError as error:
            if error.errno not in (errno.ENXIO, errno.EPIPE, errno.EAGAIN):
                raise
            if error.errno == errno.EPIPE:
                self._close()

    def _close(self) -> None:
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def __exit__(self, *_: object) -> None:
        if self._wave is not None:
            self._wave.close()
        self._close()
