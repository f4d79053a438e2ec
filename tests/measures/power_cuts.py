"""Cut the power under a writing process, again and again, and look for acknowledged readings that are gone.

    power_cuts.py --rounds 50 --seed 1
    power_cuts.py --rounds 5 --seed 1 --synchronous OFF     # must fail: shows that the measure can

Each round makes a small ext4 disk in a file, mounts it, and starts the writer of `kill_the_writer` on it. After a
random number of acknowledgements the writer is stopped in its tracks (SIGSTOP) and the file that is the disk is copied:
the copy has what was really sent to the disk, and nothing of what the system still holds in memory, as after a power
cut. The copy is mounted, the store in it opened, and every acknowledged reading must be there with its value, once.

Needs Linux, root, mkfs.ext4 and loop devices; exit status 2 where they are not to be had, 1 if anything is missing.
"""

import argparse
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from kill_the_writer import LONGEST, missing, write

from logger.errors import StoreError
from logger.store import Store, writer
from logger.store.connect import open_owner

DISK_BYTES = 24 << 20
SESSION = "s1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """What one cut came to: readings acknowledged, missing, kept twice, and what the program said of the store."""

    acknowledged: int
    missing: int
    twice: int
    told: str


@contextmanager
def mounted(image: Path, folder: Path) -> Iterator[Path]:
    """Mount the disk in a file for a while."""
    folder.mkdir(exist_ok=True)
    subprocess.run(["mount", "-o", "loop", image, folder], check=True)
    try:
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)


def drained(descriptor: int) -> bytes:
    """Return what is waiting in a pipe whose writer is stopped."""
    os.set_blocking(descriptor, False)
    data = b""
    try:
        while more := os.read(descriptor, 65_536):
            data += more
    except BlockingIOError:
        pass
    return data


def cut_once(folder: Path, lines: int, synchronous: str) -> Cut:
    """Write, stop after so many acknowledgements, copy the disk, and look at what the copy holds."""
    disk, copy = folder / "disk.img", folder / "cut.img"
    disk.unlink(missing_ok=True)
    with disk.open("wb") as file:
        file.truncate(DISK_BYTES)
    subprocess.run(["mkfs.ext4", "-q", "-F", disk], check=True)
    with mounted(disk, folder / "running") as place:
        acknowledged = _write_and_stop(place / "bench.db", lines, synchronous, partial(shutil.copyfile, disk, copy))
    with mounted(copy, folder / "after"):
        return _look(folder / "after" / "bench.db", acknowledged)


def _write_and_stop(store: Path, lines: int, synchronous: str, copy_disk: partial[Path]) -> list[int]:
    command = [sys.executable, __file__, "--write", str(store), "--synchronous", synchronous]
    with subprocess.Popen(command, stdout=subprocess.PIPE, bufsize=0) as process:
        assert process.stdout is not None
        data = b""
        while data.count(b"\n") < lines:
            more = os.read(process.stdout.fileno(), 4096)
            if not more:
                raise SystemExit(f"the writer ended by itself after {len(data.splitlines())} readings")
            data += more
        process.send_signal(signal.SIGSTOP)
        os.waitid(os.P_PID, process.pid, os.WSTOPPED)
        data += drained(process.stdout.fileno())
        copy_disk()
        process.kill()
    return [json.loads(line)["sequence"] for line in data.splitlines(keepends=True) if line.endswith(b"\n")]


def _look(store: Path, acknowledged: list[int]) -> Cut:
    try:
        with Store.open(store) as opened, opened.reader() as reader:
            rows = [(one.original.sequence, one.original.value_nm) for one in reader.readings(SESSION)]
    except StoreError as error:
        return Cut(acknowledged=len(acknowledged), missing=len(acknowledged), twice=0, told=str(error))
    lost = missing(acknowledged, dict(rows))
    return Cut(acknowledged=len(acknowledged), missing=len(lost), twice=len(rows) - len(dict(rows)), told="")


def write_carelessly(path: Path) -> None:
    """Write as the program does, but without waiting for the disk."""

    def open_careless(place: Path) -> object:
        connection = open_owner(place)
        connection.execute("PRAGMA synchronous = OFF")
        return connection

    writer.open_owner = open_careless  # type: ignore[assignment]
    write(path, SESSION)


def run(folder: Path, rounds: int, seed: int, synchronous: str) -> int:
    moments = random.Random(seed)
    cuts = []
    for number in range(rounds):
        cuts.append(cut_once(folder, moments.randint(1, LONGEST), synchronous))
        if cuts[-1].missing:
            print(f"cut {number}: {cuts[-1].missing} of {cuts[-1].acknowledged} missing; {cuts[-1].told}", flush=True)
    figures = {
        "cuts": rounds,
        "synchronous": synchronous,
        "acknowledged": sum(one.acknowledged for one in cuts),
        "missing": sum(one.missing for one in cuts),
        "twice": sum(one.twice for one in cuts),
        "cuts_with_a_loss": sum(one.missing > 0 for one in cuts),
    }
    print(json.dumps(figures))
    return 1 if figures["missing"] or figures["twice"] else 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=50, help="how often the power is cut (default 50)")
    parser.add_argument("--seed", type=int, default=1, help="of the moments of the cuts (default 1)")
    parser.add_argument("--synchronous", choices=("FULL", "OFF"), default="FULL", help="OFF: do not wait for the disk")
    parser.add_argument("--write", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.write is not None:
        write_carelessly(given.write) if given.synchronous == "OFF" else write(given.write, SESSION)
    if (
        sys.platform != "linux"
        or os.geteuid()
        or not shutil.which("mkfs.ext4")
        or not Path("/dev/loop-control").exists()
    ):
        print("cutting the power needs Linux, root, mkfs.ext4 and loop devices", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory() as folder:
        return run(Path(folder), given.rounds, given.seed, given.synchronous)


if __name__ == "__main__":
    sys.exit(main())
