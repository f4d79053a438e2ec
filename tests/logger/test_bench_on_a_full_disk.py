"""A real disk runs full under a sitting: readings go on, the page says so, and all are written when there is space."""

import json
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from logger import recorder
from logger.begin import default_gauges
from logger.bench import Bench, Trouble
from logger.instrument import parse_instrument
from logger.limits import default_limits
from logger.store import Store, StoreReader

NECK = parse_instrument('name = "n"\nkind = "bass"\nscale_mm = 864\nfrets = 5\n', where="test")


@pytest.fixture
def bench(small_disk: Path) -> Iterator[Bench]:
    trouble = Trouble()
    with Store.create(small_disk / "s.db", on_trouble=trouble) as store:
        one = Bench(store, NECK, default_limits("bass"), specs=default_gauges())
        trouble.listener = one.on_trouble
        one.start()
        yield one
        one.stop(reason="test over")


def _when(bench: Bench, holds: Any) -> Mapping[str, Any]:
    give_up = time.monotonic() + 30
    while True:
        snapshot = bench.door.snapshot()
        if snapshot["version"] and holds(snapshot):
            return snapshot
        assert time.monotonic() < give_up, json.dumps(snapshot)[:2000]
        bench.door.wait(snapshot["version"], timeout_s=1)


def _type(bench: Bench, count: int) -> list[str]:
    answers = []
    for _ in range(count):
        ask = {"do": "typed", "text": "0.51", "unit": "mm"}
        answer = bench.door.act(f"typed {time.monotonic_ns()}", ask)
        assert answer.done, answer
        answers.append(answer.text)
    return answers


def _fill(path: Path) -> None:
    with path.open("wb", buffering=0) as file:
        while True:
            file.write(b"x" * 1024)


def test_readings_wait_in_memory_loudly_and_are_written_when_there_is_space(
    bench: Bench, small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder, "PATIENCE_S", 0.1)
    _type(bench, 1)
    _when(bench, lambda s: s["seq"] == 1)
    filler = small_disk / "filler"
    with pytest.raises(OSError, match="No space left"):
        _fill(filler)

    # What the log still has room for is kept; then nothing is.
    answers: list[str] = []
    while not answers or "not on disk yet" not in answers[-1]:
        answers += _type(bench, 1)
        assert len(answers) < 400
    answers += _type(bench, 3)
    said = _when(bench, lambda s: s["waiting"] >= 4 and s["trouble"])
    assert "the disk is full" in said["trouble"]
    assert "free some space" in said["trouble"]
    with StoreReader(small_disk / "s.db") as reader:
        assert reader.count() == 1 + len(answers) - said["waiting"]

    filler.unlink()

    _when(bench, lambda s: s["waiting"] == 0 and not s["trouble"] and s["seq"] == 1 + len(answers))
    with StoreReader(small_disk / "s.db") as reader:
        assert reader.count() == 1 + len(answers)
