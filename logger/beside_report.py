"""What a page shows beside the report of a session: limits, slots and wire, the shape wanted, the plan's work list."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from logger.evaluate import Evaluation
from logger.evaluation.estimate import Estimate
from logger.evaluation.observation import FeatureKey
from logger.evaluation.sweep import Profile
from logger.instrument import Instrument
from logger.levelling_report import Levelling, sanding_of
from logger.plan_command import doubt_lines, first_lines, has_plan
from logger.replanning import wishes_json
from logger.report import Judge
from logger.sentences import cautions_together
from logger.snapshot import CAUTIONS
from logger.sweep_progress import sweep_progress
from logger.sweep_report import Sweep
from logger.sweep_words import SANDING_CAUTION, fault_words, next_words, sanding_lines
from logger.work_list import work_json


def beside_json(found: Evaluation, levelling: Levelling | None) -> dict[str, Any]:
    """Return it as plain JSON values; lengths in mm.

    Args:
        found: the session as judged.
        levelling: what its plan is made from.
    """
    judge, neck = found.judge, found.instrument
    return {
        "limits": {check: [one.lower_mm, one.upper_mm] for check, one in found.limits.items()},
        "widths": widths_json(judge.estimates), "wire": wire_json(judge.estimates),
        "why_no_back_bow": judge.fit().why_no_back_bow or None,
        "shape": shape_json(judge.sweep.profile if judge.sweep else None, neck),
        "board_shape": shape_json(judge.survey.profile if judge.survey else None, neck),
        "swept": dict(zip(("done", "of"), sweep_progress(judge.estimates, neck), strict=True)),
        "positions_mm": [round(float(one), 4) for one in neck.positions_mm],
        "suspects_counted": _suspects_counted(judge), "work": work_json(levelling),
        "wishes": wishes_json(neck, levelling),
        "fretted": bool(judge.seated), "sanding": {unit: _sanding(judge, neck, unit) for unit in ("mm", "in")},
        "to_do": {f"{one.check}|{one.fret}|{one.place}": one.what_to_do for one in found.verdicts if one.what_to_do},
        "cautions": CAUTIONS | {"fit": cautions_together((CAUTIONS["wire"], CAUTIONS["slots"]))},
        "faults": _faults_json(judge.sweep),
        "next": next_words(judge.sweep.next_best) if judge.sweep and judge.sweep.next_best else None,
        "first": first_lines(judge.sweep, levelling) if levelling else [],
        "doubts": {unit: doubt_lines(judge.sweep, levelling, unit) if levelling and has_plan(levelling) else []
                   for unit in ("mm", "in")},
    }  # fmt: skip


def widths_json(estimates: Mapping[FeatureKey, Estimate]) -> list[dict[str, Any]]:
    """Return the width of every slot by fret and place, with its 95 % uncertainty; null where not known."""
    found = [(key, one) for key, one in estimates.items() if key.kind == "slot_width"]
    return [
        {"fret": key.fret, "place": key.place, **_size(one)}
        for key, one in sorted(found, key=lambda each: each[0].fret or 0)
    ]


def wire_json(estimates: Mapping[FeatureKey, Estimate]) -> dict[str, dict[str, float | None] | None]:
    """Return tang and span over the barbs of the wire; null where not measured."""
    keys = {kind: FeatureKey(kind=kind) for kind in ("tang_thickness", "barb_span")}
    return {kind: _size(estimates[key]) if key in estimates else None for kind, key in keys.items()}


def shape_json(profile: Profile | None, neck: Instrument) -> list[dict[str, Any]]:
    """Return the shape wanted at the places of a profile, above the chord through the same first and last fret."""
    if profile is None:
        return []
    told = [place for place, known in zip(profile.places, profile.adjustment.known, strict=True) if known and place[1]]
    found = []
    for path in dict.fromkeys(path for path, _ in told):
        frets = sorted(fret for other, fret in told if other == path)
        x, wanted = neck.positions_of(path)[frets], neck.shape_mm(path)[frets]
        if len(frets) > 1:
            chord = np.interp(x, x[[0, -1]], wanted[[0, -1]])
            found += [{"fret": fret, "place": path, "height_mm": round(float(each), 6)}
                      for fret, each in zip(frets, wanted - chord, strict=True)]  # fmt: skip
    return found


def _suspects_counted(judge: Judge) -> bool:
    """Tell whether the readings that do not fit count in the plan, because the others do not tell every height."""
    sweep = judge.sweep
    return sweep is None or sweep.sound is sweep.profile


def _sanding(judge: Judge, neck: Instrument, unit: str) -> list[str]:
    """Say what to sand, without the caution, which the page shows by itself."""
    lines = sanding_lines(sanding_of(judge.survey, neck), unit=unit, fretted=bool(judge.seated))
    return [line.strip() for line in lines if line and SANDING_CAUTION not in line]


def _faults_json(sweep: Sweep | None) -> list[dict[str, Any]]:
    return [
        {"fret": one.fret, "text": fault_words(one, unit="mm"), "text_in": fault_words(one, unit="in")}
        for one in (sweep.faults if sweep else ())
    ]


def _size(one: Estimate) -> dict[str, float | None]:
    return {
        "mm": round(one.value_mm, 6), "U_mm": round(one.expanded_u_mm(), 6) if one.known else None,
    }  # fmt: skip
