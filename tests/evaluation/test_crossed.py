"""Repeatability studies against both published ones, an independent least-squares computation and simulation."""

import numpy as np
import pytest

from logger.errors import InsufficientDataError
from logger.evaluation.crossed import analyse, analyse_rows


def _study(published, name: str):
    rows = [(r["part"], r["operator"], r["trial"], float(r["y"])) for r in published(name)]
    return analyse_rows(rows)[0]


def test_ten_parts_two_people_three_trials(published):
    # Source: Montgomery, Design and Analysis of Experiments, problem 13.1, data and answers seen
    found = _study(published, "crossed_study_montgomery_p13_1")

    table = {name: (row.ss, row.df) for name, row in found.anova.items()}
    expected = {"part": (99.017, 9), "person": (0.417, 1), "part_person": (5.417, 9), "repeatability": (60.0, 40),
                "total": (164.850, 59)}  # fmt: skip
    assert {name: (round(ss, 3), df) for name, (ss, df) in table.items()} == expected
    tested = {name: (found.anova[name].f, found.anova[name].p) for name in ("part", "person", "part_person")}
    for name, (f, p) in {"part": (18.28, 0.0), "person": (0.69, 0.427), "part_person": (0.40, 0.927)}.items():
        assert tested[name] == (pytest.approx(f, abs=6e-3), pytest.approx(p, abs=6e-4))
    for name, value in {"part": 1.73333, "person": -0.00617, "part_person": -0.29938, "repeatability": 1.5}.items():
        assert found.raw[name] == pytest.approx(value, abs=6e-6)
        assert found.components[name] == pytest.approx(max(0.0, value), abs=6e-6)


def test_twenty_parts_three_people_two_trials(published):
    # Source: Montgomery, example 13.1 and its reduced model (data from memory, all digits reproduce)
    found = _study(published, "crossed_study_montgomery_ex13_1_20x3x2")

    for name, value in {"part": 10.2798, "person": 0.0149, "part_person": -0.1399, "repeatability": 0.9917}.items():
        assert found.raw[name] == pytest.approx(value, abs=6e-5)
    for name, value in {"part": 10.2513, "person": 0.0106, "part_person": 0.0, "repeatability": 0.8832}.items():
        assert found.pooled[name] == pytest.approx(value, abs=6e-5)
    assert [round(found.anova[name].f, 2) for name in ("part", "person", "part_person")] == [87.65, 1.84, 0.72]


def test_sums_of_squares_agree_with_least_squares():
    values = np.random.default_rng(4).normal(size=(5, 3, 2))
    parts, people = np.indices((5, 3, 2))[:2].reshape(2, -1)
    y = values.ravel()

    def rss(*columns: np.ndarray) -> float:
        design = np.column_stack([np.ones(y.size), *columns])
        return float(np.sum((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2))

    by_part, by_person = np.eye(5)[parts][:, 1:], np.eye(3)[people][:, 1:]
    cells = np.eye(15)[parts * 3 + people][:, 1:]
    anova = analyse(values).anova

    assert anova["part"].ss == pytest.approx(rss(by_person) - rss(by_part, by_person))
    assert anova["person"].ss == pytest.approx(rss(by_part) - rss(by_part, by_person))
    assert anova["part_person"].ss == pytest.approx(rss(by_part, by_person) - rss(cells))
    assert anova["repeatability"].ss == pytest.approx(rss(cells))


def test_a_huge_offset_changes_nothing():
    values = np.round(np.random.default_rng(5).normal(size=(6, 2, 3)) * 64) / 64

    near, far = analyse(values), analyse(values + 2.0**30)

    assert far.anova["repeatability"].ss == pytest.approx(near.anova["repeatability"].ss, rel=1e-9)
    assert far.components == pytest.approx(near.components)


def test_one_person_works():
    found = analyse(np.array([[[1.0, 1.1]], [[2.0, 2.1]], [[3.0, 3.2]]]))

    assert (found.anova["person"], found.anova["part_person"], found.components["person"]) == (None, None, None)
    assert found.repeatability_mm == pytest.approx(np.sqrt((0.005 + 0.005 + 0.02) / 3))
    assert found.dof == 3
    assert found.sizes > 10


def test_one_part_and_single_trials_have_answers():
    one_part = analyse(np.array([[[1.0, 1.1], [1.2, 1.4]]]))
    single = analyse(np.array([[[1.0], [1.1]], [[2.0], [2.3]], [[3.0], [3.1]]]))

    assert (one_part.anova["part"], one_part.part_mm, one_part.sizes) == (None, None, None)
    assert (single.anova["part_person"], single.dof) == (None, 2)


def test_no_spread_at_all_is_an_answer():
    found = analyse(np.ones((3, 2, 2)))

    assert (found.measuring_mm, found.sizes, found.anova["part"].f) == (0.0, None, None)
    assert set(found.shares.values()) == {0.0}


def test_intervals_hold_what_they_say():
    rng, held = np.random.default_rng(9), {"repeatability": 0, "part": 0, "measuring": 0}
    for _ in range(120):
        part, person = rng.normal(0, 3, (10, 1, 1)), rng.normal(0, 1, (1, 3, 1))
        spans = analyse(part + person + rng.normal(0, 1, (10, 3, 2))).intervals_mm
        for name, true in (("repeatability", 1.0), ("part", 3.0), ("measuring", np.sqrt(2))):
            held[name] += spans[name][0] <= true <= spans[name][1]

    assert min(held.values()) / 120 >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / 120)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([("1", "a", "1", 1.0), ("1", "a", "2", 1.1), ("2", "a", "1", 1.2)], "missing: part 2, person a, trial 2"),
        ([("1", "a", "1", 1.0), ("1", "a", "1", 1.1)], "part 1, person a, trial 1 stands twice"),
        ([("1", "a", "1", 1.0), ("2", "a", "1", 1.1)], "nothing is repeated"),
    ],
)
def test_incomplete_studies_are_refused_in_words(rows, message: str):
    with pytest.raises(InsufficientDataError, match=message):
        analyse_rows(rows)


@pytest.mark.parametrize("values", [np.ones((2, 2)), np.full((2, 2, 2), np.nan), np.ones((0, 2, 2))])
def test_wrong_shapes_are_refused(values: np.ndarray):
    with pytest.raises(ValueError, match="`values` must be finite with shape"):
        analyse(values)


def test_share_of_a_tolerance():
    found = analyse(np.array([[[1.0, 1.1]], [[2.0, 2.1]]]))

    assert found.share_of_tolerance(1.0) == pytest.approx(600 * found.measuring_mm)
