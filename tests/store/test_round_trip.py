import itertools
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from logger.store import (
    InstrumentRevision,
    InstrumentRow,
    ReadingRow,
    Reassignment,
    Row,
    SessionGauge,
    SessionRow,
    Store,
    StoreReader,
    TakeBack,
)

SESSIONS = itertools.count()
WHOLE = st.integers(-(1 << 63), (1 << 63) - 1)
COUNT = st.integers(0, (1 << 63) - 1)
TEXT = st.text(st.characters(codec="utf-8"), max_size=40)
NAME = st.text(st.characters(codec="utf-8"), min_size=1, max_size=40)
FEET = st.tuples(st.integers(0, 40), st.integers(0, 40)).map(lambda feet: f"{feet[0]}-{feet[1]}")


def optional(strategy: st.SearchStrategy[object]) -> st.SearchStrategy[object]:
    return st.none() | strategy


FEATURE = {
    "kind": optional(NAME),
    "fret": optional(COUNT),
    "place": optional(NAME),
    "feet": optional(FEET),
    "round": optional(TEXT),
}
BRACKET = st.one_of(
    st.tuples(WHOLE, WHOLE).map(lambda pair: (min(pair), max(pair))),
    st.tuples(st.none(), WHOLE),
    st.tuples(WHOLE, st.none()),
    st.just((None, None)),
)
READING = st.fixed_dictionaries({
    "gauge": TEXT,
    "sequence": COUNT,
    "value_nm": WHOLE,
    "bracket": BRACKET,
    "span_nm": optional(COUNT),
    "unit": TEXT,
    "raw": st.binary(max_size=300),
    "status": TEXT,
    "taken_at_ns": WHOLE,
    "monotonic_ns": WHOLE,
    **FEATURE,
})
ODD = {
    "gauge": "NUL \0 and after",
    "sequence": (1 << 63) - 1,
    "value_nm": -(1 << 63),
    "bracket": (-(1 << 63), (1 << 63) - 1),
    "span_nm": 0,
    "unit": "\0",
    "raw": b"",
    "status": "'; DROP TABLE reading; --",
    "taken_at_ns": (1 << 63) - 1,
    "monotonic_ns": -1,
    "kind": "\U0010ffff",
    "fret": 0,
    "place": "\n",
    "feet": "0-40",
    "round": "\0",
}


@pytest.fixture(scope="module")
def long_lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("round") / "bench.db"


def keep(path: Path, rows: list[Row]) -> None:
    with Store.open_or_create(path) as store:
        for future in [store.submit(row) for row in rows]:
            future.result(10)


@settings(max_examples=40, deadline=None)
@given(READING)
@example(ODD)
def test_what_is_kept_is_read_back(long_lived: Path, values: dict[str, Any]) -> None:
    session = f"s{next(SESSIONS)}"
    low_nm, high_nm = values["bracket"]
    rest = {name: value for name, value in values.items() if name != "bracket"}
    reading = ReadingRow(session=session, low_nm=low_nm, high_nm=high_nm, **rest)
    gauge = reading.gauge
    rows: list[Row] = [
        InstrumentRow(id=session, created_at_ns=reading.taken_at_ns, description=reading.status),
        InstrumentRevision(
            instrument=session, revision=reading.sequence, at_ns=0, name=reading.unit, description=reading.status
        ),
        SessionRow(
            id=session,
            instrument=session,
            revision=reading.sequence,
            started_at_ns=reading.taken_at_ns,
            monotonic_ns=reading.monotonic_ns,
            boot_id=gauge,
            software=gauge,
            people=gauge,
            note=gauge,
            limits=gauge,
        ),
        SessionGauge(
            session=session, gauge=gauge, kind=gauge, description=gauge, profile=gauge, profile_sha256=reading.unit
        ),
        reading,
        TakeBack(session=session, number=0, gauge=gauge, sequence=reading.sequence, at_ns=0, who=gauge, why=gauge),
        Reassignment(
            session=session,
            number=1,
            gauge=gauge,
            sequence=reading.sequence,
            kind=reading.kind,
            fret=reading.fret,
            place=reading.place,
            feet=reading.feet,
            round=reading.round,
            at_ns=0,
            who=gauge,
            why=gauge,
        ),
    ]

    keep(long_lived, rows)
    keep(long_lived, rows)  # and sent again, it is the same

    with StoreReader(long_lived) as reader:
        (kept,) = reader.readings(session)
        assert kept.original == kept.row == reading
        assert [
            reader.instrument(session),
            reader.session(session),
            *reader.gauges(session),
            *reader.take_backs(session),
            *reader.reassignments(session),
        ] == [rows[1], rows[2], rows[3], rows[5], rows[6]]
        assert rows[0] in reader.instrument_rows()
