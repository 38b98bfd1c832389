"""The sockets of a load: one thread over plain epoll (Linux), for the least work a message. What is decided is in `load`.

Each round sends what is due, then takes what has come; between rounds it sleeps until the next message is due. Messages are
written when they are due, so their stamps are true.
"""

import contextlib
import gc
import os
import resource
import select
import socket
import time
from collections import deque
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Literal, NamedTuple

from receiver.trial.load import BAD, KEEP, SECOND, Conversation, Run, Sender

MOST_READ = 65536
OPENING_SECONDS = 10.0  # for a connection to open before the load begins
BATCH = 32  # messages sent before what has come is looked at, so that an answer's time is its own
LINGER = 2 * SECOND  # a connection on which only a bad frame went stays that long: an answer to it would be wrong
QUIET = SECOND // 2  # after the last message, for answers to bad frames
TURN = SECOND // 5  # the longest sleep, for whatever goes by the clock
LEAD = SECOND // 50  # between the last preparation and the first message


class Unreachable(Exception):
    """Nothing is there to be loaded, and why."""


class Where(NamedTuple):
    """A receiver's address, looked up once."""

    family: int
    kind: Literal["tcp", "udp"]
    address: tuple[str, int] | tuple[str, int, int, int]  # as IPv4 and IPv6 have it


def look_up(host: str, port: int, kind: Literal["tcp", "udp"]) -> Where:
    """The address of a receiver. OSError where the name is not known."""
    stream = socket.SOCK_STREAM if kind == "tcp" else socket.SOCK_DGRAM
    family, _, _, _, address = socket.getaddrinfo(host, port, type=stream)[0]
    return Where(family, kind, address)  # type: ignore[arg-type]


def raise_open_files(connections: int) -> bool:
    """Allow this process and its children a file a connection. Says whether that is allowed."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = connections + 200
    if soft < wanted <= hard or (soft < wanted and hard == resource.RLIM_INFINITY):
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
        soft = wanted
    return soft >= wanted or soft == resource.RLIM_INFINITY


class Link:
    """A connection: its socket, what waits on it, and what could not be written yet."""

    __slots__ = ("conversation", "fileno", "linger", "opening", "owner", "receive", "retired", "send", "socket", "unsent",
                 "used")  # fmt: skip

    def __init__(self, owner: int, one: socket.socket, conversation: Conversation, opening: bool) -> None:
        self.owner, self.socket, self.conversation, self.opening = owner, one, conversation, opening
        self.fileno, self.send, self.receive = one.fileno(), one.send, one.recv
        self.unsent = bytearray()
        self.used = 0
        self.linger = self.retired = False


class Driver:
    """Plays a `Run` against a receiver. `habits` are dealt to the panels in turn: after how many messages each opens anew.

    `patience` is how many nanoseconds an answer may take once the schedule is through; `told` is called once a second with
    how many messages have left and how many have been answered.
    """

    def __init__(
        self,
        run: Run,
        senders: Sequence[Sender],
        where: Where,
        *,
        habits: Sequence[int] = (KEEP,),
        patience: int = 20 * SECOND,
        echo: bool = False,
        told: Callable[[int, int], None] = lambda left, answered: None,
    ) -> None:
        self._run, self._senders, self._where = run, senders, where
        self._habits, self._patience, self._echo, self._told = habits, patience, echo, told
        self._poll = select.epoll()  # first of all, so that `select` may hold its number, however many sockets come
        self._links: list[Link | None] = [None] * len(senders)  # of each panel, the one it sends on
        self._by_number: dict[int, Link] = {}
        self._lingering: deque[tuple[int, Link]] = deque()
        self._waits = self._answered = self._begun = 0
        self._udp = where.kind == "udp"

    def go(self) -> None:
        """Play it to the end, or until a person interrupts. Unreachable where nothing listens."""
        try:
            self._open_all()
            # What lives now lives to the end; collecting it again and again would only make messages late.
            gc.collect()
            gc.freeze()
            gc.disable()
            with contextlib.suppress(KeyboardInterrupt):
                self._play()
        finally:
            gc.enable()
            gc.unfreeze()
            for link in list(self._by_number.values()):
                self._drop(link)
            self._poll.close()

    def _now(self) -> int:
        return time.monotonic_ns() - self._begun

    def _play(self) -> None:
        due, panels, kinds = self._run.schedule
        count, at, look = len(due), 0, SECOND
        end = due[-1] + self._patience
        quiet = due[-1] + min(QUIET, self._patience) * (BAD in kinds)
        self._begun = time.monotonic_ns() + LEAD
        stamp, stamp_ends = datetime.now(UTC), 0
        while True:
            now = self._now()
            if at < count and due[at] <= now:
                if now >= stamp_ends:
                    stamp, stamp_ends = datetime.now(UTC), now + SECOND // 10
                for _ in range(BATCH):
                    self._send(at, panels[at], kinds[at], now, stamp)
                    at += 1
                    self._run.done = at
                    now = self._now()
                    if at == count or due[at] > now:
                        break
            if at == count and ((not self._waits and now >= quiet) or now >= end):
                break
            until = min(due[at] if at < count else end if self._waits else quiet, now + TURN)
            if until > now:  # epoll counts whole milliseconds, select does not
                select.select([self._poll], [], [], (until - now) / SECOND)
            for number, event in self._poll.poll(0):
                link = self._by_number.get(number)
                if link and event & ~select.EPOLLOUT:
                    self._receive(link)
                if link and event & select.EPOLLOUT and self._by_number.get(number) is link:
                    self._flush(link)
            while self._lingering and self._lingering[0][0] <= now:
                self._drop(self._lingering.popleft()[1])
            if now >= look:
                self._told(at, self._answered)
                look = now - now % SECOND + SECOND

    # Sending

    def _send(self, place: int, panel: int, kind: int, now: int, stamp: datetime) -> None:
        link = self._links[panel] or self._open(panel, now)
        if link is None:
            return
        message = self._senders[panel].next(kind, stamp)
        conversation = link.conversation
        waited = conversation.waits
        conversation.sent(place, message, kind)
        self._waits += conversation.waits - waited
        self._run.lag[place] = self._now() - self._run.schedule.due[place]
        link.used += 1
        link.linger = kind == BAD
        if link.used == self._habits[panel % len(self._habits)]:
            link.retired, self._links[panel] = True, None
        if link.opening or link.unsent:
            link.unsent += message.frame  # of datagrams none is ever unsent: see below
        else:
            try:
                sent = link.send(message.frame)
            except BlockingIOError:
                sent = (
                    len(message.frame) if self._udp else 0
                )  # a datagram that finds no room is lost, as on any network
            except OSError as error:
                self._broke(link, error)
                return
            if sent < len(message.frame):
                link.unsent += message.frame[sent:]
                self._poll.modify(link.fileno, select.EPOLLIN | select.EPOLLOUT)
        if link.retired and not conversation.waits:
            self._retire(link)

    def _flush(self, link: Link) -> None:
        if link.opening:
            if code := link.socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
                self._broke(link, OSError(code, os.strerror(code)))
                return
            link.opening = False
            self._run.opened += 1
        try:
            del link.unsent[: link.send(link.unsent)]
        except BlockingIOError:
            return
        except OSError as error:
            self._broke(link, error)
            return
        if not link.unsent:
            self._poll.modify(link.fileno, select.EPOLLIN)
            if link.retired and not link.conversation.waits:
                self._retire(link)

    # Receiving

    def _receive(self, link: Link) -> None:
        conversation = link.conversation
        waited = conversation.waits
        try:
            data = link.receive(MOST_READ)
        except BlockingIOError:
            return
        except OSError as error:
            self._broke(link, error)
            return
        now = self._now()
        heard = conversation.heard(data)
        if self._udp or not data:
            heard += conversation.ended()
        for one in heard:
            self._run.heard(one, now)
        answered = waited - conversation.waits
        self._waits -= answered
        self._answered += answered
        if not data and not self._udp:
            self._broke(link, None)
        elif link.retired and not conversation.waits and not link.unsent:
            self._retire(link)

    # Opening and closing

    def _open_all(self) -> None:
        """Open, before the load begins, what panels keep open; at least the first, to know that somebody is there."""
        try:
            self._connected(OPENING_SECONDS).close()
        except OSError as error:
            raise Unreachable(_words(error)) from None
        for panel in range(len(self._senders)):
            if self._habits[panel % len(self._habits)] == 1:
                continue
            try:
                one = self._connected(OPENING_SECONDS)
            except OSError as error:
                raise Unreachable(f"after {panel:,} connections no other could be opened: {_words(error)}") from None
            self._links[panel] = self._take(panel, one, opening=False)

    def _open(self, panel: int, now: int) -> Link | None:
        try:
            one = self._connected(0)
        except OSError as error:
            self._run.unopened.add(now, _words(error))
            return None
        link = self._links[panel] = self._take(panel, one, opening=not self._udp)
        return link

    def _connected(self, seconds: float) -> socket.socket:
        """A socket that is connected within so many seconds; at 0 it may still be connecting. OSError where it is not."""
        one = socket.socket(self._where.family, socket.SOCK_DGRAM if self._udp else socket.SOCK_STREAM)
        try:
            if not self._udp:
                one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            one.settimeout(seconds)
            with contextlib.suppress(BlockingIOError):
                one.connect(self._where.address)
        except OSError:
            one.close()
            raise
        return one

    def _take(self, panel: int, one: socket.socket, opening: bool) -> Link:
        one.setblocking(False)
        link = Link(panel, one, Conversation(self._senders[panel].key, echo=self._echo), opening)
        self._by_number[link.fileno] = link
        self._poll.register(link.fileno, select.EPOLLIN | (select.EPOLLOUT if opening else 0))
        self._run.opened += not opening
        return link

    def _retire(self, link: Link) -> None:
        """Close a connection that its panel is done with; where a bad frame went last, only after a while."""
        if link.linger:
            link.linger = False
            self._lingering.append((self._now() + LINGER, link))
        elif link.retired:
            self._drop(link)

    def _broke(self, link: Link, error: OSError | None) -> None:
        """A connection that could not be opened, or ended. One on which nothing waits may end: the receiver closed it."""
        if self._udp and isinstance(error, ConnectionRefusedError) and not self._answered:
            raise Unreachable(_words(error))
        waits = link.conversation.waits
        if link.opening:
            self._run.unopened.add(self._now(), _words(error))
        elif waits or link.unsent:
            self._run.broken.add(self._now(), _words(error) if error else "closed by the receiver")
        self._waits -= waits
        if self._links[link.owner] is link:
            self._links[link.owner] = None
        self._drop(link)

    def _drop(self, link: Link) -> None:
        if self._by_number.get(link.fileno) is link:
            del self._by_number[link.fileno]
            for one in link.conversation.ended():
                self._run.heard(one, self._now())
            link.socket.close()  # which takes it out of the epoll, too


def _words(error: OSError | None) -> str:
    return (error.strerror or str(error) or type(error).__name__).lower() if error else ""
