"""A value 25.4 times off what such a thing measures: was the gauge, or the person, in the other unit?"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from logger.sentences import MM_PER_INCH

USUAL_MM: Final[Mapping[str, tuple[float, float]]] = MappingProxyType({
    "tang_thickness": (0.3, 0.9), "barb_span": (0.4, 1.4), "tang_depth": (0.8, 3.0), "crown_height": (0.5, 2.2),
    "slot_width": (0.3, 1.0), "slot_depth": (0.8, 5.0), "seated_height": (0.5, 2.5), "pressed_height": (0.5, 2.5),
    "unworn_height": (0.5, 2.5),
})  # fmt: skip
"""What is usual, by kind of feature, wide enough for every wire; common practice, no source.

Kinds that may be near zero, or as long as the neck, are not here: of them nothing can be said.
"""


def usual_again_mm(kind: str | None, value_mm: float) -> float | None:
    """Return what a value would be if its unit were the other one, where only that is usual; else None."""
    if kind is None or kind not in USUAL_MM:
        return None
    low, high = USUAL_MM[kind]
    if low <= value_mm <= high:
        return None
    return next((other for other in (value_mm * MM_PER_INCH, value_mm / MM_PER_INCH) if low <= other <= high), None)


def slip_words(kind: str, value_mm: float, *, unit: str = "mm") -> str:
    """Return the question about a value, empty where there is none."""
    other = usual_again_mm(kind, value_mm)
    if other is None:
        return ""
    read, meant = (_size(value, unit) for value in (value_mm, other))
    factor = "inches taken for millimetres" if other > value_mm else "millimetres taken for inches"
    return f"Inch or mm? {read} is 25.4 times off what is usual here; {meant} would be usual: {factor}?"


def _size(value_mm: float, unit: str) -> str:
    return f"{value_mm:.3f} mm" if unit == "mm" else f"{value_mm / MM_PER_INCH:.4f} in"
