"""The conversation: what one role writes, the other must accept."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from protocols.dc09 import build, decode
from protocols.envelope import wrap
from protocols.exchange import Panel, Word, answer, belongs, following, in_window
from protocols.seal import Key, seal

NOW = datetime(2026, 11, 25, 12, 34, 56, tzinfo=UTC)
hexes = "0123456789ABCDEF"
keys = st.none() | st.sampled_from((16, 24, 32)).map(lambda size: Key(bytes(size)))
panels = st.builds(
    Panel,
    st.text(hexes, min_size=3, max_size=16),
    receiver=st.none() | st.text(hexes, min_size=1, max_size=6),
    prefix=st.text(hexes, min_size=1, max_size=6),
    key=keys,
    sequence=st.integers(1, 9999),
    stamped=st.booleans(),
).filter(lambda panel: panel.stamped or panel.key is None)


@pytest.mark.clause("DC-09 ack", code="protocols.exchange.answer", source="DC-09 5.5.3.1")
@pytest.mark.clause("DC-09 transport", code="protocols.exchange.Panel", memory=True)
@given(panels, st.booleans(), st.sampled_from(("ACK", "DUH")))
def test_the_two_roles_agree(panel: Panel, poll: bool, word: Word) -> None:
    number = panel.sequence
    raw = panel.poll(NOW) if poll else panel.say("ADM-CID", "1131 01 015", NOW)
    message = decode(raw, panel.key)
    assert message.problems == []
    assert message.sequence == (0 if poll else number)
    (heard,) = panel.heard(answer(word, message, NOW, panel.key), NOW)
    assert (heard.word, heard.why, panel.waiting) == (word, "", False)


@pytest.mark.clause("DC-09 clock from nak", code="protocols.exchange.Panel.heard", memory=True)
@given(panels, st.integers(-86400, 86400))
def test_a_nak_sets_the_panels_clock_and_the_next_try_is_in_the_window(panel: Panel, off: int) -> None:
    """DC-09, 5.5.3.2."""
    panel.clock_error, panel.stamped = timedelta(seconds=off), True
    first = decode(panel.say("SIA-DCS", "Nri1/BA15", NOW), panel.key)
    (heard,) = panel.heard(answer("NAK", first, NOW), NOW)
    assert (heard.word, heard.frame.encrypted, heard.frame.stamp) == ("NAK", False, NOW)
    again = decode(panel.again(NOW) or b"", panel.key)
    assert again.stamp is not None
    assert in_window(again.stamp, NOW)
    assert (again.sequence, again.data) == (first.sequence, first.data)


@given(st.datetimes(timezones=st.just(UTC)), keys)
@example(datetime(9999, 12, 31, 23, 59, 59, tzinfo=UTC), None)
@example(datetime(1, 1, 1, tzinfo=UTC), None)
def test_whatever_time_a_nak_tells_the_panel_can_send_again_long_after_and_no_clock_is_set_outside_1970_to_2099(
    told: datetime, key: Key | None
) -> None:
    """The bounds are common practice."""
    panel = Panel("4471", key=key)
    panel.say("ADM-CID", "1131 01 015", NOW)
    (heard,) = panel.heard(answer("NAK", decode(panel.sent, key), told), NOW)
    taken = 1970 <= told.year <= 2099
    assert heard.word == ("NAK" if taken else "foreign")
    assert panel.clock_error == (told.replace(microsecond=0) - NOW if taken else timedelta(0))
    again = decode(panel.again(NOW + timedelta(days=366)) or b"", key)
    assert (again.sequence, again.data) == (1, "1131 01 015")
    assert taken or f"{told.year:04d}" in heard.why


@pytest.mark.clause("DC-09 nak form", code="protocols.exchange.answer", source="a frame seen on a wire")
def test_the_form_of_a_nak() -> None:
    """As seen on a real frame: no echo, all zeros, A0 in place of the account."""
    raw = answer("NAK", decode(build("NULL", 0, "4471")), NOW)
    assert raw[9:] == b'"NAK"0000R0L0A0[]_12:34:56,11-25-2026\r'


@pytest.mark.clause("DC-09 echo", code="protocols.exchange.answer", memory=True)
def test_ack_and_duh_echo_sequence_receiver_prefix_and_account() -> None:
    """From memory of DC-09. To a message in clear they carry [] and no stamp."""
    message = decode(build("ADM-CID", 77, "12AB", "1131 01 015", receiver="1F", prefix="2C", stamp=NOW))
    assert answer("ACK", message, NOW)[9:] == b'"ACK"0077R1FL2C#12AB[]\r'
    assert answer("DUH", message, NOW)[9:] == b'"DUH"0077R1FL2C#12AB[]\r'
    bare = decode(build("ADM-CID", 77, "12AB", "1131 01 015"))
    assert answer("ACK", bare, NOW)[9:] == b'"ACK"0077L0#12AB[]\r'


@pytest.mark.clause("DC-09 encrypted ack", code="protocols.exchange.answer", source="DC-09 5.5.3.1")
@pytest.mark.clause("DC-09 duh in clear", code="protocols.exchange.answer", memory=True)
def test_the_answer_to_an_encrypted_message_is_an_encrypted_ack_but_a_clear_duh() -> None:
    """DC-09, 5.5.3.1; that DUH goes in clear is from memory, and not certain."""
    key = Key(bytes(16))
    message = decode(build("ADM-CID", 77, "12AB", "1131 01 015", stamp=NOW, key=key), key)
    ack = decode(answer("ACK", message, NOW, key), key)
    assert (ack.token, ack.encrypted, ack.stamp, ack.problems) == ("ACK", True, NOW, [])
    assert answer("DUH", message, NOW, key)[9:] == b'"DUH"0077L0#12AB[]\r'


@pytest.mark.clause("DC-09 time window", code="protocols.exchange.in_window", memory=True)
def test_the_window_is_20_s_ahead_and_40_s_behind() -> None:
    """From memory of DC-09."""
    for fraction in (0, 1, 999_999):
        now = NOW.replace(microsecond=fraction)  # a stamp has whole seconds, so the window has
        passes = {off for off in range(-60, 61) if in_window(NOW + timedelta(seconds=off), now)}
        assert passes == set(range(-40, 21))


@pytest.mark.clause("DC-09 sequence", code="protocols.exchange.following", memory=True)
def test_9999_is_followed_by_0001() -> None:
    """From memory of DC-09."""
    assert (following(1), following(9998), following(9999)) == (2, 9999, 1)


@pytest.mark.clause("DC-09 tries", code="protocols.exchange.Panel.again", memory=True)
@pytest.mark.clause("DC-09 repeat", code="protocols.exchange.Panel.again", source="DC-09, its author's answers")
def test_without_an_answer_the_same_bytes_go_again_until_the_tries_are_used_up() -> None:
    panel = Panel("4471", tries=3)
    first = panel.say("ADM-CID", "1131 01 015", NOW)
    later = NOW + timedelta(seconds=20)
    assert [panel.again(later), panel.again(later), panel.again(later)] == [first, first, None]
    assert not panel.waiting
    assert decode(panel.say("ADM-CID", "3131 01 015", later)).sequence == 2


def test_encrypted_the_same_message_goes_again_in_other_bytes() -> None:
    panel = Panel("4471", key=Key(bytes(16)))
    first = panel.say("ADM-CID", "1131 01 015", NOW)
    again = panel.again(NOW + timedelta(seconds=20)) or b""
    assert again != first
    one, two = decode(first, panel.key), decode(again, panel.key)
    assert (one.sequence, one.data) == (two.sequence, two.data)


@pytest.mark.clause("DC-09 one outstanding", code="protocols.exchange.Panel.poll", memory=True)
def test_one_message_is_outstanding_at_a_time() -> None:
    panel = Panel("4471")
    panel.poll(NOW)
    with pytest.raises(RuntimeError, match="still waits"):
        panel.poll(NOW)


KEY = Key(bytes(range(16)))
CLEAR = decode(build("ADM-CID", 77, "12AB", "1131 01 015", receiver="1"))
SEALED = decode(build("ADM-CID", 77, "12AB", "1131 01 015", receiver="1", stamp=NOW, key=KEY), KEY)


@pytest.mark.parametrize(
    ("sent", "reply", "why"),
    [
        (CLEAR, wrap(b'"ACK"0078R1L0#12AB[]'), "sequence"),
        (CLEAR, wrap(b'"ACK"0077R2L0#12AB[]'), "receiver"),
        (CLEAR, wrap(b'"ACK"0077L0#12AB[]'), "receiver"),
        (CLEAR, wrap(b'"ACK"0077R1L1#12AB[]'), "prefix"),
        (CLEAR, wrap(b'"DUH"0077R1L0#12AC[]'), "account"),
        (CLEAR, b'\n00000014"ACK"0077R1L0#12AB[]\r', "these bytes give"),
        (CLEAR, wrap(b'"NULL"0077R1L0#12AB[]'), "no answer"),
        (CLEAR, wrap(b'"NAK"0000R0L0A0[]'), "receiver's time"),
        (CLEAR, b"garbage", "outside any frame"),
        (CLEAR, wrap(f'"*ACK"0077R1L0#12AB[{seal(KEY, "]_12:34:56,11-25-2026")}'.encode()), "in clear"),
        (SEALED, wrap(b'"ACK"0077R1L0#12AB[]'), "5.5.3.1"),
        (SEALED, wrap(f'"*ACK"0077R1L0#12AB[{seal(KEY, "]")}'.encode()), "5.5.3.1"),
        (SEALED, wrap(f'"*ACK"0077R1L0#12AB[{"00" * 32}'.encode()), "padding"),
    ],
)
def test_an_answer_that_does_not_belong_is_told_from_one_that_does(sent, reply: bytes, why: str) -> None:  # type: ignore[no-untyped-def]
    from protocols.dc09 import decode_all

    heard = belongs(decode_all(reply, KEY)[0], sent)
    assert heard.word == "foreign"
    assert why in heard.why


def test_an_echo_never_carries_what_could_break_the_answer() -> None:
    message = decode(wrap(b'"XYZ"00\x0001L0#44"71[#4471|x]'))
    answered = decode(answer("DUH", message, NOW))
    assert not answered.has("crc-mismatch", "length-mismatch", "bad-envelope", "bad-token")
