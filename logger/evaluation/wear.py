"""How far strings have worn the crowns, from one visit and from two. Lengths in mm; wear is positive.

On one date the string path is compared with the unworn crown of the same fret, so that the gauge's zero and the board
under the fret cancel. Between two dates the wear of both is compared, and a rate is given only where it can be told.
"""

from dataclasses import dataclass, replace
from typing import Final

from logger.evaluation.estimate import Estimate, combine

DAYS_PER_YEAR: Final = 365.25
LEAST_DAYS: Final = 30.0
"""Two visits nearer than this tell no rate (our choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear:
    """Wear of one place.

    Attributes:
        now: wear at the later visit: unworn less string path; None where no unworn crown was measured.
        since: wear between the visits.
        against_crown: whether both visits have an unworn crown; else heights above the board are compared, in which
            whatever the board did is wear as well.
        rate_mm_per_year: with its expanded uncertainty, or None.
        why_no_rate: in words, empty where there is a rate.
    """

    now: Estimate | None
    since: Estimate
    against_crown: bool
    rate_mm_per_year: tuple[float, float] | None
    why_no_rate: str


def worn(unworn: Estimate, path: Estimate) -> Estimate:
    """Return how far the string path lies below the unworn crown of the same fret, in mm."""
    return combine([(1.0, unworn), (-1.0, path)])


def wear_between(
    earlier: tuple[Estimate, Estimate | None], later: tuple[Estimate, Estimate | None], *, days: float | None
) -> Wear:
    """Return the wear of a place between two visits.

    Args:
        earlier: height of the string path and of the unworn crown at the earlier visit; None where not measured.
        later: the same at the later one.
        days: from one to the other; None where not known.
    """
    path_1, path_2 = _at_visit(earlier[0], "earlier"), _at_visit(later[0], "later")
    crown_1 = None if earlier[1] is None else _at_visit(earlier[1], "earlier")
    crown_2 = None if later[1] is None else _at_visit(later[1], "later")
    now = None if crown_2 is None else worn(crown_2, path_2)
    if crown_1 is not None and now is not None:
        since, against = combine([(1.0, now), (-1.0, worn(crown_1, path_1))]), True
    else:
        since, against = combine([(1.0, path_1), (-1.0, path_2)]), False
    why = _why_not(since, days)
    rate = None
    if not why and days is not None:
        years = days / DAYS_PER_YEAR
        rate = since.value_mm / years, since.expanded_u_mm() / years
    return Wear(now=now, since=since, against_crown=against, rate_mm_per_year=rate, why_no_rate=why)


def _at_visit(one: Estimate, visit: str) -> Estimate:
    """Return an estimate whose causes belong to one visit; only a gauge's known error lasts from one to the next."""
    terms = tuple((cause if cause.name.startswith("bias") else replace(cause, name=f"{visit}:{cause.name}"), weight)
                  for cause, weight in one.terms)  # fmt: skip
    return replace(one, terms=terms)


def _why_not(since: Estimate, days: float | None) -> str:
    if not since.known:
        return "the gauge's uncertainty is not known"
    if days is None:
        return "the dates are not known"
    if days < LEAST_DAYS:
        return f"the visits are only {days:g} days apart"
    if since.value_mm < -since.expanded_u_mm():
        return "a crown cannot grow: the visits may be swapped, or the fret was replaced or dressed up in between"
    if since.value_mm <= since.expanded_u_mm():
        return "not enough data: the change is within its uncertainty"
    return ""
