"""A golden file: what decoder and desk made of a recording, a frame a line, for people to review and to hold them to.

It stands beside its recording, with `.golden` after the name. Lines that begin with `#` say what it is and by what it was
judged; then comes a line a frame, of both sides, in the order of the recording:

    7 | at: 2026-11-25 12:00:01.250 | from: tcp-1, wired | account: 4471 Tern Point | frame: ADM-CID 0041 L1, crc 9C60 | …

Everything that the decoder says of a frame is in it, and nothing that changes by itself. Cells are parted by ` | `, each
with its name; what stands inside one by ` · `. Whatever came over a wire is escaped, so that it cannot part anything.

Comparing goes through both in step, with a window where they part ways. So what a file takes in memory is bounded, and
frames that changed places, are new, or have gone are told as that and not as a cascade.
"""

import re
import textwrap
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from difflib import SequenceMatcher
from itertools import chain, islice
from os.path import relpath
from pathlib import Path
from typing import Any, Literal, NamedTuple

from protocols.dc09 import bare
from protocols.envelope import printable
from protocols.values import Frame, legible
from receiver import book as books
from receiver import desk, shapes
from receiver.book import Book, BookError
from receiver.capture import CaptureError, Happening, Opened
from receiver.desk import Policy
from receiver.rehearing import Answered, Judged, Judging, Missing, Passed, rehear
from receiver.requests import write_whole
from receiver.shapes import How

SUFFIX = ".golden"
WINDOW = 400  # lines that are looked over where old and new part ways
MOST_GROUPS = 500  # differences that are told apart; what is beyond is counted
MOST_NUMBERS = 5  # frames that are named of each
_CELL, _PART = " | ", " · "
_UNKNOWN: dict[str, Literal["duh", "ack", "silent"]] = {"duh": "duh", "ack": "ack", "silent": "silent"}


class GoldenError(ValueError):
    """A golden file that cannot be used, and what to do."""


@dataclass(frozen=True, slots=True)
class Terms:
    """By what a recording is judged; kept at the head of its golden file. `book` is a path from the golden file's folder."""

    recording: str
    book: str | None = None
    unknown: Literal["duh", "ack", "silent"] = "duh"
    on_test: tuple[str, ...] = ()
    how: How = field(default_factory=How)

    def judging(self, folder: Path) -> Judging:
        """GoldenError where the book cannot be read."""
        if self.book is None:
            return Judging(Book(), Policy(self.unknown), self.on_test)
        try:
            return Judging(books.load(folder / self.book), Policy(self.unknown), self.on_test)
        except OSError as error:
            raise GoldenError(
                f"the book {self.book}, which it was judged by, cannot be read: {error.strerror}"
            ) from None
        except BookError as error:
            raise GoldenError(f"the book {self.book}, which it was judged by, has mistakes: {error}") from None

    def head(self) -> Iterator[str]:
        yield "# What farend makes of a recording, a frame a line. A person reviews it; `farend capture verify` holds to it."
        yield f"# recording: {self.recording}"
        yield f"# book: {self.book or 'none'}"
        yield f"# unknown: {self.unknown}"
        yield f"# on test: {' '.join(self.on_test) or 'nobody'}"
        if self.how.began:
            yield f"# began: {self.how.began.isoformat()}"
        if self.how.receiver:
            host, port = self.how.receiver
            yield f"# receiver: {f'{host} ' if host else ''}{port}"


def terms_of(head: Iterable[str], where: str) -> Terms:
    """What a golden file's head says. GoldenError where it lacks something or cannot be understood."""
    said = dict(line[2:].split(": ", 1) for line in head if ": " in line)
    try:
        unknown = _UNKNOWN[said["unknown"]]
        on_test = () if said["on test"] == "nobody" else tuple(said["on test"].split())
        began = datetime.fromisoformat(said["began"]) if "began" in said else None
        *host, port = said["receiver"].split() if "receiver" in said else ["0"]
        receiver = ((host[0] if host else None), int(port)) if int(port) else None
        book = None if said["book"] == "none" else said["book"]
        return Terms(said["recording"], book, unknown, on_test, How(began, receiver))
    except (KeyError, ValueError) as error:
        raise GoldenError(
            f"{where} is no golden file: {error} in its head; `farend capture expect` makes one"
        ) from None


# Writing


def lines(happenings: Iterable[Happening], judging: Judging) -> Iterator[tuple[str, Passed]]:
    """A recording's golden lines, each with what it is about."""
    return ((line(passed), passed) for passed in rehear(happenings, judging))


def line(passed: Passed) -> str:
    """One line of a golden file."""
    at = passed.at.isoformat(" ", "milliseconds")[:23]
    if isinstance(passed, Missing):
        return _CELL.join(
            ("-", f"at: {at}", f"from: {_plain(passed.connection)}", f"lost: {passed.size} bytes of the {passed.side}")
        )
    if isinstance(passed, Judged):
        decision = passed.decision
        frame, account = decision.frame, decision.account
        found: dict[str, Any] = {"signals": [signal.to_json() for signal in frame.signals]}
        desk.names(found, frame, account, passed.origin)
        where = ", ".join(filter(None, (passed.connection, found["path"])))
    else:
        frame, account, found = passed.heard.frame, None, {"signals": [], "path": None}
        where = f"{passed.connection}, the receiver"
    cells = [str(passed.number), f"at: {at}", f"from: {_plain(where)}"]
    who = frame.account or ""
    if account:
        who += f" {account.name}" + (f" ({account.mark})" if account.mark != bare(frame.account or "") else "")
    if who:
        cells.append(f"account: {_plain(who)}")
    cells.append(f"frame: {_frame(frame)}")
    cells += [f"said: {_signal(signal)}" for signal in found["signals"]]
    if isinstance(passed, Judged):
        decision = passed.decision
        cells.append(f"verdict: {decision.verdict}, {decision.reply if decision.reply != 'none' else 'no answer'}")
        if decision.sequence_note:
            again = f" of frame {decision.repeat_of}" if decision.repeat_of else ""
            cells.append(f"sequence: {decision.sequence_note}{again}")
        if decision.warning:
            cells.append(f"warning: {decision.warning}{', refused' if decision.refused_alarm else ''}")
    else:
        to = (
            f" to frame {passed.to.number}"
            if passed.to
            else f": {_plain(passed.heard.why)}"
            if passed.heard.why
            else ""
        )
        cells.append(f"answer: {passed.heard.word}{to}")
    cells += [f"extended: {one.id} {one.name or 'not listed'}{_PART}{_plain(one.value)}" for one in frame.extended]
    cells += [f"problem: {problem.rule}{_PART}{_plain(problem.detail)}" for problem in frame.problems]
    cells += [f"note: {_plain(note)}" for note in frame.notes]
    return _CELL.join(cells)


def _frame(frame: Frame) -> str:
    if frame.token is None and frame.crc_sent is None:
        return f"{frame.kind}, {frame.size} bytes"
    numbers = [
        f"{letter}{_plain(number)}"
        for letter, number in (("R", frame.receiver), ("L", frame.prefix))
        if number is not None
    ]
    head = " ".join(filter(None, (_plain(frame.token or "?"), _plain(frame.sequence_sent), *numbers)))
    parts = [
        head,
        "sealed" if frame.encrypted else "",
        f"crc {frame.crc_sent}" if frame.crc_sent else "",
        f"{frame.size} bytes",
    ]
    parts += ["oversize"] * (frame.kind == "oversize")
    for name, moment in (("stamped", frame.stamp), ("occurred", frame.occurred)):
        if moment:
            parts.append(f"{name} {moment.isoformat(' ')[:19]}")
    return ", ".join(filter(None, parts))


def _signal(signal: dict[str, Any]) -> str:
    meaning = _plain(signal["meaning"]) if signal["meaning"] else "unknown code"
    parts = [f"{signal['code_set']} {_plain(signal['code'])} {signal['qualifier']}", meaning, signal["category"]]
    for kind in ("area", "zone", "user"):
        if signal[kind] is not None:
            parts.append(" ".join(filter(None, (kind, _plain(signal[kind]), _plain(signal[f"{kind}_name"] or "")))))
    if signal["number"] is not None and signal["zone"] is None and signal["user"] is None:
        parts.append(f"number {_plain(signal['number'])}")
    if signal["text"] is not None:
        parts.append(f"text “{_plain(signal['text'])}”")
    parts += [f"modifier {_plain(name)} {_plain(value)}" for name, value in signal["modifiers"].items()]
    parts += ["from the panel's memory"] * signal["from_memory"]
    return _PART.join(parts)


_ESCAPED = str.maketrans({"\\": "\\\\", "|": "\\x7C", "·": "\\xB7"})


def _plain(text: str) -> str:
    return legible(text.translate(_ESCAPED))


def write(path: Path, terms: Terms, made: Iterable[str]) -> int:
    """Write a golden file, whole or not at all; how many lines are in it. OSError where it cannot be written."""
    count = 0

    def text() -> Iterator[str]:
        nonlocal count
        yield from terms.head()
        for count, one in enumerate(made, 1):  # noqa: B007
            yield one
        yield f"# {count} lines"

    mode = path.stat().st_mode & 0o777 if path.exists() else 0o644
    write_whole(path, (one.encode() + b"\n" for one in text()), mode)
    return count


# Comparing


class Difference(NamedTuple):
    """One thing that is not as it was: of which frame, what, old and new in words. A frame that is new, gone or elsewhere
    has that as its `what`, and no old or no new.
    """

    number: int
    what: str
    old: str
    new: str
    golden: str  # the frame's line, old or new, to say which it is
    passed: Passed | None  # None of a frame that has gone


@dataclass(slots=True)
class Group:
    """The same difference at many frames: how often, the first of them, and where it came first."""

    first: Difference
    count: int = 0
    numbers: list[int] = field(default_factory=list)


def compare(old: Iterable[str], new: Iterable[tuple[str, Passed]]) -> Iterator[Difference]:
    """What differs, in the order of the frames. Both are read as they come."""
    olds, news = iter(old), iter(new)
    shift = 0  # by how much the new numbers are ahead, after frames that are new or gone
    while True:
        before, after = next(olds, None), next(news, None)
        if before is None and after is None:
            return
        if before is not None and after is not None:
            if before == after[0]:
                continue
            if _identity(before) == _identity(after[0]):
                yield from _cells(before, after, shift)
                continue
        left = [before, *islice(olds, WINDOW)] if before is not None else []
        right = [after, *islice(news, WINDOW)] if after is not None else []
        found, lefts, rights, shift = _apart(left, right, shift)
        yield from found
        olds, news = chain(lefts, olds), chain(rights, news)


def _apart(
    left: list[str], right: list[tuple[str, Passed]], shift: int
) -> tuple[list[Difference], list[str], list[tuple[str, Passed]], int]:
    """A window where both part ways: the differences up to its last common stretch, and what is beyond that."""
    ours, theirs = [_identity(one) for one in left], [_identity(one) for one, _ in right]
    blocks = SequenceMatcher(None, ours, theirs, autojunk=False).get_opcodes()
    if len(left) > WINDOW or len(right) > WINDOW:  # what follows is not known yet: the last stretch decides nothing
        last = max((place for place, block in enumerate(blocks) if block[0] == "equal"), default=None)
        if last is not None:
            _, end, _, end_right, _ = blocks[last]
            blocks = blocks[:last]
        else:
            end, end_right = len(left), len(right)
    else:
        end, end_right = len(left), len(right)
    gone = Counter(ours[n] for kind, a, b, _, _ in blocks if kind != "equal" for n in range(a, b))
    came = Counter(theirs[n] for kind, _, _, a, b in blocks if kind != "equal" for n in range(a, b))
    moved = gone & came
    found: list[Difference] = []
    homes: dict[str, list[str]] = {}
    moved_out, moved_in = (
        set[int](),
        set[int](),
    )  # as many of each identity as are on both sides; the others are gone or new
    for moving, names, counted in ((moved_out, ours, Counter(moved)), (moved_in, theirs, Counter(moved))):
        for kind, *ends in blocks:
            start, stop = ends[:2] if names is ours else ends[2:]
            for n in range(start, stop) if kind != "equal" else ():
                if counted[names[n]] > 0:
                    counted[names[n]] -= 1
                    moving.add(n)
                    if names is ours:
                        homes.setdefault(ours[n], []).append(left[n])
    for kind, a, b, c, d in blocks:
        if kind == "equal":
            for n in range(b - a):
                found += _cells(left[a + n], right[c + n], shift)
            continue
        lost = [n for n in range(a, b) if n not in moved_out]
        fresh = [n for n in range(c, d) if n not in moved_in]
        for n in range(c, d):
            if n in moved_in:
                before = homes[theirs[n]].pop(0)
                found.append(
                    Difference(
                        _number(right[n][0]),
                        "its place",
                        f"frame {_number(before)}",
                        f"frame {_number(right[n][0])}",
                        *right[n],
                    )
                )
                found += _cells(before, right[n], _number(right[n][0]) - _number(before))
        for n, m in zip(lost, fresh, strict=False):  # as many: the same frame, read as another
            found += _cells(left[n], right[m], shift)
        found += [
            Difference(_number(left[n]), "a frame has gone", _brief(left[n]), "", left[n], None)
            for n in lost[len(fresh) :]
        ]
        found += [
            Difference(_number(right[n][0]), "a frame is new", "", _brief(right[n][0]), *right[n])
            for n in fresh[len(lost) :]
        ]
        shift += (d - c) - (b - a)
    return found, left[end:], right[end_right:], shift


def _identity(text: str) -> str:
    """What tells a frame from others however it is understood: its connection, and its CRC as sent and its size."""
    cells = dict(cell.split(": ", 1) for cell in text.split(_CELL)[1:] if ": " in cell)
    frame = cells.get("frame", cells.get("lost", ""))
    where = cells.get("from", "")
    crc = re.search(r"crc \w+", frame)
    size = re.search(r"\d+ bytes", frame)
    side = ", the receiver" if where.endswith(", the receiver") else ""
    return f"{where.split(',')[0]}{side} {crc[0] if crc else ''} {size[0] if size else frame}"


def _number(text: str) -> int:
    number = text.split(_CELL, 1)[0]
    return int(number) if number.isdigit() else 0


def _brief(text: str) -> str:
    return _CELL.join(text.split(_CELL)[3:])


_FRAME_NUMBER = re.compile(r"(?<=frame )\d+")


def _cells(old: str, new: tuple[str, Passed], shift: int) -> Iterator[Difference]:
    """What differs between two readings of one frame, cell by cell and part by part."""
    if old == new[0]:
        return
    before, after = _apart_cells(old), _apart_cells(new[0])
    number = _number(new[0])
    for name in dict.fromkeys((*before, *after)):
        was, now = before.get(name, []), after.get(name, [])
        if name in ("answer", "sequence"):
            was = [_FRAME_NUMBER.sub(lambda match: str(int(match[0]) + shift), one) for one in was]
        if was == now:
            continue
        if name == "said" and len(was) == len(now):
            for one, other in zip(was, now, strict=True):
                yield from (Difference(number, *what, *new) for what in _parts(one, other))
        else:
            less, more = Counter(was), Counter(now)
            gone, came = list((less - more).elements()), list((more - less).elements())
            for place in range(max(len(gone), len(came))):
                one = gone[place] if place < len(gone) else ""
                other = came[place] if place < len(came) else ""
                yield Difference(number, name, one, other, *new)
            if not gone and not came:
                yield Difference(number, f"the order of {name}", "; ".join(was), "; ".join(now), *new)


def _apart_cells(text: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for cell in text.split(_CELL)[1:]:
        name, _, said = cell.partition(": ")
        found.setdefault(name, []).append(said)
    return found


_POSITIONS = ("code", "meaning", "category")


def _parts(old: str, new: str) -> Iterator[tuple[str, str, str]]:
    """What differs between two readings of one signal: which part, old and new."""
    was, now = old.split(_PART), new.split(_PART)
    code = f" of {was[0]}" if was[0] == now[0] else ""
    for name, one, other in zip(_POSITIONS, was, now, strict=False):
        if one != other:
            yield f"{name}{code}", one, other
    less, more = Counter(was[3:]), Counter(now[3:])
    gone, came = list((less - more).elements()), list((more - less).elements())
    if gone or came:
        yield "what it is about", ", ".join(gone), ", ".join(came)


_DIGITS = re.compile(r"\d+|\b[0-9A-F]{4}\b")


def _alike(one: Difference) -> tuple[str, str, str]:
    """What makes two differences the same for a reader: numbers that are the frame's own, not the change, do not count."""
    if one.what in ("a frame has gone", "a frame is new", "its place"):
        return one.what, "", ""
    if one.what in ("problem", "note", "extended"):
        return one.what, _DIGITS.sub("#", one.old), _DIGITS.sub("#", one.new)
    own = set(_DIGITS.findall(one.old)) & set(_DIGITS.findall(one.new))
    old, new = (_DIGITS.sub(lambda match: "#" if match[0] in own else match[0], text) for text in (one.old, one.new))
    if one.what == "account" or (one.what == "what it is about" and not (one.old and one.new)):
        return one.what, _DIGITS.sub("#", old), _DIGITS.sub("#", new)
    return one.what, old, new


def grouped(differences: Iterable[Difference]) -> tuple[list[Group], int]:
    """The same differences together, in the order in which they came first; and how many are beyond what is told apart."""
    groups: dict[tuple[str, str, str], Group] = {}
    beyond = 0
    for one in differences:
        like = _alike(one)
        if like not in groups and len(groups) >= MOST_GROUPS:
            beyond += 1
            continue
        group = groups.setdefault(like, Group(one))
        group.count += 1
        if len(group.numbers) < MOST_NUMBERS:
            group.numbers.append(one.number)
    return list(groups.values()), beyond


# A recording and its golden file


@dataclass(slots=True)
class Held:
    """What became of holding one recording to its golden file. `why` says what made that impossible."""

    recording: Path
    frames: int = 0
    groups: list[Group] = field(default_factory=list)
    beyond: int = 0
    notes: list[str] = field(default_factory=list)
    why: str | None = None

    @property
    def holds(self) -> bool:
        return not self.groups and self.why is None


def hold(golden: Path, reading: Callable[[Opened], Iterator[Happening]] = lambda opened: opened.happenings) -> Held:
    """Hold the recording beside a golden file to it. Never raises for what is wrong with either: `why` says it.

    `reading` gives the happenings of what was opened; a bar may go along with them.
    """
    held = Held(golden.with_name(golden.name.removesuffix(SUFFIX)))
    try:
        terms = terms_in(golden)
        held.recording = golden.parent / terms.recording
        judging = terms.judging(golden.parent)
        opened = shapes.opened(held.recording, terms.how)
        made = _counted(lines(reading(opened), judging), held)
        with golden.open(encoding="utf-8", newline="\n") as file:
            held.groups, held.beyond = grouped(compare(_body(file, golden), made))
        held.notes = opened.notes
    except (GoldenError, CaptureError) as error:
        held.why = str(error)
    except UnicodeDecodeError:
        held.why = f"{golden} is no text in UTF-8"
    except OSError as error:
        held.why = f"{error.filename or golden} cannot be read: {error.strerror}"
    return held


def terms_in(golden: Path) -> Terms:
    """What the head of a golden file says. GoldenError, OSError."""
    with golden.open(encoding="utf-8", newline="\n") as file:
        head = []
        for text in file:
            if not text.startswith("# "):
                break
            head.append(text.rstrip("\n"))
    return terms_of(head, golden.name)


def accept(golden: Path) -> int:
    """Write a golden file anew, by the terms that it has. GoldenError, CaptureError, OSError."""
    terms = terms_in(golden)
    opened = shapes.opened(golden.parent / terms.recording, terms.how)
    return write(golden, terms, (text for text, _ in lines(opened.happenings, terms.judging(golden.parent))))


def beside(golden: Path, book: Path | None) -> str | None:
    """A book's path as a golden file keeps it: from its own folder, so that both can be moved together."""
    return None if book is None else Path(relpath(book.resolve(), golden.resolve().parent)).as_posix()


def _counted(made: Iterator[tuple[str, Passed]], held: Held) -> Iterator[tuple[str, Passed]]:
    for one in made:
        held.frames += 1
        yield one


def _body(file: Iterable[str], golden: Path) -> Iterator[str]:
    ended = False
    for text in file:
        if text.startswith("#"):
            ended = re.fullmatch(r"# \d+ lines\n", text) is not None
        else:
            yield text.rstrip("\n")
    if not ended:
        raise GoldenError(f"{golden.name} was cut off; `farend capture expect FILE --accept` makes it anew")


# In words


def told(held: Held, width: int = 100) -> Iterator[str]:
    """What differs, for a person: each difference once, old above new, and the frame under it."""
    if held.why is not None:
        yield held.why
    for group in held.groups:
        one = group.first
        yield one.what if not one.what.startswith("its place") else "it changed places"
        yield from (f"  - {text}" for text in _wrapped(one.old, width))
        yield from (f"  + {text}" for text in _wrapped(one.new, width))
        where = _apart_cells(one.golden)
        numbers = ", ".join(map(str, group.numbers))
        more = f" and {group.count - len(group.numbers)} more" if group.count > len(group.numbers) else ""
        first = "; the first" if group.count > 1 else ""
        facts = ", ".join(text for name in ("at", "from", "account") for text in where.get(name, ()))
        yield from (
            f"  {text}"
            for text in _wrapped(f"frame{'s' if group.count > 1 else ''} {numbers}{more}{first}: {facts}", width)
        )
        if (raw := raw_of(one.passed)) is not None:
            yield from (f"    {text}" for text in _wrapped(raw, width))
        yield ""
    if held.beyond:
        yield f"and {held.beyond} differences more, of other kinds"


def raw_of(passed: Passed | None) -> str | None:
    """A frame's bytes in the notation of `raw`; None of what has none."""
    if isinstance(passed, Judged):
        return printable(passed.decision.frame.raw)
    return printable(passed.heard.frame.raw) if isinstance(passed, Answered) else None


def _wrapped(text: str, width: int) -> list[str]:
    """Lines of so many characters, broken between words where there are any."""
    return textwrap.wrap(text, max(width - 8, 20), drop_whitespace=True, break_on_hyphens=False)
