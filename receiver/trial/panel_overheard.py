"""What can be told from everything that a panel has said in a trial, whatever was tried on it."""

from collections.abc import Callable
from itertools import pairwise

from protocols.dc09 import MESSAGES, same_number
from protocols.envelope import unwrap
from protocols.seal import Key
from protocols.values import Frame
from receiver.trial.case import Ended, beside, fails, unclear
from receiver.trial.panel_stage import DAMAGED, Message, Notes, Play, Stage

MOST_OPEN = 4  # connections to one receiver at once


def _of_all(
    judge_one: Callable[[Frame], str | None], *, events: bool = False, left: Callable[[Frame], bool] = lambda _: False
) -> Callable[[Stage], Notes]:
    """Hold each frame that was answered against something, and of those `left` unanswered the ones that can be held
    against it as well; the fault in words, None where there is none."""

    def play(stage: Stage) -> Notes:
        try:
            stage.at_least(0 if any(map(left, stage.left)) else 1)
        except Ended:
            if not any(map(left, stage.left)):
                raise
        said = [*filter(left, stage.left), *(one.frame for one in stage.heard if not (events and one.poll))]
        found = [why for one in said if (why := judge_one(one))]
        if found:
            fails(f"{len(found)} of {len(said)} frames: {found[0]}")
        return [f"{len(said)} frames"]

    return play


def _problem(*rules: str) -> Callable[[Frame], str | None]:
    def judged(frame: Frame) -> str | None:
        return next((f"{one.rule}: {one.detail}" for one in frame.problems if one.rule in rules), None)

    return judged


def _envelope(stage: Stage) -> Notes:
    notes = _of_all(_problem(*DAMAGED, "binary-crc"), left=lambda frame: True)(stage)
    if stage.faults:
        fails(f"{len(stage.faults)} times it sent what is no frame: {stage.faults[0]}")
    return notes


def _token(frame: Frame) -> str | None:
    return None if frame.token in MESSAGES else f"the token {frame.token!r}"


def _account(stage: Stage) -> Notes:
    wanted = stage.setup.account

    def judged(frame: Frame) -> str | None:
        return None if same_number(frame.account or "", wanted) else f"account {frame.account}, not {wanted}"

    return _of_all(judged, left=_whole)(stage)


def _whole(frame: Frame) -> bool:
    return not frame.has(*DAMAGED)


def _payload(stage: Stage) -> Notes:
    notes = _of_all(_problem("bad-payload", "bad-checksum"), events=True)(stage)
    unknown = {one.detail for event in stage.events() for one in event.frame.problems if one.rule == "unknown-code"}
    return [*(notes or ()), *sorted(unknown)]


def _range(frame: Frame) -> str | None:
    number = frame.sequence
    return None if number else f"number {frame.sequence_sent!r}; messages count 0001 to 9999"


def _rises(stage: Stage) -> Notes:
    found = stage.at_least(2)
    for before, then in pairwise(found):
        if then.frame.sequence != before.following and before.frame.sequence != 9999:
            fails(f"number {before.frame.sequence_sent} was followed by {then.frame.sequence_sent}")
    return [f"{len(found)} messages, {found[0].frame.sequence_sent} to {found[-1].frame.sequence_sent}"]


def _wraps(stage: Stage) -> Notes:
    pairs = [then for one, then in pairwise(stage.at_least(2)) if one.frame.sequence == 9999]
    if not pairs:
        beside("number 9999 did not come up")
    if pairs[0].frame.sequence_sent != "0001":
        fails(f"9999 was followed by {pairs[0].frame.sequence_sent}")
    return None


def _with_key(play: Callable[[Stage], Notes]) -> Callable[[Stage], Notes]:
    def keyed(stage: Stage) -> Notes:
        stage.need_key()
        return play(stage)

    return keyed


def _is_sealed(frame: Frame) -> str | None:
    return None if frame.encrypted else f"number {frame.sequence_sent} in clear, though it has a key"


def _stays_sealed(stage: Stage) -> Notes:
    def repeats() -> list[Message]:
        firsts = {id(one) for one in stage.events()}
        return [one for one in stage.heard if not one.poll and id(one) not in firsts]

    if not repeats():
        first = stage.event()
        stage.ack(stage.must_repeat(first, "the first answer was left out"))
    found = repeats()
    if any(not one.frame.encrypted for one in found):
        fails("a message that was sent again came in clear")
    return [f"{len(found)} repeats"]


def _inside(frame: Frame) -> str | None:
    if wrong := _problem("account-differs")(frame):
        return wrong
    return None if frame.account_inside or not frame.content else "no #account stands inside"


def _pads(stage: Stage) -> Notes:
    key = stage.need_key()
    stage.at_least(4)
    pads = set()
    for raw in {one.frame.raw for one in stage.heard if (one.frame.padding or 0) > 1}:
        pads.add(padding_of(raw, key))
    if len(pads) < 2 and sum((one.frame.padding or 0) > 1 for one in stage.heard) < 4:
        beside("too few messages had more than one byte of padding")
    longest = max(pads, key=len)
    if all(longest.startswith(pad) or longest.endswith(pad) for pad in pads):
        fails(f"all its padding is the same: {longest.hex(' ')}")
    return [f"{len(pads)} paddings, of {min(map(len, pads))} to {len(longest)} bytes"]


def padding_of(raw: bytes, key: Key) -> bytes:
    """The padding of a sealed frame that opens with the key."""
    envelope = unwrap(raw)
    assert envelope is not None, "it was opened"
    return key.decrypt(bytes.fromhex(envelope.body.partition(b"[")[2].decode("ascii"))).partition(b"|")[0]


def _stamps(stage: Stage) -> list[float]:
    """How far its stamps were from our clock, by its own clock: as long as no NAK of ours had set it.

    A repeat in clear keeps its stamp, so the same bytes count once; and what was made while connections were refused may
    come with the stamp that it had then.
    """
    stage.at_least(1)
    calm = [one for one in stage.heard[: stage.before_nak] if one.frame.encrypted or not one.delayed]
    own = {one.frame.raw: one.off for one in reversed(calm)}
    return [off for off in reversed(own.values()) if off is not None] or beside("its messages carry no stamp")


def _true(stage: Stage) -> Notes:
    found = _stamps(stage)
    first = found[0]
    if not all(-40 <= off <= 20 for off in found):
        hours = round(first / 3600)
        local = (
            f"; {hours:+d} h is perhaps local time instead of UTC" if hours and abs(first - 3600 * hours) < 120 else ""
        )
        fails(
            f"its stamps were {min(found):+.0f} to {max(found):+.0f} s from our clock; "
            f"+20 to -40 s are taken (from memory){local}"
        )
    return [f"{len(found)} stamps, {min(found):+.0f} to {max(found):+.0f} s from our clock"]


def _form(stage: Stage) -> Notes:
    stage.at_least(1)
    wrong = [one for one in stage.heard if one.frame.has("bad-stamp")]
    if wrong:
        fails(wrong[0].frame.problems[0].detail)
    if not any(one.off is not None for one in stage.heard):
        beside("its messages carry no stamp")
    return None


def _goes_on(stage: Stage) -> Notes:
    found = _stamps(stage)
    if len(found) < 2 and stage.before_nak is None:
        stage.ack(stage.event(fresh=True))
        found = _stamps(stage)
    if len(found) < 2:
        if stage.before_nak is not None:
            beside("only one of its stamps came before a NAK set its clock")
        unclear("only one of its stamps was new, and came while nothing was disturbed")
    if max(found) - min(found) > 5:
        fails(f"its clock does not go evenly: {min(found):+.0f} to {max(found):+.0f} s from ours")
    return [f"{min(found):+.0f} to {max(found):+.0f} s from our clock"]


def _polls(stage: Stage) -> list[Message]:
    stage.promised()
    if not any(one.poll for one in stage.heard):
        stage.ack(stage.poll())
    return [one for one in stage.heard if one.poll]


def _poll_form(stage: Stage) -> Notes:
    for poll in _polls(stage):
        if poll.frame.problems:
            fails(f"{poll.frame.problems[0].rule}: {poll.frame.problems[0].detail}")
        if poll.frame.data or poll.frame.account_inside:
            fails("a poll carries [], and here something stands in the brackets")
    return None


def _poll_sequence(stage: Stage) -> Notes:
    for poll in _polls(stage):
        if poll.frame.sequence_sent != "0000":
            fails(f"a poll carries the number {poll.frame.sequence_sent}; 0000 is for polls")
    return None


def _polls_sealed(stage: Stage) -> Notes:
    stage.promised()
    stage.need_key()
    if open_ := [one for one in _polls(stage) if not one.frame.encrypted]:
        fails(f"{len(open_)} of its polls came in clear, though it has a key")
    return None


def _not_hoarded(stage: Stage) -> Notes:
    stage.at_least(1)
    most = max(stage.most_open)
    if most > MOST_OPEN:
        fails(f"it had {most} connections to one receiver open at once")
    return [f"at most {most} to one receiver at once" if most else "none: all came over UDP"]


PLAYS: dict[str, Play] = {
    "clock/true": _true,
    "clock/form": _form,
    "clock/goes-on": _goes_on,
    "polls/form": _poll_form,
    "polls/sequence-0000": _poll_sequence,
    "polls/sealed": _polls_sealed,
    "connection/not-hoarded": _not_hoarded,
    "message/envelope": _envelope,
    "message/token": _of_all(_token),
    "message/numbers": _of_all(_problem("bad-number")),
    "message/account": _account,
    "message/payload": _payload,
    "message/extended": _of_all(_problem("bad-extended"), events=True),
    "sequence/range": _of_all(_range, events=True),
    "sequence/rises": _rises,
    "sequence/wraps": _wraps,
    "encryption/sealed": _with_key(_of_all(_is_sealed, events=True)),
    "encryption/stays-sealed": _with_key(_stays_sealed),
    "encryption/opens": _with_key(_of_all(_problem("decrypt-failed"), left=_whole)),
    "encryption/stamped": _with_key(_of_all(_problem("missing-stamp"))),
    "encryption/account-inside": _with_key(_of_all(_inside, events=True)),
    "encryption/padding-varies": _with_key(_pads),
}
