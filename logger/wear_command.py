"""`fretledger wear`: the same neck at two visits, and how fast its crowns wear."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.errors import InputFileError
from logger.evaluate import Evaluation, evaluate_file
from logger.evaluation.estimate import Estimate
from logger.evaluation.observation import FeatureKey
from logger.evaluation.seating import seated_key
from logger.evaluation.wear import Wear, wear_between
from logger.features import PLACES
from logger.sentences import length, where_words


@dataclass(frozen=True, slots=True, kw_only=True)
class Visits:
    """Two visits of one neck and the wear between them, by fret and place."""

    instrument: str
    days: float | None
    wear: Mapping[tuple[int, str], Wear]


def two_visits(earlier: Path, later: Path, *, days: float | None, **files: Any) -> Visits:
    """Return the wear between two files of readings.

    Args:
        earlier: the earlier file.
        later: the later one.
        days: from one to the other; None takes it from ``taken_at`` where both files have it.
        files: instrument, gauges, limits and session, as `evaluate_file` takes them.

    Raises:
        InputFileError: a file does not hold, or the two have no seated height in common.
    """
    before, after = evaluate_file(earlier, **files), evaluate_file(later, **files)
    told = days_between(before, after)
    if told is not None and told < 0:
        raise InputFileError(
            f"{later} was taken {-told:.0f} days before {earlier}, by its taken_at; give the earlier file first"
        )
    found = wear_of(before, after, days=told if days is None else days)
    if not found:
        raise InputFileError(
            f"{earlier} and {later} have no seated_height of one fret and place in common; measure the same places at "
            "both visits"
        )
    return Visits(instrument=before.instrument.name, days=told if days is None else days, wear=found)


def wear_of(before: Evaluation, after: Evaluation, *, days: float | None) -> dict[tuple[int, str], Wear]:
    """Return the wear between two visits by fret and place, as far as both measured the seated height there."""
    found = {}
    for fret in range(1, before.instrument.frets + 1):
        for place in PLACES:
            first, second = (_heights(one, fret, place) for one in (before, after))
            if first is not None and second is not None:
                found[fret, place] = wear_between(first, second, days=days)
    return found


def days_between(before: Evaluation, after: Evaluation) -> float | None:
    """Return the days from the last reading of one visit to that of the next; None where a date is not known."""
    if before.taken_at is None or after.taken_at is None:
        return None
    return (after.taken_at - before.taken_at).total_seconds() / 86_400


def _heights(result: Evaluation, fret: int, place: str) -> tuple[Estimate, Estimate | None] | None:
    estimates = result.judge.estimates
    path = estimates.get(seated_key(fret, place))
    keys = (FeatureKey(kind="unworn_height", fret=fret, place=place), FeatureKey(kind="unworn_height", fret=fret))
    unworn = next((estimates[key] for key in keys if key in estimates), None)
    return None if path is None else (path, unworn)


def wear_json(visits: Visits) -> dict[str, Any]:
    """Return the wear as plain JSON values."""
    return {
        "instrument": visits.instrument, "days": None if visits.days is None else round(visits.days, 3),
        "wear": [
            {
                "fret": fret, "place": place, "now": _size(one.now), "since": _size(one.since),
                "against_crown": one.against_crown,
                "rate_mm_per_year": None if one.rate_mm_per_year is None else round(one.rate_mm_per_year[0], 6),
                "rate_U_mm_per_year": None if one.rate_mm_per_year is None else round(one.rate_mm_per_year[1], 6),
                "why_no_rate": one.why_no_rate or None,
            }
            for (fret, place), one in visits.wear.items()
        ],
    }  # fmt: skip


def _size(one: Estimate | None) -> dict[str, float | None] | None:
    if one is None:
        return None
    return {"value_mm": round(one.value_mm, 6), "U_mm": round(one.expanded_u_mm(), 6) if one.known else None}


def wear_lines(visits: Visits, *, unit: str) -> list[str]:
    """Return the wear as a table."""
    apart = "visits of unknown dates" if visits.days is None else f"visits {visits.days:.0f} days apart"
    lines = [f"{visits.instrument}: wear of the crowns, {apart}", ""]
    for (fret, place), one in visits.wear.items():
        now = "" if one.now is None else f", worn by {_length(one.now, unit)} now"
        basis = "" if one.against_crown else " (against the board)"
        lines.append(f"{where_words(fret, place):<16} {_length(one.since, unit)} since{basis}{now}; {_rate(one, unit)}")
    return lines


def _length(one: Estimate, unit: str) -> str:
    return length(one.value_mm, one.expanded_u_mm() if one.known else None, unit)


def _rate(one: Wear, unit: str) -> str:
    if one.rate_mm_per_year is None:
        return f"no rate: {one.why_no_rate}"
    return f"{length(*one.rate_mm_per_year, unit)} a year"
