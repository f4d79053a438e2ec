"""All instruments of all benches, a page at a time: like `logger.store.rack`, where the shop's rows lie.

The order of commits is a bench's own, so that instruments stand by when their newest visit was begun.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import psycopg

from logger.shop.summary import RACK, VISIT
from logger.shop.tables import SCHEMA, place
from logger.shop.text import from_shop, to_shop

_STATES: Final = {
    "": "", "measuring": " AND c.session IS NOT NULL AND NOT c.ended", "ended": " AND c.ended",
    "unmeasured": " AND c.session IS NULL",
}  # fmt: skip
_AMONG: Final = " AND (c.store, c.session) IN (SELECT * FROM unnest(%(stores)s::uuid[], %(sessions)s::text[]))"
_FIND: Final = f" AND strpos(c.folded, {SCHEMA}.folded(%(find)s::text)) > 0"
_ORDER: Final = "ORDER BY c.started_at_ns DESC NULLS LAST, c.store, c.made DESC"
_PAGE: Final = f"""SELECT c.store, c.instrument, c.name, b.login FROM
    (SELECT c.* FROM {place(RACK)} c WHERE true{{which}} {_ORDER} LIMIT %(most)s OFFSET %(start)s) c
LEFT JOIN {place("bench")} b USING (store) {_ORDER}"""
_VISITS: Final = f"""SELECT s.store, s.instrument, s.id, s.started_at_ns, e.reason, coalesce(v.readings, 0),
    coalesce(v.amended, 0)
FROM (SELECT * FROM unnest(%(stores)s::uuid[], %(necks)s::text[]) AS n (store, instrument)) n
JOIN {place("session")} s ON (s.store, s.instrument) = (n.store, n.instrument)
LEFT JOIN {place("session_end")} e ON (e.store, e.session) = (s.store, s.id)
LEFT JOIN {place(VISIT)} v ON (v.store, v.session) = (s.store, s.id)
ORDER BY s.entry DESC"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What of the rack is asked for.

    Attributes:
        find: part of the name, in any case; empty for all.
        state: ``measuring``, ``ended`` or ``unmeasured``, by the newest visit; empty for all.
        among: the newest visit is one of these, each a store's UUID and a session; None for all.
        start: how many to pass over.
        most: how many to return.
    """

    find: str = ""
    state: str = ""
    among: Sequence[tuple[str, str]] | None = None
    start: int = 0
    most: int = 50


def rack(link: psycopg.Connection, wanted: Wanted) -> tuple[int, list[dict[str, Any]]]:
    """Return how many instruments are asked for, and a page of them, each with its bench and its visits.

    Raises:
        psycopg.Error: the shop does not answer.
    """
    which, bound = _which(wanted)
    with link.transaction():
        link.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        count = link.execute(f"SELECT count(*) FROM {place(RACK)} c WHERE true{which}".encode(), bound).fetchone()
        page = {**bound, "most": wanted.most, "start": wanted.start}
        rows = link.execute(_PAGE.format(which=which).encode(), page).fetchall()
        visits = link.execute(
            _VISITS.encode(), {"stores": [row[0] for row in rows], "necks": [row[1] for row in rows]}
        ).fetchall()
    return int((count or (0,))[0]), [
        {"store": str(store), "instrument": from_shop(neck), "name": from_shop(name), "login": login,
         "visits": [one[2:] for one in visits if one[:2] == (store, neck)]}
        for store, neck, name, login in rows
    ]  # fmt: skip


def _which(wanted: Wanted) -> tuple[str, dict[str, Any]]:
    """Return what narrows the rack down to what is asked for, and its values."""
    which, bound = _STATES[wanted.state], dict[str, Any]()
    if wanted.find:
        which, bound["find"] = which + _FIND, to_shop(wanted.find)
    if wanted.among is not None:
        which += _AMONG
        bound |= {"stores": [one for one, _ in wanted.among], "sessions": [one for _, one in wanted.among]}
    return which, bound
