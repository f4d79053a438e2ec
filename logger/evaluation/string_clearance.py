"""How near a swinging string comes to the frets beyond the one that it is fretted at. Lengths in mm, up is positive.

The string runs straight from the crown it is fretted at to the saddle. Plucked, an ideal string sweeps the
parallelogram through its ends, the pluck point and its mirror; what is left over each fret beyond is the margin.
Source: d'Alembert's solution of the ideal string; the force and the place of the pluck are common practice, no source.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.evaluation.statistics import Floats

STEEL_G_PER_CM3: Final = 7.85
"""Density of music wire; from memory."""
NEXT_FRET: Final = 1 - 2 ** (-1 / 12)
"""Share of the saddle's height by which a fretted string clears the next fret of a straight neck, 0.0561."""
A_FIFTH: Final = 0.2
"""Share of that clearance that a step may take (common practice, no source)."""


def steel_mass_g_per_m(diameter_mm: float) -> float:
    """Return the mass of a metre of plain steel string."""
    return STEEL_G_PER_CM3 * math.pi / 4 * diameter_mm**2


def tension_n(mass_g_per_m: float, pitch_hz: float, length_mm: float) -> float:
    """Return the tension of a string tuned to a pitch.

    Source: Mersenne's law of the ideal string, T = mu (2 L f)^2.
    """
    return mass_g_per_m / 1000 * (2 * length_mm / 1000 * pitch_hz) ** 2


def saddle_height_mm(action_mm: float, top_mm: float, nut_mm: float) -> float:
    """Return the string's height at the saddle over the plane of the frets from the action at fret 12.

    Fret 12 is half-way, so that the open string there is at the mean of both ends.

    Args:
        action_mm: from the top of fret 12 to the underside of the open string.
        top_mm: height of that top over the plane.
        nut_mm: height of the string at the nut over the plane.
    """
    return 2 * (action_mm + top_mm) - nut_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Pluck:
    """A pluck: force toward the frets in N, its place in mm from the saddle, and the string's tension in N."""

    force_n: float
    from_saddle_mm: float
    tension_n: float

    def amplitude_mm(self, length_mm: float) -> float:
        """Return how far the string is drawn at the pluck.

        Source: equilibrium of a string under a point force, A = F s (l - s) / (T l), for small slopes.
        """
        s = min(self.from_saddle_mm, length_mm)
        return self.force_n * s * (length_mm - s) / (self.tension_n * length_mm)

    def reach_mm(self, along_mm: Floats, length_mm: float) -> Floats:
        """Return how far below its rest the string sweeps, shape (n,), at distances from the fretted end, shape (n,).

        Source: the lower envelope of the plucked ideal string: the triangle through its ends and the mirror point.
        """
        mirror = min(self.from_saddle_mm, length_mm)
        if not 0 < mirror < length_mm:
            return np.zeros(np.shape(along_mm))
        rising = along_mm / mirror
        falling = (length_mm - along_mm) / (length_mm - mirror)
        reach: Floats = self.amplitude_mm(length_mm) * np.minimum(rising, falling)
        return reach


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """The least margin of a string fretted at one fret.

    Attributes:
        fret: where it is fretted; 0 is the open string.
        over: the fret that it comes nearest to.
        margin_mm: clearance less sweep; negative: it hits.
        weights: how the margin changes with the heights of frets, by fret.
    """

    fret: int
    over: int
    margin_mm: float
    weights: dict[int, float]


def margins(
    positions_mm: Floats, heights_mm: Floats, *, scale_mm: float, saddle_mm: float, nut_mm: float | None, pluck: Pluck,
    saddle_on_12: float = 0.0,
) -> list[Margin]:  # fmt: skip
    """Return the least margin at every fret from which there is one beyond, the open string first.

    Args:
        positions_mm: distance from the nut by fret number, shape (frets + 1,).
        heights_mm: heights of the fret tops over their plane, shape (frets + 1,); nan where not known, [0] is not used.
        scale_mm: distance from nut to saddle.
        saddle_mm: height of the string at the saddle over the plane.
        nut_mm: the same at the nut; None leaves the open string out.
        pluck: how it is plucked.
        saddle_on_12: how the saddle's height follows that of fret 12, where it was found from the action there (2).
    """
    known = [int(fret) for fret in np.flatnonzero(np.isfinite(heights_mm)) if fret]
    starts = ([0] if nut_mm is not None else []) + known
    found = [_least(start, known, positions_mm, heights_mm, scale_mm, saddle_mm, nut_mm or 0.0, pluck, saddle_on_12)
             for start in starts]  # fmt: skip
    return [one for one in found if one is not None]


def _least(
    start: int, known: list[int], positions_mm: Floats, heights_mm: Floats, scale_mm: float, saddle_mm: float,
    nut_mm: float, pluck: Pluck, saddle_on_12: float,
) -> Margin | None:  # fmt: skip
    beyond = [fret for fret in known if fret > start]
    if not beyond:
        return None
    x = positions_mm[start]
    z = nut_mm if start == 0 else float(heights_mm[start])
    length = scale_mm - x
    along = positions_mm[beyond] - x
    share = along / length
    margin = z + (saddle_mm - z) * share - heights_mm[beyond] - pluck.reach_mm(along, length)
    worst = int(np.argmin(margin))
    weights = {beyond[worst]: -1.0}
    for fret, weight in ((start, 1 - float(share[worst])), (12, saddle_on_12 * float(share[worst]))):
        if fret and weight:
            weights[fret] = weights.get(fret, 0.0) + weight
    return Margin(fret=start, over=beyond[worst], margin_mm=float(margin[worst]), weights=weights)


def rises_allowed_mm(
    positions_mm: Floats, shape_mm: Floats, *, scale_mm: float, saddle_mm: float, nut_mm: float | None, pluck: Pluck
) -> Floats:
    """Return how far each fret alone may rise before a string fretted below it hits, shape (frets + 1,); nan at [0].

    Args:
        positions_mm: distance from the nut by fret number, shape (frets + 1,).
        shape_mm: heights of all frets as wanted, over their plane, shape (frets + 1,).
        scale_mm: distance from nut to saddle.
        saddle_mm: height of the string at the saddle over the plane.
        nut_mm: the same at the nut; None leaves the open string out.
        pluck: how it is plucked.
    """
    allowed = np.full(len(positions_mm), np.nan)
    for fret in range(1, len(positions_mm)):
        starts = range(0 if nut_mm is not None else 1, fret)
        for start in starts:
            length = scale_mm - positions_mm[start]
            along = positions_mm[fret] - positions_mm[start]
            z = nut_mm if start == 0 and nut_mm is not None else float(shape_mm[start])
            line = z + (saddle_mm - z) * along / length
            left = float(line - shape_mm[fret] - pluck.reach_mm(np.array([along]), length)[0])
            allowed[fret] = left if math.isnan(allowed[fret]) else min(allowed[fret], left)
    return allowed
