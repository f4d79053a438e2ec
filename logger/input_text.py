"""Read the text of a file that a person names, and say in one line why it cannot be read."""

from pathlib import Path

from logger.errors import InputFileError


def input_text(path: Path, error: type[InputFileError], *, what: str) -> str:
    """Return the text of a file, UTF-8 with or without a byte order mark, line ends as they are.

    Args:
        path: the file.
        error: class of the error.
        what: what the file is, like ``a TOML file``.

    Raises:
        InputFileError: the file is missing, a folder or no UTF-8 text; raised as the given class.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return file.read()
    except FileNotFoundError as cause:
        raise error(f"{path}: no such file; give the path of {what}") from cause
    except UnicodeDecodeError as cause:
        raise error(f"{path}: is not UTF-8 text; save it as UTF-8 and give {what}") from cause
    except OSError as cause:
        if path.is_dir():
            raise error(f"{path}: is a folder, not a file; give the path of {what}") from cause
        raise error(f"{path}: cannot be read ({cause.strerror or cause}); give the path of {what}") from cause
