"""Encryption: AES-CBC with a zero initial vector, padding in front, hex on the wire (DC-09, 5.4.6)."""

import subprocess
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocols.dc09 import decode
from protocols.envelope import wrap
from protocols.seal import Key, SealError, padding, seal, unseal

NOW = datetime(2026, 11, 25, 12, 34, 56, tzinfo=UTC)
keys = st.sampled_from((16, 24, 32)).flatmap(lambda size: st.binary(min_size=size, max_size=size)).map(Key)
contents = st.text(st.characters(max_codepoint=255, blacklist_characters="[]|\r\n"), max_size=120)


@pytest.mark.clause("DC-09 zero vector", code="protocols.seal.Key.encrypt", source="FIPS 197, appendix C")
@pytest.mark.parametrize(
    ("key", "cipher"),
    [
        ("000102030405060708090a0b0c0d0e0f", "69c4e0d86a7b0430d8cdb78070b4c55a"),
        ("000102030405060708090a0b0c0d0e0f1011121314151617", "dda97ca4864cdfe06eaf70a0ec0d7191"),
        ("000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f", "8ea2b7ca516745bfeafc49904b496089"),
    ],
)
def test_one_block_under_a_zero_vector_is_the_cipher_itself(key: str, cipher: str) -> None:
    """NIST FIPS 197, appendix C.1 to C.3."""
    plain = bytes.fromhex("00112233445566778899aabbccddeeff")
    assert Key.from_hex(key).encrypt(plain).hex() == cipher
    assert Key.from_hex(key).decrypt(bytes.fromhex(cipher)) == plain


@pytest.mark.clause("DC-09 encryption", code="protocols.seal.Key.encrypt", source="NIST SP 800-38A, F.2")
@pytest.mark.parametrize(
    ("key", "cipher"),
    [
        (
            "2b7e151628aed2a6abf7158809cf4f3c",
            "7649abac8119b246cee98e9b12e9197d5086cb9b507219ee95db113a917678b2",
        ),
        (
            "603deb1015ca71be2b73aef0857d77811f352c073b6108d72d9810a30914dff4",
            "f58c4c04d6e5f1ba779eabfb5f7bfbd69cfc4e967edb808d679f777bc6702c7d",
        ),
    ],
)
def test_blocks_are_chained(key: str, cipher: str) -> None:
    """NIST SP 800-38A, F.2.1 and F.2.5, blocks 1 and 2; their initial vector goes into the first block by xor."""
    vector = bytes(range(16))
    first, second = "6bc1bee22e409f96e93d7e117393172a", "ae2d8a571e03ac9c9eb76fac45af8e51"
    plain = bytes(a ^ b for a, b in zip(bytes.fromhex(first), vector, strict=True)) + bytes.fromhex(second)
    assert Key.from_hex(key).encrypt(plain).hex() == cipher


@pytest.mark.clause("DC-09 encryption", code="protocols.seal.seal", source="the openssl command")
@pytest.mark.parametrize("bits", [128, 192, 256])
def test_the_openssl_command_opens_what_we_seal(bits: int) -> None:
    """`openssl enc`, an AES of other hands."""
    secret = bytes(range(bits // 8))
    sealed = seal(Key(secret), "#4471|Nri1/BA15]_12:34:56,11-25-2026")
    command = ["openssl", "enc", "-d", f"-aes-{bits}-cbc", "-K", secret.hex(), "-iv", "0" * 32, "-nopad"]
    opened = subprocess.run(command, input=bytes.fromhex(sealed), capture_output=True, check=True).stdout
    assert opened.partition(b"|")[2] == b"#4471|Nri1/BA15]_12:34:56,11-25-2026"


@pytest.mark.clause("DC-09 encryption", code="protocols.seal.unseal", source="the openssl command")
@pytest.mark.parametrize("bits", [128, 192, 256])
def test_we_open_what_the_openssl_command_seals(bits: int) -> None:
    secret = bytes(range(bits // 8))
    plain = b"x\xff|#4471|Nri1/BA15]_12:34:56,11-25-2026"
    plain = b"p" * (-len(plain) % 16) + plain
    command = ["openssl", "enc", f"-aes-{bits}-cbc", "-K", secret.hex(), "-iv", "0" * 32, "-nopad"]
    sealed = subprocess.run(command, input=plain, capture_output=True, check=True).stdout
    frame = decode(wrap(b'"*SIA-DCS"0001L0#4471[' + sealed.hex().encode()), Key(secret))
    assert frame.problems == []
    assert frame.signals[0].zone == "15"


@given(keys, contents)
def test_what_is_sealed_opens_again(key: Key, content: str) -> None:
    count, opened = unseal(key, seal(key, content))
    assert opened == content
    assert 1 <= count <= 16


@pytest.mark.clause("DC-09 padding", code="protocols.seal.seal", memory=True)
@given(st.integers(0, 64))
def test_there_is_always_padding_and_a_text_that_fits_gets_sixteen_more(size: int) -> None:
    """From memory of DC-09: 1 to 16 bytes, counted so that the whole, with its |, comes in blocks of 16."""
    count, _ = unseal(Key(bytes(16)), seal(Key(bytes(16)), "x" * size))
    assert count == 16 - (size + 1) % 16


@pytest.mark.clause("DC-09 padding", code="protocols.seal.padding", memory=True)
def test_padding_is_of_any_value_but_brackets_and_bar() -> None:
    many = padding(20_000)
    assert not set(b"[]|") & set(many)
    assert len(set(many)) == 253


@pytest.mark.parametrize("size", [16, 24, 32])
def test_another_key_opens_nothing(size: int) -> None:
    """With fixed bytes: CBC proves nothing, so among very many keys one may open something by chance."""
    sealed = seal(Key(bytes(size)), "#4471|Nri1/BA15]_12:34:56,11-25-2026", lambda count: b"p" * count)
    frame = decode(wrap(b'"*SIA-DCS"0001L0#4471[' + sealed.encode()), Key(b"\x01" * size))
    assert frame.has("decrypt-failed")
    assert frame.signals == []


@pytest.mark.parametrize(
    "plain",
    [
        b"no bar in all of these characters at all, padded",
        b"|no padding before the first bar at all.........",
        b"padding[with a bracket|x]_12:34:56,11-25-2026...",
        b"more than 16 of padding|x]_12:34:56,11-25-2026..",
        b"pad|no closing bracket_12:34:56,11-25-2026......",
        b"pad|x]_this is no stamp at all, is it now?.....,",
    ],
)
def test_what_does_not_open_by_the_rules_is_decrypt_failed(plain: bytes) -> None:
    """Legal padding, a |, a ], and a readable stamp or none; anything else did not open."""
    key = Key(bytes(16))
    sealed = key.encrypt(plain[: len(plain) // 16 * 16]).hex().encode()
    assert decode(wrap(b'"*SIA-DCS"0001L0#4471[' + sealed), key).has("decrypt-failed")


@pytest.mark.clause("DC-09 zero vector", code="protocols.seal.unseal", memory=True)
@pytest.mark.parametrize("digits", ["", "00", "0" * 33, "g" * 32])
def test_sealed_content_comes_in_whole_blocks_of_hex(digits: str) -> None:
    with pytest.raises(SealError, match="whole blocks"):
        unseal(Key(bytes(16)), digits)


@pytest.mark.clause("DC-09 timestamp", code="protocols.dc09.decode", source="DC-09 5.5.2.1")
def test_an_encrypted_frame_without_a_stamp_is_told() -> None:
    """DC-09, 5.5.2.1."""
    key = Key(bytes(16))
    frame = decode(wrap(b'"*SIA-DCS"0001L0#4471[' + seal(key, "#4471|Nri1/BA15]").encode()), key)
    assert [problem.rule for problem in frame.problems] == ["missing-stamp"]


@pytest.mark.clause("DC-09 no authentication", code="protocols.seal.unseal", source="computed: a bit is flipped")
def test_a_flipped_bit_may_pass() -> None:
    """CBC proves nothing about who wrote it: why not every flip tests a receiver (computed here).

    A bit of the first sealed block changes all of that block and one bit of the next. Where the first block is padding
    alone and the bit falls into a text, the frame still opens, with another text.
    """
    key = Key(bytes(16))
    content = "#4471|NBA15*Back door of the house*]_12:34:56,11-25-2026"
    content = content.replace("house", "house" + "e" * (-(len(content) + 1) % 16))
    opened = []
    for letter in b"abcdefghij":
        sealed = bytearray.fromhex(seal(key, content, lambda count, letter=letter: bytes([letter]) * count))
        assert unseal(key, sealed.hex())[0] == 16
        sealed[15] ^= 1  # the sixteenth byte of the next block, |#4471|NBA15*Bac, is the c
        frame = decode(wrap(b'"*SIA-DCS"0001L0#4471[' + sealed.hex().encode()), key)
        opened += [frame.signals[0].text] if not frame.problems else []
    assert opened  # not all ten: the changed padding may hold a bracket or a bar
    assert set(opened) == {"Babk door of the house" + "e" * (len(str(opened[0])) - 22)}


def test_a_key_never_shows_itself() -> None:
    key = Key.from_hex("00112233445566778899AABBCCDDEEFF")
    assert repr(key) == str(key) == "<AES-128 key>"
    for wrong in ("xyz", "0011", "00112233445566778899AABBCCDDEEF"):
        with pytest.raises(ValueError, match="key") as told:
            Key.from_hex(wrong)
        assert wrong not in str(told.value)
