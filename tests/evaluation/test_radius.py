"""The arc of the board against exact cases and independent geometry."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import InsufficientDataError
from logger.evaluation.estimate import Cause, Estimate
from logger.evaluation.radius import choose_caul, end_gap_mm, fit_shape, radius_from_rise, rise_mm


def _rise(value_mm: float, u_mm: float = 0.0) -> Estimate:
    return Estimate(value_mm=value_mm, terms=((Cause(name="u", words="u", u_mm=u_mm), 1.0),))


@pytest.mark.parametrize(
    ("radius", "feet", "rise"),
    [  # Source: Pythagorean triples, exact
        pytest.param(5, 6, 1, id="3 4 5"),
        pytest.param(13, 10, 1, id="5 12 13"),
        pytest.param(25, 14, 1, id="7 24 25"),
        pytest.param(10, 20, 10, id="half circle"),
    ],
)
def test_exact_arcs(radius: float, feet: float, rise: float):
    assert rise_mm(radius, feet) == pytest.approx(rise, rel=1e-12)
    assert radius_from_rise(_rise(rise), feet).value_mm == pytest.approx(radius, rel=1e-12)


def test_a_board_of_56_at_400():
    # Independent: 400 - sqrt(400^2 - 28^2)
    assert rise_mm(400, 56) == pytest.approx(400 - math.sqrt(400**2 - 28**2), abs=1e-9)


@given(radius=st.floats(50, 5000), share=st.floats(0.01, 1.9))
def test_rise_and_radius_undo_each_other(radius: float, share: float):
    feet = share * radius

    assert radius_from_rise(_rise(rise_mm(radius, feet)), feet).value_mm == pytest.approx(radius, rel=1e-9)


def test_the_uncertainty_of_a_radius_against_simulation():
    rng = np.random.default_rng(2)
    rises = rng.normal(0.98, 0.003, 200_000)

    found = radius_from_rise(_rise(0.98, 0.003), 56.0)

    assert found.u_mm == pytest.approx(np.std(56.0**2 / (8 * rises) + rises / 2), rel=0.01)


@pytest.mark.parametrize("rise", [0.0, -0.1])
def test_a_flat_board_has_no_radius(rise: float):
    with pytest.raises(ValueError, match="flat or hollow"):
        radius_from_rise(_rise(rise), 40)


@pytest.mark.parametrize(("radius", "feet", "words"), [(10, 21, "cannot stand"), (0, 5, "above zero"), (5, 0, "above")])
def test_arcs_that_cannot_be(radius: float, feet: float, words: str):
    with pytest.raises(ValueError, match=words):
        rise_mm(radius, feet)


def test_a_cone_is_told_from_a_cylinder_and_a_bad_place_from_both():
    places = np.linspace(0, 450, 10)
    cone = 250 + 0.3 * places
    found = fit_shape(list(places), list(cone), [2.0] * 10)
    assert (found.conical, found.line.slope) == (True, pytest.approx(0.3))
    assert found.left_mm == pytest.approx(np.zeros(10), abs=1e-9)

    cylinder = np.full(10, 400.0)
    cylinder[4] += 15
    found = fit_shape(list(places), list(cylinder), [2.0] * 10)
    assert not found.conical
    assert int(np.argmax(np.abs(found.standardised))) == 4
    assert found.standardised[4] > 5
    with pytest.raises(InsufficientDataError):
        fit_shape([1.0], [400.0], [2.0])


def test_two_places_leave_nothing_to_judge_by():
    assert fit_shape([0.0, 100.0], [300.0, 310.0], [2.0, 2.0]).standardised == pytest.approx([0, 0])


def test_wire_bent_tighter_lifts_its_middle():
    # Independent: w^2/8 (1/R_b - 1/R_w) for flat arcs
    assert end_gap_mm(400, 300, 50) == pytest.approx(50**2 / 8 * (1 / 400 - 1 / 300), rel=0.01)
    assert end_gap_mm(300, 400, 50) > 0 > end_gap_mm(400, 300, 50)
    assert end_gap_mm(300, 300, 50) == 0


def test_the_caul_is_the_next_smaller_one():
    assert choose_caul(400, [508, 355, 305]) == 355
    assert choose_caul(305, [305, 355]) is None
