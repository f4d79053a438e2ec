"""What goes over the counter of a record: the printed sheet, attached files in and out, and the seal.

Nothing here is shown inside the page but small pictures that this program has drawn itself: files leave as they came,
as downloads.
"""

import tempfile
import threading
from collections import OrderedDict
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from flask import Flask, Response, abort, request

from dashboard import words, words_record
from dashboard.feed import MOST_TEXT, brief
from dashboard.guard import ATTACH, ATTACH_PATH
from dashboard.network import for_whoever_asks
from logger.door import Door, File, QuestionError
from logger.instrument_record import with_pictures
from logger.printing import BusyError, Printer, PrintError
from logger.sheet_choices import AUDIENCES, PAPERS, UNITS

SHEET_CHOICES: Final = {"audience": ("for", AUDIENCES), "unit": ("unit", UNITS), "paper": ("paper", PAPERS)}
"""What is chosen of a printed sheet: as the address names it, and from what; the first where it says nothing."""
MOST_SMALL: Final = 200
"""Small pictures that are remembered, some 40 KB each."""
MOST_NOTE: Final = 600
AT_ONCE: Final = 2
"""Files that are taken at the same time: each is held in memory while it is looked through."""
CHUNK_BYTES: Final = 256 * 1024
GIVEN: Final = ("session", "name", "note", "who")
_PLAIN: Final = "text/plain"


class Papers:
    """The routes between one door and the sheets and files of its records."""

    def __init__(self, door: Door, *, printer: Printer | None = None) -> None:
        self._door = door
        self._printer = printer or Printer()
        self._small: OrderedDict[str, bytes] = OrderedDict()
        self._small_lock = threading.Lock()
        self._taking = threading.BoundedSemaphore(AT_ONCE)

    def register(self, server: Flask) -> None:
        """Add the routes: GET /sheet.pdf, /attached/<sha256> and /attached/<sha256>/small, POST /attach and /seal."""
        server.add_url_rule("/sheet.pdf", "sheet", self._sheet)
        server.add_url_rule("/attached/<sha256>", "attached", self._attached)
        server.add_url_rule("/attached/<sha256>/small", "attached_small", self._shown_small)
        server.add_url_rule(ATTACH_PATH, ATTACH, self._attach, methods=["POST"])
        server.add_url_rule("/seal", "seal", self._seal, methods=["POST"])

    def stop(self) -> None:
        """End what is being printed."""
        self._printer.close()

    # -- sheets ------------------------------------------------------------------------------------------------------

    def _sheet(self) -> Response:
        wanted = request.args
        kind = {name: wanted.get(key, known[0]) for name, (key, known) in SHEET_CHOICES.items()}
        for name, (key, known) in SHEET_CHOICES.items():
            if kind[name] not in known:
                abort(400, words.BAD_CHOICE.format(name=key, known=" or ".join(known), got=brief(kind[name])))
        try:
            told = self._door.ask("record", {"id": wanted.get("id", "")[:MOST_TEXT]})
        except QuestionError as error:
            return _told(404, str(error))
        try:
            shown, pictures = with_pictures(for_whoever_asks(told), self._small_of)
            made = self._printer.sheet(shown, kind, pictures)
        except PrintError as error:
            return _not_printed(error)
        headers = _download(f"quality-check-{kind['audience']}.pdf")
        return Response(made, mimetype="application/pdf", headers=headers)

    def _small_of(self, sha256: str) -> bytes | None:
        """Return a picture small, None where it cannot be drawn; the sheet names it all the same.

        Raises:
            BusyError: too much is being printed.
        """
        try:
            return self._drawn_small(sha256)
        except BusyError:
            raise
        except (QuestionError, PrintError):
            return None

    # -- files -------------------------------------------------------------------------------------------------------

    def _drawn_small(self, sha256: str) -> bytes:
        with self._small_lock:
            if sha256 in self._small:
                self._small.move_to_end(sha256)
                return self._small[sha256]
        file = self._door.open(sha256)
        if not file.small:
            raise QuestionError(words_record.NO_PICTURE.format(name=file.name))
        made = self._printer.small(file.content)
        with self._small_lock:
            self._small[sha256] = made
            while len(self._small) > MOST_SMALL:
                self._small.popitem(last=False)
        return made

    def _shown_small(self, sha256: str) -> Response:
        try:
            made = self._drawn_small(sha256[:MOST_TEXT])
        except QuestionError as error:
            return _told(404, str(error))
        except PrintError as error:
            return _not_printed(error)
        return Response(made, mimetype="image/jpeg", headers={"Cache-Control": "private, max-age=3600"})

    def _attached(self, sha256: str) -> Response:
        try:
            file: File = self._door.open(sha256[:MOST_TEXT])
        except QuestionError as error:
            return _told(404, str(error))
        response = Response(file.content, mimetype=file.media_type, headers={"Cache-Control": "no-store"})
        response.headers.set("Content-Disposition", "attachment", filename=file.name)
        return response

    def _attach(self) -> Response | Mapping[str, Any]:
        if not self._taking.acquire(blocking=False):
            return _told(503, words_record.TAKING, {"Retry-After": "2"})
        try:
            return self._taken({name: request.args.get(name, "")[:MOST_NOTE] for name in GIVEN})
        finally:
            self._taking.release()

    def _taken(self, given: dict[str, str]) -> Response | Mapping[str, Any]:
        with tempfile.TemporaryDirectory(prefix="fretledger-") as folder:
            path = Path(folder) / "file"
            with path.open("wb") as file:
                while chunk := request.stream.read(CHUNK_BYTES):
                    file.write(chunk)
            try:
                return self._door.keep("attach", {**given, "path": str(path)})
            except QuestionError as error:
                return _told(422, str(error))

    # -- seals -------------------------------------------------------------------------------------------------------

    def _seal(self) -> Response | Mapping[str, Any]:
        body = request.get_json()
        session = body.get("session") if isinstance(body, dict) else None
        if not isinstance(session, str):
            abort(400, words_record.NO_SESSION)
        try:
            return self._door.keep("seal", {"session": session[:MOST_TEXT]})
        except QuestionError as error:
            return _told(422, str(error))


def _told(status: int, line: str, headers: Mapping[str, str] | None = None) -> Response:
    return Response(f"{line}\n", status, mimetype=_PLAIN, headers=headers)


def _not_printed(error: PrintError) -> Response:
    line = words_record.NOT_PRINTED.format(why=error)
    return _told(503, line, {"Retry-After": "5"}) if isinstance(error, BusyError) else _told(500, line)


def _download(name: str) -> dict[str, str]:
    return {"Cache-Control": "no-store", "Content-Disposition": f"attachment; filename={name}"}
