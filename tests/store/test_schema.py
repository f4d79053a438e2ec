import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import fields
from pathlib import Path

import pytest

from logger.errors import StoreError, StoreVersionError
from logger.store import Store
from logger.store.connect import open_owner
from logger.store.rows import ReadingRow
from logger.store.schema import APPLICATION_ID, STEPS, Step
from logger.store.tables import TABLES

Query = Callable[[Path, str], list[tuple[object, ...]]]
NAMES = ["store", *(table.name for table in TABLES.values())]


def raw(path: Path) -> closing[sqlite3.Connection]:
    """Connect as a stranger would, with SQLite's defaults."""
    return closing(sqlite3.connect(path, isolation_level=None))


def test_every_table_is_under_test(full: Store, query: Query) -> None:
    found = query(full.path, "SELECT name FROM sqlite_schema WHERE type = 'table'")

    assert {name for (name,) in found} == set(NAMES)


@pytest.mark.parametrize("table", NAMES)
@pytest.mark.parametrize(
    ("statement", "words"),
    [
        pytest.param("UPDATE {table} SET {column} = {column}", "never changed", id="update"),
        pytest.param("DELETE FROM {table}", "never deleted", id="delete"),
        pytest.param("INSERT OR REPLACE INTO {table} SELECT * FROM {table}", "never replaced", id="replace"),
        pytest.param("INSERT OR IGNORE INTO {table} SELECT * FROM {table}", "never replaced", id="ignore"),
    ],
)
def test_a_stranger_cannot_alter_a_kept_row(full: Store, query: Query, table: str, statement: str, words: str) -> None:
    path = full.path
    before = query(path, f"SELECT * FROM {table}")
    (column,) = query(path, f"SELECT name FROM pragma_table_info('{table}') WHERE cid = 1")[0]

    with raw(path) as connection, pytest.raises(sqlite3.IntegrityError, match=f"append-only: .*{table} is {words}"):
        connection.execute(statement.format(table=table, column=column))

    assert len(before) == 1
    assert query(path, f"SELECT * FROM {table}") == before


@pytest.mark.parametrize("column", ["entry", "key"])
def test_a_kept_reading_cannot_be_replaced_by_either_key(full: Store, query: Query, column: str) -> None:
    chosen = "entry, 'elsewhere'" if column == "entry" else "entry + 7, session"
    rest = ", ".join(field.name for field in fields(ReadingRow)[1:])

    with raw(full.path) as connection, pytest.raises(sqlite3.IntegrityError, match="never replaced"):
        connection.execute(f"REPLACE INTO reading (entry, session, {rest}) SELECT {chosen}, {rest} FROM reading")

    assert query(full.path, "SELECT count(*) FROM reading") == [(1,)]


@pytest.mark.parametrize("row", TABLES, ids=lambda row: row.__name__)
def test_columns_are_the_fields_of_the_row_class(store: Store, query: Query, row: type) -> None:
    found = query(store.path, f"SELECT name, type, \"notnull\" FROM pragma_table_info('{TABLES[row].name}')")
    types = {int: "INTEGER", str: "TEXT", bytes: "BLOB"}

    wanted = [(column.name, types[column.kind], int(not column.optional)) for column in TABLES[row].columns]
    assert found == [("entry", "INTEGER", 0), *wanted]


def test_file_says_what_it_is(store: Store, query: Query) -> None:
    assert query(store.path, "PRAGMA application_id") == [(APPLICATION_ID,)]
    assert query(store.path, "PRAGMA user_version") == [(len(STEPS),)]
    assert query(store.path, "PRAGMA journal_mode") == [("wal",)]
    assert query(store.path, "SELECT name FROM pragma_table_list WHERE schema = 'main' AND NOT strict") == [
        ("sqlite_schema",)
    ]


def test_owner_waits_for_the_disk_and_heeds_references(path: Path) -> None:
    Store.create(path).close()

    with closing(open_owner(path)) as connection:
        full_sync, references = connection.execute("SELECT * FROM pragma_synchronous, pragma_foreign_keys").fetchone()

    assert (full_sync, references) == (2, 1)


def test_a_feature_is_found_by_index(full: Store, query: Query) -> None:
    plan = query(
        full.path,
        "EXPLAIN QUERY PLAN SELECT * FROM reading WHERE session = 's1' AND kind = 'slot_width' AND fret = 7",
    )

    assert "USING INDEX reading_by_feature (session=? AND kind=? AND fret=?)" in str(plan)


ADDED = Step(words="a column", statements=("ALTER TABLE skip ADD COLUMN why TEXT", "CREATE INDEX more ON skip (why)"))
BROKEN = Step(words="half a step", statements=("CREATE TABLE half (a INTEGER) STRICT", "CREATE TABLE skip (a)"))


def test_a_step_brings_an_older_store_up_to_date(path: Path, query: Query) -> None:
    Store.create(path).close()

    open_owner(path, steps=(*STEPS, ADDED)).close()

    assert query(path, "PRAGMA user_version") == [(len(STEPS) + 1,)]
    assert query(path, "SELECT why FROM skip") == []


def test_a_step_that_fails_half_way_leaves_the_version_before(path: Path, query: Query) -> None:
    Store.create(path).close()

    words = rf"cannot be brought to version {len(STEPS) + 2} \(half a step\): .*\(table skip already exists\)"
    with pytest.raises(StoreError, match=words):
        open_owner(path, steps=(*STEPS, ADDED, BROKEN))

    assert query(path, "PRAGMA user_version") == [(len(STEPS) + 1,)]
    assert query(path, "SELECT name FROM sqlite_schema WHERE name = 'half'") == []


def test_a_store_of_a_newer_program_is_told_in_words(path: Path) -> None:
    Store.create(path).close()
    open_owner(path, steps=(*STEPS, ADDED)).close()

    words = f"is of version {len(STEPS) + 1}, this program knows versions up to {len(STEPS)};"
    with pytest.raises(StoreVersionError, match=words) as caught:
        Store.open(path)

    assert (caught.value.found, caught.value.known, caught.value.path) == (len(STEPS) + 1, len(STEPS), path)


def test_a_trigger_gone_missing_is_found_at_opening(path: Path) -> None:
    Store.create(path).close()
    with raw(path) as connection:
        connection.execute("DROP TRIGGER reading_no_update")

    with pytest.raises(StoreError, match=r"missing: trigger reading_no_update; another program has altered it"):
        Store.open(path)
