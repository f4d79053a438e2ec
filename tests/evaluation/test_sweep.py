"""The sweep of a whole neck: paths together, zeros by setting, suspects, and what to measure next."""

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import InsufficientDataError
from logger.evaluation.estimate import Cause, Estimate
from logger.evaluation.observation import FeatureKey
from logger.evaluation.scale import fret_positions_mm
from logger.evaluation.sweep import Profile, best_next, place_features, solve, zero_errors

pytestmark = pytest.mark.once

X = fret_positions_mm(645.0, 20)


def _at(_path: str | None) -> np.ndarray:
    return X


WAYS = {"fret_step": "step", "straightedge_gap": "gap", "beam_height": "beam"}
Heights = dict[str, np.ndarray]


def _chord(heights: np.ndarray, fret: int, feet: tuple[int, int]) -> float:
    share = (X[fret] - X[feet[0]]) / (X[feet[1]] - X[feet[0]])
    return float(heights[fret] - (1 - share) * heights[feet[0]] - share * heights[feet[1]])


def _estimate(value: float, name: str, u: float, *shared: tuple[str, float]) -> Estimate:
    causes = [Cause(name=f"repeat:{name}", words="repeatability", u_mm=u)]
    causes += [Cause(name=cause, words=cause, u_mm=size) for cause, size in shared]
    return Estimate(value_mm=value, terms=tuple((cause, 1.0) for cause in causes))


def _measured(
    heights: Heights, *, reaches: Sequence[int] = (1,), gaps: Sequence[int] = (), beams: Sequence[str] = (),
    zeros: tuple[float, ...] = (0.0, 0.0), bow: float = 0.0, u: float = 0.003,
) -> dict[FeatureKey, Estimate]:  # fmt: skip
    found: dict[FeatureKey, Estimate] = {}
    for place, z in heights.items():
        for reach in reaches:
            for fret in range(1 + reach, 21 - reach):
                key = FeatureKey(kind="fret_step", fret=fret, place=place, feet=(fret - reach, fret + reach))
                zero = (f"zero:rocker:{reach}", 0.002)
                found[key] = _estimate(_chord(z, fret, key.feet) + zeros[reach - 1], repr(key), u, zero)
        for fret in gaps:
            key = FeatureKey(kind="straightedge_gap", fret=fret, place=place, feet=(1, 20))
            t = (X[fret] - X[1]) / (X[20] - X[1])
            value = -_chord(z, fret, key.feet) + bow * 4 * t * (1 - t)
            found[key] = _estimate(value, repr(key), 0.010, ("bow:edge", 0.010))
        for traverse in beams:
            for fret in range(1, 21):
                key = FeatureKey(kind="beam_height", fret=fret, place=place, round=traverse)
                found[key] = _estimate(z[fret] + 0.3 + 0.001 * X[fret], repr(key), 0.004)
    return found


def _profile(estimates: dict[FeatureKey, Estimate]) -> Profile:
    return solve(place_features(estimates, _at, WAYS), _at)


def _above_chord(z: np.ndarray) -> np.ndarray:
    return np.array([_chord(z, fret, (1, 20)) for fret in range(1, 21)])


def _necks(seed: int) -> Heights:
    rng = np.random.default_rng(seed)
    return {place: rng.normal(0, 0.03, 21) for place in ("bass", "centre", "treble")}


@pytest.mark.parametrize(
    "design",
    [
        pytest.param({"reaches": (1, 2)}, id="steps and long steps"),
        pytest.param({"gaps": (5, 8, 11, 14)}, id="steps and gaps"),
        pytest.param({"reaches": (), "beams": ("a",)}, id="one traverse of a beam"),
        pytest.param({"reaches": (1, 2), "gaps": (8, 12), "beams": ("a", "b")}, id="everything"),
    ],
)
def test_heights_without_error_come_back_on_three_paths(design: dict[str, object]):
    necks = _necks(1)
    found = _profile(_measured(necks, **design))  # type: ignore[arg-type]

    for place, z in necks.items():
        own = [index for index, (path, fret) in enumerate(found.places) if path == place and fret]
        assert found.adjustment.heights_mm[own] == pytest.approx(_above_chord(z), abs=1e-7)
    assert found.suspects == ()


def test_three_paths_share_the_zero_of_their_setting_and_two_settings_do_not():
    estimates = _measured(_necks(2), reaches=(1, 2), gaps=(5, 8, 11, 14), zeros=(0.004, -0.003))
    zeros = zero_errors(_profile(estimates))

    assert set(zeros) == {"rocker:1", "rocker:2"}
    assert zeros["rocker:1"][0] == pytest.approx(0.004, abs=0.0008)
    assert zeros["rocker:2"][0] == pytest.approx(-0.003, abs=0.0012)
    assert zeros["rocker:1"][1] < 0.0008


def test_three_paths_together_know_the_zero_better_than_one():
    three = zero_errors(_profile(_measured(_necks(3), gaps=(8, 12))))["rocker:1"][1]
    one = zero_errors(_profile(_measured({"centre": _necks(3)["centre"]}, gaps=(8, 12))))["rocker:1"][1]

    assert three < one


def test_an_edge_that_may_be_bowed_makes_the_middle_less_sure():
    bowed = _measured({"centre": np.zeros(21)}, reaches=(1, 2), gaps=(5, 8, 11, 14))
    straight = _profile(bowed)
    u = straight.adjustment.u_mm()[straight.index("centre", 10) or 0]
    known = {
        key: Estimate(value_mm=one.value_mm, terms=tuple(term for term in one.terms if "bow" not in term[0].name))
        for key, one in bowed.items()
    }
    better = _profile(known)
    assert better.adjustment.u_mm()[better.index("centre", 10) or 0] < 0.8 * u


def test_a_reading_that_does_not_fit_is_named_with_how_far_it_is_off():
    estimates = _measured(_necks(4), reaches=(1, 2), gaps=(5, 8, 11, 14))
    key = FeatureKey(kind="straightedge_gap", fret=11, place="treble", feet=(1, 20))
    wrong = estimates[key]
    estimates[key] = Estimate(value_mm=wrong.value_mm + 0.1, terms=wrong.terms)

    (suspect,) = _profile(estimates).suspects

    assert suspect.key == key
    assert suspect.off_mm == pytest.approx(0.1, abs=0.02)


def test_two_wrong_readings_are_both_named():
    estimates = _measured(_necks(5), reaches=(1, 2), gaps=(5, 8, 11, 14))
    keys = [FeatureKey(kind="fret_step", fret=7, place="bass", feet=(6, 8)),
            FeatureKey(kind="fret_step", fret=13, place="treble", feet=(11, 15))]  # fmt: skip
    for key in keys:
        estimates[key] = Estimate(value_mm=estimates[key].value_mm + 0.08, terms=estimates[key].terms)

    assert {one.key for one in _profile(estimates).suspects} == set(keys)


def test_what_no_reading_joins_is_not_known():
    steps = _measured({"centre": np.zeros(21)})
    apart = {key: one for key, one in steps.items() if key.fret not in {10, 11}}
    found = _profile(apart)

    assert [fret for _, fret in found.unknown()] == list(range(2, 20))


@pytest.mark.parametrize("count", [1, 2])
def test_few_steps_are_enough_for_an_answer(count: int):
    steps = dict(list(_measured({"centre": np.zeros(21)}).items())[:count])
    found = _profile(steps)

    assert np.isfinite(found.adjustment.heights_mm).all()
    assert found.suspects == ()


def test_one_station_is_no_profile():
    key = FeatureKey(kind="beam_height", fret=5, place="centre", round="a")
    with pytest.raises(InsufficientDataError, match="at least two stations"):
        _profile({key: _estimate(0.1, "a", 0.003)})


def test_gaps_without_feet_and_other_kinds_are_left_out():
    keys = [FeatureKey(kind="straightedge_gap", fret=5, place="centre"), FeatureKey(kind="slot_width", fret=5)]

    assert place_features({key: _estimate(0.1, "a", 0.003) for key in keys}, _at, WAYS) == []


def test_readings_without_uncertainty_are_solved():
    found = _profile(_measured(_necks(6), u=0.0))

    assert np.isfinite(found.adjustment.heights_mm).all()


def test_steps_alone_ask_for_a_straightedge_in_the_middle():
    wanted = best_next(_profile(_measured({"centre": np.zeros(21)})), _at, [])

    assert wanted is not None
    assert (wanted.way, wanted.feet) == ("gap", (1, 20))
    assert 7 <= wanted.fret <= 12
    assert wanted.share > 0.9


def test_an_open_verdict_asks_for_the_step_at_its_own_fret():
    profile = _profile(_measured({"centre": np.zeros(21)}, reaches=(1, 2), gaps=(5, 8, 11, 14)))
    wanted = best_next(profile, _at, [("centre", 9)])

    assert wanted is not None
    assert (wanted.way, wanted.fret, wanted.feet) == ("step", 9, (8, 10))


@pytest.mark.parametrize("fret", [1, 20])
def test_an_open_verdict_at_an_end_is_helped_beside_it(fret: int):
    profile = _profile(_measured({"centre": np.zeros(21)}, gaps=(5, 14)))
    wanted = best_next(profile, _at, [("centre", fret)])

    assert wanted is not None
    assert abs(wanted.fret - fret) <= 3


def test_the_gain_foretold_is_the_gain_that_comes():
    estimates = _measured({"centre": np.zeros(21)})
    before = _profile(estimates)
    wanted = best_next(before, _at, [])
    assert wanted is not None
    key = FeatureKey(kind="straightedge_gap", fret=wanted.fret, place="centre", feet=wanted.feet)
    after = _profile({**estimates, key: _estimate(0.0, "gap", 0.025 / 2 / 3**0.5)})

    fall = np.trace(before.adjustment.covariance_mm2) - np.trace(after.adjustment.covariance_mm2)
    assert fall == pytest.approx(wanted.gain_mm2, rel=1e-6)


@settings(max_examples=20, deadline=None)
@given(height=st.floats(-1, 1), tilt=st.floats(-0.01, 0.01), size=st.floats(0.1, 10))
def test_lifting_and_tilting_change_nothing_and_scaling_scales(height: float, tilt: float, size: float):
    z = _necks(9)["centre"]
    plain = _profile(_measured({"centre": z}, gaps=(8, 12))).adjustment.heights_mm
    lifted = _profile(_measured({"centre": z + height + tilt * X}, gaps=(8, 12))).adjustment.heights_mm
    scaled = _profile(_measured({"centre": size * z}, gaps=(8, 12))).adjustment.heights_mm

    assert lifted == pytest.approx(plain, abs=1e-8)
    assert scaled == pytest.approx(size * plain, abs=1e-8)
