"""`farend trial`: play the other side against somebody else's equipment, and say what holds."""

import typer

from tools import trial_load

app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Test somebody else's receiver, panel or line card."
)
app.command("load")(trial_load.load)


@app.callback()
def trial() -> None:
    """Test somebody else's receiver, panel or line card."""
