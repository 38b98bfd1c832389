"""The demo's last part: a whole panel, as `farend panel` plays it, goes through a night."""

import asyncio
from contextlib import suppress
from importlib.resources import files
from typing import Any

from rich.text import Text

from protocols.premises import News, Premises, Route
from receiver.book import Account
from receiver.household import Household
from receiver.outgoing import Outgoing
from tools import words
from tools.common import OUT, print_json

SEQUENCE = 5001  # far from what the demo's other panels of this account have counted


async def a_night(
    account: Account, target: tuple[str, int], entries: "asyncio.Queue[dict[str, Any]]", as_json: bool
) -> list[str]:
    """Play `night.panel` and show what arrives; what went wrong, in words."""
    ends: list[News] = []
    routes = [Route(path.name, path.prefix or "0") for path in account.path if path.line != "udp"]
    premises = Premises(account.number, key=account.key, paths=routes, sequence=SEQUENCE, tell=ends.append)
    house = Household(account, check=premises.check)
    outgoing = Outgoing(premises, [target], {route.name: "tcp" for route in routes})
    running = asyncio.ensure_future(outgoing.run())
    if not as_json:
        OUT.print(Text(f"\nA night at {account.name}, played by farend panel", style="bold"))
    said = 0
    try:
        for line in files("fixtures").joinpath("night.panel").read_text("utf-8").splitlines():
            step = house.read(line)
            if step is None or step.do in ("state", "wait"):
                continue
            said += outgoing.act(step, house)
            async with asyncio.timeout(5.0):
                while not outgoing.idle:
                    await outgoing.moved()
    except TimeoutError:
        return [f"the night's panel had no answer to {len(premises.outbox)} of its messages"]
    finally:
        running.cancel()
        with suppress(asyncio.CancelledError):
            await running
    got: list[dict[str, Any]] = []
    while len(got) < said:
        with suppress(TimeoutError):
            got.append(await asyncio.wait_for(entries.get(), 5.0))
            continue
        break
    for entry in got:
        if as_json:
            print_json({"step": "night", "say": entry["signals"][0]["meaning"], "wrong": [], "entry": entry})
        else:
            words.show(OUT, entry)
    wrong = [f"the night: row {one['row']} became {one['verdict']}" for one in got if one["verdict"] != "accepted"]
    acknowledged = sum(one.what == "acknowledged" for one in ends)
    if not said == acknowledged == len(got):
        wrong.append(f"the night: {said} messages, {acknowledged} acknowledged, {len(got)} kept")
    return wrong
