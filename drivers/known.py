"""Gauges that a person has named, and a person's own profiles: files in the user's configuration folder.

``gauges.toml`` there holds what is needed to find a gauge again::

    format = 1
    [gauge."green caliper"]
    profile = "caliper-mm"
    port = "/dev/ttyUSB0"
    usb = "0403:6001:A50285BI"
"""

import json
import os
import re
import tempfile
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

import platformdirs

from drivers.discovery import PortInfo
from drivers.errors import NamedGaugesError, PortNotFoundError
from drivers.input_file import MOST_TOML, read_input
from drivers.profiles.profile import Profile, SerialSettings
from drivers.transports.advertised import Advertised

FORMAT: Final = 1
_HEAD: Final = "# Written by `fretledger gauges listen --save`; comments are not kept.\n"
_PARITY: Final = {"N": "none", "E": "even", "O": "odd"}
_SERIAL: Final = re.compile(r"([0-9]{2,7}) ([78])([NEO])([12])")
_UUID: Final = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")


def config_folder() -> Path:
    """Return where a person's own files lie; it may be missing."""
    return platformdirs.user_config_path("fretledger", appauthor=False)


def profiles_folder() -> Path:
    """Return where a person's own profiles lie, one TOML file each; it may be missing."""
    return config_folder() / "profiles"


def serial_from(text: str) -> SerialSettings:
    """Return the settings that a text such as ``2400 7E2`` says: bits per second, data bits, parity and stop bits.

    Raises:
        ValueError: If the text is none.
    """
    found = _SERIAL.fullmatch(text)
    if found is None or not 50 <= int(found[1]) <= 4_000_000:
        raise ValueError(f"serial settings must be like '9600 8N1', from 50 to 4000000 bits per second, got {text!r}")
    return SerialSettings(baud=int(found[1]), bytesize=int(found[2]), parity=_PARITY[found[3]], stopbits=int(found[4]))


def serial_text(settings: SerialSettings) -> str:
    """Return settings as `serial_from` reads them."""
    parity = next(letter for letter, word in _PARITY.items() if word == settings.parity)
    return f"{settings.baud} {settings.bytesize}{parity}{settings.stopbits}"


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedGauge:
    """A gauge that a person has named.

    Attributes:
        name: What the person calls it.
        profile: Name of the profile that reads it.
        port: Where it was: a serial port's name, or what a Bluetooth search gave.
        kind: What it is where that is not what the profile says: "caliper", "depth_indicator" or "rocker"; else empty.
        serial: How its port is set where that is not what the profile says, as `serial_text` gives it; else empty.
        usb: Who its plug says it is, ``VID:PID:SERIAL``; empty if the system does not tell.
        bluetooth_name: What it calls itself on the air; empty for a serial gauge, or if it calls itself nothing.
        bluetooth_service: UUID of a service that it advertises; empty if there is none.
    """

    name: str
    profile: str
    port: str
    kind: str = ""
    serial: str = ""
    usb: str = ""
    bluetooth_name: str = ""
    bluetooth_service: str = ""

    def applied_to(self, profile: Profile) -> Profile:
        """Return its profile with what is different about this very gauge."""
        return replace(
            profile, kind=self.kind or profile.kind,
            serial=serial_from(self.serial) if self.serial else profile.serial,
        )  # fmt: skip


# -- the file --------------------------------------------------------------------------------------------------------


def _settings(text: str) -> bool:
    with suppress(ValueError):
        return bool(serial_from(text))
    return False


def _a_line(text: str) -> bool:
    return bool(text.strip()) and text.isprintable()


_KEYS: Final[Mapping[str, tuple[str, Callable[[str], bool]]]] = {
    "profile": ("the name of a profile", _a_line),
    "port": ("a port's name or a Bluetooth address", _a_line),
    "kind": ("caliper, depth_indicator or rocker", lambda text: text in {"caliper", "depth_indicator", "rocker"}),
    "serial": ("serial settings such as 9600 8N1", _settings),
    "usb": ("VID:PID:SERIAL", lambda text: bool(re.fullmatch(r"[0-9A-F]{4}:[0-9A-F]{4}:.*", text))
            and text.isprintable()),
    "bluetooth_name": ("what the gauge calls itself", _a_line),
    "bluetooth_service": ("a UUID in small letters", lambda text: bool(_UUID.fullmatch(text))),
}  # fmt: skip
_NEEDED: Final = ("profile", "port")
MOST_NAME: Final = 120
"""Characters of a gauge's name."""


def named_gauges(path: Path | None = None) -> dict[str, NamedGauge]:
    """Return the gauges that the person has named, by name; none without a file.

    Args:
        path: The file; else ``gauges.toml`` in `config_folder`.

    Raises:
        NamedGaugesError: If the file cannot be read or does not hold.
    """
    path = path or config_folder() / "gauges.toml"
    try:
        table = tomllib.loads(read_input(path, most_bytes=MOST_TOML).decode())
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise NamedGaugesError(
            f"cannot be read ({error.strerror or error}); look at it and its rights", file=str(path)
        ) from error
    except ValueError as error:  # not TOML, or not UTF-8
        raise NamedGaugesError(f"must be TOML in UTF-8, {error}; mend or move the file", file=str(path)) from error
    if type(table.get("format")) is not int or table["format"] != FORMAT:
        raise NamedGaugesError(
            f"must have format = {FORMAT}, got {table.get('format')!r}; mend or move the file", file=str(path)
        )
    if unknown := sorted(table.keys() - {"format", "gauge"}):
        raise NamedGaugesError(f"has the unknown key {unknown[0]!r}; known are format, gauge", file=str(path))
    gauges = table.get("gauge", {})
    if not isinstance(gauges, dict):
        raise NamedGaugesError(f"must have gauges as tables [gauge.NAME], got {gauges!r}", file=str(path))
    return {name: _gauge(path, name, values) for name, values in gauges.items()}


def _gauge(path: Path, name: str, values: Any) -> NamedGauge:
    check_name(name, path)
    if not isinstance(values, dict):
        raise NamedGaugesError(f"must have gauge {name!r} as a table, got {values!r}", file=str(path))
    if unknown := sorted(values.keys() - _KEYS.keys()):
        raise NamedGaugesError(
            f"has the unknown key {unknown[0]!r} of gauge {name!r}; known are {', '.join(_KEYS)}", file=str(path)
        )
    if missing := [key for key in _NEEDED if key not in values]:
        raise NamedGaugesError(
            f"lacks the key {missing[0]!r} of gauge {name!r}; set it to {_KEYS[missing[0]][0]}", file=str(path)
        )
    for key, value in values.items():
        rule, holds = _KEYS[key]
        if not isinstance(value, str) or not holds(value):
            raise NamedGaugesError(f"must have {rule} as {key} of gauge {name!r}, got {value!r}", file=str(path))
    return NamedGauge(name=name, **values)


def check_name(name: str, path: Path | None = None) -> None:
    """Refuse a name that a command line could not tell from NAME=PROFILE@PORT.

    Raises:
        NamedGaugesError: If it is one, or is blank or not printable.
    """
    if not _a_line(name) or len(name) > MOST_NAME or "=" in name or name != name.strip():
        path = path or config_folder() / "gauges.toml"
        raise NamedGaugesError(
            f"must name a gauge by a line of text without '=' or outer blanks, at most {MOST_NAME} characters, "
            f"got {name[:60]!r}",
            file=str(path),
        )


def save_gauge(gauge: NamedGauge, path: Path | None = None) -> NamedGauge | None:
    """Keep a gauge under its name and return the one that had the name before, None if none had.

    The file is replaced as a whole, so that a computer that stops in between leaves the old one.

    Args:
        gauge: What to keep.
        path: The file; else ``gauges.toml`` in `config_folder`.

    Raises:
        NamedGaugesError: If the name, a value or the present file does not hold, or it cannot be written.
    """
    path = path or config_folder() / "gauges.toml"
    values = {key: value for key, value in asdict(gauge).items() if key != "name" and value}
    _gauge(path, gauge.name, values)
    gauges = named_gauges(path)
    before = gauges.get(gauge.name)
    gauges[gauge.name] = gauge
    try:
        _replace(path, _toml(gauges.values()))
    except OSError as error:
        raise NamedGaugesError(
            f"cannot be written ({error.strerror or error}); see to the disk and its rights", file=str(path)
        ) from error
    return before


def _toml(gauges: Iterable[NamedGauge]) -> str:
    lines = [_HEAD + f"format = {FORMAT}\n"]
    for gauge in gauges:
        lines.append(f"\n[gauge.{_text(gauge.name)}]\n")
        lines += [f"{key} = {_text(value)}\n" for key in _KEYS if (value := getattr(gauge, key))]
    return "".join(lines)


def _text(value: str) -> str:
    """Return a TOML string; a JSON string of printable characters is one."""
    return json.dumps(value, ensure_ascii=False)


def _replace(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    number, name = tempfile.mkstemp(dir=path.parent, prefix=".gauges-", suffix=".toml")
    try:
        with os.fdopen(number, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink()
        raise


# -- where it is now -------------------------------------------------------------------------------------------------


def usb_of(port: str, ports: Sequence[PortInfo]) -> str:
    """Return who the plug at a port is, empty if the system does not tell; a link to a port counts as the port."""
    device = os.path.realpath(port)
    return next((one.usb for one in ports if os.path.realpath(one.device) == device), "")


def find_port(
    gauge: NamedGauge, *, bluetooth: bool, ports: Sequence[PortInfo], heard: Sequence[Advertised] = ()
) -> str:
    """Return what opens a named gauge now.

    A serial gauge is known by its plug where the system shows plugs, else by the name of its port. A Bluetooth gauge is
    known by its address, else by its name and service, since a computer may have an address of its own for it. One
    that is not heard keeps its address: it may be asleep.

    Args:
        gauge: Which one.
        bluetooth: Whether its profile is of a Bluetooth gauge.
        ports: The serial ports there are.
        heard: The Bluetooth devices that advertise.

    Raises:
        PortNotFoundError: If its plug is not there, or several have the same.
    """
    return _address(gauge, heard) if bluetooth else _device(gauge, ports)


def _device(gauge: NamedGauge, ports: Sequence[PortInfo]) -> str:
    here = usb_of(gauge.port, ports)
    if not gauge.usb or here == gauge.usb:
        return gauge.port
    same = [one.device for one in ports if one.usb == gauge.usb]
    if len(same) == 1:
        return same[0]
    if same:
        words = (
            f"gauge {gauge.name!r} may be at any of {', '.join(same)}, whose plugs say the same; save it again there"
        )
    elif here or any(one.usb for one in ports):
        words = f"gauge {gauge.name!r} is not plugged in, no port has its plug {gauge.usb}; plug it in"
    else:
        return gauge.port
    raise PortNotFoundError(words, port=gauge.port)


def _address(gauge: NamedGauge, heard: Sequence[Advertised]) -> str:
    if any(one.address.lower() == gauge.port.lower() for one in heard):
        return gauge.port
    alike = [one.address for one in heard if _alike(gauge, one)]
    return alike[0] if len(alike) == 1 else gauge.port


def _alike(gauge: NamedGauge, one: Advertised) -> bool:
    if not gauge.bluetooth_name and not gauge.bluetooth_service:
        return False
    named = gauge.bluetooth_name in {"", one.name}
    return named and (not gauge.bluetooth_service or gauge.bluetooth_service in one.services)
