"""A repeatability study from a file: read it, judge it, say it in a table and in JSON."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from logger.csv_table import Line, read_table
from logger.errors import InsufficientDataError, ReadingsFileError
from logger.evaluation.crossed import COMPONENTS, ROWS, StudyResult, analyse_rows
from logger.features import NM_PER

REQUIRED: Final = ("part", "person", "trial", "value")
WORDS: Final = {
    "part": "between parts", "person": "between people", "part_person": "part by person",
    "repeatability": "repeatability", "measuring": "measuring in all", "total": "total",
}  # fmt: skip


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
        rows = [_row(line) for line in read_table(path, required=REQUIRED, optional=("unit",), what="a study")]
        result, parts, people = analyse_rows(rows)
    except InsufficientDataError as cause:
        raise ReadingsFileError(f"{path}: {cause}") from cause
    return Study(rows=rows, parts=parts, people=people, result=result)


def _row(line: Line) -> tuple[str, str, str, float]:
    part, person, trial = (line.get(name) for name in REQUIRED[:3])
    if not (part and person and trial):
        raise line.error("part, person and trial must not be empty")
    return part, person, trial, float(line.length_nm("value") / NM_PER["mm"])


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
