"""Figures carry the numbers that were judged."""

from pathlib import Path

import numpy as np
import pytest

from logger.evaluate import Evaluation, evaluate_file
from logger.levelling_report import plan_json
from logger.plan_command import levelling_of_file
from logger.plots import BAND, fit_figure, profile_figure, removal_figure

EXAMPLE = Path(__file__).parents[2] / "docs" / "example"


@pytest.fixture(scope="module")
def worked() -> Evaluation:
    return evaluate_file(EXAMPLE / "readings.csv", EXAMPLE / "instrument.toml", gauges=EXAMPLE / "gauges.toml")


def test_the_profile_shows_every_path_with_its_band(worked: Evaluation):
    levelling = levelling_of_file(worked)
    figure = profile_figure(levelling)
    lines = [one for one in figure.data if one.mode == "lines+markers"]
    bands = [one for one in figure.data if one.fill == "toself"]

    assert [one.name for one in lines] == ["bass", "centre", "treble"]
    assert int(np.argmax(lines[0].y)) == levelling.frets.index(7)
    top, bottom = np.array(bands[1].y[:20]), np.array(bands[1].y[:19:-1])
    assert (top - bottom) / 2 == pytest.approx(BAND * levelling.neck.u_mm[1])
    assert "heights exaggerated" in figure.layout.title.text


def test_the_plan_shows_what_is_filed_and_what_is_left(worked: Evaluation):
    levelling = levelling_of_file(worked)
    plan = plan_json(levelling)
    assert plan is not None
    figure = removal_figure(levelling, plan["places"], crown_min_mm=0.85)
    bars = [one for one in figure.data if one.type == "bar"]

    assert sum(sum(one.y) for one in bars) == pytest.approx(plan["total_mm"], abs=1e-4)
    assert [one.text for one in figure.layout.annotations if "re-seat" in one.text] == ["re-seat treble"]


def test_the_fit_stands_between_its_limits(worked: Evaluation):
    estimate = worked.verdicts[0].judgement.estimate
    figure = fit_figure("neck", [(3, "bass", estimate), (3, "treble", estimate)], worked.limits, "tang_clearance")

    assert [one.name for one in figure.data] == ["bass", "treble"]
    assert figure.data[0].error_y.array[0] == pytest.approx(estimate.expanded_u_mm())
    assert sorted(one.y0 for one in figure.layout.shapes) == [0.0, 0.10]
