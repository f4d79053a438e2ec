"""Read a file that is named to this package: a plain one, no larger than is allowed.

The logger has more words for the same in a module of its own, because this package knows nothing of the logger and
loading it loads what speaks to ports.
"""

import errno
import os
import stat
from pathlib import Path
from typing import Final

MOST_TOML: Final = 1_000_000
"""The largest TOML file that is read, bytes."""
MOST_RECORDING: Final = 256_000_000
"""The largest recording that is read, bytes: a gauge that streams 50 times a second for half a day."""
_FLAGS: Final = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)


def read_input(path: Path, *, most_bytes: int) -> bytes:
    """Return the content of a file; a link to one is followed.

    Args:
        path: the file.
        most_bytes: a larger one is refused before it is read.

    Raises:
        OSError: There is none, it cannot be read, is a folder, a pipe or a device, or is too large.
    """
    descriptor = os.open(path, _FLAGS)
    with os.fdopen(descriptor, "rb") as file:
        found = os.fstat(descriptor)
        if not stat.S_ISREG(found.st_mode):
            raise OSError(errno.EINVAL, "a pipe or a device, not a file", str(path))
        content = file.read(most_bytes + 1) if found.st_size <= most_bytes else b""
    if max(found.st_size, len(content)) > most_bytes:
        raise OSError(errno.EFBIG, f"larger than {most_bytes // 1_000_000} MB", str(path))
    return content
