"""A trial of a receiver: farend plays the panels, by the clause."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from receiver.trial import clock_and_keys, connections, conversations, script
from receiver.trial.case import Case, Result, Trace, judge
from receiver.trial.memory import Answerer, InMemory
from receiver.trial.stage import Known, Link, Setup, Stage, in_words
from receiver.wire import Kind

FAR_OFF = -3600  # seconds: a stamp that no receiver may take, to be told its time
GONE_AFTER = 5  # cases in a row that do not hold; then it is asked whether it still answers at all


def cases() -> list[Case[Stage]]:
    """All cases, by group in the order of a message: what it is wrapped in, what it says, what it is answered."""
    return [
        *script.cases(),
        *conversations.CASES,
        *script.cases("exchange.toml"),
        *clock_and_keys.CASES,
        *connections.CASES,
    ]


@dataclass
class Examined:
    """What was found before the first case: sentences, and why there is no use in going on ("" where there is)."""

    sentences: list[str] = field(default_factory=list)
    why_not: str = ""
    messages: int = 0


def examine(link: Link, setup: Setup) -> Examined:
    """Whether the receiver acknowledges a right message of each account, how soon, and what its clock says.

    Sets `setup.ahead` from a NAK, to the second, where an account with a key was given; and lets `setup.quiet` be no
    shorter than ten times the slowest answer. OSError where nobody can be reached.
    """
    trace = Trace(link.tick)
    stage = Stage(link, setup, trace)
    found = Examined()
    slowest, measured = 0.0, False
    try:
        talk = stage.open()
        for one in setup.accounts:
            if one.key is not None and not measured:
                measured = True
                _measure(stage, setup, one, found)
            said = stage.message(one)
            if talk.closed:
                talk = stage.open()
            began = link.tick()
            talk.send(said)
            try:
                heard = talk.answer(said)
            except (EOFError, OSError):
                found.why_not = f"it closed the connection without an answer to a right message of account {one}"
                break
            if heard is None:
                found.why_not = f"no answer came to a right message of account {one} within {setup.wait:g} s"
                break
            slowest = max(slowest, link.tick() - began)
            if heard.word != "ACK":
                about = f" ({heard.why})" if heard.why else ""
                found.why_not = f"a right message of account {one} got {in_words(heard.frame)}{about}, not its ACK"
                break
        else:
            found.sentences.append(f"the slowest answer to a right message came after {slowest * 1000:.1f} ms")
            setup.quiet = min(max(setup.quiet, 10 * slowest), setup.wait)
    finally:
        stage.close()
    found.messages = trace.messages
    return found


def _measure(stage: Stage, setup: Setup, one: Known, found: Examined) -> None:
    talk = stage.open()
    said = stage.message(one, stamp=FAR_OFF)
    talk.send(said)
    try:
        heard = talk.answer(said)
    except (EOFError, OSError):
        heard = None
    if heard is None or heard.word != "NAK" or heard.frame.stamp is None:
        found.sentences.append(
            "it gave no NAK to a stamp of an hour ago, so its clock is not known; ours is taken for it"
        )
        return
    now = stage.link.now().replace(microsecond=0)
    setup.ahead = heard.frame.stamp - now
    seconds = round(setup.ahead.total_seconds())
    side = "ahead of" if seconds > 0 else "behind"
    found.sentences.append(
        f"its clock is {abs(seconds)} s {side} ours" if seconds else "its clock agrees with ours, to the second"
    )


def run(
    wanted: Sequence[Case[Stage]], link: Link, setup: Setup, began: Callable[[Case[Stage]], None] = lambda _: None
) -> Iterator[Result]:
    """Play the cases one after the other. Ends early where the receiver answers nothing more at all."""
    missed = 0
    for case in wanted:
        began(case)
        trace = Trace(link.tick)
        stage = Stage(link, setup, trace)
        try:
            result = judge(case, stage, trace)
        finally:
            stage.close()
        yield result
        missed = missed + 1 if result.verdict in ("fails", "unclear") else 0
        if missed >= GONE_AFTER and not _answers(link, setup):
            return


def _answers(link: Link, setup: Setup) -> bool:
    stage = Stage(link, setup, Trace(link.tick))
    try:
        said = stage.message()
        talk = stage.open()
        talk.send(said)
        return talk.answer(said) is not None
    except (EOFError, OSError):
        return False
    finally:
        stage.close()


@dataclass
class Effort:
    """What a trial will do: messages by account, and how long it takes where every answer comes at once."""

    messages: int
    seconds: float


def rehearse(wanted: Sequence[Case[Stage]], setup: Setup, kind: Kind) -> Effort:
    """Play the cases against this project's own desk, in memory, to know what they will do. Nothing is sent anywhere."""
    link = InMemory(Answerer(setup.accounts), kind)
    own = Setup(setup.accounts, setup.wait, setup.quiet, setup.unknown)
    results = list(run(wanted, link, own))
    return Effort(sum(result.messages for result in results), link.seconds)
