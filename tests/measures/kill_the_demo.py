"""Kill -9 the whole demo at random moments on one reused store, and look for what was acknowledged.

    kill_the_demo.py --rounds 20 --seed 1

Each round starts ``fretledger demo`` on the same store, kills it at a random moment after its first acknowledgement and
asks ``fretledger readings`` for everything. Exit status 1 if an acknowledged reading is missing or changed.
"""

import argparse
import csv
import io
import json
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

COMMAND = str(Path(sys.executable).with_name("fretledger"))


def main() -> int:
    """Run the rounds, print one JSON object."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        return run(given.folder or Path(scratch), given.rounds, random.Random(given.seed))


def run(folder: Path, rounds: int, rng: random.Random) -> int:
    store, acks = folder / "kill.db", folder / "acks.jsonl"
    missing: list[dict[str, object]] = []
    for number in range(rounds):
        kill_once(store, acks, rng)
        missing = lost(store, acks)
        print(f"round {number + 1}: {len(acknowledged(acks))} acknowledged, {len(missing)} missing", flush=True)
        if missing:
            break
    print(json.dumps({"rounds": rounds, "acknowledged": len(acknowledged(acks)), "missing": len(missing)}))
    return 1 if missing else 0


def kill_once(store: Path, acks: Path, rng: random.Random) -> None:
    before = len(acknowledged(acks))
    arguments = [
        "demo",
        "--seconds",
        "8",
        "--seed",
        str(rng.randrange(1000)),
        "--no-browser",
        "--store",
        str(store),
        "--acks",
        str(acks),
    ]
    demo = subprocess.Popen([COMMAND, *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    give_up = time.monotonic() + 60
    while len(acknowledged(acks)) == before:
        if demo.poll() is not None or time.monotonic() > give_up:
            raise SystemExit(f"the demo did not start: {demo.communicate()[1].decode()}")
        time.sleep(0.01)
    time.sleep(rng.uniform(0, 4))
    demo.kill()
    demo.communicate()


def acknowledged(acks: Path) -> list[dict[str, object]]:
    """Return the acknowledgements; a last line cut by the kill was never seen whole by anyone."""
    text = acks.read_text(encoding="utf-8") if acks.exists() else ""
    return [json.loads(line) for line in text.splitlines(keepends=True) if line.endswith("}\n")]


def lost(store: Path, acks: Path) -> list[dict[str, object]]:
    done = subprocess.run([COMMAND, "readings", "--store", str(store)], capture_output=True, text=True, check=True)
    kept = {
        (row["session"], row["gauge"], int(row["sequence"])): row for row in csv.DictReader(io.StringIO(done.stdout))
    }
    return [one for one in acknowledged(acks) if not same(one, kept.get(key(one)))]


def key(one: dict[str, object]) -> tuple[str, str, int]:
    return str(one["session"]), str(one["gauge"]), int(str(one["sequence"]))


def same(one: dict[str, object], row: dict[str, str] | None) -> bool:
    if row is None:
        return False
    text = row["value"] or str((float(row["low"]) + float(row["high"])) / 2)
    return (
        row["kind"] == (one["kind"] or "")
        and row["fret"] == ("" if one["fret"] is None else str(one["fret"]))
        and row["place"] == (one["place"] or "")
        and abs(float(text) * 1e6 - int(str(one["value_nm"]))) < 1
    )


if __name__ == "__main__":
    sys.exit(main())
