"""The sweep as a levelling network: published heights, known uncertainties, efficiency, and what cannot be known."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from logger.errors import InsufficientDataError
from logger.evaluation.network import Sight, adjust, beam, gap, next_best, step

pytestmark = pytest.mark.once

Floats = NDArray[np.float64]
NECK = 645.0 * (1 - 2 ** (-np.arange(21) / 12))
"""Positions of the nut and 20 frets, twelve-tone equal temperament."""
PRIORS = {"zero": 0.002, "long zero": 0.002, "straight": 1e-9, "edge": 0.010}


def _steps(zero: str = "zero", heights: Floats | None = None) -> list[Sight]:
    return _chords([(j, (j - 1, j + 1)) for j in range(2, 20)], zero, heights)


def _longs(zero: str, heights: Floats | None = None) -> list[Sight]:
    return _chords([(j, (j - 2, j + 2)) for j in range(3, 19)], zero, heights)


def _chords(settings: list[tuple[int, tuple[int, int]]], zero: str, heights: Floats | None) -> list[Sight]:
    empty = [step(j, feet, NECK, value_mm=0.0, u_mm=0.003, zero=zero) for j, feet in settings]
    return empty if heights is None else [_seeing(one, heights) for one in empty]


def _gaps(bow: str, heights: Floats | None = None) -> list[Sight]:
    empty = [gap(j, (1, 20), NECK, value_mm=0.0, u_mm=0.010, bow=bow) for j in (5, 8, 11, 14)]
    return empty if heights is None else [_seeing(one, heights) for one in empty]


def _seeing(sight: Sight, heights: Floats, error_mm: float = 0.0) -> Sight:
    value = sum(weight * heights[station] for station, weight in sight.heights.items())
    return Sight(heights=sight.heights, value_mm=value + error_mm, u_mm=sight.u_mm, shared=sight.shared)


@pytest.mark.parametrize(
    ("sights", "um"),
    [
        # Independent: a constant zero error b adds up to a bow of b N^2 / 4; the rest from an earlier calculation of
        # ours with dense normal equations, before this code.
        pytest.param(_steps(), 190.9, id="steps alone"),
        pytest.param(_steps() + _longs("zero"), 29.3, id="long steps that share the zero"),
        pytest.param(_steps() + _longs("long zero"), 46.4, id="long steps with a zero of their own"),
        pytest.param(_steps() + _gaps("straight"), 12.9, id="four gaps"),
        pytest.param(_steps() + _longs("zero") + _gaps("straight"), 6.2, id="all three"),
        pytest.param(_steps() + _longs("zero") + _gaps("edge"), 10.8, id="all three, an edge that may be bowed 10 um"),
    ],
)
def test_how_well_the_middle_is_known(sights: list[Sight], um: float):
    found = adjust(sights, NECK, priors_mm=PRIORS)

    assert 1000 * np.max(found.u_mm()) == pytest.approx(um, abs=0.06)
    assert found.known.all()


def test_published_lines_of_a_surface_plate(published: Callable[[str], list[dict[str, str]]]):
    # Source: Moody, "How to calibrate surface plates in the plant", The Tool Engineer, October 1955: autocollimator
    # readings over 4 in; heights of his column 8, to the digits given. Each line is above its own chord here.
    readings, heights = published("straightness_moody1955_readings"), published("straightness_moody1955_heights")
    inch = 4 * math.radians(1 / 3600) * 1e5  # rise over one spacing for one arcsecond, in 1e-5 in
    checked = 0
    for line in dict.fromkeys(row["line"] for row in heights):
        slopes = [float(row["arcsec"]) for row in readings if row["line"] == line]
        wanted = np.array([float(row["height_1e-5in_col8"]) for row in heights if row["line"] == line])
        places = 4.0 * np.arange(len(wanted))
        sights = [Sight(heights={k + 1: 1.0, k: -1.0}, value_mm=slope * inch, u_mm=1.0, shared={"tilt": 1.0})
                  for k, slope in enumerate(slopes)]  # fmt: skip
        found = adjust(sights, places).heights_mm
        wanted -= wanted[0] + (wanted[-1] - wanted[0]) * places / places[-1]
        assert found == pytest.approx(wanted, abs=0.01), line
        checked += len(wanted)
    assert checked == len(heights) > 100


def test_heights_without_noise_come_back_whole():
    rng = np.random.default_rng(3)
    true = rng.normal(0, 0.05, 21)
    found = adjust(_steps("zero", true) + _longs("long zero", true) + _gaps("edge", true), NECK, priors_mm=PRIORS)

    x = NECK[1:]
    chord = true[1] + (true[20] - true[1]) * (x - x[0]) / (x[-1] - x[0])
    assert found.stations == tuple(range(1, 21))
    assert found.heights_mm == pytest.approx(true[1:] - chord, abs=1e-9)
    assert found.chi_square == pytest.approx(0, abs=1e-6)


def test_variances_reach_the_bound_and_intervals_cover():
    rng = np.random.default_rng(11)
    necks, sights = 50_000, _steps() + _longs("long zero") + _gaps("edge")
    found = adjust(sights, NECK, priors_mm=PRIORS)
    shared = {name: rng.normal(0, PRIORS[name], necks) for name in ("zero", "long zero", "edge")}
    errors = np.array([
        rng.normal(0, one.u_mm, necks) + sum(weight * shared[name] for name, weight in one.shared.items())
        for one in sights
    ])
    off = found.gains @ errors

    inside = [index for index, station in enumerate(found.stations) if station not in {1, 20}]
    bound = np.diag(found.covariance_mm2)[inside]  # of a Gaussian model with these priors: the bound itself
    assert off[inside].var(axis=1) / bound == pytest.approx(np.ones(len(inside)), abs=0.02)
    covered = np.mean(np.abs(off[inside]) <= 1.959964 * np.sqrt(bound)[:, None], axis=1)
    assert covered == pytest.approx(np.full(len(inside), 0.95), abs=0.01)


def test_normal_equations_solved_another_way_agree():
    rng = np.random.default_rng(4)
    sights = [_seeing(one, rng.normal(0, 0.05, 21), rng.normal(0, 0.003)) for one in _steps() + _longs("long zero")]
    found = adjust(sights, NECK, priors_mm=PRIORS, datum=(1, 20))

    # Independent: the datum put in as two exact readings, zeros eliminated into a dense covariance of the readings
    rows = np.array([[one.heights.get(station, 0.0) for station in range(1, 21)] for one in sights])
    noise = np.diag([one.u_mm**2 for one in sights])
    for name in ("zero", "long zero"):
        share = np.array([one.shared.get(name, 0.0) for one in sights])
        noise += PRIORS[name] ** 2 * np.outer(share, share)
    values = np.array([one.value_mm for one in sights])
    inner = np.linalg.solve(noise, rows[:, 1:19])
    heights = np.linalg.solve(rows[:, 1:19].T @ inner, inner.T @ values)
    assert found.heights_mm[1:19] == pytest.approx(heights, abs=1e-9)
    assert found.covariance_mm2[1:19, 1:19] == pytest.approx(np.linalg.inv(rows[:, 1:19].T @ inner), rel=1e-6)


def test_a_gross_error_is_named_and_twins_are_named_together():
    rng = np.random.default_rng(7)
    named = together = 0
    for _ in range(200):
        design = _steps() + _longs("long zero") + _gaps("straight")
        wrong = int(rng.integers(len(design)))
        errors = rng.normal(0, [one.u_mm for one in design])
        errors[wrong] += 0.1
        sights = [_seeing(one, np.zeros(21), error) for one, error in zip(design, errors, strict=True)]
        suspect = adjust(sights, NECK, priors_mm=PRIORS).suspect()
        named += suspect[:1] == (wrong,)
        together += wrong in suspect
    assert together >= 198
    assert named >= 195


def test_a_clean_network_is_suspected_rarely_and_its_sum_of_squares_is_fair():
    rng = np.random.default_rng(8)
    design = _steps() + _longs("long zero") + _gaps("straight")
    chances = []
    for _ in range(300):
        zeros = {name: rng.normal(0, PRIORS[name]) for name in ("zero", "long zero")}
        errors = [rng.normal(0, one.u_mm) + sum(zeros.get(name, 0.0) * w for name, w in one.shared.items())
                  for one in design]  # fmt: skip
        sights = [_seeing(one, np.zeros(21), error) for one, error in zip(design, errors, strict=True)]
        found = adjust(sights, NECK, priors_mm=PRIORS)
        chances.append(found.p_value)
    assert np.mean(chances) == pytest.approx(0.5, abs=0.06)


def test_what_the_readings_cannot_tell_is_not_known():
    two_parts = [step(3, (2, 4), NECK, value_mm=0.01, u_mm=0.003, zero="zero"),
                 step(10, (9, 11), NECK, value_mm=0.02, u_mm=0.003, zero="zero")]  # fmt: skip
    found = adjust(two_parts, NECK, priors_mm=PRIORS, datum=(2, 4))

    assert dict(zip(found.stations, found.known, strict=True)) == {
        2: True, 3: True, 4: True, 9: False, 10: False, 11: False}  # fmt: skip
    assert found.heights_mm[1] == pytest.approx(0.01)
    assert np.isnan(found.heights_mm[3:]).all()
    assert found.dof == 0
    assert (found.p_value, found.suspect()) == (1.0, ())


def test_a_beam_gives_its_tilt_and_bow_where_something_else_fixes_them():
    true = 1e-6 * (NECK - NECK[1]) * (NECK[20] - NECK)
    traverse = [beam(j, NECK, value_mm=0.0, u_mm=0.002, traverse="t1") for j in range(1, 21)]
    seen = [_seeing(one, true, 0.5 + 0.02 * one.shared["t1:tilt"]) for one in traverse]

    alone = adjust(seen, NECK)
    level = adjust(seen, NECK, priors_mm={"t1:bow": 0.001})

    assert alone.known.sum() == 2, "a bow of beam and neck cannot be told apart"
    assert level.known.all()
    assert level.heights_mm[9] == pytest.approx((true - true[1])[10], abs=2e-3)
    assert math.isnan(level.shared_mm["t1:tilt"][0])


@pytest.mark.parametrize("sights", [[], [Sight(heights={3: 1.0}, value_mm=0.0, u_mm=0.001)]])
def test_too_little_is_said(sights: list[Sight]):
    with pytest.raises(InsufficientDataError, match="at least two stations"):
        adjust(sights, NECK)


def test_exact_and_equal_readings_are_solved_without_a_warning():
    sights = [step(j, (j - 1, j + 1), NECK, value_mm=0.0, u_mm=0.0, zero="zero") for j in range(2, 20)]

    found = adjust(sights * 2, NECK, priors_mm={"zero": 0.0})

    assert found.known.all()
    assert found.heights_mm == pytest.approx(np.zeros(20), abs=1e-9)


@given(tilt=st.floats(-0.01, 0.01), lift=st.floats(-5, 5))
def test_a_neck_that_lies_crooked_has_the_same_heights(tilt: float, lift: float):
    true = 0.02 * np.sin(np.arange(21))
    flat, crooked = (adjust(_steps("zero", z) + _gaps("edge", z), NECK, priors_mm=PRIORS).heights_mm
                     for z in (true, true + lift + tilt * NECK))  # fmt: skip

    assert crooked == pytest.approx(flat, abs=1e-8)


def test_the_next_best_reading_is_the_one_that_lowers_the_variance_most():
    sights = _steps() + _longs("zero")
    found = adjust(sights, NECK, priors_mm=PRIORS)
    candidates = [gap(j, (1, 20), NECK, value_mm=0.0, u_mm=0.010, bow="straight") for j in range(2, 20)]
    middle = np.eye(20)[[9]]

    gains = next_best(found, candidates, middle, PRIORS)

    best = int(np.argmax(gains))
    assert 9 <= candidates[best].heights.keys().__iter__().__next__() <= 11
    for index in (0, best, 17):
        with_it = adjust([*sights, candidates[index]], NECK, priors_mm=PRIORS).covariance_mm2[9, 9]
        assert found.covariance_mm2[9, 9] - with_it == pytest.approx(gains[index], rel=1e-4)
    assert math.isnan(next_best(found, [step(0, (1, 2), NECK, value_mm=0, u_mm=1, zero="zero")], middle, PRIORS)[0])
