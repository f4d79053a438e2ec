"""Make a file whose beginning or end is gone readable again for SQLite, as a copy: the damaged file stays as it is."""

import os
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

from logger.errors import StoreError
from logger.store.chain import tables_of
from logger.store.connect import connect_file
from logger.store.files import beside, copy_with_log, remove_database
from logger.store.log_size import log_bytes
from logger.store.schema import APPLICATION_ID, STEPS, migrate
from logger.store.witness import witness_or_words, witness_path

# Offsets of the database header. Source: sqlite.org/fileformat2.html, 1.3 "The Database Header".
_MAGIC: Final = b"SQLite format 3\0"
_PAGE_SIZE: Final = slice(16, 18)
_MODES: Final = slice(18, 20)
_PAGES: Final = slice(28, 32)
_FREE: Final = slice(32, 40)
_VERSION: Final = slice(60, 64)
_APPLICATION: Final = slice(68, 72)
_HEADER: Final = 100
# And of the first page, whose tree begins behind the header. Source: the same, 1.6 "B-tree Pages".
_INTERIOR: Final = b"\x05"
_CELLS: Final = slice(103, 105)
_RIGHTMOST: Final = slice(108, 112)
_POINTERS: Final = 112
FIRST_PAGE_BACK: Final = "the first page of the file was lost and is taken from a new store, which begins likewise"
_LARGEST_PAGE: Final = 65_536
_WITH_LOG: Final = b"\2\2"


def made_readable(path: Path, scratch: Path, wrong: list[str]) -> Path:
    """Return the file to read a damaged store from: itself or ``scratch``, a copy that was mended.

    Args:
        path: the store.
        scratch: where the copy may go, with its log; the caller removes it.
        wrong: gets what was wrong with it as a file.

    Raises:
        StoreError: if its list of tables or its first page is lost and cannot be put back.
        sqlite3.Error: if it cannot be opened, or a new store not be made to put them back from.
        OSError: if the file cannot be read or the copy not be written.
    """
    whole, told = mend(path, scratch)
    if whole == path and not is_store(path) and put_first_page_back(path, scratch):
        whole, told = scratch, [FIRST_PAGE_BACK]
    wrong += told
    if is_store(whole) and not _lists_tables(whole):
        whole, put_back = put_tables_back(path, whole, scratch)
        wrong.append(put_back)
    return whole


def _lists_tables(path: Path) -> bool:
    with closing(connect_file(path, "ro")) as source:
        try:
            return bool(tables_of(source))
        except sqlite3.DatabaseError:
            return False


def mend(path: Path, scratch: Path) -> tuple[Path, list[str]]:
    """Return the file to read a damaged store from, and what was wrong with it as a file.

    It is the store itself, or ``scratch``, a copy with its log, where SQLite would refuse the whole file: one that ends
    early gets empty pages, which cannot be read, for those that are gone; overwritten first bytes are put back. Nothing
    is done to a file that does not say that it is a session store.

    Raises:
        OSError: if the file cannot be read or the copy not be written.
    """
    header = _header(path)
    if not is_store(path):
        return path, []
    page = int.from_bytes(header[_PAGE_SIZE], "big")
    there, whole = path.stat().st_size, (_LARGEST_PAGE if page == 1 else page) * int.from_bytes(header[_PAGES], "big")
    wrong = []
    if there < whole:
        wrong.append(f"the file ends early: {there} of {whole} bytes are there")
    if not header.startswith(_MAGIC):
        wrong.append("the first bytes of the file were overwritten")
    if not wrong:
        return path, []
    copy_with_log(path, scratch)
    os.truncate(scratch, max(there, whole))
    with scratch.open("r+b") as file:
        file.write(_MAGIC)
    return scratch, wrong


def is_store(path: Path) -> bool:
    """Tell whether a file says of itself that it is a session store.

    Raises:
        OSError: if it cannot be read.
    """
    return int.from_bytes(_header(path)[_APPLICATION], "big") == APPLICATION_ID


def _header(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(_HEADER)


def put_tables_back(path: Path, readable: Path, scratch: Path) -> tuple[Path, str]:
    """Return the file to read a store from whose list of tables is lost, and what was done, in words.

    A store keeps that list in pages that its first page names. This program makes a store by the same statements every
    time, so that a new one of the same version has the same pages in the same places: where the first page says that it
    is so, they are taken from there, and the tables are found again. What is in the tables is for SQLite to read.

    Args:
        path: the damaged store.
        readable: what `mend` returned for it.
        scratch: the copy to work on.

    Raises:
        StoreError: if the store was not made in one go at its version, or its first page does not hold.
        sqlite3.Error: if the new store cannot be made.
        OSError: likewise, or if the file cannot be read.
    """
    if readable != scratch:
        copy_with_log(path, scratch)
    with scratch.open("rb") as file:
        header = file.read(_HEADER)
        size = int.from_bytes(header[_PAGE_SIZE], "big")
        first = header + file.read(size - _HEADER) if size > _HEADER else header
    version = int.from_bytes(header[_VERSION], "big")
    made = _new_store(version, scratch)
    places = _places(first)
    if not places or int.from_bytes(made[_PAGE_SIZE], "big") != size or places != _places(made[:size]):
        raise StoreError(
            f"nothing of session store {path} can be read: the list of its tables is lost, and it does not lie "
            f"where a new store of version {version} has it, as after a step from an earlier one; restore a copy",
            path=path,
        )
    _write_pages(scratch, made, size, places)
    return scratch, "the list of its tables was lost and is taken from a new store, which has it in the same places"


def _places(first: bytes) -> list[int]:
    """Return which pages the list of tables lies in, as the first page names them; none where it names none."""
    if first[_HEADER : _HEADER + 1] != _INTERIOR:
        return []
    count = int.from_bytes(first[_CELLS], "big")
    cells = [int.from_bytes(first[at : at + 2], "big") for at in range(_POINTERS, _POINTERS + 2 * count, 2)]
    return [*(int.from_bytes(first[at : at + 4], "big") for at in cells), int.from_bytes(first[_RIGHTMOST], "big")]


def _new_store(version: int, scratch: Path) -> bytes:
    fresh = beside(scratch, ".fresh")
    try:
        remove_database(fresh)
        with closing(sqlite3.connect(fresh, isolation_level=None)) as connection:
            migrate(connection, fresh, steps=STEPS[:version])
        return fresh.read_bytes()
    finally:
        remove_database(fresh)


def _write_pages(scratch: Path, made: bytes, size: int, places: list[int]) -> None:
    with scratch.open("r+b") as file:
        for place in places:
            start = (place - 1) * size
            file.seek(start)
            file.write(made[start : start + size])


def put_first_page_back(path: Path, scratch: Path) -> bool:
    """Make ``scratch`` of a store whose first page is lost, that page taken from a new store; tell whether it is one.

    It is one where the pages that a new store lists its tables in lie in the same places with the same content (or are
    lost as well, and a witness beside the file tells which version the store had).

    Raises:
        StoreError: if a witness says that this was a store, and its tables lie elsewhere.
        sqlite3.Error: if the new store cannot be made.
        OSError: likewise, or if the file cannot be read.
    """
    if _header(path).startswith(_MAGIC):
        return False  # another program's database
    witness = witness_or_words(path, [])
    for version in range(len(STEPS), 0, -1) if witness is None else [min(witness.version, len(STEPS))]:
        made = _new_store(version, scratch)
        size = int.from_bytes(made[_PAGE_SIZE], "big")
        places = _places(made[:size])
        if _lies_there(path, made, size, places, or_lost=witness is not None):
            copy_with_log(path, scratch)
            _write_pages(scratch, _first_page(made, path, size), size, [1])
            _write_pages(scratch, made, size, places)
            return True
    if witness_path(path).exists():
        raise StoreError(
            f"nothing of session store {path} can be read: its first page is lost, and the list of its tables does not "
            "lie where a new store has it; restore a copy",
            path=path,
        )
    return False


def _lies_there(path: Path, made: bytes, size: int, places: list[int], *, or_lost: bool) -> bool:
    lost = (b"", bytes(size)) if or_lost else ()
    with path.open("rb") as file:
        for place in places:
            start = (place - 1) * size
            file.seek(start)
            if (there := file.read(size)) != made[start : start + size] and there not in lost:
                return False
    return bool(places)


def _first_page(made: bytes, path: Path, size: int) -> bytes:
    page = bytearray(made[:size])
    page[_PAGES] = (-(-path.stat().st_size // size)).to_bytes(4, "big")
    page[_FREE] = bytes(8)
    if log_bytes(path):
        page[_MODES] = _WITH_LOG
    return bytes(page)
