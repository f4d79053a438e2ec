"""A conversation in a terminal or through a pipe: questions to stderr, results to stdout, answers line by line."""

import sys
from dataclasses import dataclass, field
from typing import TextIO


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
        self.note(f"{text} ({waiting} waiting)" if text else "the store is well again")
