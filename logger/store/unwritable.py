"""Open a store to read it, also where nothing can be written beside it: a read-only disk, another person's folder.

SQLite reads a store with a write-ahead log only with two more files beside it, and makes them where they are missing.
Where it may not, a store whose log is empty is read as a file that nobody changes; one with a log from a copy of both.
"""

import logging
import sqlite3
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from logger.errors import StoreError
from logger.store.faults import primary_code
from logger.store.files import beside, copy_with_log

log = logging.getLogger(__name__)

BUSY_TIMEOUT_S: Final = 2.0
"""How long a lock held by another program is waited for before it counts as trouble, seconds."""
_NOT_HERE: Final = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM)
_TIMES: Final = 5


class _OfCopy(sqlite3.Connection):
    """A connection to a copy in a temporary folder, which goes when it is closed."""

    folder: TemporaryDirectory[str] | None = None

    def close(self) -> None:
        """Close the copy and remove it."""
        super().close()
        if self.folder is not None:
            self.folder.cleanup()


def connect_to_read(path: Path) -> sqlite3.Connection:
    """Open an existing database to read; threads may take turns with the connection. Nothing in it is checked.

    Raises:
        StoreError: if this program may not read it, or it is written while it is copied to be read.
        sqlite3.Error: if it cannot be opened.
    """
    opened = _connect_in_place(path)
    if opened is not None:
        return opened
    try:
        with path.open("rb"):
            pass
        if not any(_has(path, ending) for ending in ("-wal", "-journal")) and not beside(path, "-shm").exists():
            # Source: sqlite.org/uri.html, "immutable": without a lock or a log, for a file that cannot change.
            return _connect(path, "mode=ro&immutable=1")
        return _connect_to_copy(path)
    except OSError as error:
        raise StoreError(
            f"session store {path} cannot be read: {error.strerror}; ask its owner to let this program read it and "
            "what lies beside it, or look at a copy",
            path=path,
        ) from error


def _connect_in_place(path: Path) -> sqlite3.Connection | None:
    connection = None
    try:
        connection = _connect(path, "mode=ro")
        connection.execute("SELECT 1 FROM sqlite_schema").fetchone()
    except sqlite3.Error as error:
        if primary_code(error) in _NOT_HERE:
            if connection is not None:
                connection.close()
            return None
        if connection is None:
            raise
    return connection  # what else is wrong is told where it is read


def _connect(path: Path, how: str) -> _OfCopy:
    return sqlite3.connect(
        f"{path.as_uri()}?{how}", uri=True, isolation_level=None, timeout=BUSY_TIMEOUT_S, check_same_thread=False,
        factory=_OfCopy,
    )  # fmt: skip


def _has(path: Path, ending: str) -> bool:
    try:
        return beside(path, ending).stat().st_size > 0
    except FileNotFoundError:
        return False


def _connect_to_copy(path: Path) -> sqlite3.Connection:
    folder = TemporaryDirectory(prefix="fretledger-")
    try:
        copy = Path(folder.name) / path.name
        for _ in range(_TIMES):
            before = _state(path)
            copy_with_log(path, copy)
            if _state(path) == before:
                break
        else:
            raise StoreError(
                f"session store {path} is read from a copy, because nothing can be written beside it, and is being "
                "written by another program meanwhile; close that program and try again",
                path=path,
            )
        connection = _connect(copy, "mode=ro")
    except BaseException:
        folder.cleanup()
        raise
    connection.folder = folder
    _tell_once(path)
    return connection


@cache
def _tell_once(path: Path) -> None:
    log.warning(
        "session store %s has a log, and nothing can be written beside it: both are read from a copy in a temporary "
        "folder", path,
    )  # fmt: skip


def _state(path: Path) -> list[tuple[int, int]]:
    held = [one for one in (path, beside(path, "-wal"), beside(path, "-journal")) if one.exists()]
    return [(found.st_size, found.st_mtime_ns) for found in (one.stat() for one in held)]
