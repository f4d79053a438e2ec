"""Read a table of a damaged file row by row, past what cannot be read."""

import sqlite3
from collections.abc import Iterator
from typing import Any, Final

from logger.store.chain import last_entry, quoted

REACH: Final = 100_000
"""How many numbers in a row are tried beyond a row that cannot be read, where nothing says how many there were."""


def last_readable(source: sqlite3.Connection, table: str) -> int:
    """Return the number of a table's last row, 0 where it cannot be read."""
    try:
        return last_entry(source, table)
    except sqlite3.DatabaseError:
        return 0


def first_readable(source: sqlite3.Connection, statement: str) -> Any:
    """Return the first row of an answer, None where there is none or it cannot be read."""
    try:
        return source.execute(statement).fetchone()
    except sqlite3.DatabaseError:
        return None


def readable(source: sqlite3.Connection, table: str, columns: str, last: int) -> Iterator[tuple[Any, ...]]:
    """Yield a table's rows in order, ``entry`` and ``columns``, stepping over every one that cannot be read.

    Args:
        source: to the damaged file.
        table: its name.
        columns: as SQL lists them, a comma before each.
        last: number of the last row that there may be; 0 where nothing says so.
    """
    select = f"SELECT entry{columns} FROM {quoted(table)} WHERE entry > ? ORDER BY entry"
    entry, end = 0, last or REACH
    while entry < end:
        try:
            for row in source.execute(select, (entry,)):
                entry, end = row[0], last or row[0] + REACH
                yield row
        except sqlite3.DatabaseError:
            entry += 1
        else:
            return
