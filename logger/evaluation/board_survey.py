"""The bare board: a hump at the join, fall-away beyond it, twist, and how straight it is. Lengths in mm, up positive.

Source of the words: common practice, no source; straightness as in `straightness`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.evaluation.estimate import Estimate
from logger.evaluation.statistics import Floats
from logger.evaluation.straightness import straightness
from logger.evaluation.sweep import Path, Profile

WIDEST: Final = 4
"""A hump reaches this many stations to either side of the join at most (our choice)."""
FLANK: Final = 3
"""Stations on each side that the line is drawn through (our choice): fewer make it noisy, more see the next fault."""
FOOT: Final = 0.2
"""A hump ends where it stands this share of its height above the line (our choice)."""
DRAWS: Final = 300
"""Simulated profiles behind the uncertainty of a straightness."""

Weights = Mapping[tuple[Path, int], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hump:
    """The highest place around the join over the line through the board on both sides.

    Attributes:
        first: where the run of stations that stand above begins.
        last: where it ends.
    """

    path: Path
    fret: int
    first: int
    last: int
    height: Estimate


def find_hump(profile: Profile, path: Path, positions_mm: Floats, join: int) -> Hump | None:
    """Return the worst of the runs around the join, or None where a side of it was not measured.

    Every width of the run is tried, and the one with the highest place over its own line is taken; a sound board then
    shows about 1.5 standard uncertainties, far below any limit that such readings can hold.

    Args:
        profile: the heights of the bare board.
        path: the path.
        positions_mm: distance from the nut by fret number, shape (frets + 1,).
        join: fret at which neck and body join.
    """
    known = _known(profile, path)
    heights = dict(zip(profile.places, profile.adjustment.heights_mm.tolist(), strict=True))
    found: tuple[float, int, tuple[int, int], Weights] | None = None
    for reach in range(1, WIDEST + 1):
        run = [fret for fret in known if abs(fret - join) <= reach]
        before, after = ([fret for fret in known if fret < join - reach][-FLANK:],
                         [fret for fret in known if fret > join + reach][:FLANK])  # fmt: skip
        if not run or len(before) < 2 or not after:
            continue
        for fret, weights in zip(run, _over_line(path, run, [*before, *after], positions_mm), strict=True):
            height = _value(heights, weights)
            if found is None or height > found[0]:
                found = height, fret, (run[0], run[-1]), weights
    if found is None:
        return None
    most, fret, (first, last), weights = found
    line = [other for _, other in weights if other != fret]
    run = [one for one in known if first <= one <= last]
    above = [one for one, over in zip(run, _over_line(path, run, line, positions_mm), strict=True)
             if _value(heights, over) > FOOT * most]  # fmt: skip
    first, last = min([fret, *above]), max([fret, *above])
    return Hump(path=path, fret=fret, first=first, last=last, height=profile.sum_of(weights, name=f"hump:{path}"))


def fall_away(profile: Profile, path: Path, positions_mm: Floats, join: int) -> Estimate | None:
    """Return how far the last station lies below the line through the stations up to the join, in mm.

    None where fewer than two stations up to the join, or none beyond it, are known.
    """
    known = _known(profile, path)
    clear = [fret for fret in known if fret < join - WIDEST]  # of a hump
    neck = clear if len(clear) > 1 else [fret for fret in known if fret <= join]
    if len(neck) < 2 or not known or known[-1] <= join:
        return None
    weights = {place: -weight for place, weight in _over_line(path, known[-1:], neck, positions_mm)[0].items()}
    return profile.sum_of(weights, name=f"fall-away:{path}")


def twist(level: Profile) -> Estimate | None:
    """Return how far the treble side rises over the bass side from first to last station, in mm.

    Only readings that both sides share tell it, such as one traverse of a beam over both.

    Args:
        level: heights of all paths above the chord of one of them.
    """
    sides = {path: _known(level, path) for path in ("bass", "treble")}
    if any(len(known) < 2 for known in sides.values()):
        return None
    (bass, treble) = ((known[0], known[-1]) for known in sides.values())
    weights: Weights = {
        ("treble", treble[1]): 1.0,
        ("treble", treble[0]): -1.0,
        ("bass", bass[1]): -1.0,
        ("bass", bass[0]): 1.0,
    }
    return level.sum_of(weights, name="twist")


@dataclass(frozen=True, slots=True, kw_only=True)
class Straight:
    """Straightness of a path in mm, with standard uncertainties by simulation."""

    minimum_zone_mm: float
    u_minimum_zone_mm: float
    least_squares_mm: float
    u_least_squares_mm: float


def straightness_of(profile: Profile, path: Path, positions_mm: Floats) -> Straight | None:
    """Return how straight a path is, or None with fewer than three known stations."""
    known = _known(profile, path)
    if len(known) < 3:
        return None
    rows = [profile.places.index((path, fret)) for fret in known]
    heights = profile.adjustment.heights_mm[rows]
    covariance = profile.adjustment.covariance_mm2[np.ix_(rows, rows)]
    x = positions_mm[known]
    found = straightness(x, heights)
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.clip(values, 0, None))
    rng = np.random.default_rng(1)
    drawn = [straightness(x, heights + root @ rng.standard_normal(len(known))) for _ in range(DRAWS)]
    return Straight(
        minimum_zone_mm=found.minimum_zone_mm, least_squares_mm=found.least_squares_mm,
        u_minimum_zone_mm=float(np.std([one.minimum_zone_mm for one in drawn])),
        u_least_squares_mm=float(np.std([one.least_squares_mm for one in drawn])),
    )  # fmt: skip


def _known(profile: Profile, path: Path) -> list[int]:
    return [fret for (other, fret), known in zip(profile.places, profile.adjustment.known, strict=True)
            if other == path and known and fret]  # fmt: skip


def _value(heights_mm: Mapping[tuple[Path, int], float], weights: Weights) -> float:
    return sum(weight * heights_mm[place] for place, weight in weights.items())


def _over_line(path: Path, frets: Sequence[int], through: Sequence[int], positions_mm: Floats) -> list[Weights]:
    """Return, for each of some stations, the weights of its height over the least-squares line through others."""
    x = positions_mm[list(through)]
    middle = x.mean()
    off = x - middle
    lines = 1 / len(x) + (positions_mm[list(frets)][:, None] - middle) * off / (off @ off)
    found: list[Weights] = []
    for fret, line in zip(frets, lines.tolist(), strict=True):
        weights: dict[tuple[Path, int], float] = {(path, fret): 1.0}
        for other, weight in zip(through, line, strict=True):
            weights[path, other] = weights.get((path, other), 0.0) - weight
        found.append(weights)
    return found
