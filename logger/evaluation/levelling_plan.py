"""What a levelling plan says, place by place, and the sentence where there is none."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.evaluation.levelling_model import LIMITS, Bools, Limit, Neck, Objective, PlanLimits
from logger.evaluation.levelling_shape import flat_width_mm
from logger.evaluation.levelling_solve import Optimum
from logger.evaluation.statistics import Floats

COVERAGE: Final = 1.959963984540054
"""Expanded over standard uncertainty at 95 % for a normal distribution (JCGM 100:2008 G.2)."""
_TOUCHES_MM: Final = 1e-6
"""A place this near an edge of the band lies at it: a nanometre."""
_WHOLE: Final = 1e-9
"""A number of levellings this near above is a whole one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleReseat:
    """The one fret whose re-seating saves the most.

    Attributes:
        fret_index: which fret, from 0.
        saved_mm: by how much it lowers the objective; inf where there is no plan without it.
    """

    fret_index: int
    saved_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LevellingPlan:
    """What to file; arrays of shape (paths, frets), nan at places whose height is not known.

    Attributes:
        neck: what was measured.
        limits: what bounds the plan.
        removal_mm: how much comes off the crown top.
        down_mm: how far re-seating must lower the place; 0 elsewhere.
        raise_mm: how far a replacement or shim must raise the place at least; 0 elsewhere.
        planned_mm: crown top when all is done but replacing and shimming.
        left_mm: that less the target, positive stands high; within the band save at exceptions.
        line_mm: the target's line of every path, height at the nut and slope in mm per mm, shape (paths, 2).
        crown_left_mm: crown after filing, and recrowning where it was filed; nan where the crown is not known.
        flat_mm: width of the flat that filing leaves, 0 where nothing is filed; nan without the crown's sizes.
        levellings_left: how many more such levellings each fret's wire has, shape (frets,); inf where nothing is filed.
        u_removal_mm: standard uncertainty of the removal: of the height over the two places of its path that nothing
            is filed off and that hold the target's line, or off a free line if that is more; nan where not known.
        noise: removals below their own expanded uncertainty (95 %); one whose uncertainty is not known counts as noise.
        reseats: fret indices to re-seat, from 0.
        exceptions: fret indices to replace or shim.
        total_mm: sum of the removals.
        largest_mm: the largest removal.
        objective: which of the two was made least.
        objective_mm: its value, with what exceptions cost.
        best_single_reseat: None where no single one saves anything or the seated heights are not known.
    """

    neck: Neck
    limits: PlanLimits
    removal_mm: Floats
    down_mm: Floats
    raise_mm: Floats
    planned_mm: Floats
    left_mm: Floats
    line_mm: Floats
    crown_left_mm: Floats
    flat_mm: Floats
    levellings_left: Floats
    u_removal_mm: Floats
    noise: Bools
    reseats: tuple[int, ...]
    exceptions: tuple[int, ...]
    total_mm: float
    largest_mm: float
    objective: Objective
    objective_mm: float
    best_single_reseat: SingleReseat | None = None

    @property
    def unknown(self) -> Bools:
        """Places that took no part because their height is not known, shape (paths, frets)."""
        return ~self.neck.known

    @property
    def crown_unknown(self) -> Bools:
        """Places that are filed although their crown is not known, so that nothing bounds it, shape (paths, frets)."""
        return np.isnan(self.neck.crown_mm) & (np.nan_to_num(self.removal_mm) > 0)

    @property
    def levellings_left_least(self) -> float:
        """How many more such levellings the wire has: of the fret with the fewest; nan where no crown is known."""
        told = self.levellings_left[np.isfinite(self.levellings_left) | np.isposinf(self.levellings_left)]
        return float(told.min()) if told.size else np.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class NoPlan:
    """Why nothing holds all limits.

    Attributes:
        limit: the limit that must give least; None when none of them, alone, can give enough.
        short_mm: by how much it must give; inf when none can.
        relaxations_mm: the same for every limit in turn, the others unchanged; inf when it never does.
        together_mm: where none can alone, by how much those in the way must each give; inf when that is no help.
        sentence: what cannot be done and why, in words without a full stop.
        reason: the why alone.
    """

    limit: Limit | None
    short_mm: float
    relaxations_mm: Mapping[Limit, float]
    sentence: str
    reason: str
    together_mm: float = math.inf


def plan_of(neck: Neck, limits: PlanLimits, found: Optimum) -> LevellingPlan:
    """Return the plan of a solution of the program, or of any other removal."""
    known = neck.known
    removal, down, lift = (
        np.where(known, value, np.nan) for value in (found.removal_mm, found.down_mm, found.raise_mm)
    )
    planned = neck.height_mm - down - removal
    line = _through(neck.positions_mm, found.line_mm)
    left = planned - (line[:, :1] + line[:, 1:] * neck.positions_mm) - neck.shape_mm
    filed = removal > 0
    u = _u_removal(neck, removal, left, limits.tolerance_mm - limits.guard_mm)
    expanded = COVERAGE * np.where(np.isnan(u), np.inf, u)
    return LevellingPlan(
        neck=neck, limits=limits, removal_mm=removal, down_mm=down, raise_mm=lift, planned_mm=planned, left_mm=left,
        line_mm=line, crown_left_mm=neck.crown_mm - removal - np.where(filed, limits.recrown_mm, 0.0),
        flat_mm=_flat(neck, removal), levellings_left=_levellings_left(neck, limits, removal),
        u_removal_mm=u, noise=filed & (removal < expanded), reseats=found.reseats, exceptions=found.exceptions,
        total_mm=float(np.nansum(removal)), largest_mm=float(np.nanmax(removal)), objective=limits.objective,
        objective_mm=found.cost_mm,
    )  # fmt: skip


def _u_removal(neck: Neck, removal_mm: Floats, left_mm: Floats, band_mm: float) -> Floats:
    """Return the standard uncertainty of every removal, shape (paths, frets).

    What is filed ends at the line; the line is held by the places that lie at an edge of the band with nothing filed
    off them. If they move, everything filed between and beyond moves along, as a straight line does. Which places
    hold it is uncertain as well, so that no place counts as surer than off a free line.
    """
    if neck.covariance_mm2 is None:
        return neck.u_mm
    u = np.full(neck.height_mm.shape, np.nan)
    for row, known in enumerate(neck.known):
        bare = known & ~(removal_mm[row] > 0)
        holds = np.flatnonzero(bare & (np.abs(np.abs(left_mm[row]) - band_mm) < _TOUCHES_MM))
        if len(holds) < 2:  # the step from fret to fret or a crown holds the line: the outermost that are not filed
            holds = np.flatnonzero(bare) if np.count_nonzero(bare) > 1 else np.flatnonzero(known)
        if len(holds) < 2:
            continue
        first, last = holds[0], holds[-1]
        x = neck.positions_mm
        share = (x - x[first]) / (x[last] - x[first])
        over = np.eye(len(x))
        over[:, first] -= 1 - share
        over[:, last] -= share
        covariance = neck.covariance_mm2[row][np.ix_(known, known)]
        spread = np.sqrt(
            np.clip(np.diag(over[np.ix_(known, known)] @ covariance @ over[np.ix_(known, known)].T), 0, None)
        )
        u[row, known] = np.maximum(spread, neck.u_mm[row, known])
    return u


def _through(positions_mm: Floats, ends_mm: Floats) -> Floats:
    """Return height at the nut and slope of lines given at the first and last fret, shape (paths, 2)."""
    length = positions_mm[-1] - positions_mm[0]
    slope = (ends_mm[:, 1] - ends_mm[:, 0]) / length if length else np.zeros(len(ends_mm))
    return np.column_stack([ends_mm[:, 0] - slope * positions_mm[0], slope])


def _flat(neck: Neck, removal_mm: Floats) -> Floats:
    width = np.full_like(removal_mm, np.nan) if neck.crown_width_mm is None else neck.crown_width_mm
    return np.where(removal_mm == 0, 0.0, flat_width_mm(removal_mm, crown_mm=neck.crown_mm, width_mm=width))


def _levellings_left(neck: Neck, limits: PlanLimits, removal_mm: Floats) -> Floats:
    """Return how often the same removal and recrowning still fit into each fret's crown, shape (frets,)."""
    filed = removal_mm > 0
    each = np.where(filed, removal_mm + limits.recrown_mm, 1.0)
    count = np.floor((neck.crown_mm - each - limits.crown_min_mm) / each + _WHOLE)
    count = np.where(filed, np.maximum(count, 0.0), np.where(np.isnan(removal_mm), np.nan, np.inf))
    least = np.where(np.isnan(count), np.inf, count).min(axis=0)
    untold = np.isnan(count).all(axis=0) | (np.isnan(count) & filed).any(axis=0)
    return np.where(untold, np.nan, least)


_WORDS: Final[Mapping[Limit, str]] = {
    "crown": "the least crown left",
    "step": "the step from fret to fret",
    "tolerance": "the tolerance about the target",
}


def no_plan(
    relaxations_mm: Mapping[Limit, float], limits: PlanLimits, *, doing: str, together: Sequence[Limit] = LIMITS,
    together_mm: float = math.inf,
) -> NoPlan:  # fmt: skip
    """Return what stands in the way, from how much every limit would have to give alone.

    Args:
        relaxations_mm: mm by limit, inf when it never does.
        limits: what bounds the plan.
        doing: what cannot be done, to begin the sentence.
        together: where none can alone, the limits that are in the way together.
        together_mm: how much each of these would have to give.
    """
    limit = min(relaxations_mm, key=lambda one: relaxations_mm[one])
    short = relaxations_mm[limit]
    none = math.isinf(short)
    reason = _together_in_the_way(together, together_mm) if none else _in_the_way(limit, short, limits)
    return NoPlan(
        limit=None if none else limit, short_mm=short, relaxations_mm=dict(relaxations_mm),
        sentence=f"{doing}: {reason}", reason=reason, together_mm=together_mm,
    )  # fmt: skip


def _together_in_the_way(limits: Sequence[Limit], give_mm: float) -> str:
    *names, last = (_WORDS[limit] for limit in limits)
    several = f"{', '.join(names)} and {last}"
    if math.isinf(give_mm):
        return f"no crown is high enough, whatever {several} give; frets must be re-seated, shimmed or replaced"
    return f"{several} are in the way together; each would have to give {_enough(give_mm):.3f} mm"


def _in_the_way(limit: Limit, short_mm: float, limits: PlanLimits) -> str:
    value = {"crown": limits.crown_min_mm, "step": limits.step_mm, "tolerance": limits.tolerance_mm}[limit]
    give, way, sign = _enough(short_mm), *(("less", -1) if limit == "crown" else ("more", 1))
    return (
        f"{_WORDS[limit]}, {value:.3f} mm, is in the way; it would have to be {value + sign * give:.3f} mm "
        f"({give:.3f} mm {way})"
    )


def _enough(short_mm: float) -> float:
    """Return a length rounded up to a micrometre, so that what is said does suffice."""
    return math.ceil(short_mm * 1000 - 1e-6) / 1000
