"""`farend replay`: play a recording into a receiver, or into the desk."""

import asyncio
import itertools
import os
import re
import secrets
import sys
import threading
import time
from collections import deque
from collections.abc import Awaitable, Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any, Literal

import orjson
import typer
from rich.console import Console
from rich.table import Table

from protocols.dc09 import ACCOUNT, bare
from protocols.exchange import LAST_SEQUENCE
from protocols.values import legible
from receiver import wishes
from receiver.capture import Recorder
from receiver.compared import Comparison, Message
from receiver.journal import JournalError, public
from receiver.recast import Changes, Numbering
from receiver.rehearing import Judging
from receiver.replaying import IntoDesk, Moment, Player, Renewal, Script, Step, Wanted, keyless
from receiver.wire import tls_context
from tools import words
from tools.common import (
    OUT,
    TALK,
    book_from,
    check_outputs,
    check_trust,
    followed,
    judging_from,
    recording,
    stop,
    target,
    within,
)

MOST_SHOWN = 20  # differences in words
MOST_TIMEOUT = 3600.0  # seconds
GOES_ON_SECONDS = 60.0  # between two words that an announced replay goes on
Pace = float | Literal["max", "answered"]


def replay(
    capture: Annotated[Path, typer.Argument(metavar="CAPTURE", help="The recorded stream, of any shape.")],
    to: Annotated[
        str | None, typer.Option(metavar="HOST:PORT", help="The receiver; without it, the desk, with no sockets.")
    ] = None,
    speed: Annotated[
        str | None,
        typer.Option(
            metavar="X|max|answered",
            help="A multiple of the recording's own time, as fast as can be, or each message of a connection once the one "
            "before is answered. By default 1 to a receiver, max into the desk.",
        ),
    ] = None,
    tls: Annotated[bool, typer.Option("--tls", help="What was not UDP goes over TLS.")] = False,
    trust: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Check the receiver's certificate against this PEM.")
    ] = None,
    since: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="From here on: ISO, HH:MM[:SS] (UTC), or +MM:SS from its beginning."),
    ] = None,
    until: Annotated[str | None, typer.Option(metavar="TIME", help="Up to here, in the same forms.")] = None,
    account: Annotated[
        list[str] | None, typer.Option(metavar="N", help="Only this account's frames; may be repeated.")
    ] = None,
    stamps: Annotated[
        Literal["kept", "now", "exact"],
        typer.Option(help="now: moved to the present, each clock as far off as it was; exact: the present itself."),
    ] = "kept",
    renumber: Annotated[
        str | None,
        typer.Option(metavar="N|on", help="Sequences from N on, an account at a time; on: later rounds run on."),
    ] = None,
    map_: Annotated[
        list[str] | None, typer.Option("--map", metavar="OLD=NEW", help="Another account number; may be repeated.")
    ] = None,
    book: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The account book it was recorded with; the desk's, too.")
    ] = None,
    as_book: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The other side's book: what was sealed is sealed with its keys."),
    ] = None,
    loop: Annotated[int, typer.Option(min=0, help="How often it is played; 0: until Ctrl-C.")] = 1,
    record: Annotated[
        Path | None, typer.Option("--capture", metavar="FILE", help="Record what is played, and what is answered.")
    ] = None,
    unknown: Annotated[Literal["duh", "ack", "silent"], typer.Option(help="As for listen, for the desk.")] = "duh",
    timeout: Annotated[float, typer.Option(help="Seconds to wait for a connection, and for an answer.")] = 5.0,
    target_is_mine: Annotated[
        str | None, typer.Option(metavar="HOST", help="Say the target's host again: needed off this machine.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a message on stdout.")] = False,
    announce: Annotated[
        str | None,
        typer.Option(
            metavar="PATH_OR_URL",
            help="The journal of the bench that it goes to: a row there names our addresses, so that nothing is handed on.",
        ),
    ] = None,
) -> None:
    """Play a recording and hold each answer against the one recorded: in its own time, or as fast as can be.

    Connections open and close as they did. Frames may be given the present time, other numbers, keys and accounts; what was
    wrong in them stays wrong in the same way, and what cannot be changed is told and sent as it was.

    Exit code 1 when an answer differs from the recorded one, one that was recorded did not come, or a connection failed.

    Example: farend replay monday.capture --to 127.0.0.1:12009 --speed 10
    """
    pace = _pace(speed, to)
    within(timeout, "--timeout", 0.01, MOST_TIMEOUT)
    wanted = _wanted(since, until, account)
    judging = judging_from(book_from(book), unknown)
    other = book_from(as_book) if as_book else None
    changes = Changes(stamps, _accounts(map_), judging.book, other)
    numbering = _numbering(renumber)
    if to is None and (tls or trust or record or announce):
        option = "--tls" if tls else "--trust" if trust else "--capture" if record else "--announce"
        stop(f"{option} goes with --to: into the desk there are no sockets")
    check_trust(trust, tls)
    check_outputs({"CAPTURE": capture, "--capture": record} if record else {})
    host, port = target(to, target_is_mine) if to is not None else ("", 0)
    first = recording(capture)
    if changes.inside:
        _say_keyless(changes, capture)
    renewal = Renewal(changes, _tell)
    changed = changes.inside or numbering is not None
    comparison = Comparison()
    script = Script(judging, comparison, wanted, numbering, whole=changed or pace == "answered")

    def rounds() -> Iterator[Iterator[Step]]:
        for number in itertools.count() if loop == 0 else range(loop):
            opened = recording(capture) if number else first
            yield script.steps(followed(opened, "replaying", always=pace != "max"))

    failed: Mapping[str, int] = {}

    def show(entry: dict[str, Any]) -> None:
        try:
            if as_json:
                sys.stdout.buffer.write(orjson.dumps(entry) + b"\n")
                if to is not None:
                    sys.stdout.buffer.flush()
            else:
                words.show(OUT, entry)
        except BrokenPipeError:  # whoever read it has seen enough
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise KeyboardInterrupt from None

    if to is None:
        heard_anew = renewal if changed or other or loop != 1 else None
        desk = IntoDesk(Judging(other or judging.book, judging.policy), comparison, heard_anew, show, _Waiting(pace))
        early = _until_stopped(comparison, lambda: deque(map(desk.play, rounds()), 0))
    else:
        if as_json:
            comparison.settled = lambda message, differs: show(_line(message, differs))
        with _recorder(record, capture) as recorder, _announced(announce) as announcing:
            player = Player(
                host, port, comparison, renewal, changes.key_after,
                pace=pace, timeout=timeout, tls=tls_context(trust) if tls else None, recorder=recorder,
                announce=announcing,
            )  # fmt: skip
            early = _until_stopped(comparison, lambda: asyncio.run(_play(player, rounds())))
        failed = player.failed
    sys.stdout.flush()
    _report(comparison, TALK if as_json else OUT)
    for why, count in failed.items():
        _tell(f"{why} ({count} connection{'s' * (count != 1)})")
    for why, count in renewal.kept.items():
        _tell(f"{count} frame{'s' * (count != 1)} sent as recorded: {why}")
    if not comparison.messages and not wanted.all and not early:
        _tell("nothing of the recording is in this slice, of these accounts")
    if early:
        _tell("ended early; compared is what was answered until then")
    raise typer.Exit(1 if comparison.differ or failed or (early and loop) else 0)


def _tell(what: str) -> None:
    TALK.print(f"farend: {what}", markup=False, soft_wrap=True)


async def _play(player: Player, rounds: Iterable[Iterator[Step]]) -> None:
    for steps in rounds:
        await player.play(steps)


def _until_stopped(comparison: Comparison, play: Callable[[], object]) -> bool:
    """Play; whether it was ended by Ctrl-C, and what then still waits counts for nothing."""
    try:
        play()
    except KeyboardInterrupt:
        comparison.abandon()
        return True
    return False


@contextmanager
def _recorder(path: Path | None, of: Path) -> Iterator[Recorder | None]:
    if path is None:
        yield None
        return
    try:
        recorder = Recorder(path, datetime.now(UTC), f"a replay of {of.name}", _tell)
    except OSError as error:
        stop(f"--capture {path}: {error.strerror}")
    try:
        yield recorder
    finally:
        recorder.close()


@contextmanager
def _announced(journal: str | None) -> Iterator[Callable[[str], Awaitable[None]] | None]:
    """Says in the bench's journal by which addresses this replay speaks, a row for all that were opened meanwhile; and at
    the end that it is over.
    """
    if journal is None:
        yield None
        return
    name, waiting, turn = secrets.token_hex(4), list[str](), asyncio.Lock()

    async def announce(peer: str) -> None:
        waiting.append(peer)
        async with turn:
            if peer in waiting:
                peers = waiting.copy()
                waiting.clear()
                await asyncio.to_thread(say, f"{name} speaks as {', '.join(peers)}", peers=peers)

    def say(detail: str, **more: Any) -> None:
        wishes.note(Path(journal), "replay", detail, replay=name, **more)

    ending = threading.Event()

    def go_on() -> None:
        while not ending.wait(GOES_ON_SECONDS):
            with suppress(JournalError):  # the next word may come through
                say(f"{name} goes on")

    threading.Thread(target=go_on, daemon=True).start()
    try:
        yield announce
    finally:
        ending.set()
        try:
            say(f"{name} is over", over=True)
        except JournalError as error:
            _tell(f"that the replay is over could not be said in {public(journal)}: {error}")


def _pace(speed: str | None, to: str | None) -> Pace:
    if speed is None:
        return "max" if to is None else 1.0
    if speed in ("max", "answered"):
        return "max" if to is None or speed == "max" else "answered"  # the desk answers at once
    try:
        pace = float(speed)
    except ValueError:
        pace = 0.0
    if not 0 < pace < float("inf"):
        stop(f"--speed {speed!r} is neither a multiple such as 1, 10 or 0.5, nor max, nor answered")
    return pace


class _Waiting:
    """Waits until it is time for what was recorded then."""

    def __init__(self, pace: Pace) -> None:
        self._pace, self._first, self._began = pace, datetime.max.replace(tzinfo=UTC), 0.0

    def __call__(self, at: datetime) -> None:
        if not isinstance(self._pace, float):
            return
        if at <= self._first:  # a round begins
            self._first, self._began = at, time.monotonic()
        wait = self._began + (at - self._first).total_seconds() / self._pace - time.monotonic()
        if wait > 0:
            time.sleep(wait)


def _wanted(since: str | None, until: str | None, accounts: list[str] | None) -> Wanted:
    for number in accounts or ():
        if not ACCOUNT.fullmatch(number):
            stop(f"--account {number!r} is no account number: 3 to 16 hex digits")
    return Wanted(
        _moment(since, "--since") if since else None,
        _moment(until, "--until", after=True) if until else None,
        frozenset(map(bare, accounts or ())),
    )


def _moment(text: str, option: str, *, after: bool = False) -> Moment:
    """A time in the recording. `HH:MM` is the one nearest to its beginning; for the end, the first after the slice began."""
    try:
        if later := re.fullmatch(r"\+(?:(\d{1,4}):)?(\d{1,4}):(\d\d)", text):
            offset = timedelta(hours=int(later[1] or 0), minutes=int(later[2]), seconds=int(later[3]))
            return lambda began, _: began + offset
        if re.fullmatch(r"\d\d:\d\d(:\d\d)?", text):
            clock = datetime.strptime(text, "%H:%M:%S" if len(text) == 8 else "%H:%M").time()

            def on_its_day(began: datetime, start: datetime) -> datetime:
                earliest = start if after else began - timedelta(hours=12)
                moment = datetime.combine(earliest.date(), clock, UTC)
                return moment if moment >= earliest else moment + timedelta(days=1)

            return on_its_day
        moment = datetime.fromisoformat(text)
    except ValueError:
        stop(
            f"{option} {text!r} is none of 2026-11-25T12:30:00Z, 12:30, 12:30:15 (UTC) and +05:00 (from the beginning)"
        )
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return lambda *_: moment


def _accounts(pairs: list[str] | None) -> dict[str, str]:
    found: dict[str, str] = {}
    for pair in pairs or ():
        old, _, new = pair.partition("=")
        for number in (old, new):
            if not ACCOUNT.fullmatch(number):
                stop(f"--map {pair!r} is not OLD=NEW, two account numbers of 3 to 16 hex digits")
        if bare(old) in found:
            stop(f"--map: {old} is given two new numbers")
        if bare(new) in map(bare, found.values()):
            stop(f"--map: two accounts would become {new}")
        found[bare(old)] = new
    return found


def _numbering(text: str | None) -> Numbering | None:
    if text is None or text == "on":
        return Numbering(None) if text else None
    if not re.fullmatch(r"\d{1,4}", text) or not 1 <= int(text) <= LAST_SEQUENCE:
        stop(f"--renumber {text!r} is neither a sequence number, 1 to {LAST_SEQUENCE}, nor on")
    return Numbering(int(text))


def _say_keyless(changes: Changes, capture: Path) -> None:
    """Say, before anything is sent, which frames cannot be changed."""
    for whose, count in keyless(followed(recording(capture), "looking for keys", say=False), changes).items():
        _tell(
            f"account {whose}: {count} sealed frame{'s' * (count != 1)} without a key in --book; sent as recorded, so "
            "their stamps, numbers and keys stay old"
        )


def _line(message: Message, differs: str | None) -> dict[str, Any]:
    """What `--json` prints of a message."""
    recorded, now, frame = message.recorded, message.now, message.frame
    return {
        "number": message.judged.number,
        "round": message.round,
        "connection": message.judged.connection,
        "account": frame.account,
        "sequence": frame.sequence,
        "recorded": recorded.word if recorded else "none",
        "word": now.word if now else "none",
        "delay_ms": _millis(now.after if now else None),
        "recorded_delay_ms": _millis(recorded.after if recorded else None),
        "differs": differs,
        "answer": now.frame.to_json() if now and now.frame else None,
        "sent": message.sent.to_json() if message.sent else None,
    }


def _millis(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds * 1000, 3)


def _report(comparison: Comparison, console: Console) -> None:
    """What was answered, and what differs: the most frequent first, with the first frame of each."""
    now, recorded = comparison.now, comparison.recorded
    table = Table("answer", "now", "recorded", box=None, padding=(0, 2, 0, 0), header_style="italic")
    for word in sorted({*now, *recorded}):
        table.add_row(legible(word), str(now[word]), str(recorded[word]))
    console.print(table if now or recorded else "no answer came, and none was recorded")
    if not recorded:
        console.print("the recording holds no answers to compare with")
        return
    groups = sorted(comparison.groups.values(), key=lambda group: -group.count)
    for group in groups[:MOST_SHOWN]:
        numbers = ", ".join(map(str, sorted(group.numbers))) + (" …" if group.count > len(group.numbers) else "")
        where = f": frame{'s' * (group.count != 1)} {numbers}" if group.numbers else ""
        times = f", {group.count} times" if group.count > 1 else ""
        console.print(f"✗ {legible(group.sentence)}{times}{where}", markup=False, soft_wrap=True)
        if group.raw:
            console.print(f"    {group.raw}", markup=False, soft_wrap=True)
    if len(groups) > MOST_SHOWN:
        console.print(f"✗ and {len(groups) - MOST_SHOWN} more kinds of difference")
