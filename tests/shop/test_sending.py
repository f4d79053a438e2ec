"""What is sent arrives once, in order, with its content, whatever happens to the connection."""

from contextlib import closing
from pathlib import Path
from typing import Any

import psycopg
import pytest
from a_shop import Shop
from bench_process import measure, opening, reading
from between import Between

from logger.errors import ShopError
from logger.shop.address import connect
from logger.shop.outbox import Outbox
from logger.shop.sending import Sender
from logger.shop.status import compare
from logger.store import InstrumentRow, SessionPurpose, Store, care
from logger.store.tables import TABLES


def send_all(shop: Shop, path: Path, *, port: int | None = None) -> None:
    """Send over one connection until nothing waits."""
    address = shop.address(port=port)
    with Outbox(path) as outbox, closing(connect(address)) as link:
        sender = Sender(link, outbox, address, software="test")
        while outbox.waiting(sender.send()):
            pass


def same_at_both_ends(shop: Shop, path: Path) -> bool:
    return all(one.differs_from is None and one.here == one.there for one in compare(shop.address("looker"), path))


def test_every_row_arrives_with_its_content(shop: Shop, measured: Store):
    send_all(shop, measured.path)

    assert shop.count("reading") == 50
    assert shop.count("take_back") == 5
    assert same_at_both_ends(shop, measured.path)


def test_what_was_sent_is_not_sent_again(shop: Shop, measured: Store):
    send_all(shop, measured.path)
    measured.put(reading("s1", 51))

    with Outbox(measured.path) as outbox, closing(connect(shop.address())) as link:
        marks = Sender(link, outbox, shop.address(), software="test").send()

    assert marks["reading"] == 51
    with shop.owner() as link:
        batches = link.execute("SELECT count(*) FROM fretledger.reading GROUP BY xmin::text").fetchall()
    assert sorted(batches) == [(1,), (50,)]


@pytest.mark.parametrize("moment", ["before", "after"])
def test_a_commit_whose_answer_is_lost_is_neither_lost_nor_done_twice(
    shop: Shop, between: Between, measured: Store, moment: str
):
    between.lose_commit = ""
    address = shop.address(port=between.port)
    with Outbox(measured.path) as outbox, closing(connect(address)) as link:
        sender = Sender(link, outbox, address, software="test")
        between.lose_commit = moment
        with pytest.raises(psycopg.OperationalError):
            sender.send()
    assert between.lost == 1
    assert shop.count() == (0 if moment == "before" else 50)

    send_all(shop, measured.path, port=between.port)

    assert shop.count() == 50
    assert same_at_both_ends(shop, measured.path)


def test_rows_that_are_there_without_their_mark_are_recognised(shop: Shop, measured: Store):
    send_all(shop, measured.path)
    with shop.owner() as link:
        link.execute("ALTER TABLE fretledger.mark DISABLE TRIGGER ALL")
        link.execute("DELETE FROM fretledger.mark")

    send_all(shop, measured.path)

    assert same_at_both_ends(shop, measured.path)


@pytest.mark.parametrize("more", [1, 2])
def test_a_row_that_is_there_with_other_content_stops_in_words(shop: Shop, measured: Store, tmp_path: Path, more: int):
    """A copy of a store goes on by itself: neither of two readings with one key may be dropped without a word."""
    copy = tmp_path / "copy.db"
    measured.close()
    copy.write_bytes(measured.path.read_bytes())
    with Store.open(measured.path) as first, Store.open(copy) as second:
        first.put(reading("s1", 51))
        send_all(shop, first.path)
        for sequence in range(90, 90 + more):
            second.put(reading("s1", sequence))

        with pytest.raises(ShopError, match=r"holds other rows of this store .*put back from an older copy.*--store"):
            send_all(shop, second.path)

    assert shop.count() == 51


def test_two_copies_at_work_at_once_are_told(shop: Shop, measured: Store, tmp_path: Path):
    """A copy keeps the store's id, because it is made to stand in for it; the shop finds when both go on."""
    copy = tmp_path / "copy.db"
    measured.close()
    care.copy(measured.path, copy)
    address = shop.address()
    with (
        Store.open(measured.path) as first,
        Store.open(copy) as second,
        Outbox(first.path) as one,
        Outbox(copy) as other,
        closing(connect(address)) as link,
        closing(connect(address)) as other_link,
    ):
        sender, copied = (Sender(*ends, address, software="t") for ends in ((link, one), (other_link, other)))
        sender.send()
        copied.send()
        first.put(reading("s1", 51))
        second.put(reading("s1", 52))
        sender.send()

        with pytest.raises(ShopError, match="row 51 of reading has other content there"):
            copied.send()


def test_a_key_with_other_content_is_told_when_the_mark_is_gone_too(shop: Shop, measured: Store, tmp_path: Path):
    send_all(shop, measured.path)
    with shop.owner() as link:
        for table in ("mark", "reading"):
            link.execute(f"ALTER TABLE fretledger.{table} DISABLE TRIGGER ALL")
        link.execute("DELETE FROM fretledger.mark")
        link.execute("UPDATE fretledger.reading SET value_nm = 1 WHERE entry = 7")

    with pytest.raises(ShopError, match=r"\(reading \(session 's1', .*sequence 7\) has other content there\)"):
        send_all(shop, measured.path)


def test_a_store_put_back_from_an_older_copy_is_told(shop: Shop, measured: Store, tmp_path: Path):
    copy = tmp_path / "copy.db"
    measured.close()
    copy.write_bytes(measured.path.read_bytes())
    with Store.open(measured.path) as newer:
        newer.put(reading("s1", 51))
        send_all(shop, newer.path)

    with pytest.raises(ShopError, match=r"\(51 rows of reading are there, 50 here\)"):
        send_all(shop, copy)


def test_text_that_postgres_cannot_hold_arrives_and_comes_back(shop: Shop, store: Store):
    hostile = "a\0b\x1a0\x1a\x1ac'; DROP TABLE fretledger.reading; --\t\\N\n😀"
    store.put(InstrumentRow(id=hostile, created_at_ns=1, description="\0"))
    store.put(InstrumentRow(id="\\.", created_at_ns=-(1 << 63), description="x" * 5_000_000))

    send_all(shop, store.path)

    assert same_at_both_ends(shop, store.path)


def test_a_key_too_long_for_the_shop_is_told_and_kept_here(shop: Shop, store: Store):
    name = "".join(chr(0x4E00 + (k * 7919) % 20_000) for k in range(9000))
    store.put(InstrumentRow(id=name, created_at_ns=1, description=""))

    with pytest.raises(psycopg.Error, match="index row"):
        send_all(shop, store.path)

    with Outbox(store.path) as outbox:
        assert outbox.waiting({}) == 1


def test_a_kind_that_the_shop_has_never_heard_of_survives(shop: Shop, store: Store):
    for row in opening("s1"):
        store.put(row)
    store.put(SessionPurpose(session="s1", purpose="a purpose of next year", description="{}"))
    send_all(shop, store.path)

    with shop.owner() as link:
        assert link.execute("SELECT purpose FROM fretledger.session_purpose").fetchall() == [
            ("a purpose of next year",)
        ]


def test_no_row_arrives_before_what_it_refers_to(measured: Store):
    """However small the batches are."""
    with Outbox(measured.path) as outbox:
        marks: dict[str, int] = {}
        there: dict[str, set[Any]] = {table.name: set() for table in TABLES.values()}
        while batch := outbox.take(marks, most=7):
            for table, rows in batch:
                marks[table.name] = int(str(rows[-1][0]))
                there[table.name] |= {row[1:] for row in rows}
            sessions = {row[0] for row in there["session"]}
            sequences = {row[:3] for row in there["reading"]}
            assert {row[0] for row in there["reading"]} <= sessions
            assert {(row[0], row[2], row[3]) for row in there["take_back"]} <= sequences
    assert len(there["reading"]) == 50
    assert len(there["take_back"]) == 5


def test_tables_stand_after_those_they_refer_to(store: Store):
    """What the batches rest on, for tables that are yet to come too."""
    import sqlite3

    order = [table.name for table in TABLES.values()]
    with closing(sqlite3.connect(store.path)) as link:
        for name in order:
            for found in link.execute(f"PRAGMA foreign_key_list({name})"):
                assert order.index(found[2]) <= order.index(name), f"{name} refers to {found[2]}"


def test_two_senders_of_one_store_do_not_get_in_each_others_way(shop: Shop, measured: Store):
    address = shop.address()
    with (
        Outbox(measured.path) as one,
        Outbox(measured.path) as other,
        closing(connect(address)) as first,
        closing(connect(address)) as second,
    ):
        senders = [Sender(first, one, address, software="a"), Sender(second, other, address, software="b")]
        for sequence in range(51, 57):
            measured.put(reading("s1", sequence))
            assert senders[sequence % 2].send()["reading"] == sequence

    assert shop.count() == 56


def test_a_large_backlog_goes_in_small_batches(shop: Shop, store: Store):
    measure(store, "s1", 3000, 0)
    send_all(shop, store.path)

    with shop.owner() as link:
        batches = link.execute(
            "SELECT max(n) FROM (SELECT count(*) AS n FROM fretledger.reading GROUP BY xmin::text) b"
        )
        assert (batches.fetchone() or (0,))[0] <= 1000
    assert same_at_both_ends(shop, store.path)
