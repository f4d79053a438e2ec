"""What goes wrong with a serial port, in words: one table for pyserial's and the system's errors.

Imports no serial library: classes are known by name, so that the table can be read and tested on any system.
"""

import errno
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from drivers.errors import (
    DriverError,
    LinkLostError,
    PortBusyError,
    PortDeniedError,
    PortError,
    PortNotFoundError,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One way in which opening fails: what is seen, why most likely, and what to do."""

    raises: type[PortError]
    symptom: str
    cause: str
    remedy: str


NOT_FOUND: Final = Fault(
    raises=PortNotFoundError,
    symptom="is not there",
    cause="most likely its cable is out or its name has changed",
    remedy="plug the gauge in, or choose another port from the list of ports",
)
BUSY: Final = Fault(
    raises=PortBusyError,
    symptom="is in use",
    cause="most likely another program or another gauge of this bench has it open",
    remedy="close that program, or give each gauge a port of its own",
)
DENIED: Final = Fault(
    raises=PortDeniedError,
    symptom="may not be opened by this person",
    cause="most likely because serial ports belong to a group such as dialout",
    remedy="join that group (sudo usermod -a -G dialout, then your user name), log out and in again",
)
NOT_SERIAL: Final = Fault(
    raises=PortError,
    symptom="is not a serial port",
    cause="most likely a file or another device has this name",
    remedy="choose a port from the list of ports",
)
SETTINGS: Final = Fault(
    raises=PortError,
    symptom="does not take the settings of the profile",
    cause="most likely its adapter does not know this speed",
    remedy="set another speed on the gauge and in the profile",
)
UNKNOWN: Final = Fault(
    raises=PortError,
    symptom="cannot be used",
    cause="for a reason that only the system knows",
    remedy="pull the gauge's cable, plug it in again and try once more",
)

#: Classes that pyserial may raise. None: look at the number, then at the text.
BY_CLASS: Final[dict[str, Fault | None]] = {
    "SerialException": None,
    "SerialTimeoutException": UNKNOWN,
    "PortNotOpenError": UNKNOWN,
    "ValueError": SETTINGS,
}

BY_NUMBER: Final = {
    errno.ENOENT: NOT_FOUND,
    errno.ENXIO: NOT_FOUND,
    errno.ENODEV: NOT_FOUND,
    errno.EIO: NOT_FOUND,  # a name without a device behind it, or one that is being unplugged
    errno.EBUSY: BUSY,
    errno.EAGAIN: BUSY,  # the advisory lock is taken
    errno.EWOULDBLOCK: BUSY,
    errno.EACCES: DENIED,
    errno.EPERM: DENIED,
    errno.ENOTTY: NOT_SERIAL,
    errno.EISDIR: NOT_SERIAL,
    errno.ENOTDIR: NOT_FOUND,
    errno.EINVAL: SETTINGS,
}

#: On Windows pyserial 3.5 (serialwin32.py, open) keeps the reason only in the text; access denied there means in use.
BY_TEXT: Final = (
    ("FileNotFoundError", NOT_FOUND),
    ("PermissionError", BUSY),
    ("Cannot configure port", SETTINGS),
)


def opening_error(error: Exception, *, port: str) -> DriverError:
    """Return our error, in words, for one that came while ``port`` was being opened; the other is its cause."""
    fault = _fault_of(error)
    theirs = f" ({error})" if fault is UNKNOWN else ""
    ours = fault.raises(f"port {port!r} {fault.symptom}{theirs}, {fault.cause}; {fault.remedy}", port=port)
    ours.__cause__ = error
    return ours


def reading_error(error: Exception, *, port: str, gauge: str, last_at: datetime | None) -> DriverError:
    """Return our error, in words, for one that came while ``port`` was being read; the other is its cause."""
    words = (
        f"gauge {gauge!r} is gone from port {port!r}, most likely its cable came out or it lost power; "
        "plug it in again, reading goes on by itself"
    )
    ours = LinkLostError(words, gauge=gauge, port=port, last_at=last_at)
    ours.__cause__ = error
    return ours


def _fault_of(error: Exception) -> Fault:
    named = (BY_CLASS.get(kind.__name__) for kind in type(error).__mro__)
    by_class = next((fault for fault in named if fault is not None), None)
    by_text = next((fault for part, fault in BY_TEXT if part in str(error)), UNKNOWN)
    return by_class or BY_NUMBER.get(_number_of(error), by_text)


def _number_of(error: BaseException) -> int:
    """Return the system's number of ``error`` or of what it was raised from, 0 if there is none."""
    number = error.args[0] if error.args else None
    if isinstance(number, int):
        return number
    return 0 if error.__context__ is None else _number_of(error.__context__)
