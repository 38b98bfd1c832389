"""Cases of a trial of a receiver that are told by a function: how one is made of it, and what several of them do.

What a right receiver may do is never held against it: it may close a connection after an answer (`Talk` opens it anew), it
may close on noise, and it may answer pipelined messages in another order. What is merely worth knowing is noted.
"""

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import replace

from protocols.dc09 import decode
from protocols.envelope import Piece
from protocols.exchange import Heard, belongs
from receiver.trial.case import Case, fails
from receiver.trial.stage import SETTLING, Known, Said, Stage, Talk, in_words, spoiled
from receiver.wire import Kind

STREAMS: tuple[Kind, ...] = ("tcp", "tls")

Play = Callable[[Stage], Iterable[str] | None]


def told(
    cases: list[Case[Stage]], id: str, clause: str, does: str, must: str, may: str = "", over: Sequence[Kind] = ()
) -> Callable[[Play], Play]:
    """Make a case of a function, and add it to `cases`; `over` names the lines that it is about."""

    def made(play: Play) -> Play:
        def limited(stage: Stage) -> Iterable[str] | None:
            stage.only_over(*over)
            return play(stage)

        cases.append(Case(id, clause, does, must, limited if over else play, may))
        return play

    return made


def fresh(stage: Stage, why: str = "it must take another connection") -> Talk:
    """A new connection, which must not be refused."""
    try:
        return stage.open()
    except OSError as error:
        fails(f"{why}; {error.strerror or error}")


def two(stage: Stage) -> tuple[Known, Known]:
    """Two accounts, where they were given."""
    one, other, *_ = stage.setup.accounts_that(lambda _: True, "", 2)
    return one, other


def noted(*notes: str) -> list[str]:
    """Those that say something."""
    return [note for note in notes if note]


def answer_in_words(heard: Heard | None) -> str:
    """Which of several answers came."""
    return f"it answered {heard.word}" if heard else "it gave no answer"


def altered(said: Said, change: Callable[[str], str], length: int | str = 0) -> Said:
    """A message whose counted text was changed, in an envelope that is right for what came of it but for `length`.

    Where it can no longer be taken apart, an answer is still held against the numbers that it was made with.
    """
    data = spoiled(change(said.data[9:-1].decode("latin-1")).encode("latin-1"), length=length)
    frame, made = decode(data, said.known.key), said.frame
    if frame.sequence_sent is None:
        frame = replace(
            frame, sequence_sent=made.sequence_sent, receiver=made.receiver, prefix=made.prefix, account=made.account
        )
    return Said(data, frame, said.known)


def taken(stage: Stage, count: int, least: int = 2) -> list[Talk]:
    """So many connections at once, or as many as the receiver takes: below `least` it fails.

    No clause says how many there must be; how many it took is for the case to note. One that it closes at once was not
    taken. Whoever takes a connection must answer on it.
    """
    talks = []
    with suppress(OSError):
        for _ in range(count):
            talks.append(stage.open())
    stage.link.sleep(SETTLING)
    talks = [talk for talk in talks if talk.stands()]
    if len(talks) < least:
        fails(f"it must take {least} connections at once; it took {len(talks)}")
    return talks


def at_once(talks: Sequence[Talk], wanted: int) -> str:
    """A note of how many connections it takes, where they are fewer than wanted."""
    return f"it takes {len(talks)} connections at once" if len(talks) < wanted else ""


def anything(talk: Talk, said: Said, right: Said) -> list[str]:
    """What no clause decides (`Talk.whatever`); a right message after it gets its ACK."""
    talk.send(said)
    note = talk.whatever(said)
    talk.ready()
    talk.tell(right, "ACK", why="a right message after it is due its ACK")
    return [note]


def acknowledged(piece: Piece, due: Sequence[Said]) -> Said | None:
    """The first of these messages that an answer acknowledges."""
    return next((one for one in due if belongs(decode(piece, one.known.key), one.frame).word == "ACK"), None)


def all_acked(talk: Talk, said: Sequence[Said], wait: float) -> list[str]:
    """Each of these outstanding messages must be acknowledged, in whatever order."""
    due, in_order = list(said), True
    while due:
        try:
            piece = talk.next(wait)
        except (EOFError, OSError):
            if len(due) == len(said):
                fails(f"{len(said)} ACKs are due; it closed the connection instead")
            talk.anew()
            for one in due:
                talk.tell(one, "ACK", why="what was not answered before it closed the connection is sent again")
            return [f"it closed the connection after {len(said) - len(due)} of {len(said)} answers"]
        if piece is None:
            fails(f"{len(said)} messages were sent; {len(due)} of them got no answer within {wait:g} s")
        heard = acknowledged(piece, due)
        if heard is None:
            fails(f"an ACK is due; {in_words(decode(piece))} came that belongs to none of the {len(due)} messages due")
        in_order &= heard is due[0]
        due.remove(heard)
    return [] if in_order else ["the answers came in another order than the messages"]
