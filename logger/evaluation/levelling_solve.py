"""The exact optimum of a levelling program, ties broken, and how much a limit must give where there is none."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from logger.evaluation.levelling_model import LEAST_UM, UM, Ints, Limit, Objective, Program, Rows
from logger.evaluation.statistics import Floats

Range = tuple[Floats, Floats]
_SLACK_UM: Final = 1e-6
"""How much of the optimum breaking its ties may cost: above the solver's own 1e-7, below what counts as a removal."""
_COARSE_UM: Final = 100.0
"""The unit in which switches are chosen."""
OTHER: Final[dict[Objective, Objective]] = {"total": "largest", "largest": "total"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Optimum:
    """A solution in mm; arrays of shape (paths, frets), zero at places that take no part.

    Attributes:
        cost_mm: the objective, with what exceptions cost.
        removal_mm: removal r.
        down_mm: how far re-seating lowers the place, d.
        raise_mm: how far a replacement or shim must raise the place at least, s.
        line_mm: height of the target's line at the first and last fret, shape (paths, 2); nan without a known height.
        reseats: fret indices that are re-seated.
        exceptions: fret indices that are excepted.
    """

    cost_mm: float
    removal_mm: Floats
    down_mm: Floats
    raise_mm: Floats
    line_mm: Floats
    reseats: tuple[int, ...]
    exceptions: tuple[int, ...]


def optimum(program: Program) -> Optimum | None:
    """Return the best plan, or None when none holds all limits.

    Exceptions without a cost are as few as a plan needs; a re-seat or exception that saves nothing is not named; then
    the other objective is made least among equally good plans with the same frets re-seated and excepted.

    Raises:
        ArithmeticError: the solver gave up.
    """
    fewest = _with_fewest_exceptions(program)
    if fewest is None:
        return None
    program = fewest
    rows, span = [*program.constraints(), program.largest_rows()], program.bounds()
    cost = program.cost(program.limits.objective, exceptions_mm=program.limits.exception_cost_mm or 0.0)
    switches = _switches(program, span)
    found = _solve(cost, rows, span, whole=switches)
    if found is None:
        return None
    chosen, best = _needed(cost, rows, span, switches, found)
    rows.append(Rows.between(cost[None, :], -np.inf, best + _SLACK_UM))
    final = _solvable(program.cost(OTHER[program.limits.objective]), rows, chosen)
    return _unpacked(program, final, best)


def least_relaxation_mm(program: Program, *limits: Limit) -> float:
    """Return by how much some limits, all by the same, must give for a plan to hold; inf when it never does.

    A crown can give no more than all of it. What is said of the tolerance is the tolerance before its guard.
    """
    relaxed = frozenset(limits)
    if "crown" in relaxed:
        return _with_less_crown_um(program, relaxed) / UM
    rows, span = program.constraints(relaxed), program.bounds(relaxed)
    found = _solve(program.one_per("extra"), rows, span, whole=_switches(program, span))
    if found is None:
        return np.inf
    guarded = program.limits.guard_mm - program.limits.tolerance_mm if relaxed == {"tolerance"} else 0.0
    return float(found[-1]) / UM + max(guarded, 0.0)


def line_of_most_within(positions_mm: Floats, height_mm: Floats, tolerance_mm: float) -> tuple[float, float]:
    """Return height at zero and slope of the line that leaves the least sum of lengths outside a tolerance.

    Heights within the tolerance do not pull it, so that one place far out shifts no other. Among such lines the one
    whose furthest height is least far (in effect: it has a thousandth of the weight).

    Args:
        positions_mm: rising, shape (n,), at least two.
        height_mm: shape (n,).
        tolerance_mm: how far a height may be from the line.

    Raises:
        ArithmeticError: the solver gave up.
    """
    n, length = positions_mm.size, positions_mm[-1] - positions_mm[0]
    share = (positions_mm - positions_mm[0]) / length
    design, one, none = np.column_stack([1.0 - share, share]), np.ones((n, 1)), np.zeros((n, 1))
    datum = np.linalg.lstsq(design, height_mm, rcond=None)[0]
    off, most = (height_mm - design @ datum) * UM, tolerance_mm * UM
    rows = [
        Rows.between(np.hstack([sign * design, outside, furthest]), sign * off - allowed, np.inf)
        for sign in (1.0, -1.0)
        for outside, furthest, allowed in ((np.eye(n), none, most), (np.zeros((n, n)), one, 0.0))
    ]
    span = np.r_[-np.inf, -np.inf, np.zeros(n + 1)], np.full(n + 3, np.inf)
    found = _solvable(np.r_[0.0, 0.0, np.ones(n), 1e-3], rows, span)
    low, high = datum + found[:2] / UM
    slope = (high - low) / length
    return float(low - slope * positions_mm[0]), float(slope)


def _switches(program: Program, span: Range) -> Ints:
    """Return the columns of the frets that may be re-seated or excepted."""
    every = np.r_[program.block("y"), program.block("w")]
    free: Ints = every[span[1][every] > 0]
    return free


def _solve(cost: Floats, rows: list[Rows], span: Range, *, whole: Ints | None = None) -> Floats | None:
    """Return the columns of the exact optimum, or None when nothing holds all rows.

    Switches are chosen first, in a coarser unit: a switch that the solver takes for set when it is a millionth off then
    moves less than the solver's own tolerance, which it would otherwise repair (and say so on standard output). All
    else is solved for again in micrometres with the switches as chosen.
    """
    if np.any(span[0] > span[1]):
        return None
    if whole is None or not whole.size:
        return _run(cost, rows, span, np.zeros(cost.size, dtype=np.intp))
    integrality = np.zeros(cost.size, dtype=np.intp)
    integrality[whole] = 1
    unit = np.where(integrality == 1, 1.0, _COARSE_UM)
    coarse = [_coarser(row, unit) for row in rows]
    found = _run(cost * unit / _COARSE_UM, coarse, (span[0] / unit, span[1] / unit), integrality)
    if found is None:
        return None
    return _run(cost, rows, _set(span, whole, [int(c) for c in whole if found[c] > 0.5]), np.zeros_like(integrality))


def _solvable(cost: Floats, rows: list[Rows], span: Range) -> Floats:
    """Return the columns of the optimum of a linear program that has one for sure.

    Raises:
        ArithmeticError: the solver found none, which rounding alone can do.
    """
    found = _solve(cost, rows, span)
    if found is None:
        raise ArithmeticError("the levelling program was lost to rounding: what held before does not hold any more")
    return found


def _coarser(rows: Rows, unit: Floats) -> Rows:
    """Return rows for columns in coarser units, those with a length in them in the coarser unit as well."""
    each = np.where((rows.matrix[:, unit > 1.0] != 0).any(axis=1), 1.0 / _COARSE_UM, 1.0)
    return Rows(matrix=rows.matrix * unit * each[:, None], low=rows.low * each, high=rows.high * each)


def _run(cost: Floats, rows: list[Rows], span: Range, integrality: Ints) -> Floats | None:
    """Return the columns that cost least, or None when nothing holds all rows.

    Raises:
        ArithmeticError: the solver gave up.
    """
    matrix = csr_array(np.vstack([one.matrix for one in rows]))
    held = LinearConstraint(matrix, np.hstack([one.low for one in rows]), np.hstack([one.high for one in rows]))
    found = milp(cost, integrality=integrality, bounds=Bounds(*span), constraints=held, options={"mip_rel_gap": 0.0})
    if found.status == 2:
        return None
    if found.status != 0:
        raise ArithmeticError(f"the levelling program was not solved: {found.message}")
    return np.asarray(found.x, dtype=np.float64)


def _with_fewest_exceptions(program: Program) -> Program | None:
    """Allow no more exceptions than a plan needs, unless they have a cost that says what they are worth."""
    limits = program.limits
    if not limits.exceptions_most or limits.exception_cost_mm is not None:
        return program
    span = program.bounds()
    found = _solve(program.one_per("w"), program.constraints(), span, whole=_switches(program, span))
    if found is None:
        return None
    needed = round(float(found[program.block("w")].sum()))
    return replace(program, limits=replace(limits, exceptions_most=needed))


def _needed(cost: Floats, rows: list[Rows], span: Range, switches: Ints, found: Floats) -> tuple[Range, float]:
    """Return the range with every switch set, those off that save nothing, and the optimum within it."""
    if not switches.size:
        return span, float(cost @ found)
    on = [int(column) for column in switches if found[column] > 0.5]
    best = _value(cost, rows, _set(span, switches, on))
    for column in list(on):
        without = _set(span, switches, [other for other in on if other != column])
        if _value(cost, rows, without) <= best + LEAST_UM:
            on.remove(column)
    return _set(span, switches, on), best


def _set(span: Range, switches: Ints, on: list[int]) -> Range:
    low, high = span[0].copy(), span[1].copy()
    high[switches] = 0.0
    low[on] = high[on] = 1.0
    return low, high


def _value(cost: Floats, rows: list[Rows], span: Range) -> float:
    found = _solve(cost, rows, span)
    return np.inf if found is None else float(cost @ found)


def _unpacked(program: Program, found: Floats, best: float) -> Optimum:
    def spread(name: str) -> Floats:
        values = np.zeros(program.neck.height_mm.shape)
        part = found[program.block(name)]
        values[program.path, program.fret] = np.where(part > LEAST_UM, part, 0.0) / UM
        return values

    def named(name: str) -> tuple[int, ...]:
        return tuple(int(fret) for fret in np.nonzero(found[program.block(name)] > 0.5)[0])

    ends = found[program.block("line")].reshape(-1, 2) / UM
    return Optimum(
        cost_mm=best / UM, removal_mm=spread("r"), down_mm=spread("d"), raise_mm=spread("s"),
        line_mm=program.datum_mm + ends, reseats=named("y"), exceptions=named("w"),
    )  # fmt: skip


def _with_less_crown_um(program: Program, relaxed: frozenset[Limit]) -> float:
    """Return the least relaxation of the crown, and of what else is relaxed with it, micrometres.

    A crown that may not be filed at all becomes one that may where the relaxation passes its own lack, so the program
    is linear only between two such lacks. What holds with less holds with more: bisect, then solve in that piece.
    """
    lack, most = -program.spare, program.limits.crown_min_mm * UM
    ends = np.unique([0.0, *lack[(lack > 0) & (lack < most)], most])
    low, high, found = 0, len(ends) - 1, np.inf
    while low < high:
        middle = (low + high) // 2
        here = _crown_between(program, relaxed, ends[middle], ends[middle + 1])
        if here is None:
            low = middle + 1
        else:
            high, found = middle, here
    return found


def _crown_between(program: Program, relaxed: frozenset[Limit], least: float, most: float) -> float | None:
    """Return the least relaxation of the crown between two lacks, micrometres, or None."""
    span, places = program.bounds(relaxed), np.arange(program.path.size)
    span[0][-1], span[1][-1] = least, most
    filed = -program.spare <= least
    span[1][program.block("r")][~filed] = 0.0
    rows = program.constraints(relaxed)
    for chosen, block, sign in ((filed & np.isfinite(program.spare), "r", 1.0), (program.worn > 0, "w", -1.0)):
        some = places[chosen]
        if not some.size:
            continue
        row, at = program.rows(some.size), np.arange(some.size)
        row[:, -1] = -1.0
        if block == "r":
            row[at, program.block("r").start + some] = sign
            rows.append(Rows.between(row, -np.inf, program.spare[some]))
        else:
            row[at, program.block("w").start + program.fret[some]] = sign * program.worn[some]
            rows.append(Rows.between(row, -np.inf, -program.worn[some]))
    found = _solve(program.one_per("extra"), rows, span, whole=_switches(program, span))
    return None if found is None else float(found[-1])
