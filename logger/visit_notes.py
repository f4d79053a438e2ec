"""Notes of a visit as a person writes them on the page: kept with their time, changed by a newer one, never deleted."""

import json
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from logger.door import Action, Answer
from logger.errors import SessionNotFoundError, StoreError
from logger.kept import utc_text
from logger.names import text_fault
from logger.store import NO_INSTRUMENT, SessionNote, Store, StoreReader

MOST_TEXT: Final = 2000
"""Characters of a note."""
MOST_LINES: Final = 60
MOST_WHO: Final = 80

Told = dict[str, Any]


def standing(rows: Sequence[SessionNote]) -> list[tuple[SessionNote, SessionNote]]:
    """Return the notes that hold, each behind the row in which it was first written, in the order of those."""
    now: dict[int, tuple[SessionNote, SessionNote]] = {}
    first: dict[int, int] = {}
    for one in sorted(rows, key=lambda each: each.number):
        place = one.number if one.replaces is None else first.get(one.replaces, one.number)
        first[one.number] = place
        now[place] = (now[place][0] if place in now else one, one)
    return [pair for _, pair in sorted(now.items()) if pair[1].text]


def notes_json(reader: StoreReader, session: str) -> list[Told]:
    """Return the notes of a session that hold as plain JSON values.

    ``sealed`` tells whether the newest record of the session holds the note as it stands, None where there is none.

    Raises:
        StoreError: the store cannot be read.
    """
    sealed = _sealed(reader, session)
    return [
        {"number": now.number, "at": utc_text(first.at_ns), "who": now.who, "text": now.text,
         "changed": None if now is first else utc_text(now.at_ns), "customer": now.audience == "customer",
         "sealed": None if sealed is None else now.number in sealed}
        for first, now in standing(reader.notes(session))
    ]  # fmt: skip


def _sealed(reader: StoreReader, session: str) -> set[int] | None:
    """Return the numbers of a session's notes in its newest record, None without one."""
    records = reader.records(reader.session(session).instrument)
    newest = next((one for one in reversed(records) if session in json.loads(one.sessions)), None)
    if newest is None:
        return None
    told: Told = next((one for one in json.loads(newest.document)["sessions"] if one["session"]["id"] == session), {})
    return {one["number"] for one in told.get("notes", [])}


def note_fault(text: str) -> str:
    """Return what is wrong with the text of a note, empty where nothing is."""
    lines = text.split("\n")
    if len(text) > MOST_TEXT:
        return f"a note must have at most {MOST_TEXT} characters, got {len(text)}; make two of it"
    if len(lines) > MOST_LINES:
        return f"a note must have at most {MOST_LINES} lines, got {len(lines)}; make two of it"
    return next((fault for line in lines if (fault := text_fault("every line of a note", line, most=MOST_TEXT))), "")


class VisitNotes:
    """Keeps notes of the visits in one store, which this process owns; any thread may ask.

    Args:
        store: where to.
        on_change: told when a note was kept.
    """

    def __init__(self, store: Store, on_change: Callable[[], None]) -> None:
        self._store = store
        self._on_change = on_change
        self._lock = threading.Lock()

    def note(self, action: Action) -> Answer:
        """Keep the note that an action tells; answer once it is on disk.

        Args:
            action: ``session``, ``text`` (empty takes the replaced note away), ``who``, ``customer`` (the customer's
                sheet has it) and, for a note that is changed, ``replaces``, its number.
        """
        text, who = _tidy(str(action.get("text", ""))), str(action.get("who", "")).strip()
        replaces = action.get("replaces")
        fault = note_fault(text) or text_fault("who writes a note", who, most=MOST_WHO)
        if not fault and not text and replaces is None:
            fault = "a note must say something, got nothing; write it first"
        if fault:
            return Answer(done=False, text=fault)
        audience = "customer" if action.get("customer") is True else "shop"
        try:
            with self._lock:
                return self._keep(str(action.get("session", "")), replaces, {"text": text, "who": who,
                                                                              "audience": audience})  # fmt: skip
        except SessionNotFoundError:
            return Answer(done=False, text=f"no session {str(action.get('session'))[:40]!r} in this store")
        except StoreError as error:
            return Answer(done=False, text=str(error))

    def _keep(self, session: str, replaces: object, told: Mapping[str, str]) -> Answer:
        with self._store.reader() as reader:
            if reader.session(session).instrument == NO_INSTRUMENT:
                return Answer(done=False, text="a study measures no instrument: a note belongs to a visit")
            rows = reader.notes(session)
        changed = next((now for _, now in standing(rows) if now.number == replaces), None)
        if replaces is not None and changed is None:
            return Answer(done=False, text="this note was changed or taken away meanwhile; look at it again")
        if changed is not None and all(getattr(changed, name) == value for name, value in told.items()):
            return Answer(done=True, text="it says that already")
        number = max((one.number for one in rows), default=0) + 1
        self._store.put(SessionNote(session=session, number=number, at_ns=time.time_ns(), text=told["text"],
                                    who=told["who"], audience=told["audience"],
                                    replaces=None if changed is None else changed.number))  # fmt: skip
        self._on_change()
        return Answer(done=True, text="the note is kept" if told["text"] else "the note is taken away")


def _tidy(text: str) -> str:
    """Return a text with plain line ends, tabs as blanks, and no blanks at the ends of lines or empty lines around."""
    lines = (line.expandtabs(4).rstrip() for line in text.replace("\r\n", "\n").replace("\r", "\n").split("\n"))
    return "\n".join(lines).strip("\n")
