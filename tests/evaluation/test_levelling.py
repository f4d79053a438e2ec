"""The levelling plan against a second solver, by its invariants, and at its edges."""

import importlib.util
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import InsufficientDataError
from logger.evaluation import levelling_solve
from logger.evaluation.levelling import LevellingPlan, Neck, NoPlan, PlanLimits, alternatives, plan_levelling
from logger.evaluation.levelling_model import LIMITS, Program
from logger.evaluation.levelling_solve import optimum

pytestmark = pytest.mark.once

_SPEC = importlib.util.spec_from_file_location("levelling_measure", Path(__file__).parents[1] / "measures/levelling.py")
assert _SPEC is not None
assert _SPEC.loader is not None
measure = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(measure)

LIMITS_MM = PlanLimits(tolerance_mm=0.01, step_mm=0.03, crown_min_mm=0.75, recrown_mm=0.015)
HAIR_MM = 2e-8  # removals below 1e-8 mm are none
SEEDS = st.integers(0, 2**32 - 1)
few = settings(max_examples=15, deadline=None)


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


def cost(neck: Neck, limits: PlanLimits) -> float:
    """The optimum, inf without a plan."""
    found = optimum(Program(neck=neck, limits=limits))
    return np.inf if found is None else found.cost_mm


def drawn(seed: int) -> tuple[Neck, PlanLimits]:
    rng = np.random.default_rng(seed)
    neck = measure.random_neck(rng, frets=int(rng.integers(2, 13)))
    return neck, replace(measure.random_limits(rng), reseats=int(rng.integers(0, 2)))


@pytest.mark.parametrize("seed", range(20))
def test_the_optimum_is_that_of_another_solver_and_no_simple_way_is_better(seed: int):
    rng = np.random.default_rng([7, seed])
    neck = measure.random_neck(rng)

    for kind, limits in measure.kinds(rng).items():
        assert measure.differences(neck, kind, limits, plan_levelling(neck, limits)) == []


def test_the_comparison_sees_a_plan_that_files_too_much():
    neck = row(0, 0, 0.1, 0, 0)
    wasteful = replace(planned(neck), objective_mm=0.2)

    assert "by GLPK" in measure.differences(neck, "plain", LIMITS_MM, wasteful)[0]


@pytest.mark.parametrize("seed", range(30))
def test_a_plan_keeps_every_limit(seed: int):
    rng = np.random.default_rng([11, seed])
    neck = measure.random_neck(rng)
    limits = measure.kinds(rng)["exceptions"]
    plan = plan_levelling(neck, limits)
    if not isinstance(plan, LevellingPlan):
        return
    normal = [n for n in range(neck.positions_mm.size) if n not in plan.exceptions]
    raised = plan.left_mm + plan.raise_mm

    assert np.nanmin(plan.removal_mm) >= 0
    assert np.nanmax(np.abs(raised)) <= limits.band_mm + HAIR_MM
    assert np.all(~(np.abs(np.diff(raised, axis=1)) > limits.step_mm + HAIR_MM))
    assert np.all(~(plan.crown_left_mm[:, normal] < limits.crown_min_mm - HAIR_MM))
    assert np.nansum(plan.removal_mm[:, list(plan.exceptions)]) == 0
    assert np.nansum(plan.raise_mm[:, normal]) == 0
    assert len(plan.reseats) <= limits.reseats
    assert len(plan.exceptions) <= limits.exceptions_most
    assert set(np.nonzero(np.nan_to_num(plan.down_mm))[1]) <= set(plan.reseats)
    assert np.all(~(neck.height_mm - plan.down_mm < neck.seated_mm - HAIR_MM))


@few
@given(seed=SEEDS, tilt=st.floats(-1e-3, 1e-3), lift=st.floats(-5, 5))
def test_how_the_neck_lies_does_not_matter(seed: int, tilt: float, lift: float):
    neck, limits = drawn(seed)
    line = lift + tilt * neck.positions_mm

    moved = replace(neck, height_mm=neck.height_mm + line, seated_mm=neck.seated_mm + line)

    assert cost(moved, limits) == pytest.approx(cost(neck, limits), abs=1e-8)


@few
@given(seed=SEEDS, factor=st.floats(0.3, 3))
def test_scaling_all_lengths_scales_the_plan(seed: int, factor: float):
    neck, limits = drawn(seed)
    names = ("height_mm", "seated_mm", "crown_mm", "shape_mm")
    larger = replace(neck, **{name: getattr(neck, name) * factor for name in names})
    lengths = ("tolerance_mm", "step_mm", "crown_min_mm", "recrown_mm", "guard_mm")
    wider = replace(limits, **{name: getattr(limits, name) * factor for name in lengths})

    assert cost(larger, wider) == pytest.approx(factor * cost(neck, limits), abs=1e-7)


@few
@given(seed=SEEDS)
def test_reversing_the_neck_and_swapping_its_paths_mirror_the_plan(seed: int):
    neck, limits = drawn(seed)
    names = ("height_mm", "seated_mm", "crown_mm", "shape_mm", "u_mm", "crown_width_mm")
    turned = replace(neck, positions_mm=-neck.positions_mm[::-1],
                     **{name: getattr(neck, name)[::-1, ::-1] for name in names})  # fmt: skip

    assert cost(turned, limits) == pytest.approx(cost(neck, limits), abs=1e-8)


@few
@given(seed=SEEDS, more=st.floats(0, 0.2))
def test_narrower_limits_never_file_less(seed: int, more: float):
    neck, limits = drawn(seed)
    base = cost(neck, limits) - 1e-8

    assert cost(neck, replace(limits, crown_min_mm=limits.crown_min_mm + more)) >= base
    assert cost(neck, replace(limits, step_mm=max(limits.step_mm - more, 0.0))) >= base
    assert cost(neck, replace(limits, guard_mm=limits.guard_mm + more)) >= base


@few
@given(seed=SEEDS)
def test_more_re_seats_are_never_worse(seed: int):
    neck, limits = drawn(seed)

    costs = [cost(neck, replace(limits, reseats=count)) for count in range(4)]

    assert all(after <= before + 1e-8 for before, after in pairwise(costs))


@few
@given(seed=SEEDS)
def test_the_other_objective_breaks_the_ties(seed: int):
    neck, limits = drawn(seed)
    total, largest = (plan_levelling(neck, replace(limits, objective=name, reseats=0)) for name in ("total", "largest"))
    if isinstance(total, LevellingPlan) and isinstance(largest, LevellingPlan):
        assert total.total_mm <= largest.total_mm + 1e-7
        assert largest.largest_mm <= total.largest_mm + 1e-7
        assert largest.total_mm <= largest.largest_mm * np.count_nonzero(neck.known) + 1e-9


def test_a_path_files_no_more_than_it_needs_however_much_another_path_does():
    high, half = row(0, 0, 0, 0.1, 0, 0, 0), row(0, 0, 0, 0.05, 0, 0, 0)
    names = ("u_mm", "crown_mm", "shape_mm", "height_mm")
    both = Neck(positions_mm=high.positions_mm,
                **{name: np.vstack([getattr(high, name), getattr(half, name)]) for name in names})  # fmt: skip

    plan = planned(both, replace(LIMITS_MM, objective="largest"))

    # Independent: each high fret less the band of 0.02; the second may be anything up to 0.08 for the first objective
    assert plan.removal_mm[:, 3] == pytest.approx([0.08, 0.03])
    assert plan.total_mm == pytest.approx(0.11)


def test_one_high_fret_is_filed_to_the_band_and_no_further():
    plan = planned(row(0, 0, 0, 0.1, 0, 0, 0))

    # Independent: the step of 0.02 within the band is allowed, so the line may stand 0.01 above the others
    assert plan.removal_mm[0] == pytest.approx([0, 0, 0, 0.08, 0, 0, 0], abs=1e-8)
    assert plan.left_mm[0] == pytest.approx([-0.01, -0.01, -0.01, 0.01, -0.01, -0.01, -0.01], abs=1e-8)
    assert plan.crown_left_mm[0, 3] == pytest.approx(1.1 - 0.08 - 0.015)
    assert plan.levellings_left[3] == 2  # 0.255 are left above 0.75, one takes 0.095
    assert np.isinf(plan.levellings_left[0])
    assert plan.levellings_left_least == 2
    assert (plan.total_mm, plan.largest_mm) == (pytest.approx(0.08), pytest.approx(0.08))


def test_the_guard_narrows_the_band_and_never_below_zero():
    high = row(0, 0, 0, 0.1, 0, 0, 0)

    assert planned(high, replace(LIMITS_MM, guard_mm=0.004)).total_mm == pytest.approx(0.1 - 2 * 0.006)
    assert planned(high, replace(LIMITS_MM, guard_mm=0.5)).total_mm == pytest.approx(0.1)


def test_a_removal_below_its_own_uncertainty_is_noise():
    neck = row(0, 0, 0, 0.1, 0, 0, 0, u_mm=[0.002, 0.002, 0.002, 0.05, 0.002, 0.002, 0.002])

    assert planned(neck).noise.tolist() == [[False, False, False, True, False, False, False]]
    assert not planned(replace(neck, u_mm=np.full((1, 7), 0.002))).noise.any()
    assert planned(replace(neck, u_mm=np.full((1, 7), np.nan))).noise.sum() == 1


def test_a_high_fret_that_stands_off_is_re_seated_and_named_as_the_best():
    neck = row(0, 0, 0.1, 0, 0.05, 0, 0, 0, seated_mm=[0, 0, 0.0, 0, 0.01, 0, 0, 0])

    plan = planned(neck, replace(LIMITS_MM, reseats=1))

    assert plan.reseats == (2,)
    assert plan.total_mm == pytest.approx(0.03)
    assert plan.best_single_reseat is not None
    assert plan.best_single_reseat.fret_index == 2
    assert plan.best_single_reseat.saved_mm == pytest.approx(0.08)
    assert planned(neck).best_single_reseat == plan.best_single_reseat
    assert planned(neck, replace(LIMITS_MM, reseats=8)).reseats == (2, 4)
    assert plan.crown_left_mm[0, 2] == 1.1


def test_a_re_seat_that_saves_nothing_is_not_named():
    level = row(0, 0, 0, 0, seated_mm=[-0.1, -0.1, 0, 0])
    plan = planned(level, replace(LIMITS_MM, reseats=2))

    assert plan.reseats == ()
    assert plan.best_single_reseat is None
    assert planned(row(0, 0, 0.1, 0, seated_mm=[np.nan] * 4), replace(LIMITS_MM, reseats=2)).best_single_reseat is None


def test_a_re_seat_may_be_what_makes_a_plan_possible():
    neck = row(0, 0, 0, 0.5, 0, 0, 0, seated_mm=[0] * 7)
    plan = planned(neck, replace(LIMITS_MM, reseats=1))

    assert isinstance(plan_levelling(neck, LIMITS_MM), NoPlan)
    assert plan.best_single_reseat is not None
    assert plan.best_single_reseat.saved_mm == np.inf


EXCEPTING = replace(LIMITS_MM, exceptions_most=2, raise_most_mm=0.5)


def test_a_fret_too_low_is_excepted_only_where_a_plan_needs_it_or_the_cost_says_so():
    low = row(0, 0, 0, -0.1, 0, 0, 0)
    needed = row(0, 0, 0, -0.4, 0, 0, 0)

    assert planned(low, EXCEPTING).exceptions == ()
    assert planned(low, replace(EXCEPTING, exception_cost_mm=10.0)).exceptions == ()
    cheap = planned(low, replace(EXCEPTING, exception_cost_mm=0.05))
    assert (cheap.exceptions, cheap.objective_mm) == ((3,), pytest.approx(0.05))
    assert isinstance(plan_levelling(needed, LIMITS_MM), NoPlan)
    plan = planned(needed, EXCEPTING)
    assert (plan.exceptions, plan.total_mm) == ((3,), 0)
    assert plan.left_mm[0, 3] < -0.3
    assert plan.left_mm[0, 3] + plan.raise_mm[0, 3] >= -0.01 - 1e-9


def test_more_frets_too_low_than_may_be_excepted_is_no_plan():
    low = row(0, -0.4, 0, -0.4, 0, -0.4, 0, 0, 0, 0)

    blocked = plan_levelling(low, EXCEPTING)
    assert isinstance(blocked, NoPlan)
    assert np.isfinite(blocked.relaxations_mm["crown"])
    assert planned(low, replace(EXCEPTING, exceptions_most=3)).exceptions == (1, 3, 5)


@pytest.mark.parametrize("status", [1, 2])
def test_a_solver_that_gives_up_is_an_error_and_no_answer(status: int, monkeypatch: pytest.MonkeyPatch):
    neck, real, calls = row(0, 0, 0.1, 0), levelling_solve.milp, []

    def _fails_late(*args, **named):
        calls.append(1)
        found = real(*args, **named)
        found.status = status if len(calls) > 1 else 0
        return found

    monkeypatch.setattr(levelling_solve, "milp", _fails_late)
    with pytest.raises(ArithmeticError, match="the levelling program was"):
        plan_levelling(neck, LIMITS_MM)


def test_a_high_fret_is_no_exception():
    plan = planned(row(0, 0, 0, 0.3, 0, 0, 0), replace(EXCEPTING, exception_cost_mm=0.0))

    assert plan.exceptions == ()
    assert plan.total_mm == pytest.approx(0.28)


def test_a_worn_fret_is_excepted_or_nothing_holds():
    worn = row(0, 0, 0, 0, crown_mm=1.0, u_mm=[0.002] * 4)
    worn.crown_mm[0, 1] = 0.7

    blocked = plan_levelling(worn, LIMITS_MM)
    assert isinstance(blocked, NoPlan)
    assert (blocked.limit, blocked.short_mm) == ("crown", pytest.approx(0.05))
    assert planned(worn, EXCEPTING).exceptions == (1,)
    assert plan_levelling(worn, replace(EXCEPTING, exceptions_most=0)) == blocked


def test_a_crown_too_low_to_recrown_may_stay_but_not_be_filed():
    assert planned(row(0, 0, 0, 0, crown_mm=0.755)).total_mm == 0
    blocked = plan_levelling(row(0, 0, 0.1, 0, 0, 0, crown_mm=0.755), replace(LIMITS_MM, step_mm=1))
    assert isinstance(blocked, NoPlan)
    assert blocked.relaxations_mm["crown"] == pytest.approx(0.08 + 0.01)


@pytest.mark.parametrize("seed", range(12))
def test_the_limit_that_is_named_is_just_what_stands_in_the_way(seed: int):
    rng = np.random.default_rng([5, seed])
    neck = measure.random_neck(rng, frets=int(rng.integers(6, 16)))
    kind = ("plain", "re-seats", "exceptions")[seed % 3]
    limits = replace(measure.kinds(rng)[kind], crown_min_mm=0.85, tolerance_mm=0.004, step_mm=0.003)
    blocked = plan_levelling(neck, limits)
    if not isinstance(blocked, NoPlan):
        return
    assert set(blocked.relaxations_mm) == set(LIMITS)
    for limit, give in blocked.relaxations_mm.items():
        name = {"crown": "crown_min_mm", "step": "step_mm", "tolerance": "tolerance_mm"}[limit]
        sign = -1 if limit == "crown" else 1
        if np.isfinite(give):
            assert np.isfinite(cost(neck, replace(limits, **{name: getattr(limits, name) + sign * (give + 1e-6)})))
            assert np.isinf(cost(neck, replace(limits, **{name: getattr(limits, name) + sign * (give - 1e-5)})))
        else:
            wide = 0.0 if limit == "crown" else 10.0
            assert np.isinf(cost(neck, replace(limits, **{name: wide})))
    assert blocked.short_mm == min(blocked.relaxations_mm.values())


def test_no_plan_says_so_in_a_sentence():
    steep = plan_levelling(row(0, 0, 0.5, 0, 0), LIMITS_MM)
    hopeless = plan_levelling(row(0, 0, 3.0, 0, 0), replace(LIMITS_MM, step_mm=0.0, tolerance_mm=0.0))

    assert isinstance(steep, NoPlan)
    assert steep.sentence == (
        "no plan holds: the least crown left, 0.750 mm, is in the way; it would have to be 0.605 mm (0.145 mm less)"
    )
    assert isinstance(hopeless, NoPlan)
    assert hopeless.limit is None
    assert "no crown is high enough, whatever" in hopeless.sentence


def test_places_that_are_not_known_take_no_part_and_are_told():
    neck = row(0, 0, np.nan, 0.1, 0, 0)
    neck.crown_mm[0, 3] = np.nan

    plan = planned(neck)

    assert plan.unknown.tolist() == [[False, False, True, False, False, False]]
    assert np.isnan([plan.removal_mm[0, 2], plan.left_mm[0, 2], plan.levellings_left[2], plan.levellings_left[3]]).all()
    assert plan.crown_unknown.tolist() == [[False, False, False, True, False, False]]
    assert plan.total_mm == pytest.approx(0.08)


@pytest.mark.parametrize("heights", [(0.3,), (0.1, 0.5), (0.2, 0.2, 0.2), (np.nan, 0.1, np.nan)])
@pytest.mark.parametrize("objective", ["total", "largest"])
def test_too_little_to_be_uneven_needs_nothing(heights: tuple[float, ...], objective: str):
    plan = planned(row(*heights), replace(LIMITS_MM, objective=objective))

    assert plan.total_mm == plan.largest_mm == 0
    assert np.isinf(plan.levellings_left_least)
    assert np.nanmax(np.abs(plan.left_mm)) <= 0.01 + 1e-9
    assert all(isinstance(one.result, LevellingPlan) for one in alternatives(row(*heights), LIMITS_MM))


def test_a_path_without_any_height_beside_one_that_has_them():
    neck = row(0, 0.1, 0, 0)
    names = ("u_mm", "crown_mm", "shape_mm", "height_mm")
    both = Neck(positions_mm=neck.positions_mm, **{name: np.vstack([getattr(neck, name)] * 2) for name in names})
    both.height_mm[1] = np.nan

    plan = planned(both)
    assert plan.total_mm == pytest.approx(planned(neck).total_mm)
    assert np.isnan(plan.line_mm[1]).all()


def test_nothing_known_is_a_sentence():
    with pytest.raises(InsufficientDataError, match="none is known"):
        plan_levelling(row(np.nan, np.nan), LIMITS_MM)
    assert np.isnan(planned(row(0, 0, crown_mm=np.nan)).crown_left_mm).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        pytest.param(lambda: replace(row(0, 0), positions_mm=np.array([1.0])), "paths, frets", id="positions"),
        pytest.param(lambda: replace(row(0, 0), u_mm=np.zeros(2)), "`u_mm` must have", id="shape"),
        pytest.param(lambda: replace(row(0, 0), shape_mm=np.full((1, 2), np.nan)), "must be finite", id="target"),
        pytest.param(lambda: replace(row(0, 0), positions_mm=np.array([2.0, 1.0])), "rise strictly", id="order"),
        pytest.param(lambda: replace(LIMITS_MM, step_mm=-1), "`step_mm` must be", id="negative"),
        pytest.param(lambda: replace(LIMITS_MM, exceptions_most=1), "raise_most_mm", id="raise"),
        pytest.param(lambda: replace(LIMITS_MM, exception_cost_mm=-1), "exception_cost_mm", id="cost"),
    ],
)
def test_what_cannot_be_planned_for(call, words: str):
    with pytest.raises(ValueError, match=words):
        call()
