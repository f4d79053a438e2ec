"""What a gauge is connected by, whatever that is: one interface for a serial port, the radio and a recording."""

import logging
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

from drivers.errors import DriverError
from drivers.profiles.profile import Profile
from drivers.reading import Clock, Instant

log = logging.getLogger(__name__)


class Link(Protocol):
    """A connection that is made once and ends once; its events come from one thread, one at a time."""

    def start(self) -> None:
        """Begin to connect."""

    def stop(self) -> None:
        """Ask it to end, without waiting; may be called from any thread and more than once."""

    def close(self, within_s: float = 5.0) -> bool:
        """Stop, wait at most ``within_s`` seconds and return whether it has ended."""

    def send(self, data: bytes) -> None:
        """Send bytes to the gauge; what cannot be sent is given up and logged, a link that is gone ends by itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkEvents:
    """What a link calls.

    Attributes:
        on_form: Comes first where a gauge describes its numbers: the bytes of that descriptor, None without one.
        on_open: Once, when connected; true says that the beginning of the first frame may be missing.
        on_chunk: What came, and when; an empty chunk says that the line was quiet for the reader's pause.
        on_battery: Charge of the gauge's battery in percent.
        on_end: Once, last; None after `Link.stop` or `Link.close`, else what ended it.
    """

    on_form: Callable[[bytes | None], None]
    on_open: Callable[[bool], None]
    on_chunk: Callable[[bytes, Instant], None]
    on_battery: Callable[[int], None]
    on_end: Callable[[DriverError | None], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """All that is needed to connect one gauge.

    Attributes:
        gauge: Its name.
        port: A serial port's name, or what a Bluetooth search gives.
        profile: How it speaks.
        pause_s: How long a quiet line is a pause; 0 if pauses mean nothing.
        settle_s: How long a serial port must be quiet before it counts as open.
        clock: What tells the time.
    """

    gauge: str
    port: str
    profile: Profile
    pause_s: float
    settle_s: float
    clock: Clock


Connect = Callable[[Wiring, LinkEvents], Link]


def connect(wiring: Wiring, events: LinkEvents) -> Link:
    """Return the link that the profile asks for; a Bluetooth library is loaded only where one is needed."""
    profile = wiring.profile
    if profile.bluetooth is not None:
        from drivers.transports.bluetooth import BluetoothTransport

        return BluetoothTransport(
            wiring.port, gauge=wiring.gauge, on_open=events.on_open, on_chunk=events.on_chunk, on_end=events.on_end,
            on_presentation=events.on_form, on_battery=events.on_battery,
            characteristic=profile.bluetooth.characteristic, write=profile.bluetooth.write, clock=wiring.clock,
        )  # fmt: skip
    from drivers.transports.serial_port import SerialTransport

    return SerialTransport(
        wiring.port, gauge=wiring.gauge, on_open=events.on_open, on_chunk=events.on_chunk, on_end=events.on_end,
        settings=profile.serial, clock=wiring.clock, settle_s=wiring.settle_s, pause_s=wiring.pause_s,
    )  # fmt: skip


def tapped(events: LinkEvents, tap: LinkEvents) -> LinkEvents:
    """Return events that ``tap`` hears first; if it fails it hears no more, and the gauge goes on."""
    failed = False

    def both(first: Callable[..., None], second: Callable[..., None]) -> Callable[..., None]:
        def call(*values: object) -> None:
            nonlocal failed
            if not failed:
                try:
                    first(*values)
                except Exception:  # readings matter more than whoever listens in; a record with holes is none
                    failed = True
                    log.exception("what listens in on a gauge failed and hears no more of it")
            second(*values)

        return call

    names = ("on_form", "on_open", "on_chunk", "on_battery", "on_end")
    return replace(events, **{name: both(getattr(tap, name), getattr(events, name)) for name in names})
