"""String clearance: the trade's figures, the envelope against a swinging string, and derivatives."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.evaluation.scale import fret_positions_mm
from logger.evaluation.string_clearance import (
    Pluck,
    margins,
    rises_allowed_mm,
    saddle_height_mm,
    steel_mass_g_per_m,
    tension_n,
)

L = 645.0
X = fret_positions_mm(L, 20)
STILL = Pluck(force_n=0.0, from_saddle_mm=120.0, tension_n=100.0)
FIRM = Pluck(force_n=0.5, from_saddle_mm=120.0, tension_n=100.0)


@pytest.mark.parametrize(("saddle", "clears"), [(3.0, 0.168), (4.4, 0.247), (7.0, 0.393)])
def test_a_fretted_string_clears_the_next_fret_by_0_0561_of_the_saddle(saddle: float, clears: float):
    # Source: similar triangles; figures of FRETWORK section 8
    found = margins(X, np.zeros(21), scale_mm=L, saddle_mm=saddle, nut_mm=None, pluck=STILL)

    assert [one.fret for one in found] == list(range(1, 20))
    assert [one.over - one.fret for one in found] == [1] * 19
    assert [one.margin_mm for one in found] == pytest.approx([clears] * 19, abs=5e-4)


@pytest.mark.parametrize("share", [0.05, 0.2, 0.37, 0.5, 0.8])
def test_the_reach_is_that_of_a_string_that_swings(share: float):
    # Independent: d'Alembert's travelling waves of the odd periodic extension, over one period
    length, pluck = 400.0, Pluck(force_n=1.0, from_saddle_mm=share * 400.0, tension_n=80.0)
    p, amplitude = length - pluck.from_saddle_mm, pluck.amplitude_mm(length)

    def drawn(x: np.ndarray) -> np.ndarray:
        x = np.mod(x + length, 2 * length) - length
        sign, x = np.sign(x), np.abs(x)
        return sign * amplitude * np.minimum(x / p, (length - x) / (length - p))

    x = np.linspace(0, length, 401)
    times = np.linspace(0, 2 * length, 4001)  # distance that a wave has run
    lowest = np.min([(drawn(x - t) + drawn(x + t)) / 2 for t in times], axis=0)
    assert pluck.reach_mm(x, length) == pytest.approx(-lowest, abs=amplitude * 2e-3)


def test_a_pluck_draws_the_string_as_statics_says():
    # Source: equilibrium at the pluck, F = T (A/s + A/(l - s))
    pluck, length = Pluck(force_n=0.7, from_saddle_mm=150.0, tension_n=90.0), 500.0
    a = pluck.amplitude_mm(length)

    assert 90.0 * (a / 150.0 + a / 350.0) == pytest.approx(0.7)


def test_tension_and_mass_of_a_plain_steel_string():
    # Source: Mersenne; 0.305 mm, 329.63 Hz over 648 mm comes to 104.6 N with 7.85 g/cm3, computed by hand
    mass = steel_mass_g_per_m(0.305)

    assert mass == pytest.approx(0.5735, abs=1e-4)
    assert tension_n(mass, 329.63, 648.0) == pytest.approx(104.66, abs=0.1)


def test_action_gives_the_saddle():
    assert saddle_height_mm(2.0, 0.1, 0.6) == pytest.approx(3.6)


def test_a_high_fret_is_hit_from_the_one_before_it():
    heights = np.zeros(21)
    heights[7] = 0.2
    found = {one.fret: one for one in margins(X, heights, scale_mm=L, saddle_mm=3.0, nut_mm=0.5, pluck=STILL)}

    assert found[6].over == 7
    assert found[6].margin_mm == pytest.approx(0.168 - 0.2, abs=5e-4)
    assert min(found.values(), key=lambda one: one.margin_mm).fret == 6
    assert found[0].margin_mm > 0.2


def test_a_fret_may_rise_by_its_margin_and_no_more():
    shape = np.zeros(21)
    allowed = rises_allowed_mm(X, shape, scale_mm=L, saddle_mm=4.4, nut_mm=0.5, pluck=FIRM)

    for fret in (2, 9, 20):
        raised = shape.copy()
        raised[fret] = allowed[fret]
        least = min(one.margin_mm for one in margins(X, raised, scale_mm=L, saddle_mm=4.4, nut_mm=0.5, pluck=FIRM)
                    if one.over == fret)  # fmt: skip
        assert least == pytest.approx(0, abs=1e-9)


def test_weights_are_the_derivatives():
    rng = np.random.default_rng(2)
    heights = rng.normal(0, 0.01, 21)

    def least(z: np.ndarray, fret: int) -> float:
        saddle = saddle_height_mm(2.0, float(z[12]), 0.5)
        found = margins(X, z, scale_mm=L, saddle_mm=saddle, nut_mm=0.5, pluck=FIRM, saddle_on_12=2.0)
        return next(one.margin_mm for one in found if one.fret == fret)

    found = margins(X, heights, scale_mm=L, saddle_mm=saddle_height_mm(2.0, float(heights[12]), 0.5), nut_mm=0.5,
                    pluck=FIRM, saddle_on_12=2.0)  # fmt: skip
    for one in found:
        for fret in range(1, 21):
            moved = heights.copy()
            moved[fret] += 1e-7
            slope = (least(moved, one.fret) - one.margin_mm) / 1e-7
            assert slope == pytest.approx(one.weights.get(fret, 0.0), abs=1e-5)


def test_frets_that_are_not_known_are_passed_over():
    heights = np.zeros(21)
    heights[5:8] = np.nan
    found = margins(X, heights, scale_mm=L, saddle_mm=3.0, nut_mm=None, pluck=STILL)

    assert {one.fret for one in found} == {*range(1, 5), *range(8, 20)}
    assert next(one.over for one in found if one.fret == 4) == 8


@settings(max_examples=30, deadline=None)
@given(height=st.floats(-1, 1), share=st.floats(0.02, 0.98))
def test_lifting_neck_and_string_changes_nothing(height: float, share: float):
    pluck = Pluck(force_n=0.4, from_saddle_mm=share * 300, tension_n=90.0)
    flat = margins(X, np.zeros(21), scale_mm=L, saddle_mm=3.0, nut_mm=0.4, pluck=pluck)
    lifted = margins(X, np.full(21, height), scale_mm=L, saddle_mm=3.0 + height, nut_mm=0.4 + height, pluck=pluck)

    assert [one.margin_mm for one in lifted] == pytest.approx([one.margin_mm for one in flat], abs=1e-9)
    assert not math.isnan(flat[0].margin_mm)
