"""What happens while commits fail: rows wait, the person is told, nothing is lost unsaid."""

import sqlite3
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from logger.errors import StoreError
from logger.store import ReadingRow, Row, SessionGauge, Store, connect, writer
from logger.store.connect import open_owner

MakeReading = Callable[..., ReadingRow]
Query = Callable[[Path, str], list[tuple[object, ...]]]
KIB = b"x" * 1024


class Bench:
    """Listen to a store's trouble, and stand where the writer waits before it tries again."""

    def __init__(self) -> None:
        self.told: list[tuple[str, int]] = []
        self.waits: list[float] = []
        self.in_trouble = threading.Event()
        self.well = threading.Event()
        self.again = threading.Semaphore(0)
        self.remedy: Callable[[], object] = lambda: None

    def on_trouble(self, text: str, waiting: int) -> None:
        self.told.append((text, waiting))
        if not text:
            self.well.set()

    def wait(self, closing_store: threading.Event, seconds: float) -> bool:
        self.waits.append(seconds)
        self.in_trouble.set()
        while not self.again.acquire(timeout=0.01):
            if closing_store.is_set():
                return True
        self.remedy()
        return False

    def retry(self) -> None:
        self.in_trouble.clear()
        self.again.release()


class Failing:
    """A connection whose named statements (or ``close``) report an error of the disk."""

    def __init__(self, true: sqlite3.Connection, *names: str) -> None:
        self.true = true
        self.names = names

    @property
    def in_transaction(self) -> bool:
        return self.true.in_transaction

    def execute(self, statement: str, *bound: Any) -> sqlite3.Cursor:
        if statement in self.names:
            self.fail()
        return self.true.execute(statement, *bound)

    def close(self) -> None:
        self.true.close()
        if "close" in self.names:
            self.fail()

    def fail(self) -> None:
        error = sqlite3.OperationalError("disk I/O error")
        error.sqlite_errorcode = sqlite3.SQLITE_IOERR_WRITE
        raise error


def in_writer(store: Store, row: Row, action: Callable[[], object]) -> None:
    """Run an action in the writer thread, which alone may touch its connection."""
    done = threading.Event()

    def act(_: Future[None]) -> None:
        action()
        done.set()

    store.submit(row).add_done_callback(act)
    assert done.wait(10)


def fill(path: Path) -> None:
    with path.open("wb", buffering=0) as file:
        for _ in range(1024):
            file.write(KIB)


@pytest.fixture
def bench() -> Bench:
    return Bench()


def begin(path: Path, bench: Bench, opening: list[Row]) -> Store:
    store = Store.create(path, on_trouble=bench.on_trouble, wait=bench.wait)
    for future in [store.submit(row) for row in opening]:
        future.result(10)
    return store


@pytest.fixture
def watched(path: Path, bench: Bench, opening: list[Row]) -> Iterator[Store]:
    with begin(path, bench, opening) as store:
        yield store


@pytest.fixture
def limited(path: Path, bench: Bench, opening: list[Row], monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    """A store whose file may grow by four pages, too few for a `large` row, until `bench.remedy` runs."""

    def open_limited(place: Path) -> sqlite3.Connection:
        connection = open_owner(place)
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages + 4}")
        bench.remedy = lambda: connection.execute("PRAGMA max_page_count = 100000").fetchone()
        return connection

    monkeypatch.setattr(writer, "open_owner", open_limited)
    with begin(path, bench, opening) as store:
        yield store


def large(reading: MakeReading, first: int, count: int = 10) -> list[ReadingRow]:
    return [reading(sequence, raw=KIB * 20) for sequence in range(first, first + count)]


def submit(store: Store, rows: list[ReadingRow]) -> list[Future[None]]:
    return [store.submit(row) for row in rows]


class TestFullDisk:
    def test_rows_wait_and_are_kept_when_there_is_space(
        self, limited: Store, bench: Bench, reading: MakeReading, query: Query
    ) -> None:
        futures = submit(limited, large(reading, 1))
        assert bench.in_trouble.wait(10)
        more = submit(limited, large(reading, 11, 2))
        assert limited.waiting == 12
        assert not any(future.done() for future in futures + more)
        assert query(limited.path, "SELECT count(*) FROM reading") == [(0,)]

        bench.retry()

        assert [future.result(10) for future in futures + more] == [None] * 12
        assert bench.well.wait(10)
        text, _ = bench.told[0]
        words = "the disk is full (database or disk is full); free some space; nothing else is needed"
        assert text == f"session store {limited.path} cannot be written: {words}"
        assert bench.told[-1] == ("", 0)
        assert bench.waits == [1.0]
        assert query(limited.path, "SELECT sequence FROM reading ORDER BY entry") == [(n,) for n in range(1, 13)]

    def test_each_failure_is_told_with_the_rows_waiting_then(
        self, limited: Store, bench: Bench, reading: MakeReading
    ) -> None:
        cure, bench.remedy = bench.remedy, lambda: None
        limited.submit(reading(1, raw=KIB * 100))
        assert bench.in_trouble.wait(10)
        submit(limited, large(reading, 2, 2))
        bench.retry()
        assert bench.in_trouble.wait(10)
        bench.remedy = cure
        bench.retry()
        assert bench.well.wait(10)

        assert [waiting for _, waiting in bench.told] == [1, 3, 0]

    def test_closing_in_trouble_says_what_was_not_saved(
        self, limited: Store, bench: Bench, reading: MakeReading, caplog: pytest.LogCaptureFixture
    ) -> None:
        futures = [limited.submit(reading(1, raw=KIB * 100))]
        assert bench.in_trouble.wait(10)
        futures += submit(limited, large(reading, 2, 2))
        rocker = {"gauge": "rocker", "kind": "rocker", "description": "{}", "profile": "p", "profile_sha256": "0"}
        futures.append(limited.submit(SessionGauge(session="s1", **rocker)))

        limited.close()

        words = "did not keep the row: 3 readings and 1 other row were not saved: session store .* the disk is full"
        for future in futures:
            with pytest.raises(StoreError, match=words) as caught:
                future.result(0)
            assert isinstance(caught.value.__cause__, StoreError)
        assert "3 readings and 1 other row were not saved" in bench.told[-1][0]
        assert bench.told[-1][1] == 4
        assert "3 readings and 1 other row were not saved" in caplog.text
        assert limited.waiting == 0
        assert not limited.path.with_name("bench.db.lock").exists()

    def test_closing_tries_once_more(self, limited: Store, bench: Bench, reading: MakeReading) -> None:
        def cure_and_leave(event: threading.Event, seconds: float) -> bool:
            bench.in_trouble.set()
            event.wait(10)
            bench.remedy()
            return True

        limited._writer._wait = cure_and_leave
        future = limited.submit(reading(1, raw=KIB * 100))
        assert bench.in_trouble.wait(10)

        limited.close()

        assert future.result(0) is None
        assert bench.told[-1] == ("", 0)

    def test_a_real_disk(self, small_disk: Path, bench: Bench, opening: list[Row], reading: MakeReading) -> None:
        with begin(small_disk / "bench.db", bench, opening) as store:
            filler = small_disk / "filler"
            with pytest.raises(OSError, match="No space left"):
                fill(filler)
            futures = submit(store, large(reading, 1))
            assert bench.in_trouble.wait(10)
            with store.reader() as reader:
                assert reader.count() == sum(future.done() for future in futures) == 0

            filler.unlink()
            bench.retry()

            assert [future.result(10) for future in futures] == [None] * 10
            assert "the disk is full" in bench.told[0][0]
            with store.reader() as reader:
                assert [kept.row for kept in reader.readings()] == large(reading, 1)


class TestOtherTrouble:
    def test_a_database_locked_by_another_program(
        self, watched: Store, bench: Bench, reading: MakeReading, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        watched.close()
        monkeypatch.setattr(connect, "BUSY_TIMEOUT_S", 0.01)
        with Store.open(watched.path, on_trouble=bench.on_trouble, wait=bench.wait) as store:
            with closing(sqlite3.connect(store.path, isolation_level=None)) as other:
                other.execute("BEGIN IMMEDIATE")
                future = store.submit(reading())
                assert bench.in_trouble.wait(10)
            bench.retry()

            assert future.result(10) is None
        assert "another program has locked the database" in bench.told[0][0]

    @pytest.mark.skipif(sys.platform == "win32", reason="Windows does not let an open file be moved")
    def test_a_file_moved_away_takes_nothing_until_it_is_back(
        self, watched: Store, bench: Bench, reading: MakeReading, query: Query
    ) -> None:
        away = watched.path.with_name("away.db")
        watched.path.rename(away)
        future = watched.submit(reading())
        assert bench.in_trouble.wait(10)
        assert not future.done()

        away.rename(watched.path)
        bench.retry()

        assert future.result(10) is None
        assert "was moved, replaced or deleted while it was open; put it back" in bench.told[0][0]
        assert query(watched.path, "SELECT count(*) FROM reading") == [(1,)]

    def test_an_error_of_the_disk_opens_the_file_anew(
        self, watched: Store, bench: Bench, reading: MakeReading, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def connection() -> sqlite3.Connection | None:
            return watched._writer._connection

        first = connection()
        failing = sqlite3.OperationalError("disk I/O error")
        failing.sqlite_errorcode = sqlite3.SQLITE_IOERR_FSYNC
        with monkeypatch.context() as patch:
            patch.setattr(writer, "keep", lambda *_: (_ for _ in ()).throw(failing))
            future = watched.submit(reading())
            assert bench.in_trouble.wait(10)
        assert connection() is None

        bench.retry()

        assert future.result(10) is None
        assert connection() not in {None, first}
        assert "the disk did not read or write as asked (disk I/O error); check the disk's cable" in bench.told[0][0]

    @pytest.mark.skipif(sys.platform == "win32", reason="Windows does not let an open file be moved")
    def test_another_store_put_in_the_place_gets_nothing(
        self,
        watched: Store,
        bench: Bench,
        reading: MakeReading,
        tmp_path: Path,
        query: Query,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """The disk failed, and somebody put another store where the first was."""
        failing = sqlite3.OperationalError("disk I/O error")
        failing.sqlite_errorcode = sqlite3.SQLITE_IOERR_READ
        first, other = tmp_path / "first.db", tmp_path / "other.db"
        Store.create(other).close()
        with monkeypatch.context() as patch:
            patch.setattr(writer, "keep", lambda *_: (_ for _ in ()).throw(failing))
            future = watched.submit(reading())
            assert bench.in_trouble.wait(10)
        watched.path.rename(first)
        other.rename(watched.path)
        bench.retry()
        assert bench.in_trouble.wait(10)
        assert "is another one than before" in bench.told[1][0]
        assert query(watched.path, "SELECT count(*) FROM reading") == [(0,)]

        watched.path.rename(other)
        for ending in ("-wal", "-shm"):
            watched.path.with_name(f"bench.db{ending}").unlink(missing_ok=True)
        first.rename(watched.path)
        bench.retry()

        assert future.result(10) is None
        assert query(watched.path, "SELECT count(*) FROM reading") == [(1,)]

    def test_a_rollback_and_a_closing_that_fail_do_not_stop_the_writer(
        self,
        watched: Store,
        bench: Bench,
        reading: MakeReading,
        monkeypatch: pytest.MonkeyPatch,
        caplog: pytest.LogCaptureFixture,
    ) -> None:
        true = watched._writer._connection
        assert true is not None
        monkeypatch.setattr(watched._writer, "_connection", Failing(true, "COMMIT", "ROLLBACK", "close"))
        future = watched.submit(reading())
        assert bench.in_trouble.wait(10)
        bench.retry()

        assert future.result(10) is None
        assert "rolling back on" in caplog.text
        assert "closing " in caplog.text

    def test_a_checkpoint_that_fails_on_closing_loses_nothing(
        self, watched: Store, reading: MakeReading, caplog: pytest.LogCaptureFixture
    ) -> None:
        watched.put(reading())
        true = watched._writer._connection
        assert true is not None
        watched._writer._connection = Failing(true, "PRAGMA wal_checkpoint(TRUNCATE)")  # type: ignore[assignment]

        watched.close()

        assert "keeps its -wal file, nothing is lost" in caplog.text
        with watched.reader() as reader:
            assert reader.count() == 1

    def test_a_row_too_long_for_the_database_fails_alone(self, watched: Store, reading: MakeReading) -> None:
        connection = watched._writer._connection
        assert connection is not None
        in_writer(watched, reading(9), lambda: connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, 2000))

        futures = submit(watched, [reading(1), reading(2, raw=KIB * 3), reading(3)])

        with pytest.raises(StoreError, match="a text or a byte string is longer than the database holds"):
            futures[1].result(10)
        assert (futures[0].result(10), futures[2].result(10)) == (None, None)

    @pytest.mark.skipif(sys.platform == "win32", reason="Windows does not let an open file be moved")
    def test_a_listener_and_a_wait_that_fail_do_not_stop_the_writer(
        self,
        watched: Store,
        bench: Bench,
        reading: MakeReading,
        caplog: pytest.LogCaptureFixture,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        tried = threading.Event()

        def fail(*_: object) -> None:
            raise RuntimeError("a flaw")

        def fail_to_wait(*_: object) -> bool:
            tried.set()
            raise RuntimeError("another flaw")

        monkeypatch.setattr(writer, "RETRY_S", 0.001)
        watched._writer._on_trouble = fail
        watched._writer._wait = fail_to_wait
        away = watched.path.with_name("away.db")
        watched.path.rename(away)
        future = watched.submit(reading())
        assert tried.wait(10)
        away.rename(watched.path)

        assert future.result(10) is None
        assert "the listener to trouble of" in caplog.text
        assert "waiting to try again on" in caplog.text
