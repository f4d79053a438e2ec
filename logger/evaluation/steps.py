"""High and low frets from three-fret steps, with the fewest frets that explain them.

A step is the height of a fret over the line through its neighbours. One fret 0.08 high makes both neighbours read
0.04 low; that shadow is not a fault. So the steps are explained by as few deviating frets as possible, chosen by
penalised generalised least squares, and every other fret is judged by what is left of its step.
Lengths in mm, up is positive.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
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
AS_GOOD: Final = 6.0
"""Difference of cost below which another explanation is as good: odds of 20 to 1."""
LONGEST_RUN: Final = 6
"""Neighbours that are tried together; a longer run is the shape of the board, not single frets."""
UNKNOWN_NOISE_MM: Final = 0.05
"""Standard uncertainty that a step of unknown uncertainty weighs with; its verdict stays unknown (our choice)."""
BARELY_TOLD: Final = 1e-9
"""Smallest ratio of eigenvalues at which heights still follow from the steps."""

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
    noise += UNKNOWN_NOISE_MM**2 * np.diag([float(not step.estimate.known) for step in steps])
    readings = np.array([step.estimate.value_mm for step in steps])
    named, replaceable = _fewest(matrix, noise, readings)
    measured = {step.fret for step in steps}
    return [
        replace(one, deviation=replace(one.deviation, known=False, separable=False))
        if frets.index(one.fret) in replaceable and one.fret not in measured
        else one
        for one in _deviations(steps, frets, matrix, noise, named)
    ]


def _fewest(matrix: Floats, noise: Floats, readings: Floats) -> tuple[tuple[int, ...], frozenset[int]]:
    """Choose the columns that explain the readings at least cost, until no change helps.

    A change adds one, two or a run of neighbours, drops one, or puts one in the place of another. Runs are tried as a
    whole because three high frets side by side look, one at a time, like two low ones around them.

    Returns:
        The columns, and those among them that another column could replace at nearly the same cost.
    """
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
        tries += [tuple(sorted({*best, *run})) for run in _runs(matrix.shape[1])]
        tries = [one for one in tries if len(one) <= MOST_DEVIATIONS]
        tries += [tuple(c for c in best if c != gone) for gone in best]
        tries += [tuple(sorted({*best, new} - {old})) for old in best for new in spare]
        winner = min(tries, key=cost, default=best)
        if cost(winner) >= cost(best) - 1e-9:
            break
        best = winner
    replaceable = {
        old for old in best for new in spare if cost(tuple(sorted({*best, new} - {old}))) < cost(best) + AS_GOOD
    }
    return best, frozenset(replaceable)


def _runs(columns: int) -> list[range]:
    """Return every run of three to ``LONGEST_RUN`` neighbouring columns."""
    return [range(a, a + size) for size in range(3, LONGEST_RUN + 1) for a in range(columns - size + 1)]


def _deviations(
    steps: Sequence[Step], frets: Sequence[int], matrix: Floats, noise: Floats, named: tuple[int, ...]
) -> list[FretDeviation]:
    """Return the deviation of every fret with a step of its own, and of every named fret.

    Where no other named fret reaches a step, the deviation is the step itself, as the rocker shows it. Elsewhere the
    fret is fitted together with the named ones, so that the uncertainty of their shadows is in it.
    """
    own = {frets.index(step.fret): row for row, step in reversed(list(enumerate(steps)))}
    found: list[FretDeviation] = []
    for column in sorted({*own, *named}):
        reached = any(matrix[row, other] for row, step in enumerate(steps) if frets.index(step.fret) == column
                      for other in named if other != column)  # fmt: skip
        several = sum(step.fret == frets[column] for step in steps) > 1
        if column in own and not reached and not several:
            deviation = steps[own[column]].estimate
        else:
            deviation = _fitted(steps, matrix, noise, tuple(sorted({*named, column})), column)
        found.append(FretDeviation(fret=frets[column], deviation=deviation, named=column in named))
    return found


def _fitted(steps: Sequence[Step], matrix: Floats, noise: Floats, free: tuple[int, ...], column: int) -> Estimate:
    """Return one fret's deviation, fitted with the others that are free; not known where the steps cannot tell."""
    part = matrix[:, list(free)]
    weighted = np.linalg.solve(noise, part)
    inner = part.T @ weighted
    gains = np.linalg.lstsq(inner, weighted.T, rcond=None)[0][free.index(column)]
    fitted = combine((float(w), one.estimate) for w, one in zip(gains, steps, strict=True) if w)
    values = np.linalg.eigvalsh(inner)
    return fitted if values[0] > BARELY_TOLD * values[-1] else replace(fitted, known=False, separable=False)
