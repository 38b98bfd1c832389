"""`farend replay`: play a capture into a receiver, or into the desk."""

import asyncio
import sys
import time
from collections import Counter, defaultdict, deque
from pathlib import Path
from typing import Annotated, Any, Literal

import orjson
import typer
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from protocols.dc09 import decode
from protocols.envelope import Piece, Reader, read_all
from receiver import capture as captures
from receiver import desk
from receiver.book import Book
from receiver.capture import CaptureError, Happening
from receiver.desk import Memory, Origin, Policy
from tools import words
from tools.common import OUT, TALK, book_from, stop, target


def replay(
    capture: Annotated[
        Path, typer.Argument(metavar="CAPTURE", help="The recorded stream (see `farend listen --capture`).")
    ],
    to: Annotated[
        str | None, typer.Option(metavar="HOST:PORT", help="The receiver; without it, the desk, with no sockets.")
    ] = None,
    speed: Annotated[
        str, typer.Option(metavar="X|max", help="A multiple of the capture's own time, or as fast as can be.")
    ] = "1",
    book: Annotated[Path | None, typer.Option(metavar="FILE", help="The account book, for the desk.")] = None,
    unknown: Annotated[Literal["duh", "ack", "silent"], typer.Option(help="As for listen, for the desk.")] = "duh",
    timeout: Annotated[float, typer.Option(min=0.01, help="Seconds to wait for the last answers.")] = 5.0,
    target_is_mine: Annotated[
        str | None, typer.Option(metavar="HOST", help="Say the target's host again: needed off this machine.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a message on stdout.")] = False,
) -> None:
    """Play a capture and report the answers: the capture's own timing, a multiple of it, or as fast as can be.

    Exit code 1 when an answer differs from the recorded one, or one that was recorded did not come.

    Example: farend replay monday.capture --to 127.0.0.1:12009 --speed 10
    """
    pace = _pace(speed)
    try:
        happenings, notes = captures.read(capture)
    except CaptureError as error:
        stop(str(error))
    except OSError as error:
        stop(f"{capture} cannot be read: {error.strerror}")
    for note in notes:
        TALK.print(f"farend: {note}", markup=False)
    recorded = _recorded(happenings)
    if to is None:
        results = _into_desk(happenings, book_from(book), Policy(unknown), pace, as_json)
    else:
        host, port = target(to, target_is_mine)
        results = asyncio.run(_Player(host, port, pace, timeout, as_json).play(happenings))
    differ = _report(results, recorded, as_json)
    raise typer.Exit(1 if differ else 0)


def _pace(speed: str) -> float | None:
    if speed == "max":
        return None
    try:
        pace = float(speed)
    except ValueError:
        pace = 0.0
    if not 0 < pace < float("inf"):
        stop(f"--speed {speed!r} is neither a multiple such as 1, 10 or 0.5, nor max")
    return pace


def _words_in(data: bytes) -> list[str]:
    return [frame.token or "?" for frame in map(decode, read_all(data))]


def _recorded(happenings: list[Happening]) -> dict[str, list[str]]:
    """The receiver's words on each connection, in order."""
    found: dict[str, list[str]] = defaultdict(list)
    for happening in happenings:
        if happening.what == "receiver":
            found[happening.connection] += _words_in(happening.data)
    return found


def _bar() -> Progress:
    return Progress(
        TextColumn("replaying"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(), console=TALK, transient=True
    )


def _into_desk(
    happenings: list[Happening], book: Book, policy: Policy, pace: float | None, as_json: bool
) -> dict[str, list[str]]:
    """Judge everything with the clock of the capture; the words the desk would answer, by connection."""
    memory, readers, results = Memory(), defaultdict[str, Reader](Reader), defaultdict[str, list[str]](list)
    origins: dict[str, Origin] = {}
    began, row = time.monotonic(), 0
    with _bar() as progress:
        for happening in progress.track(happenings):
            elapsed = (happening.at - happenings[0].at).total_seconds()
            if pace and (wait := began + elapsed / pace - time.monotonic()) > 0:
                time.sleep(wait)
            if happening.what == "open":
                host, _, _ = (happening.peer or "").rpartition(":")
                origins[happening.connection] = Origin(happening.line or "", 0, host.strip("[]"), happening.peer or "")
                continue
            if happening.what == "receiver":
                continue
            origin = origins.get(happening.connection, Origin("", 0, "", happening.connection))
            reader = readers[happening.connection]
            pieces = reader.feed(happening.data)
            if happening.what == "close" or origin.line == "udp":
                pieces += reader.close()
            for piece in pieces:
                row += 1
                decision = desk.judge(piece, book, memory, origin, happening.at, elapsed, row=row, policy=policy)
                if decision.reply != "none":
                    results[happening.connection].append(decision.reply)
                entry = desk.entry(decision, happening.at, origin) | {"row": row}
                _print(entry, as_json, progress)
    return results


def _print(entry: dict[str, Any], as_json: bool, progress: Progress) -> None:
    if as_json:
        sys.stdout.buffer.write(orjson.dumps(entry) + b"\n")
    else:
        words.show(OUT, entry)


class _Player:
    """Plays the panel's side of every connection of a capture to a receiver."""

    def __init__(self, host: str, port: int, pace: float | None, timeout: float, as_json: bool) -> None:
        self.host, self.port, self.pace, self.timeout, self.as_json = host, port, pace, timeout, as_json
        self.results: dict[str, list[str]] = defaultdict(list)
        self.outstanding: dict[str, deque[tuple[Piece, float]]] = defaultdict(deque)
        self.failed: list[str] = []

    async def play(self, happenings: list[Happening]) -> dict[str, list[str]]:
        loop = asyncio.get_running_loop()
        began = loop.time()
        by_connection: dict[str, asyncio.Queue[Happening | None]] = {}
        workers = []
        with _bar() as progress:
            for happening in progress.track(happenings):
                due = began + (happening.at - happenings[0].at).total_seconds() / self.pace if self.pace else 0.0
                if (wait := due - loop.time()) > 0:
                    await asyncio.sleep(wait)
                elif not self.pace:
                    await asyncio.sleep(0)
                name = happening.connection
                if name not in by_connection:
                    by_connection[name] = asyncio.Queue()
                    line = happening.line if happening.what == "open" else None
                    connect = self._datagrams if line == "udp" or name.startswith("udp") else self._stream
                    workers.append(asyncio.create_task(connect(name, by_connection[name])))
                if happening.what in ("panel", "close"):
                    by_connection[name].put_nowait(happening)
            for queue in by_connection.values():
                queue.put_nowait(None)
            await asyncio.gather(*workers)
        for reason, count in Counter(self.failed).items():
            TALK.print(f"farend: {reason} ({count} connections)", markup=False)
        if self.failed and not self.results:
            stop(f"{self.host}:{self.port} answered nothing: {self.failed[0]}", 1)
        return self.results

    async def _stream(self, name: str, queue: asyncio.Queue[Happening | None]) -> None:
        try:
            reader, writer = await asyncio.open_connection(self.host, self.port)
        except OSError as error:
            self.failed.append(f"no connection: {error.strerror or error}")
            return
        sent = Reader()
        hearing = asyncio.create_task(self._hear(name, reader))
        try:
            while (happening := await queue.get()) is not None and happening.what != "close":
                self._sent(name, sent.feed(happening.data))
                writer.write(happening.data)
                await writer.drain()
            self._sent(name, sent.close())
            await self._last_answers(name, hearing)
        except OSError as error:
            self.failed.append(f"the connection broke: {error.strerror or error}")
        finally:
            hearing.cancel()
            writer.close()

    async def _hear(self, name: str, reader: asyncio.StreamReader) -> None:
        answers = Reader()
        while data := await reader.read(65536):
            for piece in answers.feed(data):
                self._heard(name, piece)

    async def _datagrams(self, name: str, queue: asyncio.Queue[Happening | None]) -> None:
        player = self

        class Datagrams(asyncio.DatagramProtocol):
            def datagram_received(self, data: bytes, addr: Any) -> None:
                for piece in read_all(data):
                    player._heard(name, piece)

            def error_received(self, exc: OSError) -> None:
                player.failed.append(f"UDP: {exc.strerror or exc}")

        transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
            Datagrams, remote_addr=(self.host, self.port)
        )
        while (happening := await queue.get()) is not None and happening.what != "close":
            self._sent(name, read_all(happening.data))
            transport.sendto(happening.data)
            if not self.pace:
                await asyncio.sleep(0.001)  # a burst would only overflow the receiver's socket buffer
        await self._last_answers(name, None)
        transport.close()

    async def _last_answers(self, name: str, hearing: asyncio.Task[None] | None) -> None:
        deadline = asyncio.get_running_loop().time() + self.timeout
        while self.outstanding[name] and asyncio.get_running_loop().time() < deadline:
            if hearing and hearing.done():
                return
            await asyncio.sleep(0.01)

    def _sent(self, name: str, pieces: list[Piece]) -> None:
        now = asyncio.get_running_loop().time()
        self.outstanding[name].extend((piece, now) for piece in pieces if piece.kind == "frame" and _answerable(piece))

    def _heard(self, name: str, piece: Piece) -> None:
        answer = decode(piece)
        word = answer.token or "?"
        self.results[name].append(word)
        sent = None
        waiting = self.outstanding[name]
        for place, (candidate, _) in enumerate(waiting):
            if word == "NAK" or decode(candidate).sequence_sent == answer.sequence_sent:
                sent = waiting[place]
                del waiting[place]
                break
        if self.as_json:
            delay = None if sent is None else round((asyncio.get_running_loop().time() - sent[1]) * 1000, 3)
            line = {"connection": name, "word": word, "delay_ms": delay, "answer": answer.to_json()}
            line["sent"] = decode(sent[0]).to_json() if sent else None
            sys.stdout.buffer.write(orjson.dumps(line) + b"\n")


def _answerable(piece: Piece) -> bool:
    return not decode(piece).has("crc-mismatch", "length-mismatch", "bad-envelope")


def _report(results: dict[str, list[str]], recorded: dict[str, list[str]], as_json: bool) -> bool:
    """Compare what was answered with what was recorded, a connection at a time; whether anything differs."""
    sys.stdout.flush()
    answered, before = Counter[str](), Counter[str]()
    differ = []
    for name in dict.fromkeys((*recorded, *results)):
        answered.update(results.get(name, []))
        before.update(recorded.get(name, []))
        if name in recorded and recorded[name] != results.get(name, []):
            differ.append(
                f"{name}: recorded {' '.join(recorded[name])}, now {' '.join(results.get(name, [])) or 'nothing'}"
            )
    table = Table("answer", "now", "recorded", box=None, padding=(0, 2, 0, 0), header_style="italic")
    for word in sorted({*answered, *before}):
        table.add_row(word, str(answered[word]), str(before[word]))
    console = TALK if as_json else OUT
    console.print(table if answered or before else "no answer came, and none was recorded")
    if not recorded:
        console.print("the capture holds no answers to compare with")
    for difference in differ[:20]:
        console.print(f"✗ {difference}", markup=False)
    if len(differ) > 20:
        console.print(f"✗ and {len(differ) - 20} more connections differ")
    return bool(differ)
