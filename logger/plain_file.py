"""Read a file that must be one: no link, no folder, no device, and no larger than is allowed."""

import errno
import os
import stat
from pathlib import Path
from typing import Final

from logger.errors import InputFileError

# Windows has neither; there a link is seen by asking for the name itself. Waiting for a pipe's other end is refused.
_FLAGS: Final = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
_NOT_PLAIN: Final = "{path}: is a link, a folder or a device, not a file; give the file itself"


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
    try:
        descriptor = os.open(path, _FLAGS)
    except OSError as error:
        if error.errno in {errno.ELOOP, errno.ENXIO}:
            raise InputFileError(_NOT_PLAIN.format(path=path)) from error
        raise
    try:
        found = os.fstat(descriptor)
        if not stat.S_ISREG(found.st_mode):
            raise InputFileError(_NOT_PLAIN.format(path=path))
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
