"""Keep the readings of a CSV file in a store: as sessions of their own, marked as imported, and nothing twice.

A row that names its session and its number there is known by them, whatever file it comes in; any other row is known by
the file's bytes and its line. The store keeps a row's own text as its raw bytes.
"""

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from logger.csv_table import csv_line, csv_text
from logger.errors import ReadingsFileError
from logger.features import STEPS
from logger.gauge_file import GaugeSpec, read_gauges
from logger.import_keeping import Key, SessionToKeep, keep_sessions
from logger.instrument import MOST_FRETS, Instrument, read_instrument
from logger.kept import feet_text, spec_of
from logger.names import brief, short_line
from logger.readings_csv import Row, observation_of_row, rows_of
from logger.store import KeptReading, ReadingRow, SessionGauge, Store, StoreReader

IMPORTED: Final = "imported"
"""Status of a reading that came from a file, and why its session ended."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_FIRST, _LAST = _EPOCH + timedelta(microseconds=1), datetime(2200, 1, 1, tzinfo=UTC)
_WHOLE: Final = re.compile(r"[0-9]{1,15}")
_FRET: Final = re.compile(r"[0-9]{1,3}")
_FEET: Final = re.compile(r"[0-9]{1,3}-[0-9]{1,3}")
_FACTS: Final = ("kind", "fret", "place", "feet", "round", "value_nm", "low_nm", "high_nm", "span_nm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Import:
    """What came of a file: sessions in the order of the file, refused rows in words, and notes."""

    file: Path
    sessions: Sequence[SessionToKeep]
    refused: Sequence[str]
    notes: Sequence[str]


def import_readings(
    file: Path, store: Path, *, instrument: Path | None = None, gauges: Path | None = None, dry_run: bool = False
) -> Import:
    """Keep the readings of a CSV file that the store does not hold yet, those taken back too.

    Args:
        file: the CSV file, as `fretledger evaluate` reads it.
        store: the session store; created when nothing exists there and there is something to keep.
        instrument: the instrument's TOML file; without it the readings are kept and never judged.
        gauges: TOML file with what the gauges are worth, or None.
        dry_run: only say what would be kept.

    Raises:
        InputFileError: a file does not hold as a whole; a row that does not is refused by itself.
        StoreError: the store cannot be used.
    """
    neck = None if instrument is None else read_instrument(instrument)
    worth = {} if gauges is None else read_gauges(gauges)
    text = csv_text(file, what="readings")
    rows = list(rows_of(text, where=str(file)))
    digest = hashlib.sha256(text.encode()).hexdigest()
    if not store.exists():
        found = _Sorter(file, digest, neck, worth, None).sort(rows)
        if not dry_run and any(one.readings for one in found.sessions):
            with Store.create(store) as owned:
                keep_sessions(owned, found.sessions, neck=neck, file=file.name)
        return found
    if dry_run:
        with StoreReader(store) as reader:
            return _Sorter(file, digest, neck, worth, reader).sort(rows)
    with Store.open(store) as owned:
        with owned.reader() as reader:
            found = _Sorter(file, digest, neck, worth, reader).sort(rows)
        keep_sessions(owned, found.sessions, neck=neck, file=file.name)
    return found


class _Sorter:
    """Tell what of a file is new, what is kept already and what does not hold."""

    def __init__(
        self, file: Path, digest: str, neck: Instrument | None, worth: Mapping[str, GaugeSpec],
        reader: StoreReader | None,
    ) -> None:  # fmt: skip
        self._file = file
        self._digest = digest
        self._frets = MOST_FRETS if neck is None else neck.frets
        self._worth = worth
        self._reader = reader
        self._held = {one.id for one in reader.sessions()} if reader else set()
        self._sessions: dict[str, SessionToKeep] = {}
        self._kept: dict[str, dict[Key, ReadingRow]] = {}
        self._gone: dict[str, set[Key]] = {}

    def sort(self, rows: Sequence[Row]) -> Import:
        refused: list[str] = []
        warm = 0
        for row in rows:
            try:
                self._add(row)
                warm += bool(row.get("temperature_c"))
            except ReadingsFileError as error:
                refused.append(str(error).removeprefix(f"{self._file}, "))
        note = f"temperature_c of {warm} rows stays in their raw text only: the store notes it together with humidity"
        notes = [note] if warm else []
        return Import(file=self._file, sessions=list(self._sessions.values()), refused=refused, notes=notes)

    def _add(self, row: Row) -> None:
        row.check_cells()
        source, number = row.get("session"), row.get("sequence")
        if number and not _WHOLE.fullmatch(number):
            raise row.error(f"sequence must be a whole number, got {brief(number)}")
        named = bool(source and number)
        session = self._session(source, named=named)
        reading = _reading(
            row, session.session, int(number) if named else row.line, frets=self._frets, gauges=self._worth
        )
        key = reading.gauge, reading.sequence
        own = self._rows(source).get(key) if named else None
        if own is not None:
            _check_same(row, own, reading)
            session.known += 1
            return
        before = self._rows(session.session).get(key)
        if before is not None:
            _check_same(row, before, reading)
            session.known += 1
        else:
            self._check_worth(row, session)
            self._rows(session.session)[key] = reading
            session.readings.append(reading)
        if row.taken_back and key not in self._gone[session.session]:
            self._gone[session.session].add(key)
            session.taken_back[key] = row.get("taken_back")

    def _session(self, source: str, *, named: bool) -> SessionToKeep:
        told = f"session {source}" if named else f"file {self._digest} session {source}"
        identity = f"import-{hashlib.sha256(told.encode()).hexdigest()[:32]}"
        if identity not in self._sessions:
            held = identity in self._held
            specs = {one.gauge: spec_of(one) for one in self._gauges(identity)} if held else {}
            self._sessions[identity] = SessionToKeep(session=identity, source=source, exists=held, specs=specs)
            self._rows(identity)
        return self._sessions[identity]

    def _gauges(self, session: str) -> Sequence[SessionGauge]:
        return self._reader.gauges(session) if self._reader else ()

    def _rows(self, session: str) -> dict[Key, ReadingRow]:
        """Return what the store, and the file so far, hold of a session."""
        if session not in self._kept:
            kept: Sequence[KeptReading] = ()
            if self._reader and session in self._held:
                kept = self._reader.readings(session)
            self._kept[session] = {(one.row.gauge, one.row.sequence): one.row for one in kept}
            self._gone[session] = {(one.row.gauge, one.row.sequence) for one in kept if one.taken_back}
        return self._kept[session]

    def _check_worth(self, row: Row, session: SessionToKeep) -> None:
        """Check that a gauge is worth the same in all its rows, since a session keeps one worth for each."""
        name = row.get("gauge")
        stated = self._worth.get(name, GaugeSpec(kind=""))
        resolution, u = (row.length_mm(one, row.unit_nm(), negative=False) for one in ("resolution", "u"))
        spec = replace(stated, resolution_mm=stated.resolution_mm if resolution is None else resolution or None,
                       u_mm=stated.u_mm if u is None else u)  # fmt: skip
        before = session.specs.setdefault(name, spec)
        if (before.resolution_mm, before.u_mm) != (spec.resolution_mm, spec.u_mm):
            raise row.error(
                f"gauge {name!r} must be worth the same in all rows of a session, got resolution "
                f"{spec.resolution_mm} and u {spec.u_mm} mm after {before.resolution_mm} and {before.u_mm}; "
                "give it another name"
            )


def _check_same(row: Row, kept: ReadingRow, new: ReadingRow) -> None:
    differing = [name for name in _FACTS if getattr(kept, name) != getattr(new, name)]
    if differing:
        told = "; ".join(f"{name} {getattr(kept, name)!r} is kept, {getattr(new, name)!r} came" for name in differing)
        raise row.error(f"this reading is kept already with other content: {told}; what is kept stays")


def _reading(row: Row, session: str, sequence: int, *, frets: int, gauges: Mapping[str, GaugeSpec]) -> ReadingRow:
    """Return a row as the store keeps it; one that counts must hold as for `fretledger evaluate`.

    Raises:
        ReadingsFileError: a cell does not hold.
    """
    unit_nm = row.unit_nm()
    low, high, value = (row.length_nm(name, unit_nm) for name in ("low", "high", "value"))
    if low is not None and high is not None:
        value = (low + high) // 2
    if value is None:
        raise row.error("value is missing; give a value, or low and high")
    span = row.length_nm("span_mm", 1_000_000)
    reading = ReadingRow(
        session=session, gauge=row.get("gauge"), sequence=sequence, kind=row.get("kind") or None,
        place=row.get("place") or None, round=row.get("round") or None, value_nm=value, low_nm=low, high_nm=high,
        span_nm=span, unit=row.get("unit"), raw=csv_line(row.written).encode(), status=IMPORTED,
        taken_at_ns=_taken_at_ns(row), monotonic_ns=0,
    )  # fmt: skip
    if row.taken_back or row.unassigned:
        return replace(reading, fret=_fret(row), feet=_feet(row))
    key = observation_of_row(row, frets=frets, gauges=gauges).key
    shared = reading.round
    if shared is None and key.kind in STEPS and key.feet:
        shared = f"feet {key.feet[1] - key.feet[0]} apart"  # as in a file: one zero for each setting of the feet
    return replace(reading, fret=key.fret, place=key.place, feet=feet_text(key.feet), round=shared)


def _taken_at_ns(row: Row) -> int:
    moment = row.taken_at()
    if moment is None:
        return 0
    if not _FIRST <= moment <= _LAST:
        raise row.error(f"taken_at must lie between 1970 and 2200, got {brief(row.get('taken_at'))}")
    return (moment - _EPOCH) // timedelta(microseconds=1) * 1000


def _fret(row: Row) -> int | None:
    cell = row.get("fret")
    if cell and not _FRET.fullmatch(cell):
        raise row.error(f"fret must be a whole number, got {brief(cell)}")
    return int(cell) if cell else None


def _feet(row: Row) -> str | None:
    cell = row.get("feet")
    if cell and not _FEET.fullmatch(cell):
        raise row.error(f"feet must be two frets like 6-8, got {brief(cell)}")
    return cell or None


def import_lines(done: Import, *, dry_run: bool) -> list[str]:
    """Return what a person is told: what each session gets, what is kept already, and every refused row."""
    new = sum(len(one.readings) for one in done.sessions)
    gone = sum(len(one.taken_back) for one in done.sessions)
    known = sum(one.known for one in done.sessions)
    verb = "would keep" if dry_run else "kept"
    lines = [f"{verb} {new} new readings and {gone} take-backs; {known} kept already, {len(done.refused)} refused"]
    for one in done.sessions:
        counts = f"{len(one.readings)} new, {one.known} kept already, {len(one.taken_back)} taken back"
        name = f", as {one.session}" if one.readings or one.exists else ""
        lines.append(f"session {one.source or 'not named'}{name}: {counts}")
        lines += [f"   {count:6d}  {kind or 'no feature'}" for kind, count in sorted(one.kinds().items())]
    lines += [f"note: {note}" for note in done.notes]
    return lines + [short_line(f"refused: {one}") for one in done.refused]
