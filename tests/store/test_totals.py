"""Totals of a store against the readings one by one, whatever was taken back, moved or summed before."""

import json
import statistics
from collections import defaultdict
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.store import ReadingRow, Reassignment, Row, Store, StoreReader, TakeBack
from logger.store.totals import NOTHING, Total, Totals, keep_totals, totals, totals_path

KINDS = ("slot_width", "tang_thickness", None)


def one_by_one(path: Path) -> dict[str, list[float]]:
    """What the totals must come to, by the way that everything else reads the store."""
    with StoreReader(path) as reader:
        kept = reader.readings()
    values = defaultdict[str, list[float]](list)
    for one in kept:
        if one.taken_back is None:
            values[one.row.kind or ""].append(one.row.value_nm / 1e6)
    return values


def check(path: Path) -> Totals:
    found, wanted = totals(path), one_by_one(path)
    assert set(found.kinds) == set(wanted)
    for kind, values in wanted.items():
        total = found.kinds[kind]
        assert total.count == len(values)
        assert total.mean_mm == pytest.approx(statistics.fmean(values), rel=1e-12, abs=1e-12)
        if len(values) > 1:
            assert total.sd_mm == pytest.approx(statistics.stdev(values), rel=1e-6, abs=1e-7)
        else:
            assert total.sd_mm is None
    return found


def amend(number: int, sequence: int, to: str | None, *, back: bool) -> Row:
    if back:
        return TakeBack(session="s1", number=number, gauge="caliper", sequence=sequence, at_ns=1, who="", why="")
    return Reassignment(
        session="s1", number=number, gauge="caliper", sequence=sequence, kind=to, fret=None, place=None, feet=None,
        round=None, at_ns=1, who="", why="",
    )  # fmt: skip


def bare(sequence: int, kind: str | None, value_nm: int) -> ReadingRow:
    return ReadingRow(
        session="s1", gauge="caliper", sequence=sequence, kind=kind, fret=None, place=None, value_nm=value_nm,
        unit="mm", raw=b"", status="ok", taken_at_ns=1, monotonic_ns=1,
    )  # fmt: skip


READING = st.tuples(st.sampled_from(KINDS), st.integers(-300_000_000, 300_000_000))
AMENDMENT = st.tuples(st.integers(0, 200), st.sampled_from(KINDS), st.booleans())


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])  # only read
@given(rounds=st.lists(st.tuples(st.lists(READING, max_size=12), st.lists(AMENDMENT, max_size=6)), max_size=3))
def test_totals_are_what_the_readings_come_to(
    rounds: list[tuple[list[tuple[str | None, int]], list[tuple[int, str | None, bool]]]],
    tmp_path_factory: pytest.TempPathFactory,
    opening: list[Row],
) -> None:
    path = tmp_path_factory.mktemp("totals") / "bench.db"
    with Store.create(path) as store:
        for row in opening:
            store.put(row)
        kept = number = 0
        for readings, amendments in rounds:
            for kind, value_nm in readings:
                kept += 1
                store.put(bare(kept, kind, value_nm))
            for which, to, back in amendments if kept else []:
                number += 1
                store.put(amend(number, which % kept + 1, to, back=back))
            check(path)  # sums what is new, on top of what was summed in the round before
    totals_path(path).unlink(missing_ok=True)
    assert check(path).readings == kept


def test_a_second_asking_reads_only_what_is_new(started: Store, path: Path) -> None:
    for sequence in range(1, 6):
        started.put(bare(sequence, "slot_width", 580_000 + sequence))
    totals(path)
    held = json.loads(totals_path(path).read_text())
    held["kinds"]["slot_width"][1] += 1.0  # a mean that no reading has shows whether they were read again
    totals_path(path).write_text(json.dumps(held))
    started.put(bare(6, "tang_thickness", 600_000))

    found = totals(path).kinds

    assert found["slot_width"].mean_mm == pytest.approx(1.580003)
    assert found["tang_thickness"] == Total(count=1, mean_mm=pytest.approx(0.6), squares_mm2=pytest.approx(0))


@pytest.mark.parametrize(
    "left",
    ["", "[]", "{}", '{"format": 1}', '{"format": 99}', "\x00", '{"format": 1, "store": 3, "kinds": {"a": 1}}'],
)
def test_sums_that_cannot_be_read_are_made_anew(started: Store, path: Path, left: str) -> None:
    started.put(bare(1, "slot_width", 580_000))
    totals_path(path).write_text(left)

    check(path)

    assert json.loads(totals_path(path).read_text())["entry"] == 1


def test_sums_of_other_rows_are_made_anew(started: Store, path: Path) -> None:
    for sequence in range(1, 4):
        started.put(bare(sequence, "slot_width", 580_000 + sequence))
    totals(path)
    held = json.loads(totals_path(path).read_text())
    for wrong in ({"row": "of another file"}, {"store": "another"}, {"entry": 2}, {"entry": 99}):
        totals_path(path).write_text(json.dumps({**held, **wrong}))
        check(path)


def test_where_nothing_can_be_written_the_answer_comes_all_the_same(started: Store, path: Path) -> None:
    started.put(bare(1, "slot_width", 580_000))
    totals_path(path).mkdir()  # a folder in its place holds for root too

    check(path)
    keep_totals(path)


def test_keeping_the_sums_of_no_store_is_told_in_the_log(path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level("INFO"):
        keep_totals(path)
    assert "the readings are kept but not summed: no session store" in caplog.text
    assert list(path.parent.iterdir()) == []


@given(st.lists(st.floats(-1000, 1000), max_size=30), st.lists(st.floats(-1000, 1000), max_size=30))
def test_taking_off_a_part_leaves_the_other(one: list[float], other: list[float]) -> None:
    def total(values: list[float]) -> Total:
        if not values:
            return NOTHING
        mean = statistics.fmean(values)
        return Total(count=len(values), mean_mm=mean, squares_mm2=sum((x - mean) ** 2 for x in values))

    left = total(one + other).and_with(total(other), -1)
    both = total(one).and_with(total(other))

    assert left.count == len(one)
    assert left.mean_mm == pytest.approx(total(one).mean_mm, rel=1e-9, abs=1e-8)
    assert left.squares_mm2 == pytest.approx(total(one).squares_mm2, rel=1e-6, abs=1e-4)
    assert both.squares_mm2 == pytest.approx(total(one + other).squares_mm2, rel=1e-9, abs=1e-6)
