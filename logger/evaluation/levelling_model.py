"""The levelling plan as a mathematical program: what is unknown, what bounds it, and its exact optimum.

At every place (string path p, fret n) whose height z is known, with x along the neck:

- what filing leaves, e = z - d + s - r - (a_p + b_p x + shape), lies within plus or minus the tolerance less its guard,
  and changes from one fret to the next by the step limit at most; the line a_p + b_p x is free for every path;
- removal r >= 0. A crown that is filed is recrowned as well: r <= crown - recrowning - least crown. A crown too low for
  that but not below the least one is left as it is (r = 0);
- d is how far the fret goes down when it is re-seated: 0 <= d <= z - seated, at no more than ``reseats`` frets.
  Re-seating moves the whole wire, so that its crown loses nothing: ``crown_mm`` is the crown of the wire itself;
- s is how far a replacement or a shim raises the fret: 0 <= s <= ``raise_most_mm``, at the excepted frets only. These
  are the ones that are too low (or worn): nothing is filed off them, and none may stand above the band, because a
  high fret is there to be filed.

A linear program with none of the last two, otherwise a mixed-integer one; each big number in it is a bound of the model
itself (z - seated, the crown, ``raise_most_mm``). Solved by HiGHS in micrometres, the lines by their values at both
ends, so that its tolerances lie below a nanometre. Source: linear programming, no other.
"""

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from logger.errors import InsufficientDataError
from logger.evaluation.statistics import Floats

Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]
Objective = Literal["total", "largest"]
Limit = Literal["crown", "step", "tolerance"]
LIMITS: Final[tuple[Limit, ...]] = ("crown", "step", "tolerance")
_NONE: Final[frozenset[Limit]] = frozenset()

UM: Final = 1000.0
"""Micrometres in a millimetre."""
LEAST_UM: Final = 1e-5
"""Smaller removals are none, and plans this near each other equally good. A hundredth of a nanometre."""
_TALLEST_UM: Final = 1e4
"""No wire's crown is taller: bounds the removal where the crown is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Neck:
    """What was measured and what is wanted; arrays of shape (paths, frets) where not said otherwise.

    Attributes:
        positions_mm: distances from the nut, shape (frets,), rising.
        height_mm: crown tops above the chord, up positive; nan where not known.
        u_mm: standard uncertainties of the heights off a free line; nan where not known.
        crown_mm: height of the wire's own crown now, without any gap under a fret that stands off; nan where not known.
        shape_mm: target shape, finite; a line added to it changes nothing.
        seated_mm: heights with the fret pressed fully down, or None; nan where it cannot go down.
        crown_width_mm: width of the crown at the board, or None; nan where not known.
        covariance_mm2: covariance of the heights along each path, shape (paths, frets, frets), nan where not known; or
            None where only ``u_mm`` is known.
    """

    positions_mm: Floats
    height_mm: Floats
    u_mm: Floats
    crown_mm: Floats
    shape_mm: Floats
    seated_mm: Floats | None = None
    crown_width_mm: Floats | None = None
    covariance_mm2: Floats | None = None

    def __post_init__(self) -> None:
        """Check shapes.

        Raises:
            ValueError: an array has another shape, the positions do not rise, or a value is infinite.
        """
        shape = self.height_mm.shape
        if len(shape) != 2 or not all(shape) or self.positions_mm.shape != shape[1:]:
            raise ValueError(f"heights must be (paths, frets) for {self.positions_mm.shape} positions, got {shape}")
        for name in ("u_mm", "crown_mm", "shape_mm", "seated_mm", "crown_width_mm"):
            value = getattr(self, name)
            if value is not None and (value.shape != shape or np.isinf(value).any()):
                raise ValueError(f"`{name}` must have the heights' shape {shape} and nothing infinite")
        if self.covariance_mm2 is not None and self.covariance_mm2.shape != (*shape, shape[1]):
            raise ValueError(f"`covariance_mm2` must be (paths, frets, frets), got {self.covariance_mm2.shape}")
        if not (np.isfinite(self.shape_mm).all() and np.isfinite(self.positions_mm).all()):
            raise ValueError("`shape_mm` and `positions_mm` must be finite")
        if np.isinf(self.height_mm).any() or np.any(np.diff(self.positions_mm) <= 0):
            raise ValueError("heights must not be infinite and positions must rise strictly")

    @property
    def known(self) -> Bools:
        """Places that take part: their height is known."""
        return np.isfinite(self.height_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanLimits:
    """What bounds a plan; lengths in mm, none negative.

    Attributes:
        tolerance_mm: how far a crown top may lie from the target, before the guard.
        step_mm: how much that may change from one fret to the next.
        crown_min_mm: least crown left.
        recrown_mm: what rounding a filed crown again takes off it.
        guard_mm: taken off the tolerance for the uncertainty of the heights and the file's own error.
        objective: what is made least: the total removal over all places, or the largest; ties by the other.
        reseats: at most so many frets are re-seated.
        exceptions_most: at most so many frets are replaced or shimmed; only as many as a plan needs, unless they cost.
        exception_cost_mm: what one costs in mm of the objective, so that it is named where it saves more; or None.
        raise_most_mm: at most so far a replacement or a shim raises a fret; needed for exceptions.
    """

    tolerance_mm: float
    step_mm: float
    crown_min_mm: float
    recrown_mm: float
    guard_mm: float = 0.0
    objective: Objective = "total"
    reseats: int = 0
    exceptions_most: int = 0
    exception_cost_mm: float | None = None
    raise_most_mm: float = 0.0

    def __post_init__(self) -> None:
        """Check ranges.

        Raises:
            ValueError: a length or count is negative or not finite, or exceptions have no ``raise_most_mm``.
        """
        lengths = ("tolerance_mm", "step_mm", "crown_min_mm", "recrown_mm", "guard_mm", "raise_most_mm")
        for name in (*lengths, "reseats", "exceptions_most"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise ValueError(f"`{name}` must be finite and not negative, got {value!r}")
        if self.exception_cost_mm is not None and not 0 <= self.exception_cost_mm < math.inf:
            raise ValueError(f"`exception_cost_mm` must be finite and not negative, got {self.exception_cost_mm!r}")
        if self.exceptions_most and not self.raise_most_mm:
            raise ValueError("exceptions need `raise_most_mm`: how far a replacement or a shim may raise a fret")

    @property
    def band_mm(self) -> float:
        """Tolerance less its guard, never below zero."""
        return max(self.tolerance_mm - self.guard_mm, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """Inequalities low <= matrix @ columns <= high; matrix of shape (rows, columns), bounds of shape (rows,)."""

    matrix: Floats
    low: Floats
    high: Floats

    @classmethod
    def between(cls, matrix: Floats, low: Floats | float, high: Floats | float) -> "Rows":
        """Return rows with the same or their own bounds."""
        low, high = (np.broadcast_to(np.asarray(bound, dtype=np.float64), len(matrix)) for bound in (low, high))
        return cls(matrix=matrix, low=low, high=high)


@dataclass(frozen=True, kw_only=True)
class Program:
    """Rows and columns in micrometres. Columns: lines, r, d, s (one for each known place), y, w (frets), m, relaxation.

    Attributes:
        neck: what was measured.
        limits: what bounds the plan.
        filing: False where nothing may be filed.
    """

    neck: Neck
    limits: PlanLimits
    filing: bool = True
    _blocks: dict[str, slice] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        """Lay out the columns.

        Raises:
            InsufficientDataError: no height is known.
        """
        if not self.neck.known.any():
            raise InsufficientDataError("a levelling plan needs the height of one fret or more, and none is known")
        paths, frets = self.neck.height_mm.shape
        places = self.path.size
        start = 0
        for name, count in {"line": 2 * paths, "r": places, "d": places, "s": places, "y": frets, "w": frets,
                            "m": 1, "extra": 1}.items():  # fmt: skip
            self._blocks[name] = slice(start, start + count)
            start += count

    @property
    def columns(self) -> int:
        """How many columns there are."""
        return int(self._blocks["extra"].stop)

    @cached_property
    def path(self) -> Ints:
        """Path of every known place, shape (places,)."""
        return np.nonzero(self.neck.known)[0]

    @cached_property
    def fret(self) -> Ints:
        """Fret index of every known place, shape (places,)."""
        return np.nonzero(self.neck.known)[1]

    def at(self, values_mm: Floats) -> Floats:
        """Return the values at the known places in micrometres, shape (places,)."""
        taken: Floats = values_mm[self.path, self.fret] * UM
        return taken

    @cached_property
    def share(self) -> Floats:
        """Where each fret is between the first (0) and the last (1), shape (frets,)."""
        x = self.neck.positions_mm
        share: Floats = (x - x[0]) / ((x[-1] - x[0]) or 1.0)
        return share

    @cached_property
    def datum_mm(self) -> Floats:
        """Least-squares line of every path, by its height at both ends; taken off first, shape (paths, 2)."""
        off, known = self.neck.height_mm - self.neck.shape_mm, self.neck.known
        ends = np.full((len(off), 2), np.nan)
        for p, row in enumerate(known):
            if row.any():
                design = np.column_stack([1.0 - self.share[row], self.share[row]])
                ends[p] = np.linalg.lstsq(design, off[p, row], rcond=None)[0]
        return ends

    @cached_property
    def off(self) -> Floats:
        """Heights above shape and datum, micrometres, shape (places,)."""
        line = self.datum_mm[:, :1] * (1.0 - self.share) + self.datum_mm[:, 1:] * self.share
        return self.at(self.neck.height_mm - self.neck.shape_mm - line)

    @cached_property
    def drop(self) -> Floats:
        """How far each place can go down by re-seating, micrometres, shape (places,)."""
        if self.neck.seated_mm is None or not self.limits.reseats:
            return np.zeros(self.path.size)
        room = self.at(self.neck.height_mm - self.neck.seated_mm)
        return np.where(np.isnan(room), 0.0, np.clip(room, 0.0, None))

    @cached_property
    def spare(self) -> Floats:
        """Crown beyond the least one and recrowning, micrometres; negative: may not be filed; inf: not known."""
        least = self.limits.crown_min_mm + self.limits.recrown_mm
        room = self.at(self.neck.crown_mm - least)
        return np.where(np.isnan(room), np.inf, room)

    @cached_property
    def worn(self) -> Floats:
        """How far each crown is below the least one already, micrometres, negative where it is not."""
        return -self.spare - self.limits.recrown_mm * UM

    def rows(self, count: int) -> Floats:
        """Return empty rows, shape (count, columns)."""
        return np.zeros((count, self.columns))

    @cached_property
    def left(self) -> Floats:
        """Coefficients of what filing leaves, e = off + left @ columns, shape (places, columns)."""
        places = np.arange(self.path.size)
        rows = self.rows(places.size)
        rows[places, 2 * self.path] = self.share[self.fret] - 1.0
        rows[places, 2 * self.path + 1] = -self.share[self.fret]
        for name, sign in (("r", -1.0), ("d", -1.0), ("s", 1.0)):
            rows[places, self._blocks[name].start + places] = sign
        return rows

    @cached_property
    def neighbours(self) -> Ints:
        """Places whose next place is the next fret on the same path."""
        return np.nonzero((np.diff(self.path) == 0) & (np.diff(self.fret) == 1))[0]

    def _within(self, rows: Floats, off: Floats, limit_mm: float, *, relaxed: bool) -> list[Rows]:
        """Bound off + rows @ columns on both sides, by the relaxation more if it is relaxed."""
        if not len(rows):
            return []
        bound = limit_mm * UM
        if not relaxed:
            return [Rows.between(rows, -bound - off, bound - off)]
        above, below = rows.copy(), rows.copy()
        above[:, -1], below[:, -1] = -1.0, 1.0
        return [Rows.between(above, -np.inf, bound - off),
                Rows.between(below, -bound - off, np.inf)]  # fmt: skip

    def _couple(self, block: str, switch: str, size: Floats, right: Floats, *, only: Bools) -> list[Rows]:
        """Bound each column of a block: block + size switch <= right."""
        places = np.nonzero(only)[0]
        if not places.size:
            return []
        rows, at = self.rows(places.size), np.arange(places.size)
        rows[at, self._blocks[block].start + places] = 1.0
        rows[at, self._blocks[switch].start + self.fret[places]] = size[places]
        return [Rows.between(rows, -np.inf, right[places])]

    def _switches(self) -> list[Rows]:
        """Return how many frets may be re-seated or excepted, no fret both."""
        frets = self.neck.positions_mm.size
        rows = self.rows(frets + 2)
        rows[:frets, self._blocks["y"]] = rows[:frets, self._blocks["w"]] = np.eye(frets)
        rows[frets, self._blocks["y"]] = rows[frets + 1, self._blocks["w"]] = 1.0
        most = np.array([*np.ones(frets), self.limits.reseats, self.limits.exceptions_most])
        return [Rows.between(rows, -np.inf, most)]

    def constraints(self, relaxed: frozenset[Limit] = _NONE) -> list[Rows]:
        """Return every row; those of a relaxed crown are the caller's, because they are not linear throughout."""
        every = np.ones(self.path.size, dtype=bool)
        pairs = self.neighbours
        steps, changes = self.left[pairs] - self.left[pairs + 1], self.off[pairs] - self.off[pairs + 1]
        found = self._within(self.left, self.off, self.limits.band_mm, relaxed="tolerance" in relaxed)
        found += self._within(steps, changes, self.limits.step_mm, relaxed="step" in relaxed)
        found += self._couple("d", "y", -self.drop, np.zeros(every.size), only=self.drop > 0)
        if self.limits.exceptions_most:
            raised = np.full(every.size, self.limits.raise_most_mm * UM)
            found += self._couple("s", "w", -raised, np.zeros(every.size), only=every)
            most = self._most(relaxed)
            found += self._couple("r", "w", most, most, only=most > 0)
        if self.limits.exceptions_most or self.drop.any():
            found += self._switches()
        return found

    def _most(self, relaxed: frozenset[Limit]) -> Floats:
        """Return the largest removals, micrometres; with a relaxed crown the whole crown."""
        if not self.filing:
            return np.zeros(self.path.size)
        more = self.limits.crown_min_mm * UM if "crown" in relaxed else 0.0
        return np.clip(np.minimum(self.spare + more, _TALLEST_UM), 0.0, None)

    def bounds(self, relaxed: frozenset[Limit] = _NONE) -> tuple[Floats, Floats]:
        """Return the lower and upper bound of every column, micrometres; worn frets are excepted or nothing holds."""
        low, high = np.zeros(self.columns), np.full(self.columns, np.inf)
        low[self._blocks["line"]] = -np.inf
        high[self._blocks["r"]] = self._most(relaxed)
        high[self._blocks["d"]] = self.drop
        high[self._blocks["s"]] = self.limits.raise_most_mm * UM if self.limits.exceptions_most else 0.0
        high[self._blocks["y"]] = np.bincount(self.fret, weights=self.drop, minlength=self.share.size) > 0
        high[self._blocks["w"]] = 1.0 if self.limits.exceptions_most else 0.0
        high[-1] = np.inf if relaxed else 0.0
        if "crown" not in relaxed:
            low[self._blocks["w"]][self.fret[self.worn > LEAST_UM]] = 1.0
        return low, high

    def largest_rows(self) -> Rows:
        """Bound the largest removal's column from below by every removal."""
        rows = self.rows(self.path.size)
        rows[:, self._blocks["r"]] = np.eye(self.path.size)
        rows[:, self._blocks["m"]] = -1.0
        return Rows.between(rows, -np.inf, 0.0)

    def cost(self, objective: Objective, *, exceptions_mm: float = 0.0) -> Floats:
        """Return the cost of every column, micrometres."""
        cost = np.zeros(self.columns)
        cost[self._blocks["r" if objective == "total" else "m"]] = 1.0
        cost[self._blocks["w"]] = exceptions_mm * UM
        return cost

    def one_per(self, name: str) -> Floats:
        """Return a row of ones at the columns of a block, shape (columns,)."""
        row = np.zeros(self.columns)
        row[self._blocks[name]] = 1.0
        return row

    def block(self, name: str) -> slice:
        """Return where a block's columns are."""
        return self._blocks[name]
