"""Create a store's file, and open it for its owner or for a reader."""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Literal

from logger.errors import StoreError, StoreForeignError
from logger.store.faults import in_words
from logger.store.files import beside, copy_whole, remove_database, sync_folder
from logger.store.log_size import LIMIT_BYTES
from logger.store.schema import STEPS, Step, check_guards, check_identity, migrate
from logger.store.unwritable import BUSY_TIMEOUT_S, connect_to_read
from logger.store.witness import witness_path


def resolve(path: Path | str) -> Path:
    """Return the absolute path of the file itself, links followed, so that one store has one lock.

    Raises:
        StoreError: if no file can have that name.
    """
    path = Path(path)
    if "\0" in str(path):
        raise StoreError(f"path of a session store must not hold a NUL character, got {str(path)!r}", path=path)
    try:
        return path.expanduser().resolve()
    except (OSError, RuntimeError) as error:
        raise StoreError(f"path {path} leads nowhere ({error}); name a file", path=path) from error


def check_present(path: Path) -> None:
    """Check, without opening it, that a file that may be a store lies at ``path``.

    The file is not opened here because closing any descriptor on it would drop SQLite's own locks on POSIX systems.

    Raises:
        StoreForeignError: if the file is empty.
        StoreError: if there is no file at ``path``.
    """
    try:
        found = path.stat()
    except FileNotFoundError as error:
        raise StoreError(
            f"no session store at {path}; create one there or name the file of another", path=path
        ) from error
    except OSError as error:
        fault = in_words(error, path=path, doing="opened")
        raise fault from error
    if not path.is_file():
        raise StoreError(f"a session store must be a file, {path} is a folder or a device; name a file", path=path)
    if found.st_size == 0:
        raise StoreForeignError(
            f"{path} is an empty file, not a session store; a store that was copied or restored must be copied again",
            path=path,
        )


def open_owner(path: Path, *, steps: Sequence[Step] = STEPS) -> sqlite3.Connection:
    """Open an existing store to write, migrated to the newest version; every commit waits for the disk.

    Raises:
        StoreVersionError: if a newer program wrote it.
        StoreForeignError: if the file is not a session store.
        StoreBusyError: if another program has locked the database.
        StoreError: if there is no such file or it cannot be written.
    """
    check_present(path)
    try:
        connection = connect_file(path, "rw")
        try:
            _prepare_owner(connection, path, steps)
        except BaseException:
            connection.close()
            raise
        return connection
    except sqlite3.Error as error:
        fault = in_words(error, path=path, doing="opened to write")
        raise fault from error


def _prepare_owner(connection: sqlite3.Connection, path: Path, steps: Sequence[Step]) -> None:
    found = check_identity(connection, path, known=len(steps))
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise StoreError(
            f"session store {path} needs a write-ahead log and the disk allows only {mode!r}; "
            "keep the store on a disk of this machine",
            path=path,
        )
    for pragma in (
        "synchronous = FULL",
        "fullfsync = ON",
        "checkpoint_fullfsync = ON",
        "foreign_keys = ON",
        f"journal_size_limit = {LIMIT_BYTES}",
    ):
        connection.execute(f"PRAGMA {pragma}")
    # A file that is write-protected opens all the same; taking the write lock once tells it now.
    connection.execute("BEGIN IMMEDIATE")
    connection.execute("ROLLBACK")
    if found < len(steps):
        _copy_before(connection, path, len(steps))
    migrate(connection, path, steps=steps)
    check_guards(connection, path, steps=steps)
    # Rows that a killed program wrote but did not flush are visible now; sent again, they count as kept. Flush them.
    connection.execute("PRAGMA wal_checkpoint(FULL)")


def _copy_before(connection: sqlite3.Connection, path: Path, version: int) -> None:
    """Leave a whole copy beside an older store, ``bench.db.before-v2``, before it is brought up to ``version``.

    Raises:
        StoreError: if the copy cannot be made; the store is then as it was.
    """
    copy = beside(path, f".before-v{version}")
    try:
        copy_whole(connection, copy)
    except (sqlite3.Error, OSError) as error:
        fault = in_words(error, path=path, doing=f"copied to {copy.name} before it is brought to version {version}")
        raise fault from error


def open_reader(path: Path) -> sqlite3.Connection:
    """Open an existing store to read, beside whatever process owns it. Threads may take turns with the connection.

    Raises:
        StoreVersionError: if a newer program wrote it.
        StoreForeignError: if the file is not a session store.
        StoreError: if there is no such file, it cannot be read, or an older program wrote it.
    """
    check_present(path)
    try:
        connection = connect_file(path, "ro")
        connection.create_function("casefold", 1, str.casefold, deterministic=True)  # SQLite folds ASCII alone
        try:
            found = check_identity(connection, path)
        except BaseException:
            connection.close()
            raise
    except sqlite3.Error as error:
        fault = in_words(error, path=path, doing="opened to read")
        raise fault from error
    if found < len(STEPS):
        connection.close()
        raise StoreError(
            f"session store {path} is of version {found}, this program reads version {len(STEPS)}; "
            "start `fretledger bench --store` with it once, which brings it up to date",
            path=path,
        )
    return connection


def store_id_of(connection: sqlite3.Connection, path: Path) -> str:
    """Return a store's UUID.

    Raises:
        StoreForeignError: if the store has none.
    """
    found = connection.execute("SELECT id FROM store").fetchone()
    if found is None:
        raise StoreForeignError(
            f"session store {path} must have an id and has none; another program made it: restore a backup", path=path
        )
    return str(found[0])


def connect_file(path: Path, mode: Literal["ro", "rw"]) -> sqlite3.Connection:
    """Open an existing database to read (threads may take turns) or to write (one thread); nothing is checked.

    Raises:
        StoreError: if it is to be read and this program may not.
        sqlite3.Error: if it cannot be opened.
    """
    if mode == "ro":
        return connect_to_read(path)
    return sqlite3.connect(f"{path.as_uri()}?mode=rw", uri=True, isolation_level=None, timeout=BUSY_TIMEOUT_S)


def create_file(path: Path, *, store_id: str, created_at_ns: int) -> None:
    """Make a new, empty store at ``path``, whole or not at all. The caller holds the owner lock.

    The store is built and checkpointed under another name and then renamed: a program that is killed half-way leaves
    no file at ``path``.

    Raises:
        StoreError: if something lies there already, or the folder cannot be written.
    """
    check_free(path)
    building = beside(path, ".new")
    try:
        remove_database(building)
        _build(building, store_id, created_at_ns)
        building.rename(path)
        sync_folder(path.parent)
    except (sqlite3.Error, OSError) as error:
        fault = in_words(error, path=path, doing="created")
        raise fault from error


def check_free(path: Path) -> None:
    """Check that a store can be created at ``path``.

    Raises:
        StoreError: if something lies there, a lost store's log lies beside it, or there is no such folder.
    """
    if path.is_dir():
        raise StoreError(f"a session store must be a file, {path} is a folder; name a file in it", path=path)
    if not path.parent.is_dir():
        raise StoreError(
            f"session store {path} cannot be created: there is no folder {path.parent}; create it or name another",
            path=path,
        )
    if path.exists():
        raise StoreError(f"{path} exists already; open it, or create the store under another name", path=path)
    log = beside(path, "-wal")
    if log.exists():
        raise StoreError(
            f"{log} is the write-ahead log of a store whose file {path.name} is gone, and may hold readings; "
            "put that file back, or move the log away before creating a store here",
            path=path,
        )
    if witness_path(path).exists():
        raise StoreError(
            f"{witness_path(path)} tells of a store whose file {path.name} is gone; put that file back, or move the "
            "witness away with it before creating a store here",
            path=path,
        )


def _build(building: Path, store_id: str, created_at_ns: int) -> None:
    with closing(sqlite3.connect(building, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA fullfsync = ON")
        migrate(connection, building)
        connection.execute("INSERT INTO store (entry, id, created_at_ns) VALUES (1, ?, ?)", (store_id, created_at_ns))
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
