"""`farend prove watch`: one screen for the phone call, and a line to type what the installer says."""

import shlex
import sys
import time
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.live import Live

from receiver.plan import PlanError
from receiver.sheet import Sheet
from receiver.watched import Watched
from tools import common
from tools.common import OUT, print_json, stop
from tools.prove import JOURNAL, Where, Which, app, find_start, open_journal
from tools.sheet import call_screen
from tools.typed import Typed, keys

LOOK_SECONDS = 0.25
# What can be typed below the screen: the commands of `farend prove` that belong to one proving, without its account.
TYPED = ("call", "tick", "skip", "again", "answer", "prolong")
HELP = "call … · call none · tick … --saw … · skip … --reason … · again … · answer ROW yes · prolong --for 1h · quit"


class Screen:
    """The proving that the words mean, looked at again and again."""

    def __init__(self, journal: Path, words: str) -> None:
        self._store = open_journal(journal)
        event = find_start(self._store, words)
        try:
            self._watched = Watched(event)
        except PlanError as error:
            stop(f"row {event['row']}: {error}")
        self.account = self._watched.account

    def sheet(self) -> Sheet:
        """As it stands now."""
        return self._watched.sheet(self._store)


def watch(
    account: Which,
    journal: Where = JOURNAL,
    once: Annotated[bool, typer.Option("--once", help="Show the screen once and end.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="The sheet as JSON, a line each time it changes.")] = False,
) -> None:
    """Watch a proving live: the last ten signals, what remains, the next sentence to say aloud, how long the test lasts.

    On a terminal what the installer says can be typed below it: call freezer door · answer 57 yes · quit.

    Example: farend prove watch 4471
    """
    watched = Screen(journal, account)
    if as_json:
        _as_json(watched, once)
    elif once or not (OUT.is_terminal and sys.stdin.isatty()):
        OUT.print(call_screen(watched.sheet(), OUT.width, 40))
    else:
        _live(watched, journal)


def _as_json(watched: Screen, once: bool) -> None:
    before: dict[str, Any] = {}
    while True:
        now = watched.sheet().to_json()
        if {**now, "judged": ""} != {**before, "judged": ""}:
            print_json(now)
            before = now
        if once:
            return
        time.sleep(LOOK_SECONDS)


def _live(watched: Screen, journal: Any) -> None:
    typed, said = Typed(), HELP
    with keys() as pressed, Live(console=OUT, screen=True, auto_refresh=False, redirect_stdout=False) as live:
        while True:
            screen = call_screen(watched.sheet(), OUT.width, OUT.height, typed.text, said)
            live.update(screen, refresh=True)
            try:
                for line in typed.take(pressed(LOOK_SECONDS)):
                    if line.strip() in ("quit", "q", "exit"):
                        return
                    said = _do(watched.account, line, journal) if line.strip() else HELP
            except EOFError:
                return


def _do(account: str, line: str, journal: Any) -> str:
    """Do what was typed as `farend prove` would, and give what that says."""
    try:
        words = shlex.split(line)
    except ValueError as error:
        return f"{line}: {error}"
    if words[0] not in TYPED:
        return f"{words[0]!r} is none of {', '.join(TYPED)} and quit"
    out = StringIO()
    before = common.OUT.file, common.TALK.file
    common.OUT.file = common.TALK.file = out
    try:
        with redirect_stdout(out), redirect_stderr(out):
            typer.main.get_command(app)([words[0], account, *words[1:], "--journal", str(journal)])
    except SystemExit:
        pass
    finally:
        common.OUT.file, common.TALK.file = before
    told = out.getvalue().strip()
    return told[told.find("Error:") :] if "Error:" in told else told  # what is wrong, without the usage before it
