import asyncio
import logging
import threading
from collections.abc import AsyncIterator, Callable, Coroutine
from typing import Any

import pytest
import serial

from drivers import (
    Backoff,
    Gauge,
    GaugeState,
    LinkLostError,
    PortBusyError,
    PortNotFoundError,
    Reading,
    SilenceError,
    SimulatedGauge,
)
from drivers import gauge as gauge_module

Run = Callable[[Coroutine[Any, Any, Any]], Any]
Make = Callable[..., Gauge]
Watcher = Any  # the class in conftest.py


async def take(gauge: Gauge, count: int) -> list[Reading]:
    return [await gauge.read(10) for _ in range(count)]


def test_a_missing_port_is_refused_where_it_must_open(far_end: SimulatedGauge, gauge_at: Make, run: Run) -> None:
    far_end.unplug()
    gauge = gauge_at(far_end, must_open=True)

    async def work() -> None:
        async with gauge:
            raise AssertionError("opened")

    with pytest.raises(PortNotFoundError, match=r"is not there, most likely its cable is out") as caught:
        run(work())

    assert caught.value.port == far_end.port
    assert gauge.state.status == "closed"


def test_a_port_in_use_is_refused_where_it_must_open(far_end: SimulatedGauge, gauge_at: Make, run: Run) -> None:
    async def work() -> None:
        async with gauge_at(far_end), gauge_at(far_end, must_open=True):
            raise AssertionError("opened twice")

    with pytest.raises(PortBusyError, match=r"is in use, most likely another program or another gauge of this bench"):
        run(work())


def test_a_port_that_is_missing_at_first_is_waited_for(
    far_end: SimulatedGauge, gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    far_end.unplug()

    async def work() -> tuple[GaugeState, list[Reading]]:
        async with gauge_at(far_end, on_state=watcher) as gauge:
            missing = gauge.state
            far_end.plug_in()
            await watcher.alive(gauge)
            far_end.press(10_000)
            return missing, await take(gauge, 1)

    missing, readings = run(work())

    assert missing.status == "lost"
    assert missing.detail.startswith(f"port {far_end.port!r} is not there")
    assert [reading.value_nm for reading in readings] == [10_000]


def test_a_gauge_that_stays_away_is_lost_since_the_first_time(
    far_end: SimulatedGauge, gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    """Every further attempt that fails in the same way is no news."""
    attempts = 0

    class Counted(Backoff):
        def delay_s(self, attempt: int) -> float:
            nonlocal attempts
            attempts = attempt
            if attempt == 5:
                enough.set()
            return 0.001

    enough = asyncio.Event()
    far_end.unplug()

    async def work() -> None:
        async with gauge_at(far_end, on_state=watcher, backoff=Counted()):
            await enough.wait()
        await asyncio.sleep(0)

    run(work())

    assert [state.status for state in watcher.states] == ["lost", "closed"]
    assert attempts >= 5


def test_after_a_connection_waiting_starts_again_from_the_beginning(
    far_end: SimulatedGauge, gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    attempts: list[int] = []
    news = asyncio.Event()

    class Counted(Backoff):
        def delay_s(self, attempt: int) -> float:
            attempts.append(attempt)
            news.set()
            return 0.001

    async def work() -> None:
        async with gauge_at(far_end, on_state=watcher, backoff=Counted()) as gauge:
            for _ in range(2):
                attempts.clear()
                far_end.unplug()
                while attempts[:3] != [0, 1, 2]:
                    news.clear()
                    await news.wait()
                far_end.plug_in()
                await watcher.alive(gauge)

    run(work())


def test_waiting_doubles_up_to_its_limit() -> None:
    backoff = Backoff()

    assert [backoff.delay_s(attempt) for attempt in range(7)] == [0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0]
    assert backoff.delay_s(10_000) == 5.0


def test_silence_is_told_after_the_given_time(far_end: SimulatedGauge, gauge_at: Make, run: Run) -> None:
    async def work() -> None:
        async with gauge_at(far_end) as gauge:
            await gauge.read(0.01)

    words = (
        r"^gauge 'caliper' must send a reading within 0\.01 s, none came \(connected at port .*\); switch the gauge on"
    )
    with pytest.raises(SilenceError, match=words) as caught:
        run(work())

    assert isinstance(caught.value, TimeoutError)
    assert (caught.value.gauge, caught.value.waited_s) == ("caliper", 0.01)


def test_closing_ends_every_iteration_after_the_readings_that_came(
    far_end: SimulatedGauge, gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    async def rest(gauge: AsyncIterator[Reading]) -> list[int]:
        return [reading.value_nm async for reading in gauge]

    async def work() -> tuple[list[int], list[int]]:
        async with gauge_at(far_end, on_state=watcher) as gauge:
            far_end.press(10_000)
            far_end.press(20_000)
            await watcher.until(gauge, lambda state: state.readings == 2)
            assert gauge.waiting == 2
        await gauge.close()
        first = await rest(gauge)
        with pytest.raises(
            LinkLostError, match=r"^gauge 'caliper' is closed and gives no more readings; open it again$"
        ):
            await gauge.read(1)
        return first, await rest(gauge)

    assert run(work()) == ([10_000, 20_000], [])


def test_closing_wakes_one_who_waits(far_end: SimulatedGauge, gauge_at: Make, run: Run) -> None:
    async def work() -> list[Reading | None]:
        async with gauge_at(far_end) as gauge:
            listening = asyncio.create_task(anext(gauge, None))
            await asyncio.sleep(0)
        return [await listening]

    assert run(work()) == [None]


def test_closing_leaves_no_thread_and_a_free_port(far_end: SimulatedGauge, gauge_at: Make, run: Run) -> None:
    before = threading.active_count()

    async def work() -> None:
        for _ in range(3):
            async with gauge_at(far_end, must_open=True):
                assert threading.active_count() == before + 1
            assert threading.active_count() == before

    run(work())


def test_closing_does_not_wait_for_the_next_attempt(far_end: SimulatedGauge, gauge_at: Make, run: Run) -> None:
    far_end.unplug()

    async def work() -> GaugeState:
        async with gauge_at(far_end, backoff=Backoff(first_s=3_600, limit_s=3_600)) as gauge:
            pass
        return gauge.state

    assert run(work()).status == "closed"


def test_a_gauge_is_opened_once(far_end: SimulatedGauge, gauge_at: Make, run: Run) -> None:
    async def work() -> None:
        gauge = gauge_at(far_end)
        await gauge.close()
        async with gauge:
            pass
        async with gauge:
            raise AssertionError("opened again")

    with pytest.raises(RuntimeError, match=r"^gauge 'caliper' must be opened once only; make another Gauge$"):
        run(work())


def test_giving_up_while_it_opens_leaves_nothing(far_end: SimulatedGauge, gauge_at: Make, run: Run) -> None:
    async def work() -> GaugeState:
        gauge = gauge_at(far_end, settle_s=60.0)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.02):
                await gauge.__aenter__()
        return gauge.state

    assert run(work()).status == "closed"


def test_a_listener_that_fails_does_not_stop_the_gauge(far_end: SimulatedGauge, gauge_at: Make, run: Run) -> None:
    def fail(state: GaugeState) -> None:
        raise ZeroDivisionError

    async def work() -> tuple[list[Reading], list[dict[str, Any]]]:
        told: list[dict[str, Any]] = []
        asyncio.get_running_loop().set_exception_handler(lambda _, context: told.append(context))
        async with gauge_at(far_end, on_state=fail) as gauge:
            far_end.press(10_000)
            readings = await take(gauge, 1)
        await asyncio.sleep(0)
        return readings, told

    readings, told = run(work())

    assert [reading.value_nm for reading in readings] == [10_000]
    assert {type(context["exception"]) for context in told} == {ZeroDivisionError}


def test_an_opening_that_hangs_does_not_hold_up_closing(
    far_end: SimulatedGauge, gauge_at: Make, run: Run, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    let_go = threading.Event()

    def hang(*_: Any, **__: Any) -> None:
        let_go.wait(20)
        raise OSError(16, "busy")

    monkeypatch.setattr(serial, "Serial", hang)
    monkeypatch.setattr(gauge_module, "_CLOSE_S", 0.01)
    monkeypatch.setattr(gauge_module, "_LEAVE_S", 0.01)

    async def work() -> GaugeState:
        gauge = gauge_at(far_end)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.01):
                await gauge.__aenter__()
        return gauge.state

    with caplog.at_level(logging.WARNING):
        state = run(work())
    let_go.set()
    for thread in threading.enumerate():
        if thread.name.startswith("gauge"):
            thread.join(10)

    assert state.status == "closed"
    assert "does not let go of being opened" in caplog.text


def test_a_loop_that_ends_before_the_gauge_is_closed_leaves_no_thread(
    far_end: SimulatedGauge, gauge_at: Make, run: Run
) -> None:
    async def work() -> Gauge:
        gauge = gauge_at(far_end)
        await gauge.__aenter__()
        return gauge

    assert run(work()).state.status == "closed"
