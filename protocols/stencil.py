"""JSON of objects that differ in a few values alone: written out once, then filled in.

Most of what comes in says the same as something before it, under another number and at another time.
"""

from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any

import orjson

from protocols.envelope import printable
from protocols.values import Frame, utc_text

_HOLE = "\ufdd0"  # a noncharacter (Unicode 23.7): it has no place in a text
_WRITTEN = orjson.dumps(_HOLE).decode()
_TWO = ("crc", "length")  # of a frame: as sent, and as found
HOLES = ("raw", "size", *_TWO, "sequence", "stamp")  # of a frame, in the order of `Frame.to_json`


def cut(found: dict[str, Any], holes: Sequence[str]) -> str | None:
    """The JSON of an object as a format with a `%s` for the value of each of these keys, in the object's order.

    None where its text does not let the holes be told apart.
    """
    holed = {name: dict.fromkeys(found[name], _HOLE) if name in _TWO else _HOLE for name in holes}
    text = orjson.dumps(found | holed).decode()
    if text.count(_WRITTEN) != len(holes) + sum(name in _TWO for name in holes):
        return None
    return text.replace("%", "%%").replace(_WRITTEN, "%s")


def says(frame: Frame) -> tuple[Any, ...] | None:
    """What a frame says besides `HOLES`: equal for two frames whose JSON differs in those alone.

    None for a frame that is none of the ordinary ones: sealed, with extended data, with anything to be said about it.
    """
    if (
        frame.encrypted
        or frame.kind != "frame"
        or frame.problems
        or frame.extended
        or frame.notes
        or not frame.crc_sent
    ):
        return None
    return frame.token, frame.receiver, frame.prefix, frame.account, frame.data


def fills(frame: Frame) -> tuple[Any, ...]:
    """The JSON of what stands in a frame's `HOLES`."""
    return (
        '"' + printable(frame.raw).replace("\\", "\\\\").replace('"', '\\"') + '"',
        frame.size,
        f'"{frame.crc_sent}"',
        f'"{frame.crc_computed}"',
        frame.length_sent,
        frame.length_counted,
        "null" if frame.sequence is None else frame.sequence,
        _stamp(frame.stamp),
    )


@lru_cache(1024)
def _stamp(moment: datetime | None) -> str:
    return orjson.dumps(utc_text(moment)).decode()
