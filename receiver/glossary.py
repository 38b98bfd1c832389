"""Every word that farend says, and what to do about it: for the help page, and for whoever meets one on the phone.

A word may have several meanings (`noise` is a verdict and a problem); each stands under its kind. A test finds what the
code can say and holds it against these tables, in both directions.
"""

from collections.abc import Iterator
from typing import NamedTuple

from receiver.sheet import STATES
from receiver.words import ANSWERS, NOTES, VERDICTS


class Entry(NamedTuple):
    """A word of one kind: what it means, and what to do; `""` where there is nothing to do."""

    word: str
    kind: str
    means: str
    do: str = ""


Table = dict[str, tuple[str, str]]

WORDS: Table = {
    "account": ("Who reports: one customer's alarm system, by its number.", ""),
    "account book": (
        "The accounts with their areas, zones, users, paths and keys: a TOML file that people write.",
        "After a change, `farend book check` names every mistake with its line.",
    ),
    "area": ("A part of an account that is armed by itself; some panels call it a partition.", ""),
    "capture": ("A recorded stream: every byte of a connection in both directions, to be replayed.", ""),
    "desk": ("Where it is decided what becomes of a frame and what is answered.", ""),
    "frame": ("One envelope on the wire, from LF to CR.", "Open its row to see it byte by byte."),
    "journal": (
        "The durable record of every frame and its verdict, kept on disk before the answer leaves.",
        "`farend journal verify` shows whether anything was changed since; note its last hash elsewhere.",
    ),
    "line": ("One place where signals come in: a TCP, UDP or TLS port, or a recorded phone line.", ""),
    "path": (
        "The route that a signal took from the premises: wired, wifi, cellular, phone.",
        "The book's marks (line, port, prefix, network) tell the paths of an account apart.",
    ),
    "proving": (
        "Checking that an account reports everything it should, as it should; it ends in a signed record.",
        "Begin one at the account's page.",
    ),
    "signal": ("One decoded event of one account; a frame may carry several.", ""),
    "tap": ("A pass-through that records both directions and changes nothing.", ""),
    "trial": ("A run of cases against somebody else's receiver, panel or line card.", ""),
    "user": ("The person who opens, closes or cancels, by the number that the panel gives them.", ""),
    "verdict": ("What the desk decided about a frame.", ""),
    "zone": ("One point that reports: a detector, a button, a contact.", ""),
}

TO_DO: dict[str, str] = {  # by verdict; what each means stands in `receiver.words`
    "accepted": "Nothing. Outside of a test an alarm ends here and goes nowhere else: then ask whether it is real.",
    "poll": "Nothing. The path's promise is kept.",
    "repeat": (
        "Nothing, if it is rare. If often, our answers do not reach the panel: look for a firewall, or at its timeout."
    ),
    "stale-clock": "The panel takes the time from the answer and sends again. If it goes on, set the panel's clock by hand.",
    "unknown-account": (
        "Compare the number: digits swapped, one wrong? Callers lists who may be meant. R and L may narrow the match, too."
    ),
    "unsupported": "Open the row: it names the token, or the byte that cannot be read. Look at the panel's format setting.",
    "must-encrypt": "Switch encryption on in the panel, on every path; or take the key out of the book.",
    "wrong-certificate": (
        "Give the panel its certificate, or the book the fingerprint that the row names; does it come over the TLS line?"
    ),
    "undecryptable": "Compare the keys by their check word; a key of another length is another key.",
    "unreadable": "Open the row: it names the byte and often the mistake. One alone is chance; a run of them is a setting.",
    "held-back": "Put the account on test, or these areas of it. If nobody expected it, the panel calls here too early.",
    "not-kept": "Look at the disk: full, or read-only? The bench tries again by itself and says when it writes again.",
    "noise": "Look at the row: TLS on a clear port, a web browser, another protocol? If it is nobody's, close the port.",
}

ANSWERED: Table = {
    "ACK": (
        "Received and kept: the panel's duty ends.",
        "What was acknowledged here was reported nowhere else.",
    ),
    "NAK": (
        "The stamp is outside the window; the answer carries our time.",
        "The panel should set its clock and send again.",
    ),
    "DUH": ("It arrived right, and the receiver cannot process it.", "See the verdict for why."),
    "none": ("Silence, so that the panel tries again, or its next receiver.", "See the verdict for why."),
}

NOTED: dict[str, str] = {  # by sequence note
    "repeat": "See the verdict of that name.",
    "gap": "Ask where the missing messages went: another receiver, or lost? In a proving they are counted.",
    "reused": "Nothing once; if often, two panels may send as this account, or the panel loses its count.",
    "restart": "The panel was restarted, or is another one: ask.",
}

PROBLEMS: Table = {
    "crc-mismatch": (
        "The CRC is not that of these bytes: something was changed, lost or added on the way.",
        "Open the row: if it is always wrong in the same way, the panel computes it over other bytes.",
    ),
    "length-mismatch": (
        "The length that was sent is not that of the body.",
        "Open the row: was the frame cut, or is the panel counting other bytes?",
    ),
    "bad-envelope": (
        "LF, CRC and length cannot be found where they belong.",
        "Is it DC-09 at all? Compare the format.",
    ),
    "binary-crc": (
        "The CRC came as two raw bytes; DC-09 sends four hex digits.",
        "Look for another setting of the format.",
    ),
    "bad-token": (
        "The word in quotation marks, which says what kind of message it is, is missing or not known here.",
        "Choose Contact ID or two-letter codes over DC-09 in the panel.",
    ),
    "bad-sequence": (
        "The sequence number is not 0001 to 9999, or a message carries that of a poll.",
        "Tell the maker.",
    ),
    "bad-number": (
        "Account, receiver (R) or prefix (L) is missing or has digits that none may have.",
        "Enter it anew in the panel; an account has 3 to 16 hex digits.",
    ),
    "bad-stamp": (
        "The stamp cannot be read, or is more than 20 s ahead of or 40 s behind the bench's clock.",
        "Set the panel's clock, and its time zone: the stamp is UTC.",
    ),
    "missing-stamp": (
        "An encrypted frame must carry a stamp, and this one does not.",
        "Switch the stamp on in the panel.",
    ),
    "bad-payload": (
        "The message inside cannot be read.",
        "Open the row: it names the place. Look at the panel's format.",
    ),
    "bad-extended": ("A field of extended data is not formed as it should be.", "The signal counts; tell the maker."),
    "unknown-code": (
        "The code stands in no table here, so nobody says what it means.",
        "Look at the panel's programming of that zone; its manual may know the code.",
    ),
    "bad-checksum": (
        "The checksum of the Contact ID message is wrong.",
        "Over DC-09 it was damaged before it was packed; in a telephone call a digit was misheard: there is no kiss-off.",
    ),
    "digit-count": (
        "A message of a telephone call has not sixteen digits.",
        "The line lost or doubled one: decode the call's sound, which shows where.",
    ),
    "account-differs": (
        "One account stands outside of the brackets and another inside.",
        "The panel, or a communicator beside it, is set up with two numbers: make them one.",
    ),
    "replayed": (
        "The same sealed bytes came before, under another head or too long ago for a repeat: a recording is sent again.",
        "Look at its peer. What it says happened when it was sent first; a new key makes recordings worthless.",
    ),
    "old-key": (
        "The account's old key opened it, and the time in which both open is over.",
        "Enter the new key in the panel, or give the old one more time in the book.",
    ),
    "wrong-certificate": (
        "The book names a certificate for this account, and the connection did not show it.",
        "See the verdict of that name.",
    ),
    "no-key": ("It is encrypted, and there is no key to open it.", "Put the account's key into the book."),
    "decrypt-failed": (
        "It does not open with the account's key.",
        "Compare the keys by their check word; look at the length, too.",
    ),
    "noise": ("Bytes outside of any frame.", "See the verdict of that name."),
    "oversize": ("It announces, or has, more than 4095 bytes.", "Something other than a panel speaks here."),
}

FINDINGS: Table = {  # the sentences with the device in them stand in `receiver.wrong`
    "wrong-area": (
        "The right device came, in an area that is not its own.",
        "Mend the area of this zone in the panel.",
    ),
    "wrong-kind": (
        "The device reported what no device of its kind does.",
        "Mend the zone's type in the panel, or the device in the list.",
    ),
    "no-picture": (
        "It reported, and no picture came with it.",
        "Look at the camera, and at the link that sends pictures.",
    ),
    "no-restoral": ("It alarmed and has not come to rest.", "Have it brought to rest; are restorals switched on?"),
    "twice": ("The same thing came as two messages.", "Switch the second reporting path or format off."),
    "late": ("It took longer to arrive than it rightfully may.", "Ask what held it up: a delay setting, a slow path?"),
    "other-device": ("One device was called and another came.", "Ask which one was tripped; call it again."),
    "swapped": (
        "Two devices have each other's numbers.",
        "Exchange them in the panel or the list; call both again.",
    ),
    "not-listed": ("A zone or user came that the list does not have.", "Mend the list, or the number in the panel."),
    "unknown-code": ("A code came that no table lists.", "Look at the panel's programming."),
    "not-ours": ("The installer says that it was not theirs.", "Handle it as real, now."),
    "wrong-path": (
        "Something came over another path than the one under test alone.",
        "Unplug the others, call the path once more, and repeat.",
    ),
    "path-unknown": ("It came by a path that nothing in the book fits.", "Mend the book's marks of the paths."),
    "paths-alike": (
        "Two paths carry the same marks, so nobody here can tell them apart.",
        "Unplug each in turn, and expect its trouble over the other.",
    ),
    "poll-gap": (
        "Polls came further apart than promised.",
        "Ask what the path did then; look at its supervision interval.",
    ),
    "category": (
        "What is promised is less than the category wants (EN 50136-1).",
        "Shorten the interval, or the claim.",
    ),
    "in-clear": (
        "It came in clear from an account that has a key.",
        "Switch encryption on, on every path of the panel.",
    ),
    "undecryptable": ("It does not open with the account's key.", "Compare the keys by their check word."),
    "stale-clock": ("It was refused for its stamp.", "The panel was told the time: see whether it takes it."),
    "clock": ("The panel's clock is off.", "Set it, and its time zone."),
    "unsupported": ("A message came that cannot be used.", "Look at the panel's format."),
    "unreadable": ("A damaged message came.", "Open the row; repeat. If it comes again, look at the line."),
    "missing": ("Messages that the panel numbered never came here.", "Ask whether they went to another receiver."),
    "address-changed": ("A path's messages come from another address now.", "Ask whether it is still the same panel."),
    "two-sources": ("Two addresses send as this account by turns.", "Find the second panel, or the second connection."),
}

TO_PROVE: dict[str, str] = {  # by state of a row of a sheet; what each means stands in `receiver.sheet`
    "called": "",
    "swept": "To know which device it is, call it and have it tripped again.",
    "said": "",
    "seen live": "",
    "polled": "",
    "half": "Have the device brought to rest.",
    "open": "Call it, and have it tripped.",
    "pending": "Wait; its owner and time stand beside it. Until then a record is provisional.",
    "overdue": "Ask its owner why it has not come.",
    "skipped": "",
    "optional": "",
}

JUDGED: Table = {
    "proved": ("Everything that is required has been seen, and nothing that is wrong stands.", "Sign it."),
    "provisional": (
        "All that can be seen now has been; the rest comes later by itself.",
        "Sign now, and once more later.",
    ),
    "open": ("Something is not seen yet, or is wrong and not settled.", "The next sentence says what to do."),
}

EVENTS: Table = {
    "replay": (
        "A recording is played into the bench: what comes from these addresses until it is over is no signal of today.",
        "Nothing of it is handed on to other programs unless they asked for it.",
    ),
    "restored": (
        "The journal was made from a backup; what had come after that was made is not in it.",
        "Whoever follows the journal by row numbers: those after it are other rows than before.",
    ),
    "retired": (
        "Old rows were taken out of the journal; the row keeps the number and hash of the last of each chain.",
        "Whoever needs them: they are where they were exported to.",
    ),
    "start": ("A bench began to listen.", ""),
    "stop": ("The bench ended when it was asked to.", "Until one starts again, nothing is received here."),
    "line-lost": (
        "A port that should listen does not any more.",
        "Start the bench again; the row says why it was lost.",
    ),
    "line-silent": (
        "A line brought nothing for longer than is its habit, while ten of its paths or more were due.",
        "Look at our own line first: network, firewall, address. Its paths are not told one by one.",
    ),
    "line-back": ("A silent line brings something again.", "Its paths have their full time anew."),
    "call": (
        "A telephone call is over: how many messages it brought, and how many were kissed off.",
        "Messages without a kiss-off come again; their rows say why they got none.",
    ),
    "too-late": (
        "A message of a telephone call was on disk only when the panel was about to say it again, so it got no kiss-off.",
        "Its next try is told as a repeat and kissed off. If it happens often, the journal's disk is too slow.",
    ),
    "connection": (
        "A connection ended without having said anything that can be read.",
        "The trace of a panel that cannot talk: TLS versions, certificate, a clear port?",
    ),
    "new-key": (
        "A panel whose key was changed has used the new one for the first time since the book was read.",
        "Take old_key and old_key_until out of the book.",
    ),
    "limited": (
        "One address or several went beyond what an address may have: how often, and what was done, once a minute.",
        "Whose address is it? One site behind it may need more: the limits are options of `farend listen`.",
    ),
    "certificate": (
        "The TLS certificate was read again because its file changed, or could not be, and the old one stays.",
        "If it could not be read, the row says which file is wrong; mend it, and it is read again by itself.",
    ),
    "path-overdue": (
        "Something that was promised over a path has not come in time.",
        "Degraded: another path still reports. No path left: nobody would hear an alarm, so call now.",
    ),
    "path-back": ("What was overdue has come.", ""),
    "paused": (
        "Nobody watched the paths for some seconds: the process was stopped, the machine slept, or the disk refused.",
        "Every path has its full time anew. If it comes again, look at the machine.",
    ),
    "on-test": ("An account was put on test, or its test prolonged: until when, and who at the station knows.", ""),
    "off-test": ("An account's test ended, by itself or before its time.", "Confirm it with the station."),
    "clock-stepped": (
        "This machine's clock jumped against its own even count. No NAK carries its time until somebody has looked.",
        "Compare the clock, mend its synchronisation, then `farend clock confirm`.",
    ),
    "clock-confirmed": ("Somebody has looked at the clock and found it right.", ""),
    "book": (
        "The bench read the account book again; or it could not, and the old one stays.",
        "Read what it says of it.",
    ),
    "journal": (
        "The journal could not write for a time, and writes again.",
        "What came meanwhile got no answer.",
    ),
    "proving": ("Something was said or done in a proving: called, ticked, left out, answered, signed.", ""),
    "invited": ("An engineer opened the installer's page of a proving: a link and a PIN.", "Read the PIN aloud."),
    "withdrawn": ("An engineer took the installer's link of a proving back; whoever came by it is out.", ""),
    "entered": (
        "Somebody opened the installer's page with its PIN.",
        "If it was not the installer, take the link back.",
    ),
    "identified": (
        "A caller was tied to a request: it tripped the picked device when asked to.",
        "Assign it a number.",
    ),
    "assigned": ("A request became an account of the book.", "Tell the installer the number; then prove the account."),
    "key-shown": ("Somebody had a key shown again, and why.", "If nobody should have, give the panel a new key."),
    "handled": ("Somebody has handled refused alarms: which rows, and what was done.", ""),
    "shift-note": ("Something that one engineer wants the others to know.", ""),
    "hand-over": ("An engineer hands the shift over, with what the next must know.", "Read it, and take it over."),
    "taken-over": ("Somebody has taken over what was handed over.", ""),
}


def _entries() -> Iterator[Entry]:
    def table(kind: str, rows: Table) -> Iterator[Entry]:
        return (Entry(word, kind, *told) for word, told in rows.items())

    yield from table("word", WORDS)
    yield from (Entry(word, "verdict", _sentence(means), TO_DO[word]) for word, means in VERDICTS.items())
    yield from (Entry(word, "answer", *ANSWERED[word]) for word in ANSWERS)
    notes = {"repeat": "the same message again"} | NOTES
    yield from (Entry(word, "sequence note", _sentence(means), NOTED[word]) for word, means in notes.items())
    yield from table("problem", PROBLEMS)
    yield from table("finding of a proving", FINDINGS)
    yield from (Entry(word, "row of a sheet", _sentence(means), TO_PROVE[word]) for word, means in STATES.items())
    yield from table("judgement", JUDGED)
    yield from table("event", EVENTS)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


ENTRIES = tuple(_entries())
KINDS = tuple(dict.fromkeys(entry.kind for entry in ENTRIES))


def of(word: str) -> list[Entry]:
    """What a word means, in each of its kinds; none where nobody says it."""
    return [entry for entry in ENTRIES if entry.word == word]
