"""The installer's side, on a phone: the rows of one proving in the order of a walk, and nothing else of the station's.

A link leads to it, and a PIN that the engineer speaks opens it. Both hold until the proving is over.
"""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Form, HTTPException, Request, Response

from receiver import wishes
from receiver.conduct import ConductError
from receiver.console.door import DoorError, Session, TooOftenError, same
from receiver.console.house import AHouse, AName, Anybody, EnterFirst, House, Journal, Said, go, page, part
from receiver.console.provings import do, sheet_of, shown, sign, watched
from receiver.console.streams import following
from receiver.journal import Store, opened
from receiver.sheet import Sheet

pages = APIRouter(prefix="/site/{token}", include_in_schema=False)


class GoneError(HTTPException):
    """A link that leads nowhere: never made, withdrawn, dead by wrong PINs, or of a proving that is over."""

    def __init__(self, why: str) -> None:
        super().__init__(410, why)


def _host(request: Request) -> str:
    return request.client.host if request.client else "?"


def _proving(request: Request, house: AHouse, store: Journal, token: str) -> str:
    """The proving that the link is for."""
    try:
        proving = house.door.invited(token, _host(request))
    except TooOftenError as error:
        raise HTTPException(429, str(error), {"retry-after": f"{error.seconds:.0f}"}) from None
    except DoorError as error:
        raise GoneError(str(error)) from None
    if sheet_of(house, store, proving).over:
        raise GoneError("this proving is over; what was seen and signed is with the station")
    return proving


Proving = Annotated[str, Depends(_proving)]


def _installer(session: Anybody, proving: Proving) -> Session:
    if session is None or session.role != "installer" or session.proving != proving:
        raise EnterFirst
    return session


def _acting(session: Annotated[Session, Depends(_installer)], csrf: Annotated[str, Form()] = "") -> Session:
    if not same(csrf, session.csrf):
        raise HTTPException(403, "this form is not from your page: open the link again")
    return session


Installer = Annotated[Session, Depends(_installer)]
Acting = Annotated[Session, Depends(_acting)]


@pages.get("")
def walk(request: Request, session: Anybody, house: AHouse, store: Journal, token: str, proving: Proving) -> Response:
    if session is None or session.role != "installer" or session.proving != proving:
        return page(request, "site_pin.html", None, wrong="", token=token)
    return page(request, "site.html", session, **_shown(sheet_of(house, store, proving), store, session, token))


@pages.post("")
def pin(
    request: Request, house: AHouse, store: Journal, token: str, proving: Proving, pin: Annotated[str, Form()] = ""
) -> Response:
    try:
        cookie = house.door.enter_by_pin(token, pin, _host(request))
    except DoorError as error:
        return page(request, "site_pin.html", None, status=403, wrong=str(error), token=token)
    account = sheet_of(house, store, proving).plan.account
    wishes.note(
        house.settings.journal, "entered", f"the installer's page of proving {proving} was opened with its PIN",
        proving=proving, account=account.number, account_mark=account.mark, by="installer",
    )  # fmt: skip
    answer = go(f"/site/{token}")
    answer.set_cookie(
        house.site_cookie,
        cookie,
        httponly=True,
        samesite="lax",
        secure=house.settings.secure,
        max_age=7 * 86400,
        path=f"/site/{token}",
    )
    return answer


def _shown(sheet: Sheet, store: Store, session: Session, token: str) -> dict[str, Any]:
    return shown(sheet, store) | {"token": token, "csrf": session.csrf, "me": session}


@pages.get("/stream")
def stream(
    request: Request, session: Installer, house: AHouse, store: Journal, token: str, proving: Proving
) -> Response:
    found = watched(house, store, proving)
    host = _host(request)

    def render() -> str | None:
        reader = opened(house.settings.journal)
        try:
            # Looked at each time: a link that was withdrawn, or a proving that has ended, ends an open page, too.
            sheet = found.sheet(reader, patient=True)
            if sheet.over or not _holds(house, token, host):
                return None
            return part(house, "_site.html", **_shown(sheet, reader, session, token))
        finally:
            reader.close()

    mark = found.plan.account.mark
    return following(request, render, lambda entry: entry.get("account_mark") == mark or "event" in entry)


def _holds(house: House, token: str, host: str) -> bool:
    try:
        house.door.invited(token, host)
    except DoorError:
        return False
    return True


def _may(sheet: Sheet, word: str, about: str) -> None:
    """An installer ticks and leaves out single rows of the walk, by their exact names. What went wrong is settled, and what
    comes later or at the live receiver looked after, by the station.
    """
    line = next((line for line in sheet.lines if line.item.id == about), None)
    if line is None:
        raise ConductError(f"{about!r} is no row of this page; what went wrong is settled by the station")
    if line.item.proof == "live" or line.item.need == "pending":
        raise ConductError(f"{line.item.label}: that is for the station to say")
    if word == "skip" and line.state not in ("open", "half"):
        raise ConductError(f"{line.item.label} is {line.state}: there is nothing to leave out")


@pages.post("/do")
def act(
    session: Acting, house: AHouse, store: Journal, token: str, proving: Proving,
    word: Annotated[Literal["call", "tick", "skip", "again", "answer"], Form()], about: Said = "", text: Said = "",
) -> Response:  # fmt: skip
    sheet = sheet_of(house, store, proving)
    if word in ("tick", "skip", "again"):
        _may(sheet, word, about)
    do(house.settings.journal, sheet, word, about, text.strip(), _by(session))
    return go(f"/site/{token}")


@pages.post("/sign")
def signs(
    session: Acting, house: AHouse, store: Journal, token: str, proving: Proving, name: AName = "", seen: Said = "",
) -> Response:  # fmt: skip
    sign(house, sheet_of(house, store, proving), "installer", name.strip(), session.known, _by(session), seen)
    return go(f"/site/{token}")


def _by(session: Session) -> str:
    return f"{session.name}, on site"
