"""A proving in the console: what its pages let people do, what an installer's page shows, and what nobody can sign."""

# ruff: noqa: F811  (three fixtures are other files')

import re
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from conftest import Listening
from test_prove import Station, fill, quiet, station  # noqa: F401
from test_proving import House, prove_all
from test_record import now, proved  # noqa: F401

from receiver import conduct, wishes
from receiver.record import substance
from tests.visitors import NAME, Visitor, visiting, words


@pytest.fixture
def visitor(proved: Path) -> Iterator[Callable[[], Visitor]]:
    with visiting(proved) as make:
        yield make


def hidden(html: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', html)
    assert found
    return found[1]


class OnSite(Visitor):
    """The installer's phone."""

    def come(self, token: str, pin: str) -> "OnSite":
        self.url = f"/site/{token}"
        self.page = self.client.post(self.url, data={"pin": pin}).text
        self.csrf = hidden(self.page, "csrf")
        return self


def on_site(engineer: Visitor, proving: str) -> OnSite:
    token, pin = engineer.house.door.invite(proving, "I. Nobody")
    return OnSite(engineer.app).come(token, pin)


def test_both_sign_what_they_see_and_the_record_is_there(visitor: Callable[[], Visitor], proved: Path) -> None:
    engineer, proving = visitor().enter(), now(proved).proving
    phone = on_site(engineer, proving)
    assert "The station signs next" in phone.told(
        f"{phone.url}/sign", name="I. Nobody", seen=hidden(phone.page, "seen")
    )
    page = engineer.get(f"/provings/{proving}").text
    told = engineer.told(f"/provings/{proving}/sign", role="engineer", seen=hidden(page, "seen"))
    assert f"Engineer: {NAME}, known by one-time link on the bench's own machine" in told
    assert "Installer: I. Nobody, known by link of this proving and spoken PIN" in told
    assert sorted(file.suffix for file in (proved.parent / "records").iterdir()) == [".html", ".json", ".pdf"]
    for file in (proved.parent / "records").iterdir():
        answer = engineer.get(f"/provings/{proving}/papers/{file.name}")
        assert answer.content == file.read_bytes()
        assert answer.headers["content-disposition"].startswith("attachment")
    assert engineer.get(f"/provings/{proving}/papers/..%2F{proved.name}").status_code == 404


def test_nobody_signs_what_their_page_did_not_show(visitor: Callable[[], Visitor], proved: Path) -> None:
    """Between the page and the tap something came: the signature would be to what nobody has looked at."""
    engineer, proving = visitor().enter(), now(proved).proving
    phone = on_site(engineer, proving)
    before = hidden(phone.page, "seen")
    conduct.skip(proved, now(proved), "zone 1 tamper", "no contact", by="another engineer")
    assert substance(now(proved)) != before
    for send, url in ((phone, f"{phone.url}/sign"), (engineer, f"/provings/{proving}/sign")):
        answer = send.post(url, name="I. Nobody", identified="by voice", role="installer", seen=before)
        assert answer.status_code == 409
        assert "something has come since this page was shown" in words(answer.text)
    assert now(proved).agreed == []


def test_an_engineer_signs_as_nobody_else(visitor: Callable[[], Visitor], proved: Path) -> None:
    engineer, proving = visitor().enter(), now(proved).proving
    seen = hidden(engineer.get(f"/provings/{proving}").text, "seen")
    engineer.post(f"/provings/{proving}/sign", role="engineer", name="Somebody Else", identified="an oath", seen=seen)
    (signed,) = now(proved).agreed
    assert (signed["name"], signed["identified"]) == (NAME, "one-time link on the bench's own machine")


def test_what_is_refused_is_said_on_both_sides(visitor: Callable[[], Visitor], proved: Path) -> None:
    engineer, proving = visitor().enter(), now(proved).proving
    phone = on_site(engineer, proving)
    for side, url in ((engineer, f"/provings/{proving}/do"), (phone, f"{phone.url}/do")):
        for fields, due in (
            ({"word": "again", "about": "zone 1 alarm", "text": " "}, "reason is needed"),
            ({"word": "call", "about": "the moon"}, "no row of the plan"),
            ({"word": "answer", "about": "1", "text": "yes"}, "asks nothing"),
            ({"word": "tick", "about": "zone 1 alarm", "text": "me"}, "not one row that a person ticks"),
        ):
            answer = side.post(url, **fields)
            assert answer.status_code == 409, fields
            assert due in words(answer.text)
    assert engineer.post(f"/provings/{proving}/do", word="call", about="zone 1", text="w" * 1001).status_code == 422
    assert phone.post(f"{phone.url}/do", word="end", text="enough").status_code == 422
    assert phone.post(f"{phone.url}/do", csrf="guessed", word="call", about="zone 1").status_code == 403


@pytest.mark.parametrize("about", ["path wired cut-over", "PATH wired cut-over", "wired live receiver", "cut-over"])
@pytest.mark.parametrize("word", ["tick", "skip", "again"])
def test_what_comes_later_or_at_the_live_receiver_is_not_for_the_installer_to_say(
    visitor: Callable[[], Visitor], proved: Path, word: str, about: str
) -> None:
    phone = on_site(visitor(), now(proved).proving)
    assert phone.post(f"{phone.url}/do", word=word, about=about, text="me").status_code == 409
    assert "the installer" not in str([line.why for line in now(proved).lines])


def test_what_went_wrong_is_settled_by_the_station_and_stays_in_view_until_both_have_signed(quiet: Station) -> None:
    def wrongly(house: House) -> None:
        prove_all(house)
        house.send("1131 02 001")

    fill(quiet, wrongly)
    with visiting(quiet.journal) as make:
        _settled_in_view(make().enter(), quiet.journal)


def _settled_in_view(engineer: Visitor, journal: Path) -> None:
    proving = now(journal).proving
    phone = on_site(engineer, proving)
    (finding,) = now(journal).standing
    assert phone.post(f"{phone.url}/do", word="skip", about=finding.id, text="never mind").status_code == 409
    assert now(journal).standing
    engineer.post(f"/provings/{proving}/do", word="skip", about=finding.id, text="a slip of the hand, seen again")
    for page in (engineer.read(f"/provings/{proving}"), phone.read(phone.url)):
        assert finding.text in page
        assert "Settled: a slip of the hand" in page
        assert "Everything has been seen" not in page


def test_papers_that_are_lost_are_made_again_as_they_were(visitor: Callable[[], Visitor], proved: Path) -> None:
    engineer, proving = visitor().enter(), now(proved).proving
    for role in ("engineer", "installer"):
        seen = hidden(engineer.get(f"/provings/{proving}").text, "seen")
        engineer.post(f"/provings/{proving}/sign", role=role, name="I. Nobody", identified="by voice", seen=seen)
    files = {file: file.read_bytes() for file in (proved.parent / "records").iterdir()}
    assert len(files) == 3
    assert "Make them again" not in engineer.read(f"/provings/{proving}")
    for file, data in zip(files, (b"", None, b"%PDF"), strict=True):  # broken off at once, before and within
        file.unlink() if data is None else file.write_bytes(files[file][: len(data)])
    assert "Make them again" in engineer.read(f"/provings/{proving}")
    engineer.post(f"/provings/{proving}/papers")
    assert {file: file.read_bytes() for file in (proved.parent / "records").iterdir()} == files


def test_whoever_enters_a_signature_for_another_is_named_with_it(visitor: Callable[[], Visitor], proved: Path) -> None:
    engineer, proving = visitor().enter(), now(proved).proving
    seen = hidden(engineer.get(f"/provings/{proving}").text, "seen")
    known = "link of this proving and spoken PIN"
    page = engineer.told(f"/provings/{proving}/sign", role="installer", name="I. Nobody", identified=known, seen=seen)
    assert f"{known} (entered by {NAME})" in page


def test_where_no_bench_runs_both_are_told_and_nobody_is_asked_to_trip_anything(
    quiet: Station, listening: Callable[..., Listening]
) -> None:
    bench = listening("--book", quiet.book, "--journal", quiet.journal)
    quiet.start("--installer", "I. Nobody")
    with visiting(quiet.journal, book=quiet.book) as make:
        engineer, proving = make().enter(), now(quiet.journal).proving
        phone = on_site(engineer, proving)
        assert "No bench writes this journal" not in engineer.read(f"/provings/{proving}")
        assert 'aria-label="Now: Tower door"' in phone.get(phone.url).text
        bench.end(signal.SIGKILL)
        assert "No bench writes this journal now" in engineer.read(f"/provings/{proving}")
        assert "Trip nothing; call the station" in phone.read(phone.url)
        assert 'aria-label="Now:' not in phone.get(phone.url).text


def test_both_signed_and_no_folder_for_the_record_can_be_made_good(
    visitor: Callable[[], Visitor], proved: Path
) -> None:
    engineer, proving = visitor().enter(), now(proved).proving
    (proved.parent / "records").write_text("in the way")
    seen = hidden(engineer.get(f"/provings/{proving}").text, "seen")
    fields = {"name": "I. Nobody", "identified": "by voice", "seen": seen}
    assert "records cannot be made" in engineer.told(f"/provings/{proving}/sign", role="engineer", **fields)
    assert now(proved).agreed == []
    for role in ("engineer", "installer"):  # from the command line, say, broken off before the record
        conduct.agree(proved, now(proved), role, role, "known", by=NAME)
    (proved.parent / "records").unlink()
    assert "Make the record" in engineer.read(f"/provings/{proving}")
    engineer.post(f"/provings/{proving}/papers")
    assert len(list((proved.parent / "records").iterdir())) == 3
    assert "Make the record" not in engineer.read(f"/provings/{proving}")


def test_a_paper_is_given_out_only_as_one_of_its_own_proving(visitor: Callable[[], Visitor], proved: Path) -> None:
    engineer, proving = visitor().enter(), now(proved).proving
    (proved.parent / "records").mkdir()
    for name in ("8C20-other.json", f"2210-{proving}.txt", f"2210-{proving}.json"):
        (proved.parent / "records" / name).write_text("{}")
    assert engineer.get(f"/provings/{proving}/papers/2210-{proving}.json").status_code == 200
    for name in ("8C20-other.json", f"2210-{proving}.txt"):
        assert engineer.get(f"/provings/{proving}/papers/{name}").status_code == 404


def test_the_link_is_no_use_without_its_pin_for_another_proving_or_once_it_is_over(
    visitor: Callable[[], Visitor], proved: Path
) -> None:
    engineer, proving = visitor().enter(), now(proved).proving
    phone = on_site(engineer, proving)
    assert "Tower door" in phone.read(phone.url)
    stranger = Visitor(engineer.app)
    for url in (phone.url, f"{phone.url}/stream", "/site/made-up"):
        answer = stranger.client.get(url, follow_redirects=False)
        assert "Tower door" not in answer.text
        assert "Gull Rock" not in answer.text
    other = on_site(engineer, proving)  # a new link: the first is dead
    assert phone.get(phone.url).status_code == 410
    conduct.end(proved, now(proved), "they come back", by=NAME)
    answer = other.get(other.url)
    assert answer.status_code == 410
    assert "Tower door" not in answer.text
    assert "this proving is over" in words(answer.text)


def test_a_proving_is_begun_with_who_knows_of_it_and_what_was_typed_is_kept(quiet: Station) -> None:
    with visiting(quiet.journal, book=quiet.book) as make:
        engineer = make().enter()
        plan = engineer.read("/provings/new?account=2210")
        assert "open Tower door" in plan
        answer = engineer.post(
            "/provings", account="2210", reference=" ", confirmed_by="the desk", installer="I. Nobody"
        )
        assert answer.status_code == 409
        assert "reference is needed" in words(answer.text)
        assert 'value="I. Nobody"' in answer.text
        fill(quiet, lambda house: house)
        answer = engineer.post("/provings", account="2210", reference="T-1", confirmed_by="the desk")
        assert "a proving of 2210 runs since" in words(answer.text)
        assert engineer.get("/provings/new?account=9999").status_code == 404
        assert engineer.get("/provings/0000").status_code == 404


def test_a_bench_that_takes_nothing_is_told(
    visitor: Callable[[], Visitor], proved: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    engineer, proving = visitor().enter(), now(proved).proving

    def refuse(*_: object, **__: object) -> int:
        raise wishes.NotTakenError("the bench has not taken it")

    monkeypatch.setattr(wishes, "note", refuse)
    answer = engineer.post(f"/provings/{proving}/do", word="call", about="zone 1")
    assert answer.status_code == 409
    assert "the bench has not taken it" in words(answer.text)
