"""A straight line through points, with its covariance.

Source: JCGM 100:2008 H.3 (unknown scatter, about a chosen point); weighted with known uncertainties as in ISO/TS 28037.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from logger.errors import InsufficientDataError
from logger.evaluation.statistics import Floats, finite


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """The line ``intercept + slope (x - about)``.

    Attributes:
        about: where the intercept is.
        u_intercept: standard uncertainty of the intercept.
        u_slope: standard uncertainty of the slope.
        covariance: covariance of intercept and slope.
        s: residual standard deviation; with known uncertainties the root of chi-square over degrees of freedom.
        dof: degrees of freedom of the uncertainties; infinite when the points' own were known.
        chi_square: weighted residual sum of squares, None when the points' uncertainties were not known.
        r_squared: share of the variance that the line explains, 0 when nothing varies.
    """

    about: float
    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    covariance: float
    s: float
    dof: float
    chi_square: float | None
    r_squared: float
    n: int

    def at(self, x: float) -> tuple[float, float]:
        """Return the line's value and standard uncertainty at ``x``."""
        away = x - self.about
        variance = self.u_intercept**2 + 2 * away * self.covariance + (away * self.u_slope) ** 2
        return self.intercept + self.slope * away, math.sqrt(max(0.0, variance))


def fit_line(x: ArrayLike, y: ArrayLike, *, u: ArrayLike | None = None, about: float = 0.0) -> LineFit:
    """Return the least-squares line.

    Args:
        x: positions, shape (n,), known exactly.
        y: values, shape (n,).
        u: standard uncertainties of the values, shape (n,) or one number, above zero; None to take the scatter.
        about: where the intercept is wanted.

    Raises:
        InsufficientDataError: too few points, or all at one position.
        ValueError: shapes differ, ``about`` is not finite, or a ``u`` is not above zero.
    """
    xs, ys = finite(x, name="x"), finite(y, name="y")
    if xs.shape != ys.shape:
        raise ValueError(f"`x` and `y` must have one shape, got {xs.shape} and {ys.shape}")
    if not math.isfinite(about):
        raise ValueError(f"`about` must be finite, got {about!r}")
    least = 2 if u is not None else 3
    if xs.size < least or np.ptp(xs) == 0:
        raise InsufficientDataError(f"a line needs at least {least} points at two places or more, got {xs.size}")
    weights, unit = (np.ones_like(xs), 1.0) if u is None else _weights(u, xs)
    total = math.fsum(weights)
    x_mean, y_mean = math.fsum(weights * xs) / total, math.fsum(weights * ys) / total
    dx, dy = xs - x_mean, ys - y_mean
    sxx = math.fsum(weights * dx * dx)
    if sxx == 0:
        raise InsufficientDataError("a line needs points further apart, got positions that are one in doubles")
    slope = math.fsum(weights * dx * dy) / sxx
    residuals = dy - slope * dx
    rss = math.fsum(weights * residuals * residuals)
    spare = xs.size - 2
    scatter = math.sqrt(rss / spare) if spare else 0.0
    scale = unit if u is not None else scatter
    away = about - x_mean
    varied = math.fsum(weights * dy * dy)
    return LineFit(
        about=about, intercept=y_mean + slope * away, slope=slope,
        u_intercept=scale * math.sqrt(1 / total + away**2 / sxx), u_slope=scale / math.sqrt(sxx),
        covariance=scale**2 * away / sxx, s=scatter / unit, dof=math.inf if u is not None else float(spare),
        chi_square=rss / unit / unit if u is not None else None, r_squared=1 - rss / varied if varied else 0.0,
        n=int(xs.size),
    )  # fmt: skip


def _weights(u: ArrayLike, xs: Floats) -> tuple[Floats, float]:
    """Return weights relative to the best point, shape (n,), and the standard uncertainty of that point.

    Raises:
        ValueError: a ``u`` is not above zero, or there is not one per point.
    """
    spread = np.asarray(u, dtype=np.float64)
    if spread.shape not in {(), xs.shape}:
        raise ValueError(f"`u` must be one number or one per point, got shape {spread.shape}")
    if not (np.isfinite(spread).all() and (spread > 0).all()):
        raise ValueError("`u` must be finite and above zero")
    best = float(spread.min())
    return (best / np.broadcast_to(spread, xs.shape)) ** 2, best
