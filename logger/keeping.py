"""What a page asks the bench to keep beside readings: attached files and seals; and the files it asks to see.

It takes seconds, so that it has a way of its own: a reading never waits behind a seal.
"""

import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from logger.attachments import attach, open_attachment, read_attachable
from logger.door import File, QuestionError
from logger.errors import LoggerError, SessionNotFoundError
from logger.instrument_record import SMALLABLE
from logger.sealing import keys
from logger.sealing.seal import check_writable, head_file, seal, write_file
from logger.sealing.told import head_path, sittings_of
from logger.store import Store

Told = dict[str, Any]


class Keeping:
    """Keeps in one store, which this process owns; any thread may ask."""

    def __init__(self, store: Store, *, software: str, folder: Path | None = None) -> None:
        self._store = store
        self._software = software
        self._folder = folder or keys.default_folder()
        self._sealing = threading.Lock()

    def keep(self, what: str, given: Mapping[str, str]) -> Told:
        """Do what a page asks for and return what became of it, as plain JSON values.

        Args:
            what: ``attach`` (the file ``path``, called ``name``, to ``session``, with a ``note`` by ``who``) or
                ``seal`` (the account of the instrument that ``session`` measured).
            given: the texts that belong to it.

        Raises:
            QuestionError: it cannot be done, in words for the person.
        """
        ways = {"attach": self._attach, "seal": self._seal}
        if what not in ways:
            raise QuestionError(f"a page keeps {' or '.join(ways)}, got {what[:40]!r}")
        try:
            return ways[what](given)
        except SessionNotFoundError as error:
            raise QuestionError(f"no session {given.get('session', '')[:40]!r} in this store") from error
        except LoggerError as error:
            raise QuestionError(str(error)) from error

    def open(self, sha256: str) -> File:
        """Return an attached file, checked against its hash.

        Raises:
            QuestionError: no such file is attached, or it is missing or changed.
        """
        try:
            with self._store.reader() as reader:
                name, media_type, content = open_attachment(reader, sha256)
        except LoggerError as error:
            raise QuestionError(str(error)) from error
        return File(name=name, media_type=media_type, content=content, small=media_type in SMALLABLE)

    def _attach(self, given: Mapping[str, str]) -> Told:
        session = given.get("session", "")
        with self._store.reader() as reader:
            instrument = reader.session(session).instrument
        done = attach(
            self._store, read_attachable(Path(given["path"])), name=given.get("name", ""), instrument=instrument,
            session=session, note=given.get("note", ""), who=given.get("who", ""), now_ns=time.time_ns(),
        )  # fmt: skip
        return {
            "name": done.row.name, "size": done.row.size, "new": done.new, "noted": done.noted,
            "cautions": list(done.cautions),
        }  # fmt: skip

    def _seal(self, given: Mapping[str, str]) -> Told:
        with self._sealing:
            with self._store.reader() as reader:
                sittings = sittings_of(reader, given.get("session", ""))
            head = head_path(self._store.path)
            check_writable(head, new=False)
            key = keys.own_key(self._folder, keys.BENCH)
            own = self._folder / keys.CERTIFICATE
            certificate = keys.read_certificate(own, bench=key.public) if own.exists() else None
            now_ns = time.time_ns()
            row, new = seal(
                self._store, sittings, key, certificate=certificate, software=self._software, now_ns=now_ns
            )  # fmt: skip
            with self._store.reader() as reader:
                last = reader.last_record() or row
                reopened = next((one.number for one in reader.records(row.instrument) if one.id == row.names), None)
            write_file(head, head_file(last, key, store_id=self._store.store_id, now_ns=now_ns), new=False)
        return {"number": row.number, "code": keys.short_code(row.sha256), "new": new, "reopens": reopened}
