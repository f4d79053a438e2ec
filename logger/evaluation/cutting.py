"""The cutting list: how long each fret's wire is, where it begins between the barbs, and what is left of the stick.

Barbs of length ``a`` follow each other at a pitch ``q`` along the tang, the first beginning at the wire's end. A piece
cut between two barbs has bare tang at its end, which lifts; where each piece begins is chosen so that the longer of its
two bare ends is as short as can be. Lengths in mm.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import optimize

from logger.errors import InsufficientDataError
from logger.evaluation.statistics import Floats

EXACT_S: Final = 1.0
"""How long the exact packing may take before the simple one is taken."""
INFEASIBLE: Final = 2
"""Status of `scipy.optimize.milp` where no packing holds."""
_HAIR: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Barbs:
    """Barbs along the tang: from one to the next, and how long one is."""

    pitch_mm: float
    length_mm: float

    def bare_mm(self, phase_mm: float, length_mm: float) -> tuple[float, float]:
        """Return the bare tang at both ends of a piece.

        From the end to the nearest barb inside; 0 where the end lies in a barb, the whole piece where it holds none.

        Args:
            phase_mm: where the piece begins, from the beginning of a barb.
            length_mm: its length.
        """
        start = phase_mm % self.pitch_mm
        head = 0.0 if start < self.length_mm else self.pitch_mm - start
        end = (start + length_mm) % self.pitch_mm
        tail = 0.0 if 0 < end <= self.length_mm else (end - self.length_mm) % self.pitch_mm
        return min(head, length_mm), min(tail, length_mm)

    def best_phase_mm(self, length_mm: float) -> float:
        """Return the earliest phase at which the longer bare end is shortest.

        Both bare ends change by 1 mm per mm of phase or are zero, so that the best phase is where one begins or ends
        or where the two are equal.
        """
        q, a = self.pitch_mm, self.length_mm
        corners = [0.0, a, -length_mm % q, (a - length_mm) % q]
        middle = (a - length_mm) % q  # where the tail begins to grow; it equals the head half-way to the next barb
        corners += [((q + middle) / 2) % q, (middle / 2) % q, ((2 * q + middle) / 2) % q]
        worst = [(round(max(self.bare_mm(phase, length_mm)), 9), phase) for phase in corners]
        return min(worst)[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """One piece on a stick: its fret, where it begins and ends from the stick's end, and its bare tang."""

    fret: int
    start_mm: float
    end_mm: float
    bare_mm: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CutPlan:
    """Sticks with their cuts.

    Attributes:
        sticks: cuts of every stick, in order.
        stick_mm: length of a stick.
        waste_mm: what is left of every stick, gaps and cuts included.
        proven: whether no plan with fewer sticks exists.
    """

    sticks: tuple[tuple[Cut, ...], ...]
    stick_mm: float
    waste_mm: tuple[float, ...]
    proven: bool


def lengths_mm(widths_mm: Floats, slants_mm: Floats, *, overhang_mm: float, binding_mm: float) -> Floats:
    """Return the length of every fret's wire, shape (frets,): from edge to edge with what stands over or back.

    Args:
        widths_mm: width of the board at every fret, shape (frets,).
        slants_mm: how far the fret runs along the neck from edge to edge, shape (frets,); 0 where it stands square.
        overhang_mm: how far the wire stands over on each side.
        binding_mm: how far it stays back on each side.
    """
    found: Floats = np.hypot(widths_mm, slants_mm) + 2 * (overhang_mm - binding_mm)
    return found


def plan_cuts(
    frets: Sequence[int], lengths: Sequence[float], *, stick_mm: float, barbs: Barbs | None, kerf_mm: float
) -> CutPlan:  # fmt: skip
    """Return which piece comes from which stick, and where it begins.

    Args:
        frets: fret numbers, shape (n,).
        lengths: length of each piece, shape (n,).
        stick_mm: length of a stick, or of the coil.
        barbs: the wire's barbs; None leaves them out of account.
        kerf_mm: what a cut takes.

    Raises:
        InsufficientDataError: a piece is longer than a stick, or there is none.
    """
    if not len(frets):
        raise InsufficientDataError("there is no fret to cut wire for")
    phases = [0.0 if barbs is None else barbs.best_phase_mm(length) for length in lengths]
    rooms = [_room(phase, length, barbs, kerf_mm) for phase, length in zip(phases, lengths, strict=True)]
    for fret, phase, length in zip(frets, phases, lengths, strict=True):
        if phase + length > stick_mm + _HAIR:
            raise InsufficientDataError(
                f"fret {fret} needs {phase + length:.1f} mm of wire, more than a stick of {stick_mm:g} mm"
            )
    groups, proven = _pack(rooms, stick_mm + kerf_mm + (barbs.pitch_mm if barbs else 0.0))
    sticks = []
    for group in groups:
        sticks += _laid([(frets[i], phases[i], lengths[i]) for i in group], stick_mm, barbs, kerf_mm)
    waste = tuple(stick_mm - math.fsum(cut.end_mm - cut.start_mm for cut in stick) for stick in sticks)
    return CutPlan(
        sticks=tuple(sticks), stick_mm=stick_mm, waste_mm=waste, proven=proven and len(sticks) == len(groups)
    )


def _room(phase_mm: float, length_mm: float, barbs: Barbs | None, kerf_mm: float) -> float:
    """Return what a piece takes of a stick at most: rounded up to whole pitches, so that the next finds its phase."""
    if barbs is None:
        return length_mm + kerf_mm
    return math.ceil((phase_mm + length_mm + kerf_mm) / barbs.pitch_mm - _HAIR) * barbs.pitch_mm


def _laid(
    pieces: Sequence[tuple[int, float, float]], stick_mm: float, barbs: Barbs | None, kerf_mm: float
) -> list[tuple[Cut, ...]]:
    """Lay pieces on a stick one after the other, each at its phase; what does not fit begins another stick."""
    sticks: list[list[Cut]] = [[]]
    at = 0.0
    for fret, phase, length in pieces:
        start = at if barbs is None else at + (phase - at) % barbs.pitch_mm
        if start + length > stick_mm + _HAIR:
            sticks.append([])
            start = phase
        bare = None if barbs is None else barbs.bare_mm(start, length)
        sticks[-1].append(Cut(fret=fret, start_mm=start, end_mm=start + length, bare_mm=bare))
        at = start + length + kerf_mm
    return [tuple(stick) for stick in sticks]


def _pack(rooms: Sequence[float], stick_mm: float) -> tuple[list[list[int]], bool]:
    """Return pieces by stick, and whether their number is proven to be least."""
    simple = _best_fit(rooms, stick_mm)
    bound = math.ceil(math.fsum(rooms) / stick_mm - _HAIR)
    if len(simple) <= bound:
        return simple, True
    exact = _exact(rooms, stick_mm, len(simple) - 1)
    if exact is None:
        return simple, False
    return (exact, True) if exact else (simple, True)


def _best_fit(rooms: Sequence[float], stick_mm: float) -> list[list[int]]:
    groups: list[list[int]] = []
    left: list[float] = []
    for index in sorted(range(len(rooms)), key=lambda i: -rooms[i]):
        fitting = [stick for stick, room in enumerate(left) if room >= rooms[index] - _HAIR]
        if not fitting:
            groups.append([])
            left.append(stick_mm)
            fitting = [len(left) - 1]
        stick = min(fitting, key=lambda one: left[one])
        groups[stick].append(index)
        left[stick] -= rooms[index]
    return groups


def _exact(rooms: Sequence[float], stick_mm: float, sticks: int) -> list[list[int]] | None:
    """Return a packing into at most ``sticks`` sticks; empty where none exists, None where time ran out.

    Source: bin packing as an integer program, solved by HiGHS.
    """
    pieces = len(rooms)
    used = np.zeros(pieces * sticks + sticks)
    used[pieces * sticks :] = 1.0
    once = np.zeros((pieces, len(used)))
    hold = np.zeros((sticks, len(used)))
    for piece in range(pieces):
        for stick in range(sticks):
            once[piece, piece * sticks + stick] = 1.0
            hold[stick, piece * sticks + stick] = rooms[piece]
    hold[:, pieces * sticks :] = -stick_mm * np.eye(sticks)
    found = optimize.milp(
        used, integrality=np.ones(len(used), dtype=int), bounds=optimize.Bounds(0, 1),
        constraints=[optimize.LinearConstraint(once, 1, 1), optimize.LinearConstraint(hold, -np.inf, 0)],
        options={"time_limit": EXACT_S},
    )  # fmt: skip
    if found.x is None:
        return [] if found.status == INFEASIBLE else None
    table = np.round(found.x[: pieces * sticks]).reshape(pieces, sticks)
    groups = [[int(piece) for piece in np.flatnonzero(table[:, stick])] for stick in range(sticks)]
    return [group for group in groups if group]
