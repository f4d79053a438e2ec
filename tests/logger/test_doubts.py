"""What readings that disagree do to verdicts and plan, and how well a removal is known."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.cli import run

HEAD = "kind,fret,place,value,unit,feet,low,high,gauge,round\n"
X = [645 * (1 - 2 ** (-n / 12)) for n in range(21)]
Write = Callable[[str, str], Path]


def _steps(
    heights: np.ndarray, *, zero: float = 0.0, round_: str = "a", gross: dict[int, float] | None = None, reach: int = 1
) -> str:
    rows = []
    for fret in range(1 + reach, 21 - reach):
        low, high = fret - reach, fret + reach
        share = (X[fret] - X[low]) / (X[high] - X[low])
        step = heights[fret] - (1 - share) * heights[low] - share * heights[high]
        step += zero + (gross or {}).get(fret, 0.0)
        rows.append(f"fret_step,{fret},centre,{step:.6f},mm,{low}-{high},,,rocker,{round_}\n")
    return "".join(rows)


def _gaps(heights: np.ndarray, frets: tuple[int, ...] = (5, 8, 11, 14)) -> str:
    rows = []
    for fret in frets:
        share = (X[fret] - X[1]) / (X[20] - X[1])
        gap = (1 - share) * heights[1] + share * heights[20] - heights[fret]
        rows.append(f"straightedge_gap,{fret},centre,,mm,1-20,{gap - 0.01732:.6f},{gap + 0.01732:.6f},leaves,\n")
    return "".join(rows)


@pytest.fixture
def asked(
    write: Write, instrument: Path, gauges: Path, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[dict[str, Any], str, str]]:
    """Return a function that runs a command on rows: its JSON, its table and what it said on the side."""

    def _asked(command: str, rows: str) -> tuple[dict[str, Any], str, str]:
        files = [str(write("r.csv", HEAD + rows)), "--instrument", str(instrument), "--gauges", str(gauges)]
        run([command, *files, "--json"], lambda *_: None)  # type: ignore[arg-type, return-value]
        found = json.loads(capsys.readouterr().out)
        run([command, *files], lambda *_: None)  # type: ignore[arg-type, return-value]
        said = capsys.readouterr()
        return found, said.out, said.err

    return _asked


def test_rounds_with_different_zeros_are_told_apart(asked: Callable[..., Any]):
    """Two rounds 0.005 apart, each zero known to 0.002: both zeros come out, and their sum of squares has its dof."""
    flat = np.zeros(21)
    rows = _steps(flat, zero=0.0025, round_="a") + _steps(flat, zero=-0.0025, round_="b") + _gaps(flat)
    found, _, _ = asked("evaluate", rows)

    zeros = {one["round"]: one["value_mm"] for one in found["zero_errors"]}
    assert zeros["/a"] - zeros["/b"] == pytest.approx(0.005, abs=0.0012)
    assert found["fit_of_the_whole"]["dof"] >= 20
    assert {tuple(one) for one in found["verdicts"][0]} == {tuple(one) for one in found["verdicts"][-1]}
    assert [one["verdict"] for one in found["verdicts"] if one["fret"] == 9 and one["check"] == "high_fret"] == ["pass"]


def test_rounds_that_disagree_beyond_their_zeros_are_said(asked: Callable[..., Any]):
    flat = np.zeros(21)
    found, _, said = asked("evaluate", _steps(flat, zero=0.0, round_="a") + _steps(flat, zero=0.020, round_="b"))

    assert found["fit_of_the_whole"]["p"] < 0.01
    assert "disagree by more than the gauges are worth" in said


def test_steps_with_the_wrong_sign_do_not_fit_as_a_whole(asked: Callable[..., Any]):
    heights = 0.03 * np.sin(np.arange(21))
    _, _, said = asked("evaluate", _steps(-heights) + _steps(heights, reach=2, round_="b") + _gaps(heights))

    assert "disagree by more than the gauges are worth" in said
    assert "zeros and signs" in said


def test_a_gross_error_moves_no_fret_and_no_file(asked: Callable[..., Any]):
    """One step 0.1 mm off on a neck with fret 7 high by 0.08: the plan is the one without it, and says so."""
    heights = np.zeros(21)
    heights[7] = 0.08
    more = _steps(heights, reach=2, round_="b") + _gaps(heights)
    good, _, _ = asked("plan", _steps(heights) + more)
    found, table, _ = asked("plan", _steps(heights, gross={14: 0.1}) + more)
    judged, _, _ = asked("evaluate", _steps(heights, gross={14: 0.1}) + more)

    removed = [{one["fret"]: one["remove_mm"] for one in each["plan"]["places"]} for each in (good, found)]
    assert removed[1] == pytest.approx(removed[0], abs=0.004)
    assert "does not fit the other readings and is left out: measure it again before you file" in table
    assert [(one["fret"], one["u_mm"]) for one in judged["deviations"] if one["fret"] in {13, 14, 15}] == [(14, None)]


def test_a_removal_is_as_uncertain_as_the_line_that_holds_it(asked: Callable[..., Any]):
    """Steps alone and a zero of 0.002: by Monte Carlo over that zero the largest removal's spread is what U says."""
    rng = np.random.default_rng(3)
    flat = np.zeros(21)
    first, table, _ = asked("plan", _steps(flat, zero=0.001))
    at_eight = {one["fret"]: one for one in first["plan"]["places"]}[8]
    removals = []
    for zero in rng.normal(0.002, 0.002, 40):
        found, _, _ = asked("plan", _steps(flat, zero=float(zero)))
        removals.append(next(one["remove_mm"] for one in found["plan"]["places"] if one["fret"] == 8))

    assert at_eight["noise"]
    assert at_eight["U_mm"] == pytest.approx(1.96 * np.std(removals), rel=0.6)
    assert at_eight["U_mm"] > 0.1
    assert "the plan is no better than that" in table


def test_a_plan_without_a_target_says_what_it_takes_for_wanted(asked: Callable[..., Any]):
    _, table, _ = asked("plan", _steps(np.zeros(21)) + _gaps(np.zeros(21)))

    assert "no [target], so that straight is taken for the shape wanted" in table
    assert "nothing here keeps a removal smaller than the crown" in table


def test_a_reading_without_uncertainty_is_named(asked: Callable[..., Any]):
    heights = np.zeros(21)
    heights[7] = 0.08
    rows = _steps(heights) + _gaps(heights) + "straightedge_gap,9,centre,0.01,mm,1-20,,,card,\n"
    found, table, _ = asked("plan", rows)

    assert {one["U_mm"] for one in found["plan"]["places"]} == {None}
    assert "gap under the straightedge, blocks on 1 and 20 has no stated uncertainty" in table
