"""Storms among the lines of `farend listen`: one line that grows at the bottom of a terminal; elsewhere a line each time
that the count has doubled, and one at its end.
"""

from datetime import UTC, datetime

from rich.console import Console

from receiver.storms import Shown, Storm, Storms


class StormLine:
    """Takes what belongs to a storm, so that it is not printed; says the storm instead."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._fold = Storms()
        self._grown: dict[str, Storm] = {}  # since the last drawing
        self._last: dict[str, int] = {}  # the count that was printed of each
        self._drawn = False

    def takes(self, entry: dict[str, object]) -> bool:
        """Whether an entry belongs to a storm; if not, the place at the bottom is cleared for it."""
        one: Shown = self._fold.take(entry)
        if isinstance(one, Storm):
            self._grown.pop(one.ident, None)
            self._grown[one.ident] = one
            return True
        self._clear()
        return False

    def draw(self, now: datetime) -> None:
        """Say how the storms have grown, and which are over."""
        for storm in self._fold.over(now):
            self._print(storm, ", and it is over")
            self._grown.pop(storm.ident, None)
        if not self._console.is_terminal:
            for storm in self._grown.values():
                if storm.count >= 2 * self._last.get(storm.ident, 0.5):
                    self._print(storm)
            self._grown.clear()
        elif self._grown:
            storm = list(self._grown.values())[-1]
            others = f" (and {len(self._grown) - 1} more accounts)" if len(self._grown) > 1 else ""
            self._clear()
            self._console.file.write(f"{storm}{others}"[: self._console.width - 1])
            self._drawn = True
            self._console.file.flush()

    def end(self) -> None:
        """Say what nobody has been told yet."""
        self.draw(datetime.max.replace(tzinfo=UTC))

    def _print(self, storm: Storm, more: str = "") -> None:
        self._clear()
        self._last[storm.ident] = storm.count
        if more:
            del self._last[storm.ident]
        self._console.print(f"{storm.until[11:23]}  {storm}{more}", soft_wrap=True, markup=False, highlight=False)

    def _clear(self) -> None:
        if self._drawn:
            self._console.file.write("\r\x1b[K")
            self._drawn = False
