"""What one address may cost: connections, new ones a second, bytes a second, and what cannot be read, a minute.

An address is an IPv4 address, or the 64 bits of IPv6 that belong to one site (common practice). Nothing here refuses what
can be read: who sends too fast is read more slowly, and a neighbour's noise behind one address costs the others no answer.
Pure: the tick is an argument.
"""

import ipaddress
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache

IpNetwork = ipaddress.IPv4Network | ipaddress.IPv6Network

# This machine itself is not limited: what stands before the bench on it (a tap, something that speaks TLS) brings everybody
# under this one address.
OWN = frozenset({"127.0.0.1", "::/64"})  # as `site_of` gives them: ::1 is the only one of its network
SPAN_SECONDS = 60.0  # what was limited is told once in this time
OPENED_SECONDS, BYTES_SECONDS = 10.0, 4.0  # how many seconds' worth may come at once: a site comes back after an outage
MOST_WAITING = 4 << 20  # bytes of one address that came and wait; whoever brings much beyond them is let go
MOST_ADDRESSES = 50_000  # remembered; of more, those without a connection are forgotten
MOST_NAMED = 10  # addresses in one row

ALLOWED, AT_ONCE, A_SECOND, WAITING, BYTES, DATAGRAMS, UNREADABLE = (
    "refused_not_allowed", "refused_connections_at_once", "refused_connections_a_second",
    "closed_connections_too_many_bytes", "held_too_many_bytes",
    "dropped_datagrams_too_many_bytes", "unkept_unreadable",
)  # fmt: skip
WORDS = {
    ALLOWED: "from outside the allowed networks",
    AT_ONCE: "connections refused, too many at once",
    A_SECOND: "connections refused, too many a second",
    WAITING: "connections closed, too many bytes still wait",
    BYTES: "times read more slowly, too many bytes",
    DATAGRAMS: "datagrams dropped, too many bytes",
    UNREADABLE: "pieces of noise or damaged frames without a row of their own",
}


@dataclass(frozen=True, slots=True)
class Bounds:
    """What one address may have. The defaults leave room for some thousand panels behind one address."""

    connections: int = 5000  # at once
    opened: float = 200.0  # new connections a second
    octets: float = 65_536.0  # bytes a second: well over a thousand messages
    unreadable: int = 300  # noise, damaged frames and connections that say nothing, a minute
    allow: tuple[IpNetwork, ...] = ()  # none: everybody may come


class Meter:
    """What an address has used up."""

    __slots__ = ("bytes_left", "connections", "opened_left", "seen", "since", "unreadable", "waiting")

    def __init__(self, bounds: Bounds, tick: float) -> None:
        self.connections = self.unreadable = self.waiting = 0
        self.opened_left, self.bytes_left = bounds.opened * OPENED_SECONDS, bounds.octets * BYTES_SECONDS
        self.seen = self.since = tick


class Guard:
    """Everybody's meters. `counts` are the bench's, and only grow."""

    def __init__(self, bounds: Bounds, tick: Callable[[], float], counts: Counter[str]) -> None:
        self.bounds, self.tick, self.counts = bounds, tick, counts
        self._meters: dict[str, Meter] = {}
        self._untold: Counter[tuple[str, str]] = Counter()
        self._told = float("-inf")

    def allows(self, host: str) -> bool:
        """Whether an address may speak at all; whoever may not is counted."""
        if not self.bounds.allow or _among(host, self.bounds.allow):
            return True
        self._count(host, ALLOWED)
        return False

    def admits(self, host: str) -> bool:
        """Whether a new connection is taken; then `left` is due when it ends."""
        if not self.allows(host):
            return False
        meter = self._meter(host)
        if meter is None:
            return True
        if meter.connections >= self.bounds.connections:
            self._count(host, AT_ONCE)
            return False
        if meter.opened_left < 1:
            self._count(host, A_SECOND)
            return False
        meter.opened_left -= 1
        meter.connections += 1
        return True

    def left(self, host: str) -> None:
        """A connection that was admitted has ended."""
        meter = self._meters.get(site_of(host))
        if meter:
            meter.connections -= 1

    def waits(self, host: str, octets: int) -> bool:
        """So many bytes more, or fewer, have come over connections and wait to be taken apart; whether that still may be."""
        meter = self._meter(host)
        if meter is None:
            return True
        meter.waiting += octets
        return meter.waiting <= MOST_WAITING or octets < 0

    def drops(self, host: str) -> None:
        """A connection that brought much is let go, as too much of its address waits."""
        self._count(host, WAITING)

    def took(self, host: str, octets: int) -> float:
        """Bytes came over a connection: for how many seconds nothing more should be read from it."""
        meter = self._meter(host)
        if meter is None:
            return 0.0
        meter.bytes_left -= octets
        if meter.bytes_left >= 0:
            return 0.0
        self._count(host, BYTES)
        return -meter.bytes_left / self.bounds.octets

    def takes(self, host: str, octets: int) -> bool:
        """Whether a datagram of so many bytes is taken."""
        if not self.allows(host):
            return False
        meter = self._meter(host)
        if meter is None:
            return True
        if meter.bytes_left < octets:
            self._count(host, DATAGRAMS)
            return False
        meter.bytes_left -= octets
        return True

    def keeps_unreadable(self, host: str) -> bool:
        """Whether something that cannot be read still gets a row; if not, it is counted, and who sent it is let go."""
        meter = self._meter(host)
        if meter is None:
            return True
        now = self.tick()
        if now - meter.since >= SPAN_SECONDS:
            meter.since, meter.unreadable = now, 0
        meter.unreadable += 1
        if meter.unreadable <= self.bounds.unreadable:
            return True
        self._count(host, UNREADABLE)
        return False

    def report(self) -> tuple[str, dict[str, int]] | None:
        """What was limited since the last report, in words and as counts: at once at first, then once a minute."""
        now = self.tick()
        if not self._untold or now - self._told < SPAN_SECONDS:
            return None
        totals: Counter[str] = Counter()
        for (_, what), count in self._untold.items():
            totals[what] += count
        named = [f"{count:,} {WORDS[what]}: {host}" for (host, what), count in self._untold.most_common(MOST_NAMED)]
        if len(self._untold) > MOST_NAMED:
            named.append(f"and {len(self._untold) - MOST_NAMED:,} more, of {sum(totals.values()):,} in all")
        self._untold.clear()
        self._told = now
        return "; ".join(named), dict(totals)

    def _count(self, host: str, what: str) -> None:
        self.counts[what] += 1
        place = (site_of(host), what)
        if place not in self._untold and len(self._untold) >= MOST_ADDRESSES:
            place = ("others", what)
        self._untold[place] += 1

    def _meter(self, host: str) -> Meter | None:
        """The meter of an address, filled up by the time that has gone; None for this machine itself."""
        site = site_of(host)
        if site in OWN:
            return None
        now = self.tick()
        meter = self._meters.get(site)
        if meter is None:
            if len(self._meters) >= MOST_ADDRESSES:
                self._meters = {one: known for one, known in self._meters.items() if known.connections or known.waiting}
            meter = self._meters[site] = Meter(self.bounds, now)
            return meter
        gone, meter.seen = now - meter.seen, now
        bounds = self.bounds
        meter.opened_left = min(meter.opened_left + gone * bounds.opened, bounds.opened * OPENED_SECONDS)
        meter.bytes_left = min(meter.bytes_left + gone * bounds.octets, bounds.octets * BYTES_SECONDS)
        return meter


def networks(texts: Iterable[str]) -> tuple[IpNetwork, ...]:
    """Networks in CIDR. The ValueError names the one that is none."""
    found: list[IpNetwork] = []
    for text in texts:
        try:
            found.append(ipaddress.ip_network(text))
        except ValueError as error:
            raise ValueError(f"{text!r} is no network such as 192.0.2.0/24 or 2001:db8::/32: {error}") from None
    return tuple(found)


@lru_cache(8192)
def site_of(host: str) -> str:
    """Under what an address is counted."""
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return host
    if isinstance(address, ipaddress.IPv4Address):
        return str(address)
    if address.ipv4_mapped:
        return str(address.ipv4_mapped)
    return str(ipaddress.ip_network((address, 64), strict=False))


@lru_cache(8192)
def _among(host: str, allowed: tuple[IpNetwork, ...]) -> bool:
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return any((mapped or address) in network for network in allowed)
