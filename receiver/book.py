"""The account book: who may report, with which areas, zones, users, paths and keys. TOML, written by people.

An account is (receiver, prefix, number); receiver and prefix narrow the match where the book gives them. Numbers match
without their leading zeros. A mistake in the file is told with the line it stands on, and all of them at once.
"""

import ipaddress
import os
import re
import tomllib
import zoneinfo
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple, TypeVar, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, ValidationInfo

from protocols.dc09 import ACCOUNT, bare
from protocols.seal import Key
from protocols.values import Frame, Signal
from receiver.keys_at_rest import MasterError, master

Line = Literal["tcp", "udp", "tls", "phone"]
Number = Annotated[str, Field(pattern=r"^[0-9A-Fa-f]{1,16}$", description="hex digits, in quotation marks")]
Seconds = Annotated[int, Field(ge=1, le=40 * 86400, description="a promised interval between polls, or its tolerance")]
Hours = Annotated[int, Field(ge=1, le=960, description="how often a test report is promised")]
Category = Literal["SP1", "SP2", "SP3", "SP4", "SP5", "SP6", "DP1", "DP2", "DP3", "DP4"]  # EN 50136-1
IpNetwork = ipaddress.IPv4Network | ipaddress.IPv6Network
Kind = Literal["poll", "test"]

# Where the book gives no tolerance (common practice): a quarter of the interval, for a slow network and one retry; a daily
# test comes by the panel's own clock.
LEAST_TOLERANCE_SECONDS = 20
TEST_TOLERANCE_SECONDS = 3600


class Promise(NamedTuple):
    """That something comes over a path ("": the account as a whole) at least so often; times in whole seconds.

    A `poll` promise is kept by any acknowledged message over the path, a `test` promise by test reports alone.
    """

    path: str
    kind: Kind
    interval: int
    tolerance: int


SECRETS = ("key", "old_key")  # fields of an account that never leave it
MOST_FOUND = 100_000  # answers that are remembered, of whoever calls under whatever number
RARE_SECONDS = 1200  # polls further apart than this are rare


class BookError(ValueError):
    """What is wrong with a book: one sentence a mistake, each with its place."""

    def __init__(self, mistakes: list[str]) -> None:
        super().__init__("\n".join(mistakes))
        self.mistakes = mistakes


class Entry(BaseModel):
    """One table of a file that people write: unknown keys are mistakes."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, arbitrary_types_allowed=True)


class Area(Entry):
    number: Number
    name: str


class Zone(Entry):
    number: Number
    name: str
    area: Number | None = None
    device: str | None = None


class User(Entry):
    number: Number
    name: str


_Model = TypeVar("_Model", bound=Entry)


def _network(value: Any) -> Any:
    return ipaddress.ip_network(value) if isinstance(value, str) else value


class AccountPath(Entry):
    """A route from the premises. Whatever of line, port, prefix and network is given must fit the frame.

    `poll_seconds`, `tolerance_seconds` and `test_hours` are what this path promises; the account's own stand for all.
    """

    name: str
    poll_seconds: Seconds | None = None
    tolerance_seconds: Seconds | None = None
    test_hours: Hours | None = None
    line: Line | None = None
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    prefix: Number | None = None
    network: Annotated[IpNetwork | None, BeforeValidator(_network)] = None

    @property
    def marked(self) -> bool:
        """Whether anything tells it from another path."""
        return any(mark is not None for mark in (self.line, self.port, self.prefix, self.network))

    def fit(self, line: str, port: int, prefix: str | None, host: str) -> int:
        """How many of the marks fit, or -1 when one does not."""
        marks = (
            (self.line, self.line == line),
            (self.port, self.port == port),
            (self.prefix, self.prefix is not None and prefix is not None and bare(self.prefix) == bare(prefix)),
            (self.network, self.network is not None and _within(host, self.network)),
        )
        given = [fits for mark, fits in marks if mark is not None]
        return len(given) if all(given) else -1


def _key(value: Any, info: ValidationInfo) -> Any:
    if not isinstance(value, str) or not info.context:
        return value
    known = info.data  # what stands before the key in the model, where it was right
    whose = mark_of(known.get("receiver"), known.get("prefix"), known["number"]) if "number" in known else None
    return find_key(value, info.context["folder"], whose)


def mark_of(receiver: str | None, prefix: str | None, number: str) -> str:
    """What tells an account from every other of the book: the bare number, and receiver and prefix where given."""
    narrow = (("R", receiver), ("L", prefix))
    return "".join(letter + bare(mark) + " " for letter, mark in narrow if mark) + bare(number)


def _time_zone(value: Any) -> Any:
    if isinstance(value, str):
        try:
            zoneinfo.ZoneInfo(value)
        except (KeyError, ValueError, OSError):  # not there; a path out of the tables; a folder of them
            raise ValueError(f"{value!r} is no time zone such as Europe/Lisbon") from None
    return value


def _fingerprints(value: Any) -> Any:
    if isinstance(value, str):
        # As the openssl command prints it, too.
        found = value.lower().replace("sha256 fingerprint=", "").split()
        marks = [one.removeprefix("sha256:").replace(":", "") for one in found]
        if not found or not all(re.fullmatch(r"[0-9a-f]{64}", mark) for mark in marks):
            raise ValueError('a certificate is written "sha256:" and 64 hex digits; several with spaces between them')
        return " ".join(f"sha256:{mark}" for mark in marks)
    return value


class Account(Entry):
    """One account of the book. `key` is the opened key, which never shows itself; None where it sends in clear."""

    number: Annotated[str, Field(pattern=f"^{ACCOUNT.pattern}$")]
    name: str
    receiver: Number | None = None
    prefix: Number | None = None
    key: Annotated[Key | None, BeforeValidator(_key)] = None
    old_key: Annotated[Key | None, BeforeValidator(_key)] = None
    old_key_until: datetime | None = None
    poll_seconds: Seconds | None = None
    tolerance_seconds: Seconds | None = None
    test_hours: Hours | None = None
    category: Category | None = None
    answer: Literal["always", "on-test"] = "always"
    certificate: Annotated[str | None, BeforeValidator(_fingerprints)] = None
    only_tls: bool = False
    time_zone: Annotated[str | None, BeforeValidator(_time_zone)] = None
    area: tuple[Area, ...] = ()
    zone: tuple[Zone, ...] = ()
    user: tuple[User, ...] = ()
    path: tuple[AccountPath, ...] = ()

    @cached_property
    def mark(self) -> str:
        """What tells it from every other account of the book: the bare number, and receiver and prefix where given."""
        return mark_of(self.receiver, self.prefix, self.number)

    @cached_property
    def keys(self) -> tuple[Key, ...]:
        """Its key, and the one before it: both open, while `old_key_until` is not over."""
        return tuple(key for key in (self.key, self.old_key) if key)

    @property
    def numbered(self) -> str:
        """Its number as the book writes it, after receiver and prefix where given: `0930`, `R1 L2 4471`."""
        return " ".join([*self.mark.split()[:-1], self.number])

    @cached_property
    def _names(self) -> dict[str, dict[str, str]]:
        return {
            kind: {bare(entry.number): entry.name for entry in getattr(self, kind)} for kind in ("area", "zone", "user")
        }

    def name_of(self, kind: Literal["area", "zone", "user"], number: str | None) -> str | None:
        return None if number is None else self._names[kind].get(bare(number))

    def path_of(self, line: str, port: int, prefix: str | None, host: str) -> str | None:
        """The path whose marks fit best; the first of equals. None when none fits, or none has a mark that does."""
        if not self.path:
            return None
        marks = line, port, prefix, host
        if marks not in self._paths:
            if len(self._paths) >= MOST_FOUND // 100:
                self._paths.clear()
            self._paths[marks] = self._path_of(*marks)
        return self._paths[marks]

    @cached_property
    def _paths(self) -> dict[tuple[str, int, str | None, str], str | None]:
        return {}

    def _path_of(self, line: str, port: int, prefix: str | None, host: str) -> str | None:
        best = max(self.path, key=lambda path: path.fit(line, port, prefix, host), default=None)
        return best.name if best and best.fit(line, port, prefix, host) > 0 else None

    def promises(self) -> list[Promise]:
        """What the account promises: for each path and kind one, its own figures before the account's.

        `poll_seconds` of the account stands for each of its paths; its `test_hours` for the account as a whole, whichever
        path the report comes over. `tolerance_seconds` belongs to polls, and to tests only where no poll is promised.
        """
        found: dict[tuple[str, Kind], Promise] = {}  # two entries of one name are one path: the first counts

        def promise(path: str, kind: Kind, interval: int, tolerance: int) -> None:
            found.setdefault((path, kind), Promise(path, kind, interval, tolerance))

        for path in self.path or (AccountPath(name=""),):
            poll = path.poll_seconds or self.poll_seconds
            given = path.tolerance_seconds or self.tolerance_seconds
            if poll:
                promise(path.name, "poll", poll, given or max(poll // 4, LEAST_TOLERANCE_SECONDS))
            if path.test_hours:
                tolerance = None if poll else given
                promise(path.name, "test", path.test_hours * 3600, tolerance or TEST_TOLERANCE_SECONDS)
        if self.test_hours:
            tolerance = None if self.poll_seconds else self.tolerance_seconds
            promise("", "test", self.test_hours * 3600, tolerance or TEST_TOLERANCE_SECONDS)
        return list(found.values())

    @cached_property
    def polls_rarely(self) -> bool:
        """Whether its polls are so far apart that each may have a row of its own, on test or not."""
        every = [self.poll_seconds, *(path.poll_seconds for path in self.path)]
        return max((seconds or 0 for seconds in every), default=0) > RARE_SECONDS

    def names_for(self, signal: Signal) -> dict[str, str | None]:
        return {
            "area_name": self.name_of("area", signal.area),
            "zone_name": self.name_of("zone", signal.zone),
            "user_name": self.name_of("user", signal.user),
        }


class _File(Entry):
    account: tuple[Account, ...] = ()


class Book:
    """The accounts, found by receiver, prefix and number."""

    def __init__(self, accounts: tuple[Account, ...] = ()) -> None:
        self.accounts = accounts
        self._by_number: dict[str, list[Account]] = {}
        for account in accounts:
            self._by_number.setdefault(bare(account.number), []).append(account)
        self._found: dict[Any, Account | None] = {}  # what `find` gave for the very same words

    def find(self, receiver: str | None, prefix: str | None, number: str | None) -> Account | None:
        """The account that fits, the one with more marks first. R and L left out count as 0."""
        words = receiver, prefix, number
        if words not in self._found:
            if len(self._found) >= MOST_FOUND:
                self._found.clear()
            self._found[words] = self._find(receiver, prefix, number) if number is not None else None
        return self._found[words]

    def _find(self, receiver: str | None, prefix: str | None, number: str) -> Account | None:
        best, marks = None, -1
        for account in self._by_number.get(bare(number), ()):
            given = [
                (mine, theirs or "0")
                for mine, theirs in ((account.receiver, receiver), (account.prefix, prefix))
                if mine is not None
            ]
            if len(given) > marks and all(bare(mine) == bare(theirs) for mine, theirs in given):
                best, marks = account, len(given)
        return best

    def marked(self, mark: str) -> Account | None:
        """The account with that mark (`Account.mark`)."""
        return next((one for one in self._by_number.get(mark.rpartition(" ")[2], ()) if one.mark == mark), None)

    def key_for(self, frame: Frame) -> Key | None:
        """The key of the account that the head of a frame names: what `decode` asks for."""
        account = self.find(frame.receiver, frame.prefix, frame.account)
        return account.key if account else None

    def keys_for(self, frame: Frame) -> tuple[Key, ...]:
        """The same with the key before it: for whoever opens what came, and seals nothing."""
        account = self.find(frame.receiver, frame.prefix, frame.account)
        return account.keys if account else ()

    def numbered(self, number: str, receiver: str | None = None, prefix: str | None = None) -> list[Account]:
        """Every account of that number, and, where they are given, of just that receiver and prefix."""
        return [
            account
            for account in self._by_number.get(bare(number), [])
            if (receiver is None or (account.receiver and bare(account.receiver) == bare(receiver)))
            and (prefix is None or (account.prefix and bare(account.prefix) == bare(prefix)))
        ]


def load(path: Path) -> Book:
    """Read a book with its keys. BookError lists every mistake; OSError when the file cannot be read."""
    try:
        text = path.read_text("utf-8")
    except UnicodeDecodeError as error:
        raise BookError([f"{path}: byte {error.start + 1} is not UTF-8"]) from None
    return parse(text, str(path), path.parent)


def parse(text: str, source: str, folder: Path) -> Book:
    """Read a book from its text. `folder` is where `file:` keys are looked for."""
    accounts = read_tables(_File, text, source, folder).account
    mistakes = list(mistakes_in(accounts, source, text))
    if mistakes:
        raise BookError(mistakes)
    return Book(accounts)


def read_tables(
    model: type[_Model],
    text: str,
    source: str,
    folder: Path,
    *,
    alone: frozenset[str] = frozenset(),
    fill: Callable[[dict[str, Any]], None] = lambda _: None,
) -> _Model:
    """Read TOML into a model whose fields are tuples of tables. BookError names each mistake with its line.

    `alone` names the tables that stand once, as `[name]`: each is a tuple of one. `fill` completes what was read.
    """
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BookError([f"{source}: {error}"]) from None
    except RecursionError:
        raise BookError([f"{source}: it nests too deeply to be read"]) from None
    fill(content)
    content = {name: [value] if name in alone and isinstance(value, dict) else value for name, value in content.items()}
    try:
        return model.model_validate(_frozen(content), context={"folder": folder})
    except ValidationError as error:
        raise BookError([_told(source, text, detail, model, alone) for detail in error.errors()]) from None


def _frozen(value: Any) -> Any:
    """Lists as tuples, as the strict models want them."""
    if isinstance(value, list):
        return tuple(_frozen(one) for one in value)
    return {key: _frozen(one) for key, one in value.items()} if isinstance(value, dict) else value


def mistakes_in(accounts: tuple[Account, ...], source: str, text: str) -> Iterator[str]:
    seen: dict[tuple[str | None, ...], int] = {}
    of_number: dict[str, list[Account]] = {}
    for index, account in enumerate(accounts):
        here = ("account", index)
        marks = (account.receiver, account.prefix, account.number)
        identity = tuple(None if mark is None else bare(mark) for mark in marks)
        if identity in seen:
            line = line_of(text, ("account", seen[identity], "number"))
            yield f"{source}:{line_of(text, (*here, 'number'))}: account {account.number} stands on line {line} already"
        seen.setdefault(identity, index)
        for other in of_number.setdefault(bare(account.number), []):
            if _alike(account, other):
                line = line_of(text, (*here, "number"))
                what = f"a frame may fit account {account.mark} and {other.mark} alike"
                yield f"{source}:{line}: {what}: give both the same marks"
        of_number[bare(account.number)].append(account)
        if account.old_key and not (account.key and account.old_key_until):
            line = line_of(text, (*here, "old_key"))
            yield f"{source}:{line}: old_key of account {account.number} needs key, and old_key_until: until when both open"
        if account.old_key_until and account.old_key_until.tzinfo is None:
            line = line_of(text, (*here, "old_key_until"))
            yield f"{source}:{line}: old_key_until of account {account.number} needs a zone, such as 2026-12-01T00:00:00Z"
        if account.only_tls and not account.certificate:
            line = line_of(text, (*here, "only_tls"))
            yield f"{source}:{line}: only_tls of account {account.number} needs the certificate that it must show"
        for kind in ("area", "zone", "user"):
            numbers: set[str] = set()
            for place, entry in enumerate(getattr(account, kind)):
                if bare(entry.number) in numbers:
                    line = line_of(text, (*here, kind, place, "number"))
                    yield f"{source}:{line}: account {account.number} has two entries for {kind} {entry.number}"
                numbers.add(bare(entry.number))
        for place, path in enumerate(account.path):
            if not path.marked:
                line = line_of(text, (*here, "path", place, "name"))
                what = f"path {path.name} of account {account.number} has no mark"
                yield f"{source}:{line}: {what} (line, port, prefix or network): nothing would ever be heard over it"
        for place, zone in enumerate(account.zone):
            if zone.area is not None and account.area and account.name_of("area", zone.area) is None:
                line = line_of(text, (*here, "zone", place, "area"))
                yield f"{source}:{line}: zone {zone.number} stands in area {zone.area}, which account {account.number} lacks"


def _alike(one: Account, other: Account) -> bool:
    """Whether some frame fits two accounts of one number, and neither fits better: by receiver alone, by prefix alone."""
    given = [(account.receiver is not None, account.prefix is not None) for account in (one, other)]
    return sorted(given) == [(False, True), (True, False)]


def key_digits(where: str, folder: Path = Path(), whose: str | None = None) -> str:
    """What stands at `hex:…`, `env:NAME`, `file:…`, or `sealed:…` for the account with the mark `whose`.

    The ValueError says where it was looked for, never what was found.
    """
    kind, colon, rest = where.partition(":")
    if not colon or kind not in ("hex", "env", "file", "sealed"):
        raise ValueError('a key is written "hex:…", "env:NAME", "file:…" or "sealed:…"')
    if kind == "sealed":
        if whose is None:
            raise ValueError("a sealed key opens in the book, in the account that it was sealed for, and nowhere else")
        try:
            return master().open(where, whose)
        except MasterError as error:
            raise ValueError(f"account {whose}: its key is sealed; {error}") from None
    if kind == "hex":
        return rest
    if kind == "env":
        if rest not in os.environ:
            raise ValueError(f"there is no environment variable {rest} to take the key from")
        return os.environ[rest]
    try:
        return (folder / rest).read_text("ascii")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not text"
        raise ValueError(f"the key file {rest} cannot be read: {reason}") from None


def find_key(where: str, folder: Path = Path(), whose: str | None = None) -> Key:
    """The key that stands there (`key_digits`). The ValueError never tells what was found."""
    digits = key_digits(where, folder, whose)
    try:
        return Key.from_hex(digits)
    except ValueError as error:
        raise ValueError(
            str(error) if where.startswith(("hex:", "sealed:")) else f"the key from {where}: {error}"
        ) from None


def to_toml(name: str, table: dict[str, Any], depth: int = 0, *, many: bool = True) -> str:
    """A table and the tables in it as people write them; values are text, whole numbers, and lists of tables.

    `many` writes `[[name]]`, one of several, and not `[name]`.
    """
    indent = "  " * depth
    lines = [f"{indent}[[{name}]]" if many else f"{indent}[{name}]"]
    tables = {key: value for key, value in table.items() if isinstance(value, list | tuple)}
    for key, value in table.items():
        if value is not None and key not in tables:
            lines.append(f"{indent}{key} = {value if isinstance(value, int) else _quoted(str(value))}")
    below = [to_toml(f"{name}.{key}", one, depth + 1) for key, value in tables.items() for one in value]
    return "\n".join(lines) + "\n" + "".join(below)


def _quoted(value: str) -> str:
    # What does not print is escaped: some of it would end a line for those who count lines.
    def safe(character: str) -> str:
        if character.isprintable() and character not in '"\\':
            return character
        return f"\\u{ord(character):04X}" if ord(character) < 0x10000 else f"\\U{ord(character):08X}"

    return '"' + "".join(map(safe, value)) + '"'


def _told(source: str, text: str, detail: Any, model: type[Entry], alone: frozenset[str]) -> str:
    place = tuple(part for part in detail["loc"] if isinstance(part, int) or not part.startswith("function-"))
    line = line_of(text, place)
    name = place[-1] if place else "?"
    inside = [part for part in place[:-1] if isinstance(part, str)]
    header = "[{}]" if len(inside) == 1 and inside[0] in alone else "[[{}]]"
    where = f"in {header.format('.'.join(inside))}" if inside else "at the top"
    if detail["type"] == "extra_forbidden":
        for part in inside:
            model = get_args(model.model_fields[part].annotation)[0]
        return f"{source}:{line}: unknown key {name!r} {where}; known are {', '.join(model.model_fields)}"
    if detail["type"] == "missing":
        return f"{source}:{line}: {where}: {name!r} is missing"
    if detail["type"] == "string_type":
        return f'{source}:{line}: {name!r} {where} must be text in quotation marks, such as {name} = "015"'
    if detail["type"] == "string_pattern_mismatch":
        return f"{source}:{line}: {name!r} {where} must be a number in hex digits (an account: 3 to 16 of them)"
    # The value itself is left out: it may be a key.
    return f"{source}:{line}: {name!r} {where}: {detail['msg'].removeprefix('Value error, ')}"


_HEADER = re.compile(r"\s*\[\[?\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?")
_ASSIGNED = re.compile(r"""\s*["']?([A-Za-z0-9_-]+)["']?\s*=""")


def line_of(text: str, place: tuple[str | int, ...]) -> int:
    """The line on which a value stands, or the header of its table where the value itself is missing."""
    *tables, last = place if place and isinstance(place[-1], str) else (*place, "")
    counts: dict[str, int] = {}
    current: list[str | int] = []
    best = 1
    for number, line in enumerate(text.splitlines(), 1):
        if header := _HEADER.fullmatch(line):
            parts = [part.strip() for part in header[1].split(".")]
            name = ".".join(parts)
            counts[name] = counts.get(name, -1) + 1
            for deeper in [known for known in counts if known.startswith(name + ".")]:
                del counts[deeper]
            current = []
            for depth, part in enumerate(parts, 1):
                current += [part, counts.get(".".join(parts[:depth]), 0)]
            if current == tables:
                best = number
            elif current[:-1] == [*tables, last]:
                return number
        elif current == tables and (assigned := _ASSIGNED.match(line)) and assigned[1] == last:
            return number
    return best


def _within(host: str, network: IpNetwork) -> bool:
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return (mapped or address) in network
