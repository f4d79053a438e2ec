"""Verdicts against the published examples of JCGM 106."""

import pytest

from logger.evaluation.conformity import Limits, decide, judge, judge_magnitude
from logger.evaluation.estimate import Cause, Estimate


def _value(value: float, u: float) -> Estimate:
    return Estimate(value_mm=value, terms=((Cause(name="r", words="u", u_mm=u), 1.0),))


@pytest.mark.parametrize(
    ("value", "u", "limits", "p"),
    [
        # Source: JCGM 106:2012 examples (numbers from memory; they reproduce from their inputs)
        pytest.param(-5.47, 0.05, Limits(upper_mm=-5.40), 0.9192, id="voltage, upper limit"),
        pytest.param(507.0, 10.0, Limits(lower_mm=490.0), 0.9554, id="burst pressure, lower limit"),
        pytest.param(13.6, 1.8, Limits(lower_mm=12.5, upper_mm=16.3), 0.6626, id="oil, both limits"),
    ],
)
def test_probability_of_conforming(value: float, u: float, limits: Limits, p: float):
    assert judge(_value(value, u), limits).p == pytest.approx(p, abs=5e-5)


@pytest.mark.parametrize(
    ("p", "verdict"),
    [(0.95, "pass"), (0.9499, "remeasure"), (0.0501, "remeasure"), (0.05, "fail"), (None, "remeasure")],
)
def test_two_probabilities_decide(p: float | None, verdict: str):
    assert decide(p, Limits(upper_mm=1.0)) == verdict


@pytest.mark.parametrize(("value", "verdict"), [(1.10 - 1.05, "pass"), (0.05, "pass"), (0.050001, "fail")])
def test_an_exact_value_on_its_limit_conforms(value: float, verdict: str):
    # 1.10 - 1.05 is 0.05000000000000004 in doubles
    assert judge(Estimate(value_mm=value), Limits(upper_mm=0.05)).verdict == verdict


def test_unknown_uncertainty_is_measured_again():
    judged = judge(Estimate(value_mm=0.5, known=False), Limits(upper_mm=0.1))

    assert (judged.p, judged.expanded_u_mm, judged.verdict) == (None, None, "remeasure")


def test_a_window_narrower_than_the_uncertainty_cannot_pass():
    # no verdict can pass a window w wide when u > w / 3.92 (1.96 standard uncertainties on each side)
    limits = Limits(lower_mm=0.0, upper_mm=0.08)

    assert judge(_value(0.04, 0.0205), limits).verdict == "remeasure"
    assert judge(_value(0.04, 0.0203), limits).verdict == "pass"


@pytest.mark.parametrize("sign", [-1, 1])
def test_a_size_conforms_on_both_sides(sign: int):
    limits = Limits(upper_mm=0.05)

    assert judge_magnitude(_value(sign * 0.08, 0.005), limits).verdict == "fail"
    assert judge_magnitude(_value(sign * 0.03, 0.005), limits).verdict == "pass"


def _repeated(value: float, u: float, repeats: int, zero: float = 0.0) -> Estimate:
    causes = (Cause(name="r", words="repeatability", u_mm=u, repeats=repeats), Cause(name="z", words="zero", u_mm=zero))
    return Estimate(value_mm=value, terms=tuple((cause, 1.0) for cause in causes))


@pytest.mark.parametrize(
    ("estimate", "more"),
    [
        pytest.param(_repeated(0.08, 0.003, 1), 0, id="decided already"),
        # pass needs (0.05 - 0.044)/u >= 1.645, u <= 0.00365: 0.006 / sqrt(1 + n) -> n = 2
        pytest.param(_repeated(0.044, 0.006, 1), 2, id="two more"),
        pytest.param(_repeated(0.044, 0.003, 1, zero=0.004), None, id="the zero stands in the way"),
        pytest.param(_repeated(0.05, 0.003, 1), None, id="exactly at the limit"),
        pytest.param(Estimate(value_mm=0.05, known=False), None, id="nothing known"),
    ],
)
def test_how_many_more_readings_settle_it(estimate: Estimate, more: int | None):
    assert judge(estimate, Limits(upper_mm=0.05)).repeats_to_settle == more


@pytest.mark.parametrize("value", [0.0401, 0.044, 0.047, 0.0485, 0.053, 0.057])
@pytest.mark.parametrize("repeats", [1, 3])
def test_the_number_to_settle_is_the_least_that_does(value: float, repeats: int):
    limits = Limits(upper_mm=0.05)
    one = _repeated(value, 0.01, repeats)

    more = judge(one, limits).repeats_to_settle

    assert more is not None
    assert judge(one.with_more_readings(more), limits).verdict != "remeasure"
    assert more == 0 or judge(one.with_more_readings(more - 1), limits).verdict == "remeasure"
