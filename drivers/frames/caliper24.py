"""The 24-bit frame of synchronous calipers, as a bridge board between the caliper and the computer forwards it.

Bits, the least significant one sent first::

    0..19   magnitude: hundredths of a millimetre, with the inch bit half thousandths of an inch (0.0005 in = 12 700 nm)
    20      minus
    21, 22  zero
    23      inch

Source: from memory, common practice; public microcontroller sketches that read such calipers agree. The frame has no
check sum: a data line stuck at one breaks bits 21 and 22, one stuck at zero reads 0.00 mm.
"""

import re
from decimal import Decimal
from typing import Final, Literal

from drivers.errors import FrameError
from drivers.frames.number import Number, number_from, shown
from drivers.reading import NM_PER_UNIT

_MAGNITUDE: Final = (1 << 20) - 1
_MINUS: Final = 1 << 20
_ALWAYS_ZERO: Final = 0b11 << 21
_INCH: Final = 1 << 23
_HEX: Final = re.compile(rb"(?:0[xX])?([0-9A-Fa-f]{2})[ \t]*([0-9A-Fa-f]{2})[ \t]*([0-9A-Fa-f]{2})")


def decode_bits(value: int) -> Number:
    """Return the number that the 24 bits in ``value`` hold, in "mm" or "in" as the inch bit says.

    Raises:
        FrameError: If there are more than 24 bits, bit 21 or 22 is set, or the length is larger than 10 m.
    """
    frame = f"{value:#08x}".encode()
    if not 0 <= value < 1 << 24:
        raise FrameError(frame, f"caliper frame must have 24 bits, got {shown(frame)}")
    return _decoded(value, frame)


def decode_bytes(frame: bytes, byte_order: Literal["little", "big"] = "little") -> Number:
    """Return the number in 3 bytes; "little" has bits 0 to 7 in the first byte, "big" in the last one.

    Raises:
        FrameError: If there are not 3 bytes, or as `decode_bits` does.
    """
    if len(frame) != 3:
        raise FrameError(frame, f"caliper frame must have 3 bytes, got {shown(frame)}")
    return _decoded(int.from_bytes(frame, byte_order), frame)


def decode_hex(line: bytes) -> Number:
    """Return the number in a line of 6 hexadecimal digits, bit 23 in the first of them.

    "0x" may stand ahead, blanks between the bytes and around them.

    Raises:
        FrameError: If the line is anything else, or as `decode_bits` does.
    """
    found = _HEX.fullmatch(line.strip(b" \t"))
    if found is None:
        raise FrameError(line, f"caliper line must be 6 hexadecimal digits, got {shown(line)}")
    return _decoded(int(b"".join(found.groups()), 16), line)


def _decoded(bits: int, frame: bytes) -> Number:
    if bits & _ALWAYS_ZERO:
        raise FrameError(frame, f"caliper frame must have bits 21 and 22 zero, got {shown(frame)}")
    minus = "-" if bits & _MINUS else ""
    magnitude = bits & _MAGNITUDE
    if bits & _INCH:
        value, unit = Decimal(f"{minus}{magnitude * 5}E-4"), "in"
    else:
        value, unit = Decimal(f"{minus}{magnitude}E-2"), "mm"
    return number_from(frame, value, unit=unit, nm_per_unit=NM_PER_UNIT[unit])
