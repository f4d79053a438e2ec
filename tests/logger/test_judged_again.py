"""A judge that remembers says what a fresh one says, to the last digits, whatever came in between.

The necks are invented: that of the demonstration, and one with three surveyed paths and planted faults.
"""

import random
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from logger.demo.neck import DESCRIPTION, invent
from logger.evaluation.observation import FeatureKey, Observation
from logger.features import GAPS, STEPS, SURVEY_KINDS
from logger.instrument import Instrument, parse_instrument
from logger.limits import default_limits
from logger.report import CheckVerdict, Judge
from logger.sheet import Item, round_of, standard_items
from logger.sweep_report import profile_json, suspects_json

pytestmark = pytest.mark.once

SEDGE = """\
name = "Sedge no. 10 (invented)"
kind = "steel-string"
invented = true
scale_mm = 645.0
frets = 24
join_fret = 14
[sheet]
board = ["bass", "centre", "treble"]
sweep = ["bass", "centre", "treble"]
long_steps = true
"""
WIRE_MM = {"tang_thickness": 0.51, "barb_span": 0.70, "tang_depth": 1.3, "crown_height": 1.1, "slot_width": 0.5625,
           "slot_depth": 1.75, "seated_height": 1.1}  # fmt: skip
LEAF_MM = 0.025
NEAR = 1e-12


def _observation(item: Item, value_mm: float) -> Observation:
    feature = item.feature
    key = FeatureKey(kind=feature.kind, fret=feature.fret, place=feature.place, feet=feature.feet)
    if feature.kind == "slot_width" or feature.kind in GAPS:
        low = value_mm // LEAF_MM * LEAF_MM
        return Observation(key=key, value_mm=low + LEAF_MM / 2, low_mm=low, high_mm=low + LEAF_MM, gauge="leaves",
                           round=round_of(item), bow_u_mm=0.004 if feature.kind in GAPS else 0.0)  # fmt: skip
    gauge = "rocker" if feature.kind in STEPS else "caliper"
    return Observation(key=key, value_mm=round(value_mm, 3), gauge=gauge, round=round_of(item), resolution_mm=0.001,
                       u_mm=0.003, zero_u_mm=0.002)  # fmt: skip


def _demonstration() -> tuple[Instrument, list[Observation]]:
    neck, true, rng = parse_instrument(DESCRIPTION, where="the demonstration"), invent(7), random.Random(7)
    return neck, [_observation(one, true.true_mm(one.feature) + rng.gauss(0, 0.003)) for one in standard_items(neck)]


def _sedge() -> tuple[Instrument, list[Observation]]:
    """Return a neck with high and low frets, a hump on one path, and a step that does not fit."""
    neck, rng = parse_instrument(SEDGE, where="a test"), np.random.default_rng(4)
    x, tops = neck.positions_mm, rng.normal(0, 0.007, (3, neck.frets + 1))
    bare = tops + rng.normal(0, 0.003, tops.shape)
    tops[:, 12] += 0.12
    tops[0, [17, 18]] -= 0.05
    bare[2, 14] += 0.15
    found = []
    for item in standard_items(neck):
        feature, noise = item.feature, rng.normal(0, 0.002)
        if feature.kind in STEPS and feature.feet is not None and feature.fret is not None:
            path = ("bass", "centre", "treble").index(feature.place)
            heights = (bare if feature.kind in SURVEY_KINDS else tops)[path]
            line = np.interp(x[feature.fret], x[list(feature.feet)], heights[list(feature.feet)])
            odd = 0.2 * (feature.kind == "fret_step" and feature.place == "bass" and feature.fret == 5)
            found.append(_observation(item, float(heights[feature.fret] - line) + noise + odd))
        else:
            found.append(_observation(item, WIRE_MM[feature.kind] + noise))
    return neck, found


def _came_in_turn(readings: Sequence[Observation]) -> Iterator[Sequence[Observation]]:
    """Give the readings as a sitting brings them: more and more, then repeated, moved, taken back, in a new round."""
    for count in (*range(130, len(readings), 60), len(readings) - 1, len(readings)):
        yield readings[:count]
    again = [replace(readings[place], value_mm=readings[place].value_mm + 0.002) for place in (-5, -60, 20)]
    yield [*readings, *again]
    yield [*readings, replace(again[0], round="again")]
    yield [replace(one, value_mm=one.value_mm + 0.04) if one is readings[-20] else one for one in readings]
    yield [one for one in readings if one is not readings[40] and one is not readings[-30]]
    yield readings


def _plain(one: CheckVerdict) -> list[Any]:
    estimate = one.judgement.estimate
    return [*one.key, one.verdict, one.flag, one.what_to_do, one.features, estimate.value_mm, estimate.u_mm,
            estimate.dof, estimate.known, estimate.doubt, estimate.repeats, estimate.budget(), one.judgement.p,
            one.judgement.expanded_u_mm, one.judgement.repeats_to_settle]  # fmt: skip


def _told(judge: Judge, readings: Sequence[Observation]) -> list[Any]:
    verdicts = [_plain(one) for one in judge.verdicts(readings)]
    profiles = [part.profile for part in (judge.sweep, judge.survey) if part is not None]
    return [verdicts, *map(profile_json, profiles), *map(suspects_json, profiles)]


def _apart(one: Any, other: Any) -> float:
    """Return how far two answers are apart at most, as a share; infinite where they differ but in a number."""
    if isinstance(one, float) and isinstance(other, float) and one != other:
        return abs(one - other) / max(abs(one), abs(other))
    if isinstance(one, dict) and isinstance(other, dict):
        return _apart(list(one.items()), list(other.items()))
    if isinstance(one, list | tuple) and isinstance(other, list | tuple) and len(one) == len(other):
        return max(map(_apart, one, other), default=0.0)
    return 0.0 if one == other else np.inf


@pytest.mark.parametrize("made", [_demonstration, _sedge])
def test_a_judge_that_remembers_says_what_a_fresh_one_says(made: Any):
    neck, readings = made()
    limits = default_limits(neck.kind)
    judge, seen = Judge(neck, limits), set()

    for given in _came_in_turn(readings):
        told = _told(judge, given)
        assert _apart(told, _told(Judge(neck, limits), given)) <= NEAR
        seen |= {(verdict[0], verdict[3]) for verdict in told[0]}

    assert {("high_fret", "fail"), ("high_fret", "pass"), ("hump", "fail")} <= seen


def test_answers_that_differ_are_told_apart():
    assert _apart([1.0, {"a": (2.0,)}], [1.0, {"a": (2.0 + 1e-9,)}]) == pytest.approx(5e-10)
    assert _apart([1.0], [1.0, 2.0]) == _apart(None, 1.0) == _apart("pass", "fail") == np.inf
