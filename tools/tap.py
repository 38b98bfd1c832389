"""`farend tap`: stand between a panel and a receiver, and record both."""

import asyncio
import signal
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal

import typer

from receiver.capture import Happening
from receiver.tap import Tap
from tools.common import CAUTION, TALK, host_and_port, print_json, stop, target
from tools.listen import recorder_for


def tap(
    listen: Annotated[str, typer.Option("--listen", metavar="HOST:PORT", help="Where the panel reports to.")],
    to: Annotated[str, typer.Option("--to", metavar="HOST:PORT", help="The receiver.")],
    capture: Annotated[
        Path, typer.Option("--capture", metavar="FILE", help="Record both directions here; nobody else may read it.")
    ],
    only: Annotated[Literal["tcp", "udp"] | None, typer.Option(help="This alone; otherwise both.")] = None,
    target_is_mine: Annotated[
        str | None, typer.Option(metavar="HOST", help="Say the target's host again: needed off this machine.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a connection on stdout.")] = False,
) -> None:
    """Pass every byte between a panel and a receiver on, unchanged and at once, TCP and UDP, and record both directions.

    Either side may die and come back. TLS passes, too, and cannot be read in the recording. SIGTERM ends it with 0.

    Example: farend tap --listen 0.0.0.0:12010 --to 127.0.0.1:12009 --capture monday.capture
    """
    here = host_and_port(listen, "--listen")
    there = target(to, target_is_mine)
    if here[1] and here[1] == there[1] and here[0] in (there[0], "0.0.0.0", "::"):
        stop(f"--to {to} is where --listen {listen} is: it would pass everything to itself")
    TALK.print(CAUTION, style="italic")
    note = f"recorded by farend tap before {to}"
    recorder = recorder_for(capture, _say, note)
    assert recorder is not None
    began = datetime.now(UTC)
    passing = Tap(*there, recorder.record, _say, _print if as_json else lambda _: None)
    try:
        _run(passing, here, only, capture, as_json)
    finally:
        recorder.close()
    seconds = (datetime.now(UTC) - began).total_seconds()
    TALK.print(
        f"{capture}: {passing.connections} connections, {passing.passed['panel']} bytes of panels,"
        f" {passing.passed['receiver']} of the receiver, in {seconds:.0f} s; what is in it is confidential",
        markup=False,
        soft_wrap=True,
    )


def _run(passing: Tap, here: tuple[str, int], only: str | None, capture: Path, as_json: bool) -> None:
    try:
        import uvloop

        factory = uvloop.new_event_loop
    except ImportError:
        factory = asyncio.new_event_loop
    with asyncio.Runner(loop_factory=factory) as runner:
        runner.run(_pass(passing, here, only, capture, as_json))


async def _pass(passing: Tap, here: tuple[str, int], only: str | None, capture: Path, as_json: bool) -> None:
    host, port = here
    ending = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        loop.add_signal_handler(number, ending.set)
    listening = []
    try:
        if only != "udp":
            port = await passing.listen_tcp(host, port)
            listening.append({"line": "tcp", "host": host, "port": port})
        if only != "tcp":
            listening.append({"line": "udp", "host": host, "port": passing.listen_udp(host, port)})
    except OSError as error:
        await passing.close()
        stop(f"--listen {host}:{port} cannot be opened: {error.strerror or error}")
    for one in listening:
        TALK.print(
            f"{one['line']} {one['host']}:{one['port']} → {passing.host}:{passing.port}, recorded in {capture}",
            markup=False,
        )
    if as_json:
        print_json({"listening": listening})
    await ending.wait()
    await passing.close()


def _say(what: str) -> None:
    TALK.print(f"{datetime.now(UTC):%H:%M:%S} farend: {what}", markup=False, soft_wrap=True)


def _print(happening: Happening) -> None:
    print_json(
        {
            "at": happening.at.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "connection": happening.connection,
            "what": happening.what,
            "line": happening.line,
            "peer": happening.peer,
        }
    )
