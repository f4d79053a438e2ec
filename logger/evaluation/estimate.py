"""A value with everything that makes it uncertain, kept apart by cause so that shared causes cancel.

An estimate is linear in named causes. Two estimates that share a cause (the same gauge's zero in the same round)
share its error; `combine` adds the sensitivities, so in a difference it drops out by itself.
Source: JCGM 100:2008 5.1.2 and 5.2.2 (law of propagation, by components), G.4.1 (Welch-Satterthwaite).
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.evaluation.distribution import Distribution, Floats

DOMINATES: Final = 0.3
"""A rectangle is kept as one when all else is at most this share of it.

Source: the rule of EA-4/02 S9 and S10 for a dominant rectangular contribution, from memory.
"""


SMALL: Final = 0.1
"""Causes below this share of the standard uncertainty may be gathered into one: each is under 1 % of the variance."""
OTHERS: Final = "the other readings of the sweep"
"""What a budget calls the small causes of a combination of many readings."""
STAY: Final = ("zero:", "bow:", "bias")
"""How the names of causes begin that are never gathered, however small."""
NEGLIGIBLE: Final = 0.05
"""A leaf bracket this small against the whole is taken as a bell: it moves a 95 % interval by less than 1 in 10 000."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One cause of uncertainty.

    Attributes:
        name: identity; the same name is the same error wherever it appears.
        words: what it is, for a budget.
        u_mm: standard uncertainty in mm.
        dof: degrees of freedom behind ``u_mm``.
        half_width_mm: half-width of a rectangular distribution, or None for a bell.
        bracket: True where a leaf bracket must stay a rectangle however small its share.
        pool: causes with the same pool rest on one and the same estimate of spread.
        repeats: how many readings it is the mean of; more of them make it smaller. 0: more readings do not help.
    """

    name: str
    words: str
    u_mm: float
    dof: float = math.inf
    half_width_mm: float | None = None
    bracket: bool = False
    pool: str = ""
    repeats: int = 0


def rectangular(name: str, words: str, half_width_mm: float, *, bracket: bool = False) -> Cause:
    """Return a cause that is equally likely within plus or minus ``half_width_mm``."""
    u_mm = half_width_mm / math.sqrt(3)
    return Cause(name=name, words=words, u_mm=u_mm, half_width_mm=half_width_mm, bracket=bracket)


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value in mm and its causes of uncertainty with their sensitivities.

    Attributes:
        value_mm: best value in mm.
        terms: pairs of cause and sensitivity (no unit).
        known: False where a cause has no stated size, so that no uncertainty can be given.
        repeats: how many readings stand behind it; in a combination the fewest.
        doubt: what the readings leave open about this value, in words; it tells what to measure next.
    """

    value_mm: float
    terms: tuple[tuple[Cause, float], ...] = field(default=())
    known: bool = True
    repeats: int = 1
    doubt: str = ""

    @property
    def u_mm(self) -> float:
        """Standard uncertainty in mm."""
        return _root_sum(self.terms)

    @property
    def dof(self) -> float:
        """Effective degrees of freedom after Welch and Satterthwaite, pooled causes taken together."""
        return _welch_satterthwaite(self.terms)

    def distribution(self) -> Distribution:
        """Return what the value could be about ``value_mm``.

        Spreads that were estimated make one t with the degrees of freedom of Welch and Satterthwaite; what is known
        stays a normal beside it. So the coverage holds where a single t with effective degrees of freedom, which
        takes an estimated spread for the true one, falls short (87 % for 95 % with two repeats).
        """
        kept = _rectangles(self.terms)
        names = {cause.name for cause, _ in kept}
        rest = [term for term in self.terms if term[0].name not in names]
        estimated = [term for term in rest if math.isfinite(term[0].dof)]
        known = [term for term in rest if math.isinf(term[0].dof)]
        rectangles = tuple(abs(weight) * (cause.half_width_mm or 0.0) for cause, weight in kept)
        bell_mm, scale_mm = _root_sum(known), _root_sum(estimated)
        if not scale_mm:
            return Distribution(scale_mm=bell_mm, rectangles_mm=rectangles)
        dof = _welch_satterthwaite(estimated)
        return Distribution(scale_mm=scale_mm, dof=dof, rectangles_mm=rectangles, bell_mm=bell_mm)

    def budget(self) -> list[tuple[str, float, float]]:
        """Return the causes by size: words, contribution in mm, share of the variance (0 to 1), largest first."""
        total = self.u_mm**2
        parts = [(cause.words, abs(cause.u_mm * weight)) for cause, weight in self.terms]
        shares = [(words, u_mm, u_mm**2 / total if total else 0.0) for words, u_mm in parts]
        return sorted(shares, key=lambda part: -part[1])

    def with_more_readings(self, more: float) -> "Estimate":
        """Return the estimate as it would be after ``more`` further readings of each feature with the same mean."""
        terms = tuple(
            (replace(cause, u_mm=cause.u_mm * math.sqrt(cause.repeats / (cause.repeats + more))), weight)
            if cause.repeats
            else (cause, weight)
            for cause, weight in self.terms
        )
        return replace(self, terms=terms)

    def expanded_u_mm(self, coverage: float = 0.95) -> float:
        """Return the half-width in mm of the interval that holds ``coverage``."""
        return self.distribution().half_interval_mm(coverage)


def _pools(terms: Iterable[tuple[Cause, float]]) -> list[tuple[float, float]]:
    """Return variance in mm^2 and degrees of freedom of every independent estimate of spread."""
    pools: dict[str, tuple[float, float]] = {}
    for cause, weight in terms:
        key = cause.pool or cause.name
        before = pools.get(key, (0.0, cause.dof))[0]
        pools[key] = (before + (cause.u_mm * weight) ** 2, cause.dof)
    return list(pools.values())


def _welch_satterthwaite(terms: Sequence[tuple[Cause, float]]) -> float:
    if all(math.isinf(cause.dof) for cause, _ in terms):
        return math.inf
    pools = _pools(terms)
    total = math.fsum(variance for variance, _ in pools)
    if total == 0:
        return math.inf
    below = math.fsum((variance / total) ** 2 / dof for variance, dof in pools)
    return math.inf if below == 0 else 1 / below


def _root_sum(terms: Iterable[tuple[Cause, float]]) -> float:
    return math.hypot(*(cause.u_mm * weight for cause, weight in terms))


def _rectangles(terms: Sequence[tuple[Cause, float]]) -> list[tuple[Cause, float]]:
    """Choose the one or two rectangles to keep as such: brackets unless negligible, digits where they dominate."""
    flat = [term for term in terms if term[0].half_width_mm is not None and term[0].u_mm * term[1] != 0]
    flat.sort(key=lambda term: (term[0].bracket, abs(term[0].u_mm * term[1])), reverse=True)
    least = NEGLIGIBLE * _root_sum(terms)
    brackets = [term for term in flat if term[0].bracket and abs(term[0].u_mm * term[1]) > least]
    if brackets:
        return brackets[:2]
    for count in (1, 2):
        kept = flat[:count]
        rest = _root_sum(term for term in terms if term not in kept)
        if len(kept) == count and rest <= DOMINATES * abs(kept[0][0].u_mm * kept[0][1]):
            return kept
    return []


def combine(parts: Iterable[tuple[float, Estimate]], *, constant_mm: float = 0.0) -> Estimate:
    """Return the sum of weight times estimate plus a constant, with shared causes taken once.

    Args:
        parts: pairs of weight (no unit) and estimate.
        constant_mm: an exact constant in mm.
    """
    chosen = list(parts)
    causes: dict[str, tuple[Cause, float]] = {}
    for weight, estimate in chosen:
        for cause, own in estimate.terms:
            causes[cause.name] = (cause, causes.get(cause.name, (cause, 0.0))[1] + weight * own)
    return Estimate(
        value_mm=constant_mm + math.fsum(weight * estimate.value_mm for weight, estimate in chosen),
        terms=tuple(term for term in causes.values() if term[1] != 0),
        known=all(estimate.known for _, estimate in chosen),
        repeats=min((estimate.repeats for _, estimate in chosen), default=1),
    )


def covariance_mm2(estimates: Sequence[Estimate]) -> Floats:
    """Return the covariance matrix in mm^2, shape (n, n), of ``n`` estimates that may share causes."""
    causes = _distinct_causes(estimates)
    loads = _loads(estimates, causes) * np.array([cause.u_mm for cause in causes])
    covariance: Floats = loads @ loads.T
    return covariance


def _loads(estimates: Sequence[Estimate], causes: Sequence[Cause]) -> Floats:
    """Return the sensitivity of every estimate to every cause, shape (estimates, causes)."""
    columns = {cause.name: column for column, cause in enumerate(causes)}
    loads = np.zeros((len(estimates), len(columns)))
    for row, estimate in enumerate(estimates):
        for cause, weight in estimate.terms:
            loads[row, columns[cause.name]] += weight
    return loads


def _distinct_causes(estimates: Iterable[Estimate]) -> list[Cause]:
    return list({cause.name: cause for estimate in estimates for cause, _ in estimate.terms}.values())


def gathered(estimate: Estimate, name: str, *, words: str = OTHERS) -> Estimate:
    """Return an estimate whose many small causes are one, so that its budget can be read; zeros and bows stay.

    Args:
        estimate: a combination of many readings.
        name: identity of what is gathered; no other estimate may have the same.
        words: what a budget calls it.
    """
    total = estimate.u_mm
    kept = tuple(
        (cause, weight)
        for cause, weight in estimate.terms
        if abs(cause.u_mm * weight) >= SMALL * total or cause.name.startswith(STAY)
    )
    names = {cause.name for cause, _ in kept}
    small = [term for term in estimate.terms if term[0].name not in names]
    if len(small) < 2:
        return estimate
    return replace(estimate, terms=(*kept, (_rest(small, name, words), 1.0)))


def gathered_sums(weights: Floats, estimates: Sequence[Estimate], names: Sequence[str]) -> list[Estimate]:
    """Return several sums of the same estimates, each `combine`d and `gathered`, all at once.

    Args:
        weights: of every estimate in every sum, shape (sums, estimates), no unit; at least one estimate.
        estimates: what is summed.
        names: identity of what is gathered in each sum.
    """
    causes = _distinct_causes(estimates)
    loads = _loads(estimates, causes)
    sensitivities = (weights.T[:, :, None] * loads[:, None, :]).sum(axis=0)  # in the order of the estimates
    sizes = np.abs(sensitivities * np.array([cause.u_mm for cause in causes]))
    stays = np.array([cause.name.startswith(STAY) for cause in causes], dtype=bool)
    values = np.array([one.value_mm for one in estimates])
    unknown = np.array([not one.known for one in estimates])
    repeats = np.array([one.repeats for one in estimates])
    found = []
    for row, own, parts, name in zip(weights, sensitivities, sizes, names, strict=True):
        used = row != 0
        large = (parts >= SMALL * math.hypot(*parts.tolist())) | stays
        terms = _gathered_terms(causes, own, large, name)
        found.append(Estimate(
            value_mm=math.fsum((row * values).tolist()), terms=terms, known=not unknown[used].any(),
            repeats=int(repeats[used].min()) if used.any() else 1,
        ))  # fmt: skip
    return found


def _gathered_terms(
    causes: Sequence[Cause], sensitivities: Floats, large: NDArray[np.bool_], name: str
) -> tuple[tuple[Cause, float], ...]:
    """Return the terms of a sum, those that are not large as one if there are several."""
    there = sensitivities != 0
    small = [(causes[index], float(sensitivities[index])) for index in np.flatnonzero(there & ~large).tolist()]
    if len(small) < 2:
        large = there
    terms = tuple((causes[index], float(sensitivities[index])) for index in np.flatnonzero(there & large).tolist())
    return terms if len(small) < 2 else (*terms, (_rest(small, name, OTHERS), 1.0))


def _rest(terms: Sequence[tuple[Cause, float]], name: str, words: str) -> Cause:
    return Cause(name=f"rest:{name}", words=words, u_mm=_root_sum(terms), dof=_welch_satterthwaite(terms))
