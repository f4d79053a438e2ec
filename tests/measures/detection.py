"""How often the sweep finds what is wrong: simulated necks with one fault each, judged as the bench judges them.

    .venv/bin/python tests/measures/detection.py [NECKS] [SEED]

Good frets scatter about the shape wanted by 7 um (sd), every path on its own; the fixture repeats to 3 um and its zero
is known to 2 um; limits are those of a low-action electric (0.03 mm). A fault is 0.06 mm, two adjacent ones 0.05 mm.
"""

import sys
import time
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from logger.evaluation.observation import FeatureKey, Observation, estimate_features
from logger.instrument import Instrument
from logger.limits import default_limits
from logger.sweep_report import Sweep, judge_sweep

FRETS, SCATTER_MM, U_MM, ZERO_MM = 22, 0.007, 0.003, 0.002
PLACES = ("bass", "centre", "treble")
NECK = Instrument(name="simulated", kind="electric", scale_mm=648.0, frets=FRETS)
LIMITS = default_limits("electric")
X = NECK.positions_mm
SHAPES = {"whole fret": (1, 1, 1), "bass end": (1, 0, 0), "treble end": (0, 0, 1), "tilted": (1, 0, -1)}


@dataclass
class Count:
    """What came of the necks of one scenario."""

    necks: int = 0
    found: int = 0
    missed: int = 0
    open: int = 0
    false: int = 0
    false_ends: int = 0
    kinds: Counter[str] = field(default_factory=Counter)
    kind_right: int = 0
    remeasure: int = 0
    verdicts: int = 0


def sweep_of(heights: np.ndarray, rng: np.random.Generator) -> Sweep:
    """Return the judged sweep of a neck: every step on three paths, heights of shape (3, frets + 1)."""
    zero = rng.normal(0, ZERO_MM)
    readings = []
    for path, place in enumerate(PLACES):
        for fret in range(2, FRETS):
            share = (X[fret] - X[fret - 1]) / (X[fret + 1] - X[fret - 1])
            line = (1 - share) * heights[path, fret - 1] + share * heights[path, fret + 1]
            value = heights[path, fret] - line + zero + rng.normal(0, U_MM)
            key = FeatureKey(kind="fret_step", fret=fret, place=place, feet=(fret - 1, fret + 1))
            readings.append(
                Observation(key=key, value_mm=value, gauge="rocker", round="a", u_mm=U_MM, zero_u_mm=ZERO_MM)
            )
    found = judge_sweep(estimate_features(readings), NECK, LIMITS)
    assert found is not None
    return found


def neck(rng: np.random.Generator) -> np.ndarray:
    """Return the heights of a sound neck in mm, shape (3, frets + 1), with some relief."""
    along = X / X[-1]
    return rng.normal(0, SCATTER_MM, (3, FRETS + 1)) - rng.uniform(0, 0.3) * 4 * along * (1 - along)


def run(scenario: str, necks: int, seed: int) -> Count:
    """Return what came of ``necks`` necks of a scenario."""
    rng = np.random.default_rng([seed, len(scenario), sum(map(ord, scenario))])
    count = Count(necks=necks)
    for _ in range(necks):
        heights = neck(rng)
        planted: dict[tuple[int, str], float] = {}
        if scenario in SHAPES:
            fret, sign = int(rng.integers(2, FRETS)), float(rng.choice((-1, 1)))
            planted = {(fret, place): sign * 0.06 * part for place, part in zip(PLACES, SHAPES[scenario], strict=True)
                       if part}  # fmt: skip
        elif scenario in {"first fret", "last fret"}:
            planted = {(1 if scenario == "first fret" else FRETS, place): 0.06 for place in PLACES}
        elif scenario == "two adjacent":
            fret = int(rng.integers(2, FRETS - 1))
            planted = {(one, place): 0.05 for one in (fret, fret + 1) for place in PLACES}
        for (fret, place), size in planted.items():
            heights[PLACES.index(place), fret] += size
        _count(count, sweep_of(heights, rng), planted, scenario)
    return count


def _count(count: Count, sweep: Sweep, planted: dict[tuple[int, str], float], scenario: str) -> None:
    verdicts = {(check, fret, path): judgement.verdict for check, fret, path, judgement, _ in sweep.verdicts}
    wanted = {("high_fret" if size > 0 else "low_fret", fret, place) for (fret, place), size in planted.items()}
    frets = {fret for fret, _ in planted}
    failed = {key for key, verdict in verdicts.items() if verdict == "fail"}
    ends = {1, FRETS}
    count.false += any(key[1] not in ends for key in failed - wanted)
    count.false_ends += any(key[1] in ends for key in failed - wanted)
    count.remeasure += sum(verdict == "remeasure" for verdict in verdicts.values())
    count.verdicts += len(verdicts)
    if not planted:
        return
    by_fret = [any(key in failed for key in wanted if key[1] == fret) for fret in frets]
    open_ = [any(verdicts.get(key) == "remeasure" for key in wanted if key[1] == fret) for fret in frets]
    count.found += all(by_fret)
    count.open += not all(by_fret) and all(a or b for a, b in zip(by_fret, open_, strict=True))
    count.missed += not all(a or b for a, b in zip(by_fret, open_, strict=True))
    kinds = {one.kind if one.kind != "end" else f"{one.place} end" for one in sweep.faults if one.fret in frets}
    count.kinds.update(kinds)
    count.kind_right += kinds == {scenario if scenario in SHAPES else "whole fret"}


def main() -> None:
    """Print a line per scenario."""
    necks = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    print(f"{necks} necks each, seed {seed}: {__doc__.splitlines()[4]}")
    for scenario in ("sound", *SHAPES, "two adjacent", "first fret", "last fret"):
        begun = time.perf_counter()
        one = run(scenario, necks, seed)
        shares = {
            "found": one.found, "open": one.open, "missed": one.missed, "kind right": one.kind_right,
            "false": one.false, "false at an end": one.false_ends,
        }  # fmt: skip
        words = "  ".join(f"{name} {count / necks:.4f}" for name, count in shares.items())
        ms = 1000 * (time.perf_counter() - begun) / necks
        print(f"{scenario:<13} {words}  remeasure {one.remeasure / one.verdicts:.4f}  {ms:.0f} ms  {dict(one.kinds)}")


if __name__ == "__main__":
    main()
