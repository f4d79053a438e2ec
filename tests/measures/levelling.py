"""Compare the levelling plan with another solver on invented necks, and time it.

    levelling.py --necks 1000 --seed 1

Each neck is planned without re-seats, with one or two, and with exceptions; the optimum must be that of GLPK to 1e-6 mm
and never worse than leaving it, filing all to the lowest place or to the middle line. The second formulation shares no
code with the program's: it is in millimetres, has intercept and slope as unknowns, an unknown of its own for what
filing leaves, and equations between them. Times are those of 24 frets and 3 paths. Exit status 1 when anything differs.
"""

import argparse
import json
import sys
import time
from collections import Counter
from dataclasses import replace

import numpy as np
from cvxopt import glpk, matrix, spmatrix

from logger.evaluation.levelling import LevellingPlan, Neck, NoPlan, PlanLimits, alternatives, plan_levelling
from logger.evaluation.levelling_shape import across, fall_away_mm, relief_mm
from logger.evaluation.scale import fret_positions_mm

SAME_MM = 1e-6
NO_CROWN_MM = 10.0
SIMPLE = ("leave", "lowest", "line")


def random_neck(rng: np.random.Generator, *, frets: int | None = None, paths: int | None = None) -> Neck:
    """A neck as a bench sees it: scatter, a few frets low or standing off their slots, some places unread."""
    frets, paths = frets or int(rng.integers(2, 25)), paths or int(rng.integers(1, 4))
    x = fret_positions_mm(float(rng.choice([380.0, 645.0, 864.0])), frets)[1:]
    shape = np.zeros((paths, frets))
    if frets > 3:
        for p, depth in enumerate(across(rng.uniform(-0.05, 0.3), rng.uniform(-0.05, 0.3), paths)):
            shape[p] = relief_mm(x, between_mm=(x[0], x[-1]), depth_mm=depth)
            shape[p] += fall_away_mm(x, join_mm=x[2 * frets // 3], last_mm=x[-1], drop_mm=rng.uniform(0, 0.2))
    seated = shape + rng.normal(0, 0.012, (paths, frets)) + rng.normal(0, 0.01, frets)
    seated += rng.uniform(-0.3, 0.3, (paths, 1)) + rng.uniform(-1e-3, 1e-3, (paths, 1)) * x
    height = seated + np.where(rng.random(frets) < 0.15, rng.uniform(0, 0.12, (paths, frets)), 0.0)
    height[:, rng.random(frets) < 0.05] -= rng.uniform(0.02, 0.1)
    seated = np.minimum(seated, height)
    height[rng.random((paths, frets)) < 0.03] = np.nan
    height[0, 0] = seated[0, 0]
    crown = rng.uniform(0.85, 1.2) + rng.normal(0, 0.02, (paths, frets))
    crown[rng.random((paths, frets)) < 0.02] = np.nan
    return Neck(positions_mm=x, height_mm=height, u_mm=np.full((paths, frets), 0.004), crown_mm=crown, shape_mm=shape,
                seated_mm=seated, crown_width_mm=np.full((paths, frets), 2.0))  # fmt: skip


def random_limits(rng: np.random.Generator) -> PlanLimits:
    """Limits from roomy to so narrow that some necks have no plan."""
    return PlanLimits(
        tolerance_mm=float(rng.choice([0.0, 0.005, 0.01, 0.02])), step_mm=float(rng.choice([0.008, 0.015, 0.03])),
        crown_min_mm=float(rng.choice([0.65, 0.75, 0.8])), recrown_mm=0.015,
        guard_mm=float(rng.choice([0.0, 0.003])), objective="total" if rng.random() < 0.5 else "largest",
    )  # fmt: skip


def with_exceptions(limits: PlanLimits, rng: np.random.Generator) -> PlanLimits:
    """The same limits with an exception or two at a cost."""
    return replace(limits, exceptions_most=int(rng.integers(1, 3)), raise_most_mm=0.3,
                   exception_cost_mm=float(rng.choice([0.02, 0.1, 0.5])))  # fmt: skip


class _Rows:
    """Equations and inequalities, term by term."""

    def __init__(self):
        self.names, self.terms, self.right = {}, [], []

    def column(self, *name) -> int:
        return self.names.setdefault(name, len(self.names))

    def at_most(self, right: float, *terms):
        """Sum of (factor, name) terms <= right."""
        self.terms += [(len(self.right), self.column(*name), float(factor)) for factor, name in terms]
        self.right.append(float(right))

    def equal(self, right: float, *terms):
        self.at_most(right, *terms)
        self.at_most(-right, *[(-factor, name) for factor, name in terms])

    def least(self, cost, binary) -> float | None:
        rows, columns, factors = zip(*self.terms, strict=True)
        c = matrix(0.0, (len(self.names), 1))
        for factor, name in cost:
            c[self.column(*name)] += factor
        wide = spmatrix(factors, rows, columns, (len(self.right), len(self.names)))
        none, empty = spmatrix([], [], [], (0, len(self.names))), matrix(0.0, (0, 1))
        options = {"msg_lev": "GLP_MSG_OFF", "tol_bnd": 1e-9, "tol_dj": 1e-9, "tol_int": 1e-8, "mip_gap": 0.0,
                   "presolve": "GLP_ON"}  # fmt: skip
        status, x = glpk.ilp(c, wide, matrix(self.right), none, empty, set(), {self.column(*b) for b in binary},
                             options=options)  # fmt: skip
        assert status in {"optimal", "infeasible problem", "LP relaxation is primal infeasible", "undefined"}, status
        return None if x is None or status != "optimal" else float((c.T * x)[0])


def glpk_objective(neck: Neck, limits: PlanLimits) -> float | None:
    """The optimum in mm by GLPK, or None when it finds no plan."""
    rows, known = _Rows(), np.isfinite(neck.height_mm)
    paths, frets = known.shape
    places = [(p, n) for p in range(paths) for n in range(frets) if known[p, n]]
    band = max(0.0, limits.tolerance_mm - limits.guard_mm)
    excepting = limits.exceptions_most > 0
    binary, cost = [], []
    for n in range(frets):
        if known[:, n].any():
            rows.at_most(1, (1, ("y", n)), (1, ("w", n)))
            rows.at_most(0, (-1, ("y", n)))
            rows.at_most(0 if not excepting else 1, (1, ("w", n)))
            rows.at_most(0, (-1, ("w", n)))
            binary += [("y", n), ("w", n)]
    rows.at_most(limits.reseats, *[(1, name) for name in binary if name[0] == "y"])
    rows.at_most(limits.exceptions_most, *[(1, name) for name in binary if name[0] == "w"])
    for p, n in places:
        r, d, s, e, y, w = (r_ := ("r", p, n)), ("d", p, n), ("s", p, n), ("e", p, n), ("y", n), ("w", n)
        rows.equal(neck.height_mm[p, n] - neck.shape_mm[p, n], (1, e), (1, r), (1, d), (-1, s), (1, ("a", p)),
                   (neck.positions_mm[n] / 100, ("b", p)))  # fmt: skip
        rows.at_most(band, (1, e))
        rows.at_most(band, (-1, e))
        for name in (r, d, s):
            rows.at_most(0, (-1, name))
        down = 0.0 if neck.seated_mm is None else np.nan_to_num(neck.height_mm[p, n] - neck.seated_mm[p, n])
        rows.at_most(0, (1, d), (-max(down, 0.0), y))
        rows.at_most(0, (1, s), (-limits.raise_most_mm, w))
        crown = neck.crown_mm[p, n]
        room = NO_CROWN_MM if np.isnan(crown) else crown - limits.crown_min_mm - limits.recrown_mm
        rows.at_most(max(room, 0.0), (1, r), (max(room, 0.0), w))
        if crown < limits.crown_min_mm - 1e-8:
            rows.at_most(-1, (-1, w))
        rows.at_most(0, (1, r), (-1, ("m",)))
        if n + 1 < frets and known[p, n + 1]:
            for sign in (1, -1):
                rows.at_most(limits.step_mm, (sign, e), (-sign, ("e", p, n + 1)))
        cost += [(1, r_)] if limits.objective == "total" else []
    cost = cost or [(1, ("m",))]
    cost += [(limits.exception_cost_mm or 0.0, name) for name in binary if name[0] == "w"]
    return rows.least(cost, binary)


def kinds(rng: np.random.Generator) -> dict[str, PlanLimits]:
    """The limits under which one neck is planned."""
    plain = random_limits(rng)
    both = replace(with_exceptions(plain, rng), reseats=1)
    return {"plain": plain, "re-seats": replace(plain, reseats=int(rng.integers(1, 3))), "exceptions": both}


def differences(neck: Neck, kind: str, limits: PlanLimits, plan: LevellingPlan | NoPlan) -> list[str]:
    """What is wrong with one plan: nothing, or words."""
    other = glpk_objective(neck, limits)
    if not isinstance(plan, LevellingPlan):
        return [] if other is None else [f"{kind}: GLPK has a plan of {other}, the program none"]
    if other is None or abs(plan.objective_mm - other) > SAME_MM:
        return [f"{kind}: {plan.objective_mm!r} mm, by GLPK {other!r} mm"]
    if kind == "exceptions":
        return []
    simple = [one.result for one in alternatives(neck, replace(limits, reseats=0)) if one.kind in SIMPLE]
    better = [one for one in simple if isinstance(one, LevellingPlan) and one.objective_mm < plan.objective_mm - 1e-7]
    return [f"{kind}: a simple way needs {one.objective_mm} mm, the plan {plan.objective_mm} mm" for one in better]


def compare(necks: int, seed: int) -> dict[str, object]:
    """Plan as many necks with both solvers."""
    found, counts = [], Counter()
    for number in range(necks):
        rng = np.random.default_rng([seed, number])
        neck = random_neck(rng)
        for kind, limits in kinds(rng).items():
            plan = plan_levelling(neck, limits)
            found += [f"neck {number}, {one}" for one in differences(neck, kind, limits, plan)]
            counts[f"{kind}, {'planned' if isinstance(plan, LevellingPlan) else 'none'}"] += 1
    return {"necks": necks, "counts": dict(counts), "differences": found}


def timed(necks: int, seed: int, **changes: float) -> dict[str, float]:
    """Milliseconds of one plan of 24 frets and 3 paths: median, 95th percentile and worst."""
    spent = []
    for number in range(necks):
        rng = np.random.default_rng([seed, number])
        neck = random_neck(rng, frets=24, paths=3)
        neck = neck if changes else replace(neck, seated_mm=None)
        limits = PlanLimits(tolerance_mm=0.01, step_mm=0.03, crown_min_mm=0.7, recrown_mm=0.015, **changes)
        began = time.perf_counter()
        plan_levelling(neck, limits)
        spent.append(1000 * (time.perf_counter() - began))
    return {"median_ms": round(float(np.median(spent)), 1), "p95_ms": round(float(np.quantile(spent, 0.95)), 1),
            "worst_ms": round(max(spent), 1)}  # fmt: skip


def main() -> int:
    """Compare, time, print a line each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--necks", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for changes in ({}, {"reseats": 1}, {"reseats": 3}, {"reseats": 2, "exceptions_most": 2, "raise_most_mm": 0.3}):
        print(json.dumps({"plan": changes} | timed(min(given.necks, 40), given.seed, **changes)), flush=True)
    compared = compare(given.necks, given.seed)
    print(json.dumps(compared), flush=True)
    return 1 if compared["differences"] else 0


if __name__ == "__main__":
    sys.exit(main())
