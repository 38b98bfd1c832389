"""The console's door and what arrives: who comes in, what guards each answer, and rows of the journal as pages."""

import asyncio
import os
import signal
import socket
import ssl
import subprocess
import time
import urllib.request
from collections.abc import AsyncGenerator, Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import orjson
import pytest
from conftest import BOOK, HOST, SECONDS, Farend, Listening, alarm, command, exchange

from receiver.console import door as doors
from receiver.console import feed
from receiver.console.app import ROUTERS
from receiver.console.door import Door, DoorError, TooOftenError, password_hash
from receiver.console.feed import Came
from receiver.console.house import moment
from receiver.console.live import Asked
from receiver.journal import Store
from tests.visitors import NAME, Visitor, visiting, words

SECRET_WORDS = "four words said once"


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    path = tmp_path / "station.journal"
    Store(path, write=True).close()
    return path


@pytest.fixture
def visitor(journal: Path) -> Iterator[Callable[[], Visitor]]:
    with visiting(journal) as make:
        yield make


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with closing(Door(tmp_path / "door", tmp_path / "people.toml")) as made:
        yield made


def keep(journal: Path, **entry: object) -> int:
    """A row of the bench's own."""
    with closing(Store(journal, write=True)) as store:
        return store.note({"at": "2026-11-25T12:00:00.000Z", "row": None} | entry)


# Coming in


def test_a_one_time_link_lets_one_person_in_once(visitor: Callable[[], Visitor]) -> None:
    first, second = visitor(), visitor()
    link = f"/enter/{first.house.door.link()}"
    assert first.get(link).status_code == 200  # looking does not use it up: programs that preview links look, too
    assert NAME in words(first.post(link, name=NAME).text)
    assert second.post(link, name="Another").status_code == 403
    assert second.get("/api/session").status_code == 401


def test_each_link_that_is_used_makes_the_terminal_show_the_next(journal: Path) -> None:
    with visiting(journal) as make:
        shown: list[int] = []
        one = make()
        one.house.again = lambda: shown.append(1)
        one.enter()
        assert shown == [1]


def test_a_link_is_no_use_without_a_name_and_keeps_its_use(visitor: Callable[[], Visitor]) -> None:
    one = visitor()
    link = f"/enter/{one.house.door.link()}"
    assert "say who you are" in one.told(link, name="  ")
    assert one.post(link, name=NAME).status_code == 200


def test_a_link_ends_within_the_hour(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    token = door.link()
    assert door.link_holds(token, HOST)
    monkeypatch.setattr(doors, "LINK_SECONDS", -1)
    with pytest.raises(DoorError, match="too old"):
        door.enter_by_link(token, NAME, HOST)


def test_a_session_ends_after_a_shift_and_when_one_leaves(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    cookie = door.enter_by_link(door.link(), NAME, HOST)
    found = door.session(cookie)
    assert found is not None
    assert (found.role, found.name, found.proving) == ("engineer", NAME, None)
    door.leave(cookie)
    assert door.session(cookie) is None
    monkeypatch.setattr(doors, "SESSION_SECONDS", -1)
    assert door.session(door.enter_by_link(door.link(), NAME, HOST)) is None


def test_a_console_that_starts_anew_knows_its_sessions_and_keeps_no_secret_on_disk(tmp_path: Path) -> None:
    with closing(Door(tmp_path / "door")) as door:
        cookie = door.enter_by_link(door.link(), NAME, HOST)
        token, pin = door.invite("p1", "I. Nobody")
    with closing(Door(tmp_path / "door")) as door:
        assert door.session(cookie) is not None
        assert door.invited(token, HOST) == "p1"
    data = (tmp_path / "door").read_bytes()
    for secret in (cookie, token, pin):
        assert secret.encode() not in data
    assert (tmp_path / "door").stat().st_mode & 0o077 == 0


def test_a_password_lets_in_by_name_and_a_wrong_one_tells_nothing(door: Door, tmp_path: Path, inside: Farend) -> None:
    said = inside(
        "console", "password", NAME, "--people", tmp_path / "people.toml", stdin=SECRET_WORDS.encode() + b"\n"
    )
    assert said.code == 0
    assert SECRET_WORDS not in (tmp_path / "people.toml").read_text()
    assert door.session(door.enter_by_password(NAME, SECRET_WORDS, HOST)) is not None
    told = set()
    for name, password in ((NAME, "another password"), ("Nobody", SECRET_WORDS), (NAME, "")):
        with pytest.raises(DoorError) as error:
            door.enter_by_password(name, password, "192.0.2.7")
        told.add(str(error.value))
    assert told == {"no such name, or another password"}


def test_wrong_tries_are_limited_by_address_and_by_name(door: Door, tmp_path: Path) -> None:
    (tmp_path / "people.toml").write_text(f'[[person]]\nname = "{NAME}"\npassword = "{password_hash(SECRET_WORDS)}"\n')
    for number in range(doors.NAME_TRIES):
        with pytest.raises(DoorError):
            door.enter_by_password(NAME, "a wrong password", f"192.0.2.{number}")
    with pytest.raises(TooOftenError):  # from a new address: the name has been tried too often
        door.enter_by_password(NAME, SECRET_WORDS, "192.0.2.99")
    for _ in range(doors.TRIES):
        with pytest.raises(DoorError):
            door.enter_by_password("Another", "a wrong password", "192.0.2.150")
    with pytest.raises(TooOftenError):  # another name from an address that has tried too often
        door.enter_by_password("A third", SECRET_WORDS, "192.0.2.150")


def test_who_has_a_link_that_holds_is_not_kept_out_by_who_guesses_from_the_same_address(door: Door) -> None:
    link, (token, _) = door.link(), door.invite("p1", "I. Nobody")
    for _ in range(doors.TRIES):
        assert not door.link_holds("made-up", HOST)
    with pytest.raises(TooOftenError):
        door.link_holds("made-up", HOST)
    with pytest.raises(TooOftenError):
        door.invited("made-up", HOST)
    assert door.link_holds(link, HOST)
    assert door.invited(token, HOST) == "p1"


def test_a_flood_of_names_keeps_no_try_from_being_counted() -> None:
    tries = doors.Tries(within=0.0)
    for number in range(10_002):
        tries.wrong(f"192.0.2.{number}")
        tries.check(f"192.0.2.{number}")  # its time is over at once
    tries.within = 60
    for _ in range(doors.TRIES):
        tries.wrong(HOST)
    with pytest.raises(TooOftenError):
        tries.check(HOST)


def test_passwords_cost_what_rfc_9106_recommends(monkeypatch: pytest.MonkeyPatch) -> None:
    """RFC 9106, section 4, from memory, the second recommended option: t=3, p=4, m=2**16 KiB, and a salt of 128 bits."""
    monkeypatch.undo()
    assert password_hash(SECRET_WORDS).startswith("$argon2id$v=19$m=65536,t=3,p=4$")


def test_a_short_password_is_refused_and_changes_nothing(tmp_path: Path, inside: Farend) -> None:
    said = inside("console", "password", NAME, "--people", tmp_path / "people.toml", stdin=b"short\n")
    assert said.code == 1
    assert "at least 15" in said.err
    assert not (tmp_path / "people.toml").exists()


# The installer's link


def test_the_pin_opens_one_proving_and_five_wrong_ones_end_the_link(door: Door) -> None:
    token, pin = door.invite("p1", "I. Nobody")
    session = door.session(door.enter_by_pin(token, f" {pin[:3]} {pin[3:]} ", HOST))
    assert session is not None
    assert (session.role, session.proving, session.name) == ("installer", "p1", "I. Nobody")
    wrong = f"{(int(pin) + 1) % 10**6:06}"
    for _ in range(doors.PIN_TRIES):
        with pytest.raises(DoorError, match="not the PIN"):
            door.enter_by_pin(token, wrong, HOST)
    with pytest.raises(DoorError, match="new link"):
        door.enter_by_pin(token, pin, HOST)


def test_a_new_link_puts_out_who_came_by_the_one_before(door: Door) -> None:
    token, pin = door.invite("p1", "I. Nobody")
    cookie = door.enter_by_pin(token, pin, HOST)
    other, other_pin = door.invite("p2", "Another")
    door.invite("p1", "I. Nobody")
    assert door.session(cookie) is None
    with pytest.raises(DoorError):
        door.enter_by_pin(token, pin, HOST)
    assert door.session(door.enter_by_pin(other, other_pin, HOST)) is not None


# What guards each answer


def paths_of(one: Visitor) -> list[tuple[str, str]]:
    """Every path of the application that takes a GET or a POST, filled in."""
    routes: list[Any] = [*one.app.routes, *(route for router in ROUTERS for route in router.routes)]
    return sorted(
        (method, route.path.replace("{number}", "1"))
        for route in routes
        for method in {"GET", "POST"} & set(getattr(route, "methods", None) or ())
    )


def test_nobody_sees_anything_before_coming_in(visitor: Callable[[], Visitor]) -> None:
    stranger = visitor()
    stranger.client.cookies.set(stranger.house.cookie, "made-up")
    looked = 0
    for method, path in paths_of(stranger):
        if path.startswith(("/enter", "/static", "/site", "/leave")):
            continue
        looked += 1
        answer = stranger.client.request(method, path, follow_redirects=False)
        assert answer.status_code in (303, 401, 403, 422), (path, answer.status_code)
        assert answer.headers.get("location", "/enter").startswith("/enter"), path
        assert len(answer.content) < 3000, path
        assert "Tern Point" not in answer.text
    assert looked > 40


def test_each_answer_forbids_what_is_not_from_here_and_is_kept_nowhere(visitor: Callable[[], Visitor]) -> None:
    one = visitor().enter()
    for url in ("/", "/enter", "/nowhere", "/api/rows", "/static/console.js"):
        headers = one.get(url).headers
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'")
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        if not url.startswith("/static"):
            assert headers["cache-control"] == "no-store"


def test_it_answers_only_by_its_own_names(journal: Path) -> None:
    with visiting(journal, names=("bench.example",)) as make:
        one = make()
        for host, due in (("127.0.0.1", 200), ("localhost:12080", 200), ("[::1]:12080", 200), ("bench.example:1", 200),
                          ("other.example", 421), ("", 421), ("127.0.0.1.other.example", 421)):  # fmt: skip
            assert one.get("/enter", host=host).status_code == due, host


def test_a_form_from_elsewhere_does_nothing(visitor: Callable[[], Visitor], journal: Path) -> None:
    one = visitor().enter()
    assert one.post("/notes", csrf="guessed", text="x").status_code == 403
    assert one.client.post("/notes", data={"text": "x"}).status_code == 403
    headers = {"origin": "http://other.example"}
    assert one.client.post("/notes", data={"csrf": one.csrf, "text": "x"}, headers=headers).status_code == 403
    assert one.client.post("/api/notes", json={"text": "x"}).status_code in (403, 404, 405)
    with closing(Store(journal)) as store:
        assert store.number == 0


def test_too_large_a_form_is_refused_whether_or_not_it_says_its_length(visitor: Callable[[], Visitor]) -> None:
    one = visitor().enter()
    assert one.post("/notes", text="x" * 2_000_000).status_code == 413
    pieces = (b"csrf=" + b"x" * 100_000 for _ in range(20))
    headers = {"content-type": "application/x-www-form-urlencoded"}
    assert one.client.post("/notes", content=pieces, headers=headers).status_code in (400, 413)


def test_after_coming_in_one_goes_only_within_the_console(journal: Path, tmp_path: Path) -> None:
    (tmp_path / "people.toml").write_text(f'[[person]]\nname = "{NAME}"\npassword = "{password_hash(SECRET_WORDS)}"\n')
    with visiting(journal, people=tmp_path / "people.toml") as make:
        for to, due in (
            ("/notes", "/notes"),
            ("//other.example", "/"),
            ("https://other.example", "/"),
            ("/\\other", "/"),
        ):
            one = make()
            answer = one.client.post(
                "/enter", data={"name": NAME, "password": SECRET_WORDS, "to": to}, follow_redirects=False
            )
            assert answer.headers["location"] == due
            cookie = answer.headers["set-cookie"].lower()
            assert "httponly" in cookie
            assert "samesite=lax" in cookie


# What arrives


def test_what_arrives_is_shown_newest_first_and_filtered(visitor: Callable[[], Visitor], journal: Path) -> None:
    for account in ("4471", "8C20"):
        keep(journal, event="path-back", detail=f"<script>{account}</script>", account=account)
    one = visitor().enter()
    page = one.get("/?events=yes").text
    assert page.index("8C20") < page.index("4471")
    assert "<script>4471" not in page
    assert "<script>4471</script>" in words(page)
    assert "4471" not in one.read("/?events=yes&account=8C20")
    assert "8C20" not in one.read("/?events=yes&words=4471")
    assert "Nothing like that" in one.read("/?events=yes&words=nowhere")


ASKED: tuple[dict[str, str], ...] = (
    *({}, {"account": "04471"}, {"words": "burglary freezer"}, {"words": "FREEZER"}, {"words": "freezer nowhere"}),
    *({"verdict": "unknown-account"}, {"words": "code_set"}, {"events": "yes"}, {"account": "4417", "events": "yes"}),
    *({"words": "start", "events": "yes"}, {"verdict": "accepted", "words": "4471"}),
)


def test_what_is_shown_live_is_what_the_page_would_show(listening: Callable[..., Listening], station: Path) -> None:
    """Else an alarm would come, and the screen of somebody who waits for just that one would stay still."""
    bench = listening("--book", station, "--journal", "station.journal")
    exchange(bench.port(), alarm(7), alarm(8, account="4417"))
    bench.printed(2)
    sizes = set()
    with closing(Store(station.parent / "station.journal")) as store:
        for asked in ASKED:
            wanted = Asked(**asked)
            shown = {row.number for row in wanted.find(store, None, 100)[0]}
            rows = store.rows(events=True)
            live = {row.number for row in rows if wanted.fits(Came(orjson.loads(row.text), row.text))}
            assert live == shown, asked
            sizes.add(len(shown))
    assert {0, 1, 2} <= sizes


def test_a_page_that_reads_too_slowly_hears_how_many_it_did_not_get() -> None:
    watcher = feed.Watcher(asyncio.Event())
    fire = Came({"row": 0, "signals": [{"category": "fire"}]}, b"")
    watcher.put([fire, *(Came({"row": number}, b"") for number in range(1, feed.MOST_WAITING + 8))])
    rows, left_out = asyncio.run(watcher.take(1.0))
    assert (len(rows), left_out) == (feed.MOST_WAITING + 1, 7)
    assert rows[0] is fire  # a life is not pushed out by a storm
    assert asyncio.run(watcher.take(0.01)) == ([], 0)


def test_a_journal_that_takes_anothers_place_is_read_from_its_first_row(journal: Path) -> None:
    for number in range(5):
        keep(journal, event="path-back", detail=f"old {number}")

    async def watch() -> tuple[int, int]:
        looks = feed.Feed(journal)
        with looks.watcher() as watcher:
            await watcher.begun()
            for file in journal.parent.glob(f"{journal.name}*"):
                file.unlink()
            keep(journal, event="path-back", detail="new")
            rows: list[Came] = []
            for _ in range(40):
                rows, _ = await watcher.take(0.2)
                if rows:
                    break
            return rows[0].entry["row"], looks.anew

    assert asyncio.run(watch()) == (1, 1)


def test_pages_that_are_open_when_the_console_ends_are_closed_without_a_word(journal: Path) -> None:
    said: list[object] = []
    pages: list[AsyncGenerator[int, None]] = []

    async def shows(looks: feed.Feed) -> AsyncGenerator[int, None]:
        with looks.watcher() as watcher:
            await watcher.begun()
            while True:
                yield 1

    async def watch() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda _, context: said.append(context))
        looks = feed.Feed(journal)
        pages.extend(shows(looks) for _ in range(20))  # the loop closes them in no order
        for one in pages:
            await anext(one)

    asyncio.run(watch())
    assert not said


def test_each_page_says_how_many_refused_alarms_wait_in_the_journal_that_is_there_now(
    listening: Callable[..., Listening], station: Path
) -> None:
    bench = listening("--book", station, "--journal", "station.journal")
    exchange(bench.port(), alarm(7, account="4417"), alarm(8, account="4418"))
    bench.printed(2)
    journal = station.parent / "station.journal"
    with visiting(journal, book=station) as make:
        one = make().enter()
        for url in ("/", "/help", "/provings"):
            assert "Refused alarms (2)" in one.read(url)
        bench.end()
        for file in station.parent.glob("station.journal*"):
            if not file.name.endswith(".console"):
                file.unlink()
        again = listening("--book", station, "--journal", "station.journal")
        exchange(again.port(), alarm(9, account="4419"))
        again.printed(1)
        assert "Refused alarms (1)" in one.read("/")
        (line,) = one.get("/api/refused").json()
        assert line["account"] == "4419"
        journal.unlink()
        assert "Refused alarms (?)" in words(one.get("/").text)


def test_a_book_that_has_got_mistakes_is_told_on_every_page_and_the_good_one_stays(
    journal: Path, station: Path
) -> None:
    told: list[str] = []
    with visiting(journal, book=station) as make:
        one = make().enter()
        one.house.tell = told.append
        assert "4471" in one.read("/accounts")
        station.write_text(BOOK + "\n[[account]]\nnumber = 12\n")
        os.utime(station, (1, 1))
        for url in ("/", "/accounts", "/provings"):
            assert "the last good one stays in force" in one.read(url)
        assert "4471" in one.read("/accounts")
        assert len(told) == 1
        station.write_text(BOOK)
        assert "stays in force" not in one.read("/")


def test_times_are_the_stations_with_the_sites_beside_them_and_utc_on_hover() -> None:
    lisbon, at = ZoneInfo("Europe/Lisbon"), "2026-07-01T12:30:05.250Z"
    assert moment(at, lisbon) == (
        '<time datetime="2026-07-01T12:30:05Z" title="12:30:05.250 UTC, 1 July 2026">1 July 2026, 13:30:05</time>'
    )
    assert ">13:30:05 (14:30:05 at the site)<" in moment(at, lisbon, "Europe/Paris", day=False)
    assert "at the site" not in moment(at, lisbon, "Europe/London")  # the same clock: said once
    assert moment(None, lisbon) == "–"


def test_a_row_opens_into_its_frame_and_one_that_is_not_there_says_so(
    listening: Callable[..., Listening], station: Path
) -> None:
    bench = listening("--book", station, "--journal", "station.journal")
    exchange(bench.port(), alarm(7))
    bench.printed(1)
    journal = station.parent / "station.journal"
    with visiting(journal, book=station) as make:
        one = make().enter()
        (row,) = one.get("/api/rows?account=4471").json()
        page = one.read(f"/rows/{row['row']}")
        for told in ("Burglary alarm", "SIA-DCS", "0007", "DC-09", "accepted", "over bytes"):
            assert told in page
        assert len(one.get(f"/api/rows/{row['row']}").json()["hash"]) == 64
        assert "has no row 999" in words(one.get("/rows/999").text)
        assert one.get("/rows/999").status_code == 404


def test_a_journal_that_is_gone_is_told_in_words(visitor: Callable[[], Visitor], journal: Path) -> None:
    one = visitor().enter()
    journal.unlink()
    answer = one.get("/")
    assert answer.status_code == 503
    assert "there is no journal" in words(answer.text)


# The command


class Console:
    """`farend console` in a process of its own."""

    def __init__(self, *options: object, cwd: Path) -> None:
        self.process = subprocess.Popen(
            command("console", "--http", f"{HOST}:0", *options), cwd=cwd, stderr=subprocess.PIPE, text=True
        )
        assert self.process.stderr
        told: list[str] = []
        while not any(line.startswith(("come in", "console on")) for line in told) or "come in" not in told[-1]:
            told.append(self.process.stderr.readline())
            assert told[-1], told
            if "console on https" in told[-1]:
                break
        self.link = told[-1].rpartition(" ")[2].strip()

    def end(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(15)
        assert self.process.stderr
        self.process.stderr.close()
        return code


def test_the_command_prints_a_link_that_works_and_ends_with_0(journal: Path) -> None:
    console = Console("--journal", journal, cwd=journal.parent)
    with urllib.request.urlopen(console.link) as page:
        assert "Your name" in page.read().decode()
    assert console.end() == 0


@pytest.mark.parametrize(
    ("options", "due"),
    [
        (("--http", "0.0.0.0:0"), "needs TLS"),
        (("--http", "0.0.0.0:0", "--certificate", "c", "--private-key", "k"), "needs --people"),
        (("--certificate", "c"), "go together"),
        (("--time-zone", "Nowhere/City"), "no time zone"),
        (("--book", "missing.toml"), "cannot be read"),
        (("--journal", "missing.journal"), "there is no journal"),
        (("--http", "127.0.0.1"), "HOST:PORT"),
    ],
)
def test_what_it_cannot_do_it_says_and_opens_nothing(
    journal: Path, inside: Farend, options: tuple[str, ...], due: str
) -> None:
    where = () if "--journal" in options else ("--journal", journal)
    said = inside("console", *where, *options)
    assert said.code == 2
    assert due in said.err


def test_elsewhere_it_speaks_tls_and_shows_no_link(
    journal: Path, tmp_path: Path, certificate: tuple[Path, Path]
) -> None:
    (tmp_path / "people.toml").write_text(f'[[person]]\nname = "{NAME}"\npassword = "{password_hash(SECRET_WORDS)}"\n')
    options = ("--http", "0.0.0.0:0", "--people", tmp_path / "people.toml", "--journal", journal)
    console = Console(*options, "--certificate", certificate[0], "--private-key", certificate[1], cwd=tmp_path)
    port = int(console.link.rpartition(":")[2])
    trust = ssl.create_default_context(cafile=str(certificate[0]))
    with urllib.request.urlopen(f"https://{HOST}:{port}/enter", context=trust) as page:
        assert "Password" in page.read().decode()
    with socket.create_connection((HOST, port)) as clear:
        clear.sendall(b"GET /enter HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert b"Password" not in clear.recv(4096)
    assert console.end() == 0


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_the_console_of_a_bench_ends_with_it_however_that_ends(tmp_path: Path, how: signal.Signals) -> None:
    bench = Listening("--console", "--tcp", f"{HOST}:0", "--journal", "station.journal", cwd=tmp_path,
                      env={"FAREND_CONSOLE": f"{HOST}:0"})  # fmt: skip
    deadline = time.monotonic() + 3 * SECONDS
    while "come in: " not in bench.talk and time.monotonic() < deadline:
        time.sleep(0.05)
    link = bench.talk.rpartition("come in: ")[2].split()[0]
    assert urllib.request.urlopen(link).status == 200
    bench.end(how)
    while answers(link):
        assert time.monotonic() < deadline + SECONDS
        time.sleep(0.05)


def answers(link: str) -> bool:
    try:
        urllib.request.urlopen(link).close()
    except OSError:
        return False
    return True
