"""Cases that no list of messages can tell: cuts, connections, clocks, floods."""

from receiver.trial.case import Case
from receiver.trial.stage import Stage


def _one_answer(stage: Stage) -> None:
    talk = stage.open()
    said = stage.message()
    talk.tell(said, "ACK")
    talk.silence(said, "one message gets one answer")


CASES: tuple[Case[Stage], ...] = (
    Case(
        "replies/one-answer", "DC-09 5.5.3*", "Sends one message and goes on listening.", "One ACK, and nothing after it.",
        _one_answer,
    ),
)  # fmt: skip
