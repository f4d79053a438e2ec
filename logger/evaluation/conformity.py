"""Judge a value against limits: pass, fail, or measure again.

Source: JCGM 106:2012 7 (probability of conforming) and 8 (decision rules by probability).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from logger.evaluation.distribution import Distribution
from logger.evaluation.estimate import Estimate

Verdict = Literal["pass", "fail", "remeasure"]
AT_LIMIT_MM: Final = 1e-9
"""A value this near a limit lies on it and conforms: far below a nanometre, above the rounding of doubles."""
MOST_REPEATS: Final = 1000
"""More readings of one feature than this nobody takes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Process:
    """How the true values of one check scatter in a shop: mean and standard deviation in mm, taken as normal."""

    mean_mm: float
    sd_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The tolerance of one check and the two probabilities that decide.

    Attributes:
        lower_mm: lower limit in mm, or None.
        upper_mm: upper limit in mm, or None.
        p_pass: pass at this probability of conforming or above.
        p_fail: fail at this probability of conforming or below.
        process: how the true values of such frets scatter where that is stated; it decides nothing.
    """

    lower_mm: float | None = None
    upper_mm: float | None = None
    p_pass: float = 0.95
    p_fail: float = 0.05
    process: Process | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What was decided about an estimate.

    Attributes:
        p: probability of conforming, or None when no uncertainty is known.
        expanded_u_mm: half-width in mm of the 95 % interval, or None; from the same distribution as ``p``.
        repeats_to_settle: how many more readings of each feature would decide, if their mean stays: 0 when decided
            already, None when no number would (a better gauge or finer leaves are needed) or nothing is known.
    """

    estimate: Estimate
    p: float | None
    expanded_u_mm: float | None
    verdict: Verdict
    repeats_to_settle: int | None = 0


def p_conform(estimate: Estimate, limits: Limits) -> float | None:
    """Return the probability that the true value lies within the limits; None when no uncertainty is known."""
    return _p_within(estimate, estimate.distribution(), limits) if estimate.known else None


def _p_within(estimate: Estimate, distribution: Distribution, limits: Limits) -> float:
    below = None if limits.lower_mm is None else limits.lower_mm - estimate.value_mm - AT_LIMIT_MM
    above = None if limits.upper_mm is None else limits.upper_mm - estimate.value_mm + AT_LIMIT_MM
    return distribution.within(below, above)


def decide(p: float | None, limits: Limits) -> Verdict:
    """Return the verdict for a probability of conforming."""
    if p is None or math.isnan(p):
        return "remeasure"
    if p >= limits.p_pass:
        return "pass"
    return "fail" if p <= limits.p_fail else "remeasure"


def judge(estimate: Estimate, limits: Limits) -> Judgement:
    """Judge one estimate against its limits."""
    return judge_each(estimate, [limits])[0]


def judge_each(estimate: Estimate, several: Sequence[Limits]) -> list[Judgement]:
    """Judge one estimate against the limits of several checks."""
    distribution = estimate.distribution() if estimate.known else None
    expanded = None if distribution is None else distribution.half_interval_mm()
    found = []
    for limits in several:
        p = None if distribution is None else _p_within(estimate, distribution, limits)
        verdict = decide(p, limits)
        more = repeats_to_settle(estimate, limits) if verdict == "remeasure" else 0
        found.append(Judgement(estimate=estimate, p=p, expanded_u_mm=expanded, verdict=verdict, repeats_to_settle=more))
    return found


def repeats_to_settle(estimate: Estimate, limits: Limits) -> int | None:
    """Return how many more readings of each feature would give a verdict if their mean stays where it is.

    The degrees of freedom are kept as they are, which errs on the side of more readings.

    Returns:
        0 when there is a verdict already; None when no number up to `MOST_REPEATS` gives one.
    """

    def settled(more: int) -> bool:
        return decide(p_conform(estimate.with_more_readings(more), limits), limits) != "remeasure"

    if not estimate.known or not settled(MOST_REPEATS):
        return None
    low, high = -1, MOST_REPEATS
    step = 1
    while low + step < high and not settled(low + step):
        low += step
        step *= 2
    high = min(high, low + step)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if settled(middle) else (middle, high)
    return high


def judge_magnitude(estimate: Estimate, limits: Limits) -> Judgement:
    """Judge the size of a signed difference in mm: it conforms between minus and plus the upper limit."""
    return judge(estimate, both_sides(limits))


def both_sides(limits: Limits) -> Limits:
    """Return the limits of a signed difference whose size has an upper limit."""
    return replace(limits, lower_mm=None if limits.upper_mm is None else -limits.upper_mm)


def least_conforming(judgements: list[Judgement]) -> Judgement:
    """Return the judgement with the least probability of conforming; unknown ones only when there is no other."""
    return min(
        judgements, key=lambda one: (one.p is None, 1.0 if one.p is None else one.p, -abs(one.estimate.value_mm))
    )
