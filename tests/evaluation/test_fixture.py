"""The rocker fixture's settings: known figures, a search that shares no code with the plan, and properties."""

import re
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.evaluation.fixture import EDGE_MM, FixturePlan, plan_fixture
from logger.evaluation.scale import fret_positions_mm


def _plan(scale_mm: float, frets: int, **more: object) -> FixturePlan:
    return plan_fixture([fret_positions_mm(scale_mm, frets)], **more)  # type: ignore[arg-type]


def _under(positions: list[float], middle: float, length: float, edge: float) -> list[int]:
    """Return the frets (and the nut, 0) under a bar or tip, counting ``edge`` at its ends in or out."""
    half = length / 2 + edge
    return [n for n, x in enumerate(positions) if middle - half < x < middle + half]


def _stands(positions: list[float], fret: int, reach: int, bar: float, feet: float, off: float) -> bool:
    """Tell whether the fixture, pushed off its place, still rests on the right frets, by laying it on the neck."""
    at = positions[fret] + off
    parts = ((fret - reach, at - feet / 2, bar), (fret, at, 5.0), (fret + reach, at + feet / 2, bar))
    bears = all(_under(positions, middle, length, edge) == [under]
                for under, middle, length in parts for edge in (-EDGE_MM, EDGE_MM))  # fmt: skip
    return bears and feet - bar - 5.0 >= 2 * EDGE_MM - 1e-9


def _serves(positions: np.ndarray, fret: int, bar: float, feet: float, margin: float, reach: int = 1) -> bool:
    first = max(fret - reach - 2, 0)  # frets further away are never reached, and the search is long
    near = [float(x) for x in positions[first : fret + reach + 3]]
    return all(_stands(near, fret - first, reach, bar, feet, off) for off in (-margin, 0.0, margin))


@pytest.mark.parametrize(
    ("scale_mm", "frets", "count"),
    [(645, 20, 2), (645, 22, 3), (645, 24, 3), (864, 24, 3), (350, 20, 3)],
)
def test_as_many_settings_as_the_bench_notes_say(scale_mm: float, frets: int, count: int):
    """Source: the project's notes on fretwork, section 5: two for 20 frets, three for 22 to 24 and for a mandolin."""
    plan = _plan(scale_mm, frets)

    assert len(plan.settings) == count
    assert not plan.unserved
    assert [fret for one in plan.settings for fret in one.frets] == list(range(2, frets))


@pytest.mark.parametrize(("scale_mm", "frets", "widest", "narrowest"), [(645, 20, 66, 25), (864, 24, 89, 26)])
def test_spans_over_two_spaces(scale_mm: float, frets: int, widest: float, narrowest: float):
    """Source: as above; the widest span is that over fret 2, whose feet stand on frets 1 and 3."""
    x = fret_positions_mm(scale_mm, frets)

    assert x[3] - x[1] == pytest.approx(widest, abs=0.5)
    assert x[frets] - x[frets - 2] == pytest.approx(narrowest, abs=0.5)


def test_two_settings_of_a_645_scale_divide_at_11_at_the_furthest():
    """Source: as above; frets 2 to 11 and 12 to 19 can be served, but leave less margin than a division at 10."""
    x = fret_positions_mm(645, 20)
    served = [[n for n in range(2, 20) if _serves(x, n, 18.4, feet, 1.0)] for feet in np.arange(45, 65, 0.1)]
    stated = _plan(645, 20, bars_mm=[18.4], feet_mm=[53.0, 24.6])

    assert max(frets[-1] for frets in served if frets and frets[0] == 2) == 11
    assert [one.frets for one in stated.settings] == [tuple(range(2, 12)), tuple(range(12, 20))]
    best = _plan(645, 20)
    assert [(one.frets[0], one.frets[-1]) for one in best.settings] == [(2, 10), (11, 19)]
    assert min(one.margin_mm for one in best.settings) > 1.7 > min(one.margin_mm for one in stated.settings)


@pytest.mark.parametrize(("scale_mm", "frets", "bar"), [(645, 20, 18), (645, 24, 14), (350, 20, 8), (330, 17, 10)])
def test_no_search_finds_fewer_settings_or_more_margin(scale_mm: float, frets: int, bar: float):
    x = fret_positions_mm(scale_mm, frets)
    plan = _plan(scale_mm, frets, bars_mm=[bar])
    least = min(one.margin_mm for one in plan.settings)
    wanted = set(range(2, frets))

    def enough(count: int, margin: float) -> bool:
        served = {frozenset(n for n in wanted if _serves(x, n, bar, feet, margin)) for feet in np.arange(5, 80, 0.1)}
        widest = [one for one in served if one and not any(one < other for other in served)]
        return any(frozenset().union(*chosen) >= wanted for chosen in combinations(widest, count))

    assert enough(len(plan.settings), least - 0.01)
    assert not enough(len(plan.settings), least + 0.06)  # half of a tenth, to which the feet are set
    assert not enough(len(plan.settings) - 1, 1.0)


NECKS = st.tuples(st.floats(300, 900), st.integers(3, 26), st.sampled_from([(1,), (1, 2)]))


@settings(max_examples=25, deadline=None)
@given(NECKS)
def test_every_setting_stands_off_by_its_margin_and_no_step_is_forgotten(neck: tuple[float, int, tuple[int, ...]]):
    scale_mm, frets, reaches = neck
    plan, x = _plan(scale_mm, frets, reaches=reaches), fret_positions_mm(scale_mm, frets)

    for one in plan.settings:
        assert one.margin_mm >= 1.0
        for fret in one.frets:
            assert _serves(x, fret, plan.bar_mm or 0.0, one.feet_mm, one.margin_mm - 1e-6, one.reach)
        assert any(not _serves(x, fret, plan.bar_mm or 0.0, one.feet_mm, one.margin_mm + 1e-6, one.reach)
                   for fret in one.frets)  # fmt: skip
    told = [(one.reach, fret) for one in plan.settings for fret in one.frets]
    told += [(one.reach, one.fret) for one in plan.unserved]
    assert sorted(told) == [(reach, fret) for reach in reaches for fret in range(1 + reach, frets + 1 - reach)]


@settings(max_examples=15, deadline=None)
@given(st.floats(0.4, 2.5))
def test_one_more_distance_to_set_is_never_worse(by: float):
    x = fret_positions_mm(645, 20)
    one = plan_fixture([x], bars_mm=[18], feet_mm=[26.2, 54.4], placing_mm=1.0)
    other = plan_fixture([x], bars_mm=[18], feet_mm=[54.4 * by, 26.2, 54.4], placing_mm=1.0)

    assert len(other.settings) + len(other.unserved) <= len(one.settings) + len(one.unserved)  # a choice more


def test_fanned_frets_are_served_on_both_sides():
    sides = [fret_positions_mm(scale, 22) for scale in (660, 630)]
    plan = plan_fixture(sides)

    for one in plan.settings:
        assert all(_serves(x, fret, plan.bar_mm or 0.0, one.feet_mm, 1.0) for fret in one.frets for x in sides)
    assert len(plan.settings) >= max(len(_plan(660, 22).settings), len(_plan(630, 22).settings))


def test_of_the_bars_that_the_shop_owns_the_one_that_needs_fewest_settings_is_chosen():
    assert _plan(645, 20, bars_mm=[8, 18, 40]).bar_mm == 18
    assert len(_plan(645, 20, bars_mm=[8]).settings) > 2


@pytest.mark.parametrize(
    ("more", "fret", "why"),
    [
        pytest.param({"bars_mm": [40]}, 19, "a bar would touch a second fret.* even where", id="long bars"),
        pytest.param({"feet_mm": [54], "bars_mm": [18]}, 11, "room for 0.7 mm off its place, 1 mm are", id="feet"),
        pytest.param({"feet_mm": [10], "bars_mm": [18]}, 5, "cannot be set far enough apart", id="no room"),
        pytest.param(
            {"tip_mm": 23, "reaches": (2,)}, 18, "the tip would touch the next fret: room for 0.8 mm", id="long tip"
        ),
        pytest.param({"tip_mm": 2}, 9, "the tip would slip off its fret: room for 0.5 mm", id="short tip"),
        pytest.param({"feet_mm": [53], "bars_mm": [18, 22]}, 11, "bars of 18 mm would serve it", id="other bars"),
    ],
)
def test_what_no_setting_serves_is_said_with_its_reason(more: dict[str, object], fret: int, why: str):
    found = {one.fret: one.why for one in _plan(645, 20, **more).unserved}

    assert re.search(why, found[fret]), found


@pytest.mark.parametrize("frets", [1, 2])
def test_fewer_than_three_frets_have_no_step(frets: int):
    assert _plan(645, frets) == FixturePlan(bar_mm=None, settings=(), unserved=())


def test_settings_are_named_in_order():
    plan = _plan(645, 20, reaches=(1, 2))

    assert [one.name for one in plan.settings] == list("ABCDEF")
    assert [one.reach for one in plan.settings] == [1, 1, 2, 2, 2, 2]
