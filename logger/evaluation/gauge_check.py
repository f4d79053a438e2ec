"""Is a gauge true: its error at known sizes, whether it grows with size, hysteresis, and drift from check to check.

Lengths in mm; an error is what the gauge reads too much.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats

from logger.errors import InsufficientDataError
from logger.evaluation.charts import RUN, Individuals, beyond_reach, individuals, run_on_one_side
from logger.evaluation.line_fit import LineFit, fit_line
from logger.evaluation.statistics import Floats, finite, mean_and_sd

SIGNIFICANT = 0.05
"""A slope or an error is called real when chance alone would make it in fewer cases than this."""
LEAST_U_MM = 1e-12
"""An uncertainty below a thousandth of a picometre is none."""
FEWEST = 4
"""Checks needed for limits of their own (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeError:
    """The error at one size and its standard uncertainty, in mm."""

    nominal_mm: float
    error_mm: float
    u_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeError:
    """The errors of a gauge and, from two sizes on, the line through them.

    Attributes:
        errors: error at each size.
        line: error against size, its intercept at the mean size; None for a single size.
        common_u_mm: uncertainty common to all sizes, in mm.
        p_true: probability of errors this large in a true gauge (chi-square).
        p_flat: probability of a slope this large in a gauge whose error is the same at all sizes; None without line.
            Scatter beyond the stated uncertainties widens what is expected of the slope.
    """

    errors: tuple[SizeError, ...]
    line: LineFit | None
    common_u_mm: float
    p_true: float
    p_flat: float | None

    @property
    def reads_true(self) -> bool:
        """Tell whether the errors are no larger than their uncertainty lets expect."""
        return self.p_true >= SIGNIFICANT

    @property
    def grows(self) -> bool:
        """Tell whether the error changes with size."""
        return self.p_flat is not None and self.p_flat < SIGNIFICANT

    def error_at(self, size_mm: float) -> tuple[float, float]:
        """Return the error at a size and its standard uncertainty, in mm."""
        if self.line is None:
            one = self.errors[0]
            return one.error_mm, math.hypot(one.u_mm, self.common_u_mm)
        value, u = self.line.at(size_mm)
        return value, math.hypot(u * _stretch(self.line), self.common_u_mm)


def _stretch(line: LineFit) -> float:
    """Return by how much points scatter beyond their stated uncertainties, at least 1 (the ratio of Birge, 1932)."""
    return max(1.0, line.s)


def gauge_error(
    nominal_mm: ArrayLike, reading_mm: ArrayLike, *, u_nominal_mm: ArrayLike, u_reading_mm: ArrayLike,
    common_u_mm: float = 0.0,
) -> GaugeError:  # fmt: skip
    """Return the errors of a gauge at known sizes.

    Args:
        nominal_mm: known sizes, shape (n,); several readings of one size are given as their mean.
        reading_mm: what the gauge read, shape (n,).
        u_nominal_mm: standard uncertainty of the sizes, shape (n,) or one number.
        u_reading_mm: standard uncertainty of the readings, shape (n,) or one number.
        common_u_mm: what is common to all sizes, such as the zero.

    Raises:
        InsufficientDataError: there is no size, or an uncertainty is zero.
        ValueError: shapes differ, or an uncertainty is negative or not finite.
    """
    sizes, readings = finite(nominal_mm, name="nominal_mm"), finite(reading_mm, name="reading_mm")
    if sizes.shape != readings.shape:
        raise ValueError(f"`nominal_mm` and `reading_mm` must have one shape, got {sizes.shape}, {readings.shape}")
    if sizes.size == 0:
        raise InsufficientDataError("a check needs at least one known size")
    parts = [_spread(v, sizes, name=n) for v, n in ((u_nominal_mm, "u_nominal_mm"), (u_reading_mm, "u_reading_mm"))]
    u, common = np.hypot(*parts), float(_spread(common_u_mm, sizes, name="common_u_mm")[0])
    if not (u > LEAST_U_MM).all():
        raise InsufficientDataError("a check needs the uncertainty of block or reading; state one above zero")
    errors = readings - sizes
    line = fit_line(sizes, errors, u=u, about=float(sizes.mean())) if np.unique(sizes).size > 1 else None
    p_flat = None if line is None else float(2 * stats.norm.sf(abs(line.slope) / (line.u_slope * _stretch(line))))
    listed = tuple(
        SizeError(nominal_mm=float(s), error_mm=float(e), u_mm=float(w))
        for s, e, w in zip(sizes, errors, u, strict=True)
    )
    p_true = float(stats.chi2.sf(_chi_square(errors, u, common), sizes.size))
    return GaugeError(errors=listed, line=line, common_u_mm=common, p_true=p_true, p_flat=p_flat)


def _spread(u_mm: ArrayLike, sizes: Floats, *, name: str) -> Floats:
    spread = np.asarray(u_mm, dtype=np.float64)
    if spread.shape not in {(), sizes.shape} or not (np.isfinite(spread).all() and (spread >= 0).all()):
        raise ValueError(f"`{name}` must be one number or one per size, finite and not below zero, got {u_mm!r}")
    return np.broadcast_to(spread, sizes.shape)


def _chi_square(errors: Floats, u: Floats, common: float) -> float:
    """Return e' C^-1 e for C = diag(u^2) + common^2, shape (n, n).

    By the formula of Sherman and Morrison, split at the weighted mean m so that nothing cancels:
    sum w (e - m)^2 + m^2 / (common^2 + 1 / sum w).
    """
    weights = u**-2.0
    total = math.fsum(weights)
    mean = math.fsum(weights * errors) / total
    return math.fsum(weights * (errors - mean) ** 2) + mean**2 / (common**2 + 1 / total)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hysteresis:
    """Largest difference between going up and coming down, where, and its standard uncertainty, in mm.

    Attributes:
        expected_mm: what the largest of so many differences reaches by the readings' own scatter alone, in 19 of 20
            runs (Bonferroni).
        differences_mm: down minus up at each size.
    """

    largest_mm: float
    at_mm: float
    u_mm: float
    expected_mm: float
    differences_mm: tuple[float, ...]

    @property
    def real(self) -> bool:
        """Tell whether the gauge has hysteresis beyond the scatter of its readings."""
        return self.largest_mm > self.expected_mm + LEAST_U_MM


def hysteresis(nominal_mm: ArrayLike, up_mm: ArrayLike, down_mm: ArrayLike, *, u_reading_mm: float) -> Hysteresis:
    """Return the hysteresis of a dial indicator run up and down the same sizes.

    Source: ISO 463, hysteresis: difference of indication at one point approached from both sides.

    Args:
        nominal_mm: the sizes, shape (n,).
        up_mm: readings with rising size, shape (n,).
        down_mm: readings with falling size, shape (n,).
        u_reading_mm: standard uncertainty of one reading.

    Raises:
        InsufficientDataError: there is no size.
        ValueError: shapes differ, or the uncertainty is negative or not finite.
    """
    sizes, up, down = (
        finite(v, name=n) for v, n in ((nominal_mm, "nominal_mm"), (up_mm, "up_mm"), (down_mm, "down_mm"))
    )
    if not sizes.shape == up.shape == down.shape:
        raise ValueError(f"sizes, up and down must have one shape, got {sizes.shape}, {up.shape}, {down.shape}")
    if sizes.size == 0:
        raise InsufficientDataError("hysteresis needs at least one size approached from both sides")
    u = float(_spread(u_reading_mm, sizes, name="u_reading_mm")[0]) * math.sqrt(2)
    off = down - up
    worst = int(np.argmax(np.abs(off)))
    expected = u * float(special.ndtri(1 - SIGNIFICANT / (2 * sizes.size)))
    return Hysteresis(largest_mm=float(abs(off[worst])), at_mm=float(sizes[worst]), u_mm=u, expected_mm=expected,
                      differences_mm=tuple(float(one) for one in off))  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Errors from check to check: the chart, whether the newest signals, and why in words."""

    chart: Individuals | None
    signals: bool
    words: str


def drift(errors_mm: ArrayLike, *, u_mm: float = 0.0) -> Drift:
    """Say whether the newest check stands apart from the earlier ones.

    Args:
        errors_mm: error at each check, shape (n,), oldest first; the limits come from all but the newest.
        u_mm: standard uncertainty of one check, its digit included, in mm; the limits are no nearer than three of it,
            for checks that all read the same digit do not make a gauge perfect.

    Raises:
        ValueError: the uncertainty is negative or not finite.
    """
    errors = finite(errors_mm, name="errors_mm")
    known = float(_spread(u_mm, np.zeros(1), name="u_mm")[0])
    newest = errors.size - 1
    if newest < FEWEST - 1:
        return _drift_of_few(errors, known)
    chart = individuals(errors, baseline=newest)
    reach = max(chart.upper - chart.centre, 3 * known)
    chart = replace(chart, lower=chart.centre - reach, upper=chart.centre + reach,
                    beyond=beyond_reach(errors, centre=chart.centre, reach=reach))  # fmt: skip
    if newest in chart.beyond:
        return Drift(chart=chart, signals=True, words="the newest check lies outside its limits: the gauge has moved")
    if run_on_one_side(errors, centre=chart.centre):
        return Drift(chart=chart, signals=True, words=f"the last {RUN} checks lie on one side: the gauge is drifting")
    return Drift(chart=chart, signals=False, words="steady")


def _drift_of_few(errors: Floats, u_mm: float) -> Drift:
    """Judge too few checks for limits of their own by the uncertainty of a check, where that is known."""
    earlier = errors.size - 1
    if earlier > 0 and u_mm > 0:
        away = abs(float(errors[-1]) - mean_and_sd(errors[:-1]).mean)
        if away > 3 * u_mm * math.sqrt(1 + 1 / earlier):
            words = "the newest check lies further from the earlier than its uncertainty explains: the gauge has moved"
            return Drift(chart=None, signals=True, words=words)
    many = "1 check" if errors.size == 1 else f"{errors.size} checks"
    return Drift(chart=None, signals=False, words=f"{many} so far; limits need four")
