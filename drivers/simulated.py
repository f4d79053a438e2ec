"""A gauge that is not there: the far end of a real pseudo-terminal, read like any other port."""

import os
import random
import select
import tempfile
import threading
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from drivers.errors import LinkLostError, PortError
from drivers.profiles.profile import Profile

_DIGITS: Final = frozenset(b"0123456789")
_NOISE: Final = bytes(byte for byte in range(256) if byte not in _DIGITS)
_WORDS: Final = (b"Err", b"----", b"E05", b"LOW BATT", b"+", b"nan", b"1e5", b"12.34 56.78", b"")


class SimulatedGauge:
    r"""The far end of a cable; ``port`` is what a program opens.

    ``template`` is the line that it sends, with ``{value}`` for the number and ``{unit}`` for the profile's unit. With
    ``garbage`` (a probability from 0 to 1, drawn from ``rng``) noise goes ahead of a line, always ended by a line end
    and never a number: half-lines broken off by a faulty byte, line noise, words. It is plugged in when it is made.
    What it sends while nobody has the port open is lost, as with a real gauge.

    Raises:
        PortError: If this system has no pseudo-terminals (Windows).
        ValueError: If ``garbage`` is not a probability, or comes without ``rng``.
    """

    def __init__(
        self,
        name: str,
        *,
        profile: Profile,
        template: str = "{value}\r\n",
        garbage: float | None = None,
        rng: random.Random | None = None,
        write_timeout_s: float = 5.0,
    ) -> None:
        if not 0 <= (garbage or 0) <= 1 or (garbage and rng is None):
            raise ValueError(
                f"garbage must be a probability from 0 to 1 with an rng beside it, got {garbage!r}, {rng!r}"
            )
        self.name = name
        self.profile = profile
        self._template = template
        self._garbage = garbage or 0.0
        self._rng = rng
        self._write_timeout_s = write_timeout_s
        self._lock = threading.Lock()
        self._far_end: int | None = None
        if not hasattr(os, "openpty"):
            raise PortError(
                "a simulated gauge needs pseudo-terminals, which this system lacks; use Linux or macOS", port=name
            )
        self._folder = tempfile.TemporaryDirectory(prefix="simulated-gauge-")
        self.port = str(Path(self._folder.name) / "port")
        self.plug_in()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def plug_in(self) -> None:
        """Put a fresh pseudo-terminal behind the port's name; nothing happens if the gauge is plugged in."""
        import tty  # not on Windows

        with self._lock:
            if self._far_end is not None:
                return
            self._far_end, near_end = os.openpty()
            # Raw before anyone writes, or the terminal would echo. The near end is closed again: only then does a
            # program that opens and closes the port see what it sees at a real one.
            tty.setraw(near_end)
            os.set_blocking(self._far_end, False)
            Path(self.port).symlink_to(os.ttyname(near_end))
            os.close(near_end)

    def unplug(self) -> None:
        """Pull the cable: the port disappears, and what a program has not read yet is lost."""
        with self._lock:
            if self._far_end is not None:
                Path(self.port).unlink()
                os.close(self._far_end)
                self._far_end = None

    def close(self) -> None:
        """Unplug for good."""
        self.unplug()
        self._folder.cleanup()

    def press(self, value_nm: int) -> int:
        """Send ``value_nm`` as the gauge shows it, rounded to its last digit, and return what was sent in nanometres.

        Raises:
            LinkLostError: If the gauge is unplugged, or the port is full because nobody reads it.
        """
        step_nm = self.profile.resolution_nm
        steps = round(Fraction(value_nm, step_nm))
        value = str(steps * self.profile.resolution)
        if self.profile.decimal_comma:
            value = value.replace(".", ",")
        noise = self._noise(value)
        self.press_raw(noise + self._template.format(value=value, unit=self.profile.unit).encode())
        return steps * step_nm

    def press_raw(self, sent: bytes) -> None:
        """Send bytes as they are.

        Raises:
            LinkLostError: If the gauge is unplugged, or the port is full because nobody reads it.
        """
        with self._lock:
            while sent:
                if self._far_end is None:
                    raise self._lost("is unplugged; plug it in first")
                if not select.select([], [self._far_end], [], self._write_timeout_s)[1]:
                    raise self._lost("cannot send, its port is full because nobody reads it; open the port first")
                sent = sent[os.write(self._far_end, sent) :]

    def _lost(self, words: str) -> LinkLostError:
        return LinkLostError(f"simulated gauge {self.name!r} {words}", gauge=self.name, port=self.port)

    def _noise(self, value: str) -> bytes:
        """Return noise that ends with a line end and holds no number, or nothing."""
        if self._rng is None or self._rng.random() >= self._garbage:
            return b""
        kind = self._rng.randrange(3)
        if kind == 0:
            return value[: self._rng.randint(1, len(value))].encode() + self._rng.choice([b"\x00", b"\xff"]) + b"\r\n"
        if kind == 1:
            return bytes(self._rng.choices(_NOISE, k=self._rng.randint(1, 40))) + b"\x00\xff\r\n"
        return self._rng.choice(_WORDS) + b"\r\n"
