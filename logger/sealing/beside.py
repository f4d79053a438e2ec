"""Attached files beside a file of records: ``no12.json`` has them in ``no12.attachments``, under names for people.

A name begins with eight digits of the file's hash, so that two of one name stand side by side.
"""

import hashlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.attachments import safe_name
from logger.counted import counted
from logger.errors import InputFileError, RecordError, StoreError
from logger.plain_file import read_plain
from logger.sealing.verify import Sealed
from logger.store.attached import is_hash, read_content
from logger.whole_file import whole_file


@dataclass(frozen=True, slots=True, kw_only=True)
class File:
    """An attached file as a record tells of it: how it is called beside the record, its hash and its size in bytes."""

    name: str
    sha256: str
    size: int


def folder_of(records: Path) -> Path:
    """Return the folder of the files that are attached to what a file of records tells."""
    return records.with_name(f"{records.stem}.attachments")


def files_of(documents: Iterable[Any]) -> list[File]:
    """Return the attached files that sealed documents tell of, each content once.

    Raises:
        RecordError: a document does not tell of them as a record does.
    """
    found: dict[str, File] = {}
    for document in documents:
        listed = document.get("attachments")
        if not isinstance(listed, list):
            raise RecordError("the record's 'attachments' must be a list of objects")
        for one in listed:
            file = _file(one)
            found.setdefault(file.sha256, file)
    return list(found.values())


def _file(values: Any) -> File:
    told = values if isinstance(values, Mapping) else {}
    name, sha256, size = told.get("name"), told.get("sha256"), told.get("size")
    if not isinstance(name, str) or not isinstance(sha256, str) or not isinstance(size, int) or not is_hash(sha256):
        raise RecordError("an attached file of the record must have its name, size and hash")
    return File(name=f"{sha256[:8]}-{safe_name(name)}", sha256=sha256, size=size)


def check_folder(records: Path) -> None:
    """Check, before anything is sealed or written, that no file or link is where the folder of the files would be.

    Raises:
        InputFileError: one is.
    """
    folder = folder_of(records)
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise InputFileError(f"{folder}: must be a folder for the attached files, not a file or a link; move it away")


def write_beside(records: Path, files: Sequence[File], *, store: Path) -> list[str]:
    """Write attached files beside a file of records, and say of those that cannot be why not.

    Args:
        records: the file of records.
        files: which.
        store: the store beside which their content lies.

    Raises:
        InputFileError: the folder or a file cannot be written.
    """
    check_folder(records)
    folder, troubles = folder_of(records), []
    if files:
        try:
            folder.mkdir(exist_ok=True)
        except OSError as error:
            raise InputFileError(f"{folder}: cannot be made ({error.strerror or error}); name another file") from error
    for file in files:
        try:
            content = read_content(store, file.sha256, file.size)
        except StoreError as error:
            troubles.append(str(error))
            continue
        with whole_file(folder / file.name) as part:
            part.write_bytes(content)
    return troubles


def check_beside(records: Path, sealed: Sequence[Sealed]) -> str:
    """Check the attached files beside a file of records and say how many there are, empty where it tells of none.

    Files in their folder that no record tells of are named.

    A file that is not there is said and no fault of the record: the record may travel alone.

    Raises:
        RecordError: a file is not what was sealed.
    """
    files = files_of(one.document for one in sealed)
    folder = folder_of(records)
    if folder.is_symlink():
        raise RecordError(f"{folder} is a link, not a folder: the attached files in it are not looked at")
    missing = [file.name for file in files if not _is_there(folder / file.name, file)]
    unknown = _unknown(folder, {file.name for file in files})
    if not files:
        return unknown
    there = len(files) - len(missing)
    words = f"{there} of {len(files)} attached {'file' if len(files) == 1 else 'files'} beside it, as sealed"
    more = f" and {len(missing) - 5} more" if len(missing) > 5 else ""
    found = f"{words}; not in {folder}: {', '.join(missing[:5])}{more}" if missing else words
    return f"{found}; {unknown}" if unknown else found


def _unknown(folder: Path, known: Collection[str]) -> str:
    """Say which files of a folder no record tells of, empty where there are none.

    Raises:
        RecordError: the folder cannot be read.
    """
    try:
        names = sorted(one.name[:60] for one in folder.iterdir() if one.name not in known)
    except (FileNotFoundError, NotADirectoryError):
        return ""
    except OSError as error:
        raise RecordError(f"folder {folder} cannot be read ({error.strerror or error})") from error
    more = f" and {len(names) - 5} more" if len(names) > 5 else ""
    verb = "is" if len(names) == 1 else "are"
    return (
        f"{counted(len(names), 'file')} beside it {verb} not in the record: {', '.join(names[:5])}{more}"
        if names
        else ""
    )


def _is_there(path: Path, file: File) -> bool:
    """Tell whether a file lies there.

    Raises:
        RecordError: what lies there is not what was sealed.
    """
    try:
        content = read_plain(path, most_bytes=file.size)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except InputFileError as error:
        raise RecordError(f"attached file {path} is not what was sealed: {error}") from error
    except OSError as error:
        raise RecordError(f"attached file {path} cannot be read ({error.strerror or error})") from error
    if hashlib.sha256(content).hexdigest() != file.sha256:
        raise RecordError(f"attached file {path} is not what was sealed: its content was changed")
    return True
