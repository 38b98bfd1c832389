"""What a recording still says about whose it is: the walk of the scrubber, with a look at each value that it would replace.

An invented account number looks like any other. Only with the table of a scrub can old ones be told, wherever they stand.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from receiver.capture import Happening
from receiver.rehearing import Judging, Missing, rehear
from receiver.scrub import Scrubber, frame_of
from receiver.substitutes import Network, Substitutes, fingerprint, is_local_mac, is_nobodys, is_ours

LONG = 6  # characters from which on an old value is looked for anywhere, and not in its field alone
Kind = Literal["text", "address", "MAC", "bytes outside any field", "old value", "old key", "note", "sealed"]
DO = {
    "text": "words or numbers that are no invented ones; scrub it",
    "address": "an address outside documentation, benchmark and loopback ranges; scrub it",
    "MAC": "an address of a maker; scrub it",
    "bytes outside any field": "readable words or numbers; look at it, and scrub it",
    "old value": "a value that the table says was replaced; scrub it",
    "note": "the recording's own note was written by somebody; read it, and scrub it",
    "sealed": "sealed frames were not looked into; give --book or --key",
    "old key": "the book has a key that was replaced; use the book of --book-out",
}


@dataclass
class Telltales:
    """What was found: by kind, the numbers of the frames; 0 is a peer, a connection's name or the book."""

    found: dict[Kind, list[int]] = field(default_factory=dict)
    shut: int = 0  # sealed frames that could not be looked into

    def add(self, kind: Kind, number: int) -> None:
        frames = self.found.setdefault(kind, [])
        if not frames or frames[-1] != number:
            frames.append(number)


class _Look(Substitutes):
    """Stands in the place of the table, replaces nothing, and notes what is not an invented value."""

    def __init__(self, telltales: Telltales, known: Substitutes | None) -> None:
        super().__init__(b"a look replaces nothing")
        self._telltales, self.number = telltales, 0
        self._known = known.table if known else {}
        self._new = {kind: set(table.values()) for kind, table in self._known.items()}
        long = [
            re.escape(old)
            for kind in ("account", "text", "mac", "address", "reported")
            for old in self._known.get(kind, {})
            if len(old) >= LONG and old not in self._new[kind] and any(map(str.isalnum, old))
        ]
        # Whole words and numbers only: hex digits of sealed content and of checks are anything by chance.
        self._long = re.compile(rf"(?<![0-9A-Za-z])(?:{'|'.join(long)})(?![0-9A-Za-z])", re.I) if long else None

    def account(self, number: str, kind: str = "account") -> str:
        self._old("account", number.lstrip("0").upper())
        return number

    def text(self, value: str, kind: str = "text") -> str:
        if not is_ours(value):
            self._telltales.add("text", self.number)
        self._old("text", value)
        return value

    def mac(self, value: str) -> str:
        if not is_local_mac(value):
            self._telltales.add("MAC", self.number)
        self._old("mac", value)
        return value

    def reported(self, value: str) -> str:
        self._old("reported", value)
        return self.host(value)

    def host(self, host: str) -> str:
        if not is_nobodys(host):
            self._telltales.add("address", self.number)
        self._old("address", host)
        return host

    def network(self, network: Network) -> Network:
        ends = (network.network_address, network.broadcast_address)
        if network.prefixlen and not all(is_nobodys(str(end)) for end in ends):
            self._telltales.add("address", self.number)
        self._old("network", str(network))
        return network

    def rubbish(self, text: str, kind: str = "bytes outside any field") -> str:
        if not is_ours(text):
            self._telltales.add("bytes outside any field", self.number)
        return text

    def anywhere(self, text: str) -> None:
        if self._long and self._long.search(text):
            self._telltales.add("old value", self.number)

    def _old(self, kind: str, value: str) -> None:
        if value in self._known.get(kind, {}) and value not in self._new[kind]:
            self._telltales.add("old value", self.number)


def look(happenings: Iterable[Happening], judging: Judging, known: Substitutes | None = None) -> Telltales:
    """What a recording, and the book that it is read with, still tell; with the table of a scrub, any old value too."""
    telltales = Telltales()
    sight = _Look(telltales, known)
    scrubber = Scrubber(sight, judging.book)
    scrubber.book(judging.book.accounts)
    marks = known.table["key"] if known else {}
    for account in judging.book.accounts:
        if account.key and fingerprint(account.key) in marks:
            telltales.add("old key", 0)
    pending: dict[tuple[str, str], bytearray] = {}

    def looked() -> Iterable[Happening]:
        for one in happenings:
            sight.number = 0
            scrubber.around(one)
            sight.anywhere(f"{one.connection} {one.line or ''} {one.peer or ''}")
            if one.data:
                pending.setdefault((one.connection, one.what), bytearray()).extend(one.data)
            yield one

    for passed in rehear(looked(), judging):
        if isinstance(passed, Missing):
            continue
        frame, side = frame_of(passed), "panel" if hasattr(passed, "decision") else "receiver"
        raw = pending[passed.connection, side]
        piece = bytes(raw[: frame.size])
        del raw[: frame.size]
        if not raw:
            del pending[passed.connection, side]
        sight.number = passed.number
        scrubber.piece(piece, frame)
        sight.anywhere(piece.decode("latin-1"))
        sight.anywhere(frame.content or "")
        telltales.shut += frame.has("no-key", "decrypt-failed")
    return telltales
