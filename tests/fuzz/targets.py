"""What is tried with any bytes at all: a function a target. What it allows is in its first line; all else is a find.

A target is a plain function of bytes, so that `tests/test_fuzz.py` can play the kept corpus to it without a fuzzer.
"""

import atexit
import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path

import orjson

from protocols import dc09
from protocols.dc09 import decode, decode_all
from protocols.envelope import Reader, from_printable, printable, read_all, wrap
from protocols.exchange import answer, belongs
from protocols.explain import explain
from protocols.seal import BLOCK, Key
from receiver import book, capture, requests, zone_list
from receiver.capture import CaptureError, Cutter
from receiver.plan import shipped_kinds
from receiver.shapes import How, opened

KEY = Key(bytes(range(16)))
NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
NOWHERE = Path("/nonexistent")
MOST_HAPPENINGS = 20_000


def reader(data: bytes) -> None:
    """However a stream is cut the pieces are the same, and every byte is counted in one of them."""
    whole = read_all(data)
    assert sum(piece.size for piece in whole) == len(data)
    cut, parts, cutting = data[0] % 7 + 1 if data else 1, [], Reader()
    for at in range(0, len(data), cut):
        parts += cutting.feed(data[at : at + cut])
    assert parts + cutting.close() == whole


def decoding(data: bytes) -> None:
    """A frame is read and told, whatever is in it; the short way of reading says what the long one does."""
    assert from_printable(printable(data)) == data
    for raw in (data, _enveloped(data)):
        for frame in decode_all(raw, KEY):
            orjson.dumps(frame.to_json())
            explain(frame)
            answer("ACK", frame, NOW, KEY)
            belongs(frame, frame)
            if frame.kind == "frame" and (short := dc09._at_one_look(frame.raw)):
                long = dc09._field_by_field(read_all(frame.raw)[0], None)
                assert short.to_json() == long.to_json()


def sealed(data: bytes) -> None:
    """What a sealed frame holds once it is opened is read like the rest, and a problem where it is no content."""
    blocks = data + bytes(-len(data) % BLOCK)
    body = b'"*SIA-DCS"0001L0#4471[' + KEY.encrypt(blocks).hex().upper().encode()
    try:
        raw = wrap(body)
    except ValueError:  # more than a frame can hold
        return
    for frame in decode_all(raw, KEY):
        orjson.dumps(frame.to_json())
        explain(frame)


def recording(data: bytes) -> None:
    """A file of any shape is happenings that a capture can hold and give back, or a CaptureError."""
    path = _file(data)
    with suppress(CaptureError):
        cutter = Cutter()
        for one in islice(opened(path, How(NOW)).happenings, MOST_HAPPENINGS):
            for cut in cutter.take(one):
                decode(cut.piece)
            line = capture.written(one)
            assert capture.written(capture._happening(orjson.loads(line))) == line
        list(cutter.end())


def zones(data: bytes) -> None:
    """Each line of a list that has a letter or digit is an entry, a bad row or a heading, or all of it is a ListError."""
    text, _ = zone_list.decoded(data)
    with suppress(zone_list.ListError):
        listed = zone_list.read(text, SPOKEN)
        told = {one.line for one in (*listed.entries, *listed.bad)} | set(listed.headings)
        said = {number for number, line in enumerate(text.splitlines(), 1) if any(map(str.isalnum, line))}
        assert told == said
        with suppress(book.BookError):
            tables = zone_list.tables(listed.entries)
            table = {"number": "4471", "name": "Tern Point", **tables}
            book.parse(book.to_toml("account", table), "list", NOWHERE)


def tables(data: bytes) -> None:
    """An account book, or a request, is read or a BookError that names its mistakes."""
    # What lies in a machine's files and environment is no business of a fuzzer.
    text = data.decode("utf-8", "replace").replace("file:", "hex:").replace("env:", "hex:")
    with suppress(book.BookError):
        for account in book.parse(text, "book.toml", NOWHERE).accounts:
            assert account.mark
            account.promises()
    with suppress(book.BookError):
        requests.parse(text, NOWHERE / "R-001.toml").as_json()


SPOKEN = shipped_kinds().spoken
TARGETS: dict[str, Callable[[bytes], None]] = {
    one.__name__: one for one in (reader, decoding, sealed, recording, zones, tables)
}


def _enveloped(data: bytes) -> bytes:
    """The same with right check fields, so that a fuzzer need not guess a CRC."""
    try:
        return wrap(b'"' + data.translate(None, b"\r\n"))
    except ValueError:
        return b""


_kept: list[Path] = []


def _file(data: bytes) -> Path:
    """These bytes as a file, in memory where the machine has a folder for that; each time the same one."""
    if not _kept:
        folder = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
        handle, name = tempfile.mkstemp(prefix="farend-fuzz-", dir=folder)
        os.close(handle)
        _kept.append(Path(name))
        atexit.register(_kept[0].unlink, missing_ok=True)
    _kept[0].write_bytes(data)
    return _kept[0]
