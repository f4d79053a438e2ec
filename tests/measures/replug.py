"""Unplug and replug a gauge again and again in mid-frame, with garbage between frames, and count what is delivered.

    .venv/bin/python tests/measures/replug.py --cycles 200 --seed 1

Every cycle sends numbered frames, written in pieces cut anywhere, with garbage between them, then a part of a frame,
and pulls the cable. In two of three cycles the cable is pulled when the frames have arrived; then each must have been
delivered once. In the third it is pulled at once: what the system had not handed over yet is lost with the cable, and
what was delivered must be the first of what was sent. Lines of text and binary frames take turns on gauges of their
own. Prints one JSON line; exit status 1 if a frame is missing, came twice, out of order or was never sent.
"""

import argparse
import asyncio
import json
import random
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from drivers import Backoff, Gauge, GaugeState, LinkLostError, SimulatedGauge, load_profiles

TEXT = load_profiles()["caliper-mm"]
BINARY = replace(TEXT, decoder="caliper24")
NO_DIGITS = bytes(byte for byte in range(256) if byte not in b"0123456789\r\n")
PATIENCE_S = 20.0
BACKOFF = Backoff(first_s=0.002, limit_s=0.02)


@dataclass(slots=True, kw_only=True)
class Count:
    """Frames by what became of them; ``cut_off`` were sent right before the cable came out and never arrived."""

    cycles: int = 0
    sent: int = 0
    delivered: int = 0
    cut_off: int = 0
    refused: int = 0
    faults: list[str] = field(default_factory=list)


class Cable:
    """One gauge and its far end; frames are numbered by their values, hundredths of a millimetre."""

    def __init__(self, far: SimulatedGauge, rng: random.Random, count: Count) -> None:
        self.far, self.rng, self.count = far, rng, count
        self.binary = far.profile.decoder != "text"
        self._number = 0
        self._news = asyncio.Event()
        self.gauge = Gauge(
            far.name, profile=far.profile, port=far.port, on_state=self._told, backoff=BACKOFF, settle_s=0.01
        )

    def _told(self, _: GaugeState) -> None:
        self._news.set()

    async def until(self, holds: Callable[[GaugeState], bool]) -> None:
        """Wait for a state of the gauge.

        Raises:
            TimeoutError: it does not come.
        """
        async with asyncio.timeout(PATIENCE_S):
            while not holds(self.gauge.state):
                self._news.clear()
                await self._news.wait()

    def frame(self) -> bytes:
        """Return the next frame, without its end."""
        self._number += 1
        return self._number.to_bytes(3, "little") if self.binary else f"{self._number / 100:.2f}".encode()

    def garbage(self) -> bytes:
        """Return what is no frame, and in a binary stream no whole number of them."""
        size = self.rng.choice([size for size in range(1, 40) if not self.binary or size % 3])
        return bytes(self.rng.choices(NO_DIGITS, k=size))

    async def write(self, sent: bytes) -> None:
        """Send in pieces cut anywhere."""
        while sent:
            size = self.rng.randint(1, len(sent))
            self.far.press_raw(sent[:size])
            sent = sent[size:]
            if not self.binary:  # a pause inside a binary frame is another thing
                await asyncio.sleep(0)

    async def send(self, frame: bytes, *, garbage: bool) -> None:
        """Send one frame, wait for the pause after a binary one to be noticed."""
        before = self.gauge.state
        await self.write(frame if self.binary else frame + self.rng.choice([b"\r", b"\n", b"\r\n"]))
        if self.binary:
            kind = "unreadable" if garbage else "readings"
            await self.until(lambda state: getattr(state, kind) > getattr(before, kind))

    async def cycle(self) -> None:
        """Send, cut a frame, pull the cable, look at what was delivered, plug it in again."""
        await self.until(lambda state: state.status == "alive")
        first, before = self._number + 1, self.gauge.state.readings
        for _ in range(self.rng.randint(0, 6)):
            for _ in range(self.rng.choice([0, 0, 1, 3])):
                await self.send(self.garbage(), garbage=True)
            await self.send(self.frame(), garbage=False)
        last = self._number
        at_once = not self.binary and self.rng.random() < 1 / 3
        if not at_once:
            await self.until(lambda state: state.readings == before + last - first + 1)
        cut = (b"777" if self.binary else b"777.77")[: self.rng.randint(0, 2 if self.binary else 6)]
        self.far.press_raw(cut)
        self.far.unplug()
        await self.until(lambda state: state.status == "lost")
        await self.look(first, last, all_of_them=not at_once)
        self.far.plug_in()

    async def look(self, first: int, last: int, *, all_of_them: bool) -> None:
        """Hold what was delivered against what was sent."""
        found = []
        while self.gauge.waiting:
            found.append((await self.gauge.read(1)).value_nm // 10_000)
        wanted = list(range(first, last + 1))
        if found != (wanted if all_of_them else wanted[: len(found)]):
            self.count.faults.append(f"{self.far.name}: sent {wanted}, delivered {found}")
        self.count.cycles += 1
        self.count.sent += len(wanted)
        self.count.delivered += len(found)
        self.count.cut_off += len(wanted) - len(found)


async def plugged(cycles: int, seed: int) -> Count:
    """Return what came of so many cycles, two of three with lines of text and every third with binary frames."""
    count, rng = Count(), random.Random(seed)
    with SimulatedGauge("text", profile=TEXT) as one, SimulatedGauge("binary", profile=BINARY) as other:
        cables = [Cable(one, rng, count), Cable(other, rng, count)]
        async with cables[0].gauge, cables[1].gauge:
            for number in range(cycles):
                await cables[number % 3 == 2].cycle()
        for cable in cables:
            count.faults += [f"{cable.far.name}: surplus {reading}" async for reading in cable.gauge]
            count.refused += cable.gauge.state.unreadable
    return count


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cycles", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    try:
        count = asyncio.run(plugged(given.cycles, given.seed))
    except (LinkLostError, TimeoutError) as error:
        sys.exit(f"the gauge did not come back: {error!r}")
    print(json.dumps({name: getattr(count, name) for name in Count.__slots__}))
    sys.exit(bool(count.faults))


if __name__ == "__main__":
    main()
