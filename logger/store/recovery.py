"""Take what can be read of a damaged store into a new one, and say what is lost."""

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from logger.errors import InputFileError, StoreError
from logger.store.attached import astray, copy_contents
from logger.store.chain import columns_of, follow, last_entry, tables_of
from logger.store.connect import check_free, check_present, connect_file, create_file, resolve
from logger.store.faults import in_words
from logger.store.files import Progress, beside, no_progress, remove_database, sync_folder
from logger.store.ids import new_id
from logger.store.mending import mend
from logger.store.schema import check_identity, version_of
from logger.store.witness import (
    Witness,
    another_store,
    changed_tables,
    now_text,
    table_words,
    witness_or_words,
    write_witness,
)

_REACH: Final = 100_000
"""How many numbers in a row are tried beyond a row that cannot be read, where nothing says how many there were."""
_TOLD_EVERY: Final = 1_000


@dataclass(slots=True, kw_only=True)
class Recovered:
    """A new store at ``path``: rows ``kept`` and, by table, rows that are known to be ``lost``; ``wrong`` in words."""

    path: Path
    store_id: str
    kept: dict[str, int] = field(default_factory=dict)
    lost: dict[str, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)


def recover(path: Path | str, target: Path | str, progress: Progress = no_progress) -> Recovered:
    """Read a damaged store row by row, past what cannot be read, into a new store of the same id.

    The damaged file is only read; one that SQLite refuses as a whole is read from a copy (`mend`). Rows are numbered
    anew without gaps and keep their order. Rows whose instrument, session or gauge is lost are kept all the same.

    Args:
        path: the damaged store.
        target: the store to be; nothing may lie there.
        progress: told what is being done.

    Raises:
        StoreVersionError: if a newer program wrote it.
        StoreForeignError: if the file is not a session store, or its first page is lost.
        StoreError: if nothing can be read, or the new store cannot be written.
    """
    path, target = resolve(path), resolve(target)
    check_present(path)
    check_free(target)
    building, scratch = beside(target, ".part"), beside(target, ".mended")
    try:
        remove_database(building)
        readable, wrong = mend(path, scratch)
        with closing(connect_file(readable, "ro")) as source:
            check_identity(source, path)
            source.execute("BEGIN")  # all tables as of one commit, whoever writes meanwhile
            found = _recover(source, path, building, progress)
        found.wrong[:0] = wrong
        building.rename(target)
        sync_folder(target.parent)
        with closing(connect_file(target, "ro")) as made:
            chain = {name: follow(made, name) for name in tables_of(made)}
            version = version_of(made)
            copy_contents(made, path, target, progress)
            found.wrong += astray(made, target, progress)
        write_witness(target, Witness(store_id=found.store_id, version=version, at=now_text(), chain=chain))
    except InputFileError as error:
        raise StoreError(f"session store {path} cannot be recovered into {target}: {error}", path=path) from error
    except (sqlite3.Error, OSError) as error:
        fault = in_words(error, path=path, doing=f"recovered into {target}")
        raise fault from error
    finally:
        remove_database(building)
        remove_database(scratch)
    found.path = target
    return found


def _recover(source: sqlite3.Connection, path: Path, building: Path, progress: Progress) -> Recovered:
    found = Recovered(path=building, store_id="")
    witness = witness_or_words(path, found.wrong)
    identity = _readable_first(source, "SELECT id, created_at_ns FROM store")
    now_ns = time.time_ns()
    found.store_id, created_at_ns = identity or (
        witness.store_id if witness is not None else new_id(now_ns, os.urandom(8)),
        now_ns,
    )
    if identity is None:
        found.wrong.append(
            "the id of the store cannot be read; the new store has that of the witness, or one of its own"
        )
    elif witness is not None and (other := another_store(witness, found.store_id)):
        found.wrong.append(other)
        witness = None
    create_file(building, store_id=found.store_id, created_at_ns=created_at_ns)
    with closing(connect_file(building, "rw")) as target:
        target.execute("PRAGMA synchronous = FULL")
        ours = set(tables_of(target)) - {"store"}
        for table in _tables(source, path):
            if table in ours:
                known = witness.chain[table].entries if witness is not None and table in witness.chain else 0
                _take_table(source, target, table, known, found, progress)
        _tell_orphans(target, found)
        target.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
    if witness is not None and not found.lost:
        found.wrong += changed_tables(source, witness)
    return found


def _tables(source: sqlite3.Connection, path: Path) -> list[str]:
    try:
        return tables_of(source)
    except sqlite3.DatabaseError as error:
        raise StoreError(
            f"nothing of session store {path} can be read: the list of its tables is lost ({error}); restore a copy",
            path=path,
        ) from error


def _readable_first(source: sqlite3.Connection, statement: str) -> Any:
    try:
        return source.execute(statement).fetchone()
    except sqlite3.DatabaseError:
        return None


def _take_table(
    source: sqlite3.Connection, target: sqlite3.Connection, table: str, known: int, found: Recovered, progress: Progress
) -> None:
    columns = [name for name in columns_of(source, table) if name in columns_of(target, table) and name != "entry"]
    names, marks = ", ".join(columns), ", ".join("?" * len(columns))
    last = max(known, _last_readable(source, table))
    kept = refused = seen = 0
    target.execute("BEGIN IMMEDIATE")
    for entry, *values in _readable(source, f"SELECT entry, {names} FROM {table}", last):
        seen = entry
        try:
            target.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", values)
            kept += 1
        except sqlite3.IntegrityError:
            refused += 1  # what its own table would never have taken was changed on the disk
        if entry % _TOLD_EVERY == 0:
            progress(f"reading every {table_words(table)}", min(entry / max(last, 1), 1.0))
    target.execute("COMMIT")
    found.kept[table] = kept
    lost = max(last, seen) - kept
    if lost:
        found.lost[table] = lost
        why = f", {refused} of them changed so that they no longer hold" if refused else ""
        found.wrong.append(f"{lost} of {max(last, seen)} rows of {table_words(table)} are lost{why}")


def _last_readable(source: sqlite3.Connection, table: str) -> int:
    try:
        return last_entry(source, table)
    except sqlite3.DatabaseError:
        return 0


def _readable(source: sqlite3.Connection, select: str, last: int) -> Iterator[tuple[Any, ...]]:
    """Yield a table's rows in order, stepping over every one that cannot be read."""
    entry, end = 0, last or _REACH
    while entry < end:
        try:
            for row in source.execute(f"{select} WHERE entry > ? ORDER BY entry", (entry,)):
                entry, end = row[0], last or row[0] + _REACH
                yield row
        except sqlite3.DatabaseError:
            entry += 1
        else:
            return


def _tell_orphans(target: sqlite3.Connection, found: Recovered) -> None:
    orphans: dict[tuple[str, str], int] = {}
    for table, _, parent, _ in target.execute("PRAGMA foreign_key_check"):
        orphans[table, parent] = orphans.get((table, parent), 0) + 1
    found.wrong += [
        f"{count} rows of {table_words(table)} are kept, and what they belong to ({table_words(parent)}) is lost"
        for (table, parent), count in sorted(orphans.items())
    ]
