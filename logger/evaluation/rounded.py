"""Repeats that the gauge's digit hides: the likelihood of rounded readings, instead of their standard deviation.

Where the spread is below the digit, repeats are mostly equal and their standard deviation says little. A reading of k
digits says only that the gauge stood between k - 1/2 and k + 1/2, so with spread sigma about the true mean

    P(k | mean, sigma) = Phi((k + 1/2 - mean)/sigma) - Phi((k - 1/2 - mean)/sigma).

The mean has a flat prior, sigma a half-Cauchy of one digit (Gelman 2006, weakly informative: a gauge's digit is chosen
of the order of its repeatability), and all features measured with the same gauge share sigma.
Source: interval-censored likelihood, e.g. Willink (2007) Metrologia 44, 73, on resolution-limited repeats; from memory.
Everything here is in digits.
"""

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from logger.evaluation.distribution import Distribution

Floats = NDArray[np.float64]
Pattern = tuple[int, ...]
"""Readings of one feature in digits above their smallest, sorted."""

_SIGMAS: Final = np.geomspace(0.02, 30.0, 48)
_STEP: Final = np.diff(np.log(_SIGMAS))[0]
_PRIOR: Final = _SIGMAS * _STEP / (1 + _SIGMAS**2)
_LARGEST_PATTERN: Final = 40
_LEAST: Final = 1e-250
"""Stands for a likelihood too small for doubles."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundedMean:
    """What rounded repeats say of the mean, in digits.

    Attributes:
        offset: best mean above the smallest reading.
        rectangle: half-width of the rectangle in its distribution, 0 for none.
        bell: scale of the bell in its distribution.
        dof: degrees of freedom of the bell.
    """

    offset: float
    rectangle: float
    bell: float
    dof: float = math.inf


def pattern_of(readings_digits: Iterable[int]) -> Pattern:
    """Return the pattern of readings given in whole digits."""
    ordered = sorted(readings_digits)
    return tuple(one - ordered[0] for one in ordered)


def rounded_mean(pattern: Pattern, alike: tuple[Pattern, ...]) -> RoundedMean:
    """Return the mean of one feature's rounded repeats.

    Args:
        pattern: the feature's readings.
        alike: the patterns of all features that share the spread, this one included, in any order.
    """
    return _rounded_mean(pattern, tuple(sorted(Counter(alike).items())))


@lru_cache(maxsize=4096)
def _rounded_mean(pattern: Pattern, alike: tuple[tuple[Pattern, int], ...]) -> RoundedMean:
    means, widths, likelihood = _table(pattern)
    inside = np.maximum(np.trapezoid(likelihood, means, axis=1), _LEAST)
    logs = np.log(_PRIOR) + sum(count * np.log(_evidence(one)) for one, count in alike)
    weights = np.exp(logs - logs.max()) / inside
    density = weights @ likelihood
    mass = density * widths
    mass /= mass.sum()
    offset = float(mass @ means)
    return _shaped(offset, *(_half_interval(means, mass, offset, share) for share in (0.90, 0.95)))


@lru_cache(maxsize=4096)
def _evidence(pattern: Pattern) -> Floats:
    means, _, likelihood = _table(pattern)
    return np.maximum(np.trapezoid(likelihood, means, axis=1), _LEAST)


@lru_cache(maxsize=512)
def _table(pattern: Pattern) -> tuple[Floats, Floats, Floats]:
    """Return means, their widths, and the likelihood, shape (sigmas, means)."""
    last = pattern[-1]
    near = np.arange(-1.5, last + 1.5, 0.01)
    far = np.geomspace(0.01, 150.0, 220)
    means = np.concatenate([(-1.5 - far)[::-1], near, last + 1.5 + far])
    product = np.ones((_SIGMAS.size, means.size))
    for digit, count in Counter(pattern).items():
        z = (means[None, :] - digit) / _SIGMAS[:, None]
        half = 0.5 / _SIGMAS[:, None]
        product *= np.maximum(special.ndtr(half - np.abs(z)) - special.ndtr(-half - np.abs(z)), 0.0) ** count
    return means, np.gradient(means), product


def _half_interval(means: Floats, mass: Floats, centre: float, share: float) -> float:
    """Return the half-width of the interval about ``centre`` that holds ``share``."""
    distance = np.abs(means - centre)
    order = np.argsort(distance)
    return float(np.interp(share, np.cumsum(mass[order]), distance[order]))


def _shaped(offset: float, half_90: float, half_95: float) -> RoundedMean:
    """Return the rectangle with a bell, or the t, that has these two half-intervals."""
    ratio = half_90 / half_95
    if ratio >= _ratio(math.inf) - 1e-6:
        return RoundedMean(offset=offset, rectangle=half_95 / 0.95, bell=0.0)
    if ratio <= _ratio(0.0):
        dof = float(optimize.brentq(lambda v: _t_ratio(v) - ratio, 1.0, 1e5)) if ratio > _t_ratio(1.0) else 1.0
        return RoundedMean(offset=offset, rectangle=0.0, bell=half_95 / float(special.stdtrit(dof, 0.975)), dof=dof)
    share = float(optimize.brentq(lambda a: _ratio(a) - ratio, 0.0, 1e4))
    scale = half_95 / _pair(share).half_interval_mm(0.95)
    return RoundedMean(offset=offset, rectangle=share * scale, bell=scale)


def _pair(share: float) -> Distribution:
    return Distribution(scale_mm=1.0, rectangles_mm=(share,) if share else ())


def _ratio(share: float) -> float:
    """Return half-interval at 90 % over that at 95 % of a rectangle ``share`` times a bell's scale wide."""
    if math.isinf(share):
        return 0.90 / 0.95
    return _pair(share).half_interval_mm(0.90) / _pair(share).half_interval_mm(0.95)


def _t_ratio(dof: float) -> float:
    return float(special.stdtrit(dof, 0.95) / special.stdtrit(dof, 0.975))


def fits(pattern: Pattern) -> bool:
    """Tell whether a pattern is narrow enough for the table."""
    return pattern[-1] <= _LARGEST_PATTERN
