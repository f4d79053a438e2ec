"""A bench may append, a reader may read, nobody may change or delete, and no mark goes back."""

import psycopg
import pytest
from a_shop import Shop
from psycopg import errors
from test_sending import send_all

from logger.shop.tables import store_tables
from logger.store import Store

TABLES = [table.name for table in store_tables()]
CHANGES = (
    "UPDATE fretledger.{} SET entry = entry + 1",
    "DELETE FROM fretledger.{}",
    "TRUNCATE fretledger.{}",
    "ALTER TABLE fretledger.{} DISABLE TRIGGER ALL",
    "DROP TABLE fretledger.{}",
)


@pytest.mark.parametrize("login", ["bench_one", "looker"])
def test_no_login_changes_or_deletes(shop: Shop, measured: Store, login: str):
    send_all(shop, measured.path)
    with psycopg.connect(shop.url(login), autocommit=True) as link:
        for table in (*TABLES, "bench", "mark", "migration"):
            for change in CHANGES[1:] if table in {"bench", "migration"} else CHANGES:
                if (table, login, change) == ("mark", "bench_one", CHANGES[0]):
                    continue  # how far it has sent is all that a bench may say anew, see below
                with pytest.raises(errors.InsufficientPrivilege):
                    link.execute(change.format(table))

    assert shop.count() == 50


def test_not_even_the_owner_changes_a_row_by_mistake(shop: Shop, measured: Store):
    send_all(shop, measured.path)
    with shop.owner() as link:
        for table in TABLES:
            for change in CHANGES[:3]:
                with pytest.raises(errors.RaiseException, match=f"append-only: what {table} holds is never changed"):
                    link.execute(change.format(table))
        link.execute("SET session_replication_role = replica")  # which turns ordinary triggers off
        with pytest.raises(errors.RaiseException, match="append-only"):
            link.execute("DELETE FROM fretledger.reading")


def test_a_mark_never_goes_back(shop: Shop, measured: Store):
    send_all(shop, measured.path)
    with psycopg.connect(shop.url(), autocommit=True) as link:
        with pytest.raises(errors.RaiseException, match="the mark of reading never goes back, from 50 to 49"):
            link.execute("UPDATE fretledger.mark SET entry = entry - 1 WHERE name = 'reading'")
        with pytest.raises(errors.InsufficientPrivilege):
            link.execute("UPDATE fretledger.mark SET name = 'x'")
        with pytest.raises(errors.InsufficientPrivilege):
            link.execute("UPDATE fretledger.bench SET store = gen_random_uuid()")


def test_a_reader_reads_everything_and_appends_nothing(shop: Shop, measured: Store):
    send_all(shop, measured.path)
    with psycopg.connect(shop.url("looker"), autocommit=True) as link:
        for table in TABLES:
            link.execute(f"SELECT * FROM fretledger.{table}")
        with pytest.raises(errors.InsufficientPrivilege):
            link.execute("INSERT INTO fretledger.skip SELECT * FROM fretledger.skip")


def test_a_stranger_sees_nothing(shop: Shop):
    with shop.owner() as link:
        link.execute(f"CREATE ROLE stranger_of_{shop.name} LOGIN PASSWORD 'x'")
    url = shop.server.url(shop.name, user=f"stranger_of_{shop.name}", password="x")
    with psycopg.connect(url) as link, pytest.raises(errors.InsufficientPrivilege):
        link.execute("SELECT * FROM fretledger.reading")


def test_readings_as_they_stand(shop: Shop, measured: Store):
    """What statistics over all benches ask: reassigned readings under their new feature, none that was taken back."""
    from logger.store import Reassignment

    for number, fret in ((900, 3), (901, 4)):
        measured.put(Reassignment(session="s1", number=number, gauge="caliper", sequence=1, kind="slot_depth",
                                  fret=fret, at_ns=0, who="me", why="wrong slot"))  # fmt: skip
    measured.put(Reassignment(session="s1", number=902, gauge="caliper", sequence=2, at_ns=0, who="me", why="none"))
    send_all(shop, measured.path)

    with psycopg.connect(shop.url("looker"), autocommit=True) as link:
        counts = dict(link.execute("SELECT kind, count(*) FROM fretledger.reading_now GROUP BY kind").fetchall())
        moved = link.execute("SELECT fret, place, value_nm FROM fretledger.reading_now WHERE sequence = 1").fetchall()

    assert counts == {"slot_width": 43, "slot_depth": 1, None: 1}
    assert moved == [(4, None, 7_919 - 1_000_000)]
