"""Keep one row inside an open transaction, or say why it cannot be kept."""

import sqlite3
from collections.abc import Sequence
from pathlib import Path

from logger.errors import StoreConflictError, StoreError
from logger.store.faults import in_words
from logger.store.rows import Row
from logger.store.tables import TABLES, Table, Value

_CHECK_PREFIX = "CHECK constraint failed: "


def keep(connection: sqlite3.Connection, row: Row, path: Path) -> None:
    """Insert a row; the same row sent again does nothing. A refusal leaves the transaction as it was.

    Raises:
        StoreConflictError: if the key is kept already with other content; every column counts.
        StoreError: if the row's values do not hold, or it refers to a row that is not kept.
    """
    table = TABLES.get(type(row))
    if table is None:
        raise StoreError(f"session store {path} keeps rows such as ReadingRow, got {row!r}", path=path)
    values = table.values(row)
    if problem := table.problem(values):
        raise StoreError(f"{table.key_in_words(values)} cannot be kept in session store {path}: {problem}", path=path)
    try:
        connection.execute(table.insert, values)
    except sqlite3.IntegrityError as error:
        _settle(connection, table, values, path, error)
    except (sqlite3.DataError, sqlite3.InterfaceError, sqlite3.ProgrammingError) as error:
        fault = in_words(error, path=path, doing=f"given {table.key_in_words(values)}")
        raise fault from error


def _settle(
    connection: sqlite3.Connection, table: Table, values: Sequence[Value], path: Path, error: sqlite3.IntegrityError
) -> None:
    # Return if the very same row is kept already, else raise.
    kept = connection.execute(table.find, table.key_of(values)).fetchone()
    if kept is None:
        raise StoreError(_refusal(table, values, path, error), path=path) from error
    differing = [
        f"{column.name} {old!r} is kept, {new!r} was sent"
        for column, old, new in zip(table.columns, kept, values, strict=True)
        if old != new
    ]
    if differing:
        raise StoreConflictError(
            f"session store {path} already holds {table.key_in_words(values)} with other content: "
            f"{'; '.join(differing)}; what is kept stays, send the other under a key of its own",
            path=path,
        ) from error


def _refusal(table: Table, values: Sequence[Value], path: Path, error: sqlite3.IntegrityError) -> str:
    name = f"{table.key_in_words(values)} cannot be kept in session store {path}"
    if error.sqlite_errorcode == sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY:
        return f"{name}: {table.parent} is not in the store; keep that first"
    if error.sqlite_errorcode == sqlite3.SQLITE_CONSTRAINT_CHECK:
        return f"{name}: {str(error).removeprefix(_CHECK_PREFIX)}"
    return f"{name}: the database refuses it ({error})"
