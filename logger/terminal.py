"""A conversation in a terminal or through a pipe: questions to stderr, results to stdout, answers line by line."""

import codecs
import io
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, TextIO

PATIENCE_S: Final = 1.0
"""Work that takes no longer shows no bar, seconds."""
BETWEEN_S: Final = 0.1
"""The bar is drawn no more often, seconds."""
_BAR: Final = 30
_PLAIN: Final = {"\N{MINUS SIGN}": "-", "±": "+/-", "\N{MICRO SIGN}": "u", "\N{GREEK SMALL LETTER MU}": "u"}


def write_plainly() -> None:
    """Let stdout and stderr write a plain sign where their encoding lacks one, so that no minus is ever lost."""
    codecs.register_error("plainly", _plainly)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="plainly")


def write_utf8() -> None:
    """Let stdout write UTF-8 whatever the terminal's encoding: a file that is read again must lose nothing."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8")


def _plainly(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(_PLAIN.get(sign, "?") for sign in error.object[error.start : error.end]), error.end


@dataclass(slots=True)
class Terminal:
    """Where answers come from, where results go, where everything else goes."""

    answers: TextIO = field(default_factory=lambda: sys.stdin)
    results: TextIO = field(default_factory=lambda: sys.stdout)
    notes: TextIO = field(default_factory=lambda: sys.stderr)

    @property
    def watched(self) -> bool:
        """Tell whether a person types the answers, and is not a file or a program."""
        return self.answers.isatty()

    def ask(self, question: str) -> str | None:
        """Return the next line without its ends, or None when there are no more."""
        self.notes.write(f"{question}: " if self.watched else f"{question}\n")
        self.notes.flush()
        line = self.answers.readline()
        return line.strip() if line else None

    def note(self, text: str) -> None:
        """Say something that is no result."""
        self.notes.write(f"{text}\n")
        self.notes.flush()

    def say(self, text: str) -> None:
        """Print a result."""
        self.results.write(f"{text}\n")
        self.results.flush()

    def trouble(self, text: str, waiting: int) -> None:
        """Say that the store cannot write, or (with an empty text) that it can again."""
        waits = f" ({waiting} waiting)" if waiting else ""
        self.note(f"{text}{waits}" if text else "the store is well again")


@dataclass(slots=True)
class Progress:
    """A bar for work that takes longer than a second, drawn over itself on stderr where that is a terminal.

    ``words`` are what is counted.
    """

    words: str
    notes: TextIO = field(default_factory=lambda: sys.stderr)
    clock: Callable[[], float] = time.monotonic
    _due_s: float | None = None
    _drawn: bool = False

    def show(self, done: int, of: int) -> None:
        """Show how much is done; when all is, the bar goes."""
        if not self.notes.isatty():
            return
        now_s = self.clock()
        if self._due_s is None:
            self._due_s = now_s + PATIENCE_S
        if done >= of:
            if self._drawn:
                self.notes.write("\r\x1b[K")
                self.notes.flush()
            self._drawn = False
        elif now_s >= self._due_s:
            filled = _BAR * done // of
            self.notes.write(f"\r[{'#' * filled}{'.' * (_BAR - filled)}] {done} of {of} {self.words}\x1b[K")
            self.notes.flush()
            self._due_s, self._drawn = now_s + BETWEEN_S, True
