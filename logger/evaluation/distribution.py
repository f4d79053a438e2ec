"""The distribution of what a value could be: Student's t, a normal beside it, and up to two rectangles.

One distribution gives both the interval and the probability of conforming, so that they never disagree.
Source: JCGM 100:2008 G.4 (t with effective degrees of freedom), JCGM 101:2008 6.4 (shapes). The convolution of a
rectangle with t follows from the antiderivative of the t distribution function, derived at `_integrated_cdf`; t
beside a normal is a mixture of normals over the chi-square of its degrees of freedom. Keeping t and normal apart,
instead of one t with effective degrees of freedom, is what holds the coverage when few repeats stand beside a known
uncertainty.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(96)
_NORMAL_FROM_DOF: Final = 1e6
"""From here t and normal agree to better than 1e-6 in probability."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Distribution:
    """A symmetric distribution about zero: t of scale ``scale_mm``, convolved with a normal and with rectangles.

    Attributes:
        scale_mm: scale of the t in mm.
        dof: its degrees of freedom.
        rectangles_mm: half-widths of the rectangles in mm, none or one or two.
        bell_mm: standard deviation of the normal beside the t in mm.
    """

    scale_mm: float
    dof: float = np.inf
    rectangles_mm: tuple[float, ...] = ()
    bell_mm: float = 0.0

    def cdf(self, offset_mm: ArrayLike) -> Floats:
        """Return the probability of lying at or below ``offset_mm`` (any shape) from the centre."""
        x = np.asarray(offset_mm, dtype=np.float64)
        if self.bell_mm:
            return self._mixed(x)
        half = sorted((a for a in self.rectangles_mm if a > 0), reverse=True)
        if not half:
            return self._core(x)
        if len(half) == 1:
            return self._one(x, half[0])
        if self.scale_mm <= 1e-9 * half[0]:
            return _trapezoid_cdf(x, half[0], half[1])
        shifted = x[..., None] - half[1] * _NODES
        return np.asarray(self._one(shifted, half[0]) @ (_WEIGHTS / 2))

    def within(self, below_mm: float | None, above_mm: float | None) -> float:
        """Return the probability of lying between two offsets in mm; None is no bound."""
        low = 0.0 if below_mm is None else float(self.cdf(np.nextafter(below_mm, -np.inf)))
        # the upper tail by symmetry keeps its digits when it is small
        high_tail = 0.0 if above_mm is None else float(self.cdf(np.nextafter(-above_mm, -np.inf)))
        return min(1.0, max(0.0, 1.0 - low - high_tail))

    def half_interval_mm(self, coverage: float = 0.95) -> float:
        """Return the half-width in mm of the symmetric interval that holds ``coverage``."""
        wanted = (1 + coverage) / 2
        reach = sum(self.rectangles_mm)
        if not reach and not self.bell_mm:
            return float(self.scale_mm * _core_ppf(wanted, self.dof))
        tail = (1 + wanted) / 2  # each part alone reaches further than the sum at ``wanted``
        top = reach + self.scale_mm * _core_ppf(tail, self.dof) + self.bell_mm * _core_ppf(tail, np.inf) + 1e-12
        return float(optimize.brentq(lambda x: float(self.cdf(x)) - wanted, 0.0, top, xtol=1e-12, rtol=1e-12))

    def _mixed(self, x: Floats) -> Floats:
        """Average normals whose variance is that of the bell plus scale^2 dof / chi-square."""
        if self.dof >= _NORMAL_FROM_DOF or self.scale_mm == 0:
            whole = float(np.hypot(self.scale_mm, self.bell_mm))
            return Distribution(scale_mm=whole, rectangles_mm=self.rectangles_mm).cdf(x)
        spreads = np.sqrt(self.scale_mm**2 * _inverse_chi_square(self.dof) + self.bell_mm**2)
        half = sorted((a for a in self.rectangles_mm if a > 0), reverse=True)
        if len(half) <= 1:
            return np.asarray(_bell_cdf(x[..., None], spreads, half[0] if half else 0.0) @ (_WEIGHTS / 2))
        shifted = x[..., None, None] - half[1] * _NODES[:, None]
        return np.asarray((_bell_cdf(shifted, spreads, half[0]) @ (_WEIGHTS / 2)) @ (_WEIGHTS / 2))

    def _core(self, x: Floats) -> Floats:
        if self.scale_mm == 0:
            return np.where(x >= 0, 1.0, 0.0)
        return _t_cdf(x / self.scale_mm, self.dof)

    def _one(self, x: Floats, half_mm: float) -> Floats:
        if self.scale_mm <= 1e-9 * half_mm:
            return np.clip((x + half_mm) / (2 * half_mm), 0.0, 1.0)
        if self.dof <= 1.5:  # the closed form needs a mean
            return np.asarray(self._core(x[..., None] - half_mm * _NODES) @ (_WEIGHTS / 2))
        s = self.scale_mm
        upper, lower = _integrated_cdf((x + half_mm) / s, self.dof), _integrated_cdf((x - half_mm) / s, self.dof)
        return np.clip(s / (2 * half_mm) * (upper - lower), 0.0, 1.0)


def _bell_cdf(x: Floats, spread_mm: Floats, half_mm: float) -> Floats:
    """Return the distribution function of a normal and a rectangle; arguments broadcast."""
    if half_mm == 0:
        return np.asarray(special.ndtr(x / spread_mm), dtype=np.float64)
    upper, lower = (_integrated_cdf((x + side) / spread_mm, np.inf) for side in (half_mm, -half_mm))
    return np.clip(spread_mm / (2 * half_mm) * (upper - lower), 0.0, 1.0)


@lru_cache(maxsize=256)
def _inverse_chi_square(dof: float) -> Floats:
    """Return dof / chi-square at the nodes of the quadrature over its probability."""
    return np.asarray(dof / stats.chi2.ppf((1 + _NODES) / 2, dof))


def _t_cdf(z: Floats, dof: float) -> Floats:
    if dof >= _NORMAL_FROM_DOF:
        return np.asarray(special.ndtr(z), dtype=np.float64)
    return np.asarray(special.stdtr(dof, z), dtype=np.float64)


def _core_ppf(probability: float, dof: float) -> float:
    if dof >= _NORMAL_FROM_DOF:
        return float(special.ndtri(probability))
    return float(special.stdtrit(dof, probability))


def _integrated_cdf(z: Floats, dof: float) -> Floats:
    """Return the integral of the distribution function from minus infinity to ``z``.

    By parts: int T = z T(z) - int z f(z) dz, and for Student's t int z f dz = -(v + z^2)/(v - 1) f(z), since
    f' = -(v + 1) z / (v + z^2) f. In the limit of many degrees of freedom the last term is the normal density.
    """
    if dof >= _NORMAL_FROM_DOF:
        return np.asarray(z * special.ndtr(z) + np.exp(-z * z / 2) / np.sqrt(2 * np.pi))
    return np.asarray(z * special.stdtr(dof, z) + (dof + z * z) / (dof - 1) * stats.t.pdf(z, dof))


def _trapezoid_cdf(x: Floats, a: float, b: float) -> Floats:
    """Return the distribution function of the sum of two rectangles of half-widths ``a >= b``."""

    def ramp(t: Floats) -> Floats:
        return np.maximum(t, 0.0) ** 2 / 2

    total = ramp(x + a + b) - ramp(x + a - b) - ramp(x - a + b) + ramp(x - a - b)
    return np.clip(total / (4 * a * b), 0.0, 1.0)
