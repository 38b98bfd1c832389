"""The premises on real sockets: one for each receiver and path, opened when something must leave, kept, opened again."""

import asyncio
import os
import re
import ssl
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import cast

from protocols.premises import MOST_FOREIGN, Premises, Send
from receiver.clock import Clock
from receiver.household import Household, Step
from receiver.wire import Kind, tls_context


class Outgoing:
    """Moves the bytes of an alarm system and keeps its time, on asyncio's loop. `run` goes on until it is cancelled.

    `targets` are host and port of each receiver, `kinds` the transport of each path by its name. A connection that is not
    open within `open_seconds` counts as lost. `trusted` is a PEM file that certificates are checked against,
    `shown` are the panel's own and its private key.
    """

    def __init__(
        self,
        premises: Premises,
        targets: Sequence[tuple[str, int]],
        kinds: Mapping[str, Kind],
        *,
        open_seconds: float = 20.0,
        trusted: Path | None = None,
        shown: tuple[Path, Path] | None = None,
        clock: Clock | None = None,
    ) -> None:
        self.premises, self._targets, self._kinds = premises, targets, kinds
        self._open_seconds, self._trusted, self._shown = open_seconds, trusted, shown
        self.clock = clock or Clock()
        self._sockets: dict[tuple[int, str], _Socket] = {}
        self._news, self._moved = asyncio.Event(), asyncio.Event()

    def look(self) -> None:
        """Something was said, asked, heard or lost: what is due may have changed."""
        self._news.set()

    @property
    def idle(self) -> bool:
        """Whether nothing waits for an answer, and nothing is due now."""
        tick = self.clock.tick()
        return self.premises.quiet and self.premises.due(tick) > tick

    async def moved(self) -> None:
        """Wait until something that was due has been done."""
        self._moved.clear()
        await self._moved.wait()

    def drop(self, path: str) -> None:
        """The path is gone, and its connections with it."""
        self.premises.drop(path)
        for (_, name), one in list(self._sockets.items()):
            if name == path:
                one.close()
        self.look()

    def restore(self, path: str) -> None:
        """The path is back."""
        self.premises.restore(path)
        self.look()

    def act(self, step: Step, house: Household) -> int:
        """Do at the panel what a step says; how many messages that brings. ValueError for one that no frame can carry.

        Where no path is left, nobody can be told of it.
        """
        said = 0
        if step.do == "poll":
            self.premises.poll(step.path)
        elif step.path is not None:
            (self.drop if step.do == "drop" else self.restore)(step.path)
        if step.do != "drop" or self.premises.reachable:
            for token, payload in house.says(step):
                self.premises.say(token, payload)
                said += 1
        self.look()
        return said

    async def run(self) -> None:
        """Send what is due, when it is due."""
        try:
            while True:
                self._news.clear()
                for send in self.premises.run(self.clock.now(), self.clock.tick()):
                    self._send(send)
                self._moved.set()
                tick = self.clock.tick()
                try:
                    # A tick that counts the time asleep runs past the loop's own: so it is looked at now and then.
                    async with asyncio.timeout(min(self.premises.due(tick) - tick, 5.0)):
                        await self._news.wait()
                except TimeoutError:
                    pass
        finally:
            for one in list(self._sockets.values()):
                one.close()

    def _send(self, send: Send) -> None:
        place = send.receiver, send.path
        if place not in self._sockets:
            context = tls_context(self._trusted, self._shown) if self._kinds[send.path] == "tls" else None
            heard, lost = partial(self._heard, place), partial(self._lost, place)
            self._sockets[place] = _Socket(heard, lost)
            self._sockets[place].open(self._targets[send.receiver], self._kinds[send.path], context, self._open_seconds)
        self._sockets[place].send(send.data)

    def _heard(self, place: tuple[int, str], data: bytes) -> None:
        self.premises.heard(*place, data, self.clock.now(), self.clock.tick())
        if self.premises.flooded:
            self._sockets[place].close(f"it answered {MOST_FOREIGN} times with what does not belong to it; closed here")
        self.look()

    def _lost(self, place: tuple[int, str], why: str) -> None:
        self._sockets.pop(place, None)
        self.premises.lost(*place, self.clock.now(), self.clock.tick(), why)
        self.look()


class _Socket(asyncio.Protocol, asyncio.DatagramProtocol):
    """One connection. `lost` is called once, at its end, whoever ended it; until it is open, the last message waits."""

    def __init__(self, heard: Callable[[bytes], None], lost: Callable[[str], None]) -> None:
        self._heard, self._lost = heard, lost
        self._transport: asyncio.Transport | asyncio.DatagramTransport | None = None
        self._waiting = b""
        self._ended = self._datagrams = False

    def open(self, target: tuple[str, int], kind: Kind, context: ssl.SSLContext | None, seconds: float) -> None:
        self._datagrams = kind == "udp"
        self._task = asyncio.ensure_future(self._open(target, kind, context, seconds))

    async def _open(self, target: tuple[str, int], kind: Kind, context: ssl.SSLContext | None, seconds: float) -> None:
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(seconds):
                if kind == "udp":
                    await loop.create_datagram_endpoint(lambda: self, remote_addr=target)
                else:
                    await loop.create_connection(lambda: self, *target, ssl=context)
        except TimeoutError:
            self._end(f"no connection within {seconds:g} s")
        except ssl.SSLError as error:
            self._end(f"no TLS: {str(error.reason or error).lower().replace('_', ' ')}")
        except OSError as error:
            self._end(reason(error))

    def send(self, data: bytes) -> None:
        if self._transport is None:
            self._waiting = data
        elif self._datagrams:
            cast(asyncio.DatagramTransport, self._transport).sendto(data)
        else:
            cast(asyncio.Transport, self._transport).write(data)

    def close(self, why: str = "closed here") -> None:
        self._task.cancel()
        if self._transport:
            self._transport.abort()
        self._end(why)

    def _end(self, why: str) -> None:
        if not self._ended:
            self._ended = True
            self._lost(why)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport | asyncio.DatagramTransport, transport)
        if self._ended:
            self._transport.abort()
        elif self._waiting:
            self.send(self._waiting)

    def data_received(self, data: bytes) -> None:
        if not self._ended:
            self._heard(data)

    def datagram_received(self, data: bytes, addr: object) -> None:
        self.data_received(data)

    def error_received(self, exc: Exception) -> None:
        """A datagram that came back: nobody listens there."""
        if self._transport:
            self._transport.abort()
        self._end(reason(exc))

    def connection_lost(self, exc: Exception | None) -> None:
        self._end(reason(exc) if exc else "the receiver closed the connection")


def reason(error: Exception) -> str:
    """The system's words, such as `Connection refused`: asyncio gathers several tries into one text, with addresses."""
    number = getattr(error, "errno", None)
    found = re.search(r"\[Errno (\d+)\]", str(error))
    if number is None and found:
        number = int(found[1])
    return os.strerror(number) if number and number > 0 else str(error) or type(error).__name__
