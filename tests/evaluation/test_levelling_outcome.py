"""What else could be done than the plan, and what a second sweep says of it."""

from dataclasses import replace

import numpy as np
import pytest

from logger.evaluation.levelling import LevellingPlan, Neck, NoPlan, PlanLimits, alternatives, plan_levelling, verify

pytestmark = pytest.mark.once

LIMITS_MM = PlanLimits(tolerance_mm=0.01, step_mm=0.03, crown_min_mm=0.75, recrown_mm=0.015)
EXCEPTING = replace(LIMITS_MM, exceptions_most=2, raise_most_mm=0.5)


def row(*heights_mm: float, crown_mm: float = 1.1, **more) -> Neck:
    """One string path of frets 20 mm apart whose target is straight."""
    z = np.array([heights_mm], dtype=float)
    given_ = {"u_mm": np.full(z.shape, 0.002), "crown_mm": np.full(z.shape, crown_mm), "shape_mm": np.zeros(z.shape)}
    given_ |= {name: np.array([value], dtype=float) for name, value in more.items()}
    return Neck(positions_mm=20.0 * np.arange(1, z.size + 1), height_mm=z, **given_)


def planned(neck: Neck, limits: PlanLimits = LIMITS_MM) -> LevellingPlan:
    plan = plan_levelling(neck, limits)
    assert isinstance(plan, LevellingPlan), plan.sentence
    return plan


def test_side_by_side():
    neck = row(0, 0.03, 0, 0.1, 0, 0.02, 0, seated_mm=[0] * 7)

    found = alternatives(neck, replace(EXCEPTING, reseats=2), board_mm=np.array([[0, 0, 0.05, 0, 0, 0, 0.0]]))

    kinds = [(one.kind, one.reseats) for one in found]
    assert kinds == [("leave", 0), ("lowest", 0), ("line", 0), ("level", 0), ("reseat", 1), ("reseat", 2),
                     ("board", 0)]  # fmt: skip
    results = {pair: one.result for pair, one in zip(kinds, found, strict=True)}
    leave = results["leave", 0]
    assert isinstance(leave, NoPlan)
    assert leave.sentence == (
        "it cannot be left as it is: the step from fret to fret and the tolerance about the target are in the way "
        "together; each would have to give 0.070 mm"
    )
    given = replace(
        EXCEPTING, exceptions_most=0, tolerance_mm=EXCEPTING.tolerance_mm + 0.07, step_mm=EXCEPTING.step_mm + 0.07
    )
    assert isinstance(alternatives(neck, given)[0].result, LevellingPlan)
    totals = [results[pair].total_mm for pair in (("lowest", 0), ("level", 0), ("reseat", 1), ("reseat", 2))]
    assert totals == sorted(totals, reverse=True)
    assert results["level", 0].best_single_reseat.fret_index == 3
    assert results["board", 0].total_mm == pytest.approx(0.03)
    assert results["lowest", 0].left_mm == pytest.approx(np.zeros((1, 7)), abs=1e-12)


def test_a_way_that_changes_nothing_stands_once():
    """Re-seats and exceptions that a plan leaves unused are no way of their own; those that it uses are."""
    high = row(0, 0, 0, 0.1, 0, 0, 0, seated_mm=[0] * 7)
    low = row(0, 0, 0, -0.3, 0, 0, 0, seated_mm=[0] * 7)

    unused = [(one.kind, one.reseats) for one in alternatives(high, replace(EXCEPTING, reseats=4))]
    cheap = replace(EXCEPTING, exception_cost_mm=0.05, reseats=0)
    used = {one.kind: one.result for one in alternatives(low, cheap)}

    assert unused == [("leave", 0), ("lowest", 0), ("line", 0), ("level", 0), ("reseat", 1)]
    assert used["except"].exceptions == (3,)


def test_simple_ways_name_what_they_break():
    thin = {one.kind: one.result for one in alternatives(row(0, 0.3, 0, 0, 0, crown_mm=0.8), LIMITS_MM)}

    assert thin["lowest"].limit == "crown"
    assert "filing all to the lowest place" in thin["lowest"].sentence
    assert set(thin["line"].relaxations_mm) == {"crown", "step", "tolerance"}
    assert thin["leave"].relaxations_mm["crown"] == np.inf
    nothing = alternatives(row(0, 0, 0, 0), LIMITS_MM, board_mm=np.full((1, 4), np.nan))
    assert nothing[-1].result.sentence == "no height of the board is known"
    assert {one.kind for one in nothing if isinstance(one.result, LevellingPlan)} == {
        "leave",
        "lowest",
        "line",
        "level",
    }


def test_least_tolerance_to_leave_it_is_half_the_minimum_zone():
    blocked = alternatives(row(0, 1, 0), replace(LIMITS_MM, step_mm=5))[0].result

    # Independent: heights 0 1 0 lie in a zone of 1 (ISO 12780-1), half of it on each side of the line
    assert blocked.relaxations_mm["tolerance"] == pytest.approx(0.5 - 0.01)


def test_a_second_sweep_shows_what_was_filed_too_little_whatever_its_chord():
    plan = planned(row(0, 0, 0, 0.1, 0, 0, 0, 0, 0, crown_width_mm=[2.0] * 9))
    again = plan.planned_mm + 0.3 - 0.002 * plan.neck.positions_mm
    again[0, 3] += 0.04

    seen = verify(plan, again, np.full((1, 9), 0.002), flat_most_mm=0.6)

    assert np.argmax(seen.over_mm) == 3
    assert seen.over_mm[0, 3] == pytest.approx(0.04 * (1 - 1 / 9 - 1 / 60))  # leverage: 1/n + (x - mean)^2/sum
    assert seen.within.tolist() == [[True, True, True, False, True, True, True, True, True]]
    assert seen.left_mm[0, 3] == pytest.approx(0.05)
    assert seen.told[0, 3]
    done = verify(plan, plan.planned_mm, np.full((1, 9), 0.002), flat_most_mm=0.6)
    assert done.within.all()
    assert np.abs(done.over_mm).max() < 1e-12
    assert seen.flat_mm[0, 3] == plan.flat_mm[0, 3] > 0.6
    assert seen.flat_too_wide.sum() == 1
    measured = np.full((1, 9), np.nan)
    measured[0, 3] = 0.5
    assert not verify(plan, again, np.full((1, 9), 0.002), flat_most_mm=0.6, flat_mm=measured).flat_too_wide.any()


def test_the_uncertainty_of_a_verification_is_its_scatter():
    plan, rng = planned(row(0, 0, 0, 0.1, 0, 0, 0, 0)), np.random.default_rng(3)
    u = np.array([[0.002, 0.002, 0.004, 0.002, 0.002, 0.006, 0.002, 0.002]])
    truth = plan.planned_mm

    seen = [verify(plan, truth + rng.normal(0, np.hypot(u, 0.002)), u, flat_most_mm=1.0) for _ in range(4000)]

    scatter = np.std([one.over_mm for one in seen], axis=0)
    assert scatter == pytest.approx(seen[0].u_over_mm, rel=0.06)  # 4000 draws: 1.1 % standard error


def test_a_second_sweep_of_too_little_tells_nothing():
    plan = planned(row(0, 0.1, 0, 0))
    seen = verify(plan, np.array([[0, 0, np.nan, np.nan]]), np.full((1, 4), 0.002), flat_most_mm=0.6)

    assert np.isnan(seen.over_mm).all()
    assert not seen.within.any()
    with pytest.raises(ValueError, match="plan's shape"):
        verify(plan, np.zeros((1, 3)), np.ones((1, 3)), flat_most_mm=0.6)
    with pytest.raises(ValueError, match="above zero"):
        verify(plan, np.zeros((1, 4)), np.zeros((1, 4)), flat_most_mm=0.6)


def test_only_limits_that_must_give_are_named():
    """A crown that must give too is named; one that nobody measured is in no one's way."""
    peak = row(0, 0, 0.08, 0, 0)
    worn = alternatives(row(0, 0, 0.08, 0, 0, crown_mm=0.74), LIMITS_MM)[0].result
    unknown = alternatives(row(0, 0, 0.08, 0, 0, crown_mm=np.nan), LIMITS_MM)[0].result
    known = alternatives(peak, LIMITS_MM)[0].result

    assert worn.reason.startswith(
        "the least crown left, the step from fret to fret and the tolerance about the target are"
    )
    for free in (unknown, known):
        assert free.reason.startswith("the step from fret to fret and the tolerance about the target are in the way")
        assert free.sentence == f"it cannot be left as it is: {free.reason}"
