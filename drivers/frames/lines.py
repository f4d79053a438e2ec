"""A stream of bytes cut into lines, in bounded memory."""

import re
from typing import Final

_LINE_END: Final = re.compile(rb"[\r\n]")


class LineBuffer:
    r"""Cuts a stream at ``\r``, ``\n`` or ``\r\n``; where the stream was cut into chunks does not matter.

    A line longer than ``limit`` bytes is not a line of a gauge: it is thrown away up to the next line end.
    Never more than ``limit`` bytes are kept between two calls.

    Attributes:
        lost: How many lines were thrown away: too long, without a beginning, or without an end.
        last_lost: What is left of the last of them, at most ``limit`` bytes.
    """

    def __init__(self, limit: int = 256) -> None:
        self._limit = limit
        self._pending = b""
        self._skipping = False
        self.lost = 0
        self.last_lost = b""

    @property
    def pending(self) -> bytes:
        """What has come of the line that has no end yet."""
        return self._pending

    def feed(self, chunk: bytes) -> list[bytes]:
        """Return the lines that ``chunk`` completes, without their ends; empty lines are left out."""
        *ended, rest = _LINE_END.split(chunk)
        lines = [line for piece in ended if (line := self._end(piece))]
        self._grow(rest)
        return lines

    def skip_line(self) -> None:
        """Throw away everything up to the next line end, because the beginning of the line was missed."""
        self._lose(self._pending)
        self._skipping = True

    def drop(self) -> bytes:
        """Return and throw away the line that has no end, because none will come; what follows starts a new line."""
        half, self._pending = self._pending, b""
        self._skipping = False
        if half:
            self._lose(half)
        return half

    def _end(self, piece: bytes) -> bytes:
        self._grow(piece)
        line, self._pending = self._pending, b""
        self._skipping = False
        return line

    def _grow(self, piece: bytes) -> None:
        if self._skipping:
            return
        if len(self._pending) + len(piece) > self._limit:
            self._lose((self._pending + piece[: self._limit])[: self._limit])
            self._skipping = True
        else:
            self._pending += piece

    def _lose(self, start: bytes) -> None:
        self._pending = b""
        self.lost += 1
        self.last_lost = start
