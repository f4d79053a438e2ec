"""Readings as CSV: what `fretledger evaluate` reads and `fretledger readings` writes."""

import csv
import io
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from typing import Final

from logger.climate import COLDEST_C, WARMEST_C
from logger.csv_table import csv_text, decimal_fault, unguarded
from logger.errors import ReadingsFileError
from logger.evaluation.observation import FeatureKey, Observation
from logger.features import (
    AFTER,
    BEAMS,
    BEFORE,
    FIXTURE_ZERO,
    GAPS,
    KINDS,
    NM_PER,
    PLACES,
    SIGNED_KINDS,
    STAGES,
    STEPS,
    WIRE_KINDS,
    ZERO_KINDS,
)
from logger.gauge_file import GaugeSpec
from logger.names import MOST_NAME, MOST_NOTE, brief, text_fault

REQUIRED: Final = ("kind", "fret", "place", "value", "unit")
OPTIONAL: Final = ("feet", "low", "high", "gauge", "round", "span_mm", "resolution", "u", "temperature_c")
KEPT: Final = ("session", "sequence", "taken_at", "taken_back")
"""Columns that say where a reading came from; a row with ``taken_back`` set is not judged."""
JUDGED: Final = ("value_mm", "U_mm", "verdict")
"""Columns that an export may add, of the feature that a reading belongs to; not read."""
NOT_TAKEN_BACK: Final = ("", "no", "false", "0")
_TEXTS: Final = ("gauge", "round", "session", "kind", "place", "taken_back")
FOOTED: Final = (*STEPS, *GAPS)
MOST_MM: Final = 10_000.0

_ZERO_PLACE: Final = re.compile(rf"(?:setting [A-Z][0-9]*|{'|'.join(STAGES)})(?: of .+)?, (?:{BEFORE}|{AFTER})")
_FEET: Final = re.compile(r"([0-9]{1,3})-([0-9]{1,3})")


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvReading:
    """One row of a readings file: the observation, and the session it came from (empty when not stated).

    ``observation`` is None for a reading that the bench kept without a feature.
    """

    observation: Observation | None
    session: str = ""
    taken_back: bool = False
    taken_at: datetime | None = None


def read_readings(path: Path, *, frets: int, gauges: Mapping[str, GaugeSpec]) -> list[CsvReading]:
    """Return the readings of a CSV file; those taken back are marked and have no observation.

    Args:
        path: the file, UTF-8.
        frets: number of frets of the instrument.
        gauges: what the named gauges are worth; the file's own columns override.

    Raises:
        ReadingsFileError: the file, its header or a row does not hold; the message names the line and the column.
    """
    text = csv_text(path, what="readings")
    return list(_rows(text, where=str(path), frets=frets, gauges=gauges))


def _rows(text: str, *, where: str, frets: int, gauges: Mapping[str, GaugeSpec]) -> Iterator[CsvReading]:
    for row in rows_of(text, where=where):
        row.check_cells()
        judged = not row.taken_back and not row.unassigned
        yield CsvReading(
            observation=observation_of_row(row, frets=frets, gauges=gauges) if judged else None,
            session=row.get("session"), taken_back=row.taken_back, taken_at=row.taken_at(),
        )  # fmt: skip


def rows_of(text: str, *, where: str) -> Iterator["Row"]:
    """Return the rows of a readings file as they stand, none of their cells looked at.

    Raises:
        ReadingsFileError: the text is no CSV, its header does not hold, or nothing stands below it.
    """
    lines = csv.reader(io.StringIO(text, newline=""), strict=True)
    header: list[str] | None = None
    rows = 0
    try:
        for cells in lines:
            if not any(cell.strip() for cell in cells):
                continue
            if header is None:
                header = _header([cell.strip() for cell in cells], where)
                continue
            rows += 1
            yield Row(header, cells, where=where, line=lines.line_num)
    except csv.Error as cause:
        raise ReadingsFileError(f"{where}, line {lines.line_num}: not CSV: {cause}") from cause
    if header is None:
        raise ReadingsFileError(f"{where}: the file is empty; it must begin with the header {','.join(REQUIRED)}")
    if rows == 0:
        raise ReadingsFileError(f"{where}: no readings below the header; add one row per reading")


def _header(names: list[str], where: str) -> list[str]:
    needed = [name for name in REQUIRED if name not in names]
    if needed == ["value"] and {"low", "high"} <= set(names):
        needed = []
    if needed:
        hint = "; separate the columns with commas" if any(";" in name or "\t" in name for name in names) else ""
        header = ",".join(REQUIRED)
        raise ReadingsFileError(f"{where}: column {needed[0]!r} is missing; the header must have {header}{hint}")
    for name in names:
        if name not in (*REQUIRED, *OPTIONAL, *KEPT, *JUDGED):
            known = ", ".join((*REQUIRED, *OPTIONAL, *KEPT))
            raise ReadingsFileError(f"{where}: unknown column {brief(name)}; known are {known}")
        if names.count(name) > 1:
            raise ReadingsFileError(f"{where}: column {name!r} stands twice in the header; keep one")
    return names


class Row:
    """One row of a readings file: its cells as texts by column, and where it stands."""

    def __init__(self, header: list[str], cells: list[str], *, where: str, line: int) -> None:
        self.where = f"{where}, line {line}"
        self.line = line
        self.written = cells
        self.cells = {name: unguarded(cell) for name, cell in zip(header, cells, strict=False)}
        self._columns = len(header)

    def check_cells(self) -> None:
        """Check that there is one cell for each column, and that names and reasons are some.

        Raises:
            ReadingsFileError: there is not, or one is too long or holds control characters.
        """
        if len(self.written) != self._columns:
            raise self.error(
                f"{len(self.written)} cells under {self._columns} columns; every row needs one cell per column"
            )
        for name in _TEXTS:
            if fault := text_fault(name, self.get(name), most=MOST_NOTE if name == "taken_back" else MOST_NAME):
                raise self.error(fault)

    @property
    def taken_back(self) -> bool:
        """Tell whether the reading was taken back."""
        return self.get("taken_back").lower() not in NOT_TAKEN_BACK

    @property
    def unassigned(self) -> bool:
        """Tell whether a bench kept the reading without a feature."""
        return not self.get("kind") and bool(self.get("sequence"))

    def taken_at(self) -> datetime | None:
        """Return when the reading was taken, UTC unless the cell says otherwise, or None where it does not say.

        Raises:
            ReadingsFileError: the cell is no date and time.
        """
        cell = self.get("taken_at")
        if not cell:
            return None
        try:
            moment = datetime.fromisoformat(cell)
        except ValueError as cause:
            raise self.error(
                f"taken_at must be a date and time like 2026-01-31T14:05:00+00:00, got {brief(cell)}"
            ) from cause
        return moment if moment.tzinfo else moment.replace(tzinfo=UTC)

    def error(self, text: str) -> ReadingsFileError:
        """Return the error that tells a fault of this row."""
        return ReadingsFileError(f"{self.where}: {text}")

    def get(self, name: str) -> str:
        """Return a cell, empty where the column is absent."""
        return self.cells.get(name, "")

    def number(self, name: str) -> Decimal | None:
        """Return a number exactly, or None where the cell is empty.

        Raises:
            ReadingsFileError: the cell is no plain decimal number.
        """
        cell = self.get(name)
        if not cell:
            return None
        fault = decimal_fault(name, cell)
        if fault:
            raise self.error(fault)
        return Decimal(cell)

    def unit_nm(self) -> int:
        """Return the nanometres in one of the row's unit.

        Raises:
            ReadingsFileError: the unit is none of the three.
        """
        unit = self.get("unit")
        if unit not in NM_PER:
            raise self.error(f"unit must be mm, in or thou, got {brief(unit)}")
        return NM_PER[unit]

    def length_nm(self, name: str, unit_nm: int) -> int | None:
        """Return a length to the nearest nanometre, or None where the cell is empty.

        Raises:
            ReadingsFileError: the cell is no length that can be.
        """
        number = self.number(name) if self.length_mm(name, unit_nm) is not None else None
        return None if number is None else int((number * unit_nm).to_integral_value(ROUND_HALF_EVEN))

    def length_mm(self, name: str, unit_nm: int, *, negative: bool = True) -> float | None:
        """Return a length in mm, or None where the cell is empty.

        Raises:
            ReadingsFileError: the cell is no length that can be.
        """
        number = self.number(name)
        if number is None:
            return None
        millimetres = float(number * unit_nm / NM_PER["mm"])
        if not negative and millimetres < 0:
            raise self.error(f"{name} must not be negative, got {brief(self.get(name))}")
        if abs(millimetres) > MOST_MM:
            raise self.error(f"{name} must be within {MOST_MM:g} mm, got {brief(self.get(name))} {self.get('unit')}")
        return millimetres


def observation_of_row(row: Row, *, frets: int, gauges: Mapping[str, GaugeSpec]) -> Observation:
    """Return what evaluation sees of a row.

    Args:
        row: the row.
        frets: number of frets of the instrument.
        gauges: what the named gauges are worth; the row's own columns override.

    Raises:
        ReadingsFileError: a cell does not hold.
    """
    key = _key(row, frets)
    unit_nm = row.unit_nm()
    low, high = row.length_mm("low", unit_nm), row.length_mm("high", unit_nm)
    value = _value(row, low, high, row.length_mm("value", unit_nm))
    spec = gauges.get(row.get("gauge"), GaugeSpec(kind=""))
    own_u = row.length_mm("u", unit_nm, negative=False)
    own_digit = row.length_mm("resolution", unit_nm, negative=False)
    span = row.length_mm("span_mm", NM_PER["mm"], negative=False)
    return Observation(
        key=key, value_mm=value, low_mm=low, high_mm=high, gauge=row.get("gauge"), round=_round(row, key),
        resolution_mm=spec.resolution_mm if own_digit is None else own_digit or None,
        u_mm=spec.u_mm if own_u is None else own_u, zero_u_mm=spec.zero_u_mm, span_mm=span,
        u_dof=spec.u_dof if own_u in {None, spec.u_mm} else math.inf, bias_mm=spec.bias_at(value),
        bias_u_mm=spec.bias_u_mm, bias_slope_u=spec.bias_slope_u, bias_away_mm=value - spec.bias_about_mm,
        zero_drift_mm=spec.zero_drift_mm, bow_u_mm=spec.bow_u_mm, faces=spec.faces, temperature_c=_temperature_c(row),
    )  # fmt: skip


def _temperature_c(row: Row) -> float | None:
    number = row.number("temperature_c")
    if number is not None and not COLDEST_C <= number <= WARMEST_C:
        raise row.error(f"temperature_c must be from {COLDEST_C} to {WARMEST_C} °C, got {row.get('temperature_c')!r}")
    return None if number is None else float(number)


def _round(row: Row, key: FeatureKey) -> str:
    """Return what shares one zero: the round that the file states, else for steps the setting of the feet."""
    setting = f"feet {key.feet[1] - key.feet[0]} apart" if key.kind in STEPS and key.feet else ""
    return f"{row.get('session')}/{row.get('round') or setting}"


def _value(row: Row, low: float | None, high: float | None, value: float | None) -> float:
    if (low is None) != (high is None):
        raise row.error("a bracket needs low and high: the largest leaf that goes in, the smallest that does not")
    if low is None or high is None:
        if value is None:
            raise row.error("value is missing; give a value, or low and high")
        if value <= 0 and row.get("kind") not in SIGNED_KINDS:
            raise row.error(f"{row.get('kind')} is a size; value must be above 0, got {row.get('value')!r}")
        return value
    if value is not None:
        raise row.error("give a value or a bracket of low and high, not both")
    if low >= high:
        raise row.error(f"low must be below high, got low {row.get('low')!r} and high {row.get('high')!r}")
    if low < 0 and row.get("kind") not in SIGNED_KINDS:
        raise row.error(f"a leaf has no sign; low must not be negative, got {row.get('low')!r}")
    return (low + high) / 2


def _key(row: Row, frets: int) -> FeatureKey:
    kind = row.get("kind")
    if kind not in KINDS:
        raise row.error(f"unknown kind {kind!r}; known are {', '.join(KINDS)}")
    place = row.get("place") or None
    if kind in WIRE_KINDS:
        _known_place(row, place)
        place = None  # the wire is measured along its coil, not across a board
    place = _zero_place(row, place) if kind in ZERO_KINDS else _known_place(row, place)
    if place is None and KINDS[kind].needs_place:
        raise row.error(f"{kind} needs a place: bass, centre or treble")
    fret = _fret(row, kind, frets)
    own = _named_round(row) if kind in {*BEAMS, *ZERO_KINDS} else ""
    own += f"/{row.get('gauge')}" if kind in ZERO_KINDS else ""  # two gauges have two zeros
    return FeatureKey(kind=kind, fret=fret, place=place, feet=_feet(row, kind, fret, frets), round=own)


def _zero_place(row: Row, place: str | None) -> str:
    kind = row.get("kind")
    during, readings = ("setting A", "steps") if kind == FIXTURE_ZERO else (STAGES[0], "readings")
    if place is None or not _ZERO_PLACE.fullmatch(place) or place.startswith("setting") is not (kind == FIXTURE_ZERO):
        raise row.error(
            f"place of a {kind} must be like '{during}, {BEFORE}' or '{during}, {AFTER}', got {place and brief(place)}"
        )
    if row.get("fret") or not row.get("round"):
        raise row.error(
            f"{kind} belongs to no fret and needs the round of its {readings}; leave fret empty, give round"
        )
    return place


def _named_round(row: Row) -> str:
    return f"{row.get('session')}/{row.get('round')}"


def _known_place(row: Row, place: str | None) -> str | None:
    if place is not None and place not in PLACES:
        raise row.error(f"place must be bass, centre or treble, got {place and brief(place)}")
    return place


def _fret(row: Row, kind: str, frets: int) -> int | None:
    cell = row.get("fret")
    if not cell:
        if KINDS[kind].needs_fret:
            raise row.error(f"{kind} needs a fret from 1 to {frets}")
        return None
    if not (cell.isascii() and cell.isdigit() and len(cell) <= 3) or not 1 <= int(cell) <= frets:
        raise row.error(f"fret must be a whole number from 1 to {frets}, got {brief(cell)}")
    return int(cell)


def _feet(row: Row, kind: str, fret: int | None, frets: int) -> tuple[int, int] | None:
    cell = row.get("feet")
    if kind not in FOOTED or fret is None:
        if cell:
            raise row.error(f"feet belong to {', '.join(FOOTED)}, not to {kind}; leave the cell empty")
        return None
    if not cell:
        if kind in GAPS:
            return None  # kept; where the blocks stood is not known, so that it tells nothing
        low, high = fret - 1, fret + 1
    else:
        match = _FEET.fullmatch(cell)
        if match is None:
            raise row.error(f"feet must be two frets like 6-8, got {brief(cell)}")
        low, high = int(match[1]), int(match[2])
    if kind in GAPS and fret in {low, high}:
        raise row.error(
            f"a gap over a block tells nothing, and feet {low}-{high} put a block on fret {fret}; give as feet the two "
            f"frets under the blocks, like 1-{frets}, and a fret between them"
        )
    if not 0 <= low < fret < high <= frets:
        raise row.error(f"feet {low}-{high} must stand on both sides of fret {fret}, on the nut (0) to fret {frets}")
    return low, high
