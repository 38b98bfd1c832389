"""The `farend` command: everything it can do, each in a file of its own."""

from typing import Annotated

import typer

from tools.common import CAUTION, take_master
from tools.lazily import lazily

COMMANDS = {
    "demo": "tools.demo:demo",
    "listen": "tools.listen:listen",
    "send": "tools.send:send",
    "panel": "tools.panel:panel",
    "decode": "tools.decode:decode",
    "replay": "tools.replay:replay",
    "tap": "tools.tap:tap",
    "tones": "tools.tones:app",
    "capture": "tools.capture:app",
    "journal": "tools.journal:app",
    "book": "tools.book:app",
    "clock": "tools.book:clock",
    "prove": "tools.prove:app",
    "trial": "tools.trial:app",
    "console": "tools.console:app",
    "settings": "tools.settings:app",
    "hand-on": "tools.hand_on:app",
}
ABOUT = f"The far end of an alarm line, on a bench. {CAUTION}"

app = typer.Typer(
    cls=lazily(COMMANDS), no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None,
)  # fmt: skip


@app.callback(help=ABOUT)
def common(
    master: Annotated[
        str | None,
        typer.Option(
            metavar="WHERE", help="Master key of a book's sealed keys: file:PATH, env:NAME or credential:NAME."
        ),
    ] = None,
) -> None:
    """What holds for every command."""
    take_master(master)


def main() -> None:
    """Run the command line."""
    app(prog_name="farend")


if __name__ == "__main__":
    main()
