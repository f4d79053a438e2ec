"""What was measured on the board itself: where the slots are, and the arc across it."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from logger.errors import InsufficientDataError
from logger.evaluation.conformity import Judgement, judge
from logger.evaluation.estimate import Cause, Estimate, combine
from logger.evaluation.observation import FeatureKey
from logger.evaluation.radius import BoardShape, choose_caul, end_gap_mm, fit_shape, radius_from_rise, rise_mm
from logger.evaluation.scale import SlotSurvey, cents_sharp, survey_slots
from logger.evaluation.sweep import Path
from logger.instrument import Instrument
from logger.limits import LimitSet

BoardVerdict = tuple[str, int, Path, Judgement, tuple[FeatureKey, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotFindings:
    """The slots of one path.

    Attributes:
        place: the path.
        keys: features, in the order of the frets.
        survey: scale, nut and single slots, or None where one slot was measured.
        off: every slot less its place, in mm.
    """

    place: Path
    keys: tuple[FeatureKey, ...]
    survey: SlotSurvey | None
    off: tuple[Estimate, ...]


def find_slots(estimates: Mapping[FeatureKey, Estimate], instrument: Instrument) -> list[SlotFindings]:
    """Return where the slots are, path by path."""
    found = []
    keys = sorted((key for key in estimates if key.kind == "slot_position"), key=lambda key: key.fret or 0)
    for place in dict.fromkeys(key.place for key in keys):
        own = tuple(key for key in keys if key.place == place)
        found.append(_slots(place, own, [estimates[key] for key in own], instrument))
    return found


def _slots(place: Path, keys: tuple[FeatureKey, ...], slots: list[Estimate], instrument: Instrument) -> SlotFindings:
    positions = instrument.positions_of(place)
    frets = [key.fret or 0 for key in keys]
    try:
        values, u_mm = [one.value_mm for one in slots], float(np.median([one.u_mm for one in slots]))
        survey: SlotSurvey | None = survey_slots(frets, values, scale_mm=instrument.scale_of(place), u_mm=u_mm)
    except InsufficientDataError:
        survey = None
    fitted = survey is not None and (survey.wrong_scale or survey.shifted_nut)
    off = []
    for index, (fret, one) in enumerate(zip(frets, slots, strict=True)):
        left = survey.left_mm[index] if survey is not None else one.value_mm - positions[fret]
        moved = combine([(1.0, one)], constant_mm=float(left) - one.value_mm)
        off.append(_with_fit(moved, survey, fret) if fitted and survey is not None else moved)
    return SlotFindings(place=place, keys=keys, survey=survey, off=tuple(off))


def _with_fit(one: Estimate, survey: SlotSurvey, fret: int) -> Estimate:
    share = 1 - 2.0 ** (-fret / 12)
    u = float(np.hypot(survey.fit.u_nut_mm, share * survey.fit.u_scale_mm))
    cause = Cause(name="fit:slots", words="the scale fitted to the slots", u_mm=u)
    return Estimate(value_mm=one.value_mm, terms=(*one.terms, (cause, 1.0)), known=one.known, repeats=one.repeats)


def slot_verdicts(found: Iterable[SlotFindings], limits: LimitSet) -> Iterable[BoardVerdict]:
    """Give a verdict on every slot; where scale or nut are wrong, on what is left beside them."""
    for one in found:
        for key, off in zip(one.keys, one.off, strict=True):
            yield "slot_position", key.fret or 0, one.place, judge(off, limits["slot_position"]), (key,)


def slots_json(found: Iterable[SlotFindings], instrument: Instrument) -> list[dict[str, Any]]:
    """Return where the slots are as plain JSON values, per path."""
    return [
        {
            "place": one.place,
            **({} if one.survey is None else {
                "scale_mm": round(one.survey.fit.scale_mm, 6), "u_scale_mm": round(one.survey.fit.u_scale_mm, 6),
                "nut_mm": round(one.survey.fit.nut_mm, 6), "u_nut_mm": round(one.survey.fit.u_nut_mm, 6),
                "wrong_scale": one.survey.wrong_scale, "shifted_nut": one.survey.shifted_nut,
                "single": list(one.survey.single),
            }),
            "slots": [
                {"fret": key.fret, "off_mm": round(off.value_mm, 6),
                 "cents": _cents(key.fret or 0, off.value_mm, instrument.scale_of(one.place))}
                for key, off in zip(one.keys, one.off, strict=True)
            ],
        }
        for one in found
    ]  # fmt: skip


def _cents(fret: int, off_mm: float, scale_mm: float) -> float | None:
    try:
        return round(cents_sharp(fret, off_mm, scale_mm), 3)
    except ValueError:
        return None  # beyond the bridge it sounds no more


def slot_notes(found: Iterable[SlotFindings], instrument: Instrument) -> list[str]:
    """Say that all slots follow another scale length, or a nut that stands elsewhere."""
    notes = []
    for one in found:
        where = f" on the {one.place} side" if one.place else ""
        fit = None if one.survey is None else one.survey.fit
        if fit is None or one.survey is None:
            continue
        if one.survey.wrong_scale:
            notes.append(
                f"the slots{where} follow a scale of {fit.scale_mm:.2f} ± {1.96 * fit.u_scale_mm:.2f} mm, not "
                f"{instrument.scale_of(one.place):g} mm: each is judged by what is left beside that"
            )
        if one.survey.shifted_nut:
            way = "too near the bridge" if fit.nut_mm > 0 else "too near the nut"
            notes.append(
                f"all slots{where} lie {abs(fit.nut_mm):.2f} ± {1.96 * fit.u_nut_mm:.2f} mm {way}: the nut, not the "
                "slots; each is judged by what is left beside that"
            )
    return notes


# -- the arc across the board ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Arc:
    """The arc across the board at one fret.

    Attributes:
        rise: measured rise over feet ``span_mm`` apart, in mm.
        radius: radius in mm, None where the board is flat or hollow.
        wanted_mm: rise that the board's stated radius gives, None where none is stated or the feet do not fit on it.
    """

    key: FeatureKey
    span_mm: float
    rise: Estimate
    radius: Estimate | None
    wanted_mm: float | None


def find_arcs(
    estimates: Mapping[FeatureKey, Estimate], spans_mm: Mapping[FeatureKey, float | None], instrument: Instrument
) -> list[Arc]:
    """Return the arcs measured with a known distance of the feet, in the order of the frets."""
    keys = sorted(
        (key for key in estimates if key.kind == "board_rise"), key=lambda key: (key.fret or 0, key.place or "")
    )
    return [_arc(key, estimates[key], span, instrument) for key in keys if (span := spans_mm.get(key))]


def _arc(key: FeatureKey, rise: Estimate, span_mm: float, instrument: Instrument) -> Arc:
    radius = radius_from_rise(rise, span_mm) if rise.value_mm > 0 else None
    stated = instrument.radius_at_mm(float(instrument.positions_mm[key.fret or 0]))
    wanted = rise_mm(stated, span_mm) if stated is not None and span_mm <= 2 * stated else None
    return Arc(key=key, span_mm=span_mm, rise=rise, radius=radius, wanted_mm=wanted)


def arc_verdicts(arcs: Iterable[Arc], limits: LimitSet) -> Iterable[BoardVerdict]:
    """Give a verdict on every arc: its rise against that of the stated radius."""
    for one in arcs:
        if one.wanted_mm is not None:
            off = combine([(1.0, one.rise)], constant_mm=-one.wanted_mm)
            yield "board_arc", one.key.fret or 0, one.key.place, judge(off, limits["board_arc"]), (one.key,)


def arcs_json(arcs: list[Arc], instrument: Instrument) -> dict[str, Any] | None:
    """Return the arcs as plain JSON values: radius by fret, cylinder or cone, caul and end gap; None without any."""
    if not arcs:
        return None
    shape = _shape(arcs, instrument)
    x = instrument.positions_mm
    return {
        "radii": [
            {"fret": one.key.fret, "place": one.key.place, "span_mm": one.span_mm,
             "radius_mm": None if one.radius is None else round(one.radius.value_mm, 4),
             "u_mm": None if one.radius is None or not one.radius.known else round(one.radius.u_mm, 4)}
            for one in arcs
        ],
        "shape": None if shape is None else {
            "kind": "cone" if shape.conical else "cylinder",
            "nut_radius_mm": round(shape.line.at(0.0)[0], 3),
            "last_radius_mm": round(shape.line.at(float(x[-1]))[0], 3),
            "standardised": [round(float(one), 3) for one in shape.standardised],
        },
        **_seating_aids(arcs, instrument),
    }  # fmt: skip


def _shape(arcs: list[Arc], instrument: Instrument) -> BoardShape | None:
    round_ones = [one for one in arcs if one.radius is not None and one.radius.known and one.radius.u_mm > 0]
    if len({one.key.fret for one in round_ones}) < 2:
        return None
    x = [float(instrument.positions_mm[one.key.fret or 0]) for one in round_ones]
    radii = [one.radius for one in round_ones if one.radius is not None]
    return fit_shape(x, [one.value_mm for one in radii], [one.u_mm for one in radii])


def _seating_aids(arcs: list[Arc], instrument: Instrument) -> dict[str, Any]:
    """Return a caul surely smaller than the smallest arc, and how far the wire's ends stand off before pressing."""
    radii = [one.radius.value_mm - 1.96 * one.radius.u_mm for one in arcs if one.radius is not None]
    caul = choose_caul(min(radii), list(instrument.cauls_mm)) if radii else None
    bent, gaps = instrument.stock.radius_mm, []
    for one in arcs if bent is not None else []:
        width = instrument.width_at_mm(float(instrument.positions_mm[one.key.fret or 0]))
        if one.radius is None or width is None or bent is None or width > 2 * min(bent, one.radius.value_mm):
            continue
        gaps.append({"fret": one.key.fret, "gap_mm": round(end_gap_mm(one.radius.value_mm, bent, width), 4)})
    return {"caul_mm": caul, "end_gaps": gaps}
