"""What the commands that run a trial share: verdicts told as they fall, reports written, the exit code."""

import os
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.progress import BarColumn, MofNCompleteColumn, Progress, Task, TextColumn, TimeElapsedColumn
from rich.prompt import Confirm
from rich.text import Text

from receiver.trial.case import WORDS, Case, Result
from receiver.trial.report import Report, junit, page, to_json
from tools.common import CAUTION, OUT, TALK, check_outputs, print_json, stop, write_outputs
from tools.trial_words import show_results

Only = Annotated[
    list[str] | None,
    typer.Option("--only", metavar="PATTERN", help="Only cases whose id or group fits (* and ?); may be repeated."),
]
Html = Annotated[Path | None, typer.Option("--report", metavar="FILE.html", help="Write the report as one page.")]
Junit = Annotated[Path | None, typer.Option("--junit", metavar="FILE.xml", help="Write the verdicts as JUnit XML.")]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON object a case on stdout, and one of the whole.")]
Listed = Annotated[bool, typer.Option("--list", help="Only list the cases, each with its clause.")]


class Outlet:
    """Where the verdicts of one trial go. Files are tried before the trial begins: nobody waits minutes to learn that a
    folder is missing. They are written before the last of stdout, and whether or not somebody still reads that.
    """

    def __init__(self, html: Path | None, junit: Path | None, as_json: bool) -> None:
        self.html, self.junit, self.as_json = html, junit, as_json
        check_outputs({"--report": html, "--junit": junit})
        self._unread = False

    def put(self, value: Any) -> None:
        """One object on stdout. Where nobody reads it any more, the trial goes on for its files, and ends without any."""
        if self._unread:
            return
        try:
            print_json(value)
        except BrokenPipeError:
            self._unread = True
            with suppress(OSError):  # what is still buffered would be an error once more, at the end
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            if not (self.html or self.junit):
                stop("nobody reads what --json prints any more, and no report was asked for: ended", 1)
            TALK.print("nobody reads what --json prints any more; going on for the report")

    @contextmanager
    def watching(self, total: int) -> Iterator["Bar"]:
        """A progress bar on a terminal, for as long as the trial runs; SIGTERM ends it as Ctrl-C does, with a report."""
        usual = signal.signal(signal.SIGTERM, signal.default_int_handler)
        try:
            with self._progress(total) as bar:
                yield bar
        finally:
            signal.signal(signal.SIGTERM, usual)

    @contextmanager
    def _progress(self, total: int) -> Iterator["Bar"]:
        columns = (TextColumn("{task.description}"), BarColumn(), _Amount(), TimeElapsedColumn())
        with Progress(*columns, console=TALK, transient=True, disable=not TALK.is_terminal) as progress:
            yield Bar(self, progress, total)

    def end(self, report: Report) -> int:
        """Write what is due. 0 where all that applies holds; 1 where something does not, was not tried, or none applies."""
        try:
            write_outputs([(self.html, partial(page, report)), (self.junit, partial(junit, report))])
        finally:  # where a file cannot be written, this is all that is left of the trial
            if self.as_json:
                self.put(to_json(report))
            else:
                show_results(OUT, report)
        verdicts = {one.verdict for one in report.results}
        return 0 if report.complete and verdicts | {"not-applicable"} == {"holds", "not-applicable"} else 1


class _Amount(MofNCompleteColumn):
    """How many cases of how many; of what somebody is asked to do, the seconds that are left for it."""

    def render(self, task: Task) -> Text:
        until = task.fields.get("until")
        return super().render(task) if until is None else Text(f"{max(until - time.monotonic(), 0):.0f} s left")


class Bar:
    """Tells each verdict as it falls, and a person what to do."""

    def __init__(self, outlet: Outlet, progress: Progress, total: int) -> None:
        self._outlet, self._progress = outlet, progress
        self._task = progress.add_task("", total=total)

    def began(self, case: Case[Any]) -> None:
        self._progress.update(self._task, description=case.id)

    def judged(self, result: Result) -> None:
        self._progress.advance(self._task)
        if self._outlet.as_json:
            self._outlet.put(result.to_json())
        elif result.verdict in ("fails", "unclear"):
            said = Text(f"{result.case.id} ({result.case.clause}) ", style="bold")
            said.append(f"{WORDS[result.verdict]}: {result.why}", style="not bold")
            TALK.print(said, soft_wrap=True)

    @contextmanager
    def asking(self, words: str, seconds: float) -> Iterator[None]:
        """Tell somebody what to do, with a bell and a countdown on a terminal, for as long as it is waited for."""
        if not TALK.is_terminal:
            TALK.print(f"NOW, within {seconds:g} s: {words}", markup=False, soft_wrap=True)
            yield
            return
        TALK.bell()
        task = self._progress.add_task(f"NOW: {words}", total=None, until=time.monotonic() + seconds)
        try:
            yield
        finally:
            self._progress.remove_task(task)

    def confirm(self, question: str) -> bool:
        """Ask yes or no on a terminal; elsewhere nobody can answer, and it is no."""
        if not (TALK.is_terminal and sys.stdin and sys.stdin.isatty()):
            return False
        self._progress.stop()
        try:
            return Confirm.ask(question, console=TALK, default=True)
        except EOFError:
            return False
        finally:
            self._progress.start()


def before(lines: Sequence[str]) -> None:
    """What is about to happen, and to whom."""
    TALK.print(CAUTION, markup=False, soft_wrap=True)
    for line in lines:
        TALK.print(line, markup=False, soft_wrap=True)


def list_cases(cases: Sequence[Case[Any]], as_json: bool) -> None:
    """The cases, and where each is demanded."""
    for case in cases:
        if as_json:
            print_json(
                {"case": case.id, "group": case.group, "clause": case.clause, "does": case.does, "must": case.must}
            )
        else:
            OUT.print(Text(case.id, style="bold"), Text(f"{case.clause}. {case.does} {case.must}"), soft_wrap=True)
