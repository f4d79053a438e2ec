"""The shape wanted along a string path: relief, and fall-away beyond the join. Lengths in mm, up is positive."""

import numpy as np

from logger.evaluation.statistics import Floats


def relief_shape_mm(distance_mm: Floats, from_mm: float, to_mm: float, depth_mm: float) -> Floats:
    """Return the heights of a parabola whose middle lies ``depth_mm`` below its chord, shape (n,).

    Outside ``from_mm`` to ``to_mm`` the shape lies on the chord.

    Args:
        distance_mm: distances from the nut, shape (n,).
        from_mm: where the relief begins.
        to_mm: where it ends, beyond ``from_mm``.
        depth_mm: depth of the middle; positive is a forward bow, so that its heights are negative.
    """
    if to_mm <= from_mm:
        return np.zeros(np.shape(distance_mm))
    t = np.clip((np.asarray(distance_mm, dtype=float) - from_mm) / (to_mm - from_mm), 0.0, 1.0)
    shape: Floats = -4.0 * depth_mm * t * (1.0 - t)
    return shape


def fall_away_shape_mm(distance_mm: Floats, join_mm: float, last_mm: float, drop_mm: float) -> Floats:
    """Return the heights of a board that drops evenly beyond the join, by ``drop_mm`` at ``last_mm``, shape (n,).

    Straight, as a plane sands it: the corner at the join is then a step of its own that the target holds.
    """
    if last_mm <= join_mm:
        return np.zeros(np.shape(distance_mm))
    shape: Floats = -drop_mm * np.clip(
        (np.asarray(distance_mm, dtype=float) - join_mm) / (last_mm - join_mm), 0.0, None
    )
    return shape
