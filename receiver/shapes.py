"""Which shape a recorded stream has, and its happenings, whatever the shape."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

from receiver import capture
from receiver.capture import Opened

Shape = Literal["capture", "packets", "hex", "log"]


@dataclass(frozen=True, slots=True)
class How:
    """What a person knows of a recording that it does not say itself."""

    began: datetime | None = None  # of frames without a time in front
    receiver: tuple[str | None, int] | None = None  # the receiver's address, if it matters, and port, among packets


def opened(path: Path, how: How = How()) -> Opened:
    """A recording of any shape. CaptureError where it is none, here or while it is read; OSError when it cannot be read."""
    return capture.opened(path)
