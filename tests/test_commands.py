"""The commands from outside: what scripts hold on to. Names, options, JSON fields and exit codes.

`farend` runs a command as a process of its own, `inside` runs it in the process of the tests.
"""

import fcntl
import io
import json
import os
import pty
import random
import re
import shlex
import socket
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import typer
from conftest import (
    BOOK,
    HOST,
    SECRET,
    Done,
    Farend,
    Listening,
    NoListening,
    ack,
    alarm,
    clean_environment,
    command,
    envelope,
    exchange,
    sealed,
    stamp,
)
from typer.core import TyperGroup
from typer.testing import CliRunner

from tools import common
from tools.common import target
from tools.farend import app

Listen = Callable[..., Listening]

EXAMPLE = b'\n7CBF0041"ADM-CID"0123R1L0#123456[#123456|1131 01 015]_12:34:56,11-25-2026\r'
DECODED = {
    "at": None,
    "raw": '\\n7CBF0041"ADM-CID"0123R1L0#123456[#123456|1131 01 015]_12:34:56,11-25-2026\\r',
    "crc": {"sent": "7CBF", "computed": "7CBF"},
    "length": {"sent": 65, "counted": 65},
    "token": "ADM-CID",
    "encrypted": False,
    "sequence": 123,
    "receiver": "1",
    "prefix": "0",
    "account": "123456",
    "stamp": "2026-11-25T12:34:56Z",
    "extended": [],
    "problems": [],
}
SIGNAL = {"code_set": "contact-id", "code": "131", "qualifier": "new", "category": "burglary"}
SIGNAL |= {"area": "01", "zone": "015", "user": None, "text": None}
LISTENED = {"line", "peer", "verdict", "reply", "sequence_note", "refused_alarm", "account_name", "notes"}
NAMED = {"area_name", "zone_name", "user_name", "path"}
POLL = envelope('"NULL"0000L0#4471[]')
UNREADABLE = b"\n0000" + alarm(14)[5:]


# listen


def test_listen_says_first_where_it_listens_and_then_a_line_a_frame(station: Path, listening: Listen) -> None:
    bench = listening("--book", station, "--unknown", "silent")
    ports = {line: bench.port(line) for line in ("tcp", "udp")}
    assert json.loads(bench.first) == {
        "mode": "bench",
        "listening": [{"line": line, "host": HOST, "port": port} for line, port in ports.items()],
    }
    message = envelope('"ADM-CID"0012L0#4471[#4471|1131 01 015][Vhttps://pictures.example/1]')
    assert exchange(ports["tcp"], message, message, POLL) == [ack(12), ack(12), ack(0)]
    assert exchange(ports["udp"], alarm(20), kind=socket.SOCK_DGRAM) == [ack(20)]
    first, again, poll, other = bench.printed(4)
    for line in (first, again, poll, other):
        assert set(line) >= set(DECODED) | LISTENED
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", line["at"])
        assert re.fullmatch(rf"{HOST}:\d+", line["peer"])
        assert all(set(signal) >= set(SIGNAL) | {"meaning"} | NAMED for signal in line["signals"])
    told = [
        (line["line"], line["verdict"], line["reply"], line["sequence_note"]) for line in (first, again, poll, other)
    ]
    assert told == [
        ("tcp", "accepted", "ACK", None),
        ("tcp", "repeat", "ACK", "repeat"),
        ("tcp", "poll", "ACK", None),
        ("udp", "accepted", "ACK", "gap"),
    ]
    (signal,) = first["signals"]
    assert signal.items() >= (SIGNAL | {"area_name": "Laboratory", "zone_name": "Freezer room door"}).items()
    assert (signal["user_name"], signal["path"], first["account_name"]) == (None, "wired", "Tern Point field station")
    assert first["extended"] == [{"id": "V", "name": "verification", "value": "https://pictures.example/1"}]
    assert bench.end() == 0


def test_without_a_line_it_listens_on_tcp_and_udp_of_its_own_port(tmp_path: Path) -> None:
    """127.0.0.1:12009, as the contract has it; where another program holds that port, it says so and names it."""
    try:
        with Listening(cwd=tmp_path) as bench:
            told = " ".join(
                f"{line['line']} {line['host']}:{line['port']}" for line in json.loads(bench.first)["listening"]
            )
    except NoListening as error:
        told = str(error)
    assert re.search(r"^tcp 127.0.0.1:12009 udp 127.0.0.1:12009$|(tcp|udp) 127.0.0.1:12009 cannot be opened", told)


def test_listen_may_have_many_lines_of_a_kind(listening: Listen) -> None:
    bench = listening("--tcp", f"{HOST}:0", "--tcp", f"{HOST}:0", "--udp", "[::1]:0")
    lines = json.loads(bench.first)["listening"]
    assert [(line["line"], line["host"]) for line in lines] == [("tcp", HOST), ("tcp", HOST), ("udp", "::1")]


def test_a_stdout_that_nobody_reads_delays_no_answer_and_not_the_end(station: Path, tmp_path: Path) -> None:
    with unread("--book", station, cwd=tmp_path) as (process, port):
        answered = []
        for sequence in range(1, 41):
            began = time.monotonic()
            assert exchange(port, alarm(sequence)) == [ack(sequence)]
            answered.append(time.monotonic() - began)
        assert process.stdout
        waiting = fcntl.ioctl(process.stdout, termios.FIONREAD, b"\0" * 4)
        assert (
            int.from_bytes(waiting, sys.byteorder) > 900
        )  # what gathered since does not fit into the pipe: the bench is not read
        assert max(answered) < 1
        process.terminate()
        assert process.wait(10) == 0


def test_lines_that_wait_for_a_slow_reader_when_it_is_ended_are_still_printed(station: Path, tmp_path: Path) -> None:
    with unread("--book", station, cwd=tmp_path) as (process, port):
        assert exchange(port, *map(alarm, range(1, 31))) == list(map(ack, range(1, 31)))
        process.terminate()
        time.sleep(0.3)
        assert process.stdout
        lines = process.stdout.read().splitlines()
        assert process.wait(10) == 0
        assert [json.loads(line)["sequence"] for line in lines] == list(range(1, 31))


@contextmanager
def unread(*options: object, cwd: Path) -> Iterator[tuple["subprocess.Popen[bytes]", int]]:
    """`farend listen --json` with a small pipe as stdout, of which only the first line is read."""
    process = subprocess.Popen(
        command("listen", "--json", "--tcp", f"{HOST}:0", *options),
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        bufsize=0,
        pipesize=4096,
        cwd=cwd,
        env=clean_environment(),
    )
    try:
        assert process.stdout
        yield process, json.loads(process.stdout.readline())["listening"][0]["port"]
    finally:
        process.kill()
        process.wait()
        if process.stdout:
            process.stdout.close()


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--tcp", "nowhere"], "is not HOST:PORT"),
        (["--tcp", f"{HOST}:66000"], "is not HOST:PORT"),
        (["--tls", f"{HOST}:0"], "--certificate FILE and --private-key FILE"),
        (["--book", "none.toml"], "cannot be read"),
        (["--journal", "no/such/folder/j"], "cannot be written"),
        (["--unknown", "nak"], "nak"),
    ],
    ids=" ".join,
)
def test_listen_that_cannot_begin_ends_with_2_and_a_reason(farend: Farend, options: list[str], told: str) -> None:
    done = farend("listen", *options)
    assert (done.code, done.out) == (2, b"")
    assert told in done.err
    assert "Traceback" not in done.err


def test_a_port_that_is_taken_is_told(farend: Farend) -> None:
    with socket.create_server((HOST, 0)) as taken:
        done = farend("listen", "--tcp", f"{HOST}:{taken.getsockname()[1]}")
    assert (done.code, "cannot be opened: Address already in use" in done.err) == (2, True)


# journal


def test_the_journal_gives_back_what_listen_printed(
    station: Path, tmp_path: Path, listening: Listen, farend: Farend, inside: Farend
) -> None:
    journal = tmp_path / "station.journal"
    bench = listening("--book", station, "--journal", journal, "--unknown", "ack")
    secret = sealed('"*SIA-DCS"0001L0#8C20', "#8C20|Nri1/FA3]" + stamp())
    exchange(bench.port(), alarm(12), POLL, alarm(12), alarm(3, "4417"), secret)
    exchange(bench.port("udp"), UNREADABLE + b"noise" + alarm(13), kind=socket.SOCK_DGRAM)
    bench.printed(8)
    assert bench.end() == 0
    printed = [line for line in bench.lines if json.loads(line)["verdict"] != "poll"]
    assert len(printed) == 7
    at = json.loads(printed[4])["at"]
    assert farend("journal", "list", "--journal", journal, "--json").out == b"".join(printed)
    assert inside("journal", "export", "--journal", journal).out == b"".join(printed)
    assert inside("journal", "list", "--journal", journal, "--json", "--since", at).out == b"".join(printed[4:])
    own = [line for line in printed if json.loads(line)["account"] == "4471"]
    assert inside("journal", "list", "--journal", journal, "--json", "--account", "04471").out == b"".join(own)
    number = json.loads(printed[2])["row"]
    assert inside("journal", "show", number, "--journal", journal, "--json").out == printed[2]
    assert inside("journal", "verify", "--journal", journal).code == 0


def test_a_row_that_is_not_there_and_a_time_that_is_none_are_told(listening: Listen, inside: Farend) -> None:
    assert listening("--journal", "j").end() == 0
    assert inside("journal", "show", 99, "--journal", "j").code == 1
    assert inside("journal", "list", "--journal", "j", "--since", "yesterday").code == 2


# send


class Receiver:
    """A receiver of the test's own, which answers as it is told, and keeps what it heard and when."""

    def __init__(self, answer: Callable[[bytes], bytes]) -> None:
        self.answer = answer
        self.heard: list[bytes] = []
        self.times: list[float] = []
        self.server = socket.create_server((HOST, 0))
        self.port = self.server.getsockname()[1]
        self.thread = threading.Thread(target=self._serve)
        self.thread.start()

    def _serve(self) -> None:
        while True:
            connection, _ = self.server.accept()
            with connection, connection.makefile("rb") as stream, suppress(ConnectionError):
                while data := self._frame(stream):
                    if data == b"end\r":
                        return
                    self.heard.append(data)
                    self.times.append(time.monotonic())
                    connection.sendall(self.answer(data))

    def _frame(self, stream: io.BufferedIOBase) -> bytes:
        data = b""
        while not data.endswith(b"\r") and (byte := stream.read(1)):
            data += byte
        return data

    def __enter__(self) -> "Receiver":
        return self

    def __exit__(self, *_: object) -> None:
        with socket.create_connection((HOST, self.port)) as last:
            last.sendall(b"end\r")
        self.thread.join()
        self.server.close()


def test_send_ends_with_0_for_an_ack_3_for_a_nak_and_4_for_a_duh(
    station: Path, listening: Listen, farend: Farend, inside: Farend
) -> None:
    bench = listening("--book", station)
    tcp, udp = bench.at(), bench.at("udp")
    clear = ("--account", "4471", "--contact-id", "1131 01 015")
    secret = ("--account", "8C20", "--sia", "Nri1/FA3", "--key", SECRET)
    assert farend("send", tcp, *clear).code == 0
    assert inside("send", udp, "--udp", *clear, "--sequence", 2).code == 0
    assert inside("send", tcp, "--account", "4471", "--poll").code == 0
    assert inside("send", tcp, *secret).code == 0
    assert farend("send", tcp, *secret, "--stamp", "2020-01-01T00:00:00Z").code == 3
    assert inside("send", tcp, *secret, "--stamp", "none").code == 3  # sealed without a stamp: 5.5.2.1 forbids it
    assert farend("send", tcp, "--account", "4417", "--poll").code == 4
    verdicts = [line["verdict"] for line in bench.printed(7)]
    assert verdicts == ["accepted", "accepted", "poll", "accepted", "stale-clock", "stale-clock", "unknown-account"]


def test_send_ends_with_6_for_the_answer_to_another_message(farend: Farend) -> None:
    with Receiver(lambda _: ack(2)) as strange:
        send = ("send", f"{HOST}:{strange.port}", "--account", "4471", "--sia", "Nri1/BA15", "--timeout", 0.3)
        assert farend(*send, "--retries", 0).code == 6


def test_send_writes_what_it_was_asked_to(station: Path, listening: Listen, inside: Farend) -> None:
    bench = listening("--book", station)
    options = ("--sequence", 77, "--receiver", "1A", "--prefix", "2", "--stamp", "2026-11-25T12:34:56Z")
    done = inside("send", bench.at(), "--account", "4471", "--sia", "Nri1/BA15", *options, "--json")
    (told,) = done.objects
    assert (done.code, told["word"], told["tries"]) == (0, "ACK", 1)
    (line,) = bench.printed(1)
    due = envelope('"SIA-DCS"0077R1AL2#4471[#4471|Nri1/BA15]_12:34:56,11-25-2026')
    assert line["raw"] == told["sent"]["raw"] == due.decode().replace("\n", r"\n").replace("\r", r"\r")
    assert told["answer"]["token"] == "ACK"
    inside("send", bench.at(), "--account", "4471", "--poll", "--stamp", "none")
    assert bench.printed(2)[1]["raw"] == POLL.decode().replace("\n", r"\n").replace("\r", r"\r")


def test_send_over_udp_and_to_ipv6(station: Path, listening: Listen, inside: Farend) -> None:
    bench = listening("--book", station, "--tcp", "[::1]:0", "--udp", "[::1]:0")
    for line, options in (("tcp", ()), ("udp", ("--udp",))):
        done = inside("send", f"[::1]:{bench.port(line)}", "--account", "4471", "--sia", "Nri1/BA15", *options)
        assert done.code == 0


def test_send_over_tls_checks_the_receiver_when_it_is_told_whom_to_trust(
    station: Path, certificate: tuple[Path, Path], tmp_path: Path, listening: Listen, inside: Farend
) -> None:
    files = ("--certificate", certificate[0], "--private-key", certificate[1])
    bench = listening("--book", station, "--tls", f"{HOST}:0", *files)
    send = ("send", bench.at("tls"), "--tls", "--account", "4471", "--sia", "Nri1/BA15", "--retries", 0)
    checked = inside(*send, "--trust", certificate[0])
    assert (checked.code, "not checked" in checked.err) == (0, False)
    trusting = inside(*send, "--sequence", 2)
    assert (trusting.code, "not checked" in trusting.err) == (0, True)
    assert [line["line"] for line in bench.printed(2)] == ["tls", "tls"]
    assert inside("send", f"localhost:{bench.port('tls')}", *send[2:], "--trust", certificate[0]).code == 5
    assert len(bench.printed(2)) == 2  # it is for another host, so nothing was said to it


def test_send_that_gets_no_answer_sends_the_same_bytes_again_and_ends_with_5(farend: Farend) -> None:
    """In clear the same bytes, under the same number, some three tries (from memory of DC-09)."""
    with Receiver(lambda _: b"") as silent:
        options = ("--account", "4471", "--sia", "Nri1/BA15", "--timeout", 0.3, "--retries", 2)
        assert farend("send", f"{HOST}:{silent.port}", *options).code == 5
    assert len(silent.heard) == 3
    assert len(set(silent.heard)) == 1


def test_send_to_a_port_where_nobody_listens_ends_with_5(inside: Farend) -> None:
    with socket.socket() as bound:
        bound.bind((HOST, 0))
        at = f"{HOST}:{bound.getsockname()[1]}"
        for options in ((), ("--udp",)):
            done = inside("send", at, "--account", "4471", "--poll", "--timeout", 0.2, "--retries", 1, *options)
            assert (done.code, "Traceback" in done.err) == (5, False)


FOREIGN = {
    "another sequence": (lambda _: ack(2), ()),
    "another account": (lambda _: ack(1, "4472"), ()),
    "a wrong crc": (lambda _: b"\n0000" + ack(1)[5:], ()),
    "no frame": (lambda _: b"OK\r\n", ()),
    "its own message": (lambda data: data, ()),
    "a clear ACK to an encrypted message": (lambda _: ack(1), ("--key", SECRET)),
    "an ACK sealed with another key": (
        lambda _: sealed('"*ACK"0001L0#4471', "]" + stamp(), common.Key(bytes(16))),
        ("--key", SECRET),
    ),
}


@pytest.mark.parametrize("what", FOREIGN)
def test_send_that_hears_what_does_not_belong_to_the_message_ends_with_6(inside: Farend, what: str) -> None:
    answer, options = FOREIGN[what]
    with Receiver(answer) as strange:
        send = ("send", f"{HOST}:{strange.port}", "--account", "4471", "--sia", "Nri1/BA15")
        done = inside(*send, "--timeout", 0.3, "--retries", 0, "--json", *options)
    assert (done.code, done.objects[0]["word"]) == (6, "foreign")
    assert done.objects[0]["why"]


def test_send_takes_the_right_answer_though_a_foreign_one_came_first(inside: Farend) -> None:
    with Receiver(lambda _: ack(2) + ack(1)) as late:
        assert (
            inside("send", f"{HOST}:{late.port}", "--account", "4471", "--sia", "Nri1/BA15", "--timeout", 2).code == 0
        )


@pytest.mark.parametrize(
    "options",
    [
        [],
        ["--poll", "--sia", "Nri1/BA15"],
        ["--poll", "--udp", "--tls"],
        ["--poll", "--stamp", "tomorrow"],
        ["--poll", "--key", "abc"],
        ["--poll", "--sequence", "10000"],
        ["--poll", "--receiver", "x"],
        ["--poll", "--tls", "--trust", "none.pem"],
        ["--sia", "Nri1/BA15]"],
    ],
    ids=" ".join,
)
def test_send_that_cannot_be_understood_ends_with_2_and_sends_nothing(inside: Farend, options: list[str]) -> None:
    with Receiver(lambda _: b"") as receiver:
        done = inside("send", f"{HOST}:{receiver.port}", "--account", "4471", *options)
    assert (done.code, done.out, receiver.heard) == (2, b"", [])
    assert "Traceback" not in done.err


# The target rule: what is sent are alarms. 192.0.2.1 is an address for documents (RFC 5737) and leads nowhere.


@pytest.mark.parametrize("stdin", [b"", b"192.0.2.2\n", b"yes\n", None], ids=["empty", "another", "yes", "closed"])
def test_to_another_machine_nothing_is_sent_unless_its_address_is_typed_again(
    farend: Farend, inside: Farend, tmp_path: Path, stdin: bytes | None
) -> None:
    capture = tmp_path / "c"
    capture.write_text('{"capture": "farend", "version": 1, "began": "2026-11-25T12:00:00Z", "note": ""}\n')
    for sends in (
        ("send", "192.0.2.1:12009", "--account", "4471", "--poll"),
        ("replay", capture, "--to", "192.0.2.1:9"),
    ):
        began = time.monotonic()
        run = inside if stdin else farend
        done = closed_stdin(*sends, cwd=tmp_path) if stdin is None else run(*sends, stdin=stdin)
        assert (done.code, done.out) == (2, b"")
        assert "nothing was sent" in done.err
        assert time.monotonic() - began < 5  # it did not wait for an answer either


def closed_stdin(*arguments: object, cwd: Path) -> Done:
    """Run the command with no stdin at all, as some schedulers do."""
    line = " ".join(map(shlex.quote, command(*arguments))) + " <&-"
    done = subprocess.run(
        ["sh", "-c", line], capture_output=True, cwd=cwd, env=clean_environment(), timeout=30, check=False
    )
    return Done(done.returncode, done.stdout, done.stderr.decode())


def test_a_target_is_good_once_its_host_was_said_again(monkeypatch: pytest.MonkeyPatch) -> None:
    assert target("192.0.2.1:12009", "192.0.2.1") == ("192.0.2.1", 12009)
    assert target("[2001:db8::1]:9", "2001:db8::1") == ("2001:db8::1", 9)
    monkeypatch.setattr(sys, "stdin", io.StringIO("192.0.2.1\n"))
    assert target("192.0.2.1:12009", None) == ("192.0.2.1", 12009)


@pytest.mark.parametrize("text", ["127.0.0.1:9", "127.3.2.1:9", "[::1]:9", "localhost:9"])
def test_loopback_needs_no_word(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    assert target(text, None)[1] == 9


@pytest.mark.parametrize("mine", ["192.0.2.2", "", "192.0.2.1:12009", "localhost"])
def test_a_target_that_was_not_said_again_is_refused(mine: str) -> None:
    with pytest.raises(typer.Exit) as refused:
        target("192.0.2.1:12009", mine)
    assert refused.value.exit_code == 2


# decode


def test_decode_gives_the_contracts_example(farend: Farend) -> None:
    done = farend("decode", "--json", stdin=EXAMPLE)
    (frame,) = done.objects
    assert done.code == 0
    assert frame.items() >= DECODED.items()
    (signal,) = frame["signals"]
    assert signal.items() >= SIGNAL.items()
    assert "burglary" in signal["meaning"].lower()
    assert frame["notes"] == []


def test_decode_reads_files_hex_and_text_alike(inside: Farend, tmp_path: Path) -> None:
    due = inside("decode", "--json", stdin=EXAMPLE + alarm(1)).out
    plain, digits, text = (tmp_path / name for name in ("frames", "frames.hex", "frames.txt"))
    plain.write_bytes(EXAMPLE + alarm(1))
    digits.write_text(plain.read_bytes().hex(" "))
    raws = [json.loads(line)["raw"] for line in due.splitlines()]
    text.write_text("\n".join(raws) + "\n")
    assert inside("decode", "--json", plain).out == due
    assert inside("decode", "--json", "--hex", digits).out == due
    assert inside("decode", "--json", "--hex", stdin=digits.read_bytes().upper()).out == due
    assert inside("decode", "--json", "--text", text).out == due
    assert inside("decode", "--json", "--text", stdin=raws[0][2:-2].encode()).objects == [
        json.loads(due.splitlines()[0])
    ]
    assert inside("decode", "--json", plain, plain).out == due * 2


def test_decode_ends_with_1_when_something_is_wrong_with_a_frame(farend: Farend) -> None:
    done = farend("decode", "--json", stdin=EXAMPLE + UNREADABLE)
    assert [[problem["rule"] for problem in frame["problems"]] for frame in done.objects] == [[], ["crc-mismatch"]]
    assert done.code == 1


@pytest.mark.parametrize(
    ("options", "stdin"),
    [
        (["none.bin"], b""),
        (["."], b""),
        (["--hex"], b"0x7G"),
        (["--hex"], b"abc"),
        (["--text"], rb"a\q"),
        (["--hex", "--text"], b""),
        (["--key", "abc"], b""),
        (["--key", "env:NO_SUCH_KEY"], b""),
        (["--what"], b""),
    ],
    ids=str,
)
def test_decode_that_cannot_read_its_input_ends_with_2(inside: Farend, options: list[str], stdin: bytes) -> None:
    done = inside("decode", *options, stdin=stdin)
    assert (done.code, "Traceback" in done.err) == (2, False)
    assert done.err


def test_decode_does_not_compare_stamps_with_the_present_time(inside: Farend) -> None:
    old = envelope('"SIA-DCS"0001L0#4471[#4471|Nri1/BA15]_00:00:00,01-01-2007')
    assert inside("decode", stdin=old).code == 0


def test_decode_opens_what_is_sealed_with_the_key_from_wherever_it_stands(
    inside: Farend, station: Path, tmp_path: Path
) -> None:
    frame = sealed('"*SIA-DCS"0001L0#8C20', "#8C20|Nri1/FA3]" + stamp())
    (tmp_path / "key").write_text(SECRET + "\n")
    for options in (["--key", SECRET], ["--key", "@key"], ["--key", "env:BENCH_KEY"], ["--book", station]):
        done = inside("decode", "--json", *options, stdin=frame, env={"BENCH_KEY": SECRET})
        assert (done.code, done.objects[0]["signals"][0]["category"]) == (0, "fire")
    assert inside("decode", "--json", stdin=frame).objects[0]["problems"][0]["rule"] == "no-key"
    wrong = inside("decode", "--json", "--key", "00" * 16, stdin=frame)
    assert (wrong.code, wrong.objects[0]["problems"][0]["rule"]) == (1, "decrypt-failed")


def test_a_million_random_bytes_are_objects_each_with_a_problem(farend: Farend) -> None:
    done = farend("decode", "--json", stdin=random.Random(9).randbytes(1_000_000))
    assert (done.code, done.err.strip()) == (1, "")
    assert all(frame["problems"] and frame["raw"].isascii() for frame in done.objects)
    assert sum(frame["size"] for frame in done.objects) == 1_000_000


def test_decode_for_a_person_shows_where_the_frame_is_wrong(inside: Farend) -> None:
    shown = inside("decode", stdin=UNREADABLE).out.decode()
    crc = alarm(14)[1:5].decode()
    assert "crc-mismatch" in shown
    assert f"sent 0000; these bytes give {crc}" in shown
    assert "    ^^^^" not in shown.splitlines()[0]
    assert any(line.strip() == "^^^^" for line in shown.splitlines())


# Keys


def test_a_key_is_never_in_any_output_nor_on_disk(
    tmp_path: Path, listening: Listen, farend: Farend, inside: Farend
) -> None:
    book, capture, journal = (tmp_path / name for name in ("station.toml", "day.capture", "station.journal"))
    book.write_text(BOOK)
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(BOOK.replace(SECRET, SECRET + "00") + f'keey = "hex:{SECRET}"\n')
    unmarked = tmp_path / "unmarked.toml"
    unmarked.write_text(BOOK.replace("hex:", ""))
    bench = listening("--book", book, "--journal", journal, "--capture", capture)
    sends = ("send", bench.at(), "--account", "8C20", "--sia", "Nri1/FA3", "--key")
    frame = sealed('"*SIA-DCS"0009L0#8C20', "#8C20|Nri1/FA3]" + stamp())
    torn = sealed('"*SIA-DCS"0009L0#8C20', "#8C20|Nri1/FA3" + stamp())
    done = [
        inside(*sends, SECRET, "--json"),
        inside(*sends, SECRET, "--stamp", "2020-01-01T00:00:00Z"),
        inside(*sends, "env:BENCH_KEY", env={"BENCH_KEY": SECRET}),
        inside(*sends, SECRET[:-1]),
        inside(*sends, SECRET + "0011"),
        inside(*sends, f"hex:{SECRET}"),
        inside("decode", "--key", SECRET, stdin=frame + torn),
        inside("decode", "--key", SECRET, "--json", stdin=frame + torn),
        inside("decode", "--key", SECRET + "zz", stdin=frame),
        inside("decode", "--book", book, stdin=frame),
        inside("book", "check", book),
        inside("book", "check", wrong),
        inside("book", "check", unmarked),
        farend("listen", "--tcp", f"{HOST}:0", "--book", unmarked, "--journal", "other"),
        inside("book", "show", book),
        inside("book", "show", book, "--json"),
    ]
    assert bench.end() == 0
    done += [
        inside("journal", "list", "--journal", journal),
        inside("journal", "list", "--journal", journal, "--json", "--events"),
        inside("journal", "show", 2, "--journal", journal),
        inside("journal", "export", "--journal", journal, "--as", "csv"),
        inside("replay", capture, "--book", book, "--speed", "max", "--json"),
    ]
    assert [one.code for one in done] == [0, 3, 0, 2, 2, 2, 1, 1, 2, 0, 0, 1, 1, 2, 0, 0, 0, 0, 0, 0, 0]
    files = [path.read_bytes() for path in tmp_path.rglob("*") if path.is_file() and path.suffix != ".toml"]
    assert len(files) >= 3
    for output in (*(one.out + one.err.encode() for one in done), *bench.lines, bench.talk.encode(), *files):
        assert SECRET[:16].lower().encode() not in output.lower()
        assert bytes.fromhex(SECRET)[:8] not in output


# Captures


def test_a_capture_played_into_a_new_bench_gets_the_answers_that_were_recorded(
    station: Path, tmp_path: Path, listening: Listen, farend: Farend, inside: Farend
) -> None:
    capture = tmp_path / "day.capture"
    bench = listening("--book", station, "--capture", capture)
    secret = sealed('"*SIA-DCS"0001L0#8C20', "#8C20|Nri1/FA3]" + stamp(-5))
    exchange(bench.port(), alarm(12), POLL, b"noise" + alarm(12), alarm(3, "4417"))
    exchange(bench.port(), UNREADABLE + secret, sealed('"*SIA-DCS"0002L0#8C20', "#8C20|Nri1/FA3]" + stamp(-90)))
    assert bench.end() == 0
    head, *lines = [json.loads(line) for line in capture.read_bytes().splitlines()]
    assert (head["capture"], head["version"]) == ("farend", 1)
    assert [line["what"] for line in lines].count("open") == 2
    assert {line["what"] for line in lines} == {"open", "panel", "receiver", "close"}

    again = listening("--book", station, "--journal", "again")
    done = farend("replay", capture, "--to", again.at(), "--speed", "max", "--json")
    assert done.code == 0, done.err
    words = [one["word"] for one in done.objects]
    assert sorted(words) == ["ACK", "ACK", "ACK", "ACK", "DUH", "NAK", "none", "none"]  # noise, and an unreadable frame
    assert all(one["delay_ms"] < 1000 for one in done.objects if one["word"] != "none")

    desk = inside("replay", capture, "--book", station, "--speed", "max", "--json")
    assert desk.code == 0, desk.err
    verdicts = ["accepted", "noise", "poll", "repeat", "stale-clock", "unknown-account", "unreadable", "accepted"]
    assert sorted(line["verdict"] for line in desk.objects) == sorted(verdicts)
    # With an empty book every answer is another.
    assert inside("replay", capture, "--speed", "max").code == 1


def test_a_capture_over_udp_is_played_over_udp(
    station: Path, tmp_path: Path, listening: Listen, farend: Farend
) -> None:
    bench = listening("--book", station, "--capture", tmp_path / "c", "--udp", f"{HOST}:0")
    exchange(bench.port("udp"), alarm(12), alarm(13), kind=socket.SOCK_DGRAM)
    assert bench.end() == 0
    again = listening("--book", station, "--journal", "again", "--udp", f"{HOST}:0")
    assert farend("replay", tmp_path / "c", "--to", again.at("udp"), "--speed", "max").code == 0
    assert [line["line"] for line in again.printed(2)] == ["udp", "udp"]


def happening(seconds: float, what: str, data: bytes = b"", **more: str) -> str:
    line = {"at": f"2026-11-25T12:00:{seconds:09.6f}Z", "connection": "tcp-1", "what": what, **more}
    if data:
        line["data"] = data.decode().replace("\n", "\\n").replace("\r", "\\r")
    return json.dumps(line) + "\n"


HEADER = '{"capture": "farend", "version": 1, "began": "2026-11-25T12:00:00Z", "note": "by hand"}\n'
OPEN = happening(0, "open", line="tcp", peer="192.0.2.7:40112")


@pytest.mark.parametrize(("speed", "least", "most"), [("max", 0, 0.45), ("2", 0.5, 0.95), ("1", 1, 1.9)])
def test_replay_keeps_the_captures_own_time_or_a_multiple_of_it(
    farend: Farend, tmp_path: Path, speed: str, least: float, most: float
) -> None:
    (tmp_path / "c").write_text(HEADER + OPEN + happening(0, "panel", alarm(1)) + happening(1, "panel", alarm(2)))
    with Receiver(lambda data: envelope(b'"ACK"' + data[18:22] + b"L0#4471[]")) as receiver:
        assert farend("replay", "c", "--to", f"{HOST}:{receiver.port}", "--speed", speed).code == 0
    assert receiver.heard == [alarm(1), alarm(2)]
    assert least - 0.15 < receiver.times[1] - receiver.times[0] < most


def test_replay_ends_with_1_when_an_answer_is_missing_or_another(farend: Farend, tmp_path: Path) -> None:
    (tmp_path / "c").write_text(HEADER + OPEN + happening(0, "panel", alarm(1)) + happening(0, "receiver", ack(1)))
    for answer in (b"", envelope('"DUH"0001L0#4471[]')):
        with Receiver(lambda _, answer=answer: answer) as receiver:
            done = farend("replay", "c", "--to", f"{HOST}:{receiver.port}", "--timeout", 0.3)
        assert (done.code, receiver.heard) == (1, [alarm(1)])


@pytest.mark.parametrize(
    ("content", "line"),
    [
        ("this is a letter\n", "no recording that farend knows"),
        ("", "empty, nothing was recorded"),
        (HEADER.replace("1,", "2,", 1), "line 1"),
        (HEADER + OPEN + "and here it is none\n" + happening(1, "close"), "line 3"),
        (HEADER + OPEN + happening(1, "say"), "line 3"),
        (HEADER + OPEN + happening(1, "panel"), "line 3"),
        (HEADER + OPEN.replace("Z", ""), "line 2"),
    ],
)
def test_what_is_no_capture_is_refused_by_its_line(inside: Farend, tmp_path: Path, content: str, line: str) -> None:
    (tmp_path / "c").write_text(content)
    done = inside("replay", "c", "--speed", "max")
    assert (done.code, done.out) == (2, b"")
    assert f"c: {line}" in done.err
    assert "Traceback" not in done.err


def test_a_last_line_that_was_cut_off_is_left_out_and_told(inside: Farend, tmp_path: Path) -> None:
    whole = happening(0, "panel", alarm(1))
    (tmp_path / "c").write_text(HEADER + OPEN + whole + whole[:40])
    done = inside("replay", "c", "--speed", "max", "--json")
    assert (done.code, len(done.objects)) == (0, 1)
    assert "line 4 was cut off" in done.err


# The account book


def test_book_check_names_the_line_of_every_unknown_key(inside: Farend, tmp_path: Path) -> None:
    text = (
        '[[account]]\nnumber = "4471"\nname = "x"\ncolour = "red"\n  [[account.zone]]\n  number = "1"\n  name = "y"\n'
    )
    (tmp_path / "b").write_text(text + '  devise = "door"\n')
    done = inside("book", "check", "b")
    assert done.code == 1
    told = sorted(done.out.decode().splitlines())
    assert len(told) == 2
    assert told[0].startswith("b:4: unknown key 'colour'")
    assert told[1].startswith("b:8: unknown key 'devise'")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[[account]]\nname = "x"\n', "b:1:"),
        ('[[account]]\nnumber = 4471\nname = "x"\n', "b:2:"),
        ('[[account]]\nnumber = "44"\nname = "x"\n', "b:2:"),
        ('[[account]]\nnumber = "4471"\nname = "x"\nkey = "env:NO_SUCH_KEY"\n', "b:4:"),
        ('[[account]]\nnumber = "4471"\nname = "x"\n[[account]]\nnumber = "04471"\nname = "y"\n', "b:5:"),
        ('[[account]]\nnumber = "4471\n', "line 2"),
    ],
)
def test_book_check_names_the_line_of_a_mistake(inside: Farend, tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "b").write_text(text)
    done = inside("book", "check", "b")
    assert (done.code, told in done.out.decode()) == (1, True)


def test_a_good_book_passes_and_no_book_is_2(inside: Farend, station: Path) -> None:
    assert inside("book", "check", station).code == 0
    assert inside("book", "check", "none.toml").code == 2


def test_book_import_makes_a_book_that_passes(inside: Farend, tmp_path: Path) -> None:
    (tmp_path / "zones.csv").write_text(
        "Account,Account_Name,Area,Area_Name,Zone,Zone_Name,Device,User,User_Name\n"
        '4471,"Tern Point, ""the"" station",01,Laboratory,015,Freezer room door,door,,\n'
        "4471,,01,,016,Sample freezer,temperature,,\n"
        "4471,,,,,,,002,Night warden\n"
        "8C20,Harrow Lane,,,3,Smoke,smoke,,\n",
        "utf-8-sig",
    )
    made = inside("book", "import", "zones.csv")
    assert made.code == 0
    (tmp_path / "made.toml").write_bytes(made.out)
    assert inside("book", "check", "made.toml").code == 0
    tern, harrow = inside("book", "show", "made.toml", "--json").objects
    assert (tern["number"], tern["name"]) == ("4471", 'Tern Point, "the" station')
    zones = [(zone["number"], zone["area"], zone["name"], zone["device"]) for zone in tern["zone"]]
    assert zones == [("015", "01", "Freezer room door", "door"), ("016", "01", "Sample freezer", "temperature")]
    assert [user["name"] for user in tern["user"]] == ["Night warden"]
    assert harrow["zone"][0]["name"] == "Smoke"


def test_book_import_takes_lists_with_semicolons_and_without_an_account(inside: Farend, tmp_path: Path) -> None:
    (tmp_path / "zones.csv").write_text("zone;zone_name\n1;Front door\n2;Back door\n")
    made = inside("book", "import", "zones.csv", "--account", "4471", "--name", "Tern Point")
    (tmp_path / "made.toml").write_bytes(made.out)
    (account,) = inside("book", "show", "made.toml", "--json").objects
    assert [zone["name"] for zone in account["zone"]] == ["Front door", "Back door"]


def test_book_import_names_every_bad_row_and_writes_nothing(inside: Farend, tmp_path: Path) -> None:
    (tmp_path / "zones.csv").write_text(
        "account,account_name,zone,zone_name\n4471,x,1,good\n44,x,2,short account\n4471,x,zz,no number\n"
        "4471,x,3,\n4471,x,1,twice\n4471,x,4,a,cell too many\n"
    )
    done = inside("book", "import", "zones.csv")
    assert (done.code, done.out) == (1, b"")
    assert re.findall(r"line (\d+):", done.err) == ["3", "4", "5", "6", "7"]
    (tmp_path / "zones.csv").write_text("account,colour\n4471,red\n")
    assert inside("book", "import", "zones.csv").code == 2


def test_an_account_is_put_on_test_while_the_bench_runs(station: Path, listening: Listen, inside: Farend) -> None:
    bench = listening("--book", station, "--journal", "j")
    sends = ("send", bench.at(), "--account", "0930", "--sia", "Nri1/FA4", "--timeout", 0.3, "--retries", 0)
    assert inside(*sends).code == 5
    assert inside("book", "on-test", "0930", "--for", "1m", "--reference", "T-1", "--journal", "j").code == 0
    assert inside(*sends).code == 0
    assert inside("book", "off-test", "0930", "--journal", "j").code == 0
    assert inside(*sends, "--sequence", 2).code == 5
    assert [line["verdict"] for line in bench.printed(3)] == ["held-back", "accepted", "held-back"]
    for wrong in ("0m", "8d", "soon"):
        done = inside("book", "on-test", "0930", "--for", wrong, "--reference", "T-1", "--journal", "j")
        assert done.code == 2


# demo, help, colour


def test_the_demo_comes_to_a_good_verdict(farend: Farend) -> None:
    done = farend("demo", "--pace", 0, "--json")
    assert [step["say"] for step in done.objects if step["wrong"]] == []
    assert (done.code, len(done.objects) > 15) == (0, True)


def test_a_demo_that_cannot_keep_its_journal_ends_with_2_and_a_reason(inside: Farend) -> None:
    done = inside("demo", "--journal", "no/such/folder/j")
    assert (done.code, "Traceback" in done.err) == (2, False)
    assert "cannot be written" in done.err


def every_command() -> list[tuple[str, ...]]:
    def below(found: Any, name: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
        yield name
        for word in found.list_commands(None) if isinstance(found, TyperGroup) else ():
            yield from below(found.get_command(None, word), (*name, word))

    return [name for name in below(typer.main.get_command(app), ()) if name]


@pytest.mark.parametrize("name", every_command(), ids=" ".join)
def test_the_help_of_every_command_shows_an_example(name: tuple[str, ...]) -> None:
    shown = CliRunner().invoke(app, [*name, "--help"])
    assert shown.exit_code == 0
    assert re.search(rf"Example: .*farend {' '.join(name)}\b", " ".join(shown.output.split()))


def test_the_contracts_commands_are_there() -> None:
    due = [(name,) for name in ("demo", "listen", "send", "decode", "replay")]
    due += [("journal", name) for name in ("list", "show", "export")]
    due += [("book", name) for name in ("check", "show", "import")]
    assert set(due) <= set(every_command())


def test_without_a_command_or_with_one_that_is_none_it_ends_with_2(inside: Farend) -> None:
    assert inside().code == 2
    assert inside("explode").code == 2


COLOURED = (
    ("decode",),
    ("book", "show", "station.toml"),
    ("journal", "list", "--journal", "j", "--events"),
    ("listen", "--help"),
    ("send", f"{HOST}:1", "--account", "4471", "--poll", "--timeout", "0.1", "--retries", "0"),
)


def test_piped_output_holds_no_escape_codes(station: Path, listening: Listen, farend: Farend) -> None:
    bench = listening("--book", station, "--journal", "j")
    exchange(bench.port(), alarm(12))
    assert bench.end() == 0
    with ThreadPoolExecutor(4) as pool:
        for done in pool.map(lambda arguments: farend(*arguments, stdin=EXAMPLE + UNREADABLE), COLOURED):
            assert done.out + done.err.encode()
            assert b"\x1b" not in done.out + done.err.encode()


def test_on_a_terminal_no_color_is_honoured(station: Path, listening: Listen, tmp_path: Path) -> None:
    """No colour, as no-color.org asks; bold and italic may stay."""
    bench = listening("--book", station, "--journal", "j")
    exchange(bench.port(), alarm(12))
    assert bench.end() == 0
    env = {"NO_COLOR": "1", "TERM": "xterm-256color"}
    with ThreadPoolExecutor(4) as pool:
        for shown in pool.map(
            lambda arguments: on_a_terminal(arguments, EXAMPLE + UNREADABLE, tmp_path, env), COLOURED
        ):
            assert shown
            codes = {code for found in re.findall(rb"\x1b\[([\d;]*)m", shown) for code in found.split(b";")}
            assert codes <= {b"", b"0", b"1", b"2", b"3", b"4", b"7"}


def on_a_terminal(arguments: tuple[str, ...], stdin: bytes, cwd: Path, env: dict[str, str]) -> bytes:
    """Run the command with a terminal as stdout and stderr; what it wrote there."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        command(*arguments), stdin=subprocess.PIPE, stdout=theirs, stderr=theirs, cwd=cwd, env=clean_environment(env)
    )
    os.close(theirs)
    assert process.stdin
    process.stdin.write(stdin)
    process.stdin.close()
    shown = b""
    try:
        while data := os.read(ours, 65536):
            shown += data
    except OSError:  # the terminal is gone with the process
        pass
    os.close(ours)
    process.wait(20)
    return shown


def test_a_reader_that_leaves_early_gets_no_traceback(tmp_path: Path) -> None:
    """As in `farend decode … | head -1`."""
    (tmp_path / "many").write_bytes(EXAMPLE * 20_000)
    process = subprocess.Popen(
        command("decode", "--json", "many"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=tmp_path,
        env=clean_environment(),
    )
    assert process.stdout
    assert process.stderr
    assert json.loads(process.stdout.readline())["sequence"] == 123
    process.stdout.close()
    talk = process.stderr.read()
    process.stderr.close()
    process.wait(20)
    assert b"Traceback" not in talk
    assert b"Exception ignored" not in talk
