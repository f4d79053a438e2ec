import asyncio
import random
from collections.abc import Callable, Coroutine
from dataclasses import replace
from itertools import groupby
from typing import Any

import pytest
import serial

from drivers import (
    Gauge,
    GaugeState,
    Profile,
    Reading,
    SimulatedGauge,
)

Run = Callable[[Coroutine[Any, Any, Any]], Any]
Make = Callable[..., Gauge]
Watcher = Any  # the class in conftest.py


async def take(gauge: Gauge, count: int) -> list[Reading]:
    return [await gauge.read(10) for _ in range(count)]


@pytest.mark.parametrize(
    ("name", "sent_nm", "unit"),
    [
        ("caliper-mm", [0, 10_000, -12_340_000, 590_000], "mm"),
        ("depth-indicator-inch", [0, 12_700, -12_700, 25_400_000, 3_175_000], "in"),
        ("rocker-indicator-mm", [1_000, -1_000, 12_345_000], "mm"),
    ],
)
def test_values_arrive_exact_to_the_nanometre(
    profiles: dict[str, Profile], gauge_at: Make, run: Run, name: str, sent_nm: list[int], unit: str
) -> None:
    async def work() -> list[Reading]:
        with SimulatedGauge("gauge", profile=profiles[name]) as far:
            async with gauge_at(far, must_open=True) as gauge:
                assert [far.press(value_nm) for value_nm in sent_nm] == sent_nm
                return await take(gauge, len(sent_nm))

    readings = run(work())

    assert [reading.value_nm for reading in readings] == sent_nm
    assert [reading.sequence for reading in readings] == list(range(1, len(sent_nm) + 1))
    assert {reading.unit for reading in readings} == {unit}
    assert {reading.gauge for reading in readings} == {"gauge"}


def test_a_gauge_that_sends_commas_is_read(caliper: Profile, gauge_at: Make, run: Run) -> None:
    async def work() -> list[Reading]:
        with SimulatedGauge("caliper", profile=replace(caliper, decimal_comma=True)) as far:
            async with gauge_at(far) as gauge:
                far.press(-1_250_000)
                return await take(gauge, 1)

    (reading,) = run(work())

    assert (reading.raw, reading.value_nm) == (b"-1,25", -1_250_000)


def test_a_reading_keeps_what_came_and_when(caliper: Profile, gauge_at: Make, run: Run) -> None:
    async def work() -> list[Reading]:
        with SimulatedGauge("caliper", profile=caliper, template="01A{value:>8}\r") as far:
            async with gauge_at(far, first_sequence=41) as gauge:
                far.press(590_000)
                far.press(600_000)
                return await take(gauge, 2)

    first, second = run(work())

    assert (first.raw, first.status, first.sequence, second.sequence) == (b"01A    0.59", "01A", 41, 42)
    assert first.taken_at.utcoffset() is not None
    assert first.monotonic_ns <= second.monotonic_ns


def test_garbage_between_readings_never_becomes_a_reading(
    profiles: dict[str, Profile], gauge_at: Make, run: Run
) -> None:
    sent_nm = [step * 1_000 for step in range(-150, 150)]

    async def work() -> tuple[list[Reading], GaugeState]:
        far = SimulatedGauge("rocker", profile=profiles["rocker-indicator-mm"], garbage=0.7, rng=random.Random(11))
        with far:
            async with gauge_at(far) as gauge:
                for value_nm in sent_nm:
                    far.press(value_nm)
                readings = await take(gauge, len(sent_nm))
                assert gauge.waiting == 0
                return readings, gauge.state

    readings, state = run(work())

    assert [reading.value_nm for reading in readings] == sent_nm
    assert state.readings == len(sent_nm)
    assert state.unreadable > 100


def test_a_line_that_is_no_number_is_counted_and_shown(
    far_end: SimulatedGauge, gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    async def work() -> tuple[GaugeState, GaugeState]:
        async with gauge_at(far_end, on_state=watcher) as gauge:
            far_end.press_raw(b"Err 4\r\n")
            troubled = await watcher.until(gauge, lambda state: state.unreadable == 1)
            far_end.press(0)
            await take(gauge, 1)
            return troubled, gauge.state

    troubled, well = run(work())

    assert (troubled.status, troubled.last_raw, troubled.readings) == ("alive", b"Err 4", 0)
    assert troubled.detail == "line must be one decimal number with at most one unit, got b'Err 4'"
    assert (well.last_raw, well.readings, well.unreadable) == (b"0.00", 1, 1)
    assert well.detail == f"connected at port {far_end.port!r}"


def test_half_lines_make_one_reading(far_end: SimulatedGauge, gauge_at: Make, run: Run) -> None:
    async def work() -> list[Reading]:
        async with gauge_at(far_end) as gauge:
            for piece in (b"1", b"2.", b"3", b"4\r", b"\n", b"5.00\r\n"):
                far_end.press_raw(piece)
                await asyncio.sleep(0)
            return await take(gauge, 2)

    assert [reading.value_nm for reading in run(work())] == [12_340_000, 5_000_000]


def test_ten_thousand_lines_at_once_all_arrive_in_order(far_end: SimulatedGauge, gauge_at: Make, run: Run) -> None:
    """They are written from the event loop's own thread: until it is done, nobody takes a reading."""
    burst = b"".join(b"%d.%02d\r\n" % divmod(step, 100) for step in range(10_000))

    async def work() -> list[Reading]:
        async with gauge_at(far_end) as gauge:
            far_end.press_raw(burst)
            return await take(gauge, 10_000)

    readings = run(work())

    assert [reading.value_nm for reading in readings] == [step * 10_000 for step in range(10_000)]
    assert [reading.sequence for reading in readings] == list(range(1, 10_001))


def test_a_flood_without_line_ends_leaves_the_gauge_working(far_end: SimulatedGauge, gauge_at: Make, run: Run) -> None:
    async def work() -> tuple[list[Reading], GaugeState]:
        async with gauge_at(far_end) as gauge:
            far_end.press_raw(b"\x00\xff7" * 100_000)
            far_end.press_raw(b"\r\n1.00\r\n")
            return await take(gauge, 1), gauge.state

    (reading,), state = run(work())

    assert (reading.value_nm, reading.sequence) == (1_000_000, 1)
    assert state.unreadable == 1


def test_twenty_times_unplugged_every_line_arrives_once(
    far_end: SimulatedGauge, gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    async def work() -> tuple[list[Reading], list[GaugeState]]:
        readings = []
        async with gauge_at(far_end, on_state=watcher, settle_s=0.01) as gauge:
            for cycle in range(20):
                await watcher.alive(gauge)
                for step in range(3):
                    far_end.press((cycle * 3 + step) * 10_000)
                readings += await take(gauge, 3)
                far_end.unplug()
                await watcher.lost(gauge)
                far_end.plug_in()
            await watcher.alive(gauge)
            assert gauge.waiting == 0
        readings += [reading async for reading in gauge]
        return readings, watcher.states

    readings, states = run(work())

    assert [reading.value_nm for reading in readings] == [step * 10_000 for step in range(60)]
    assert [reading.sequence for reading in readings] == list(range(1, 61))
    changes = [status for status, _ in groupby(state.status for state in states)]
    assert changes == ["alive", "lost"] * 20 + ["alive", "closed"]


def test_a_half_line_is_never_glued_to_what_comes_after_the_reconnection(
    far_end: SimulatedGauge, gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    async def work() -> tuple[list[Reading], GaugeState]:
        async with gauge_at(far_end, on_state=watcher) as gauge:
            far_end.press_raw(b"1.00\r\n1")
            readings = await take(gauge, 1)
            far_end.unplug()
            await watcher.lost(gauge)
            far_end.plug_in()
            await watcher.alive(gauge)
            far_end.press_raw(b"2.00\r\n")
            return readings + await take(gauge, 1), gauge.state

    readings, state = run(work())

    assert [reading.value_nm for reading in readings] == [1_000_000, 2_000_000]
    assert state.unreadable == 1


def test_a_first_line_without_its_beginning_is_no_reading(
    far_end: SimulatedGauge, gauge_at: Make, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """``12.34`` whose first digit was sent before we listened would read as ``2.34``."""
    real = serial.Serial

    def in_mid_line(*options: Any, **more: Any) -> Any:
        port = real(*options, **more)
        far_end.press_raw(b"2.34\r\n5.67\r\n")
        return port

    monkeypatch.setattr(serial, "Serial", in_mid_line)

    async def work() -> tuple[list[Reading], GaugeState]:
        async with gauge_at(far_end, settle_s=5.0) as gauge:
            return await take(gauge, 1), gauge.state

    readings, state = run(work())

    assert [reading.value_nm for reading in readings] == [5_670_000]
    assert state.unreadable == 1
