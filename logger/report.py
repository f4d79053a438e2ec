"""Readings to verdicts: the one function that command line, page, record and export all call."""

import math
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Any

from logger.bare_tang import bare_tang_words
from logger.board_report import Arc, SlotFindings, arc_verdicts, find_arcs, find_slots, slot_verdicts
from logger.evaluation import fit, seating
from logger.evaluation.conformity import Judgement, Limits, both_sides, judge
from logger.evaluation.estimate import Estimate, combine
from logger.evaluation.observation import FeatureKey, Observation, Spread, estimate_feature, pooled_spread
from logger.evaluation.remembered import Remembered
from logger.evaluation.risk import VerdictRisks, verdict_risks
from logger.evaluation.statistics import Floats
from logger.features import FRETTED_KINDS, PLACES
from logger.fit_report import Fit, fit_of
from logger.fixture_report import MovedZero, moved_zeros, with_zeros
from logger.instrument import Instrument
from logger.levelling_report import Levelling, levelling_of
from logger.limits import MAGNITUDES, LimitSet
from logger.sentences import flag_sentence, in_the_way
from logger.string_report import StringFindings, find_strings, string_verdicts
from logger.survey_report import SURVEY_WAYS, Survey, hump_verdicts, survey_board
from logger.sweep_report import CROWN_WAYS, SWEEP_WAYS, Sweep, judge_sweep

SLOT_PLACES = (*PLACES, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckVerdict:
    """The verdict of one check at one fret and place (None for a whole-fret check).

    Attributes:
        flag: what is wrong, for a person; None unless the verdict is ``fail``.
        what_to_do: what to do about it; empty unless the verdict is ``fail``.
        features: what was measured for it.
    """

    check: str
    fret: int | None
    place: str | None
    judgement: Judgement
    flag: str | None
    what_to_do: str
    features: tuple[FeatureKey, ...]

    @property
    def key(self) -> tuple[str, int | None, str | None]:
        """Check, fret and place."""
        return self.check, self.fret, self.place

    @property
    def verdict(self) -> str:
        """``pass``, ``fail`` or ``remeasure``."""
        return self.judgement.verdict


class Judge:
    """Judge an instrument's readings; what did not change since the last call is not judged again.

    The result depends on the readings alone, never on earlier calls.
    """

    def __init__(self, instrument: Instrument, limits: LimitSet) -> None:
        self.instrument = instrument
        self.limits = limits
        self.estimates: Mapping[FeatureKey, Estimate] = {}
        self.sweep: Sweep | None = None
        self.moved_zeros: list[MovedZero] = []
        self.seated: frozenset[int] = frozenset()
        self.strings: list[StringFindings] = []
        self.slots: list[SlotFindings] = []
        self.arcs: list[Arc] = []
        self.survey: Survey | None = None
        self._readings: Mapping[FeatureKey, Sequence[Observation]] = {}
        self._spans: dict[FeatureKey, float | None] = {}
        self._estimates: dict[FeatureKey, tuple[object, Estimate]] = {}
        self._spreads: Mapping[tuple[str, str], Spread] = {}
        self._known = Remembered()

    def verdicts(self, observations: Iterable[Observation]) -> list[CheckVerdict]:
        """Return every verdict that the readings allow, ordered by check, fret and place."""
        estimates = self.estimates = self._estimate(with_zeros(list(observations)))
        self.moved_zeros = moved_zeros(estimates)
        self.seated = frozenset(key.fret for key in estimates if key.kind in FRETTED_KINDS and key.fret is not None)
        by_fret: defaultdict[int | None, list[Estimate]] = defaultdict(list)
        for key, estimate in estimates.items():
            by_fret[key.fret].append(estimate)
        wire = by_fret.pop(None, [])
        found: list[CheckVerdict] = []
        for fret, own in by_fret.items():
            if fret is not None:
                make = partial(self._fret_verdicts, estimates, fret)
                found += self._known.once(("fret", fret), (*wire, None, *own), make)
        found += self._board_verdicts(estimates)
        found += self._sweep_verdicts(estimates)
        order = {check: index for index, check in enumerate(self.limits)}
        places = {place: index for index, place in enumerate(SLOT_PLACES)}
        return sorted(found, key=lambda one: (order[one.check], one.fret or 0, places[one.place]))

    def levelling(self) -> Levelling | None:
        """Return what a levelling plan needs, as of the last call of `verdicts`; None where too little is known."""
        profile = self.sweep.sound if self.sweep else None
        return levelling_of(self.estimates, profile, self.survey, self.instrument)

    def fit(self, *, transfer: Floats | None = None) -> Fit:
        """Return how wire and slots fit, as of the last call of `verdicts`.

        Args:
            transfer: draws of the share of wedging that bends the neck; None for the prior.
        """
        return fit_of(self.estimates, self._readings, self.instrument, self.limits, transfer=transfer)

    def estimate(self, key: FeatureKey) -> Estimate | None:
        """Return the estimate of a feature as of the last call of `verdicts`, or None when it was never measured."""
        return self._estimates[key][1] if key in self._estimates else None

    def _estimate(self, observations: list[Observation]) -> dict[FeatureKey, Estimate]:
        spreads = self._spreads = pooled_spread(observations)
        grouped: defaultdict[FeatureKey, list[Observation]] = defaultdict(list)
        for one in observations:
            grouped[one.key].append(one)
        self._readings = grouped
        self._spans = {key: readings[0].span_mm for key, readings in grouped.items()}
        result: dict[FeatureKey, Estimate] = {}
        own: defaultdict[str, dict[tuple[str, str], Spread]] = defaultdict(dict)
        for pool, spread in spreads.items():
            own[pool[1]][pool] = spread
        for key, readings in grouped.items():
            result[key] = self._remembered(key, readings, own[key.kind])
        return result

    def _remembered(
        self, key: FeatureKey, readings: list[Observation], spreads: Mapping[tuple[str, str], Spread]
    ) -> Estimate:
        given = (readings, spreads)
        before = self._estimates.get(key)
        if before is None or before[0] != given:
            self._estimates[key] = (given, estimate_feature(readings, spreads))
        return self._estimates[key][1]

    def _by_round(self, estimates: Mapping[FeatureKey, Estimate], kinds: Collection[str]) -> dict[FeatureKey, Estimate]:
        """Return the features of some kinds, each round on its own: rounds have zeros of their own to disagree by."""
        found: dict[FeatureKey, Estimate] = {}
        for key, estimate in estimates.items():
            rounds = dict.fromkeys(one.round for one in self._readings[key]) if key.kind in kinds else ()
            if len(rounds) < 2:
                found[key] = estimate
                continue
            for name in rounds:
                of_round = replace(key, round=name)
                own = [replace(one, key=of_round) for one in self._readings[key] if one.round == name]
                found[of_round] = self._remembered(of_round, own, self._spreads)
        return found

    def _verdict(
        self, check: str, fret: int | None, place: str | None, judgement: Judgement, features: Sequence[FeatureKey]
    ) -> CheckVerdict:
        flag, todo = None, ""
        if judgement.verdict == "fail":
            fretted = in_the_way(check, fret, self.seated)
            flag, todo = flag_sentence(check, fret, place, judgement, self.limits[check], fretted=fretted)
            todo += bare_tang_words(check, fret, self.instrument)
        return CheckVerdict(
            check=check,
            fret=fret,
            place=place,
            judgement=judgement,
            flag=flag,
            what_to_do=todo,
            features=tuple(features),
        )

    def _fret_verdicts(self, estimates: Mapping[FeatureKey, Estimate], fret: int) -> list[CheckVerdict]:
        """Judge how wire and slot of a fret fit, and how it is seated: by its own estimates and those of no fret."""
        found = self._fit_verdicts(estimates, fret)
        found += self._seating_verdicts(estimates, fret)
        found += self._held_verdicts(estimates, fret)
        return found

    def _fit_verdicts(self, estimates: Mapping[FeatureKey, Estimate], fret: int) -> list[CheckVerdict]:
        tests = (
            ("tang_clearance", "slot_width", "tang_thickness", lambda slot, tang: fit.clearance(slot, tang)),
            ("barb_bite", "slot_width", "barb_span", lambda slot, span: fit.bite_per_side(span, slot)),
            ("slot_depth_spare", "slot_depth", "tang_depth", lambda slot, tang: fit.spare_depth(slot, tang)),
        )
        found: list[CheckVerdict] = []
        for check, slot_kind, wire_kind, formula in tests:
            wire_key, wire = _wire(estimates, wire_kind, fret)
            for place in SLOT_PLACES:
                slot_key = FeatureKey(kind=slot_kind, fret=fret, place=place)
                slot = estimates.get(slot_key)
                if slot is None or wire is None:
                    continue
                inputs = (slot, wire)

                def make(
                    check: str = check,
                    place: str | None = place,
                    slot: Estimate = slot,
                    wire: Estimate = wire,
                    keys: tuple[FeatureKey, ...] = (slot_key, wire_key),
                    formula: Callable[[Estimate, Estimate], Estimate] = formula,
                ) -> list[CheckVerdict]:
                    judgement = judge(formula(slot, wire), self.limits[check])
                    return [self._verdict(check, fret, place, judgement, keys)]

                found += self._known.once((check, fret, place), inputs, make, given=fret in self.seated)
        return found

    def _seating_verdicts(self, estimates: Mapping[FeatureKey, Estimate], fret: int) -> list[CheckVerdict]:
        keys = {place: seating.seated_key(fret, place) for place in PLACES}
        heights = {place: estimates[key] for place, key in keys.items() if key in estimates}
        crown_key, crown = _wire(estimates, "crown_height", fret)
        inputs = (*(heights.get(place) for place in PLACES), crown)
        features = tuple(key for key in (*keys.values(), crown_key) if key in estimates)
        return self._known.once(("seating", fret), inputs, lambda: self._seating(fret, heights, crown, features))

    def _seating(
        self, fret: int, heights: Mapping[str, Estimate], crown: Estimate | None, features: Sequence[FeatureKey]
    ) -> list[CheckVerdict]:
        found: list[CheckVerdict] = []
        for place in seating.END_PLACES:
            if place in heights:
                ended = seating.proud_end(heights[place], heights.get("centre"), crown, self.limits["proud_end"])
                if ended is not None:
                    found.append(self._verdict("proud_end", fret, place, ended, features))
        spread = seating.uneven(heights, self.limits["uneven_seating"])
        if spread is not None:
            found.append(self._verdict("uneven_seating", fret, None, _sized(spread), features))
        if "bass" in heights and "treble" in heights:
            tilt = seating.tilted(heights["bass"], heights["treble"], self.limits["tilted_fret"])
            found.append(self._verdict("tilted_fret", fret, None, _sized(tilt), features))
        if len(heights) == len(PLACES):
            three = heights["bass"], heights["centre"], heights["treble"]
            both = seating.both_ends_proud(*three, self.limits["both_ends_proud"])
            middle = seating.middle_high(*three, self.limits["middle_high"])
            found.append(self._verdict("both_ends_proud", fret, None, both, features))
            found.append(self._verdict("middle_high", fret, "centre", middle, features))
        return found

    def _held_verdicts(self, estimates: Mapping[FeatureKey, Estimate], fret: int) -> list[CheckVerdict]:
        """Judge whether a fret holds: heights free and pressed down, and leaves under its ends."""
        found: list[CheckVerdict] = []
        for place in PLACES:
            keys = seating.seated_key(fret, place), FeatureKey(kind="pressed_height", fret=fret, place=place)
            if all(key in estimates for key in keys):
                held = seating.loose(estimates[keys[0]], estimates[keys[1]], self.limits["loose_fret"])
                found.append(self._verdict("loose_fret", fret, place, held, keys))
            lift = FeatureKey(kind="end_lift", fret=fret, place=place)
            if lift in estimates:
                judgement = judge(estimates[lift], self.limits["lifted_end"])
                found.append(self._verdict("lifted_end", fret, place, judgement, (lift,)))
        return found

    def _board_verdicts(self, estimates: Mapping[FeatureKey, Estimate]) -> list[CheckVerdict]:
        self.slots = find_slots(estimates, self.instrument)
        self.arcs = find_arcs(estimates, self._spans, self.instrument)
        self.survey, humps = self._surveyed(estimates)
        verdicts = *slot_verdicts(self.slots, self.limits), *arc_verdicts(self.arcs, self.limits)
        return [*(self._verdict(*one) for one in verdicts), *humps]

    def _surveyed(self, estimates: Mapping[FeatureKey, Estimate]) -> tuple[Survey | None, list[CheckVerdict]]:
        """Return the survey of the bare board and the verdicts on its humps."""

        def make() -> tuple[Survey | None, list[CheckVerdict]]:
            rounds = self._by_round(estimates, SURVEY_WAYS)
            survey = survey_board(rounds, self.instrument, known=self._known.within("survey"))
            return survey, [self._verdict(*one) for one in hump_verdicts(survey, self.limits)]

        return self._known.once("survey", _of_kinds(estimates, SURVEY_WAYS), make, given=bool(self.seated))

    def _sweep_verdicts(self, estimates: Mapping[FeatureKey, Estimate]) -> list[CheckVerdict]:
        board = self.survey.placed if self.survey and self.instrument.sheet.board_as_fretted else ()
        kinds = SWEEP_WAYS if not board else {**SWEEP_WAYS, **SURVEY_WAYS, **CROWN_WAYS}

        def make() -> list[CheckVerdict]:
            self.sweep = judge_sweep(
                self._by_round(estimates, kinds), self.instrument, self.limits, board, known=self._known.within("sweep")
            )
            self.strings = find_strings(self.sweep.sound if self.sweep else None, self.instrument)
            of_strings = [self._verdict(*one) for one in string_verdicts(self.strings, self.limits)]
            swept = [self._known.once(("swept", *one[:3]), (one,), partial(self._verdict, *one))
                     for one in (self.sweep.verdicts if self.sweep else ())]  # fmt: skip
            return [*swept, *of_strings]

        return self._known.once("sweep", _of_kinds(estimates, kinds), make)


def _of_kinds(estimates: Mapping[FeatureKey, Estimate], kinds: Collection[str]) -> tuple[Estimate, ...]:
    return tuple(estimate for key, estimate in estimates.items() if key.kind in kinds)


def _wire(estimates: Mapping[FeatureKey, Estimate], kind: str, fret: int) -> tuple[FeatureKey, Estimate | None]:
    """Return the wire's estimate: of this fret's own piece when it was measured, else of the wire."""
    own = FeatureKey(kind=kind, fret=fret)
    if own in estimates:
        return own, estimates[own]
    general = FeatureKey(kind=kind)
    return general, estimates.get(general)


def _sized(judgement: Judgement) -> Judgement:
    """Return the judgement with the size of its difference, whatever the sign."""
    if judgement.estimate.value_mm >= 0:
        return judgement
    turned = combine([(-1.0, judgement.estimate)])
    return replace(judgement, estimate=turned)


def risks_of(check: str, limits: Limits, u_mm: float | None) -> VerdictRisks | None:
    """Return how often verdicts with standard uncertainty ``u_mm`` go wrong over the process that the limits state.

    The process of a size is that of the signed difference, which is judged on both sides. None where no process is
    stated or the uncertainty is not known; a gauge without any error is never wrong.
    """
    process = limits.process
    if process is None or u_mm is None:
        return None
    if u_mm == 0:
        return VerdictRisks(false_pass=0.0, false_fail=0.0, remeasure=0.0)
    signed = both_sides(limits) if check in MAGNITUDES else limits
    return verdict_risks(process_mean=process.mean_mm, process_sd=process.sd_mm, u=u_mm, limits=signed)


def _risk_json(check: str, limits: Limits | None, u_mm: float | None) -> dict[str, float] | None:
    risks = None if limits is None else risks_of(check, limits, u_mm)
    return None if risks is None else {name: round(value, 6) for name, value in asdict(risks).items()}


def verdict_json(one: CheckVerdict, limits: Limits | None = None) -> dict[str, Any]:
    """Return a verdict as plain JSON values; what is not known is null.

    ``risk`` is over the process that ``limits`` state: the shares that are passed though out of the limits (consumer's
    risk), failed though within them (producer's risk), and to be measured again.
    """
    estimate = one.judgement.estimate
    expanded = one.judgement.expanded_u_mm
    return {
        "check": one.check, "fret": one.fret, "place": one.place, "value_mm": round(estimate.value_mm, 9),
        "u_mm": round(estimate.u_mm, 9) if estimate.known else None,
        "U_mm": None if expanded is None else round(expanded, 9),
        "dof": _finite(estimate.dof) if estimate.known else None,
        "budget": [{"cause": words, "u_mm": round(u_mm, 9), "share": round(share, 6)}
                   for words, u_mm, share in estimate.budget()] if estimate.known else [],
        "repeats_to_settle": one.judgement.repeats_to_settle,
        "p": one.judgement.p, "verdict": one.verdict, "flag": one.flag,
        "risk": _risk_json(one.check, limits, estimate.u_mm if estimate.known else None),
    }  # fmt: skip


def _finite(dof: float) -> float | None:
    """Return degrees of freedom as JSON can say them; None stands for as many as one likes."""
    return None if math.isinf(dof) else round(dof, 3)


def flags(verdicts: Iterable[CheckVerdict]) -> list[CheckVerdict]:
    """Return the failed checks."""
    return [one for one in verdicts if one.verdict == "fail"]
