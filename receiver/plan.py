"""The plan of a proving: every single thing that an account must be seen to report, made from the devices in the book.

What a kind of device reports, with which codes, is data (`kinds.toml`, or a station's own file of that shape). A plan is
frozen once a proving starts: it stands whole in the journal's row, with the account as the book had it and without its
key, so that the judgement needs no other file.
"""

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from importlib.resources import files
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from protocols.codes import table
from protocols.dc09 import bare
from receiver.book import RARE_SECONDS, SECRETS, Account, AccountPath
from receiver.measures import spoken_time

HAZARDS = (
    "fire",
    "gas",
    "medical",
    "panic",
    "burglary",
    "environment",
    "users",
    "system",
    "paths",
)  # the sheet's order
CUT_OVER_HOURS = 24
CONFIRM_MINUTES = 30  # BS 8243: two different detectors within 30 to 60 minutes
Need = Literal["required", "optional", "pending"]
Restoral = Literal["required", "optional", "none"]
Proof = Literal["signal", "picture", "said", "polls", "confirmation", "live"]


class PlanError(ValueError):
    """What is wrong with a file of kinds or with a plan, and where."""


class Code(NamedTuple):
    """One code with its qualifier, as signals carry them."""

    code_set: str
    code: str
    qualifier: str


def accepted(codes: str) -> tuple[frozenset[Code], frozenset[Code]]:
    """The codes in the notation of `kinds.toml`: those that report the thing, and those that report its end.

    A ValueError names a code that no table has.
    """
    new: set[Code] = set()
    over: set[Code] = set()
    for word in codes.split():
        name = "contact_id" if word.isdigit() else "two_letter"
        code = word[-3:] if word.isdigit() else word
        if code not in table(name) or not re.fullmatch(r"[136]?\d{3}|[A-Z]{2}", word):
            raise ValueError(f"no code table has {word!r}")
        if len(word) == 4:
            new.add(Code("contact-id", code, {"1": "new", "3": "restore", "6": "status"}[word[0]]))
        elif len(word) == 3:
            new.add(Code("contact-id", code, "new"))
            over.add(Code("contact-id", code, "restore"))
        else:
            new.add(Code("sia", code, "restore" if table(name)[code].restores else "new"))
            over |= {Code("sia", row.code, "restore") for row in table(name).values() if row.restores == code}
    return frozenset(new), frozenset(over)


def _checked(codes: str) -> str:
    accepted(codes)
    return codes


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Report(_Strict):
    """One thing that a kind reports. Texts may hold `{name}`."""

    what: str
    codes: Annotated[str, BeforeValidator(_checked)] = ""
    need: Need = "required"
    restoral: Restoral = "none"
    do: str
    before: str = ""
    delay_seconds: Annotated[int, Field(ge=0)] = 0
    owner: str = ""
    due_hours: Annotated[int, Field(ge=1)] | None = None
    proof: Literal["signal", "said", "picture"] = "signal"


class Kind(_Strict):
    """A kind of device: where it stands on the sheet, what else people call it, and what it reports."""

    hazard: str
    words: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    reports: dict[str, Report]


class Kinds(_Strict):
    """All kinds, and what the panel, each user and each path report."""

    kind: dict[str, Kind]
    panel: dict[str, Report]
    user: dict[str, Report]
    path: dict[str, Report]

    def named(self, device: str | None) -> str:
        """The kind that a word of a zone list means; `unnamed device` where it means none."""
        word = " ".join((device or "").lower().split())
        for name, kind in self.kind.items():
            if word == name or word in kind.words:
                return name
        return "unnamed device"

    @property
    def spoken(self) -> list[tuple[str, tuple[str, ...]]]:
        """Each kind's name with what else people call it, for whoever reads zone lists."""
        return [(name, kind.words) for name, kind in self.kind.items()]


class Item(_Strict):
    """One row of a sheet: one thing to be seen, and what counts as having seen it."""

    id: str
    subject: str  # what the installer is asked for: `zone 015`, `user 002`, `path wired`, `panel`
    group: str
    name: str
    what: str
    proof: Proof = "signal"
    need: Need = "required"
    codes: Annotated[str, BeforeValidator(_checked)] = ""
    number: str | None = None  # of the zone or user that must be named; None where any may be
    area: str | None = None
    path: str | None = None
    restoral: Restoral = "none"
    called_only: bool = False  # proves nothing unless it was called: that it is alone, or which path is meant
    do: str = ""
    before: str = ""
    delay_seconds: int = 0
    owner: str = ""
    due_hours: int | None = None
    interval: int | None = None  # seconds, of polls
    tolerance: int | None = None

    @property
    def unplugs(self) -> bool:
        """Whether its path is unplugged, so that others report for it."""
        return self.id.endswith(" unplugged")

    @property
    def label(self) -> str:
        """`zone 015 Freezer room door: tamper`, `panel: low battery`"""
        name = f" {self.name}" if self.number is not None else ""
        return f"{self.subject}{name}: {self.what}"


class Plan(_Strict):
    """What is to be proved, and of which account. `why` says what it is for: a new system, or what changed."""

    account: Account
    encrypted: bool
    why: str = "new"
    kinds: dict[str, str]  # the kind of each zone, by its number
    items: Annotated[tuple[Item, ...], Field(min_length=1)]
    confirm_minutes: Annotated[int, Field(ge=1, le=240)] = CONFIRM_MINUTES
    edited: tuple[str, ...] = ()  # in words, how it differs from what the devices would make of it

    def to_json(self) -> dict[str, Any]:
        """What the journal keeps; without the key."""
        return self.model_dump(mode="json", exclude={"account": set(SECRETS)}, exclude_defaults=True)

    @classmethod
    def from_json(cls, found: Mapping[str, Any]) -> "Plan":
        """The plan from what `to_json` gave. PlanError when it is none."""
        try:
            return cls.model_validate(_frozen(found))
        except ValidationError as error:
            raise PlanError(_told(error)) from None

    def item(self, words: str) -> list[Item]:
        """The rows that a person may mean by `zone 15`, `15 tamper`, `wired test`, or part of a name."""
        asked = words.lower().split()
        exact = [item for item in self.items if [_plain(word) for word in item.id.lower().split()] == _plains(asked)]
        if exact:
            return exact
        subject = [item for item in self.items if _plains(item.subject.lower().split()) == _plains(asked)]
        if subject:
            return subject
        return [item for item in self.items if _means(item, asked)]


def _plain(word: str) -> str:
    return bare(word.upper()).lower() if word.isdigit() else word


def _plains(words: list[str]) -> list[str]:
    return [_plain(word) for word in words]


def _means(item: Item, asked: list[str]) -> bool:
    numbers = {bare(item.number).lower()} if item.number else set()
    text = f"{item.id} {item.name} {item.what}".lower()
    return all(_plain(word) in numbers if word.isdigit() else word in text for word in asked)


def parse_kinds(text: str, source: str, base: Kinds | None = None) -> Kinds:
    """Read a file of kinds; `base` gives what it does not have. PlanError says what is wrong, and where."""
    try:
        found = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"{source}: {error}") from None
    if strange := set(found) - {"every", "kind", "panel", "user", "path"}:
        raise PlanError(f"{source}: [{strange.pop()}] is none of [every.*], [kind.*], [panel.*], [user.*] and [path.*]")
    every = found.get("every", {})
    kinds: dict[str, Any] = {}
    for name, kind in found.get("kind", {}).items():
        own = {key: value for key, value in kind.items() if isinstance(value, dict)}
        plain = {key: value for key, value in kind.items() if not isinstance(value, dict)}
        if strange := set(plain.get("without", ())) - set(every):
            raise PlanError(f"{source}: kind {name!r} is to be without {strange.pop()!r}, which no [every.*] has")
        shared = (
            {} if name == "unnamed device" else {k: v for k, v in every.items() if k not in plain.get("without", ())}
        )
        kinds[name] = plain | {"reports": own | {k: v for k, v in shared.items() if k not in own}}
    whole = {
        "kind": (base.model_dump()["kind"] if base else {}) | kinds,
        **{part: found.get(part, base.model_dump()[part] if base else {}) for part in ("panel", "user", "path")},
    }
    try:
        made = Kinds.model_validate(_frozen(whole))
    except ValidationError as error:
        raise PlanError(f"{source}: {_told(error)}") from None
    if strange := {kind.hazard for kind in made.kind.values()} - set(HAZARDS):
        raise PlanError(f"{source}: hazard {strange.pop()!r} is none of {', '.join(HAZARDS)}")
    return made


@cache
def shipped_kinds() -> Kinds:
    """The kinds that come with farend."""
    return parse_kinds(files("receiver").joinpath("kinds.toml").read_text("utf-8"), "kinds.toml")


def make(account: Account, kinds: Kinds | None = None, *, why: str = "new") -> Plan:
    """The whole plan of an account: each zone by its kind, each user, the panel, each path, and the cut-over."""
    kinds = kinds or shipped_kinds()
    of_zone = {zone.number: kinds.named(zone.device) for zone in account.zone}
    items = sorted(_items(account, kinds, of_zone), key=lambda item: HAZARDS.index(item.group))
    return Plan(
        account=account.model_copy(update=dict.fromkeys(SECRETS)),
        encrypted=account.key is not None,
        why=why,
        kinds=of_zone,
        items=tuple(items),
    )


def _items(account: Account, kinds: Kinds, of_zone: dict[str, str]) -> Iterator[Item]:
    for zone in account.zone:
        kind = kinds.kind[of_zone[zone.number]]
        for word, report in kind.reports.items():
            yield _item(f"zone {zone.number}", word, report, kind.hazard, zone.name, number=zone.number, area=zone.area)
    for user in account.user:
        for word, report in kinds.user.items():
            yield _item(f"user {user.number}", word, report, "users", user.name, number=user.number)
    for word, report in kinds.panel.items():
        yield _item("panel", word, report, "system", account.name)
    if sum(kinds.kind[kind].hazard == "burglary" for kind in of_zone.values()) > 1:
        what = f"two different detectors within {CONFIRM_MINUTES} minutes (BS 8243)"
        yield Item(
            id="panel confirmation", subject="panel", group="burglary", name=account.name, what=what,
            proof="confirmation", need="optional", do="trip two different detectors, one soon after the other",
        )  # fmt: skip
    paths = account.path or (AccountPath(name=""),)
    alike = {name for pair in paths_alike(account) for name in pair}
    for path in paths:
        subject = f"path {path.name}" if path.name else "path"
        for word, report in kinds.path.items():
            if word != "unplugged" or path.name in alike:
                item = _item(subject, word, report, "paths", path.name or "only", path=path.name)
                yield item.model_copy(update={"called_only": True})
        yield from _promised(account, path, subject)
        # The panel is turned to the live receiver once everything else has been seen here.
        yield Item(
            id=f"{subject} cut-over", subject=subject, group="paths", name=path.name, path=path.name, proof="live",
            what="an alarm and its restoral seen at the live receiver", need="pending", owner="station",
            due_hours=CUT_OVER_HOURS,
            do=f"with the panel on its live receiver, trip one device over {path.name or 'its'} path alone: is it seen?",
        )  # fmt: skip


def _promised(account: Account, path: AccountPath, subject: str) -> Iterator[Item]:
    for promise in account.promises():
        if promise.path != path.name and not (promise.path == "" and path == (account.path or (path,))[0]):
            continue
        later = promise.kind == "test" or promise.interval > RARE_SECONDS  # proved later, by itself
        what = f"{'test reports' if promise.kind == 'test' else 'polls'} every {spoken_time(promise.interval)}"
        place = subject if promise.path or promise.kind == "poll" else "panel"
        yield Item(
            id=f"{place} {'daily test' if promise.kind == 'test' else 'polls'}", subject=place, group="paths",
            name=path.name, path=promise.path or None, what=what, proof="polls" if promise.kind == "poll" else "signal",
            need="pending" if later else "required", owner="station" if later else "",
            due_hours=-(-(6 * promise.interval + promise.tolerance) // 3600) if later else None,
            codes="602 603 608 RP" if promise.kind == "test" else "",
            interval=promise.interval, tolerance=promise.tolerance,
            do="wait: it comes by itself",
        )  # fmt: skip


def _item(
    subject: str,
    word: str,
    report: Report,
    group: str,
    name: str,
    *,
    number: str | None = None,
    area: str | None = None,
    path: str | None = None,
) -> Item:
    texts = {key: getattr(report, key).replace("{name}", name) for key in ("do", "before")}
    rest = report.model_dump(
        include={"what", "codes", "need", "restoral", "delay_seconds", "owner", "due_hours", "proof"}
    )
    return Item(id=f"{subject} {word}", subject=subject, group=group, name=name, number=number, area=area, path=path,
                **rest, **texts)  # fmt: skip


def paths_alike(account: Account) -> list[tuple[str, str]]:
    """The pairs of paths that cannot be told apart from here: whatever fits one fits the other as well as it."""
    pairs = []
    for place, one in enumerate(account.path):
        for other in account.path[place + 1 :]:
            marks = [(getattr(one, mark), getattr(other, mark)) for mark in ("line", "port", "prefix", "network")]
            given = [sum(pair[side] is not None for pair in marks) for side in (0, 1)]
            if given[0] == given[1] and not any(_apart(*pair) for pair in marks):
                pairs.append((one.name, other.name))
    return pairs


def _apart(one: Any, other: Any) -> bool:
    if one is None or other is None:
        return (one is None) != (other is None)
    if isinstance(one, str) and isinstance(other, str):
        return bare(one.upper()) != bare(other.upper())
    if hasattr(one, "overlaps"):
        return one.version != other.version or not one.overlaps(other)
    return bool(one != other)


def changed(plan: Plan, before: Account, encrypted: bool) -> tuple[Plan, list[str]]:
    """The rows that a change since an earlier proving calls for, and the changes in words.

    A zone, user or path that is new, or stands otherwise in the book, is proved again; so is what a changed promise says,
    and everything where encryption was switched on or off. `encrypted` says whether it was on then; that a key was
    exchanged for another cannot be seen.
    """
    after, said, subjects = plan.account, [], set()
    for kind in ("zone", "user", "path"):
        old = {_key(entry): entry for entry in getattr(before, kind)}
        for entry in getattr(after, kind):
            known = old.pop(_key(entry), None)
            subject = f"{kind} {entry.name if kind == 'path' else entry.number}"
            if known != entry:
                subjects.add(subject)
                said.append(f"{subject} is new" if known is None else f"{subject} has changed")
        said += [f"{kind} {name} is gone" for name in old]
    for what in ("poll_seconds", "tolerance_seconds", "test_hours", "category", "number", "receiver", "prefix"):
        if getattr(before, what) != getattr(after, what):
            said.append(f"{what} was {getattr(before, what)}, is {getattr(after, what)}")
            subjects |= {item.subject for item in plan.items if item.group == "paths"}
    if plan.encrypted != encrypted:
        said.append("it encrypts now" if plan.encrypted else "it does not encrypt any more")
        subjects |= {item.subject for item in plan.items}
    return only(plan, subjects, "; ".join(said)), said


def edited(plan: Plan, made: Plan) -> Plan:
    """The plan with a note of every row that differs from what the devices make of it, so that the record shows it.

    PlanError where nothing would be left that a signal must prove.
    """
    told = []
    rows = {item.id: item for item in plan.items}
    subjects = {item.subject for item in plan.items}
    for item in made.items:
        now = rows.pop(item.id, None)
        if now is None and item.subject in subjects:
            told.append(f"{item.label}: taken out")
        elif now is not None and now != item:
            differ = [key for key in Item.model_fields if getattr(now, key) != getattr(item, key)]
            told.append(f"{item.label}: " + ", ".join(f"{key} {getattr(now, key)!r}" for key in differ))
    told += [f"{item.label}: added" for item in rows.values()]
    if plan.confirm_minutes != made.confirm_minutes:
        told.append(f"two detectors may confirm an alarm within {plan.confirm_minutes} minutes")

    def asks(items: Iterable[Item]) -> bool:
        return any(item.need == "required" and item.proof in ("signal", "picture") for item in items)

    if not asks(plan.items) and (not subjects or asks(item for item in made.items if item.subject in subjects)):
        raise PlanError("the plan has no required row that a signal must prove: it would prove nothing")
    for item in plan.items:
        if item.need == "pending" and item.group in ("fire", "gas", "medical", "panic"):
            raise PlanError(f"{item.label} cannot be pending: what comes by itself is not known to be the installer's")
    return plan.model_copy(update={"edited": tuple(told)})


def only(plan: Plan, subjects: set[str], why: str) -> Plan:
    """The plan cut down to these subjects."""
    items = tuple(item for item in plan.items if item.subject in subjects)
    return plan.model_copy(update={"items": items, "why": why})


def _key(entry: Any) -> str:
    return entry.name if isinstance(entry, AccountPath) else bare(entry.number)


def _frozen(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_frozen(one) for one in value)
    return {key: _frozen(one) for key, one in value.items()} if isinstance(value, Mapping) else value


def _told(error: ValidationError) -> str:
    return "; ".join(f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in error.errors())
