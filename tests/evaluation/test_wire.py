"""Coils, tolerance intervals, and slots that suit a wire."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from logger.errors import InsufficientDataError
from logger.evaluation.conformity import Limits
from logger.evaluation.wire import coils_of, slot_window

pytestmark = pytest.mark.once

CLEARANCE, BITE = Limits(lower_mm=0.0, upper_mm=0.10), Limits(lower_mm=0.04, upper_mm=0.15)


def _exact_factor(n: int) -> float:
    """Return the two-sided factor by the exact integral (Odeh and Owen's definition), solved by bisection."""

    def confidence(k: float) -> float:
        def given_mean(z: float) -> float:
            offset = z / math.sqrt(n)
            reach = math.sqrt(stats.ncx2.ppf(0.95, 1, offset**2))
            return float(stats.norm.pdf(z) * stats.chi2.sf((n - 1) * (reach / k) ** 2, n - 1))

        return float(integrate.quad(given_mean, -7, 7, limit=100)[0])

    low, high = 1.9, 40.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if confidence(middle) < 0.95 else (low, middle)
    return low


def _factor(n: int) -> float:
    found = coils_of([list(np.linspace(0, 1, n))])
    return (found.high_mm - found.mean_mm) / found.sd_along_mm


@pytest.mark.parametrize("n", [4, 10, 30])
def test_the_tolerance_factor_is_the_exact_one_within_a_percent(n: int):
    assert _factor(n) == pytest.approx(_exact_factor(n), rel=0.012)


def test_the_factors_are_those_of_a_published_table(published: Callable[[str], list[dict[str, str]]]):
    # Source: named in the first lines of the file
    rows = published("tolerance_factors_two_sided")

    assert len(rows) > 10
    for row in rows:
        assert _factor(int(row["n"])) == pytest.approx(float(row["p95"]), rel=0.015), row["n"]


def test_components_of_a_balanced_table_are_those_of_the_textbook():
    # Source: one-way random effects, MSB and MSW worked by hand: groups (1, 3), (5, 7), (9, 11)
    found = coils_of([[1.0, 3.0], [5.0, 7.0], [9.0, 11.0]])

    assert found.sd_along_mm == pytest.approx(math.sqrt(2))  # MSW = 2
    assert found.sd_between_mm == pytest.approx(math.sqrt((32 - 2) / 2))  # MSB = 32
    assert (found.readings, found.coils, found.mean_mm) == (6, 3, 6.0)


def test_intervals_hold_the_next_piece_as_often_as_promised():
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(400):
        coils = rng.normal(0.51, 0.004, 5)[:, None] + rng.normal(0, 0.003, (5, 4))
        found = coils_of(list(coils))
        share = stats.norm.cdf(found.high_mm, 0.51, 0.005) - stats.norm.cdf(found.low_mm, 0.51, 0.005)
        held += share >= 0.95
    assert held / 400 == pytest.approx(0.95, abs=0.03)


def test_one_coil_says_nothing_of_others():
    assert coils_of([[0.51, 0.52, 0.515]]).sd_between_mm is None


def test_coils_that_do_not_differ_are_one():
    found = coils_of([[1.0, 3.0], [3.0, 1.0]])

    assert found.sd_between_mm == 0


@pytest.mark.parametrize("groups", [[], [[]], [[0.5]], [[0.5], [0.52]]])
def test_one_spot_tells_nothing_of_the_spread(groups: list[list[float]]):
    with pytest.raises(InsufficientDataError, match="several spots"):
        coils_of(groups)


@pytest.mark.parametrize(("span", "never"), [(0.59, False), (0.588, True), (0.91, False), (0.912, True), (0.70, False)])
def test_a_wire_never_fits_outside_twice_the_bite_and_the_clearance(span: float, never: bool):
    # Source: FRETWORK 4: span less tang between twice the least bite and twice the largest bite plus the clearance
    window = slot_window(0.51, span, CLEARANCE, BITE)

    assert window.never is never
    assert (window.spread_low_mm, window.spread_high_mm) == pytest.approx((0.08, 0.40))


@settings(max_examples=100, deadline=None)
@given(tang=st.floats(0.3, 0.8), spread=st.floats(-0.1, 0.6), width=st.floats(0.2, 1.2))
def test_a_slot_fits_in_the_window_and_nowhere_else(tang: float, spread: float, width: float):
    window = slot_window(tang, tang + spread, CLEARANCE, BITE)
    fits = 0 <= width - tang <= 0.10 and 0.04 <= (tang + spread - width) / 2 <= 0.15

    assert fits == (window.low_mm <= width <= window.high_mm) or min(
        abs(width - window.low_mm), abs(width - window.high_mm)
    ) < 1e-9  # fmt: skip


def test_limits_on_one_side_leave_the_other_open():
    window = slot_window(0.5, 0.7, Limits(lower_mm=0.0), Limits(lower_mm=0.04))

    assert window.low_mm == 0.5
    assert window.high_mm == pytest.approx(0.62)
    assert math.isinf(window.spread_high_mm)
