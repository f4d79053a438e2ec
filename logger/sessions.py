"""What judging asks of whoever holds sessions: a bench's own store, or the shop's database."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from logger.store import (
    Climate,
    InstrumentRevision,
    KeptReading,
    Reassignment,
    SessionFactor,
    SessionGauge,
    SessionRow,
    TakeBack,
)

Marks = Mapping[str, int]
"""By table, the last `entry` that was looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionKey:
    """A session on an instrument: the UUID of the store that it was begun in, empty for the bench's own, and its id."""

    store: str
    session: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Begun:
    """A session that something was added to: of which instrument, and when it was begun."""

    key: SessionKey
    instrument: str
    started_at_ns: int


class SessionReader(Protocol):
    """Reads sessions; lists are in the order of commits, and an unknown session has empty ones."""

    def session(self, session: str) -> SessionRow:
        """Return one session."""
        ...

    def instrument_at(self, instrument: str, revision: int) -> InstrumentRevision:
        """Return one revision of an instrument."""
        ...

    def gauges(self, session: str) -> list[SessionGauge]:
        """Return the gauges of a session."""
        ...

    def readings(self, session: str) -> list[KeptReading]:
        """Return the readings of a session as they stand after every take-back and reassignment."""
        ...

    def take_backs(self, session: str) -> list[TakeBack]:
        """Return the take-backs of a session."""
        ...

    def reassignments(self, session: str) -> list[Reassignment]:
        """Return the reassignments of a session."""
        ...

    def climates(self, session: str) -> list[Climate]:
        """Return temperature and humidity during a session."""
        ...

    def factors(self, session: str) -> list[SessionFactor]:
        """Return what a session was worked with."""
        ...

    def count(self, session: str) -> int:
        """Return how many readings of a session are kept; those taken back count too."""
        ...
