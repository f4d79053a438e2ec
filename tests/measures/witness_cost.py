"""What the witness costs: commits with it and without it, side by side, in turns.

    witness_cost.py --rounds 10 --readings 300

``put`` waits for each reading, as a bench does; ``flood`` hands over all at once. Printed: milliseconds for each
reading (median over the rounds), their ratio, and the same for the processor's work.
"""

import argparse
import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from kill_the_writer import reading

from logger.store import InstrumentRevision, InstrumentRow, SessionGauge, SessionRow, Store
from logger.store.witness import WitnessKeeper

OPENING = (
    InstrumentRow(id="neck", created_at_ns=0, description=""),
    InstrumentRevision(instrument="neck", revision=1, at_ns=0, name="test neck", description=""),
    SessionRow(id="s1", instrument="neck", revision=1, started_at_ns=0, monotonic_ns=0, boot_id="", software="test"),
    SessionGauge(session="s1", gauge="caliper", kind="caliper", description="{}", profile="", profile_sha256=""),
)


def put(store: Store, first: int, count: int) -> None:
    for sequence in range(first, first + count):
        store.put(reading("s1", sequence))


def flood(store: Store, first: int, count: int) -> None:
    for future in [store.submit(reading("s1", sequence)) for sequence in range(first, first + count)]:
        future.result()


@contextmanager
def without_witness() -> Iterator[None]:
    true_due = WitnessKeeper.due_in_s
    WitnessKeeper.due_in_s = lambda self: None  # type: ignore[method-assign]
    try:
        yield
    finally:
        WitnessKeeper.due_in_s = true_due  # type: ignore[method-assign]


def timed(folder: Path, way: Callable[[Store, int, int], None], count: int) -> tuple[float, float]:
    """Return milliseconds for each reading: by the clock, and of work."""
    with tempfile.TemporaryDirectory(dir=folder) as place, Store.create(Path(place) / "bench.db") as store:
        for row in OPENING:
            store.put(row)
        wall, work = time.perf_counter(), time.process_time()
        way(store, 1, count)
        return (time.perf_counter() - wall) * 1e3 / count, (time.process_time() - work) * 1e3 / count


def compare(folder: Path, way: Callable[[Store, int, int], None], rounds: int, count: int) -> dict[str, object]:
    with_it, without_it = [], []
    for _ in range(rounds):
        with_it.append(timed(folder, way, count))
        with without_witness():
            without_it.append(timed(folder, way, count))
    found: dict[str, object] = {"way": way.__name__, "rounds": rounds, "readings": count}
    for index, name in enumerate(("wall", "work")):
        one, other = (statistics.median(took[index] for took in each) for each in (with_it, without_it))
        found[name] = {"with_ms": round(one, 4), "without_ms": round(other, 4), "ratio": round(one / other, 3)}
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=10)
    parser.add_argument("--readings", type=int, default=300)
    parser.add_argument("--folder", type=Path, help="on the disk that is meant; else the system's temporary folder")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
        print(json.dumps(compare(Path(folder), put, given.rounds, given.readings)), flush=True)
        print(json.dumps(compare(Path(folder), flood, given.rounds, 40 * given.readings)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
