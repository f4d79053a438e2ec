"""Files that belong to an instrument or to one of its sessions: photographs, notes, the maker's papers.

Plain functions for a command and for a page alike. Bytes are kept as they came, because they are evidence.
"""

import os
import re
import threading
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.errors import AttachmentError, StoreError
from logger.file_kinds import MOST_BYTES, FileKind, kind_of
from logger.names import MOST_NOTE, text_fault
from logger.plain_file import read_plain
from logger.store import Attachment, AttachmentNote, Store, StoreReader, new_id
from logger.store.attached import FOLDER, content_state, keep_content, read_content

_MOST_NAME: Final = 80
_MOST_WHO: Final = 80
_MOST_CUT: Final = 12
"""The longest ending that is taken off a name; what is longer is no ending but a part of the name."""
_OF_NO_FILE: Final = re.compile(r'[/\\:*?"<>|]')
_DEVICES: Final = re.compile(r"(?:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\..*)?", re.IGNORECASE)
"""Names that are devices on Windows whatever their ending."""
_ONE_AT_A_TIME: Final = threading.Lock()


@dataclass(frozen=True, slots=True, kw_only=True)
class Attached:
    """An attached file as it stands: ``row``, its newest ``note``, by ``who``, and what is wrong with its content."""

    row: Attachment
    who: str
    note: str
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Attaching:
    """What became of a file: its row, whether it is new, whether its note is, and what the person should know."""

    row: Attachment
    new: bool
    noted: bool
    cautions: tuple[str, ...]


def read_attachable(path: Path) -> bytes:
    """Return the content of a file that a person names.

    Raises:
        InputFileError: it is no plain file, or too large.
        AttachmentError: it cannot be read.
    """
    try:
        return read_plain(path, most_bytes=MOST_BYTES)
    except FileNotFoundError as error:
        raise AttachmentError(f"{path}: no such file; give the path of a picture, a PDF or a text") from error
    except OSError as error:
        raise AttachmentError(f"{path}: cannot be read ({error.strerror or error}); give another file") from error


def safe_name(name: str, kind: FileKind | None = None) -> str:
    """Return a name that is one plain file's on every system, with an ending that its kind has.

    Args:
        name: as the file came, from a person's disk or a browser: any text.
        kind: what the content is; None keeps the ending.
    """
    plain = unicodedata.normalize("NFC", re.split(r"[/\\]", name)[-1])
    plain = "".join(one if one.isprintable() and one != "�" else "_" for one in plain)
    named = _OF_NO_FILE.sub("_", plain).strip(" ")
    if kind is not None and named.lstrip(". ").lower() in {one[1:] for one in kind.endings} and named.startswith("."):
        named = ""  # nothing but dots and an ending
    stem, dot, ending = named.strip(" .").rpartition(".")
    if not dot or not stem or len(ending) > _MOST_CUT:
        stem, ending = stem + dot + ending, ""
    if kind is not None and f".{ending.lower()}" not in kind.endings:
        ending = kind.endings[0][1:]
    stem = stem[:_MOST_NAME].strip(" .") or "file"
    if _DEVICES.fullmatch(stem):
        stem = f"_{stem}"
    return f"{stem}.{ending}" if ending else stem


def attach(
    store: Store, content: bytes, *, name: str, instrument: str, session: str | None = None, note: str = "",
    who: str = "", now_ns: int,
) -> Attaching:  # fmt: skip
    """Attach a file to an instrument, or to one of its sessions.

    The content is durable before the row that tells of it. The same file again adds nothing, or another note alone.

    Args:
        store: owned by this process.
        content: all of the file.
        name: as the file came; it is made safe.
        instrument: its id.
        session: one of its sessions, or None for the instrument as a whole.
        note: what it shows; it goes into the sealed record.
        who: who attached it.
        now_ns: UTC wall clock.

    Raises:
        AttachmentError: the content is nothing that is taken, or the note or the person's name does not hold.
        InputFileError: the content cannot be written.
        StoreError: there is no such instrument or session, or the store cannot keep the row.
    """
    note, who = _line(note, "the note", MOST_NOTE), _line(who, "who attached it", _MOST_WHO)
    kind = checked(content, name)
    with _ONE_AT_A_TIME, store.reader() as reader:
        if session is not None and reader.session(session).instrument != instrument:
            raise StoreError(
                f"session {session!r} must measure the instrument {instrument!r}, it measures another; "
                "name another session",
                path=store.path,
            )
        sha256 = keep_content(store.path, content)
        same = (one for one in reader.attachments(instrument) if (one.sha256, one.session) == (sha256, session))
        before = next(same, None)
        row = before or Attachment(
            id=new_id(now_ns, os.urandom(8)), at_ns=now_ns, instrument=instrument, session=session,
            name=safe_name(name, kind), media_type=kind.media_type, size=len(content), sha256=sha256,
            path=f"{FOLDER}/{sha256}",
        )  # fmt: skip
        if before is None:
            store.put(row)
        notes = [one for one in reader.attachment_notes(instrument) if one.attachment == row.id]
        noted = note not in {"", *(one.note for one in notes[-1:])} or (who != "" and not notes)
        if noted:
            store.put(AttachmentNote(attachment=row.id, number=len(notes) + 1, at_ns=now_ns, who=who, note=note))
    return Attaching(row=row, new=before is None, noted=noted, cautions=kind.cautions)


def checked(content: bytes, name: str) -> FileKind:
    """Return what a file is; ``name`` is how it is called where it is refused.

    Raises:
        AttachmentError: it is nothing that is taken.
    """
    try:
        return kind_of(content)
    except AttachmentError as error:
        raise AttachmentError(f"{safe_name(name)}: {error}") from error


def _line(text: str, what: str, most: int) -> str:
    line = text.strip()
    if fault := text_fault(what, line, most=most):
        raise AttachmentError(fault)
    return line


def attachments(reader: StoreReader, instrument: str, *, session: str | None = None) -> list[Attached]:
    """Return the files attached to an instrument, or to one of its sessions, in the order they came.

    Raises:
        StoreError: the store cannot be read.
    """
    notes = {one.attachment: one for one in reader.attachment_notes(instrument)}
    rows: Sequence[Attachment] = reader.attachments(instrument)
    return [_attached(reader.path, row, notes.get(row.id)) for row in rows if session in {None, row.session}]


def _attached(store: Path, row: Attachment, note: AttachmentNote | None) -> Attached:
    state = content_state(store, row.sha256, row.size)
    return Attached(row=row, who=note.who if note else "", note=note.note if note else "", state=state)


def open_attachment(reader: StoreReader, sha256: str) -> tuple[str, str, bytes]:
    """Return name, media type and content of the file that was attached last with that content.

    A page sends it with exactly this type, ``X-Content-Type-Options: nosniff`` and a policy that runs nothing.

    Raises:
        AttachmentError: no file with that content is attached.
        StoreLossError: the content is missing or changed.
    """
    rows = reader.attachments_of_content(sha256)
    if not rows:
        raise AttachmentError(f"no file with the hash {sha256[:64]!r} is attached; list them with record attachments")
    row = rows[-1]
    return row.name, row.media_type, read_content(reader.path, row.sha256, row.size)
