"""What arrives: the last rows, live, filtered; and one row with its frame taken apart."""

import asyncio
from collections.abc import AsyncGenerator, Sequence
from itertools import takewhile
from typing import Annotated, Any
from urllib.parse import urlencode

import orjson
from fastapi import APIRouter, HTTPException, Path, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from pydantic import BaseModel

from protocols.dc09 import bare
from protocols.explain import Part, explain
from receiver.console import streams
from receiver.console.feed import MOST_A_LOOK, Came
from receiver.console.house import LARGEST, NOT_FOUND, AHouse, Engineer, Journal, page, part
from receiver.desk import reread
from receiver.journal import Row, Store, opened, parts_of, says
from receiver.ruler import bars, legend
from receiver.storms import Shown, Storms, always, folded
from receiver.words import VERDICTS, of_answer

SHOWN = 100  # rows of a page
MOST_AT_ONCE = 40  # new rows that are sent at once: nobody reads more, and the journal has all
MORE = -1  # rows were left out, and nobody has counted how many
PAUSE_SECONDS = 0.25  # between two sendings
RULER = 80

pages = APIRouter(include_in_schema=False)
api = APIRouter(prefix="/api", tags=["journal"])


class Asked(BaseModel):
    """Which rows somebody wants to see."""

    account: str = ""
    words: str = ""
    verdict: str = ""
    events: str = ""

    def fits(self, came: Came) -> bool:
        """Whether a new row is one of those."""
        entry = came.entry
        if "event" in entry and not self.events:
            return False
        if self.account and bare(str(entry.get("account") or "")) != bare(self.account):
            return False
        if self.verdict and entry.get("verdict") != self.verdict:
            return False
        return not self.words or says(came.text, parts_of(self.words))

    def find(self, store: Store, before: int | None, limit: int) -> tuple[list[Row], int]:
        """The newest of those rows before that number, and the lowest number that was looked at."""
        return store.latest(
            before=before, limit=limit, account=bare(self.account) if self.account else None,
            verdict=self.verdict or None, words=self.words or None, events=bool(self.events),
        )  # fmt: skip


Wanted = Annotated[Asked, Query()]


@pages.get("/")
def arrivals(
    request: Request, engineer: Engineer, house: AHouse, store: Journal, account: str = "", words: str = "",
    verdict: str = "", events: str = "", before: int | None = None, each: str = "",
) -> Response:  # fmt: skip
    asked = Asked(account=account.strip(), words=words.strip(), verdict=verdict, events=events)
    rows, lowest = asked.find(store, before, SHOWN)
    query = {name: value for name, value in {**asked.model_dump(), "each": each}.items() if value}
    found = [orjson.loads(row.text) for row in rows]
    entries = found if each else folded(found[::-1])[::-1]
    return page(
        request, "live.html", engineer, asked=asked, asked_any=bool(query), entries=entries, each=each, left_out=0,
        verdicts=list(VERDICTS), query=urlencode(query | {"after": store.number}), more=lowest > 1,
        older=urlencode(query | {"before": rows[-1].number if len(rows) == SHOWN else lowest}),
        runs=store.written_by_another(),
    )  # fmt: skip


@pages.get("/live/stream")
async def stream(
    request: Request, engineer: Engineer, house: AHouse, after: int = 0, account: str = "", words: str = "",
    verdict: str = "", events: str = "", each: str = "",
) -> Response:  # fmt: skip
    asked = Asked(account=account, words=words, verdict=verdict, events=events)
    storms = Storms()
    last = request.headers.get("last-event-id", "")
    since = int(last) if last.isdecimal() else after

    def missed() -> tuple[list[Came], int]:
        store = opened(house.settings.journal)
        try:
            rows, _ = asked.find(store, None, SHOWN)
            found = [Came(orjson.loads(row.text), row.text) for row in reversed(rows) if row.number > since]
            if len(found) < SHOWN:
                return found, 0
            # What may be somebody's life, too, among what is not shown: as far back as one look goes.
            reach = max(since, store.last_number() - MOST_A_LOOK)
            came = (Came(orjson.loads(row.text), row.text) for row in store.rows(after=reach))
            before = takewhile(lambda one: one.entry["row"] < found[0].entry["row"], came)
            return [one for one in before if always(one.entry) and asked.fits(one)] + found, MORE
        finally:
            store.close()

    async def send() -> AsyncGenerator[dict[str, Any], None]:
        with house.feed.watcher() as watcher:
            await watcher.begun()
            (came, left_out), number, anew = await run_in_threadpool(missed), since, house.feed.anew
            while not house.feed.closing:
                fits = [one for one in came if one.entry["row"] > number and asked.fits(one)]
                if fits:
                    number = fits[-1].entry["row"]
                    all_of_it: Sequence[Shown] = [one.entry for one in fits]
                    if not each:
                        all_of_it = storms.fold(one.entry for one in fits)
                    shown = most_at_once(all_of_it)
                    left_out = MORE if left_out == MORE else left_out + len(all_of_it) - len(shown)
                    data = part(house, "_rows.html", entries=shown, left_out=left_out)
                    yield {"event": "rows", "id": str(number), "data": data}
                    await asyncio.sleep(PAUSE_SECONDS)
                came, left_out = await watcher.take(15.0)
                if house.feed.anew != anew:
                    number, anew = 0, house.feed.anew
                if left_out or any(streams.counts(one.entry) for one in came):
                    yield {"event": "part", "data": str(await run_in_threadpool(house.waiting))}
                if house.feed.trouble:
                    yield {"event": "trouble", "data": house.feed.trouble}

    return streams.stream(request, send())


def most_at_once(found: Sequence[Shown]) -> list[Shown]:
    """The newest of them, newest first, and with them all that must be shown whatever else comes."""
    rest = [one for one in found[:-MOST_AT_ONCE] if always(one)]
    return [*rest, *found[-MOST_AT_ONCE:]][::-1]


@pages.get("/rows/{number}")
def row(request: Request, engineer: Engineer, house: AHouse, store: Journal, number: int) -> Response:
    entry, hash = _entry(store, number)
    account = house.book().marked(entry["account_mark"]) if entry.get("account_mark") else None
    context: dict[str, Any] = {"entry": entry, "hash": hash, "zone": account.time_zone if account else None}
    if "raw" in entry:
        frame = reread(entry, house.book().keys_for)
        if frame.has("no-key") and not any(problem["rule"] == "no-key" for problem in entry["problems"]):
            # It opened when it came; only here is there no key.
            frame.problems = [problem for problem in frame.problems if problem.rule != "no-key"]
            frame.notes.append("sealed; it opened when it came. A console with the account's key shows what is inside")
        found = explain(frame)
        inner = None if found.opened is None else _shown(found.opened.encode("latin-1"), found.opened_parts)
        context |= {"frame": frame, "outer": _shown(frame.raw, found.parts), "inner": inner}
        context |= {"verdicts": VERDICTS, "answer": of_answer(entry)}
    return page(request, "row.html", engineer, **context)


def _shown(raw: bytes, parts: list[Part]) -> dict[str, Any]:
    return {"bars": list(bars(raw, parts, RULER)) if parts else [], "legend": list(legend(raw, parts))}


def _entry(store: Store, number: int) -> tuple[dict[str, Any], str]:
    found = store.row(number)
    if found is None:
        raise HTTPException(404, f"the journal has no row {number}; its last is {store.number}")
    return orjson.loads(found.text), store.hashes([number])[number]


@api.get("/rows")
def rows(
    engineer: Engineer, store: Journal, wanted: Wanted, before: Annotated[int | None, Query(ge=1, le=LARGEST)] = None,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
) -> list[dict[str, Any]]:  # fmt: skip
    """Rows of the journal, the newest first, before a number. Each is what `farend listen --json` printed for it."""
    return [orjson.loads(row.text) for row in wanted.find(store, before, limit)[0]]


@api.get("/rows/{number}", responses={404: NOT_FOUND})
def one_row(engineer: Engineer, store: Journal, number: Annotated[int, Path(ge=1, le=LARGEST)]) -> dict[str, Any]:
    """One row, with its hash in the chain."""
    entry, hash = _entry(store, number)
    return entry | {"hash": hash}
