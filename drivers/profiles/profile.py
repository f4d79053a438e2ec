"""What a profile file says."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import partial
from typing import Final

from drivers.errors import FrameError
from drivers.frames import bcd13, caliper24
from drivers.frames.gatt_number import GattNumberDecoder
from drivers.frames.labelled import LabelledTextDecoder
from drivers.frames.number import Number
from drivers.frames.stream import BurstReader, Decode, FrameReader, LineReader, MessageReader
from drivers.frames.text import TextDecoder
from drivers.reading import to_nm
from drivers.steady import CaptureSettings

#: Decoders of binary frames: how many bytes one has, and what decodes it.
BINARY: Final[Mapping[str, tuple[int, Decode]]] = {
    "caliper24": (3, caliper24.decode_bytes),
    "caliper24_big": (3, partial(caliper24.decode_bytes, byte_order="big")),
    "bcd13": (7, bcd13.decode_bytes),
}
#: Decoders of hexadecimal digits in a line.
HEXADECIMAL: Final[Mapping[str, Decode]] = {"caliper24_hex": caliper24.decode_hex, "bcd13_hex": bcd13.decode_hex}
TEXT: Final[Mapping[str, Callable[[str, bool], TextDecoder]]] = {
    "text": TextDecoder,
    "labelled_text": LabelledTextDecoder,
}
#: The gauge says itself how its numbers are written; only over Bluetooth.
SELF_DESCRIBING: Final = "self_describing"
DECODERS: Final = (*TEXT, *HEXADECIMAL, *BINARY, SELF_DESCRIBING)
FRAMINGS: Final = ("lines", "messages")


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialSettings:
    """How a serial port is set.

    Attributes:
        baud: Bits per second.
        bytesize: Data bits.
        parity: "none", "even" or "odd".
        stopbits: 1 or 2.
        pause_s: How long a quiet line ends a binary frame: longer than the pauses inside one, shorter than those
            between two. The usual 0.02 s suits adapters that hand bytes on every 16 ms (common practice, no source)
            and gauges of up to some 30 frames a second.
    """

    baud: int = 9600
    bytesize: int = 8
    parity: str = "none"
    stopbits: int = 1
    pause_s: float = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class BluetoothSettings:
    """How a Bluetooth gauge is found and heard.

    Attributes:
        characteristic: UUID of the characteristic that notifies; empty for the single one that describes its numbers.
        write: UUID of the characteristic that takes what the gauge is asked with; empty where it is not asked.
        service: UUID that the gauge advertises; empty if it is not looked for.
        name: How the gauge's advertised name begins; empty if it is not looked for.
    """

    characteristic: str = ""
    write: str = ""
    service: str = ""
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """What a gauge must be sent before it answers, and how often; ``every_s`` 0 is only at a key."""

    send: bytes
    every_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """One kind of gauge.

    Attributes:
        name: What a person writes to choose it.
        words: What it is, for people.
        kind: "caliper", "depth_indicator" or "rocker".
        decoder: Which decoder reads it, one of `DECODERS`.
        unit: Unit of a number that is sent without one: "mm", "in" or "thou".
        decimal_comma: Whether the gauge sends a decimal comma.
        resolution: The gauge's last digit, in ``unit``.
        serial: How its port is set.
        sha256: Hash of the file's bytes, in hexadecimal.
        file: Where it came from.
        framing: "lines" for text that ends with a line end, "messages" for one number in every radio message.
        bluetooth: How it is heard by radio; None for a serial gauge.
        ask: What makes it answer, None for one that sends by itself.
        capture: When its stream counts as still; None for one whose every number is a reading.
        silent_after_s: After how long without a byte something is wrong; 0 for never, as with a send button.
    """

    name: str
    words: str
    kind: str
    decoder: str
    unit: str
    decimal_comma: bool
    resolution: Decimal
    serial: SerialSettings
    sha256: str
    file: str
    framing: str = "lines"
    bluetooth: BluetoothSettings | None = None
    ask: Ask | None = None
    capture: CaptureSettings | None = None
    silent_after_s: float = 0.0

    @property
    def resolution_nm(self) -> int:
        """The gauge's last digit in nanometres."""
        return to_nm(self.resolution, self.unit)

    def make_decode(self, form: bytes | None = None) -> Decode:
        """Return what turns one frame into a number.

        Args:
            form: what the gauge says about how its numbers are written, for a profile that leaves it to the gauge.
        """
        if self.decoder in TEXT:
            return TEXT[self.decoder](self.unit, self.decimal_comma).decode
        if self.decoder == SELF_DESCRIBING:
            return _described(form)
        return HEXADECIMAL[self.decoder] if self.decoder in HEXADECIMAL else BINARY[self.decoder][1]

    def make_reader(self, form: bytes | None = None) -> FrameReader:
        """Return what cuts and decodes the bytes that this kind of gauge sends; ``form`` as in `make_decode`."""
        decode = self.make_decode(form)
        if self.decoder == SELF_DESCRIBING or self.framing == "messages":
            return MessageReader(decode)
        if self.decoder in BINARY:
            size, _ = BINARY[self.decoder]
            return (
                MessageReader(decode) if self.bluetooth else BurstReader(decode, size=size, pause_s=self.serial.pause_s)
            )
        return LineReader(decode)


def _described(form: bytes | None) -> Decode:
    if form is None:
        return partial(_refuse, "gauge must say how its numbers are written, it does not; choose a profile that knows")
    try:
        return GattNumberDecoder(form).decode
    except FrameError as error:
        return partial(_refuse, error.reason)


def _refuse(reason: str, frame: bytes) -> Number:
    raise FrameError(frame, reason)
