"""farend in other people's tests: a pytest plugin that comes with the package.

    farend_bench        a bench on free ports, with a book; what it makes of each frame is collected
    farend_bench_with   several of them, each with its own book and options
    farend_panel        a simulated panel of that bench
    farend_entries      what decoder and desk make of the recording that the mark names

    @pytest.mark.farend_book("station.toml", unknown="duh")    which book the bench has
    @pytest.mark.farend_capture("monday.capture")              the recording holds to its golden file, or the test fails

Paths are as seen from the test's file. It is a module by itself, and imports nothing of farend until it is used: pytest
loads it in every run, and a project that has a `tools` of its own must not notice.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Literal

import pytest

HOST = "127.0.0.1"
WITHIN = 5.0  # seconds that a wait lasts where nothing is said
MOST_SHOWN = 8  # entries that a failure shows
START_SECONDS = 20.0
_OF_SIGNAL = (
    *("code_set", "code", "qualifier", "meaning", "category", "area", "zone", "user", "text", "number"),
    *("area_name", "zone_name", "user_name", "from_memory"),
)
_NUMBERS = ("account", "area", "zone", "user", "number", "sequence")
_OF_ENTRY = (
    *("at", "line", "peer", "path", "account", "account_name", "account_mark", "token", "encrypted", "sequence"),
    *("receiver", "prefix", "stamp", "occurred", "verdict", "reply", "sequence_note", "repeat_of", "refused_alarm"),
    *("warning", "row", "raw", "size"),
)
_WORDS = {
    "verdict": (
        *("accepted", "poll", "repeat", "stale-clock", "unknown-account", "unsupported", "must-encrypt"),
        *("undecryptable", "unreadable", "held-back", "not-kept", "noise"),
    ),
    "reply": ("ACK", "NAK", "DUH", "none"),
    "qualifier": ("new", "restore", "status"),
}
_RUN = "from tools.farend import main; main()"

Entry = dict[str, Any]


class BenchError(Exception):
    """The bench did not start, or ended by itself; with what it said."""


class Bench:
    """A running bench. `entries` grows: an object for each frame, as `farend listen --json` prints it (see the README)."""

    def __init__(self, folder: Path, book: Path | None, unknown: str, options: tuple[str, ...]) -> None:
        self.host = HOST
        self.entries: list[Entry] = []
        self.journal = folder / "bench.journal"
        self._given: set[int] = set()
        self._arrived = threading.Condition()
        self._ended = False
        self._errors = folder / "bench.stderr"
        where = ["--tcp", f"{HOST}:0", "--udp", f"{HOST}:0", "--journal", str(self.journal), "--keep-polls"]
        what = ["--unknown", unknown, *(("--book", str(book)) if book else ()), *options]
        with self._errors.open("wb") as errors:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", _RUN, "listen", "--json", *where, *what],
                stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=errors, cwd=folder,
                env={name: value for name, value in os.environ.items() if name != "PYTHONPATH"},
            )  # fmt: skip
        self._ports: dict[str, int] = {}
        self._reader = threading.Thread(target=self._read, name="farend bench", daemon=True)
        self._reader.start()
        with self._arrived:
            self._arrived.wait_for(lambda: self._ports or self._ended, START_SECONDS)
        if not self._ports:
            self.stop()
            raise BenchError(f"the bench did not start:\n{self.said}")

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, at: TracebackType | None) -> None:
        self.stop()

    @property
    def tcp_port(self) -> int:
        return self._ports["tcp"]

    @property
    def udp_port(self) -> int:
        return self._ports["udp"]

    @property
    def said(self) -> str:
        """What the bench has said to people so far."""
        return self._errors.read_text("utf-8", "replace")

    @property
    def signals(self) -> list[dict[str, Any]]:
        """The signals of all entries, in order."""
        return [signal for entry in list(self.entries) for signal in entry["signals"]]

    def wait_for(self, within: float = WITHIN, **wanted: Any) -> Entry:
        """The first entry in which all of these fields are so, and which no earlier wait was given; it may be there already.

        Fields are those of the JSON: `account`, `verdict`, `reply`, `token`, `line`, `path` …, and of one signal in it
        `code`, `qualifier`, `category`, `area`, `zone`, `user` …. Numbers match without leading zeros. AssertionError after
        `within` seconds, with what came instead; BenchError at once where the bench has ended.
        """
        _check(wanted)
        until = time.monotonic() + within
        seen = 0
        with self._arrived:
            while True:
                for place in range(seen, len(self.entries)):
                    if place not in self._given and not _unlike(self.entries[place], wanted):
                        self._given.add(place)
                        return self.entries[place]
                seen = len(self.entries)
                left = until - time.monotonic()
                if self._ended:
                    raise BenchError(f"the bench has ended by itself:\n{self.said}")
                if left <= 0:
                    raise AssertionError(self._instead(wanted, within))
                self._arrived.wait(left)

    async def wait_for_async(self, within: float = WITHIN, **wanted: Any) -> Entry:
        """`wait_for` in an asyncio test: the loop goes on meanwhile."""
        return await asyncio.to_thread(self.wait_for, within, **wanted)

    def wait_for_deferred(self, within: float = WITHIN, **wanted: Any) -> Any:
        """`wait_for` in a Twisted test: a Deferred, while the reactor goes on."""
        from twisted.internet.threads import deferToThread

        return deferToThread(self.wait_for, within, **wanted)

    def never(self, within: float = 0.5, **wanted: Any) -> None:
        """AssertionError if such an entry comes within so many seconds, or is there already and was given to no wait."""
        try:
            found = self.wait_for(within, **wanted)
        except AssertionError:
            return
        raise AssertionError(f"this came, and should not have:\n  {_words(found)}")

    def stop(self) -> None:
        """End the bench, as at the end of the test."""
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGTERM)
            try:
                self._process.wait(10)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        self._reader.join(10)
        if self._process.stdout:
            self._process.stdout.close()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            with suppress(ValueError):
                self._take(json.loads(line))
        with self._arrived:
            self._ended = True
            self._arrived.notify_all()

    def _take(self, found: dict[str, Any]) -> None:
        with self._arrived:
            if "listening" in found:
                self._ports = {one["line"]: one["port"] for one in found["listening"]}
            elif "verdict" in found:
                self.entries.append(found)
            self._arrived.notify_all()

    def _instead(self, wanted: dict[str, Any], within: float) -> str:
        lines = [f"nothing with {_named(wanted)} came within {within:g} s"]
        left = [entry for place, entry in enumerate(self.entries) if place not in self._given]
        if not left:
            lines.append("nothing else came" if not self.entries else "all that came was given to earlier waits")
        else:
            nearest = min(left, key=lambda entry: len(_unlike(entry, wanted)))
            faults = _unlike(nearest, wanted)
            if len(faults) < len(wanted):
                lines += ["nearest:", f"  {_words(nearest)}"]
                lines += [f"  but its {name} is {_said(nearest, name)}, not {wanted[name]}" for name in faults]
        if self.entries:
            shown = self.entries[-MOST_SHOWN:]
            lines.append(f"what came ({len(self.entries)} in all):")
            lines += [f"  … {len(self.entries) - len(shown)} before"] * (len(self.entries) > len(shown))
            lines += [f"  {_words(entry)}" for entry in shown]
        return "\n".join(lines)


def _check(wanted: dict[str, Any]) -> None:
    """A slip of the pen must not make `never` pass: ValueError for a field or a word that there is not."""
    for name, value in wanted.items():
        if name not in _OF_ENTRY and name not in _OF_SIGNAL:
            raise ValueError(f"no entry has a field {name!r}; they have {', '.join((*_OF_ENTRY, *_OF_SIGNAL))}")
        if name in _WORDS and value not in _WORDS[name]:
            raise ValueError(f"no {name} is {value!r}; they are {', '.join(_WORDS[name])}")


def _named(wanted: dict[str, Any]) -> str:
    return ", ".join(f"{name}={value!r}" for name, value in wanted.items()) or "anything in it"


def _unlike(entry: Entry, wanted: dict[str, Any]) -> list[str]:
    """The wanted fields that an entry does not have so; of its signals the one counts that fits best."""
    own = [name for name, value in wanted.items() if name not in _OF_SIGNAL and not _same(name, entry.get(name), value)]
    about = {name: value for name, value in wanted.items() if name in _OF_SIGNAL}
    signals = entry["signals"] or [{}]
    wrong = ([name for name, value in about.items() if not _same(name, one.get(name), value)] for one in signals)
    return own + min(wrong, key=len)


def _same(name: str, found: Any, wanted: Any) -> bool:
    if name in _NUMBERS and found is not None and wanted is not None:
        return (str(found).lstrip("0").upper() or "0") == (str(wanted).lstrip("0").upper() or "0")
    return bool(found == wanted)


def _said(entry: Entry, name: str) -> str:
    if name not in _OF_SIGNAL:
        return str(entry.get(name))
    return " or ".join(dict.fromkeys(str(one.get(name)) for one in entry["signals"])) or "none"


def _words(entry: Entry) -> str:
    """An entry as `farend listen` prints it, on one line."""
    from receiver.words import ANSWERS, of_frame

    where = "/".join(filter(None, (entry["line"], entry["path"])))
    number = f" #{entry['sequence']:04d}" if entry["sequence"] else ""
    wrong = "".join(f"; {problem['rule']}: {problem['detail']}" for problem in entry["problems"])
    said = f"{of_frame(entry)}{number}  → {entry['verdict']}, {ANSWERS[entry['reply']]}{wrong}"
    return f"{entry['at'][11:23]}  {where}  {said}"


class Panel:
    """A simulated panel of one account. Each message gives the receiver's word: ACK, NAK, DUH, or `none` for no answer.

    An answer that does not belong to the message is no answer; `why` says what was wrong with it. The sequence counts on.
    """

    def __init__(
        self,
        bench: Bench,
        account: str,
        *,
        key: str | None = None,
        udp: bool = False,
        sequence: int = 1,
        receiver: str | None = None,
        prefix: str = "0",
        wait: float = 5.0,
    ) -> None:
        from protocols.exchange import Panel as Conversation
        from protocols.seal import Key
        from receiver.wire import Wire

        self.why = ""
        self._wait = wait
        secret = Key.from_hex(key) if key else None
        self._panel = Conversation(account, receiver=receiver, prefix=prefix, key=secret, sequence=sequence, tries=1)
        port = bench.udp_port if udp else bench.tcp_port
        self._wire = Wire(bench.host, port, "udp" if udp else "tcp", wait)
        self._udp = udp

    def contact_id(self, message: str) -> str:
        """Send a Contact ID message, such as `1131 01 015`."""
        return self._exchange(self._panel.say("ADM-CID", message, datetime.now(UTC)))

    def sia(self, message: str) -> str:
        """Send a message in two-letter codes, such as `Nri1/BA15`."""
        return self._exchange(self._panel.say("SIA-DCS", message, datetime.now(UTC)))

    def poll(self) -> str:
        """Send a link test."""
        return self._exchange(self._panel.poll(datetime.now(UTC)))

    def again(self) -> str:
        """Send the last bytes once more, as a panel does whose answer was lost."""
        return self._exchange(self._panel.sent)

    def close(self) -> None:
        self._wire.close()

    def _exchange(self, frame: bytes) -> str:
        from protocols.envelope import Reader

        self.why = f"nothing came within {self._wait:g} s"
        reader = Reader()
        self._wire.send(frame)
        until = time.monotonic() + self._wait
        word = "none"
        with suppress(TimeoutError, EOFError):
            while word == "none" and time.monotonic() < until:
                data = self._wire.receive(until - time.monotonic())
                for piece in reader.feed(data) + (reader.close() if self._udp else []):
                    heard = self._panel.heard(piece.data, datetime.now(UTC))[-1]
                    word, self.why = ("none", heard.why) if heard.word == "foreign" else (heard.word, "")
        self._panel.give_up()
        return word


# pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addini("farend_book", "the account book of farend_bench, as seen from the ini file", default="")
    group = parser.getgroup("farend")
    group.addoption(
        "--farend-accept", action="store_true", help="write the golden files of recordings that differ anew"
    )


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers",
        "farend_book(path, unknown='duh', options=()): the account book of farend_bench, as seen from the test's file",
    )
    config.addinivalue_line(
        "markers",
        "farend_capture(path): this recording must hold to its golden file (path.golden) before the test runs",
    )


def pytest_runtest_setup(item: pytest.Item) -> None:
    for mark in item.iter_markers("farend_capture"):
        recording = item.path.parent / mark.args[0]
        if why := _difference(recording, bool(item.config.getoption("--farend-accept"))):
            pytest.fail(why, pytrace=False)


def _difference(recording: Path, accept: bool) -> str | None:
    """What differs between a recording and its golden file, in words; None where it holds or was taken anew."""
    from receiver import golden

    path = recording.with_name(recording.name + golden.SUFFIX)
    if not path.exists():
        return f"{recording.name} has no golden file; `farend capture expect {recording.name}` makes one"
    held = golden.hold(path)
    if held.holds:
        return None
    if accept and held.why is None:
        golden.accept(path)
        return None
    return "\n".join([f"{recording.name} does not hold to its golden file:", *golden.told(held)])


@pytest.fixture
def farend_bench_with(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Callable[..., Bench]]:
    """Start benches on free ports: farend_bench_with("station.toml", unknown="duh", options=()). Each ends with the test."""
    started: list[Bench] = []

    def start(
        book: str | Path | None = None,
        unknown: Literal["duh", "ack", "silent"] = "duh",
        options: tuple[str, ...] = (),
    ) -> Bench:
        folder = tmp_path / f"bench-{len(started) + 1}"
        folder.mkdir()
        path = None if book is None else (request.path.parent / book).resolve()
        started.append(Bench(folder, path, unknown, tuple(options)))
        return started[-1]

    yield start
    for bench in started:
        bench.stop()


@pytest.fixture
def farend_bench(farend_bench_with: Callable[..., Bench], request: pytest.FixtureRequest) -> Bench:
    """A farend bench on free ports of this machine, with the book of the mark farend_book or the ini option of that name."""
    mark = request.node.get_closest_marker("farend_book")
    if mark:
        return farend_bench_with(*mark.args, **mark.kwargs)
    ini = str(request.config.getini("farend_book"))
    folder = request.config.inipath.parent if request.config.inipath else request.config.rootpath
    return farend_bench_with(folder / ini if ini else None)


@pytest.fixture
def farend_panel(farend_bench: Bench) -> Iterator[Callable[..., Panel]]:
    """Simulated panels of the bench: farend_panel("4471", key=None, udp=False, sequence=1).contact_id("1131 01 015")."""
    made: list[Panel] = []

    def make(account: str, **options: Any) -> Panel:
        made.append(Panel(farend_bench, account, **options))
        return made[-1]

    yield make
    for panel in made:
        panel.close()


@pytest.fixture
def farend_entries(request: pytest.FixtureRequest) -> list[Entry]:
    """What decoder and desk make of the recording that the mark farend_capture names: objects as `farend replay --json`."""
    from receiver import desk, golden, shapes
    from receiver.rehearing import Judged, rehear

    mark = request.node.get_closest_marker("farend_capture")
    if mark is None:
        raise pytest.UsageError("farend_entries needs a mark: @pytest.mark.farend_capture('monday.capture')")
    path = request.path.parent / (mark.args[0] + golden.SUFFIX)
    terms = golden.terms_in(path)
    happenings = shapes.opened(path.parent / terms.recording, terms.how).happenings
    judged = (one for one in rehear(happenings, terms.judging(path.parent)) if isinstance(one, Judged))
    return [desk.entry(one.decision, one.at, one.origin) | {"row": one.number} for one in judged]
