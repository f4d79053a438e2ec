"""Real BlueZ, in a small virtual machine that Debian's kernel runs; bleak reaches its D-Bus through a forwarded port.

The machine's Bluetooth controller is a virtio console, whose other end is on the air of `air`.
"""

import asyncio
import hashlib
import os
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import build_vm
from air import Air
from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus
from dbus_fast.auth import AuthExternal
from peripheral import Peripheral

ADAPTER = "/org/bluez/hci0"

#: How long the machine may take where its processor is emulated and others work beside it.
PATIENCE_S = 90.0


def image() -> Path:
    """Return the folder with the machine's kernel and memory disk; built once for every user and change of it."""
    sources = b"".join(Path(build_vm.__file__).with_name(name).read_bytes() for name in ("build_vm.py", "vm_init.sh"))
    name = f"fretledger-bluetooth-{os.getuid()}-{hashlib.sha256(sources).hexdigest()[:12]}"
    folder = Path(tempfile.gettempdir(), name)
    if not folder.is_dir():
        with tempfile.TemporaryDirectory(dir=folder.parent) as scratch:
            build_vm.build(Path(scratch, "image"))
            Path(scratch, "image").rename(folder)
    return folder


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class RealBluez:
    """A bed with the methods of `FakeBluez`, as far as a real service can do what they say.

    Attributes:
        bus: Address of the machine's D-Bus.
        uid: Whom its D-Bus knows.
    """

    uid = 0

    def __init__(self) -> None:
        self._ends = ExitStack()
        self._folder = Path(self._ends.enter_context(tempfile.TemporaryDirectory(prefix="real-bluez-")))
        self._bus_port, self._shell_port = _free_port(), _free_port()
        self.bus = f"tcp:host=127.0.0.1,port={self._bus_port}"
        self._air = Air(f"{self._folder}/hci")

    def start(self) -> None:
        """Start the machine and wait until its adapter is on."""
        self._air.start()
        self._ends.callback(self._air.close)
        console = self._ends.enter_context((self._folder / "console").open("wb"))
        self._machine = subprocess.Popen(
            self._command(image()), stdin=subprocess.DEVNULL, stdout=console, stderr=subprocess.STDOUT
        )
        self._ends.callback(self._machine.wait, 10)
        self._ends.callback(self._machine.terminate)
        try:
            self._wait(self._is_on, "an adapter that is on")
        except BaseException:
            self.close()
            raise

    def _command(self, folder: Path) -> list[str]:
        ports = f"hostfwd=tcp:127.0.0.1:{self._bus_port}-:55556,hostfwd=tcp:127.0.0.1:{self._shell_port}-:55557"
        words = f"""
            qemu-system-x86_64 -M q35 -accel tcg -cpu qemu64 -smp 1 -m 192
            -nographic -nodefaults -no-reboot -serial stdio
            -kernel {folder}/vmlinux -initrd {folder}/initrd.gz
            -device virtio-serial-pci -chardev socket,id=hci,path={self._folder}/hci,reconnect=1
            -device virtconsole,chardev=hci
            -netdev user,id=net,restrict=on,{ports} -device virtio-net-pci,netdev=net,romfile=
        """
        return [*words.split(), "-append", "console=ttyS0 quiet panic=-1 mitigations=off cryptomgr.notests=1 nokaslr"]

    def close(self) -> None:
        """Switch the machine off."""
        self._ends.close()

    # -- the computer ---------------------------------------------------------------------------------------------

    def start_service(self) -> None:
        """Start bluetoothd again and wait until its adapter is on."""
        self._shell("bluetoothd --nodetach </dev/null >/run/bluetoothd.log 2>&1 &")
        self._wait(self._is_on, "an adapter that is on")

    def kill_service(self) -> None:
        """Kill bluetoothd as kill -9 does; its connections end at the gauge."""
        self._shell("kill -9 $(pidof bluetoothd); while pidof bluetoothd; do sleep 0.05; done")

    def power(self, on: bool) -> None:
        """Switch the adapter on or off."""
        body = ["org.bluez.Adapter1", "Powered", Variant("b", on)]
        self._call(ADAPTER, "org.freedesktop.DBus.Properties.Set", "ssv", body)
        self._wait(lambda: self._is_on() is on, f"an adapter that is {'on' if on else 'off'}")

    def unplug_adapter(self) -> None:
        """Take the adapter away; a radio without power lets its connections die."""
        self._shell("touch /run/unplugged; kill $(pidof btattach)")
        self._wait(lambda: ADAPTER not in self._objects(), "no adapter")
        self._air.lose()

    def plug_adapter(self) -> None:
        """Bring the adapter back."""
        self._shell("rm -f /run/unplugged")
        self._wait(self._is_on, "an adapter that is on")

    # -- the air --------------------------------------------------------------------------------------------------

    def put(self, peripheral: Peripheral | None = None) -> None:
        """Bring a gauge near, which advertises from now on."""
        self._air.put(peripheral or Peripheral())

    def take(self) -> None:
        """Take the gauge away and have BlueZ forget it."""
        self._air.take()
        for path, interfaces in self._objects().items():
            if "org.bluez.Device1" in interfaces:
                self._call(ADAPTER, "org.bluez.Adapter1.RemoveDevice", "o", [path])

    def send(self, uuid: str, value: bytes) -> None:
        """Have the gauge notify ``value``."""
        self._air.send(uuid, value)

    def drop(self) -> None:
        """Have the gauge end the connection."""
        self._air.drop()

    def lose(self) -> None:
        """Let the connection end as out of range."""
        self._air.lose()

    def drop_in_discovery(self) -> None:
        """Have the gauge end the next connection while its services are asked for."""
        self._air.gauge.drop_in_discovery()

    def is_connected(self) -> bool:
        """Tell whether BlueZ is connected to the gauge."""
        devices = [found["org.bluez.Device1"] for found in self._objects().values() if "org.bluez.Device1" in found]
        return any(device["Connected"].value for device in devices)

    # -- how it is done ---------------------------------------------------------------------------------------------

    def _is_on(self) -> bool:
        adapter = self._objects().get(ADAPTER, {}).get("org.bluez.Adapter1", {})
        return "Powered" in adapter and adapter["Powered"].value is True

    def _objects(self) -> dict[str, dict[str, dict[str, Variant]]]:
        (objects,) = self._call("/", "org.freedesktop.DBus.ObjectManager.GetManagedObjects")
        return dict(objects)

    def _wait(self, holds: Callable[[], bool], what: str) -> None:
        deadline = time.monotonic() + PATIENCE_S
        trouble: Exception | None = None
        while time.monotonic() < deadline and self._machine.poll() is None:
            try:
                if holds():
                    return
            except (OSError, EOFError, RuntimeError, TimeoutError) as error:
                trouble = error  # the machine or its service is not up yet
            time.sleep(0.05)
        console = (self._folder / "console").read_text(encoding="utf-8", errors="replace")[-2000:]
        raise AssertionError(f"machine must have {what} within {PATIENCE_S:g} s, got {trouble!r}\n{console}")

    def _call(self, path: str, method: str, signature: str = "", body: list[Any] | None = None) -> list[Any]:
        """Call a D-Bus method and return what it gives.

        Raises:
            RuntimeError: If it gives an error.
        """
        interface, _, member = method.rpartition(".")
        message = Message("org.bluez", path, interface, member, signature=signature, body=body or [])

        async def call() -> Message:
            bus = MessageBus(bus_address=self.bus, auth=AuthExternal(uid=self.uid))
            try:
                async with asyncio.timeout(10):
                    await bus.connect()
                    reply = await bus.call(message)
                    assert reply is not None
                    return reply
            finally:
                bus.disconnect()

        reply = asyncio.run(call())
        if reply.message_type is MessageType.ERROR:
            raise RuntimeError(f"{method} must be answered, got {reply.error_name} {reply.body}")
        return list(reply.body)

    def _shell(self, command: str) -> None:
        """Have the machine's shell do ``command``."""

        def done() -> bool:
            with socket.create_connection(("127.0.0.1", self._shell_port), 10) as shell:
                shell.sendall(f"{command}\necho done\nexit\n".encode())
                answer = b""
                while more := shell.recv(4096):
                    answer += more
            return answer.endswith(b"done\n")

        self._wait(done, f"a shell that does {command!r}")
