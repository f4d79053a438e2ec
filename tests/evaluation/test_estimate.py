"""Estimates carry their causes; shared causes cancel."""

import math
from dataclasses import replace

import numpy as np
import pytest

from logger.evaluation.estimate import (
    Cause,
    Estimate,
    combine,
    covariance_mm2,
    gathered,
    gathered_sums,
    rectangular,
)

ZERO = Cause(name="zero:a:1", words="zero", u_mm=0.004)


def _one(value: float, name: str, u: float, *shared: Cause) -> Estimate:
    own = Cause(name=name, words="repeatability", u_mm=u)
    return Estimate(value_mm=value, terms=((own, 1.0), *((cause, 1.0) for cause in shared)))


def test_a_shared_zero_cancels_in_a_difference():
    first, second = _one(1.10, "r1", 0.003, ZERO), _one(1.02, "r2", 0.003, ZERO)

    gap = combine([(1.0, first), (-1.0, second)])

    assert gap.value_mm == pytest.approx(0.08)
    assert gap.u_mm == pytest.approx(math.hypot(0.003, 0.003))
    assert all(cause.name != ZERO.name for cause, _ in gap.terms)


def test_other_zeros_do_not_cancel():
    other = Cause(name="zero:a:2", words="zero", u_mm=0.004)
    gap = combine([(1.0, _one(1.1, "r1", 0.003, ZERO)), (-1.0, _one(1.0, "r2", 0.003, other))])

    assert gap.u_mm == pytest.approx(math.sqrt(2 * 0.003**2 + 2 * 0.004**2))


def test_welch_satterthwaite_of_the_guide():
    # Source: JCGM 100:2008 G.4.1: relative u 0.25, 0.57, 0.82 % with 9, 4, 14 degrees of freedom -> 1.03 %, 19.0
    parts = [("x1", 0.25, 9), ("x2", 0.57, 4), ("x3", 0.82, 14)]
    terms = tuple((Cause(name=name, words=name, u_mm=u, dof=dof), 1.0) for name, u, dof in parts)
    one = Estimate(value_mm=0.0, terms=terms)

    assert one.u_mm == pytest.approx(1.03, abs=5e-3)
    assert one.dof == pytest.approx(19.0, abs=0.05)
    assert one.expanded_u_mm() == pytest.approx(2.2, abs=0.05)


def test_causes_of_one_pool_have_its_degrees_of_freedom_once():
    pooled = [Cause(name=f"r{i}", words="s", u_mm=0.003, dof=12, pool="spread") for i in (1, 2)]
    gap = combine([
        (1.0, Estimate(value_mm=1.0, terms=((pooled[0], 1.0),))),
        (-1.0, Estimate(value_mm=0.9, terms=((pooled[1], 1.0),))),
    ])

    assert gap.dof == pytest.approx(12)


def test_a_bracket_stays_a_rectangle_and_a_small_digit_does_not():
    bracket = rectangular("b", "between two leaves", 0.0125, bracket=True)
    digit = rectangular("d", "digit", 0.005)
    bell = Cause(name="r", words="repeatability", u_mm=0.01)
    one = Estimate(value_mm=0.5, terms=((bracket, 1.0), (digit, 1.0), (bell, 1.0)))

    spread = one.distribution()

    assert spread.rectangles_mm == (0.0125,)
    assert spread.scale_mm == pytest.approx(math.hypot(0.005 / math.sqrt(3), 0.01))


def test_a_digit_alone_is_a_rectangle():
    one = Estimate(value_mm=0.5, terms=((rectangular("d", "digit", 0.005), 1.0),))

    assert one.expanded_u_mm() == pytest.approx(0.95 * 0.005)


def test_covariance_agrees_with_combine():
    estimates = [_one(0.0, "a", 0.003, ZERO), _one(0.0, "b", 0.002, ZERO), _one(0.0, "c", 0.001)]
    weights = np.array([1.0, -2.0, 0.5])

    variance = weights @ covariance_mm2(estimates) @ weights

    assert math.sqrt(variance) == pytest.approx(combine(list(zip(weights, estimates, strict=True))).u_mm)


def test_unknown_stays_unknown():
    known, unknown = _one(1.0, "a", 0.003), Estimate(value_mm=1.0, known=False)

    assert not combine([(1.0, known), (-1.0, unknown)]).known


def test_few_repeats_stay_a_t_beside_what_is_known():
    few = Cause(name="s", words="spread", u_mm=0.003, dof=1, repeats=2)
    one = Estimate(value_mm=1.0, terms=((few, 1.0), (ZERO, 1.0)))

    spread = one.distribution()

    assert (spread.scale_mm, spread.dof, spread.bell_mm) == (0.003, 1, 0.004)


def test_budget_shares_make_a_whole_and_the_largest_comes_first():
    one = _one(1.0, "r", 0.003, ZERO)

    words, sizes, shares = zip(*one.budget(), strict=True)

    assert words == ("zero", "repeatability")
    assert sizes == (0.004, 0.003)
    assert shares == pytest.approx((0.64, 0.36))
    assert Estimate(value_mm=1.0).budget() == []


def test_more_readings_shrink_what_repeats_shrink():
    repeated = Cause(name="r", words="repeatability", u_mm=0.006, repeats=2)
    one = Estimate(value_mm=1.0, terms=((repeated, 1.0), (ZERO, 1.0)))

    assert one.with_more_readings(6).u_mm == pytest.approx(math.hypot(0.003, 0.004))


def test_sums_made_at_once_are_those_made_one_by_one():
    rng = np.random.default_rng(5)
    estimates = [
        replace(_one(rng.normal(), f"r{index}", 0.003, ZERO), repeats=1 + index % 3, known=index != 4)
        for index in range(12)
    ]
    large = Cause(name="a study", words="from a study", u_mm=0.01, dof=6)
    estimates[3] = replace(estimates[3], terms=(*estimates[3].terms, (large, 1.0)))
    weak = Cause(name="few repeats", words="spread of repeats", u_mm=0.0002, dof=3, pool="spread:a")
    estimates[5] = replace(estimates[5], terms=(*estimates[5].terms, (weak, 1.0)))
    weights = rng.normal(size=(6, 12))
    weights[1, 4] = 0.0  # without the unknown one
    weights[2] = 0.0
    weights[3, 1:] = 0.0
    weights[4] = [1.0, -1.0, *[0.0] * 10]  # the zero cancels
    weights[5, 5] = 0.0

    found = gathered_sums(weights, estimates, [f"s{row}" for row in range(6)])

    for row, one in enumerate(found):
        parts = [(float(weight), each) for weight, each in zip(weights[row], estimates, strict=True) if weight]
        assert one == gathered(combine(parts), f"s{row}")
    assert found[0].terms[-1][0].name == "rest:s0"
