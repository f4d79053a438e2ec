"""Repeats within the digit, against an independent simulation of rounding."""

import numpy as np
import pytest

from logger.evaluation.observation import FeatureKey, Observation, estimate_features
from logger.evaluation.rounded import fits, pattern_of, rounded_mean


def test_pattern_forgets_order_and_height():
    assert pattern_of([7, 5, 5]) == (0, 0, 2)
    assert fits((0, 40))
    assert not fits((0, 41))


def test_many_equal_repeats_leave_the_digit_alone():
    one = rounded_mean((0, 0, 0), ((0, 0, 0),) * 200)

    assert one.offset == pytest.approx(0.0, abs=1e-6)
    assert one.rectangle == pytest.approx(0.5, abs=0.03)
    assert one.bell < 0.05


def test_two_equal_readings_alone_say_little():
    one = rounded_mean((0, 0), ((0, 0),))

    assert one.rectangle == 0
    assert one.dof < 3


def test_the_mean_leans_to_the_majority_and_no_further_than_the_digits():
    one = rounded_mean((0, 0, 0, 1), ((0, 0, 0, 1),) * 10)

    assert 0.25 < one.offset < 0.5


@pytest.mark.parametrize("pattern", [(0, 1), (0, 0, 1, 1), (0, 0, 2, 2)])
def test_a_symmetric_pattern_has_its_mean_in_the_middle(pattern: tuple[int, ...]):
    assert rounded_mean(pattern, (pattern,)).offset == pytest.approx(pattern[-1] / 2, abs=1e-3)


def test_the_widest_patterns_of_many_features_do_not_underflow():
    one = rounded_mean((0, 40), ((0, 40),) * 60)

    assert one.offset == pytest.approx(20, abs=1e-3)
    assert np.isfinite([one.bell, one.dof]).all() or one.dof > 100


@pytest.mark.parametrize(("digit", "repeats"), [(2.0, 2), (4.0, 3), (10.0, 4)])
def test_the_interval_holds_the_truth_where_the_digit_hides_the_spread(digit: float, repeats: int):
    rng = np.random.default_rng(17)
    held, count = 0, 0
    for _ in range(60):
        truths = rng.uniform(0, 100, 15)
        values = np.round((truths[:, None] + rng.normal(0, 1, (15, repeats))) / digit) * digit
        readings = [
            Observation(key=FeatureKey(kind="k", fret=f), value_mm=float(v), gauge="g", resolution_mm=digit)
            for f, row in enumerate(values)
            for v in row
        ]
        for key, one in estimate_features(readings).items():
            share = float(one.distribution().cdf(truths[key.fret] - one.value_mm))
            held += 0.025 <= share <= 0.975
            count += 1

    assert held / count >= 0.94 - 3 * np.sqrt(0.06 * 0.94 / count)


def test_readings_off_the_digit_are_taken_as_they_are():
    key = FeatureKey(kind="k")
    readings = [Observation(key=key, value_mm=v, gauge="g", resolution_mm=0.01) for v in (0.512, 0.5155)]

    assert "spread of repeats, k" in [cause.words for cause, _ in estimate_features(readings)[key].terms]


def test_repeats_within_the_digit_say_so_in_their_budget():
    key = FeatureKey(kind="k")
    readings = [Observation(key=key, value_mm=v, gauge="g", resolution_mm=0.01) for v in (0.51, 0.51, 0.52)]

    one = estimate_features(readings)[key]

    assert [cause.words for cause, _ in one.terms] == ["repeats within the digit, k"]
    assert 0.51 < one.value_mm < 0.515
