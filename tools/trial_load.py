"""`farend trial load`: a population of panels on a schedule, and what became of every message."""

import random
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Annotated, Any, Literal

import typer
from rich.box import SIMPLE
from rich.progress import BarColumn, Progress, TextColumn
from rich.table import Table

from protocols.seal import Key
from receiver.book import to_toml
from receiver.trial import load_driver, load_report
from receiver.trial.load import (
    KEEP,
    SECOND,
    Order,
    Run,
    Schedule,
    Sender,
    account_numbers,
    population,
    schedule,
)
from receiver.trial.load_driver import Driver, Unreachable, Where
from receiver.trial.load_report import Report
from tools.common import (
    CAUTION,
    OUT,
    TALK,
    check_outputs,
    key_from,
    key_place,
    print_json,
    stop,
    target,
    write_outputs,
)

MOST_ACCOUNTS = 100_000
MOST_LATE = 600
HABITS = {"keep": KEEP, "each": 1}
WORDS = {"bad": "bad frames"}
BOOKED = "A panel of a load, invented"


def load(
    receiver_at: Annotated[str | None, typer.Argument(metavar="HOST:PORT", help="The receiver.")] = None,
    accounts: Annotated[
        int, typer.Option(min=1, max=MOST_ACCOUNTS, metavar="N", help="How many panels, each with its own account.")
    ] = 100,
    rate: Annotated[float, typer.Option(metavar="R", help="Messages a second, of all panels together.")] = 100.0,
    seconds: Annotated[float, typer.Option("--for", metavar="S", help="For how many seconds.")] = 10.0,
    polls: Annotated[float, typer.Option(min=0, max=1, metavar="SHARE", help="This share are polls; 0 to 1.")] = 0.0,
    repeats: Annotated[
        float, typer.Option(min=0, max=1, metavar="SHARE", help="This share is a panel's last message once more.")
    ] = 0.0,
    bad: Annotated[
        float, typer.Option(min=0, max=1, metavar="SHARE", help="This share has a wrong CRC: no answer is right.")
    ] = 0.0,
    key: Annotated[
        list[str] | None,
        typer.Option(metavar="HEX|@FILE|env:NAME", help="Encrypt with this AES key; several are dealt in turn."),
    ] = None,
    connections: Annotated[
        str,
        typer.Option(
            metavar="keep|each|N", help="A panel keeps its connection, opens one for each message or after every N."
        ),
    ] = "keep",
    first: Annotated[str, typer.Option(metavar="ACCOUNT", help="The first account; the others follow it.")] = "100000",
    arrivals: Annotated[
        Literal["poisson", "even"],
        typer.Option(metavar="poisson|even", help="At random moments, as panels do, or at even distances."),
    ] = "poisson",
    udp: Annotated[bool, typer.Option("--udp", help="Over UDP.")] = False,
    late: Annotated[
        float, typer.Option(metavar="S", help="A later answer is late: the panel would have sent again.")
    ] = 20.0,
    seed: Annotated[int | None, typer.Option(metavar="N", help="The same seed gives the same schedule again.")] = None,
    echo: Annotated[
        bool, typer.Option("--echo", help="A bare echo is there: shows what this client and machine can do.")
    ] = False,
    book_for: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write an account book with these panels, and end.")
    ] = None,
    report: Annotated[
        Path | None, typer.Option(metavar="FILE.html", help="Write a page that needs nothing else.")
    ] = None,
    picture: Annotated[Path | None, typer.Option(metavar="FILE.svg", help="Write the charts alone.")] = None,
    target_is_mine: Annotated[
        str | None, typer.Option(metavar="HOST", help="Say the target's host again: needed off this machine.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="An object a slice of time, then one of all.")] = False,
) -> None:
    """Load a receiver as a whole population of panels would, and count what is lost, wrong or late.

    Open loop: messages leave by a schedule made beforehand, and a delay counts from when a message was due, so a receiver
    that stops for a second shows it. Exit code: 0 all acknowledged in time · 1 not all · 2 could not run.

    Example: farend trial load 127.0.0.1:12009 --accounts 500 --rate 1000 --for 30 --polls 0.3 --report load.html
    """
    habits = _habits(connections)
    if not 0 < late <= MOST_LATE:
        stop(f"--late is a number of seconds above 0, up to {MOST_LATE}")
    keys = [secret for text in key or () if (secret := key_from(text))]
    if seed is None:
        seed = random.SystemRandom().randrange(10_000)
    try:
        numbers = account_numbers(first, accounts)
        if book_for:
            _write_book(book_for, numbers, [key_place(text) for text in key or ()])
            return
        order = Order(accounts, rate, seconds, polls, repeats, bad, arrivals, seed)
    except ValueError as error:
        stop(str(error))
    if receiver_at is None:
        stop("say HOST:PORT, the receiver (or --book-for FILE, to write a book with these panels)")
    check_outputs({"--report": report, "--picture": picture})
    plan = schedule(order)
    transport: Literal["tcp", "udp"] = "udp" if udp else "tcp"
    words = _in_words(order, plan, numbers, habits, keys)
    TALK.print(CAUTION, style="dim", soft_wrap=True)
    TALK.print(f"to {receiver_at} over {transport.upper()}: {words['messages']}", markup=False, soft_wrap=True)
    TALK.print(f"as {words['population']}", markup=False, soft_wrap=True)
    host, port = target(receiver_at, target_is_mine)
    if not load_driver.raise_open_files(accounts):
        stop(f"{accounts:,} connections are more open files than this machine allows (ulimit -n)")
    asked: dict[str, Any] = {
        "target": receiver_at, "transport": transport, "began": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "accounts": accounts, "first": numbers[0], "last": numbers[-1], "connections": connections,
        "encrypted": bool(keys), "rate": rate, "arrivals": arrivals, "seed": seed, "late_s": late, "echo": echo,
    }  # fmt: skip
    run = Run(order, plan)
    try:
        where = load_driver.look_up(host, port, transport)
        _play(run, population(numbers, keys, seed), where, habits, late, echo)
    except (Unreachable, OSError) as error:
        stop(f"{receiver_at} cannot be loaded over {transport.upper()}: {error}")
    found = Report(run, late, asked, words)
    try:  # the files first: whoever reads stdout may have gone
        write_outputs([(report, partial(load_report.page, found)), (picture, partial(load_report.picture, found))])
    finally:
        if as_json:
            for one in found.slices:
                print_json(one.to_json())
            print_json(found.to_json())
        else:
            _show(found)
    raise typer.Exit(0 if found.holds else 1)


def _play(run: Run, senders: Sequence[Sender], where: Where, habits: Sequence[int], late: float, echo: bool) -> None:
    """Play it, with a bar on a terminal that is drawn once a second: drawing makes messages late."""
    columns = (TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=TALK, transient=True, auto_refresh=False, disable=not TALK.is_terminal) as bar:
        task = bar.add_task("opening connections", total=run.order.count)

        def told(left: int, answered: int) -> None:
            bar.update(task, completed=left, description=f"{left:,} sent, {answered:,} answered", refresh=True)

        patience = round(late * SECOND)
        Driver(run, senders, where, habits=habits, patience=patience, echo=echo, told=told).go()


def _in_words(
    order: Order, plan: Schedule, numbers: Sequence[str], habits: Sequence[int], keys: Sequence[Key]
) -> dict[str, str]:
    """What will be done, for a person, before it is done."""
    kinds = [f"{count:,} {WORDS.get(name, name)}" for name, count in plan.counts().items() if count]
    moments = "at random moments" if order.arrivals == "poisson" else "at even distances"
    sealed = f"{' and '.join(sorted({f'AES-{key.bits}' for key in keys}))} encrypted" if keys else "in clear"
    return {
        "population": f"{_count(len(numbers), 'account')} {numbers[0]} to {numbers[-1]}, {_connections(habits)}, {sealed}",
        "messages": f"{_count(order.count, 'message')} in {order.seconds:g} s, {order.rate:,g} a second, {moments}"
        f" ({', '.join(kinds)}; seed {order.seed})",
        "caution": CAUTION,
    }


def _habits(text: str) -> list[int]:
    """`keep`, `each` or a number of messages; several, with commas, are dealt to the panels in turn."""
    habits = []
    for word in text.split(","):
        if word not in HABITS and not (word.isdecimal() and word.isascii() and 0 < int(word) < 1_000_000):
            stop(f"--connections {word!r} is none of keep, each and a number of messages above 0")
        habits.append(HABITS[word] if word in HABITS else int(word))
    return habits


def _connections(habits: Sequence[int]) -> str:
    said = {KEEP: "keep their connection", 1: "open one for each message"}
    words = [said.get(one, f"open another after {one:,} messages") for one in habits]
    return words[0] if len(words) == 1 else "in turn: " + "; ".join(words)


def _count(count: int, what: str) -> str:
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def _write_book(path: Path, numbers: Sequence[str], keys: Sequence[str]) -> None:
    """An account book that knows the population."""
    whole = [f"file:{Path(one[5:]).absolute()}" if one.startswith("file:") else one for one in keys]
    places: list[str | None] = [*whole] or [None]
    entries = [
        to_toml("account", {"number": number, "name": BOOKED, "key": places[place % len(places)]})
        for place, number in enumerate(numbers)
    ]
    try:
        with path.open("x") as file:
            file.write("\n".join(entries))
    except FileExistsError:
        stop(f"--book-for {path}: it is there already, and is left as it is")
    except OSError as error:
        stop(f"--book-for {path}: {error.strerror}")
    TALK.print(
        f"{path}: {_count(len(numbers), 'account')}; now farend listen --book {path}", markup=False, soft_wrap=True
    )


def _show(found: Report) -> None:
    """The table and the sentences for a person."""
    table = Table(box=SIMPLE, pad_edge=False, padding=(0, 1, 0, 0))
    for column in ("until s", "due/s", "answered/s", "p50 ms", "p99 ms", "longest", "refused", "late", "lost", "wrong"):
        table.add_column(column, justify="right")
    rows = load_report.in_tenths(found.slices)
    for one in rows:
        table.add_row(f"{one.end:.4g}", *_cells(one))
    table.add_section()
    table.add_row("all", *_cells(found.whole))
    OUT.print(table)
    OUT.print("Of the messages due in each stretch that want an answer; a delay counts from when its message was due.")
    lag = load_report.figures(found.lag)
    median, most = load_report.in_words(lag["p50"]), load_report.in_words(lag["p99"])
    OUT.print(
        f"{found.wanting_per_second:,.0f} a second were due that want an answer, {found.answered_per_second:,.0f} answered; "
        f"this client itself was {median} ms late at the median, {most} ms at the 99th percentile",
        soft_wrap=True,
    )
    whole = found.whole
    OUT.print(
        f"connections: {found.run.opened:,} opened, {whole.unopened:,} could not be, "
        f"{whole.broken:,} broke while a message waited",
        soft_wrap=True,
    )
    for what, troubles in (("wrong", found.run.wrong), ("broke", found.run.broken), ("unopened", found.run.unopened)):
        for sample in troubles.samples[:3]:
            OUT.print(f"  {what}: {sample}", markup=False, soft_wrap=True)
    for note in (found.sentence(), *found.advice()):
        OUT.print(note, markup=False, soft_wrap=True)


def _cells(one: load_report.Slice) -> list[str]:
    delay = load_report.figures(one.delays)
    return [
        f"{one.wanting / one.seconds:,.0f}",
        f"{one.answered / one.seconds:,.0f}",
        *(load_report.in_words(delay[name]) for name in ("p50", "p99", "max")),
        *(f"{count:,}" for count in (one.refused, one.late, one.lost, one.wrong)),
    ]
