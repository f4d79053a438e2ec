"""The files of a store: what lies beside it, whole copies, and replacing a file in one step."""

import hashlib
import os
import shutil
import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Final

Progress = Callable[[str, float | None], None]
"""Told what is being done, in words, and how much of it is (0 to 1, None where that is not known)."""

_PAGES_AT_ONCE: Final = 4096
_HASHED_AT_ONCE: Final = 1 << 20


def no_progress(_words: str, _share: float | None) -> None:
    """Listen to progress and do nothing."""


def beside(path: Path, ending: str) -> Path:
    """Return the path of a file that lies beside the store: ``bench.db-wal`` for ``-wal``."""
    return path.with_name(path.name + ending)


def sync_folder(folder: Path) -> None:
    """Make a rename durable; Windows does so by itself and opens no folders."""
    if sys.platform != "win32":
        _sync(folder, os.O_RDONLY)


def sync_file(path: Path) -> None:
    """Make a file durable that is no database open in this process: closing it would drop SQLite's locks on it."""
    _sync(path, os.O_RDWR)


def _sync(path: Path, flags: int) -> None:
    descriptor = os.open(path, flags)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def replace_text(path: Path, text: str) -> None:
    """Put a text at ``path``: after a power cut the file is the old one or the new one, never a part of either.

    Raises:
        OSError: if it cannot be written; the old file is then as it was.
    """
    building = beside(path, ".new")
    with building.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    building.replace(path)


def remove_database(path: Path) -> None:
    """Remove a database and what SQLite keeps beside it; what is not there is passed over."""
    for ending in ("", "-wal", "-shm", "-journal"):
        beside(path, ending).unlink(missing_ok=True)


def copy_with_log(path: Path, target: Path) -> None:
    """Copy a database byte for byte with what is a part of it: its log, or the journal of a change that was broken off.

    Raises:
        OSError: if one cannot be read or the copy not be written.
    """
    remove_database(target)
    for ending in ("", "-wal", "-journal"):
        if not ending or beside(path, ending).exists():
            shutil.copyfile(beside(path, ending), beside(target, ending))


def hash_of(path: Path, progress: Progress = no_progress) -> str:
    """Return the SHA-256 of a file in hex.

    Not for a database that is open in this process: closing it would drop SQLite's locks on it.

    Raises:
        OSError: if it cannot be read.
    """
    digest, done = hashlib.sha256(), 0
    with path.open("rb") as file:
        whole = os.fstat(file.fileno()).st_size
        while part := file.read(_HASHED_AT_ONCE):
            digest.update(part)
            done += len(part)
            progress(f"hashing {path.name}", min(done / max(whole, 1), 1.0))
    return digest.hexdigest()


def copy_whole(connection: sqlite3.Connection, target: Path, progress: Progress = no_progress) -> None:
    """Copy a database, page for page as of one commit, into the one file ``target``, which is replaced in one step.

    The connection reads inside one transaction meanwhile, so that a bench that goes on writing does not make the copy
    begin again.

    Raises:
        sqlite3.Error: if the source cannot be read or the target not be written.
        OSError: if the target cannot be put into its place.
    """
    building = beside(target, ".new")
    remove_database(building)

    def tell(_status: int, left: int, total: int) -> None:
        progress("copying", 1 - left / total if total else None)

    try:
        connection.execute("BEGIN")
        try:
            connection.execute("SELECT 1 FROM sqlite_schema").fetchone()  # from here on it sees one commit
            with closing(sqlite3.connect(building, isolation_level=None)) as made:
                for pragma in ("synchronous = FULL", "fullfsync = ON"):
                    made.execute(f"PRAGMA {pragma}")
                connection.backup(made, pages=_PAGES_AT_ONCE, progress=tell)
                made.execute("PRAGMA journal_mode = DELETE")  # the copy is one file, without a log beside it
        finally:
            connection.execute("ROLLBACK")
        building.replace(target)
        sync_folder(target.parent)
    except BaseException:
        remove_database(building)
        raise
