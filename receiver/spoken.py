"""A key as two people read it to each other over the phone: groups of four digits on numbered lines, and a check word.

The check word is made of the key alone, so whoever has entered the same key sees the same word; a wrong digit gives another
word, but for one case in 16 million (24 bits). It finds slips of the tongue. It proves nothing about who speaks. And
who overhears it can try guesses against it: hopeless for a key of random digits, quick for one that somebody made up.
"""

import hashlib
import secrets

GROUP, GROUPS_A_LINE = 4, 4
_LABEL = b"farend check word 1\0"  # another scheme takes another label, so that no two give the same word by design
# 16 consonants and 4 vowels that are told apart on a bad line: 6 bits a syllable, 4 syllables.
_CONSONANTS, _VOWELS, _SYLLABLES = "bdfghjklmnprstvz", "aeio", 4


def generate(bits: int) -> str:
    """A new key of 128, 192 or 256 bits, in hex digits."""
    if bits not in (128, 192, 256):
        raise ValueError(f"an AES key has 128, 192 or 256 bits, not {bits}")
    return secrets.token_hex(bits // 8).upper()


def compact(digits: str) -> str:
    """Hex digits without spaces and line ends, in capitals: the form that is kept."""
    return "".join(digits.split()).upper()


def lines(digits: str) -> list[str]:
    """`1   0011 2233 4455 6677`, a line for every sixteen digits."""
    digits = compact(digits)
    groups = [digits[start : start + GROUP] for start in range(0, len(digits), GROUP)]
    starts = range(0, len(groups), GROUPS_A_LINE)
    return [f"{number}   {' '.join(groups[start : start + GROUPS_A_LINE])}" for number, start in enumerate(starts, 1)]


def check_word(digits: str) -> str:
    """Four syllables of a consonant and a vowel, from 24 bits of the SHA-256 of a label and the key's bytes."""
    value = int.from_bytes(hashlib.sha256(_LABEL + bytes.fromhex(compact(digits))).digest()[:3])
    syllables = [value >> 6 * place & 63 for place in reversed(range(_SYLLABLES))]
    return "".join(_CONSONANTS[six >> 2] + _VOWELS[six & 3] for six in syllables)
