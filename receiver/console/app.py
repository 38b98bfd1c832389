"""The console put together: its pages and its JSON side, and what guards both."""

import ipaddress
import re
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Annotated, Any

from fastapi import FastAPI, Form, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.openapi.utils import get_openapi
from fastapi.responses import JSONResponse
from fastapi.staticfiles import StaticFiles
from pydantic import BaseModel
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from receiver.book import BookError
from receiver.conduct import ConductError
from receiver.console import live, provings, requests, shifts, site, station
from receiver.console.door import Door, DoorError, TooOftenError, same
from receiver.console.feed import Feed
from receiver.console.house import (
    AHouse,
    Anybody,
    Engineer,
    EnterFirst,
    House,
    Settings,
    go,
    house_of,
    page,
    session_of,
    trouble,
)
from receiver.journal import JournalError, folder_of, server_of
from receiver.record import CAUTION, software
from receiver.shift import ShiftError
from receiver.wishes import NotTakenError

MOST_BODY = 1 << 20  # bytes of a form; a zone list of thousands of lines is a tenth of it
HEADERS = {
    # Nothing from other hosts, nothing inline, no frame around it; and a link that is a secret goes nowhere.
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:;"
    " connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "referrer-policy": "same-origin",
    "x-content-type-options": "nosniff",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
ROUTERS = (
    *(live.pages, live.api, requests.pages, requests.api, provings.pages, provings.api, site.pages),
    *(station.pages, station.api, shifts.pages, shifts.api),
)


def make(
    settings: Settings, *, tell: Callable[[str], None] = lambda _: None, again: Callable[[], None] = lambda: None
) -> FastAPI:
    """The console as an ASGI application. `tell` hears what the terminal should show; `again` wants a new link there."""
    name = "journal" if server_of(settings.journal) else settings.journal.name
    door = Door(folder_of(settings.journal) / f"{name}.console", settings.people)
    house = House(settings, door, Feed(settings.journal), tell, again)

    @asynccontextmanager
    async def life(_: FastAPI) -> AsyncIterator[None]:
        yield
        house.feed.close()
        door.close()

    app = FastAPI(title="farend console", version=software().partition(" ")[2] or "0", summary=CAUTION, lifespan=life,
                  docs_url=None, redoc_url=None, openapi_url=None)  # fmt: skip
    app.state.house = house
    app.mount("/static", StaticFiles(packages=[("receiver.console", "static")]), name="static")
    for router in ROUTERS:
        app.include_router(router)
    _doors(app)
    _troubles(app)
    app.add_middleware(_Guard, house=house)
    return app


def _doors(app: FastAPI) -> None:
    @app.get("/enter", include_in_schema=False)
    def door(request: Request, house: AHouse, to: str = "/") -> Response:
        return page(
            request, "enter.html", None, wrong="", token=None, passwords=house.settings.people is not None, to=_here(to)
        )

    @app.post("/enter", include_in_schema=False)
    def password(
        request: Request, house: AHouse, name: Annotated[str, Form()] = "", password: Annotated[str, Form()] = "",
        to: Annotated[str, Form()] = "/",
    ) -> Response:  # fmt: skip
        try:
            return _in(house, house.door.enter_by_password(name.strip(), password, _host(request)), _here(to))
        except DoorError as error:
            return _out(request, error, token=None, to=_here(to))

    @app.get("/enter/{token}", include_in_schema=False)
    def link(request: Request, house: AHouse, token: str) -> Response:
        try:
            if not house.door.link_holds(token, _host(request)):
                raise DoorError("this link was used already, is too old, or never was one")
        except DoorError as error:
            return _out(request, error, token=None)
        return page(request, "enter.html", None, wrong="", token=token, passwords=False, to="/")

    @app.post("/enter/{token}", include_in_schema=False)
    def by_link(request: Request, house: AHouse, token: str, name: Annotated[str, Form()] = "") -> Response:
        try:
            cookie = house.door.enter_by_link(token, name, _host(request))
        except DoorError as error:
            return _out(request, error, token=token if not name.strip() else None)
        house.again()
        return _in(house, cookie, "/")

    @app.post("/leave", include_in_schema=False)
    def leave(request: Request, session: Anybody, house: AHouse, csrf: Annotated[str, Form()] = "") -> Response:
        if session is not None and same(csrf, session.csrf):
            house.door.leave(request.cookies[house.cookie])
        answer = go("/enter")
        answer.delete_cookie(house.cookie)
        return answer

    @app.get("/api/session", tags=["session"])
    def session(engineer: Engineer, house: AHouse) -> ASession:
        """Who asks, and the secret that whatever changes something carries as the header X-CSRF-Token."""
        return ASession(name=engineer.name, known=engineer.known, csrf=engineer.csrf, mode=house.mode(), software=software(),
                        caution=CAUTION)  # fmt: skip

    @app.get("/api/openapi.json", include_in_schema=False)
    def schema(engineer: Engineer) -> JSONResponse:
        return JSONResponse(openapi(app))


class ASession(BaseModel):
    """Who asks."""

    name: str
    known: str
    csrf: str
    mode: str
    software: str
    caution: str


class ATrouble(BaseModel):
    """What was wrong, in words."""

    detail: str


def openapi(app: FastAPI) -> dict[str, Any]:
    """The description of the JSON side: every answer that an operation may give, its refusals among them."""
    if app.openapi_schema is None:
        found = get_openapi(title=app.title, version=app.version, summary=app.summary, routes=app.routes)
        schemas = found.setdefault("components", {}).setdefault("schemas", {})
        schemas["Trouble"] = ATrouble.model_json_schema()
        found["components"]["securitySchemes"] = {
            "session": {"type": "apiKey", "in": "cookie", "name": app.state.house.cookie}
        }
        found["security"] = [{"session": []}]
        told = {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/Trouble"}}}}
        for operations in found["paths"].values():
            for method, operation in operations.items():
                answers = operation["responses"]
                answers["401"] = {"description": "Nobody is in."} | told
                answers["503"] = {"description": "The journal cannot be read or written."} | told
                answers["422"] = {"description": "It is not of the form that is asked for."} | told
                if method == "post":
                    answers["403"] = {"description": "The header X-CSRF-Token is missing or wrong."} | told
                    answers["409"] = {"description": "It was refused, and why."} | told
                    answers["413"] = {"description": "It is too large."} | told
                for code in ("400", "404"):
                    if code in answers or "{" in "".join(found["paths"]):
                        answers.setdefault(code, {"description": "There is no such thing."})
                        answers[code] |= told
        app.openapi_schema = found
    return app.openapi_schema


def _here(to: str) -> str:
    """Where to go after coming in: only within the console."""
    return to if re.fullmatch(r"/(?![/\\])[^\x00-\x20\\]*", to) else "/"


def _host(request: Request) -> str:
    return request.client.host if request.client else "?"


def _in(house: House, token: str, to: str) -> Response:
    answer = go(to)
    answer.set_cookie(house.cookie, token, httponly=True, samesite="lax", secure=house.settings.secure)
    return answer


def _out(request: Request, error: DoorError, **context: Any) -> Response:
    house = house_of(request)
    status = 429 if isinstance(error, TooOftenError) else 403
    answer = page(request, "enter.html", None, status=status, wrong=str(error),
                  **{"passwords": house.settings.people is not None, "to": "/"} | context)  # fmt: skip
    if isinstance(error, TooOftenError):
        answer.headers["retry-after"] = f"{error.seconds:.0f}"
    return answer


def _troubles(app: FastAPI) -> None:
    @app.exception_handler(EnterFirst)
    def enter_first(request: Request, _: EnterFirst) -> Response:
        if request.url.path.startswith("/api/"):
            return JSONResponse({"detail": "come in first"}, 401)
        if request.url.path.endswith("/stream"):
            return Response(status_code=401)
        return go("/enter") if request.method != "GET" else go(f"/enter?to={request.url.path}")

    @app.exception_handler(HTTPException)
    def refused(request: Request, error: HTTPException) -> Response:
        return trouble(request, session_of(request), error.status_code, str(error.detail))

    @app.exception_handler(RequestValidationError)
    def malformed(request: Request, error: RequestValidationError) -> Response:
        told = "; ".join(f"{'.'.join(map(str, one['loc'][1:]))}: {one['msg']}" for one in error.errors())
        return trouble(request, session_of(request), 422, told)

    def journal(request: Request, error: Exception) -> Response:
        return trouble(request, session_of(request), 503, str(error))

    def said(request: Request, error: Exception) -> Response:
        told = "; ".join(error.mistakes) if isinstance(error, BookError) else str(error)
        return trouble(request, session_of(request), 409, told)

    app.add_exception_handler(JournalError, journal)
    app.add_exception_handler(OSError, journal)
    for kind in REFUSALS:
        app.add_exception_handler(kind, said)


REFUSALS: tuple[type[Exception], ...] = (BookError, ConductError, DoorError, NotTakenError, ShiftError)


class _Guard:
    """Before anything else: is it asked for by a name that is ours, from a page that is ours, and not too large? And what
    every answer carries.

    A page of another site can make a browser ask us, by a name that it points at our address: that name is not ours.
    """

    def __init__(self, app: ASGIApp, house: House) -> None:
        self._app, self._house = app, house

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return await self._app(scope, receive, send)
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        why = self._refusal(scope, headers)

        own = HEADERS if scope["path"].startswith("/static/") else HEADERS | {"cache-control": "no-store"}

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                kept = [(name, value) for name, value in message["headers"] if name.decode() not in own]
                message["headers"] = kept + [(name.encode(), value.encode()) for name, value in own.items()]
            await send(message)

        if why is not None:
            status, words = why
            return await JSONResponse({"detail": words}, status)(scope, receive, sending)
        return await self._app(scope, _limited(receive), sending)

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str] | None:
        host = headers.get("host", "")
        if not self._ours(host):
            return 421, "this console is not known by that name: ask by its address, or start it with --name"
        if scope["method"] not in ("GET", "HEAD"):
            origin = headers.get("origin")
            if origin is not None and origin.partition("://")[2] != host:
                return 403, "this was sent by a page of another site"
            if int(headers.get("content-length") or 0) > MOST_BODY:
                return 413, f"a form has {MOST_BODY} bytes at most"
        return None

    def _ours(self, host: str) -> bool:
        name = re.sub(r":\d+$", "", host).strip("[]")
        if name.lower() in ("localhost", *map(str.lower, self._house.settings.names)):
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True


def _limited(receive: Receive) -> Receive:
    """What is read of a body, and no more of it than a form may have: its length may be a lie, or not be told."""
    left = MOST_BODY

    async def reading() -> Message:
        nonlocal left
        message = await receive()
        left -= len(message.get("body", b""))
        if left < 0:
            raise HTTPException(413, f"a form has {MOST_BODY} bytes at most")
        return message

    return reading
