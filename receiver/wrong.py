"""What can be wrong with what an account reports, in words that an installer understands."""

from dataclasses import dataclass, field
from typing import Any

# A rule, and what is said when it is broken. Whatever stands in braces is put in by the judgement.
WRONG = {
    # the right thing, wrongly
    "wrong-area": (
        "{device} came, the right device, in {got}; it belongs to {due}. Mend the area of this zone in the panel."
    ),
    "wrong-kind": (
        "{device} is listed as “{kind}”, and reports “{meaning}” ({code}). It should report {due}: its type in "
        "the panel is wrong, or this is another device."
    ),
    "no-picture": "{device} reported, and no picture came with it.",
    "no-restoral": (
        "{device}: {what} came, and no restoral since ({waited}). Is the device at rest, and does the panel send "
        "restorals?"
    ),
    "twice": (
        "{what} was reported twice, {apart} apart, as two messages{over}: a second reporting path or format is on, "
        "or the device trips twice."
    ),
    "late": "{what} arrived {took} after {since}{rightful}. What held it up?",
    # another thing
    "other-device": "{called} was called, and {device} came ({what}).",
    "swapped": (
        "{called} and {device} are swapped: when one was called, the other came. Exchange their numbers in the "
        "panel, or in the list, and call both again."
    ),
    "not-listed": (
        "{device} is not on the {list}: {what} came{called}. Either the list lacks it, or the panel sends a wrong "
        "number."
    ),
    "unknown-code": "Code {code} came, which no table lists: the panel's programming is to be looked at.",
    "not-ours": "{what}: the installer says that it was not theirs. Handle it as real.",
    # by the wrong way
    "wrong-path": (
        "{what} came over {path} while {wanted} alone was under test: {wanted} did not carry it, or was not alone. "
        "Unplug {path}, call {wanted} once more, and repeat."
    ),
    "path-unknown": (
        "While {wanted} was under test, something came by a path that nothing in the book fits: the book's marks of "
        "the paths (line, port, prefix, network) are wrong."
    ),
    "paths-alike": (
        "The paths {one} and {two} cannot be told apart from here: they carry the same marks in the book. What "
        "would tell: unplug {one} alone, expect its trouble over {two}, plug it in, expect the restoral; then the "
        "other way round."
    ),
    "poll-gap": "Nothing came over {path} for {gap}; a poll is promised every {promised}.",
    "category": (
        "EN 50136-1 {category} wants a report over {path} every {limit} at most; polls are promised {promised}."
    ),
    # in the wrong form
    "in-clear": (
        "{what} came in clear{over}, and this account has a key: encryption is off in the panel, or on this path of it."
    ),
    "undecryptable": (
        "A sealed message does not open with the account's key: the key in the panel is another, or of another length."
    ),
    "stale-clock": "A sealed message was refused: the panel's clock is {off}. It was told the time and should take it.",
    "clock": "The panel's clock is {off}.",
    "unsupported": "A message came that cannot be used: {detail}.",
    "unreadable": "A damaged message came: {detail}.",
    "missing": (
        "Before this message the panel numbered {count} that never came here ({numbers}): they were lost, or went "
        "to another receiver."
    ),
    # signs of another panel
    "address-changed": (
        "{path} came from {before} and now comes from {now}: another {what} means another connection, or another panel."
    ),
    "two-sources": (
        "Messages over {path} come from {one} and {two} by turns: two panels may be sending as this account."
    ),
}


@dataclass(slots=True)
class Finding:
    """Something that went wrong. It is settled when its rows were proved again after it, or by a person's reason."""

    id: str
    rule: str
    text: str
    row: int
    at: str
    items: list[str] = field(default_factory=list)
    path: str | None = None
    last: int = 0  # the last row that shows it
    settled: str = ""  # why it is no more; empty while it stands
    reason: str = ""  # the part of that which a person gave

    def to_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in ("id", "rule", "text", "row", "at", "items", "settled")}
