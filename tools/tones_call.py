"""`farend tones call`: be the panel in a call over RTP."""

import os
import socket
import time
from typing import Annotated

import typer

from protocols.phone import rtp
from protocols.phone.ear import RATE
from protocols.phone.roles import Calling, Delivery
from protocols.phone.sound import Flaws
from protocols.phone.tones import TRIES, key_of
from tools.common import CAUTION, OUT, TALK, print_json, stop, target
from tools.tones_words import (
    Account,
    Book,
    ContactId,
    Digits,
    Frequency,
    Level,
    Off,
    On,
    Say,
    Twist,
    check_flaws,
    messages_from,
)

PACKET_SECONDS = rtp.PACKET_SAMPLES / RATE


def call(
    gateway: Annotated[str, typer.Argument(metavar="rtp://HOST:PORT", help="Where the receiver's line listens.")],
    account: Account = None,
    contact_id: ContactId = None,
    digits: Digits = None,
    book: Book = None,
    say: Say = None,
    target_is_mine: Annotated[
        str | None, typer.Option(metavar="HOST", help="The host again, where it is not this machine.")
    ] = None,
    events: Annotated[
        bool, typer.Option("--events", help="Say the digits in words (RFC 4733), not as sound, as many gateways do.")
    ] = False,
    a_law: Annotated[bool, typer.Option("--a-law", help="G.711 A-law instead of µ-law.")] = False,
    tries: Annotated[int, typer.Option(min=1, max=20, help="How often a message is sent without a kiss-off.")] = TRIES,
    level: Level = -10.0,
    twist: Twist = 0.0,
    frequency: Frequency = 0.0,
    on: On = 55.0,
    off: Off = 55.0,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a message on stdout.")] = False,
) -> None:
    """Be the panel in a telephone call: wait for the handshake, send the digits, again until the kiss-off comes.

    Exit code 0 when every message was kissed off, 5 when not.

    Example: farend tones call rtp://127.0.0.1:5004 --account 4471 --contact-id "1131 01 015"
    """
    messages = messages_from(account, contact_id, digits, book, say)
    if not gateway.startswith("rtp://"):
        stop(f"{gateway!r} is not rtp://HOST:PORT")
    address = target(gateway.removeprefix("rtp://"), target_is_mine)
    TALK.print(CAUTION, style="italic", soft_wrap=True)
    flaws = Flaws(level, twist, frequency, on, off)
    check_flaws(flaws)
    panel = Calling(messages, flaws, tries=tries)
    try:
        _talk(panel, address, rtp.PCMA if a_law else rtp.PCMU, events)
    except KeyboardInterrupt:
        stop("hung up", 130)
    except OSError as error:
        stop(f"{gateway}: {error.strerror}")
    if panel.handshake is None:
        TALK.print("no handshake came: is a `farend listen --phone rtp://…` there?")
    for delivery in panel.deliveries:
        if as_json:
            print_json(
                {
                    "digits": delivery.digits, "tries": delivery.tries, "kissed_off": delivery.kissed,
                    "waited_seconds": _rounded(delivery.waited), "kiss_off_seconds": _rounded(delivery.kiss_seconds),
                }
            )  # fmt: skip
        else:
            OUT.print(_in_words(delivery), markup=False)
    raise typer.Exit(0 if panel.delivered else 5)


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 3)


def _in_words(one: Delivery) -> str:
    tries = f"{one.tries} {'try' if one.tries == 1 else 'tries'}"
    if one.kissed:
        return f"{one.digits}: kissed off after {one.waited:.2f} s, for {one.kiss_seconds:.2f} s; {tries}"
    return f"{one.digits}: no kiss-off; {tries}"


def _talk(panel: Calling, address: tuple[str, int], kind: int, events: bool) -> None:
    """Both directions, a packet every 20 ms, until the panel hangs up."""
    family = socket.AF_INET6 if ":" in address[0] else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as line:
        line.connect(address)
        source = int.from_bytes(os.urandom(4), "big")
        stream = rtp.Stream()
        words = _Words(panel) if events else None
        begun, sent, sequence = time.monotonic(), 0, 0
        while not panel.over:
            wait = begun + sent * PACKET_SECONDS - time.monotonic()
            if wait > 0:
                line.settimeout(wait)
                try:
                    packet = rtp.read(line.recv(2048))
                except TimeoutError:
                    continue
                except ConnectionRefusedError:
                    stop(f"nobody listens at rtp://{address[0]}:{address[1]}", 5)
                for part in stream.take(packet) if packet else ():
                    if not isinstance(part, rtp.Digit):
                        panel.hear(part)
                continue
            samples = panel.say(rtp.PACKET_SAMPLES)
            payloads = words.instead(sent * rtp.PACKET_SAMPLES) if words else None
            for kind_, stamp, payload in payloads or [(kind, sent * rtp.PACKET_SAMPLES, rtp.encode(samples, kind))]:
                line.send(rtp.write(rtp.Packet(kind_, sequence, stamp, source, payload, sequence == 0)))
                sequence += 1
            sent += 1


class _Words:
    """The digits of a panel in words: while one sounds, packets that say so stand in for its sound."""

    def __init__(self, panel: Calling) -> None:
        self._panel = panel
        self._told: set[tuple[int, int]] = set()

    def instead(self, at: int) -> list[tuple[int, int, bytes]]:
        """What is sent in place of the packet that begins at this sample; empty where no digit sounds."""
        out = []
        for begin, end, digit in self._panel.spoken:
            if (begin, end) not in self._told and begin < at + rtp.PACKET_SAMPLES:
                over = end <= at + rtp.PACKET_SAMPLES
                duration = min(end, at + rtp.PACKET_SAMPLES) - begin
                payload = rtp.write_event(rtp.Event(key_of(digit), over, -10, duration))
                # The last word of a key is said three times, lest it be lost (RFC 4733, 2.5.1.4).
                out += [(rtp.EVENT_TYPE, begin, payload)] * (3 if over else 1)
                if over:
                    self._told.add((begin, end))
        return out
