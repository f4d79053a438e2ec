"""How a fret sits: proud ends, unevenness and tilt from heights above the board. Lengths in mm, up is positive."""

from collections.abc import Mapping
from itertools import combinations

from logger.evaluation.conformity import Judgement, Limits, judge, judge_magnitude, least_conforming
from logger.evaluation.estimate import Estimate, combine
from logger.evaluation.observation import FeatureKey

END_PLACES = ("bass", "treble")


def difference(upper: Estimate, lower: Estimate) -> Estimate:
    """Return upper minus lower in mm; a zero that both share cancels."""
    return combine([(1.0, upper), (-1.0, lower)])


def proud_end(end: Estimate, centre: Estimate | None, crown: Estimate | None, limits: Limits) -> Judgement | None:
    """Judge an end by its lift over the wire's crown height and by its height over the centre; the worse counts.

    Args:
        end: seated height at the end.
        centre: seated height at the centre, or None.
        crown: crown height of the loose wire, or None.
        limits: the limits of ``proud_end``.

    Returns:
        None when neither the centre nor the crown is known.
    """
    below = [reference for reference in (crown, centre) if reference is not None]
    if not below:
        return None
    return least_conforming([judge(difference(end, reference), limits) for reference in below])


def uneven(heights: Mapping[str, Estimate], limits: Limits) -> Judgement | None:
    """Judge the pairwise differences of the three places (not their range, which is biased); the worst pair counts.

    Args:
        heights: seated height by place.
        limits: the limits of ``uneven_seating``; the upper one bounds the size.

    Returns:
        None with fewer than two places.
    """
    pairs = [judge_magnitude(difference(heights[a], heights[b]), limits) for a, b in combinations(heights, 2)]
    return least_conforming(pairs) if pairs else None


def tilted(bass: Estimate, treble: Estimate, limits: Limits) -> Judgement:
    """Judge bass minus treble in mm against the limit of ``tilted_fret``."""
    return judge_magnitude(difference(bass, treble), limits)


def both_ends_proud(bass: Estimate, centre: Estimate, treble: Estimate, limits: Limits) -> Judgement:
    """Judge by how much both ends stand over the centre: the lower of the two tells."""
    lower = min(bass, treble, key=lambda one: one.value_mm)
    return judge(difference(lower, centre), limits)


def middle_high(bass: Estimate, centre: Estimate, treble: Estimate, limits: Limits) -> Judgement:
    """Judge by how much the centre stands over the line through both ends."""
    return judge(combine([(1.0, centre), (-0.5, bass), (-0.5, treble)]), limits)


def loose(free: Estimate, pressed: Estimate, limits: Limits) -> Judgement:
    """Judge by how much a fret goes down when it is pressed: height free minus height pressed."""
    return judge(difference(free, pressed), limits)


def seated_key(fret: int, place: str) -> FeatureKey:
    """Return the key of a seated height."""
    return FeatureKey(kind="seated_height", fret=fret, place=place)
