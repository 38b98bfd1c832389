"""A signed record: whose signatures stand, what its page and its PDF say, and that nobody can change a character of them."""

# ruff: noqa: F811  (two fixtures are another file's)

import io
import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pypdf
import pytest
import typst
from conftest import Listening
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_prove import SIGNED, Station, fill, prove_whole, quiet, station  # noqa: F401
from test_proving import HOUSE, KEYED, POLLS, House, prove_all

from receiver import book as books
from receiver import conduct
from receiver import record as records
from receiver.conduct import ConductError, EmptyError
from receiver.journal import Store
from receiver.paper import PaperError, Papers, _times, papers, read
from receiver.plan import Plan, make
from receiver.sheet import ROLES, Sheet

# What would act where it is not taken as text: in a page, in a script, in Typst, on a terminal; turned writing, and a sign
# that no shipped font has.
HOSTILE = '</script><script>alert(1)</script> ]] #sys.inputs $x$ *b* \\ "q" <!-- שלום \u202e 😀 漢 ' + "w" * 200
FORMS = ("json", "html", "pdf")


def now(journal: Path) -> Sheet:
    store = Store(journal)
    try:
        return next(conduct.sheets(store))
    finally:
        store.close()


def both_sign(journal: Path, name: str = "E. Example", identified: str = "a voice that was known") -> None:
    for role in ROLES:
        conduct.agree(journal, now(journal), role, name, identified, by="the engineer")


@pytest.fixture
def proved(quiet: Station) -> Path:
    """The journal of a house of which everything was seen that can be seen at once."""
    fill(quiet, prove_all)
    return quiet.journal


def text_of(pdf: bytes) -> str:
    return "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)


def plain(text: str) -> str:
    """Without what a line's end may have put in or taken out."""
    return "".join(text.replace("\u200b", "").split())


class Words(HTMLParser):
    """What a page shows, and what it has between tags that are no text."""

    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.shown, self.scripts, self.tags = "", [""][:0], set[str]()
        self.open = ""
        self.feed(page.decode())

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.open = tag
        self.tags.add(tag)

    def handle_data(self, data: str) -> None:
        if self.open == "script":
            self.scripts += [data]
        elif self.open not in ("style", "title"):
            self.shown += data

    def handle_endtag(self, tag: str) -> None:
        self.open = ""


# Whose signature stands


def signing(text: str = POLLS) -> House:
    """A house that both have just signed, provisionally."""
    house = House(text).begin(minutes=240)
    prove_all(house)
    house.send("1131 01 007")
    house.says("skip", about=house.sheet().findings[-1].id, reason="the neighbour's").wait(30)
    house.says("skip", about="zone 1 tamper", reason="no contact")
    for role in ROLES:
        house.wait(1).says(
            "agree", role=role, name=role, identified="known", substance=records.substance(house.sheet())
        )
    assert list(records.standing(house.sheet())) == list(ROLES)
    return house


@pytest.mark.parametrize(
    "later",
    [
        lambda house: house.send("poll", "wired") and house.send("poll", "cellular"),
        lambda house: house.wait(15),
        lambda house: house.call("zone 1"),
        lambda house: house.call("zone 1").trips(1),  # a row that is proved, once more, rightly
        lambda house: house.on_test(minutes=300),
        lambda house: house.says("sign", record="0" * 64, provisional=True),
    ],
    ids=["polls", "time", "a call", "the same again", "a longer test", "its record"],
)
def test_what_changes_nothing_leaves_a_signature_standing(later: Callable[[House], Any]) -> None:
    house = signing()
    later(house.wait(10))
    assert list(records.standing(house.sheet())) == list(ROLES)


@pytest.mark.parametrize(
    "later",
    [
        lambda house: house.send("1131 01 008"),
        lambda house: house.send("1131 01 008") and house.says("skip", about=house.sheet().findings[-1].id, reason="x"),
        lambda house: house.says("again", about="zone 1 alarm", reason="the contact was moved"),
        lambda house: house.says("again", about="zone 1 alarm", reason="x").call("zone 1").trips(1),
        lambda house: house.says("skip", about="zone 3 tamper", reason="no contact"),
        lambda house: house.says("skip", about="zone 1 tamper", reason="another reason"),
        lambda house: house.says("skip", about=house.sheet().findings[0].id, reason="another reason"),
        lambda house: house.says("tick", about="zone 5 sounded", saw="another heard it"),
        lambda house: house.send("1301 00 000") and house.wait(9).send("3301 00 000"),
        lambda house: house.wait(600),
        lambda house: house.send("1110 01 002"),
    ],
    ids=["a finding", "a settled finding", "again", "again, and proved", "a skip", "another reason for a skip",
         "another reason for a finding", "another tick", "what was pending came",
         "the polls stop", "is this you?"],
)  # fmt: skip
def test_what_comes_later_must_be_signed_again(later: Callable[[House], Any]) -> None:
    house = signing()
    later(house.wait(10))
    assert records.standing(house.sheet()) == {}


def test_what_was_settled_and_goes_wrong_again_must_be_signed_again_once_it_is_settled_again() -> None:
    house = House(KEYED).begin(minutes=240)
    key = house.panel.key

    def in_clear_and_then_sealed() -> str:
        for kept in (None, key):
            house.panel.key = kept
            house.wait(30).send("1602 00 000")
            assert bool(house.sheet().standing) is (kept is None)
        return records.substance(house.sheet())

    assert in_clear_and_then_sealed() != in_clear_and_then_sealed()
    assert [finding.rule for finding in house.sheet().findings] == ["in-clear"]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.sampled_from(["wired", "cellular"]), max_size=30), st.floats(0.5, 25))
def test_polls_that_come_in_time_never_void_a_signature(paths: list[str], apart: float) -> None:
    house = signing()
    for path in paths:
        other = "cellular" if path == "wired" else "wired"
        house.wait(apart).send("poll", path)
        house.send("poll", other)
        assert list(records.standing(house.sheet())) == list(ROLES)


def test_a_slow_clock_that_is_measured_once_more_is_one_finding_and_voids_nothing() -> None:
    house = House(POLLS).begin(minutes=240)

    def poll(late: float = 0) -> None:
        house.wait(30.17 - late)  # so that each is measured a little otherwise: stamps are whole seconds
        house.send("poll", "wired", made=-3600.0 - late)
        house.send("poll", "cellular", made=-3600.0 - late)
        house.wait(late)

    for _ in range(5):
        poll()
    (finding,) = [one for one in house.sheet().findings if one.rule == "clock"]
    house.says("skip", about=finding.id, reason="it cannot be set")
    before = records.substance(house.sheet())
    for late in (0, 8, 0, 0, 0):  # a message that is late for once
        poll(late)
    assert records.substance(house.sheet()) == before
    assert (
        records.substance(replace(house.sheet(), mirrored=True)) != before
    )  # and of a mirror something else is signed


def test_nothing_is_signed_while_something_is_left_nor_by_nobody(quiet: Station) -> None:
    fill(quiet, lambda house: house.trips(1))
    with pytest.raises(ConductError, match="see what is left"):
        conduct.agree(quiet.journal, now(quiet.journal), "engineer", "E.", "known", by="E.")
    with pytest.raises(ConductError, match="to be signed by engineer and installer"):
        conduct.sign(quiet.journal, now(quiet.journal), None, by="E.")


def test_a_signature_needs_a_role_a_name_and_how_they_were_identified(proved: Path) -> None:
    sheet = now(proved)
    for role, name, identified in (("owner", "E.", "x"), ("engineer", " ", "x"), ("installer", "I.", "")):
        with pytest.raises(ConductError if role == "owner" else EmptyError):
            conduct.agree(proved, sheet, role, name, identified, by="E.")
    row = conduct.agree(proved, sheet, "engineer", "E.", "known", by="E.")
    assert conduct.agree(proved, now(proved), "engineer", "E.", "known", by="E.") == row, "said twice it is one"
    with pytest.raises(ConductError, match="to be signed by installer"):
        conduct.sign(proved, now(proved), None, by="E.")


# The three files


def test_each_of_the_three_files_agrees_with_the_journal(quiet: Station, tmp_path: Path) -> None:
    fill(quiet, prove_whole)
    said = quiet.prove("sign", "2210", *SIGNED, "--out", tmp_path / "gull.json").out.decode()
    for form in FORMS:
        file = tmp_path / f"gull.{form}"
        assert str(file) in said
        assert file.rename(tmp_path / "x")  # by its content, not by its name
        (checked,) = quiet.prove("check", tmp_path / "x", "--json").objects
        assert (checked["wrong"], checked["form"]) == ([], "page" if form == "html" else form)
    assert quiet.farend("journal", "verify", "--journal", quiet.journal).code == 0
    same = quiet.farend("prove", "plan", "2210", "--book", quiet.book, "--since", tmp_path / "x")
    assert "nothing in the book has changed" in same.err, "a PDF can be built on, too"


@pytest.fixture
def hostile(quiet: Station) -> conduct.Kept:
    """The record of a house of which every name and reason that a person can give is hostile."""

    def speak(house: House) -> None:
        prove_all(house)
        house.says("again", about="zone 4 alarm", reason=HOSTILE)
        house.says("skip", about="zone 4 alarm", reason=HOSTILE)
        house.says("tick", about="zone 5 sounded", saw=HOSTILE)
        house.send("1131 01 007")
        house.says("skip", about=house.sheet().findings[-1].id, reason=HOSTILE)

    house = fill(quiet, speak)
    assert house.plan.account.name == "Gull Rock light"
    both_sign(quiet.journal, HOSTILE, HOSTILE)
    return conduct.sign(quiet.journal, now(quiet.journal), quiet.folder, by="E.", stem="hostile")


def hostile_names(record: dict[str, Any]) -> dict[str, Any]:
    """The same record of a house whose book is hostile: names, paths, what it is for."""
    text = json.dumps(record)
    for name in ("Gull Rock light", "Tower door", "Keeper", "Store floor"):
        text = text.replace(name, json.dumps(HOSTILE)[1:-1])
    return json.loads(text)


def test_hostile_text_stands_on_both_papers_as_text(hostile: conduct.Kept) -> None:
    for record in (hostile.record, hostile_names(hostile.record)):
        made = papers(record)
        page = Words(made.html)
        assert page.tags & {"script", "style", "b", "img", "a"} == {"script", "style"}
        assert len(page.scripts) == 1
        assert json.loads(page.scripts[0]) == json.loads(made.json) == record
        shown = HOSTILE.replace("\u202e", "\\x202E")
        assert plain(shown) in plain(page.shown)
        in_pdf = plain(text_of(made.pdf))
        assert "lackstandastheirUnicodenumbers" in in_pdf
        for part in ('</script><script>alert(1)</script>]]#sys.inputs$x$*b*\\"q"<!--', "\\x202E[U+1F600][U+6F22]wwww"):
            assert part in in_pdf
        for form, data in zip(("json", "page", "pdf"), made, strict=True):
            assert (read(data).record, read(data).form) == (record, form)


def test_a_hostile_record_agrees_with_its_journal_in_all_three_forms(quiet: Station, hostile: conduct.Kept) -> None:
    assert [file.suffix for file in hostile.files] == [f".{form}" for form in FORMS]
    for file in hostile.files:
        assert quiet.prove("check", file, "--json").objects[0]["wrong"] == []


def test_both_papers_name_every_row_its_state_and_the_rows_that_prove_it(hostile: conduct.Kept) -> None:
    told, hashes = hostile.record["judgement"], hostile.record["hashes"]
    for shown in (plain(Words(hostile.papers.html).shown), plain(text_of(hostile.papers.pdf))):
        for line in told["sheet"]:
            assert plain(line["label"]) in shown
            for row in line["rows"]:
                assert f"{row}{hashes[str(row)][:12]}" in shown
        for number, hash in hashes.items():
            assert number + hash in shown
        for one in told["findings"]:
            assert plain(one["text"]) in shown
        for said in ("PROVISIONAL", "T-1", "thedesk", "proved,called", "leftout", "comeslater", hostile.record["digest"],
                     plain(hostile.record["caution"]), hostile.record["software"].replace(" ", "")):  # fmt: skip
            assert said in shown


def test_the_same_record_gives_the_same_bytes(hostile: conduct.Kept) -> None:
    assert papers(json.loads(hostile.papers.json)) == hostile.papers
    other = papers(hostile.record | {"rehearsal": True})
    assert other.pdf != hostile.papers.pdf
    assert b"REHEARSAL" in other.html


def test_times_say_what_the_sites_clocks_said_where_its_zone_is_known() -> None:
    """July in Lisbon is an hour ahead of UTC (the time zone database)."""
    assert (
        _times("Europe/Lisbon")("2026-07-01T12:00:00.250Z")
        == "2026-07-01 12:00:00 UTC\n(2026-07-01 13:00:00 Europe/Lisbon)"
    )
    for none in (None, "Nowhere/At all", "../../etc/passwd"):
        assert _times(none)("2026-07-01T12:00:00Z") == "2026-07-01 12:00:00 UTC"


# What was changed shows


def wrong(station: Station, file: Path) -> list[str]:
    return station.prove("check", file, "--json", code=1).objects[0]["wrong"]


def test_one_visible_character_that_was_changed_shows_in_the_page(quiet: Station, hostile: conduct.Kept) -> None:
    file = hostile.files[1]
    page = file.read_bytes()
    where = page.index(b"left out")
    file.write_bytes(page[:where] + b"L" + page[where + 1 :])
    assert wrong(quiet, file) == ["this page is another than the one that was signed: something in it was changed"]


def test_what_was_laid_over_a_pdf_shows(quiet: Station, hostile: conduct.Kept) -> None:
    file = hostile.files[2]
    over = typst.compile(b"#set page(fill: none)\n#place(center)[PROVED]", ignore_system_fonts=True)
    forged = pypdf.PdfWriter(clone_from=io.BytesIO(file.read_bytes()))
    forged.pages[0].merge_page(pypdf.PdfReader(io.BytesIO(over)).pages[0])
    with file.open("wb") as out:
        forged.write(out)
    assert read(file.read_bytes()).record == hostile.record, "the data in it is as it was"
    assert wrong(quiet, file) == ["this pdf is another than the one that was signed: something in it was changed"]


@pytest.mark.parametrize("change", ["name", "one", "swapped", "twice"])
def test_signatures_are_held_against_the_journal(quiet: Station, hostile: conduct.Kept, change: str) -> None:
    record = json.loads(hostile.papers.json)
    first, second = record["signatures"]
    record["signatures"] = {
        "name": [first | {"name": "Somebody else"}, second],
        "one": [first],
        "swapped": [first | {"row": second["row"]}, second],
        "twice": [first, first],
    }[change]
    record["digest"] = records.digest(record)
    file = quiet.folder / "forged.json"
    file.write_text(json.dumps(record))
    assert "the signatures are not those that stand in the journal" in wrong(quiet, file)


def test_a_record_that_its_signatures_do_not_cover_is_told(proved: Path) -> None:
    both_sign(proved)
    house = now(proved)
    conduct.skip(proved, house, "zone 3 tamper", "no contact", by="E.")
    store = Store(proved)
    record = records.make(now(proved), store)
    told = list(records.check(record, store))
    store.close()
    assert "it is not signed by engineer and installer, each to just what it says" in told


def test_files_that_are_no_record_are_told_in_words(quiet: Station, hostile: conduct.Kept) -> None:
    page, pdf = hostile.papers.html, hostile.papers.pdf
    block = page[page.index(b'<script type="application/json"') :]
    empty = pypdf.PdfWriter(clone_from=io.BytesIO(pdf))
    del empty.root_object["/Names"]
    bare = io.BytesIO()
    empty.write(bare)
    for data, told in (
        (b"\x00\xff garbage", "neither JSON nor a page nor a PDF"),
        (b"", "neither JSON nor a page nor a PDF"),
        (b"{half", "no JSON"),
        (b'{"a": 1}', "no record of a proving"),
        (page.replace(block, block + block), "holds 2 records, where one is due"),
        (page[: page.index(block)], "holds no record, where one is due"),
        (bare.getvalue(), "holds no record, where one is due"),
        (pdf[: len(pdf) // 2], "cannot be read|holds no record"),
        (b"%PDF-1.7 and no more", "cannot be read"),
    ):
        with pytest.raises(PaperError, match=told):
            read(data)
    file = quiet.folder / "garbage"
    file.write_bytes(b"\x00\xff garbage")
    assert "neither JSON nor a page nor a PDF" in quiet.prove("check", file, code=2).err


# Broken off


def files_in(folder: Path, made: Papers) -> dict[str, bytes]:
    return {file.suffix[1:]: file.read_bytes() for file in folder.iterdir() if file.suffix[1:] in made._asdict()}


@pytest.mark.parametrize("written", [0, 1, 2, 3, 1.5, 2.5])
def test_what_was_broken_off_is_completed_by_signing_once_more(proved: Path, tmp_path: Path, written: float) -> None:
    """Killed between the row and the last file, or in the middle of one."""
    (tmp_path / "out").mkdir()
    both_sign(proved)
    before = conduct.sign(proved, now(proved), tmp_path / "out", by="E.")
    for place, file in enumerate(before.files):
        if place + 1 > written:
            file.write_bytes(file.read_bytes()[:1000]) if place < written else file.unlink()
    after = conduct.sign(proved, now(proved), tmp_path / "out", by="E.")
    assert (after.row, after.papers, after.files) == (before.row, before.papers, before.files)
    assert files_in(tmp_path / "out", after.papers) == after.papers._asdict()
    assert len(now(proved).signed) == 1


def test_no_row_is_written_where_a_file_has_the_name_already(proved: Path, tmp_path: Path) -> None:
    both_sign(proved)
    (tmp_path / "mine.html").write_text("something else")
    with pytest.raises(ConductError, match="has another record already"):
        conduct.sign(proved, now(proved), tmp_path, by="E.", stem="mine")
    with pytest.raises(ConductError, match="no folder"):
        conduct.sign(proved, now(proved), tmp_path / "nowhere", by="E.")
    assert now(proved).signed == []
    assert (tmp_path / "mine.html").read_text() == "something else"


def test_a_provisional_record_is_history_once_what_was_pending_has_come(proved: Path, tmp_path: Path) -> None:
    both_sign(proved)
    first = conduct.sign(proved, now(proved), tmp_path, by="E.")
    for what in ("wired", "cellular"):
        conduct.tick(proved, now(proved), f"path {what} cut-over", "the desk saw it", by="E.")
    assert records.standing(now(proved)) == {}
    both_sign(proved)
    second = conduct.sign(proved, now(proved), tmp_path, by="E.")
    conduct.skip(proved, now(proved), "panel mains", "no battery in a bench", by="E.")
    both_sign(proved)
    whole = conduct.sign(proved, now(proved), tmp_path, by="E.")
    names = [kept.files[0].name.partition("-p1")[2] for kept in (first, second, whole)]
    assert names == ["-provisional.json", "-provisional-2.json", ".json"]
    store = Store(proved)
    for kept in (first, second, whole):
        assert list(records.check(json.loads(kept.papers.json), store)) == []
        for data in kept.papers[1:]:
            assert list(records.check(*read(data)[:1], store, *read(data)[1:])) == []
    made_again = conduct.record_of(store, now(proved), now(proved).signed[0])
    store.close()
    assert made_again == first.record


# People, through functions that raise


def test_a_proving_is_conducted_without_a_command_line(quiet: Station) -> None:
    from receiver.book import parse
    from receiver.plan import make

    plan, journal = make(parse(HOUSE, "book", Path()).accounts[0]), quiet.journal
    begin: dict[str, Any] = {"lasts": timedelta(hours=1), "reference": "T-1", "confirmed_by": "the desk", "by": "E."}
    with pytest.raises(EmptyError, match="reference is needed"):
        conduct.begin(journal, plan, **begin | {"reference": " "})
    proving = conduct.begin(journal, plan, **begin)
    with pytest.raises(ConductError, match="end it first"):
        conduct.begin(journal, plan, **begin)
    called = {"store floor": "zone 3", "wired": "path wired", "path wired unplugged": "path wired unplugged", "fire": "fire",
              "none": "none", "panel mains": "panel mains"}  # fmt: skip
    for words, about in called.items():
        assert conduct.call(journal, now(journal), words, by="E.") == about
    for words in ("tamper", "zone 77", ""):
        with pytest.raises(ConductError):
            conduct.call(journal, now(journal), words, by="E.")
    with pytest.raises(ConductError, match="not one row that a person ticks"):
        conduct.tick(journal, now(journal), "zone 1 alarm", "trust me", by="E.")
    with pytest.raises(ConductError, match="asks nothing"):
        conduct.answer(journal, now(journal), 1, True, by="E.")
    with pytest.raises(EmptyError, match="reason is needed"):
        conduct.again(journal, now(journal), "zone 1 alarm", "", by="E.")
    conduct.end(journal, now(journal), "the installer comes back", by="E.")
    with pytest.raises(ConductError, match="has ended"):
        conduct.call(journal, now(journal), "none", by="E.")
    store = Store(journal)
    assert conduct.sheet_of(store, proving).ended
    with pytest.raises(ConductError, match="no proving"):
        conduct.sheet_of(store, "another")
    store.close()
    assert Plan.from_json(plan.to_json()) == plan


def test_what_is_done_through_a_running_bench_is_there_when_it_returns(
    station: Station,
    listening: Callable[..., Listening],
) -> None:
    listening("--book", station.book, "--journal", station.journal)
    station.start("--only", "siren")
    journal = station.journal
    conduct.tick(journal, now(journal), "siren", "heard it", by="E.")
    assert now(journal).lines[0].state == "said"
    conduct.again(journal, now(journal), "siren", "not loud enough", by="E.")
    assert now(journal).lines[0].state == "open"
    conduct.tick(journal, now(journal), "siren sounded", "heard it", by="E.")
    for line in now(journal).open:
        conduct.skip(journal, now(journal), line.item.id, "not in this test", by="E.")
    both_sign(journal)
    kept = conduct.sign(journal, now(journal), None, by="E.")
    assert now(journal).signed[-1]["row"] == kept.row
    assert kept.files == []


# What a record must not be


def test_a_record_in_which_rows_were_left_out_or_things_went_wrong_does_not_say_that_all_was_seen(
    quiet: Station,
) -> None:
    def leave_out(house: House) -> None:
        prove_all(house)
        house.says("skip", about="zone 1 alarm", reason="no ladder").wait(1)
        house.send("1131 01 007")
        house.says("skip", about=house.sheet().findings[-1].id, reason="the neighbour's").wait(1)

    fill(quiet, leave_out)
    both_sign(quiet.journal)
    made = conduct.sign(quiet.journal, now(quiet.journal), None, by="the engineer").papers
    said = text_of(made.pdf)
    assert "1 left out, with the reasons below; 1 went wrong and was settled" in " ".join(said.split())
    assert "everything that was asked for was seen" not in said


def test_where_nothing_at_all_was_seen_nobody_signs(quiet: Station) -> None:
    def skip_all(house: House) -> None:
        for item in house.plan.items:
            house.says("skip", about=item.id, reason="no time")

    fill(quiet, skip_all)
    with pytest.raises(ConductError, match="nothing at all was seen"):
        conduct.agree(quiet.journal, now(quiet.journal), "engineer", "E. Example", "known", by="E. Example")


def test_a_json_file_with_more_in_it_than_its_record_is_found(proved: Path, tmp_path: Path) -> None:
    """A reader of JSON takes the last of two keys; a browser that is given the file shows whatever markup stands in it."""
    both_sign(proved)
    data = conduct.sign(proved, now(proved), None, by="the engineer").papers.json
    store = Store(proved)
    for forged in (
        data.replace(b"{", b'{"caution": "<h1>Proved by A. Manager</h1>",', 1),
        data.replace(b'"signatures"', b'"signatures": [], "signatures"', 1),
        data + b" ",
        b" " + data,
    ):
        found = read(forged)
        assert list(records.check(found.record, store, found.form, found.mark)) == [
            "this file is not just its record as it was written: something was put into it"
        ]
    found = read(data)
    assert list(records.check(found.record, store, found.form, found.mark)) == []
    store.close()


def test_two_who_sign_at_once_make_one_record(proved: Path, tmp_path: Path) -> None:
    both_sign(proved)
    sheet = now(proved)
    with ThreadPoolExecutor(4) as pool:
        kept = list(pool.map(lambda _: conduct.sign(proved, sheet, tmp_path, by="the engineer", stem="r"), range(4)))
    assert len({one.row for one in kept}) == 1
    for form, data in kept[0].papers._asdict().items():
        assert (tmp_path / f"r.{form}").read_bytes() == data


def test_two_who_begin_at_once_begin_one_proving(quiet: Station) -> None:
    plan = make(books.parse(HOUSE, "book", Path()).accounts[0])
    Store(quiet.journal, write=True).close()

    def begin(_: int) -> str:
        try:
            whole = {"reference": "T-1", "confirmed_by": "the desk", "by": "E. Example"}
            return conduct.begin(quiet.journal, plan, lasts=timedelta(hours=1), **whole)
        except ConductError as error:
            return str(error)

    with ThreadPoolExecutor(4) as pool:
        said = list(pool.map(begin, range(4)))
    assert sum("runs since" in one for one in said) == 3


def test_what_comes_from_this_machine_makes_it_a_rehearsal_although_it_proves_nothing() -> None:
    house = House(POLLS)
    house.host = "127.0.0.1"
    house.begin().send("1131 02 001")
    assert house.sheet().rehearsed
