"""Kept readings as observations to judge and as rows to write: the store's side of `logger.report`."""

import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from decimal import Decimal
from typing import Final

from logger.evaluation.observation import FeatureKey, Observation
from logger.features import NM_PER, Feature
from logger.gauge_file import GaugeSpec
from logger.store import KeptReading, ReadingRow, SessionGauge

_NM: Final = NM_PER["mm"]


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
    return Feature(kind=row.kind, fret=row.fret, place=row.place, feet=feet_of(row.feet))


def key_of(row: ReadingRow) -> FeatureKey | None:
    """Return the feature of a kept reading as evaluation names it, or None while it is not assigned."""
    if row.kind is None:
        return None
    return FeatureKey(kind=row.kind, fret=row.fret, place=row.place, feet=feet_of(row.feet))


def spec_of(gauge: SessionGauge) -> GaugeSpec:
    """Return what a session's gauge was taken to be worth."""
    worth = json.loads(gauge.description)
    return GaugeSpec(
        kind=gauge.kind, resolution_mm=worth["resolution_mm"], u_mm=worth["u_mm"], zero_u_mm=worth["zero_u_mm"] or 0.0
    )


def spec_json(spec: GaugeSpec) -> str:
    """Return a gauge's worth as the store keeps it."""
    return json.dumps({"resolution_mm": spec.resolution_mm, "u_mm": spec.u_mm, "zero_u_mm": spec.zero_u_mm})


def observation_of(row: ReadingRow, spec: GaugeSpec) -> Observation | None:
    """Return what evaluation sees of a kept reading, or None while it is not assigned."""
    key = key_of(row)
    if key is None:
        return None
    bracket = row.low_nm is not None and row.high_nm is not None
    low = row.low_nm / _NM if row.low_nm is not None else None
    high = row.high_nm / _NM if row.high_nm is not None else None
    return Observation(
        key=key,
        value_mm=(low + high) / 2 if bracket and low is not None and high is not None else row.value_nm / _NM,
        low_mm=low,
        high_mm=high,
        gauge=row.gauge,
        round=f"{row.session}/{row.round or ''}",
        resolution_mm=spec.resolution_mm,
        u_mm=spec.u_mm,
        zero_u_mm=spec.zero_u_mm,
        span_mm=None if row.span_nm is None else row.span_nm / _NM,
    )


def observations_of(kept: Iterable[KeptReading], specs: Mapping[str, GaugeSpec]) -> list[Observation]:
    """Return the observations of kept readings that were not taken back.

    Args:
        kept: readings of one session.
        specs: what that session's gauges are worth; a gauge without an entry has no stated uncertainty.
    """
    unknown = GaugeSpec(kind="")
    seen = (observation_of(one.row, specs.get(one.row.gauge, unknown)) for one in kept if one.taken_back is None)
    return [one for one in seen if one is not None]


def _mm_text(nm: int) -> str:
    return f"{Decimal(nm) / _NM:.6f}"


def _float_text(value_mm: float | None) -> str:
    return "" if value_mm is None else f"{Decimal(repr(value_mm)):f}"


def csv_row(one: KeptReading, spec: GaugeSpec) -> dict[str, str]:
    """Return a kept reading as one row of the readings file, every length in mm."""
    row = one.row
    bracket = row.low_nm is not None and row.high_nm is not None
    return {
        "kind": row.kind or "", "fret": "" if row.fret is None else str(row.fret), "place": row.place or "",
        "value": "" if bracket else _mm_text(row.value_nm), "unit": "mm", "feet": row.feet or "",
        "low": "" if row.low_nm is None else _mm_text(row.low_nm),
        "high": "" if row.high_nm is None else _mm_text(row.high_nm),
        "gauge": row.gauge, "round": row.round or "",
        "span_mm": "" if row.span_nm is None else _mm_text(row.span_nm),
        "resolution": _float_text(spec.resolution_mm), "u": _float_text(spec.u_mm),
        "session": row.session, "sequence": str(row.sequence),
        "taken_at": datetime.fromtimestamp(row.taken_at_ns / 1e9, UTC).isoformat(timespec="milliseconds"),
        "taken_back": "" if one.taken_back is None else (one.taken_back.why or "taken back"),
    }  # fmt: skip
