"""The shape that crown tops should have while they are levelled, and what filing does to a crown.

Shapes are heights in mm along the neck, up is positive; a straight line added to one changes nothing, because every
string path has a line of its own that is free. Distances are mm from the nut toward the bridge.
"""

import numpy as np
from numpy.typing import ArrayLike

from logger.evaluation.statistics import Floats, finite


def relief_mm(positions_mm: ArrayLike, *, between_mm: tuple[float, float], depth_mm: float) -> Floats:
    """Return the parabola through two places whose middle lies ``depth_mm`` below their chord, shape (frets,).

    Args:
        positions_mm: distances from the nut, shape (frets,).
        between_mm: where the parabola begins and ends; outside the neck is straight.
        depth_mm: relief, positive for a hollow neck (its middle low); negative for one that bows back.

    Raises:
        ValueError: the parabola does not end beyond its beginning.
    """
    x, (start, end) = finite(positions_mm, name="positions_mm"), between_mm
    if not end > start:
        raise ValueError(f"a relief must end beyond its beginning, got {between_mm!r} mm")
    share = np.clip((x - start) / (end - start), 0.0, 1.0)
    hollow: Floats = -4.0 * depth_mm * share * (1.0 - share)
    return hollow


def fall_away_mm(positions_mm: ArrayLike, *, join_mm: float, last_mm: float, drop_mm: float) -> Floats:
    """Return the ramp that drops evenly from the body join to ``drop_mm`` at the last fret, shape (frets,).

    It is straight, because a straight beam laid on from the join files a plane. The kink at the join is wanted and
    reads as a positive step there; a parabola would hide it and no straight beam could file it.

    Args:
        positions_mm: distances from the nut, shape (frets,).
        join_mm: where the ramp begins.
        last_mm: where the drop is reached, beyond the join.
        drop_mm: drop below the straight neck, positive downwards.

    Raises:
        ValueError: the last fret does not lie beyond the join.
    """
    if not last_mm > join_mm:
        raise ValueError(f"a fall-away must end beyond the join, got {join_mm!r} to {last_mm!r} mm")
    x = finite(positions_mm, name="positions_mm")
    ramp: Floats = -drop_mm * np.clip((x - join_mm) / (last_mm - join_mm), 0.0, None)
    return ramp


def while_levelling_mm(wanted_strung_mm: float, expected_change_mm: float) -> float:
    """Return the relief to level to: what is wanted strung, less what the strings are expected to add to it."""
    return wanted_strung_mm - expected_change_mm


def across(bass: float, treble: float, paths: int) -> Floats:
    """Return a value for every path, evenly from bass to treble, shape (paths,); a single path has their mean.

    Raises:
        ValueError: fewer than one path.
    """
    if paths < 1:
        raise ValueError(f"`paths` must be at least 1, got {paths!r}")
    even: Floats = np.linspace(bass, treble, paths) if paths > 1 else np.array([(bass + treble) / 2])
    return even


def path_bulge_mm(
    positions_mm: ArrayLike, *, offset_mm: tuple[float, float], radius_mm: tuple[float, float], join_mm: float
) -> Floats:
    """Return how high a straight string path lies on a cylinder or cone above its own chord, shape (frets,).

    Strings diverge, so a path crosses the board's arc at a growing distance from the middle and is no straight line in
    height. The board's crest is straight and its section at every place an arc of the radius there, which grows evenly
    along the neck. The chord joins the first and the last position.
    Source: the rise of an arc, R - sqrt(R^2 - y^2), exact; for a cylinder nearly (change of y)^2/(8 R) in the middle.

    Args:
        positions_mm: distances from the nut, shape (frets,), rising.
        offset_mm: distance of the path from the middle of the board at the nut and at the join; the sign does not
            matter as long as both have the same.
        radius_mm: the board's radius at the nut and at the join; equal for a cylinder.
        join_mm: distance of the join from the nut, above zero.

    Raises:
        ValueError: the join is not beyond the nut, or the path leaves the arc.
    """
    if not join_mm > 0:
        raise ValueError(f"`join_mm` must be above zero, got {join_mm!r}")
    x = finite(positions_mm, name="positions_mm")
    share = x / join_mm
    aside = offset_mm[0] + (offset_mm[1] - offset_mm[0]) * share
    radius = radius_mm[0] + (radius_mm[1] - radius_mm[0]) * share
    if np.any(radius <= np.abs(aside)):
        raise ValueError(f"a path {np.abs(aside).max():g} mm aside cannot lie on an arc of radius {radius.min():g} mm")
    surface = -(aside**2) / (radius + np.sqrt(radius**2 - aside**2))  # keeps its digits on flat boards
    return above_chord(x, surface)


def above_chord(positions_mm: Floats, height_mm: Floats) -> Floats:
    """Return heights above the straight line through the first and the last, shape (frets,)."""
    if positions_mm.size < 2:
        return np.zeros_like(height_mm)
    share = (positions_mm - positions_mm[0]) / (positions_mm[-1] - positions_mm[0])
    level: Floats = height_mm - (height_mm[0] + (height_mm[-1] - height_mm[0]) * share)
    return level


def flat_width_mm(removal_mm: ArrayLike, *, crown_mm: ArrayLike, width_mm: ArrayLike) -> Floats:
    """Return the width of the flat that filing leaves on top of a round crown, shape of the removal.

    The crown is an arc of height h over width w, so R = w^2/(8 h) + h/2; a cut r below its top is 2 sqrt(2 R r - r^2)
    wide. A crown that has a flat already is no such arc, and its flat will be wider than said here.

    Args:
        removal_mm: removal.
        crown_mm: height of the crown before filing.
        width_mm: width of the crown at the board.

    Returns:
        nan where a size is not known, is not above zero, or the removal takes the whole crown.
    """
    r, h, w = (np.asarray(value, dtype=np.float64) for value in (removal_mm, crown_mm, width_mm))
    with np.errstate(invalid="ignore", divide="ignore"):
        held = (r >= 0) & (h > 0) & (w > 0) & (r < h)
        radius = w**2 / (8 * h) + h / 2
        flat = 2 * np.sqrt(np.where(held, 2 * radius * r - r**2, np.nan))
    return np.asarray(flat, dtype=np.float64)
