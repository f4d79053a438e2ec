"""Gauges that must be asked, that stream and that fall silent, on real pseudo-terminals."""

import asyncio
import os
import threading
from collections.abc import Callable, Coroutine
from dataclasses import replace
from typing import Any, Self

import pytest

from drivers import CaptureSettings, Gauge, GaugeState, NotStillError, Profile, Reading, SimulatedGauge
from drivers.intake import Arrival
from drivers.profiles.profile import Ask

Run = Callable[[Coroutine[Any, Any, Any]], Any]
Make = Callable[..., Gauge]
Watcher = Any  # the class in conftest.py

QUICK = CaptureSettings(dwell_s=0.1, least=4, away_s=0.02)


async def take(gauge: Gauge, count: int) -> list[Reading]:
    return [await gauge.read(10) for _ in range(count)]


class Answering:
    """A far end that sends one value for every time it is asked with ``question``, and nothing by itself."""

    def __init__(self, far: SimulatedGauge, question: bytes) -> None:
        self.asked = 0
        self._far, self._question = far, question
        self._fd = os.dup(far._far_end or -1)
        os.set_blocking(self._fd, False)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self._fd)

    def _serve(self) -> None:
        heard = b""
        while not self._stop.wait(0.002):
            try:
                heard += os.read(self._fd, 64)
            except OSError:  # nothing there, or the port is not open yet
                continue
            while self._question in heard:
                heard = heard.partition(self._question)[2]
                self.asked += 1
                self._far.press(self.asked * 10_000)


# -- asked ------------------------------------------------------------------------------------------------------------


def test_a_gauge_that_must_be_asked_is_asked_at_once_and_again(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run
) -> None:
    far = far_of(ask=Ask(send=b"?\r", every_s=0.03))

    async def work() -> tuple[list[Reading], float]:
        begun_s = asyncio.get_running_loop().time()
        async with gauge_at(far) as gauge:
            return await take(gauge, 4), asyncio.get_running_loop().time() - begun_s

    with Answering(far, b"?\r") as answering:
        readings, lasted_s = run(work())

    assert [reading.value_nm for reading in readings] == [10_000, 20_000, 30_000, 40_000]
    assert 4 <= answering.asked <= 2 + lasted_s / 0.03


def test_a_gauge_is_asked_by_a_key_only_where_the_profile_says_so(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run
) -> None:
    far = far_of(ask=Ask(send=b"\x01"))

    async def work() -> tuple[int, list[Reading]]:
        async with gauge_at(far) as gauge:
            await asyncio.sleep(0.05)
            before = answering.asked
            gauge.ask()
            return before, await take(gauge, 1)

    with Answering(far, b"\x01") as answering:
        before, readings = run(work())

    assert (before, answering.asked) == (0, 1)
    assert [reading.value_nm for reading in readings] == [10_000]


def test_asking_a_gauge_that_is_away_does_nothing_and_one_without_words_is_refused(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    far = far_of(ask=Ask(send=b"?"))

    async def work() -> None:
        async with gauge_at(far, on_state=watcher) as gauge:
            far.unplug()
            await watcher.lost(gauge)
            gauge.ask()
        gauge.ask()

    run(work())
    plain = Gauge("plain", profile=replace(far.profile, ask=None), port=far.port)
    with pytest.raises(
        ValueError, match=r"^profile 'caliper-mm' must say what to send to be asked; add a table \[ask\]"
    ):
        plain.ask()


# -- captured ---------------------------------------------------------------------------------------------------------


async def stream(far: SimulatedGauge, value_nm: int, seconds: float) -> None:
    """Send the same value about every 10 ms."""
    end = asyncio.get_running_loop().time() + seconds
    while asyncio.get_running_loop().time() < end:
        far.press(value_nm)
        await asyncio.sleep(0.01)


def test_a_stream_gives_one_reading_for_every_rest(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    far = far_of(capture=QUICK)
    samples: list[Arrival] = []

    async def work() -> list[Reading]:
        async with gauge_at(far, on_sample=samples.append, on_state=watcher) as gauge:
            for value_nm in (1_000_000, 2_000_000, 3_000_000):
                await stream(far, value_nm, 0.3)
        return [reading async for reading in gauge]

    readings = run(work())

    assert [reading.value_nm for reading in readings] == [1_000_000, 2_000_000, 3_000_000]
    assert [reading.sequence for reading in readings] == [1, 2, 3]
    assert all(reading.status.startswith("settled n=") for reading in readings)
    numbers = [sample.number.value_nm for sample in samples]
    assert len(numbers) > 30
    assert numbers == sorted(numbers)
    phases = {state.steadiness.phase for state in watcher.states if state.steadiness}
    assert phases >= {"settling", "held"}
    assert watcher.states[-1].status == "closed"
    assert watcher.states[-1].steadiness is None


def test_what_the_gauge_says_of_itself_stays_beside_how_it_settled(caliper: Profile, gauge_at: Make, run: Run) -> None:
    async def work() -> list[Reading]:
        with SimulatedGauge("gauge", profile=replace(caliper, capture=QUICK), template="01A{value}\r") as far:
            async with gauge_at(far) as gauge:
                await stream(far, 590_000, 0.3)
                return await take(gauge, 1)

    (reading,) = run(work())

    assert reading.raw == b"01A0.59"
    assert reading.status.startswith("01A settled n=")


def test_a_press_takes_a_still_gauge_and_refuses_one_that_moves(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run
) -> None:
    far = far_of(capture=replace(QUICK, hands_free=False))

    async def work() -> tuple[Reading, list[Reading], int]:
        async with gauge_at(far) as gauge:
            with pytest.raises(
                NotStillError, match=r"^gauge 'gauge' must stream before a press can take a value, it is "
            ):
                gauge.trigger()
            for step in range(10):
                far.press(step * 1_000_000)
                await asyncio.sleep(0.01)
            with pytest.raises(NotStillError, match=r"must be still within 0\.0200 mm for 0\.1 s, it is not"):
                gauge.trigger()
            await stream(far, 590_000, 0.3)
            pressed = gauge.trigger()
            with pytest.raises(NotStillError):  # a pedal that bounces
                gauge.trigger()
            return pressed, await take(gauge, 1), gauge.state.readings

    pressed, taken, count = run(work())

    assert (pressed.value_nm, pressed.sequence, count) == (590_000, 1, 1)
    assert pressed.status.startswith("pressed n=")
    assert taken == [pressed]


def test_a_press_is_refused_while_the_gauge_is_away_and_after_it_is_closed(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    far = far_of(capture=replace(QUICK, hands_free=False))

    async def work() -> None:
        async with gauge_at(far, on_state=watcher) as gauge:
            await stream(far, 590_000, 0.2)
            far.unplug()
            state = await watcher.until(gauge, lambda state: state.status == "lost")
            assert state.steadiness is None
            with pytest.raises(NotStillError, match="it is lost"):
                gauge.trigger()
        with pytest.raises(NotStillError, match="it is closed"):
            gauge.trigger()

    run(work())


def test_a_gauge_with_its_own_button_is_not_pressed_from_here(
    far_end: SimulatedGauge, gauge_at: Make, run: Run
) -> None:
    async def work() -> None:
        async with gauge_at(far_end) as gauge:
            gauge.trigger()

    with pytest.raises(NotStillError, match=r"^gauge 'caliper' sends its readings itself; press its own send button$"):
        run(work())


def test_a_listener_to_samples_that_fails_costs_no_reading(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run
) -> None:
    far = far_of(capture=QUICK)

    def fail(_: Arrival) -> None:
        raise ZeroDivisionError

    async def work() -> tuple[list[Reading], list[type]]:
        told: list[type] = []
        asyncio.get_running_loop().set_exception_handler(lambda _, context: told.append(type(context["exception"])))
        async with gauge_at(far, on_sample=fail) as gauge:
            await stream(far, 590_000, 0.3)
            return await take(gauge, 1), told

    readings, told = run(work())

    assert [reading.value_nm for reading in readings] == [590_000]
    assert set(told) == {ZeroDivisionError}


# -- silent -----------------------------------------------------------------------------------------------------------


def test_a_gauge_that_says_nothing_is_silent_and_alive_again_with_its_next_reading(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    far = far_of(silent_after_s=0.2)

    async def work() -> tuple[GaugeState, GaugeState, list[Reading]]:
        async with gauge_at(far, on_state=watcher) as gauge:
            opened = gauge.state
            silent = await watcher.until(gauge, lambda state: state.status == "silent")
            far.press(10_000)
            readings = await take(gauge, 1)
            assert gauge.state.status == "alive"
            assert gauge.state.since > silent.since > opened.since
            again = await watcher.until(gauge, lambda state: state.status == "silent")
            return silent, again, readings

    silent, again, readings = run(work())

    assert silent.detail.startswith("nothing came for 0.2 s; switch the gauge on")
    assert again.since > silent.since
    assert [reading.value_nm for reading in readings] == [10_000]
    assert [state.status for state in watcher.states][:4] == ["alive", "silent", "alive", "silent"]


def test_half_a_line_ends_a_silence_too(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    far = far_of(silent_after_s=0.2)

    async def work() -> None:
        async with gauge_at(far, on_state=watcher) as gauge:
            await watcher.until(gauge, lambda state: state.status == "silent")
            far.press_raw(b"1")
            await watcher.alive(gauge)

    run(work())


def test_a_silent_gauge_that_is_unplugged_is_lost_and_found(
    far_of: Callable[..., SimulatedGauge], gauge_at: Make, run: Run, watcher: Watcher
) -> None:
    far = far_of(silent_after_s=0.2)

    async def work() -> None:
        async with gauge_at(far, on_state=watcher) as gauge:
            await watcher.until(gauge, lambda state: state.status == "silent")
            far.unplug()
            await watcher.lost(gauge)
            far.plug_in()
            await watcher.alive(gauge)
            await watcher.until(gauge, lambda state: state.status == "silent")

    run(work())


def test_a_gauge_with_a_send_button_may_be_quiet(far_end: SimulatedGauge, gauge_at: Make, run: Run) -> None:
    async def work() -> GaugeState:
        async with gauge_at(far_end) as gauge:
            await asyncio.sleep(0.4)
            return gauge.state

    assert run(work()).status == "alive"
