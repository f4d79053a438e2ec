"""Five seconds of the measure with 64 gauges; a million samples are run by hand (tests/measures/many_gauges.py)."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

MEASURE = Path(__file__).parents[1] / "measures" / "many_gauges.py"


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from Linux's /proc")
def test_64_gauges_at_50_a_second_lose_nothing_and_memory_stays_flat() -> None:
    words = [sys.executable, str(MEASURE), "--gauges", "64", "--per-s", "50", "--samples", "16000", "--seed", "7"]

    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=100)

    assert done.returncode == 0, done.stdout + done.stderr
    found = json.loads(done.stdout)
    assert (found["taken"], found["missing"], found["wrong"], found["surplus"], found["unreadable"]) == (
        16_000,
        0,
        0,
        0,
        0,
    )
    assert found["threads"] == 65  # one for each gauge and the event loop's
    assert found["most_mb"] - found["warm_mb"] < 8
