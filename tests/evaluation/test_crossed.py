"""Repeatability studies against both published ones, an independent least-squares computation and simulation."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

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
    sums = {"part": 1185.425, "person": 2.617, "part_person": 27.050, "repeatability": 59.500, "total": 1274.592}
    assert {name: round(row.ss, 3) for name, row in found.anova.items()} == sums
    for name, dof in {"part": (19, 38), "person": (2, 38), "part_person": (38, 60)}.items():
        row = found.anova[name]
        assert row.p == pytest.approx(stats.f.sf(row.f, *dof), rel=1e-9)


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


@pytest.mark.parametrize("shape", [(2, 2, 2), (3, 2, 4), (5, 3, 2), (10, 2, 3), (4, 6, 2), (8, 3, 5)])
@pytest.mark.parametrize("spread", [0.001, 0.02, 0.5])
def test_the_whole_table_agrees_with_statsmodels(shape: tuple[int, int, int], spread: float):
    # Independent: statsmodels. With the interaction in the model it gives the sums of squares and tests the interaction
    # against repeatability; the model without it, on the cells' means, tests parts and people against the interaction.
    rng = np.random.default_rng([*shape, round(1000 * spread)])
    part, person = rng.normal(0, 0.05, (shape[0], 1, 1)), rng.normal(0, 0.01, (1, shape[1], 1))
    values = 1.1 + part + person + rng.normal(0, 0.01, (*shape[:2], 1)) + rng.normal(0, spread, shape)
    parts, people, _ = (index.ravel() for index in np.indices(shape))
    table = pd.DataFrame({"part": parts, "person": people, "y": values.ravel()})
    cells = table.groupby(["part", "person"], as_index=False).mean()
    crossed = anova_lm(ols("y ~ C(part) * C(person)", table).fit())
    means = anova_lm(ols("y ~ C(part) + C(person)", cells).fit())

    found = analyse(values).anova

    rows = {"part": "C(part)", "person": "C(person)", "part_person": "C(part):C(person)", "repeatability": "Residual"}
    for name, theirs in rows.items():
        row = found[name]
        assert (row.ss, row.df, row.ms) == tuple(pytest.approx(one, rel=1e-9) for one in crossed.loc[theirs][
            ["sum_sq", "df", "mean_sq"]]), name  # fmt: skip
    tests = {
        "part": means.loc["C(part)"],
        "person": means.loc["C(person)"],
        "part_person": crossed.loc[rows["part_person"]],
    }
    for name, theirs in tests.items():
        assert (found[name].f, found[name].p) == (
            pytest.approx(theirs["F"], rel=1e-9), pytest.approx(theirs["PR(>F)"], rel=1e-9)
        ), name  # fmt: skip
    assert (found["total"].ss, found["total"].df) == (pytest.approx(crossed["sum_sq"].sum(), rel=1e-9), values.size - 1)


def test_a_huge_offset_changes_nothing():
    values = np.round(np.random.default_rng(5).normal(size=(6, 2, 3)) * 64) / 64

    near, far = analyse(values), analyse(values + 2.0**30)

    assert far.anova["repeatability"].ss == pytest.approx(near.anova["repeatability"].ss, rel=1e-9)
    assert far.components == pytest.approx(near.components)


def test_an_exactly_additive_study_has_no_interaction_and_no_test():
    # 0.1 + 0.2 is not 0.3 in doubles: what rounding makes is no spread, and nothing can be tested against it
    found = analyse(np.array([[[0.1, 0.1], [0.3, 0.3]], [[0.4, 0.4], [0.6, 0.6]]]))

    assert (found.anova["part_person"].ss, found.repeatability_mm) == (0.0, 0.0)
    assert (found.anova["part"].f, found.anova["part"].p) == (None, None)
    assert found.anova["part"].ss == pytest.approx(0.18)


def test_shares_of_variance_add_up_and_sizes_are_whole(published):
    found = _study(published, "crossed_study_montgomery_p13_1")
    shares = found.variance_shares

    assert shares["part"] + shares["measuring"] == pytest.approx(100)
    assert sum(shares[name] for name in ("part", "person", "part_person", "repeatability")) == pytest.approx(100)
    assert shares["part"] == pytest.approx(100 * 1.73333 / (1.73333 + 1.5), abs=1e-3)
    assert (found.sizes_told_apart, found.sizes) == (1, pytest.approx(np.sqrt(2 * 1.73333 / 1.5), abs=1e-5))


def test_trials_may_be_numbered_through_the_whole_study():
    cells = [("1", "a"), ("1", "b"), ("2", "a"), ("2", "b")]
    values = [1.0, 1.1, 1.2, 1.0, 2.0, 2.1, 2.2, 2.1]
    each = [(*cells[i // 2], str(i % 2), v) for i, v in enumerate(values)]
    through = [(*cells[i // 2], str(i), v) for i, v in enumerate(values)]

    assert analyse_rows(through)[0] == analyse_rows(each)[0]
    with pytest.raises(InsufficientDataError, match=r"missing: part 2, person b: 1 of 2 readings$"):
        analyse_rows(through[:-1])


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
    assert one_part.sizes_told_apart is None
    assert one_part.variance_shares["measuring"] == pytest.approx(100)
    assert (single.anova["part_person"], single.dof) == (None, 2)


def test_no_spread_at_all_is_an_answer():
    found = analyse(np.ones((3, 2, 2)))

    assert (found.measuring_mm, found.sizes, found.anova["part"].f) == (0.0, None, None)
    assert set(found.shares.values()) == {0.0}
    assert set(found.variance_shares.values()) == {0.0}


def test_intervals_hold_what_they_say():
    rng, held = np.random.default_rng(9), {"repeatability": 0, "part": 0, "measuring": 0}
    for _ in range(120):
        part, person = rng.normal(0, 3, (10, 1, 1)), rng.normal(0, 1, (1, 3, 1))
        spans = analyse(part + person + rng.normal(0, 1, (10, 3, 2))).intervals_mm
        for name, true in (("repeatability", 1.0), ("part", 3.0), ("measuring", np.sqrt(2))):
            held[name] += spans[name][0] <= true <= spans[name][1]

    assert min(held.values()) / 120 >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / 120)


def test_the_interval_between_parts_is_near_the_modified_large_sample_one(published):
    # Independent: Burdick and Graybill 1992, interval of a difference of two mean squares (formula from memory)
    found = _study(published, "crossed_study_montgomery_ex13_1_20x3x2")
    one, two, tails = found.anova["part"], found.anova["part_person"], (0.975, 0.025)
    g1, g2 = (1 - row.df / stats.chi2.ppf(0.975, row.df) for row in (one, two))
    h1, h2 = (row.df / stats.chi2.ppf(0.025, row.df) - 1 for row in (one, two))
    f_high, f_low = (stats.f.ppf(tail, one.df, two.df) for tail in tails)
    g12 = ((f_high - 1) ** 2 - (g1 * f_high) ** 2 - h2**2) / f_high
    h12 = ((1 - f_low) ** 2 - (h1 * f_low) ** 2 - g2**2) / f_low
    middle, both = one.ms - two.ms, one.ms * two.ms
    low = middle - np.sqrt((g1 * one.ms) ** 2 + (h2 * two.ms) ** 2 + g12 * both)
    high = middle + np.sqrt((h1 * one.ms) ** 2 + (g2 * two.ms) ** 2 + h12 * both)

    assert found.intervals_mm["part"] == pytest.approx((np.sqrt(low / 6), np.sqrt(high / 6)), rel=5e-3)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([("1", "a", "1", 1.0), ("1", "a", "2", 1.1), ("2", "a", "1", 1.2)], "missing: part 2, person a, trial 2"),
        ([("1", "a", "1", 1.0), ("1", "a", "1", 1.1)], "part 1, person a, trial 1 stands twice"),
        ([("1", "a", "1", 1.0), ("2", "a", "1", 1.1)], "nothing is repeated"),
        ([], "nothing is repeated: the study has no reading"),
        (
            [("1", "a", "1", 1.0), ("1", "a", "2", 1.1), ("2", "b", "1", 1.2), ("2", "b", "2", 1.2)],
            "missing: part 1, person b, trial 1; part 1, person b, trial 2; part 2, person a, trial 1 and 1 more",
        ),
        ([("1", "a", "1", 1e200), ("1", "a", "2", 1.1)], "nothing measured is beyond"),
    ],
)
def test_incomplete_studies_are_refused_in_words(rows, message: str):
    with pytest.raises(InsufficientDataError, match=message):
        analyse_rows(rows)


@pytest.mark.parametrize("values", [np.ones((2, 2)), np.full((2, 2, 2), np.nan), np.ones((0, 2, 2))])
def test_wrong_shapes_are_refused(values: np.ndarray):
    with pytest.raises(ValueError, match="`values` must be finite with shape"):
        analyse(values)


def test_wrong_choices_are_refused():
    values = np.array([[[1.0, 1.1]], [[2.0, 2.1]]])

    with pytest.raises(ValueError, match="`confidence` must be above 0 and below 1, got 95"):
        analyse(values, confidence=95)
    with pytest.raises(ValueError, match="`tolerance_mm` must be above zero"):
        analyse(values).share_of_tolerance(0.0)


def test_share_of_a_tolerance():
    found = analyse(np.array([[[1.0, 1.1]], [[2.0, 2.1]]]))

    assert found.share_of_tolerance(1.0) == pytest.approx(600 * found.measuring_mm)
