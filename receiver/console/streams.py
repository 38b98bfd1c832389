"""Pages that follow the journal: their parts are sent again when what they show has changed."""

import asyncio
from collections.abc import AsyncGenerator, AsyncIterator, Callable
from contextlib import aclosing
from typing import Any

from fastapi import Request, Response
from fastapi.concurrency import run_in_threadpool
from sse_starlette import EventSourceResponse, ServerSentEvent

from receiver.console.house import house_of, session_of

PING_SECONDS = 15
PAUSE_SECONDS = 0.2  # between two sendings: nobody reads faster
LOOK_SECONDS = 5.0  # how often it is looked at although no row came: time passes, too


def stream(request: Request, events: AsyncGenerator[dict[str, Any], None]) -> Response:
    """An answer that goes on for as long as the session does. Its pings are events, so that a page, too, notices when it
    hears nothing more.
    """

    async def guarded() -> AsyncIterator[dict[str, Any]]:
        async with aclosing(events):
            async for event in events:
                if await run_in_threadpool(session_of, request) is None:
                    yield {"event": "over", "data": "over"}
                    return
                yield event

    return EventSourceResponse(
        guarded(), ping=PING_SECONDS, ping_message_factory=lambda: ServerSentEvent(event="ping", data="")
    )


def counts(entry: dict[str, Any]) -> bool:
    """Whether a row may change how many refused alarms wait."""
    return bool(entry.get("refused_alarm")) or entry.get("event") == "handled"


def following(
    request: Request, render: Callable[[], str | None], concerns: Callable[[dict[str, Any]], bool] = lambda _: True
) -> Response:
    """Send what `render` gives (elements with an id each) whenever it differs; None ends it, and the page loads again.

    `concerns` says of a new row whether it may matter. `render` runs in a thread.
    """
    house = house_of(request)
    menu = not request.url.path.startswith("/site/")  # the installer's page has no menu of the station's

    async def send() -> AsyncGenerator[dict[str, Any], None]:
        with house.feed.watcher() as watcher:
            await watcher.begun()
            shown = ""
            while not house.feed.closing:
                now = await run_in_threadpool(render)
                if now is None:
                    yield {"event": "over", "data": "over"}
                    return
                if menu:
                    now += str(await run_in_threadpool(house.waiting))
                if now != shown:
                    shown = now
                    yield {"event": "part", "data": now}
                await asyncio.sleep(PAUSE_SECONDS)
                deadline = asyncio.get_running_loop().time() + LOOK_SECONDS
                while (left := deadline - asyncio.get_running_loop().time()) > 0 and not house.feed.closing:
                    came, left_out = await watcher.take(left)
                    if left_out or any(concerns(one.entry) or (menu and counts(one.entry)) for one in came):
                        break

    return stream(request, send())
