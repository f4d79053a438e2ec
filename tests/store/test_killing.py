"""Three rounds of the measure that kills a writer; 200 are run by hand (tests/measures/kill_the_writer.py)."""

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

MEASURE = Path(__file__).parents[1] / "measures" / "kill_the_writer.py"


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nothing_acknowledged_is_lost_when_the_writer_is_killed(tmp_path: Path, seed: int) -> None:
    done = subprocess.run(
        [sys.executable, MEASURE, "--rounds", "1", "--seed", str(seed), "--folder", tmp_path],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )

    assert done.returncode == 0, done.stdout + done.stderr
    result = json.loads(done.stdout)
    assert result["acknowledged"] > 0
    assert (result["missing"], result["twice"], result["wrong"]) == (0, 0, [])


def test_the_measure_would_find_a_loss() -> None:
    spec = importlib.util.spec_from_file_location("kill_the_writer", MEASURE)
    assert spec is not None
    assert spec.loader is not None
    measure = importlib.util.module_from_spec(spec)
    sys.modules["kill_the_writer"] = measure
    spec.loader.exec_module(measure)

    kept = {1: measure.value_nm(1), 2: measure.value_nm(2) + 1}

    assert measure.missing([1, 2, 3], kept) == (2, 3)
