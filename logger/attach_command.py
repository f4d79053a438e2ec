"""What `record attach` and `record attachments` do: files into the store, and what is there of them."""

import argparse
import json
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from logger.attachments import Attached, Attaching, attach, attachments, checked, read_attachable
from logger.cli_arguments import FAILED, OK, store_path
from logger.plain_file import size_words
from logger.sealing.page import plain
from logger.sealing.seal import choose
from logger.store import SessionRow, Store, StoreReader
from logger.store.attached import ASTRAY
from logger.terminal import Terminal


def attach_files(options: argparse.Namespace) -> int:
    """Attach files to an instrument or one of its sessions: all of them, or none where one does not hold."""
    terminal, path = Terminal(), store_path(options)
    contents = [(one, read_attachable(one)) for one in options.files]
    for file, content in contents:
        checked(content, str(file))
    with Store.open(path, on_trouble=terminal.trouble) as store:
        with store.reader() as reader:
            sessions = choose(reader, session=options.session, name=options.instrument)
            name = _name(reader, sessions)
        for file, content in contents:
            done = attach(
                store, content, name=file.name, instrument=sessions[0].instrument, session=options.session,
                note=options.note, who=options.who, now_ns=time.time_ns(),
            )  # fmt: skip
            terminal.say(_attached_line(done, f"session {options.session} of {name}" if options.session else name))
            for caution in done.cautions:
                terminal.note(f"{file}: take care, {caution}")
    return OK


def _name(reader: StoreReader, sessions: Sequence[SessionRow]) -> str:
    return plain(reader.instrument_revisions(sessions[0].instrument)[-1].name)


def _attached_line(done: Attaching, where: str) -> str:
    row = done.row
    what = f"{plain(row.name)} ({row.media_type}, {size_words(row.size)}, SHA-256 {row.sha256})"
    if done.new:
        return f"attached {what} to {where}"
    noted = "the note was added" if done.noted else "nothing was added"
    return f"attached already, {_time(row.at_ns)}: {what} to {where}; {noted}"


def _time(at_ns: int) -> str:
    return f"{datetime.fromtimestamp(at_ns // 10**9, UTC):%Y-%m-%d %H:%M} UTC"


def list_attachments(options: argparse.Namespace) -> int:
    """List an instrument's or a session's attached files, and what is wrong with their content."""
    terminal = Terminal()
    with StoreReader(store_path(options)) as reader:
        sessions = choose(reader, session=options.session, name=options.instrument)
        found = attachments(reader, sessions[0].instrument, session=options.session)
        name = _name(reader, sessions)
    if options.json:
        terminal.say(json.dumps([_json(one) for one in found], ensure_ascii=False))
    else:
        for one in found:
            terminal.say(_line(one))
        if not found:
            terminal.note(f"no file is attached to {name}; record attach does it")
    if any(one.state for one in found):
        terminal.note(f"what to do: {ASTRAY}")
        return FAILED
    return OK


def _line(one: Attached) -> str:
    row = one.row
    said = f'  "{plain(one.note, 500)}"' if one.note else ""
    by = f"  {plain(one.who)}" if one.who else ""
    of = f"  session {plain(row.session)}" if row.session else ""
    state = f"  !! {one.state}" if one.state else ""
    return f"{_time(row.at_ns)}  {plain(row.name)}  {row.media_type}  {size_words(row.size)}{of}{by}{said}{state}"


def _json(one: Attached) -> dict[str, Any]:
    row = one.row
    return {
        "id": row.id, "at_ns": str(row.at_ns), "session": row.session, "name": row.name, "media_type": row.media_type,
        "size": row.size, "sha256": row.sha256, "who": one.who, "note": one.note, "wrong": one.state or None,
    }  # fmt: skip
