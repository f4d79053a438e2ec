"""Links that are kept on the way along a table's chain, and which rows changed between two of them.

A chain's end says that a row changed; the links on the way say where. There are at most `MOST_MARKS` for a table, at
even distances: up to so many rows each has its own, of more every second, fourth, eighth... and some of the newest.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from logger.counted import are, counted
from logger.store.chain import START, Link, follow, last_entry, quoted
from logger.store.past_damage import first_readable
from logger.store.tables import TABLES

MOST_MARKS: Final = 256
_MOST_TOLD: Final = 5
_NM_PER_MM: Final = 1_000_000
_LONGEST: Final = 40
_BY_NAME: Final = {table.name: table for table in TABLES.values()}

Marks = tuple[Link, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Rows ``first`` to ``last`` of a table (numbers of `entry`), among which something is not as it was kept."""

    first: int
    last: int


def table_words(table: str) -> str:
    """Name a table in a sentence."""
    return table.replace("_", " ")


def extend(connection: sqlite3.Connection, table: str, link: Link, marks: Marks) -> tuple[Link, Marks]:
    """Return the link that a table's chain ends with, and the marks on the way there.

    Args:
        connection: to the store.
        table: one of `tables_of`.
        link: where to begin.
        marks: those up to there.

    Raises:
        sqlite3.Error: if a row cannot be read.
    """
    last, at, found = last_entry(connection, table), link.entries, list(marks)
    apart = 1
    while apart * MOST_MARKS < last:
        apart *= 2
    while at < last:
        at = min((at // apart + 1) * apart, last)
        link = follow(connection, table, link, until=at)
        found.append(link)
    if len(found) > MOST_MARKS:
        found = [one for one in found if one.entries % apart == 0]
    return link, tuple(found)


def changed_spans(connection: sqlite3.Connection, table: str, end: Link, marks: Marks) -> list[Span]:
    """Return where a table does not have the rows that led to ``end``, as closely as the marks tell.

    Raises:
        sqlite3.Error: if a row cannot be read.
    """
    whole = follow(connection, table, until=end.entries) == end
    return (
        []
        if whole
        else [
            span
            for span, before, after in _steps(end, marks)
            if follow(connection, table, before, until=span.last) != after
        ]
    )


def changed_past_damage(connection: sqlite3.Connection, table: str, end: Link, marks: Marks) -> list[Span]:
    """Return where the rows of a damaged table can all be read and one of them is not as it was kept."""
    found = []
    for span, before, after in _steps(end, marks):
        try:
            if not gone_from(connection, table, span) and follow(connection, table, before, until=span.last) != after:
                found.append(span)
        except sqlite3.DatabaseError:
            continue  # what cannot be read is lost, and counted as such
    return found


def _steps(end: Link, marks: Marks) -> list[tuple[Span, Link, Link]]:
    links = (START, *(one for one in marks if one.entries < end.entries), *([end] if end.entries else []))
    return [(Span(first=one.entries + 1, last=two.entries), one, two) for one, two in pairwise(links)]


def gone_from(connection: sqlite3.Connection, table: str, span: Span) -> int:
    """Return how many rows are gone from between others.

    Raises:
        sqlite3.Error: if they cannot be counted.
    """
    counts = f"SELECT count(*) FROM {quoted(table)} WHERE entry BETWEEN ? AND ?"
    there = connection.execute(counts, (span.first, span.last)).fetchone()[0]
    return span.last - span.first + 1 - int(there)


def changed_words(connection: sqlite3.Connection, table: str, spans: Sequence[Span]) -> list[str]:
    """Say which rows are gone from between the others or not as they were kept.

    Raises:
        sqlite3.Error: if a row cannot be read.
    """
    found = [_span_words(connection, table, span) for span in spans[:_MOST_TOLD]]
    more = len(spans) - _MOST_TOLD
    return [*found, *([f"so it is in {counted(more, 'place')} more of {table_words(table)}"] if more > 0 else [])]


def _span_words(connection: sqlite3.Connection, table: str, span: Span) -> str:
    wide = span.last - span.first + 1
    if gone := gone_from(connection, table, span):
        one = f"row {span.first} of {table_words(table)}"
        some = f"{gone} of the rows {span.first} to {span.last} of {table_words(table)}"
        return f"{one if wide == 1 else some} {are(gone)} gone, from between the others"
    first = row_words(connection, table, span.first)
    if wide == 1:
        return f"{first} is not as it was kept"
    last, noun = row_words(connection, table, span.last), f"{table_words(table)}s" if table == "reading" else "rows"
    return f"of the {wide} {noun} from {first} to {last} at least one is not as it was kept"


def row_words(connection: sqlite3.Connection, table: str, entry: int) -> str:
    """Name a row by its key, a reading also by its feature, its length and what came from the gauge or the keys.

    A row that is not there, or cannot be read as what it should be, is named by its number.
    """
    kind = _BY_NAME.get(table)
    found = None
    if kind is not None:
        listed = ", ".join(kind.names)
        found = first_readable(connection, f"SELECT {listed} FROM {quoted(table)} WHERE entry = {entry:d}")
    if kind is None or found is None:
        return f"row {entry} of {table_words(table)}"
    held = dict(zip(kind.names, found, strict=True))
    if table != "reading":
        return kind.key_in_words(found)
    feature = " ".join(
        text for text in (
            str(held["kind"] or "not assigned").replace("_", " "),
            "" if held["fret"] is None else f"fret {held['fret']}",
            held["place"] or "", f"feet {held['feet']}" if held["feet"] else "",
        ) if text
    )  # fmt: skip
    sent = held["raw"].decode("utf-8", "backslashreplace").strip()[:_LONGEST]
    return (
        f"reading {held['sequence']} of {held['gauge']} in session {held['session']} ({feature}, now "
        f"{held['value_nm'] / _NM_PER_MM:.4f} mm, taken from {sent!r})"
    )
