"""The account book: mistakes with their lines, matching, names, paths and keys."""

from pathlib import Path

import pytest

from receiver import book as books
from receiver import plan
from receiver.book import BookError

WHOLE = """\
[[account]]
number = "4471"
name = "Tern Point field station"
  [[account.area]]
  number = "01"
  name = "Laboratory"
  [[account.zone]]
  number = "015"
  area = "1"
  name = "Freezer room door"
  [[account.user]]
  number = "002"
  name = "Night warden"
  [[account.path]]
  name = "wired"
  line = "tcp"
  network = "192.0.2.0/24"
  [[account.path]]
  name = "cellular"
  prefix = "3"
  [[account.path]]
  name = "wired, second port"
  line = "tcp"
  port = 7002
  network = "192.0.2.0/24"
[[account]]
number = "0930"
name = "Quarry Cottage"
prefix = "2"
[[account]]
number = "930"
name = "Quarry Cottage, flat"
prefix = "3"
receiver = "1"
"""


def mistakes(text: str) -> list[str]:
    with pytest.raises(BookError) as told:
        books.parse(text, "book", Path())
    return told.value.mistakes


def test_numbers_match_without_their_leading_zeros() -> None:
    book = books.parse(WHOLE, "book", Path())
    account = book.find(None, "0", "004471")
    assert account is not None
    assert account.name_of("area", "1") == account.name_of("area", "01") == "Laboratory"
    assert (account.name_of("zone", "15"), account.name_of("user", "2")) == ("Freezer room door", "Night warden")
    assert account.name_of("zone", "16") is None


def test_receiver_and_prefix_narrow_the_match() -> None:
    book = books.parse(WHOLE, "book", Path())
    names = [
        (found := book.find(receiver, prefix, "930")) and found.name for receiver, prefix in (("1", "3"), ("9", "02"))
    ]
    assert names == ["Quarry Cottage, flat", "Quarry Cottage"]
    assert book.find("2", "3", "930") is None
    assert book.find(None, None, "4471") is not None


@pytest.mark.parametrize(
    ("line", "port", "prefix", "host", "path"),
    [
        ("tcp", 12009, "0", "192.0.2.9", "wired"),
        ("tcp", 12009, "0", "::ffff:192.0.2.9", "wired"),
        ("tcp", 7002, "0", "192.0.2.9", "wired, second port"),
        ("udp", 12009, "03", "198.51.100.7", "cellular"),
        ("udp", 12009, "0", "192.0.2.9", None),
    ],
)
def test_the_path_is_the_one_whose_marks_fit_best(
    line: str, port: int, prefix: str, host: str, path: str | None
) -> None:
    account = books.parse(WHOLE, "book", Path()).accounts[0]
    assert account.path_of(line, port, prefix, host) == path


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ('[[account]]\nnumber = "4471"\nname = "x"\ncolour = "red"\n', 4, "unknown key 'colour'"),
        (WHOLE.replace('  name = "Freezer', '  nmae = "x"\n  name = "Freezer'), 10, "unknown key 'nmae'"),
        (WHOLE + "[settings]\nx = 1\n", WHOLE.count("\n") + 1, "unknown key 'settings'"),
        (WHOLE.replace('number = "4471"', "number = 4471"), 2, "quotation marks"),
        (WHOLE.replace('number = "4471"', 'number = "44"'), 2, "3 to 16"),
        (WHOLE.replace('  name = "Night warden"\n', ""), 11, "'name' is missing"),
        (WHOLE.replace('area = "1"', 'area = "2"'), 9, "area 2"),
        (WHOLE.replace('line = "tcp"', 'line = "carrier pigeon"', 1), 16, "'line'"),
        (WHOLE.replace("192.0.2.0/24", "192.0.2.0/40", 1), 17, "'network'"),
        (
            WHOLE + '  [[account.path]]\n  name = "radio"\n',
            WHOLE.count("\n") + 2,
            "nothing would ever be heard over it",
        ),
        (WHOLE + '[[account]]\nnumber = "04471"\nname = "again"\n', WHOLE.count("\n") + 2, "stands on line 2 already"),
        (
            WHOLE.replace('number = "002"', 'number = "002"\n  name = "x"\n  [[account.user]]\n  number = "2"'),
            15,
            "two entries",
        ),
        ('[[account]]\nnumber = "4471"\nname = "x"\nkey = "00112233"\n', 4, "a key is written"),
        ('[[account]]\nnumber = "4471"\nname = "x"\nkey = "env:FAREND_NO_SUCH"\n', 4, "FAREND_NO_SUCH"),
        ('[[account]]\nnumber = "4471"\nname = "x"\nkey = "file:no-such-file"\n', 4, "no-such-file"),
        ('[[account]]\nnumber = "4471\n', 2, "line 2"),
        ('[[account]]\nnumber = "4471"\nname = "x"\ntime_zone = "Europe/Atlantis"\n', 4, "no time zone"),
        ('[[account]]\nnumber = "4471"\nname = "x"\ntime_zone = "../../etc/passwd"\n', 4, "no time zone"),
        ('[[account]]\nnumber = "4471"\nname = "x"\ntime_zone = "Europe"\n', 4, "no time zone"),
        ('[[account]]\nnumber = "4471"\nname = "x"\ntime_zone = 1\n', 4, "quotation marks"),
    ],
)
def test_a_mistake_is_told_with_the_line_it_stands_on(text: str, line: int, says: str) -> None:
    (told,) = mistakes(text)
    assert f":{line}:" in told or f"line {line}" in told
    assert says in told


def test_two_accounts_that_may_fit_a_frame_alike_are_a_mistake() -> None:
    text = '[[account]]\nnumber = "4471"\nname = "x"\n{}\n[[account]]\nnumber = "4471"\nname = "y"\n{}\n'
    (told,) = mistakes(text.format('receiver = "1"', 'prefix = "1"'))
    assert told.startswith("book:6:")
    assert "alike" in told
    assert len(books.parse(text.format('prefix = "1"', 'prefix = "2"'), "book", Path()).accounts) == 2


def test_all_mistakes_are_told_at_once() -> None:
    assert len(mistakes('[[account]]\nnumber = 1\nnmae = "x"\n')) == 3


def test_keys_come_from_the_book_a_file_or_the_environment_and_are_never_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = "00112233445566778899AABBCCDDEEFF"
    (tmp_path / "key").write_text(secret[:16] + "\n" + secret[16:])
    monkeypatch.setenv("FAREND_TEST_KEY", secret)
    for where in (f"hex:{secret}", "file:key", "env:FAREND_TEST_KEY"):
        text = f'[[account]]\nnumber = "4471"\nname = "x"\nkey = "{where}"\n'
        (account,) = books.parse(text, "book", tmp_path).accounts
        assert account.key is not None
        assert account.key.bits == 128
    monkeypatch.setenv("FAREND_TEST_KEY", secret + "0")
    (told,) = mistakes('[[account]]\nnumber = "4471"\nname = "x"\nkey = "env:FAREND_TEST_KEY"\n')
    assert secret not in told


def test_a_book_that_is_not_text_says_where(tmp_path: Path) -> None:
    (tmp_path / "book.toml").write_bytes(b"# \xff\n")
    with pytest.raises(BookError, match="byte 3 is not UTF-8"):
        books.load(tmp_path / "book.toml")


def test_a_site_may_have_a_time_zone_and_a_plan_keeps_it_only_then() -> None:
    text = '[[account]]\nnumber = "4471"\nname = "x"\n{}'
    (there,) = books.parse(text.format('time_zone = "Europe/Lisbon"\n'), "book", Path()).accounts
    (without,) = books.parse(text.format(""), "book", Path()).accounts
    assert plan.make(there).to_json()["account"]["time_zone"] == "Europe/Lisbon"
    assert "time_zone" not in plan.make(without).to_json()["account"]
