"""A conversation in a terminal or through a pipe: questions to stderr, results to stdout, answers line by line."""

import codecs
import io
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, TextIO, TypeVar

PATIENCE_S: Final = 1.0
"""Work that takes no longer shows no bar, seconds."""
BETWEEN_S: Final = 0.1
"""The bar is drawn no more often, seconds."""
Result = TypeVar("Result")
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


class ProgressLine:
    """Show on a terminal how far something is that takes longer than a second; elsewhere nothing.

    Args:
        clock: seconds that never step back.
    """

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._begun = self._told = clock()
        self._shown = ""

    def __call__(self, words: str, share: float | None) -> None:
        """Show what is being done and its share (0 to 1), or for how long where that is not known."""
        now = self._clock()
        if not sys.stderr.isatty() or now - self._begun < PATIENCE_S or now - self._told < BETWEEN_S:
            return
        self._told = now
        bar = f"{'#' * round(20 * share):<20} {share:4.0%}" if share is not None else f"{now - self._begun:.0f} s"
        self._show(f"{words}  {bar}")

    def close(self) -> None:
        """Take the line away."""
        if self._shown:
            self._show("")
            sys.stderr.write("\r")
            sys.stderr.flush()

    def _show(self, text: str) -> None:
        sys.stderr.write(f"\r{text:<{len(self._shown)}}")
        sys.stderr.flush()
        self._shown = text


def progress_shown(work: Callable[[ProgressLine], Result]) -> Result:
    """Do a work that tells its progress, and take the line away however it ends."""
    progress = ProgressLine()
    try:
        return work(progress)
    finally:
        progress.close()
