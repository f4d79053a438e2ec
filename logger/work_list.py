"""The work list of a levelling plan: what to do at which fret, in the order in which hands do it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from logger.errors import InsufficientDataError
from logger.evaluation.levelling import LevellingPlan
from logger.evaluation.levelling_plan import COVERAGE
from logger.evaluation.sweep import Path
from logger.levelling_report import Levelling

SHOWN_MM: Final = 0.0005
"""What is less than the last figure shown is nothing to do."""

Sizes = tuple[tuple[Path, float, float], ...]
Task = Literal["reseat", "raise", "file"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """One thing to do at one fret; lengths in mm, nan where not known.

    Attributes:
        fret: the fret.
        task: seat it again, replace or shim it, or file it.
        sizes: path, how much (down, up or off; positive) and its 95 % uncertainty, by place.
        crown_left_mm: least crown left after filing.
        flat_mm: widest flat that filing leaves.
        noise: every size is less than it is known to: no order, but a place to measure again.
    """

    fret: int
    task: Task
    sizes: Sizes
    crown_left_mm: float = float("nan")
    flat_mm: float = float("nan")
    noise: bool = False


def work_list(levelling: Levelling, plan: LevellingPlan) -> list[Deed]:
    """Return what to do, fret by fret."""
    return [one for column in range(len(levelling.frets)) for one in _at_fret(levelling, plan, column)]


def idle_frets(levelling: Levelling, work: Iterable[Deed]) -> list[int]:
    """Return the frets at which nothing is to be done."""
    busy = {one.fret for one in work}
    return [fret for fret in levelling.frets if fret not in busy]


def _at_fret(levelling: Levelling, plan: LevellingPlan, column: int) -> Iterable[Deed]:
    fret, u_mm = levelling.frets[column], plan.u_removal_mm[:, column]
    if column in plan.reseats:
        yield _moved(fret, "reseat", _sizes(levelling, plan.down_mm[:, column], u_mm))
    if column in plan.exceptions:
        yield _moved(fret, "raise", _sizes(levelling, plan.raise_mm[:, column], u_mm))
    removal = plan.removal_mm[:, column]
    if np.nanmax(removal, initial=0.0) >= SHOWN_MM:
        left, flat = plan.crown_left_mm[:, column], plan.flat_mm[:, column]
        sizes = _sizes(levelling, removal, u_mm)
        yield Deed(
            fret=fret, task="file", sizes=sizes, noise=_noise(sizes),
            crown_left_mm=float(np.nanmin(left)) if np.isfinite(left).any() else float("nan"),
            flat_mm=float(np.nanmax(flat)) if np.isfinite(flat).any() else float("nan"),
        )  # fmt: skip


def _moved(fret: int, task: Task, sizes: Sizes) -> Deed:
    return Deed(fret=fret, task=task, sizes=sizes, noise=_noise(sizes))


def _noise(sizes: Sizes) -> bool:
    """Whether no size reaches its uncertainty; where none is known, nothing is said of noise."""
    return any(np.isfinite(u) for _, _, u in sizes) and not any(size >= u for _, size, u in sizes)


def _sizes(levelling: Levelling, sizes: Sequence[float] | np.ndarray, u_mm: np.ndarray) -> Sizes:
    told = zip(levelling.paths, sizes, u_mm, strict=True)
    return tuple((path, float(size), float(COVERAGE * u)) for path, size, u in told if size >= SHOWN_MM)


def work_json(levelling: Levelling | None) -> dict[str, Any]:
    """Return the work list and the idle frets as plain JSON values; both empty where there is no plan."""
    try:
        plan = levelling.plan if levelling is not None else None
    except InsufficientDataError:
        plan = None  # the report's plan says why
    if levelling is None or not isinstance(plan, LevellingPlan):
        return {"deeds": [], "idle": []}
    work = work_list(levelling, plan)
    return {"deeds": [_deed_json(one) for one in work], "idle": idle_frets(levelling, work)}


def _deed_json(one: Deed) -> dict[str, Any]:
    return {
        "fret": one.fret, "task": one.task, "noise": one.noise,
        "sizes": [{"place": path, "mm": _mm(size), "U_mm": _mm(expanded)} for path, size, expanded in one.sizes],
        "crown_left_mm": _mm(one.crown_left_mm), "flat_mm": _mm(one.flat_mm),
    }  # fmt: skip


def _mm(value: float) -> float | None:
    return round(value, 6) if np.isfinite(value) else None
