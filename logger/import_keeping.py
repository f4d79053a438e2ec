"""Write what an import found into a store, so that breaking off and doing it again completes it."""

import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Final

from logger.begin import keep_instrument
from logger.gauge_file import GaugeSpec
from logger.instrument import Instrument
from logger.kept import spec_json
from logger.limits import default_limits, limits_toml
from logger.software import SOFTWARE
from logger.store import (
    NO_INSTRUMENT,
    InstrumentRevision,
    InstrumentRow,
    ReadingRow,
    Row,
    SessionEnd,
    SessionGauge,
    SessionRow,
    Store,
    TakeBack,
)

_AT_ONCE: Final = 4096
"""Rows that wait for the disk together."""
Key = tuple[str, int]
"""A reading within its session: gauge and sequence."""


@dataclass(slots=True, kw_only=True)
class SessionToKeep:
    """What a file adds to one session of the store.

    Attributes:
        session: its id in the store.
        source: the session that the file names, empty where it names none.
        exists: whether the store holds it already.
        specs: what its gauges are worth, by name.
        readings: the readings that are new.
        taken_back: why readings are not to be used, by gauge and sequence; new ones only.
        known: how many rows the store holds already.
    """

    session: str
    source: str
    exists: bool = False
    specs: dict[str, GaugeSpec] = field(default_factory=dict)
    readings: list[ReadingRow] = field(default_factory=list)
    taken_back: dict[Key, str] = field(default_factory=dict)
    known: int = 0

    def kinds(self) -> Mapping[str, int]:
        """Return how many new readings there are of each kind; the empty kind belongs to no feature."""
        return Counter(one.kind or "" for one in self.readings)


def keep_sessions(store: Store, sessions: Sequence[SessionToKeep], *, neck: Instrument | None, file: str) -> None:
    """Keep sessions with their gauges, readings and take-backs; each is closed once it is whole.

    Raises:
        StoreError: the store cannot keep it.
    """
    instrument, revision = NO_INSTRUMENT, 1
    if any(one.readings and not one.exists for one in sessions):
        instrument, revision = _no_instrument(store) if neck is None else keep_instrument(store, neck)
    limits = "" if neck is None else limits_toml(default_limits(neck.kind))
    for one in sessions:
        if not one.exists and one.readings:
            note = f"imported from {file}, " + (f"its session {one.source}" if one.source else "no session named")
            store.put(SessionRow(
                id=one.session, instrument=instrument, revision=revision, started_at_ns=time.time_ns(), monotonic_ns=0,
                boot_id="", software=SOFTWARE, note=note, limits=limits,
            ))  # fmt: skip
        if one.exists or one.readings:
            _keep_rows(store, one)


def _no_instrument(store: Store) -> tuple[str, int]:
    store.put(InstrumentRow(id=NO_INSTRUMENT, created_at_ns=0, description=""))
    store.put(InstrumentRevision(instrument=NO_INSTRUMENT, revision=1, at_ns=0, name="no instrument", description=""))
    return NO_INSTRUMENT, 1


def _keep_rows(store: Store, one: SessionToKeep) -> None:
    with store.reader() as reader:
        number = reader.next_number(one.session)
        gauges = {held.gauge for held in reader.gauges(one.session)}
        ended = reader.session_end(one.session) is not None
    now_ns = time.time_ns()
    rows = _rows(one, number=number, gauges=gauges, now_ns=now_ns)
    while some := list(islice(rows, _AT_ONCE)):
        for future in [store.submit(row) for row in some]:
            future.result()
    if not ended:
        store.put(SessionEnd(session=one.session, at_ns=now_ns, reason="imported"))


def _rows(one: SessionToKeep, *, number: int, gauges: set[str], now_ns: int) -> Iterator[Row]:
    for name, spec in one.specs.items():
        if name not in gauges:
            yield SessionGauge(session=one.session, gauge=name, kind=spec.kind, description=spec_json(spec), profile="",
                               profile_sha256="")  # fmt: skip
    yield from one.readings
    for offset, ((gauge, sequence), why) in enumerate(one.taken_back.items()):
        yield TakeBack(session=one.session, number=number + offset, gauge=gauge, sequence=sequence, at_ns=now_ns,
                       who="", why=why)  # fmt: skip
