"""What the shop keeps beside the rows says what the rows say, whatever comes, and nobody's login may write it."""

import random
from pathlib import Path

import psycopg
import pytest
from a_shop import Shop
from bench_process import measure, opening, reading
from psycopg import errors
from test_sending import send_all

from logger.shop.address import parse_address
from logger.shop.init import init
from logger.shop.summary import RACK, STATISTICS, SUMMARY, VISIT
from logger.store import InstrumentRevision, Reassignment, SessionEnd, Store, TakeBack

ROWS = """SELECT store, coalesce(kind, ''), count(*), sum(value_nm::numeric), sum(value_nm::numeric * value_nm)
FROM fretledger.reading_now GROUP BY 1, 2 ORDER BY 1, 2"""
KEPT = f"SELECT * FROM fretledger.{SUMMARY} WHERE readings <> 0 ORDER BY 1, 2"
PLAIN = """SELECT coalesce(kind, ''), count(*), (avg(value_nm) / 1000000)::float8,
(stddev_samp(value_nm) / 1000000)::float8 FROM fretledger.reading_now GROUP BY 1 ORDER BY 1"""
VISITS = """SELECT s.store, s.id,
(SELECT count(*) FROM fretledger.reading r WHERE (r.store, r.session) = (s.store, s.id)),
(SELECT count(*) FROM fretledger.take_back r WHERE (r.store, r.session) = (s.store, s.id))
+ (SELECT count(*) FROM fretledger.reassignment r WHERE (r.store, r.session) = (s.store, s.id))
FROM fretledger.session s ORDER BY 1, 2"""
NEWEST = """SELECT i.store, i.id, (SELECT name FROM fretledger.instrument_revision r
    WHERE (r.store, r.instrument) = (i.store, i.id) ORDER BY revision DESC LIMIT 1),
(SELECT id FROM fretledger.session s WHERE (s.store, s.instrument) = (i.store, i.id) ORDER BY entry DESC LIMIT 1)
FROM fretledger.instrument i WHERE i.id <> 'none' ORDER BY 1, 2"""
WRITES = ("INSERT INTO fretledger.{0} SELECT * FROM fretledger.{0}", "UPDATE fretledger.{0} SET store = store",
          "DELETE FROM fretledger.{0}", "TRUNCATE fretledger.{0}")  # fmt: skip


def same(shop: Shop) -> bool:
    """Tell whether all that is kept is what the rows say."""
    with psycopg.connect(shop.url("looker")) as link:
        pairs = [
            (ROWS, KEPT), (VISITS, f"SELECT * FROM fretledger.{VISIT} ORDER BY 1, 2"),
            (NEWEST, f"SELECT store, instrument, name, session FROM fretledger.{RACK} ORDER BY 1, 2"),
        ]  # fmt: skip
        return all(link.execute(rows).fetchall() == link.execute(kept).fetchall() for rows, kept in pairs)


def amend(store: Store, rng: random.Random, numbers: list[int], last: int) -> None:
    """Take one reading back, or say anew what it is of, as a person at the bench may."""
    numbers[0] += 1
    of = {"session": "s1", "number": 5000 + numbers[0], "gauge": "caliper", "sequence": rng.randint(1, last),
          "at_ns": 0, "who": "me", "why": "a test"}  # fmt: skip
    if rng.random() < 0.4:
        store.put(TakeBack(**of))
    else:
        store.put(Reassignment(**of, kind=rng.choice(["slot_width", "slot_depth", "barb_span", None])))


@pytest.mark.parametrize("seed", [1, 2])
def test_what_is_kept_is_what_the_rows_say(shop: Shop, store: Store, seed: int):
    """Readings are taken back twice, reassigned after that, before that and again, in batches of any size."""
    rng, numbers = random.Random(seed), [0]
    measure(store, "s1", 40, 0)
    for sequence in range(41, 61):
        store.put(reading("s1", sequence))
        for _ in range(rng.randint(0, 4)):
            amend(store, rng, numbers, sequence)
        if rng.random() < 0.4:
            send_all(shop, store.path)
    store.put(SessionEnd(session="s1", at_ns=1, reason="done"))
    send_all(shop, store.path)

    assert same(shop)
    with psycopg.connect(shop.url("looker")) as link:
        assert link.execute(STATISTICS).fetchall() == [
            (kind, n, pytest.approx(mean), sd if sd is None else pytest.approx(sd))
            for kind, n, mean, sd in link.execute(PLAIN)
        ]


def test_a_shop_that_was_full_before_is_counted_once_more(shop: Shop, measured: Store):
    send_all(shop, measured.path)
    with shop.owner() as link:  # as it was before there was a summary
        for table in (SUMMARY, VISIT, RACK):
            link.execute(f"TRUNCATE fretledger.{table}")
    assert not same(shop)

    init(parse_address(shop.server.url(shop.name)))

    assert same(shop)


def test_a_new_name_and_an_end_reach_the_rack(shop: Shop, measured: Store):
    send_all(shop, measured.path)
    neck = "neck of s1"
    measured.put(InstrumentRevision(instrument=neck, revision=2, at_ns=0, name="ÄRMEL", description=""))
    measured.put(SessionEnd(session="s1", at_ns=1, reason="done"))
    send_all(shop, measured.path)

    with psycopg.connect(shop.url("looker")) as link:
        assert link.execute(f"SELECT name, folded, ended FROM fretledger.{RACK}").fetchall() == [
            ("ÄRMEL", "ärmel", True)
        ]


def test_two_benches_are_kept_apart(shop: Shop, measured: Store, tmp_path: Path):
    with Store.create(tmp_path / "other.db") as other:
        for row in opening("s1"):
            other.put(row)
        other.put(reading("s1", 3))
        send_all(shop, other.path)
    send_all(shop, measured.path)

    assert same(shop)
    with psycopg.connect(shop.url("looker")) as link:
        kept = dict(link.execute(f"SELECT store::text, readings FROM fretledger.{SUMMARY}").fetchall())
    assert kept == {measured.store_id: 45, other.store_id: 1}


@pytest.mark.parametrize("login", ["bench_one", "looker"])
def test_no_login_writes_what_is_kept(shop: Shop, measured: Store, login: str):
    send_all(shop, measured.path)
    with psycopg.connect(shop.url(login), autocommit=True) as link:
        for table in (SUMMARY, VISIT, RACK):
            for write in WRITES:
                with pytest.raises(errors.InsufficientPrivilege):
                    link.execute(write.format(table))
