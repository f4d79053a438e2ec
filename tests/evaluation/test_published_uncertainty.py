"""The uncertainty core against the guide's own examples."""

import math

import numpy as np
import pytest
from scipy import stats

from logger.evaluation.distribution import Distribution
from logger.evaluation.estimate import Cause, Estimate, rectangular


def test_end_gauge_of_the_guide():
    # Source: JCGM 100:2008 H.1, components in nm with their degrees of freedom; u = 32 (31.7), 16.7, U99 = 93
    parts = [("standard", 25.0, 18), ("difference", 9.7, 25.6), ("expansion difference", 2.9, 50),
             ("temperature difference", 16.6, 2)]  # fmt: skip
    one = Estimate(value_mm=838.0, terms=tuple((Cause(name=n, words=n, u_mm=u, dof=v), 1.0) for n, u, v in parts))

    assert one.u_mm == pytest.approx(31.7, abs=0.05)
    assert one.dof == pytest.approx(16.7, abs=0.1)
    # the guide truncates the degrees of freedom to 16 and rounds the uncertainty to 32 nm before it multiplies
    assert math.floor(one.dof) == 16
    assert Distribution(scale_mm=round(one.u_mm), dof=16).half_interval_mm(0.99) == pytest.approx(93, abs=0.5)


def test_end_gauge_by_simulation():
    # Source: JCGM 101:2008 9.5 (from memory, reproduced to 2 nm): 838, u 36, shortest 99 % from 745 to 932 nm
    rng, m = np.random.default_rng(95), 400_000
    standard = 50_000_623 + 25 * rng.standard_t(18, m)
    difference = 215 + 6 * rng.standard_t(24, m) + 4 * rng.standard_t(5, m) + 7 * rng.standard_t(8, m)
    expansion = rng.uniform(9.5e-6, 13.5e-6, m)
    off_20 = rng.normal(-0.1, 0.2, m) + 0.5 * np.sin(rng.uniform(0, 2 * np.pi, m))
    expansion_difference = rng.uniform(-1, 1, m) * rng.uniform(0.9e-6, 1.1e-6, m)
    temperature_difference = rng.uniform(-1, 1, m) * rng.uniform(0.025, 0.075, m)
    warmth = standard * (expansion_difference * off_20 + expansion * temperature_difference)
    length = standard + difference - warmth
    value = np.sort(length - 50_000_000)
    reach = int(0.99 * m)
    shortest = int(np.argmin(value[reach:] - value[:-reach]))

    assert value.mean() == pytest.approx(838, abs=2)
    assert value.std() == pytest.approx(36, abs=1)
    assert (value[shortest], value[shortest + reach]) == (pytest.approx(745, abs=3), pytest.approx(932, abs=3))


def test_caliper_budget():
    # Source: EA-4/02 S10 (from memory, reproduces): 0.10 mm +- 0.06 mm, k = 1.83, trapezoid of two rectangles
    terms = (
        rectangular("digit", "vernier step", 0.025),
        rectangular("mechanics", "mechanical effects", 0.050),
        rectangular("block", "block", 0.0008),
        rectangular("temperature", "temperature", 0.002 * math.sqrt(3)),
    )
    one = Estimate(value_mm=0.10, terms=tuple((cause, 1.0) for cause in terms))

    assert one.u_mm == pytest.approx(0.033, abs=1e-3)
    assert one.expanded_u_mm() == pytest.approx(0.06, abs=5e-3)
    assert one.expanded_u_mm() / one.u_mm == pytest.approx(1.83, abs=0.02)
    assert len(one.distribution().rectangles_mm) == 2


@pytest.mark.parametrize(
    ("half_width", "u"),
    [
        pytest.param((16.92 - 16.40) / 2, 0.15, id="4.3.7 expansion coefficient"),
        pytest.param(4.0, 2.3, id="4.4.5 temperature, rectangle"),
    ],
)
def test_rectangles_of_the_guide(half_width: float, u: float):
    # Source: JCGM 100:2008 4.3.7 and 4.4.5 (from memory, they reproduce)
    assert rectangular("x", "x", half_width).u_mm == pytest.approx(u, abs=0.02 * u)


def test_a_triangle_of_the_guide():
    # Source: JCGM 100:2008 4.4.5: 96 to 104 degrees, triangular, u = 1.6; a triangle is the sum of two equal rectangles
    terms = tuple((rectangular(name, name, 2.0), 1.0) for name in "ab")
    one = Estimate(value_mm=100.0, terms=terms)

    assert one.u_mm == pytest.approx(1.6, abs=0.05)
    # the triangle holds 1 - (1 - t)^2 within t of its half-width 4: 95 % within 4 (1 - sqrt(0.05))
    triangle = Distribution(scale_mm=0.0, rectangles_mm=(2.0, 2.0))
    assert triangle.half_interval_mm() == pytest.approx(4 * (1 - math.sqrt(0.05)))


def test_a_statement_at_99_percent_of_the_guide():
    # Source: JCGM 100:2008 4.3.4 (from memory): 129 at 99 %, u = 50
    assert Distribution(scale_mm=50.0).half_interval_mm(0.99) == pytest.approx(129, abs=0.5)


def test_the_end_gauge_with_terms_of_second_order():
    # Source: NIST TN 1297 table D.1, seen: components in nm, u = 34
    parts = (25, 5.8, 3.9, 6.7, 1.7, 5.8, 10.2, 2.9, 16.6)
    terms = tuple((Cause(name=str(i), words="", u_mm=u), 1.0) for i, u in enumerate(parts))

    assert Estimate(value_mm=0.0, terms=terms).u_mm == pytest.approx(34, abs=0.5)


def test_a_product_of_the_guide():
    # Source: JCGM 100:2008 G.4.1 (from memory, reproduces): relative u in percent; 1.03, 19.0, t 2.09, U 2.2
    parts = ((0.25, 10), (0.57, 5), (0.82, 15))
    terms = tuple((Cause(name=str(n), words="", u_mm=u, dof=n - 1), 1.0) for u, n in parts)
    one = Estimate(value_mm=0.0, terms=terms)

    assert (one.u_mm, one.dof) == (pytest.approx(1.03, abs=5e-3), pytest.approx(19.0, abs=0.05))
    # 18.98 unrounded: the guide reads its table at 19
    assert Distribution(scale_mm=1.0, dof=round(one.dof)).half_interval_mm() == pytest.approx(2.09, abs=5e-3)
    assert one.expanded_u_mm() == pytest.approx(2.2, abs=0.05)


def test_every_cell_of_the_student_table_from_our_distribution(published):
    # Source: JCGM 100:2008 table G.2; it prints 235.80 at one degree and 99.73 %, which is 235.78 for p = 0.9973
    shares = {"p68_27": 0.6827, "p90": 0.90, "p95": 0.95, "p95_45": 0.9545, "p99": 0.99, "p99_73": 0.9973}
    for row in published("student_t_gum_table_g2"):
        dof = math.inf if row["nu"] in {"inf", "infinity"} else float(row["nu"])
        for name, share in shares.items():
            factor = Distribution(scale_mm=1.0, dof=dof).half_interval_mm(share)
            assert factor == pytest.approx(float(row[name]), abs=6e-3), (dof, name)


@pytest.mark.parametrize(
    ("p", "z"),
    [(0.90, 1.2816), (0.95, 1.6449), (0.975, 1.9600), (0.99, 2.3263), (0.995, 2.5758), (0.99865, 3.0000)],
)
def test_normal_quantiles(p: float, z: float):
    # Source: normal quantiles, any table; 3.0000 at 0.99865 is rounded there (2.99998)
    assert Distribution(scale_mm=1.0).half_interval_mm(2 * p - 1) == pytest.approx(z, abs=6e-5)


def test_an_even_chance_of_the_guide():
    # Source: JCGM 100:2008 4.3.5: 10.11 +- 0.04 mm with even chances, u = 0.06 mm
    assert 0.04 / stats.norm.ppf(0.75) == pytest.approx(0.06, abs=1e-3)
    assert Distribution(scale_mm=0.06).within(-0.04, 0.04) == pytest.approx(0.5, abs=6e-3)
