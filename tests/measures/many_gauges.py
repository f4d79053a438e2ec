"""Many serial gauges on one process: is a reading lost, does memory grow, how much of the computer does it take?

    .venv/bin/python tests/measures/many_gauges.py --gauges 64 --per-s 50 --samples 1000000 --seed 1

The far ends run in a process of their own and send numbered lines, each gauge at its own moment, `per-s` a second. This
process reads them through real pseudo-terminals with a `Gauge` each, takes every reading and checks its number. Memory
is what the system counts as resident: before the gauges are made, after a tenth of the samples, at the most and in the
end. Prints one JSON line; exit status 1 if a reading is missing, wrong or came twice.
"""

import argparse
import asyncio
import json
import random
import subprocess
import sys
import threading
import time
from contextlib import AsyncExitStack, ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path

from drivers import Gauge, SilenceError, SimulatedGauge, load_profiles

PROFILE = load_profiles()["caliper-mm"]
STEPS = 20_000
GROUPS = 5
PATIENCE_S = 20.0


@dataclass(slots=True, kw_only=True)
class Count:
    """What came: readings taken, wrong, missing and surplus, frames refused, and the longest wait from arrival on."""

    taken: int = 0
    wrong: int = 0
    missing: int = 0
    surplus: int = 0
    unreadable: int = 0
    longest_wait_ms: float = 0.0


def step_of(gauge: int, number: int) -> int:
    """Return what gauge ``gauge`` shows as its reading ``number``, in hundredths of a millimetre."""
    return (number * 7919 + gauge * 131) % STEPS


def send(gauges: int, per_s: float, each: int, seed: int) -> None:
    """Be the far ends: print their ports, wait for a line, then send ``each`` lines from every gauge."""
    rng = random.Random(seed)
    with ExitStack() as plugged:
        far = [plugged.enter_context(SimulatedGauge(f"far {n}", profile=PROFILE)) for n in range(gauges)]
        print(json.dumps([one.port for one in far]), flush=True)
        sys.stdin.readline()
        order = rng.sample(range(gauges), gauges)
        begun = time.monotonic()
        for number in range(each):
            for group in range(GROUPS):
                for gauge in order[group::GROUPS]:
                    far[gauge].press(step_of(gauge, number) * 10_000)
                due = begun + (number + (group + 1) / GROUPS) / per_s
                time.sleep(max(0.0, due - time.monotonic()))
        sys.stdin.readline()  # stay plugged in until everything has been read


def resident_mb() -> float:
    """Return how much memory the system has given this process."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return int(next(line for line in lines if line.startswith("VmRSS")).split()[1]) / 1024


async def take(gauge: Gauge, place: int, each: int, count: Count) -> None:
    """Take and check what one gauge sends."""
    for number in range(each):
        try:
            reading = await gauge.read(PATIENCE_S)
        except SilenceError:
            count.missing += each - number
            return
        count.taken += 1
        right = reading.sequence == number + 1 and reading.value_nm == step_of(place, number) * 10_000
        count.wrong += not right
        wait_ms = (time.monotonic_ns() - reading.monotonic_ns) / 1e6
        count.longest_wait_ms = max(count.longest_wait_ms, wait_ms)


async def watch(count: Count, samples: int, told: dict[str, float]) -> None:
    """Note the memory after a tenth of the samples, and the most."""
    while True:
        now = resident_mb()
        if "warm_mb" not in told and count.taken >= samples / 10:
            told["warm_mb"] = now
        told["most_mb"] = max(told.get("most_mb", 0.0), now)
        await asyncio.sleep(0.25)


async def bench(ports: list[str], each: int, far: subprocess.Popen[str]) -> dict[str, float]:
    """Read all the gauges at once and return the figures."""
    count, told = Count(), {"start_mb": resident_mb()}
    assert far.stdin is not None
    async with AsyncExitStack() as opened:
        gauges = [Gauge(f"gauge {n}", profile=PROFILE, port=port, must_open=True) for n, port in enumerate(ports)]
        await asyncio.gather(*map(opened.enter_async_context, gauges))
        far.stdin.write("go\n")
        far.stdin.flush()
        begun_s, cpu_s = time.monotonic(), time.process_time()
        watcher = asyncio.create_task(watch(count, each * len(ports), told))
        await asyncio.gather(*(take(gauge, place, each, count) for place, gauge in enumerate(gauges)))
        told |= {"seconds": time.monotonic() - begun_s, "threads": threading.active_count(), "end_mb": resident_mb()}
        told["cpu_share"] = (time.process_time() - cpu_s) / told["seconds"]
        watcher.cancel()
        await asyncio.sleep(0.2)
        count.surplus = sum(gauge.waiting for gauge in gauges)
        count.unreadable = sum(gauge.state.unreadable for gauge in gauges)
    return asdict(count) | {name: round(value, 3) for name, value in told.items()}


def run(gauges: int, per_s: float, samples: int, seed: int) -> dict[str, float]:
    """Return the figures of one run."""
    each = samples // gauges
    words = [
        sys.executable,
        __file__,
        "--far-ends",
        "--gauges",
        gauges,
        "--per-s",
        per_s,
        "--each",
        each,
        "--seed",
        seed,
    ]
    with subprocess.Popen(list(map(str, words)), stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as far:
        assert far.stdout is not None
        found = asyncio.run(bench(json.loads(far.stdout.readline()), each, far))
        far.communicate("done\n")
    return {"gauges": gauges, "per_s": per_s, **found}


def main() -> None:
    """Be the far ends, or measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--far-ends", action="store_true")
    parser.add_argument("--gauges", type=int, default=64)
    parser.add_argument("--per-s", type=float, default=50.0)
    parser.add_argument("--samples", type=int, default=1_000_000)
    parser.add_argument("--each", type=int)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    if given.far_ends:
        send(given.gauges, given.per_s, given.each, given.seed)
        return
    found = run(given.gauges, given.per_s, given.samples, given.seed)
    print(json.dumps(found))
    sys.exit(bool(found["wrong"] or found["missing"] or found["surplus"]))


if __name__ == "__main__":
    main()
