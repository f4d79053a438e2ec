"""Which ports there are."""

from dataclasses import dataclass

from drivers.transports.serial_port import present_ports


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
