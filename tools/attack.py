"""Those who attack a bench in the lab, each from an address of this machine of its own, for so many seconds.

    flood     connections as fast as they are taken, and frames on twenty of them as fast as they go, answers unread
    slow      two hundred connections, each with a frame that grows by a byte now and then and never ends
    garbage   random bytes over TCP, and torn frames
    replayed  one sealed message of an account, recorded once, sent again under other numbers
    guess     tokens, guessed at the console's door

All of it goes to loopback, and ends by itself. It runs in a process of its own, so that panels in the lab's own are not
kept from their answers by the work of attacking: `python -m tools.attack PORT CONSOLE SECONDS SEED`, JSON on stdout.
"""

import asyncio
import json
import random
import secrets
import sys
import time
from collections import Counter
from collections.abc import Awaitable, Callable
from contextlib import suppress
from datetime import UTC, datetime

from protocols.dc09 import build
from protocols.envelope import wrap
from protocols.seal import Key

HOST = "127.0.0.1"
SEALED, SECRET = "8C20", "00112233445566778899AABBCCDDEEFF"  # an account whose messages are recorded, and its key
BREATH = 0.002  # seconds between two blows: on two cores they share the processor with who is attacked
SLOW, FLOODING = 200, 20
PATIENCE = 20.0  # seconds beyond its time, for whoever has not had a turn
KINDS = ("connections", "flooded frames", "slow connections", "garbage bytes", "replayed frames", "guessed tokens")


class Attack:
    """All of it at once. `done` counts what each has done, and what came of it."""

    def __init__(self, port: int, console: int, seconds: float, dice: random.Random) -> None:
        self.port, self.console, self.dice = port, console, dice
        self.until = time.monotonic() + seconds
        self.done: Counter[str] = Counter()

    async def run(self) -> None:
        """Until the time is over, and each has had its turn."""
        ways: tuple[Callable[[], Awaitable[None]], ...] = (
            self._connections, self._slow, self._garbage, self._replayed, self._guess,
            *(self._flood,) * FLOODING,
        )  # fmt: skip
        tasks = [asyncio.create_task(self._again(way)) for way in ways]
        while self.going:
            await asyncio.wait(tasks, timeout=BREATH)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    @property
    def going(self) -> bool:
        late = time.monotonic() - self.until
        return late < 0 or (late < PATIENCE and not all(self.done[kind] for kind in KINDS))

    async def _again(self, way: Callable[[], Awaitable[None]]) -> None:
        while self.going:
            with suppress(OSError, asyncio.IncompleteReadError):
                await way()
            await asyncio.sleep(BREATH)

    async def _open(self, host: str) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        return await asyncio.open_connection(HOST, self.port, local_addr=(host, 0))

    async def _connections(self) -> None:
        while self.going:
            _, writer = await self._open("127.0.0.2")
            self.done["connections"] += 1
            writer.transport.abort()
            await asyncio.sleep(BREATH)

    async def _flood(self) -> None:
        many = b"".join(build("SIA-DCS", self.dice.randrange(1, 9999), "F00D", "Nri1/FA3") for _ in range(50))
        _, writer = await self._open("127.0.0.3")
        try:
            while self.going:
                writer.write(many)
                await _left(writer)
                self.done["flooded frames"] += 50
                await asyncio.sleep(BREATH)
        finally:
            writer.transport.abort()

    async def _slow(self) -> None:
        open_ones = [await self._open("127.0.0.4") for _ in range(SLOW)]
        self.done["slow connections"] += SLOW
        try:
            while self.going:
                for _, writer in open_ones:
                    writer.write(b"\n" if self.dice.random() < 0.02 else b"0")
                    await _left(writer)
                await asyncio.sleep(0.2)
        finally:
            for _, writer in open_ones:
                writer.transport.abort()

    async def _garbage(self) -> None:
        _, writer = await self._open("127.0.0.5")
        self.done["garbage connections"] += 1
        try:
            while self.going:
                torn = build("ADM-CID", 1, "A000", "1131 01 015")[self.dice.randrange(5, 30) :]
                writer.write(self.dice.randbytes(2000) + b"\n" + torn)
                await _left(writer)
                self.done["garbage bytes"] += 2000
                await asyncio.sleep(BREATH)
        finally:
            writer.transport.abort()

    async def _replayed(self) -> None:
        recorded = build(
            "SIA-DCS", 1, SEALED, "Nri1/FA3", stamp=datetime.now(UTC), key=Key.from_hex(SECRET)
        )  # a panel sends this once; the rest needs no key
        reader, writer = await self._open("127.0.0.6")
        try:
            number = 1
            while self.going:
                writer.write(wrap(recorded[9:-1].replace(b'"0001', b'"%04d' % number, 1)))
                await reader.readuntil(b"\r")
                self.done["replayed frames"] += number > 1
                number = number % 9999 + 1
                await asyncio.sleep(5 * BREATH)
        finally:
            writer.transport.abort()

    async def _guess(self) -> None:
        while self.going:
            reader, writer = await asyncio.open_connection(HOST, self.console)
            body = b"name=A+guest"
            head = (
                f"POST /enter/{secrets.token_urlsafe(24)} HTTP/1.1\r\nHost: {HOST}:{self.console}\r\n"
                f"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {len(body)}\r\n"
                "Connection: close\r\n\r\n"
            )
            writer.write(head.encode() + body)
            answer = await reader.read()
            self.done["guessed tokens"] += 1
            self.done[f"answered {answer[9:12].decode('ascii', 'replace')}"] += 1
            self.done["let in"] += b"set-cookie" in answer.lower() or answer[9:10] != b"4"
            writer.close()
            await asyncio.sleep(5 * BREATH)


async def _left(writer: asyncio.StreamWriter) -> None:
    """What was written has gone; ConnectionError where the bench has let go."""
    await writer.drain()
    if writer.transport.is_closing():
        raise ConnectionResetError


def main() -> None:
    """Attack, and tell what was done."""
    port, console, seconds, seed = sys.argv[1:]
    attack = Attack(int(port), int(console), float(seconds), random.Random(int(seed)))
    asyncio.run(attack.run())
    print(json.dumps(attack.done))


if __name__ == "__main__":
    main()
