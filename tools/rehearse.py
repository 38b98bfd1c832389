"""`farend prove rehearse`: play the panel and the installer of an account, to learn proving before a house waits."""

import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress

from protocols.envelope import Reader
from protocols.exchange import Panel
from receiver import conduct
from receiver.book import Account, AccountPath
from receiver.household import payloads, token_of
from receiver.plan import Item, accepted
from receiver.sheet import Line, Sheet
from receiver.wire import Wire
from tools.common import OUT, TALK, book_from, conducted, stop, target
from tools.counter import next_sequence
from tools.prove import JOURNAL, BookFile, Where, Which, account_of, find_proving, open_journal, rows_of

ANSWER_SECONDS = 5.0


def rehearse(
    account: Which,
    receiver_at: Annotated[str, typer.Argument(metavar="HOST:PORT", help="The bench.")],
    book: BookFile,
    only: Annotated[
        list[str] | None, typer.Option("--only", metavar="WHAT", help="Only this row or device; may be repeated.")
    ] = None,
    polls: Annotated[bool, typer.Option("--polls", help="Only keep the polls going, until stopped.")] = False,
    two_letter: Annotated[bool, typer.Option("--sia", help="Speak two-letter codes instead of Contact ID.")] = False,
    call: Annotated[bool, typer.Option(help="Call each device before it is tripped.")] = True,
    target_is_mine: Annotated[
        str | None, typer.Option(metavar="HOST", help="Say the target's host again: needed off this machine.")
    ] = None,
    journal: Where = JOURNAL,
) -> None:
    """Play the account's panel against a bench: every required row that is still open, called and then tripped, rightly.

    It proves nothing about any house: what comes from this machine makes a record that says it was a rehearsal. What only
    somebody on site knows is left for you to tick. Make mistakes on purpose with `farend send`, and see them named.

    Example: farend prove rehearse 2210 127.0.0.1:12009 --book fixtures/station.toml
    """
    sheet = find_proving(open_journal(journal), account)
    mine = account_of(book_from(book), sheet.plan.account.number)
    host, port = target(receiver_at, target_is_mine)
    with closing(_House(mine, host, port)) as house:
        if polls:
            house.poll_on()
        _play(house, sheet, only, two_letter, call, journal)


def _play(house: "_House", sheet: Sheet, only: list[str] | None, two_letter: bool, call: bool, journal: Path) -> None:
    mine = house.account
    wanted = {item.id for words in only or () for item in rows_of(sheet.plan, words, "--only")}
    lines = [
        line
        for line in sheet.lines
        if line.item.proof in ("signal", "picture")
        and (line.item.id in wanted if only else line.state in ("open", "half"))
    ]
    for line in lines:
        item = line.item
        if call:
            about = item.id if item.subject == "panel" or item.unplugs else item.subject
            with conducted():
                conduct.say(journal, sheet, "call", about=about, sweep=False, by="rehearsal")
        for message in _messages(item, mine, two_letter):
            word = house.send(message, item)
            OUT.print(f"{item.label}: {message}  {word}", markup=False)
    if call and lines:
        with conducted():
            conduct.call(journal, sheet, "none", by="rehearsal")
    promised = [line for line in sheet.lines if line.item.proof == "polls" and line.state == "open"]
    if promised and not only:
        house.poll_for(promised)


def _messages(item: Item, account: Account, two_letter: bool) -> list[str]:
    """What the panel says of a row: the event, and its restoral where one is due. Picks the first acceptable code."""
    new, _ = accepted(item.codes)
    sets = {"sia"} if two_letter else {"contact-id"}
    if not any(code.code_set in sets for code in new):
        TALK.print(f"{item.label}: no acceptable code of the wanted kind; another is sent", markup=False)
    first = account.area[0].number if account.area else ""
    said, over = payloads(item.codes, item.area or first, item.number or "", two_letter=two_letter)
    return [said] if over is None or item.restoral == "none" else [said, over]


class _House:
    """The account's panel: one sequence, and a socket to the bench for each path."""

    def __init__(self, account: Account, host: str, port: int) -> None:
        self.account, self.host, self.port = account, host, port
        self.paths = account.path or (AccountPath(name=""),)
        self._panel = Panel(account.number, receiver=account.receiver, key=account.key)
        self._wires: dict[str, Wire] = {}

    def close(self) -> None:
        for wire in self._wires.values():
            wire.close()

    def send(self, message: str, item: Item) -> str:
        """Say something, over the row's path or the first; the answer's word."""
        path = next((path for path in self.paths if path.name == item.path and not item.unplugs), None)
        if item.unplugs:  # that path is unplugged, so another speaks for it
            path = next((path for path in self.paths if path.name != item.path), None)
        panel = self._panel
        panel.sequence = next_sequence(f"{self.host}:{self.port}", self.account.number)
        extended = [("V", "https://pictures.example/rehearsal")] if item.proof == "picture" else []
        return self._exchange(
            lambda: panel.say(token_of(message), message, datetime.now(UTC), extended), path or self.paths[0]
        )

    def poll(self, path: AccountPath) -> str:
        return self._exchange(lambda: self._panel.poll(datetime.now(UTC)), path)

    def _exchange(self, begin: Callable[[], bytes], path: AccountPath) -> str:
        self._panel.prefix = path.prefix or self.account.prefix or "0"
        kind = path.line if path.line in ("udp", "tls") else "tcp"
        data = begin()
        heard = None
        try:
            wire = self._wires.get(path.name)
            if wire is None:
                wire = self._wires[path.name] = Wire(self.host, self.port, kind, ANSWER_SECONDS, None)
            wire.send(data)
            reader = Reader()
            deadline = time.monotonic() + ANSWER_SECONDS
            while heard is None and time.monotonic() < deadline:
                came = wire.receive(deadline - time.monotonic())
                for piece in reader.feed(came) + (reader.close() if kind == "udp" else []):
                    heard = self._panel.heard(piece.data, datetime.now(UTC))[-1]
        except (OSError, EOFError) as error:
            self._wires.pop(path.name, None)
            TALK.print(f"{path.name or 'the path'}: {getattr(error, 'strerror', None) or error}", markup=False)
        while self._panel.again(datetime.now(UTC)):  # this message is over, answered or not
            pass
        return heard.word if heard else "no answer"

    def poll_on(self) -> None:
        """Keep the polls of every path going until somebody stops it."""
        every = {promise.path: promise.interval for promise in self.account.promises() if promise.kind == "poll"}
        if not every:
            stop(f"account {self.account.number} promises no polls (poll_seconds)")
        OUT.print(f"polls every {min(every.values())} s, until Ctrl-C", markup=False)
        try:
            self._poll_until(every, float("inf"), None)
        except KeyboardInterrupt:
            raise typer.Exit(0) from None

    def poll_for(self, lines: list[Line]) -> None:
        """Poll until each of these rows can be proved: four polls each."""
        every = {line.item.path or "": line.item.interval or 60 for line in lines}
        with Progress(console=TALK, transient=True, disable=not TALK.is_terminal) as progress:
            self._poll_until(every, 4.5 * max(every.values()), progress)

    def _poll_until(self, every: dict[str, int], seconds: float, progress: Progress | None) -> None:
        paths = {path.name: path for path in self.paths}
        began = time.monotonic()
        due = dict.fromkeys(every, began)
        task = progress.add_task("polling", total=seconds) if progress else None
        while (now := time.monotonic()) - began < seconds:
            for name, when in due.items():
                if now >= when:
                    self.poll(paths[name])
                    due[name] = when + every[name]
            if progress and task is not None:
                progress.update(task, completed=now - began)
            time.sleep(0.1)
