"""A page looks at all benches of the shop: the rack, the statistics, and every session judged as at its own bench."""

import threading
from pathlib import Path
from typing import Any

import psycopg
import pytest
from a_shop import Shop, copied
from between import Between
from necks import neck
from private_postgres import PrivatePostgres
from test_sending import send_all

from logger.errors import ShopError
from logger.judgements import Judgements
from logger.judging import judge_session
from logger.looking import Looking
from logger.sessions import SessionKey
from logger.shop.looking import AGAIN_S, ShopLook
from logger.shop.rack import Wanted
from logger.shop.sessions import ShopSessions, reading_link
from logger.store import Store, StoreReader, TakeBack


class Two:
    """Two benches that have sent all to one shop: three necks at the own one, two at the other, one of them worse."""

    def __init__(self, server: PrivatePostgres, folder: Path) -> None:
        self.shop = copied(server, "two_benches", of="empty_shop")
        self.own, self.other = folder / "own.db", folder / "other.db"
        for number in (1, 2, 3):
            neck(folder, self.own, number, wood="plum")
        neck(folder, self.other, 4, name="Ärmel (invented)", proud=5, wood="pear")
        neck(folder, self.other, 5, wood="pear")
        for path in (self.own, self.other):
            send_all(self.shop, path)
        with StoreReader(self.own) as reader:
            self.own_id = reader.store_id()
        with StoreReader(self.other) as reader:
            self.other_id = reader.store_id()

    def look(self, **more: Any) -> ShopLook:
        return ShopLook(self.shop.address("looker"), own=self.own_id, **more)

    def looking(self, look: ShopLook) -> Looking:
        return Looking(self.own, current="", judgements=Judgements(self.own, shop=look))


@pytest.fixture(scope="module")
def two(server: PrivatePostgres, tmp_path_factory: pytest.TempPathFactory) -> Two:
    return Two(server, tmp_path_factory.mktemp("two"))


def test_the_rack_of_the_shop_names_the_bench_of_every_row(two: Two):
    told = two.looking(two.look()).ask("rack", {"where": "shop"})

    assert told["of"] == 5
    assert told["away"] == ""
    assert {(one["name"], one["bench"]["own"]) for one in told["instruments"]} == {
        ("no. 1 (invented)", True), ("no. 2 (invented)", True), ("no. 3 (invented)", True),
        ("Ärmel (invented)", False), ("no. 5 (invented)", False),
    }  # fmt: skip
    assert {one["bench"]["name"] for one in told["instruments"]} == {"bench_one"}
    assert [one["sessions"][0]["readings"] for one in told["instruments"]] == [51] * 5
    starts = [one["sessions"][0]["started_at"] for one in told["instruments"]]
    assert starts == sorted(starts, reverse=True)


def test_the_rack_of_one_bench_is_the_same_at_the_shop(two: Two):
    """Newest first with the same visits, wherever it is read."""
    here = two.looking(two.look()).ask("rack", {})["instruments"]
    there = two.looking(two.look()).ask("rack", {"where": "shop"})["instruments"]

    own = [one | {"instrument": one["instrument"].split("/")[1]} for one in there if one.pop("bench")["own"]]
    assert own == here


@pytest.mark.parametrize(
    ("wanted", "names"),
    [
        (Wanted(find="äRM"), ["Ärmel (invented)"]),
        (Wanted(find="100%"), []),
        (Wanted(find="no. ", start=3), ["no. 1 (invented)"]),
        (Wanted(state="measuring"), []),
        (Wanted(state="unmeasured"), []),
        (Wanted(state="ended", start=1, most=1), ["Ärmel (invented)"]),
        (Wanted(among=[]), []),
    ],
)
def test_the_rack_is_searched_filtered_and_paged(two: Two, wanted: Wanted, names: list[str]):
    _, found = two.look().rack(wanted)

    assert [one["name"] for one in found] == names


def test_statistics_of_the_shop_are_those_of_its_rows(two: Two):
    told = two.look().statistics()

    assert (told["instruments"], told["sessions"], told["readings"]) == (5, 5, 5 * 51)
    kinds = {one["kind"]: one for one in told["kinds"]}
    assert kinds["slot_width"] == {"kind": "slot_width", "readings": 120, "mean_mm": pytest.approx(0.58), "sd_mm": 0}
    # by hand: 5 of 120 heights stand 0.2 mm over 1.1 mm
    assert kinds["seated_height"]["mean_mm"] == pytest.approx(1.1 + 5 * 0.2 / 120)
    assert {one["store"] for one in told["benches"]} == {two.own_id, two.other_id}
    assert all(one["last_sent"] for one in told["benches"])


def test_a_session_is_judged_at_the_shop_as_at_its_bench(two: Two):
    there = ShopSessions(two.shop.address("looker"))
    with StoreReader(two.other) as reader:
        for row in reader.sessions():
            at_the_bench = judge_session(reader, SessionKey(store="", session=row.id), again=True)
            key = SessionKey(store=two.other_id, session=row.id)
            at_the_shop = judge_session(there.of(two.other_id), key, again=True)
            assert at_the_bench.checks
            assert (at_the_shop.state, at_the_shop.checks, at_the_shop.visit) == (
                at_the_bench.state, at_the_bench.checks, at_the_bench.visit,
            )  # fmt: skip
    there.close()


def test_what_was_added_is_told_once(two: Two):
    look = two.look()
    first, marks = look.added({})
    again, _ = look.added(marks)
    earlier, _ = look.added({two.other_id: {**marks[two.other_id], "reading": 51}})

    assert {one.key.store for one in first} == {two.other_id}
    assert len(first) == 2
    assert again == []
    assert len(earlier) == 1


def test_all_benches_are_judged_in_the_background(two: Two):
    judgements = Judgements(two.own, background=True, shop=two.look())
    looking = Looking(two.own, current="", judgements=judgements)
    done = threading.Event()
    for _ in range(400):
        told = looking.ask("shop", {"where": "shop"})
        if told["judging"]["judged"] == told["judging"]["of"] == 5:
            break
        done.wait(0.1)
    failed = looking.ask("rack", {"where": "shop", "state": "failed"})
    here = looking.ask("shop", {})
    judgements.close()

    assert told["judging"]["trouble"] == ""
    woods = {one["way"]: (one["bad"], one["of"]) for one in told["lessons"]["proud_ends"]["by"]["wood"]}
    assert woods == {"pear": (5, 32), "plum": (0, 48)}
    assert told["checks"]["proud_end"] == {"fail": 5, "remeasure": 0, "pass": 75}
    assert [one["name"] for one in failed["instruments"]] == ["Ärmel (invented)"]
    assert here["lessons"]["necks"] == 3
    assert here["there"]["instruments"] == 5


def test_a_shop_that_is_away_leaves_the_own_bench(two: Two, between: Between):
    between.cut()
    now = [0.0]
    address = two.shop.address("looker", port=between.port)
    look = ShopLook(address, own=two.own_id, clock=lambda: now[0])
    looking = two.looking(look)
    rack, shop = looking.ask("rack", {"where": "shop"}), looking.ask("shop", {"where": "shop"})

    assert rack["of"] == 3
    assert rack["away"].startswith(f"the shop at {address.shown} could not be read: ")
    assert "\n" not in rack["away"]
    assert "pw of" not in rack["away"]
    assert shop["away"] == rack["away"]
    assert shop["there"] is None
    assert shop["lessons"]["necks"] == 3

    between.mend()
    with pytest.raises(ShopError):  # it is not asked again at once, so that no page waits for every question
        look.statistics()
    now[0] = AGAIN_S + 1
    assert look.statistics()["instruments"] == 5


def test_a_look_gives_up_and_writes_nothing(two: Two):
    with reading_link(two.shop.address("bench_one")) as link:
        with pytest.raises(psycopg.errors.ReadOnlySqlTransaction):
            link.execute("UPDATE fretledger.bench SET software = ''")
        assert link.execute("SHOW statement_timeout").fetchone() == ("3s",)


def test_a_table_that_is_locked_is_given_up_in_words(shop: Shop, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("logger.shop.sessions.LONGEST_MS", 100)
    with shop.owner() as link, link.transaction():
        link.execute("LOCK TABLE fretledger.mark IN ACCESS EXCLUSIVE MODE")
        with pytest.raises(ShopError, match=r"statement timeout\); the shop is busy"):
            ShopLook(shop.address("looker"), own="").statistics()


def test_a_reading_taken_back_at_the_other_bench_is_told(two: Two):
    with Store.open(two.other) as store, store.reader() as reader:
        session = reader.sessions()[0].id
        first = reader.readings(session)[3].row
        _, before = two.look().added({})
        store.put(TakeBack(session=session, number=900, gauge=first.gauge, sequence=first.sequence, at_ns=0, who="",
                           why="slipped"))  # fmt: skip
        send_all(two.shop, two.other)
        found, _ = two.look().added(before)

    assert [one.key for one in found] == [SessionKey(store=two.other_id, session=session)]
