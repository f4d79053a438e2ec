"""The levelling plan: how much to file off which fret, what else could be done, and what a second sweep says of it.

The model is stated in `logger.evaluation.levelling_model`; lengths in mm, up is positive, frets are indices from 0.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from logger.errors import InsufficientDataError
from logger.evaluation.levelling_model import LIMITS, Bools, Limit, Neck, PlanLimits, Program
from logger.evaluation.levelling_plan import COVERAGE, LevellingPlan, NoPlan, SingleReseat, no_plan, plan_of
from logger.evaluation.levelling_solve import Optimum, least_relaxation_mm, line_of_most_within, optimum
from logger.evaluation.statistics import Floats

__all__ = ["Alternative", "LevellingPlan", "Neck", "NoPlan", "PlanLimits", "SingleReseat", "Verification",
           "alternatives", "plan_levelling", "verify"]  # fmt: skip

Kind = Literal["leave", "lowest", "line", "level", "reseat", "except", "board"]
_HAIR_MM = 1e-9
"""Limits are held when exceeded by no more than this: the rounding of doubles."""
_NANOMETRE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """One way to go.

    Attributes:
        kind: leave it; file all to the lowest place; file down to the middle line; the plan; the plan with re-seats;
            the plan with exceptions; pull the frets and level the board.
        reseats: how many re-seats were allowed.
        result: what it comes to, or why it cannot be done. For the board the removals are sanding of its wood.
    """

    kind: Kind
    reseats: int = 0
    result: LevellingPlan | NoPlan


def plan_levelling(neck: Neck, limits: PlanLimits) -> LevellingPlan | NoPlan:
    """Return the plan that files least, or what stands in its way.

    Raises:
        InsufficientDataError: no height is known.
    """
    found = _planned(neck, limits)
    if isinstance(found, NoPlan) or neck.seated_mm is None:
        return found
    return replace(found, best_single_reseat=_best_single(neck, limits, {limits.reseats: found}))


def _planned(neck: Neck, limits: PlanLimits) -> LevellingPlan | NoPlan:
    found = optimum(Program(neck=neck, limits=limits))
    return plan_of(neck, limits, found) if found else _blocked(Program(neck=neck, limits=limits), "no plan holds")


def _blocked(program: Program, doing: str) -> NoPlan:
    relaxations = {limit: least_relaxation_mm(program, limit) for limit in LIMITS}
    if min(relaxations.values()) < np.inf:
        return no_plan(relaxations, program.limits, doing=doing)
    together, give = _together(program)
    return no_plan(relaxations, program.limits, doing=doing, together=together, together_mm=give)


def _together(program: Program) -> tuple[tuple[Limit, ...], float]:
    """Return which limits are in the way together where none is alone, and by how much each must give.

    A limit is left out where the others need give no more without it: a crown that nobody measured is in no one's way.
    """
    needed, give = LIMITS, least_relaxation_mm(program, *LIMITS)
    for limit in LIMITS if np.isfinite(give) else ():
        others = tuple(other for other in needed if other != limit)
        if least_relaxation_mm(program, *others) <= give + _NANOMETRE:
            needed = others
    return needed, give


def _best_single(
    neck: Neck, limits: PlanLimits, known: Mapping[int, LevellingPlan | NoPlan]
) -> SingleReseat | None:  # fmt: skip
    """Return which single re-seat saves the most, from plans by the number of re-seats as far as they are known."""
    without, single = (
        known[count] if count in known else _attempt(neck, replace(limits, reseats=count)) for count in (0, 1)
    )
    if not isinstance(single, LevellingPlan) or not single.reseats:
        return None
    before = without.objective_mm if isinstance(without, LevellingPlan) else np.inf
    return SingleReseat(fret_index=single.reseats[0], saved_mm=before - single.objective_mm)


def _attempt(neck: Neck, limits: PlanLimits) -> LevellingPlan | None:
    found = optimum(Program(neck=neck, limits=limits))
    return plan_of(neck, limits, found) if found else None


def alternatives(neck: Neck, limits: PlanLimits, *, board_mm: Floats | None = None) -> tuple[Alternative, ...]:
    """Return what could be done, side by side.

    Leaving it, filing to the lowest and filing to the line are what they are: they use no re-seat and no exception.
    The plans with 1 to ``limits.reseats`` re-seats use no exception either; the one with exceptions is there where the
    limits allow some, and uses all that they allow. A plan that leaves its further re-seats or exceptions unused is the
    one before it, and stands once.

    Args:
        neck: what was measured.
        limits: what bounds the plans.
        board_mm: heights of the board under the frets, shape (paths, frets), nan where not known, or None.

    Raises:
        InsufficientDataError: no height is known.
    """
    plain = replace(limits, reseats=0, exceptions_most=0)
    many = limits.reseats if neck.seated_mm is not None else 0
    plans = {count: _planned(neck, replace(plain, reseats=count)) for count in range(many + 1)}
    best = _best_single(neck, plain, plans) if many else None
    found = [
        Alternative(kind="leave", result=_left(neck, plain)),
        Alternative(kind="lowest", result=_to_lowest(neck, plain)),
        Alternative(kind="line", result=_to_line(neck, plain)),
    ]
    for count, plan in plans.items():
        if count and _same_work(plan, plans[count - 1]):
            continue
        told = replace(plan, best_single_reseat=best) if isinstance(plan, LevellingPlan) else plan
        found.append(Alternative(kind="reseat" if count else "level", reseats=count, result=told))
    if limits.exceptions_most:
        excepted = _planned(neck, replace(limits, reseats=many))
        if not _same_work(excepted, plans[many]):
            found.append(Alternative(kind="except", reseats=many, result=excepted))
    if board_mm is not None:
        found.append(Alternative(kind="board", result=_in_the_board(neck, plain, board_mm)))
    return tuple(found)


def _same_work(one: LevellingPlan | NoPlan, other: LevellingPlan | NoPlan) -> bool:
    """Whether two plans seat and except the same frets; two that are not possible may differ in why."""
    if not isinstance(one, LevellingPlan) or not isinstance(other, LevellingPlan):
        return False
    return (tuple(one.reseats), tuple(one.exceptions)) == (tuple(other.reseats), tuple(other.exceptions))


def _left(neck: Neck, limits: PlanLimits) -> LevellingPlan | NoPlan:
    program = Program(neck=neck, limits=limits, filing=False)
    found = optimum(program)
    return plan_of(neck, limits, found) if found else _blocked(program, "it cannot be left as it is")


def _to_lowest(neck: Neck, limits: PlanLimits) -> LevellingPlan | NoPlan:
    """File every place to the target whose line lies along the middle line of its path, through its lowest place."""
    program = Program(neck=neck, limits=limits)
    above = _above_middle(program)
    lowest = np.nanmin(np.where(np.isnan(above), np.inf, above), axis=1, keepdims=True)
    lowest = np.where(np.isinf(lowest), 0.0, lowest)
    removal = np.nan_to_num(above - lowest)
    return _judged(program, removal, program.datum_mm + lowest, "filing all to the lowest place does not hold")


def _to_line(neck: Neck, limits: PlanLimits) -> LevellingPlan | NoPlan:
    """File what stands above the middle line of its path down to it, and leave the rest."""
    program = Program(neck=neck, limits=limits)
    removal = np.clip(np.nan_to_num(_above_middle(program)), 0.0, None)
    return _judged(program, removal, program.datum_mm, "filing to the middle line does not hold")


def _above_middle(program: Program) -> Floats:
    """Return heights above the target along the least-squares line of every path, mm, shape (paths, frets)."""
    above = np.full(program.neck.height_mm.shape, np.nan)
    above[program.path, program.fret] = program.off / 1000.0
    return above


def _judged(program: Program, removal_mm: Floats, line_mm: Floats, doing: str) -> LevellingPlan | NoPlan:
    """Return a given removal as a plan, or by how much it breaks each limit; all that it breaks must give."""
    neck, limits = program.neck, program.limits
    cost = removal_mm.sum() if limits.objective == "total" else removal_mm.max()
    zero = np.zeros_like(removal_mm)
    given = Optimum(cost_mm=float(cost), removal_mm=removal_mm, down_mm=zero, raise_mm=zero, line_mm=line_mm,
                    reseats=(), exceptions=())  # fmt: skip
    plan = plan_of(neck, limits, given)
    broken = _broken_mm(plan)
    if not broken:
        return plan
    worst = max(broken, key=lambda limit: broken[limit])
    said = no_plan({worst: broken[worst]}, limits, doing=doing)
    return NoPlan(
        limit=worst, short_mm=broken[worst], relaxations_mm=broken, sentence=said.sentence, reason=said.reason
    )


def _broken_mm(plan: LevellingPlan) -> dict[Limit, float]:
    """Return by how much a plan without exceptions breaks the limits that it does break."""
    lacking = np.nan_to_num(plan.limits.crown_min_mm - plan.crown_left_mm, nan=-np.inf)
    off = np.nan_to_num(np.abs(plan.left_mm), nan=-np.inf) - plan.limits.band_mm
    steps = np.nan_to_num(np.abs(np.diff(plan.left_mm, axis=1)), nan=-np.inf) - plan.limits.step_mm
    sizes: dict[Limit, float] = {
        "crown": float(lacking[plan.neck.known].max(initial=-np.inf)),
        "step": float(steps.max(initial=-np.inf)),
        "tolerance": float(off.max()),
    }
    return {limit: size for limit, size in sizes.items() if size > _HAIR_MM}


def _in_the_board(neck: Neck, limits: PlanLimits, board_mm: Floats) -> LevellingPlan | NoPlan:
    """Level the wood to the same target, no crown bounding it; a sentence-bearing error becomes no plan."""
    unknown = np.full_like(neck.height_mm, np.nan)
    wood = replace(neck, height_mm=board_mm, crown_mm=unknown, u_mm=unknown, seated_mm=None, crown_width_mm=None)
    try:
        return _planned(wood, replace(limits, crown_min_mm=0.0, recrown_mm=0.0))
    except InsufficientDataError:
        unknown_board = "no height of the board is known"
        return NoPlan(limit=None, short_mm=np.inf, relaxations_mm={}, sentence=unknown_board, reason=unknown_board)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What a second sweep says of a plan; arrays of shape (paths, frets), nan where either height is not known.

    Attributes:
        over_mm: height reached less height planned, a line of every path taken off; positive: still to be filed.
        u_over_mm: its standard uncertainty, that of both sweeps and of the line.
        left_mm: height reached less the target, along the line that leaves least outside the tolerance.
        within: places that lie in the tolerance, whatever the uncertainty.
        told: places where the expanded uncertainty (95 %) leaves no doubt of that.
        flat_mm: width of the crown's flat: measured where given, else as planned.
        flat_too_wide: flats above the limit.
    """

    over_mm: Floats
    u_over_mm: Floats
    left_mm: Floats
    within: Bools
    told: Bools
    flat_mm: Floats
    flat_too_wide: Bools


def verify(
    plan: LevellingPlan, height_mm: Floats, u_mm: Floats, *, flat_most_mm: float, flat_mm: Floats | None = None
) -> Verification:
    """Compare a second sweep with the plan.

    The two sweeps have different chords, so a line of every path is free. What is over the plan is seen from the
    weighted least-squares line of the difference, which a single place far from its plan pulls towards itself by its
    share in it; errors of different places are taken as independent. Whether the frets are level now is asked of the
    second sweep alone, by the plan's own measure: is there a line that every place keeps to within the tolerance, and
    if there is none, what lies outside the best? Exceptions shape neither line. A path with two other places or fewer
    tells nothing.

    Args:
        plan: what was planned.
        height_mm: crown tops of the second sweep, shape (paths, frets), nan where not known.
        u_mm: their standard uncertainties, above zero where the height is known.
        flat_most_mm: widest flat that recrowning can round.
        flat_mm: measured widths of the flats, shape (paths, frets), nan where not measured, or None.

    Raises:
        ValueError: an array has another shape, or an uncertainty of a known height is not above zero.
    """
    shape = plan.planned_mm.shape
    if any(value is not None and value.shape != shape for value in (height_mm, u_mm, flat_mm)):
        raise ValueError(f"heights, uncertainties and flats must have the plan's shape {shape}")
    known = np.isfinite(height_mm) & plan.neck.known
    if not np.all(u_mm[known] > 0):
        raise ValueError("`u_mm` must be above zero where a height is known")
    first = np.where(np.isnan(plan.neck.u_mm), 0.0, plan.neck.u_mm)
    over, u_over, left = (np.full(shape, np.nan) for _ in range(3))
    for p, row in enumerate(known):
        used = row.copy()
        used[list(plan.exceptions)] = False
        if np.count_nonzero(used) > 2:
            variance = u_mm[p, row] ** 2 + first[p, row] ** 2
            keep = _off_line(plan.neck.positions_mm[row], np.where(used[row], 1.0 / variance, 0.0))
            over[p, row] = keep @ (height_mm[p] - plan.planned_mm[p])[row]
            u_over[p, row] = np.sqrt((keep**2) @ variance)
            left[p, row] = _above_line(plan, height_mm[p] - plan.neck.shape_mm[p], used)[row]
    edge = plan.limits.tolerance_mm - np.abs(left)
    flats = _flats(plan, flat_mm)
    return Verification(
        over_mm=over, u_over_mm=u_over, left_mm=left, within=edge >= -_HAIR_MM,
        told=np.abs(edge) > COVERAGE * u_mm, flat_mm=flats, flat_too_wide=flats > flat_most_mm + _HAIR_MM,
    )  # fmt: skip


def _off_line(positions_mm: Floats, weight: Floats) -> Floats:
    """Return the matrix that takes a weighted least-squares line off, shape (n, n)."""
    x = positions_mm - np.average(positions_mm, weights=weight)
    design = np.column_stack([np.ones_like(x), x / np.abs(x).max()])
    normal = design.T * weight
    keep: Floats = np.eye(x.size) - design @ np.linalg.solve(normal @ design, normal)
    return keep


def _above_line(plan: LevellingPlan, height_mm: Floats, used: Bools) -> Floats:
    """Return heights above the line that leaves the least of the used ones outside the tolerance, shape (frets,)."""
    x = plan.neck.positions_mm
    height, slope = line_of_most_within(x[used], height_mm[used], plan.limits.tolerance_mm)
    return height_mm - (height + slope * x)


def _flats(plan: LevellingPlan, measured_mm: Floats | None) -> Floats:
    return plan.flat_mm if measured_mm is None else np.where(np.isnan(measured_mm), plan.flat_mm, measured_mm)
