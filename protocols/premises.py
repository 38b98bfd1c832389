"""An alarm system as a whole, without I/O: its outbox, its polls, its paths and receivers, and when it tries again.

    say ──▶ outbox ──▶ one message outstanding ──▶ (receiver, path)          ``Send``
                              ▲                         │
                            polls             ACK, DUH, NAK, silence         ``heard``, ``lost``

One message is outstanding at a time, over all paths; its conversation is `exchange.Panel`'s. Without an answer it goes
again, `tries` times; then over the next path, then to the next receiver, under the same sequence number. Once all have
failed it is kept, and after a pause it all begins again: nothing said is ever lost, and the order stays.
A receiver that answers one try `MOST_FOREIGN` times with what does not belong to it is heard no more in that try.

A way that failed is tried last for `return_seconds`. Polls always begin at the first receiver, so the first one that is
answered there brings everything back to it; the hour is for systems that do not poll. A poll gives way, after one wait
at most, to whatever else is due. (Tries and wait are from memory of DC-09; the order of ways, the pause and the way back
are common practice.)

Time is an argument: `now` is the true UTC time, `tick` counts seconds evenly. Whoever owns the sockets calls `run` when
`due` says so, sends what it gives, and hands back what came with `heard` or `lost`.
"""

import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal, NamedTuple

from protocols.dc09 import build
from protocols.envelope import Reader
from protocols.exchange import Heard, Panel
from protocols.seal import Key, PadSource, padding

POLL = "NULL"
MOST_FOREIGN = 20  # in one try; more than late answers and a bad line make (common practice)


class Route(NamedTuple):
    """A path as the premises have it: its name, the prefix L that tells it apart, and how often it polls, if it does."""

    name: str = ""
    prefix: str = "0"
    poll_seconds: float | None = None


class Send(NamedTuple):
    """Bytes to be sent, and whereto."""

    receiver: int  # 0: the first receiver, 1: the second …
    path: str  # the path's name ("" where there is one)
    data: bytes


@dataclass(slots=True, eq=False)
class Message:
    """What the premises say: an event, or a poll. `sequence` is None until it is sent for the first time."""

    token: str
    payload: str | None = None
    extended: Sequence[tuple[str, str]] = ()
    sequence: int | None = None

    @property
    def poll(self) -> bool:
        return self.token == POLL


class News(NamedTuple):
    """What became of a message, as it happens.

    sent          it left, for the `tried`-th time over this way
    unanswered    the wait is over (`why`)
    foreign       an answer that does not belong to it (`why`; told once a try for each `why`); it still waits
    corrected     a NAK: the clock is set, it goes again
    acknowledged  the end of it
    refused       a DUH: the end of it, though the receiver cannot use it
    kept          every way has failed; it begins again after the pause
    missed        a poll that nobody answered, or that gave way: the end of it
    """

    what: Literal["sent", "unanswered", "foreign", "corrected", "acknowledged", "refused", "kept", "missed"]
    message: Message
    receiver: int
    path: str
    tried: int
    why: str = ""


class _Way(NamedTuple):
    receiver: int
    route: Route


@dataclass(slots=True)
class _Outstanding:
    message: Message
    way: _Way
    until: float  # the tick at which its wait is over
    beaten: set[_Way]  # where it has failed, in this round
    why: str = ""  # that the wait ended early
    foreign: int = 0  # answers that did not belong to it, in this try
    told: set[str] = field(default_factory=set)  # what was wrong with them


class Premises:
    """An alarm system. ValueError for numbers that no frame can carry, a path named twice, or no path at all.

    `clock_error` is how far its clock is from the true time, until a NAK sets it. `number` gives the sequence number of
    each new message, for whoever keeps it elsewhere; without it they count on from `sequence`. `tell` is told each `News`.
    """

    def __init__(
        self,
        account: str,
        *,
        key: Key | None = None,
        receiver: str | None = None,
        paths: Sequence[Route] = (Route(),),
        receivers: int = 1,
        sequence: int = 1,
        wait_seconds: float = 20.0,
        tries: int = 3,
        pause_seconds: float = 60.0,
        return_seconds: float = 3600.0,
        stamped: bool = True,
        clock_error: timedelta = timedelta(0),
        pad: PadSource = padding,
        number: Callable[[], int] | None = None,
        tell: Callable[[News], None] = lambda _: None,
    ) -> None:
        if not paths or len({route.name for route in paths}) < len(paths) or receivers < 1:
            raise ValueError("an alarm system has a receiver and at least one path, each path a name of its own")
        for route in paths:
            build(POLL, 0, account, receiver=receiver, prefix=route.prefix)
        self._panel = Panel(
            account,
            receiver=receiver,
            key=key,
            sequence=sequence,
            tries=tries,
            stamped=stamped,
            clock_error=clock_error,
            pad=pad,
        )
        self._ways = [_Way(number, route) for number in range(receivers) for route in paths]
        self._routes = {route.name: route for route in paths}
        self._wait, self._pause, self._return = wait_seconds, pause_seconds, return_seconds
        self._number, self._tell = number, tell
        self.outbox: deque[Message] = deque()  # the first may be outstanding; look, do not touch
        self.dropped: set[str] = set()
        self._out: _Outstanding | None = None
        self._resume = -math.inf  # the end of a pause
        self._failed: dict[_Way, float] = {}
        self._polls = {route.name: -math.inf if route.poll_seconds else math.inf for route in paths}
        self._readers: dict[tuple[int, str], Reader] = {}

    @property
    def account(self) -> str:
        return self._panel.account

    @property
    def sequence(self) -> int:
        """The number that the next new message carries."""
        return self._panel.sequence

    @property
    def clock_error(self) -> timedelta:
        """How far its clock is from the true time."""
        return self._panel.clock_error

    @property
    def outstanding(self) -> Message | None:
        """The message that waits for its answer, event or poll."""
        return self._out.message if self._out else None

    @property
    def quiet(self) -> bool:
        """Whether nothing waits: no event in the outbox, no poll unanswered."""
        return not self.outbox and self._out is None

    @property
    def flooded(self) -> bool:
        """Whether the outstanding message's receiver has sent so much else that no more is taken from it in this try.
        Whoever owns the sockets breaks that connection and says `lost`; else the wait runs out."""
        return self._out is not None and self._out.foreign >= MOST_FOREIGN

    def pausing(self, tick: float) -> bool:
        """Whether every way has failed, and what is kept waits until it all begins again."""
        return bool(self.outbox) and tick < self._resume

    @property
    def reachable(self) -> bool:
        """Whether a path is left that has not been dropped."""
        return bool(self._routes.keys() - self.dropped)

    def say(self, token: str, payload: str, extended: Sequence[tuple[str, str]] = ()) -> None:
        """Queue an event. It goes out in its turn and is kept until a receiver has it. ValueError as `build`'s."""
        self.check(token, payload, extended)
        self.outbox.append(Message(token, payload, tuple(extended)))

    def check(self, token: str, payload: str, extended: Sequence[tuple[str, str]] = ()) -> None:
        """Whether it could be said, over every path. ValueError as `build`'s."""
        # Nothing may fail later, when the message is due: so it is built once now, stamp and all.
        for route in self._routes.values():
            prefix, panel = route.prefix, self._panel
            build(
                token, 1, panel.account, payload,
                receiver=panel.receiver, prefix=prefix, extended=extended,
                stamp=datetime(2026, 1, 1) if panel.stamped else None, key=panel.key, pad=bytes,
            )  # fmt: skip

    def poll(self, path: str | None = None) -> None:
        """Let a path (None: each) poll at once, whatever its interval. KeyError for a path that it does not have."""
        for name in self._routes if path is None else (self._routes[path].name,):
            self._polls[name] = -math.inf

    def drop(self, path: str) -> None:
        """The path is gone: nothing leaves over it, and what it carried goes on over another."""
        self.dropped.add(self._routes[path].name)
        if self._out and self._out.way.route.name == path:
            self._out.until, self._out.why = -math.inf, "the path was dropped"

    def restore(self, path: str) -> None:
        """The path is back: it polls at once if it polls, and what was kept tries again."""
        route = self._routes[path]
        self.dropped.discard(path)
        self._failed = {way: at for way, at in self._failed.items() if way.route != route}
        self._resume = -math.inf
        if route.poll_seconds:
            self._polls[path] = -math.inf

    def due(self, tick: float) -> float:
        """The tick at which `run` wants to be called next; not before `tick`, inf where nothing waits."""
        if self._out:
            return max(tick, self._out.until)
        ticks = [self._polls[name] for name in self._routes if name not in self.dropped]
        if self.outbox and ticks:
            ticks.append(self._resume)
        return max(tick, min(ticks, default=math.inf))

    def run(self, now: datetime, tick: float) -> list[Send]:
        """Do what is due: at most one message goes out."""
        if self._out:
            return self._overdue(self._out, now, tick) if tick >= self._out.until else []
        if self.outbox and tick >= self._resume and (way := self._next(self._ways, set(), tick)):
            return self._begin(self.outbox[0], way, set(), now, tick)
        if (name := self._poll_due(tick)) is not None:
            route = self._routes[name]
            self._polls[name] = _following(self._polls[name], route.poll_seconds, tick)
            return self._begin(Message(POLL, sequence=0), _Way(0, route), set(), now, tick)
        return []

    def heard(self, receiver: int, path: str, data: bytes, now: datetime, tick: float) -> list[Heard]:
        """Take what came back from a receiver over a path, whole or in parts. What is not the outstanding message's
        own answer changes nothing."""
        reader = self._readers.setdefault((receiver, path), Reader())
        found: list[Heard] = []
        for piece in reader.feed(data):
            out = self._out
            if out is None or (out.way.receiver, out.way.route.name) != (receiver, path):
                break  # nothing was asked here
            if self.flooded:
                break
            for heard in self._panel.heard(piece.data, now):
                found.append(heard)
                self._answered(out, heard, tick)
                if self._out is None:
                    break
        return found

    def lost(self, receiver: int, path: str, now: datetime, tick: float, why: str = "the connection broke") -> None:
        """The connection could not be opened, or broke: no answer can come over it, so the wait is over."""
        self._readers.pop((receiver, path), None)
        out = self._out
        if out and (out.way.receiver, out.way.route.name) == (receiver, path):
            out.until, out.why = tick, why

    # What follows keeps one rule: whenever a message ends, the panel is free and `_out` is None.

    def _begin(self, message: Message, way: _Way, beaten: set[_Way], now: datetime, tick: float) -> list[Send]:
        panel = self._panel
        panel.prefix = way.route.prefix
        if message.poll:
            data = panel.poll(now)
        else:
            if message.sequence is None:
                message.sequence = self._number() if self._number else panel.sequence
            panel.sequence = message.sequence
            data = panel.say(message.token, message.payload or "", now, message.extended)
        self._out = _Outstanding(message, way, tick + self._wait, beaten)
        return self._sent(self._out, data)

    def _sent(self, out: _Outstanding, data: bytes) -> list[Send]:
        self._say("sent", out)
        return [Send(out.way.receiver, out.way.route.name, data)]

    def _answered(self, out: _Outstanding, heard: Heard, tick: float) -> None:
        if heard.word == "foreign":
            out.foreign += 1
            if heard.why not in out.told:
                out.told.add(heard.why)
                self._say("foreign", out, heard.why)
        elif heard.word == "NAK":
            out.until, out.why = tick, "NAK"
            self._say("corrected", out)
        else:
            self._failed.pop(out.way, None)
            self._resume = -math.inf  # somebody is there: what was kept need not wait out its pause
            self._out = None
            if not out.message.poll:
                self.outbox.popleft()
            self._say("acknowledged" if heard.word == "ACK" else "refused", out)

    def _overdue(self, out: _Outstanding, now: datetime, tick: float) -> list[Send]:
        """The wait is over: again, elsewhere, or the end of this round."""
        panel, message = self._panel, out.message
        if out.why != "NAK":
            but = f" but what does not belong to it ({out.foreign})" if out.foreign else ""
            self._say("unanswered", out, out.why or f"nothing came within {self._wait:g} s{but}")
        name = out.way.route.name
        gone = name in self.dropped
        yields = message.poll and (bool(self.outbox and tick >= self._resume) or self._poll_due(tick, name) is not None)
        if not gone and not yields and panel.tried < panel.tries and (data := panel.again(now)):
            out.until, out.why, out.foreign = tick + self._wait, "", 0
            out.told.clear()
            return self._sent(out, data)
        panel.give_up()
        self._out = None
        if message.poll and self._polls[name] <= tick:  # overdue too by now; it must not push in front of the others
            self._polls[name] = _following(self._polls[name], out.way.route.poll_seconds, tick)
        if yields:
            self._say("missed", out, "it gave way")
            return self.run(now, tick)
        if not gone:
            self._failed[out.way] = tick
        beaten = out.beaten | {out.way}
        ways = [way for way in self._ways if not message.poll or way.route == out.way.route]
        if way := self._next(ways, beaten, tick):
            return self._begin(message, way, beaten, now, tick)
        if message.poll:
            self._say("missed", out, "nobody answered")
        else:
            self._resume = tick + self._pause
            self._say("kept", out, f"it begins again in {self._pause:g} s")
        return self.run(now, tick)

    def _next(self, ways: Sequence[_Way], beaten: set[_Way], tick: float) -> _Way | None:
        """Where to try next: in order, what failed of late last."""

        def failed(way: _Way) -> bool:
            return tick - self._failed.get(way, -math.inf) < self._return

        left = [way for way in ways if way not in beaten and way.route.name not in self.dropped]
        return min(left, key=failed, default=None)  # min gives the first of equals

    def _poll_due(self, tick: float, apart_from: str | None = None) -> str | None:
        """The path whose poll has been due for longest."""
        left = self._polls.keys() - self.dropped - {apart_from}
        due = {name: at for name, at in self._polls.items() if name in left and at <= tick}
        return min(due, key=due.__getitem__, default=None)

    def _say(
        self,
        what: Literal["sent", "unanswered", "foreign", "corrected", "acknowledged", "refused", "kept", "missed"],
        out: _Outstanding,
        why: str = "",
    ) -> None:
        self._tell(News(what, out.message, out.way.receiver, out.way.route.name, self._panel.tried, why))


def _following(due: float, every: float | None, tick: float) -> float:
    """When the poll after this one is due: by the interval, not by when this one could leave, so that nothing drifts."""
    if not every:
        return math.inf
    if due == -math.inf:
        return tick + every
    return due + every * (math.floor((tick - due) / every) + 1)
