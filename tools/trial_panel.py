"""`farend trial panel`: play receivers that misbehave by script, and watch what a panel does about it."""

import re
import shlex
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from typing import Annotated

import typer

from protocols.values import legible
from receiver.record import software
from receiver.trial.case import Case, chosen
from receiver.trial.ears import RECEIVERS, Place, Ports
from receiver.trial.imagined import rehearse
from receiver.trial.of_panel import CASES, run
from receiver.trial.panel_stage import Setup, Stage
from receiver.trial.report import Report
from receiver.trial.stage import Known
from tools.common import host_and_port, key_from, stop, within
from tools.trial_talk import AsJson, Bar, Html, Junit, Listed, Only, Outlet, before, list_cases

MOST_SECONDS = 86400.0  # a panel may poll as seldom as once a day


def panel(
    account: Annotated[str | None, typer.Option(metavar="N", help="The panel's account.")] = None,
    tcp: Annotated[
        str | None, typer.Option(metavar="[HOST:]PORT", help="Be its first receiver here; 127.0.0.1 without HOST.")
    ] = None,
    udp: Annotated[str | None, typer.Option(metavar="[HOST:]PORT", help="And here over UDP.")] = None,
    second: Annotated[
        str | None, typer.Option(metavar="[HOST:]PORT", help="Be its second receiver here, over TCP.")
    ] = None,
    key: Annotated[str | None, typer.Option(metavar="HEX|@FILE|env:NAME", help="Its AES key; else in clear.")] = None,
    poll_seconds: Annotated[
        float | None, typer.Option(min=0.1, metavar="S", help="How often it polls; without it no polls are tried.")
    ] = None,
    wait: Annotated[float, typer.Option(min=0.05, metavar="S", help="How long it waits for an answer.")] = 20.0,
    tries: Annotated[int, typer.Option(min=1, help="How often it sends to one receiver.")] = 3,
    act: Annotated[
        str, typer.Option(metavar="WORDS", help="What the person at the panel is asked to do for a message.")
    ] = "Open a zone and close it again",
    patience: Annotated[float, typer.Option(min=1, metavar="S", help="How long a person may take for that.")] = 60.0,
    do: Annotated[
        str | None, typer.Option(metavar="COMMAND", help="Run this instead of asking: a relay at the zone, say.")
    ] = None,
    only: Only = None,
    report: Html = None,
    junit: Junit = None,
    as_json: AsJson = False,
    listed: Listed = False,
) -> None:
    """Try a panel: be its receivers, answer late, wrongly or not at all, and judge what it does.

    Take the panel off its live receivers first and set the ports given here in their place: what it reports comes to
    nobody else. It says what to do at the panel and when. However it ends, the panel's clock is set right again.

    Exit code: 0 all that applies holds · 1 something fails or was not answered clearly · 2 could not run.

    Example: farend trial panel --tcp 12009 --second 12010 --account 4471 --poll-seconds 60 --report panel.html
    """
    cases = list(chosen(CASES, only or ()))
    if not cases:
        stop(f"--only {' '.join(only or ())}: no case fits; farend trial panel --list names them all")
    if listed:
        list_cases(cases, as_json)
        return
    if account is None or not re.fullmatch("[0-9A-Fa-f]{3,16}", account):
        stop(f"--account {account or 'N'}: say the panel's account, 3 to 16 hex digits")
    if tcp is None and udp is None:
        stop("--tcp PORT or --udp PORT: say where the panel's first receiver is to be")
    within(wait, "--wait", 0.05, MOST_SECONDS)
    within(patience, "--patience", 1, MOST_SECONDS)
    if poll_seconds is not None:
        within(poll_seconds, "--poll-seconds", 0.1, MOST_SECONDS)
    setup = Setup(account, key_from(key), poll_seconds, wait, tries, patience, act, still=min(1.5, wait))
    outlet = Outlet(report, junit, as_json)
    command = _command(do)
    places = [_place(0, tcp, "--tcp"), _place(0, udp, "--udp", udp=True), _place(1, second, "--second")]
    person = Person(command)
    try:
        ears = Ports([place for place in places if place], person.asking)
    except OSError as error:
        stop(f"no receiver can be here: {error.strerror or error}")
    with ExitStack() as stack:
        stack.callback(ears.shut)
        where = [f"{RECEIVERS[place.ear]} on {place}" for place in ears.places]
        before([*_announced(cases, setup, ears.count, bool(command)), *where])
        found = Report(
            subject="panel", target=", ".join(where), accounts=[str(Known(account, setup.key))],
            began=datetime.now(UTC), ended=datetime.now(UTC), version=software(),
            only=only or (), chosen=len(cases), of=len(CASES), settings=_settings(setup),
        )  # fmt: skip
        with outlet.watching(len(cases)) as bar:
            person.bar = bar
            _play(cases, Stage(ears, setup), found, bar)
            person.done()
    found.ended = datetime.now(UTC)
    raise typer.Exit(outlet.end(found))


def _play(cases: list[Case[Stage]], stage: Stage, found: Report, bar: Bar) -> None:
    """Run, and say in the report what kept cases from being tried."""

    def go_on() -> bool:
        return bar.confirm("Nobody did what was asked, twice in a row. Go on asking?")

    try:
        with closing(run(cases, stage, bar.began, go_on)) as results:
            for result in results:
                found.results.append(result)
                bar.judged(result)
    except KeyboardInterrupt:
        untried = len(cases) - len(found.results)
        found.complete = False
        found.ended_why = f"it was stopped by hand; {untried} of {len(cases)} cases were not tried"
    polls = sum(one.poll for one in stage.heard)
    found.measured.append(
        f"{len(stage.heard) - polls} messages (with repeats) and {polls} polls came; "
        f"somebody was asked {len(stage.asks)} times"
    )
    if stage.clock_moved:
        found.measured.append(
            "THE PANEL'S CLOCK MAY BE TWO MINUTES WRONG: no true stamp was seen since a NAK moved it. Set it by hand, "
            "or let it report to a receiver that answers with the time"
        )


class Person:
    """Whoever makes something happen at the panel: a person who is told, or a command that is run."""

    def __init__(self, command: list[str]) -> None:
        self._command = command
        self._running: subprocess.Popen[bytes] | None = None
        self.bar: Bar | None = None

    @contextmanager
    def asking(self, words: str, seconds: float) -> Iterator[None]:
        if self._command:
            self.done()
            self._running = subprocess.Popen(self._command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
            yield
        elif self.bar:
            with self.bar.asking(words, seconds):
                yield

    def done(self) -> None:
        """Wait for the command to end."""
        if self._running:
            self._running.wait()


def _command(do: str | None) -> list[str]:
    try:
        words = shlex.split(do or "")
    except ValueError as error:
        stop(f"--do {do!r}: {error}")
    if do is not None and (not words or shutil.which(words[0]) is None):
        stop(f"--do {do!r}: there is no such command here")
    return words


def _place(ear: int, text: str | None, option: str, *, udp: bool = False) -> Place | None:
    if text is None:
        return None
    host, port = host_and_port(text if ":" in text else f"127.0.0.1:{text}", option)
    return Place(ear, host, port, udp)


def _settings(setup: Setup) -> list[str]:
    polls = "no polls are expected" if setup.poll_seconds is None else f"it polls every {setup.poll_seconds:g} s"
    return [f"it waits {setup.wait:g} s for an answer, and sends {setup.tries} times", polls]


def _announced(cases: list[Case[Stage]], setup: Setup, receivers: int, by_command: bool) -> list[str]:
    effort = rehearse(cases, replace(setup), receivers)
    minutes = round(effort.seconds / 60)
    who = "the command is run" if by_command else "you are asked"
    return [
        f"About to answer the panel of account {setup.account} late, wrongly and not at all, in {len(cases)} cases. "
        f"Where it does all rightly that takes {f'about {minutes} min' if minutes else 'under a minute'}, and {who} "
        f"{effort.asked} times: {legible(setup.act)}.",
        "Its receivers for that time are these; nothing that it reports comes to anybody else:",
    ]
