"""All instruments of a store, a page at a time: which there are is decided in SQL, so that a page costs its own rows.

An instrument's visits are its sessions; the newest one says its state.
"""

import json
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from logger.store.tables import Value

STATES: Final = ("measuring", "ended", "unmeasured")
"""The newest visit is open; it has an end; there is none."""
NAME: Final = "(SELECT name FROM instrument_revision WHERE instrument = i.id ORDER BY revision DESC LIMIT 1)"
NEWEST: Final = "(SELECT max(entry) FROM session WHERE instrument = i.id)"
_END: Final = "EXISTS (SELECT 1 FROM session_end WHERE session = s.id)"
_VISIT: Final = f"EXISTS (SELECT 1 FROM session AS s WHERE s.entry = {NEWEST} AND {{that}})"
_OF_STATE: Final = {
    "measuring": _VISIT.format(that=f"NOT {_END}"),
    "ended": _VISIT.format(that=_END),
    "unmeasured": f"{NEWEST} IS NULL",
}
_AMONG: Final = _VISIT.format(that="s.id IN (SELECT value FROM json_each(?))")


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """A session on an instrument; ``ended`` is why it was closed, None while it is open."""

    session: str
    started_at_ns: int
    ended: str | None
    readings: int
    amended: int
    """Take-backs and reassignments: with ``readings`` they tell whether anything was added."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OnRack:
    """An instrument with its newest name and all of its visits, newest first."""

    instrument: str
    name: str
    visits: tuple[Visit, ...]


VISITS: Final = """
SELECT s.id, s.started_at_ns, (SELECT reason FROM session_end WHERE session = s.id),
    (SELECT count(*) FROM reading WHERE session = s.id),
    (SELECT count(*) FROM take_back WHERE session = s.id) + (SELECT count(*) FROM reassignment WHERE session = s.id)
FROM session AS s WHERE s.instrument = ? ORDER BY s.entry DESC"""


def listed(*, find: str, state: str, among: Collection[str] | None) -> tuple[str, list[Value]]:
    """Return what follows SELECT for the instruments that are asked for, and its values.

    Args:
        find: part of the name, in any case; empty for all.
        state: one of `STATES`, or empty for all.
        among: the newest visit is one of these sessions; None for all.
    """
    statement, bound = "FROM instrument AS i WHERE i.id <> 'none'", list[Value]()
    if find:
        statement += f" AND instr(casefold({NAME}), ?) > 0"
        bound.append(find.casefold())
    if state:
        statement += f" AND {_OF_STATE[state]}"
    if among is not None:
        statement += f" AND {_AMONG}"
        bound.append(json.dumps(sorted(among)))
    return statement, bound
