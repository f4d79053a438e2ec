"""Numbers over Bluetooth LE that describe themselves: a value beside its Characteristic Presentation Format.

The descriptor (0x2904) has 7 bytes, the least significant first: format (1), exponent (1, signed), unit (2),
namespace (1), description (2). The last two tell several values of one service apart and change no number. The exponent
is a power of ten and counts for integers only. A 12-bit integer stands in the low bits of 2 bytes; its high bits are
ignored on receipt, as the standard says.

Metre, inch, foot and yard are read; a number in metres counts as sent in "mm", in feet or yards as sent in "in" (0.3048
m and 0.9144 m exactly, 1959 agreement), because readings know no other units.

Sources: Bluetooth Core Specification, volume 3, part G, 3.3.3.5; Bluetooth Assigned Numbers, format types and units;
IEEE 754 for float32 and float64; IEEE 11073-20601 for medfloat16 (SFLOAT) and medfloat32 (FLOAT).
"""

import math
import struct
from decimal import Decimal
from typing import Final

from drivers.errors import FrameError
from drivers.frames.number import Number, number_from, shown
from drivers.reading import LARGEST_NM

#: Format -> (name, bits, whether it is signed).
_INTEGERS: Final = {
    **{0x04 + place: (f"uint{bits}", bits, False) for place, bits in enumerate((8, 12, 16, 24, 32, 48, 64, 128))},
    **{0x0C + place: (f"sint{bits}", bits, True) for place, bits in enumerate((8, 12, 16, 24, 32, 48, 64, 128))},
}
#: Format -> (name, how `struct` reads it).
_BINARY_FLOATS: Final = {0x14: ("float32", "<f"), 0x15: ("float64", "<d")}
#: Format -> (name, bits, bits of the mantissa).
_DECIMAL_FLOATS: Final = {0x16: ("medfloat16", 16, 12), 0x17: ("medfloat32", 32, 24)}
_NO_LENGTHS: Final = {
    0x01: "boolean",
    0x02: "uint2",
    0x03: "uint4",
    0x18: "a nomenclature code",
    0x19: "text in UTF-8",
    0x1A: "text in UTF-16",
    0x1B: "a structure",
    0x1C: "a structure in ASN.1",
}
#: Mantissas that are no numbers, counted from the smallest one's pattern (0x800, 0x800000). The standard keeps them out
#: of the range of numbers with any exponent (from memory: up to 2^11 - 3 and 2^23 - 3 either way).
_SPECIAL: Final = {-2: "+INFINITY", -1: "NaN", 0: "NRes (not at this resolution)", 1: "reserved", 2: "-INFINITY"}
#: Unit -> (unit of the number, nanometres in one).
_UNITS: Final = {
    0x2701: ("mm", 1_000_000_000),
    0x27A0: ("in", 914_400_000),
    0x27A2: ("in", 25_400_000),
    0x27A3: ("in", 304_800_000),
}


class GattNumberDecoder:
    """Decodes the values of one characteristic, described by the 7 bytes of ``descriptor``.

    Raises:
        FrameError: If the descriptor has not 7 bytes, or its format or unit is not that of a length.
    """

    def __init__(self, descriptor: bytes) -> None:
        if len(descriptor) != 7:
            raise FrameError(descriptor, f"presentation format must have 7 bytes, got {shown(descriptor)}")
        self._format, self._exponent, unit, _, _ = struct.unpack("<BbHBH", descriptor)
        if self._format in _NO_LENGTHS:
            raise FrameError(descriptor, f"format must be a number's, got {_NO_LENGTHS[self._format]}")
        if self._format not in {*_INTEGERS, *_BINARY_FLOATS, *_DECIMAL_FLOATS}:
            raise FrameError(descriptor, f"format must be one of 0x04 to 0x17, got 0x{self._format:02X}")
        if unit not in _UNITS:
            raise FrameError(descriptor, f"unit must be metre, inch, foot or yard, got 0x{unit:04X}")
        self._unit, self._nm_per_unit = _UNITS[unit]

    def decode(self, value: bytes) -> Number:
        """Return the number that the bytes ``value`` of the characteristic hold.

        Raises:
            FrameError: If there are too many or too few bytes, they hold no finite number, or it is over 10 m.
        """
        if self._format in _INTEGERS:
            sent = self._integer(value)
        elif self._format in _BINARY_FLOATS:
            sent = self._binary_float(value)
        else:
            sent = self._decimal_float(value)
        return number_from(value, sent, unit=self._unit, nm_per_unit=self._nm_per_unit)

    def _integer(self, value: bytes) -> Decimal:
        name, bits, signed = _INTEGERS[self._format]
        _check_length(value, name, -(-bits // 8))
        count = int.from_bytes(value, "little") % (1 << bits)
        return Decimal(f"{_signed(count, bits) if signed else count}E{self._exponent}")

    def _binary_float(self, value: bytes) -> Decimal:
        name, layout = _BINARY_FLOATS[self._format]
        _check_length(value, name, struct.calcsize(layout))
        (sent,) = struct.unpack(layout, value)
        if not math.isfinite(sent):
            raise FrameError(value, f"{name} must be a finite number, got {sent}")
        if abs(sent) > LARGEST_NM:  # too long in any unit; its exact value may have 309 digits
            raise FrameError(value, f"value must not be larger than 10 m either way, got '{sent}'")
        return Decimal(sent)  # exact

    def _decimal_float(self, value: bytes) -> Decimal:
        name, bits, mantissa_bits = _DECIMAL_FLOATS[self._format]
        _check_length(value, name, bits // 8)
        high, low = divmod(int.from_bytes(value, "little"), 1 << mantissa_bits)
        if what := _SPECIAL.get(low - (1 << mantissa_bits - 1)):
            raise FrameError(value, f"{name} must be a finite number, got {what}")
        return Decimal(f"{_signed(low, mantissa_bits)}E{_signed(high, bits - mantissa_bits)}")


def _signed(count: int, bits: int) -> int:
    """Return ``count`` read as a two's complement of ``bits`` bits."""
    return count - (count >> bits - 1 << bits)


def _check_length(value: bytes, name: str, length: int) -> None:
    if len(value) != length:
        raise FrameError(value, f"{name} must have {length} byte{'s' * (length > 1)}, got {shown(value)}")
