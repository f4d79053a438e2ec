"""The write-ahead log stays short; who keeps it from that is told by name."""

import os
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from logger.store import ReadingRow, Row, Store, log_size, witness
from logger.store.connect import open_owner
from logger.store.log_size import LIMIT_BYTES, log_bytes, reading_processes, tend_log

MakeReading = Callable[..., ReadingRow]
READER = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("BEGIN")
connection.execute("SELECT count(*) FROM reading").fetchone()
print("reading", flush=True)
sys.stdin.read()
"""
linux = pytest.mark.skipif(not Path("/proc/locks").exists(), reason="only Linux lists who holds a lock")


@contextmanager
def stuck(path: Path) -> Iterator[int]:
    """Another program that reads without end; its process id."""
    command = [sys.executable, "-c", READER, str(path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        assert process.stdout.readline() == b"reading\n"
        yield process.pid
        process.stdin.close()


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """A log that is large early, and looked at after every commit."""
    monkeypatch.setattr(log_size, "LARGE_BYTES", 1 << 20)
    monkeypatch.setattr(witness, "EVERY_S", 0.0)


class Bench:
    """Listen to a store."""

    def __init__(self) -> None:
        self.told: list[tuple[str, int]] = []
        self.changed = threading.Condition()

    def on_trouble(self, text: str, waiting: int) -> None:
        with self.changed:
            self.told.append((text, waiting))
            self.changed.notify()

    def wait_for(self, words: str) -> None:
        with self.changed:
            assert self.changed.wait_for(lambda: bool(self.told) and words in self.told[-1][0], 20), self.told


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def watched(path: Path, bench: Bench, opening: list[Row]) -> Iterator[Store]:
    with Store.create(path, on_trouble=bench.on_trouble) as store:
        for row in opening:
            store.put(row)
        yield store


def write(store: Store, reading: MakeReading, first: int, count: int = 40) -> None:
    for sequence in range(first, first + count):
        store.put(reading(sequence, raw=bytes(40_000)))


def test_a_log_nobody_reads_stays_short(watched: Store, bench: Bench, reading: MakeReading) -> None:
    for first in range(0, 200, 40):
        write(watched, reading, first)
        assert log_bytes(watched.path) < 8 << 20

    assert bench.told == []


@linux
def test_a_stuck_reader_is_named_and_readings_go_on(watched: Store, bench: Bench, reading: MakeReading) -> None:
    with stuck(watched.path) as process:
        write(watched, reading, 1)
        bench.wait_for(
            f"because python (process {process}) reads it without end; close that program: no reading is lost"
        )
        text, waiting = bench.told[-1]
        assert text.startswith(f"the log of session store {watched.path} has grown beyond ")
        assert waiting == 0
        with watched.reader() as reader:
            assert reader.count() == 40

    write(watched, reading, 100, 2)
    bench.wait_for("")
    assert bench.told[-1] == ("", 0)
    assert log_bytes(watched.path) < 1 << 20


@linux
def test_only_who_reads_just_now_is_named(watched: Store) -> None:
    with watched.reader() as reader:
        assert reader.count() == 0
        assert reading_processes(watched.path) == []
        with stuck(watched.path) as process:
            assert reading_processes(watched.path) == [process]


@linux
def test_the_program_itself_is_named_as_such(started: Store, reading: MakeReading) -> None:
    with started.reader() as reader, reader._snapshot():
        reader.count()
        assert reading_processes(started.path) == [os.getpid()]
        assert log_size._readers(started.path) == f"this program itself (process {os.getpid()})"


def test_where_the_system_does_not_tell(started: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(log_size, "_LOCKS", tmp_path / "none")

    assert log_size._readers(started.path) == "another program"


LOCKS = """\
1: POSIX  ADVISORY  READ  11 {place} 123 123
2: POSIX  ADVISORY  READ  12 {place} 128 128
3: POSIX  ADVISORY  WRITE 13 {place} 120 120
4: POSIX  ADVISORY  READ  14 00:00:1 124 124
4: -> POSIX  ADVISORY  READ  15 {place} 124 124
5: FLOCK  ADVISORY  WRITE 16 {place} 0 EOF
6: POSIX  ADVISORY  READ  17 {place} 120 127
"""


@linux
def test_the_list_of_locks_is_read_as_the_system_writes_it(
    started: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    found = started.path.with_name("bench.db-shm").stat()
    place = f"{os.major(found.st_dev):02x}:{os.minor(found.st_dev):02x}:{found.st_ino}"
    (tmp_path / "locks").write_text(LOCKS.format(place=place), encoding="ascii")
    monkeypatch.setattr(log_size, "_LOCKS", tmp_path / "locks")

    assert reading_processes(started.path) == [11, 17]


def test_a_large_log_is_cut_back(path: Path) -> None:
    Store.create(path).close()
    with closing(open_owner(path)) as connection:
        assert connection.execute("PRAGMA journal_size_limit").fetchone() == (LIMIT_BYTES,)
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        connection.execute("BEGIN")
        rows = [(f"i{number}", 0, "x" * 50_000) for number in range(40)]
        connection.executemany("INSERT INTO instrument (id, created_at_ns, description) VALUES (?, ?, ?)", rows)
        connection.execute("COMMIT")
        assert log_bytes(path) > 1 << 20

        assert tend_log(connection, path, busy_timeout_s=2.0) == ""

        assert log_bytes(path) == 0
        assert connection.execute("PRAGMA busy_timeout").fetchone() == (2000,)


def test_a_log_that_cannot_be_emptied_for_another_cause_stops_nothing(
    watched: Store, reading: MakeReading, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(*_: object, **__: object) -> str:
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr("logger.store.writer.tend_log", fail)
    write(watched, reading, 1, 2)
    watched.close()

    assert "cannot be emptied now: disk I/O error" in caplog.text
    with watched.reader() as reader:
        assert reader.count() == 2
