"""One cell of the neck map: its readings, what makes it uncertain, its verdicts, and what earlier visits said.

Lengths are mm, readings nm as the store has them. Everything is plain JSON values.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from logger.door import QuestionError
from logger.errors import InputFileError
from logger.evaluate import Evaluation
from logger.kept import feature_of, key_of, utc_text
from logger.report import CheckVerdict, verdict_json
from logger.sentences import flag_sentence, reason, settle
from logger.store import KeptReading, SessionRow, StoreReader

MOST_VISITS: Final = 6
"""Visits that are judged for a history; each that was not judged before takes up to a second."""
COVERAGE_PERCENT: Final = 95

Told = dict[str, Any]
Cell = tuple[str, int | None, str | None]
"""Check, fret and place, as `CheckVerdict.key` has them."""


def cell_of(wanted: Mapping[str, str]) -> Cell:
    """Return the cell asked for: ``check``, ``fret`` (empty for the wire) and ``place`` (empty for the whole fret).

    Raises:
        QuestionError: the fret is no whole number from 0 up.
    """
    fret = wanted.get("fret", "")
    if fret and not (fret.isascii() and fret.isdecimal()):
        raise QuestionError(
            f"the fret of a cell must be a whole number, got {fret[:40]!r}; touch a cell of the neck map"
        )
    return wanted.get("check", ""), int(fret) if fret else None, wanted.get("place") or None


def cell_report(reader: StoreReader, found: Evaluation, session: str, cell: Cell) -> Told:
    """Return the readings behind a verdict, its budget, and every verdict on the same fret and place.

    Args:
        reader: of the store that holds the session.
        found: the verdicts on the session.
        session: which.
        cell: check, fret and place.

    Raises:
        QuestionError: nothing is judged there.
        StoreError: the store cannot be read.
    """
    own = _verdict_at(found, cell)
    if own is None:
        raise QuestionError("nothing is judged there any more; its readings may be taken back")
    limits = found.limits[own.check]
    told = verdict_json(own)
    return {
        "session": session, "check": own.check, "fret": own.fret, "place": own.place, "dof": told["dof"],
        "coverage_percent": COVERAGE_PERCENT, "u_mm": told["u_mm"], "budget": told["budget"],
        "limits": [limits.lower_mm, limits.upper_mm], "p_pass": limits.p_pass, "p_fail": limits.p_fail,
        "own": _verdict(own, found),
        "verdicts": [_verdict(one, found) for one in found.verdicts
                     if one.fret == own.fret and one is not own and one.place in {own.place, None}],
        "readings": [_reading(one) for one in sorted(reader.readings(session), key=_nearest(own)) if _behind(one, own)],
    }  # fmt: skip


def cell_history(visits: Sequence[SessionRow], here: str, cell: Cell, evaluated: Callable[[str], Evaluation]) -> Told:
    """Return what was judged in a cell at this visit and at the visits before it, the newest first.

    Args:
        visits: all sessions of one instrument.
        here: the session that is looked at.
        cell: check, fret and place.
        evaluated: gives the verdicts on a session.

    ``more`` says how many visits before these were not looked at. A visit whose description no longer holds says why.
    """
    now = next(one for one in visits if one.id == here)
    before = sorted((one for one in visits if _begun(one) <= _begun(now)), key=_begun, reverse=True)
    return {"visits": [_visit(one, here, cell, evaluated) for one in before[:MOST_VISITS]],
            "more": max(0, len(before) - MOST_VISITS)}  # fmt: skip


def _nearest(verdict: CheckVerdict) -> Callable[[KeptReading], int]:
    """Return an order that puts the readings of the place itself first, then those of its fret, then the wire's."""
    return lambda one: (
        0
        if (one.row.fret, one.row.place) == (verdict.fret, verdict.place)
        else (1 if one.row.fret == verdict.fret else 2)
    )


def _behind(one: KeptReading, verdict: CheckVerdict) -> bool:
    """Tell whether a reading stands behind a verdict, or was taken back and would stand there."""
    key, features = key_of(one.row), verdict.features
    if key is None or key in features or one.taken_back is None:
        return key in features
    places = {each.place for each in features}
    alike = any((each.kind, each.fret) == (key.kind, key.fret) for each in features)
    return alike and (len(places) > 1 or key.place in places)


def _begun(one: SessionRow) -> tuple[int, str]:
    return one.started_at_ns, one.id


def _visit(row: SessionRow, here: str, cell: Cell, evaluated: Callable[[str], Evaluation]) -> Told:
    told = {"session": row.id, "started_at": utc_text(row.started_at_ns), "here": row.id == here,
            "verdict": None, "why": ""}  # fmt: skip
    try:
        found = evaluated(row.id)
    except InputFileError as error:
        return {**told, "why": str(error)}
    own = _verdict_at(found, cell)
    return told if own is None else {**told, **_verdict(own, found)}


def _verdict_at(found: Evaluation, cell: Cell) -> CheckVerdict | None:
    return next((one for one in found.verdicts if one.key == cell), None)


def _verdict(one: CheckVerdict, found: Evaluation) -> Told:
    judgement = one.judgement
    return {
        "check": one.check, "fret": one.fret, "place": one.place, "verdict": one.verdict,
        "value_mm": round(judgement.estimate.value_mm, 6),
        "U_mm": None if judgement.expanded_u_mm is None else round(judgement.expanded_u_mm, 6),
        "p": None if judgement.p is None else round(judgement.p, 4),
        "text": _sentence(one, found, "mm"), "text_in": _sentence(one, found, "thou"),
        "todo": one.what_to_do or settle(judgement),
    }  # fmt: skip


def _sentence(one: CheckVerdict, found: Evaluation, unit: str) -> str:
    if one.verdict != "fail":
        return reason(one.check, one.judgement, unit=unit)
    return flag_sentence(one.check, one.fret, one.place, one.judgement, found.limits[one.check], unit=unit)[0]


def _reading(one: KeptReading) -> Told:
    row, feature, back = one.row, feature_of(one.row), one.taken_back
    return {
        "gauge": row.gauge, "sequence": row.sequence, "kind": row.kind, "fret": row.fret, "place": row.place,
        "feet": None if feature is None or feature.feet is None else list(feature.feet),
        "words": feature.words() if feature else "", "value_nm": row.value_nm, "low_nm": row.low_nm,
        "high_nm": row.high_nm, "round": row.round or "",
        "taken_at": utc_text(row.taken_at_ns) if row.taken_at_ns else None, "taken_back": back is not None,
        "why": "" if back is None else back.why,
    }  # fmt: skip
