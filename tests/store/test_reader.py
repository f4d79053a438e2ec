import shutil
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from logger.errors import SessionNotFoundError, StoreError
from logger.store import (
    InstrumentRevision,
    InstrumentRow,
    ReadingRow,
    Reassignment,
    Row,
    SessionEnd,
    SessionRow,
    Skip,
    Store,
    StoreReader,
    TakeBack,
    connect,
)
from logger.store.connect import open_owner
from logger.store.schema import STEPS, Step

MakeReading = Callable[..., ReadingRow]


def session(name: str, instrument: str = "neck", started_at_ns: int = 5) -> SessionRow:
    return SessionRow(
        id=name,
        instrument=instrument,
        revision=1,
        started_at_ns=started_at_ns,
        monotonic_ns=0,
        boot_id="b",
        software="test",
        people="me",
        note="dry day",
        limits="format = 1",
    )


def revision(number: int, name: str = "test neck", instrument: str = "neck") -> InstrumentRevision:
    return InstrumentRevision(
        instrument=instrument, revision=number, at_ns=number, name=name, description=f"r = {number}"
    )


class TestSessionsAndInstruments:
    def test_sessions_are_in_the_order_they_were_kept_whatever_the_clock_said(
        self, started: Store, opening: list[Row]
    ) -> None:
        rows = [session("s3", started_at_ns=1), session("s2", started_at_ns=-7)]
        for row in rows:
            started.put(row)

        with started.reader() as reader:
            assert reader.sessions() == [opening[2], *rows]
            assert reader.session("s3") == rows[0]
            assert reader.last_session() == rows[1]

    def test_last_session_of_an_instrument(self, started: Store) -> None:
        for row in (InstrumentRow(id="other", created_at_ns=0, description=""), revision(1, instrument="other")):
            started.put(row)
        started.put(session("s2", "other"))
        started.put(session("s3"))

        with started.reader() as reader:
            assert reader.last_session("other") == session("s2", "other")
            assert reader.last_session("neck") == session("s3")
            assert reader.last_session("none") is None

    def test_open_sessions_have_no_end(self, started: Store) -> None:
        end = SessionEnd(session="s1", at_ns=9, reason="done")
        started.put(session("s2"))
        started.put(end)

        with started.reader() as reader:
            assert reader.open_sessions() == [session("s2")]
            assert reader.session_end("s1") == end
            assert reader.session_end("s2") is None

    def test_the_newest_revision_of_an_instrument(self, started: Store, opening: list[Row]) -> None:
        for row in (revision(3, "third"), revision(2, "second")):
            started.put(row)

        with started.reader() as reader:
            assert reader.instrument("neck") == revision(3, "third")
            assert reader.instrument_at("neck", 2) == revision(2, "second")
            assert reader.instrument_at("neck", 1) == opening[1]

    def test_instruments_are_in_their_order_at_their_newest_revision(self, started: Store, opening: list[Row]) -> None:
        bare = InstrumentRow(id="a bare one", created_at_ns=0, description="")
        second = InstrumentRow(id="a second one", created_at_ns=0, description="")
        for row in (bare, second, revision(1, instrument="a second one"), revision(2, "renamed")):
            started.put(row)

        with started.reader() as reader:
            assert reader.instrument_rows() == [opening[0], bare, second]
            assert reader.instruments() == [revision(2, "renamed"), revision(1, instrument="a second one")]

    def test_gauges(self, started: Store, opening: list[Row]) -> None:
        with started.reader() as reader:
            assert reader.gauges("s1") == [opening[3]]

    def test_an_empty_store(self, store: Store) -> None:
        with store.reader() as reader:
            assert reader.store_id() == store.store_id
            assert reader.last_session() is None
            assert [
                reader.sessions(),
                reader.open_sessions(),
                reader.instruments(),
                reader.instrument_rows(),
                reader.readings(),
                reader.readings("none"),
                reader.gauges("none"),
                reader.skips("none"),
                reader.take_backs("none"),
            ] == [[]] * 9

    @pytest.mark.parametrize(
        ("ask", "kind", "words"),
        [
            (lambda reader: reader.session("x"), SessionNotFoundError, "holds no session 'x'; list its sessions"),
            (lambda reader: reader.instrument("x"), StoreError, "holds no instrument 'x'$"),
            (lambda reader: reader.instrument_at("neck", 4), StoreError, "holds no revision 4 of instrument 'neck'$"),
        ],
    )
    def test_what_is_not_there(
        self, started: Store, ask: Callable[[StoreReader], object], kind: type[StoreError], words: str
    ) -> None:
        with started.reader() as reader, pytest.raises(kind, match=words) as caught:
            ask(reader)
        assert type(caught.value) is kind


class TestReadings:
    def test_in_the_order_of_arrival(self, started: Store, reading: MakeReading) -> None:
        rows = [reading(5), reading(2, kind=None, fret=None, place=None), reading(9)]
        for row in rows:
            started.put(row)

        with started.reader() as reader:
            assert [kept.row for kept in reader.readings()] == rows
            assert [kept.original for kept in reader.readings("s1")] == rows
            assert [kept.taken_back for kept in reader.readings()] == [None] * 3

    def test_the_highest_number_of_reassignments_holds(self, full: Store, reading: MakeReading) -> None:
        again = Reassignment(
            session="s1",
            number=9,
            gauge="caliper",
            sequence=1,
            kind="fret_step",
            fret=7,
            feet="6-8",
            round="sweep",
            at_ns=0,
            who="me",
            why="",
        )
        full.put(again)
        full.put(replace(again, number=5, kind=None, fret=None, feet=None, round=None))

        with full.reader() as reader:
            (kept,) = reader.readings("s1")
            assert [row.number for row in reader.reassignments("s1")] == [2, 9, 5]
        assert kept.row == reading(kind="fret_step", fret=7, place=None, feet="6-8", round="sweep")
        assert kept.original == reading()

    def test_the_first_take_back_is_told(self, full: Store, amendments: list[Row]) -> None:
        second = TakeBack(session="s1", number=7, gauge="caliper", sequence=1, at_ns=50, who="you", why="again")
        full.put(second)

        with full.reader() as reader:
            assert reader.readings()[0].taken_back == amendments[0]
            assert reader.take_backs("s1") == [amendments[0], second]

    def test_amendments_stay_in_their_session(self, full: Store, reading: MakeReading) -> None:
        full.put(session("s2"))
        with full.reader() as reader:
            (gauge,) = reader.gauges("s1")
        full.put(replace(gauge, session="s2"))
        full.put(reading(session="s2"))

        with full.reader() as reader:
            first, second = reader.readings()
            assert first.taken_back is not None
            assert (second.row, second.taken_back) == (reading(session="s2"), None)
            assert reader.readings("s2") == [second]
            assert (reader.count(), reader.count("s1"), reader.count("none")) == (2, 1, 0)

    def test_skips(self, full: Store, amendments: list[Row]) -> None:
        with full.reader() as reader:
            assert reader.skips("s1") == [amendments[2]]

    def test_numbering_resumes_from_the_store(self, started: Store, reading: MakeReading) -> None:
        path = started.path
        with started.reader() as reader:
            assert (reader.next_sequence("s1", "caliper"), reader.next_number("s1")) == (1, 1)
        started.put(reading(41))
        started.put(reading(7))
        started.put(Skip(session="s1", number=12, kind="a", at_ns=0))
        started.put(TakeBack(session="s1", number=3, gauge="caliper", sequence=7, at_ns=0, who="", why=""))
        started.close()

        with StoreReader(path) as reader:
            assert (reader.next_sequence("s1", "caliper"), reader.next_number("s1")) == (42, 13)
            assert (reader.next_sequence("s1", "none"), reader.next_number("none")) == (1, 1)


KILLED = """
import os, sys
from logger.store import InstrumentRow, Store
store = Store.create(sys.argv[1])
store.put(InstrumentRow(id="neck", created_at_ns=1, description='name = "test neck"'))
os._exit(9)  # as abrupt as a kill: nothing is closed
"""


@pytest.fixture
def killed(path: Path) -> Path:
    """A store whose owner ended before it could close: its one row is in the log only."""
    subprocess.run([sys.executable, "-c", KILLED, path], check=False, timeout=30)
    assert path.with_name("bench.db-wal").stat().st_size > 0
    return path


class TestBesideTheOwner:
    def test_sees_the_newest_commit_of_another_process(self, started: Store, reading: MakeReading) -> None:
        script = """
import sys
from logger.store import StoreReader
with StoreReader(sys.argv[1]) as reader:
    for _ in sys.stdin:
        print(reader.count(), flush=True)
"""
        with subprocess.Popen(
            [sys.executable, "-c", script, started.path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as other:
            assert other.stdin is not None
            assert other.stdout is not None
            for sequence in range(1, 6):
                started.put(reading(sequence))
                other.stdin.write("\n")
                other.stdin.flush()
                assert other.stdout.readline() == f"{sequence}\n"
            other.stdin.close()

    def test_cannot_write(self, started: Store) -> None:
        with started.reader() as reader, pytest.raises(StoreError, match="the file or its folder is read-only"):
            reader._all("INSERT INTO session_end (session, at_ns, reason) VALUES ('s1', 0, '')", ())

    def test_a_list_is_of_one_commit(self, full: Store, monkeypatch: pytest.MonkeyPatch) -> None:
        """A reassignment that is committed between the two statements of one answer is not seen by half of it."""
        with full.reader() as reader:
            true_all = reader._all

            def commit_meanwhile(statement: str, bound: tuple[str, ...]) -> list[tuple[object, ...]]:
                rows = true_all(statement, bound)
                if "FROM reading" in statement:
                    full.put(
                        Reassignment(
                            session="s1", number=8, gauge="caliper", sequence=1, kind="late", at_ns=0, who="", why=""
                        )
                    )
                return rows

            monkeypatch.setattr(reader, "_all", commit_meanwhile)
            assert reader.readings()[0].row.fret == 8
            monkeypatch.undo()
            assert reader.readings()[0].row.kind == "late"

    def test_many_threads_share_one_reader(self, started: Store, reading: MakeReading) -> None:
        found: list[list[int]] = []
        with started.reader() as reader:

            def look() -> None:
                found.extend([kept.row.sequence for kept in reader.readings("s1")] for _ in range(20))

            threads = [threading.Thread(target=look) for _ in range(4)]
            for thread in threads:
                thread.start()
            for sequence in range(50):
                started.put(reading(sequence))
            for thread in threads:
                thread.join()

        assert len(found) == 80
        assert all(sequences == list(range(len(sequences))) for sequences in found)

    def test_reads_what_a_killed_owner_left_in_the_log(self, killed: Path, opening: list[Row]) -> None:
        with StoreReader(killed) as reader:
            assert reader.instrument_rows() == opening[:1]


def test_the_next_owner_flushes_what_a_killed_owner_left(killed: Path, opening: list[Row]) -> None:
    """Else a row that never reached the disk would be acknowledged when it is sent again."""
    copy = killed.with_name("copy.db")
    with closing(open_owner(killed)):
        shutil.copyfile(killed, copy)  # without its log

    with StoreReader(copy) as reader:
        assert reader.instrument_rows() == opening[:1]


def test_a_closed_reader_says_so(store: Store) -> None:
    reader = store.reader()
    reader.close()
    reader.close()

    with pytest.raises(StoreError, match=r"the reader of session store .* is closed; open another$"):
        reader.sessions()


def test_a_damaged_file_is_told_in_words(full: Store) -> None:
    full.close()
    with full.path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xff" * (full.path.stat().st_size - 4096))

    with StoreReader(full.path) as reader, pytest.raises(StoreError, match=r"file is damaged .*; copy it together"):
        reader.readings()
    with pytest.raises(StoreError, match="the file is damaged"):
        Store.open(full.path)


def test_a_store_of_an_older_program_is_told_how_to_be_read(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Store.create(path).close()
    monkeypatch.setattr(connect, "STEPS", (*STEPS, Step(words="more", statements=())))

    with pytest.raises(StoreError, match=rf"version {len(STEPS)}, this program reads version {len(STEPS) + 1}; start"):
        StoreReader(path)


def test_a_store_without_its_id_is_refused(path: Path) -> None:
    Store.create(path).close()
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("DROP TRIGGER store_no_delete")
        connection.execute("DELETE FROM store")

    with StoreReader(path) as reader, pytest.raises(StoreError, match="must have an id and has none"):
        reader.store_id()
