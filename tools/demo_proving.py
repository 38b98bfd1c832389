"""The second half of `farend demo`: a house is proved, with an installer's mistakes, to a signed record."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import orjson
from rich.text import Text

from receiver import record as records
from receiver.book import Account
from receiver.desk import millis
from receiver.journal import Store
from receiver.plan import make
from receiver.proving import act, fold
from receiver.sheet import Sheet
from tools import words
from tools.common import OUT, print_json
from tools.sheet import count, heading, what_is_wrong

ENGINEER = "the demo"


class DemoProving:
    """One proving, played step by step against the running bench. `wrong` gathers what did not become what it should."""

    def __init__(self, plan: dict[str, Any], account: Account, journal: Path) -> None:
        self.steps, self.due, self.reference = plan["step"], plan["verdict"], plan["reference"]
        self.account, self.plan = account, make(account)
        self._store, self._proving = Store(journal), "demo"
        self.wrong: list[str] = []

    def sheet(self) -> Sheet:
        """As it stands now."""
        return fold(self.plan, records.entries(self._store, self.account.number), datetime.now(UTC), self._proving)

    async def begin(self) -> None:
        """Put the account on test, and start."""
        until = millis(datetime.now(UTC) + timedelta(minutes=30))
        await self._wish(
            {"wish": "on-test", "account": self.account.number, "until": until, "reference": self.reference}
            | {"confirmed_by": ENGINEER}
        )
        await self._say("start", plan=self.plan.to_json(), installer="an installer of the demo")

    async def play(
        self, send: Callable[[dict[str, Any]], Any], entries: "asyncio.Queue[dict[str, Any]]"
    ) -> AsyncIterator[tuple[dict[str, Any], dict[str, Any] | None, Sheet]]:
        """Each step, the entry that came of it if it sent one, and the sheet after it."""
        known: set[str] = set()
        for step in self.steps:
            entry = None
            if "panel" in step:
                await send(step)
                with suppress(TimeoutError):
                    entry = await asyncio.wait_for(entries.get(), 5.0)
            else:
                await self._enter(step)
            sheet = self.sheet()
            fresh = [finding.rule for finding in sheet.findings if finding.id not in known]
            known |= {finding.id for finding in sheet.findings}
            self._hold(step, fresh, sheet)
            yield step, entry, sheet

    def _hold(self, step: dict[str, Any], fresh: list[str], sheet: Sheet) -> None:
        due = [step[name] for name in ("finding",) if name in step]
        if fresh != due:
            self.wrong.append(f"{step['say']}: found {fresh or 'nothing'}, should be {due or 'nothing'}")
        if bool(sheet.questions) is not step.get("question", False):
            self.wrong.append(f"{step['say']}: {count(len(sheet.questions), 'open question')}")
        for item, state in step.get("state", {}).items():
            now = next(line.state for line in sheet.lines if line.item.id == item)
            if now != state:
                self.wrong.append(f"{step['say']}: {item} is {now}, should be {state}")

    async def _enter(self, step: dict[str, Any]) -> None:
        if "call" in step:
            await self._say("call", about=step["call"], sweep=False)
        elif "tick" in step:
            await self._say("tick", about=step["tick"], saw=step["saw"])
        elif "answer" in step:
            await self._say("answer", about=self.sheet().questions[0]["row"], yes=step["answer"] == "yes")
        for item in step.get("skip", ()):
            await self._say("skip", about=item, reason=step["reason"])

    async def _say(self, word: str, **fields: Any) -> None:
        await self._wish({"wish": "note", "entry": act(self.account, self._proving, word, by=ENGINEER, **fields)})

    async def _wish(self, wish: dict[str, Any]) -> None:
        """Leave a wish, and wait until its row is there."""
        before = self._last()
        self._store.wish(wish)
        for _ in range(200):
            if self._last() > before:
                return
            await asyncio.sleep(0.02)

    def _last(self) -> int:
        return max((row.number for row in self._store.rows(account=self.account.number, events=True)), default=0)

    async def end(self, folder: Path) -> Path:
        """Sign, and give the record's file."""
        sheet = self.sheet()
        if sheet.verdict != self.due:
            self.wrong.append(f"the proving is {sheet.verdict}, should be {self.due}")
        signed = [
            {"role": role, "name": "nobody: a demo", "identified": "not at all"} for role in ("engineer", "installer")
        ]
        record = records.make(sheet, self._store, signed)
        file = folder / "gull-rock.json"
        file.write_bytes(orjson.dumps(record, option=orjson.OPT_INDENT_2))
        await self._say("sign", record=record["digest"], provisional=record["provisional"])
        self.wrong += [f"the record: {one}" for one in records.check(record, self._store)]
        return file


async def prove(
    proving: DemoProving,
    send: Callable[[dict[str, Any]], Any],
    entries: "asyncio.Queue[dict[str, Any]]",
    folder: Path,
    pace: float,
    as_json: bool,
) -> None:
    """Play it, and show it."""
    await proving.begin()
    if not as_json:
        OUT.print(Text(f"\nA house is proved: {proving.account.number} {proving.account.name}", style="bold"))
    async for step, entry, sheet in proving.play(send, entries):
        if as_json:
            print_json({"step": "proving", "say": step["say"], "wrong": proving.wrong, "entry": entry})
        else:
            OUT.print(Text(f"    {step['say']}", style="italic"))
            if entry:
                words.show(OUT, entry)
            for finding in (one for one in sheet.standing if entry and one.row == entry["row"]):
                OUT.print(Text(f"✗ {finding.text}", style="bold"))
        await asyncio.sleep(pace)
    file = await proving.end(folder)
    sheet = proving.sheet()
    if as_json:
        print_json({"step": "proving", "say": "the record", "wrong": proving.wrong, "entry": sheet.to_json()})
        return
    OUT.print()
    OUT.print(heading(sheet))
    OUT.print(what_is_wrong(sheet))
    OUT.print(
        f"Its record, provisional until {count(len(sheet.pending), 'row')} came by themselves: {file}", soft_wrap=True
    )
