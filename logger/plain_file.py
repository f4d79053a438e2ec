"""Read a file that must be one: no folder, no pipe, no device, and no larger than is allowed.

Every file that is named to a command comes through here: a device has no end, and a pipe may never begin.
"""

import errno
import os
import stat
from pathlib import Path
from typing import Final

from logger.errors import InputFileError

# Windows has neither; there a link is seen by asking for the name itself. Waiting for a pipe's other end is refused.
_FLAGS: Final = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
_NO_LINK: Final = getattr(os, "O_NOFOLLOW", 0)
_NOT_PLAIN: Final = "{path}: is a link, a folder or a device, not a file; give the file itself"
_NO_FILE: Final = "{path}: is a folder, a pipe or a device, not a file; give the path of a file"


def read_plain(path: Path, *, most_bytes: int) -> bytes:
    """Return the content of a plain file.

    Args:
        path: the file itself, not a link to it.
        most_bytes: a larger one is refused before it is read.

    Raises:
        InputFileError: it is a link, a folder or a device, or too large.
        OSError: there is none, or it cannot be read.
    """
    if path.is_symlink():
        raise InputFileError(_NOT_PLAIN.format(path=path))
    return _read(path, _FLAGS | _NO_LINK, most_bytes, _NOT_PLAIN)


def read_named(path: Path, *, most_bytes: int) -> bytes:
    """Return the content of a file that a person names, be it by a link to it.

    Args:
        path: the file.
        most_bytes: a larger one is refused before it is read, and one that grows meanwhile is not read further.

    Raises:
        InputFileError: it is a folder, a pipe or a device, or too large.
        OSError: there is none, or it cannot be read.
    """
    return _read(path, _FLAGS, most_bytes, _NO_FILE)


def _read(path: Path, flags: int, most_bytes: int, refusal: str) -> bytes:
    try:
        descriptor = os.open(path, flags)
    except OSError as error:
        if error.errno == errno.ENXIO or (error.errno == errno.ELOOP and flags & _NO_LINK):
            raise InputFileError(refusal.format(path=path)) from error
        raise
    try:
        found = os.fstat(descriptor)
        if not stat.S_ISREG(found.st_mode):
            raise InputFileError(refusal.format(path=path))
        with os.fdopen(descriptor, "rb", closefd=False) as file:
            content = file.read(most_bytes + 1) if found.st_size <= most_bytes else b""
    finally:
        os.close(descriptor)
    size = max(found.st_size, len(content))
    if size > most_bytes:
        raise InputFileError(
            f"{path}: must have at most {size_words(most_bytes)}, got {size_words(size)}; make it smaller"
        )
    return content


def size_words(size: int) -> str:
    """Say a size in bytes as a person says it: ``2.1 MB``, ``14 kB``, ``300 bytes``."""
    if size >= 1_000_000:
        return f"{size / 1e6:.1f} MB"
    return f"{size / 1e3:.0f} kB" if size >= 10_000 else f"{size} bytes"
