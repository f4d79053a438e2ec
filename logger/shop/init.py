"""Set up the shop's database, or bring it up to date: all of it or nothing."""

from collections.abc import Iterator, Mapping, Sequence

import psycopg
from psycopg import errors

from logger.errors import ShopError
from logger.shop import summary
from logger.shop.address import ShopAddress, connect, in_words
from logger.shop.tables import FIRST, SCHEMA, VIEWS, create, place, store_tables
from logger.store.schema import STEPS, Step

SHOP_STEPS: Sequence[Step] = (FIRST, summary.STEP)
"""Migrations of what the shop has beside the store's tables; a step that is released is never edited."""
PARTS: Mapping[str, Sequence[Step]] = {"shop": SHOP_STEPS, "store": STEPS}
"""What is numbered: the shop's own tables, and the store's tables as they stand at the shop."""
_TAKE_TURNS = "SELECT pg_advisory_xact_lock(hashtext('fretledger shop init'))"


def versions(link: psycopg.Connection) -> dict[str, int]:
    """Return the number of the newest migration of each part; 0 for a part, or a shop, that is not there."""
    found = dict.fromkeys(PARTS, 0)
    if link.execute("SELECT to_regclass(%s)", (f"{SCHEMA}.migration",)).fetchone() != (None,):
        found |= dict(link.execute(f"SELECT part, max(number) FROM {place('migration')} GROUP BY part").fetchall())
    return found


def refuse_newer(found: Mapping[str, int], shown: str) -> None:
    """Check that this program knows all that the shop has.

    Raises:
        ShopError: a newer program has set it up.
    """
    for part, number in found.items():
        known = len(PARTS.get(part, ()))
        if number > known:
            raise ShopError(
                f"the shop at {shown} is of version {number} ({part}), this program knows versions up to {known}; "
                "update this program"
            )


def statements(found: Mapping[str, int], present: frozenset[str]) -> Iterator[str]:
    """Yield what leads from the versions ``found``, with the tables ``present``, to this program's."""
    for part, steps in PARTS.items():
        for number, step in enumerate(steps[found[part] :], start=found[part] + 1):
            if part == "shop":
                yield from step.statements
            words = step.words.replace("'", "''")
            yield f"INSERT INTO {place('migration')} (part, number, words) VALUES ('{part}', {number}, '{words}')"
    for table in store_tables():
        if table.name not in present:
            yield from create(table)
    yield from VIEWS
    yield from summary.ANEW


def init(address: ShopAddress) -> dict[str, int]:
    """Set up the database, or add what it lacks, in one transaction; return the versions it was at before.

    Raises:
        ShopError: a newer program has set it up, it does not keep text as UTF-8, or it refuses.
    """
    try:
        with connect(address) as link, link.transaction():
            (encoding,) = link.execute("SHOW server_encoding").fetchone() or ("none",)
            if encoding != "UTF8":
                raise ShopError(
                    f"the shop at {address.shown} must keep text as UTF8, it keeps {encoding}; "
                    "create a database with ENCODING 'UTF8'"
                )
            link.execute(_TAKE_TURNS)
            found = versions(link)
            refuse_newer(found, address.shown)
            for statement in statements(found, _tables(link)):
                link.execute(statement)
            return found
    except errors.InsufficientPrivilege as error:
        raise ShopError(
            f"the shop at {address.shown} could not be set up ({str(error).splitlines()[0]}); "
            "log in as one who owns the database and may create roles"
        ) from error
    except psycopg.Error as error:
        fault = in_words(error, address, doing="set up")
        raise fault from error


def _tables(link: psycopg.Connection) -> frozenset[str]:
    rows = link.execute("SELECT tablename FROM pg_catalog.pg_tables WHERE schemaname = %s", (SCHEMA,)).fetchall()
    return frozenset(name for (name,) in rows)
