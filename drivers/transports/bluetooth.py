"""A Bluetooth LE gauge. Only this module, `radio` and `bluetooth_listener` import bleak.

bleak brings a backend for Linux (BlueZ), macOS and Windows; nothing here knows which one it is, except that ``adapter``
(a name such as ``hci0``) is heeded on Linux alone. Without it bleak takes any adapter that is switched on.
"""

import asyncio
import logging
import threading
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from typing import Final

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.service import BleakGATTServiceCollection
from bleak.exc import BleakGATTProtocolError
from bleak.uuids import normalize_uuid_16, normalize_uuid_str

from drivers.errors import DriverError
from drivers.reading import Clock, Instant, system_clock
from drivers.transports import bluetooth_faults as faults
from drivers.transports.faults import Fault
from drivers.transports.radio import FOREIGN, RELEASE_S, look_up_version, present

log = logging.getLogger(__name__)

#: Assigned Numbers of the Bluetooth SIG: Battery Level, and the descriptor Characteristic Presentation Format.
BATTERY_LEVEL: Final = normalize_uuid_16(0x2A19)
PRESENTATION: Final = normalize_uuid_16(0x2904)

# What a connection brings: a notification, a battery level in percent, or why it ended.
_News = asyncio.Queue[tuple[bytes, Instant] | int | Exception]


class BluetoothTransport:
    """Hands on what a Bluetooth LE gauge sends; its callbacks are called in its own thread, one at a time.

    Connects to ``address``, which a search gives (on macOS it is the computer's own name for the gauge), and subscribes
    to ``characteristic``, a UUID; "" means the single notifying characteristic that describes its form. Every
    notification is one chunk. What is sent goes to the characteristic ``write``.

    ``on_presentation(form)`` comes first: the seven bytes of the Characteristic Presentation Format, None if the gauge
    has none. Then ``on_open(mid_line)`` once, ``settle_s`` seconds after the subscription; ``mid_line`` says that
    something came in that time which is no line end, so that its beginning may be missing. ``on_chunk(chunk, arrived)``
    for every notification, ``on_battery(percent)`` for the battery's level at first and when it changes.
    ``on_end(error)`` once, last, with None after `stop` or `close` and otherwise with what ended the connection.

    A system service that dies tells nobody. The gauge is therefore asked something small every ``watch_s / 3`` seconds,
    and has ``watch_s / 2`` seconds to answer, so that a dead connection ends within ``watch_s``.
    """

    def __init__(
        self,
        address: str,
        *,
        gauge: str,
        on_open: Callable[[bool], None],
        on_chunk: Callable[[bytes, Instant], None],
        on_end: Callable[[DriverError | None], None],
        characteristic: str = "",
        write: str = "",
        on_presentation: Callable[[bytes | None], None] = lambda _: None,
        on_battery: Callable[[int], None] = lambda _: None,
        clock: Clock = system_clock,
        adapter: str = "",
        connect_s: float = 15.0,
        settle_s: float = 0.2,
        watch_s: float = 15.0,
    ) -> None:
        self._address = address
        self._gauge = gauge
        self._on_open = on_open
        self._on_chunk = on_chunk
        self._on_end = on_end
        self._characteristic = characteristic
        self._write = write
        self._on_presentation = on_presentation
        self._on_battery = on_battery
        self._clock = clock
        self._adapter = adapter
        self._connect_s = connect_s
        self._settle_s = settle_s
        self._watch_s = watch_s
        self._last_at: datetime | None = None
        self._lock = threading.Lock()  # between stopping and the end of the event loop
        self._stopping = False
        self._cancel: Callable[[], object] | None = None
        self._sender: Callable[[bytes], object] | None = None
        self._thread = threading.Thread(target=self._run, name=f"gauge {gauge} at {address}", daemon=True)

    def start(self) -> None:
        """Start the thread, which searches for the gauge and connects."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end, without waiting; may be called from any thread and more than once."""
        with self._lock:
            self._stopping = True
            cancel, self._cancel = self._cancel, None
            if cancel is not None:
                cancel()

    def close(self, within_s: float = 5.0) -> bool:
        """Stop, wait for the thread and return whether it has ended.

        False after ``within_s`` seconds: it ends as soon as the system lets go of the connection.
        """
        self.stop()
        if self._thread is not threading.current_thread() and self._thread.ident is not None:
            self._thread.join(within_s)
        return not self._thread.is_alive()

    def send(self, data: bytes) -> None:
        """Send bytes to the characteristic ``write``; may be called from any thread, waits for nothing."""
        with self._lock:
            if self._sender is not None:
                self._sender(data)

    def _run(self) -> None:
        ended: DriverError | None = self._lost(RuntimeError("its reader failed"))
        try:
            look_up_version()
            ended = asyncio.run(self._until_stopped())
        finally:
            self._on_end(ended)

    async def _until_stopped(self) -> DriverError | None:
        loop, serving = asyncio.get_running_loop(), asyncio.create_task(self._serve())
        with self._lock:
            if self._stopping:
                serving.cancel()
            else:
                self._cancel = lambda: loop.call_soon_threadsafe(serving.cancel)
        try:
            await asyncio.wait({serving})
            return None if serving.cancelled() else serving.result()
        finally:
            with self._lock:
                self._cancel = None

    async def _serve(self) -> DriverError:
        news: _News = asyncio.Queue()
        try:
            device = await present(self._address, adapter=self._adapter, within_s=self._connect_s)
            gone = ConnectionResetError("the gauge disconnected")
            client = BleakClient(device, lambda _: news.put_nowait(gone), timeout=self._connect_s)
            async with asyncio.timeout(self._connect_s + RELEASE_S):  # bleak may wait for the end of its attempt
                await client.connect()
        except FOREIGN as error:
            return faults.opening_error(error, address=self._address)
        try:
            return await self._connection(client, news)
        finally:
            await _release(client)

    async def _connection(self, client: BleakClient, news: _News) -> DriverError:
        try:
            characteristic = self._chosen(client.services)
            async with asyncio.timeout(self._connect_s):
                await self._subscribe(client, characteristic, news)
        except DriverError as error:
            return error
        except FOREIGN as error:
            return faults.opening_error(error, address=self._address)
        await self._open(news)
        watch = asyncio.create_task(self._watch(client, characteristic, news))
        self._let_send(client)
        try:
            return self._lost(await self._hand_on(news))
        finally:
            with self._lock:
                self._sender = None
            watch.cancel()
            await asyncio.wait({watch})

    def _let_send(self, client: BleakClient) -> None:
        loop, under_way = asyncio.get_running_loop(), set[asyncio.Task[None]]()

        async def write(data: bytes) -> None:
            try:
                await client.write_gatt_char(normalize_uuid_str(self._write), data)
            except FOREIGN as error:  # a link that is gone is told by the link itself
                log.warning("gauge %r was not asked: %s", self._gauge, error)

        def begin(data: bytes) -> None:
            task = asyncio.create_task(write(data))
            under_way.add(task)
            task.add_done_callback(under_way.discard)

        with self._lock:
            self._sender = lambda data: loop.call_soon_threadsafe(begin, data)

    def _chosen(self, services: BleakGATTServiceCollection) -> BleakGATTCharacteristic:
        """Return the characteristic that measures.

        Raises:
            PortError: If there is none, it does not notify, or there are several.
        """
        every = list(services.characteristics.values())
        if self._characteristic:
            wanted = normalize_uuid_str(self._characteristic)
            named = [one for one in every if one.uuid == wanted]
            found, otherwise = _notifying(named), faults.SILENT_CHARACTERISTIC if named else faults.MISSING
        else:
            described = [one for one in every if one.get_descriptor(PRESENTATION) and one.uuid != BATTERY_LEVEL]
            found, otherwise = _notifying(described), faults.NOT_SELF_DESCRIBING
        if len(found) != 1:
            raise self._unfit(faults.SEVERAL if found else otherwise)
        return found[0]

    async def _subscribe(self, client: BleakClient, characteristic: BleakGATTCharacteristic, news: _News) -> None:
        form = characteristic.get_descriptor(PRESENTATION)
        self._on_presentation(None if form is None else bytes(await client.read_gatt_descriptor(form)))
        await self._follow_battery(client, news)
        await client.start_notify(characteristic, lambda _, chunk: news.put_nowait((bytes(chunk), self._clock())))

    async def _follow_battery(self, client: BleakClient, news: _News) -> None:
        found = [one for one in client.services.characteristics.values() if one.uuid == BATTERY_LEVEL]
        if not found:
            return
        battery = min(found, key=lambda one: one.handle)

        def told(_: object, level: bytearray) -> None:
            if len(level) == 1 and level[0] <= 100:  # Battery Service 1.0: percent, the rest is reserved
                news.put_nowait(level[0])

        try:
            told(battery, await client.read_gatt_char(battery))
            if _notifying([battery]):
                await client.start_notify(battery, told)
        except BleakGATTProtocolError as error:
            log.info("gauge %r does not tell its battery's level: %s", self._gauge, error)

    async def _open(self, news: _News) -> None:
        await asyncio.sleep(self._settle_s)
        early = [news.get_nowait() for _ in range(news.qsize())]
        first = next((item[0] for item in early if isinstance(item, tuple)), b"")
        self._on_open(first not in {b"", b"\r", b"\n", b"\r\n"})
        for item in early:
            news.put_nowait(item)

    async def _hand_on(self, news: _News) -> Exception:
        """Hand on what comes until the connection ends, and return why it did."""
        while True:
            item = await news.get()
            if isinstance(item, Exception):
                return item
            if isinstance(item, int):
                self._on_battery(item)
            else:
                self._last_at = item[1].at
                self._on_chunk(*item)

    async def _watch(self, client: BleakClient, characteristic: BleakGATTCharacteristic, news: _News) -> None:
        """Ask the gauge for a descriptor again and again; tell when it, or the system, does not answer.

        Every characteristic that notifies has one, Client Characteristic Configuration (Bluetooth Core Specification,
        volume 3, part G, section 3.3.3.3, from memory). Asked for a value, BlueZ would hand it on as a notification.
        """
        asked = next(iter(characteristic.descriptors), None)
        if asked is None:
            log.warning("gauge %r shows no descriptor; a system service that dies will not be noticed", self._gauge)
            return
        while True:
            await asyncio.sleep(self._watch_s / 3)
            try:
                async with asyncio.timeout(self._watch_s / 2):
                    await client.read_gatt_descriptor(asked)
            except BleakGATTProtocolError as error:
                log.debug("gauge %r is there, though it answers %s", self._gauge, error)
            except FOREIGN as error:
                news.put_nowait(error)
                return

    def _unfit(self, fault: Fault) -> DriverError:
        return faults.fault_error(fault, what=f"Bluetooth gauge {self._address!r}", port=self._address)

    def _lost(self, error: Exception) -> DriverError:
        return faults.lost_error(error, address=self._address, gauge=self._gauge, last_at=self._last_at)


def _notifying(characteristics: list[BleakGATTCharacteristic]) -> list[BleakGATTCharacteristic]:
    return [one for one in characteristics if {"notify", "indicate"} & set(one.properties)]


async def _release(client: BleakClient) -> None:
    """End the connection; also needed after a drop, or the next connection's notifications come twice."""
    with suppress(*FOREIGN):  # what there is to say about the connection has been said
        async with asyncio.timeout(RELEASE_S):
            await client.disconnect()
