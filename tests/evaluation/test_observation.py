"""Repeats of one feature become one estimate."""

import math
import pickle
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.evaluation.estimate import combine
from logger.evaluation.observation import FeatureKey, Observation, contradicting, estimate_features, pooled_spread

TANG = FeatureKey(kind="tang_thickness")
SLOT = FeatureKey(kind="slot_width", fret=5, place="centre")


def _readings(*values: float, key: FeatureKey = TANG, **given_values: float) -> list[Observation]:
    return [Observation(key=key, value_mm=value, gauge="c", **given_values) for value in values]


def test_stated_repeatability_falls_with_repeats_and_zero_and_digit_do_not():
    readings = _readings(0.51, 0.51, 0.51, 0.51, u_mm=0.006, resolution_mm=0.01, zero_u_mm=0.004)

    one = estimate_features(readings)[TANG]

    assert one.u_mm == pytest.approx(math.sqrt(0.006**2 / 4 + 0.01**2 / 12 + 0.004**2))


def test_two_rounds_have_two_zeros():
    readings = [Observation(key=TANG, value_mm=0.5, u_mm=0.0, zero_u_mm=0.004, gauge="c", round=r) for r in "ab"]

    assert estimate_features(readings)[TANG].u_mm == pytest.approx(0.004 / math.sqrt(2))


def test_spread_is_pooled_over_like_features():
    other = FeatureKey(kind="tang_thickness", fret=3)
    readings = [*_readings(0.50, 0.52), *_readings(0.55, 0.55, 0.58, key=other)]

    spread = pooled_spread(readings)["c", "tang_thickness"]

    assert spread.dof == 3
    assert spread.s_mm == pytest.approx(math.sqrt((2 * 0.01**2 + 2 * 0.01**2 + 0.02**2) / 3))
    assert estimate_features(readings)[TANG].dof == pytest.approx(3)


@pytest.mark.parametrize(
    ("readings", "known"),
    [
        pytest.param(_readings(0.51), False, id="one reading, nothing stated"),
        pytest.param(_readings(0.51, resolution_mm=0.01), False, id="a digit alone says nothing of repeatability"),
        pytest.param(_readings(0.51, 0.51), False, id="equal repeats without a stated digit"),
        pytest.param(_readings(0.51, 0.51, resolution_mm=0.01), True, id="equal repeats with a digit"),
        pytest.param(_readings(0.51, 0.52), True, id="repeats that differ"),
        pytest.param(_readings(0.51, u_mm=0.0), True, id="stated as exact"),
    ],
)
def test_what_is_known(readings: list[Observation], known: bool):
    assert estimate_features(readings)[TANG].known is known


def test_a_bracket_is_a_rectangle():
    # Source: FRETWORK arithmetic y = (a+b)/2, u = (b-a)/(2 sqrt 3); JCGM 100:2008 4.3.7
    one = estimate_features([Observation(key=SLOT, value_mm=0.575, low_mm=0.55, high_mm=0.60, gauge="leaves")])[SLOT]

    assert one.value_mm == pytest.approx(0.575)
    assert one.u_mm == pytest.approx(0.05 / (2 * math.sqrt(3)))
    assert one.expanded_u_mm() == pytest.approx(0.95 * 0.025)


def test_overlapping_brackets_leave_what_both_allow():
    pair = [
        Observation(key=SLOT, value_mm=(a + b) / 2, low_mm=a, high_mm=b, gauge="l")
        for a, b in [(0.50, 0.56), (0.54, 0.60)]
    ]

    one = estimate_features(pair)[SLOT]

    assert (one.value_mm, one.distribution().rectangles_mm) == (pytest.approx(0.55), (pytest.approx(0.01),))


def test_contradicting_brackets_are_not_believed_to_be_narrow():
    pair = [
        Observation(key=SLOT, value_mm=(a + b) / 2, low_mm=a, high_mm=b, gauge="l")
        for a, b in [(0.50, 0.52), (0.56, 0.60)]
    ]

    assert estimate_features(pair)[SLOT].distribution().rectangles_mm == (pytest.approx(0.05),)


def test_two_gauges_are_weighted_by_what_they_know():
    readings = [
        Observation(key=TANG, value_mm=0.50, gauge="a", u_mm=0.001),
        Observation(key=TANG, value_mm=0.53, gauge="b", u_mm=0.002),
    ]

    one = estimate_features(readings)[TANG]

    assert one.value_mm == pytest.approx((0.50 * 4 + 0.53) / 5)
    assert one.u_mm == pytest.approx(1 / math.sqrt(1 / 0.001**2 + 1 / 0.002**2))


@given(
    values=st.lists(st.floats(-5, 5), min_size=1, max_size=6),
    shift=st.floats(-5, 5),
    u=st.floats(0, 0.1),
    digit=st.floats(0.0001, 0.1),
)
def test_a_constant_added_to_all_readings_moves_the_value_and_nothing_else(
    values: list[float], shift: float, u: float, digit: float
):
    before, after = (
        estimate_features(_readings(*(v + s for v in values), u_mm=u, resolution_mm=digit))[TANG] for s in (0.0, shift)
    )

    assert after.value_mm - before.value_mm == pytest.approx(shift, abs=1e-9)
    assert after.u_mm == pytest.approx(before.u_mm)


def test_a_known_error_is_taken_off_and_shared_by_the_same_faces():
    readings = [
        Observation(key=key, value_mm=1.0, gauge="c", u_mm=0.0, bias_mm=0.01, bias_u_mm=0.002, faces="outside")
        for key in (TANG, SLOT)
    ]

    tang, slot = (estimate_features(readings)[key] for key in (TANG, SLOT))

    assert tang.value_mm == pytest.approx(0.99)
    assert combine([(1.0, slot), (-1.0, tang)]).u_mm == 0


def test_an_error_that_grows_with_size_is_one_error_at_every_size():
    # Independent: y = e + s (x - 10); differences of sizes keep s times their distance, the common part cancels
    small, large = (
        Observation(key=key, value_mm=size, gauge="c", u_mm=0.0, bias_u_mm=0.002, bias_slope_u=0.0003,
                    bias_away_mm=size - 10)
        for key, size in ((TANG, 0.5), (SLOT, 20.5))
    )  # fmt: skip
    found = estimate_features([small, large])

    assert found[TANG].u_mm == pytest.approx(math.hypot(0.002, 0.0003 * 9.5))
    assert combine([(1.0, found[SLOT]), (-1.0, found[TANG])]).u_mm == pytest.approx(0.0003 * 20)
    assert combine([(0.5, found[SLOT]), (0.5, found[TANG])]).u_mm == pytest.approx(math.hypot(0.002, 0.0003 * 0.5))


def test_a_zero_that_drifts_is_a_rectangle_that_neither_repeats_nor_differences_take_away():
    # Source: JCGM 100:2008 4.3.7, rectangle of half-width a: u = a / sqrt(3)
    readings = [Observation(key=key, value_mm=1.0, gauge="c", u_mm=0.0, zero_u_mm=0.004, zero_drift_mm=0.003, round="1")
                for key in (TANG, TANG, TANG, SLOT)]  # fmt: skip
    found = estimate_features(readings)

    assert found[TANG].u_mm == pytest.approx(math.hypot(0.004, 0.003 / math.sqrt(3)))
    assert combine([(1.0, found[SLOT]), (-1.0, found[TANG])]).u_mm == pytest.approx(0.003 * math.sqrt(2 / 3))
    assert ("zero of c on its way", pytest.approx(0.003 / math.sqrt(3))) in [
        (words, u_mm) for words, u_mm, _ in found[TANG].budget()
    ]


def test_repeats_that_contradict_the_stated_repeatability_count_with_their_own_spread():
    readings = _readings(0.46, 0.56, 0.47, 0.55, u_mm=0.005, resolution_mm=0.01)

    one = estimate_features(readings)[TANG]

    assert contradicting(readings) == [TANG]
    s = np.std([0.46, 0.56, 0.47, 0.55], ddof=1)
    assert one.u_mm == pytest.approx(math.hypot(s / 2, 0.01 / math.sqrt(12)))
    assert one.dof == pytest.approx(3, rel=0.1)


@pytest.mark.parametrize(
    ("values", "u", "dof"),
    [
        pytest.param((0.50, 0.51), 0.004, math.inf, id="as stated"),
        pytest.param((0.50, 0.50), 0.0, math.inf, id="exact"),
        pytest.param((0.50, 0.56, 0.50), 0.01, 2, id="a study of two degrees of freedom cannot be refuted so"),
    ],
)
def test_repeats_that_may_be_chance_leave_the_stated_repeatability(values: tuple[float, ...], u: float, dof: float):
    readings = _readings(*values, u_mm=u, u_dof=dof)

    assert contradicting(readings) == []
    assert estimate_features(readings)[TANG].u_mm == pytest.approx(u / math.sqrt(len(values)))


def test_a_study_s_degrees_of_freedom_are_shared_by_all_its_gauge_s_features():
    readings = [Observation(key=key, value_mm=1.0, gauge="c", u_mm=0.003, u_dof=18, round="1") for key in (TANG, SLOT)]

    one = combine([(sign, found) for sign, found in zip((1, -1), estimate_features(readings).values(), strict=True)])

    assert one.dof == pytest.approx(18)


def test_warmth_is_in_the_budget_and_negligible():
    # Source: linear expansion of steel 11.5e-6 per kelvin (GUM H.1 uses the same), ISO 1 reference temperature
    one = estimate_features(_readings(1.10, u_mm=0.003, temperature_c=25.0))[TANG]

    shares = {words: share for words, _, share in one.budget()}
    assert shares["temperature off 20 °C"] < 0.001
    assert {words: u for words, u, _ in one.budget()}["temperature off 20 °C"] == pytest.approx(
        1.10 * 11.5e-6 * 5 / math.sqrt(3)
    )


def test_a_key_from_another_process_is_found_here():
    # texts hash otherwise in every process, so that a hash must not travel with its key
    made = "FeatureKey(kind='slot_width', fret=5, place='centre')"
    program = (
        "import pickle, sys; from logger.evaluation.observation import FeatureKey; "
        f"key = {made}; hash(key); sys.stdout.buffer.write(pickle.dumps(key))"
    )

    sent = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True).stdout

    assert {SLOT: "here"}[pickle.loads(sent)] == "here"
