"""The desk: what becomes of a frame, and what is answered. All policy is in `RULES`; nobody else answers.

A pure function of the frame, the account book, what is remembered of the account, and the time: no socket, file or clock.
"""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Literal, NamedTuple

from protocols.contact_id import read_call
from protocols.dc09 import ACCOUNT, MESSAGES, OLD, REPLIES, KeyFor, bare, decode
from protocols.envelope import Piece, from_printable
from protocols.exchange import Word, in_window
from protocols.seal import Key
from protocols.values import LIFE_SAFETY, Frame, Signal
from receiver.book import Account, Book

REPEAT_SECONDS = 120.0  # near a panel's retry span: three tries some 20 s apart, at each of two receivers
MOST_REMEMBERED = 1000  # messages of one account within that time
MOST_SEALED = 100_000  # sealed contents that are remembered, of all accounts
LOW_SEQUENCE = 100  # a fall back to at most this is a restart; a wrap past 9999 may skip this many and is a gap


@dataclass(frozen=True, slots=True)
class Policy:
    """What the person who runs the bench decides."""

    unknown: Literal["duh", "ack", "silent"] = "duh"
    repeat_seconds: float = REPEAT_SECONDS


class Shown(NamedTuple):
    """The certificate that a panel showed: its fingerprint, and its subject as RFC 4514 writes it. Empty: none."""

    fingerprint: str = ""
    subject: str = ""

    def fits(self, wanted: str) -> bool:
        """Whether it is the one that the book names. Neither is a secret: a panel shows both to whoever asks."""
        return bool(self.fingerprint) and wanted.lower() == f"sha256:{self.fingerprint}"


class Origin(NamedTuple):
    """Where a piece came from: the line, the port it was received on, the peer, and over TLS the certificate it showed.

    None where nobody looked for one: on other lines, and in a recording.
    """

    line: str
    port: int
    host: str
    peer: str
    certificate: Shown | None = None


@dataclass(slots=True)
class Known:
    last: int | None = None
    recent: dict[Any, tuple[float, int | None]] = field(default_factory=dict)  # message → when first, which row


@dataclass(frozen=True, slots=True)
class OnTest:
    """An account's time on test: until when, in which areas (None: in all), and which categories stay live all the same."""

    until: datetime
    areas: frozenset[str] | None = None
    live: frozenset[str] = frozenset()

    def covers(self, signal: Signal) -> bool:
        """Whether a signal belongs to the test. An alarm that names no area is no part of a test of some areas."""
        if signal.category in self.live:
            return False
        if self.areas is None or (signal.area is None and signal.category not in LIFE_SAFETY):
            return True
        return signal.area is not None and bare(signal.area) in self.areas


@dataclass(slots=True)
class Memory:
    """What is remembered between frames: sequences, recent messages, who is on test, and the state of clock and journal."""

    accounts: dict[str, Known] = field(default_factory=dict)  # by an account's mark, like the next
    on_test: dict[str, OnTest] = field(default_factory=dict)
    sealed: dict[bytes, tuple[float, Any]] = field(
        default_factory=dict
    )  # what was sealed, hashed → when first, its head
    journal_failing: bool = False
    clock_doubtful: bool = False

    def of(self, account: Account) -> Known:
        known = self.accounts.get(account.mark)
        if known is None:
            known = self.accounts[account.mark] = Known()
        return known

    def tests(self, account: Account, now: datetime, signals: Sequence[Signal] = ()) -> bool:
        """Whether the account is on test, with all of these signals."""
        test = self.on_test.get(account.mark)
        return test is not None and now < test.until and all(test.covers(signal) for signal in signals)


@dataclass(slots=True)
class Case:
    """All that a rule may look at."""

    frame: Frame
    account: Account | None
    memory: Memory
    policy: Policy
    now: datetime
    first: tuple[float, int | None] | None  # when the same message came first, and in which row
    strange: str | None = None  # what is wrong with the certificate of its connection

    @property
    def key(self) -> Key | None:
        return self.account.key if self.account else None

    @property
    def out_of_date(self) -> bool:
        """Whether the key before the account's own opened it, and its time is over."""
        account, key = self.account, self.frame.key
        if account is None or key is None or key is account.key or key is not account.old_key:
            return False
        return account.old_key_until is None or self.now >= account.old_key_until

    @property
    def stale(self) -> bool:
        return self.frame.stamp is None or not in_window(self.frame.stamp, self.now)


class Rule(NamedTuple):
    """One row of the table: when it fits, this is the verdict and the answer."""

    verdict: str
    reply: Word | Callable[[Case], Word]
    fits: Callable[[Case], bool]


def _to_unknown(case: Case) -> Word:
    # An ACK in clear is no answer to an encrypted message, and there is no key for another; nor can one echo an account
    # that the message does not give.
    nameable = ACCOUNT.fullmatch(case.frame.account or "")
    if case.policy.unknown == "ack" and nameable and not case.frame.encrypted:
        return "ACK"
    return "none" if case.policy.unknown == "silent" else "DUH"


def _to_stale(case: Case) -> Word:
    # A NAK sets the panel's clock. One from a clock that jumped would teach every panel a wrong time.
    return "none" if case.memory.clock_doubtful else "NAK"


def _unreadable(case: Case) -> bool:
    if case.frame.call is not None:  # a wrong digit may be the one of the account or of the zone
        return case.frame.has("bad-checksum", "digit-count")
    return case.frame.token is None or case.frame.has("crc-mismatch", "length-mismatch", "bad-envelope")


def _held_back(case: Case) -> bool:
    account = case.account
    return (
        account is not None
        and account.answer == "on-test"
        and not case.memory.tests(account, case.now, case.frame.signals)
    )


def _must_encrypt(case: Case) -> bool:
    # A telephone call cannot be sealed: the account's key is for its other paths.
    return case.key is not None and not case.frame.encrypted and case.frame.call is None


# Tried from the top; the first that fits decides.
RULES = (
    Rule("noise", "none", lambda case: case.frame.kind not in ("frame", "call")),
    Rule("unreadable", "none", _unreadable),
    Rule("not-kept", "none", lambda case: case.memory.journal_failing),
    # An answer to an answer could go back and forth for ever between two receivers, by one forged datagram.
    Rule("unsupported", "none", lambda case: case.frame.token in REPLIES),
    Rule("unknown-account", _to_unknown, lambda case: case.account is None),
    Rule("held-back", "none", _held_back),
    Rule("wrong-certificate", "DUH", lambda case: case.strange is not None),
    Rule("undecryptable", "DUH", lambda case: case.frame.has("no-key", "decrypt-failed") or case.out_of_date),
    Rule("must-encrypt", "DUH", _must_encrypt),
    Rule("stale-clock", _to_stale, lambda case: case.frame.encrypted and case.stale),
    Rule("undecryptable", "DUH", lambda case: case.frame.encrypted and case.frame.has("account-differs")),
    Rule("unsupported", "DUH", lambda case: case.frame.token not in MESSAGES or case.frame.has("bad-payload")),
    Rule("poll", "ACK", lambda case: case.frame.token == "NULL"),
    Rule("repeat", "ACK", lambda case: case.first is not None),
    Rule("accepted", "ACK", lambda case: True),
)


Mode = Literal["bench", "mirror"]  # mirror: beside a live receiver, on a copy of what it hears; it answers nobody


@dataclass(slots=True)
class Decision:
    """What was decided. `forget` takes back what the desk remembered of it, newest decision first."""

    frame: Frame
    account: Account | None
    verdict: str
    reply: Word
    sequence_note: str | None = None
    repeat_of: int | None = None
    refused_alarm: bool = False
    warning: str | None = None
    mode: Mode = "bench"  # of the bench that decided
    forget: Callable[[], None] = lambda: None
    numbered: Callable[[int], None] = lambda _: None  # the row has another number than was thought

    def mirrored(self) -> None:
        """Beside a live receiver nothing is answered, and so nothing ends here; what would be refused is still told."""
        self.mode, self.reply = "mirror", "none"
        if not self.refused_alarm:
            self.warning = None

    def not_kept(self) -> None:
        """The journal could not take it after all: it was never here, and gets no answer."""
        self.forget()
        self.verdict, self.reply = "not-kept", "none"
        self.sequence_note, self.repeat_of = None, None
        self.refused_alarm, self.warning = _loud(self, on_test=False)


def judge(
    piece: Piece | Frame,
    book: Book,
    memory: Memory,
    origin: Origin,
    now: datetime,
    tick: float,
    *,
    row: int | None = None,
    policy: Policy = Policy(),
) -> Decision:
    """Decode and decide; a message of a telephone call comes decoded.

    `now` is UTC, for stamps; `tick` counts seconds evenly, for repeats; `row` is the number that the journal will give it.
    What an accepted message changes is noted in `memory`, and `Decision.forget` undoes it.
    """
    frame = piece if isinstance(piece, Frame) else decode(piece, book.keys_for)
    account = book.find(frame.receiver, frame.prefix, frame.account)
    message = first = known = None
    if account:
        known = memory.of(account)
    if known and frame.data is not None:
        message = message_of(frame)
        first = known.recent.get(message)
        if first is not None and tick - first[0] > policy.repeat_seconds:
            first = None
    case = Case(frame, account, memory, policy, now, first, _strange(account, origin))
    for verdict, reply, fits in RULES:  # noqa: B007 - the last one always fits
        if fits(case):
            break
    if account and (what := replayed(frame, account, memory, tick, policy)):
        frame.problem("replayed", what)
    if case.out_of_date and account and account.old_key_until:
        frame.problem("old-key", f"the account's old key opened it, which was good until {account.old_key_until}")
    elif account and account.old_key and frame.key is account.old_key:
        frame.notes.append(f"opened by the account's old key, which is good until {account.old_key_until}")
    if callable(reply):
        reply = reply(case)
    if frame.call is not None and reply != "ACK":
        reply = "none"  # on the telephone there is a kiss-off or none
    decision = Decision(frame, account, verdict, reply)
    if verdict == "wrong-certificate" and case.strange:
        frame.problem("wrong-certificate", case.strange)
    if frame.stamp and not in_window(frame.stamp, now):
        off = (frame.stamp - now).total_seconds()
        side = "ahead of" if off > 0 else "behind"
        frame.problem(
            "bad-stamp", f"the stamp is {_apart(off)} {side} the bench's clock; 20 s ahead or 40 s behind may pass"
        )
    if frame.occurred and now - frame.occurred > OLD:
        frame.from_memory()
    if verdict == "accepted" and known:
        _remember(decision, message, known, tick, row, policy)
    elif verdict == "repeat" and first:
        decision.sequence_note, decision.repeat_of = "repeat", first[1]
    decision.refused_alarm, decision.warning = _loud(
        decision, account is not None and memory.tests(account, now, frame.signals)
    )
    return decision


def _strange(account: Account | None, origin: Origin) -> str | None:
    """What keeps a connection from being that of an account which shows a certificate; None where nothing does.

    A recording does not say what was shown, and nobody shows anything in a telephone call.
    """
    if account is None or account.certificate is None:
        return None
    shown = origin.certificate
    if shown is None:
        plain = account.only_tls and origin.line in ("tcp", "udp")
        return f"it came over {origin.line}, and the book lets this account come over TLS alone" if plain else None
    if any(shown.fits(one) for one in account.certificate.split()):
        return None
    if not shown.fingerprint:
        return "the connection showed no certificate, and the book names one for this account"
    return f"the connection showed sha256:{shown.fingerprint} ({shown.subject}), and the book names another"


def message_of(frame: Frame) -> Any:
    """What makes two messages of an account the same: token, sequence, opened data; not stamp, line or extended data.

    A call has no sequence numbers: there it is the call, which of its messages, and the digits.
    """
    if frame.call is not None:
        return frame.token, frame.call["id"], frame.call["message"], frame.data
    return frame.token, frame.sequence_sent, bare(frame.account_inside or frame.account or "0"), frame.data


def key_of(decision: Decision) -> bytes:
    """What tells a signal from all others, the same in every bench that the message reaches."""
    mark = decision.account.mark if decision.account else ""
    return hashlib.sha256(repr((mark, message_of(decision.frame))).encode()).digest()


def replayed(frame: Frame, account: Account, memory: Memory, tick: float, policy: Policy) -> str | None:
    """What shows that somebody sends a recorded content again; None where nothing does, and it is remembered.

    Only what opened is looked at. A panel seals each message anew: stamp and padding are others. Within the time of a repeat
    the same bytes under the same head are the network's repeat, or the retry of a panel that keeps its bytes.
    """
    if frame.key is None:
        return None
    content = frame.raw[:-1].partition(b"[")[2].upper()
    mark, head = hashlib.blake2b(content, digest_size=16).digest(), (frame.token, frame.sequence_sent, account.mark)
    known = memory.sealed.get(mark)
    if known is None:
        memory.sealed[mark] = tick, head
        while len(memory.sealed) > MOST_SEALED:
            memory.sealed.pop(next(iter(memory.sealed)))
        return None
    first, before = known
    if before != head:
        return f"the same sealed bytes came {tick - first:.0f} s ago, as {before[0]} {before[1]} of account {before[2]}"
    if tick - first > policy.repeat_seconds:
        return f"the same sealed bytes came {tick - first:.0f} s ago, and no repeat comes so late"
    return None


def _remember(decision: Decision, message: Any, known: Known, tick: float, row: int | None, policy: Policy) -> None:
    frame, before = decision.frame, known.last
    replaced = known.recent.pop(message, None)
    decision.sequence_note = sequence_note(frame, known)
    known.recent[message] = (tick, row)
    if frame.sequence:
        known.last = frame.sequence
    while len(known.recent) > MOST_REMEMBERED or tick - next(iter(known.recent.values()))[0] > policy.repeat_seconds:
        known.recent.pop(next(iter(known.recent)))

    def forget() -> None:
        known.last = before
        known.recent.pop(message, None)
        if replaced:
            known.recent[message] = replaced

    def numbered(number: int) -> None:
        if message in known.recent:
            known.recent[message] = (tick, number)

    decision.forget, decision.numbered = forget, numbered


def sequence_note(frame: Frame, known: Known) -> str | None:
    """How a number follows the account's last one: in order (None), `reused`, `gap` or `restart`. Never an error."""
    last, now = known.last, frame.sequence
    if last is None or not now:
        return None
    ahead = (now - last) % 9999
    if ahead == 1:
        return None
    if ahead == 0 or any(sequence == frame.sequence_sent for _, sequence, *_ in known.recent):
        return "reused"
    if now < last and now <= LOW_SEQUENCE and ahead > LOW_SEQUENCE:
        return "restart"
    return "gap"


def _loud(decision: Decision, on_test: bool) -> tuple[bool, str | None]:
    if not decision.frame.life_safety:
        return False, None
    if decision.reply != "ACK":
        return True, "an alarm that can be read was not accepted: is this real?"
    if not on_test and decision.verdict in ("accepted", "unknown-account"):
        return False, "answered here and nowhere else: is this real?"
    return False, None


def _apart(seconds: float) -> str:
    size = round(abs(seconds))
    return f"{size} s" if size < 600 else str(timedelta(seconds=size))


def entry(decision: Decision, at: datetime, origin: Origin) -> dict[str, Any]:
    """The object that `listen --json` prints and the journal keeps."""
    found = decision.frame.to_json()
    found["at"] = millis(at)
    names(found, decision.frame, decision.account, origin)
    found |= {"line": origin.line, "peer": origin.peer, "mode": decision.mode, "row": None}
    found |= verdict_words(decision)
    return found


def reread(entry: Mapping[str, Any], keys: Key | Sequence[Key] | KeyFor | None = None) -> Frame:
    """What an entry of the journal was made from, decoded again."""
    if call := entry.get("call"):
        frame = read_call(entry["raw"])
        frame.call = call
        return frame
    return decode(from_printable(entry["raw"]), keys)


def millis(at: datetime) -> str:
    """A UTC time as the journal writes it: ISO 8601 with milliseconds and Z."""
    return f"{at.isoformat(timespec='milliseconds')[:23]}Z"


_NOBODY = {"account_name": None, "account_mark": None}


def names(found: dict[str, Any], frame: Frame, account: Account | None, origin: Origin) -> None:
    """Put into a frame's JSON what the account book calls things; null where it does not know them."""
    path = account.path_of(origin.line, origin.port, frame.prefix, origin.host) if account else None
    known = {"account_name": account.name, "account_mark": account.mark} if account else _NOBODY
    found |= {**known, "path": path}
    for shown, signal in zip(found["signals"], frame.signals, strict=True):
        shown |= account.names_for(signal) if account else {"area_name": None, "zone_name": None, "user_name": None}
        shown["path"] = path


def verdict_words(decision: Decision) -> dict[str, Any]:
    """The part of an entry that changes when the journal cannot keep it."""
    return {
        "verdict": decision.verdict,
        "reply": decision.reply,
        "sequence_note": decision.sequence_note,
        "repeat_of": decision.repeat_of,
        "refused_alarm": decision.refused_alarm,
        "warning": decision.warning,
    }
