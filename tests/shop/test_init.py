"""Setting the shop up, bringing it up to date, and refusing what is newer."""

import threading

import psycopg
import pytest
from a_shop import Shop
from private_postgres import PrivatePostgres
from test_sending import same_at_both_ends, send_all

from logger.errors import ShopError
from logger.shop import init as setting_up
from logger.shop.address import parse_address
from logger.shop.init import SHOP_STEPS, init
from logger.shop.tables import store_tables
from logger.store import Store
from logger.store.schema import STEPS, Step


def emptied(server: PrivatePostgres, name: str, options: str = "") -> str:
    with psycopg.connect(server.url("postgres"), autocommit=True) as link:
        link.execute(f"CREATE DATABASE {name} {options}")
    return server.url(name)


def test_setting_up_twice_changes_nothing(shop: Shop):
    before = init(parse_address(shop.server.url(shop.name)))

    assert before == {"shop": len(SHOP_STEPS), "store": len(STEPS)}
    assert shop.count("migration") == len(SHOP_STEPS) + len(STEPS)


def test_two_who_set_up_at_once_take_turns(server: PrivatePostgres):
    address = parse_address(emptied(server, "at_once"))
    found: list[dict[str, int]] = []
    threads = [threading.Thread(target=lambda: found.append(init(address))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(one["store"] for one in found) == [0, *[len(STEPS)] * 3]


def test_every_table_of_the_store_is_there_with_its_columns_and_its_key(shop: Shop):
    with shop.owner() as link:
        for table in store_tables():
            columns = link.execute(
                "SELECT column_name, is_nullable FROM information_schema.columns "
                "WHERE table_schema = 'fretledger' AND table_name = %s ORDER BY ordinal_position",
                (table.name,),
            ).fetchall()
            optional = [(column.name, "YES" if column.optional else "NO") for column in table.columns]
            assert columns == [("store", "NO"), ("entry", "NO"), *optional]
            keys = {
                found[0]
                for found in link.execute(
                    "SELECT pg_get_constraintdef(oid) FROM pg_constraint "
                    "WHERE conrelid = %s::regclass AND contype = 'u'",
                    (f"fretledger.{table.name}",),
                )
            }
            assert keys == {f"UNIQUE (store, {', '.join(table.key)})"}


def test_a_table_that_the_store_gains_comes_along(
    server: PrivatePostgres, monkeypatch: pytest.MonkeyPatch, measured: Store
):
    """A shop set up by an older program gets what a newer one's store has, and keeps what it holds."""
    late = store_tables()[-1]
    with monkeypatch.context() as older:
        older.setattr(setting_up, "store_tables", lambda: store_tables()[:-1])
        older.setattr(setting_up, "PARTS", {"shop": SHOP_STEPS, "store": STEPS[:-1]})
        init(parse_address(emptied(server, "older")))
    older_shop = Shop(server, "older")
    with pytest.raises(ShopError, match=rf"is of version {len(STEPS) - 1} \(store\).*run `fretledger shop init URL`"):
        send_all(older_shop, measured.path)

    before = init(parse_address(server.url("older")))
    send_all(older_shop, measured.path)

    assert before["store"] == len(STEPS) - 1
    assert older_shop.count(late.name) == 0
    assert older_shop.count() == 50


@pytest.mark.parametrize("part", ["shop", "store", "a part of next year"])
def test_a_newer_shop_is_refused_in_words(shop: Shop, measured: Store, part: str):
    with shop.owner() as link:
        link.execute("INSERT INTO fretledger.migration (part, number, words) VALUES (%s, 99, 'next year')", (part,))

    with pytest.raises(ShopError, match=rf"is of version 99 \({part}\).*up to \d+; update this program"):
        send_all(shop, measured.path)
    with pytest.raises(ShopError, match="update this program"):
        init(parse_address(shop.server.url(shop.name)))


def test_a_step_that_fails_leaves_nothing(server: PrivatePostgres, monkeypatch: pytest.MonkeyPatch):
    url = emptied(server, "fails")
    bad = Step(words="fails", statements=("SELECT 1 / 0",))
    monkeypatch.setattr(setting_up, "PARTS", {"shop": (*SHOP_STEPS, bad), "store": STEPS})

    with pytest.raises(ShopError, match=r"could not be set up .*division by zero"):
        init(parse_address(url))

    with psycopg.connect(url) as link:
        assert link.execute("SELECT to_regnamespace('fretledger')").fetchone() == (None,)


def test_a_database_that_does_not_keep_unicode_is_refused(server: PrivatePostgres):
    url = emptied(server, "latin", "ENCODING 'LATIN1' TEMPLATE template0")

    with pytest.raises(ShopError, match="must keep text as UTF8, it keeps LATIN1"):
        init(parse_address(url))


def test_an_owner_who_is_no_superuser_can_set_it_up(server: PrivatePostgres, measured: Store):
    with psycopg.connect(server.url("postgres"), autocommit=True) as link:
        link.execute("CREATE ROLE shopkeeper LOGIN CREATEROLE PASSWORD 'x'")
    emptied(server, "own", "OWNER shopkeeper")

    init(parse_address(server.url("own", user="shopkeeper", password="x")))
    send_all(Shop(server, "own"), measured.path)

    assert Shop(server, "own").count() == 50


def test_tables_can_be_spread_over_partitions_by_store(server: PrivatePostgres, measured: Store):
    """What a large shop does by hand before its first bench: the same statements of the bench then serve."""
    with psycopg.connect(emptied(server, "parted"), autocommit=True) as link:
        for statement in setting_up.statements(dict.fromkeys(setting_up.PARTS, 0), frozenset()):
            if not statement.startswith('CREATE TABLE fretledger."reading" '):
                link.execute(statement)
                continue
            link.execute(f"{statement} PARTITION BY HASH (store)")
            for n in range(4):
                link.execute(
                    f"CREATE TABLE fretledger.reading_{n} PARTITION OF fretledger.reading "
                    f"FOR VALUES WITH (MODULUS 4, REMAINDER {n})"
                )
    parted = Shop(server, "parted")

    send_all(parted, measured.path)

    assert same_at_both_ends(parted, measured.path)
    with parted.owner() as link:
        kept_in = link.execute("SELECT DISTINCT tableoid::regclass::text FROM fretledger.reading").fetchall()
        assert kept_in[0][0].startswith("fretledger.reading_")
        with pytest.raises(psycopg.errors.RaiseException, match="append-only"):
            link.execute("DELETE FROM fretledger.reading")


def test_a_login_without_rights_is_told(shop: Shop):
    with shop.owner() as link:
        link.execute("DROP SCHEMA fretledger CASCADE")

    with pytest.raises(ShopError, match="log in as one who owns the database and may create roles"):
        init(shop.address())


def test_a_shop_that_is_not_set_up_is_told(server: PrivatePostgres, measured: Store):
    emptied(server, "bare")

    with pytest.raises(ShopError, match="is not set up"):
        send_all(Shop(server, "bare"), measured.path)
