import os
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import StoreBusyError, StoreError, StoreLossError
from logger.store import ReadingRow, Store, StoreReader, care
from logger.store.care import copy, repack
from logger.store.chain import Link
from logger.store.inspection import inspect
from logger.store.schema import STEPS
from logger.store.witness import read_witness, witness_path

MakeReading = Callable[..., ReadingRow]
Query = Callable[[Path, str], list[tuple[object, ...]]]


def fill(store: Store, rows: list[ReadingRow]) -> None:
    for future in [store.submit(row) for row in rows]:
        future.result(10)


@pytest.fixture
def closed(full: Store, reading: MakeReading) -> Path:
    fill(full, [reading(sequence) for sequence in range(2, 101)])
    full.close()
    return full.path


@pytest.fixture
def roomy(closed: Path) -> Path:
    """A store with much empty room, as a rebuilt table leaves it."""
    with closing(sqlite3.connect(closed)) as connection:
        connection.execute("CREATE TABLE room (bytes)")
        connection.executemany("INSERT INTO room VALUES (?)", [(bytes(50_000),)] * 40)
        connection.commit()
        connection.execute("DROP TABLE room")
        connection.commit()
    assert closed.stat().st_size > 2_000_000
    return closed


class TestCopying:
    def test_a_copy_is_one_file_with_its_witness(self, closed: Path, tmp_path: Path) -> None:
        target = tmp_path / "elsewhere" / "copy.db"
        target.parent.mkdir()

        found = copy(closed, target)

        assert (found.wrong, found.notes) == ([], [])
        assert found.chain == inspect(closed).chain
        known = read_witness(target)
        assert known is not None
        assert dict(known.chain) == found.chain
        assert sorted(one.name for one in target.parent.iterdir()) == ["attachments", "copy.db", "copy.db.witness"]

    def test_a_copy_is_a_store_to_go_on_with(self, closed: Path, tmp_path: Path, reading: MakeReading) -> None:
        copy(closed, tmp_path / "copy.db")

        with Store.open(tmp_path / "copy.db") as store:
            store.put(reading(101))

    def test_while_the_bench_writes(self, full: Store, reading: MakeReading, tmp_path: Path) -> None:
        """Each copy is whole as of one commit, and holds everything acknowledged before it was begun."""
        stop, sent = threading.Event(), []

        def write() -> None:
            for sequence in range(2, 100_000):
                full.put(reading(sequence, raw=bytes(2000)))
                sent.append(sequence)
                if stop.is_set():
                    return

        writer = threading.Thread(target=write)
        writer.start()
        try:
            for number in range(5):
                before = len(sent)
                found = copy(full.path, tmp_path / f"copy{number}.db")
                assert found.wrong == []
                assert found.chain["reading"].entries >= 1 + before
        finally:
            stop.set()
            writer.join()
        assert len(sent) > 5

    def test_nothing_is_overwritten(self, closed: Path, tmp_path: Path) -> None:
        (tmp_path / "copy.db").write_text("mine", encoding="utf-8")

        with pytest.raises(StoreError, match="exists already"):
            copy(closed, tmp_path / "copy.db")

        assert (tmp_path / "copy.db").read_text(encoding="utf-8") == "mine"

    def test_what_is_wrong_stays_to_be_seen_in_the_copy(self, closed: Path, tmp_path: Path) -> None:
        with closing(sqlite3.connect(closed)) as connection:
            connection.executescript("DROP TRIGGER skip_no_delete; DELETE FROM skip;")

        found = copy(closed, tmp_path / "copy.db")

        assert "1 of 1 row of skip is gone" in found.wrong
        assert "1 of 1 row of skip is gone" in inspect(tmp_path / "copy.db").wrong

    def test_a_full_disk(self, full: Store, small_disk: Path, reading: MakeReading) -> None:
        fill(full, [reading(sequence, raw=bytes(100_000)) for sequence in range(2, 20)])

        with pytest.raises(StoreError, match=r"cannot be copied to .*copy.db: the disk is full"):
            copy(full.path, small_disk / "copy.db")

        left = [one.name for one in small_disk.iterdir()]
        assert left == ["attachments"], "files that came whole stay for the next try"

    def test_a_witness_that_cannot_be_read_does_not_keep_from_copying(self, closed: Path, tmp_path: Path) -> None:
        witness_path(closed).write_text("x", encoding="utf-8")

        found = copy(closed, tmp_path / "copy.db")

        assert found.chain["reading"].entries == 100
        assert "is broken: it is not JSON" in found.wrong[0]


class TestRepacking:
    def test_room_is_given_back_and_every_row_is_there(self, roomy: Path, query: Query) -> None:
        before = (
            query(roomy, "SELECT * FROM reading ORDER BY entry"),
            query(roomy, "SELECT sql FROM sqlite_schema ORDER BY name"),
        )

        done = repack(roomy)

        assert done.before_bytes > 2_000_000
        assert done.after_bytes == roomy.stat().st_size < 500_000
        assert inspect(roomy).wrong == []
        assert query(roomy, "PRAGMA user_version") == [(len(STEPS),)]
        after = (
            query(roomy, "SELECT * FROM reading ORDER BY entry"),
            query(roomy, "SELECT sql FROM sqlite_schema ORDER BY name"),
        )
        assert after == before
        assert sorted(one.name for one in roomy.parent.iterdir()) == ["attachments", "bench.db", "bench.db.witness"]

    def test_the_bench_goes_on_with_it(self, roomy: Path, reading: MakeReading, query: Query) -> None:
        repack(roomy)

        with Store.open(roomy) as store:
            store.put(reading(101))
        assert query(roomy, "PRAGMA journal_mode") == [("wal",)]

    def test_not_while_a_bench_owns_it(self, full: Store) -> None:
        with pytest.raises(StoreBusyError, match="is in use by fretledger"):
            repack(full.path)

    def test_not_while_another_program_reads_it(self, roomy: Path) -> None:
        size = roomy.stat().st_size
        with StoreReader(roomy), pytest.raises(StoreBusyError, match="while another program has it open"):
            repack(roomy)

        assert roomy.stat().st_size == size
        repack(roomy)

    def test_not_while_something_is_wrong_with_it(self, closed: Path) -> None:
        inode = closed.stat().st_ino
        with closing(sqlite3.connect(closed)) as connection:
            ask = "SELECT sql FROM sqlite_schema WHERE name = 'skip_no_delete'"
            (trigger,) = connection.execute(ask).fetchone()
            connection.executescript(f"DROP TRIGGER skip_no_delete; DELETE FROM skip; {trigger};")

        with pytest.raises(StoreLossError, match="is not packed while something is wrong with it: 1 of 1 row of skip"):
            repack(closed)
        assert closed.stat().st_ino == inode

    def test_a_packed_file_that_lost_a_row_never_takes_the_place(
        self, roomy: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        inode = roomy.stat().st_ino
        monkeypatch.setattr(care, "follow", lambda *_: Link(entries=1, head="0" * 64))

        with pytest.raises(StoreLossError, match="is not the same after packing and stays as it was"):
            repack(roomy)

        assert roomy.stat().st_ino == inode
        assert sorted(one.name for one in roomy.parent.iterdir()) == ["attachments", "bench.db", "bench.db.witness"]

    def test_a_full_disk_leaves_the_store(self, small_disk: Path, roomy: Path, query: Query) -> None:
        path = small_disk / "bench.db"
        repack(roomy)
        copy(roomy, path)
        (small_disk / "filler").write_bytes(bytes(_free(small_disk) - 120_000))
        before = query(path, "SELECT count(*) FROM reading")

        with pytest.raises(StoreError, match="cannot be packed: the disk is full"):
            repack(path)

        assert query(path, "SELECT count(*) FROM reading") == before
        assert not path.with_name("bench.db.new").exists()


def _free(folder: Path) -> int:
    found = os.statvfs(folder)
    return found.f_bavail * found.f_frsize
