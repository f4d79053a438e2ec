"""What evaluation gets to see of a reading, and how repeats of one feature become one estimate.

Source: JCGM 100:2008 4.2 (type A), 4.3.7 and F.2.2.1 (digit and bracket as rectangles).
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from logger.evaluation.estimate import Cause, Estimate, combine, rectangular


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class FeatureKey:
    """What was measured; the place is None where none applies, the feet only for steps and gaps."""

    kind: str
    fret: int | None = None
    place: str | None = None
    feet: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One reading as evaluation needs it; every length is in mm.

    Attributes:
        value_mm: the reading; for a bracket its middle.
        low_mm: the largest leaf that went in, or None.
        high_mm: the smallest leaf that did not, or None.
        gauge: the gauge's name, empty when unnamed.
        round: readings of one gauge and round share one zero error.
        resolution_mm: the gauge's digit, or None when not stated.
        u_mm: standard uncertainty of one reading without the digit, independent between repeats, or None.
        zero_u_mm: standard uncertainty of the zero, common to a round.
        span_mm: distance of the feet, where the kind needs it.
    """

    key: FeatureKey
    value_mm: float
    low_mm: float | None = None
    high_mm: float | None = None
    gauge: str = ""
    round: str = ""
    resolution_mm: float | None = None
    u_mm: float | None = None
    zero_u_mm: float = 0.0
    span_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Pooled standard deviation of one reading in mm and its degrees of freedom (0: nothing repeated)."""

    s_mm: float = 0.0
    dof: int = 0


@dataclass(slots=True)
class _Sums:
    squares: float = 0.0
    dof: int = 0


def pooled_spread(observations: Iterable[Observation]) -> dict[tuple[str, str], Spread]:
    """Return the spread of repeats, pooled by gauge and kind, from readings without a stated uncertainty.

    Source: ISO/IEC Guide 98-3 (JCGM 100:2008) 4.2.4 and H.3.6: pooled variance = sum of squares / sum of dof.
    """
    repeats: defaultdict[tuple[str, FeatureKey], list[float]] = defaultdict(list)
    for one in observations:
        if one.u_mm is None and one.low_mm is None:
            repeats[one.gauge, one.key].append(one.value_mm)
    sums: defaultdict[tuple[str, str], _Sums] = defaultdict(_Sums)
    for (gauge, key), values in repeats.items():
        pool = sums[gauge, key.kind]
        pool.squares += float(np.var(values) * len(values))
        pool.dof += len(values) - 1
    return {
        pool: Spread(s_mm=math.sqrt(total.squares / total.dof) if total.dof else 0.0, dof=total.dof)
        for pool, total in sums.items()
    }


def estimate_features(observations: Iterable[Observation]) -> dict[FeatureKey, Estimate]:
    """Return one estimate per feature from all its readings."""
    by_key: defaultdict[FeatureKey, list[Observation]] = defaultdict(list)
    kept = list(observations)
    for one in kept:
        by_key[one.key].append(one)
    spreads = pooled_spread(kept)
    return {key: estimate_feature(readings, spreads) for key, readings in by_key.items()}


def estimate_feature(
    readings: Sequence[Observation], spreads: Mapping[tuple[str, str], Spread] | None = None
) -> Estimate:
    """Return the estimate of one feature from its readings, gauges weighted by what they know.

    Args:
        readings: all readings of one feature, at least one.
        spreads: pooled spread by gauge and kind for readings without a stated uncertainty.
    """
    groups: defaultdict[tuple[str, bool], list[Observation]] = defaultdict(list)
    for one in readings:
        groups[one.gauge, one.low_mm is not None].append(one)
    parts = [
        _from_brackets(group) if bracket else _from_values(group, (spreads or {}).get((gauge, group[0].key.kind)))
        for (gauge, bracket), group in groups.items()
    ]
    return parts[0] if len(parts) == 1 else _weighted(parts)


def _weighted(parts: list[Estimate]) -> Estimate:
    """Weight estimates of one feature by inverse variance; those without a known uncertainty give way."""
    known = [part for part in parts if part.known] or parts
    exact = [part for part in known if part.u_mm == 0]
    chosen = exact or known
    weights = [1.0 if exact or not part.known else part.u_mm**-2 for part in chosen]
    total = math.fsum(weights)
    mean = combine((weight / total, part) for weight, part in zip(weights, chosen, strict=True))
    return Estimate(
        value_mm=mean.value_mm, terms=mean.terms, known=mean.known, repeats=sum(part.repeats for part in chosen)
    )


def _identity(key: FeatureKey) -> str:
    return f"{key.kind}:{key.fret}:{key.place}:{key.feet}"


def _from_values(group: list[Observation], spread: Spread | None) -> Estimate:
    count, key, gauge = len(group), group[0].key, group[0].gauge
    causes = _Causes()
    known = causes.add_repeatability(group, spread)
    digit = max((one.resolution_mm or 0.0) for one in group)
    if digit:
        causes.add(rectangular(f"digit:{gauge}:{_identity(key)}", "digit of the gauge", digit / 2))
    known = known and not (spread is not None and spread.s_mm == 0 and not digit and _unstated(group))
    for one in group:
        causes.add_zero(one, 1 / count)
    value = math.fsum(one.value_mm for one in group) / count
    return Estimate(value_mm=value, terms=causes.terms(), known=known, repeats=count)


def _unstated(group: list[Observation]) -> bool:
    return any(one.u_mm is None for one in group)


def _from_brackets(group: list[Observation]) -> Estimate:
    """Return the estimate from leaf brackets: the part common to all; if there is none, the whole reach.

    Source: JCGM 100:2008 4.3.7, rectangle between the two leaves.
    """
    lows = [one.low_mm if one.low_mm is not None else one.value_mm for one in group]
    highs = [one.high_mm if one.high_mm is not None else one.value_mm for one in group]
    low, high = max(lows), min(highs)
    if low > high:
        low, high = min(lows), max(highs)
    causes = _Causes()
    name = f"bracket:{group[0].gauge}:{_identity(group[0].key)}"
    causes.add(rectangular(name, "between two leaves", (high - low) / 2, bracket=True))
    for one in group:
        causes.add_zero(one, 1 / len(group))
        if one.u_mm:
            causes.add(Cause(name=f"{name}:u", words="the leaves themselves", u_mm=one.u_mm), 1 / len(group))
    return Estimate(value_mm=(low + high) / 2, terms=causes.terms(), repeats=len(group))


@dataclass(slots=True)
class _Causes:
    weights: dict[str, tuple[Cause, float]] = field(default_factory=dict)

    def add(self, cause: Cause, weight: float = 1.0) -> None:
        before = self.weights.get(cause.name, (cause, 0.0))[1]
        self.weights[cause.name] = (cause, before + weight)

    def add_zero(self, one: Observation, weight: float) -> None:
        if one.zero_u_mm:
            words = f"zero of {one.gauge}" if one.gauge else "zero of the gauge"
            self.add(Cause(name=f"zero:{one.gauge}:{one.round}", words=words, u_mm=one.zero_u_mm), weight)

    def add_repeatability(self, group: list[Observation], spread: Spread | None) -> bool:
        """Add type A; return whether its size is known."""
        count = len(group)
        stated = math.sqrt(math.fsum((one.u_mm or 0.0) ** 2 for one in group)) / count
        own = sum(one.u_mm is None for one in group)
        name = f"repeat:{group[0].gauge}:{_identity(group[0].key)}"
        if stated:
            self.add(Cause(name=name, words="repeatability", u_mm=stated))
        if not own:
            return True
        if spread is None or spread.dof == 0:
            return False
        u_mm = spread.s_mm * math.sqrt(own) / count
        pool = f"spread:{group[0].gauge}:{group[0].key.kind}"
        self.add(Cause(name=f"{name}:s", words="spread of repeats", u_mm=u_mm, dof=spread.dof, pool=pool))
        return True

    def terms(self) -> tuple[tuple[Cause, float], ...]:
        return tuple(self.weights.values())
