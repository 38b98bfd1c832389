"""The explanation of a frame: every byte belongs to one part, and what is wrong stands at the part that is wrong."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.dc09 import build, decode
from protocols.envelope import crc16, wrap
from protocols.explain import crc_hint, explain
from protocols.seal import Key, seal

NOW = datetime(2026, 11, 25, 12, 34, 56, tzinfo=UTC)
KEY = Key(bytes(range(16)))
GOOD = wrap(b'"ADM-CID"0123R1L0#123456[#123456|1131 01 015]_12:34:56,11-25-2026')


@given(
    st.sampled_from(
        (GOOD, build("SIA-DCS", 7, "4471", "Nti10:30/ri1/BA15*Door*/id2CL2", extended=[("V", "x")], stamp=NOW))
    )
)
def test_every_byte_of_a_clean_frame_belongs_to_one_part(raw: bytes) -> None:
    parts = explain(decode(raw)).parts
    covered = [place for part in parts for place in range(part.start, part.end)]
    assert len(covered) == len(set(covered))
    gaps = set(range(len(raw))) - set(covered)
    assert all(raw[place : place + 1] in b" /" for place in gaps)  # only what separates
    assert not any(part.wrong for part in parts)


@given(st.binary(max_size=120), st.integers(0, 80), st.integers(0, 255))
def test_explaining_never_fails_whatever_the_frame(junk: bytes, place: int, byte: int) -> None:
    damaged = bytearray(GOOD)
    damaged[min(place, len(damaged) - 1)] = byte
    for raw in (bytes(damaged), wrap(junk), wrap(b'"SIA-DCS"0001L0#4471[' + junk), junk):
        explanation = explain(decode(raw, KEY))
        assert all(0 <= part.start <= part.end <= len(raw) for part in explanation.parts)


@pytest.mark.parametrize(
    ("raw", "name", "says"),
    [
        (b"\n7CBE" + GOOD[5:], "CRC", "expected 7CBF"),
        (GOOD[:5] + b"0042" + GOOD[9:], "length", "0LLL says 66"),
        (wrap(b'"XYZ"0001L0#4471[#4471|x]'), "token", "not known"),
        (wrap(b'"ADM-CID"12A4L0#4471[#4471|1131 01 015]'), "sequence", "four decimal digits"),
        (wrap(b'"ADM-CID"0001L0#44[#44|1131 01 015]'), "account #", "3 to 16"),
        (wrap(b'"ADM-CID"0001L0#4471[#4472|1131 01 015]'), "account", "4472 inside"),
        (wrap(b'"ADM-CID"0001L0#4471[#4471|1999 01 015]'), "code", "999 is no code"),
        (wrap(b'"ADM-CID"0001L0#4471[#4471|1131 01]'), "message", "not QXYZ GG CCC"),
        (wrap(b'"SIA-DCS"0001L0#4471[#4471|Nri1/BA1/@@]'), "rest", "no modifier, code or text"),
        (wrap(b'"SIA-DCS"0001L0#4471[#4471|Nri1/ZQ1]'), "code", "ZQ is no code"),
        (wrap(b'"ADM-CID"0001L0#4471[#4471|1131 01 015]_25:00:00,11-25-2026'), "stamp", "_25:00:00"),
        (wrap(b'"*ADM-CID"0001L0#4471[0011'), "sealed", "whole blocks"),
    ],
)
def test_what_is_wrong_stands_at_the_part_that_is_wrong(raw: bytes, name: str, says: str) -> None:
    wrong = [(part.name, part.wrong) for part in explain(decode(raw, KEY)).parts if part.wrong]
    assert [part for part, _ in wrong] == [name]
    assert says in str(wrong[0][1])


@pytest.mark.parametrize(
    ("crc", "hint"),
    [
        (int.from_bytes(crc16(GOOD[9:-1]).to_bytes(2, "big"), "little"), "wrong order"),
        (crc16(GOOD[9:]), "over CR"),
        (crc16(GOOD[10:-1]), "leaves out the first quotation mark"),
        (crc16(GOOD[5:-1]), "over 0LLL"),
    ],
)
def test_a_common_mistake_in_the_crc_is_recognised(crc: int, hint: str) -> None:
    assert hint in str(crc_hint(decode(b"\n%04X" % crc + GOOD[5:])))


def test_a_crc_started_at_ffff_is_recognised() -> None:
    """CRC-16/MODBUS differs from ARC in its start alone: `crccheck`, a general-purpose CRC package."""
    from crccheck.crc import Crc16Modbus

    assert "FFFF" in str(crc_hint(decode(b"\n%04X" % Crc16Modbus.calc(GOOD[9:-1]) + GOOD[5:])))


def test_sealed_content_is_explained_after_its_padding_which_is_never_shown() -> None:
    sealed = seal(KEY, "#4471|Nri1/BA15]_12:34:56,11-25-2026", lambda count: b"Z" * count)
    frame = decode(wrap(b'"*SIA-DCS"0001L0#4471[' + sealed.encode()), KEY)
    explanation = explain(frame)
    assert explanation.opened == "#4471|Nri1/BA15]_12:34:56,11-25-2026"
    assert [part.name for part in explanation.opened_parts][-1] == "stamp"
    assert "ZZ" not in str(explanation)
