"""A gauge that is read over Bluetooth, as the bench reads it: against the fake and against real BlueZ."""

import asyncio
from contextlib import AsyncExitStack
from dataclasses import replace
from typing import Any

import pytest
from bleak.backends.bluezdbus.version import BlueZFeatures
from peripheral import TEXT, TEXT_SERVICE, Peripheral

from drivers import Backoff, Gauge, RadioUnavailableError, bluetooth_devices, load_profiles
from drivers.profiles.profile import BluetoothSettings
from drivers.transports.bluetooth import BluetoothTransport
from drivers.transports.link import Link, LinkEvents, Wiring

Bed = Any


def caliper(*, connect_s: float = 15.0, **more: Any) -> Gauge:
    def connect(wiring: Wiring, events: LinkEvents) -> Link:
        return BluetoothTransport(
            wiring.port, gauge=wiring.gauge, characteristic=TEXT, settle_s=0.05, connect_s=connect_s,
            on_open=events.on_open, on_chunk=events.on_chunk, on_end=events.on_end,
        )  # fmt: skip

    return Gauge(
        "caliper",
        profile=replace(load_profiles()["caliper-mm"], bluetooth=BluetoothSettings(characteristic=TEXT)),
        port=Peripheral().address,
        backoff=Backoff(first_s=0.01, limit_s=0.1),
        connect=connect,
        **more,
    )


async def alive(gauge: Gauge) -> None:
    async with asyncio.timeout(60):
        while gauge.state.status != "alive":
            await asyncio.sleep(0.01)


async def dropped(bed: Bed, gauge: Gauge) -> None:
    """Drop the link, and wait until the gauge has noticed."""
    await asyncio.to_thread(bed.drop)
    async with asyncio.timeout(20):
        while gauge.state.status == "alive":
            await asyncio.sleep(0.001)


def test_every_reading_comes_once_however_often_the_link_drops(bed: Bed) -> None:
    drops = 4 if type(bed).__name__ == "RealBluez" else 25

    async def work() -> list[int]:
        values = []
        async with caliper(must_open=True) as gauge:
            for number in range(drops + 1):
                await alive(gauge)
                await asyncio.to_thread(bed.send, TEXT, b"%d.00\r\n" % number)
                values.append((await gauge.read(20)).value_nm)
                if number < drops:
                    await dropped(bed, gauge)
            assert gauge.waiting == 0
            assert gauge.state.readings == drops + 1
            assert gauge.state.unreadable == 0
        return values

    assert asyncio.run(work()) == [number * 1_000_000 for number in range(drops + 1)]


def test_a_line_in_two_notifications_is_one_reading_and_half_of_one_is_none(bed: Bed) -> None:
    async def work() -> list[int]:
        async with caliper(must_open=True) as gauge:
            for part in (b"12.", b"34\r\n5.6"):
                await asyncio.to_thread(bed.send, TEXT, part)
            first = await gauge.read(20)
            await dropped(bed, gauge)
            assert gauge.state.unreadable == 1
            await alive(gauge)
            await asyncio.to_thread(bed.send, TEXT, b"7.89\r\n")
            return [first.value_nm, (await gauge.read(20)).value_nm]

    assert asyncio.run(work()) == [12_340_000, 7_890_000]


def test_a_radio_that_is_off_is_refused_where_it_must_open(bed: Bed) -> None:
    async def work() -> None:
        async with caliper(must_open=True):
            raise AssertionError("opened")

    bed.power(False)
    try:
        with pytest.raises(RadioUnavailableError, match="which is switched off"):
            asyncio.run(work())
    finally:
        bed.power(True)


def test_gauges_nearby_tell_their_name_and_service(air: Bed) -> None:
    air.put()

    heard = {one.name: one.services for one in bluetooth_devices(1.0)}

    assert TEXT_SERVICE in heard["Caliper1"]


def test_gauges_that_connect_at_the_same_time_do_not_disturb_each_other(
    fake: Bed, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They share bleak's look-up of the version and its table of radios; here they share the far end as well."""
    monkeypatch.setattr(BlueZFeatures, "checked_bluez_version", False)
    monkeypatch.setattr(BlueZFeatures, "_check_bluez_event", None)

    async def work() -> set[int]:
        gauges = [caliper(connect_s=1.0) for _ in range(6)]
        async with AsyncExitStack() as stack:
            await asyncio.gather(*(stack.enter_async_context(gauge) for gauge in gauges))
            for gauge in gauges:
                await alive(gauge)
            await asyncio.to_thread(fake.send, TEXT, b"1.00\r\n")
            return {(await gauge.read(20)).value_nm for gauge in gauges}

    assert asyncio.run(work()) == {1_000_000}
