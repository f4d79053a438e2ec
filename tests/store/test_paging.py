"""Readings that come one by one are the readings that come at once, however many and however interleaved."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from logger.errors import StoreError
from logger.store import ReadingRow, Reassignment, Row, SessionGauge, SessionRow, Store, StoreReader, TakeBack
from logger.store.reader import PAGE

MakeReading = Callable[..., ReadingRow]


def _put(store: Store, rows: list[Row]) -> None:
    for future in [store.submit(row) for row in rows]:
        future.result(30)


def test_pages_of_two_interleaved_sessions(started: Store, opening: list[Row], reading: MakeReading, path: Path):
    other = [replace(row, id="s2") for row in opening if isinstance(row, SessionRow)]
    gauges = [replace(row, session="s2") for row in opening if isinstance(row, SessionGauge)]
    count = 2 * PAGE + 7
    readings = [reading(number, session=name) for number in range(1, count + 1) for name in ("s1", "s2")]
    amended: list[Row] = [
        TakeBack(session="s1", number=1, gauge="caliper", sequence=PAGE, at_ns=1, who="", why="slipped"),
        Reassignment(session="s1", number=2, gauge="caliper", sequence=PAGE + 1, kind="slot_depth", fret=3, at_ns=1,
                     who="", why="wrong"),
    ]  # fmt: skip
    _put(started, [*other, *gauges, *readings, *amended])

    with StoreReader(path) as reader:
        paged = list(reader.each_reading("s1"))

        assert paged == reader.readings("s1")
        assert [one.row.sequence for one in paged] == list(range(1, count + 1))
        assert [one.row.sequence for one in paged if one.taken_back] == [PAGE]
        assert paged[PAGE].row.kind == "slot_depth"
        assert list(reader.each_reading("none")) == []


def test_pages_end_with_the_reader(started: Store, reading: MakeReading, path: Path):
    _put(started, [reading(number) for number in range(1, PAGE + 2)])
    with StoreReader(path) as reader:
        some = reader.each_reading("s1")
        next(some)
    with pytest.raises(StoreError, match="is closed"):
        list(some)


def test_a_writer_goes_on_between_pages(started: Store, reading: MakeReading, path: Path):
    _put(started, [reading(number) for number in range(1, PAGE + 2)])
    with StoreReader(path) as reader:
        some = reader.each_reading("s1")
        next(some)
        started.put(reading(PAGE + 2))

        assert len(list(some)) == PAGE, "what came meanwhile is not part of it"
