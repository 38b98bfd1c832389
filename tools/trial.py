"""`farend trial`: play the other side against somebody else's equipment, and say what holds."""

import typer

from tools import trial_load

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None)
app.command()(trial_load.load)


@app.callback()
def trial() -> None:
    """Test somebody else's receiver, panel or line card.

    Example: farend trial load 127.0.0.1:12009 --accounts 500 --rate 1000 --for 30
    """
