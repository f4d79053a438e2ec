"""The invented instrument beside a bench: started once, told when it is ready, gone with the bench."""

import queue
from collections.abc import Iterator
from typing import Any

import pytest

from logger import example_bench
from logger.example_bench import ExampleBench, no_example

READY = "import sys\nprint('ready http://127.0.0.1:9/', flush=True)\nsys.stdin.read()\n"
Told = queue.Queue[dict[str, Any]]


@pytest.fixture
def told() -> Told:
    return queue.Queue()


@pytest.fixture
def example(told: Told) -> Iterator[ExampleBench]:
    one = ExampleBench(told.put)
    yield one
    one.close()


def test_it_is_started_once_and_ends_when_it_is_closed(
    example: ExampleBench, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(example_bench, "_RUN", READY)
    assert example.start().done
    assert told.get(timeout=20) == {"url": "http://127.0.0.1:9/", "why": ""}
    process = example._process
    assert process is not None
    assert example.start().done
    assert example._process is process
    example.close()
    assert process.poll() == 0


def test_it_stays_after_its_last_reading(example: ExampleBench, told: Told, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(example_bench, "_RUN", "import sys\nprint('ready', *sys.argv[1:])\n")
    assert example.start().done
    assert told.get(timeout=20)["url"] == "demo --no-browser --stay"


def test_one_that_does_not_start_says_why_and_may_be_started_again(
    example: ExampleBench, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(example_bench, "_RUN", "raise SystemExit(3)")
    assert example.start().done
    assert told.get(timeout=20) == {"url": "", "why": "the demo ended with status 3; run fretledger demo"}
    monkeypatch.setattr(example_bench, "_RUN", READY)
    assert example.start().done
    assert told.get(timeout=20)["url"] == "http://127.0.0.1:9/"


def test_one_that_will_not_end_is_stopped(example: ExampleBench, told: Told, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(example_bench, "_RUN", READY + "import time\ntime.sleep(60)\n")
    monkeypatch.setattr(example_bench, "PATIENCE_S", 1)
    example.start()
    told.get(timeout=20)
    process = example._process
    example.close()
    assert process is not None
    assert process.poll() is not None


def test_a_bench_without_one_says_what_to_run() -> None:
    answer = no_example()
    assert not answer.done
    assert answer.text.endswith("run fretledger demo")
