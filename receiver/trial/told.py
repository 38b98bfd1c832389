"""Cases of a trial of a receiver that are told by a function: how one is made of it, and what several of them do.

What a right receiver may do is never held against it: it may close a connection after an answer (`Talk` opens it anew), it
may close on noise, and it may answer pipelined messages in another order. What is merely worth knowing is noted.
"""

from collections.abc import Callable, Iterable, Sequence

from protocols.dc09 import decode
from protocols.envelope import Piece
from protocols.exchange import belongs
from receiver.trial.case import Case, beside, fails
from receiver.trial.stage import Known, Said, Stage, Talk, in_words
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
    if len(stage.setup.accounts) < 2:
        beside("a single account was given")
    one, other = stage.setup.accounts[:2]
    return one, other


def noted(*notes: str) -> list[str]:
    """Those that say something."""
    return [note for note in notes if note]


def anything(talk: Talk, said: Said, right: Said) -> list[str]:
    """What no clause decides: all is noted, but an ACK must be the message's own; a right message after it gets its ACK."""
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
