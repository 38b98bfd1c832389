"""`farend trial`: test somebody else's receiver, panel or line card, case by case."""

import typer

from tools.lazily import lazily

COMMANDS = {
    "receiver": "tools.trial_receiver:receiver",
    "panel": "tools.trial_panel:panel",
    "load": "tools.trial_load:load",
    "line": "tools.trial_line:line",
    "compare": "tools.trial_compare:compare",
}
ABOUT = """Test somebody else's receiver, panel or line card, case by case, each by its clause.

Example: farend trial receiver 127.0.0.1:12009 --account 4471 --report trial.html
"""

app = typer.Typer(cls=lazily(COMMANDS), no_args_is_help=True, rich_markup_mode=None)
app.callback(help=ABOUT)(lambda: None)
