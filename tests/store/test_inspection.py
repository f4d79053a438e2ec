"""What a disk, a person or another program does to a store, and what is said about it."""

import os
import shutil
import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import StoreError, StoreForeignError, StoreLossError, StoreVersionError
from logger.store import ReadingRow, Row, Store
from logger.store.care import copy
from logger.store.inspection import Inspection, inspect
from logger.store.recovery import recover
from logger.store.witness import REMEDY, witness_path

MakeReading = Callable[..., ReadingRow]
MARK = 123_456_789_012


@pytest.fixture
def closed(full: Store, reading: MakeReading) -> Path:
    """A store with a row in every table and 200 readings, several pages of them."""
    for future in [full.submit(reading(sequence, value_nm=MARK + sequence)) for sequence in range(2, 201)]:
        future.result(10)
    full.close()
    return full.path


def wrong(path: Path) -> str:
    found = inspect(path)
    assert found.to_do.startswith("put the whole file back")
    return "; ".join(found.wrong)


def fault_at_opening(path: Path) -> str:
    with pytest.raises(StoreError) as caught:
        Store.open(path)
    return str(caught.value)


def test_a_sound_store(closed: Path) -> None:
    found = inspect(closed)

    assert (found.wrong, found.notes, found.to_do) == ([], [], "")
    assert found.chain["reading"].entries == 200
    assert found.witnessed_at is not None


def test_every_step_of_the_work_is_told(closed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.store.inspection._STEPS_BETWEEN", 10)
    monkeypatch.setattr("logger.store.chain._TOLD_EVERY", 10)
    told: list[tuple[str, float | None]] = []

    inspect(closed, lambda words, share: told.append((words, share)))

    words = dict.fromkeys(words for words, _ in told)
    assert list(words) == [
        "checking the file's structure",
        "checking what refers to what",
        "reading every reading",
        "reading every attached file",
        "comparing the clocks",
    ]
    shares = [share for words, share in told if words == "reading every reading"]
    assert shares == [number / 20 for number in range(1, 21)]


def test_a_flipped_digit(closed: Path) -> None:
    """SQLite finds nothing: the file's structure is in order."""
    old = MARK + 77
    data = closed.read_bytes()
    assert data.count(old.to_bytes(6, "big")) == 1
    closed.write_bytes(data.replace(old.to_bytes(6, "big"), (old + 10).to_bytes(6, "big")))

    with closing(sqlite3.connect(closed)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    words = (
        "reading 77 of caliper in session s1 (slot width fret 7 treble, now 123456.7891 mm, taken from '+0.0230in') is "
        "not as it was kept"
    )
    assert wrong(closed) == f"{words}: a digit was changed on the disk or by another program"
    assert words in fault_at_opening(closed)
    found = recover(closed, closed.with_name("new.db"))
    assert (found.wrong, found.changed) == ([words], {"reading": 1})


def killed(path: Path, tmp_path: Path, count: int, opening: list[Row], reading: MakeReading) -> Path:
    """Return a store as a killed program leaves it: the file, its log with ``count`` readings, and its witness."""
    left = tmp_path / "left"
    left.mkdir()
    with Store.create(path) as store:
        for row in [*opening, *(reading(sequence) for sequence in range(1, count + 1))]:
            store.put(row)
        while f'"entries": {count},' not in witness_path(path).read_text(encoding="utf-8"):
            store._writer._thread.join(0.01)
        for ending in ("", "-wal", ".witness"):
            shutil.copy(path.with_name(path.name + ending), left)
    return left / path.name


@pytest.fixture
def left(path: Path, tmp_path: Path, opening: list[Row], reading: MakeReading) -> Path:
    return killed(path, tmp_path, 30, opening, reading)


def test_what_a_killed_program_leaves_is_sound(left: Path) -> None:
    found = inspect(left)

    assert found.wrong == []
    assert found.chain["reading"].entries == 30
    assert (
        "is part of the store: a program has it open or was killed; copy with `fretledger store copy`" in found.notes[0]
    )


def test_a_cut_log(left: Path) -> None:
    log = left.with_name("bench.db-wal")
    size = log.stat().st_size
    os.truncate(log, size * 2 // 3)

    with closing(sqlite3.connect(left)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        there = connection.execute("SELECT count(*) FROM reading").fetchone()[0]
    assert 0 < there < 30
    gone = (
        f"{30 - there} of 30 rows of reading are gone; its log bench.db-wal had {size} bytes then and is gone: it was"
    )
    assert wrong(left).startswith(gone)
    assert gone in fault_at_opening(left)


def test_a_cut_log_that_still_lies_there_is_named(left: Path) -> None:
    log = left.with_name("bench.db-wal")
    size, cut = log.stat().st_size, log.stat().st_size * 2 // 3
    os.truncate(log, cut)

    assert f"its log bench.db-wal had {size} bytes then and has {cut} now: it was cut" in wrong(left)


def test_a_deleted_log(left: Path) -> None:
    left.with_name("bench.db-wal").unlink()

    assert "30 of 30 rows of reading are gone" in wrong(left)
    assert "1 of 1 row of session is gone" in fault_at_opening(left)


def test_what_is_left_after_a_loss_goes_on_in_a_new_store(left: Path, reading: MakeReading) -> None:
    log = left.with_name("bench.db-wal")
    os.truncate(log, log.stat().st_size * 2 // 3)
    new = left.with_name("new.db")

    found = recover(left, new)

    assert found.lost == {"reading": 30 - found.kept["reading"]}
    assert inspect(new).wrong == []
    with Store.open(new) as store:
        assert store.store_id == found.store_id
        store.put(reading(31))


@pytest.mark.parametrize("share", [0.2, 0.95])
def test_half_a_file(closed: Path, share: float) -> None:
    """The list of tables is what a small store begins with: where that is gone, a new store tells where it lay."""
    whole = closed.stat().st_size
    there = int(whole * share) // 4096 * 4096
    os.truncate(closed, there)

    assert "cannot be opened to write: the file is damaged" in fault_at_opening(closed)
    looked = inspect(closed)
    new = closed.with_name("new.db")
    found = recover(closed, new)

    assert looked.wrong[0] == found.wrong[0] == f"the file ends early: {there} of {whole} bytes are there"
    assert looked.in_part["reading"] == found.kept["reading"]
    assert "the 200 rows of reading cannot all be read" in "; ".join(looked.wrong)
    assert "; ".join(looked.wrong).count("malformed") == 1
    assert looked.to_do == REMEDY
    assert closed.stat().st_size == there
    assert sorted(one.name for one in closed.parent.glob("new.db*")) == ["new.db", "new.db.witness"]
    assert found.lost["reading"] == 200 - found.kept["reading"]
    if share > 0.5:
        assert 50 < found.kept["reading"] < 200
    else:
        assert found.wrong[1].startswith("the list of its tables was lost and is taken from a new store")
        assert (found.kept["instrument"], found.kept["session"]) == (1, 1)


def test_a_bad_header(closed: Path) -> None:
    with closed.open("r+b") as file:
        file.write(b"\0" * 16)

    with pytest.raises(StoreForeignError, match="a witness beside the file says that it is a store, so its beginning"):
        Store.open(closed)
    looked = inspect(closed)
    assert (looked.wrong, looked.chain["reading"].entries) == (["the first bytes of the file were overwritten"], 200)
    found = recover(closed, closed.with_name("new.db"))
    assert found.wrong == ["the first bytes of the file were overwritten"]
    assert found.kept["reading"] == 200


def test_an_empty_file(closed: Path) -> None:
    os.truncate(closed, 0)

    with pytest.raises(StoreForeignError, match="is an empty file, not a session store"):
        inspect(closed)


def test_another_programs_database(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE notes (text)")

    with pytest.raises(StoreForeignError, match="is a database but not a session store"):
        inspect(path)


def test_a_newer_store(closed: Path) -> None:
    with closing(sqlite3.connect(closed)) as connection:
        connection.execute("PRAGMA user_version = 99")

    with pytest.raises(StoreVersionError, match="is of version 99"):
        inspect(closed)


def test_a_store_of_the_first_version_is_inspected_as_it_is(path: Path) -> None:
    shutil.copy(Path(__file__).parent / "fixtures" / "v1.store", path)

    found = inspect(path)

    assert (found.version, found.wrong) == (1, [])
    assert "no witness lies beside it" in found.notes[0]


def test_a_renamed_store_names_the_witness_that_was_left_behind(closed: Path) -> None:
    away = closed.with_name("away.db")
    closed.rename(away)

    assert (
        inspect(away)
        .notes[0]
        .startswith(
            "its witness lies beside it as bench.db.witness: the store was renamed without it; rename the witness to "
            "away.db.witness and inspect again"
        )
    )
    witness_path(closed).rename(witness_path(away))
    assert (inspect(away).notes, inspect(away).wrong) == ([], [])


def test_the_witness_of_a_copy_that_lies_beside_is_no_witness_of_this_store(closed: Path) -> None:
    away = closed.with_name("away.db")
    shutil.copy(closed, away)

    assert "no witness lies beside it (away.db.witness)" in inspect(away).notes[0]


def test_a_witness_that_is_a_folder(closed: Path) -> None:
    witness_path(closed).unlink()
    witness_path(closed).mkdir()

    found = inspect(closed)
    assert found.wrong == [f"{witness_path(closed)} must be the witness of session store bench.db and is a folder"]
    assert found.to_do.startswith("put the witness and the store back from one copy")
    assert copy(closed, closed.with_name("copy.db")).wrong == found.wrong


def test_a_swapped_file(closed: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.db"
    Store.create(other).close()
    shutil.copy(other, closed)

    assert "one of the two files was swapped or renamed" in wrong(closed)
    assert any("swapped" in text for text in recover(closed, tmp_path / "new.db").wrong)


def test_a_witness_that_cannot_be_read(closed: Path) -> None:
    witness_path(closed).write_text("x", encoding="utf-8")

    found = inspect(closed)
    assert found.wrong == [
        f"{witness_path(closed)} must be the witness of session store bench.db and is broken: it is not JSON"
    ]
    assert found.to_do.startswith("put the witness and the store back from one copy, or move the witness away")


WITHOUT_GUARDS = "DROP TRIGGER reading_no_update; DROP TRIGGER reading_no_delete; DROP TRIGGER reading_no_replace;"


@pytest.mark.parametrize(
    ("script", "words"),
    [
        pytest.param("DROP TRIGGER skip_no_delete", "missing: trigger skip_no_delete", id="guard"),
        pytest.param(
            f"{WITHOUT_GUARDS} DELETE FROM reading WHERE entry = 100",
            "1 of 200 rows of reading is gone, from between the others",
            id="row between",
        ),
        pytest.param(
            f"{WITHOUT_GUARDS} DELETE FROM reading WHERE entry > 150", "50 of 200 rows of reading are gone", id="tail"
        ),
        pytest.param("DROP TABLE climate", "1 of 1 row of climate is gone with their table", id="table"),
        pytest.param(
            f"{WITHOUT_GUARDS} UPDATE reading SET gauge = 'no' WHERE entry = 9",
            "what refers to what is damaged: reading 9 session_gauge",
            id="reference",
        ),
    ],
)
def test_what_another_program_did(closed: Path, script: str, words: str) -> None:
    with closing(sqlite3.connect(closed)) as connection:
        connection.executescript(script)

    assert words in wrong(closed)


def test_a_clock_that_steps_back(started: Store, reading: MakeReading) -> None:
    steps = [0, 1_000_000_000, -59_000_000_000, -58_000_000_000]
    for number, wall_ns in enumerate(steps, 1):
        started.put(reading(number, taken_at_ns=10**12 + wall_ns, monotonic_ns=number * 1_000_000_000))
    started.close()

    found = inspect(started.path)

    assert found.wrong == []
    (note,) = found.notes
    assert note == (
        "the clock of the computer went back by 61.000 s before reading 3 of caliper in session s1 "
        "(it was set, or the computer slept); the readings stay in the order they were taken"
    )


def test_many_jumps_are_counted(started: Store, reading: MakeReading) -> None:
    for number in range(1, 10):
        started.put(reading(number, taken_at_ns=number * number * 10**9, monotonic_ns=number * 1_000_000_000))
    started.close()

    notes = inspect(started.path).notes

    assert len(notes) == 6
    assert notes[-1] == "the clock jumped 3 times more"


def test_beside_a_bench_that_writes(full: Store, reading: MakeReading) -> None:
    found: list[Inspection] = []
    for first in range(10, 100, 10):
        futures = [full.submit(reading(sequence)) for sequence in range(first, first + 10)]
        found.append(inspect(full.path))
        for future in futures:
            future.result(10)

    assert [one.wrong for one in found] == [[]] * 9


@pytest.mark.skipif(sys.platform == "win32", reason="Windows does not let an open file be replaced")
def test_an_older_copy_put_in_the_place(closed: Path, reading: MakeReading) -> None:
    older = closed.with_name("older.db")
    shutil.copy(closed, older)
    with Store.open(closed) as store:
        store.put(reading(500))
    older.replace(closed)

    with pytest.raises(StoreLossError, match="1 of 201 rows of reading is gone"):
        Store.open(closed)
