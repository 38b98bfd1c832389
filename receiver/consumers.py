"""The three ways out to another program: JSON Lines over TCP, a webhook, MQTT 5. Blocking, each wait bounded.

A consumer takes messages in order and says how far it has taken them. It knows nothing of the journal, and never tries
again by itself: whoever calls it does, with all that was not confirmed.
"""

import hashlib
import hmac
import http.client
import re
import socket
import ssl
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC
from email.utils import parsedate_to_datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import urlsplit

import orjson
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

MOST_ANSWER = 65536  # bytes of an answer that are read, and of a line
MOST_RETRY_AFTER = 3600.0  # seconds that a webhook may ask us to wait
TIMESTAMP, SIGNATURE, ROWS = "Farend-Timestamp", "Farend-Signature", "Farend-Rows"
PLACES = ("account", "kind", "origin", "mode", "event", "journal")  # what a topic may be made of

Message = dict[str, Any]
Taken = Callable[[int], None]  # told the number of the row up to which all is confirmed


class ConsumerError(Exception):
    """What was sent is not confirmed, and why. `after` is how many seconds the consumer asked us to wait, if it did."""

    def __init__(self, why: str, after: float | None = None) -> None:
        super().__init__(why)
        self.after = after


class Consumer(Protocol):
    """Somebody who takes messages."""

    def hand(self, messages: Sequence[Message], taken: Taken) -> None:
        """Send these, in order, and return once all are confirmed. ConsumerError where they are not."""

    def close(self) -> None:
        """Let go of the connection."""


def verified(trust: Path | None) -> ssl.SSLContext:
    """TLS 1.2 and up whose other side must have a certificate for its host, from the system's authorities or this PEM."""
    return ssl.create_default_context(cafile=trust)


@dataclass(slots=True)
class Lines:
    """JSON Lines over TCP: a message a line; the consumer answers `{"taken": ROW}` with the last row that it has taken."""

    host: str
    port: int
    tls: ssl.SSLContext | None = None
    timeout: float = 30.0
    _socket: socket.socket | None = None
    _pending: bytes = b""

    def hand(self, messages: Sequence[Message], taken: Taken) -> None:
        last, reached = messages[-1]["row"], 0
        try:
            sock = self._socket or self._connect()
            sock.sendall(b"".join(orjson.dumps(message) + b"\n" for message in messages))
            deadline = time.monotonic() + self.timeout
            while reached < last:
                row = self._answer(sock, deadline)
                if row > last:
                    raise ConsumerError(f"it says that it has taken row {row}, and {last} is the last that was sent")
                if row > reached:
                    reached, deadline = row, time.monotonic() + self.timeout
                    taken(row)
        except TimeoutError:
            self.close()
            raise ConsumerError(f"it has not said within {self.timeout:g} s that it has taken row {last}") from None
        except OSError as error:
            self.close()
            raise ConsumerError(_reason(error)) from None
        except ConsumerError:
            self.close()
            raise

    def _connect(self) -> socket.socket:
        sock = socket.create_connection((self.host, self.port), self.timeout)
        try:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            sock = self.tls.wrap_socket(sock, server_hostname=self.host) if self.tls else sock
        except BaseException:
            sock.close()
            raise
        self._socket, self._pending = sock, b""
        return sock

    def _answer(self, sock: socket.socket, deadline: float) -> int:
        while b"\n" not in self._pending:
            sock.settimeout(max(deadline - time.monotonic(), 0.001))
            data = sock.recv(MOST_ANSWER)
            if not data:
                raise ConsumerError("it closed the connection before it had taken everything")
            self._pending += data
            if len(self._pending) > MOST_ANSWER:
                raise ConsumerError("its answer is no line")
        line, _, self._pending = self._pending.partition(b"\n")
        try:
            row = orjson.loads(line)["taken"]
        except (ValueError, TypeError, KeyError):
            row = None
        if type(row) is not int:
            raise ConsumerError(f'its answer is not {{"taken": ROW}}: {line[:80]!r}')
        sock.settimeout(self.timeout)
        return row

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def signed(secret: bytes, timestamp: str, body: bytes) -> str:
    """The signature of a webhook's request: HMAC-SHA256 (RFC 2104) over timestamp, LF and body, in hex."""
    return hmac.new(secret, timestamp.encode() + b"\n" + body, hashlib.sha256).hexdigest()


@dataclass(slots=True)
class Webhook:
    """A POST of one or more messages, signed; a status of 2xx confirms them all. Redirects are not followed."""

    url: str
    secret: bytes
    tls: ssl.SSLContext | None = None
    timeout: float = 30.0
    now: Callable[[], float] = time.time
    _connection: http.client.HTTPConnection | None = None

    def hand(self, messages: Sequence[Message], taken: Taken) -> None:
        body = orjson.dumps({"farend": "hand-on", "version": messages[0]["version"], "messages": messages})
        timestamp, first, last = str(int(self.now())), messages[0]["row"], messages[-1]["row"]
        parts = urlsplit(self.url)
        try:
            if self._connection is None:
                self._connection = self._connect()
            self._connection.request(
                "POST",
                f"{parts.path or '/'}{'?' if parts.query else ''}{parts.query}",
                body,
                {
                    "Content-Type": "application/json",
                    "User-Agent": f"farend/{version('farend')}",
                    TIMESTAMP: timestamp,
                    SIGNATURE: signed(self.secret, timestamp, body),
                    ROWS: f"{first}-{last}",
                },
            )
            answer = self._connection.getresponse()
            answer.read(MOST_ANSWER)
            if not answer.isclosed():  # more than anybody needs to say: it is not read on
                self.close()
        except TimeoutError:
            self.close()
            raise ConsumerError(f"no answer within {self.timeout:g} s") from None
        except OSError as error:
            self.close()
            raise ConsumerError(_reason(error)) from None
        except http.client.HTTPException as error:
            self.close()
            raise ConsumerError(f"its answer is no HTTP: {str(error) or type(error).__name__}") from None
        if not 200 <= answer.status < 300:
            self.close()
            more = "; redirects are not followed" if 300 <= answer.status < 400 else ""
            raise ConsumerError(
                f"it answered {answer.status}{more}", self._retry_after(answer.getheader("Retry-After"))
            )
        taken(last)

    def _connect(self) -> http.client.HTTPConnection:
        parts = urlsplit(self.url)
        if self.tls is None:
            return http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=self.timeout)
        return http.client.HTTPSConnection(parts.hostname or "", parts.port, timeout=self.timeout, context=self.tls)

    def _retry_after(self, said: str | None) -> float | None:
        """Seconds, or a date (RFC 9110 10.2.3); what is neither counts for nothing."""
        if said is None:
            return None
        if re.fullmatch(r"\d{1,9}", said.strip()):
            seconds = float(said)
        else:
            try:
                at = parsedate_to_datetime(said)
            except ValueError:
                return None
            seconds = (at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp() - self.now()
        return min(max(seconds, 0.0), MOST_RETRY_AFTER)

    def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None


def topic_of(template: str, message: Message) -> str:
    """Where a message is published: nothing of it can add a level or a wildcard to the topic."""
    values = {name: re.sub(r"[^0-9A-Za-z_.-]", "_", str(message.get(name) or "-"))[:64] for name in PLACES}
    return re.sub(r"\{(\w+)\}", lambda found: values[found[1]], template)


def wrong_with_topic(template: str) -> str | None:
    """What is wrong with a template of topics."""
    strange = [name for name in re.findall(r"\{(.*?)\}", template) if name not in PLACES]
    if strange:
        return f"{{{strange[0]}}} is none of {', '.join(f'{{{name}}}' for name in PLACES)}"
    if not template or set("+#\0{}") & set(re.sub(r"\{\w+\}", "", template)):
        return "a topic is not empty and has no + and no #"
    if template.startswith("$") or len(template.encode()) > 1000:
        return "a topic does not begin with $ and has 1,000 bytes at most"
    return None


@dataclass(slots=True)
class Mqtt:
    """MQTT 5 with QoS 1: a message is confirmed by its PUBACK. A new client for each connection.

    The client's own memory of what is in flight would send again what the journal sends again, too.
    """

    host: str
    port: int
    topic: str
    client_id: str
    user: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None
    timeout: float = 30.0
    expiry: int | None = None  # seconds that the broker keeps a message for who is not there
    _client: mqtt.Client | None = None
    _news: threading.Condition = field(default_factory=threading.Condition)
    _acked: dict[int, str | None] = field(default_factory=dict)  # by packet: None, or why it was refused
    _up: bool = False
    _lost: str | None = None

    def hand(self, messages: Sequence[Message], taken: Taken) -> None:
        try:
            client = self._client or self._connect()
            for message in messages:  # one that is refused must not be passed by the next
                info = client.publish(
                    topic_of(self.topic, message), orjson.dumps(message), qos=1, properties=self._properties(message)
                )
                if info.rc != mqtt.MQTT_ERR_SUCCESS:
                    raise ConsumerError(self._lost or mqtt.error_string(info.rc))
                if refusal := self._acknowledged(info.mid, message["row"]):
                    raise ConsumerError(f"the broker refused row {message['row']}: {refusal}")
                taken(message["row"])
        except (OSError, ValueError) as error:
            self.close()
            raise ConsumerError(_reason(error)) from None
        except ConsumerError:
            self.close()
            raise

    def _properties(self, message: Message) -> Properties:
        found = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        found.ContentType, found.PayloadFormatIndicator = "application/json", 1
        if self.expiry is not None:
            found.MessageExpiryInterval = self.expiry
        found.UserProperty = [(name, str(message[name])) for name in ("row", "kind", "origin", "mode")]
        return found

    def _connect(self) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            self.client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
            reconnect_on_failure=False,
        )
        if self.user is not None:
            client.username_pw_set(self.user, self.password)
        if self.tls is not None:
            client.tls_set_context(self.tls)
        self._acked, self._up, self._lost = {}, False, None
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_publish = self._published
        client.connect_timeout = self.timeout
        self._client = client
        client.connect(self.host, self.port, clean_start=True)
        client.loop_start()
        self._wait(lambda: self._up, "the broker does not answer")
        return client

    def _connected(self, client: Any, _user: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        with self._news:
            if client is self._client:
                self._up = not reason.is_failure
                self._lost = f"the broker refused us: {reason}" if reason.is_failure else None
                self._news.notify_all()

    def _disconnected(self, client: Any, _user: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        with self._news:
            if client is self._client:
                self._lost = self._lost or f"the broker is gone: {reason}"
                self._news.notify_all()

    def _published(self, client: Any, _user: Any, packet: int, reason: Any, _properties: Any) -> None:
        with self._news:
            if client is self._client:
                self._acked[packet] = str(reason) if reason.is_failure else None
                self._news.notify_all()

    def _acknowledged(self, packet: int, row: int) -> str | None:
        self._wait(lambda: packet in self._acked, f"no PUBACK for row {row}")
        return self._acked.pop(packet)

    def _wait(self, there: Callable[[], bool], what: str) -> None:
        with self._news:
            self._news.wait_for(lambda: there() or self._lost is not None, self.timeout)
            if there():
                return
            raise ConsumerError(self._lost or f"{what} within {self.timeout:g} s")

    def close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            with suppress(OSError, ValueError):
                client.disconnect()
            client.loop_stop()


def _reason(error: Exception) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate cannot be trusted: {error.verify_message}"
    return (getattr(error, "strerror", None) or str(error) or type(error).__name__).lower()
