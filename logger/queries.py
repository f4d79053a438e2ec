"""Ask at once about a reading that does not belong with its repeats, is in the wrong unit, or is not likely at all.

The person keeps it or takes it back.
Repeats of one place are told apart by the gauge's stated repeatability; the wire may differ a little more from spot to
spot along its coil. A gauge under study, or one of unknown worth, is judged by the spread of the readings themselves.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import hypot
from statistics import fmean, median
from typing import Any, Final

from logger.evaluation.outliers import Query, extreme, grubbs
from logger.features import LIKELY_MM, SIGNED_KINDS, STUDY, WIRE_KINDS
from logger.gauge_file import GaugeSpec
from logger.kept import feature_of
from logger.sentences import MM_PER_INCH
from logger.sheet import ReadingKey
from logger.store import KeptReading, ReadingRow
from logger.unit_slip import slip_words, usual_again_mm

CHANCE: Final = 0.01
"""Chance of asking about a good set of repeats (our choice: rare enough not to be clicked away)."""
WIRE_VARIES_MM: Final = 0.01
"""How far good wire differs along its coil, one standard deviation (common practice, no source)."""
LEAST_DOF: Final = 5
"""Degrees of freedom in the rest of a study before one of its readings is asked about (our choice)."""
ZERO_TOLD_BY: Final = 4
"""Readings of one gauge, kind and round that tell together where an indicator was zeroed (our choice)."""
_NM: Final = 1e6
_NM_PER_THOU: Final = 25_400

Group = list[ReadingRow]
Place = tuple[str, str, int | None, str | None, str | None]
"""Gauge, kind, fret, place and feet: what repeats have in common."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A reading ``off_nm`` from the mean of its ``others`` repeats; None for leaves that exclude each other.

    With no others it is one outside what is ``likely_mm``, or, without that, one whose unit is in doubt.
    """

    row: ReadingRow
    off_nm: float | None
    others: int
    likely_mm: tuple[float, float] | None = None

    @property
    def key(self) -> ReadingKey:
        """Gauge and sequence."""
        return self.row.gauge, self.row.sequence

    def text(self, unit: str) -> str:
        """Return what is odd about the reading, and what to do, with lengths in ``mm`` or ``thou``."""
        if self.likely_mm is not None:
            return (f"{_outside(self.row.value_nm / _NM, self.likely_mm, unit)}: take it back if it was mistyped or "
                    "the gauge slipped, keep it if it is right")  # fmt: skip
        if not self.others:
            question = slip_words(self.row.kind or "", self.row.value_nm / _NM, unit=unit)
            return f"{question} Take it back and measure again in the right unit, or keep it if it is right"
        repeats = "its other reading" if self.others == 1 else f"its {self.others} other readings"
        if self.off_nm is None:
            return f"Its leaves and those of {repeats} exclude each other: take back the one that was not felt well"
        size = f"{self.off_nm / _NM:.3f} mm" if unit == "mm" else f"{self.off_nm / _NM_PER_THOU:.1f} thou"
        return f"It stands {size} from {repeats}: take it back if the gauge slipped or tilted, keep it if not"

    def json(self) -> dict[str, Any]:
        """Return what a page shows of it."""
        row, feature = self.row, feature_of(self.row)
        return {
            "gauge": row.gauge, "sequence": row.sequence, "words": feature.words() if feature else "",
            "kind": row.kind, "fret": row.fret, "place": row.place,
            "feet": None if feature is None or feature.feet is None else list(feature.feet),
            "text": self.text("mm"), "text_in": self.text("thou"), "value_nm": row.value_nm, "low_nm": row.low_nm,
            "high_nm": row.high_nm, "unit": row.unit,
        }  # fmt: skip


def suspects(
    kept: Iterable[KeptReading], specs: Mapping[str, GaugeSpec], answered: Collection[ReadingKey] = ()
) -> list[Suspect]:
    """Return the readings to ask about: at most one for each set of repeats, in the order of the sets, then others.

    Repeats of which one may be in the wrong unit, or is not likely at all, are not compared until that is answered.

    Args:
        kept: readings of one session; those taken back do not count.
        specs: what that session's gauges are worth.
        answered: readings that a person has looked at and kept.
    """
    return Asker().suspects(kept, specs, answered)


class Asker:
    """Look for readings to ask about again and again; a set of repeats to which nothing came is not looked at again.

    The result depends on what is given alone, never on earlier calls.
    """

    def __init__(self) -> None:
        self._known: dict[Place, tuple[Group, GaugeSpec, Suspect | None]] = {}
        self._slips: dict[Place, tuple[Group, list[Suspect]]] = {}

    def suspects(
        self, kept: Iterable[KeptReading], specs: Mapping[str, GaugeSpec], answered: Collection[ReadingKey] = ()
    ) -> list[Suspect]:
        """Return what the function `suspects` does."""
        groups: defaultdict[Place, Group] = defaultdict(list)
        for one in kept:
            row = one.row
            if one.taken_back is None and row.kind is not None:
                groups[row.gauge, row.kind, row.fret, row.place, row.feet].append(row)
        sets = list(groups.values())
        slips = [one for place, rows in groups.items() for one in self._slips_of(place, rows)]
        slipped = {one.key for one in slips}
        alone = [*slips, *(one for one in _unlikely(sets) if one.key not in slipped)]
        asked = {one.key for one in alone} - set(answered)
        found = (self._of_set(place, rows, specs.get(rows[0].gauge, GaugeSpec(kind="")), sets)
                 for place, rows in groups.items()
                 if len(rows) > 1 and not (asked and asked & {(row.gauge, row.sequence) for row in rows}))  # fmt: skip
        odd = [one for one in found if one is not None]
        return [one for one in (*odd, *alone) if one.key not in answered]

    def _slips_of(self, place: Place, rows: Group) -> list[Suspect]:
        before = self._slips.get(place)
        if before is None or before[0] != rows:
            slips = [Suspect(row=row, off_nm=None, others=0) for row in rows
                     if usual_again_mm(row.kind, row.value_nm / _NM) is not None]  # fmt: skip
            before = self._slips[place] = (rows, slips)
        return before[1]

    def _of_set(self, place: Place, rows: Group, spec: GaugeSpec, sets: Sequence[Group]) -> Suspect | None:
        if rows[0].kind == STUDY:  # judged by the other sets as well
            return _suspect(rows, spec, sets)
        before = self._known.get(place)
        if before is None or before[0] != rows or before[1] != spec:
            before = self._known[place] = (rows, spec, _suspect(rows, spec, sets))
        return before[2]


def _unlikely(sets: Iterable[Group]) -> list[Suspect]:
    """Return the readings outside what is likely of their kind.

    An indicator may be zeroed anywhere: where the middle of its readings lies outside, what is likely lies about that.
    """
    zeroed: defaultdict[tuple[str, str, str | None], Group] = defaultdict(list)
    for rows in sets:
        if rows[0].kind is not None and rows[0].kind in LIKELY_MM:
            for row in rows:
                zeroed[row.gauge, rows[0].kind, row.round].append(row)
    found: list[Suspect] = []
    for (_, kind, _), rows in zeroed.items():
        low, high = LIKELY_MM[kind]
        values_nm = [row.value_nm for row in rows]
        if kind in SIGNED_KINDS and len(rows) >= ZERO_TOLD_BY:
            middle = median(values_nm) / _NM
            if not low <= middle <= high:
                low, high = middle - (high - low) / 2, middle + (high - low) / 2
        if low <= min(values_nm) / _NM and max(values_nm) / _NM <= high:
            continue
        found += [Suspect(row=row, off_nm=None, others=0, likely_mm=(low, high)) for row in rows
                  if not low <= row.value_nm / _NM <= high]  # fmt: skip
    return found


def _outside(value_mm: float, likely_mm: tuple[float, float], unit: str) -> str:
    mm_per, unit, decimals = (1.0, "mm", 3) if unit == "mm" else (MM_PER_INCH, "in", 4)
    value = value_mm / mm_per
    told = f"{value:.{decimals}f}" if abs(value) >= 10**-decimals else f"{value:.6f}"  # a tiny one is not told as 0
    low, high = (f"{round(each / mm_per, 3):.4g}" for each in likely_mm)
    return f"{told} {unit} is not likely here, where {low} to {high} {unit} is"


def _suspect(rows: Group, spec: GaugeSpec, sets: Sequence[Group]) -> Suspect | None:
    if all(row.low_nm is not None for row in rows):
        return _excluded(rows)
    values = [float(row.value_nm) for row in rows]
    query = _query(rows, values, spec, sets)
    if query is None or query.belongs:
        return None
    others = values[: query.index] + values[query.index + 1 :]
    return Suspect(row=rows[query.index], off_nm=abs(values[query.index] - fmean(others)), others=len(others))


def _excluded(rows: Group) -> Suspect | None:
    """Return the newest of some leaf brackets when no size fits all of them."""
    highest_low = max(row.low_nm or 0 for row in rows)
    lowest_high = min(row.high_nm or 0 for row in rows)
    if highest_low <= lowest_high:
        return None
    return Suspect(row=rows[-1], off_nm=None, others=len(rows) - 1)


def _query(rows: Group, values: list[float], spec: GaugeSpec, sets: Sequence[Group]) -> Query | None:
    digit = (spec.resolution_mm or 0.0) * _NM
    if rows[0].kind == STUDY:
        s, dof = _spread_of_others(rows, sets)
        return extreme(values, s=s, dof=dof, alpha=CHANCE, digit=digit) if dof >= LEAST_DOF else None
    if spec.u_mm is not None:
        varies = WIRE_VARIES_MM if rows[0].kind in WIRE_KINDS else 0.0
        return extreme(values, s=hypot(spec.u_mm, varies) * _NM, dof=spec.u_dof, alpha=CHANCE, digit=digit)
    return grubbs(values, alpha=CHANCE, digit=digit) if len(values) > 2 else None


def _spread_of_others(rows: Group, sets: Sequence[Group]) -> tuple[float, int]:
    """Return the pooled standard deviation in nm within the other sets of a study, and its degrees of freedom."""
    others = [group for group in sets if group is not rows and group[0].kind == STUDY]
    dof = sum(len(group) - 1 for group in others)
    squares = 0.0
    for group in others:
        mean = fmean(row.value_nm for row in group)
        squares += sum((row.value_nm - mean) ** 2 for row in group)
    return ((squares / dof) ** 0.5 if dof else 0.0), dof
