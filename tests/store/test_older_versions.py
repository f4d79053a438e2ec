"""Stores of earlier versions, made by those versions' own code, brought up to this one."""

import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import StoreError
from logger.store import Climate, Gauge, Store, StoreReader
from logger.store.connect import open_owner
from logger.store.schema import STEPS, Step

FIXTURES = Path(__file__).parent / "fixtures"
Query = Callable[[Path, str], list[tuple[object, ...]]]
THIS = len(STEPS)
OLDER = range(1, THIS)
OF_FIRST = ("store", "instrument", "instrument_revision", "session", "session_gauge", "reading", "take_back",
            "reassignment", "skip", "session_end")  # fmt: skip
OF_SECOND = ("sheet_request", "session_purpose", "climate", "gauge", "gauge_check", "gauge_check_point",
             "gauge_check_result")  # fmt: skip
OF_THIRD = ("record", "attachment", "session_factor")
OF_FOURTH = ("attachment_note", "store_event")
TABLES = {1: OF_FIRST, 2: (*OF_FIRST, *OF_SECOND), 3: (*OF_FIRST, *OF_SECOND, *OF_THIRD),
          4: (*OF_FIRST, *OF_SECOND, *OF_THIRD, *OF_FOURTH)}  # fmt: skip
KILLED = """
import os, sys
from pathlib import Path
from logger.store import connect, schema
path = Path(sys.argv[1])
connection = connect.connect_file(path, "rw")
seen = 0
def watch(statement):
    global seen
    seen += 1
    if seen == int(sys.argv[2]):
        os.kill(os.getpid(), 9)
connection.set_trace_callback(watch)
schema.migrate(connection, path)
"""


def _older(path: Path, version: int) -> Path:
    shutil.copy(FIXTURES / f"v{version}.store", path)
    return path


def _all(query: Query, path: Path, version: int) -> dict[str, list[tuple[object, ...]]]:
    """Return the rows of every table that a version has; of what happened to the store the first alone.

    Opening a file beside which no witness lies is an event itself.
    """
    found = {name: query(path, f"SELECT * FROM {name} ORDER BY entry") for name in TABLES[version]}
    return {name: rows[:1] if name == "store_event" else rows for name, rows in found.items()}


def test_every_released_version_has_its_fixture() -> None:
    assert sorted(one.name for one in FIXTURES.glob("v*.store")) == [f"v{version}.store" for version in OLDER]


@pytest.mark.parametrize("version", OLDER)
def test_nothing_of_an_older_version_is_lost(path: Path, query: Query, version: int) -> None:
    old = _older(path, version)
    before = _all(query, old, version)

    with Store.open(old) as store, store.reader() as reader:
        readings = reader.readings("s1")

    assert all(before.values()), "the fixture has a row in every table"
    assert _all(query, old, version) == before
    assert query(old, "PRAGMA user_version") == [(THIS,)]
    assert [one.row.value_nm for one in readings] == [510_000 + 1000 * number for number in range(1, 6)]
    assert [one.taken_back is not None for one in readings] == [False, True, False, False, False]
    assert readings[2].row.kind == "barb_span"


@pytest.mark.parametrize("version", OLDER)
def test_a_whole_copy_is_left_beside_it(path: Path, query: Query, version: int) -> None:
    old = _older(path, version)
    before = _all(query, old, version)

    Store.open(old).close()

    copy = old.with_name(f"bench.db.before-v{THIS}")
    assert _all(query, copy, version) == before
    assert query(copy, "PRAGMA user_version") == [(version,)]
    assert sorted(one.name for one in old.parent.iterdir()) == ["bench.db", copy.name, "bench.db.witness"]


def test_a_store_of_this_version_is_not_copied(path: Path) -> None:
    Store.create(path).close()
    Store.open(path).close()

    assert list(path.parent.glob("*.before-*")) == []


def test_a_copy_that_cannot_be_made_leaves_the_store_as_it_was(path: Path, query: Query) -> None:
    old = _older(path, 1)
    copy = old.with_name(f"bench.db.before-v{THIS}")
    copy.mkdir()
    (copy / "in the way").touch()

    with pytest.raises(StoreError, match=rf"cannot be copied to {copy.name} before it is brought to version {THIS}"):
        Store.open(old)

    assert query(old, "PRAGMA user_version") == [(1,)]


@pytest.mark.parametrize("version", OLDER)
def test_a_reader_asks_for_the_migration(path: Path, version: int) -> None:
    with pytest.raises(StoreError, match=f"is of version {version}, this program reads version {THIS}; start `fret"):
        StoreReader(_older(path, version))


def _moments() -> list[tuple[int, int, int]]:
    """From which version, at which statement of the migration, and the version that is whole by then."""
    found: list[tuple[int, int, int]] = []
    for version in OLDER:
        begun = 1  # the statement that asks for the version
        for step in range(version, THIS):
            commit = begun + len(STEPS[step].statements) + 3
            found += [(version, moment, step) for moment in (begun + 1, min(begun + 9, commit - 1), commit)]
            begun = commit
    return found


@pytest.mark.skipif(sys.platform == "win32", reason="no kill -9")
@pytest.mark.parametrize(("version", "statement", "whole"), _moments())
def test_a_step_that_is_killed_is_as_if_it_had_not_begun(
    path: Path, query: Query, version: int, statement: int, whole: int
) -> None:
    old = _older(path, version)
    before = _all(query, old, version)

    done = subprocess.run([sys.executable, "-c", KILLED, str(old), str(statement)], check=False, timeout=30)

    assert done.returncode == -signal.SIGKILL
    with closing(sqlite3.connect(old)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (whole,)
    Store.open(old).close()
    assert _all(query, old, version) == before
    assert query(old, "PRAGMA user_version") == [(THIS,)]


def test_a_step_that_fails_half_way_leaves_the_version_before(path: Path, query: Query) -> None:
    old = _older(path, 1)
    broken = Step(words="half", statements=(*STEPS[1].statements, "CREATE TABLE skip (a)"))

    with pytest.raises(StoreError, match=r"cannot be brought to version 2 \(half\)"):
        open_owner(old, steps=(STEPS[0], broken))

    assert query(old, "SELECT name FROM sqlite_schema WHERE name = 'gauge'") == []


@pytest.mark.parametrize(
    ("row", "words"),
    [
        pytest.param({"temperature_mc": 50_001}, "temperature must be from -20 to 50", id="hot"),
        pytest.param({"temperature_mc": -20_001}, "temperature must be from -20 to 50", id="cold"),
        pytest.param({"humidity_mpercent": 100_001}, "humidity must be from 0 to 100", id="wet"),
        pytest.param({"humidity_mpercent": -1}, "humidity must be from 0 to 100", id="dry"),
        pytest.param({"session": "s9"}, "its session is not in the store", id="no session"),
    ],
)
def test_a_climate_that_no_workshop_has_is_refused(started: Store, row: dict[str, object], words: str) -> None:
    good: dict[str, object] = {"session": "s1", "number": 1, "at_ns": 1, "temperature_mc": 21_500,
                               "humidity_mpercent": 48_000, "who": "me"}  # fmt: skip

    with pytest.raises(StoreError, match=words):
        started.put(Climate(**(good | row)))  # type: ignore[arg-type]


def test_a_gauge_without_a_name_is_refused(store: Store) -> None:
    with pytest.raises(StoreError, match="name must not be empty"):
        store.put(Gauge(name="", number=1, at_ns=1, kind="caliper", description="{}"))
