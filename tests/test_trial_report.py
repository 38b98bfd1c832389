"""The reports of a trial: what they say, to whom, and what became of a trial from one to the next.

JUnit XML is read by `junitparser`, a page by the standard library's parser and by Debian's Chromium with axe-core: none of
them is ours.
"""

from datetime import UTC, datetime, timedelta
from typing import Any

from conftest import ack, alarm, envelope

from protocols.seal import Key, seal
from receiver.trial.case import PRACTICE, WORDS, Case, Passed, Result, Verdict
from receiver.trial.report import (
    Report,
)

BEGAN = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
SCRIPT = "<script>alert(1)</script>"
KEY = Key(bytes.fromhex("00112233445566778899AABBCCDDEEFF"))
NASTY = b"\n\x00\x01\x1b[31m\x85\xff]]>&\"'" + SCRIPT.encode() + b"\\\r"
SEALED = envelope(f'"*SIA-DCS"0007L0#8C20[{seal(KEY, "|#8C20|Nri1/FA3]_09:30:00,11-25-2026")}')


def result(name: str, verdict: Verdict = "holds", **more: Any) -> Result:
    """A case that came to this, without a word about how."""
    case: Case[Any] = Case(
        name, more.pop("clause", PRACTICE), more.pop("does", "It sends a message."),
        more.pop("must", "An ACK comes back."), lambda _: None, more.pop("may", ""),
    )  # fmt: skip
    return Result(case, verdict, **({"why": "" if verdict == "holds" else f"it {WORDS[verdict]}"} | more))


def report(*results: Result, **more: Any) -> Report:
    """A trial of an invented receiver."""
    given: dict[str, Any] = {
        "subject": "receiver", "target": "127.0.0.1:12009 over TCP", "accounts": ["4471 in clear", "8C20 AES-128"],
        "began": BEGAN, "ended": BEGAN + timedelta(minutes=3), "version": "farend 0.1.0",
        "measured": ["its clock is 1 s behind ours (from a NAK)"], "results": list(results),
    }  # fmt: skip
    return Report(**(given | more))


def every_kind() -> Report:
    """A result of each verdict, and bytes that nobody would wish for."""
    passed = [
        Passed(0.0, 1, "opened"),
        Passed(0.001, 1, "sent", alarm(12)),
        Passed(0.0023, 1, "got", ack(12)),
        Passed(0.01, 1, "sent", SEALED, key=KEY),
        Passed(0.02, 1, "got", NASTY),
        Passed(0.03, 1, "got", alarm(13, message=f"Nri2/BA007*{SCRIPT}*")),
        Passed(0.04, 1, "sent", b"\n" + b"x" * 9000),
        Passed(0.05, 0, "asked", words=f"open zone 3 now {SCRIPT}"),
        Passed(0.06, 1, "lost", words="connection reset"),
    ]
    return report(
        result("envelope/crc-right", clause="5.5.1", passed=passed[:3], messages=1, seconds=0.0031),
        result("envelope/crc-wrong", "fails", clause="5.5.1", why=f"it answered {SCRIPT}\x1b[31m", passed=passed,
               left_out=7, messages=3, seconds=0.0609, may="Nothing at all.", notes=[f"says {SCRIPT}", "lower case: ACK"]),
        result("tcp/kept-open", "unclear", why="nothing came within 2 s", seconds=2.01),
        result("sealing/192", "not-applicable", why="no account with a key of 192 bits was given"),
        result("sealing/128", notes=["first answer after 0.8 ms"]),
    )  # fmt: skip
