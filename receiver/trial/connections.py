"""Cases of a trial of a receiver about connections and datagrams: whatever panels and networks do to them, and how long."""

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from functools import partial

from protocols.dc09 import decode
from receiver.trial.case import PRACTICE, Case, fails
from receiver.trial.stage import Known, Stage, Talk, in_words
from receiver.trial.told import STREAMS, acknowledged, all_acked, anything, at_once, fresh, noted, taken, told, two
from receiver.wire import Kind

CASES: list[Case[Stage]] = []
case = partial(told, CASES)


# ---- TCP and TLS --------------------------------------------------------------------------------------------------------


@case(
    "tcp/reopened-a-hundred-times", PRACTICE, "Opens a connection for each of a hundred messages and closes it after.",
    "An ACK on each.", over=STREAMS,
)  # fmt: skip
def reopened(stage: Stage) -> None:
    for count in range(100):
        talk = fresh(stage, f"connection {count + 1} of 100 must be taken")
        talk.tell(stage.message(), "ACK", why=f"an ACK is due on connection {count + 1} of 100")
        talk.close()


@case(
    "tcp/never-spoken", PRACTICE, "Opens and closes thirty connections without a byte, as a health check does.",
    "A message afterwards gets its ACK.", over=STREAMS,
)  # fmt: skip
def never_spoken(stage: Stage) -> None:
    for _ in range(30):
        fresh(stage).close()
    fresh(stage).tell(stage.message(), "ACK")


@case(
    "tcp/left-open", PRACTICE,
    "Leaves thirty connections open in silence, or one less than it takes, and sends a message on one more.",
    "An ACK, and two connections at least: who says nothing keeps nobody out.",
    "Taking fewer than thirty-one: how many is noted.", over=STREAMS,
)  # fmt: skip
def left_open(stage: Stage) -> list[str]:
    talks = taken(stage, 31)
    talks[-1].tell(stage.message(), "ACK", why="what it has taken, it must answer on")
    return noted(at_once(talks, 31))


@case(
    "tcp/half-closed", PRACTICE, "Sends a message, closes its half of the connection, and listens.",
    "The ACK: the message had arrived.", over=("tcp",),
)  # fmt: skip
def half_closed(stage: Stage) -> None:
    talk, said = stage.open(), stage.message()
    talk.send(said)
    talk.finish()
    talk.expect(said, "ACK")


@case(
    "tcp/half-closed-in-a-frame", "DC-09 5.5.1*", "Sends half a message and closes its half of the connection.",
    "No answer; a message on a new connection gets its ACK.", over=("tcp",),
)  # fmt: skip
def half_closed_in_a_frame(stage: Stage) -> None:
    talk, said = stage.open(), stage.message()
    talk.send(said.data[: len(said.data) // 2])
    talk.finish()
    talk.silence(said, "half a message gets no answer")
    fresh(stage).tell(said, "ACK")


@case(
    "tcp/slow-beside-others", PRACTICE, "Leaves a message half sent on one connection and sends another on a second.",
    "An ACK on the second at once, and on the first when the rest has come.", over=STREAMS,
)  # fmt: skip
def slow_beside_others(stage: Stage) -> None:
    slow_one, half = stage.open(), stage.message()
    slow_one.send(half.data[:30])
    fresh(stage).tell(stage.message(), "ACK", why="another connection must not wait for the first")
    slow_one.send(half.data[30:])
    slow_one.expect(half, "ACK")


@case(
    "tcp/twenty-without-waiting", PRACTICE, "Sends twenty messages one after the other without waiting for an answer.",
    "An ACK to each.", "Another order, or closing after an answer: noted.", over=STREAMS,
)  # fmt: skip
def twenty_without_waiting(stage: Stage) -> list[str]:
    talk, said = stage.open(), [stage.message() for _ in range(20)]
    for one in said:
        talk.send(one)
    return all_acked(talk, said, stage.setup.wait)


@case(
    "tcp/sealed-in-one-segment", "DC-09 5.5.1*", "Sends ten encrypted messages in one segment.", "An encrypted ACK to each.",
    "Another order, or closing after an answer: noted.", over=STREAMS,
)  # fmt: skip
def sealed_in_one_segment(stage: Stage) -> list[str]:
    account = stage.account("sealed")
    talk, said = stage.open(), [stage.message(account) for _ in range(10)]
    talk.send(b"".join(one.data for one in said))
    return all_acked(talk, said, stage.setup.wait)


@case(
    "tcp/two-accounts", PRACTICE, "Sends messages of two accounts in turn on one connection, as a gateway does.",
    "An ACK to each with its own account.", over=STREAMS,
)  # fmt: skip
def two_accounts(stage: Stage) -> None:
    accounts, talk = two(stage), stage.open()
    for one in accounts * 5:
        talk.tell(stage.message(one), "ACK")


@case(
    "tcp/second-connection", PRACTICE, "Opens a second connection for an account beside its first, and uses both in turn.",
    "An ACK to each message, on the connection that it came by.", over=STREAMS,
)  # fmt: skip
def second_connection(stage: Stage) -> None:
    one, other = stage.open(), fresh(stage)
    for _ in range(3):
        one.tell(stage.message(), "ACK", why="an ACK on the first connection is due")
        other.tell(stage.message(), "ACK", why="an ACK on the second connection is due")


@case(
    "tcp/two-at-once", PRACTICE, "Sends a message on each of two connections before it reads an answer.",
    "Each ACK on the connection that its message came by.", over=STREAMS,
)  # fmt: skip
def two_at_once(stage: Stage) -> None:
    one, other = stage.open(), fresh(stage)
    first, second = stage.message(), stage.message()
    one.send(first)
    other.send(second)
    other.expect(second, "ACK", why="the ACK to its message is due on the second connection")
    one.expect(first, "ACK", why="the ACK to its message is due on the first connection")


@case(
    "tcp/again-on-a-second", "DC-09 5.5.3.1*",
    "Sends a message, reads nothing, and sends the very same bytes on a second connection.",
    "An ACK on each.", over=STREAMS,
)  # fmt: skip
def again_on_a_second(stage: Stage) -> None:
    one, said = stage.open(), stage.message()
    one.send(said)
    fresh(stage).tell(said, "ACK", why="the repeat is due its ACK where it came")
    one.expect(said, "ACK")


def _left(leave: Callable[[Talk], None], stage: Stage) -> None:
    talk, said = stage.open(), stage.message()
    talk.send(said)
    leave(talk)
    fresh(stage).tell(said, "ACK", why="the repeat on a new connection is due its ACK")


for _name, _words, _leave in (("closed", "closes", Talk.close), ("reset", "resets", Talk.abort)):
    case(
        f"tcp/{_name}-before-the-answer", "DC-09 5.5.3.1*",
        f"Sends a message, {_words} the connection at once, and sends the very same bytes on a new one.",
        "An ACK to the second.", over=STREAMS,
    )(partial(_left, _leave))  # fmt: skip


@case(
    "tcp/reset-in-a-frame", PRACTICE, "Resets ten connections in the middle of a message, as after a power cut.",
    "The whole message on a new connection gets its ACK.", over=STREAMS,
)  # fmt: skip
def reset_in_a_frame(stage: Stage) -> None:
    said = stage.message()
    for at in range(5, 55, 5):
        talk = fresh(stage)
        talk.send(said.data[:at])
        talk.abort()
    fresh(stage).tell(said, "ACK", why="what was left of other connections must not reach into a new one")


@case(
    "tcp/idle", PRACTICE, "Sends a message, is silent for 3 s, and sends another on the same connection.",
    "An ACK to each.", "Closing the silent connection.", over=STREAMS,
)  # fmt: skip
def idle(stage: Stage) -> None:
    talk = stage.open()
    talk.tell(stage.message(), "ACK")
    stage.sleep(3)
    talk.tell(stage.message(), "ACK")


NOISE: dict[str, tuple[str, bytes]] = {
    "nul": ("a hundred NUL bytes", bytes(100)),
    "high": ("the bytes 0x80 to 0xFF", bytes(range(128, 256))),
    "controls": (
        "the control characters but LF and CR",
        bytes(value for value in range(1, 32) if value not in b"\n\r"),
    ),
    "line-ends": ("twenty CR LF", b"\r\n" * 20),
}


def _noise(data: bytes, stage: Stage) -> list[str]:
    talk = stage.open()
    talk.send(data)
    talk.silence(None, "what is no message gets no answer")
    closed = "it closed the connection" if talk.closed else ""
    return noted(closed, talk.control(patient=True))


for _name, (_words, _noise_bytes) in NOISE.items():
    case(
        f"tcp/noise-{_name}", PRACTICE, f"Sends {_words}, then a right message.",
        "No answer to the first; an ACK to the message.",
        "Closing the connection, or losing one try of the message: noted.", over=STREAMS,
    )(partial(_noise, _noise_bytes))  # fmt: skip


@case(
    "tcp/flood", PRACTICE, "Sends a megabyte of noise on one connection, and a message on another.",
    "An ACK to the message.", "Closing the connection, or not reading on: noted.", over=STREAMS,
)  # fmt: skip
def flood(stage: Stage) -> Iterable[str]:
    talk, sent = stage.open(), 0
    with suppress(OSError):
        for _ in range(64):
            talk.send(bytes(range(32, 96)) * 256)
            sent += 64 * 256
    fresh(stage).tell(stage.message(), "ACK", why="a message on another connection is due its ACK")
    if sent < 64 * 64 * 256:
        yield f"it took {sent} bytes of it"


# ---- UDP ----------------------------------------------------------------------------------------------------------------

_UDP: tuple[Kind, ...] = ("udp",)


@case(
    "udp/answered-where-it-came-from", PRACTICE, "Sends a message in a datagram, and takes answers from that port alone.",
    "The ACK comes from the port that the message went to, to the port that it came from.", over=_UDP,
)  # fmt: skip
def answered(stage: Stage) -> None:
    stage.open().tell(stage.message(), "ACK")


@case(
    "udp/again-from-another-port", "DC-09 5.5.3.1*",
    "Sends a message, and the very same bytes from another port, as a panel behind a router does.",
    "An ACK to each port.", over=_UDP,
)  # fmt: skip
def another_port(stage: Stage) -> None:
    said = stage.message()
    stage.open().tell(said, "ACK")
    stage.open().tell(said, "ACK", why="the repeat from another port is due its ACK there")


@case(
    "udp/twice", PRACTICE, "Sends the same datagram twice without waiting, as networks sometimes do.",
    "An ACK.", "A second one, or none: noted.", over=_UDP,
)  # fmt: skip
def twice(stage: Stage) -> list[str]:
    talk, said = stage.open(), stage.message()
    talk.send(said)
    talk.send(said)
    talk.expect(said, "ACK")
    second = talk.expect(said, "ACK", "silence")
    return ["it answered both"] if second else ["it answered once"]


@case(
    "udp/two-ports-in-turn", PRACTICE, "Sends messages from two ports, both before it reads an answer.",
    "Each ACK to the port that its message came from.", over=_UDP,
)  # fmt: skip
def two_ports(stage: Stage) -> None:
    one, other = stage.open(), stage.open()
    for _ in range(3):
        first, second = stage.message(), stage.message()
        one.send(first)
        other.send(second)
        other.expect(second, "ACK", why="the ACK to the second port is due there")
        one.expect(first, "ACK", why="the ACK to the first port is due there")


@case(
    "udp/fifty-ports", PRACTICE, "Sends a message from each of fifty ports.", "An ACK to each.", over=_UDP,
)  # fmt: skip
def fifty_ports(stage: Stage) -> None:
    for count in range(50):
        talk = stage.open()
        talk.tell(stage.message(), "ACK", why=f"an ACK to port {count + 1} of 50 is due")
        talk.close()


@case(
    "udp/two-accounts", PRACTICE, "Sends messages of two accounts in turn from one port.",
    "An ACK to each with its own account.", over=_UDP,
)  # fmt: skip
def udp_two_accounts(stage: Stage) -> None:
    accounts, talk = two(stage), stage.open()
    for one in accounts * 5:
        talk.tell(stage.message(one), "ACK")


@case(
    "udp/twenty-without-waiting", PRACTICE, "Sends twenty datagrams without waiting for an answer.",
    "An ACK to each.", "Another order: noted.", over=_UDP,
)  # fmt: skip
def udp_twenty(stage: Stage) -> list[str]:
    talk, said = stage.open(), [stage.message() for _ in range(20)]
    for one in said:
        talk.send(one)
    return all_acked(talk, said, stage.setup.wait)


@case(
    "udp/several-in-one", PRACTICE, "Sends five messages in one datagram.",
    "At least one ACK, and none that belongs to no message.", "How many are answered: noted.", over=_UDP,
)  # fmt: skip
def several_in_one(stage: Stage) -> list[str]:
    talk, due = stage.open(), [stage.message() for _ in range(5)]
    talk.send(b"".join(one.data for one in due))
    while due and (piece := talk.next(stage.setup.quiet)):
        fit = acknowledged(piece, due)
        if fit is None:
            fails(f"ACKs are due; {in_words(decode(piece))} came that belongs to none of the messages")
        due.remove(fit)
    if len(due) == 5:
        fails("five messages in one datagram got no answer at all")
    return [f"it answered {5 - len(due)} of 5"]


@case(
    "udp/cut-in-two", PRACTICE, "Sends half a message in one datagram and the rest in another.",
    "No answer: a datagram stands for itself. The whole message gets its ACK.", over=_UDP,
)  # fmt: skip
def cut_in_two(stage: Stage) -> None:
    talk, said = stage.open(), stage.message()
    talk.send(said.data[:25])
    talk.send(said.data[25:])
    talk.silence(said, "two halves in two datagrams are no message")
    talk.tell(said, "ACK")


@case(
    "udp/half", PRACTICE, "Sends the first half of a message in a datagram, and then the whole message.",
    "No answer to the half; one ACK to the message.", over=_UDP,
)  # fmt: skip
def half_a_datagram(stage: Stage) -> None:
    talk, said = stage.open(), stage.message()
    talk.send(said.data[:25])
    talk.tell(said, "ACK", why="what came before in another datagram must not reach into this one")
    talk.silence(said, "one message gets one answer")


def _odd_datagram(data: bytes, stage: Stage) -> None:
    talk = stage.open()
    talk.send(data)
    talk.silence(None, "what is no message gets no answer")
    talk.tell(stage.message(), "ACK", why="a right message after it is due its ACK")


for _name, (_words, _noise_bytes) in {"empty": ("an empty datagram", b""), **NOISE}.items():
    case(
        f"udp/{'noise-' if _noise_bytes else ''}{_name}", PRACTICE,
        f"Sends {_words}, then a right message in a datagram of its own.",
        "No answer to the first; an ACK to the message.", over=_UDP,
    )(partial(_odd_datagram, _noise_bytes))  # fmt: skip


def _beside_a_frame(before: bytes, after: bytes, stage: Stage) -> list[str]:
    said = stage.message()
    return anything(stage.open(), said._replace(data=before + said.data + after), stage.message())


for _name, _words, _before, _after in (
    ("before", "bytes before the LF", b"\x00\x00noise", b""),
    ("after", "CR LF after the CR", b"", b"\r\n"),
):
    case(
        f"udp/bytes-{_name}", PRACTICE, f"Sends a message with {_words} in its datagram, then a right one.",
        "An ACK to the second.", "An ACK or no answer to the first: noted.", over=_UDP,
    )(partial(_beside_a_frame, _before, _after))  # fmt: skip


@case(
    "udp/flood", PRACTICE, "Sends three hundred datagrams of noise, then a message, three times at most.",
    "An ACK to the message.", over=_UDP,
)  # fmt: skip
def udp_flood(stage: Stage) -> Iterable[str]:
    talk, said = stage.open(), stage.message()
    noise = bytes(at % 96 + 32 for at in range(96 + 200))
    for count in range(300):
        talk.send(noise[count % 96 :][:200])
    for tried in range(1, 4):  # what a flood displaces a panel sends again
        talk.send(said)
        if heard := talk.answer(said, stage.setup.wait / 3):
            if heard.word != "ACK":
                fails(f"the ACK to the message is due; {in_words(heard.frame)} came")
            if tried > 1:
                yield f"it answered when the message was sent time {tried}"
            return
    fails("a message after the flood, sent three times, got no answer")


# ---- endurance ----------------------------------------------------------------------------------------------------------


def _times(seconds: list[float]) -> str:
    ranked = sorted(seconds)
    half, most = ranked[len(ranked) // 2], ranked[min(len(ranked) * 99 // 100, len(ranked) - 1)]
    return f"answer time of {len(ranked)} messages: p50 {half * 1000:.1f} ms, p99 {most * 1000:.1f} ms"


def _many(stage: Stage, accounts: Sequence[Known], count: int) -> Iterable[str]:
    talk, took = stage.open(), []
    for number in range(count):
        said = stage.message(accounts[number % len(accounts)])
        began = stage.link.tick()
        talk.tell(said, "ACK", why=f"an ACK to message {number + 1} of {count} is due")
        took.append(stage.link.tick() - began)
    yield _times(took)


@case(
    "endurance/five-hundred", PRACTICE, "Sends five hundred messages one after the other on one connection.",
    "An ACK to each. The answer times are noted.",
)  # fmt: skip
def five_hundred(stage: Stage) -> Iterable[str]:
    return _many(stage, [stage.account()], 500)


@case(
    "endurance/accounts-in-turn", PRACTICE, "Sends two hundred messages of all accounts in turn on one connection.",
    "An ACK to each, its own. The answer times are noted.",
)  # fmt: skip
def accounts_alternating(stage: Stage) -> Iterable[str]:
    two(stage)
    return _many(stage, stage.setup.accounts, 200)


@case(
    "endurance/two-hundred-sealed", "DC-09 5.5.3.1", "Sends two hundred encrypted messages one after the other.",
    "An encrypted ACK to each. The answer times are noted.",
)  # fmt: skip
def two_hundred_sealed(stage: Stage) -> Iterable[str]:
    return _many(stage, [stage.account("sealed")], 200)


@case(
    "endurance/bad-among-good", "DC-09 5.5.1*",
    "Sends two hundred messages, and before every tenth one whose CRC is wrong.",
    "An ACK to each right message, and nothing to the others.",
)  # fmt: skip
def bad_among_good(stage: Stage) -> None:
    talk = stage.open()
    for number in range(1, 201):
        if number % 10 == 0:
            talk.send(stage.message(crc="wrong"))
        said = stage.message()
        talk.tell(said, "ACK", why=f"the ACK to right message {number} of 200 is due, and nothing to the bad ones")
    talk.silence(said, "a message with a wrong CRC gets no answer")


@case(
    "endurance/fifty-at-once", PRACTICE, "Opens fifty connections and sends a message on each before it reads an answer.",
    "An ACK on each that it takes, and two at least. How many it takes and the answer times are noted.",
)  # fmt: skip
def fifty_at_once(stage: Stage) -> Iterable[str]:
    return _at_once(stage, 50, 1)


@case(
    "endurance/under-load", PRACTICE, "Has twenty connections with a message outstanding on each, twenty times over.",
    "An ACK to each, on as many connections as it takes, two at least. The answer times are noted, each until it was read.",
)  # fmt: skip
def under_load(stage: Stage) -> Iterable[str]:
    return _at_once(stage, 20, 20)


def _at_once(stage: Stage, connections: int, rounds: int) -> Iterable[str]:
    talks = taken(stage, connections)
    yield from noted(at_once(talks, connections))
    connections = len(talks)
    accounts, took = stage.setup.accounts, []
    for _ in range(rounds):
        said = [stage.message(accounts[count % len(accounts)]) for count in range(connections)]
        began = []
        for talk, one in zip(talks, said, strict=True):
            began.append(stage.link.tick())
            talk.send(one)
        for count, (talk, one, then) in enumerate(zip(talks, said, began, strict=True)):
            talk.expect(one, "ACK", why=f"an ACK on connection {count + 1} of {connections} is due")
            took.append(stage.link.tick() - then)
    yield _times(took)
