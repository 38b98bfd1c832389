"""`farend send`: be a panel for one message."""

import ssl
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer

from protocols import two_letter
from protocols.contact_id import read as contact_id_payload
from protocols.dc09 import decode
from protocols.envelope import Reader
from protocols.exchange import Heard, Panel
from receiver.wire import Kind, Wire
from tools.common import OUT, TALK, check_trust, key_from, kind_of, print_json, shown_by, stop, target, within
from tools.counter import next_sequence

MOST_TIMEOUT = 3600.0  # seconds
CODES = {"ACK": 0, "NAK": 3, "DUH": 4, "none": 5, "foreign": 6}
WORDS = {
    "ACK": "ACK: received without error",
    "NAK": "NAK: the stamp is outside the receiver's window",
    "DUH": "DUH: it arrived right, but the receiver cannot process it",
    "none": "no answer",
    "foreign": "an answer that does not belong to the message",
}


def send(
    receiver_at: Annotated[str, typer.Argument(metavar="HOST:PORT", help="The receiver.")],
    account: Annotated[str, typer.Option(metavar="N", help="Account number, 3 to 16 hex digits.")],
    contact_id: Annotated[str | None, typer.Option(metavar='"1131 01 015"', help="A Contact ID message.")] = None,
    sia: Annotated[str | None, typer.Option(metavar='"Nri1/BA15"', help="A message in two-letter codes.")] = None,
    poll: Annotated[bool, typer.Option("--poll", help="A poll: NULL with sequence 0000.")] = False,
    udp: Annotated[bool, typer.Option("--udp", help="Over UDP.")] = False,
    tls: Annotated[bool, typer.Option("--tls", help="Over TLS.")] = False,
    trust: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Check the receiver's certificate against this PEM.")
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Over TLS, the panel's own certificate, for who asks for one.")
    ] = None,
    private_key: Annotated[Path | None, typer.Option(metavar="FILE", help="And its private key.")] = None,
    key: Annotated[str | None, typer.Option(metavar="HEX|@FILE|env:NAME", help="Encrypt with this AES key.")] = None,
    sequence: Annotated[
        int | None, typer.Option(min=0, max=9999, help="Sequence number; by default the one after the last.")
    ] = None,
    receiver: Annotated[str | None, typer.Option(metavar="HEX", help="Receiver number R.")] = None,
    prefix: Annotated[str, typer.Option(metavar="HEX", help="Account prefix L.")] = "0",
    extended: Annotated[
        list[str] | None, typer.Option(metavar="V=TEXT", help="Extended data: a capital letter and its value.")
    ] = None,
    stamp: Annotated[str, typer.Option(metavar="now|none|ISO", help="The time in the message, UTC.")] = "now",
    timeout: Annotated[float, typer.Option(min=0.01, help="Seconds to wait for an answer, each try.")] = 20.0,
    retries: Annotated[int, typer.Option(min=0, help="How often to send again when no answer comes.")] = 2,
    target_is_mine: Annotated[
        str | None, typer.Option(metavar="HOST", help="Say the target's host again: needed off this machine.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object on stdout.")] = False,
) -> None:
    """Be a panel for one message, and judge the answer.

    Exit code: 0 ACK · 3 NAK · 4 DUH · 5 no answer · 6 an answer that does not belong to the message.

    Example: farend send 127.0.0.1:12009 --account 4471 --contact-id "1131 01 015" --sequence 12
    """
    if [contact_id is not None, sia is not None, poll].count(True) != 1:
        stop("say one of --contact-id, --sia and --poll")
    kind = kind_of(udp, tls)
    check_trust(trust, kind == "tls")
    shown = shown_by(certificate, private_key, kind == "tls")
    within(timeout, "--timeout", 0.01, MOST_TIMEOUT)
    secret = key_from(key)
    now = datetime.now(UTC)
    error = timedelta(0)
    if stamp not in ("now", "none"):
        try:
            moment = datetime.fromisoformat(stamp)
        except ValueError:
            stop(f"--stamp {stamp!r} is none of now, none and a time such as 2026-11-25T12:34:56Z")
        error = (moment if moment.tzinfo else moment.replace(tzinfo=UTC)) - now
    if stamp == "none" and secret:
        TALK.print("an encrypted frame must carry a stamp (DC-09, 5.5.2.1); sent without one all the same")
    fields = [entry.partition("=")[::2] for entry in extended or ()]
    if any(len(letter) != 1 for letter, _ in fields):
        stop("--extended is a capital letter, = and the value, such as V=https://…")
    panel = Panel(
        account,
        receiver=receiver,
        prefix=prefix,
        key=secret,
        sequence=_number(sequence, receiver_at, account, poll),
        tries=retries + 1,
        stamped=stamp != "none",
        clock_error=error,
    )
    try:
        if poll:
            frame = panel.poll(now)
        elif contact_id is not None:
            frame = panel.say("ADM-CID", contact_id, now, fields)
        else:
            frame = panel.say("SIA-DCS", sia or "", now, fields)
    except ValueError as problem:
        stop(str(problem))
    for payload in filter(None, (contact_id and contact_id_payload(contact_id), sia and two_letter.read(sia))):
        for fault in payload.problems:
            TALK.print(f"{fault.rule}: {fault.detail}; sent all the same", markup=False)
    host, port = target(receiver_at, target_is_mine)
    heard, delay, why = _exchange(panel, frame, host, port, kind, timeout, trust, shown)
    word = heard.word if heard else "none"
    why = why or (heard.why if heard else "")
    if as_json:
        print_json(
            {
                "word": word,
                "why": why or None,
                "tries": panel.tried,
                "delay_ms": None if heard is None else round(delay * 1000, 3),
                "sent": decode(panel.sent or frame, secret).to_json(),
                "answer": heard.frame.to_json() if heard else None,
            }
        )
    else:
        _say(panel, word, why, heard, delay, now)
    raise typer.Exit(CODES[word])


def _number(given: int | None, receiver: str, account: str, poll: bool) -> int:
    return given if given is not None else 0 if poll else next_sequence(receiver, account)


def _exchange(
    panel: Panel,
    frame: bytes,
    host: str,
    port: int,
    kind: Kind,
    timeout: float,
    trust: Path | None,
    shown: tuple[Path, Path] | None,
) -> tuple[Heard | None, float, str]:
    """Send, wait, send again. The last thing heard, after how long, and why nothing was, if nothing was."""
    waiting: bytes | None = frame
    heard: Heard | None = None
    why, delay = "", 0.0
    wire: Wire | None = None
    while waiting is not None:
        begun = time.monotonic()
        reader = Reader()
        try:
            wire = wire or Wire(host, port, kind, timeout, trust, shown)
            wire.send(waiting)
            while (left := timeout - (time.monotonic() - begun)) > 0:
                pieces = reader.feed(wire.receive(left)) + (reader.close() if kind == "udp" else [])
                for piece in pieces:
                    delay = time.monotonic() - begun
                    heard = panel.heard(piece.data, datetime.now(UTC))[-1]
                    if heard.word != "foreign":
                        wire.close()
                        return heard, delay, ""
            why = f"nothing came within {timeout:g} s"
        except TimeoutError:
            why = f"nothing came within {timeout:g} s"
        except ssl.SSLCertVerificationError as error:  # another try would see the same
            return None, 0.0, f"its certificate is not trusted: {error.verify_message}"
        except (OSError, EOFError) as error:
            why = str(getattr(error, "strerror", None) or error)
            if wire:
                wire.close()
            wire = None
            if panel.tried < panel.tries:
                time.sleep(min(1.0, timeout))
        for piece in reader.close():
            heard = panel.heard(piece.data, datetime.now(UTC))[-1]
        waiting = panel.again(datetime.now(UTC))
        if waiting is not None:
            TALK.print(f"no answer ({why}); try {panel.tried} of {panel.tries}", markup=False)
    if wire:
        wire.close()
    return heard, delay, "" if heard else why


def _say(panel: Panel, word: str, why: str, heard: Heard | None, delay: float, now: datetime) -> None:
    tries = f" after {panel.tried} tries" if panel.tried > 1 else ""
    OUT.print(
        f"{WORDS[word]}{f', {delay * 1000:.1f} ms' if heard else ''}{tries}{f' ({why})' if why else ''}", markup=False
    )
    if heard and word == "NAK" and heard.frame.stamp:
        off = round((heard.frame.stamp - now).total_seconds())
        side = "ahead of" if off > 0 else "behind"
        OUT.print(f"its clock says {heard.frame.stamp:%H:%M:%S, %d %B %Y} UTC, {abs(off)} s {side} ours")
