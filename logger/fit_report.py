"""How wire and slots fit: the coil, the slots that suit it, every fret's chance, and the back-bow to expect."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.errors import InsufficientDataError
from logger.evaluation.estimate import Estimate
from logger.evaluation.matching import assign, chance_of_fit, worst_and_sum
from logger.evaluation.observation import FeatureKey, Observation
from logger.evaluation.scale import fret_positions_mm
from logger.evaluation.statistics import Floats
from logger.evaluation.wedging import MODULI_MPA, BackBow, Section, predict, wedge_mm
from logger.evaluation.wire import Coils, Window, coils_of, slot_window
from logger.features import PLACES
from logger.instrument import Instrument
from logger.limits import LimitSet

SIZES: Final = ("tang_thickness", "barb_span", "tang_depth", "crown_height")
SURE: Final = 0.95
"""A fret with this chance to fit, or more, is said to fit for sure (our choice, as where verdicts pass)."""
_EVERYWHERE: Final = (*PLACES, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class FretFit:
    """One fret: the chance that it fits at its worst place, and which place that is."""

    fret: int
    place: str | None
    chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Everything about wire and slots.

    Attributes:
        coils: what each size of the wire is over its coils, by kind.
        window: slots that suit the wire, None where tang or span was not measured.
        frets: chance of a fit, by fret.
        pieces: for every slot whose fret has a piece of its own, the fret whose piece goes there; empty without any.
        pieces_now: least chance and sum with each piece in the slot it was measured for.
        pieces_then: the same as given by ``pieces``.
        back_bow: what to expect, or None.
        why_no_back_bow: in words, empty where there is one.
    """

    coils: Mapping[str, Coils]
    window: Window | None
    frets: tuple[FretFit, ...]
    pieces: Mapping[int, int]
    pieces_now: tuple[float, float] | None
    pieces_then: tuple[float, float] | None
    back_bow: BackBow | None
    why_no_back_bow: str


def fit_of(
    estimates: Mapping[FeatureKey, Estimate], readings: Mapping[FeatureKey, Sequence[Observation]],
    instrument: Instrument, limits: LimitSet, *, transfer: Floats | None = None,
) -> Fit:  # fmt: skip
    """Return how wire and slots fit.

    Args:
        estimates: every feature.
        readings: what each was made from; the wire's rounds are its coils.
        instrument: board, neck and wire.
        limits: of ``tang_clearance`` and ``barb_bite``.
        transfer: draws of the share of wedging that bends the neck, learnt from the shop's necks; None for the prior.
    """
    tang, span = (estimates.get(FeatureKey(kind=kind)) for kind in ("tang_thickness", "barb_span"))
    window = None
    if tang is not None and span is not None:
        window = slot_window(tang.value_mm, span.value_mm, limits["tang_clearance"], limits["barb_bite"])
    pieces, now, then = _pieces(estimates, limits)
    why = _missing(estimates, instrument)
    bow = None if why else _back_bow(estimates, instrument, transfer)
    return Fit(
        coils=_coils(readings), window=window, frets=fits_of(estimates, limits), pieces=pieces,
        pieces_now=now, pieces_then=then, back_bow=bow, why_no_back_bow=why,
    )  # fmt: skip


def fits_of(estimates: Mapping[FeatureKey, Estimate], limits: LimitSet) -> tuple[FretFit, ...]:
    """Return the chance of a fit of every fret whose slot, tang, span and their uncertainties are known."""
    frets = (_fret(estimates, fret, limits) for fret in _slotted(estimates))
    return tuple(one for one in frets if one is not None)


def _coils(readings: Mapping[FeatureKey, Sequence[Observation]]) -> dict[str, Coils]:
    found: dict[str, Coils] = {}
    for kind in SIZES:
        by_coil: dict[str, list[float]] = {}
        digit = max((one.resolution_mm or 0.0 for one in readings.get(FeatureKey(kind=kind), ())), default=0.0)
        for one in readings.get(FeatureKey(kind=kind), ()):
            by_coil.setdefault(one.round, []).append(one.value_mm - one.bias_mm)
        try:
            found[kind] = coils_of(list(by_coil.values()), digit_mm=digit)
        except InsufficientDataError:
            continue
    return found


def _slotted(estimates: Mapping[FeatureKey, Estimate]) -> list[int]:
    return sorted({key.fret for key in estimates if key.kind == "slot_width" and key.fret is not None})


def _own(estimates: Mapping[FeatureKey, Estimate], kind: str, fret: int) -> Estimate | None:
    return estimates.get(FeatureKey(kind=kind, fret=fret)) or estimates.get(FeatureKey(kind=kind))


def _places(estimates: Mapping[FeatureKey, Estimate], kind: str, fret: int) -> dict[str | None, Estimate]:
    keys = {place: FeatureKey(kind=kind, fret=fret, place=place) for place in _EVERYWHERE}
    return {place: estimates[key] for place, key in keys.items() if key in estimates}


def _fret(estimates: Mapping[FeatureKey, Estimate], fret: int, limits: LimitSet) -> FretFit | None:
    tang, span = (_own(estimates, kind, fret) for kind in ("tang_thickness", "barb_span"))
    slots = _places(estimates, "slot_width", fret)
    if tang is None or span is None or not all(one.known for one in (tang, span, *slots.values())):
        return None
    found = [
        (_chance(slot, tang, span, limits), place) for place, slot in _places(estimates, "slot_width", fret).items()
    ]
    chance, place = min(found, key=lambda one: one[0])
    return FretFit(fret=fret, place=place, chance=chance)


def _chance(slot: Estimate, tang: Estimate, span: Estimate, limits: LimitSet) -> float:
    return chance_of_fit(slot, tang, span, limits["tang_clearance"], limits["barb_bite"])


def _pieces(
    estimates: Mapping[FeatureKey, Estimate], limits: LimitSet
) -> tuple[dict[int, int], tuple[float, float] | None, tuple[float, float] | None]:
    """Return which fret's piece goes to which slot, where pieces were measured one by one."""
    slots = _slotted(estimates)
    keys = {
        fret: (FeatureKey(kind="tang_thickness", fret=fret), FeatureKey(kind="barb_span", fret=fret)) for fret in slots
    }
    pieces = [fret for fret in slots if all(key in estimates for key in keys[fret])]
    if len(pieces) < 2:
        return {}, None, None
    table = np.array([[_worst(estimates, fret, *keys[piece], limits) for piece in pieces] for fret in pieces])
    chosen = assign(table)
    now, then = worst_and_sum(table, range(len(pieces))), worst_and_sum(table, chosen)
    if then <= now:  # none is moved for nothing
        chosen, then = list(range(len(pieces))), now
    return {fret: pieces[piece] for fret, piece in zip(pieces, chosen, strict=True)}, now, then


def _worst(
    estimates: Mapping[FeatureKey, Estimate], fret: int, tang: FeatureKey, span: FeatureKey, limits: LimitSet
) -> float:
    """Return the chance that a piece fits a slot at its worst place."""
    slots = _places(estimates, "slot_width", fret).values()
    return min(_chance(slot, estimates[tang], estimates[span], limits) for slot in slots)


# -- back-bow --------------------------------------------------------------------------------------------------------


def _modulus(stated: float | None, wood: str) -> float | None:
    return stated if stated is not None else MODULI_MPA.get(wood.lower())


def _missing(estimates: Mapping[FeatureKey, Estimate], instrument: Instrument) -> str:
    """Say what the back-bow needs and is not there."""
    neck, stock = instrument.neck, instrument.stock
    wanted = {
        "join_fret": instrument.join_fret, "[neck] board_mm": neck.board_mm, "[neck] nut_mm": neck.nut_mm,
        "[neck] board_modulus_mpa": _modulus(neck.board_modulus_mpa, neck.board_wood),
        "[neck] modulus_mpa": _modulus(neck.modulus_mpa, neck.wood), "[wire] barb_pitch_mm": stock.barb_pitch_mm,
        "[wire] barb_length_mm": stock.barb_length_mm,
    }  # fmt: skip
    absent = [key for key, value in wanted.items() if value is None]
    if absent:
        return f"the instrument's file does not state {', '.join(absent)}"
    sizes = ("tang_thickness", "barb_span", "tang_depth")
    unmeasured = [kind for kind in sizes if FeatureKey(kind=kind) not in estimates]
    if unmeasured or not _slotted(estimates):
        return f"not measured: {', '.join(unmeasured or ['slot_width'])}"
    return ""


def _back_bow(estimates: Mapping[FeatureKey, Estimate], instrument: Instrument, transfer: Floats | None) -> BackBow:
    neck, stock = instrument.neck, instrument.stock
    frets = range(1, instrument.frets + 1)
    slots = {fret: _mean(_places(estimates, "slot_width", fret)) for fret in _slotted(estimates)}
    typical = float(np.mean([width for width, _ in slots.values()])), max(u for _, u in slots.values())
    width = np.array([slots.get(fret, typical)[0] for fret in frets])
    u_slot = np.array([slots.get(fret, typical)[1] for fret in frets])
    tang, span, depth = (
        [_own(estimates, kind, fret) or Estimate(value_mm=np.nan) for fret in frets]
        for kind in ("tang_thickness", "barb_span", "tang_depth")
    )
    sizes = [np.array([one.value_mm for one in several]) for several in (tang, span, depth)]
    pitch, barb = stock.barb_pitch_mm or 1.0, stock.barb_length_mm or 0.0
    wedges = wedge_mm(sizes[0], width, sizes[1], barb_mm=barb, pitch_mm=pitch)
    u = np.hypot(u_slot, np.array([one.u_mm for one in tang]))
    tight = sizes[0] > width
    u_wedges = np.where(tight, u, u * np.divide(wedges, np.maximum(sizes[1] - width, 1e-6)))
    positions = fret_positions_mm(instrument.scale_mm, instrument.frets + 1)
    end = float(positions[instrument.join_fret or instrument.frets])
    nut, join = neck.nut_mm or 0.0, neck.join_mm or neck.nut_mm or 0.0
    section = Section(
        board_mm=np.full(instrument.frets, neck.board_mm), neck_mm=nut + (join - nut) * positions[1:-1] / end,
        board_mpa=_modulus(neck.board_modulus_mpa, neck.board_wood) or 0.0,
        neck_mpa=_modulus(neck.modulus_mpa, neck.wood) or 0.0,
    )  # fmt: skip
    return predict(section, wedges, u_wedges, sizes[2], positions, end, transfer=transfer)


def _mean(places: Mapping[str | None, Estimate]) -> tuple[float, float]:
    values = list(places.values())
    return float(np.mean([one.value_mm for one in values])), max(one.u_mm for one in values)


# -- as JSON ---------------------------------------------------------------------------------------------------------


def _finite(value: float) -> float | None:
    return round(float(value), 6) if np.isfinite(value) else None


def fit_json(fit: Fit) -> dict[str, Any] | None:
    """Return how wire and slots fit as plain JSON values; None where neither was measured."""
    if not fit.coils and not fit.frets:
        return None
    return {
        "wire": [
            {"kind": kind, "mean_mm": _finite(one.mean_mm), "u_mean_mm": _finite(one.u_mean_mm),
             "sd_along_mm": _finite(one.sd_along_mm),
             "sd_between_mm": None if one.sd_between_mm is None else _finite(one.sd_between_mm),
             "next_low_mm": _finite(one.low_mm), "next_high_mm": _finite(one.high_mm), "readings": one.readings,
             "coils": one.coils}
            for kind, one in fit.coils.items()
        ],
        "slots_that_fit": None if fit.window is None else {
            "low_mm": _finite(fit.window.low_mm), "high_mm": _finite(fit.window.high_mm), "never": fit.window.never,
            "spread_low_mm": _finite(fit.window.spread_low_mm), "spread_high_mm": _finite(fit.window.spread_high_mm),
        },
        "frets": [{"fret": one.fret, "place": one.place, "chance": round(one.chance, 6)} for one in fit.frets],
        "pieces": [{"slot": slot, "piece": piece} for slot, piece in fit.pieces.items()],
        "pieces_least_chance": None if fit.pieces_then is None else round(fit.pieces_then[0], 6),
    }  # fmt: skip


def back_bow_json(fit: Fit) -> dict[str, float] | None:
    """Return the back-bow to expect, its 95 % interval, and what it would be if all the wedging bent the neck."""
    one = fit.back_bow
    if one is None:
        return None
    return {"median_mm": round(one.median_mm, 6), "low_mm": round(one.low_mm, 6), "high_mm": round(one.high_mm, 6),
            "at_whole_transfer_mm": round(one.at_whole_transfer_mm, 6)}  # fmt: skip
