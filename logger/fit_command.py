"""`fretledger fit`: the wire and its slots, fret by fret, what to choose, and the back-bow to expect."""

from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.candidates import candidates_of, pairings_json
from logger.csv_table import read_table
from logger.errors import ChoicesError, InputFileError, ReadingsFileError
from logger.evaluate import Evaluation
from logger.evaluation.matching import Pairing
from logger.evaluation.statistics import Floats
from logger.evaluation.wedging import PRIOR, learn_transfer
from logger.evaluation.wire import Coils
from logger.fit_report import SURE, Fit, back_bow_json, fit_json
from logger.limits import LimitSet
from logger.report import flags
from logger.sentences import cautions_together, figure, flag_sentence, frets_words, where_words
from logger.snapshot import CAUTIONS
from logger.toml_input import Table, load_toml

RELIEFS: Final = ("before", "after", "foretold")
U_RELIEF_MM: Final = 0.02
"""Standard uncertainty of the relief that fretting took, where the file states none (common practice, no source)."""
KINDS: Final = {"tang_thickness": "tang", "barb_span": "span over the barbs", "tang_depth": "tang depth",
                "crown_height": "crown"}  # fmt: skip
FIT_CHECKS: Final = ("tang_clearance", "barb_bite", "slot_depth_spare")


def read_choices(path: Path, limits: LimitSet) -> list[Pairing]:
    """Return wires and blades of a TOML file, paired and ranked by the chance that a fret fits.

    Raises:
        ChoicesError: the file or a key in it does not hold.
    """
    table = Table(load_toml(path, ChoicesError), where=str(path), error=ChoicesError)
    table.refuse_unknown(("wire", "blade"))
    given = candidates_of(_rows(table, "wire"), _rows(table, "blade"))
    if not given.wires or not given.blades:
        raise ChoicesError(f"{path}: give at least one [[wire]] and one [[blade]]")
    return given.ranked(limits)


def _rows(table: Table, key: str) -> list[Table]:
    values = table.values.get(key, [])
    if not isinstance(values, list):
        raise ChoicesError(
            f"{table.where}: {key} is a list of tables that begin with [[{key}]], got {str(values)[:40]!r}"
        )
    return [Table(one, where=f"{table.where}: [[{key}]] {number}", error=ChoicesError)
            for number, one in enumerate(values, 1)]  # fmt: skip


def read_transfer(path: Path) -> Floats:
    """Return draws of the transfer learnt from a CSV file of necks: relief before and after, back-bow foretold.

    Raises:
        ReadingsFileError: the file or a row does not hold.
    """
    lines = list(read_table(path, required=RELIEFS, optional=("unit", "u"), what="reliefs"))
    if not lines:
        raise ReadingsFileError(f"{path}: no necks below the header; add one row per neck")
    before, after, foretold = ([float(line.length_nm(name)) / 1e6 for line in lines] for name in RELIEFS)
    stated = [float(line.length_nm("u")) / 1e6 for line in lines if line.get("u")]
    return learn_transfer(before, after, foretold, u_mm=float(np.mean(stated)) if stated else U_RELIEF_MM)


def fit_lines(result: Evaluation, fit: Fit, pairings: list[Pairing], *, unit: str, learnt: bool) -> list[str]:
    """Return the fit as lines: what to do fret by fret, the wire, the slots that suit it, choices and back-bow.

    Raises:
        InputFileError: neither wire nor slots were measured.
    """
    if not fit.coils and not fit.frets and not pairings:
        raise InputFileError("no wire and no slots in the readings: measure tang_thickness, barb_span and slot_width")
    caution = cautions_together((CAUTIONS["wire"], CAUTIONS["slots"]))
    lines = [f"{result.instrument.name}: wire and slots", f"   {caution}", ""]
    lines += _work(result, unit)
    lines += _chances(fit)
    lines += [_coil(KINDS[kind], one, unit) for kind, one in fit.coils.items()]
    lines += _window(fit, unit)
    lines += _pieces(fit)
    lines += [f"   {one.wire} with {one.blade}: {one.chance:.1%} of frets fit" for one in pairings]
    return [*lines, *_bow(fit, unit, learnt=learnt)]


def _figure(value_mm: float, unit: str) -> str:
    return f"{figure(value_mm, unit)} {unit}"


def _work(result: Evaluation, unit: str) -> list[str]:
    lines = []
    for one in flags(result.verdicts):
        if one.check in FIT_CHECKS:
            words, _ = flag_sentence(one.check, one.fret, one.place, one.judgement, result.limits[one.check], unit=unit)
            lines += [f"!! {words}", f"   {one.what_to_do}"]
    return [*lines, ""] if lines else ["no slot fails its limits", ""]


def _chances(fit: Fit) -> list[str]:
    if not fit.frets:
        return []
    sure = [one.fret for one in fit.frets if one.chance >= SURE]
    lines = [f"fits for sure (95 %): frets {frets_words(sure)}"] if sure else []
    lines += [f"{where_words(one.fret, one.place)}: fits with a chance of {one.chance:.0%}"
              for one in fit.frets if one.chance < SURE]  # fmt: skip
    return [*lines, ""]


def _coil(name: str, one: Coils, unit: str) -> str:
    between = "" if one.sd_between_mm is None else f", from coil to coil {_figure(one.sd_between_mm, unit)}"
    of = f"{one.readings} readings of {one.coils} coil{'' if one.coils == 1 else 's'}"
    mean, along, low, high = (_figure(size, unit) for size in (one.mean_mm, one.sd_along_mm, one.low_mm, one.high_mm))
    spread = f"along a coil it spreads by {along}{between}"
    return f"{name}: {mean}, {spread}; the next piece lies between {low} and {high} ({of})"


def _window(fit: Fit, unit: str) -> list[str]:
    window = fit.window
    if window is None:
        return []
    if window.never:
        low, high = _figure(window.spread_low_mm, unit), _figure(window.spread_high_mm, unit)
        words = f"the span over its barbs must be {low} to {high} more than its tang, so that clearance and bite hold"
        return [f"this wire never fits: {words}"]
    return [f"slots that suit this wire: {_figure(window.low_mm, unit)} to {_figure(window.high_mm, unit)}"]


def _pieces(fit: Fit) -> list[str]:
    moved = {slot: piece for slot, piece in fit.pieces.items() if slot != piece}
    if not moved or fit.pieces_now is None or fit.pieces_then is None:
        return []
    lines = [f"pieces in other slots: the worst fit rises from {fit.pieces_now[0]:.0%} to {fit.pieces_then[0]:.0%}"]
    return lines + [f"   slot {slot}: the piece measured for fret {piece}" for slot, piece in moved.items()]


def _bow(fit: Fit, unit: str, *, learnt: bool) -> list[str]:
    bow = fit.back_bow
    if bow is None:
        return ["", f"back-bow not foretold: {fit.why_no_back_bow}"]
    basis = "learnt from your necks" if learnt else f"before any neck of yours is known, {PRIOR[0] / sum(PRIOR):.0%}"
    low, high, whole = (_figure(size, unit) for size in (bow.low_mm, bow.high_mm, bow.at_whole_transfer_mm))
    return [
        "",
        f"the frets will bend the neck back by {_figure(bow.median_mm, unit)}, 95 % between {low} and {high}",
        f"   ({whole} if all the wedging went into the neck; the share that does: {basis})",
    ]


def fit_result_json(result: Evaluation, fit: Fit, pairings: list[Pairing]) -> dict[str, Any]:
    """Return the fit as plain JSON values."""
    return {
        "instrument": result.instrument.name, "fit": fit_json(fit), "back_bow_mm": back_bow_json(fit),
        "why_no_back_bow": fit.why_no_back_bow or None,
        "choices": pairings_json(pairings),
    }  # fmt: skip
