"""What a bench tells people, as lines for a log: each with its time, how much it matters, what it is about, and the text.

The bench tells sentences. What each is about is seen by how it begins; a test holds this table against all that can be told.
"""

import re
from datetime import UTC, datetime
from typing import Literal, NamedTuple

import orjson

from receiver.desk import millis

Level = Literal["info", "warning", "error"]
Format = Literal["text", "json"]


class Begins(NamedTuple):
    """How a sentence begins, as a regular expression; how much it matters; what it is about."""

    pattern: str
    level: Level
    event: str


TABLE = tuple(Begins(*row) for row in (
    (r"REFUSED ALARM", "error", "refused-alarm"),
    (r"ALARM", "warning", "alarm"),
    (r"THE JOURNAL ", "error", "journal"),
    (r"the journal writes again", "warning", "journal"),
    (r"THE CLOCK STEPPED|the clock stepped", "error", "clock-stepped"),
    (r"the clock was confirmed", "info", "clock-confirmed"),
    (r"the kernel does not hold", "warning", "clock"),
    (r"THE \S+ LINE IS LOST", "error", "line-lost"),
    (r"THE BOOK CANNOT|there is no book|the book, ", "error", "book"),
    (r"the book was read again", "info", "book"),
    (r"the book names certificates", "warning", "book"),
    (r"account \S+( \S+)*: \d+ minutes of its test", "warning", "on-test"),
    (r"account \S+( \S+)* is no longer on test", "warning", "off-test"),
    (r"account \S+( \S+)* has used its new key", "info", "new-key"),
    (r"account .*: (nothing|no |never )", "warning", "path-overdue"),
    (r"account ", "info", "path-back"),
    (r"no line has brought|nothing on ", "warning", "line-silent"),
    (r"something comes in|.* brings something", "info", "line-back"),
    (r"nobody watched", "warning", "paused"),
    (r"a wish cannot", "warning", "wish"),
    (r"internal error", "error", "internal"),
    (r"THE CAPTURE |the capture ", "error", "capture"),
    (r"std(out|err) was read|a line could not be shown", "warning", "output"),
    (r"THE CONSOLE HAS ENDED", "error", "console"),
    (r".* HAS ENDED|ROWS \d+ TO \d+ WERE RETIRED", "error", "hand-on"),
    (r".*; it waits at row \d+$", "warning", "hand-on"),
    (r"handing .* on to |\S+ \(.*\) takes messages again", "info", "hand-on"),
    (r"limited: ", "warning", "limited"),
    (r"THE CERTIFICATE ", "error", "certificate"),
    (r"the certificate was read again", "info", "certificate"),
    (r"the metrics ", "warning", "metrics"),
    (r"farend is |mode |listening |journal |the sockets ", "info", "start"),
    (r"the terminal ", "info", "stop"),
))  # fmt: skip
OTHERWISE = Begins("", "warning", "told")


def about(text: str) -> Begins:
    """The row of the table that a sentence belongs to, or `OTHERWISE`."""
    return next((row for row in TABLE if re.match(row.pattern, text)), OTHERWISE)


def line(form: Format, text: str, now: datetime | None = None) -> str:
    """One line of the log, without its end."""
    row, at = about(text), millis(now or datetime.now(UTC))
    if form == "json":
        return orjson.dumps({"time": at, "level": row.level, "event": row.event, "text": text}).decode()
    told = text.replace("\n", " ")
    return f"{at} {row.level:<7} {row.event}: {told}"
