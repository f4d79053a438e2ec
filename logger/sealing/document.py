"""An instrument's account: what the store holds of it, as plain JSON values and back.

The store's rows go in as they are, column by column; times in nanoseconds and whole numbers from 2^53 on as text, bytes
as hex. Left out are the note that a session was begun with, where customers get named, and what is said already by
where a row stands.
"""

import json
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Final, TypeVar

from logger.errors import RecordError
from logger.fixture_report import moved_json
from logger.instrument import parse_instrument
from logger.kept import observations_of, spec_of
from logger.limits import parse_limits
from logger.report import Judge, verdict_json
from logger.sealing.canonical import EXACT
from logger.store import (
    Attachment,
    AttachmentNote,
    CheckPoint,
    CheckResult,
    Climate,
    Gauge,
    GaugeCheck,
    InstrumentRevision,
    ReadingRow,
    Reassignment,
    Row,
    SessionEnd,
    SessionFactor,
    SessionGauge,
    SessionNote,
    SessionRow,
    Skip,
    StoreReader,
    TakeBack,
    as_they_stand,
)
from logger.store.tables import TABLES, Column

R = TypeVar("R")
_WHOLE: Final = re.compile(r"-?[0-9]{1,19}")
_OF_SESSION: Final = ("session",)
_NOT_SEALED: Final = ("note",)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sitting:
    """A session with everything of it that a record tells; readings as they were first kept."""

    session: SessionRow
    end: SessionEnd | None
    gauges: Sequence[SessionGauge]
    readings: Sequence[ReadingRow]
    take_backs: Sequence[TakeBack]
    reassignments: Sequence[Reassignment]
    skips: Sequence[Skip]
    climate: Sequence[Climate]
    factors: Sequence[SessionFactor]
    notes: Sequence[SessionNote] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckAccount:
    """A check of a gauge with its readings and what it came to."""

    check: GaugeCheck
    points: Sequence[CheckPoint]
    result: CheckResult


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """An instrument's sittings, and what stands behind them: descriptions, gauges with their checks, files."""

    revisions: Sequence[InstrumentRevision]
    sittings: Sequence[Sitting]
    gauges: Sequence[Gauge]
    checks: Sequence[CheckAccount]
    attachments: Sequence[Attachment]
    attachment_notes: Sequence[AttachmentNote] = ()

    @property
    def name(self) -> str:
        """The instrument's newest name."""
        return self.revisions[-1].name


_PARTS: Final[Mapping[str, type]] = {
    "gauges": SessionGauge, "readings": ReadingRow, "take_backs": TakeBack, "reassignments": Reassignment,
    "skips": Skip, "climate": Climate, "factors": SessionFactor,
}  # fmt: skip
"""What a sitting has lists of."""


def gather(reader: StoreReader, instrument: str, sessions: Sequence[SessionRow]) -> Account:
    """Return the account of an instrument over some of its sessions.

    Raises:
        StoreError: the store cannot be read.
    """
    sittings = [_sitting(reader, one) for one in sessions]
    used = {one.revision for one in sessions}
    told = {None, *(one.id for one in sessions)}
    files = [one for one in reader.attachments(instrument) if one.session in told]
    own = {one.id for one in files}
    names = sorted({gauge.gauge for one in sittings for gauge in one.gauges})
    return Account(
        revisions=[one for one in reader.instrument_revisions(instrument) if one.revision in used],
        sittings=sittings,
        gauges=[row for name in names for row in reader.gauge_revisions(name)],
        checks=[
            CheckAccount(check=check, points=reader.check_points(check.id), result=result)
            for name in names
            for check, result in reader.gauge_checks(name)
        ],
        attachments=files,
        attachment_notes=[one for one in reader.attachment_notes(instrument) if one.attachment in own],
    )


def _sitting(reader: StoreReader, session: SessionRow) -> Sitting:
    own = session.id
    return Sitting(
        session=session,
        end=reader.session_end(own),
        gauges=reader.gauges(own),
        readings=[one.original for one in reader.readings(own)],
        take_backs=reader.take_backs(own),
        reassignments=reader.reassignments(own),
        skips=reader.skips(own),
        climate=reader.climates(own),
        factors=reader.factors(own),
        notes=reader.notes(own),
    )


# -- as JSON, and back -----------------------------------------------------------------------------------------------


def account_json(account: Account) -> dict[str, Any]:
    """Return an account as plain values, without verdicts."""
    notes = [_row_json(one) for one in account.attachment_notes]
    return {
        "instrument": {
            "id": account.revisions[-1].instrument,
            "revisions": [_row_json(one, without=("instrument",)) for one in account.revisions],
        },
        "sessions": [_sitting_json(one) for one in account.sittings],
        "gauges": [_row_json(one) for one in account.gauges],
        "checks": [
            {
                "check": _row_json(one.check),
                "points": [_row_json(point, without=("gauge_check",)) for point in one.points],
                "result": _row_json(one.result, without=("gauge_check",)),
            }
            for one in account.checks
        ],
        "attachments": [_row_json(one, without=("instrument", "path")) for one in account.attachments],
        **({"attachment_notes": notes} if notes else {}),
    }


def _sitting_json(sitting: Sitting) -> dict[str, Any]:
    return {
        "session": _row_json(sitting.session, without=("instrument", *_NOT_SEALED)),
        "end": None if sitting.end is None else _row_json(sitting.end, without=_OF_SESSION),
        **{name: [_row_json(row, without=_OF_SESSION) for row in getattr(sitting, name)] for name in _PARTS},
        **({"notes": [_row_json(row, without=_OF_SESSION) for row in sitting.notes]} if sitting.notes else {}),
    }


def _row_json(row: Row, *, without: Collection[str] = ()) -> dict[str, Any]:
    return {one.name: _value_json(one.name, getattr(row, one.name)) for one in fields(row) if one.name not in without}


def _value_json(name: str, value: Any) -> Any:
    if isinstance(value, bytes):
        return value.hex()
    is_text = isinstance(value, int) and (name.endswith("_ns") or abs(value) >= EXACT)
    return str(value) if is_text else value


def account_from(document: Mapping[str, Any]) -> Account:
    """Return the account that a record's document tells.

    Raises:
        RecordError: the document does not hold what a record tells.
    """
    instrument = _table(document, "instrument")
    own = {"instrument": _text(instrument, "id")}
    revisions = _rows(instrument, "revisions", InstrumentRevision, **own)
    sittings = [_sitting_from(one, own) for one in _list(document, "sessions")]
    if not revisions or not {one.session.revision for one in sittings} <= {one.revision for one in revisions}:
        raise RecordError("the record must describe the instrument as each of its sessions knew it")
    return Account(
        revisions=revisions,
        sittings=sittings,
        gauges=_rows(document, "gauges", Gauge),
        checks=[_check_from(one) for one in _list(document, "checks")],
        attachments=[
            _row(Attachment, one, path=f"attachments/{_text(one, 'sha256')}", **own)
            for one in _list(document, "attachments")
        ],
        # Not there in a record of an earlier version, nor where nothing was said of a file.
        attachment_notes=_rows(document, "attachment_notes", AttachmentNote) if "attachment_notes" in document else [],
    )


def _sitting_from(values: Mapping[str, Any], own: Mapping[str, str]) -> Sitting:
    session = _row(SessionRow, _table(values, "session"), note="", **own)
    of = {"session": session.id}
    end = None if values.get("end") is None else _row(SessionEnd, _table(values, "end"), **of)
    parts: dict[str, list[Any]] = {name: _rows(values, name, row, **of) for name, row in _PARTS.items()}
    # Not there in a record of an earlier version, nor where nothing was noted.
    notes = _rows(values, "notes", SessionNote, **of) if "notes" in values else []
    return Sitting(session=session, end=end, notes=notes, **parts)


def _check_from(values: Mapping[str, Any]) -> CheckAccount:
    check = _row(GaugeCheck, _table(values, "check"))
    of = {"gauge_check": check.id}
    points = _rows(values, "points", CheckPoint, **of)
    return CheckAccount(check=check, points=points, result=_row(CheckResult, _table(values, "result"), **of))


def _table(values: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found = values.get(name)
    if not isinstance(found, Mapping):
        raise RecordError(f"the record's {name!r} must be an object")
    return found


def _list(values: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    found = values.get(name)
    if not isinstance(found, list) or not all(isinstance(one, Mapping) for one in found):
        raise RecordError(f"the record's {name!r} must be a list of objects")
    return found


def _text(values: Mapping[str, Any], name: str) -> str:
    found = values.get(name)
    if not isinstance(found, str):
        raise RecordError(f"the record's {name!r} must be text")
    return found


def _rows(values: Mapping[str, Any], name: str, row: type[R], **given: str) -> list[R]:
    return [_row(row, one, **given) for one in _list(values, name)]


def _row(row: type[R], values: Mapping[str, Any], **given: str) -> R:
    table = TABLES[row]
    found = {one.name: _value_from(one, (values | given).get(one.name)) for one in table.columns}  # type: ignore[operator]
    if problem := table.problem(list(found.values())):
        name = table.name.replace("_", " ")
        article = "an" if name[0] in "aeiou" else "a"
        raise RecordError(f"{article} {name} of the record does not hold: {problem[:200]}")
    return row(**found)


def _value_from(column: Column, value: Any) -> Any:
    if not isinstance(value, str):
        return value
    if column.kind is int and _WHOLE.fullmatch(value):
        return int(value)
    if column.kind is bytes:
        try:
            return bytes.fromhex(value)
        except ValueError:
            return value
    return value


# -- verdicts --------------------------------------------------------------------------------------------------------


def judged(account: Account) -> list[dict[str, Any]]:
    """Return, sitting by sitting, the verdicts of this software as plain values, and the fixture's zeros that moved.

    Raises:
        InputFileError: a description or a session's limits do not hold.
    """
    revisions = {one.revision: one for one in account.revisions}
    return [_judged(one, revisions[one.session.revision]) for one in account.sittings]


def _judged(sitting: Sitting, revision: InstrumentRevision) -> dict[str, Any]:
    where = f"revision {revision.revision} of the record's instrument"
    instrument = parse_instrument(revision.description, where=where)
    limits = parse_limits(sitting.session.limits, where="the session's limits", kind=instrument.kind)
    kept = as_they_stand(sitting.readings, sitting.take_backs, sitting.reassignments)
    specs = {one.gauge: spec_of(one) for one in sitting.gauges}
    judge = Judge(instrument, limits)
    verdicts = judge.verdicts(observations_of(kept, specs, sitting.climate))
    found = {
        "session": sitting.session.id,
        "verdicts": [verdict_json(one, limits[one.check]) for one in verdicts],
        "zeros_moved": moved_json(judge.moved_zeros),
    }
    plain: dict[str, Any] = json.loads(json.dumps(found, allow_nan=False))
    return plain
