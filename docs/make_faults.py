"""Make gauge-faults.md again: what a person reads when a gauge fails, made by the code that says it.

.venv/bin/python docs/make_faults.py
"""

import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import ModuleType

from dashboard.words import PAGE as WORDS
from drivers import CaptureSettings, FrameError, NotStillError, SteadyCapture, load_profiles
from drivers.frames import caliper24
from drivers.frames.gatt_number import GattNumberDecoder
from drivers.frames.stream import LONGEST_MESSAGE, MOST_TOGETHER, BurstReader, Decoded, LineReader, MessageReader
from drivers.gauge_state import silent_words
from drivers.transports import bluetooth_faults, faults
from drivers.transports.faults import Fault

PAGE = Path(__file__).parent / "gauge-faults.md"
GAUGE, PORT, ADDRESS = "depth", "/dev/ttyUSB0", "C0:FF:EE:00:00:01"
TEXT = load_profiles()["caliper-mm"].make_decode()
NO_READING = "nothing: no reading had begun"
KEPT = "nothing that was acknowledged"

HEAD = f"""# When a gauge fails

Made by `python docs/make_faults.py` from the code that says these sentences; a test fails when this page differs.
Gauge {GAUGE!r}, port {PORT!r} and Bluetooth address {ADDRESS!r} are invented.

A gauge that is lost is connected again by itself, the first time after 0.2 s, then ever later up to every 5 s. A
reading is acknowledged when it is on disk; none that was is lost by anything on this page. A frame that is refused is
counted, and shown on the bench as unreadable with what came; it is never guessed at, so it has to be sent again.
"""

Row = tuple[str, str, str]


def constants(module: ModuleType) -> Iterator[tuple[str, Fault]]:
    """Yield every fault of a table by name, in the order of the file."""
    return ((name, value) for name, value in vars(module).items() if isinstance(value, Fault))


def serial_error(fault: Fault) -> Exception:
    """Return an error of the system's that means ``fault``."""
    numbers = (number for number, meant in faults.BY_NUMBER.items() if meant is fault)
    number = next(numbers, None)
    return RuntimeError("what the system says of it") if number is None else OSError(number, os.strerror(number))


def serial_rows() -> Iterator[Row]:
    """Yield what opening a serial port can say."""
    for name, fault in constants(faults):
        said = str(faults.opening_error(serial_error(fault), port=PORT))
        yield SERIAL_CASES[name], said, NO_READING


def bluetooth_rows() -> Iterator[Row]:
    """Yield what connecting a Bluetooth gauge can say."""
    for name, fault in constants(bluetooth_faults):
        said = bluetooth_faults.fault_error(fault, what=f"Bluetooth gauge {ADDRESS!r}", port=ADDRESS)
        yield BLUETOOTH_CASES[name], str(said), NO_READING


SERIAL_CASES = {
    "NOT_FOUND": "cable out, or another name",
    "BUSY": "port busy: two programs, or two gauges of one bench, on one port",
    "DENIED": "port denied",
    "NOT_SERIAL": "another device under this name",
    "SETTINGS": "settings that the adapter does not take",
    "UNKNOWN": "anything else",
}
BLUETOOTH_CASES = {
    "NO_DBUS": "no message bus",
    "BUS_LOST": "message bus lost",
    "BUS_DENIED": "Bluetooth denied by the system's rules",
    "NO_SERVICE": "no Bluetooth service",
    "NO_RADIO": "no radio",
    "NO_SUCH_RADIO": "the named adapter is away",
    "NOT_CENTRAL": "radio without Bluetooth LE",
    "OFF": "Bluetooth switched off",
    "DENIED": "Bluetooth denied by a person",
    "ABSENT": "gauge asleep or away, or connected elsewhere: two programs on one gauge",
    "SILENT": "gauge does not answer",
    "DROPPED": "gauge goes away while the connection is made: asleep, out of range, flat battery",
    "BUSY": "radio busy",
    "MISSING": "characteristic missing",
    "SILENT_CHARACTERISTIC": "characteristic that does not notify",
    "NOTHING_NOTIFIES": "a device that sends nothing by itself",
    "NOT_SELF_DESCRIBING": "no form is described",
    "SEVERAL": "several characteristics fit",
    "READ_REFUSED": "description may not be read",
    "UNPAIRED": "not paired",
    "REFUSED": "request refused",
    "UNKNOWN": "anything else",
}


def running_rows() -> Iterator[Row]:
    """Yield what happens to a gauge that was connected."""
    gone = faults.reading_error(OSError("gone"), port=PORT, gauge=GAUGE, last_at=None)
    yield "unplugged", str(gone), f"{KEPT}; a frame under way is refused"
    error = bluetooth_faults.lost_error(ConnectionResetError(), address=ADDRESS, gauge=GAUGE, last_at=None)
    yield "radio link lost, flat battery", str(error), KEPT
    yield "silent: switched off, asleep, flat battery on a cable", silent_words(8.0), "nothing: nothing was sent"
    yield "battery under 15 %", WORDS["battery_low"].format(n=9), "nothing"
    yield "press while the page has no link to the bench", WORDS["press_lost"], "nothing: it is never sent later"
    capture = SteadyCapture(CaptureSettings())
    yield "press before a sample came", _refused_press(capture), "nothing: no value was taken"
    for step in range(10):
        capture.take(step * 1_000_000, step * 100_000_000)
    yield "press while the gauge moves", _refused_press(capture), "nothing: no value was taken"


def _refused_press(capture: SteadyCapture) -> str:
    try:
        capture.trigger(900_000_000)
    except NotStillError as error:
        return str(error)
    raise AssertionError("a press was taken")


def frame_rows() -> Iterator[Row]:
    """Yield what becomes of bytes that are no measurement."""
    line, burst = LineReader(TEXT), BurstReader(caliper24.decode_bytes, size=3, pause_s=0.02)
    message = MessageReader(TEXT)
    again = "the frame, refused; send it again"
    yield "garbage, or a fault code, in a line", _reason(line.feed(b"Err 4\n")), "nothing: it was no reading"
    line.feed(b"12.3")
    yield "half a line, then the cable is out", _reason(line.end()), again
    yield "connected while a line was under way", _reason(line.begin(True)), again
    line.end()
    yield "a flood without a line end", _reason(line.feed(b"7" * 1000)), "nothing: it was no reading"
    burst.feed(b"\x01\x02\x03\x04")
    yield "garbage in a binary frame, or a byte missing", _reason(burst.pause()), again
    burst.feed(b"\x01\x02\x03\xff\xff\xff")
    yield (
        "garbage as long as a binary frame beside one",
        _reason(burst.pause()),
        "both frames, refused; send them again",
    )
    burst.begin(True)
    burst.feed(b"\x02\x03")
    yield "connected while a binary frame was under way", _reason(burst.pause()), again
    burst.feed(b"\x01\x02")
    yield "half a binary frame, then the cable is out", _reason(burst.end()), again
    burst.feed(bytes(3 * MOST_TOGETHER + 1))
    yield (
        "binary frames without pauses, or a flood",
        _reason(burst.pause()),
        "all of them, refused",
    )
    yield "a radio message too long", _reason(message.feed(b"7" * (LONGEST_MESSAGE + 1))), "nothing: it was no reading"
    yield "a gauge that describes text", _described(bytes((0x19, 0, 1, 0x27, 1, 0, 0))), "nothing: it was no reading"


def _reason(found: list[Decoded]) -> str:
    return next(one.reason for one in found if one.reason)


def _described(form: bytes) -> str:
    try:
        GattNumberDecoder(form)
    except FrameError as error:
        return error.reason
    raise AssertionError("a form was taken")


def table(title: str, rows: Iterable[Row]) -> str:
    """Return one table of the page."""
    lines = [" | ".join(cell.replace("|", "\\|") for cell in row) for row in rows]
    return "\n".join([f"\n## {title}\n", "| Case | What the person reads | What was lost |", "|---|---|---|",
                      *(f"| {line} |" for line in lines)]) + "\n"  # fmt: skip


def page() -> str:
    """Return the whole page."""
    return HEAD + "".join((
        table("While it is connected", running_rows()),
        table("Bytes that are no measurement", frame_rows()),
        table("Opening a serial port", serial_rows()),
        table("Connecting by Bluetooth", bluetooth_rows()),
    ))


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
