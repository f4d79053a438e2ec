"""Drop a gauge's Bluetooth connection again and again; count the readings that came and time how long it was away.

    bluetooth_drops.py --drops 50 --bed real

Needs the Debian packages that tests/bluetooth/build_vm.py names. Exit status 1 if a reading did not come exactly once.
"""

import argparse
import asyncio
import os
import statistics
import sys
import time
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "bluetooth"))

from fake_bluez import FakeBluez
from peripheral import TEXT, Peripheral
from real_bluez import RealBluez

from drivers import Backoff, BluetoothTransport, Gauge, load_profiles


async def drops(bed: Any, count: int) -> tuple[list[int], list[float], list[float]]:
    """Return the readings that came, the seconds that each was under way and those until each reconnection."""
    address = Peripheral().address
    gauge = Gauge(
        "caliper",
        profile=load_profiles()["caliper-mm"],
        port=address,
        backoff=Backoff(first_s=0.05, limit_s=1.0),
        make_transport=partial(BluetoothTransport, address, gauge="caliper", characteristic=TEXT),
        must_open=True,
    )
    values, under_way, away = [], [], []
    async with gauge:
        for number in range(count + 1):
            sent = time.monotonic()
            await asyncio.to_thread(bed.send, TEXT, b"%d.00\r\n" % number)
            values.append((await gauge.read(60)).value_nm // 1_000_000)
            under_way.append(time.monotonic() - sent)
            if number < count:
                dropped = time.monotonic()
                await asyncio.to_thread(bed.drop)
                while gauge.state.status == "alive":
                    await asyncio.sleep(0.001)
                while gauge.state.status != "alive":
                    await asyncio.sleep(0.01)
                away.append(time.monotonic() - dropped)
        values += [(await gauge.read(1)).value_nm // 1_000_000 for _ in range(gauge.waiting)]
    return values, under_way, away


def main() -> int:
    """Run the drops and print what came of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--drops", type=int, default=50)
    parser.add_argument("--bed", choices=["real", "fake"], default="real")
    given = parser.parse_args()
    bed = RealBluez() if given.bed == "real" else FakeBluez()
    bed.start()
    os.environ |= {"DBUS_SYSTEM_BUS_ADDRESS": bed.bus, "BLEAK_DBUS_AUTH_UID": str(bed.uid)}
    try:
        bed.put()
        values, under_way, away = asyncio.run(drops(bed, given.drops))
    finally:
        bed.close()
    once = values == list(range(given.drops + 1))
    print(f"{given.drops} drops, {given.drops + 1} readings sent, {len(values)} came, each once, in order: {once}")
    print(f"reading under way: median {statistics.median(under_way) * 1e3:.0f} ms, most {max(under_way) * 1e3:.0f} ms")
    print(f"away after a drop: median {statistics.median(away):.2f} s, most {max(away):.2f} s")
    return 0 if once else 1


if __name__ == "__main__":
    sys.exit(main())
