"""From request to account in the console: each page, each refusal, and the whole way with rows in the journal."""

import re
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from html import unescape
from importlib.resources import files
from pathlib import Path
from typing import Any

import orjson
import pytest
from conftest import BOOK, SECRET

from protocols.dc09 import build
from protocols.envelope import read_all
from receiver import book as books
from receiver import identification, requests, spoken
from receiver.console import requests as side
from receiver.desk import Memory, Origin, entry, judge
from receiver.journal import Row, Store, whose
from tests.visitors import NAME, Visitor, visiting, words

LIST = files("fixtures").joinpath("quarry_cottage.txt").read_text("utf-8")
FORM: dict[str, Any] = {"name": "Quarry Cottage", "firm": "An Invented Firm", "installer": "A. Nobody"}
HOSTILE = '"><script>alert(1)</script>'
TRIP = "1131 01 015"


class Site:
    """A console over a journal and a book, with panels that report when they are told to."""

    def __init__(self, folder: Path, make: Callable[[], Visitor]) -> None:
        self.folder, self.make, self.journal = folder, make, folder / "station.journal"
        self.engineer = make().enter()
        self.sequence = 0

    def rows(self, account: str, message: str = TRIP, host: str = "192.0.2.9", sequence: int | None = None) -> None:
        """A frame comes in: the row that the desk makes of it."""
        self.sequence += 1
        now = datetime.now(UTC)
        (piece,) = read_all(build("ADM-CID", sequence or self.sequence, account, message, stamp=None))
        origin = Origin("tcp", 12009, host, f"{host}:4000")
        with closing(Store(self.journal, write=True)) as store:
            number = store.number + 1
            station = books.load(self.folder / "station.toml")
            found = entry(judge(piece, station, Memory(), origin, now, 1.0, row=number), now, origin) | {"row": number}
            store.append([Row(number, found["at"], whose(found), found["verdict"], orjson.dumps(found))])

    def file(self, **fields: Any) -> str:
        """File a request; the page that comes of it."""
        answer = self.engineer.post(
            "/requests/new", **FORM | {"act": "file", "zones": "015 Freezer room door (door)"} | fields
        )
        return answer.text

    def request(self, reference: str = "R-001") -> requests.Request:
        return requests.load(self.folder / "requests", reference)

    def identify(self, *reports: tuple[str, str], **fields: Any) -> str:
        """Begin, let these come in, and wait for the outcome's page."""
        fields = {"other": "0913", "zone": "015", "seconds": "1"} | fields
        self.engineer.post("/requests/R-001/identify", **fields)
        for account, message in reports:
            self.rows(account, message)
        self.outcome()
        return self.engineer.read("/requests/R-001/identify")

    def outcome(self) -> None:
        assert self.engineer.house.kept["requests"].trying["R-001"].done.wait(20)

    def events(self, event: str) -> list[dict[str, Any]]:
        with closing(Store(self.journal)) as store:
            return list(store.events(event))


@contextmanager
def opened(folder: Path) -> Iterator[Site]:
    (folder / "station.toml").write_text(BOOK)
    Store(folder / "station.journal", write=True).close()
    with visiting(folder / "station.journal", book=folder / "station.toml") as make:
        yield Site(folder, make)


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Site]:
    monkeypatch.setattr(identification, "WATCH_SECONDS", 0.2)
    monkeypatch.setattr(side, "LEAST_SECONDS", 1)
    with opened(tmp_path) as found:
        yield found


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """A site with one request, for all who are refused: it is after them as it was before, and the next one checks that."""
    with opened(tmp_path_factory.mktemp("still")) as found:
        found.file(sort="128")
        yield found


def is_still(still: Site) -> None:
    assert requests.references(still.folder / "requests") == ["R-001"]
    assert still.request().state == "waiting"
    assert still.engineer.house.kept["requests"].trying == {}
    assert still.events("key-shown") == []


def field(html: str, name: str) -> str:
    """What stands in a field of a page."""
    found = re.search(rf'<input[^>]*\bname="{name}"[^>]*\bvalue="([^"]*)"', html)
    area = re.search(rf'<textarea[^>]*\bname="{name}"[^>]*>\n?(.*?)</textarea>', html, re.DOTALL)
    match = found or area
    assert match, name
    return unescape(match[1])


# The whole way


def test_from_a_form_to_an_account_of_the_book(site: Site) -> None:
    page = site.file(zones=LIST, leave_out_bad_rows="yes", expects="0931", sort="128")
    digits = spoken.compact(site.request().key_digits() or "")
    assert all(line in unescape(page) for line in spoken.lines(digits))
    assert "the key of R-001" in page.replace("The", "the")
    assert digits not in site.engineer.get("/requests/R-001").text

    site.rows("0913", "1401 01 001")
    assert "R-001 Quarry Cottage, told 0931: two neighbours swapped" in site.engineer.read("/callers")

    path = site.folder / "requests" / "R-001.toml"  # from here on in clear, as the rows are
    path.write_text(path.read_text().replace('key = "file:R-001.key"\n', ""))
    page = site.identify(("0913", TRIP), other="", who="0913 192.0.2.9")
    assert "0913 from 192.0.2.9 (tcp) is the panel of R-001." in page
    assert site.request().state == "tied"
    (event,) = site.events("identified")
    assert (event["request"], event["caller"], event["by"]) == ("R-001", "0913", NAME)

    page = site.engineer.told("/requests/R-001/assign", number="0931")
    assert "the account number is 0931" in page
    assert "its panel sends 0913: have the installer program 0931" in page
    assert "no bench writes" in page
    (account,) = books.load(site.folder / "station.toml").numbered("0931")
    assert account.name == "Quarry Cottage"
    (event,) = site.events("assigned")
    assert (event["request"], event["account_mark"], event["by"]) == ("R-001", "931", NAME)
    assert "/provings/new?account=931" in site.engineer.get("/requests/R-001").text
    assert site.engineer.get("/provings/new?account=931").status_code == 200


# Filing


def test_a_bad_row_is_named_on_its_line_and_nothing_is_filed_until_it_is_left_out(site: Site) -> None:
    for act in ("look", "file"):
        answer = site.engineer.post("/requests/new", **FORM, zones="1 Front (door)\nGarage\n", act=act)
        rows = [words(row) for row in re.findall(r"<tr>.*?</tr>", answer.text, re.DOTALL)]
        assert "1 1 Front (door) zone 1 Front, door" in rows
        assert "2 Garage ✗ 'Garage' has no number" in rows
        assert answer.status_code == (200 if act == "look" else 409)
    assert "mend the 1 bad row, or leave them out" in words(answer.text)
    assert site.engineer.ask("GET", "/api/requests").json() == {"requests": [], "broken": []}
    site.file(zones="1 Front (door)\nGarage\n", leave_out_bad_rows="yes")
    assert [zone.number for zone in site.request().account.zone] == ["1"]


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"name": " "}, "Site: is empty"),
        ({"installer": ""}, "Installer: is empty"),
        ({"poll_seconds": "often"}, "Seconds between polls: input should be a valid integer"),
        ({"zones": "zone,zone_name,colour\n1,a,red"}, "Zones: line 1: column 'colour' is none of"),
        ({"zones": "zone,zone_name,account\n1,a,4471"}, "Zones: has account numbers"),
        ({"sort": "given", "key": "0011"}, "Key: cannot be used"),
        ({"path_port": "70000"}, "Paths: row 1, port: input should be less than or equal to 65535"),
        ({"path_name": "", "path_line": "tcp"}, "Paths: row 1, name: field required"),
        ({"path_network": "home"}, "'network' in [[account.path]]"),
        ({"expects": "x"}, "'expects' in [request]"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_cannot_be_filed_is_said_beside_it_and_nothing_typed_is_lost(
    still: Site, wrong: dict[str, str], told: str
) -> None:
    typed = FORM | {"address": "12 Quarry Lane", "zones": LIST, "leave_out_bad_rows": "yes", "sort": "clear", "key": ""}
    typed |= {"path_name": "cellular", "path_line": "udp", "path_network": "", "path_port": "", "path_prefix": ""}
    typed |= {"path_poll_seconds": "", "act": "file"} | wrong
    answer = still.engineer.post("/requests/new", **typed)
    assert answer.status_code in (409, 422)
    assert told in words(answer.text)
    for name in ("name", "firm", "installer", "address", "zones", "key", "expects", "path_name", "path_network"):
        assert field(answer.text, name).strip() == typed.get(name, "").strip(), name
    assert 'value="yes" checked' in answer.text
    is_still(still)


def test_an_uploaded_list_stands_where_a_pasted_one_would(still: Site) -> None:
    client, form = still.engineer.client, FORM | {"csrf": still.engineer.csrf}
    file = {"zones_file": ("zones.txt", "1 Caf\xe9 door (door)".encode("latin-1"))}
    page = client.post("/requests/new", data=form, files=file).text
    assert field(page, "zones") == "1 Café door (door)"
    assert "not UTF-8" in words(page)
    page = client.post("/requests/new", data=form | {"zones": "2 Hall (PIR)"}, files=file).text
    assert field(page, "zones") == "2 Hall (PIR)"
    assert "a file was chosen too" in words(page)


def test_a_form_that_is_sent_twice_files_once(site: Site) -> None:
    token = field(site.engineer.get("/requests/new").text, "form")
    for _ in range(2):
        site.file(form=token)
    assert requests.references(site.folder / "requests") == ["R-001"]


def test_a_given_key_is_kept_and_one_that_was_not_chosen_is_not(site: Site) -> None:
    site.file(sort="given", key=" ".join(re.findall("....", SECRET)))
    site.file(sort="clear", key=SECRET)
    assert spoken.compact(site.request().key_digits() or "") == SECRET
    assert site.request("R-002").key_digits() is None


# Keys


def test_a_key_is_shown_once_to_whoever_filed_it_and_again_only_with_a_reason(site: Site) -> None:
    token = field(site.engineer.get("/requests/new").text, "form")
    answer = site.engineer.client.post(
        "/requests/new", data=FORM | {"csrf": site.engineer.csrf, "act": "file", "sort": "256", "form": token},
        follow_redirects=False,
    )  # fmt: skip
    digits = spoken.compact(site.request().key_digits() or "")
    first = spoken.lines(digits)[0]
    once = answer.headers["location"]
    assert first not in unescape(site.make().enter("Another").get(once).text)
    assert first in unescape(site.engineer.get(once).text)
    assert first not in unescape(site.engineer.get(once).text)
    assert site.engineer.get(once).headers["cache-control"] == "no-store"

    answer = site.engineer.post("/requests/R-001/key", reason=" ")
    assert (answer.status_code, "reason is empty" in words(answer.text)) == (422, True)
    assert site.events("key-shown") == []
    assert first in unescape(site.engineer.post("/requests/R-001/key", reason="the sheet was lost").text)
    (event,) = site.events("key-shown")
    assert (event["reason"], event["by"], event["request"]) == ("the sheet was lost", NAME, "R-001")
    assert digits.encode() not in site.journal.read_bytes()


def test_where_there_is_no_key_none_is_shown(site: Site) -> None:
    site.file()
    assert site.engineer.post("/requests/R-001/key", reason="why").status_code == 409
    assert "The key, again" not in site.engineer.read("/requests/R-001")


# The list


def test_requests_are_listed_by_how_far_they_are_and_a_broken_file_is_named(site: Site) -> None:
    assert "No request is filed yet" in site.engineer.read("/requests")
    site.file()
    site.file(name="Another House")
    path = site.folder / "requests" / "R-002.toml"
    path.write_text(path.read_text().replace("firm", "frim"))
    page = site.engineer.read("/requests")
    assert "Waiting R-001 Quarry Cottage" in page
    assert "R-002.toml:3: unknown key 'frim'" in page
    assert "Another House" not in page
    answer = site.engineer.get("/requests/R-002")
    assert (answer.status_code, "unknown key" in words(answer.text)) == (409, True)
    assert site.engineer.get("/requests/R-009").status_code == 404
    assert site.engineer.get("/requests/..%2Fstation").status_code in (404, 422)


def test_hostile_text_is_text_on_every_page(site: Site) -> None:
    site.file(
        name=f"House {HOSTILE}",
        firm=HOSTILE,
        installer=HOSTILE,
        address=HOSTILE,
        zones=f"015 {HOSTILE}",
        expects="0931",
    )
    site.rows("0913", "1401 01 001")
    urls = ["/requests", "/requests/R-001", "/callers", "/requests/R-001/identify"]
    pages = [site.engineer.get(url).text for url in urls]
    pages.append(
        site.engineer.post("/requests/new", **dict.fromkeys((*FORM, "zones", "key", "path_name"), HOSTILE)).text
    )
    pages.append(site.engineer.post("/requests/R-001/identify", other=HOSTILE, zone=HOSTILE, seconds=HOSTILE).text)
    site.identify(("0913", TRIP))
    pages += [site.engineer.get(f"/requests/R-001/{what}").text for what in ("identify", "assign")]
    pages.append(site.engineer.post("/requests/R-001/assign", number=HOSTILE, prefix=HOSTILE).text)
    for page in pages:
        assert "<script>alert" not in page
        assert "alert(1)" in page


# Which caller it is


def test_a_caller_leads_to_the_request_that_it_may_be(site: Site) -> None:
    site.file(expects="0931")
    site.rows("0913", "1401 01 001")
    answer = site.engineer.get("/identify?request=R-001&who=0913+192.0.2.9")
    assert 'value="0913 192.0.2.9" checked' in answer.text
    assert "two neighbours swapped" in words(answer.text)
    assert field(site.engineer.get("/identify?request=R-001&who=0777+192.0.2.9").text, "other") == "0777"
    assert site.engineer.get("/identify?request=x&who=y").status_code == 422


@pytest.mark.parametrize(
    ("reports", "told"),
    [
        ((), "nothing came from 0913"),
        ((("0913", "1131 01 003"),), "it says zone 003"),
        ((("0914", TRIP),), "another caller tripped zone 015: 0914"),
        ((("0913", TRIP), ("0914", TRIP)), "more than one caller tripped zone 015"),
    ],
)
def test_nobody_is_tied_where_it_is_not_certain_and_why_is_said(
    site: Site, reports: tuple[tuple[str, str], ...], told: str
) -> None:
    site.file()
    page = site.identify(*reports)
    assert "Nobody was tied to R-001." in page
    assert told in page
    assert site.request().state == "waiting"
    answer = site.engineer.post("/requests/R-001/assign", number="0931")
    assert (answer.status_code, "tied to no caller" in words(answer.text)) == (409, True)
    assert "let farend pick" in site.engineer.read("/requests/R-001/identify?again=yes")


def test_two_engineers_see_the_same_identification_and_closing_a_page_does_not_stop_it(site: Site) -> None:
    site.file()
    other = site.make().enter("Another")
    site.engineer.post("/requests/R-001/identify", other="0913", zone="015", seconds="5")
    page = other.read("/requests/R-001/identify")
    assert "Please open Freezer room door, then close it, now." in page
    assert f"Begun by {NAME}" in page
    assert "About 5 seconds left." in page
    trying = site.engineer.house.kept["requests"].trying["R-001"]
    answer = other.post(
        "/requests/R-001/identify", other="0914", zone="any", seconds="5"
    )  # it is shown, and not begun anew
    assert f"Begun by {NAME}" in words(answer.text)
    assert other.ask("POST", "/api/requests/R-001/identification", {"caller": "0914"}).status_code == 409
    assert site.engineer.house.kept["requests"].trying["R-001"] is trying
    assert f"{NAME} is finding out" in other.read("/requests/R-001")
    site.rows("0913")
    site.outcome()
    assert "is the panel of R-001" in other.read("/requests/R-001/identify")
    assert site.request().state == "tied"


def test_an_identification_may_be_given_up_and_ties_nobody_then(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(identification, "WATCH_SECONDS", 600)  # it would be over by itself else, on a busy machine
    site.file()
    site.engineer.post("/requests/R-001/identify", other="0913", zone="015", seconds="600")
    site.rows("0913")
    page = site.make().enter("Another").told("/requests/R-001/identify/end")
    assert "Nobody was tied to R-001." in page
    assert "Another gave it up" in page
    assert site.request().state == "waiting"


def test_news_come_while_the_page_is_open_and_its_end_is_told(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        identification, "WATCH_SECONDS", 600
    )  # each step waits for the page, however busy the machine is
    shown: list[str] = []
    part = side.part

    def shows(*given: Any, **more: Any) -> str:
        shown.append(part(*given, **more))
        return shown[-1]

    def until(words: str) -> None:
        deadline = time.monotonic() + 20
        while not any(words in one for one in shown):
            assert time.monotonic() < deadline, f"the page never said {words!r}"
            time.sleep(0.01)

    def happens() -> None:
        try:
            until("Nothing yet")
            site.rows("0913", "1131 01 003")
            until("it says zone 003")
            site.rows("0913")
            until("tripped; watching")
        finally:
            trying.trial.end()  # as if the time were over

    monkeypatch.setattr(side, "part", shows)
    site.file()
    site.engineer.post("/requests/R-001/identify", other="0913", zone="015", seconds="600")
    trying = site.engineer.house.kept["requests"].trying["R-001"]
    with ThreadPoolExecutor() as pool:
        happened = pool.submit(happens)
        text = site.engineer.get("/requests/R-001/identify/stream").text  # ends when the identification does
        happened.result()
    parts = [part for part in re.split(r"\r?\n\r?\n", text) if "event:" in part]
    assert "Nothing yet" in parts[0]
    assert any("it says zone 003" in part for part in parts)
    assert any("zone 015 Freezer room door tripped; watching" in part for part in parts)
    assert parts[-1].startswith("event: over")
    assert "data-say" in parts[-2]


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"other": ""}, "caller is not chosen"),
        ({"zone": "77"}, "has no device '77'"),
        ({"seconds": "0"}, "seconds are 5 to 600"),
        ({"seconds": "nan"}, "seconds are 5 to 600"),
        ({"seconds": "601"}, "seconds are 5 to 600"),
    ],
)
def test_an_identification_that_cannot_begin_is_refused(still: Site, fields: dict[str, str], told: str) -> None:
    answer = still.engineer.post(
        "/requests/R-001/identify", **{"other": "0913", "zone": "015", "seconds": "5"} | fields
    )
    assert (answer.status_code, told in words(answer.text)) == (422, True)
    is_still(still)


# The number


def test_a_number_that_is_taken_or_none_is_refused_and_stays_typed(site: Site) -> None:
    site.file()
    site.identify(("0913", TRIP))
    before = (site.folder / "station.toml").read_bytes()
    for number, status, told in (("4471", 409, "already"), ("47", 422, "3 to 16 hex"), ("44x1", 422, "3 to 16 hex")):
        answer = site.engineer.post("/requests/R-001/assign", number=number)
        assert (answer.status_code, told in words(answer.text)) == (status, True)
        assert field(answer.text, "number") == number
    assert (site.folder / "station.toml").read_bytes() == before
    assert site.request().state == "tied"


def test_an_assignment_that_was_broken_off_is_shown_and_completed(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    site.file()
    site.identify(("0913", TRIP))

    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "no space left", "station.toml")

    with monkeypatch.context() as patched:
        patched.setattr(requests, "locked", full)
        assert "no space left" in site.engineer.told("/requests/R-001/assign", number="0931")
    with monkeypatch.context() as patched:
        whole = requests.write_whole
        patched.setattr(
            requests, "write_whole", lambda path, *more: full() if path.name == "station.toml" else whole(path, *more)
        )
        assert "no space left" in site.engineer.told("/requests/R-001/assign", number="0931")
    assert "doing it again completes it" in site.engineer.read("/requests/R-001")
    assert site.engineer.post("/requests/R-001/assign", number="0932").status_code == 409
    assert "prove the account" in site.engineer.told("/requests/R-001/assign", number="0931")
    assert len(books.load(site.folder / "station.toml").numbered("0931")) == 1
    assert site.engineer.get("/requests/R-001/identify?again=yes").status_code == 409


def test_without_a_book_nothing_is_assigned(site: Site) -> None:
    site.file()
    site.identify(("0913", TRIP))
    with visiting(site.journal) as make:
        engineer = make().enter()
        assert "without an account book" in engineer.read("/requests/R-001/assign")
        assert engineer.post("/requests/R-001/assign", number="0931").status_code == 409


# Who may


FORMS = ("/requests/new", "/requests/R-001/key", "/requests/R-001/identify", "/requests/R-001/identify/end",
         "/requests/R-001/assign")  # fmt: skip
PAGES = ("/requests", "/requests/new", "/requests/R-001", "/requests/R-001/filed", "/requests/R-001/identify",
         "/requests/R-001/identify/stream", "/requests/R-001/assign", "/callers", "/identify?request=R-001&who=x",
         "/api/requests", "/api/requests/R-001", "/api/callers", "/api/requests/R-001/identification")  # fmt: skip


@pytest.mark.parametrize("csrf", ["", "another"])
def test_nothing_is_done_without_the_forms_secret(still: Site, csrf: str) -> None:
    for url in FORMS:
        answer = still.engineer.post(url, csrf=csrf, **FORM, act="file", reason="why", other="0913", number="0931")
        assert answer.status_code == 403, url
    engineer = still.make().enter()
    engineer.csrf = csrf
    for url in ("", "/R-001/key", "/R-001/identification", "/R-001/assignment"):
        body = FORM if not url else {"reason": "why", "caller": "0913", "number": "0931"}
        assert engineer.ask("POST", f"/api/requests{url}", body).status_code == 403, url
    is_still(still)


def test_nobody_sees_a_request_before_coming_in(still: Site) -> None:
    stranger = still.make()
    for url in PAGES:
        answer = stranger.client.get(url, follow_redirects=False)
        assert answer.status_code in (303, 401), url
        assert "Quarry" not in answer.text
    for url in FORMS:
        assert stranger.client.post(url, data=FORM, follow_redirects=False).status_code in (303, 401, 403)


# The JSON side


def test_the_json_side_goes_the_same_way(site: Site) -> None:
    ask = site.engineer.ask
    filing = FORM | {
        "zones": "015 Freezer room door (door)\nGarage",
        "key_bits": 128,
        "paths": [{"name": "a", "line": "tcp"}],
    }
    seen = ask("POST", "/api/requests?preview=true", filing).json()
    assert seen["bad"] == [{"line": 2, "text": "Garage", "why": "'Garage' has no number", "list": "zones"}]
    assert ask("POST", "/api/requests", filing).status_code == 409
    assert ask("POST", "/api/requests", filing | {"key": SECRET, "leave_out_bad_rows": True}).status_code == 422
    filed = ask("POST", "/api/requests", filing | {"key_bits": None, "leave_out_bad_rows": True}).json()
    assert (filed["reference"], filed["state"], filed["key_once"]) == ("R-001", "waiting", None)
    keyed = ask("POST", "/api/requests", filing | {"leave_out_bad_rows": True}).json()
    again = ask("POST", "/api/requests/R-002/key", {"reason": "the sheet was lost"}).json()
    assert again == keyed["key_once"]
    assert again["check_word"] == spoken.check_word(again["digits"])
    assert ask("GET", "/api/requests/R-001/identification").status_code == 404

    begun = ask("POST", "/api/requests/R-001/identification", {"caller": "0913", "zone": "any", "seconds": 5}).json()
    assert (begun["state"], begun["zone"], begun["say"][:6]) == ("under-way", "015", "Please")
    site.rows("0913")
    site.outcome()
    done = ask("GET", "/api/requests/R-001/identification").json()
    assert (done["state"], done["tied"]["number"], done["tied"]["row"]) == ("tied", "0913", 2)
    assert ask("GET", "/api/callers").json()[0]["number"] == "0913"
    assert "Give it its number" in ask("GET", "/api/requests/R-001").json()["next"]
    given = ask("POST", "/api/requests/R-001/assignment", {"number": "0931", "prefix": "2"}).json()
    assert (given["account"], given["account_mark"]) == ("0931", "L2 931")
    assert ask("POST", "/api/requests/R-001/assignment", {"number": "0931", "prefix": "2"}).status_code == 200
    assert ask("POST", "/api/requests/R-001/identification", {"caller": "0913"}).status_code == 409
    assert ask("POST", "/api/requests/R-009/assignment", {"number": "0931"}).status_code == 404
