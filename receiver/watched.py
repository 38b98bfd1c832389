"""A proving that is looked at again and again: its account's rows are read once, and folded when there are more."""

import threading
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from receiver import record as records
from receiver.journal import Store
from receiver.measures import Entry
from receiver.plan import Plan
from receiver.proving import fold
from receiver.sheet import Sheet

AGAIN_SECONDS = 1.0  # calls and delays run out although no row comes


class Watched:
    """One proving by its start row. PlanError where its plan cannot be read."""

    def __init__(self, start: Mapping[str, Any]) -> None:
        self.plan = Plan.from_json(start["plan"])
        self.account, self.proving = str(start["account"]), str(start["proving"])
        self._entries: list[Entry] = []
        self._sheet: Sheet | None = None
        self._folded = self._cost = 0.0  # when it was folded last, and how long that took, in seconds
        self._lock = threading.Lock()

    def sheet(self, store: Store, *, patient: bool = False) -> Sheet:
        """As it stands now. JournalError where the journal cannot be read.

        Who looks again and again is `patient`: where folding a long history takes a while, it is done in half of the time at
        most. Call that in a thread: it may sleep.
        """
        if patient and (wait := self._folded + self._cost - time.monotonic()) > 0:
            time.sleep(min(wait, self._cost))
        with self._lock:
            last = self._entries[-1]["row"] if self._entries else 0
            fresh = records.entries(store, self.account, last)
            self._entries += fresh
            began = time.monotonic()
            if fresh or self._sheet is None or began - self._folded > AGAIN_SECONDS:
                self._sheet = fold(self.plan, self._entries, datetime.now(UTC), self.proving)
                self._folded = time.monotonic()
                self._cost = self._folded - began
            return self._sheet
