"""What one shop's PostgreSQL carries, and what forwarding costs a bench. Figures for this machine, with ratios.

    shop_throughput.py [--rows 100000] [--benches 8] [--rounds 8]

Starts a private PostgreSQL that waits for its disk (fsync on), as a shop's would, and prints one JSON object:

* ``catch_up``: one bench with a backlog, rows per second until both ends are the same, and the seconds that
  `shop status --store` then takes to compare both ends' hashes;
* ``together``: several bench processes with a backlog each, at once: rows per second of all;
* ``steady``: the middle and the largest delay from a commit at the bench to its row at the shop, at ten a second;
* ``commit``: microseconds of one durable commit at the bench (middle and 99 in 100), alone and while a backlog is
  forwarded from the same process, round by round in turn, and the ratio of the middles; ``commit_in_memory``: the same
  with the store on a disk in memory, so that what is left is the time of the processor;
* ``statistics``: seconds for count, mean and spread of every kind over all readings at the shop.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import count
from pathlib import Path
from typing import Any

import psycopg

TESTS = Path(__file__).parents[1] / "shop"
sys.path.insert(0, str(TESTS))

from a_shop import Shop, copied, set_up  # noqa: E402
from bench_process import measure, reading  # noqa: E402
from private_postgres import PrivatePostgres  # noqa: E402

from logger.shop.forward import Forwarder  # noqa: E402
from logger.shop.status import compare  # noqa: E402
from logger.store import Store  # noqa: E402

STATISTICS = "SELECT kind, count(*), avg(value_nm), stddev_samp(value_nm) FROM fretledger.reading_now GROUP BY kind"


def backlog(path: Path, readings: int) -> int:
    """Make a store with so many readings and what goes with them; return its rows."""
    with Store.create(path) as store:
        measure(store, f"s-{store.store_id}", readings, 0)
    return readings + readings // 10 + readings // 20 + 4


def until(holds: Callable[[], bool]) -> None:
    while not holds():
        time.sleep(0.02)


def forwarder(store: Store, shop: Shop) -> Forwarder:
    one = Forwarder(store.path, shop.address(), software="measure")
    one.start()
    return one


def sent_all(one: Forwarder) -> bool:
    return one.state.counted and one.state.waiting == 0


def nearly(one: Forwarder) -> bool:
    """Tell whether a backlog is sent but for what was just committed."""
    return one.state.counted and one.state.waiting < 500


def catch_up(shop: Shop, path: Path, rows: int) -> dict[str, Any]:
    with Store.open(path) as store:
        began_s = time.monotonic()
        one = forwarder(store, shop)
        until(lambda: sent_all(one))
        took_s = time.monotonic() - began_s
        one.stop()
    began_s = time.monotonic()
    tables = compare(shop.address("looker"), path)
    compared_s = time.monotonic() - began_s
    return {
        "rows": rows, "seconds": round(took_s, 2), "rows_per_second": round(rows / took_s),
        "equal": all(table.differs_from is None and table.here == table.there for table in tables),
        "status_seconds": round(compared_s, 2),
    }  # fmt: skip


def together(shop: Shop, folder: Path, benches: int, rows: int) -> dict[str, Any]:
    """Let several processes, each with its own store, catch up at once."""
    paths = [folder / f"together{n}.db" for n in range(benches)]
    total = sum(backlog(path, rows // benches) for path in paths)
    command = [sys.executable, str(TESTS / "bench_process.py")]
    running = [
        subprocess.Popen([*command, str(path), shop.url(), "0", "0"], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        for path in paths
    ]
    with shop.owner() as link:
        until(lambda: sent(link) > 0)
        began_s, first = time.monotonic(), sent(link)
        until(lambda: sent(link) == total)
    took_s = time.monotonic() - began_s
    for one in running:
        one.communicate(b"\n")
    return {
        "benches": benches,
        "rows": total,
        "seconds": round(took_s, 2),
        "rows_per_second": round((total - first) / took_s),
    }


def sent(link: psycopg.Connection) -> int:
    """Return how many rows all benches have sent."""
    (rows,) = link.execute("SELECT coalesce(sum(entry), 0)::bigint FROM fretledger.mark").fetchone() or (0,)
    return int(rows)


def steady(shop: Shop, path: Path, readings: int = 100) -> dict[str, Any]:
    """Take ten readings a second and time each from its commit here to its arrival at the shop."""
    committed_s: list[float] = []
    arrived_s: list[float] = []
    with Store.create(path) as store, shop.owner() as link:
        measure(store, "s1", 0, 0)
        one = forwarder(store, shop)
        for sequence in range(1, readings + 1):
            due_s = time.monotonic() + 0.1
            store.put(reading("s1", sequence))
            committed_s.append(time.monotonic())
            while time.monotonic() < due_s:
                time.sleep(0.01)
                note(link, arrived_s)
        until(lambda: note(link, arrived_s) == readings)
        one.stop()
    delays = sorted(there - here for here, there in zip(committed_s, arrived_s, strict=True))
    return {"readings": readings, "middle_seconds": round(statistics.median(delays), 2),
            "largest_seconds": round(delays[-1], 2)}  # fmt: skip


def note(link: psycopg.Connection, arrived_s: list[float]) -> int:
    (rows,) = link.execute("SELECT count(*) FROM fretledger.reading").fetchone() or (0,)
    arrived_s += [time.monotonic()] * (rows - len(arrived_s))
    return int(rows)


def commits(store: Store, numbers: "count[int]", until_done: Callable[[], bool]) -> list[float]:
    """Keep one reading after another and return the seconds that each took."""
    took_s = []
    while not until_done():
        row = reading("s1", next(numbers))
        began_s = time.perf_counter()
        store.put(row)
        took_s.append(time.perf_counter() - began_s)
        time.sleep(0.002)  # a bench takes readings one by one; the thread that forwards gets its turn
    return took_s


def commit_cost(shops: list[Shop], path: Path, backlog_rows: int) -> dict[str, Any]:
    """Time commits alone and while a backlog is forwarded beside them, round by round; each shop is an empty one."""
    alone: list[float] = []
    beside: list[float] = []
    numbers = count(backlog_rows + 1)
    with Store.create(path) as store:
        measure(store, "s1", backlog_rows, 0)
        for shop in shops:
            one = forwarder(store, shop)
            beside += commits(store, numbers, lambda one=one: nearly(one))  # type: ignore[misc]
            one.stop()
            end_s = time.monotonic() + 2
            alone += commits(store, numbers, lambda end_s=end_s: time.monotonic() > end_s)  # type: ignore[misc]

    def microseconds(times_s: list[float], share: float) -> int:
        return round(1e6 * sorted(times_s)[int(share * (len(times_s) - 1))])

    return {
        "alone_us": [microseconds(alone, share) for share in (0.5, 0.99)],
        "forwarding_us": [microseconds(beside, share) for share in (0.5, 0.99)],
        "commits": [len(alone), len(beside)],
        "ratio": round(statistics.median(beside) / statistics.median(alone), 2),
    }


def seconds_of(link: psycopg.Connection, statement: str) -> float:
    began_s = time.monotonic()
    link.execute(statement).fetchall()
    return round(time.monotonic() - began_s, 2)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=100_000, help="readings of the backlog (default 100000)")
    parser.add_argument("--benches", type=int, default=8, help="benches at once (default 8)")
    parser.add_argument("--rounds", type=int, default=8, help="of commits alone and while forwarding (default 8)")
    given = parser.parse_args()
    server = PrivatePostgres(flush=True)
    server.start()
    try:
        set_up(server, "empty_shop")
        with tempfile.TemporaryDirectory() as folder:
            result = run(server, Path(folder), given.rows, given.benches, given.rounds)
    finally:
        server.stop()
    print(json.dumps(result, indent=2))
    return 0 if result["catch_up"]["equal"] else 1


def run(server: PrivatePostgres, folder: Path, readings: int, benches: int, rounds: int) -> dict[str, Any]:
    first = copied(server, "first", of="empty_shop")
    rows = backlog(folder / "catch_up.db", readings)
    found: dict[str, Any] = {"catch_up": catch_up(first, folder / "catch_up.db", rows)}
    with first.owner() as link:
        link.execute("ANALYZE")
        found["statistics"] = {"readings": readings, "seconds": seconds_of(link, STATISTICS)}
    found["together"] = together(copied(server, "together", of="empty_shop"), folder, benches, readings)
    found["steady"] = steady(copied(server, "steady", of="empty_shop"), folder / "steady.db")
    shops = [copied(server, f"cost{n}", of="empty_shop") for n in range(rounds)]
    found["commit"] = commit_cost(shops, folder / "cost.db", readings // 5)
    with tempfile.TemporaryDirectory(dir="/dev/shm") as memory:
        found["commit_in_memory"] = commit_cost(shops, Path(memory) / "cost.db", readings // 5)
    found["load"] = [round(one, 1) for one in os.getloadavg()]
    return found


if __name__ == "__main__":
    sys.exit(main())
