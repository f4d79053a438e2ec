"""What many necks say together: rates with intervals, ways compared, and slots that drift as a blade wears.

The ends of one neck are not independent of each other: they share wire, glue, caul and hand. So an interval counts
necks that differ more than chance would have it as fewer ends, and a comparison deals out whole necks.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np
from scipy import special, stats

from logger.evaluation.charts import Individuals, individuals, run_on_one_side
from logger.evaluation.distribution import Distribution
from logger.evaluation.line_fit import fit_line
from logger.evaluation.statistics import Floats, finite

LEAST_NECKS: Final = 3
LEAST_ENDS: Final = 20
"""A rate is told from so many necks and ends on (common practice, no source)."""
BASELINE: Final = 20
"""So many first necks of a blade, or all of fewer, set the chart's limits (common practice, no source)."""
LEAST_FOR_DRIFT: Final = 5
"""So many necks make a line worth telling (common practice, no source)."""
MOST_DEALS: Final = 20_000
"""Ways to deal out necks that are all counted; beyond them so many are drawn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Of one neck: how many were bad of how many that were judged."""

    bad: int
    of: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """A share with its 95 % interval; ``effective`` is how many independent ends the interval counts."""

    bad: int
    of: int
    necks: int
    share: float
    low: float
    high: float
    effective: float

    @property
    def enough(self) -> bool:
        """Tell whether there are enough necks and ends to tell the rate."""
        return self.necks >= LEAST_NECKS and self.of >= LEAST_ENDS


def wilson(bad: float, of: float, *, coverage: float = 0.95) -> tuple[float, float]:
    """Return the score interval of a share.

    Source: Wilson, "Probable inference, the law of succession, and statistical inference", JASA 22 (1927), 209 to 212.

    Args:
        bad: how many, from 0 to ``of``; need not be whole.
        of: of how many independent ones, above 0.
        coverage: of the interval, above 0 and below 1.

    Raises:
        ValueError: a number is out of range.
    """
    if not (0 <= bad <= of and of > 0 and math.isfinite(of)):
        raise ValueError(f"`bad` must be from 0 to `of` and `of` above 0, got {bad!r} of {of!r}")
    if not 0 < coverage < 1:
        raise ValueError(f"`coverage` must be above 0 and below 1, got {coverage!r}")
    z = float(special.ndtri((1 + coverage) / 2))
    share = bad / of
    centre = (share + z * z / (2 * of)) / (1 + z * z / of)
    half = z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of)) / (1 + z * z / of)
    low = 0.0 if bad == 0 else max(0.0, centre - half)  # both are exact there, and rounding would leave a trace
    high = 1.0 if bad == of else min(1.0, centre + half)
    return low, high


def design_effect(tallies: Sequence[Tally]) -> float:
    """Return by how much necks that differ widen the variance of their common share; at least 1.

    The variance of a ratio between necks over that of independent ends. Source: Kish, "Survey Sampling" (1965), 6.3 and
    8.2, from memory.
    """
    of = sum(one.of for one in tallies)
    bad = sum(one.bad for one in tallies)
    necks = sum(one.of > 0 for one in tallies)
    if necks < 2 or bad in {0, of}:
        return 1.0
    share = bad / of
    between = math.fsum((one.bad - share * one.of) ** 2 for one in tallies) * necks / (necks - 1) / of**2
    return max(1.0, between / (share * (1 - share) / of))


def rate(tallies: Sequence[Tally]) -> Rate:
    """Return the common share of necks; its interval counts the ends by their design effect.

    Raises:
        ValueError: a tally does not hold, or nothing was judged.
    """
    if any(not 0 <= one.bad <= one.of for one in tallies):
        raise ValueError(f"`tallies` must have from 0 to `of` bad ones, got {tallies!r}")
    bad, of = sum(one.bad for one in tallies), sum(one.of for one in tallies)
    effective = of / design_effect(tallies)
    low, high = wilson(bad / of * effective if of else 0.0, effective)
    return Rate(bad=bad, of=of, necks=sum(one.of > 0 for one in tallies), share=bad / of, low=low, high=high,
                effective=effective)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """How likely so large a difference of two shares is by chance; ``least``: the smallest that so few necks allow."""

    difference: float
    p: float
    least: float


def compare(first: Sequence[Tally], second: Sequence[Tally], *, seed: int = 0) -> Comparison | None:
    """Return the permutation test of two ways by whole necks, or None where one way has no neck.

    Every way to deal the necks out is counted while there are at most `MOST_DEALS`; beyond them so many are drawn, and
    the deal that happened counts as one of them. Source: Fisher, "The Design of Experiments" (1935), 21; Phipson and
    Smyth, "Permutation p-values should never be zero" (2010).
    """
    own, others = [one for one in first if one.of], [one for one in second if one.of]
    if not own or not others:
        return None
    necks = own + others
    deals = math.comb(len(necks), len(own))
    bad, of = sum(one.bad for one in necks), sum(one.of for one in necks)
    parts = _all_deals(necks, len(own)) if deals <= MOST_DEALS else _drawn_deals(necks, len(own), seed)
    sizes = np.abs(_difference(*parts, bad, of))
    happened = _difference(sum(one.bad for one in own), sum(one.of for one in own), bad, of)
    reached = int((sizes >= abs(happened) - 1e-12).sum())
    p = reached / deals if deals <= MOST_DEALS else (reached + 1) / (MOST_DEALS + 1)
    return Comparison(difference=float(happened), p=p, least=1 / min(deals, MOST_DEALS + 1))


def _all_deals(necks: Sequence[Tally], size: int) -> tuple[Floats, Floats]:
    """Return bad and judged ends of one way, each of shape (deals,), for every deal of so many necks to it."""
    chosen = np.array(list(combinations(range(len(necks)), size)))
    bad, of = (np.array([getattr(one, name) for one in necks], dtype=np.float64) for name in ("bad", "of"))
    return bad[chosen].sum(axis=1), of[chosen].sum(axis=1)


def _drawn_deals(necks: Sequence[Tally], size: int, seed: int) -> tuple[Floats, Floats]:
    """Return the same for `MOST_DEALS` deals drawn by chance.

    Necks of the same tally are alike: how many of each are dealt to one way is multivariate hypergeometric, so that
    a thousand necks cost no more than their different tallies.
    """
    alike = Counter((one.bad, one.of) for one in necks)
    random = np.random.default_rng(seed)
    dealt = random.multivariate_hypergeometric(list(alike.values()), size, MOST_DEALS, method="marginals")
    bad, of = np.array(list(alike), dtype=np.float64).T
    return dealt @ bad, dealt @ of


def _difference(own_bad: Any, own_of: Any, bad: int, of: int) -> Any:
    """Return the share of one way less that of all others, for numbers or arrays of them."""
    return own_bad / own_of - (bad - own_bad) / (of - own_of)


def holm(chances: Sequence[float]) -> list[float]:
    """Return chances raised for how many comparisons were made, in their order.

    Source: Holm, "A simple sequentially rejective multiple test procedure" (1979).
    """
    order = sorted(range(len(chances)), key=lambda index: chances[index])
    raised, highest = [0.0] * len(chances), 0.0
    for rank, index in enumerate(order):
        highest = max(highest, min(1.0, (len(chances) - rank) * chances[index]))
        raised[index] = highest
    return raised


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """How the slots of a blade change from neck to neck, in mm per neck.

    Attributes:
        per_neck_mm: slope; negative narrows.
        expanded_u_mm: half its 95 % interval, by Student's t.
        p: how likely so steep a slope is by chance.
        chart: mean slot width of each neck, with limits from the first necks.
        run: whether the newest necks all lie on one side of the chart's centre.
    """

    necks: int
    per_neck_mm: float
    expanded_u_mm: float
    p: float
    chart: Individuals
    run: bool

    @property
    def moved(self) -> bool:
        """Tell whether the blade calls for a look now: its newest neck beyond the limits, or a run on one side.

        Older necks beyond the limits are left out: among many necks some lie there by chance.
        """
        return self.necks - 1 in self.chart.beyond or self.run


def kerf_drift(widths_mm: Sequence[float]) -> Drift | None:
    """Return the drift of a blade's kerf, or None from fewer than `LEAST_FOR_DRIFT` necks.

    Args:
        widths_mm: mean slot width of each neck in the order of cutting, shape (necks,).

    Raises:
        InsufficientDataError: a width is beyond anything measured.
        ValueError: a width is not finite.
    """
    widths = finite(widths_mm, name="widths_mm")
    if widths.size < LEAST_FOR_DRIFT:
        return None
    line = fit_line(np.arange(widths.size, dtype=np.float64), widths, about=(widths.size - 1) / 2)
    half = Distribution(scale_mm=line.u_slope, dof=line.dof).half_interval_mm() if line.u_slope else 0.0
    p = 2 * float(stats.t.sf(abs(line.slope) / line.u_slope, line.dof)) if line.u_slope else float(line.slope == 0)
    chart = individuals(widths, baseline=min(BASELINE, int(widths.size)))
    return Drift(necks=int(widths.size), per_neck_mm=line.slope, expanded_u_mm=half, p=p, chart=chart,
                 run=run_on_one_side(widths, centre=chart.centre))  # fmt: skip
