"""A plan and a sheet on the terminal: whole, or as the one screen of a phone call."""

from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from protocols.values import legible
from receiver.measures import spoken_time
from receiver.plan import Plan
from receiver.sheet import GOOD, STATES, Line, Sheet, left_of_test, next_sentence
from receiver.storms import Storm


def count(number: int, what: str) -> str:
    return f"{number} {what}{'s' * (number != 1)}"


def plan_table(plan_: Plan) -> Table:
    table = Table(title=f"{plan_.account.number} {plan_.account.name}: {plan_.why}", title_justify="left", box=None,
                  padding=(0, 2, 0, 0), header_style="italic")  # fmt: skip
    for title in ("", "row", "need", "acceptable codes", "the installer is asked to"):
        table.add_column(title, overflow="fold")
    group = ""
    for item in plan_.items:
        need = item.need if item.need != "pending" else f"pending: {item.owner}, {item.due_hours} h"
        table.add_row("" if item.group == group else item.group, Text(item.label), need, item.codes, Text(item.do))
        group = item.group
    return table


def _marked(line: Line) -> Text:
    mark = "✓" if line.state in GOOD else "·" if line.state in ("optional", "skipped", "pending") else "–"
    return Text(
        f"{mark} {line.item.label}",
        style="" if line.state in GOOD else "bold" if line.state in ("open", "half") else "dim",
    )


def whole_sheet(sheet: Sheet, everything: bool) -> RenderableType:
    """The sheet: row for row, then what is wrong, what was left out, what was measured."""
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="italic")
    for title in ("", "row", "state", "journal", "over", "at (UTC)"):
        table.add_column(title, overflow="fold")
    group = ""
    for line in sheet.lines:
        if line.state == "optional" and not everything:
            continue
        later = f": {line.item.owner}, within {line.item.due_hours} h" if line.state == "pending" else ""
        why = f": {line.why}" if line.why else later
        table.add_row("" if line.item.group == group else line.item.group, _marked(line), Text(line.state + why),
                      ", ".join(map(str, line.rows)), line.path or "", (line.at or "")[11:19])  # fmt: skip
        group = line.item.group
    return Group(heading(sheet), table, what_is_wrong(sheet), _measured(sheet), _meaning(sheet))


def heading(sheet: Sheet) -> Text:
    """Which proving it is, how far it is, and how long the test lasts."""
    account = sheet.plan.account
    seen = sum(line.state in GOOD for line in sheet.lines if line.item.need != "optional")
    due = sum(line.item.need != "optional" and line.state != "skipped" for line in sheet.lines)
    head = Text(f"{account.number} {account.name}", style="bold")
    head.append(f" · {sheet.plan.why} · {seen} of {due} seen · {sheet.verdict} · {left_of_test(sheet)}", style="")
    test = sheet.tests[-1] if sheet.tests else None
    if test:
        scope = f", area {', '.join(test['areas'])} only" if test["areas"] else ""
        scope += f", {', '.join(test['live'])} live" if test["live"] else ""
        head.append(f"\ntest {test['reference']}, confirmed by {test['confirmed_by'] or '?'}{scope}", style="dim")
    if sheet.rehearsed:
        head.append(" · a rehearsal: signals came from this machine", style="italic")
    return head


def what_is_wrong(sheet: Sheet) -> Text:
    """The open questions, the findings, and what did not count."""
    text = Text()
    for question in sheet.questions:
        text.append(f"\n? {question['text']}: is this you? (answer {question['row']} yes or no)", style="bold")
    for finding in sheet.standing:
        text.append(f"\n✗ {finding.id:<6} {finding.text}", style="bold")
    for finding in sheet.findings:
        if finding.settled:
            text.append(f"\n  {finding.id:<6} {finding.text} — settled: {finding.settled}", style="dim")
    for one in sheet.left_out:
        text.append(f"\n  row {one['row']} {one['text']}: does not count: {one['why']}", style="dim")
    return text


def what_is_left(sheet: Sheet) -> Text:
    """Everything that keeps a proving from being signed whole."""
    text = what_is_wrong(sheet)
    for line in sheet.open:
        text.append(f"\n– {line.item.label}: {STATES[line.state]}")
    for line in sheet.pending:
        text.append(f"\n· {line.item.label}: {STATES['pending']}; {line.item.owner}, within {line.item.due_hours} h")
    return text


def _measured(sheet: Sheet) -> Text:
    text = Text()
    if sheet.clock:
        text.append(f"\nthe panel's clock: {sheet.clock['words']} (from {count(sheet.clock['from'], 'stamp')})")
    delay = sheet.to_json()["delay"]
    if delay:
        text.append(f"\nfrom made to arrived, by that clock: {delay['median']:.1f} s, at most {delay['longest']:.1f} s")
    for name, polls in sheet.paths.items():
        told = f"\n{name or 'the path'}: {count(polls.signals, 'signal')}, {count(polls.polls, 'poll')}"
        if polls.between:
            mean = sum(polls.between) / len(polls.between)
            told += f", every {mean:.1f} s (jitter {polls.jitter:.1f} s" + (
                f", promised {spoken_time(polls.promised)})" if polls.promised else ")"
            )
        text.append(told + (f"; from {', '.join(polls.hosts)}" if polls.hosts else ""))
    if sheet.repeats:
        text.append(f"\n{count(sheet.repeats, 'repeat')}, counted once each")
    for one in sheet.confirmed:
        text.append(
            f"\nsequentially confirmed (BS 8243): {' then '.join(one['zones'])}, {spoken_time(one['seconds'])} apart"
        )
    for remark in sheet.remarks:
        text.append(f"\n{remark}", style="italic")
    return text


def _meaning(sheet: Sheet) -> Text:
    states = dict.fromkeys(line.state for line in sheet.lines if line.state != "optional")
    return Text("\n" + "\n".join(f"{state}: {STATES[state]}" for state in states), style="dim")


def _briefly(signal: Any) -> str:
    """A signal with what it is about first, since that is what both ends of the phone look for."""
    kind = "zone" if signal["zone"] else "user"
    number, name = signal[kind], signal.get(f"{kind}_name")
    about = f"{number} {name}: " if name else f"{kind} {number}: " if number else ""
    area = f", area {signal['area']}" if signal["area"] else ""
    memory = ", from memory" if signal["from_memory"] else ""
    return legible(f"{about}{signal['meaning'] or 'code ' + signal['code']}{area}{memory}")


def call_screen(sheet: Sheet, width: int, height: int, typed: str | None = None, said: str = "") -> RenderableType:
    """Tuesday's call on one screen: what to say next, what came, what remains, what is wrong, how long the test lasts."""
    sentence, about = next_sentence(sheet)
    say = (
        Text("\n“", style="bold")
        .append(f"{sentence}”", style="bold")
        .append(f"  {about}" if about else "", style="dim")
    )
    rooms = max(height - 14, 6)
    came = Table.grid(padding=(0, 1, 0, 0))
    for entry in sheet.recent[-10:][-rooms:]:
        if isinstance(entry, Storm):
            came.add_row(Text(entry.until[11:19], style="dim"), "", Text(legible(str(entry)), overflow="fold"))
            continue
        what = "; ".join(_briefly(signal) for signal in entry["signals"])
        good = entry["verdict"] == "accepted"
        line = Text(what, overflow="ellipsis", no_wrap=True)
        came.add_row(Text(entry["at"][11:19], style="dim"), Text(entry["path"] or entry["line"], style="dim"),
                     line if good else Text(f"{what}: {entry['verdict']}", style="italic", no_wrap=True))  # fmt: skip
    remains = Table.grid()
    left = [*sheet.open, *sheet.pending]
    for line in left[: rooms - (len(left) > rooms)]:
        state = {"half": "restoral due", "pending": f"later, {line.item.owner}", "overdue": "overdue"}.get(
            line.state, ""
        )
        calls = f"called {line.calls}×, nothing" if line.calls and line.state == "open" else ""
        remains.add_row(Text(f"{line.item.label}", no_wrap=True, overflow="ellipsis").append(
            f"  {state or calls}", style="dim"))  # fmt: skip
    if len(left) > rooms:
        remains.add_row(Text(f"and {len(left) - rooms + 1} more", style="dim"))
    wrong = Text()
    for finding in sheet.standing[-3:]:
        wrong.append(f"\n✗ {finding.id}  ", style="bold").append(finding.text)
    columns = Table(box=None, expand=True, padding=(1, 2, 0, 0), header_style="italic")
    columns.add_column("the last signals (UTC)" if sheet.recent else "no signal yet", ratio=3)
    columns.add_column(f"what remains ({len(left)})", ratio=2)
    columns.add_row(came, remains)
    parts: list[RenderableType] = [heading(sheet), say, columns, wrong]
    if typed is not None:
        parts.append(
            Text(f"\n{said}\n" if said else "\n").append("> ", style="bold").append(typed).append("▏", style="dim")
        )
    return Group(*parts)
