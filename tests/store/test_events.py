"""What happened to a store itself stays in it: since when its rows are counted, what it was recovered from."""

import hashlib
import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from logger.errors import StoreError
from logger.store import ReadingRow, Row, Store, StoreEvent
from logger.store.care import copy, repack
from logger.store.events import check, rests_on, words
from logger.store.inspection import inspect
from logger.store.recovery import recover
from logger.store.witness import witness_path

MakeReading = Callable[..., ReadingRow]
FROM_THE_BEGINNING = {"counted_since": None, "because": "", "recovered": []}


@pytest.fixture
def closed(started: Store, reading: MakeReading) -> Path:
    for sequence in (1, 2, 3):
        started.put(reading(sequence))
    started.close()
    return started.path


def told(path: Path) -> dict[str, Any]:
    """Return what a store says that anything told from it rests on."""
    with Store.open(path) as store, store.reader() as reader:
        return rests_on(reader.events(), path)


def test_a_store_is_counted_from_its_beginning(closed: Path) -> None:
    assert told(closed) == FROM_THE_BEGINNING
    assert words(told(closed)) == ["a witness counted every row from the store's beginning"]


def test_a_store_that_was_killed_right_after_it_was_made_is_too(path: Path) -> None:
    """The witness is there before the first row can be."""
    with Store.create(path):
        alone = path.with_name("left.db")
        shutil.copy(path, alone)
        shutil.copy(witness_path(path), witness_path(alone))

    assert told(alone) == FROM_THE_BEGINNING


def test_a_witness_that_was_taken_away_is_never_forgotten(closed: Path, reading: MakeReading) -> None:
    witness_path(closed).unlink()
    assert "no witness lies beside it" in inspect(closed).notes[0]

    first = told(closed)
    assert first["counted_since"] is not None
    assert first["because"] == "no witness lay beside the store when it was opened"
    assert told(closed) == first, "one event, however often it is opened"
    found = inspect(closed)
    assert (found.wrong, found.rests_on) == ([], first)
    (note,) = found.notes
    assert note.startswith("a witness counts the rows only since 20")
    assert note.endswith(f"{first['because']}: what was lost or changed before would not be seen")


@pytest.mark.parametrize("work", ["copy", "repack"])
def test_neither_copying_nor_packing_makes_up_for_a_witness(closed: Path, tmp_path: Path, work: str) -> None:
    witness_path(closed).unlink()
    if work == "copy":
        copy(closed, tmp_path / "copy.db")
        closed = tmp_path / "copy.db"
    else:
        repack(closed)

    assert not witness_path(closed).exists()
    assert told(closed)["counted_since"] is not None


def test_a_broken_witness_is_copied_with_its_store(closed: Path, tmp_path: Path) -> None:
    witness_path(closed).write_text("[]", encoding="utf-8")

    found = copy(closed, tmp_path / "copy.db")

    assert witness_path(tmp_path / "copy.db").read_text(encoding="utf-8") == "[]"
    assert len(found.wrong) == 1


def test_a_copy_keeps_the_id_because_it_stands_in_for_the_store(closed: Path, tmp_path: Path) -> None:
    copy(closed, tmp_path / "copy.db")

    assert inspect(tmp_path / "copy.db").store_id == inspect(closed).store_id
    assert told(tmp_path / "copy.db") == FROM_THE_BEGINNING


def test_a_recovered_store_says_what_it_was_made_from(closed: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(closed)) as connection:
        connection.executescript(
            """DROP TRIGGER reading_no_delete; DELETE FROM reading WHERE entry = 3;
            DROP TRIGGER session_no_update; UPDATE session SET people = 'somebody else';"""
        )
    source, digest = inspect(closed).store_id, hashlib.sha256(closed.read_bytes()).hexdigest()

    found = recover(closed, tmp_path / "new.db")

    assert found.store_id != source == found.source_id
    assert inspect(tmp_path / "new.db").store_id == found.store_id
    rests = told(tmp_path / "new.db")
    (one,) = rests["recovered"]
    assert (one["store"], one["file_sha256"], one["log_sha256"]) == (source, digest, "")
    assert (one["lost"], one["changed"], one["witnessed"]) == ({"reading": 1}, {"session": 1}, True)
    assert (rests["counted_since"], rests["because"]) == (one["at"], "the store was recovered from another")
    (line,) = words(rests)
    assert line.endswith(
        f"from store {source}, file SHA-256 {digest[:16]}...: 1 reading lost, at least 1 row of session changed"
    )
    assert inspect(tmp_path / "new.db").notes == [line]


def test_a_store_recovered_twice_says_both(closed: Path, tmp_path: Path) -> None:
    witness_path(closed).unlink()
    first = recover(closed, tmp_path / "one.db")
    second = recover(tmp_path / "one.db", tmp_path / "two.db")

    rests = told(tmp_path / "two.db")

    assert [one["store"] for one in rests["recovered"]] == [first.source_id, first.store_id]
    assert second.source_id == first.store_id
    lines = words(rests)
    assert lines[0].endswith("no witness told how many rows there were")
    assert lines[1].endswith("nothing known to be lost or changed")


def test_a_kind_of_event_that_is_not_known_is_passed_over(closed: Path) -> None:
    with Store.open(closed) as store:
        store.put(StoreEvent(number=1, at_ns=1, kind="of a later program", description="not JSON"))

    assert told(closed) == FROM_THE_BEGINNING


@pytest.mark.parametrize("description", ["not JSON", "{}", "[]", '{"because": 5}'])
def test_an_event_that_was_altered_is_told(closed: Path, description: str) -> None:
    with Store.open(closed) as store:
        store.put(StoreEvent(number=1, at_ns=1, kind="counted", description=description))

    with pytest.raises(
        StoreError, match="must tell what happened to it as this program keeps it, and one event cannot"
    ):
        told(closed)
    assert any("one event cannot be understood" in text for text in inspect(closed).wrong)


RECOVERY = {"at": "2026-01-02T03:04:05+00:00", "store": "s", "file_sha256": "ab", "log_sha256": "", "witnessed": True,
            "lost": {}, "changed": {}}  # fmt: skip


@pytest.mark.parametrize(
    "alter",
    [
        pytest.param({"counted_since": 5}, id="no text"),
        pytest.param({"counted_since": "yesterday"}, id="no time"),
        pytest.param({"more": 1}, id="more"),
        pytest.param({"recovered": [5]}, id="no object"),
        pytest.param({"recovered": [RECOVERY | {"at": "x"}]}, id="time of recovery"),
        pytest.param({"recovered": [RECOVERY | {"lost": {"reading": "5"}}]}, id="count"),
        pytest.param({"recovered": [RECOVERY | {"store": None}]}, id="store"),
    ],
)
def test_the_form_is_checked(alter: dict[str, Any]) -> None:
    check(json.loads(json.dumps(FROM_THE_BEGINNING | {"recovered": [RECOVERY]})))
    with pytest.raises(ValueError, match=r"not what a record rests on|Invalid isoformat"):
        check(FROM_THE_BEGINNING | alter)


def test_an_event_needs_the_disk(closed: Path, opening: list[Row], monkeypatch: pytest.MonkeyPatch) -> None:
    """A store that cannot keep since when it is counted is not opened, and is as it was."""
    witness_path(closed).unlink()

    def full(*_: object) -> None:
        error = sqlite3.OperationalError("database or disk is full")
        error.sqlite_errorcode = sqlite3.SQLITE_FULL
        raise error

    with monkeypatch.context() as patch:
        patch.setattr("logger.store.events.keep", full)
        with pytest.raises(StoreError, match="the disk is full"):
            Store.open(closed)

    assert not witness_path(closed).exists()
    assert told(closed)["counted_since"] is not None
