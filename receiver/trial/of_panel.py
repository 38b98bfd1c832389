"""The trial of a panel: its cases, in the order in which they are played, and the playing.

Most cases are "answered so and so: what does it do then?". What no clause says is common practice, and the figures of
waits and tries are from memory. What can be told from what the panel has said anyway comes last, so that the person at
the panel is asked no more than needed.
"""

import tomllib
from collections.abc import Callable, Iterator, Sequence
from importlib.resources import files

from receiver.trial import panel_answers, panel_overheard, panel_trouble
from receiver.trial.case import Case, Result, Trace, judge
from receiver.trial.panel_stage import Stage

_PLAYS = panel_answers.PLAYS | panel_trouble.PLAYS | panel_overheard.PLAYS
CASES: tuple[Case[Stage], ...] = tuple(
    Case(play=_PLAYS[table["id"]], **table)
    for table in tomllib.loads((files("receiver.trial") / "panel.toml").read_text("utf-8"))["case"]
)


def run(
    wanted: Sequence[Case[Stage]],
    stage: Stage,
    began: Callable[[Case[Stage]], None] = lambda _: None,
    go_on: Callable[[], bool] = lambda: True,
) -> Iterator[Result]:
    """Play the cases, one after the other, on one stage; however it ends, the panel's clock is not left wrong.

    `go_on` is asked once, when nobody has done twice in a row what was asked: after False nobody is asked any more.
    """
    enough = 2
    try:
        for case in wanted:
            began(case)
            stage.trace = Trace(stage.tick)
            result = judge(case, stage, stage.trace)
            stage.settle()
            if stage.repeated and result.verdict == "holds":
                result.verdict, result.why = "fails", stage.repeated[0]
            stage.repeated.clear()
            yield result
            if stage.nobody >= enough and not stage.alone:
                enough = len(wanted) + 1
                stage.alone = not go_on()
        stage.calm()
    finally:
        if stage.clock_unsure:
            stage.set_right()
