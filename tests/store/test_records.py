"""Records, attachments and factors as the store keeps them."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from typing import Any

import pytest

from logger.errors import StoreConflictError, StoreError
from logger.store import Attachment, RecordRow, SessionFactor, Store, StoreReader

MakeRecord = Callable[..., RecordRow]


@pytest.fixture
def record(store_record: RecordRow) -> MakeRecord:
    """Make record ``number``, chained to the one before it."""

    def make(number: int, /, **changes: object) -> RecordRow:
        values: dict[str, Any] = {
            "id": f"r{number}", "number": number, "sha256": f"{number:064x}",
            "previous": f"{number - 1:064x}" if number > 1 else "",
        }  # fmt: skip
        return replace(store_record, **(values | changes))

    return make


def test_records_come_back_in_the_order_of_their_chain(started: Store, record: MakeRecord) -> None:
    for number in (1, 2, 3):
        started.put(record(number))

    with StoreReader(started.path) as reader:
        assert [reader.record(number) for number in (1, 2, 3)] == [record(1), record(2), record(3)]
        assert reader.record(4) is None
        assert reader.records("neck") == [record(1), record(2), record(3)]
        assert reader.records("other") == []
        assert reader.last_record() == record(3)


def test_a_record_sent_again_is_kept_once_wherever_the_chain_is(started: Store, record: MakeRecord) -> None:
    for number in (1, 2, 1, 2):
        started.put(record(number))

    with StoreReader(started.path) as reader:
        assert len(reader.records("neck")) == 2


@pytest.mark.parametrize(
    "changes",
    [
        pytest.param({"number": 4}, id="a gap"),
        pytest.param({"number": 1}, id="a second first"),
        pytest.param({"previous": ""}, id="cut"),
        pytest.param({"previous": "ab" * 32}, id="chained elsewhere"),
        pytest.param({"previous": f"{1:064x}"}, id="a fork"),
        pytest.param({"sha256": f"{1:064x}"}, id="the same document again"),
    ],
)
def test_a_record_that_is_not_chained_to_the_last_one_is_refused(
    started: Store, record: MakeRecord, changes: dict[str, object]
) -> None:
    started.put(record(1))
    started.put(record(2))

    with pytest.raises(StoreError, match="a record is chained to the last one before it"):
        started.put(record(3, **changes))


@pytest.mark.parametrize("column", ["number", "sha256", "previous"])
def test_a_stranger_cannot_replace_a_record_by_any_of_its_keys(started: Store, record: MakeRecord, column: str) -> None:
    started.put(record(1))
    started.put(record(2))
    names = [name for name in RecordRow.__dataclass_fields__ if name not in {"id", column}]
    others = {"number": "3", "sha256": f"'{3:064x}'", "previous": f"'{2:064x}'"}
    chosen = ", ".join(others.get(name, name) for name in names)

    with closing(sqlite3.connect(started.path)) as connection, pytest.raises(sqlite3.IntegrityError):
        connection.execute(
            f"REPLACE INTO record (id, {column}, {', '.join(names)}) SELECT 'x', {column}, {chosen} "
            "FROM record WHERE number = 2"
        )

    with StoreReader(started.path) as reader:
        assert reader.records("neck") == [record(1), record(2)]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        pytest.param({"sha256": "AB" * 32}, "sha256 must be 64 hex digits", id="capitals"),
        pytest.param({"sha256": "ab"}, "sha256 must be 64 hex digits", id="short"),
        pytest.param({"instrument": "none"}, "its instrument is not in the store", id="no instrument"),
        pytest.param({"id": ""}, "id must not be empty", id="no id"),
    ],
)
def test_a_record_that_does_not_hold_is_refused(
    started: Store, record: MakeRecord, changes: dict[str, object], words: str
) -> None:
    with pytest.raises(StoreError, match=words):
        started.put(record(1, **changes))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        pytest.param({"path": "/etc/hostname"}, "path must end in the content's sha256", id="absolute"),
        pytest.param({"path": f"attachments/../{'ab' * 32}"}, "path must end in the content's sha256", id="up"),
        pytest.param({"path": f"attachments/{'ac' * 32}"}, "path must end in the content's sha256", id="another"),
        pytest.param({"size": -1}, "size must be 0 or more", id="size"),
        pytest.param({"session": "s9"}, "its instrument or session is not in the store", id="no session"),
    ],
)
def test_an_attachment_that_does_not_hold_is_refused(
    started: Store, store_attachment: Attachment, changes: dict[str, Any], words: str
) -> None:
    with pytest.raises(StoreError, match=words):
        started.put(replace(store_attachment, **changes))


def test_what_a_session_was_worked_with_comes_back(started: Store) -> None:
    rows = [
        SessionFactor(session="s1", number=number, at_ns=5, name=name, value=value)
        for number, name, value in ((1, "glue", "none"), (2, "caul", "300 mm"), (3, "glue", "hide glue"))
    ]
    for row in rows:
        started.put(row)

    with StoreReader(started.path) as reader:
        assert reader.factors("s1") == rows
        assert reader.next_number("s1") == 4
    with pytest.raises(StoreConflictError):
        started.put(replace(rows[0], value="fish glue"))


def test_attachments_of_an_instrument_come_back(started: Store, store_attachment: Attachment) -> None:
    started.put(store_attachment)

    with StoreReader(started.path) as reader:
        assert reader.attachments("neck") == [store_attachment]
        assert reader.attachments("other") == []
