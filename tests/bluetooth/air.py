"""The air of the real bed: the virtual machine's controller and a gauge, both Bumble's, in a thread of their own."""

import asyncio
import threading
from collections.abc import Coroutine
from contextlib import suppress
from typing import Any, cast

from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData, PhysicalTransport
from bumble.device import Connection, Device, DeviceConfiguration
from bumble.gatt import Characteristic, Descriptor, Service
from bumble.hci import Address, LeFeatureMask
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink, StreamPacketSource
from peripheral import Peripheral, Trait, assigned

#: Connection Timeout: Bluetooth Core Specification, volume 1, part F, from memory; the same number in bleak/exc.py.
OUT_OF_RANGE = 0x08
READ_BY_GROUP_TYPE = 0x10  # the first request of a service discovery; volume 3, part F, from memory


class _Link(LocalLink):
    def send_acl_data(self, sender_controller: Any, destination_address: Any, transport: Any, data: bytes) -> None:
        """Deliver with the address by which the connection knows the sender.

        Bumble 0.0.236 takes the sender's random address; BlueZ connects with its public one.
        """
        if transport != PhysicalTransport.LE:
            super().send_acl_data(sender_controller, destination_address, transport, data)
            return
        connection = sender_controller.le_connections.get(destination_address)
        source = connection.self_address if connection else sender_controller.random_address
        if (receiver := self.find_le_controller(destination_address)) is not None:
            asyncio.get_running_loop().call_soon(receiver.on_link_acl_data, source, transport, data)


class _Gauge:
    """A gauge on the air, made from its description."""

    def __init__(self, link: LocalLink, peripheral: Peripheral) -> None:
        self.controller = Controller("gauge", link=link)
        self.connection: Connection | None = None
        self._peripheral = peripheral
        configuration = DeviceConfiguration(name=peripheral.name, address=Address(peripheral.address))
        self.device = Device(config=configuration, host=Host(self.controller, AsyncPipeSink(self.controller)))
        self.characteristics = {trait.uuid: _characteristic(trait) for trait in peripheral.traits}
        for service in dict.fromkeys(trait.service for trait in peripheral.traits):
            own = [self.characteristics[trait.uuid] for trait in peripheral.traits if trait.service == service]
            self.device.add_service(Service(UUID(service), own))
        self.device.on("connection", self._connected)

    def _connected(self, connection: Connection) -> None:
        self.connection = connection

    async def advertise(self) -> None:
        data = AdvertisingData([
            (AdvertisingData.FLAGS, bytes([6])),
            (
                AdvertisingData.INCOMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS,
                bytes(UUID(self._peripheral.traits[0].service)),
            ),
            (AdvertisingData.COMPLETE_LOCAL_NAME, self._peripheral.name.encode()),
        ])
        await self.device.power_on()
        await self.device.start_advertising(
            advertising_data=bytes(data), auto_restart=True, advertising_interval_min=50, advertising_interval_max=50
        )

    async def disconnect(self) -> None:
        if self.connection is not None and self.device.connections:
            await self.connection.disconnect()

    async def leave(self) -> None:
        await self.device.stop_advertising()
        with suppress(TimeoutError):  # the other end may be dead
            await asyncio.wait_for(self.disconnect(), 3)
        await self.device.power_off()

    def drop_in_discovery(self) -> None:
        server = self.device.gatt_server
        answer = server.on_gatt_pdu

        def drop(bearer: Any, request: Any) -> None:
            if request.op_code == READ_BY_GROUP_TYPE:
                server.on_gatt_pdu = answer
                self._dropping = asyncio.ensure_future(self.disconnect())
            else:
                answer(bearer, request)

        server.on_gatt_pdu = drop


class _Console(StreamPacketSource):
    """This end of the virtual machine's console: packets from it are handed on, packets for it are written."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.machine = cast("asyncio.WriteTransport", transport)

    def on_packet(self, packet: bytes) -> None:
        self.machine.write(packet)


class Air:
    """The air; its methods may be called from any thread and return when what they do is done."""

    def __init__(self, hci: str) -> None:
        self._hci = hci  # path of the socket to which the virtual machine's console connects
        self._gauge: _Gauge | None = None
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="air")

    def start(self) -> None:
        """Switch the computer's controller on."""

        async def start() -> None:
            self._link = _Link()
            self._console = _Console()
            self._server = await self._loop.create_unix_server(lambda: self._console, self._hci)
            self._central = Controller(
                "central",
                host_source=self._console,
                host_sink=self._console,
                link=self._link,
                public_address="F0:F1:F2:F3:F4:F0",
            )
            # With these the kernel waits for an event that Bumble never sends: 4 s, then a busy error.
            self._central.le_features &= ~(
                LeFeatureMask.LL_PRIVACY | LeFeatureMask.LE_EXTENDED_ADVERTISING | LeFeatureMask.LE_PERIODIC_ADVERTISING
            )

        self._thread.start()
        self.run(start())

    def close(self) -> None:
        """End everything on the air; the machine must have ended."""

        async def close() -> None:
            self._server.close()
            await self._server.wait_closed()

        self.take()
        self.run(close())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def run(self, work: Coroutine[Any, Any, None]) -> None:
        """Have ``work`` done in the thread of the air."""
        asyncio.run_coroutine_threadsafe(work, self._loop).result(30)

    @property
    def gauge(self) -> _Gauge:
        """The gauge that is near."""
        assert self._gauge is not None
        return self._gauge

    def put(self, peripheral: Peripheral) -> None:
        """Bring a gauge near, which advertises from now on."""

        async def put() -> None:
            self._gauge = _Gauge(self._link, peripheral)
            await self._gauge.advertise()

        self.run(put())

    def take(self) -> None:
        """Take the gauge away."""

        async def take() -> None:
            gauge, self._gauge = self._gauge, None
            if gauge is not None:
                await gauge.leave()
                self._link.remove_controller(gauge.controller)

        self.run(take())

    def send(self, uuid: str, value: bytes) -> None:
        """Have the gauge notify ``value``."""
        self.run(self.gauge.device.notify_subscribers(self.gauge.characteristics[uuid], value))

    def drop(self) -> None:
        """Have the gauge end the connection."""
        self.run(self.gauge.disconnect())

    def lose(self) -> None:
        """Let both ends find that they no longer hear each other, as out of range."""

        async def lose() -> None:
            controllers = [self._central, *([self._gauge.controller] if self._gauge else [])]
            for controller in controllers:
                for connection in list(controller.le_connections.values()):
                    controller.on_le_disconnected(connection, OUT_OF_RANGE)

        self.run(lose())


def _characteristic(trait: Trait) -> Characteristic[bytes]:
    properties = Characteristic.Properties(0)
    for name in trait.properties:
        properties |= Characteristic.Properties[name.upper()]
    descriptors = [
        Descriptor(UUID(assigned(kind)), Descriptor.READABLE, value) for kind, value in trait.descriptors.items()
    ]
    permissions = Characteristic.READABLE | Characteristic.WRITEABLE
    return Characteristic(UUID(trait.uuid), properties, permissions, trait.value, descriptors)
