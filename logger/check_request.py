"""A check as a page asks for it: known sizes with what is known of them, and readings as they are typed."""

import math
import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

from drivers.errors import FrameError
from drivers.transports.typed import TypedValue, parse_typed
from logger.checks import CheckError, Size

HALF_WIDTHS: Final[Mapping[str, float]] = {"standard": 1.0, "expanded": 2.0, "limits": math.sqrt(3)}
"""What is said of a known size: its standard uncertainty, its expanded one at k = 2, or the limits that it lies within
on either side. Divided by these it is standard.

Source: JCGM 100:2008 (the GUM), 4.3.3 (a stated multiple) and 4.3.7 (limits alone: a rectangle of half-width a, a/√3);
the clauses are named from memory.
"""
MOST_SIZES: Final = 12
MOST_REPEATS: Final = 20
_APART: Final = re.compile(r"[\n;]+")
_UNIT_WORD: Final = re.compile(r"""(mm|in|inch|thou|")\.?""", re.IGNORECASE)


def asked_sizes(rows: Sequence[Any], unit: str) -> list[Size]:
    """Return the known sizes that a page asks for; each row is a size, what is known of it, and what that is.

    Args:
        rows: three texts each: a size, a length, and one of `HALF_WIDTHS`.
        unit: of a length that names none.

    Raises:
        CheckError: a row does not hold.
    """
    found: list[Size] = []
    for number, row in enumerate(rows, start=1):
        size, spread, kind = row
        nominal = _length(size, unit, f"known size {number}").value_nm
        half = _length(spread, unit, f"what is known of size {number}").value_nm
        if kind not in HALF_WIDTHS:
            raise CheckError(f"what is known of size {number} must be one of {', '.join(HALF_WIDTHS)}, got {kind!r}")
        if nominal <= 0:
            raise CheckError(f"known size {number} must be above 0, got {size!r}; the zero is asked for by itself")
        if half < 0:
            raise CheckError(f"what is known of size {number} must be 0 or more, got {spread!r}")
        if half >= nominal:
            raise CheckError(f"what is known of size {number} must be less than the size, got {spread!r} of {size!r}")
        found.append(Size(nominal_nm=nominal, u_nm=round(Decimal(half) / Decimal(HALF_WIDTHS[kind]))))
    sizes = [one.nominal_nm for one in found]
    if len(set(sizes)) < len(sizes):
        raise CheckError("every known size must be named once; several readings of it are asked for anyway")
    return found


def typed_values(text: str, unit: str) -> list[tuple[str, TypedValue]]:
    """Return the readings that a text holds, one or several, each as it was typed and as a value.

    Raises:
        CheckError: one of them is none, or there is none.
    """
    found = [(one, _length(one, unit, "a reading")) for piece in _APART.split(text) for one in _quantities(piece)]
    if not found:
        raise CheckError("a reading must be a number like 10.01, got nothing")
    return found


def _quantities(piece: str) -> list[str]:
    """Return the quantities of a line: numbers parted by blanks, each with the word for its unit if it has one."""
    found: list[str] = []
    for word in piece.split():
        if found and _UNIT_WORD.fullmatch(word):
            found[-1] += f" {word}"
        else:
            found.append(word)
    return found


def _length(text: object, unit: str, what: str) -> TypedValue:
    if not isinstance(text, str) or not text.strip():
        raise CheckError(f"{what} must be a length like 10 or 0.4 in, got nothing")
    try:
        value = parse_typed(text, unit=unit)
    except FrameError as error:
        raise CheckError(f"{what}: {str(error).splitlines()[0]}") from error
    if value.low_nm is not None:
        raise CheckError(f"{what} must be one length, got {text[:40]!r}; part several readings by blanks")
    return value
