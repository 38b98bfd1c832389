"""A recording made fit to keep: nothing of the old values is left, and every verdict, fault and length is as it was."""

import json
import re
import stat
import subprocess
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from crccheck.crc import Crc16Arc
from hypothesis import example, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from protocols.contact_id import block, read_block
from protocols.dc09 import build, decode
from protocols.envelope import wrap
from protocols.exchange import answer
from protocols.seal import Key, SealError, seal, unseal
from receiver import capture
from receiver.book import Book, parse
from receiver.capture import Happening
from receiver.rehearing import Judging, rehear
from receiver.scrub import Scrubber, frame_of, held_alike, walk
from receiver.substitutes import ScrubError, Substitutes, invent, is_nobodys, is_ours
from receiver.telltale import look
from tests.conftest import KEY, OTHER_KEY, SECRET, alarm, envelope, sealed
from tools.farend import app

SEALED = re.compile(r"\[[0-9A-F]{32,}")
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
STAMP = "_12:00:00,11-25-2026"
BOOK = f"""
[[account]]
number = "471183"
name = "Tern Point field station"
  [[account.zone]]
  number = "015"
  name = "Freezer room door"
  [[account.path]]
  name = "over the mast"
  network = "10.20.30.0/24"
  [[account.path]]
  name = "wired"
  network = "10.20.0.0/16"
[[account]]
number = "8C20F7"
name = "Harrow Lane pumping house"
key = "hex:{SECRET}"
"""
STATION = parse(BOOK, "the book of the tests", Path())
HOSTS = ("10.20.30.40", "10.20.1.2", "172.31.255.200", "127.0.0.1", "2a02:8084::1")
OLD = ("471183", "0471183", "8C20F7", "471138", "Tern Point", "Bilge", "38.7223", "cameras", "10.20.30.40", "BC:5F:F4")
EXTENDED = "[VHTTPS://cameras.invalid/471183][X-9.1393][Y38.7223][MBC:5F:F4:01:02:03][N10.20.30.40][STern Point]"


def scrubbed(happenings: list[Happening], book: Book, secret: bytes = b"of the tests") -> tuple[list[Happening], Book]:
    """Take in, settle, replace: the new recording and the new book."""
    substitutes = Substitutes(secret)
    for last in (False, True):
        scrubber = Scrubber(substitutes, book)
        text = scrubber.book(book.accounts)
        found = list(walk(happenings, Judging(book), scrubber))
        if not last:
            substitutes.settle()
    return found, parse(text, "the new book", Path())


def over(*data: bytes, line: str = "tcp", host: str = HOSTS[0], side: str = "panel") -> list[Happening]:
    peer = f"[{host}]:40112" if ":" in host else f"{host}:40112"
    name = f"udp-{peer}" if line == "udp" else "tcp-1"
    said = [Happening(NOON + timedelta(milliseconds=n), name, side, one) for n, one in enumerate(data, 1)]  # type: ignore[arg-type]
    return [Happening(NOON, name, "open", b"", line, peer), *said]


def only(data: bytes, book: Book = STATION) -> bytes:
    """One piece, scrubbed."""
    found, new = scrubbed(over(data), book)
    held_alike(rehear(over(data), Judging(book)), rehear(found, Judging(new)))
    return b"".join(one.data for one in found)


def binary(frame: bytes) -> bytes:
    return frame[:1] + bytes.fromhex(frame[1:5].decode()) + frame[5:]


def broken_in_some_way(frame: bytes) -> list[bytes]:
    return [
        frame,
        frame[:-1],
        frame[:5] + b"0" + frame[5:8] + frame[9:],
        frame[:5] + b"0FFF" + frame[9:],
        frame[:5] + b"1FFF" + frame[9:],
        b"\n%04X" % (int(frame[1:5], 16) ^ 0x1234) + frame[5:],
        frame[:1] + frame[1:9].lower() + frame[9:],
        binary(frame),
        b"\nzzzz" + frame[5:],
        frame[1:],
        frame[: len(frame) // 2],
        frame.replace(b'"', b"", 1),
    ]


heads = st.sampled_from(
    ("0001L0#471183", "0001R7A5B1L0#0471183", "0001L0#471138", "0001L0#8C20F7", "12A4L0#471183", "0001L0",
     "0000L0#471183", "0001#471183", "0001RXL0#8c20f7", "0001L0#47", "0001L0#4711 83")
)  # fmt: skip
IN_LETTERS = (
    "#471183|Nri1/BA15*Tern Point*",
    "#8C20F7|Nri1id4/FA3^Bilge 2^/BR3",
    "|Nri1/RP00",
    "#471138|OBA15ABilge door",
)
IN_LETTERS += ("#471183|Nri1/BA15 Tern Point", "#471183|NciTern Point/BA1", "#471183|Nri1/B!Tern Point", "Tern Point")
IN_LETTERS += ("#471183|Nri1/ZQ1", "#471183", "#471183 Nri1/BA15")
IN_DIGITS = ("#471183|1131 01 015", "#471183|1999 01 015", "#471183|1131 01", "#471183|" + block("4711", "1131 01 015"))
IN_DIGITS += ("#471183|4711181131010150", "#471183|Tern Point 471183", "#471183|2131 01 015")
OTHERS = [
    ("NULL", ""),
    ("NULL", "#471183|"),
    ("XYZ", "#471183|Tern Point"),
    ("ACK", ""),
    ("DUH", ""),
    ("Tern Point", ""),
]
messages = st.sampled_from(
    [("SIA-DCS", one) for one in IN_LETTERS] + [("ADM-CID", one) for one in IN_DIGITS] + [*OTHERS, ("RSP", "Bilge")]
)
tails = st.sampled_from(
    ("]", "]" + STAMP, "]" + EXTENDED + STAMP, "", "]junk of Bilge", "][H12:34]", "][lower Bilge]", "][QTern Point]",
     "]_12:00:00", "][H11:00:00,11-25-2026]" + STAMP)
)  # fmt: skip


@st.composite
def pieces(draw: st.DrawFn) -> bytes:
    """A frame of any kind, right or broken in some way; or bytes that are none."""
    if not draw(st.integers(0, 9)):
        return draw(
            st.sampled_from(
                (b"\x16\x03\x01Tern Point", b"GET /471183 HTTP/1.1 ", b"\n\n", b"\n", b"\n4711", b"471183 Bilge")
            )
            | st.binary(max_size=40)
        )
    head, (token, data), tail = draw(heads), draw(messages), draw(tails)
    content = data + tail
    how = draw(st.sampled_from(("clear", "sealed", "other", "damaged", "cut", "lower")))
    if how != "clear":
        token = "*" + token
        content = seal(OTHER_KEY if how == "other" else KEY, content, lambda count: b"p" * count)
        content = {"damaged": "00" + content[2:], "cut": content[:-3], "lower": content.lower()}.get(how, content)
    return draw(st.sampled_from(broken_in_some_way(wrap(f'"{token}"{head}[{content}'.encode()))))


@settings(max_examples=300, deadline=None)
@given(
    said=st.lists(pieces(), min_size=1, max_size=6),
    cuts=st.lists(st.integers(0, 2000), max_size=5),
    line=st.sampled_from(("tcp", "udp")),
    host=st.sampled_from(HOSTS),
    side=st.sampled_from(("panel", "receiver")),
    secret=st.binary(min_size=1, max_size=8),
)
@example(said=[b'\n~"0055"'], cuts=[], line="tcp", host=HOSTS[0], side="panel", secret=b"x")
def test_whatever_was_recorded_is_judged_as_before_and_nothing_of_the_old_is_left(  # type: ignore[no-untyped-def]
    said, cuts, line, host, side, secret
) -> None:
    stream = b"".join(said)
    places = sorted({0, len(stream), *(cut % (len(stream) + 1) for cut in cuts)})
    old = over(*(stream[a:b] for a, b in pairwise(places)), line=line, host=host, side=side)
    new, book = scrubbed(old, STATION, secret)
    assert [(one.at, one.what, len(one.data)) for one in new] == [(one.at, one.what, len(one.data)) for one in old]
    held_alike(rehear(old, Judging(STATION)), rehear(new, Judging(book)))
    told = "\n".join(f"{one.connection} {one.peer} {one.data.decode('latin-1')}" for one in new)
    told += "\n".join(frame_of(one).content or "" for one in rehear(new, Judging(book)))  # type: ignore[arg-type]
    for value in OLD:
        # What is sealed is as good as random: it may hold any short number by chance, and says nothing of it.
        assert value.upper() not in SEALED.sub("[", told.upper()) or value == host
    assert look(new, Judging(book)).found == {}


def test_a_crc_is_right_again_where_it_was_right_and_as_wrong_where_it_was_wrong() -> None:
    """The crc of `crccheck`."""
    frame = alarm(7, "471183")
    new = only(frame)
    assert new[1:5] == b"%04X" % Crc16Arc.calc(new[9:-1])
    wrong = only(b"\n%04X" % (int(frame[1:5], 16) ^ 0x0101) + frame[5:])
    assert int(wrong[1:5], 16) ^ Crc16Arc.calc(wrong[9:-1]) == 0x0101
    assert int.from_bytes(only(binary(frame))[1:3]) == Crc16Arc.calc(new[9:-1])
    assert new[5:9] == frame[5:9]


def test_what_was_sealed_opens_with_the_new_key_by_openssl() -> None:
    frame = sealed('"*SIA-DCS"0001L0#8C20F7', f"#8C20F7|Nri1/FA3]{STAMP}")
    found, _ = scrubbed(over(frame), STATION)
    substitutes = Substitutes(b"of the tests")
    substitutes.key(KEY)
    substitutes.settle()
    content = found[1].data[9:-1].partition(b"[")[2]
    command = ["openssl", "enc", "-d", "-aes-128-cbc", "-nopad", "-iv", "00" * 16, "-K", substitutes.key(KEY)]
    plain = subprocess.run(command, input=bytes.fromhex(content.decode()), capture_output=True, check=True).stdout
    number = found[1].data.partition(b"#")[2].partition(b"[")[0]
    assert plain.partition(b"|")[2] == b"#" + number + b"|Nri1/FA3]" + STAMP.encode()
    assert number != b"8C20F7"


def test_the_same_number_stays_the_same_with_its_zeros_and_another_stays_another() -> None:
    numbers = ("471183", "0471183", "00471183", "471138", "8c20f7", "8C20F7")
    new = [re.findall(rb"#(\w+)", only(b"".join(alarm(1, one) for one in numbers)))[n * 2].decode() for n in range(6)]
    assert new[1] == "0" + new[0]
    assert new[2] == "00" + new[0]
    assert new[3] != new[0]
    assert new[4].upper() == new[5]
    assert new[4] != new[5]
    assert [len(one) for one in new] == [len(one) for one in numbers]


@given(
    st.sets(st.text("0123456789ABCDEF", min_size=1, max_size=4).map(lambda n: n.lstrip("0")).filter(bool), max_size=40)
)
def test_no_two_numbers_become_one_and_none_stays(numbers: set[str]) -> None:
    table = Substitutes(b"x")
    for number in numbers:
        table.account(number)
    table.settle()
    new = {number: table.account(number) for number in numbers}
    assert len(set(new.values())) == len(numbers)
    assert all(len(a) == len(b) and b[0] != "0" for a, b in new.items())
    assert all(a != b for a, b in new.items() if len(a) > 1)
    classes = str.maketrans("0123456789ABCDEF", "d" * 10 + "x" * 6)
    assert all(a.translate(classes) == b.translate(classes) for a, b in new.items())


def test_a_block_of_contact_id_keeps_a_right_checksum_right_and_a_wrong_one_wrong() -> None:
    right = block("4711", "1131 01 015")
    for text, rules in ((right, []), (right[:-1] + ("1" if right[-1] != "1" else "2"), ["bad-checksum"])):
        new = decode(only(envelope(f'"ADM-CID"0001L0#471183[#471183|{text}]'))).data
        assert new is not None
        assert new != text
        assert [problem.rule for problem in read_block(new)[1].problems] == rules


def test_each_address_stays_in_the_networks_of_the_book_that_it_was_in() -> None:
    happenings = [one for host in HOSTS for one in over(alarm(1, "471183"), line="udp", host=host)]
    new, book = scrubbed(happenings, STATION)
    hosts = [(one.peer or "").rpartition(":")[0].strip("[]") for one in new if one.what == "open"]
    assert all(map(is_nobodys, hosts))
    assert hosts[3] == "127.0.0.1"
    paths = [book.accounts[0].path_of("udp", 0, "0", host) for host in hosts]
    names = [path.name for path in book.accounts[0].path]
    assert names[0] != "over the mast"
    assert paths == [names[0], "wired", None, None, None]
    assert len({one.connection for one in new}) == len(HOSTS)


def test_areas_zones_users_codes_stamps_and_sequences_stay() -> None:
    text = f'"SIA-DCS"0041R1L2#471183[#471183|Nri1id4/BA15]{STAMP}'
    assert re.sub(rb"#\d+", b"#", only(envelope(text))[9:-1]) == re.sub(r"#\d+", "#", text).encode()


def test_the_answers_are_scrubbed_with_their_messages() -> None:
    message = build("SIA-DCS", 1, "8C20F7", "Nri1/FA3", stamp=NOON, key=KEY)
    old = over(message)
    back = answer("ACK", decode(message, KEY), NOON, KEY)
    old.append(Happening(old[-1].at, "tcp-1", "receiver", back))
    new, book = scrubbed(old, STATION)
    assert held_alike(rehear(old, Judging(STATION)), rehear(new, Judging(book))) == 2


@given(st.text(st.characters(max_codepoint=255), max_size=40), st.randoms(use_true_random=False))
def test_an_invented_text_is_known_as_one_and_keeps_length_case_and_signs(text: str, chance) -> None:  # type: ignore[no-untyped-def]
    new = invent(text, chance)
    assert len(new) == len(text)
    assert is_ours(new)
    for before, after in zip(text, new, strict=True):
        if before.isascii():
            assert (before.isupper(), before.islower(), before.isdigit()) == (
                after.isupper(), after.islower(), after.isdigit(),
            )  # fmt: skip
            assert before == after or before.isalnum() or not before.isprintable()
        else:
            assert after in "áéíóúÁÉÍÓÚ"


@pytest.mark.parametrize(
    ("body", "old"),
    [
        (
            '"SIA-DCS"0001L0#4711[#4711|Nri1/BA1][I' + "ИВАНОВ".encode("cp866").decode("latin-1") + "]",
            "ИВАНОВ".encode("cp866"),
        ),
        ('"SIA-DCS"0001L0#4711[#4711|Nri1/BA1][I' + "ПЕТРОВ".encode().decode("latin-1") + "]", "ПЕТРОВ".encode()[::2]),
        ('"ADM-CID"0001L0#4711[4711]', b"4711"),
        ('"SIA-DCS"0001L0#4711[#4711|Nri1/BA1][H555-014-4711]', b"555-014"),
        ('"SIA-DCS"0001L0#4711[#4711|Nri1/BA1]_10.20.30.40:40112', b"10.20.30.40"),
        ('"SMITH"0001L0#4711[]', b"SMITH"),
    ],
)
def test_what_is_almost_a_field_tells_nothing_either(body: str, old: bytes) -> None:
    assert old not in only(envelope(body))


def test_names_of_connections_and_lines_tell_nothing_and_neither_does_noise_in_bytes() -> None:
    peer = "10.20.30.40:40112"
    said = [
        Happening(NOON, name, "open", b"", line, peer)
        for name, line in (
            ("tcp-471183", "tcp"),
            ("Jane Smith 10.20.30.40:40112", "tcp"),
            ("tcp-2a02:8084::1", "Jane's"),
        )
    ]
    new, _ = scrubbed(said, STATION)
    told = " ".join(f"{one.connection} {one.line} {one.peer}" for one in new)
    assert not any(old in told for old in ("471183", "Jane", "Smith", "10.20.30.40", "2a02:8084"))
    assert set(look(said, Judging(STATION)).found) == {"text", "address"}
    digits = bytes.fromhex("0299811203181104")
    assert not set(only(digits)) & {0x99, 0x81, 0x12, 0x18, 0x11}


def test_a_recording_that_would_be_judged_otherwise_is_refused_with_the_frame() -> None:
    old, other = over(alarm(1, "471183"), alarm(2, "471183")), over(alarm(1, "471183"), alarm(2, "471183", "Nri1/FA15"))
    with pytest.raises(ScrubError, match=r"frame 2 .*signals"):
        held_alike(rehear(old, Judging(STATION)), rehear(other, Judging(STATION)))


def test_with_the_table_an_old_value_is_found_in_its_field_and_a_long_one_anywhere() -> None:
    """A short number is looked for in its own field alone: elsewhere four digits are anything by chance."""
    substitutes = Substitutes(b"of the tests")
    for number in ("4711", "471183"):
        substitutes.account(number)
    substitutes.settle()
    book = parse("", "no book", Path())
    assert look(over(alarm(1, "4711"), host="127.0.0.1"), Judging(book), substitutes).found == {"old value": [1]}
    assert look(over(alarm(1, "2457"), host="127.0.0.1"), Judging(book), substitutes).found == {}
    within = over(envelope('"SIA-DCS"0001L0#2457[#2457|Nri1/BA 471183]'))
    assert "old value" in look(within, Judging(book), substitutes).found


def test_where_a_site_is_by_its_clock_and_a_sequence_that_is_none_do_not_stay() -> None:
    book = parse('[[account]]\nnumber = "4711"\nname = "Bilge"\ntime_zone = "Europe/Lisbon"\n', "a book", Path())
    _, new = scrubbed(over(alarm(1, "4711")), book)
    assert new.accounts[0].time_zone == "Etc/UTC"
    assert b"5550144711" not in only(envelope('"SIA-DCS"5550144711L0#4711[#4711|Nri1/BA1]'))


# The command

FIXTURES = Path(__file__).parent.parent / "fixtures"


def run(*arguments: object) -> tuple[int, str, str]:
    done = CliRunner().invoke(app, ["capture", "scrub", *map(str, arguments)])
    return done.exit_code, done.stdout, done.stderr


def test_the_shipped_estate_is_scrubbed_checks_clean_and_did_not_before(tmp_path: Path) -> None:
    estate, station = FIXTURES / "estate.capture", FIXTURES / "station.toml"
    out, book, table, report = (tmp_path / name for name in ("new.capture", "new.toml", "table", "report.json"))
    command = (estate, "--book", station, "--capture", out, "--book-out", book, "--map", table, "--report", report)
    code, _, told = run(*command)
    assert code == 0, told
    assert stat.S_IMODE(table.stat().st_mode) == 0o600
    assert run(out, "--check", "--book", book, "--map", table)[0] == 0
    code, found, _ = run(estate, "--check", "--book", station, "--map", table, "--json")
    assert code == 1
    assert {json.loads(line)["found"] for line in found.splitlines()} >= {"text", "old value", "old key"}
    new = (out.read_text() + book.read_text() + report.read_text()).upper()
    secrets = re.findall(r'hex:(\w+)"', station.read_text())
    names = re.findall(r'name = "([^"]{9,})"', station.read_text())
    assert secrets
    for value in (*secrets, *names, "#4471[", "#8C20[", "#120077["):
        assert value.upper() not in new
        assert value.upper() not in table.read_text().upper() or value in names
    first = out.read_bytes()
    assert run(*command)[0] == 0
    numbers = [re.findall(rb"#(\w+)\[", data) for data in (first, out.read_bytes())]
    assert numbers[0] == numbers[1]  # the table makes another run alike


def test_with_a_key_and_no_book_the_new_book_opens_the_new_recording(tmp_path: Path) -> None:
    old, out, book = tmp_path / "old.capture", tmp_path / "new.capture", tmp_path / "new.toml"
    frame = sealed('"*SIA-DCS"0001L0#8C20F7', f"#8C20F7|Nri1/FA3]{STAMP}")
    capture.write(old, over(frame), "invented", NOON)
    code, _, told = run(old, "--key", SECRET, "--capture", out, "--book-out", book)
    assert code == 0, told
    new = parse(book.read_text(), str(book), tmp_path)
    (passed,) = rehear(capture.read(out)[0], Judging(new))
    assert [signal.code for signal in frame_of(passed).signals] == ["FA"]
    assert new.accounts[0].key is not None
    # padding that looks right comes from a wrong key now and then; what was said does not
    with suppress(SealError):
        digits = capture.read(out)[0][1].data[9:-1].decode().partition("[")[2]
        assert "Nri1/FA3" not in unseal(Key.from_hex(SECRET), digits)[1]


def test_what_cannot_be_done_is_told_and_nothing_is_written(tmp_path: Path) -> None:
    estate, out = FIXTURES / "estate.capture", tmp_path / "new.capture"
    bad = tmp_path / "table"
    bad.write_text("{}")
    for arguments, reason in (
        ((estate,), "--capture FILE"),
        ((estate, "--capture", out, "--book", FIXTURES / "station.toml"), "--book-out FILE"),
        ((estate, "--capture", out, "--map", bad), "no table"),
        ((estate, "--check", "--map", tmp_path / "none"), "cannot be read"),
        ((estate, "--check", "--capture", out), "writes nothing"),
        ((estate, "--capture", estate), "itself"),
        ((tmp_path / "none", "--capture", out), "cannot be read"),
    ):
        code, _, told = run(*arguments)
        assert (code, reason in told.replace("\n", " ")) == (2, True), told
    assert not out.exists()
