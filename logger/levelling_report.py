"""The levelling plan of an instrument: from the sweep's heights and the seated frets to what to do, fret by fret."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np

from logger.errors import InsufficientDataError
from logger.evaluation.estimate import Estimate
from logger.evaluation.levelling import (
    Alternative,
    LevellingPlan,
    Neck,
    NoPlan,
    PlanLimits,
    alternatives,
    plan_levelling,
)
from logger.evaluation.observation import FeatureKey
from logger.evaluation.seating import seated_key
from logger.evaluation.statistics import Floats
from logger.evaluation.sweep import Path, Profile
from logger.features import PLACES
from logger.instrument import Instrument
from logger.survey_report import Survey

RAISE_MOST_MM: Final = 0.5
"""How far a replaced or shimmed fret may be raised (common practice, no source)."""
_K95: Final = 1.959963985


@dataclass(frozen=True, kw_only=True)
class Levelling:
    """What a plan is made from, and the plan.

    Attributes:
        instrument: the instrument.
        paths: the string paths, rows of the arrays.
        frets: the frets, columns of the arrays.
        neck: heights, crowns and shape.
        limits: what the plan keeps to.
        board_mm: the bare board's heights at the same places, or None.
    """

    instrument: Instrument
    paths: tuple[Path, ...]
    frets: tuple[int, ...]
    neck: Neck
    limits: PlanLimits
    board_mm: Floats | None = None

    @cached_property
    def plan(self) -> LevellingPlan | NoPlan:
        """The plan with the re-seats and exceptions that the instrument's file allows, or what stands in its way."""
        return plan_levelling(self.neck, self.limits)

    @cached_property
    def alternatives(self) -> tuple[Alternative, ...]:
        """What else could be done, side by side."""
        return alternatives(self.neck, self.limits, board_mm=self.board_mm)


def levelling_of(
    estimates: Mapping[FeatureKey, Estimate], profile: Profile | None, survey: Survey | None, instrument: Instrument
) -> Levelling | None:
    """Return what a plan needs, or None where fewer than three heights of a path are known."""
    if profile is None:
        return None
    known = [place for place, told in zip(profile.places, profile.adjustment.known, strict=True) if told and place[1]]
    paths = tuple(path for path in (*PLACES, None) if sum(other == path for other, _ in known) > 2)
    frets = tuple(sorted({fret for path, fret in known if path in paths}))
    if not paths:
        return None
    shape = len(paths), len(frets)
    height, u, crown, down = (np.full(shape, np.nan) for _ in range(4))
    all_u = _u_off_line_mm(profile, instrument)
    spread = _covariance_mm2(profile, paths, frets)
    for row, path in enumerate(paths):
        for column, fret in enumerate(frets):
            index = profile.index(path, fret)
            if index is not None and (path, fret) in known:
                height[row, column], u[row, column] = profile.adjustment.heights_mm[index], all_u[index]
            crown[row, column] = _crown_mm(estimates, fret, path)
            down[row, column] = height[row, column] - _lift_mm(estimates, fret, path)
    wanted = np.array([instrument.shape_mm(path)[list(frets)] for path in paths])
    width = instrument.stock.crown_width_mm
    neck = Neck(
        positions_mm=instrument.positions_mm[list(frets)], height_mm=height, u_mm=u, crown_mm=crown, shape_mm=wanted,
        seated_mm=down if np.isfinite(down).any() else None,
        crown_width_mm=None if width is None else np.full(shape, width), covariance_mm2=spread,
    )  # fmt: skip
    board = _board_mm(survey, paths, frets) if survey is not None else None
    return Levelling(
        instrument=instrument, paths=paths, frets=frets, neck=neck, limits=_limits(instrument), board_mm=board
    )


def sanding_of(survey: Survey | None, instrument: Instrument) -> Levelling | None:
    """Return what a plan for sanding the bare board needs, or None where fewer than three heights of a path are known.

    Its removals come off the wood: no crown bounds them, and nothing is seated again.
    """
    if survey is None:
        return None
    found = survey.profile
    known = [place for place, told in zip(found.places, found.adjustment.known, strict=True) if told and place[1]]
    paths = tuple(path for path in (*PLACES, None) if sum(other == path for other, _ in known) > 2)
    frets = tuple(sorted({fret for path, fret in known if path in paths}))
    if not paths:
        return None
    height, u = (np.full((len(paths), len(frets)), np.nan) for _ in range(2))
    all_u = _u_off_line_mm(found, instrument)
    for path, fret in known:
        if path in paths:
            at = paths.index(path), frets.index(fret)
            index = found.places.index((path, fret))
            height[at], u[at] = found.adjustment.heights_mm[index], all_u[index]
    wanted = np.array([instrument.shape_mm(path)[list(frets)] for path in paths])
    neck = Neck(positions_mm=instrument.positions_mm[list(frets)], height_mm=height, u_mm=u,
                crown_mm=np.full(height.shape, np.nan), shape_mm=wanted,
                covariance_mm2=_covariance_mm2(found, paths, frets))  # fmt: skip
    plain = replace(_limits(instrument), crown_min_mm=0.0, recrown_mm=0.0, reseats=0, exceptions_most=0)
    return Levelling(instrument=instrument, paths=paths, frets=frets, neck=neck, limits=plain)


def sanding_json(levelling: Levelling | None) -> dict[str, Any] | None:
    """Return what to sand off the bare board as plain JSON values; None where too little is known."""
    if levelling is None:
        return None
    plan = levelling.plan
    if isinstance(plan, NoPlan):
        return {"feasible": False, "sentence": plan.sentence, "places": [], "total_mm": None, "largest_mm": None}
    places = [
        {"fret": fret, "place": path, "remove_mm": _mm(plan.removal_mm[row, column])}
        for column, fret in enumerate(levelling.frets)
        for row, path in enumerate(levelling.paths)
        if np.isfinite(plan.neck.height_mm[row, column])
    ]
    return {"feasible": True, "sentence": None, "places": places, "total_mm": _mm(plan.total_mm),
            "largest_mm": _mm(plan.largest_mm)}  # fmt: skip


def _u_off_line_mm(profile: Profile, instrument: Instrument) -> Floats:
    """Return the standard uncertainty of every height off the least-squares line of its path, shape (stations,).

    A plan's line is free, so that the chord says nothing here: above it the first and the last fret would count as
    known without any error.
    """
    covariance, u = profile.stated_covariance_mm2, np.full(len(profile.places), np.nan)
    for path in dict.fromkeys(path for path, _ in profile.places):
        rows = [index for index, (other, fret) in enumerate(profile.places)
                if other == path and fret and profile.adjustment.known[index]]  # fmt: skip
        if len(rows) > 1:
            x = instrument.positions_of(path)[[profile.places[row][1] for row in rows]]
            design = np.column_stack([np.ones(len(x)), x - x.mean()])
            keep = np.eye(len(rows)) - design @ np.linalg.pinv(design)
            u[rows] = np.sqrt(np.clip(np.diag(keep @ covariance[np.ix_(rows, rows)] @ keep.T), 0.0, None))
    return u


def _covariance_mm2(profile: Profile, paths: Sequence[Path], frets: Sequence[int]) -> Floats:
    """Return the covariance of the heights along every path, shape (paths, frets, frets); nan where not known."""
    found = np.full((len(paths), len(frets), len(frets)), np.nan)
    for row, path in enumerate(paths):
        at = [(column, index) for column, fret in enumerate(frets)
              if (index := profile.index(path, fret)) is not None]  # fmt: skip
        columns, indices = [column for column, _ in at], [index for _, index in at]
        found[row][np.ix_(columns, columns)] = profile.stated_covariance_mm2[np.ix_(indices, indices)]
    return found


def _crown_mm(estimates: Mapping[FeatureKey, Estimate], fret: int, path: Path) -> float:
    """Return the crown's height: of the fret's own wire, else of the wire, else as it stands seated."""
    keys = [FeatureKey(kind="crown_height", fret=fret), FeatureKey(kind="crown_height")]
    keys += [seated_key(fret, path)] if path is not None else []
    found = [estimates[key].value_mm for key in keys if key in estimates]
    return found[0] if found else np.nan


def _lift_mm(estimates: Mapping[FeatureKey, Estimate], fret: int, path: Path) -> float:
    """Return how far a place could go down when it is seated again; nan where it lies down or nothing tells."""
    if path is None or seated_key(fret, path) not in estimates:
        return np.nan
    free = estimates[seated_key(fret, path)]
    pressed = estimates.get(FeatureKey(kind="pressed_height", fret=fret, place=path))
    wire = [estimates[key] for key in (FeatureKey(kind="crown_height", fret=fret), FeatureKey(kind="crown_height"))
            if key in estimates]  # fmt: skip
    below = pressed or (wire[0] if wire else None)
    if below is None:
        return np.nan
    lift, u = free.value_mm - below.value_mm, float(np.hypot(free.u_mm, below.u_mm))
    return lift if lift > _K95 * u else np.nan


def _board_mm(survey: Survey, paths: Sequence[Path], frets: Sequence[int]) -> Floats | None:
    board = np.full((len(paths), len(frets)), np.nan)
    found = survey.profile
    for row, path in enumerate(paths):
        for column, fret in enumerate(frets):
            index = found.index(path, fret)
            if index is not None and found.adjustment.known[index]:
                board[row, column] = found.adjustment.heights_mm[index]
    return board if np.isfinite(board).any() else None


def _limits(instrument: Instrument) -> PlanLimits:
    wishes = instrument.plan
    return PlanLimits(
        tolerance_mm=wishes.tolerance_mm,
        step_mm=2 * wishes.tolerance_mm if wishes.step_mm is None else wishes.step_mm,
        crown_min_mm=wishes.crown_min_mm, recrown_mm=wishes.recrowning_mm, guard_mm=wishes.file_error_mm,
        objective="largest" if wishes.objective == "largest" else "total", reseats=wishes.reseats,
        exceptions_most=wishes.exceptions, raise_most_mm=RAISE_MOST_MM if wishes.exceptions else 0.0,
    )  # fmt: skip


# -- as JSON ---------------------------------------------------------------------------------------------------------


def _mm(value: float) -> float | None:
    return round(float(value), 6) + 0.0 if np.isfinite(value) else None


def plan_json(levelling: Levelling | None, *, others: bool = True) -> dict[str, Any] | None:
    """Return the plan as plain JSON values, with what else could be done; None where too little is known for one."""
    if levelling is None:
        return None
    try:
        plan, besides = levelling.plan, levelling.alternatives if others else ()
    except InsufficientDataError as error:
        return {"feasible": False, "sentence": str(error), "places": [], "alternatives": []}
    told: dict[str, Any] = {
        "feasible": isinstance(plan, LevellingPlan), "sentence": None, "limit": None, "places": [],
        "total_mm": None, "largest_mm": None, "objective": levelling.limits.objective, "reseats": [], "exceptions": [],
        "tolerance_mm": levelling.limits.tolerance_mm, "best_single_reseat": None, "levellings_left": None,
    }  # fmt: skip
    if isinstance(plan, LevellingPlan):
        told |= _plan_json(levelling, plan)
    else:
        told |= {"sentence": plan.sentence, "limit": plan.limit}
    return told | {"alternatives": [_alternative_json(levelling, one) for one in besides]}


def _plan_json(levelling: Levelling, plan: LevellingPlan) -> dict[str, Any]:
    single = plan.best_single_reseat
    return {
        "places": [
            {
                "fret": fret, "place": path, "remove_mm": _mm(plan.removal_mm[row, column]),
                "U_mm": _mm(_K95 * plan.u_removal_mm[row, column]), "noise": bool(plan.noise[row, column]),
                "reseat_down_mm": _mm(plan.down_mm[row, column]), "left_mm": _mm(plan.left_mm[row, column]),
                "crown_left_mm": _mm(plan.crown_left_mm[row, column]), "flat_mm": _mm(plan.flat_mm[row, column]),
            }
            for column, fret in enumerate(levelling.frets)
            for row, path in enumerate(levelling.paths)
            if np.isfinite(plan.neck.height_mm[row, column])
        ],
        "total_mm": _mm(plan.total_mm), "largest_mm": _mm(plan.largest_mm),
        "reseats": [levelling.frets[index] for index in plan.reseats],
        "exceptions": [levelling.frets[index] for index in plan.exceptions],
        "levellings_left": _mm(float(np.min(plan.levellings_left, initial=np.inf))),
        "best_single_reseat": None if single is None else {
            "fret": levelling.frets[single.fret_index], "saved_mm": _mm(single.saved_mm),
        },
    }  # fmt: skip


def _alternative_json(levelling: Levelling, one: Alternative) -> dict[str, Any]:
    plan = one.result
    told: dict[str, Any] = {"kind": one.kind, "reseats_allowed": one.reseats}
    if isinstance(plan, NoPlan):
        return told | {"feasible": False, "sentence": plan.sentence, "total_mm": None, "largest_mm": None,
                       "reseats": [], "exceptions": [], "crown_left_mm": None, "levellings_left": None}  # fmt: skip
    left = plan.crown_left_mm[np.isfinite(plan.crown_left_mm)]
    return told | {
        "feasible": True, "sentence": None, "total_mm": _mm(plan.total_mm), "largest_mm": _mm(plan.largest_mm),
        "reseats": [levelling.frets[index] for index in plan.reseats],
        "exceptions": [levelling.frets[index] for index in plan.exceptions],
        "crown_left_mm": _mm(left.min()) if left.size else None,
        "levellings_left": None if one.kind == "board" else _mm(float(np.min(plan.levellings_left, initial=np.inf))),
    }  # fmt: skip
