"""What a profile file says."""

from dataclasses import dataclass
from decimal import Decimal

from drivers.frames.labelled import LabelledTextDecoder
from drivers.frames.text import TextDecoder
from drivers.reading import to_nm


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialSettings:
    """How a serial port is set: bits per second, data bits, parity ("none", "even", "odd") and stop bits."""

    baud: int = 9600
    bytesize: int = 8
    parity: str = "none"
    stopbits: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """One kind of gauge.

    Attributes:
        name: What a person writes to choose it.
        words: What it is, for people.
        kind: "caliper", "depth_indicator" or "rocker".
        decoder: "text" for bare numbers, "labelled_text" where a label or a verdict stands beside them.
        unit: Unit of a number that is sent without one: "mm", "in" or "thou".
        decimal_comma: Whether the gauge sends a decimal comma.
        resolution: The gauge's last digit, in ``unit``.
        serial: How its port is set.
        sha256: Hash of the file's bytes, in hexadecimal.
        file: Where it came from.
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

    @property
    def resolution_nm(self) -> int:
        """The gauge's last digit in nanometres."""
        return to_nm(self.resolution, self.unit)

    def make_decoder(self) -> TextDecoder:
        """Return a decoder for what this kind of gauge sends."""
        kind = LabelledTextDecoder if self.decoder == "labelled_text" else TextDecoder
        return kind(self.unit, self.decimal_comma)
