"""The second half of `farend demo`: a house is proved, with an installer's mistakes, to a signed record."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

from rich.text import Text

from receiver import conduct
from receiver import record as records
from receiver.book import Account
from receiver.journal import Store
from receiver.paper import read
from receiver.plan import make
from receiver.sheet import ROLES, Sheet
from tools import words
from tools.common import OUT, print_json
from tools.sheet import count, heading, what_is_wrong

ENGINEER = "the demo"


class DemoProving:
    """One proving, played step by step against the running bench. `wrong` gathers what did not become what it should."""

    def __init__(self, plan: dict[str, Any], account: Account, journal: Path) -> None:
        self.steps, self.due, self.reference = plan["step"], plan["verdict"], plan["reference"]
        self.account, self.plan = account, make(account)
        self._journal, self._store, self._proving = journal, Store(journal), ""
        self.wrong: list[str] = []

    def sheet(self) -> Sheet:
        """As it stands now."""
        return conduct.sheet_of(self._store, self._proving)

    async def begin(self) -> None:
        """Put the account on test, and start."""
        self._proving = await asyncio.to_thread(
            conduct.begin, self._journal, self.plan, lasts=timedelta(minutes=30), reference=self.reference,
            confirmed_by=ENGINEER, installer="an installer of the demo", by=ENGINEER)  # fmt: skip

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
            await self._do(conduct.call, step["call"])
        elif "tick" in step:
            await self._do(conduct.tick, step["tick"], step["saw"])
        elif "answer" in step:
            await self._do(conduct.answer, self.sheet().questions[0]["row"], step["answer"] == "yes")
        for item in step.get("skip", ()):
            await self._do(conduct.skip, item, step["reason"])

    async def _do(self, act: Callable[..., Any], *what: Any) -> Any:
        """In a thread of its own: it waits for the bench, which runs on this one."""
        return await asyncio.to_thread(act, self._journal, self.sheet(), *what, by=ENGINEER)

    async def end(self, folder: Path) -> list[Path]:
        """Sign, and give the record's files."""
        sheet = self.sheet()
        if sheet.verdict != self.due:
            self.wrong.append(f"the proving is {sheet.verdict}, should be {self.due}")
        try:
            for role in ROLES:
                await self._do(conduct.agree, role, "nobody: a demo", "not at all")
            kept = await self._do(conduct.sign, folder)
        except conduct.ConductError as error:
            self.wrong.append(str(error))
            return []
        for file in kept.files:
            record, form, mark = read(file.read_bytes())
            self.wrong += [f"the record, {form}: {one}" for one in records.check(record, self._store, form, mark)]
        return list(kept.files)


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
    files = await proving.end(folder)
    sheet = proving.sheet()
    if as_json:
        print_json({"step": "proving", "say": "the record", "wrong": proving.wrong, "entry": sheet.to_json()})
        return
    OUT.print()
    OUT.print(heading(sheet))
    OUT.print(what_is_wrong(sheet))
    names = ", ".join(map(str, files))
    OUT.print(f"Its record, provisional until {count(len(sheet.pending), 'row')} came by themselves: {names}", markup=False,
              soft_wrap=True)  # fmt: skip
