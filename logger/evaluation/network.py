"""The sweep as a levelling network: every reading is linear in the heights, so all are solved for at once.

Unknowns are the heights of stations (frets or places on the bare board) along one string path, and the errors that
readings share: the zero of a fixture in one setting and round, the bow of an edge, the tilt and bow of a beam.
Generalised least squares with priors on the shared errors; heights are above the chord through two named stations.
This is the surveyor's levelling adjustment. Lengths in mm, up is positive.

Source: least squares with priors is JCGM 100:2008 H.2 and H.3 in matrix form; single readings are tested after Baarda
1968 (standardised residuals); the chi-square test of the whole is the usual one.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from logger.errors import InsufficientDataError

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Positions = Floats | Mapping[int, float]
"""Distance from the nut in mm by station number."""

NULL: Final = 1e-9
"""Singular values below this share of the largest are taken for zero."""
ESTIMABLE: Final = 1e-6
"""A height whose direction has less than this share in what the readings cannot see is known."""
SNOOP: Final = 3.29
"""A standardised residual beyond this is suspect: 1 in 1000 by chance. Source: Baarda 1968, alpha_0 = 0.001."""
ALIKE: Final = 0.99
"""Readings whose standardised residuals correlate at least this much cannot be told apart (our choice)."""
_LEAST_MM: Final = 1e-6
"""Standard uncertainty that a reading without any is given, so that exact readings can be solved for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """One reading: a weighted sum of heights plus shared errors.

    Attributes:
        heights: weight of each station's height.
        value_mm: the reading.
        u_mm: its own standard uncertainty, independent of the others.
        shared: sensitivity to each shared error, by name.
    """

    heights: Mapping[int, float]
    value_mm: float
    u_mm: float
    shared: Mapping[str, float] = field(default_factory=dict)


def chord_weights(position_mm: float, low_mm: float, high_mm: float) -> tuple[float, float]:
    """Return the weights of the heights at ``low_mm`` and ``high_mm`` in the straight line at ``position_mm``."""
    share = (position_mm - low_mm) / (high_mm - low_mm)
    return 1.0 - share, share


def step(
    station: int, feet: tuple[int, int], positions_mm: Positions, *, value_mm: float, u_mm: float, zero: str
) -> Sight:
    """Return a rocker's reading: the station above the line through its feet, plus the fixture's zero error.

    Args:
        station: under the plunger.
        feet: stations under the feet.
        positions_mm: distance from the nut by station.
        value_mm: the reading, positive above the line.
        u_mm: its standard uncertainty.
        zero: name of the zero error, one for every foot setting and round.
    """
    low, high = chord_weights(positions_mm[station], positions_mm[feet[0]], positions_mm[feet[1]])
    return Sight(
        heights={station: 1.0, feet[0]: -low, feet[1]: -high}, value_mm=value_mm, u_mm=u_mm, shared={zero: 1.0}
    )


def gap(
    station: int, feet: tuple[int, int], positions_mm: Positions, *, value_mm: float, u_mm: float, bow: str
) -> Sight:  # fmt: skip
    """Return the gap under a straightedge on two equal blocks, the blocks' height already taken off.

    Args:
        station: where the leaf goes.
        feet: stations under the blocks.
        positions_mm: distance from the nut by station.
        value_mm: the gap, positive downwards.
        u_mm: its standard uncertainty; of a leaf bracket half its width over root 3.
        bow: name of the edge's bow: how far its middle lies above the line through the blocks, a parabola.
    """
    x, a, b = positions_mm[station], positions_mm[feet[0]], positions_mm[feet[1]]
    low, high = chord_weights(x, a, b)
    shape = 4 * (x - a) * (b - x) / (b - a) ** 2
    return Sight(
        heights={station: -1.0, feet[0]: low, feet[1]: high}, value_mm=value_mm, u_mm=u_mm, shared={bow: shape}
    )


def beam(station: int, positions_mm: Floats, *, value_mm: float, u_mm: float, traverse: str) -> Sight:
    """Return the height under an indicator that is carried along a beam, whose offset, tilt and bow are shared.

    The three are named ``{traverse}:offset``, ``{traverse}:tilt`` (over the length of ``positions_mm``) and
    ``{traverse}:bow`` (of the middle above the ends).
    """
    length = float(positions_mm[-1] - positions_mm[0]) or 1.0
    t = float(positions_mm[station] - positions_mm[0]) / length
    shared = {f"{traverse}:offset": 1.0, f"{traverse}:tilt": t, f"{traverse}:bow": 4 * t * (1 - t)}
    return Sight(heights={station: 1.0}, value_mm=value_mm, u_mm=u_mm, shared=shared)


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustment:
    """The heights that explain the readings best.

    Attributes:
        stations: station numbers, shape (n,).
        heights_mm: heights above the chord through the datum stations, shape (n,); nan where not known.
        covariance_mm2: their covariance, shape (n, n); nan where not known.
        known: which heights the readings determine, shape (n,).
        gains: heights are ``gains @ values``, shape (n, readings).
        shared_mm: every shared error with its standard uncertainty; nan where not determined.
        residuals_mm: reading less what the solution says, shape (readings,).
        redundancy: share of a reading that the others check, 0 to 1, shape (readings,).
        standardised: residuals over their own standard deviation, shape (readings,); 0 where nothing checks a reading.
        alike: correlation of the standardised residuals, shape (readings, readings).
        chi_square: weighted sum of squared residuals, priors included.
        dof: how many readings there are beyond those that are needed.
    """

    stations: tuple[int, ...]
    heights_mm: Floats
    covariance_mm2: Floats
    known: Bools
    gains: Floats
    shared_mm: Mapping[str, tuple[float, float]]
    residuals_mm: Floats
    redundancy: Floats
    standardised: Floats
    alike: Floats
    chi_square: float
    dof: int

    @property
    def p_value(self) -> float:
        """Chance of so large a sum of squares if every stated uncertainty holds; 1 without redundancy."""
        return float(special.chdtrc(self.dof, self.chi_square)) if self.dof else 1.0

    def u_mm(self) -> Floats:
        """Return the standard uncertainty of every height, shape (n,)."""
        root: Floats = np.sqrt(np.clip(np.diag(self.covariance_mm2), 0, None))
        return root

    def only(self, rows: Sequence[int]) -> "Adjustment":
        """Return the same with the heights of some stations alone; what is said of the readings stays."""
        picked = np.asarray(rows)
        return replace(
            self, stations=tuple(self.stations[row] for row in rows), heights_mm=self.heights_mm[picked],
            covariance_mm2=self.covariance_mm2[np.ix_(picked, picked)], known=self.known[picked],
            gains=self.gains[picked],
        )  # fmt: skip

    def suspect(self) -> tuple[int, ...]:
        """Return the readings that do not belong, the worst first with all that cannot be told from it."""
        if not self.standardised.size:
            return ()
        worst = int(np.argmax(np.abs(self.standardised)))
        if abs(self.standardised[worst]) < SNOOP:
            return ()
        others = np.flatnonzero(np.abs(self.alike[worst]) >= ALIKE)
        return (worst, *(int(other) for other in others if other != worst))


def adjust(
    sights: Sequence[Sight], positions_mm: Positions, *, priors_mm: Mapping[str, float] | None = None,
    datum: tuple[int, int] | None = None, datums: Mapping[int, tuple[int, int]] | None = None,
) -> Adjustment:  # fmt: skip
    """Solve for the heights of every station that a reading names.

    Args:
        sights: the readings, at least one.
        positions_mm: distance from the nut by station number.
        priors_mm: standard uncertainty of a shared error about zero, by its name; one without is free.
        datum: the two stations whose chord is zero; default the first and last that are named.
        datums: the same station by station, where the stations lie along several paths.

    Raises:
        InsufficientDataError: no readings, or fewer than two stations.
    """
    stations = sorted({station for sight in sights for station, weight in sight.heights.items() if weight})
    if len(stations) < 2:
        raise InsufficientDataError("a profile needs readings of at least two stations")
    names = sorted({name for sight in sights for name in sight.shared})
    keys: list[int | str] = [*stations, *names]
    column = {key: index for index, key in enumerate(keys)}
    design = np.zeros((len(sights), len(column)))
    for row, sight in enumerate(sights):
        for station, weight in sight.heights.items():
            if weight:
                design[row, column[station]] += weight
        for name, weight in sight.shared.items():
            design[row, column[name]] += weight
    given = {name: u for name, u in (priors_mm or {}).items() if name in column}
    prior = np.zeros((len(given), len(column)))
    for row, (name, u) in enumerate(given.items()):
        prior[row, column[name]] = 1.0 / max(u, _LEAST_MM)
    weights = np.array([1.0 / max(sight.u_mm, _LEAST_MM) for sight in sights])
    values = np.array([sight.value_mm for sight in sights])
    ends = datum or (stations[0], stations[-1])
    chords = {station: (datums or {}).get(station, ends) for station in stations}
    return _solve(design, weights, values, prior, names, positions_mm, chords)


def _solve(
    design: Floats, weights: Floats, values: Floats, prior: Floats, names: Sequence[str], positions_mm: Positions,
    chords: Mapping[int, tuple[int, int]],
) -> Adjustment:  # fmt: skip
    stations = list(chords)
    whitened = np.vstack([design * weights[:, None], prior])
    _, sizes, turns = np.linalg.svd(np.linalg.qr(whitened, mode="r"), full_matrices=True)
    rank = int(np.sum(sizes > NULL * sizes[0]))
    seen, unseen = turns[:rank].T, turns[rank:].T
    covariance = (seen / sizes[:rank] ** 2) @ seen.T
    gains = covariance @ design.T * weights**2
    solution = gains @ values

    above = _above_chord(chords, positions_mm)
    lost = np.linalg.norm(above @ unseen[: len(stations)], axis=1)
    known = lost < ESTIMABLE
    heights = np.where(known, above @ solution[: len(stations)], np.nan)
    spread = above @ covariance[: len(stations), : len(stations)] @ above.T
    spread[~known, :] = np.nan
    spread[:, ~known] = np.nan

    shared: dict[str, tuple[float, float]] = {}
    for index, name in enumerate(names, start=len(stations)):
        found = float(np.linalg.norm(unseen[index])) < ESTIMABLE
        u = math.sqrt(max(0.0, covariance[index, index]))
        shared[name] = (float(solution[index]), u) if found else (math.nan, math.nan)

    residuals = values - design @ solution
    inner = np.eye(len(values)) - (design @ covariance @ design.T) * np.outer(weights, weights)
    redundancy = np.clip(np.diag(inner), 0, None)
    checked = redundancy > ESTIMABLE
    scale = np.where(checked, np.sqrt(np.where(checked, redundancy, 1.0)), np.inf)
    whole = float(np.sum((residuals * weights) ** 2) + np.sum((prior @ solution) ** 2))
    return Adjustment(
        stations=tuple(stations), heights_mm=heights, covariance_mm2=spread, known=known,
        gains=above @ gains[: len(stations)], shared_mm=shared, residuals_mm=residuals, redundancy=redundancy,
        standardised=residuals * weights / scale, alike=inner / np.outer(scale, scale), chi_square=whole,
        dof=len(values) + len(prior) - rank,
    )  # fmt: skip


def _above_chord(chords: Mapping[int, tuple[int, int]], positions_mm: Positions) -> Floats:
    """Return the matrix that turns heights into heights above each station's own chord, shape (n, n)."""
    place = {station: index for index, station in enumerate(chords)}
    matrix = np.eye(len(chords))
    for row, (station, (first, last)) in enumerate(chords.items()):
        if first == last:
            matrix[row, place[first]] -= 1.0
            continue
        low, high = chord_weights(positions_mm[station], positions_mm[first], positions_mm[last])
        matrix[row, place[first]] -= low
        matrix[row, place[last]] -= high
    return matrix


def next_best(
    found: Adjustment, candidates: Iterable[Sight], functions: Floats, priors_mm: Mapping[str, float] | None = None
) -> list[float]:
    """Return by how much each further reading would lower the summed variance of some functions, in mm^2.

    Args:
        found: the solution so far.
        candidates: readings that could be taken; their values do not matter, shared errors count as new ones.
        functions: weights of the heights in every function that is still undecided, shape (functions, n).
        priors_mm: standard uncertainty of shared errors, by name; one without makes the reading worthless.
    """
    place = {station: index for index, station in enumerate(found.stations)}
    gains: list[float] = []
    for one in candidates:
        if any(station not in place or not found.known[place[station]] for station in one.heights):
            gains.append(math.nan)
            continue
        row = np.zeros(len(place))
        for station, weight in one.heights.items():
            row[place[station]] += weight
        noise = one.u_mm**2 + sum((weight * (priors_mm or {}).get(name, math.inf)) ** 2
                                  for name, weight in one.shared.items() if weight)  # fmt: skip
        told = functions @ found.covariance_mm2 @ row
        gains.append(float(told @ told / (noise + row @ found.covariance_mm2 @ row)))
    return gains
