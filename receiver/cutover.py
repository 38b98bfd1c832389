"""What a capture of the live receiver's traffic shows of the cut-over: an alarm and its restoral over a path, both answered.

Once a proving is done the panel is turned to the live receiver. That this worked can be seen only there.
"""

from collections import deque
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import NamedTuple

from protocols.dc09 import bare, decode, decode_all
from protocols.envelope import Reader
from protocols.exchange import belongs
from protocols.values import Frame, Signal
from receiver.book import Account, Book
from receiver.capture import Happening
from receiver.plan import accepted
from receiver.proving import ALARMS


class Shown(NamedTuple):
    """A message of the account that the live receiver acknowledged: when, over which path, and what it said."""

    at: datetime
    path: str | None
    frame: Frame


def acknowledged(happenings: Iterable[Happening], account: Account) -> Iterator[Shown]:
    """The account's messages in a capture, each with the ACK that belongs to it. `account` has its key, if it has one."""
    book = Book((account,))
    readers: dict[str, Reader] = {}
    origin: dict[str, tuple[str, str]] = {}
    unanswered: dict[str, deque[Shown]] = {}
    for one in happenings:
        if one.what == "open":
            origin[one.connection] = one.line or "", (one.peer or "").rpartition(":")[0]
        elif one.what == "panel":
            for piece in readers.setdefault(one.connection, Reader()).feed(one.data):
                frame = decode(piece, book.keys_for)
                ours = book.find(frame.receiver, frame.prefix, frame.account) is account
                if ours and (frame.encrypted or account.key is None):
                    line, host = origin.get(one.connection, ("", ""))
                    path = account.path_of(line, 0, frame.prefix, host.strip("[]"))
                    unanswered.setdefault(one.connection, deque(maxlen=100)).append(Shown(one.at, path, frame))
        elif one.what == "receiver":
            for reply in decode_all(one.data, account.keys):
                waiting = unanswered.get(one.connection, deque())
                found = next((shown for shown in waiting if belongs(reply, shown.frame).word == "ACK"), None)
                if found is not None:
                    waiting.remove(found)
                    yield found


def alarm_and_restoral(
    happenings: Iterable[Happening], account: Account, path: str, since: datetime
) -> tuple[Shown, Shown] | None:
    """The first alarm over the path after that time whose restoral followed over it; None where the capture has none."""
    alarms: list[tuple[Shown, Signal]] = []
    for shown in acknowledged(happenings, account):
        if shown.at < since or (shown.path or "") != path:
            continue
        for signal in (signal for signal in shown.frame.signals if not signal.from_memory):
            for alarm, first in alarms:
                if _ends(signal, first):
                    return alarm, shown
            if signal.qualifier == "new" and signal.category in ALARMS:
                alarms.append((shown, signal))
    return None


def _ends(signal: Signal, alarm: Signal) -> bool:
    word = alarm.code
    over = {(code.code_set, code.code) for code in accepted(word)[1]} if alarm.meaning else set()
    same = bare(signal.number or "0") == bare(alarm.number or "0")
    return signal.qualifier == "restore" and same and (signal.code_set, signal.code) in over
