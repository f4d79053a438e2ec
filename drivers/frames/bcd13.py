"""The 13-digit frame of gauges with a data plug: 52 bits, 13 binary-coded digits, as a bridge board forwards it.

Digits in the order sent, of each the least significant bit first::

    1..4    15, always
    5       sign: 0 plus, 8 minus
    6..11   the value's six digits, the most significant first
    12      how many of them stand behind the decimal point: 0..5
    13      unit: 0 millimetre, 1 inch

Source: from memory, common practice; public microcontroller sketches that read such gauges agree.
"""

import re
from decimal import Decimal
from typing import Final

from drivers.errors import FrameError
from drivers.frames.number import Number, number_from, shown
from drivers.reading import NM_PER_UNIT

_HEX: Final = re.compile(rb"[0-9A-Fa-f]{13}")
_RULES: Final = (
    (re.compile(r"F{4}.{9}"), "its first four digits 15"),
    (re.compile(r".{4}[08].{8}"), "0 or 8 as digit 5, the sign"),
    (re.compile(r".{5}[0-9]{6}.."), "decimal digits 6 to 11, the value"),
    (re.compile(r".{11}[0-5]."), "0 to 5 as digit 12, the place of the decimal point"),
    (re.compile(r".{12}[01]"), "0 or 1 as digit 13, the unit"),
)


def decode_bytes(frame: bytes) -> Number:
    """Return the number in 7 bytes: the first bit sent is bit 0 of the first byte, the last four bits are zero.

    Raises:
        FrameError: If there are not 7 bytes, the last four bits are not zero, a digit is none of its place, or the
            length is larger than 10 m.
    """
    if len(frame) != 7:
        raise FrameError(frame, f"gauge frame must have 7 bytes, got {shown(frame)}")
    digits = f"{int.from_bytes(frame, 'little'):014X}"[::-1]  # in the order sent
    if digits[13] != "0":
        raise FrameError(frame, f"gauge frame must have its last four bits zero, got {shown(frame)}")
    return _decoded(digits[:13], frame)


def decode_hex(line: bytes) -> Number:
    """Return the number in a line of 13 hexadecimal digits, in the order sent.

    Raises:
        FrameError: If the line is anything else, a digit is none of its place, or the length is larger than 10 m.
    """
    digits = line.strip(b" \t")
    if not _HEX.fullmatch(digits):
        raise FrameError(line, f"gauge line must be 13 hexadecimal digits, got {shown(line)}")
    return _decoded(digits.decode().upper(), line)


def _decoded(digits: str, frame: bytes) -> Number:
    for shape, rule in _RULES:
        if not shape.fullmatch(digits):
            raise FrameError(frame, f"gauge frame must have {rule}, got {digits}")
    minus = "-" if digits[4] == "8" else ""
    unit = "in" if digits[12] == "1" else "mm"
    value = Decimal(f"{minus}{digits[5:11]}E-{digits[11]}")
    return number_from(frame, value, unit=unit, nm_per_unit=NM_PER_UNIT[unit])
