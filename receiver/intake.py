"""From a request to an account of the book: what a person does on the way, for whichever edge they do it at.

A request is looked at as a `Draft`, filed, tied to a caller (`identification.py`), and assigned a number. Nothing here
prints, asks or waits for a person; what cannot be done is an `IntakeError` that says why and changes nothing.
"""

import heapq
import time
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import orjson

from protocols.dc09 import bare
from protocols.values import legible
from receiver import book as books
from receiver import callers as calls
from receiver import requests, spoken, words, zone_list
from receiver.book import Account, Book, BookError
from receiver.desk import millis
from receiver.journal import Store, opened, public
from receiver.plan import shipped_kinds
from receiver.requests import Assigned, Request, RequestError, Tied
from receiver.wishes import LOOK_SECONDS, WAIT_SECONDS, leave, note
from receiver.zone_list import BadRow, Listed, ListError

NOT_READ = "the running bench has not read its book again: see what it says, and whether it has a --book"


class IntakeError(ValueError):
    """What was asked cannot be understood or carried out, and why."""


class FieldError(IntakeError):
    """One thing that the person gave is wrong. Its sentence goes on from the name of the field: `is empty`."""

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(reason)
        self.field = field


class RefusedError(IntakeError):
    """It was understood, and what is on record speaks against it."""


class UntiedError(RefusedError):
    """The request is tied to no caller yet."""


# Filing


class Draft(NamedTuple):
    """What would be filed: the request's head, the account's tables, and what the lists `zones` and `users` say."""

    head: dict[str, Any]
    account: dict[str, Any]
    lists: dict[str, Listed]

    @property
    def bad(self) -> list[BadRow]:
        """The rows of the lists that are no entries."""
        return [row for listed in self.lists.values() for row in listed.bad]

    def rows(self) -> Iterator[tuple[str, str, str, str, str]]:
        """Each entry as kind, number, name, device and area."""
        for kind in ("area", "zone", "user"):
            for one in self.account[kind]:
                device = one.get("device") or ("not recognised" if kind == "zone" else "")
                yield kind, one["number"], one["name"], device, one.get("area") or ""
        for one in self.account["path"]:
            told = ", ".join(f"{key} {value}" for key, value in one.items() if key != "name")
            yield "path", "", one["name"], told, ""

    def check(self, leave_out_bad_rows: bool) -> None:
        """RefusedError where rows are bad and nobody has said that they are to be left out."""
        if self.bad and not leave_out_bad_rows:
            what = f"{len(self.bad)} bad row{'s' * (len(self.bad) > 1)}"
            raise RefusedError(f"nothing was filed: mend the {what}, or leave them out")


def preview(
    head: Mapping[str, str | None],
    name: str,
    lists: Mapping[str, str],
    paths: Sequence[dict[str, Any]] = (),
    poll_seconds: int | None = None,
) -> Draft:
    """What would be filed. `head` has firm, installer, by, and perhaps address, contact, expects; `lists` the texts of
    `zones` and `users`. FieldError names what is missing, or the list that cannot be read at all.
    """
    for field, value in (("name", name), ("firm", head["firm"]), ("installer", head["installer"])):
        if not (value or "").strip():
            raise FieldError(field, "is empty")
    read = {field: _listed(field, text) for field, text in lists.items()}
    found = zone_list.tables([entry for listed in read.values() for entry in listed.entries])
    return Draft(dict(head), {"name": name, "poll_seconds": poll_seconds, **found, "path": list(paths)}, read)


def _listed(field: str, text: str) -> Listed:
    try:
        listed = zone_list.read(text, shipped_kinds().spoken, field.removesuffix("s"))
    except ListError as error:
        raise FieldError(field, str(error)) from None
    if any(entry.account for entry in listed.entries):
        raise FieldError(field, "has account numbers; a request gets its number later: leave that column out")
    return listed


def new_key(digits: str | None, bits: int | None) -> str | None:
    """The digits of the key that a request will have: those given, new ones of so many bits, or None to send in clear."""
    if digits and bits:
        raise FieldError("key", "is given, and another is to be made: say one of the two")
    if bits:
        return spoken.generate(bits)
    if not digits:
        return None
    try:
        books.find_key(f"hex:{digits}")
    except ValueError as error:
        raise FieldError("key", f"cannot be used: {error}") from None
    return spoken.compact(digits)


def file(folder: Path, draft: Draft, digits: str | None) -> Request:
    """File what was looked at, without its bad rows; `digits` are its key's. RefusedError where no book could take
    it, OSError where the folder cannot be written.
    """
    try:
        return requests.file(folder, draft.head | {"filed": millis(datetime.now(UTC))}, draft.account, digits)
    except BookError as error:
        raise RefusedError(
            "nothing was filed; in the request as it would stand:\n" + "\n".join(error.mistakes)
        ) from None


# Callers


class Perhaps(NamedTuple):
    """Who a caller may be, in words; `request` is the reference where it is a request's panel."""

    who: str
    request: str | None

    def __str__(self) -> str:
        return self.who


class Calling(NamedTuple):
    """A caller without an account, what it said in words, and whose number its own resembles."""

    caller: calls.Caller
    said: list[str]
    perhaps: list[Perhaps]

    @property
    def sealed(self) -> str:
        """Whether it encrypts: `yes`, `partly` or `no`."""
        one = self.caller
        return "yes" if one.encrypted == one.count - one.refused else "partly" if one.encrypted else "no"

    def as_json(self) -> dict[str, Any]:
        one = self.caller
        shown = one.mark._asdict() | {"receiver": one.receiver, "prefix": one.prefix}
        shown |= {"first": one.first, "last": one.last, "count": one.count, "polls": one.polls, "refused": one.refused}
        shown |= {"encrypted": self.sealed, "said": self.said, "signals": one.said}
        return shown | {"perhaps": [who for who, _ in self.perhaps]}


def callers(store: Store, book: Book, known: Sequence[Request]) -> list[Calling]:
    """The callers that have no account, the last heard first."""
    waiting = [one for one in known if not one.assigned]
    return [
        Calling(one, [words.of_signal(signal) for signal in one.said], list(_perhaps(one, book, waiting)))
        for one in calls.gather(_of_callers(store), book)
    ]


def _of_callers(store: Store) -> Iterator[dict[str, Any]]:
    """What callers without an account may have sent, number by number: found by the index, however long the journal is."""
    for number in store.numbers():
        rows = (store.rows(account=number, verdict=verdict) for verdict in calls.VERDICTS)
        for row in heapq.merge(*rows, key=lambda row: row.number):
            yield orjson.loads(row.text)


def _perhaps(one: calls.Caller, book: Book, waiting: list[Request]) -> Iterator[Perhaps]:
    for account in book.accounts:
        if how := calls.near(one.mark.number, account.number):
            how = "the same digits, another R or L" if how == "the same digits" else how
            yield Perhaps(f"account {account.mark} {legible(account.name)}: {how}", None)
    for request in waiting:
        told = request.head.expects
        if told and (how := calls.near(one.mark.number, told)):
            reference, name = request.head.reference, legible(request.account.name)
            yield Perhaps(f"request {reference} {name}, told {told}: {how}", reference)


# The number


class Assignment(NamedTuple):
    """A request and the account that it has become."""

    request: Request
    caller: Tied
    account: Account

    def to_tell(self) -> list[str]:
        """What the engineer tells the installer, or compares with them."""
        told = []
        if digits := self.request.key_digits():
            told.append(f"its key's check word is {spoken.check_word(digits)}: the installer's must be the same")
        if bare(self.caller.number) != bare(self.account.number):
            told.append(f"its panel sends {self.caller.number}: have the installer program {self.account.number}")
        return told

    def stands(self, accounts: Book) -> bool:
        """Whether the book has it: an assignment may have been broken off before."""
        known = accounts.marked(self.account.mark)
        return known is not None and known.name == self.account.name

    def unsaid(self, journal: Path, by: str) -> dict[str, Any] | None:
        """The row that says it in the journal, as `note` takes it; None where it stands there already."""
        reference, account = self.request.head.reference, self.account
        with closing(opened(journal)) as store:
            if store.said("assigned", request=reference, account_mark=account.mark):
                return None
        row = {"event": "assigned", "detail": f"{reference} is account {account.number}: {account.name}"}
        row |= {"request": reference, "account": account.number, "account_mark": account.mark}
        return row | {"caller": self.caller.number, "by": by}


def assign(
    request: Request, journal: Path, book: Path, accounts: Book, number: str, narrow: Mapping[str, str | None]
) -> Assignment:
    """Give an identified request its number: note it in the request, then append the account to the book. `narrow` are
    `receiver` and `prefix`, before what the request says; `accounts` is what the book holds now.

    Broken off between two steps, it is completed by calling it again. Then have the bench read its book (`read_again`),
    and last put what is `unsaid` into the journal.
    """
    reference, before = request.head.reference, request.assigned
    if request.caller is None:
        raise UntiedError(f"{reference} is tied to no caller, so nobody knows whose signals that number would take")
    _check_tie(reference, request.caller, journal)
    book = book.resolve()
    marks = {name: narrow.get(name) or getattr(request.account, name) for name in ("receiver", "prefix")}
    try:
        due = Assigned(number=number, **marks, book=str(book), at=millis(datetime.now(UTC)))
        account = _named(request, due)
    except ValueError:
        raise FieldError("number", f"{number!r} has 3 to 16 hex digits; receiver and prefix 1 to 16") from None
    if before and before.model_dump(exclude={"at"}) != due.model_dump(exclude={"at"}):
        raise RefusedError(
            f"{reference} has become account {before.number} in {before.book} already ({before.at[:16]})"
        )
    found = next((known for known in accounts.numbered(number) if known.mark == account.mark), None)
    if found and (before is None or found.name != account.name):
        raise RefusedError(f"the book has account {account.mark} already: {found.name}. Give another number")
    if found is None:
        _into_book(request, due, account, book)
    return Assignment(request, request.caller, account)


def assignment_of(request: Request) -> Assignment | None:
    """What a request has become; None where nobody has assigned it a number yet."""
    if request.assigned is None or request.caller is None:
        return None
    return Assignment(request, request.caller, _named(request, request.assigned))


def _named(request: Request, assigned: Assigned) -> Account:
    """The account that a request is or becomes, as far as telling it apart goes."""
    marks = {"number": assigned.number, "receiver": assigned.receiver, "prefix": assigned.prefix}
    return Account.model_validate({"name": request.account.name} | marks)


def _check_tie(reference: str, caller: Tied, journal: Path) -> None:
    """The file is for people to edit; that a caller tripped the device stands in the journal."""
    with closing(opened(journal)) as store:
        kept = store.hashes([caller.row]).get(caller.row)
        said = store.said("identified", request=reference, trip_row=caller.row, trip_hash=caller.hash)
    if kept != caller.hash or said is None:
        raise RefusedError(
            f"the journal {public(journal)} knows of no trip that ties {reference} to {caller.number}: identify it"
        )


def _into_book(request: Request, due: Assigned, account: Account, book: Path) -> None:
    """Note the number in the request, then write the account into the book: in that order, so that doing it again after
    either knows that the number is this request's.
    """
    digits, where = request.key_digits(), request.table.get("key", "")
    key = None
    try:
        if digits and where.startswith("file:"):
            kept = book.parent / "keys" / f"{'-'.join([*account.mark.split()[:-1], account.number])}.key"
            requests.keep_key(spoken.compact(digits), kept)
            key = f"file:keys/{kept.name}"
        block = requests.account_text(request, due, key).encode()
        _appended(book, block)
        if request.assigned is None:
            noted(request, "assigned", due)
        with requests.locked(book.parent):
            requests.write_whole(book, _appended(book, block), book.stat().st_mode & 0o777)
    except BookError as error:
        raise RefusedError("the book would have mistakes, and stays as it was:\n" + "\n".join(error.mistakes)) from None
    except RequestError as error:
        raise RefusedError(str(error)) from None
    except OSError as error:
        raise IntakeError(f"{error.filename}: {error.strerror}; run it again once that is mended") from None


def _appended(book: Path, block: bytes) -> bytes:
    """The book with the account at its end. BookError where that would be no book."""
    before = book.read_bytes()
    whole = before + b"\n" * (not before.endswith(b"\n") and before != b"") + b"\n" + block
    books.parse(whole.decode(), str(book), book.parent)
    return whole


def noted(request: Request, name: str, table: Tied | Assigned) -> Request:
    """Write `[caller]` or `[assigned]` into a request's file. IntakeError where people have made it unusable."""
    try:
        return requests.note(request, name, table)
    except BookError as error:
        told = "\n".join(error.mistakes)
        raise IntakeError(f"the request has been changed meanwhile, and cannot be used:\n{told}") from None
    except OSError as error:
        raise IntakeError(f"{request.path} cannot be written: {error.strerror}") from None


def read_again(journal: Path) -> str | None:
    """Have a running bench read its book again, and wait until it says that it has; a sentence where it does not, or where
    none runs. JournalError as `wishes.leave` has it.
    """
    with closing(opened(journal)) as store:
        before = store.number
        if not leave(journal, {"wish": "book-changed"}):
            return f"no bench writes {public(journal)} now; the next one that does will know"
        deadline = time.monotonic() + WAIT_SECONDS
        while (store.said("book") or {"row": 0})["row"] <= before:
            if time.monotonic() > deadline:
                return NOT_READ
            time.sleep(LOOK_SECONDS)
    return None


# The key, again


class Keyed(NamedTuple):
    """Whose key it is: a request's, an account's, or both; `digits` is None where it sends in clear."""

    whose: str
    digits: str | None
    request: str | None
    account: Account | None


def key_of_request(request: Request) -> Keyed:
    """A request's key. ValueError where the place of it holds none any more."""
    account = _named(request, request.assigned) if request.assigned else None
    return Keyed(request.head.reference, request.key_digits(), request.head.reference, account)


def key_of_account(
    book: Path, accounts: Book, number: str, receiver: str | None = None, prefix: str | None = None
) -> Keyed:
    """The key of an account of the book, read anew from where the book says it stands."""
    found = accounts.numbered(number, receiver, prefix)
    if len(found) != 1:
        what = f"no account {number}" if not found else f"several accounts {number}: say --receiver or --prefix"
        raise RefusedError(f"the book has {what}")
    written = tomllib.loads(book.read_text("utf-8"))["account"][accounts.accounts.index(found[0])]
    digits = books.key_digits(written["key"], book.parent, found[0].mark) if "key" in written else None
    return Keyed(number, digits, None, found[0])


def show_key(keyed: Keyed, journal: Path, reason: str, by: str) -> str:
    """A key's digits, to show it again: who, when and why goes into the journal first. Not once its account is signed."""
    if not reason.strip():
        raise FieldError("reason", "is empty: say why the key is to be shown")
    if keyed.digits is None:
        raise RefusedError(f"{keyed.whose} has no key: it sends in clear")
    named: dict[str, Any] = {"request": keyed.request} if keyed.request else {}
    if account := keyed.account:
        named |= {"account": account.number, "account_mark": account.mark}
        with closing(opened(journal)) as store:
            if store.said("proving", act="sign", account_mark=account.mark):
                what = "its key is not shown any more. Give the panel a new one instead"
                raise RefusedError(f"account {account.mark} is signed: {what}")
    note(journal, "key-shown", f"{keyed.whose}: {reason}", reason=reason, by=by, **named)
    return keyed.digits
