"""Wood against the Wood Handbook; risks against JCGM 106, published tables and simulation; gauge checks."""

import math

import numpy as np
import pytest

from logger.errors import InsufficientDataError
from logger.evaluation.conformity import Limits
from logger.evaluation.gauge_check import drift, gauge_error, hysteresis
from logger.evaluation.risk import global_risks, guard_band, verdict_risks
from logger.evaluation.wood import (
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
    from scipy.special import ndtr

    p = ndtr((high - reading) / 0.01) - ndtr((low - reading) / 0.01)
    inside = (truth >= low) & (truth <= high)

    risks = verdict_risks(process_mean=0.03, process_sd=0.03, u=0.01, limits=limits)

    assert risks.false_pass == pytest.approx(np.mean((p >= 0.95) & ~inside), abs=1.5e-3)
    assert risks.false_fail == pytest.approx(np.mean((p <= 0.05) & inside), abs=1.5e-3)
    assert risks.remeasure == pytest.approx(np.mean((p > 0.05) & (p < 0.95)), abs=3e-3)


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


def test_hysteresis_names_its_size_and_place():
    found = hysteresis([1, 2, 3], [1.0, 2.0, 3.0], [1.001, 2.004, 3.001], u_reading_mm=0.001)

    assert (found.largest_mm, found.at_mm) == (pytest.approx(0.004), 2.0)
    assert found.u_mm == pytest.approx(0.001 * math.sqrt(2))


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
