"""Make a file whose beginning or end is gone readable again for SQLite, as a copy: the damaged file stays as it is."""

import os
import shutil
from pathlib import Path
from typing import Final

from logger.store.files import beside
from logger.store.schema import APPLICATION_ID

# Offsets of the database header. Source: sqlite.org/fileformat2.html, 1.3 "The Database Header".
_MAGIC: Final = b"SQLite format 3\0"
_PAGE_SIZE: Final = slice(16, 18)
_PAGES: Final = slice(28, 32)
_APPLICATION: Final = slice(68, 72)
_HEADER: Final = 100
_LARGEST_PAGE: Final = 65_536


def mend(path: Path, scratch: Path) -> tuple[Path, list[str]]:
    """Return the file to read a damaged store from, and what was wrong with it as a file.

    It is the store itself, or ``scratch``, a copy with its log, where SQLite would refuse the whole file: one that ends
    early gets empty pages, which cannot be read, for those that are gone; overwritten first bytes are put back. Nothing
    is done to a file that does not say that it is a session store.

    Raises:
        OSError: if the file cannot be read or the copy not be written.
    """
    with path.open("rb") as file:
        header = file.read(_HEADER)
    if int.from_bytes(header[_APPLICATION], "big") != APPLICATION_ID:
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
    shutil.copyfile(path, scratch)
    log = beside(path, "-wal")
    if log.exists():
        shutil.copyfile(log, beside(scratch, "-wal"))
    os.truncate(scratch, max(there, whole))
    with scratch.open("r+b") as file:
        file.write(_MAGIC)
    return scratch, wrong
