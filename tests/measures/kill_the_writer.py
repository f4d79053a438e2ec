"""Kill a writing process with signal 9, again and again, and look for acknowledged readings that are gone or twice.

    kill_the_writer.py --rounds 200 --seed 1

Each round starts a process that opens the store and submits readings as fast as it can, printing one JSON line for each
that was acknowledged. After a random number of lines it is killed. Every line that came out must be in the store, with
the very value, once; the next round goes on in the same store. At the end the whole store is inspected. Exit status 1
if anything is missing, twice or wrong.

kill -9 shows what the program forgets, not what the disk forgets: for that the power has to be cut.
"""

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
import threading
from concurrent.futures import Future
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from logger.store import InstrumentRevision, InstrumentRow, ReadingRow, SessionGauge, SessionRow, Store, StoreReader
from logger.store.inspection import inspect

IN_FLIGHT = 64
LONGEST = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """What one round came to: readings acknowledged, kept but not acknowledged, missing, and kept twice."""

    acknowledged: int
    unacknowledged: int
    missing: tuple[int, ...]
    twice: int


def value_nm(sequence: int) -> int:
    """Return the value that a reading must have, so that content is checked as well as presence."""
    return sequence * 7_919 - 1_000_000


def reading(session: str, sequence: int) -> ReadingRow:
    return ReadingRow(
        session=session,
        gauge="caliper",
        sequence=sequence,
        kind="slot_width",
        fret=sequence % 22 + 1,
        place="bass",
        value_nm=value_nm(sequence),
        unit="mm",
        raw=b"%d\r\n" % sequence,
        status="ok",
        taken_at_ns=sequence,
        monotonic_ns=sequence,
    )


def write(path: Path, session: str) -> None:
    """Write until killed, acknowledging on standard output."""
    room = threading.Semaphore(IN_FLIGHT)

    def acknowledge(sequence: int, future: Future[None]) -> None:
        future.result()
        os.write(1, json.dumps({"sequence": sequence}).encode() + b"\n")
        room.release()

    with Store.open_or_create(path) as store:
        for row in (
            InstrumentRow(id="neck", created_at_ns=0, description=""),
            InstrumentRevision(instrument="neck", revision=1, at_ns=0, name="test neck", description=""),
            SessionRow(
                id=session, instrument="neck", revision=1, started_at_ns=0, monotonic_ns=0, boot_id="", software="test"
            ),
            SessionGauge(
                session=session, gauge="caliper", kind="caliper", description="{}", profile="", profile_sha256=""
            ),
        ):
            store.put(row)
        with store.reader() as reader:
            sequence = reader.next_sequence(session, "caliper")
        while True:
            room.acquire()
            store.submit(reading(session, sequence)).add_done_callback(partial(acknowledge, sequence))
            sequence += 1


def kill_one(path: Path, session: str, lines: int) -> list[int]:
    """Start a writer, kill it after so many lines, and return every sequence number that it acknowledged."""
    command = [sys.executable, __file__, "--write", str(path), "--session", session]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as writer:
        assert writer.stdout is not None
        head = [writer.stdout.readline() for _ in range(lines)]
        writer.kill()
        tail = writer.stdout.readlines()
    whole = [line for line in head + tail if line.endswith(b"\n")]
    if len(whole) < lines:
        raise SystemExit(f"the writer of session {session} ended by itself after {len(whole)} readings")
    return [json.loads(line)["sequence"] for line in whole]


def missing(acknowledged: list[int], kept: dict[int, int]) -> tuple[int, ...]:
    """Return the acknowledged sequence numbers that are not kept with their value."""
    return tuple(sequence for sequence in acknowledged if kept.get(sequence) != value_nm(sequence))


def run_round(path: Path, session: str, lines: int, earlier: list[int]) -> Round:
    """Kill one writer; ``earlier`` is what writers of this session acknowledged so far, and grows."""
    fresh = kill_one(path, session, lines)
    earlier += fresh
    with StoreReader(path) as reader:
        rows = [(item.original.sequence, item.original.value_nm) for item in reader.readings(session)]
    kept = dict(rows)
    return Round(
        acknowledged=len(fresh),
        unacknowledged=len(kept.keys() - set(earlier)),
        missing=missing(earlier, kept),
        twice=len(rows) - len(kept),
    )


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=200, help="how many writers to kill (default 200)")
    parser.add_argument("--seed", type=int, default=1, help="of the moments of the kills (default 1)")
    parser.add_argument("--folder", type=Path, help="where the store is kept; a temporary one otherwise")
    parser.add_argument("--write", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--session", default="s1", help=argparse.SUPPRESS)
    given = parser.parse_args(arguments)
    if given.write is not None:
        write(given.write, given.session)
    with tempfile.TemporaryDirectory() as temporary:
        return run(given.folder or Path(temporary), given.rounds, given.seed)


def run(folder: Path, rounds: int, seed: int) -> int:
    moments = random.Random(seed)
    acknowledged: dict[str, list[int]] = {}
    total = unacknowledged = lost = twice = 0
    for number in range(rounds):
        session = f"s{number // 20}"  # some rounds begin a session, most resume one
        earlier = acknowledged.setdefault(session, [])
        done = run_round(folder / "bench.db", session, moments.randint(1, LONGEST), earlier)
        total += done.acknowledged
        unacknowledged += done.unacknowledged
        lost += len(done.missing)
        twice += done.twice
        if done.missing:
            print(f"round {number}: missing {done.missing[:10]}", flush=True)
    wrong = inspect(folder / "bench.db").wrong
    figures = {"rounds": rounds, "acknowledged": total, "kept_unacknowledged": unacknowledged}
    print(json.dumps(figures | {"missing": lost, "twice": twice, "wrong": wrong}))
    return 1 if lost or twice or wrong else 0


if __name__ == "__main__":
    sys.exit(main())
