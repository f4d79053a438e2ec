"""Copy a store while a bench writes it, and pack one anew that nobody uses; neither ever leaves a row out."""

import sqlite3
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from logger.errors import InputFileError, StoreBusyError, StoreError, StoreLossError, WitnessError
from logger.store.attached import copy_contents
from logger.store.chain import Chain, follow, tables_of
from logger.store.connect import check_free, check_present, connect_file, open_owner, resolve, store_id_of
from logger.store.faults import in_words
from logger.store.files import Progress, beside, copy_whole, no_progress, remove_database, sync_file, sync_folder
from logger.store.inspection import Inspection, inspect, ticking
from logger.store.owner import OwnerLock
from logger.store.schema import check_identity
from logger.store.witness import Witness, now_text, read_witness, witness_path, write_witness


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """A store that was packed anew: its size before and after, and its chain, the same before and after."""

    path: Path
    before_bytes: int
    after_bytes: int
    chain: Chain


def copy(path: Path | str, target: Path | str, progress: Progress = no_progress) -> Inspection:
    """Copy a store, log and all, into one file with a witness of its own, and its attached files; look the copy over.

    The copy keeps the store's id: it is made to stand in for a store that is lost, and goes on with its chain of
    records. A store that is not what its witness says is copied as it is, and the copy gets the store's witness, a
    broken one too, so that what is wrong stays to be seen; one that cannot be read is told. A store without one gives a
    copy without one. Attached files
    that were copied before something failed stay, each of them whole.

    Args:
        path: the store, which a bench may be writing.
        target: the file to be; nothing may lie there.
        progress: told what is being done.

    Raises:
        StoreVersionError: if a newer program wrote it.
        StoreForeignError: if the file is not a session store.
        StoreError: if it cannot be read, or the copy cannot be written.
    """
    path, target = resolve(path), resolve(target)
    check_present(path)
    check_free(target)
    witness, broken = None, None
    try:
        try:
            witness = read_witness(path)
        except WitnessError as error:
            broken = error
        with closing(connect_file(path, "ro")) as connection:
            check_identity(connection, path)
            copy_contents(connection, path, target, progress)
            copy_whole(connection, target, progress)
        with closing(connect_file(target, "ro")) as made:
            copy_contents(made, path, target, progress)  # of rows that came meanwhile
        if witness is not None:
            write_witness(target, replace(witness, log_bytes=0))
        held = b"" if broken is None else _content(witness_path(path))
        if held:
            witness_path(target).write_bytes(held)
        found = inspect(target, progress)
        if broken is not None and not held:
            found.wrong.insert(0, broken.found)
            found.remedy_of_witness = broken.remedy
        if witness is not None and not found.wrong:
            _write_on(target, found, witness)
    except InputFileError as error:
        raise StoreError(f"session store {path} cannot be copied to {target}: {error}", path=path) from error
    except (sqlite3.Error, OSError) as error:
        fault = in_words(error, path=path, doing=f"copied to {target}")
        raise fault from error
    return found


def _content(path: Path) -> bytes:
    """Return what a broken witness holds, nothing where it cannot be read: that is told already."""
    try:
        return path.read_bytes()
    except OSError:
        return b""


def _write_on(path: Path, found: Inspection, before: Witness) -> None:
    # A store that was found to be what its witness says gets one of now.
    found.witnessed_at = now_text()
    write_witness(
        path,
        replace(before, version=found.version, at=found.witnessed_at, chain=found.chain, log_bytes=0),
    )


def repack(path: Path | str, progress: Progress = no_progress) -> Packed:
    """Write a store anew without the room that SQLite left empty, and put it in the place of the old file.

    The new file takes its place in one step, after every row of it was hashed and found the same. Nobody may have the
    store open meanwhile, not even to read: a reader would stay with the old file and never see what comes later.

    Args:
        path: the store.
        progress: told what is being done.

    Raises:
        StoreBusyError: if a bench owns the store or another program reads it.
        StoreLossError: if the store is not what its witness says, or the packed file is not the store; it is then as
            it was.
        StoreError: if it cannot be read or written; it is then as it was.
    """
    path = resolve(path)
    check_present(path)
    with OwnerLock(path, program="fretledger store repack"):
        return _repack(path, progress)


def _repack(path: Path, progress: Progress) -> Packed:
    building = beside(path, ".new")
    try:
        remove_database(building)
        _let_go(path)
        before = inspect(path, progress)
        if before.wrong:
            raise StoreLossError(
                f"session store {path} is not packed while something is wrong with it: {'; '.join(before.wrong)}; "
                f"{before.to_do}",
                path=path,
            )
        size = path.stat().st_size
        _pack(path, building, before, progress)
        witness = read_witness(path)
        building.replace(path)
        sync_folder(path.parent)
        if witness is not None:
            _write_on(path, before, witness)
    except (sqlite3.Error, OSError) as error:
        fault = in_words(error, path=path, doing="packed")
        raise fault from error
    finally:
        remove_database(building)
    return Packed(path=path, before_bytes=size, after_bytes=path.stat().st_size, chain=before.chain)


def _let_go(path: Path) -> None:
    # Giving up the log asks for the file alone: it fails while anybody else has it open.
    with closing(open_owner(path)) as connection:
        try:
            mode = connection.execute("PRAGMA journal_mode = DELETE").fetchone()[0]
        except sqlite3.OperationalError:
            mode = "wal"
    if mode != "delete":
        raise StoreBusyError(
            f"session store {path} cannot be packed while another program has it open; "
            "close every program that reads it",
            path=path,
        )


def _pack(path: Path, building: Path, before: Inspection, progress: Progress) -> None:
    with closing(connect_file(path, "ro")) as connection, ticking(connection, "packing", progress):
        connection.execute("VACUUM INTO ?", (str(building),))
    with closing(connect_file(building, "ro")) as packed, ticking(packed, "comparing", progress):
        check_identity(packed, building)
        same = store_id_of(packed, building) == before.store_id
        chain = {name: follow(packed, name) for name in tables_of(packed)}
    if not same or chain != before.chain:
        raise StoreLossError(
            f"session store {path} is not the same after packing and stays as it was; "
            "report this with a copy of the file",
            path=path,
        )
    sync_file(building)
