"""The columns of readings that leave the store: names with units, types and words, one list for every format.

In a CSV file, which `fretledger evaluate` reads again, a few columns go by the names of that file.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from logger.features import NM_PER
from logger.kept import csv_row, temperature_c
from logger.selection import Chosen

Cell = str | int | float | datetime | None
_NM: Final = NM_PER["mm"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column: its name, ``holds`` (``text``, ``whole``, ``number`` or ``time``), unit (``mm``, ``degC`` or empty).

    ``csv`` is its name in a CSV file, where that is another one.
    """

    name: str
    holds: str
    words: str
    unit: str = ""
    csv_name: str = ""

    @property
    def csv(self) -> str:
        """Name of the column in a CSV file."""
        return self.csv_name or self.name


def _text(name: str, words: str) -> Column:
    return Column(name=name, holds="text", words=words)


def _mm_column(name: str, words: str, *, csv: str = "") -> Column:
    return Column(name=name, holds="number", unit="mm", words=words, csv_name=csv)


_READ: Final = (
    _text("kind", "what was measured; empty while the reading belongs to no feature"),
    Column(name="fret", holds="whole", words="number of the fret, 1 is the first; empty for the wire"),
    _text("place", "bass, centre or treble, or the setting of a fixture's zero"),
    _mm_column("reading_mm", "what the gauge read; empty where low and high bound it", csv="value"),
    _text("feet", "the two frets under the feet or blocks, like 6-8"),
    _mm_column("low_mm", "the largest leaf that went in", csv="low"),
    _mm_column("high_mm", "the smallest leaf that did not", csv="high"),
    _text("gauge", "name of the gauge"),
    _text("round", "readings of one session, gauge and round share one zero error"),
    _mm_column("span_mm", "distance of the feet"),
    _mm_column("resolution_mm", "one step of the gauge's digit", csv="resolution"),
    _mm_column("u_mm", "standard uncertainty of one reading without its digit", csv="u"),
    Column(name="temperature_c", holds="number", unit="degC", words="temperature at the bench, the last noted before"),
    _text("session", "the session the reading was taken in"),
    Column(name="sequence", holds="whole", words="number of the reading among those of its gauge in its session"),
    Column(name="taken_at", holds="time", words="when it was taken, UTC; empty where that is not known"),
    _text("taken_back", "why it is not to be used; empty for a reading that counts"),
)
_JUDGED: Final = (
    _mm_column("value_mm", "value of the feature that the reading belongs to, from all its readings"),
    _mm_column("U_mm", "expanded uncertainty of that value: half its 95 % interval"),
    _text("verdict", "the worst verdict that the feature is part of: fail, remeasure or pass"),
)


def columns(*, uncertainty: bool) -> tuple[Column, ...]:
    """Return the columns in order, those of the judgement too where it is asked for."""
    return _READ + _JUDGED if uncertainty else _READ


def _mm(length_nm: int | None) -> float | None:
    return None if length_nm is None else length_nm / _NM


def taken_at(taken_at_ns: int) -> datetime | None:
    """Return a reading's time, UTC, or None where it is not known, which the store keeps as 0."""
    return datetime.fromtimestamp(taken_at_ns / 1e9, UTC) if taken_at_ns else None


def cells(chosen: Chosen) -> dict[str, Cell]:
    """Return a reading as plain values by column name, judged columns included; None where nothing is known."""
    row = chosen.kept.row
    bracket = row.low_nm is not None and row.high_nm is not None
    judged = chosen.judged
    return {
        "kind": row.kind, "fret": row.fret, "place": row.place, "reading_mm": None if bracket else _mm(row.value_nm),
        "feet": row.feet, "low_mm": _mm(row.low_nm), "high_mm": _mm(row.high_nm), "gauge": row.gauge,
        "round": row.round, "span_mm": _mm(row.span_nm), "resolution_mm": chosen.spec.resolution_mm,
        "u_mm": chosen.spec.u_mm, "temperature_c": temperature_c(row, chosen.climates), "session": row.session,
        "sequence": row.sequence, "taken_at": taken_at(row.taken_at_ns),
        "taken_back": None if chosen.kept.taken_back is None else (chosen.kept.taken_back.why or "taken back"),
        "value_mm": None if judged is None else judged.value_mm,
        "U_mm": None if judged is None else judged.expanded_u_mm,
        "verdict": None if judged is None else judged.verdict,
    }  # fmt: skip


def csv_cells(chosen: Chosen) -> Mapping[str, str]:
    """Return a reading as the cells of a CSV file by its column names, judged columns included, lengths exact."""
    judged = chosen.judged
    value, expanded_u = (None, None) if judged is None else (judged.value_mm, judged.expanded_u_mm)
    return {
        **csv_row(chosen.kept, chosen.spec, chosen.climates),
        "value_mm": "" if value is None else f"{value:.6f}",
        "U_mm": "" if expanded_u is None else f"{expanded_u:.6f}",
        "verdict": "" if judged is None or judged.verdict is None else judged.verdict,
    }
