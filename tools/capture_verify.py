"""`farend capture verify`: hold the decoder to recordings and their golden files."""

import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any
from xml.etree import ElementTree

import orjson
import typer
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

from receiver import golden, junit
from receiver.capture import CaptureError, Happening, Opened
from receiver.golden import SUFFIX, Difference, GoldenError, Group, Held
from tools.common import OUT, TALK, check_outputs, stop, write_outputs

RECORDINGS = (
    ".capture",
    ".pcap",
    ".pcapng",
    ".log",
    ".hex",
    ".gz",
)  # names that say that something wants a golden file


def verify(
    places: Annotated[list[Path], typer.Argument(metavar="DIR|FILE…", help="Folders, or recordings.")],
    accept: Annotated[bool, typer.Option("--accept", help="Take what is new: write those that differ anew.")] = False,
    report: Annotated[Path | None, typer.Option("--junit", metavar="FILE", help="A JUnit report, for CI.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a difference on stdout.")] = False,
) -> None:
    """Hold what decoder and desk make of recordings to their golden files, and show each difference in words.

    The same difference at many frames is told once. Exit code 1 where anything differs, or lacks its other half.

    Example: farend capture verify fixtures --junit verify.xml
    """
    check_outputs({"--junit": report})
    goldens, lonely = _found(places)
    if not goldens and not lonely:
        stop(f"{', '.join(map(str, places))}: no golden file is there; `farend capture expect FILE` makes one")
    results: list[tuple[Held, float]] = []
    columns = (TextColumn("verifying"), BarColumn(), TaskProgressColumn(), TextColumn("{task.description}"))
    bar = Progress(*columns, console=TALK, transient=True)
    with bar:
        task = bar.add_task("", total=len(goldens), visible=TALK.is_terminal)

        def reading(opened: Opened) -> Iterator[Happening]:
            for number, happening in enumerate(opened.happenings):
                yield happening
                if not number % 1000:
                    bar.update(task, completed=len(results) + opened.taken / max(opened.size, 1))

        for path in goldens:
            bar.update(task, description=path.name)
            began = time.monotonic()
            held = golden.hold(path, reading)
            results.append((held, time.monotonic() - began))
            bar.update(task, completed=len(results))
            if as_json:
                _print_json(held)
            elif not held.holds:
                tell(held)
            if accept and held.groups and held.why is None:
                _accept(path)
    wrong = [held for held, _ in results if not held.holds]
    for path in lonely:
        TALK.print(
            f"✗ {path} has no golden file; `farend capture expect {path}` makes one", markup=False, soft_wrap=True
        )
    frames = sum(held.frames for held, _ in results)
    TALK.print(
        f"{len(results)} recording{'s' * (len(results) != 1)}, {frames} frames: {len(results) - len(wrong)} hold"
        + (f", {len(wrong)} {'differed' if accept else 'differ'}" if wrong else "")
        + (f", {len(lonely)} without a golden file" if lonely else "")
    )
    write_outputs([(report, lambda: _junit(results, lonely))])
    left = [held for held in wrong if held.why is not None] if accept else wrong
    raise typer.Exit(1 if left or lonely else 0)


def _found(places: list[Path]) -> tuple[list[Path], list[Path]]:
    """The golden files below these places, in order, and what looks like a recording and has none."""
    goldens: dict[Path, None] = {}
    lonely: dict[Path, None] = {}
    for place in places:
        if place.is_dir():
            goldens |= dict.fromkeys(sorted(place.rglob(f"*{SUFFIX}")))
            names = (path for path in sorted(place.rglob("*")) if path.suffix.lower() in RECORDINGS and path.is_file())
            lonely |= {path: None for path in names if not path.with_name(path.name + SUFFIX).exists()}
        elif place.name.endswith(SUFFIX) and place.is_file():
            goldens[place] = None
        elif not place.exists():
            stop(f"{place}: there is no such file or folder")
        elif (beside := place.with_name(place.name + SUFFIX)).exists():
            goldens[beside] = None
        else:
            lonely[place] = None
    return list(goldens), list(lonely)


def tell(held: Held) -> None:
    """One recording's differences, for a person."""
    many = sum(group.count for group in held.groups) + held.beyond
    what = "cannot be held to its golden file" if held.why else f"{len(held.groups)} kinds of difference, {many} in all"
    OUT.print(f"✗ {held.recording}: {what}", style="bold", markup=False, soft_wrap=True)
    for text in golden.told(held, min(OUT.width, 120)):
        OUT.print(f"  {text}", style=_style(text), markup=False, soft_wrap=True)


def _style(text: str) -> str:
    return {"  - ": "red", "  + ": "green", "    ": "dim"}.get(text[:4], "")


def _accept(path: Path) -> None:
    try:
        count = golden.accept(path)
    except (GoldenError, CaptureError) as error:
        stop(f"{path}: {error}")
    except OSError as error:
        stop(f"{path} cannot be written: {error.strerror}")
    TALK.print(f"taken: {path}, {count} lines", markup=False, soft_wrap=True)


def _print_json(held: Held) -> None:
    for one in _objects(held):
        sys.stdout.buffer.write(orjson.dumps(one) + b"\n")
    sys.stdout.buffer.flush()


def _objects(held: Held) -> Iterator[dict[str, Any]]:
    where = {"recording": str(held.recording)}
    if held.why:
        yield where | {"why": held.why}
    for group in held.groups:
        yield where | _object(group, group.first)


def _object(group: Group, one: Difference) -> dict[str, Any]:
    return {
        "what": one.what,
        "old": one.old,
        "new": one.new,
        "frame": one.number,
        "frames": group.numbers,
        "count": group.count,
        "golden": one.golden,
        "raw": golden.raw_of(one.passed),
    }


def _junit(results: list[tuple[Held, float]], lonely: list[Path]) -> str:
    root = ElementTree.Element("testsuites", name="farend capture verify")
    suite = ElementTree.SubElement(root, "testsuite", name="recordings")
    for held, seconds in results:
        case = junit.testcase(suite, str(held.recording), seconds)
        if not held.holds:
            message = held.why or f"{len(held.groups)} kinds of difference"
            kind = "error" if held.why else "failure"
            text = "\n".join(golden.told(held))
            ElementTree.SubElement(case, kind, message=junit.legal(message)).text = junit.legal(text)
    for path in lonely:
        ElementTree.SubElement(junit.testcase(suite, str(path), 0.0), "error", message="it has no golden file")
    return junit.written(root)
