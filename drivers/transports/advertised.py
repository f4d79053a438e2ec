"""A Bluetooth LE device as a search hears it; imports no Bluetooth library."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Advertised:
    """A Bluetooth LE device that makes itself known.

    Attributes:
        address: What opens it; on macOS the computer's own name for it.
        name: What it calls itself, empty if it does not.
        rssi: How strong it is heard, in dBm; negative, nearer zero is stronger.
        services: UUIDs of the services that it advertises.
    """

    address: str
    name: str
    rssi: int
    services: tuple[str, ...]
