"""Let one process own a store: a lock on a file beside it, which dies with the process.

The lock is not on the database file itself, because closing a stray descriptor there drops SQLite's own locks.
"""

import json
import logging
import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Self

from logger.errors import StoreBusyError
from logger.store.faults import in_words
from logger.store.files import beside

log = logging.getLogger(__name__)

_LONGEST_NOTE: Final = 4096

if sys.platform == "win32":
    import errno
    import msvcrt

    # Windows keeps others from reading locked bytes, so the byte that is locked lies beyond the text.
    _LOCKED_BYTE: Final = 1 << 30

    def _try_lock(descriptor: int) -> bool:
        os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError as error:
            if error.errno in {errno.EACCES, errno.EDEADLK}:
                return False
            raise
        return True

    def _is_at(_descriptor: int, _path: Path) -> bool:
        return True  # an open file cannot be removed or replaced there

    def _discard(descriptor: int, path: Path) -> None:
        os.close(descriptor)
        try:
            path.unlink(missing_ok=True)
        except OSError as error:  # the next owner may have it open already
            log.info("lock file %s stays behind, which does no harm: %s", path, error)

else:
    import fcntl

    def _try_lock(descriptor: int) -> bool:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _is_at(descriptor: int, path: Path) -> bool:
        try:
            return os.path.samestat(os.fstat(descriptor), path.stat())
        except FileNotFoundError:
            return False

    def _discard(descriptor: int, path: Path) -> None:
        # Removed while still locked: who opened it meanwhile finds that it is no longer the file at its path.
        try:
            if _is_at(descriptor, path):
                path.unlink()
        except OSError as error:
            log.warning("lock file %s stays behind, which does no harm: %s", path, error)
        finally:
            os.close(descriptor)


class OwnerLock:
    """The right to write the store at ``store``, held from construction to `release` or the end of the process.

    ``PATH.lock`` holds this process's id, ``program`` and ``since`` as JSON, for whoever is refused.

    Raises:
        StoreBusyError: if another owner holds it, naming its process id and since when.
        StoreError: if the lock file cannot be made.
    """

    def __init__(self, store: Path, *, program: str, since: datetime | None = None) -> None:
        self.store = store
        self.path = beside(store, ".lock")
        note = {"pid": os.getpid(), "program": program, "since": (since or datetime.now(UTC)).isoformat("T", "seconds")}
        try:
            self._descriptor: int | None = self._acquire()
            os.ftruncate(self._descriptor, 0)
            os.lseek(self._descriptor, 0, os.SEEK_SET)
            os.write(self._descriptor, json.dumps(note).encode())
        except OSError as error:
            self.release()
            fault = in_words(error, path=store, doing=f"locked by {self.path.name}")
            raise fault from error

    def _acquire(self) -> int:
        self._descriptor = None
        while True:
            descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o644)
            try:
                locked = _try_lock(descriptor)
                if locked and _is_at(descriptor, self.path):
                    return descriptor
                if not locked:
                    raise StoreBusyError(self._refusal(descriptor), path=self.store)
            except BaseException:
                os.close(descriptor)
                raise
            os.close(descriptor)

    def _refusal(self, descriptor: int) -> str:
        os.lseek(descriptor, 0, os.SEEK_SET)
        holder = _in_words(os.read(descriptor, _LONGEST_NOTE))
        return f"session store {self.store} is in use by {holder}; close that program first"

    def release(self) -> None:
        """Give the store up and remove the lock file; a second call does nothing."""
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            _discard(descriptor, self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def _in_words(note: bytes) -> str:
    """Name the owner as its note does; an owner may be seen before its note is written."""
    try:
        held: Any = json.loads(note)
        since = datetime.fromisoformat(held["since"])
        return f"{held['program']} (process {held['pid']}, since {since:%Y-%m-%d %H:%M:%S} UTC)"
    except (ValueError, KeyError, TypeError):
        return "another program that has not said which"
