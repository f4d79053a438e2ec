"""`gauges` and `gauges find`: what is plugged in and advertising, which gauges have a name, what is wrong with each."""

import argparse
import json
import os
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from drivers.discovery import PortInfo, bluetooth_devices, serial_ports
from drivers.errors import DriverError, PortBusyError, PortDeniedError, PortNotFoundError
from drivers.known import NamedGauge, find_port
from drivers.profiles import Profile
from drivers.transports.advertised import Advertised
from drivers.transports.serial_port import try_port
from logger.cli_arguments import GAUGE, OK, above_zero, command, store_from_environment, store_path
from logger.door import Serve
from logger.gauges import record_lines, records
from logger.sitting import known_profiles, saved_gauges
from logger.store import StoreReader
from logger.terminal import Terminal

READY: Final = "ready"
_STATUS: Final = ((PortNotFoundError, "absent"), (PortBusyError, "busy"), (PortDeniedError, "denied"))


def list_gauges(options: argparse.Namespace, _serve: Serve) -> int:
    """Print what the store knows of gauges and, but for JSON, what there is beside it."""
    path, terminal = store_path(options), Terminal()
    kept: list[dict[str, Any]] = []
    if options.store or store_from_environment() or path.exists():
        with StoreReader(path) as reader:
            kept = records(reader, now_ns=time.time_ns())
    if options.json:
        terminal.say(json.dumps(kept, allow_nan=False))
        return OK
    terminal.say("\n".join([*record_lines(kept), ""]))
    return _tell(look(options.scan), terminal)


def _find(options: argparse.Namespace, _serve: Serve) -> int:
    found, terminal = look(options.scan), Terminal()
    if options.json:
        terminal.say(json.dumps(found, ensure_ascii=False, allow_nan=False))
        return GAUGE if found["bluetooth_trouble"] else OK
    return _tell(found, terminal)


def look(scan_s: float | None) -> dict[str, Any]:
    """Return what there is as plain JSON values.

    ``ports``: every serial port; ``advertising``: every Bluetooth device heard, None when nobody listened; ``named``:
    every gauge with a name, where it is and what is wrong with it; ``bluetooth_trouble``: why nobody could listen.
    To know whether a named gauge's port can be used it is opened for a moment; no other port is.

    Args:
        scan_s: how long to listen for Bluetooth devices, in seconds; None for not at all.

    Raises:
        GaugesError: a profile or the file of saved gauges does not hold.
    """
    profiles, gauges, ports = known_profiles(), saved_gauges(), serial_ports()
    heard: list[Advertised] | None = None
    trouble = ""
    if scan_s is not None:
        try:
            heard = bluetooth_devices(scan_s)
        except DriverError as error:
            trouble = str(error)
    named = [_named(one, profiles, ports, heard) for one in gauges.values()]
    at = {_place(one["port"]): one["gauge"] for one in named if one["status"] != "absent"}
    return {
        "ports": [
            {"device": one.device, "words": one.words, "usb": one.usb, "named": at.get(_place(one.device))}
            for one in ports
        ],
        "advertising": None if heard is None else [
            {"address": one.address, "name": one.name, "rssi_dbm": one.rssi, "services": list(one.services),
             "named": at.get(_place(one.address))}
            for one in heard
        ],
        "named": named,
        "bluetooth_trouble": trouble,
    }  # fmt: skip


def _place(port: str) -> str:
    """Return a port or an address in one way of writing; a link to a port is the port."""
    return os.path.realpath(port).lower()


def _named(
    gauge: NamedGauge, profiles: Mapping[str, Profile], ports: Sequence[PortInfo], heard: Sequence[Advertised] | None
) -> dict[str, Any]:
    profile = profiles.get(gauge.profile)
    told = {"gauge": gauge.name, "profile": gauge.profile, "port": gauge.port}
    if profile is None:
        words = "its profile is missing; put the file back, or save the gauge again with another"
        return told | {"kind": gauge.kind or None, "status": "no_profile", "words": words}
    radio = profile.bluetooth is not None
    try:
        told["port"] = find_port(gauge, bluetooth=radio, ports=ports, heard=heard or ())
        status, words = _on_air(told["port"], heard) if radio else _plugged(told["port"])
    except DriverError as error:
        status = next((status for kind, status in _STATUS if isinstance(error, kind)), "unusable")
        words = str(error)
    return told | {"kind": gauge.applied_to(profile).kind, "status": status, "words": words}


def _plugged(port: str) -> tuple[str, str]:
    try_port(port)
    return READY, "plugged in"


def _on_air(address: str, heard: Sequence[Advertised] | None) -> tuple[str, str]:
    if heard is None:
        return "unheard", "nobody listened for it; --scan 5 listens for five seconds"
    if any(one.address.lower() == address.lower() for one in heard):
        return READY, "advertising"
    return "absent", "not advertising; press a button on it to wake it, bring it near, free it from another computer"


# -- words -----------------------------------------------------------------------------------------------------------


def _tell(found: Mapping[str, Any], terminal: Terminal) -> int:
    lines = _table("port", "what it is", [(one["device"], one["words"], one["named"]) for one in found["ports"]])
    if found["advertising"] is not None:
        heard = [(one["address"], f"{one['name'] or 'no name'}, {one['rssi_dbm']} dBm", one["named"])
                 for one in found["advertising"]]  # fmt: skip
        lines += ["", *_table("Bluetooth", "what it is", heard)]
    lines += ["", *_named_lines(found["named"])]
    terminal.say("\n".join(lines))
    if found["bluetooth_trouble"]:
        terminal.note(f"fretledger: {found['bluetooth_trouble']}")
        return GAUGE
    return OK


def _table(head: str, what: str, rows: Sequence[tuple[str, str, str | None]]) -> list[str]:
    if not rows:
        return [f"{head}: none"]
    first, second = (
        max(len(title), *(len(row[at] or "") for row in rows)) + 2 for at, title in enumerate((head, what))
    )
    return [
        f"{address:<{first}}{words:<{second}}{named or '-'}" for address, words, named in [(head, what, "named"), *rows]
    ]


def _named_lines(named: Sequence[Mapping[str, Any]]) -> list[str]:
    if not named:
        return ["no gauge has a name yet; find out what one sends, and name it, with: fretledger gauges listen PORT"]
    keys = ("gauge", "profile", "port", "status", "words")
    head = dict(zip(keys, ("named gauge", "profile", "at", "is", "says"), strict=True))
    width = {key: max(len(str(one[key])) for one in [head, *named]) + 2 for key in keys[:-1]}
    return [
        "".join(f"{one[key]:<{width[key]}}" for key in keys[:-1]).replace("no_profile", "no profile") + one["words"]
        for one in [head, *named]
    ]


def add_find(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the work `find`."""
    parser = command(add, "find", "what is plugged in and advertising, and what is wrong with each named gauge", _find)
    parser.add_argument("--scan", type=above_zero, metavar="SECONDS", default=argparse.SUPPRESS,
                        help="also listen for Bluetooth devices so long")  # fmt: skip
    parser.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help="print one JSON object instead")
