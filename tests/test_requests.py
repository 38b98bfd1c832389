"""From an installer's request to an account in the book: lists, keys, files, callers, and the whole way on a real bench."""

import json
import re
import socket
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from conftest import HOST, SECRET, Farend, Listening, alarm, envelope, exchange, only, sealed, stamp
from hypothesis import example, given
from hypothesis import strategies as st

from protocols.dc09 import build
from protocols.envelope import printable
from protocols.seal import Key
from receiver import book as books
from receiver import callers, requests, spoken
from receiver.book import BookError
from receiver.journal import Store
from receiver.plan import shipped_kinds
from receiver.zone_list import COLUMNS, Entry, ListError, device_in, read, read_table, tables
from tools import request as command_file

Listen = Callable[..., Listening]
DEVICES = shipped_kinds().spoken
LIST = files("fixtures").joinpath("quarry_cottage.txt").read_text("utf-8")
FILED = ("--firm", "An Invented Firm", "--installer", "A. Nobody", "--leave-out-bad-rows")


# Zone lists

WORDS = '1|015|zone 3|Zone|users:|user 2|area 01|door|PIR|smoke detector|Hall|,|;|  | - |(|)|: |> |* |"|zone,zone_name'
PIECES = st.sampled_from([*WORDS.split("|"), "\t", "\n", "\r", "\x00", "\x85", "\u2028", *COLUMNS])


@example('""0\t')  # what the csv module says of it has the tab in it
@given(st.lists(PIECES | st.text(max_size=5), max_size=60).map("".join))
def test_every_line_of_any_text_is_an_entry_a_heading_or_a_named_bad_row(text: str) -> None:
    says = {number for number, line in enumerate(text.splitlines(), 1) if any(map(str.isalnum, line))}
    for reader in (read, read_table):
        try:
            listed = reader(text, DEVICES)
        except ListError:  # a table with a column that is none: said, and nothing of it read
            continue
        entries = {entry.line for entry in listed.entries}
        bad = {row.line for row in listed.bad}
        assert entries | bad | set(listed.headings) == says
        assert all(
            str(row).startswith(f"line {row.line}: ") and row.why and row.why.isprintable() for row in listed.bad
        )
        assert all(
            re.fullmatch(r"[0-9A-Fa-f]{1,16}", entry.number) and entry.name for entry in numbered(listed.entries)
        )


@given(st.lists(PIECES | st.text(max_size=5), max_size=60).map("".join))
def test_whatever_is_read_makes_a_book_that_says_the_same(text: str) -> None:
    try:
        found = tables(read(text, DEVICES).entries)
    except ListError:
        return
    written = books.to_toml("account", {"number": "4471", "name": text, **found})
    (account,) = books.parse(written, "book", Path()).accounts
    assert account.name == text
    for kind in ("area", "zone", "user"):
        assert [(one.number, one.name) for one in getattr(account, kind)] == [
            (o["number"], o["name"]) for o in found[kind]
        ]


def numbered(entries: list[Entry]) -> list[Entry]:
    return [entry for entry in entries if entry.kind != "account"]


@pytest.mark.parametrize(
    ("line", "kind", "number", "name", "device", "area"),
    [
        ("1  Front door  door contact", "zone", "1", "Front door", "door", ""),
        ("Zone 02: Hall - motion indoors", "zone", "02", "Hall", "motion indoors", ""),
        ("015 - Freezer room door (door), area 01", "zone", "015", "Freezer room door", "door", "01"),
        ("> > * 3. Kitchen, by the window, PIR", "zone", "3", "Kitchen, by the window", "motion indoors", ""),
        ("2 Kitchen window - contact", "zone", "2", "Kitchen window", "door", ""),
        ("5) Boiler room; carbon monoxide", "zone", "5", "Boiler room", "carbon monoxide", ""),
        ("#7\tUtility room\tflood detector", "zone", "7", "Utility room", "water", ""),
        ("8 École", "zone", "8", "École", "", ""),
        ("9 Loft [smoke]", "zone", "9", "Loft", "smoke", ""),
        ("zone no. 1A Porch", "zone", "1A", "Porch", "", ""),
        ("user 2 Night warden", "user", "2", "Night warden", "", ""),
        ("area 01 Laboratory", "area", "01", "Laboratory", "", ""),
    ],
)
def test_a_pasted_line_is_read_as_a_person_would(
    line: str, kind: str, number: str, name: str, device: str, area: str
) -> None:
    (entry,) = read(line, DEVICES).entries
    assert entry[1:6] == (kind, number, name, area, device)


def test_the_shipped_list_is_read_with_each_bad_row_named() -> None:
    listed = read(LIST, DEVICES)
    assert len(only_kind(listed.entries, "zone")) == 7
    assert [entry.name for entry in only_kind(listed.entries, "user")] == ["Owner", "Night warden"]
    assert all(entry.device for entry in only_kind(listed.entries, "zone"))
    assert [str(row) for row in listed.bad if "Garage" in row.text] == [
        "line 14: 'Garage door, number to follow' has no number"
    ]
    assert {row.text.strip("> ") for row in listed.bad} >= {"Hello,", "Kind regards"}
    assert tables(listed.entries)["area"] == [{"number": "01", "name": "Area 01"}, {"number": "02", "name": "Annexe"}]


def only_kind(entries: list[Entry], kind: str) -> list[Entry]:
    return [entry for entry in entries if entry.kind == kind]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("1 Front door\n\nGarage", ["line 3: 'Garage' has no number"]),
        ("015 Front door\n15 Back door", ["line 2: zone 15 stands on line 1 already, as 'Front door'"]),
        ("users\n2 One\nuser 02 Two", ["line 3: user 02 stands on line 2 already, as 'One'"]),
        ("zone 4", ["line 1: zone 4 has no name"]),
        ("area 1 Lab\narea 01 Hall", ["line 2: area 01 stands on line 1 already, as 'Lab'"]),
        ("zone;zone_name\n1;a\n;Garage", ["line 3: 'Garage' has no number"]),
        ("zone;zone_name\n1;a\n01;b", ["line 3: zone 01 stands on line 2 already, as 'a'"]),
        ('zone,zone_name\n1,"open\n2,good', ["line 2: '1,\"open': unexpected end of data"]),
    ],
)
def test_a_bad_row_is_named_with_its_line(text: str, told: list[str]) -> None:
    assert [str(row) for row in read(text, DEVICES).bad] == told


@pytest.mark.parametrize(
    ("phrase", "device"),
    [
        ("Front door PIR", "motion indoors"),
        ("PIR by the front door", "motion indoors"),
        ("Smoke detector over the switchgear", "smoke"),
        ("Garage door smoke alarm", "smoke"),
        ("CO detector", "carbon monoxide"),
        ("CO2", "air quality"),
        ("outdoor PIR", "motion outdoors"),
        ("company safe", None),
    ],
)
def test_the_device_is_what_the_phrase_is_about(phrase: str, device: str | None) -> None:
    assert device_in(phrase, DEVICES) == device


def test_other_kinds_may_take_the_place_of_the_shipped_ones() -> None:
    (entry,) = read("1 Barn  tilt switch", [("tilt", ("tilt switch",))]).entries
    assert (entry.name, entry.device) == ("Barn", "tilt")


# Keys read aloud

KEYS = st.sampled_from([16, 24, 32]).flatmap(lambda size: st.binary(min_size=size, max_size=size)).map(bytes.hex)


@given(KEYS)
def test_a_key_is_shown_whole_in_groups_of_four_on_numbered_lines(digits: str) -> None:
    lines = spoken.lines(digits)
    assert [line.split()[0] for line in lines] == [str(number) for number in range(1, len(digits) // 16 + 1)]
    groups = [group for line in lines for group in line.split()[1:]]
    assert {len(group) for group in groups} == {4}
    assert "".join(groups) == digits.upper()


@given(KEYS, st.data())
def test_the_check_word_is_the_same_for_the_same_key_and_another_for_a_slip(digits: str, data: st.DataObject) -> None:
    word = spoken.check_word(digits)
    assert re.fullmatch(r"(?:[bdfghjklmnprstvz][aeio]){4}", word)
    assert spoken.check_word(" ".join(spoken.lines(digits)[0].split()[1:]) + digits[16:].upper() + "\n") == word
    place = data.draw(st.integers(0, len(digits) - 1))
    other = data.draw(st.sampled_from([digit for digit in "0123456789abcdef" if digit != digits[place]]))
    assert spoken.check_word(digits[:place] + other + digits[place + 1 :]) != word


def test_generated_keys_have_the_bits_that_were_asked_for_and_differ() -> None:
    for bits in (128, 192, 256):
        one, other = spoken.generate(bits), spoken.generate(bits)
        assert Key.from_hex(one).bits == bits
        assert one != other
    with pytest.raises(ValueError, match="64"):
        spoken.generate(64)


# The files

HEAD = {"firm": "An Invented Firm", "installer": "A. Nobody", "filed": "2026-11-25T08:00:00.000Z"}


def filed(folder: Path, digits: str | None = SECRET) -> requests.Request:
    return requests.file(folder, HEAD, {"name": "Quarry Cottage", **tables(read(LIST, DEVICES).entries)}, digits)


def test_a_request_is_its_owners_alone_and_holds_no_key(tmp_path: Path) -> None:
    one, other = filed(tmp_path / "r"), filed(tmp_path / "r", None)
    assert (one.head.reference, other.head.reference, other.state) == ("R-001", "R-002", "waiting")
    assert {path.stat().st_mode & 0o777 for path in (tmp_path / "r").iterdir()} == {0o600}
    assert (tmp_path / "r").stat().st_mode & 0o777 == 0o700
    assert SECRET not in one.path.read_text()
    again = requests.load(tmp_path / "r", "R-001")
    assert (again.account.key and again.account.key.bits, other.account.key) == (128, None)
    assert spoken.compact(again.key_digits() or "") == SECRET


def test_a_key_of_a_filing_that_was_cut_short_is_never_another_requests(tmp_path: Path) -> None:
    (tmp_path / "R-001.key").write_text("a key that somebody may have entered already")
    assert filed(tmp_path).head.reference == "R-002"
    assert (tmp_path / "R-001.key").read_text().startswith("a key")


def test_a_file_is_replaced_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "f"
    requests.write_whole(path, b"before", 0o640)
    assert (path.read_bytes(), path.stat().st_mode & 0o777) == (b"before", 0o640)

    def fails(*_: object) -> None:
        raise OSError("no space")

    for step in ("fsync", "replace"):
        with monkeypatch.context() as patched:
            patched.setattr(f"receiver.requests.os.{step}", fails)
            with pytest.raises(OSError, match="no space"):
                requests.write_whole(path, b"after")
        assert path.read_bytes() == b"before"
        assert list(tmp_path.iterdir()) == [path]


def test_what_people_wrote_into_a_request_stays_when_a_caller_is_noted(tmp_path: Path) -> None:
    one = filed(tmp_path)
    one.path.write_text(one.text.replace("[account]", "# ask for the spare key\n[account]"))
    tied = requests.Tied(number="0913", line="tcp", host=HOST, device="zone 1", row=3, hash="00", at=HEAD["filed"])
    for number in ("0913", "0914"):
        noted = requests.note(one, "caller", tied.model_copy(update={"number": number}))
    assert noted.caller is not None
    assert (noted.state, noted.caller.number) == ("tied", "0914")
    assert noted.text.count("[caller]") == 1
    assert "# ask for the spare key\n" in noted.path.read_text()
    assert noted.account.zone == one.account.zone


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('name = "Front door"', 'nmae = "Front door"', ": unknown key 'nmae' in [[account.zone]]"),
        ('number = "1"', "number = 1", ": 'number' in [[account.zone]] must be text in quotation marks"),
        ('firm = "An', 'frim = "An', ": unknown key 'frim' in [request]"),
        ('key = "file:R-001.key"', 'key = "file:none"', ": 'key' in [account]: the key file none cannot be read"),
        ('number = "2"', 'number = "01"', ": the account has two entries for zone 01"),
        ('reference = "R-001"', 'reference = "R-009"', "a request is named as its file is, R-001"),
        ("[account]", '[account]\nnumber = "4471"', "`farend book assign` gives it one"),
        ("[request]", "[request", "line 1"),
    ],
)
def test_a_mistake_in_a_request_is_told_with_its_line(tmp_path: Path, old: str, new: str, told: str) -> None:
    one = filed(tmp_path)
    assert old in one.text
    one.path.write_text(one.text.replace(old, new, 1))
    line = one.text.partition(old)[0].count("\n") + 1
    with pytest.raises(BookError) as error:
        requests.load(tmp_path, "R-001")
    assert any(told in mistake for mistake in error.value.mistakes)
    if told.startswith(": "):
        assert any(f"{one.path}:{line}{told}" in mistake for mistake in error.value.mistakes)


# Callers


@pytest.mark.parametrize(
    ("one", "other", "how"),
    [
        ("4471", "4417", "two neighbours swapped"),
        ("4471", "4472", "one digit off"),
        ("0931", "931", "the same digits"),
        ("0931", "9031", "two neighbours swapped"),
        ("8c20", "8C2F", "one digit off"),
        ("4471", "1447", None),
        ("4471", "7441", None),
    ],
)
def test_a_number_is_near_another_by_one_slip_of_the_finger(one: str, other: str, how: str | None) -> None:
    assert callers.near(one, other) == callers.near(other, one) == how


def cid(sequence: int, account: str, message: str, stamped: str = "") -> bytes:
    return envelope(f'"ADM-CID"{sequence:04d}L0#{account}[#{account}|{message}]{stamped}')


def secret(sequence: int, account: str, message: str, seconds: float = 0, key: str = SECRET) -> bytes:
    head = f'"*ADM-CID"{sequence:04d}L0#{account}'
    return sealed(head, f"#{account}|{message}]{stamp(seconds)}", Key.from_hex(key))


class Site:
    """A bench that runs, a request that waits, and a panel that trips what it is asked to, when it is asked to."""

    def __init__(self, bench: Listening, inside: Farend, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.bench, self.inside, self.folder = bench, inside, folder
        self.frames: list[bytes] = []
        original = command_file._new_rows

        def asked(store: Store, within: float, caller: str) -> Iterator[dict[str, Any]]:
            sender = threading.Timer(0.2, lambda: [exchange(bench.port(), frame) for frame in self.frames])
            sender.start()
            yield from original(store, within, caller)
            sender.join()

        monkeypatch.setattr(command_file, "_new_rows", asked)

    def request(self, *options: object) -> None:
        (self.folder / "list").write_text(LIST)
        done = self.inside("book", "request", "Quarry Cottage", *FILED, "--zones", "list", *options)
        assert done.code == 0, done.err

    def identify(
        self, *frames: bytes, caller: str = "0913", device: str = "zone 015", options: tuple[Any, ...] = ()
    ) -> Any:
        self.frames = list(frames)
        of = ("--caller", caller, "--device", device, "--within", 0.8, "--journal", "j")
        return self.inside("book", "identify", "R-001", *of, *options)

    def assign(self, number: str = "0931", *options: object) -> Any:
        return self.inside(
            "book", "assign", "R-001", "--number", number, "--book", "station.toml", "--journal", "j", *options
        )

    def events(self, **fields: Any) -> list[dict[str, Any]]:
        store = Store(self.folder / "j")
        found = only(list(store.events()), **fields)
        store.close()
        return found


@pytest.fixture
def site(station: Path, listening: Listen, inside: Farend, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Site:
    return Site(listening("--book", station, "--journal", "j"), inside, tmp_path, monkeypatch)


@pytest.mark.parametrize("key", [None, SECRET], ids=["in clear", "encrypted"])
def test_from_a_mistyped_number_to_an_account_that_the_running_bench_accepts(
    site: Site, inside: Farend, key: str | None
) -> None:
    site.request(*(("--key", key) if key else ()), "--expects", "0931")
    say = secret if key else cid
    exchange(site.bench.port(), say(1, "0913", "1401 01 001"), envelope('"NULL"0000L0#0913[]'))
    (caller,) = inside("book", "callers", "--journal", "j", "--book", "station.toml", "--json").objects
    assert (caller["number"], caller["line"], caller["host"], caller["count"], caller["polls"]) == (
        "0913",
        "tcp",
        HOST,
        2,
        1,
    )
    assert caller["encrypted"] == ("partly" if key else "no")
    assert caller["said"] == ([] if key else ["Opening by a user, area 01, user 001"])
    assert [told.partition(" ")[0] for told in caller["perhaps"]] == ["request"]

    assert site.assign().code == 1  # nobody knows yet whose it is
    done = site.identify(say(2, "0913", "1131 01 015"))
    assert (done.code, "Please open Freezer room door, then close it, now" in done.err) == (0, True), done.err
    (event,) = site.events(event="identified", request="R-001", caller="0913", host=HOST)
    rows = {json.loads(row.text)["row"]: json.loads(row.text) for row in Store(site.folder / "j").rows()}
    assert rows[event["trip_row"]]["sequence"] == 2

    done = site.assign()
    assert done.code == 0, done.err
    assert (spoken.check_word(SECRET) in done.out.decode()) == bool(key)
    exchange(site.bench.port(), say(3, "0931", "1131 01 015"))
    line = site.bench.printed(4)[-1]
    assert (line["verdict"], line["account_name"]) == ("accepted", "Quarry Cottage")
    assert line["signals"][0]["zone_name"] == "Freezer room door"
    assert inside("book", "check", "station.toml").code == 0
    (request,) = inside("book", "requests", "--all", "--json").objects
    assert (request["state"], request["assigned"]["number"]) == ("assigned", "0931")
    assert inside("book", "requests").out.decode() == "no request waits\n"
    assert SECRET not in (site.folder / "station.toml").read_text().partition("# from request")[2]


TRIP = "1131 01 015"


@pytest.mark.parametrize(
    ("frames", "told"),
    [
        ([], "nothing came from 0913"),
        ([cid(2, "0913", "1131 01 003")], "it says zone 003"),
        ([cid(2, "0914", TRIP)], "another caller tripped zone 015: 0914"),
        ([cid(2, "4471", TRIP)], "account 4471 of the book reported zone 015"),
        ([cid(2, "0913", TRIP), cid(2, "0914", TRIP)], "more than one caller tripped zone 015"),
        ([cid(2, "0913", "3131 01 015")], "zone 015 only as restore"),
        ([alarm(2, "0913", "Ori1/BA15")], "from the panel's memory"),
        ([envelope('"NULL"0000L0#0913[]')], "it is a poll"),
        ([cid(1, "0913", TRIP)], "byte for byte a frame that came before"),
        ([b"\n0000" + cid(2, "0913", TRIP)[5:]], "nothing came from 0913"),
        ([secret(2, "0913", TRIP, key=SECRET[::-1])], "does not open with the request's key"),
        ([secret(2, "0913", TRIP, -300)], "its stamp is not of now"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_caller_is_not_tied_by(site: Site, frames: list[bytes], told: str) -> None:
    site.request("--key", SECRET)
    exchange(site.bench.port(), cid(1, "0913", TRIP))  # it tripped the zone before anybody asked
    unanswered = [frame for frame in frames if frame.startswith(b"\n0000")]
    for frame in unanswered:
        with socket.create_connection((HOST, site.bench.port())) as panel:
            panel.sendall(frame)
    done = site.identify(*(frame for frame in frames if frame not in unanswered))
    assert (done.code, told in done.err) == (1, True), done.err
    assert requests.load(site.folder / "farend.requests", "R-001").state == "waiting"
    assert site.events(event="identified") == []
    assert site.assign().code == 1


def test_an_encrypted_caller_is_not_tied_to_a_request_without_a_key(site: Site) -> None:
    site.request()
    done = site.identify(secret(2, "0913", TRIP))
    assert (done.code, "the request has no key" in done.err) == (1, True)


def test_the_same_message_sent_again_is_no_second_caller_and_another_address_is(site: Site) -> None:
    site.request()
    frame = cid(2, "0913", TRIP)
    assert site.identify(frame, frame, options=("--from", "192.0.2.9")).code == 1
    frame = cid(3, "0913", TRIP)
    assert site.identify(frame, frame, device="15", options=("--from", HOST)).code == 0


def test_any_device_is_picked_and_said(site: Site) -> None:
    """Not the carbon monoxide detector, which may take minutes, and not a siren, which reports nothing by itself."""
    site.request()
    done = site.identify(device="any")
    zones = requests.load(site.folder / "farend.requests", "R-001").account.zone
    names = [zone.name for zone in zones if zone.device != "carbon monoxide"]
    slow = [zone.name for zone in zones if not command_file._reports_at_once(zone)]
    assert slow == ["Boiler room"]
    assert any(f" {name})" in done.err.replace(", 0.8 s", "") for name in names)
    assert site.identify(device="zone 77").code == 2


def test_a_number_that_is_taken_or_none_is_refused_and_the_book_stays(site: Site) -> None:
    site.request()
    assert site.identify(cid(2, "0913", TRIP)).code == 0
    before = (site.folder / "station.toml").read_bytes()
    for number, code, told in (
        ("4471", 1, "already"),
        ("004471", 1, "already"),
        ("47", 2, "hex digits"),
        ("44x1", 2, "hex"),
    ):
        done = site.assign(number)
        assert (done.code, told in done.err) == (code, True), done.err
    (site.folder / "station.toml").write_bytes(before + b"[[account]]\n")
    assert site.assign().code == 2
    (site.folder / "station.toml").write_bytes(before)
    assert requests.load(site.folder / "farend.requests", "R-001").state == "tied"
    assert list(site.folder.glob("keys/*")) == []


def test_a_tie_that_somebody_wrote_into_the_file_ties_nothing(site: Site) -> None:
    site.request()
    exchange(site.bench.port(), cid(1, "0913", TRIP))
    store = Store(site.folder / "j")
    forged = {"row": 2, "hash": store.hashes([2])[2]}
    store.close()
    tied = requests.Tied(number="0913", line="tcp", host=HOST, device="zone 015", at=HEAD["filed"], **forged)
    requests.note(requests.load(site.folder / "farend.requests", "R-001"), "caller", tied)
    done = site.assign()
    assert (done.code, "knows of no trip" in done.err) == (1, True)


@pytest.mark.parametrize("step", ["keep_key", "note", "write_whole", "_read_again", "said"])
def test_an_assignment_that_was_cut_short_is_completed_by_another(
    site: Site, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    class Killed(BaseException):
        pass

    def killed(*_: object, **__: object) -> None:
        raise Killed

    site.request("--key", SECRET)
    assert site.identify(secret(2, "0913", TRIP)).code == 0
    (site.folder / "station.toml").chmod(0o640)
    owner = command_file if step in ("_read_again", "said") else requests
    with monkeypatch.context() as patched:
        if step == "write_whole":  # the last one: the book's
            whole = requests.write_whole
            patched.setattr(
                requests, step, lambda path, *more: killed() if path.name == "station.toml" else whole(path, *more)
            )
        else:
            patched.setattr(owner, "note" if step == "said" else step, killed)
        with pytest.raises(Killed):
            raise site_error(site.assign)
    done = site.assign()
    assert done.code == 0, done.err
    assert site.assign().code == 0
    assert site.assign("0932").code == 1
    accounts = books.load(site.folder / "station.toml").numbered("0931")
    assert [account.key and account.key.bits for account in accounts] == [128]
    assert (site.folder / "station.toml").stat().st_mode & 0o777 == 0o640
    assert (site.folder / "keys" / "0931.key").stat().st_mode & 0o777 == 0o600
    assert len(site.events(event="assigned")) == 1
    assert exchange(site.bench.port(), secret(3, "0931", TRIP))[0][9:14] == b'"*ACK'


def site_error(run: Callable[[], Any]) -> BaseException:
    """What a command was killed by, which the runner would otherwise pass through."""
    try:
        done = run()
    except BaseException as error:
        return error
    return AssertionError(done)


# Filing and keys, from outside


def test_a_list_with_bad_rows_is_shown_and_not_filed(inside: Farend, tmp_path: Path) -> None:
    (tmp_path / "list").write_text("1 Front (door)\nGarage\n")
    of = ("book", "request", "Quarry Cottage", "--firm", "x", "--installer", "y", "--zones")
    done = inside(*of, "list")
    assert (done.code, "Front  door" in done.out.decode()) == (1, True)
    assert "line 2: 'Garage' has no number" in done.out.decode()
    assert not (tmp_path / "farend.requests").exists()
    assert inside(*of, "-", stdin=b"1 Front door\n").code == 0
    assert inside(*of, "list", "--leave-out-bad-rows", "--preview").code == 0
    assert [one["zones"] for one in inside("book", "requests", "--json").objects] == [1]


@pytest.mark.parametrize(
    "options",
    [
        ("--key", "0011"),
        ("--key", SECRET, "--generate-key", "128"),
        ("--path", "cellular"),
        ("--path", "line=udp"),
        ("--path", "name=a,lien=udp"),
        ("--zones", "none"),
        ("--zones", "-", "--users", "-"),
        ("--poll-seconds", "0"),
    ],
    ids=" ".join,
)
def test_a_request_that_cannot_be_understood_ends_with_2_and_files_nothing(
    inside: Farend, tmp_path: Path, options: tuple[str, ...]
) -> None:
    done = inside("book", "request", "x", "--firm", "x", "--installer", "y", *options)
    assert (done.code, "Traceback" in done.err) == (2, False)
    assert SECRET not in done.err
    assert not (tmp_path / "farend.requests").exists()


def test_a_path_that_no_book_could_hold_is_told_and_nothing_is_filed(inside: Farend, tmp_path: Path) -> None:
    done = inside(
        "book", "request", "x", "--firm", "x", "--installer", "y", "--path", "name=a,network=home", "--key", SECRET
    )
    assert (done.code, "'network' in [[account.path]]" in done.err) == (1, True)
    assert list((tmp_path / "farend.requests").iterdir()) == []


def test_a_key_is_shown_once_and_again_only_with_a_reason_that_is_on_disk_first(
    site: Site, inside: Farend, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = inside("book", "request", "x", "--firm", "x", "--installer", "y", "--generate-key", 256)
    digits = (site.folder / "farend.requests" / "R-001.key").read_text().strip()
    shown = "\n".join(f"    {line}" for line in spoken.lines(digits))
    assert shown in made.out.decode()
    assert spoken.check_word(digits) in made.out.decode()
    key = ("book", "key", "R-001", "--journal", "j")
    assert (done := inside(*key, "--reason", " ")).code == 2
    assert done.out == b""
    assert inside("book", "key", "R-001", "--reason", "why", "--journal", "none").out == b""
    done = inside(*key, "--reason", "the sheet was lost")
    assert (done.code, shown in done.out.decode()) == (0, True)
    (event,) = site.events(event="key-shown", request="R-001", reason="the sheet was lost")
    assert event["by"]
    for path in site.folder.glob("j*"):
        assert digits.encode() not in path.read_bytes()


def test_an_accounts_key_is_shown_with_a_reason_and_not_once_it_is_signed(station: Path, inside: Farend) -> None:
    store = Store(Path("j"), write=True)
    key = ("book", "key", "8C20", "--book", station, "--reason", "panel replaced", "--journal", "j")
    signed = {"at": HEAD["filed"], "event": "proving", "detail": "signed", "act": "sign"}
    store.note(signed | {"account": "4471", "account_mark": "4471"})
    store.close()
    done = inside(*key)
    assert (done.code, spoken.check_word(SECRET) in done.out.decode()) == (0, True)
    store = Store(Path("j"), write=True)
    store.note(signed | {"account": "8C20", "account_mark": "8C20"})
    rows = store.number
    store.close()
    done = inside(*key)
    assert (done.code, done.out, "is signed" in done.err) == (1, b"", True)
    store = Store(Path("j"))
    assert store.number == rows
    store.close()
    assert inside("book", "key", "4471", "--book", station, "--reason", "x", "--journal", "j").code == 1


def test_a_request_with_a_mistake_is_named_and_the_others_are_listed(inside: Farend, tmp_path: Path) -> None:
    filed(tmp_path / "farend.requests")
    filed(tmp_path / "farend.requests")
    broken = tmp_path / "farend.requests" / "R-001.toml"
    broken.write_text(broken.read_text().replace("firm", "frim"))
    done = inside("book", "requests", "--json")
    assert (done.code, [one["reference"] for one in done.objects]) == (1, ["R-002"])
    assert "R-001.toml:3: unknown key 'frim'" in done.err
    assert inside("book", "assign", "R-009", "--number", "4471", "--book", "b").code == 2


def test_the_environment_may_name_the_folder(farend: Farend, tmp_path: Path) -> None:
    of = ("book", "request", "x", "--firm", "x", "--installer", "y")
    assert farend(*of, env={"FAREND_REQUESTS": "elsewhere"}).code == 0
    assert (tmp_path / "elsewhere" / "R-001.toml").exists()


@pytest.mark.parametrize(("seconds", "why"), [(0, None), (-5 * 3600, "not of now"), (3600, "not of now")])
def test_in_clear_too_an_old_stamp_ties_nobody(seconds: int, why: str | None) -> None:
    """What the panel had stored is no answer to the device that is tripped now."""
    now = datetime(2026, 11, 25, 12, tzinfo=UTC)
    raw = build("ADM-CID", 1, "0913", "1131 01 015", stamp=now + timedelta(seconds=seconds))
    entry = {"row": 1, "at": "2026-11-25T12:00:00.000Z", "raw": printable(raw), "verdict": "unknown-account"}
    entry |= {"account": "0913", "account_mark": None, "line": "tcp", "peer": "192.0.2.1:4000", "token": "ADM-CID"}
    (heard,) = callers.listen([entry | {"receiver": None, "prefix": "0"}], "015", None)
    assert heard.why_not is None if why is None else why in (heard.why_not or "")
