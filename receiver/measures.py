"""What can be measured from an account's rows alone: its clock's offset, its missing numbers, how long things took."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

Entry = Mapping[str, Any]

AGREE_SECONDS = 5  # by how much offsets of one clock may differ
AGREE_ROWS, AGREE_SPAN_SECONDS = 3, 30  # how many must agree, over how long, to be a clock and not late messages
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
    within the stamp's whole second. A stamp within DC-09's window is from a clock that is right. One from the future is
    from a fast clock. One from the past is from a slow clock where the clock was never seen right, or where several agree
    over a time that no burst of stored messages takes; else the message is late.
    """
    stamped = [
        (entry["row"], when(entry), (when(entry) - datetime.fromisoformat(entry["stamp"])).total_seconds())
        for entry in entries
        if entry["stamp"] is not None and entry["verdict"] in ("accepted", "poll")
    ]
    runs: list[list[tuple[int, datetime, float]]] = []
    for one in stamped:
        if not runs or abs(one[2] - runs[-1][0][2]) > AGREE_SECONDS:
            runs.append([])
        runs[-1].append(one)
    lows = [min(off for _, _, off in run) for run in runs]
    agreed = [len(run) >= AGREE_ROWS and (run[-1][1] - run[0][1]).total_seconds() >= AGREE_SPAN_SECONDS for run in runs]
    fast = next((place for place, low in enumerate(lows) if low < CLOCK_FAST), len(lows))
    # A late message of a fast clock may look right: after the first stamp from the future, being right must be agreed on.
    rights = [
        low for place, low in enumerate(lows) if CLOCK_FAST <= low <= CLOCK_SLOW and (place < fast or agreed[place])
    ]
    right = min(rights, default=None)
    slow = [low for low in lows if low > CLOCK_SLOW]
    found: dict[int, float] = {}
    before: float | None = None
    for run, own, sure in zip(runs, lows, agreed, strict=True):
        low = own
        if not sure and before is not None and before < CLOCK_FAST and before < own and right is None:
            low = before  # nothing shows that the fast clock was set
        elif CLOCK_FAST <= own <= CLOCK_SLOW:
            low = own if right is None else right
        elif own > CLOCK_SLOW and not sure:
            low = min(slow) if right is None else right
        before = low
        found |= {row: low for row, _, _ in run}
    return found


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
        elif (
            number == 1 or 0 < ahead < 9999 - MOST_JUMPED
        ):  # a little behind is a message that came late, and counts for nothing
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
