"""Target shapes and the flat of a crown, against geometry worked out another way."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from logger.evaluation.levelling_shape import (
    across,
    fall_away_mm,
    flat_width_mm,
    path_bulge_mm,
    relief_mm,
    while_levelling_mm,
)  # fmt: skip
from logger.evaluation.scale import fret_positions_mm

FRETS_MM = fret_positions_mm(645, 20)[1:]


def test_relief_is_a_hollow_of_its_depth_and_straight_outside():
    shape = relief_mm([0, 100, 200, 300, 400], between_mm=(100, 300), depth_mm=0.2)

    assert shape == pytest.approx([0, 0, -0.2, 0, 0])


def test_a_relief_of_0_2_gives_small_negative_steps_in_the_middle():
    # Independent: the second difference of a parabola, -4 * 0.2 * spacing^2 / length^2, here over uneven frets
    shape = relief_mm(FRETS_MM, between_mm=(FRETS_MM[0], FRETS_MM[-1]), depth_mm=0.2)
    left, right = FRETS_MM[5] - FRETS_MM[4], FRETS_MM[6] - FRETS_MM[5]

    step = shape[5] - (right * shape[4] + left * shape[6]) / (left + right)

    assert step == pytest.approx(-4 * 0.2 * left * right / np.ptp(FRETS_MM) ** 2)


def test_a_fall_away_is_a_ramp_and_reads_as_a_step_at_its_start():
    shape = fall_away_mm(FRETS_MM, join_mm=FRETS_MM[13], last_mm=FRETS_MM[19], drop_mm=0.25)

    assert shape[:14].tolist() == [0.0] * 14
    assert shape[19] == pytest.approx(-0.25)
    a, b, c = FRETS_MM[12:15]
    step = shape[13] - ((c - b) * shape[12] + (b - a) * shape[14]) / (c - a)
    # Independent: the drop at fret 15 is 0.25 of (15 - 14)/(20 - 14) in twelve-tone spacing, just over half of it seen
    ratio = (2 ** (-14 / 12) - 2 ** (-15 / 12)) / (2 ** (-14 / 12) - 2 ** (-20 / 12))
    assert step == pytest.approx(0.25 * ratio * (b - a) / (c - a))
    assert step == pytest.approx(0.025, abs=0.0005)


def test_the_strings_pull_is_taken_off_the_relief_wanted():
    assert while_levelling_mm(0.20, 0.15) == pytest.approx(0.05)
    assert while_levelling_mm(0.10, 0.15) == pytest.approx(-0.05)  # the neck is levelled while it bows back


def test_values_across_the_neck():
    assert across(0.2, 0.1, 3) == pytest.approx([0.2, 0.15, 0.1])
    assert across(0.2, 0.1, 2) == pytest.approx([0.2, 0.1])
    assert across(0.2, 0.1, 1) == pytest.approx([0.15])


def _surface_mm(x: float, offset: tuple[float, float], radius: tuple[float, float], join: float) -> float:
    """Height of the path below the crest, by looking for the point on the circle."""
    y, r = (low + (high - low) * x / join for low, high in (offset, radius))
    return brentq(lambda z: y**2 + (z + r) ** 2 - r**2, -r, 0, xtol=1e-14)


@pytest.mark.parametrize("radius", [(400.0, 400.0), (250.0, 400.0), (184.0, 184.0)])
def test_the_bulge_is_that_of_points_on_the_circles(radius: tuple[float, float]):
    found = path_bulge_mm(FRETS_MM, offset_mm=(18.0, 24.0), radius_mm=radius, join_mm=322.5)

    z = np.array([_surface_mm(x, (18.0, 24.0), radius, 322.5) for x in FRETS_MM])
    chord = np.interp(FRETS_MM, FRETS_MM[[0, -1]], z[[0, -1]])
    assert found == pytest.approx(z - chord, abs=1e-10)


def test_the_bulge_of_a_board_from_43_to_56_wide_is_about_0_02():
    edge = path_bulge_mm(FRETS_MM, offset_mm=(21.5, 28.0), radius_mm=(400.0, 400.0), join_mm=322.5)
    cylinder = path_bulge_mm([0, 161.25, 322.5], offset_mm=(21.5, 28.0), radius_mm=(400.0, 400.0), join_mm=322.5)

    assert edge.max() == pytest.approx(0.021, abs=0.001)  # first to last fret
    assert cylinder[1] == pytest.approx(6.5**2 / (8 * 400), rel=0.01)  # nut to join: (change of y)^2/(8 R)


def test_a_path_without_divergence_on_a_cylinder_is_straight():
    assert path_bulge_mm(FRETS_MM, offset_mm=(20, 20), radius_mm=(300, 300), join_mm=300) == pytest.approx(np.zeros(20))
    assert path_bulge_mm([50.0], offset_mm=(20, 25), radius_mm=(300, 300), join_mm=300).tolist() == [0.0]


@given(removal=st.floats(0.001, 0.5), height=st.floats(0.6, 1.4), width=st.floats(1.6, 3.0))
def test_the_flat_is_the_chord_of_the_crowns_circle(removal: float, height: float, width: float):
    radius = brentq(lambda r: (r - height) ** 2 + (width / 2) ** 2 - r**2, 1e-3, 1e3)
    half = brentq(lambda y: math.sqrt(max(radius**2 - y**2, 0)) - (radius - removal), 0, radius)

    found = flat_width_mm(removal, crown_mm=height, width_mm=width)

    assert float(found) == pytest.approx(2 * half, rel=1e-6)


def test_a_flat_without_sizes_or_without_a_crown_left_is_not_known():
    assert np.isnan(flat_width_mm([0.1, 0.1, 1.0], crown_mm=[np.nan, 1.0, 1.0], width_mm=[2.0, 0.0, 2.0])).all()
    assert flat_width_mm(0.0, crown_mm=1.0, width_mm=2.0) == 0


@pytest.mark.parametrize(
    "call",
    [
        pytest.param(lambda: relief_mm([0, 1], between_mm=(1, 1), depth_mm=0.1), id="relief"),
        pytest.param(lambda: fall_away_mm([0, 1], join_mm=2, last_mm=1, drop_mm=0.1), id="fall-away"),
        pytest.param(lambda: across(0, 1, 0), id="paths"),
        pytest.param(lambda: path_bulge_mm([1], offset_mm=(1, 1), radius_mm=(9, 9), join_mm=0), id="join"),
        pytest.param(lambda: path_bulge_mm([1], offset_mm=(9, 9), radius_mm=(9, 9), join_mm=1), id="arc"),
    ],
)
def test_shapes_that_cannot_be(call):
    with pytest.raises(ValueError, match=r"must|cannot"):
        call()
