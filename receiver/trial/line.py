"""The stress matrix of a telephone line: one flaw at a time, from none to far too much, and who still reads the call.

A call at a point of the matrix is the same for every decoder and every run with the same seed. Three things can become of
it: it is *read*, digit for digit; it goes *unread*; or it is *misread*: another message with a good checksum is accepted,
which is far worse, since nobody asks again.
"""

import itertools
import re
import shlex
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, NamedTuple

import numpy as np
import orjson
from scipy import stats

from protocols import contact_id
from protocols.codes import table
from protocols.dc09 import bare
from protocols.phone.call import read as follow
from protocols.phone.ear import RATE
from protocols.phone.sound import Flaws, make_call
from protocols.phone.tones import digit_of
from receiver import sound_files
from receiver.journal import Store, opened

Asks = Literal["must", "may", "must not"]  # be read
BASE = Flaws(snr=15.0)  # of every sweep but its own: white noise, 15 dB under the digits
COMMAND_SECONDS = 60.0  # that a decoder may take for one call
CONFIDENCE = 0.95


class LineTrialError(ValueError):
    """A decoder or a line card cannot be tried; says why."""


class Sweep(NamedTuple):
    """One flaw, in steps. `must` and `must_not` say where a call has to be read, and where it has to be left alone."""

    name: str
    unit: str
    values: tuple[float, ...]
    flaws: Callable[[float], Flaws]
    must: Callable[[float], bool]
    must_not: Callable[[float], bool]
    source: str


def _never(_: float) -> bool:
    return False


SWEEPS = (
    Sweep(
        "SNR", "dB", (30, 20, 15, 10, 5, 0, -3, -6), lambda v: replace(BASE, snr=v), lambda v: v >= 15, _never,
        "15 dB and more must be read: common practice",
    ),
    Sweep(
        "twist", "dB", (-12, -8, -4, 0, 4, 8, 12), lambda v: replace(BASE, twist=v), lambda v: -8 <= v <= 4, _never,
        "-8 to +4 dB must be read: Q.24, from memory",
    ),
    Sweep(
        "level", "dBm0", (-45, -35, -25, -15, -5), lambda v: replace(BASE, level=v), lambda v: -25 <= v <= 0, _never,
        "-25 to 0 dBm0 must be read: Q.24, from memory",
    ),
    Sweep(
        "frequency", "%", (-4.5, -3.5, -2.5, -1.5, 0, 1.5, 2.5, 3.5, 4.5), lambda v: replace(BASE, frequency=v),
        lambda v: abs(v) <= 1.5, lambda v: abs(v) >= 3.5,
        "±1.5 % must be read, ±3.5 % must not: Q.24, from memory",
    ),
    Sweep(
        "digit length", "ms", (20, 25, 30, 40, 50, 60, 100), lambda v: replace(BASE, on=v), lambda v: v >= 40,
        lambda v: v < 23, "40 ms must be read, under 23 ms must not: Q.24, from memory",
    ),
    Sweep(
        "pause", "ms", (20, 30, 40, 50, 60, 100), lambda v: replace(BASE, off=v), lambda v: v >= 40, _never,
        "40 ms must be read: Q.24, from memory",
    ),
    Sweep(
        "loss", "%", (0, 1, 2, 3, 5, 10), lambda v: replace(BASE, loss=v / 100), lambda v: v == 0, _never,
        "packets of 20 ms, silence in their place; no limit stands anywhere",
    ),
    Sweep(
        "concealed loss", "%", (0, 1, 2, 3, 5, 10), lambda v: replace(BASE, loss=v / 100, concealed=True),
        lambda v: v == 0, _never, "the same, filled from the packet before; no limit stands anywhere",
    ),
)  # fmt: skip


class Point(NamedTuple):
    """One step of a sweep."""

    sweep: Sweep
    value: float

    @property
    def asks(self) -> Asks:
        if self.sweep.must(self.value):
            return "must"
        return "must not" if self.sweep.must_not(self.value) else "may"


def points(names: Sequence[str] = ()) -> list[Point]:
    """The points of these sweeps, or of all. LineTrialError for a sweep that there is not."""
    known = {sweep.name.lower(): sweep for sweep in SWEEPS}
    if unknown := [name for name in names if name.lower() not in known]:
        raise LineTrialError(f"there is no sweep {unknown[0]!r}; there are {', '.join(known)}")
    wanted = [known[name.lower()] for name in names] or SWEEPS
    return [Point(sweep, value) for sweep in SWEEPS if sweep in wanted for value in sweep.values]


class Probe(NamedTuple):
    """A call of a point: its number there, its message of sixteen digits, and the seed of its noise."""

    point: Point
    number: int
    digits: str
    seed: int


def calls(of: Sequence[Point], each: int, seed: int, account: str | None = None) -> Iterator[Probe]:
    """The calls of these points. A line card's all come from one account, and no two within a thousand have one zone."""
    codes = sorted(table("contact_id"))
    for point in of:
        place = SWEEPS.index(point.sweep), point.sweep.values.index(point.value)
        for number in range(each):
            random = np.random.default_rng((seed, *place, number))
            mine = account or "".join(random.choice(list("0123456789BCDEF"), 4))
            zone = (place[0] * 131 + place[1] * 17 + number) % 999 + 1
            message = f"{random.choice([1, 3])}{random.choice(codes)} {random.integers(0, 100):02d} {zone:03d}"
            yield Probe(point, number, contact_id.block(mine, message), int(random.integers(1 << 31)))


def write_call(call: Probe, path: Path, *, receiver: bool = False) -> None:
    """The call as a WAV file of 16 bits at 8 kHz."""
    flaws = call.point.sweep.flaws(call.point.value)
    made = make_call([call.digits], flaws, receiver=receiver, before=0.3, seed=call.seed)
    sound_files.write(path, made.line, RATE)


Decoder = Callable[[Probe, Path], list[str]]  # gives the messages that it accepts, as digits


def ours(call: Probe, path: Path) -> list[str]:
    """What farend itself reads in a file."""
    heard = follow(list(sound_files.Sound(path).tones()))
    return [digits for message in heard.messages for digits in accepted(message.digits)]


def accepted(digits: str) -> list[str]:
    """The message that printed digits are, if a receiver would accept them: sixteen, with a right checksum."""
    return [digits] if contact_id.whole(contact_id.read_call(digits)) else []


_KEYS = re.compile(r"[0-9A-D*#]+")


def command(line: str) -> Decoder:
    """A program that takes a WAV file, `{wav}`, and prints keys; of each line the last word, if it is one of keys."""
    words = shlex.split(line)
    if "{wav}" not in line or not words:
        raise LineTrialError(f"{line!r} does not say where the file goes: write {{wav}} in its place")

    def hear(call: Probe, path: Path) -> list[str]:
        said = _run(words, path)
        last = (printed.split()[-1] for printed in said.splitlines() if printed.split())
        return accepted("".join(digit_of(key) for word in last if _KEYS.fullmatch(word) for key in word))

    return hear


def line_card(play: str, journal: Path, account: str, wait: float) -> Decoder:
    """A line card: a program plays the file to it, and what its receiver reports is looked for in a bench's journal."""
    words = shlex.split(play)
    if "{wav}" not in play:
        raise LineTrialError(f"{play!r} does not say where the file goes: write {{wav}} in its place")
    store = opened(journal)

    def hear(call: Probe, path: Path) -> list[str]:
        before = store.last_number()
        _run(words, path)
        deadline = time.monotonic() + wait
        while True:
            found = _reported(store, account, before)
            if found or time.monotonic() > deadline:
                return found
            time.sleep(0.1)

    return hear


def _reported(store: Store, account: str, after: int) -> list[str]:
    """The messages of an account since a row, as digits, each once."""
    found: dict[str, None] = {}
    for row in store.rows(after=after):
        entry = orjson.loads(row.text)
        if entry.get("verdict") not in ("accepted", "unknown-account", "held-back") or not entry.get("account"):
            continue
        if bare(entry["account"]) == bare(account):
            for one in entry["signals"]:
                found[_as_digits(account, one)] = None
    return list(found)


def _as_digits(account: str, one: dict[str, Any]) -> str:
    if one["code_set"] != "contact-id":
        return f"{one['code']} in two-letter codes"
    qualifier = {"new": 1, "restore": 3, "status": 6}[one["qualifier"]]
    number = (one["number"] or "0").zfill(3)[-3:]
    return contact_id.block(account, f"{qualifier}{one['code']} {(one['area'] or '0').zfill(2)[-2:]} {number}")


def _run(words: Sequence[str], path: Path) -> str:
    filled = [word.replace("{wav}", str(path)) for word in words]
    try:
        done = subprocess.run(
            filled, capture_output=True, text=True, errors="replace", timeout=COMMAND_SECONDS, check=False
        )
    except subprocess.TimeoutExpired:
        raise LineTrialError(f"{words[0]} took longer than {COMMAND_SECONDS:g} s for one call") from None
    except OSError as error:
        raise LineTrialError(f"{words[0]} cannot be run: {error.strerror}") from None
    if done.returncode:
        why = done.stderr.strip().splitlines()[-1:] or ["it says nothing"]
        raise LineTrialError(f"{words[0]} ended with {done.returncode}: {why[0]}")
    return done.stdout


@dataclass(slots=True)
class Tally:
    """What a decoder made of the calls of a point."""

    point: Point
    decoder: str
    calls: int = 0
    read: int = 0
    misread: int = 0

    @property
    def unread(self) -> int:
        return self.calls - self.read - self.misread

    @property
    def failed(self) -> bool:
        """Whether it missed a call that must be read, read one that must not, or misread any."""
        asks = self.point.asks
        return (
            bool(self.misread) or (asks == "must" and self.read < self.calls) or (asks == "must not" and self.read > 0)
        )

    def interval(self, count: int | None = None) -> tuple[float, float]:
        """Between which shares the true one lies, at 95 % (Wilson 1927), for what was read or another count."""
        if not self.calls:
            return 0.0, 1.0
        found = stats.binomtest(self.read if count is None else count, self.calls).proportion_ci(CONFIDENCE, "wilson")
        return float(found.low), float(found.high)

    def to_json(self) -> dict[str, Any]:
        low, high = self.interval()
        return {
            "sweep": self.point.sweep.name, "value": self.point.value, "unit": self.point.sweep.unit,
            "asks": self.point.asks, "source": self.point.sweep.source, "decoder": self.decoder, "calls": self.calls,
            "read": self.read, "unread": self.unread, "misread": self.misread,
            "share": round(self.read / self.calls, 4) if self.calls else None,
            "interval": [round(low, 4), round(high, 4)],
            "misread_interval": [round(bound, 4) for bound in self.interval(self.misread)],
        }  # fmt: skip


def run(
    of: Sequence[Point],
    decoders: dict[str, Decoder],
    folder: Path,
    *,
    each: int,
    seed: int,
    account: str | None = None,
    receiver: bool = False,
    jobs: int = 2,
    keep: bool = False,
    done: Callable[[], None] = lambda: None,
) -> list[Tally]:
    """Every call to every decoder. `done` is called after each call. LineTrialError where a decoder cannot be run."""
    tallies = {(point, name): Tally(point, name) for point in of for name in decoders}

    def one(call: Probe) -> tuple[Probe, dict[str, list[str]]]:
        value = f"{call.point.value:g}".replace("-", "minus-")
        path = folder / f"{call.point.sweep.name.replace(' ', '-')}-{value}-{call.number}.wav"
        write_call(call, path, receiver=receiver)
        heard = {name: decoder(call, path) for name, decoder in decoders.items()}
        if not keep:
            path.unlink()
        return call, heard

    with ThreadPoolExecutor(jobs) as pool:
        try:
            waiting = calls(of, each, seed, account)
            while some := list(itertools.islice(waiting, 16 * jobs)):  # a few at a time: a trial may be of a million
                for call, heard in pool.map(one, some):
                    for name, messages in heard.items():
                        tally = tallies[call.point, name]
                        tally.calls += 1
                        tally.read += messages == [call.digits]
                        tally.misread += any(message != call.digits for message in messages)
                    done()
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    return list(tallies.values())


def behind(tallies: Sequence[Tally], mine: str, other: str) -> list[tuple[Tally, Tally]]:
    """Where one decoder reads fewer calls than another, at the points that may be read; or misreads more, at any."""
    by_place = {(tally.point, tally.decoder): tally for tally in tallies}
    pairs = ((by_place[point, mine], by_place[point, other]) for point, name in by_place if name == mine)
    return [
        (one, two) for one, two in pairs
        if one.misread > two.misread or (one.read < two.read and one.point.asks != "must not")
    ]  # fmt: skip
