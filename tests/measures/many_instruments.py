"""Time what the store answers when it holds 10 000 instruments, and 100, side by side.

    many_instruments.py --instruments 10000 --few 100 --seed 1

Every instrument has one session of 576 readings, so that 10 000 make 5.76 million. Printed, in milliseconds:

record      everything that is kept of one instrument, by `StoreReader`, with its file out of the system's cache (cold)
rack        50 instruments with name, last session and number of readings, anywhere in the list, asked a second time
statistics  number, mean and spread of each kind of reading, over everything, as `fretledger store totals` says them
anew        the same without the sums that are kept beside the store
opening     the owner opens the store and compares it with its witness
chain       the whole store is hashed, as `fretledger store inspect` does

and the growth of each from few to many. One reading in a hundred is taken back. The stores go into a temporary folder
of 1.5 GB, or --folder, where they are kept and used again.
"""

import argparse
import json
import os
import random
import sqlite3
import statistics
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from logger.store import Store, StoreReader
from logger.store.chain import follow, tables_of
from logger.store.connect import connect_file
from logger.store.totals import totals, totals_path

READINGS = 576
KINDS = ("slot_width", "tang_thickness", "barb_span", "seated_height", "fret_step", "crown_height")
RACK = """
SELECT i.id, r.name, s.id, s.started_at_ns,
    (SELECT count(*) FROM reading WHERE reading.session = s.id)
FROM (SELECT entry, id FROM instrument WHERE entry > ? ORDER BY entry LIMIT 50) AS i
JOIN instrument_revision AS r ON r.instrument = i.id
    AND r.revision = (SELECT max(revision) FROM instrument_revision WHERE instrument = i.id)
LEFT JOIN session AS s ON s.entry = (SELECT max(entry) FROM session WHERE instrument = i.id)
ORDER BY i.entry"""


def rows(instrument: int, rng: random.Random) -> Iterator[tuple[object, ...]]:
    """Yield an invented instrument's readings in the order of the columns."""
    for sequence in range(READINGS):
        yield (
            f"s{instrument:08d}", "caliper", sequence, KINDS[sequence % len(KINDS)], sequence % 24, "bass", None, "1",
            rng.randrange(400_000, 1_300_000), "mm", b"+00.584\r\n", "ok", 10**18 + sequence, 10**15 + sequence,
        )  # fmt: skip


def build(path: Path, instruments: int, seed: int) -> None:
    """Make the store, by the shortest way: without waiting for the disk, yet with every guard."""
    Store.create(path).close()
    rng = random.Random(seed)
    columns = "session, gauge, sequence, kind, fret, place, feet, round, value_nm, unit, raw, status"
    columns += ", taken_at_ns, monotonic_ns"
    insert = f"INSERT INTO reading ({columns}) VALUES ({', '.join('?' * 14)})"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("PRAGMA cache_size = -200000")
        for first in range(0, instruments, 100):
            connection.execute("BEGIN")
            for number in range(first, min(first + 100, instruments)):
                neck, session = f"n{number:08d}", f"s{number:08d}"
                connection.execute("INSERT INTO instrument (id, created_at_ns, description) VALUES (?, 0, '')", (neck,))
                connection.execute(
                    "INSERT INTO instrument_revision (instrument, revision, at_ns, name, description) "
                    "VALUES (?, 1, 0, ?, '')",
                    (neck, f"No. {number}"),
                )
                connection.execute(
                    "INSERT INTO session (id, instrument, revision, started_at_ns, monotonic_ns, boot_id, software, "
                    "people, note, limits) VALUES (?, ?, 1, ?, 0, '', 'measure', '', '', '')",
                    (session, neck, number),
                )
                connection.execute(
                    "INSERT INTO session_gauge (session, gauge, kind, description, profile, profile_sha256) "
                    "VALUES (?, 'caliper', 'caliper', '{}', '', '')",
                    (session,),
                )
                connection.executemany(insert, rows(number, rng))
                taken_back = ((session, nth, nth * 100) for nth in range(READINGS // 100))
                connection.executemany(
                    "INSERT INTO take_back (session, number, gauge, sequence, at_ns, who, why) "
                    "VALUES (?, ?, 'caliper', ?, 0, '', '')",
                    taken_back,
                )
            connection.execute("COMMIT")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def forget(path: Path) -> None:
    """Put the file out of the system's cache, where the system does so."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(descriptor)


@dataclass(frozen=True, slots=True)
class Took:
    """Milliseconds by the clock on the wall, and of work in this process: the first is more on a busy machine."""

    wall: float
    work: float


def timed(work: Callable[[], object]) -> Took:
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return Took((time.perf_counter() - wall) * 1e3, (time.process_time() - cpu) * 1e3)


def middle(all_of: list[Took]) -> Took:
    return Took(statistics.median(one.wall for one in all_of), statistics.median(one.work for one in all_of))


def record(path: Path, number: int) -> None:
    with StoreReader(path) as reader:
        session = reader.last_session(f"n{number:08d}")
        assert session is not None
        reader.instrument_at(session.instrument, session.revision)
        reader.gauges(session.id)
        assert len(reader.readings(session.id)) == READINGS


def rack(connection: sqlite3.Connection, after: int) -> None:
    found = connection.execute(RACK, (after,)).fetchall()
    assert len(found) == 50
    assert {row[4] for row in found} == {READINGS}


def spread(path: Path) -> None:
    """Everything that is kept since the last time is summed; `keep_totals` ran when the last bench was closed."""
    assert sum(total.count for total in totals(path).kinds.values()) > 0


def spread_anew(path: Path) -> None:
    totals_path(path).unlink(missing_ok=True)
    spread(path)


def hash_all(path: Path) -> None:
    with closing(connect_file(path, "ro")) as connection:
        for table in tables_of(connection):
            follow(connection, table)


Samples = dict[str, list[Took]]


def ask(path: Path, instruments: int, rng: random.Random, took: Samples) -> None:
    """Ask each of the quick questions some times and add how long that took."""
    for _ in range(10):
        forget(path)
        took["record"].append(timed(lambda: record(path, rng.randrange(instruments))))
    places = [rng.randrange(instruments - 49) for _ in range(20)]
    with closing(connect_file(path, "ro")) as connection:
        for place in places:
            rack(connection, place)
        took["rack"] += [timed(partial(rack, connection, place)) for place in places]
    took["opening"].append(timed(lambda: Store.open(path).close()))
    took["anew"].append(timed(partial(spread_anew, path)))
    took["statistics"].append(timed(partial(spread, path)))


def run(folder: Path, few: int, many: int, seed: int, rounds: int) -> int:
    paths = {instruments: folder / f"{instruments}.db" for instruments in (few, many)}
    samples: dict[int, Samples] = {instruments: defaultdict(list) for instruments in paths}
    for instruments, path in paths.items():
        if not path.exists():
            build(path, instruments, seed)
        Store.open(path).close()
    rng = random.Random(seed)
    for _ in range(rounds):  # in turns, so that both meet the same machine
        for instruments, path in paths.items():
            ask(path, instruments, rng, samples[instruments])
    for instruments, path in paths.items():
        samples[instruments]["chain"].append(timed(partial(hash_all, path)))
        size = round(path.stat().st_size / (1 << 20))
        print(
            f"{instruments} instruments, {instruments * READINGS} readings, {size} MiB (median ms: wall, work; worst)"
        )
        for name, took in samples[instruments].items():
            one, worst = middle(took), max(each.wall for each in took)
            print(f"  {name:<12} {one.wall:10.2f} {one.work:10.2f} {worst:10.2f}", flush=True)
    growth = {}
    for name in ("record", "rack", "opening"):
        now, then = middle(samples[many][name]), middle(samples[few][name])
        growth[name] = {"wall": round(now.wall / then.wall, 2), "work": round(now.work / then.work, 2)}
    print(json.dumps({"growth": growth}))
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--instruments", type=int, default=10_000)
    parser.add_argument("--few", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=5, help="how often both stores are asked, in turns")
    parser.add_argument("--folder", type=Path, help="where the stores are kept")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        return run(given.folder or Path(temporary), given.few, given.instruments, given.seed, given.rounds)


if __name__ == "__main__":
    sys.exit(main())
