"""A gauge on a link that the test plays: forms, battery, what the tap hears, links that end in odd ways."""

import asyncio
import logging
from collections.abc import Callable, Coroutine
from dataclasses import replace
from typing import Any

import pytest

from drivers import Backoff, Gauge, LinkLostError, Profile, Reading, SimulatedGauge, system_clock
from drivers.errors import DriverError
from drivers.profiles.profile import Ask, BluetoothSettings
from drivers.transports.link import LinkEvents, Wiring

Run = Callable[[Coroutine[Any, Any, Any]], Any]
Watcher = Any  # the class in conftest.py

FORM = bytes((0x10, 0xFA, 0x01, 0x27, 1, 0, 0))  # signed 32 bits, 10^-6, metre
LOST = LinkLostError("gauge 'far' is gone", gauge="far", port="air")
CHARACTERISTIC = "0000fff1-0000-1000-8000-00805f9b34fb"


class FakeLink:
    """Plays a list of events when it is started, then does as the test says."""

    def __init__(self, wiring: Wiring, events: LinkEvents, play: list[tuple[str, Any]]) -> None:
        self.wiring, self.events = wiring, events
        self.sent: list[bytes] = []
        self.ended = False
        self._play = play

    def start(self) -> None:
        for name, value in self._play:
            self.tell(name, value)

    def tell(self, name: str, value: Any) -> None:
        if name == "on_end":
            self.end(value)
        elif name == "on_chunk":
            self.events.on_chunk(value, system_clock())
        else:
            getattr(self.events, name)(value)

    def end(self, error: DriverError | None) -> None:
        if not self.ended:
            self.ended = True
            self.events.on_end(error)

    def stop(self) -> None:
        self.end(None)

    def close(self, within_s: float = 5.0) -> bool:
        self.stop()
        return True

    def send(self, data: bytes) -> None:
        self.sent.append(data)


class Air:
    """Gives every connection the next list of events, an open one at last."""

    def __init__(self, *plays: list[tuple[str, Any]]) -> None:
        self.links: list[FakeLink] = []
        self._plays = list(plays)

    def __call__(self, wiring: Wiring, events: LinkEvents) -> FakeLink:
        play = self._plays.pop(0) if self._plays else [("on_open", False)]
        self.links.append(FakeLink(wiring, events, play))
        return self.links[-1]


@pytest.fixture
def radio(caliper: Profile) -> Profile:
    return replace(
        caliper,
        decoder="self_describing",
        bluetooth=BluetoothSettings(characteristic=CHARACTERISTIC),
        ask=Ask(send=b"?"),
    )


def gauge_on(air: Air, profile: Profile, **more: Any) -> Gauge:
    return Gauge("far", profile=profile, port="air", connect=air, backoff=Backoff(first_s=0.001, limit_s=0.001), **more)


def message(value_um: int) -> tuple[str, bytes]:
    return "on_chunk", value_um.to_bytes(4, "little", signed=True)


def test_a_gauge_that_describes_itself_is_read_by_its_form(radio: Profile, run: Run) -> None:
    air = Air([("on_form", FORM), ("on_open", False), message(-1234), message(5)])

    async def work() -> list[Reading]:
        async with gauge_on(air, radio) as gauge:
            return [await gauge.read(5), await gauge.read(5)]

    readings = run(work())

    assert [reading.value_nm for reading in readings] == [-1_234_000, 5_000]
    assert (air.links[0].wiring.gauge, air.links[0].wiring.port, air.links[0].wiring.pause_s) == ("far", "air", 0.0)


@pytest.mark.parametrize(
    ("form", "words"),
    [(None, "gauge must say how its numbers are written, it does not"), (b"\x10", "must have 7 bytes"), (bytes(7), "")],
)
def test_a_form_that_cannot_be_decoded_gives_no_number_and_says_why(
    radio: Profile, run: Run, watcher: Watcher, form: bytes | None, words: str
) -> None:
    air = Air([("on_form", form), ("on_open", False), message(1), message(2)])

    async def work() -> None:
        async with gauge_on(air, radio, on_state=watcher) as gauge:
            state = await watcher.until(gauge, lambda state: state.unreadable == 2)
            assert (state.status, state.readings, state.last_raw) == ("alive", 0, b"\x02\0\0\0")
            assert state.detail
            assert words in state.detail

    run(work())


def test_a_form_that_changes_at_the_next_connection_counts_from_then(radio: Profile, run: Run) -> None:
    """Such as a gauge that was switched to inches while it was away."""
    inches = bytes((0x10, 0xFD, 0xA2, 0x27, 1, 0, 0))  # signed 32 bits, 10^-3, inch
    air = Air(
        [("on_form", FORM), ("on_open", False), message(1000), ("on_end", LOST)],
        [("on_form", inches), ("on_open", False), message(1000)],
    )

    async def work() -> list[Reading]:
        async with gauge_on(air, radio) as gauge:
            return [await gauge.read(5), await gauge.read(5)]

    readings = run(work())

    assert [(reading.value_nm, reading.unit) for reading in readings] == [(1_000_000, "mm"), (25_400_000, "in")]


def test_the_battery_is_told_and_stays_known_while_the_gauge_is_away(
    radio: Profile, run: Run, watcher: Watcher
) -> None:
    air = Air([("on_form", FORM), ("on_battery", 80), ("on_open", False)])

    async def work() -> None:
        async with gauge_on(air, radio, on_state=watcher) as gauge:
            await watcher.until(gauge, lambda state: state.battery_percent == 80)
            air.links[0].tell("on_battery", 9)
            await watcher.until(gauge, lambda state: state.battery_percent == 9)
            air.links[0].end(LOST)
            state = await watcher.until(gauge, lambda state: state.status == "lost")
            assert (state.battery_percent, state.detail) == (9, "gauge 'far' is gone")

    run(work())


def test_what_is_asked_goes_to_the_link_that_is_open(radio: Profile, run: Run, watcher: Watcher) -> None:
    air = Air([("on_form", FORM), ("on_open", False)])

    async def work() -> None:
        async with gauge_on(air, radio, on_state=watcher) as gauge:
            gauge.ask()
            air.links[0].end(LOST)
            await watcher.lost(gauge)
            await watcher.alive(gauge)
            gauge.ask()
            gauge.ask()

    run(work())

    assert [link.sent for link in air.links] == [[b"?"], [b"?", b"?"]]


def heard_by(tap: list[tuple[str, Any]]) -> LinkEvents:
    def note(name: str) -> Callable[..., None]:
        return lambda *values: tap.append((name, values[0]))

    names = ("on_form", "on_open", "on_chunk", "on_battery", "on_end")
    return LinkEvents(**{name: note(name) for name in names})


def test_the_tap_hears_everything_in_order_and_over_reconnections(radio: Profile, run: Run) -> None:
    first = [
        ("on_form", FORM),
        ("on_battery", 50),
        ("on_open", True),
        message(1),
        ("on_chunk", b"\xff"),
        ("on_end", LOST),
    ]
    second = [("on_form", None), ("on_open", False), message(2)]
    air, tap = Air(first, second), []

    async def work() -> int:
        async with gauge_on(air, radio, tap=heard_by(tap)) as gauge:
            await gauge.read(5)
            while len(air.links) < 2:
                await asyncio.sleep(0)
            return gauge.state.unreadable

    run(work())

    assert tap == [*first, *second, ("on_end", None)]


def test_the_tap_hears_the_pauses_of_a_serial_line(caliper: Profile, gauge_at: Callable[..., Gauge], run: Run) -> None:
    tap: list[tuple[str, Any]] = []

    async def work() -> None:
        with SimulatedGauge("far", profile=replace(caliper, decoder="caliper24")) as far:
            async with gauge_at(far, tap=heard_by(tap)) as gauge:
                far.press_raw(b"\xd2\x04\0")
                await gauge.read(5)
                far.press_raw(b"\x3b\0\0")
                await gauge.read(5)

    run(work())

    chunks = [value for name, value in tap if name == "on_chunk"]
    assert b"".join(chunks) == b"\xd2\x04\0\x3b\0\0"
    assert chunks.count(b"") == 2  # each pause is told once
    assert tap[0] == ("on_open", False)
    assert tap[-1] == ("on_end", None)


def test_a_tap_that_fails_hears_no_more_and_costs_no_reading(
    radio: Profile, run: Run, caplog: pytest.LogCaptureFixture
) -> None:
    air = Air([("on_form", FORM), ("on_open", False), message(1), message(2)])
    heard: list[tuple[str, Any]] = []

    def fail(chunk: bytes, arrived: Any) -> None:
        heard.append(("on_chunk", chunk))
        raise OSError(28, "No space left on device")

    async def work() -> list[Reading]:
        async with gauge_on(air, radio, tap=replace(heard_by(heard), on_chunk=fail)) as gauge:
            return [await gauge.read(5), await gauge.read(5)]

    with caplog.at_level(logging.ERROR):
        readings = run(work())

    assert [reading.value_nm for reading in readings] == [1_000, 2_000]
    assert heard == [("on_form", FORM), ("on_open", False), message(1)]
    assert "hears no more of it" in caplog.text


def test_a_link_that_ends_before_it_opens_is_tried_again(radio: Profile, run: Run, watcher: Watcher) -> None:
    air = Air(
        [("on_end", LOST)], [("on_form", FORM), ("on_end", LOST)], [("on_form", FORM), ("on_open", False), message(7)]
    )

    async def work() -> Reading:
        async with gauge_on(air, radio, on_state=watcher) as gauge:
            return await gauge.read(5)

    assert run(work()).value_nm == 7_000
    assert len(air.links) == 3


def test_readings_that_came_right_before_the_end_are_delivered(radio: Profile, run: Run) -> None:
    air = Air([("on_form", FORM), ("on_open", False), *map(message, range(100)), ("on_end", LOST)])

    async def work() -> list[int]:
        async with gauge_on(air, radio) as gauge:
            return [(await gauge.read(5)).value_nm for _ in range(100)]

    assert run(work()) == [step * 1000 for step in range(100)]
