r"""Frames as people keep them, read as a recorded stream; and the commands that take every shape.

What stands outside the project: `xxd`, `hexdump` and `od` print the dumps that are read here, and `text2pcap` with `tshark`
reads the same dump as we do. How logs look is common practice, of which no standard speaks.
"""

import gzip
import json
import subprocess
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from conftest import Farend, ack, alarm, envelope
from hypothesis import given
from hypothesis import strategies as st

from protocols.envelope import printable
from receiver import capture, frame_logs, shapes
from receiver.capture import CaptureError, Cutter, Happening, Opened
from receiver.shapes import How, joined, opened, shape_of

BEGAN = datetime(2026, 11, 25, 12, tzinfo=UTC)
STAMPED = envelope('"SIA-DCS"0007L0#4471[#4471|Nri1/BA15]_23:59:58,11-24-2026')
PEER = "192.0.2.7:40112"
BARE = alarm(1)[1:-1].decode()


@pytest.fixture
def read(tmp_path: Path) -> Callable[..., tuple[list[Happening], Opened]]:
    """Reads a recording of this content, whatever its shape; without the `open` lines."""

    def one(content: str | bytes, began: datetime | None = None) -> tuple[list[Happening], Opened]:
        path = tmp_path / "recording"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        found = opened(path, How(began))
        return [happening for happening in found.happenings if happening.what != "open"], found

    return one


Read = Callable[..., tuple[list[Happening], Opened]]


def note_of(path: Path) -> Any:
    """What the first line of a capture says of it."""
    return json.loads(path.read_bytes().partition(b"\n")[0])["note"]


def passed(happenings: list[Happening]) -> list[tuple[str, bytes]]:
    return [(one.what, one.data) for one in happenings]


# A frame on a line


@pytest.mark.parametrize(
    "line",
    [
        printable(alarm(1)),
        BARE,
        f"<LF>{BARE}<CR>",
        f"␊{BARE}␍",
        f"frame='{printable(alarm(1))}' seen",
        f"{BARE}  accepted, and told to the desk",
        f"2026-11-25T12:00:00Z udp {PEER} > {printable(alarm(1))}",
        f"[12:00:00.5] in  {BARE}",
        f"1764072000.25 {BARE}\\r",
        f"\ufeff{BARE}",
        f"{BARE}\r",
    ],
)
def test_a_frame_is_found_on_its_line_however_its_lf_and_cr_are_written_or_if_they_are_not(
    read: Read, line: str
) -> None:
    assert passed(read(line + "\n")[0]) == [("panel", alarm(1))]


@pytest.mark.parametrize(
    ("front", "due"),
    [
        ("2026-11-25T12:00:00Z", BEGAN),
        ("2026-11-25T12:00:00.123456789Z", BEGAN + timedelta(microseconds=123456)),
        ("2026-11-25T13:00:00+01:00", BEGAN),
        ("2026-11-25 13:00:00 +0100", BEGAN),
        ("2026-11-25 12:00:00,25", BEGAN + timedelta(milliseconds=250)),
        ("[2026/11/25 12:00:00]", BEGAN),
        ("gateway 7: 2026-11-25T12:00:00 INFO", BEGAN),
        ("1795608000", BEGAN),  # `date -u -d @1795608000`
        ("1795608000.5", BEGAN + timedelta(milliseconds=500)),
        ("12:00:00.001", BEGAN + timedelta(milliseconds=1)),
    ],
)
def test_a_time_in_front_is_read_in_utc_to_the_microsecond(read: Read, front: str, due: datetime) -> None:
    (one,), found = read(f"{front} {BARE}\n", BEGAN.replace(hour=0))
    assert (one.at, found.timed) == (due, True)


def test_a_time_that_says_no_zone_is_taken_as_utc_and_that_is_said_once(read: Read) -> None:
    _, found = read(f"2026-11-25 12:00:00 {BARE}\n2026-11-25 12:00:01 {BARE}\n")
    (note,) = found.notes
    assert "no zone, taken as UTC: 2, the first at line 1" in note


def test_times_without_a_day_pass_midnight_and_begin_on_the_day_of_the_stamp_or_as_it_is_said(read: Read) -> None:
    night = f"23:59:59 {printable(STAMPED)}\n00:00:03 {printable(alarm(8))}\n12:00:00 {printable(alarm(9))}\n"
    days = [(24, 23), (25, 0), (25, 12)]
    assert [(one.at.day, one.at.hour) for one in read(night)[0]] == days
    assert [(one.at.day, one.at.hour) for one in read(night, BEGAN.replace(day=3))[0]] == [(3, 23), (4, 0), (4, 12)]


def test_a_frame_just_after_midnight_whose_stamp_is_of_the_evening_came_the_day_after(read: Read) -> None:
    assert [one.at for one in read(f"00:00:02 {printable(STAMPED)}\n")[0]] == [
        datetime(2026, 11, 25, 0, 0, 2, tzinfo=UTC)
    ]


def test_without_any_time_a_frame_came_at_its_stamp_or_a_second_after_the_one_before_and_stamps_cannot_be_judged(
    read: Read,
) -> None:
    early = envelope('"SIA-DCS"0009L0#4471[#4471|Nri1/BA15]_23:00:00,11-24-2026')
    happenings, found = read(b"".join(printable(frame).encode() + b"\n" for frame in (STAMPED, alarm(8), early)))
    at = datetime(2026, 11, 24, 23, 59, 58, tzinfo=UTC)
    assert [one.at for one in happenings] == [at, at + timedelta(seconds=1), at + timedelta(seconds=1)]
    assert not found.timed
    assert "their stamps cannot be judged: 3" in found.notes[0]
    assert [one.at for one in read(BARE + "\n" + BARE)[0]] == [
        frame_logs.BEGINNING,
        frame_logs.BEGINNING + timedelta(seconds=1),
    ]
    assert [one.at for one in read(BARE, BEGAN)[0]] == [BEGAN]


@pytest.mark.parametrize(
    "front", ["2026-13-45 12:00:00", "2026-02-29T12:00:00Z", "0001-01-01T00:00:00+14:00", "25:61:00"]
)
def test_a_time_that_does_not_exist_is_said_and_the_frame_is_kept(read: Read, front: str) -> None:
    (one,), found = read(f"{front} {BARE}\n")
    assert one.data == alarm(1)
    assert "times that do not exist" in "".join(found.notes)


def test_times_that_go_back_keep_the_order_of_the_file_and_are_told(read: Read) -> None:
    lines = "".join(f"2026-11-25T12:00:0{second}Z {printable(alarm(second))}\n" for second in (3, 1, 5))
    happenings, found = read(lines)
    assert [one.at.second for one in happenings] == [3, 3, 5]
    assert "go back, put at the time before: 1, the first at line 2" in "".join(found.notes)


def test_the_token_says_who_sent_a_frame_and_the_direction_only_where_none_can_be_read(read: Read) -> None:
    """A log may be the panel's or the receiver's, so `out` means what it meant beside the last token that was read."""
    torn = r"\n12340041\"?\r".replace('\\"', '"')
    assert [one.what for one in read(f"out {BARE}\nin {printable(ack(1))}\n< {torn}\n> {torn}\n{torn}\n")[0]] == [
        "panel", "receiver", "receiver", "panel", "panel",
    ]  # fmt: skip
    assert [one.what for one in read(f"in {BARE}\n> {torn}\n")[0]] == ["panel", "receiver"]
    assert [one.what for one in read(f"{BARE}\nreceiver {torn}\n")[0]] == ["panel", "receiver"]


def test_an_address_makes_a_connection_and_of_two_the_panels_is_the_senders_of_a_message(
    read: Read, tmp_path: Path
) -> None:
    there, back = f"{PEER} -> [2001:db8::1]:12009", f"[2001:db8::1]:12009 -> {PEER}"
    happenings, _ = read(f"{there} udp {BARE}\n{back} udp {printable(ack(1))}\n{BARE}\n")
    assert [(one.connection, one.what) for one in happenings] == [
        (f"udp-{PEER}", "panel"), (f"udp-{PEER}", "receiver"), ("tcp-1", "panel"),
    ]  # fmt: skip
    opens = [one for one in opened(tmp_path / "recording").happenings if one.what == "open"]
    assert [(one.line, one.peer) for one in opens] == [("udp", PEER), ("tcp", None)]


def test_lines_without_a_frame_are_counted_with_the_first_of_them(read: Read) -> None:
    happenings, found = read(f"the log of Monday\n\n{BARE}\nall is well\n")
    assert len(happenings) == 1
    assert any("without a frame, left out: 2, the first at line 1" in note for note in found.notes)


@pytest.mark.parametrize(
    ("line", "rule"),
    [
        (printable(alarm(1)).replace("BA15", "BA16"), "crc-mismatch"),
        (printable(alarm(1))[:-12], "bad-envelope"),
        (r"\n7CBF00", "bad-envelope"),
        (f"12:00:00 X{BARE[1:]}", "bad-envelope"),
        (f"12:00:00 {BARE.replace('SIA-DCS', 'SIA-DCX')}", "bad-token"),
        (r"\n" + "A" * 5000 + r"\r", "oversize"),
        (rf"\n{BARE[:40]}\q{BARE[40:]}\r", "crc-mismatch"),
    ],
)
def test_a_damaged_frame_is_a_frame_with_a_problem_and_never_lost(
    inside: Farend, tmp_path: Path, line: str, rule: str
) -> None:
    (tmp_path / "log").write_text(f"{BARE}\n{line}\n{BARE}\n")
    done = inside("decode", "--json", "log")
    assert done.code == 1
    assert [[problem["rule"] for problem in one["problems"]][-1:] for one in done.objects[::2]] == [[], []]
    assert rule in [problem["rule"] for problem in done.objects[1]["problems"]]


def test_a_backslash_in_a_text_is_read_as_the_crc_says(read: Read) -> None:
    frame = envelope(r'"SIA-DCS"0001L0#4471[#4471|Nri1/BA15*C:\new*]')
    for line in (frame[1:-1].decode(), printable(frame), printable(frame)[2:-2]):
        assert passed(read(line)[0]) == [("panel", frame)]


def test_several_frames_on_a_line_are_several(read: Read) -> None:
    happenings, _ = read(f"2026-11-25T12:00:00Z {printable(alarm(1))} answered {printable(ack(1))}\n")
    assert passed(happenings) == [("panel", alarm(1)), ("receiver", ack(1))]


texts = st.text(st.characters(min_codepoint=32, max_codepoint=255, exclude_characters="[]|\r\n"), max_size=20)
bodies = st.builds(
    lambda token, text, star: f'"{star}{token}"0001L0#4471[#4471|{text}]'.encode("latin-1"),
    st.sampled_from(["SIA-DCS", "ADM-CID", "NULL", "ACK", "NAK", "DUH", "XYZ-ABC"]), texts, st.sampled_from(["", "*"]),
)  # fmt: skip
whole = st.tuples(bodies, st.booleans()).map(
    lambda made: envelope(made[0]) if made[1] else b"\n00000" + envelope(made[0])[6:]
)
moments = st.datetimes(datetime(1990, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))
logged = st.lists(
    st.tuples(moments, whole, st.sampled_from(["tcp", "udp"]), st.sampled_from([PEER, "[2001:db8::7]:9", "198.51.100.3:1"])),
    min_size=1, max_size=8,
)  # fmt: skip


@given(logged, st.sampled_from(["\n", "\r\n"]))
def test_whatever_is_written_as_a_log_with_times_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[datetime, bytes, str, str]], end: str
) -> None:
    rows = sorted(rows, key=lambda row: row[0])
    due = [
        Happening(
            at,
            f"{line}-{peer}",
            "receiver" if b'K"' in data[:16] or b'"DUH' in data or b"*DUH" in data else "panel",
            data,
        )
        for at, data, line, peer in rows
    ]
    path = tmp_path_factory.getbasetemp() / "written.log"
    path.write_bytes(
        "".join(f"{at.isoformat()} {line} {peer} {printable(data)}{end}" for at, data, line, peer in rows).encode()
    )
    found = frame_logs.log(path)
    assert [one for one in found.happenings if one.what != "open"] == due
    assert (found.notes, found.unread, found.taken) == ([], 0, path.stat().st_size)


@given(st.binary(max_size=400))
def test_any_bytes_at_all_are_a_recording_or_a_clear_error(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "anything"
    path.write_bytes(data)
    for read in (opened, frame_logs.log, frame_logs.hex_dump, frame_logs.frames):
        times = []
        with suppress(CaptureError):
            times += [one.at for one in read(path).happenings]
        assert times == sorted(times)


# JSON Lines of our own


def test_what_listen_printed_is_a_recording_of_what_panels_sent(read: Read) -> None:
    frame: dict[str, Any] = {"at": "2026-11-25T12:00:00.250Z", "raw": printable(alarm(1)), "line": "udp", "peer": PEER}
    noise = frame | {"raw": "x" * 256, "size": 300, "verdict": "noise", "reply": "none"}
    lines = [{"listening": [{"line": "udp"}]}, frame | {"verdict": "accepted", "reply": "ACK"}, noise]
    happenings, found = read("".join(json.dumps(line, separators=(",", ":")) + "\n" for line in lines))
    at = BEGAN + timedelta(milliseconds=250)
    assert happenings == [
        Happening(at, f"udp-{PEER}", "panel", alarm(1)),
        Happening(at, f"udp-{PEER}", "panel", b"x" * 256),
        Happening(at, f"udp-{PEER}", "panel-lost", size=44),
    ]
    assert "answers are not among them, nor polls that have no row" in "".join(found.notes)


def test_what_decode_printed_of_a_recording_is_that_recording_again(inside: Farend, tmp_path: Path) -> None:
    (tmp_path / "log").write_text(
        f"2026-11-25T12:00:00.5Z {PEER} {BARE}\n2026-11-25T12:00:01Z {PEER} {printable(ack(1))}\n"
    )
    first = inside("decode", "--json", "log")
    (tmp_path / "again").write_bytes(first.out)
    assert inside("decode", "--json", "again").out == first.out
    (tmp_path / "torn").write_bytes(first.out[:-20])
    done = inside("capture", "import", "torn", "--capture", "c")
    assert (done.code, "cannot be read, left out" in done.err) == (1, True)


# Hex dumps

DUMPED = alarm(1) + ack(1) + b"\n\n" + b"\x00" * 80 + b"0123456789abcdef" * 2 + b"odd" + alarm(2)


@pytest.mark.parametrize(
    "program",
    [
        "xxd", "xxd -c 8", "xxd -u", "xxd -g 1", "xxd -g 4 -c 20", "xxd -p", "xxd -i", "hexdump -C", "hexdump -vC",
        "od -A x -t x1", "od -A x -t x1z", "od -A n -t x1 -v", "od -v -A x -t x1 -w32",
    ],
)  # fmt: skip
def test_what_xxd_hexdump_and_od_print_reads_back_byte_by_byte(read: Read, tmp_path: Path, program: str) -> None:
    (tmp_path / "bytes").write_bytes(DUMPED)
    printed = subprocess.run([*program.split(), tmp_path / "bytes"], capture_output=True, check=True).stdout
    if program == "xxd -i":  # a list in C; its middle is what people copy
        printed = printed.partition(b"{")[2].partition(b"}")[0]
    happenings, found = read(printed)
    assert b"".join(one.data for one in happenings) == DUMPED
    assert passed(happenings)[:2] == [("panel", alarm(1)), ("receiver", DUMPED[len(alarm(1)) : -len(alarm(2))])]
    assert found.unread == 0
    assert {one.connection for one in happenings} == {"tcp-1"}


@pytest.mark.parametrize("program", ["od -t x1", "od", "hexdump", "od -A d -t x1"])
def test_a_dump_in_another_form_is_refused_and_says_what_to_do_or_what_is_missing(
    read: Read, tmp_path: Path, program: str
) -> None:
    (tmp_path / "bytes").write_bytes(DUMPED)
    printed = subprocess.run([*program.split(), tmp_path / "bytes"], capture_output=True, check=True).stdout
    with pytest.raises(CaptureError, match=r"line \d+: its .*write it with"):
        read(printed)


TEXT2PCAP = f"""\
I 2026-11-25T12:00:00.25Z
000000 {alarm(1)[:16].hex(" ")}
000010 {alarm(1)[16:32].hex(" ")}   .some text
000020 {alarm(1)[32:].hex(" ")}

O 2026-11-25T12:00:01Z
000000 {ack(1)[:16].hex(" ")}
000010 {ack(1)[16:].hex(" ")}
I 2026-11-25T12:00:02Z
000000 {alarm(2)[:16].hex(" ")}
O 2026-11-25T12:00:02.5Z
000000 ff
"""


def test_a_dump_with_directions_and_times_is_read_as_text2pcap_and_tshark_read_it(read: Read, tmp_path: Path) -> None:
    dump, pcap = tmp_path / "dump", tmp_path / "pcap"
    dump.write_text(TEXT2PCAP)
    subprocess.run(["text2pcap", "-q", "-D", "-t", "ISO", "-l", "147", dump, pcap], check=True, capture_output=True)
    fields = [
        part for name in ("frame.time_epoch", "frame.packet_flags_direction", "data.data") for part in ("-e", name)
    ]
    shown = subprocess.run(["tshark", "-r", pcap, "-T", "fields", *fields], check=True, capture_output=True, text=True)
    rows = [line.split("\t") for line in shown.stdout.splitlines()]
    due = [(float(at), "receiver" if int(flags, 16) & 3 == 2 else "panel", data) for at, flags, data in rows]
    happenings, found = read(TEXT2PCAP)
    assert [(one.at.timestamp(), one.what, one.data.hex()) for one in happenings] == due
    assert len(due) == 4
    assert (found.timed, found.unread) == (True, 0)


def test_bytes_that_a_dump_lacks_are_a_gap_and_what_it_cannot_say_is_told(read: Read) -> None:
    frame = envelope('"SIA-DCS"0001L0#4471[#4471|Nri1/BA15*Laboratory, freezer room*]')
    first, second, rest = frame[:16].hex(" "), frame[16:32].hex(" "), frame[48:].hex(" ")
    happenings, found = read(f"000000 {first}\n000010 {second}\n000030 {rest}\n")
    assert [(one.what, one.data, one.size) for one in happenings] == [
        ("panel", frame[:32], 0), ("panel-lost", b"", 16), ("panel", frame[48:], 0),
    ]  # fmt: skip
    assert (found.unread, "bytes are missing: 1, the first at line 3" in "".join(found.notes)) == (1, True)
    for damaged in (f"{alarm(1).hex()}\nzz\n", f"{alarm(1).hex()}0\n", f"000000 {first}\n000010 {second}\n00000a 00\n"):
        assert read(damaged)[1].unread == 1


# Frames as they are, and which shape a file has


def test_frames_as_they_are_keep_every_byte_and_each_goes_to_its_side(
    read: Read, monkeypatch: pytest.MonkeyPatch
) -> None:
    stream = b"hello?" + alarm(1) + b"??" + ack(1) + b"\n\n12" + alarm(2)[:30]
    for size in (1, 7, 1 << 20):
        monkeypatch.setattr(frame_logs, "CHUNK", size)
        happenings, _ = read(stream)
        assert passed(happenings) == [
            ("panel", b"hello?"), ("panel", alarm(1) + b"??"), ("receiver", ack(1) + b"\n\n12"), ("panel", alarm(2)[:30]),
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("content", "shape"),
    [
        (capture.header(BEGAN, "x"), "capture"),
        (b' { "capture": "farend", "version": 9}', "capture"),
        (alarm(1), "frames"),
        (b"\x00\x01" + alarm(1), "frames"),
        (alarm(1) + b"\r\n" + alarm(2), "frames"),
        (BARE.encode() + b"\r\n" + BARE.encode() + b"\r\n", "log"),
        (b"# Monday\r\n" + BARE.encode() + b"\r\n", "log"),
        (b"\n\nMonday\n12:00:00 \\n" + BARE.encode(), "log"),
        (b'{"listening":[]}\n', "log"),
        (alarm(1).hex().encode(), "hex"),
        (b"# a dump\nI 12:00:00.5\n\n0000 0a 30\n", "hex"),
        (gzip.compress(b"x"), "gzip"),
        (b"", None),
        (b"Dear Sir or Madam,\n", None),
        (b"\x7fELF\x00\x00", None),
    ],
)
def test_a_shape_is_told_by_content(tmp_path: Path, content: bytes, shape: str | None) -> None:
    (tmp_path / "misleading.pcap").write_bytes(content)
    assert shape_of(tmp_path / "misleading.pcap") == shape


def test_what_gzip_packed_and_what_comes_on_stdin_is_read_and_named_as_the_person_named_it(
    inside: Farend, tmp_path: Path
) -> None:
    text = f"# Monday\n2026-11-25T12:00:00Z {BARE}\n".encode()
    (tmp_path / "log").write_bytes(text)
    (tmp_path / "log.gz").write_bytes(gzip.compress(text))
    due = inside("decode", "--json", "log")
    assert due.objects[0]["at"] == "2026-11-25T12:00:00.000Z"
    for done in (inside("decode", "--json", "log.gz"), inside("decode", "--json", "-", stdin=text)):
        assert done.out == due.out
    assert "log.gz: lines without a frame" in inside("decode", "--json", "log.gz").err
    (tmp_path / "log.gz").write_bytes(gzip.compress(text)[:-9])
    assert (
        inside("decode", "log.gz").code,
        "log.gz: what gzip packed is damaged" in inside("decode", "log.gz").err,
    ) == (2, True)
    assert "stdin: no recording that farend knows" in inside("decode", "-", stdin=b"Dear Sir or Madam").err


# The commands


def test_decode_shows_of_a_recording_when_and_on_which_connection_each_frame_came_and_from_which_side(
    inside: Farend, tmp_path: Path
) -> None:
    at = BEGAN + timedelta(seconds=1)
    happenings = [
        Happening(BEGAN, "tcp-1", "open", line="tcp", peer=PEER),
        Happening(BEGAN, "tcp-1", "panel", alarm(1)[:20]),
        Happening(BEGAN, "tcp-2", "panel", alarm(2)),
        Happening(at, "tcp-1", "panel", alarm(1)[20:]),
        Happening(at, "tcp-1", "receiver", ack(1)),
        Happening(at, "tcp-2", "receiver-lost", size=9),
    ]
    capture.write(tmp_path / "c", happenings, "by hand", BEGAN)
    done = inside("decode", "--json", "c")
    assert (done.code, [(one["at"], one["connection"], one["side"]) for one in done.objects]) == (0, [
        ("2026-11-25T12:00:00.000Z", "tcp-2", "panel"),
        ("2026-11-25T12:00:01.000Z", "tcp-1", "panel"),
        ("2026-11-25T12:00:01.000Z", "tcp-1", "receiver"),
    ])  # fmt: skip
    assert "lacks 9 bytes" in done.err
    assert "frame 2 · 12:00:01.000 · tcp-1 panel · " in inside("decode", "c").out.decode()
    (tmp_path / "untimed").write_text(BARE)
    assert [(one["at"], one["side"]) for one in inside("decode", "--json", "untimed").objects] == [(None, "panel")]


def test_a_datagram_ends_what_is_in_it_and_a_new_connection_what_the_old_one_of_that_name_left() -> None:
    cutter = Cutter()
    steps = [
        Happening(BEGAN, "udp-x", "open", line="udp"), Happening(BEGAN, "udp-x", "panel", alarm(1)[:9]),
        Happening(BEGAN, "tcp-1", "panel", alarm(2)[:9]), Happening(BEGAN, "tcp-1", "open", line="tcp"),
        Happening(BEGAN, "tcp-1", "panel", alarm(3)[:9]), Happening(BEGAN, "tcp-1", "close"),
    ]  # fmt: skip
    cuts = [[cut.piece.data for cut in cutter.take(one)] for one in steps]
    assert cuts == [[], [alarm(1)[:9]], [], [alarm(2)[:9]], [], [alarm(3)[:9]]]
    assert list(cutter.end()) == []


def test_import_makes_a_capture_of_a_log_and_says_what_it_took(inside: Farend, tmp_path: Path) -> None:
    (tmp_path / "log").write_text(
        f"Monday\n2026-11-25T12:00:00.25Z {PEER} {BARE}\n2026-11-25T12:00:00.5Z {PEER} {printable(ack(1))}\n"
    )
    done = inside("capture", "import", "log", "--capture", "c", "--note", "Tern Point, invented")
    size = len(alarm(1) + ack(1))
    assert done.code == 0
    told = f"c: 1 connection, 2 frames, {size} bytes, 2026-11-25T12:00:00.250000Z to 2026-11-25T12:00:00.500000Z\n"
    assert done.out.decode() == told
    assert "without a frame, left out: 1, the first at line 1" in done.err
    assert note_of(tmp_path / "c") == "Tern Point, invented"
    assert [one.data for one in capture.read(tmp_path / "c")[0]] == [b"", alarm(1), ack(1)]
    assert inside("replay", "c", "--speed", "max", "--unknown", "ack").code == 0


def test_the_note_of_an_imported_capture_says_where_its_times_are_supposed(inside: Farend, tmp_path: Path) -> None:
    (tmp_path / "log").write_text(BARE)
    done = inside("capture", "import", "log", "--capture", "c", "--began", "2026-11-25T12:00")
    assert (done.code, "which is supposed" in done.out.decode()) == (0, True)
    assert "imported from log" in note_of(tmp_path / "c")
    assert "stamps cannot be judged" in note_of(tmp_path / "c")
    assert capture.read(tmp_path / "c")[0][0].at == BEGAN


def test_several_recordings_become_one_in_the_order_of_time_with_their_connections_kept_apart(
    inside: Farend, tmp_path: Path
) -> None:
    for name, seconds in (("one", (0, 2)), ("two", (1, 3))):
        lines = (f"2026-11-25T12:00:0{second}Z {printable(alarm(second + 1))}\n" for second in seconds)
        (tmp_path / name).write_text("".join(lines))
    assert inside("capture", "import", "one", "two", "--capture", "c").code == 0
    happenings = [one for one in capture.read(tmp_path / "c")[0] if one.what == "panel"]
    assert [one.data for one in happenings] == [alarm(1), alarm(2), alarm(3), alarm(4)]
    assert [one.connection for one in happenings] == ["tcp-1/1", "tcp-1/2"] * 2


def test_import_takes_the_rest_where_a_part_cannot_be_read_and_ends_with_1(inside: Farend, tmp_path: Path) -> None:
    (tmp_path / "dump").write_text(f"{alarm(1).hex()}\nthe next one is torn\n{alarm(2).hex()}\n")
    done = inside("capture", "import", "dump", "--capture", "c")
    assert (done.code, "no hex digits, left out: 1, the first at line 2" in done.err) == (1, True)
    assert [one.data for one in capture.read(tmp_path / "c")[0][1:]] == [alarm(1), alarm(2)]


@pytest.mark.parametrize(
    ("arguments", "code", "told"),
    [
        (["none", "--capture", "c"], 2, "none cannot be read"),
        (["letter", "--capture", "c"], 2, "no recording that farend knows"),
        (["cut", "--capture", "c"], 2, "cut: line 2"),
        (["empty.capture", "--capture", "c"], 1, "nothing was taken"),
        (["log", "--capture", "log"], 2, "one of the recordings that are read"),
        (["log", "--capture", "none/c"], 2, "there is no folder"),
        (["log", "--capture", "c", "--began", "monday"], 2, "--began"),
        (["log", "--capture", "c", "--began", "9999-12-31T23:59:59Z"], 2, "--began"),
        (["log", "--capture", "c", "--receiver", "port"], 2, "--receiver"),
        (["-", "-", "--capture", "c"], 2, "only once"),
    ],
)
def test_an_import_that_cannot_be_done_says_why_and_leaves_what_was_there(
    inside: Farend, tmp_path: Path, arguments: list[str], code: int, told: str
) -> None:
    (tmp_path / "c").write_text("as it was")
    (tmp_path / "log").write_text(BARE)
    (tmp_path / "letter").write_text("Dear Sir or Madam")
    capture.write(tmp_path / "empty.capture", [], "", BEGAN)
    (tmp_path / "cut").write_bytes(capture.header(BEGAN, "") + b"no line\n")
    done = inside("capture", "import", *arguments)
    assert (done.code, told in done.err, "Traceback" in done.err) == (code, True, False), done.err
    assert (tmp_path / "c").read_text() == "as it was"
    assert {path.name for path in tmp_path.iterdir()} <= {"c", "log", "letter", "empty.capture", "cut", "state"}


def test_a_full_disk_is_said_and_what_was_there_is_left(
    inside: Farend, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk is one that takes nothing: what is flushed to it fails as a full one does."""
    (tmp_path / "c").write_text("as it was")
    (tmp_path / "log").write_text(BARE)

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    done = inside("capture", "import", "log", "--capture", "c")
    assert (done.code, "No space left on device; what was there is left" in done.err) == (2, True)
    assert (tmp_path / "c").read_text() == "as it was"
    assert inside("capture", "import", "log", "--capture", "/dev/full").code == 2


def test_recordings_joined_count_what_each_of_them_counted() -> None:
    parts = [
        Opened("a", 5, iter([Happening(BEGAN, "x", "close")]), ["n"], unread=1),
        Opened("b", 6, iter(()), ["m"], timed=False),
    ]
    one = joined(parts)
    assert [happening.connection for happening in one.happenings] == ["x/1"]
    assert (one.size, sorted(one.notes), one.unread) == (11, ["m", "n"], 1)
    assert shapes.joined(parts[:1]) is parts[0]
