"""`farend trial`: test somebody else's receiver or panel, case by case."""

import typer

from tools import trial_compare

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Test somebody else's receiver or panel, case by case.\n\nExample: farend trial compare before.html after.html",
)


@app.callback()
def trial() -> None:
    """So that `compare` stays a word of its own while it is the only command."""


app.command("compare")(trial_compare.compare)
