"""The session store: append-only SQLite, one owner, one writer thread, any number of readers."""

from logger.store.ids import new_id
from logger.store.reader import StoreReader
from logger.store.rows import (
    InstrumentRevision,
    InstrumentRow,
    KeptReading,
    ReadingRow,
    Reassignment,
    Row,
    SessionEnd,
    SessionGauge,
    SessionRow,
    Skip,
    TakeBack,
)
from logger.store.store import Store, default_path

__all__ = [
    "InstrumentRevision",
    "InstrumentRow",
    "KeptReading",
    "ReadingRow",
    "Reassignment",
    "Row",
    "SessionEnd",
    "SessionGauge",
    "SessionRow",
    "Skip",
    "Store",
    "StoreReader",
    "TakeBack",
    "default_path",
    "new_id",
]
