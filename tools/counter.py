"""The sequence numbers of the panels that this person plays: each goes on where it stopped, as a panel's does."""

import fcntl
import json
import os
from pathlib import Path

from protocols.exchange import following


def _file() -> Path:
    home = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return Path(home) / "farend" / "sequences.json"


def next_sequence(receiver: str, account: str) -> int:
    """The number after the last one sent to this receiver for this account; 1 where none was, or none can be kept."""
    file = _file()
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with file.open("a+", encoding="utf-8") as held:
            fcntl.flock(held, fcntl.LOCK_EX)
            held.seek(0)
            try:
                known = json.loads(held.read() or "{}")
                number = following(int(known.get(f"{receiver} {account}", 0)))
            except (ValueError, TypeError, AttributeError):
                known, number = {}, 1
            known[f"{receiver} {account}"] = number
            held.truncate(0)
            held.write(json.dumps(known))
    except OSError:
        return 1
    return number
