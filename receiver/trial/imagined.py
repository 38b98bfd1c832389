"""A panel in memory, on simulated time: what a trial will ask for is rehearsed on it, and broken ones prove the cases."""

from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any, Literal, NamedTuple

from protocols.premises import Premises, Route, Send
from receiver.trial.case import Case
from receiver.trial.ears import Arrival
from receiver.trial.memory import BEGINNING
from receiver.trial.of_panel import run
from receiver.trial.panel_stage import Setup, Stage

REACTION_SECONDS = 1.0  # a person, until the zone is open; and again until it is closed
MOST_AT_ONCE = 1000  # steps without time passing: more is a panel that does not stop
ACT = ("1130 01 015", "3130 01 015")  # a zone opens and closes


class Panel:
    """A panel with its sockets and the person at it, as the ears of a trial. Subclasses may get one thing wrong.

    It opens a connection to a receiver when it has something to say, and keeps it, unless `keeps` is False: then it closes
    the connection once nothing is outstanding.
    """

    keeps = True

    def __init__(self, setup: Setup, receivers: int = 1, **habits: Any) -> None:
        self.setup, self.count = setup, receivers
        self.premises = self.build(
            account=setup.account,
            key=setup.key,
            receivers=receivers,
            paths=(Route(poll_seconds=setup.poll_seconds),),
            wait_seconds=setup.wait,
            tries=setup.tries,
            **habits,
        )
        self.seconds = 0.0
        self._act: deque[tuple[float, str]] = deque()  # what the person is about to do, and when
        self._coming: deque[Arrival] = deque()
        self._refused: set[int] = set()
        self._open: dict[int, int] = {}  # the receiver's connection
        self._connections = 0

    def build(self, **habits: Any) -> Premises:
        return Premises(**habits)

    def now(self) -> datetime:
        return BEGINNING + timedelta(seconds=self.seconds)

    def tick(self) -> float:
        return self.seconds

    def arrived(self, seconds: float) -> Arrival | None:
        deadline = self.seconds + seconds
        at_once = 0
        while not self._coming:
            due = min(self.due(), self._act[0][0] if self._act else deadline)
            if due >= deadline:
                self.seconds = max(self.seconds, deadline)
                return None
            at_once = at_once + 1 if due <= self.seconds else 0
            assert at_once < MOST_AT_ONCE, "the panel does not come to rest"
            self.seconds = max(self.seconds, due)
            while self._act and self._act[0][0] <= self.seconds:
                self.happens(self._act.popleft()[1])
            self.step()
        return self._coming.popleft()

    def due(self) -> float:
        return self.premises.due(self.seconds)

    def step(self) -> None:
        """Do what is due."""
        for send in self.premises.run(self.now(), self.seconds):
            self.say(send)
        if not self.keeps and self.premises.outstanding is None:
            self.hang_up()

    def hang_up(self) -> None:
        for ear, connection in list(self._open.items()):
            del self._open[ear]
            self._note(ear, connection, "closed")

    def happens(self, what: str) -> None:
        """Something happens at the premises."""
        self.premises.say("ADM-CID", what)

    def say(self, send: Send) -> None:
        """Send something to a receiver."""
        ear = send.receiver
        if ear not in self._open:
            if ear in self._refused:
                self.lost(ear)
                return
            self.connect(ear)
        self._note(ear, self._open[ear], "data", send.data)

    def connect(self, ear: int) -> None:
        self._connections += 1
        self._open[ear] = self._connections
        self._note(ear, self._connections, "opened")

    def lost(self, ear: int) -> None:
        """A connection was refused or broke."""
        self.premises.lost(ear, "", self.now(), self.seconds)

    def hear(self, ear: int, data: bytes) -> None:
        """Bytes came back from a receiver."""
        self.premises.heard(ear, "", data, self.now(), self.seconds)

    def _note(self, ear: int, number: int, what: Literal["opened", "data", "closed"], data: bytes = b"") -> None:
        self._coming.append(Arrival(ear, number, what, data, False, self.now(), self.seconds))

    def send(self, connection: int, data: bytes) -> bool:
        for ear, number in self._open.items():
            if number == connection:
                self.hear(ear, data)
                if not self.keeps and self.premises.outstanding is None:
                    self.hang_up()
                return True
        return False

    def close(self, connection: int, *, reset: bool = False) -> None:
        for ear, number in list(self._open.items()):
            if number == connection:
                del self._open[ear]
                self.lost(ear)

    def listen(self, ear: int, listening: bool) -> None:
        (self._refused.discard if listening else self._refused.add)(ear)

    @contextmanager
    def asking(self, words: str, seconds: float) -> Iterator[None]:
        for place, what in enumerate(ACT, start=1):
            self._act.append((self.seconds + place * REACTION_SECONDS, what))
        yield


class Effort(NamedTuple):
    """What a trial will ask of the person at the panel, and how long it takes where the panel does all rightly."""

    asked: int
    seconds: float


def rehearse(wanted: list[Case[Stage]], setup: Setup, receivers: int) -> Effort:
    """Play the cases against a panel in memory, to know what they will do."""
    panel = Panel(setup, receivers)
    stage = Stage(panel, setup)
    deque(run(wanted, stage), maxlen=0)
    return Effort(len(stage.asks), panel.seconds)
