"""A repeatability study: every person measures every part several times, all crossed.

Model: reading = mean + part + person + part by person + repeatability, all random and independent.
Source: two-way crossed analysis of variance with interaction (Montgomery, Design and Analysis of Experiments, ch. 13);
intervals: generalised confidence intervals of Tsui and Weerahandi 1989 by simulation of the chi-square pivots, exact
chi-square for repeatability. Lengths in mm, variances in mm^2.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from logger.errors import InsufficientDataError
from logger.evaluation.statistics import Floats, finite

Components = Mapping[str, float | None]
ROWS: Final = ("part", "person", "part_person", "repeatability", "total")
COMPONENTS: Final = ("repeatability", "person", "part_person", "part")
DRAWS: Final = 100_000
METHOD: Final = (
    "repeatability: exact chi-square; the others: generalised confidence intervals (Tsui and Weerahandi 1989), "
    f"{DRAWS} seeded draws"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AnovaRow:
    """One line of the analysis of variance; ``ms`` None without degrees of freedom, ``f`` and ``p`` None untested."""

    ss: float
    df: int
    ms: float | None
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyResult:
    """What a study says of a gauge and its users.

    Attributes:
        anova: rows by name; None for a source that the study cannot see.
        raw: variance components as estimated, negative ones too; None where the study cannot see them.
        components: the same floored at zero.
        pooled: components with the part-by-person interaction pooled into repeatability.
        intervals_mm: standard deviation from and to, by component and for ``measuring``, at ``confidence``.
        measuring_mm: standard deviation of measuring: repeatability, person and part by person together.
        part_mm: standard deviation between parts, or None for one part.
        shares: percent of the total standard deviation by component, ``measuring`` and ``part``; standard deviations
            add as squares, so these do not add to 100.
        variance_shares: percent of the total variance by component and ``measuring``; the components add to 100.
        sizes: sqrt(2) part / measuring, from which `sizes_told_apart` is cut; None without parts or spread.
        repeatability_mm: standard deviation of one reading by one person.
        dof: its degrees of freedom.
    """

    anova: Mapping[str, AnovaRow | None]
    raw: Components
    components: Components
    pooled: Components
    intervals_mm: Mapping[str, tuple[float, float]]
    confidence: float
    method: str
    measuring_mm: float
    part_mm: float | None
    shares: Mapping[str, float]
    variance_shares: Mapping[str, float]
    sizes: float | None
    repeatability_mm: float
    dof: int

    @property
    def sizes_told_apart(self) -> int | None:
        """Tell how many sizes of part the gauge can tell apart: `sizes` cut to a whole number (common practice)."""
        return None if self.sizes is None else math.floor(self.sizes)

    def share_of_tolerance(self, tolerance_mm: float, *, multiple: float = 6.0) -> float:
        """Return ``multiple`` standard deviations of measuring over a tolerance in mm, in percent.

        Six is common practice, no source.

        Raises:
            ValueError: the tolerance is not above zero.
        """
        if not tolerance_mm > 0:
            raise ValueError(f"`tolerance_mm` must be above zero, got {tolerance_mm!r}")
        return 100 * multiple * self.measuring_mm / tolerance_mm


def analyse_rows(
    rows: Sequence[tuple[str, str, str, float]], *, confidence: float = 0.95
) -> tuple[StudyResult, list[str], list[str]]:
    """Return the result of a study given reading by reading, with its parts and people in order of appearance.

    The name of a trial only tells readings of one part by one person apart: trials may be numbered 1, 2, 3 for every
    part and person or through the whole study.

    Args:
        rows: part, person, trial and value in mm.
        confidence: of the intervals.

    Raises:
        InsufficientDataError: a reading is missing, doubled, or there are too few; the message names the cell.
    """
    if not rows:
        raise InsufficientDataError("nothing is repeated: the study has no reading")
    parts = list(dict.fromkeys(row[0] for row in rows))
    people = list(dict.fromkeys(row[1] for row in rows))
    cells: dict[tuple[str, str], dict[str, float]] = {(part, person): {} for part in parts for person in people}
    for part, person, trial, value in rows:
        if trial in cells[part, person]:
            raise InsufficientDataError(f"part {part}, person {person}, trial {trial} stands twice; keep one reading")
        cells[part, person][trial] = value
    missing = _missing(cells)
    if missing:
        more = f" and {len(missing) - 3} more" if len(missing) > 3 else ""
        raise InsufficientDataError(f"every person must measure every part equally often; missing: "
                                    f"{'; '.join(missing[:3])}{more}")  # fmt: skip
    values = [[list(cells[part, person].values()) for person in people] for part in parts]
    return analyse(values, confidence=confidence), parts, people


def _missing(cells: Mapping[tuple[str, str], Mapping[str, float]]) -> list[str]:
    """Return the readings that are missing in words, by trial where trials have the same names in every cell."""
    most = max(cells.values(), key=len)
    short = {cell: trials for cell, trials in cells.items() if len(trials) < len(most)}
    if all(set(trials) <= set(most) for trials in cells.values()):
        return [f"part {p}, person {o}, trial {t}" for (p, o), trials in short.items() for t in most if t not in trials]
    return [f"part {p}, person {o}: {len(trials)} of {len(most)} readings" for (p, o), trials in short.items()]


def analyse(values: ArrayLike, *, confidence: float = 0.95) -> StudyResult:
    """Return the result of a balanced study.

    With a single trial the part-by-person interaction cannot be told from repeatability: it is left out, and what
    stands as repeatability holds both. With a single part the same is true of people and their interaction.

    Args:
        values: readings in mm, shape (parts, people, trials).
        confidence: of the intervals, above 0 and below 1.

    Raises:
        InsufficientDataError: nothing is repeated, or a value is beyond what anything measures.
        ValueError: the shape is another, a value is not finite, or the confidence is no probability.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"`confidence` must be above 0 and below 1, got {confidence!r}")
    readings = np.asarray(values, dtype=np.float64)
    if readings.ndim != 3 or readings.size == 0 or not np.isfinite(readings).all():
        raise ValueError(f"`values` must be finite with shape (parts, people, trials), got {readings.shape}")
    finite(readings.ravel(), name="values")
    table = _Table(readings)
    anova = table.rows()
    raw = table.components(pooled=False)
    components = _floored(raw)
    pooled = _floored(table.components(pooled=True))
    measuring = math.sqrt(sum(components[name] or 0.0 for name in COMPONENTS[:3]))
    part = None if components["part"] is None else math.sqrt(components["part"])
    error = table.error()
    return StudyResult(
        anova=anova, raw=raw, components=components, pooled=pooled,
        intervals_mm=table.intervals(confidence), confidence=confidence, method=METHOD, measuring_mm=measuring,
        part_mm=part, shares=_shares(components, measuring), variance_shares=_variance_shares(components),
        sizes=None if part is None or measuring == 0 else math.sqrt(2) * part / measuring,
        repeatability_mm=math.sqrt(error[0] / error[1]), dof=error[1],
    )  # fmt: skip


def _floored(components: Components) -> dict[str, float | None]:
    return {name: None if value is None else max(0.0, value) for name, value in components.items()}


def _shares(components: Components, measuring_mm: float) -> dict[str, float]:
    total = math.sqrt(sum(value or 0.0 for value in components.values()))
    sizes = {name: math.sqrt(value) for name, value in components.items() if value is not None}
    return {name: 100 * size / total if total else 0.0 for name, size in (*sizes.items(), ("measuring", measuring_mm))}


def _variance_shares(components: Components) -> dict[str, float]:
    seen = {name: value for name, value in components.items() if value is not None}
    seen["measuring"] = sum(value for name, value in seen.items() if name != "part")
    total = seen["measuring"] + seen.get("part", 0.0)
    return {name: 100 * value / total if total else 0.0 for name, value in seen.items()}


class _Table:
    """Sums of squares of a balanced study, after taking off the grand mean."""

    def __init__(self, readings: Floats) -> None:
        self.p, self.o, self.r = readings.shape
        y = readings - readings[0, 0, 0]
        y = y - y.mean()
        part, person, cell = y.mean(axis=(1, 2)), y.mean(axis=(0, 2)), y.mean(axis=2)
        both = cell - part[:, None] - person[None, :]
        self.ss = {
            "part": self.o * self.r * math.fsum(part**2),
            "person": self.p * self.r * math.fsum(person**2),
            "part_person": self.r * math.fsum((both**2).ravel()),
            "repeatability": math.fsum(((y - cell[:, :, None]) ** 2).ravel()),
            "total": math.fsum((y**2).ravel()),
        }
        # what the rounding of the readings to doubles alone can make is no spread: 0.1 + 0.2 against 0.3
        noise = readings.size * float(np.spacing(np.abs(readings).max())) ** 2
        self.ss = {name: ss if ss > noise else 0.0 for name, ss in self.ss.items()}
        self.df = {
            "part": self.p - 1, "person": self.o - 1, "part_person": (self.p - 1) * (self.o - 1),
            "repeatability": self.p * self.o * (self.r - 1), "total": readings.size - 1,
        }  # fmt: skip
        if self.r == 1:  # the interaction cannot be told from repeatability
            self.ss["repeatability"], self.df["repeatability"] = self.ss["part_person"], self.df["part_person"]
            self.ss["part_person"], self.df["part_person"] = 0.0, 0
        if self.df["repeatability"] == 0:
            raise InsufficientDataError("nothing is repeated; every person must measure every part at least twice")

    def error(self) -> tuple[float, int]:
        """Return sum of squares and degrees of freedom of repeatability, unpooled."""
        return self.ss["repeatability"], self.df["repeatability"]

    def rows(self) -> dict[str, AnovaRow | None]:
        tested_against = "part_person" if self.df["part_person"] else "repeatability"
        against = {"part": tested_against, "person": tested_against, "part_person": "repeatability"}
        return {name: self._row(name, against.get(name)) if self.df[name] else None for name in ROWS}

    def _ms(self, name: str) -> float:
        return float(self.ss[name] / self.df[name])

    def _row(self, name: str, against: str | None) -> AnovaRow:
        ss, df = self.ss[name], self.df[name]
        ms = ss / df
        if against is None or self._ms(against) == 0:
            return AnovaRow(ss=ss, df=df, ms=ms)
        f = ms / self._ms(against)
        return AnovaRow(ss=ss, df=df, ms=ms, f=f, p=float(stats.f.sf(f, df, self.df[against])))

    def _mean_squares(self, *, pooled: bool) -> dict[str, tuple[float, int]]:
        """Return mean square and degrees of freedom of what the study can see."""
        if not pooled:
            return {name: (self._ms(name), self.df[name]) for name in ROWS[:4] if self.df[name]}
        df = self.df["part_person"] + self.df["repeatability"]
        error = (self.ss["part_person"] + self.ss["repeatability"]) / df
        seen = {name: (self._ms(name), self.df[name]) for name in ("part", "person") if self.df[name]}
        return seen | {"repeatability": (error, df)}

    def components(self, *, pooled: bool) -> dict[str, float | None]:
        squares = {name: one[0] for name, one in self._mean_squares(pooled=pooled).items()}
        found = self._from_squares(squares)
        if pooled and self.df["part_person"]:
            found["part_person"] = 0.0
        return {name: None if found.get(name) is None else float(found[name]) for name in COMPONENTS}

    def _from_squares(self, ms: Mapping[str, float | Floats]) -> dict[str, float | Floats]:
        """Return variance components from mean squares; arrays work element by element."""
        error = ms["repeatability"]
        below = ms.get("part_person", error)
        found: dict[str, float | Floats] = {"repeatability": error}
        if "part_person" in ms:
            found["part_person"] = (ms["part_person"] - error) / self.r
        if "person" in ms:
            found["person"] = (ms["person"] - below) / (self.p * self.r)
        if "part" in ms:
            found["part"] = (ms["part"] - below) / (self.o * self.r)
        return found

    def intervals(self, confidence: float) -> dict[str, tuple[float, float]]:
        rng = np.random.default_rng(20)  # a fixed seed: the same study always gives the same interval
        tail = (1 - confidence) / 2
        drawn = {
            name: ms * df / rng.chisquare(df, DRAWS) for name, (ms, df) in self._mean_squares(pooled=False).items()
        }
        found = {name: np.maximum(0.0, values) for name, values in self._from_squares(drawn).items()}
        found["measuring"] = sum((found[name] for name in COMPONENTS[:3] if name in found), np.zeros(DRAWS))
        spans = {name: np.sqrt(np.quantile(values, (tail, 1 - tail))) for name, values in found.items()}
        ss, df = self.error()
        exact = [math.sqrt(ss / float(stats.chi2.ppf(q, df))) for q in (1 - tail, tail)]
        return {name: (float(low), float(high)) for name, (low, high) in (spans | {"repeatability": exact}).items()}
