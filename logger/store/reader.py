"""Read a session store, whoever owns and writes it meanwhile."""

import sqlite3
import threading
from array import array
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, Self, TypeVar

from logger.errors import SessionNotFoundError, StoreError
from logger.names import brief
from logger.store.amended import amendments
from logger.store.connect import open_reader, resolve, store_id_of
from logger.store.faults import in_words
from logger.store.news import added
from logger.store.rack import NAME, NEWEST, VISITS, OnRack, Visit, listed
from logger.store.rows import (
    Attachment,
    AttachmentNote,
    CheckPoint,
    CheckResult,
    Climate,
    Gauge,
    GaugeCheck,
    InstrumentRevision,
    InstrumentRow,
    KeptReading,
    ReadingRow,
    Reassignment,
    RecordRow,
    SessionEnd,
    SessionFactor,
    SessionGauge,
    SessionNote,
    SessionPurpose,
    SessionRow,
    SheetRequest,
    Skip,
    StoreEvent,
    TakeBack,
)
from logger.store.tables import TABLES, Value
from logger.store.uses import WORKED, FactorUse, GaugeUse, uses

R = TypeVar("R")
NO_INSTRUMENT: Final = "none"
"""Id of the instrument that sessions without one refer to; `StoreReader.instruments` leaves it out."""
PAGE: Final = 1000
"""How many readings are held at once where they are asked for one by one."""
_OPEN: Final = "WHERE NOT EXISTS (SELECT 1 FROM session_end WHERE session_end.session = session.id)"
_NEWEST: Final = """WHERE revision = (SELECT max(revision) FROM instrument_revision AS other
    WHERE other.instrument = instrument_revision.instrument)"""


class StoreReader:
    """Answer what the store at ``path`` holds, as of its newest commit; any thread may call.

    Lists are in the order of commits. An unknown session has empty lists; only `session` raises for it.
    Every method raises StoreError if the file cannot be read or the reader is closed.

    Raises:
        StoreVersionError: if a newer program wrote the store.
        StoreForeignError: if the file is not a session store.
        StoreError: if there is no such file or it cannot be read.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = resolve(path)
        self._turn = threading.RLock()
        self._connection: sqlite3.Connection | None = open_reader(self.path)

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        with self._turn:
            connection, self._connection = self._connection, None
            if connection is not None:
                connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def store_id(self) -> str:
        """Return the store's UUID, which it keeps for life."""
        with self._turn, self._faults() as connection:
            return store_id_of(connection, self.path)

    def sessions(self) -> list[SessionRow]:
        """Return every session."""
        return self._rows(SessionRow)

    def session(self, session: str) -> SessionRow:
        """Return one session.

        Raises:
            SessionNotFoundError: if the store holds no such session.
        """
        found = self._rows(SessionRow, "WHERE id = ?", (session,))
        if not found:
            raise SessionNotFoundError(
                f"session store {self.path} holds no session {brief(session)}; list its sessions to find one",
                path=self.path,
            )
        return found[0]

    def last_session(self, instrument: str | None = None) -> SessionRow | None:
        """Return the session that was begun last, on one instrument or on any; None if there is none."""
        where, bound = ("", ()) if instrument is None else ("WHERE instrument = ?", (instrument,))
        found = self._rows(SessionRow, where, bound, last="DESC LIMIT 1")
        return found[0] if found else None

    def open_sessions(self) -> list[SessionRow]:
        """Return the sessions that have no end."""
        return self._rows(SessionRow, _OPEN)

    def session_end(self, session: str) -> SessionEnd | None:
        """Return a session's end, None while it is open."""
        found = self._rows(SessionEnd, "WHERE session = ?", (session,))
        return found[0] if found else None

    def instruments(self) -> list[InstrumentRevision]:
        """Return the newest revision of every instrument that has one, in the order of the instruments."""
        newest = {row.instrument: row for row in self._rows(InstrumentRevision, _NEWEST)}
        return [newest[row.id] for row in self.instrument_rows() if row.id in newest and row.id != NO_INSTRUMENT]

    def rack(
        self, *, find: str = "", state: str = "", among: Collection[str] | None = None, start: int = 0, most: int = 50
    ) -> tuple[int, list[OnRack]]:
        """Return how many instruments are asked for, and ``most`` of them from ``start`` on, last measured first.

        Args:
            find: part of the name, in any case; empty for all.
            state: ``measuring``, ``ended`` or ``unmeasured``, by the newest visit; empty for all.
            among: the newest visit is one of these sessions; None for all.
            start: how many to pass over.
            most: how many to return.
        """
        chosen, bound = listed(find=find, state=state, among=among)
        page = f"SELECT i.id, coalesce({NAME}, '') {chosen} ORDER BY {NEWEST} DESC, i.entry DESC LIMIT ? OFFSET ?"
        with self._snapshot():
            count = self._whole(f"SELECT count(*) {chosen}", bound)
            found = self._all(page, [*bound, most, start])
            return count, [OnRack(instrument=one, name=name, visits=self._visits(one)) for one, name in found]

    def added(self, marks: Mapping[str, int]) -> tuple[list[tuple[str, str, int]], dict[str, int]]:
        """Return the sessions with something after the marks, as `logger.store.news.added` does, and new marks."""
        with self._snapshot():
            return added(self._all, marks)

    def _visits(self, instrument: str) -> tuple[Visit, ...]:
        return tuple(
            Visit(session=session, started_at_ns=at_ns, ended=ended, readings=readings, amended=amended)
            for session, at_ns, ended, readings, amended in self._all(VISITS, (instrument,))
        )

    def instrument_rows(self) -> list[InstrumentRow]:
        """Return every instrument as it was first described."""
        return self._rows(InstrumentRow)

    def instrument(self, instrument: str) -> InstrumentRevision:
        """Return an instrument's newest revision.

        Raises:
            StoreError: if the store holds no revision of it.
        """
        found = self._rows(InstrumentRevision, "WHERE instrument = ?", (instrument,))
        if not found:
            raise StoreError(f"session store {self.path} holds no instrument {instrument!r}", path=self.path)
        return max(found, key=lambda row: row.revision)

    def instrument_at(self, instrument: str, revision: int) -> InstrumentRevision:
        """Return one revision of an instrument.

        Raises:
            StoreError: if the store holds no such revision.
        """
        found = self._rows(InstrumentRevision, "WHERE instrument = ? AND revision = ?", (instrument, revision))
        if not found:
            raise StoreError(
                f"session store {self.path} holds no revision {revision} of instrument {instrument!r}", path=self.path
            )
        return found[0]

    def gauges(self, session: str) -> list[SessionGauge]:
        """Return the gauges of a session."""
        return self._rows(SessionGauge, "WHERE session = ?", (session,))

    def readings(self, session: str | None = None) -> list[KeptReading]:
        """Return readings, of one session or all, as they stand after every take-back and reassignment."""
        where, bound = _of(session)
        with self._snapshot():
            originals = self._rows(ReadingRow, where, bound)
            amend = self._amendments(where, bound)
        return [amend(row) for row in originals]

    def each_reading(self, session: str) -> Iterator[KeptReading]:
        """Return the readings of a session one by one, as `readings` does, however many there are.

        Only their places in the file and the session's take-backs and reassignments are held. Nothing is locked between
        pages: what is taken back while this runs may be missed.
        """
        where, bound = _of(session)
        with self._snapshot():
            with self._faults() as connection:
                found = connection.execute(f"SELECT entry FROM reading {where} ORDER BY entry", bound)
                entries = array("q", (one for (one,) in found))
            amend = self._amendments(where, bound)
        for start in range(0, len(entries), PAGE):
            page = entries[start : start + PAGE]
            # the sign keeps SQLite from the index by session, which would read the whole session for every page
            between = "WHERE entry BETWEEN ? AND ? AND +session = ?"
            yield from (amend(row) for row in self._rows(ReadingRow, between, (page[0], page[-1], session)))

    def _amendments(self, where: str, bound: Sequence[Value]) -> Callable[[ReadingRow], KeptReading]:
        """Return what tells a reading as it stands after the take-backs and reassignments there are now."""
        return amendments(self._rows(TakeBack, where, bound), self._rows(Reassignment, where, bound))

    def take_backs(self, session: str) -> list[TakeBack]:
        """Return the take-backs of a session."""
        return self._rows(TakeBack, "WHERE session = ?", (session,))

    def reassignments(self, session: str) -> list[Reassignment]:
        """Return the reassignments of a session."""
        return self._rows(Reassignment, "WHERE session = ?", (session,))

    def skips(self, session: str) -> list[Skip]:
        """Return the features that a session passed over."""
        return self._rows(Skip, "WHERE session = ?", (session,))

    def sheet_requests(self, session: str) -> list[SheetRequest]:
        """Return what a session asked of its sheet beyond skipping."""
        return self._rows(SheetRequest, "WHERE session = ?", (session,))

    def climates(self, session: str) -> list[Climate]:
        """Return temperature and humidity during a session."""
        return self._rows(Climate, "WHERE session = ?", (session,))

    def first_climate(self, instrument: str) -> Climate | None:
        """Return the first climate kept in any session on an instrument, or None."""
        where = "WHERE session IN (SELECT id FROM session WHERE instrument = ?)"
        found = self._rows(Climate, where, (instrument,), last="LIMIT 1")
        return found[0] if found else None

    def purposes(self) -> list[SessionPurpose]:
        """Return what the sessions are for that do not measure an instrument."""
        return self._rows(SessionPurpose)

    def session_gauges(self) -> list[SessionGauge]:
        """Return the gauges of every session."""
        return self._rows(SessionGauge)

    def gauge_revisions(self, name: str | None = None) -> list[Gauge]:
        """Return every revision of what a gauge is worth, of one gauge or all."""
        return self._rows(Gauge) if name is None else self._rows(Gauge, "WHERE name = ?", (name,))

    def gauge_checks(self, gauge: str | None = None) -> list[tuple[GaugeCheck, CheckResult]]:
        """Return the checks that came to a result, of one gauge or all."""
        with self._snapshot():
            checks = self._rows(GaugeCheck) if gauge is None else self._rows(GaugeCheck, "WHERE gauge = ?", (gauge,))
            results = {row.gauge_check: row for row in self._rows(CheckResult)}
        return [(row, results[row.id]) for row in checks if row.id in results]

    def check_points(self, check: str) -> list[CheckPoint]:
        """Return the readings of a check, those replaced by a later one too."""
        return self._rows(CheckPoint, "WHERE gauge_check = ?", (check,))

    def gauge_uses(self, *, why_kept: str) -> list[GaugeUse]:
        """Return how much every gauge read in every session; ``why_kept`` marks readings kept when asked about."""
        with self._snapshot():
            return uses(self._all, why_kept=why_kept)

    def reading_at(self, entry: int) -> KeptReading:
        """Return the reading that is an entry of the store, as it stands now."""
        with self._snapshot():
            (row,) = self._rows(ReadingRow, "WHERE entry = ?", (entry,))
            one = "WHERE session = ? AND gauge = ? AND sequence = ?"
            return self._amendments(one, (row.session, row.gauge, row.sequence))(row)

    def instrument_revisions(self, instrument: str) -> list[InstrumentRevision]:
        """Return every revision of an instrument."""
        return self._rows(InstrumentRevision, "WHERE instrument = ?", (instrument,))

    def factors(self, session: str) -> list[SessionFactor]:
        """Return what a session was worked with."""
        return self._rows(SessionFactor, "WHERE session = ?", (session,))

    def notes(self, session: str) -> list[SessionNote]:
        """Return the notes of a session, those replaced by a later one too."""
        return self._rows(SessionNote, "WHERE session = ?", (session,))

    def factor_uses(self, *, without: str) -> list[FactorUse]:
        """Return what sessions but one were worked with, the newest first."""
        return [FactorUse(name=name, value=value, sessions=count, last_ns=last)
                for name, value, count, last in self._all(WORKED, (without,))]  # fmt: skip

    def attachments(self, instrument: str) -> list[Attachment]:
        """Return the files that belong to an instrument."""
        return self._rows(Attachment, "WHERE instrument = ?", (instrument,))

    def attachments_of_content(self, sha256: str) -> list[Attachment]:
        """Return the attached files that have this content."""
        return self._rows(Attachment, "WHERE sha256 = ?", (sha256,))

    def attachment_notes(self, instrument: str) -> list[AttachmentNote]:
        """Return what was said of the files of an instrument, of each in the order of the numbers."""
        where = "WHERE attachment IN (SELECT id FROM attachment WHERE instrument = ?)"
        return self._rows(AttachmentNote, where, (instrument,))

    def records(self, instrument: str) -> list[RecordRow]:
        """Return the sealed records of an instrument, in the order of the chain."""
        return self._rows(RecordRow, "WHERE instrument = ?", (instrument,))

    def record(self, number: int) -> RecordRow | None:
        """Return the sealed record of a number, None if there is none."""
        found = self._rows(RecordRow, "WHERE number = ?", (number,))
        return found[0] if found else None

    def last_record(self) -> RecordRow | None:
        """Return the record that was sealed last, None if there is none."""
        found = self._rows(RecordRow, last="DESC LIMIT 1")
        return found[0] if found else None

    def events(self) -> list[StoreEvent]:
        """Return what happened to the store itself, in that order."""
        return self._rows(StoreEvent)

    def count(self, session: str | None = None) -> int:
        """Return how many readings are kept, of one session or in all; those taken back count too."""
        where, bound = _of(session)
        return self._whole(f"SELECT count(*) FROM reading {where}", bound)

    def next_sequence(self, session: str, gauge: str) -> int:
        """Return the sequence number after the highest that a gauge has in a session; 1 for its first reading."""
        return self._whole(
            "SELECT coalesce(max(sequence), 0) + 1 FROM reading WHERE session = ? AND gauge = ?", (session, gauge)
        )

    def next_number(self, session: str) -> int:
        """Return the number after the highest of what a session has beside its readings: take-backs, climate..."""
        tables = ("take_back", "reassignment", "skip", "sheet_request", "climate", "session_factor")
        numbers = " UNION ALL ".join(f"SELECT max(number) AS number FROM {name} WHERE session = ?1" for name in tables)
        return self._whole(f"SELECT coalesce(max(number), 0) + 1 FROM ({numbers})", (session,))

    def _rows(self, row: type[R], where: str = "", bound: Sequence[Value] = (), *, last: str = "") -> list[R]:
        table = TABLES[row]
        return [table.row(values) for values in self._all(f"{table.select} {where} ORDER BY entry {last}", bound)]

    def _whole(self, statement: str, bound: Sequence[Value]) -> int:
        return int(self._all(statement, bound)[0][0])

    def _all(self, statement: str, bound: Sequence[Value]) -> list[tuple[Any, ...]]:
        with self._turn, self._faults() as connection:
            return connection.execute(statement, bound).fetchall()

    @contextmanager
    def _snapshot(self) -> Iterator[None]:
        """Let every statement inside see the same commit."""
        with self._turn:
            with self._faults() as connection:
                connection.execute("BEGIN")
            try:
                yield
            finally:
                with self._faults() as connection:
                    connection.execute("ROLLBACK")

    @contextmanager
    def _faults(self) -> Iterator[sqlite3.Connection]:
        if self._connection is None:
            raise StoreError(f"the reader of session store {self.path} is closed; open another", path=self.path)
        try:
            yield self._connection
        except sqlite3.Error as error:
            fault = in_words(error, path=self.path, doing="read")
            raise fault from error


def _of(session: str | None) -> tuple[str, tuple[str, ...]]:
    return ("", ()) if session is None else ("WHERE session = ?", (session,))
