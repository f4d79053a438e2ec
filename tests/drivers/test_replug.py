"""Thirty cycles of the measure that pulls the cable; 200 are run by hand (tests/measures/replug.py)."""

import asyncio
import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from drivers.intake import Batch, Intake


@pytest.fixture(scope="module")
def measure() -> ModuleType:
    path = Path(__file__).parents[1] / "measures" / "replug.py"
    spec = importlib.util.spec_from_file_location("replug", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["replug"] = module  # its dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_frame_is_delivered_once_over_ten_replug_cycles(measure: ModuleType, seed: int) -> None:
    count = asyncio.run(measure.plugged(10, seed))

    assert count.faults == []
    assert count.cycles == 10
    assert count.delivered > 0
    assert count.refused > 10


@pytest.mark.parametrize("fault", ["twice", "never"])
def test_the_measure_would_find_a_frame_that_comes_twice_or_never(
    measure: ModuleType, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    real = Intake.drain

    def drain(self: Intake) -> Batch:
        batch = real(self)
        if fault == "twice":
            batch.arrivals *= 2
        else:
            batch.arrivals = [one for one in batch.arrivals if one.number.value_nm % 30_000]
        return batch

    monkeypatch.setattr(Intake, "drain", drain)
    monkeypatch.setattr(measure, "PATIENCE_S", 0.5)

    try:
        faults = asyncio.run(measure.plugged(10, 1)).faults
    except TimeoutError:
        return
    assert faults
