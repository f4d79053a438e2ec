"""A bench's store as the shop's outbox: committed rows in local order, read beside the writer and never in its way."""

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, Self

from logger.shop.tables import quoted, store_tables
from logger.shop.text import to_shop
from logger.store.connect import open_reader, resolve
from logger.store.faults import in_words
from logger.store.tables import Table, Value

BATCH_ROWS: Final = 1000
"""The most rows in one transaction at the shop: a moment's work, so that the writer beside it is not held up."""
BATCH_SIZE: Final = 4_000_000
"""Characters and bytes after which a batch is full; a larger row goes by itself."""

Marks = Mapping[str, int]
"""By table, the last `entry` that was sent; a table that is not named has sent nothing."""
Batch = list[tuple[Table, list[tuple[Value, ...]]]]


class Outbox:
    """Read what the store at ``path`` has committed; every method raises StoreError if the file cannot be read.

    Used by one thread. Read transactions are short, so that the writer's log can be emptied.

    Raises:
        StoreError: (or one of its kinds) if there is no store that can be read.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = resolve(path)
        self._connection = open_reader(self.path)
        self._seen: int | None = None

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def identity(self) -> tuple[str, int]:
        """Return the store's UUID and when it was created, nanoseconds since 1970."""
        with self._faults():
            store, created_at_ns = self._connection.execute("SELECT id, created_at_ns FROM store").fetchone()
            return str(store), int(created_at_ns)

    def changed(self) -> bool:
        """Tell whether anything was committed since the last call; True at the first."""
        with self._faults():
            (version,) = self._connection.execute("PRAGMA data_version").fetchone()
        before, self._seen = self._seen, version
        return bool(version != before)

    def last(self) -> dict[str, int]:
        """Return the last entry of every table, 0 for an empty one."""
        with self._snapshot():
            return {table.name: self._whole(f"SELECT max(entry) FROM {table.name}") for table in store_tables()}

    def waiting(self, marks: Marks) -> int:
        """Return how many rows lie after the marks; entries of a table have no gaps, since nothing is ever deleted."""
        return sum(last - marks.get(name, 0) for name, last in self.last().items())

    def take(self, marks: Marks, *, most: int = BATCH_ROWS) -> Batch:
        """Return the next rows after the marks, as the shop writes them: ``entry`` and then the columns.

        Tables come in their order and each in local order, all from one commit's state, and nothing of a table comes
        before all that the tables ahead of it hold: what a row refers to comes with it or came before.
        """
        batch: Batch = []
        with self._snapshot():
            for table in store_tables():
                rows = self._next(table, marks.get(table.name, 0), most)
                if rows:
                    batch.append((table, rows))
                    most -= len(rows)
                if most <= 0 or (rows and rows[-1][0] != self._whole(f"SELECT max(entry) FROM {table.name}")):
                    break
        return batch

    def rows(self, table: Table, first: int, last: int) -> Iterator[tuple[Value, ...]]:
        """Yield the rows of a table from one entry to another, both included, as the shop writes them."""
        with self._faults():
            select = f"SELECT entry, {quoted(table.names)} FROM {table.name} WHERE entry BETWEEN ? AND ? ORDER BY entry"
            for row in self._connection.execute(select, (first, last)):
                yield tuple(map(to_shop, row))

    def _next(self, table: Table, mark: int, most: int) -> list[tuple[Value, ...]]:
        select = f"SELECT entry, {quoted(table.names)} FROM {table.name} WHERE entry > ? ORDER BY entry LIMIT ?"
        rows: list[tuple[Value, ...]] = []
        size = 0
        for row in self._connection.execute(select, (mark, max(most, 0))):
            rows.append(tuple(map(to_shop, row)))
            size += sum(len(value) for value in row if isinstance(value, str | bytes))
            if size > BATCH_SIZE:
                break
        return rows

    def _whole(self, statement: str, *bound: Any) -> int:
        return int(self._connection.execute(statement, bound).fetchone()[0] or 0)

    @contextmanager
    def _snapshot(self) -> Iterator[None]:
        """Let every statement inside see the same commit."""
        with self._faults():
            self._connection.execute("BEGIN")
            try:
                yield
            finally:
                self._connection.execute("ROLLBACK")

    @contextmanager
    def _faults(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            fault = in_words(error, path=self.path, doing="read for the shop")
            raise fault from error
