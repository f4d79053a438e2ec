"""What the survey of the bare board says: heights, hump, fall-away, twist and straightness."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

from logger.board_report import BoardVerdict
from logger.evaluation.board_survey import Hump, Straight, fall_away, find_hump, straightness_of, twist
from logger.evaluation.conformity import judge
from logger.evaluation.estimate import Estimate
from logger.evaluation.observation import FeatureKey
from logger.evaluation.remembered import Remembered
from logger.evaluation.sweep import Path, Placed, Profile, Way, place_features, solve
from logger.instrument import Instrument
from logger.limits import LimitSet
from logger.sweep_report import profile_json, solve_profile, suspects_json

SURVEY_WAYS: Final[Mapping[str, Way]] = {"board_step": "step", "board_gap": "gap", "board_beam": "beam"}


@dataclass(frozen=True, kw_only=True)
class Survey:
    """The bare board as surveyed."""

    instrument: Instrument
    placed: tuple[Placed, ...]
    profile: Profile

    @cached_property
    def humps(self) -> list[Hump]:
        """The highest place around the join, by path; empty without a join."""
        join = self.instrument.join_fret
        if join is None:
            return []
        positions = self.instrument.positions_of
        found = [find_hump(self.profile, path, positions(path), join) for path in self.paths]
        return [one for one in found if one is not None]

    @property
    def paths(self) -> list[Path]:
        """The paths that were surveyed."""
        return list(dict.fromkeys(path for path, _ in self.profile.places))

    @cached_property
    def twist(self) -> Estimate | None:
        """How far the treble side rises over the bass side along the board; None where the readings do not tell."""
        if not {"bass", "treble"} <= set(self.paths):
            return None
        return twist(solve(self.placed, self.instrument.positions_of, level="bass"))

    def straightness(self, path: Path) -> Straight | None:
        """Return how straight a path is."""
        return straightness_of(self.profile, path, self.instrument.positions_of(path))

    def fall_away(self, path: Path) -> Estimate | None:
        """Return how far the board drops beyond the join on a path."""
        join = self.instrument.join_fret
        return None if join is None else fall_away(self.profile, path, self.instrument.positions_of(path), join)


def survey_board(
    estimates: Mapping[FeatureKey, Estimate], instrument: Instrument, *, known: Remembered | None = None
) -> Survey | None:
    """Return the survey of the bare board, or None where too little of it was measured.

    Args:
        estimates: every feature of the instrument.
        instrument: positions and the height of blocks.
        known: what is remembered of the same instrument.
    """
    placed = place_features(
        estimates, instrument.positions_of, SURVEY_WAYS, block_mm=instrument.sheet.block_mm, known=known
    )
    profile = solve_profile(placed, instrument) if placed else None
    return None if profile is None else Survey(instrument=instrument, placed=tuple(placed), profile=profile)


def hump_verdicts(survey: Survey | None, limits: LimitSet) -> Iterable[BoardVerdict]:
    """Give a verdict on the hump of every path."""
    for one in survey.humps if survey else ():
        keys = (
            tuple(dict.fromkeys(each.feature for each in survey.placed if each.key.place == one.path)) if survey else ()
        )
        yield "hump", one.fret, one.path, judge(one.height, limits["hump"]), keys


def _size(one: Estimate | None) -> dict[str, float | None] | None:
    if one is None or not one.known:
        return None
    return {"value_mm": round(one.value_mm, 9), "U_mm": round(one.expanded_u_mm(), 9)}


def survey_json(survey: Survey | None) -> dict[str, Any] | None:
    """Return the survey as plain JSON values."""
    if survey is None:
        return None
    return {
        "profile": profile_json(survey.profile),
        "suspects": suspects_json(survey.profile),
        "humps": [{"place": one.path, "fret": one.fret, "first": one.first, "last": one.last,
                   "height": _size(one.height)} for one in survey.humps],
        "fall_away": [{"place": path, "drop": _size(survey.fall_away(path))} for path in survey.paths],
        "twist": _size(survey.twist),
        "straightness": [_straight_json(path, survey.straightness(path)) for path in survey.paths],
    }  # fmt: skip


def _straight_json(path: Path, one: Straight | None) -> dict[str, Any]:
    if one is None:
        return {"place": path, "minimum_zone_mm": None, "least_squares_mm": None}
    return {
        "place": path, "minimum_zone_mm": round(one.minimum_zone_mm, 6),
        "u_minimum_zone_mm": round(one.u_minimum_zone_mm, 6), "least_squares_mm": round(one.least_squares_mm, 6),
        "u_least_squares_mm": round(one.u_least_squares_mm, 6),
    }  # fmt: skip
