"""Questions that a page asks of the store: one session as judged, and the rack of all instruments.

Answers are plain JSON values. They come from what is committed, whoever writes meanwhile; the bench's own thread of
commits is never asked. Each answer is kept until something of its session is added.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from logger.beside_report import beside_json
from logger.door import QuestionError
from logger.errors import SessionNotFoundError
from logger.evaluate import Evaluation
from logger.evaluation.levelling import LevellingPlan
from logger.instrument import parse_instrument
from logger.kept import observations_of, spec_of
from logger.levelling_report import sanding_of
from logger.limits import kind_notes, parse_limits
from logger.plan_command import against_plan, has_plan, plan_lines, verify_json
from logger.replanning import replan
from logger.report import Judge
from logger.store import SessionRow, StoreReader
from logger.sweep_report import SWEEP_WAYS
from logger.sweep_words import sanding_lines, sweep_lines, sweep_notes

KEPT_ANSWERS: Final = 16
"""Sessions whose judgement is kept; a judgement takes a second, a look at the kept one nothing."""
MOST_ROWS: Final = 500
"""Instruments of the rack that one answer holds."""

Wanted = Mapping[str, str]
Told = dict[str, Any]


def evaluate_session(reader: StoreReader, session: str) -> Evaluation:
    """Return the verdicts on a session of a store, with its own limits and gauges.

    Raises:
        SessionNotFoundError: there is no such session.
        InputFileError: its description does not hold.
        StoreError: the store cannot be read.
    """
    row = reader.session(session)
    text = reader.instrument_at(row.instrument, row.revision).description
    neck = parse_instrument(text, where=f"the instrument of session {session}")
    limits = parse_limits(row.limits, where=f"the limits of session {session}", kind=neck.kind)
    specs = {gauge.gauge: spec_of(gauge) for gauge in reader.gauges(session)}
    kept = reader.readings(session)
    judge = Judge(neck, limits)
    verdicts = judge.verdicts(observations_of(kept, specs, reader.climates(session)))
    taken = [one.row.taken_at_ns for one in kept if one.taken_back is None]
    return Evaluation(
        instrument=neck, limits=limits, readings=sum(one.taken_back is None for one in kept), verdicts=verdicts,
        judge=judge, notes=[*kind_notes(neck.kind), *sweep_notes(judge.sweep)],
        taken_at=datetime.fromtimestamp(max(taken) / 1e9, UTC) if taken else None,
    )  # fmt: skip


class Looking:
    """Answers the questions of pages about one store; any thread may ask."""

    def __init__(self, store: Path, *, current: str) -> None:
        self._store = store
        self._current = current
        self._lock = threading.Lock()
        self._judged: OrderedDict[tuple[object, ...], tuple[Evaluation, Told]] = OrderedDict()
        self._questions: Mapping[str, Callable[[StoreReader, Wanted], Told]] = {
            "session": self._session, "rack": self._rack, "levelling": self._levelling,
            "second_sweep": self._second_sweep,
        }  # fmt: skip

    def ask(self, what: str, wanted: Wanted) -> Told:
        """Return the answer to a question.

        Args:
            what: ``session`` (of ``id``, else the one at the bench), ``rack`` (``find`` a text, ``page`` from 0),
                ``levelling`` (of ``id``, under the wishes that `logger.replanning.replan` takes) or ``second_sweep``
                (the next session in which the instrument of ``id`` was swept, against the plan of ``id``).
            wanted: what is asked for, as texts.

        Raises:
            QuestionError: the question is none, or asks for what is not there.
            StoreError: the store cannot be read.
        """
        question = self._questions.get(what)
        if question is None:
            raise QuestionError(f"a page asks for {' or '.join(self._questions)}, got {what[:40]!r}")
        with StoreReader(self._store) as reader:
            return question(reader, wanted)

    def _session(self, reader: StoreReader, wanted: Wanted) -> Told:
        return self._judgement(reader, wanted)[1]

    def _levelling(self, reader: StoreReader, wanted: Wanted) -> Told:
        return replan(self._judgement(reader, wanted)[0], wanted)

    def _second_sweep(self, reader: StoreReader, wanted: Wanted) -> Told:
        found, told = self._judgement(reader, wanted)
        later = _swept_after(reader, reader.session(told["session"]))
        if later is None:
            return {"session": None}
        second, said = self._judgement(reader, {"id": later})
        before, after = found.judge.levelling(), second.judge.levelling()
        plan = before.plan if before is not None and has_plan(before) else None
        if before is None or after is None or not isinstance(plan, LevellingPlan):
            return {"session": None}
        places = verify_json(against_plan(before, plan, after))
        return {"session": later, "taken_at": said["taken_at"], "places": places}

    def _judgement(self, reader: StoreReader, wanted: Wanted) -> tuple[Evaluation, Told]:
        session = wanted.get("id") or self._current
        try:
            reader.session(session)
        except SessionNotFoundError as error:
            raise QuestionError(f"no session {session[:40]!r} in this store; choose one on the rack") from error
        state = (session, reader.count(session), len(reader.take_backs(session)), len(reader.reassignments(session)))
        with self._lock:
            if state in self._judged:
                self._judged.move_to_end(state)
                return self._judged[state]
            found = evaluate_session(reader, session)
            self._judged[state] = found, _told_of(found, session)
            while len(self._judged) > KEPT_ANSWERS:
                self._judged.popitem(last=False)
            return self._judged[state]

    def _rack(self, reader: StoreReader, wanted: Wanted) -> Told:
        text = wanted.get("find", "").casefold()
        page = int(wanted["page"]) if wanted.get("page", "").isdecimal() else 0
        sessions: dict[str, list[Told]] = {}
        studies = {one.session for one in reader.purposes()}
        for row in reader.sessions():
            if row.id not in studies:
                ended = reader.session_end(row.id)
                sessions.setdefault(row.instrument, []).append({
                    "session": row.id, "started_at": _time(row.started_at_ns), "readings": reader.count(row.id),
                    "ended": None if ended is None else ended.reason, "here": row.id == self._current,
                })  # fmt: skip
        rows: list[Told] = [
            {"instrument": one.instrument, "name": one.name, "sessions": sessions.get(one.instrument, [])}
            for one in reader.instruments() if text in one.name.casefold()
        ]  # fmt: skip
        rows.sort(key=lambda one: max((each["started_at"] for each in one["sessions"]), default=""), reverse=True)
        chosen = rows[page * MOST_ROWS : (page + 1) * MOST_ROWS]
        return {"instruments": chosen, "of": len(rows), "page": page}


def _swept_after(reader: StoreReader, first: SessionRow) -> str | None:
    """Return the next session in which the same instrument was swept, None without one."""
    own = [one for one in reader.sessions() if one.instrument == first.instrument]
    for one in sorted(own, key=_begun):
        if _begun(one) > _begun(first) and any(
            each.row.kind in SWEEP_WAYS and each.taken_back is None for each in reader.readings(one.id)
        ):
            return one.id
    return None


def _begun(one: SessionRow) -> tuple[int, str]:
    return one.started_at_ns, one.id


def _told_of(found: Evaluation, session: str) -> Told:
    judge, levelling = found.judge, found.judge.levelling()
    plans = {unit: plan_lines(found.instrument.name, levelling, judge.sweep, unit=unit) for unit in ("mm", "in")}
    words = {unit: [*_sanding(found, unit), *sweep_lines(judge.sweep, unit=unit)] for unit in ("mm", "in")}
    return {
        "session": session, "notes": list(found.notes), "plan_lines": plans, "sweep_lines": words,
        "report": found.json(), "beside": beside_json(found, levelling),
        "frets": found.instrument.frets, "join_fret": found.instrument.join_fret,
        "taken_at": None if found.taken_at is None else found.taken_at.isoformat(timespec="seconds"),
    }  # fmt: skip


def _sanding(found: Evaluation, unit: str) -> list[str]:
    return sanding_lines(sanding_of(found.judge.survey, found.instrument), unit=unit)


def _time(at_ns: int) -> str:
    return datetime.fromtimestamp(at_ns / 1e9, UTC).isoformat(timespec="seconds")
