"""Several benches as processes of their own, each with its own store, on one PostgreSQL that is killed meanwhile."""

import json
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from a_shop import Shop
from between import Between
from test_sending import same_at_both_ends

from logger.shop.status import benches

BENCH = Path(__file__).with_name("bench_process.py")
READINGS = 500


class BenchProcess:
    """A bench at work."""

    def __init__(self, path: Path, url: str, *, per_second: float) -> None:
        self.path = path
        command = [sys.executable, str(BENCH), str(path), url, str(READINGS), str(per_second)]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self._line() == "begun"

    def _line(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline().strip()

    def wait_until_taken(self) -> None:
        """Return once every reading is on disk at the bench."""
        assert self._line() == "taken"

    def close(self) -> dict[str, Any]:
        """Close the bench and return how the forwarding stood at the end."""
        left, _ = self._process.communicate("\n", timeout=60)
        assert self._process.returncode == 0
        found: dict[str, Any] = json.loads(left)
        return found

    def kill(self) -> None:
        """End it with signal 9."""
        self._process.kill()
        self._process.communicate()


@pytest.fixture
def work(tmp_path: Path) -> Iterator[Any]:
    """Return a function that starts a bench; all are ended."""
    at_work: list[BenchProcess] = []

    def begin(url: str, *, per_second: float = 0, name: str | None = None) -> BenchProcess:
        path = tmp_path / (name or f"bench{len(at_work)}.db")
        at_work.append(BenchProcess(path, url, per_second=per_second))
        return at_work[-1]

    yield begin
    for one in at_work:
        one.kill()


def all_there(shop: Shop, at_work: list[BenchProcess]) -> bool:
    return all(same_at_both_ends(shop, one.path) for one in at_work)


def test_postgres_killed_again_and_again_loses_nothing_and_doubles_nothing(shop: Shop, work: Any, until: Any):
    moments = random.Random(1)
    at_work = [work(shop.url(), per_second=100) for _ in range(4)]
    for _ in range(3):
        time.sleep(moments.uniform(0.3, 1.2))
        shop.server.kill()
        shop.server.start()
    for one in at_work:
        one.wait_until_taken()
    until(lambda: shop.count() == 4 * READINGS, seconds=40)
    left = [one.close() for one in at_work]

    assert [(one["waiting"], one["connected"]) for one in left] == [(0, True)] * 4
    assert shop.count() == 4 * READINGS
    assert shop.count("take_back") == 4 * READINGS / 10
    assert all_there(shop, at_work)
    assert sorted(one.rows for one in benches(shop.address("looker"))) == [READINGS * 115 / 100 + 4] * 4


def test_a_bench_killed_while_it_sends_goes_on_where_it_was(shop: Shop, work: Any):
    first = work(shop.url(), per_second=400, name="bench.db")
    give_up = time.monotonic() + 60
    while not shop.count() and time.monotonic() < give_up:
        time.sleep(0.02)
    first.kill()
    sent = shop.count()

    again = work(shop.url(), name="bench.db")
    again.wait_until_taken()
    left = again.close()

    assert 0 < sent < READINGS
    assert left["waiting"] == 0
    assert shop.count() == READINGS
    assert all_there(shop, [again])


def test_a_session_taken_wholly_without_the_shop_is_sent_at_the_next_one(shop: Shop, work: Any, between: Between):
    """The bench is closed while it is still cut off: its store is the outbox, across restarts."""
    between.cut()
    alone = work(shop.url(port=between.port), name="bench.db")
    alone.wait_until_taken()
    left = alone.close()
    assert left["waiting"] == READINGS * 115 / 100 + 4
    assert not left["connected"]
    assert shop.count() == 0

    between.mend()
    later = work(shop.url(port=between.port), name="bench.db")
    later.wait_until_taken()
    left = later.close()

    assert (left["waiting"], left["text"]) == (0, "")
    assert all_there(shop, [later])
    assert shop.count() == READINGS
