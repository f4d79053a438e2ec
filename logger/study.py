"""A repeatability study from a file: read it, judge it, say it in a table, in JSON and as one plot."""

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import plotly.graph_objects as go

from logger.errors import InputFileError, InsufficientDataError, ReadingsFileError
from logger.evaluation.crossed import COMPONENTS, ROWS, StudyResult, analyse_rows
from logger.evaluation.distribution import Distribution
from logger.features import NM_PER

REQUIRED: Final = ("part", "person", "trial", "value")
_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]{1,12}(?:\.[0-9]{0,12})?|\.[0-9]{1,12})")
WORDS: Final = {
    "part": "between parts", "person": "between people", "part_person": "part by person",
    "repeatability": "repeatability", "measuring": "measuring in all", "total": "total",
}  # fmt: skip
_SERIES: Final = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00", "#000000")
"""Source: palette of Okabe and Ito (2008), told apart by colour-blind people; symbols differ as well."""
_SYMBOLS: Final = ("circle", "square", "diamond", "triangle-up", "cross", "x", "star")


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A study as read, rows of part, person, trial and value in mm, with its result."""

    rows: Sequence[tuple[str, str, str, float]]
    parts: Sequence[str]
    people: Sequence[str]
    result: StudyResult


def read_study(path: Path) -> Study:
    """Return the study in a CSV file with the columns part, person, trial, value and, optionally, unit.

    Raises:
        ReadingsFileError: the file, its header or a row does not hold, a reading is missing or nothing is repeated.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as cause:
        raise ReadingsFileError(f"{path}: no such file; give the path of a CSV file of a study") from cause
    except (OSError, UnicodeDecodeError) as cause:
        raise ReadingsFileError(f"{path}: cannot be read ({cause}); give a UTF-8 CSV file") from cause
    try:
        rows = _rows(text, where=str(path))
        result, parts, people = analyse_rows(rows)
    except InsufficientDataError as cause:
        raise ReadingsFileError(f"{path}: {cause}") from cause
    return Study(rows=rows, parts=parts, people=people, result=result)


def _rows(text: str, *, where: str) -> list[tuple[str, str, str, float]]:
    lines = csv.DictReader(io.StringIO(text, newline=""), strict=True, skipinitialspace=True)
    try:
        names = [name.strip() for name in lines.fieldnames or ()]
        _check_header(names, where)
        lines.fieldnames = names
        return [_row(cells, f"{where}, line {lines.line_num}") for cells in lines if any(cells.values())]
    except csv.Error as cause:
        raise ReadingsFileError(f"{where}, line {lines.line_num}: not CSV: {cause}") from cause


def _check_header(names: Sequence[str], where: str) -> None:
    header = ",".join(REQUIRED)
    if not names:
        raise ReadingsFileError(f"{where}: the file is empty; it must begin with the header {header}")
    for name in REQUIRED:
        if name not in names:
            raise ReadingsFileError(f"{where}: column {name!r} is missing; the header must be {header}")
    for name in names:
        if name not in (*REQUIRED, "unit") or names.count(name) > 1:
            raise ReadingsFileError(f"{where}: column {name!r} is unknown or stands twice; the header must be {header}")


def _row(cells: Mapping[str | None, Any], where: str) -> tuple[str, str, str, float]:
    if None in cells or None in cells.values():
        raise ReadingsFileError(f"{where}: every row needs one cell per column")
    part, person, trial, value = (str(cells[name]).strip() for name in REQUIRED)
    unit = str(cells.get("unit") or "mm").strip()
    if not (part and person and trial):
        raise ReadingsFileError(f"{where}: part, person and trial must not be empty")
    if not _NUMBER.fullmatch(value):
        raise ReadingsFileError(f"{where}: value must be a plain decimal number, got {value!r}; write it like 0.512")
    if unit not in NM_PER:
        raise ReadingsFileError(f"{where}: unit must be mm, in or thou, got {unit!r}")
    return part, person, trial, float(value) * NM_PER[unit] / NM_PER["mm"]


def study_json(result: StudyResult, *, tolerance_mm: float | None = None) -> dict[str, Any]:
    """Return a study's result as plain JSON values; what the study cannot see is null."""
    return {
        "anova": {name: None if row is None else asdict(row) for name, row in result.anova.items()},
        "components": dict(result.components), "pooled": dict(result.pooled),
        "intervals": {name: list(span) for name, span in result.intervals_mm.items()},
        "confidence": result.confidence, "method": result.method, "shares": dict(result.shares),
        "repeatability_mm": result.repeatability_mm, "dof": result.dof, "measuring_mm": result.measuring_mm,
        "part_mm": result.part_mm, "sizes": None if result.sizes is None else int(result.sizes),
        "share_of_tolerance": None if tolerance_mm is None else result.share_of_tolerance(tolerance_mm),
    }  # fmt: skip


def study_lines(study: Study, *, tolerance_mm: float | None = None) -> list[str]:
    """Return a study's result as lines for a terminal."""
    result = study.result
    lines = [f"{len(study.parts)} parts, {len(study.people)} people, {len(study.rows)} readings", ""]
    lines.append(f"{'':<18}{'sum of squares':>16}{'df':>6}{'mean square':>14}{'F':>9}{'p':>8}")
    lines += [_anova_line(name, result) for name in ROWS if result.anova[name] is not None]
    lines += ["", f"{'':<18}{'sd, mm':>10}{'95 % from':>12}{'to':>10}{'share of spread':>18}"]
    for name in (*COMPONENTS[:3], "measuring", "part"):
        lines += _component_line(name, result)
    told = "not known without parts" if result.sizes is None else str(int(result.sizes))
    lines += ["", f"sizes it can tell apart: {told}"]
    lines.append(f"repeatability of one reading: {result.repeatability_mm:.4f} mm with {result.dof} degrees of freedom")
    if tolerance_mm is not None:
        lines.append(f"share of a tolerance of {tolerance_mm:g} mm: {result.share_of_tolerance(tolerance_mm):.0f} % "
                     "(six standard deviations of measuring; common practice, no source)")  # fmt: skip
    return [*lines, f"intervals: {result.method}"]


def _anova_line(name: str, result: StudyResult) -> str:
    row = result.anova[name]
    if row is None:
        return ""
    f = "" if row.f is None else f"{row.f:.2f}"
    p = "" if row.p is None else f"{row.p:.3f}"
    mean = "" if name == "total" or row.ms is None else f"{row.ms:.6g}"
    return f"{WORDS[name]:<18}{row.ss:>16.6g}{row.df:>6}{mean:>14}{f:>9}{p:>8}"


def _component_line(name: str, result: StudyResult) -> list[str]:
    variance = result.measuring_mm**2 if name == "measuring" else result.components[name]
    if variance is None:
        return []
    low, high = result.intervals_mm.get(name, (0.0, 0.0))
    return [f"{WORDS[name]:<18}{variance**0.5:>10.4f}{low:>12.4f}{high:>10.4f}{result.shares[name]:>16.0f} %"]


def write_plot(study: Study, path: Path) -> None:
    """Write one page that needs nothing else: readings by part and person with the mean and its 95 % interval.

    Raises:
        InputFileError: the file cannot be written.
    """
    figure = go.Figure(layout={
        "title": "Repeatability study: readings by part and person", "template": "plotly_white",
        "xaxis": {"title": "part", "tickvals": list(range(len(study.parts))), "ticktext": list(study.parts)},
        "yaxis": {"title": "reading, mm"},
    })  # fmt: skip
    for index, person in enumerate(study.people):
        for trace in _traces(study, index, person):
            figure.add_trace(trace)
    try:
        path.write_text(figure.to_html(include_plotlyjs="inline", full_html=True), encoding="utf-8")
    except OSError as error:
        raise InputFileError(
            f"{path}: cannot be written ({error.strerror}); give a file in a writable folder"
        ) from error


def _traces(study: Study, index: int, person: str) -> list[Any]:
    shift = 0.16 * (index - (len(study.people) - 1) / 2)
    values = [[value for part, who, _, value in study.rows if (part, who) == (one, person)] for one in study.parts]
    spread = study.result.repeatability_mm
    half = [Distribution(scale_mm=spread / len(v) ** 0.5, dof=study.result.dof).half_interval_mm() for v in values]
    at = [position + shift for position in range(len(study.parts))]
    look = {"color": _SERIES[index % len(_SERIES)], "symbol": _SYMBOLS[index % len(_SYMBOLS)]}
    dots = go.Scatter(
        x=[x for x, many in zip(at, values, strict=True) for _ in many], y=[v for many in values for v in many],
        mode="markers", name=f"{person}, readings", marker={**look, "size": 6, "opacity": 0.55},
    )  # fmt: skip
    means = go.Scatter(
        x=at, y=[float(np.mean(v)) for v in values], mode="markers", name=f"{person}, mean with 95 % interval",
        marker={**look, "size": 11}, error_y={"type": "data", "array": half, "color": look["color"]},
    )  # fmt: skip
    return [dots, means]
