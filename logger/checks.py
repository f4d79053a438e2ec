"""A gauge against known sizes: what to measure, what it comes to, and how it is kept."""

import json
import math
import os
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

import numpy as np
from scipy import stats

from drivers.transports.typed import TypedValue
from logger.csv_table import Line, read_table
from logger.errors import InputFileError, InsufficientDataError
from logger.evaluation.gauge_check import SIGNIFICANT, GaugeError, Hysteresis, gauge_error, hysteresis
from logger.features import NM_PER
from logger.gauge_file import GaugeSpec
from logger.gauges import Known
from logger.store import CheckPoint, CheckResult, GaugeCheck, Store, new_id

COLUMNS: Final = ("nominal", "u_nominal", "reading")
REPEATS: Final = 3
"""Readings of each size in a check when nobody says; common practice, no source."""
BOTH_WAYS: Final = ("depth_indicator", "rocker")
"""Kinds of gauge that are run up and down; a caliper is not."""
_K95: Final = float(stats.norm.ppf(0.975))
_NM: Final = NM_PER["mm"]
_MOST_NM: Final = 10**13
_SCATTER: Final = 0.01
"""Repeats are called wider than stated when chance alone would make them so in fewer cases than this."""


class CheckError(InputFileError):
    """What a check was given does not hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """A known size and its standard uncertainty, in nanometres; 0 and 0 for the gauge's zero."""

    nominal_nm: int
    u_nm: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One reading of a known size; ``direction`` is ``up``, ``down`` or empty."""

    size: Size
    value_nm: int
    direction: str = ""
    unit: str = "mm"
    raw: bytes = b""


ZERO: Final = Size(nominal_nm=0)


def parse_size(text: str) -> Size:
    """Return the size that ``10:0.0005`` names: millimetres, and its standard uncertainty.

    Raises:
        CheckError: the text does not hold.
    """
    nominal, _, u = text.partition(":")
    try:
        size = Size(nominal_nm=_nm(Decimal(nominal)), u_nm=_nm(Decimal(u)))
    except (ValueError, ArithmeticError) as cause:
        raise CheckError(
            f"a known size must be SIZE:U in mm, like 10:0.0005, where U is its standard uncertainty, got {text!r}"
        ) from cause
    if size.u_nm < 0 or size.nominal_nm <= 0:
        raise CheckError(f"a known size must be above 0 and its uncertainty 0 or more, got {text!r}")
    return size


def _nm(value_mm: Decimal) -> int:
    nm = round(value_mm * _NM)  # raises for what is not finite
    if abs(nm) > _MOST_NM:
        raise OverflowError(f"{nm} nm is more than 10 m")
    return nm


def plan(sizes: Sequence[Size], *, zeros: int, repeats: int, both_ways: bool) -> list[tuple[Size, str]]:
    """Return what to measure in order: zero, then size after size; both ways, rising and falling round after round."""
    rising = sorted(sizes, key=lambda one: one.nominal_nm)
    if not both_ways:
        return [(ZERO, "")] * zeros + [(one, "") for one in rising for _ in range(repeats)]
    both = [(one, "up") for one in rising] + [(one, "down") for one in reversed(rising)]
    return [(ZERO, "")] * zeros + both * repeats


def read_points(path: Path) -> list[Point]:
    """Return the readings of a check from a CSV file: nominal, u_nominal, reading and, optionally, unit, direction.

    Raises:
        ReadingsFileError: the file or a row does not hold.
        CheckError: there is no row.
    """
    points = [
        _point(line) for line in read_table(path, required=COLUMNS, optional=("unit", "direction"), what="a check")
    ]
    if not points:
        raise CheckError(f"{path}: no readings below the header; add one row per reading")
    return points


def _point(line: Line) -> Point:
    nominal, u, reading = (line.length_nm(name) for name in COLUMNS)
    if u < 0:
        raise line.error(f"u_nominal must not be negative, got {line.get('u_nominal')!r}")
    if max(abs(nominal), u, abs(reading)) > _MOST_NM:
        raise line.error("a length must be within 10 m")
    direction = line.get("direction")
    if direction not in {"", "up", "down"}:
        raise line.error(f"direction must be up, down or empty, got {direction!r}")
    size = Size(nominal_nm=round(nominal), u_nm=round(u))
    raw = line.get("reading").encode()
    return Point(size=size, value_nm=round(reading), direction=direction, unit=line.get("unit") or "mm", raw=raw)


def kind_of(points: Iterable[tuple[Size, str]]) -> str:
    """Return what kind of check sizes and directions make."""
    sizes, directions = zip(*points, strict=True)
    if "down" in directions:
        return "hysteresis"
    return "block" if any(one != ZERO for one in sizes) else "zero"


# -- what it comes to ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a check came to, lengths in mm.

    Attributes:
        error: errors at the known sizes and the line through them.
        repeats: how many readings each size has.
        hysteresis: up against down, or None where no size was approached from both sides.
        value_mm: mean error over the sizes before any known error is taken off, what the history compares.
        u_between_mm: its standard uncertainty from check to check: repeats, digit and zero, not the blocks.
        scatter_mm: spread of the repeats where it is wider than stated, else None.
    """

    error: GaugeError
    repeats: tuple[int, ...]
    hysteresis: Hysteresis | None
    value_mm: float
    u_between_mm: float
    scatter_mm: float | None

    @property
    def expanded_u_mm(self) -> float:
        """The 95 % uncertainty of the mean error, the blocks' own included."""
        count = len(self.error.errors)
        own = math.sqrt(math.fsum(one.u_mm**2 for one in self.error.errors)) / count
        return _K95 * math.hypot(own, self.error.common_u_mm)

    def faults(self) -> list[str]:
        """Return in words what the gauge fails in; empty when it passes."""
        found = []
        if not self.error.reads_true:
            worst = max(self.error.errors, key=lambda one: abs(one.error_mm) / one.u_mm)
            expanded = _K95 * math.hypot(worst.u_mm, self.error.common_u_mm)
            found.append(f"reads {_off(worst.error_mm)} at {_size(worst.nominal_mm)} (± {expanded:.4f} mm), "
                         "more than its uncertainty explains")  # fmt: skip
        if self.error.grows and self.error.line is not None:
            line = self.error.line
            found.append(f"its error changes with size: {1000 * line.slope:+.2f} ± {_K95 * 1000 * line.u_slope:.2f} µm "
                         "for every mm")  # fmt: skip
        if self.hysteresis is not None and self.hysteresis.real:
            one = self.hysteresis
            found.append(f"going down and going up it differs by {one.largest_mm:.4f} mm at {_size(one.at_mm)}; "
                         "always approach from the same side")  # fmt: skip
        return found

    def notes(self) -> list[str]:
        """Return in words what passes, and what else was seen."""
        true = [] if not self.error.reads_true else ["reads true within its uncertainty"]
        if self.error.line is not None and not self.error.grows:
            true.append("its error does not change with size, as far as these sizes show")
        if self.hysteresis is not None and not self.hysteresis.real:
            true.append(f"no hysteresis beyond the scatter ({self.hysteresis.largest_mm:.4f} mm at most)")
        if self.scatter_mm is not None:
            true.append(f"its repeats scatter by {self.scatter_mm:.4f} mm, more than it is taken to be worth; "
                        "make a study of it")  # fmt: skip
        return true

    def json(self) -> dict[str, Any]:
        """Return everything as plain JSON values."""
        line = self.error.line
        errors = [
            {"nominal_mm": one.nominal_mm, "error_mm": one.error_mm,
             "expanded_u_mm": _K95 * math.hypot(one.u_mm, self.error.common_u_mm), "readings": count}
            for one, count in zip(self.error.errors, self.repeats, strict=True)
        ]  # fmt: skip
        back = self.hysteresis
        return {
            "errors": errors, "sizes": [round(one["nominal_mm"], 4) for one in errors], "value_mm": self.value_mm,
            "expanded_u_mm": self.expanded_u_mm, "u_between_mm": self.u_between_mm,
            "reads_true": self.error.reads_true, "p_true": self.error.p_true, "grows": self.error.grows,
            "p_flat": self.error.p_flat, "slope": None if line is None else line.slope,
            "u_slope": None if line is None else line.u_slope,
            "hysteresis": None if back is None else {
                "largest_mm": back.largest_mm, "at_mm": back.at_mm, "expected_mm": back.expected_mm, "real": back.real,
            },
            "faults": self.faults(), "notes": self.notes(), "significance": SIGNIFICANT,
        }  # fmt: skip


def _off(error_mm: float) -> str:
    return f"{abs(error_mm):.4f} mm too {'much' if error_mm > 0 else 'little'}"


def _size(nominal_mm: float) -> str:
    return f"{nominal_mm:g} mm" if nominal_mm else "zero"


def judge(points: Sequence[Point], spec: GaugeSpec) -> Outcome:
    """Return what the readings of a check come to.

    Args:
        points: every reading.
        spec: what the gauge is taken to be worth: repeatability, digit, zero, and a known error, which is taken off.
            Without a stated repeatability the spread of the check's own repeats is taken.

    Raises:
        InsufficientDataError: there is no reading, or neither repeatability nor repeats.
    """
    groups: dict[Size, list[Point]] = {}
    for one in sorted(points, key=lambda one: one.size.nominal_nm):
        groups.setdefault(one.size, []).append(one)
    spread, dof = _spread(points)
    stated = spec.u_mm
    if stated is None and dof == 0:
        raise InsufficientDataError(
            "the gauge's repeatability is not known and nothing was repeated; measure every size at least twice"
        )
    wider = stated is not None and _wider(spread, dof, math.hypot(stated, _digit_u(spec)))
    u = spread if stated is None or wider else stated
    own = [math.hypot(u / math.sqrt(len(group)), _digit_u(spec)) for group in groups.values()]
    read = [float(np.mean([one.value_nm for one in group])) / _NM for group in groups.values()]
    values = [value - spec.bias_at(value) for value in read]
    sizes = [size.nominal_nm / _NM for size in groups]
    common = math.hypot(spec.zero_u_mm, spec.bias_u_mm)
    error = gauge_error(
        sizes, values, u_nominal_mm=[size.u_nm / _NM for size in groups], u_reading_mm=own, common_u_mm=common
    )
    between = math.hypot(math.sqrt(math.fsum(one**2 for one in own)) / len(own), spec.zero_u_mm)
    return Outcome(
        error=error, repeats=tuple(len(group) for group in groups.values()),
        hysteresis=_hysteresis(groups, u, _digit_u(spec)),
        value_mm=math.fsum(raw - size for raw, size in zip(read, sizes, strict=True)) / len(sizes),
        u_between_mm=between, scatter_mm=spread if wider else None,
    )  # fmt: skip


def _digit_u(spec: GaugeSpec) -> float:
    return (spec.resolution_mm or 0.0) / math.sqrt(12)


def _spread(points: Sequence[Point]) -> tuple[float, int]:
    """Return the pooled standard deviation in mm of repeats of one size and direction, and its degrees of freedom."""
    alike: dict[tuple[Size, str], list[int]] = {}
    for one in points:
        alike.setdefault((one.size, one.direction), []).append(one.value_nm)
    dof = sum(len(values) - 1 for values in alike.values())
    squares = math.fsum(float(np.var(values)) * len(values) for values in alike.values())
    return (math.sqrt(squares / dof) / _NM if dof else 0.0), dof


def _wider(spread: float, dof: int, u: float) -> bool:
    if dof == 0 or spread <= u:
        return False
    return u == 0 or bool(stats.chi2.sf(dof * (spread / u) ** 2, dof) < _SCATTER)


def _hysteresis(groups: Mapping[Size, Sequence[Point]], u: float, digit_u: float) -> Hysteresis | None:
    ways: list[tuple[float, float, float]] = []
    fewest = 0
    for size, group in groups.items():
        up, down = ([one.value_nm / _NM for one in group if one.direction == way] for way in ("up", "down"))
        if up and down:
            ways.append((size.nominal_nm / _NM, float(np.mean(up)), float(np.mean(down))))
            fewest = min(fewest or len(up), len(up), len(down))
    if not ways:
        return None
    sizes, ups, downs = zip(*ways, strict=True)
    return hysteresis(sizes, ups, downs, u_reading_mm=math.hypot(u / math.sqrt(fewest), digit_u))


def corrected(spec: GaugeSpec, points: Sequence[Point]) -> GaugeSpec:
    """Return a gauge's worth with the error that a check found, to be subtracted from its readings from now on.

    Raises:
        InsufficientDataError: as `judge`.
    """
    bare = replace(spec, bias_mm=0.0, bias_u_mm=0.0, bias_about_mm=0.0, bias_slope=0.0, bias_slope_u=0.0)
    outcome = judge(points, bare)
    line = outcome.error.line
    if line is None:
        error, u = outcome.error.error_at(0.0)
        return replace(bare, bias_mm=error, bias_u_mm=u)
    error, u = outcome.error.error_at(line.about)
    slope_u = line.u_slope * max(1.0, line.s)
    return replace(
        spec, bias_mm=error, bias_u_mm=u, bias_about_mm=line.about, bias_slope=line.slope, bias_slope_u=slope_u
    )


# -- keeping it ------------------------------------------------------------------------------------------------------


class CheckKeeper:
    """Keep a check as it is measured: every reading is on disk before the next is asked for.

    Args:
        store: where to.
        gauge: the gauge, with the revision it is checked against.
        kind: ``zero``, ``block`` or ``hysteresis``.
        who: who measures.
        temperature_mc: temperature in thousandths of a degree Celsius, or None.

    Raises:
        StoreError: the store cannot keep it.
    """

    def __init__(self, store: Store, gauge: Known, *, kind: str, who: str, temperature_mc: int | None) -> None:
        now_ns = time.time_ns()
        self.at_ns = now_ns
        self._store = store
        self._id = new_id(now_ns, os.urandom(8))
        self._taken = 0
        self._live: list[tuple[int, Point]] = []
        self._replaces: list[int] = []
        store.put(
            GaugeCheck(
                id=self._id, gauge=gauge.name, revision=gauge.number, at_ns=now_ns, kind=kind, who=who,
                temperature_mc=temperature_mc,
            )
        )  # fmt: skip

    @property
    def points(self) -> list[Point]:
        """The readings that count, in order."""
        return [point for _, point in self._live]

    def add(self, point: Point) -> None:
        """Keep one reading and return once it is on disk.

        Raises:
            StoreError: the store cannot keep it.
        """
        self._taken += 1
        self._store.put(
            CheckPoint(
                gauge_check=self._id, number=self._taken, replaces=self._replaces[-1] if self._replaces else None,
                nominal_nm=point.size.nominal_nm, u_nominal_nm=point.size.u_nm, direction=point.direction,
                value_nm=point.value_nm, unit=point.unit, raw=point.raw, at_ns=time.time_ns(),
            )
        )  # fmt: skip
        if self._replaces:
            self._replaces.pop()
        self._live.append((self._taken, point))

    def back(self) -> Point | None:
        """Take the last reading back and return it; it stays in the store, marked by the one that replaces it."""
        if not self._live:
            return None
        number, point = self._live.pop()
        self._replaces.append(number)
        return point

    def finish(self, outcome: Outcome) -> None:
        """Keep what the check came to.

        Raises:
            StoreError: the store cannot keep it.
        """
        result = json.dumps(outcome.json(), allow_nan=False)
        self._store.put(CheckResult(gauge_check=self._id, at_ns=time.time_ns(), result=result))


def typed_point(size: Size, direction: str, value: TypedValue, raw: str) -> Point:
    """Return the reading that a person typed for a size."""
    return Point(size=size, value_nm=value.value_nm, direction=direction, unit=value.unit, raw=raw.encode())
