"""The witness: a small file beside the store that says how many rows there must be, and what their hash is.

SQLite finds a log that was cut, or a digit that was changed, in perfect order. The witness does not: it lies outside
the database and is written after the commits that it counts, at most once a second and on closing. What was committed
in the last second before a program was killed may be newer than the witness; it is in the store, but its loss would
not be seen.
"""

import json
import logging
import os
import re
import sqlite3
import stat
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from logger.counted import are, counted
from logger.errors import StoreLossError, WitnessError
from logger.store import events
from logger.store.chain import START, Link, last_entry, tables_of
from logger.store.faults import in_words
from logger.store.files import beside, replace_text
from logger.store.log_size import log_bytes
from logger.store.schema import STEPS, same_hashes, version_of
from logger.store.trail import Marks, changed_spans, changed_words, extend, table_words

log = logging.getLogger(__name__)

FORMAT: Final = 1
EVERY_S: Final = 1.0
"""The least time between two writings of the witness, seconds."""
HASHED_AT_OPENING: Final = 50_000
"""A store of up to so many rows is compared hash by hash at opening, which takes a third of a second; a larger one by
its counts."""
PUT_BACK: Final = "put the whole file back together with its -wal file, or a copy together with its own witness"
REMEDY: Final = f"{PUT_BACK}; or take what is left into a new store with `fretledger store recover`"
REMEDY_OF_BROKEN: Final = (
    "put the witness and the store back from one copy, or move the witness away: a new one then counts from that "
    "moment on, and the store and all records sealed from it say so"
)
REMEDY_OF_UNREADABLE: Final = (
    "let this program read the witness, which holds nothing but counts and hashes, or ask its owner to"
)
_HEAD: Final = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """What a store held ``at`` a time (ISO 8601, UTC): its id, the version of its tables, each table's chain.

    ``marks`` are links on the way along each chain, ``log_bytes`` is how large the log beside the store was.
    """

    store_id: str
    version: int
    at: str
    chain: Mapping[str, Link]
    marks: Mapping[str, Marks] = field(default_factory=dict)
    log_bytes: int = 0


def witness_path(store: Path) -> Path:
    """Return where the witness of a store lies."""
    return beside(store, ".witness")


def read_witness(store: Path) -> Witness | None:
    """Return the witness beside a store, None where there is none.

    Raises:
        WitnessError: if there is one that is broken or cannot be read.
    """
    path = witness_path(store)
    try:
        return _witness(_values(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        return None
    except IsADirectoryError as error:
        found = f"{path} must be the witness of session store {store.name} and is a folder"
        raise WitnessError(found, REMEDY_OF_BROKEN, path=store) from error
    except OSError as error:
        found = f"{path}, the witness of session store {store.name}, cannot be read: {_why_not(path, error)}"
        raise WitnessError(found, REMEDY_OF_UNREADABLE, path=store) from error
    except (_BrokenError, UnicodeDecodeError) as error:
        why = str(error) if isinstance(error, _BrokenError) else "it is not text"
        found = f"{path} must be the witness of session store {store.name} and is broken: {why}"
        raise WitnessError(found, REMEDY_OF_BROKEN, path=store) from error


def _why_not(path: Path, error: OSError) -> str:
    if not isinstance(error, PermissionError):
        return error.strerror or str(error)
    try:
        found = path.stat()
    except OSError:
        return "this program is not allowed to"
    return f"this program is not allowed to (permissions {stat.filemode(found.st_mode)}, owner {_owner(path, found)})"


def _owner(path: Path, found: os.stat_result) -> str:
    try:
        return path.owner()
    except (KeyError, NotImplementedError):
        return f"number {found.st_uid}"


class _BrokenError(Exception):
    """What a witness must be and is not."""


def _values(text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _BrokenError("it is empty" if not text.strip() else "it is not JSON") from error


def witness_or_words(store: Path, wrong: list[str]) -> Witness | None:
    """Return the witness beside a store, None where there is none; one that cannot be read is told in ``wrong``."""
    try:
        return read_witness(store)
    except WitnessError as error:
        wrong.append(error.found)
        return None


def astray_witness(store: Path, store_id: str) -> Path | None:
    """Return a witness that tells of this store under another name, beside no store of that name; None for none."""
    for path in sorted(store.parent.glob("*.witness")):
        named = path.with_suffix("")
        if named == store or named.exists():
            continue
        witness = witness_or_words(named, [])
        if witness is not None and witness.store_id == store_id:
            return path
    return None


def _witness(held: Any) -> Witness:
    if not isinstance(held, dict) or "format" not in held:
        raise _BrokenError("it does not say its format")
    if held["format"] != FORMAT:
        raise _BrokenError(f"it is of format {str(held['format'])[:20]}, this program knows {FORMAT}")
    store_id, version, at, tables = (held.get(name) for name in ("store", "version", "at", "tables"))
    log = held.get("log_bytes", 0)
    if not (isinstance(store_id, str) and type(version) is int and isinstance(at, str) and isinstance(tables, dict)
            and type(log) is int and all(isinstance(one, dict) for one in tables.values())):  # fmt: skip
        raise _BrokenError("it must hold store, version, at and tables")
    chain = {name: _link(name, one.get("entries"), one.get("head")) for name, one in tables.items()}
    marks = {name: _marks(name, one.get("marks", [])) for name, one in tables.items()}
    return Witness(store_id=store_id, version=version, at=at, chain=chain, marks=marks, log_bytes=log)


def _marks(name: str, held: Any) -> Marks:
    if not isinstance(held, list) or not all(isinstance(one, list) and len(one) == 2 for one in held):
        raise _BrokenError(f"the marks of {name[:40]!r} must be pairs of a number and a hash")
    found = tuple(_link(name, entries, head) for entries, head in held)
    if any(after.entries <= before.entries for before, after in pairwise((START, *found))):
        raise _BrokenError(f"the marks of {name[:40]!r} must come in order")
    return found


def _link(name: str, entries: Any, head: Any) -> Link:
    if type(entries) is not int or entries < 0 or not isinstance(head, str) or not _HEAD.fullmatch(head):
        raise _BrokenError(f"table {name[:40]!r} must have a number of entries and a hash of 64 hex digits")
    return Link(entries=entries, head=head)


def write_witness(store: Path, witness: Witness) -> None:
    """Write the witness beside a store; after a power cut it is the old one or the new one.

    Raises:
        OSError: if it cannot be written.
    """
    tables = {
        name: {
            "entries": link.entries, "head": link.head,
            "marks": [[mark.entries, mark.head] for mark in witness.marks.get(name, ())],
        }
        for name, link in sorted(witness.chain.items())
    }  # fmt: skip
    held = {
        "format": FORMAT, "store": witness.store_id, "version": witness.version, "at": witness.at,
        "log_bytes": witness.log_bytes, "tables": tables,
    }  # fmt: skip
    replace_text(witness_path(store), json.dumps(held) + "\n")


def begin_witness(store: Path, store_id: str) -> None:
    """Write the witness of a store that was just made and holds no row yet, so that all that comes is counted.

    Raises:
        StoreError: if it cannot be written.
    """
    try:
        write_witness(store, Witness(store_id=store_id, version=len(STEPS), at=now_text(), chain={}))
    except OSError as error:
        fault = in_words(error, path=store, doing=f"given its {witness_path(store).name}")
        raise fault from error


def now_text() -> str:
    """Return the time of a witness that is made now."""
    return datetime.now(UTC).isoformat(timespec="seconds")


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
        gone_words(link.entries - found[name], link.entries, name)
        for name, link in sorted(witness.chain.items())
        if found[name] < link.entries
    ]


def gone_words(gone: int, of: int, table: str) -> str:
    """Say how many of a table's rows are gone."""
    return f"{gone} of {counted(of, 'row')} of {table_words(table)} {are(gone)} gone"


def cut_log_words(store: Path, witness: Witness) -> list[str]:
    """Say, of a store that lost rows, that its log was cut or deleted, where the witness shows it.

    Raises:
        OSError: if the system does not tell how large the log is.
    """
    there, name = log_bytes(store), beside(store, "-wal").name
    if there >= witness.log_bytes:
        return []
    now = f"has {there} now: it was cut" if there else "is gone: it was cut, deleted or left behind"
    return [
        f"its log {name} had {witness.log_bytes} bytes then and {now}, or an older copy was put in the store's place"
    ]


def is_comparable(witness: Witness, version: int) -> bool:
    """Tell whether the hashes of a witness hold for a store of a version."""
    return same_hashes(witness.version, version)


def changed_rows(connection: sqlite3.Connection, witness: Witness) -> list[str]:
    """Say which rows are not those that a witness saw; one from before a step that fills a table cannot tell.

    Raises:
        sqlite3.Error: if the file cannot be read.
    """
    if not is_comparable(witness, version_of(connection)):
        return []
    return [
        text
        for name, link in sorted(witness.chain.items())
        for text in changed_words(connection, name, changed_spans(connection, name, link, witness.marks.get(name, ())))
    ]


def _is_small(witness: Witness) -> bool:
    return sum(link.entries for link in witness.chain.values()) <= HASHED_AT_OPENING


class WitnessKeeper:
    """Keep the witness of the store at ``path``; used by the writer's thread alone.

    Args:
        path: the store's file.
        hash_all: compare a store hash by hash at opening, however large it is.
        clock: seconds that never step back.
    """

    def __init__(self, path: Path, *, hash_all: bool = False, clock: Callable[[], float] = time.monotonic) -> None:
        self._path = path
        self._hash_all = hash_all
        self._clock = clock
        self._witness: Witness | None = None
        self._stale = False
        self._failing = False
        self._next = clock()

    def open(self, connection: sqlite3.Connection, store_id: str) -> None:
        """Compare a store that is being opened with what is known of it, and go on from there.

        Where nothing is known, because the witness was taken away, the store itself keeps since when it is counted.

        Raises:
            StoreLossError: if the store does not hold what its witness saw, or its witness is broken.
            StoreError: if its witness cannot be read.
            sqlite3.Error: if the file cannot be read or written.
        """
        known, version = self._witness or read_witness(self._path), version_of(connection)
        if known is None:
            log.warning("session store %s is counted from now on: %s", self._path, events.NO_WITNESS)
            because = {"because": events.NO_WITNESS}
            events.note(connection, self._path, events.COUNTED, because, at_ns=time.time_ns())
        else:
            self._compare(connection, known, store_id)
        going_on = known if known is not None and is_comparable(known, version) else None
        if going_on is not None and not any(going_on.marks.values()) and _is_small(going_on):
            going_on = None  # of an earlier program: its rows were just compared, and get their marks from the first on
        self._witness = Witness(
            store_id=store_id, version=version, at=now_text(), chain={} if going_on is None else going_on.chain,
            marks={} if going_on is None else going_on.marks,
        )  # fmt: skip
        self._stale = True

    def _compare(self, connection: sqlite3.Connection, known: Witness, store_id: str) -> None:
        other = another_store(known, store_id)
        wrong = [other] if other else lost_rows(connection, known)
        if wrong and not other:
            wrong += cut_log_words(self._path, known)
        if not wrong and (_is_small(known) or self._hash_all):
            wrong = changed_rows(connection, known)
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
            ends = {
                name: extend(connection, name, known.chain.get(name, START), known.marks.get(name, ()))
                for name in tables_of(connection)
            }
            self._witness = Witness(
                store_id=known.store_id, version=known.version, at=now_text(), log_bytes=log_bytes(self._path),
                chain={name: end for name, (end, _) in ends.items()},
                marks={name: marks for name, (_, marks) in ends.items()},
            )  # fmt: skip
            write_witness(self._path, self._witness)
        except (sqlite3.Error, OSError) as error:
            if not self._failing:
                log.warning(
                    "the witness of session store %s is not written, all readings are kept: %s", self._path, error
                )
            self._failing = True
        else:
            self._stale = self._failing = False
