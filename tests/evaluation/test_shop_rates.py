"""Rates of a shop against published values, an independent implementation, and simulated necks."""

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from logger.evaluation.shop_rates import (
    BASELINE,
    LEAST_FOR_DRIFT,
    MOST_DEALS,
    Tally,
    compare,
    design_effect,
    holm,
    kerf_drift,
    rate,
    wilson,
)


# Source: Newcombe, "Two-sided confidence intervals for the single proportion", Statistics in Medicine 17 (1998),
# table I, method 3 (values from memory)
@pytest.mark.parametrize(
    ("bad", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0000, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_the_interval_against_a_published_table(bad: int, of: int, low: float, high: float):
    assert wilson(bad, of) == pytest.approx((low, high), abs=5e-5)


# Source: README of msn0/wilson-score-interval (z = 1.96)
@pytest.mark.parametrize(
    ("bad", "of", "low", "high"),
    [
        (430, 474, 0.8776750858242243, 0.9301239839930541),
        (392, 436, 0.8672311846637769, 0.9239627360567735),
        (10, 14, 0.4535045882751561, 0.882788120898909),
    ],
)
def test_the_interval_against_another_programs_printed_values(bad: int, of: int, low: float, high: float):
    assert wilson(bad, of, coverage=2 * stats.norm.cdf(1.96) - 1) == pytest.approx((low, high), abs=1e-12)


@given(of=st.integers(1, 5000), part=st.floats(0, 1), coverage=st.sampled_from([0.5, 0.9, 0.95, 0.999]))
def test_the_interval_against_an_independent_implementation(of: int, part: float, coverage: float):
    bad = round(part * of)
    expected = proportion_confint(bad, of, alpha=1 - coverage, method="wilson")

    assert wilson(bad, of, coverage=coverage) == pytest.approx(expected, abs=1e-12)


@given(of=st.floats(0.5, 1e6), part=st.floats(0, 1))
def test_the_interval_holds_the_share_and_mirrors(of: float, part: float):
    bad = part * of
    low, high = wilson(bad, of)
    other = wilson(of - bad, of)

    assert 0 <= low <= bad / of + 1e-12
    assert bad / of - 1e-12 <= high <= 1
    assert (1 - other[1], 1 - other[0]) == pytest.approx((low, high), abs=1e-9)


@pytest.mark.parametrize(("bad", "of", "coverage"), [(-1, 5, 0.95), (6, 5, 0.95), (0, 0, 0.95), (1, math.inf, 0.95),
                                                     (math.nan, 5, 0.95), (1, 5, 1.0), (1, 5, 0.0)])  # fmt: skip
def test_what_is_no_count_is_refused(bad: float, of: float, coverage: float):
    with pytest.raises(ValueError, match="must be"):
        wilson(bad, of, coverage=coverage)


def test_equal_necks_count_every_end_and_unequal_ones_fewer():
    even = rate([Tally(bad=4, of=40)] * 10)
    uneven = rate([Tally(bad=40, of=40), *[Tally(bad=0, of=40)] * 9])

    assert even.effective == 400
    assert (even.low, even.high) == wilson(40, 400)
    # all ends of a neck alike: by hand, sum (x - p n)^2 = 36^2 + 9 * 4^2 = 1440; times 10/9 over 400^2 = 0.01;
    # p q / n = 0.09 / 400; their ratio is 44.4 and 400 ends count as 9
    assert design_effect([Tally(bad=40, of=40), *[Tally(bad=0, of=40)] * 9]) == pytest.approx(400 / 9)
    assert uneven.effective == pytest.approx(9)
    assert (uneven.low, uneven.high) == pytest.approx(wilson(0.9, 9))
    assert (even.share, even.necks, even.enough) == (0.1, 10, True)


def test_intervals_of_necks_that_differ_cover_the_truth_where_those_of_single_ends_do_not():
    rng = np.random.default_rng(20)
    held, naive, runs = 0, 0, 2000
    for _ in range(runs):
        shares = rng.beta(2, 18, size=20)  # mean 0.1; sd between necks 0.065
        tallies = [Tally(bad=int(rng.binomial(40, share)), of=40) for share in shares]
        found = rate(tallies)
        plain = wilson(found.bad, found.of)
        held += found.low <= 0.1 <= found.high
        naive += plain[0] <= 0.1 <= plain[1]

    assert held / runs > 0.92
    assert naive / runs < 0.85


@pytest.mark.parametrize(("necks", "ends", "enough"), [(3, 7, True), (3, 6, False), (2, 40, False)])
def test_a_rate_of_few_necks_or_ends_is_not_enough(necks: int, ends: int, enough: bool):
    assert rate([Tally(bad=0, of=ends)] * necks).enough is enough


def test_tallies_that_cannot_be_are_refused():
    with pytest.raises(ValueError, match="from 0 to `of` bad ones"):
        rate([Tally(bad=2, of=1)])
    with pytest.raises(ValueError, match="`of` above 0"):
        rate([])


def test_a_comparison_counts_every_deal():
    # by hand: of the 20 ways to deal 6 necks out by 3 the one that happened and its mirror reach as far
    found = compare([Tally(bad=10, of=10)] * 3, [Tally(bad=0, of=10)] * 3)

    assert found is not None
    assert (found.difference, found.p, found.least) == (1.0, 0.1, 0.05)


def test_a_comparison_of_single_ends_is_the_exact_test_of_a_fourfold_table():
    # necks of one end each: dealing them out is Fisher's exact test by the size of the difference
    first, second = [Tally(bad=int(i < 6), of=1) for i in range(7)], [Tally(bad=int(i < 1), of=1) for i in range(7)]
    found = compare(first, second)

    assert found is not None
    assert found.p == pytest.approx(stats.fisher_exact([[6, 1], [1, 6]]).pvalue, abs=1e-12)


def test_drawn_deals_come_near_the_exact_chance():
    first, second = [Tally(bad=int(i < 9), of=1) for i in range(12)], [Tally(bad=int(i < 4), of=1) for i in range(12)]
    found = compare(first, second)

    assert math.comb(24, 12) > MOST_DEALS
    assert found is not None
    assert found.p == pytest.approx(stats.fisher_exact([[9, 3], [4, 8]]).pvalue, abs=0.01)
    assert compare(first, second) == found, "the same seed, the same chance"


def test_ways_without_necks_are_not_compared():
    assert compare([], [Tally(bad=1, of=2)]) is None
    assert compare([Tally(bad=0, of=0)], [Tally(bad=1, of=2)]) is None


def test_comparisons_of_equal_ways_are_rarely_told_apart():
    rng = np.random.default_rng(7)
    told = 0
    for _ in range(400):
        necks = [Tally(bad=int(rng.binomial(40, share)), of=40) for share in rng.beta(2, 18, size=10)]
        found = compare(necks[:5], necks[5:])
        assert found is not None
        told += found.p <= 0.05

    assert told / 400 <= 0.08


@given(st.lists(st.floats(0, 1), min_size=1, max_size=8))
def test_raised_chances_against_an_independent_implementation(chances: list[float]):
    assert holm(chances) == pytest.approx(list(multipletests(chances, method="holm")[1]), abs=1e-12)


def test_drift_against_an_independent_line():
    rng = np.random.default_rng(3)
    widths = 0.58 - 0.001 * np.arange(15) + rng.normal(0, 0.002, 15)
    found = kerf_drift(list(widths))
    line = stats.linregress(np.arange(15), widths)

    assert found is not None
    assert found.per_neck_mm == pytest.approx(line.slope)
    assert found.p == pytest.approx(line.pvalue)
    assert found.expanded_u_mm == pytest.approx(line.stderr * stats.t.ppf(0.975, 13), rel=1e-4)


def test_a_worn_blade_signals_and_a_sound_one_hardly_ever():
    rng = np.random.default_rng(11)
    sound = [kerf_drift(list(rng.normal(0.58, 0.002, 40))) for _ in range(400)]
    worn = [kerf_drift(list(0.58 - 0.002 * np.arange(20) + rng.normal(0, 0.002, 20))) for _ in range(200)]

    assert all(one is not None and one.moved for one in worn)
    assert sum(one is not None and one.moved for one in sound) / 400 < 0.04


def test_limits_come_from_the_first_necks():
    widths = [0.580, 0.582] * (BASELINE // 2) + [0.560]
    found = kerf_drift(widths)

    assert found is not None
    assert found.chart.centre == pytest.approx(0.581)
    # by hand: moving ranges of 0.002 each; 3 / 1.128 of their mean
    assert found.chart.upper - found.chart.centre == pytest.approx(3 * 0.002 / 1.12838, rel=1e-4)
    assert found.chart.beyond == (BASELINE,)


@pytest.mark.parametrize(("count", "told"), [(LEAST_FOR_DRIFT - 1, False), (LEAST_FOR_DRIFT, True)])
def test_a_drift_needs_necks(count: int, told: bool):
    assert (kerf_drift([0.58] * count) is not None) is told


def test_necks_without_any_scatter_have_no_drift():
    found = kerf_drift([0.58] * 9)

    assert found is not None
    assert (found.per_neck_mm, found.expanded_u_mm, found.p, found.moved) == (0.0, 0.0, 1.0, False)


def test_every_small_comparison_is_a_chance():
    for bad in product(range(3), repeat=4):
        necks = [Tally(bad=one, of=2) for one in bad]
        found = compare(necks[:2], necks[2:])

        assert found is not None
        assert found.least <= found.p <= 1


def test_drawn_deals_say_what_all_deals_say(monkeypatch: pytest.MonkeyPatch):
    """Necks of one tally are dealt together; the chance is that of dealing every neck by itself."""
    first = [Tally(bad=bad, of=of) for bad, of in ((5, 16), (2, 16), (0, 12), (7, 16), (2, 16), (1, 16))]
    second = [Tally(bad=bad, of=of) for bad, of in ((1, 16), (2, 16), (0, 12), (0, 16), (1, 16), (0, 16), (3, 16))]
    every = compare(first, second)
    monkeypatch.setattr("logger.evaluation.shop_rates.MOST_DEALS", 1700)  # of 1716 deals, so that they are drawn
    drawn = [compare(first, second, seed=seed) for seed in range(40)]

    assert every is not None
    assert 0.02 < every.p < 0.2
    mean = sum(one.p for one in drawn if one is not None) / len(drawn)
    assert mean == pytest.approx(every.p, abs=4 * (every.p / 1700 / 40) ** 0.5 + 1 / 1700)
    assert {one.difference for one in drawn if one is not None} == {every.difference}
