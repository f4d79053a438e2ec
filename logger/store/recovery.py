"""Take what can be read of a damaged store into a new one, and say what is lost."""

import hashlib
import json
import os
import sqlite3
import time
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from logger.counted import are, counted
from logger.errors import InputFileError, StoreError
from logger.store import events
from logger.store.attached import astray, copy_contents
from logger.store.chain import START, columns_of, quoted, tables_of
from logger.store.connect import check_free, check_present, connect_file, create_file, resolve
from logger.store.faults import in_words
from logger.store.files import Progress, beside, hash_of, no_progress, remove_database, sync_folder
from logger.store.ids import new_id
from logger.store.log_size import log_bytes
from logger.store.mending import made_readable
from logger.store.past_damage import first_readable, last_readable, readable
from logger.store.schema import check_identity, version_of
from logger.store.trail import changed_past_damage, changed_words, extend, table_words
from logger.store.witness import (
    Witness,
    another_store,
    is_comparable,
    now_text,
    witness_or_words,
    write_witness,
)

_TOLD_EVERY: Final = 1_000


@dataclass(slots=True, kw_only=True)
class Recovered:
    """A new store at ``path`` of an id of its own: rows ``kept``, and, by table, rows that are known to be ``lost``.

    ``changed`` has the least number of rows kept that are not as they were, ``wrong`` all of it in words; ``gaps`` are
    the numbers that the lost rows had where that is known (not those at the end of a table); ``source_id``
    is the id of the damaged store, empty where it is lost, ``file_sha256`` and ``log_sha256`` what its files hash to.
    """

    path: Path
    store_id: str
    source_id: str = ""
    file_sha256: str = ""
    log_sha256: str = ""
    witnessed: bool = False
    changed: dict[str, int] = field(default_factory=dict)
    gaps: dict[str, list[range]] = field(default_factory=dict)
    kept: dict[str, int] = field(default_factory=dict)
    lost: dict[str, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)


def recover(path: Path | str, target: Path | str, progress: Progress = no_progress) -> Recovered:
    """Read a damaged store row by row, past what cannot be read, into a new store of an id of its own.

    The new store keeps what it was recovered from, and what was lost or changed. The damaged file is only read; one
    that SQLite refuses as a whole is read from a copy (`made_readable`). Rows are numbered anew without gaps and keep
    their order. Rows whose instrument, session or gauge is lost are kept all the same.

    Args:
        path: the damaged store.
        target: the store to be; nothing may lie there.
        progress: told what is being done.

    Raises:
        StoreVersionError: if a newer program wrote it.
        StoreForeignError: if the file is not a session store.
        StoreError: if nothing can be read, or the new store cannot be written.
    """
    path, target = resolve(path), resolve(target)
    check_present(path)
    check_free(target)
    building, scratch = beside(target, ".part"), beside(target, ".mended")
    try:
        remove_database(building)
        wrong: list[str] = []
        whole = made_readable(path, scratch, wrong)
        with closing(connect_file(whole, "ro")) as source:
            check_identity(source, path)
            source.execute("BEGIN")  # all tables as of one commit, whoever writes meanwhile
            found = _recover(source, path, building, progress)
        found.wrong[:0] = wrong
        building.rename(target)
        sync_folder(target.parent)
        with closing(connect_file(target, "ro")) as made:
            ends = {name: extend(made, name, START, ()) for name in tables_of(made)}
            version = version_of(made)
            copy_contents(made, path, target, progress)
            found.wrong += astray(made, target, progress)
        chain = {name: end for name, (end, _) in ends.items()}
        marks = {name: on_the_way for name, (_, on_the_way) in ends.items()}
        witness = Witness(store_id=found.store_id, version=version, at=now_text(), chain=chain, marks=marks)
        write_witness(target, witness)
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
    now_ns = time.time_ns()
    found = Recovered(
        path=building, store_id=new_id(now_ns, os.urandom(8)), file_sha256=hash_of(path, progress),
        log_sha256=hash_of(beside(path, "-wal"), progress) if log_bytes(path) else "",
    )  # fmt: skip
    witness = witness_or_words(path, found.wrong)
    identity = first_readable(source, "SELECT id FROM store")
    if identity is None:
        found.source_id = "" if witness is None else witness.store_id
        from_where = "nothing else tells it" if witness is None else "its witness tells it"
        found.wrong.append(f"the id of the store cannot be read; {from_where}")
    else:
        found.source_id = str(identity[0])
    if witness is not None and (other := another_store(witness, found.source_id)):
        found.wrong.append(other)
        witness = None
    found.witnessed = witness is not None
    create_file(building, store_id=found.store_id, created_at_ns=now_ns)
    with closing(connect_file(building, "rw")) as target:
        target.execute("PRAGMA synchronous = FULL")
        ours = set(tables_of(target)) - {"store"}
        for table in tables_of(source):
            if table in ours:
                known = witness.chain[table].entries if witness is not None and table in witness.chain else 0
                _take_table(source, target, table, known, found, progress)
        _tell_orphans(target, found)
        if witness is not None:
            _tell_changes(source, witness, found)
        _note(target, found, now_ns)
        target.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
    return found


def _tell_changes(source: sqlite3.Connection, witness: Witness, found: Recovered) -> None:
    if not is_comparable(witness, version_of(source)):
        return
    for table, link in sorted(witness.chain.items()):
        if table in found.kept:
            spans = changed_past_damage(source, table, link, witness.marks.get(table, ()))
            found.wrong += changed_words(source, table, spans)
            kept = [one for one in spans if not any(one.first in gap and one.last in gap for gap in found.gaps[table])]
            if kept:
                found.changed[table] = len(kept)


def _note(target: sqlite3.Connection, found: Recovered, now_ns: int) -> None:
    told = {
        "store": found.source_id, "file_sha256": found.file_sha256, "log_sha256": found.log_sha256,
        "witnessed": found.witnessed, "lost": found.lost, "changed": found.changed,
    }  # fmt: skip
    events.note(target, found.path, events.RECOVERED, told, at_ns=now_ns)


def _take_table(
    source: sqlite3.Connection, target: sqlite3.Connection, table: str, known: int, found: Recovered, progress: Progress
) -> None:
    columns = [name for name in columns_of(source, table) if name in columns_of(target, table) and name != "entry"]
    names, marks = "".join(f", {quoted(name)}" for name in columns), ", ".join("?" * len(columns))
    last = max(known, last_readable(source, table))
    kept = refused = seen = 0
    gaps = found.gaps.setdefault(table, [])
    target.execute("BEGIN IMMEDIATE")
    for entry, *values in readable(source, table, names, last):
        if entry > seen + 1:
            gaps.append(range(seen + 1, entry))
        seen = entry
        put = f"INSERT INTO {table} ({names[2:]}) VALUES ({marks})"
        try:
            target.execute(put, values)
            kept += 1
        except sqlite3.IntegrityError:
            if table == "record" and _put_after_gap(target, put, dict(zip(columns, values, strict=True))):
                kept += 1
            else:
                refused += 1  # what its own table would never have taken was changed on the disk
                gaps.append(range(entry, entry + 1))
        if entry % _TOLD_EVERY == 0:
            progress(f"reading every {table_words(table)}", min(entry / max(last, 1), 1.0))
    target.execute("COMMIT")
    found.kept[table] = kept
    lost = max(last, seen) - kept
    if lost:
        found.lost[table] = lost
        why = f", {refused} of them changed so that they no longer hold" if refused else ""
        found.wrong.append(f"{lost} of {counted(max(last, seen), 'row')} of {table_words(table)} {are(lost)} lost{why}")


def _put_after_gap(target: sqlite3.Connection, put: str, row: Mapping[str, Any]) -> bool:
    """Keep a record whose predecessor is lost, as it was sealed, and tell whether it is kept.

    The guard of the chain takes no record after a gap; it is away for this one row, within the transaction. A record
    is kept if its document is what was hashed and says the same number and predecessor, and it comes later than those
    kept: whoever verifies the chain sees from that where it is cut.
    """
    last = target.execute("SELECT coalesce(max(number), 0) FROM record").fetchone()[0]
    if not _is_as_hashed(row) or row["number"] <= last:
        return False
    (guard,) = target.execute("SELECT sql FROM sqlite_schema WHERE name = 'record_in_chain'").fetchone()
    target.execute("DROP TRIGGER record_in_chain")
    try:
        target.execute(put, list(row.values()))
    except sqlite3.IntegrityError:
        return False
    finally:
        target.execute(guard)
    return True


def _is_as_hashed(row: Mapping[str, Any]) -> bool:
    if not isinstance(row["document"], str) or not isinstance(row["number"], int):
        return False
    try:
        document = json.loads(row["document"])
        said = document["number"], document["previous"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return False
    whole = hashlib.sha256(row["document"].encode()).hexdigest() == row["sha256"]
    return whole and said == (row["number"], row["previous"])


def _tell_orphans(target: sqlite3.Connection, found: Recovered) -> None:
    orphans: dict[tuple[str, str], int] = {}
    for table, _, parent, _ in target.execute("PRAGMA foreign_key_check"):
        orphans[table, parent] = orphans.get((table, parent), 0) + 1
    for (table, parent), count in sorted(orphans.items()):
        belong = "it belongs" if count == 1 else "they belong"
        kept = f"{counted(count, 'row')} of {table_words(table)} {are(count)} kept"
        found.wrong.append(f"{kept}, and what {belong} to ({table_words(parent)}) is lost")
