"""The engineer's side of a proving: begin it, one screen for the phone call, the installer's link, signing, the record."""

from collections.abc import Callable, Mapping
from datetime import timedelta
from pathlib import Path
from typing import Annotated, Any, Literal

import segno
from fastapi import APIRouter, Form, HTTPException, Query, Request, Response
from fastapi.responses import FileResponse
from pydantic import BaseModel, ConfigDict, Field

from protocols.codes import CATEGORIES
from receiver import conduct, wishes
from receiver import record as records
from receiver.book import Account
from receiver.conduct import ConductError
from receiver.console.door import Session
from receiver.console.house import (
    NOT_FOUND,
    Acting,
    AHouse,
    AName,
    Asking,
    Engineer,
    House,
    Journal,
    Said,
    account_of,
    go,
    page,
    part,
)
from receiver.console.streams import following
from receiver.journal import Store, opened
from receiver.plan import Plan, PlanError, make, only
from receiver.sheet import GOOD, ROLES, Sheet, left_of_test, next_sentence, state_of
from receiver.walk import elsewhere, walk
from receiver.watched import Watched

MOST_LISTED = 50
LAST_SIGNALS = 10
Lasts = Annotated[int, Field(ge=5, le=7 * 24 * 60)]  # minutes
PAPERS = {"json": "application/json", "html": "text/html", "pdf": "application/pdf"}

pages = APIRouter(prefix="/provings", include_in_schema=False)
api = APIRouter(prefix="/api/provings", tags=["provings"])


# Reading


def watched(house: House, store: Store, proving: str) -> Watched:
    """A proving, kept for whoever looks at it next. 404 where the journal has none of that name."""
    kept: dict[str, Watched] = house.kept.setdefault("provings", {})
    if proving not in kept:
        start = next((event for event in records.provings(store) if event["proving"] == proving), None)
        if start is None:
            raise HTTPException(404, f"no proving of this journal is named {proving!r}")
        try:
            kept[proving] = Watched(start)
        except PlanError as error:
            raise HTTPException(404, f"row {start['row']}: {error}") from None
        while len(kept) > 2 * MOST_LISTED:
            del kept[next(iter(kept))]
    return kept[proving]


def sheet_of(house: House, store: Store, proving: str) -> Sheet:
    """A proving as it stands now."""
    return watched(house, store, proving).sheet(store)


def shown(sheet: Sheet, store: Store) -> dict[str, Any]:
    """What a page shows of a sheet."""
    sentence, about = next_sentence(sheet)
    required = [line for line in sheet.lines if line.item.need != "optional" and line.state != "skipped"]
    return {
        "sheet": sheet,
        "account": sheet.plan.account,
        "zone": sheet.plan.account.time_zone,
        "say": sentence,
        "about": about,
        "left": left_of_test(sheet),
        "seen": sum(line.state in GOOD for line in required),
        "due": len(required),
        "out": sum(line.state == "skipped" for line in sheet.lines),
        "settled": [finding for finding in sheet.findings if finding.settled],
        "stretches": walk(sheet),
        "elsewhere": elsewhere(sheet),
        "standing": (stands := records.standing(sheet)),
        "unmade": len(stands) == len(ROLES) and not _made(sheet, stands),
        "runs": store.written_by_another(),
        "substance": records.substance(sheet),
        "recent": sheet.recent[: -LAST_SIGNALS - 1 : -1],
        "good": GOOD,
        "state": state_of(sheet),
    }


def _made(sheet: Sheet, stands: Mapping[str, Any]) -> bool:
    """Whether a record was made since both have signed."""
    return bool(sheet.signed) and sheet.signed[-1]["row"] > max(one["row"] for one in stands.values())


@pages.get("")
def listed(request: Request, engineer: Engineer, house: AHouse, store: Journal) -> Response:
    sheets = []
    for number, start in enumerate(records.provings(store)):
        if number < MOST_LISTED:
            sheets.append(sheet_of(house, store, start["proving"]))
    found = [(sheet, state_of(sheet)) for sheet in sheets]
    return page(request, "provings.html", engineer, running=[one for one in found if not one[0].over],
                over=[one for one in found if one[0].over], accounts=house.book().accounts)  # fmt: skip


@pages.get("/new")
def new(request: Request, engineer: Engineer, house: AHouse, account: str) -> Response:
    return _begin_page(request, engineer, house, account_of(house, account))


def _begin_page(
    request: Request, engineer: Session, house: House, account: Account, *, wrong: str = "", **typed: Any
) -> Response:
    typed = {"why": "new", "reference": "", "confirmed_by": "", "lasts": 120, "installer": "", "subjects": [], "areas": [],
             "live": []} | typed  # fmt: skip
    return page(request, "proving_new.html", engineer, status=409 if wrong else 200, account=account, plan=make(account),
                wrong=wrong, typed=typed, categories=sorted(CATEGORIES))  # fmt: skip


@pages.post("")
def begin(
    request: Request, engineer: Acting, house: AHouse, account: Annotated[str, Form()],
    reference: AName = "", confirmed_by: AName = "", lasts: Annotated[Lasts, Form()] = 120, installer: AName = "",
    why: AName = "",
    subjects: Annotated[list[str] | None, Form()] = None, areas: Annotated[list[str] | None, Form()] = None,
    live: Annotated[list[str] | None, Form()] = None,
) -> Response:  # fmt: skip
    known = account_of(house, account)
    try:
        proving = conduct.begin(
            house.settings.journal, _plan(known, subjects, why), lasts=timedelta(minutes=lasts), reference=reference.strip(),
            confirmed_by=confirmed_by.strip(), areas=areas, live=live, installer=installer.strip(), by=engineer.name,
        )  # fmt: skip
    except (ConductError, PlanError, wishes.NotTakenError) as error:
        typed = {
            "why": why,
            "reference": reference,
            "confirmed_by": confirmed_by,
            "lasts": lasts,
            "installer": installer,
        }
        lists = {"subjects": subjects or [], "areas": areas or [], "live": live or []}
        return _begin_page(request, engineer, house, known, wrong=str(error), **typed, **lists)
    return go(f"/provings/{proving}")


def _plan(account: Account, subjects: list[str] | None, why: str) -> Plan:
    plan = make(account)
    if subjects:
        plan = only(plan, set(subjects), "again: " + ", ".join(sorted(subjects)))
    return plan.model_copy(update={"why": why.strip()}) if why.strip() else plan


@pages.get("/{proving}")
def one(request: Request, engineer: Engineer, house: AHouse, store: Journal, proving: str) -> Response:
    sheet = sheet_of(house, store, proving)
    return page(request, "proving.html", engineer, **shown(sheet, store), papers=_papers(house, sheet))


@pages.get("/{proving}/stream")
def stream(request: Request, engineer: Engineer, house: AHouse, store: Journal, proving: str) -> Response:
    found = watched(house, store, proving)
    return following(request, _rendering(house, found, "_proving.html", engineer.csrf), _concerns(found))


def _rendering(house: House, found: Watched, template: str, csrf: str) -> Callable[[], str | None]:
    def render() -> str | None:
        store = opened(house.settings.journal)
        try:
            sheet = found.sheet(store, patient=True)
            return part(house, template, csrf=csrf, papers=_papers(house, sheet), **shown(sheet, store))
        finally:
            store.close()

    return render


def _concerns(found: Watched) -> Callable[[dict[str, Any]], bool]:
    mark = found.plan.account.mark
    return lambda entry: entry.get("account_mark") == mark or "event" in entry


# Doing

Word = Literal["call", "tick", "skip", "again", "answer", "prolong", "end"]


def do(journal: Path, sheet: Sheet, word: str, about: str, text: str, by: str) -> None:
    """What somebody does in a proving: `about` is a row, a finding or a row of the journal; `text` the reason, who saw it,
    yes or no, or how many minutes more. ConductError and JournalError as `conduct` raises them.
    """
    if word == "call":
        conduct.call(journal, sheet, about, by=by)
    elif word == "tick":
        conduct.tick(journal, sheet, about, text, by=by)
    elif word == "skip":
        conduct.skip(journal, sheet, about, text, by=by)
    elif word == "again":
        conduct.again(journal, sheet, about, text, by=by)
    elif word == "answer":
        if text not in ("yes", "no") or not about.isdecimal():
            raise ConductError(f"{text!r} to {about!r} is no answer: yes or no, to a row of the journal")
        conduct.answer(journal, sheet, int(about), text == "yes", by=by)
    elif word == "prolong":
        if not text.isdecimal() or not 5 <= int(text) <= 7 * 24 * 60:
            raise ConductError(f"{text!r} is no number of minutes from 5 to 10080")
        conduct.prolong(journal, sheet, timedelta(minutes=int(text)))
    elif word == "end":
        conduct.end(journal, sheet, text, by=by)


@pages.post("/{proving}/do")
def act(
    engineer: Acting, house: AHouse, store: Journal, proving: str, word: Annotated[Word, Form()],
    about: Said = "", text: Said = "",
) -> Response:  # fmt: skip
    sheet = sheet_of(house, store, proving)
    do(house.settings.journal, sheet, word, about, text.strip(), engineer.name)
    return go(f"/provings/{proving}")


@pages.post("/{proving}/invite")
def invite(request: Request, engineer: Acting, house: AHouse, store: Journal, proving: str) -> Response:
    sheet = conduct.running(sheet_of(house, store, proving))
    name = sheet.installer or "the installer"
    token, pin = house.door.invite(proving, name)
    said = {"event": "invited", "detail": f"the installer's page of proving {proving} was opened by {engineer.name}"}
    _noted(house, sheet, said, engineer.name)
    url = f"{request.url.scheme}://{_address(house, request)}/site/{token}"
    picture = segno.make(url, error="m").svg_inline(border=2, omitsize=True, title="The same link as a picture")
    return page(request, "invited.html", engineer, sheet=sheet, url=url, pin=f"{pin[:3]} {pin[3:]}", picture=picture,
                alone=not house.settings.secure)  # fmt: skip


def _address(house: House, request: Request) -> str:
    names = house.settings.names
    return f"{names[0]}:{house.settings.port}" if names else request.headers["host"]


@pages.post("/{proving}/uninvite")
def uninvite(engineer: Acting, house: AHouse, store: Journal, proving: str) -> Response:
    sheet = sheet_of(house, store, proving)
    house.door.uninvite(proving)
    said = {"event": "withdrawn", "detail": f"the installer's page of proving {proving} was closed by {engineer.name}"}
    _noted(house, sheet, said, engineer.name)
    return go(f"/provings/{proving}")


def _noted(house: House, sheet: Sheet, said: dict[str, str], by: str) -> None:
    """Put it into the journal: who may see a proving is part of it, and open pages that follow it notice at once."""
    account = sheet.plan.account
    whose = {"proving": sheet.proving, "account": account.number, "account_mark": account.mark}
    wishes.note(house.settings.journal, **said, **whose, by=by)


# Signing


def sign(house: House, sheet: Sheet, role: str, name: str, identified: str, by: str, seen: str) -> None:
    """One of the two signs what they have `seen`; with the second signature the record is made. ConductError while something
    is left, and where it is another sheet by now: nobody signs what their page did not show.
    """
    journal = house.settings.journal
    with house.signing:
        if seen != records.substance(sheet):
            raise ConductError("not signed: something has come since this page was shown. Look again, then sign")
        _folder(house)
        conduct.agree(journal, sheet, role, name, identified, by=by)
        store = opened(journal)
        try:
            sheet = conduct.sheet_of(store, sheet.proving)
        finally:
            store.close()
        if len(records.standing(sheet)) == len(ROLES):
            conduct.sign(journal, sheet, house.settings.records, by=by)


def _folder(house: House) -> None:
    try:
        house.settings.records.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise ConductError(f"the folder of records {house.settings.records} cannot be made: {error.strerror}") from None


@pages.post("/{proving}/sign")
def signs(
    engineer: Acting, house: AHouse, store: Journal, proving: str, role: Annotated[Literal["engineer", "installer"], Form()],
    name: AName = "", identified: Said = "", seen: Said = "",
) -> Response:  # fmt: skip
    sheet = sheet_of(house, store, proving)
    if role == "engineer":  # an engineer signs as the one who came in, and no other
        name, identified = engineer.name, engineer.known
    sign(house, sheet, role, name.strip(), identified.strip(), engineer.name, seen)
    return go(f"/provings/{proving}#sign")


@pages.post("/{proving}/papers")
def papers_again(engineer: Acting, house: AHouse, store: Journal, proving: str) -> Response:
    sheet, journal, folder = sheet_of(house, store, proving), house.settings.journal, house.settings.records
    _folder(house)
    with house.signing:
        if not _made(sheet, stands := records.standing(sheet)) and len(stands) == len(ROLES):
            conduct.sign(journal, sheet, folder, by=engineer.name)
        else:
            conduct.papers_again(journal, sheet, folder)
    return go(f"/provings/{proving}#sign")


def _papers(house: House, sheet: Sheet) -> list[str]:
    """The names of the record's files that are there."""
    stem = f"{sheet.plan.account.number}-{sheet.proving}"
    folder = house.settings.records
    return (
        sorted(file.name for file in folder.glob(f"{stem}*.*") if file.suffix[1:] in PAPERS) if folder.is_dir() else []
    )


@pages.get("/{proving}/papers/{name}")
def paper(engineer: Engineer, house: AHouse, store: Journal, proving: str, name: str) -> Response:
    if name not in _papers(house, sheet_of(house, store, proving)):
        raise HTTPException(404, f"there is no {name} of proving {proving}")
    # A download, not a page of ours: what stands in it has its own rules.
    return FileResponse(house.settings.records / name, media_type=PAPERS[name.rpartition(".")[2]], filename=name)


# The JSON side


class ProvingInShort(BaseModel):
    """A proving of the list."""

    proving: str
    account: str
    account_name: str
    begun: str | None
    ended: str | None
    verdict: Literal["proved", "provisional", "open"]
    state: str
    left: int
    wrong: int


class Act(BaseModel):
    """Something that is done in a proving; who did it is whoever asks."""

    model_config = ConfigDict(extra="forbid")
    word: Word
    about: str = Field("", max_length=1000, description="a row of the plan, a finding, or a row of the journal")
    text: str = Field("", max_length=1000, description="the reason; who saw it; yes or no; how many minutes more")


@api.get("")
def short(
    engineer: Engineer, house: AHouse, store: Journal, limit: Annotated[int, Query(ge=1, le=500)] = MOST_LISTED
) -> list[ProvingInShort]:
    """The provings of the journal, the newest first."""
    found = []
    for start in list(records.provings(store))[:limit]:
        sheet = sheet_of(house, store, start["proving"])
        found.append(ProvingInShort(
            proving=sheet.proving, account=sheet.plan.account.number, account_name=sheet.plan.account.name,
            begun=sheet.begun, ended=sheet.ended, verdict=sheet.verdict, state=state_of(sheet), left=len(sheet.open),
            wrong=len(sheet.standing),
        ))  # fmt: skip
    return found


@api.get("/{proving}", responses={404: NOT_FOUND})
def whole(engineer: Engineer, house: AHouse, store: Journal, proving: str) -> dict[str, Any]:
    """The whole sheet, as `farend prove judge --json` prints it."""
    return sheet_of(house, store, proving).to_json()


@api.post("/{proving}/acts", status_code=201, responses={404: NOT_FOUND})
def acts(asking: Asking, house: AHouse, store: Journal, proving: str, act: Act) -> dict[str, Any]:
    """Do something in it; gives the sheet that came of it."""
    sheet = sheet_of(house, store, proving)
    do(house.settings.journal, sheet, act.word, act.about, act.text.strip(), asking.name)
    return sheet_of(house, store, proving).to_json()
