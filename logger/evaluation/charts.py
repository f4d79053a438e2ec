"""Charts of successive values: individuals with moving range, exponentially weighted average, and their constants.

Source: NIST/SEMATECH handbook 6.3.2.2 and 6.3.2.4; ISO 7870-2; constants by integration of the normal range.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import integrate, special

from logger.errors import InsufficientDataError
from logger.evaluation.statistics import LARGEST, Floats, finite, mean_and_sd

RUN: int = 8
"""So many points on one side of the centre signal a shift (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartConstants:
    """Constants of control charts for samples of ``n``."""

    n: int
    d2: float
    d3: float
    c4: float
    a2: float
    a3: float
    b3: float
    b4: float
    d3_limit: float
    d4_limit: float


@lru_cache(maxsize=64)
def chart_constants(n: int) -> ChartConstants:
    """Return the constants for samples of ``n`` from 2 to 100.

    Source: d2 = E(range)/sigma, d3 = sd(range)/sigma of the standard normal; c4 = sqrt(2/(n-1)) G(n/2)/G((n-1)/2).

    Raises:
        ValueError: ``n`` is out of range.
    """
    if not 2 <= n <= 100:
        raise ValueError(f"`n` must be from 2 to 100, got {n!r}")
    d2, d3 = _range_moments(n)
    c4 = math.sqrt(2 / (n - 1)) * math.exp(special.gammaln(n / 2) - special.gammaln((n - 1) / 2))
    loose = 3 * math.sqrt(1 - c4**2) / c4
    return ChartConstants(
        n=n, d2=d2, d3=d3, c4=c4, a2=3 / (d2 * math.sqrt(n)), a3=3 / (c4 * math.sqrt(n)), b3=max(0.0, 1 - loose),
        b4=1 + loose, d3_limit=max(0.0, 1 - 3 * d3 / d2), d4_limit=1 + 3 * d3 / d2,
    )  # fmt: skip


def _range_moments(n: int) -> tuple[float, float]:
    def above(x: float) -> float:
        return float(1 - special.ndtr(x) ** n - special.ndtr(-x) ** n)

    mean = 2 * integrate.quad(above, 0, 12, epsabs=1e-12)[0]

    def tail(w: float) -> float:  # P(range > w), from the density of the smallest
        def density(x: float) -> float:
            phi = math.exp(-x * x / 2) / math.sqrt(2 * math.pi)
            return float(n * phi * (special.ndtr(x + w) - special.ndtr(x)) ** (n - 1))

        return 1 - integrate.quad(density, -12, 12, epsabs=1e-12)[0]

    square = integrate.quad(lambda w: 2 * w * tail(w), 0, 14, epsabs=1e-10, limit=200)[0]
    return mean, math.sqrt(max(0.0, square - mean**2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Individuals:
    """Centre and limits of single values, from the mean moving range; ``beyond``: indices outside."""

    centre: float
    lower: float
    upper: float
    mean_moving_range: float
    beyond: tuple[int, ...]


def individuals(values: ArrayLike, *, baseline: int | None = None) -> Individuals:
    """Return the chart of successive single values.

    Args:
        values: values in order, shape (n,).
        baseline: how many of the first make the limits; None for all.

    Raises:
        InsufficientDataError: fewer than two values in the baseline.
        ValueError: the baseline is negative.
    """
    array = finite(values, name="values")
    if baseline is not None and baseline < 0:
        raise ValueError(f"`baseline` must not be below zero, got {baseline!r}")
    base = array if baseline is None else array[:baseline]
    if base.size < 2:
        raise InsufficientDataError(f"limits need at least two values, got {base.size}")
    centre = mean_and_sd(base).mean  # exact: equal values have no distance from their mean
    moving = math.fsum(np.abs(np.diff(base))) / (base.size - 1)
    reach = 3 * moving / chart_constants(2).d2
    beyond = beyond_reach(array, centre=centre, reach=reach)
    return Individuals(centre=centre, lower=centre - reach, upper=centre + reach, mean_moving_range=moving,
                       beyond=beyond)  # fmt: skip


def beyond_reach(values: Floats, *, centre: float, reach: float) -> tuple[int, ...]:
    """Return the indices of values, shape (n,), further from the centre than ``reach`` and than doubles can tell."""
    margin = 8 * float(np.spacing(np.max(np.abs([*values, centre]))))
    return tuple(int(i) for i in np.flatnonzero(np.abs(values - centre) > reach * (1 + 1e-12) + margin))


@dataclass(frozen=True, slots=True, kw_only=True)
class Ewma:
    """Exponentially weighted moving average, shape (n,), with its limits, shape (n,); ``beyond``: indices outside."""

    path: Floats
    lower: Floats
    upper: Floats
    beyond: tuple[int, ...]


def ewma(values: ArrayLike, *, weight: float, start: float, sd: float, widening: bool = False) -> Ewma:
    """Return the weighted average of successive values and its three-sigma limits.

    Args:
        values: values in order, shape (n,).
        weight: share of the newest value, above 0 and at most 1.
        start: where the average begins.
        sd: standard deviation of one value.
        widening: use the exact limits that widen from the first point, instead of the steady ones.

    Raises:
        InsufficientDataError: there is no value.
        ValueError: the weight, the start or the standard deviation is out of range.
    """
    if not 0 < weight <= 1:
        raise ValueError(f"`weight` must be above 0 and at most 1, got {weight!r}")
    if not (abs(start) <= LARGEST and 0 <= sd <= LARGEST):
        raise ValueError(f"`start` must be finite and `sd` finite and not below zero, got {start!r} and {sd!r}")
    array = finite(values, name="values")
    if array.size == 0:
        raise InsufficientDataError("a chart needs at least one value")
    path, level = np.empty_like(array), start
    for index, value in enumerate(array):
        level = weight * value + (1 - weight) * level
        path[index] = level
    variance = np.full(array.shape, weight / (2 - weight))
    if widening:
        variance *= 1 - (1 - weight) ** (2 * np.arange(1, array.size + 1))
    reach = 3 * sd * np.sqrt(variance)
    beyond = tuple(int(i) for i in np.flatnonzero(np.abs(path - start) > reach))
    return Ewma(path=path, lower=start - reach, upper=start + reach, beyond=beyond)


def run_on_one_side(values: ArrayLike, *, centre: float) -> bool:
    """Tell whether the newest ``RUN`` values all lie on one side of the centre."""
    newest = finite(values, name="values")[-RUN:]
    return newest.size == RUN and bool((newest > centre).all() or (newest < centre).all())
