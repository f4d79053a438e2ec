"""Carry snapshots out to the pages and actions back to the bench.

A page gets whole snapshots as server-sent events: the newest always suffices, so that a lost message, a restart
or a sleeping tablet needs no replay. The cells of the neck map are most of a snapshot, and nothing of the last
reading: they follow in an event of their own, ``cells``, in the next pause between readings, and only if they
changed. Named ``ping`` events tell a page that a quiet link is alive.

Source: HTML Living Standard, section 9.2 "Server-sent events".
"""

import itertools
import json
import logging
import reprlib
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

from flask import Flask, Response, abort, request

from dashboard import told_shapes, words
from dashboard.guard import STREAM, refused_stream
from dashboard.network import WELCOME, for_whoever_asks
from logger.door import Answer, Door, QuestionError, Snapshot
from logger.features import NM_PER

GAP_S: Final = 0.04
PING_S: Final = 5.0
RETRY_MS: Final = 1000
CALM_S: Final = 0.02
"""Without news for so long after the last snapshot's `GAP_S`, there is a pause between readings."""
CELLS_S: Final = 1.5
"""How long the cells wait for a pause at most."""
APART_S: Final = 0.3
"""So much later each further page, up to the last of `TURNS`, gets late cells: maps that are all drawn at once hold up
the next reading on a small machine."""
TURNS: Final = 4
LOOK_S: Final = 0.25
"""How long a stream waits before it looks whether its page has gone or the server stops."""

MOST_ACTIONS: Final = 200
MOST_ID: Final = 80
MOST_TEXT: Final = 200
KEYS: Final[Mapping[str, frozenset[str]]] = {
    "typed": frozenset({"text", "unit"}),
    "take_back": frozenset({"gauge", "sequence"}),
    "keep": frozenset({"gauge", "sequence"}),
    "skip": frozenset(),
    "skip_stage": frozenset(),
    "unskip": frozenset({"stage"}),
    "repeat": frozenset(),
    "trigger": frozenset(),
    "example": frozenset(),
    "climate": frozenset({"temperature_c", "humidity_percent"}),
    **told_shapes.KEYS,
}

log = logging.getLogger(__name__)


class Encoder:
    """Write one part of the newest snapshots as JSON, each once however many pages look on."""

    def __init__(self, part: Callable[[Snapshot], Mapping[str, Any]]) -> None:
        self._part = part
        self._lock = threading.Lock()
        self._of: Snapshot | None = None
        self._text = ""

    def text(self, snapshot: Snapshot) -> str:
        """Return the part of a snapshot as one line of JSON.

        Raises:
            ValueError: a number in the snapshot is not finite.
        """
        with self._lock:
            if snapshot is not self._of:
                self._text = _line(self._part(snapshot))
                self._of = snapshot
            return self._text


def _line(told: Mapping[str, Any]) -> str:
    return json.dumps(dict(told), separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _without_cells(snapshot: Snapshot) -> Mapping[str, Any]:
    return {name: told for name, told in snapshot.items() if name != "cells"}


def _cells(snapshot: Snapshot) -> Mapping[str, Any]:
    return {"version": snapshot["version"], "boot": snapshot.get("boot"), "cells": snapshot.get("cells")}


class _Cells:
    """What one page was told of the neck map; ``number`` sets its turn among the pages."""

    def __init__(self, number: int = 0) -> None:
        self._turn = number % TURNS
        self._told: object = None
        self._late_s = 0.0

    def wanted(self, snapshot: Snapshot) -> bool:
        """Tell whether a snapshot's cells are others than the page knows."""
        if snapshot.get("cells") is None or _shown(snapshot) == self._told:
            return False
        self._late_s = self._late_s or time.monotonic() + CELLS_S + APART_S * self._turn
        return True

    @property
    def late(self) -> bool:
        """Tell whether no pause is waited for any more: the page has none yet, or has waited long enough."""
        return self._told is None or time.monotonic() >= self._late_s

    def sent(self, snapshot: Snapshot) -> None:
        """Take note that the page knows these."""
        self._told, self._late_s = _shown(snapshot), 0.0


def _shown(snapshot: Snapshot) -> tuple[object, ...]:
    return snapshot.get("boot"), snapshot.get("store"), snapshot["cells"]


class Feed:
    """The routes between one door and its pages; at most ``most_streams`` event streams at a time."""

    def __init__(self, door: Door, *, most_streams: int) -> None:
        self._door = door
        self._quick = Encoder(_without_cells)
        self._cells = Encoder(_cells)
        self._slots = threading.BoundedSemaphore(most_streams)
        self._stopping = threading.Event()
        self._numbers = itertools.count()

    def register(self, server: Flask) -> None:
        """Add the routes: GET /feed, /snapshot and /look/<what>, and POST /act."""
        server.add_url_rule("/feed", "feed", self._feed)
        server.add_url_rule("/snapshot", "snapshot", self._snapshot)
        server.add_url_rule("/look/<what>", "look", self._look)
        server.add_url_rule("/act", "act", self._act, methods=["POST"])

    def stop(self) -> None:
        """End every stream within `LOOK_S`."""
        self._stopping.set()

    def events(self, gone: Callable[[], bool]) -> Iterator[str]:
        """Yield server-sent events until the page has gone or the server stops."""
        yield f"retry: {RETRY_MS}\n\n"
        seen: int | None = None
        said_s = time.monotonic()
        cells = _Cells(next(self._numbers))
        while not (gone() or self._over()):
            snapshot = self._door.snapshot()
            if snapshot["version"] != seen:
                seen = snapshot["version"]
                yield f"data: {self._quick.text(snapshot)}\n\n"
                said_s = time.monotonic()
                self._stopping.wait(GAP_S)
            elif time.monotonic() - said_s >= PING_S:
                yield "event: ping\ndata: 1\n\n"
                said_s = time.monotonic()
            if cells.wanted(snapshot) and (cells.late or not self._door.wait(snapshot["version"], timeout_s=CALM_S)):
                yield f"event: cells\ndata: {self._cells.text(snapshot)}\n\n"
                cells.sent(snapshot)
            self._door.wait(snapshot["version"], timeout_s=LOOK_S)

    def _over(self) -> bool:
        return self._stopping.is_set() or self._door.closed

    def _feed(self) -> Response:
        if self._over() or not self._slots.acquire(blocking=False):
            return refused_stream(503) or Response(words.BUSY, 503, mimetype="text/plain")
        left = request.environ.get("waitress.client_disconnected", lambda: False)
        welcome = request.environ.get(WELCOME, lambda: True)  # a link to look on may be ended while it is used
        response = Response(
            self.events(lambda: left() or not welcome()),
            mimetype=STREAM,
            headers={"Cache-Control": "no-store"},
        )
        response.call_on_close(self._slots.release)  # also when the page went before the first event
        return response

    def _snapshot(self) -> Response:
        return _json(self._door.snapshot())

    def _look(self, what: str) -> Response:
        wanted = {name: text[:MOST_TEXT] for name, text in request.args.items()}
        try:
            told = self._door.ask(what, wanted)
        except QuestionError as error:
            return Response(f"{error}\n", 404, mimetype="text/plain")
        return _json(for_whoever_asks(told) if what == "record" else told)

    def _act(self) -> Mapping[str, Any]:
        return {"answers": [self._answer(item) for item in _actions(_posted())]}

    def _answer(self, item: Mapping[str, Any]) -> Mapping[str, Any]:
        action = {key: value for key, value in item.items() if key != "id"}
        fault = fault_of(action)
        answer = self._do(item["id"], action) if fault is None else Answer(done=False, text=fault)
        return {"id": item["id"], "done": answer.done, "text": answer.text}

    def _do(self, action_id: str, action: Mapping[str, Any]) -> Answer:
        try:
            return self._door.act(action_id, action)
        except Exception:
            log.exception("action %r failed", action)
            return Answer(done=False, text=words.BENCH_FAILED)


def _json(told: Mapping[str, Any]) -> Response:
    return Response(_line(told), mimetype="application/json", headers={"Cache-Control": "no-store"})


def _posted() -> object:
    """Return the posted JSON; one that is nested deeper than the decoder goes is refused like any other broken one."""
    try:
        return request.get_json()
    except RecursionError:
        abort(400, words.TOO_DEEP)


def _actions(body: object) -> list[dict[str, Any]]:
    """Return the posted actions, each with an id, or refuse the post as a whole before anything is done."""
    if not isinstance(body, list):
        abort(400, words.NOT_A_LIST)
    if len(body) > MOST_ACTIONS:
        abort(400, words.TOO_MANY.format(most=MOST_ACTIONS, got=len(body)))
    for place, item in enumerate(body, start=1):
        name = item.get("id") if isinstance(item, dict) else None
        if not isinstance(name, str) or not 1 <= len(name) <= MOST_ID:
            abort(400, words.NO_ID.format(place=place, most=MOST_ID))
    return body


def fault_of(action: Mapping[str, Any]) -> str | None:
    """Say what is wrong with the shape of an action, or None; what it means is for the bench to judge."""
    do = action.get("do")
    if not isinstance(do, str) or do not in KEYS:
        return words.UNKNOWN_DO.format(known=", ".join(KEYS), got=brief(do))
    unknown = action.keys() - KEYS[do] - {"do"}
    if unknown:
        return words.UNKNOWN_KEYS.format(do=do, keys=", ".join(map(brief, sorted(unknown))))
    if do == "typed":
        return _fault_of_typed(action)
    if do == "climate":
        return _fault_of_climate(action)
    if not isinstance(action.get("stage", ""), str):
        return words.BAD_STAGE
    if do in told_shapes.FAULTS:
        return told_shapes.FAULTS[do](action)
    if do == "keep" or (do == "take_back" and len(action) > 1):
        return _fault_of_reading(action)
    return None


def _fault_of_typed(action: Mapping[str, Any]) -> str | None:
    text, unit = action.get("text"), action.get("unit")
    if not isinstance(text, str) or not 1 <= len(text) <= MOST_TEXT:
        return words.BAD_TEXT.format(most=MOST_TEXT)
    if not isinstance(unit, str) or unit not in NM_PER:
        return words.BAD_UNIT.format(known=", ".join(NM_PER), got=brief(unit))
    return None


def _fault_of_reading(action: Mapping[str, Any]) -> str | None:
    sequence = action.get("sequence")
    named = isinstance(action.get("gauge"), str) and isinstance(sequence, int) and not isinstance(sequence, bool)
    return None if named else words.BAD_READING


def _fault_of_climate(action: Mapping[str, Any]) -> str | None:
    for name in ("temperature_c", "humidity_percent"):
        value = action.get(name)
        if not isinstance(value, int | float) or isinstance(value, bool) or not abs(value) <= sys.float_info.max:
            return words.BAD_CLIMATE.format(name=name, got=brief(value))
    return None


def brief(value: object) -> str:
    """Return what came, short enough for a line."""
    return reprlib.repr(value)[:40]
