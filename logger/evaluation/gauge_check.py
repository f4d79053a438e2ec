"""Is a gauge true: its error at known sizes, whether it grows with size, hysteresis, and drift from check to check.

Lengths in mm; an error is what the gauge reads too much.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from logger.errors import InsufficientDataError
from logger.evaluation.charts import RUN, Individuals, individuals, run_on_one_side
from logger.evaluation.line_fit import LineFit, fit_line
from logger.evaluation.statistics import finite

SIGNIFICANT = 0.05
"""A slope or an error is called real when chance alone would make it in fewer cases than this."""


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
        stretch = math.sqrt(max(1.0, (self.line.chi_square or 0.0) / (self.line.n - 2))) if self.line.n > 2 else 1.0
        return value, math.hypot(u * stretch, self.common_u_mm)


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
        ValueError: shapes differ.
    """
    sizes, readings = finite(nominal_mm, name="nominal_mm"), finite(reading_mm, name="reading_mm")
    if sizes.shape != readings.shape:
        raise ValueError(f"`nominal_mm` and `reading_mm` must have one shape, got {sizes.shape}, {readings.shape}")
    if sizes.size == 0:
        raise InsufficientDataError("a check needs at least one known size")
    u = np.broadcast_to(np.hypot(np.asarray(u_nominal_mm, float), np.asarray(u_reading_mm, float)), sizes.shape)
    if not (u > 0).all():
        raise InsufficientDataError("a check needs the uncertainty of block or reading; state one above zero")
    errors = readings - sizes
    covariance = np.diag(u**2) + common_u_mm**2
    chi_square = float(errors @ np.linalg.solve(covariance, errors))
    line = fit_line(sizes, errors, u=u, about=float(sizes.mean())) if np.unique(sizes).size > 1 else None
    p_flat = None if line is None else float(2 * stats.norm.sf(abs(line.slope) / line.u_slope))
    listed = tuple(
        SizeError(nominal_mm=float(s), error_mm=float(e), u_mm=float(w)) for s, e, w in zip(sizes, errors, u, strict=True)
    )
    return GaugeError(errors=listed, line=line, common_u_mm=common_u_mm,
                      p_true=float(stats.chi2.sf(chi_square, sizes.size)), p_flat=p_flat)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Hysteresis:
    """Largest difference between going up and coming down, where, and its standard uncertainty, in mm."""

    largest_mm: float
    at_mm: float
    u_mm: float
    differences_mm: tuple[float, ...]


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
        ValueError: shapes differ.
    """
    sizes, up, down = (finite(v, name=n) for v, n in ((nominal_mm, "nominal_mm"), (up_mm, "up_mm"), (down_mm, "down_mm")))
    if not sizes.shape == up.shape == down.shape:
        raise ValueError(f"sizes, up and down must have one shape, got {sizes.shape}, {up.shape}, {down.shape}")
    if sizes.size == 0:
        raise InsufficientDataError("hysteresis needs at least one size approached from both sides")
    off = down - up
    worst = int(np.argmax(np.abs(off)))
    return Hysteresis(largest_mm=float(abs(off[worst])), at_mm=float(sizes[worst]), u_mm=u_reading_mm * math.sqrt(2),
                      differences_mm=tuple(float(one) for one in off))  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Errors from check to check: the chart, whether the newest signals, and why in words."""

    chart: Individuals | None
    signals: bool
    words: str


def drift(errors_mm: Sequence[float]) -> Drift:
    """Say whether the newest check stands apart from the earlier ones.

    Args:
        errors_mm: error at each check, oldest first; the limits come from all but the newest.
    """
    if len(errors_mm) < 4:
        return Drift(chart=None, signals=False, words=f"{len(errors_mm)} checks so far; limits need four")
    chart = individuals(errors_mm, baseline=len(errors_mm) - 1)
    if len(errors_mm) - 1 in chart.beyond:
        return Drift(chart=chart, signals=True, words="the newest check lies outside its limits: the gauge has moved")
    if run_on_one_side(errors_mm, centre=chart.centre):
        return Drift(chart=chart, signals=True, words=f"the last {RUN} checks lie on one side: the gauge is drifting")
    return Drift(chart=chart, signals=False, words="steady")
