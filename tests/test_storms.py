"""Storms: a runaway panel is one line that grows; every signal is in a line of its own or in a count, and none about a life
is in a count."""

from datetime import UTC, datetime, timedelta
from io import StringIO
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from protocols.dc09 import build, decode
from receiver.desk import millis
from receiver.storms import FEW, NEVER, WITHIN, Storm, Storms, always, folded
from tools.storm_line import StormLine

BEGAN = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
BURGLARY, AGAIN, ZONE_16, FIRE, GAS, MEDICAL, PANIC, UNKNOWN = (
    "1131 01 015", "3131 01 015", "1131 01 016", "1110 01 003", "1151 01 004", "1100 01 005", "1120 01 006", "1399 01 015",
)  # fmt: skip


def entry(payload: str, seconds: float = 0, account: str = "4471", row: int = 1, **more: Any) -> dict[str, Any]:
    frame = decode(build("ADM-CID", 1, account, payload))
    found = frame.to_json() | {"at": millis(BEGAN + timedelta(seconds=seconds)), "row": row, "account_name": None}
    return found | {"account_mark": account, "verdict": "accepted", "refused_alarm": False} | more


def swinging(count: int, every: float = 1.0) -> list[dict[str, Any]]:
    return [entry((BURGLARY, AGAIN)[one % 2], one * every, row=one + 1) for one in range(count)]


@given(
    st.lists(
        st.tuples(
            st.sampled_from((BURGLARY, AGAIN, ZONE_16, FIRE, GAS, MEDICAL, PANIC, UNKNOWN)),
            st.sampled_from(("4471", "4472")),
            st.floats(-5, 70, allow_nan=False).map(lambda seconds: seconds / 4),  # a clock may step back
        ),
        max_size=120,
    )
)
def test_what_is_shown_and_what_is_counted_add_up_and_nothing_about_a_life_is_folded(
    came: list[tuple[str, str, float]],
) -> None:
    at, entries = 0.0, []
    for row, (payload, account, pause) in enumerate(came):
        at += pause
        entries.append(entry(payload, at, account, row))
    fold = Storms()
    shown = [fold.take(one) for one in entries]
    alone = [one for one in shown if not isinstance(one, Storm)]
    storms = {id(one): one for one in shown if isinstance(one, Storm)}.values()
    assert len(alone) + sum(storm.count for storm in storms) == len(entries)
    assert all(isinstance(one, Storm) or one is came for one, came in zip(shown, entries, strict=True))
    lives = [one for one in entries if one["signals"][0]["category"] in NEVER]
    assert [one for one in alone if one["signals"][0]["category"] in NEVER] == lives
    assert all(one in alone for one in entries if one["signals"][0]["meaning"] is None)
    assert len(folded(entries)) == len(alone) + len(storms)


def test_a_swinging_contact_is_one_line_with_its_count_span_and_kinds() -> None:
    *first, storm = folded(swinging(312))
    assert [one["row"] for one in first if not isinstance(one, Storm)] == list(range(1, 2 * FEW + 1))
    assert isinstance(storm, Storm)
    assert (storm.count, len(storm.kinds), storm.row) == (302, 2, 312)
    assert "302 more in 5 min 1 s: 151 × " in str(storm)


def test_another_zone_and_a_fire_in_the_midst_of_a_storm_are_shown() -> None:
    shown = folded([*swinging(100), entry(ZONE_16, 100, row=101), entry(FIRE, 101, row=102), *swinging(100)])
    assert {101, 102} <= {one["row"] for one in shown if not isinstance(one, Storm)}
    assert always(entry(FIRE))
    assert not always(entry(BURGLARY))


def test_the_same_now_and_then_is_no_storm() -> None:
    rarely = WITHIN.total_seconds() / FEW + 1
    assert not [one for one in folded(swinging(50, rarely / 2)) if isinstance(one, Storm)]


def test_after_quiet_a_storm_is_over_and_the_next_is_another() -> None:
    fold = Storms()
    later = [entry(BURGLARY, 1000 + one) for one in range(20)]
    storms = [one for one in map(fold.take, [*swinging(40), *later]) if isinstance(one, Storm)]
    assert len({one.ident for one in storms}) == 2
    assert [one.count for one in fold.over(BEGAN + timedelta(hours=1))] == [30, 15]
    assert fold.over(BEGAN + timedelta(hours=1)) == []


def test_refused_alarms_in_a_storm_are_said_loudly() -> None:
    refused = [one | {"verdict": "unknown-account", "refused_alarm": True} for one in swinging(20)]
    assert "10 ALARMS REFUSED" in str(folded(refused)[-1])


def test_where_no_terminal_is_a_storm_is_said_whenever_it_has_doubled_and_at_its_end() -> None:
    out = StringIO()
    line = StormLine(Console(file=out))
    for one in swinging(110):
        line.takes(one)
        line.draw(datetime.fromisoformat(one["at"]))
    line.end()
    said = [int(told.split("a storm, ")[1].split()[0]) for told in out.getvalue().splitlines()]
    assert said == [1, 2, 4, 8, 16, 32, 64, 100]
    assert out.getvalue().endswith(", and it is over\n")


def test_on_a_terminal_it_is_one_line_that_grows_and_makes_room_for_others() -> None:
    out = StringIO()
    line = StormLine(Console(file=out, force_terminal=True, width=80))
    for one in [*swinging(12), entry(FIRE, 12)]:
        line.takes(one)
        line.draw(datetime.fromisoformat(one["at"]))
    parts = out.getvalue().split("\r\x1b[K")
    assert [part.split("a storm, ")[1].split()[0] for part in parts] == ["1", "2", "2"]
    assert all(len(part) < 80 and "\n" not in part for part in parts)
