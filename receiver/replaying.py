"""A recording played again: read as steps, in the order of its time; sent over sockets, or put before the desk.

Whatever its length, what is held is bounded by the connections that are open: a receiver that does not read costs its own
connection and no other.
"""

import asyncio
import ssl
import time
from collections import Counter, OrderedDict, deque
from collections.abc import Awaitable, Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Literal, NamedTuple

from protocols.dc09 import bare, decode
from protocols.envelope import Piece, Reader, read_all
from protocols.values import Frame
from receiver import desk
from receiver.capture import MOST_OPEN, Happening, Recorder, What
from receiver.compared import Comparison, Message, nearest, reply_from, reply_of
from receiver.journal import JournalError
from receiver.outgoing import reason
from receiver.recast import Changes, Numbering, recast
from receiver.rehearing import (
    MOST_OUTSTANDING,
    Answered,
    Judged,
    Judging,
    Passed,
    Rehearing,
    tied,
)

MOST_BEHIND = 256  # steps that one connection may lag behind the recording
MOST_ENDING = 200  # connections that may wait for their last answers while the recording is read on, as fast as can be
MOST_PEERS = 500  # UDP sockets that are open at once: the one that was silent longest goes
MOST_PENDING = 65536  # bytes without a whole frame that are held where frames are changed
LATE = timedelta(seconds=60)  # how long after a slice an answer to what is in it is looked for
DAMAGE = ("crc-mismatch", "length-mismatch", "bad-envelope", "noise", "oversize")

Moment = Callable[[datetime, datetime], datetime]  # from when the recording begins, and the slice
Shown = Callable[[dict[str, Any]], None]
Renew = Callable[[Message, datetime], Frame | None]


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which part of a recording: a slice of time, both ends in it, and accounts, in the form of `bare`. Empty: all of it."""

    since: Moment | None = None
    until: Moment | None = None
    accounts: frozenset[str] = frozenset()

    @property
    def all(self) -> bool:
        return self.since is None and self.until is None and not self.accounts


class Step(NamedTuple):
    """What is next to be done. A conversation is one opening of a connection.

    `data` are bytes to send as they are; None where each of the messages goes by itself, changed perhaps.
    """

    at: datetime
    conversation: int
    connection: str
    line: str
    what: Literal["open", "send", "close"]
    data: bytes | None = None
    messages: tuple[Message, ...] = ()

    def pass_over(self) -> None:
        """Its messages have been sent, or never will be."""
        for message in self.messages:
            message.gone = True


@dataclass(slots=True)
class _Talk:
    conversation: int
    line: str
    asked: bool = False
    pending: bytearray = field(default_factory=bytearray)
    ahead: int = 0  # bytes that went before their piece was whole

    def cut(self, size: int) -> bytes:
        """What is still to send of the next piece, which has that many bytes."""
        gone = min(self.ahead, size)
        self.ahead -= gone
        data = bytes(self.pending[: size - gone])
        del self.pending[: size - gone]
        return data


class Script:
    """A recording as steps, with what was answered handed to the comparison on the way. Numbers are the recording's own.

    `whole`: frames go one by one and not as their bytes were cut by the network, since they may change, or must wait.
    """

    def __init__(
        self,
        judging: Judging,
        comparison: Comparison,
        wanted: Wanted = Wanted(),
        numbering: Numbering | None = None,
        *,
        whole: bool = False,
    ) -> None:
        self._judging, self._comparison, self._wanted, self._numbering = judging, comparison, wanted, numbering
        self._whole = whole or numbering is not None or not wanted.all
        self._conversations = self.round = 0
        self._since: datetime | None = None
        self._until: datetime | None = None

    def steps(self, happenings: Iterable[Happening]) -> Iterator[Step]:
        """One round."""
        self.round += 1
        if self.round > 1 and self._numbering:
            self._numbering.next_round()
        hearing, talks = Rehearing(self._judging), OrderedDict[str, _Talk]()
        began: datetime | None = None
        at = datetime.min.replace(tzinfo=UTC)
        for one in happenings:
            at = one.at
            if began is None:
                began = at
                self._since = self._wanted.since and self._wanted.since(began, began)
                self._until = self._wanted.until and self._wanted.until(began, self._since or began)
            if self._until and at > self._until + LATE:
                return
            yield from self._take(one, hearing, talks)
        yield from self._sends(at, hearing.end(), talks, None)

    def _take(self, one: Happening, hearing: Rehearing, talks: OrderedDict[str, _Talk]) -> Iterator[Step]:
        name, inside = one.connection, self._inside(one.at)
        talk = talks.get(name)
        again = one.what == "open" and talk is not None and talk.line != "udp"  # the same name for another connection
        if talk is None:
            talk = talks[name] = self._talk(one)
        if one.what == "panel" and self._whole:
            talk.pending += one.data
        talks.move_to_end(name)
        yield from self._sends(one.at, hearing.take(one), talks, one)
        if one.what == "close" or again:
            if inside:
                yield Step(one.at, talk.conversation, name, talk.line, "close")
            del talks[name]
        if again:
            talk = talks[name] = self._talk(one)
        if one.what == "open" and inside and not self._wanted.accounts:
            yield Step(one.at, talk.conversation, name, talk.line, "open")
        if len(talks) > MOST_OPEN:  # as the rehearing has it: UDP peers never say that they are gone
            gone, silent = talks.popitem(last=False)
            yield Step(one.at, silent.conversation, gone, silent.line, "close")
        if len(talk.pending) > MOST_PENDING:  # it can be no frame: it is sent before it is known what it is
            data = bytes(talk.pending)
            talk.ahead += len(data)
            talk.pending.clear()
            if inside and not self._wanted.accounts:
                yield Step(one.at, talk.conversation, name, talk.line, "send", data)

    def _talk(self, one: Happening) -> _Talk:
        self._conversations += 1
        return _Talk(self._conversations, one.line or ("udp" if one.connection.startswith("udp-") else "tcp"))

    def _sends(
        self, at: datetime, passed: Iterable[Passed], talks: OrderedDict[str, _Talk], one: Happening | None
    ) -> Iterator[Step]:
        messages = dict[str, list[Message]]()
        if one is not None and one.what == "panel" and not self._whole:
            messages[one.connection] = []
        for each in passed:
            talk = talks[each.connection]
            if isinstance(each, Judged):
                if message := self._message(each, talk):
                    talk.asked = True
                    self._comparison.asked(talk.conversation, message)
                    messages.setdefault(each.connection, []).append(message)
            elif isinstance(each, Answered) and (each.to is not None or self._wanted.all or talk.asked):
                after = (each.at - each.to.at).total_seconds() if each.to else None
                reply = reply_from(each.heard.frame, each.heard, after)
                self._comparison.was_answered(talk.conversation, each.to.number if each.to else None, reply)
        for name, found in messages.items():
            talk = talks[name]
            data = None if self._whole else one.data if one is not None and one.connection == name else b""
            yield Step(at, talk.conversation, name, talk.line, "send", data, tuple(found))

    def _message(self, judged: Judged, talk: _Talk) -> Message | None:
        frame = judged.decision.frame
        raw = talk.cut(frame.size) if self._whole else frame.raw
        whose = bare(frame.account) if frame.account is not None else None
        if not self._inside(judged.at) or (self._wanted.accounts and whose not in self._wanted.accounts):
            return None
        damaged = frame.has(*DAMAGE)
        sequence = self._numbering.number(frame, damaged) if self._numbering else None
        return Message(judged, self.round, raw, sequence, not damaged)

    def _inside(self, at: datetime) -> bool:
        return not (self._since and at < self._since) and not (self._until and at > self._until)


class Renewal:
    """Changes each message when it is sent. What has to stay as recorded is told once for each reason, and counted."""

    def __init__(self, changes: Changes, told: Callable[[str], None]) -> None:
        self.changes, self._told = changes, told
        self.kept = Counter[str]()

    def __call__(self, message: Message, now: datetime) -> Frame | None:
        """The frame to send, or None for the recorded bytes."""
        frame = message.frame
        if frame.size != len(message.raw) or not (self.changes.inside or message.sequence is not None):
            return None
        made = recast(frame, self.changes, message.judged.at, now, message.sequence)
        if made.kept:
            if not self.kept[made.kept]:
                self._told(f"frame {message.judged.number} is sent as it was recorded: {made.kept}")
            self.kept[made.kept] += 1
        return None if made.frame is frame else made.frame


class IntoDesk:
    """The desk as the receiver, by the clock of the recording; `wait` is told the recording's time before each message.

    Without `renew` the messages are heard once and as they were recorded: then what was judged in reading them stands.
    """

    def __init__(
        self,
        judging: Judging,
        comparison: Comparison,
        renew: Renew | None,
        shown: Shown,
        wait: Callable[[datetime], None],
    ) -> None:
        self._judging, self._comparison, self._renew, self._shown, self._wait = judging, comparison, renew, shown, wait
        self._memory = judging.memory()
        self._later = timedelta(0)  # by how much this round is later than the recording
        self._rows = 0  # of the rounds before
        self._began: datetime | None = None

    def play(self, steps: Iterable[Step]) -> None:
        """One round. A later one comes after the one before, as if the panels had said it all again."""
        first: datetime | None = None
        at = datetime.min.replace(tzinfo=UTC)
        number = 0
        for step in steps:
            at = step.at
            first = first or at
            self._began = self._began or at
            self._wait(at)
            for message in step.messages:
                number = max(number, message.judged.number)
                self._judge(step, message, at + self._later)
            if step.what == "close":
                self._comparison.end(step.conversation)
        self._comparison.finish()
        self._rows += number
        self._later += at - (first or at) + timedelta(seconds=1)

    def _judge(self, step: Step, message: Message, at: datetime) -> None:
        assert self._began is not None
        number, origin = message.judged.number, message.judged.origin
        row = self._rows + number
        if self._renew is None:
            decision = message.judged.decision
        else:
            made = self._renew(message, at)
            piece = Piece("frame", made.raw, made.size) if made else _piece(message.frame)
            decision = desk.judge(
                piece, self._judging.book, self._memory, origin, at, (at - self._began).total_seconds(),
                row=row, policy=self._judging.policy,
            )  # fmt: skip
        message.gone = True
        message.sent, message.sent_at = decision.frame, at
        reply = reply_of(decision)
        if reply:
            self._comparison.is_answered(step.conversation, message, reply)
        self._shown(desk.entry(decision, at, origin) | {"row": row, "number": number, "connection": step.connection})


def _piece(frame: Frame) -> Piece:
    kind: Literal["frame", "noise", "oversize"] = (
        "noise" if frame.has("noise") else "oversize" if frame.size != len(frame.raw) else "frame"
    )
    return Piece(kind, frame.raw, frame.size)


def keyless(happenings: Iterable[Happening], changes: Changes) -> Counter[str]:
    """How many sealed frames of each account cannot be opened, so cannot be changed inside."""
    found = Counter[str]()
    for one in happenings:
        if one.what == "panel" and b'"*' in one.data:
            for piece in read_all(one.data):
                frame = decode(piece, changes.book.key_for)
                found[frame.account or "?"] += frame.has("no-key")
    return +found


class Player:
    """The panels' side of a recording, on real sockets.

    `pace` is a multiple of the recording's own time, `max`, or `answered`: the next message of a connection goes once the
    one before is answered, or `timeout` seconds have gone. `tls` is for every connection that is not UDP. `announce` is told
    our address on each connection before anything is sent there; where it raises JournalError, nothing is.
    """

    def __init__(
        self,
        host: str,
        port: int,
        comparison: Comparison,
        renew: Renew,
        keys: Callable[[Frame], Any],
        *,
        pace: float | Literal["max", "answered"] = 1.0,
        timeout: float = 5.0,
        tls: ssl.SSLContext | None = None,
        recorder: Recorder | None = None,
        announce: Callable[[str], Awaitable[None]] | None = None,
    ) -> None:
        self.host, self.port, self.comparison, self.renew, self.keys = host, port, comparison, renew, keys
        self.pace, self.timeout, self.tls, self.recorder = pace, timeout, tls, recorder
        self.announce = announce
        self.failed = Counter[str]()
        self._lines: OrderedDict[int, _Line] = OrderedDict()
        self._tasks: set[asyncio.Task[None]] = set()
        self._bugs: list[BaseException] = []
        self._wall, self._even = datetime.now(UTC), time.monotonic()  # what a round counts from

    def now(self) -> datetime:
        """The time of this machine as a round began, carried on evenly."""
        return self._wall + timedelta(seconds=time.monotonic() - self._even)

    async def play(self, steps: Iterable[Step]) -> None:
        """One round, until each connection has its last answers or waited for them. Cancelled, it closes them all."""
        first: datetime | None = None
        try:
            for step in steps:
                if first is None:
                    await self._do(step)
                    for line in self._lines.values():  # until the first connection stands, no time goes by
                        await line.ready.wait()
                    first, self._wall, self._even = step.at, datetime.now(UTC), time.monotonic()
                else:
                    await self._due(step.at - first)
                    await self._do(step)
            for line in list(self._lines.values()):
                await line.steps.put(None)
            while self._tasks:
                await asyncio.wait(self._tasks)
        finally:
            for task in self._tasks:
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)
            self._lines.clear()
        if self._bugs:
            raise self._bugs[0]
        self.comparison.finish()

    async def _due(self, after: timedelta) -> None:
        wait = 0.0
        if isinstance(self.pace, float):
            wait = self._even + after.total_seconds() / self.pace - time.monotonic()
        await asyncio.sleep(max(wait, 0.0))

    async def _do(self, step: Step) -> None:
        line = self._lines.get(step.conversation)
        if line is None:
            if step.what == "close" or (step.what == "send" and not step.messages and not step.data):
                return
            line = self._open(step)
            if line.kind == "udp":
                peers = [one for one in self._lines.values() if one.kind == "udp"]
                if len(peers) > MOST_PEERS:
                    peers[0].pauses = True
                    await self._end(peers[0])
        self._lines.move_to_end(step.conversation)
        if step.what == "close":
            await self._end(line)
        elif step.what == "send":
            if isinstance(self.pace, float) and line.steps.full():
                line.give_up(f"the receiver does not read: {MOST_BEHIND} steps behind")
                step.pass_over()
            else:
                await line.steps.put(step)

    def _open(self, step: Step) -> "_Line":
        kind = "udp" if step.line == "udp" else "tls" if self.tls else "tcp"
        line = self._lines[step.conversation] = _Line(self, step.conversation, step.connection, kind)
        self._tasks.add(line.task)
        line.task.add_done_callback(self._ended)
        return line

    async def _end(self, line: "_Line") -> None:
        del self._lines[line.conversation]
        await line.steps.put(None)
        if not isinstance(self.pace, float):
            while len(self._tasks) - len(self._lines) > MOST_ENDING:
                ending = self._tasks - {one.task for one in self._lines.values()}
                await asyncio.wait(ending, return_when=asyncio.FIRST_COMPLETED)

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and (bug := task.exception()):
            self._bugs.append(bug)

    def record(
        self, name: str, what: What, data: bytes = b"", line: str | None = None, peer: str | None = None
    ) -> None:
        if self.recorder:
            self.recorder.record(Happening(datetime.now(UTC), name, what, data, line, peer, port=self.port))


class _Failed(Exception):
    """A connection went no further, and why."""


class _Line:
    """One connection. Its steps wait in a queue of its own; None ends it."""

    def __init__(self, player: Player, conversation: int, name: str, kind: str) -> None:
        self.player, self.conversation, self.name, self.kind = player, conversation, name, kind
        self.steps: asyncio.Queue[Step | None] = asyncio.Queue(MOST_BEHIND)
        self._waiting: deque[Message] = deque()
        self.ready, self._news = asyncio.Event(), asyncio.Event()
        self._reader = Reader()
        self._over = False  # the receiver has closed it
        self.pauses = False  # its socket goes, but the peer may speak again
        self._fault = ""
        self._write: Callable[[bytes], None]
        self._drain: Callable[[], Awaitable[None]] | None = None
        self._shut: Callable[[], Awaitable[None]] | None = None
        self.task = asyncio.create_task(self._run())

    def give_up(self, why: str) -> None:
        """Send no more of it."""
        self._fault = self._fault or why
        self._news.set()

    async def _run(self) -> None:
        whole = False
        try:
            try:
                await self._play()
            except _Failed as error:
                self.player.failed[str(error)] += 1
                await self._close()
                while (step := await self.steps.get()) is not None:  # the rest of a connection that failed
                    step.pass_over()
            whole = True
        finally:
            await self._close()
            if whole and not self.pauses:
                self.player.comparison.end(self.conversation)

    async def _play(self) -> None:
        player = self.player
        try:
            async with asyncio.timeout(player.timeout):
                address = await (self._open_datagrams if self.kind == "udp" else self._open_stream)()
            if player.announce:
                await player.announce(address)
        except JournalError as error:
            raise _Failed(f"not announced, so nothing was sent: {error}") from None
        except TimeoutError:
            raise _Failed(f"no connection within {player.timeout:g} s") from None
        except ssl.SSLError as error:
            raise _Failed(f"no TLS: {str(error.reason or error).lower().replace('_', ' ')}") from None
        except OSError as error:
            raise _Failed(f"no connection: {reason(error)}") from None
        finally:
            self.ready.set()
        while (step := await self.steps.get()) is not None:
            try:
                await self._step(step)
            finally:
                step.pass_over()
        await self._answers()
        if self._fault:
            player.failed[self._fault] += 1

    async def _close(self) -> None:
        if self._shut is None:
            return
        shut, self._shut = self._shut, None
        await shut()
        for piece in self._reader.close():
            self._heard_piece(piece)
        if self.kind != "udp":
            self.player.record(self.name, "close")

    async def _step(self, step: Step) -> None:
        apart = self.player.pace == "answered" and self.kind != "udp" and step.data is None
        for messages in [(message,) for message in step.messages] if apart else [step.messages]:
            now = self.player.now()
            data = step.data or b""
            for message in messages:
                made = None if step.data is not None else self.player.renew(message, now)
                message.sent, message.sent_at = made or message.frame, now
                if step.data is None:
                    data += made.raw if made else message.raw
                if message.answerable:
                    self._waiting.append(message)
            self._forget(now)
            if data:
                await self._send(data)
            if self.player.pace == "answered":
                await self._answers()

    def _forget(self, now: datetime) -> None:
        """Let go of the oldest that nobody waits for any more; a late answer to them will be nobody's."""
        limit = now - timedelta(seconds=self.player.timeout)
        while len(self._waiting) > MOST_OUTSTANDING and _sent(self._waiting[0])[1] < limit:
            self._waiting.popleft()

    async def _send(self, data: bytes) -> None:
        if self._fault:
            raise _Failed(self._fault)
        if self._over:
            raise _Failed("the receiver closed the connection, and more was to be sent")
        self.player.record(self.name, "panel", data)
        self._write(data)
        if self._drain:
            try:
                async with asyncio.timeout(self.player.timeout):
                    await self._drain()
            except TimeoutError:
                raise _Failed(f"the receiver read nothing for {self.player.timeout:g} s") from None
            except OSError as error:
                raise _Failed(f"the connection broke: {reason(error)}") from None
        elif self.player.pace == "max":
            await asyncio.sleep(0.001)  # a burst would only overflow the receiver's socket buffer

    async def _answers(self) -> None:
        """Wait for what is not answered yet, each as long as the timeout."""
        while not self._over and not self._fault:
            limit = self.player.now() - timedelta(seconds=self.player.timeout)
            sent = [m.sent_at for m in self._waiting if m.now is None and m.sent_at and m.sent_at > limit]
            if not sent:
                return
            self._news.clear()
            with suppress(TimeoutError):
                async with asyncio.timeout((max(sent) - limit).total_seconds()):
                    await self._news.wait()

    def _heard(self, data: bytes) -> None:
        self.player.record(self.name, "receiver", data)
        for piece in self._reader.feed(data) + (self._reader.close() if self.kind == "udp" else []):
            self._heard_piece(piece)
        self._news.set()

    def _heard_piece(self, piece: Piece) -> None:
        now, reply = self.player.now(), decode(piece, self.player.keys)
        heard, message = tied(reply, self._waiting, _sent, now)
        if message is not None:
            self._waiting.remove(message)
        else:
            message = nearest(reply, self._waiting)
        after = (now - message.sent_at).total_seconds() if message and message.sent_at else None
        self.player.comparison.is_answered(self.conversation, message, reply_from(reply, heard, after))

    def _gone(self) -> None:
        self._over = True
        self._news.set()

    async def _open_stream(self) -> str:
        reader, writer = await asyncio.open_connection(self.player.host, self.player.port, ssl=self.player.tls)
        hearing = asyncio.create_task(self._hear(reader))
        self._write, self._drain = writer.write, writer.drain

        async def shut() -> None:
            hearing.cancel()
            await asyncio.gather(hearing, return_exceptions=True)
            writer.close()
            try:
                async with asyncio.timeout(1.0):
                    await writer.wait_closed()
            except (OSError, TimeoutError):
                writer.transport.abort()

        self._shut = shut
        address = _address(writer.get_extra_info("sockname"))
        self.player.record(self.name, "open", line=self.kind, peer=address)
        return address

    async def _hear(self, reader: asyncio.StreamReader) -> None:
        with suppress(OSError):
            while data := await reader.read(65536):
                self._heard(data)
        self._gone()

    async def _open_datagrams(self) -> str:
        line = self

        class Datagrams(asyncio.DatagramProtocol):
            def datagram_received(self, data: bytes, addr: object) -> None:
                line._heard(data)

            def error_received(self, exc: Exception) -> None:
                line.give_up(f"UDP: {reason(exc)}")

        loop = asyncio.get_running_loop()
        transport, _ = await loop.create_datagram_endpoint(Datagrams, remote_addr=(self.player.host, self.player.port))
        self._write = transport.sendto

        async def shut() -> None:
            transport.close()

        self._shut = shut
        address = _address(transport.get_extra_info("sockname"))
        self.player.record(self.name, "open", line="udp", peer=address)
        return address


def _sent(message: Message) -> tuple[Frame, datetime]:
    assert message.sent is not None
    assert message.sent_at is not None
    return message.sent, message.sent_at


def _address(where: Any) -> str:
    return f"[{where[0]}]:{where[1]}" if ":" in where[0] else f"{where[0]}:{where[1]}"
