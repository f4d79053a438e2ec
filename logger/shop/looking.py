"""What a page asks of the shop's database: its rack, its statistics, what was added; read only, and never for long."""

import threading
import time
from collections.abc import Callable, Mapping
from contextlib import closing
from datetime import UTC, datetime
from typing import Any, Final, TypeVar

import psycopg

from logger.errors import ShopError
from logger.sessions import Begun, Marks, SessionKey
from logger.shop.address import ShopAddress, in_words
from logger.shop.rack import Wanted, rack
from logger.shop.sending import check_versions
from logger.shop.sessions import reading_link
from logger.shop.summary import STATISTICS
from logger.shop.tables import place
from logger.store.news import TABLES

AGAIN_S: Final = 10.0
"""How long the shop is not asked again after it did not answer, seconds: a page must not wait for each question."""

Told = dict[str, Any]
Found = TypeVar("Found")

_SENT: Final = f"""SELECT b.store, b.software, b.login, b.last_seen, m.sent, coalesce(m.rows, 0)
FROM {place("bench")} b
LEFT JOIN (SELECT store, max(at) AS sent, sum(entry)::bigint AS rows FROM {place("mark")} GROUP BY store) m
    USING (store)
ORDER BY b.last_seen DESC"""
_COUNTS: Final = f"""SELECT (SELECT count(*) FROM {place("instrument")} WHERE id <> 'none'),
    (SELECT count(*) FROM {place("session")} WHERE instrument <> 'none'),
    (SELECT coalesce(sum(entry), 0)::bigint FROM {place("mark")} WHERE name = 'reading')"""
_BEGUN: Final = f"""SELECT s.id, s.instrument, s.started_at_ns FROM {place("session")} s
WHERE s.store = %(store)s AND s.instrument <> 'none'
AND NOT EXISTS (SELECT FROM {place("session_purpose")} p WHERE p.store = s.store AND p.session = s.id)"""


class ShopLook:
    """Ask the shop, each time over a connection of its own; any thread may ask, and none waits for the bench.

    Args:
        address: the shop's database; a login that only reads is enough.
        own: the UUID of this bench's own store.
        clock: seconds.
    """

    def __init__(self, address: ShopAddress, *, own: str, clock: Callable[[], float] = time.monotonic) -> None:
        self.address = address
        self.own = own
        self._clock = clock
        self._lock = threading.Lock()
        self._away = ""
        self._again_s = 0.0

    def rack(self, wanted: Wanted) -> tuple[int, list[Told]]:
        """Return how many instruments of all benches are asked for, and a page of them.

        Raises:
            ShopError: the shop does not answer.
        """
        return self._asked(lambda link: rack(link, wanted))

    def statistics(self) -> Told:
        """Return what the shop holds of all benches, as plain JSON values, lengths in mm.

        Raises:
            ShopError: the shop does not answer.
        """
        return self._asked(_statistics)

    def added(self, marks: Mapping[str, Marks]) -> tuple[list[Begun], dict[str, dict[str, int]]]:
        """Return the sessions of other benches with something after the marks, and the marks of now, by store.

        Raises:
            ShopError: the shop does not answer.
        """
        return self._asked(lambda link: _added(link, self.own, marks))

    def _asked(self, work: Callable[[psycopg.Connection], Found]) -> Found:
        with self._lock:
            if self._away and self._clock() < self._again_s:
                raise ShopError(self._away)
        try:
            with closing(reading_link(self.address)) as link:
                check_versions(link, self.address.shown)
                found = work(link)
        except (psycopg.Error, ShopError) as error:
            fault = in_words(error, self.address, doing="read") if isinstance(error, psycopg.Error) else error
            with self._lock:
                self._away, self._again_s = str(fault), self._clock() + AGAIN_S
            raise fault from error
        with self._lock:
            self._away = ""
        return found


def _statistics(link: psycopg.Connection) -> Told:
    with link.transaction():
        link.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        (counts,) = link.execute(_COUNTS).fetchall()
        kinds = link.execute(STATISTICS).fetchall()
        benches = link.execute(_SENT).fetchall()
    return {
        "instruments": counts[0], "sessions": counts[1], "readings": counts[2],
        "kinds": [{"kind": kind, "readings": int(n), "mean_mm": mean, "sd_mm": sd} for kind, n, mean, sd in kinds],
        "benches": [{"store": str(store), "login": login, "software": software, "last_seen": _utc(seen),
                     "last_sent": None if sent is None else _utc(sent), "rows": rows}
                    for store, software, login, seen, sent, rows in benches],
    }  # fmt: skip


def _utc(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="seconds")


def _added(
    link: psycopg.Connection, own: str, marks: Mapping[str, Marks]
) -> tuple[list[Begun], dict[str, dict[str, int]]]:
    now: dict[str, dict[str, int]] = {}
    for store, name, entry in link.execute(f"SELECT store, name, entry FROM {place('mark')} WHERE store <> %s", (own,)):
        if name in TABLES:
            now.setdefault(str(store), {})[name] = entry
    found = []
    for store, sent in now.items():
        found += _added_of(link, store, marks.get(store, {}), sent)
    return found, now


def _added_of(link: psycopg.Connection, store: str, marks: Marks, now: Marks) -> list[Begun]:
    since = [name for name in now if now[name] > marks.get(name, 0)]
    if not since:
        return []
    statement = _BEGUN
    if marks:
        named = " UNION ".join(
            f"SELECT {'id' if name == 'session' else 'session'} FROM {place(name)} "
            f"WHERE store = %(store)s AND entry > %({name})s" for name in since
        )  # fmt: skip
        statement += f" AND s.id IN ({named})"
    rows = link.execute(statement.encode(), {"store": store, **{name: marks.get(name, 0) for name in since}}).fetchall()
    return [Begun(key=SessionKey(store=store, session=one), instrument=neck, started_at_ns=at_ns)
            for one, neck, at_ns in rows]  # fmt: skip
