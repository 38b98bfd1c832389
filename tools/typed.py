"""A line that is typed below a screen which goes on changing: keys as they are pressed, and what they make."""

import os
import select
import sys
import termios
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def keys() -> Iterator[Callable[[float], str]]:
    """Keys as they are pressed, unechoed, waited for so many seconds; the terminal is as it was afterwards, whatever
    happens."""
    number = sys.stdin.fileno()
    before = termios.tcgetattr(number)

    def pressed(seconds: float) -> str:
        ready, _, _ = select.select([number], [], [], seconds)
        return os.read(number, 4096).decode("utf-8", "replace") if ready else ""

    try:
        tty.setcbreak(number)
        yield pressed
    finally:
        termios.tcsetattr(number, termios.TCSADRAIN, before)


class Typed:
    """The line as far as it is typed."""

    def __init__(self) -> None:
        self.text = ""

    def take(self, pressed: str) -> Iterator[str]:
        """Each line that these keys complete. EOFError for Ctrl-C and Ctrl-D."""
        for key in pressed:
            if key in ("\r", "\n"):
                line, self.text = self.text, ""
                yield line
            elif key in ("\x03", "\x04"):
                raise EOFError
            elif key in ("\x7f", "\x08"):
                self.text = self.text[:-1]
            elif key == "\x15":
                self.text = ""
            elif key.isprintable():
                self.text += key
