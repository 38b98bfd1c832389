"""The numbers of the phone line: which tone means what (ITU-T Q.23, SIA DC-05), and the limits that each is held to.

    a digit         a tone of the low group and one of the high group together, 50-60 ms on and as long off
    the handshake   the receiver's: 1400 Hz for 100 ms, 100 ms of silence, 2300 Hz for 100 ms
    the kiss-off    the receiver's: 1400 Hz for 0.75-1 s, once a message has arrived with a good checksum

Where a value comes from stands beside it: Q.23 and DC-05 as published; *from memory* of Q.24 or DC-05; or *common practice*.
"""

from typing import NamedTuple

LOW = (697, 770, 852, 941)  # Hz, a row of keys each (Q.23)
HIGH = (1209, 1336, 1477, 1633)  # Hz, a column each (Q.23)
KEYPAD = ("123A", "456B", "789C", "*0#D")

PAIRS: dict[str, tuple[int, int]] = {
    key: (LOW[row], HIGH[column]) for row, keys in enumerate(KEYPAD) for column, key in enumerate(keys)
}
KEYS = {pair: key for key, pair in PAIRS.items()}

# What a key says in a message (DC-05; the letters from memory). The key D is none of its digits: it is kept as `A`, which no
# account and no checksum may hold, so that nothing heard is lost.
_SAID = dict(zip("*#ABCD", "BCDEFA", strict=True))
_PRESSED = {digit: key for key, digit in _SAID.items()}

HANDSHAKE = (1400, 2300)  # Hz
KISS_OFF = 1400  # Hz

FULL_SCALE_DBM0 = 3.14  # a sine that fills the code of G.711, in dBm0 (ITU-T G.711: 3.14 for A-law, 3.17 for µ-law)


def digit_of(key: str) -> str:
    """The digit of Contact ID that a key says: `*` is B, `#` is C, A to C are D to F, all others are themselves."""
    return _SAID.get(key, key)


def key_of(digit: str) -> str:
    """The key that says a digit, `digit_of` backwards. ValueError for what no key says."""
    key = _PRESSED.get(digit.upper(), digit)
    if key not in PAIRS or digit in _SAID.keys() - _PRESSED.keys():
        raise ValueError(f"{digit!r} is no digit of Contact ID; they are 0-9 and B-F")
    return key


class Limit(NamedTuple):
    """What a measured value is held to; None where there is no bound. `source` says by whom, and whether from memory."""

    name: str
    least: float | None
    most: float | None
    unit: str
    source: str

    def margin(self, value: float) -> float:
        """How far inside the nearer bound a value is; below zero it is outside."""
        inside = [value - self.least] if self.least is not None else []
        inside += [self.most - value] if self.most is not None else []
        return min(inside)

    def holds(self, value: float) -> bool:
        """Whether a measured value is inside, or outside by no more than it can be measured to."""
        return self.margin(value) >= -MEASURED_TO[self.unit]

    def __str__(self) -> str:
        bounds = [
            f"{bound:+g}" if self.signed and bound else f"{bound:g}"
            for bound in (self.least, self.most)
            if bound is not None
        ]
        if len(bounds) == 2:
            return f"{bounds[0]} to {bounds[1]} {self.unit}"
        return f"{'at least' if self.most is None else 'at most'} {bounds[0]} {self.unit}"

    @property
    def signed(self) -> bool:
        return self.unit == "%" or (self.least is not None and self.least < 0)


# What a panel should send (DC-05), and what any receiver must still read (Q.24): a value outside of the first is a fault of
# the panel or the line, one outside of the second may go unread anywhere.
DIGIT_LIMITS = {
    "frequency": Limit("frequency error", -1.5, 1.5, "%", "DC-05; Q.24 must be accepted (from memory)"),
    "on": Limit("on time", 50, 60, "ms", "DC-05"),
    "off": Limit("off time", 50, 60, "ms", "DC-05"),
    "twist": Limit("twist, high over low", -8, 4, "dB", "Q.24 (from memory)"),
    "level": Limit("level of each part", -25, 0, "dBm0", "Q.24 (from memory)"),
    "snr": Limit("signal to noise", 15, None, "dB", "common practice"),
}
READ_LIMITS = {
    "frequency": Limit("frequency error", -3.5, 3.5, "%", "Q.24 must be rejected beyond (from memory)"),
    "on": Limit("on time", 40, None, "ms", "Q.24 must be accepted (from memory)"),
    "off": Limit("off time", 40, None, "ms", "Q.24 must be accepted (from memory)"),
}
# How exactly a value is measured: one that is outside of its limit by less than this may well be inside.
MEASURED_TO = {"%": 0.1, "ms": 1.5, "dB": 0.3, "dBm0": 0.3}
HANDSHAKE_LIMITS = {
    "frequency": Limit("frequency error", -3, 3, "%", "DC-05"),
    "on": Limit("on time", 95, 105, "ms", "DC-05: 100 ms ± 5 %"),
    "off": Limit("silence between the tones", 95, 105, "ms", "DC-05: 100 ms ± 5 %"),
}
KISS_OFF_LIMITS = {
    "frequency": Limit("frequency error", -3, 3, "%", "DC-05"),
    "on": Limit("on time", 750, 1000, "ms", "DC-05"),
}
WAIT_FOR_DIGITS = Limit("from the handshake to the first digit", 250, 300, "ms", "DC-05")
WAIT_FOR_KISS_OFF = Limit("from the last digit to the kiss-off", None, 1250, "ms", "DC-05 (from memory)")

PICK_UP_SECONDS = (0.5, 2.0)  # from the answer to the handshake (DC-05, from memory)
TRIES = 4  # of a message that gets no kiss-off (DC-05, from memory)
