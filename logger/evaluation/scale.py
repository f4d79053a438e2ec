"""Where frets are along the neck."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logger.evaluation.line_fit import fit_line


@lru_cache(maxsize=64)
def fret_positions_mm(scale_mm: float, frets: int) -> NDArray[np.float64]:
    """Return the distance from nut to fret in mm, shape (frets + 1,), not to be written to; index 0 is the nut.

    Source: twelve-tone equal temperament, x_n = L (1 - 2^(-n/12)); ISO 16 gives the pitch, not the spacing.
    """
    positions: NDArray[np.float64] = scale_mm * (1 - 2.0 ** (-np.arange(frets + 1) / 12))
    positions.setflags(write=False)
    return positions


def fan_slants_mm(
    scale_bass_mm: float, scale_treble_mm: float, *, frets: int, square_fret: float
) -> NDArray[np.float64]:
    """Return how far fanned frets run along the neck from treble to bass in mm, shape (frets,).

    Source: both ends lie where `fret_positions_mm` puts them on their own scale, the two scales shifted so that one
    fret is square: (B - T) (2^(-p/12) - 2^(-n/12)). Positive: the bass end is nearer the bridge.

    Args:
        scale_bass_mm: scale length of the bass side, B.
        scale_treble_mm: of the treble side, T.
        frets: number of frets.
        square_fret: the fret square to the centre line, p; 0 is the nut, a fraction lies between two frets.
    """
    numbers = np.arange(1, frets + 1)
    slants: NDArray[np.float64] = 2.0 ** (-square_fret / 12) - 2.0 ** (-numbers / 12)
    return (scale_bass_mm - scale_treble_mm) * slants


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


def fit_scale(frets: ArrayLike, slots_mm: ArrayLike, *, u_mm: float) -> ScaleFit:
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


SLOT_SCATTER_MM: Final = 0.03
"""How far well cut slots scatter about their places, one standard deviation (common practice, no source)."""
STANDS_OUT: Final = 3.29
"""A slot this many standard deviations off the fitted scale is a single slot's fault: 1 in 1000 by chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotSurvey:
    """Measured slots told apart into a scale length, a nut, and single slots.

    Attributes:
        fit: scale length and nut that explain all slots but those in ``single``; with slots' own scatter in it.
        wrong_scale: whether the scale length differs from the stated one beyond doubt (99.9 %).
        shifted_nut: the same of the nut.
        single: frets whose slots leave the fitted scale.
        left_mm: every slot less its place, shape (n,): on the fitted scale where scale or nut is wrong, else on the
            stated one. Positive is towards the bridge.
    """

    fit: ScaleFit
    wrong_scale: bool
    shifted_nut: bool
    single: tuple[int, ...]
    left_mm: NDArray[np.float64]


def survey_slots(frets: Sequence[int], slots_mm: Sequence[float], *, scale_mm: float, u_mm: float) -> SlotSurvey:
    """Tell a wrong scale length or a shifted nut apart from single slots that are off.

    Slots are fitted, the one that stands out most is left out, and so on, as long as three are left; a fit through
    two slots can hold no third to account.

    Args:
        frets: fret numbers, shape (n,), at least two different ones.
        slots_mm: measured distances from the nut, shape (n,).
        scale_mm: scale length stated.
        u_mm: standard uncertainty of one distance, 0 or more.

    Raises:
        InsufficientDataError: fewer than two frets.
    """
    numbers, slots = np.asarray(frets, dtype=float), np.asarray(slots_mm, dtype=float)
    share = 1 - 2.0 ** (-numbers / 12)
    spread = math.hypot(u_mm, SLOT_SCATTER_MM)
    sound = np.ones(numbers.size, dtype=bool)
    while True:
        fit = fit_scale(numbers[sound], slots[sound], u_mm=spread)
        left = slots - fit.nut_mm - fit.scale_mm * share
        worst, size = _worst(share, left, sound, spread)
        if sound.sum() <= 3 or size < STANDS_OUT:
            break
        sound[worst] = False
    wrong = sound.sum() > 2 and abs(fit.scale_mm - scale_mm) > STANDS_OUT * fit.u_scale_mm
    shifted = sound.sum() > 2 and abs(fit.nut_mm) > STANDS_OUT * fit.u_nut_mm
    judged = left if wrong or shifted else slots - scale_mm * share
    single = tuple(int(number) for number, ok in zip(numbers, sound, strict=True) if not ok)
    return SlotSurvey(fit=fit, wrong_scale=bool(wrong), shifted_nut=bool(shifted), single=single, left_mm=judged)


def _worst(
    share: NDArray[np.float64], left: NDArray[np.float64], sound: NDArray[np.bool_], spread: float
) -> tuple[int, float]:
    """Return which of the sound slots leaves the fit most, and by how many of its own standard deviations."""
    away = share - share[sound].mean()
    whole = float((away[sound] ** 2).sum())
    free = 1 - 1 / sound.sum() - away**2 / whole if whole else np.zeros(share.size)
    size = np.where(sound & (free > 1e-9), np.abs(left) / (spread * np.sqrt(np.clip(free, 1e-9, None))), 0.0)
    return int(np.argmax(size)), float(size.max())
