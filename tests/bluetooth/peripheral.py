"""What the far end of the air is, for both beds: an invented gauge with its characteristics."""

import struct
from dataclasses import dataclass, field

PRESENTATION = 0x2904
CONFIGURATION = 0x2902


def assigned(number: int) -> str:
    """Return the UUID of a 16-bit number: Bluetooth Core Specification, volume 3, part B, from memory."""
    return f"0000{number:04x}-0000-1000-8000-00805f9b34fb"


TEXT_SERVICE = "5b1f0001-7c36-4e0a-9d52-3a8e6f41c0d7"
TEXT = "5b1f0002-7c36-4e0a-9d52-3a8e6f41c0d7"
COMMAND = "5b1f0003-7c36-4e0a-9d52-3a8e6f41c0d7"
NUMBER_SERVICE = "e2c90001-18d4-4b67-b1af-90d35c7e2a64"
NUMBER = "e2c90002-18d4-4b67-b1af-90d35c7e2a64"
BATTERY_SERVICE = assigned(0x180F)
BATTERY = assigned(0x2A19)

#: A signed 32-bit integer, exponent -6, metre (0x2701): whole micrometres.
MICROMETRES = struct.pack("<BbHBH", 0x10, -6, 0x2701, 1, 0)


@dataclass(frozen=True, kw_only=True)
class Trait:
    """A characteristic: where it is, what it can, what it holds, and its descriptors by number."""

    service: str
    uuid: str
    properties: tuple[str, ...]
    value: bytes = b""
    descriptors: dict[int, bytes] = field(default_factory=dict)


TEXT_TRAIT = Trait(service=TEXT_SERVICE, uuid=TEXT, properties=("notify",))
COMMAND_TRAIT = Trait(service=TEXT_SERVICE, uuid=COMMAND, properties=("write",))
NUMBER_TRAIT = Trait(
    service=NUMBER_SERVICE,
    uuid=NUMBER,
    properties=("read", "notify"),
    value=bytes(4),
    descriptors={PRESENTATION: MICROMETRES},
)
BATTERY_TRAIT = Trait(service=BATTERY_SERVICE, uuid=BATTERY, properties=("read", "notify"), value=bytes([87]))


@dataclass(frozen=True, kw_only=True)
class Peripheral:
    """A gauge on the air; its name has 8 letters at most, so that it fits an advertisement with a service."""

    address: str = "C4:11:22:33:44:55"
    name: str = "Caliper1"
    traits: tuple[Trait, ...] = (TEXT_TRAIT, COMMAND_TRAIT, NUMBER_TRAIT, BATTERY_TRAIT)
