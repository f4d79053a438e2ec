"""Number, mean and spread of every kind of reading over a whole store.

Rows are never changed and are numbered without a gap, so that what was summed up to a row stays true: it is kept in a
small file beside the store, and only newer rows are read. What was taken back or assigned to another kind since is
taken off by itself, because that may concern a row of any age. The file is a convenience: without it, or where it does
not fit, everything is summed again.
"""

import json
import logging
import math
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from logger.errors import StoreError
from logger.store.connect import open_reader, resolve, store_id_of
from logger.store.faults import in_words
from logger.store.files import Progress, beside, no_progress, replace_text

log = logging.getLogger(__name__)

FORMAT: Final = 1
_AT_ONCE: Final = 200_000
_SUMS: Final = """SELECT coalesce(kind, ''), count(*), sum(value_nm), sum(value_nm * 1e-6 * value_nm * 1e-6)
FROM reading WHERE entry > ? AND entry <= ? GROUP BY kind"""
_AMENDED: Final = """
WITH moved AS (SELECT session, gauge, sequence, max(number) AS number FROM reassignment GROUP BY 1, 2, 3),
amended AS (
    SELECT session, gauge, sequence FROM take_back UNION SELECT session, gauge, sequence FROM reassignment)
SELECT coalesce(r.kind, ''), r.value_nm * 1e-6, CASE
    WHEN EXISTS (SELECT 1 FROM take_back AS t
        WHERE t.session = a.session AND t.gauge = a.gauge AND t.sequence = a.sequence) THEN NULL
    WHEN m.number IS NULL THEN coalesce(r.kind, '')
    ELSE (SELECT coalesce(n.kind, '') FROM reassignment AS n WHERE n.session = a.session AND n.number = m.number) END
FROM amended AS a CROSS JOIN reading AS r USING (session, gauge, sequence)
LEFT JOIN moved AS m USING (session, gauge, sequence)
WHERE r.entry <= ?"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """Of one kind of reading: how many, their mean and the sum of their squared distances from it, mm and mm²."""

    count: int
    mean_mm: float
    squares_mm2: float

    @property
    def sd_mm(self) -> float | None:
        """Standard deviation, None below two readings."""
        return math.sqrt(max(self.squares_mm2, 0.0) / (self.count - 1)) if self.count > 1 else None

    def and_with(self, other: "Total", sign: int = 1) -> "Total":
        """Return the total of both, or with ``sign`` -1 that of what is left without the other.

        Chan, Golub and LeVeque, "Updating formulae and a pairwise algorithm for computing sample variances", 1979 (from
        memory); the second is the first solved for one part.
        """
        count = self.count + sign * other.count
        if count <= 0:
            return NOTHING
        mean = (self.count * self.mean_mm + sign * other.count * other.mean_mm) / count
        away = other.mean_mm - (self.mean_mm if sign > 0 else mean)
        weight = self.count * other.count / count if sign > 0 else count * other.count / self.count
        return Total(
            count=count, mean_mm=mean, squares_mm2=self.squares_mm2 + sign * (other.squares_mm2 + away * away * weight)
        )


NOTHING: Final = Total(count=0, mean_mm=0.0, squares_mm2=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """What all readings come to: ``kinds`` as they stand now ('' for those of no feature).

    ``readings`` counts all that are kept, ``taken_back`` those of them that count no more.
    """

    readings: int
    taken_back: int
    kinds: Mapping[str, Total]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Summed:
    entry: int
    row: str
    kinds: dict[str, Total]


_FRESH: Final = _Summed(entry=0, row="", kinds={})


def totals_path(store: Path) -> Path:
    """Return where the sums of a store lie."""
    return beside(store, ".totals")


def totals(path: Path | str, progress: Progress = no_progress) -> Totals:
    """Sum up every reading of a store, whoever writes it meanwhile, and keep the sums beside it.

    Accuracy: a spread is good to about 1e-13 of the mean squared over its own square, far below a gauge's digit.

    Args:
        path: the store's file.
        progress: told what is being done.

    Raises:
        StoreError: if there is no such store or it cannot be read.
    """
    path = resolve(path)
    with closing(open_reader(path)) as connection:
        try:
            store = store_id_of(connection, path)
            connection.execute("BEGIN")
            known = _known(path, connection, store)
            summed = _follow(connection, known, progress)
            found = _amended(connection, summed)
            connection.execute("ROLLBACK")
        except sqlite3.Error as error:
            fault = in_words(error, path=path, doing="read")
            raise fault from error
    if summed.entry != known.entry:
        _keep(path, store, summed)
    return found


def keep_totals(path: Path | str) -> None:
    """Sum up what is new in a store, so that asking later is quick; where that fails the log says so."""
    try:
        totals(path)
    except StoreError as error:
        log.info("the readings are kept but not summed: %s", error)


def _follow(connection: sqlite3.Connection, known: _Summed, progress: Progress) -> _Summed:
    last = int(connection.execute("SELECT coalesce(max(entry), 0) FROM reading").fetchone()[0])
    kinds = dict(known.kinds)
    for after in range(known.entry, last, _AT_ONCE):
        until = min(after + _AT_ONCE, last)
        for kind, count, sum_nm, sum_mm2 in connection.execute(_SUMS, (after, until)):
            mean = sum_nm / count * 1e-6
            more = Total(count=count, mean_mm=mean, squares_mm2=max(sum_mm2 - count * mean * mean, 0.0))
            kinds[kind] = kinds.get(kind, NOTHING).and_with(more)
        progress("summing readings", until / last)
    return _Summed(entry=last, row=_row(connection, last), kinds=kinds)


def _amended(connection: sqlite3.Connection, summed: _Summed) -> Totals:
    kinds, taken_back = dict(summed.kinds), 0
    off: dict[str, list[float]] = {}
    on: dict[str, list[float]] = {}
    for kind, value_mm, now in connection.execute(_AMENDED, (summed.entry,)):
        off.setdefault(kind, []).append(value_mm)
        if now is None:
            taken_back += 1
        else:
            on.setdefault(now, []).append(value_mm)
    for kind, values in on.items():
        kinds[kind] = kinds.get(kind, NOTHING).and_with(_total(values))
    for kind, values in off.items():
        kinds[kind] = kinds[kind].and_with(_total(values), -1)
    left = {kind: total for kind, total in sorted(kinds.items()) if total.count}
    return Totals(readings=summed.entry, taken_back=taken_back, kinds=left)


def _total(values: Iterable[float]) -> Total:
    held = list(values)
    mean = math.fsum(held) / len(held)
    return Total(count=len(held), mean_mm=mean, squares_mm2=math.fsum((one - mean) ** 2 for one in held))


def _row(connection: sqlite3.Connection, entry: int) -> str:
    """Name the row that sums go up to, so that sums of another file are known as such."""
    return repr(connection.execute("SELECT * FROM reading WHERE entry = ?", (entry,)).fetchone())


def _known(path: Path, connection: sqlite3.Connection, store: str) -> _Summed:
    """Return the sums beside a store, of nothing where there are none or they are not of these rows."""
    try:
        held: Any = json.loads(totals_path(path).read_text(encoding="utf-8"))
        if held["format"] != FORMAT or held["store"] != store:
            return _FRESH
        kinds = {
            str(kind): Total(count=int(count), mean_mm=float(mean), squares_mm2=float(squares))
            for kind, (count, mean, squares) in held["kinds"].items()
        }
        summed = _Summed(entry=int(held["entry"]), row=str(held["row"]), kinds=kinds)
    except FileNotFoundError:
        return _FRESH
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        log.info("the sums beside session store %s are made anew: %s", path, error)
        return _FRESH
    counted = sum(total.count for total in kinds.values())
    return summed if counted == summed.entry and _row(connection, summed.entry) == summed.row else _FRESH


def _keep(path: Path, store: str, summed: _Summed) -> None:
    kinds = {kind: [one.count, one.mean_mm, one.squares_mm2] for kind, one in sorted(summed.kinds.items())}
    held = {"format": FORMAT, "store": store, "entry": summed.entry, "row": summed.row, "kinds": kinds}
    try:
        replace_text(totals_path(path), json.dumps(held, indent=1) + "\n")
    except OSError as error:
        log.info("the sums beside session store %s are not kept: %s", path, error)
