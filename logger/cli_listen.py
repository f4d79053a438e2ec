"""`gauges listen`: what a port sends and what every profile makes of it, until the right one can be saved."""

import argparse
import queue
import re
import shlex
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import replace
from pathlib import Path
from typing import Final

from drivers.discovery import bluetooth_devices, serial_ports
from drivers.errors import DriverError, LinkLostError, SilenceError
from drivers.frames.stream import Decoded
from drivers.known import NamedGauge, check_name, save_gauge, serial_from, serial_text, usb_of
from drivers.link_event import LinkEvent
from drivers.listening import Trial, bluetooth_trials, listen_to_port, listen_to_radio, ranked, serial_trials
from drivers.profiles import Profile, SerialSettings
from drivers.profiles.profile import BluetoothSettings
from drivers.reading import NM_PER_UNIT, Instant
from drivers.recording import Recording
from drivers.transports.link import Link
from logger.cli_arguments import OK, CommandError, above_zero, command, stopped_by_signal, whole
from logger.door import Serve
from logger.features import typed_name
from logger.sitting import known_profiles
from logger.terminal import Terminal

_RADIO: Final = re.compile(r"(?i)(?:[0-9a-f]{2}:){5}[0-9a-f]{2}|[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_SHOWN_BYTES: Final = 48
_SHOWN_TEXT: Final = 90
_KINDS: Final = ("caliper", "depth_indicator", "rocker")


# -- words, shared with replaying ------------------------------------------------------------------------------------


def length_text(value_nm: int, unit: str) -> str:
    """Return a length in its unit, without zeros that say nothing."""
    text = f"{value_nm / NM_PER_UNIT[unit]:.6f}".rstrip("0").rstrip(".")
    return f"{text} {unit}"


def frame_text(frame: Decoded) -> str:
    """Return what a frame says, or in short why it says nothing."""
    if frame.number is None:
        return f"refused: {frame.reason.split(', got ')[0]}"[:_SHOWN_TEXT]
    status = f" ({frame.number.status})" if frame.number.status else ""
    return length_text(frame.number.value_nm, frame.number.unit) + status


def profile_named(name: str, profiles: Mapping[str, Profile]) -> Profile:
    """Return a profile by name.

    Raises:
        CommandError: there is none.
    """
    if name not in profiles:
        raise CommandError(f"--profile: unknown profile {name!r}; known are {', '.join(sorted(profiles))}")
    return profiles[name]


# -- listening -------------------------------------------------------------------------------------------------------


class _Ear:
    """Tells what comes, and keeps what every profile makes of it, by the characteristic that it came from."""

    def __init__(
        self, profiles: Mapping[str, Profile], profile: Profile | None, serial: SerialSettings, terminal: Terminal
    ) -> None:
        self._profiles = profiles
        self.serial = serial
        self._radio = profile.bluetooth if profile else None
        self._terminal = terminal
        self._began_ns = time.monotonic_ns()
        self.chunks = 0
        self.size = 0
        self.error: DriverError | None = None
        self.trials: dict[str, list[Trial]] = {}

    def take(self, event: LinkEvent) -> None:
        if event.kind == "form":
            of_profile = self._radio.characteristic if self._radio else ""
            characteristic = event.source or of_profile
            self.trials[event.source] = bluetooth_trials(self._profiles.values(), characteristic, event.data)
        elif event.kind == "open":
            self._terminal.note("it is open")
        elif event.kind == "end":
            self.error = event.error
        elif event.kind == "battery":
            self._terminal.say(f"battery {event.percent} %")
        elif event.data:
            self._show_bytes(event)
        if event.kind in {"open", "chunk"} and not self.trials:
            self.trials[""] = serial_trials(self._profiles.values())
        found = [(trial, trial.take(event)) for trial in self.trials.get(event.source, [])]
        if event.kind == "chunk":
            self._show_frames([(trial, frames) for trial, frames in found if frames])

    def _show_bytes(self, event: LinkEvent) -> None:
        chunk = event.data or b""
        self.chunks += 1
        self.size += len(chunk)
        shown, more = chunk[:_SHOWN_BYTES], f" ... {len(chunk)} bytes" if len(chunk) > _SHOWN_BYTES else ""
        source = f"  from {event.source}" if event.source else ""
        self._terminal.say(f"{self._after(event.when)}  {shown.hex(' ')}{more}  {repr(shown)[2:-1]}{source}")

    def _after(self, when: Instant) -> str:
        return f"{(when.monotonic_ns - self._began_ns) / 1e9:+9.3f} s"

    def _show_frames(self, found: Sequence[tuple[Trial, Sequence[Decoded]]]) -> None:
        alike: dict[str, list[str]] = {}
        for trial, frames in sorted(found, key=lambda pair: (*pair[0].rank, pair[0].profile.name)):
            said = "; ".join(frame_text(one) for one in frames)[:_SHOWN_TEXT]
            alike.setdefault(f"read {trial.read} of {trial.frames}  {said}", []).append(_title(trial))
        for said, names in alike.items():
            self._terminal.say(f"             {said}  by {', '.join(names)}")


def _title(trial: Trial) -> str:
    if trial.fits:
        return trial.profile.name
    whole = ", each message a line" if trial.profile.framing == "messages" else ""
    return f"the decoder of {trial.profile.name}{whole}"


def _events(link: Link, events: "queue.SimpleQueue[LinkEvent]", stop: threading.Event, seconds: float | None
            ) -> Iterator[LinkEvent]:  # fmt: skip
    """Give events until somebody stops, the time is over or the link ends; then what was on its way."""
    until_s = time.monotonic() + (seconds or 1e9)
    link.start()
    while not stop.is_set() and time.monotonic() < until_s:
        with suppress(queue.Empty):
            event = events.get(timeout=0.1)
            yield event
            if event.kind == "end":
                return
    link.close()
    while not events.empty():
        yield events.get()


def _listen(options: argparse.Namespace, _serve: Serve) -> int:
    profiles, terminal = known_profiles(), Terminal()
    profile = None if options.profile is None else profile_named(options.profile, profiles)
    serial = _serial(options, profile)
    _check(options, profile)
    gauge = _gauge(options, profile, serial) if profile and options.save else None
    usual = profile.serial if profile else SerialSettings()
    ear = _Ear(profiles, profile, serial or usual, terminal)
    with stopped_by_signal() as stop, ExitStack() as stack:
        heard: queue.SimpleQueue[LinkEvent] = queue.SimpleQueue()
        put: Callable[[LinkEvent], None] = heard.put
        if options.record is not None:
            recording = stack.enter_context(
                Recording(options.record, port=options.port, profile=profile, on_trouble=_telling(terminal))
            )
            put = _both(recording.take, heard.put)
        radio = profile is None and _RADIO.fullmatch(options.port)
        link = (
            listen_to_radio(options.port, put) if radio
            else listen_to_port(options.port, put, profile=profile, serial=serial)
        )  # fmt: skip
        stack.callback(link.close)
        terminal.note(f"opening {options.port}; press the gauge's send button several times, at different sizes; "
                      "Ctrl-C ends")  # fmt: skip
        for event in _events(link, heard, stop, options.seconds):
            ear.take(event)
    _conclude(ear, options, terminal)
    if options.record is not None and recording.trouble:
        raise CommandError(recording.trouble)
    if gauge is not None:
        _save(gauge, ear, terminal)
    return OK


def _conclude(ear: _Ear, options: argparse.Namespace, terminal: Terminal) -> None:
    """Say what came of it.

    Raises:
        LinkLostError: the gauge went away meanwhile.
        DriverError: it could not be opened.
    """
    if ear.error is None or ear.chunks:
        terminal.say("\n".join(_result(ear)))
        if options.save is None:
            terminal.say("\n".join(_advice(ear, options.port)))
    if isinstance(ear.error, LinkLostError):
        words = f"{options.port!r} is gone, most likely its cable came out or it lost power; see to it and listen again"
        raise LinkLostError(words, gauge=options.port, port=options.port) from ear.error
    if ear.error is not None:
        raise ear.error


def _telling(terminal: Terminal) -> Callable[[str], None]:
    return lambda text: terminal.note(f"fretledger: {text}")


def _both(first: Callable[[LinkEvent], None], second: Callable[[LinkEvent], None]) -> Callable[[LinkEvent], None]:
    def put(event: LinkEvent) -> None:
        first(event)
        second(event)

    return put


def _serial(options: argparse.Namespace, profile: Profile | None) -> SerialSettings | None:
    """Return how the port is set where the command says so.

    Raises:
        CommandError: what it says does not hold.
    """
    if options.baud is None and options.bits is None:
        return None
    usual = profile.serial if profile else SerialSettings()
    try:
        return serial_from(
            f"{usual.baud if options.baud is None else options.baud} {options.bits or serial_text(usual).split()[1]}"
        )
    except ValueError as error:
        raise CommandError(f"--baud and --bits: {error}") from error


def _check(options: argparse.Namespace, profile: Profile | None) -> None:
    """Refuse what cannot be saved or recorded before anybody presses a button.

    Raises:
        CommandError: it cannot.
        NamedGaugesError: the name does not hold.
    """
    if options.kind is not None and not options.save:
        raise CommandError("--kind says what the gauge is that --save names; give --save NAME too")
    if options.save is not None:
        if profile is None:
            raise CommandError("--save needs --profile NAME; listen without it to find out which profile fits")
        check_name(options.save)
        if typed_name(options.save):
            raise CommandError(f"--save {options.save!r}: that name is for readings that are typed; choose another")
    if options.record is not None and profile is None and _RADIO.fullmatch(options.port):
        raise CommandError("--record keeps one characteristic of a Bluetooth gauge; say which one with --profile NAME")


# -- saving ----------------------------------------------------------------------------------------------------------


def _gauge(options: argparse.Namespace, profile: Profile, serial: SerialSettings | None) -> NamedGauge:
    """Return the gauge to save; what a Bluetooth gauge advertises is heard before it is connected."""
    gauge = NamedGauge(name=options.save, profile=profile.name, port=options.port, kind=options.kind or "")
    if profile.bluetooth is None:
        own = "" if serial in {None, profile.serial} else serial_text(serial or profile.serial)
        return replace(gauge, serial=own, usb=usb_of(options.port, serial_ports()))
    wanted = options.port.lower()
    heard = next((one for one in bluetooth_devices() if one.address.lower() == wanted), None)
    if heard is None:
        return gauge
    return replace(gauge, bluetooth_name=heard.name, bluetooth_service=next(iter(heard.services), ""))


def _save(gauge: NamedGauge, ear: _Ear, terminal: Terminal) -> None:
    read = [one for trials in ear.trials.values() for one in trials if one.read and one.profile.name == gauge.profile]
    if not read:
        words = (
            f"profile {gauge.profile!r} must read something before {gauge.name!r} is saved, it read nothing; "
            "press the gauge's send button while this listens, or choose another profile"
        )
        raise SilenceError(words, gauge=gauge.name, waited_s=0.0)
    before = save_gauge(gauge)
    if before is not None and before != gauge:
        terminal.note(f"{gauge.name!r} was {before.profile} at {before.port} until now")
    terminal.say(f"saved {gauge.name!r}; use it with: fretledger bench --gauge {shlex.quote(gauge.name)}")


# -- what came of it -------------------------------------------------------------------------------------------------


def _result(ear: _Ear) -> list[str]:
    lines = ["", f"{ear.size} bytes in {ear.chunks} pieces"]
    for source, trials in ear.trials.items():
        lines += [f"from {source}"] if source else []
        lines += _scores(trials, ear.serial)
    return lines


def _scores(trials: Sequence[Trial], serial: SerialSettings) -> list[str]:
    rows = [("profile", "read", "last", "what it is")]
    rows += [
        (
            _title(one),
            f"{one.read} of {one.frames}",
            frame_text(one.last) if one.last else "",
            one.profile.words + _other_settings(one.profile, serial),
        )
        for one in ranked(trials)
    ]
    width = [max(len(row[at]) for row in rows) + 2 for at in range(3)]
    lines = ["".join(f"{row[at]:<{width[at]}}" for at in range(3)) + row[3] for row in rows] if len(rows) > 1 else []
    nothing = [_title(one) for one in trials if not one.read]
    return [*lines, f"read nothing: {', '.join(nothing)}"] if nothing else lines


def _other_settings(profile: Profile, serial: SerialSettings) -> str:
    if profile.bluetooth or profile.serial == serial:
        return ""
    return f"; says {serial_text(profile.serial)}, read at {serial_text(serial)}"


def _advice(ear: _Ear, port: str) -> list[str]:
    best = ranked(one for trials in ear.trials.values() for one in trials)
    if not ear.chunks:
        return [
            "nothing came: press the gauge's send button, or try another speed with --baud (1200, 2400, 4800, 19200)"
        ]
    if not best:
        return ["no profile reads this: try another speed with --baud, or write a profile (README, Gauges)"]
    first = best[0]
    same = [one for one in best if one.rank[0] == first.rank[0]]
    lines = []
    if len({frame_text(one.last) for one in same if one.last}) > 1:
        lines.append("several profiles read it, and differently: compare with the gauge's own display, and press again "
                     "at other sizes")  # fmt: skip
    elif len(same) > 1:
        lines.append("several profiles read it alike: choose the one that says what the gauge is, or give --kind")
    if not first.fits:
        return [*lines, _own_profile(first.profile)]
    speed, bits = serial_text(ear.serial).split()
    settings = f" --baud {speed} --bits {bits}" if _other_settings(first.profile, ear.serial) else ""
    again = f"fretledger gauges listen {shlex.quote(port)} --profile {first.profile.name}{settings}"
    return [*lines, f'next: {again} --save "green caliper"']


def _own_profile(profile: Profile) -> str:
    radio = profile.bluetooth or BluetoothSettings()
    keys = {"decoder": profile.decoder, "framing": profile.framing, "unit": profile.unit}
    told = ", ".join(f'{key} = "{value}"' for key, value in keys.items())
    comma = ", decimal_comma = true" if profile.decimal_comma else ""
    return (
        f"no profile names this characteristic: write one (README, Gauges) with {told}{comma} and, under [bluetooth], "
        f'characteristic = "{radio.characteristic}"'
    )


# -- arguments -------------------------------------------------------------------------------------------------------


def add_listen(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the work `listen`."""
    parser = command(add, "listen", "show what a port or a Bluetooth device sends, and which profile reads it", _listen)
    parser.add_argument("port", metavar="PORT", help="a serial port, or the address of a Bluetooth device")
    parser.add_argument("--profile", metavar="NAME", help="set the port, or choose the characteristic, as this says")
    parser.add_argument("--baud", type=whole, metavar="N", help="speed; else the profile's, "
                        "else 9600")  # fmt: skip
    parser.add_argument("--bits", metavar="8N1", help="data bits, parity (N, E, O) and stop bits; else the profile's")
    parser.add_argument("--seconds", type=above_zero, metavar="N", help="end after so long; else at Ctrl-C")
    parser.add_argument("--save", metavar="NAME", help="keep it under this name once the profile has read something")
    parser.add_argument(
        "--kind", choices=_KINDS, help="with --save: what the gauge is, where the profile says otherwise"
    )
    parser.add_argument("--record", type=Path, metavar="FILE", help="write every byte with its time, for gauges replay")
