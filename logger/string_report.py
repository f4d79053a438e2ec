"""Where the strings of an instrument come too near the frets, and what steps that leaves room for."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.board_report import BoardVerdict
from logger.evaluation.conformity import judge, least_conforming
from logger.evaluation.estimate import Estimate, combine
from logger.evaluation.statistics import Floats
from logger.evaluation.string_clearance import (
    A_FIFTH,
    NEXT_FRET,
    Margin,
    Pluck,
    margins,
    rises_allowed_mm,
    saddle_height_mm,
    steel_mass_g_per_m,
    tension_n,
)
from logger.evaluation.sweep import Profile
from logger.instrument import Instrument
from logger.instrument_tables import StringSpec
from logger.limits import LimitSet
from logger.sentences import length

NUT_MM: Final = 0.5
"""Height of the string at the nut over the plane of the frets, where it is not stated (common practice, no source)."""
PLUCKED_AT: Final = 0.2
"""Where the string is plucked, as a share of the scale from the saddle (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StringMargin:
    """One string over one fret that it is fretted at; ``least`` names the fret that it comes nearest to."""

    least: Margin
    margin: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class StringFindings:
    """One string.

    Attributes:
        string: as the instrument's file has it.
        saddle_mm: height at the saddle over the plane of the frets.
        tension_n: its tension, or None where the file does not tell.
        margins: at every fret, the open string first; empty without a tension.
        allowed_mm: how far each fret may rise, by fret number; empty without a tension.
    """

    string: StringSpec
    saddle_mm: float
    tension_n: float | None
    margins: tuple[StringMargin, ...]
    allowed_mm: Floats


def find_strings(profile: Profile | None, instrument: Instrument) -> list[StringFindings]:
    """Return every string whose path was swept from end to end."""
    if profile is None:
        return []
    found = [_string(profile, string, instrument) for string in instrument.strings]
    return [one for one in found if one is not None]


def _string(profile: Profile, string: StringSpec, instrument: Instrument) -> StringFindings | None:
    heights = np.full(instrument.frets + 1, np.nan)
    for (path, fret), height in zip(profile.places, profile.adjustment.heights_mm, strict=True):
        if path == string.place and fret:
            heights[fret] = height
    by_action = string.action_12_mm is not None
    if np.isfinite(heights).sum() < 2 or (by_action and not (instrument.frets >= 12 and np.isfinite(heights[12]))):
        return None
    nut = NUT_MM if string.nut_height_mm is None else string.nut_height_mm
    saddle = string.saddle_height_mm or 0.0
    if string.action_12_mm is not None:
        saddle = saddle_height_mm(string.action_12_mm, float(heights[12]), nut)
    scale = instrument.scale_of(string.place)
    tension = _tension_n(string, scale)
    if tension is None:
        return StringFindings(string=string, saddle_mm=saddle, tension_n=None, margins=(), allowed_mm=np.array([]))
    pluck = Pluck(
        force_n=string.pluck_n, tension_n=tension,
        from_saddle_mm=PLUCKED_AT * scale if string.pluck_from_saddle_mm is None else string.pluck_from_saddle_mm,
    )  # fmt: skip
    x = instrument.positions_of(string.place)
    found = margins(x, heights, scale_mm=scale, saddle_mm=saddle, nut_mm=nut, pluck=pluck,
                    saddle_on_12=2.0 if by_action else 0.0)  # fmt: skip
    shape = _over_plane(instrument, string.place)
    allowed = rises_allowed_mm(x, shape, scale_mm=scale, saddle_mm=saddle, nut_mm=nut, pluck=pluck)
    known = tuple(StringMargin(least=one, margin=_margin(profile, string, one, heights)) for one in found)
    return StringFindings(string=string, saddle_mm=saddle, tension_n=tension, margins=known, allowed_mm=allowed)


def _over_plane(instrument: Instrument, place: str) -> Floats:
    """Return the shape wanted, over the chord through first and last fret."""
    x, shape = instrument.positions_of(place), instrument.shape_mm(place)
    if instrument.frets < 2:
        return shape
    line: Floats = shape - np.interp(x, x[[1, -1]], shape[[1, -1]])
    return line


def _tension_n(string: StringSpec, scale_mm: float) -> float | None:
    if string.tension_n is not None:
        return string.tension_n
    mass = string.mass_g_per_m
    if mass is None and string.gauge_mm is not None:
        mass = steel_mass_g_per_m(string.gauge_mm)
    if mass is None or string.pitch_hz is None:
        return None
    return tension_n(mass, string.pitch_hz, scale_mm)


def _margin(profile: Profile, string: StringSpec, one: Margin, heights: Floats) -> Estimate:
    weights: dict[tuple[str | None, int], float] = {
        (string.place, fret): weight for fret, weight in one.weights.items()
    }
    moving = profile.sum_of(weights, name=f"string:{string.name}:{one.fret}")
    rest = one.margin_mm - sum(weight * float(heights[fret]) for fret, weight in one.weights.items())
    return combine([(1.0, moving)], constant_mm=rest)


def string_verdicts(found: Sequence[StringFindings], limits: LimitSet) -> Iterable[BoardVerdict]:
    """Give a verdict at every fret of every path: the string that comes nearest counts."""
    for place in dict.fromkeys(one.string.place for one in found):
        by_fret: dict[int, list[Estimate]] = {}
        for one in found:
            for margin in one.margins if one.string.place == place else ():
                by_fret.setdefault(margin.least.fret, []).append(margin.margin)
        for fret, several in by_fret.items():
            if fret:
                worst = least_conforming([judge(one, limits["string_clearance"]) for one in several])
                yield "string_clearance", fret, place, worst, ()


def strings_json(found: Sequence[StringFindings]) -> list[dict[str, Any]] | None:
    """Return the strings as plain JSON values; None without any."""
    return [_string_json(one) for one in found] or None


def _string_json(one: StringFindings) -> dict[str, Any]:
    least = min(one.margins, key=lambda each: each.margin.value_mm, default=None)
    return {
        "string": one.string.name, "place": one.string.place, "saddle_height_mm": round(one.saddle_mm, 6),
        "tension_n": None if one.tension_n is None else round(one.tension_n, 3),
        "least": None if least is None else _margin_json(least),
        "frets": [_margin_json(each) for each in one.margins],
        "rise_allowed_mm": [{"fret": fret, "rise_mm": round(float(rise), 6)}
                            for fret, rise in enumerate(one.allowed_mm) if np.isfinite(rise)],
        "step_limit_mm": round(A_FIFTH * NEXT_FRET * one.saddle_mm, 6),
    }  # fmt: skip


def _margin_json(one: StringMargin) -> dict[str, Any]:
    known = one.margin.known
    return {"fret": one.least.fret, "over": one.least.over, "margin_mm": round(one.margin.value_mm, 6),
            "u_mm": round(one.margin.u_mm, 6) if known else None,
            "U_mm": round(one.margin.expanded_u_mm(), 6) if known else None}  # fmt: skip


def string_lines(found: Sequence[StringFindings], *, unit: str) -> list[str]:
    """Say where each string comes nearest, and what cannot be told."""
    lines = []
    for one in found:
        name = f"string {one.string.name}"
        if one.tension_n is None:
            lines.append(
                f"   {name}: its swing is not known; state tension_n, or pitch_hz with mass_g_per_m or gauge_mm"
            )
            continue
        least = min(one.margins, key=lambda each: each.margin.value_mm, default=None)
        if least is None:
            continue
        size = length(least.margin.value_mm, least.margin.expanded_u_mm() if least.margin.known else None, unit)
        start = f"fretted at {least.least.fret}" if least.least.fret else "open"
        verb = "clears" if least.margin.value_mm >= 0 else "hits"
        lines.append(f"   {name}, {start}, {verb} fret {least.least.over} first: {size}")
    return ["", *lines] if lines else []
