"""What all pages share: the settings, who asks, the journal for one request, templates, times, and errors in words."""

import threading
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import Depends, Form, Header, HTTPException, Query, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from protocols.values import legible
from receiver import book as books
from receiver.book import Account, Book, BookError
from receiver.console.door import Door, Session, same
from receiver.console.feed import Feed
from receiver.journal import JournalError, Store, opened
from receiver.measures import spoken_time
from receiver.record import CAUTION, mode_now, software
from receiver.shift import EVENTS, Refusals, shift
from receiver.words import of_frame, of_signal

LARGEST = 2**63 - 1  # the largest row number that a journal can have
NOT_FOUND = {"description": "There is no such thing."}


@dataclass(frozen=True, slots=True)
class Settings:
    """What the person who runs the console decides. `zone` is the station's time zone."""

    journal: Path
    book: Path | None = None
    requests: Path = Path("farend.requests")
    records: Path = Path("farend.records")
    zone: tzinfo = UTC
    people: Path | None = None
    secure: bool = False  # over TLS
    names: tuple[str, ...] = ()  # by which hosts, beside its addresses, it may be asked for
    port: int = 0


@dataclass(slots=True)
class House:
    """What lives as long as the console does."""

    settings: Settings
    door: Door
    feed: Feed
    tell: Callable[[str], None] = lambda _: None
    again: Callable[[], None] = lambda: None  # shows a new one-time link where the terminal is
    templates: Environment = field(init=False)
    signing: threading.Lock = field(default_factory=threading.Lock)  # two who sign at once make one record
    kept: dict[str, Any] = field(default_factory=dict)  # what a module keeps between requests, by its name
    refusals: Refusals = field(default_factory=Refusals)
    book_trouble: str = ""  # why the book's file is not in force as it stands
    _book: tuple[float, Book] | None = None
    _first: str | None = None  # the hash of the journal's first row

    def __post_init__(self) -> None:
        self.templates = environment(self.settings)

    def book(self) -> Book:
        """The account book as it stands; the last good one stays in force while its file has mistakes."""
        if self.settings.book is None:
            return Book()
        try:
            changed = self.settings.book.stat().st_mtime
            if self._book is None or self._book[0] != changed:
                self._book = changed, books.load(self.settings.book)
            trouble = ""
        except (OSError, ValueError) as error:
            if self._book is None:
                raise
            trouble = f"the book cannot be read again, and the last good one stays in force: {error}"
            if trouble != self.book_trouble:
                self.tell(trouble)
        self.book_trouble = trouble
        return self._book[1]

    def look(self, store: Store) -> None:
        """Forget what was kept of a journal when another stands in its place."""
        first = store.hashes([1]).get(1)
        if first != self._first and self._first is not None:
            self.refusals = Refusals()
            self.kept.pop("provings", None)
        self._first = first

    def refused(self) -> str:
        """How many lines of refused alarms wait for somebody: every page says so. Nothing where there is none."""
        with suppress(JournalError), closing(opened(self.settings.journal)) as store:
            self.look(store)
            return str(len(self.refusals.open(store)) or "")
        return "?"

    def waiting(self) -> Markup:
        """The same for the menu, where open pages have it changed by their streams."""
        count = self.refused()
        return Markup('<span id="waiting">{}</span>').format(f" ({count})" if count else "")

    def mode(self) -> str:
        """The mode of the bench that writes the journal, or wrote it last: every page says it."""
        with suppress(JournalError), closing(opened(self.settings.journal)) as store:
            return mode_now(store)
        return "unknown"

    def handed(self) -> bool:
        """Whether a hand-over waits for somebody."""
        with suppress(JournalError), closing(opened(self.settings.journal)) as store:
            return shift(store.events(*EVENTS)).waiting is not None
        return False

    @property
    def cookie(self) -> str:
        """The session's cookie. With the port in its name: cookies do not tell ports of one host apart."""
        return f"farend-{self.settings.port}"

    @property
    def site_cookie(self) -> str:
        """The installer's: another, so that one browser may be both sides of a proving, as on a bench it often is."""
        return f"{self.cookie}-site"


def house_of(request: Request) -> House:
    found: House = request.app.state.house
    return found


AHouse = Annotated[House, Depends(house_of)]


def session_of(request: Request) -> Session | None:
    """Whoever asks: on the installer's pages by the installer's cookie, elsewhere by the engineer's."""
    house = house_of(request)
    name = house.site_cookie if request.url.path.startswith("/site/") else house.cookie
    return house.door.session(request.cookies.get(name))


Anybody = Annotated[Session | None, Depends(session_of)]


class EnterFirst(Exception):
    """Whoever asks is not in; pages lead to the door, the JSON side says 401."""


def _engineer(session: Anybody) -> Session:
    if session is None or session.role != "engineer":
        raise EnterFirst
    return session


def _checked(
    session: Anybody,
    csrf: Annotated[str, Form()] = "",
    x_csrf_token: Annotated[str, Header()] = "",
) -> Session:
    """Whoever changes something must have had the page from us: it carries the session's second secret."""
    if session is None:
        raise EnterFirst
    if not same(csrf or x_csrf_token, session.csrf):
        raise HTTPException(403, "this form is not from a page of this session: open the page again")
    return session


def _engineer_acts(
    engineer: Annotated[Session, Depends(_engineer)], _: Annotated[Session, Depends(_checked)]
) -> Session:
    return engineer


def _engineer_asks(
    engineer: Annotated[Session, Depends(_engineer)], x_csrf_token: Annotated[str, Header()] = ""
) -> Session:
    if not same(x_csrf_token, engineer.csrf):
        raise HTTPException(403, "the header X-CSRF-Token must be the session's: GET /api/session gives it")
    return engineer


Engineer = Annotated[Session, Depends(_engineer)]  # who reads a page
Acting = Annotated[Session, Depends(_engineer_acts)]  # who changes something by a form
Asking = Annotated[Session, Depends(_engineer_asks)]  # who changes something by the JSON side


From = Annotated[int, Query(alias="from", ge=0, le=10**9, description="how many to leave out")]
# What somebody types: a reason, who saw it; a name.
Said = Annotated[str, Form(max_length=1000)]
AName = Annotated[str, Form(max_length=200)]


def _store(house: AHouse) -> Iterator[Store]:
    store = opened(house.settings.journal)
    try:
        house.look(store)
        yield store
    finally:
        store.close()


Journal = Annotated[Store, Depends(_store)]


# Pages


def moment(at: str | datetime | None, zone: tzinfo, there: str | None = None, *, day: bool | None = None) -> Markup:
    """A time of the journal: in the station's zone, in the site's where that is another, and in UTC on hover.

    The day is shown where it is not today, or as `day` says.
    """
    if not at:
        return Markup("–")
    found = datetime.fromisoformat(at) if isinstance(at, str) else at
    here = found.astimezone(zone)
    today = here.date() == datetime.now(zone).date()
    shown = f"{here:%H:%M:%S}" if (today if day is None else not day) else f"{here.day} {here:%B %Y, %H:%M:%S}"
    if there and (local := found.astimezone(ZoneInfo(there))).utcoffset() != here.utcoffset():
        shown += f" ({local:%H:%M:%S} at the site)"
    utc = found.astimezone(UTC)
    return Markup('<time datetime="{}" title="{}">{}</time>').format(
        f"{utc:%Y-%m-%dT%H:%M:%SZ}", f"{utc:%H:%M:%S}.{utc.microsecond // 1000:03} UTC, {utc.day} {utc:%B %Y}", shown
    )


def environment(settings: Settings) -> Environment:
    """The templates. What a template does not know is an error, and everything is escaped."""
    env = Environment(
        loader=PackageLoader("receiver.console"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    env.filters |= {"moment": lambda at, there=None, day=None: moment(at, settings.zone, there, day=day)}
    env.filters |= {"on_site": lambda at, there=None: moment(at, ZoneInfo(there) if there else settings.zone)}
    env.filters |= {"span": spoken_time, "legible": legible, "of_signal": of_signal, "of_frame": of_frame}
    env.globals |= {"caution": CAUTION, "software": software(), "settings": settings}
    return env


def part(house: House, name: str, **context: Any) -> str:
    """A template as text: a page, or a part of one (their names begin with `_`) that a stream sends when it has changed."""
    return house.templates.get_template(name).render(house=house, **context)


def page(request: Request, name: str, session: Session | None, *, status: int = 200, **context: Any) -> HTMLResponse:
    """A whole page. The session gives the form's secret; `path` marks where in the console one is."""
    context |= {"session": session, "csrf": session.csrf if session else "", "path": request.url.path}
    context.setdefault("q", "")
    if session is not None and session.role == "engineer":
        with suppress(BookError, OSError):  # a page that needs the book says so itself
            house_of(request).book()
    return HTMLResponse(part(house_of(request), name, **context), status)


def go(to: str) -> RedirectResponse:
    """After something was done: to the page that shows it."""
    return RedirectResponse(to, 303)


def trouble(request: Request, session: Session | None, status: int, what: str, next_: str = "") -> Response:
    """What went wrong, where, and what to do: as a page, or as JSON for the JSON side."""
    if request.url.path.startswith("/api/"):
        return JSONResponse({"detail": what}, status)
    name = "site_trouble.html" if request.url.path.startswith("/site/") else "trouble.html"
    return page(request, name, session, status=status, what=what, next=next_, gone=status == 410)


def account_of(house: House, mark: str) -> Account:
    """An account of the book by its mark. 404 where there is none."""
    found = house.book().marked(mark)
    if found is None:
        raise HTTPException(404, f"the book has no account {mark}")
    return found
