"""The people and devices of a simulated house: from `open 015` to the message that its panel sends.

A small language, one command a line, the same at a prompt and in a script. `read` holds a line against the account, so
that a whole script can be checked before anything is sent. Which code a device, a user, a path or the panel reports is
said in `kinds.toml` alone, where provings take it from too: the first acceptable code of the wanted kind.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Literal, NamedTuple

from protocols.dc09 import bare, build
from receiver.book import Account
from receiver.plan import Kinds, Report, accepted, shipped_kinds

LONGEST_WAIT = 86400.0  # seconds

# What can be said, and what it does: the help, and the README's table, which a test holds against this one.
LANGUAGE = {
    "open ZONE, trip ZONE": "the zone reports its alarm, as its device does",
    "close ZONE, restore ZONE": "whatever the zone has reported is over; its alarm, where nothing was",
    "trip ZONE WHAT": "another report of the zone, such as tamper, battery or supervision; restore ZONE WHAT ends it",
    "tamper, restore tamper": "the panel's own lid",
    "lose ac, restore ac": "its mains power",
    "low battery, restore battery": "its battery",
    "arm USER, disarm USER": "a closing, an opening, by that user",
    "test": "a test report",
    "drop PATH, restore PATH": "the path is gone, or back; another path, where there is one, reports it",
    "poll, poll PATH": "each path polls at once, or that one",
    "send PAYLOAD": "any message: send 1131 01 015, send Nri1/BA15",
    "wait, wait SECONDS": "the next line only when everything is answered, or after that time",
    "state": "what is open, which paths are dropped, what waits in the outbox",
    "help": "this table",
    "quit": "end now, whatever waits",
}
_COMMENT = re.compile(r"(^|\s)#.*")
PANEL = {"tamper": "tamper", "ac": "mains", "battery": "battery"}  # what a person says, and its report in kinds.toml


class LanguageError(ValueError):
    """What is wrong with a line, and what is allowed in its place."""


class Thing(NamedTuple):
    """One thing that the house can report: whose it is, what, and with which codes. `ends`: it has a restoral."""

    subject: str  # `zone 015`, `user 002`, `panel`, `path wired`
    what: str
    codes: str
    area: str
    number: str
    ends: bool

    @property
    def label(self) -> str:
        return f"{self.subject}: {self.what}"


class Step(NamedTuple):
    """One line, understood. `begin` has one thing, `end` all that may be over, the first being what is meant if none is."""

    do: Literal["begin", "end", "drop", "restore", "poll", "send", "wait", "state", "help", "quit"]
    things: tuple[Thing, ...] = ()
    path: str | None = None
    payload: str = ""
    seconds: float | None = None  # None: until everything is answered


def token_of(payload: str) -> str:
    """Which message a payload makes: Contact ID where it looks like it, else two-letter codes."""
    return "ADM-CID" if re.match(r"\d{4} ", payload) else "SIA-DCS"


def payloads(codes: str, area: str, number: str, *, two_letter: bool) -> tuple[str, str | None]:
    """What a panel says of a thing, and what of its end (None where no code says that), by the first acceptable code.

    `codes` are in the notation of `kinds.toml`. Where none of them is of the wanted kind, the first of the other kind is
    taken: `token_of` tells. Area and number are written as wide as Contact ID has them; "" stands for none.
    """
    words = codes.split()
    word = next((word for word in words if word.isdigit() != two_letter), words[0])
    if word.isdigit():
        place = f" {area[-2:]:0>2} {number[-3:]:0>3}"
        return (f"{word}{place}", None) if len(word) == 4 else (f"1{word}{place}", f"3{word}{place}")
    before = f"N{f'ri{area}/' if area.strip('0') else ''}"
    # Several codes may end one: that of the point restored, or of the trouble, rather than that of the bell silenced.
    over = sorted((one.code for one in accepted(word)[1]), key=lambda code: code[1] not in "RJ")
    return f"{before}{word}{number}", f"{before}{over[0]}{number}" if over else None


class Household:
    """The house of an account: what can be said of it, and what is open in it now.

    `check` raises ValueError for a token and a payload that its panel could not send (`Premises.check`); without it they are
    held against a frame in clear.
    """

    def __init__(
        self,
        account: Account,
        *,
        two_letter: bool = False,
        kinds: Kinds | None = None,
        check: Callable[[str, str], object] | None = None,
    ) -> None:
        self.account, self._two_letter, self._kinds = account, two_letter, kinds or shipped_kinds()
        self._check = check or (lambda token, payload: build(token, 1, account.number, payload))
        self.open: list[Thing] = []  # in the order in which it came

    def read(self, line: str) -> Step | None:
        """Understand a line; None for an empty one or a comment. LanguageError says what is allowed."""
        line = _COMMENT.sub("", line).strip()
        verb, *rest = line.split() or [""]
        match verb.lower(), [word.lower() for word in rest]:
            case "", []:
                return None
            case "state" | "help" | "quit" as do, []:
                return Step(do)
            case "send", [_, *_]:
                return Step("send", payload=self._sendable(line.split(maxsplit=1)[1]))
            case "wait", [] | [_]:
                return Step("wait", seconds=_seconds(rest[0]) if rest else None)
            case "poll", []:
                return Step("poll")
            case "poll" | "drop" as do, [_, *_]:
                return Step(do, path=self._path(" ".join(rest)))
            case "test", []:
                return Step("begin", (self._thing("panel", self._kinds.path["test"])._replace(what="test report"),))
            case ("tamper" as what, []) | ("low", ["battery" as what]) | ("lose", ["ac" as what]):
                return Step("begin", (self._thing("panel", self._kinds.panel[PANEL[what]]),))
            case "restore", ["tamper" | "ac" | "battery" as what]:
                return self._over(self._thing("panel", self._kinds.panel[PANEL[what]]))
            case "restore", [_, *_] if self._has_path(" ".join(rest)):
                return Step("restore", path=" ".join(rest))
            case "arm" | "disarm", [_]:
                user = _named("user", rest[0], self.account).number
                report = self._kinds.user["closing" if verb.lower() == "arm" else "opening"]
                return Step("begin", (self._thing(f"user {user}", report, number=user),))
            case "open" | "trip", [_, *what]:
                return Step("begin", (self._of_zone(rest[0], " ".join(what) or "alarm")[0],))
            case "close" | "restore", [_, *what]:
                return self._over(*self._of_zone(rest[0], " ".join(what)))
        fits = [form for form in LANGUAGE if re.search(rf"\b{re.escape(verb)}\b", form)]
        raise LanguageError(f"{line!r} cannot be done; say {' · '.join(fits or LANGUAGE)}")

    def says(self, step: Step) -> Iterator[tuple[str, str]]:
        """The messages of a step, token and payload, as things stand now; what is open changes with them."""
        things: Sequence[Thing] = step.things
        if step.do == "send":
            yield token_of(step.payload), step.payload
        elif step.path is not None:
            things = [self._thing(f"path {step.path}", self._kinds.path["unplugged"])]
            if (step.do == "drop") == (things[0] in self.open):
                things = ()  # it is so already
        elif step.do == "end":
            things = [thing for thing in things if thing in self.open] or things[:1]
        for thing in things:
            new, over = self._payloads(thing)
            if step.do in ("begin", "drop"):
                if thing.ends and over is not None and thing not in self.open:
                    self.open.append(thing)
                yield token_of(new), new
            elif step.do in ("end", "restore") and over is not None:
                if thing in self.open:
                    self.open.remove(thing)
                yield token_of(over), over

    def _sendable(self, payload: str) -> str:
        try:
            self._check(token_of(payload), payload)
        except ValueError as error:
            raise LanguageError(f"send: {error}") from None
        return payload

    def _over(self, *things: Thing) -> Step:
        if not things[0].ends or self._payloads(things[0])[1] is None:
            raise LanguageError(f"{things[0].label}: nothing says that it is over; send PAYLOAD sends any message")
        return Step("end", things)

    def _payloads(self, thing: Thing) -> tuple[str, str | None]:
        return payloads(thing.codes, thing.area, thing.number, two_letter=self._two_letter)

    def _thing(self, subject: str, report: Report, area: str | None = None, number: str = "") -> Thing:
        first = self.account.area[0].number if self.account.area else ""
        return Thing(subject, report.what, report.codes, area or first, number, report.restoral != "none")

    def _of_zone(self, number: str, what: str) -> list[Thing]:
        """What the zone reports by signals, its first report first; only the named one where one is."""
        zone = _named("zone", number, self.account)
        kind = self._kinds.named(zone.device)
        reports = {word: one for word, one in self._kinds.kind[kind].reports.items() if one.codes}
        if what and what not in reports:
            raise LanguageError(f"zone {zone.number} ({kind}) reports no {what}; it reports {', '.join(reports)}")
        chosen = (what,) if what else reports
        return [self._thing(f"zone {zone.number}", reports[word], zone.area, zone.number) for word in chosen]

    def _has_path(self, name: str) -> bool:
        return any(path.name == name for path in self.account.path)

    def _path(self, name: str) -> str:
        if not self._has_path(name):
            names = ", ".join(path.name for path in self.account.path) or "none that has a name"
            raise LanguageError(f"account {self.account.number} has no path {name!r}; it has {names}")
        return name


def _named(kind: Literal["zone", "user"], number: str, account: Account) -> Any:
    """The account's zone or user of that number, leading zeros or not."""
    entries = getattr(account, kind)
    for entry in entries:
        if bare(entry.number) == bare(number):
            return entry
    there = ", ".join(entry.number for entry in entries) or "none"
    raise LanguageError(f"account {account.number} has no {kind} {number}; it has {there}")


def _seconds(text: str) -> float:
    if not re.fullmatch(r"\d{1,5}(\.\d{1,3})?", text) or float(text) > LONGEST_WAIT:
        raise LanguageError(f"wait {text}: seconds stand there, such as 5 or 0.5, {LONGEST_WAIT:.0f} at most")
    return float(text)
