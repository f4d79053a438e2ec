"""What the sweep says: verdicts on high and low frets, faults by fret, heights, suspects, and what to measure next."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any, Final

import numpy as np

from logger.errors import InsufficientDataError
from logger.evaluation.conformity import Judgement, decide, judge_each, p_conform
from logger.evaluation.deviations import FretDeviation, Sighting, explain_paths
from logger.evaluation.estimate import Estimate
from logger.evaluation.fret_kinds import FretFault, name_faults
from logger.evaluation.observation import FeatureKey
from logger.evaluation.remembered import Remembered
from logger.evaluation.sweep import (
    Candidate,
    Path,
    Placed,
    Profile,
    Way,
    best_next,
    place_features,
    solve,
    tie_to_board,
    zero_errors,
)
from logger.instrument import Instrument
from logger.limits import LimitSet

SWEEP_WAYS: Final[Mapping[str, Way]] = {"fret_step": "step", "straightedge_gap": "gap", "beam_height": "beam"}
CROWN_WAYS: Final[Mapping[str, Way]] = {"seated_height": "crown"}
CHECKS: Final = ("high_fret", "low_fret")
CONTRADICTED: Final = "a reading here does not fit the others: measure it again"

SweepVerdict = tuple[str, int, Path, Judgement, tuple[FeatureKey, ...]]


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """The sweep of a neck as judged.

    Attributes:
        instrument: the instrument.
        placed: the features behind it.
        profile: the heights, or None where a single station was measured.
        deviations: every fret's deviation, by path.
        verdicts: check, fret, path, judgement and the features behind it.
        ways: how the kinds of feature measure.
    """

    instrument: Instrument
    placed: tuple[Placed, ...]
    profile: Profile | None
    deviations: Mapping[Path, Sequence[FretDeviation]]
    verdicts: tuple[SweepVerdict, ...]

    @cached_property
    def faults(self) -> list[FretFault]:
        """What stands off, by fret: the fewest deviations that explain the readings."""
        by_fret: dict[int, dict[Path, FretDeviation]] = {}
        for path, found in self.deviations.items():
            for one in found:
                by_fret.setdefault(one.fret, {})[path] = one
        faults: list[FretFault] = []
        for fret in sorted(by_fret):
            on = by_fret[fret]
            named = [path for path, one in on.items() if one.named]
            faults += name_faults(fret, {path: one.deviation for path, one in on.items()}, named) if fret else []
        return faults

    @cached_property
    def sound(self) -> Profile | None:
        """The heights without the readings that do not fit, where the others tell every height; else with all."""
        doubtful = doubtful_keys(self.profile)
        if self.profile is None or not doubtful:
            return self.profile
        kept = solve_profile([one for one in self.profile.placed if one.key not in doubtful], self.instrument)
        if kept is None or kept.unknown() or set(kept.places) != set(self.profile.places):
            return self.profile
        return kept

    @cached_property
    def next_best(self) -> Candidate | None:
        """The further reading that helps most."""
        if self.profile is None:
            return None
        open_ones = [(path, fret) for _, fret, path, judgement, _ in self.verdicts if judgement.verdict == "remeasure"]
        positions = self.instrument.positions_of
        found = best_next(self.profile, positions, list(dict.fromkeys(open_ones)))
        return found or best_next(self.profile, positions, [])


def judge_sweep(
    estimates: Mapping[FeatureKey, Estimate], instrument: Instrument, limits: LimitSet, board: Sequence[Placed] = (),
    *, known: Remembered | None = None,
) -> Sweep | None:  # fmt: skip
    """Return the judged sweep, or None where nothing of it was measured.

    Args:
        estimates: every feature of the instrument.
        instrument: positions and the shape wanted.
        limits: of ``high_fret`` and ``low_fret``.
        board: the survey of the bare board, if there is one; with it the crowns' heights above the board count, too.
        known: what is remembered of the same instrument and limits; the verdicts of a path to which nothing came are
            then the very same.
    """
    known = known or Remembered()
    placed = place_features(
        estimates, instrument.positions_of, SWEEP_WAYS, block_mm=instrument.sheet.block_mm, known=known
    )
    if not placed:
        return None
    crowns = place_features(estimates, instrument.positions_of, CROWN_WAYS) if board else ()
    swept = {(one.key.place, fret) for one in placed for fret in one.sighting.heights}
    tied = tie_to_board([one for one in crowns if (one.key.place, one.key.fret) in swept], board)
    profile = solve_profile([*placed, *tied], instrument)
    deviations = _explained(placed, doubtful_keys(profile), instrument, limits, known)
    verdicts = [verdict for path in deviations for verdict in _verdicts(path, deviations[path], placed, limits, known)]
    return Sweep(
        instrument=instrument, placed=tuple(placed), profile=profile, deviations=deviations, verdicts=tuple(verdicts)
    )


def doubtful_keys(profile: Profile | None) -> set[FeatureKey]:
    """Return what was measured by readings that do not fit, and by those that could be wrong in their place."""
    return {key for one in (profile.suspects if profile else ()) for key in (one.key, *one.alike)}


def solve_profile(placed: Sequence[Placed], instrument: Instrument) -> Profile | None:
    """Return the heights, or None where the readings name a single station."""
    try:
        return solve(placed, instrument.positions_of)
    except InsufficientDataError:
        return None


def _explained(
    placed: Sequence[Placed], doubtful: set[FeatureKey], instrument: Instrument, limits: LimitSet, known: Remembered
) -> dict[Path, list[FretDeviation]]:
    """Return the deviations by path; one that hangs on a doubtful reading is not known."""
    found = _explain(placed, instrument, known)
    sound = [one for one in placed if one.key not in doubtful]
    if len(sound) == len(placed):
        return found
    without = _explain(sound, instrument, known.within("sound"))
    return {
        path: known.once(("doubted", path), (own, without.get(path)), partial(_doubts, own, without.get(path), limits))
        for path, own in found.items()
    }


def _doubts(
    own: Sequence[FretDeviation], without: Sequence[FretDeviation] | None, limits: LimitSet
) -> list[FretDeviation]:
    others = {one.fret: one for one in without or ()}
    return [_doubted(one, others.get(one.fret), limits) for one in own]


def _doubted(one: FretDeviation, other: FretDeviation | None, limits: LimitSet) -> FretDeviation:
    if other is not None and _says(one, limits) == _says(other, limits) and _alike(one.deviation, other.deviation):
        return one
    return replace(one, deviation=replace(one.deviation, known=False, doubt=CONTRADICTED))


def _alike(one: Estimate, other: Estimate) -> bool:
    return abs(one.value_mm - other.value_mm) <= max(one.expanded_u_mm(), other.expanded_u_mm())


def _explain(placed: Sequence[Placed], instrument: Instrument, known: Remembered) -> dict[Path, list[FretDeviation]]:
    paths: dict[Path, list[Sighting]] = {}
    for one in placed:
        paths.setdefault(one.key.place, []).append(one.sighting)
    shapes = {path: instrument.shape_mm(path) for path in paths}
    return explain_paths(paths, instrument.positions_of, shapes, ends=tuple({1, instrument.frets}), known=known)


def _says(one: FretDeviation, limits: LimitSet) -> tuple[str, ...]:
    return tuple(decide(p_conform(one.deviation, limits[check]), limits[check]) for check in CHECKS)


def _verdicts(
    path: Path, deviations: Sequence[FretDeviation], placed: Sequence[Placed], limits: LimitSet, known: Remembered
) -> list[SweepVerdict]:
    own = tuple(one for one in placed if one.key.place == path)
    return known.once(
        ("verdicts", path), (deviations, *own), lambda: list(_of_path(path, deviations, own, limits))
    )  # fmt: skip


def _of_path(
    path: Path, deviations: Iterable[FretDeviation], own: Sequence[Placed], limits: LimitSet
) -> Iterable[SweepVerdict]:
    for one in deviations:
        if one.fret < 1:
            continue  # the nut is not a fret
        behind = (each for each in own if each.sighting.heights.get(one.fret))
        keys = tuple(dict.fromkeys(each.feature for each in behind))
        judgements = judge_each(one.deviation, [limits[check] for check in CHECKS])
        for check, judgement in zip(CHECKS, judgements, strict=True):
            yield check, one.fret, path, judgement, keys


# -- as JSON ---------------------------------------------------------------------------------------------------------


def _mm(value: float) -> float | None:
    return round(value, 9) if np.isfinite(value) else None


def key_json(key: FeatureKey) -> dict[str, Any]:
    """Return a feature as plain JSON values."""
    return {"kind": key.kind, "fret": key.fret, "place": key.place, "feet": list(key.feet) if key.feet else None}


def profile_json(profile: Profile | None) -> list[dict[str, Any]]:
    """Return the heights per path and fret above the chord through its first and last fret; unknown ones are null."""
    if profile is None:
        return []
    found = profile.adjustment
    return [
        {"fret": fret, "place": path, "height_mm": _mm(float(height)), "u_mm": _mm(float(u))}
        for (path, fret), height, u in zip(profile.places, found.heights_mm, found.u_mm(), strict=True) if fret
    ]  # fmt: skip


def covariance_json(profile: Profile | None) -> list[list[float | None]]:
    """Return the covariance of the heights of `profile_json` in mm^2, in its order; unknown ones are null."""
    if profile is None:
        return []
    rows = [index for index, (_, fret) in enumerate(profile.places) if fret]
    kept = profile.adjustment.covariance_mm2[np.ix_(rows, rows)]
    return [[float(value) if np.isfinite(value) else None for value in row] for row in kept]


def sweep_json(sweep: Sweep | None) -> dict[str, Any]:
    """Return what the sweep says as plain JSON values."""
    profile = sweep.profile if sweep else None
    return {
        "profile": profile_json(profile),
        "deviations": [_fault_json(one) for one in (sweep.faults if sweep else [])],
        "zero_errors": _zeros_json(profile),
        "suspects": suspects_json(profile),
        "inseparable": _inseparable_json(profile),
        "fit_of_the_whole": None if profile is None else {
            "chi_square": round(profile.adjustment.chi_square, 6), "dof": profile.adjustment.dof,
            "p": profile.adjustment.p_value,
        },
        "next_best": _next_json(sweep.next_best if sweep else None),
    }  # fmt: skip


def _fault_json(one: FretFault) -> dict[str, Any]:
    u = one.size.u_mm if one.size.known else None
    return {"fret": one.fret, "place": one.place, "kind": one.kind, "size_mm": _mm(one.size.value_mm),
            "u_mm": None if u is None else _mm(u)}  # fmt: skip


def _zeros_json(profile: Profile | None) -> list[dict[str, Any]]:
    found = zero_errors(profile) if profile else {}
    return [
        {"gauge": name.partition("\n")[0], "round": name.partition("\n")[2], "value_mm": _mm(value), "u_mm": _mm(u)}
        for name, (value, u) in found.items()
    ]


def suspects_json(profile: Profile | None) -> list[dict[str, Any]]:
    """Return the readings that do not fit as plain JSON values."""
    return [_suspect_json(one) for one in (profile.suspects if profile else ())]


def _suspect_json(one: Any) -> dict[str, Any]:
    return {**key_json(one.key), "off_mm": _mm(one.off_mm), "standardised": round(one.standardised, 3)}


def _inseparable_json(profile: Profile | None) -> list[list[dict[str, Any]]]:
    groups = [(one.key, *one.alike) for one in (profile.suspects if profile else ()) if one.alike]
    return [[key_json(key) for key in group] for group in groups]


def _next_json(one: Candidate | None) -> dict[str, Any] | None:
    if one is None:
        return None
    kind = {"step": "fret_step", "gap": "straightedge_gap", "beam": "beam_height"}[one.way]
    return {"kind": kind, "fret": one.fret, "feet": list(one.feet), "place": one.path, "gain": one.gain_mm2,
            "share": round(one.share, 6)}  # fmt: skip
