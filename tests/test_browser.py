"""The console in a real browser, over a real bench: what engineer and installer see and do, and what nobody else sees.

Debian's Chromium, driven by Playwright; each person has a context of their own. The bench, the console and the panels are
processes and sockets on loopback.
"""

import json
import re
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from conftest import HOST, Listening, clean_environment, command, envelope, exchange, stamp
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect, sync_playwright

ARGUMENTS = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
)
DESKTOP: dict[str, Any] = {"viewport": {"width": 1280, "height": 900}}
PHONE: dict[str, Any] = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
PATIENCE = 8.0  # seconds: what should come at once, on a machine that is busy with other things too
TICK_SECONDS = 2.0  # from the ACK to the tick on the phone: a second is promised, and the machine is busy

ENGINEER, OTHER, INSTALLER = "E. Example", "O. Other", "I. Example"
SCRIPT = "<script>alert(1)</script>"


def account(number: str, name: str, *, polls: int = 0) -> str:
    """A small invented house: a door, a smoke detector, a keeper, one path."""
    return f"""
[[account]]
number = "{number}"
name = {json.dumps(name)}
  [[account.area]]
  number = "01"
  name = "Ground floor"
  [[account.zone]]
  number = "001"
  area = "01"
  name = "Boat door"
  device = "door"
  [[account.zone]]
  number = "002"
  area = "01"
  name = "Loft window {SCRIPT}"
  device = "window"
  [[account.user]]
  number = "001"
  name = "Keeper"
  [[account.path]]
  name = "wired"
  line = "tcp"{f"{chr(10)}  poll_seconds = {polls}" if polls else ""}
"""


# No place, person or number here is real.
BOOK = "".join(
    account(number, name)
    for number, name in (
        *(("1001", "Heron Weir"), ("1002", "Otter Lock"), ("1003", "Plover Barn")),
        *(("1004", "Curlew Mill"), ("1005", "Dunlin House"), ("1006", "Snipe Cottage")),
    )
)
OTHERS = ("Otter Lock", "Plover Barn", "Curlew Mill", "Dunlin House", "Snipe Cottage", "1002", "1003", "1004")


class Panel:
    """A panel that speaks Contact ID in clear, with its own sequence."""

    def __init__(self, port: int, number: str) -> None:
        self.port, self.number, self.sequence = port, number, 0

    def send(self, message: str) -> float:
        """Say something; the moment of its ACK."""
        return self.say("ADM-CID", f"#{self.number}|{message}")

    def say(self, token: str, content: str, word: str = "ACK") -> float:
        self.sequence += 1
        frame = envelope(f'"{token}"{self.sequence:04d}R1L0#{self.number}[{content}]{stamp()}')
        (answer,) = exchange(self.port, frame)
        moment = time.monotonic()
        assert f'"{word}"'.encode() in answer
        return moment

    @contextmanager
    def polling(self, seconds: float) -> Iterator[None]:
        """Poll that often meanwhile."""
        over = threading.Event()

        def poll() -> None:
            while not over.wait(seconds):
                frame = envelope(f'"NULL"0000R1L0#{self.number}[]{stamp()}')
                exchange(self.port, frame)

        thread = threading.Thread(target=poll)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()


class Console:
    """`farend console` as a process, and the links that it shows."""

    def __init__(self, folder: Path, *options: object) -> None:
        files = ("--journal", folder / "station.journal", "--book", folder / "station.toml")
        places = ("--requests", folder / "requests", "--records", folder / "records")
        options = (*files, *places, "--http", f"{HOST}:0", "--time-zone", "UTC", *options)
        self.process = subprocess.Popen(
            command("console", *options), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
            text=True, cwd=folder, env=clean_environment({"COLUMNS": "500"}),
        )  # fmt: skip
        self.talk: list[str] = []
        self.links: list[str] = []
        self._came = threading.Condition()
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def _read(self) -> None:
        assert self.process.stderr
        for line in self.process.stderr:
            with self._came:
                self.talk.append(line)
                self.links += re.findall(r"come in: (http\S+)", line)
                self._came.notify_all()
        with self._came:
            self._came.notify_all()

    def link(self) -> str:
        """The link that lets the next one in, once it is shown."""
        with self._came:
            came = self._came.wait_for(lambda: self.links or self.process.poll() is not None, PATIENCE)
            assert came and self.links, "".join(self.talk)
            return self.links.pop(0)

    @property
    def base(self) -> str:
        with self._came:
            self._came.wait_for(lambda: any("console on" in line for line in self.talk), PATIENCE)
            (found,) = re.findall(r"console on (http\S+)", "".join(self.talk))
            return str(found)

    def end(self) -> None:
        self.process.terminate()
        self.process.wait(15)
        self._thread.join()
        assert self.process.stderr
        self.process.stderr.close()
        assert "Traceback" not in "".join(self.talk), "".join(self.talk)


class Person:
    """Somebody with a browser. Whatever the browser complains of, a dialog, an error of a script, fails the test."""

    def __init__(self, context: BrowserContext, base: str) -> None:
        self.context, self.base = context, base
        self.complaints: list[str] = []
        self.expected: tuple[str, ...] = ()
        context.set_default_timeout(PATIENCE * 1000)
        self.page = self.open()

    def open(self) -> Page:
        page = self.context.new_page()
        page.on("console", lambda told: self._complain(told.text) if told.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: self._complain(str(error)))
        page.on("dialog", lambda dialog: (self._complain(f"dialog {dialog.message}"), dialog.dismiss()))
        return page

    def _complain(self, what: str) -> None:
        if not any(one in what for one in self.expected):
            self.complaints.append(what)

    def goes(self, path: str) -> Page:
        self.page.goto(self.base + path)
        return self.page

    def enters(self, link: str, name: str) -> "Person":
        self.page.goto(link)
        self.page.get_by_label("Your name").fill(name)
        self.page.get_by_role("button", name="Come in").click()
        expect(self.page.get_by_role("heading", name="What arrives")).to_be_visible()
        return self


class Station:
    """A bench, a console, and the people who come."""

    def __init__(self, folder: Path, bench: Listening, console: Console, browser: Browser) -> None:
        self.folder, self.bench, self.console, self.browser = folder, bench, console, browser
        self.people: list[Person] = []

    def person(self, **context: Any) -> Person:
        """Somebody at a desk, or with a phone: see `DESKTOP` and `PHONE`."""
        made = self.browser.new_context(**({"service_workers": "block", "locale": "en-GB"} | (context or DESKTOP)))
        self.people.append(Person(made, self.console.base))
        return self.people[-1]

    def engineer(self, name: str = ENGINEER, **context: Any) -> Person:
        return self.person(**context).enters(self.console.link(), name)

    def panel(self, number: str) -> Panel:
        return Panel(self.bench.port(), number)

    def farend(self, *arguments: object) -> subprocess.CompletedProcess[str]:
        options = {"capture_output": True, "text": True, "cwd": self.folder, "env": clean_environment()}
        return subprocess.run(command(*arguments, "--journal", self.folder / "station.journal"), timeout=30, **options)  # type: ignore[call-overload,no-any-return]

    def leave(self) -> None:
        """All go home; nobody's browser may have complained."""
        people, self.people = self.people, []
        for one in people:
            one.context.close()
        assert not [told for one in people for told in one.complaints]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = shutil.which("chromium")
    assert path, "these tests need Debian's chromium: apt-get install chromium"
    with sync_playwright() as playwright:
        yield playwright.chromium.launch(executable_path=path, args=[*ARGUMENTS])


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory, browser: Browser) -> Iterator[Station]:
    folder = tmp_path_factory.mktemp("station")
    book = folder / "station.toml"
    book.write_text(BOOK)
    with Listening("--tcp", f"{HOST}:0", "--book", book, "--journal", folder / "station.journal", cwd=folder) as bench:
        console = Console(folder)
        try:
            yield Station(folder, bench, console, browser)
        finally:
            console.end()


@pytest.fixture
def station(house: Station) -> Iterator[Station]:
    yield house
    house.leave()


def send_form(page: Page, button: str, **fields: str) -> None:
    for label, text in fields.items():
        page.get_by_label(label.replace("_", " ")).fill(text)
    page.get_by_role("button", name=button).click()


def test_smoke(station: Station) -> None:
    one = station.engineer()
    station.panel("1001").send("1131 01 001")
    expect(one.page.locator("ol.rows")).to_contain_text("Boat door")
