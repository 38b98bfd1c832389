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
        self._folded = 0.0
        self._lock = threading.Lock()

    def sheet(self, store: Store) -> Sheet:
        """As it stands now. JournalError where the journal cannot be read."""
        with self._lock:
            last = self._entries[-1]["row"] if self._entries else 0
            fresh = records.entries(store, self.account, last)
            self._entries += fresh
            if fresh or self._sheet is None or time.monotonic() - self._folded > AGAIN_SECONDS:
                self._sheet = fold(self.plan, self._entries, datetime.now(UTC), self.proving)
                self._folded = time.monotonic()
            return self._sheet
