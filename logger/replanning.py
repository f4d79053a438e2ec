"""The levelling plan under other wishes than those of the instrument's file: relief, least crown, re-seats."""

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np

from logger.door import QuestionError
from logger.evaluate import Evaluation
from logger.instrument import Instrument
from logger.levelling_report import Levelling, levelling_of, plan_json
from logger.sentences import figure
from logger.work_list import work_json

RELIEF_MOST_MM: Final = 1.0
CROWN_MOST_MM: Final = 2.0
RESEATS_MOST: Final = 8
"""Bounds of what can be wished (our choice): more than a neck wants; with more re-seats a plan takes too long."""


def wishes_json(neck: Instrument, levelling: Levelling | None) -> dict[str, Any]:
    """Return what the instrument's file wishes of a plan, as plain JSON values, and what can be wished."""
    target, plan = neck.target, neck.plan
    reliefs = {target.relief_of(place) for place in ("bass", "treble")}
    return {
        "relief_mm": target.relief_of(None), "one_relief": len(reliefs) == 1, "stated": target.stated,
        "crown_min_mm": plan.crown_min_mm, "reseats": plan.reseats, "exceptions": plan.exceptions,
        "seated": levelling is not None and levelling.neck.seated_mm is not None,
        "crown_known": levelling is not None and bool(np.isfinite(levelling.neck.crown_mm).any()),
        "most": {"relief_mm": RELIEF_MOST_MM, "crown_min_mm": CROWN_MOST_MM, "reseats": min(RESEATS_MOST, neck.frets)},
    }  # fmt: skip


def replan(found: Evaluation, wanted: Mapping[str, str]) -> dict[str, Any]:
    """Return the plan of a judged session under other wishes, with its work list, as plain JSON values.

    Args:
        found: the session as judged.
        wanted: ``relief_mm`` (of all paths, strung), ``crown_min_mm`` and ``reseats`` as texts; the file's own where
            one is missing. With ``others`` = "yes" what else could be done comes along, which takes several plans.

    Raises:
        QuestionError: a wish is no number or out of bounds.
    """
    neck = _wished(found.instrument, wanted)
    judge = found.judge
    levelling = levelling_of(judge.estimates, judge.sweep.sound if judge.sweep else None, judge.survey, neck)
    return {
        "plan": plan_json(levelling, others=wanted.get("others") == "yes"), "work": work_json(levelling),
        "wishes": wishes_json(neck, levelling),
    }  # fmt: skip


def _wished(neck: Instrument, wanted: Mapping[str, str]) -> Instrument:
    target, plan = neck.target, neck.plan
    if "relief_mm" in wanted:
        relief = _length(wanted["relief_mm"], "relief", RELIEF_MOST_MM)
        target = replace(target, relief_mm=relief, relief_bass_mm=None, relief_treble_mm=None, stated=True)
    if "crown_min_mm" in wanted:
        plan = replace(plan, crown_min_mm=_length(wanted["crown_min_mm"], "least crown", CROWN_MOST_MM))
    if "reseats" in wanted:
        plan = replace(plan, reseats=_count(wanted["reseats"], min(RESEATS_MOST, neck.frets)))
    return replace(neck, target=target, plan=plan)


def _length(text: str, name: str, most_mm: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 <= value <= most_mm:
        inch = figure(most_mm, "in")
        raise QuestionError(f"{name} must be 0 to {most_mm:g} mm (0 to {inch} in), got {text[:40]!r}; give another")
    return value


def _count(text: str, most: int) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) < 4 and int(text) <= most):
        raise QuestionError(f"re-seats must be a whole number from 0 to {most}, got {text[:40]!r}; give another")
    return int(text)
