"""What is another in an account book that was read again: by number and field, never a key."""

from collections.abc import Iterator
from typing import Any, NamedTuple

from protocols.dc09 import bare
from receiver.book import Account, Book

MOST_SAID = 20  # sentences; the rest is counted


class Changes(NamedTuple):
    """The marks of the accounts that came and went, and of those that changed, each with its fields."""

    came: list[str]
    went: list[str]
    changed: dict[str, list[str]]

    def __str__(self) -> str:
        said = [f"account {mark} came" for mark in self.came] + [f"account {mark} went" for mark in self.went]
        said += [f"account {mark}: {', '.join(fields)} changed" for mark, fields in self.changed.items()]
        rest = len(said) - MOST_SAID
        return "; ".join(said[:MOST_SAID] + [f"and {rest} more"] * (rest > 0)) or "nothing is another"


def changes(old: Book, new: Book) -> Changes:
    """How `new` differs from `old`, an account being known by its mark."""
    before, after = ({account.mark: account for account in book.accounts} for book in (old, new))
    changed = {
        mark: fields for mark in after if mark in before and (fields := list(_fields(before[mark], after[mark])))
    }
    return Changes(
        [mark for mark in after if mark not in before], [mark for mark in before if mark not in after], changed
    )


def _fields(old: Account, new: Account) -> Iterator[str]:
    for field in Account.model_fields:
        one, other = getattr(old, field), getattr(new, field)
        if field in ("key", "old_key"):
            if _seals(one) != _seals(other):
                yield field
        elif isinstance(other, tuple):
            tables, others = _by_number(one), _by_number(other)
            yield from (f"{field} {name}" for name in (tables | others) if tables.get(name) != others.get(name))
        elif one != other:
            yield field


def _seals(key: Any) -> bytes | None:
    # A key does not show itself; two that seal a block alike are one.
    return None if key is None else key.encrypt(bytes(16))


def _by_number(tables: tuple[Any, ...]) -> dict[str, Any]:
    return {bare(one.number) if hasattr(one, "number") else one.name: one for one in tables}
