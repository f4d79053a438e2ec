"""A store of the first version, made by that version's own code, brought up to the second."""

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

FIRST = Path(__file__).parent / "fixtures" / "v1.store"
Query = Callable[[Path, str], list[tuple[object, ...]]]
TABLES = ("store", "instrument", "instrument_revision", "session", "session_gauge", "reading", "take_back",
          "reassignment", "skip", "session_end")  # fmt: skip
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


@pytest.fixture
def old(path: Path) -> Path:
    shutil.copy(FIRST, path)
    return path


def _all(query: Query, path: Path) -> dict[str, list[tuple[object, ...]]]:
    return {name: query(path, f"SELECT * FROM {name}") for name in TABLES}


def test_nothing_of_a_first_version_is_lost(old: Path, query: Query) -> None:
    before = _all(query, old)

    with Store.open(old) as store, store.reader() as reader:
        readings = reader.readings("s1")

    assert _all(query, old) == before
    assert query(old, "PRAGMA user_version") == [(2,)]
    assert [one.row.value_nm for one in readings] == [510_000 + 1000 * number for number in range(1, 6)]
    assert [one.taken_back is not None for one in readings] == [False, True, False, False, False]
    assert readings[2].row.kind == "barb_span"


def test_a_whole_copy_is_left_beside_it(old: Path, query: Query) -> None:
    before = _all(query, old)

    Store.open(old).close()

    copy = old.with_name("bench.db.before-v2")
    assert _all(query, copy) == before
    assert query(copy, "PRAGMA user_version") == [(1,)]
    assert sorted(one.name for one in old.parent.iterdir()) == [
        "bench.db",
        "bench.db.before-v2",
        "bench.db.witness",
    ]


def test_a_store_of_this_version_is_not_copied(path: Path) -> None:
    Store.create(path).close()
    Store.open(path).close()

    assert not path.with_name("bench.db.before-v2").exists()


def test_a_copy_that_cannot_be_made_leaves_the_store_as_it_was(old: Path, query: Query) -> None:
    old.with_name("bench.db.before-v2").mkdir()
    (old.with_name("bench.db.before-v2") / "in the way").touch()

    with pytest.raises(StoreError, match=r"cannot be copied to bench.db.before-v2 before it is brought to version 2"):
        Store.open(old)

    assert query(old, "PRAGMA user_version") == [(1,)]


def test_a_reader_asks_for_the_migration(old: Path) -> None:
    with pytest.raises(StoreError, match="is of version 1, this program reads version 2; start `fretledger bench"):
        StoreReader(old)


@pytest.mark.skipif(sys.platform == "win32", reason="no kill -9")
@pytest.mark.parametrize("statement", [2, 9, len(STEPS[1].statements) + 2])
def test_a_migration_that_is_killed_is_as_if_it_had_not_begun(old: Path, query: Query, statement: int) -> None:
    before = _all(query, old)

    done = subprocess.run([sys.executable, "-c", KILLED, str(old), str(statement)], check=False, timeout=30)

    assert done.returncode == -signal.SIGKILL
    with closing(sqlite3.connect(old)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    Store.open(old).close()
    assert _all(query, old) == before
    assert query(old, "PRAGMA user_version") == [(2,)]


def test_a_step_that_fails_half_way_leaves_version_one(old: Path, query: Query) -> None:
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
