import errno
import inspect

import pytest
import serial

from drivers import LinkLostError, PortBusyError, PortDeniedError, PortError, PortNotFoundError
from drivers.transports.faults import BY_CLASS, BY_NUMBER, BY_TEXT, UNKNOWN, opening_error, reading_error


def subclasses(kind: type) -> set[type]:
    children: list[type] = kind.__subclasses__()
    return {kind}.union(*map(subclasses, children))


def test_every_exception_class_of_pyserial_is_in_the_table() -> None:
    """A later pyserial with a class more fails here."""
    exported = {kind for _, kind in inspect.getmembers(serial, inspect.isclass) if issubclass(kind, Exception)}

    theirs = exported | subclasses(serial.SerialException)

    assert {kind.__name__ for kind in theirs if kind.__module__.startswith("serial")} <= BY_CLASS.keys()
    assert serial.SerialException in theirs


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        pytest.param(serial.SerialException(errno.ENOENT, "could not open port"), PortNotFoundError, id="no such file"),
        pytest.param(serial.SerialException(errno.EBUSY, "could not open port"), PortBusyError, id="exclusive"),
        pytest.param(serial.SerialException(errno.EAGAIN, "Could not exclusively lock"), PortBusyError, id="locked"),
        pytest.param(serial.SerialException(errno.EACCES, "could not open port"), PortDeniedError, id="denied"),
        pytest.param(OSError(errno.EIO, "Input/output error"), PortNotFoundError, id="nothing behind the name"),
        pytest.param(serial.PortNotOpenError(), PortError, id="not open"),
        pytest.param(serial.SerialTimeoutException("Write timeout"), PortError, id="write timeout"),
        pytest.param(ValueError("Not a valid baudrate: -1"), PortError, id="settings"),
        pytest.param(serial.SerialException("quite another thing"), PortError, id="unknown"),
        # The texts of pyserial 3.5 on Windows, serialwin32.py, open(): repr of ctypes.WinError()
        pytest.param(
            serial.SerialException("could not open port 'COM3': PermissionError(13, 'Access is denied.', None, 5)"),
            PortBusyError,
            id="Windows in use",
        ),
        pytest.param(
            serial.SerialException("could not open port 'COM9': FileNotFoundError(2, 'The system cannot', None, 2)"),
            PortNotFoundError,
            id="Windows not there",
        ),
    ],
)
def test_errors_of_opening_become_ours(error: Exception, kind: type[PortError]) -> None:
    ours = opening_error(error, port="/dev/gauge")

    assert type(ours) is kind
    assert isinstance(ours, PortError)
    assert ours.port == "/dev/gauge"
    assert ours.__cause__ is error


def test_the_number_is_found_behind_an_error_without_one() -> None:
    """As pyserial does in serialposix.py when the terminal's settings cannot be read."""
    error = serial.SerialException("Could not configure port: (25, 'Inappropriate ioctl for device')")
    error.__context__ = OSError(errno.ENOTTY, "Inappropriate ioctl for device")

    assert str(opening_error(error, port="/dev/null")).startswith("port '/dev/null' is not a serial port, ")


def test_denied_says_what_to_join() -> None:
    words = str(opening_error(OSError(errno.EACCES, "Permission denied"), port="/dev/gauge"))

    assert words == (
        "port '/dev/gauge' may not be opened by this person, most likely because serial ports belong to a group such "
        "as dialout; join that group (sudo usermod -a -G dialout, then your user name), log out and in again"
    )


def test_only_an_unknown_fault_quotes_the_system() -> None:
    assert "(Write timeout)" in str(opening_error(serial.SerialTimeoutException("Write timeout"), port="p"))
    assert "Errno" not in str(opening_error(OSError(errno.EBUSY, "busy"), port="p"))


def test_every_fault_says_symptom_cause_and_remedy() -> None:
    for fault in {*BY_NUMBER.values(), *(fault for _, fault in BY_TEXT), UNKNOWN}:
        for words in (fault.symptom, fault.cause, fault.remedy):
            assert words
            assert words[0].islower()
            assert not words.endswith(".")
            assert ";" not in words


def test_an_error_of_reading_is_a_lost_link() -> None:
    error = OSError(errno.EIO, "Input/output error")

    ours = reading_error(error, port="/dev/gauge", gauge="caliper", last_at=None)

    assert isinstance(ours, LinkLostError)
    assert (ours.gauge, ours.port, ours.last_at, ours.__cause__) == ("caliper", "/dev/gauge", None, error)
    assert str(ours).startswith("gauge 'caliper' is gone from port '/dev/gauge', most likely its cable came out")
