"""What stands in for what in a recording that is made fit to keep: the same value always has the same substitute.

A substitute has the length of the old value and, place by place, its kind of character, so that a frame is read alike.
Two values never share one. Texts are of invented syllables and of the digits 2, 4, 5 and 7, so that a person sees that
they are texts, and `is_ours` that they are not real ones. All of it follows from one secret; who has it, or the table,
knows the old values.
"""

import hmac
import ipaddress
import json
import random
import re
import secrets
from collections import Counter
from collections.abc import Callable, Iterable
from typing import Any

from protocols.seal import Key

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network

# No syllable starts with N, O, A, R or L, and none makes an HTTP word: a text in the wrong place then reads as what it was.
SYLLABLES = ("bu", "da", "fo", "gi", "ho", "je", "ku", "mi", "po", "su", "ti", "vu", "wa", "ze")
DIGITS = "2457"  # neither 0 nor what a qualifier of Contact ID, its 18 or its 98 are made of
_CONSONANTS = "".join(syllable[0] for syllable in SYLLABLES)
_ACCENTED = "áéíóú"
_FOREIGN = "GHJKMPQSTVWXYZ"  # letters that are no hex digits and open no field
_OURS = re.compile(f"(?:{'|'.join(SYLLABLES)})*[{_CONSONANTS}]?")
_WORDS = re.compile("[A-Za-z]{3,}")
_NUMBERS = re.compile("[0-9]{3,}")
_LINK = re.compile("(?:https?|rtsps?|ftps?|sips?)://")
_IPV4 = re.compile(r"\d{1,3}(?:\.\d{1,3}){3}")
_MAC = re.compile(r"[0-9A-Fa-f]{2}(?:[:-]?[0-9A-Fa-f]{2}){5}")
_TELLING = re.compile(
    r"[^\t\n\r !-/:-@\[-`{-~]"
)  # all but punctuation: letters, digits, bytes that may be either elsewhere
_CONTROLS = "\x01\x02\x03\x04\x05\x06\x07\x0e\x0f"
TRIES = 200

# Documentation (RFC 5737, RFC 3849) and benchmarks (RFC 2544); addresses of nobody (RFC 1122's 0/8, the reserved 240/4)
# where one in the text of a frame is too short or too long for those.
POOLS: dict[int, Network] = {4: ipaddress.ip_network("198.18.0.0/15"), 6: ipaddress.ip_network("2001:db8::/32")}
NOBODYS: tuple[Network, ...] = (
    *POOLS.values(),
    *map(ipaddress.ip_network, ("192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24", "0.0.0.0/8", "240.0.0.0/4")),
)


class ScrubError(ValueError):
    """A recording cannot be made fit to keep, and what to do."""


class Substitutes:
    """The table. It first takes in all values of a recording (each comes back as it is), then `settle` gives substitutes.

    Every method takes a value as it was sent and returns one of its length; only `key`, `network` and `host` are free.
    """

    def __init__(self, secret: bytes | None = None) -> None:
        self.secret = secret or secrets.token_bytes(32)
        self.table: dict[str, dict[str, str]] = {kind: {} for kind in _KINDS}
        self.counts: Counter[str] = Counter()
        self.values: dict[str, set[str]] = {}
        self.settled = False
        self._taken: dict[str, set[str]] = {kind: set() for kind in _KINDS}
        self._sizes: dict[str, int] = {}  # of keys, in bytes, by fingerprint

    # What a frame holds

    def account(self, number: str, kind: str = "account") -> str:
        """A number without its leading zeros is mapped, so that what was the same number is; they and the case stay."""
        bare = number.lstrip("0")
        if not bare:
            return number
        new = self._for("account", bare.encode("latin-1").upper().decode("latin-1"), kind)  # upper case of ASCII alone
        shaped = "".join(n.lower() if o.islower() else n for o, n in zip(bare, new, strict=True))
        return number[: len(number) - len(bare)] + shaped

    def text(self, value: str, kind: str = "text") -> str:
        """A name, a message, a place, a link (whose `https://` stays), programming data."""
        link = _LINK.match(value)
        head = link[0] if link else ""
        rest = value.removeprefix(head)
        return head + self._for("text", rest, kind) if _TELLING.search(rest) else value

    def mac(self, value: str) -> str:
        return self._for("mac", value, "MAC") if _MAC.fullmatch(value) else self.text(value, "MAC")

    def reported(self, value: str) -> str:
        """A network address in the text of a frame: the one that stands for it elsewhere, if that is as long."""
        address = _address(value)
        if address is not None and address.is_loopback:
            return value
        if not _IPV4.fullmatch(value) or address is None:
            return self.text(value, "address")
        same = self.table["address"].get(value)
        return same if same and len(same) == len(value) else self._for("reported", value, "address")

    def rubbish(self, text: str, kind: str = "bytes outside any field") -> str:
        """What no field holds: replaced character by character and not remembered, for there may be any amount of it."""
        if not self.settled:
            return text
        self.counts[kind] += 1
        return invent(text, self.chance("rubbish", text))

    def hexes(self, text: str, chance: random.Random) -> str:
        """Hex digits for hex digits of the same case, and never for anything else."""
        return "".join(_hex_like(c, chance) for c in text) if self.settled else text

    # What is around frames

    def host(self, host: str) -> str:
        """The address of a peer; a name is a text. Loopback stays."""
        address = _address(host.partition("%")[0])
        if address is None:
            return self.text(host, "peer")
        mapped = getattr(address, "ipv4_mapped", None)
        if mapped:
            return "::ffff:" + self.host(str(mapped))
        return host if address.is_loopback else self._for("address", str(address), "address")

    def peer(self, peer: str) -> str:
        """`HOST:PORT`, `[v6]:PORT`, or whatever else a recording calls a peer. The port stays."""
        host, colon, port = peer.rpartition(":")
        if not colon or not port.isdigit() or _address(peer) is not None:
            host, colon, port = peer, "", ""
        inner = host.strip("[]")
        return host.replace(inner, self.host(inner), 1) + colon + port if inner else peer

    def network(self, network: Network) -> Network:
        if network.prefixlen == 0 or network.is_loopback:
            return network
        return ipaddress.ip_network(self._for("network", str(network), "network"))

    def key(self, key: Key) -> str:
        """The hex digits of the key that stands for another. The table knows an old key by what it makes of zeros."""
        mark = fingerprint(key)
        self._sizes[mark] = key.bits // 8
        return self._for("key", mark, "key")

    # Choosing

    def chance(self, *what: str) -> random.Random:
        """Randomness that follows from the secret and from what it is for."""
        return random.Random(self._digest(*what))

    def settle(self) -> None:
        """Give every value that was taken in its substitute: one that is no old value, wherever there are enough."""
        self.settled = True
        for kind in _KINDS:
            missing = [old for old in self.values.get(kind, ()) if old not in self.table[kind]]
            if kind == "network":
                self._settle_networks(missing)
                continue
            for old in sorted(missing):
                self._settle(kind, old)

    def _for(self, kind: str, value: str, shown: str) -> str:
        if not self.settled:
            self.values.setdefault(kind, set()).add(value)
            return value if kind != "key" else "00" * self._sizes[value]
        self.counts[shown] += 1
        return self.table[kind][value]

    def _settle(self, kind: str, old: str) -> None:
        chance = self.chance(kind, old)
        draw: dict[str, Callable[[], str]] = {
            "account": lambda: _number(old, chance),
            "text": lambda: invent(old, chance),
            "mac": lambda: _mac(old, chance),
            "reported": lambda: _address_as_long(old, chance),
            "address": lambda: self._in_its_network(old, chance),
            "key": lambda: self._digest("key", old)[: self._sizes[old]].hex().upper(),
        }
        taken, old_ones = self._taken[kind], self.values.get(kind, set())

        def wide() -> str:
            return "".join(_like(c, chance) for c in old)

        ways = [(draw[kind], True), (draw[kind], False)]
        if kind == "text":  # too few of our syllables for so many short ones
            ways += [(wide, True), (wide, False)]
        for way, not_old in ways:
            for _ in range(TRIES * 10):
                new = way()
                if new != old and new not in taken and not (not_old and new in old_ones):
                    self._keep(kind, old, new)
                    return
        if old in taken:
            raise ScrubError(f"there are too many values like one {kind} to keep them apart; take a new --map")
        self._keep(kind, old, old)  # so short that every other is in use: it tells nobody apart

    def _keep(self, kind: str, old: str, new: str) -> None:
        self.table[kind][old] = new
        self._taken[kind].add(new)

    def _in_its_network(self, old: str, chance: random.Random) -> str:
        address = ipaddress.ip_address(old)
        homes = [one for one in self._networks() if address.version == one[0].version and address in one[0]]
        block = max(homes, key=lambda one: one[0].prefixlen)[1] if homes else POOLS[address.version]
        inner = [new for _, new in self._networks() if new != block and _inside(new, block)]
        return str(self._free(block, 0, chance, inner).network_address)

    def _networks(self) -> list[tuple[Network, Network]]:
        return [(ipaddress.ip_network(old), ipaddress.ip_network(new)) for old, new in self.table["network"].items()]

    def _settle_networks(self, missing: Iterable[str]) -> None:
        """Blocks for networks, as large as what they hold, so that each address stays in those networks that it was in."""
        known = sorted({*map(ipaddress.ip_network, missing), *(old for old, _ in self._networks())}, key=_size)
        addresses = [ipaddress.ip_address(one) for one in self.values.get("address", ())]
        bits: dict[Network, int] = {}
        for network in known:  # the small ones first: a larger one must have room for them
            count = sum(one.version == network.version and one in network for one in addresses)
            inner = [one for one in known if one != network and _inside(one, network)]
            room = 4 * (count + sum(1 << bits[one] for one in inner)) + 64
            bits[network] = min(room.bit_length(), _size(network))
        for network in reversed(known):
            if str(network) in self.table["network"]:
                continue
            around = [(old, new) for old, new in self._networks() if _inside(network, old)]
            block = max(around, key=lambda one: one[0].prefixlen)[1] if around else POOLS[network.version]
            others = [new for _, new in self._networks() if new != block and _inside(new, block)]
            others += [one for one in map(ipaddress.ip_network, self._taken["address"]) if _inside(one, block)]
            new = self._free(block, bits[network], self.chance("network", str(network)), others)
            self._keep("network", str(network), str(new))

    def _free(self, block: Network, bits: int, chance: random.Random, others: list[Network]) -> Network:
        """An aligned part of a block, of 2^bits addresses, that overlaps none of the others."""
        places = 1 << max(_size(block) - bits, 0)
        base, width = int(block.network_address), block.max_prefixlen
        for _ in range(TRIES):
            start = base + (chance.randrange(places) << bits)
            kind = ipaddress.IPv4Network if block.version == 4 else ipaddress.IPv6Network
            found = kind((start, width - bits))
            if _inside(found, block) and not any(found.overlaps(other) for other in others):
                return found
        raise ScrubError(f"the addresses set aside for examples have no room left for all networks like {block}")

    def _digest(self, *what: str) -> bytes:
        return hmac.digest(self.secret, "\0".join(what).encode(), "sha256")

    # Keeping

    def to_json(self) -> str:
        """The table, to be used again. It is a secret: it says which old value each new one stands for."""
        what = {"farend": "substitutes", "version": 1, "secret": self.secret.hex(), "table": self.table}
        return json.dumps(what, indent=1) + "\n"

    @classmethod
    def from_json(cls, text: str) -> "Substitutes":
        """What `to_json` wrote. ScrubError for anything else."""
        try:
            what: Any = json.loads(text)
            if what["farend"] != "substitutes" or what["version"] != 1:
                raise ValueError
            found = cls(bytes.fromhex(what["secret"]))
            for kind in _KINDS:
                for old, new in what["table"][kind].items():
                    found._keep(kind, old, str(new))
        except (ValueError, KeyError, TypeError, AttributeError):
            raise ScrubError("it is no table that `farend capture scrub --map` has written") from None
        return found

    def report(self) -> dict[str, Any]:
        """How often what was replaced, and how many distinct values of each table; no old value."""
        return {
            "replaced": dict(sorted(self.counts.items())),
            "distinct": {kind: len(self.values[kind]) for kind in _KINDS if self.values.get(kind)},
        }


_KINDS = ("key", "account", "text", "mac", "network", "address", "reported")


def fingerprint(key: Key) -> str:
    """What tells a key from another without saying it: what it makes of a block of zeros."""
    return f"{key.bits}:{key.encrypt(bytes(16)).hex()}"


def invent(text: str, chance: random.Random) -> str:
    """A text of the same length: syllables for letters in the same case, 2457 for digits; all else stays.

    Bytes beyond ASCII, letters in one code page or another, become accented letters; control characters other ones.
    """
    found, place = [], 0
    for character in text:
        if character.isascii() and character.isalpha():
            if place % 2 == 0:
                syllable = chance.choice(SYLLABLES)
            new = syllable[place % 2]
            place += 1
            found.append(new.upper() if character.isupper() else new)
            continue
        place = 0
        if not character.isascii():
            new = chance.choice(_ACCENTED)
            found.append(new.upper() if character.isupper() else new)
        elif character.isprintable() or character in "\t\r\n":
            found.append(chance.choice(DIGITS) if character.isdigit() else character)
        else:
            found.append(chance.choice(_CONTROLS))
    return "".join(found)


def is_ours(text: str) -> bool:
    """Whether a text may be an invented one: no word of three letters or number of three digits is another."""
    link = _LINK.match(text)
    text = text.removeprefix(link[0]) if link else text
    return (
        all(_OURS.fullmatch(word.lower()) for word in _WORDS.findall(text))
        and all(set(number) <= set(DIGITS) for number in _NUMBERS.findall(text))
        and not any(not c.isascii() and c.lower() not in _ACCENTED for c in text)
        and not any(not c.isprintable() and c not in _CONTROLS + "\t\r\n" and c.isascii() for c in text)
    )


def is_nobodys(text: str) -> bool:
    """Whether an address is one of loopback, of documentation, or of nobody. A text that is no address is."""
    address = _address(text.partition("%")[0])
    if address is None:
        return True
    address = getattr(address, "ipv4_mapped", None) or address
    return address.is_loopback or any(address.version == one.version and address in one for one in NOBODYS)


def is_place(text: str) -> bool:
    """Whether a text is an address, with a port or without."""
    host, _, port = text.rpartition(":")
    return _address(text) is not None or (port.isdigit() and _address(host.strip("[]").partition("%")[0]) is not None)


def is_local_mac(text: str) -> bool:
    """Whether a MAC address is one that nobody was assigned (the bit 0x02 of its first byte)."""
    return not _MAC.fullmatch(text) or bool(int(text[:2], 16) & 2)


def _address(text: str) -> Address | None:
    try:
        return ipaddress.ip_address(text)
    except ValueError:
        return None


def _size(network: Network) -> int:
    return network.max_prefixlen - network.prefixlen


def _inside(one: Network, other: Network) -> bool:
    return one.version == other.version and one.prefixlen >= other.prefixlen and one.network_address in other


def _number(old: str, chance: random.Random) -> str:
    """Digits for digits, the first never 0; letters for letters. No A where there was none: Contact ID has none."""
    while True:
        new = "".join(_like(c, chance, "ABCDEF" if "A" in old else "BCDEF") for c in old)
        if new[0] != "0" and ("A" in new) == ("A" in old):
            return new


def _like(character: str, chance: random.Random, hexes: str = "ABCDEF") -> str:
    if not (character.isascii() and character.isalnum()):
        return invent(character, chance)
    if character.isdigit():
        return chance.choice("0123456789")
    new = chance.choice(hexes if character.upper() in "ABCDEF" else _FOREIGN)
    return new if character.isupper() else new.lower()


def _hex_like(character: str, chance: random.Random) -> str:
    if character not in "0123456789ABCDEFabcdef":
        return _like(character, chance)
    new = chance.choice("0123456789ABCDEF")
    return new.lower() if character.islower() else new


def _mac(old: str, chance: random.Random) -> str:
    """Six bytes of which the first is 02: locally administered, so of no maker."""
    lower = old != old.upper()
    digits = iter("02" + "".join(chance.choice("0123456789ABCDEF") for _ in range(10)))
    new = "".join(next(digits) if c.isalnum() else c for c in old)
    return new.lower() if lower else new


def _address_as_long(old: str, chance: random.Random) -> str:
    """An IPv4 address of nobody in as many characters: 0.x.y.z up to 13, from 240 on above."""
    first = "0" if len(old) <= 13 else str(chance.randrange(240, 256))
    while True:
        sizes = [chance.randint(1, 3) for _ in range(3)]
        if sum(sizes) == len(old) - len(first) - 3:
            break
    spans = {1: (0, 10), 2: (10, 100), 3: (100, 256)}
    return ".".join([first, *(str(chance.randrange(*spans[size])) for size in sizes)])
