"""A sheet as somebody walks it: place by place, in the order of the plan, each with what to do there and what came of it."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import groupby

from receiver.conduct import SAID
from receiver.plan import Item
from receiver.sheet import Call, Line, Sheet
from receiver.wrong import Finding


@dataclass(slots=True)
class Place:
    """One thing to go to: a device, a user, a path, or something of the panel's; `about` is what calls it."""

    about: str
    name: str
    small: str  # `zone 015`
    lines: list[Line]
    findings: list[Finding] = field(default_factory=list)
    call: Call | None = None  # where it is called now, and has not come

    @property
    def due(self) -> list[Line]:
        """What is to be done here still."""
        return [line for line in self.lines if line.state in ("open", "half", "optional", "overdue")]

    @property
    def left(self) -> bool:
        """Whether something required is left here."""
        return any(line.state in ("open", "half", "overdue") for line in self.lines) or bool(self.findings)

    @property
    def optional(self) -> bool:
        """Whether nothing here has to be done, and nothing was."""
        return all(line.state == "optional" for line in self.lines) and not self.findings and self.call is None

    @property
    def can_be_called(self) -> bool:
        """Whether a signal could come of it that has not come."""
        return any(line.item.proof not in ("polls", *SAID) for line in self.due)

    @property
    def must_be_called(self) -> bool:
        """Whether a signal that is required could come of it that has not come whole."""
        return any(line.state in ("open", "half") and line.item.proof not in ("polls", *SAID) for line in self.lines)

    @property
    def before(self) -> list[str]:
        """What must be so first."""
        open_ones = [line.item for line in self.lines if line.state == "open"]
        return list(dict.fromkeys(item.before for item in open_ones if item.before))


@dataclass(slots=True)
class Stretch:
    """The places of one hazard, which may also be swept: all of them, in any order."""

    name: str
    places: list[Place]
    swept: bool = False  # whether that was said

    @property
    def optional(self) -> int:
        """How many rows are not required, and were not seen."""
        return sum(line.state == "optional" for place in self.places for line in place.lines)

    @property
    def can_be_swept(self) -> bool:
        """Whether it may be announced as a whole, with something left in it."""
        return self.name not in ("users", "paths", "system") and any(place.can_be_called for place in self.places)


def walk(sheet: Sheet) -> list[Stretch]:
    """The whole sheet in walk order."""
    stretches = []
    for group, lines in groupby(sheet.lines, lambda line: line.item.group):
        call = sheet.call
        swept = call is not None and call.sweep and call.about == group and not call.over(sheet.now)
        stretches.append(Stretch(group, list(_places(sheet, list(lines))), swept))
    return stretches


def elsewhere(sheet: Sheet) -> list[Finding]:
    """What is wrong, stands, and belongs to no place of the walk."""
    return [finding for finding in sheet.standing if _home(sheet, finding) is None]


def _home(sheet: Sheet, finding: Finding) -> str | None:
    """The row at whose place a finding is shown."""
    return next((line.item.id for line in sheet.lines if line.item.id in finding.items), None)


def _places(sheet: Sheet, lines: list[Line]) -> Iterator[Place]:
    of_place: dict[str, list[Line]] = {}
    for line in lines:
        of_place.setdefault(_about(line.item), []).append(line)
    for about, place_lines in of_place.items():
        item = place_lines[0].item
        name = item.name if item.subject != "panel" else item.what
        ids = {line.item.id for line in place_lines}
        findings = [finding for finding in sheet.standing if _home(sheet, finding) in ids]
        yield Place(about, name or item.subject, item.subject, place_lines, findings, _waiting(sheet, about, ids))


def _about(item: Item) -> str:
    """What calls it: a device by its subject; each of the panel's rows, and a path unplugged, by itself."""
    return item.id if item.subject == "panel" or item.unplugs else item.subject


def _waiting(sheet: Sheet, about: str, ids: set[str]) -> Call | None:
    for call in (sheet.call, sheet.path_call):
        if call and not call.came and not call.over(sheet.now) and (call.about == about or call.about in ids):
            return call
    return None
