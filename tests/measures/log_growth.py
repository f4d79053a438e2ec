"""How the write-ahead log grows while another program reads without end, and what becomes of it afterwards.

    log_growth.py --readings 5000

Readings are taken one after another, first with nobody reading, then with a reader that stays in one transaction, then
with it gone. Printed: the largest size of the log in each part, in KiB, and what the person was told.
"""

import argparse
import json
import sqlite3
import sys
import tempfile
from contextlib import closing
from pathlib import Path

from kill_the_writer import reading
from witness_cost import OPENING

from logger.store import Store
from logger.store.log_size import log_bytes


def largest(store: Store, first: int, count: int) -> int:
    """Take readings and return the largest size that the log had, KiB."""
    sizes = []
    for sequence in range(first, first + count):
        store.put(reading("s1", sequence))
        sizes.append(log_bytes(store.path))
    return max(sizes) // 1024


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--readings", type=int, default=5000, help="in each of the three parts")
    given = parser.parse_args()
    told: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.db"
        with Store.create(path, on_trouble=lambda text, _: told.append(text)) as store:
            for row in OPENING:
                store.put(row)
            found = {"nobody_reads_KiB": largest(store, 0, given.readings)}
            with closing(sqlite3.connect(path, isolation_level=None)) as stuck:
                stuck.execute("BEGIN")
                stuck.execute("SELECT count(*) FROM reading").fetchone()
                found["stuck_reader_KiB"] = largest(store, given.readings, given.readings)
            largest(store, 2 * given.readings, given.readings)
            found["afterwards_KiB"] = log_bytes(path) // 1024
        print(json.dumps(found | {"readings": given.readings, "told": told}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
