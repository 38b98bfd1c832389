"""What the station knows, to read: its accounts, its lines and paths, every word explained, and what a search finds."""

from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from itertools import islice
from typing import Annotated, Any, NamedTuple

import orjson
from fastapi import APIRouter, Query, Request, Response

from protocols.dc09 import bare
from receiver import glossary, overview
from receiver import requests as folder_of
from receiver.book import Account, Book
from receiver.console.house import NOT_FOUND, AHouse, Engineer, From, House, Journal, account_of, page, part
from receiver.console.streams import following
from receiver.journal import Row, Store, opened
from receiver.supervision import span
from receiver.words import of_frame

SHOWN = 200  # accounts, or paths, of a page
SAID = 10  # rows that an account's page shows
MOST_HITS = 20  # of a kind

pages = APIRouter(include_in_schema=False)
api = APIRouter(prefix="/api", tags=["station"])


def now() -> datetime:
    """The time, in UTC."""
    return datetime.now(UTC)


# Accounts


class Summary(NamedTuple):
    """One account at a glance."""

    account: Account
    last: str | None  # when anything was last acknowledged
    until: str | None  # until when it is on test
    needs: list[str]

    @property
    def key(self) -> str:
        """That there is a key, and how long; never the key."""
        return key_state(self.account)

    def to_json(self) -> dict[str, Any]:
        one = self.account
        told = {"number": one.number, "mark": one.mark, "name": one.name, "key": self.key, "answer": one.answer}
        return told | {"last": self.last, "on_test_until": self.until, "needs": self.needs}


def key_state(account: Account) -> str:
    """That there is a key, and how long; never the key."""
    return f"AES key of {account.key.bits} bits" if account.key else "no key: it sends in clear"


def summaries(store: Store, book: Book) -> list[Summary]:
    """All accounts of the book: those that need somebody first, then in the book's order."""
    at = now()
    found = overview.look(store, book, at)
    tests = overview.on_test(store.events("on-test", "off-test"), at)
    last: dict[str, str] = {}
    needs: dict[str, list[str]] = {}
    for told in found.paths:
        if told.at:
            last[told.about] = max(told.at, last.get(told.about, ""))
        if told.needs:
            needs.setdefault(told.about, []).append(told.text)
    return sorted(
        (
            Summary(one, last.get(one.mark), tests.get(one.mark, {}).get("until"), needs.get(one.mark, []))
            for one in book.accounts
        ),
        key=lambda one: not one.needs,
    )


@pages.get("/accounts")
def accounts(request: Request, engineer: Engineer, house: AHouse, store: Journal, start: From = 0) -> Response:
    found = summaries(store, house.book())
    return page(request, "accounts.html", engineer, accounts=found[start : start + SHOWN], start=start, count=len(found),
                after=start + SHOWN if len(found) > start + SHOWN else None)  # fmt: skip


@pages.get("/accounts/{mark}")
def account(request: Request, engineer: Engineer, house: AHouse, store: Journal, mark: str) -> Response:
    one = account_of(house, mark)
    at = now()
    promises = [f"a {promise.kind} every {span(promise.interval)}" + (f" over {promise.path}" if promise.path else "")
                for promise in one.promises()]  # fmt: skip
    return page(
        request, "account.html", engineer, account=one, zone=one.time_zone, key=key_state(one), promises=promises,
        paths=overview.look(store, house.book(), at, one).paths,
        marks={path.name: marks_of(path) for path in one.path},
        test=overview.on_test(store.events("on-test", "off-test"), at).get(one.mark),
        entries=[orjson.loads(row.text) for row in said_last(store, one)], left_out=0,
        provings=provings_of(store, one), requests=requests_of(store, one),
    )  # fmt: skip


def marks_of(path: Any) -> str:
    """What tells a path apart, in words."""
    given = ((name, getattr(path, name)) for name in ("line", "port", "prefix", "network"))
    return ", ".join(f"{name} {value}" for name, value in given if value is not None)


def said_last(store: Store, account: Account) -> list[Row]:
    """The last rows of an account, the bench's own about it among them; the newest first."""
    rows, _ = store.latest(account=bare(account.number), limit=5 * SAID, events=True)
    # Of several accounts that share a number, each has its own.
    mine = (row for row in rows if orjson.loads(row.text).get("account_mark") == account.mark)
    return list(islice(mine, SAID))


def provings_of(store: Store, account: Account) -> list[overview.Proving]:
    """Its provings, the newest first."""
    return [one for one in overview.provings(store.events("proving")) if one.mark == account.mark]


def requests_of(store: Store, account: Account) -> list[str]:
    """The references of the requests that became this account."""
    return [event["request"] for event in store.events("assigned") if event.get("account_mark") == account.mark]


@api.get("/accounts")
def all_accounts(engineer: Engineer, house: AHouse, store: Journal, start: From = 0) -> list[dict[str, Any]]:
    """The accounts of the book, those that need somebody first, 200 at a time. Of a key, only that there is one."""
    return [one.to_json() for one in summaries(store, house.book())[start : start + SHOWN]]


@api.get("/accounts/{mark}", responses={404: NOT_FOUND})
def one_account(engineer: Engineer, house: AHouse, store: Journal, mark: str) -> dict[str, Any]:
    """One account by its mark: what the book says of it, its paths, its provings, and the requests that it came from."""
    one = account_of(house, mark)
    told = one.model_dump(mode="json", exclude={"key"}) | {"mark": one.mark, "key": key_state(one)}
    paths = overview.look(store, house.book(), now(), one).paths
    return told | {
        "paths": [path.to_json() for path in paths],
        "provings": [proving.to_json() for proving in provings_of(store, one)],
        "requests": requests_of(store, one),
    }


# Lines and paths


@pages.get("/lines")
def lines(request: Request, engineer: Engineer, house: AHouse, store: Journal, start: From = 0) -> Response:
    return page(request, "lines.html", engineer, **_lines(store, house, start))


@pages.get("/lines/stream")
def lines_stream(request: Request, engineer: Engineer, house: AHouse, start: From = 0) -> Response:
    def render() -> str:
        with closing(opened(house.settings.journal)) as store:
            return part(house, "_lines.html", **_lines(store, house, start))

    return following(request, render, lambda entry: entry.get("event") in overview.EVENTS)


def _lines(store: Store, house: House, start: int) -> dict[str, Any]:
    found = overview.look(store, house.book(), now())
    after = start + SHOWN if len(found.paths) > start + SHOWN else None
    needing = sum(one.needs for one in found.paths)
    return {"found": found, "paths": found.paths[start : start + SHOWN], "start": start, "after": after,
            "needing": needing}  # fmt: skip


@api.get("/lines")
def all_lines(engineer: Engineer, house: AHouse, store: Journal) -> dict[str, Any]:
    """Whether a bench runs, its lines, and every path, each in a sentence; those that need somebody first."""
    return overview.look(store, house.book(), now()).to_json()


# Help


@pages.get("/help")
def explained(request: Request, engineer: Engineer) -> Response:
    words = sorted({entry.word for entry in glossary.ENTRIES}, key=str.lower)
    kinds = {kind: [one.word for one in glossary.ENTRIES if one.kind == kind] for kind in glossary.KINDS}
    return page(request, "help.html", engineer, words=[(word, glossary.of(word)) for word in words], kinds=kinds)


@api.get("/glossary")
def all_words(engineer: Engineer) -> list[dict[str, str]]:
    """Every word that farend says: its kind, what it means, and what to do."""
    return [entry._asdict() for entry in glossary.ENTRIES]


# Search


class Hit(NamedTuple):
    """Something that was found: of which kind, where it stands, and what was found of it."""

    kind: str
    to: str
    title: str
    text: str = ""
    at: str | None = None


Sought = Annotated[str, Query(max_length=200, description="part of a number or of a name")]


@pages.get("/search")
def search(request: Request, engineer: Engineer, house: AHouse, store: Journal, q: Sought = "") -> Response:
    found: dict[str, list[Hit]] = {}
    for hit in find(house, store, q):
        found.setdefault(hit.kind, []).append(hit)
    return page(request, "search.html", engineer, q=q.strip(), found=found, most=MOST_HITS)


@api.get("/search")
def all_hits(engineer: Engineer, house: AHouse, store: Journal, q: Sought = "") -> list[dict[str, str | None]]:
    """What has this part of a number or a name: accounts, requests, callers, provings, and the journal's last rows."""
    return [hit._asdict() for hit in find(house, store, q)]


def find(house: House, store: Store, q: str) -> Iterator[Hit]:
    """What has this part of a number or of a name in it, at most `MOST_HITS` of each kind."""
    sought = q.strip().lower()
    if not sought:
        return
    book = house.book()
    for kind in (_accounts_with(book, sought), _requests_with(house, sought), _callers_with(store, book, sought),
                 _provings_with(store, sought), _rows_with(store, sought)):  # fmt: skip
        yield from islice(kind, MOST_HITS)


def _accounts_with(book: Book, part: str) -> Iterator[Hit]:
    for one in book.accounts:
        within = [f"{kind} {entry.number} {entry.name}" for kind in ("area", "zone", "user") for entry in getattr(one, kind)
                  if part in f"{kind} {entry.number} {entry.name}".lower()]  # fmt: skip
        if within or part in f"{one.mark} {one.number} {one.name}".lower():
            more = f" and {len(within) - 3} more" if len(within) > 3 else ""
            yield Hit("accounts", f"/accounts/{one.mark}", f"{one.numbered} {one.name}", ", ".join(within[:3]) + more)


def _requests_with(house: House, part: str) -> Iterator[Hit]:
    for one in folder_of.everything(house.settings.requests)[0]:
        head = one.head
        told = (head.reference, one.account.name, head.firm, head.installer, head.expects or "")
        if part in " ".join(told).lower():
            title = f"{head.reference} {one.account.name}"
            yield Hit("requests", f"/requests/{head.reference}", title, f"{head.firm}, {head.installer}; {one.state}")


def _callers_with(store: Store, book: Book, part: str) -> Iterator[Hit]:
    # As sent a number may have zeros before it; the journal finds it without them.
    part = bare(part).lower()
    for number in store.numbers():
        if part in number.lower() and not book.numbered(number):
            yield Hit("numbers without an account", f"/?account={number}", number, "what came from it")


def _provings_with(store: Store, part: str) -> Iterator[Hit]:
    for one in overview.provings(store.events("proving")):
        if part in f"{one.name} {one.mark} {one.account_name} {one.by}".lower():
            title = f"{one.mark} {one.account_name}"
            yield Hit(
                "provings", f"/provings/{one.name}", title, f"begun {one.begun[:16]} UTC by {one.by}; {one.state}"
            )


def _rows_with(store: Store, part: str) -> Iterator[Hit]:
    if part.isdecimal() and len(part) < 19 and (row := store.row(int(part))):
        yield _hit(row)
    for row in store.latest(words=part, limit=MOST_HITS, events=True)[0]:
        yield _hit(row)


def _hit(row: Row) -> Hit:
    entry = orjson.loads(row.text)
    said = f"{entry['event']}: {entry['detail']}" if "event" in entry else f"{of_frame(entry)} → {row.verdict}"
    return Hit("journal", f"/rows/{row.number}", f"row {row.number}", said, row.at)
