"""The zeros of a round, before and after: taken off its readings, and whether they moved.

A round is a setting of the rocker fixture, zeroed on its flat plate, or a stage of the sheet.
"""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean
from typing import Any, Final

from logger.evaluation.estimate import Estimate, combine
from logger.evaluation.observation import FeatureKey, Observation
from logger.features import AFTER, BEFORE, FIXTURE_ZERO, GAUGE_ZERO, STEPS, ZERO_KINDS, zero_parts, zero_place
from logger.instrument import Instrument
from logger.sentences import frets_words, length

SURE: Final = 0.99
"""A zero counts as moved when readings of one that stands still differ as far in 1 case of 100 (our choice)."""
WHAT_TO_DO: Final = {
    FIXTURE_ZERO: "take back its steps, zero the fixture on the flat plate and take them again",
    GAUGE_ZERO: "take back its readings, zero the gauge and take them again; see what was loose or dirty",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedZero:
    """A zero that moved during a setting or a stage; ``moved`` is the zero after less the zero before, in mm."""

    kind: str
    setting: str
    moved: Estimate

    def sentence(self, unit: str = "mm") -> str:
        """Return what happened, with lengths in ``mm`` or ``thou``."""
        size = length(self.moved.value_mm, self.moved.expanded_u_mm(), unit)
        during, gauge, _ = zero_parts(zero_place(self.setting, AFTER))
        if self.kind == GAUGE_ZERO:
            return f"zero of {gauge or 'the gauge'} moved by {size} during the stage {during}; take its readings again"
        return f"zero{f' of {gauge}' if gauge else ''} moved by {size} during {during}; take its steps again"

    @property
    def what_to_do(self) -> str:
        """What to do about it."""
        return WHAT_TO_DO[self.kind]


def with_zeros(observations: Sequence[Observation]) -> list[Observation]:
    """Return the readings with the zeros of their gauge and round taken off; leaves have no zero.

    What the zero's own readings leave open is common to the round; half of what it moved may be left on any step.
    """
    zeros: defaultdict[tuple[str, str], list[Observation]] = defaultdict(list)
    for one in observations:
        if one.key.kind in ZERO_KINDS:
            zeros[one.gauge, one.round].append(one)
    return [
        _zeroed(one, own) if (own := zeros.get((one.gauge, one.round))) and _has_zero(one, own[0].key.kind) else one
        for one in observations
    ]


def _has_zero(one: Observation, kind: str) -> bool:
    return one.key.kind in STEPS if kind == FIXTURE_ZERO else one.low_mm is None and one.key.kind not in ZERO_KINDS


def _zeroed(one: Observation, zeros: Sequence[Observation]) -> Observation:
    by_place: defaultdict[str | None, list[float]] = defaultdict(list)
    for zero in zeros:
        by_place[zero.key.place].append(zero.value_mm - zero.bias_mm)
    means = [fmean(values) for values in by_place.values()]
    variances = [(zero.u_mm or 0.0) ** 2 + (zero.resolution_mm or 0.0) ** 2 / 12 for zero in zeros]
    own_u = math.sqrt(math.fsum(variances)) / len(zeros)
    return replace(
        one, bias_mm=one.bias_mm + fmean(means), zero_u_mm=math.hypot(one.zero_u_mm, own_u),
        zero_drift_mm=max(one.zero_drift_mm, (max(means) - min(means)) / 2),
    )  # fmt: skip


def moved_zeros(estimates: Mapping[FeatureKey, Estimate]) -> list[MovedZero]:
    """Return the settings whose zero moved by more than the indicator's uncertainty explains."""
    moved = []
    zeros = [(key, one) for key, one in estimates.items() if key.kind in ZERO_KINDS]
    before = {_zero_of(key): one for key, one in zeros if _when(key) == BEFORE}
    for key, after in zeros:
        earlier = before.get(_zero_of(key))
        if _when(key) != AFTER or earlier is None:
            continue
        change = combine([(1.0, after), (-1.0, earlier)])
        if change.known and abs(change.value_mm) > change.expanded_u_mm(SURE):
            setting, _, _ = (key.place or "").rpartition(", ")
            moved.append(MovedZero(kind=key.kind, setting=setting, moved=change))
    return moved


def _when(key: FeatureKey) -> str:
    return zero_parts(key.place or "")[2] if key.kind in ZERO_KINDS else ""


def _zero_of(key: FeatureKey) -> tuple[str, str, str]:
    """Return whose zero it is; the round has the gauge, which its place need not name."""
    return key.kind, zero_parts(key.place or "")[0], key.round


def moved_json(moved: Sequence[MovedZero]) -> list[dict[str, Any]]:
    """Return the zeros that moved as plain JSON values."""
    return [
        {
            "kind": one.kind,
            "setting": one.setting,
            "moved_mm": round(one.moved.value_mm, 9),
            "u_mm": round(one.moved.u_mm, 9),
        }
        for one in moved
    ]


def moved_flags(moved: Sequence[MovedZero]) -> list[dict[str, Any]]:
    """Return the zeros that moved as a page shows flags."""
    return [
        {"check": one.kind, "fret": None, "place": None, "text": one.sentence(), "text_in": one.sentence("thou"),
         "what_to_do": one.what_to_do, "value_mm": one.moved.value_mm, "expanded_u_mm": one.moved.expanded_u_mm()}
        for one in moved
    ]  # fmt: skip


def fixture_notes(instrument: Instrument) -> list[str]:
    """Say which steps the sheet leaves out because no setting of the shop's fixture serves them."""
    if not instrument.fixture.stated:
        return []
    unserved = instrument.fixture_plan.unserved
    return [
        f"the fixture cannot take the {words} at frets {frets_words(frets)}, so the sheet leaves them out; "
        "`fretledger fixture` says why"
        for reach, words in ((1, "steps"), (2, "long steps"))
        if (frets := [one.fret for one in unserved if one.reach == reach])
    ]
