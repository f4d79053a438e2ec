"""The one thread that writes a store: commits in groups, keeps what cannot be committed yet, never dies."""

import atexit
import logging
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future, InvalidStateError
from pathlib import Path
from typing import Final

from logger.counted import counted
from logger.errors import StoreError
from logger.store.clocks import ClockWatch
from logger.store.connect import open_owner, store_id_of
from logger.store.faults import in_words, primary_code
from logger.store.keep import keep
from logger.store.log_size import tend_log
from logger.store.owner import OwnerLock
from logger.store.rows import ReadingRow, Row
from logger.store.unwritable import BUSY_TIMEOUT_S
from logger.store.witness import WitnessKeeper

log = logging.getLogger(__name__)

BATCH_CAP: Final = 256
"""The most rows that one commit holds."""
RETRY_S: Final = 1.0
"""How long after a commit that failed the next is tried, seconds."""

OnTrouble = Callable[[str, int], None]
Wait = Callable[[threading.Event, float], bool]
Item = tuple[Row, Future[None]]

# After these the same connection goes on (seen for a full disk); after others it is opened anew.
_PASSING: Final = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def ignore_trouble(_text: str, _waiting: int) -> None:
    """Listen to trouble and do nothing; it is in the log all the same."""


class Writer:
    """Own the connection to the store at ``path`` from a thread of its own.

    A row's future is resolved only after the commit that holds the row. While commits fail (disk full, disk away,
    database locked by another program) rows wait in memory and the commit is tried again every second;
    ``on_trouble`` is called from the writer thread after each failure with the cause in words and the number of rows
    that are not safe yet, and with ``("", 0)`` when all is well again. It is also called, with no rows waiting, while
    another program keeps the log from being emptied. Callbacks of futures run in the writer thread too: keep them
    short.

    Args:
        path: the store's file, as `resolve` returns it.
        lock: the owner lock, held; released by `close`, or at once if the store cannot be opened.
        on_trouble: listener for failing and recovered commits.
        wait: how the second between two tries is waited: ``wait(closing, seconds)``, early when closing is set.
        hash_all: compare every row with the witness at opening, however many there are: minutes for millions.

    Raises:
        StoreError: (or one of its kinds) if the store cannot be opened to write.
    """

    def __init__(
        self, path: Path, lock: OwnerLock, *, on_trouble: OnTrouble = ignore_trouble,
        wait: Wait = threading.Event.wait, hash_all: bool = False,
    ) -> None:  # fmt: skip
        self._path = path
        self._lock = lock
        self._on_trouble = on_trouble
        self._wait = wait
        self._queue: deque[Item] = deque()
        self._changed = threading.Condition()
        self._closing = threading.Event()
        self._in_hand = 0
        self._trouble = ""
        self._log_held_up = ""
        self._witness = WitnessKeeper(path, hash_all=hash_all)
        self._clocks = ClockWatch()
        self._connection: sqlite3.Connection | None = None
        self._place: tuple[int, int] | None = None
        self._store_id = ""
        opened: Future[None] = Future()
        self._thread = threading.Thread(target=self._run, args=(opened,), name=f"writer of {path.name}", daemon=True)
        self._thread.start()
        try:
            opened.result()
        except BaseException:
            self.close()
            raise
        # A program that ends without closing the store still gets its queue written.
        atexit.register(self.close)

    @property
    def store_id(self) -> str:
        """The store's UUID."""
        return self._store_id

    @property
    def waiting(self) -> int:
        """How many rows are not committed yet."""
        with self._changed:
            return self._in_hand + len(self._queue)

    def submit(self, row: Row) -> Future[None]:
        """Queue a row; the future is resolved once it is committed. Any thread may call.

        The future fails with StoreConflictError if the key is kept with other content, and with another StoreError if
        the row does not hold or could not be committed before the store was closed.

        Raises:
            StoreError: if the store is closed.
        """
        future: Future[None] = Future()
        future.set_running_or_notify_cancel()  # a row that is on its way cannot be cancelled
        with self._changed:
            if self._closing.is_set():
                raise StoreError(f"session store {self._path} is closed, rows need it open", path=self._path)
            self._queue.append((row, future))
            self._changed.notify()
        return future

    def put(self, row: Row) -> None:
        """Keep a row and return once it is committed.

        Raises:
            StoreConflictError: if the key is kept with other content.
            StoreError: if the row does not hold, could not be committed, or the writer thread itself would wait.
        """
        if threading.current_thread() is self._thread:
            raise StoreError(
                f"session store {self._path} would wait for itself: a callback of the writer may submit, not put",
                path=self._path,
            )
        self.submit(row).result()

    def close(self) -> None:
        """Commit what is queued, checkpoint, close the file, release the lock; a second call does nothing.

        If commits fail, one more is tried; then the futures of the rows that are left fail.
        """
        with self._changed:
            self._closing.set()
            self._changed.notify()
        if threading.current_thread() is not self._thread:
            self._thread.join()
        atexit.unregister(self.close)

    def _run(self, opened: Future[None]) -> None:
        try:
            self._connect()
        except (sqlite3.Error, OSError) as error:
            self._shut()
            fault = in_words(error, path=self._path, doing="opened to write")
            fault.__cause__ = error
            opened.set_exception(fault)
            return
        except BaseException as error:  # noqa: BLE001 - handed to the thread that constructs
            self._shut()
            opened.set_exception(error)
            return
        opened.set_result(None)
        try:
            while (batch := self._take()) is not None:
                if batch:
                    self._settle(batch)
                self._tend()
        finally:
            self._shut()

    def _take(self) -> list[Item] | None:
        """Take what is queued, up to the cap, or wait; nothing when the witness is due, None when all is done."""
        with self._changed:
            self._in_hand = 0
            self._changed.wait_for(lambda: self._queue or self._closing.is_set(), self._witness.due_in_s())
            batch = [self._queue.popleft() for _ in range(min(len(self._queue), BATCH_CAP))]
            self._in_hand = len(batch)
            return None if not batch and self._closing.is_set() else batch

    def _tend(self) -> None:
        """At most once a second after commits: write the witness, and keep the log short."""
        if self._connection is None or self._witness.due_in_s() != 0:
            return
        self._witness.write(self._connection)
        try:
            held_up = tend_log(self._connection, self._path, busy_timeout_s=BUSY_TIMEOUT_S)
        except (sqlite3.Error, OSError) as error:
            log.warning("the log of session store %s cannot be emptied now: %s", self._path, error)
            return
        if held_up != self._log_held_up:
            self._log_held_up = held_up
            self._report(held_up, 0)

    def _settle(self, batch: list[Item]) -> None:
        """Bring every future of a batch to its end."""
        while True:
            last = self._closing.is_set()
            try:
                outcomes = self._commit([row for row, _ in batch])
            except (sqlite3.Error, OSError, StoreError) as error:
                trouble = self._told(error)
                if last:
                    self._abandon(batch, trouble)
                    return
                self._report(str(trouble), self.waiting)
                self._pause()
            except Exception as error:
                log.exception("the writer of %s met something unforeseen", self._path)
                self._fail(batch, "the program met something unforeseen; report it with its log", error)
                return
            else:
                self._answer(batch, outcomes)
                return

    def _commit(self, rows: Sequence[Row]) -> list[StoreError | None]:
        # One transaction; a row's refusal, if any, stands at its index. What fails the whole batch is raised.
        connection = self._connect()
        try:
            self._check_place()
            connection.execute("BEGIN IMMEDIATE")
            outcomes = [self._outcome(connection, row) for row in rows]
            connection.execute("COMMIT")
        except sqlite3.Error as error:
            self._roll_back(connection)
            if primary_code(error) not in _PASSING:
                self._disconnect()
            raise
        except BaseException:
            self._roll_back(connection)
            raise
        return outcomes

    def _outcome(self, connection: sqlite3.Connection, row: Row) -> StoreError | None:
        try:
            keep(connection, row, self._path)
        except StoreError as error:
            return error
        except sqlite3.Error:
            raise  # the transaction is in doubt: all of the batch is tried again
        except Exception as error:
            log.exception("a row could not be kept: %r", row)
            text = f"session store {self._path} cannot keep {row!r}: unforeseen {error!r}; report it with the log"
            refusal = StoreError(text, path=self._path)
            refusal.__cause__ = error
            return refusal
        return None

    def _answer(self, batch: list[Item], outcomes: list[StoreError | None]) -> None:
        self._in_hand = 0
        for (_, future), refusal in zip(batch, outcomes, strict=True):
            _resolve(future, refusal)
        self._witness.note()
        self._watch_clocks([row for (row, _), refusal in zip(batch, outcomes, strict=True) if refusal is None])
        if self._trouble != self._log_held_up:
            log.warning("session store %s is well again", self._path)
            self._report(self._log_held_up, 0)

    def _watch_clocks(self, kept: Sequence[Row]) -> None:
        for row in kept:
            if isinstance(row, ReadingRow):
                jump = self._clocks.see(row.session, row.gauge, row.sequence, row.taken_at_ns, row.monotonic_ns)
                if jump is not None:
                    log.warning("%s", jump.words())

    def _abandon(self, batch: list[Item], cause: StoreError) -> None:
        """Fail everything that is left when the store closes in trouble."""
        with self._changed:
            batch += self._queue
            self._queue.clear()
        readings = sum(isinstance(row, ReadingRow) for row, _ in batch)
        text = (
            f"{counted(readings, 'reading')} and {counted(len(batch) - readings, 'other row')} were not saved: {cause}"
        )
        log.error("session store %s closed: %s", self._path, text)
        self._report(text, len(batch))
        self._fail(batch, text, cause)

    def _fail(self, batch: list[Item], text: str, cause: Exception) -> None:
        for _, future in batch:
            error = StoreError(f"session store {self._path} did not keep the row: {text}", path=self._path)
            error.__cause__ = cause
            _resolve(future, error)

    def _told(self, error: sqlite3.Error | OSError | StoreError) -> StoreError:
        return error if isinstance(error, StoreError) else in_words(error, path=self._path, doing="written")

    def _report(self, text: str, waiting: int) -> None:
        if text != self._trouble and text:
            log.warning("%s%s", text, f" ({counted(waiting, 'row')} waiting)" if waiting else "")
        self._trouble = text
        try:
            self._on_trouble(text, waiting)
        except Exception:
            log.exception("the listener to trouble of %s failed", self._path)

    def _pause(self) -> None:
        try:
            self._wait(self._closing, RETRY_S)
        except Exception:
            log.exception("waiting to try again on %s failed", self._path)
            self._closing.wait(RETRY_S)

    def _connect(self) -> sqlite3.Connection:
        # The connection is opened anew if the last one was given up.
        if self._connection is None:
            connection = open_owner(self._path)
            try:
                self._adopt(connection)
            except BaseException:
                connection.close()
                raise
            self._connection = connection
        return self._connection

    def _adopt(self, connection: sqlite3.Connection) -> None:
        store_id = store_id_of(connection, self._path)
        if self._store_id not in {"", store_id}:
            raise StoreError(
                f"session store {self._path} is another one than before ({store_id}, was {self._store_id}); "
                "put the first back",
                path=self._path,
            )
        self._witness.open(connection, store_id)
        self._store_id, self._place = store_id, self._found()

    def _found(self) -> tuple[int, int] | None:
        try:
            found = self._path.stat()
        except OSError:
            return None
        return found.st_dev, found.st_ino

    def _check_place(self) -> None:
        # A file that is moved away while open goes on taking writes, unseen by every reader.
        if self._found() != self._place:
            raise StoreError(
                f"session store {self._path} was moved, replaced or deleted while it was open; put it back",
                path=self._path,
            )

    def _roll_back(self, connection: sqlite3.Connection) -> None:
        try:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
        except sqlite3.Error:
            log.exception("rolling back on %s failed", self._path)
            self._disconnect()

    def _disconnect(self) -> None:
        connection, self._connection = self._connection, None
        try:
            if connection is not None:
                connection.close()
        except sqlite3.Error:
            log.exception("closing %s failed", self._path)

    def _shut(self) -> None:
        try:
            if self._connection is not None:
                self._witness.write(self._connection)  # first: whatever becomes of the log, the rows are counted
                self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                self._witness.note()  # the log is shorter now
                self._witness.write(self._connection)
        except sqlite3.Error as error:
            log.warning("session store %s keeps its -wal file, nothing is lost: %s", self._path, error)
        finally:
            self._disconnect()
            self._lock.release()


def _resolve(future: Future[None], refusal: StoreError | None) -> None:
    try:
        if refusal is None:
            future.set_result(None)
        else:
            future.set_exception(refusal)
    except InvalidStateError:
        log.exception("somebody else resolved a future of the writer")
