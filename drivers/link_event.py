"""What a link tells, as values that can be queued, written down and played again."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from drivers.errors import DriverError
from drivers.reading import Clock, Instant, system_clock
from drivers.transports.link import LinkEvents

Kind = Literal["form", "open", "chunk", "battery", "end"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkEvent:
    """One call of `LinkEvents`.

    Attributes:
        kind: Which of them.
        when: When it came; of a chunk, when its bytes arrived.
        data: The bytes of a chunk (empty for a pause) or of a form; None for a gauge without a form.
        mid_frame: Of "open": the beginning of the first frame may be missing.
        percent: Of "battery".
        error: Of "end": what ended the link, None where it was asked to end.
        source: UUID of the characteristic that sent it, where several are listened to; else empty.
    """

    kind: Kind
    when: Instant
    data: bytes | None = None
    mid_frame: bool = False
    percent: int = 0
    error: DriverError | None = None
    source: str = ""

    def play(self, events: LinkEvents) -> None:
        """Make this call again."""
        match self.kind:
            case "form":
                events.on_form(self.data)
            case "open":
                events.on_open(self.mid_frame)
            case "chunk":
                events.on_chunk(self.data or b"", self.when)
            case "battery":
                events.on_battery(self.percent)
            case "end":
                events.on_end(self.error)


def as_events(put: Callable[[LinkEvent], None], clock: Clock = system_clock) -> LinkEvents:
    """Return calls that hand every event on as a value, in the thread that makes them."""
    return LinkEvents(
        on_form=lambda form: put(LinkEvent(kind="form", when=clock(), data=form)),
        on_open=lambda mid_frame: put(LinkEvent(kind="open", when=clock(), mid_frame=mid_frame)),
        on_chunk=lambda chunk, arrived: put(LinkEvent(kind="chunk", when=arrived, data=chunk)),
        on_battery=lambda percent: put(LinkEvent(kind="battery", when=clock(), percent=percent)),
        on_end=lambda error: put(LinkEvent(kind="end", when=clock(), error=error)),
    )
