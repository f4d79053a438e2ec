"""The witness: a small file beside the store that says how many rows there must be, and what their hash is.

SQLite finds a log that was cut, or a digit that was changed, in perfect order. The witness does not: it lies outside
the database and is written after the commits that it counts, at most once a second and on closing. What was committed
in the last second before a program was killed may be newer than the witness; it is in the store, but its loss would
not be seen.
"""

import json
import logging
import sqlite3
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from logger.errors import StoreError, StoreLossError
from logger.store.chain import START, Link, follow, last_entry, tables_of
from logger.store.faults import in_words
from logger.store.files import beside, replace_text
from logger.store.schema import version_of

log = logging.getLogger(__name__)

FORMAT: Final = 1
EVERY_S: Final = 1.0
"""The least time between two writings of the witness, seconds."""
HASHED_AT_OPENING: Final = 50_000
"""A store of up to so many rows is compared hash by hash at opening, which takes a third of a second; a larger one by
its counts."""
REMEDY: Final = (
    "put the whole file back together with its -wal file, or a copy together with its own witness; "
    "or take what is left into a new store with `fretledger store recover`"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """What a store held ``at`` a time (ISO 8601, UTC): its id, the version of its tables, each table's chain."""

    store_id: str
    version: int
    at: str
    chain: Mapping[str, Link]


def witness_path(store: Path) -> Path:
    """Return where the witness of a store lies."""
    return beside(store, ".witness")


def read_witness(store: Path) -> Witness | None:
    """Return the witness beside a store, None where there is none.

    Raises:
        StoreError: if there is one that cannot be read.
    """
    path = witness_path(store)
    try:
        return _witness(json.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        return None
    except OSError as error:
        fault = in_words(error, path=store, doing=f"compared with {path.name}")
        raise fault from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise StoreError(
            f"{path} must be the witness of a session store, and cannot be understood ({error!r}); move it away: "
            "the bench makes a new one, which counts from then on",
            path=store,
        ) from error


def witness_or_words(store: Path, wrong: list[str]) -> Witness | None:
    """Return the witness beside a store, None where there is none; one that cannot be read is told in ``wrong``."""
    try:
        return read_witness(store)
    except StoreError as error:
        wrong.append(str(error))
        return None


def _witness(held: Any) -> Witness:
    if held["format"] != FORMAT:
        raise ValueError(f"format {held['format']!r}")
    chain = {name: _link(one) for name, one in held["tables"].items()}
    return Witness(store_id=str(held["store"]), version=int(held["version"]), at=str(held["at"]), chain=chain)


def _link(held: Any) -> Link:
    entries, head = int(held["entries"]), str(held["head"])
    if entries < 0 or len(bytes.fromhex(head)) != len(bytes.fromhex(START.head)):
        raise ValueError(f"head {head!r} of {entries} entries")
    return Link(entries=entries, head=head)


def write_witness(store: Path, witness: Witness) -> None:
    """Write the witness beside a store; after a power cut it is the old one or the new one.

    Raises:
        OSError: if it cannot be written.
    """
    tables = {name: {"entries": link.entries, "head": link.head} for name, link in sorted(witness.chain.items())}
    held = {"format": FORMAT, "store": witness.store_id, "version": witness.version, "at": witness.at, "tables": tables}
    replace_text(witness_path(store), json.dumps(held, indent=1) + "\n")


def now_text() -> str:
    """Return the time of a witness that is made now."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def table_words(table: str) -> str:
    """Name a table in a sentence."""
    return table.replace("_", " ")


def another_store(witness: Witness, store_id: str) -> str | None:
    """Say that a witness belongs to another store, None if it is of this one."""
    if witness.store_id == store_id:
        return None
    return (
        f"this is store {store_id}, its witness belongs to store {witness.store_id}: one of the two files was swapped "
        "or renamed"
    )


def lost_rows(connection: sqlite3.Connection, witness: Witness) -> list[str]:
    """Say table by table how many of the rows that a witness counts are not there.

    Raises:
        sqlite3.Error: if the file cannot be read.
    """
    there = set(tables_of(connection))
    found = {name: last_entry(connection, name) if name in there else 0 for name in witness.chain}
    return [
        f"{link.entries - found[name]} of {link.entries} rows of {table_words(name)} are gone"
        for name, link in sorted(witness.chain.items())
        if found[name] < link.entries
    ]


def changed_tables(connection: sqlite3.Connection, witness: Witness) -> list[str]:
    """Say which tables do not have the rows that a witness saw; a witness of another version cannot tell.

    Raises:
        sqlite3.Error: if the file cannot be read.
    """
    if witness.version != version_of(connection):
        return []
    return [
        f"a row of {table_words(name)} is not as it was kept"
        for name, link in sorted(witness.chain.items())
        if link.entries and follow(connection, name, until=link.entries).head != link.head
    ]


class WitnessKeeper:
    """Keep the witness of the store at ``path``; used by the writer's thread alone.

    Args:
        path: the store's file.
        clock: seconds that never step back.
    """

    def __init__(self, path: Path, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._path = path
        self._clock = clock
        self._witness: Witness | None = None
        self._stale = False
        self._failing = False
        self._next = clock()

    def open(self, connection: sqlite3.Connection, store_id: str) -> None:
        """Compare a store that is being opened with what is known of it, and go on from there.

        Raises:
            StoreLossError: if the store does not hold what its witness saw.
            sqlite3.Error: if the file cannot be read.
        """
        known = self._witness or self._left()
        if known is not None:
            self._compare(connection, known, store_id)
        version = version_of(connection)
        chain = known.chain if known is not None and known.version == version else {}
        self._witness = Witness(store_id=store_id, version=version, at=now_text(), chain=chain)
        self._stale = True

    def _left(self) -> Witness | None:
        try:
            return read_witness(self._path)
        except StoreError as error:
            log.warning("%s", error)
            return None

    def _compare(self, connection: sqlite3.Connection, known: Witness, store_id: str) -> None:
        other = another_store(known, store_id)
        wrong = [other] if other else lost_rows(connection, known)
        if not wrong and sum(link.entries for link in known.chain.values()) <= HASHED_AT_OPENING:
            wrong = changed_tables(connection, known)
        if wrong:
            raise StoreLossError(
                f"session store {self._path} is not what it was at {known.at}: {'; '.join(wrong)}; {REMEDY}",
                path=self._path,
            )

    def note(self) -> None:
        """Take notice of a commit."""
        self._stale = True

    def due_in_s(self) -> float | None:
        """Return in how many seconds the witness wants to be written, None while it is up to date."""
        return max(self._next - self._clock(), 0.0) if self._stale else None

    def write(self, connection: sqlite3.Connection) -> None:
        """Count and hash what came since the last time, and write it down; a failure is told in the log only.

        The readings themselves are safe whatever becomes of the witness, so it never stops the writer.
        """
        known = self._witness
        if known is None or not self._stale:
            return
        self._next = self._clock() + EVERY_S
        try:
            chain = {name: follow(connection, name, known.chain.get(name, START)) for name in tables_of(connection)}
            self._witness = Witness(store_id=known.store_id, version=known.version, at=now_text(), chain=chain)
            write_witness(self._path, self._witness)
        except (sqlite3.Error, OSError) as error:
            if not self._failing:
                log.warning(
                    "the witness of session store %s is not written, all readings are kept: %s", self._path, error
                )
            self._failing = True
        else:
            self._stale = self._failing = False
