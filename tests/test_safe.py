"""Safe on a network: TLS and who shows which certificate, and what one address may cost.

Old and weak offers are made by Python's `ssl` and by the `openssl` command, which owe nothing to the code under test.
"""

import asyncio
import contextlib
import shutil
import ssl
import subprocess
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from conftest import BOOK, HOST, SECONDS, Bench, Farend, Listening, Stream, ack, alarm, self_signed
from cryptography import x509
from cryptography.hazmat.primitives import hashes

from receiver.book import Book, BookError, parse
from receiver.guard import (
    A_SECOND,
    ALLOWED,
    AT_ONCE,
    BYTES,
    DATAGRAMS,
    MOST_WAITING,
    UNREADABLE,
    WAITING,
    Bounds,
    Guard,
    networks,
    site_of,
)
from receiver.tls import Files, Renewed

Open = Callable[..., Bench]
Pair = tuple[Path, Path]
THERE = "127.0.0.2"  # an address of this machine that is limited as any other


# TLS


def trusting(pair: Pair, own: Pair | None = None) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=pair[0])
    if own:
        context.load_cert_chain(*own)
    return context


@pytest.fixture(scope="module")
def pairs(tmp_path_factory: pytest.TempPathFactory) -> tuple[Pair, Pair]:
    """The certificates of two panels."""
    one, other = (self_signed(tmp_path_factory.mktemp("panel"), name) for name in ("one", "other"))
    return one, other


def mark(pair: Pair) -> str:
    found = x509.load_pem_x509_certificate(pair[0].read_bytes())
    return f"sha256:{found.fingerprint(hashes.SHA256()).hex()}"


@pytest.mark.parametrize(
    ("suites", "welcome"),
    [
        ("ECDHE-ECDSA-AES128-GCM-SHA256", True), ("ECDHE-ECDSA-CHACHA20-POLY1305", True),
        ("ECDHE-ECDSA-AES256-SHA", False), ("ECDHE-ECDSA-AES128-SHA256", False),
    ],
)  # fmt: skip
async def test_tls_1_2_is_spoken_with_authenticated_encryption_alone(
    open_bench: Open, certificate: Pair, suites: str, welcome: bool
) -> None:
    bench = open_bench("tls", certificate=certificate)
    context = trusting(certificate)
    context.maximum_version = ssl.TLSVersion.TLSv1_2
    context.set_ciphers(suites)
    if welcome:
        assert await (await bench.panel("tls", context)).ask(alarm(12)) == ack(12)
    else:
        with pytest.raises(ssl.SSLError, match=r"(?i)handshake.failure"):
            await bench.panel("tls", context)


async def test_the_openssl_command_gets_1_3_and_no_static_rsa(open_bench: Open, certificate: Pair) -> None:
    assert shutil.which("openssl"), "the openssl command: apt-get install openssl"
    bench = open_bench("tls", certificate=certificate)
    where = f"{HOST}:{bench.ports['tls'][1]}"

    async def offer(*more: str) -> str:
        command = ["openssl", "s_client", "-connect", where, *more]
        done = await asyncio.to_thread(
            subprocess.run, command, input="", capture_output=True, text=True, check=False, timeout=SECONDS
        )
        return done.stdout

    assert "TLSv1.3" in await offer()
    assert "Cipher is (NONE)" in await offer("-tls1_2", "-cipher", "AES256-GCM-SHA384:AES128-SHA:@SECLEVEL=0")


async def test_a_new_certificate_is_for_new_connections_and_a_bad_one_for_nobody(
    open_bench: Open, certificate: Pair, pairs: tuple[Pair, Pair], tmp_path: Path
) -> None:
    here = tmp_path / "now.pem", tmp_path / "now.key"

    def put(pair: Pair) -> None:
        for source, target in zip(pair, here, strict=True):
            shutil.copy(source, target)

    put(certificate)
    bench = open_bench("tls", certificate=here)
    old = await bench.panel("tls", trusting(certificate))
    assert await old.ask(alarm(1)) == ack(1)
    put(pairs[0])
    bench.bench.renew_certificates(asked=True)
    assert await bench.tells("the certificate was read again")
    assert await (await bench.panel("tls", trusting(pairs[0]))).ask(alarm(2)) == ack(2)
    here[1].write_text("no key at all")
    bench.bench.renew_certificates(asked=True)
    assert await bench.tells("THE CERTIFICATE CANNOT BE READ AGAIN, the old one stays")
    assert await (await bench.panel("tls", trusting(pairs[0]))).ask(alarm(3)) == ack(3)
    assert await old.ask(alarm(4)) == ack(4)
    with pytest.raises(ssl.SSLCertVerificationError):
        await bench.panel("tls", trusting(certificate))


def test_files_that_change_are_read_again_once_they_have_come_to_rest(pairs: tuple[Pair, Pair], tmp_path: Path) -> None:
    here = [tmp_path / "one.pem", tmp_path / "one.key"]
    for source, target in zip(pairs[0], here, strict=True):
        shutil.copy(source, target)
    renewed = Renewed(Files(*here))
    assert renewed.look() is None
    shutil.copy(pairs[1][0], here[0])
    assert renewed.look() is None  # its key is about to follow
    shutil.copy(pairs[1][1], here[1])
    assert renewed.look() is None
    assert mark(pairs[1]) in (renewed.look() or "")
    assert renewed.look() is None


def book_with(more: str, tmp_path: Path) -> Book:
    return parse(BOOK.replace('number = "4471"\n', f'number = "4471"\n{more}\n', 1), "station.toml", tmp_path)


@pytest.mark.parametrize("own", ["right", "other", "none"])
async def test_over_tls_an_account_shows_the_certificate_that_the_book_names(
    open_bench: Open, certificate: Pair, pairs: tuple[Pair, Pair], tmp_path: Path, own: str
) -> None:
    authority = tmp_path / "panels.pem"
    authority.write_bytes(b"".join(pair[0].read_bytes() for pair in pairs))
    wanted = f'certificate = "sha256:{"0" * 64} {mark(pairs[0])}"'
    bench = open_bench("tls", "tcp", certificate=certificate, client_ca=authority, book=book_with(wanted, tmp_path))
    shows = {"right": pairs[0], "other": pairs[1], "none": None}[own]
    said = await bench.say(await bench.panel("tls", trusting(certificate, shows)), alarm(12))
    if own == "right":
        assert (said.entry["verdict"], said.answer) == ("accepted", ack(12))
        return
    assert (said.entry["verdict"], said.entry["reply"], said.entry["refused_alarm"]) == (
        "wrong-certificate",
        "DUH",
        True,
    )
    assert said.problems == ["wrong-certificate"]
    assert (mark(pairs[1]) in said.entry["problems"][0]["detail"]) == (own == "other")
    assert (await bench.say(await bench.panel("tcp"), alarm(13))).entry["verdict"] == "accepted"


def test_our_own_panel_shows_its_certificate(
    certificate: Pair, pairs: tuple[Pair, Pair], station: Path, tmp_path: Path,
    listening: Callable[..., Listening], farend: Farend,
) -> None:  # fmt: skip
    printed = subprocess.run(
        ["openssl", "x509", "-noout", "-fingerprint", "-sha256", "-in", str(pairs[0][0])],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.strip()
    (tmp_path / "b.toml").write_text(
        BOOK.replace('number = "4471"\n', f'number = "4471"\ncertificate = "{printed}"\n', 1)
    )
    bench = listening(
        "--tls", f"{HOST}:0", "--certificate", certificate[0], "--private-key", certificate[1], "--client-ca", pairs[0][0],
        "--book", tmp_path / "b.toml", "--journal", tmp_path / "j",
    )  # fmt: skip
    message = ("send", bench.at("tls"), "--tls", "--account", "4471", "--contact-id", "1131 01 015")
    own = ("--certificate", pairs[0][0], "--private-key", pairs[0][1])
    assert farend(*message, "--trust", certificate[0], *own).code == 0
    assert farend(*message, "--trust", certificate[0]).code == 4
    refused = farend(*message, "--trust", pairs[0][0], *own)  # it would see the same at each further try
    assert (refused.code, "certificate is not trusted" in refused.err + refused.out.decode()) == (5, True)
    swapped = farend(*message, "--certificate", pairs[0][1], "--private-key", pairs[0][0])
    assert (swapped.code, "do not belong together" in swapped.err) == (2, True)


async def test_who_shows_what_nobody_signed_is_not_let_in(
    open_bench: Open, certificate: Pair, pairs: tuple[Pair, Pair]
) -> None:
    bench = open_bench("tls", certificate=certificate, client_ca=pairs[0][0])
    with pytest.raises((ssl.SSLError, ConnectionError, AssertionError)):  # TLS 1.3 says so after the handshake
        await (await bench.panel("tls", trusting(certificate, pairs[1]))).ask(alarm(1))
    assert await (await bench.panel("tls", trusting(certificate))).ask(alarm(2)) == ack(2)
    (row,) = [row for row in bench.rows(events=True) if row.get("event") == "connection"]
    assert "TLS failed" in row["detail"]


async def test_what_may_come_over_tls_alone_is_refused_elsewhere(open_bench: Open, tmp_path: Path) -> None:
    book = book_with(f'certificate = "sha256:{"0" * 64}"\nonly_tls = true', tmp_path)
    said = await (bench := open_bench("tcp", book=book)).say(await bench.panel(), alarm(12))
    assert (said.entry["verdict"], said.entry["refused_alarm"]) == ("wrong-certificate", True)


@pytest.mark.parametrize(
    ("more", "told"), [('certificate = "sha256:12"', "64 hex digits"), ("only_tls = true", "needs the certificate")]
)
def test_a_mistake_about_certificates_is_told_with_its_line(more: str, told: str, tmp_path: Path) -> None:
    with pytest.raises(BookError, match=rf"station\.toml:\d+: .*{told}"):
        book_with(more, tmp_path)


# What one address may cost


class Ticks:
    now = 100.0

    def __call__(self) -> float:
        return self.now


def guarded(**bounds: Any) -> tuple[Guard, Ticks]:
    ticks = Ticks()
    return Guard(replace(Bounds(), **bounds), ticks, Counter()), ticks


def test_connections_are_bounded_at_once_and_a_second_for_each_address_alone() -> None:
    guard, ticks = guarded(connections=25, opened=2.0)  # twenty may come at once
    assert [guard.admits("192.0.2.1") for _ in range(21)] == [True] * 20 + [False]
    assert guard.admits("192.0.2.2")
    ticks.now += 60
    assert [guard.admits("192.0.2.1") for _ in range(6)] == [True] * 5 + [False]
    guard.left("192.0.2.1")
    assert guard.admits("192.0.2.1")
    assert guard.counts == {A_SECOND: 1, AT_ONCE: 1}


def test_too_many_bytes_are_read_later_and_datagrams_dropped() -> None:
    guard, ticks = guarded(octets=100.0)
    assert guard.took("192.0.2.1", 400) == 0
    assert guard.took("192.0.2.1", 200) == pytest.approx(2.0)
    assert not guard.takes("192.0.2.1", 1)
    ticks.now += 3
    assert guard.takes("192.0.2.1", 100)
    assert not guard.takes("192.0.2.1", 1)
    assert guard.counts == {BYTES: 1, DATAGRAMS: 2}


@pytest.mark.parametrize("own", ["127.0.0.1", "::1", "::ffff:127.0.0.1"])
def test_this_machine_itself_is_not_limited_however_its_address_is_written(own: str) -> None:
    guard, _ = guarded(connections=1)
    assert [guard.admits(own) for _ in range(3)] == [True] * 3


def test_what_is_limited_is_told_once_a_minute() -> None:
    guard, ticks = guarded(unreadable=3)
    kept = [guard.keeps_unreadable("192.0.2.1") for _ in range(10)]
    assert kept == [True] * 3 + [False] * 7
    assert guard.report() == (
        "7 pieces of noise or damaged frames without a row of their own: 192.0.2.1",
        {UNREADABLE: 7},
    )
    assert not guard.keeps_unreadable("192.0.2.1")
    assert guard.report() is None
    ticks.now += 60
    assert guard.keeps_unreadable("192.0.2.1")  # another minute
    assert guard.report() == (
        "1 pieces of noise or damaged frames without a row of their own: 192.0.2.1",
        {UNREADABLE: 1},
    )
    assert guard.report() is None


def test_an_ipv6_site_is_one_and_a_mapped_address_is_what_it_maps() -> None:
    assert site_of("2001:db8::1") == site_of("2001:db8::ffff:1%eth0") != site_of("2001:db8:0:1::1")
    assert site_of("::ffff:192.0.2.1") == "192.0.2.1"


def test_the_default_bounds_let_a_thousand_panels_behind_one_address_come_back_at_once() -> None:
    guard, _ = guarded()
    assert all(guard.admits("192.0.2.1") and not guard.took("192.0.2.1", 250) for _ in range(1000))
    assert not guard.counts


@pytest.mark.parametrize("text", ["192.0.2.1/24", "everybody"])
def test_what_is_no_network_is_said(text: str) -> None:
    with pytest.raises(ValueError, match="is no network such as"):
        networks([text])


async def refused(bench: Bench, at: str) -> bool:
    """Whether a connection from there is closed without an answer."""
    panel = await bench.panel(at=at)
    try:
        await panel.ask(alarm(99))
    except (AssertionError, ConnectionError):
        return True
    return False


async def test_who_is_not_allowed_is_closed_at_once_and_ignored_on_udp(open_bench: Open) -> None:
    bench = open_bench(bounds=Bounds(allow=networks([f"{HOST}/32"])))
    assert await refused(bench, THERE)
    datagrams = await bench.panel("udp", at=THERE)
    await datagrams.send(alarm(1))
    assert await datagrams.hears_nothing()
    assert await (await bench.panel()).ask(alarm(2)) == ack(2)
    assert bench.bench.counts.limited == {ALLOWED: 2}
    assert [row["sequence"] for row in bench.rows(verdict="accepted")] == [2]


@pytest.mark.parametrize("line", ["tcp", "tls"])
async def test_too_many_connections_of_one_address_are_refused_and_room_is_made_again(
    open_bench: Open, certificate: Pair, line: str
) -> None:
    bench = open_bench(line, certificate=certificate, bounds=Bounds(connections=2))
    context = trusting(certificate) if line == "tls" else None
    first, second = [await bench.panel(line, context, THERE) for _ in range(2)]
    assert await second.ask(alarm(1)) == ack(1)
    with pytest.raises((AssertionError, OSError)):
        await (await bench.panel(line, context, THERE)).ask(alarm(2))
    assert await (await bench.panel(line, context)).ask(alarm(3)) == ack(3)
    await first.close()
    assert await second.ask(alarm(5)) == ack(5)  # by then the bench has seen that the first is gone
    assert await (await bench.panel(line, context, THERE)).ask(alarm(4)) == ack(4)
    assert bench.bench.counts.limited == {AT_ONCE: 1}
    assert await bench.tells("limited: 1 connections refused, too many at once: 127.0.0.2")
    assert await second.ask(alarm(6)) == ack(6)  # with it, what came before is on disk
    assert len([row for row in bench.rows(events=True) if row.get("event") == "limited"]) == 1


async def test_noise_of_a_neighbour_costs_rows_only_up_to_a_bound_and_nobodys_answer(open_bench: Open) -> None:
    bench = open_bench(bounds=Bounds(unreadable=5))
    noisy, honest = [await bench.panel(at=THERE) for _ in range(2)]
    await noisy.send(b"\nnot a frame at all\r" * 200)
    with pytest.raises((AssertionError, ConnectionError)):
        await noisy.until(b"\r")  # it is let go
    assert await honest.ask(alarm(1)) == ack(1)
    assert await (await bench.panel(at=THERE)).ask(alarm(2)) == ack(2)
    assert len(bench.rows(verdict="unreadable")) == 5
    assert 0 < bench.bench.counts.limited[UNREADABLE] <= 195


@pytest.mark.parametrize("line", ["tcp", "tls"])
async def test_who_is_let_go_is_told_so_however_its_frames_came(open_bench: Open, certificate: Pair, line: str) -> None:
    """A connection that stayed open and unread would keep a panel from coming on another."""
    bench = open_bench(line, certificate=certificate, bounds=Bounds(unreadable=5))
    panel = await bench.panel(line, trusting(certificate) if line == "tls" else None, THERE)
    damaged = b"\n0000" + alarm(1)[5:]
    for number in range(6):  # each in a segment of its own
        await panel.send(damaged)
        assert number == 5 or await panel.hears_nothing(0.05)
    with pytest.raises((AssertionError, ConnectionError)):
        await panel.until(b"\r")
    await panel.close()
    assert len(bench.rows(verdict="unreadable")) == 5


async def test_a_flood_of_one_address_is_read_slowly_and_all_of_it_answered(open_bench: Open) -> None:
    bench = open_bench("tcp", bounds=Bounds(octets=4096.0))
    flood = await bench.panel(at=THERE)
    await flood.send(b"".join(alarm(number) for number in range(1, 451)))
    assert await (await bench.panel()).ask(alarm(1, "8C20"))
    await flood.until(ack(450))
    assert bench.bench.counts.limited[BYTES] > 0


async def test_a_neighbours_flood_behind_one_address_silences_nobody(open_bench: Open) -> None:
    """A panel that calls for each message, and one that has kept its connection."""
    bench = open_bench("tcp", bounds=Bounds(octets=4096.0))
    kept = await bench.panel(at=THERE)
    assert await kept.ask(alarm(1)) == ack(1)
    floods = [await bench.panel(at=THERE) for _ in range(40)]
    flood = b"".join(alarm(number, "7777") for number in range(1, 5000))
    assert len(floods) * len(flood) > 2 * MOST_WAITING

    async def pour(panel: Any) -> None:
        with contextlib.suppress(ConnectionError):
            await panel.send(flood)

    pouring = [asyncio.create_task(pour(panel)) for panel in floods]
    await asyncio.sleep(0.5)
    assert bench.bench.counts.limited[BYTES] > 0
    for number in (2, 3, 4):
        assert await kept.ask(alarm(number)) == ack(number)
        caller = await bench.panel(at=THERE)
        assert await caller.ask(alarm(number, "8C20")) != b""
        await caller.close()
    assert bench.bench.counts.limited[WAITING] > 0
    for task in pouring:
        task.cancel()
    await asyncio.gather(*pouring, return_exceptions=True)
    for panel in floods:
        panel.writer.transport.abort()


async def test_who_begins_no_handshake_is_closed_in_time(open_bench: Open, certificate: Pair) -> None:
    bench = open_bench("tls", certificate=certificate, limits={"frame": 0.3})
    silent = Stream(*await asyncio.open_connection(*bench.ports["tls"]))
    longer = await bench.panel("tls", trusting(certificate))
    with contextlib.suppress(ConnectionError):
        async with asyncio.timeout(SECONDS):
            assert await silent.receive() == b""
    assert await longer.ask(alarm(1)) == ack(1)  # its handshake was over, and it may be silent
    await silent.close()
