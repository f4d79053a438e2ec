"""Say in words what SQLite or the operating system reports: what failed, where, the likely cause, what to do."""

import errno
import sqlite3
from pathlib import Path
from types import MappingProxyType
from typing import Final

from logger.errors import StoreBusyError, StoreError, StoreForeignError

_OURS: Final = ("the program used the store wrongly", "keep a copy of the file and report this message")

SQLITE_FAULTS: Final = MappingProxyType({
    sqlite3.SQLITE_ERROR: _OURS,
    sqlite3.SQLITE_INTERNAL: _OURS,
    sqlite3.SQLITE_NOTFOUND: _OURS,
    sqlite3.SQLITE_SCHEMA: _OURS,
    sqlite3.SQLITE_MISMATCH: _OURS,
    sqlite3.SQLITE_MISUSE: _OURS,
    sqlite3.SQLITE_RANGE: _OURS,
    sqlite3.SQLITE_FORMAT: _OURS,
    sqlite3.SQLITE_EMPTY: _OURS,
    sqlite3.SQLITE_ABORT: ("the operation was broken off", "try again"),
    sqlite3.SQLITE_INTERRUPT: ("the operation was broken off", "try again"),
    sqlite3.SQLITE_AUTH: ("this program is not allowed to do that", "check who owns the file and its folder"),
    sqlite3.SQLITE_PERM: ("this program is not allowed to do that", "check who owns the file and its folder"),
    sqlite3.SQLITE_READONLY: ("the file or its folder is read-only", "make both writable or keep the store elsewhere"),
    sqlite3.SQLITE_CANTOPEN: (
        "the file cannot be opened, or its folder does not let files be made beside it",
        "check that the folder exists and is writable",
    ),
    sqlite3.SQLITE_BUSY: ("another program has locked the database", "close that program and try again"),
    sqlite3.SQLITE_LOCKED: ("another program has locked the database", "close that program and try again"),
    sqlite3.SQLITE_PROTOCOL: ("another program keeps the database locked", "close that program and try again"),
    sqlite3.SQLITE_FULL: ("the disk is full", "free some space; nothing else is needed"),
    sqlite3.SQLITE_IOERR: (
        "the disk did not read or write as asked",
        "check the disk's cable, space and health; copy the store while it can be read",
    ),
    sqlite3.SQLITE_CORRUPT: (
        "the file is damaged",
        (
            "copy it together with its -wal file before anything else, then restore a backup, or take what can be read "
            "with `fretledger store recover`"
        ),
    ),
    sqlite3.SQLITE_NOTADB: ("the file is not a database", "name a session store, or create one under another name"),
    sqlite3.SQLITE_NOMEM: ("there is not enough memory", "close other programs"),
    sqlite3.SQLITE_TOOBIG: ("a text or a byte string is longer than the database holds", "keep it in smaller pieces"),
    sqlite3.SQLITE_CONSTRAINT: ("the database refuses the row", "correct the row and send it again"),
    sqlite3.SQLITE_NOLFS: ("the disk does not take files this large", "keep the store on another disk"),
})
"""Cause and remedy for each primary result code that stands for a failure. Source: sqlite.org/rescode.html."""

OS_FAULTS: Final = MappingProxyType({
    errno.ENOENT: ("the folder does not exist", "create it first or name another"),
    errno.ENOTDIR: ("a part of the path is a file, not a folder", "name another folder"),
    errno.EISDIR: ("this is a folder", "name a file in it"),
    errno.EACCES: ("this program is not allowed to write there", "check who owns the folder or name another"),
    errno.EPERM: ("this program is not allowed to write there", "check who owns the folder or name another"),
    errno.EROFS: ("the disk is read-only", "keep the store on a disk that can be written"),
    errno.ENOSPC: ("the disk is full", "free some space; nothing else is needed"),
    errno.ENAMETOOLONG: ("the name is too long", "choose a shorter one"),
    errno.EEXIST: ("a file of that name exists", "open it, or create the store under another name"),
    errno.ENOLCK: ("the disk cannot lock files", "keep the store on a disk of this machine"),
    errno.EIO: ("the disk did not read or write as asked", "check the disk's cable, space and health"),
})
"""Cause and remedy for each error number that opening, locking and moving a store's files is known to give."""

_UNKNOWN: Final = ("the cause is not known to this program", "keep a copy of the file and report this message")
_BEGINNING_LOST: Final = (
    "a witness beside the file says that it is a store, so its beginning was overwritten",
    "`fretledger store inspect` says what is left and what to do",
)
_NO_PLACE: Final = ("no files can be made in this folder", "name a folder on a disk")
"""What a folder of the system itself, such as /proc, says with the number of a folder that is not there."""
_BUSY: Final = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL)


def primary_code(error: sqlite3.Error) -> int | None:
    """Return SQLite's primary result code, None where Python's own layer raised the error."""
    code = getattr(error, "sqlite_errorcode", None)
    return None if code is None else code & 0xFF


def in_words(error: sqlite3.Error | OSError, *, path: Path, doing: str) -> StoreError:
    """Make the StoreError that tells ``error``; ``doing`` completes "cannot be ...".

    The result is a StoreBusyError where another program has locked the database, and a StoreForeignError where the
    file is none. Raise it ``from error``.
    """
    if isinstance(error, OSError):
        cause, remedy = OS_FAULTS.get(error.errno or 0, _UNKNOWN)
        if error.errno == errno.ENOENT and path.parent.is_dir():
            cause, remedy = _NO_PLACE
        return StoreError(_sentence(path, doing, cause, error.strerror or str(error), remedy), path=path)
    code = primary_code(error)
    cause, remedy = _OURS if code is None else SQLITE_FAULTS.get(code, _UNKNOWN)
    if code == sqlite3.SQLITE_NOTADB and path.with_name(f"{path.name}.witness").exists():
        cause, remedy = _BEGINNING_LOST
    text = _sentence(path, doing, cause, str(error), remedy)
    if code in _BUSY:
        return StoreBusyError(text, path=path)
    if code == sqlite3.SQLITE_NOTADB:
        return StoreForeignError(text, path=path)
    return StoreError(text, path=path)


def _sentence(path: Path, doing: str, cause: str, reported: str, remedy: str) -> str:
    return f"session store {path} cannot be {doing}: {cause} ({reported}); {remedy}"
