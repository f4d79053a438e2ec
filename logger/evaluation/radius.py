"""The board's arc across the neck: radius from a rise, cylinder or cone along it, and wire bent to another radius.

Lengths in mm. An arc is convex: its middle stands above the line through its feet.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.evaluation.estimate import Estimate, combine
from logger.evaluation.line_fit import LineFit, fit_line
from logger.evaluation.statistics import Floats


def rise_mm(radius_mm: float, feet_mm: float) -> float:
    """Return how far the middle of an arc stands above the line through two feet ``feet_mm`` apart (its sagitta).

    Source: Pythagoras, h = R - sqrt(R^2 - w^2/4).

    Raises:
        ValueError: the feet are further apart than the arc's diameter, or a length is not above zero.
    """
    if not (radius_mm > 0 and feet_mm > 0):
        raise ValueError(f"radius and feet must be above zero, got {radius_mm!r} and {feet_mm!r}")
    if feet_mm > 2 * radius_mm:
        raise ValueError(f"feet {feet_mm:g} mm apart cannot stand on an arc of radius {radius_mm:g} mm")
    return feet_mm**2 / 4 / (radius_mm + math.sqrt(radius_mm**2 - feet_mm**2 / 4))  # keeps its digits on flat boards


def radius_from_rise(rise: Estimate, feet_mm: float) -> Estimate:
    """Return the radius in mm from a measured rise over feet ``feet_mm`` apart.

    Source: R = w^2/(8 h) + h/2; dR/dh = 1/2 - w^2/(8 h^2) (JCGM 100:2008 5.1.2).

    Raises:
        ValueError: the rise is not above zero: the board is flat or hollow there.
    """
    h = rise.value_mm
    if h <= 0:
        raise ValueError(f"a rise must be above zero for a radius, got {h:g} mm: the board is flat or hollow there")
    radius = feet_mm**2 / (8 * h) + h / 2
    slope = 0.5 - feet_mm**2 / (8 * h * h)
    turned = combine([(slope, rise)])
    return Estimate(value_mm=radius, terms=turned.terms, known=turned.known, repeats=rise.repeats)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardShape:
    """A cylinder or cone fitted to radii along the neck.

    Attributes:
        line: radius in mm over the distance from the nut; its slope is 0 for a cylinder.
        left_mm: each radius less the fit, shape (n,).
        standardised: the same over its own uncertainty in the fit, shape (n,).
        conical: whether the slope is told from zero, at about 95 %.
    """

    line: LineFit
    left_mm: Floats
    standardised: Floats
    conical: bool


def fit_shape(distance_mm: Sequence[float], radius_mm: Sequence[float], u_mm: Sequence[float]) -> BoardShape:
    """Fit a radius that changes evenly along the neck, and tell which place leaves it.

    Args:
        distance_mm: distances from the nut, shape (n,), at least two different ones.
        radius_mm: radii there, shape (n,).
        u_mm: their standard uncertainties, shape (n,), above zero.

    Raises:
        InsufficientDataError: fewer than two places.
    """
    line = fit_line(distance_mm, radius_mm, u=u_mm)
    fitted = [line.at(x) for x in distance_mm]
    left = np.asarray(radius_mm, dtype=float) - np.array([value for value, _ in fitted])
    spread = np.sqrt(np.clip(np.asarray(u_mm, dtype=float) ** 2 - np.array([u for _, u in fitted]) ** 2, 0, None))
    safe = spread > 1e-9 * np.asarray(u_mm, dtype=float)
    standardised = np.where(safe, left / np.where(safe, spread, 1.0), 0.0)
    return BoardShape(line=line, left_mm=left, standardised=standardised, conical=abs(line.slope) > 1.96 * line.u_slope)


def end_gap_mm(board_radius_mm: float, wire_radius_mm: float, width_mm: float) -> float:
    """Return how far the ends of bent wire stand off the board before pressing; negative: its middle does.

    Source: the rise of both arcs over the width, w^2/8 (1/R_board - 1/R_wire) for flat arcs; here exact.

    Raises:
        ValueError: the width does not fit on an arc.
    """
    return rise_mm(board_radius_mm, width_mm) - rise_mm(wire_radius_mm, width_mm)


def choose_caul(board_radius_mm: float, cauls_mm: Sequence[float]) -> float | None:
    """Return the shop's caul for pressing ends down: the largest radius below the board's (common practice, no source).

    None when every caul is as flat as the board or flatter.
    """
    smaller = [caul for caul in cauls_mm if caul < board_radius_mm]
    return max(smaller, default=None)
