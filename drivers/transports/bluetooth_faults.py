"""What goes wrong with a Bluetooth LE gauge, in words: one table for the errors of bleak, BlueZ, D-Bus and the system.

Imports no Bluetooth library: classes and reasons are known by name, so that the table can be read and tested on any
system. Names of BlueZ's errors: those in its program, version 5.66; codes: Bluetooth Core Specification 5.2, volume 3,
part F, section 3.4.1.1, table 3.4, as cited in bleak's exc.py.
"""

import re
from datetime import datetime
from typing import Final

from drivers.errors import (
    DriverError,
    LinkLostError,
    PortBusyError,
    PortDeniedError,
    PortError,
    PortNotFoundError,
    RadioUnavailableError,
)
from drivers.transports.faults import Fault

NO_DBUS: Final = Fault(
    raises=RadioUnavailableError,
    symptom="needs the system's message bus, which does not run",
    cause="most likely D-Bus is not installed or this is a container without it",
    remedy="start it (sudo systemctl start dbus)",
)
BUS_LOST: Final = Fault(
    raises=RadioUnavailableError,
    symptom="lost the system's message bus",
    cause="most likely D-Bus was started anew",
    remedy="wait a moment, and restart the computer if it does not come back",
)
BUS_DENIED: Final = Fault(
    raises=PortDeniedError,
    symptom="may not use this computer's Bluetooth",
    cause="most likely the system's rules do not let this person in",
    remedy="run as a person who is logged in at this computer, or join the group bluetooth, and log in again",
)
NO_SERVICE: Final = Fault(
    raises=RadioUnavailableError,
    symptom="needs the system's Bluetooth service, which does not run",
    cause="most likely BlueZ is not installed or its service has stopped",
    remedy="start it (sudo systemctl start bluetooth)",
)
NO_RADIO: Final = Fault(
    raises=RadioUnavailableError,
    symptom="needs a Bluetooth radio, and this computer shows none",
    cause="most likely it has none or its plug came out",
    remedy="plug a Bluetooth adapter in",
)
NO_SUCH_RADIO: Final = Fault(
    raises=RadioUnavailableError,
    symptom="needs the Bluetooth adapter that was named, which is not there",
    cause="most likely adapters changed their numbers or its plug came out",
    remedy="name another adapter, or none to take whichever there is",
)
NOT_CENTRAL: Final = Fault(
    raises=RadioUnavailableError,
    symptom="needs Bluetooth LE, which this computer's radio does not know",
    cause="most likely it is older than Bluetooth 4.0",
    remedy="plug a newer Bluetooth adapter in",
)
OFF: Final = Fault(
    raises=RadioUnavailableError,
    symptom="needs Bluetooth, which is switched off",
    cause="most likely in the system's settings or by a key of the keyboard",
    remedy="switch Bluetooth on",
)
DENIED: Final = Fault(
    raises=PortDeniedError,
    symptom="may not use Bluetooth",
    cause="most likely the question whether this program may was answered with no",
    remedy="allow it in the system's privacy settings",
)
ABSENT: Final = Fault(
    raises=PortNotFoundError,
    symptom="is not to be found",
    cause="most likely it sleeps, is out of range, or is connected to a telephone or another computer",
    remedy="wake the gauge, bring it near and disconnect it there",
)
SILENT: Final = Fault(
    raises=PortNotFoundError,
    symptom="does not answer in time",
    cause="most likely it fell asleep or is at the edge of its range",
    remedy="wake the gauge and bring it nearer",
)
DROPPED: Final = Fault(
    raises=PortNotFoundError,
    symptom="dropped the connection",
    cause="most likely it fell asleep, went out of range or its battery is empty",
    remedy="wake the gauge and bring it nearer, it is connected again by itself",
)
BUSY: Final = Fault(
    raises=PortBusyError,
    symptom="cannot be connected because the radio is busy",
    cause="most likely another program or gauge of this computer connects or searches at this moment",
    remedy="try once more, and switch Bluetooth off and on if it stays so",
)
MISSING: Final = Fault(
    raises=PortError,
    symptom="does not have the characteristic of its profile",
    cause="most likely it is another kind of gauge or set to another mode",
    remedy="choose another profile, or correct the characteristic in this one",
)
SILENT_CHARACTERISTIC: Final = Fault(
    raises=PortError,
    symptom="does not send by itself from the characteristic of its profile",
    cause="most likely the profile names one that can only be read or written",
    remedy="name a characteristic that notifies in the profile",
)
NOTHING_NOTIFIES: Final = Fault(
    raises=PortError,
    symptom="sends nothing by itself",
    cause="most likely it is no gauge, or one that must be paired first",
    remedy="choose another device, or pair it in the system's settings",
)
NOT_SELF_DESCRIBING: Final = Fault(
    raises=PortError,
    symptom="does not say in which form its numbers come",
    cause="most likely it sends text or a form of its maker's own",
    remedy="name its characteristic in the profile",
)
SEVERAL: Final = Fault(
    raises=PortError,
    symptom="sends from more than one characteristic that fits",
    cause="most likely it measures several things",
    remedy="name one characteristic in the profile",
)
READ_REFUSED: Final = Fault(
    raises=PortDeniedError,
    symptom="does not let its description be read",
    cause="most likely its maker closed it",
    remedy="choose a profile that does not need it",
)
UNPAIRED: Final = Fault(
    raises=PortDeniedError,
    symptom="speaks only to a paired computer",
    cause="most likely it was never paired with this one or has forgotten it",
    remedy="pair it in the system's Bluetooth settings",
)
REFUSED: Final = Fault(
    raises=PortError,
    symptom="refused what it was asked",
    cause="most likely its firmware has a fault or its profile does not fit",
    remedy="switch the gauge off and on, and check the profile",
)
UNKNOWN: Final = Fault(
    raises=PortError,
    symptom="cannot be used",
    cause="for a reason that only the system knows",
    remedy="switch the gauge and Bluetooth off and on and try once more",
)

#: Error classes of bleak, dbus-fast and the system. None: look at the reason, name or code, then at the text.
BY_CLASS: Final[dict[str, Fault | None]] = {
    "BleakError": None,
    "BleakBluetoothNotAvailableError": None,
    "BleakDBusError": None,
    "BleakGATTProtocolError": None,
    "BleakCharacteristicNotFoundError": MISSING,
    "BleakDeviceNotFoundError": ABSENT,
    "DBusFastError": UNKNOWN,
    "DBusError": None,
    "AuthError": BUS_DENIED,
    "AuthTimeoutError": BUS_DENIED,
    "InvalidAddressError": NO_DBUS,
    "InternalError": BUS_LOST,
    "InvalidMessageError": BUS_LOST,
    "InvalidSignatureError": BUS_LOST,
    "SignatureBodyMismatchError": BUS_LOST,
    "InvalidIntrospectionError": BUS_LOST,
    "InterfaceNotFoundError": BUS_LOST,
    "SignalDisabledError": BUS_LOST,
    "InvalidBusNameError": UNKNOWN,
    "InvalidObjectPathError": UNKNOWN,  # an address or adapter name that is none
    "InvalidInterfaceNameError": UNKNOWN,
    "InvalidMemberNameError": UNKNOWN,
    "TimeoutError": SILENT,
    "FileNotFoundError": NO_DBUS,
    "ConnectionRefusedError": NO_DBUS,
    "PermissionError": BUS_DENIED,
    "ConnectionResetError": DROPPED,
    "BrokenPipeError": BUS_LOST,
    "EOFError": BUS_LOST,
}

#: Members of bleak's BleakBluetoothNotAvailableReason.
BY_REASON: Final = {
    "NO_BLUETOOTH": NO_RADIO,
    "NO_BLE_CENTRAL_ROLE": NOT_CENTRAL,
    "POWERED_OFF": OFF,
    "DENIED_BY_USER": DENIED,
    "DENIED_BY_SYSTEM": BUS_DENIED,
    "DENIED_BY_UNKNOWN": DENIED,
    "UNKNOWN": UNKNOWN,
}

#: Last part of the name of a D-Bus error, of BlueZ or of the bus itself. None: look at the text.
BY_NAME: Final[dict[str, Fault | None]] = {
    # org.bluez.Error
    "AgentNotAvailable": UNPAIRED,
    "AlreadyConnected": BUSY,
    "AlreadyExists": BUSY,
    "AuthenticationCanceled": UNPAIRED,
    "AuthenticationFailed": UNPAIRED,
    "AuthenticationRejected": UNPAIRED,
    "AuthenticationTimeout": UNPAIRED,
    "Blocked": OFF,
    "Busy": BUSY,
    "Canceled": DROPPED,
    "ConnectionAttemptFailed": ABSENT,
    "DoesNotExist": ABSENT,
    "Failed": None,  # a name of the bus as well
    "HealthError": REFUSED,
    "ImproperlyConfigured": REFUSED,
    "InProgress": BUSY,
    "InvalidArguments": REFUSED,
    "InvalidOffset": REFUSED,
    "InvalidValueLength": REFUSED,
    "NoSuchAdapter": NO_RADIO,
    "NotAuthorized": UNPAIRED,
    "NotAvailable": ABSENT,
    "NotConnected": DROPPED,
    "NotPermitted": READ_REFUSED,
    "NotReady": OFF,
    "NotSupported": SILENT_CHARACTERISTIC,  # as StartNotify answers
    "Rejected": UNPAIRED,
    "Unsupported": REFUSED,
    # org.freedesktop.DBus.Error
    "ServiceUnknown": NO_SERVICE,
    "NameHasNoOwner": NO_SERVICE,
    "Spawn.ServiceNotFound": NO_SERVICE,
    "UnknownObject": ABSENT,  # removed, or a Bluetooth service that was started anew
    "UnknownMethod": ABSENT,  # as an older BlueZ says of an object that is gone
    "UnknownInterface": ABSENT,
    "UnknownProperty": ABSENT,
    "AccessDenied": BUS_DENIED,
    "AuthFailed": BUS_DENIED,
    "InteractiveAuthorizationRequired": BUS_DENIED,
    "SELinuxSecurityContextUnknown": BUS_DENIED,
    "NoReply": NO_SERVICE,
    "Timeout": SILENT,
    "TimedOut": SILENT,
    "NoServer": NO_DBUS,
    "BadAddress": NO_DBUS,
    "FileNotFound": NO_DBUS,
    "NoNetwork": BUS_LOST,
    "Disconnected": BUS_LOST,
    "IOError": BUS_LOST,
    "NoMemory": BUS_LOST,
    "LimitsExceeded": BUSY,
    "AddressInUse": BUS_LOST,
    "FileExists": BUS_LOST,
    "InvalidArgs": UNKNOWN,
    "PropertyReadOnly": UNKNOWN,
    "UnixProcessIdUnknown": UNKNOWN,
    "InvalidSignature": UNKNOWN,
    "InconsistentMessage": UNKNOWN,
    "MatchRuleNotFound": UNKNOWN,
    "MatchRuleInvalid": UNKNOWN,
    "InvalidFileContent": UNKNOWN,
    "ObjectPathInUse": UNKNOWN,
    # dbus-fast's own: the other side's program failed
    "ServiceError": BUS_LOST,
    "InternalError": BUS_LOST,
    "ClientError": BUS_LOST,
}

#: Codes with which a gauge itself answers; all others are REFUSED. BlueZ gives 0x0E for a link that drops meanwhile.
BY_CODE: Final = {0x02: READ_REFUSED, 0x05: UNPAIRED, 0x08: UNPAIRED, 0x0C: UNPAIRED, 0x0E: DROPPED, 0x0F: UNPAIRED}

#: Where the reason stands only in the text: of bleak 3.1, of BlueZ 5.66, of the system.
BY_TEXT: Final = (
    (r"adapter '.*' not found", NO_SUCH_RADIO),
    (r"device '.*' not found", ABSENT),
    (r"failed to discover services, device disconnected", DROPPED),
    (r"[Nn]ot connected|^disconnected$", DROPPED),
    (r"not found, device may be disconnected", DROPPED),
    (r"Input/output error|Device or resource busy|Operation already in progress", BUSY),
    (r"connection-(busy|already-connected|concurrent-.*|bad-socket|create-socket|memory-allocation)", BUSY),
    (r"abort(ed)?-by-|connection-canceled|protocol-error|Software caused connection abort|Connection reset", DROPPED),
    (r"Host is down|Connection timed out|connection-(refused|timeout|page-timeout|unknown)|Unreachable", ABSENT),
    (r"connection-(not-supported|invalid-argument|profile-unavailable|sdp-search)", REFUSED),
    (r"adapter-not-powered|Resource Not Ready|Is Bluetooth turned on", OFF),
    (r"Access Denied|key-missing|authentication", UNPAIRED),
)


def opening_error(error: Exception, *, address: str) -> DriverError:
    """Return our error, in words, for one that came before the gauge was connected; the other is its cause."""
    return fault_error(fault_of(error), what=f"Bluetooth gauge {address!r}", port=address, cause=error)


def search_error(error: Exception, *, what: str) -> DriverError:
    """Return our error, in words, for one that came while ``what`` was searched for; the other is its cause."""
    return fault_error(fault_of(error), what=what, port="", cause=error)


def lost_error(error: Exception, *, address: str, gauge: str, last_at: datetime | None) -> DriverError:
    """Return our error, in words, for one that ended a connection; the other is its cause."""
    words = _words(fault_of(error), f"gauge {gauge!r} at Bluetooth address {address!r}", error)
    ours = LinkLostError(words, gauge=gauge, port=address, last_at=last_at)
    ours.__cause__ = error
    return ours


def fault_error(fault: Fault, *, what: str, port: str, cause: Exception | None = None) -> DriverError:
    """Return the error that tells ``fault`` of ``what``."""
    ours = fault.raises(_words(fault, what, cause), port=port)
    ours.__cause__ = cause
    return ours


def fault_of(error: Exception) -> Fault:
    """Return what ``error`` means: by its reason, D-Bus name or code, then its text, then its class."""
    for named in (_by_reason, _by_name, _by_code):
        if (fault := named(error)) is not None:
            return fault
    text = " ".join(str(part) for part in error.args)
    by_text = next((fault for pattern, fault in BY_TEXT if re.search(pattern, text)), None)
    by_class = (BY_CLASS.get(kind.__name__) for kind in type(error).__mro__)
    return by_text or next((fault for fault in by_class if fault is not None), UNKNOWN)


def _by_reason(error: Exception) -> Fault | None:
    reason = getattr(error, "reason", None)
    return BY_REASON.get(getattr(reason, "name", ""))


def _by_name(error: Exception) -> Fault | None:
    name = getattr(error, "dbus_error", None) or getattr(error, "type", None)
    return BY_NAME.get(str(name).rpartition(".Error.")[2].rpartition(".next.")[2])


def _by_code(error: Exception) -> Fault | None:
    code = getattr(error, "code", None)
    return BY_CODE.get(code, REFUSED) if isinstance(code, int) else None


def _words(fault: Fault, what: str, cause: Exception | None) -> str:
    # A reason that is not in the table is quoted; its class too, because a timeout has no text.
    theirs = f" ({type(cause).__name__}: {_text(cause)})" if fault is UNKNOWN and cause is not None else ""
    return f"{what} {fault.symptom}{theirs}, {fault.cause}; {fault.remedy}"


def _text(error: Exception) -> str:
    """Return the first argument: an error of bleak that carries a reason prints as a tuple."""
    return str(error.args[0]) if error.args else str(error)
