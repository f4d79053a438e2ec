"""Which serial ports there are, and which Bluetooth devices make themselves known."""

from dataclasses import dataclass

from drivers.transports.advertised import Advertised
from drivers.transports.serial_port import present_ports


@dataclass(frozen=True, slots=True, kw_only=True)
class PortInfo:
    """A serial port.

    Attributes:
        device: The name that opens it.
        words: What the system says about it.
        usb: Who its plug says it is, ``VID:PID:SERIAL`` (the serial number may be empty); empty if it is not USB.
    """

    device: str
    words: str
    usb: str = ""


def serial_ports() -> list[PortInfo]:
    """Return the serial ports that the system shows, by name; none is opened."""
    return [
        PortInfo(device=device, words="serial port" if words in {"", "n/a", device} else words, usb=usb)
        for device, words, usb in present_ports()
    ]


def bluetooth_devices(within_s: float = 5.0) -> list[Advertised]:
    """Return the Bluetooth LE devices heard in ``within_s`` seconds, the strongest first; none is connected to.

    Raises:
        DriverError: If Bluetooth cannot be used.
    """
    from drivers.transports.radio import scan  # a Bluetooth library is loaded only where one is needed

    return scan(within_s)
