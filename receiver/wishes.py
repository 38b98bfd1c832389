"""What a person asks of the running bench, or says, from a process of its own: left in the journal, taken by its writer."""

import time
from datetime import UTC, datetime
from itertools import takewhile
from pathlib import Path
from typing import Any

import orjson

from receiver.desk import millis
from receiver.journal import GRANTED, REFUSED, JournalError, Store, opened, public
from receiver.record import mode_now

WAIT_SECONDS = 3.0
LOOK_SECONDS = 0.05


class NotTakenError(JournalError):
    """The running bench refused the wish, or has not taken it in time."""


def leave(journal: Path, wish: dict[str, Any]) -> bool:
    """Leave a wish, and wait until the bench that writes the journal has taken it.

    False where no bench runs: the next one will know. NotTakenError where it was refused or stayed untaken for
    `WAIT_SECONDS`, JournalError where it could not be left.
    """
    store = opened(journal)
    try:
        number = store.wish(wish)
        deadline = time.monotonic() + WAIT_SECONDS
        while store.written_by_another():
            state = next(state for found, _, state in store.wishes(number - 1) if found == number)
            if state == REFUSED:
                raise NotTakenError(
                    f"the running bench's book has no account {wish['account']}, or several: say --receiver or --prefix"
                )
            if state == GRANTED:
                return True
            if time.monotonic() > deadline:
                raise NotTakenError(
                    f"the bench that writes {public(journal)} has not taken it within {WAIT_SECONDS:g} s; it is left for it"
                )
            time.sleep(LOOK_SECONDS)
        return False
    finally:
        store.close()


def note(journal: Path, event: str, detail: str, **more: Any) -> int:
    """Put a row of a person's own into the journal: through the bench that writes it, or straight where none does.

    Gives the row's number once it is on disk, so that whoever reads the journal next finds it. NotTakenError and
    JournalError as for `leave`.
    """
    entry = {"event": event, "detail": detail, **more}
    reader = opened(journal)
    try:
        if reader.written_by_another():
            before = reader.number
            if not leave(journal, {"wish": "note", "entry": entry}):
                raise NotTakenError(
                    f"the bench that wrote {public(journal)} ended; what was said is left for the next one"
                )
            return _row_of(reader, entry, before)
    finally:
        reader.close()
    store = opened(journal, write=True)
    try:
        return store.note({"at": millis(datetime.now(UTC)), "row": None, "mode": mode_now(store)} | entry)
    except store.FAILURES as error:
        raise JournalError(f"the journal {store} cannot be written: {error}") from None
    finally:
        store.close()


def _row_of(reader: Store, entry: dict[str, Any], before: int) -> int:
    """The number of the row that the bench made of a note: taken is not yet on disk."""
    deadline, said = time.monotonic() + WAIT_SECONDS, orjson.loads(orjson.dumps(entry))
    while time.monotonic() < deadline:
        for row in takewhile(lambda one: one["row"] > before, reader.events()):
            if all(row.get(name) == value for name, value in said.items()):
                return int(row["row"])
        time.sleep(LOOK_SECONDS)
    raise NotTakenError(
        f"the bench has taken it, and it is not in {reader.path} within {WAIT_SECONDS:g} s: does it write?"
    )
