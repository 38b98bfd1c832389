"""What decoding gives: frames, signals and problems as plain values, and the JSON that people's scripts hold on to."""

from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, NamedTuple

from protocols.envelope import KEPT_OF_NOISE, printable
from protocols.seal import Key

LIFE_SAFETY = frozenset(("fire", "gas", "medical", "panic", "burglary"))  # categories whose refusal is told loudly


class Problem(NamedTuple):
    """One thing that is wrong: a `rule` from a fixed set of words, and the detail in a sentence."""

    rule: str
    detail: str


class Extended(NamedTuple):
    """One extended field `[x…]` of DC-09. `name` is null for a letter that the standard does not list."""

    id: str
    name: str | None
    value: str


@dataclass(frozen=True, slots=True)
class Signal:
    """One event of one account. Numbers are text, as sent; `number` is the last one, whatever it counts.

    Frozen, as frames that say the same share it; nor may anybody change its `modifiers`.
    """

    code_set: str
    code: str
    qualifier: str
    meaning: str | None
    category: str
    area: str | None
    zone: str | None
    user: str | None
    text: str | None
    number: str | None
    from_memory: bool = False
    modifiers: dict[str, str] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        return {
            "code_set": self.code_set,
            "code": self.code,
            "qualifier": self.qualifier,
            "meaning": self.meaning,
            "category": self.category,
            "area": self.area,
            "zone": self.zone,
            "user": self.user,
            "text": self.text,
            "number": self.number,
            "from_memory": self.from_memory,
            "modifiers": self.modifiers,
        }


class Payload(NamedTuple):
    """What a token's reader makes of the text after the `|`."""

    signals: tuple[Signal, ...]
    problems: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class Frame:
    """One piece of what came in, as far as it could be read. Times are UTC; a value that the frame lacks is None.

    The `kind` is that of the piece, or `call` for the digits of a telephone call; then `call` holds what its sound was like.
    `content` is what stands after the `[`, opened if it was sealed; `data` and `account_inside` are the message in it and
    the account before its `|`. `raw` is cut to 256 bytes for noise and oversize; `size` is the whole count.
    """

    raw: bytes
    size: int
    kind: str = "frame"
    crc_sent: str | None = None
    crc_computed: str | None = None
    length_sent: int | None = None
    length_counted: int | None = None
    token: str | None = None
    encrypted: bool = False
    sequence: int | None = None
    sequence_sent: str = ""
    receiver: str | None = None
    prefix: str | None = None
    account: str | None = None
    content: str | None = None
    account_inside: str | None = None
    data: str | None = None
    stamp: datetime | None = None
    occurred: datetime | None = None
    padding: int | None = None
    signals: list[Signal] = field(default_factory=list)
    extended: list[Extended] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    call: dict[str, Any] | None = None
    key: Key | None = field(default=None, repr=False, compare=False)  # what opened it; never told

    def problem(self, rule: str, detail: str) -> None:
        self.problems.append(Problem(rule, detail))

    def from_memory(self) -> None:
        """Mark its signals as events that happened before, and come from the panel's memory."""
        self.signals = [replace(signal, from_memory=True) for signal in self.signals]

    def has(self, *rules: str) -> bool:
        """Whether any of these problems was found."""
        return bool(self.problems) and any(problem.rule in rules for problem in self.problems)

    @property
    def life_safety(self) -> bool:
        """Whether anything in it is readable as fire, gas, medical, panic or burglary (restorals too)."""
        return any(signal.category in LIFE_SAFETY for signal in self.signals)

    def to_json(self) -> dict[str, Any]:
        """The contract's object for one decoded frame, without the words of desk and line."""
        shown = self.raw if self.kind == "frame" else self.raw[:KEPT_OF_NOISE]
        found = {
            "at": None,
            "raw": printable(shown),
            "size": self.size,
            "crc": self.crc_sent and {"sent": self.crc_sent, "computed": self.crc_computed},
            "length": (
                None if self.length_sent is None else {"sent": self.length_sent, "counted": self.length_counted}
            ),
            "token": self.token,
            "encrypted": self.encrypted,
            "sequence": self.sequence,
            "receiver": self.receiver,
            "prefix": self.prefix,
            "account": self.account,
            "stamp": utc_text(self.stamp),
            "occurred": utc_text(self.occurred),
            "signals": [signal.to_json() for signal in self.signals],
            "extended": [entry._asdict() for entry in self.extended],
            "problems": [problem._asdict() for problem in self.problems],
            "notes": self.notes,
        }
        return found if self.call is None else found | {"call": self.call}


def legible(text: str) -> str:
    """Text that came from the wire, fit for a terminal: what is not printable as an escape, so that it cannot act there."""
    return text if text.isprintable() else "".join(c if c.isprintable() else f"\\x{ord(c):02X}" for c in text)


def utc_text(moment: datetime | None) -> str | None:
    """`2026-11-25T12:34:56Z`, from an aware UTC time."""
    return None if moment is None else f"{moment.isoformat()[:19]}Z"
