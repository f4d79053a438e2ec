"""`gauges replay`: a recording played through the code that reads gauges."""

import argparse
import asyncio
import json
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from drivers.frames.stream import Decoded
from drivers.link_event import LinkEvent, as_events
from drivers.listening import Trial
from drivers.profiles import Profile
from drivers.reading import Instant, Reading
from drivers.recording import Recorded, read_recording
from drivers.replay import replayed
from logger.cli_arguments import OK, CommandError, command, number
from logger.cli_listen import frame_text, length_text, profile_named
from logger.door import Serve
from logger.sitting import known_profiles
from logger.terminal import Terminal


@dataclass(frozen=True, slots=True, kw_only=True)
class _Refused:
    when: Instant
    frame: Decoded


@dataclass(slots=True)
class _Refusals:
    """Keeps the frames that are no readings; hears what the gauge hears, in its thread."""

    trial: Trial
    now: Instant
    found: deque[_Refused] = field(default_factory=deque)

    def hear(self, event: LinkEvent) -> None:
        if event.kind == "chunk":
            self.now = event.when
        for frame in self.trial.take(event):
            if frame.number is None:
                self.found.append(_Refused(when=self.now, frame=frame))

    def until(self, monotonic_ns: int) -> list[_Refused]:
        """Return and forget those that came before a time."""
        found: list[_Refused] = []
        while self.found and self.found[0].when.monotonic_ns <= monotonic_ns:
            found.append(self.found.popleft())
        return found


def _replay(options: argparse.Namespace, _serve: Serve) -> int:
    if options.speed < 0:
        raise CommandError(f"--speed must not be negative, got {options.speed:g}; 0 is as fast as possible")
    recorded, profiles, terminal = read_recording(options.file), known_profiles(), Terminal()
    name = options.profile or recorded.profile
    if not name:
        raise CommandError(f"{options.file} names no profile, since it was only listened to; give --profile NAME")
    profile = profile_named(name, profiles)
    if recorded.cut:
        terminal.note(f"fretledger: note: the last line of {options.file} is cut off and left out")
    if name == recorded.profile and profile.sha256 != recorded.profile_sha256:
        terminal.note(f"fretledger: note: profile {name} is not the one that {options.file} was recorded with")
    asyncio.run(_play(recorded, profile, options, terminal))
    return OK


async def _play(recorded: Recorded, profile: Profile, options: argparse.Namespace, terminal: Terminal) -> None:
    refusals = _Refusals(Trial(profile), recorded.started)
    readings: list[dict[str, Any]] = []
    refused: list[dict[str, Any]] = []
    start_ns = recorded.started.monotonic_ns

    def refuse(until_ns: int) -> None:
        for one in refusals.until(until_ns):
            refused.append(_refused_json(one, start_ns))
            if not options.json:
                raw = repr(one.frame.raw)[2:-1]
                terminal.say(f"{refused[-1]['after_s']:+10.3f} s  {frame_text(one.frame)}  {raw}")

    async with replayed(recorded, profile, speed=options.speed, tap=as_events(refusals.hear)) as gauge:
        async for reading in gauge:
            refuse(reading.monotonic_ns)
            readings.append(_reading_json(reading, start_ns))
            if not options.json:
                said = length_text(reading.value_nm, reading.unit) + (f" ({reading.status})" if reading.status else "")
                terminal.say(f"{readings[-1]['after_s']:+10.3f} s  {said}")
    refuse(1 << 63)
    summary = {
        "recording": str(options.file), "port": recorded.port, "profile": profile.name,
        "started": recorded.started.at.isoformat(), "cut": recorded.cut, "battery_percent": gauge.state.battery_percent,
    }  # fmt: skip
    if options.json:
        terminal.say(json.dumps(summary | {"readings": readings, "refused": refused}, allow_nan=False))
        return
    terminal.say(f"{len(readings)} readings and {len(refused)} refused frames, recorded at {recorded.port}, read by "
                 f"{profile.name}")  # fmt: skip


def _reading_json(one: Reading, start_ns: int) -> dict[str, Any]:
    return {
        "sequence": one.sequence, "taken_at": one.taken_at.isoformat(), "after_s": (one.monotonic_ns - start_ns) / 1e9,
        "value_nm": one.value_nm, "unit": one.unit, "status": one.status, "raw_hex": one.raw.hex(),
    }  # fmt: skip


def _refused_json(one: _Refused, start_ns: int) -> dict[str, Any]:
    after_s = (one.when.monotonic_ns - start_ns) / 1e9
    return {"after_s": after_s, "raw_hex": one.frame.raw.hex(), "reason": one.frame.reason}


def add_replay(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the work `replay`."""
    parser = command(add, "replay", "play a recording through the code that reads gauges", _replay)
    parser.add_argument("file", type=Path, metavar="FILE", help="what gauges listen --record wrote")
    parser.add_argument("--speed", type=number, default=0.0, metavar="N",
                        help="1 is as recorded, 2 twice as fast; 0, the usual, as fast as possible")  # fmt: skip
    parser.add_argument("--profile", metavar="NAME", help="read it by this profile instead of the recorded one")
    parser.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help="print one JSON object instead")
