"""What can be measured from an account's rows alone: its clock's offset, its missing numbers, how long things took."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

Entry = Mapping[str, Any]

JUMP_SECONDS = 60  # between the offsets of two runs of stamps: the panel's clock was set
AGREE_SECONDS = 5  # by how much the first rows of a new run may differ
MOST_JUMPED = 100  # numbers that a gap may lack before it is taken for a new count
CLOCK_FAST, CLOCK_SLOW = -20.0, 41.0  # DC-09's window around our clock (from memory), and a stamp's whole second

# EN 50136-1, the longest reporting time in seconds on the primary and on an alternative path (from memory of the standard).
CATEGORIES: dict[str, tuple[int, int | None]] = {
    "SP1": (32 * 86400, None),
    "SP2": (25 * 3600, None),
    "SP3": (1800, None),
    "SP4": (180, None),
    "SP5": (90, None),
    "SP6": (20, None),
    "DP1": (25 * 3600, 50 * 3600),
    "DP2": (1800, 25 * 3600),
    "DP3": (180, 25 * 3600),
    "DP4": (90, 5 * 3600),
}


def when(entry: Entry) -> datetime:
    """When a row arrived, or was said."""
    return datetime.fromisoformat(entry["at"])


def age(entry: Entry) -> float | None:
    """Seconds from when a message says it was made (H, else its stamp) to its arrival, by two clocks; None without."""
    made = entry.get("occurred") or entry["stamp"]
    return None if made is None else (when(entry) - datetime.fromisoformat(made)).total_seconds()


def offsets(entries: Iterable[Entry]) -> dict[int, float]:
    """By how many seconds the panel's clock is behind ours, for each stamped row; less than 0 where it is ahead.

    Nothing arrives before it was made, so the smallest of (arrival − stamp) is nearest to the offset of the two clocks,
    within the stamp's whole second. Where all that follows stays well above what was before, the panel's clock was set
    back in between, and a new run begins; three rows must agree on it, lest one late message be taken for a clock.
    """
    stamped = [
        (entry["row"], (when(entry) - datetime.fromisoformat(entry["stamp"])).total_seconds())
        for entry in entries
        if entry["stamp"] is not None and entry["verdict"] in ("accepted", "poll")
    ]
    least, lows = float("inf"), []  # the smallest from each place on
    for _, off in reversed(stamped):
        least = min(least, off)
        lows.append(least)
    lows.reverse()
    runs: list[list[tuple[int, float]]] = [[]]
    low = float("inf")
    for place, (row, off) in enumerate(stamped):
        ahead = [later for _, later in stamped[place : place + 3]]
        if lows[place] > low + JUMP_SECONDS and len(ahead) == 3 and max(ahead) - min(ahead) <= AGREE_SECONDS:
            runs.append([])
            low = float("inf")
        low = min(low, off)
        runs[-1].append((row, off))
    return {row: min(off for _, off in run) for run in runs for row, _ in run}


def clock_in_words(off: float) -> str:
    """`right within 1 s`, `12 min fast`, `1 hour slow, a whole number of hours: …`"""
    hours = round(off / 1800) / 2
    side = "slow" if off > 0 else "fast"
    if hours and abs(off - hours * 3600) <= 90:
        whole = f"{abs(hours):g} hour{'s' * (abs(hours) != 1)}"
        return f"{whole} {side}, a whole number of hours: it is set to local time, and the stamp must be UTC"
    return f"right within {max(abs(off), 1):.0f} s" if -2 < off <= 5 else f"{spoken_time(abs(off))} {side}"


def missing(entries: Iterable[Entry]) -> dict[int, Entry]:
    """The sequence numbers that never came, each with the message after the gap. 9999 is followed by 1.

    A panel may count over all its paths together or on each by itself: whichever lacks fewer numbers is what it does.
    """
    counted = [
        entry for entry in entries if entry["sequence"] and entry["verdict"] not in ("poll", "repeat", "unreadable")
    ]
    of_paths: dict[int, Entry] = {}
    for path in {entry["path"] for entry in counted}:
        of_paths |= _skipped(entry for entry in counted if entry["path"] == path)
    return min(_skipped(counted), of_paths, key=len)


def _skipped(entries: Iterable[Entry]) -> dict[int, Entry]:
    last: int | None = None
    found: dict[int, Entry] = {}
    for entry in entries:
        number = entry["sequence"]
        if last is None:
            last = number
            continue
        ahead = (number - last) % 9999
        if number in found:
            del found[number]  # it came late, on another path
        elif 0 < ahead <= MOST_JUMPED:
            found |= {(last + step - 1) % 9999 + 1: entry for step in range(1, ahead)}
            last = number
        elif ahead:
            last = number  # a new count: a restart, or another panel
    return found


def spread(values: Iterable[float]) -> dict[str, float] | None:
    """Shortest, median and longest, in seconds to the millisecond; None of nothing."""
    ordered = sorted(values)
    if not ordered:
        return None
    found = {"shortest": ordered[0], "median": ordered[len(ordered) // 2], "longest": ordered[-1]}
    return {name: round(value, 3) for name, value in found.items()}


def spoken_time(seconds: float) -> str:
    """`90 s`, `3 min`, `2 min 30 s`, `25 h`, `4 days`"""
    whole = round(seconds)
    for least, unit, name, below, smaller in (
        (3 * 86400, 86400, "days", 3600, "h"),
        (7200, 3600, "h", 60, "min"),
        (120, 60, "min", 1, "s"),
    ):
        if whole >= least:
            rest = whole % unit // below
            return f"{whole // unit} {name}" + (f" {rest} {smaller}" if rest else "")
    return f"{whole} s"
