"""Which wire and blade go together, and which piece of wire to which slot, by the chance that a fret fits.

A fret fits where clearance and bite both lie within their limits; slot and wire are in both, so the two are judged
together. Lengths in mm.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.optimize import linear_sum_assignment

from logger.errors import InsufficientDataError
from logger.evaluation.conformity import Limits
from logger.evaluation.estimate import Cause, Estimate, combine, covariance_mm2
from logger.evaluation.statistics import Floats

_SURE_MM = 1e-9


def scattered(estimate: Estimate, sd_mm: float, name: str) -> Estimate:
    """Return an estimate of the next one of a kind, which scatters by ``sd_mm`` about the mean."""
    cause = Cause(name=name, words="spread from piece to piece", u_mm=sd_mm)
    return Estimate(value_mm=estimate.value_mm, terms=(*estimate.terms, (cause, 1.0)), known=estimate.known)


def chance_of_fit(slot: Estimate, tang: Estimate, span: Estimate, clearance: Limits, bite: Limits) -> float:
    """Return the probability that clearance and bite both lie within their limits.

    Both as jointly normal with the correlation that the shared slot, and causes shared otherwise, give them.
    """
    pair = combine([(1.0, slot), (-1.0, tang)]), combine([(0.5, span), (-0.5, slot)])
    mean = np.array([one.value_mm for one in pair])
    low = np.array([-np.inf if one.lower_mm is None else one.lower_mm for one in (clearance, bite)])
    high = np.array([np.inf if one.upper_mm is None else one.upper_mm for one in (clearance, bite)])
    covariance = covariance_mm2(pair)
    sizes = np.sqrt(np.diag(covariance))
    if not (sizes > _SURE_MM).all():
        return _chance_with_a_sure_one(mean, sizes, low, high)
    z = stats.multivariate_normal(mean=np.zeros(2), cov=covariance / np.outer(sizes, sizes), allow_singular=True)
    found = z.cdf((high - mean) / sizes, lower_limit=(low - mean) / sizes)
    return float(min(1.0, max(0.0, float(found))))


def _chance_with_a_sure_one(mean: Floats, sizes: Floats, low: Floats, high: Floats) -> float:
    p = 1.0
    for m, size, a, b in zip(mean, sizes, low, high, strict=True):
        if size > _SURE_MM:
            p *= float(stats.norm.cdf((b - m) / size) - stats.norm.cdf((a - m) / size))
        else:
            p *= float(a - _SURE_MM <= m <= b + _SURE_MM)
    return p


@dataclass(frozen=True, slots=True, kw_only=True)
class Wire:
    """A wire to choose from: tang thickness and span over the barbs of its next piece."""

    name: str
    tang: Estimate
    span: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairing:
    """A wire with a blade (or ready slots), and the chance that a fret of the two fits."""

    wire: str
    blade: str
    chance: float


def rank(
    wires: Sequence[Wire], blades: Sequence[tuple[str, Estimate]], clearance: Limits, bite: Limits
) -> list[Pairing]:
    """Return every wire with every blade, the likeliest fit first.

    Args:
        wires: wires to choose from.
        blades: names of blades and the slot that their next cut gives.
        clearance: limits of ``tang_clearance``.
        bite: limits of ``barb_bite``.
    """
    found = [
        Pairing(wire=wire.name, blade=blade, chance=chance_of_fit(slot, wire.tang, wire.span, clearance, bite))
        for wire in wires
        for blade, slot in blades
    ]
    return sorted(found, key=lambda one: -one.chance)


def assign(chances: Floats) -> list[int]:
    """Return for every slot the piece that goes to it: the worst fit as good as can be, ties by the sum.

    Source: bottleneck assignment by search over the least chance, then linear assignment among what is left.

    Args:
        chances: probability of a fit, shape (slots, pieces), pieces as many as slots or more.

    Raises:
        InsufficientDataError: fewer pieces than slots.
    """
    table = np.asarray(chances, dtype=float)
    slots, pieces = table.shape
    if pieces < slots:
        raise InsufficientDataError(f"{slots} slots need as many pieces, got {pieces}")
    if slots == 0:
        return []
    levels = np.unique(table)
    low, high = 0, len(levels) - 1
    while low < high:  # the highest level at which every slot still finds a piece of its own
        middle = (low + high + 1) // 2
        low, high = (middle, high) if _full(table >= levels[middle]) else (low, middle - 1)
    allowed = np.where(table >= levels[low], table, -float(slots + 1))
    _, columns = linear_sum_assignment(allowed, maximize=True)
    return [int(column) for column in columns]


def _full(allowed: np.ndarray) -> bool:
    rows, columns = linear_sum_assignment(allowed.astype(float), maximize=True)
    return bool(allowed[rows, columns].all())


def worst_and_sum(chances: Floats, pieces: Sequence[int]) -> tuple[float, float]:
    """Return the least chance of an assignment and the sum of all."""
    own = [float(chances[slot, piece]) for slot, piece in enumerate(pieces)]
    return min(own, default=1.0), math.fsum(own)
