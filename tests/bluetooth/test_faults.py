"""Errors of bleak, BlueZ, D-Bus and the system become ours."""

import re
from pathlib import Path

import pytest
from bleak import exc
from bleak.backends.bluezdbus import defs
from bleak.exc import (
    PROTOCOL_ERROR_CODES,
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakCharacteristicNotFoundError,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
)
from dbus_fast import DBusError, errors
from dbus_fast.constants import ErrorType

from drivers import (
    DriverError,
    LinkLostError,
    PortBusyError,
    PortDeniedError,
    PortError,
    PortNotFoundError,
    RadioUnavailableError,
)
from drivers.transports import bluetooth, bluetooth_listener, radio
from drivers.transports import bluetooth_faults as faults
from drivers.transports.faults import Fault

OF_THE_TABLE = {name: fault for name, fault in vars(faults).items() if isinstance(fault, Fault)}


def classes(module: object, root: type[Exception]) -> set[str]:
    found = [kind for kind in vars(module).values() if isinstance(kind, type) and issubclass(kind, root)]
    return {kind.__name__ for kind in found}


def test_every_error_class_of_the_libraries_is_in_the_table() -> None:
    """A later bleak or dbus-fast with a class more fails here."""
    theirs = classes(exc, BleakError) | classes(errors, errors.DBusFastError)

    assert theirs <= faults.BY_CLASS.keys()
    assert len(theirs) > 15


def test_every_reason_of_bleak_is_in_the_table() -> None:
    assert {reason.name for reason in BleakBluetoothNotAvailableReason} == faults.BY_REASON.keys()


def test_every_name_of_an_error_on_the_bus_is_in_the_table() -> None:
    of_bleak = [name for key, name in vars(defs).items() if key.startswith("BLUEZ_ERROR_")]
    names = [*of_bleak, *(kind.value for kind in ErrorType)]

    last = {re.sub(r"^.*(Error|next)\.", "", name, count=1) for name in names}

    assert last <= faults.BY_NAME.keys()
    assert len(of_bleak) > 8
    for name in last - {"Failed"}:
        assert faults.fault_of(BleakDBusError(f"org.bluez.Error.{name}", ["text"])) is faults.BY_NAME[name]


def test_every_error_in_the_program_of_bluez_is_in_the_table(bluetoothd: bytes) -> None:
    """A later BlueZ that knows one more fails here."""
    names = {name.decode() for name in re.findall(rb"org\.bluez\.Error\.(\w+)", bluetoothd)}
    texts = {text.decode() for text in re.findall(rb"(?:le|br)-connection-[a-z-]+", bluetoothd)}

    assert names <= faults.BY_NAME.keys()
    assert len(names) > 20
    assert len(texts) > 10
    for text in texts:
        assert faults.fault_of(BleakDBusError("org.bluez.Error.Failed", [text])) is not faults.UNKNOWN, text


def test_every_code_of_a_gauge_has_a_fault_that_is_not_unknown() -> None:
    for code in PROTOCOL_ERROR_CODES:
        assert faults.fault_of(BleakGATTProtocolError(code)) is not faults.UNKNOWN


def test_every_fault_of_the_table_is_used_and_says_symptom_cause_and_remedy() -> None:
    modules = (faults, bluetooth, bluetooth_listener, radio)
    text = "".join(Path(module.__file__).read_text(encoding="utf-8") for module in modules)
    for name, fault in OF_THE_TABLE.items():
        assert len(re.findall(rf"\b{name}\b", text)) > 1, name
        for words in (fault.symptom, fault.cause, fault.remedy):
            assert words
            assert words[0].islower()
            assert not words.endswith(".")
            assert ";" not in words
        assert fault.cause.startswith(("most likely", "for a reason"))


def unavailable(reason: BleakBluetoothNotAvailableReason) -> BleakError:
    return BleakBluetoothNotAvailableError("Bluetooth is not there.", reason)


Why = BleakBluetoothNotAvailableReason


@pytest.mark.parametrize(
    ("error", "kind", "symptom"),
    [
        pytest.param(FileNotFoundError(2, "No such file"), RadioUnavailableError, "message bus, which", id="no D-Bus"),
        pytest.param(ConnectionRefusedError(111, "refused"), RadioUnavailableError, "message bus, which", id="refused"),
        pytest.param(PermissionError(13, "denied"), PortDeniedError, "may not use this computer's", id="denied"),
        pytest.param(unavailable(Why.DENIED_BY_SYSTEM), PortDeniedError, "may not use this", id="wrong user"),
        pytest.param(unavailable(Why.DENIED_BY_USER), PortDeniedError, "may not use Bluetooth", id="asked and refused"),
        pytest.param(unavailable(Why.NO_BLUETOOTH), RadioUnavailableError, "shows none", id="no adapter"),
        pytest.param(unavailable(Why.POWERED_OFF), RadioUnavailableError, "switched off", id="off"),
        pytest.param(unavailable(Why.NO_BLE_CENTRAL_ROLE), RadioUnavailableError, "does not know", id="classic only"),
        pytest.param(
            BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", ["The name was not provided"]),
            RadioUnavailableError,
            "Bluetooth service, which does not run",
            id="no bluetoothd",
        ),
        pytest.param(
            BleakDBusError("org.bluez.Error.NotReady", ["Resource Not Ready"]),
            RadioUnavailableError,
            "switched off",
            id="not ready",
        ),
        pytest.param(BleakError("adapter 'hci9' not found"), RadioUnavailableError, "that was named", id="no hci9"),
        pytest.param(BleakDeviceNotFoundError("a"), PortNotFoundError, "not to be found", id="absent"),
        pytest.param(
            BleakDBusError("org.freedesktop.DBus.Error.UnknownObject", ["Method does not exist"]),
            PortNotFoundError,
            "not to be found",
            id="removed",
        ),
        pytest.param(
            BleakDBusError("org.bluez.Error.Failed", ["Host is down"]), PortNotFoundError, "not to be", id="host down"
        ),
        pytest.param(
            BleakDBusError("org.bluez.Error.Failed", ["le-connection-abort-by-local"]),
            PortNotFoundError,
            "dropped the connection",
            id="abort",
        ),
        pytest.param(
            BleakDBusError("org.bluez.Error.Failed", ["Input/output error"]), PortBusyError, "is busy", id="busy"
        ),
        pytest.param(
            BleakDBusError("org.bluez.Error.InProgress", ["Operation already in progress"]),
            PortBusyError,
            "is busy",
            id="search in progress",
        ),
        pytest.param(
            BleakError("failed to discover services, device disconnected"), PortNotFoundError, "dropped", id="discovery"
        ),
        pytest.param(BleakCharacteristicNotFoundError("u"), PortError, "does not have the", id="no characteristic"),
        pytest.param(BleakGATTProtocolError(0x02), PortDeniedError, "does not let its description", id="read refused"),
        pytest.param(BleakGATTProtocolError(0x05), PortDeniedError, "paired computer", id="not paired"),
        pytest.param(BleakGATTProtocolError(0x0D), PortError, "refused what it was asked", id="other code"),
        pytest.param(TimeoutError(), PortNotFoundError, "does not answer in time", id="timeout"),
        pytest.param(EOFError(), RadioUnavailableError, "lost the system's message bus", id="bus ends"),
        pytest.param(DBusError("org.bluez.Error.NotReady", "x"), RadioUnavailableError, "switched off", id="dbus-fast"),
        # As bleak 3.1 says on Windows (backends/winrt/client.py, scanner.py)
        pytest.param(BleakError("Could not get GATT services: Access Denied"), PortDeniedError, "paired", id="Windows"),
        pytest.param(
            BleakError("Failed to start scanner. Is Bluetooth turned on?"), RadioUnavailableError, "off", id="W. off"
        ),
        pytest.param(RuntimeError("quite another thing"), PortError, "cannot be used", id="unknown"),
    ],
)
def test_errors_become_ours(error: Exception, kind: type[PortError], symptom: str) -> None:
    ours = faults.opening_error(error, address="C4:11")

    assert type(ours) is kind
    assert isinstance(ours, PortError)
    assert ours.port == "C4:11"
    assert ours.__cause__ is error
    assert str(ours).startswith("Bluetooth gauge 'C4:11' ")
    assert symptom in str(ours)


def test_the_words_are_symptom_cause_and_remedy() -> None:
    assert str(faults.opening_error(unavailable(Why.POWERED_OFF), address="C4:11")) == (
        "Bluetooth gauge 'C4:11' needs Bluetooth, which is switched off, most likely in the system's settings or by a "
        "key of the keyboard; switch Bluetooth on"
    )


def test_only_an_unknown_fault_quotes_its_class_and_first_argument() -> None:
    """A timeout has no text, and a reason's error prints as a tuple."""
    assert "(RuntimeError: )" in str(faults.opening_error(RuntimeError(), address="a"))
    assert "(BleakBluetoothNotAvailableError: Bluetooth is not there.)" in str(
        faults.opening_error(unavailable(Why.UNKNOWN), address="a")
    )
    assert "Error" not in str(faults.opening_error(TimeoutError(), address="a"))


def test_an_error_that_ends_a_connection_is_a_lost_link() -> None:
    error = ConnectionResetError("gone")

    ours = faults.lost_error(error, address="C4:11", gauge="caliper", last_at=None)

    assert isinstance(ours, LinkLostError)
    assert (ours.gauge, ours.port, ours.last_at, ours.__cause__) == ("caliper", "C4:11", None, error)
    assert str(ours).startswith("gauge 'caliper' at Bluetooth address 'C4:11' dropped the connection, most likely ")


def test_an_error_of_a_search_names_what_was_searched_for() -> None:
    ours: DriverError = faults.search_error(BleakDeviceNotFoundError(""), what="Bluetooth gauge 'Caliper1'")

    assert isinstance(ours, PortNotFoundError)
    assert str(ours).startswith("Bluetooth gauge 'Caliper1' is not to be found, ")
