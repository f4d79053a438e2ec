import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, wait
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest

from logger.counted import counted
from logger.errors import StoreConflictError, StoreError
from logger.store import ReadingRow, Reassignment, Row, Skip, Store, TakeBack, keep, writer
from logger.store.rows import SessionEnd

MakeReading = Callable[..., ReadingRow]
Query = Callable[[Path, str], list[tuple[object, ...]]]
COUNT = "SELECT count(*) FROM reading"


@pytest.fixture
def held(started: Store, reading: MakeReading) -> Iterator[threading.Event]:
    """Hold the writer inside a future's callback, so that what is submitted meanwhile is one batch."""
    go, there = threading.Event(), threading.Event()

    def stay(_: Future[None]) -> None:
        there.set()
        go.wait(10)

    started.submit(reading(1000)).add_done_callback(stay)
    assert there.wait(10)
    yield go
    go.set()


def messages(futures: list[Future[None]]) -> list[str]:
    wait(futures, 10)
    return ["" if future.exception() is None else str(future.exception()) for future in futures]


def put_all(store: Store, rows: list[ReadingRow]) -> None:
    for row in rows:
        store.put(row)


class TestKeeping:
    def test_a_row_is_in_the_file_when_its_future_is_done(
        self, started: Store, reading: MakeReading, query: Query
    ) -> None:
        seen = []
        for sequence in range(1, 20):
            started.submit(reading(sequence)).result(10)
            seen.append(query(started.path, "SELECT max(sequence) FROM reading"))

        assert seen == [[(sequence,)] for sequence in range(1, 20)]

    def test_a_row_is_in_the_file_when_its_callback_runs(
        self, started: Store, reading: MakeReading, query: Query
    ) -> None:
        seen: Future[object] = Future()
        started.submit(reading()).add_done_callback(lambda _: seen.set_result(query(started.path, COUNT)))

        assert seen.result(10) == [(1,)]

    def test_what_is_queued_is_one_commit_up_to_the_cap(
        self, started: Store, reading: MakeReading, held: threading.Event, query: Query
    ) -> None:
        counts: list[Any] = []
        futures = [started.submit(reading(sequence)) for sequence in range(600)]
        for future in futures:
            future.add_done_callback(lambda _: counts.append(query(started.path, COUNT)[0][0]))
        assert started.waiting == 600

        held.set()

        assert set(messages(futures)) == {""}
        assert counts == sorted(counts)
        assert set(counts) == {1 + 256, 1 + 512, 1 + 600}
        assert started.waiting == 0

    def test_rows_of_many_threads_are_all_kept(self, started: Store, reading: MakeReading, query: Query) -> None:
        threads = [
            threading.Thread(target=put_all, args=(started, [reading(n) for n in range(first, first + 10)]))
            for first in range(0, 80, 10)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

        assert query(started.path, COUNT) == [(80,)]

    def test_closing_keeps_what_is_queued_and_leaves_the_file_and_its_witness(
        self, started: Store, reading: MakeReading, held: threading.Event, query: Query
    ) -> None:
        futures = [started.submit(reading(sequence)) for sequence in range(300)]
        held.set()
        started.close()

        assert all(future.done() and future.exception() is None for future in futures)
        assert sorted(item.name for item in started.path.parent.iterdir()) == ["bench.db", "bench.db.witness"]
        assert query(started.path, COUNT) == [(301,)]

    def test_a_closed_store_takes_no_rows(self, started: Store, reading: MakeReading) -> None:
        started.close()
        started.close()

        with pytest.raises(StoreError, match=r"bench.db is closed, rows need it open$"):
            started.submit(reading())

    def test_a_future_cannot_be_cancelled(self, started: Store, reading: MakeReading, held: threading.Event) -> None:
        future = started.submit(reading())

        assert not future.cancel()
        held.set()
        assert future.result(10) is None


def changed(row: Any) -> Iterator[tuple[str, Row]]:
    """Yield the row with each of its columns outside the key changed in turn."""
    keys = ("session", "gauge", "sequence") if isinstance(row, ReadingRow) else ("session", "number")
    for field in fields(row):
        old: Any = getattr(row, field.name)
        empty = {"feet": "6-8", "round": "sweep"}.get(field.name, 1)
        if field.name not in keys:
            other: Any = empty if old is None else old + 1 if isinstance(old, int) else old + old
            yield field.name, replace(row, **{field.name: other})


class TestResending:
    def test_the_same_row_again_is_harmless(self, full: Store, reading: MakeReading, amendments: list[Row]) -> None:
        for row in (reading(), *amendments):
            full.put(row)

        with full.reader() as reader:
            assert reader.count() == 1
            assert len(reader.take_backs("s1")) == len(reader.reassignments("s1")) == len(reader.skips("s1")) == 1

    def test_twice_in_one_batch_is_harmless(self, started: Store, reading: MakeReading, held: threading.Event) -> None:
        futures = [started.submit(reading()), started.submit(reading()), started.submit(reading(value_nm=1))]
        held.set()

        assert messages(futures)[:2] == ["", ""]
        assert isinstance(futures[2].exception(), StoreConflictError)

    def test_other_content_is_a_conflict_in_every_column(self, full: Store, reading: MakeReading) -> None:
        for name, row in changed(reading()):
            words = rf"already holds reading \(session 's1', gauge 'caliper', sequence 1\) with other content: {name} "
            with pytest.raises(StoreConflictError, match=words) as caught:
                full.put(row)
            assert caught.value.path == full.path
        with full.reader() as reader:
            assert [kept.original for kept in reader.readings()] == [reading()]

    @pytest.mark.parametrize("kind", [TakeBack, Reassignment, Skip])
    def test_amendments_conflict_likewise(
        self, full: Store, reading: MakeReading, amendments: list[Row], kind: type[Row]
    ) -> None:
        full.put(reading(2))  # what the changed row refers to exists
        row = next(row for row in amendments if isinstance(row, kind))
        for name, other in changed(row):
            if name != "gauge":
                with pytest.raises(StoreConflictError, match=f"with other content: {name} "):
                    full.put(other)

    def test_a_conflict_leaves_the_rest_of_its_batch(
        self, started: Store, reading: MakeReading, held: threading.Event, query: Query
    ) -> None:
        futures = [started.submit(row) for row in (reading(1), reading(1000, value_nm=5), reading(2))]
        held.set()

        assert [bool(text) for text in messages(futures)] == [False, True, False]
        assert "value_nm 584200 is kept, 5 was sent; what is kept stays" in messages(futures)[1]
        assert query(started.path, "SELECT sequence FROM reading ORDER BY entry") == [(1000,), (1,), (2,)]


REFUSED = [
    pytest.param({"session": "none"}, "its gauge in that session is not in the store; keep that first", id="session"),
    pytest.param({"gauge": "none"}, "its gauge in that session is not in the store; keep that first", id="gauge"),
    pytest.param({"sequence": -1}, "sequence must be 0 or more", id="sequence"),
    pytest.param({"kind": ""}, "kind must not be empty", id="kind"),
    pytest.param({"place": ""}, "place must not be empty", id="place"),
    pytest.param({"fret": -1}, r"fret must be 0 \(the nut\) or more", id="fret"),
    pytest.param({"feet": "6,8"}, "feet must be two frets such as 6-8", id="feet"),
    pytest.param({"low_nm": 2, "high_nm": 1}, "low_nm must not lie above high_nm", id="bracket"),
    pytest.param({"span_nm": -1}, "span_nm must be 0 or more", id="span"),
    pytest.param({"value_nm": None}, "value_nm must be a whole number, got None", id="none"),
    pytest.param({"value_nm": 1.0}, r"value_nm must be a whole number, got 1\.0", id="float"),
    pytest.param({"value_nm": "1"}, "value_nm must be a whole number, got '1'", id="text for number"),
    pytest.param({"value_nm": True}, "value_nm must be a whole number, got True", id="bool"),
    pytest.param({"value_nm": 1 << 63}, "value_nm must fit 64 bits, got 9223372036854775808", id="too large"),
    pytest.param({"status": 3}, "status must be text, got 3", id="number for text"),
    pytest.param({"status": "\ud800"}, "status must be text without lone surrogates", id="surrogate"),
    pytest.param({"raw": "text"}, "raw must be bytes, got 'text'", id="text for bytes"),
]


class TestRefusing:
    @pytest.mark.parametrize(("changes", "words"), REFUSED)
    def test_a_bad_row_fails_alone_and_in_words(
        self,
        started: Store,
        reading: MakeReading,
        held: threading.Event,
        query: Query,
        changes: dict[str, object],
        words: str,
    ) -> None:
        futures = [started.submit(row) for row in (reading(1), reading(**{"sequence": 2} | changes), reading(3))]
        held.set()

        first, bad, last = messages(futures)
        assert (first, last) == ("", "")
        with pytest.raises(StoreError, match=rf"^reading \(session .* cannot be kept in session store .*: {words}"):
            futures[1].result()
        assert str(started.path) in bad
        assert query(started.path, "SELECT sequence FROM reading ORDER BY entry") == [(1000,), (1,), (3,)]

    @pytest.mark.parametrize(
        ("row", "words"),
        [
            pytest.param(
                TakeBack(session="s1", number=1, gauge="caliper", sequence=9, at_ns=0, who="", why=""),
                r"^take back \(session 's1', number 1\) .*: the reading it takes back is not in the store",
                id="take back",
            ),
            pytest.param(SessionEnd(session="x", at_ns=0, reason=""), "its session is not in the store", id="end"),
            pytest.param(Skip(session="s1", number=-1, kind="a", at_ns=0), "number must be 0 or more", id="skip"),
            pytest.param("a row", "keeps rows such as ReadingRow, got 'a row'", id="no row"),
        ],
    )
    def test_other_rows_likewise(self, started: Store, row: Row, words: str) -> None:
        with pytest.raises(StoreError, match=words):
            started.put(row)

    def test_the_cause_is_kept(self, started: Store, reading: MakeReading) -> None:
        with pytest.raises(StoreError) as caught:
            started.put(reading(sequence=-1))

        assert isinstance(caught.value.__cause__, sqlite3.IntegrityError)

    def test_something_unforeseen_in_a_row_fails_that_row(
        self, started: Store, reading: MakeReading, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
    ) -> None:
        true_keep = keep.keep

        def flawed(connection: sqlite3.Connection, row: Row, path: Path) -> None:
            if isinstance(row, ReadingRow) and row.sequence == 13:
                raise RuntimeError("a flaw")
            true_keep(connection, row, path)

        monkeypatch.setattr(writer, "keep", flawed)
        texts = messages([started.submit(reading(sequence)) for sequence in (12, 13, 14)])

        assert [bool(text) for text in texts] == [False, True, False]
        assert "unforeseen RuntimeError('a flaw'); report it" in texts[1]
        assert "a row could not be kept" in caplog.text

    def test_something_unforeseen_in_a_batch_fails_that_batch_and_the_writer_goes_on(
        self, started: Store, reading: MakeReading, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
    ) -> None:
        with monkeypatch.context() as patch:
            patch.setattr(writer.Writer, "_check_place", lambda self: 1 // 0)
            with pytest.raises(StoreError, match="the program met something unforeseen; report it with its log"):
                started.put(reading(1))
        started.put(reading(2))

        assert [record.exc_info[0] for record in caplog.records if record.exc_info] == [ZeroDivisionError]

    def test_a_callback_that_fails_or_waits_for_the_writer_does_not_stop_it(
        self, started: Store, reading: MakeReading, caplog: pytest.LogCaptureFixture
    ) -> None:
        told: Future[BaseException] = Future()

        def bad(_: Future[None]) -> None:
            try:
                started.put(reading(2))
            except StoreError as error:
                told.set_result(error)
            raise RuntimeError("callback")

        started.submit(reading(1)).add_done_callback(bad)
        started.put(reading(3))

        assert "would wait for itself: a callback of the writer may submit, not put" in str(told.result(10))
        assert "callback" in caplog.text

    def test_a_future_resolved_by_somebody_else_does_not_stop_it(
        self, started: Store, reading: MakeReading, held: threading.Event, caplog: pytest.LogCaptureFixture
    ) -> None:
        started.submit(reading(1)).set_result(None)
        held.set()
        started.put(reading(2))

        assert "somebody else resolved a future" in caplog.text


def test_a_program_that_ends_without_closing_gets_its_queue_written(path: Path, query: Query) -> None:
    script = """
import sys
from logger.store import InstrumentRow, Store
store = Store.create(sys.argv[1])
for number in range(500):
    store.submit(InstrumentRow(id=str(number), created_at_ns=0, description=""))
"""
    subprocess.run([sys.executable, "-c", script, path], check=True, timeout=30)

    assert query(path, "SELECT count(*) FROM instrument") == [(500,)]
    assert [item.name for item in path.parent.iterdir() if item.suffix == ".lock"] == []


def test_numbers_agree_with_their_nouns() -> None:
    assert [counted(number, "row") for number in (0, 1, 2)] == ["0 rows", "1 row", "2 rows"]
