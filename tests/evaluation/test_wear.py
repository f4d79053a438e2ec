"""Wear between two visits, and when there is a rate."""

import pytest

from logger.evaluation.estimate import Cause, Estimate
from logger.evaluation.wear import wear_between, worn


def _height(value: float, name: str, u: float = 0.004, zero: str = "") -> Estimate:
    terms = [(Cause(name=name, words=name, u_mm=u), 1.0)]
    terms += [(Cause(name=zero, words="zero", u_mm=0.02), 1.0)] if zero else []
    return Estimate(value_mm=value, terms=tuple(terms))


def test_wear_is_against_the_unworn_crown_so_that_the_zero_cancels():
    one = worn(_height(1.10, "crown", zero="z"), _height(1.04, "path", zero="z"))

    assert one.value_mm == pytest.approx(0.06)
    assert one.u_mm == pytest.approx(0.004 * 2**0.5)


def test_two_visits_give_wear_and_a_rate():
    found = wear_between(
        (_height(1.09, "p1", zero="a"), _height(1.10, "c1", zero="a")),
        (_height(1.31, "p2", zero="b"), _height(1.40, "c2", zero="b")), days=730.5,
    )  # fmt: skip

    assert found.against_crown
    assert found.now is not None
    assert found.now.value_mm == pytest.approx(0.09)
    assert found.since.value_mm == pytest.approx(0.08)  # the gauge was zeroed elsewhere: no matter
    assert found.rate_mm_per_year == pytest.approx((0.04, 0.004 * 2 * 1.95996 / 2), rel=1e-4)


@pytest.mark.parametrize(
    ("later", "days", "why"),
    [
        pytest.param(1.095, 700.0, "not enough data: the change is within its uncertainty", id="no change"),
        pytest.param(1.02, 3.0, "only 3 days apart", id="too soon"),
        pytest.param(1.02, None, "the dates are not known", id="no dates"),
        pytest.param(1.12, 700.0, "a crown cannot grow", id="grown"),
    ],
)
def test_a_rate_only_when_the_data_allow_one(later: float, days: float | None, why: str):
    found = wear_between((_height(1.10, "p1"), None), (_height(later, "p2"), None), days=days)

    assert found.rate_mm_per_year is None
    assert why in found.why_no_rate
    assert not found.against_crown
    assert found.now is None


def test_an_unknown_gauge_gives_no_rate():
    bare = Estimate(value_mm=1.0, known=False)

    assert wear_between((bare, None), (bare, None), days=700).why_no_rate == "the gauge's uncertainty is not known"


def test_visits_share_no_error_though_its_names_are_alike():
    first, second = _height(1.10, "height", zero="zero:depth\na"), _height(1.05, "height", zero="zero:depth\na")

    found = wear_between((first, None), (second, None), days=700.0)

    assert found.since.u_mm == pytest.approx((2 * (0.004**2 + 0.02**2)) ** 0.5)


def test_the_known_error_of_a_gauge_lasts_from_visit_to_visit():
    first, second = _height(1.10, "height", zero="bias:depth:"), _height(1.05, "height", zero="bias:depth:")

    assert wear_between((first, None), (second, None), days=700.0).since.u_mm == pytest.approx(0.004 * 2**0.5)


def test_a_zero_cancels_within_a_visit():
    path, crown = _height(1.05, "path", zero="zero:depth\na"), _height(1.12, "crown", zero="zero:depth\na")

    found = wear_between((path, crown), (path, crown), days=700.0)

    assert found.now is not None
    assert found.now.u_mm == pytest.approx(0.004 * 2**0.5)
    assert found.since.u_mm == pytest.approx(0.004 * 2)
