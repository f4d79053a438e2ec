"""What a frame says, and how a frame is shown to people."""

from dataclasses import dataclass
from decimal import Decimal

from drivers.errors import FrameError
from drivers.reading import scaled_to_nm


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """What a frame says: a length in nanometres, its unit as sent ("mm", "in" or "thou") and the status around it."""

    value_nm: int
    unit: str
    status: str = ""


def number_from(frame: bytes, value: Decimal, *, unit: str, nm_per_unit: int, status: str = "") -> Number:
    """Return ``value`` times ``nm_per_unit`` nanometres as a number in ``unit``; rounded half to even, once.

    Raises:
        FrameError: With ``frame``, if the value is not finite or the length is larger than 10 m either way.
    """
    try:
        return Number(value_nm=scaled_to_nm(value, nm_per_unit), unit=unit, status=status)
    except FrameError as error:
        raise FrameError(frame, error.reason) from error


def shown(frame: bytes) -> str:
    """Return the bytes for a sentence, cut at 48."""
    return repr(frame if len(frame) <= 48 else frame[:45] + b"...")
