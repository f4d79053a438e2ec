"""What can be read of a damaged store is kept in a new one; what is lost is said."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import StoreForeignError
from logger.store import ReadingRow, Store
from logger.store.inspection import inspect
from logger.store.recovery import recover
from logger.store.witness import witness_path

MakeReading = Callable[..., ReadingRow]
MARK = 123_456_789_012
WITHOUT_GUARDS = "DROP TRIGGER reading_no_update; DROP TRIGGER reading_no_delete; DROP TRIGGER reading_no_replace;"


@pytest.fixture
def closed(full: Store, reading: MakeReading) -> Path:
    """A store with a row in every table and 200 readings, several pages of them."""
    for future in [full.submit(reading(sequence, value_nm=MARK + sequence)) for sequence in range(2, 201)]:
        future.result(10)
    full.close()
    return full.path


def leaf_offset(path: Path, sequence: int) -> int:
    """Return where in the file the page lies that holds a reading, found by its value."""
    data = path.read_bytes()
    at = data.index((MARK + sequence).to_bytes(6, "big"))
    return at // 4096 * 4096


def test_rows_whose_session_is_lost_are_kept(closed: Path) -> None:
    with closing(sqlite3.connect(closed)) as connection:
        connection.executescript("DROP TRIGGER session_no_delete; DELETE FROM session;")

    found = recover(closed, closed.with_name("new.db"))

    assert found.kept["reading"] == 200
    assert "1 of 1 rows of session are lost" in found.wrong
    assert "1 rows of session gauge are kept, and what they belong to (session) is lost" in found.wrong


def test_rows_that_no_longer_hold_are_lost_and_said(closed: Path) -> None:
    with closing(sqlite3.connect(closed)) as connection:
        connection.executescript(
            f"{WITHOUT_GUARDS} PRAGMA ignore_check_constraints = ON; UPDATE reading SET fret = -1 WHERE entry = 9"
        )

    found = recover(closed, closed.with_name("new.db"))

    assert found.wrong == ["1 of 200 rows of reading are lost, 1 of them changed so that they no longer hold"]


def test_a_row_whose_text_cannot_be_read_is_lost_alone(closed: Path) -> None:
    with closing(sqlite3.connect(closed)) as connection:
        connection.executescript(
            f"{WITHOUT_GUARDS} UPDATE reading SET status = CAST(x'ff' AS TEXT) WHERE entry IN (9, 10)"
        )

    found = recover(closed, closed.with_name("new.db"))

    assert found.wrong == ["2 of 200 rows of reading are lost"]


def test_what_another_program_added_is_left_out(closed: Path) -> None:
    with closing(sqlite3.connect(closed)) as connection:
        connection.executescript(
            """CREATE TABLE "it's; DROP TABLE reading" (entry INTEGER PRIMARY KEY, "a "" ' b" TEXT);
            INSERT INTO "it's; DROP TABLE reading" VALUES (1, 'x');
            ALTER TABLE reading ADD COLUMN "jaw "" '" TEXT;"""
        )

    assert inspect(closed).wrong == []
    found = recover(closed, closed.with_name("new.db"))
    assert (found.wrong, found.kept["reading"]) == ([], 200)


def test_a_store_whose_id_is_gone(closed: Path) -> None:
    known = inspect(closed).store_id
    with closing(sqlite3.connect(closed)) as connection:
        connection.executescript("DROP TRIGGER store_no_delete; DELETE FROM store;")
    with pytest.raises(StoreForeignError, match="must have an id and has none"):
        inspect(closed)

    assert recover(closed, closed.with_name("new.db")).store_id == known


def test_a_lost_witness_and_a_last_page_that_cannot_be_read(closed: Path) -> None:
    witness_path(closed).unlink()
    with closed.open("r+b") as file:
        file.seek(leaf_offset(closed, 200))
        file.write(b"\xff" * 4096)

    found = recover(closed, closed.with_name("new.db"))

    assert 0 < found.kept["reading"] < 200


def test_a_page_that_cannot_be_read(closed: Path, reading: MakeReading) -> None:
    """All but the readings of that page are recovered, in their order."""
    with closed.open("r+b") as file:
        file.seek(leaf_offset(closed, 100))
        file.write(b"\xff" * 4096)

    assert "the 200 rows of reading cannot all be read (database disk image is malformed)" in inspect(closed).wrong

    new = closed.with_name("new.db")
    found = recover(closed, new)

    lost = found.lost.pop("reading")
    assert found.lost == {}
    assert 5 < lost < 80
    assert found.wrong == [f"{lost} of 200 rows of reading are lost"]
    assert found.kept["reading"] == 200 - lost
    with Store.open(new) as store, store.reader() as reader:
        sequences = [one.row.sequence for one in reader.readings("s1")]
        assert sequences == sorted(sequences)
        assert all(one.row.value_nm == MARK + one.row.sequence for one in reader.readings("s1") if one.row.sequence > 1)
        assert 100 not in sequences


def test_beside_a_bench_that_writes(full: Store, reading: MakeReading) -> None:
    """Every table is read as of one commit, so that no row seems to have lost what it belongs to."""
    for number in range(5):
        futures = [full.submit(reading(sequence)) for sequence in range(100 * number + 2, 100 * number + 102)]
        found = recover(full.path, full.path.with_name(f"new{number}.db"))
        for future in futures:
            future.result(10)
        assert (found.wrong, found.lost) == ([], {})
