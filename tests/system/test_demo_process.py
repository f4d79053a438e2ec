"""The demo as a person starts it: ready line, page, result, exit status, and what a kill leaves behind."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
MEASURES = Path(__file__).parents[1] / "measures"


def test_the_demo_in_short(start: Any, tmp_path: Path):
    store = tmp_path / "demo.db"
    demo = start("demo", "--seconds", "6", "--seed", "7", "--no-browser", "--store", store)

    url = demo.url()
    with urllib.request.urlopen(f"{url}/snapshot", timeout=10) as answer:
        shown = json.load(answer)
    result = demo.result()

    assert demo.end() == 0
    assert url.startswith("http://127.0.0.1:")
    assert {"store", "boot", "seq"} <= set(shown)
    assert list(result) == ["readings", "durable", "planted", "flags", "found", "missed", "false", "wire_to_durable_ms"]
    assert (result["missed"], result["false"]) == (0, 0)
    assert result["readings"] == result["durable"] > 200
    assert set(result["planted"][0]) == {"check", "fret", "place", "size_mm"}
    assert set(result["flags"][0]) == {"check", "fret", "place", "value_mm", "verdict"}
    kept = sqlite3.connect(f"file:{store}?mode=ro", uri=True)
    assert kept.execute("SELECT count(*) FROM reading").fetchone() == (result["durable"],)
    kept.close()
    assert demo.errors == []


def test_a_polite_end_is_prompt_and_complete(start: Any):
    demo = start("demo", "--seconds", "60", "--no-browser")
    demo.url()

    assert demo.end(signal.SIGTERM) == 1  # stopped before everything planted was measured
    assert demo.result()["missed"] > 0


@pytest.mark.parametrize("seconds", [0.05, 0.3, 0.8])
def test_an_early_interrupt_is_no_traceback(start: Any, tmp_path: Path, seconds: float):
    program = start("bench", "--no-browser", "--store", tmp_path / "s.db")
    time.sleep(seconds)  # somewhere in the imports; wherever it falls, the end is orderly

    status = program.end(signal.SIGINT)

    assert status in {0, 130, -signal.SIGINT}
    assert "Traceback" not in "".join(program.errors) or status == -signal.SIGINT


def test_a_taken_port_is_said_in_one_line(start: Any):
    first = start("demo", "--seconds", "60", "--no-browser")
    port = first.url().rsplit(":", 1)[1]

    second = start("demo", "--seconds", "5", "--no-browser", "--port", port)

    assert second.process.wait(30) == 2
    second.end()
    assert len(second.errors) == 1
    assert f"port {port}" in second.errors[0]


def test_two_programs_on_one_store(start: Any, tmp_path: Path):
    store = tmp_path / "s.db"
    first = start("demo", "--seconds", "60", "--no-browser", "--store", store)
    first.url()

    second = start("bench", "--no-browser", "--store", store)

    assert second.process.wait(30) == 4
    second.end()
    assert f"process {first.process.pid}" in second.errors[0]


def test_three_kills_lose_nothing_that_was_acknowledged(tmp_path: Path):
    command = [
        sys.executable,
        str(MEASURES / "kill_the_demo.py"),
        "--rounds",
        "3",
        "--seed",
        "5",
        "--folder",
        str(tmp_path),
    ]

    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=110, env=os.environ)

    result = json.loads(done.stdout.splitlines()[-1])
    assert done.returncode == 0, done.stdout + done.stderr
    assert result["missing"] == 0
    assert result["acknowledged"] > 0
