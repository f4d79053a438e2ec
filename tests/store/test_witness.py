"""The witness: how many rows there must be and what their hash is, written beside the store."""

import hashlib
import json
import re
import shutil
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.errors import StoreError, StoreLossError, WitnessError
from logger.store import ReadingRow, Row, Store, witness, writer
from logger.store.chain import START, Link, columns_of, follow
from logger.store.schema import STEPS
from logger.store.witness import Witness, WitnessKeeper, read_witness, witness_path, write_witness

MakeReading = Callable[..., ReadingRow]


def put_all(store: Store, rows: list[Row]) -> None:
    for row in rows:
        store.put(row)


@pytest.fixture
def closed(started: Store, reading: MakeReading) -> Path:
    """A store of five readings, closed in order."""
    put_all(started, [reading(sequence) for sequence in range(1, 6)])
    started.close()
    return started.path


def held(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(witness_path(path).read_text(encoding="utf-8"))
    return found


def wait_for_witness(store: Store, readings: int) -> None:
    """Wait until the writer has counted so many readings, within about a second."""
    while held(store.path)["tables"].get("reading", {}).get("entries") != readings:
        store._writer._thread.join(0.01)


def alter(path: Path, *statements: str) -> None:
    """Work on a closed store as another program could: without its guards."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for trigger in ("no_update", "no_delete", "no_replace"):
            connection.execute(f"DROP TRIGGER IF EXISTS reading_{trigger}")
        for statement in statements:
            connection.execute(statement)
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def guards_of_readings(path: Path) -> list[str]:
    """Return the statements that make the guards anew that `alter` takes away."""
    with closing(sqlite3.connect(path)) as connection:
        return [sql for (sql,) in connection.execute("SELECT sql FROM sqlite_schema WHERE name GLOB 'reading_no_*'")]


def test_a_closed_store_is_counted_to_the_last_row(closed: Path) -> None:
    found = held(closed)

    assert found["tables"]["reading"]["entries"] == 5
    assert found["tables"]["session"]["entries"] == 1
    assert found["tables"]["skip"] == {"entries": 0, "head": "0" * 64, "marks": []}
    assert (found["format"], found["version"]) == (1, len(STEPS))


def test_the_hash_is_a_chain_over_the_rows_in_order(closed: Path) -> None:
    """Worked out from the rows alone, by a second computation."""
    head = bytes(32)
    with closing(sqlite3.connect(closed)) as connection:
        names = columns_of(connection, "reading")
        for row in connection.execute("SELECT * FROM reading ORDER BY entry"):
            text = ""
            for name, value in zip(names, row, strict=True):
                if value is not None:
                    raw = value if isinstance(value, bytes) else str(value).encode()
                    text += f"{name}={raw.hex().upper()} "
            head = hashlib.sha256(head + text.encode()).digest()

    assert held(closed)["tables"]["reading"]["head"] == head.hex()


def test_a_chain_goes_on_from_a_link_as_from_the_beginning(closed: Path) -> None:
    with closing(sqlite3.connect(closed)) as connection:
        part = follow(connection, "reading", until=2)
        assert part.entries == 2
        assert follow(connection, "reading", part) == follow(connection, "reading")
        assert follow(connection, "reading", follow(connection, "reading")) == follow(connection, "reading")
        assert follow(connection, "skip") == START


def test_an_empty_text_and_none_differ_in_the_chain() -> None:
    heads = []
    for value in (None, "", "0"):
        with closing(sqlite3.connect(":memory:")) as connection:
            connection.execute("CREATE TABLE one (entry INTEGER PRIMARY KEY, a TEXT, b TEXT) STRICT")
            connection.execute("INSERT INTO one (a, b) VALUES (?, 'x')", (value,))
            heads.append(follow(connection, "one").head)

    assert len(set(heads)) == 3


def test_a_column_that_is_added_empty_changes_no_head(closed: Path) -> None:
    with closing(sqlite3.connect(closed)) as connection:
        before = follow(connection, "reading")
        connection.execute("ALTER TABLE reading ADD COLUMN jaw TEXT")
        assert follow(connection, "reading") == before


def test_it_is_written_while_the_bench_goes_on(
    started: Store, reading: MakeReading, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reading taken while nothing follows is counted too: the writer wakes up for it."""
    written = threading.Semaphore(0)
    true_write = witness.write_witness

    def write(path: Path, one: Witness) -> None:
        true_write(path, one)
        written.release()

    monkeypatch.setattr(witness, "write_witness", write)
    started.put(reading(1))
    wait_for_witness(started, 1)
    assert written.acquire(timeout=10)


def test_it_is_written_at_most_once_a_second(closed: Path) -> None:
    now = 100.0
    keeper = WitnessKeeper(closed, clock=lambda: now)
    with closing(sqlite3.connect(closed, isolation_level=None)) as connection:
        assert keeper.due_in_s() is None
        keeper.open(connection, held(closed)["store"])
        assert keeper.due_in_s() == 0
        keeper.write(connection)
        assert keeper.due_in_s() is None
        keeper.note()
        now = 100.25
        assert keeper.due_in_s() == 0.75
        now = 101.5
        assert keeper.due_in_s() == 0


def test_a_witness_that_cannot_be_written_stops_no_reading(
    started: Store, reading: MakeReading, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(witness, "write_witness", full)
    monkeypatch.setattr(witness, "EVERY_S", 0.0)
    put_all(started, [reading(1), reading(2)])
    started.close()

    assert caplog.text.count("is not written, all readings are kept: [Errno 28]") == 1


def test_rows_newer_than_the_witness_are_no_loss(closed: Path, reading: MakeReading) -> None:
    """A program that was killed committed more than its witness saw."""
    older = witness_path(closed).read_text(encoding="utf-8")
    with Store.open(closed) as store:
        store.put(reading(6))
    witness_path(closed).write_text(older, encoding="utf-8")

    Store.open(closed).close()

    assert held(closed)["tables"]["reading"]["entries"] == 6


def test_a_store_without_a_witness_gets_one(closed: Path) -> None:
    before = held(closed)["tables"]
    witness_path(closed).unlink()

    Store.open(closed).close()

    after = held(closed)["tables"]
    assert after.pop("store_event")["entries"] == 1
    del before["store_event"]
    assert after == before


LOST = [
    pytest.param(["DELETE FROM reading WHERE entry > 3"], "2 of 5 rows of reading are gone", id="missing tail"),
    pytest.param(
        ["UPDATE reading SET value_nm = value_nm + 1 WHERE entry = 2"],
        r"reading 2 of caliper in session s1 \(slot width fret 7 treble, .*\) is not as it was kept",
        id="changed digit",
    ),
    pytest.param(
        ["UPDATE reading SET entry = 9 WHERE entry = 1", "UPDATE reading SET entry = 1 WHERE entry = 2",
         "UPDATE reading SET entry = 2 WHERE entry = 9"],
        r"reading 2 of .* is not as it was kept; reading 1 of .* is not as it was kept",
        id="changed order",
    ),
    pytest.param(
        ["DELETE FROM reading WHERE entry = 2"], "row 2 of reading is gone, from between the others", id="row between"
    ),
]  # fmt: skip


@pytest.mark.parametrize(("statements", "words"), LOST)
def test_a_loss_is_told_at_opening(
    closed: Path, statements: list[str], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    alter(closed, *statements, *guards_of_readings(closed))
    before = witness_path(closed).read_text(encoding="utf-8")

    with pytest.raises(StoreLossError, match=f"is not what it was at .*: {words}; put the whole file back"):
        Store.open(closed)

    assert witness_path(closed).read_text(encoding="utf-8") == before
    assert not closed.with_name("bench.db.lock").exists()


def test_a_large_store_is_compared_by_its_counts(closed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the counts cannot show is found by inspecting."""
    monkeypatch.setattr(witness, "HASHED_AT_OPENING", 3)
    link = Link(entries=5, head="f" * 64)
    known = read_witness(closed)
    assert known is not None
    changed = Witness(
        store_id=known.store_id, version=known.version, at=known.at, chain=dict(known.chain) | {"reading": link}
    )
    write_witness(closed, changed)

    Store.open(closed).close()

    assert held(closed)["tables"]["reading"]["head"] == "f" * 64


def test_a_deleted_log_is_told(started: Store, reading: MakeReading, tmp_path: Path) -> None:
    """The program was killed, and somebody kept the one file alone."""
    put_all(started, [reading(1), reading(2)])
    wait_for_witness(started, 2)
    alone = tmp_path / "alone.db"
    shutil.copy(started.path, alone)
    shutil.copy(witness_path(started.path), witness_path(alone))

    with pytest.raises(StoreLossError, match="2 of 2 rows of reading are gone"):
        Store.open(alone)


def test_another_store_beside_the_witness_is_told(closed: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.db"
    Store.create(other).close()
    shutil.copy(other, closed)

    with pytest.raises(StoreLossError, match=r"its witness belongs to store .* was swapped or renamed"):
        Store.open(closed)


def test_a_store_that_is_gone_is_not_made_anew_in_silence(closed: Path) -> None:
    closed.unlink()

    with pytest.raises(StoreError, match=r"bench.db.witness tells of a store whose file bench.db is gone"):
        Store.open_or_create(closed)


def test_what_is_lost_while_the_disk_was_away_is_told(
    closed: Path, opening: list[Row], reading: MakeReading, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file is opened anew after an error, and is compared with what this program knows."""
    with closing(sqlite3.connect(closed, isolation_level=None)) as connection:
        keeper = WitnessKeeper(closed)
        keeper.open(connection, held(closed)["store"])
        keeper.write(connection)
        witness_path(closed).unlink()
        alter(closed, "DELETE FROM reading WHERE entry = 5")

        with pytest.raises(StoreLossError, match="1 of 5 rows of reading is gone"):
            keeper.open(connection, held_id(connection))


def held_id(connection: sqlite3.Connection) -> str:
    return str(connection.execute("SELECT id FROM store").fetchone()[0])


HELD = {"format": 1, "store": "a", "version": 2, "at": ""}
HEAD = "0" * 64
BAD = [
    pytest.param(b"", "it is empty", id="empty"),
    pytest.param(b"\xff\xfe", "it is not text", id="not text"),
    pytest.param(b"x", "it is not JSON", id="not JSON"),
    pytest.param(b"[" * 100_000, "it is not JSON", id="nested"),
    pytest.param(b"[]", "it does not say its format", id="list"),
    pytest.param(b'{"format": 2}', "it is of format 2, this program knows 1", id="format"),
    *(
        pytest.param(json.dumps(HELD | {"tables": tables}).encode(), words, id=name)
        for name, tables, words in (
            ("no tables", None, "it must hold store, version, at and tables"),
            ("table", {"a": 3}, "it must hold store, version, at and tables"),
            ("head", {"a": {"entries": 1, "head": "00"}}, "table 'a' must have a number of entries and a hash"),
            ("count", {"a": {"entries": -1, "head": HEAD}}, "table 'a' must have a number of entries and a hash"),
            ("truth", {"a": {"entries": True, "head": HEAD}}, "table 'a' must have a number of entries and a hash"),
            ("mark", {"a": {"entries": 1, "head": HEAD, "marks": [1]}}, "the marks of 'a' must be pairs"),
            ("order", {"a": {"entries": 1, "head": HEAD, "marks": [[2, HEAD], [2, HEAD]]}}, "must come in order"),
        )
    ),
]


@pytest.mark.parametrize(("data", "words"), BAD)
def test_a_witness_that_is_broken_is_refused(closed: Path, data: bytes, words: str) -> None:
    """As altered rows are: whoever cannot change the witness so that it fits could otherwise spoil it."""
    witness_path(closed).write_bytes(data)
    said = (
        rf"must be the witness of session store bench.db and is broken: .*{words}.*; put the witness and the store back"
    )

    for look in (read_witness, Store.open):
        with pytest.raises(WitnessError, match=said) as caught:
            look(closed)
        assert not re.search("Error|Traceback|expecting", str(caught.value))
    assert witness_path(closed).read_bytes() == data
    assert not closed.with_name("bench.db.lock").exists()


def test_a_witness_of_an_earlier_program_gets_its_marks(closed: Path) -> None:
    known = read_witness(closed)
    assert known is not None
    write_witness(closed, replace(known, marks={}))

    Store.open(closed).close()

    assert read_witness(closed) == replace(known, at=held(closed)["at"])


def test_rows_are_compared_over_a_step_that_fills_no_table(closed: Path) -> None:
    known = read_witness(closed)
    assert known is not None
    write_witness(closed, replace(known, version=1))
    alter(closed, "UPDATE reading SET value_nm = 1 WHERE entry = 2", *guards_of_readings(closed))

    with pytest.raises(StoreLossError, match=r"reading 2 of caliper in session s1 .* is not as it was kept"):
        Store.open(closed)


def test_a_witness_from_before_a_step_that_fills_counts_but_does_not_hash(
    closed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(witness, "same_hashes", lambda before, after: before == after)
    known = read_witness(closed)
    assert known is not None
    link = Link(entries=5, head="f" * 64)
    write_witness(closed, Witness(store_id=known.store_id, version=1, at=known.at, chain={"reading": link}))

    Store.open(closed).close()
    assert read_witness(closed) is not None
    assert held(closed)["tables"]["reading"]["head"] != "f" * 64

    more = Link(entries=6, head="f" * 64)
    write_witness(closed, Witness(store_id=known.store_id, version=1, at=known.at, chain={"reading": more}))
    with pytest.raises(StoreLossError, match="1 of 6 rows of reading is gone"):
        Store.open(closed)


def test_the_witness_waits_while_commits_fail(
    started: Store, reading: MakeReading, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It never counts a row that is not on the disk."""
    started.put(reading(1))
    wait_for_witness(started, 1)
    failing = sqlite3.OperationalError("disk I/O error")
    failing.sqlite_errorcode = sqlite3.SQLITE_IOERR_FSYNC
    with monkeypatch.context() as patch:
        patch.setattr(writer, "keep", lambda *_: (_ for _ in ()).throw(failing))
        future = started.submit(reading(2))
        started.close()

    with pytest.raises(StoreError, match="did not keep the row"):
        future.result(0)
    assert held(started.path)["tables"]["reading"]["entries"] == 1
