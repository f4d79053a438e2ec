"""Sessions as the shop holds them: read like those of a bench's own store, and never written."""

from collections.abc import Sequence
from typing import Any, Final, TypeVar

import psycopg

from logger.errors import ShopError
from logger.shop.address import ShopAddress, connect, in_words
from logger.shop.tables import place, quoted
from logger.shop.text import from_shop
from logger.store import (
    Climate,
    InstrumentRevision,
    KeptReading,
    ReadingRow,
    Reassignment,
    SessionFactor,
    SessionGauge,
    SessionRow,
    TakeBack,
    as_they_stand,
)
from logger.store.tables import TABLES

R = TypeVar("R")
LONGEST_MS: Final = 3000
"""What takes the shop longer than this is given up, milliseconds."""


def reading_link(address: ShopAddress) -> psycopg.Connection:
    """Return a connection that can only read, and that gives up what takes too long.

    Raises:
        psycopg.Error: the database cannot be reached, or does not let this login in.
    """
    link = connect(address)
    link.execute(f"SET statement_timeout = {LONGEST_MS}; SET default_transaction_read_only = on")
    return link


class ShopSessions:
    """Read the sessions of every bench over one connection, opened when it is needed; used by one thread."""

    def __init__(self, address: ShopAddress) -> None:
        self.address = address
        self._link: psycopg.Connection | None = None

    def of(self, store: str) -> "StoreThere":
        """Return the reader of one bench's sessions."""
        return StoreThere(self, store)

    def rows(self, statement: str, bound: Sequence[Any]) -> list[tuple[Any, ...]]:
        """Return what a statement gives.

        Raises:
            ShopError: the shop does not answer.
        """
        try:
            if self._link is None or self._link.closed:
                self._link = reading_link(self.address)
            return self._link.execute(statement.encode(), bound).fetchall()
        except psycopg.Error as error:
            self.close()
            fault = in_words(error, self.address, doing="read")
            raise fault from error

    def close(self) -> None:
        """Close the connection; another is opened when it is needed."""
        link, self._link = self._link, None
        if link is not None:
            link.close()


class StoreThere:
    """A bench's store as the shop has it, up to what was sent; every method raises ShopError where it cannot be read.

    It answers what `logger.sessions.SessionReader` asks.
    """

    def __init__(self, shop: ShopSessions, store: str) -> None:
        self._shop = shop
        self._store = store

    def session(self, session: str) -> SessionRow:
        """Return one session."""
        return self._one(SessionRow, "id", session)

    def instrument_at(self, instrument: str, revision: int) -> InstrumentRevision:
        """Return one revision of an instrument."""
        return self._one(InstrumentRevision, "instrument", instrument, "AND revision = %s", revision)

    def gauges(self, session: str) -> list[SessionGauge]:
        """Return the gauges of a session."""
        return self._rows(SessionGauge, "session", session)

    def readings(self, session: str) -> list[KeptReading]:
        """Return the readings of a session as they stand."""
        originals = self._rows(ReadingRow, "session", session)
        return as_they_stand(originals, self.take_backs(session), self.reassignments(session))

    def take_backs(self, session: str) -> list[TakeBack]:
        """Return the take-backs of a session."""
        return self._rows(TakeBack, "session", session)

    def reassignments(self, session: str) -> list[Reassignment]:
        """Return the reassignments of a session."""
        return self._rows(Reassignment, "session", session)

    def climates(self, session: str) -> list[Climate]:
        """Return temperature and humidity during a session."""
        return self._rows(Climate, "session", session)

    def factors(self, session: str) -> list[SessionFactor]:
        """Return what a session was worked with."""
        return self._rows(SessionFactor, "session", session)

    def count(self, session: str) -> int:
        """Return how many readings of a session were sent."""
        statement = f"SELECT count(*) FROM {place('reading')} WHERE store = %s AND session = %s"
        return int(self._shop.rows(statement, (self._store, session))[0][0])

    def _one(self, row: type[R], name: str, value: str, more: str = "", *bound: object) -> R:
        found = self._rows(row, name, value, more, *bound)
        if not found:
            raise ShopError(
                f"the shop at {self._shop.address.shown} holds no {TABLES[row].name} {value!r} of bench {self._store}; "
                "compare the bench's store with `fretledger shop status --store`"
            )
        return found[0]

    def _rows(self, row: type[R], name: str, value: str, more: str = "", *bound: object) -> list[R]:
        table = TABLES[row]
        statement = (
            f'SELECT {quoted(table.names)} FROM {place(table.name)} WHERE store = %s AND "{name}" = %s {more} '
            "ORDER BY entry"
        )
        found = self._shop.rows(statement, (self._store, value, *bound))
        return [table.row([from_shop(one) for one in values]) for values in found]
