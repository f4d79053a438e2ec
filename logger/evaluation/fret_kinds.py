"""What is wrong with a fret that stands off on its paths: the whole fret, one end, both ends, the middle, or a tilt.

The deviations on bass, centre and treble are compared with the shape that each fault would give; the simplest that
explains them within their uncertainty and the scatter of good frets is named. Lengths in mm, up is positive.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from logger.evaluation.deviations import GOOD_SCATTER_MM
from logger.evaluation.estimate import Estimate, combine, covariance_mm2

FretKind = Literal["whole fret", "end", "both ends", "middle", "tilted", "place"]
PATHS: Final = ("bass", "centre", "treble")
STEP_SCATTER_MM: Final = GOOD_SCATTER_MM * 1.5**0.5
"""Scatter of a good fret over the line through its two neighbours."""
MORE: Final = 8.0
"""What a second number costs in units of chi-square: 2.8 standard deviations (our choice)."""
TOO_FAR: Final = 16.0
"""Chi-square beyond which no shape fits and every place stands for itself (our choice)."""

_SHAPES: Final[Mapping[tuple[FretKind, str | None], Sequence[Sequence[float]]]] = {
    ("whole fret", None): [(1, 1, 1)],
    ("end", "bass"): [(1, 0, 0)],
    ("end", "treble"): [(0, 0, 1)],
    ("middle", "centre"): [(0, 1, 0)],
    ("both ends", None): [(1, 0, 1)],
    ("tilted", None): [(1, 1, 1), (1, 0, -1)],
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FretFault:
    """A named deviation.

    Attributes:
        place: the place it is at, None for the whole fret.
        size: signed, in mm: height over where it should be; for a tilt bass minus treble.
    """

    fret: int
    kind: FretKind
    place: str | None
    size: Estimate


def name_faults(fret: int, deviations: Mapping[str | None, Estimate], named: Sequence[str | None]) -> list[FretFault]:
    """Return what is wrong with a fret.

    Args:
        fret: the fret.
        deviations: its deviation by path.
        named: the paths on which it is a cause.
    """
    if not named:
        return []
    if not all(path in deviations for path in PATHS):
        return [FretFault(fret=fret, kind="place", place=path, size=deviations[path]) for path in named]
    three = [deviations[path] for path in PATHS]
    values = np.array([one.value_mm for one in three])
    noise = covariance_mm2(three) + STEP_SCATTER_MM**2 * np.eye(3)
    (kind, place), gains, misfit = min((_fit(what, values, noise) for what in _SHAPES), key=lambda fit: fit[2])
    if misfit > TOO_FAR:
        return [FretFault(fret=fret, kind="place", place=path, size=deviations[path]) for path in named]
    size = combine((float(weight), one) for weight, one in zip(gains, three, strict=True))
    doubt = next((one.doubt for one in three if one.doubt), "")
    return [FretFault(fret=fret, kind=kind, place=place, size=replace(size, doubt=doubt))]


def _fit(
    what: tuple[FretKind, str | None], values: np.ndarray, noise: np.ndarray
) -> tuple[tuple[FretKind, str | None], np.ndarray, float]:
    """Return the fault, the weights that give its size, and how badly its shape fits."""
    shape = np.array(_SHAPES[what], dtype=float).T
    weighted = np.linalg.solve(noise, shape)
    gains = np.linalg.solve(shape.T @ weighted, weighted.T)
    left = values - shape @ (gains @ values)
    misfit = float(left @ np.linalg.solve(noise, left)) + MORE * (shape.shape[1] - 1)
    return what, 2 * gains[1] if what[0] == "tilted" else gains[0], misfit
