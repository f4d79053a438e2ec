import logging
import os
import queue
import select
import sys
import threading
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
import serial

from drivers import (
    DriverError,
    LinkLostError,
    PortBusyError,
    PortError,
    PortNotFoundError,
    SerialSettings,
    SimulatedGauge,
    serial_ports,
)
from drivers.discovery import PortInfo
from drivers.transports import serial_port
from drivers.transports.serial_port import SerialTransport

WAIT_S = 10


class Link:
    """A transport and what it told."""

    def __init__(self, port: str, **more: Any) -> None:
        self.opened: queue.Queue[bool] = queue.Queue()
        self.chunks: queue.Queue[bytes] = queue.Queue()
        self.ended: queue.Queue[DriverError | None] = queue.Queue()
        calls = {
            "on_open": self.opened.put,
            "on_chunk": lambda chunk, arrived: self.chunks.put(chunk),
            "on_end": self.ended.put,
        }
        self.transport = SerialTransport(port, gauge="caliper", **(calls | more))
        self.transport.start()

    def bytes_until(self, end: bytes) -> bytes:
        came = b""
        while not came.endswith(end):
            came += self.chunks.get(timeout=WAIT_S)
        return came


def test_what_arrives_is_handed_on(far_end: SimulatedGauge) -> None:
    link = Link(far_end.port)
    assert link.opened.get(timeout=WAIT_S) is False

    far_end.press_raw(b"12.34\r\n")

    assert link.bytes_until(b"\n") == b"12.34\r\n"
    assert link.transport.close()
    assert link.ended.get(timeout=WAIT_S) is None


def test_a_port_in_use_is_refused_until_it_is_free(far_end: SimulatedGauge) -> None:
    first = Link(far_end.port)
    first.opened.get(timeout=WAIT_S)

    second = Link(far_end.port)
    error = second.ended.get(timeout=WAIT_S)
    second.transport.close()
    first.transport.close()

    assert isinstance(error, PortBusyError)
    assert str(error).startswith(f"port {far_end.port!r} is in use, most likely another program")
    third = Link(far_end.port)
    assert third.opened.get(timeout=WAIT_S) is False
    third.transport.close()


@pytest.mark.parametrize(
    ("port", "kind"), [("/dev/no-such-port", PortNotFoundError), ("/dev/null", PortError), (os.curdir, PortError)]
)
def test_what_cannot_be_opened_ends_with_words(port: str, kind: type[DriverError]) -> None:
    link = Link(port)

    error = link.ended.get(timeout=WAIT_S)

    assert type(error) is kind
    assert link.opened.empty()
    link.transport.close()


def test_pulling_the_cable_ends_the_link_once(far_end: SimulatedGauge) -> None:
    link = Link(far_end.port)
    link.opened.get(timeout=WAIT_S)
    far_end.press_raw(b"1.00\r\n")
    link.bytes_until(b"\n")

    far_end.unplug()
    error = link.ended.get(timeout=WAIT_S)

    assert isinstance(error, LinkLostError)
    assert error.last_at is not None
    assert link.transport.close()
    assert link.ended.empty()


def test_bytes_that_come_while_the_port_is_opened_make_the_first_line_doubtful(far_end: SimulatedGauge) -> None:
    """The gauge sends without a pause; where we come in is chance."""
    stop = threading.Event()

    def stream() -> None:
        while not stop.wait(0.005):
            far_end.press_raw(b"1")

    sender = threading.Thread(target=stream)
    sender.start()
    link = Link(far_end.port, settle_s=5.0)

    assert link.opened.get(timeout=WAIT_S) is True
    stop.set()
    sender.join()
    link.transport.close()


def test_a_line_end_in_that_time_leaves_nothing_doubtful(far_end: SimulatedGauge) -> None:
    stop = threading.Event()

    def stream() -> None:
        while not stop.wait(0.005):
            far_end.press_raw(b"\n")

    sender = threading.Thread(target=stream)
    sender.start()
    link = Link(far_end.port, settle_s=5.0)

    assert link.opened.get(timeout=WAIT_S) is False
    stop.set()
    sender.join()
    link.transport.close()


def test_closing_from_its_own_thread_does_not_wait_for_itself(far_end: SimulatedGauge) -> None:
    closed: queue.Queue[bool] = queue.Queue()
    link: Link = Link(far_end.port, on_chunk=lambda chunk, arrived: closed.put(link.transport.close()))
    link.opened.get(timeout=WAIT_S)

    far_end.press_raw(b"1\n")

    assert closed.get(timeout=WAIT_S) is False
    assert link.ended.get(timeout=WAIT_S) is None
    assert link.transport.close()


def test_closing_from_many_threads_is_one_closing(far_end: SimulatedGauge) -> None:
    link = Link(far_end.port)
    link.opened.get(timeout=WAIT_S)
    closers = [threading.Thread(target=link.transport.close) for _ in range(8)]

    for closer in closers:
        closer.start()
    for closer in closers:
        closer.join()

    assert link.ended.get(timeout=WAIT_S) is None
    assert link.ended.empty()


def test_closing_before_the_port_has_settled_opens_nothing(far_end: SimulatedGauge) -> None:
    link = Link(far_end.port, settle_s=60.0)

    assert link.transport.close(within_s=WAIT_S)
    assert link.opened.empty()
    assert link.ended.get(timeout=WAIT_S) is None


def test_closing_interrupts_a_read_that_waits(far_end: SimulatedGauge, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_port, "_WAIT_S", 600.0)
    link = Link(far_end.port)
    link.opened.get(timeout=WAIT_S)

    assert link.transport.close(within_s=WAIT_S)


def test_closing_what_was_never_started_is_allowed() -> None:
    ignore: Callable[..., None] = lambda *_: None  # noqa: E731
    transport = SerialTransport("/dev/none", gauge="caliper", on_open=ignore, on_chunk=ignore, on_end=ignore)

    assert transport.close()


def test_an_opening_that_hangs_is_left_and_ends_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    let_go = threading.Event()

    def hang(*_: Any, **__: Any) -> None:
        let_go.wait(WAIT_S)
        raise OSError(16, "busy")

    monkeypatch.setattr(serial, "Serial", hang)
    link = Link("/dev/radio")

    assert not link.transport.close(within_s=0.01)
    let_go.set()
    assert isinstance(link.ended.get(timeout=WAIT_S), PortBusyError)
    assert link.transport.close()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_fault_of_ours_in_the_reader_still_ends_the_link(far_end: SimulatedGauge) -> None:
    def fail(*_: Any) -> None:
        raise ZeroDivisionError

    link = Link(far_end.port, on_chunk=fail)
    link.opened.get(timeout=WAIT_S)

    far_end.press_raw(b"1\n")

    assert isinstance(link.ended.get(timeout=WAIT_S), LinkLostError)
    assert link.transport.close()


def test_ports_are_listed_with_words(monkeypatch: pytest.MonkeyPatch) -> None:
    shown = [
        SimpleNamespace(
            device="/dev/ttyUSB1", description="indicator cable", vid=0x403, pid=0x6001, serial_number="A1"
        ),
        SimpleNamespace(device="/dev/ttyUSB2", description="bridge", vid=0x2341, pid=None, serial_number=None),
        SimpleNamespace(device="/dev/ttyS0", description="n/a", vid=None, pid=None, serial_number=None),
    ]
    monkeypatch.setattr(serial_port, "comports", lambda: shown)

    assert serial_ports() == [
        PortInfo(device="/dev/ttyS0", words="serial port"),
        PortInfo(device="/dev/ttyUSB1", words="indicator cable", usb="0403:6001:A1"),
        PortInfo(device="/dev/ttyUSB2", words="bridge", usb="2341:0000:"),
    ]


def test_this_computers_ports_can_be_listed() -> None:
    assert all(port.device and port.words for port in serial_ports())


def test_no_other_module_of_the_package_imports_pyserial() -> None:
    importers = {
        name
        for name, module in sys.modules.items()
        if name.startswith("drivers") and getattr(module, "serial", None) is sys.modules["serial"]
    }

    assert importers == {"drivers.transports.serial_port"}


def read_far_end(far: SimulatedGauge, count: int) -> bytes:
    """Return what the gauge at the far end has heard, as soon as it is that much."""
    fd, heard = far._far_end or -1, b""
    while len(heard) < count:
        assert select.select([fd], [], [], WAIT_S)[0]
        heard += os.read(fd, count - len(heard))
    return heard


def test_what_is_sent_reaches_the_gauge_while_the_port_is_open(far_end: SimulatedGauge) -> None:
    link = Link(far_end.port)
    link.opened.get(timeout=WAIT_S)

    link.transport.send(b"?\r")

    assert read_far_end(far_end, 2) == b"?\r"
    link.transport.close()
    link.transport.send(b"too late")
    assert link.ended.get(timeout=WAIT_S) is None


def test_what_a_gauge_does_not_take_is_given_up_and_reading_goes_on(
    far_end: SimulatedGauge, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(serial_port, "_WRITE_S", 0.05)
    link = Link(far_end.port)
    link.opened.get(timeout=WAIT_S)

    with caplog.at_level(logging.WARNING):
        link.transport.send(b"?" * 100_000)  # more than the system holds for a gauge that does not listen

    assert "gauge 'caliper' was not asked: Write timeout" in caplog.text
    far_end.press_raw(b"12.34\r\n")
    assert link.bytes_until(b"\n") == b"12.34\r\n"
    link.transport.close()


def test_a_pause_is_told_once_and_only_after_bytes(far_end: SimulatedGauge) -> None:
    link = Link(far_end.port, pause_s=0.02)
    link.opened.get(timeout=WAIT_S)
    with pytest.raises(queue.Empty):
        link.chunks.get(timeout=0.3)

    far_end.press_raw(b"abc")

    came = [link.chunks.get(timeout=WAIT_S)]
    while came[-1]:
        came.append(link.chunks.get(timeout=WAIT_S))
    assert b"".join(came) == b"abc"
    with pytest.raises(queue.Empty):
        link.chunks.get(timeout=0.5)  # longer than a read waits
    link.transport.close()


def test_settings_that_the_port_does_not_take_are_refused_when_it_is_opened(far_end: SimulatedGauge) -> None:
    """A pseudo-terminal keeps eight bits whatever it is told, so that seven bits with a parity never hold."""
    told: queue.Queue[object] = queue.Queue()
    transport = SerialTransport(
        far_end.port, gauge="caliper", on_open=told.put, on_chunk=lambda chunk, _: told.put(chunk), on_end=told.put,
        settings=SerialSettings(bytesize=7, parity="even", stopbits=2),
    )  # fmt: skip
    transport.start()
    error = told.get(timeout=5)
    transport.close()

    assert isinstance(error, PortError)
    assert "does not take the settings of the profile" in str(error)
