"""The sheet of a proving: what is to be seen, what was seen of it, what went wrong, and what to say next."""

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Literal

from receiver.measures import Entry, spoken_time, spread
from receiver.plan import Code, Item, Plan
from receiver.storms import Storm
from receiver.wrong import Finding

CALL_SECONDS = 600  # how long a call stands when no other follows
How = Literal["called", "swept"]
State = Literal[
    "called", "swept", "said", "seen live", "polled", "half", "open", "pending", "overdue", "skipped", "optional"
]
GOOD = frozenset(("called", "swept", "said", "seen live", "polled"))
ROLES = ("engineer", "installer")  # both sign
STATES = {
    "called": "proved: the installer said that it comes, and it came",
    "swept": "proved: it reports; which device on the wall it is was not called",
    "said": "somebody on site said so",
    "seen live": "seen at the live receiver",
    "polled": "proved: polls came as promised",
    "half": "it came, and its restoral is still due",
    "open": "not seen yet",
    "pending": "proved later, by itself",
    "overdue": "should have been proved by itself by now",
    "skipped": "left out, with a reason",
    "optional": "not seen, and not required",
}


@dataclass(slots=True)
class Line:
    """One row of the sheet: the thing to be seen, what was seen of it, and in which rows of the journal."""

    item: Item
    state: State = "open"
    rows: list[int] = field(default_factory=list)  # that prove it
    at: str | None = None
    path: str | None = None
    why: str = ""  # of a skip; or who saw it
    calls: int = 0
    again: list[str] = field(default_factory=list)  # reasons for which it was to be proved again
    how: How = "swept"
    alarm: int | None = None  # the row of the alarm whose restoral is still due
    alarm_at: datetime | None = None
    alarm_how: How = "swept"
    alarm_code: Code | None = None
    skip_row: int = 0
    sound: bool = True  # whether that alarm was as it should be
    good: int = 0  # the last row that is as it should be
    good_called: int = 0

    def found_good(self, row: int, how: How) -> None:
        """A signal came as it should."""
        self.good = row
        if how == "called":
            self.good_called = row

    def to_json(self) -> dict[str, Any]:
        found = {"item": self.item.id, "label": self.item.label, "need": self.item.need, "state": self.state}
        return found | {name: getattr(self, name) for name in ("rows", "at", "path", "why", "calls", "again")}


@dataclass(slots=True)
class Polls:
    """What came over one path: `between` are seconds from poll to poll with nothing else in between."""

    promised: int | None = None
    tolerance: int = 0
    polls: int = 0
    signals: int = 0
    last: str | None = None
    longest: float = 0.0  # silence, in seconds, while the path was not unplugged on purpose
    between: list[float] = field(default_factory=list)
    hosts: list[str] = field(default_factory=list)

    @property
    def jitter(self) -> float | None:
        """The difference between the longest and the shortest time from poll to poll, in seconds."""
        return max(self.between) - min(self.between) if self.between else None

    def to_json(self) -> dict[str, Any]:
        found = {name: getattr(self, name) for name in ("promised", "tolerance", "polls", "signals", "last", "hosts")}
        jitter = None if self.jitter is None else round(self.jitter, 3)
        return found | {"interval": spread(self.between), "jitter": jitter, "longest_silence": round(self.longest, 3)}


@dataclass(slots=True)
class Call:
    """What the installer said comes now: a row or its device (`zone 015`), a path, or, as a sweep, all of one hazard."""

    about: str
    at: datetime
    row: int
    sweep: bool = False
    came_at: datetime | None = None
    alone: bool = True  # of a path: nothing came over another one meanwhile
    instead: list[tuple[Entry, Entry, str]] = field(default_factory=list)  # what came while it did not

    @property
    def came(self) -> bool:
        """Whether what was called has come."""
        return self.came_at is not None

    def over(self, now: datetime) -> bool:
        """Whether it has stood for too long."""
        return (now - self.at).total_seconds() > CALL_SECONDS

    @property
    def path(self) -> str | None:
        """The path that it is about: to be alone (`path wired`), or to be unplugged (`path wired unplugged`)."""
        if self.about != "path" and not self.about.startswith("path "):
            return None
        return self.about.removeprefix("path").strip().removesuffix(" unplugged")

    @property
    def unplugs(self) -> bool:
        """Whether that path is unplugged, and the others speak for it."""
        return self.path is not None and self.about.endswith(" unplugged")


@dataclass
class Sheet:
    """What a proving has come to. `now` is the time for which it was judged."""

    plan: Plan
    now: datetime
    proving: str
    lines: list[Line]
    begun: str | None = None
    begun_row: int | None = None
    last_row: int = 0
    ended: str | None = None
    by: str = ""
    installer: str = ""
    findings: list[Finding] = field(default_factory=list)
    questions: list[dict[str, Any]] = field(default_factory=list)
    left_out: list[dict[str, Any]] = field(default_factory=list)
    tests: list[dict[str, Any]] = field(default_factory=list)
    clock: dict[str, Any] | None = None
    delays: list[float] = field(default_factory=list)
    paths: dict[str, Polls] = field(default_factory=dict)
    missing: list[int] = field(default_factory=list)
    repeats: int = 0
    confirmed: list[dict[str, Any]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    agreed: list[dict[str, Any]] = field(default_factory=list)  # signatures, whether they stand or not
    signed: list[dict[str, Any]] = field(default_factory=list)  # records
    recent: list[Entry | Storm] = field(default_factory=list)
    call: Call | None = None
    path_call: Call | None = None
    mirrored: bool = False  # some of what was seen came to a bench that answered nobody
    rehearsed: bool = False  # what proves it came from this machine itself: no panel was there

    @property
    def standing(self) -> list[Finding]:
        """What is wrong and not settled."""
        return [finding for finding in self.findings if not finding.settled]

    @property
    def open(self) -> list[Line]:
        """What is required and not seen yet."""
        return [line for line in self.lines if line.state in ("open", "half", "overdue")]

    @property
    def pending(self) -> list[Line]:
        """What is proved later by itself."""
        return [line for line in self.lines if line.state == "pending"]

    @property
    def verdict(self) -> Literal["proved", "provisional", "open"]:
        """`proved` when nothing is left; `provisional` when only what is proved later is; else `open`."""
        if self.open or self.standing or self.questions or self.begun is None:
            return "open"
        return "provisional" if self.pending else "proved"

    @property
    def signed_whole(self) -> bool:
        """Whether it was signed with nothing left for later."""
        return any(not one["provisional"] for one in self.signed)

    @property
    def over(self) -> bool:
        """Whether nobody does anything in it any more: it was ended, or signed whole."""
        return self.ended is not None or self.signed_whole

    @property
    def until(self) -> datetime | None:
        """When the test that runs now ends; None when the account is not on test."""
        test = self.tests[-1] if self.tests else None
        if test is None or test["ended"] or datetime.fromisoformat(test["until"]) <= self.now:
            return None
        return datetime.fromisoformat(test["until"])

    def to_json(self) -> dict[str, Any]:
        """The sheet as data: what `farend prove judge --json` prints and a record keeps."""
        plan = self.plan
        return {
            "proving": self.proving,
            "account": plan.account.number,
            "account_name": plan.account.name,
            "why": plan.why,
            "encrypted": plan.encrypted,
            "begun": self.begun,
            "by": self.by,
            "installer": self.installer,
            "ended": self.ended,
            "judged": self.now.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "rows": [self.begun_row, self.last_row],
            "verdict": self.verdict,
            "rehearsed": self.rehearsed,
            "tests": self.tests,
            "sheet": [line.to_json() for line in self.lines],
            "findings": [finding.to_json() for finding in self.findings],
            "questions": self.questions,
            "left_out": self.left_out,
            "clock": self.clock,
            "delay": spread(self.delays),
            "paths": {name: polls.to_json() for name, polls in self.paths.items()},
            "missing": self.missing,
            "repeats": self.repeats,
            "confirmed": self.confirmed,
            "remarks": self.remarks,
            "agreed": self.agreed,
            "signed": self.signed,
        }


def next_sentence(sheet: Sheet) -> tuple[str, str]:
    """What the engineer says aloud next, and what it is about: the row, the finding, or the command that answers."""
    if sheet.begun is None:
        return "This proving has not begun.", ""
    if sheet.ended is not None:
        return "This proving is over.", ""
    if sheet.questions:
        one = sheet.questions[0]
        return f"{one['text']} came at {one['at'][11:19]} UTC. Is this you?", f"answer {one['row']} yes or no"
    if sheet.until is None and (sheet.open or sheet.standing):
        return "STOP. The account is not on test: trip nothing more, and confirm with the station.", ""
    told = [finding for finding in sheet.standing if finding.rule != "paths-alike"]
    call = sheet.call or sheet.path_call
    waits = call is not None and not call.sweep and not call.came and not call.over(sheet.now)
    if call is not None and waits and not any(finding.last > call.row for finding in told):
        about = f"a test report over {call.path} alone" if call.path and not call.unplugs else call.about
        return f"I am waiting for {about}.", f"called {(sheet.now - call.at).total_seconds():.0f} s ago"
    told.sort(key=lambda finding: finding.last)
    half = next((line for line in sheet.lines if line.state == "half"), None)
    # What came rightly since is finished first: its restoral may settle what was wrong.
    if told and not (half and (half.alarm or 0) > told[-1].last):
        return told[-1].text, told[-1].id
    if half is not None:
        return f"{half.item.label}: it came. Now let it come to rest; its restoral is due.", half.item.id
    line = next((line for line in sheet.lines if line.state == "open"), None)
    if line is not None:
        do = line.item.do[:1].upper() + line.item.do[1:]
        before = (
            f"{line.item.before}. Then say “now”, and {line.item.do}."
            if line.item.before
            else f"Say “now”, and {line.item.do}."
        )
        return (do + "." if line.item.proof in ("said", "polls") else before), line.item.id
    late = next((line for line in sheet.lines if line.state == "overdue"), None)
    if late is not None:
        return (
            f"{late.item.label} was to come by itself and has not: ask the {late.item.owner or 'installer'}.",
            late.item.id,
        )
    if sheet.pending:
        later = "; ".join(line.item.label for line in sheet.pending)
        return f"All that can be seen now has been seen. Left for later: {later}.", "sign: provisional"
    out = sum(line.state == "skipped" for line in sheet.lines)
    if out or sheet.findings:
        said = f"{out} left out, {len(sheet.findings)} went wrong and were settled"
        return f"Nothing is left: {said}. We can sign.", "sign"
    return "Everything has been seen. We can sign.", "sign"


def left_of_test(sheet: Sheet) -> str:
    """How much of the test is left, in words."""
    if sheet.until is None:
        return "NOT ON TEST: STOP, confirm with the station"
    seconds = (sheet.until - sheet.now).total_seconds()
    hurry = " — prolong it, or come to an end" if seconds <= 900 else ""
    return f"{spoken_time(seconds)} of test left{hurry}"


def state_of(sheet: Sheet) -> str:
    """How far a proving is, in words."""
    if sheet.signed:
        return ("signed" if sheet.signed_whole else "signed, provisional") + ", then ended" * bool(sheet.ended)
    if sheet.ended:
        return "ended unsigned"
    return f"{sheet.verdict}; {left_of_test(sheet)}"
