"""A small org.bluez on a private D-Bus, for what real BlueZ cannot be made to do: every answer can be a chosen error.

bleak runs unchanged against it. The objects are plain dictionaries; only what bleak asks for is answered.
"""

import asyncio
import itertools
import os
import subprocess
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Coroutine, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus
from peripheral import CONFIGURATION, Peripheral, Trait, assigned

ADAPTER = "/org/bluez/hci0"
OBJECTS = "org.freedesktop.DBus.ObjectManager"
PROPERTIES = "org.freedesktop.DBus.Properties"

BUS_CONFIGURATION = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>custom</type><listen>unix:path={}</listen><auth>EXTERNAL</auth><policy context="default">
<allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/><allow own="*"/></policy></busconfig>
"""

Properties = dict[str, Variant]


class FakeBluez:
    """A bed; its methods may be called from any thread and return when what they do is done.

    Attributes:
        bus: Address of the private D-Bus.
        failures: What fails: "Device1.Connect" -> (name of the error, its text).
        unanswered: What gets no answer at all.
        uid: Whom the bus knows.
    """

    uid = os.getuid()

    def __init__(self) -> None:
        self.failures: dict[str, tuple[str, str]] = {}
        self.unanswered: set[str] = set()
        self._drops_in_discovery = False
        self._ends = ExitStack()
        self._folder = Path(self._ends.enter_context(tempfile.TemporaryDirectory(prefix="fake-bluez-")))
        self.bus = f"unix:path={self._folder}/bus"
        self._objects: dict[str, dict[str, Properties]] = {}
        self._peripheral: Peripheral | None = None
        self._seekers: set[str] = set()
        self._subscribers: dict[str, set[str]] = defaultdict(set)  # path -> names on the bus, as BlueZ keeps them
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="fake bluez")
        self._methods: dict[str, Callable[[Message], Message | None]] = {
            "ObjectManager.GetManagedObjects": lambda call: _reply(call, "a{oa{sa{sv}}}", self._objects),
            "Properties.Set": self._set,
            "Adapter1.SetDiscoveryFilter": _reply,
            "Adapter1.StartDiscovery": self._start_discovery,
            "Adapter1.StopDiscovery": self._stop_discovery,
            "Device1.Connect": self._connect,
            "Device1.Disconnect": self._disconnect,
            "GattCharacteristic1.ReadValue": self._read,
            "GattCharacteristic1.StartNotify": self._start_notify,
            "GattCharacteristic1.StopNotify": self._stop_notify,
            "GattDescriptor1.ReadValue": self._read,
        }

    # -- the computer ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Start the D-Bus and the service on it."""
        configuration, address = self._folder / "bus.conf", self._folder / "bus"
        configuration.write_text(BUS_CONFIGURATION.format(address), encoding="utf-8")
        said = self._ends.enter_context((self._folder / "said").open("wb"))
        daemon = subprocess.Popen(["dbus-daemon", f"--config-file={configuration}", "--nofork"], stderr=said)
        self._ends.callback(daemon.wait)
        self._ends.callback(daemon.terminate)
        deadline = time.monotonic() + 10
        while not address.exists():
            assert time.monotonic() < deadline, "the bus must come up within 10 s"
            time.sleep(0.01)
        self._thread.start()
        self.start_service()

    def close(self) -> None:
        """Stop the service and the D-Bus."""
        self.kill_service()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()
        self._ends.close()

    def start_service(self) -> None:
        """Begin to be org.bluez, with one adapter that is switched on."""

        async def start() -> None:
            self._server = await MessageBus(bus_address=self.bus).connect()
            rule = "type='signal',sender='org.freedesktop.DBus',member='NameOwnerChanged'"
            await self._server.call(_to_bus("AddMatch", rule))
            self._server.add_message_handler(self._answer)
            self._plug()
            await self._server.request_name("org.bluez")
            self._advertising = asyncio.create_task(self._advertise())

        self._run(start())

    def kill_service(self) -> None:
        """Be gone from the bus without a word, as after kill -9."""

        async def kill() -> None:
            self._advertising.cancel()
            await self._server.call(_to_bus("NameHasOwner", "org.bluez"))  # so that nothing is half written
            self._server.disconnect()
            await self._server.wait_for_disconnect()
            self._objects.clear()
            self._subscribers.clear()
            self._seekers.clear()

        self._run(kill())

    def power(self, on: bool) -> None:
        """Switch the adapter on or off."""

        async def switch() -> None:
            if not on:
                self._disconnected()
            self._change(ADAPTER, "org.bluez.Adapter1", Powered=Variant("b", on))

        self._run(switch())

    def unplug_adapter(self) -> None:
        """Take the adapter away, and with it every device."""

        async def unplug() -> None:
            self._disconnected()
            for path in sorted(self._objects, reverse=True):
                self._remove(path)

        self._run(unplug())

    def plug_adapter(self) -> None:
        """Bring the adapter back."""

        async def plug() -> None:
            self._plug()

        self._run(plug())

    # -- the air --------------------------------------------------------------------------------------------------

    def put(self, peripheral: Peripheral | None = None) -> None:
        """Bring a gauge near, which advertises from now on."""
        self._peripheral = peripheral or Peripheral()

    def take(self) -> None:
        """Take the gauge away and forget it."""

        async def away() -> None:
            self._disconnected()
            self._peripheral = None
            for path in [path for path in self._objects if path.startswith(f"{ADAPTER}/")]:
                self._remove(path)

        self._run(away())

    def send(self, uuid: str, value: bytes) -> None:
        """Have the gauge notify ``value``: one signal for every subscriber, as BlueZ does."""

        async def notify() -> None:
            path = self._path_of(uuid)
            self._objects[path]["org.bluez.GattCharacteristic1"]["Value"] = Variant("ay", value)
            for _ in self._subscribers[path]:
                self._change(path, "org.bluez.GattCharacteristic1", Value=Variant("ay", value))

        self._run(notify())

    def when_subscribed(self, uuid: str) -> None:
        """Wait until somebody has subscribed to the characteristic."""
        deadline = time.monotonic() + 10
        while not self._subscribers[self._path_of(uuid)]:
            assert time.monotonic() < deadline, "somebody must subscribe within 10 s"
            time.sleep(0.005)

    def drop(self) -> None:
        """Have the gauge end the connection."""

        async def end() -> None:
            self._disconnected()

        self._run(end())

    def drop_in_discovery(self) -> None:
        """Have the gauge end the next connection before its services are known."""
        self._drops_in_discovery = True

    def is_connected(self) -> bool:
        """Tell whether somebody is connected to the gauge."""
        return any(
            found["org.bluez.Device1"]["Connected"].value
            for found in list(self._objects.values())
            if "org.bluez.Device1" in found
        )

    # -- the answers, all in the loop of the bed --------------------------------------------------------------------

    def _run(self, work: Coroutine[Any, Any, None]) -> None:
        asyncio.run_coroutine_threadsafe(work, self._loop).result(10)

    def _answer(self, message: Message) -> Message | bool | None:
        if message.message_type is MessageType.SIGNAL and message.member == "NameOwnerChanged":
            if not message.body[2]:
                self._forget(message.body[0])
            return None
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        key = f"{(message.interface or '').rpartition('.')[2]}.{message.member}"
        if key in self.unanswered:
            return True
        if key in self.failures:
            return Message.new_error(message, *self.failures[key])
        if message.path not in {"/", *self._objects}:
            return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownObject", "no such object")
        return self._methods[key](message) if key in self._methods else None

    def _forget(self, name: str) -> None:
        """End what one who left the bus had begun."""
        self._seekers.discard(name)
        for names in self._subscribers.values():
            names.discard(name)

    def _set(self, call: Message) -> Message:
        interface, name, value = call.body
        self._change(str(call.path), interface, **{name: value})
        return _reply(call)

    def _start_discovery(self, call: Message) -> Message:
        if not self._objects[ADAPTER]["org.bluez.Adapter1"]["Powered"].value:
            return Message.new_error(call, "org.bluez.Error.NotReady", "Resource Not Ready")
        if call.sender in self._seekers:
            return Message.new_error(call, "org.bluez.Error.InProgress", "Operation already in progress")
        self._seekers.add(str(call.sender))
        return _reply(call)

    def _stop_discovery(self, call: Message) -> Message:
        self._seekers.discard(str(call.sender))
        return _reply(call)

    async def _advertise(self) -> None:
        strength = -50
        while True:
            await asyncio.sleep(0.02)
            if self._seekers and self._peripheral is not None and not self.is_connected():
                path = _device_path(self._peripheral)
                if path not in self._objects:
                    self._add(path, "org.bluez.Device1", _device(self._peripheral))
                strength = -50 if strength == -51 else -51  # BlueZ tells of changes only
                self._change(path, "org.bluez.Device1", RSSI=Variant("n", strength))

    def _connect(self, call: Message) -> Message:
        path = str(call.path)
        if self._peripheral is None:
            return Message.new_error(call, "org.bluez.Error.Failed", "Host is down")
        self._change(path, "org.bluez.Device1", Connected=Variant("b", True))
        if self._drops_in_discovery:
            self._drops_in_discovery = False
            self._loop.call_soon(self._disconnected)
            return _reply(call)
        handles = itertools.count(10)
        for service in dict.fromkeys(trait.service for trait in self._peripheral.traits):
            traits = [trait for trait in self._peripheral.traits if trait.service == service]
            self._add_service(path, service, traits, handles)
        uuids = Variant(
            "as", [assigned(0x1800), assigned(0x1801), *(trait.service for trait in self._peripheral.traits)]
        )
        self._change(path, "org.bluez.Device1", UUIDs=uuids, ServicesResolved=Variant("b", True))
        return _reply(call)

    def _add_service(self, device: str, uuid: str, traits: list[Trait], handles: Iterator[int]) -> None:
        path = f"{device}/service{next(handles):04x}"
        service = {"UUID": Variant("s", uuid), "Device": Variant("o", device), "Primary": Variant("b", True)}
        self._add(path, "org.bluez.GattService1", service)
        for trait in traits:
            next(handles)  # a characteristic takes two: its declaration and its value
            own = f"{path}/char{next(handles):04x}"
            characteristic = {
                "UUID": Variant("s", trait.uuid),
                "Service": Variant("o", path),
                "Flags": Variant("as", list(trait.properties)),
                "Value": Variant("ay", trait.value),
                "MTU": Variant("q", 247),
            }
            self._add(own, "org.bluez.GattCharacteristic1", characteristic)
            configuration = {CONFIGURATION: bytes(2)} if "notify" in trait.properties else {}
            for kind, value in (configuration | trait.descriptors).items():
                descriptor = {
                    "UUID": Variant("s", assigned(kind)),
                    "Characteristic": Variant("o", own),
                    "Value": Variant("ay", value),
                }
                self._add(f"{own}/desc{next(handles):04x}", "org.bluez.GattDescriptor1", descriptor)

    def _disconnect(self, call: Message) -> Message:
        self._disconnected()
        return _reply(call)

    def _disconnected(self) -> None:
        for path, found in list(self._objects.items()):
            if "org.bluez.Device1" in found and found["org.bluez.Device1"]["Connected"].value:
                no = Variant("b", False)
                self._change(path, "org.bluez.Device1", ServicesResolved=no, Connected=no)
        for path in sorted((path for path in self._objects if "/service" in path), reverse=True):
            self._remove(path)

    def _read(self, call: Message) -> Message:
        (properties,) = self._objects[str(call.path)].values()
        return _reply(call, "ay", properties["Value"].value)

    def _start_notify(self, call: Message) -> Message:
        properties = self._objects[str(call.path)]["org.bluez.GattCharacteristic1"]
        if not {"notify", "indicate"} & set(properties["Flags"].value):
            return Message.new_error(call, "org.bluez.Error.NotSupported", "Operation is not supported")
        self._subscribers[str(call.path)].add(str(call.sender))
        return _reply(call)

    def _stop_notify(self, call: Message) -> Message:
        self._subscribers[str(call.path)].discard(str(call.sender))
        return _reply(call)

    # -- the objects ------------------------------------------------------------------------------------------------

    def _plug(self) -> None:
        adapter = {
            "Address": Variant("s", "F0:F1:F2:F3:F4:F0"),
            "Roles": Variant("as", ["central", "peripheral"]),
            "Powered": Variant("b", True),
        }
        self._add(ADAPTER, "org.bluez.Adapter1", adapter)

    def _path_of(self, uuid: str) -> str:
        kind = "org.bluez.GattCharacteristic1"
        return next(
            path for path, found in self._objects.items() if kind in found and found[kind]["UUID"].value == uuid
        )

    def _add(self, path: str, interface: str, properties: Properties) -> None:
        self._objects[path] = {interface: properties}
        self._signal("/", OBJECTS, "InterfacesAdded", "oa{sa{sv}}", path, self._objects[path])

    def _remove(self, path: str) -> None:
        interfaces = list(self._objects.pop(path))
        self._signal("/", OBJECTS, "InterfacesRemoved", "oas", path, interfaces)

    def _change(self, path: str, interface: str, **changed: Variant) -> None:
        self._objects[path][interface].update(changed)
        self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", interface, changed, [])

    def _signal(self, path: str, interface: str, member: str, signature: str, *body: Any) -> None:
        self._server.send(Message.new_signal(path, interface, member, signature, list(body)))


def _reply(call: Message, signature: str = "", *body: Any) -> Message:
    return Message.new_method_return(call, signature, list(body))


def _to_bus(member: str, argument: str) -> Message:
    return Message(
        destination="org.freedesktop.DBus",
        path="/org/freedesktop/DBus",
        interface="org.freedesktop.DBus",
        member=member,
        signature="s",
        body=[argument],
    )


def _device_path(peripheral: Peripheral) -> str:
    return f"{ADAPTER}/dev_{peripheral.address.replace(':', '_')}"


def _device(peripheral: Peripheral) -> Properties:
    return {
        "Address": Variant("s", peripheral.address),
        "AddressType": Variant("s", "random"),
        "Name": Variant("s", peripheral.name),
        "Alias": Variant("s", peripheral.name),
        "Adapter": Variant("o", ADAPTER),
        "UUIDs": Variant("as", [peripheral.traits[0].service]),
        "RSSI": Variant("n", -52),
        "Paired": Variant("b", False),
        "Connected": Variant("b", False),
        "ServicesResolved": Variant("b", False),
    }
