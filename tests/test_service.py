"""A bench as a service: sockets from a manager, its state told, SIGTERM and SIGHUP, settings, mode, metrics, logs."""

import ast
import asyncio
import json
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import orjson
import pytest
import typer
from conftest import (
    HOST,
    SECONDS,
    Bench,
    Farend,
    Listening,
    ack,
    alarm,
    clean_environment,
    command,
    exchange,
    sealed,
    stamp,
)
from prometheus_client.parser import text_string_to_metric_families

from receiver import bench as benches
from receiver import metrics, service
from receiver.book import parse
from receiver.book_changes import changes
from receiver.journal import Row, Seen, Store, whose
from receiver.record import mode_now, mode_of
from tools import log
from tools.listen import listen
from tools.settings import keys

ROOT = Path(__file__).parent.parent
UNITS = ROOT / "tools" / "systemd"


# Sockets and states


@pytest.fixture
def handed(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., list[tuple[str, socket.socket]]]]:
    """Hands sockets over as sd_listen_fds(3) has it, but from another number on: the tests' own files have the first."""
    made: list[socket.socket] = []
    monkeypatch.setattr(service, "FIRST_FD", 700)

    def hand(*sockets: socket.socket, names: str | None = None, pid: int | None = None) -> Any:
        for place, one in enumerate(sockets):
            os.dup2(one.fileno(), 700 + place)
            one.close()
        given = {"LISTEN_FDS": str(len(sockets)), "LISTEN_PID": str(pid or os.getpid())}
        given |= {} if names is None else {"LISTEN_FDNAMES": names}
        try:
            found = service.sockets_given(given)
        finally:
            assert given == {}  # whoever is started from here is not meant
        made.extend(one for _, one in found)
        return found

    yield hand
    for one in made:
        one.close()
    for number in range(700, 704):
        with suppress(OSError):
            os.close(number)


def stream() -> socket.socket:
    return socket.create_server((HOST, 0))


def datagrams() -> socket.socket:
    one = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    one.bind((HOST, 0))
    return one


def test_a_socket_is_the_line_that_its_name_says_and_without_one_what_it_is(handed: Callable[..., Any]) -> None:
    """sd_listen_fds(3): the names stand in the sockets' order, parted by colons; else the socket unit's own."""
    found = handed(stream(), stream(), datagrams(), stream(), names="tls-wide:farend.socket:farend.socket:metrics")
    assert [kind for kind, _ in found] == ["tls", "tcp", "udp", "metrics"]
    assert not any(one.get_inheritable() for _, one in found)


def test_sockets_that_are_meant_for_another_process_are_none(handed: Callable[..., Any]) -> None:
    assert handed(stream(), pid=os.getpid() + 1) == []


@pytest.mark.parametrize(("make", "name", "why"), [
    (datagrams, "tls", "is UDP, and cannot be a line of tls"),
    (stream, "udp", "is TCP, and cannot be a line of udp"),
    (lambda: socket.socket(), "tcp", "does not listen"),
    (lambda: socket.socket(socket.AF_UNIX), "tcp", "is not one of IPv4 or IPv6"),
])  # fmt: skip
def test_a_socket_that_cannot_be_a_line_says_why(
    handed: Callable[..., Any], make: Callable[[], socket.socket], name: str, why: str
) -> None:
    with pytest.raises(ValueError, match=f"the socket {name} that was handed over {why}"):
        handed(make(), names=name)


def test_under_a_manager_it_takes_its_socket_tells_its_state_and_hears_signals(tmp_path: Path, station: Path) -> None:
    """Against systemd's own `systemd-socket-activate`, which holds the socket; states by sd_notify(3)."""
    assert shutil.which("systemd-socket-activate"), "Debian's package systemd has it: apt-get install systemd"
    where = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager, stream() as probe:
        manager.bind(str(where))
        manager.settimeout(SECONDS * 2)
        port = probe.getsockname()[1]
        probe.close()
        passed = clean_environment() | {"NOTIFY_SOCKET": str(where), "WATCHDOG_USEC": "60000000"}
        held = subprocess.Popen(
            ["systemd-socket-activate", "-l", f"{HOST}:{port}", *(f"-E{name}={value}" for name, value in passed.items()),
             *command("listen", "--book", station, "--log", "json", "--tcp", f"{HOST}:1")],
            cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            assert held.stderr
            assert "Listening on" in held.stderr.readline()
            panel = socket.create_connection((HOST, port))
            said = []

            def until(state: str) -> str:
                while not said or not said[-1].startswith(f"{state}=1"):
                    said.append(manager.recv(4096).decode())
                return said[-1]

            assert until("READY") == "READY=1\nSTATUS=mode bench; 4 accounts"
            panel.sendall(alarm(1))  # on the connection that was made before there was a bench
            panel.settimeout(SECONDS)
            assert b'"ACK"0001' in panel.recv(100)
            panel.close()
            station.write_text(station.read_text().replace("Laboratory", "Cold room"))
            held.send_signal(signal.SIGHUP)
            assert re.match(r"RELOADING=1\nMONOTONIC_USEC=\d+\n", until("RELOADING"))
            until("READY")
            station.write_text("[[account]]\nnumber = 4471\nname = 'x'\nkye = 'x'\n")
            held.send_signal(signal.SIGHUP)
            until("RELOADING")
            until("READY")
            assert exchange(port, alarm(2))[0].count(b'"ACK"0002')  # the old book is in force
            held.send_signal(signal.SIGTERM)
            until("STOPPING")
            assert "WATCHDOG=1" in said
            assert held.wait(15) == 0
        finally:
            held.kill()
        told = [json.loads(line) for line in held.stderr if line.startswith("{")]
        held.stderr.close()
    texts = [one["text"] for one in told]
    assert f"listening on tcp {HOST}:{port}" in texts
    assert any("take the place of --tcp" in text for text in texts)
    assert "the book was read again: 4 accounts; account 4471: area 1 changed" in texts
    assert [text.partition(": ")[0] for text in texts if text.startswith("the book, ")] == [
        f"the book, {station}:2",
        f"the book, {station}:4",
    ]
    assert {"time", "level", "event", "text"} == set(told[0])


@pytest.mark.parametrize("line", ["tcp", "tls", "udp"])
async def test_a_socket_that_is_handed_over_is_answered_on_and_still_open_when_the_bench_has_ended(
    open_bench: Callable[..., Bench], certificate: tuple[Path, Path], line: str
) -> None:
    from twisted.internet.defer import ensureDeferred

    from receiver.bench import Listen

    with datagrams() if line == "udp" else stream() as held:
        for sequence in (1, 2):  # one bench, and the next
            one = open_bench("tcp6")
            files = certificate if line == "tls" else (None, None)
            one.ports[line] = one.bench.listen(Listen(line, HOST, 0, *files, given=held.dup()))[1:]
            assert one.ports[line] == held.getsockname()
            context = ssl.create_default_context(cafile=certificate[0]) if line == "tls" else None
            panel = await one.panel(line, context)
            assert await panel.ask(alarm(sequence)) == ack(sequence)
            await panel.close()
            await ensureDeferred(one.bench.stop()).asFuture(asyncio.get_running_loop())
            one.bench.stop = nothing


async def nothing() -> None:
    """A bench that was stopped is not stopped again."""


def test_the_units_are_tight_and_can_be_read() -> None:
    """`systemd-analyze security`, of Debian's package systemd: 0 is shut, 10 is open."""
    assert shutil.which("systemd-analyze"), "Debian's package systemd has it: apt-get install systemd"
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", UNITS / "farend.service"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    found = re.search(r"Overall exposure level for farend.service: ([\d.]+)", done.stdout)
    assert found
    assert float(found[1]) <= 1.5  # 1.2 by systemd 252; another version looks at more
    verified = subprocess.run(
        ["systemd-analyze", "verify", "--man=no",
         *(UNITS / f"farend{one}" for one in (".service", ".socket", "-tls.socket"))],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    wrong = [line for line in verified.stderr.splitlines() if "/farend" in line and "is not executable" not in line]
    assert wrong == []


# Inherited by what is started: no memory may be written and run (prctl(2), PR_SET_MDWE, Linux 6.3).
WITHOUT_WRITTEN_CODE = """
import ctypes, os, sys
if ctypes.CDLL(None, use_errno=True).prctl(65, 1, 0, 0, 0):
    sys.exit(f"prctl: {os.strerror(ctypes.get_errno())}")
os.execv(sys.argv[1], sys.argv[1:])
"""


def test_where_memory_that_was_written_cannot_be_run_all_but_tls_works(
    tmp_path: Path, certificate: tuple[Path, Path]
) -> None:
    """So the unit says, and the drop-in for TLS takes that back; should this fail because TLS works, it need not."""
    in_unit = "MemoryDenyWriteExecute=yes" in (UNITS / "farend.service").read_text()
    assert (in_unit, "MemoryDenyWriteExecute=no" in (UNITS / "tls.conf").read_text()) == (True, True)

    def started(*options: object) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-c", WITHOUT_WRITTEN_CODE, *command("listen", "--json", "--journal", "j", *options)],
            cwd=tmp_path, env=clean_environment(), text=True,
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip

    with started("--tcp", f"{HOST}:0", "--unknown", "ack") as bench:
        assert bench.stdout
        assert bench.stderr
        first = bench.stdout.readline()
        if not first and (why := bench.stderr.read()).startswith("prctl: "):
            pytest.skip(f"this kernel cannot forbid it: {why}")
        assert exchange(json.loads(first)["listening"][0]["port"], alarm(1)) == [ack(1)]
        bench.terminate()
        assert bench.wait(15) == 0
    pair = ("--certificate", certificate[0], "--private-key", certificate[1])
    with started("--tls", f"{HOST}:0", *pair) as bench:
        assert "write+execute memory" in bench.communicate(timeout=15)[1]
        assert bench.returncode == 2


# The book


def test_what_changed_in_a_book_is_said_by_number_and_field_and_never_a_key(tmp_path: Path) -> None:
    text = """
    [[account]]
    number = "0001"
    name = "One"
    key = "hex:00112233445566778899AABBCCDDEEFF"
      [[account.zone]]
      number = "01"
      name = "Door"
      [[account.path]]
      name = "wired"
      line = "tcp"
    [[account]]
    number = "0002"
    name = "Two"
    """
    old = parse(text, "x", tmp_path)
    other = (
        text.replace("0011", "1111").replace('"Door"', '"Gate"').replace('"wired"', '"cable"').replace("0002", "0003")
    )
    found = changes(old, parse(other, "x", tmp_path))
    assert str(found) == "account 3 came; account 2 went; account 1: key, zone 1, path wired, path cable changed"
    assert str(changes(old, parse(text, "x", tmp_path))) == "nothing is another"


# Settings


def options() -> dict[str, list[str]]:
    alone = typer.Typer()
    alone.command()(listen)
    return {str(one.name): [*one.opts] for one in typer.main.get_command(alone).params}


def test_of_a_book_that_did_not_change_nothing_is_said(tmp_path: Path) -> None:
    """A key in rotation is made anew with each reading, and is the same."""
    keys = f'key = "hex:{"00" * 16}"\nold_key = "hex:{"11" * 16}"\nold_key_until = 2030-01-01T00:00:00Z\n'
    text = f'[[account]]\nnumber = "4471"\nname = "Tern Point"\n{keys}'
    one, other = parse(text, "b.toml", tmp_path), parse(text, "b.toml", tmp_path)
    assert changes(one, other) == changes(one, one)
    assert "old_key" in str(changes(one, parse(text.replace("1111", "2222"), "b.toml", tmp_path)))


def test_every_option_of_listen_is_a_setting_and_nothing_else_is() -> None:
    longest = {max(names, key=len).removeprefix("--").replace("-", "_") for names in options().values()}
    assert set(keys(listen)) == longest - {"settings", "help", "install_completion", "show_completion"}
    assert len(keys(listen)) > 15


def test_the_mistakes_of_settings_are_named_with_their_lines(tmp_path: Path, inside: Farend) -> None:
    file = tmp_path / "farend.toml"
    file.write_text(
        'tpc = ["127.0.0.1:1"]\ntcp = ["127.0.0.1"]\nidle = "long"\nmode = "live"\njson = 1\nrepeat_seconds = -1\n'
    )
    done = inside("settings", "check", file)
    assert done.code == 1
    found = dict(line.removeprefix(f"{file}:").split(":", 1) for line in done.out.decode().splitlines())
    assert sorted(found) == ["1", "2", "3", "4", "5", "6"]
    assert "unknown key 'tpc'" in found["1"]
    assert "log" in found["1"].split("known are")[1]
    assert "not HOST:PORT" in found["2"]
    refused = inside("listen", "--settings", file)
    assert refused.code == 2
    assert f"{file}:2: " in refused.err


def test_settings_in_force_are_shown_with_where_they_come_from_and_no_password(tmp_path: Path, inside: Farend) -> None:
    file = tmp_path / "farend.toml"
    file.write_text(
        'tcp = ["127.0.0.1:1", "127.0.0.1:2"]\nidle = 90\n\nbook = "b.toml"\njournal = "postgresql://me:secret@h/x"\n'
    )
    assert inside("settings", "check", file).code == 0
    shown = inside("settings", "show", file, "--idle", 120).out.decode()
    of = {line.split(" = ")[0]: line for line in shown.splitlines() if " = " in line}
    assert re.fullmatch(rf'tcp = \["127.0.0.1:1", "127.0.0.1:2"\] *  # {file}:1', of["tcp"])
    assert re.fullmatch(r"idle = 120.0 +# the command line", of["idle"])
    assert re.fullmatch(rf'book = "{tmp_path}/b.toml" +# {file}:4', of["book"])  # beside the file
    assert re.fullmatch(r'unknown = "duh" +# default', of["unknown"])
    assert "secret" not in shown


# Mode


def test_a_book_of_any_badness_leaves_the_old_one_in_force(
    tmp_path: Path, station: Path, listening: Callable[..., Listening]
) -> None:
    book = tmp_path / "b.toml"
    shutil.copy(station, book)
    bench = listening("--book", book, "--journal", tmp_path / "j", "--log", "json")
    for number, bad in enumerate(("x = " + "[" * 5000, "[[account]]\nnumber = 7\n", "\0"), 1):
        book.write_text(bad)
        bench.process.send_signal(signal.SIGHUP)
        deadline = time.monotonic() + SECONDS
        while bench.talk.count("THE BOOK CANNOT BE READ AGAIN") < number:
            assert time.monotonic() < deadline, bench.talk
            time.sleep(0.01)
        assert exchange(bench.port(), alarm(number)) == [ack(number)]
    assert bench.end() == 0
    assert "Traceback" not in bench.talk


async def test_a_mirror_judges_and_keeps_and_answers_nobody(open_bench: Callable[..., Bench]) -> None:
    one = open_bench("tcp", "udp", mode="mirror")
    for line in ("tcp", "udp"):
        panel = await one.panel(line)
        await panel.send(alarm(1 if line == "tcp" else 2))
        entry = await one.entry()
        assert (entry["verdict"], entry["reply"], entry["warning"]) == ("accepted", "none", None)
        await panel.send(alarm(3, account="7777"))  # what the bench would refuse is told all the same
        assert (await one.entry())["refused_alarm"]
        assert await panel.hears_nothing()
    (start,) = [row for row in one.rows(events=True) if row.get("event") == "start"]
    assert start["mode"] == "mirror"
    rows = one.rows(events=True)
    assert [row["mode"] for row in rows] == ["mirror"] * len(rows)
    with closing(Store(one.path)) as store:
        assert mode_of(store, "4471", start["row"] + 1, start["row"] + 4) == "mirror"


def test_a_mirrors_mode_is_known_though_its_start_was_retired(tmp_path: Path) -> None:
    """A bench that has run for a year: what it wrote last year is out of the journal, and it is a mirror all the same."""
    path = tmp_path / "station.journal"
    said = [
        {"at": "2025-11-25T12:00:00.000Z", "row": 1, "event": "start", "detail": "lines: tcp", "mode": "mirror"},
        {"at": "2026-11-25T12:00:00.000Z", "row": 2, "account": "4471", "verdict": "accepted", "mode": "mirror"},
    ]
    with closing(Store(path, write=True)) as store:
        store.append(
            [Row(n, one["at"], whose(one), one.get("verdict"), orjson.dumps(one)) for n, one in enumerate(said, 1)]
        )
        assert (mode_of(store, "4471", 2, 2), mode_now(store)) == ("mirror", "mirror")
        store.retire(store.ends(1))
        assert [row.number for row in store.rows(events=True)] == [2]
        assert (mode_of(store, "4471", 2, 2), mode_now(store)) == ("mirror", "mirror")


def test_a_telephone_line_cannot_be_mirrored(inside: Farend) -> None:
    done = inside("listen", "--mode", "mirror", "--phone", f"rtp://{HOST}:0")
    assert (done.code, "answers nobody" in done.err) == (2, True)


# Metrics


async def test_the_pages_tell_what_was_counted_and_no_account(open_bench: Callable[..., Bench], reactor: Any) -> None:
    one = open_bench("tcp")
    panel = await one.panel()
    await one.say(panel, alarm(1))
    await one.say(panel, sealed('"*SIA-DCS"0001L0#8C20', f"#8C20|Nri1/FA3]{stamp(-3600)}"))
    port = metrics.serve(reactor, metrics.Pages(one.bench), HOST, 0)

    async def ask(path: str) -> tuple[int, str]:
        reader, writer = await asyncio.open_connection(HOST, port.getHost().port)
        writer.write(f"GET {path} HTTP/1.0\r\n\r\n".encode())
        head, _, body = (await reader.read()).decode().partition("\r\n\r\n")
        writer.close()
        return int(head.split()[1]), body

    try:
        code, text = await ask("/metrics")
        assert code == 200
        found = {
            (one.name, *sorted(one.labels.values())): one.value
            for family in text_string_to_metric_families(text)
            for one in family.samples
        }
        assert found["farend_frames_total", "accepted", "tcp"] == 1
        assert found["farend_frames_total", "stale-clock", "tcp"] == 1
        assert found["farend_answers_total", "NAK", "tcp"] == 1
        assert found["farend_refused_alarms_total",] == 1
        assert found["farend_connections_open",] == 1
        assert (
            found["farend_journal_commit_seconds_count",] == found["farend_journal_commit_seconds_bucket", "+Inf"] >= 2
        )
        assert not re.search(r"4471|8C20|Tern|Harrow|127\.0\.0\.1", text)
        assert (await ask("/health"))[0] == 200
        assert (await ask("/ready"))[0] == 200
        one.bench.journal.failing = True
        code, text = await ask("/ready")
        one.bench.journal.failing = False
        assert (code, json.loads(text)["why"]) == (503, ["the journal cannot write: nothing is answered"])
        assert (await ask("/"))[0] == 404
    finally:
        port.stopListening()


# Logs


def told_in_code() -> Iterator[str]:
    """How each sentence begins that the bench tells: the constant beginning of the argument, `7` for what is filled in."""
    for name in ("receiver/bench.py", "receiver/writing.py", "receiver/capture.py", "tools/listen.py"):
        for one in ast.walk(ast.parse((ROOT / name).read_text("utf-8"))):
            if isinstance(one, ast.Call) and one.args and getattr(one.func, "attr", getattr(one.func, "id", "")) in (
                "told", "_told", "tell", "alarm", "say",
            ):  # fmt: skip
                first = one.args[0]
                parts = [getattr(part, "value", part) for part in getattr(first, "values", [first])]
                parts = [part.body if isinstance(part, ast.IfExp) else part for part in parts]
                text = "".join(
                    str(getattr(part, "value", part) if isinstance(part, ast.Constant | str) else 7) for part in parts
                )
                if text != "7":
                    yield text


async def test_a_commit_that_does_not_come_back_is_said_and_nobody_is_sent_here(
    open_bench: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that hangs gives no error, so `failing` is never true."""
    monkeypatch.setattr(benches, "STUCK_SECONDS", 0.2)
    hangs = threading.Event()
    hangs.set()

    class Hanging(Store):
        def append(self, rows: list[Row], seen: Iterable[Seen] = ()) -> list[Row]:
            hangs.wait(SECONDS)
            return super().append(rows, seen)

    one = open_bench("tcp", store=Hanging)
    panel = await one.panel()
    assert await panel.ask(alarm(1)) == ack(1)
    assert list(one.bench.unready()) == []
    hangs.clear()
    await panel.send(alarm(2))
    try:
        assert await one.tells("THE JOURNAL HAS NOT COME BACK")
        assert "has not come back" in next(one.bench.unready())
    finally:
        hangs.set()
    assert await panel.until(ack(2)) == ack(2)
    assert await one.tells("the journal writes again")
    assert list(one.bench.unready()) == []


async def test_a_commit_that_comes_back_late_with_a_failure_is_not_said_to_be_written(
    open_bench: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A server whose lock nobody lets go of: first nothing, then an error."""
    monkeypatch.setattr(benches, "STUCK_SECONDS", 0.2)
    hangs, refuses = threading.Event(), threading.Event()
    hangs.set()

    class Locked(Store):
        def append(self, rows: list[Row], seen: Iterable[Seen] = ()) -> list[Row]:
            hangs.wait(SECONDS)
            if refuses.is_set():
                raise OSError("lock timeout")
            return super().append(rows, seen)

    one = open_bench("tcp", store=Locked)
    panel = await one.panel()
    assert await panel.ask(alarm(1)) == ack(1)
    hangs.clear()
    refuses.set()
    await panel.send(alarm(2))
    try:
        assert await one.tells("THE JOURNAL HAS NOT COME BACK")
    finally:
        hangs.set()
    assert await one.tells("THE JOURNAL CANNOT WRITE")
    await asyncio.sleep(1.5)  # a look later
    assert not [text for text in one.told if "writes again" in text]
    assert "cannot write" in next(one.bench.unready())
    refuses.clear()
    assert await one.tells("the journal writes again")


def test_every_sentence_that_is_told_has_its_place_in_the_log() -> None:
    found = set(told_in_code())
    assert len(found) > 15
    assert {text for text in found if log.about(text) is log.OTHERWISE and not text.startswith("7 was read")} == set()


@pytest.mark.parametrize(("told", "level", "event"), [
    ("limited: 17 pieces of noise or damaged frames without a row of their own: 192.0.2.1", "warning", "limited"),
    ("THE CERTIFICATE CANNOT BE READ AGAIN, the old one stays: the private key x cannot be read", "error", "certificate"),
    ("the certificate was read again: CN=bench, good until 01 January 2030, sha256:00", "info", "certificate"),
    ("account 4471 has used its new key: take old_key out of the book", "info", "new-key"),
    ("the book, station.toml:5: unknown key 'zones' in [[account]]", "error", "book"),
    ("account 4471 Tern Point: nothing over wired for 4 min", "warning", "path-overdue"),
    ("account 4471: 5 minutes of its test are left: prolong it, or stop", "warning", "on-test"),
    ("HANDING ON TO desk HAS ENDED (-9); it is started again in 1 s", "error", "hand-on"),
    ("desk (https://desk.example/x): it answered 503; it waits at row 12", "warning", "hand-on"),
    ("THE JOURNAL HAS NOT COME BACK FOR 5 s (3 rows wait): nothing is answered until it does", "error", "journal"),
])  # fmt: skip
def test_what_is_told_is_filed_under_what_it_is_about(told: str, level: str, event: str) -> None:
    row = log.about(told)
    assert (row.level, row.event) == (level, event)


def test_a_line_of_the_log_has_time_level_event_and_text_on_one_line() -> None:
    (line,) = log.line("text", "THE JOURNAL CANNOT WRITE (disk\nfull)").splitlines()
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT[\d:.]+Z error   journal: THE JOURNAL CANNOT WRITE \(disk full\)", line)


async def test_a_log_does_not_say_what_was_sealed(open_bench: Callable[..., Bench]) -> None:
    one = open_bench("tcp")
    panel = await one.panel()
    for discreet in (False, True):
        one.bench.settings.discreet = discreet
        await one.say(panel, sealed('"*SIA-DCS"0001L0#8C20', f"#8C20|Nri1/FA3]{stamp(-3600)}"))
    plain, log_line = (text for text in one.told if "REFUSED ALARM" in text)
    assert "Fire" in plain
    assert "Fire" not in log_line
    assert "8C20" in log_line
