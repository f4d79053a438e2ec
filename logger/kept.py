"""Kept readings as observations to judge and as rows to write: the store's side of `logger.report`."""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from typing import Final

from logger.csv_table import guarded
from logger.evaluation.observation import FeatureKey, Observation
from logger.features import BEAMS, NM_PER, STUDY, ZERO_KINDS, Feature
from logger.gauge_file import GaugeSpec, spec_from, worth
from logger.readings_csv import NOT_TAKEN_BACK
from logger.store import Climate, KeptReading, ReadingRow, SessionGauge, SheetRequest, Skip, TakeBack

_NM: Final = NM_PER["mm"]


def utc_text(at_ns: int) -> str:
    """Return a moment of the wall clock, in nanoseconds, as ISO 8601 text in UTC, to the second."""
    return datetime.fromtimestamp(at_ns / 1e9, UTC).isoformat(timespec="seconds")


def feet_text(feet: tuple[int, int] | None) -> str | None:
    """Return feet as the store and the CSV write them, ``6-8``."""
    return None if feet is None else f"{feet[0]}-{feet[1]}"


def feet_of(text: str | None) -> tuple[int, int] | None:
    """Return the frets under the feet from ``6-8``."""
    if text is None:
        return None
    low, high = text.split("-")
    return int(low), int(high)


def feature_of(row: ReadingRow) -> Feature | None:
    """Return what a kept reading is of, or None while it is not assigned."""
    if row.kind is None:
        return None
    trial = row.round if row.kind == STUDY else None
    return Feature(kind=row.kind, fret=row.fret, place=row.place, feet=feet_of(row.feet), trial=trial)


def asked_of(row: Skip | SheetRequest) -> Feature:
    """Return the feature that something was asked of the sheet about."""
    return Feature(kind=row.kind, fret=row.fret, place=row.place, feet=feet_of(row.feet))


def reading_words(row: ReadingRow) -> str:
    """Return gauge, value and feature of a reading in one line."""
    feature = feature_of(row)
    value = f"{row.value_nm / _NM:.4f} mm"
    if row.low_nm is not None and row.high_nm is not None:
        value = f"{row.low_nm / _NM:.4f} to {row.high_nm / _NM:.4f} mm"
    return f"{row.gauge} {value} ({feature.words() if feature else 'no feature'})"


def lost_words(rows: Sequence[ReadingRow]) -> str:
    """Name readings that could not be kept, with their values; empty for none."""
    named = ", ".join(map(reading_words, rows))
    return f"{len(rows)} not kept, measure again: {named}" if named else ""


def key_of(row: ReadingRow) -> FeatureKey | None:
    """Return the feature of a kept reading as evaluation names it, or None where there is nothing to judge."""
    if row.kind is None or row.kind == STUDY:
        return None
    own = f"{row.session}/{row.round or ''}" if row.kind in {*BEAMS, *ZERO_KINDS} else ""
    own += f"/{row.gauge}" if row.kind in ZERO_KINDS else ""  # two gauges have two zeros
    return FeatureKey(kind=row.kind, fret=row.fret, place=row.place, feet=feet_of(row.feet), round=own)


def spec_of(gauge: SessionGauge) -> GaugeSpec:
    """Return what a session's gauge was taken to be worth."""
    return spec_from(gauge.kind, json.loads(gauge.description))


def spec_json(spec: GaugeSpec) -> str:
    """Return a gauge's worth as the store keeps it."""
    return json.dumps(worth(spec))


def temperature_c(row: ReadingRow, climates: Sequence[Climate]) -> float | None:
    """Return the bench's temperature at a reading: the last one noted before it, else the first noted at all."""
    if not climates:
        return None
    before = [one for one in climates if one.at_ns <= row.taken_at_ns]
    return (before[-1] if before else climates[0]).temperature_mc / 1000


def observation_of(row: ReadingRow, spec: GaugeSpec, climates: Sequence[Climate] = ()) -> Observation | None:
    """Return what evaluation sees of a kept reading, or None where there is nothing to judge."""
    key = key_of(row)
    if key is None:
        return None
    bracket = row.low_nm is not None and row.high_nm is not None
    low = row.low_nm / _NM if row.low_nm is not None else None
    high = row.high_nm / _NM if row.high_nm is not None else None
    value = (low + high) / 2 if bracket and low is not None and high is not None else row.value_nm / _NM
    return Observation(
        key=key,
        value_mm=value,
        low_mm=low,
        high_mm=high,
        gauge=row.gauge,
        round=f"{row.session}/{row.round or ''}",
        resolution_mm=spec.resolution_mm,
        u_mm=spec.u_mm,
        zero_u_mm=spec.zero_u_mm,
        span_mm=None if row.span_nm is None else row.span_nm / _NM,
        u_dof=spec.u_dof,
        bias_mm=spec.bias_at(value),
        bias_u_mm=spec.bias_u_mm,
        bias_slope_u=spec.bias_slope_u,
        bias_away_mm=value - spec.bias_about_mm,
        zero_drift_mm=spec.zero_drift_mm,
        bow_u_mm=spec.bow_u_mm,
        faces=spec.faces,
        temperature_c=temperature_c(row, climates),
    )


_UNKNOWN: Final = GaugeSpec(kind="")


def observations_of(
    kept: Iterable[KeptReading], specs: Mapping[str, GaugeSpec], climates: Sequence[Climate] = ()
) -> list[Observation]:
    """Return the observations of kept readings that were not taken back.

    Args:
        kept: readings of one session.
        specs: what that session's gauges are worth; a gauge without an entry has no stated uncertainty.
        climates: temperature and humidity during that session, in order.
    """
    return Observer().observations(kept, specs, climates)


class Observer:
    """Turn kept readings into observations again and again, each one once: a long session only grows at its end.

    The result depends on what is given alone, never on earlier calls.
    """

    def __init__(self) -> None:
        self._climates: list[Climate] = []
        self._known: dict[int, tuple[ReadingRow, GaugeSpec, Observation | None]] = {}
        """By the identity of a row, which is held here, so that none can be mistaken for a later one."""
        self._keys: dict[FeatureKey, FeatureKey] = {}

    def observations(
        self, kept: Iterable[KeptReading], specs: Mapping[str, GaugeSpec], climates: Sequence[Climate] = ()
    ) -> list[Observation]:
        """Return what `observations_of` does; a reading seen before gives the very same object."""
        if self._climates != list(climates):
            self._climates, self._known = list(climates), {}
        known, found = self._known, list[Observation]()
        for one in kept:
            if one.taken_back is not None:
                continue
            row = one.row
            spec = specs.get(row.gauge, _UNKNOWN)
            before = known.get(id(row))
            if before is None or not (before[1] is spec or before[1] == spec):
                before = known[id(row)] = (row, spec, self._made(row, spec))
            if before[2] is not None:
                found.append(before[2])
        return found

    def _made(self, row: ReadingRow, spec: GaugeSpec) -> Observation | None:
        """Return the observation; all of one feature have the very same key, which is then found without comparing."""
        made = observation_of(row, spec, self._climates)
        return None if made is None else replace(made, key=self._keys.setdefault(made.key, made.key))


def _mm_text(nm: int) -> str:
    return f"{Decimal(nm) / _NM:.6f}"


def _float_text(value_mm: float | None) -> str:
    return "" if value_mm is None else f"{Decimal(repr(value_mm)):f}"


def _time_text(taken_at_ns: int) -> str:
    """Return a time, UTC, to the millisecond; 0 stands for a time that is not known."""
    return datetime.fromtimestamp(taken_at_ns / 1e9, UTC).isoformat(timespec="milliseconds") if taken_at_ns else ""


def _why(taken_back: TakeBack) -> str:
    """Return why a reading was taken back, in words that cannot be read as not taken back."""
    why = taken_back.why
    return f"taken back: {why}".removesuffix(": ") if why.strip().lower() in NOT_TAKEN_BACK else why


def csv_row(one: KeptReading, spec: GaugeSpec, climates: Sequence[Climate] = ()) -> dict[str, str]:
    """Return a kept reading as one row of the readings file, every length in mm."""
    row = one.row
    bracket = row.low_nm is not None and row.high_nm is not None
    return {
        "kind": guarded(row.kind or ""), "fret": "" if row.fret is None else str(row.fret),
        "place": guarded(row.place or ""), "value": "" if bracket else _mm_text(row.value_nm), "unit": "mm",
        "feet": row.feet or "",
        "low": "" if row.low_nm is None else _mm_text(row.low_nm),
        "high": "" if row.high_nm is None else _mm_text(row.high_nm),
        "gauge": guarded(row.gauge), "round": guarded(row.round or ""),
        "span_mm": "" if row.span_nm is None else _mm_text(row.span_nm),
        "resolution": _float_text(spec.resolution_mm), "u": _float_text(spec.u_mm),
        "session": guarded(row.session), "sequence": str(row.sequence),
        "taken_at": _time_text(row.taken_at_ns),
        "taken_back": "" if one.taken_back is None else guarded(_why(one.taken_back)),
        "temperature_c": _float_text(temperature_c(row, climates)),
    }  # fmt: skip
