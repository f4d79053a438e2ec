"""The tables of a session store, and the numbered steps that lead to them.

Each step runs in one transaction with its ``user_version``: a store has a step whole or not at all. A step that is
released is never edited; a change is a new step. A step that rebuilds a table must create its triggers again.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from logger.errors import StoreError, StoreForeignError, StoreVersionError
from logger.store.faults import in_words

APPLICATION_ID: Final = 0x46524C47
"""Marks a SQLite file as a session store: the letters FRLG."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A migration: what it does, in words, and its statements in order."""

    words: str
    statements: tuple[str, ...]
    fills: bool = False
    """It fills or rebuilds a table that was there, so that hashes of rows from before do not hold after it."""


def _append_only(table: str, *key: str) -> tuple[str, ...]:
    """Forbid update, delete, and the delete that hides in INSERT OR REPLACE."""
    text = f"append-only: a kept row of {table}"
    same = " AND ".join(f"{name} = NEW.{name}" for name in key)
    taken = f"EXISTS (SELECT 1 FROM {table} WHERE {same}) OR EXISTS (SELECT 1 FROM {table} WHERE entry = NEW.entry)"
    guards = {
        "no_update": ("BEFORE UPDATE", "", "changed"),
        "no_delete": ("BEFORE DELETE", "", "deleted"),
        "no_replace": ("BEFORE INSERT", f"WHEN {taken}", "replaced"),
    }
    return tuple(
        f"CREATE TRIGGER {table}_{name} {event} ON {table} {when} "
        f"BEGIN SELECT RAISE(ABORT, '{text} is never {done}'); END"
        for name, (event, when, done) in guards.items()
    )


# `entry` is declared, because an implicit rowid may be renumbered by VACUUM and it is the order of commits.
_ENTRY: Final = "entry INTEGER PRIMARY KEY"
_FEATURE: Final = """
    fret INTEGER CONSTRAINT "fret must be 0 (the nut) or more" CHECK (fret >= 0),
    place TEXT CONSTRAINT "place must not be empty" CHECK (place <> ''),
    feet TEXT CONSTRAINT "feet must be two frets such as 6-8" CHECK (feet GLOB '[0-9]*-[0-9]*')"""
_KIND: Final = """kind TEXT CONSTRAINT "kind must not be empty" CHECK (kind <> '')"""
_SEQUENCE: Final = """sequence INTEGER NOT NULL CONSTRAINT "sequence must be 0 or more" CHECK (sequence >= 0)"""
_NUMBER: Final = """number INTEGER NOT NULL CONSTRAINT "number must be 0 or more" CHECK (number >= 0)"""
_REVISION: Final = """revision INTEGER NOT NULL CONSTRAINT "revision must be 0 or more" CHECK (revision >= 0)"""
_OF_READING: Final = "FOREIGN KEY (session, gauge, sequence) REFERENCES reading (session, gauge, sequence)"

_FIRST: Final = Step(
    words="the tables of the first release",
    statements=(
        f"PRAGMA application_id = {APPLICATION_ID}",
        """CREATE TABLE store (entry INTEGER PRIMARY KEY CHECK (entry = 1), id TEXT NOT NULL UNIQUE,
        created_at_ns INTEGER NOT NULL) STRICT""",
        *_append_only("store", "id"),
        f"""CREATE TABLE instrument ({_ENTRY},
        id TEXT NOT NULL UNIQUE CONSTRAINT "id must not be empty" CHECK (id <> ''), created_at_ns INTEGER NOT NULL,
        description TEXT NOT NULL) STRICT""",
        *_append_only("instrument", "id"),
        f"""CREATE TABLE instrument_revision ({_ENTRY},
        instrument TEXT NOT NULL REFERENCES instrument (id), {_REVISION},
        at_ns INTEGER NOT NULL, name TEXT NOT NULL, description TEXT NOT NULL, UNIQUE (instrument, revision)) STRICT""",
        *_append_only("instrument_revision", "instrument", "revision"),
        f"""CREATE TABLE session ({_ENTRY},
        id TEXT NOT NULL UNIQUE CONSTRAINT "id must not be empty" CHECK (id <> ''), instrument TEXT NOT NULL,
        revision INTEGER NOT NULL, started_at_ns INTEGER NOT NULL, monotonic_ns INTEGER NOT NULL, boot_id TEXT NOT NULL,
        software TEXT NOT NULL, people TEXT NOT NULL, note TEXT NOT NULL, limits TEXT NOT NULL,
        FOREIGN KEY (instrument, revision) REFERENCES instrument_revision (instrument, revision)) STRICT""",
        "CREATE INDEX session_by_instrument ON session (instrument)",
        *_append_only("session", "id"),
        f"""CREATE TABLE session_end ({_ENTRY}, session TEXT NOT NULL UNIQUE REFERENCES session (id),
        at_ns INTEGER NOT NULL, reason TEXT NOT NULL) STRICT""",
        *_append_only("session_end", "session"),
        f"""CREATE TABLE session_gauge ({_ENTRY}, session TEXT NOT NULL REFERENCES session (id), gauge TEXT NOT NULL,
        kind TEXT NOT NULL, description TEXT NOT NULL, profile TEXT NOT NULL, profile_sha256 TEXT NOT NULL,
        UNIQUE (session, gauge)) STRICT""",
        *_append_only("session_gauge", "session", "gauge"),
        f"""CREATE TABLE reading ({_ENTRY}, session TEXT NOT NULL, gauge TEXT NOT NULL, {_SEQUENCE},
        {_KIND}, {_FEATURE}, round TEXT,
        value_nm INTEGER NOT NULL, low_nm INTEGER, high_nm INTEGER, span_nm INTEGER, unit TEXT NOT NULL,
        raw BLOB NOT NULL, status TEXT NOT NULL, taken_at_ns INTEGER NOT NULL, monotonic_ns INTEGER NOT NULL,
        UNIQUE (session, gauge, sequence),
        FOREIGN KEY (session, gauge) REFERENCES session_gauge (session, gauge),
        CONSTRAINT "low_nm must not lie above high_nm" CHECK (low_nm <= high_nm),
        CONSTRAINT "span_nm must be 0 or more" CHECK (span_nm >= 0)) STRICT""",
        "CREATE INDEX reading_by_feature ON reading (session, kind, fret, place)",
        *_append_only("reading", "session", "gauge", "sequence"),
        f"""CREATE TABLE take_back ({_ENTRY}, session TEXT NOT NULL, {_NUMBER}, gauge TEXT NOT NULL,
        sequence INTEGER NOT NULL, at_ns INTEGER NOT NULL, who TEXT NOT NULL, why TEXT NOT NULL,
        UNIQUE (session, number), {_OF_READING}) STRICT""",
        *_append_only("take_back", "session", "number"),
        f"""CREATE TABLE reassignment ({_ENTRY}, session TEXT NOT NULL, {_NUMBER}, gauge TEXT NOT NULL,
        sequence INTEGER NOT NULL, {_KIND}, {_FEATURE}, round TEXT, at_ns INTEGER NOT NULL, who TEXT NOT NULL,
        why TEXT NOT NULL, UNIQUE (session, number), {_OF_READING}) STRICT""",
        *_append_only("reassignment", "session", "number"),
        f"""CREATE TABLE skip ({_ENTRY}, session TEXT NOT NULL REFERENCES session (id), {_NUMBER},
        {_KIND} NOT NULL, {_FEATURE}, at_ns INTEGER NOT NULL, UNIQUE (session, number)) STRICT""",
        *_append_only("skip", "session", "number"),
    ),
)

_SECOND: Final = Step(
    words="named gauges, their checks and studies, the climate, and what is asked of the sheet",
    statements=(
        f"""CREATE TABLE sheet_request ({_ENTRY}, session TEXT NOT NULL REFERENCES session (id), {_NUMBER},
        ask TEXT NOT NULL CONSTRAINT "ask must be unskip or repeat" CHECK (ask IN ('unskip', 'repeat')),
        {_KIND} NOT NULL, {_FEATURE}, at_ns INTEGER NOT NULL, UNIQUE (session, number)) STRICT""",
        *_append_only("sheet_request", "session", "number"),
        f"""CREATE TABLE session_purpose ({_ENTRY}, session TEXT NOT NULL UNIQUE REFERENCES session (id),
        purpose TEXT NOT NULL CONSTRAINT "purpose must not be empty" CHECK (purpose <> ''),
        description TEXT NOT NULL) STRICT""",
        *_append_only("session_purpose", "session"),
        f"""CREATE TABLE climate ({_ENTRY}, session TEXT NOT NULL REFERENCES session (id), {_NUMBER},
        at_ns INTEGER NOT NULL,
        temperature_mc INTEGER NOT NULL
            CONSTRAINT "temperature must be from -20 to 50 degrees" CHECK (temperature_mc BETWEEN -20000 AND 50000),
        humidity_mpercent INTEGER NOT NULL
            CONSTRAINT "humidity must be from 0 to 100 percent" CHECK (humidity_mpercent BETWEEN 0 AND 100000),
        who TEXT NOT NULL, UNIQUE (session, number)) STRICT""",
        *_append_only("climate", "session", "number"),
        f"""CREATE TABLE gauge ({_ENTRY},
        name TEXT NOT NULL CONSTRAINT "name must not be empty" CHECK (name <> ''), {_NUMBER},
        at_ns INTEGER NOT NULL, {_KIND} NOT NULL, description TEXT NOT NULL, UNIQUE (name, number)) STRICT""",
        *_append_only("gauge", "name", "number"),
        f"""CREATE TABLE gauge_check ({_ENTRY},
        id TEXT NOT NULL UNIQUE CONSTRAINT "id must not be empty" CHECK (id <> ''), gauge TEXT NOT NULL, {_REVISION},
        at_ns INTEGER NOT NULL, {_KIND} NOT NULL, who TEXT NOT NULL, temperature_mc INTEGER,
        FOREIGN KEY (gauge, revision) REFERENCES gauge (name, number)) STRICT""",
        "CREATE INDEX gauge_check_by_gauge ON gauge_check (gauge)",
        *_append_only("gauge_check", "id"),
        f"""CREATE TABLE gauge_check_point ({_ENTRY}, gauge_check TEXT NOT NULL REFERENCES gauge_check (id), {_NUMBER},
        replaces INTEGER, nominal_nm INTEGER NOT NULL,
        u_nominal_nm INTEGER NOT NULL
            CONSTRAINT "uncertainty of a known size must be 0 or more" CHECK (u_nominal_nm >= 0),
        direction TEXT NOT NULL
            CONSTRAINT "direction must be up, down or empty" CHECK (direction IN ('', 'up', 'down')),
        value_nm INTEGER NOT NULL, unit TEXT NOT NULL, raw BLOB NOT NULL, at_ns INTEGER NOT NULL,
        UNIQUE (gauge_check, number),
        FOREIGN KEY (gauge_check, replaces) REFERENCES gauge_check_point (gauge_check, number)) STRICT""",
        *_append_only("gauge_check_point", "gauge_check", "number"),
        f"""CREATE TABLE gauge_check_result ({_ENTRY}, gauge_check TEXT NOT NULL UNIQUE REFERENCES gauge_check (id),
        at_ns INTEGER NOT NULL, result TEXT NOT NULL) STRICT""",
        *_append_only("gauge_check_result", "gauge_check"),
    ),
)

_SHA256: Final = "length({name}) = 64 AND {name} NOT GLOB '*[^0-9a-f]*'"
_LAST_RECORD: Final = "SELECT {column} FROM record ORDER BY number DESC LIMIT 1"

_THIRD: Final = Step(
    words="sealed records, attachments, and what a session was worked with",
    statements=(
        f"""CREATE TABLE record ({_ENTRY},
        id TEXT NOT NULL UNIQUE CONSTRAINT "id must not be empty" CHECK (id <> ''),
        instrument TEXT NOT NULL REFERENCES instrument (id), sessions TEXT NOT NULL,
        number INTEGER NOT NULL UNIQUE CONSTRAINT "number must be 1 or more" CHECK (number >= 1),
        at_ns INTEGER NOT NULL, document TEXT NOT NULL,
        sha256 TEXT NOT NULL UNIQUE CONSTRAINT "sha256 must be 64 hex digits" CHECK ({_SHA256.format(name="sha256")}),
        signature TEXT NOT NULL, key TEXT NOT NULL, certificate TEXT NOT NULL, previous TEXT NOT NULL UNIQUE,
        names TEXT NOT NULL) STRICT""",
        "CREATE INDEX record_by_instrument ON record (instrument)",
        *_append_only("record", "id"),
        # Every other unique column has its guard here: a record goes to the end of the chain or nowhere.
        f"""CREATE TRIGGER record_in_chain BEFORE INSERT ON record
        WHEN (NEW.number <> coalesce(({_LAST_RECORD.format(column="number")}), 0) + 1
            OR NEW.previous <> coalesce(({_LAST_RECORD.format(column="sha256")}), '')
            OR EXISTS (SELECT 1 FROM record WHERE sha256 = NEW.sha256))
            AND NOT EXISTS (SELECT 1 FROM record WHERE id = NEW.id OR entry = NEW.entry)
        BEGIN SELECT RAISE(ABORT, 'a record is chained to the last one before it'); END""",
        f"""CREATE TABLE attachment ({_ENTRY},
        id TEXT NOT NULL UNIQUE CONSTRAINT "id must not be empty" CHECK (id <> ''), at_ns INTEGER NOT NULL,
        instrument TEXT NOT NULL REFERENCES instrument (id), session TEXT REFERENCES session (id), {_KIND}, {_FEATURE},
        name TEXT NOT NULL, media_type TEXT NOT NULL,
        size INTEGER NOT NULL CONSTRAINT "size must be 0 or more" CHECK (size >= 0),
        sha256 TEXT NOT NULL CONSTRAINT "sha256 must be 64 hex digits" CHECK ({_SHA256.format(name="sha256")}),
        path TEXT NOT NULL CONSTRAINT "path must end in the content's sha256 and lead nowhere else"
            CHECK (path = 'attachments/' || sha256)) STRICT""",
        "CREATE INDEX attachment_by_instrument ON attachment (instrument)",
        *_append_only("attachment", "id"),
        f"""CREATE TABLE session_factor ({_ENTRY}, session TEXT NOT NULL REFERENCES session (id), {_NUMBER},
        at_ns INTEGER NOT NULL, name TEXT NOT NULL CONSTRAINT "name must not be empty" CHECK (name <> ''),
        value TEXT NOT NULL, UNIQUE (session, number)) STRICT""",
        *_append_only("session_factor", "session", "number"),
    ),
)

_FOURTH: Final = Step(
    words="who attached a file; since when a store is counted and what it was recovered from",
    statements=(
        f"""CREATE TABLE attachment_note ({_ENTRY}, attachment TEXT NOT NULL REFERENCES attachment (id), {_NUMBER},
        at_ns INTEGER NOT NULL, who TEXT NOT NULL, note TEXT NOT NULL, UNIQUE (attachment, number)) STRICT""",
        *_append_only("attachment_note", "attachment", "number"),
        f"""CREATE TABLE store_event ({_ENTRY},
        number INTEGER NOT NULL UNIQUE CONSTRAINT "number must be 1 or more" CHECK (number >= 1),
        at_ns INTEGER NOT NULL, kind TEXT NOT NULL CONSTRAINT "kind must not be empty" CHECK (kind <> ''),
        description TEXT NOT NULL) STRICT""",
        *_append_only("store_event", "number"),
    ),
)

_FIFTH: Final = Step(
    words="notes of a session",
    statements=(
        f"""CREATE TABLE session_note ({_ENTRY}, session TEXT NOT NULL REFERENCES session (id), {_NUMBER},
        at_ns INTEGER NOT NULL, who TEXT NOT NULL, text TEXT NOT NULL, replaces INTEGER,
        audience TEXT NOT NULL
            CONSTRAINT "audience must be shop or customer" CHECK (audience IN ('shop', 'customer')),
        UNIQUE (session, number),
        FOREIGN KEY (session, replaces) REFERENCES session_note (session, number)) STRICT""",
        *_append_only("session_note", "session", "number"),
    ),
)

STEPS: Final = (_FIRST, _SECOND, _THIRD, _FOURTH, _FIFTH)
"""Every migration; step n leads from version n - 1 to version n."""


def migrate(connection: sqlite3.Connection, path: Path, *, steps: Sequence[Step] = STEPS) -> None:
    """Take the steps that a store does not have yet, each in one transaction with its ``user_version``.

    Raises:
        StoreError: if a step fails; the store is then at the version before that step.
    """
    for version in range(version_of(connection) + 1, len(steps) + 1):
        step = steps[version - 1]
        try:
            _take(connection, version, step)
        except sqlite3.Error as error:
            fault = in_words(error, path=path, doing=f"brought to version {version} ({step.words})")
            raise fault from error


def _take(connection: sqlite3.Connection, version: int, step: Step) -> None:
    connection.execute("BEGIN IMMEDIATE")
    try:
        for statement in step.statements:
            connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {version}")
        connection.execute("COMMIT")
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def version_of(connection: sqlite3.Connection) -> int:
    """Return the number of the last migration that a store has; 0 for none."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def same_hashes(before: int, after: int, *, steps: Sequence[Step] = STEPS) -> bool:
    """Tell whether hashes of rows that a store had at one version hold at a later one."""
    return before <= after and not any(one.fills for one in steps[before:after])


def check_identity(connection: sqlite3.Connection, path: Path, *, known: int = len(STEPS)) -> int:
    """Return a store's version after checking that it is a session store that this program can read.

    Raises:
        StoreForeignError: if the database is not a session store.
        StoreVersionError: if a newer program wrote it.
    """
    mark = connection.execute("PRAGMA application_id").fetchone()[0]
    found = version_of(connection)
    if mark != APPLICATION_ID or found < 1:
        raise StoreForeignError(
            f"{path} is a database but not a session store (application id {mark:#x}); name another file", path=path
        )
    if found > known:
        raise StoreVersionError(
            f"session store {path} is of version {found}, this program knows versions up to {known}; "
            "update this program to open it",
            path=path,
            found=found,
            known=known,
        )
    return found


def check_guards(connection: sqlite3.Connection, path: Path, *, steps: Sequence[Step] = STEPS) -> None:
    """Check that no table, index or append-only trigger has gone missing.

    Raises:
        StoreError: naming what is missing.
    """
    missing = _objects_of(tuple(steps)) - _objects(connection)
    if missing:
        listed = ", ".join(f"{kind} {name}" for kind, name in sorted(missing))
        raise StoreError(
            f"session store {path} must hold every table and append-only trigger, missing: {listed}; "
            "another program has altered it: keep a copy and restore a backup",
            path=path,
        )


@cache
def _objects_of(steps: tuple[Step, ...]) -> frozenset[tuple[str, str]]:
    memory = sqlite3.connect(":memory:", isolation_level=None)
    try:
        for step in steps:
            for statement in step.statements:
                memory.execute(statement)
        return _objects(memory)
    finally:
        memory.close()


def _objects(connection: sqlite3.Connection) -> frozenset[tuple[str, str]]:
    return frozenset(connection.execute("SELECT type, name FROM sqlite_schema WHERE name NOT LIKE 'sqlite_%'"))
