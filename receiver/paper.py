"""A record on paper: one page of HTML and one PDF that say the same, each with the record's JSON inside.

What is said stands here once, as headings, sentences and tables; the two templates only lay it out. Equal records give
equal bytes, so that the journal can hold the hash of what was signed. Everything that people and panels wrote goes in as
data: escaped in the page, never markup in the PDF.
"""

import hashlib
import io
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import orjson
import pypdf
import typst
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from protocols.values import legible
from receiver.measures import spoken_time
from receiver.plan import Item, Plan
from receiver.record import as_file
from receiver.sheet import GOOD, STATES

SHORT = 12  # digits of a row's hash in the tables; the appendix has all of them
ATTACHED = "record.json"
NAMES = {
    "called": "proved, called",
    "swept": "proved, swept",
    "said": "said on site",
    "seen live": "seen at the live receiver",
    "polled": "proved by polls",
    "half": "restoral still due",
    "open": "NOT SEEN",
    "pending": "comes later",
    "overdue": "OVERDUE",
    "skipped": "left out",
    "optional": "not seen, not required",
}
LACKING = (
    "Signs that the fonts of this PDF lack stand as their Unicode numbers, such as [U+1F600]; the data in it has them."
)
_RECORD = re.compile(rb'<script type="application/json" id="record">(.*?)</script>', re.DOTALL | re.IGNORECASE)
# What the PDF is set in: fonts that typst brings, so that it is the same everywhere. As in `record.typ`.
_PROBE = b'#set text(font: ("Libertinus Serif", "DejaVu Sans Mono"))\n#sys.inputs.text'


class PaperError(ValueError):
    """Why a file is no record, in a sentence."""


class Papers(NamedTuple):
    """The three files of a record."""

    json: bytes
    html: bytes
    pdf: bytes

    @property
    def marks(self) -> dict[str, str]:
        """The SHA-256 of what people read, as the row that says that it was signed has them."""
        return {"page": _mark(self.html), "pdf": _mark(self.pdf)}


class Read(NamedTuple):
    """A record, and the file that it was read from: which form (`json`, `page`, `pdf`) and its SHA-256."""

    record: dict[str, Any]
    form: str
    mark: str


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells; a cell may have several lines. `widths` are parts of the whole, `exact` a last column of hashes."""

    columns: tuple[str, ...]
    widths: tuple[int, ...]
    rows: list[list[str]]
    exact: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a paper. `level` 2 is a heading below one of level 1."""

    title: str
    text: list[str] = field(default_factory=list)
    facts: list[tuple[str, str]] = field(default_factory=list)
    table: Table | None = None
    level: int = 1


@dataclass(frozen=True, slots=True)
class Paper:
    """All that a paper says."""

    title: str
    proving: str
    judged: str
    stamps: list[str]  # what must be seen before anything else
    verdict: str
    parts: list[Part]
    caution: str
    digest: str


def papers(record: Mapping[str, Any]) -> Papers:
    """The record's three files. The same record gives the same bytes."""
    data = as_file(record)
    paper = told(record)
    return Papers(data, _page(paper, data), _pdf(paper, data))


def read(data: bytes) -> Read:
    """The record in a file of any of the three forms, told by its content. PaperError says why there is none."""
    start = data[:1024].lstrip()
    if start.startswith(b"%PDF-"):
        form, found = "pdf", _attached(data)
    elif start[:14].lower() == b"<!doctype html":
        form, found = "page", _RECORD.findall(data)
    elif start.startswith(b"{"):
        form, found = "json", [data]
    else:
        raise PaperError("it is neither JSON nor a page nor a PDF, so no record")
    if len(found) != 1:
        raise PaperError(f"this {form} holds {len(found) or 'no'} record{'s' * (len(found) > 1)}, where one is due")
    try:
        record = orjson.loads(found[0])
    except ValueError:
        raise PaperError("what it holds is no JSON, so no record") from None
    if not isinstance(record, dict) or record.get("record") != "farend proving":
        raise PaperError("what it holds is no record of a proving")
    return Read(record, form, _mark(data))


def _attached(data: bytes) -> list[bytes]:
    try:
        return list(pypdf.PdfReader(io.BytesIO(data)).attachments.get(ATTACHED, ()))
    except Exception as error:  # a damaged PDF makes its reader fail in more ways than it names
        raise PaperError(f"this PDF cannot be read: {error}") from None


def _mark(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


# What is said


def told(record: Mapping[str, Any]) -> Paper:
    """All that the papers of a record say, in words."""
    shown = _legible(record)
    sheet, plan = shown["judgement"], Plan.from_json(shown["plan"])
    number, name = sheet["account"], sheet["account_name"]
    return Paper(
        title=f"{number} {name}",
        proving=sheet["proving"],
        judged=sheet["judged"],
        stamps=list(_stamps(shown)),
        verdict=_verdict(shown),
        parts=list(_parts(shown, sheet, {item.id: item for item in plan.items})),
        caution=shown["caution"],
        digest=shown["digest"],
    )


def _legible(value: Any) -> Any:
    """The same, with what would act on a paper instead of standing on it (controls, marks that turn the writing)."""
    if isinstance(value, str):
        return legible(value)
    if isinstance(value, Mapping):
        return {legible(name): _legible(one) for name, one in value.items()}
    return [_legible(one) for one in value] if isinstance(value, list | tuple) else value


def _stamps(record: Mapping[str, Any]) -> Iterator[str]:
    if record["provisional"]:
        yield "PROVISIONAL: it is to be signed again once what comes later has come"
    if record["rehearsal"]:
        yield "REHEARSAL: signals came from the bench’s own machine; this shows nothing of any house"


def _verdict(record: Mapping[str, Any]) -> str:
    """What it has come to, in a sentence that says no more than was seen."""
    sheet = record["judgement"]
    lines = [line for line in sheet["sheet"] if line["need"] != "optional"]
    later, out = (sum(line["state"] == state for line in sheet["sheet"]) for state in ("pending", "skipped"))
    seen, wrong = sum(line["state"] in GOOD for line in lines), len(sheet["findings"])
    if not (later or out or wrong):
        return "Proved: everything that was asked for was seen."
    told = [f"{seen} of {_count(len(lines), 'row')} seen"]
    told += [f"{later} will come later"] * bool(later)
    told += [f"{out} left out, with the reasons below"] * bool(out)
    told += [f"{wrong} went wrong and {'was' if wrong == 1 else 'were'} settled, as told below"] * bool(wrong)
    return ("Not whole yet: " if later else "Whole: ") + "; ".join(told) + "."


def _known(signature: Mapping[str, Any]) -> str:
    entered = f"; entered by {signature['by']}" if signature["by"] != signature["name"] else ""
    return f"{signature['identified']}{entered}"


def _parts(record: Mapping[str, Any], sheet: Mapping[str, Any], items: Mapping[str, Item]) -> Iterator[Part]:
    at, rows = _times(record["plan"]["account"].get("time_zone")), _rows(record["hashes"])
    sealed = "sealed with a key" if sheet["encrypted"] else "in clear: whoever sees the line can read and imitate it"
    yield Part("What was proved", facts=[
        ("Account", sheet["account"]), ("Site", sheet["account_name"]), ("What for", sheet["why"]),
        ("Installer", sheet["installer"] or "not named"), ("Begun", f"{at(sheet['begun'])}, by {sheet['by']}"),
        ("Judged", at(sheet["judged"])), ("Messages", sealed), ("Proving", sheet["proving"]),
        ("Mode, software", f"{record['mode']}, {record['software']}"),
    ])  # fmt: skip
    yield Part("Signatures", table=Table(
        ("who", "name", "identified by", "signed", "row, SHA-256"), (10, 20, 28, 22, 20),
        [[one["role"], one["name"], _known(one), at(one["at"]), rows([one["row"]])]
         for one in record["signatures"]], exact=True))  # fmt: skip
    yield Part("Tests at the station", table=Table(
        ("from (UTC)", "until (UTC)", "reference", "confirmed by", "what was on test", "row, SHA-256"),
        (13, 13, 15, 19, 20, 20),
        [[_utc(one["from"]), _utc(one["ended"] or one["until"]) + _prolonged(one), one["reference"] or "",
          one["confirmed_by"] or "nobody named", _scope(one), rows([one["row"]])] for one in sheet["tests"]],
        exact=True))  # fmt: skip
    lines = sheet["sheet"]
    yield Part("Row for row, in the order of the walk", [
        "Times are UTC. Each row of the journal stands with its number and the first digits of its SHA-256."])  # fmt: skip
    for group in dict.fromkeys(item.group for item in items.values()):
        mine = [line for line in lines if items[line["item"]].group == group]
        yield Part(group, level=2, table=Table(
            ("what", "state", "when (UTC)", "over", "rows, SHA-256"), (32, 26, 12, 10, 20),
            [[line["label"], _state(line), _utc(line["at"]), line["path"] or "", rows(line["rows"])] for line in mine],
            exact=True))  # fmt: skip
    states = dict.fromkeys(line["state"] for line in lines)
    yield Part("The words", level=2, facts=[(NAMES[state], STATES[state]) for state in states])
    yield _listed("Left out, and why", ("what", "why"), (40, 60),
                  [[line["label"], line["why"]] for line in lines if line["state"] == "skipped"])  # fmt: skip
    yield _listed("Asked again, and why", ("what", "why"), (40, 60),
                  [[line["label"], reason] for line in lines for reason in line["again"]])  # fmt: skip
    yield _listed("Went wrong, and what became of it", ("name", "when (UTC)", "what", "settled", "row, SHA-256"),
                  (10, 12, 34, 24, 20),
                  [[one["id"], _utc(one["at"]), one["text"], one["settled"] or "NOT SETTLED", rows([one["row"]])]
                   for one in sheet["findings"]], exact=True)  # fmt: skip
    yield _listed("Comes later", ("what", "who looks after it", "due (UTC)"), (50, 25, 25),
                  [[line["label"], items[line["item"]].owner or "nobody named",
                    _due(sheet["begun"], items[line["item"]].due_hours)] for line in lines
                   if line["state"] in ("pending", "overdue")])  # fmt: skip
    yield _listed("Cut-over to the live receiver", ("what", "state", "what was seen"), (32, 20, 48),
                  [[line["label"], NAMES[line["state"]], line["why"]] for line in lines
                   if items[line["item"]].proof == "live"])  # fmt: skip
    yield _listed(
        "Paths", ("path", "signals, polls", "promised", "from poll to poll: shortest, median, longest", "jitter",
                  "longest silence", "from"), (13, 12, 12, 23, 9, 12, 19),
        [[name or "the path", f"{one['signals']}, {one['polls']}",
          f"every {spoken_time(one['promised'])}" if one["promised"] else "nothing", _spread(one["interval"]),
          _seconds(one["jitter"]), _seconds(one["longest_silence"]), "\n".join(one["hosts"])]
         for name, one in sheet["paths"].items()])  # fmt: skip
    yield Part("Measures", facts=list(_measures(sheet)))
    yield _listed("Did not count", ("when (UTC)", "what", "why", "row, SHA-256"), (12, 34, 34, 20),
                  [[_utc(one["at"]), one["text"], one["why"], rows([one["row"]])] for one in sheet["left_out"]],
                  exact=True)  # fmt: skip
    yield Part("Remarks", sheet["remarks"] or ["None."])
    if sheet["signed"]:
        yield _listed("Signed before", ("when (UTC)", "which", "row", "SHA-256 of the record"), (15, 15, 10, 60),
                      [[_utc(one["at"]), "provisional" if one["provisional"] else "whole", str(one["row"]), one["record"]]
                       for one in sheet["signed"]], exact=True)  # fmt: skip
    yield Part("Appendix: the rows of the journal that it speaks of", [
        "Each hash is over the row and the hash of the row before it. “farend prove check” holds this file"
        " against the journal."],
        table=Table(("row", "SHA-256"), (10, 90), [[number, hash] for number, hash in sorted(
            record["hashes"].items(), key=lambda one: int(one[0]))], exact=True))  # fmt: skip


def _listed(title: str, columns: tuple[str, ...], widths: tuple[int, ...], rows: list[list[str]], *,
            exact: bool = False) -> Part:  # fmt: skip
    """A part that says so where it has no rows."""
    return Part(title, table=Table(columns, widths, rows, exact)) if rows else Part(title, ["None."])


def _state(line: Mapping[str, Any]) -> str:
    again = f"\nasked again: {len(line['again'])}×" if line["again"] else ""
    return NAMES[line["state"]] + (f": {line['why']}" if line["why"] else "") + again


def _scope(test: Mapping[str, Any]) -> str:
    areas = f"area {', '.join(test['areas'])} alone" if test["areas"] else "the whole account"
    return areas + (f"; {', '.join(test['live'])} stayed live" if test["live"] else "")


def _prolonged(test: Mapping[str, Any]) -> str:
    return f"\nprolonged {test['prolonged']}×" if test["prolonged"] else ""


def _measures(sheet: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    clock = sheet["clock"]
    yield (
        "The panel’s clock",
        f"{clock['words']} ({_count(clock['from'], 'stamp')})" if clock else "no stamp to tell by",
    )
    yield "From made to arrived", f"shortest, median, longest: {_spread(sheet['delay'])}"
    yield (
        "Repeats",
        f"{_count(sheet['repeats'], 'message')} sent again, each counted once" if sheet["repeats"] else "none",
    )
    yield "Missing numbers", ", ".join(f"{number:04d}" for number in sheet["missing"]) or "none"
    for one in sheet["confirmed"]:
        yield "Sequentially confirmed (BS 8243)", f"{' then '.join(one['zones'])}, {spoken_time(one['seconds'])} apart"


def _rows(hashes: Mapping[str, str]) -> Callable[[list[int]], str]:
    return lambda rows: "\n".join(f"{row} {hashes[str(row)][:SHORT]}" for row in rows)


def _times(zone: str | None) -> Callable[[str], str]:
    """A moment in words: UTC, and what the site's clocks said, where the book has its time zone."""
    try:
        local = ZoneInfo(zone) if zone else None
    except (KeyError, ValueError, OSError):
        local = None

    def words(at: str) -> str:
        here = f"\n({datetime.fromisoformat(at).astimezone(local):%Y-%m-%d %H:%M:%S} {zone})" if local else ""
        return f"{_utc(at)} UTC{here}"

    return words


def _utc(at: str | None) -> str:
    return f"{datetime.fromisoformat(at).astimezone(UTC):%Y-%m-%d %H:%M:%S}" if at else ""


def _due(begun: str, hours: int | None) -> str:
    return _utc((datetime.fromisoformat(begun) + timedelta(hours=hours)).isoformat()) if hours else "no time set"


def _spread(found: Mapping[str, float] | None) -> str:
    return ", ".join(_seconds(found[name]) for name in ("shortest", "median", "longest")) if found else "not measured"


def _seconds(value: float | None) -> str:
    return "" if value is None else f"{value:.1f} s" if value < 120 else spoken_time(value)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'s' * (number != 1)}"


# How it is laid out


@cache
def _file(name: str) -> bytes:
    return files("receiver").joinpath(name).read_bytes()


def _page(paper: Paper, data: bytes) -> bytes:
    jinja = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    inside = Markup(data.decode().strip().replace("<", "\\u003c"))  # JSON reads it back; no tag can begin or end in it
    return jinja.from_string(_file("record.html.jinja").decode()).render(paper=paper, record=inside).encode()


def _pdf(paper: Paper, data: bytes) -> bytes:
    """An archive's PDF (PDF/A-3, tagged). It takes no character without a glyph: such a one stands as its number."""
    try:
        return _typeset(orjson.dumps(paper).decode(), data)
    except typst.TypstError:
        said = orjson.dumps(replace(paper, caution=f"{paper.caution} {LACKING}")).decode()
        odd = [character for character in set(said) if not character.isascii()]
    lacking = {ord(character): f"[U+{ord(character):04X}]" for character in odd}
    try:
        return _typeset(said.translate({one: name for one, name in lacking.items() if not _has_glyph(chr(one))}), data)
    except typst.TypstError:  # what has a glyph alone may have none beside another
        return _typeset(said.translate(lacking), data)


def _typeset(said: str, data: bytes) -> bytes:
    given = {"paper": said, "record": data.decode()}
    made = typst.compile(
        _file("record.typ"), sys_inputs=given, ignore_system_fonts=True, pdf_standards=["a-3a", "ua-1"]
    )
    assert isinstance(made, bytes)  # of one PDF; pictures would be a list
    return made


@cache
def _has_glyph(character: str) -> bool:
    try:
        typst.compile(_PROBE, sys_inputs={"text": character}, ignore_system_fonts=True, pdf_standards="a-3b")
    except typst.TypstError:
        return False
    return True
