"""The `farend` command: everything it can do, each in a file of its own."""

import typer

from tools import (
    book,
    console,
    decode,
    demo,
    journal,
    listen,
    panel,
    prove,
    rehearse,
    replay,
    request,
    send,
    trial,
    watch,
)
from tools.common import CAUTION

app = typer.Typer(
    name="farend",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help=f"The far end of an alarm line, on a bench. {CAUTION}",
)
app.command()(demo.demo)
app.command()(listen.listen)
app.command()(send.send)
app.command()(panel.panel)
app.command()(decode.decode)
app.command()(replay.replay)
app.add_typer(journal.app, name="journal")
book.app.command()(request.request)
book.app.command("requests")(request.list_requests)
book.app.command()(request.key)
book.app.command()(request.callers)
book.app.command()(request.identify)
book.app.command()(request.assign)
app.add_typer(book.app, name="book")
app.add_typer(book.clock, name="clock")
prove.app.command()(watch.watch)
prove.app.command()(rehearse.rehearse)
app.add_typer(prove.app, name="prove")
app.add_typer(trial.app, name="trial")
app.add_typer(console.app, name="console")
app.add_typer(trial.app, name="trial")


def main() -> None:
    """Run the command line."""
    app()


if __name__ == "__main__":
    main()
