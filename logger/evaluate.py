"""Judge a file of readings without a bench."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from statistics import median
from typing import Any

from logger.bare_tang import bare_tang_words
from logger.board_report import arcs_json, slot_notes, slots_json
from logger.errors import ReadingsFileError
from logger.evaluation.observation import FeatureKey, contradicting
from logger.features import GAPS, Feature
from logger.fit_report import back_bow_json, fit_json
from logger.fixture_report import moved_json
from logger.gauge_file import GaugeSpec, read_gauges
from logger.instrument import Instrument, read_instrument
from logger.levelling_report import plan_json, sanding_json, sanding_of
from logger.limits import LimitSet, default_limits, kind_notes, read_limits
from logger.names import brief
from logger.readings_csv import CsvReading, read_readings
from logger.report import CheckVerdict, Judge, flags, risks_of, verdict_json
from logger.sentences import CHECK_WORDS, VERDICT_WORDS, flag_sentence, in_the_way, length, settle, where_words
from logger.string_report import string_lines, strings_json
from logger.survey_report import survey_json
from logger.sweep_report import covariance_json, sweep_json
from logger.sweep_words import sanding_lines, sweep_lines, sweep_notes
from logger.unit_slip import slip_words

SIGNS = {"pass": "ok", "fail": "!!", "remeasure": "??"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """The verdicts on a file, and notes for the person who asked."""

    instrument: Instrument
    limits: LimitSet
    readings: int
    verdicts: Sequence[CheckVerdict]
    judge: Judge
    taken_at: datetime | None = None
    notes: Sequence[str] = field(default=())

    @property
    def failed(self) -> bool:
        """Tell whether any verdict is ``fail``, or the fixture's zero moved."""
        return bool(flags(self.verdicts) or self.judge.moved_zeros)

    def json(self, *, covariance: bool = False) -> dict[str, Any]:
        """Return everything as plain JSON values, the matrix of the heights' covariance where it is asked for."""
        fit = self.judge.fit()
        matrix = (
            {"covariance_mm2": covariance_json(self.judge.sweep.profile if self.judge.sweep else None)}
            if covariance
            else {}
        )
        return {
            "instrument": self.instrument.name,
            "readings": self.readings,
            "verdicts": [verdict_json(one, self.limits[one.check]) for one in self.verdicts],
            **sweep_json(self.judge.sweep),
            "zeros_moved": moved_json(self.judge.moved_zeros),
            "slots": slots_json(self.judge.slots, self.instrument),
            "board": arcs_json(self.judge.arcs, self.instrument),
            "survey": survey_json(self.judge.survey),
            "fit": fit_json(fit),
            "back_bow_mm": back_bow_json(fit),
            "string_margin": strings_json(self.judge.strings),
            "sanding": sanding_json(sanding_of(self.judge.survey, self.instrument)),
            "plan": plan_json(self.judge.levelling()),
            **matrix,
        }


def evaluate_file(
    readings: Path, instrument: Path, *, gauges: Path | None = None, limits: Path | None = None,
    session: str | None = None,
) -> Evaluation:  # fmt: skip
    """Return the verdicts on a readings file.

    Args:
        readings: the CSV file.
        instrument: the instrument's TOML file.
        gauges: TOML file with what the gauges are worth, or None.
        limits: TOML file with limits of one's own, or None for the defaults of the instrument's kind.
        session: the session to judge where the file holds several; ``all`` judges them together.

    Raises:
        InputFileError: a file does not hold.
    """
    neck = read_instrument(instrument)
    worth = read_gauges(gauges) if gauges is not None else {}
    chosen = read_limits(limits, kind=neck.kind) if limits is not None else default_limits(neck.kind)
    every = _of_session(read_readings(readings, frets=neck.frets, gauges=worth), session, where=readings)
    rows = [row for row in every if not row.taken_back]
    observations = [row.observation for row in rows if row.observation is not None]
    judge = Judge(neck, chosen)
    verdicts = judge.verdicts(observations)
    notes = [*kind_notes(neck.kind), *_notes(rows, worth), *_taken_back_note(len(every) - len(rows)),
             *sweep_notes(judge.sweep), *slot_notes(judge.slots, neck)]  # fmt: skip
    return Evaluation(
        instrument=neck, limits=chosen, readings=len(rows), verdicts=verdicts, judge=judge, notes=notes,
        taken_at=max((row.taken_at for row in rows if row.taken_at), default=None),
    )  # fmt: skip


def _of_session(rows: list[CsvReading], session: str | None, *, where: Path) -> list[CsvReading]:
    found = list(dict.fromkeys(row.session for row in rows))
    if session == "all" or (session is None and len(found) <= 1):
        return rows
    if session is None:
        raise ReadingsFileError(
            f"{where}: holds {len(found)} sessions; choose one with --session, newest "
            f"{found[-1]!r}, or --session all to judge them together"
        )
    if session not in found:
        raise ReadingsFileError(f"{where}: holds no session {brief(session)}; it holds {_listed(found)}")
    return [row for row in rows if row.session == session]


def _listed(sessions: Sequence[str]) -> str:
    named = [repr(one) for one in sessions if one]
    return ", ".join(named) if named else "readings without a session"


def _called(key: FeatureKey) -> str:
    return Feature(kind=key.kind, fret=key.fret, place=key.place, feet=key.feet).words()


def _taken_back_note(count: int) -> list[str]:
    readings = "1 reading is" if count == 1 else f"{count} readings are"
    return [f"{readings} marked as taken back and not judged"] if count else []


def _notes(rows: Sequence[CsvReading], worth: dict[str, GaugeSpec] | Any) -> list[str]:
    """Say what was not judged and why: readings without a feature, gauges without a stated uncertainty."""
    seen = [row.observation for row in rows if row.observation is not None]
    bare = sorted({one.gauge for one in seen if one.u_mm is None and one.low_mm is None and one.gauge not in worth})
    notes = [
        f"{f'gauge {name!r} has' if name else 'readings without a gauge have'} no stated uncertainty; only repeats "
        "can give one, or name the gauge in --gauges"
        for name in bare
    ]
    notes += [
        f"{_called(key)}: its repeats differ by more than the gauge is worth, so their own spread counts; "
        "one of them may not belong"
        for key in contradicting(seen)
    ]
    slips = {_called(one.key): slip_words(one.key.kind, one.value_mm) for one in seen}
    notes += [f"{name}: {words}" for name, words in sorted(slips.items()) if words]
    blind = sorted({_called(one.key) for one in seen if one.key.kind in GAPS and one.key.feet is None})
    notes += [f"{name}: feet are missing, so that it tells nothing; give the frets under the blocks" for name in blind]
    flat = sorted({_called(one.key) for one in seen if one.key.kind == "board_rise" and not one.span_mm})
    notes += [f"{name}: span_mm is missing, so that it tells nothing; give the distance of the feet" for name in flat]
    if len(seen) < len(rows):
        notes.append(f"{len(rows) - len(seen)} of {len(rows)} readings belong to no feature and are not judged")
    return notes


def print_table(result: Evaluation, *, unit: str) -> None:
    """Print what is wrong first, then every verdict as one line."""
    failed = flags(result.verdicts)
    for one in failed:
        words, todo = flag_sentence(
            one.check, one.fret, one.place, one.judgement, result.limits[one.check], unit=unit,
            fretted=in_the_way(one.check, one.fret, result.judge.seated),
        )  # fmt: skip
        print(f"{SIGNS['fail']} {words}\n   {todo}{bare_tang_words(one.check, one.fret, result.instrument, unit=unit)}")
    for moved in result.judge.moved_zeros:
        print(f"{SIGNS['fail']} {moved.sentence(unit)}\n   {moved.what_to_do}")
    if result.failed:
        print()
    for one in result.verdicts:
        judgement = one.judgement
        size = length(judgement.estimate.value_mm, judgement.expanded_u_mm, unit)
        p = "" if judgement.p is None else f"  p {judgement.p:.3f}"
        where = where_words(one.fret, one.place)
        print(f"{SIGNS[one.verdict]} {CHECK_WORDS[one.check]:<20} {where:<17} {size}{p}  {VERDICT_WORDS[one.verdict]}")
        if one.verdict == "remeasure":
            print(f"   {settle(judgement)}")
    board, fretted = sanding_of(result.judge.survey, result.instrument), bool(result.judge.seated)
    sanding = sanding_lines(board, unit=unit, fretted=fretted)
    more = (*sanding, *sweep_lines(result.judge.sweep, unit=unit), *string_lines(result.judge.strings, unit=unit))
    for line in (*_risk_lines(result), *more):
        print(line)
    counts = {name: sum(one.verdict == name for one in result.verdicts) for name in VERDICT_WORDS}
    print(
        f"\n{result.readings} readings, {len(result.verdicts)} verdicts: "
        + ", ".join(f"{count} {VERDICT_WORDS[name]}" for name, count in counts.items())
    )


def _risk_lines(result: Evaluation) -> list[str]:
    """Return a line per check whose limits state a process: how often its verdicts go wrong with this gauge."""
    lines: list[str] = []
    for check, limits in result.limits.items():
        spreads = [one.judgement.estimate.u_mm for one in result.verdicts if one.check == check
                   and one.judgement.estimate.known]  # fmt: skip
        risks = risks_of(check, limits, median(spreads)) if spreads else None
        if risks is not None:
            lines.append(
                f"   {CHECK_WORDS[check]}: over the process stated, {risks.false_pass:.2%} would be passed though out "
                f"of limits, {risks.false_fail:.2%} failed though within, {risks.remeasure:.1%} measured again"
            )
    return ["", *lines] if lines else []
