"""Gauges that send binary frames with pauses between, on real pseudo-terminals."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

from drivers import Gauge, GaugeState, Reading, SerialSettings, SimulatedGauge

Run = Callable[[Coroutine[Any, Any, Any]], Any]
Make = Callable[..., Gauge]
Watcher = Any  # the class in conftest.py


async def take(gauge: Gauge, count: int) -> list[Reading]:
    return [await gauge.read(10) for _ in range(count)]


def test_binary_frames_with_pauses_between_are_readings(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run
) -> None:
    far = far_of(decoder="caliper24")

    async def work() -> list[Reading]:
        readings = []
        async with gauge_at(far) as gauge:
            for steps in (59, 1234, 7):
                far.press_raw(steps.to_bytes(3, "little"))
                readings += await take(gauge, 1)
        return readings

    readings = run(work())

    assert [reading.value_nm for reading in readings] == [590_000, 12_340_000, 70_000]
    assert [reading.raw for reading in readings] == [b"\x3b\0\0", b"\xd2\x04\0", b"\x07\0\0"]


def test_binary_frames_too_close_for_their_pause_are_refused_with_what_to_do(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    """Fifty a second are too close for a pause of 0.1 s, and not for the one that the profile may state."""
    slow = far_of(decoder="caliper24", serial=SerialSettings(pause_s=0.1))
    quick = far_of(decoder="caliper24", serial=SerialSettings(pause_s=0.004))

    async def work() -> tuple[GaugeState, list[Reading]]:
        async with gauge_at(slow, on_state=watcher) as one, gauge_at(quick) as other:
            for steps in range(80):
                for far in (slow, quick):
                    far.press_raw(steps.to_bytes(3, "little"))
                await asyncio.sleep(0.02)
            return await watcher.until(one, lambda state: state.unreadable > 0), await take(other, 60)

    state, readings = run(work())

    assert state.readings == 0
    assert "pause_s in its profile shorter" in state.detail
    # a busy computer may see two at once, whose pause is gone then; what is read is right all the same
    values = [reading.value_nm for reading in readings]
    assert values == sorted(set(values))
    assert set(values) <= {steps * 10_000 for steps in range(80)}


def test_half_a_binary_frame_never_shifts_the_next(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    far = far_of(decoder="caliper24")

    async def work() -> tuple[list[Reading], GaugeState]:
        async with gauge_at(far, on_state=watcher) as gauge:
            far.press_raw(b"\xd2\x04")
            await watcher.until(gauge, lambda state: state.unreadable == 1)
            far.press_raw(b"\x3b\0\0")
            return await take(gauge, 1), gauge.state

    (reading,), state = run(work())

    assert (reading.value_nm, state.unreadable) == (590_000, 1)


def test_the_two_halves_of_a_binary_frame_make_one_reading(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run
) -> None:
    far = far_of(decoder="caliper24")

    async def work() -> list[Reading]:
        async with gauge_at(far) as gauge:
            for byte in b"\xd2\x04\0":
                far.press_raw(bytes((byte,)))
                await asyncio.sleep(0)
            return await take(gauge, 1)

    assert [reading.value_nm for reading in run(work())] == [12_340_000]
