"""What there is to show, as one plain mapping: what to do next, the last readings, verdicts, flags and gauges."""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from typing import Any, Final

from logger.evaluation.conformity import least_conforming
from logger.evaluation.estimate import Estimate
from logger.evaluation.observation import FeatureKey
from logger.evaluation.remembered import Remembered
from logger.features import KINDS, NM_PER, STUDY
from logger.fixture_report import MovedZero, moved_flags
from logger.instrument import Instrument
from logger.kept import feature_of, key_of
from logger.limits import LimitSet
from logger.next_steps import next_steps
from logger.queries import Asker
from logger.recorder import Kept
from logger.report import CheckVerdict
from logger.sentences import RULES, flag_sentence, reason, settle
from logger.sheet import Item, Progress
from logger.store import KeptReading, ReadingRow
from logger.study_session import OpenStudy
from logger.sweep_report import CHECKS as HEIGHT_CHECKS

RECENT: Final = 8

STAGE_WORDS: Final = {
    "wire": "Wire",
    "board": "Board",
    "slots": "Slots",
    "seating": "Seating",
    "sweep": "Sweep",
    "study": "Study",
}
GAUGE_WORDS: Final = {
    "caliper": "caliper", "depth_indicator": "indicator in its depth base", "rocker": "indicator on the rocker fixture",
    "leaves": "leaves, typed",
}  # fmt: skip
STUDY_HOW: Final = "measure the part as if for the first time, at the same spot, without looking at earlier readings"
_DUST: Final = "Rosewood and ebony dust are sensitisers: extraction and a respirator."
DANGERS: Final = {
    "wire": "Clipped wire ends fly: wear glasses. Nickel silver contains nickel, an allergen.",
    "board": _DUST,
    "slots": _DUST,
    "seating": "Presses pinch. Thin cyanoacrylate: eyes, skin bonds, fumes; glasses, ventilation, solvent at hand.",
    "sweep": "Press-test before you level: levelling a loose fret is the classic mistake. Files and stainless wire "
    "throw splinters: wear glasses.",
}
"""What can go wrong or hurt, by stage; common practice, no source."""
CAUTIONS: Final = {name: f"{danger} {RULES}" for name, danger in DANGERS.items()}
"""The same with who decides, as it is shown at a stage."""
PROTECTED: Final = "Some rosewoods and ebonies are protected species: papers may be needed to sell or ship."
"""For the record, which goes with an instrument that leaves the shop; common practice, no source."""


def cautions_of(stages: Collection[str]) -> list[str]:
    """Return what the record of an instrument warns of: each danger of its stages once, and who decides at the end."""
    return [*dict.fromkeys(told for stage, told in DANGERS.items() if stage in stages), f"{PROTECTED} {RULES}"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What stays the same through a sitting, and who asks about readings in it."""

    store: str
    boot: str
    instrument: Instrument
    limits: LimitSet
    demo: bool = False
    asker: Asker = field(default_factory=Asker)
    cells: Remembered = field(default_factory=Remembered)


def build(
    scene: Scene, version: int, kept: Kept, verdicts: Sequence[CheckVerdict], item: Item | None,
    progress: Sequence[Progress], gauges: Sequence[Mapping[str, Any]], trouble: str = "",
    estimate: Callable[[FeatureKey], Estimate | None] = lambda _key: None, moved: Sequence[MovedZero] = (),
) -> dict[str, Any]:  # fmt: skip
    """Return the snapshot; only plain JSON values. ``estimate`` gives what is known of a feature.

    ``moved`` are the zeros of the fixture that moved.
    """
    by_fret = _by_fret(verdicts)
    newest = list(reversed(kept.readings))
    shown = [_reading(one, by_fret, scene) for one in newest[:RECENT]]
    last = shown[0] | {"expanded_u_mm": _expanded(newest[0], estimate)} if shown else None
    touched = _touched(newest[0].row, by_fret) if shown and newest[0].taken_back is None else []
    stage = item.stage if item else ""
    return {
        "version": version, "store": scene.store, "boot": scene.boot, "seq": len(kept.readings),
        "bad_seq": _last_bad(kept.readings, verdicts),
        "instrument": {
            "name": scene.instrument.name, "kind": scene.instrument.kind, "frets": scene.instrument.frets,
            "join_fret": scene.instrument.join_fret, "scale_mm": scene.instrument.scale_mm,
        },
        "demo": scene.demo, "state": "measuring" if item else "done", "stage": stage,
        "stages": [{"name": one.stage, "words": STAGE_WORDS[one.stage], "done": one.done, "skipped": one.skipped,
                    "of": one.of} for one in progress],
        "caution": DANGERS.get(stage), "decides": RULES, "next": _next(item),
        "after": [] if item else next_steps(verdicts, progress), "last": last, "recent": shown,
        "gauges": list(gauges),
        "flags": [*moved_flags(moved), *(_flag(one, scene) for one in verdicts if one.verdict == "fail")],
        "cells": [scene.cells.once(one.key, (one,), partial(_cell, one)) for one in verdicts],
        "budgets": dict(_budget(one) for one in touched),
        "queries": [one.json() for one in scene.asker.suspects(kept.readings, kept.specs, kept.answered)],
        "skipped": kept.skipped.words() if kept.skipped else None,
        "limits": {check: [one.lower_mm, one.upper_mm] for check, one in scene.limits.items()},
        "waiting": kept.waiting, "trouble": trouble,
    }  # fmt: skip


def _budget(one: CheckVerdict) -> tuple[str, list[list[Any]]]:
    """Return ``check|fret|place`` and the parts of a verdict's uncertainty: words, mm, percent of the variance."""
    estimate = one.judgement.estimate
    parts = estimate.budget() if estimate.known else []
    shown = [[words, round(u_mm, 6), round(100 * share, 1)] for words, u_mm, share in parts]
    return f"{one.check}|{'' if one.fret is None else one.fret}|{one.place or ''}", shown


def _expanded(one: KeptReading, estimate: Callable[[FeatureKey], Estimate | None]) -> float | None:
    """Return the 95 % uncertainty in mm of the feature that a reading is of."""
    key = key_of(one.row)
    known = None if key is None or one.taken_back is not None else estimate(key)
    return known.expanded_u_mm() if known is not None and known.known else None


def _by_fret(verdicts: Iterable[CheckVerdict]) -> dict[int | None, list[CheckVerdict]]:
    found: defaultdict[int | None, list[CheckVerdict]] = defaultdict(list)
    for one in verdicts:
        found[one.fret].append(one)
    return found


def _touched(row: ReadingRow, by_fret: Mapping[int | None, Sequence[CheckVerdict]]) -> list[CheckVerdict]:
    """Return the verdicts that speak of the very place a reading was taken at."""
    key = key_of(row)
    if key is None:
        return []
    return [one for one in by_fret.get(row.fret, ()) if one.place in {row.place, None} and key in one.features]


def _last_bad(readings: Sequence[KeptReading], verdicts: Sequence[CheckVerdict]) -> int:
    """Return the count at which the newest reading with a failed check came, or 0."""
    failed = [one for one in verdicts if one.verdict == "fail"]
    by_fret = _by_fret(failed)
    bad = {(key.kind, key.fret, key.place) for one in failed for key in one.features}
    for count in range(len(readings), 0, -1):
        one = readings[count - 1]
        if (one.row.kind, one.row.fret, one.row.place) not in bad or one.taken_back is not None:
            continue
        if _touched(one.row, by_fret):
            return count
    return 0


def _reading(
    one: KeptReading, by_fret: Mapping[int | None, Sequence[CheckVerdict]], scene: Scene
) -> dict[str, Any]:  # fmt: skip
    row, feature = one.row, feature_of(one.row)
    worst = _worst(_touched(row, by_fret)) if one.taken_back is None else None
    return {
        "gauge": row.gauge, "sequence": row.sequence, "kind": row.kind, "fret": row.fret, "place": row.place,
        "feet": None if feature is None or feature.feet is None else list(feature.feet),
        "words": feature.words() if feature else "kept, belongs to no feature yet", "value_nm": row.value_nm,
        "low_nm": row.low_nm, "high_nm": row.high_nm, "unit": row.unit,
        "taken_at": datetime.fromtimestamp(row.taken_at_ns / 1e9, UTC).isoformat(timespec="milliseconds"),
        "unassigned": feature is None, "taken_back": one.taken_back is not None,
        "shadow_of": _shadow_of(row, by_fret) if worst else [], **_verdict_words(worst, scene),
    }  # fmt: skip


def _shadow_of(row: ReadingRow, by_fret: Mapping[int | None, Sequence[CheckVerdict]]) -> list[int]:
    """Return the neighbours that explain a step which is larger than what its own fret stands off: they do, surely.

    A step beside a fret that stands off is small, or large, for the fret's own part only.
    """
    if row.kind != "fret_step" or row.fret is None:
        return []
    own = [_height(one) for one in by_fret.get(row.fret, ()) if _stands_off(one, row)]
    if not own or abs(row.value_nm / NM_PER["mm"] - own[0][0]) <= own[0][1]:
        return []
    return [fret for fret in (row.fret - 1, row.fret + 1)
            if any(_stands_off(one, row) and abs(mm) > u_mm
                   for one in by_fret.get(fret, ()) for mm, u_mm in (_height(one),))]  # fmt: skip


def _stands_off(one: CheckVerdict, row: ReadingRow) -> bool:
    return one.check in HEIGHT_CHECKS and one.place == row.place


def _height(one: CheckVerdict) -> tuple[float, float]:
    """Return how far a fret stands off and its expanded uncertainty, both in mm."""
    return one.judgement.estimate.value_mm, one.judgement.expanded_u_mm or 0.0


def _worst(verdicts: Sequence[CheckVerdict]) -> CheckVerdict | None:
    if not verdicts:
        return None
    least = least_conforming([one.judgement for one in verdicts])
    return next(one for one in verdicts if one.judgement is least)


def _verdict_words(one: CheckVerdict | None, scene: Scene) -> dict[str, Any]:
    if one is None:
        return {"verdict": None, "because": "", "because_in": "", "settle": ""}
    if one.verdict == "fail":
        words = [
            flag_sentence(one.check, one.fret, one.place, one.judgement, scene.limits[one.check], unit=unit)[0]
            for unit in ("mm", "thou")
        ]
    else:
        words = [reason(one.check, one.judgement, unit=unit) for unit in ("mm", "thou")]
    return {"verdict": one.verdict, "because": words[0], "because_in": words[1], "settle": settle(one.judgement)}


def _next(item: Item | None) -> dict[str, Any] | None:
    if item is None:
        return None
    feature = item.feature
    if feature.kind == STUDY:
        return _next_of_study(item)
    kind, gauge = KINDS[feature.kind], item.gauge_kind
    return {
        "kind": feature.kind, "fret": feature.fret, "place": feature.place, "words": feature.words(), "how": kind.how,
        "feet": None if feature.feet is None else list(feature.feet),
        "gauge_words": item.gauge or GAUGE_WORDS[gauge], "gauge_kind": gauge, "gauge": item.gauge,
        "repeat": item.repeat, "of": item.of, "bracket": gauge == "leaves", "setting": item.setting or None,
        "set_feet_mm": item.feet_mm,
    }  # fmt: skip


def _next_of_study(item: Item) -> dict[str, Any]:
    feature = item.feature
    return {
        "kind": STUDY, "fret": feature.fret, "place": feature.place, "words": feature.words(), "how": STUDY_HOW,
        "gauge_words": "the gauge under study", "gauge_kind": "", "repeat": item.repeat, "of": item.of,
        "bracket": False,
    }  # fmt: skip


def beside(
    snapshot: Mapping[str, Any], kept: Kept, item: Item | None, gauges: Sequence[Mapping[str, Any]],
    climate: Mapping[str, Any] | None, study: OpenStudy | None,
) -> dict[str, Any]:  # fmt: skip
    """Return a snapshot with what stands beside the instrument: named gauges, the climate, a repeatability study."""
    more = {**snapshot, "gauge_records": list(gauges), "climate": climate, "study": None}
    if study is None:
        return more
    more["study"] = study.snapshot(kept.readings, item)
    if item is not None:
        more["next"] = {**more["next"], "words": _named(item.feature.words(), item.feature.fret, study),
                        "gauge_words": study.plan.gauge}  # fmt: skip
    more["recent"] = [_with_part(one, study) for one in more["recent"]]
    if more["last"] is not None:
        more["last"] = _with_part(more["last"], study)
    return more


def _with_part(reading: Mapping[str, Any], study: OpenStudy) -> dict[str, Any]:
    if reading["kind"] != STUDY:
        return dict(reading)
    return {**reading, "words": _named(reading["words"], reading["fret"], study)}


def _named(words: str, number: int | None, study: OpenStudy) -> str:
    """Return a study reading's words with the part's own name for its number."""
    return words.replace(f"part {number}", f"part {study.plan.parts[(number or 1) - 1]}", 1)


def _flag(one: CheckVerdict, scene: Scene) -> dict[str, Any]:
    judgement = one.judgement
    text_in, _ = flag_sentence(one.check, one.fret, one.place, judgement, scene.limits[one.check], unit="thou")
    return {
        "check": one.check, "fret": one.fret, "place": one.place, "text": one.flag, "text_in": text_in,
        "what_to_do": one.what_to_do, "value_mm": judgement.estimate.value_mm,
        "expanded_u_mm": judgement.expanded_u_mm,
    }  # fmt: skip


def _cell(one: CheckVerdict) -> list[Any]:
    judgement = one.judgement
    return [
        one.check,
        one.fret,
        one.place,
        one.verdict,
        round(judgement.estimate.value_mm, 6),
        None if judgement.expanded_u_mm is None else round(judgement.expanded_u_mm, 6),
        None if judgement.p is None else round(judgement.p, 4),
    ]
