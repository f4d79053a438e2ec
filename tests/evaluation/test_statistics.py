"""Mean, spread, lines, charts and outliers against certified and published values."""

import math

import numpy as np
import pytest
from scipy import stats

from logger.errors import InsufficientDataError
from logger.evaluation.charts import chart_constants, ewma, individuals, run_on_one_side
from logger.evaluation.line_fit import fit_line
from logger.evaluation.outliers import extreme, grubbs, grubbs_critical
from logger.evaluation.statistics import autocorrelation, mean_and_sd, one_way


def _accuracy(base: float, count: int, low: float, high: float) -> list[float]:
    return [base] + [value for _ in range((count - 1) // 2) for value in (low, high)]


@pytest.mark.parametrize(
    ("values", "mean", "sd", "lag"),
    [
        # Source: NIST StRD univariate NumAcc1 to NumAcc4, certified exact (2 and 3 generated from memory of their rule)
        pytest.param([10000001, 10000003, 10000002], 10000002, 1, -0.5, id="NumAcc1"),
        pytest.param(_accuracy(1.2, 1001, 1.1, 1.3), 1.2, 0.1, -0.999, id="NumAcc2"),
        pytest.param(_accuracy(1000000.2, 1001, 1000000.1, 1000000.3), 1000000.2, 0.1, -0.999, id="NumAcc3"),
        pytest.param(_accuracy(10000000.2, 1001, 10000000.1, 10000000.3), 10000000.2, 0.1, -0.999, id="NumAcc4"),
    ],
)
def test_numerical_accuracy(values: list[float], mean: float, sd: float, lag: float):
    found = mean_and_sd(values)

    assert found.mean == pytest.approx(mean, rel=1e-15)
    # eight digits: the data themselves are rounded to doubles, which at 1e7 moves the sd of NumAcc4 by 5.6e-9
    assert found.sd == pytest.approx(sd, rel=1e-8 if mean > 9e6 and sd < 1 else 1e-9)
    assert autocorrelation(values) == pytest.approx(lag, abs=1e-7)


def test_michelson(published):
    # Source: NIST StRD Michelso, certified mean, sd and lag-1 autocorrelation
    rows = published("nist_strd_michelso")
    values = [float(next(iter(row.values()))) for row in rows]

    found = mean_and_sd(values)

    assert (found.n, found.mean) == (100, pytest.approx(299.8524, rel=1e-14))
    assert found.sd == pytest.approx(0.0790105478190518, rel=1e-10)
    assert autocorrelation(values) == pytest.approx(0.535199668621283, rel=1e-9)


def test_twenty_temperatures_of_the_guide(published):
    # Source: JCGM 100:2008 4.4.3, table 1 (data from memory; they reproduce the published figures)
    found = mean_and_sd([float(row["t_degC"]) for row in published("gum_4_4_3_temperature")])

    assert found.mean == pytest.approx(100.145, abs=5e-4)
    assert found.sd == pytest.approx(1.489, abs=5e-4)
    assert found.sd / math.sqrt(found.n) == pytest.approx(0.333, abs=5e-4)


@pytest.mark.parametrize(
    ("name", "f", "sd", "r_squared", "between", "within"),
    [
        # Source: NIST StRD analysis of variance, certified
        ("nist_strd_sirstv", 1.18046237440255, 0.104076068334656, 0.190999039051129, None, None),
        ("nist_strd_smls01", 21.0, 0.1, 0.482758620689655, 1.68, 1.80),
    ],
)
def test_certified_analyses_of_variance(published, name, f, sd, r_squared, between, within):
    groups: dict[str, list[float]] = {}
    for row in published(name):
        first, second = row.values()
        groups.setdefault(first, []).append(float(second))

    found = one_way(list(groups.values()))

    assert found.f == pytest.approx(f, rel=1e-9)
    assert found.sd == pytest.approx(sd, rel=1e-9)
    assert found.r_squared == pytest.approx(r_squared, rel=1e-9)
    if between is not None:
        assert (found.ss_between, found.ss_within) == (pytest.approx(between), pytest.approx(within))


def test_norris_line(published):
    # Source: NIST StRD Norris, certified
    rows = published("nist_strd_norris")

    line = fit_line([float(row["x"]) for row in rows], [float(row["y"]) for row in rows])

    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.u_slope == pytest.approx(0.429796848199937e-3, rel=1e-10)
    assert (line.s, line.dof) == (pytest.approx(0.884796396144373, rel=1e-10), 34)
    assert line.r_squared == pytest.approx(0.999993745883712, rel=1e-12)


def test_thermometer_line_of_the_guide(published):
    # Source: JCGM 100:2008 H.3, with the recomputed digits of the reference file
    rows = published("gum_h3_thermometer")

    line = fit_line([float(row["t_degC"]) for row in rows], [float(row["b_degC"]) for row in rows], about=20.0)

    assert (line.intercept, line.u_intercept) == (
        pytest.approx(-0.17120379, abs=1e-8),
        pytest.approx(0.0028776, abs=1e-7),
    )
    assert (line.slope, line.u_slope) == (pytest.approx(0.0021827, abs=1e-7), pytest.approx(0.00066794, abs=1e-8))
    assert line.covariance / (line.u_intercept * line.u_slope) == pytest.approx(-0.930430, abs=1e-6)
    assert line.s == pytest.approx(0.00349756, abs=1e-8)
    assert line.at(30.0) == (pytest.approx(-0.1493768, abs=1e-7), pytest.approx(0.0041386, abs=1e-7))
    assert line.dof == 9


def test_a_weighted_line_agrees_with_generalised_least_squares():
    x, y, u = np.array([1.0, 2.0, 4.0, 7.0]), np.array([0.1, 0.3, 0.2, 0.9]), np.array([0.1, 0.2, 0.1, 0.3])
    design = np.column_stack([np.ones(4), x])
    covariance = np.linalg.inv(design.T @ np.diag(u**-2) @ design)
    best = covariance @ design.T @ (y / u**2)

    line = fit_line(x, y, u=u)

    assert (line.intercept, line.slope) == (pytest.approx(best[0]), pytest.approx(best[1]))
    assert line.covariance == pytest.approx(covariance[0, 1])
    assert line.at(3.0)[1] == pytest.approx(math.sqrt(np.array([1, 3]) @ covariance @ np.array([1, 3])))


@pytest.mark.parametrize("n", range(2, 21))
def test_chart_constants_of_the_table(published, n: int):
    # Source: a published table of factors; D4 is printed 2.574 for 2.5746 (n = 3) and 1.608 for 1.6087 (n = 18)
    row = next(row for row in published("control_chart_constants") if int(row["n"]) == n)
    ours = chart_constants(n)

    assert (ours.d2, ours.d3, ours.c4) == tuple(
        pytest.approx(float(row[name]), abs=2e-6) for name in ("d2_exact", "d3_exact", "c4_exact")
    )
    for name, value in (("A2", ours.a2), ("A3", ours.a3), ("B3", ours.b3), ("B4", ours.b4), ("D3", ours.d3_limit)):
        assert value == pytest.approx(float(row[name]), abs=1.1e-3), name
    assert ours.d4_limit == pytest.approx(float(row["D4"]), abs=1.1e-3)


def test_individuals_chart_of_the_handbook(published):
    # Source: NIST/SEMATECH handbook 6.3.2.2
    values = [float(row["y"]) for row in published("nist_imr_ewma_data")][10:]

    chart = individuals(values)

    assert (chart.centre, chart.mean_moving_range) == (pytest.approx(50.81), pytest.approx(1.8778, abs=5e-5))
    assert (chart.upper, chart.lower) == (pytest.approx(55.8041, abs=2e-3), pytest.approx(45.8159, abs=2e-3))
    assert chart.beyond == ()
    assert individuals([*values, 60.0], baseline=10).beyond == (10,)


def test_weighted_average_chart_of_the_handbook(published):
    # Source: NIST/SEMATECH handbook 6.3.2.4: limits 52.5884 and 47.4115
    rows = published("nist_imr_ewma_data")

    chart = ewma([float(row["y"]) for row in rows], weight=0.3, start=50, sd=2.0539)

    assert chart.path == pytest.approx([float(row["ewma_published_or_recomputed"]) for row in rows], abs=6e-3)
    assert (chart.upper[0], chart.lower[0]) == (pytest.approx(52.5884, abs=1e-4), pytest.approx(47.4115, abs=1e-4))
    assert chart.beyond == ()
    assert ewma([50.0] * 3, weight=0.3, start=50, sd=1, widening=True).upper[0] == pytest.approx(50.9)


def test_a_run_on_one_side_signals():
    assert run_on_one_side([0, 1, 1, 1, 1, 1, 1, 1, 1], centre=0.5)
    assert not run_on_one_side([1] * 7, centre=0.5)
    assert not run_on_one_side([1, 1, 1, 0, 1, 1, 1, 1], centre=0.5)


def test_grubbs_table(published):
    # Source: ASTM E178 table 1 (from memory, reproduces) and a published two-sided table with two misprints:
    # n = 7 prints 2.202 for 2.020, n = 15 at 1 % prints 2.755 for 2.806; the file has the right values
    for row in published("grubbs_critical"):
        n = int(row["n"])
        for name, alpha, two_sided in (
            ("one_sided_05", 0.05, False),
            ("one_sided_01", 0.01, False),
            ("two_sided_05", 0.05, True),
            ("two_sided_01", 0.01, True),
        ):
            assert grubbs_critical(n, alpha=alpha, two_sided=two_sided) == pytest.approx(float(row[name]), abs=1.1e-3)
    assert grubbs_critical(7) == pytest.approx(2.020, abs=1e-3)
    assert grubbs_critical(15, alpha=0.01) == pytest.approx(2.806, abs=1e-3)


@pytest.mark.parametrize(
    ("which", "statistic", "index", "belongs"),
    [("uranium", 2.4687, 7, False), ("copper", 2.39, 9, False), ("Venus", 2.574, 0, False)],
)
def test_published_suspects(published, which: str, statistic: float, index: int, belongs: bool):
    # Source: NIST handbook 1.3.5.17.1, ASTM E178, Grubbs 1950; see the file. Two-sided at 5 % (2.290 and 2.549).
    row = next(row for row in published("outlier_examples") if row["set"].startswith(which))

    found = grubbs([float(one) for one in row["values"].split()])

    assert (found.index, found.belongs) == (index, belongs)
    assert found.statistic == pytest.approx(statistic, abs=5e-3)


def test_a_good_set_is_queried_no_more_often_than_said():
    rng = np.random.default_rng(3)
    several = [not grubbs(rng.normal(size=5)).belongs for _ in range(4000)]
    pairs = [not extreme(rng.normal(size=2), s=1.0).belongs for _ in range(4000)]

    assert np.mean(several) == pytest.approx(0.05, abs=0.012)
    assert np.mean(pairs) <= 0.05 + 0.012


@pytest.mark.parametrize("count", [3, 4, 5])
@pytest.mark.parametrize("spread", [0.5, 1.0, 2.0, 8.0])
def test_rounded_good_sets_are_queried_no_more_often_than_said(count: int, spread: float):
    # three readings with two equal would always be queried: 23 % of good sets at a spread of 1.5 digits
    rng = np.random.default_rng(12)
    sets = np.round(rng.uniform(0, 1, (2500, 1)) + rng.normal(0, spread, (2500, count)))

    queried = np.mean([not grubbs(one, digit=1.0).belongs for one in sets])

    assert queried <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 2500)


def test_a_gross_error_among_three_rounded_readings_is_queried():
    assert not grubbs([0.51, 0.51, 0.64], digit=0.01).belongs
    assert grubbs([0.51, 0.51, 0.53], digit=0.01).belongs
    assert not extreme([0.51, 0.51, 0.56], s=0.008, digit=0.01).belongs


def test_two_readings_are_judged_exactly():
    # Independent: the difference of two readings over s sqrt(2) follows t with the degrees of freedom of s
    rng = np.random.default_rng(13)
    s = np.sqrt(rng.chisquare(4, 6000) / 4)
    queried = np.mean([not extreme(rng.normal(size=2), s=float(one), dof=4).belongs for one in s])

    assert queried == pytest.approx(0.05, abs=3 * math.sqrt(0.05 * 0.95 / 6000))
    assert extreme([0, 1], s=1, dof=4).critical == pytest.approx(2.776, abs=1e-3)  # Source: GUM table G.2


@pytest.mark.parametrize("value", [0.1, 0.3, 50.81])
def test_equal_checks_lie_within_their_limits(value: float):
    # three times 0.1 over three is not 0.1 in doubles
    assert all(individuals([value] * count).beyond == () for count in range(2, 12))


@pytest.mark.parametrize(("n", "d2", "d3"), [(25, 3.931, 0.708), (50, 4.498, 0.652), (100, 5.015, 0.605)])
def test_chart_constants_beyond_the_table(n: int, d2: float, d3: float):
    # Source: tables of the range of normal samples, from memory; they reproduce
    assert (chart_constants(n).d2, chart_constants(n).d3) == (pytest.approx(d2, abs=6e-4), pytest.approx(d3, abs=6e-4))


def test_a_line_far_from_zero_and_with_small_uncertainties():
    x, y = np.array([1.0, 2.0, 3.0, 5.0]), np.array([1.0, 2.0, 4.0, 4.0])

    near, far = fit_line(x, y, u=1e-90), fit_line(x + 2.0**40, y, u=1e-90, about=2.0**40)

    assert (far.slope, far.intercept, far.u_intercept) == pytest.approx((near.slope, near.intercept, near.u_intercept))
    assert near.u_slope == pytest.approx(1e-90 / math.sqrt(8.75))
    assert near.chi_square == pytest.approx(near.s**2 * 2)


@pytest.mark.parametrize(
    ("values", "known", "belongs"),
    [
        pytest.param([0.51, 0.52], {"s": 0.004, "digit": 0.01}, True, id="one digit apart"),
        pytest.param([0.51, 0.57], {"s": 0.004, "digit": 0.01}, False, id="far apart"),
        pytest.param([0.51, 0.51], {"s": 0.0}, True, id="equal and exact"),
        pytest.param([0.51, 0.52], {"s": 0.0}, False, id="exact and different"),
        pytest.param([0.0, 3.2], {"s": 1.0, "dof": 3}, True, id="a loosely known spread"),
    ],
)
def test_two_readings_against_a_known_spread(values: list[float], known: dict[str, float], belongs: bool):
    found = extreme(values, **known)

    assert found.belongs is belongs
    assert found.index == 1 or found.statistic == 0


@pytest.mark.parametrize(
    ("message", "call"),
    [
        ("a mean needs at least one value", lambda: mean_and_sd([])),
        ("needs more than 1 values", lambda: autocorrelation([1.0])),
        ("needs two groups or more", lambda: one_way([[1.0, 2.0]])),
        ("a line needs at least 3 points", lambda: fit_line([1, 2], [1, 2])),
        ("a line needs at least 2 points at two places", lambda: fit_line([1, 1], [1, 2], u=0.1)),
        ("among three or more, got 2", lambda: grubbs([1.0, 2.0])),
        ("cannot be compared with itself", lambda: extreme([1.0], s=1.0)),
        ("limits need at least two values", lambda: individuals([1.0])),
        ("a chart needs at least one value", lambda: ewma([], weight=0.3, start=0, sd=1)),
        ("positions that are one in doubles", lambda: fit_line([1e-200, 2e-200, 3e-200], [1, 2, 3])),
        ("nothing measured is beyond 1e\\+100; look at the largest of `y`", lambda: fit_line([1, 2, 3], [1, 2, 1e200])),
    ],
)
def test_too_few_readings_are_said(message: str, call):
    with pytest.raises(InsufficientDataError, match=message):
        call()


@pytest.mark.parametrize(
    "call",
    [
        pytest.param(lambda: grubbs([1, 2, 1e200]), id="grubbs"),
        pytest.param(lambda: individuals([1e308, -1e308, 1e308]), id="individuals"),
        pytest.param(lambda: autocorrelation([1e200, -1e200, 1.0]), id="autocorrelation"),
        pytest.param(lambda: one_way([[1e200, 1.0], [2.0, 3.0]]), id="one-way"),
    ],
)
def test_what_nothing_measures_is_said(call):
    with pytest.raises(InsufficientDataError, match=r"nothing measured is beyond 1e\+100"):
        call()


@pytest.mark.parametrize(
    ("message", "call"),
    [
        ("`values` must be a row of finite numbers", lambda: mean_and_sd([1.0, math.nan])),
        ("`x` and `y` must have one shape", lambda: fit_line([1, 2, 3], [1, 2])),
        ("`u` must be finite and above zero", lambda: fit_line([1, 2, 3], [1, 2, 3], u=0.0)),
        ("`u` must be one number or one per point", lambda: fit_line([1, 2, 3], [1, 2, 3], u=[1.0, 2.0])),
        ("`about` must be finite", lambda: fit_line([1, 2, 3], [1, 2, 3], about=math.nan)),
        ("`lag` must be at least 1, got 0", lambda: autocorrelation([1.0, 2.0], lag=0)),
        ("`alpha` must be above 0 and below 1", lambda: grubbs_critical(5, alpha=1.0)),
        ("`s` must be finite and not below zero", lambda: extreme([1.0, 2.0], s=math.nan)),
        ("`digit` must be finite and not below zero", lambda: grubbs([1.0, 2.0, 3.0], digit=-0.01)),
        ("`dof` must be above zero", lambda: extreme([1.0, 2.0], s=1.0, dof=0)),
        ("`baseline` must not be below zero", lambda: individuals([1.0, 2.0, 3.0], baseline=-1)),
        ("`start` must be finite and `sd`", lambda: ewma([1.0], weight=0.3, start=0, sd=-1)),
        ("`n` must be from 2 to 100", lambda: chart_constants(1)),
        ("`weight` must be above 0", lambda: ewma([1.0], weight=0.0, start=0, sd=1)),
    ],
)
def test_wrong_arguments_are_refused(message: str, call):
    with pytest.raises(ValueError, match=message):
        call()


def test_defined_answers_at_the_edges():
    assert mean_and_sd([5.0]).sd is None
    assert autocorrelation([2.0, 2.0, 2.0]) == 0
    assert grubbs([1.0, 1.0, 1.0]).belongs
    assert fit_line([1, 2, 3], [4, 4, 4]).r_squared == 0
    assert one_way([[1.0, 1.0], [1.0, 1.0]]).f is None
    assert mean_and_sd([1e308, 1e308, 1e308]).sd == 0
    assert mean_and_sd([1e308, -1e308]).sd == pytest.approx(math.sqrt(2) * 1e308)
    assert mean_and_sd([1e-300, 3e-300]).sd == pytest.approx(math.sqrt(2) * 1e-300, rel=1e-12)


def test_student_table_of_the_guide(published):
    # Source: JCGM 100:2008 table G.2; the printed 235.80 at one degree and 99.73 % is 235.78 for p = 0.9973
    shares = {"p68_27": 0.6827, "p90": 0.90, "p95": 0.95, "p95_45": 0.9545, "p99": 0.99, "p99_73": 0.9973}
    for row in published("student_t_gum_table_g2"):
        dof = math.inf if row["nu"] in {"inf", "infinity"} else float(row["nu"])
        for name, share in shares.items():
            factor = stats.norm.ppf((1 + share) / 2) if math.isinf(dof) else stats.t.ppf((1 + share) / 2, dof)
            assert factor == pytest.approx(float(row[name]), abs=6e-3)
