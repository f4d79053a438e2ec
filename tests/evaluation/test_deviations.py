"""The fewest frets that explain the steps."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.evaluation.conformity import Limits, judge
from logger.evaluation.deviations import (
    BOW_MM,
    GOOD_SCATTER_MM,
    LEAST_MM,
    FretDeviation,
    Sighting,
    explain,
    explain_paths,
)
from logger.evaluation.estimate import Cause, Estimate, combine, covariance_mm2
from logger.evaluation.remembered import Remembered
from logger.evaluation.scale import fret_positions_mm

pytestmark = pytest.mark.once

FRETS = 20
X = fret_positions_mm(645.0, FRETS)
LIMIT = Limits(lower_mm=-0.05, upper_mm=0.05)


def _steps(heights: np.ndarray, u: float = 0.003, seed: int | None = None) -> list[Sighting]:
    """Return every step of a neck whose fret tops are ``heights`` (index 0 is the nut)."""
    rng = np.random.default_rng(seed)
    steps = []
    for fret in range(2, FRETS):
        low, high = fret - 1, fret + 1
        share = (X[fret] - X[low]) / (X[high] - X[low])
        value = heights[fret] - (1 - share) * heights[low] - share * heights[high]
        noise = rng.normal(0, u) if seed is not None else 0.0
        cause = Cause(name=f"r{fret}", words="repeatability", u_mm=u)
        steps.append(
            Sighting(
                fret=fret, heights={fret: 1.0, low: share - 1, high: -share}, own=True,
                estimate=Estimate(value_mm=value + noise, terms=((cause, 1.0),)),
            )
        )  # fmt: skip
    return steps


def _failing(found: list[FretDeviation]) -> dict[int, float]:
    return {one.fret: one.deviation.value_mm for one in found if judge(one.deviation, LIMIT).verdict == "fail"}


def _heights(**raised: float) -> np.ndarray:
    heights = np.zeros(FRETS + 1)
    for name, size in raised.items():
        heights[int(name[1:])] = size
    return heights


@pytest.mark.parametrize(("size", "fret"), [(0.08, 8), (0.2, 3), (-0.09, 15), (0.3, 10)])
def test_one_fret_off_casts_shadows_that_raise_no_flag(size: float, fret: int):
    failing = _failing(explain(_steps(_heights(**{f"f{fret}": size})), X))

    assert failing == {fret: pytest.approx(size, abs=1e-9)}


def test_the_shadows_of_one_high_fret_are_what_the_trade_measured():
    # arithmetic of three-point readings: one fret 0.06 high reads about -0.031, +0.060, -0.029 on three neighbours
    readings = [step.estimate.value_mm for step in _steps(_heights(f8=0.06))]

    assert readings[5:8] == pytest.approx([-0.031, 0.060, -0.029], abs=1e-3)


def test_two_adjacent_high_frets_are_both_named():
    found = explain(_steps(_heights(f8=0.08, f9=0.08)), X)

    assert _failing(found) == {8: pytest.approx(0.08, abs=2e-3), 9: pytest.approx(0.08, abs=2e-3)}


def test_the_first_fret_is_named_though_it_has_no_step():
    found = {one.fret: one for one in explain(_steps(_heights(f1=0.15)), X)}

    assert found[1].named
    assert found[1].deviation.value_mm == pytest.approx(0.15, abs=2e-3)
    assert judge(found[2].deviation, LIMIT).verdict == "pass"


def test_relief_raises_no_flag():
    along = X / X[-1]

    assert _failing(explain(_steps(-0.8 * along * (1 - along)), X)) == {}


def test_noise_alone_names_no_fret_beyond_its_limit():
    for seed in range(25):
        heights = np.random.default_rng(seed).normal(0, 0.007, FRETS + 1)
        assert _failing(explain(_steps(heights, seed=seed), X)) == {}


@settings(max_examples=40, deadline=None)
@given(fret=st.integers(2, 19), size=st.floats(0.08, 0.3), tilt=st.floats(-0.01, 0.01), height=st.floats(-1, 1))
def test_lifting_or_tilting_the_whole_neck_changes_nothing(fret: int, size: float, tilt: float, height: float):
    heights = _heights(**{f"f{fret}": size})

    before = explain(_steps(heights), X)
    after = explain(_steps(heights + height + tilt * X), X)

    assert [(a.fret, a.named) for a in before] == [(b.fret, b.named) for b in after]
    for a, b in zip(before, after, strict=True):
        assert a.deviation.value_mm == pytest.approx(b.deviation.value_mm, abs=1e-9)


def test_a_single_step_blames_the_fret_under_the_plunger():
    only = [step for step in _steps(_heights(f8=0.08)) if step.fret == 8]

    assert _failing(explain(only, X)) == {8: pytest.approx(0.08)}


@pytest.mark.parametrize(
    "frets", [(5, 6, 7), (9, 10, 11), (14, 15, 16), (10, 11, 12), (7, 8, 9, 10), (3, 4, 12, 13, 14)]
)
@pytest.mark.parametrize("size", [0.1, 0.2])
def test_neighbouring_high_frets_are_named_and_their_neighbours_are_not(frets: tuple[int, ...], size: float):
    found = explain(_steps(_heights(**{f"f{fret}": size for fret in frets})), X)

    assert set(_failing(found)) == set(frets)


def test_two_steps_that_contradict_each_other_are_certain_of_the_fret_under_the_plunger_only():
    def step(feet: tuple[int, int], value: float) -> Sighting:
        cause = Cause(name=f"r{feet}", words="repeatability", u_mm=0.001)
        share = (X[5] - X[feet[0]]) / (X[feet[1]] - X[feet[0]])
        return Sighting(
            fret=5, heights={5: 1.0, feet[0]: share - 1, feet[1]: -share}, own=feet == (4, 6),
            estimate=Estimate(value_mm=value, terms=((cause, 1.0),)),
        )  # fmt: skip

    found = explain([step((4, 6), 0.10), step((3, 7), -0.10)], X)

    assert {one.fret: judge(one.deviation, LIMIT).verdict for one in found if one.fret != 5}.keys() <= {3, 4, 6, 7}
    assert {judge(one.deviation, LIMIT).verdict for one in found if one.fret != 5} <= {"remeasure"}


def test_each_fret_is_fitted_with_the_named_ones_by_plain_least_squares():
    steps = _steps(_heights(f5=0.09, f6=0.08, f14=-0.07), seed=3)

    found = explain(steps, X)

    named = [one.fret for one in found if one.named]
    assert named == [5, 6, 14]
    frets = list(range(1, FRETS + 1))
    matrix = np.array([[step.heights.get(fret, 0.0) for fret in frets] for step in steps])
    along = (X[1:] - X[0]) / (X[-1] - X[0])
    bow = matrix @ (4 * along * (1 - along))
    noise = covariance_mm2([step.estimate for step in steps]) + GOOD_SCATTER_MM**2 * matrix @ matrix.T
    noise += BOW_MM**2 * np.outer(bow, bow) + LEAST_MM**2 * np.eye(len(steps))
    for one in found:
        design = matrix[:, [fret - 1 for fret in sorted({*named, one.fret})]]
        weighted = np.linalg.solve(noise, design)
        gains = np.linalg.solve(design.T @ weighted, weighted.T)[sorted({*named, one.fret}).index(one.fret)]
        plain = combine((float(gain), step.estimate) for gain, step in zip(gains, steps, strict=True))
        assert one.deviation.value_mm == pytest.approx(plain.value_mm, rel=1e-9)
        assert one.deviation.u_mm == pytest.approx(plain.u_mm, rel=1e-9)


def test_a_path_to_which_nothing_came_keeps_its_deviations():
    known, shapes = Remembered(), dict.fromkeys(("bass", "treble"), np.zeros(FRETS + 1))
    paths = {"bass": _steps(_heights(f8=0.08), seed=1), "treble": _steps(_heights(f8=0.08), seed=2)}
    first = explain_paths(paths, lambda _: X, shapes, known=known)

    paths["treble"] = [*paths["treble"][:-1], _steps(_heights(f19=0.2))[-1]]
    second = explain_paths(paths, lambda _: X, shapes, known=known)

    assert second["bass"] is first["bass"]
    assert second == explain_paths(paths, lambda _: X, shapes)


def test_a_path_is_fitted_again_when_another_path_names_other_frets():
    known, shapes = Remembered(), dict.fromkeys(("bass", "treble"), np.zeros(FRETS + 1))
    doubtful = _steps(_heights(f8=0.029), seed=1)  # named only where the other path bears it out
    explain_paths({"bass": doubtful, "treble": _steps(_heights(), seed=2)}, lambda _: X, shapes, known=known)

    paths = {"bass": doubtful, "treble": _steps(_heights(f8=0.08), seed=2)}
    found = explain_paths(paths, lambda _: X, shapes, known=known)

    assert found == explain_paths(paths, lambda _: X, shapes)
    assert [one.fret for one in found["bass"] if one.named] == [8]
    assert not any(one.named for one in explain_paths({"bass": doubtful}, lambda _: X, shapes)["bass"])
