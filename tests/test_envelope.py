"""The envelope: LF crc 0LLL body CR, and frames found in whatever a network delivers."""

import pytest
from crccheck.crc import Crc16Arc
from hypothesis import example, given
from hypothesis import strategies as st

from protocols.dc09 import decode, decode_all
from protocols.envelope import (
    KEPT_OF_NOISE,
    MOST_COUNTED,
    Piece,
    Reader,
    crc16,
    from_printable,
    printable,
    read_all,
    unwrap,
    wrap,
)

BODY = b'"ADM-CID"0123R1L0#123456[#123456|1131 01 015]_12:34:56,11-25-2026'
FRAME = b"\n7CBF0041" + BODY + b"\r"
bodies = st.binary(max_size=200).map(lambda data: b'"' + data.replace(b"\n", b"").replace(b"\r", b""))
streams = st.lists(
    st.one_of(
        bodies.map(wrap),
        bodies.map(lambda body: wrap(body, binary_crc=True)),
        st.binary(max_size=40),
        st.sampled_from(
            [b"\n", b"\r", b"\n\n", b"\n\r", FRAME[:20], b"\n\n\r0041" + BODY + b"\r", b"x" * 5000, b"\n" + b"y" * 5000]
        ),
    ),
    max_size=8,
).map(b"".join)


@pytest.mark.clause("DC-09 crc", code="protocols.envelope.crc16", source="RevEng catalogue, CRC-16/ARC")
def test_the_check_value_of_crc_16_arc() -> None:
    """Catalogue of parametrised CRC algorithms (RevEng), CRC-16/ARC: check 0xBB3D."""
    assert crc16(b"123456789") == 0xBB3D


@pytest.mark.clause("DC-09 crc", code="protocols.envelope.crc16", source="crccheck")
@given(st.binary(max_size=4096))
def test_the_crc_agrees_with_an_implementation_of_other_hands(data: bytes) -> None:
    """`crccheck`, a general-purpose CRC package in pure Python."""
    assert crc16(data) == Crc16Arc.calc(data)


@pytest.mark.clause("DC-09 crc", code="protocols.envelope.crc16", source="DC-09, the polynomial")
@given(st.binary(max_size=64))
def test_the_crc_is_the_polynomial_of_the_standard(data: bytes) -> None:
    """x^16 + x^15 + x^2 + 1, reflected, start 0, no final xor (DC-09): the division itself, bit by bit."""
    register = 0
    for byte in data:
        for bit in range(8):
            carry = (register ^ (byte >> bit)) & 1
            register = (register >> 1) ^ (0xA001 if carry else 0)
    assert crc16(data) == register


@pytest.mark.clause("DC-09 frame", code="protocols.envelope.wrap", memory=True)
@pytest.mark.clause("DC-09 length", code="protocols.envelope.wrap", memory=True)
def test_crc_and_length_cover_from_the_quotation_mark_to_before_cr() -> None:
    """The frame of this project's outside description, whose CRC was computed there by other means."""
    assert wrap(BODY) == FRAME


@pytest.mark.clause("DC-09 frame", code="protocols.envelope.unwrap", memory=True)
@pytest.mark.clause("DC-09 binary crc", code="protocols.envelope.BINARY_ENVELOPE", practice=True)
@given(bodies, st.booleans())
def test_what_is_wrapped_is_unwrapped(body: bytes, binary: bool) -> None:
    envelope = unwrap(wrap(body, binary_crc=binary))
    assert envelope is not None
    assert (envelope.body, envelope.length, envelope.binary) == (body, len(body), binary)
    assert int(envelope.crc, 16) == crc16(body)


@pytest.mark.clause("DC-09 length", code="protocols.envelope.MOST_COUNTED", memory=True)
def test_a_body_longer_than_three_hex_digits_can_count_is_refused() -> None:
    assert wrap(b'"' + b"x" * (MOST_COUNTED - 1))
    with pytest.raises(ValueError, match="at most 4095"):
        wrap(b'"' + b"x" * MOST_COUNTED)


@given(streams, st.data())
@example(b"\n\r" + FRAME, None)
@example(b"\n\n\r0041" + BODY + b"\r", None)
def test_however_the_stream_is_cut_the_pieces_are_the_same(stream: bytes, data: st.DataObject | None) -> None:
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=12))) if data else range(len(stream))
    reader, pieces = Reader(), []
    for begin, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        pieces += reader.feed(stream[begin:end])
    assert pieces + reader.close() == read_all(stream)


@given(streams)
def test_every_byte_that_came_in_is_counted_in_some_piece(stream: bytes) -> None:
    pieces = read_all(stream)
    assert sum(piece.size for piece in pieces) == len(stream)
    assert all(
        len(piece.data) == (piece.size if piece.kind == "frame" else min(piece.size, KEPT_OF_NOISE)) for piece in pieces
    )


@given(st.binary(max_size=3000))
def test_any_bytes_at_all_give_objects_and_no_exception(data: bytes) -> None:
    frames = decode_all(data)
    assert bool(frames) == bool(data)
    assert all(frame.to_json()["raw"] for frame in frames)


def test_frames_are_found_between_noise_and_a_run_of_noise_is_one_piece() -> None:
    stream = b"hello\r" + FRAME + b"\r\n\n" + FRAME + b"bye"
    assert read_all(stream) == [
        Piece("noise", b"hello\r", 6),
        Piece("frame", FRAME, len(FRAME)),
        Piece("noise", b"\r\n\n", 3),
        Piece("frame", FRAME, len(FRAME)),
        Piece("noise", b"bye", 3),
    ]


def test_a_frame_cut_off_by_the_next_one_comes_out_as_it_is() -> None:
    assert [piece.data for piece in read_all(FRAME[:30] + FRAME)] == [FRAME[:30], FRAME]
    assert decode(FRAME[:30]).has("bad-envelope")


@pytest.mark.clause("DC-09 binary crc", code="protocols.envelope.Reader", practice=True)
def test_a_binary_crc_that_looks_like_an_ending_does_not_end_the_frame() -> None:
    """Some early equipment sends the CRC as two bytes (common practice, no source); they may be CR and LF."""
    for crc in (b"\r\n", b"\n\r", b"\n\n", b"\r\r"):
        stream = b"\n" + crc + b"0041" + BODY + b"\r"
        assert [piece.data for piece in read_all(stream + FRAME)] == [stream, FRAME]
    named = decode(wrap(BODY, binary_crc=True))
    assert [problem.rule for problem in named.problems] == ["binary-crc"]


def test_a_frame_that_reaches_more_than_4095_counted_bytes_is_oversize() -> None:
    longest = b"\n00000FFF" + b'"' + b"x" * (MOST_COUNTED - 1) + b"\r"
    assert [piece.kind for piece in read_all(longest)] == ["frame"]
    longer = longest[:-1] + b"x\r"
    assert [(piece.kind, piece.size) for piece in read_all(longer + FRAME)] == [
        ("oversize", 4106),
        ("frame", len(FRAME)),
    ]


@pytest.mark.clause("DC-09 length", code="protocols.dc09.decode", memory=True)
def test_a_frame_that_announces_more_than_4095_bytes_is_oversize() -> None:
    frame = decode(b"\n7CBF1041" + BODY + b"\r")
    assert frame.has("oversize")
    assert frame.kind == "oversize"
    assert decode(b"\n7CBF1041" + BODY).kind == "oversize"  # cut off before its CR, too


def test_memory_stays_bounded_whatever_comes() -> None:
    reader = Reader()
    for _ in range(2000):
        assert not reader.feed(b"\x00" * 1000)
    assert sum(map(len, (reader._buffer, reader._noise))) <= KEPT_OF_NOISE
    assert reader.close() == [Piece("noise", bytes(KEPT_OF_NOISE), 2_000_000)]


@given(st.binary())
def test_the_printable_notation_loses_nothing(data: bytes) -> None:
    text = printable(data)
    assert text.isascii()
    assert text.isprintable() or not text
    assert from_printable(text) == data


def test_the_printable_notation_by_example() -> None:
    assert printable(b"\n\r\\\x00\xff~ A") == r"\n\r\\\x00\xFF~ A"
    with pytest.raises(ValueError, match="character 2"):
        from_printable(r"a\q")
