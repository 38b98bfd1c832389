"""What is kept of one piece or one event: when, whose, which verdict, and the object that `listen --json` prints.

The object of a frame is made when somebody asks for it. Its JSON seldom needs it: a stencil that was cut from the entry of a
frame which said the same is filled in.
"""

from datetime import datetime
from typing import Any

import orjson

from protocols import stencil
from protocols.dc09 import bare
from receiver import desk
from receiver.desk import Decision, Origin
from receiver.journal import whose

MOST_STENCILS = 50_000
_HOLES = ("at", *stencil.HOLES, "peer", "row", "sequence_note", "repeat_of")

Stencils = dict[Any, str]  # by all that an entry says besides its holes; to be cleared when the book is another


class OwnEntry:
    """One of the bench's own rows, or one that changes no more."""

    def __init__(self, found: dict[str, Any]) -> None:
        self.found = found
        self.at, self.account, self.verdict = found["at"], whose(found), found.get("verdict")

    def numbered(self, row: int | None) -> bytes:
        """Its JSON, as the row of that number."""
        self.found["row"] = row
        return self.json

    def kept_as(self, text: bytes) -> None:
        """Another bench took its number."""
        self.found = orjson.loads(text)

    @property
    def json(self) -> bytes:
        """The object's JSON."""
        return orjson.dumps(self.found)


class Entry:
    """What was decided of one frame."""

    __slots__ = ("_found", "_json", "_now", "_stencils", "at", "decision", "origin", "path", "row")

    def __init__(self, decision: Decision, now: datetime, origin: Origin, stencils: Stencils) -> None:
        account = decision.account
        self.decision, self.origin, self._stencils = decision, origin, stencils
        self._now, self.at = now, desk.millis(now)
        self.row: int | None = None
        self.path = account.path_of(origin.line, origin.port, decision.frame.prefix, origin.host) if account else None
        self._found: dict[str, Any] | None = None
        self._json: bytes | None = None

    @property
    def account(self) -> str | None:
        """Whose it is: the number as numbers are compared."""
        number = self.decision.frame.account
        return bare(number) if number else None

    @property
    def verdict(self) -> str:
        return self.decision.verdict

    @property
    def found(self) -> dict[str, Any]:
        """The whole object."""
        if self._found is None:
            if self._json is None:
                self._found = desk.entry(self.decision, self._now, self.origin) | {"row": self.row}
            else:
                self._found = orjson.loads(self._json)
        return self._found

    @property
    def json(self) -> bytes:
        """The object's JSON."""
        if self._json is None:
            self._json = self._filled() or orjson.dumps(self.found)
        return self._json

    def numbered(self, row: int | None) -> bytes:
        """Its JSON, as the row of that number; by what is decided now, if that has changed."""
        self.row, self._found, self._json = row, None, None
        return self.json

    def kept_as(self, text: bytes) -> None:
        """Another bench took its number, or had kept its message before."""
        self._found, self._json = None, text

    def _filled(self) -> bytes | None:
        decision, account = self.decision, self.decision.account
        if account is None or decision.warning or decision.refused_alarm or not (said := stencil.says(decision.frame)):
            return None
        key = said, account.mark, self.path, self.origin.line, decision.verdict, decision.reply
        pattern = self._stencils.get(key)
        if pattern is None:
            pattern = stencil.cut(desk.entry(decision, self._now, self.origin), _HOLES)
            if pattern is None:
                return None
            if len(self._stencils) >= MOST_STENCILS:
                self._stencils.clear()
            self._stencils[key] = pattern
        note, first, row = decision.sequence_note, decision.repeat_of, self.row
        filled = pattern % (
            f'"{self.at}"',
            *stencil.fills(decision.frame),
            f'"{self.origin.peer}"',
            "null" if row is None else row,
            f'"{note}"' if note else "null",
            "null" if first is None else first,
        )
        return filled.encode()
