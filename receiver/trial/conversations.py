"""Cases that no list of messages can tell: cuts, connections, clocks, floods."""

from receiver.trial.case import Case
from receiver.trial.stage import Stage

CASES: tuple[Case[Stage], ...] = ()
