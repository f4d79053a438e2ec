"""Where frets are along the neck."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.evaluation.line_fit import fit_line


def fret_positions_mm(scale_mm: float, frets: int) -> NDArray[np.float64]:
    """Return the distance from nut to fret in mm, shape (frets + 1,); index 0 is the nut.

    Source: twelve-tone equal temperament, x_n = L (1 - 2^(-n/12)); ISO 16 gives the pitch, not the spacing.
    """
    return scale_mm * (1 - 2.0 ** (-np.arange(frets + 1) / 12))


def cents_sharp(fret: int, off_mm: float, scale_mm: float) -> float:
    """Return by how many cents a fret sounds sharp when it is ``off_mm`` too near the bridge (negative: too flat).

    Source: a string's pitch goes with one over its length; 1200 cents to the octave.

    Raises:
        ValueError: the fret would lie at or beyond the bridge.
    """
    length = scale_mm * 2.0 ** (-fret / 12)
    if off_mm >= length:
        raise ValueError(f"`off_mm` must be below the {length:g} mm from the fret to the bridge, got {off_mm!r}")
    return 1200 * math.log2(length / (length - off_mm))


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleFit:
    """The scale length and nut that explain measured slots best.

    Attributes:
        scale_mm: scale length, with its standard uncertainty ``u_scale_mm``.
        nut_mm: where the nut would have to be, from where it is; positive is towards the bridge. With ``u_nut_mm``.
        left_mm: every slot less its place on that scale, shape (n,): what is wrong with the single slot.
    """

    scale_mm: float
    u_scale_mm: float
    nut_mm: float
    u_nut_mm: float
    left_mm: NDArray[np.float64]


def fit_scale(frets: Sequence[int], slots_mm: Sequence[float], *, u_mm: float) -> ScaleFit:
    """Tell a wrong scale length and a shifted nut from single slots that are off.

    Slots lie on a straight line over 1 - 2^(-n/12): its slope is the scale length, its intercept the nut's shift.

    Args:
        frets: fret numbers, shape (n,), at least two different ones.
        slots_mm: measured distances from the nut, shape (n,).
        u_mm: standard uncertainty of one, above zero.

    Raises:
        InsufficientDataError: fewer than two frets.
    """
    share = 1 - 2.0 ** (-np.asarray(frets, dtype=float) / 12)
    line = fit_line(share, slots_mm, u=u_mm)
    return ScaleFit(
        scale_mm=line.slope, u_scale_mm=line.u_slope, nut_mm=line.intercept, u_nut_mm=line.u_intercept,
        left_mm=np.asarray(slots_mm, dtype=float) - (line.intercept + line.slope * share),
    )  # fmt: skip
