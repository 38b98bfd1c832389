"""Handing on: at least once, in order, from where it stopped; whatever is killed, and however slow the consumer is."""

import contextlib
import json
import os
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
import typer
from conftest import HOST, SECONDS, Farend, Listening, ack, alarm, clean_environment, command, exchange
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from receiver import consumers, glossary, hand_on
from receiver.consumers import ConsumerError, Lines, Mqtt, Webhook, signed, topic_of, wrong_with_topic
from receiver.hand_on import HandOn, Place, PlaceError, held, place_file, read
from receiver.journal import Row, Store
from receiver.leaving import PEOPLES, Leaving
from tools.hand_on import settings_of

ROOT = Path(__file__).parents[1]
AT = "2026-11-25T12:00:00.000Z"
UNTIL = "2026-11-25T14:00:00.000Z"
ROWS = 240
SECRET = b"an invented secret"


def entry(number: int, **more: Any) -> dict[str, Any]:
    """An accepted burglary alarm of 4471 as the journal has it, or whatever it is made to be."""
    said = {"code_set": "contact-id", "code": "131", "qualifier": "new", "meaning": "Perimeter burglary alarm"}
    said |= {"category": "burglary", "area": "01", "zone": "015", "user": None, "text": None, "number": "015"}
    least = {
        "at": AT,
        "row": number,
        "account": "4471",
        "account_mark": "4471",
        "account_name": "Tern Point",
        "line": "tcp",
    }
    frame = {"verdict": "accepted", "reply": "ACK", "signals": [said], "refused_alarm": False, "repeat_of": None}
    return least | {"peer": "192.0.2.7:40000"} | frame | more


def event(number: int, kind: str, **more: Any) -> dict[str, Any]:
    return {"at": AT, "row": number, "event": kind, "detail": "…"} | more


def row(found: dict[str, Any]) -> Row:
    return Row(found["row"], found["at"], found.get("account"), found.get("verdict"), json.dumps(found).encode())


def written(path: Path, entries: Sequence[dict[str, Any]]) -> Path:
    store = Store(path, write=True)
    store.append([row(one) for one in entries])
    store.close()
    return path


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """A journal of alarms of three accounts, by turns."""
    turns = [
        entry(number, account=f"447{number % 3}", account_mark=f"447{number % 3}") for number in range(1, ROWS + 1)
    ]
    return written(tmp_path / "station.journal", turns)


# Three kinds of consumers, each of which can be killed and started again at the same port


class Heard:
    """What a consumer has heard, whoever it was at the time; `at` does something once, when a row is first heard."""

    def __init__(self) -> None:
        self.messages: list[dict[str, Any]] = []
        self.at: dict[int, Callable[[], None]] = {}
        self.news = threading.Condition()

    def hear(self, message: dict[str, Any]) -> None:
        with self.news:
            self.messages.append(message)
            self.news.notify_all()
        for first in [one for one in self.at if message["row"] >= one]:
            self.at.pop(first)()

    def until(self, last: int) -> None:
        with self.news:
            assert self.news.wait_for(lambda: any(one["row"] == last for one in self.messages), 4 * SECONDS), (
                f"row {last} did not come; the last is {self.messages[-1:]}"
            )


class Killed(Exception):
    """The consumer died before it confirmed."""


class TcpConsumer:
    options: tuple[object, ...]

    def __init__(self, heard: Heard, folder: Path) -> None:
        self.heard, self.port = heard, 0
        self.start()

    def start(self) -> None:
        self.server = socket.create_server((HOST, self.port))
        self.port = self.server.getsockname()[1]
        self.options = ("--tcp", f"{HOST}:{self.port}")
        threading.Thread(target=self._serve, args=(self.server,), daemon=True).start()

    def _serve(self, server: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while True:
                peer, _ = server.accept()
                threading.Thread(target=self._talk, args=(peer,), daemon=True).start()

    def _talk(self, peer: socket.socket) -> None:
        with contextlib.suppress(OSError, Killed), peer, peer.makefile("rwb") as stream:
            for line in stream:
                message = json.loads(line)
                self.heard.hear(message)
                stream.write(b'{"taken": %d}\n' % message["row"])
                stream.flush()

    def kill(self) -> None:
        """From within `heard`: the message that is just heard is not confirmed."""
        self.server.shutdown(socket.SHUT_RDWR)
        self.server.close()
        self.start()
        raise Killed


class WebhookConsumer:
    def __init__(self, heard: Heard, folder: Path) -> None:
        self.heard, self.port = heard, 0
        (folder / "secret").write_bytes(SECRET + b"\n")
        self.start()

    def start(self) -> None:
        consumer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                assert self.headers["Farend-Signature"] == signed(SECRET, self.headers["Farend-Timestamp"], body)
                try:
                    for message in json.loads(body)["messages"]:
                        consumer.heard.hear(message)
                except Killed:
                    self.close_connection = True
                    return
                self.send_response(204)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, format: str, *args: Any) -> None:
                pass

        self.server = ThreadingHTTPServer((HOST, self.port), Handler)
        self.port = self.server.server_port
        self.options = ("--webhook", f"http://{HOST}:{self.port}/alarms", "--secret", "@secret")
        threading.Thread(target=self.server.serve_forever, args=(0.01,), daemon=True).start()

    def kill(self) -> None:
        self.server.shutdown()
        self.server.socket.close()
        self.start()
        raise Killed


class MqttConsumer:
    """Debian's mosquitto, and somebody who listens to it."""

    def __init__(self, heard: Heard, folder: Path) -> None:
        self.heard, self.folder = heard, folder
        with socket.create_server((HOST, 0)) as free:
            self.port = free.getsockname()[1]
        self.options = ("--mqtt", f"{HOST}:{self.port}", "--topic", "farend/{account}/{kind}")
        self.topics: set[str] = set()
        self.properties: set[tuple[str, str]] = set()
        (folder / "mosquitto.conf").write_text(f"listener {self.port} {HOST}\nallow_anonymous true\n")
        self.sent_after = threading.Event()
        self.ready = threading.Event()
        self.broker: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        self.broker = subprocess.Popen(
            ["/usr/sbin/mosquitto", "-c", str(self.folder / "mosquitto.conf")], stderr=subprocess.DEVNULL
        )
        self.listener = paho.Client(
            CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5, reconnect_on_failure=False
        )
        self.listener.on_connect = lambda client, *_: client.subscribe("#", qos=1)
        self.listener.on_subscribe = lambda *_: self.ready.set()
        self.listener.on_message = lambda _client, _user, message: self._hear(message)
        deadline = time.monotonic() + SECONDS
        while True:
            try:
                self.listener.connect(HOST, self.port)
                break
            except OSError:
                assert time.monotonic() < deadline, "mosquitto does not listen"
                time.sleep(0.01)
        self.ready.clear()
        self.listener.loop_start()
        assert self.ready.wait(SECONDS)

    def _hear(self, message: Any) -> None:
        if message.topic == "all-before":
            self.sent_after.set()
            return
        self.topics.add(message.topic)
        self.properties |= set(message.properties.UserProperty)
        self.heard.hear(json.loads(message.payload))

    def kill(self) -> None:
        """Broker and listener, once the listener has all that the broker has confirmed: what a broker that dies loses of
        that, no PUBACK can promise.
        """
        assert self.broker is not None
        self.sent_after.clear()
        self.listener.publish("all-before", qos=1)
        assert self.sent_after.wait(SECONDS)
        self.stop()
        self.start()

    def stop(self) -> None:
        assert self.broker is not None
        self.broker.kill()
        self.broker.wait()
        self.listener.loop_stop()


class Running:
    """`farend hand-on` in a process of its own."""

    def __init__(self, *options: object, cwd: Path) -> None:
        self.options, self.cwd, self.errors = options, cwd, (cwd / "hand-on.err").open("ab")
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(
            command("hand-on", *self.options), cwd=self.cwd, env=clean_environment(), stderr=self.errors
        )

    def stop_and_kill(self, how: signal.Signals) -> int:
        self.process.send_signal(how)
        return self.process.wait(SECONDS)

    @property
    def talk(self) -> str:
        return (self.cwd / "hand-on.err").read_text()


@pytest.mark.parametrize("kind", [TcpConsumer, WebhookConsumer, MqttConsumer])
def test_each_kind_resumes_after_a_kill_of_either_side_with_nothing_missing(
    kind: Any, journal: Path, tmp_path: Path
) -> None:
    heard, again = Heard(), threading.Event()
    consumer = kind(heard, tmp_path)
    one = Running(
        "--journal", journal, "--from", "start", "--batch", 10, "--name", "desk", *consumer.options, cwd=tmp_path
    )

    def pause() -> None:
        one.process.send_signal(
            signal.SIGSTOP
        )  # a broker's listener must not be killed before it has what was confirmed
        again.set()

    def kill_the_hander() -> None:
        one.process.kill()
        again.set()

    try:
        heard.at[65] = pause if kind is MqttConsumer else consumer.kill
        if kind is MqttConsumer:
            assert again.wait(4 * SECONDS)
            consumer.kill()
            again.clear()
            heard.at[150] = kill_the_hander
            one.process.send_signal(signal.SIGCONT)
        else:
            heard.at[150] = kill_the_hander
        assert again.wait(4 * SECONDS)
        assert one.process.wait(SECONDS) == -signal.SIGKILL
        assert read(place_file(journal, "desk")).row < 200
        one.start()
        heard.until(ROWS)
        assert one.stop_and_kill(signal.SIGTERM) == 0
    finally:
        one.process.kill()
        one.process.wait()
        if kind is MqttConsumer:
            consumer.stop()
    firsts = list(dict.fromkeys(message["row"] for message in heard.messages))
    assert firsts == list(range(1, ROWS + 1))  # none is missing, and none was first heard before an older one
    alike = {json.dumps(message) for message in heard.messages}
    assert len(alike) == ROWS <= len(heard.messages)  # what came twice said the same under the same number
    assert "waits at row" in one.talk
    assert "takes messages again" in one.talk
    assert read(place_file(journal, "desk")).row == ROWS
    if kind is MqttConsumer:
        assert consumer.topics == {f"farend/447{turn}/signal" for turn in range(3)}
        assert {("origin", "live"), ("mode", "bench"), ("row", "7")} <= consumer.properties
    assert one.errors.close() is None


def test_a_consumer_that_never_reads_costs_the_bench_nothing_and_gets_everything_later(
    listening: Callable[..., Listening], station: Path, tmp_path: Path, farend: Farend
) -> None:
    with socket.create_server((HOST, 0), backlog=1) as deaf:
        consumer = f'[[consumer]]\nname = "deaf"\ntcp = "{HOST}:{deaf.getsockname()[1]}"\nfrom = "start"\n'
        (tmp_path / "consumers.toml").write_text(consumer)
        bench = listening("--book", station, "--journal", "j", "--hand-on", "consumers.toml")
        peer, _ = deaf.accept()  # it has sent the start by now, and waits for ever
        answers = exchange(bench.port(), *(alarm(number) for number in range(1, 101)))
        assert answers == [ack(number) for number in range(1, 101)]
        assert read(tmp_path / "j.hand-on.deaf").row == 0
        opened = list[str]()
        for path in Path(f"/proc/{bench.process.pid}/fd").iterdir():
            with contextlib.suppress(FileNotFoundError):  # closed meanwhile
                opened.append(str(path.readlink()))
        assert not [name for name in opened if "hand-on" in name]  # the bench knows of no consumer
        status = farend("hand-on", "status", "--journal", "j", "--json").objects
        assert [(told["consumer"], told["row"], told["running"]) for told in status] == [("deaf", 0, True)]
        assert status[0]["behind_rows"] == 101
        with peer, peer.makefile("rwb") as stream:
            for line in stream:
                taken = json.loads(line)["row"]
                stream.write(b'{"taken": %d}\n' % taken)
                stream.flush()
                if taken == 101:
                    break
            assert bench.end() == 0  # and the other process with it
    assert read(tmp_path / "j.hand-on.deaf").row == 101


# What leaves, and where it comes from


def leaving(*entries: dict[str, Any], held: Sequence[str] = (), kinds: Sequence[str] = ()) -> list[tuple[int, str]]:
    fold = Leaving(held=frozenset(held), **({"kinds": frozenset(kinds)} if kinds else {}))
    told = [fold.take(row(one)) for one in entries]
    return [(one["row"], one["origin"]) for one in told if one is not None]


MARK = {"account": "4471", "account_mark": "4471"}
PROVING = (
    event(1, "start"),
    entry(2),
    event(3, "on-test", until=UNTIL, reference="T-1", areas=["1"], live=["fire"], **MARK),
    entry(4),
    event(5, "proving", act="start", proving="p", **MARK),
    entry(6),
    entry(7, verdict="repeat", repeat_of=6),
    entry(8, signals=[entry(8)["signals"][0] | {"area": "02"}]),  # not on test: the rest of the house is live
    entry(9, signals=[entry(9)["signals"][0] | {"category": "fire"}]),
    event(10, "path-overdue", **MARK),
    entry(11, account="8C20", account_mark="8C20"),
    event(12, "proving", act="sign", proving="p", provisional=False, **MARK),
    entry(13),
    entry(14, verdict="repeat", repeat_of=6),
    entry(15, verdict="repeat", repeat_of=13),
    event(16, "off-test", **MARK),
    entry(17),
)


def test_a_consumers_process_that_is_killed_beside_a_bench_is_started_again_and_the_log_is_json(
    listening: Callable[..., Listening], station: Path, tmp_path: Path
) -> None:
    heard = Heard()
    consumer = TcpConsumer(heard, tmp_path)
    (tmp_path / "c.toml").write_text(f'[[consumer]]\nname = "desk"\ntcp = "{HOST}:{consumer.port}"\nfrom = "start"\n')
    bench = listening("--book", station, "--journal", "j", "--hand-on", "c.toml", "--log", "json")
    exchange(bench.port(), alarm(1))
    heard.until(2)
    (child,) = (
        int(one)
        for one in Path(f"/proc/{bench.process.pid}/task/{bench.process.pid}/children").read_text().split()
        if b"hand-on" in Path(f"/proc/{one}/cmdline").read_bytes()
    )
    assert b"journal" not in Path(f"/proc/{child}/cmdline").read_bytes()  # its URL may hold a password
    os.kill(child, signal.SIGKILL)
    exchange(bench.port(), alarm(2))
    heard.until(3)
    assert bench.end() == 0
    told = [json.loads(line) for line in bench.errors]
    assert {("error", "hand-on"), ("info", "hand-on")} <= {(one["level"], one["event"]) for one in told}
    assert "HANDING ON TO desk HAS ENDED (-9); it is started again in 1 s" in {one["text"] for one in told}
    consumer.server.shutdown(socket.SHUT_RDWR)
    consumer.server.close()


def test_nothing_of_a_proving_leaves_unless_asked_for_and_a_test_is_said_to_be_one() -> None:
    shown = leaving(*PROVING)
    assert shown == [
        *((1, "live"), (2, "live"), (3, "on-test"), (4, "on-test"), (8, "live"), (9, "live"), (10, "on-test")),
        *((11, "live"), (13, "on-test"), (15, "repeat"), (16, "on-test"), (17, "live")),
    ]
    every = leaving(*PROVING, held=["proving"])
    assert sorted(set(every) - set(shown)) == [(number, "proving") for number in (5, 6, 7, 12, 14)]


def test_a_test_ends_by_itself_and_its_message_says_until_when_it_lasts() -> None:
    fold = Leaving()
    fold.take(row(event(1, "start", mode="mirror")))
    fold.take(row(event(2, "on-test", until=UNTIL, reference="T-1", **MARK)))
    told = fold.take(row(entry(3)))
    assert told is not None
    assert (told["on_test"], told["mode"]) == ({"until": UNTIL, "reference": "T-1"}, "mirror")
    later = fold.take(row(entry(4, at=UNTIL)))
    assert later is not None
    assert (later["origin"], later["on_test"]) == ("live", None)


def test_an_announced_replay_stays_here_by_its_peers_until_it_is_over() -> None:
    seen = (
        event(1, "replay", replay="r", peers=["127.0.0.1:40001"]),
        entry(2, peer="127.0.0.1:40001"),
        entry(3, peer="127.0.0.1:40002"),
        event(4, "replay", replay="r", over=True),
        entry(5, peer="127.0.0.1:40001"),
    )
    assert leaving(*seen) == [(3, "live"), (5, "live")]
    assert leaving(*seen, held=["replay"]) == [(2, "replay"), (3, "live"), (5, "live")]
    at = [f"2026-11-25T12:0{minute}:30.000Z" for minute in range(10)]
    mine = [entry(2, peer="127.0.0.1:40001", at=at[4]), entry(4, peer="127.0.0.1:40001", at=at[9])]
    goes_on = event(3, "replay", replay="r") | {"at": at[4]}
    assert leaving(seen[0], mine[0], goes_on, mine[1]) == []  # however long nothing came: it says that it goes on
    assert leaving(seen[0], *mine) == [(4, "live")]  # it was killed: whoever has its address by now is a panel


def test_a_replay_is_known_by_whoever_begins_in_the_midst_of_it(tmp_path: Path) -> None:
    """Its announcement lies further back than what is read again."""
    said: list[dict[str, Any]] = [event(1, "replay", replay="r", peers=["127.0.0.1:40001"])]
    for second in range(1, 8 * 3600 // 4):
        at = f"2026-11-25T{12 + second * 4 // 3600:02}:{second * 4 // 60 % 60:02}:{second * 4 % 60:02}.000Z"
        number = len(said) + 1
        said.append(
            event(number, "replay", replay="r") | {"at": at} if second % 15 == 0
            else entry(number, at=at, peer="127.0.0.1:40001" if second % 7 == 0 else "127.0.0.1:40002")
        )  # fmt: skip
    path = written(tmp_path / "j", said)
    begun = handed(path, start=6000)
    assert begun.rows[0] > 6000
    assert {one["peer"] for one in said if one.get("row") in begun.rows} == {"127.0.0.1:40002"}


def test_a_replay_that_is_announced_is_told_from_a_panel(
    listening: Callable[..., Listening], station: Path, tmp_path: Path, farend: Farend
) -> None:
    bench = listening("--book", station, "--journal", "j", "--capture", "was.capture")
    exchange(bench.port(), alarm(1))
    recorded = (tmp_path / "was.capture").read_text()
    (tmp_path / "one.capture").write_text(recorded)
    done = farend("replay", "one.capture", "--to", bench.at(), "--speed", "max", "--renumber", "50", "--announce", "j")
    assert done.code == 0, done.err
    exchange(bench.port(), alarm(2))
    every, some = handed(tmp_path / "j", "every", start=0, held=["replay"]), handed(tmp_path / "j", start=0)
    assert every.origins == ["live", "live", "replay", "live"]  # the start, and three alarms
    assert set(every.rows) - set(some.rows) == {every.rows[2]}


def test_signals_are_what_was_acknowledged_and_refused_alarms_are_told_apart() -> None:
    unknown = {"verdict": "unknown-account", "account_mark": None}
    some = (
        entry(1),
        entry(2, reply="DUH", refused_alarm=True, **unknown),
        entry(3, **unknown),  # --unknown ack: the panel's duty ended here
        entry(4, reply="DUH", signals=[], **unknown),
        entry(5, verdict="poll", signals=[]),
        entry(6, verdict="noise", reply="none", signals=[]),
        event(7, "shift-note"),
        event(8, "path-back"),
    )
    assert [number for number, _ in leaving(*some)] == [1, 2, 3, 8]
    for kind, numbers in {"signal": [1, 3], "refused-alarm": [2], "event": [8]}.items():
        assert [number for number, _ in leaving(*some, kinds=[kind])] == numbers


def test_what_a_mirror_hears_of_unknown_accounts_leaves_though_it_acknowledges_nothing() -> None:
    fire = entry(1, verdict="unknown-account", reply="none", mode="mirror")
    assert leaving(fire) == [(1, "live")]
    assert leaving(fire | {"mode": "bench"}) == []  # it was silent on purpose


def test_what_people_say_to_one_another_are_events_that_there_are() -> None:
    assert set(glossary.EVENTS) >= PEOPLES


# Places


class Kept:
    """A consumer in memory."""

    def __init__(self) -> None:
        self.rows: list[int] = []
        self.origins: list[str] = []

    def hand(self, messages: Sequence[dict[str, Any]], taken: Callable[[int], None]) -> None:
        for message in messages:
            self.rows.append(message["row"])
            self.origins.append(message["origin"])
            taken(message["row"])

    def close(self) -> None:
        pass


def handed(
    path: Path, name: str = "x", told: Callable[[str], None] = lambda _: None, held: Sequence[str] = (), **more: Any
) -> Kept:
    kept, file = Kept(), place_file(path, name)
    place = read(file) if file.exists() else Place(name, "memory")
    HandOn(path, file, place, lambda: Leaving(held=frozenset(held)), kept, told=told, once=True, **more).run()
    return kept


def test_a_new_consumer_begins_now_unless_told_and_then_goes_on_from_its_place(tmp_path: Path) -> None:
    path = written(tmp_path / "j", [entry(number) for number in range(1, 4)])
    assert handed(path).rows == []
    assert handed(path, "all", start=0).rows == [1, 2, 3]
    store = Store(path, write=True)
    store.append([row(entry(4))])
    store.close()
    assert handed(path).rows == handed(path, "all", start=0).rows == [4]


def test_what_was_said_before_its_place_still_says_where_rows_come_from(tmp_path: Path) -> None:
    path = written(tmp_path / "j", PROVING[:6])
    assert handed(path, start=0).rows == [1, 2, 3, 4]
    store = Store(path, write=True)
    store.append([row(one) for one in PROVING[6:]])
    store.close()
    assert handed(path).origins == ["live", "live", "on-test", "live", "on-test", "repeat", "on-test", "live"]


def test_what_was_said_long_before_its_place_is_heard_in_its_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hand_on, "RECALLED_ROWS", 0)
    peer = "127.0.0.1:40001"
    over = [
        event(1, "replay", replay="r", peers=[peer]),
        event(2, "replay", replay="r", over=True),
        entry(3, peer=peer),
    ]
    assert handed(written(tmp_path / "over", over), start=2).rows == [3]
    runs = [
        event(1, "replay", replay="q", over=True),
        event(2, "replay", replay="r", peers=[peer]),
        entry(3, peer=peer),
    ]
    assert handed(written(tmp_path / "runs", runs), start=2).rows == []


def test_who_takes_over_waits_for_who_had_the_place_to_end(tmp_path: Path) -> None:
    """A bench that was killed and started again at once: what belonged to the old one ends a moment later."""
    path, freed = tmp_path / "j.hand-on.x", list[bool]()
    with contextlib.ExitStack() as first:
        first.enter_context(held(path))
        ends = threading.Timer(0.3, lambda: (freed.append(True), first.close()))
        ends.start()
        with held(path):
            assert freed == [True]
        ends.join()


def test_a_place_in_another_journal_is_refused_and_two_may_not_share_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hand_on, "HELD_SECONDS", 0.1)
    path = written(tmp_path / "j", [entry(1), entry(2)])
    handed(path, start=0)
    with held(place_file(path, "x")), pytest.raises(PlaceError, match="another process"), held(place_file(path, "x")):
        pass
    path.unlink()
    with pytest.raises(PlaceError, match="another journal"):
        handed(written(path, [entry(1), entry(2, account="9999", account_mark="9999")]))
    with pytest.raises(PlaceError, match="no name"):
        place_file(path, "../x")


def test_a_journal_that_another_takes_the_place_of_is_told_and_not_read_on(tmp_path: Path, inside: Farend) -> None:
    path = written(tmp_path / "j", [entry(1), entry(2)])

    class Moving(Kept):
        def hand(self, messages: Sequence[dict[str, Any]], taken: Callable[[int], None]) -> None:
            super().hand(messages, taken)
            for file in tmp_path.glob("j*"):
                if "hand-on" not in file.name:
                    file.rename(tmp_path / f"old{file.name}")
            written(path, [entry(number, account="9999", account_mark="9999") for number in range(1, 6)])

    with pytest.raises(PlaceError, match="another journal"):
        HandOn(path, place_file(path, "x"), Place("x", "memory"), Leaving, Moving(), start=0).run()
    status = inside("hand-on", "status", "--journal", path)
    assert (status.code, "another journal" in status.out.decode()) == (1, True)


def test_rows_that_were_retired_before_they_left_are_told_loudly(tmp_path: Path) -> None:
    path = written(tmp_path / "j", [entry(number) for number in range(1, 6)])
    handed(path, start=1)
    place_file(path, "x").write_text(json.dumps({"version": 1, "consumer": "x", "target": "memory", "row": 1}))
    store, said = Store(path), list[str]()
    store.retire(store.ends(3))
    store.close()
    assert handed(path, told=said.append).rows == [4, 5]
    assert said == ["ROWS 2 TO 3 WERE RETIRED BEFORE THEY WERE HANDED ON to x"]


def test_rows_that_are_retired_while_a_consumer_is_behind_are_told_too(tmp_path: Path) -> None:
    path = written(tmp_path / "j", [entry(number) for number in range(1, 6)])
    said = list[str]()

    class Slow(Kept):
        def hand(self, messages: Sequence[dict[str, Any]], taken: Callable[[int], None]) -> None:
            super().hand(messages, taken)
            if self.rows == [1]:
                with closing(Store(path, write=True)) as store:
                    store.append([row(entry(number)) for number in range(6, 11)])
                    store.retire(store.ends(8))

    slow = Slow()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(hand_on, "MOST_A_LOOK", 1)
        HandOn(
            path, place_file(path, "x"), Place("x", "memory"), Leaving, slow, told=said.append, start=0, once=True
        ).run()
    assert slow.rows == [1, 9, 10]
    assert said == ["ROWS 2 TO 8 WERE RETIRED BEFORE THEY WERE HANDED ON to x"]


def test_what_was_not_handed_on_yet_is_not_retired(tmp_path: Path, inside: Farend) -> None:
    path = written(tmp_path / "j", [entry(number) | {"at": "2025-11-25T12:00:00.000Z"} for number in range(1, 6)])
    handed(path, start=0)
    with closing(Store(path, write=True)) as store:
        store.append([row(entry(number) | {"at": "2025-11-25T12:00:00.000Z"}) for number in range(6, 9)])
    done = inside("journal", "retire", "--before", "2026-01-01", "--journal", path, "--yes")
    assert (done.code, "✗ row 6 must stay: it was not handed on to x yet" in done.out.decode()) == (1, True)
    assert handed(path).rows == [6, 7, 8]
    inside("journal", "retire", "--before", "2026-01-01", "--journal", path, "--yes")
    with closing(Store(path)) as store:
        assert [one.number for one in store.rows(events=True)] == [9]


# What goes over the wire


def test_a_signature_is_what_openssl_makes_of_the_readmes_example(tmp_path: Path) -> None:
    readme = (ROOT / "README.md").read_text()
    example = readme.partition("## Hand on\n")[2].partition("openssl dgst")[0]
    assert example, "the README has no worked example"
    body, timestamp = b'{"farend":"hand-on"}', "1764052800"
    done = subprocess.run(
        ["openssl", "dgst", "-sha256", "-hmac", "an invented secret"],
        input=f"{timestamp}\n".encode() + body, capture_output=True, check=True,
    )  # fmt: skip
    digest = done.stdout.decode().split()[-1]
    assert signed(SECRET, timestamp, body) == digest
    assert digest in readme


@contextlib.contextmanager
def answering(*answers: tuple[int, dict[str, str]]) -> Iterator[tuple[str, list[str]]]:
    """A web server that gives these answers in turn, and the paths that it was asked for."""
    left, asked = list(answers), list[str]()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            asked.append(self.path)
            self.rfile.read(int(self.headers["Content-Length"]))
            status, headers = left.pop(0)
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.end_headers()

        def log_message(self, format: str, *args: Any) -> None:
            pass

    with ThreadingHTTPServer((HOST, 0), Handler) as server:
        threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True).start()
        yield f"http://{HOST}:{server.server_port}/in?x=1", asked
        server.shutdown()


MESSAGE = {"version": 1, "row": 3, "account": "4471", "kind": "signal", "origin": "live", "mode": "bench"}


@pytest.mark.parametrize(
    ("status", "headers", "after"),
    [
        (503, {"Retry-After": "7"}, 7.0),
        (429, {"Retry-After": "Wed, 25 Nov 2026 12:00:30 GMT"}, 30.0),
        (503, {"Retry-After": "99999999"}, 3600.0),
        (503, {"Retry-After": "soon"}, None),
        (307, {"Location": "http://127.0.0.1:9/elsewhere"}, None),
        (404, {}, None),
    ],
)
def test_a_webhook_confirms_by_2xx_alone_and_may_ask_for_patience(
    status: int, headers: dict[str, str], after: float | None
) -> None:
    taken: list[int] = []
    noon = 1795608000.0  # 2026-11-25T12:00:00Z
    with answering((status, headers), (202, {})) as (url, asked):
        webhook = Webhook(url, SECRET, timeout=SECONDS, now=lambda: noon)
        with pytest.raises(ConsumerError, match=str(status)) as told:
            webhook.hand([MESSAGE], taken.append)
        assert (told.value.after, taken) == (after, [])
        webhook.hand([MESSAGE, MESSAGE | {"row": 4}], taken.append)
        webhook.close()
    assert (taken, asked) == ([4], ["/in?x=1"] * 2)


def test_over_tls_the_certificate_must_be_trusted(certificate: tuple[Path, Path]) -> None:
    import ssl

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*certificate)
    with socket.create_server((HOST, 0)) as server, context.wrap_socket(server, server_side=True) as secure:
        port = server.getsockname()[1] if server.fileno() >= 0 else secure.getsockname()[1]

        def serve() -> None:
            for _ in range(2):
                with contextlib.suppress(OSError):
                    peer, _ = secure.accept()
                    with peer:
                        peer.recv(65536)
                        peer.sendall(b'{"taken": 3}\n')

        thread = threading.Thread(target=serve)
        thread.start()
        with pytest.raises(ConsumerError, match="certificate cannot be trusted"):
            Lines(HOST, port, consumers.verified(None), SECONDS).hand([MESSAGE], lambda _: None)
        taken: list[int] = []
        good = Lines(HOST, port, consumers.verified(certificate[0]), SECONDS)
        good.hand([MESSAGE], taken.append)
        good.close()
        thread.join(SECONDS)
    assert taken == [3]


def test_an_older_row_moves_no_place_back(tmp_path: Path) -> None:
    path, ending = written(tmp_path / "j", [entry(number) for number in range(1, 6)]), threading.Event()

    class Confused(Kept):
        def hand(self, messages: Sequence[dict[str, Any]], taken: Callable[[int], None]) -> None:
            taken(1)
            ending.set()
            raise ConsumerError("it took nothing new")

    HandOn(path, place_file(path, "x"), Place("x", "memory"), Leaving, Confused(), start=3, ending=ending).run()
    assert read(place_file(path, "x")).row == 3
    assert handed(path).rows == [4, 5]


@pytest.mark.parametrize("answer", [b'{"taken": 4}\n', b'{"taken": "3"}\n', b"OK\n", b"[1]\n", b""])
def test_over_tcp_only_a_row_that_was_sent_confirms(answer: bytes) -> None:
    with socket.create_server((HOST, 0)) as server:

        def serve() -> None:
            peer, _ = server.accept()
            with peer:
                peer.recv(65536)
                peer.sendall(answer)

        thread = threading.Thread(target=serve)
        thread.start()
        taken: list[int] = []
        with pytest.raises(ConsumerError):
            Lines(HOST, server.getsockname()[1], timeout=SECONDS).hand([MESSAGE], taken.append)
        thread.join(SECONDS)
    assert taken == []


def test_no_account_can_put_a_level_or_a_wildcard_into_a_topic() -> None:
    assert topic_of("a/{account}/{event}", MESSAGE | {"account": "4/+#\n$é"}) == "a/4______/-"
    assert wrong_with_topic("farend/{mode}/{account}/{kind}/{origin}/{event}") is None
    for bad in ("", "a/+", "a/#", "$SYS/a", "a/{raw}", "a/{", "a}"):
        assert wrong_with_topic(bad), bad


def test_a_broker_that_is_not_there_is_told() -> None:
    with socket.create_server((HOST, 0)) as free:
        port = free.getsockname()[1]
    with pytest.raises(ConsumerError, match="refused"):
        Mqtt(HOST, port, "x", "farend-x", timeout=SECONDS).hand([MESSAGE], lambda _: None)


def test_a_file_of_consumers_is_checked_and_names_its_files_from_where_it_lies(tmp_path: Path) -> None:
    path = tmp_path / "consumers.toml"
    path.write_text(
        '[[consumer]]\nname = "desk"\nwebhook = "https://a/"\nsecret = "@s"\nwhat = ["signals"]\nin-clear = true'
    )
    told = [
        "--name",
        "desk",
        "--webhook",
        "https://a/",
        "--secret",
        f"@{tmp_path / 's'}",
        "--what",
        "signals",
        "--in-clear",
    ]
    assert settings_of(path) == {"desk": told}
    for bad in ("[consumer]", "[[consumer]]", '[[consumer]]\nname = "x"\ntcpp = "1"', "[", 'name = "x"'):
        path.write_text(bad)
        with pytest.raises(typer.Exit):
            settings_of(path)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--tcp", "192.0.2.1:1"], "--in-clear"),
        (["--webhook", "http://desk.example/x", "--secret", "env:HOME"], "--in-clear"),
        (["--webhook", "https://desk.example/x"], "--secret"),
        (["--webhook", "https://desk.example/x", "--secret", "abc"], "on a command line"),
        (["--mqtt", "127.0.0.1:1", "--topic", "a/#"], "no #"),
        (["--tcp", "127.0.0.1:1", "--mqtt", "127.0.0.1:1"], "one of"),
        (["--tcp", "127.0.0.1:1", "--with", "live"], "proving"),
    ],
)
def test_what_is_wrong_on_the_command_line_is_named(inside: Farend, options: list[str], said: str) -> None:
    done = inside("hand-on", *options)
    assert (done.code, said in done.err) == (2, True), done.err
