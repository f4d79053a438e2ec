"""Straightness against a linear program and by its invariants."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from logger.errors import InsufficientDataError
from logger.evaluation.straightness import straightness

HEIGHTS = st.lists(st.floats(-1, 1), min_size=2, max_size=12)


def _program(x, z) -> float:
    """The minimum zone by an independent linear program: least w with a + b x <= z <= a + b x + w."""
    ones = np.ones_like(x)
    above = np.column_stack([ones, x, np.zeros_like(x)])
    below = np.column_stack([-ones, -x, -ones])
    found = linprog([0, 0, 1], A_ub=np.vstack([above, below]), b_ub=np.concatenate([z, -z]), bounds=[(None, None)] * 3)
    return float(found.fun)


@given(heights=HEIGHTS)
def test_the_minimum_zone_agrees_with_a_linear_program_and_is_the_narrowest(heights: list[float]):
    x, z = np.arange(len(heights), dtype=float) * 20, np.array(heights)

    found = straightness(x, z)

    assert found.minimum_zone_mm == pytest.approx(_program(x, z), abs=1e-7)
    assert found.minimum_zone_mm <= found.least_squares_mm + 1e-12
    assert found.minimum_zone_mm <= found.end_points_mm + 1e-12


@given(heights=HEIGHTS, tilt=st.floats(-0.01, 0.01), lift=st.floats(-10, 10))
def test_how_it_lies_does_not_matter(heights: list[float], tilt: float, lift: float):
    x, z = np.arange(len(heights), dtype=float), np.array(heights)

    before, after = straightness(x, z), straightness(x, z + lift + tilt * x)

    assert after.minimum_zone_mm == pytest.approx(before.minimum_zone_mm, abs=1e-9)
    assert after.least_squares_mm == pytest.approx(before.least_squares_mm, abs=1e-9)


def test_a_known_bow():
    # Independent: heights 0 1 0 lie in a zone of 1; the least-squares line at 1/3 sees 1 too
    assert straightness([0, 1, 2], [0, 1, 0]).minimum_zone_mm == 1
    assert straightness([0, 1, 2, 3], [0, 1, 0, 0]).minimum_zone_mm == pytest.approx(1.0)
    assert straightness([0, 1], [0, 5]).minimum_zone_mm == 0


def test_what_is_no_profile():
    with pytest.raises(InsufficientDataError):
        straightness([1], [1])
    with pytest.raises(ValueError, match="rise strictly"):
        straightness([1, 1], [0, 1])
