"""`farend trial panel`: play receivers that misbehave by script, and watch what a panel does about it."""

import shlex
import shutil
import signal
import subprocess
import threading
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Annotated

import typer

from protocols.dc09 import ACCOUNT
from protocols.values import legible
from receiver.record import software
from receiver.trial.case import Case, chosen
from receiver.trial.ears import MOST_OPEN, RECEIVERS, Place, Ports
from receiver.trial.imagined import rehearse
from receiver.trial.of_panel import CASES, run
from receiver.trial.panel_stage import ACT, MOST_TOLD, Setup, Stage
from receiver.trial.report import Report
from receiver.trial.stage import Known
from tools.common import TALK, host_and_port, key_from, stop, within
from tools.trial_talk import AsJson, Bar, Html, Junit, Listed, Only, Outlet, before, list_cases

MOST_SECONDS = 86400.0  # a panel may poll as seldom as once a day
LONG_SECONDS = 5.0  # who waits longer than this is told what for


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
        float | None,
        typer.Option(min=0.1, max=604800, metavar="S", help="How often it polls; without it no polls are tried."),
    ] = None,
    wait: Annotated[
        float | None,
        typer.Option(min=0.05, max=600, metavar="S", help="How long it is set to wait for an answer; without it, 20."),
    ] = None,
    tries: Annotated[int, typer.Option(min=1, max=100, help="How often it sends to one receiver.")] = 3,
    act: Annotated[
        str, typer.Option(metavar="WORDS", help="What the person at the panel is asked to do for a message.")
    ] = ACT,
    patience: Annotated[
        float, typer.Option(min=1, max=3600, metavar="S", help="How long a person may take for that.")
    ] = 60.0,
    do: Annotated[
        str | None,
        typer.Option(metavar="COMMAND", help="Run this program instead of asking (no shell line): a relay, say."),
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
    if account is None or not ACCOUNT.fullmatch(account):
        stop(f"--account {account or 'N'}: say the panel's account, 3 to 16 hex digits")
    if tcp is None and udp is None:
        stop("--tcp PORT or --udp PORT: say where the panel's first receiver is to be")
    usual = 20.0 if wait is None else wait
    within(usual, "--wait", 0.05, MOST_SECONDS)
    within(patience, "--patience", 1, MOST_SECONDS)
    if poll_seconds is not None:
        within(poll_seconds, "--poll-seconds", 0.1, MOST_SECONDS)
    setup = Setup(
        account, key_from(key), poll_seconds, usual, tries, patience, act, still=min(1.5, usual),
        wait_told=wait is not None,
    )  # fmt: skip
    outlet = Outlet(report, junit, as_json)
    command = _command(do)
    places = [_place(0, tcp, "--tcp"), _place(0, udp, "--udp", udp=True), _place(1, second, "--second")]
    said = TemporaryFile()  # noqa: SIM115  # the command's stderr: a pipe that nobody reads would stop it
    person = Person(command, patience, said)
    try:
        ears = Ports([place for place in places if place], person.asking)
    except OSError as error:
        said.close()
        stop(f"no receiver can be here: {error.strerror or error}")
    with ExitStack() as stack:
        stack.callback(ears.shut)
        stack.enter_context(said)
        where = [f"{RECEIVERS[place.ear]} on {place}" for place in ears.places]
        before([*_announced(cases, setup, ears.count, bool(command)), *where])
        found = Report(
            subject="panel", target=", ".join(where), accounts=[str(Known(account, setup.key))],
            began=datetime.now(UTC), ended=datetime.now(UTC), version=software(),
            only=only or (), chosen=len(cases), of=len(CASES), settings=_settings(setup),
        )  # fmt: skip
        with outlet.watching(len(cases)) as bar:
            person.bar = bar
            stage = Stage(ears, setup, person.tell)
            with _like_ctrl_c(person):
                if not as_json:
                    stage.waiting = person.waits
                _play(cases, stage, found, bar, person, aloud=not as_json and not TALK.is_terminal)
            person.done()
    found.ended = datetime.now(UTC)
    raise typer.Exit(outlet.end(found))


@contextmanager
def _like_ctrl_c(person: "Person") -> Iterator[None]:
    """For as long as this lasts, SIGTERM and SIGHUP do what Ctrl-C does: the clock is set right, the report written."""

    def stopped(number: int, frame: object) -> None:
        if number == signal.SIGHUP:
            person.bar = None  # its terminal is gone: nobody can be told
        raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():  # only it may say what signals do
        yield
        return
    kept = {number: signal.signal(number, stopped) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)


def _play(cases: list[Case[Stage]], stage: Stage, found: Report, bar: Bar, person: "Person", *, aloud: bool) -> None:
    """Run, and say in the report what kept cases from being tried. Whatever goes wrong, there is a report.

    `aloud`: say each case as it begins; a terminal shows it anyway.
    """

    def go_on() -> bool:
        return bar.confirm("No message came when it was asked for, twice in a row. Go on asking?")

    def began(case: Case[Stage]) -> None:
        bar.began(case)
        if aloud:
            person.tell(f"{datetime.now(UTC):%H:%M:%S} UTC  {case.id}: {case.does}")

    try:
        with closing(run(cases, stage, began, go_on)) as results:
            for result in results:
                person.look()
                if person.failed:
                    result.verdict, result.why = "unclear", person.failed
                    person.failed = ""
                found.results.append(result)
                bar.judged(result)
    except KeyboardInterrupt:
        found.ended_why = "it was stopped by hand"
    except Exception as error:  # an hour's verdicts are worth more than the reason why there are not more
        found.ended_why = f"it could not go on: {type(error).__name__}: {error}"
    if found.ended_why:
        found.complete = False
        found.ended_why += f"; {len(cases) - len(found.results)} of {len(cases)} cases were not tried"
    polls = sum(one.poll for one in stage.heard)
    found.measured.append(
        f"{len(stage.heard) - polls} messages (with repeats) and {polls} polls came; "
        f"somebody was asked {len(stage.asks)} times"
    )
    if stage.measured_wait:
        found.measured.append(f"it waits up to {stage.measured_wait:.1f} s for an answer")
    if isinstance(stage.ears, Ports) and stage.ears.turned_away:
        found.measured.append(f"{stage.ears.turned_away} connections were turned away: {MOST_OPEN} were open already")
    if stage.left:
        found.measured.append(f"left without an answer: {stage.no_answer_to}")
    found.measured += stage.unasked[:MOST_TOLD]
    if (more := len(stage.unasked) - MOST_TOLD) > 0:
        found.measured.append(f"and {more} more events that were not asked for")
    if stage.clock_unsure:
        found.measured.append(
            "THE PANEL'S CLOCK MAY BE TWO MINUTES WRONG: no true stamp was seen since a NAK moved it. Set it by hand, "
            "or let it report to a receiver that answers with the time"
        )


class Person:
    """Whoever makes something happen at the panel: a person who is told, or a command that is run."""

    def __init__(self, command: list[str], patience: float, said: IO[bytes]) -> None:
        self._command, self._patience, self._said = command, patience, said
        self._running: subprocess.Popen[bytes] | None = None
        self.bar: Bar | None = None
        self._waits = ""  # what was said last of what is waited for
        self.failed = ""  # why the command did not do what it should, since this was last judged

    @contextmanager
    def asking(self, words: str, seconds: float) -> Iterator[None]:
        if self._command:
            self.done()
            try:
                self._said.seek(0)
                self._said.truncate()
                self._running = subprocess.Popen(
                    self._command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=self._said
                )
            except OSError as error:
                self._fails(str(error.strerror))
            yield
            self.look()
        elif self.bar:
            with self.bar.asking(words, seconds):
                yield
        else:
            yield

    def look(self) -> None:
        """Take note of how the command ended, if it has."""
        if self._running and self._running.poll() is not None:
            self.done()

    def done(self) -> None:
        """Wait for the command to end, no longer than a person may take; then it is ended."""
        running, self._running = self._running, None
        if running is None:
            return
        try:
            running.wait(self._patience)
        except subprocess.TimeoutExpired:
            running.terminate()
            try:
                running.wait(2)
            except subprocess.TimeoutExpired:
                running.kill()
                running.wait()
            self._fails(f"it had not ended after {self._patience:g} s, and was ended")
            return
        if running.returncode:
            self._said.seek(0)
            words = legible(" ".join(self._said.read(400).decode("utf-8", "replace").split()))
            self._fails(f"exit code {running.returncode}{f': {words}' if words else ''}")

    def _fails(self, why: str) -> None:
        self.failed = f"the command failed ({why})"
        self.tell(f"--do {shlex.join(self._command)}: {self.failed}")

    def waits(self, words: str, seconds: float) -> None:
        """Say what is waited for, where somebody might think that nothing goes on."""
        if seconds >= LONG_SECONDS:
            until = datetime.now(UTC) + timedelta(seconds=seconds)
            said = f"  waits until {until:%H:%M:%S} UTC at most: {words}"
            if said != self._waits:
                self._waits = said
                self.tell(said)

    def tell(self, words: str) -> None:
        """Say something at once, where there is still a terminal to say it on."""
        if self.bar:
            with suppress(OSError):
                TALK.print(words, markup=False, soft_wrap=True)


def _command(do: str | None) -> list[str]:
    try:
        words = shlex.split(do or "")
    except ValueError as error:
        stop(f"--do {do!r}: {error}")
    found = shutil.which(words[0]) if words else None
    if do is not None and (found is None or not _runs(Path(found))):
        stop(
            f"--do {do!r}: there is no such command here that can be run (it is one program with its words, no shell line)"
        )
    return words


def _runs(program: Path) -> bool:
    """Whether the system can run it: not where it is plain text that does not say (#!) by what."""
    head = program.read_bytes()[:64] if program.stat().st_size < 1_000_000 else b"\0"
    return head.startswith(b"#!") or (bool(head) and not head.isascii()) or b"\0" in head


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
        "Some cases set the panel's clock, and in the end it is this machine's: let this one be right first (NTP).",
        "Its receivers for that time are these; nothing that it reports comes to anybody else:",
    ]
