"""Choose readings from a store: by session, instrument, kind, fret and date, judged where that is asked for."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Final

from logger.errors import InputFileError
from logger.evaluation.observation import FeatureKey
from logger.features import KINDS
from logger.gauge_file import GaugeSpec
from logger.instrument import MOST_FRETS, parse_instrument
from logger.kept import key_of, observations_of, spec_of
from logger.limits import parse_limits
from logger.names import brief
from logger.report import Judge
from logger.sessions import SessionReader
from logger.store import NO_INSTRUMENT, Climate, KeptReading, SessionRow, StoreReader

_DAY_NS: Final = 86_400 * 1_000_000_000
_WORST_FIRST: Final = ("fail", "remeasure", "pass")


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """Which readings; None leaves a question open.

    Attributes:
        session: id of a session.
        instrument: name of an instrument, as its description has it.
        kind: what was measured.
        fret: number of the fret.
        since: first day, UTC.
        until: last day, UTC, itself included.
        uncertainty: also judge, and tell value, uncertainty and verdict of each reading's feature.
    """

    session: str | None = None
    instrument: str | None = None
    kind: str | None = None
    fret: int | None = None
    since: date | None = None
    until: date | None = None
    uncertainty: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What is known of the feature that a reading belongs to; None where its uncertainty, or a check, is missing."""

    value_mm: float
    expanded_u_mm: float | None
    verdict: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """A reading with what goes with it."""

    kept: KeptReading
    spec: GaugeSpec
    climates: Sequence[Climate]
    judged: Judged | None = None


def chosen_sessions(reader: StoreReader, wanted: Selection) -> list[SessionRow]:
    """Return the sessions that a selection may find readings in, in order; studies are not among them.

    Raises:
        SessionNotFoundError: the store holds no such session.
        InputFileError: the session is a study, there is no such instrument, kind or fret, or the days are reversed.
    """
    _check(wanted)
    studies = {one.session for one in reader.purposes()}
    if wanted.session is not None and wanted.session in studies:
        raise InputFileError(
            f"session {wanted.session} is a repeatability study, not the measuring of an instrument; "
            "name another session"
        )
    found = [reader.session(wanted.session)] if wanted.session is not None else reader.sessions()
    named = _named(reader, wanted.instrument)
    return [one for one in found if one.id not in studies and (named is None or one.instrument in named)]


def _check(wanted: Selection) -> None:
    """Check what can be said of a selection without a store.

    Raises:
        InputFileError: there is no such kind or fret, or the days are reversed.
    """
    if wanted.kind is not None and wanted.kind not in KINDS:
        raise InputFileError(f"unknown kind {brief(wanted.kind)}; known are {', '.join(KINDS)}")
    if wanted.fret is not None and not 0 <= wanted.fret <= MOST_FRETS:
        raise InputFileError(f"a fret must be from 0 (the nut) to {MOST_FRETS}, got {wanted.fret}; name another")
    if wanted.since is not None and wanted.until is not None and wanted.since > wanted.until:
        raise InputFileError(
            f"the first day must not come after the last, got {wanted.since} and {wanted.until}; change them round"
        )


def _named(reader: StoreReader, name: str | None) -> set[str] | None:
    if name is None:
        return None
    known = {one.instrument: one.name for one in reader.instruments()}
    found = {identity for identity, called in known.items() if called == name}
    if not found:
        listed = ", ".join(repr(one) for one in sorted(set(known.values()))) or "none"
        raise InputFileError(f"no instrument {brief(name)} in {reader.path}; it holds {listed}")
    return found


def select(reader: StoreReader, wanted: Selection) -> Iterator[Chosen]:
    """Return the readings of a selection one by one, in the order of sessions and commits.

    What does not hold is said at once, before the first of them is asked for. Without judgement only a page of readings
    is held at a time, with it one session.

    Raises:
        SessionNotFoundError: the store holds no such session.
        StoreError: the store cannot be read.
        InputFileError: there is no such instrument or kind, or an instrument's description does not hold.
    """
    sessions = chosen_sessions(reader, wanted)
    if wanted.uncertainty:
        for session in sessions:
            session_judge(reader, session)
    return _each(reader, sessions, wanted)


def _each(reader: StoreReader, sessions: Sequence[SessionRow], wanted: Selection) -> Iterator[Chosen]:
    for session in sessions:
        specs = {gauge.gauge: spec_of(gauge) for gauge in reader.gauges(session.id)}
        climates = reader.climates(session.id)
        judged = judged_features(reader, session) if wanted.uncertainty else {}
        unknown = GaugeSpec(kind="")
        for kept in reader.each_reading(session.id):
            if _wanted(kept, wanted):
                key = None if kept.taken_back else key_of(kept.row)
                yield Chosen(
                    kept=kept, spec=specs.get(kept.row.gauge, unknown), climates=climates,
                    judged=None if key is None else judged.get(key),
                )  # fmt: skip


def _wanted(kept: KeptReading, wanted: Selection) -> bool:
    row = kept.row
    if wanted.kind not in {None, row.kind} or wanted.fret not in {None, row.fret}:
        return False
    if wanted.since is None and wanted.until is None:
        return True
    if not row.taken_at_ns:
        return False
    first = _midnight_ns(wanted.since) if wanted.since else row.taken_at_ns
    end = _midnight_ns(wanted.until) + _DAY_NS if wanted.until else row.taken_at_ns + 1
    return first <= row.taken_at_ns < end


def _midnight_ns(day: date) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * 1_000_000_000


def session_judge(reader: SessionReader, session: SessionRow) -> Judge | None:
    """Return the judge of a session's instrument by the session's own limits; None for a session without instrument.

    Raises:
        InputFileError: the instrument's description or the limits do not hold.
    """
    return None if session.instrument == NO_INSTRUMENT else judge_of(reader, session)


def judge_of(reader: SessionReader, session: SessionRow) -> Judge:
    """Return the judge of a session's instrument by the session's own limits.

    Raises:
        InputFileError: the instrument's description or the limits do not hold.
    """
    described = reader.instrument_at(session.instrument, session.revision)
    neck = parse_instrument(described.description, where=f"instrument {described.name!r} of session {session.id}")
    return Judge(neck, parse_limits(session.limits, where=f"limits of session {session.id}", kind=neck.kind))


def judged_features(reader: StoreReader, session: SessionRow) -> Mapping[FeatureKey, Judged]:
    """Return value, uncertainty and worst verdict of every feature of a session that can be judged.

    Raises:
        InputFileError: the instrument's description or the limits do not hold.
    """
    judge = session_judge(reader, session)
    if judge is None:
        return {}
    specs = {gauge.gauge: spec_of(gauge) for gauge in reader.gauges(session.id)}
    verdicts = judge.verdicts(observations_of(reader.readings(session.id), specs, reader.climates(session.id)))
    worst: dict[FeatureKey, str] = {}
    for one in sorted(verdicts, key=lambda one: _WORST_FIRST.index(one.verdict)):
        for key in one.features:
            worst.setdefault(key, one.verdict)
    return {
        key: Judged(
            value_mm=estimate.value_mm, expanded_u_mm=estimate.expanded_u_mm() if estimate.known else None,
            verdict=worst.get(key),
        )
        for key, estimate in judge.estimates.items()
    }  # fmt: skip
