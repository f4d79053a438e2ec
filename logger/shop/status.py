"""What the shop holds of every bench, and whether a bench's own store and the shop hold the same."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import psycopg

from logger.errors import ShopError
from logger.shop.address import ShopAddress, connect, in_words
from logger.shop.digest import BLOCK_ROWS, blocks_here, blocks_there, first_difference, whole
from logger.shop.outbox import Outbox
from logger.shop.sending import check_versions, marks_of
from logger.shop.tables import place, store_tables


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchThere:
    """A bench as the shop knows it: its store's UUID, program, login, times (UTC) and rows sent by table."""

    store: str
    software: str
    login: str
    first_seen: datetime
    last_seen: datetime
    sent: dict[str, int]

    @property
    def rows(self) -> int:
        """How many rows it has sent."""
        return sum(self.sent.values())

    def json(self) -> dict[str, Any]:
        """Return it as the command prints it."""
        return {
            "store": self.store, "software": self.software, "login": self.login,
            "first_seen": self.first_seen.isoformat(timespec="seconds"),
            "last_seen": self.last_seen.isoformat(timespec="seconds"), "rows": self.rows,
            "tables": self.sent,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class TableCompared:
    """A table here and at the shop: rows, those that wait, and the hashes over what was sent.

    ``differs_from`` is the first entry of the first block of rows that is not the same at both ends, None if all is.
    """

    name: str
    here: int
    there: int
    waiting: int
    sha256_here: str
    sha256_there: str
    differs_from: int | None

    def json(self) -> dict[str, Any]:
        """Return it as the command prints it."""
        return {
            "table": self.name, "here": self.here, "there": self.there, "waiting": self.waiting,
            "sha256_here": self.sha256_here, "sha256_there": self.sha256_there, "differs_from": self.differs_from,
        }  # fmt: skip


def benches(address: ShopAddress) -> list[BenchThere]:
    """Return every bench that has ever sent to the shop, the one seen last first.

    Raises:
        ShopError: the shop is not set up for this program, or does not answer.
    """
    try:
        with connect(address) as link:
            check_versions(link, address.shown)
            sent: dict[str, dict[str, int]] = {}
            for store, name, entry in link.execute(f"SELECT store, name, entry FROM {place('mark')} ORDER BY name"):
                sent.setdefault(str(store), {})[name] = entry
            rows = link.execute(
                f"SELECT store, software, login, first_seen, last_seen FROM {place('bench')} ORDER BY last_seen DESC"
            ).fetchall()
    except psycopg.Error as error:
        fault = in_words(error, address, doing="read")
        raise fault from error
    return [
        BenchThere(store=str(store), software=software, login=login, first_seen=first, last_seen=last,
                   sent=sent.get(str(store), {}))
        for store, software, login, first, last in rows
    ]  # fmt: skip


def compare(address: ShopAddress, path: Path) -> list[TableCompared]:
    """Compare the store at ``path`` with the shop, table by table, up to where each was sent.

    Raises:
        ShopError: the shop is not set up for this program, does not answer, or has never heard of this store.
        StoreError: the store cannot be read.
    """
    try:
        with Outbox(path) as outbox, connect(address) as link, link.transaction():
            link.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")  # rows and marks of one moment
            check_versions(link, address.shown)
            store, _ = outbox.identity()
            marks = marks_of(link, store)
            if link.execute(f"SELECT FROM {place('bench')} WHERE store = %s", (store,)).fetchone() is None:
                raise ShopError(
                    f"the shop at {address.shown} has never heard of the store {path}; "
                    "start its bench with --shop, or name another store"
                )
            return _compared(outbox, link, store, marks)
    except psycopg.Error as error:
        fault = in_words(error, address, doing="compared with")
        raise fault from error


def _compared(outbox: Outbox, link: psycopg.Connection, store: str, marks: dict[str, int]) -> list[TableCompared]:
    found = []
    for name, last in outbox.last().items():
        table = next(one for one in store_tables() if one.name == name)
        mark = marks.get(name, 0)
        here, there = blocks_here(outbox, table, mark), blocks_there(link, table, store)
        found.append(
            TableCompared(
                name=name,
                here=last,
                there=sum(block.rows for block in there),
                waiting=max(last - mark, 0),
                sha256_here=whole(here),
                sha256_there=whole(there),
                differs_from=first_difference(here, there),
            )
        )
    return found


def benches_lines(shown: str, found: Sequence[BenchThere]) -> list[str]:
    """Return the benches as a table of text."""
    if not found:
        return [f"The shop at {shown} is set up; no bench has sent anything yet."]
    lines = [f"{'store':36}  {'rows':>10}  {'last seen (UTC)':16}  program"]
    lines += [
        f"{one.store}  {sum(one.sent.values()):>10}  {one.last_seen:%Y-%m-%d %H:%M}  {one.software}" for one in found
    ]
    total = sum(sum(one.sent.values()) for one in found)
    return [*lines, f"{len(found)} {'bench' if len(found) == 1 else 'benches'}, {total} rows at {shown}"]


def compared_lines(found: Sequence[TableCompared]) -> list[str]:
    """Return a comparison as a table of text, with what it comes to in the last line."""
    lines = [f"{'table':20}  {'here':>9}  {'there':>9}  {'waiting':>9}  hash (SHA-256)"]
    for one in found:
        same = one.differs_from is None
        said = (
            f"equal {one.sha256_here[:16]}" if same else f"here {one.sha256_here[:16]}, there {one.sha256_there[:16]}"
        )
        lines.append(f"{one.name:20}  {one.here:>9}  {one.there:>9}  {one.waiting:>9}  {said}")
    here, there, waiting = (sum(getattr(one, part) for one in found) for part in ("here", "there", "waiting"))
    lines.append(f"{'all':20}  {here:>9}  {there:>9}  {waiting:>9}")
    differing = [one for one in found if one.differs_from is not None]
    if differing:
        where = ", ".join(
            f"{one.name} between rows {one.differs_from} and {one.differs_from + BLOCK_ROWS - 1}"
            for one in differing
            if one.differs_from is not None
        )
        return [*lines, f"Not the same: {where}. Keep both as they are and find out which was altered."]
    wait = "1 row waits" if waiting == 1 else f"{waiting} rows wait"
    return [*lines, f"The same as far as sent; {wait} here." if waiting else "The same at both ends."]
