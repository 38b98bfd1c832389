"""Which shape a recorded stream has, told by its content and never by its name; and its happenings, whatever the shape."""

import gzip
import heapq
import os
import re
import shutil
import sys
import tempfile
import weakref
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from operator import attrgetter
from pathlib import Path
from typing import BinaryIO, Literal, cast

from receiver import capture, frame_logs, packets
from receiver.capture import CaptureError, Happening, Opened

Shape = Literal["capture", "packets", "hex", "log", "frames", "gzip", "sound"]

LOOKED_AT = 1 << 20  # bytes from the beginning by which the shape is told
STDIN = Path("-")
_HEADER = re.compile(rb'\s*\{\s*"capture"\s*:')
_NO_TEXT = re.compile(rb"[\x00-\x08\x0b\x0c\x0e-\x1a\x1c-\x1f]")
_WHOLE_FRAME = re.compile(rb'\n(?:[0-9A-Fa-f]{8}|[\x00-\xff]{2}0[0-9A-Fa-f]{3})"[^\r\n]*\r')
_OUR_JSON = re.compile(rb'^\{"(?:at|listening|event)":|"raw": ?"', re.M)


@dataclass(frozen=True, slots=True)
class How:
    """What a person knows of a recording that it does not say itself."""

    began: datetime | None = None  # of frames without a time in front
    receiver: tuple[str | None, int] | None = None  # the receiver's address, if it matters, and port, among packets


def shape_of(path: Path) -> Shape | None:
    """The shape of a file, or None for one that is nothing known. OSError when it cannot be read.

    Text is told from frames as they are by its first and last byte: frames begin with LF, and lines end with it.
    """
    with path.open("rb") as file:
        head = file.read(LOOKED_AT)
        file.seek(max(os.fstat(file.fileno()).st_size - 1, 0))
        last = file.read(1)
    if head[:2] == b"\x1f\x8b":
        return "gzip"
    if (head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE") or head[:4] in (b"fLaC", b"OggS", b"FORM"):
        return "sound"
    if head[:4] in packets.MAGICS:
        return "packets"
    if _HEADER.match(head):
        return "capture"
    text = not _NO_TEXT.search(head)
    if text and frame_logs.looks_dumped(head):
        return "hex"
    if _WHOLE_FRAME.search(head) and not (text and head[:1] != b"\n" and last == b"\n"):
        return "frames"
    if text and (frame_logs.frame_begins(head) >= 0 or _OUR_JSON.search(head)):
        return "log"
    return "frames" if frame_logs.HEAD.search(head) else None


def opened(path: Path, how: How = How()) -> Opened:
    """A recording of any shape; `-` is stdin, and what gzip packed is unpacked.

    CaptureError where it is none, here or while it is read; OSError when it cannot be read.
    """
    if path == STDIN:
        return _spooled(sys.stdin.buffer, "stdin", how)
    if path.exists() and not path.is_file():
        with path.open("rb") as pipe:
            return _spooled(pipe, str(path), how)
    shape = shape_of(path)
    if shape == "gzip":
        with gzip.open(path) as unpacked:
            return _spooled(cast(BinaryIO, unpacked), str(path), how)
    if shape == "packets":
        return packets.opened(path, how.receiver)
    if shape == "capture":
        return capture.opened(path)
    if shape == "sound":
        raise CaptureError(
            f"{path}: sound, and no stream of frames; `farend decode` and `farend tones read` listen to it"
        )
    if not path.stat().st_size:
        raise CaptureError(f"{path}: empty, nothing was recorded")
    if shape is None:
        raise CaptureError(
            f"{path}: no recording that farend knows: it begins neither as a capture, pcap or pcapng does nor as a hex "
            'dump, and has no line with a frame, such as 7CBF0041"ADM-CID"…, nor a frame as it is, from LF to CR. '
            "Text must be UTF-8 or Latin-1; a protocol other than DC-09 is not read"
        )
    read: Callable[[Path, datetime | None], Opened] = {
        "hex": frame_logs.hex_dump, "log": frame_logs.log, "frames": frame_logs.frames,
    }[shape]  # fmt: skip
    return read(path, how.began)


def _spooled(source: BinaryIO, name: str, how: How) -> Opened:
    """What can be read only once, by way of a file that is gone with it: packets are read twice, shapes looked for."""
    handle, spool = tempfile.mkstemp(prefix="farend-")
    try:
        with os.fdopen(handle, "wb") as file:
            try:
                shutil.copyfileobj(source, file, 1 << 20)
            except (EOFError, zlib.error, gzip.BadGzipFile) as error:
                raise CaptureError(f"{name}: what gzip packed is damaged: {error}") from None
        with _by_name(spool, name):
            found = opened(Path(spool), how)
    except BaseException:
        Path(spool).unlink()
        raise
    weakref.finalize(found, Path(spool).unlink)
    inside = found.happenings
    found.note = found.note.replace(Path(spool).name, name)

    def happenings() -> Iterator[Happening]:
        with _by_name(spool, name):
            yield from inside
        found.notes[:] = [note.replace(spool, name) for note in found.notes]

    found.happenings = happenings()
    return found


@contextmanager
def _by_name(spool: str, name: str) -> Iterator[None]:
    """Say an error by the name that a person knows, not by that of our own file."""
    try:
        yield
    except CaptureError as error:
        raise CaptureError(str(error).replace(spool, name)) from None


def joined(parts: Sequence[Opened]) -> Opened:
    """Several recordings as one, in the order of time; the connections of the second are called `tcp-1/2`, and so on."""
    if len(parts) == 1:
        return parts[0]
    whole = Opened("; ".join(dict.fromkeys(part.note for part in parts if part.note)), sum(part.size for part in parts))

    def numbered(part: Opened, number: int) -> Iterator[Happening]:
        for one in part.happenings:
            whole.taken = sum(part.taken for part in parts)
            whole.timed = whole.timed and part.timed
            yield one._replace(connection=f"{one.connection}/{number}")
        whole.notes += part.notes
        whole.unread += part.unread

    whole.happenings = heapq.merge(
        *(numbered(part, number) for number, part in enumerate(parts, 1)), key=attrgetter("at")
    )
    return whole
