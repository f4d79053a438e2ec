"""Wood against the Wood Handbook; risks against JCGM 106, published tables and simulation; gauge checks."""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtr

from logger.errors import InsufficientDataError
from logger.evaluation.conformity import Limits
from logger.evaluation.gauge_check import drift, gauge_error, hysteresis
from logger.evaluation.risk import global_risks, guard_band, specific_risk, verdict_risks
from logger.evaluation.wood import (
    COEFFICIENTS,
    coefficient_across,
    coefficients_of,
    fret_sprout_mm,
    moisture_content_percent,
    movement_from_shrinkage_mm,
    movement_mm,
)


def test_every_cell_of_the_moisture_table(published):
    # Source: Wood Handbook GTR-190, table 4-2; the equation is published to reproduce it, tolerance 0.06
    rows = published("wood_emc_table_4_2")
    cells = [
        (moisture_content_percent((float(row["tempF"]) - 32) / 1.8, float(name[2:])), float(value))
        for row in rows
        for name, value in row.items()
        if name.startswith("RH")
    ]

    assert len(cells) == 342
    assert max(abs(ours - table) for ours, table in cells) <= 0.06


def test_white_fir_of_the_handbook():
    # Source: Wood Handbook page 308 (the start from memory): 232 mm, 8 to 11 %, tangential 0.00245 -> 1.705 mm
    assert movement_mm(232, coefficients_of("Fir, white")[1], 8, 11) == pytest.approx(1.705, abs=1e-3)


def test_coefficients_are_those_of_the_table(published):
    # Source: Wood Handbook table 13-5, rows as seen; see the first line of the file
    rows = published("wood_dimensional_change")
    table = {row["species"].split(" (")[0].lower(): (float(row["C_R"]), float(row["C_T"])) for row in rows}

    assert table == dict(COEFFICIENTS)


def test_a_quarter_sawn_board_moves_radially_a_flat_sawn_one_tangentially(published):
    # Source: as above; the width of a flat-sawn board lies along the rings. Both ways to name a species are read.
    for row in published("wood_dimensional_change"):
        name = row["species"].split(" (")[0]
        turned = " ".join(reversed(name.split(", ")))
        for species in (name, turned, f"  {turned.upper()} "):
            assert coefficient_across(species, "quarter") == float(row["C_R"]), species
            assert coefficient_across(species, "flat") == float(row["C_T"]), species
    with pytest.raises(ValueError, match="`cut` must be one of quarter, flat, got 'rift'"):
        coefficient_across("teak", "rift")


def test_movement_outside_the_linear_range_takes_the_total_shrinkage():
    # Source: Wood Handbook equation 13-3 (from memory) outside 6 to 14 %, 13-2 within; sugar maple tangential 9.9 %
    within = movement_mm(100, 0.00353, 8, 12, shrinkage_percent=9.9)
    outside = movement_mm(100, 0.00353, 8, 20, shrinkage_percent=9.9)

    assert within == pytest.approx(1.412)
    assert outside == pytest.approx(100 * 12 / (3000 / 9.9 - 30 + 8))
    # the two rules meet: the same change within the range agrees to a tenth
    assert movement_from_shrinkage_mm(100, 9.9, 8, 12) == pytest.approx(within, rel=0.1)
    assert fret_sprout_mm(100, 0.00353, 20, 8, shrinkage_percent=9.9) == pytest.approx(
        -movement_mm(100, 0.00353, 20, 8, shrinkage_percent=9.9) / 2
    )


def test_fret_sprout_is_half_the_shrinkage_and_never_negative():
    assert fret_sprout_mm(56, 0.00238, 9.2, 6.2) == pytest.approx(56 * 0.00238 * 3 / 2)
    assert fret_sprout_mm(56, 0.00238, 6.2, 9.2) == 0


def test_movement_from_the_total_shrinkage():
    # 9.9 % from green to dry (sugar maple, tangential): all of it from 30 to 0 %
    assert movement_from_shrinkage_mm(100, 9.9, 30, 0) == pytest.approx(-9.9)
    assert movement_from_shrinkage_mm(100, 9.9, 10, 10) == 0


@pytest.mark.parametrize(
    ("error", "message", "call"),
    [
        (InsufficientDataError, "no published coefficient for 'ebony'", lambda: coefficients_of("ebony")),
        (InsufficientDataError, "holds from 6 to 14 % moisture", lambda: movement_mm(50, 0.002, 8, 20)),
        (ValueError, "temperature must be from -10 to 100", lambda: moisture_content_percent(20, 101)),
        (ValueError, "width must be above 0 mm", lambda: movement_mm(-50, 0.002, 8, 10)),
        (ValueError, "`u_mm` must be one number", lambda: drift([1.0, 2.0], u_mm=math.nan)),
        (ValueError, "`u_reading_mm` must be", lambda: hysteresis([1], [1], [1], u_reading_mm=-1)),
        (
            ValueError,
            "`common_u_mm` must be",
            lambda: gauge_error([1], [1], u_nominal_mm=1, u_reading_mm=1, common_u_mm=math.nan),
        ),
        (ValueError, "`u` and `process_sd` must be finite and above zero", lambda: _risks(u=0.0)),
        (ValueError, "`process_mean` must be finite", lambda: _risks(process_mean=math.inf)),
        (ValueError, "`lower` must not be above `upper`", lambda: _risks(lower=1.0)),
        (
            ValueError,
            "`process_sd` must be above zero",
            lambda: specific_risk(value=0, u=1, lower=0, upper=1, process_sd=0),
        ),
        (ValueError, "moisture must be from 0 to 30 %", lambda: movement_from_shrinkage_mm(50, 9.9, 8, 31)),
        (
            InsufficientDataError,
            "needs at least one known size",
            lambda: gauge_error([], [], u_nominal_mm=1, u_reading_mm=1),
        ),
        (InsufficientDataError, "state one above zero", lambda: gauge_error([1], [1], u_nominal_mm=0, u_reading_mm=0)),
        (
            ValueError,
            "`nominal_mm` and `reading_mm` must have one shape",
            lambda: gauge_error([1], [1, 2], u_nominal_mm=1, u_reading_mm=1),
        ),
        (InsufficientDataError, "approached from both sides", lambda: hysteresis([], [], [], u_reading_mm=1)),
        (ValueError, "sizes, up and down must have one shape", lambda: hysteresis([1], [1, 2], [1], u_reading_mm=1)),
    ],
)
def test_what_cannot_be_answered_is_said(error, message: str, call):
    with pytest.raises(error, match=message):
        call()


@pytest.mark.parametrize(
    ("accept", "consumer", "producer"),
    [
        # Source: JCGM 106:2012 resistors 1500 +- 0.2 ohm: published about 1 % and 7 % for the guarded rule; the
        # digits and the other two rules are recomputed
        (0.18, 0.009878, 0.069027),
        (0.20, 0.018942, 0.037208),
        (0.22, 0.031145, 0.017554),
    ],
)
def test_resistors(accept: float, consumer: float, producer: float):
    risks = global_risks(process_mean=0, process_sd=0.12, u=0.04, lower=-0.2, upper=0.2, accept_lower=-accept,
                         accept_upper=accept)  # fmt: skip

    assert (risks.consumer, risks.producer) == (pytest.approx(consumer, abs=2e-6), pytest.approx(producer, abs=2e-6))
    assert risks.conforming_share == pytest.approx(0.9044, abs=5e-5)


@pytest.mark.parametrize(
    ("u", "accept", "consumer", "producer"), [(0.25, 2.0, 0.008, 0.015), (0.5, 1.82, 0.008, 0.066)]
)
def test_deaver(u: float, accept: float, consumer: float, producer: float):
    # Source: Deaver 1994, limits at two standard deviations of the process
    risks = global_risks(
        process_mean=0, process_sd=1, u=u, lower=-2, upper=2, accept_lower=-accept, accept_upper=accept
    )

    assert (risks.consumer, risks.producer) == (pytest.approx(consumer, abs=6e-4), pytest.approx(producer, abs=6e-4))


@pytest.mark.parametrize(("mean", "outside"), [(10.0, 0.01242), (10.5, 0.10574)])
def test_share_outside(mean: float, outside: float):
    # Source: N(10, 0.4) against 9 to 11, seen in a public test suite
    risks = global_risks(process_mean=mean, process_sd=0.4, u=1e-4, lower=9, upper=11, accept_lower=9, accept_upper=11)

    assert 1 - risks.conforming_share == pytest.approx(outside, abs=6e-6)
    assert risks.consumer < 1e-4


@pytest.mark.parametrize(
    "limits",
    [
        Limits(upper_mm=0.05),
        Limits(lower_mm=0.0),
        Limits(lower_mm=0.0, upper_mm=0.10),
        Limits(lower_mm=0.0, upper_mm=0.03),
    ],
)
def test_our_verdicts_over_a_process_agree_with_simulation(limits: Limits):
    rng = np.random.default_rng(8)
    truth = rng.normal(0.03, 0.03, 400_000)
    reading = truth + rng.normal(0, 0.01, truth.size)
    low, high = (
        (-np.inf if limits.lower_mm is None else limits.lower_mm),
        (np.inf if limits.upper_mm is None else limits.upper_mm),
    )
    p = ndtr((high - reading) / 0.01) - ndtr((low - reading) / 0.01)
    inside = (truth >= low) & (truth <= high)

    risks = verdict_risks(process_mean=0.03, process_sd=0.03, u=0.01, limits=limits)

    assert risks.false_pass == pytest.approx(np.mean((p >= 0.95) & ~inside), abs=1.5e-3)
    assert risks.false_fail == pytest.approx(np.mean((p <= 0.05) & inside), abs=1.5e-3)
    assert risks.remeasure == pytest.approx(np.mean((p > 0.05) & (p < 0.95)), abs=3e-3)


def _risks(**changes: float):
    known = {"process_mean": 0.0, "process_sd": 0.12, "u": 0.04, "lower": -0.2, "upper": 0.2, "accept_lower": -0.18,
             "accept_upper": 0.18}  # fmt: skip
    return global_risks(**(known | changes))


@pytest.mark.parametrize(
    ("lower", "upper", "value", "u", "inside"),
    [
        # Source: JCGM 106:2012 clause 7 examples (from memory; they reproduce from their inputs)
        pytest.param(None, -5.40, -5.47, 0.05, 0.92, id="diode"),
        pytest.param(490, None, 507, 10, 0.955, id="burst strength"),
        pytest.param(12.5, 16.3, 13.6, 1.8, 0.66, id="oil"),
    ],
)
def test_one_decision_on_one_value(lower, upper, value: float, u: float, inside: float):
    risk = specific_risk(value=value, u=u, lower=lower, upper=upper)

    assert (risk.producer, risk.consumer) == (pytest.approx(inside, abs=5e-3), pytest.approx(1 - inside, abs=5e-3))
    assert (risk.value, risk.u) == (value, u)


def test_a_known_process_draws_the_value_towards_it():
    # Independent: the mean of true values over a simulated process whose readings fall near 0.2
    rng = np.random.default_rng(21)
    truth = rng.normal(0, 0.12, 2_000_000)
    near = truth[np.abs(truth + rng.normal(0, 0.06, truth.size) - 0.2) < 2e-3]

    risk = specific_risk(value=0.2, u=0.06, lower=-0.2, upper=0.2, process_mean=0, process_sd=0.12)

    assert (risk.value, risk.u) == (pytest.approx(near.mean(), abs=2e-3), pytest.approx(near.std(), abs=2e-3))
    assert risk.consumer == pytest.approx(np.mean(near > 0.2), abs=0.015)


@pytest.mark.parametrize("u", [1e-9, 1e-3, 0.04, 1.0, 1e3])
@pytest.mark.parametrize("process_sd", [1e-6, 0.12, 100.0])
@pytest.mark.parametrize("process_mean", [0.0, 0.2, 5.0])
def test_global_risks_are_those_of_two_correlated_normals(u: float, process_sd: float, process_mean: float):
    # Independent: true value and reading are bivariate normal; the risks are rectangles of its distribution function
    spread = math.hypot(process_sd, u)
    both = stats.multivariate_normal(cov=[[1, process_sd / spread], [process_sd / spread, 1]], allow_singular=True)

    def scaled(true: float, read: float) -> list[float]:
        return [(true - process_mean) / process_sd, (read - process_mean) / spread]

    accepted_right = both.cdf(scaled(0.2, 0.18), lower_limit=scaled(-0.2, -0.18))
    accepted = np.diff(stats.norm.cdf([scaled(0, side)[1] for side in (-0.18, 0.18)]))[0]
    inside = np.diff(stats.norm.cdf([scaled(side, 0)[0] for side in (-0.2, 0.2)]))[0]

    found = _risks(u=u, process_sd=process_sd, process_mean=process_mean)

    assert found.consumer == pytest.approx(accepted - accepted_right, abs=1e-7)
    assert found.producer == pytest.approx(inside - accepted_right, abs=1e-7)
    assert found.conforming_share == pytest.approx(inside, abs=1e-12)
    assert min(found.consumer, found.producer) >= 0


def test_an_acceptance_window_that_guards_leave_nothing_of_accepts_nothing():
    found = _risks(accept_lower=0.1, accept_upper=-0.1)

    assert (found.consumer, found.producer) == (0.0, found.conforming_share)


def test_guard_band_moves_inward():
    # Source: JCGM 106:2012 8.3.2: w = r U, U = 2 u; r = 0.25 and u = 0.04 give 0.02
    guarded = guard_band(Limits(lower_mm=-0.2, upper_mm=0.2), expanded_u=0.08, share=0.25)

    assert (guarded.lower_mm, guarded.upper_mm) == (pytest.approx(-0.18), pytest.approx(0.18))


def test_a_true_gauge_and_one_whose_error_grows():
    sizes = [0.5, 1.0, 2.0, 5.0, 10.0]
    true = gauge_error(sizes, [s + e for s, e in zip(sizes, (0.001, -0.001, 0.0, 0.001, -0.001), strict=True)],
                       u_nominal_mm=0.0005, u_reading_mm=0.002)  # fmt: skip
    growing = gauge_error(sizes, [1.003 * s for s in sizes], u_nominal_mm=0.0005, u_reading_mm=0.002, common_u_mm=0.001)

    assert (true.reads_true, true.grows) == (True, False)
    assert (growing.reads_true, growing.grows) == (False, True)
    assert growing.error_at(4.0)[0] == pytest.approx(0.012)
    assert growing.error_at(10.0)[1] > growing.error_at(4.0)[1] > 0.001


def test_one_size_gives_an_error_and_no_slope():
    one = gauge_error([1.0], [1.01], u_nominal_mm=0.001, u_reading_mm=0.002, common_u_mm=0.002)

    assert (one.line, one.grows, one.reads_true) == (None, False, False)
    assert one.error_at(3.0) == (pytest.approx(0.01), pytest.approx(0.003))


def test_a_common_error_is_not_taken_for_a_wrong_gauge():
    alone = gauge_error([1, 2, 3], [1.004, 2.004, 3.004], u_nominal_mm=0.001, u_reading_mm=0.001)
    shared = gauge_error([1, 2, 3], [1.004, 2.004, 3.004], u_nominal_mm=0.001, u_reading_mm=0.001, common_u_mm=0.003)

    assert (alone.reads_true, shared.reads_true) == (False, True)


def test_scatter_beyond_the_stated_widens_the_line():
    wild = gauge_error([1, 2, 3, 4], [1.01, 1.99, 3.01, 3.99], u_nominal_mm=0.001, u_reading_mm=0.001)

    assert wild.error_at(2.5)[1] > 3 * wild.line.at(2.5)[1]
    assert not wild.grows


def test_the_chi_square_of_a_shared_error_agrees_with_the_whole_covariance():
    sizes, errors, u = np.array([1.0, 2.0, 5.0]), np.array([0.004, 0.003, 0.006]), np.array([0.001, 0.002, 0.0015])
    covariance = np.diag(u**2) + 0.003**2

    found = gauge_error(sizes, sizes + errors, u_nominal_mm=0.0, u_reading_mm=u, common_u_mm=0.003)

    assert found.p_true == pytest.approx(stats.chi2.sf(errors @ np.linalg.solve(covariance, errors), 3))


def test_hysteresis_names_its_size_and_place():
    found = hysteresis([1, 2, 3], [1.0, 2.0, 3.0], [1.001, 2.004, 3.001], u_reading_mm=0.001)

    assert (found.largest_mm, found.at_mm) == (pytest.approx(0.004), 2.0)
    assert found.u_mm == pytest.approx(0.001 * math.sqrt(2))
    # Independent: of three normal differences the largest stays below 2.394 standard deviations in 19 of 20 runs
    assert found.expected_mm == pytest.approx(2.394 * found.u_mm, rel=1e-3)
    assert found.real
    assert not hysteresis([1, 2], [1.0, 2.0], [1.001, 2.0], u_reading_mm=0.001).real
    assert not hysteresis([1], [1.0], [1.0], u_reading_mm=0.0).real


@pytest.mark.parametrize(
    ("errors", "signals", "words"),
    [
        ([0.0, 0.001], False, "limits need four"),
        ([0.0, 0.001, -0.001, 0.0005], False, "steady"),
        ([0.0, 0.001, -0.001, 0.0, 0.02], True, "the gauge has moved"),
        ([-0.003, -0.004, -0.002, -0.004, *[0.0005, 0.001] * 4], True, "drifting"),
    ],
)
def test_drift_from_check_to_check(errors: list[float], signals: bool, words: str):
    found = drift(errors)

    assert found.signals is signals
    assert words in found.words


@pytest.mark.parametrize(
    ("errors", "u", "signals", "words"),
    [
        pytest.param([0.0, 0.0, 0.0, 0.0, 0.01], 0.004, False, "steady", id="one step of the digit"),
        pytest.param([0.0, 0.0, 0.0, 0.0, 0.02], 0.004, True, "the gauge has moved", id="two steps"),
        pytest.param([0.1] * 5, 0.0, False, "steady", id="always the same"),
        pytest.param([0.0, 0.05], 0.004, True, "further from the earlier", id="second check far off"),
        pytest.param([0.0, 0.01, 0.005], 0.004, False, "3 checks so far", id="three near"),
        pytest.param([0.0], 0.004, False, "1 check so far", id="a single check"),
        pytest.param([], 0.004, False, "0 checks so far", id="none"),
    ],
)
def test_drift_knows_what_a_check_is_worth(errors: list[float], u: float, signals: bool, words: str):
    found = drift(errors, u_mm=u)

    assert found.signals is signals
    assert words in found.words


def test_limits_of_drift_are_no_nearer_than_three_uncertainties():
    chart = drift([0.0, 0.0, 0.0, 0.01], u_mm=0.004).chart

    assert (chart.lower, chart.upper, chart.beyond) == (pytest.approx(-0.012), pytest.approx(0.012), ())
