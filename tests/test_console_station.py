"""The console's pages of the station: accounts, lines, refused alarms, notes and hand-over, help, search."""

import html
import re
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import orjson
import pytest
from conftest import SECRET

from protocols.dc09 import build
from protocols.envelope import read_all
from receiver import conduct, glossary, plan, requests, shift
from receiver.book import Book, load
from receiver.desk import Memory, Origin, entry, judge, millis
from receiver.journal import Row, Seen, Store, whose
from tests.visitors import NAME, Visitor, visiting, words

Visit = Callable[[], Visitor]
HOSTILE = '<script>alert("x")</script>'
BOOK = f"""
# Invented for the tests: no place, person or key here is real.
[[account]]
number = "4471"
name = "Tern Point field station"
time_zone = "Asia/Kolkata"
poll_seconds = 90
category = "DP2"
  [[account.area]]
  number = "01"
  name = "Laboratory"
  [[account.zone]]
  number = "015"
  area = "01"
  name = "Freezer room door"
  device = "door"
  [[account.user]]
  number = "002"
  name = "Night warden"
  [[account.path]]
  name = "wired"
  line = "tcp"
  [[account.path]]
  name = "cellular"
  line = "udp"
[[account]]
number = "8C20"
name = '{HOSTILE}'
key = "hex:{SECRET}"
[[account]]
number = "7001"
name = "North house"
prefix = "1"
[[account]]
number = "7001"
name = "South house"
prefix = "2"
"""
PAGES = ("/accounts", "/accounts/4471", "/lines", "/refused", "/notes", "/help", "/search?q=4471")
SIDE = (
    "/api/accounts",
    "/api/accounts/4471",
    "/api/lines",
    "/api/refused",
    "/api/shift",
    "/api/glossary",
    "/api/search?q=1",
)


def frames(book: Book, *sent: tuple[str, str, str]) -> list[Row]:
    """Rows as the bench would write them: for each an account, a prefix and a Contact ID message."""
    rows, memory = [], Memory()
    for number, (account, prefix, message) in enumerate(sent, 1):
        (piece,) = read_all(build("ADM-CID", number, account, message, prefix=prefix, stamp=None))
        at = datetime.now(UTC) - timedelta(seconds=60 - number)
        origin = Origin("tcp", 12009, "192.0.2.9", "192.0.2.9:4000")
        found = entry(judge(piece, book, memory, origin, at, float(number), row=number), at, origin) | {"row": number}
        rows.append(Row(number, found["at"], whose(found), found["verdict"], orjson.dumps(found)))
    return rows


SENT = (  # account, prefix, message; rows 1, 2 and 6 are refused alarms
    *(("4417", "0", "1131 01 015"), ("4417", "0", "1131 01 015"), ("4471", "0", "1131 01 015")),
    *(("7001", "1", "1401 01 001"), ("7001", "2", "1402 01 001"), ("9990", "0", "1110 01 004")),
)


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    (tmp_path / "station.toml").write_text(BOOK)
    path = tmp_path / "station.journal"
    seen = [Seen("4471", "tcp", "wired", millis(datetime.now(UTC) - timedelta(seconds=7200)), 4)]
    with closing(Store(path, write=True)) as store:
        store.append(frames(load(tmp_path / "station.toml"), *SENT), seen)
    return path


@pytest.fixture
def visit(journal: Path) -> Iterator[Visit]:
    with visiting(journal, book=journal.parent / "station.toml") as make:
        yield lambda: make().enter()


def said(journal: Path, event: str) -> list[dict[str, Any]]:
    with closing(Store(journal)) as store:
        return list(store.events(event))


def status(answer: Any) -> int:
    return int(answer.status_code)


# Who may look, and who may act


def test_nobody_looks_before_coming_in(journal: Path) -> None:
    with visiting(journal) as make:
        stranger = make()
        for url in (*PAGES, *SIDE, "/refused/stream", "/lines/stream"):
            answer = stranger.client.get(url, follow_redirects=False)
            assert status(answer) in (303, 401), url
            assert len(answer.content) < 100, url


ACTS = {
    "/refused/1": {"did": "called", "last": 2},
    "/notes": {"text": "a note"},
    "/notes/hand-over": {"to": "B. Example", "text": "all is well"},
    "/notes/hand-over/1": {},
}


def test_nobody_acts_without_the_secret_of_the_page(visit: Visit, journal: Path) -> None:
    visitor = visit()
    for url, fields in ACTS.items():
        for wrong in ("", "made-up", "½"):
            assert status(visitor.post(url, csrf=wrong, **fields)) == 403, url
    assert not [*said(journal, "handled"), *said(journal, "shift-note"), *said(journal, "hand-over")]


def test_the_json_side_wants_the_secret_as_a_header(visit: Visit, journal: Path) -> None:
    visitor = visit()
    visitor.csrf = "made-up"
    bodies = {
        "/api/refused/1": {"did": "called"},
        "/api/shift/notes": {"text": "x"},
        "/api/shift/hand-overs": {"text": "x", "to": "y"},
        "/api/shift/hand-overs/1": None,
    }
    for url, body in bodies.items():
        assert status(visitor.ask("POST", url, body)) == 403, url
    assert not [*said(journal, "handled"), *said(journal, "shift-note"), *said(journal, "hand-over")]


def test_what_came_over_the_wire_or_stands_in_the_book_shows_as_text(visit: Visit, journal: Path) -> None:
    """A name, a note, what was done and whom it is handed to: none of them becomes a tag."""
    visitor = visit()
    shift.note(journal, HOSTILE, HOSTILE)
    shift.hand_over(journal, HOSTILE, HOSTILE, HOSTILE)
    shift.handle(journal, 6, HOSTILE, HOSTILE)
    for url in ("/accounts", "/accounts/8C20", "/lines", "/refused", "/notes", "/help", "/search?q=script"):
        text = visitor.get(url).text
        assert HOSTILE not in text, url
        assert (HOSTILE in html.unescape(text)) is (url not in ("/lines", "/help")), url


def test_every_link_to_the_help_leads_to_a_word_that_is_there(visit: Visit) -> None:
    visitor = visit()
    there = set(re.findall(r'id="([^"]+)"', visitor.get("/help").text))
    for url in (*PAGES, "/?events=yes", "/rows/1"):
        linked = set(re.findall(r'href="/help#([^"]+)"', visitor.get(url).text))
        assert linked <= there, url
    assert "unknown-account" in set(re.findall(r'href="/help#([^"]+)"', visitor.get("/refused").text))


def test_no_id_stands_twice_and_every_label_has_its_field(visit: Visit, journal: Path) -> None:
    shift.hand_over(journal, "words", "A. Example", "B. Example")
    visitor = visit()
    for url in PAGES:
        text = visitor.get(url).text
        ids = re.findall(r'\bid="([^"]*)"', text)
        assert len(ids) == len(set(ids)), (url, [one for one in ids if ids.count(one) > 1])
        assert set(re.findall(r'\bfor="([^"]*)"', text)) <= set(ids), url


# Accounts


def test_accounts_show_who_they_are_and_what_needs_somebody_first(visit: Visit) -> None:
    text = visit().read("/accounts")
    assert "4 in the book" in text
    assert text.index("4471 Tern Point field station") < text.index("8C20")
    assert "cellular: never heard; a poll is promised every 1 min 30 s" in text
    assert "AES key of 128 bits" in text


def test_no_page_shows_a_key(visit: Visit) -> None:
    visitor = visit()
    for url in (*PAGES, *SIDE, "/accounts/8C20", "/api/accounts/8C20"):
        assert SECRET.lower() not in visitor.get(url).text.lower(), url


def test_an_account_shows_its_devices_users_paths_promises_and_what_it_said_last(visit: Visit) -> None:
    text = visit().read("/accounts/4471")
    for part in (
        "015 Freezer room door door 01 Laboratory",
        "002 Night warden",
        "wired: last heard 2 h ago over tcp",
        "a poll every 1 min 30 s over wired",
        "DP2 (EN 50136-1)",
        "Asia/Kolkata",
        "Perimeter burglary alarm, area 01 Laboratory, zone 015 Freezer room door",
        "not on test",
        "It has not been proved.",
    ):
        assert part in text, part
    assert "at the site)" in text


def test_accounts_that_share_a_number_each_show_their_own(visit: Visit) -> None:
    visitor = visit()
    north, south = visitor.read("/accounts/L1 7001"), visitor.read("/accounts/L2 7001")
    assert ("row4" in visitor.get("/accounts/L1 7001").text, "North house" in north) == (True, True)
    assert "row5" not in visitor.get("/accounts/L1 7001").text
    assert "row5" in visitor.get("/accounts/L2 7001").text
    assert "South house" in south


def test_an_account_shows_its_test_its_proving_and_the_request_it_came_from(visit: Visit, journal: Path) -> None:
    visitor = visit()
    account = load(journal.parent / "station.toml").accounts[0]
    lasts = timedelta(hours=1)
    name = conduct.begin(
        journal, plan.make(account), lasts=lasts, reference="T-118", confirmed_by="the desk", by="A. Example"
    )
    with closing(Store(journal, write=True)) as store:  # what a bench makes of the wish, and of a request
        until = millis(datetime.now(UTC) + lasts)
        test = {"event": "on-test", "detail": "", "account": "4471", "account_mark": "4471", "until": until}
        store.note(test | {"at": millis(datetime.now(UTC)), "reference": "T-118", "confirmed_by": "the desk"})
        tied = {"event": "assigned", "detail": "", "account": "4471", "account_mark": "4471", "request": "R-001"}
        store.note(tied | {"at": millis(datetime.now(UTC))})
    answer, text = visitor.get("/accounts/4471").text, visitor.read("/accounts/4471")
    assert "on test until" in text
    assert "reference T-118, confirmed by the desk" in text
    assert f'href="/provings/{name}"' in answer
    assert 'href="/requests/R-001"' in answer
    told = visitor.get("/api/accounts/4471").json()
    assert [one["state"] for one in told["provings"]] == ["runs"]
    assert (told["requests"], told["key"]) == (["R-001"], "no key: it sends in clear")
    text = visitor.read("/notes")
    assert "Proving 4471 Tern Point field station : runs; on test until" in text


@pytest.mark.parametrize("mark", ["9999", "%3Cscript%3E", "4471%20", "%00"])
def test_an_account_that_the_book_does_not_have_is_said_to_be_none(visit: Visit, mark: str) -> None:
    visitor = visit()
    answer = visitor.get(f"/accounts/{mark}")
    assert (status(answer), "the book has no account" in words(answer.text)) == (404, True)
    assert "<script>" not in answer.text.replace('<script src="/static/console.js" defer></script>', "")
    assert status(visitor.get(f"/api/accounts/{mark}")) == 404


def test_without_a_book_the_pages_say_how_to_give_one(journal: Path) -> None:
    with visiting(journal) as make:
        visitor = make().enter()
        assert "start it with --book FILE" in visitor.read("/accounts")
        assert status(visitor.get("/lines")) == status(visitor.get("/notes")) == 200


# Lines


def test_lines_say_whether_a_bench_runs_and_what_is_known_of_each_path(visit: Visit) -> None:
    visitor = visit()
    text = visitor.read("/lines")
    assert "No bench runs" in text
    assert "1 of 2 needs somebody; they stand first." in text
    assert text.index("cellular: never heard") < text.index("wired: last heard 2 h ago over tcp")
    told = visitor.get("/api/lines").json()
    assert (told["runs"], told["bench"]["needs"]) == (False, True)
    assert [path["needs"] for path in told["paths"]] == [True, False]


# Refused alarms


def test_refused_alarms_stand_until_somebody_says_what_was_done(visit: Visit, journal: Path) -> None:
    first, second = visit(), visit()
    text = first.read("/refused")
    assert "2 are open" in text
    assert "4417: Perimeter burglary alarm, area 01, zone 015 2 times" in text
    told = second.told("/refused/1", did="called the keyholder", last=2)
    assert "1 is open" in told
    assert f"called the keyholder ({NAME})" in told
    (row,) = said(journal, "handled")
    assert (row["first"], row["last"], row["count"], row["by"]) == (1, 2, 2, NAME)
    assert [one["first"] for one in first.get("/api/refused").json()] == [6]


@pytest.mark.parametrize(
    ("row", "did", "code", "says"),
    [
        (1, "  ", 409, "what was done is empty"),
        (3, "called", 409, "row 3 is no refused alarm"),
        (99, "called", 409, "row 99 is no refused alarm"),
        (0, "called", 422, "greater than or equal to 1"),
        (10**30, "called", 422, "less than or equal to"),
        (1, "x" * 4001, 409, "4000 at most"),
    ],
)
def test_what_cannot_be_handled_is_said_on_the_page_and_by_the_json_side(
    visit: Visit, journal: Path, row: int, did: str, code: int, says: str
) -> None:
    visitor = visit()
    answer = visitor.post(f"/refused/{row}", did=did)
    assert (status(answer), says in words(answer.text)) == (code, True)
    answer = visitor.ask("POST", f"/api/refused/{row}", {"did": did})
    assert status(answer) in (code, 422)
    assert not said(journal, "handled")


def test_two_engineers_who_handle_the_same_alarm_hear_of_each_other(visit: Visit, journal: Path) -> None:
    first, second = visit(), visit()
    assert status(first.ask("POST", "/api/refused/6", {"did": "fire brigade called"})) == 201
    answer = second.post("/refused/6", did="called too")
    assert (status(answer), "row 6 has been handled already" in words(answer.text)) == (409, True)
    assert len(said(journal, "handled")) == 1


# Notes and hand-over


def test_a_shift_is_noted_handed_over_and_taken_over(visit: Visit, journal: Path) -> None:
    first, second = visit(), visit()
    text = first.told("/notes", text="line card of 4471\nis changed tonight", account="04471")
    assert f"{NAME}, about 4471 : line card of 4471 is changed tonight" in text
    text = first.told("/notes/hand-over", to="B. Example", text="watch the line card")
    assert "A hand-over waits" in text
    (waits,) = said(journal, "hand-over")
    assert status(second.post("/notes/hand-over/1")) == 409
    text = second.told(f"/notes/hand-over/{waits['row']}")
    assert "A hand-over waits" not in text
    assert f"{NAME} took over from {NAME}" in text
    assert "watch the line card" in text
    assert "None yet." in text  # the notes of before belong to the shift before


@pytest.mark.parametrize(
    ("url", "fields", "code"),
    [
        ("/notes", {"text": " "}, 409),
        ("/notes", {"text": "x", "account": "9999"}, 404),
        ("/notes", {"text": "x", "account": "7001"}, 404),  # two of them
        ("/notes/hand-over", {"to": "", "text": "x"}, 409),
        ("/notes/hand-over", {"to": "B. Example", "text": ""}, 409),
    ],
)
def test_a_note_without_words_or_of_no_account_is_refused(
    visit: Visit, journal: Path, url: str, fields: dict[str, str], code: int
) -> None:
    assert status(visit().post(url, **fields)) == code
    assert not [*said(journal, "shift-note"), *said(journal, "hand-over")]


def test_an_account_of_several_with_a_number_is_named_by_its_mark(visit: Visit, journal: Path) -> None:
    assert status(visit().ask("POST", "/api/shift/notes", {"text": "x", "account": "L2 7001"})) == 201
    assert [row["account_mark"] for row in said(journal, "shift-note")] == ["L2 7001"]


def test_what_is_open_lists_itself_for_whoever_comes_next(visit: Visit) -> None:
    visitor = visit()
    text = visitor.read("/notes")
    for part in ("Refused alarm : 9990: Fire alarm", "2 times", "No bench runs", "cellular: never heard"):
        assert part in text, part
    told = visitor.get("/api/shift").json()
    assert [line["first"] for line in told["open"]["refused"]] == [6, 1]
    assert (told["waiting"], told["taken"], told["notes"]) == (None, None, [])


# Help and search


def test_the_help_explains_every_word_with_an_anchor(visit: Visit) -> None:
    visitor = visit()
    answer, text = visitor.get("/help").text, visitor.read("/help")
    assert {one["word"] for one in visitor.get("/api/glossary").json()} == {one.word for one in glossary.ENTRIES}
    for one in glossary.ENTRIES:
        assert f'id="{one.word.replace(" ", "-")}"' in answer
        assert " ".join(one.means.replace("`", " ").split())[:40] in text.replace(" .", ".")


FOUND = {  # what is sought: the kinds of what is found, and where the first of it leads
    "tern": (["Accounts", "Journal"], "/accounts/4471"),
    "FREEZER": (["Accounts", "Journal"], "/accounts/4471"),
    "441": (["Numbers without an account", "Journal"], "/?account=4417"),
    "04417": (["Numbers without an account"], "/?account=4417"),
    "L1 7001": (["Accounts", "Journal"], "/accounts/L1 7001"),
    "6": (["Journal"], "/rows/6"),
    "nowhere to be found": ([], ""),
    "%": ([], ""),
    "": ([], ""),
    "1" * 40: ([], ""),
}


def test_a_search_finds_parts_of_numbers_and_names(visit: Visit) -> None:
    visitor = visit()
    for q, (kinds, first) in FOUND.items():
        answer = visitor.client.get("/search", params={"q": q})
        assert re.findall(r"<h2>([^<]*)</h2>", answer.text) == kinds, q
        hits = visitor.client.get("/api/search", params={"q": q}).json()
        assert [hit["to"] for hit in hits[:1]] == [first] * bool(first), q
        assert f'value="{html.escape(q)}"' in answer.text, q  # what was sought stands in the field


def test_a_search_finds_provings_and_requests(visit: Visit, journal: Path) -> None:
    visitor = visit()
    account = load(journal.parent / "station.toml").accounts[0]
    conduct.begin(
        journal, plan.make(account), lasts=timedelta(hours=1), reference="T", confirmed_by="desk", by="A. Example"
    )
    requests.file(
        journal.parent / "requests",
        {"firm": "An Invented Firm", "installer": "A. Nobody", "filed": millis(datetime.now(UTC))},
        {"name": "Quarry Cottage"},
        None,
    )
    hits = visitor.get("/api/search?q=A. Example").json()
    assert [hit["kind"] for hit in hits][:1] == ["provings"]
    (hit,) = [hit for hit in visitor.get("/api/search?q=quarry").json() if hit["kind"] == "requests"]
    assert hit["to"] == "/requests/R-001"


@pytest.mark.parametrize("url", ["/search?q=" + "x" * 201, "/accounts?from=-1", "/lines?from=x"])
def test_what_is_not_of_the_form_that_is_asked_for_is_said_so(visit: Visit, url: str) -> None:
    assert status(visit().get(url)) == 422
