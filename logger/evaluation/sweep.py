"""The sweep of a whole neck: steps, long steps, gaps and beam heights on every path, solved as one levelling network.

A zero of the fixture is shared by all paths of its round, so the paths are solved together; heights are above the
chord through the first and the last fret of each path that was measured. The same serves the bare board, and where
both were measured, a crown's height above the board ties the two together.
Lengths in mm, up is positive.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final, Literal

import numpy as np

from logger.evaluation.deviations import UNKNOWN_NOISE_MM, Sighting
from logger.evaluation.estimate import Estimate, combine, gathered
from logger.evaluation.network import Adjustment, Sight, adjust, chord_weights, gap, next_best, step
from logger.evaluation.observation import FeatureKey
from logger.evaluation.remembered import Remembered
from logger.evaluation.statistics import Floats

Positions = Callable[[str | None], Floats]
"""Distance from the nut by fret number, shape (frets + 1,), of a path."""
Way = Literal["step", "gap", "beam", "crown"]
Path = str | None

MOST_SUSPECTS: Final = 3
"""Suspects are looked for one at a time, with the ones before left out; more than these and the sweep is not one."""
GAP_U_MM: Final = 0.025 / 2 / 3**0.5
"""A gap between two leaves 0.025 mm apart, where none was measured yet (common practice, no source)."""
SEEN: Final = 1e-6
"""A reading with less weight than this in a height takes no part in it."""
_STRIDE: Final = 1000
"""Stations of the next path begin this much higher."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """One measured feature of the sweep: what it is, how it was measured, and its sighting."""

    key: FeatureKey
    way: Way
    sighting: Sighting

    @property
    def feature(self) -> FeatureKey:
        """What was measured, in whichever round; heights under a beam belong to their traverse."""
        return self.key if self.way == "beam" else replace(self.key, round="")


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A reading that does not fit the others.

    Attributes:
        key: what was measured.
        off_mm: the reading less what all others say it should be.
        standardised: its residual over its own standard deviation.
        alike: the others that could be wrong in its place; the network cannot tell them apart.
    """

    key: FeatureKey
    off_mm: float
    standardised: float
    alike: tuple[FeatureKey, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """Heights along the paths.

    Attributes:
        adjustment: heights and covariance of every station.
        places: path and fret of every station, in the order of the adjustment.
        placed: the features behind it, in the order of its residuals.
        suspects: readings that do not fit, worst first; they are still in it.
        p_rest: chance of so large a sum of squares of the readings that are not suspect, by what the gauges are worth.
    """

    adjustment: Adjustment
    places: tuple[tuple[Path, int], ...]
    placed: tuple[Placed, ...]
    suspects: tuple[Suspect, ...]
    p_rest: float

    def index(self, path: Path, fret: int) -> int | None:
        """Return where a station stands in the adjustment, or None."""
        return self.places.index((path, fret)) if (path, fret) in self.places else None

    def sum_of(self, weights: Mapping[tuple[Path, int], float], *, name: str) -> Estimate:
        """Return a weighted sum of heights as an estimate; not known where one of them is not.

        Args:
            weights: weight by path and fret.
            name: identity of its small causes taken together.
        """
        row = np.zeros(len(self.places))
        for place, weight in weights.items():
            row[self.places.index(place)] += weight
        told = bool(self.adjustment.known[row != 0].all())
        gains = row @ np.nan_to_num(self.adjustment.gains)
        whole = combine(
            (float(gain), one.sighting.estimate) for gain, one in zip(gains, self.placed, strict=True) if gain
        )
        return replace(gathered(whole, name), known=whole.known and told)

    @property
    def stated_covariance_mm2(self) -> Floats:
        """Covariance of the heights, shape (n, n); nan also where a reading behind one has no stated uncertainty."""
        untold = np.array([not one.sighting.estimate.known for one in self.placed])
        gains = np.nan_to_num(self.adjustment.gains)
        blind = np.any(np.abs(gains[:, untold]) > SEEN, axis=1)
        covariance = self.adjustment.covariance_mm2.copy()
        covariance[blind, :] = np.nan
        covariance[:, blind] = np.nan
        return covariance

    def unknown(self) -> list[tuple[Path, int]]:
        """Return the stations whose heights the readings do not tell."""
        return [place for place, known in zip(self.places, self.adjustment.known, strict=True) if not known]


def place_features(
    estimates: Mapping[FeatureKey, Estimate], positions_mm: Positions, ways: Mapping[str, Way], *,
    block_mm: float = 0.0, known: Remembered | None = None,
) -> list[Placed]:  # fmt: skip
    """Return the features of some kinds with what they say about heights, ordered by path and fret.

    Args:
        estimates: every feature of the instrument.
        positions_mm: gives the distances from the nut by fret number of a path.
        ways: how each kind of feature is measured; other kinds, and gaps whose blocks are not stated, are left out.
        block_mm: height of the two equal blocks under the straightedge, taken off every gap.
        known: what is remembered of the same instrument; an estimate seen before gives the very same placed feature.

    A crown's height above the board is ``z - s``, with the board as it was when it was bare. Since then the neck
    may have been turned, and the tangs may have bent it: offset, tilt and bow between the two are left open.
    """
    known = known or Remembered()
    of_ways = [(key, estimate) for key, estimate in estimates.items() if key.kind in ways]
    placed = []
    for key, estimate in sorted(of_ways, key=lambda item: _order(item[0])):
        way = ways[key.kind]
        if key.fret is None or (key.feet is None and way in {"step", "gap"}):
            continue
        make = partial(_placed, key, estimate, positions_mm, way, block_mm)
        placed.append(known.once(("placed", key), (estimate,), make))
    return placed


def _placed(key: FeatureKey, estimate: Estimate, positions_mm: Positions, way: Way, block_mm: float) -> Placed:
    return Placed(key=key, way=way, sighting=_sighting(key, estimate, positions_mm(key.place), way, block_mm))


def tie_to_board(crowns: Iterable[Placed], board: Sequence[Placed]) -> list[Placed]:
    """Return the readings that the bare board adds to a sweep: crown heights where it was surveyed, and its survey.

    Args:
        crowns: heights of crowns above the board.
        board: the survey's features.
    """
    stations = {(one.key.place, fret) for one in board for fret, weight in one.sighting.heights.items() if weight}
    tied = [one for one in crowns if (one.key.place, one.key.fret) in stations]
    paths = {one.key.place for one in tied}
    below = [replace(one, sighting=replace(one.sighting, heights={}, board=one.sighting.heights))
             for one in board if one.key.place in paths]  # fmt: skip
    return [*tied, *below]


def _order(key: FeatureKey) -> tuple[str, int, str, tuple[int, ...], str]:
    return key.place or "", key.fret or 0, key.kind, key.feet or (), key.round


def _sighting(key: FeatureKey, estimate: Estimate, positions_mm: Floats, way: Way, block_mm: float) -> Sighting:
    fret = key.fret or 0
    t = float((positions_mm[fret] - positions_mm[0]) / (positions_mm[-1] - positions_mm[0]))
    if way == "crown":
        board = f"board {key.place}"
        free = {f"{board}:offset": 1.0, f"{board}:tilt": t, f"{board}:bow": 4 * t * (1 - t)}
        return Sighting(fret=fret, heights={fret: 1.0}, estimate=estimate, free=free, board={fret: -1.0})
    if way == "beam":
        traverse = key.round if key.round.strip("/") else f"{key.place}:"
        free = {f"{traverse}:offset": 1.0, f"{traverse}:tilt": t}
        return Sighting(fret=fret, heights={fret: 1.0}, estimate=_bowed(estimate, 4 * t * (1 - t)), free=free)
    a, b = key.feet or (fret - 1, fret + 1)
    low, high = chord_weights(positions_mm[fret], positions_mm[a], positions_mm[b])
    if way == "gap":
        shape = 4 * low * high
        bare = combine([(1.0, _bowed(estimate, shape))], constant_mm=-block_mm)
        return Sighting(fret=fret, heights={fret: -1.0, a: low, b: high}, estimate=bare)
    own = (a, b) == (fret - 1, fret + 1)
    return Sighting(fret=fret, heights={fret: 1.0, a: -low, b: -high}, estimate=estimate, own=own)


def _bowed(estimate: Estimate, shape: float) -> Estimate:
    """Return an estimate whose share of an edge's bow is that at its place."""
    terms = tuple((cause, weight * shape if cause.name.startswith("bow:") else weight)
                  for cause, weight in estimate.terms)  # fmt: skip
    return replace(estimate, terms=terms)


def solve(placed: Sequence[Placed], positions_mm: Positions, *, level: Path | Literal["own"] = "own") -> Profile:
    """Return the heights along every path from all readings at once.

    Args:
        placed: the features, at least one.
        positions_mm: gives the distances from the nut by fret number of a path.
        level: heights are above each path's own chord, or all above the chord of this path, which only readings that
            several paths share can tell.

    Raises:
        InsufficientDataError: fewer than two stations.
    """
    paths = list(dict.fromkeys(one.key.place for one in placed))
    number = {path: index * _STRIDE for index, path in enumerate(paths)}
    bare = len(paths) * _STRIDE
    stations = sorted({number[one.key.place] + station for one in placed
                       for station, weight in _stations(one.sighting, bare).items() if weight})  # fmt: skip
    along = {station: float(positions_mm(paths[station % bare // _STRIDE])[station % _STRIDE]) for station in stations}
    names = Counter(name for one in placed for name in {cause.name for cause, _ in one.sighting.estimate.terms})
    shared = {name for name, count in names.items() if count > 1 or name.startswith(("zero:", "bow:"))}
    priors = {cause.name: cause.u_mm for one in placed for cause, _ in one.sighting.estimate.terms
              if cause.name in shared}  # fmt: skip
    sights = [_sight(one.sighting, number[one.key.place], bare, shared) for one in placed]
    datums = _datums(stations)
    if level != "own":
        ends = datums[next(station for station in stations if station // _STRIDE == paths.index(level))]
        datums = dict.fromkeys(stations, ends)
    found = adjust(sights, along, priors_mm=priors, datums=datums)
    suspects, p_rest = _suspects(placed, sights, along, priors, datums, found)
    rows = [row for row, station in enumerate(found.stations) if station < bare]
    places = tuple((paths[found.stations[row] // _STRIDE], found.stations[row] % _STRIDE) for row in rows)
    return Profile(
        adjustment=found.only(rows), places=places, placed=tuple(placed), suspects=tuple(suspects), p_rest=p_rest
    )


def _datums(stations: Iterable[int]) -> dict[int, tuple[int, int]]:
    """Return for every station the first and last fret of its path; the nut is no fret, but serves if it must."""
    kept = list(stations)
    datums: dict[int, tuple[int, int]] = {}
    for path in {station // _STRIDE for station in kept}:
        own = [station for station in kept if station // _STRIDE == path]
        frets = [station for station in own if station % _STRIDE] or own
        ends = (frets[0], frets[-1]) if len(frets) > 1 else (own[0], own[-1])
        datums |= dict.fromkeys(own, ends)
    return datums


def _stations(one: Sighting, bare: int) -> dict[int, float]:
    """Return the weight of every station of a path; those of the bare board begin at ``bare``."""
    return {**one.heights, **{bare + fret: weight for fret, weight in one.board.items()}}


def _sight(one: Sighting, offset: int, bare: int, shared: set[str]) -> Sight:
    own = float(np.sqrt(sum((cause.u_mm * weight) ** 2 for cause, weight in one.estimate.terms
                            if cause.name not in shared)))  # fmt: skip
    common = {cause.name: weight for cause, weight in one.estimate.terms if cause.name in shared}
    return Sight(
        heights={offset + station: weight for station, weight in _stations(one, bare).items() if weight},
        value_mm=one.estimate.value_mm, u_mm=own if one.estimate.known else float(np.hypot(own, UNKNOWN_NOISE_MM)),
        shared={**common, **one.free},
    )  # fmt: skip


def _suspects(
    placed: Sequence[Placed], sights: Sequence[Sight], along: Mapping[int, float], priors: Mapping[str, float],
    datums: Mapping[int, tuple[int, int]], found: Adjustment,
) -> tuple[list[Suspect], float]:  # fmt: skip
    """Name the readings that do not fit, one after the other, each judged without those before it.

    The second value is the chance of so large a sum of squares of those that are left.
    """
    named: list[Suspect] = []
    left = list(range(len(sights)))
    while len(named) < MOST_SUSPECTS:
        group = found.suspect()
        if not group:
            break
        worst, *others = group
        named.append(Suspect(
            key=placed[left[worst]].key, off_mm=float(found.residuals_mm[worst] / found.redundancy[worst]),
            standardised=float(found.standardised[worst]), alike=tuple(placed[left[other]].key for other in others),
        ))  # fmt: skip
        left = [row for index, row in enumerate(left) if index not in group]
        if len({station for row in left for station in sights[row].heights}) < 2:
            break
        kept = {station for row in left for station in sights[row].heights}
        if not kept >= set(datums):
            break
        found = adjust([sights[row] for row in left], along, priors_mm=priors, datums=datums)
    return named, found.p_value


# -- what to measure next --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A reading that could be taken, and by how much it lowers a summed variance.

    Attributes:
        gain_mm2: fall of the summed variance, in mm^2.
        share: the same as a share of the sum, 0 to 1.
    """

    way: Way
    path: Path
    fret: int
    feet: tuple[int, int]
    gain_mm2: float
    share: float


def best_next(profile: Profile, positions_mm: Positions, undecided: Sequence[tuple[Path, int]]) -> Candidate | None:
    """Return the further step or gap that helps most.

    Args:
        profile: the heights so far.
        positions_mm: gives the distances from the nut by fret number of a path.
        undecided: places whose verdict is open; with none, the heights themselves are to become surer.

    Returns:
        None where no reading would help, or none can be reckoned with.
    """
    functions = _functions(profile, positions_mm, undecided)
    if not len(functions):
        return None
    candidates = list(_candidates(profile, positions_mm))
    sights = [sight for _, sight in candidates]
    gains = next_best(profile.adjustment, sights, functions, {"zero": _typical_zero(profile), "bow": 0.0})
    covariance = np.nan_to_num(profile.adjustment.covariance_mm2)
    whole = float(np.einsum("ij,jk,ik->", functions, covariance, functions))
    reckoned = [(gain, candidate) for gain, (candidate, _) in zip(gains, candidates, strict=True) if gain > 0]
    if not reckoned or whole <= 0:
        return None
    gain, (way, path, fret, feet) = max(reckoned, key=lambda pair: pair[0])
    return Candidate(way=way, path=path, fret=fret, feet=feet, gain_mm2=gain, share=gain / whole)


def _functions(profile: Profile, positions_mm: Positions, undecided: Sequence[tuple[Path, int]]) -> Floats:
    size = len(profile.places)
    known = profile.adjustment.known
    if not undecided:
        return np.eye(size)[[index for index, place in enumerate(profile.places) if known[index] and place[1]]]
    rows = []
    for path, fret in undecided:
        a, b = (fret - 1, fret + 1) if profile.index(path, fret + 1) is not None else (fret - 1, fret - 2)
        if profile.index(path, a) is None or not a:
            a, b = fret + 1, fret + 2
        indices = [profile.index(path, one) for one in (fret, a, b)]
        if any(index is None or not known[index] for index in indices):
            continue
        x = positions_mm(path)
        low, high = chord_weights(x[fret], x[a], x[b])
        row = np.zeros(size)
        row[[index for index in indices if index is not None]] = (1.0, -low, -high)
        rows.append(row)
    return np.array(rows) if rows else np.zeros((0, size))


def _candidates(
    profile: Profile, positions_mm: Positions
) -> Iterable[tuple[tuple[Way, Path, int, tuple[int, int]], Sight]]:
    u = {"step": _typical_u(profile, "step", 0.003), "gap": _typical_u(profile, "gap", GAP_U_MM)}
    for path in dict.fromkeys(path for path, _ in profile.places):
        frets = [fret for other, fret in profile.places if other == path]
        station = {fret: profile.adjustment.stations[profile.places.index((path, fret))] for fret in frets}
        along = {number: float(positions_mm(path)[fret]) for fret, number in station.items()}
        first, last = min(fret for fret in frets if fret or len(frets) < 3), max(frets)
        for fret in frets:
            for reach in (1, 2):
                feet = fret - reach, fret + reach
                if all(foot in station for foot in feet):
                    at = station[feet[0]], station[feet[1]]
                    yield ("step", path, fret, feet), step(station[fret], at, along, value_mm=0.0, u_mm=u["step"],
                                                           zero="zero")  # fmt: skip
            if first < fret < last:
                at = station[first], station[last]
                yield ("gap", path, fret, (first, last)), gap(station[fret], at, along, value_mm=0.0, u_mm=u["gap"],
                                                              bow="bow")  # fmt: skip


def _typical_u(profile: Profile, way: Way, default: float) -> float:
    found = [one.sighting.estimate.u_mm for one in profile.placed if one.way == way and one.sighting.estimate.known]
    return float(np.median(found)) if found else default


def _typical_zero(profile: Profile) -> float:
    zeros = [cause.u_mm for one in profile.placed if one.way == "step" for cause, _ in one.sighting.estimate.terms
             if cause.name.startswith("zero:")]  # fmt: skip
    return float(np.median(zeros)) if zeros else 0.0


def zero_errors(profile: Profile) -> dict[str, tuple[float, float]]:
    """Return every zero error of a gauge in one setting and round: value and standard uncertainty in mm, by name."""
    return {name.removeprefix("zero:"): found for name, found in profile.adjustment.shared_mm.items()
            if name.startswith("zero:") and not np.isnan(found[0])}  # fmt: skip
