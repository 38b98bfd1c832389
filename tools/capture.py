"""`farend capture`: look after recorded streams."""

import typer

from tools.lazily import lazily

COMMANDS: dict[str, str] = {"scrub": "tools.capture_scrub:scrub"}
ABOUT = """Recorded streams: bring them in, look at them, make them fit to keep, and hold the decoder to them.

Example: farend capture show monday.capture --book fixtures/station.toml
"""

app = typer.Typer(cls=lazily(COMMANDS), no_args_is_help=True, rich_markup_mode=None)
app.callback(help=ABOUT)(lambda: None)
