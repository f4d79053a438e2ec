"""The session store as its one owner sees it."""

import os
import time
from concurrent.futures import Future
from pathlib import Path
from threading import Event
from typing import Self

import platformdirs

from logger.store.connect import check_free, check_present, create_file, resolve
from logger.store.faults import in_words
from logger.store.ids import new_id
from logger.store.owner import OwnerLock
from logger.store.reader import StoreReader
from logger.store.rows import Row
from logger.store.witness import begin_witness
from logger.store.writer import OnTrouble, Wait, Writer, ignore_trouble

PROGRAM = "fretledger"


def default_path() -> Path:
    """Return where this person's store lies unless another path is named; nothing is created."""
    return platformdirs.user_data_path(PROGRAM, appauthor=False) / "fretledger.db"


class Store:
    """Own a session store: the one object of the one process that writes it.

    Made by `create`, `open` or `open_or_create`, never by its constructor. Closing is required; it is a context
    manager. Every method may be called from any thread.
    """

    def __init__(
        self, path: Path, lock: OwnerLock, *, on_trouble: OnTrouble, wait: Wait, hash_all: bool = False
    ) -> None:
        self.path = path
        self._writer = Writer(path, lock, on_trouble=on_trouble, wait=wait, hash_all=hash_all)

    @classmethod
    def create(
        cls,
        path: Path | str,
        *,
        program: str = PROGRAM,
        on_trouble: OnTrouble = ignore_trouble,
        wait: Wait = Event.wait,
    ) -> Self:
        """Create a store where nothing exists yet, and own it. Folders are created for `default_path` only.

        Args:
            path: the file to be.
            program: how a second process is told who owns the store.
            on_trouble: as in `Writer`.
            wait: as in `Writer`.

        Raises:
            StoreBusyError: if another process owns a store of that name.
            StoreError: if something exists there, or the folder is missing or cannot be written.
        """
        path = resolve(path)
        _make_default_folder(path)
        check_free(path)
        lock = OwnerLock(path, program=program)
        try:
            now_ns = time.time_ns()
            store_id = new_id(now_ns, os.urandom(8))
            create_file(path, store_id=store_id, created_at_ns=now_ns)
            begin_witness(path, store_id)
        except BaseException:
            lock.release()
            raise
        return cls(path, lock, on_trouble=on_trouble, wait=wait)

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        program: str = PROGRAM,
        on_trouble: OnTrouble = ignore_trouble,
        wait: Wait = Event.wait,
        hash_all: bool = False,
    ) -> Self:
        """Open an existing store and own it. An older store is brought up to date.

        Args:
            path: the store's file.
            program: how a second process is told who owns the store.
            on_trouble: as in `Writer`.
            wait: as in `Writer`.
            hash_all: as in `Writer`.

        Raises:
            StoreLossError: if the store does not hold what its witness saw, or its witness is broken.
            StoreBusyError: if another process owns it, naming that process, or has locked the database.
            StoreVersionError: if a newer program wrote it.
            StoreForeignError: if the file is empty or not a session store.
            StoreError: if there is no such file or it cannot be written.
        """
        path = resolve(path)
        check_present(path)
        lock = OwnerLock(path, program=program)
        return cls(path, lock, on_trouble=on_trouble, wait=wait, hash_all=hash_all)

    @classmethod
    def open_or_create(
        cls,
        path: Path | str,
        *,
        program: str = PROGRAM,
        on_trouble: OnTrouble = ignore_trouble,
        wait: Wait = Event.wait,
    ) -> Self:
        """Open the store at ``path``; create it only when nothing exists there.

        Args:
            path: the store's file.
            program: how a second process is told who owns the store.
            on_trouble: as in `Writer`.
            wait: as in `Writer`.

        Raises:
            StoreBusyError: if another process owns it.
            StoreVersionError: if a newer program wrote it.
            StoreForeignError: if the file is empty or not a session store.
            StoreError: if it can be neither opened nor created.
        """
        way = cls.open if resolve(path).exists() else cls.create
        return way(path, program=program, on_trouble=on_trouble, wait=wait)

    @property
    def store_id(self) -> str:
        """The store's UUID, which it keeps for life."""
        return self._writer.store_id

    @property
    def waiting(self) -> int:
        """How many submitted rows are not committed yet."""
        return self._writer.waiting

    def submit(self, row: Row) -> Future[None]:
        """Queue a row; the future is resolved once it is committed, and fails with a StoreError if it cannot be kept.

        Raises:
            StoreError: if the store is closed.
        """
        return self._writer.submit(row)

    def put(self, row: Row) -> None:
        """Keep a row and return once it is committed, however long the disk needs.

        Raises:
            StoreConflictError: if the key is kept with other content.
            StoreError: if the row does not hold, or the store was closed before it could be committed.
        """
        self._writer.put(row)

    def reader(self) -> StoreReader:
        """Return a reader with a connection of its own; the caller closes it.

        Raises:
            StoreError: if the file cannot be read.
        """
        return StoreReader(self.path)

    def close(self) -> None:
        """Commit what is queued, close the file and give it up; a second call does nothing."""
        self._writer.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _make_default_folder(path: Path) -> None:
    try:
        if path == resolve(default_path()):
            path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        fault = in_words(error, path=path, doing="created")
        raise fault from error
