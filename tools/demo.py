"""`farend demo`: the whole main job on this machine, on the shipped scenario, to a verdict."""

import asyncio
import os
import sys
import tempfile
import tomllib
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, cast

import typer
from rich.table import Table
from rich.text import Text

from protocols.dc09 import write_stamp
from protocols.exchange import Panel
from protocols.seal import Key
from receiver import book as books
from receiver.desk import millis
from receiver.journal import Store
from receiver.service import Manager
from receiver.words import ANSWERS, NOTES, VERDICTS
from tools import words
from tools.common import CAUTION, OUT, TALK, print_json
from tools.demo_night import a_night
from tools.demo_proving import DemoProving, prove
from tools.listen import Printer, journal_from, recorder_for, run

ANSWER_SECONDS = 1.0


class Step:
    """One step of the scenario and what came of it."""

    def __init__(self, plan: dict[str, Any]) -> None:
        self.plan = plan
        self.answer = "none"
        self.entry: dict[str, Any] | None = None
        self.told = ""  # what the panel made of the answer

    @property
    def wrong(self) -> list[str]:
        """What differs from the plan, in words."""
        if self.entry is None:
            return ["nothing arrived at the bench"]
        found = []
        for what, due, got in (
            ("verdict", self.plan["verdict"], self.entry["verdict"]),
            ("answer", self.plan["answer"], self.answer),
            ("sequence note", self.plan.get("note"), self.entry["sequence_note"] if "note" in self.plan else None),
        ):
            if due != got:
                found.append(f"{what} {got}, should be {due}")
        rules = [problem["rule"] for problem in self.entry["problems"]]
        if (due := self.plan.get("problem")) and due not in rules:
            found.append(f"the problem {due} was not named")
        return found


class Players:
    """The scenario's panels, each with its socket to the bench."""

    def __init__(self, plans: dict[str, dict[str, Any]], ports: dict[str, tuple[str, int]]) -> None:
        self._plans, self._ports = plans, ports
        self.said: dict[Panel, tuple[str, str]] = {}  # each panel's last message, to be said again
        self._panels: dict[str, Panel] = {}
        self._sockets: dict[str, tuple[asyncio.StreamReader, asyncio.StreamWriter] | _Datagrams] = {}

    def panel(self, name: str) -> Panel:
        """The panel of that name; one that shares another's sequence is that panel on another path."""
        plan = self._plans[name]
        root = plan.get("shares", name)
        if root not in self._panels:
            first = self._plans[root]
            key = Key.from_hex(first["key"]) if "key" in first else None
            self._panels[root] = Panel(first["account"], key=key, sequence=first.get("sequence", 1), tries=2)
        panel = self._panels[root]
        panel.prefix = plan.get("prefix", "0")
        return panel

    async def exchange(self, name: str, data: bytes) -> bytes:
        """Send bytes over the panel's line and give what comes back within a second."""
        line = self._plans[name]["line"]
        host, port = self._ports[line]
        loop = asyncio.get_running_loop()
        if line == "udp":
            if name not in self._sockets:
                _, self._sockets[name] = await loop.create_datagram_endpoint(_Datagrams, remote_addr=(host, port))
            datagrams = self._sockets[name]
            assert isinstance(datagrams, _Datagrams)
            datagrams.send(data)
            with suppress(TimeoutError):
                return await asyncio.wait_for(datagrams.came.get(), ANSWER_SECONDS)
            return b""
        if name not in self._sockets:
            self._sockets[name] = await asyncio.open_connection(host, port)
        stream = self._sockets[name]
        assert isinstance(stream, tuple)
        stream[1].write(data)
        with suppress(TimeoutError, asyncio.IncompleteReadError):
            return await asyncio.wait_for(stream[0].readuntil(b"\r"), ANSWER_SECONDS)
        return b""


class _Datagrams(asyncio.DatagramProtocol):
    def __init__(self) -> None:
        self.came: asyncio.Queue[bytes] = asyncio.Queue()
        self._transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)  # uvloop's own class is no subclass of it

    def datagram_received(self, data: bytes, addr: Any) -> None:
        self.came.put_nowait(data)

    def send(self, data: bytes) -> None:
        assert self._transport is not None
        self._transport.sendto(data)


async def play(step: Step, players: Players) -> None:
    """Play one step: write its frame, spoil it if the plan says so, and note the answer."""
    plan, now = step.plan, datetime.now(UTC)
    panel = players.panel(plan["panel"])
    if "noise" in plan:
        await players.exchange(plan["panel"], plan["noise"].encode())
        return
    data = _frame(plan, panel, players.said, now)
    reply = await players.exchange(plan["panel"], data)
    heard = panel.heard(reply, datetime.now(UTC)) if reply else []
    step.answer = heard[-1].word if heard else "none"
    step.told = heard[-1].why if heard else ""
    if step.answer in ("none", "foreign") and not plan.get("waits"):
        while panel.again(now):  # the scenario goes on, so the panel gives this message up
            pass


def _frame(plan: dict[str, Any], panel: Panel, said: dict[Panel, tuple[str, str]], now: datetime) -> bytes:
    key, fault = panel.key, plan.get("fault")
    if plan.get("retry"):
        return panel.again(now) or b""
    if plan.get("again"):
        panel.sequence -= 1
        return panel.say(*said[panel], now)
    panel.sequence += plan.get("skip", 0)
    panel.clock_error = timedelta(seconds=plan.get("clock", 0))
    if fault == "key":
        panel.key = Key(bytes(32))
    if fault == "clear":
        panel.key = None
    extended = [
        (letter, write_stamp(now).strip("_") if value == "now" else value)
        for letter, value in plan.get("extended", {}).items()
    ]
    if plan.get("poll"):
        return panel.poll(now)
    said[panel] = ("ADM-CID", plan["contact-id"]) if "contact-id" in plan else ("SIA-DCS", plan["sia"])
    data = panel.say(*said[panel], now, extended)
    panel.key = key
    if fault == "crc":
        wrong = b"%04X" % (int(data[1:5], 16) ^ 0x0101)
        return data[:1] + wrong + data[5:]
    return data


def demo(
    journal: Annotated[
        Path | None, typer.Option(metavar="PATH", help="Where the journal is kept; by default a new folder.")
    ] = None,
    pace: Annotated[float, typer.Option(min=0, help="Seconds between steps, for reading along.")] = 0.7,
    capture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Record every byte, both ways, into this file.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a step on stdout.")] = False,
) -> None:
    """Do the whole main job on loopback in under a minute: a bench, an invented estate's panels, a verdict.

    Exit code 0 when every step became what it should, 1 when one did not.

    Example: farend demo
    """
    from receiver.reactor import install

    path = journal or Path(tempfile.mkdtemp(prefix="farend-demo-")) / "demo.journal"
    scenario = tomllib.loads(files("fixtures").joinpath("scenario.toml").read_text("utf-8"))
    station = files("fixtures").joinpath("station.toml")
    book = books.parse(station.read_text("utf-8"), "station.toml", Path())
    store, writer = journal_from(str(path))
    until = millis(datetime.now(UTC) + timedelta(minutes=30))
    for account in ("4471", "8C20", "120077"):
        store.wish({"wish": "on-test", "account": account, "until": until, "reference": "demo"})
    reactor = install()
    from receiver.bench import Bench, Listen

    talk = Printer(as_json)
    recorder = recorder_for(capture, talk.tell, "the demo: an invented estate, station.toml")
    entries: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
    bench = Bench(
        reactor,
        book,
        store,
        writer=writer,
        show=lambda entry: entries.put_nowait(entry.found),
        told=talk.tell,
        alarm=lambda _: None,
        recorder=recorder,
    )
    listening = [bench.listen(Listen("tcp", "127.0.0.1", 0)), bench.listen(Listen("udp", "127.0.0.1", 0))]
    steps = [Step(plan) for plan in scenario["step"]]
    if not as_json:
        OUT.print(Text("farend demo: a bench, and the panels of an invented estate", style="bold"))
        OUT.print(Text(CAUTION, style="italic"))
        OUT.print(
            ", ".join(f"{kind} {host}:{port}" for kind, host, port in listening), f"· journal {path}", soft_wrap=True
        )
        OUT.print("Times are UTC. Three accounts are on test; one, still being installed, is not.\n")
    proving = DemoProving(scenario["proving"], book.numbered(scenario["proving"]["account"])[0], path)
    players = Players(scenario["panel"], {kind: (host, port) for kind, host, port in listening})

    async def all_steps() -> None:
        for number, step in enumerate(steps, 1):
            if not as_json:
                OUT.print(Text(f"{number:>2}  {step.plan['say']}", style="italic"))
            await play(step, players)
            with suppress(TimeoutError):
                step.entry = await asyncio.wait_for(entries.get(), 5.0)
            if as_json:
                print_json({"step": number, "say": step.plan["say"], "wrong": step.wrong, "entry": step.entry})
            elif step.entry:
                words.show(OUT, step.entry)
            await asyncio.sleep(pace)
        await prove(proving, lambda step: play(Step(step), players), entries, path.parent, pace / 2, as_json)
        while not entries.empty():
            entries.get_nowait()
        (tcp,) = [(host, port) for kind, host, port in listening if kind == "tcp"]
        proving.wrong += await a_night(book.numbered("4471")[0], tcp, entries, as_json)

    def begin() -> None:
        task = asyncio.ensure_future(all_steps())
        task.add_done_callback(lambda _: reactor.stop())
        running.append(task)

    running: list[asyncio.Task[None]] = []
    reactor.callWhenRunning(begin)
    run(reactor, bench, listening, talk.tell, Manager({}))
    talk.close()
    if running and running[0].done() and (error := running[0].exception()):
        raise error
    wrong = [step for step in steps if step.wrong]
    if not as_json:
        _verdict(steps, wrong, proving, path)
    sys.stdout.flush()
    os._exit(1 if wrong or proving.wrong else 0)


def _judged(step: Step) -> Text:
    if step.wrong:
        return Text("THE BENCH WENT WRONG: " + "; ".join(step.wrong), style="bold reverse")
    assert step.entry is not None
    verdict, note = step.entry["verdict"], step.entry["sequence_note"]
    told = [VERDICTS[verdict]] if verdict != "accepted" else []
    told += [NOTES[note]] if note in NOTES else []
    told += [problem["detail"] for problem in step.entry["problems"] if problem["rule"] != "noise"]
    return Text("; ".join(told) or "right")


def _verdict(steps: list[Step], wrong: list[Step], proving: DemoProving, path: Path) -> None:
    table = Table(title="\nWhat was right, and what was wrong", title_justify="left", box=None, padding=(0, 2, 0, 0))
    for heading in ("", "what was sent", "verdict, answer", "why"):
        table.add_column(heading, overflow="fold", header_style="italic")
    for number, step in enumerate(steps, 1):
        verdict = step.entry["verdict"] if step.entry else "nothing"
        became = f"{verdict}, {ANSWERS.get(step.answer, step.answer)}"
        table.add_row(str(number), step.plan["say"], became, _judged(step))
    OUT.print(table)
    kept = Store(path)
    breaks = [mistake for _, mistake in kept.verify() if mistake]
    chain = "their chain of hashes is whole" if not breaks else f"THEIR CHAIN IS BROKEN: {breaks[0]}"
    OUT.print(
        f"\n{len(steps) - len(wrong)} of {len(steps)} steps became what they should. {kept.number} rows; {chain}."
    )
    for one in proving.wrong:
        OUT.print(Text(f"THE PROVING WENT WRONG: {one}", style="bold reverse"))
    if not proving.wrong:
        steps_of = len(proving.steps)
        OUT.print(
            f"The proving: {steps_of} of {steps_of} steps became what they should, its record agrees with the journal."
        )
    OUT.print(f"The journal stays at {path}. Look into it:", soft_wrap=True)
    here = os.path.relpath(sys.argv[0])
    farend = here if here.endswith("farend") and not here.startswith("..") else "farend"
    for command, why in (
        ("list", "what came, in order"),
        ("list --verdict unreadable", "only what could not be read"),
        ("show 9", "one row, byte by byte"),
        ("verify", "that nothing was changed since"),
    ):
        OUT.print(
            f"  {farend} journal {command} --journal {path}", Text(f"  # {why}", style="dim"), sep="", soft_wrap=True
        )
    TALK.print()
