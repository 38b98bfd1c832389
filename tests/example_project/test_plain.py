"""A project that uses farend in its tests: the plain way. It knows the public face alone."""

import pytest

pytestmark = pytest.mark.farend_book("house.toml")


def test_an_alarm_is_accepted_and_named(farend_bench, farend_panel):
    assert farend_panel("4471").contact_id("1131 01 015") == "ACK"
    entry = farend_bench.wait_for(account="4471", code="131", zone="15")
    assert entry["signals"][0]["zone_name"] == "Cellar door"


def test_a_sealed_alarm_over_udp_and_its_repeat(farend_bench, farend_panel):
    panel = farend_panel("8C20", key="00112233445566778899AABBCCDDEEFF", udp=True)
    assert panel.sia("Nri1/FA3") == "ACK"
    assert panel.again() == "ACK"
    farend_bench.wait_for(account="8C20", code="FA", verdict="accepted")
    farend_bench.wait_for(account="8C20", verdict="repeat")
    farend_bench.never(account="8C20", within=0.1)


def test_a_stranger_is_refused(farend_bench, farend_panel):
    assert farend_panel("4417").contact_id("1131 01 015") == "DUH"
    assert farend_panel("4417").poll() == "DUH"
    assert farend_bench.wait_for(verdict="unknown-account")["refused_alarm"]


@pytest.mark.farend_capture("monday.capture")
def test_the_recording_of_monday(farend_entries):
    assert [entry["verdict"] for entry in farend_entries] == ["accepted", "repeat"]
