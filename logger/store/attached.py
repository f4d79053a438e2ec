"""The content of attached files: it lies beside the store, in one folder, under the hash of its bytes.

A file is there, whole and durable, before the row that tells of it. Stores of one folder share it: the same content has
the same name, and nothing here is ever changed or removed.
"""

import hashlib
import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from logger.errors import InputFileError, StoreError, StoreLossError
from logger.plain_file import read_plain
from logger.store.chain import tables_of
from logger.store.faults import in_words
from logger.store.files import Progress, no_progress, sync_folder
from logger.whole_file import whole_file

FOLDER: Final = "attachments"
ASTRAY: Final = f"put the file back into the folder {FOLDER} beside the store, from a copy, or attach it again"
"""What to do where content is missing or changed."""
_EACH_ONCE: Final = "SELECT min(name), sha256, max(size) FROM attachment GROUP BY sha256 ORDER BY min(entry)"
_SHA256: Final = re.compile(r"[0-9a-f]{64}")


def is_hash(text: str) -> bool:
    """Tell whether a text is a SHA-256 in hex, as content is named."""
    return _SHA256.fullmatch(text) is not None


def content_path(store: Path, sha256: str) -> Path:
    """Return where the content of that hash lies.

    Raises:
        StoreLossError: it is no hash; a row was altered past the store's own checks.
    """
    if not is_hash(sha256):
        raise StoreLossError(
            f"an attached file of session store {store} must be named by a hash, got {sha256[:80]!r}; {ASTRAY}",
            path=store,
        )
    return store.with_name(FOLDER) / sha256


def keep_content(store: Path, content: bytes) -> str:
    """Keep content beside a store, durable when this returns, and return its SHA-256 in hex.

    Content that is there already stays as it is; what lies there under its name and is not it gives way.

    Raises:
        InputFileError: the file cannot be written.
        StoreError: the folder cannot be made, or is a link.
    """
    sha256 = hashlib.sha256(content).hexdigest()
    path = content_path(store, sha256)
    try:
        _make_folder(path.parent, store)
        if _look(path, sha256, len(content))[1]:
            with whole_file(path) as part:
                part.write_bytes(content)
            sync_folder(path.parent)
    except OSError as error:
        fault = in_words(error, path=store, doing="given an attached file")
        raise fault from error
    return sha256


def _make_folder(folder: Path, store: Path) -> None:
    if folder.is_symlink():
        raise StoreError(f"{folder} must be a folder, not a link; move its content here", path=store)
    if not folder.is_dir():
        folder.mkdir()
        sync_folder(folder.parent)


def _look(path: Path, sha256: str, size: int) -> tuple[bytes, str]:
    """Return the content at a path and what is wrong with it, in a word or two; empty where nothing is."""
    if path.parent.is_symlink():
        return b"", "not read, because its folder is a link"
    try:
        content = read_plain(path, most_bytes=size)
    except (FileNotFoundError, NotADirectoryError):
        return b"", "missing"
    except InputFileError:
        return b"", "changed"
    except OSError as error:
        return b"", f"not readable ({error.strerror or error})"
    return content, "" if hashlib.sha256(content).hexdigest() == sha256 else "changed"


def content_state(store: Path, sha256: str, size: int) -> str:
    """Return what is wrong with the content of an attached file, in a word or two; empty where nothing is."""
    try:
        return _look(content_path(store, sha256), sha256, size)[1]
    except StoreLossError:
        return "named by no hash"


def read_content(store: Path, sha256: str, size: int) -> bytes:
    """Return the content of that hash, checked against it.

    Raises:
        StoreLossError: it is missing, changed or cannot be read.
    """
    path = content_path(store, sha256)
    content, state = _look(path, sha256, size)
    if state:
        raise StoreLossError(f"attached file {path} is {state}; {ASTRAY}", path=store)
    return content


def astray(connection: sqlite3.Connection, store: Path, progress: Progress = no_progress) -> list[str]:
    """Say of every attached file of a store whose content is not as it was attached what is wrong with it.

    Raises:
        sqlite3.Error: the rows cannot be read.
    """
    return [
        f"attached file {name[:80]!r} ({sha256[:12]}...) is {state}"
        for name, sha256, size in _files(connection, progress)
        if (state := content_state(store, sha256, size))
    ]


def copy_contents(connection: sqlite3.Connection, store: Path, target: Path, progress: Progress = no_progress) -> None:
    """Copy what the rows of a store name to beside another; what is missing or changed is left out.

    Args:
        connection: to the store whose rows count.
        store: beside which the content lies.
        target: the other store.
        progress: told what is being done.

    Raises:
        InputFileError: a file cannot be written.
        StoreError: the folder cannot be made.
        sqlite3.Error: the rows cannot be read.
    """
    if target.parent == store.parent:
        return
    for _, sha256, size in _files(connection, progress):
        if not content_state(store, sha256, size) and content_state(target, sha256, size):
            keep_content(target, read_content(store, sha256, size))


def _files(connection: sqlite3.Connection, progress: Progress) -> Iterator[tuple[str, str, int]]:
    """Yield name, hash and size of each content once, and tell how many of them were seen.

    Where the rows cannot be read there are none to yield: who looks over the rows tells that.
    """
    try:
        if "attachment" not in tables_of(connection):
            return
        rows = connection.execute(_EACH_ONCE).fetchall()
    except sqlite3.DatabaseError:
        return
    for number, row in enumerate(rows):
        progress("reading every attached file", number / len(rows))
        yield row
