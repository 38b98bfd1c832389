"""Requests and callers: from what an installer asks for to an account of the book, as pages and as JSON.

What is done and what is refused is in `intake` and `identification`; here is only who asks for it, and how it is shown.
"""

import asyncio
import threading
from collections import OrderedDict
from collections.abc import AsyncGenerator, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Annotated, Any, Literal, NamedTuple
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Depends, Form, HTTPException, Path, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.datastructures import FormData, UploadFile

from receiver import identification, intake, requests, spoken
from receiver.book import Line, Seconds
from receiver.callers import Mark
from receiver.console import streams
from receiver.console.door import Session
from receiver.console.house import NOT_FOUND, Acting, AHouse, Asking, Engineer, House, Journal, go, page, part
from receiver.console.live import PAUSE_SECONDS
from receiver.desk import millis
from receiver.identification import Identification
from receiver.intake import Draft, FieldError, IntakeError, RefusedError
from receiver.journal import Store, opened
from receiver.requests import RequestError, Tied
from receiver.wishes import note
from receiver.zone_list import Listed, decoded

MOST_CALLERS = 200  # callers of a page; the API has all
MOST_KEPT = 100  # forms and new keys that are remembered
LEAST_SECONDS, MOST_SECONDS = 5, 600  # that an installer may have
MOST_WAIT_SECONDS = 2  # for the last look of one that was given up
STEP_SECONDS = 5  # the time that is left changes this often, so that it can be read, and read aloud
PATH_ROWS = 3  # of a new request; more can be added to its file
PATH = ("name", "line", "network", "port", "prefix", "poll_seconds")

pages = APIRouter(include_in_schema=False)
api = APIRouter(prefix="/api", tags=["requests"])

Reference = Annotated[str, Path(pattern=r"^R-\d{3,9}$", description="such as R-001")]
Text = Annotated[str, Field(max_length=200)]
Long = Annotated[str, Field(max_length=400_000)]


class APath(BaseModel):
    """A route from the premises, and what marks its frames."""

    model_config = ConfigDict(extra="forbid")
    name: Annotated[str, Field(min_length=1, max_length=200)]
    line: Line | None = None
    network: Text | None = None
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    prefix: Text | None = None
    poll_seconds: Seconds | None = None


class Filing(BaseModel):
    """What an installer asks for. `zones` and `users` are lists as they came: CSV, or lines of an e-mail."""

    model_config = ConfigDict(extra="forbid")
    name: Text
    firm: Text
    installer: Text
    address: Text | None = None
    contact: Text | None = None
    expects: Annotated[Text | None, Field(description="the number that the installer was told to program")] = None
    poll_seconds: Seconds | None = None
    zones: Long = ""
    users: Long = ""
    paths: Annotated[list[APath], Field(max_length=20)] = []
    key: Annotated[Text | None, Field(description="the AES key that it will have, in hex digits")] = None
    key_bits: Annotated[Literal[128, 192, 256] | None, Field(description="make a key of so many bits")] = None
    leave_out_bad_rows: bool = False

    def draft(self, by: str) -> Draft:
        """What would be filed by that person."""
        head = self.model_dump(include={"firm", "installer", "address", "contact", "expects"}) | {"by": by}
        paths = [path.model_dump(exclude_none=True) for path in self.paths]
        return intake.preview(head, self.name, {"zones": self.zones, "users": self.users}, paths, self.poll_seconds)

    def file(self, house: House, draft: Draft) -> tuple[requests.Request, str | None]:
        """File it. With the digits of its key, which are to be shown now or never."""
        draft.check(self.leave_out_bad_rows)
        digits = intake.new_key(self.key, self.key_bits)
        return intake.file(house.settings.requests, draft, digits), digits


class Trying(threading.Thread):
    """An identification that runs until its time is over, whoever looks. `done` comes last."""

    def __init__(self, house: House, trial: Identification, by: str) -> None:
        super().__init__(name=f"identify {trial.request.head.reference}", daemon=True)
        self._house, self.trial, self.by, self.at = house, trial, by, millis(datetime.now(UTC))
        self.news: list[str] = []
        self.tied: Tied | None = None
        self.to_know: list[str] = []
        self.why: list[str] = []  # why nobody was tied
        self._given_up = ""  # by whom
        self.done = threading.Event()

    def run(self) -> None:
        settings = self._house.settings
        try:
            with closing(opened(settings.journal)) as store:
                for news in self.trial.watch(store):
                    self.news += news
                if self._given_up:
                    raise RefusedError(f"{self._given_up} gave it up")
                self.tied, self.to_know = self.trial.conclude(store, settings.requests, self.by)
        except Exception as error:  # whatever it is, whoever waits for the outcome must see one
            self.why = str(error).splitlines() or [repr(error)]
        finally:
            self.done.set()

    def give_up(self, by: str) -> None:
        """End it, with nobody tied."""
        self._given_up = by
        self.trial.end()

    @property
    def left(self) -> int:
        """About how many seconds are left."""
        return -int(-self.trial.left // STEP_SECONDS) * STEP_SECONDS

    def as_json(self) -> dict[str, Any]:
        state = "under-way" if not self.done.is_set() else "tied" if self.tied else "refused"
        told: dict[str, Any] = {
            "state": state,
            "by": self.by,
            "at": self.at,
            "caller": self.trial.caller,
            "from": self.trial.host,
        }
        told |= {"zone": self.trial.zone.number, "say": self.trial.sentence, "before": self.trial.before or None}
        told |= {"seconds_left": round(self.trial.left, 1), "news": list(self.news), "why": self.why}
        return told | {"tied": self.tied and self.tied.model_dump(), "to_know": self.to_know}


@dataclass(slots=True)
class Kept:
    """What is remembered between requests. It is gone when the console ends; what was done stands in files and journal."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    numbering: threading.Lock = field(default_factory=threading.Lock)  # held for seconds, while the bench is waited for
    trying: dict[str, Trying] = field(default_factory=dict)  # the last identification of each request
    keys: OrderedDict[str, tuple[str, str]] = field(default_factory=OrderedDict)  # not shown yet: for whom, and digits
    filed: OrderedDict[str, str] = field(default_factory=OrderedDict)  # form that was sent: the reference it became
    told: dict[str, str] = field(default_factory=dict)  # what came of having the bench read its book


def _kept(house: AHouse) -> Kept:
    found: Kept = house.kept.setdefault("requests", Kept())
    return found


AKept = Annotated[Kept, Depends(_kept)]


def _why(error: Exception) -> tuple[str, int]:
    """What cannot be done, in words, and the status that says the same."""
    if isinstance(error, FieldError):
        return f"{error.field} {error}", 422
    if isinstance(error, RequestError):
        return str(error), 404
    return str(error), 422 if isinstance(error, IntakeError) and not isinstance(error, RefusedError) else 409


@contextmanager
def _reasons() -> Iterator[None]:
    """What cannot be done, as the answer that says why."""
    try:
        yield
    except ValueError as error:
        words, status = _why(error)
        raise HTTPException(status, words) from None


def _load(house: AHouse, reference: Reference) -> requests.Request:
    with _reasons():
        return requests.load(house.settings.requests, reference)


Asked = Annotated[requests.Request, Depends(_load)]


# What waits


class Standing(NamedTuple):
    """How far a request has come, and what is next, in words and as a link."""

    said: str
    next: str
    link: str
    do: str


def standing(one: requests.Request, finished: bool = True) -> Standing:
    """Where a request stands. `finished`: whether its number is in the book and in the journal."""
    here = f"/requests/{one.head.reference}"
    if done := intake.assignment_of(one):
        number = done.account.number
        if not finished:
            what = "The assignment was broken off before everything was written; doing it again completes it."
            return Standing(f"assigned {number}, not complete", what, f"{here}/assign", "Complete it")
        what = f"Tell the installer that the number is {number}, then prove the account."
        return Standing(
            f"assigned {number}", what, f"/provings/new?account={quote(done.account.mark)}", f"Prove account {number}"
        )
    if one.caller:
        what = f"Give it its number: the caller {one.caller.number} from {one.caller.host} is its panel."
        return Standing(
            f"tied to {one.caller.number} from {one.caller.host}", what, f"{here}/assign", "Give it a number"
        )
    what = "Let its panel report to this bench; then find out which caller it is, with one device that is tripped now."
    return Standing("waiting", what, f"{here}/identify", "Find out which caller it is")


@pages.get("/requests")
def waiting(request: Request, engineer: Engineer, house: AHouse) -> Response:
    found, broken = requests.everything(house.settings.requests)
    groups = [
        (title, [one for one in found if one.state == state])
        for title, state in (("Waiting", "waiting"), ("Tied to a caller", "tied"), ("Assigned", "assigned"))
    ]
    return page(request, "requests.html", engineer, groups=groups, broken=broken, standing=standing)


@pages.get("/requests/new")
def empty(request: Request, engineer: Engineer) -> Response:
    return _form(request, engineer, Typed())


@dataclass
class Typed:
    """The form of a new request as somebody typed it, whatever that is."""

    fields: dict[str, str] = field(default_factory=dict)
    paths: list[dict[str, str]] = field(default_factory=list)
    wrong: dict[str, str] = field(default_factory=dict)  # by field: what is wrong with it
    notes: list[str] = field(default_factory=list)

    def get(self, name: str) -> str:
        return self.fields.get(name, "")

    def filing(self) -> Filing:
        """What it says. FieldError for the first field that says nothing usable; `wrong` then has them all."""
        given: dict[str, Any] = {name: value for name in Filing.model_fields if (value := self.get(name).strip())}
        given |= {name: self.get(name) for name in ("name", "firm", "installer", "zones", "users")}
        paths = [{name: value for name, value in path.items() if value} for path in self.paths if any(path.values())]
        # What stands in the field of the kind of key that was not chosen stays typed, and is not meant.
        given |= {"key": given.get("key") if self.get("sort") == "given" else None}
        given |= {"key_bits": int(self.get("sort")) if self.get("sort").isdecimal() else None}
        try:
            return Filing.model_validate(given | {"paths": paths})
        except ValidationError as error:
            for one in error.errors():
                place = [str(part) for part in one["loc"]]
                shown = f"row {int(place[1]) + 1}, {place[2]}: " if len(place) > 2 else ""
                told = self.wrong.get(place[0], ""), f"{shown}{one['msg'][:1].lower()}{one['msg'][1:]}"
                self.wrong[place[0]] = "; ".join(filter(None, told))
            first = next(iter(self.wrong))
            raise FieldError(first, self.wrong[first]) from None


async def _typed(request: Request) -> Typed:
    form = await request.form()
    typed = Typed({name: value for name, value in form.items() if isinstance(value, str)})
    columns = [[value for value in form.getlist(f"path_{name}") if isinstance(value, str)] for name in PATH]
    typed.paths = [dict(zip(PATH, map(str.strip, row), strict=True)) for row in zip(*columns, strict=False)]
    for name in ("zones", "users"):
        await _uploaded(form, name, typed)
    return typed


async def _uploaded(form: FormData, name: str, typed: Typed) -> None:
    """Put an uploaded list where a pasted one would stand."""
    file = form.get(f"{name}_file")
    if not isinstance(file, UploadFile) or not file.filename:
        return
    text, certain = decoded(await file.read())
    if typed.get(name).strip() and typed.get(name).split() != text.split():
        typed.wrong[name] = "was pasted, and a file was chosen too: empty the field, or choose no file"
        return
    typed.fields[name] = text
    if not certain:
        typed.notes.append(f"the file of {name} is not UTF-8; it was read as Latin-1, so look at the names")


def _form(request: Request, engineer: Session, typed: Typed, draft: Draft | None = None, status: int = 200) -> Response:
    typed.fields.setdefault("form", spoken.generate(128))
    typed.paths += [dict.fromkeys(PATH, "")] * (PATH_ROWS - len(typed.paths))
    shown = {name: list(_lines(typed.get(name), listed)) for name, listed in draft.lists.items()} if draft else {}
    return page(request, "request_new.html", engineer, status=status, typed=typed, draft=draft, shown=shown)


def _lines(text: str, listed: Listed) -> Iterator[tuple[int, str, list[str], str]]:
    """Each line of a list that says anything: its number, its text, what was read, and what is wrong with it."""
    says: dict[int, list[str]] = {number: ["a heading"] for number in listed.headings}
    for one in listed.entries:
        more = [f"area {one.area}" if one.area else "", one.device or "device not recognised" * (one.kind == "zone")]
        says.setdefault(one.line, []).append(", ".join([f"{one.kind} {one.number} {one.name}", *filter(None, more)]))
    wrong = {row.line: row.why for row in listed.bad}
    for number, line in enumerate(text.splitlines(), 1):
        if number in says or number in wrong:
            yield number, line, says.get(number, []), wrong.get(number, "")


@pages.post("/requests/new")
def sent(
    request: Request, engineer: Acting, house: AHouse, kept: AKept, typed: Annotated[Typed, Depends(_typed)]
) -> Response:
    """Look at what was typed, or file it; nothing that was typed is lost."""
    draft = None
    with kept.lock:  # a form that is sent twice files once
        if reference := kept.filed.get(typed.get("form")):
            return go(f"/requests/{reference}")
        try:
            filing = typed.filing()
            if not typed.wrong:
                draft = filing.draft(engineer.name)
            if draft is None or typed.get("act") != "file":
                return _form(request, engineer, typed, draft, 422 if typed.wrong else 200)
            filed, digits = filing.file(house, draft)
        except FieldError as error:
            typed.wrong.setdefault(error.field, str(error))
            return _form(request, engineer, typed, draft, 422)
        except RefusedError as error:
            typed.wrong["form"] = str(error)
            return _form(request, engineer, typed, draft, 409)
        reference = filed.head.reference
        _remember(kept.filed, typed.get("form"), reference)
        if digits:
            _remember(kept.keys, reference, (engineer.csrf, digits))
    return go(f"/requests/{reference}/filed")


def _remember(where: "OrderedDict[str, Any]", name: str, what: Any) -> None:
    if name:
        where[name] = what
    while len(where) > MOST_KEPT:
        where.popitem(last=False)


@pages.get("/requests/{reference}/filed")
def filed(request: Request, engineer: Engineer, kept: AKept, one: Asked) -> Response:
    """The new request, with its key this once."""
    whose, digits = kept.keys.get(one.head.reference, ("", ""))
    if whose != engineer.csrf:
        return go(f"/requests/{one.head.reference}")
    del kept.keys[one.head.reference]
    return _key_page(request, engineer, one, digits)


def _key_page(request: Request, engineer: Session, one: requests.Request, digits: str) -> Response:
    return page(
        request, "request_key.html", engineer, one=one, lines=spoken.lines(digits), word=spoken.check_word(digits)
    )


@pages.get("/requests/{reference}")
def shown(request: Request, engineer: Engineer, house: AHouse, kept: AKept, one: Asked) -> Response:
    return _shown(request, engineer, house, kept, one)


def _shown(
    request: Request, engineer: Session, house: House, kept: Kept, one: requests.Request, wrong: str = "", status: int = 200
) -> Response:  # fmt: skip
    done = intake.assignment_of(one)
    finished = bool(done and done.stands(house.book()) and not done.unsaid(house.settings.journal, engineer.name))
    with _reasons():
        to_tell = done.to_tell() if done else []
        word = spoken.check_word(digits) if (digits := one.key_digits()) else None
    return page(
        request, "request.html", engineer, status=status, one=one, now=standing(one, finished), to_tell=to_tell, word=word,
        done=done, trying=kept.trying.get(one.head.reference), told=kept.told.get(one.head.reference, ""), wrong=wrong,
    )  # fmt: skip


@pages.post("/requests/{reference}/key")
def key_again(
    request: Request, engineer: Acting, house: AHouse, kept: AKept, one: Asked, reason: Annotated[str, Form()] = ""
) -> Response:
    try:
        digits = intake.show_key(intake.key_of_request(one), house.settings.journal, reason, engineer.name)
    except ValueError as error:
        return _shown(request, engineer, house, kept, one, *_why(error))
    return _key_page(request, engineer, one, digits)


# Which caller it is


@pages.get("/callers")
def callers(request: Request, engineer: Engineer, house: AHouse, store: Journal) -> Response:
    known, broken = requests.everything(house.settings.requests)
    found = intake.callers(store, house.book(), known)
    return page(
        request, "callers.html", engineer, callers=found[:MOST_CALLERS], left_out=len(found[MOST_CALLERS:]), broken=broken,
        waiting=[one for one in known if not one.assigned], runs=store.written_by_another(),
    )  # fmt: skip


@pages.get("/identify")
def chosen(engineer: Engineer, request: Annotated[str, Query(pattern=r"^R-\d{3,9}$")], who: str) -> Response:
    """From a caller to the request that it may be."""
    return go(f"/requests/{request}/identify?{urlencode({'who': who, 'again': 'yes'})}")


@pages.get("/requests/{reference}/identify")
def identify(
    request: Request, engineer: Engineer, house: AHouse, store: Journal, kept: AKept, one: Asked, who: str = "",
    again: str = "",
) -> Response:  # fmt: skip
    trying = kept.trying.get(one.head.reference)
    if trying is not None and not (again and trying.done.is_set()):
        return page(request, "identify.html", engineer, one=one, trying=trying)
    return _choose(request, engineer, house, store, one, {"who": who})


def _choose(
    request: Request, engineer: Session, house: House, store: Store, one: requests.Request, typed: dict[str, Any],
    wrong: str = "", status: int = 200,
) -> Response:  # fmt: skip
    if one.assigned:
        raise HTTPException(409, f"{one.head.reference} has become account {one.assigned.number} already")
    found = intake.callers(store, house.book(), [one])
    found.sort(key=lambda calling: not any(who.request for who in calling.perhaps))  # the last heard of each first
    typed = {"who": "", "other": "", "zone": "any", "seconds": "60"} | typed
    known = [_who(calling.caller.mark) for calling in found]
    if typed["who"] and typed["who"] not in known and not typed["other"]:
        typed |= {"who": "", "other": typed["who"].partition(" ")[0]}
    return page(
        request, "choose.html", engineer, status=status, one=one, typed=typed, wrong=wrong,
        callers=list(zip(known, found, strict=True))[:MOST_CALLERS], runs=store.written_by_another(),
    )  # fmt: skip


def _who(mark: Mark) -> str:
    return f"{mark.number} {mark.host}"


def begin(
    house: House, kept: Kept, one: requests.Request, store: Store, by: str, *, caller: str, host: str | None, zone: str,
    seconds: float,
) -> Trying:  # fmt: skip
    """Begin to identify. RefusedError where an identification of this request is under way."""
    if not LEAST_SECONDS <= seconds <= MOST_SECONDS:
        raise FieldError("seconds", f"are {LEAST_SECONDS} to {MOST_SECONDS}")
    if not caller.strip():
        raise FieldError("caller", "is not chosen: which number does its panel send?")
    with kept.lock:
        before = kept.trying.get(one.head.reference)
        if before is not None and not before.done.is_set():
            raise RefusedError(f"{before.by} is identifying {one.head.reference} just now")
        device = identification.device(one, zone)
        trying = Trying(house, Identification(one, store, caller.strip(), host, device, seconds), by)
        kept.trying[one.head.reference] = trying
        trying.start()
    return trying


@pages.post("/requests/{reference}/identify")
def begun(
    request: Request, engineer: Acting, house: AHouse, store: Journal, kept: AKept, one: Asked,
    who: Annotated[str, Form()] = "", other: Annotated[str, Form()] = "", zone: Annotated[str, Form()] = "any",
    seconds: Annotated[str, Form()] = "60",
) -> Response:  # fmt: skip
    here = f"/requests/{one.head.reference}/identify"
    trying = kept.trying.get(one.head.reference)
    if trying is not None and not trying.done.is_set():
        return go(here)  # two engineers see the same one
    number, _, host = ("", "", "") if other.strip() else who.rpartition(" ")
    try:
        lasts = float(seconds) if seconds.strip().isdecimal() else 0.0
        begin(
            house, kept, one, store, engineer.name, caller=other or number, host=host or None, zone=zone, seconds=lasts
        )
    except IntakeError as error:
        typed = {"who": who, "other": other, "zone": zone, "seconds": seconds}
        return _choose(request, engineer, house, store, one, typed, *_why(error))
    return go(here)


@pages.post("/requests/{reference}/identify/end")
def given_up(engineer: Acting, kept: AKept, reference: Reference) -> Response:
    if trying := kept.trying.get(reference):
        trying.give_up(engineer.name)
        trying.done.wait(MOST_WAIT_SECONDS)
    return go(f"/requests/{reference}/identify")


@pages.get("/requests/{reference}/identify/stream")
async def stream(request: Request, engineer: Engineer, house: AHouse, kept: AKept, reference: Reference) -> Response:
    trying = kept.trying.get(reference)
    if trying is None:
        raise HTTPException(404, f"nobody is identifying {reference} just now")

    async def send() -> AsyncGenerator[dict[str, Any], None]:
        before = ""
        while not house.feed.closing:
            if trying.done.is_set():
                yield {"event": "over", "data": ""}
                return
            now = part(house, "_identify.html", trying=trying)
            if now != before:
                yield {"event": "part", "data": now}
            before = now
            await asyncio.sleep(PAUSE_SECONDS)

    return streams.stream(request, send())


# Its number


class Number(BaseModel):
    """The number that a request gets, and what narrows its match."""

    model_config = ConfigDict(extra="forbid")
    number: Text
    receiver: Text | None = None
    prefix: Text | None = None


def give(house: House, kept: Kept, one: requests.Request, number: Number, by: str) -> intake.Assignment:
    """Make a request an account of the book, have the bench read it, and say so in the journal."""
    if house.settings.book is None:
        raise RefusedError("this console was started without an account book: start it with --book FILE")
    settings, narrow = house.settings, number.model_dump(include={"receiver", "prefix"})
    with kept.numbering:
        one = requests.load(settings.requests, one.head.reference)  # somebody may have been quicker
        done = intake.assign(one, settings.journal, house.settings.book, house.book(), number.number.strip(), narrow)
        kept.told[one.head.reference] = intake.read_again(settings.journal) or ""
        if row := done.unsaid(settings.journal, by):
            note(settings.journal, **row)
    return done


@pages.get("/requests/{reference}/assign")
def number(request: Request, engineer: Engineer, house: AHouse, one: Asked) -> Response:
    return _number(request, engineer, house, one, one.assigned or Number(number=one.head.expects or ""))


def _number(
    request: Request, engineer: Session, house: House, one: requests.Request, typed: Any, wrong: str = "", status: int = 200
) -> Response:  # fmt: skip
    return page(
        request, "assign.html", engineer, status=status, one=one, typed=typed, wrong=wrong, book=house.settings.book
    )


@pages.post("/requests/{reference}/assign")
def assigned(
    request: Request, engineer: Acting, house: AHouse, kept: AKept, one: Asked, number: Annotated[str, Form()] = "",
    receiver: Annotated[str, Form()] = "", prefix: Annotated[str, Form()] = "",
) -> Response:  # fmt: skip
    wanted = Number.model_construct(number=number, receiver=receiver.strip() or None, prefix=prefix.strip() or None)
    try:
        give(house, kept, one, wanted, engineer.name)
    except IntakeError as error:
        return _number(request, engineer, house, one, wanted, *_why(error))
    return go(f"/requests/{one.head.reference}")


# The JSON side


class Beginning(BaseModel):
    """Which caller a request's panel may be, and which device is tripped: a zone, or any."""

    model_config = ConfigDict(extra="forbid")
    caller: Annotated[str, Field(min_length=1, max_length=64)]
    host: Annotated[Text | None, Field(description="only from this network address")] = None
    zone: Annotated[str, Field(max_length=64)] = "any"
    seconds: Annotated[float, Field(ge=LEAST_SECONDS, le=MOST_SECONDS)] = 60


class Why(BaseModel):
    """Why a key is shown again; it goes into the journal."""

    model_config = ConfigDict(extra="forbid")
    reason: Annotated[str, Field(min_length=1, max_length=2000)]


def _key_json(digits: str) -> dict[str, Any]:
    return {"digits": spoken.compact(digits), "lines": spoken.lines(digits), "check_word": spoken.check_word(digits)}


@api.get("/requests")
def all_requests(engineer: Engineer, house: AHouse) -> dict[str, Any]:
    """The requests, and what is wrong with the files of others."""
    found, broken = requests.everything(house.settings.requests)
    return {"requests": [one.as_json() for one in found], "broken": broken}


@api.post("/requests")
def new_request(engineer: Asking, house: AHouse, filing: Filing, preview: bool = False) -> dict[str, Any]:
    """File a request, or with `preview` see what would be filed. A key that was made or given is in this answer alone."""
    with _reasons():
        draft = filing.draft(engineer.name)
        if preview:
            bad = [row._asdict() | {"list": name} for name, listed in draft.lists.items() for row in listed.bad]
            return {"would_be": draft.account, "bad": bad}
        one, digits = filing.file(house, draft)
    return one.as_json() | {"key_once": _key_json(digits) if digits else None}


@api.get("/requests/{reference}", responses={404: NOT_FOUND})
def one_request(engineer: Engineer, one: Asked) -> dict[str, Any]:
    """One request, how far it has come and what is next."""
    now = standing(one)
    return one.as_json() | {"next": now.next}


@api.post("/requests/{reference}/key", responses={404: NOT_FOUND})
def show_key(engineer: Asking, house: AHouse, one: Asked, why: Why) -> dict[str, Any]:
    """Its key again. Who, when and why goes into the journal first."""
    with _reasons():
        keyed = intake.key_of_request(one)
        return _key_json(intake.show_key(keyed, house.settings.journal, why.reason, engineer.name))


@api.get("/callers")
def all_callers(engineer: Engineer, house: AHouse, store: Journal) -> list[dict[str, Any]]:
    """The callers without an account, the last heard first, as `farend book callers --json` prints them."""
    known, _ = requests.everything(house.settings.requests)
    return [one.as_json() for one in intake.callers(store, house.book(), known)]


@api.post("/requests/{reference}/identification", responses={404: NOT_FOUND})
def begin_identification(
    engineer: Asking, house: AHouse, store: Journal, kept: AKept, one: Asked, wanted: Beginning
) -> dict[str, Any]:
    """Begin to find out which caller is its panel; then say to the installer what `say` has."""
    with _reasons():
        return begin(house, kept, one, store, engineer.name, **wanted.model_dump()).as_json()


@api.get("/requests/{reference}/identification", responses={404: NOT_FOUND})
def see_identification(engineer: Engineer, kept: AKept, reference: Reference) -> dict[str, Any]:
    """The last identification of a request since the console was started."""
    trying = kept.trying.get(reference)
    if trying is None:
        raise HTTPException(404, f"nobody has been identifying {reference} since this console was started")
    return trying.as_json()


@api.post("/requests/{reference}/assignment", responses={404: NOT_FOUND})
def assign(engineer: Asking, house: AHouse, kept: AKept, one: Asked, number: Number) -> dict[str, Any]:
    """Give it its number. Broken off, it is completed by asking again."""
    with _reasons():
        done = give(house, kept, one, number, engineer.name)
        told = [kept.told[one.head.reference]] if kept.told[one.head.reference] else []
        return {"account": done.account.number, "account_mark": done.account.mark, "to_tell": done.to_tell() + told}
