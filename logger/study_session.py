"""A repeatability study at the bench: its parts, people and order, kept in the store and taken up where it was left."""

import json
import os
import random
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from logger.errors import InputFileError, InsufficientDataError
from logger.evaluation.crossed import StudyResult, analyse_rows
from logger.features import NM_PER, STUDY, Feature
from logger.gauges import Known, register, with_study
from logger.sheet import Item, Sheet
from logger.store import (
    NO_INSTRUMENT,
    InstrumentRevision,
    InstrumentRow,
    KeptReading,
    SessionEnd,
    SessionPurpose,
    SessionRow,
    Store,
    StoreReader,
)
from logger.study import Study, study_json

MOST_READINGS: Final = 10_000
LONGEST_NAME: Final = 64
PARTS, TRIALS, PERSON = 10, 3, "me"
"""What a study has when nobody says; common practice, no source."""


class StudyError(InputFileError):
    """What a study was asked for does not hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a study measures: indices of part and person, and the trial from 1, in the order they are asked for."""

    gauge: str
    parts: tuple[str, ...]
    people: tuple[str, ...]
    trials: int
    seed: int
    order: tuple[tuple[int, int, int], ...]

    def json(self) -> str:
        """Return the plan as the store keeps it."""
        return json.dumps({
            "gauge": self.gauge, "parts": self.parts, "people": self.people, "trials": self.trials,
            "seed": self.seed, "order": self.order,
        })  # fmt: skip

    def items(self) -> list[Item]:
        """Return the sheet's items in order."""
        return [
            Item(stage=STUDY, feature=_feature(part, self.people[person], trial), repeat=trial, of=self.trials)
            for part, person, trial in self.order
        ]

    def names(self, feature: Feature) -> tuple[str, str, str]:
        """Return part, person and trial of an item by name."""
        return self.parts[(feature.fret or 1) - 1], feature.place or "", feature.trial or ""


def _feature(part: int, person: str, trial: int) -> Feature:
    return Feature(kind=STUDY, fret=part + 1, place=person, trial=str(trial))


def plan_from(text: str) -> Plan:
    """Return the plan that `Plan.json` wrote."""
    values = json.loads(text)
    return Plan(
        gauge=values["gauge"], parts=tuple(values["parts"]), people=tuple(values["people"]), trials=values["trials"],
        seed=values["seed"], order=tuple((part, person, trial) for part, person, trial in values["order"]),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What was asked for; None where nothing was said."""

    parts: Sequence[str] | None = None
    people: Sequence[str] | None = None
    trials: int | None = None
    seed: int | None = None


def make_plan(gauge: str, wish: Wish) -> Plan:
    """Return a plan in random order within each trial; the same seed gives the same order.

    Raises:
        StudyError: a name is empty, too long or stands twice, or there are too few or too many readings.
    """
    parts = tuple(wish.parts or (str(number) for number in range(1, PARTS + 1)))
    people = tuple(wish.people or (PERSON,))
    trials = wish.trials or TRIALS
    _check_names("part", parts)
    _check_names("person", people)
    if trials < 2:
        raise StudyError(f"a study needs at least 2 trials, got {trials}; nothing would be repeated")
    if len(parts) * len(people) * trials > MOST_READINGS:
        raise StudyError(f"a study has at most {MOST_READINGS} readings, got {len(parts)} parts x {len(people)} people "
                         f"x {trials} trials")  # fmt: skip
    seed = wish.seed if wish.seed is not None else int.from_bytes(os.urandom(4), "big")
    shuffle = random.Random(seed).shuffle  # noqa: S311 - an order, not a secret
    order: list[tuple[int, int, int]] = []
    for trial in range(1, trials + 1):
        cells = [(part, person, trial) for part in range(len(parts)) for person in range(len(people))]
        shuffle(cells)
        order += cells
    return Plan(gauge=gauge, parts=parts, people=people, trials=trials, seed=seed, order=tuple(order))


def _check_names(what: str, names: Sequence[str]) -> None:
    for name in names:
        if not name.strip() or len(name) > LONGEST_NAME or not name.isprintable():
            raise StudyError(f"the name of a {what} must have 1 to {LONGEST_NAME} characters, got {name!r}")
        if names.count(name) > 1:
            raise StudyError(f"{what} {name!r} stands twice; every {what} needs a name of its own")


@dataclass(slots=True, kw_only=True)
class OpenStudy:
    """A study that is under way in a session of the store; ``resumed``: an earlier run began it."""

    session: str
    plan: Plan
    gauge: Known
    resumed: bool = False
    _judged: tuple[list[tuple[str, str, str, float]], StudyResult] | None = field(default=None, repr=False)

    def sheet(self) -> Sheet:
        """Return the sheet of the study, nothing filled yet."""
        return Sheet(self.plan.items(), stages=(STUDY,))

    def rows(self, kept: Iterable[KeptReading]) -> list[tuple[str, str, str, float]]:
        """Return part, person, trial and value in mm of the readings that count, in order."""
        live = [one.row for one in kept if one.taken_back is None and one.row.kind == STUDY]
        return [
            (self.plan.parts[row.fret - 1], row.place, row.round or "", row.value_nm / NM_PER["mm"])
            for row in live
            if row.fret is not None and row.place is not None
        ]

    def study(self, kept: Iterable[KeptReading]) -> Study | None:
        """Return the study with its result, or None while readings are missing.

        Raises:
            InsufficientDataError: the readings cannot be judged; the message says why.
        """
        rows = self.rows(kept)
        if len(rows) < len(self.plan.order):
            return None
        if self._judged is None or self._judged[0] != rows:
            self._judged = (rows, analyse_rows(rows)[0])
        return Study(rows=rows, parts=self.plan.parts, people=self.plan.people, result=self._judged[1])

    def snapshot(self, kept: Sequence[KeptReading], item: Item | None) -> dict[str, Any]:
        """Return the study as plain JSON values for a page."""
        rows = self.rows(kept)
        part, person, trial = self.plan.names(item.feature) if item else ("", "", "")
        return {
            "gauge": self.plan.gauge, "parts": list(self.plan.parts), "people": list(self.plan.people),
            "trials": self.plan.trials, "done": len(rows), "of": len(self.plan.order),
            "next": {"part": part, "person": person, "trial": trial} if item else None,
            "readings": [list(row) for row in rows], "result": self._result(kept),
        }  # fmt: skip

    def _result(self, kept: Iterable[KeptReading]) -> dict[str, Any] | None:
        try:
            found = self.study(kept)
        except InsufficientDataError:
            return None
        return None if found is None else study_json(found.result)


def open_study(
    store: Store, gauge: Known, wish: Wish, *, session_row: Callable[[], SessionRow], anew: bool = False
) -> OpenStudy:
    """Return the study of a gauge that is open in the store, else a new one.

    Args:
        store: the store.
        gauge: what is studied.
        wish: parts, people, trials and seed; what is said must be so in a study that is open.
        session_row: makes the row of a new session.
        anew: give an open study up and begin another.

    Raises:
        StudyError: another study of the gauge is open, or the wish does not hold.
        StoreError: the store cannot keep it.
    """
    with store.reader() as reader:
        found = _find(reader, gauge.name)
    if found is not None and not anew:
        _check_same(found[1], wish)
        return OpenStudy(session=found[0], plan=found[1], gauge=gauge, resumed=True)
    made = make_plan(gauge.name, wish)
    if found is not None:
        store.put(SessionEnd(session=found[0], at_ns=time.time_ns(), reason="given up"))
    store.put(InstrumentRow(id=NO_INSTRUMENT, created_at_ns=0, description=""))
    store.put(InstrumentRevision(instrument=NO_INSTRUMENT, revision=1, at_ns=0, name="no instrument", description=""))
    row = replace(session_row(), instrument=NO_INSTRUMENT, revision=1)
    store.put(row)
    store.put(SessionPurpose(session=row.id, purpose=STUDY, description=made.json()))
    return OpenStudy(session=row.id, plan=made, gauge=gauge)


def _find(reader: StoreReader, gauge: str) -> tuple[str, Plan] | None:
    still_open = {one.id for one in reader.open_sessions()}
    plans = [
        (one.session, plan_from(one.description))
        for one in reader.purposes()
        if one.purpose == STUDY and one.session in still_open
    ]
    return next((pair for pair in reversed(plans) if pair[1].gauge == gauge), None)


def _check_same(plan: Plan, wish: Wish) -> None:
    pairs: tuple[tuple[str, object, object], ...] = (
        ("parts", wish.parts and tuple(wish.parts), plan.parts),
        ("people", wish.people and tuple(wish.people), plan.people),
        ("trials", wish.trials, plan.trials),
        ("seed", wish.seed, plan.seed),
    )
    for what, wanted, found in pairs:
        if wanted is not None and wanted != found:
            said = ",".join(found) if isinstance(found, tuple) else found
            raise StudyError(
                f"a study of {plan.gauge} with other {what} ({said}) is not finished; "
                "go on with it by leaving that away, or begin anew with --new"
            )


def finish(store: Store, one: OpenStudy, found: Study) -> Known:
    """Make a study's repeatability the gauge's, end its session, and return the gauge.

    Raises:
        StoreError: the store cannot keep it.
    """
    spec = with_study(one.gauge.spec, u_mm=found.result.repeatability_mm, dof=found.result.dof)
    gauge = register(store, one.plan.gauge, spec, source="study", session=one.session)
    store.put(SessionEnd(session=one.session, at_ns=time.time_ns(), reason="complete"))
    return gauge
