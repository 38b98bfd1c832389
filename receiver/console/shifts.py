"""Between engineers: the refused alarms that somebody must handle, notes, and the hand-over from shift to shift."""

from contextlib import closing
from itertools import islice
from typing import Annotated, Any

from fastapi import APIRouter, Form, HTTPException, Path, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from receiver import overview, shift
from receiver.book import Account
from receiver.console.house import (
    LARGEST,
    NOT_FOUND,
    Acting,
    AHouse,
    Asking,
    Engineer,
    From,
    House,
    Journal,
    go,
    page,
    part,
)
from receiver.console.station import now
from receiver.console.streams import following
from receiver.journal import Store, opened

SHOWN = 100  # lines of refused alarms
HANDLED = 20  # that were handled last
ROWS = 8  # rows of a line that are linked one by one

pages = APIRouter(include_in_schema=False)
api = APIRouter(prefix="/api", tags=["shift"])

ARow = Annotated[int, Path(ge=1, le=LARGEST)]
Text = Annotated[str, Field(min_length=1, max_length=shift.MOST_SAID)]


class Done(BaseModel):
    """The row of the journal that says so."""

    row: int


class Handling(BaseModel):
    """What was done about refused alarms, up to that row of the line; the whole line where it is left out."""

    model_config = ConfigDict(extra="forbid")
    did: Text
    last: Annotated[int | None, Field(ge=1, le=LARGEST)] = None


class Noting(BaseModel):
    """A note for this shift and the next, perhaps about an account, by its mark."""

    model_config = ConfigDict(extra="forbid")
    text: Text
    account: str | None = None


class Handing(BaseModel):
    """What the next engineer must know."""

    model_config = ConfigDict(extra="forbid")
    to: Text
    text: Text


# Refused alarms


@pages.get("/refused")
def refused(request: Request, engineer: Engineer, house: AHouse, store: Journal, start: From = 0) -> Response:
    return page(request, "refused.html", engineer, **_refused(house, store, engineer.csrf, start))


@pages.get("/refused/stream")
def refused_stream(request: Request, engineer: Engineer, house: AHouse, start: From = 0) -> Response:
    def render() -> str:
        with closing(opened(house.settings.journal)) as store:
            return part(house, "_refused.html", **_refused(house, store, engineer.csrf, start))

    return following(request, render, lambda entry: entry.get("refused_alarm") or entry.get("event") == "handled")


def _refused(house: House, store: Store, csrf: str, start: int) -> dict[str, Any]:
    lines = house.refusals.open(store)
    handled = list(islice(store.events("handled"), HANDLED))
    older = start + SHOWN if len(lines) > start + SHOWN else 0
    return {
        "lines": lines[start : start + SHOWN],
        "count": len(lines),
        "start": start,
        "older": older,
        "handled": handled,
        "rows_shown": ROWS,
        "csrf": csrf,
    }


@pages.post("/refused/{row}")
def handle(
    engineer: Acting, house: AHouse, row: ARow, did: Annotated[str, Form()] = "",
    last: Annotated[int | None, Form(ge=1, le=LARGEST)] = None,
) -> Response:  # fmt: skip
    shift.handle(house.settings.journal, row, did, engineer.name, last=last)
    return go("/refused")


@api.get("/refused")
def all_refused(engineer: Engineer, house: AHouse, store: Journal) -> list[dict[str, Any]]:
    """The refused alarms that nobody has handled, the last one first: a line for each account and signal."""
    return [line.to_json() for line in house.refusals.open(store)]


@api.post("/refused/{row}", status_code=201)
def handle_by_json(engineer: Asking, house: AHouse, row: ARow, said: Handling) -> Done:
    """Say what was done about the line that this row is in."""
    return Done(row=shift.handle(house.settings.journal, row, said.did, engineer.name, last=said.last))


# Notes and hand-over


def still_open(store: Store, house: House) -> dict[str, Any]:
    """What the next engineer will find: refused alarms, provings that run with their test's end, what needs somebody."""
    at = now()
    tests = overview.on_test(store.events("on-test", "off-test"), at)
    running = [one for one in overview.provings(store.events("proving")) if one.runs]
    return {
        "lines": house.refusals.open(store),
        "provings": [(one, tests.get(one.mark, {}).get("until")) for one in running],
        "needing": overview.look(store, house.book(), at).needing,
    }


@pages.get("/notes")
def notes(request: Request, engineer: Engineer, house: AHouse, store: Journal) -> Response:
    running = shift.shift(store.events(*shift.EVENTS))
    return page(request, "notes.html", engineer, shift=running, most=SHOWN, **still_open(store, house))


@pages.post("/notes")
def note(
    engineer: Acting, house: AHouse, text: Annotated[str, Form()] = "", account: Annotated[str, Form()] = ""
) -> Response:
    shift.note(house.settings.journal, text, engineer.name, about(house, account))
    return go("/notes")


def about(house: House, account: str) -> Account | None:
    """The account that a note is about, by its mark or its number; None where none is named."""
    if not account.strip():
        return None
    book = house.book()
    found = [one] if (one := book.marked(account.strip())) else book.numbered(account.strip())
    if len(found) != 1:
        raise HTTPException(404, f"the book has {'several accounts' if found else 'no account'} {account.strip()}")
    return found[0]


@pages.post("/notes/hand-over")
def hand_over(
    engineer: Acting, house: AHouse, to: Annotated[str, Form()] = "", text: Annotated[str, Form()] = ""
) -> Response:
    shift.hand_over(house.settings.journal, text, engineer.name, to)
    return go("/notes")


@pages.post("/notes/hand-over/{row}")
def take_over(engineer: Acting, house: AHouse, row: ARow) -> Response:
    shift.take_over(house.settings.journal, row, engineer.name)
    return go("/notes")


@api.get("/shift")
def the_shift(engineer: Engineer, house: AHouse, store: Journal) -> dict[str, Any]:
    """The shift that runs: its notes, the hand-over that waits, the one that was taken; and what is open now."""
    found = still_open(store, house)
    open_now = {
        "refused": [line.to_json() for line in found["lines"]],
        "provings": [one.to_json() | {"on_test_until": until} for one, until in found["provings"]],
        "needing": [one.to_json() for one in found["needing"]],
    }
    return shift.shift(store.events(*shift.EVENTS)).to_json() | {"open": open_now}


@api.post("/shift/notes", status_code=201, responses={404: NOT_FOUND})
def note_by_json(engineer: Asking, house: AHouse, said: Noting) -> Done:
    """Note something."""
    return Done(row=shift.note(house.settings.journal, said.text, engineer.name, about(house, said.account or "")))


@api.post("/shift/hand-overs", status_code=201)
def hand_over_by_json(engineer: Asking, house: AHouse, said: Handing) -> Done:
    """Hand the shift over."""
    return Done(row=shift.hand_over(house.settings.journal, said.text, engineer.name, said.to))


@api.post("/shift/hand-overs/{row}", status_code=201)
def take_over_by_json(engineer: Asking, house: AHouse, row: ARow) -> Done:
    """Take the hand-over in that row over."""
    return Done(row=shift.take_over(house.settings.journal, row, engineer.name))
