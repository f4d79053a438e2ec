"""The distribution of a value against published factors and an independent simulation."""

import numpy as np
import pytest
from scipy import stats

from logger.evaluation.distribution import Distribution


def test_normal_quantiles_of_the_tables():
    # Source: normal quantiles, any table; 0.975 -> 1.9600, 0.95 -> 1.6449 (reference list, "Normal quantiles")
    one = Distribution(scale_mm=1.0)

    assert one.half_interval_mm(0.95) == pytest.approx(1.9600, abs=5e-5)
    assert one.half_interval_mm(0.90) == pytest.approx(1.6449, abs=5e-5)


@pytest.mark.parametrize(("dof", "factor"), [(1, 12.71), (5, 2.57), (10, 2.23), (19, 2.09)])
def test_student_factors_of_gum_table_g2(dof: float, factor: float):
    # Source: JCGM 100:2008 table G.2, 95 % column
    assert Distribution(scale_mm=1.0, dof=dof).half_interval_mm(0.95) == pytest.approx(factor, abs=5e-3)


def test_trapezoid_factor_of_the_caliper_budget():
    # Source: EA-4/02 S10 (from memory, reproduces from its inputs): two rectangles in the ratio 1 : 2, k = 1.83
    one = Distribution(scale_mm=0.0, rectangles_mm=(50.0, 25.0))
    u = np.hypot(50.0, 25.0) / np.sqrt(3)

    assert one.half_interval_mm(0.95) / u == pytest.approx(1.83389, abs=1e-4)


@pytest.mark.parametrize(
    "one",
    [
        pytest.param(Distribution(scale_mm=0.004, rectangles_mm=(0.0125,)), id="bracket and bell"),
        pytest.param(Distribution(scale_mm=0.004, dof=6, rectangles_mm=(0.0125,)), id="bracket and t"),
        pytest.param(Distribution(scale_mm=0.004, dof=1, rectangles_mm=(0.0125,)), id="bracket and one degree"),
        pytest.param(Distribution(scale_mm=0.002, dof=9, rectangles_mm=(0.02, 0.0125)), id="two brackets and t"),
        pytest.param(Distribution(scale_mm=0.0, rectangles_mm=(0.02, 0.0125)), id="trapezoid"),
        pytest.param(Distribution(scale_mm=0.0, rectangles_mm=(0.02,)), id="rectangle"),
    ],
)
def test_distribution_function_agrees_with_simulation(one: Distribution):
    rng = np.random.default_rng(11)
    draws = one.scale_mm * stats.t.rvs(min(one.dof, 1e9), size=400_000, random_state=rng)
    for half in one.rectangles_mm:
        draws = draws + rng.uniform(-half, half, draws.size)
    offsets = np.array([-0.03, -0.011, 0.0, 0.004, 0.017, 0.029])

    shares = (draws[:, None] <= offsets).mean(axis=0)

    assert one.cdf(offsets) == pytest.approx(shares, abs=4e-3)


@pytest.mark.parametrize("rectangles", [(), (0.01,), (0.01, 0.004)])
@pytest.mark.parametrize("dof", [1, 2, 7, np.inf])
def test_interval_holds_what_it_says(rectangles: tuple[float, ...], dof: float):
    one = Distribution(scale_mm=0.003, dof=dof, rectangles_mm=rectangles)
    half = one.half_interval_mm(0.95)

    assert one.within(-half, half) == pytest.approx(0.95, abs=1e-6)
    assert one.within(None, half) == pytest.approx(0.975, abs=1e-6)


@pytest.mark.parametrize(
    ("below", "above", "p"), [(-1.0, None, 1.0), (0.0, None, 1.0), (1e-9, None, 0.0), (0.0, 0.0, 1.0)]
)
def test_a_value_without_uncertainty_lies_inside_or_outside(below: float | None, above: float | None, p: float):
    assert Distribution(scale_mm=0.0).within(below, above) == p


def test_closed_form_meets_quadrature_at_the_switch():
    # the closed form of a rectangle with t serves from 1.5 degrees of freedom, quadrature below
    offsets = np.linspace(-0.05, 0.05, 11)
    below, above = (Distribution(scale_mm=0.004, dof=dof, rectangles_mm=(0.01,)).cdf(offsets) for dof in (1.5, 1.5001))

    assert below == pytest.approx(above, abs=2e-5)


def test_t_beside_a_normal_agrees_with_simulation():
    rng = np.random.default_rng(5)
    one = Distribution(scale_mm=0.003, dof=2, rectangles_mm=(0.004,), bell_mm=0.005)
    draws = 0.003 * stats.t.rvs(2, size=400_000, random_state=rng) + rng.normal(0, 0.005, 400_000)
    draws += rng.uniform(-0.004, 0.004, draws.size)

    half = one.half_interval_mm(0.95)

    assert (np.abs(draws) <= half).mean() == pytest.approx(0.95, abs=2e-3)
    assert one.within(None, 0.006) == pytest.approx((draws <= 0.006).mean(), abs=3e-3)


@pytest.mark.parametrize(
    ("mixed", "plain"),
    [
        pytest.param(Distribution(scale_mm=0.003, bell_mm=0.004), Distribution(scale_mm=0.005), id="two bells are one"),
        pytest.param(Distribution(scale_mm=0.0, dof=3, bell_mm=0.004), Distribution(scale_mm=0.004), id="an empty t"),
        pytest.param(
            Distribution(scale_mm=0.003, dof=4, bell_mm=1e-12), Distribution(scale_mm=0.003, dof=4), id="no bell"
        ),
        pytest.param(
            Distribution(scale_mm=0.003, dof=4, bell_mm=1e-12, rectangles_mm=(0.01, 0.002)),
            Distribution(scale_mm=0.003, dof=4, rectangles_mm=(0.01, 0.002)),
            id="no bell, two rectangles",
        ),
    ],
)
def test_mixture_meets_its_closed_neighbours(mixed: Distribution, plain: Distribution):
    offsets = np.linspace(-0.02, 0.02, 9)

    assert mixed.cdf(offsets) == pytest.approx(plain.cdf(offsets), abs=2e-4)
    assert mixed.half_interval_mm() == pytest.approx(plain.half_interval_mm(), rel=2e-3)
