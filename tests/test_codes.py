"""Contact ID (DC-05) and the two-letter codes (DC-03): what a message says, and what its number counts."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols import contact_id, two_letter
from protocols.codes import table

digits = st.sampled_from("0123456789BCDEF")


@pytest.mark.clause("DC-05 message", code="protocols.contact_id.block", source="DC-05, worked example")
@pytest.mark.clause("DC-05 in DC-09", code="protocols.contact_id.read", memory=True)
def test_the_worked_example_of_dc_05() -> None:
    """SIA DC-05, worked example: account 1234, 18, 1131, area 01, zone 015, checksum 8."""
    assert contact_id.block("1234", "1131 01 015") == "1234181131010158"
    account, payload = contact_id.read_block("1234 18 1131 01 015 8")
    (signal,) = payload.signals
    assert (account, signal.code, signal.qualifier, signal.area, signal.zone) == ("1234", "131", "new", "01", "015")
    assert not payload.problems


@pytest.mark.clause("DC-05 checksum", code="protocols.contact_id.checksum", source="DC-05, worked example")
@given(st.text(digits, min_size=15, max_size=15))
def test_the_sum_of_all_sixteen_digits_is_a_multiple_of_fifteen(fifteen: str) -> None:
    """DC-05: 0 counts 10, 1-9 themselves, B-F 11-15 (the letters from memory)."""
    weights = dict(zip("1234567890BCDEF", range(1, 16), strict=True))
    assert sum(weights[digit] for digit in fifteen + contact_id.checksum(fifteen)) % 15 == 0


@pytest.mark.clause("DC-05 message type 98", code="protocols.contact_id.read_block", source="DC-05")
def test_the_message_type_may_be_98_and_nothing_but_18_beside_it() -> None:
    """DC-05: 98 says the same as 18; the sum counts the digits that were sent, so its checksum is another."""
    fifteen = "123498113101015"
    account, payload = contact_id.read_block(fifteen + contact_id.checksum(fifteen))
    assert (account, payload.signals, payload.problems) == (
        "1234",
        contact_id.read_block("1234181131010158")[1].signals,
        (),
    )
    for other in ("17", "19", "58", "00"):
        fifteen = f"1234{other}113101015"
        _, payload = contact_id.read_block(fifteen + contact_id.checksum(fifteen))
        assert [problem.rule for problem in payload.problems] == ["bad-payload"]


@pytest.mark.clause("DC-05 letters", code="protocols.contact_id.checksum", memory=True)
def test_a_checksum_of_fifteen_is_sent_as_f_and_ten_as_0() -> None:
    """From memory of DC-05."""
    assert contact_id.checksum("1" * 15) == "F"  # 15, a multiple already: 15 more
    assert contact_id.checksum("1" * 14 + "6") == "0"  # 20, and 10 make 30


@pytest.mark.clause("DC-05 letters", code="protocols.contact_id.digit_value", memory=True)
def test_a_is_no_digit() -> None:
    """From memory of DC-05."""
    with pytest.raises(ValueError, match="no Contact ID digit"):
        contact_id.digit_value("A")


@given(st.text(digits, min_size=15, max_size=15), digits, st.integers(0, 15))
def test_one_wrong_digit_never_passes_the_checksum(fifteen: str, other: str, place: int) -> None:
    right = fifteen + contact_id.checksum(fifteen)
    wrong = right[:place] + other + right[place + 1 :]
    assert (sum(map(contact_id.digit_value, wrong)) % 15 == 0) == (wrong == right)


@pytest.mark.clause("DC-05 checksum", code="protocols.contact_id.read_block", source="DC-05, worked example")
def test_a_wrong_checksum_is_named_with_the_right_one() -> None:
    _, payload = contact_id.read_block("1234 18 1131 01 015 9")
    assert [problem.rule for problem in payload.problems] == ["bad-checksum"]
    assert "it is 8" in payload.problems[0].detail


@pytest.mark.clause("DC-05 codes", code="protocols/codes/contact_id.tsv", memory=True)
@pytest.mark.clause("DC-05 qualifier", code="protocols.contact_id.read", source="DC-05")
@pytest.mark.parametrize(
    ("message", "qualifier", "category", "zone", "user"),
    [
        # What the number counts, code by code: from memory of DC-05's own table.
        ("1131 01 015", "new", "burglary", "015", None),
        ("3131 01 015", "restore", "burglary", "015", None),
        ("6131 01 015", "status", "burglary", "015", None),
        ("1401 01 002", "new", "open-close", None, "002"),
        ("3401 01 002", "restore", "open-close", None, "002"),
        ("1121 01 003", "new", "panic", None, "003"),
        ("1426 01 007", "new", "access", "007", None),
        ("1110 01 016", "new", "fire", "016", None),
        ("1151 01 004", "new", "gas", "004", None),
        ("1162 01 004", "new", "gas", "004", None),
        ("1154 01 004", "new", "environment", "004", None),
        ("1100 01 004", "new", "medical", "004", None),
        ("1203 01 004", "new", "supervisory", "004", None),
        ("1383 01 004", "new", "tamper", "004", None),
        ("1301 00 000", "new", "power", None, None),
        ("1354 00 000", "new", "communication", None, None),
        ("1570 01 004", "new", "bypass", "004", None),
        ("1602 00 000", "new", "test", None, None),
    ],
)
def test_what_a_contact_id_message_says(
    message: str, qualifier: str, category: str, zone: str | None, user: str | None
) -> None:
    payload = contact_id.read(message)
    (signal,) = payload.signals
    assert (signal.qualifier, signal.category, signal.zone, signal.user) == (qualifier, category, zone, user)
    assert signal.meaning
    assert not payload.problems


@pytest.mark.clause("DC-05 qualifier", code="protocols.contact_id.read", source="DC-05")
def test_openings_and_closings_are_told_apart() -> None:
    """DC-05: on openings and closings 1 is an opening and 3 a closing."""
    for code in ("401", "403", "407", "408", "409", "441", "442"):
        opening, closing = (contact_id.read(f"{qualifier}{code} 01 001").signals[0].meaning or "" for qualifier in "13")
        assert "pening" in opening, code
        assert "losing" in closing, code


def test_area_00_and_zone_000_mean_none() -> None:
    (signal,) = contact_id.read("1301 00 000").signals
    assert (signal.area, signal.zone, signal.user) == (None, None, None)


def test_an_unknown_code_is_never_given_a_meaning() -> None:
    payload = contact_id.read("1999 01 015")
    assert [problem.rule for problem in payload.problems] == ["unknown-code"]
    assert (payload.signals[0].meaning, payload.signals[0].number) == (None, "015")


@pytest.mark.parametrize("text", ["", "1131", "2131 01 015", "1131 01 15", "1A31 01 015", "1131 01 015 ", "Nri1/BA15"])
def test_what_is_no_contact_id_message_is_a_bad_payload(text: str) -> None:
    assert [problem.rule for problem in contact_id.read(text).problems] == ["bad-payload"]


@pytest.mark.clause("DC-03 block", code="protocols.two_letter.read", memory=True)
@pytest.mark.clause("DC-03 text", code="protocols.two_letter.read", memory=True)
@pytest.mark.clause("DC-03 written two ways", code="protocols.two_letter.read", practice=True)
@pytest.mark.parametrize(
    ("text", "said"),
    [
        # Forms in the field (common practice, no source), codes from memory of DC-03.
        ("Nri1/BA15", [("BA", "1", "15", None, None)]),
        ("Nri1BA015", [("BA", "1", "015", None, None)]),
        ("Nri1/id7/OP7", [("OP", "1", None, "7", None)]),
        ("Nri1/CL2", [("CL", "1", None, "2", None)]),
        ("Nri1/BA15/BR15", [("BA", "1", "15", None, None), ("BR", "1", "15", None, None)]),
        ("Nri1/BA15*Back door", [("BA", "1", "15", None, "Back door")]),
        ("Nri1/BA15^Back door^", [("BA", "1", "15", None, "Back door")]),
        ("Nri1/BA15ABACK DOOR", [("BA", "1", "15", None, "BACK DOOR")]),
        ("Nri1/BA15/A Back door", [("BA", "1", "15", None, "Back door")]),
        ("Nti10:30/ri2/FA3/ri4/GA5", [("FA", "2", "3", None, None), ("GA", "4", "5", None, None)]),
        ("Npi12/ri1/AT", [("AT", "1", None, None, None)]),
        ("NRP00", [("RP", None, None, None, None)]),
        ("Nri1/FA3 KITCHEN", [("FA", "1", "3", None, "KITCHEN")]),
        ("Nri1BA15*x|FA3", [("BA", "1", "15", None, "x"), ("FA", "1", "3", None, None)]),
    ],
)
def test_what_a_two_letter_block_says(text: str, said: list[tuple[str | None, ...]]) -> None:
    payload = two_letter.read(text)
    assert [(s.code, s.area, s.zone, s.user, s.text) for s in payload.signals] == said
    assert not payload.problems


def test_one_block_costs_a_bounded_amount_whatever_it_holds() -> None:
    payload = two_letter.read("N" + "".join(f"x{letter}1" for letter in "abcdefghijklmn") + "BA1" * 1000)
    assert len(payload.signals) <= two_letter.MOST_CODES + 1
    assert [problem.rule for problem in payload.problems] == ["bad-payload"]


@pytest.mark.clause("DC-03 old event", code="protocols.two_letter.read", memory=True)
def test_old_events_come_from_the_panels_memory() -> None:
    assert [two_letter.read(f"{age}ri1/BA15").signals[0].from_memory for age in "NO"] == [False, True]


@pytest.mark.parametrize("text", ["", "BA15", "Nri1", "Nri1/@", "N*text before any code", "Xri1/BA15"])
def test_what_is_no_two_letter_block_is_a_bad_payload(text: str) -> None:
    assert {problem.rule for problem in two_letter.read(text).problems} == {"bad-payload"}


@pytest.mark.clause("DC-03 codes", code="protocols/codes/two_letter.tsv", memory=True)
def test_a_restoral_keeps_the_category_of_what_it_restores() -> None:
    codes = table("two_letter")
    for code in codes.values():
        if code.restores:
            assert code.category == codes[code.restores].category, code
            assert two_letter.read(f"N{code.code}1").signals[0].qualifier == "restore"


@pytest.mark.clause("DC-03 codes", code="protocols/codes/two_letter.tsv", memory=True)
@pytest.mark.parametrize(
    ("code", "category", "restores"),
    [
        # From memory of DC-03: the second letter often tells, but not always.
        ("BA", "burglary", None),
        ("BR", "burglary", "BA"),
        ("BH", "burglary", "BA"),
        ("BT", "trouble", None),
        ("BJ", "trouble", "BT"),
        ("BB", "bypass", None),
        ("FA", "fire", None),
        ("GA", "gas", None),
        ("MA", "medical", None),
        ("PA", "panic", None),
        ("HA", "panic", None),
        ("WA", "environment", None),
        ("TA", "tamper", None),
        ("FS", "supervisory", None),
        ("AT", "power", None),
        ("AR", "power", "AT"),
        ("YT", "power", None),
        ("YR", "power", "YT"),
        ("OA", "open-close", None),
        ("CA", "open-close", None),
        ("OR", "open-close", None),
        ("DA", "access", None),
        ("RP", "test", None),
        ("RX", "test", None),
    ],
)
def test_two_letter_codes_row_by_row(code: str, category: str, restores: str | None) -> None:
    row = table("two_letter")[code]
    assert (row.category, row.restores) == (category, restores)


def test_the_tables_are_whole_and_say_where_they_come_from() -> None:
    assert len(table("contact_id")) > 200
    assert len(table("two_letter")) > 280
    for name in ("contact_id", "two_letter"):
        from importlib.resources import files

        head = files("protocols.codes").joinpath(f"{name}.tsv").read_text("utf-8").split("code\t")[0]
        assert "from memory" in head
