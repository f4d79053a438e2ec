"""Simulate features of known truth and count how often the 95 % interval holds it and how often the limit is misjudged.

    coverage.py --features 50000 --seed 1

One line per scenario: coverage, false pass and false fail for a value exactly at its upper limit, each with the
standard error of the simulation. Exit status 1 when a coverage is below 94 %, when one that should be between 94 and
96 % is not, or when a misjudgement at the limit is further than four standard errors above its stated 5 %.
"""

import argparse
import json
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logger.evaluation.conformity import Limits, judge
from logger.evaluation.estimate import Estimate
from logger.evaluation.observation import FeatureKey, Observation, estimate_features


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """How features are measured; lengths in units of one gauge's repeatability."""

    name: str
    repeats: int
    digit: float = 0.0
    stated: bool = True
    pooled: int = 1
    zero: float = 0.0
    bracket: float = 0.0
    type_a_dominates: bool = False


SCENARIOS = (
    *(Scenario(name=f"stated, {m} repeats", repeats=m, digit=0.2, type_a_dominates=True) for m in (1, 2, 3, 5)),
    *(Scenario(name=f"pooled over 24, {m} repeats", repeats=m, digit=0.2, stated=False, pooled=24,
               type_a_dominates=True) for m in (2, 3, 5)),
    *(Scenario(name=f"{m} repeats alone", repeats=m, stated=False) for m in (2, 3, 5)),
    *(Scenario(name=f"{m} repeats alone, zero 0.3 of type A", repeats=m, stated=False, zero=0.3 / math.sqrt(m))
      for m in (2, 3, 5)),
    *(Scenario(name=f"{m} repeats alone, zero 3", repeats=m, stated=False, zero=3.0) for m in (2, 3)),
    *(Scenario(name=f"stated, digit {d:g}, {m} repeats", repeats=m, digit=d) for d in (1, 3, 10) for m in (1, 4)),
    *(Scenario(name=f"pooled over 12, digit {d:g}, {m} repeats", repeats=m, digit=d, stated=False, pooled=12)
      for d in (0.5, 1, 2, 4, 10) for m in (2, 4)),
    *(Scenario(name=f"alone, digit {d:g}, {m} repeats", repeats=m, digit=d, stated=False)
      for d in (1, 2, 4, 10) for m in (2, 4)),
    Scenario(name="leaf bracket", repeats=1, bracket=5.0),
    Scenario(name="leaf bracket, zero 1", repeats=1, bracket=5.0, zero=1.0),
)  # fmt: skip


def simulate(scenario: Scenario, features: int, rng: np.random.Generator) -> Iterator[tuple[float, Estimate]]:
    """Yield truth and estimate of one feature after another."""
    for _ in range(math.ceil(features / scenario.pooled)):
        truths = rng.uniform(0, 100, scenario.pooled)
        zeros = rng.normal(0, scenario.zero, scenario.pooled) if scenario.zero else np.zeros(scenario.pooled)
        readings: list[Observation] = []
        for number, (truth, zero) in enumerate(zip(truths, zeros, strict=True)):
            readings += _readings(scenario, number, truth, zero, rng)
        estimates = estimate_features(readings)
        for number, truth in enumerate(truths):
            yield float(truth), estimates[_key(number)]


def _key(number: int) -> FeatureKey:
    return FeatureKey(kind="seated_height", fret=number)


def _readings(
    scenario: Scenario, number: int, truth: float, zero: float, rng: np.random.Generator
) -> list[Observation]:
    common = {"key": _key(number), "gauge": "g", "round": str(number), "zero_u_mm": scenario.zero}
    if scenario.bracket:
        low = math.floor((truth + zero) / scenario.bracket) * scenario.bracket
        high = low + scenario.bracket
        return [Observation(**common, value_mm=(low + high) / 2, low_mm=low, high_mm=high)]
    values = truth + zero + rng.normal(0, 1, scenario.repeats)
    if scenario.digit:
        values = np.round(values / scenario.digit) * scenario.digit
    u = 1.0 if scenario.stated else None
    digit = scenario.digit or None
    return [Observation(**common, value_mm=float(value), u_mm=u, resolution_mm=digit) for value in values]


def measure(scenario: Scenario, features: int, seed: int) -> dict[str, float | str | bool]:
    """Return coverage and misjudgements of one scenario."""
    rng = np.random.default_rng(seed)
    held = false_pass = false_fail = count = 0
    for truth, estimate in simulate(scenario, features, rng):
        count += 1
        spread = estimate.distribution()
        share = float(spread.cdf(truth - estimate.value_mm))
        held += 0.025 <= share <= 0.975
        false_pass += judge(estimate, Limits(upper_mm=truth - 1e-9)).verdict == "pass"
        false_fail += judge(estimate, Limits(upper_mm=truth + 1e-9)).verdict == "fail"
    coverage = held / count
    return {
        "scenario": scenario.name, "features": count, "coverage": round(coverage, 4),
        "standard_error": round(math.sqrt(coverage * (1 - coverage) / count), 4),
        "false_pass": round(false_pass / count, 4), "false_fail": round(false_fail / count, 4),
        "type_a_dominates": scenario.type_a_dominates,
    }  # fmt: skip


def holds(one: dict[str, float | str | bool]) -> bool:
    """Tell whether a scenario keeps what the verdicts promise, within four standard errors."""
    margin = 4 * math.sqrt(0.05 * 0.95 / float(one["features"]))
    within = float(one["coverage"]) >= 0.94 - margin
    if one["type_a_dominates"]:
        within = within and float(one["coverage"]) <= 0.96 + margin
    return within and max(float(one["false_pass"]), float(one["false_fail"])) <= 0.05 + margin


def main() -> int:
    """Run every scenario, print a line each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--features", type=int, default=50_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    results = []
    for index, scenario in enumerate(SCENARIOS):
        results.append(measure(scenario, given.features, given.seed + index))
        print(json.dumps(results[-1] | {"holds": holds(results[-1])}), flush=True)
    return 0 if all(holds(one) for one in results) else 1


if __name__ == "__main__":
    sys.exit(main())
