"""The invented person at the demo bench: follows the page, presses gauges, types leaves.

It sees what anyone sees through the door and acts through the same door; measurement error is added here.
"""

import math
import random
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from drivers.simulated import SimulatedGauge
from logger.demo.neck import Neck
from logger.door import Door
from logger.features import NM_PER, Feature
from logger.gauge_file import GaugeSpec
from logger.store import ReadingRow

LEAF_STEP_MM: Final = 0.025
"""Leaves come in steps of 0.025 mm (common practice, no source)."""
PATIENCE_S: Final = 20.0
_NM: Final = NM_PER["mm"]


class BenchSilentError(Exception):
    """A reading was sent and never appeared."""


@dataclass(slots=True)
class Stopwatch:
    """Time from the wire to the disk: started at the press, stopped at the commit; any thread."""

    milliseconds: list[float] = field(default_factory=list)
    _started: dict[str, int] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def start(self, gauge: str) -> None:
        """Note that a gauge is being pressed now."""
        with self._lock:
            self._started[gauge] = time.perf_counter_ns()

    def durable(self, row: ReadingRow) -> None:
        """Note that a reading is on disk now."""
        with self._lock:
            begun = self._started.pop(row.gauge, None)
            if begun is not None:
                self.milliseconds.append((time.perf_counter_ns() - begun) / 1e6)


class Operator:
    """Measure the whole sheet at an even pace."""

    def __init__(
        self,
        neck: Neck,
        door: Door,
        gauges: Mapping[str, SimulatedGauge],
        specs: Mapping[str, GaugeSpec],
        *,
        seed: int,
        watch: Stopwatch,
    ) -> None:
        self._neck = neck
        self._door = door
        self._gauges = gauges
        self._specs = specs
        self._rng = random.Random(f"hand {seed}")  # noqa: S311 - a seeded scenario, nothing secret
        self._watch = watch
        self._zeros: dict[tuple[str, str], float] = {}
        self._typed = 0

    def measure_all(self, deadline: float, stop: threading.Event) -> None:
        """Measure until the sheet is done; spread what is left over the time to ``deadline`` (monotonic seconds)."""
        snapshot = self._wait_past({"version": 0})
        while snapshot.get("next") is not None and not stop.is_set():
            left = sum(stage["of"] - stage["done"] - stage["skipped"] for stage in snapshot["stages"])
            begun = time.monotonic()
            self._measure(snapshot)
            snapshot = self._wait_past(snapshot)
            pause = (deadline - begun) / left - (time.monotonic() - begun)
            if pause > 0:
                stop.wait(pause)

    def _wait_past(self, seen: Mapping[str, Any]) -> Mapping[str, Any]:
        """Wait until a reading more is on the page.

        Raises:
            BenchSilentError: none came.
        """
        give_up = time.monotonic() + PATIENCE_S
        while True:
            now = self._door.snapshot()
            if now["version"] and (not seen["version"] or now["seq"] > seen["seq"]):
                return now
            if time.monotonic() > give_up:
                raise BenchSilentError(f"no reading appeared within {PATIENCE_S:g} s of the last press")
            self._door.wait(now["version"], timeout_s=1.0)

    def _measure(self, snapshot: Mapping[str, Any]) -> None:
        asked = snapshot["next"]
        feet = (asked["feet"][0], asked["feet"][1]) if asked["feet"] else None
        feature = Feature(kind=asked["kind"], fret=asked["fret"], place=asked["place"], feet=feet)
        true_mm = self._neck.true_mm(feature)
        kind = asked["gauge_kind"]
        if asked["bracket"]:
            low = math.floor(true_mm / LEAF_STEP_MM)
            self._type("leaves", f"{low * LEAF_STEP_MM:.3f} {(low + 1) * LEAF_STEP_MM:.3f}")
            return
        value_mm = true_mm + self._zero(kind, snapshot["stage"]) + self._rng.gauss(0, self._specs[kind].u_mm or 0.0)
        if kind in self._gauges:
            self._watch.start(self._gauges[kind].name)
            self._gauges[kind].press(round(value_mm * _NM))
        else:
            self._type(f"typed {kind.replace('_', ' ')}", f"{value_mm:.3f}")

    def _zero(self, kind: str, stage: str) -> float:
        """Return the zero error of a gauge in a round, drawn once."""
        if (kind, stage) not in self._zeros:
            self._zeros[kind, stage] = self._rng.gauss(0, self._specs[kind].zero_u_mm)
        return self._zeros[kind, stage]

    def _type(self, gauge: str, text: str) -> None:
        self._typed += 1
        self._watch.start(gauge)
        answer = self._door.act(f"hand-{self._typed}", {"do": "typed", "text": text, "unit": "mm"})
        if not answer.done:
            raise BenchSilentError(f"the bench refused {text!r}: {answer.text}")
