"""Listening to a port without knowing what is there: every profile is tried on what comes."""

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Final

from drivers.frames.stream import Decoded
from drivers.link_event import LinkEvent, as_events
from drivers.profiles.profile import (
    BINARY,
    DECODERS,
    FRAMINGS,
    SELF_DESCRIBING,
    BluetoothSettings,
    Profile,
    SerialSettings,
)
from drivers.reading import NM_PER_UNIT, system_clock
from drivers.transports.link import Link, Wiring, connect

#: How long a quiet line is a pause while nobody knows what is sent.
PAUSE_S: Final = 0.02

_NOBODY: Final = Profile(
    name="unknown", words="not known yet", kind="caliper", decoder="text", unit="mm", decimal_comma=False,
    resolution=Decimal("0.01"), serial=SerialSettings(), sha256="", file="",
)  # fmt: skip


class Trial:
    """One profile tried on what comes.

    Attributes:
        profile: Which.
        fits: Whether the profile is for this link; else only its decoder is tried.
        read: How many frames were numbers.
        frames: How many frames there were; one that a connection cut off at its beginning or end is not counted.
        on_digit: How many of the numbers were whole multiples of the profile's last digit.
        last: The last frame.
    """

    def __init__(self, profile: Profile, *, fits: bool = True) -> None:
        self.profile = profile
        self.fits = fits
        self.read = 0
        self.frames = 0
        self.on_digit = 0
        self.last: Decoded | None = None
        self._reader = profile.make_reader()

    def take(self, event: LinkEvent) -> list[Decoded]:
        """Return the frames that an event completes."""
        match event.kind:
            case "form":
                self._reader = self.profile.make_reader(event.data)
            case "open":
                return self._reader.begin(event.mid_frame)
            case "chunk":
                found = self._reader.feed(event.data) if event.data else self._reader.pause()
                self._count(found)
                return found
            case "end":
                return self._reader.end()
        return []

    def _count(self, found: Sequence[Decoded]) -> None:
        for frame in found:
            self.last = frame
            self.frames += 1
            if frame.number is not None:
                self.read += 1
                self.on_digit += frame.number.value_nm % self.profile.resolution_nm == 0

    @property
    def rank(self) -> tuple[float, ...]:
        """Smaller is more likely: the share read, the share on the digit, then the plainer way to write a number."""
        one = self.profile
        return (
            -self.read / max(1, self.frames), -self.on_digit / max(1, self.read), not self.fits,
            DECODERS.index(one.decoder), one.decimal_comma, list(NM_PER_UNIT).index(one.unit),
        )  # fmt: skip


def ranked(trials: Iterable[Trial]) -> list[Trial]:
    """Return the trials that read anything, the most likely first."""
    return sorted((one for one in trials if one.read), key=lambda one: (*one.rank, one.profile.name))


def serial_trials(profiles: Iterable[Profile]) -> list[Trial]:
    """Return a trial for every profile of a serial gauge."""
    return [Trial(one) for one in profiles if one.bluetooth is None]


def bluetooth_trials(profiles: Collection[Profile], characteristic: str, form: bytes | None) -> list[Trial]:
    """Return a trial for every profile of this characteristic, and for every other way of decoding.

    Args:
        profiles: All there are.
        characteristic: UUID of the one that is listened to.
        form: How its numbers are written, None if it does not say.
    """
    trials = [Trial(one) for one in profiles if one.bluetooth and _is_for(one, characteristic, form)]
    ways = {(one.decoder, one.unit, one.decimal_comma): one for one in profiles if one.bluetooth is None}
    for one in ways.values():
        for framing in FRAMINGS if one.decoder not in BINARY else FRAMINGS[:1]:
            radio = replace(one, framing=framing, bluetooth=BluetoothSettings(characteristic=characteristic))
            trials.append(Trial(radio, fits=False))
    return trials


def _is_for(profile: Profile, characteristic: str, form: bytes | None) -> bool:
    named = profile.bluetooth.characteristic if profile.bluetooth else ""
    return named == characteristic if named else profile.decoder == SELF_DESCRIBING and form is not None


def listen_to_port(port: str, put: Callable[[LinkEvent], None], *, profile: Profile | None = None,
                   serial: SerialSettings | None = None) -> Link:  # fmt: skip
    """Return a link, not started yet, that hands on what a port sends, or the gauge of a Bluetooth profile.

    Args:
        port: Which, or the address.
        put: Called in the link's thread, with one event after another.
        profile: How the gauge is connected; else it is a serial port.
        serial: How the port is set where that is not what the profile says.
    """
    profile = profile or _NOBODY
    wiring = Wiring(
        gauge=port, port=port, profile=replace(profile, serial=serial or profile.serial),
        pause_s=max(PAUSE_S, profile.make_reader().pause_s), settle_s=0.05, clock=system_clock,
    )  # fmt: skip
    return connect(wiring, as_events(put))


def listen_to_radio(address: str, put: Callable[[LinkEvent], None]) -> Link:
    """Return a link, not started yet, that hands on what every characteristic of a Bluetooth device notifies."""
    from drivers.transports.bluetooth_listener import BluetoothListener  # loads a Bluetooth library

    return BluetoothListener(address, put=put)
