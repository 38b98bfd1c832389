"""`farend prove` from outside: from plan to signed record, against a real bench, and every mistake made on purpose."""

import asyncio
import json
import os
import pty
import select
import sqlite3
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from conftest import HOST, SECONDS, Bench, Farend, Listening, clean_environment, command
from test_proving import HOUSE, House, prove_all
from test_proving import POLLS as POLLS_BOOK

from protocols.dc09 import build
from protocols.exchange import answer
from protocols.seal import Key
from receiver import capture as captures
from receiver.book import parse
from receiver.capture import Happening
from receiver.cutover import alarm_and_restoral
from receiver.plan import Plan, PlanError, accepted, changed, make, parse_kinds, shipped_kinds
from receiver.sheet import Sheet
from tools.common import OUT
from tools.counter import next_sequence
from tools.sheet import call_screen

QUICK = POLLS_BOOK.replace("poll_seconds = 60", "poll_seconds = 1\ntolerance_seconds = 60")
KNOWN = ("--engineer", "E. Example", "--engineer-known-by", "logged in", "--installer", "I. Example")
SIGNED = (*KNOWN, "--installer-known-by", "voice, number on file")
START = ("--reference", "T-118", "--confirmed-by", "the desk", "--for", "1h")


class Station:
    """A station with a bench, its journal and its book, and what the engineer enters."""

    def __init__(self, farend: Farend, folder: Path, book: str = HOUSE) -> None:
        self.farend, self.folder = farend, folder
        self.book, self.journal = folder / "house.toml", folder / "station.journal"
        self.book.write_text(book)

    def prove(self, word: str, *more: object, code: int | None = 0) -> Any:
        done = self.farend("prove", word, *more, "--journal", self.journal)
        assert code is None or done.code == code, (done.out.decode(), done.err)
        return done

    def start(self, *more: object) -> None:
        self.prove("start", "2210", "--book", self.book, *START, *more)

    def sheet(self) -> dict[str, Any]:
        return json.loads(self.prove("judge", "2210", "--json", code=None).out)

    def state(self, item: str) -> str:
        return next(line["state"] for line in self.sheet()["sheet"] if line["item"] == item)


@pytest.fixture
def station(inside: Farend, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Station:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr(OUT, "_width", 160)  # whatever the tests are run in
    return Station(inside, tmp_path)


@pytest.fixture
def bench(station: Station, listening: Callable[..., Listening]) -> Listening:
    return listening("--book", station.book, "--journal", station.journal)


@pytest.fixture
def quiet(station: Station) -> Station:
    """A journal that no bench writes: what people say is written straight into it."""
    from receiver.journal import Store

    Store(station.journal, write=True).close()
    return station


# The whole way


def test_from_plan_to_signed_record_that_agrees_with_the_journal(
    station: Station, listening: Callable[..., Listening], tmp_path: Path
) -> None:
    station.book.write_text(QUICK)
    bench = listening("--book", station.book, "--journal", station.journal)
    station.start("--installer", "I. Example")
    refused = station.prove("sign", "2210", *SIGNED, code=1)
    assert "zone 1 Tower door: alarm: not seen yet" in refused.out.decode()
    station.prove("rehearse", "gull", bench.at(), "--book", station.book)
    station.prove("tick", "2210", "siren", "--saw", "heard it from the yard")
    sheet = station.sheet()
    assert sheet["findings"] == []
    assert (sheet["verdict"], sheet["rehearsed"]) == ("provisional", True)
    station.prove("sign", "2210", *SIGNED, "--out", tmp_path / "first.json")
    for what in ("wired cut-over", "cellular cut-over"):
        station.prove("tick", "2210", *what.split(), "--saw", "the desk, rows 4 and 5 there")
    station.prove("rehearse", "2210", bench.at(), "--book", station.book, "--only", "mains", "--no-call")
    station.prove("sign", "2210", *SIGNED, "--out", tmp_path / "whole.json")
    for file, provisional in (("first.json", True), ("whole.json", False)):
        record = json.loads((tmp_path / file).read_text())
        assert record["provisional"] is provisional
        assert "not a listed or approved receiver" in record["caution"]
        assert station.prove("check", tmp_path / file, "--json").objects[0]["wrong"] == []
    (listed,) = station.prove("list", "--json").objects
    assert (listed["state"], listed["left"], listed["wrong"]) == ("signed", 0, 0)


def test_a_record_that_was_changed_and_a_journal_that_was_changed_are_told(quiet: Station, tmp_path: Path) -> None:
    signed = tmp_path / "record.json"
    fill(quiet, prove_all)
    quiet.prove("sign", "2210", *SIGNED, "--out", signed)
    assert quiet.prove("check", signed, "--json").objects[0]["wrong"] == []
    record = json.loads(signed.read_text())
    line = next(line for line in record["judgement"]["sheet"] if line["item"] == "panel mains")
    line["state"] = "called"
    forged = tmp_path / "forged.json"
    forged.write_text(json.dumps(record))
    wrong = quiet.prove("check", forged, "--json", code=1).objects[0]["wrong"]
    assert any("digest" in one for one in wrong)
    assert any("the record says state called, the journal pending" in one for one in wrong)
    row = line_rows(record, "zone 1 alarm")[0]
    with sqlite3.connect(quiet.journal) as changed_file:
        changed_file.execute(
            "UPDATE entry SET text = replace(text, 'Tower door', 'Other door') WHERE number = ?", (row,)
        )
    wrong = quiet.prove("check", signed, "--json", code=1).objects[0]["wrong"]
    assert any(one.startswith("the journal itself") for one in wrong)


def test_a_record_does_not_agree_with_another_journal(quiet: Station, tmp_path: Path) -> None:
    fill(quiet, prove_all)
    quiet.prove("sign", "2210", *SIGNED, "--out", tmp_path / "record.json")
    (tmp_path / "other").mkdir()
    other = Station(quiet.farend, tmp_path / "other")
    fill(other, lambda house: house.trips(1))
    wrong = other.prove("check", tmp_path / "record.json", "--json", code=1).objects[0]["wrong"]
    assert any("is another than the one that was signed" in one for one in wrong)
    assert any("no row that says that this record was signed" in one for one in wrong)


def prove_whole(house: House) -> None:
    """What comes later, too."""
    prove_all(house)
    house.send("1301 00 000")
    house.wait(60).send("3301 00 000")
    for path in ("wired", "cellular"):
        house.says("tick", about=f"path {path} cut-over", saw="the desk saw it")


def line_rows(record: dict[str, Any], item: str) -> list[int]:
    return next(line["rows"] for line in record["judgement"]["sheet"] if line["item"] == item)


def fill(station: Station, speak: Callable[[House], Any]) -> House:
    """Write a house's rows into the journal, as if its test had begun ten minutes ago."""
    from receiver.journal import Row, Store, whose

    house = House()
    house.now = datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=20)
    house.begin(minutes=120)
    house.rows[1]["plan"] = house.plan.to_json()
    speak(house)
    store = Store(station.journal, write=True)
    rows = [Row(row["row"], row["at"], whose(row), row.get("verdict"), json.dumps(row).encode()) for row in house.rows]
    store.append(rows)
    store.close()
    return house


# Every mistake, made on purpose

MISTAKES = (
    ("zone 1", "1", "1131 02 001", "wrong-area"),
    ("zone 3", "1", "1130 02 003", "wrong-kind"),
    ("zone 1", "1", "1131 01 007", "not-listed"),
    ("zone 1", "1", "1131 01 004", "other-device"),
    ("zone 4", "1", "1131 01 001", "swapped"),
    ("path wired", "2", "1602 00 000", "wrong-path"),
    ("none", "1", "1199 01 001", "unknown-code"),
)


def test_each_mistake_made_with_farend_send_is_named_rightly(station: Station, bench: Listening) -> None:
    station.start()
    for called, prefix, message, rule in MISTAKES:
        station.prove("call", "2210", *called.split())
        before = {finding["id"] for finding in station.sheet()["findings"]}
        sent = station.farend("send", bench.at(), "--account", "2210", "--prefix", prefix, "--contact-id", message)
        assert sent.code == 0, sent.err
        new = [finding for finding in station.sheet()["findings"] if finding["id"] not in before]
        assert [finding["rule"] for finding in new] == [rule], message


def test_what_is_asked_about_is_answered(station: Station, bench: Listening) -> None:
    station.start()
    station.farend("send", bench.at(), "--account", "2210", "--prefix", "1", "--contact-id", "1110 01 002")
    (question,) = station.sheet()["questions"]
    assert station.state("zone 2 alarm") == "open"
    assert "asks nothing" in station.prove("answer", "2210", question["row"] + 1, "yes", code=1).err
    station.prove("answer", "2210", question["row"], "maybe", code=2)
    station.prove("answer", "2210", question["row"], "yes")
    assert (station.state("zone 2 alarm"), station.sheet()["questions"]) == ("half", [])


# Entering things


def test_a_call_says_what_the_installer_is_asked(quiet: Station) -> None:
    quiet.start()
    said = quiet.prove("call", "gull", "store", "floor").out.decode()
    assert said.startswith("zone 3 Store floor: “A detector with several pairs of contacts may wait")
    assert "wet the contacts of Store floor" in said
    several = quiet.prove("call", "2210", "tamper", code=1).err
    assert "may mean several things" in several
    assert "no row of the plan" in quiet.prove("call", "2210", "zone", "77", code=1).err


def test_what_a_signal_must_prove_cannot_be_ticked(quiet: Station) -> None:
    quiet.start()
    refused = quiet.prove("tick", "2210", "zone 1", "--saw", "trust me", code=1).err
    assert "is not one row that a person ticks" in refused
    assert "--saw is needed" in quiet.prove("tick", "2210", "siren", code=2).err


def test_a_skip_needs_a_reason_and_asking_again_undoes_a_proof(quiet: Station) -> None:
    fill(quiet, lambda house: house.trips(1))
    quiet.prove("skip", "2210", "zone 3 alarm", "--reason", " ", code=2)
    quiet.prove("skip", "2210", "zone 3", "alarm", "--reason", "not fitted yet")
    assert quiet.state("zone 3 alarm") == "skipped"
    quiet.prove("again", "2210", "zone 1 alarm", "--reason", "the contact was moved")
    assert quiet.state("zone 1 alarm") == "open"


def test_a_finding_is_settled_by_its_name(quiet: Station) -> None:
    fill(quiet, lambda house: house.send("1131 01 007"))
    (finding,) = quiet.sheet()["findings"]
    quiet.prove("skip", "2210", finding["id"], "--reason", "zone 7 is the neighbour's, taken out of the panel")
    assert "taken out" in quiet.sheet()["findings"][0]["settled"]


def test_one_proving_of_an_account_runs_at_a_time(quiet: Station) -> None:
    quiet.start()
    refused = quiet.prove("start", "2210", "--book", quiet.book, *START, code=1)
    assert "end it first" in refused.err
    quiet.prove("end", "2210", "--reason", "the installer comes back tomorrow")
    quiet.start()


def test_a_test_without_the_stations_reference_is_refused(quiet: Station) -> None:
    quiet.prove("start", "2210", "--book", quiet.book, "--reference", "", "--confirmed-by", "x", code=2)
    quiet.prove("start", "2210", "--book", quiet.book, "--reference", "T-1", "--confirmed-by", " ", code=2)


def test_an_account_is_found_by_part_of_its_number_or_name(quiet: Station) -> None:
    quiet.start()
    for words in ("2210", "221", "gull", "ROCK"):
        assert "Gull Rock light" in quiet.prove("judge", words, code=1).out.decode()
    assert "no proving of this journal fits" in quiet.prove("judge", "nobody", code=1).err


# Plans


def test_a_plan_can_be_written_edited_and_started(quiet: Station, tmp_path: Path) -> None:
    quiet.farend("prove", "plan", "2210", "--book", quiet.book, "--out", "gull.plan")
    text = (tmp_path / "gull.plan").read_text()
    where = text.index('id = "zone 1 tamper"')
    edited = text[:where] + text[where:].replace('need = "optional"', 'need = "required"', 1)
    (tmp_path / "gull.plan").write_text(edited)
    quiet.start("--plan", "gull.plan")
    assert quiet.state("zone 1 tamper") == "open"
    assert quiet.state("zone 3 tamper") == "optional"


def test_rows_are_made_required_optional_or_pending_from_the_command_line(quiet: Station) -> None:
    quiet.start("--required", "zone 1 tamper", "--pending", "zone 1 supervision", "--owner", "R.", "--due", "48h",
                "--optional", "panel tamper")  # fmt: skip
    states = {line["item"]: line["state"] for line in quiet.sheet()["sheet"]}
    assert [states[one] for one in ("zone 1 tamper", "zone 1 supervision", "panel tamper")] == [
        "open",
        "pending",
        "optional",
    ]


def test_a_station_adds_its_own_kinds(quiet: Station, tmp_path: Path) -> None:
    kinds = tmp_path / "kinds.toml"
    kinds.write_text("""
[kind."cash box"]
hazard = "burglary"
words = ["till"]
[kind."cash box".lifted]
what = "lifted"
codes = "146 BA"
do = "lift {name}"
""")
    quiet.book.write_text(HOUSE.replace('device = "window"', 'device = "till"'))
    rows = quiet.farend("prove", "plan", "2210", "--book", quiet.book, "--kinds", kinds, "--json").objects
    (row,) = [row for row in rows if row["subject"] == "zone 4"]
    assert (row["id"], row["codes"], row["do"]) == ("zone 4 lifted", "146 BA", "lift Stair window")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[kind.x]\nhazard = 'noise'\n", "'noise' is none of"),
        ("[kind.x]\nhazard = 'fire'\n[kind.x.alarm]\nwhat = 'a'\ndo = 'b'\ncodes = '199'\n", "no code table has '199'"),
        ("[kind.x]\nhazard = 'fire'\nwithout = ['wheels']\n", "without 'wheels'"),
        ("[extra]\n", "[extra] is none of"),
        ("[kind", "kinds.toml:"),
    ],
)
def test_a_mistake_in_a_kinds_file_is_named(text: str, told: str) -> None:
    with pytest.raises(PlanError, match=r"kinds\.toml") as caught:
        parse_kinds(text, "kinds.toml", shipped_kinds())
    assert told in str(caught.value)


def test_every_shipped_kind_has_acceptable_codes_in_both_sets() -> None:
    kinds = shipped_kinds()
    asked = "door,motion indoors,motion outdoors,verification media,glass break,water,smoke,heat,combustible gas"
    asked += ",carbon monoxide,temperature,air quality,panic button,keypad,siren"
    assert set(asked.split(",")) <= set(kinds.kind)
    reports = [report for kind in kinds.kind.values() for report in kind.reports.values()]
    reports += [*kinds.panel.values(), *kinds.user.values(), *kinds.path.values()]
    for report in reports:
        sets = {code.code_set for code in accepted(report.codes)[0]}
        assert sets == ({"contact-id", "sia"} if report.proof != "said" else set()), report.what


def test_a_plan_keeps_everything_but_the_key() -> None:
    keyed = parse(HOUSE.replace('light"', 'light"\nkey = "hex:00112233445566778899AABBCCDDEEFF"'), "book", Path())
    plan = make(keyed.accounts[0])
    told = json.dumps(plan.to_json())
    assert "00112233" not in told
    assert plan.encrypted
    assert Plan.from_json(json.loads(told)) == plan


def test_only_what_changed_is_proved_again() -> None:
    before = parse(HOUSE, "book", Path()).accounts[0]
    after = HOUSE.replace('number = "3"\n  area = "2"', 'number = "3"\n  area = "1"').replace(
        "  [[account.user]]",
        '  [[account.zone]]\n  number = "9"\n  name = "Coal cellar"\n  device = "gas"\n  [[account.user]]',
        1,
    )
    plan, said = changed(make(parse(after, "book", Path()).accounts[0]), before, False)
    assert {item.subject for item in plan.items} == {"zone 3", "zone 9"}
    assert said == ["zone 3 has changed", "zone 9 is new"]
    assert changed(make(before), before, False)[1] == []


def test_a_changed_account_is_started_from_its_last_record(quiet: Station, tmp_path: Path) -> None:
    fill(quiet, prove_whole)
    quiet.prove("sign", "2210", *SIGNED, "--out", "old.json")
    same = quiet.farend("prove", "plan", "2210", "--book", quiet.book, "--since", "old.json")
    assert (same.code, "nothing in the book has changed" in same.err) == (1, True)
    quiet.book.write_text(HOUSE.replace('device = "water"', 'device = "gas"'))
    rows = quiet.farend("prove", "plan", "2210", "--book", quiet.book, "--since", "old.json", "--json").objects
    assert {row["subject"] for row in rows} == {"zone 3"}


# The screen


def drawn(sheet: Sheet, width: int, height: int) -> list[str]:
    from rich.console import Console

    console = Console(width=width, height=height, color_system=None)
    with console.capture() as captured:
        console.print(call_screen(sheet, width, height, "", ""))
    return captured.get().splitlines()


def test_tuesdays_call_fits_one_screen() -> None:
    house = House().begin()
    for zone in (1, 3, 4, 1, 3, 4):
        house.trips(zone)
    house.call("zone 2").send("1131 02 004")
    for width, height in ((100, 30), (80, 24)):
        lines = drawn(house.sheet(), width, height)
        text = "\n".join(lines)
        assert len(lines) <= height, text
        for told in (
            "2210 Gull Rock light",
            "of test left",
            "what remains (10)",
            "003 Store floor: Water leak",
            "“Zone 2 Lamp room smoke detector was",
            "w16",
        ):
            assert told in text
        assert sum("12:0" in line for line in lines) >= 4, "signals with their times"


def test_the_watch_shows_once_where_there_is_no_terminal(quiet: Station) -> None:
    fill(quiet, lambda house: house.trips(1))
    shown = quiet.prove("watch", "gull", "--once").out.decode()
    assert "Perimeter burglary alarm" in shown
    assert "bring test smoke to Lamp room smoke detector" in shown
    (told,) = quiet.prove("watch", "gull", "--once", "--json").objects
    assert told["account"] == "2210"


def test_what_the_installer_says_is_typed_below_the_screen(quiet: Station, tmp_path: Path) -> None:
    fill(quiet, lambda house: house.trips(1))
    environment = clean_environment({"TERM": "xterm", "COLUMNS": "120", "LINES": "40"})
    process, terminal = pty.fork()
    if process == 0:
        os.chdir(tmp_path)
        os.execvpe(sys.executable, command("prove", "watch", "2210", "--journal", quiet.journal), environment)
    came = b""

    def until(what: bytes) -> None:
        nonlocal came
        deadline = time.monotonic() + 3 * SECONDS
        while what not in came:
            assert time.monotonic() < deadline, came[-3000:].decode(errors="replace")
            if select.select([terminal], [], [], 0.1)[0]:
                came += os.read(terminal, 65536)

    try:
        until(b"what remains")
        os.write(terminal, b"call store floor\r")
        until(b"I am waiting for zone 3")
        os.write(terminal, b"skip zone 4 alarm\r")
        until(b"Missing option '--reason'")
        os.write(terminal, b"quit\r")
        ended, status = os.waitpid(process, 0)
        assert (ended, os.waitstatus_to_exitcode(status)) == (process, 0)
    finally:
        os.close(terminal)
    assert quiet.sheet()["sheet"]
    assert [line["calls"] for line in quiet.sheet()["sheet"] if line["item"] == "zone 3 alarm"] == [1]


# The cut-over


def live_capture(folder: Path, *messages: tuple[str, str, bool], key: Key | None = None) -> Path:
    """A capture of the live receiver's traffic: each message over a prefix, and whether it was acknowledged."""
    now = datetime.now(UTC) + timedelta(seconds=1)
    happenings = [Happening(now, "tcp-1", "open", line="tcp", peer="192.0.2.1:40000")]
    for number, (prefix, message, acknowledged) in enumerate(messages, 1):
        frame = build("ADM-CID", number, "2210", message, prefix=prefix, stamp=now, key=key)
        happenings.append(Happening(now, "tcp-1", "panel", frame))
        if acknowledged:
            from protocols.dc09 import decode

            happenings.append(Happening(now, "tcp-1", "receiver", answer("ACK", decode(frame, key), now, key)))
    file = folder / "live.capture"
    captures.write(file, happenings, "the live receiver", now)
    return file


def test_a_cut_over_is_ticked_by_a_capture_of_the_live_receivers_traffic(quiet: Station, tmp_path: Path) -> None:
    quiet.start()
    file = live_capture(tmp_path, ("1", "1131 01 001", True), ("1", "3131 01 001", True))
    quiet.prove("tick", "2210", "wired cut-over", "--capture", file)
    assert quiet.state("path wired cut-over") == "seen live"
    line = next(line for line in quiet.sheet()["sheet"] if line["item"] == "path wired cut-over")
    assert "SHA-256" in line["why"]
    refused = quiet.prove("tick", "2210", "cellular cut-over", "--capture", file, code=1).err
    assert "no alarm of 2210 over cellular" in refused


@pytest.mark.parametrize(
    ("messages", "shown"),
    [
        ((("1", "1131 01 001", True), ("1", "3131 01 001", True)), True),
        ((("1", "1131 01 001", False), ("1", "3131 01 001", True)), False),
        ((("1", "1131 01 001", True), ("1", "3131 01 002", True)), False),
        ((("1", "3131 01 001", True), ("1", "1131 01 001", True)), False),
        ((("1", "1131 01 001", True), ("2", "3131 01 001", True)), False),
    ],
    ids=["both", "unanswered", "another zone", "the wrong way round", "another path"],
)
@pytest.mark.parametrize("keyed", [False, True], ids=["clear", "sealed"])
def test_an_alarm_and_its_restoral_both_acknowledged(
    messages: tuple[tuple[str, str, bool], ...], shown: bool, keyed: bool, tmp_path: Path
) -> None:
    text = HOUSE.replace('light"', 'light"\nkey = "hex:00112233445566778899AABBCCDDEEFF"') if keyed else HOUSE
    account = parse(text, "book", Path()).accounts[0]
    happenings, _ = captures.read(live_capture(tmp_path, *messages, key=account.key))
    since = datetime.now(UTC) - timedelta(minutes=1)
    assert (alarm_and_restoral(happenings, account, "wired", since) is not None) is shown


# What a person says reaches the journal, with a bench and without


def test_a_note_goes_through_the_bench_that_writes_the_journal(station: Station, bench: Listening) -> None:
    station.start()
    events = station.farend("journal", "list", "--events", "--json", "--journal", station.journal).objects
    (start,) = [event for event in events if event.get("act") == "start"]
    assert start["plan"]["account"]["name"] == "Gull Rock light"
    assert station.farend("journal", "verify", "--journal", station.journal).code == 0


async def test_a_note_is_no_way_to_forge_a_verdict(open_bench: Callable[..., Bench]) -> None:
    """Whoever can write wishes must not be able to make a row that looks like a frame."""
    one = open_bench("tcp")
    one.wish(wish="note", entry={"event": "x", "detail": "y", "verdict": "accepted", "row": 1, "at": "2000"})
    one.bench.take_wishes()
    rows: list[dict[str, Any]] = []
    for _ in range(500):
        rows = rows or [row for row in one.rows(events=True) if row.get("event") == "x"]
        await asyncio.sleep(0 if rows else 0.01)
    assert "verdict" not in rows[0]
    assert rows[0]["at"] > "2020"


async def test_a_test_warns_at_fifteen_and_at_five_minutes_and_says_stop(open_bench: Callable[..., Bench]) -> None:
    from receiver.clock import Clock

    seconds = [0.0]
    base = time.time()
    clock = Clock(lambda: base + seconds[0], lambda: seconds[0])
    one = open_bench("tcp", clock=clock)
    until = datetime.fromtimestamp(base, UTC) + timedelta(minutes=20)
    one.wish(wish="on-test", account="4471", until=until.isoformat(), reference="T-1")
    one.bench.take_wishes()
    warned = []
    for minute in range(21):
        seconds[0] = minute * 60
        before = len(one.told)
        one.bench._every_second()
        warned += [(minute, told) for told in one.told[before:] if "4471" in told]
    assert [minute for minute, _ in warned] == [5, 15, 20]
    assert "15 minutes" in warned[0][1]
    assert "STOP, confirm with the station" in warned[2][1]


async def test_a_changed_book_is_read_again_and_a_bad_one_leaves_the_old_one(
    open_bench: Callable[..., Bench], tmp_path: Path
) -> None:
    from receiver.book import load

    one = open_bench("tcp")
    file = tmp_path / "station.toml"
    one.bench.settings.load_book = lambda: load(file)
    file.write_text(HOUSE)
    one.wish(wish="book-changed")
    assert await one.tells("read again: 2 accounts")
    assert one.bench.book.numbered("2210")
    file.write_text("[[account]]\nnumber = 4471\n")
    one.wish(wish="book-changed")
    assert await one.tells("THE BOOK CANNOT BE READ AGAIN")
    assert one.bench.book.numbered("2210")


async def test_where_fire_stays_live_the_bench_keeps_silent_to_it(open_bench: Callable[..., Bench]) -> None:
    """So that the panel turns to its live receiver with it: half of a house may be on test while the other half lives."""
    from conftest import envelope

    one = open_bench("tcp")
    until = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
    one.wish(wish="on-test", account="0930", until=until, reference="T-1", areas=["1"], live=["fire"])
    one.bench.take_wishes()
    panel = await one.panel()
    verdicts = []
    for number, message in enumerate(("Nri1/BA4", "Nri1/FA4", "Nri2/BA4", "NBA4", "Nri2/RP0"), 1):
        said = await one.say(panel, envelope(f'"SIA-DCS"{number:04d}L0#0930[#0930|{message}]'))
        verdicts.append(said.entry["verdict"])
    assert verdicts == ["accepted", "held-back", "held-back", "held-back", "held-back"]


# The panel that `farend send` plays counts on


def test_a_panels_numbers_go_on_and_wrap(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert [next_sequence(f"{HOST}:1", "4471") for _ in range(3)] == [1, 2, 3]
    assert next_sequence(f"{HOST}:1", "0930") == 1
    kept = tmp_path / "farend" / "sequences.json"
    kept.write_text(json.dumps({f"{HOST}:1 4471": 9999}))
    assert next_sequence(f"{HOST}:1", "4471") == 1
    kept.write_text("{half")
    assert next_sequence(f"{HOST}:1", "4471") == 1


def test_where_numbers_cannot_be_kept_each_message_is_the_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file"))
    assert [next_sequence(f"{HOST}:1", "4471") for _ in range(2)] == [1, 1]
