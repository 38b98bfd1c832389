"""The judgement: what the journal's rows prove of a plan. A pure fold: the same rows, plan and time give the same sheet.

No sheet is kept anywhere: whoever wants it folds again. What people say (the installer calls a device, the engineer ticks,
skips, answers) stands in the journal as rows of its own, and is folded in with the frames.

A signal proves a row of the plan when it came while the account was on test, for the first time, newly made, with a code
that the row accepts, from its zone and area. It is *called* when the installer had said which device comes now, and
*swept* otherwise: then it proves that the device reports, not that it is the one on the wall. Fire, gas, medical help and
panic that nobody announced prove nothing until somebody says that it was the installer.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from protocols.codes import table
from protocols.dc09 import bare
from receiver.book import Account
from receiver.measures import (
    AGREE_SECONDS,
    CATEGORIES,
    CLOCK_FAST,
    CLOCK_SLOW,
    Entry,
    age,
    clock_in_words,
    missing,
    offsets,
    spoken_time,
    when,
)
from receiver.plan import Code, Plan, accepted, paths_alike
from receiver.sheet import CALL_SECONDS, GOOD, ROLES, Call, How, Line, Polls, Sheet
from receiver.storms import Storms
from receiver.wrong import WRONG, Finding

COME_SECONDS = 60  # after a call a signal is late when it takes longer than this and the row's rightful delay
SEND_SECONDS = 30  # from when it was made to its arrival, by the panel's corrected clock
TWICE_SECONDS = 10  # the same event again, as a new message, with no restoral in between
RESTORAL_SECONDS = 300  # an alarm that is not over by then lacks its restoral
UNPLUG_SECONDS = 30  # after a path is called, others may still be heard for so long
OLD_STAMP = timedelta(hours=26)  # further off than any time zone: no clock set to local time does this
SOURCES_SECONDS = 600  # two addresses that take turns within this are two sources at once
POLLS_DUE = 3  # intervals in a row within what was promised
ANNOUNCED = frozenset(("fire", "gas", "medical", "panic"))  # must be announced, or owned up to
ALARMS = ANNOUNCED | {"burglary", "environment", "supervisory", "tamper"}
NOT_ON_TEST = "the account was not on test"


# What people say of a proving, and which fields its row has beside `proving`, `act` and the account's.
ACTS = {
    "start": ("plan", "by", "installer"),
    "call": ("about", "sweep", "by"),  # a row or its device, a path, `none`; as a sweep, a hazard
    "tick": ("about", "saw", "by"),  # only what nobody at the far end can see
    "again": ("about", "reason", "by"),
    "skip": ("about", "reason", "by"),  # a row, or a finding
    "answer": ("about", "yes", "by"),  # the journal's row of a signal: was it the installer?
    "agree": ("role", "name", "identified", "substance", "by"),  # to what was signed: see `record.substance`
    "sign": ("record", "provisional", "by"),  # newer rows also have what makes the record again, and its papers' hashes
    "end": ("reason", "by"),
}


def act(account: Account, proving: str, word: str, **fields: Any) -> dict[str, Any]:
    """The journal row of something that a person says of a proving."""
    assert set(fields) >= set(ACTS[word]), f"{word} lacks one of {ACTS[word]}"
    told = [str(fields[name]) for name in ("about", "role", "name", "reason", "saw") if fields.get(name)]
    detail = ": ".join((word, *told)) + f" ({fields['by']})"
    who = {"account": account.number, "account_mark": account.mark}
    return {"event": "proving", "detail": detail, "proving": proving, "act": word} | who | fields


def fold(plan: Plan, entries: Iterable[Entry], now: datetime, proving: str) -> Sheet:
    """Judge the account's rows of the journal, in order of arrival and from its first one on, for one proving.

    Rows of other accounts are passed over. `now` is UTC; it says which calls and delays are over.
    """
    mine = [{**_LEAST, **entry} for entry in entries if _is_mine(entry, plan)]
    return _Fold(plan, [entry for entry in mine if _is_whole(entry)], now, proving).sheet


_LEAST = {"path": None, "peer": "", "occurred": None}  # what rows of an older bench may lack


def _is_whole(entry: Entry) -> bool:
    """Whether a row of this event says all that its act must say: another version's may not."""
    return entry.get("event") != "proving" or set(ACTS.get(entry.get("act", ""), ("?",))) <= set(entry)


def _is_mine(entry: Entry, plan: Plan) -> bool:
    mark, number = entry.get("account_mark"), entry.get("account")
    if mark is not None:
        return str(mark) == plan.account.mark
    return "event" in entry and number is not None and bare(number) == bare(plan.account.number)


@dataclass(slots=True)
class _Path:
    """What the fold remembers of one path."""

    heard: datetime | None = None
    row: int = 0
    polled: bool = False  # whether that was a poll
    run: int = 0  # polls in a row that came in time
    mac: str | None = None
    hosts: dict[str, datetime] = field(default_factory=dict)  # when each was heard last


class _Fold:
    """One pass over the rows, and what can only be said at their end. Everything it learns goes into the sheet."""

    def __init__(self, plan: Plan, entries: list[Entry], now: datetime, proving: str) -> None:
        self.plan, self.now = plan, now
        self.sheet = Sheet(plan, now, proving, lines=[Line(item) for item in plan.items])
        self.lines = {line.item.id: line for line in self.sheet.lines}
        self.known = {kind: {bare(one.number): one for one in getattr(plan.account, kind)} for kind in ("zone", "user")}
        mine = [entry for entry in entries if entry.get("event") == "proving"]  # others may name a proving, too
        self.said = [entry for entry in mine if entry["proving"] == proving]
        self.owned = {entry["about"]: entry["yes"] for entry in self.said if entry["act"] == "answer"}
        self.storms = Storms()
        self.first_raw: dict[str, int] = {}
        self.last_like: dict[tuple[Any, ...], tuple[datetime, str, str | None]] = {}
        self.instead: dict[tuple[str, str], Finding] = {}  # what was called, and what came instead
        self.found: dict[tuple[Any, ...], Finding] = {}  # by what makes two of a kind the same
        self.reasons: dict[str, str] = {}  # given by people, by finding
        self.finishing = False
        self.alarms: list[tuple[datetime, str, int]] = []
        self.paths: dict[str, _Path] = {}
        begun = next((entry["row"] for entry in self.said if entry["act"] == "start"), None)
        self.running = [entry for entry in entries if begun and entry["row"] > begun and "verdict" in entry]
        self.offsets = offsets(self.running)
        for entry in entries:
            self._take(entry)
        self._finish()

    # One row

    def _take(self, entry: Entry) -> None:
        if "event" in entry:
            self._take_event(entry)
            return
        verdict, copy_of = entry["verdict"], None
        if verdict == "accepted" and (entry["stamp"] is not None or entry["encrypted"]):
            copy_of = self.first_raw.get(entry["raw"])
            self.first_raw.setdefault(entry["raw"], entry["row"])
        if self.sheet.begun is None or self.sheet.ended is not None:
            return
        self.sheet.last_row = entry["row"]
        self.sheet.mirrored |= entry.get("mode") == "mirror"
        if entry["signals"]:
            self.sheet.rehearsed |= entry["peer"].startswith(("127.", "[::1]"))
            shown = self.storms.take(entry)
            self.sheet.recent = [*[one for one in self.sheet.recent if one is not shown][-9:], shown]
        if verdict in ("accepted", "poll", "repeat"):
            self._heard(entry)
        if verdict == "repeat":
            self.sheet.repeats += 1
        elif verdict == "accepted":
            self._accepted(entry, copy_of)
        elif verdict != "poll":
            self._refused(entry)

    def _take_event(self, entry: Entry) -> None:
        event, test = entry["event"], self._test_at(when(entry))
        if event == "on-test":
            self._used(entry)
            if test is not None and (test["areas"], test["live"]) == (entry.get("areas"), entry.get("live")):
                test["until"] = entry["until"]  # prolonged
                test["prolonged"] += 1
                return
            if test is not None:
                test["ended"] = entry["at"]
            fields = {name: entry.get(name) for name in ("until", "reference", "areas", "live", "confirmed_by", "row")}
            self.sheet.tests.append({"from": entry["at"], **fields, "ended": None, "prolonged": 0})
        elif event == "off-test" and test is not None:
            self._used(entry)
            test["ended"] = entry["at"]
        elif event == "proving" and entry["proving"] == self.sheet.proving and self.sheet.ended is None:
            if (entry["act"] == "start") is (self.sheet.begun is not None):
                return  # a second start, or something said before the first
            self.sheet.last_row = entry["row"]
            getattr(self, f"_act_{entry['act']}", lambda _: None)(entry)

    def _used(self, entry: Entry) -> None:
        if self.sheet.begun is not None and self.sheet.ended is None:
            self.sheet.last_row = entry["row"]

    def _test_at(self, at: datetime) -> dict[str, Any] | None:
        test = self.sheet.tests[-1] if self.sheet.tests else None
        running = test is not None and not test["ended"] and at < datetime.fromisoformat(test["until"])
        return test if running else None

    # What people said

    def _act_start(self, entry: Entry) -> None:
        self.sheet.begun, self.sheet.begun_row = entry["at"], entry["row"]
        self.sheet.by, self.sheet.installer = entry.get("by") or "", entry.get("installer") or ""
        current = self._test_at(when(entry))
        self.sheet.tests = [current] if current else []  # those that were over before are other tests

    def _act_call(self, entry: Entry) -> None:
        call, open_call = Call(entry["about"], when(entry), entry["row"], sweep=entry["sweep"]), self.sheet.call
        if open_call is not None and open_call.about == call.about and not open_call.came:
            call.instead = open_call.instead  # said once more: what was passed on the way is not held against it yet
        else:
            self._close_call()
        if call.path is not None:
            self.sheet.call, self.sheet.path_call = None, call
        elif call.about == "none":
            self.sheet.call = self.sheet.path_call = None
        else:
            self.sheet.call = call
        for line in self.sheet.lines:
            line.calls += call.about in (line.item.subject, line.item.id)

    def _act_tick(self, entry: Entry) -> None:
        line = self.lines.get(entry["about"])
        if line is not None and line.item.proof in ("said", "live"):
            line.state = "said" if line.item.proof == "said" else "seen live"
            line.rows, line.at, line.why = [entry["row"]], entry["at"], entry["saw"]
            line.good = line.good_called = entry["row"]

    def _act_again(self, entry: Entry) -> None:
        line = self.lines.get(entry["about"])
        if line is not None:
            again = [*line.again, f"{entry['reason']} (row {entry['row']})"]
            self.lines[line.item.id] = fresh = Line(line.item, calls=line.calls, again=again)
            self.sheet.lines[self.sheet.lines.index(line)] = fresh

    def _act_skip(self, entry: Entry) -> None:
        reason = f"{entry['reason']} ({entry['by']}, row {entry['row']})"
        line = self.lines.get(entry["about"])
        if line is not None:
            line.state, line.why, line.rows, line.at = "skipped", reason, [], entry["at"]
            line.skip_row = entry["row"]
        else:
            self.reasons[entry["about"]] = reason  # some findings are made only at the end of the fold

    def _act_sign(self, entry: Entry) -> None:
        told = ("at", "row", "record", "provisional", "by", "judged", "last", "page", "pdf")
        self.sheet.signed.append({name: entry.get(name) for name in told})

    def _act_agree(self, entry: Entry) -> None:
        if entry["role"] in ROLES:
            told = ("role", "name", "identified", "at", "row", "substance", "by")
            self.sheet.agreed.append({name: entry[name] for name in told})

    def _act_end(self, entry: Entry) -> None:
        self.sheet.ended = entry["at"]

    # What any acknowledged message shows: paths, polls, addresses

    def _heard(self, entry: Entry) -> None:
        at, path = when(entry), entry["path"] or ""
        known, shown = self.paths.setdefault(path, _Path()), self.sheet.paths.setdefault(path, Polls())
        is_poll = entry["verdict"] == "poll"
        shown.polls += is_poll
        shown.signals += entry["verdict"] == "accepted"
        shown.last = entry["at"]
        self._alone(entry, at, path)
        self._sources(entry, at, path, known, shown)
        line = next(
            (one for one in self.sheet.lines if one.item.proof == "polls" and (one.item.path or "") == path), None
        )
        if line is not None:
            shown.promised, shown.tolerance = line.item.interval, line.item.tolerance or 0
        if known.heard is not None:
            gap = (at - known.heard).total_seconds()
            late = line is not None and shown.promised and gap > shown.promised + shown.tolerance
            known.run = 0 if late else known.run + is_poll
            if not self._excused(path, known.heard, at) or (line is not None and not late):
                shown.longest = max(shown.longest, gap)
                if is_poll and known.polled:
                    shown.between.append(gap)
                if late and line is not None and shown.promised:
                    self._find("poll-gap", entry, [line.item.id], path=path or "its path", gap=spoken_time(gap),
                               promised=spoken_time(shown.promised))  # fmt: skip
        known.heard, known.row, known.polled = at, entry["row"], is_poll
        if line is not None and known.run >= POLLS_DUE:
            if line.state == "open":
                line.state, line.at, line.path, line.rows = "polled", entry["at"], path or None, [entry["row"]]
            line.good = entry["row"]

    def _excused(self, path: str, since: datetime, at: datetime) -> bool:
        """Whether the path may have been unplugged meanwhile, or the account was not on test."""
        if self._test_at(at) is None or since < datetime.fromisoformat(self.sheet.tests[-1]["from"]):
            return True
        calls = [Call(one["about"], when(one), one["row"]) for one in self.said if one["act"] == "call"]
        calls = [call for call in calls if call.path is not None or call.about == "none"]
        stands = timedelta(seconds=CALL_SECONDS)
        follows = [one.at for one in calls[1:]] + [self.now]
        ends = [min(end, call.at + stands) for call, end in zip(calls, follows, strict=False)]
        return any(
            call.path is not None
            and (call.path == path) == call.unplugs
            and call.at < at
            and since < end + timedelta(seconds=UNPLUG_SECONDS)
            for call, end in zip(calls, ends, strict=False)
        )

    def _alone(self, entry: Entry, at: datetime, path: str) -> None:
        """While one path is under test alone, nothing may come over another."""
        call = self.sheet.path_call
        if call is None or call.came or call.path == path or call.unplugs or not self.plan.account.path:
            return
        if (at - call.at).total_seconds() < UNPLUG_SECONDS and entry["verdict"] == "poll":
            return
        call.alone = False  # until it is called once more, nothing proves that the path can do without the others
        what = "A poll" if entry["verdict"] == "poll" else self._words(entry)
        told = {"what": what, "path": path, "wanted": call.path}
        rule = "wrong-path" if path else "path-unknown"
        self._find_once(("path", call.row, path), rule, entry, [f"path {call.path} test"], **told)

    def _sources(self, entry: Entry, at: datetime, path: str, known: _Path, shown: Polls) -> None:
        host, name = (entry["peer"] or "").rpartition(":")[0], f"path {path}" if path else "its path"
        if host not in known.hosts and known.hosts:
            self._find("address-changed", entry, path=_capital(name), before=shown.hosts[-1], now=host, what="address")
        elif len(known.hosts) > 1 and (at - known.hosts[host]).total_seconds() < SOURCES_SECONDS:
            newer = [other for other, last in known.hosts.items() if last > known.hosts[host]]
            if newer:
                self._find_once(
                    ("two-sources", path), "two-sources", entry, path=path or "its path", one=host, two=newer[-1]
                )
        if host not in known.hosts:
            shown.hosts.append(host)
        known.hosts[host] = at
        for mac in (one["value"] for one in entry["extended"] if one["id"] == "M"):
            if known.mac not in (None, mac):
                told = {"path": _capital(name), "before": known.mac, "now": mac, "what": "MAC address"}
                self._find_once(("mac", path, mac), "address-changed", entry, **told)
            known.mac = known.mac or mac

    # What was refused

    def _refused(self, entry: Entry) -> None:
        verdict, path = entry["verdict"], entry["path"]
        problems = [one["detail"] for one in entry["problems"]]
        detail = problems[0] if problems else "its token or payload is not known"
        if verdict == "must-encrypt":
            self._in_clear(entry)
        elif verdict == "stale-clock":
            off = age(entry)
            told = "not to be seen: there is no stamp" if off is None else clock_in_words(off)
            self._find_once((verdict, path), verdict, entry, off=told)
        elif verdict in ("undecryptable", "unsupported", "unreadable"):
            self._find_once((verdict, path if verdict == "undecryptable" else detail), verdict, entry, detail=detail)
        elif verdict == "held-back" and entry["signals"]:
            self._leave_out(entry, self._words(entry), "it is outside this test, and was left to the live receiver")

    def _in_clear(self, entry: Entry) -> None:
        path = entry["path"]
        over = f" over {path}" if path else ""
        self._find_once(("in-clear", path), "in-clear", entry, what=self._words(entry), over=over)

    # What was accepted

    def _accepted(self, entry: Entry, copy_of: int | None) -> None:
        why = self._not_new(entry, copy_of)
        if self.plan.encrypted and not entry["encrypted"]:  # a bench with another book took it
            self._in_clear(entry)
            why = why or "it came in clear, and the account has a key"
        for signal in entry["signals"]:
            reason = why or self._outside(entry, signal)
            if not reason:
                self._signal(entry, signal)
                continue
            self._leave_out(entry, self._one(signal), reason)
            if reason == NOT_ON_TEST:
                self._by_itself(entry, signal)

    def _by_itself(self, entry: Entry, signal: Entry) -> None:
        """What is pending comes when no test runs any more. What must be announced never does."""
        if signal["category"] in ANNOUNCED:
            return
        new, over = self._fitting(signal, entry)
        for line in (line for line in (*new, *over) if line.item.need == "pending"):
            if self._wrong_area(entry, signal, line):
                continue
            if line in new:
                self._prove(line, entry, signal, "swept")
            else:
                self._restored(line, entry)

    def _not_new(self, entry: Entry, copy_of: int | None) -> str:
        if copy_of is not None:
            return f"it is a replay: row {copy_of} was the same, byte for byte"
        off = age(entry)
        if off is None:
            return ""
        if abs(off) > OLD_STAMP.total_seconds():
            return f"its time is {spoken_time(abs(off))} off: from the panel's memory, or a replay"
        made = when(entry) - timedelta(seconds=off - self.offsets.get(entry["row"], 0.0))
        if self.sheet.begun and made < datetime.fromisoformat(self.sheet.begun) - timedelta(seconds=2):
            return "by its time it was made before this proving began: from the panel's memory"
        return ""

    def _outside(self, entry: Entry, signal: Entry) -> str:
        if signal["from_memory"]:
            return "it comes from the panel's memory"
        test = self._test_at(when(entry))
        if test is None:
            return NOT_ON_TEST
        if signal["category"] in (test["live"] or ()):
            return f"{signal['category']} stays live in this test"
        areas = [bare(area) for area in test["areas"] or ()]
        if areas and signal["category"] in ALARMS and (signal["area"] is None or bare(signal["area"]) not in areas):
            return f"only area {', '.join(test['areas'])} is on test"
        return ""

    def _signal(self, entry: Entry, signal: Entry) -> None:
        at, subject, begins = when(entry), self._subject(signal), signal["qualifier"] == "new"
        lines, over = self._fitting(signal, entry)
        twice = self._twice(entry, signal, at, lines)
        if signal["meaning"] is None:
            self._find("unknown-code", entry, self._required(subject), code=signal["code"])
            return
        if over and not lines:
            for line in over:
                if not self._wrong_area(entry, signal, line):
                    self._restored(line, entry)
            return
        if begins and signal["category"] in ANNOUNCED and not self._announced(lines, signal, subject, at):
            yes = self.owned.get(entry["row"])
            if yes is None:
                if all(one["row"] != entry["row"] for one in self.sheet.questions):
                    self.sheet.questions.append({"row": entry["row"], "at": entry["at"], "text": self._words(entry)})
                return
            if yes is False:
                self._find("not-ours", entry, what=self._one(signal))
                return
        if subject and (self._unlisted(entry, signal, subject) or self._came_instead(entry, signal, subject, lines)):
            return
        if not lines and subject:
            self._wrong_kind(entry, signal, subject)
        elif not lines and begins and signal["category"] in ALARMS:
            self._leave_out(entry, self._one(signal), "it names no zone and no user, and no row expects that")
        for line in lines:
            how: How = "called" if self._is_called(line, at) else "swept"
            if self._wrong_area(entry, signal, line) or (line.item.called_only and how != "called"):
                continue
            if line.item.path is not None and self.sheet.path_call is not None and how == "called":
                self.sheet.path_call.came_at = at
            late = self._late(entry, signal, line, at, how)
            self._prove(line, entry, signal, how, sound=not (twice or late))
            if begins and subject and signal["category"] == "burglary" and line.item.number is not None:
                self._confirm(at, subject, entry["row"])
        call = self.sheet.call
        if call is not None and (call.about == subject or any(call.about == line.item.id for line in lines)):
            call.came_at = call.came_at or at

    def _fitting(self, signal: Entry, entry: Entry) -> tuple[list[Line], list[Line]]:
        """The rows that a signal reports, and those whose end it reports: of its own zone or user first, else of any."""
        code, number = _code(signal), _number(signal)
        picture = any(one["id"] == "V" for one in entry["extended"])
        mine: tuple[list[Line], list[Line]] = ([], [])
        others: tuple[list[Line], list[Line]] = ([], [])
        for line in self.sheet.lines:
            item = line.item
            if item.proof not in ("signal", "picture") or (item.proof == "picture" and not picture):
                continue
            if item.path is not None and not item.unplugs and item.path != (entry["path"] or ""):
                continue
            new, over = _codes(item.codes)
            if item.number is None:
                # A tamper that names a zone is that zone's, never the panel's.
                place = ([], []) if number and signal["category"] == "tamper" else others
            else:
                place = mine if number == bare(item.number) else ([], [])
            place[0].extend([line] * (code in new))
            place[1].extend([line] * (code in over and line.alarm_code is not None and _ends(code, line.alarm_code)))
        listed = signal["zone"] is not None and bare(signal["zone"]) in self.known["zone"]
        if listed and signal["category"] in ALARMS:
            return mine  # what a listed zone alarms with is never the panel's
        return (mine[0] or ([] if mine[1] else others[0])), mine[1] or others[1]

    def _announced(self, lines: list[Line], signal: Entry, subject: str | None, at: datetime) -> bool:
        call = self.sheet.call
        if call is None or call.over(at):
            return False
        if call.came_at is not None and (at - call.came_at).total_seconds() > COME_SECONDS:
            return False  # it came; what comes now may be something else
        if call.sweep:
            return call.about == signal["category"] or any(line.item.group == call.about for line in lines)
        return call.about == subject or any(line.item.id == call.about for line in lines)

    def _unlisted(self, entry: Entry, signal: Entry, subject: str) -> bool:
        kind, number = subject.split(" ", 1)
        if bare(number) in self.known[kind]:
            return False
        about = ALARMS | {"trouble", "bypass"} if kind == "zone" else {"open-close"}
        if signal["category"] not in about:
            return False
        if signal["qualifier"] == "new" or kind == "user":
            call = self.sheet.call
            called = f", while {call.about} was called" if call and not call.sweep and not call.came else ""
            told = {"device": _capital(subject), "list": {"zone": "zone list", "user": "list of users"}[kind]}
            what = {"what": self._one(signal), "called": called}
            self._find_once(("not-listed", subject, called), "not-listed", entry, **told, **what)
        return True

    def _came_instead(self, entry: Entry, signal: Entry, subject: str, lines: list[Line]) -> bool:
        """Whether another device came than the called one; it then proves neither row."""
        call = self.sheet.call
        if signal["qualifier"] != "new" or call is None or call.sweep or call.came:
            return False
        about = " ".join(call.about.split()[:2])
        if about == subject or about.split()[0] != subject.split()[0] or call.over(when(entry)):
            return False
        if not lines and signal["category"] not in ALARMS:
            return False
        if any(line.state == "called" for line in lines):
            # Somebody may walk past a device that is proved already. It is another thing if the called one never comes.
            call.instead.append((entry, signal, subject))
            return False
        self._instead(call, entry, signal, subject)
        return True

    def _instead(self, call: Call, entry: Entry, signal: Entry, subject: str, *, passed: bool = False) -> None:
        key, about = ("instead", call.row, subject), " ".join(call.about.split()[:2])
        if key in self.found:
            return
        before = self.instead.get((subject, about))
        items, names = self._required(about), {"called": about, "device": subject}
        if not passed or before:
            items += self._required(subject)
        told = {word: self._name(name) for word, name in names.items()}
        finding = self._find_once(
            key, "swapped" if before else "other-device", entry, items, **told, what=signal["meaning"]
        )
        if before is None:
            self.instead[about, subject] = finding
        else:
            before.settled = f"the two are swapped: {finding.id}"

    def _close_call(self) -> None:
        """What was called has had its time: whatever came instead of it came instead."""
        call = self.sheet.call
        if call is not None and not call.came:
            for entry, signal, subject in call.instead:
                self._instead(call, entry, signal, subject, passed=True)

    def _wrong_kind(self, entry: Entry, signal: Entry, subject: str) -> None:
        rows = [line.item for line in self.sheet.lines if line.item.subject == subject and line.item.codes]
        if not rows or signal["category"] not in ALARMS or signal["qualifier"] != "new":
            return
        if rows[0].proof == "picture" and _code(signal) in _codes(rows[0].codes)[0]:
            self._find("no-picture", entry, [rows[0].id], device=self._name(subject))
            return
        kind = self.plan.kinds[self.known["zone"][bare(signal["zone"])].number]
        self._find("wrong-kind", entry, [rows[0].id], device=self._name(subject), kind=kind, meaning=signal["meaning"],
                   code=signal["code"], due=_due_words(rows[0].codes, signal["code_set"]))  # fmt: skip

    def _wrong_area(self, entry: Entry, signal: Entry, line: Line) -> bool:
        due, area = line.item.area, signal["area"]
        if due is None or (area is None and len(self.plan.account.area) < 2) or (area and bare(area) == bare(due)):
            return False
        got = (
            f"area {area} {self.plan.account.name_of('area', area) or '(not in the list)'}"
            if area
            else "no area at all"
        )
        name = self.plan.account.name_of("area", due)
        self._find("wrong-area", entry, [line.item.id], device=self._name(line.item.subject), got=got,
                   due=f"area {due}" + (f" {name}" if name else ""))  # fmt: skip
        return True

    def _is_called(self, line: Line, at: datetime) -> bool:
        item, call, path_call = line.item, self.sheet.call, self.sheet.path_call
        if path_call is not None and item.path is not None:
            spent = path_call.came or path_call.over(at) or not path_call.alone
            return not spent and path_call.about == (item.id if item.unplugs else item.subject)
        about = (item.id,) if item.subject == "panel" else (item.subject, item.id)
        return call is not None and call.about in about and not call.over(at)

    def _late(self, entry: Entry, signal: Entry, line: Line, at: datetime, how: How) -> bool:
        call, rightful, off = self.sheet.call, line.item.delay_seconds, age(entry)
        since, took, most = "", 0.0, 0
        if off is not None:
            since, took, most = "it was made", off - self.offsets.get(entry["row"], 0.0), SEND_SECONDS + rightful
            self.sheet.delays.append(took)
        if (
            took <= most
            and how == "called"
            and call
            and not call.came
            and call.about in (line.item.subject, line.item.id)
        ):
            since, took, most = "it was called", (at - call.at).total_seconds(), COME_SECONDS + rightful
        if took <= most:
            return False
        extra = f" ({spoken_time(rightful)} of that may be rightful)" if rightful else ""
        self._find(
            "late", entry, [line.item.id], what=self._one(signal), took=spoken_time(took), since=since, rightful=extra
        )
        return True

    def _twice(self, entry: Entry, signal: Entry, at: datetime, lines: list[Line]) -> bool:
        key = (signal["code_set"], signal["code"], signal["area"], _number(signal))
        before = self.last_like.get(key)
        self.last_like[key] = at, signal["qualifier"], entry["path"]
        if before is None or before[1] != signal["qualifier"] or signal["category"] in ("test", "open-close"):
            return False
        apart = (at - before[0]).total_seconds()
        if apart > TWICE_SECONDS:
            return False
        paths = [path for path in (before[2], entry["path"]) if path]
        over = f", over {paths[0]} and over {paths[1]}" if len(set(paths)) == 2 else ""
        items = [line.item.id for line in lines]
        self._find("twice", entry, items, what=self._one(signal), apart=spoken_time(apart), over=over)
        return True

    def _prove(self, line: Line, entry: Entry, signal: Entry, how: How, *, sound: bool = True) -> None:
        line.alarm, line.alarm_at, line.sound = entry["row"], when(entry), sound
        line.alarm_how, line.alarm_code = how, _code(signal)
        if sound:
            line.found_good(entry["row"], how)
        # A called proof is worth more than a swept one, and the first of its worth stands.
        if (line.state in GOOD or line.state == "half") and (line.how == "called" or how == "swept"):
            return
        line.how, line.path, line.at, line.rows, line.why = how, entry["path"], entry["at"], [entry["row"]], ""
        line.state = "half" if line.item.restoral == "required" else how

    def _restored(self, line: Line, entry: Entry) -> None:
        if line.sound and line.alarm is not None:
            line.found_good(line.alarm, line.alarm_how)  # the alarm's own row: a restoral alone shows nothing new
        line.alarm = line.alarm_at = line.alarm_code = None
        if line.state == "half":
            line.state, line.at = line.how, entry["at"]
            line.rows.append(entry["row"])
        elif line.item.restoral == "optional" and len(line.rows) == 1:
            line.rows.append(entry["row"])

    def _confirm(self, at: datetime, subject: str, row: int) -> None:
        """Two different detectors in a set time: a sequentially confirmed alarm (BS 8243)."""
        within = timedelta(minutes=self.plan.confirm_minutes)
        first = next((one for one in self.alarms if one[1] != subject and at - one[0] <= within), None)
        if first is not None and not self.sheet.confirmed:
            seconds = round((at - first[0]).total_seconds())
            self.sheet.confirmed.append({"zones": [first[1], subject], "seconds": seconds, "rows": [first[2], row]})
            line = next((line for line in self.sheet.lines if line.item.proof == "confirmation"), None)
            if line is not None:
                line.state, line.rows, line.at = "swept", [first[2], row], _text(at)
        self.alarms.append((at, subject, row))

    # At the end

    def _finish(self) -> None:
        self.finishing = True
        call = self.sheet.call
        if call is not None and (self.now - call.at).total_seconds() > 2 * COME_SECONDS:
            self._close_call()
        self._clock()
        self._sequence()
        if self.sheet.begun is not None:
            self._static()
        for line in self.sheet.lines:
            self._silent(line)
            self._close(line)
        for finding in self.sheet.findings:
            finding.reason = self.reasons.get(finding.id, "")
            finding.settled = finding.settled or finding.reason or self._settled(finding)
        self.sheet.findings.sort(key=lambda finding: (finding.row, finding.id))

    def _silent(self, line: Line) -> None:
        """Polls that stopped, and have not come again by now."""
        known, item = self.paths.get(line.item.path or ""), line.item
        if item.proof != "polls" or item.need == "pending" or known is None or known.heard is None or not item.interval:
            return
        silent = (self.now - known.heard).total_seconds()
        if silent <= item.interval + (item.tolerance or 0) or self._excused(item.path or "", known.heard, self.now):
            return
        told = {"gap": spoken_time(silent), "promised": spoken_time(item.interval)}
        entry = {"row": known.row, "at": _text(known.heard), "path": item.path}
        self._find("poll-gap", entry, [item.id], path=item.path or "its path", **told)
        if line.state == "polled":
            line.state, line.rows, line.at = "open", [], None

    def _close(self, line: Line) -> None:
        item = line.item
        if line.state == "half" and line.alarm_at is not None:
            waited = (self.now - line.alarm_at).total_seconds()
            if waited > RESTORAL_SECONDS + item.delay_seconds:
                entry = {"row": line.alarm, "at": _text(line.alarm_at), "path": line.path}
                self._find("no-restoral", entry, [item.id], device=self._name(item.subject), what=item.what,
                           waited=spoken_time(waited))  # fmt: skip
        if line.state == "open" and item.need == "pending":
            begun = datetime.fromisoformat(self.sheet.begun) if self.sheet.begun else self.now
            late = item.due_hours is not None and self.now > begun + timedelta(hours=item.due_hours)
            line.state = "overdue" if late else "pending"
        elif line.state == "open" and item.need == "optional":
            line.state = "optional"

    def _settled(self, finding: Finding) -> str:
        """Why a finding is no more: its rows were proved again after it, or what was missing came."""
        last = finding.last
        said = {entry["row"] for entry in self.running if entry["signals"]}
        if finding.rule in ("in-clear", "undecryptable", "stale-clock"):
            # What was said in the wrong form is to be said in the right one: a poll shows nothing of it.
            later = [
                entry["row"]
                for entry in self.running
                if entry["row"] > last
                and entry["encrypted"]
                and entry["path"] == finding.path
                and (entry["verdict"] == "accepted" or (entry["verdict"] == "poll" and last not in said))
            ]
            return f"sealed, stamped and opened since, row {later[0]}" if later else ""
        lines = [self.lines[one] for one in finding.items]
        called = finding.rule in ("swapped", "other-device", "wrong-path", "path-unknown")
        good = [line.good_called if called else line.good for line in lines]
        if lines and all((line.state == "skipped" and line.skip_row > last) or (line.state in GOOD and row > last)
                         for line, row in zip(lines, good, strict=True)):  # fmt: skip
            return f"proved again since, row {max(good)}" if max(good) > last else "its row was skipped since"
        return ""

    def _clock(self) -> None:
        stamped = [entry for entry in self.running if entry["row"] in self.offsets]
        if not stamped:
            return
        last = self.offsets[stamped[-1]["row"]]
        self.sheet.clock = {"offset": round(last, 3), "words": clock_in_words(last), "from": len(stamped)}
        wrong: dict[float, Entry] = {}
        for entry in stamped:
            off = self.offsets[entry["row"]]
            known = any(abs(off - other) <= AGREE_SECONDS for other in wrong)  # one wrong clock, measured once more
            if not known and not CLOCK_FAST <= off <= CLOCK_SLOW:
                wrong[off] = entry
        for off, entry in wrong.items():
            finding = self._find("clock", entry, off=clock_in_words(off))
            if CLOCK_FAST <= last <= CLOCK_SLOW:
                finding.settled = f"the clock was set: by its last stamps it is {clock_in_words(last)}"

    def _sequence(self) -> None:
        after: dict[int, tuple[Entry, list[int]]] = {}
        for number, entry in missing(self.running).items():
            self.sheet.missing.append(number)
            after.setdefault(entry["row"], (entry, []))[1].append(number)
        for entry, numbers in after.values():
            many = f"{numbers[0]:04d}" if len(numbers) == 1 else f"{numbers[0]:04d} to {numbers[-1]:04d}"
            self._find("missing", entry, count=len(numbers), numbers=many)

    def _static(self) -> None:
        """What the book alone shows."""
        sheet, account = self.sheet, self.plan.account
        begin = {"row": sheet.begun_row, "at": sheet.begun}
        for one, two in paths_alike(account):
            self._find("paths-alike", begin, [f"path {one} unplugged", f"path {two} unplugged"], one=one, two=two)
        asked = {item.subject for item in self.plan.items}
        names = [f"zone {zone.number}" for zone in account.zone] + [f"user {user.number}" for user in account.user]
        names += [f"path {path.name}" for path in account.path] + ["panel"]
        if left := [name for name in names if name not in asked]:
            sheet.remarks.append(f"Not asked for in this proving: {', '.join(left)}.")
        sheet.remarks += [f"Changed in this plan by hand: {one}." for one in self.plan.edited]
        if not self.plan.encrypted:
            sheet.remarks.append("This account sends in clear: whoever sees the line can read it and imitate it.")
        promised = {promise.path: promise.interval for promise in account.promises() if promise.kind == "poll"}
        primary, alternative = CATEGORIES.get(account.category or "", (None, None))
        for place, path in enumerate([path.name for path in account.path] or [""]):
            limit, every = (primary if place == 0 else alternative), promised.get(path)
            if limit is None:
                continue
            if every is None or every > limit:
                self._find("category", begin, category=account.category, path=path or "its path", limit=spoken_time(limit),
                           promised=f"every {spoken_time(every)}" if every else "not at all")  # fmt: skip
                continue
            longest = sheet.paths[path].longest if path in sheet.paths else 0
            seen = f"; the longest silence seen was {spoken_time(longest)}" if longest else ""
            sheet.remarks.append(
                f"EN 50136-1 {account.category}, {path or 'its path'}: a report every {spoken_time(limit)} at most"
                f" (from memory of the standard); promised every {spoken_time(every)}{seen}."
            )

    # Small things

    def _find(self, rule: str, entry: Entry, items: Iterable[str] = (), **put: Any) -> Finding:
        # What later rows let the fold find in this one must not rename what was found before: people may have written it
        # down. So only what is found as the rows are taken has the short name.
        same = sum(finding.row == entry["row"] for finding in self.sheet.findings)
        name = f"w{entry['row']}" + (f"-{rule}" if self.finishing else f".{same + 1}" * (same > 0))
        taken = sum(finding.id.startswith(name) for finding in self.sheet.findings) if self.finishing else 0
        known = [one for one in items if one in self.lines]
        text = WRONG[rule].format(**put)
        finding = Finding(name + (f"-{taken + 1}" if taken else ""), rule, text, entry["row"], entry["at"], known)
        finding.path, finding.last = entry.get("path"), entry["row"]
        self.sheet.findings.append(finding)
        return finding

    def _find_once(
        self, key: tuple[Any, ...], rule: str, entry: Entry, items: Iterable[str] = (), **put: Any
    ) -> Finding:
        """The same wrong thing again moves its finding's last row; after a person settled it, it is a new one."""
        known = self.found.get(key)
        if known is not None and known.id not in self.reasons:
            known.last = entry["row"]
            return known
        self.found[key] = self._find(rule, entry, items, **put)
        return self.found[key]

    def _leave_out(self, entry: Entry, words: str, why: str) -> None:
        self.sheet.left_out.append({"row": entry["row"], "at": entry["at"], "text": words, "why": why})

    def _required(self, subject: str | None) -> list[str]:
        return [
            item.id for item in self.plan.items if item.subject == subject and item.need == "required" and item.codes
        ]

    def _subject(self, signal: Entry) -> str | None:
        """`zone 015`, `user 002` as the book writes them, or as sent where it does not know them."""
        for kind, known in self.known.items():
            number = signal[kind]
            if number is not None and bare(number) != "0":
                return f"{kind} {known[bare(number)].number if bare(number) in known else number}"
        return None

    def _name(self, subject: str) -> str:
        kind, _, number = subject.partition(" ")
        known = self.known.get(kind, {}).get(bare(number.split(" ")[0] or "0"))
        return f"{_capital(subject)} {known.name}" if known else _capital(subject)

    def _one(self, signal: Entry) -> str:
        subject, meaning = self._subject(signal), signal["meaning"] or f"code {signal['code']}"
        if not subject:
            return str(meaning)
        name = self._name(subject)
        return f"{meaning}, {name[:1].lower()}{name[1:]}"

    def _words(self, entry: Entry) -> str:
        return "; ".join(self._one(signal) for signal in entry["signals"]) or "A message"


@cache
def _codes(codes: str) -> tuple[frozenset[Code], frozenset[Code]]:
    return accepted(codes)


def _due_words(codes: str, code_set: str) -> str:
    """`“Water leak” (154)`, in the panel's own code set; three at most."""
    rows = table("contact_id" if code_set == "contact-id" else "two_letter")
    mine = [word[-3:] for word in codes.split() if word.isdigit() == (code_set == "contact-id")]
    return " or ".join(f"“{rows[word].meaning}” ({word})" for word in mine[:3]) or " or ".join(codes.split())


def _ends(code: Code, alarm: Code) -> bool:
    """Whether this code is the restoral of just that alarm."""
    if code.code_set != alarm.code_set:
        return False
    return (
        code.code == alarm.code
        if code.code_set == "contact-id"
        else table("two_letter")[code.code].restores == alarm.code
    )


def _code(signal: Entry) -> Code:
    return Code(signal["code_set"], signal["code"], signal["qualifier"])


def _number(signal: Entry) -> str | None:
    number = signal["zone"] or signal["user"] or signal["number"]
    return bare(number) if number is not None and bare(number) != "0" else None


def _text(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
