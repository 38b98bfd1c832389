"""What a trial is made of: cases, what went over the wires in each, and verdicts. No socket and no clock of its own.

A case is played by a function that talks to a *stage* (the equipment, as the trial sees it) and returns when the equipment
did what the clause asks, or ends early with `fails`, `unclear` or `beside`. What it returns are notes: worth knowing, and
no fault.
"""

import fnmatch
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, Literal, NamedTuple, NoReturn, TypeVar

from protocols.dc09 import KeyFor, decode_all
from protocols.envelope import printable
from protocols.seal import Key

Verdict = Literal["holds", "fails", "unclear", "not-applicable"]
WORDS: dict[Verdict, str] = {
    "holds": "holds",
    "fails": "fails",
    "unclear": "not answered clearly",
    "not-applicable": "does not apply",
}
PRACTICE = "common practice"  # the clause of what no standard says
SERIOUS = "! "  # begins a note that whoever decides should see: no clause is broken, and yet it has a consequence

S = TypeVar("S")


class Ended(Exception):
    """A case has its verdict before its end."""

    def __init__(self, verdict: Verdict, why: str) -> None:
        super().__init__(why)
        self.verdict, self.why = verdict, why


def fails(why: str) -> NoReturn:
    """The equipment did what the clause forbids, or left out what it demands."""
    raise Ended("fails", why)


def unclear(why: str) -> NoReturn:
    """It could not be told: the equipment went away, or answered neither so nor so."""
    raise Ended("unclear", why)


def beside(why: str) -> NoReturn:
    """The case does not apply to this equipment or to what was given, and why."""
    raise Ended("not-applicable", why)


@dataclass(frozen=True, slots=True)
class Case(Generic[S]):
    """One thing that is tried. `clause` names where it is demanded, or is `PRACTICE`.

    `id` is `group/what`, lower case with hyphens. `does` says in one sentence what the case does, `must` what has to come
    back, `may` what else may come without being a fault ("" for nothing).
    """

    id: str
    clause: str
    does: str
    must: str
    play: Callable[[S], Iterable[str] | None]
    may: str = ""

    @property
    def group(self) -> str:
        return self.id.partition("/")[0]


class Passed(NamedTuple):
    """Something that passed between the trial and the equipment; `seconds` since the case began.

    `connection` counts the case's connections from 1 (0: none, a word to the person). `key` opens what was sealed.
    """

    seconds: float
    connection: int
    way: Literal["opened", "sent", "got", "finished", "closed", "lost", "asked", "waited"]
    data: bytes = b""
    words: str = ""
    key: Key | KeyFor | None = None

    def to_json(self) -> dict[str, Any]:
        found: dict[str, Any] = {"seconds": round(self.seconds, 4), "connection": self.connection, "way": self.way}
        if self.words:
            found["words"] = self.words
        if self.data:
            frames = [frame.to_json() for frame in decode_all(self.data, self.key)]
            found |= {"raw": printable(self.data[:MOST_SHOWN]), "size": len(self.data), "frames": frames[:MOST_FRAMES]}
        return found


MOST_SHOWN = 8192  # bytes of one exchange that a report shows
MOST_FRAMES = 20
MOST_PASSED = 400  # of one case; what is beyond is counted


class Trace:
    """What passed in one case, in order."""

    def __init__(self, tick: Callable[[], float]) -> None:
        self._tick, self._began = tick, tick()
        self.passed: list[Passed] = []
        self.left_out = 0
        self.messages = 0  # frames and datagrams sent

    @property
    def seconds(self) -> float:
        return self._tick() - self._began

    def add(self, connection: int, way: Any, data: bytes = b"", words: str = "", key: Any = None) -> None:
        """Keep one thing that passed."""
        self.messages += way == "sent"
        if len(self.passed) < MOST_PASSED:
            self.passed.append(Passed(self.seconds, connection, way, data, words, key))
        else:
            self.left_out += 1


@dataclass(slots=True)
class Result:
    """What became of a case."""

    case: Case[Any]
    verdict: Verdict
    why: str = ""  # for all but `holds`
    notes: Sequence[str] = ()
    seconds: float = 0.0
    passed: Sequence[Passed] = field(default_factory=list)
    left_out: int = 0
    messages: int = 0

    def to_json(self) -> dict[str, Any]:
        """One line of `trial … --json`."""
        case = self.case
        return {
            "case": case.id, "group": case.group, "clause": case.clause, "does": case.does, "must": case.must,
            "may": case.may or None, "verdict": self.verdict, "why": self.why or None, "notes": list(self.notes),
            "seconds": round(self.seconds, 3), "messages": self.messages,
            "passed": [one.to_json() for one in self.passed], "left_out": self.left_out,
        }  # fmt: skip


def judge(case: Case[S], stage: S, trace: Trace) -> Result:
    """Play one case to its verdict. What breaks where the case does not expect it leaves it unclear."""
    verdict: Verdict = "holds"
    why, notes = "", []
    try:
        notes = list(case.play(stage) or ())
    except Ended as ended:
        verdict, why = ended.verdict, ended.why
    except TimeoutError as error:
        verdict, why = "unclear", str(error) or "nothing came in time"
    except (OSError, EOFError) as error:
        verdict, why = "unclear", f"the connection broke: {getattr(error, 'strerror', None) or error}"
    except Exception as error:  # a fault of the trial's own must not cost the cases after it
        verdict, why = "unclear", f"the trial itself stumbled: {type(error).__name__}: {error}"
    return Result(case, verdict, why, notes, trace.seconds, trace.passed, trace.left_out, trace.messages)


def chosen(cases: Sequence[Case[S]], only: Sequence[str]) -> Iterator[Case[S]]:
    """The cases whose id, or group, fits one of the patterns (`*` and `?` as in a shell); all where there is none."""
    for case in cases:
        if not only or any(fnmatch.fnmatchcase(case.id, one) or case.group == one for one in only):
            yield case
