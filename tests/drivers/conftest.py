"""A bench of simulated gauges on real pseudo-terminals, and a guard that no thread outlives its test."""

import asyncio
import os
import threading
from collections.abc import Callable, Coroutine, Iterator
from dataclasses import replace
from typing import Any

import pytest

from drivers import Backoff, Gauge, GaugeState, Profile, SimulatedGauge, load_profiles

if not hasattr(os, "openpty"):  # Windows
    needing_pseudo_terminals = (
        "gauge",
        "gauge_binary",
        "gauge_link",
        "gauge_ways",
        "many_gauges",
        "replug",
        "serial_port",
        "simulated",
    )
    collect_ignore = [f"test_{name}.py" for name in needing_pseudo_terminals]


@pytest.fixture(autouse=True)
def no_thread_is_left() -> Iterator[None]:
    """Fail a test that leaves a thread running."""
    before = set(threading.enumerate())
    yield
    assert set(threading.enumerate()) <= before


@pytest.fixture(scope="session")
def profiles() -> dict[str, Profile]:
    return load_profiles()


@pytest.fixture
def caliper(profiles: dict[str, Profile]) -> Profile:
    return profiles["caliper-mm"]


@pytest.fixture
def far_end(caliper: Profile) -> Iterator[SimulatedGauge]:
    """The far end of a caliper's cable, plugged in."""
    with SimulatedGauge("caliper", profile=caliper) as far:
        yield far


@pytest.fixture
def far_of(caliper: Profile) -> Iterator[Callable[..., SimulatedGauge]]:
    """Plug in a gauge whose profile says more than a caliper's."""
    plugged: list[SimulatedGauge] = []

    def plug(**more: Any) -> SimulatedGauge:
        plugged.append(SimulatedGauge("gauge", profile=replace(caliper, **more)))
        return plugged[-1]

    yield plug
    for far in plugged:
        far.close()


class Watcher:
    """Keeps the states that a gauge tells and waits for one."""

    def __init__(self) -> None:
        self.states: list[GaugeState] = []
        self._news = asyncio.Event()

    def __call__(self, state: GaugeState) -> None:
        self.states.append(state)
        self._news.set()

    async def until(self, gauge: Gauge, holds: Callable[[GaugeState], bool]) -> GaugeState:
        async with asyncio.timeout(10):
            while not holds(gauge.state):
                self._news.clear()
                await self._news.wait()
        return gauge.state

    async def alive(self, gauge: Gauge) -> None:
        await self.until(gauge, lambda state: state.status == "alive")

    async def lost(self, gauge: Gauge) -> None:
        await self.until(gauge, lambda state: state.status == "lost")


@pytest.fixture
def watcher() -> Watcher:
    return Watcher()


@pytest.fixture
def gauge_at() -> Callable[..., Gauge]:
    """Make a gauge that comes back quickly."""

    def make(far: SimulatedGauge, **more: Any) -> Gauge:
        options: dict[str, Any] = {
            "profile": far.profile,
            "port": far.port,
            "backoff": Backoff(first_s=0.005, limit_s=0.02),
        }
        return Gauge(far.name, **(options | more))

    return make


@pytest.fixture
def run() -> Callable[[Coroutine[Any, Any, Any]], Any]:
    """Run a coroutine in an event loop of its own, for no longer than 30 seconds."""

    async def limited(work: Coroutine[Any, Any, Any]) -> Any:
        async with asyncio.timeout(30):
            return await work

    return lambda work: asyncio.run(limited(work))
