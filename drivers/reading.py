"""One value from a gauge, exact to the nanometre."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Final

from drivers.errors import FrameError

#: Nanometres in one unit. The inch is 25.4 mm exactly (international yard and pound agreement, 1959).
NM_PER_UNIT: Final = {"mm": 1_000_000, "in": 25_400_000, "thou": 25_400}

#: What a gauge or a person writes -> (unit of the reading, nanometres in one). Micrometres count as millimetres sent.
UNIT_WORDS: Final = {
    "mm": ("mm", 1_000_000),
    "in": ("in", 25_400_000),
    "inch": ("in", 25_400_000),
    '"': ("in", 25_400_000),
    "thou": ("thou", 25_400),
    "um": ("mm", 1_000),
    "\u00b5m": ("mm", 1_000),
    "\u03bcm": ("mm", 1_000),
}

#: No gauge of this trade measures more than 10 m; a larger value is noise.
LARGEST_NM: Final = 10_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Instant:
    """One moment on both clocks: ``at`` for people (aware UTC), ``monotonic_ns`` for order."""

    at: datetime
    monotonic_ns: int


Clock = Callable[[], Instant]


def system_clock() -> Instant:
    """Return this moment on the computer's wall clock and monotonic clock."""
    return Instant(at=datetime.now(UTC), monotonic_ns=time.monotonic_ns())


def scaled_to_nm(value: Decimal, nm_per_unit: int) -> int:
    """Return ``value`` times ``nm_per_unit`` as whole nanometres.

    The product is exact; one that is not a whole number is rounded half to even.

    Raises:
        FrameError: If the value is not finite or is larger than 10 m either way.
    """
    frame = str(value).encode()
    if not value.is_finite():
        raise FrameError(frame, f"value must be a finite number, got {str(value)!r}")
    if value.adjusted() < -20:  # under 1e-12 nm: zero, without a fraction of a million digits
        return 0
    if value.adjusted() > 11 or abs(nm := round(Fraction(value) * nm_per_unit)) > LARGEST_NM:
        raise FrameError(frame, f"value must not be larger than 10 m either way, got {str(value)!r}")
    return nm


def to_nm(value: Decimal, unit: str) -> int:
    """Return a length of ``value`` in ``unit`` ("mm", "in" or "thou") as whole nanometres.

    The conversion is exact; what is not a whole number of nanometres is rounded half to even.

    Raises:
        FrameError: If the unit is not one of the three, the value is not finite, or it is larger than 10 m either way.
    """
    if unit not in NM_PER_UNIT:
        raise FrameError(f"{value} {unit}".encode(), f"unit must be mm, in or thou, got {unit!r}")
    return scaled_to_nm(value, NM_PER_UNIT[unit])


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One value of one gauge.

    Attributes:
        gauge: The gauge's name on this bench.
        sequence: Counts the gauge's readings; with the gauge's name it identifies one.
        value_nm: Length in whole nanometres, with the sign that the gauge sent.
        unit: "mm", "in" or "thou": what was sent or typed (micrometres count as "mm").
        raw: What came, without its line end.
        status: Letters that the gauge put before the number, empty if none.
        taken_at: Wall clock at arrival, aware UTC.
        monotonic_ns: Monotonic clock at arrival.
        low_nm: For a leaf bracket the largest leaf that went in, otherwise None.
        high_nm: For a leaf bracket the smallest leaf that did not, otherwise None.

    Raises:
        TypeError: If a number is not an integer.
        ValueError: If a time is naive, a unit unknown, a value beyond 10 m, or a bracket does not hold.
    """

    gauge: str
    sequence: int
    value_nm: int
    unit: str
    raw: bytes
    status: str = ""
    taken_at: datetime
    monotonic_ns: int
    low_nm: int | None = None
    high_nm: int | None = None

    def __post_init__(self) -> None:
        """Refuse what is not a reading.

        Raises:
            TypeError: If a number is not an integer.
            ValueError: If a time, unit, value or bracket does not hold.
        """
        for name in ("sequence", "value_nm", "monotonic_ns", "low_nm", "high_nm"):
            value = getattr(self, name)
            if type(value) is not int and not (value is None and name in {"low_nm", "high_nm"}):
                raise TypeError(f"{name} must be an integer, got {value!r}")
        broken = next((words for holds, words in self._rules() if not holds), None)
        if broken is not None:
            raise ValueError(broken)

    def _rules(self) -> tuple[tuple[bool, str], ...]:
        offset = self.taken_at.utcoffset()
        return (
            (self.sequence >= 0, f"sequence must not be negative, got {self.sequence!r}"),
            (abs(self.value_nm) <= LARGEST_NM, f"value_nm must be within 10 m either way, got {self.value_nm!r}"),
            (self.unit in NM_PER_UNIT, f"unit must be mm, in or thou, got {self.unit!r}"),
            (offset is not None and not offset, f"taken_at must be aware and in UTC, got {self.taken_at!r}"),
            (self._bracket_holds(), f"low_nm must be under high_nm around value_nm, got {self.low_nm}, {self.high_nm}"),
        )

    def _bracket_holds(self) -> bool:
        if self.low_nm is None or self.high_nm is None:
            return self.low_nm is self.high_nm
        return self.low_nm < self.high_nm and self.value_nm == (self.low_nm + self.high_nm) // 2
