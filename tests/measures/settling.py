"""How often hands-free capture takes a placement right, early or not at all: a simulated hand at a streaming gauge.

    .venv/bin/python tests/measures/settling.py [PLACEMENTS] [SEED]

An indicator with a digit of 1 um: it hangs free at 4 mm (0.6 to 1.5 s), comes down (0.3 to 0.8 s), slides to its place
(0.5 to 2 s at 20 to 300 um/s), wobbles (20 to 100 um, 1 to 3 Hz, dying away with 0.15 to 0.4 s), rests (2.5 s) and is
lifted. Everything in the scenario is invented. Noise is white and comes on top; times between samples vary by a tenth.
"""

import sys
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from drivers import CaptureSettings, SteadyCapture

FREE_UM, REST_S, DIGIT_UM, STILL_UM, ALLOWED_UM = 4000.0, 2.5, 1.0, 1.0, 5.0
NS, NM = 1_000_000_000, 1000

#: What is higher than 3 mm hangs free.
RULES = CaptureSettings(high_nm=3_000_000)


@dataclass
class Count:
    """What came of the placements.

    Attributes:
        kinds: "right"; "early", before the slide had ended or more than 5 um off; "twice"; "none".
        latency_s: Of the right ones, seconds from when the wobble was down to 1 um.
        off_um: Of the right ones, value less true size.
    """

    kinds: Counter[str] = field(default_factory=Counter)
    latency_s: list[float] = field(default_factory=list)
    off_um: list[float] = field(default_factory=list)


def placement(rng: np.random.Generator, size_um: float) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Return (times in s, lengths in um) every millisecond, and when it begins to slide no more and to be still."""
    free, down, slide = rng.uniform(0.6, 1.5), rng.uniform(0.3, 0.8), rng.uniform(0.5, 2)
    offset = rng.choice((-1, 1)) * slide * np.exp(rng.uniform(np.log(20), np.log(300)))
    amplitude, hertz, dies_s = rng.uniform(20, 100), rng.uniform(1, 3), rng.uniform(0.15, 0.4)
    arrived = free + down + slide
    still = arrived + dies_s * np.log(amplitude / STILL_UM)
    lifted = still + REST_S
    t = np.arange(0, lifted + 0.4, 0.001)
    after = t - arrived
    resting = size_um + np.where(
        after < 0,
        -offset * after / slide,
        amplitude * np.exp(-np.clip(after, 0, None) / dies_s) * np.sin(2 * np.pi * hertz * after),
    )
    share = np.clip((t - free) / down, 0, 1) - np.clip((t - lifted) / 0.3, 0, 1)
    return t, FREE_UM + share * (resting - FREE_UM), arrived, still


def sampled(
    t: np.ndarray, um: np.ndarray, rng: np.random.Generator, per_s: float, noise_um: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return (times in s, whole digits in um) of what the gauge sends."""
    steps = rng.uniform(0.9, 1.1, int(t[-1] * per_s * 1.2) + 2) / per_s
    at = rng.uniform(0, 1 / per_s) + np.cumsum(steps)
    at = at[at < t[-1]]
    values = np.interp(at, t, um) + rng.normal(0, noise_um, at.size)
    return at, DIGIT_UM * np.round(values / DIGIT_UM)


def run(placements: int, per_s: float, noise_um: float, seed: int, rules: CaptureSettings = RULES) -> Count:
    """Return what came of this many placements, one stream without a break."""
    rng = np.random.default_rng([seed, round(per_s), round(10 * noise_um)])
    count, capture, begun = Count(), SteadyCapture(rules), 0.0
    for _ in range(placements):
        size_um = rng.uniform(500, 1500)
        t, um, arrived, still = placement(rng, size_um)
        at, values = sampled(t, um, rng, per_s, noise_um)
        found = []
        for now, value in zip(at, values, strict=True):
            taken = capture.take(round(value * NM), round((begun + now) * NS))
            if taken is not None:
                found.append((now, taken.value_nm / NM - size_um))
        begun += t[-1]
        _tell(count, found, arrived, still)
    return count


def _tell(count: Count, found: list[tuple[float, float]], arrived: float, still: float) -> None:
    if not found:
        count.kinds["none"] += 1
        return
    now, off_um = found[0]
    if now < arrived or abs(off_um) > ALLOWED_UM:
        count.kinds["early"] += 1
    elif len(found) > 1:
        count.kinds["twice"] += 1
    else:
        count.kinds["right"] += 1
        count.latency_s.append(now - still)
        count.off_um.append(off_um)


def creeps(
    times: int, per_s: float, noise_um: float, um_per_s: float, seed: int, rules: CaptureSettings = RULES
) -> int:
    """Return how many of these creeps, three seconds each at an even speed, were taken for still."""
    rng = np.random.default_rng([seed, round(per_s), round(10 * noise_um), round(um_per_s)])
    t = np.arange(0, 3.2, 0.001)
    taken = 0
    for _ in range(times):
        capture = SteadyCapture(rules)
        at, values = sampled(t, 1000 + um_per_s * t, rng, per_s, noise_um)
        samples = zip(values, at, strict=True)
        taken += any(capture.take(round(value * NM), round(now * NS)) for value, now in samples if now < 3)
    return taken


def main() -> None:
    """Print a line for each rate and noise, then how often an even creep is taken for still."""
    placements = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    print(f"{placements} placements each, seed {seed}; {RULES}")
    print("rate/s noise_um | right early twice none | latency s: median 95 % (from still to 1 um) | off um: rms")
    for per_s in (5, 10, 50):
        for noise_um in (0, 1, 3):
            one = run(placements, per_s, noise_um, seed)
            kinds = " ".join(f"{one.kinds[kind]:5d}" for kind in ("right", "early", "twice", "none"))
            median, late = np.quantile(one.latency_s, (0.5, 0.95))
            rms = float(np.sqrt(np.mean(np.square(one.off_um))))
            print(f"{per_s:6d} {noise_um:8d} | {kinds} | {median:5.2f} {late:5.2f} | {rms:.2f}")
    speeds = (2, 5, 10, 15, 20, 40)
    print(
        f"of {placements} creeps of 3 s, taken at {speeds} um/s; limit without noise {RULES.slide_nm_per_s / NM} um/s"
    )
    for per_s in (5, 10, 50):
        for noise_um in (0, 1, 3):
            print(f"{per_s:6d} {noise_um:8d} |", *(creeps(placements, per_s, noise_um, v, seed) for v in speeds))


if __name__ == "__main__":
    main()
