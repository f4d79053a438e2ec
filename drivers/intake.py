"""From the reader thread to the event loop: chunks in, decoded numbers out, nothing lost."""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from drivers.frames.number import Number
from drivers.frames.stream import Decoded, FrameReader
from drivers.reading import Instant


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """A number, the frame that it stood in and when the end of that frame arrived."""

    number: Number
    frame: bytes
    arrived: Instant


@dataclass(slots=True, kw_only=True)
class Batch:
    """What came since the last look.

    Attributes:
        arrivals: The numbers, in order.
        unreadable: How many frames gave no number.
        last_raw: The last frame, whether it gave a number or not.
        trouble: Why the last frame gave no number, empty if it did.
    """

    arrivals: list[Arrival] = field(default_factory=list)
    unreadable: int = 0
    last_raw: bytes = b""
    trouble: str = ""

    def add(self, frame: Decoded, arrived: Instant) -> None:
        """Take in one frame."""
        self.last_raw = frame.raw
        self.trouble = frame.reason
        if frame.number is None:
            self.unreadable += 1
        else:
            self.arrivals.append(Arrival(number=frame.number, frame=frame.raw, arrived=arrived))


class Intake:
    """Cuts and decodes in the reader thread, keeps the numbers until the event loop takes them.

    Numbers wait without a limit: making the reader thread wait instead would fill the system's small port buffer,
    which then drops bytes in mid-line without a word. Frames that are no numbers are only counted, so that a
    flood of noise takes no memory. ``wake`` is called when there is something to take, once until it is taken.
    """

    def __init__(self, reader: FrameReader, wake: Callable[[], None]) -> None:
        self._reader = reader
        self._wake = wake
        self._lock = threading.Lock()
        self._batch = Batch()
        self._woken = False

    def use(self, reader: FrameReader) -> None:
        """Read with another reader from now on, because the gauge has said how its numbers are written."""
        self._reader = reader

    def begin(self, mid_frame: bool, now: Instant) -> None:
        """Start on a fresh connection; with ``mid_frame`` the first frame may lack its beginning."""
        self._store(self._reader.begin(mid_frame), now)

    def take(self, chunk: bytes, arrived: Instant) -> None:
        """Decode the frames that ``chunk`` completes; an empty chunk is a pause on the line."""
        self._store(self._reader.feed(chunk) if chunk else self._reader.pause(), arrived)

    def end(self, now: Instant) -> None:
        """Count what a lost connection leaves unfinished."""
        self._store(self._reader.end(), now)

    def drain(self) -> Batch:
        """Return what came since the last call."""
        with self._lock:
            batch, self._batch = self._batch, Batch()
            self._woken = False
        return batch

    def _store(self, frames: Sequence[Decoded], arrived: Instant) -> None:
        if not frames:
            return
        with self._lock:
            for frame in frames:
                self._batch.add(frame, arrived)
            woken, self._woken = self._woken, True
        if not woken:
            self._wake()
