"""Begin a session: the instrument as it is described now, the limits it is judged by, and when."""

import os
import time
import uuid
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path

from logger.gauge_file import GaugeSpec, read_gauges
from logger.instrument import Instrument
from logger.limits import LimitSet, limits_toml
from logger.software import SOFTWARE
from logger.store import InstrumentRevision, InstrumentRow, SessionRow, Store, new_id


def default_gauges() -> Mapping[str, GaugeSpec]:
    """Return what gauges are worth by kind until a file of the shop's own says better."""
    return read_gauges(Path(str(files("logger.defaults") / "gauges.toml")))


def machine_boot_id() -> str:
    """Return an identity of this boot of the machine, or of this process where the system gives none."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return str(uuid.uuid4())


def keep_instrument(store: Store, instrument: Instrument) -> tuple[str, int]:
    """Return id and revision of an instrument in the store; a new name or description is kept first.

    Raises:
        StoreError: the store cannot keep it.
    """
    with store.reader() as reader:
        known = next((one for one in reader.instruments() if one.name == instrument.name), None)
    now_ns = time.time_ns()
    if known is not None and known.description == instrument.source:
        return known.instrument, known.revision
    number = 1 if known is None else known.revision + 1
    identity = known.instrument if known is not None else new_id(now_ns, os.urandom(8))
    if known is None:
        store.put(InstrumentRow(id=identity, created_at_ns=now_ns, description=instrument.source))
    store.put(
        InstrumentRevision(
            instrument=identity, revision=number, at_ns=now_ns, name=instrument.name, description=instrument.source
        )
    )
    return identity, number


def open_session(store: Store, instrument: Instrument, limits: LimitSet, *, resume: bool) -> str:
    """Return the session to write into: with ``resume`` the newest open one of this very description, else a new one.

    Raises:
        StoreError: the store cannot keep it.
    """
    identity, revision = keep_instrument(store, instrument)
    if resume:
        with store.reader() as reader:
            mine = [one for one in reader.open_sessions() if (one.instrument, one.revision) == (identity, revision)]
        if mine:
            return mine[-1].id
    row = new_session(instrument=identity, revision=revision, limits=limits_toml(limits))
    store.put(row)
    return row.id


def new_session(*, instrument: str = "", revision: int = 1, limits: str = "") -> SessionRow:
    """Return the row of a session that begins now."""
    now_ns = time.time_ns()
    return SessionRow(
        id=new_id(now_ns, os.urandom(8)),
        instrument=instrument,
        revision=revision,
        started_at_ns=now_ns,
        monotonic_ns=time.monotonic_ns(),
        boot_id=machine_boot_id(),
        software=SOFTWARE,
        limits=limits,
    )
