"""Read the text of a file that a person names, and say in one line why it cannot be read."""

from pathlib import Path
from typing import Final

from logger.errors import InputFileError
from logger.plain_file import read_named

MOST_BYTES: Final = 1_000_000
"""The largest file that is read where nothing else is said, bytes: a person types none of a hundredth of it."""


def input_text(path: Path, error: type[InputFileError], *, what: str, most_bytes: int = MOST_BYTES) -> str:
    """Return the text of a file, UTF-8 with or without a byte order mark, line ends as they are.

    Args:
        path: the file.
        error: class of the error.
        what: what the file is, like ``a TOML file``.
        most_bytes: a larger one is refused.

    Raises:
        InputFileError: the file is missing, no file, too large or no UTF-8 text; raised as the given class.
    """
    try:
        return read_named(path, most_bytes=most_bytes).decode("utf-8-sig")
    except FileNotFoundError as cause:
        raise error(f"{path}: no such file; give the path of {what}") from cause
    except UnicodeDecodeError as cause:
        raise error(f"{path}: is not UTF-8 text; save it as UTF-8 and give {what}") from cause
    except (OSError, InputFileError) as cause:
        if path.is_dir():
            raise error(f"{path}: is a folder, not a file; give the path of {what}") from cause
        if isinstance(cause, InputFileError):
            raise error(str(cause)) from cause
        raise error(f"{path}: cannot be read ({cause.strerror or cause}); give the path of {what}") from cause
