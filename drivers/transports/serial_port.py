"""A serial port with one reader thread. The only module that imports pyserial."""

import importlib
import logging
import os
import threading
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from typing import Any, Final

import serial
from serial.tools.list_ports import comports
from serial.tools.list_ports_common import ListPortInfo

from drivers.errors import DriverError
from drivers.profiles.profile import SerialSettings
from drivers.reading import Clock, Instant, system_clock
from drivers.transports.faults import opening_error, reading_error

log = logging.getLogger(__name__)

# Kept as Any because the module does not exist on Windows.
_TERMIOS: Final[Any] = importlib.import_module("termios") if os.name == "posix" else None
_FCNTL: Final[Any] = importlib.import_module("fcntl") if os.name == "posix" else None
_FOREIGN: Final = (OSError, ValueError) if _TERMIOS is None else (OSError, ValueError, _TERMIOS.error)
_PARITY: Final = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}

#: How long a read waits when nothing comes. Closing does not wait for it where reads can be cancelled.
_WAIT_S: Final = 0.2

#: How long sending may take; a gauge is asked with a few bytes.
_WRITE_S: Final = 1.0


class SerialTransport:
    """Hands on what arrives at a serial port; its callbacks are called in its reader thread, one at a time.

    ``on_open(mid_line)`` once when the port is open and was quiet for ``settle_s`` seconds; ``mid_line`` says that
    it was not quiet, so that the beginning of the first line may be missing. ``on_chunk(chunk, arrived)`` for what
    came, and with ``pause_s`` also, empty, whenever the port has been quiet for that long after bytes came.
    ``on_end(error)`` once, last, with None after `stop` or `close` and otherwise with what ended the link.
    What waits in the port from before it is opened is thrown away.
    """

    def __init__(
        self,
        port: str,
        *,
        gauge: str,
        on_open: Callable[[bool], None],
        on_chunk: Callable[[bytes, Instant], None],
        on_end: Callable[[DriverError | None], None],
        settings: SerialSettings | None = None,
        clock: Clock = system_clock,
        settle_s: float = 0.05,
        pause_s: float = 0.0,
    ) -> None:
        self._port = port
        self._gauge = gauge
        self._on_open = on_open
        self._on_chunk = on_chunk
        self._on_end = on_end
        self._settings = settings or SerialSettings()
        self._clock = clock
        self._settle_s = settle_s
        self._pause_s = pause_s
        self._stopping = threading.Event()
        self._lock = threading.Lock()  # between cancelling a read and closing the port
        self._serial: serial.Serial | None = None
        self._last_at: datetime | None = None
        self._thread = threading.Thread(target=self._run, name=f"gauge {gauge} at {port}", daemon=True)

    def start(self) -> None:
        """Start the reader thread, which opens the port."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the reader thread to end, without waiting; may be called from any thread and more than once."""
        self._stopping.set()
        with self._lock:
            if self._serial is not None:
                self._serial.cancel_read()

    def close(self, within_s: float = 5.0) -> bool:
        """Stop, wait for the reader thread and return whether it has ended.

        False after ``within_s`` seconds means that the system does not let go of opening the port (a radio link that
        is away, for example); the thread then ends, and closes the port, as soon as the system does.
        """
        self.stop()
        if self._thread is not threading.current_thread() and self._thread.ident is not None:
            self._thread.join(within_s)
        return not self._thread.is_alive()

    def send(self, data: bytes) -> None:
        """Send bytes to the gauge; may be called from any thread. What cannot be sent within a second is given up."""
        with self._lock:
            if self._serial is None:
                return
            try:
                self._serial.write(data)
            except _FOREIGN as error:  # the reader meets the same fault and says so
                log.warning("gauge %r was not asked: %s", self._gauge, error)

    def _run(self) -> None:
        ended: DriverError | None = reading_error(
            RuntimeError("its reader failed"), port=self._port, gauge=self._gauge, last_at=None
        )
        try:
            ended = self._serve()
        finally:
            self._on_end(ended)

    def _serve(self) -> DriverError | None:
        try:
            port = self._open()
        except _FOREIGN as error:
            return opening_error(error, port=self._port)
        try:
            self._read(port)
        except _FOREIGN as error:
            return reading_error(error, port=self._port, gauge=self._gauge, last_at=self._last_at)
        finally:
            self._release(port)
        return None

    def _open(self) -> serial.Serial:
        port = serial.Serial(
            self._port,
            baudrate=self._settings.baud,
            bytesize=self._settings.bytesize,
            parity=_PARITY[self._settings.parity],
            stopbits=self._settings.stopbits,
            timeout=_WAIT_S,
            write_timeout=_WRITE_S,
            exclusive=True,
        )
        with self._lock:
            self._serial = port
        try:
            port.timeout = self._settle_s  # sets the port once more: what it did not take at first is refused now
        except _FOREIGN:
            self._release(port)
            raise
        _set_exclusive(port, True)
        return port

    def _read(self, port: serial.Serial) -> None:
        chunk = b"" if self._stopping.is_set() else port.read(1)
        arrived = self._clock()
        if self._stopping.is_set():
            return
        self._on_open(chunk not in {b"", b"\r", b"\n"})
        unended = False  # bytes came and no pause after them has been told
        while not self._stopping.is_set():
            if chunk:
                self._last_at = arrived.at
            if chunk or unended:
                self._on_chunk(chunk, arrived)
            unended = bool(chunk and self._pause_s)
            _wait(port, self._pause_s if unended else _WAIT_S)
            chunk = port.read(max(1, port.in_waiting))
            arrived = self._clock()

    def _release(self, port: serial.Serial) -> None:
        with self._lock:
            self._serial = None
            _set_exclusive(port, False)
            with suppress(OSError):  # the device is gone; there is nothing left to close
                port.close()


def _wait(port: serial.Serial, seconds: float) -> None:
    """Set how long a read waits; left alone where it is so already, since pyserial then sets the whole port anew."""
    if port.timeout != seconds:
        port.timeout = seconds


def _set_exclusive(port: serial.Serial, exclusive: bool) -> None:
    """Ask the system to refuse further openings, also by programs that do not look at the lock.

    Taken back before closing, because a pseudo-terminal keeps the flag while its other end is open.
    """
    if _TERMIOS is not None:
        with suppress(OSError, _TERMIOS.error):  # a refinement that not every driver knows; the lock holds without it
            _FCNTL.ioctl(port.fileno(), _TERMIOS.TIOCEXCL if exclusive else _TERMIOS.TIOCNXCL)


def present_ports() -> list[tuple[str, str, str]]:
    """Return device name, description and USB identity of every serial port that the system shows, by name.

    The identity is ``VID:PID:SERIAL``, the numbers in hexadecimal, and empty for a port that is not USB.
    """
    return sorted((port.device, port.description or "", _usb_identity(port)) for port in comports())


def _usb_identity(port: ListPortInfo) -> str:
    return "" if port.vid is None else f"{port.vid:04X}:{port.pid or 0:04X}:{port.serial_number or ''}"


def try_port(port: str) -> None:
    """Open a serial port and close it again, to know whether it can be used.

    Raises:
        DriverError: If it cannot.
    """
    try:
        serial.Serial(port, exclusive=True).close()
    except _FOREIGN as error:
        ours: DriverError = opening_error(error, port=port)
        raise ours from error
