"""One hash over a table's rows in local order, worked out where the rows lie: at the bench and at the shop alike.

A row is written as text, every value with its type and length, ``entry`` first; the SHA-256 of that text stands for the
row, the SHA-256 over a block's rows for the block, and the SHA-256 over the blocks for the table. So only 32 bytes for
a thousand rows travel, and where two tables differ is known to the block.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import psycopg

from logger.shop.outbox import Outbox
from logger.shop.tables import place
from logger.store.tables import Table, Value

BLOCK_ROWS: Final = 1000


@dataclass(frozen=True, slots=True)
class Block:
    """The rows with entries from ``first`` to ``first + BLOCK_ROWS - 1``: how many, and their hash."""

    first: int
    rows: int
    sha256: bytes


def row_text(values: Sequence[Value]) -> str:
    """Return a row as text that no other row has."""
    return ";".join(map(_value_text, values))


def _value_text(value: Value) -> str:
    if value is None:
        return "n"
    if isinstance(value, int):
        return f"i{value}"
    if isinstance(value, bytes):
        return f"b{value.hex()}"
    return f"t{len(value.encode())}:{value}"


def _column_sql(name: str, kind: type) -> str:
    text = {
        int: f"""'i' || "{name}\"""",
        bytes: f"""'b' || encode("{name}", 'hex')""",
        str: f"""'t' || octet_length("{name}") || ':' || "{name}\"""",
    }[kind]
    return f"coalesce({text}, 'n')"


def blocks_here(outbox: Outbox, table: Table, last: int) -> list[Block]:
    """Return the blocks of a table at the bench, up to the entry ``last``.

    Raises:
        StoreError: the store cannot be read.
    """
    found = []
    for first in range(1, last + 1, BLOCK_ROWS):
        block, rows = hashlib.sha256(), 0
        for row in outbox.rows(table, first, min(first + BLOCK_ROWS - 1, last)):
            block.update(hashlib.sha256(row_text(row).encode()).digest())
            rows += 1
        if rows:
            found.append(Block(first, rows, block.digest()))
    return found


def blocks_there(link: psycopg.Connection, table: Table, store: str) -> list[Block]:
    """Return the blocks of a store's table at the shop.

    Raises:
        psycopg.Error: the shop does not answer.
    """
    columns = [_column_sql("entry", int), *(_column_sql(column.name, column.kind) for column in table.columns)]
    text = " || ';' || ".join(columns)
    rows = link.execute(
        f"""SELECT (entry - 1) / {BLOCK_ROWS} * {BLOCK_ROWS} + 1 AS first, count(*),
        sha256(string_agg(sha256(convert_to({text}, 'UTF8')), ''::bytea ORDER BY entry))
        FROM {place(table.name)} WHERE store = %s GROUP BY 1 ORDER BY 1""",
        (store,),
    ).fetchall()
    return [Block(first, count, bytes(digest)) for first, count, digest in rows]


def whole(blocks: Sequence[Block]) -> str:
    """Return the hash of a table, as hexadecimal digits."""
    return hashlib.sha256(b"".join(block.sha256 for block in blocks)).hexdigest()


def first_difference(here: Sequence[Block], there: Sequence[Block]) -> int | None:
    """Return the first entry of the first block in which two tables differ; None if they are equal."""
    left: Mapping[int, Block] = {block.first: block for block in here}
    right: Mapping[int, Block] = {block.first: block for block in there}
    differing = [first for first in left.keys() | right.keys() if left.get(first) != right.get(first)]
    return min(differing, default=None)
