"""What can be read of a damaged store is kept in a new one; what is lost is said."""

import shutil
import sqlite3
import struct
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import StoreError, StoreForeignError
from logger.store import ReadingRow, Row, Store
from logger.store.inspection import inspect
from logger.store.mending import FIRST_PAGE_BACK
from logger.store.recovery import recover
from logger.store.witness import PUT_BACK, witness_path

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
    assert "1 of 1 row of session is lost" in found.wrong
    assert "1 row of session gauge is kept, and what it belongs to (session) is lost" in found.wrong


def test_rows_that_no_longer_hold_are_lost_and_said(closed: Path) -> None:
    with closing(sqlite3.connect(closed)) as connection:
        connection.executescript(
            f"{WITHOUT_GUARDS} PRAGMA ignore_check_constraints = ON; UPDATE reading SET fret = -1 WHERE entry = 9"
        )

    found = recover(closed, closed.with_name("new.db"))

    told, named = found.wrong
    assert told == "1 of 200 rows of reading is lost, 1 of them changed so that they no longer hold"
    assert named.startswith("reading 9 of caliper in session s1 (slot width fret -1 treble, ")
    assert found.changed == {}, "it is lost, not changed"


def test_a_row_whose_text_cannot_be_read_is_lost_alone(closed: Path) -> None:
    with closing(sqlite3.connect(closed)) as connection:
        connection.executescript(
            f"{WITHOUT_GUARDS} UPDATE reading SET status = CAST(x'ff' AS TEXT) WHERE entry IN (9, 10)"
        )

    found = recover(closed, closed.with_name("new.db"))

    assert found.wrong[0] == "2 of 200 rows of reading are lost"
    assert found.wrong[1:] == [f"row {entry} of reading is not as it was kept" for entry in (9, 10)]
    assert (found.lost, found.changed) == ({"reading": 2}, {})


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

    found = recover(closed, closed.with_name("new.db"))

    assert found.source_id == known
    assert found.wrong[0] == "the id of the store cannot be read; its witness tells it"


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

    inspected = inspect(closed)
    told = next(text for text in inspected.wrong if text.startswith("the 200 rows of reading cannot all be read"))
    assert "; ".join(inspected.wrong).count("malformed") == 1, "what the library says is said once"

    new = closed.with_name("new.db")
    found = recover(closed, new)

    lost = found.lost.pop("reading")
    assert found.lost == {}
    assert 5 < lost < 80
    assert found.wrong == [f"{lost} of 200 rows of reading are lost"]
    assert found.kept["reading"] == 200 - lost == inspected.in_part["reading"]
    assert f": {200 - lost} are read by going past the damage, as `fretledger store recover` does" in told
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


def zero_list_of_tables(path: Path) -> None:
    """Overwrite the pages that hold the list of tables with zeros, as a disk does that lost them."""
    first = path.read_bytes()[:4096]
    assert first[100] == 5, "the list has a tree of its own"
    (count,) = struct.unpack(">H", first[103:105])
    cells = struct.unpack(f">{count}H", first[112 : 112 + 2 * count])
    with path.open("r+b") as file:
        for cell in cells:
            file.seek((int.from_bytes(first[cell : cell + 4], "big") - 1) * 4096)
            file.write(bytes(4096))


def test_a_list_of_tables_that_is_lost_is_put_back(closed: Path) -> None:
    zero_list_of_tables(closed)
    before = closed.read_bytes()

    found = recover(closed, closed.with_name("new.db"))

    assert found.wrong == [
        "the list of its tables was lost and is taken from a new store, which has it in the same places"
    ]
    assert (found.kept["reading"], found.lost, found.changed) == (200, {}, {})
    assert closed.read_bytes() == before
    assert sorted(one.name for one in closed.parent.glob("new.db*")) == ["new.db", "new.db.witness"]


def test_a_store_that_was_brought_up_to_date_has_its_list_elsewhere(path: Path) -> None:
    """Nothing is guessed: a new store does not tell where its tables lie."""
    shutil.copy(Path(__file__).parent / "fixtures" / "v1.store", path)
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(
            """WITH RECURSIVE n(i) AS (SELECT 1000 UNION ALL SELECT i + 1 FROM n WHERE i < 1500)
            INSERT INTO reading (session, gauge, sequence, value_nm, unit, raw, status, taken_at_ns, monotonic_ns)
            SELECT session, gauge, i, value_nm, unit, raw, status, taken_at_ns, monotonic_ns
            FROM reading, n WHERE entry = 1"""
        )
    Store.open(path).close()
    zero_list_of_tables(path)

    with pytest.raises(
        StoreError, match=r"the list of its tables is lost, and it does not lie where .*; restore a copy"
    ):
        recover(path, path.with_name("new.db"))
    assert list(path.parent.glob("new.db*")) == []


def zero(path: Path, count: int) -> None:
    with path.open("r+b") as file:
        file.write(bytes(count))


@pytest.mark.parametrize("witnessed", [True, False])
def test_a_first_page_that_is_lost_is_taken_from_a_new_store(closed: Path, witnessed: bool) -> None:
    if not witnessed:
        witness_path(closed).unlink()
    zero(closed, 4096)
    before = closed.read_bytes()

    looked = inspect(closed)
    found = recover(closed, closed.with_name("new.db"))

    assert looked.wrong == found.wrong == [FIRST_PAGE_BACK]
    assert looked.chain["reading"].entries == found.kept["reading"] == 200
    assert found.lost == found.changed == {}
    assert closed.read_bytes() == before


def test_a_first_page_that_is_lost_with_what_follows(closed: Path) -> None:
    """Its own witness says that it was a store, and of which version."""
    zero(closed, 5 * 4096)

    looked = inspect(closed)
    assert looked.wrong[0] == FIRST_PAGE_BACK
    assert looked.store_id != ""
    assert recover(closed, closed.with_name("new.db")).kept["reading"] == 200


def test_a_first_page_that_cannot_be_put_back_is_damage_and_no_foreign_file(closed: Path) -> None:
    size = closed.stat().st_size
    closed.write_bytes(bytes(4096) + b"\xff" * (size - 4096))

    looked = inspect(closed)

    lost, saw = looked.wrong
    assert lost.startswith(f"nothing of session store {closed} can be read: its first page is lost, and the list of")
    assert "200 readings" in saw
    with pytest.raises(StoreError, match=r"its beginning was overwritten .*; `fretledger store inspect` says"):
        Store.open(closed)
    assert looked.to_do == PUT_BACK
    with pytest.raises(StoreError, match="its first page is lost, and the list of its tables does not lie where"):
        recover(closed, closed.with_name("new.db"))
    witness_path(closed).write_text("x", encoding="utf-8")
    assert len(inspect(closed).wrong) == 2, "both files are spoilt"


def test_a_first_page_that_is_lost_with_the_newest_rows_in_the_log(
    path: Path, tmp_path: Path, opening: list[Row], reading: MakeReading
) -> None:
    left = tmp_path / "left"
    left.mkdir()
    with Store.create(path) as store:
        for row in [*opening, *(reading(number) for number in range(1, 31))]:
            store.put(row)
        for ending in ("", "-wal"):
            shutil.copy(path.with_name(path.name + ending), left)
    zero(left / path.name, 4096)

    assert recover(left / path.name, tmp_path / "new.db").kept["reading"] == 30
