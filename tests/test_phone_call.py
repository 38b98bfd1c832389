"""A call: tones become messages, what is wrong with its sound is found, and both ends understand each other."""

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_phone_ear import heard

from protocols import contact_id
from protocols.dc09 import decode
from protocols.envelope import wrap
from protocols.phone.call import Call, Following, Message, read
from protocols.phone.ear import RATE, Tone
from protocols.phone.roles import Answering, Calling
from protocols.phone.sound import FLAWLESS, Flaws, kiss_off, lose, make_call, with_wrong_checksum
from protocols.phone.tones import key_of

WORKED = "1234181131010158"  # the worked example of DC-05: 1234 18 1131 01 015 8
RESTORED = contact_id.block("1234", "3131 01 015")


def call_of(*messages: str, flaws: Flaws = FLAWLESS, **how: int) -> Call:
    return read(heard(make_call(messages, flaws, **how).line))


def test_the_worked_example_of_dc05_is_made_and_read_back() -> None:
    call = call_of(WORKED)
    (message,) = call.messages
    frame = message.frame()
    assert (message.digits, frame.account, frame.problems) == (WORKED, "1234", [])
    (signal,) = frame.signals
    assert (signal.code, signal.qualifier, signal.area, signal.zone) == ("131", "new", "01", "015")
    assert message.findings() == []
    assert len(call.handshakes) == 1
    assert message.kiss_off is not None
    assert 0.75 <= message.kiss_off.seconds <= 1


def test_a_call_says_the_same_signals_as_dc09() -> None:
    over_dc09 = decode(wrap(b'"ADM-CID"0001L0#1234[#1234|1131 01 015]'))
    assert call_of(WORKED).messages[0].frame().signals == over_dc09.signals


def test_its_json_is_the_contracts_with_what_a_call_does_not_have_as_null() -> None:
    message = call_of(WORKED).messages[0]
    frame = message.frame()
    frame.call = message.to_json()
    found = frame.to_json()
    assert found["token"] == "ADM-CID"
    assert [found[name] for name in ("sequence", "crc", "length", "receiver", "prefix", "stamp")] == [None] * 6
    assert found["raw"] == WORKED
    call = found["call"]
    assert len(call["tones"]) == 16
    assert call["kiss_off"]["on_ms"] == pytest.approx(850, abs=2)
    first = call["tones"][0]
    assert first["digit"] == "1"
    assert [part["nominal_hz"] for part in first["parts"]] == [697, 1209]
    assert first["off_ms"] == pytest.approx(55, abs=2)
    assert call["tones"][-1]["off_ms"] is None


def test_several_messages_in_one_call_are_counted_and_so_are_the_tries_of_each() -> None:
    call = call_of(WORKED, RESTORED, tries=2)
    assert [
        (message.digits, message.number, message.attempt, message.kiss_off is not None) for message in call.messages
    ] == [
        (WORKED, 1, 1, False),
        (WORKED, 1, 2, True),
        (RESTORED, 2, 1, False),
        (RESTORED, 2, 2, True),
    ]


def test_the_same_event_after_another_is_a_new_message_and_no_try() -> None:
    assert [message.number for message in call_of(WORKED, RESTORED, WORKED).messages] == [1, 2, 3]


def test_a_wrong_checksum_is_named_and_the_next_try_counts_as_the_same_message() -> None:
    call = call_of(WORKED, flaws=Flaws(wrong_checksum=True), tries=2)
    bad, good = call.messages
    assert [problem.rule for problem in bad.frame().problems] == ["bad-checksum"]
    assert (bad.number, bad.attempt, good.number, good.attempt) == (1, 1, 1, 2)
    assert bad.kiss_off is None
    assert good.good


def test_a_digit_that_was_not_sent_is_missed() -> None:
    (message,) = call_of(WORKED, flaws=Flaws(missing_digit=7)).messages
    (problem,) = message.frame().problems
    assert problem.rule == "digit-count"
    assert "15 digits" in problem.detail
    assert "even" in problem.detail


def test_a_digit_that_the_line_lost_is_missed_where_it_was() -> None:
    made = make_call([WORKED])
    lost = [sound for sound in made.sounds if sound.what == "digit"][5]
    made.panel[round((lost.start - 0.01) * RATE) : round((lost.end + 0.01) * RATE)] = 0
    (message,) = read(heard(made.line)).messages
    (problem,) = message.frame().problems
    assert "after digit 5" in problem.detail
    assert "165 ms are silent where 55 ms are usual" in problem.detail


@pytest.mark.clause("DC-05 digit timing", code="protocols.phone.call.read", source="a modem maker's note on DC-05")
@pytest.mark.parametrize(("flaws", "named"), [
    (Flaws(frequency=2.2), "frequency error"),
    (Flaws(twist=-10), "twist"),
    (Flaws(on=70), "on time"),
    (Flaws(off=45), "off time"),
    (Flaws(level=-33), "level"),
    (Flaws(snr=9), "signal to noise"),
], ids=str)  # fmt: skip
def test_each_flaw_is_found_by_its_measure_and_by_no_other(flaws: Flaws, named: str) -> None:
    (message,) = call_of(WORKED, flaws=flaws).messages
    assert message.digits == WORKED
    assert {finding.limit.name.partition(",")[0].removesuffix(" of each part") for finding in message.findings()} == {
        named
    }


def test_a_short_kiss_off_and_a_late_one_are_found() -> None:
    made = make_call([WORKED])
    made.receiver[:] = 0
    end = max(sound.end for sound in made.sounds if sound.what == "digit")
    begin = round((end + 1.4) * RATE)
    late = kiss_off(RATE, seconds=0.6)
    line = np.concatenate((made.panel, np.zeros(RATE * 3)))
    line[begin : begin + len(late)] += late
    (message,) = read(heard(line)).messages
    assert {finding.limit.name for finding in message.findings()} == {"on time", "from the last digit to the kiss-off"}


# Both ends.


def talk(
    panel: Calling, receiver: Answering, keep: Callable[[Message], bool] = lambda _: True,
    line: Callable[[np.ndarray], np.ndarray] = lambda samples: samples,
) -> list[Message]:  # fmt: skip
    """Let the two speak, 20 ms at a time, until the panel hangs up; the messages that the receiver heard."""
    messages = []
    while not panel.over:
        assert panel.voice.seconds < 200
        said, answer = line(panel.say(160)), receiver.say(160)
        for message in receiver.hear(said):
            messages.append(message)
            if message.good and keep(message):
                receiver.kiss()
        panel.hear(answer)
    return messages


def test_a_panel_waits_for_the_handshake_and_hangs_up_where_none_comes() -> None:
    panel = Calling([WORKED])
    while not panel.over:
        assert np.abs(panel.say(800)).max() == 0
        panel.hear(np.zeros(800))
    assert panel.voice.seconds == pytest.approx(30, abs=1)  # common practice
    assert not panel.delivered


@given(
    messages=st.lists(
        st.sampled_from([WORKED, RESTORED, contact_id.block("B0CF", "6602 00 000")]), min_size=1, max_size=3
    )
)
@settings(max_examples=10)
def test_what_one_end_says_the_other_understands(messages: list[str]) -> None:
    panel, receiver = Calling(messages), Answering()
    assert [message.digits for message in talk(panel, receiver)] == messages
    assert panel.delivered
    for message in receiver.following.call.messages:
        assert message.findings() == []
    for delivery in panel.deliveries:
        assert delivery.tries == 1
        assert delivery.waited is not None
        assert delivery.waited < 1.25  # from memory of DC-05
        assert 0.75 <= (delivery.kiss_seconds or 0) <= 1


@pytest.mark.clause("DC-05 answer wait", code="protocols.phone.roles.Answering", memory=True)
def test_the_receiver_is_silent_for_half_a_second_to_two_before_its_handshake() -> None:
    """DC-05, from memory."""
    said = Answering().say(3 * RATE)
    first = int(np.flatnonzero(np.abs(said) > 0.01)[0]) / RATE
    assert 0.5 <= first <= 2


@pytest.mark.clause("DC-05 first digit", code="protocols.phone.roles.Calling", source="a modem maker's note on DC-05")
def test_the_first_digit_comes_250_to_300_ms_after_the_handshake() -> None:
    panel, receiver = Calling([WORKED]), Answering()
    (message,) = talk(panel, receiver)
    assert panel.handshake is not None
    assert message.start - panel.handshake[1].end == pytest.approx(0.275, abs=0.025)


@pytest.mark.clause("DC-05 call tries", code="protocols.phone.roles.Calling", memory=True)
def test_a_panel_sends_the_same_four_times_and_then_gives_up() -> None:
    panel, receiver = Calling([WORKED, RESTORED]), Answering()
    messages = talk(panel, receiver, keep=lambda _: False)
    assert [(message.digits, message.attempt) for message in messages] == [
        (WORKED, attempt) for attempt in (1, 2, 3, 4)
    ]
    assert [delivery.tries for delivery in panel.deliveries] == [4, 0]
    assert not panel.delivered
    pauses = [after.start - before.end for before, after in itertools.pairwise(messages)]
    assert min(pauses) >= 1.25  # from memory of DC-05


def test_a_kiss_off_for_the_third_try_ends_it() -> None:
    panel, receiver = Calling([WORKED]), Answering()
    messages = talk(panel, receiver, keep=lambda message: message.attempt == 3)
    assert len(messages) == 3
    assert panel.delivered


@pytest.mark.clause("DC-05 kiss-off", code="protocols.phone.roles.Answering", source="a modem maker's note on DC-05")
def test_a_panel_with_a_wrong_checksum_is_never_kissed_off() -> None:
    panel, receiver = Calling([with_wrong_checksum(WORKED)]), Answering()
    assert len(talk(panel, receiver)) == 4
    assert not panel.delivered


def test_both_ends_manage_over_a_line_that_loses_packets() -> None:
    random = np.random.default_rng(4)
    panel, receiver = Calling([WORKED, RESTORED]), Answering()
    messages = talk(panel, receiver, line=lambda samples: lose(samples, 0.03, RATE, random))
    assert panel.delivered
    assert {message.digits for message in messages if message.good} == {WORKED, RESTORED}


def test_a_receiver_gives_its_handshake_again_and_hangs_up_where_nobody_speaks() -> None:
    receiver = Answering()
    said = []
    while not receiver.over:
        assert receiver.voice.seconds < 60
        said.append(receiver.say(160))
        receiver.hear(np.zeros(160))
    assert len(read(heard(np.concatenate(said))).handshakes) == 3  # common practice


def test_a_digit_in_sound_and_in_words_is_one() -> None:
    following = Following()
    for place, digit in enumerate(WORKED):
        start = 1 + place * 0.1
        following.take(Tone(start, start + 0.03, (), None, told=digit))
    (message,) = [*filter(None, [following.end()])]
    assert message.digits == WORKED
    receiver = Answering()
    receiver.hear(make_call(["1"], before=0, receiver=False).line[: RATE * 3])
    at = make_call(["1"], before=0).sounds[2]
    receiver.told("1", at.start, at.end)
    (only,) = receiver.end()
    assert only.digits == "1"


def test_a_call_whose_two_tracks_hear_each_other_is_read_once() -> None:
    made = make_call([WORKED], Flaws(snr=25), seed=2)
    random = np.random.default_rng(1)
    other = made.receiver + 0.05 * made.panel + random.normal(0, 0.0005, len(made.panel))
    call = read(heard(made.panel + 0.05 * made.receiver) + heard(other))
    (message,) = call.messages
    assert message.digits == WORKED
    assert len(call.handshakes) == 1
    assert message.kiss_off is not None


def test_a_message_whose_code_no_table_has_is_taken_and_the_next_is_a_new_one() -> None:
    odd = contact_id.block("1234", "1999 01 015")
    first, second = call_of(odd, WORKED).messages
    assert first.whole
    assert not first.good
    assert (second.number, second.attempt) == (2, 1)


@pytest.mark.parametrize("pause", [40, 55])
@pytest.mark.parametrize("told", [range(0, 16, 2), range(1, 16, 2), [7]])
def test_digits_in_sound_and_in_words_by_turns_are_all_there(pause: float, told: list[int]) -> None:
    made = make_call([WORKED], Flaws(off=pause), before=0, receiver=False)
    receiver, messages = Answering(), []
    sounds = [sound for sound in made.sounds if sound.what == "digit"]
    for place in told:  # the gateway takes these out of the sound
        made.panel[round((sounds[place].start - 0.002) * RATE) : round((sounds[place].end + 0.002) * RATE)] = 0
    due = [sounds[place] for place in told]
    for begin in range(0, len(made.panel), 160):
        while due and due[0].end * RATE < begin:
            sound = due.pop(0)
            messages += receiver.told(key_of(sound.digit or ""), sound.start, sound.end)
        messages += receiver.hear(made.panel[begin : begin + 160])
    messages += receiver.end()
    assert [message.digits for message in messages] == [WORKED]


def test_digits_without_end_are_told_in_parts() -> None:
    receiver = Answering()
    messages = [message for place in range(400) for message in receiver.told("5", place * 0.1, place * 0.1 + 0.05)]
    assert [len(message.digits) for message in messages] == [64] * 6
