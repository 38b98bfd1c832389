"""Cases that are data: `receiver.toml`, and what its words do.

A case is a table `[[case]]` with `id`, `clause`, `does`, `must`, `may`, and `steps`, tried in order on one connection:

    { send = {…}, expect = "ACK" }      a message (`Stage.message`), and the answers that are right, joined by " or "
    { send = {…}, expect = "silence" }  nothing may come back
    { send = {…}, expect = "anything" } what no clause decides: all is noted, but an ACK must be the message's own
    { send = {…}, expect = "no ACK" }   likewise, and no ACK may come
    { again = true, expect = "ACK" }    the same bytes once more
    { right = true, expect = "ACK" }    the last message once more, under its number, with CRC and length right
    { raw = "…", expect = "silence" }   just bytes, in the notation of `raw`
    { open = true }                     a new connection for what follows
    { pause = 0.2 }                     seconds

Of a message, `account` says which is used (see `Setup.account`; `any` without it), `pad` gives so many bytes of padding and
`pad-of` says of which value (hex). Further: `contact-id`, `sia` and `poll = true` for the data; `before` and `after` are
bytes (like `raw`) that leave in the same segment; in `number` and `content`, `{number}` stands for the account's, and
`{unknown}` for one that the receiver does not know.

`over` names the lines that the case is about. `for = { name = [ … ], other = [ … ] }` makes a case of each value of one
list with its fellow of the other, which stand wherever `{name}` and `{other}` are written. `expect` may bring `why`, a
sentence that a failure begins with. After what got no answer, or may get any, the receiver must still acknowledge a right
message, and nothing else may come before: the next step is that message where an ACK is due to it, or else one is sent. It
must do so at the first try on a connection that it keeps; `patient = true` is for what may cost it a try or two. Where
several answers are right, the one that came is noted.
"""

import tomllib
from collections.abc import Iterator
from importlib.resources import files
from typing import Any

from protocols.envelope import from_printable
from receiver.trial.case import Case
from receiver.trial.stage import Said, Stage, Talk
from receiver.trial.told import answer_in_words, noted

KEYS = {"id", "clause", "does", "must", "may", "steps", "over", "for"}
STEP_KEYS = {"send", "again", "right", "raw", "open", "pause", "expect", "why", "patient"}
PLAIN = (
    "token",
    "data",
    "content",
    "sequence",
    "receiver",
    "prefix",
    "number",
    "extended",
    "crc",
    "length",
    "key",
    "stamp",
)
MOST_TRIED = 100  # messages until one shows its fault
SEND_KEYS = {*PLAIN, "account", "before", "after", "contact-id", "sia", "poll", "pad", "pad-of"}


def cases(name: str = "receiver.toml") -> Iterator[Case[Stage]]:
    """The cases of a data file of this package. ValueError for a word that means nothing here."""
    for table in tomllib.loads(files("receiver.trial").joinpath(name).read_text("utf-8"))["case"]:
        for one in _each(table):
            yield _case(one)


def _each(table: dict[str, Any]) -> Iterator[dict[str, Any]]:
    wanted = table.get("for")
    if not wanted:
        yield table
        return
    rest = {key: part for key, part in table.items() if key != "for"}
    for values in zip(*wanted.values(), strict=True):
        one = rest
        for name, value in zip(wanted, values, strict=True):
            one = _filled(one, f"{{{name}}}", value)
        yield one


def _filled(part: Any, mark: str, value: Any) -> Any:
    if isinstance(part, dict):
        return {key: _filled(inner, mark, value) for key, inner in part.items()}
    if isinstance(part, list):
        return [_filled(inner, mark, value) for inner in part]
    if part == mark:
        return value
    return part.replace(mark, str(value)) if isinstance(part, str) else part


def _case(table: dict[str, Any]) -> Case[Stage]:
    steps, over = table["steps"], tuple(table.get("over", ()))
    _known(table["id"], table, KEYS)
    for step in steps:
        _known(table["id"], step, STEP_KEYS)
        _known(table["id"], step.get("send", {}), SEND_KEYS)

    def play(stage: Stage) -> list[str]:
        if over:
            stage.only_over(*over)
        return _play(stage, steps)

    return Case(table["id"], table["clause"], table["does"], table["must"], play, table.get("may", ""))


def _known(case: str, table: dict[str, Any], keys: set[str]) -> None:
    if unknown := table.keys() - keys:
        raise ValueError(f"case {case}: {', '.join(sorted(unknown))} means nothing here; {', '.join(sorted(keys))} do")


def _play(stage: Stage, steps: list[dict[str, Any]]) -> list[str]:
    notes: list[str] = []
    said: Said | None = None
    send: dict[str, Any] = {}
    talk: Talk | None = None
    # What needs an account that was not given should say so before anything is sent.
    for step in steps:
        stage.account(step.get("send", {}).get("account", "any"))
    for step, following in zip(steps, [*steps[1:], {}], strict=True):
        if "pause" in step:
            stage.sleep(step["pause"])
            continue
        if talk is None or step.get("open") or talk.closed:
            talk = stage.open()
        if "raw" in step:
            talk.send(from_printable(step["raw"]))
            said = None
        elif "send" in step:
            send = step["send"]
            said = message(stage, send)
            talk.send(said)
        elif step.get("right") and said:
            rest = {name: part for name, part in send.items() if name not in ("crc", "length")}
            said = message(stage, rest | {"sequence": said.frame.sequence_sent})
            talk.send(said, "the same message, now right")
        elif step.get("again") and said:
            talk.send(said, "the same bytes once more")
        if "expect" in step:
            clear, words = _expect(talk, said, step["expect"], step.get("why", ""))
            notes += words
            if not clear and following.get("expect") != "ACK":
                notes += noted(talk.control(patient=step.get("patient", False)))
    return notes


def _expect(talk: Talk, said: Said | None, expect: str, why: str) -> tuple[bool, list[str]]:
    """Whether an answer came that shows by itself that the receiver still answers, and notes."""
    if expect == "silence":
        talk.silence(said, why)
        return False, ["it closed the connection"] if talk.closed else []
    if said is None:
        raise ValueError(f"only silence can follow bare bytes, not {expect}")
    if expect in ("anything", "no ACK"):
        return False, [talk.whatever(said, ack=expect == "anything")]
    words = expect.split(" or ")
    heard = talk.expect(said, *words, why=why)
    return heard is not None, [answer_in_words(heard)] if len(words) > 1 else []


def message(stage: Stage, send: dict[str, Any]) -> Said:
    """A message as a step describes it."""
    given: dict[str, Any] = {name: send[name] for name in PLAIN if name in send}
    for name in ("stamp", "key"):
        if given.get(name) == "none":
            given[name] = None
    if "contact-id" in send:
        given |= {"token": "ADM-CID", "data": send["contact-id"]}
    elif "sia" in send:
        given |= {"token": "SIA-DCS", "data": send["sia"]}
    elif send.get("poll"):
        given |= {"token": "NULL"}
    if "pad" in send or "pad-of" in send:
        value, count = bytes.fromhex(send.get("pad-of", "2E")), send.get("pad")
        given["pad"] = lambda due: (value * 16)[: due if count is None else count]
    known = stage.account(send.get("account", "any"))
    for name in ("number", "content"):
        if name in given:
            given[name] = given[name].replace("{number}", known.number).replace("{unknown}", stage.setup.unknown)
    for _ in range(MOST_TRIED):
        said = stage.message(known, **given)
        if _shows(said, given.get("crc", "right")):
            break
    before, after = (from_printable(send.get(name, "")) for name in ("before", "after"))
    return said._replace(data=before + said.data + after)


def _shows(said: Said, crc: str) -> bool:
    """Whether a message shows the fault that its CRC was given: by chance its digits may have no letters, or be alike."""
    if crc == "lower":
        return said.data[1:5] != said.data[1:5].upper()
    return crc in ("right", "binary") or said.frame.has("crc-mismatch", "bad-envelope")
