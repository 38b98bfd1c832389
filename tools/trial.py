"""`farend trial`: test somebody else's receiver or panel, case by case."""

import typer

from tools import trial_compare, trial_load, trial_panel, trial_receiver

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Test somebody else's receiver or panel, case by case, each by its clause.\n\n"
    "Example: farend trial receiver 127.0.0.1:12009 --account 4471 --report trial.html",
)
app.command("receiver")(trial_receiver.receiver)
app.command("panel")(trial_panel.panel)
app.command("load")(trial_load.load)
app.command("compare")(trial_compare.compare)
