"""The code tables of DC-05 and DC-03: data files, one row a code. Each file says where its rows come from."""

import csv
from functools import cache
from importlib.resources import files
from typing import NamedTuple

_HAZARDS = "burglary fire medical panic gas environment supervisory tamper"
_STATES = "trouble power communication open-close bypass access test other"
CATEGORIES = frozenset((*_HAZARDS.split(), *_STATES.split()))
COUNTS = frozenset(("zone", "user", "area", "door", "device", "none"))  # what the number after a code counts


class Code(NamedTuple):
    """One row. `restored` is what a Contact ID qualifier 3 says, `restores` the two-letter code that this one ends."""

    code: str
    number: str
    category: str
    meaning: str
    restored: str | None = None
    restores: str | None = None


@cache
def table(name: str) -> dict[str, Code]:
    """The rows of `contact_id` or `two_letter` by code. A faulty row is a ValueError that names its line."""
    rows: dict[str, Code] = {}
    lines = files("protocols.codes").joinpath(f"{name}.tsv").read_text("utf-8").splitlines()
    numbered = [(number, line) for number, line in enumerate(lines, 1) if line and not line.startswith("#")]
    header = numbered[0][1].split("\t")
    for (number, _), values in zip(
        numbered[1:],
        csv.reader((line for _, line in numbered[1:]), delimiter="\t", quoting=csv.QUOTE_NONE),
        strict=True,
    ):
        if len(values) != len(header):
            raise ValueError(f"{name}.tsv line {number}: {len(values)} columns where the header has {len(header)}")
        row = Code(**{key: value or None for key, value in zip(header, values, strict=True)})  # type: ignore[arg-type]
        if row.number not in COUNTS or row.category not in CATEGORIES or row.code in rows or not row.meaning:
            raise ValueError(f"{name}.tsv line {number}: not a row that can be used: {row}")
        rows[row.code] = row
    return rows
