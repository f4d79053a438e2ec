"""From the reader thread to the event loop: chunks in, decoded numbers out, nothing lost."""

import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from drivers.errors import FrameError
from drivers.frames.lines import LineBuffer
from drivers.frames.text import Number, TextDecoder
from drivers.reading import Instant


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """A number, the line that it stood in and when the end of that line arrived."""

    number: Number
    line: bytes
    arrived: Instant


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """A line, or what is left of it, that gave no number, and why."""

    line: bytes
    reason: str


@dataclass(slots=True, kw_only=True)
class Batch:
    """What came since the last look.

    Attributes:
        arrivals: The numbers, in order.
        unreadable: How many lines gave no number.
        last_raw: The last line, whether it gave a number or not.
        trouble: Why the last line gave no number, empty if it did.
    """

    arrivals: list[Arrival] = field(default_factory=list)
    unreadable: int = 0
    last_raw: bytes = b""
    trouble: str = ""

    def add(self, item: Arrival | Trouble) -> None:
        """Take in one line."""
        self.last_raw = item.line
        if isinstance(item, Arrival):
            self.arrivals.append(item)
            self.trouble = ""
        else:
            self.unreadable += 1
            self.trouble = item.reason


class Intake:
    """Cuts and decodes in the reader thread, keeps the numbers until the event loop takes them.

    Numbers wait without a limit: making the reader thread wait instead would fill the system's small port buffer,
    which then drops bytes in mid-line without a word. Lines that are no numbers are only counted, so that a
    flood of noise takes no memory. ``wake`` is called when there is something to take, once until it is taken.
    """

    def __init__(self, decoder: TextDecoder, wake: Callable[[], None]) -> None:
        self._decoder = decoder
        self._wake = wake
        self._lines = LineBuffer()
        self._lock = threading.Lock()
        self._batch = Batch()
        self._woken = False

    def begin(self, mid_line: bool) -> None:
        """Start on a fresh connection; with ``mid_line`` the first line lacks its beginning and is thrown away."""
        if mid_line:
            self._lines.skip_line()
            self._store([Trouble(line=b"", reason="the beginning of the first line may be missing")])

    def take(self, chunk: bytes, arrived: Instant) -> None:
        """Decode the lines that ``chunk`` completes."""
        lost = self._lines.lost
        items = [self._decoded(line, arrived) for line in self._lines.feed(chunk)]
        too_long = Trouble(line=self._lines.last_lost, reason="a line was too long to be a gauge's")
        self._store([*items, *[too_long] * (self._lines.lost - lost)])

    def end(self) -> None:
        """Throw away, and count, the half line that a lost connection leaves."""
        if half := self._lines.drop():
            self._store([Trouble(line=half, reason="the connection ended in mid-line")])

    def drain(self) -> Batch:
        """Return what came since the last call."""
        with self._lock:
            batch, self._batch = self._batch, Batch()
            self._woken = False
        return batch

    def _decoded(self, line: bytes, arrived: Instant) -> Arrival | Trouble:
        try:
            return Arrival(number=self._decoder.decode(line), line=line, arrived=arrived)
        except FrameError as error:
            return Trouble(line=line, reason=error.reason)

    def _store(self, items: list[Arrival | Trouble]) -> None:
        if not items:
            return
        with self._lock:
            for item in items:
                self._batch.add(item)
            woken, self._woken = self._woken, True
        if not woken:
            self._wake()
