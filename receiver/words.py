"""An entry of the journal in words: what each verdict, answer and note means, and what was said, by whom."""

from typing import Any

from protocols.values import legible

ANSWERS = {
    "ACK": "ACK",
    "NAK": "NAK with the time",
    "DUH": "DUH",
    "none": "no answer",
}

ON_THE_PHONE = {"ACK": "kissed off", "none": "no kiss-off"}  # what those answers are in a telephone call

VERDICTS = {
    "accepted": "read, kept on disk, and acknowledged",
    "poll": "the path is alive; its last time and count move on",
    "repeat": "the same message again: acknowledged again, counted once",
    "stale-clock": "sealed, and its stamp is outside the window: it gets the time, and no acknowledgement",
    "unknown-account": "no such account in the book",
    "unsupported": "arrived right, but its token or payload cannot be processed",
    "must-encrypt": "the account has a key, so what comes in clear in its name is refused",
    "wrong-certificate": "its connection did not show the certificate that the book names for the account",
    "undecryptable": "sealed, and it does not open with the account's key",
    "unreadable": "damaged: dropped without an answer, so that the panel sends it again",
    "held-back": "answered only while on test, and it is not: silence, so that the panel turns to its live receiver",
    "not-kept": "the journal could not write: no answer, so that the panel tries again or elsewhere",
    "noise": "bytes outside any frame",
}
NOTES = {
    "gap": "numbers are missing before it",
    "reused": "its number was used before, with other data or long ago",
    "restart": "the count began again",
}


def of_answer(entry: dict[str, Any]) -> str:
    """What was answered, on a line or in a call."""
    return (ON_THE_PHONE if entry.get("call") else ANSWERS)[entry["reply"]]


def of_signal(signal: dict[str, Any]) -> str:
    """`Perimeter burglary, area 01 Laboratory, zone 015 Freezer room door`"""
    words = [signal["meaning"] or f"unknown code {signal['code']}"]
    for kind in ("area", "zone", "user"):
        if signal[kind] is not None:
            name = signal.get(f"{kind}_name")
            words.append(f"{kind} {signal[kind]}" + (f" {name}" if name else ""))
    if signal["number"] and not signal["zone"] and not signal["user"]:
        words.append(f"number {signal['number']}")
    if signal["text"]:
        words.append(f"“{signal['text']}”")
    if signal["from_memory"]:
        words.append("from the panel's memory")
    return legible(", ".join(words))


def of_frame(entry: dict[str, Any]) -> str:
    """What was said, by which account."""
    said = "; ".join(of_signal(signal) for signal in entry["signals"])
    if not said:
        token = entry["token"]
        said = (
            "poll" if token == "NULL"
            else f"noise, {entry['size']} byte{'s' * (entry['size'] != 1)}" if entry.get("verdict") == "noise"
            else f"{entry['size']} digits by telephone" if entry.get("call")
            else f"{token or 'something unreadable'}{', sealed' if entry['encrypted'] else ''}"
        )  # fmt: skip
    name = entry.get("account_name")
    whose = f"{entry['account']} {name}" if name else entry["account"]
    return legible(f"{whose}: {said}" if whose else said)
