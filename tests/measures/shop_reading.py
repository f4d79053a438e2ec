"""Time what a page asks of a shop's PostgreSQL: statistics from the rows and from the summary, and the rack.

    shop_reading.py [--benches 10] [--instruments 1000]

Starts a private PostgreSQL and fills it with so many benches of so many instruments each, every one with a session of
576 readings, 2 in 100 taken back and 1 in 100 reassigned: 5.76 million readings in 10 000 instruments as it stands.
Prints one JSON object: for each question the least, the middle and the largest of its seconds, and whether the summary
says the same as the rows. ``rack`` is the work of SQL alone, seconds of the server's processor for a page of 50, which
do not depend on what else the machine does; ``rack_whole`` by the clock, with the connection of each question.
"""

import argparse
import json
import os
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psycopg

TESTS = Path(__file__).parents[1] / "shop"
sys.path.insert(0, str(TESTS))

from a_shop import Shop, copied, set_up  # noqa: E402
from private_postgres import PrivatePostgres  # noqa: E402

from logger.shop.looking import ShopLook  # noqa: E402
from logger.shop.rack import Wanted, rack  # noqa: E402
from logger.shop.summary import STATISTICS  # noqa: E402

PLAIN = """SELECT coalesce(kind, ''), count(*), (avg(value_nm) / 1000000)::float8,
    (stddev_samp(value_nm) / 1000000)::float8 FROM fretledger.reading_now GROUP BY 1 ORDER BY 1"""
KINDS = "(ARRAY['slot_width', 'tang_thickness', 'barb_span', 'seated_height', 'fret_step', 'crown_height'])"
FILL = f"""
INSERT INTO fretledger.instrument (store, entry, id, created_at_ns, description)
    SELECT %(store)s, n, 'n' || n, 0, '' FROM generate_series(1, %(necks)s) n;
INSERT INTO fretledger.instrument_revision (store, entry, instrument, revision, at_ns, name, description)
    SELECT %(store)s, n, 'n' || n, 1, 0, 'Invented no. ' || n, '' FROM generate_series(1, %(necks)s) n;
INSERT INTO fretledger.session (store, entry, id, instrument, revision, started_at_ns, monotonic_ns, boot_id, software,
    people, note, limits)
    SELECT %(store)s, n, 's' || n, 'n' || n, 1, n::bigint * 1000000000 + %(bench)s, 0, '', '', '', '', ''
    FROM generate_series(1, %(necks)s) n;
INSERT INTO fretledger.session_end (store, entry, session, at_ns, reason)
    SELECT %(store)s, n, 's' || n, n, 'done' FROM generate_series(1, %(necks)s - 10) n;
INSERT INTO fretledger.reading (store, entry, session, gauge, sequence, kind, fret, place, value_nm, unit, raw, status,
    taken_at_ns, monotonic_ns)
    SELECT %(store)s, (n - 1) * 576 + q, 's' || n, 'caliper', q, {KINDS}[q %% 6 + 1], q %% 24, 'bass',
    400000 + (n::bigint * 7919 + q * 104729) %% 900000, 'mm', '', 'ok', n, q
    FROM generate_series(1, %(necks)s) n, generate_series(1, 576) q;
INSERT INTO fretledger.take_back (store, entry, session, number, gauge, sequence, at_ns, who, why)
    SELECT %(store)s, row_number() OVER (), 's' || n, q, 'caliper', q, 0, '', ''
    FROM generate_series(1, %(necks)s) n, generate_series(50, 576, 50) q;
INSERT INTO fretledger.reassignment (store, entry, session, number, gauge, sequence, kind, at_ns, who, why)
    SELECT %(store)s, row_number() OVER (), 's' || n, q, 'caliper', q, 'slot_depth', 0, '', ''
    FROM generate_series(1, %(necks)s) n, generate_series(97, 576, 100) q;
INSERT INTO fretledger.mark (store, name, entry) VALUES (%(store)s, 'reading', %(necks)s * 576);
"""


def fill(shop: Shop, benches: int, necks: int) -> None:
    with shop.owner() as link, psycopg.ClientCursor(link) as cursor:
        for bench in range(benches):
            store = f"00000000-0000-0000-0000-{bench:012d}"
            cursor.execute(
                "INSERT INTO fretledger.bench (store, created_at_ns, software) VALUES (%s, 0, 'measure')", (store,)
            )
            cursor.execute(FILL, {"store": store, "necks": necks, "bench": bench})
        cursor.execute("VACUUM ANALYZE")


def timed(work: Callable[[], Any], times: int = 25) -> list[float]:
    work()
    took_s = []
    for _ in range(times):
        began_s = time.monotonic()
        work()
        took_s.append(time.monotonic() - began_s)
    return [round(one, 4) for one in (min(took_s), statistics.median(took_s), max(took_s))]


def worked(link: psycopg.Connection, work: Callable[[], Any], times: int = 50) -> float:
    """Return the seconds that the server's processor worked for each time."""

    def spent() -> float:
        words = Path(f"/proc/{link.info.backend_pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
        return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")

    work()
    before_s = spent()
    for _ in range(times):
        work()
    return round((spent() - before_s) / times, 4)


def same(link: psycopg.Connection) -> bool:
    rows = "SELECT store, coalesce(kind, ''), count(*), sum(value_nm::numeric), sum(value_nm::numeric * value_nm)"
    rows += " FROM fretledger.reading_now GROUP BY 1, 2 ORDER BY 1, 2"
    kept = "SELECT * FROM fretledger.reading_summary WHERE readings > 0 ORDER BY 1, 2"
    return link.execute(rows).fetchall() == link.execute(kept).fetchall()


def run(shop: Shop) -> dict[str, Any]:
    look = ShopLook(shop.address("looker"), own="")
    questions = {
        "first": Wanted(), "middle": Wanted(start=5000), "last": Wanted(start=9950), "found": Wanted(find="NO. 99"),
        "nothing found": Wanted(find="zebra"), "measuring": Wanted(state="measuring"),
        "ended": Wanted(state="ended"), "unmeasured": Wanted(state="unmeasured"),
    }  # fmt: skip
    with psycopg.connect(shop.url("looker"), autocommit=True) as link:
        return {
            "statistics_of_rows": timed(lambda: link.execute(PLAIN).fetchall(), 3),
            "statistics_of_summary": timed(lambda: link.execute(STATISTICS).fetchall()),
            "statistics_whole": timed(look.statistics),
            "same": same(link),
            "rack": {name: worked(link, lambda one=one: rack(link, one)) for name, one in questions.items()},
            "rack_whole": timed(lambda: look.rack(Wanted())),
            "load": [round(one, 1) for one in os.getloadavg()],
        }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=10)
    parser.add_argument("--instruments", type=int, default=1000, help="of each bench (default 1000)")
    given = parser.parse_args()
    server = PrivatePostgres(flush=False)
    server.start()
    try:
        set_up(server, "empty_shop")
        shop = copied(server, "filled", of="empty_shop")
        began_s = time.monotonic()
        fill(shop, given.benches, given.instruments)
        found = {"filled_seconds": round(time.monotonic() - began_s), **run(shop)}
    finally:
        server.stop()
    print(json.dumps(found, indent=2))
    return 0 if found["same"] else 1


if __name__ == "__main__":
    sys.exit(main())
