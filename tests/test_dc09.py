"""The text of a DC-09 frame: every field read, every fault named, and what is built reads back."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.dc09 import EXTENDED, bare, build, decode, read_stamp, same_number, write_stamp
from protocols.envelope import wrap
from protocols.seal import Key

NOW = datetime(2026, 11, 25, 12, 34, 56, tzinfo=UTC)
hexes = "0123456789ABCDEF"
texts = st.text(st.characters(max_codepoint=255, blacklist_characters="[]|\r\n"), max_size=60)
stamps = st.datetimes(datetime(2000, 1, 1), datetime(2099, 12, 31)).map(lambda t: t.replace(microsecond=0, tzinfo=UTC))


def frame(text: str) -> list[str]:
    """The rules that a text, in a right envelope, breaks."""
    return [problem.rule for problem in decode(wrap(text.encode("latin-1"))).problems]


@pytest.mark.clause("DC-09 token", code="protocols.dc09.TOKENS", memory=True)
@pytest.mark.clause("DC-09 receiver number", code="protocols.dc09.build", memory=True)
@pytest.mark.clause("DC-09 prefix", code="protocols.dc09.build", memory=True)
@pytest.mark.clause("DC-09 account", code="protocols.dc09.ACCOUNT", memory=True)
@pytest.mark.clause("DC-09 data", code="protocols.dc09.TEXT", memory=True)
@pytest.mark.clause("DC-09 extended data", code="protocols.dc09.EXTENDED", memory=True)
@given(
    sequence=st.integers(1, 9999),
    account=st.text(hexes, min_size=3, max_size=16),
    receiver=st.none() | st.text(hexes, min_size=1, max_size=6),
    prefix=st.text(hexes, min_size=1, max_size=6),
    zone=st.integers(0, 9999),
    extended=st.lists(st.tuples(st.sampled_from(sorted(EXTENDED.keys() - {"H"})), texts), max_size=3),
    stamp=st.none() | stamps,
    key=st.none() | st.sampled_from((16, 24, 32)).map(lambda size: Key(bytes(size))),
)
def test_any_frame_we_build_we_read_back(sequence, account, receiver, prefix, zone, extended, stamp, key) -> None:  # type: ignore[no-untyped-def]
    stamp = stamp or (NOW if key else None)
    raw = build(
        "SIA-DCS",
        sequence,
        account,
        f"Nri1/BA{zone}",
        receiver=receiver,
        prefix=prefix,
        extended=extended,
        stamp=stamp,
        key=key,
    )
    read = decode(raw, key)
    assert read.problems == []
    assert (read.token, read.encrypted, read.sequence) == ("SIA-DCS", key is not None, sequence)
    assert (read.receiver, read.prefix, read.account, read.account_inside) == (receiver, prefix, account, account)
    assert read.signals[0].zone == str(zone)
    assert [(entry.id, entry.value) for entry in read.extended] == extended
    assert read.stamp == stamp


@pytest.mark.clause("DC-09 timestamp", code="protocols.dc09.write_stamp", source="DC-09 5.5.2.1")
@given(stamps)
def test_a_stamp_that_is_written_is_read(moment: datetime) -> None:
    assert read_stamp(write_stamp(moment)) == moment


@pytest.mark.clause("DC-09 timestamp", code="protocols.dc09.read_stamp", source="DC-09 5.5.2.1")
def test_the_stamp_is_time_then_american_date() -> None:
    """DC-09, 5.5.2.1: _HH:MM:SS,MM-DD-YYYY, UTC."""
    assert write_stamp(NOW) == "_12:34:56,11-25-2026"
    for wrong in ("_12:34:56,25-11-2026", "_24:00:00,01-01-2026", "_1:02:03,01-01-2026", "_12:34:56 11-25-2026"):
        assert read_stamp(wrong) is None


@pytest.mark.clause("DC-09 poll sequence", code="protocols.dc09.decode", memory=True)
def test_a_poll_with_sequence_0000_is_clean() -> None:
    """From memory of DC-09: NULL stays out of the count."""
    read = decode(build("NULL", 0, "4471"))
    assert read.raw.endswith(b'"NULL"0000L0#4471[]\r')
    assert (read.problems, read.signals, read.sequence) == ([], [], 0)


@pytest.mark.clause("DC-09 nak form", code="protocols.dc09.decode", source="a frame seen on a wire")
def test_a_nak_as_it_was_seen_on_a_wire_is_clean() -> None:
    """The form of a real frame: "NAK"0000R0L0A0[]_HH:MM:SS,MM-DD-YYYY."""
    read = decode(wrap(b'"NAK"0000R0L0A0[]_12:34:56,11-25-2026'))
    assert read.problems == []
    assert (read.receiver, read.prefix, read.account, read.stamp) == ("0", "0", None, NOW)


@pytest.mark.clause("DC-09 account", code="protocols.dc09.decode", memory=True)
@pytest.mark.clause("DC-09 sequence", code="protocols.dc09.decode", memory=True)
@pytest.mark.parametrize(
    ("text", "rules"),
    [
        ('"SIA-DCS"0001L0#4471[#4471|Nri1/BA15]', []),
        ('"SIA-DCS"0001L0#4471[|Nri1/RP00]', []),
        ('"SIA-DCS"0001R1L0#4471[#4471|Nri1/BA15][VX][Iabc]_12:34:56,11-25-2026', []),
        ('SIA-DCS"0001L0#4471[#4471|Nri1/BA15]', ["bad-envelope", "bad-token"]),
        ('"XYZ"0001L0#4471[#4471|hello]', ["bad-token"]),
        ('"SIA-DCS"0000L0#4471[#4471|Nri1/BA15]', ["bad-sequence"]),
        ('"SIA-DCS"12A4L0#4471[#4471|Nri1/BA15]', ["bad-sequence"]),
        ('"SIA-DCS"001L0#4471[#4471|Nri1/BA15]', ["bad-sequence"]),
        ('"SIA-DCS"0001#4471[#4471|Nri1/BA15]', ["bad-number"]),
        ('"SIA-DCS"0001RXL0#4471[#4471|Nri1/BA15]', ["bad-number"]),
        ('"SIA-DCS"0001L0000000#4471[#4471|Nri1/BA15]', ["bad-number"]),
        ('"SIA-DCS"0001L0#44[#44|Nri1/BA15]', ["bad-number"]),
        ('"SIA-DCS"0001L0[|Nri1/BA15]', ["bad-number"]),
        ('"SIA-DCS"0001L0#4471[#4472|Nri1/BA15]', ["account-differs"]),
        ('"SIA-DCS"0001L0#4471[#04471|Nri1/BA15]', []),
        ('"SIA-DCS"0001L0#4471[Nri1/BA15]', ["bad-payload"]),
        ('"SIA-DCS"0001L0#4471[#4471|Nri1/BA15', ["bad-payload"]),
        ('"SIA-DCS"0001L0#4471', ["bad-payload"]),
        ('"SIA-DCS"0001L0#4471[]', ["bad-payload"]),
        ('"ADM-CID"0001L0#4471[#4471|1131 01]', ["bad-payload"]),
        ('"ADM-CID"0001L0#4471[#4471|1999 01 015]', ["unknown-code"]),
        ('"SIA-DCS"0001L0#4471[#4471|Nri1/ZQ1]', ["unknown-code"]),
        ('"SIA-DCS"0001L0#4471[#4471|Nri1/BA15]_12:34:56', ["bad-stamp"]),
        ('"SIA-DCS"0001L0#4471[#4471|Nri1/BA15]junk', ["bad-stamp"]),
        ('"SIA-DCS"0001L0#4471[#4471|Nri1/BA15]_25:00:00,11-25-2026', ["bad-stamp"]),
        ('"SIA-DCS"0001L0#4471[#4471|Nri1/BA15][H12:34]', ["bad-extended"]),
        ('"SIA-DCS"0001L0#4471[#4471|Nri1/BA15][lower]', ["bad-extended"]),
        ('"*SIA-DCS"0001L0#4471[00112233', ["no-key"]),
    ],
)
def test_each_fault_has_its_name(text: str, rules: list[str]) -> None:
    assert frame(text) == rules


def test_a_wrong_crc_and_a_wrong_length_are_named_with_what_they_should_be() -> None:
    good = wrap(b'"NULL"0000L0#4471[]')
    crc = decode(b"\n0000" + good[5:])
    assert [problem.rule for problem in crc.problems] == ["crc-mismatch"]
    assert (crc.crc_sent, crc.crc_computed) == ("0000", good[1:5].decode())
    length = decode(good[:5] + b"0099" + good[9:])
    assert [problem.rule for problem in length.problems] == ["length-mismatch"]
    assert (length.length_sent, length.length_counted) == (0x99, 19)


def test_lower_case_check_digits_are_noted_and_no_problem() -> None:
    good = wrap(b'"SIA-DCS"0001L0#4471[#4471|Nri1/BA15]')
    read = decode(good[:1] + good[1:9].lower() + good[9:])
    assert (read.problems, len(read.notes)) == ([], 1)


def test_what_can_be_read_of_a_damaged_frame_is_read() -> None:
    read = decode(b'\nzzzz0024"SIA-DCS"0007L0#4471[#4471|Nri1/FA3]\r')
    assert read.has("bad-envelope")
    assert (read.account, read.sequence, read.signals[0].category) == ("4471", 7, "fire")


@pytest.mark.clause("DC-09 time of occurrence", code="protocols.dc09.OLD", memory=True)
def test_an_event_that_occurred_long_before_its_stamp_is_from_memory() -> None:
    raw = build("SIA-DCS", 1, "4471", "Nri1/BA15", extended=[("H", "11:00:00,11-25-2026")], stamp=NOW)
    assert decode(raw).signals[0].from_memory
    raw = build("SIA-DCS", 1, "4471", "Nri1/BA15", extended=[("H", "12:34:00,11-25-2026")], stamp=NOW)
    assert not decode(raw).signals[0].from_memory


@pytest.mark.clause("DC-09 extended data", code="protocols.dc09.EXTENDED", memory=True)
def test_an_extended_letter_that_is_not_listed_is_noted() -> None:
    read = decode(build("SIA-DCS", 1, "4471", "Nri1/BA15", extended=[("Q", "x")]))
    assert (read.problems, read.extended[0].name, len(read.notes)) == ([], None, 1)


@given(st.text(hexes + "abcdef", min_size=1, max_size=8), st.integers(0, 4))
def test_numbers_are_the_same_but_for_leading_zeros_and_case(number: str, zeros: int) -> None:
    assert same_number(number, "0" * zeros + number.swapcase())
    assert int(bare(number), 16) == int(number, 16)


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ({"sequence": 10000}, "0 to 9999"),
        ({"account": "12"}, "3 to 16 hex digits"),
        ({"receiver": "XYZ"}, "1 to 6 hex digits"),
        ({"payload": "a]b"}, "brackets"),
        ({"payload": "x" * 4100}, "at most 4095"),
        ({"extended": [("V", "x\r")]}, "brackets"),
    ],
)
def test_what_no_frame_can_carry_is_refused(arguments: dict, reason: str) -> None:  # type: ignore[type-arg]
    given_ = {"token": "SIA-DCS", "sequence": 1, "account": "4471", "payload": "Nri1/BA15"} | arguments
    with pytest.raises(ValueError, match=reason):
        build(given_.pop("token"), given_.pop("sequence"), given_.pop("account"), given_.pop("payload"), **given_)
