"""`farend panel`: a simulated panel that a person drives, from a prompt or by a script."""

import asyncio
import os
import sys
import threading
from collections.abc import AsyncGenerator, Iterator
from contextlib import aclosing, contextmanager, suppress
from datetime import timedelta
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.live import Live
from rich.text import Text

from protocols.dc09 import PAYLOADS
from protocols.premises import Message, News, Premises, Route
from protocols.values import legible
from receiver import words
from receiver.book import Account, AccountPath
from receiver.desk import millis
from receiver.household import LANGUAGE, LONGEST_WAIT, Household, LanguageError, Step
from receiver.outgoing import Outgoing
from receiver.wire import Kind
from tools.common import (
    CAUTION,
    OUT,
    TALK,
    book_from,
    check_trust,
    host_and_port,
    key_from,
    kind_of,
    print_json,
    shown_by,
    stop,
    target,
)
from tools.counter import next_sequence
from tools.typed import Typed, keys

ENDS = {"acknowledged": "ACK", "refused": "DUH: it arrived right, but the receiver cannot process it"}
FARTHEST = 1e9  # seconds that its clock can be wrong: some 31 years, so that no stamp leaves the calendar


def panel(
    receiver_at: Annotated[str, typer.Argument(metavar="HOST:PORT", help="The receiver.")],
    book: Annotated[Path, typer.Option(metavar="FILE", help="The account book.")],
    account: Annotated[str, typer.Option(metavar="N", help="The account's number in the book.")],
    second: Annotated[str | None, typer.Option(metavar="HOST:PORT", help="A second receiver to turn to.")] = None,
    script: Annotated[Path | None, typer.Option(metavar="FILE", help="Do what stands there, and end.")] = None,
    two_letter: Annotated[bool, typer.Option("--sia", help="Speak two-letter codes instead of Contact ID.")] = False,
    udp: Annotated[bool, typer.Option("--udp", help="Every path over UDP, whatever the book says.")] = False,
    tls: Annotated[bool, typer.Option("--tls", help="Every path over TLS, whatever the book says.")] = False,
    trust: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Check the receiver's certificate against this PEM.")
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Over TLS, the panel's own certificate, for who asks for one.")
    ] = None,
    private_key: Annotated[Path | None, typer.Option(metavar="FILE", help="And its private key.")] = None,
    key: Annotated[
        str | None, typer.Option(metavar="HEX|@FILE|env:NAME", help="Encrypt with this key, not the book's.")
    ] = None,
    sequence: Annotated[
        int | None, typer.Option(min=1, max=9999, help="Count from this number; by default on from the last.")
    ] = None,
    wait: Annotated[
        float, typer.Option(min=0.05, max=LONGEST_WAIT, help="Seconds to wait for an answer, each try.")
    ] = 20.0,
    tries: Annotated[int, typer.Option(min=1, help="Tries over a path before it turns to the next.")] = 3,
    pause: Annotated[
        float, typer.Option(min=0.05, max=LONGEST_WAIT, help="Seconds until it all begins again, once all failed.")
    ] = 60.0,
    clock_error: Annotated[
        float,
        typer.Option(
            metavar="SECONDS", min=-FARTHEST, max=FARTHEST, help="How wrong its clock is at first; a NAK sets it."
        ),
    ] = 0.0,
    target_is_mine: Annotated[
        list[str] | None, typer.Option(metavar="HOST", help="Say a target's host again: needed off this machine.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a line on stdout.")] = False,
) -> None:
    """Be the panel of an account: its polls keep going, and its doors, detectors, users and paths do as you say.

    Without --script what it is to do is read from stdin, one command a line: open 015 · lose ac · drop wired · help.
    Exit code: 0 everything was acknowledged · 1 something was refused, given up, left undone (Ctrl-C) or not understood ·
    2 it could not run.

    Example: farend panel 127.0.0.1:12009 --book fixtures/station.toml --account 4471 --script fixtures/night.panel
    """
    mine = _account(book, account)
    paths = [path for path in mine.path if path.line != "phone"] or [AccountPath(name="")]
    if mine.path and not paths[0].name:
        stop(f"account {mine.number} has no path but a phone line, which this panel cannot dial")
    kinds: dict[str, Kind] = {
        path.name: kind_of(udp, tls, path.line if path.line in ("udp", "tls") else "tcp") for path in paths
    }
    check_trust(trust, "tls" in kinds.values())
    shown = shown_by(certificate, private_key, "tls" in kinds.values())
    polls = {promise.path: promise.interval for promise in mine.promises() if promise.kind == "poll"}
    try:
        premises = Premises(
            mine.number,
            key=key_from(key) or mine.key,
            receiver=mine.receiver,
            paths=[Route(path.name, path.prefix or mine.prefix or "0", polls.get(path.name)) for path in paths],
            receivers=1 if second is None else 2,
            sequence=sequence or 1,
            wait_seconds=wait,
            tries=tries,
            pause_seconds=pause,
            clock_error=timedelta(seconds=clock_error),
            number=None if sequence else lambda: next_sequence(f"{host}:{port}", mine.number),
            tell=lambda news: player.told(news),
        )
    except ValueError as problem:
        stop(f"account {mine.number}: {problem}")
    house = Household(mine, two_letter=two_letter, check=premises.check)
    steps = _checked(house, script) if script else None
    targets = [_target(text, target_is_mine or []) for text in (receiver_at, second) if text is not None]
    host, port = targets[0]
    player = Player(mine, house, [f"{host}:{port}" for host, port in targets], as_json)
    TALK.print(CAUTION, style="italic", soft_wrap=True)
    ways = ", ".join(f"{name or 'one path'} ({kinds[name]})" for name in kinds)
    TALK.print(f"playing the panel of {mine.number} {legible(mine.name)}: {ways}", markup=False, soft_wrap=True)
    if polls and min(polls.values()) < wait:
        TALK.print(f"it polls every {min(polls.values())} s and waits {wait:g} s for an answer", style="dim")
    player.outgoing = Outgoing(premises, targets, kinds, open_seconds=wait, trusted=trust, shown=shown)
    asyncio.run(player.play(steps))
    raise typer.Exit(player.end())


def _account(book: Path, number: str) -> Account:
    found = book_from(book)
    fitting = found.numbered(number)
    if len(fitting) != 1:
        there = "; ".join(f"{one.numbered} {one.name}" for one in fitting or found.accounts[:12])
        stop(f"{'several accounts have' if fitting else 'no account of the book has'} the number {number}: {there}")
    return fitting[0]


def _target(text: str, mine: list[str]) -> tuple[str, int]:
    host, _ = host_and_port(text, "target")
    return target(text, host if host in mine else mine[0] if mine else None)


def _checked(house: Household, script: Path) -> list[Step]:
    """Every line of the script, understood; ends with all that are wrong, before anything is sent."""
    try:
        lines = script.read_text("utf-8").splitlines()
    except UnicodeDecodeError as error:
        stop(f"--script {script}: byte {error.start + 1} is not UTF-8")
    except OSError as error:
        stop(f"--script {script} cannot be read: {error.strerror}")
    steps, wrong = [], []
    for number, line in enumerate(lines, 1):
        try:
            steps.append(house.read(line))
        except LanguageError as error:
            wrong.append(f"{script}:{number}: {error}")
    if wrong:
        stop("the script cannot be used; nothing was sent:\n" + "\n".join(wrong))
    return [step for step in steps if step is not None]


class Player:
    """What the panel is told to do, and what is told of it."""

    outgoing: Outgoing
    _playing: "asyncio.Task[None] | None" = None

    def __init__(self, account: Account, house: Household, targets: list[str], as_json: bool) -> None:
        self._account, self._house, self._targets, self._json = account, house, targets, as_json
        self._sent_at: dict[int, float] = {}
        self._undone = 0  # steps of a script that it has not come to
        self._unread = False  # nobody reads stdout any more
        self._count = dict.fromkeys(("acknowledged", "refused", "missed", "wrong"), 0)

    async def play(self, steps: list[Step] | None) -> None:
        """Do the steps, or what is typed; then wait until all of it is answered or every receiver has failed."""
        self._playing = asyncio.current_task()
        try:
            async with asyncio.TaskGroup() as both:  # whatever goes wrong in one of the two ends the other
                running = both.create_task(self.outgoing.run())
                async with aclosing(self._prompted() if steps is None else self._scripted(steps)) as doing:
                    async for step in doing:
                        if not await self._do(step):
                            break
                    else:
                        await self._settle()
                running.cancel()
        except asyncio.CancelledError:
            pass  # Ctrl-C, or `told`
        except SystemExit:  # Rich's word for a reader that has gone; `told` says so in its own way
            self._unread = True

    def end(self) -> int:
        """Say what became of it all; the exit code."""
        given_up = len(self.outgoing.premises.outbox)
        if self._json:
            _tell({"event": "end", **self._count, "given_up": given_up, "undone": self._undone})
        else:
            told = [f"{count} {what}" for what, count in self._count.items() if count]
            told += [f"{given_up} given up, unanswered"] * bool(given_up)
            told += [f"{self._undone} of the script's lines left undone"] * bool(self._undone)
            OUT.print(f"ended: {', '.join(told) or 'nothing was sent'}", markup=False)
        wrong = (given_up, self._undone, self._unread, *(self._count[what] for what in ("refused", "missed", "wrong")))
        return int(any(wrong))

    async def _scripted(self, steps: list[Step]) -> AsyncGenerator[Step, None]:
        for done, step in enumerate(steps):
            self._undone = len(steps) - done
            yield step
        self._undone = 0

    async def _prompted(self) -> AsyncGenerator[Step, None]:
        """What stdin says, line by line; a wrong line is told, and the next one read."""
        lines: asyncio.Queue[str | None] = asyncio.Queue()
        on_terminal = sys.stdin is not None and sys.stdin.isatty() and OUT.is_terminal and not self._json
        with self._typing(lines) if on_terminal else _reading(lines):
            number = 0
            while (line := await lines.get()) is not None:
                number += 1
                try:
                    step = self._house.read(line)
                except LanguageError as error:
                    self._count["wrong"] += not on_terminal
                    TALK.print(
                        str(error) if on_terminal else f"farend: line {number}: {error}", markup=False, soft_wrap=True
                    )
                    continue
                if step is not None:
                    yield step

    @contextmanager
    def _typing(self, lines: "asyncio.Queue[str | None]") -> Iterator[None]:
        """A line at the foot of the terminal, while what is told goes by above it."""
        loop, typed = asyncio.get_running_loop(), Typed()
        with (
            keys() as pressed,
            Live(Text("› "), console=OUT, auto_refresh=False, transient=True, redirect_stdout=False) as live,
        ):

            def take() -> None:
                try:
                    for line in typed.take(pressed(0)):
                        OUT.print(Text(f"› {line}", style="dim"))
                        lines.put_nowait(line)
                except EOFError:
                    lines.put_nowait(None)
                live.update(Text(f"› {typed.text}"), refresh=True)

            OUT.print(Text("type help for what it can do, quit to end", style="dim"))
            loop.add_reader(sys.stdin.fileno(), take)
            try:
                yield
            finally:
                loop.remove_reader(sys.stdin.fileno())

    async def _do(self, step: Step) -> bool:
        """Do one thing; False to end now."""
        match step.do:
            case "quit":
                self._undone = 0
                return False
            case "help":
                for form, what in LANGUAGE.items():
                    (TALK if self._json else OUT).print(f"{form:<31} {what}", markup=False)
            case "state":
                self._say_state()
            case "wait" if step.seconds is not None:
                await asyncio.sleep(step.seconds)
            case "wait":
                await self._settle()
            case _:
                try:
                    self.outgoing.act(step, self._house)
                except ValueError as error:
                    self._count["wrong"] += 1
                    TALK.print(f"farend: {error}", markup=False)
        return True

    async def _settle(self) -> None:
        """Wait until everything is answered, every receiver has failed, or no path is left."""
        outgoing, premises = self.outgoing, self.outgoing.premises
        while not (outgoing.idle or premises.pausing(outgoing.clock.tick()) or not premises.reachable):
            await outgoing.moved()

    def _say_state(self) -> None:
        premises = self.outgoing.premises
        opened = [thing.label for thing in self._house.open]
        dropped, waiting = sorted(premises.dropped), [self._words(message) for message in premises.outbox]
        if self._json:
            _tell({"event": "state", "open": opened, "dropped": dropped, "outbox": waiting})
            return
        for what, those in (("open", opened), ("dropped", dropped), ("in the outbox", waiting)):
            OUT.print(f"{what}: {'; '.join(those) or 'nothing'}", markup=False, soft_wrap=True)

    def told(self, news: News) -> None:
        """Tell what became of a message."""
        what, message, tick = news.what, news.message, self.outgoing.clock.tick()
        if what == "sent":
            self._sent_at[id(message)] = tick
        ended = what in ENDS or what == "missed"
        if ended and not (what == "acknowledged" and message.poll) and news.why != "it gave way":
            self._count[what] += 1
        delay = tick - self._sent_at[id(message)]
        if ended:
            del self._sent_at[id(message)]
        try:
            if self._json:
                self._tell_json(news, delay)
            elif not (what == "sent" and (message.poll or news.tried > 1)):
                self._tell_words(news, delay)
        except SystemExit:  # out of a callback it would leave the loop with all that is open in it
            self._unread = True
            if self._playing:
                self._playing.cancel()

    def _tell_json(self, news: News, delay: float) -> None:
        message = news.message
        answered = news.what in ENDS or news.what in ("corrected", "foreign")
        _tell(
            {
                "event": news.what,
                "at": millis(self.outgoing.clock.now()),
                "receiver": self._targets[news.receiver],
                "path": news.path or None,
                "token": message.token,
                "payload": message.payload,
                "sequence": message.sequence,
                "tried": news.tried,
                "why": news.why or None,
                "delay_ms": round(delay * 1000, 3) if answered else None,
            }
        )

    def _tell_words(self, news: News, delay: float) -> None:
        message, what = news.message, news.what
        after = f", {delay * 1000:.1f} ms" + (f", try {news.tried}" if news.tried > 1 else "")
        told = {
            "sent": self._words(message),
            "acknowledged": f"→ ACK{after}",
            "refused": f"→ {ENDS['refused']}{after}",
            "corrected": f"→ NAK{after}: the receiver's time is taken over, and it goes again",
            "foreign": f"→ an answer that does not belong to it: {news.why}",
            "unanswered": f"→ no answer, try {news.tried}: {news.why}",
            "kept": f"→ no receiver can be reached; kept: {news.why}",
            "missed": f"→ the end of this poll: {news.why}",
        }[what]
        where = "/".join(filter(None, (news.path, "second" if news.receiver else "")))
        name = "poll" if message.poll else f"#{message.sequence:04d}"
        good = what in ("sent", "acknowledged")
        line = Text(f"{millis(self.outgoing.clock.now())[11:23]}  {where:<16} {name}  ", style="")
        line.append(legible(told), style="dim" if message.poll and good else "" if good else "bold")
        OUT.print(line, soft_wrap=True)

    def _words(self, message: Message) -> str:
        """`Perimeter burglary alarm, area 01 Laboratory, zone 015 Freezer room door`"""
        if message.poll:
            return "poll"
        signals = PAYLOADS[message.token](message.payload or "").signals
        said = [words.of_signal(signal.to_json() | self._account.names_for(signal)) for signal in signals]
        return "; ".join(said) or f"{message.token} {message.payload}"


def _tell(value: dict[str, Any]) -> None:
    """One JSON object on stdout; where nobody reads it any more, the panel ends."""
    try:
        print_json(value)
    except BrokenPipeError:
        OUT.on_broken_pipe()


@contextmanager
def _reading(lines: "asyncio.Queue[str | None]") -> Iterator[None]:
    """Stdin, whatever it is, read by a thread that may go on waiting when the panel ends."""
    loop = asyncio.get_running_loop()

    def read() -> None:
        rest = b""
        with suppress(RuntimeError):  # the loop is closed: the panel has ended
            while sys.stdin is not None and (data := os.read(sys.stdin.fileno(), 4096)):
                *whole, rest = (rest + data).split(b"\n")
                for line in whole:
                    loop.call_soon_threadsafe(lines.put_nowait, line.decode("utf-8", "replace"))
            loop.call_soon_threadsafe(lines.put_nowait, rest.decode("utf-8", "replace"))
            loop.call_soon_threadsafe(lines.put_nowait, None)

    threading.Thread(target=read, name="stdin", daemon=True).start()
    yield
