"""What evaluation gets to see of a reading, and how repeats of one feature become one estimate.

Source: JCGM 100:2008 4.2 (type A), 4.3.7 and F.2.2.1 (digit and bracket as rectangles).
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from scipy import special

from logger.evaluation.estimate import Cause, Estimate, combine, rectangular
from logger.evaluation.rounded import Pattern, fits, pattern_of, rounded_mean

REFERENCE_C: Final = 20.0
"""Temperature at which lengths are stated. Source: ISO 1."""
EXPANSION_PER_K: Final = 11.5e-6
"""Linear expansion of steel; at a millimetre and 5 K it is 0.06 um, negligible, and the budget says so."""
CONTRADICTS: Final = 1e-6
"""Repeats that scatter as far as this by chance alone contradict the stated repeatability: their own spread counts."""
_OFF_DIGIT: Final = 0.02
"""How far off whole digits readings may be stored and still count as rounded to the digit."""


class _Hashed:
    """Room for the hash of a key beside its fields, so that it is neither compared nor sent to another process."""

    __slots__ = ("_hash",)
    _hash: int


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class FeatureKey(_Hashed):
    """What was measured; the place is None where none applies, the feet only for steps and gaps.

    ``round`` is the traverse for heights under a beam, and the round for the fixture's zero, which mean nothing across
    two of them; else it is empty.
    """

    kind: str
    fret: int | None = None
    place: str | None = None
    feet: tuple[int, int] | None = None
    round: str = ""

    def __hash__(self) -> int:
        try:
            return self._hash
        except AttributeError:  # asked for the first time
            found = hash((self.kind, self.fret, self.place, self.feet, self.round))
            object.__setattr__(self, "_hash", found)
            return found


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
        u_dof: degrees of freedom behind ``u_mm``, from the study it came from.
        bias_mm: what the gauge reads too much at this size, subtracted.
        bias_u_mm: standard uncertainty of the bias, common to all readings with the same gauge and faces.
        bias_slope_u: standard uncertainty of how the bias grows with size, in mm per mm, common likewise.
        bias_away_mm: distance from the size about which the bias grows.
        zero_drift_mm: how far the zero moved between the zero checks before and after the round.
        bow_u_mm: standard uncertainty of the bow of a straightedge or beam, in its middle.
        faces: which faces of the gauge touched, empty when it has only one pair.
        temperature_c: temperature of the workshop, or None when not known.
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
    u_dof: float = math.inf
    bias_mm: float = 0.0
    bias_u_mm: float = 0.0
    bias_slope_u: float = 0.0
    bias_away_mm: float = 0.0
    zero_drift_mm: float = 0.0
    bow_u_mm: float = 0.0
    faces: str = ""
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Pooled standard deviation of one reading in mm and its degrees of freedom (0: nothing repeated).

    ``patterns`` holds the repeats in whole digits where the digit hides the spread, else it is empty.
    """

    s_mm: float = 0.0
    dof: int = 0
    patterns: tuple[Pattern, ...] = ()


@dataclass(slots=True)
class _Sums:
    squares: float = 0.0
    dof: int = 0
    digits_mm: set[float] = field(default_factory=set)
    patterns: list[Pattern | None] = field(default_factory=list)

    def add(self, group: list[Observation]) -> None:
        values = [one.value_mm for one in group]
        mean = math.fsum(values) / len(values)
        self.squares += math.fsum((value - mean) ** 2 for value in values)
        self.dof += len(values) - 1
        self.digits_mm |= {one.resolution_mm or 0.0 for one in group}
        self.patterns.append(_in_digits(values, max(self.digits_mm)))

    def spread(self) -> Spread:
        s_mm = math.sqrt(self.squares / self.dof) if self.dof else 0.0
        hidden = self.dof > 0 and len(self.digits_mm) == 1 and s_mm < max(self.digits_mm)
        whole = [pattern for pattern in self.patterns if pattern is not None]
        patterns = tuple(whole) if hidden and len(whole) == len(self.patterns) else ()
        return Spread(s_mm=s_mm, dof=self.dof, patterns=patterns)


def _in_digits(values_mm: Sequence[float], digit_mm: float) -> Pattern | None:
    """Return readings as a pattern of whole digits; None where they do not stand on the digits or spread too far."""
    if digit_mm <= 0:
        return None
    least = min(values_mm)
    steps = [(value - least) / digit_mm for value in values_mm]
    if any(abs(step - round(step)) > _OFF_DIGIT for step in steps):
        return None
    pattern = pattern_of(round(step) for step in steps)
    return pattern if fits(pattern) else None


def pooled_spread(observations: Iterable[Observation]) -> dict[tuple[str, str], Spread]:
    """Return the spread of repeats, pooled by gauge and kind, from readings without a stated uncertainty.

    Source: ISO/IEC Guide 98-3 (JCGM 100:2008) 4.2.4 and H.3.6: pooled variance = sum of squares / sum of dof.
    """
    repeats: defaultdict[tuple[str, FeatureKey], list[Observation]] = defaultdict(list)
    for one in observations:
        if one.u_mm is None and one.low_mm is None:
            repeats[one.gauge, one.key].append(one)
    sums: defaultdict[tuple[str, str], _Sums] = defaultdict(_Sums)
    for (gauge, key), group in repeats.items():
        sums[gauge, key.kind].add(group)
    return {pool: total.spread() for pool, total in sums.items()}


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
    return f"{key.kind}:{key.fret}:{key.place}:{key.feet}:{key.round}"


def _called(key: FeatureKey) -> str:
    """Return what a budget calls a feature: ``slot depth, fret 5 bass`` or ``tang thickness``."""
    where = " ".join(str(part) for part in ("fret", key.fret, key.place) if part is not None)
    kind = key.kind.replace("_", " ")
    return kind if key.fret is None else f"{kind}, {where}"


def _from_values(group: list[Observation], spread: Spread | None) -> Estimate:
    count, key, gauge = len(group), group[0].key, group[0].gauge
    causes = _Causes()
    digit = max((one.resolution_mm or 0.0) for one in group)
    value = math.fsum(one.value_mm - one.bias_mm for one in group) / count
    pattern = _in_digits([one.value_mm for one in group], digit) if spread is not None and spread.patterns else None
    if pattern is not None and spread is not None and all(one.u_mm is None for one in group):
        least = min(one.value_mm - one.bias_mm for one in group)
        value = least + causes.add_rounded(group, pattern, spread, digit)
        known = True
    else:
        known = causes.add_repeatability(group, spread)
        if digit:
            causes.add(rectangular(f"digit:{gauge}:{_identity(key)}", f"digit of the gauge, {_called(key)}", digit / 2))
        known = known and not (spread is not None and spread.s_mm == 0 and not digit and _unstated(group))
    for one in group:
        causes.add_common(one, 1 / count)
    return Estimate(value_mm=value, terms=causes.terms(), known=known, repeats=count)


def contradicts(group: Sequence[Observation]) -> bool:
    """Tell whether one gauge's repeats of one feature scatter beyond doubt more than its stated repeatability.

    Source: chi-square test of a variance, F test where the repeatability comes from a study; at `CONTRADICTS`.
    """
    if len(group) < 2 or any(one.u_mm is None or one.low_mm is not None for one in group):
        return False
    values = [one.value_mm for one in group]
    mean = math.fsum(values) / len(values)
    squares = math.fsum((value - mean) ** 2 for value in values)
    variance = max((one.u_mm or 0.0) ** 2 + (one.resolution_mm or 0.0) ** 2 / 12 for one in group)
    if variance == 0 or squares <= (1e-9 * max(abs(mean), 1.0)) ** 2:
        return False  # exact readings, stated to be so
    known, dof = min(one.u_dof for one in group), len(group) - 1
    if math.isinf(known):
        return float(special.chdtrc(dof, squares / variance)) < CONTRADICTS
    return float(special.fdtrc(dof, known, squares / dof / variance)) < CONTRADICTS


def contradicting(observations: Iterable[Observation]) -> list[FeatureKey]:
    """Return the features whose repeats contradict what their gauge is stated to be worth."""
    groups: defaultdict[tuple[FeatureKey, str], list[Observation]] = defaultdict(list)
    for one in observations:
        groups[one.key, one.gauge].append(one)
    return [key for (key, _), group in groups.items() if contradicts(group)]


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
    causes.add(rectangular(name, f"between two leaves, {_called(group[0].key)}", (high - low) / 2, bracket=True))
    for one in group:
        causes.add_common(one, 1 / len(group))
        if one.u_mm:
            causes.add(Cause(name=f"{name}:u", words="the leaves themselves", u_mm=one.u_mm), 1 / len(group))
    bias = math.fsum(one.bias_mm for one in group) / len(group)
    return Estimate(value_mm=(low + high) / 2 - bias, terms=causes.terms(), repeats=len(group))


@dataclass(slots=True)
class _Causes:
    weights: dict[str, tuple[Cause, float]] = field(default_factory=dict)

    def add(self, cause: Cause, weight: float = 1.0) -> None:
        before = self.weights.get(cause.name, (cause, 0.0))[1]
        self.weights[cause.name] = (cause, before + weight)

    def add_common(self, one: Observation, weight: float) -> None:
        """Add what readings share: the zero of a gauge in a round, the bias of its faces, the workshop's warmth."""
        gauge = one.gauge or "the gauge"
        if one.zero_u_mm:
            cause = Cause(name=f"zero:{one.gauge}\n{one.round}", words=f"zero of {gauge}", u_mm=one.zero_u_mm)
            self.add(cause, weight)
        if one.bow_u_mm:  # its weight belongs to where along the edge the reading is: see `sweep`
            self.add(Cause(name=f"bow:{one.gauge}", words=f"bow of {gauge}", u_mm=one.bow_u_mm), weight)
        if one.bias_u_mm:
            name = f"bias:{one.gauge}:{one.faces}"
            self.add(Cause(name=name, words=f"known error of {gauge}", u_mm=one.bias_u_mm), weight)
        if one.bias_slope_u and one.bias_away_mm:  # u of a millimetre of distance, and the distance as sensitivity
            name, words = f"bias slope:{one.gauge}:{one.faces}", f"known error of {gauge}, growing with size"
            self.add(Cause(name=name, words=words, u_mm=one.bias_slope_u), weight * one.bias_away_mm)
        if one.zero_drift_mm:  # at different times within the round, so that it cancels in no difference
            name = f"drift:{one.gauge}:{one.round}:{_identity(one.key)}"
            self.add(rectangular(name, f"zero of {gauge} on its way", one.zero_drift_mm), weight)
        if one.temperature_c is not None and one.value_mm:
            grown_mm = one.value_mm * EXPANSION_PER_K * (one.temperature_c - REFERENCE_C)
            cause = rectangular(f"warmth:{one.round}", "temperature off 20 °C", abs(grown_mm))
            self.add(cause, weight)

    def add_rounded(self, group: list[Observation], pattern: Pattern, spread: Spread, digit_mm: float) -> float:
        """Add what the likelihood of rounded readings gives; return the mean in mm above the smallest reading."""
        found = rounded_mean(pattern, spread.patterns)
        name = f"rounded:{group[0].gauge}:{_identity(group[0].key)}"
        if found.rectangle:
            half_mm = found.rectangle * digit_mm
            self.add(rectangular(name, f"digit over its repeats, {_called(group[0].key)}", half_mm, bracket=True))
        if found.bell:
            words = f"repeats within the digit, {_called(group[0].key)}"
            u_mm = found.bell * digit_mm
            self.add(Cause(name=f"{name}:s", words=words, u_mm=u_mm, dof=found.dof, repeats=len(group)))
        return found.offset * digit_mm

    def add_repeatability(self, group: list[Observation], spread: Spread | None) -> bool:
        """Add type A; return whether its size is known."""
        count = len(group)
        if contradicts(group):
            group = [replace(one, u_mm=None) for one in group]
            spread = pooled_spread(group).get((group[0].gauge, group[0].key.kind))
        stated = math.sqrt(math.fsum((one.u_mm or 0.0) ** 2 for one in group)) / count
        own = sum(one.u_mm is None for one in group)
        name = f"repeat:{group[0].gauge}:{_identity(group[0].key)}"
        if stated:
            dof = min((one.u_dof for one in group if one.u_mm), default=math.inf)
            pool = f"study:{group[0].gauge}" if math.isfinite(dof) else ""
            self.add(
                Cause(
                    name=name,
                    words=f"repeatability, {_called(group[0].key)}",
                    u_mm=stated,
                    dof=dof,
                    pool=pool,
                    repeats=count,
                )
            )
        if not own:
            return True
        if spread is None or spread.dof == 0:
            return False
        u_mm = spread.s_mm * math.sqrt(own) / count
        pool = f"spread:{group[0].gauge}:{group[0].key.kind}"
        self.add(
            Cause(
                name=f"{name}:s",
                words=f"spread of repeats, {_called(group[0].key)}",
                u_mm=u_mm,
                dof=spread.dof,
                pool=pool,
                repeats=count,
            )
        )
        return True

    def terms(self) -> tuple[tuple[Cause, float], ...]:
        return tuple(self.weights.values())
