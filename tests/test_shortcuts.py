"""The short ways that most frames take: each gives what the long one gives, whatever comes."""

import io
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import orjson
import pytest
from conftest import BOOK, HOST
from hypothesis import given, settings
from hypothesis import strategies as st
from test_envelope import bodies

from protocols import dc09, stencil
from protocols.dc09 import build, decode
from protocols.envelope import BINARY_ENVELOPE, ENVELOPE, Piece, crc16, read_all, wrap
from protocols.seal import Key
from receiver import bulk, desk
from receiver.book import Book, parse
from receiver.desk import Memory, Origin, judge
from receiver.entry import Entry, Stencils

NOW = datetime(2026, 11, 25, 12, 34, 56, tzinfo=UTC)
TCP = Origin("tcp", 12009, HOST, f"{HOST}:40000")
# The fields of a frame: first what is right, then what is odd or wrong.
FIELDS = {
    "token": ["SIA-DCS", "ADM-CID", "NULL", "ACK", "*SIA-DCS", "FOO"],
    "sequence": ["0001", "0000", "9999", "1", "00A1"],
    "receiver": ["R1", "", "RX", "R1234567"],
    "prefix": ["0", "1F", "", "Z"],
    "account": ["1234", "001234", "00FF", "12", "12G4", ""],
    "inside": ["#1234|", "#00FF|", "#|", "1234|", "#12|#34|", ""],
    "payload": ["Nri1/BA15", "1131 01 015", "3401 00 000", "1999 01 001", "113101015", "1234 18 1131 01 015 8",
                "1234 18 1131 01 015 7", "Ori1/FA3", "NXX1", "Nri1/BA15*Säge 100 %^\\", 'Nri1/BA15*"quoted"', "nonsense",
                "Nri1|BA1", ""],
    "extended": ["", "[X1]", "[H11:00:00,11-25-2026]"],
    "stamp": ["_12:34:56,11-25-2026", "", "_12:33:56,11-25-2026", "_25:00:00,11-25-2026", "_x", "12:34:56,11-25-2026"],
    "damage": ["none", "lower case", "no CR", "another CRC", "another length", "more"],
}  # fmt: skip
DAMAGE = {
    "none": lambda raw: raw,
    "lower case": bytes.lower,
    "no CR": lambda raw: raw[:-1],
    "another CRC": lambda raw: raw[:4] + (b"1" if raw[4:5] == b"0" else b"0") + raw[5:],
    "another length": lambda raw: raw[:8] + b"F" + raw[9:],
    "more": lambda raw: raw + b"x",
}


@st.composite
def nearly_right(draw: st.DrawFn) -> bytes:
    """A frame with two fields at most that are odd."""
    field = {name: values[0] for name, values in FIELDS.items()}
    if draw(st.booleans()):
        field |= {"token": "ADM-CID", "payload": "1131 01 015"}
    elif draw(st.booleans()):
        field |= {"token": "NULL", "sequence": "0000", "inside": "", "payload": ""}
    for name in draw(st.lists(st.sampled_from(sorted(FIELDS)), max_size=2)):
        field[name] = draw(st.sampled_from(FIELDS[name]))
    text = ('"{token}"{sequence}{receiver}L{prefix}#{account}[{inside}{payload}]{extended}{stamp}').format_map(field)
    return DAMAGE[field["damage"]](wrap(text.encode("latin-1")))


frames = nearly_right()
said = ["Nri1/BA15", "Nri1/OP2", "NRP00", 'Ori1/TA7*100 % "ö\\']  # what a panel may say a thousand times
ordinary = st.builds(
    lambda sequence, account, what, ago: (
        build("NULL", 0, account, None) if what == "poll" else
        build("SIA-DCS", sequence, account, what, prefix="1", stamp=None if ago is None else NOW - timedelta(seconds=ago))
    ),
    st.integers(1, 4), st.sampled_from(["4471", "004471", "0999", "12345"]), st.sampled_from([*said, "poll"]),
    st.sampled_from([None, 0, 1, 39, 41, 3600]),
)  # fmt: skip


@given(bodies, st.booleans())
def test_an_envelope_is_written_as_its_definition_builds_it(body: bytes, binary: bool) -> None:
    """`construct`, the general-purpose library, from the definition in `envelope.py`."""
    crc = crc16(body)
    fields = {"crc": crc.to_bytes(2) if binary else b"%04X" % crc, "length": b"%04X" % len(body), "body": body}
    built = (BINARY_ENVELOPE if binary else ENVELOPE).build(fields, counted=len(body))
    assert wrap(body, binary_crc=binary) == built


@given(frames)
@settings(max_examples=400)
def test_what_is_right_at_one_look_is_right_field_by_field(raw: bytes) -> None:
    right = dc09._at_one_look(raw)
    assert right is None or right == dc09._field_by_field(Piece("frame", raw, len(raw)), None)


@pytest.mark.parametrize("payload", ["1131 01 015", "3401 00 000", "1999 01 001"])
def test_an_ordinary_message_takes_the_short_way(payload: str) -> None:
    """Without this the test above could hold of nothing."""
    assert dc09._at_one_look(build("ADM-CID", 7, "1234", payload, receiver="1", stamp=NOW))
    assert dc09._at_one_look(build("NULL", 0, "1234", None))
    assert not dc09._at_one_look(build("ADM-CID", 7, "1234", payload, stamp=NOW, key=Key(bytes(16))))


@given(st.lists(frames | ordinary, max_size=12))
def test_lines_by_stencil_are_the_lines_of_the_objects(raws: list[bytes]) -> None:
    for book in (Book(), parse(BOOK, "station.toml", Path())):
        written, count, wrong = bulk.Lines(book, None).of([Piece("frame", raw, len(raw)) for raw in raws])
        due = [bulk.frame_object(decode(raw), book) for raw in raws]
        assert [json.loads(line) for line in written.splitlines()] == due
        assert written == b"".join(orjson.dumps(one) + b"\n" for one in due)
        assert (count, wrong) == (len(raws), any(one["problems"] for one in due))


@given(st.lists(ordinary | frames, max_size=12))
def test_an_entry_by_stencil_is_the_entry(raws: list[bytes]) -> None:
    book, memory = parse(BOOK, "station.toml", Path()), Memory()
    stencils: Stencils = {}
    for number, raw in enumerate(raws, 1):
        now = NOW + timedelta(milliseconds=number)
        decision = judge(Piece("frame", raw, len(raw)), book, memory, TCP, now, float(number), row=number)
        written = Entry(decision, now, TCP, stencils).numbered(number)
        assert written == orjson.dumps(desk.entry(decision, now, TCP) | {"row": number})


def test_stencils_are_used() -> None:
    """Without this the two tests above could hold of nothing."""
    one, other = (decode(build("SIA-DCS", number, "4471", "Nri1/BA15", stamp=NOW)) for number in (1, 2))
    assert stencil.says(one) == stencil.says(other) is not None
    pattern = stencil.cut(one.to_json(), stencil.HOLES)
    assert pattern is not None
    assert json.loads(pattern % stencil.fills(other)) == other.to_json()


scraps = st.sampled_from([b"noise", b"\r\n", b'\n\r\n0041"x', b"\n" * 50, b"\r\n" * 30])


@given(st.lists(frames | ordinary | scraps, max_size=30), st.integers(1, 300))
def test_a_file_in_parts_gives_the_pieces_of_the_whole(runs: list[bytes], size: int) -> None:
    data = b"".join(runs)
    found = [part if isinstance(part, list) else read_all(part)
             for _, part in bulk.parts(io.BytesIO(data), size, most=4 * size)]  # fmt: skip
    assert [piece for part in found for piece in part] == read_all(data)


def test_on_several_processors_the_lines_come_in_order() -> None:
    data = b"".join(build("SIA-DCS", number % 9999 + 1, "4471", said[number % 4]) for number in range(3000))
    lines = bulk.Lines(Book(), None)
    counted: list[int] = []
    found = list(bulk.on_all(lines, bulk.parts(io.BytesIO(data), 10_000), 2, counted.append))
    assert len(found) > 4
    assert b"".join(written for written, _, _ in found) == lines.of(data)[0]
    assert (sum(counted), sum(count for _, count, _ in found)) == (len(data), 3000)
