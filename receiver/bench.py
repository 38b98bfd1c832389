"""The running bench: lines, desk and journal put together. Everything here happens on the reactor's thread.

A frame comes in from a line, the desk decides, the journal keeps the row, and only then the answer leaves. Polls are the
exception: their last time and count are kept coarsely, and their answer leaves at once while the journal can write.
"""

import resource
import socket
import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any, cast

import orjson
from twisted.internet import task

from protocols.dc09 import bare
from protocols.envelope import Piece
from protocols.exchange import AHEAD, BEHIND, answer
from protocols.seal import Key
from protocols.values import Frame, legible
from receiver import desk, lines, tls
from receiver.book import Account, Book, Promise
from receiver.book_changes import changes
from receiver.capture import Happening, Recorder, What
from receiver.clock import Clock, synchronised
from receiver.desk import Decision, Memory, Mode, OnTest, Origin, Policy
from receiver.entry import Entry, OwnEntry, Stencils
from receiver.guard import Bounds, Guard
from receiver.journal import GRANTED, REFUSED, WAITING, Row, Seen, Store, opened
from receiver.metrics import Counts
from receiver.supervision import (
    Back,
    Event,
    LineBack,
    LineSilent,
    Overdue,
    Supervision,
    in_words,
    is_test_report,
    overdue_among,
)
from receiver.words import ON_THE_PHONE
from receiver.writing import InThread, Journal, Writing

POLLS_KEPT_SECONDS = 60.0
DRAIN_SECONDS = 10.0
STUCK_SECONDS = 5.0  # that a commit may take before people hear of it
LEAVE_SECONDS = 1.0  # for panels to fetch their last answers, and over TLS to take their leave
WISH_SECONDS = 0.25  # between two looks for what somebody asks of the bench
PULSE_SECONDS = 1.0  # while only polls come, how soon a disk that refuses is noticed
WARN_MINUTES = (15, 5)  # before a test ends
LOOK_SECONDS = 0.25  # between two looks for what is overdue
MOST_TOLD_A_LOOK = 500  # rows; what is beyond waits for the next look, so that no answer waits for it
TESTS_RECALLED = 200  # of an account's last rows, how many are searched for a test report at the start
MOST_UNKEPT = 20_000  # rows not on disk yet beyond which UDP is not read from

NOTICED = ("replayed", "wrong-certificate", "old-key", "decrypt-failed")  # problems that are counted
UNREADABLE = ("noise", "unreadable")  # whatever is done to it, it stays that

_NO_ROW = Row(0, "", None, None, b"")  # where there is no journal

WINDOW_SECONDS = (AHEAD + BEHIND).total_seconds()  # for how long a recorded stamp may stay in the window
KISS = b"kiss-off"  # to a telephone line: whatever is not nothing makes it give one

Show = Callable[[Entry], None]


@dataclass(frozen=True)
class Listen:
    """One line to open: its kind, host and port; for TLS the certificate and its key."""

    kind: str
    host: str
    port: int
    certificate: Path | None = None
    private_key: Path | None = None
    source: Path | None = None  # of a phone line that is no RTP: the file or FIFO that is heard
    out: Path | None = None  # and the one that is spoken into
    given: socket.socket | None = None  # open already: a service manager holds it, and hands it to the next bench too
    client_ca: Path | None = None  # for TLS: who may have signed the certificates that panels show


@dataclass
class Settings:
    """What a bench needs beyond its book: all of it has a default but the journal."""

    policy: Policy = field(default_factory=Policy)
    keep_polls: bool = False
    limits: lines.Limits = field(default_factory=lines.Limits)
    keep_calls: Path | None = None  # a folder for the sound of every telephone call
    shared: bool = False  # whether other benches write the same journal
    load_book: Callable[[], Book] | None = None  # reads the book again once somebody has changed it
    mode: Mode = "bench"
    discreet: bool = False  # whether what is told of a sealed frame leaves out what was in it
    bounds: Bounds = field(default_factory=Bounds)  # what one address may cost
    name: str = ""  # of this bench, where several write a journal


class Bench:
    """Receives, decides, keeps, answers.

    `show` hears of every entry, `told` of everything that needs a person, `alarm` of the alarms among that (by default
    `told` does). `writer` writes the journal where that is another than the `store`, which then only reads it.
    """

    def __init__(
        self,
        reactor: Any,
        book: Book,
        store: Store | None,
        *,
        writer: Writing | None = None,
        show: Show | None = None,
        told: Callable[[str], None] = lambda _: None,
        alarm: Callable[[str], None] | None = None,
        settings: Settings | None = None,
        clock: Clock | None = None,
        recorder: Recorder | None = None,
    ) -> None:
        self.reactor, self.book, self.store = reactor, book, store
        self.show, self.told, self.alarm = show, told, alarm or told
        self.settings = settings or Settings()
        self.clock = clock or Clock()
        self.recorder = recorder
        self.memory = Memory()
        self._stencils: Stencils = {}
        if store and not writer:
            writer = InThread(store, reactor.callFromThread)
        self.journal = Journal(writer, self._journal_told) if writer else None
        self._wishes = opened(store.path, patience=0.1) if store else None
        self._commits, self._came_back, self._stuck = 0, self.clock.tick(), False
        self._wished = 0
        self._stopping = threading.Event()
        self._seen: dict[tuple[str, str, str], Seen] = {}
        self._polls_kept: dict[tuple[str, str, str], float] = {}
        self._polled = False
        self.counts = Counts()
        self.guard = Guard(self.settings.bounds, self.clock.tick, self.counts.limited)
        self._certificates: list[tls.Renewed] = []
        self._streams: list[lines.StreamLine] = []
        self._datagrams: list[lines.DatagramLine] = []
        self._phones: list[Any] = []  # RtpLine or StreamLine
        self._ports: list[Any] = []
        self._udp_ports: list[Any] = []
        self._loops: list[task.LoopingCall] = []
        self._reading_udp = True
        self._reading_book = threading.Lock()
        self.supervision = Supervision(self.clock.tick())
        self._untold: deque[Event] = deque()
        if self.journal:
            self.journal.took = self.counts.commit
        self._has_new_key: set[str] = set()
        self._warned: dict[str, int | None] = {}  # an account's mark → of how many minutes left it was warned last
        if store:
            self._remember(store)

    # Coming up and going down

    def listen(self, wanted: Listen) -> tuple[str, str, int]:
        """Open a line. Gives its kind, host and port; an OSError says why the port cannot be had."""
        if wanted.kind == "phone":
            return self._listen_phone(wanted)
        if wanted.kind == "udp":
            datagrams = lines.DatagramLine(self, self.guard)
            if wanted.given:
                with wanted.given as given:  # Twisted takes a copy of it
                    given.setblocking(False)
                    port = self.reactor.adoptDatagramPort(given.fileno(), given.family, datagrams, maxPacketSize=65535)
            else:
                port = self.reactor.listenUDP(wanted.port, datagrams, interface=wanted.host, maxPacketSize=65535)
            self._datagrams.append(datagrams)
            line: lines.DatagramLine | lines.StreamLine = datagrams
        else:
            stream = lines.StreamLine(wanted.kind, self, self.guard, self.reactor.callLater, self.settings.limits)
            if wanted.certificate and wanted.private_key:
                context = tls.Renewed(tls.Files(wanted.certificate, wanted.private_key, wanted.client_ca))
                secured = tls.Secured(context, stream, self.guard.admits)
                if wanted.given:
                    with wanted.given as given:
                        given.setblocking(False)
                        port = self.reactor.adoptStreamPort(given.fileno(), given.family, secured)
                else:
                    port = self.reactor.listenTCP(wanted.port, secured, backlog=lines.BACKLOG, interface=wanted.host)
                self._certificates.append(context)
            else:
                port = lines.DirectPort(stream, wanted.host, wanted.port, wanted.given)
            self._streams.append(stream)
            line = stream
        (self._udp_ports if wanted.kind == "udp" else self._ports).append(port)
        host, number = lines.listening_port(port)
        line.port = number
        return wanted.kind, host, number

    def _listen_phone(self, wanted: Listen) -> tuple[str, str, int]:
        # Imported here: what hears needs NumPy and SciPy, and most benches have no telephone.
        from receiver.phone import RtpLine, StreamLine

        folder = self.settings.keep_calls
        if wanted.source:
            self._phones.append(
                StreamLine(self, self.reactor, self.clock.now, wanted.source, wanted.out, folder, self.told)
            )
            return "phone", str(wanted.source), 0
        line = RtpLine(self, self.reactor, self.clock.tick, self.clock.now, folder)
        port = self.reactor.listenUDP(wanted.port, line, interface=wanted.host)
        self._phones.append(line)
        self._udp_ports.append(port)
        host, line.port = lines.listening_port(port)
        return "phone", host, line.port

    def start(self, listening: list[tuple[str, str, int]]) -> None:
        """Begin the work that goes on by itself, and write the start into the journal."""
        open_files = min(resource.getrlimit(resource.RLIMIT_NOFILE)[1], 1 << 20)
        if open_files > resource.getrlimit(resource.RLIMIT_NOFILE)[0]:
            resource.setrlimit(resource.RLIMIT_NOFILE, (open_files, resource.getrlimit(resource.RLIMIT_NOFILE)[1]))
        self._supervise(listening)
        self.event(
            "start",
            (f"{self.settings.name}, " if self.settings.name else "")
            + "lines: "
            + ", ".join(lines.line_text(*one) for one in listening),
            listening=[{"line": kind, "host": host, "port": port} for kind, host, port in listening],
        )
        if synchronised() is False:
            self.told(
                "the kernel does not hold this machine's clock to be synchronised: stamps are judged by it all the same"
            )
        for phone in self._phones:
            if hasattr(phone, "start"):
                phone.start()
        self._carefully(self.take_wishes)
        if self._wishes and self.settings.shared:
            threading.Thread(target=self._watch_wishes, args=(self._wishes,), name="wishes", daemon=True).start()
        for seconds, work in (
            (WISH_SECONDS, self.take_wishes),
            (LOOK_SECONDS, self.look),
            (1.0, self._every_second),
            (PULSE_SECONDS, self._pulse),
            (60.0, self._every_minute),
        ):
            loop = task.LoopingCall(self._carefully, work)
            loop.clock = self.reactor
            loop.start(seconds, now=False)
            self._loops.append(loop)

    async def stop(self) -> None:
        """Stop listening, keep what was read, answer it, and close the journal."""
        self._stopping.set()
        for loop in self._loops:
            loop.stop()
        for stream in self._streams:
            stream.closing = True
        for datagrams in self._datagrams:
            datagrams.closing = True
        for phone in self._phones:
            phone.stop()
        for port in self._ports:
            await port.stopListening()
        for port in self._udp_ports:
            port.stopReading()
        conversations = [conversation for stream in self._streams for conversation in stream.open]
        for conversation in conversations:
            conversation.transport.pauseProducing()
        await self._drain()  # what was read is answered before its connection is closed
        for conversation in conversations:
            conversation.end()
        for port in self._udp_ports:
            await port.stopListening()
        deadline = self.clock.tick() + LEAVE_SECONDS
        while self.connections and self.clock.tick() < deadline:
            await task.deferLater(self.reactor, 0.005)
        if self.journal:
            for seen in self._seen.values():
                self.journal.saw(seen)
            self.event("stop", "asked to")
            if self.journal.failing:
                self.journal.retry()  # the disk may be back by now
            await self._drain()
            self.journal.close()
            if self.journal.failing:
                self.told(f"THE JOURNAL STILL CANNOT WRITE: {self.journal.unkept} rows are lost with this stop")
        for store in (self.store, None if self.settings.shared else self._wishes):
            if store:
                store.close()
        if self.recorder:
            self.recorder.close()

    @property
    def connections(self) -> int:
        """How many are open, over TCP and TLS."""
        return sum(len(stream.open) for stream in self._streams)

    def unready(self) -> Iterator[str]:
        """Why nobody should report here now: nothing where all is well."""
        if self._stopping.is_set():
            yield "the bench stops"
        elif not self._loops:
            yield "the bench is starting"
        if self.journal and self.journal.failing:
            yield "the journal cannot write: nothing is answered"
        elif self._stuck:
            yield f"the journal has not come back for more than {STUCK_SECONDS:g} s: nothing is answered"

    def _carefully(self, work: Callable[[], Any]) -> None:
        # An exception would end the loop for ever, and with it the tries to write the journal again.
        try:
            work()
        except Exception as error:
            self.told(f"internal error: {error!r}")

    async def _drain(self) -> None:
        """Wait until what was read is kept and answered: ten seconds at most, lest one peer keep the bench from ending."""
        deadline = self.clock.tick() + DRAIN_SECONDS
        while self.clock.tick() < deadline and (
            any(stream.waiting for stream in (*self._streams, *self._phones))
            or (self.journal is not None and self.journal.busy)
        ):
            await task.deferLater(self.reactor, 0.005)

    # What the lines call

    def receive(self, piece: Piece | Frame, origin: Origin, respond: lines.Respond) -> bool:
        """Decide what becomes of one piece; `respond` is called once, with the answer or with nothing.

        False: too much of what comes from this address cannot be read, and whoever sent this is to be let go.
        """
        now, tick = self.clock.now(), self.clock.tick()
        if self.clock.watch():
            self._clock_stepped()
        journal = self.journal
        self.memory.journal_failing = journal is not None and journal.failing
        decision = desk.judge(
            piece,
            self.book,
            self.memory,
            origin,
            now,
            tick,
            row=journal.next if journal else None,
            policy=self.settings.policy,
        )
        if decision.verdict == "held-back" and self.take_wishes():
            # The wish to put it on test may have come a moment ago.
            return self.receive(piece, origin, respond)
        if decision.verdict in UNREADABLE and not self.guard.keeps_unreadable(origin.host):
            respond(b"")
            return False
        if decision.frame.problems:
            for what in NOTICED:
                self.counts.noticed[what] += decision.frame.has(what)
        entry = Entry(decision, now, origin, self._stencils)
        if decision.account and decision.reply == "ACK":
            self._saw(decision, entry, origin, tick)
        if self.settings.mode == "mirror":
            decision.mirrored()
        if decision.verdict == "poll" and not self._keeps_poll(decision, now):
            self._respond(decision, respond)
            self.counts.frame(origin.line, decision.verdict, decision.reply, False)
            if self.show:
                self.show(entry)
            return True
        self._keep(decision, entry, respond)
        return True

    def record(self, connection: str, what: What, data: bytes, origin: Origin) -> None:
        """Hand what passed on a connection to the capture, if one is written."""
        if self.recorder:
            self.recorder.record(
                Happening(self.clock.now(), connection, what, data, origin.line, origin.peer, port=origin.port)
            )

    def line_lost(self, line: str, port: int, why: str) -> None:
        """A port that should listen does not any more."""
        self.told(f"THE {line.upper()} LINE IS LOST: {why}")
        self.event("line-lost", f"{line}: {why}", line=line, port=port)
        self.supervision.lose((line, port), self.clock.tick())

    def connection_failed(self, peer: str, why: str) -> None:
        """A connection ended without having said anything that could be read: the trace of a panel that cannot talk."""
        self.counts.failed += 1
        if self.guard.keeps_unreadable(peer.rpartition(":")[0].strip("[]")):
            self.event("connection", f"{peer}: {why}")

    def event(self, event: str, detail: str, **more: Any) -> None:
        """Write one of the bench's own rows; `account` among the further fields puts it among that account's rows."""
        if self.journal:
            at = desk.millis(self.clock.now())
            self.journal.add(
                OwnEntry({"at": at, "row": None, "event": event, "detail": detail, "mode": self.settings.mode} | more)
            )

    def look(self) -> None:
        """See what is overdue and what is back, write a row of each and tell it."""
        if self.journal and self.journal.failing:
            return  # nobody is answered, so everybody falls silent: the gap between two looks will say so
        self._untold += self.supervision.due(self.clock.tick())
        for _ in range(min(len(self._untold), MOST_TOLD_A_LOOK)):
            self._tell_of(self._untold.popleft())

    def take_wishes(self) -> bool:
        """Do what people asked for since the last look (`farend book on-test`, `farend clock confirm`)."""
        if not self._wishes or self.settings.shared:
            return False
        try:
            wishes = self._wishes.wishes(self._wished)
            for number, wish, state in wishes:
                try:
                    granted = state != REFUSED and self._knows(wish)
                    fresh = state == WAITING and self._wishes.take(number, GRANTED if granted else REFUSED)
                    self._wished = number
                    if granted:
                        self._grant(wish, fresh=fresh)
                except (KeyError, ValueError, TypeError) as error:
                    # One that another version wrote must not stop the others.
                    self._wished = number
                    self.told(f"a wish cannot be read and is left out: {error!r}")
        except self._wishes.FAILURES:
            return False  # locked or failing: the next look is in a quarter of a second
        return bool(wishes)

    def _watch_wishes(self, store: Store) -> None:
        """The same in a thread of its own where the journal is on a server, so that no answer waits for a network."""
        while not self._stopping.wait(WISH_SECONDS):
            try:
                for number, wish, state in store.wishes(self._wished):
                    with suppress(KeyError, ValueError, TypeError):  # one that another version wrote
                        granted = state != REFUSED and self._knows(wish)
                        # Of several benches one makes the row; all of them do what was asked.
                        fresh = state == WAITING and store.take(number, GRANTED if granted else REFUSED)
                        if granted:
                            self.reactor.callFromThread(partial(self._grant, wish, fresh=fresh))
                    self._wished = number
            except store.FAILURES:
                with suppress(*store.FAILURES):
                    store.reopen()
        store.close()

    # Inside

    def _keeps_poll(self, decision: Decision, now: datetime) -> bool:
        # While an account is on test somebody may want to prove its polls, and proves by rows alone.
        account = decision.account
        return (
            self.settings.keep_polls
            or (account is not None and (account.polls_rarely or self.memory.tests(account, now)))
            or decision.frame.has("replayed")
        )

    def _keep(self, decision: Decision, entry: Entry, respond: lines.Respond) -> None:
        def undo() -> None:
            if decision.verdict not in UNREADABLE:
                decision.not_kept()

        def kept(row: Row | None) -> None:
            if row is None:
                respond(b"")
            else:
                if row.number != entry.row or row.verdict != decision.verdict:
                    decision.numbered(entry.found["repeat_of"] or row.number)
                self._respond(decision, respond)
            self.counts.frame(entry.origin.line, decision.verdict, decision.reply, decision.refused_alarm)
            if decision.warning and not (row and row.verdict == "repeat"):  # another bench has told it
                words = _in_words(decision, self.settings.discreet)
                self.alarm(f"{'REFUSED ALARM' if decision.refused_alarm else 'ALARM'}, {words}")
            if self.show:
                self.show(entry)

        if self.journal:
            key = desk.key_of(decision) if self.settings.shared and decision.verdict == "accepted" else None
            self.journal.add(entry, kept, undo, key)
            if self._reading_udp and self.journal.depth > MOST_UNKEPT:
                self._read_udp(False)
        else:
            kept(_NO_ROW)

    def _respond(self, decision: Decision, respond: lines.Respond) -> None:
        if decision.reply == "none":
            respond(b"")
            return
        if decision.frame.call is not None:
            respond(KISS)
            return
        respond(answer(decision.reply, decision.frame, self.clock.now(), decision.frame.key))

    def _saw(self, decision: Decision, entry: Entry, origin: Origin, tick: float) -> None:
        account = cast(Account, decision.account)
        mark = (account.mark, origin.line, entry.path or "")
        before = self._seen.get(mark)
        polls = (before.polls if before else 0) + (decision.verdict == "poll")
        seen = Seen(*mark, entry.at, polls)
        self._seen[mark] = seen
        if account.old_key and decision.frame.key:
            self._opened_by(account, decision.frame.key)
        test = False
        for signal in decision.frame.signals:
            test = test or is_test_report(signal.code, signal.from_memory)
        self.supervision.hear(account.mark, mark[2], origin[:2], tick, test)
        if self.journal and not self.journal.failing:
            if tick - self._polls_kept.get(mark, -POLLS_KEPT_SECONDS) >= POLLS_KEPT_SECONDS:
                self._polls_kept[mark] = tick
                self.journal.saw(seen)
                self.journal.flush()
            self._polled = True

    def _opened_by(self, account: Account, key: Key) -> None:
        """Tell once that a panel has its new key, so that the old one can go."""
        if key is account.old_key:
            self.counts.noticed["opened-by-old-key"] += 1
        elif account.mark not in self._has_new_key:
            self._has_new_key.add(account.mark)
            detail = f"account {account.mark} has used its new key: take old_key out of the book"
            self.event("new-key", detail, **_whose(account))
            self.told(legible(detail))

    def _remember(self, store: Store) -> None:
        """Rebuild what the desk must know from what was kept: the last sequence, recent messages, paths, wishes."""
        now, tick = self.clock.now(), self.clock.tick()
        recent = desk.millis(now - timedelta(seconds=max(self.settings.policy.repeat_seconds, WINDOW_SECONDS)))
        for account in self.book.accounts:
            narrow = len(self.book.numbered(account.number)) > 1
            rows = store.last(bare(account.number), "accepted", 1000 if narrow else 1)
            for row in reversed(rows):
                self._remember_row(row, account, tick)
        for row in store.rows(since=recent, verdict="accepted"):
            age = (now - datetime.fromisoformat(row.at)).total_seconds()
            self._remember_row(row, None, tick - max(age, 0.0))
        for seen in store.seen():
            self._seen[seen[:3]] = seen
        clock = next((event for event in store.events() if event["event"].startswith("clock-")), None)
        self.memory.clock_doubtful = clock is not None and clock["event"] == "clock-stepped"
        if self.memory.clock_doubtful:
            self.told("the clock stepped before the last stop and nobody has confirmed it: no NAK carries its time")

    def _supervise(self, listening: list[tuple[str, str, int]]) -> None:
        """Begin to supervise what the book promises, with what the journal knows of it."""
        now, tick = self.clock.now(), self.clock.tick()

        def then(at: str) -> float:
            return tick - (now - datetime.fromisoformat(at)).total_seconds()

        self.supervision = Supervision(tick)
        self.supervision.take(self._promised(), tick)
        ports: dict[str, set[int]] = {}
        for kind, _, port in listening:
            ports.setdefault(kind, set()).add(port)
        for seen in self._seen.values():
            # What was seen does not say on which port; where there is but one, it was this.
            of_kind = ports.get(seen.line, set())
            line = (seen.line, *of_kind) if len(of_kind) == 1 else None
            self.supervision.recall(seen.account, seen.path, "poll", then(seen.at), line)
        if not self.store:
            return
        for account in self.book.accounts:
            if any(promise.kind == "test" for promise in account.promises()):
                for path, at in self._tests_of(account, self.store):
                    self.supervision.recall(account.mark, path, "test", then(at))
        for mark, path, kind in overdue_among(self.store.events("path-overdue", "path-back")):
            self.supervision.recall_overdue(mark, path, kind)

    def _promised(self) -> Iterator[tuple[str, list[Promise], bool]]:
        for account in self.book.accounts:
            yield account.mark, account.promises(), account.answer == "always" or account.mark in self.memory.on_test

    def _tests_of(self, account: Account, store: Store) -> Iterator[tuple[str, str]]:
        """The path and time of the last test reports of an account; each for the account as a whole too."""
        for row in store.last(bare(account.number), "accepted", TESTS_RECALLED):
            entry = orjson.loads(row.text)
            if self.book.find(entry["receiver"], entry["prefix"], entry["account"]) is account and any(
                is_test_report(signal["code"], signal["from_memory"]) for signal in entry["signals"]
            ):
                yield entry["path"] or "", row.at
                yield "", row.at

    def _tell_of(self, event: Event) -> None:
        """A row, and a sentence for a person."""
        if isinstance(event, Overdue | Back):
            account = self.book.marked(event.account)
            if account is None:  # the book was read again meanwhile
                return
            promise = event.promise
            detail = legible(in_words(event, f"account {account.mark} {account.name}"))
            self.event(
                "path-overdue" if isinstance(event, Overdue) else "path-back",
                detail,
                **_whose(account),
                path=promise.path,
                promise=promise.kind,
                state=event.state,
                silent_seconds=None if event.silent is None else round(event.silent, 3),
                interval_seconds=promise.interval,
                tolerance_seconds=promise.tolerance,
            )
            self.told(detail)
            return
        detail = in_words(event)
        if isinstance(event, LineSilent | LineBack):
            line, port = cast(tuple[str, int], event.line or (None, None))
            word = "line-silent" if isinstance(event, LineSilent) else "line-back"
            self.event(word, detail, line=line, port=port, paths=event.paths, silent_seconds=round(event.silent, 3))
        else:
            self.event("paused", detail, seconds=round(event.seconds, 3))
        self.told(detail)

    def _remember_row(self, row: Row, only: Account | None, tick: float) -> None:
        entry = orjson.loads(row.text)
        account = self.book.find(entry["receiver"], entry["prefix"], entry["account"])
        if account is None or (only is not None and account is not only):
            return
        known = self.memory.of(account)
        if only is not None:
            known.last = entry["sequence"] or known.last
            return
        frame = desk.reread(entry, account.keys)
        known.recent[desk.message_of(frame)] = (tick, row.number)
        desk.replayed(frame, account, self.memory, tick, self.settings.policy)

    def _meant(self, wish: dict[str, Any]) -> list[Account]:
        return self.book.numbered(wish["account"], wish.get("receiver"), wish.get("prefix"))

    def _knows(self, wish: dict[str, Any]) -> bool:
        # One test must not open two houses: a number that several accounts share is refused until it says which.
        return "account" not in wish or len(self._meant(wish)) == 1

    def _grant(self, wish: dict[str, Any], *, fresh: bool) -> None:
        if wish["wish"] == "on-test":
            (account,) = self._meant(wish)
            until = datetime.fromisoformat(wish["until"])
            if until <= self.clock.now():
                return
            areas, live = wish.get("areas"), wish.get("live") or ()
            self.memory.on_test[account.mark] = OnTest(
                until, None if areas is None else frozenset(map(bare, areas)), frozenset(live)
            )
            if account.answer == "on-test":
                self.supervision.wake(account.mark, True, self.clock.tick())
            self._warned[account.mark] = _warning((until - self.clock.now()).total_seconds())
            if fresh:
                scope = (f", area {', '.join(areas)} only" if areas else "") + (
                    f"; {', '.join(live)} live" if live else ""
                )
                self.event(
                    "on-test",
                    f"account {account.mark} until {wish['until']}, reference {wish['reference']}{scope}",
                    **{name: wish.get(name) for name in ("until", "reference", "areas", "live", "confirmed_by")},
                    **_whose(account),
                )
        elif wish["wish"] == "off-test":
            (account,) = self._meant(wish)
            self.memory.on_test.pop(account.mark, None)
            self._leave_alone(account)
            if fresh:
                self.event("off-test", f"account {account.mark}", **_whose(account))
        elif wish["wish"] == "note" and fresh:
            # What a person said of a proving or a request. Never a verdict: only frames have one.
            said = wish["entry"]
            self.event(**{name: value for name, value in said.items() if name not in ("at", "row", "verdict")})
        elif wish["wish"] == "book-changed" and fresh and self.settings.load_book:
            self.reload()
        elif wish["wish"] == "clock-confirmed" and fresh:
            self.clock.confirm()
            self.memory.clock_doubtful = False
            self.event("clock-confirmed", f"by {wish['by']}")
            self.told("the clock was confirmed; NAKs carry its time again")

    def reload(self, done: Callable[[], None] = lambda: None) -> None:
        """Read certificates and book again, the book in a thread of its own: it may take its time. Then `done` is called.

        One with mistakes leaves the old one in force.
        """
        self.renew_certificates(asked=True)
        load = self.settings.load_book
        if load is None:
            self.told("there is no book to be read again: the bench was started without --book")
            done()
            return

        def read() -> None:
            with self._reading_book:  # who began to read later has the newer one
                try:
                    taken = partial(self.take_book, load())
                except Exception as error:  # whatever is wrong with it, the old one stays and people hear of it
                    taken = partial(self._keep_old_book, str(error) or repr(error))
                self.reactor.callFromThread(taken)
            self.reactor.callFromThread(done)

        threading.Thread(target=read, name="book", daemon=True).start()

    def _keep_old_book(self, why: str) -> None:
        self.told("THE BOOK CANNOT BE READ AGAIN, the old one stays:")
        for mistake in why.splitlines():
            self.told(f"the book, {mistake}")
        self.event("book", f"cannot be read again, the old one stays: {why}")

    def take_book(self, book: Book) -> None:
        """Use another book from now on."""
        found = changes(self.book, book)
        self.book = book
        self._stencils.clear()
        self._has_new_key.clear()
        self.supervision.take(self._promised(), self.clock.tick())
        self.told(f"the book was read again: {len(book.accounts)} accounts; {found}")
        self.event("book", f"read again: {len(book.accounts)} accounts; {found}")

    def _leave_alone(self, account: Account | None) -> None:
        """Outside of its test, an account that answers only while on test rightly reports elsewhere."""
        if account and account.answer == "on-test":
            self.supervision.wake(account.mark, False, self.clock.tick())

    def _warn_of_end(self, account: str, left: float) -> None:
        due = _warning(left)
        if due != self._warned.get(account):
            self._warned[account] = due
            self.told(f"account {account}: {round(left / 60)} minutes of its test are left: prolong it, or stop")

    def _watch_journal(self) -> None:
        """Say it when a commit does not come back: a disk that hangs, or a server that waits for somebody."""
        journal, tick = self.journal, self.clock.tick()
        if journal is None:
            return
        if not journal.busy or journal.commits != self._commits:
            self._commits, self._came_back = journal.commits, tick
            if self._stuck and not journal.failing:  # else it came back with a failure, and that is told
                self._journal_told("the journal writes again")
            self._stuck = False
        elif tick - self._came_back >= STUCK_SECONDS and not (self._stuck or journal.failing):
            self._stuck = True
            self.told(
                f"THE JOURNAL HAS NOT COME BACK FOR {tick - self._came_back:.0f} s ({journal.depth} rows wait):"
                " nothing is answered until it does"
            )

    def _every_second(self) -> None:
        if self.clock.watch():
            self._clock_stepped()
        self._watch_journal()
        if self.journal and self.journal.failing:
            self.journal.retry()
        if not self._reading_udp and self.journal and self.journal.depth < MOST_UNKEPT // 2:
            self._read_udp(True)
        for stream in self._streams:
            stream.sweep()
        self.renew_certificates()
        if limited := self.guard.report():
            self.event("limited", limited[0], counts=limited[1])
            self.told(f"limited: {limited[0]}")
        now = self.clock.now()
        for account, test in list(self.memory.on_test.items()):
            self._warn_of_end(account, (test.until - now).total_seconds())
            if now >= test.until:
                del self.memory.on_test[account]
                self._leave_alone(self.book.marked(account))
                number = account.rpartition(" ")[2]
                self.event(
                    "off-test",
                    f"account {account}: its time on test is over",
                    account=number,
                    account_mark=account,
                )
                self.told(f"account {account} is no longer on test: STOP, confirm with the station")

    def _pulse(self) -> None:
        if self.journal and self._polled and not self.journal.failing:
            self._polled = False
            self.journal.saw(next(iter(self._seen.values())))  # one is enough to learn whether the disk still takes any
            self.journal.flush()

    def _every_minute(self) -> None:
        for stream in self._streams:
            stream.sweep_idle()
        if self.journal:
            for seen in self._seen.values():
                self.journal.saw(seen)
            self.journal.flush()

    def _clock_stepped(self) -> None:
        self.memory.clock_doubtful = True
        self.counts.clock_steps += 1
        by = self.clock.stepped
        self.told(f"THE CLOCK STEPPED by {by:+.1f} s: no NAK carries its time until `farend clock confirm`")
        self.event("clock-stepped", f"by {by:+.1f} s against the monotonic clock")

    def renew_certificates(self, *, asked: bool = False) -> None:
        """Give new connections the certificate that lies there now, where it has changed; a bad one changes nothing."""
        for context in self._certificates:
            if what := context.look(asked=asked):
                self.told(what)
                self.event("certificate", what)

    def _read_udp(self, read: bool) -> None:
        self._reading_udp = read
        for port in self._udp_ports:
            (port.startReading if read else port.stopReading)()

    def _journal_told(self, what: str) -> None:
        self.told(what)
        if self.journal and not self.journal.failing:
            self.event("journal", what)


def _whose(account: Account) -> dict[str, str]:
    return {"account": account.number, "account_mark": account.mark}


def _warning(left: float) -> int | None:
    """The warning that is due with so many seconds of a test left."""
    return min((minutes for minutes in WARN_MINUTES if left <= minutes * 60), default=None)


def _in_words(decision: Decision, discreet: bool) -> str:
    frame, account = decision.frame, decision.account
    whose = f"account {frame.account}" + (f" ({account.name})" if account else "")
    what = "; ".join(signal.meaning or f"code {signal.code}" for signal in frame.signals)
    if discreet and frame.encrypted:
        what = "a sealed alarm; the journal has what it says"
    answered = f"answer {decision.reply}" if frame.call is None else ON_THE_PHONE[decision.reply]
    return legible(f"{whose}: {what}; {decision.verdict}, {answered}; {decision.warning}")
