"""`fretledger plan`: what to do fret by fret, what it costs, what else could be done, and a second sweep against it."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.errors import InputFileError, InsufficientDataError
from logger.evaluate import Evaluation, evaluate_file
from logger.evaluation.levelling import LevellingPlan, NoPlan, Verification, verify
from logger.evaluation.levelling_plan import COVERAGE
from logger.evaluation.statistics import Floats
from logger.levelling_report import Levelling, plan_json
from logger.sentences import figure, frets_words
from logger.snapshot import CAUTIONS
from logger.sweep_progress import sweep_progress, unfinished_words
from logger.sweep_report import Sweep
from logger.sweep_words import key_words, next_words
from logger.work_list import Deed, idle_frets, work_list

FLAT_MOST_MM: Final = 0.6
"""Widest flat that recrowning can round (common practice, no source)."""
TOO_FEW: Final = (
    "the readings tell fewer than three heights of any path, too few for a plan; sweep the frets first: steps, and "
    "gaps under a straightedge"
)
UNKNOWN_MM: Final = 1.0
"""Stands for an uncertainty that is not known, so that nothing is sure by it."""
TASKS: Final = {"reseat": "re-seat: press down", "raise": "replace or shim: raise", "file": "file"}
KINDS: Final = {
    "leave": "leave it as it is", "lowest": "file all down to the lowest", "line": "file down to the middle line",
    "level": "level, no re-seat", "reseat": "level with re-seats", "except": "level with exceptions",
    "board": "pull the frets and level the board",
}  # fmt: skip


def levelling_of_file(result: Evaluation) -> Levelling:
    """Return what the plan of a judged file needs.

    Raises:
        InputFileError: the readings tell too little for one.
    """
    found = result.judge.levelling()
    if found is None:
        raise InputFileError(TOO_FEW)
    return found


def swept_of(result: Evaluation) -> tuple[int, int]:
    """Return how many places of a judged sweep have a reading, and how many are asked for."""
    return sweep_progress(result.judge.estimates, result.instrument)


def has_plan(levelling: Levelling) -> bool:
    """Tell whether any plan holds the limits."""
    try:
        return isinstance(levelling.plan, LevellingPlan)
    except InsufficientDataError:
        return False


def plan_lines(
    name: str, levelling: Levelling | None, sweep: Sweep | None, *, unit: str, swept: tuple[int, int]
) -> list[str]:
    """Return the plan as lines: the work list, then the places, then what else could be done.

    Args:
        name: the instrument's.
        levelling: what the plan is made from, or None where too little was measured.
        sweep: the sweep behind it.
        unit: ``mm``, ``in`` or ``thou``.
        swept: how many places of the sweep have a reading, and how many are asked for (`sweep_progress`).
    """
    if levelling is None:
        return [f"{name}: no levelling plan, {TOO_FEW}"]
    try:
        plan = levelling.plan
    except InsufficientDataError as error:
        return [f"{name}: no levelling plan, {error}"]
    aim = "least removal in all" if levelling.limits.objective == "total" else "smallest largest removal"
    lines = [f"{name}: levelling plan, {aim}, to within {_size(levelling.limits.tolerance_mm, unit)}"]
    unfinished = unfinished_words(*swept)
    lines += [f"   {unfinished}"] if unfinished and isinstance(plan, LevellingPlan) else []
    lines += [f"   {CAUTIONS['sweep']}", *(f"   {one}" for one in first_lines(sweep, levelling)), ""]
    lines += _work(levelling, plan, unit) if isinstance(plan, LevellingPlan) else [f"no plan: {plan.sentence}"]
    doubts = doubt_lines(sweep, levelling, unit)
    lines += ["", *_alternatives(levelling, unit), *(["", *doubts] if doubts else [])]
    return lines


def _size(value_mm: float, unit: str) -> str:
    return f"{figure(value_mm, unit)} {unit}"


def _figure(value_mm: float, unit: str) -> str:
    return figure(value_mm, unit) if np.isfinite(value_mm) else "-"


def _work(levelling: Levelling, plan: LevellingPlan, unit: str) -> list[str]:
    work = work_list(levelling, plan)
    idle = idle_frets(levelling, work)
    lines = [f"fret {one.fret:>2}  {_deed(one, unit)}" for one in work]
    if idle:
        lines.append(f"nothing to do at frets {frets_words(idle)}" if len(idle) > 1 else f"nothing at fret {idle[0]}")
    lines += ["", f"in all {_size(plan.total_mm, unit)} off, at most {_size(plan.largest_mm, unit)} at one place"]
    left = plan.crown_left_mm[np.isfinite(plan.crown_left_mm)]
    if left.size:
        more = float(np.min(plan.levellings_left, initial=np.inf))
        again = "" if np.isinf(more) else f"; the wire has {more:.0f} more such levelling{'' if more == 1 else 's'}"
        lines.append(f"least crown left {_size(float(left.min()), unit)}{again}")
    if plan.best_single_reseat is not None:
        one = plan.best_single_reseat
        saved = "makes a plan possible" if np.isinf(one.saved_mm) else f"saves {_size(one.saved_mm, unit)}"
        lines.append(f"the one re-seat that helps most: fret {levelling.frets[one.fret_index]}, it {saved}")
    return lines


def _deed(one: Deed, unit: str) -> str:
    sizes = ", ".join(f"{path or 'path'} {_figure(size, unit)}" for path, size, _ in one.sizes) + f" {unit}"
    unsure = "; less than it is known to, measure again first" if one.noise else ""
    if one.task != "file":
        return f"{TASKS[one.task]} {sizes}{unsure}"
    crown = f"; crown left {_figure(one.crown_left_mm, unit)}" if np.isfinite(one.crown_left_mm) else ""
    width = f", flat {_figure(one.flat_mm, unit)}" if np.isfinite(one.flat_mm) else ""
    return f"{TASKS[one.task]} {sizes}{crown}{width}{unsure}"


def _alternatives(levelling: Levelling, unit: str) -> list[str]:
    lines = ["side by side"]
    for one in levelling.alternatives:
        name = KINDS[one.kind] + (f" (up to {one.reseats})" if one.kind == "reseat" else "")
        if isinstance(one.result, NoPlan):
            lines.append(f"   {name:<36} not possible: {one.result.reason}")
            continue
        plan = one.result
        seats = f", re-seat {frets_words(levelling.frets[i] for i in plan.reseats)}" if plan.reseats else ""
        left = plan.crown_left_mm[np.isfinite(plan.crown_left_mm)]
        crown = f", least crown left {_figure(float(left.min()), unit)}" if left.size and one.kind != "board" else ""
        lines.append(f"   {name:<36} {_size(plan.total_mm, unit)} in all, at most {_figure(plan.largest_mm, unit)}"
                     f"{crown}{seats}")  # fmt: skip
    return lines


def first_lines(sweep: Sweep | None, levelling: Levelling) -> list[str]:
    """Say what is to be known before a file is picked up: readings that do not fit, and a shape that nobody stated."""
    lines = []
    for one in sweep.profile.suspects if sweep is not None and sweep.profile is not None else ():
        names = " or ".join(key_words(key) for key in (one.key, *one.alike))
        counted = "counts in this plan all the same" if sweep is None or sweep.sound is sweep.profile else "is left out"
        lines.append(f"{names} does not fit the other readings and {counted}: measure it again before you file")
    if not levelling.instrument.target.stated:
        lines.append("the instrument's file has no [target], so that straight is taken for the shape wanted")
    return lines


def doubt_lines(sweep: Sweep | None, levelling: Levelling, unit: str) -> list[str]:
    """Say what the plan leans on: how well its removals are known, and crowns that are not known."""
    lines, plan = [], levelling.plan
    if isinstance(plan, LevellingPlan):
        known = plan.neck.known
        if np.isnan(plan.u_removal_mm[known]).any():
            lines.append(f"how well these figures are known cannot be told: {_untold(sweep)}")
        expanded = COVERAGE * float(np.nanmax(np.where(known, plan.u_removal_mm, np.nan), initial=0.0))
        if expanded > levelling.limits.tolerance_mm:
            lines.append(f"a removal is known to ± {_size(expanded, unit)} at worst, the plan is no better than that")
            if sweep is not None and sweep.next_best is not None:
                lines.append(f"next: {next_words(sweep.next_best)}")
    if not np.isfinite(levelling.neck.crown_mm).any():
        lines.append("no crown height was measured: nothing here keeps a removal smaller than the crown")
    return lines


def _untold(sweep: Sweep | None) -> str:
    """Name the readings that have no uncertainty."""
    placed = sweep.placed if sweep is not None else ()
    blind = [key_words(one.key) for one in placed if not one.sighting.estimate.known]
    if not blind:
        return "a reading has no stated uncertainty"
    more = f" and {len(blind) - 1} more" if len(blind) > 1 else ""
    return f"{blind[0]}{more} has no stated uncertainty; say what its gauge is worth"


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondSweep:
    """A second sweep against the plan made from the first; ``u_mm`` of its heights has shape (paths, frets)."""

    levelling: Levelling
    found: Verification
    u_mm: Floats

    @property
    def outside(self) -> bool:
        """Whether a place lies outside the tolerance, for sure or not."""
        return bool((np.isfinite(self.found.left_mm) & ~self.found.within).any())


def verify_lines(second: SecondSweep, *, unit: str) -> list[str]:
    """Return how a second sweep compares with the plan, as lines."""
    levelling, found, u_mm = second.levelling, second.found, second.u_mm
    known = np.isfinite(found.left_mm)
    lines = ["", "second sweep against the plan"]
    for column, fret in enumerate(levelling.frets):
        for row, path in enumerate(levelling.paths):
            if known[row, column] and (not found.within[row, column] or found.flat_too_wide[row, column]):
                lines.append(_reached(fret, path, found, u_mm, (row, column), unit))
    good, sure = known & found.within, known & found.within & found.told
    lines.append(
        f"{int(good.sum())} of {int(known.sum())} places within the tolerance, {int(sure.sum())} of them for sure"
    )
    return lines


def _reached(fret: int, path: str | None, found: Verification, u_mm: Floats, at: tuple[int, int], unit: str) -> str:
    sure = "" if found.told[at] else ", not sure"
    state = f"within{sure}" if found.within[at] else f"outside{sure}"
    sign = "ok" if found.within[at] else "!!"
    flat = "; its flat is too wide to round" if found.flat_too_wide[at] else ""
    spread = 1.96 * float(u_mm[at])
    expanded = f" ± {_figure(spread, unit)}" if np.isfinite(spread) else ""
    over = f"{_figure(float(found.left_mm[at]), unit)}{expanded}"
    return f"{sign} fret {fret:>2}, {path or 'path'}: {over} off the shape, {state}{flat}"


def second_sweep(result: Evaluation, second: Path, **files: Any) -> SecondSweep:
    """Return how a second file of readings compares with the plan made from the first.

    Args:
        result: the first file, judged.
        second: the second file.
        files: instrument, gauges, limits and session, as `evaluate_file` takes them.

    Raises:
        InputFileError: a file does not hold, or there is no plan to compare with.
    """
    levelling = levelling_of_file(result)
    plan = levelling.plan
    if isinstance(plan, NoPlan):
        raise InputFileError(f"there is no plan to compare with: {plan.sentence}")
    return against_plan(levelling, plan, levelling_of_file(evaluate_file(second, **files)))


def against_plan(levelling: Levelling, plan: LevellingPlan, after: Levelling) -> SecondSweep:
    """Return how a second sweep compares with a plan.

    Args:
        levelling: what the plan is made from.
        plan: the plan.
        after: what a plan from the second sweep would be made from.
    """
    height, u = (np.full(levelling.neck.height_mm.shape, np.nan) for _ in range(2))
    for row, path in enumerate(levelling.paths):
        for column, fret in enumerate(levelling.frets):
            if path in after.paths and fret in after.frets:
                at = after.paths.index(path), after.frets.index(fret)
                height[row, column], u[row, column] = after.neck.height_mm[at], after.neck.u_mm[at]
    u = np.maximum(u, 1e-6)  # a nanometre, where readings claim to be exact
    counted = np.where(np.isnan(u), UNKNOWN_MM, u)
    return SecondSweep(levelling=levelling, found=verify(plan, height, counted, flat_most_mm=FLAT_MOST_MM), u_mm=u)


def verify_json(second: SecondSweep) -> list[dict[str, Any]]:
    """Return how a second sweep compares with the plan, as plain JSON values."""
    levelling, found, u_mm = second.levelling, second.found, second.u_mm
    return [
        {
            "fret": fret, "place": path, "left_mm": round(float(found.left_mm[row, column]), 6),
            "U_mm": _rounded(1.96 * float(u_mm[row, column])), "within": bool(found.within[row, column]),
            "sure": bool(found.told[row, column]), "flat_too_wide": bool(found.flat_too_wide[row, column]),
        }
        for column, fret in enumerate(levelling.frets)
        for row, path in enumerate(levelling.paths)
        if np.isfinite(found.left_mm[row, column])
    ]  # fmt: skip


def _rounded(value_mm: float) -> float | None:
    return round(value_mm, 6) if np.isfinite(value_mm) else None


def plan_result_json(result: Evaluation, levelling: Levelling) -> dict[str, Any]:
    """Return the plan with the profile that it is made from, as plain JSON values."""
    whole = result.json()
    kept = ("instrument", "readings", "profile", "deviations", "zero_errors", "suspects", "inseparable", "next_best")
    swept = dict(zip(("done", "of"), swept_of(result), strict=True))
    return {key: whole[key] for key in kept} | {"swept": swept, "plan": plan_json(levelling)}
