"""The connection to a gauge, against the fake and against real BlueZ."""

import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from listener import Listener
from peripheral import (
    BATTERY,
    BATTERY_TRAIT,
    COMMAND,
    COMMAND_TRAIT,
    MICROMETRES,
    NUMBER,
    NUMBER_TRAIT,
    TEXT,
    TEXT_SERVICE,
    TEXT_TRAIT,
    Peripheral,
)

from drivers import (
    LinkLostError,
    PortError,
    PortNotFoundError,
    RadioUnavailableError,
)
from drivers.transports.radio import find, scan

Bed = Any
Listen = Callable[..., Listener]

CONNECT = f"""
from drivers.transports.bluetooth import BluetoothTransport
def say(*_):
    print("connected", flush=True)
BluetoothTransport(
    "{Peripheral().address}", gauge="c", characteristic="{TEXT}", on_open=say, on_chunk=print, on_end=print
).start()
input()
"""
"""A program that connects; killed without a chance to disconnect."""


def test_text_comes_as_it_was_sent_one_chunk_a_notification(bed: Bed, listen: Listen) -> None:
    listener = listen()
    listener.wait("open")

    parts = [b"12", b".34", b"\r\n-0.0", b"5\r\n", b"\xff\x00\xfe", b"\n"]
    for part in parts:
        bed.send(TEXT, part)

    assert listener.wait("chunk", len(parts)) == parts
    assert listener.all("open") == [False]
    assert listener.all("form") == [None]
    assert len(listener.threads) == 1


def test_a_number_that_describes_itself_is_found_without_its_name(bed: Bed, listen: Listen) -> None:
    listener = listen("")
    listener.wait("open")

    bed.send(NUMBER, (1234567).to_bytes(4, "little"))

    assert listener.wait("chunk") == [(1234567).to_bytes(4, "little")]
    assert listener.all("form") == [MICROMETRES]
    assert [kind for kind, _ in listener.events[:2]] == ["form", "open"]


def test_the_battery_is_told_at_first_and_followed(bed: Bed, listen: Listen) -> None:
    listener = listen()
    listener.wait("battery")

    bed.send(BATTERY, bytes([86]))
    bed.send(BATTERY, bytes([101]))
    bed.send(BATTERY, bytes([85]))

    assert listener.wait("battery", 3) == [87, 86, 85]


def test_a_gauge_without_a_battery_level_is_read(air: Bed, listen: Listen) -> None:
    air.put(Peripheral(traits=(TEXT_TRAIT,)))
    listener = listen()
    listener.wait("open")

    air.send(TEXT, b"1.23\r\n")

    assert listener.wait("chunk") == [b"1.23\r\n"]
    assert listener.all("battery") == []


def test_after_every_drop_a_notification_comes_once(bed: Bed, listen: Listen) -> None:
    """Without releasing a dropped connection the next one's notifications come twice, then three times."""
    for number in range(3):
        listener = listen()
        listener.wait("open")
        bed.send(TEXT, b"%d\r\n" % number)
        bed.send(TEXT, b"end\r\n")
        listener.wait("chunk", 2)
        bed.drop()

        error = listener.error()

        assert isinstance(error, LinkLostError)
        assert error.last_at is not None
        assert "caliper" in str(error)
        assert "dropped the connection" in str(error)
        assert listener.all("chunk") == [b"%d\r\n" % number, b"end\r\n"]


def test_stopping_ends_without_an_error_and_frees_the_gauge(bed: Bed, listen: Listen) -> None:
    listener = listen()
    listener.wait("open")

    assert listener.transport.close(10)

    assert listener.all("end") == [None]
    assert not bed.is_connected()


def test_stopping_does_not_wait_for_a_gauge_that_is_away(air: Bed, listen: Listen) -> None:
    listener = listen(connect_s=60.0)

    begun = time.monotonic()
    assert listener.transport.close(10)

    assert time.monotonic() - begun < 5
    assert listener.all("end") == [None]


def test_a_gauge_that_is_away_is_not_found(air: Bed, listen: Listen) -> None:
    error = listen(connect_s=1.0).error()

    assert isinstance(error, PortNotFoundError)
    assert error.port == Peripheral().address
    assert str(error).startswith(f"Bluetooth gauge {Peripheral().address!r} is not to be found, most likely it sleeps")


@pytest.mark.parametrize(
    ("traits", "characteristic", "words"),
    [
        pytest.param((NUMBER_TRAIT,), TEXT, "does not have the characteristic of its profile", id="missing"),
        pytest.param((TEXT_TRAIT, COMMAND_TRAIT), COMMAND, "does not send by itself", id="does not notify"),
        pytest.param((TEXT_TRAIT,), "", "does not say in which form its numbers come", id="no form"),
        pytest.param(
            (NUMBER_TRAIT, replace(NUMBER_TRAIT, uuid=TEXT)), "", "sends from more than one characteristic", id="two"
        ),
    ],
)
def test_a_gauge_that_does_not_fit_its_profile_says_so(
    air: Bed, listen: Listen, traits: tuple[Any, ...], characteristic: str, words: str
) -> None:
    air.put(Peripheral(traits=(*traits, BATTERY_TRAIT)))

    error = listen(characteristic).error()

    assert isinstance(error, PortError)
    assert words in str(error)
    assert not air.is_connected()


def test_a_drop_while_services_are_discovered_is_told(bed: Bed, listen: Listen) -> None:
    bed.drop_in_discovery()

    assert "dropped the connection" in str(listen().error())

    listen().wait("open")


def test_an_adapter_that_is_off_is_told_before_and_while_connected(bed: Bed, listen: Listen) -> None:
    connected = listen()
    connected.wait("open")

    bed.power(False)
    try:
        assert isinstance(connected.error(), LinkLostError)
        with pytest.raises(RadioUnavailableError, match=r"^search for gauges needs Bluetooth, which is switched off, "):
            scan(0.1)
        assert isinstance(listen().error(), RadioUnavailableError)
    finally:
        bed.power(True)

    listen().wait("open")


def test_an_adapter_that_is_away_is_told(bed: Bed, listen: Listen) -> None:
    bed.unplug_adapter()
    try:
        with pytest.raises(RadioUnavailableError, match="needs a Bluetooth radio, and this computer shows none"):
            scan(0.1)
        assert "this computer shows none" in str(listen().error())
    finally:
        bed.plug_adapter()

    listen().wait("open")


def test_a_service_that_is_killed_is_noticed(bed: Bed, listen: Listen) -> None:
    listener = listen(watch_s=3.0)
    listener.wait("open")

    begun = time.monotonic()
    bed.kill_service()
    try:
        error = listener.error()
        assert time.monotonic() - begun < 4.5
        assert isinstance(error, LinkLostError)
        assert "needs the system's Bluetooth service, which does not run" in str(error)
        assert "Bluetooth service, which does not run" in str(listen().error())
    finally:
        bed.start_service()

    again = listen()
    again.wait("open")
    bed.send(TEXT, b"1.23\r\n")
    assert again.wait("chunk") == [b"1.23\r\n"]


def test_a_gauge_that_a_killed_program_left_connected_is_taken_up(bed: Bed, listen: Listen) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", CONNECT], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as program:
        assert program.stdout is not None
        assert program.stdout.readline() == "connected\n"
        program.kill()
    assert bed.is_connected()

    listener = listen(connect_s=10.0)
    listener.wait("open")
    bed.send(TEXT, b"1.23\r\n")

    assert listener.wait("chunk") == [b"1.23\r\n"]


def test_a_search_finds_name_service_and_strength(bed: Bed) -> None:
    (found,) = scan(1.0)

    assert (found.address, found.name, found.services) == (Peripheral().address, "Caliper1", (TEXT_SERVICE,))
    assert -127 <= found.rssi < 20
    assert find("Caliper1", within_s=10).address == found.address
    assert find(service=TEXT_SERVICE.upper(), within_s=10).address == found.address
    with pytest.raises(PortNotFoundError, match=r"^Bluetooth gauge 'Caliper2' is not to be found, "):
        find("Caliper2", within_s=0.5)
