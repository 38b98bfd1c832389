"""`farend capture`: look after recorded streams."""

import typer

from tools.lazily import lazily

COMMANDS = {
    "import": "tools.capture_import:import_",
    "show": "tools.capture_show:show",
    "scrub": "tools.capture_scrub:scrub",
    "expect": "tools.capture_expect:expect",
    "verify": "tools.capture_verify:verify",
}
ABOUT = """Recorded streams: bring them in, look at them, make them fit to keep, and hold the decoder to them.

Example: farend capture show monday.capture --book fixtures/station.toml
"""

app = typer.Typer(cls=lazily(COMMANDS), no_args_is_help=True, rich_markup_mode=None)
app.callback(help=ABOUT)(lambda: None)
