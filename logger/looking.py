"""Questions that a page asks of the store: one session as judged, the rack of all instruments, the gauges.

Answers are plain JSON values. They come from what is committed, whoever writes meanwhile; the bench's own thread of
commits is never asked. Each answer is kept until something of its session is added.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TypeVar

from logger.beside_report import beside_json
from logger.door import QuestionError
from logger.errors import InputFileError, SessionNotFoundError
from logger.evaluate import Evaluation
from logger.evaluation.levelling import LevellingPlan
from logger.gauge_account import GaugeAccounts
from logger.instrument_record import counts_of, record_of
from logger.kept import observations_of, spec_of, utc_text
from logger.levelling_report import sanding_of
from logger.limits import kind_notes
from logger.plan_command import against_plan, has_plan, plan_lines, verify_json
from logger.replanning import replan
from logger.selection import judge_of
from logger.store import NO_INSTRUMENT, SessionRow, StoreReader
from logger.store.rack import STATES, Visit
from logger.sweep_report import SWEEP_WAYS
from logger.sweep_words import sanding_lines, sweep_lines, sweep_notes
from logger.two_visits import compared

KEPT_ANSWERS: Final = 16
"""Sessions whose judgement is kept; a judgement takes a second, a look at the kept one nothing."""
KEPT_OUTCOMES: Final = 20_000
"""Sessions of which it is remembered how many verdicts fail, for the rack."""
MOST_ROWS: Final = 50
"""Instruments of the rack that one answer holds."""
MOST_PAGE: Final = 1_000_000
RACK_STATES: Final = ("", *STATES, "failed")

Wanted = Mapping[str, str]
Told = dict[str, Any]
Found = TypeVar("Found")
State = tuple[object, ...]
"""A session and what changes when something of it is added."""


def evaluate_session(reader: StoreReader, session: str) -> Evaluation:
    """Return the verdicts on a session of a store, with its own limits and gauges.

    Raises:
        SessionNotFoundError: there is no such session.
        InputFileError: its description does not hold.
        StoreError: the store cannot be read.
    """
    judge = judge_of(reader, reader.session(session))
    neck = judge.instrument
    specs = {gauge.gauge: spec_of(gauge) for gauge in reader.gauges(session)}
    kept = reader.readings(session)
    verdicts = judge.verdicts(observations_of(kept, specs, reader.climates(session)))
    taken = [one.row.taken_at_ns for one in kept if one.taken_back is None]
    return Evaluation(
        instrument=neck, limits=judge.limits, readings=sum(one.taken_back is None for one in kept), verdicts=verdicts,
        judge=judge, notes=[*kind_notes(neck.kind), *sweep_notes(judge.sweep)],
        taken_at=datetime.fromtimestamp(max(taken) / 1e9, UTC) if taken else None,
    )  # fmt: skip


class Looking:
    """Answers the questions of pages about one store; any thread may ask.

    Args:
        store: the store's file.
        current: the session at the bench, empty for none.
        gauges: who tells of the gauges; without it nothing is connected, and no gauge is saved under a name.
    """

    def __init__(self, store: Path, *, current: str, gauges: GaugeAccounts | None = None) -> None:
        self._store = store
        self._current = current
        self._gauge_accounts = gauges or GaugeAccounts(current=current)
        self._lock = threading.Lock()
        self._judged: OrderedDict[State, Evaluation] = OrderedDict()
        self._answers: OrderedDict[State, Told] = OrderedDict()
        self._outcomes: OrderedDict[str, tuple[State, Told]] = OrderedDict()
        self._questions: Mapping[str, Callable[[StoreReader, Wanted], Told]] = {
            "session": self._session, "rack": self._rack, "record": self._record, "outcome": self._outcome,
            "compare": self._compare, "levelling": self._levelling, "second_sweep": self._second_sweep,
            "gauges": self._gauges,
        }  # fmt: skip

    def ask(self, what: str, wanted: Wanted) -> Told:
        """Return the answer to a question.

        Args:
            what: ``session`` or ``record`` (of ``id``, else the one at the bench), ``outcome`` (how many verdicts of
                ``id`` fail), ``compare`` (``earlier`` and ``later``, of one instrument), ``rack`` (``find`` a text,
                ``state`` one of `RACK_STATES`, ``page`` from 0), ``levelling`` (of ``id``, under the wishes that
                `logger.replanning.replan` takes), ``second_sweep`` (the next session in which the instrument of
                ``id`` was swept, against the plan of ``id``) or ``gauges`` (all in short, and ``gauge`` at length).
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

    def _gauges(self, reader: StoreReader, wanted: Wanted) -> Told:
        with self._lock:
            return self._gauge_accounts.told(reader, wanted.get("gauge", ""))

    def _judgement(self, reader: StoreReader, wanted: Wanted) -> tuple[Evaluation, Told]:
        session = self._named(reader, wanted.get("id", ""))
        state = _state(reader, session)
        with self._lock:
            found = self._evaluated(reader, state)
            return found, _kept(self._answers, state, lambda: _told_of(found, session))

    def _record(self, reader: StoreReader, wanted: Wanted) -> Told:
        session = self._named(reader, wanted.get("id", ""))
        with self._lock:
            return record_of(reader, self._evaluated(reader, _state(reader, session)), session)

    def _outcome(self, reader: StoreReader, wanted: Wanted) -> Told:
        session = self._named(reader, wanted.get("id", ""))
        state = _state(reader, session)
        with self._lock:
            if session in self._outcomes and self._outcomes[session][0] == state:
                return self._outcomes[session][1]
            try:
                told: Told = {"session": session, "counts": counts_of(self._evaluated(reader, state).verdicts)}
            except InputFileError as error:
                told = {"session": session, "counts": None, "why": str(error)}
            self._outcomes[session] = state, told
            while len(self._outcomes) > KEPT_OUTCOMES:
                self._outcomes.popitem(last=False)
            return told

    def _compare(self, reader: StoreReader, wanted: Wanted) -> Told:
        earlier, later = (self._named(reader, wanted.get(name, "")) for name in ("earlier", "later"))
        rows = reader.session(earlier), reader.session(later)
        if rows[0].instrument != rows[1].instrument:
            raise QuestionError("two visits must be of one instrument; choose both in the same row of the rack")
        with self._lock:
            before, after = (self._evaluated(reader, _state(reader, one)) for one in (earlier, later))
        return {
            "name": after.instrument.name,
            "earlier": {"session": earlier, "started_at": utc_text(rows[0].started_at_ns)},
            "later": {"session": later, "started_at": utc_text(rows[1].started_at_ns)}, **compared(before, after),
        }  # fmt: skip

    def _rack(self, reader: StoreReader, wanted: Wanted) -> Told:
        state, text = wanted.get("state", ""), wanted.get("find", "")
        if state not in RACK_STATES:
            raise QuestionError(f"the rack is filtered by {', '.join(RACK_STATES[1:])}, got {state[:40]!r}")
        page = min(int(wanted["page"]), MOST_PAGE) if wanted.get("page", "").isdecimal() else 0
        with self._lock:
            outcomes = dict(self._outcomes)
        failed = {session for session, (_, told) in outcomes.items() if told["counts"] and told["counts"]["fail"]}
        among, kept = (failed, "") if state == "failed" else (None, state)
        count, found = reader.rack(find=text, state=kept, among=among, start=page * MOST_ROWS, most=MOST_ROWS)
        rows = [
            {"instrument": one.instrument, "name": one.name,
             "sessions": [self._visit(each, outcomes.get(each.session)) for each in one.visits]} for one in found
        ]  # fmt: skip
        return {"instruments": rows, "of": count, "page": page, "rows": MOST_ROWS, "find": text, "state": state,
                "judged": len(outcomes)}  # fmt: skip

    def _visit(self, one: Visit, outcome: tuple[State, Told] | None) -> Told:
        known = outcome is not None and outcome[0] == (one.session, one.readings, one.amended)
        return {
            "session": one.session, "started_at": utc_text(one.started_at_ns), "readings": one.readings,
            "ended": one.ended, "here": one.session == self._current,
            "outcome": outcome[1] if known and outcome is not None else None,
        }  # fmt: skip

    def _named(self, reader: StoreReader, named: str) -> str:
        """Return the session that is asked about, else the one at the bench.

        Raises:
            QuestionError: there is none of this name, or it does not measure an instrument.
        """
        session = named or self._current
        try:
            row = reader.session(session)
        except SessionNotFoundError as error:
            raise QuestionError(f"no session {session[:40]!r} in this store; choose one on the rack") from error
        if row.instrument == NO_INSTRUMENT:
            raise QuestionError(f"session {session[:40]!r} measures no instrument; choose another on the rack")
        return session

    def _evaluated(self, reader: StoreReader, state: State) -> Evaluation:
        return _kept(self._judged, state, lambda: evaluate_session(reader, str(state[0])))


def _state(reader: StoreReader, session: str) -> State:
    return session, reader.count(session), len(reader.take_backs(session)) + len(reader.reassignments(session))


def _kept(answers: OrderedDict[State, Found], state: State, make: Callable[[], Found]) -> Found:
    if state in answers:
        answers.move_to_end(state)
        return answers[state]
    found = answers[state] = make()
    while len(answers) > KEPT_ANSWERS:
        answers.popitem(last=False)
    return found


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
