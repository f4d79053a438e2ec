"""High and low frets from three-fret steps, with the fewest frets that explain them.

A step is the height of a fret over the line through its neighbours. One fret 0.08 high makes both neighbours read
0.04 low; that shadow is not a fault. So the steps are explained by as few deviating frets as possible, chosen by
penalised generalised least squares, and every other fret is judged by what is left of its step.
Lengths in mm, up is positive.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.evaluation.estimate import Estimate, combine, covariance_mm2

GOOD_SCATTER_MM: Final = 0.007
"""How far good frets scatter about a smooth line, one standard deviation (common practice, no source)."""
DEVIATION_PRIOR_MM: Final = 0.15
"""How large a deviation may be, one standard deviation: breaks ties toward the smaller explanation."""
PENALTY: Final = 10.0
"""Cost of one more deviating fret in units of chi-square: about 3.2 standard deviations, 1 in 600 by chance."""
MOST_DEVIATIONS: Final = 12

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A measured step: the fret under the plunger, the frets under the feet, and the reading."""

    fret: int
    feet: tuple[int, int]
    estimate: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class FretDeviation:
    """How far one fret stands off its neighbours once others' shadows are taken away; ``named`` if it is a cause."""

    fret: int
    deviation: Estimate
    named: bool


def design_matrix(steps: Sequence[Step], frets: Sequence[int], positions_mm: Floats) -> Floats:
    """Return the matrix, shape (steps, frets), that turns heights of ``frets`` into steps.

    Args:
        steps: the steps.
        frets: fret numbers, the columns.
        positions_mm: distance from the nut by fret number, shape (frets + 1,).
    """
    column = {fret: index for index, fret in enumerate(frets)}
    matrix = np.zeros((len(steps), len(frets)))
    for row, step in enumerate(steps):
        low, high = step.feet
        x, x_low, x_high = positions_mm[step.fret], positions_mm[low], positions_mm[high]
        matrix[row, column[step.fret]] += 1.0
        matrix[row, column[low]] -= (x_high - x) / (x_high - x_low)
        matrix[row, column[high]] -= (x - x_low) / (x_high - x_low)
    return matrix


def explain_steps(steps: Sequence[Step], positions_mm: Floats) -> list[FretDeviation]:
    """Return one deviation per fret that has a step of its own or is named as a cause.

    Args:
        steps: steps of one string path, any order, at least one.
        positions_mm: distance from the nut by fret number in mm.
    """
    frets = sorted({fret for step in steps for fret in (step.fret, *step.feet)})
    matrix = design_matrix(steps, frets, positions_mm)
    noise = covariance_mm2([step.estimate for step in steps]) + GOOD_SCATTER_MM**2 * (matrix @ matrix.T)
    noise += (1e-6**2) * np.eye(len(steps))
    readings = np.array([step.estimate.value_mm for step in steps])
    named = _fewest(matrix, noise, readings)
    gains = _gains(matrix, noise, named)
    return _deviations(steps, frets, matrix, named, gains)


def _fewest(matrix: Floats, noise: Floats, readings: Floats) -> tuple[int, ...]:
    """Choose the columns that explain the readings at least cost: add one or two, drop one, until nothing helps."""
    weighted = np.linalg.solve(noise, matrix)
    normal, right = matrix.T @ weighted, weighted.T @ readings
    everything = range(matrix.shape[1])

    def cost(chosen: tuple[int, ...]) -> float:
        picked = list(chosen)
        inner = normal[np.ix_(picked, picked)] + np.eye(len(picked)) / DEVIATION_PRIOR_MM**2
        gain = float(right[picked] @ np.linalg.solve(inner, right[picked])) if picked else 0.0
        return PENALTY * len(picked) - gain

    best: tuple[int, ...] = ()
    while True:
        spare = [column for column in everything if column not in best]
        tries = [tuple(sorted((*best, *extra))) for size in (1, 2) for extra in combinations(spare, size)]
        tries = [one for one in tries if len(one) <= MOST_DEVIATIONS]
        tries += [tuple(c for c in best if c != gone) for gone in best]
        tries += [tuple(sorted({*best, new} - {old})) for old in best for new in spare]
        winner = min(tries, key=cost, default=best)
        if cost(winner) >= cost(best) - 1e-9:
            return best
        best = winner


def _gains(matrix: Floats, noise: Floats, named: tuple[int, ...]) -> Floats:
    """Return the matrix, shape (named, steps), that gives the deviations of the named frets from the steps."""
    if not named:
        return np.zeros((0, matrix.shape[0]))
    part = matrix[:, list(named)]
    weighted = np.linalg.solve(noise, part)
    inner = part.T @ weighted
    return np.asarray(np.linalg.lstsq(inner, weighted.T, rcond=None)[0])


def _deviations(
    steps: Sequence[Step], frets: Sequence[int], matrix: Floats, named: tuple[int, ...], gains: Floats
) -> list[FretDeviation]:
    """Take the shadows of the named frets off every step; a named fret without a step keeps its fitted size."""
    found: dict[int, FretDeviation] = {}
    for row, step in enumerate(steps):
        own = frets.index(step.fret)
        others = [index for index, column in enumerate(named) if column != own]
        weights = -(matrix[row, [named[index] for index in others]] @ gains[others]) if others else np.zeros(len(steps))
        weights[row] += 1.0
        deviation = combine((float(w), one.estimate) for w, one in zip(weights, steps, strict=True) if w)
        better = step.fret not in found or deviation.u_mm < found[step.fret].deviation.u_mm
        if better:
            found[step.fret] = FretDeviation(fret=step.fret, deviation=deviation, named=own in named)
    for index, column in enumerate(named):
        if frets[column] not in found:
            fitted = combine((float(w), one.estimate) for w, one in zip(gains[index], steps, strict=True) if w)
            found[frets[column]] = FretDeviation(fret=frets[column], deviation=fitted, named=True)
    return [found[fret] for fret in sorted(found)]
