"""Send rows to the shop over one connection: each batch is one transaction, together with how far it reached."""

from typing import Final

import psycopg
from psycopg import errors

from logger.counted import are, counted
from logger.errors import ShopError
from logger.shop.address import ShopAddress
from logger.shop.init import PARTS, refuse_newer, versions
from logger.shop.outbox import Marks, Outbox
from logger.shop.tables import columns_of, place, quoted, store_tables
from logger.store.tables import Table, Value

_REMEDY: Final = "keep this store as it is and go on in a new one (--store)"


def check_versions(link: psycopg.Connection, shown: str) -> None:
    """Check that the shop is set up as this program knows it.

    Raises:
        ShopError: it is not, or by another version.
        psycopg.Error: the shop does not answer.
    """
    found = versions(link)
    refuse_newer(found, shown)
    for part, steps in PARTS.items():
        if found[part] < len(steps):
            state = f"is of version {found[part]} ({part})" if found[part] else "is not set up"
            raise ShopError(
                f"the shop at {shown} {state}, this program needs version {len(steps)}; "
                "run `fretledger shop init URL` once, as the owner of the database"
            )


def marks_of(link: psycopg.Connection, store: str) -> dict[str, int]:
    """Return, by table, the last entry of a store that the shop has.

    Raises:
        psycopg.Error: the shop does not answer.
    """
    found = link.execute(f"SELECT name, entry FROM {place('mark')} WHERE store = %s", (store,))
    return dict(found.fetchall())


class Sender:
    """Send what a store has committed and the shop has not.

    The shop's own marks say what it has; they are read under a lock on the bench's row in the very transaction that
    sends what comes after them. So it does not matter whether a commit whose answer was lost took place, nor whether
    another sender of the same store is at work.

    Raises:
        ShopError: the shop is not set up for this program.
        psycopg.Error: the shop does not answer.
    """

    def __init__(self, link: psycopg.Connection, outbox: Outbox, address: ShopAddress, *, software: str) -> None:
        check_versions(link, address.shown)
        self._link = link
        self._outbox = outbox
        self._shown = address.shown
        self._store, created_at_ns = outbox.identity()
        self._known: Marks = {}
        with link.transaction():
            link.execute(
                f"""INSERT INTO {place("bench")} (store, created_at_ns, software) VALUES (%s, %s, %s)
                ON CONFLICT (store) DO UPDATE SET software = excluded.software, last_seen = now()""",
                (self._store, created_at_ns, software),
            )
            for table in store_tables():
                link.execute(f"CREATE TEMP TABLE {_staged(table)} ({columns_of(table)}) ON COMMIT DELETE ROWS")

    def send(self) -> Marks:
        """Send the next batch, if any, and return how far the shop has this store's tables then.

        Raises:
            ShopError: the shop holds other rows of this store than the store itself.
            StoreError: the store cannot be read.
            psycopg.Error: the shop does not answer, or refuses; whether the batch arrived is then not known.
        """
        try:
            with self._link.transaction():
                self._link.execute(f"UPDATE {place('bench')} SET last_seen = now() WHERE store = %s", (self._store,))
                marks = marks_of(self._link, self._store)
                self._check_marks(marks)
                batch = self._outbox.take(marks)
                for table, rows in batch:
                    self._append(table, rows)
                reached = {table.name: int(str(rows[-1][0])) for table, rows in batch}
                self._mark(reached)
        except errors.UniqueViolation as error:
            raise self._other_rows(f"{error.diag.message_detail}") from error
        self._known = marks | reached
        return self._known

    def _check_marks(self, marks: Marks) -> None:
        # A store that was put back from a copy, or is one of two copies, goes on with other rows under these entries.
        if marks == self._known:
            return
        last = self._outbox.last()
        for table in store_tables():
            if mark := marks.get(table.name, 0):
                if last[table.name] < mark:
                    raise self._other_rows(
                        f"{counted(mark, 'row')} of {table.name} {are(mark)} there, {last[table.name]} here"
                    )
                select = f"SELECT entry, {quoted(table.names)} FROM {place(table.name)} WHERE store = %s AND entry = %s"
                there = self._link.execute(select, (self._store, mark)).fetchone()
                if there not in list(self._outbox.rows(table, mark, mark)):
                    raise self._other_rows(f"row {mark} of {table.name} has other content there")

    def _append(self, table: Table, rows: list[tuple[Value, ...]]) -> None:
        staged, names = _staged(table), quoted(table.names)
        with self._link.cursor() as cursor:
            with cursor.copy(f"COPY {staged} (entry, {names}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
            cursor.execute(
                f"""INSERT INTO {place(table.name)} (store, entry, {names})
                SELECT %s::uuid, entry, {names} FROM {staged} ORDER BY entry
                ON CONFLICT (store, {quoted(table.key)}) DO NOTHING""",
                (self._store,),
            )
            if cursor.rowcount < len(rows):
                self._check_same(cursor, table)

    def _mark(self, reached: dict[str, int]) -> None:
        self._link.execute(
            f"""INSERT INTO {place("mark")} (store, name, entry)
            SELECT %s::uuid, unnest(%s::text[]), unnest(%s::bigint[])
            ON CONFLICT (store, name) DO UPDATE SET entry = excluded.entry, at = now()""",
            (self._store, list(reached), list(reached.values())),
        )

    def _check_same(self, cursor: psycopg.Cursor, table: Table) -> None:
        # Rows that were there already must be the very same, or one of two would be lost without a word.
        names = ("entry", *table.names)
        cursor.execute(
            f"""SELECT entry, {quoted(table.names)} FROM {_staged(table)} s WHERE NOT EXISTS (
                SELECT FROM {place(table.name)} t WHERE t.store = %s AND t.entry = s.entry
                AND ({quoted(names, "t.")}) IS NOT DISTINCT FROM ({quoted(names, "s.")})
            ) ORDER BY entry LIMIT 1""",
            (self._store,),
        )
        if (other := cursor.fetchone()) is not None:
            raise self._other_rows(f"{table.key_in_words(other[1:])} has other content there")

    def _other_rows(self, what: str) -> ShopError:
        return ShopError(
            f"the shop at {self._shown} holds other rows of this store ({what}): the store was put back from an older "
            f"copy, or two benches use copies of one; {_REMEDY}"
        )


def _staged(table: Table) -> str:
    return f'pg_temp."stage_{table.name}"'
