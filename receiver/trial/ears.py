"""Where a panel under trial reports to: the first and the second receiver's ports, the clock, and the person at the panel.

The same cases run over sockets and over `imagined`, where the panel is an object and time passes by being asked for.
"""

import selectors
import socket
import struct
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, suppress
from datetime import UTC, datetime
from typing import Any, Literal, NamedTuple, Protocol

MOST_READ = 65536
MOST_OPEN = 200  # connections at once: what is beyond is closed at once, so that this process never runs out of them
PORT_SECONDS = 5.0  # how long a port that was given up for a while may be taken by somebody else
SEND_SECONDS = 2.0  # a panel that does not take an answer of a hundred bytes within this is gone
RECEIVERS = ("the first receiver", "the second receiver")


class Arrival(NamedTuple):
    """Something that the panel did.

    `ear` is 0 for the first receiver and 1 for the second; `connection` counts all connections from 1, over UDP each
    address that sends (then nothing is ever opened or closed).
    """

    ear: int
    connection: int
    what: Literal["opened", "data", "closed"]
    data: bytes
    udp: bool
    now: datetime
    tick: float


class Ears(Protocol):
    """The receivers that the trial plays."""

    count: int  # 1, or 2 where there is a second receiver

    def now(self) -> datetime: ...
    def tick(self) -> float: ...

    def arrived(self, seconds: float) -> Arrival | None:
        """The next thing that the panel does, or None once the seconds are over."""

    def send(self, connection: int, data: bytes) -> bool:
        """Whether the bytes could be sent: False where the connection is gone."""

    def close(self, connection: int, *, reset: bool = False) -> None:
        """Close a connection, or break it as after a power cut."""

    def listen(self, ear: int, listening: bool) -> None:
        """Take connections, or refuse them. What is open stays open."""

    def asking(self, words: str, seconds: float) -> AbstractContextManager[None]:
        """Tell the person what to do next; who enters it waits for what comes of it, for so many seconds at most."""


class Place(NamedTuple):
    """Where one of the receivers listens."""

    ear: int
    host: str
    port: int
    udp: bool = False

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'UDP' if self.udp else 'TCP'} {host}:{self.port}"


class Ports:
    """Ears on real ports; port 0 takes a free one (see `places`). `asking` is how the person is told.

    OSError, with the place in its words, where a port cannot be had.
    """

    def __init__(self, places: Sequence[Place], asking: Callable[[str, float], AbstractContextManager[None]]) -> None:
        self._selector = selectors.DefaultSelector()
        self._peers: dict[int, tuple[Place, socket.socket, Any]] = {}  # by connection; the address over UDP
        self._datagrams: dict[tuple[Place, Any], int] = {}
        self._waiting: deque[Arrival] = deque()
        self._doors: dict[Place, socket.socket] = {}
        self._connections = 0
        self.turned_away = 0  # connections beyond MOST_OPEN
        self.asking = asking
        self.count = 1 + max(place.ear for place in places)
        self.places: list[Place] = []
        try:
            for place in places:
                self.places.append(self._open(place))
        except OSError as error:
            self.shut()
            raise OSError(error.errno, f"{place}: {error.strerror or error}") from error

    def now(self) -> datetime:
        return datetime.now(UTC)

    def tick(self) -> float:
        return time.monotonic()

    def _open(self, place: Place) -> Place:
        kind = socket.SOCK_DGRAM if place.udp else socket.SOCK_STREAM
        family, _, _, _, address = socket.getaddrinfo(place.host, place.port, type=kind, flags=socket.AI_PASSIVE)[0]
        door = socket.socket(family, kind)
        try:
            door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            door.bind(address)
            if not place.udp:
                door.listen()
        except OSError:
            door.close()
            raise
        place = place._replace(port=door.getsockname()[1])
        door.setblocking(False)
        self._doors[place] = door
        self._selector.register(door, selectors.EVENT_READ, (place, None))
        return place

    def arrived(self, seconds: float) -> Arrival | None:
        deadline = self.tick() + seconds
        while not self._waiting:
            left = deadline - self.tick()
            if left <= 0:
                return None
            for ready, _ in self._selector.select(left):
                place, connection = ready.data
                with suppress(BlockingIOError):
                    self._read(place, connection)
        return self._waiting.popleft()

    def _read(self, place: Place, connection: int | None) -> None:
        if place.udp:
            data, address = self._doors[place].recvfrom(MOST_READ)
            number = self._datagrams.setdefault((place, address), self._connections + 1)
            self._connections = max(number, self._connections)
            self._peers[number] = (place, self._doors[place], address)
            self._note(place, number, "data", data)
        elif connection is None:
            try:
                peer, _ = self._doors[place].accept()
            except BlockingIOError:
                return
            except OSError as error:
                raise OSError(error.errno, f"{place}: no connection can be taken: {error.strerror}") from error
            if len(self._peers) - len(self._datagrams) >= MOST_OPEN:
                peer.close()
                self.turned_away += 1
                return
            peer.settimeout(SEND_SECONDS)
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # what is answered apart leaves apart
            self._connections += 1
            self._peers[self._connections] = (place, peer, None)
            self._selector.register(peer, selectors.EVENT_READ, (place, self._connections))
            self._note(place, self._connections, "opened")
        else:
            try:
                data = self._peers[connection][1].recv(MOST_READ)
            except OSError:
                data = b""
            if not data:
                self.close(connection)
            self._note(place, connection, "data" if data else "closed", data)

    def _note(
        self, place: Place, connection: int, what: Literal["opened", "data", "closed"], data: bytes = b""
    ) -> None:
        self._waiting.append(Arrival(place.ear, connection, what, data, place.udp, self.now(), self.tick()))

    def send(self, connection: int, data: bytes) -> bool:
        if connection not in self._peers:
            return False
        _, peer, address = self._peers[connection]
        try:
            if address is None:
                peer.sendall(data)
            else:
                peer.sendto(data, address)
        except OSError:
            return False
        return True

    def close(self, connection: int, *, reset: bool = False) -> None:
        place, peer, _ = self._peers.get(connection, (None, None, None))
        if place is None or peer is None or place.udp:
            return
        del self._peers[connection]
        self._selector.unregister(peer)
        if reset:
            peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        peer.close()

    def listen(self, ear: int, listening: bool) -> None:
        for place in self.places:
            if place.ear == ear and listening != (place in self._doors):
                if listening:
                    self._open_again(place)
                else:
                    door = self._doors.pop(place)
                    self._selector.unregister(door)
                    door.close()
                    self._datagrams = {key: number for key, number in self._datagrams.items() if key[0] != place}

    def _open_again(self, place: Place) -> None:
        deadline = self.tick() + PORT_SECONDS
        while True:
            try:
                self._open(place)
                return
            except OSError as error:
                if self.tick() > deadline:
                    raise OSError(
                        error.errno, f"{place} was closed for a case and cannot be opened again: {error.strerror}"
                    ) from error
            time.sleep(0.2)

    def shut(self) -> None:
        """Close everything."""
        for connection in list(self._peers):
            self.close(connection)
        for door in self._doors.values():
            door.close()
        self._selector.close()
