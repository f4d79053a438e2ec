"""Write a file whole or not at all, and only where a person meant it."""

import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from logger.errors import InputFileError


def check_out(path: Path, *, store: Path) -> Path:
    """Return a path that may be written: a plain new file or one to replace.

    Args:
        path: where a person wants a file.
        store: the session store, which is never replaced, nor any file beside it that carries its name.

    Raises:
        InputFileError: the path does not hold.
    """
    told = str(path)
    if any(ord(one) < 32 or ord(one) == 127 for one in told):
        raise InputFileError(f"--out must not hold control characters, got {told!r}; give a plain path")
    folder = path.parent
    if not path.name or not folder.is_dir():
        raise InputFileError(f"--out {told}: must name a file in a folder that exists; create the folder first")
    place = folder.resolve() / path.name
    beside = store.expanduser().resolve()
    if place.parent == beside.parent and place.name.startswith(beside.name):
        raise InputFileError(f"--out {told}: belongs to the session store {beside}; give another name")
    try:
        found = place.lstat().st_mode
    except FileNotFoundError:
        return place
    except OSError as error:
        raise InputFileError(f"--out {told}: cannot be written ({error.strerror}); give another name") from error
    if not stat.S_ISREG(found):
        raise InputFileError(f"--out {told}: is a link, a folder or a device, not a file; give another name")
    return place


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a path to write to; it takes the place of ``path`` once all is on disk, and is removed if anything fails.

    Raises:
        InputFileError: the folder or the file cannot be written.
    """
    part = path.parent / f".{secrets.token_hex(8)}.part"
    try:
        part.open("xb").close()
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise InputFileError(
            f"{path}: cannot be written ({error.strerror or error}); give a file in a writable folder with space left"
        ) from error
    finally:
        part.unlink(missing_ok=True)
