"""A trial of a receiver: our own passes whole, and for every case there is a broken receiver that it catches."""

import json
import re
import socket
import subprocess
import threading
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from datetime import timedelta
from pathlib import Path
from xml.etree import ElementTree

import pytest

from protocols.seal import Key
from receiver.trial import of_receiver
from receiver.trial.case import SERIOUS, Case, Result, chosen
from receiver.trial.memory import Answerer, InMemory
from receiver.trial.report import read
from receiver.trial.stage import Known, Setup, Sockets, Stage
from receiver.wire import Kind
from tests.conftest import HOST, Farend, Listening, clean_environment, command, self_signed

ACCOUNTS = (
    Known("8C20", Key(bytes(range(16)))),
    Known("4471"),
    Known("8C24", Key(bytes(range(24)))),
    Known("8C32", Key(bytes(range(32)))),
    Known("1B3"),
    Known("A1B2C3D4E5F60718"),
    Known("0930"),
)
KINDS: tuple[Kind, ...] = ("tcp", "tls", "udp")
CASES = of_receiver.cases()


def tried(
    receiver: Answerer, kind: Kind = "tcp", cases: Sequence[Case[Stage]] = CASES, accounts: Sequence[Known] = ACCOUNTS
) -> list[Result]:
    """What a trial says of a receiver in memory."""
    link, setup = InMemory(receiver, kind), Setup(accounts)
    assert not of_receiver.examine(link, setup).why_not
    return list(of_receiver.run(cases, link, setup))


def test_there_are_at_least_150_cases_each_with_a_name_of_its_own_a_clause_and_words() -> None:
    assert len(CASES) >= 150
    assert not [name for name, count in Counter(case.id for case in CASES).items() if count > 1]
    for case in CASES:
        assert re.fullmatch(r"[a-z]+/[A-Za-z0-9-]+", case.id)
        assert re.match(r"DC-0[359]\b|common practice$", case.clause)
        assert {text[-1:] for text in (case.does, case.must)} == {"."}


@pytest.mark.parametrize("ahead", [0, 7])
@pytest.mark.parametrize("kind", KINDS)
def test_a_receiver_that_does_what_the_clauses_say_holds_in_every_case_that_applies(kind: Kind, ahead: int) -> None:
    results = tried(Answerer(ACCOUNTS, ahead=timedelta(seconds=ahead)), kind)
    assert not [(one.case.id, one.why) for one in results if one.verdict in ("fails", "unclear")]
    beside = {one.case.id for one in results if one.verdict == "not-applicable"}
    assert len(beside) < len(CASES) / 4


def test_every_case_applies_over_one_line_or_another() -> None:
    applies = {
        one.case.id for kind in KINDS for one in tried(Answerer(ACCOUNTS), kind) if one.verdict != "not-applicable"
    }
    assert applies == {case.id for case in CASES}


# Over sockets

KEYS = {one.number: bytes(range((one.key.bits if one.key else 0) // 8)).hex() for one in ACCOUNTS}
GIVEN = [part for one in ACCOUNTS[1:] for part in ("--also", f"{one.number}={KEYS[one.number]}".rstrip("="))]
SHARES = 3  # trials over each line at once, each of every third case; each counts where the others do not come
PLAYED = [
    (kind, CASES[share::SHARES], {one.number: 100 + 1100 * (KINDS.index(kind) * SHARES + share) for one in ACCOUNTS})
    for kind in KINDS
    for share in range(SHARES)
]
MINE = ("--account", "8C20", "--key", KEYS["8C20"], *GIVEN)


@pytest.fixture
def book(tmp_path: Path) -> Path:
    path = tmp_path / "book.toml"
    path.write_text(
        "".join(
            f'[[account]]\nnumber = "{number}"\nname = "Invented"\n' + (f'key = "hex:{key}"\n' if key else "")
            for number, key in KEYS.items()
        )
    )
    return path


def test_our_own_bench_passes_every_case_that_applies_over_tcp_tls_and_udp(
    book: Path, certificate: tuple[Path, Path], listening: Callable[..., Listening]
) -> None:
    secure = ("--tls", f"{HOST}:0", "--certificate", certificate[0], "--private-key", certificate[1])
    lines = ("--tcp", f"{HOST}:0", "--udp", f"{HOST}:0", *secure)
    bench = listening("--book", book, "--journal", "j", *lines)

    def over(played: tuple[Kind, Sequence[Case[Stage]], dict[str, int]]) -> list[Result]:
        kind, cases, begun = played
        link, setup = Sockets(HOST, bench.port(kind), kind), Setup(ACCOUNTS, quiet=0.1, sequences=dict(begun))
        assert not of_receiver.examine(link, setup).why_not
        setup.quiet = 0.1  # this machine does much else at once; what comes later is known for what it is
        return list(of_receiver.run(cases, link, setup))

    with ThreadPoolExecutor(len(PLAYED)) as pool:  # at once: most of the time nobody does anything, to hear silence
        tried = list(zip(PLAYED, pool.map(over, PLAYED), strict=True))
    for kind in KINDS:
        results = [one for (over_kind, _, _), share in tried for one in share if over_kind == kind]
        assert not [(kind, one.case.id, one.why) for one in results if one.verdict in ("fails", "unclear")]
        assert sorted(one.case.id for one in results) == sorted(case.id for case in CASES)
        assert sum(one.verdict == "holds" for one in results) > len(CASES) * 0.7
        # What a trial says beforehand that it will send is what it sent; an answer may be late and a try more.
        announced = of_receiver.rehearse(CASES, Setup(ACCOUNTS), kind).messages
        assert sum(one.messages for one in results) == pytest.approx(announced, rel=0.02)


def test_a_trial_that_holds_ends_with_0_and_says_so_in_every_report(
    book: Path, listening: Callable[..., Listening], inside: Farend, tmp_path: Path
) -> None:
    bench = listening("--book", book)
    wanted = ("--only", "replies", "--only", "envelope/crc-*", "--only", "udp", "--quiet", 0.1)
    done = inside("trial", "receiver", bench.at(), *MINE, *wanted, "--json", "--report", "r.html", "--junit", "r.xml")
    cases, head = done.objects[:-1], done.objects[-1]
    assert (done.code, head["trial"], head["fails"], head["unclear"], head["complete"]) == (0, "receiver", 0, 0, True)
    assert {one["verdict"] for one in cases if one["group"] != "udp"} == {"holds"}
    assert {one["verdict"] for one in cases if one["group"] == "udp"} == {"not-applicable"}
    assert read(tmp_path / "r.html").cases == cases
    skipped = ElementTree.parse(tmp_path / "r.xml").getroot().findall(".//skipped")
    assert len(skipped) == head["not_applicable"] > 0


@contextmanager
def receiver(*answers: bytes) -> Iterator[int]:
    """A port that takes what comes, gives these answers one after the other, and then is as silent as `nc -l`."""
    left = list(answers)

    def serve() -> None:
        with suppress(OSError):
            while True:
                connection, _ = server.accept()
                with connection, suppress(OSError):
                    while connection.recv(65536):
                        if left:
                            connection.sendall(left.pop(0))

    with socket.create_server((HOST, 0)) as server:
        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield server.getsockname()[1]
        finally:
            server.shutdown(socket.SHUT_RDWR)
    thread.join()


def test_a_receiver_that_never_answers_is_told_at_once_and_nothing_is_tried_on_it(
    inside: Farend, tmp_path: Path
) -> None:
    with receiver() as port:
        done = inside("trial", "receiver", f"{HOST}:{port}", "--account", "4471", "--wait", 0.3, "--report", "r.html")
    assert done.code == 1
    assert "no answer came to a right message of account 4471 in clear within 0.3 s" in done.out.decode()
    told = read(tmp_path / "r.html")
    assert (told.cases, told.head["complete"]) == ([], False)
    assert f"{len(CASES)} of {len(CASES)} cases were not tried" in told.head["ended_why"]


def test_a_closed_port_ends_with_2_and_still_leaves_a_report(inside: Farend, tmp_path: Path) -> None:
    with socket.create_server((HOST, 0)) as server:
        port = server.getsockname()[1]
    done = inside("trial", "receiver", f"{HOST}:{port}", "--account", "4471", "--report", "r.html", "--junit", "r.xml")
    assert (done.code, "Traceback" in done.err) == (2, False)
    assert "Connection refused" in done.err
    assert "Connection refused" in read(tmp_path / "r.html").head["ended_why"]
    assert (tmp_path / "r.xml").stat().st_size


def test_a_port_that_speaks_something_else_is_told(inside: Farend) -> None:
    with receiver(b"220 ready\r\n") as port:
        done = inside("trial", "receiver", f"{HOST}:{port}", "--account", "4471", "--wait", 0.3)
    assert (done.code, "not its ACK" in done.out.decode()) == (1, True)


def test_a_trial_in_which_no_case_applies_is_no_success_and_says_what_was_chosen(
    book: Path, listening: Callable[..., Listening], inside: Farend, tmp_path: Path
) -> None:
    bench = listening("--book", book)
    done = inside("trial", "receiver", bench.at(), "--account", "4471", "--only", "udp", "--report", "r.html")
    assert (done.code, "No case applies." in done.out.decode()) == (1, True)
    head = read(tmp_path / "r.html").head
    assert (head["only"], head["chosen"], head["of"]) == (["udp"], head["not_applicable"], len(CASES))
    assert "silence is nothing for 0.5 s" in head["settings"]
    assert "account 0D0D0D is taken for one that it does not know" in head["settings"]


def test_tls_to_a_port_that_speaks_none_is_told_as_that(inside: Farend) -> None:
    with receiver(b"220 ready\r\n") as port:
        done = inside("trial", "receiver", f"{HOST}:{port}", "--account", "4471", "--tls", "--wait", 0.3)
    assert (done.code, "does it speak TLS on this port?" in done.err) == (2, True)


def test_certificates_that_nobody_would_look_at_are_refused_by_everything_that_sends(
    certificate: tuple[Path, Path], inside: Farend
) -> None:
    for start in (("send", f"{HOST}:1", "--poll"), ("trial", "receiver", f"{HOST}:1")):
        done = inside(*start, "--account", "4471", "--trust", certificate[0])
        assert (done.code, "nothing goes over TLS; say --tls" in done.err) == (2, True)


def test_a_certificate_that_is_not_trusted_is_told_as_that(
    certificate: tuple[Path, Path], listening: Callable[..., Listening], inside: Farend, tmp_path: Path
) -> None:
    bench = listening("--tls", f"{HOST}:0", "--certificate", certificate[0], "--private-key", certificate[1])
    other, _ = self_signed(tmp_path)
    done = inside("trial", "receiver", bench.at("tls"), "--account", "4471", "--tls", "--trust", other)
    assert (done.code, "its certificate is not one that --trust vouches for" in done.err) == (2, True)


def test_who_stops_reading_stdout_takes_no_report_away(
    book: Path, listening: Callable[..., Listening], tmp_path: Path
) -> None:
    bench = listening("--book", book)
    given = ("trial", "receiver", bench.at(), *MINE, "--only", "polls/one-*", "--only", "token", "--quiet", "0.05")
    with _farend(tmp_path, *given, "--json", "--report", "r.html") as running:
        assert running.stdout
        running.stdout.readline()
        running.stdout.close()
        assert running.wait(30) == 0
        assert running.stderr
        said = running.stderr.read().decode()
    assert "nobody reads what --json prints any more; going on for the report" in said
    assert "Exception" not in said
    assert read(tmp_path / "r.html").head["complete"]


def test_a_trial_that_is_terminated_leaves_a_report_that_says_so(
    book: Path, listening: Callable[..., Listening], tmp_path: Path
) -> None:
    bench = listening("--book", book)
    with _farend(tmp_path, "trial", "receiver", bench.at(), *MINE, "--json", "--report", "r.html") as running:
        assert running.stdout
        running.stdout.readline()
        running.terminate()
        head = [json.loads(line) for line in running.stdout][-1]
        assert running.wait(30) == 1
    assert head["ended_why"].startswith("it was stopped by hand")
    assert read(tmp_path / "r.html").head == head


@contextmanager
def _farend(folder: Path, *arguments: str) -> Iterator[subprocess.Popen[bytes]]:
    """The command as a process of its own, for what only a process has: a pipe that closes, a signal."""
    pipe, where = subprocess.PIPE, clean_environment()
    with subprocess.Popen(command(*arguments), stdout=pipe, stderr=pipe, cwd=folder, env=where) as running:
        try:
            yield running
        finally:
            running.kill()


def test_who_acknowledges_a_clear_message_of_an_account_with_a_key_holds_but_the_note_is_marked() -> None:
    cases = list(chosen(CASES, ["*/clear-of-sealed-account"]))
    lax = list(of_receiver.run(cases, InMemory(Answerer((Known("8C20"),))), Setup(ACCOUNTS)))
    strict = tried(Answerer(ACCOUNTS), cases=cases)
    assert [one.verdict for one in (*lax, *strict)] == ["holds"] * 4
    assert all(note.startswith(SERIOUS) and "whoever knows the number" in note for one in lax for note in one.notes)
    assert sum(len(one.notes) for one in lax) == 2
    assert not any(note.startswith(SERIOUS) for one in strict for note in one.notes)


class _Dies(Answerer):
    """Answers thirty pieces, and then nothing any more."""

    left = 30

    def reply(self, *piece: object) -> bytes:
        self.left -= 1
        return super().reply(*piece) if self.left > 0 else b""  # type: ignore[arg-type]


def test_a_receiver_that_stops_answering_is_left_alone_soon() -> None:
    link, setup = InMemory(_Dies(ACCOUNTS)), Setup(ACCOUNTS)
    of_receiver.examine(link, setup)
    assert 0 < len(list(of_receiver.run(CASES, link, setup))) < len(CASES) / 2


def test_what_will_be_sent_and_from_whom_is_said_before(inside: Farend) -> None:
    with receiver() as port:
        done = inside("trial", "receiver", f"{HOST}:{port}", *MINE, "--wait", 0.1)
    said = re.search(r"About to send some ([\d,]+) messages to \S+ over TCP, in (\d+) cases", done.err)
    assert said
    assert int(said[1].replace(",", "")) > int(said[2]) == len(CASES)
    assert "8C20 AES-128, 4471 in clear" in done.err
    assert "bench tool, not a listed or approved receiver" in done.err


def test_another_machine_is_tried_only_once_its_address_was_typed(inside: Farend) -> None:
    done = inside("trial", "receiver", "192.0.2.7:12009", "--account", "4471", stdin=b"192.0.2.8\n")
    assert (done.code, "nothing was sent" in done.err) == (2, True)


@pytest.mark.parametrize(
    "options",
    [
        (), ("--account", "44"), ("--account", "4471", "--only", "nothing/*"), ("--account", "4471", "--udp", "--tls"),
        ("--account", "4471", "--clear-account", "04471"), ("--account", "4471", "--key", "xyz"),
        ("--account", "4471", "--unknown", "4471"), ("--account", "4471", "--report", "no/such/folder/r.html"),
        ("--account", "4471", "--also", "8C20=00"), ("--account", "4471", "--tls", "--trust", "nobody.pem"),
        ("--account", "4471", "--trust", __file__), ("--account", "4471", "--tls", "--trust", __file__),
        ("--account", "4471", "--wait", "inf"), ("--account", "4471", "--wait", "nan"),
        ("--account", "4471", "--quiet", "inf"), ("--account", "4471", "--wait", "1", "--quiet", "2"),
        ("--account", "4471", "--report", "r", "--junit", "./r"),
    ],
)  # fmt: skip
def test_what_cannot_be_run_says_why_and_sends_nothing(options: Sequence[str], inside: Farend) -> None:
    with receiver() as port:
        done = inside("trial", "receiver", f"{HOST}:{port}", *options)
    assert (done.code, "Traceback" in done.err, len(done.err) > 20) == (2, False, True)


def test_the_cases_can_be_listed_and_chosen(inside: Farend) -> None:
    assert len(inside("trial", "receiver", "--list", "--json").objects) == len(CASES)
    chosen = inside("trial", "receiver", "--list", "--json", "--only", "stamps", "--only", "*/one-answer").objects
    assert {one["group"] for one in chosen} == {"stamps", "replies"}
