"""What a decision rule costs: the chance of passing what is wrong and of failing what is right.

Source: JCGM 106:2012 9.3 (specific), 9.5 (global risks) for a normal process measured with a normal error.
A sharp gauge makes the integrand steep at the acceptance limits: the integral is cut there.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

from scipy import integrate, optimize, special

from logger.evaluation.conformity import Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecificRisk:
    """What one decision on one measured value risks.

    Attributes:
        consumer: chance that the value is outside, run by accepting it.
        producer: chance that the value is inside, run by rejecting it.
        value: best value, drawn towards the process where that is known.
        u: its standard uncertainty.
    """

    consumer: float
    producer: float
    value: float
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Risks:
    """Global risks: consumer's (wrong and accepted), producer's (right and rejected), share of the process within."""

    consumer: float
    producer: float
    conforming_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictRisks:
    """Global chances of our three verdicts going wrong: passed though outside, failed though inside, and undecided."""

    false_pass: float
    false_fail: float
    remeasure: float


def _bounds(lower: float | None, upper: float | None) -> tuple[float, float]:
    return -math.inf if lower is None else lower, math.inf if upper is None else upper


def _average(
    function: Callable[[float], float], low: float, high: float, mean: float, sd: float, kinks: list[float]
) -> float:
    """Return the integral of a function times the process density from ``low`` to ``high``."""
    low, high = max(low, mean - 12 * sd), min(high, mean + 12 * sd)
    if low >= high:
        return 0.0
    edges = sorted({low, high, *(kink for kink in kinks if low < kink < high)})

    def weighted(x: float) -> float:
        z = (x - mean) / sd
        return float(function(x)) * math.exp(-z * z / 2) / (sd * math.sqrt(2 * math.pi))

    return math.fsum(
        integrate.quad(weighted, a, b, epsabs=1e-12, epsrel=1e-10, limit=200)[0] for a, b in pairwise(edges)
    )


def global_risks(
    *, process_mean: float, process_sd: float, u: float, lower: float | None, upper: float | None,
    accept_lower: float | None, accept_upper: float | None,
) -> Risks:  # fmt: skip
    """Return the global risks of accepting what is measured within the acceptance limits.

    Args:
        process_mean: mean of what is made.
        process_sd: its standard deviation, above zero.
        u: standard uncertainty of measuring, above zero.
        lower: lower tolerance limit, or None.
        upper: upper tolerance limit, or None.
        accept_lower: lower acceptance limit, or None.
        accept_upper: upper acceptance limit, or None; below the lower one nothing is accepted.

    Raises:
        ValueError: a spread is not above zero, or the tolerance limits are the wrong way round.
    """
    _check(process_mean=process_mean, process_sd=process_sd, u=u)
    low, high = _bounds(lower, upper)
    if low > high:
        raise ValueError(f"`lower` must not be above `upper`, got {lower!r} and {upper!r}")
    inside = float(special.ndtr((high - process_mean) / process_sd) - special.ndtr((low - process_mean) / process_sd))
    a_low, a_high = _bounds(accept_lower, accept_upper)
    if a_low >= a_high:
        return Risks(consumer=0.0, producer=inside, conforming_share=inside)

    def accepted(x: float) -> float:
        return float(special.ndtr((a_high - x) / u) - special.ndtr((a_low - x) / u))

    def rejected(x: float) -> float:
        return float(special.ndtr((x - a_high) / u) + special.ndtr((a_low - x) / u))

    kinks = [k + step * u for k in (a_low, a_high) if math.isfinite(k) for step in (-8, -3, 0, 3, 8)]
    refused = _average(rejected, low, high, process_mean, process_sd, kinks)
    wrong = sum(
        _average(accepted, a, b, process_mean, process_sd, kinks) for a, b in ((-math.inf, low), (high, math.inf))
    )
    return Risks(consumer=wrong, producer=refused, conforming_share=inside)


def specific_risk(
    *, value: float, u: float, lower: float | None, upper: float | None, process_mean: float = 0.0,
    process_sd: float = math.inf,
) -> SpecificRisk:  # fmt: skip
    """Return what accepting or rejecting one measured value risks.

    Source: JCGM 106:2012 9.3, from the conformance probability of its clause 7. With a process the value is the
    product of two normal densities: weights 1/u^2 and 1/process_sd^2.

    Args:
        value: what was measured.
        u: its standard uncertainty, above zero.
        lower: lower tolerance limit, or None.
        upper: upper tolerance limit, or None.
        process_mean: mean of what is made.
        process_sd: its standard deviation; infinite when nothing is known of the process.

    Raises:
        ValueError: a spread is not above zero, or a value is not finite.
    """
    _check(value=value, process_mean=process_mean, u=u)
    if not process_sd > 0:
        raise ValueError(f"`process_sd` must be above zero, got {process_sd!r}")
    share = 1 / (1 + (u / process_sd) ** 2)
    best, spread = process_mean + share * (value - process_mean), u * math.sqrt(share)
    low, high = _bounds(lower, upper)
    outside = float(special.ndtr((low - best) / spread) + special.ndtr((best - high) / spread))
    inside = float(special.ndtr((high - best) / spread) - special.ndtr((low - best) / spread))
    return SpecificRisk(consumer=outside, producer=inside, value=best, u=spread)


def _check(*, u: float, process_sd: float = 1.0, **values: float) -> None:
    if not (0 < u < math.inf and 0 < process_sd < math.inf):
        raise ValueError(f"`u` and `process_sd` must be finite and above zero, got {u!r} and {process_sd!r}")
    for name, value in values.items():
        if not math.isfinite(value):
            raise ValueError(f"`{name}` must be finite, got {value!r}")


def verdict_risks(*, process_mean: float, process_sd: float, u: float, limits: Limits) -> VerdictRisks:
    """Return how often our verdicts go wrong over a process, for a normal error of measuring.

    The readings that pass are those with a probability of conforming of at least ``p_pass``; the readings that do
    not fail are those with more than ``p_fail``.

    Raises:
        ValueError: a spread is not above zero, or a value is not finite.
    """
    _check(process_mean=process_mean, process_sd=process_sd, u=u)
    passing = _readings_with(limits, u, limits.p_pass)
    standing = _readings_with(limits, u, limits.p_fail)

    def accepting(window: tuple[float | None, float | None]) -> Risks:
        return global_risks(
            process_mean=process_mean, process_sd=process_sd, u=u, lower=limits.lower_mm, upper=limits.upper_mm,
            accept_lower=window[0], accept_upper=window[1],
        )  # fmt: skip

    def accepted(risks: Risks) -> float:
        return risks.conforming_share - risks.producer + risks.consumer

    nothing = (0.0, 0.0)
    passed, stood = (accepting(nothing if window is None else window) for window in (passing, standing))
    undecided = max(0.0, accepted(stood) - accepted(passed))
    return VerdictRisks(false_pass=passed.consumer, false_fail=stood.producer, remeasure=undecided)


def _readings_with(limits: Limits, u: float, p: float) -> tuple[float | None, float | None] | None:
    """Return the readings whose probability of conforming is at least ``p``; None when there are none."""
    low, high = _bounds(limits.lower_mm, limits.upper_mm)

    def conforms(y: float) -> float:
        return float(special.ndtr((high - y) / u) - special.ndtr((low - y) / u))

    z = float(special.ndtri(p))
    if limits.lower_mm is None:
        return None, high - z * u
    if limits.upper_mm is None:
        return low + z * u, None
    middle = (low + high) / 2
    if conforms(middle) < p:
        return None
    edge = float(optimize.brentq(lambda y: conforms(y) - p, middle, high + 40 * u, xtol=1e-12))
    return low + high - edge, edge


def guard_band(limits: Limits, *, expanded_u: float, share: float) -> Limits:
    """Return acceptance limits moved inward by ``share`` of the expanded uncertainty (outward when negative).

    Source: JCGM 106:2012 8.3.2, w = r U.
    """
    inward = share * expanded_u
    return Limits(
        lower_mm=None if limits.lower_mm is None else limits.lower_mm + inward,
        upper_mm=None if limits.upper_mm is None else limits.upper_mm - inward,
        p_pass=limits.p_pass, p_fail=limits.p_fail,
    )  # fmt: skip
