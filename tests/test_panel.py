"""`farend panel`: what a person says, what the house reports, and what arrives at a real bench."""

import os
import pty
import re
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from protocols.dc09 import build, decode
from protocols.exchange import following
from receiver import book
from receiver.household import LANGUAGE, Household, LanguageError, payloads, token_of
from receiver.plan import accepted, shipped_kinds
from tests.conftest import HOST, SECONDS, Farend, Listening, clean_environment, command

ROOT = Path(__file__).parent.parent
ESTATE, NIGHT = ROOT / "fixtures" / "station.toml", ROOT / "fixtures" / "night.panel"
TERN = book.load(ESTATE).numbered("4471")[0]

# What is said at Tern Point, and what its panel then sends: Contact ID by DC-05, two letters by DC-03 (codes and their
# restorals from memory of both).
SAID = [
    ("open 015", "1131 01 015", "Nri01/BA015"),
    ("close 15", "3131 01 015", "Nri01/BR015"),
    ("trip 017", "1111 01 017", "Nri01/FA017"),
    ("restore 017", "3111 01 017", "Nri01/FR017"),
    ("trip 021", "1154 02 021", "Nri02/WA021"),
    ("trip 015 tamper", "1144 01 015", "Nri01/TA015"),
    ("restore 015", "3144 01 015", "Nri01/TR015"),  # only the tamper was open
    ("lose ac", "1301 01 000", "Nri01/AT"),
    ("restore ac", "3301 01 000", "Nri01/AR"),
    ("low battery", "1302 01 000", "Nri01/YT"),
    ("restore battery", "3302 01 000", "Nri01/YR"),
    ("tamper", "1137 01 000", "Nri01/TA"),
    ("restore tamper", "3137 01 000", "Nri01/TR"),
    ("arm 2", "3401 01 002", "Nri01/CL002"),
    ("disarm 002", "1401 01 002", "Nri01/OP002"),
    ("drop wired", "1350 01 000", "Nri01/LT"),
    ("restore wired", "3350 01 000", "Nri01/LR"),
    ("test", "1601 01 000", "Nri01/RP"),
    ("send 1130 01 099  # whatever it is", "1130 01 099", "1130 01 099"),
]


def said(house: Household, line: str) -> list[str]:
    step = house.read(line)
    assert step
    return [payload for _, payload in house.says(step)]


@pytest.mark.parametrize("two_letter", [False, True], ids=["contact-id", "two-letter"])
def test_what_is_said_becomes_the_message_that_the_panel_of_such_a_house_sends(two_letter: bool) -> None:
    house = Household(TERN, two_letter=two_letter)
    for line, contact_id, letters in SAID:
        assert (line, said(house, line)) == (line, [letters if two_letter else contact_id])


@pytest.mark.parametrize("two_letter", [False, True], ids=["contact-id", "two-letter"])
def test_every_report_of_every_kind_can_be_sent_and_its_code_stands_in_the_tables_and_among_the_acceptable(
    two_letter: bool,
) -> None:
    kinds = shipped_kinds()
    reports = [report for kind in kinds.kind.values() for report in kind.reports.values()]
    for report in (*reports, *kinds.panel.values(), *kinds.user.values(), *kinds.path.values()):
        if not report.codes:
            continue
        new, over = accepted(report.codes)
        for payload, due in zip(payloads(report.codes, "01", "015", two_letter=two_letter), (new, over), strict=True):
            if payload is None:
                # The table of two-letter codes has no restoral of a missing point that we are sure of.
                assert report.restoral != "required" or (two_letter and report.what == "loss of supervision")
                continue
            frame = decode(build(token_of(payload), 1, "4471", payload))
            assert frame.problems == []
            (signal,) = frame.signals
            assert (signal.code_set, signal.code, signal.qualifier) in due


def test_restoring_a_zone_ends_all_that_is_open_there_and_its_alarm_where_nothing_is() -> None:
    house = Household(TERN)
    assert said(house, "restore 015") == ["3131 01 015"]
    for line in ("open 015", "trip 015 tamper", "open 015", "trip 017"):
        said(house, line)
    assert [thing.label for thing in house.open] == ["zone 015: alarm", "zone 015: tamper", "zone 017: alarm"]
    assert said(house, "close 015") == ["3131 01 015", "3144 01 015"]
    assert said(house, "restore 017 alarm") == ["3111 01 017"]
    assert house.open == []


def test_a_path_that_is_dropped_already_is_not_reported_again() -> None:
    house = Household(TERN)
    assert said(house, "restore wired") == []
    assert said(house, "drop wired") == ["1350 01 000"]
    assert said(house, "drop wired") == []


@pytest.mark.parametrize("line", ["", "   ", "# a comment", "  # another"])
def test_empty_lines_and_comments_say_nothing(line: str) -> None:
    assert Household(TERN).read(line) is None


WRONG = [
    ("opne 015", "'opne 015' cannot be done; say open ZONE, trip ZONE · "),
    ("open", "'open' cannot be done; say open ZONE, trip ZONE"),
    ("open 099", "account 4471 has no zone 099; it has 015, 016, 017, 021"),
    ("trip 015 fire", "zone 015 (door) reports no fire; it reports alarm, tamper, battery, supervision"),
    ("arm 7", "account 4471 has no user 7; it has 002"),
    ("drop dsl", "account 4471 has no path 'dsl'; it has wired, wifi, cellular"),
    ("restore everything", "account 4471 has no zone everything"),
    ("wait long", "wait long: seconds stand there, such as 5 or 0.5"),
    ("wait 99999", "86400 at most"),
    ("send", "'send' cannot be done; say send PAYLOAD"),
    ("send [1]", "send: '[1]': brackets, LF and CR cannot stand inside data"),
    ("send €", "send: '€': '€' is no character of Latin-1"),
    ("quit now", "'quit now' cannot be done; say quit"),
]


@pytest.mark.parametrize(("line", "told"), WRONG)
def test_a_wrong_line_is_told_with_what_is_allowed_in_its_place(line: str, told: str) -> None:
    with pytest.raises(LanguageError, match=re.escape(told)):
        Household(TERN).read(line)


def test_each_form_of_the_language_is_understood_and_stands_in_the_readme() -> None:
    table = (ROOT / "README.md").read_text("utf-8")
    example = {"ZONE": "015", "WHAT": "tamper", "USER": "2", "PATH": "wired", "PAYLOAD": "1131 01 015", "SECONDS": "5"}
    for forms, what in LANGUAGE.items():
        assert f"| `{forms.replace(', ', '`, `')}` | {what} |" in table
        for form in forms.split(", "):
            assert Household(TERN).read(re.sub(r"[A-Z]+", lambda found: example[found[0]], form))


# The command


def test_the_shipped_script_reports_the_whole_night_to_a_real_bench(
    listening: Callable[..., Listening], inside: Farend
) -> None:
    bench = listening("--book", ESTATE)
    done = inside("panel", bench.at(), "--book", ESTATE, "--account", "4471", "--script", NIGHT)
    assert (done.code, done.err.count("Traceback")) == (0, 0)
    assert done.err.startswith("farend is a bench tool")
    assert done.out.decode().endswith("ended: 13 acknowledged\n")
    bench.end()
    came = [entry for entry in bench.objects if entry.get("account") == "4471"]
    events = [entry for entry in came if entry["verdict"] == "accepted"]
    assert [entry["sequence"] for entry in events] == list(range(1, 14))
    codes = [f"{signal['code']} {signal['qualifier']}" for entry in events for signal in entry["signals"]]
    assert codes == [
        "401 restore", "131 new", "350 new", "131 restore", "301 new", "302 new", "111 new",
        "111 restore", "301 restore", "302 restore", "350 restore", "601 new", "401 new",
    ]  # fmt: skip
    assert {entry["path"] for entry in events[2:7]} == {"wifi"}  # while the cable was pulled
    assert {entry["path"] for entry in events[:2] + events[7:]} == {"wired"}
    assert {entry["path"] for entry in came if entry["verdict"] == "poll"} == {"wired", "wifi", "cellular"}
    assert all(entry["problems"] == [] for entry in came)


@pytest.mark.parametrize("line", ["udp", "tls"])
def test_it_speaks_encrypted_over_udp_and_tls_and_takes_the_time_from_a_nak(
    listening: Callable[..., Listening], inside: Farend, certificate: tuple[Path, Path], tmp_path: Path, line: str
) -> None:
    files = ("--tls", f"{HOST}:0", "--certificate", certificate[0], "--private-key", certificate[1])
    bench = listening("--book", ESTATE, *(files if line == "tls" else ("--udp", f"{HOST}:0")))
    script = tmp_path / "pump.panel"
    script.write_text("trip 3\nrestore 3\n")
    trust = ("--trust", certificate[0]) if line == "tls" else ()
    done = inside(
        "panel", bench.at(line), "--book", ESTATE, "--account", "8C20", "--script", script, f"--{line}", *trust,
        "--sia", "--clock-error", "-3000", "--sequence", "9999", "--json",
    )  # fmt: skip
    assert (done.code, done.objects[-1]["acknowledged"]) == (0, 2)
    bench.end()
    events = [entry for entry in bench.objects if entry.get("signals")]
    assert [(entry["verdict"], entry["sequence"], entry["signals"][0]["code"]) for entry in events] == [
        ("stale-clock", 9999, "FA"),
        ("accepted", 9999, "FA"),
        ("accepted", following(9999), "FR"),
    ]
    assert all(entry["encrypted"] and entry["line"] == line for entry in events)


def test_it_turns_to_the_second_receiver_and_counts_on_in_the_next_run(
    listening: Callable[..., Listening], inside: Farend, tmp_path: Path
) -> None:
    bench, first = listening("--book", ESTATE), f"{HOST}:{closed_port()}"
    script = tmp_path / "one.panel"
    script.write_text("trip 1\n")
    for number in (1, 2):
        done = inside(
            "panel",
            first,
            "--second",
            bench.at(),
            "--book",
            ESTATE,
            "--account",
            "120077",
            "--script",
            script,
            "--json",
        )
        assert done.code == 0
        assert [(one["event"], one["receiver"], one["sequence"]) for one in done.objects[:-1]] == [
            *[("sent", first, number), ("unanswered", first, number)] * 3,
            ("sent", bench.at(), number),
            ("acknowledged", bench.at(), number),
        ]
        assert done.objects[1]["why"] == "Connection refused"


def test_what_nobody_takes_is_given_up_at_the_end_of_a_script_and_said(inside: Farend, tmp_path: Path) -> None:
    script = tmp_path / "one.panel"
    script.write_text("trip 1\nstate\n")
    done = inside("panel", f"{HOST}:{closed_port()}", "--book", ESTATE, "--account", "120077", "--script", script)
    assert done.code == 1
    assert "in the outbox: Interior burglary alarm, zone 001 Reading room motion\n" in done.out.decode()
    assert "no receiver can be reached; kept" in done.out.decode()
    assert done.out.decode().endswith("ended: 1 given up, unanswered\n")


def test_a_script_against_dead_receivers_waits_for_no_pause(inside: Farend, tmp_path: Path) -> None:
    script = tmp_path / "one.panel"
    script.write_text("trip 1\nwait\ntrip 2\nwait\nwait\n")
    options = ("--book", ESTATE, "--account", "120077", "--script", script, "--pause", "2", "--json")
    done = inside("panel", f"{HOST}:{closed_port()}", *options)
    assert (done.code, done.objects[-1]["given_up"]) == (1, 2)
    assert [one["event"] for one in done.objects].count("kept") == 1


def test_a_receiver_that_floods_it_does_not_keep_it_from_the_second(
    listening: Callable[..., Listening], inside: Farend, tmp_path: Path
) -> None:
    bench = listening("--book", ESTATE)
    script = tmp_path / "one.panel"
    script.write_text("trip 1\n")

    def flood() -> None:
        while True:
            try:
                connection, _ = first.accept()
            except OSError:
                return
            with connection:
                connection.recv(4096)
                try:
                    connection.sendall(b"\nxx" * 30000)
                    connection.recv(4096)  # until the panel has had enough
                except OSError:
                    pass

    with socket.create_server((HOST, 0)) as first:
        threading.Thread(target=flood, daemon=True).start()
        done = inside(
            "panel", f"{HOST}:{first.getsockname()[1]}", "--second", bench.at(), "--book", ESTATE,
            "--account", "120077", "--script", script, "--wait", "5", "--tries", "2", "--json",
        )  # fmt: skip
        first.shutdown(socket.SHUT_RDWR)
    assert [one["event"] for one in done.objects[:8]] == ["sent", "foreign", "unanswered"] * 2 + [
        "sent",
        "acknowledged",
    ]
    assert done.objects[2]["why"] == "it answered 20 times with what does not belong to it; closed here"


@pytest.mark.parametrize("options", [(), ("--json",)], ids=["words", "json"])
def test_where_nobody_reads_what_it_prints_it_ends_quietly(tmp_path: Path, options: tuple[str, ...]) -> None:
    script = tmp_path / "one.panel"
    script.write_text("trip 1\nwait 600\n")
    panel = started(tmp_path, "--script", script, "--pause", "0.2", *options)
    assert panel.stdout
    assert panel.stdout.readline()
    panel.stdout.close()
    assert panel.stderr
    with panel.stderr:
        told = panel.stderr.read().decode()
    assert panel.wait(SECONDS) == 1
    assert told.splitlines()[2:] == []


def test_ctrl_c_in_the_middle_of_a_script_shows_in_what_is_said_last_and_in_the_exit_code(
    listening: Callable[..., Listening], tmp_path: Path
) -> None:
    bench = listening("--book", ESTATE)
    script = tmp_path / "half.panel"
    script.write_text("trip 1\nwait\nstate\nwait 600\ntest\n")
    panel = started(tmp_path, "--script", script, at=bench.at())
    assert panel.stdout
    while b"in the outbox" not in panel.stdout.readline():
        pass
    panel.send_signal(signal.SIGINT)
    out, err = panel.communicate(timeout=SECONDS)
    assert (panel.returncode, out.decode()) == (1, "ended: 1 acknowledged, 2 of the script's lines left undone\n")
    assert b"Traceback" not in err


def test_with_every_path_dropped_a_script_ends_too(inside: Farend, tmp_path: Path) -> None:
    script = tmp_path / "one.panel"
    script.write_text("drop wired\ndrop cellular\ndrop wifi\nopen 15\nwait\nstate\n")
    done = inside(
        "panel", f"{HOST}:{closed_port()}", "--book", ESTATE, "--account", "4471", "--script", script, "--json"
    )
    assert (done.code, done.objects[-1]["given_up"]) == (1, 3)  # two paths were reported over what was left then
    assert done.objects[-2]["dropped"] == ["cellular", "wifi", "wired"]


def test_a_duh_is_told_and_shows_in_the_exit_code(
    listening: Callable[..., Listening], inside: Farend, station: Path, tmp_path: Path
) -> None:
    bench = listening("--book", station)  # which does not know the account
    script = tmp_path / "one.panel"
    script.write_text("trip 1\n")
    done = inside("panel", bench.at(), "--book", ESTATE, "--account", "120077", "--script", script)
    assert (done.code, "DUH: it arrived right" in done.out.decode()) == (1, True)


def test_a_script_with_wrong_lines_is_refused_whole_with_each_line_named_before_anything_is_sent(
    inside: Farend, tmp_path: Path
) -> None:
    script = tmp_path / "wrong.panel"
    script.write_text(
        f"open 015\n# fine so far\nopne 015\nclose 015\nwait long\nsend {'x' * 3000}\nsend {'x' * 1000}\n"
    )
    with socket.create_server((HOST, 0)) as receiver:
        receiver.settimeout(0.2)
        at = f"{HOST}:{receiver.getsockname()[1]}"
        done = inside("panel", at, "--book", ESTATE, "--account", "4471", "--script", script, "--key", "00" * 16)
        with pytest.raises(TimeoutError):
            receiver.accept()
    assert (done.code, done.out) == (2, b"")
    assert f"{script}:3: 'opne 015' cannot be done; say open ZONE" in done.err
    assert f"{script}:5: wait long: seconds stand there" in done.err
    assert f"{script}:6: send: a frame counts at most 4095 bytes; this one has 6" in done.err  # sealed: twice as long
    assert f"{script}:1" not in done.err
    assert f"{script}:7" not in done.err


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--account", "4472"), "no account of the book has the number 4472: 4471 Tern Point"),
        (("--account", "4471", "--udp", "--tls"), "say one of --udp and --tls"),
        (("--account", "4471", "--script", "nowhere.panel"), "nowhere.panel cannot be read"),
        (("--account", "4471", "--trust", "nowhere.pem"), "there is no such file"),
        (("--account", "4471", "--key", "AA"), "--key"),
        (("--account", "4471", "--clock-error", "1e18"), "Invalid value for '--clock-error'"),
        (("--account", "4471", "--clock-error", "nan"), "Invalid value for '--clock-error'"),
        (("--account", "4471", "--wait", "inf"), "Invalid value for '--wait'"),
        (("--account", "4471", "--second", "192.0.2.2:12009"), "'' is not '192.0.2.2': nothing was sent"),
    ],
)
def test_what_cannot_run_says_why(inside: Farend, options: tuple[str, ...], told: str) -> None:
    done = inside("panel", f"{HOST}:{closed_port()}", "--book", ESTATE, *options)
    assert (done.code, done.out) == (2, b"")
    assert told in done.err


def test_the_word_for_one_target_is_none_for_the_other(inside: Farend) -> None:
    """192.0.2.0/24 are addresses for documents (RFC 5737) and lead nowhere."""
    options = ("--book", ESTATE, "--account", "4471", "--target-is-mine", "192.0.2.2")
    done = inside("panel", "192.0.2.1:9", "--second", "192.0.2.2:9", *options)
    assert (done.code, done.out) == (2, b"")
    assert "'192.0.2.2' is not '192.0.2.1': nothing was sent" in done.err


def test_with_no_stdin_at_all_it_ends(tmp_path: Path) -> None:
    line = command("panel", f"{HOST}:{closed_port()}", "--book", ESTATE, "--account", "120077")
    shell = ["sh", "-c", '"$@" <&-', "sh", *line]
    done = subprocess.run(shell, capture_output=True, cwd=tmp_path, env=clean_environment(), timeout=20, check=False)
    assert (done.returncode, done.stdout) == (0, b"ended: nothing was sent\n")
    assert b"Traceback" not in done.stderr


def test_lines_from_a_pipe_are_done_as_they_come_and_a_wrong_one_stops_nothing(
    listening: Callable[..., Listening], farend: Farend
) -> None:
    bench = listening("--book", ESTATE)
    done = farend(
        "panel", bench.at(), "--book", ESTATE, "--account", "120077", "--json",
        stdin=b"trip 1\nopne\nhelp\n\nrestore 1\nsend [1]\narm 11",
    )  # fmt: skip
    assert done.code == 1
    assert "line 2: 'opne' cannot be done" in done.err
    assert "brackets" in done.err
    assert [one["payload"] for one in done.objects if one["event"] == "acknowledged"] == [
        "1132 00 001",
        "3132 00 001",
        "3401 00 011",
    ]
    assert {
        "event": "end",
        "acknowledged": 3,
        "refused": 0,
        "missed": 0,
        "wrong": 2,
        "given_up": 0,
        "undone": 0,
    } in done.objects


def test_at_a_terminal_it_answers_to_what_is_typed_while_its_polls_go_on(
    listening: Callable[..., Listening], tmp_path: Path
) -> None:
    bench = listening("--book", ESTATE)
    ours, theirs = pty.openpty()
    panel = subprocess.Popen(
        command("panel", bench.at(), "--book", ESTATE, "--account", "4471"),
        stdin=theirs, stdout=theirs, stderr=theirs, cwd=tmp_path,
        env=clean_environment({"XDG_STATE_HOME": str(tmp_path), "TERM": "xterm", "COLUMNS": "150"}),
    )  # fmt: skip
    os.close(theirs)
    shown = ""

    def until(text: str) -> None:
        nonlocal shown
        deadline = time.monotonic() + 2 * SECONDS
        while text not in shown:
            assert time.monotonic() < deadline, shown
            shown = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", shown + os.read(ours, 65536).decode())

    until("type help")
    os.write(ours, b"opem\x7fn 15\n")
    until("#0001  → ACK")
    os.write(ours, b"arm 9\n")
    until("has no user 9")
    os.write(ours, b"quit\n")
    until("ended: 1 acknowledged")
    assert "poll  → ACK" in shown
    assert panel.wait(SECONDS) == 0
    os.close(ours)


def started(cwd: Path, *options: object, at: str | None = None) -> "subprocess.Popen[bytes]":
    """The panel of the Old Mill, which does not poll; without `at`, nobody listens where it sends to."""
    return subprocess.Popen(
        command("panel", at or f"{HOST}:{closed_port()}", "--book", ESTATE, "--account", "120077", *options),
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=cwd,
        env=clean_environment({"XDG_STATE_HOME": str(cwd)}),
    )  # fmt: skip


def closed_port() -> int:
    """A port of TCP on which nobody listens now."""
    with socket.socket() as taken:
        taken.bind((HOST, 0))
        return int(taken.getsockname()[1])
