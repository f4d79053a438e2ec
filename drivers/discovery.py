"""Which ports there are, and which Bluetooth gauges are near."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers.transports.serial_port import present_ports

if TYPE_CHECKING:
    from drivers.transports.bluetooth import Advertised


@dataclass(frozen=True, slots=True, kw_only=True)
class PortInfo:
    """A serial port: the name that opens it, and what the system says about it."""

    device: str
    words: str


def serial_ports() -> list[PortInfo]:
    """Return the serial ports that the system shows, by name; none is opened."""
    return [
        PortInfo(device=device, words="serial port" if words in {"", "n/a", device} else words)
        for device, words in present_ports()
    ]


def nearby_gauges(within_s: float = 5.0, *, service: str = "", adapter: str = "") -> "list[Advertised]":
    """Return the named Bluetooth devices that are heard in ``within_s`` seconds, the strongest first.

    With ``service``, a UUID, only those that advertise it. Waits that long, so call it in a thread that runs no event
    loop; ``adapter`` is the Linux name of the adapter that listens, such as ``hci0``.

    Raises:
        DriverError: If Bluetooth cannot be used; `RadioUnavailableError`, `PortDeniedError` or `PortBusyError`.
    """
    from drivers.transports.bluetooth import scan  # a library that takes its time to load

    heard = scan(within_s, adapter=adapter)
    return [found for found in heard if found.name and (not service or service.lower() in found.services)]
