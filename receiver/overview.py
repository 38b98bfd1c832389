"""Lines and paths at a glance: when each was last heard, what is overdue, and what needs somebody, in sentences.

Pure functions over what the journal kept and the book. What is overdue is what the bench said: last times are kept
coarsely, so nobody else could tell.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple

from receiver.book import Account, Book, Kind, Promise
from receiver.journal import Seen, Store
from receiver.supervision import overdue_among, span

KINDS: tuple[Kind, ...] = ("poll", "test")
EVENTS = (
    *("path-overdue", "path-back", "line-silent", "line-back", "line-lost"),
    *("start", "stop", "on-test", "off-test", "clock-stepped", "clock-confirmed"),
)


class Heard(NamedTuple):
    """A line and path of an account: what came over it, what it promises, and since when which promise is overdue."""

    seen: Seen  # its time is `never` where nothing came, `-` where the account as a whole promises something
    promises: tuple[Promise, ...]
    overdue: Mapping[Kind, str]


def heard(seen: Iterable[Seen], events: Iterable[dict[str, Any]], accounts: Sequence[Account]) -> list[Heard]:
    """Each line and path that something came over, and those of the book that nothing came over. `events`: newest first."""
    seen = list(seen)
    overdue = overdue_among(events)
    known = {(one.account, one.path) for one in seen}
    never = [
        Seen(account.mark, path.line or "-", path.name, "never", 0)
        for account in accounts
        for path in account.path
        if (account.mark, path.name) not in known
    ]
    promised = {
        (account.mark, promise.path, promise.kind): promise for account in accounts for promise in account.promises()
    }
    # A test promised by the account as a whole, or by an account that was never heard, has no line of its own above.
    listed = {(one.account, one.path) for one in [*seen, *never]}
    never += [Seen(mark, "-", path, "-", 0) for mark, path in {one[:2] for one in {*promised, *overdue}} - listed]
    return [
        Heard(
            one,
            tuple(promised[one.account, one.path, kind] for kind in KINDS if (one.account, one.path, kind) in promised),
            {kind: overdue[one.account, one.path, kind] for kind in KINDS if (one.account, one.path, kind) in overdue},
        )
        for one in sorted([*seen, *never])
    ]


@dataclass(frozen=True, slots=True)
class Told:
    """A sentence about one thing. `needs`: somebody must look into it."""

    text: str
    needs: bool
    about: str  # an account's mark, or a line
    name: str = ""
    at: str | None = None  # when it was last heard, or changed
    path: str = ""

    def to_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in ("about", "name", "path", "text", "needs", "at")}


@dataclass(slots=True)
class Overview:
    """What there is to see: whether a bench runs, its lines, and every path; those that need somebody first."""

    runs: bool
    bench: Told
    lines: list[Told] = field(default_factory=list)
    paths: list[Told] = field(default_factory=list)

    @property
    def needing(self) -> list[Told]:
        """What needs somebody."""
        return [one for one in [self.bench, *self.lines, *self.paths] if one.needs]

    def to_json(self) -> dict[str, Any]:
        return {
            "runs": self.runs,
            "bench": self.bench.to_json(),
            "lines": [one.to_json() for one in self.lines],
            "paths": [one.to_json() for one in self.paths],
        }


def look(store: Store, book: Book, now: datetime, only: Account | None = None) -> Overview:
    """What there is to see in a journal, or of one account alone. JournalError where it cannot be read."""
    seen, events = store.seen(), list(store.events(*EVENTS))
    if only is not None:
        seen = [one for one in seen if one.account == only.mark]
        events = [one for one in events if one.get("account_mark") in (None, only.mark)]
        book = Book((only,))
    return overview(seen, events, book, now, runs=store.written_by_another())


def overview(
    seen: Iterable[Seen], events: Sequence[dict[str, Any]], book: Book, now: datetime, *, runs: bool
) -> Overview:
    """What there is to see. `events` are rows of these `EVENTS`, the newest first; `runs` says whether a bench writes."""
    tests, known = on_test(events, now), heard(seen, events, book.accounts)
    silent = {one.seen.account for one in known} - {one.seen.account for one in known if _at(one.seen)}
    paths = [_of_path(one, book, tests, now, runs, one.seen.account in silent) for one in known]
    lines = _lines(events, now) if runs else []
    return Overview(runs, _bench(events, now, runs), _first(lines), _first(paths))


def _first(told: list[Told]) -> list[Told]:
    return sorted(told, key=lambda one: not one.needs)


def on_test(events: Iterable[dict[str, Any]], now: datetime) -> dict[str, dict[str, Any]]:
    """Which accounts are on test, by their marks, with the row that says until when. `events`: newest first."""
    last: dict[str, dict[str, Any]] = {}
    for event in events:
        if event["event"] in ("on-test", "off-test") and event.get("account_mark"):
            last.setdefault(event["account_mark"], event)
    return {
        mark: event
        for mark, event in last.items()
        if event["event"] == "on-test" and datetime.fromisoformat(event["until"]) > now
    }


class Proving(NamedTuple):
    """How far a proving has come, as its rows say; what it proves only a fold can tell (`conduct.sheet_of`)."""

    name: str
    mark: str
    account_name: str
    begun: str
    by: str
    ended: bool
    signed: str  # `provisional`, `whole`, or "" where nobody has signed

    @property
    def runs(self) -> bool:
        """Whether something is still to be done in it."""
        return not self.ended and self.signed != "whole"

    @property
    def state(self) -> str:
        """In a word or two."""
        signed = {"whole": "signed", "provisional": "signed, provisional"}.get(self.signed, "")
        return ", ".join(filter(None, (signed, "ended" if self.ended else ""))) or "runs"

    def to_json(self) -> dict[str, Any]:
        return self._asdict() | {"state": self.state}


def provings(events: Iterable[dict[str, Any]]) -> list[Proving]:
    """All provings, the newest first, from the rows of the event `proving`, the newest first."""
    ended: set[str] = set()
    signed: dict[str, str] = {}
    found = []
    for event in events:
        name, word = event["proving"], event["act"]
        if word == "end":
            ended.add(name)
        elif word == "sign":
            signed.setdefault(name, "provisional" if event.get("provisional") else "whole")
        elif word == "start":
            account = event["plan"]["account"]
            mark = event.get("account_mark") or account["number"]
            told = (event["at"], event.get("by") or "", name in ended, signed.get(name, ""))
            found.append(Proving(name, mark, account["name"], *told))
    return found


# In sentences


def ago(at: str, now: datetime) -> str:
    """How long ago a time of the journal was; a clock that was set back since makes it no time at all."""
    return span(max((now - datetime.fromisoformat(at)).total_seconds(), 0.0))


def _at(seen: Seen) -> str | None:
    return None if seen.at in ("never", "-") else seen.at


def _of_path(one: Heard, book: Book, tests: Mapping[str, Any], now: datetime, runs: bool, silent: bool) -> Told:
    """`silent`: nothing has ever come from the account, over whichever path."""
    seen, account, at = one.seen, book.marked(one.seen.account), _at(one.seen)
    never = seen.at == "never" or (at is None and silent)
    path = seen.path or ("any path" if seen.line == "-" else seen.line)
    parts = []
    if never:
        parts.append("never heard")
    elif at is not None:
        over = f" over {seen.line}" if seen.path else ""
        parts.append(f"last heard {ago(at, now)} ago{over}")
    asleep = account is not None and account.answer == "on-test" and account.mark not in tests
    late = {} if asleep else {kind: at for kind, at in one.overdue.items() if kind in {p.kind for p in one.promises}}
    for promise in one.promises:
        what = "a poll" if promise.kind == "poll" else "a test report"
        said = f"{what} is promised every {span(promise.interval)}"
        if promise.kind in late:
            said += f": overdue for {ago(late[promise.kind], now)}"
        parts.append(said)
    if account is None:
        parts.append("the book has no such account (any more)")
    elif asleep and one.promises:
        parts.append("not watched outside of its test")
    elif one.promises and not runs:
        parts.append("not watched: no bench runs")
    elif not one.promises:
        parts.append("nothing is promised, so nobody would notice its silence")
    needs = bool(late) or (never and bool(one.promises) and not asleep)
    name = account.name if account else ""
    return Told(f"{path}: {'; '.join(parts)}", needs, seen.account, name, at, seen.path)


def _bench(events: Iterable[dict[str, Any]], now: datetime, runs: bool) -> Told:
    last = next((event for event in events if event["event"] in ("start", "stop")), None)
    at = last["at"] if last else None
    if not runs:
        how = ""
        if last:
            how = f"; the last one {'stopped' if last['event'] == 'stop' else 'started, and did not say that it stopped,'}"
            how += f" {ago(last['at'], now)} ago"
        return Told(
            f"No bench runs: whatever is sent here now is neither kept nor answered{how}.", True, "bench", at=at
        )
    since = f" for {ago(last['at'], now)}" if last and last["event"] == "start" else ""
    clock = next((event for event in events if event["event"].startswith("clock-")), None)
    if clock and clock["event"] == "clock-stepped":
        text = (
            f"The bench has run{since}. Its clock stepped {ago(clock['at'], now)} ago and nobody has confirmed it: no NAK "
            "carries its time. Look at the clock, then `farend clock confirm`."
        )
        return Told(text, True, "bench", at=clock["at"])
    return Told(f"The bench has run{since}.", False, "bench", at=at)


def _lines(events: Iterable[dict[str, Any]], now: datetime) -> list[Told]:
    """What is known of each line since the bench started, the newest word on each."""
    last: dict[str, dict[str, Any]] = {}
    for event in events:
        if event["event"] == "start":
            for where in event.get("listening", ()):
                last.setdefault(f"{where['line']} {where['port']}", event)
            break
        if event["event"] in ("line-silent", "line-back", "line-lost"):
            about = f"{event['line']} {event['port']}" if event.get("line") else "all lines"
            if event["event"] == "line-lost" and last.get(about, event)["event"] == "line-silent":
                last[about] = event  # why it is silent
            last.setdefault(about, event)
    return [_of_line(about, event, now) for about, event in last.items()]


def _of_line(about: str, event: dict[str, Any], now: datetime) -> Told:
    since, word = ago(event["at"], now), event["event"]
    if word == "line-lost":
        text = f"{about}: lost {since} ago: nothing can come in over it ({event['detail']})"
    elif word == "line-silent":
        silent = span(event["silent_seconds"] + (now - datetime.fromisoformat(event["at"])).total_seconds())
        text = (
            f"{about}: nothing has come for {silent}, and {event['paths']} paths were last heard over it: our own line?"
        )
    elif word == "line-back":
        text = f"{about}: has brought something again for {since}, after {span(event['silent_seconds'])} of silence"
    else:
        text = f"{about}: has listened for {since}; nothing is known against it"
    return Told(text, word in ("line-lost", "line-silent"), about, at=event["at"])
