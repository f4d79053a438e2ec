"""A whole coil of wire: how it varies along a coil and from coil to coil, and which wires can never fit.

Lengths in mm. Source: one-way random effects by analysis of variance (ragged groups); tolerance interval after Howe
1969 (JASA 64), exact to about 1 in 300 for one coil, with the upper confidence bound of a sum of variances after
Graybill and Wang 1980 (JASA 75); effective degrees of freedom alone hold it in 81 to 91 of 100 cases.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from logger.errors import InsufficientDataError
from logger.evaluation.conformity import AT_LIMIT_MM, Limits

CONTENT: Final = 0.95
"""Share of the wire that a tolerance interval holds, and the confidence that it does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Coils:
    """One size of a wire over one or more coils.

    Attributes:
        mean_mm: mean of all readings.
        u_mean_mm: its standard uncertainty as the mean of the wire.
        sd_along_mm: spread along a coil, measuring included.
        sd_between_mm: spread from coil to coil, floored at zero; None with one coil.
        low_mm: lower end of the tolerance interval for the next piece.
        high_mm: its upper end; with one coil, of that coil only.
        readings: how many readings.
        coils: how many coils.
    """

    mean_mm: float
    u_mean_mm: float
    sd_along_mm: float
    sd_between_mm: float | None
    low_mm: float
    high_mm: float
    readings: int
    coils: int

    @property
    def sd_mm(self) -> float:
        """Spread of the next piece: along and between coils together."""
        return math.hypot(self.sd_along_mm, self.sd_between_mm or 0.0)


def coils_of(groups: Sequence[Sequence[float]], *, digit_mm: float = 0.0) -> Coils:
    """Return what readings along one or more coils tell.

    Args:
        groups: readings in mm, coil by coil; empty coils are left out.
        digit_mm: the gauge's digit: a spread that it hides is taken as a rectangle of one digit.

    Raises:
        InsufficientDataError: no coil was measured twice.
    """
    kept = [np.asarray(group, dtype=float) for group in groups if len(group)]
    count = np.array([group.size for group in kept])
    readings, coils = int(count.sum()), len(kept)
    if readings - coils < 1:
        raise InsufficientDataError("measure the wire at several spots of a coil; one spot tells nothing of its spread")
    means = np.array([group.mean() for group in kept])
    within = sum(float(((group - group.mean()) ** 2).sum()) for group in kept) / (readings - coils)
    within = max(within, digit_mm**2 / 12)
    mean = float(sum(group.sum() for group in kept) / readings)
    if coils == 1:
        return _coils(mean, [(within, readings - 1)], None, within / readings, readings, coils)
    between = float((count * (means - mean) ** 2).sum()) / (coils - 1)
    n0 = (readings - float((count**2).sum()) / readings) / (coils - 1)
    parts = [((1 - 1 / n0) * within, readings - coils), (between / n0, coils - 1)]
    apart = math.sqrt(max(0.0, (between - within) / n0))
    return _coils(mean, parts, apart, max(between, within) / readings, readings, coils, within=within)


def _coils(
    mean: float, parts: Sequence[tuple[float, int]], apart: float | None, of_mean: float, readings: int, coils: int, *,
    within: float | None = None,
) -> Coils:  # fmt: skip
    whole = math.fsum(variance for variance, _ in parts)
    n = whole / of_mean if of_mean else float(readings)
    half = float(stats.norm.ppf((1 + CONTENT) / 2)) * math.sqrt((1 + 1 / n) * upper_variance(parts))
    return Coils(
        mean_mm=mean, u_mean_mm=math.sqrt(of_mean), sd_along_mm=math.sqrt(parts[0][0] if within is None else within),
        sd_between_mm=apart, low_mm=mean - half, high_mm=mean + half, readings=readings, coils=coils,
    )  # fmt: skip


def upper_variance(parts: Sequence[tuple[float, int]], *, confidence: float = CONTENT) -> float:
    """Return an upper bound of a sum of independent variances, each estimated with its own degrees of freedom."""
    reach = [(dof / float(stats.chi2.ppf(1 - confidence, dof)) - 1) * variance for variance, dof in parts]
    return math.fsum(variance for variance, _ in parts) + math.hypot(*reach)


# -- slots that suit a wire ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Slot widths at which clearance and bite both hold; none where ``low_mm`` is above ``high_mm``.

    Attributes:
        low_mm: narrowest slot, minus infinity without a limit.
        high_mm: widest slot, plus infinity without a limit.
        spread_low_mm: least span over the barbs minus tang with which any slot can fit.
        spread_high_mm: the largest.
    """

    low_mm: float
    high_mm: float
    spread_low_mm: float
    spread_high_mm: float

    @property
    def never(self) -> bool:
        """Tell whether no slot fits the wire, however it is cut."""
        return self.low_mm > self.high_mm + AT_LIMIT_MM


def slot_window(tang_mm: float, span_mm: float, clearance: Limits, bite: Limits) -> Window:
    """Return which slots fit a wire.

    Source: clearance = slot - tang and bite = (span - slot)/2 within their limits at once.

    Args:
        tang_mm: tang thickness.
        span_mm: span over the barbs.
        clearance: limits of ``tang_clearance``.
        bite: limits of ``barb_bite``, per side.
    """
    c_low, c_high = _ends(clearance)
    b_low, b_high = _ends(bite)
    return Window(
        low_mm=max(tang_mm + c_low, span_mm - 2 * b_high), high_mm=min(tang_mm + c_high, span_mm - 2 * b_low),
        spread_low_mm=2 * b_low + c_low, spread_high_mm=2 * b_high + c_high,
    )  # fmt: skip


def _ends(limits: Limits) -> tuple[float, float]:
    return (
        -math.inf if limits.lower_mm is None else limits.lower_mm,
        math.inf if limits.upper_mm is None else limits.upper_mm,
    )
