"""A chain of hashes over each table of a store: a row more is a link more, and no row changes without its head.

Each table has a chain of its own, in the order of its commits: the order between tables is not kept. A link is
SHA-256 over the link before it and the row's columns, ``name=hex`` of each that is not NULL, so that a migration that
adds an empty column changes no head.
"""

import hashlib
import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

_TOLD_EVERY: Final = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """The end of a table's chain: ``entries`` rows, numbered from 1 without a gap, and ``head``, 64 hex digits."""

    entries: int
    head: str


START: Final = Link(entries=0, head="0" * 64)
"""The chain of an empty table."""

Chain = Mapping[str, Link]


def tables_of(connection: sqlite3.Connection) -> list[str]:
    """Return the names of the tables whose rows are numbered by ``entry``: all of a store, whatever its version.

    Raises:
        sqlite3.Error: if the file cannot be read.
    """
    found = connection.execute("""SELECT one.name FROM sqlite_schema AS one JOIN pragma_table_info(one.name) AS part
        WHERE one.type = 'table' AND part.name = 'entry'""")
    return sorted(name for (name,) in found)


def columns_of(connection: sqlite3.Connection, table: str) -> list[str]:
    """Return a table's columns in their order.

    Raises:
        sqlite3.Error: if the file cannot be read.
    """
    return [name for (name,) in connection.execute("SELECT name FROM pragma_table_info(?)", (table,))]


def quoted(name: str) -> str:
    """Return a table's or column's name as SQL takes it, whatever another program called it."""
    return '"' + name.replace('"', '""') + '"'


def last_entry(connection: sqlite3.Connection, table: str) -> int:
    """Return the number of a table's last row, 0 for an empty table.

    Raises:
        sqlite3.Error: if the file cannot be read.
    """
    return int(connection.execute(f"SELECT coalesce(max(entry), 0) FROM {quoted(table)}").fetchone()[0])


def follow(
    connection: sqlite3.Connection,
    table: str,
    link: Link = START,
    *,
    until: int | None = None,
    tick: Callable[[int], object] = lambda _rows: None,
) -> Link:
    """Return the link that a table's chain ends with.

    Args:
        connection: to the store.
        table: one of `tables_of`.
        link: where to begin; the rows up to it are not read.
        until: number of the last row that counts; None for all.
        tick: called with 10 000 for every 10 000 rows.

    Raises:
        sqlite3.Error: if a row cannot be read.
    """
    text = " || ".join(_column_text(name) for name in columns_of(connection, table))
    last = (1 << 63) - 1 if until is None else until
    rows = connection.execute(
        f"SELECT entry, {text} FROM {quoted(table)} WHERE entry > ? AND entry <= ? ORDER BY entry", (link.entries, last)
    )
    entries, head = link.entries, bytes.fromhex(link.head)
    for number, (entries, row) in enumerate(rows, 1):  # noqa: B007 - both are what is left after the last row
        head = hashlib.sha256(head + row.encode()).digest()
        if number % _TOLD_EVERY == 0:
            tick(_TOLD_EVERY)
    return Link(entries=entries, head=head.hex())


def _column_text(name: str) -> str:
    label = name.replace("'", "''")
    return f"iif({quoted(name)} IS NULL, '', '{label}=' || hex({quoted(name)}) || ' ')"
