"""The bench's own clock, watched: a NAK teaches a panel the time, so a wrong clock would spread."""

import ctypes
import ctypes.util
import time
from collections.abc import Callable
from datetime import UTC, datetime

STEP_SECONDS = 1.0  # slewing stays far below this between two looks; a step does not
_TIME_ERROR = 5  # adjtimex(2): the clock is not synchronised


def monotonic() -> float:
    """Seconds that only count up, those while the machine slept too: what a panel outside counts."""
    # time.monotonic stands still meanwhile (Linux), so that a night's sleep would look like a step of the wall clock.
    return time.clock_gettime(time.CLOCK_BOOTTIME) if hasattr(time, "CLOCK_BOOTTIME") else time.monotonic()


class Clock:
    """UTC for stamps and an even tick for intervals. A wall clock that steps against the monotonic one is noticed."""

    def __init__(self, wall: Callable[[], float] = time.time, even: Callable[[], float] = monotonic) -> None:
        self._wall, self._even = wall, even
        self._apart = wall() - even()
        self.stepped = 0.0  # by how many seconds it was seen to step, until a person confirms it

    def now(self) -> datetime:
        return datetime.fromtimestamp(self._wall(), UTC)

    def tick(self) -> float:
        """Seconds that only ever count up."""
        return self._even()

    def watch(self) -> float:
        """How far the wall clock stepped since the last look, in seconds; 0 while it runs evenly."""
        apart = self._wall() - self._even()
        step, self._apart = apart - self._apart, apart
        if abs(step) < STEP_SECONDS:
            return 0.0
        self.stepped += step
        return step

    def confirm(self) -> None:
        """A person has looked at the clock and found it right."""
        self.stepped = 0.0


class _Timex(ctypes.Structure):
    # struct timex of adjtimex(2) is 208 bytes on 64-bit Linux; only `modes` is set here, to 0: look, change nothing.
    _fields_ = (("modes", ctypes.c_uint), ("rest", ctypes.c_byte * 508))


def synchronised() -> bool | None:
    """Whether the kernel holds its clock to be synchronised (NTP); None where it does not say."""
    try:
        state = ctypes.CDLL(ctypes.util.find_library("c"), use_errno=True).adjtimex(ctypes.byref(_Timex()))
    except (OSError, AttributeError, TypeError):
        return None
    return None if state < 0 else state != _TIME_ERROR
