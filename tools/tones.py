"""`farend tones`: the telephone line as sound."""

import typer

from tools.lazily import lazily

COMMANDS = {
    "make": "tools.tones_make:make",
    "read": "tools.tones_read:read",
    "call": "tools.tones_call:call",
}
ABOUT = """The telephone line as sound: make a call, read one, and be the panel in one.

Example: farend tones make call.wav --account 4471 --contact-id "1131 01 015" --snr 15
"""

app = typer.Typer(cls=lazily(COMMANDS), no_args_is_help=True, rich_markup_mode=None)
app.callback(help=ABOUT)(lambda: None)
