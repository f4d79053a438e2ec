"""A store with the invented neck, and a chain of three records of it."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sealed_bench import NECK, PAPER, Sealer, keep, more, sitting

from logger.sealing.seal import records_file
from logger.store import InstrumentRevision, InstrumentRow, RecordRow, Store
from logger.store.attached import keep_content


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.create(tmp_path / "bench.db") as made:
        keep_content(made.path, PAPER)
        keep(made, [
            InstrumentRow(id="neck", created_at_ns=1, description=NECK),
            InstrumentRevision(instrument="neck", revision=1, at_ns=1, name="Invented neck", description=NECK),
            *sitting(),
            *more(),
        ])  # fmt: skip
        yield made


@pytest.fixture
def sealer(store: Store) -> Sealer:
    return Sealer(store)


@pytest.fixture
def chain(sealer: Sealer) -> list[RecordRow]:
    """Three records: the first session, and twice reopened after further sessions."""
    rows = [sealer()]
    for session in ("s2", "s3"):
        keep(sealer.store, sitting(session))
        rows.append(sealer())
    return rows


@pytest.fixture
def change(chain: list[RecordRow]) -> Callable[[Callable[[list[dict[str, Any]]], object]], bytes]:
    """Return a function that gives the file of the chain after somebody altered its records."""

    def altered(alter: Callable[[list[dict[str, Any]]], object]) -> bytes:
        values = json.loads(records_file(chain))
        alter(values["records"])
        return json.dumps(values, ensure_ascii=False).encode()

    return altered
