"""How straight a line of heights is: about the least-squares line and about the narrowest pair of parallels.

Source: ISO 12780-1, straightness of a profile about its least-squares and minimum-zone reference lines (from memory).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from logger.errors import InsufficientDataError
from logger.evaluation.statistics import Floats, finite


@dataclass(frozen=True, slots=True, kw_only=True)
class Straightness:
    """Peak to valley in mm about three lines; the minimum zone is never wider than the others."""

    minimum_zone_mm: float
    least_squares_mm: float
    end_points_mm: float


def straightness(distance_mm: ArrayLike, height_mm: ArrayLike) -> Straightness:
    """Return the straightness of heights along a line.

    Args:
        distance_mm: distances, shape (n,), strictly rising.
        height_mm: heights, shape (n,).

    Raises:
        InsufficientDataError: fewer than two places.
        ValueError: the distances do not rise.
    """
    x, z = finite(distance_mm, name="distance_mm"), finite(height_mm, name="height_mm")
    if x.size < 2:
        raise InsufficientDataError("straightness needs two places or more")
    if x.size != z.size or np.any(np.diff(x) <= 0):
        raise ValueError("`distance_mm` must rise strictly, one for each height")
    centred = x - x.mean()
    fitted = z - centred * float(centred @ z / (centred @ centred))
    ends = z - (z[0] + (z[-1] - z[0]) * (x - x[0]) / (x[-1] - x[0]))
    return Straightness(
        minimum_zone_mm=_narrowest(x, z), least_squares_mm=float(np.ptp(fitted)), end_points_mm=float(np.ptp(ends))
    )


def _narrowest(x: Floats, z: Floats) -> float:
    """Return the least height of a pair of parallels around the points.

    One of the two lies along an edge of the convex hull (rotating calipers), so every edge is tried.
    """
    upper, lower = _hull(x, -z), _hull(x, z)
    best = np.inf
    for chain in (upper, lower):
        for a, b in pairwise(chain):
            slope = (z[b] - z[a]) / (x[b] - x[a])
            best = min(best, float(np.ptp(z - slope * x)))
    return best


def _hull(x: Floats, z: Floats) -> list[int]:
    """Return the indices of the lower convex hull, from left to right (monotone chain)."""
    chain: list[int] = []
    for index in range(x.size):
        while len(chain) > 1 and _turns_right(x, z, chain[-2], chain[-1], index):
            chain.pop()
        chain.append(index)
    return chain


def _turns_right(x: Floats, z: Floats, a: int, b: int, c: int) -> bool:
    return bool((x[b] - x[a]) * (z[c] - z[a]) <= (z[b] - z[a]) * (x[c] - x[a]))
