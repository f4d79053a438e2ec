"""A bench as a process of its own: a store, readings by an invented person, and forwarding to a shop.

    bench_process.py STORE URL READINGS PER_SECOND

Says ``begun`` on standard output, then ``taken`` when every reading is on disk here; goes on forwarding until a line
comes on standard input, and says at the end in JSON how the forwarding stands. It looks for new commits a hundred times
a second, so that a shop that is killed is killed at work.
"""

import json
import sys
import threading
import time
from pathlib import Path

from logger.shop import forward
from logger.shop.address import parse_address
from logger.shop.forward import Forwarder
from logger.store import InstrumentRevision, InstrumentRow, ReadingRow, SessionGauge, SessionRow, Skip, Store, TakeBack


def opening(session: str) -> list[InstrumentRow | InstrumentRevision | SessionRow | SessionGauge]:
    neck = f"neck of {session}"
    return [
        InstrumentRow(id=neck, created_at_ns=0, description="invented"),
        InstrumentRevision(instrument=neck, revision=1, at_ns=0, name=neck, description="invented"),
        SessionRow(id=session, instrument=neck, revision=1, started_at_ns=0, monotonic_ns=0, boot_id="", software="t"),
        SessionGauge(session=session, gauge="caliper", kind="caliper", description="{}", profile="", profile_sha256=""),
    ]


def reading(session: str, sequence: int) -> ReadingRow:
    return ReadingRow(session=session, gauge="caliper", sequence=sequence, kind="slot_width", fret=sequence % 22 + 1,
                      place="bass", value_nm=sequence * 7_919 - 1_000_000, unit="mm", raw=b"%d\r\n" % sequence,
                      status="ok", taken_at_ns=sequence, monotonic_ns=sequence)  # fmt: skip


def measure(store: Store, session: str, readings: int, per_second: float) -> None:
    """Take readings, one in ten taken back and one in twenty features skipped, and return once all are on disk."""
    for row in opening(session):
        store.put(row)
    futures = []
    for sequence in range(1, readings + 1):
        futures.append(store.submit(reading(session, sequence)))
        if sequence % 10 == 0:
            futures.append(store.submit(TakeBack(session=session, number=2 * sequence, gauge="caliper",
                                                 sequence=sequence, at_ns=0, who="me", why="jaws tilted")))  # fmt: skip
        if sequence % 20 == 0:
            futures.append(store.submit(Skip(session=session, number=2 * sequence + 1, kind="slot_width", fret=1,
                                             place="bass", at_ns=0)))  # fmt: skip
        if per_second:
            time.sleep(1 / per_second)
    for future in futures:
        future.result(60)


def main(path: str, url: str, readings: int, per_second: float) -> None:
    forward.LOOK_S = 0.01  # type: ignore[misc]
    with Store.open_or_create(Path(path)) as store:
        forwarder = Forwarder(store.path, parse_address(url), software="a bench under test")
        forwarder.start()
        print("begun", flush=True)
        taking = threading.Thread(target=measure, args=(store, f"s-{store.store_id}", readings, per_second))
        taking.start()
        taking.join()
        print("taken", flush=True)
        sys.stdin.readline()
        left = forwarder.stop()
    print(json.dumps(left.snapshot()), flush=True)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), float(sys.argv[4]))
