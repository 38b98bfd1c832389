"""Playing a recording again: what changes in a frame and what stays, real sockets, each answer held to the old one."""

import asyncio
import socket
from collections import defaultdict
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from conftest import BOOK, HOST, KEY, OTHER_KEY, Farend, ack, alarm, envelope, opened_answer, sealed
from crccheck.crc import Crc16Arc
from hypothesis import given
from hypothesis import strategies as st

from protocols.dc09 import build, decode, write_stamp
from protocols.envelope import Reader
from receiver import capture, replaying
from receiver.book import parse
from receiver.capture import Happening, Recorder
from receiver.compared import Comparison, Message
from receiver.recast import Changes, Numbering, recast
from receiver.rehearing import Judging
from receiver.replaying import IntoDesk, Player, Renewal, Script, Wanted, keyless

THEN, NOW = datetime(2026, 11, 25, 12, 0, 0, 700_000, UTC), datetime(2027, 2, 3, 4, 5, 6, 100_000, UTC)
STATION = parse(BOOK, "station.toml", Path())
OTHERS = parse(
    BOOK.replace("8C20", "5D31").replace("F00DFACE0BADCAFE1122334455667788", bytes(range(16)).hex()), "o", Path()
)
KEPT, ALL = Changes(book=STATION), Wanted()
RENEWED = Changes("now", {"4471": "77001", "8C20": "5D31"}, STATION, OTHERS)


def clear(content: str, head: str = '"SIA-DCS"0007L0#4471') -> bytes:
    return envelope(f"{head}[{content}")


# What changes in a frame


accounts = st.sampled_from(("4471", "8C20"))
payloads = st.sampled_from(("Nri1/BA15", "Nri1/FA3", "Nti12:00/ri2/OP002", "Nri1/ZZ9"))
behind = st.integers(-5000, 5000)


@given(accounts, payloads, behind, st.integers(1, 9999), st.integers(1, 9999), st.booleans(), st.booleans())
def test_a_renewed_frame_says_the_same_but_for_what_was_wished(
    account: str, payload: str, off: int, old: int, new: int, stamped: bool, reported_late: bool
) -> None:
    key = KEY if account == "8C20" else None
    stamp = THEN.replace(microsecond=0) + timedelta(seconds=off)
    happened = write_stamp(stamp - timedelta(hours=1)).removeprefix("_")
    fields = [("V", "https://x.example/1"), ("H", happened)][: 1 + reported_late]
    sent = stamp if stamped or key else None
    raw = build("SIA-DCS", old, account, payload, key=key, extended=fields, stamp=sent)
    before = decode(raw, key)
    made = recast(before, RENEWED, THEN, NOW, new)
    after = decode(made.frame.raw, OTHER_KEY if key else None)
    assert made.kept == ""
    assert after.account == after.account_inside == RENEWED.accounts[account]
    assert (after.sequence, after.token, after.encrypted, after.data) == (new, "SIA-DCS", bool(key), payload)
    assert after.stamp == (NOW.replace(microsecond=0) + timedelta(seconds=off) if before.stamp else None)
    assert after.extended[0] == before.extended[0]
    if after.stamp and reported_late:
        assert after.occurred == after.stamp - timedelta(hours=1)
    assert [problem.rule for problem in after.problems] == [problem.rule for problem in before.problems]
    assert int(made.frame.raw[1:5], 16) == Crc16Arc.calc(made.frame.raw[9:-1])  # crccheck's, not ours


frames = st.one_of(
    st.builds(lambda p, q: build("SIA-DCS", q, "4471", p, stamp=THEN), payloads, st.integers(1, 9999)),
    st.builds(lambda p, q: build("SIA-DCS", q, "8C20", p, stamp=THEN, key=KEY), payloads, st.integers(1, 9999)),
)


@given(frames, st.data())
def test_whatever_is_wrong_with_a_frame_is_wrong_in_the_same_way_afterwards(frame: bytes, data: st.DataObject) -> None:
    """Any bytes of it changed, cut out or put in: the rules that it breaks stay the same, in the same order."""
    damaged = bytearray(frame)
    for _ in range(data.draw(st.integers(1, 3))):
        place = data.draw(st.integers(1, len(damaged) - 2))
        new = data.draw(st.binary(max_size=2).filter(lambda b: not set(b) & set(b"\r\n")))
        damaged[place : place + data.draw(st.integers(0, 2))] = new
    if damaged[-1:] != b"\r":
        damaged += b"\r"
    before = decode(bytes(damaged), STATION.key_for)
    made = recast(before, RENEWED, THEN, NOW, 4242)
    after = decode(made.frame.raw, RENEWED.key_after if made.frame.raw != before.raw else STATION.key_for)
    assert [problem.rule for problem in after.problems] == [problem.rule for problem in before.problems]


def test_a_wrong_crc_keeps_its_distance_and_a_wrong_length_its_own() -> None:
    right = clear("#4471|Nri1/BA15]")
    wrong = b"\n%04X" % (int(right[1:5], 16) ^ 0x0110) + b"%04X" % (int(right[5:9], 16) + 3) + right[9:]
    made = recast(decode(wrong), Changes(accounts={"4471": "77001"}), THEN, NOW).frame.raw
    assert b"#77001[#77001|" in made
    assert int(made[1:5], 16) ^ Crc16Arc.calc(made[9:-1]) == 0x0110
    assert int(made[5:9], 16) - len(made[9:-1]) == 3


def test_a_crc_in_binary_or_in_lower_case_stays_so() -> None:
    body = clear("#4471|Nri1/BA15]")[9:-1]
    binary = b"\n" + Crc16Arc.calc(body).to_bytes(2) + b"%04X" % len(body) + body + b"\r"
    lower = b"\n" + (b"%04x%04x" % (Crc16Arc.calc(body), len(body))) + body + b"\r"
    renamed = Changes(accounts={"4471": "4ABC"})
    assert [p.rule for p in recast(decode(binary), renamed, THEN, NOW).frame.problems] == ["binary-crc"]
    made = recast(decode(lower), renamed, THEN, NOW).frame
    assert made.problems == []
    assert made.raw[1:9] == made.raw[1:9].lower()


def test_exact_stamps_are_the_present_whatever_the_panels_clock_said() -> None:
    late = clear(f"#4471|Nri1/BA15]{write_stamp(THEN - timedelta(hours=3))}")
    assert recast(decode(late), Changes("exact"), THEN, NOW).frame.stamp == NOW.replace(microsecond=0)


def test_nothing_wished_and_nothing_changes_not_even_the_padding() -> None:
    secret = sealed('"*SIA-DCS"0007L0#8C20', "#8C20|Nri1/FA3]" + write_stamp(THEN))
    assert recast(decode(secret, KEY), Changes(book=STATION), THEN, NOW).frame.raw == secret


def test_a_sealed_frame_without_its_key_is_sent_as_it_was_but_may_be_renumbered() -> None:
    secret = decode(sealed('"*SIA-DCS"0007L0#8C20', "#8C20|Nri1/FA3]" + write_stamp(THEN)))
    made = recast(secret, Changes("now"), THEN, NOW, 9)
    assert made.frame.raw == secret.raw
    assert "no key for account 8C20" in made.kept
    assert recast(secret, Changes(), THEN, NOW, 9).frame.sequence == 9


def test_an_account_without_a_key_on_the_other_side_is_said_and_left() -> None:
    secret = decode(sealed('"*SIA-DCS"0007L0#8C20', "#8C20|Nri1/FA3]" + write_stamp(THEN)), KEY)
    made = recast(secret, Changes("now", book=STATION, as_book=OTHERS), THEN, NOW)
    assert made.frame.raw == secret.raw
    assert "no key for account 8C20 in the book of the other side" in made.kept


def test_a_mapping_that_would_heal_a_frame_leaves_it_as_it_was() -> None:
    """Outside 4471, inside 4472: with 4471 made 4472 the two would agree."""
    frame = decode(clear("#4472|Nri1/BA15]"))
    assert frame.has("account-differs")
    made = recast(frame, Changes(accounts={"4471": "4472"}), THEN, NOW)
    assert (made.frame.raw, bool(made.kept)) == (frame.raw, True)


# Numbers


def numbers(numbering: Numbering, *recorded: int) -> list[int | None]:
    return [numbering.number(decode(alarm(sequence))) for sequence in recorded]


def test_numbers_run_on_with_repeats_gaps_and_the_wrap_as_they_were() -> None:
    assert numbers(Numbering(100), 9997, 9998, 9998, 9999, 1, 4) == [100, 101, 101, 102, 103, 106]
    assert numbers(Numbering(9999), 12, 13) == [9999, 1]


def test_each_account_counts_for_itself_and_polls_stay_out_of_it() -> None:
    numbering = Numbering(50)
    assert numbers(numbering, 7) == [50]
    assert numbering.number(decode(alarm(7, "8C20"))) == 50
    assert numbering.number(decode(envelope('"NULL"0000L0#4471[]'))) is None
    assert numbers(numbering, 8) == [51]


@given(st.lists(st.integers(1, 9999), min_size=1, max_size=30), st.none() | st.integers(1, 9999))
def test_a_later_round_uses_no_number_of_the_one_before(recorded: list[int], first: int | None) -> None:
    """As long as the panel's own numbers do not run all the way round."""
    recorded = [1 + sequence % 4000 for sequence in recorded]
    numbering = Numbering(first)
    once = numbers(numbering, *recorded)
    numbering.next_round()
    again = numbers(numbering, *recorded)
    assert once[0] == (first or recorded[0])
    assert not set(once) & set(again)
    assert [one == once[0] for one in once] == [one == again[0] for one in again]


# On sockets


def happenings(*what: tuple[float, str, str, bytes], line: str = "tcp") -> list[Happening]:
    """Seconds, connection, what, data; a connection's first has its `open` before it."""
    made: list[Happening] = []
    for seconds, name, side, data in what:
        at = THEN + timedelta(seconds=seconds)
        if all(one.connection != name for one in made):
            peer = f"192.0.2.7:{1000 + len(made)}"
            made.append(Happening(at, name, "open", line="udp" if name.startswith("udp") else line, peer=peer))
        made.append(Happening(at, name, side, data))  # type: ignore[arg-type]
    return made


class Played:
    """A recording that was played: the comparison, what each message came to, and what failed."""

    def __init__(self) -> None:
        self.messages: list[tuple[Message, str | None]] = []
        self.comparison = Comparison(lambda message, differs: self.messages.append((message, differs)))
        self.failed: dict[str, int] = {}

    @property
    def differences(self) -> dict[int, str]:
        return {message.judged.number: differs for message, differs in self.messages if differs}

    @property
    def groups(self) -> dict[str, int]:
        return {group.sentence: group.count for group in self.comparison.groups.values()}


async def play(
    recorded: Iterable[Happening],
    port: int,
    *,
    pace: Any = "max",
    changes: Changes = KEPT,
    wanted: Wanted = ALL,
    numbering: Numbering | None = None,
    rounds: int = 1,
    wait: float = 0.3,
    **more: Any,
) -> Played:
    played, recorded = Played(), list(recorded)
    whole = changes.inside or pace == "answered"
    script = Script(Judging(changes.book), played.comparison, wanted, numbering, whole=whole)
    renew = Renewal(changes, lambda _: None)
    player = Player(HOST, port, played.comparison, renew, changes.key_after, pace=pace, timeout=wait, **more)
    for _ in range(rounds):
        await player.play(script.steps(recorded))
    played.failed = player.failed
    return played


Respond = Callable[[bytes, asyncio.StreamWriter], Any]


class Told:
    """A receiver that was told what to do, and what each of its connections heard."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.heard: list[list[bytes]] = []


@asynccontextmanager
async def receiver(respond: Respond) -> AsyncIterator[Told]:
    """A receiver that does as it is told with each frame."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        frames: list[bytes] = []
        told.heard.append(frames)
        pieces = Reader()
        while data := await reader.read(65536):
            for piece in pieces.feed(data):
                frames.append(piece.data)
                respond(piece.data, writer)
        writer.close()

    server = await asyncio.start_server(serve, HOST, 0)
    told = Told(server.sockets[0].getsockname()[1])
    try:
        yield told
    finally:
        server.close()
        await asyncio.sleep(0)


def echo(frame: bytes, word: str = "ACK") -> bytes:
    asked = decode(frame)
    return envelope(f'"{word}"{asked.sequence_sent}L0#{asked.account}[]')


def asked(*sequences: int, name: str = "tcp-1", answered: bool = True) -> list[tuple[float, str, str, bytes]]:
    made: list[tuple[float, str, str, bytes]] = []
    for sequence in sequences:
        made.append((0.1 * sequence, name, "panel", alarm(sequence)))
        if answered:
            made.append((0.1 * sequence + 0.01, name, "receiver", ack(sequence)))
    return made


async def test_equal_answers_are_no_difference_and_each_message_has_both_delays() -> None:
    async with receiver(lambda frame, writer: writer.write(echo(frame))) as told:
        played = await play(happenings(*asked(1, 2, 3)), told.port)
    assert (played.differences, played.failed) == ({}, {})
    assert [message.judged.number for message, _ in played.messages] == [1, 3, 5]  # of both sides, as recorded
    for message, _ in played.messages:
        assert message.recorded
        assert message.now
        assert message.recorded.after == pytest.approx(0.01)
        assert message.now.after is not None
        assert message.now.after < 1


async def test_answers_out_of_order_belong_to_their_messages_all_the_same() -> None:
    held: list[bytes] = []

    def backwards(frame: bytes, writer: asyncio.StreamWriter) -> None:
        held.append(frame)
        if len(held) == 3:
            for one in reversed(held):
                writer.write(echo(one, "DUH" if one == alarm(2) else "ACK"))

    async with receiver(backwards) as told:
        played = await play(happenings(*asked(1, 2, 3)), told.port)
    assert played.differences == {3: "ACK → DUH"}


async def test_a_receiver_that_answers_nothing_differs_at_every_message() -> None:
    async with receiver(lambda *_: None) as told:
        played = await play(happenings(*asked(1, 2)), told.port)
    assert played.groups == {"ACK → no answer": 2}
    assert told.heard == [[alarm(1), alarm(2)]]


async def test_an_answer_that_was_not_recorded_is_additional() -> None:
    recorded = happenings(*asked(1), *asked(2, answered=False))
    async with receiver(lambda frame, writer: writer.write(echo(frame))) as told:
        played = await play(recorded, told.port)
    assert played.groups == {"no answer → ACK": 1}


async def test_an_answer_with_a_wrong_echo_is_named_at_the_message_it_was_meant_for() -> None:
    async with receiver(lambda frame, writer: writer.write(ack(5 if frame == alarm(2) else 1))) as told:
        played = await play(happenings(*asked(1, 2)), told.port, pace="answered")
    assert played.differences == {3: "ACK: it belonged to its message → its sequence is 0005, the message has 0002"}


async def test_a_nak_is_held_to_its_fields_but_not_to_its_time() -> None:
    def nak(time: datetime, sequence: str = "0000") -> bytes:
        return envelope(f'"NAK"{sequence}R0L0A0[]{write_stamp(time)}')

    recorded = happenings(
        *[(0.1 * n, "tcp-1", s, d) for n in (1, 2) for s, d in (("panel", alarm(n)), ("receiver", nak(THEN)))]
    )
    answers = [nak(NOW), nak(NOW, "0001")]
    async with receiver(lambda frame, writer: writer.write(answers[frame == alarm(2)])) as told:
        played = await play(recorded, told.port, pace="answered")
    assert played.differences == {3: "NAK: sequence 0000 → 0001"}


async def test_a_receiver_that_closes_at_once_is_said_and_the_other_connections_go_on() -> None:
    async with receiver(lambda f, w: w.close() if f == alarm(1, "8C20") else w.write(echo(f))) as told:
        broken = [(0.1 * n, "tcp-2", "panel", alarm(n, "8C20")) for n in (1, 9)]
        played = await play(happenings(*asked(1, 2, 3), *broken), told.port, pace="answered")
    assert played.differences == {}
    assert list(played.failed) == ["the receiver closed the connection, and more was to be sent"]
    assert [alarm(1), alarm(2), alarm(3)] in told.heard


async def test_where_nobody_listens_every_connection_is_said_to_have_failed() -> None:
    async with receiver(lambda *_: None) as told:
        port = told.port
    played = await play(happenings(*asked(1), *asked(2, name="tcp-2"), *asked(3, name="udp-192.0.2.9:7")), port)
    assert played.failed == {"no connection: Connection refused": 2, "UDP: Connection refused": 1}
    assert played.groups == {"ACK → no answer": 3}


async def test_a_receiver_that_does_not_read_costs_its_own_connection_only() -> None:
    """Its socket's buffers fill; the other connection's messages arrive all the same, in their own time."""
    stuck = asyncio.Event()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while (data := await reader.read(len(alarm(1)))) in (alarm(1), alarm(2), alarm(3)):
            writer.write(echo(data))
        if data:
            await stuck.wait()
        writer.close()

    listening = socket.create_server((HOST, 0))
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    server = await asyncio.start_server(serve, sock=listening, limit=4096)
    flood = [(0.1, "tcp-2", "panel", b"x" * 60_000)] * 200
    played = await play(happenings(*asked(1), *flood, *asked(2, 3)), server.sockets[0].getsockname()[1], pace=10.0)
    stuck.set()
    server.close()
    await asyncio.sleep(0.01)
    assert list(played.failed) == ["the receiver read nothing for 0.3 s"]
    assert {m.frame.sequence for m, _ in played.messages if m.frame.account == "4471" and m.now} == {1, 2, 3}


async def test_as_fast_as_answered_holds_each_message_until_the_one_before_is_answered() -> None:
    order: list[bytes] = []

    def late(frame: bytes, writer: asyncio.StreamWriter) -> None:
        order.append(b"asked")
        asyncio.get_running_loop().call_later(0.03, lambda: (order.append(b"answered"), writer.write(echo(frame))))

    together = [(0.0, "tcp-1", "panel", alarm(1) + alarm(2) + alarm(3))]
    async with receiver(late) as told:
        await play(happenings(*together), told.port, pace="answered")
    assert order == [b"asked", b"answered"] * 3


async def test_bytes_go_as_they_were_cut_and_connections_open_and_close_as_they_did() -> None:
    reads: list[list[bytes]] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        reads.append([])
        while data := await reader.read(65536):
            reads[-1].append(data)
        writer.close()

    server = await asyncio.start_server(serve, HOST, 0)
    torn = alarm(1)
    recorded = happenings(
        (0, "tcp-1", "panel", b"noise"), (0.5, "tcp-1", "panel", torn[:20]), (1, "tcp-1", "panel", torn[20:]),
        (1.5, "tcp-1", "close", b""), (2, "tcp-1", "open", b""), (2.5, "tcp-1", "panel", alarm(2)),
    )  # fmt: skip
    await play(recorded, server.sockets[0].getsockname()[1], pace=20.0)
    server.close()
    assert reads == [[b"noise", torn[:20], torn[20:]], [alarm(2)]]


async def test_a_slice_and_an_account_are_played_with_the_numbers_of_the_whole() -> None:
    recorded = happenings(*asked(1, 2, 3), (0.2, "tcp-1", "panel", b"noise"), *asked(2, name="tcp-9"))
    wanted = Wanted(lambda began, _: began + timedelta(seconds=0.1), None, frozenset({"4471"}))
    async with receiver(lambda frame, writer: writer.write(echo(frame))) as told:
        played = await play(sorted(recorded, key=lambda one: one.at), told.port, wanted=wanted)
    assert played.differences == {}
    assert sorted(told.heard) == [[alarm(2)], [alarm(2), alarm(3)]]
    none = Wanted(accounts=frozenset({"8C20"}))
    async with receiver(lambda frame, writer: writer.write(echo(frame))) as told:
        assert (await play(recorded, told.port, wanted=none)).messages == []
    assert told.heard == []


async def test_noise_of_any_length_goes_through_whole_where_frames_are_changed() -> None:
    came = bytearray()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(65536):
            came.extend(data)
        writer.close()

    server = await asyncio.start_server(serve, HOST, 0)
    noise = [(0.0, "tcp-1", "panel", b"%05d" % n * 6000) for n in range(7)]
    end = (0.1, "tcp-1", "panel", b"x" + alarm(1))
    await play(happenings(*noise, end), server.sockets[0].getsockname()[1], changes=RENEWED, wait=0.1)
    server.close()
    assert bytes(came) == b"".join(data for *_, data in noise) + b"x" + alarm(1, "77001").replace(b"#4471|", b"#77001|")


async def test_of_very_many_udp_peers_the_longest_silent_gives_up_its_socket(
    open_bench: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(replaying, "MOST_PEERS", 2)
    bench = open_bench("udp")
    names = [f"udp-192.0.2.7:{n}" for n in (1, 2, 3, 4, 2, 4)]
    recorded = happenings(*(one for n, name in enumerate(names, 1) for one in asked(n, name=name)))
    played = await play(sorted(recorded, key=lambda one: one.at), bench.ports["udp"][1], pace="answered", wait=1.0)
    assert (played.differences, played.failed, len(played.messages)) == ({}, {}, 6)
    peers = [(await bench.entry())["peer"] for _ in names]
    assert peers[3] == peers[5]  # one that was heard a moment ago has its socket still
    assert peers[1] != peers[4]


async def test_sealed_answers_without_a_key_are_known_by_their_echo_and_wait_for_nothing(
    open_bench: Callable[..., Any],
) -> None:
    bench = open_bench("tcp")
    fresh = [sealed(f'"*SIA-DCS"{n:04d}L0#8C20', f"#8C20|Nri1/FA3]{write_stamp(datetime.now(UTC))}") for n in (1, 2)]
    old = sealed('"*SIA-DCS"0003L0#8C20', f"#8C20|Nri1/FA3]{write_stamp(THEN)}")
    recorded = happenings(*((n, "tcp-1", "panel", frame) for n, frame in enumerate((*fresh, old))))
    played = await play(recorded, bench.ports["tcp"][1], changes=Changes(), wait=5.0)
    assert [message.now and message.now.word for message, _ in played.messages] == ["ACK", "ACK", "NAK"]


# On a real bench


def day(bench: Any = None) -> list[Happening]:
    """A recording of an invented day, without its answers: two TCP connections and a UDP peer, in clear, sealed, broken."""
    secret = [
        sealed(f'"*SIA-DCS"{n:04d}L0#8C20', f"#8C20|Nri1/FA3]{write_stamp(THEN - timedelta(seconds=n))}")
        for n in (1, 2)
    ]
    wrong = bytearray(alarm(5))
    wrong[20] ^= 1
    return happenings(
        (0.00, "tcp-1", "panel", alarm(1)), (0.05, "tcp-2", "panel", secret[0]),
        (0.10, "udp-192.0.2.7:5", "panel", alarm(2)), (0.15, "tcp-1", "panel", alarm(1)),
        (0.20, "tcp-1", "panel", b"hum" + bytes(wrong)), (0.25, "tcp-2", "panel", secret[1]),
        (0.30, "tcp-1", "panel", alarm(7, "4417")), (0.35, "udp-192.0.2.7:5", "panel", envelope('"NULL"0000L0#4471[]')),
        (0.40, "tcp-2", "close", b""),
    )  # fmt: skip


async def test_a_replay_of_a_replays_capture_equals_the_first(open_bench: Callable[..., Any], tmp_path: Path) -> None:
    """Same frames on each connection, in the same order, with the same answers; TCP and UDP each to its own port."""
    recordings: list[list[Happening]] = []
    recorded = day()
    for number in (1, 2):
        bench = open_bench("tcp", "udp")
        recorder = Recorder(tmp_path / f"{number}", datetime.now(UTC), "", lambda _: None)
        played = [
            await play(
                [one for one in recorded if one.connection.startswith(line)], bench.ports[line][1],
                pace="answered", recorder=recorder, wait=1.0,
            )
            for line in ("tcp", "udp")
        ]  # fmt: skip
        recorder.close()
        recorded, notes = capture.read(tmp_path / f"{number}")
        assert notes == []
        assert [one.failed for one in played] == [{}, {}]
        if number == 2:
            assert [one.comparison.differ for one in played] == [0, 0]
        recordings.append(recorded)
    first, second = (passed(one) for one in recordings)
    assert first == second
    assert [said for said in first["tcp-2"] if said[0] == "receiver"] == [("receiver", "NAK")] * 2
    assert {name: len(said) for name, said in first.items()} == {"tcp-1": 8, "tcp-2": 4, "udp-192.0.2.7:5": 4}


def passed(recorded: list[Happening]) -> dict[str, list[tuple[str, Any]]]:
    """What each side said on each connection; of an answer its word, since its stamp is another."""
    said = defaultdict(list)
    readers: dict[tuple[str, str], Reader] = defaultdict(Reader)
    for one in recorded:
        if one.what in ("panel", "receiver"):
            for piece in readers[one.connection, one.what].feed(one.data):
                said[one.connection].append((one.what, piece.data if one.what == "panel" else decode(piece).token))
    return said


async def test_with_stamps_of_now_and_other_keys_a_bench_acknowledges_what_it_would_refuse(
    open_bench: Callable[..., Any],
) -> None:
    bench = open_bench("tcp", book=OTHERS)
    recorded = [one for one in day() if one.connection == "tcp-2"]
    old = await play(recorded, bench.ports["tcp"][1], wait=1.0)
    assert {message.now and message.now.word for message, _ in old.messages} == {"DUH"}
    renewed = Changes("now", {"8C20": "5D31"}, STATION, OTHERS)
    new = await play(recorded, bench.ports["tcp"][1], changes=renewed, wait=1.0)
    for message, _ in new.messages:
        assert message.now
        assert message.now.frame
        assert (message.now.word, message.now.sealed, message.now.why) == ("ACK", True, "")
        assert opened_answer(message.now.frame.raw, OTHER_KEY)


async def test_later_rounds_that_run_on_are_new_messages_to_a_bench(open_bench: Callable[..., Any]) -> None:
    bench = open_bench("tcp")
    recorded = happenings(*asked(1, 2, 2))
    played = await play(recorded, bench.ports["tcp"][1], pace="answered", rounds=2, numbering=Numbering(None))
    entries = [await bench.entry() for _ in range(6)]
    assert [(entry["sequence"], entry["verdict"]) for entry in entries] == [
        (1, "accepted"), (2, "accepted"), (2, "repeat"), (3, "accepted"), (4, "accepted"), (4, "repeat"),
    ]  # fmt: skip
    assert [(message.round, message.judged.number) for message, _ in played.messages] == [
        (1, 1), (1, 3), (1, 5), (2, 1), (2, 3), (2, 5),
    ]  # fmt: skip


async def test_over_tls_it_is_played_to_a_tls_line(
    open_bench: Callable[..., Any], certificate: tuple[Path, Path]
) -> None:
    from receiver.wire import tls_context

    bench = open_bench("tls", certificate=certificate)
    played = await play(happenings(*asked(1)), bench.ports["tls"][1], tls=tls_context(certificate[0]), wait=2.0)
    assert (played.differences, played.failed) == ({}, {})
    assert (await bench.entry())["line"] == "tls"


async def test_what_is_ended_before_its_time_closes_its_connections_and_compares_what_was_answered() -> None:
    gone = asyncio.Event()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(echo(await reader.readuntil(b"\r"), "DUH"))
        await reader.read()
        writer.close()
        gone.set()

    server = await asyncio.start_server(serve, HOST, 0)
    played, compared = Played(), asyncio.Event()
    played.comparison.settled = lambda *_: compared.set()
    script = Script(Judging(), played.comparison)
    player = Player(
        HOST, server.sockets[0].getsockname()[1], played.comparison, lambda *_: None, lambda _: None, pace=1.0
    )
    playing = asyncio.create_task(player.play(script.steps(happenings(*asked(1, 1000)))))
    async with asyncio.timeout(2):
        await compared.wait()
        playing.cancel()
        await gone.wait()
    with pytest.raises(asyncio.CancelledError):
        await playing
    played.comparison.abandon()
    server.close()
    assert played.groups == {"ACK → DUH": 1}


# Into the desk


def desk(recorded: list[Happening], changes: Changes = KEPT, rounds: int = 1) -> list[dict[str, Any]]:
    shown: list[dict[str, Any]] = []
    comparison = Comparison()
    numbering = Numbering(None) if rounds > 1 else None
    script = Script(Judging(STATION), comparison, numbering=numbering, whole=changes.inside)
    renew = Renewal(changes, lambda _: None) if changes.inside or rounds > 1 else None
    into = IntoDesk(Judging(changes.as_book or STATION), comparison, renew, shown.append, lambda _: None)
    for _ in range(rounds):
        into.play(script.steps(recorded))
    return shown


def test_the_desk_hears_the_recording_by_its_clock() -> None:
    verdicts = [
        "accepted",
        "accepted",
        "accepted",
        "repeat",
        "noise",
        "unreadable",
        "accepted",
        "unknown-account",
        "poll",
    ]
    assert [entry["verdict"] for entry in desk(day())] == verdicts
    assert [entry["number"] for entry in desk(day())] == list(range(1, 10))


def test_the_desk_judges_changed_frames_by_the_other_book_and_a_second_round_anew() -> None:
    renewed = Changes("kept", {"8C20": "5D31"}, STATION, OTHERS)
    assert [entry["verdict"] for entry in desk(day(), renewed)] == [entry["verdict"] for entry in desk(day())]
    twice = desk(happenings(*asked(1, 2)), rounds=2)
    assert [(entry["row"], entry["number"], entry["sequence"], entry["verdict"]) for entry in twice] == [
        (1, 1, 1, "accepted"), (3, 3, 2, "accepted"), (4, 1, 3, "accepted"), (6, 3, 4, "accepted"),
    ]  # fmt: skip


def test_a_recording_of_any_length_holds_only_what_waits() -> None:
    """A connection that is never closed and never answered: the oldest are let go, each as a message without an answer."""
    comparison = Comparison()
    recorded = happenings(*((n, "tcp-1", "panel", alarm(1 + n)) for n in range(3000)))
    most = 0

    def look(entry: dict[str, Any]) -> None:
        nonlocal most
        most = max(most, entry["number"] - comparison.messages)

    IntoDesk(Judging(), comparison, None, look, lambda _: None).play(Script(Judging(), comparison).steps(recorded))
    assert comparison.messages == 3000
    assert most == 1000


def test_frames_without_a_key_are_counted_beforehand() -> None:
    assert keyless(day(), Changes("now")) == {"8C20": 2}
    assert keyless(day(), Changes("now", book=STATION)) == {}


# The command


def recording_at(path: Path, recorded: Iterable[Happening]) -> Path:
    capture.write(path, recorded, "invented for the tests", THEN)
    return path


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        (("--speed", "fast"), "--speed 'fast'"),
        (("--since", "noon"), "--since 'noon'"),
        (("--until", "25:00"), "--until '25:00'"),
        (("--account", "house"), "--account 'house'"),
        (("--map", "4471"), "--map '4471'"),
        (("--map", "4471=5000", "--map", "8C20=05000"), "two accounts would become"),
        (("--renumber", "10000"), "--renumber '10000'"),
        (("--capture", "new"), "--capture goes with --to"),
        (("--to", f"{HOST}:9", "--capture", "c"), "name the same file"),
        (("--to", f"{HOST}:9", "--timeout", "nan"), "--timeout nan"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_the_reason(
    inside: Farend, tmp_path: Path, options: tuple[str, ...], reason: str
) -> None:
    whole = recording_at(tmp_path / "c", day()).read_bytes()
    done = inside("replay", "c", *options)
    assert (done.code, done.out) == (2, b"")
    assert reason in done.err
    assert "Traceback" not in done.err
    assert (tmp_path / "c").read_bytes() == whole


@pytest.mark.parametrize(
    ("options", "numbers"),
    [
        ((), [1, 3, 5]),
        (("--since", "12:00:01"), [3, 5]),
        (("--since", "+00:01", "--until", "12:00:02"), [3]),
        (("--until", "2026-11-25T12:00:02Z"), [1, 3]),
        (("--since", "00:30", "--until", "12:30"), [1, 3, 5]),
        (("--since", "23:59"), []),
        (("--account", "004471", "--account", "8c20"), [1, 3, 5]),
        (("--account", "8C20"), []),
    ],
)
def test_a_slice_is_said_in_three_ways(
    inside: Farend, tmp_path: Path, options: tuple[str, ...], numbers: list[int]
) -> None:
    """The recording begins at 12:00:00.7 and has a message a second."""
    start = [(0, 1), (1, 2), (2, 3)]
    recorded = happenings(
        *(one for at, n in start for one in ((at, "t", "panel", alarm(n)), (at, "t", "receiver", ack(n))))
    )
    done = inside("replay", recording_at(tmp_path / "c", recorded), "--json", *options)
    assert [one["number"] for one in done.objects] == numbers


def test_the_report_groups_what_differs_and_shows_the_first_frame(
    inside: Farend, tmp_path: Path, station: Path
) -> None:
    duh = [(1.0, "tcp-1", "panel", alarm(4, "4417")), (1.0, "tcp-1", "receiver", ack(4, "4417"))]
    recorded = happenings(*asked(1, 2), *duh, *[(at + n, *rest) for n in range(2, 9) for at, *rest in duh])
    done = inside("replay", recording_at(tmp_path / "c", recorded), "--book", station)
    assert done.code == 1
    text = done.out.decode()
    assert "✗ ACK → DUH, 8 times: frames 5, 7, 9, 11, 13 …" in text
    assert "\\n" + alarm(4, "4417")[1:-1].decode() + "\\r" in text


def test_keys_that_are_missing_are_said_before_anything_else(inside: Farend, tmp_path: Path) -> None:
    done = inside("replay", recording_at(tmp_path / "c", day()), "--stamps", "now", "--json")
    assert done.err.splitlines()[0].startswith("farend: account 8C20: 2 sealed frames without a key in --book")
    assert "2 frames sent as recorded" in done.err
