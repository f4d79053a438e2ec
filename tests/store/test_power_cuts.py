"""A few cuts of the measure that cuts the power; 50 are made by hand (tests/measures/power_cuts.py)."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

MEASURE = Path(__file__).parents[1] / "measures" / "power_cuts.py"


def cut(*arguments: str) -> tuple[int, dict[str, Any]]:
    done = subprocess.run(
        [sys.executable, MEASURE, *arguments], capture_output=True, text=True, check=False, timeout=100
    )
    if done.returncode == 2 or "mount: " in done.stderr:
        pytest.skip(f"no power can be cut here: {done.stderr.splitlines()[-1]}")
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout.splitlines()[-1])


def test_nothing_acknowledged_is_lost_when_the_power_is_cut() -> None:
    status, figures = cut("--rounds", "2", "--seed", "7")

    assert figures["acknowledged"] > 0
    assert (status, figures["missing"], figures["twice"]) == (0, 0, 0)


def test_the_measure_fails_for_a_store_that_does_not_wait_for_the_disk() -> None:
    status, figures = cut("--rounds", "1", "--seed", "7", "--synchronous", "OFF")

    assert status == 1
    assert figures["cuts_with_a_loss"] == 1
