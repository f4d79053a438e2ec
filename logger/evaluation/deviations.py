"""Which frets stand off the shape wanted: the fewest that explain every reading of a path.

A step is the height of a fret over the line through its neighbours. One fret 0.08 high makes both neighbours read
0.04 low; that shadow is not a fault. So the readings (steps, long steps, gaps under a straightedge, heights under a
beam) are explained by as few deviating frets as possible, chosen by penalised generalised least squares, beside a bow
of the whole neck and the scatter of good frets; every other fret is judged by what is left of it.
Lengths in mm, up is positive.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Final

import numpy as np

from logger.evaluation.estimate import Cause, Estimate, combine, covariance_mm2, gathered_sums
from logger.evaluation.fewest import Offer, fewest
from logger.evaluation.remembered import Remembered
from logger.evaluation.statistics import Floats

GOOD_SCATTER_MM: Final = 0.007
"""How far good frets scatter about a smooth line, one standard deviation (common practice, no source)."""
BOW_MM: Final = 0.15
"""How far the neck's bow may be from the one wanted, one standard deviation: no fault of a fret (our choice)."""
UNKNOWN_NOISE_MM: Final = 0.05
"""Standard uncertainty that a reading of unknown uncertainty weighs with; its verdict stays unknown (our choice)."""
LEAST_MM: Final = 1e-5
"""Standard uncertainty that a reading without any is given, so that exact readings can be weighed."""
FREE_MM: Final = 3.0
"""Standard uncertainty of what a reading leaves open, such as where a beam begins: more than any neck needs."""
BARELY_TOLD: Final = 1e-9
"""Smallest ratio of eigenvalues at which heights still follow from the readings."""
NOT_TOLD: Final = (
    "the readings cannot tell this fret from its neighbours: measure the steps beside it, a longer step, or the gap "
    "under a straightedge"
)
END_FRET: Final = (
    "the first and the last fret have no step of their own, so that they are known from the frets beside them only: a "
    "step with a foot on the nut, or a gap under a straightedge, tells more"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """A measured sum of heights.

    Attributes:
        fret: the fret under the gauge.
        heights: weight of each fret's height in the reading; 0 is the nut.
        estimate: the reading with its causes of uncertainty; a zero or a bow that others share is one of them.
        free: sensitivity to what is left open and shared, by name, such as offset and tilt of one traverse of a beam.
        own: whether it is the fret's step over its two neighbours, which is what a deviation means.
        board: weight of the bare board's height under each fret; `solve` alone knows these.
    """

    fret: int
    heights: Mapping[int, float]
    estimate: Estimate
    free: Mapping[str, float] = field(default_factory=dict)
    own: bool = False
    board: Mapping[int, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class FretDeviation:
    """How far one fret stands off once others' shadows are taken away; ``named`` if it is a cause."""

    fret: int
    deviation: Estimate
    named: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Model:
    """Readings less what the target says, their weights by fret, and what follows from their covariance.

    ``weighted`` is the inverse of the covariance, with bow and scatter in it, times ``matrix``; ``normal`` is the
    matrix of the normal equations of all frets.
    """

    path: str | None
    sightings: Sequence[Sighting]
    frets: Sequence[int]
    matrix: Floats
    off: Sequence[Estimate]
    bow: Floats
    weighted: Floats
    normal: Floats

    def offer(self) -> Offer:
        """Return what the search for causes needs of this path."""
        values = np.array([one.value_mm for one in self.off])
        weak = frozenset(self.frets) - {one.fret for one in self.sightings if one.own}
        return Offer(
            frets=tuple(self.frets), weak=weak, normal=self.normal, right=self.weighted.T @ values
        )  # fmt: skip


def explain(
    sightings: Sequence[Sighting], positions_mm: Floats, shape_mm: Floats | None = None, *, ends: Sequence[int] = ()
) -> list[FretDeviation]:
    """Return one deviation per fret that has a reading of its own, is named as a cause, or is one of ``ends``.

    Args:
        sightings: readings of one string path, any order, at least one.
        positions_mm: distance from the nut by fret number in mm.
        shape_mm: the shape wanted by fret number; None for a straight line.
        ends: first and last fret, which no step of their own reaches.
    """
    shapes: dict[str | None, Floats] = {None: np.zeros(len(positions_mm)) if shape_mm is None else shape_mm}
    return explain_paths({None: sightings}, lambda _path: positions_mm, shapes, ends=ends)[None]


def explain_paths(
    paths: Mapping[str | None, Sequence[Sighting]], positions_mm: Callable[[str | None], Floats],
    shapes_mm: Mapping[str | None, Floats], *, ends: Sequence[int] = (), known: Remembered | None = None,
) -> dict[str | None, list[FretDeviation]]:  # fmt: skip
    """Return the deviations of every path; a fret that stands off on one path is more likely to do so on the others.

    Args:
        paths: readings by string path, at least one each.
        positions_mm: gives the distances from the nut by fret number of a path, in mm.
        shapes_mm: the shape wanted by path and fret number.
        ends: first and last fret, which no step of their own reaches.
        known: what is remembered of the same neck; a path without a new sighting gives the very same deviations where
            the same frets are named.
    """
    known = known or Remembered()
    models = {
        path: known.once(("model", path), tuple(own), partial(_model, path, own, positions_mm(path), shapes_mm[path]))
        for path, own in paths.items()
    }
    named = fewest([model.offer() for model in models.values()])
    return {
        path: known.once(("deviations", path), (model,), partial(_explained, model, *own, ends), given=(own, ends))
        for (path, model), own in zip(models.items(), named, strict=True)
    }


def _explained(
    model: _Model, chosen: Sequence[int], replaceable: Collection[int], ends: Sequence[int]
) -> list[FretDeviation]:
    measured = {one.fret for one in model.sightings}
    wanted = [model.frets.index(end) for end in ends if end in model.frets and end not in measured]
    columns = tuple(model.frets.index(fret) for fret in chosen)
    return [
        replace(one, deviation=replace(one.deviation, known=False, doubt=NOT_TOLD))
        if one.fret in replaceable and one.fret not in measured
        else one
        for one in _deviations(model, columns, wanted)
    ]


def _model(path: str | None, sightings: Sequence[Sighting], positions_mm: Floats, shape_mm: Floats) -> _Model:
    frets = sorted({fret for one in sightings for fret, weight in one.heights.items() if weight})
    matrix = np.array([[one.heights.get(fret, 0.0) for fret in frets] for one in sightings])
    wanted = matrix @ shape_mm[frets]
    off = [combine([(1.0, one.estimate)], constant_mm=-float(part))
           for one, part in zip(sightings, wanted, strict=True)]  # fmt: skip
    along = (positions_mm[frets] - positions_mm[0]) / (positions_mm[-1] - positions_mm[0])
    bow = matrix @ (4 * along * (1 - along))
    noise = covariance_mm2(off) + GOOD_SCATTER_MM**2 * (matrix @ matrix.T) + BOW_MM**2 * np.outer(bow, bow)
    noise += _free(sightings) + LEAST_MM**2 * np.eye(len(sightings))
    noise += UNKNOWN_NOISE_MM**2 * np.diag([float(not one.known) for one in off])
    weighted = np.linalg.solve(noise, matrix)
    return _Model(
        path=path, sightings=sightings, frets=frets, matrix=matrix, off=off, bow=bow, weighted=weighted,
        normal=matrix.T @ weighted,
    )  # fmt: skip


def _free(sightings: Sequence[Sighting]) -> Floats:
    names = sorted({name for one in sightings for name in one.free})
    loads = np.array([[one.free.get(name, 0.0) for name in names] for one in sightings]) * FREE_MM
    covariance: Floats = loads @ loads.T if names else np.zeros((len(sightings), len(sightings)))
    return covariance


def _deviations(model: _Model, named: tuple[int, ...], ends: Sequence[int]) -> list[FretDeviation]:
    """Return the deviation of every fret with a reading of its own, of every named fret and of the ends.

    Each is fitted together with the named ones, so that the uncertainty of their shadows is in it, against a smooth
    line through all others: one step alone is that step, among others their scatter weighs less than in a single
    step. A fret without a step of its own hangs on the few frets beside it, whose scatter then counts too.
    """
    stepped = {one.fret for one in model.sightings if one.own}
    measured = {model.frets.index(one.fret) for one in model.sightings}
    columns = sorted({*measured, *named, *ends})
    fitted = {**_fitted(model, [named], named), **_beside(model, named, [one for one in columns if one not in named])}
    found: list[FretDeviation] = []
    for column in columns:
        deviation, around = fitted[column]
        fret = model.frets[column]
        if not deviation.doubt and fret not in stepped:
            words = f"scatter of the frets around fret {fret}"
            cause = Cause(name=f"scatter:{model.path}:{fret}", words=words, u_mm=around)
            deviation = replace(deviation, terms=(*deviation.terms, (cause, 1.0)))
        if column in ends and not deviation.doubt:
            deviation = replace(deviation, doubt=END_FRET)
        found.append(FretDeviation(fret=fret, deviation=deviation, named=column in named))
    return found


def _beside(model: _Model, named: tuple[int, ...], columns: Sequence[int]) -> dict[int, tuple[Estimate, float]]:
    """Return what `_fitted` does for each of some frets that are not named."""
    return _fitted(model, [tuple(sorted({*named, column})) for column in columns], columns)


def _fitted(
    model: _Model, sets: Sequence[tuple[int, ...]], columns: Sequence[int]
) -> dict[int, tuple[Estimate, float]]:
    """Return deviations by column, each fitted with the others that are free, and the scatter around each in mm.

    One is not known where the readings cannot tell.

    Args:
        model: the path.
        sets: columns that are free together, all of one size: one set for each column, or one that holds them all.
        columns: those that are wanted.
    """
    if not columns:
        return {}
    free = np.array(sets)
    inner, right = model.normal[free[:, :, None], free[:, None, :]], model.weighted.T[free]
    sizes = np.linalg.eigvalsh(inner)
    told = sizes[:, 0] > BARELY_TOLD * sizes[:, -1]
    solved = np.empty_like(right)
    solved[told] = np.linalg.solve(inner[told], right[told])
    for index in np.flatnonzero(~told):
        solved[index] = np.linalg.lstsq(inner[index], right[index], rcond=None)[0]
    own = list(range(len(columns))) if len(sets) > 1 else [0] * len(columns)
    rows = [sets[index].index(column) for index, column in zip(own, columns, strict=True)]
    gains: Floats = solved[own, rows]
    others = gains @ model.matrix
    np.put_along_axis(others, free[own], 0.0, axis=1)
    around = np.hypot(GOOD_SCATTER_MM * np.linalg.norm(others, axis=1), BOW_MM * (gains @ model.bow))
    sums = gathered_sums(gains, model.off, [f"{model.path}:{model.frets[column]}" for column in columns])
    deviations = [one if tells else replace(one, known=False, doubt=NOT_TOLD)
                  for one, tells in zip(sums, told[own], strict=True)]  # fmt: skip
    return dict(zip(columns, zip(deviations, around.tolist(), strict=True), strict=True))
