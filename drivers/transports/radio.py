"""This computer's Bluetooth radio, and the search for gauges with it.

Everything here that registers with the radio takes turns: bleak keeps what it knows of it for all event loops together.
"""

import asyncio
import sys
import threading
from collections.abc import Callable, Coroutine
from typing import Any, Final

from bleak import BleakAdapter, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakDeviceNotFoundError, BleakError
from bleak.uuids import normalize_uuid_str

from drivers.errors import DriverError
from drivers.transports import bluetooth_faults as faults
from drivers.transports.advertised import Advertised

# A malformed address or bus name is a ValueError or TypeError; a bus that closes in the middle is an EOFError.
FOREIGN: Final = (BleakError, OSError, EOFError, ValueError, TypeError)

#: How long ending a connection may take; the other side may not answer at all.
RELEASE_S: Final = 3.0

# bleak keeps what it knows of the radio for all event loops together, which is not made for several threads.
_REGISTERING: Final = threading.Lock()


def look_up_version() -> None:
    """Have bleak look up BlueZ's version, once and undisturbed, because a look-up cut short blocks every connection."""
    if sys.platform == "linux":
        from bleak.backends.bluezdbus.version import BlueZFeatures

        with _REGISTERING:
            if not BlueZFeatures.checked_bluez_version:
                asyncio.run(BlueZFeatures.check_bluez_version())


async def present(address: str, *, adapter: str, within_s: float) -> BLEDevice:
    """Return the gauge as the system knows it; waits until it advertises."""

    def wanted(device: BLEDevice, _: object = None) -> bool:
        return device.address.lower() == address.lower()

    # A program that was killed leaves its gauge connected on Linux, and a connected gauge does not advertise.
    async with asyncio.timeout(within_s):
        connected = next(filter(wanted, await (await _radio(adapter)).get_connected_devices()), None)
    return connected or (await _heard(wanted, adapter=adapter, within_s=within_s))[0]


async def _radio(adapter: str) -> BleakAdapter:
    """Return this computer's radio, known to this event loop from now on."""
    while not _REGISTERING.acquire(blocking=False):
        await asyncio.sleep(0.01)
    try:
        return await BleakAdapter.get(bluez={"adapter": adapter})
    finally:
        _REGISTERING.release()


async def _heard(
    wanted: Callable[[BLEDevice, AdvertisementData], bool], *, adapter: str, within_s: float
) -> tuple[BLEDevice, AdvertisementData]:
    """Return the first device, and what it advertises, that is wanted.

    Raises:
        BleakDeviceNotFoundError: If there is none within ``within_s`` seconds.
    """
    try:
        async with asyncio.timeout(within_s):
            await _radio(adapter)
            async with BleakScanner(bluez={"adapter": adapter}) as scanner:
                return await anext(pair async for pair in scanner.advertisement_data() if wanted(*pair))
    except TimeoutError as error:
        raise BleakDeviceNotFoundError("", f"none was heard in {within_s:g} s") from error


def scan(within_s: float = 5.0, *, adapter: str = "") -> list[Advertised]:
    """Return the devices that are heard in ``within_s`` seconds, the strongest first; none is connected to.

    Waits that long, so call it in a thread that runs no event loop.

    Raises:
        DriverError: If Bluetooth cannot be used; `RadioUnavailableError`, `PortDeniedError` or `PortBusyError`.
    """

    async def search() -> list[Advertised]:
        async with asyncio.timeout(within_s + RELEASE_S):
            await _radio(adapter)
            heard = await BleakScanner.discover(within_s, return_adv=True, bluez={"adapter": adapter})
        return sorted((_advertised(*pair) for pair in heard.values()), key=lambda one: (-one.rssi, one.address))

    return _searched(search(), what="search for gauges")


def find(name: str = "", *, service: str = "", within_s: float = 10.0, adapter: str = "") -> Advertised:
    """Return the first device heard that calls itself ``name`` and advertises ``service`` (a UUID); "" is any.

    An address on macOS differs from computer to computer, a name and a service do not. Waits as `scan` does.

    Raises:
        PortNotFoundError: If none is heard in ``within_s`` seconds.
        DriverError: If Bluetooth cannot be used, as for `scan`.
        ValueError: If neither is given.
    """
    if not name and not service:
        raise ValueError("find must be given a name or a service, got neither")
    uuid = normalize_uuid_str(service) if service else ""

    def wanted(_: BLEDevice, said: AdvertisementData) -> bool:
        return name in {"", said.local_name} and (not uuid or uuid in said.service_uuids)

    async def search() -> list[Advertised]:
        return [_advertised(*await _heard(wanted, adapter=adapter, within_s=within_s))]

    return _searched(search(), what=f"Bluetooth gauge {name or service!r}")[0]


def _searched(search: Coroutine[Any, Any, list[Advertised]], *, what: str) -> list[Advertised]:
    """Run ``search`` to its end.

    Raises:
        DriverError: If Bluetooth cannot be used.
    """
    try:
        return asyncio.run(search)
    except FOREIGN as error:
        ours: DriverError = faults.search_error(error, what=what)
        raise ours from error


def _advertised(device: BLEDevice, said: AdvertisementData) -> Advertised:
    name, services = said.local_name or "", tuple(said.service_uuids)
    return Advertised(address=device.address, name=name, rssi=said.rssi, services=services)
