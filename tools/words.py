"""An entry of the journal in words, for a person: one line, no more colour than helps."""

from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from protocols.values import legible
from receiver.words import of_answer, of_frame


def of_entry(entry: dict[str, Any], *, warn: bool = True) -> tuple[str, Text]:
    """When and where, and what: said, verdict and answer, what is wrong with it, and (unless told elsewhere) its warning."""
    if "event" in entry:
        return f"{entry['at'][11:23]}  bench", Text(f"{entry['event']}: {legible(entry['detail'])}", style="dim")
    where = "/".join(filter(None, (entry["line"], entry["path"])))
    line = Text(of_frame(entry))
    note = entry["sequence_note"]
    number = f" #{entry['sequence']:04d}" if entry["sequence"] else ""
    line.append(f"{number}{f' ({note})' if note and note != entry['verdict'] else ''}", style="dim")
    good = entry["verdict"] in ("accepted", "poll", "repeat")
    line.append(f"  → {entry['verdict']}, {of_answer(entry)}", style="bold" if good else "bold underline")
    for problem in entry["problems"]:
        line.append(f"\n{problem['rule']}: {legible(problem['detail'])}", style="italic")
    for told in entry["notes"]:
        line.append(f"\n{legible(told)}", style="italic")
    if entry["warning"] and warn:
        line.append(f"\n! {entry['warning']}", style="bold")
    return f"{entry['at'][11:23]}  {where}", line


def show(console: Console, entry: dict[str, Any], lead: str = "", *, warn: bool = True) -> None:
    """Print an entry: wrapped under itself on a terminal, elsewhere a line that programs can cut."""
    when, what = of_entry(entry, warn=warn)
    margin = f"{lead}{when} ".ljust(len(lead) + 26)
    if not console.is_terminal:
        indent = "\n" + " " * len(margin)
        console.print(margin + what.plain.replace("\n", indent), soft_wrap=True, markup=False)
        return
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    grid.add_row(margin, what)
    console.print(grid)
