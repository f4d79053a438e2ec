"""Keep the write-ahead log short, and say who keeps it from being emptied."""

import logging
import os
import sqlite3
from pathlib import Path
from typing import Final

from logger.store.files import beside

log = logging.getLogger(__name__)

MIB: Final = 1 << 20
LIMIT_BYTES: Final = 16 * MIB
"""What the log is cut back to whenever SQLite begins it anew."""
LARGE_BYTES: Final = 64 * MIB
"""A log that grows beyond this is emptied if nobody reads, and told if somebody does."""
# Bytes of the -shm file that readers lock while they read. Source: sqlite.org/walformat.html, 2.3 "WAL Locks".
_READ_LOCKS: Final = range(123, 128)
_LOCKS: Final = Path("/proc/locks")


def tend_log(connection: sqlite3.Connection, path: Path, *, busy_timeout_s: float) -> str:
    """Empty a log that has grown large; return "" or who keeps it from being emptied, in words.

    SQLite copies the log into the file up to where the slowest reader stands, and begins the log anew only when nobody
    reads from it. One program that reads without end therefore lets it grow, and no setting stops that short of
    refusing readings: so it is told, not capped.

    Raises:
        sqlite3.Error: if the log cannot be worked on for another cause.
        OSError: likewise.
    """
    size = log_bytes(path)
    if size <= LARGE_BYTES:
        return ""
    connection.execute("PRAGMA busy_timeout = 0")  # readers are asked once, the next reading does not wait for them
    try:
        held_up, _, _ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    finally:
        connection.execute(f"PRAGMA busy_timeout = {round(busy_timeout_s * 1000)}")
    if not held_up:
        return ""
    return (
        f"the log of session store {path} has grown beyond {size // LARGE_BYTES * LARGE_BYTES // MIB} MiB because "
        f"{_readers(path)} reads it without end; "
        "close that program: no reading is lost, but the disk fills"
    )


def log_bytes(path: Path) -> int:
    """Return how large a store's log is, 0 where there is none.

    Raises:
        OSError: if the system does not tell.
    """
    try:
        return beside(path, "-wal").stat().st_size
    except FileNotFoundError:
        return 0


def _readers(path: Path) -> str:
    try:
        found = reading_processes(path)
    except OSError as error:
        log.info("who reads %s is not known here: %s", path, error)
        found = []
    return " and ".join(_named(one) for one in found) or "another program"


def _named(process: int) -> str:
    if process == os.getpid():
        return f"this program itself (process {process})"
    try:
        name = Path(f"/proc/{process}/comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        name = "a program"
    return f"{name} (process {process})"


def reading_processes(path: Path) -> list[int]:
    """Return the ids of the processes that are reading a store just now, as Linux lists its locks.

    The list is read instead of asking for the locks, because that would open the -shm file, and closing it again
    would drop this process's own locks.

    Raises:
        OSError: if the system keeps no such list or the store is not open.
    """
    shared = beside(path, "-shm").stat()
    wanted = f"{os.major(shared.st_dev):02x}:{os.minor(shared.st_dev):02x}:{shared.st_ino}"
    found = set()
    for line in _LOCKS.read_text(encoding="ascii").splitlines():
        # "1: POSIX  ADVISORY  READ 2171 fd:00:9961480 123 123"; a waiting lock has "->" after its number.
        parts = line.split()
        if len(parts) == 8 and parts[5] == wanted and parts[3] == "READ" and _reads(parts[6], parts[7]):
            found.add(int(parts[4]))
    return sorted(found)


def _reads(first: str, last: str) -> bool:
    return last.isdigit() and any(int(first) <= byte <= int(last) for byte in _READ_LOCKS)
