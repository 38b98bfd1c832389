"""One side of a TCP connection, put together from its segments (RFC 9293, 3.4): what is early waits, repeats are dropped.

Pure, and bounded: what waits behind a hole is at most `MOST_HELD` bytes. Of bytes that overlap, those of the segment that
begins earlier count. A hole is given up when the other side has acknowledged what was in it (so it came, and whoever
recorded missed it), when too much waits behind it, or when the connection ends.
"""

from bisect import insort
from operator import itemgetter

MOST_HELD = 1 << 20  # bytes that wait behind a hole
PATIENCE = 16  # packets of the connection after which an acknowledged hole will not be filled any more
_WRAP = 1 << 32
_BEGIN = itemgetter(0)

Out = list[bytes | int]  # bytes in order, and how many are missing between them


def ahead(sequence: int, than: int) -> int:
    """By how much a sequence number is ahead of another, modulo 2^32; negative when it is behind."""
    distance = (sequence - than) % _WRAP
    return distance - _WRAP if distance >= _WRAP // 2 else distance


class Stream:
    """The bytes of one side, in order."""

    def __init__(self) -> None:
        self.next: int | None = None  # the sequence number of the byte that is due
        self.repeats = 0
        self._waiting: list[tuple[int, bytes]] = []  # how far beyond `self._base`, and what; sorted
        self._base = 0
        self._held = 0
        self._end: int | None = None  # where FIN stands
        self._acknowledged: int | None = None
        self._patience = 0

    @property
    def ended(self) -> bool:
        """Whether all came, up to its FIN."""
        return self._end is not None and self.next is not None and ahead(self.next, self._end) >= 0

    def begins(self, sequence: int) -> None:
        """A SYN said where the stream begins."""
        self.next = (sequence + 1) % _WRAP
        self._base = self.next

    def take(self, sequence: int, data: bytes, length: int, fin: bool) -> Out:
        """A segment came; `length` is what it had, `data` what of it was recorded."""
        if self.next is None:
            self.next = self._base = sequence
        if fin:
            self._end = (sequence + length) % _WRAP
        out: Out = []
        early = ahead(sequence, self.next)
        if early < 0:
            self.repeats += bool(data) and -early >= len(data)
            data, early = data[-early:], 0
        if not data:
            return self._drained()
        if not early and not self._waiting:  # the common case
            self.next = (self.next + len(data)) % _WRAP
            return [data]
        insort(self._waiting, (ahead((self.next + early) % _WRAP, self._base), data), key=_BEGIN)
        self._held += len(data)
        out += self._drained()
        while self._held > MOST_HELD:
            out += self._give_up()
        return out

    def acknowledged(self, number: int) -> Out:
        """The other side acknowledged all before this number; a hole below it is given up after a while."""
        if self.next is None:
            return []
        if self._acknowledged is None or ahead(number, self._acknowledged) > 0:
            if self._acknowledged is None or ahead(self._acknowledged, self.next) <= 0:
                self._patience = PATIENCE
            self._acknowledged = number
        beyond = ahead(self._acknowledged, self.next)
        if beyond <= 0 or (beyond == 1 and not self._waiting):  # the one number that a FIN takes
            return []
        self._patience -= 1
        if self._patience > 0:
            return []
        if self._waiting:
            return self._give_up()
        self.next = self._acknowledged
        return [beyond]

    def end(self) -> Out:
        """The connection is over: what still waits, with the holes before it."""
        out: Out = []
        while self._waiting:
            out += self._give_up()
        if self.next is not None:
            known = [point for point in (self._end, self._acknowledged) if point is not None]
            beyond = max((ahead(point, self.next) for point in known), default=0)
            if beyond > 1 or (beyond == 1 and self._end is not None and ahead(self._end, self.next) == 1):
                out.append(beyond if self._end is not None and ahead(self._end, self.next) == beyond else beyond - 1)
        return out

    def _give_up(self) -> Out:
        assert self.next is not None
        start = (self._base + self._waiting[0][0]) % _WRAP
        hole = ahead(start, self.next)
        self.next = start
        return [hole, *self._drained()] if hole > 0 else self._drained()

    def _drained(self) -> Out:
        assert self.next is not None
        out: Out = []
        while self._waiting:
            offset, data = self._waiting[0]
            over = ahead(self.next, (self._base + offset) % _WRAP)
            if over < 0:
                break
            self._waiting.pop(0)
            self._held -= len(data)
            self.repeats += over >= len(data)
            if over < len(data):
                out.append(data[over:])
                self.next = (self.next + len(data) - over) % _WRAP
        if not self._waiting:
            self._base = self.next
        return out
