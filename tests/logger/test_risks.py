"""What verdicts risk for a stated process: against an independent simulation, for every kind of limit."""

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from logger.cli import run
from logger.errors import LimitsError
from logger.evaluate import evaluate_file
from logger.evaluation.conformity import Process
from logger.limits import default_limits, limits_toml, parse_limits, read_limits
from logger.report import risks_of

Write = Callable[[str, str], Path]
DRAWS = 200_000
SEATED = "kind,fret,place,value,unit,round,resolution,u\n" + "".join(
    f"seated_height,{fret},{place},{1.10 + lift},mm,{place},0.001,0.006\n"
    for fret in (6, 7)
    for place, lift in (("bass", 0.01), ("centre", 0.0), ("treble", 0.02))
)
MADE = "process_mean_mm = 0.015\nprocess_sd_mm = 0.025\n"


def _json(write: Write, instrument: Path, limits: str, capsys, readings: str = SEATED) -> list[dict[str, object]]:
    files = ("--instrument", instrument, "--limits", write("l.toml", limits))
    status = run([str(one) for one in ("evaluate", write("r.csv", readings), *files, "--json")], lambda *_, **__: None)

    out, err = capsys.readouterr()
    assert status in {0, 1}, err
    return json.loads(out)["verdicts"]


def _simulated(u: float, lower: float, upper: float, p_pass: float = 0.95, p_fail: float = 0.05) -> dict[str, float]:
    """Draw true values and readings, judge each reading by its normal distribution, and count what goes wrong."""
    rng = np.random.default_rng(106)
    true = rng.normal(0.015, 0.025, DRAWS)
    read = rng.normal(true, u)
    p = stats.norm.cdf(upper, read, u) - stats.norm.cdf(lower, read, u)
    good = (true >= lower) & (true <= upper)
    passed, failed = p >= p_pass, p <= p_fail
    return {
        "false_pass": float(np.mean(passed & ~good)),
        "false_fail": float(np.mean(failed & good)),
        "remeasure": float(np.mean(~passed & ~failed)),
    }


@pytest.mark.parametrize(
    ("check", "table", "lower", "upper"),
    [
        pytest.param("proud_end", "upper_mm = 0.05\n", -np.inf, 0.05, id="upper limit"),
        # a size is judged between minus and plus its limit, the process is of the signed difference
        pytest.param("tilted_fret", "upper_mm = 0.05\n", -0.05, 0.05, id="size"),
        pytest.param("uneven_seating", "upper_mm = 0.04\n", -0.04, 0.04, id="largest of three"),
    ],
)
def test_the_risks_of_a_verdict_agree_with_simulation(
    write: Write, instrument: Path, capsys, check: str, table: str, lower: float, upper: float
):
    found = [one for one in _json(write, instrument, f"[{check}]\n{table}{MADE}", capsys) if one["check"] == check]

    assert found
    for one in found:
        expected = _simulated(float(one["u_mm"]), lower, upper)
        assert one["risk"].keys() == expected.keys()
        for name, share in expected.items():
            # five standard deviations of a counted share, and never less than a few counts
            near = 5 * np.sqrt(max(share, 10 / DRAWS) / DRAWS)
            assert one["risk"][name] == pytest.approx(share, abs=near), name


def test_the_two_probabilities_of_the_file_decide(write: Write, instrument: Path, capsys):
    bold = f"[proud_end]\nupper_mm = 0.05\np_pass = 0.6\np_fail = 0.4\n{MADE}"
    (one, *_) = (one for one in _json(write, instrument, bold, capsys) if one["check"] == "proud_end")
    expected = _simulated(float(one["u_mm"]), -np.inf, 0.05, 0.6, 0.4)

    assert expected["false_pass"] > 0.002
    for name, share in expected.items():
        assert one["risk"][name] == pytest.approx(share, abs=5 * np.sqrt(share / DRAWS)), name


def test_a_verdict_without_a_process_or_a_known_uncertainty_has_no_risk(write: Write, instrument: Path, capsys):
    stated = f"[proud_end]\nupper_mm = 0.05\n{MADE}"
    bare = "kind,fret,place,value,unit\nseated_height,7,bass,1.1,mm\nseated_height,7,centre,1.1,mm\n"

    known = _json(write, instrument, stated, capsys)
    unknown = _json(write, instrument, stated, capsys, readings=bare)

    assert {one["check"]: one["risk"] is None for one in known} == {
        "proud_end": False, "both_ends_proud": True, "middle_high": True, "uneven_seating": True, "tilted_fret": True,
    }  # fmt: skip
    assert [one["risk"] for one in unknown] == [None] * len(unknown)


def test_a_gauge_without_any_error_risks_nothing(write: Write, instrument: Path, capsys):
    exact = re.sub("0.001,0.006", ",0", SEATED)

    found = _json(write, instrument, f"[proud_end]\nupper_mm = 0.05\n{MADE}", capsys, readings=exact)

    assert {tuple(one["risk"].values()) for one in found if one["check"] == "proud_end"} == {(0.0, 0.0, 0.0)}


@pytest.mark.parametrize("check", sorted(default_limits("bass")))
def test_a_process_survives_writing_and_reading(check: str):
    chosen = dict(default_limits("bass"))
    chosen[check] = replace(chosen[check], process=Process(mean_mm=-1 / 3, sd_mm=1e-05))

    assert dict(parse_limits(limits_toml(chosen), where="kept", kind="electric")) == chosen


@pytest.mark.parametrize(
    ("text", "message"),
    [
        pytest.param(
            "process_mean_mm = 0\n", "[high_fret]: give process_mean_mm and process_sd_mm together", id="mean"
        ),
        pytest.param("process_sd_mm = 1\n", "[high_fret]: give process_mean_mm and process_sd_mm together", id="sd"),
        pytest.param("process_mean_mm = 0\nprocess_sd_mm = 0\n", "process_sd_mm must be above 0 and at most", id="0"),
        pytest.param("process_mean_mm = 0\nprocess_sd_mm = -1\n", "process_sd_mm must be above 0 and at most", id="-1"),
        pytest.param("process_mean_mm = 0\nprocess_sd_mm = 1e-9\n", "1e-09 is below a nanometre", id="nothing"),
        pytest.param("process_mean_mm = 0\nprocess_sd_mm = inf\n", "process_sd_mm must be a number, got inf", id="inf"),
        pytest.param("process_mean_mm = nan\nprocess_sd_mm = 1\n", "process_mean_mm must be a number", id="nan"),
        pytest.param("process_mean_mm = '0'\nprocess_sd_mm = 1\n", "process_mean_mm must be a number", id="text"),
        pytest.param("process_mean_mm = 2000\nprocess_sd_mm = 1\n", "process_mean_mm must be at least -1000", id="far"),
        pytest.param("process_mean = 0\n", "unknown key 'process_mean'", id="misspelt"),
    ],
)
def test_a_process_that_does_not_hold_is_refused_in_one_line(write: Write, text: str, message: str):
    with pytest.raises(LimitsError, match=re.escape(message)) as caught:
        read_limits(write("l.toml", f"[high_fret]\nupper_mm = 0.05\n{text}"), kind="bass")

    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("sd", [1e-6, 1e-3, 1000.0])
@pytest.mark.parametrize("mean", [-1000.0, 0.0, 0.05, 1000.0])
def test_any_process_that_a_file_may_state_has_risks(write: Write, instrument: Path, mean: float, sd: float):
    result = evaluate_file(write("r.csv", SEATED), instrument)
    for one in result.verdicts:
        limits = replace(result.limits[one.check], process=Process(mean_mm=mean, sd_mm=sd))
        risks = risks_of(one.check, limits, one.judgement.estimate.u_mm)
        shares = (risks.false_pass, risks.false_fail, risks.remeasure)
        assert all(0 <= share <= 1 for share in shares)
        assert sum(shares) <= 1 + 1e-9
