"""How a stream of bytes is cut into frames: at line ends, at pauses, or where the radio cuts it.

Every reader takes chunks as they come, wherever they were cut, and gives frames decoded or refused; what it keeps
between two calls is bounded.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

from drivers.errors import FrameError
from drivers.frames.lines import LineBuffer
from drivers.frames.number import Number

Decode = Callable[[bytes], Number]

#: A radio message longer than this is no gauge's.
LONGEST_MESSAGE: Final = 512
#: Frames that may follow each other without a pause, as when the computer was busy; more is a flood.
MOST_TOGETHER: Final = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """A frame as it came: its number, or why it gave none."""

    raw: bytes
    number: Number | None = None
    reason: str = ""


class FrameReader(Protocol):
    """What cuts and decodes; used by one thread at a time.

    Attributes:
        pause_s: How long the line must be quiet before `pause` is called; 0 if pauses mean nothing.
    """

    pause_s: float

    def begin(self, mid_frame: bool) -> list[Decoded]:
        """Start on a fresh connection; with ``mid_frame`` the beginning of the first frame may be missing."""

    def feed(self, chunk: bytes) -> list[Decoded]:
        """Return the frames that ``chunk`` completes."""

    def pause(self) -> list[Decoded]:
        """Return what a pause on the line completes."""

    def end(self) -> list[Decoded]:
        """Return what a connection that ended leaves unfinished."""


def decoded(frame: bytes, decode: Decode) -> Decoded:
    """Return a frame with its number, or with why it gives none."""
    try:
        return Decoded(raw=frame, number=decode(frame))
    except FrameError as error:
        return Decoded(raw=frame, reason=error.reason)


def flooded(pause_s: float) -> str:
    """Return why frames that nothing holds apart are refused."""
    return (
        f"frames must have pauses of more than {pause_s:g} s between them, bytes came without one; set the gauge "
        "slower, or pause_s in its profile shorter"
    )


class LineReader:
    """Reads lines; one that is too long, or lacks its beginning or end, is refused."""

    pause_s = 0.0

    def __init__(self, decode: Decode) -> None:
        self._decode = decode
        self._lines = LineBuffer()

    def begin(self, mid_frame: bool) -> list[Decoded]:
        """Throw away the first line if its beginning may be missing."""
        if not mid_frame:
            return []
        self._lines.skip_line()
        return [Decoded(raw=b"", reason="the beginning of the first line may be missing")]

    def feed(self, chunk: bytes) -> list[Decoded]:
        """Return the lines that ``chunk`` completes."""
        found: list[Decoded] = []
        for piece in chunk.splitlines(keepends=True):
            lost = self._lines.lost
            found += [decoded(line, self._decode) for line in self._lines.feed(piece)]
            if self._lines.lost > lost:
                found.append(Decoded(raw=self._lines.last_lost, reason="a line was too long to be a gauge's"))
        return found

    def pause(self) -> list[Decoded]:
        """Return nothing: a line ends with its line end."""
        return []

    def end(self) -> list[Decoded]:
        """Refuse the half line."""
        half = self._lines.drop()
        return [Decoded(raw=half, reason="the connection ended in mid-line")] if half else []


class BurstReader:
    """Reads binary frames of one size that have pauses between them and no other mark.

    A frame counts only when the pause after it has come: the bytes between two pauses are whole frames that decode or,
    all of them, refused. A byte too many or too few could otherwise shift all that follow into numbers that nobody
    measured. These frames have no check sum, so two faults stay unseen: a byte that was changed within what its place
    allows, and noise as long as a frame among frames that came together, if everything shifted by it decodes.
    """

    def __init__(self, decode: Decode, *, size: int, pause_s: float) -> None:
        self.pause_s = pause_s
        self._decode = decode
        self._size = size
        self._limit = size * MOST_TOGETHER
        self._burst = b""
        self._flood = False
        self._late = False

    def begin(self, mid_frame: bool) -> list[Decoded]:
        """Throw away everything up to the first pause if the beginning may be missing."""
        self._burst, self._flood, self._late = b"", False, mid_frame
        return []

    def feed(self, chunk: bytes) -> list[Decoded]:
        """Keep what came until the pause after it; of a flood only the beginning is kept."""
        room = self._limit + 1 - len(self._burst)
        self._burst += chunk[:room]
        self._flood = len(self._burst) > self._limit
        return []

    def pause(self) -> list[Decoded]:
        """Return the frames between this pause and the one before."""
        burst, self._burst = self._burst, b""
        flood, self._flood = self._flood, False
        late, self._late = self._late, False
        if not burst:
            return []
        if late:
            return [Decoded(raw=burst[: self._size], reason="the beginning of the first frame may be missing")]
        if flood:
            return [Decoded(raw=burst[: self._size], reason=flooded(self.pause_s))]
        if len(burst) % self._size:
            rule = f"a frame must have {self._size} bytes between two pauses, got {len(burst)}"
            return [Decoded(raw=burst, reason=rule)]
        found = [decoded(burst[at : at + self._size], self._decode) for at in range(0, len(burst), self._size)]
        if all(one.number is not None for one in found):
            return found
        beside = "a frame that came together with it is none, so its own beginning is not certain"
        return [Decoded(raw=one.raw, reason=one.reason or beside) for one in found]

    def end(self) -> list[Decoded]:
        """Refuse what had no pause after it."""
        burst, self._burst = self._burst, b""
        return [Decoded(raw=burst[: self._size], reason="the connection ended in mid-frame")] if burst else []


class MessageReader:
    """Reads messages that arrive whole, as over the radio: every chunk is one frame."""

    pause_s = 0.0

    def __init__(self, decode: Decode) -> None:
        self._decode = decode

    def begin(self, mid_frame: bool) -> list[Decoded]:  # noqa: ARG002 - messages are whole
        """Return nothing: a message is never begun in the middle."""
        return []

    def feed(self, chunk: bytes) -> list[Decoded]:
        """Return the message."""
        if len(chunk) > LONGEST_MESSAGE:
            return [Decoded(raw=chunk[:LONGEST_MESSAGE], reason="a message was too long to be a gauge's")]
        return [decoded(chunk, self._decode)] if chunk else []

    def pause(self) -> list[Decoded]:
        """Return nothing."""
        return []

    def end(self) -> list[Decoded]:
        """Return nothing."""
        return []
