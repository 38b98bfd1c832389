"""A trial, and two of them held against each other, in words and tables."""

from collections.abc import Mapping
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from protocols.values import legible
from receiver.trial.case import WORDS, Verdict
from receiver.trial.report import (
    Comparison,
    Report,
    Told,
    by_group,
    folded,
    selection,
    sentence,
    told,
    worth_knowing,
)

# What a comparison tells, in the order of what matters; and how each list is headed.
KINDS = {
    "worse": "held before, and does not now",
    "better": "did not hold before, and holds now",
    "still": "held in neither",
    "new": "tried now, not before",
    "gone": "tried before, not now",
    "notes": "holds in both, with another note",
}


def show_results(console: Console, report: Report) -> None:
    """The end of a trial: the verdict, the groups, and each case that does not hold, with its clause and why."""
    whole = told(report)
    table = _table("group", *WORDS.values())
    for group, count in by_group(whole.cases).items():
        table.add_row(Text(group), *(str(count[verdict] or "–") for verdict in WORDS))
    console.print(table)
    verdicts: tuple[Verdict, ...] = ("fails", "unclear")
    for verdict in verdicts:
        for alike in folded(whole.cases, verdict):
            first = alike[0]
            if len(alike) == 1:
                head, below = f"{first['case']} {WORDS[verdict]} ({first['clause']})", [first["why"], first["does"]]
            else:
                names = ", ".join(case["case"] for case in alike)
                head, below = f"{first['group']}: {len(alike)} cases, {WORDS[verdict]}", [first["why"], names]
            console.print(Text(legible(head), style="bold"), soft_wrap=True)
            for line in below:
                console.print(f"  {legible(line or '')}", markup=False, soft_wrap=True)
    for case, note in worth_knowing(whole.cases):
        console.print(Text(legible(f"worth knowing, {case['case']}"), style="bold"), soft_wrap=True)
        console.print(f"  {legible(note)}", markup=False, soft_wrap=True)
    for line in filter(None, (*report.measured, *report.settings, selection(whole.head))):
        console.print(legible(line), markup=False, soft_wrap=True)
    if not report.complete:
        console.print(f"not complete: {legible(report.ended_why)}", markup=False, soft_wrap=True, style="bold")
    console.print(sentence(whole), markup=False, soft_wrap=True, style="bold")


def show_comparison(console: Console, old: Told, new: Told, found: Comparison) -> None:
    """What got better and what worse, case by case, and then in one sentence."""
    for name, one in (("old", old), ("new", new)):
        head = one.head
        told_ = f"{name}: {head['target']}, {head['began'][:16].replace('T', ' ')} UTC, {head['version']}"
        told_ += f", {selection(head)}" * bool(head.get("only"))
        broken = "" if head["complete"] else f"; NOT COMPLETE: {head['ended_why'] or 'ended early'}"
        console.print(legible(told_ + broken), markup=False, soft_wrap=True)
    for kind, heading in KINDS.items():
        if changes := getattr(found, kind):
            table = _table("case", "before", "now", "why")
            for change in changes:
                table.add_row(*(Text(legible(cell)) for cell in (
                    change.case, _word(change.old), _word(change.new), _reason(kind, change.old, change.new),
                )))  # fmt: skip
            console.print(f"\n{kind}: {heading}", style="bold")
            console.print(table)
    console.print()
    console.print(in_a_sentence(found), style="bold", soft_wrap=True)
    if not new.head["complete"]:
        console.print(
            "The new trial is not complete: what it did not try may have got worse.", style="bold", soft_wrap=True
        )


def in_a_sentence(found: Comparison) -> str:
    """`Cases: 2 got worse, 1 got better, 3 held in neither; 140 as before.`"""
    counts = {kind: len(getattr(found, kind)) for kind in KINDS}
    said = [f"{counts['worse'] or 'nothing'} got worse", f"{counts['better'] or 'nothing'} got better"]
    for kind, words in (("still", "held in neither"), ("new", "tried only now"), ("gone", "tried only before")):
        said += [f"{counts[kind]} {words}"] * bool(counts[kind])
    return f"Cases: {', '.join(said)}; {found.same + counts['notes']} as before."


def _word(case: Mapping[str, Any] | None) -> str:
    return WORDS[case["verdict"]] if case else "is not in it"


def _reason(kind: str, old: Mapping[str, Any] | None, new: Mapping[str, Any] | None) -> str:
    if kind == "notes" and old and new:
        return f"before: {'; '.join(old['notes']) or 'no note'}; now: {'; '.join(new['notes']) or 'no note'}"
    told_ = old if kind == "better" else new
    return (told_ and told_["why"]) or ""


def _table(*headings: str) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="italic")
    for heading in headings:
        table.add_column(heading, overflow="fold")
    return table
