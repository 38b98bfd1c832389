"""The bench's clock, and the capture format."""

import ctypes
import resource
import signal
import struct
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from receiver import capture
from receiver.capture import CaptureError, Happening, Recorder
from receiver.clock import Clock, synchronised

NOW = datetime(2026, 11, 25, 12, 34, 56, 789012, tzinfo=UTC)


def test_a_step_of_the_wall_clock_against_the_monotonic_one_is_noticed_once() -> None:
    wall, even = [1000.0], [5.0]
    clock = Clock(lambda: wall[0], lambda: even[0])
    wall[0], even[0] = 1060.0, 65.0
    assert clock.watch() == 0.0
    wall[0] += 3600
    assert clock.watch() == pytest.approx(3600)
    assert (clock.watch(), clock.stepped) == (0.0, pytest.approx(3600))
    clock.confirm()
    assert clock.stepped == 0.0


def test_slewing_is_no_step() -> None:
    """A clock that is slewed runs at most 500 ppm off (adjtimex(2)): half a millisecond a second."""
    wall, even = [1000.0], [5.0]
    clock = Clock(lambda: wall[0], lambda: even[0])
    for _ in range(10_000):
        wall[0] += 1.0005
        even[0] += 1.0
        assert clock.watch() == 0.0


def test_the_kernel_says_whether_its_clock_is_synchronised() -> None:
    """adjtimex(2): TIME_ERROR is given while the flag STA_UNSYNC (0x40) stands in `status`, the int at byte 40 (64 bits)."""
    timex = ctypes.create_string_buffer(512)
    state = ctypes.CDLL(None).adjtimex(timex)
    (status,) = struct.unpack_from("i", timex, 40)
    assert state >= 0
    assert synchronised() is not bool(status & 0x40)


happenings = st.builds(
    Happening,
    st.integers(0, 10**9).map(lambda micro: NOW + timedelta(microseconds=micro)),
    st.sampled_from(("tcp-1", "udp-192.0.2.7:5000")),
    st.sampled_from(("panel", "receiver")),
    st.binary(max_size=80),
    line=st.none(),
    peer=st.none(),
    size=st.just(0),
    port=st.just(0),
)


@given(st.lists(happenings, max_size=10))
def test_a_capture_that_is_written_is_read(tmp_path_factory: pytest.TempPathFactory, written: list[Happening]) -> None:
    path = tmp_path_factory.mktemp("capture") / "x.capture"
    opening = Happening(NOW, "tcp-1", "open", b"", "tcp", "192.0.2.7:40112", port=12009)
    closing = Happening(NOW, "tcp-1", "close")
    lost = Happening(NOW, "tcp-1", "panel-lost", size=1448)
    whole = [opening, *written, lost, closing]
    capture.write(path, whole, "a test", NOW)
    assert capture.read(path) == (whole, [])


def test_the_recorder_writes_what_it_is_given_in_order(tmp_path: Path) -> None:
    told: list[str] = []
    recorder = Recorder(tmp_path / "x.capture", NOW, "a test", told.append)
    given_ = [Happening(NOW + timedelta(seconds=n), "tcp-1", "panel", b"%d" % n) for n in range(500)]
    for happening in given_:
        recorder.record(happening)
    recorder.close()
    assert capture.read(tmp_path / "x.capture") == (given_, [])
    assert told == []


def test_a_full_disk_is_told_and_the_lines_that_are_there_stay_whole(tmp_path: Path) -> None:
    """/dev/full refuses every write, as a full disk does; a limit on the file's size refuses in the middle."""
    with pytest.raises(OSError, match="No space left"):
        Recorder(Path("/dev/full"), NOW, "a test", print)
    limit = resource.getrlimit(resource.RLIMIT_FSIZE)
    told: list[str] = []
    recorder = Recorder(tmp_path / "x.capture", NOW, "a test", told.append)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2000, limit[1]))
    try:
        for _ in range(100):
            recorder.record(Happening(NOW, "tcp-1", "panel", b"x" * 100))
        recorder.close()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limit)
        signal.signal(signal.SIGXFSZ, before)
    found, notes = capture.read(tmp_path / "x.capture")
    assert (0 < len(found) < 100, notes) == (True, [])
    assert told[0].startswith("THE CAPTURE LOSES BYTES")
    assert told[-1] == f"the capture lacks {100 - len(found)} happenings"


def test_a_capture_that_is_still_written_is_read_as_far_as_it_went_when_it_was_opened(tmp_path: Path) -> None:
    """Or whoever plays it into the bench that writes it would play what it has just played."""
    path = tmp_path / "x.capture"
    one = Happening(NOW, "tcp-1", "panel", b"x")
    capture.write(path, [one], "a test", NOW)
    found = capture.opened(path)
    with path.open("ab") as file:
        file.write(capture.written(one))
    assert list(found.happenings) == [one]
    assert capture.read(path) == ([one, one], [])


def test_a_last_line_cut_off_in_mid_write_is_told_and_left_out(tmp_path: Path) -> None:
    path = tmp_path / "x.capture"
    capture.write(path, [Happening(NOW, "tcp-1", "panel", b"abc")], "a test", NOW)
    path.write_bytes(path.read_bytes() + b'{"at": "2026-11-25T12:3')
    found, notes = capture.read(path)
    assert [happening.data for happening in found] == [b"abc"]
    assert "line 3 was cut off" in notes[0]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b"what?\n", "line 3"),
        (b'{"at": "2026-11-25T12:00:00Z", "connection": "tcp-1", "what": "sings"}\n', "sings"),
        (b'{"at": "2026-11-25T12:00:00", "connection": "tcp-1", "what": "close"}\n', "zone"),
        (b'{"at": "2026-11-25T12:00:00Z", "connection": "tcp-1", "what": "panel", "data": "\\\\q"}\n', "no escape"),
        (b'{"connection": "tcp-1", "what": "close"}\n', "'at' is missing"),
    ],
)
def test_a_line_that_cannot_be_read_is_named(tmp_path: Path, line: bytes, says: str) -> None:
    path = tmp_path / "x.capture"
    capture.write(path, [Happening(NOW, "tcp-1", "panel", b"abc")], "a test", NOW)
    path.write_bytes(path.read_bytes() + line + b"{}\n")
    with pytest.raises(CaptureError, match="line 3") as told:
        capture.read(path)
    assert says in str(told.value)


def test_what_is_no_capture_is_said_to_be_none(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"\x00\x01\x02")
    with pytest.raises(CaptureError, match="line 1 is not the header"):
        capture.read(tmp_path / "x")
