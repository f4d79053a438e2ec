"""Questions that a page asks of the store: one session as judged, the rack of all instruments, the gauges.

Answers are plain JSON values. They come from what is committed, whoever writes meanwhile; the bench's own thread of
commits is never asked. Each answer is kept until something of its session is added.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, TypeVar

from logger.beside_report import beside_json
from logger.cell_report import cell_history, cell_of, cell_report
from logger.choosing import choose, offered
from logger.door import QuestionError
from logger.errors import InputFileError, RecordError, SessionNotFoundError
from logger.evaluate import Evaluation
from logger.evaluation.levelling import LevellingPlan
from logger.gauge_account import GaugeAccounts
from logger.instrument_record import record_of
from logger.judgements import Judgements
from logger.judging import State, evaluate_session, judge_session, state_of
from logger.kept import utc_text
from logger.levelling_report import sanding_of
from logger.looking_over import outcome_of, rack_told, shop_told
from logger.plan_command import against_plan, has_plan, plan_lines, swept_of, verify_json
from logger.replanning import replan
from logger.sealing.keys import default_folder
from logger.sealing.told import seals_of, verified
from logger.sessions import SessionKey
from logger.software import SOFTWARE
from logger.store import NO_INSTRUMENT, SessionRow, StoreReader
from logger.sweep_report import SWEEP_WAYS
from logger.sweep_words import sanding_lines, sweep_lines
from logger.two_visits import compared
from logger.worked_with import worked_json

KEPT_ANSWERS: Final = 16
"""Sessions whose judgement is kept; a judgement takes a second, a look at the kept one nothing."""
Wanted = Mapping[str, str]
Told = dict[str, Any]
Found = TypeVar("Found")


class Looking:
    """Answers the questions of pages about one store; any thread may ask.

    Args:
        store: the store's file.
        current: the session at the bench, empty for none.
        gauges: who tells of the gauges; without it nothing is connected, and no gauge is saved under a name.
        judgements: of all sessions; without them they are made anew.
    """

    def __init__(
        self, store: Path, *, current: str, gauges: GaugeAccounts | None = None, judgements: Judgements | None = None
    ) -> None:
        self._store = store
        self._current = current
        self._gauge_accounts = gauges or GaugeAccounts(current=current)
        self._judgements = judgements or Judgements(store)
        self._lock = threading.Lock()
        self._judged: OrderedDict[State, Evaluation] = OrderedDict()
        self._answers: OrderedDict[State, Told] = OrderedDict()
        self._questions: Mapping[str, Callable[[StoreReader, Wanted], Told]] = {
            "session": self._session, "rack": self._rack, "record": self._record, "outcome": self._outcome,
            "shop": self._shop, "compare": self._compare, "levelling": self._levelling,
            "second_sweep": self._second_sweep, "gauges": self._gauges, "cell": self._cell,
            "cell_history": self._cell_history, "seals": self._seals, "verified": self._verified,
            "choose": self._choose, "candidates": self._candidates,
        }  # fmt: skip

    def ask(self, what: str, wanted: Wanted) -> Told:
        """Return the answer to a question.

        Args:
            what: ``session`` or ``record`` (of ``id``, else the one at the bench), ``outcome`` (how many verdicts of
                ``id`` fail), ``compare`` (``earlier`` and ``later``, of one instrument), ``rack`` (``find`` a text,
                ``state`` one of `RACK_STATES`, ``page`` from 0, ``where`` empty or ``shop`` for all benches), ``shop``
                (what all instruments say together, ``where`` as before), ``levelling`` (of ``id``, under the wishes
                that `logger.replanning.replan` takes), ``second_sweep`` (the next session in which the instrument of
                ``id`` was swept, against the plan of ``id``), ``gauges`` (all in short, and ``gauge`` at length),
                ``cell`` (``check``, ``fret`` and ``place`` of the neck map of ``id``), ``cell_history`` (the same
                cell at this visit and those before), ``seals`` (what sealing the instrument of ``id`` would hold, and
                its records), ``verified`` (how those records check), ``choose`` (the chance that frets fit, for the
                wires and blades that `logger.choosing.choose` takes, in ``id``) or ``candidates`` (those that the
                store knows).
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
        found, told = self._judgement(reader, wanted)
        session = told["session"]
        return told | {
            "at_bench": session == self._current, "worked_with": worked_json(reader, session, found.instrument),
        }  # fmt: skip

    def _levelling(self, reader: StoreReader, wanted: Wanted) -> Told:
        return replan(self._judgement(reader, wanted)[0], wanted)

    def _choose(self, reader: StoreReader, wanted: Wanted) -> Told:
        return choose(self._judgement(reader, wanted)[0], wanted)

    def _candidates(self, reader: StoreReader, wanted: Wanted) -> Told:
        session = self._named(reader, wanted.get("id", ""))
        return offered(reader, session, reader.sessions(), self._one_by_one(reader))

    def _one_by_one(self, reader: StoreReader) -> Callable[[str], Evaluation]:
        """Return what judges one visit at a time, so that other questions come between."""

        def evaluated(visit: str) -> Evaluation:
            with self._lock:
                return self._evaluated(reader, state_of(reader, visit))

        return evaluated

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
        state = state_of(reader, session)
        with self._lock:
            found = self._evaluated(reader, state)
            return found, _kept(self._answers, state, lambda: _told_of(found, session))

    def _record(self, reader: StoreReader, wanted: Wanted) -> Told:
        session = self._named(reader, wanted.get("id", ""))
        with self._lock:
            return record_of(reader, self._evaluated(reader, state_of(reader, session)), session)

    def _seals(self, reader: StoreReader, wanted: Wanted) -> Told:
        return self._of_seals(reader, wanted, seals_of)

    def _verified(self, reader: StoreReader, wanted: Wanted) -> Told:
        return self._of_seals(reader, wanted, verified)

    def _of_seals(self, reader: StoreReader, wanted: Wanted, tell: Callable[..., Told]) -> Told:
        session = self._named(reader, wanted.get("id", ""))
        try:
            return tell(reader, session, software=SOFTWARE, folder=default_folder())
        except (RecordError, InputFileError) as error:
            raise QuestionError(str(error)) from error

    def _outcome(self, reader: StoreReader, wanted: Wanted) -> Told:
        session = self._named(reader, wanted.get("id", ""))
        with self._lock:
            known = self._judgements.of(session, state_of(reader, session))
            if known is None:
                known = judge_session(reader, SessionKey(store="", session=session), again=False)
                self._judgements.keep(known)
        return outcome_of(known)

    def _rack(self, reader: StoreReader, wanted: Wanted) -> Told:
        return rack_told(reader, self._judgements, wanted, current=self._current)

    def _shop(self, reader: StoreReader, wanted: Wanted) -> Told:
        return shop_told(reader, self._judgements, wanted)

    def _compare(self, reader: StoreReader, wanted: Wanted) -> Told:
        earlier, later = (self._named(reader, wanted.get(name, "")) for name in ("earlier", "later"))
        rows = reader.session(earlier), reader.session(later)
        if rows[0].instrument != rows[1].instrument:
            raise QuestionError("two visits must be of one instrument; choose both in the same row of the rack")
        with self._lock:
            before, after = (self._evaluated(reader, state_of(reader, one)) for one in (earlier, later))
        return {
            "name": after.instrument.name,
            "earlier": {"session": earlier, "started_at": utc_text(rows[0].started_at_ns)},
            "later": {"session": later, "started_at": utc_text(rows[1].started_at_ns)}, **compared(before, after),
        }  # fmt: skip

    def _cell(self, reader: StoreReader, wanted: Wanted) -> Told:
        session = self._named(reader, wanted.get("id", ""))
        with self._lock:
            found = self._evaluated(reader, state_of(reader, session))
        return cell_report(reader, found, session, cell_of(wanted))

    def _cell_history(self, reader: StoreReader, wanted: Wanted) -> Told:
        session = self._named(reader, wanted.get("id", ""))
        neck = reader.session(session).instrument
        visits = [one for one in reader.sessions() if one.instrument == neck]
        return cell_history(visits, session, cell_of(wanted), self._one_by_one(reader))

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
    name, swept = found.instrument.name, swept_of(found)
    plans = {unit: plan_lines(name, levelling, judge.sweep, unit=unit, swept=swept) for unit in ("mm", "in")}
    words = {unit: [*_sanding(found, unit), *sweep_lines(judge.sweep, unit=unit)] for unit in ("mm", "in")}
    return {
        "session": session, "notes": list(found.notes), "plan_lines": plans, "sweep_lines": words,
        "report": found.json(), "beside": beside_json(found, levelling),
        "frets": found.instrument.frets, "join_fret": found.instrument.join_fret,
        "taken_at": None if found.taken_at is None else found.taken_at.isoformat(timespec="seconds"),
    }  # fmt: skip


def _sanding(found: Evaluation, unit: str) -> list[str]:
    return sanding_lines(sanding_of(found.judge.survey, found.instrument), unit=unit, fretted=bool(found.judge.seated))
