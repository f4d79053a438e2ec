"""Everything that a Bluetooth LE device notifies, for a person who looks for the right characteristic."""

from collections.abc import Callable
from functools import partial
from typing import Any, Final

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.service import BleakGATTServiceCollection
from bleak.uuids import normalize_uuid_16

from drivers.link_event import LinkEvent, as_events
from drivers.reading import Clock, system_clock
from drivers.transports.bluetooth import BATTERY_LEVEL, PRESENTATION, BluetoothTransport
from drivers.transports.bluetooth_faults import NOTHING_NOTIFIES

#: Assigned Numbers of the Bluetooth SIG: Service Changed, by which a device tells that it is made otherwise now.
SERVICE_CHANGED: Final = normalize_uuid_16(0x2A05)
_NO_MEASUREMENT: Final = frozenset({BATTERY_LEVEL, SERVICE_CHANGED})
_NOTIFYING: Final = frozenset({"notify", "indicate"})


class BluetoothListener(BluetoothTransport):
    """Subscribes to every characteristic that notifies, but for those that every device may have.

    These are the battery's level, which is followed as usual, and that its services have changed.

    ``put`` gets a "form" with its ``source`` for each of them ahead of its first "chunk"; everything comes in the
    listener's own thread, one event at a time.
    """

    def __init__(self, address: str, *, put: Callable[[LinkEvent], None], clock: Clock = system_clock) -> None:
        events = as_events(put, clock)
        super().__init__(
            address, gauge=address, on_open=events.on_open, on_chunk=events.on_chunk, on_end=events.on_end,
            on_battery=events.on_battery, clock=clock, settle_s=0.0,
        )  # fmt: skip
        self._put = put
        self._sources: list[BleakGATTCharacteristic] = []

    def _chosen(self, services: BleakGATTServiceCollection) -> BleakGATTCharacteristic:
        every = services.characteristics.values()
        self._sources = [one for one in every if _NOTIFYING & set(one.properties) and one.uuid not in _NO_MEASUREMENT]
        if not self._sources:
            raise self._unfit(NOTHING_NOTIFIES)
        return self._sources[0]

    async def _subscribe(self, client: BleakClient, _: BleakGATTCharacteristic, news: Any) -> None:
        for one in self._sources:
            described = one.get_descriptor(PRESENTATION)
            form = None if described is None else bytes(await client.read_gatt_descriptor(described))
            self._put(LinkEvent(kind="form", when=self._clock(), data=form, source=one.uuid))
            await client.start_notify(one, partial(self._notified, one.uuid))
        await self._follow_battery(client, news)

    def _notified(self, source: str, _: BleakGATTCharacteristic, chunk: bytearray) -> None:
        now = self._clock()
        self._last_at = now.at
        self._put(LinkEvent(kind="chunk", when=now, data=bytes(chunk), source=source))
