"""Crown heights in the sweep: they tie the frets' tops to the bare board that was surveyed before."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.evaluation.estimate import Cause, Estimate
from logger.evaluation.observation import FeatureKey
from logger.evaluation.scale import fret_positions_mm
from logger.evaluation.sweep import Placed, Profile, place_features, solve, tie_to_board

FRETS = 12
X = fret_positions_mm(645.0, FRETS)
T = (X - X[0]) / (X[-1] - X[0])
STEP_U, GAP_U, CROWN_U = 0.003, 0.010, 0.006


def _at(_path: str | None) -> np.ndarray:
    return X


def _estimate(value: float, name: str, u: float) -> Estimate:
    return Estimate(value_mm=value, terms=((Cause(name=name, words="repeatability", u_mm=u), 1.0),))


def _row(fret: int, feet: tuple[int, int]) -> np.ndarray:
    share = (X[fret] - X[feet[0]]) / (X[feet[1]] - X[feet[0]])
    row = np.zeros(FRETS + 1)
    row[[fret, *feet]] = 1.0, -(1 - share), -share
    return row


def _features(kinds: tuple[str, str], heights: np.ndarray, noise: np.ndarray) -> dict[FeatureKey, Estimate]:
    """Return steps over neighbours and four gaps under a straightedge of a surface."""
    found: dict[FeatureKey, Estimate] = {}
    for index, fret in enumerate(range(2, FRETS)):
        key = FeatureKey(kind=kinds[0], fret=fret, place="bass", feet=(fret - 1, fret + 1))
        value = float(_row(fret, key.feet or (0, 0)) @ heights)
        found[key] = _estimate(value + STEP_U * noise[index], repr(key), STEP_U)
    for index, fret in enumerate((4, 6, 8), start=FRETS):
        key = FeatureKey(kind=kinds[1], fret=fret, place="bass", feet=(1, FRETS))
        value = -float(_row(fret, (1, FRETS)) @ heights)
        found[key] = _estimate(value + GAP_U * noise[index], repr(key), GAP_U)
    return found


def _placed(z: np.ndarray, s: np.ndarray, noise: np.ndarray, *, off: np.ndarray) -> tuple[list[Placed], list[Placed]]:
    """Return the readings of the frets, and what a board ``s`` and crown heights (off by ``off``) add to them."""
    sweep = place_features(
        _features(("fret_step", "straightedge_gap"), z, noise[:20]),
        _at,
        {"fret_step": "step", "straightedge_gap": "gap"},
    )
    board = place_features(
        _features(("board_step", "board_gap"), s, noise[20:40]), _at, {"board_step": "step", "board_gap": "gap"}
    )
    heights = {}
    for fret in range(1, FRETS + 1):
        key = FeatureKey(kind="seated_height", fret=fret, place="bass")
        heights[key] = _estimate(float(z[fret] - s[fret] + off[fret] + CROWN_U * noise[40 + fret]), repr(key), CROWN_U)
    return sweep, tie_to_board(place_features(heights, _at, {"seated_height": "crown"}), board)


def _solved(readings: list[Placed]) -> Profile:
    return solve(readings, _at)


def _by_hand(sweep: list[Placed], more: list[Placed]) -> tuple[np.ndarray, np.ndarray]:
    """Return heights of frets 1.. above their chord and their u, by dense normal equations with a pseudo-inverse."""
    rows, values, weights = [], [], []
    for one in [*sweep, *more]:
        key, u = one.key, one.sighting.estimate.u_mm
        row = np.zeros(2 * (FRETS + 1) + 3)
        fret = key.fret or 0
        if key.kind == "seated_height":
            row[fret], row[FRETS + 1 + fret] = 1.0, -1.0
            row[-3:] = 1.0, T[fret], T[fret] * (1 - T[fret])
        else:
            sign = -1.0 if key.kind.endswith("gap") else 1.0
            start = FRETS + 1 if key.kind.startswith("board") else 0
            row[start : start + FRETS + 1] = sign * _row(fret, key.feet or (0, 0))
        rows.append(row), values.append(one.sighting.estimate.value_mm), weights.append(1 / u)
    design, weight = np.array(rows), np.array(weights)
    spread = np.linalg.pinv((design * weight[:, None] ** 2).T @ design, rcond=1e-10)
    solution = spread @ (design * weight[:, None] ** 2).T @ np.array(values)
    above = np.zeros((FRETS, len(solution)))
    for fret in range(1, FRETS + 1):
        above[fret - 1, : FRETS + 1] = _row(fret, (1, FRETS)) if 1 < fret < FRETS else 0.0
    return above @ solution, np.sqrt(np.clip(np.diag(above @ spread @ above.T), 0, None))


def test_the_whole_agrees_with_dense_normal_equations():
    rng = np.random.default_rng(3)
    z, s, off = rng.normal(0, 0.05, FRETS + 1), rng.normal(0, 0.05, FRETS + 1), np.full(FRETS + 1, 1.1)
    sweep, more = _placed(z, s, rng.normal(0, 1, 60), off=off)

    found = _solved([*sweep, *more])

    heights, u = _by_hand(sweep, more)
    assert [fret for _, fret in found.places] == list(range(1, FRETS + 1))
    np.testing.assert_allclose(found.adjustment.heights_mm, heights, atol=1e-9)
    np.testing.assert_allclose(found.adjustment.u_mm()[1:-1], u[1:-1], rtol=1e-6)


def test_crown_heights_make_the_heights_surer_and_never_less_sure():
    nothing = np.zeros(FRETS + 1)
    sweep, more = _placed(nothing, nothing, np.zeros(60), off=nothing)

    alone, tied = _solved(sweep).adjustment.u_mm(), _solved([*sweep, *more]).adjustment.u_mm()

    assert np.all(tied <= alone + 1e-12)
    assert tied[1:-1].mean() < 0.97 * alone[1:-1].mean()


@given(st.lists(st.floats(-1, 1), min_size=3, max_size=3))
def test_what_fretting_did_to_the_neck_moves_no_height(bend: list[float]):
    """Offset, tilt and bow between the bare and the fretted neck are no business of the frets'."""
    rng = np.random.default_rng(5)
    z, s, noise = rng.normal(0, 0.05, FRETS + 1), rng.normal(0, 0.05, FRETS + 1), rng.normal(0, 1, 60)
    off = bend[0] + bend[1] * T + bend[2] * T * (1 - T)

    plain = _solved([one for part in _placed(z, s, noise, off=np.zeros(FRETS + 1)) for one in part])
    bent = _solved([one for part in _placed(z, s, noise, off=off) for one in part])

    np.testing.assert_allclose(bent.adjustment.heights_mm, plain.adjustment.heights_mm, atol=1e-9)


def test_the_interval_holds_the_true_height():
    """Of 2000 simulated necks 95 % intervals hold the middle height in 94 to 96 %."""
    rng = np.random.default_rng(11)
    nothing = np.zeros(FRETS + 1)
    held = 0
    for _ in range(2000):
        sweep, more = _placed(nothing, nothing, rng.normal(0, 1, 60), off=nothing)
        found = _solved([*sweep, *more]).adjustment
        held += abs(found.heights_mm[5]) < 1.96 * found.u_mm()[5]
    assert held / 2000 == pytest.approx(0.95, abs=0.0146)  # 3 standard deviations of a share of 2000


def test_a_crown_whose_board_was_not_surveyed_is_left_out():
    nothing = np.zeros(FRETS + 1)
    key = FeatureKey(kind="seated_height", fret=3, place="treble")
    crowns = place_features({key: _estimate(1.1, "a", 0.01)}, _at, {"seated_height": "crown"})

    board = place_features(
        _features(("board_step", "board_gap"), nothing, np.zeros(20)), _at, {"board_step": "step", "board_gap": "gap"}
    )

    assert tie_to_board(crowns, board) == []


def test_a_wrong_crown_height_is_named():
    rng = np.random.default_rng(7)
    off = np.zeros(FRETS + 1)
    off[6] = 0.2
    sweep, more = _placed(off * 0, off * 0, rng.normal(0, 1, 60), off=off)

    suspects = _solved([*sweep, *more]).suspects

    assert suspects[0].key == FeatureKey(kind="seated_height", fret=6, place="bass")
    assert suspects[0].off_mm == pytest.approx(0.2, abs=0.03)
