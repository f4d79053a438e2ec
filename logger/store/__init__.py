"""The session store: append-only SQLite, one owner, one writer thread, any number of readers."""

from logger.store.ids import new_id
from logger.store.reader import NO_INSTRUMENT, StoreReader
from logger.store.rows import (
    CheckPoint,
    CheckResult,
    Climate,
    Gauge,
    GaugeCheck,
    InstrumentRevision,
    InstrumentRow,
    KeptReading,
    ReadingRow,
    Reassignment,
    Row,
    SessionEnd,
    SessionGauge,
    SessionPurpose,
    SessionRow,
    SheetRequest,
    Skip,
    TakeBack,
)
from logger.store.store import Store, default_path

__all__ = [
    "NO_INSTRUMENT",
    "CheckPoint",
    "CheckResult",
    "Climate",
    "Gauge",
    "GaugeCheck",
    "InstrumentRevision",
    "InstrumentRow",
    "KeptReading",
    "ReadingRow",
    "Reassignment",
    "Row",
    "SessionEnd",
    "SessionGauge",
    "SessionPurpose",
    "SessionRow",
    "SheetRequest",
    "Skip",
    "Store",
    "StoreReader",
    "TakeBack",
    "default_path",
    "new_id",
]
