"""How far frets bend a neck back: tight tangs and barbs lengthen the top of the board.

Euler-Bernoulli beam on a transformed section: board on neck, both as wide as the board. With the wedge as deep as the
board it is Timoshenko's bimetal strip (1925). What share of the wedging reaches the wood lengthwise, the transfer, is
known roughly beforehand and learnt from the shop's own necks. Lengths in mm, moduli in MPa; back-bow is positive.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from scipy import stats

from logger.errors import InsufficientDataError
from logger.evaluation.statistics import Floats

PRIOR: Final = (3.0, 7.0)
"""Beta distribution of the transfer before any neck is known: 0.3 with a standard deviation of 0.14 (our choice)."""
BARB_SHARE: Final = 0.3
"""Share of the barbs' bite that the wood does not absorb (our choice, no source)."""
MODULUS_SPREAD: Final = 0.15
"""Coefficient of variation of a wood's modulus within a species, rounded down. Source: Wood Handbook, 22 %."""
DRAWS: Final = 4000
_GRID: Final = 2001

MODULI_MPA: Final = MappingProxyType({
    "maple, sugar": 12_600.0,
    "maple, red": 11_300.0,
    "mahogany, true": 10_300.0,
    "mahogany, african": 9_700.0,
    "rosewood, brazilian": 13_000.0,
    "rosewood, indian": 12_300.0,
})
"""Modulus of elasticity along the grain at 12 % moisture. Source: USDA Wood Handbook, static bending; sugar maple and
true mahogany as printed, the others from memory. Ebony is not in its tables."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """The neck's section at every fret, arrays of shape (frets,).

    Attributes:
        board_mm: thickness of the board.
        neck_mm: thickness of the neck under it.
        board_mpa: modulus of the board along the neck.
        neck_mpa: modulus of the neck.
    """

    board_mm: Floats
    neck_mm: Floats
    board_mpa: float
    neck_mpa: float

    def curvature_per_strain(self, depth_mm: Floats, *, board: float = 1.0, neck: float = 1.0) -> Floats:
        """Return the curvature in 1/mm for a lengthening of 1 over the top ``depth_mm``, shape (frets,).

        Args:
            depth_mm: how deep the wedging reaches, shape (frets,).
            board: factor on the board's modulus.
            neck: factor on the neck's modulus.
        """
        h_b, h_n = self.board_mm, self.neck_mm
        e_b, e_n = self.board_mpa * board, self.neck_mpa * neck
        y_b, y_n = h_n + h_b / 2, h_n / 2
        axis = (e_n * h_n * y_n + e_b * h_b * y_b) / (e_n * h_n + e_b * h_b)
        stiffness = e_n * (h_n**3 / 12 + h_n * (y_n - axis) ** 2) + e_b * (h_b**3 / 12 + h_b * (y_b - axis) ** 2)
        deep = np.minimum(depth_mm, h_b)
        moment: Floats = e_b * deep * (h_n + h_b - deep / 2 - axis)
        return moment / stiffness


def wedge_mm(tang_mm: Floats, slot_mm: Floats, span_mm: Floats, *, barb_mm: float, pitch_mm: float) -> Floats:
    """Return how much each fret widens its slot, shape (frets,): an over-thick tang, and a share of the barbs' bite.

    Args:
        tang_mm: tang thickness, shape (frets,).
        slot_mm: slot width, shape (frets,).
        span_mm: span over the barbs, shape (frets,).
        barb_mm: length of a barb.
        pitch_mm: distance from barb to barb.
    """
    tight = np.maximum(0.0, tang_mm - slot_mm)
    bite = np.maximum(0.0, (span_mm - slot_mm) / 2)
    found: Floats = tight + BARB_SHARE * 2 * bite * barb_mm / pitch_mm
    return found


def strain(wedges_mm: Floats, positions_mm: Floats) -> Floats:
    """Return the lengthening of the board's top around each fret at a transfer of 1, shape (frets,).

    Args:
        wedges_mm: by how much each slot is widened, shape (frets,).
        positions_mm: distance from the nut of nut, frets, and where the next fret would be, shape (frets + 2,).
    """
    found: Floats = wedges_mm / ((positions_mm[2:] - positions_mm[:-2]) / 2)
    return found


def back_bow_mm(curvature_per_mm: Floats, positions_mm: Floats, end_mm: float) -> float:
    """Return how far the neck's highest place rises over the chord from nut to ``end_mm``.

    Source: double integral of the curvature, each fret's over the board half-way to its neighbours.

    Args:
        curvature_per_mm: curvature around each fret, shape (frets,).
        positions_mm: as `strain`, shape (frets + 2,).
        end_mm: where the chord ends, as a rule at the join.
    """
    profile = profile_mm(curvature_per_mm, positions_mm, end_mm)
    return float(profile.max() if profile.max() >= -profile.min() else profile.min())


def profile_mm(curvature_per_mm: Floats, positions_mm: Floats, end_mm: float) -> Floats:
    """Return heights over the chord from nut to ``end_mm`` at evenly spaced places, back-bow positive."""
    x = np.linspace(0.0, end_mm, _GRID)
    edges = (positions_mm[1:-1] + positions_mm[2:]) / 2
    fret = np.minimum(np.searchsorted(edges, x), len(curvature_per_mm) - 1)
    bend = np.where(x < positions_mm[1] / 2, 0.0, curvature_per_mm[fret])
    dx = x[1] - x[0]
    slope = np.concatenate([[0.0], np.cumsum((bend[1:] + bend[:-1]) / 2 * dx)])
    height = -np.concatenate([[0.0], np.cumsum((slope[1:] + slope[:-1]) / 2 * dx)])
    found: Floats = height - height[-1] * x / end_mm
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class BackBow:
    """Back-bow to expect, in mm: its median, its 95 % interval, and what it would be at a transfer of 1."""

    median_mm: float
    low_mm: float
    high_mm: float
    at_whole_transfer_mm: float


def predict(
    section: Section, wedges_mm: Floats, u_wedges_mm: Floats, depth_mm: Floats, positions_mm: Floats, end_mm: float, *,
    transfer: Floats | None = None, seed: int = 1,
) -> BackBow:  # fmt: skip
    """Return the back-bow to expect once the frets are in.

    Args:
        section: the neck's section.
        wedges_mm: by how much each slot is widened, shape (frets,).
        u_wedges_mm: standard uncertainties of that, shape (frets,).
        depth_mm: how deep the tang sits, shape (frets,).
        positions_mm: as `strain`, shape (frets + 2,).
        end_mm: where the chord ends.
        transfer: draws of the transfer; None for the prior.
        seed: of the draws.
    """
    rng = np.random.default_rng(seed)
    eta = rng.beta(*PRIOR, DRAWS) if transfer is None else rng.choice(transfer, DRAWS)
    unit = np.array([_unit(index, section, depth_mm, positions_mm, end_mm) for index in range(len(wedges_mm))])
    whole = float(strain(wedges_mm, positions_mm) @ unit)
    drawn = np.maximum(0.0, wedges_mm + u_wedges_mm * rng.standard_normal((DRAWS, len(wedges_mm))))
    stiff = np.exp(MODULUS_SPREAD * rng.standard_normal((DRAWS, 2)))
    ratio = _stiffness_ratio(section, depth_mm, stiff)
    bows = eta * ratio * (drawn / ((positions_mm[2:] - positions_mm[:-2]) / 2) @ unit)
    low, median, high = np.quantile(bows, (0.025, 0.5, 0.975))
    return BackBow(median_mm=float(median), low_mm=float(low), high_mm=float(high), at_whole_transfer_mm=whole)


def _unit(index: int, section: Section, depth_mm: Floats, positions_mm: Floats, end_mm: float) -> float:
    """Return the rise in mid-span for a strain of 1 around one fret."""
    curvature = np.zeros(len(depth_mm))
    curvature[index] = section.curvature_per_strain(depth_mm)[index]
    return float(profile_mm(curvature, positions_mm, end_mm)[_GRID // 2])


def _stiffness_ratio(section: Section, depth_mm: Floats, factors: Floats) -> Floats:
    """Return the mean curvature for factors on both moduli over that without, shape (draws,)."""
    plain = section.curvature_per_strain(depth_mm).mean()
    found: Floats = np.array([
        section.curvature_per_strain(depth_mm, board=board, neck=neck).mean() / plain for board, neck in factors
    ])
    return found


def learn_transfer(
    before_mm: Sequence[float], after_mm: Sequence[float], whole_mm: Sequence[float], *, u_mm: float, seed: int = 1
) -> Floats:
    """Return draws of the transfer after the shop's own necks, shape (draws,).

    Each neck tells the relief that fretting took: relief before less relief after, against what a transfer of 1 would
    have taken. Posterior on a grid, normal errors, `PRIOR` beforehand.

    Args:
        before_mm: relief before fretting, by neck.
        after_mm: relief after, by neck.
        whole_mm: back-bow foretold at a transfer of 1, by neck.
        u_mm: standard uncertainty of one difference, strings and truss rod unchanged.
        seed: of the draws.

    Raises:
        InsufficientDataError: no neck, or lists of different lengths.
    """
    if not len(before_mm) or not len(before_mm) == len(after_mm) == len(whole_mm):
        raise InsufficientDataError(
            "the transfer is learnt from necks with relief before, relief after and back-bow foretold"
        )
    grid = np.linspace(0.0005, 0.9995, 1000)
    taken = np.asarray(before_mm, dtype=float) - np.asarray(after_mm, dtype=float)
    misfit = (taken[:, None] - np.asarray(whole_mm, dtype=float)[:, None] * grid) / u_mm
    log = stats.beta.logpdf(grid, *PRIOR) - 0.5 * (misfit**2).sum(axis=0)
    weights = np.exp(log - log.max())
    draws: Floats = np.random.default_rng(seed).choice(grid, DRAWS, p=weights / weights.sum())
    return draws
