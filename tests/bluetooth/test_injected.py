"""What real BlueZ cannot be made to do at will, and D-Bus itself: against the fake."""

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from listener import Listener
from peripheral import BATTERY_TRAIT, NUMBER, TEXT, TEXT_TRAIT, Peripheral

from drivers import (
    DriverError,
    LinkLostError,
    PortBusyError,
    PortDeniedError,
    PortError,
    PortNotFoundError,
    RadioUnavailableError,
)
from drivers.transports.radio import find, scan

Bed = Any
Listen = Callable[..., Listener]


@pytest.mark.parametrize(
    ("method", "error", "kind", "words"),
    [
        pytest.param(
            "Adapter1.StartDiscovery",
            ("org.bluez.Error.InProgress", "Operation already in progress"),
            PortBusyError,
            "the radio is busy",
            id="search in progress",
        ),
        pytest.param(
            "Adapter1.StartDiscovery",
            ("org.bluez.Error.NotReady", "Resource Not Ready"),
            RadioUnavailableError,
            "which is switched off",
            id="not ready",
        ),
        pytest.param(
            "Device1.Connect",
            ("org.bluez.Error.Failed", "Input/output error"),
            PortBusyError,
            "the radio is busy",
            id="busy",
        ),
        pytest.param(
            "Device1.Connect",
            ("org.freedesktop.DBus.Error.UnknownObject", "no such object"),
            PortNotFoundError,
            "is not to be found",
            id="gone after the search",
        ),
        pytest.param(
            "GattCharacteristic1.StartNotify",
            ("org.bluez.Error.Failed", "Operation failed with ATT error: 0x05"),
            PortDeniedError,
            "speaks only to a paired computer",
            id="not paired",
        ),
        pytest.param(
            "GattCharacteristic1.StartNotify",
            ("org.bluez.Error.NotSupported", "Operation is not supported"),
            PortError,
            "does not send by itself",
            id="not notifiable",
        ),
        pytest.param(
            "GattDescriptor1.ReadValue",
            ("org.bluez.Error.NotPermitted", "Read not permitted"),
            PortDeniedError,
            "does not let its description be read",
            id="read not permitted",
        ),
    ],
)
def test_what_fails_before_the_gauge_is_connected_is_told_in_our_words(
    fake: Bed, listen: Listen, method: str, error: tuple[str, str], kind: type[DriverError], words: str
) -> None:
    fake.failures[method] = error

    ours = listen(NUMBER).error()

    assert type(ours) is kind
    assert words in str(ours)
    assert not fake.is_connected()


def test_a_battery_that_may_not_be_read_does_not_keep_the_gauge_from_reading(fake: Bed, listen: Listen) -> None:
    fake.failures["GattCharacteristic1.ReadValue"] = ("org.bluez.Error.NotPermitted", "Read not permitted")
    listener = listen()
    listener.wait("open")

    fake.send(TEXT, b"1.23\r\n")

    assert listener.wait("chunk") == [b"1.23\r\n"]
    assert listener.all("battery") == []


@pytest.mark.parametrize("method", ["Device1.Connect", "GattDescriptor1.ReadValue"])
def test_a_service_that_does_not_answer_is_told_in_time(fake: Bed, listen: Listen, method: str) -> None:
    fake.unanswered.add(method)

    error = listen(NUMBER, connect_s=0.5).error(within_s=10)

    assert isinstance(error, PortNotFoundError)
    assert "does not answer in time" in str(error)


def test_a_service_that_answers_nothing_at_all_does_not_hold_up_the_end(fake: Bed, listen: Listen) -> None:
    fake.unanswered |= {"Device1.Connect", "Device1.Disconnect"}

    assert "does not answer in time" in str(listen(connect_s=0.2).error(within_s=10))


def test_a_service_that_stands_still_is_noticed(fake: Bed, listen: Listen) -> None:
    listener = listen(watch_s=0.6)
    listener.wait("open")
    begun = time.monotonic()
    fake.unanswered.add("GattDescriptor1.ReadValue")

    error = listener.error(within_s=5)

    assert time.monotonic() - begun < 2
    assert isinstance(error, LinkLostError)
    assert "does not answer in time" in str(error)


def test_a_gauge_that_refuses_the_watch_is_alive(fake: Bed, listen: Listen) -> None:
    listener = listen(watch_s=0.3)
    listener.wait("open")
    fake.failures["GattDescriptor1.ReadValue"] = ("org.bluez.Error.NotPermitted", "Read not permitted")

    time.sleep(0.5)
    fake.send(TEXT, b"1.23\r\n")

    assert listener.wait("chunk") == [b"1.23\r\n"]
    assert listener.all("end") == []


def test_a_gauge_that_shows_no_descriptor_is_read_and_not_watched(
    fake: Bed, listen: Listen, caplog: pytest.LogCaptureFixture
) -> None:
    fake.take()
    fake.put(Peripheral(traits=(replace(TEXT_TRAIT, properties=("indicate",)),)))
    listener = listen(watch_s=0.1)
    listener.wait("open")

    time.sleep(0.2)
    fake.send(TEXT, b"1.23\r\n")

    assert listener.wait("chunk") == [b"1.23\r\n"]
    assert listener.all("end") == []
    assert "gauge 'caliper' shows no descriptor" in caplog.text


def test_of_two_batteries_the_first_is_followed(fake: Bed, listen: Listen) -> None:
    fake.take()
    fake.put(Peripheral(traits=(TEXT_TRAIT, BATTERY_TRAIT, replace(BATTERY_TRAIT, value=bytes([12])))))

    assert listen().wait("battery") == [87]


@pytest.mark.parametrize(
    ("first", "mid_line"),
    [pytest.param(b"34\r\n", True, id="half a line"), pytest.param(b"\r\n", False, id="a line's end")],
)
def test_what_comes_at_once_may_lack_its_beginning(fake: Bed, listen: Listen, first: bytes, mid_line: bool) -> None:
    listener = listen(settle_s=1.0)
    listener.wait("form")
    fake.when_subscribed(TEXT)
    fake.send(TEXT, first)

    assert listener.wait("open") == [mid_line]
    assert listener.wait("chunk") == [first]


def test_a_bus_that_is_not_there_is_told(monkeypatch: pytest.MonkeyPatch, listen: Listen) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nowhere/bus")

    with pytest.raises(RadioUnavailableError, match=r"^search for gauges needs the system's message bus, which does"):
        scan(0.1)
    with pytest.raises(RadioUnavailableError, match=r"^Bluetooth gauge 'Caliper1' needs the system's message bus"):
        find("Caliper1", within_s=0.1)
    assert isinstance(listen().error(), RadioUnavailableError)


def test_a_person_whom_the_bus_does_not_know_is_told(fake: Bed, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BLEAK_DBUS_AUTH_UID", str(fake.uid + 12_345))

    with pytest.raises(PortDeniedError, match="may not use this computer's Bluetooth"):
        scan(0.1)


def test_an_adapter_that_is_named_and_away_is_told(fake: Bed, listen: Listen) -> None:
    with pytest.raises(RadioUnavailableError, match="needs the Bluetooth adapter that was named, which is not there"):
        scan(0.1, adapter="hci9")
    assert "the Bluetooth adapter that was named" in str(listen(adapter="hci9").error())


def test_an_adapter_that_is_named_is_taken(fake: Bed, listen: Listen) -> None:
    assert [found.name for found in scan(0.3, adapter="hci0")] == [Peripheral().name]
    listen(adapter="hci0").wait("open")


def test_a_search_must_be_for_something() -> None:
    with pytest.raises(ValueError, match=r"^find must be given a name or a service, got neither$"):
        find()


def test_a_listener_that_fails_ends_the_connection(fake: Bed, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(mid_line: bool) -> None:
        raise ZeroDivisionError

    told: list[Any] = []
    monkeypatch.setattr("threading.excepthook", lambda args: told.append(args.exc_type))
    listener = Listener(Peripheral().address, TEXT)
    listener.transport._on_open = fail
    listener.transport.start()

    error = listener.error()

    assert listener.transport.close(10)
    assert isinstance(error, LinkLostError)
    assert "its reader failed" in str(error)
    assert told == [ZeroDivisionError]
    assert not fake.is_connected()
