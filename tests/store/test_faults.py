import errno
import sqlite3
from pathlib import Path

import pytest

from logger.errors import StoreBusyError, StoreError, StoreForeignError
from logger.store import Store
from logger.store.faults import OS_FAULTS, SQLITE_FAULTS, in_words

# Source: sqlite.org/rescode.html, "Primary Result Code List", without those that are no failure: OK, ROW, DONE
# and the two for the log, NOTICE and WARNING.
PRIMARY = [
    "ABORT",
    "AUTH",
    "BUSY",
    "CANTOPEN",
    "CONSTRAINT",
    "CORRUPT",
    "EMPTY",
    "ERROR",
    "FORMAT",
    "FULL",
    "INTERNAL",
    "INTERRUPT",
    "IOERR",
    "LOCKED",
    "MISMATCH",
    "MISUSE",
    "NOLFS",
    "NOMEM",
    "NOTADB",
    "NOTFOUND",
    "PERM",
    "PROTOCOL",
    "RANGE",
    "READONLY",
    "SCHEMA",
    "TOOBIG",
]
KINDS = [kind for kind in vars(sqlite3).values() if isinstance(kind, type) and issubclass(kind, sqlite3.Error)]


def fault(code: int | None, kind: type[sqlite3.Error] = sqlite3.OperationalError) -> sqlite3.Error:
    error = kind("as reported")
    if code is not None:
        error.sqlite_errorcode = code
    return error


def test_every_failure_of_sqlite_has_words() -> None:
    assert sorted(SQLITE_FAULTS) == sorted(getattr(sqlite3, f"SQLITE_{name}") for name in PRIMARY)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_every_error_of_the_python_layer_is_told(kind: type[sqlite3.Error]) -> None:
    text = str(in_words(fault(None, kind), path=Path("bench.db"), doing="read"))

    assert text.startswith("session store bench.db cannot be read: the program used the store wrongly (as reported); ")


@pytest.mark.parametrize("code", SQLITE_FAULTS)
def test_a_message_says_what_where_why_and_what_to_do(code: int) -> None:
    extended = code | 5 << 8  # the cause is looked up by the low byte

    text = str(in_words(fault(extended), path=Path("bench.db"), doing="written"))

    cause, remedy = SQLITE_FAULTS[code]
    assert text == f"session store bench.db cannot be written: {cause} (as reported); {remedy}"


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        pytest.param(sqlite3.SQLITE_BUSY_SNAPSHOT, StoreBusyError, id="busy"),
        pytest.param(sqlite3.SQLITE_NOTADB, StoreForeignError, id="no database"),
        pytest.param(sqlite3.SQLITE_FULL, StoreError, id="full"),
        pytest.param(200, StoreError, id="not known"),
    ],
)
def test_kind_of_error(code: int, kind: type[StoreError]) -> None:
    assert type(in_words(fault(code), path=Path("bench.db"), doing="read")) is kind


@pytest.mark.parametrize("number", [*OS_FAULTS, errno.EXDEV], ids=lambda number: errno.errorcode[number])
def test_errors_of_the_system_are_told(number: int) -> None:
    text = str(in_words(OSError(number, "as reported"), path=Path("bench.db"), doing="created"))

    assert text.startswith("session store bench.db cannot be created: ")
    assert "(as reported); " in text


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="no folder of the system itself")
def test_a_folder_that_takes_no_files_is_not_said_to_be_missing() -> None:
    with pytest.raises(StoreError, match=r"no files can be made in this folder .*; name a folder on a disk$"):
        Store.create(Path("/proc/x.db"))
